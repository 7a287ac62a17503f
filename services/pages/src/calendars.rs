//! Yard, calendars: addresses under which calendars read the bench's work, made and closed.

use askama::Template;
use axum::extract::{Path, State};
use axum::http::header::HOST;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use fleet::id::FeedId;
use fleet::person::{Bay, Person};
use store::feeds::{self, Feed, FeedOf};
use store::{Transaction, record};
use uuid::Uuid;

use crate::failure::{Failure, onward, shown, shown_again};
use crate::figures::{count, moment};
use crate::form::{Choice, Field, choose};
use crate::frame::{Frame, Link, Notice, Room};
use crate::state::{Cookies, PagesState};
use crate::visitor::{Posted, Right, Visitor};
use crate::yard;
use crate::yard_records::Yard;

pub const PATH: &str = "/yard/calendars";

#[derive(Template)]
#[template(path = "calendars.html")]
pub struct CalendarsPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub made: Option<Made>,
    pub choices: Vec<Choice>,
    pub of: Field,
    pub rows: Vec<CalendarRow>,
}

/// The address that was just made.
#[derive(Clone, Debug)]
pub struct Made {
    pub says: String,
    pub address: String,
}

#[derive(Clone, Debug)]
pub struct CalendarRow {
    pub of: String,
    pub made: String,
    pub stands: String,
    /// Where to close it; empty where it is closed, or somebody else's.
    pub close_to: String,
}

/// What a calendar can be of, and what it is called.
struct Offered(Vec<(FeedOf, String)>);

impl Offered {
    async fn read(state: &PagesState, visitor: &Visitor, yard: &Yard) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let mut people: Vec<Person> = record::all(connection, organisation).await?;
        people.retain(|person| !person.archived);
        people.sort_by_key(|person| (person.id != visitor.person.id, person.name.clone()));
        let mut bays: Vec<Bay> = record::all(connection, organisation).await?;
        bays.retain(|bay| !bay.archived);
        bays.sort_by(|a, b| a.name.cmp(&b.name));
        let people = people.into_iter().map(|p| (FeedOf::Person(p.id), p.name));
        let sites = yard.sites.iter().map(|site| (FeedOf::Site(site.id), site.name.clone()));
        let bays = bays.into_iter().map(|bay| (FeedOf::Bay(bay.id), bay.name));
        Ok(Self(people.chain(sites).chain(bays).collect()))
    }

    fn name(&self, of: FeedOf) -> String {
        let found = self.0.iter().find(|(known, _)| *known == of);
        match (of, found) {
            (FeedOf::Site(_), Some((_, name))) => format!("site {name}"),
            (FeedOf::Bay(_), Some((_, name))) => format!("bay {name}"),
            (FeedOf::Person(_), Some((_, name))) => name.clone(),
            (_, None) => "no longer here".to_owned(),
        }
    }

    fn choices(&self, visitor: &Visitor, chosen: &str) -> Vec<Choice> {
        let may = self.0.iter().filter(|(of, _)| may_make(visitor, *of));
        choose(may.map(|(of, _)| Choice::new(value(*of), self.name(*of))), chosen)
    }

    fn chosen(&self, visitor: &Visitor, given: &str) -> Option<FeedOf> {
        let may = self.0.iter().filter(|(of, _)| may_make(visitor, *of));
        may.map(|(of, _)| *of).find(|of| value(*of) == given)
    }
}

fn value(of: FeedOf) -> String {
    match of {
        FeedOf::Site(site) => format!("site {site}"),
        FeedOf::Bay(bay) => format!("bay {bay}"),
        FeedOf::Person(person) => format!("person {person}"),
    }
}

/// Everybody has a calendar of their own; the others are the planner's.
fn may_make(visitor: &Visitor, of: FeedOf) -> bool {
    of == FeedOf::Person(visitor.person.id) || visitor.may(Right::Plan)
}

