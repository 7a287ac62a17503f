//! The organisation, its sites, people and the ways they are let in.

use sea_orm_migration::prelude::{
    DbErr, DeriveMigrationName, MigrationTrait, SchemaManager, async_trait,
};

use crate::table::{Table, create, drop};

#[derive(DeriveMigrationName)]
pub struct Migration;

#[async_trait::async_trait]
impl MigrationTrait for Migration {
    async fn up(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        create(manager, tables()).await
    }

    async fn down(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        drop(manager, tables()).await
    }

    /// Half a migration is none, on SQLite too.
    fn use_transaction(&self) -> Option<bool> {
        Some(true)
    }
}

/// Each table after those that it refers to.
fn tables() -> Vec<Table> {
    vec![
        organisations(),
        calendars(),
        calendar_days(),
        sites(),
        site_prices(),
        currency_rates(),
        people(),
        credentials(),
        tokens(),
        sessions(),
        sign_in_links(),
        skills(),
        person_skills(),
        absences(),
        bays(),
        bay_closures(),
        feeds(),
        history(),
        idempotency_keys(),
    ]
}

/// A business whose rows no other business sees.
fn organisations() -> Table {
    Table::root("organisations")
        .text("name")
        .text("currency")
        .instant("created_at")
        .check("currency", "length(currency) = 3")
}

/// Working minutes of a person by weekday.
fn calendars() -> Table {
    Table::shared("calendars")
        .text("name")
        .int("monday_minutes")
        .int("tuesday_minutes")
        .int("wednesday_minutes")
        .int("thursday_minutes")
        .int("friday_minutes")
        .int("saturday_minutes")
        .int("sunday_minutes")
        .unique("name", &["name"])
}

/// A day on which a calendar differs from its week; none worked means closed.
fn calendar_days() -> Table {
    Table::rows("calendar_days")
        .refer("calendar_id", "calendars")
        .date("on")
        .int("worked_minutes")
        .text("reason")
        .unique("calendar_on", &["calendar_id", "on"])
}

/// A yard or hire station.
fn sites() -> Table {
    Table::shared("sites")
        .text("name")
        .text("time_zone")
        .refer("calendar_id", "calendars")
        .or_null()
        .date("first_hire_on")
        .or_null()
        .date("last_hire_on")
        .or_null()
        .int("finish_days_before_hire")
        .bool("archived")
        .unique("name", &["name"])
        .check("finish_days", "finish_days_before_hire between 0 and 365")
}

/// What something costs a site, in money, and where the figure comes from.
fn site_prices() -> Table {
    Table::shared("site_prices")
        .refer("site_id", "sites")
        .one_of(
            "kind",
            &["day_late", "failure", "boat_short", "visit_left_out", "overtime_hour", "bench_hour"],
        )
        .big("amount_minor")
        .text("amount_currency")
        .text("basis")
        .unique("site_kind", &["site_id", "kind"])
        .check("amount", "amount_minor >= 0")
}

/// What one unit of a currency was worth in another on a day.
fn currency_rates() -> Table {
    Table::rows("currency_rates")
        .text("from_currency")
        .text("to_currency")
        .date("on")
        .big("rate_millionths")
        .text("source")
        .unique("from_currency_to_currency_on", &["from_currency", "to_currency", "on"])
        .check("rate", "rate_millionths > 0")
}

/// Somebody of the organisation.
fn people() -> Table {
    Table::shared("people")
        .text("name")
        .text("email")
        .or_null()
        .one_of("role", &["viewer", "technician", "planner", "buyer", "owner"])
        .bool("may_clear_holds")
        .refer("site_id", "sites")
        .or_null()
        .refer("calendar_id", "calendars")
        .or_null()
        .int("productive_percent")
        .bool("archived")
        .unique_where("email", &["email"], "email is not null")
        .unique("name", &["name"])
        .index_everywhere("email")
        .check("email", "email = lower(email)")
        .check("productive", "productive_percent between 0 and 100")
}

