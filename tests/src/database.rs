//! A fresh, migrated database of either kind for one test.
//!
//! PostgreSQL comes, in this order, from the server named by `SLACKWATER_TEST_POSTGRES_URL`, from a
//! container of the image named by `SLACKWATER_TEST_POSTGRES_IMAGE` (else the one that
//! `tests/postgres/build-image` builds, else a public one), or from Debian's PostgreSQL started on
//! loopback: one server for a test run, one database for a test. Where there is none, the
//! PostgreSQL half says so loudly; with `CI=true` it fails.

use sea_orm::{ConnectionTrait as _, Database as Connect};
use store::Store;
use tempfile::TempDir;
use uuid::Uuid;

use crate::server;

/// Which kind of database a test runs on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Database {
    Sqlite,
    Postgres,
}

/// A database of a test's own; gone when dropped.
pub struct Fresh {
    pub store: Store,
    pub address: String,
    keep: Keep,
}

enum Keep {
    Directory(TempDir),
    Database { admin: String, name: String },
}

impl Database {
    /// A migrated database; `None` where PostgreSQL is asked for and can't be had here.
    ///
    /// # Panics
    /// Where it should be there and is not.
    pub async fn fresh(self) -> Option<Fresh> {
        let fresh = match self {
            Self::Sqlite => sqlite().await,
            Self::Postgres => {
                let admin = server::postgres().await?;
                // Copying the schema takes a tenth of the time that making it takes.
                let make = async |name: &str| {
                    let migrated = postgres(&admin, name, None).await;
                    migrated.store.migrate().await.expect("migrations run");
                    let Fresh { store, keep, .. } = migrated;
                    store.connection().clone().close().await.expect("nobody is left in it");
                    keep.forget();
                };
                let template = server::template(make).await;
                postgres(&admin, &own_name(), template).await
            }
        };
        fresh.store.migrate().await.expect("migrations run");
        Some(fresh)
    }

    /// Like [`Self::fresh`], before any migration.
    pub async fn empty(self) -> Option<Fresh> {
        match self {
            Self::Sqlite => Some(sqlite().await),
            Self::Postgres => {
                let admin = server::postgres().await?;
                Some(postgres(&admin, &own_name(), None).await)
            }
        }
    }
}

fn own_name() -> String {
    format!("slackwater_{}", Uuid::now_v7().simple())
}

async fn sqlite() -> Fresh {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let address = format!("sqlite:{}", directory.path().join("test.sqlite").display());
    let store = Store::open(&address).await.expect("the database opens");
    Fresh { store, address, keep: Keep::Directory(directory) }
}

async fn postgres(admin: &str, name: &str, template: Option<&str>) -> Fresh {
    let connection = Connect::connect(admin).await.expect("the server answers");
    let from = template.map(|template| format!(" TEMPLATE {template}")).unwrap_or_default();
    let create = format!("CREATE DATABASE {name}{from}");
    connection.execute_unprepared(&create).await.expect("a database is made");
    connection.close().await.expect("the connection closes");
    let address = with_database(admin, name);
    let store = Store::open(&address).await.expect("the database opens");
    let keep = Keep::Database { admin: admin.to_owned(), name: name.to_owned() };
    Fresh { store, address, keep }
}

impl Keep {
    /// Leaves the database where it is.
    fn forget(self) {
        std::mem::forget(self);
    }
}

impl Drop for Keep {
    fn drop(&mut self) {
        if let Self::Database { admin, name } = self {
            let (admin, drop) = (admin.clone(), format!("DROP DATABASE {name} WITH (FORCE)"));
            // A thread of its own: the test's runtime may be going down.
            let dropped = std::thread::spawn(move || {
                let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
                runtime.map(|runtime| {
                    runtime.block_on(async {
                        let connection = Connect::connect(&admin).await?;
                        connection.execute_unprepared(&drop).await?;
                        connection.close().await
                    })
                })
            });
            if !matches!(dropped.join(), Ok(Ok(Ok(())))) {
                eprintln!("a test's database was left behind: {name}");
            }
        } else if let Self::Directory(directory) = self {
            debug_assert!(directory.path().exists(), "the file lives as long as its store");
        }
    }
}

/// `postgres://user@host:port/postgres?x` → `postgres://user@host:port/name?x`.
fn with_database(admin: &str, name: &str) -> String {
    let (base, query) = admin.split_once('?').map_or((admin, ""), |(base, query)| (base, query));
    let scheme = base.find("://").map_or(0, |at| at + 3);
    let server = base[scheme..].find('/').map_or(base, |slash| &base[..scheme + slash]);
    let query = if query.is_empty() { String::new() } else { format!("?{query}") };
    format!("{server}/{name}{query}")
}
