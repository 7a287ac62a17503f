//! Who is let in, on both databases.

#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]

use chrono::TimeDelta;
use fleet::person::Role;
use rstest::rstest;
use store::once::{self, Answer, Key, Seen};
use store::secret::{self, Secret};
use store::{StoreError, Transaction, people, record, sessions, tokens};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::yard::{Yard, author, now, person};
use uuid::Uuid;

#[test]
fn a_password_is_kept_as_argon2id_and_told_from_another() {
    let hash = secret::hash_password("gull on the bollard").unwrap();
    assert!(hash.starts_with("$argon2id$"), "{hash}");
    assert!(secret::verify_password("gull on the bollard", Some(&hash)));
    assert!(!secret::verify_password("gull on the buoy", Some(&hash)));
    assert!(!secret::verify_password("gull on the bollard", None));
    assert_ne!(hash, secret::hash_password("gull on the bollard").unwrap(), "salted");
}

#[test]
fn a_secret_is_not_printed() {
    let secret = Secret::fresh().unwrap();
    assert_eq!(secret.reveal().len(), 64);
    assert!(!format!("{secret:?}").contains(secret.reveal()));
}

#[rstest]
#[tokio::test]
async fn a_session_lasts_until_its_end_and_no_longer(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let (store, yard) = (&database.store, Yard::found(&database.store, "north").await);
    let open = async |transaction: &Transaction| {
        let (organisation, person) = (yard.organisation, yard.owner.id);
        sessions::open(transaction, organisation, person, now(), TimeDelta::hours(8)).await
    };
    let opened = store.write(open).await.unwrap();
    let connection = store.connection();
    let last_moment = now() + TimeDelta::hours(8) - TimeDelta::seconds(1);
    let signed_in = sessions::find(connection, &opened.secret, last_moment).await.unwrap().unwrap();
    assert_eq!((signed_in.organisation, &signed_in.person), (yard.organisation, &yard.owner));
    assert_eq!(signed_in.csrf_token, opened.csrf_token);
    let too_late = now() + TimeDelta::hours(8);
    assert!(sessions::find(connection, &opened.secret, too_late).await.unwrap().is_none());
    let guessed = Secret::fresh().unwrap();
    assert!(sessions::find(connection, &guessed, now()).await.unwrap().is_none());

    let end = async |transaction: &Transaction| {
        sessions::end(transaction, yard.organisation, signed_in.session, now()).await
    };
    store.write(end).await.unwrap();
    assert!(sessions::find(connection, &opened.secret, now()).await.unwrap().is_none());
}

#[rstest]
#[tokio::test]
async fn whoever_left_is_not_let_in(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let (store, yard) = (&database.store, Yard::found(&database.store, "north").await);
    let leave = async |transaction: &Transaction| {
        let lasts = TimeDelta::hours(8);
        let opened =
            sessions::open(transaction, yard.organisation, yard.owner.id, now(), lasts).await?;
        let hash = secret::hash_password("gull")?;
        people::set_password(transaction, yard.organisation, yard.owner.id, &hash, now()).await?;
        let mut left = yard.owner.clone();
        left.archived = true;
        record::change(transaction, yard.organisation, &author(), &left).await?;
        Ok::<_, StoreError>(opened)
    };
    let opened = store.write(leave).await.unwrap();
    assert!(sessions::find(store.connection(), &opened.secret, now()).await.unwrap().is_none());
    let email = yard.owner.email.unwrap();
    assert!(people::candidates(store.connection(), &email).await.unwrap().is_empty());
}

#[rstest]
#[tokio::test]
async fn one_address_in_two_organisations_has_two_passwords(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let yards = [Yard::found(store, "north").await, Yard::found(store, "south").await];
    for (yard, hash) in yards.iter().zip(["first", "second"]) {
        let set = async |transaction: &Transaction| {
            // Twice: the later one counts.
            let (organisation, owner) = (yard.organisation, yard.owner.id);
            people::set_password(transaction, organisation, owner, "old", now()).await?;
            people::set_password(transaction, organisation, owner, hash, now()).await
        };
        store.write(set).await.unwrap();
    }
    let found = people::candidates(store.connection(), " Ingrid.Holm@Example.org ").await.unwrap();
    let mut hashes: Vec<_> = found
        .iter()
        .map(|candidate| (candidate.organisation, candidate.password_hash.as_str()))
        .collect();
    hashes.sort_unstable();
    assert_eq!(hashes, [(yards[0].organisation, "first"), (yards[1].organisation, "second")]);
}