pub async fn show(State(state): State<PagesState>, visitor: Visitor) -> Result<Response, Failure> {
    let yard = Yard::read(&state, &visitor).await?;
    shown(&page(&state, &visitor, &yard, None, Field::default()).await?)
}

/// Makes an address. The answer is the page itself and no way onward: the address is told once, and
/// is to stand in no cookie.
pub async fn make(
    State(state): State<PagesState>,
    headers: HeaderMap,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    let yard = Yard::read(&state, &visitor).await?;
    let offered = Offered::read(&state, &visitor, &yard).await?;
    let given = fields.get("of");
    let Some(of) = offered.chosen(&visitor, given) else {
        let fault = "Choose a site, a bay or a person.".to_owned();
        let field = Field { value: given.to_owned(), fault };
        return shown_again(&page(&state, &visitor, &yard, None, field).await?);
    };
    let (organisation, author) = (visitor.organisation, visitor.author(&state));
    let create = async |transaction: &Transaction| {
        feeds::create(transaction, organisation, &author, of).await
    };
    let (secret, _) = state.store.write(create).await?;
    let made = Made {
        says: format!("A calendar of {} is open.", offered.name(of)),
        address: address(&headers, state.cookies, secret.reveal()),
    };
    let page = page(&state, &visitor, &yard, Some(made), Field::of(given)).await?;
    shown(&page).map(|page| (StatusCode::CREATED, page).into_response())
}

/// The whole address, as this browser reached us.
fn address(headers: &HeaderMap, cookies: Cookies, secret: &str) -> String {
    let scheme = if cookies == Cookies::Secure { "https" } else { "http" };
    match headers.get(HOST).and_then(|host| host.to_str().ok()) {
        Some(host) => format!("{scheme}://{host}/feeds/{secret}.ics"),
        None => format!("/feeds/{secret}.ics"),
    }
}

pub async fn close(
    State(state): State<PagesState>,
    Path(feed): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let visitor = posted.visitor;
    let (organisation, author) = (visitor.organisation, visitor.author(&state));
    let feed = feeds::get(state.store.connection(), organisation, FeedId(feed)).await?;
    if !may_make(&visitor, feed.of) {
        visitor.check(Right::Plan)?;
    }
    let revoke = async |transaction: &Transaction| {
        feeds::revoke(transaction, organisation, &author, feed.id).await
    };
    state.store.write(revoke).await?;
    let says = "The calendar is closed: its address opens nothing any more.";
    Ok(onward(&state, PATH, &Notice::done(says)))
}

async fn page(
    state: &PagesState,
    visitor: &Visitor,
    yard: &Yard,
    made: Option<Made>,
    of: Field,
) -> Result<CalendarsPage, Failure> {
    let offered = Offered::read(state, visitor, yard).await?;
    let mut all = feeds::all(state.store.connection(), visitor.organisation).await?;
    all.retain(|feed| may_make(visitor, feed.of));
    all.sort_by_key(|feed| (feed.revoked_at.is_some(), std::cmp::Reverse(feed.created_at)));
    let open = all.iter().filter(|feed| feed.revoked_at.is_none()).count();
    let row = |feed: &Feed| {
        let at = |instant| moment(instant, yard.zone, yard.today);
        CalendarRow {
            of: offered.name(feed.of),
            made: at(feed.created_at),
            stands: feed.revoked_at.map_or(String::new(), |on| format!("closed {}", at(on))),
            close_to: match feed.revoked_at {
                None => format!("{PATH}/{}/close", feed.id),
                Some(_) => String::new(),
            },
        }
    };
    Ok(CalendarsPage {
        frame: visitor.frame("Calendars", Room::Yard),
        heading: format!("{} open", count(open, "calendar is", "calendars are")),
        lead: "The bench's work in anybody's calendar program: engine, tasks, bay, by day."
            .to_owned(),
        paths: yard::paths(visitor, PATH),
        made,
        choices: offered.choices(visitor, &of.value),
        of,
        rows: all.iter().map(row).collect(),
    })
}