/// How a person signs in; apart from the person, so that no list of people carries it.
fn credentials() -> Table {
    Table::rows("credentials")
        .refer("person_id", "people")
        .text("password_hash")
        .instant("changed_at")
        .unique("person", &["person_id"])
}

/// A program's key; only its hash is kept.
fn tokens() -> Table {
    Table::rows("tokens")
        .text("name")
        .one_of("role", &["viewer", "technician", "planner", "buyer", "owner"])
        .blob("token_hash")
        .refer("created_by_id", "people")
        .or_null()
        .instant("created_at")
        .instant("expires_at")
        .or_null()
        .instant("revoked_at")
        .or_null()
        .instant("last_used_at")
        .or_null()
        .unique_everywhere("token_hash")
}

/// A signed-in browser.
fn sessions() -> Table {
    Table::rows("sessions")
        .refer("person_id", "people")
        .blob("token_hash")
        .text("csrf_token")
        .instant("created_at")
        .instant("expires_at")
        .instant("ended_at")
        .or_null()
        .unique_everywhere("token_hash")
}

/// A link that signs a person in once.
fn sign_in_links() -> Table {
    Table::rows("sign_in_links")
        .refer("person_id", "people")
        .blob("token_hash")
        .instant("created_at")
        .instant("expires_at")
        .instant("used_at")
        .or_null()
        .unique_everywhere("token_hash")
}

/// What a task may ask of a person.
fn skills() -> Table {
    Table::shared("skills").text("name").unique("name", &["name"])
}

/// A person has a skill.
fn person_skills() -> Table {
    Table::rows("person_skills")
        .refer("person_id", "people")
        .refer("skill_id", "skills")
        .unique("person_skill", &["person_id", "skill_id"])
}

/// A person is away, both days included.
fn absences() -> Table {
    Table::rows("absences")
        .refer("person_id", "people")
        .date("from_on")
        .date("until_on")
        .text("reason")
        .unique("person_from_on", &["person_id", "from_on"])
        .check("order", "until_on >= from_on")
}

/// A place where one engine is worked on.
fn bays() -> Table {
    Table::shared("bays")
        .refer("site_id", "sites")
        .text("name")
        .text("kind")
        .bool("archived")
        .unique("site_name", &["site_id", "name"])
}

/// A bay that can't be used, both days included.
fn bay_closures() -> Table {
    Table::rows("bay_closures")
        .refer("bay_id", "bays")
        .date("from_on")
        .date("until_on")
        .text("reason")
        .unique("bay_from_on", &["bay_id", "from_on"])
        .check("order", "until_on >= from_on")
}

/// A calendar feed behind a secret, revocable link.
fn feeds() -> Table {
    Table::rows("feeds")
        .one_of("kind", &["site", "bay", "person"])
        .refer("site_id", "sites").or_null()
        .refer("bay_id", "bays").or_null()
        .refer("person_id", "people").or_null()
        .blob("token_hash")
        .instant("created_at")
        .instant("revoked_at").or_null()
        .unique_everywhere("token_hash")
        .check("target", "(kind = 'site' and site_id is not null) or (kind = 'bay' and bay_id is not null) or (kind = 'person' and person_id is not null)")
}

/// Who changed what, when, from what to what. Append-only.
fn history() -> Table {
    Table::rows("history")
        .instant("at")
        .text("actor")
        .uuid("actor_id")
        .or_null()
        .text("noun")
        .uuid("entity_id")
        .one_of("kind", &["created", "changed", "removed"])
        .json("before")
        .or_null()
        .json("after")
        .or_null()
        .text("note")
        .or_null()
        .index("noun_entity_id", &["noun", "entity_id", "id"])
}

/// An answer already given to a request, to be given again.
fn idempotency_keys() -> Table {
    Table::rows("idempotency_keys")
        .uuid("actor_id")
        .text("key")
        .blob("request_digest")
        .int("status")
        .or_null()
        .json("answer_headers")
        .or_null()
        .blob("answer_body")
        .or_null()
        .instant("created_at")
        .instant("expires_at")
        .unique("actor_key", &["actor_id", "key"])
        .check("key", "length(key) between 1 and 255")
}