#[rstest]
#[tokio::test]
async fn a_link_signs_in_once(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let (store, yard) = (&database.store, Yard::found(&database.store, "north").await);
    let create = async |transaction: &Transaction| {
        let (organisation, person) = (yard.organisation, yard.owner.id);
        sessions::create_link(transaction, organisation, person, now(), TimeDelta::minutes(10))
            .await
    };
    let link = store.write(create).await.unwrap();
    let used_at = async |at| {
        store
            .write(async |transaction: &Transaction| {
                sessions::use_link(transaction, &link, at).await
            })
            .await
            .unwrap()
    };
    assert_eq!(used_at(now() + TimeDelta::minutes(10)).await, None, "too late");
    assert_eq!(used_at(now()).await, Some((yard.organisation, yard.owner.id)));
    assert_eq!(used_at(now()).await, None, "used up");
}

#[rstest]
#[tokio::test]
async fn a_token_opens_until_it_expires_or_is_revoked(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let (store, yard) = (&database.store, Yard::found(&database.store, "north").await);
    let expires_at = now() + TimeDelta::days(1);
    let create = async |transaction: &Transaction| {
        let (name, role) = ("jetty scales", Role::Technician);
        let until = Some(expires_at);
        tokens::create(transaction, yard.organisation, &author(), name, role, until).await
    };
    let (secret, token) = store.write(create).await.unwrap();
    let connection = store.connection();
    let found = tokens::find(connection, &secret, now()).await.unwrap().unwrap();
    assert_eq!(found, (yard.organisation, token.clone()));
    assert!(tokens::find(connection, &secret, expires_at).await.unwrap().is_none());
    let all = tokens::all(connection, yard.organisation).await.unwrap();
    assert_eq!(all, std::slice::from_ref(&token));

    let revoke = async |transaction: &Transaction| {
        tokens::revoke(transaction, yard.organisation, &author(), token.id).await
    };
    store.write(revoke).await.unwrap();
    assert!(tokens::find(connection, &secret, now()).await.unwrap().is_none());
}

#[rstest]
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_request_repeated_at_once_is_done_once(#[values(Sqlite, Postgres)] on: Database) {
    const REPEATS: usize = 20;
    let Some(database) = on.fresh().await else { return };
    let (store, yard) = (&database.store, Yard::found(&database.store, "north").await);
    let organisation = yard.organisation;
    let repeats: Vec<_> = (0..REPEATS)
        .map(|number| {
            let store = store.clone();
            tokio::spawn(async move {
                let work = async |transaction: &Transaction| {
                    let key = key(organisation, b"the same body");
                    match once::take(transaction, key, now(), TimeDelta::days(1)).await? {
                        Seen::First => {
                            let name = format!("Technician {number}");
                            let hired = person(&name, Role::Technician);
                            let rows = std::slice::from_ref(&hired);
                            record::create(transaction, organisation, &author(), rows).await?;
                            let answer = answer(&name);
                            once::keep(transaction, key, &answer).await?;
                            Ok::<_, StoreError>(answer)
                        }
                        Seen::Before(answer) => Ok(answer),
                        Seen::OtherRequest => panic!("it is the same request"),
                    }
                };
                store.write(work).await
            })
        })
        .collect();
    let mut answers = Vec::new();
    for repeat in repeats {
        answers.push(repeat.await.unwrap().unwrap());
    }
    assert!(answers.iter().all(|answer| *answer == answers[0]), "{answers:?}");
    let people = record::count::<fleet::person::Person>(store.connection(), organisation).await;
    assert_eq!(people.unwrap(), 2, "the owner and one technician");
}

#[rstest]
#[tokio::test]
async fn a_key_belongs_to_its_request_and_expires(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let (store, yard) = (&database.store, Yard::found(&database.store, "north").await);
    let take = async |body: &[u8], at| {
        let work = async |transaction: &Transaction| {
            let key = key(yard.organisation, body);
            let seen = once::take(transaction, key, at, TimeDelta::days(1)).await?;
            if seen == Seen::First {
                once::keep(transaction, key, &answer("done")).await?;
            }
            Ok::<_, StoreError>(seen)
        };
        store.write(work).await.unwrap()
    };
    assert_eq!(take(b"one", now()).await, Seen::First);
    assert_eq!(take(b"one", now()).await, Seen::Before(answer("done")));
    assert_eq!(take(b"two", now()).await, Seen::OtherRequest);
    assert_eq!(take(b"two", now() + TimeDelta::days(1)).await, Seen::First);
}

fn key(organisation: fleet::id::OrganisationId, digest: &[u8]) -> Key<'_> {
    Key { organisation, actor: Uuid::nil(), text: "k-1", request_digest: digest }
}

fn answer(text: &str) -> Answer {
    let headers = serde_json::json!({ "etag": "\"1\"" });
    Answer { status: 201, headers, body: text.as_bytes().to_vec() }
}
