//! Calendar feeds of bench visits (iCalendar, RFC 5545).
//!
//! A visit keeps its UID for good and counts its changes in SEQUENCE, so that a subscribed calendar
//! moves an entry rather than doubling it. Visits take whole days, so there are no time zones here.

use chrono::{DateTime, Days, NaiveDate, Utc};
use icalendar::{Calendar, Component as _, Event, EventLike as _, EventStatus, Property};
use uuid::Uuid;

/// How often a subscriber should look again.
const REFRESH: &str = "PT1H";
/// RFC 5545, section 3.1, the line break not counted.
const OCTETS_A_LINE: usize = 75;

/// A visit as a calendar shows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BenchVisit {
    pub visit: Uuid,
    /// Times the visit was changed.
    pub changes: u32,
    pub changed_at: DateTime<Utc>,
    pub first_day: NaiveDate,
    /// The same for a visit of one day.
    pub last_day: NaiveDate,
    pub summary: String,
    pub description: String,
    /// The bay.
    pub place: Option<String>,
    pub standing: Standing,
}

/// How sure a visit is (RFC 5545, section 3.8.1.11).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Proposed: somebody must still agree.
    Tentative,
    Confirmed,
    /// Dropped or left to a later date.
    Cancelled,
}

/// The feed as text, lines ending in CRLF.
pub fn write_feed(name: &str, visits: &[BenchVisit]) -> String {
    let mut calendar = Calendar::empty();
    let refresh =
        Property::new("REFRESH-INTERVAL", REFRESH).add_parameter("VALUE", "DURATION").done();
    calendar
        .append_property(("VERSION", "2.0"))
        .append_property(("PRODID", "-//Slackwater//Bench visits//EN"))
        .append_property(("CALSCALE", "GREGORIAN"))
        .append_property(refresh)
        .name(name);
    for visit in visits {
        calendar.push(event(visit));
    }
    fold(&calendar.to_string())
}

/// Folds lines anew. The library's folding leaves a last piece of 76 octets, its leading space
/// included, now and then.
fn fold(text: &str) -> String {
    let mut folded = String::with_capacity(text.len());
    for line in text.replace("\r\n ", "").split_terminator("\r\n") {
        let mut octets = 0;
        for character in line.chars() {
            if octets + character.len_utf8() > OCTETS_A_LINE {
                folded.push_str("\r\n ");
                octets = 1;
            }
            folded.push(character);
            octets += character.len_utf8();
        }
        folded.push_str("\r\n");
    }
    folded
}

fn event(visit: &BenchVisit) -> Event {
    let status = match visit.standing {
        Standing::Tentative => EventStatus::Tentative,
        Standing::Confirmed => EventStatus::Confirmed,
        Standing::Cancelled => EventStatus::Cancelled,
    };
    // DTEND is the first day after it (RFC 5545, section 3.6.1).
    let end = visit.last_day.checked_add_days(Days::new(1)).unwrap_or(visit.last_day);
    let mut event = Event::new();
    event
        .uid(&format!("{}@slackwater", visit.visit))
        .sequence(visit.changes)
        // Of a feed without METHOD: when the visit was last changed (section 3.8.7.2).
        .timestamp(visit.changed_at)
        .starts(visit.first_day)
        .ends(end)
        .summary(&visit.summary)
        .status(status);
    if !visit.description.is_empty() {
        event.description(&visit.description);
    }
    if let Some(place) = &visit.place {
        event.location(place);
    }
    event
}

#[cfg(test)]
mod tests {
    use chrono::TimeZone as _;
    use proptest::prelude::{prop_assert, proptest};

    use super::{BenchVisit, NaiveDate, Standing, Utc, Uuid, write_feed};

    fn visit(summary: &str, description: &str) -> BenchVisit {
        BenchVisit {
            visit: Uuid::from_u128(7),
            changes: 3,
            changed_at: Utc.with_ymd_and_hms(2026, 1, 2, 3, 4, 5).single().expect("a time"),
            first_day: NaiveDate::from_ymd_opt(2026, 2, 27).expect("a day"),
            last_day: NaiveDate::from_ymd_opt(2026, 2, 28).expect("a day"),
            summary: summary.to_owned(),
            description: description.to_owned(),
            place: Some("Bench 1".to_owned()),
            standing: Standing::Confirmed,
        }
    }

    /// RFC 5545: UID and DTSTAMP required (3.6.1), DTEND exclusive, DATE values (3.3.4).
    #[test]
    fn a_visit_is_one_whole_day_event_with_an_exclusive_end() {
        let feed = write_feed("North Quay", &[visit("ND6-10422: reseal", "")]);
        let lines: Vec<_> = feed.split("\r\n").collect();
        for line in [
            "BEGIN:VCALENDAR",
            "VERSION:2.0",
            "UID:00000000-0000-0000-0000-000000000007@slackwater",
            "SEQUENCE:3",
            "DTSTAMP:20260102T030405Z",
            "DTSTART;VALUE=DATE:20260227",
            "DTEND;VALUE=DATE:20260301",
            "SUMMARY:ND6-10422: reseal",
            "LOCATION:Bench 1",
            "STATUS:CONFIRMED",
            "END:VCALENDAR",
        ] {
            assert!(lines.contains(&line), "{line} in {feed}");
        }
        assert_eq!(write_feed("North Quay", &[visit("ND6-10422: reseal", "")]), feed);
    }

    /// RFC 5545, 3.3.11: backslash, semicolon, comma and line breaks are escaped in text.
    #[test]
    fn text_is_escaped() {
        let feed = write_feed("Quay", &[visit("a,b;c\\d", "one\ntwo")]);
        assert!(feed.contains("SUMMARY:a\\,b\\;c\\\\d\r\n"), "{feed}");
        assert!(feed.contains("DESCRIPTION:one\\ntwo\r\n"), "{feed}");
    }

    #[test]
    fn a_cancelled_visit_says_so_and_keeps_its_uid() {
        let feed =
            write_feed("Quay", &[BenchVisit { standing: Standing::Cancelled, ..visit("x", "") }]);
        assert!(feed.contains("STATUS:CANCELLED\r\n"));
        assert!(feed.contains("UID:00000000-0000-0000-0000-000000000007@slackwater\r\n"));
    }

    proptest! {
        /// RFC 5545, 3.1: lines end in CRLF and have at most 75 octets; folding must not cut
        /// characters apart, and unfolding gives the text back.
        #[test]
        fn lines_are_folded_by_octets(text in "[a-zæøå€🛥 ,]{0,300}") {
            let feed = write_feed("Quay", &[visit(&text, &text)]);
            for line in feed.split("\r\n") {
                prop_assert!(line.len() <= 75, "{} octets: {line}", line.len());
                prop_assert!(!line.contains('\n'));
            }
            let unfolded = feed.replace("\r\n ", "");
            let escaped = text.replace(',', "\\,");
            let wanted = format!("\r\nSUMMARY:{escaped}\r\n");
            prop_assert!(unfolded.contains(&wanted));
        }
    }
}
