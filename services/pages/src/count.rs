//! Counting the shelf on a phone: by bin and part; a difference asks for its reason at once, the rest
//! is saved as typed.

use std::collections::{BTreeMap, HashMap};

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use fleet::id::{PartId, SiteId};
use fleet::part::{Lot, LotCondition, Part, StockLevel};
use serde::Deserialize;
use store::jobs::{self, Moved};
use store::stock::{self, At, Order, Wish, lot_of};
use store::{StoreError, Transaction, record};

use crate::failure::{Failure, in_address, onward, sentence, shown, shown_again};
use crate::figures::{count, day};
use crate::form::{Choice, Field, choose};
use crate::frame::{Frame, Link, Notice, Room};
use crate::not_yet::{NotYetPage, SHELF_FIRST, load_files};
use crate::part::amount;
use crate::state::PagesState;
use crate::stores;
use crate::visitor::{Fields, Posted, Right, Visitor};
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "count.html")]
pub struct CountPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub sites: Vec<Choice>,
    pub site: String,
    pub find: String,
    pub bins: Vec<Bin>,
    pub nothing: String,
    /// Where what is missing comes in.
    pub nothing_to: Option<Link>,
    pub more: String,
}

/// What lies in one place.
#[derive(Clone, Debug)]
pub struct Bin {
    pub name: String,
    pub lines: Vec<CountLine>,
}

/// One lot of one part, or what lies there without a lot.
#[derive(Clone, Debug)]
pub struct CountLine {
    pub key: String,
    pub part: Link,
    pub name: String,
    /// What should be there, and from which lot.
    pub says: String,
    pub counted: Field,
    pub reason: Field,
    /// The difference is asked about: its reason is wanted.
    pub asked: bool,
}

const LINES_MAX: usize = 200;
const COUNT_MAX: i64 = 1_000_000_000;
const NO_BIN: &str = "No bin on record";

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    site: String,
    find: String,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    visitor.check(Right::CountStock)?;
    let yard = Yard::read(&state, &visitor).await?;
    let Some(shelf) = Shelves::read(&state, &visitor, &yard, &wanted).await? else {
        return shown(&NotYetPage {
            frame: visitor.frame("Count the shelf", Room::Stores),
            heading: "There is no shelf to count yet".to_owned(),
            says: SHELF_FIRST.to_owned(),
            onward: load_files(),
        });
    };
    shown(&shelf.page(&visitor, &yard, &wanted, &HashMap::new()))
}

/// Saves the lines that were counted. What differs without a reason is asked about, the rest is
/// saved.
pub async fn save(State(state): State<PagesState>, posted: Posted) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::CountStock)?;
    let yard = Yard::read(&state, &visitor).await?;
    let wanted =
        Wanted { site: fields.get("site").to_owned(), find: fields.get("find").to_owned() };
    let Some(shelf) = Shelves::read(&state, &visitor, &yard, &wanted).await? else {
        return Err(Failure::Refused { sentence: "There is no site yet.".to_owned() });
    };
    let saved = shelf.save(&state, &visitor, &fields).await?;
    let site = shelf.site.to_string();
    let kept = format!("count {site}");
    if saved.asked.is_empty() {
        let notice = Notice { saved: kept, ..Notice::done(saved.says()) };
        let to = format!("/stores/count?site={site}&find={}", in_address(&wanted.find));
        return Ok(onward(&state, &to, &notice));
    }
    // What was saved is shown as it stands now.
    let Some(shelf) = Shelves::read(&state, &visitor, &yard, &wanted).await? else {
        return Err(Failure::NotFound);
    };
    let mut page = shelf.page(&visitor, &yard, &wanted, &saved.asked);
    page.frame.notice = Some(Notice { saved: kept, ..Notice::wrong(saved.says()) });
    shown_again(&page)
}

/// A line that is asked about: what was counted, the reason given, and what is wrong.
struct Asked {
    counted: Field,
    reason: Field,
}

#[derive(Default)]
struct Saved {
    lines: usize,
    different: usize,
    asked: HashMap<String, Asked>,
    kitted: Vec<i32>,
    short: Vec<i32>,
}

impl Saved {
    fn add(&mut self, moved: &Moved) {
        self.lines += 1;
        self.different += usize::from(!moved.booked.moves.is_empty());
        self.kitted.extend(moved.kitted.iter().map(|job| job.number));
        self.short.extend(moved.short.iter().map(|job| job.number));
    }

    fn says(&self) -> String {
        let mut says = match self.lines {
            0 => "Nothing was saved.".to_owned(),
            n => format!(
                "{} saved, {} of them different.",
                count(n, "count", "counts"),
                if self.different == 0 { "none".to_owned() } else { self.different.to_string() }
            ),
        };
        if !self.asked.is_empty() {
            let asked = count(self.asked.len(), "line is", "lines are");
            says += &format!(" {asked} asked about below and not saved yet.");
        }
        for (jobs, what) in [(&self.kitted, "kitted now"), (&self.short, "short now")] {
            if !jobs.is_empty() {
                let numbers: Vec<String> = jobs.iter().map(i32::to_string).collect();
                says += &format!(" Jobs {what}: {}.", numbers.join(", "));
            }
        }
        says
    }
}

/// What lies at a site.
struct Shelves {
    site: SiteId,
    parts: Vec<Part>,
    lines: BTreeMap<PartId, Vec<(Lot, u32)>>,
    bins: HashMap<PartId, String>,
    found: usize,
    /// Whether any part is on record, here or elsewhere.
    has_parts: bool,
}

impl Shelves {
    async fn read(
        state: &PagesState,
        visitor: &Visitor,
        yard: &Yard,
        wanted: &Wanted,
    ) -> Result<Option<Self>, Failure> {
        let given = yard.sites.iter().find(|site| site.id.to_string() == wanted.site);
        let home = yard.sites.iter().find(|site| Some(site.id) == visitor.person.site);
        let Some(site) = given.or(home).or_else(|| yard.sites.first()) else { return Ok(None) };
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let mut parts: Vec<Part> = record::all(connection, organisation).await?;
        let has_parts = !parts.is_empty();
        let all: Vec<PartId> = parts.iter().map(|part| part.id).collect();
        let levels = stock::levels(connection, organisation, &all).await?;
        let here = |level: &&StockLevel| level.site == site.id;
        let bins: HashMap<PartId, String> = levels
            .iter()
            .filter(here)
            .filter_map(|level| Some((level.part, level.bin.clone()?)))
            .collect();
        let known: Vec<PartId> = levels.iter().filter(here).map(|level| level.part).collect();
        let find = wanted.find.trim().to_lowercase();
        let bin = |part: &Part| bins.get(&part.id).cloned().unwrap_or_default();
        // Searched for: also what is not on record at this site yet.
        parts.retain(|part| match find.as_str() {
            "" => known.contains(&part.id),
            find => [&part.number, &part.name, &bin(part)]
                .iter()
                .any(|text| text.to_lowercase().contains(find)),
        });
        parts.sort_by_key(|part| (bin(part).is_empty(), bin(part), part.number.clone()));
        let found = parts.len();
        parts.truncate(LINES_MAX);
        let ids: Vec<PartId> = parts.iter().map(|part| part.id).collect();
        let shelves = stock::shelves(connection, organisation, site.id, &ids).await?;
        let mut lines: BTreeMap<PartId, Vec<(Lot, u32)>> = BTreeMap::new();
        for part in &parts {
            let shelf = shelves.get(&part.id).map_or(&[][..], Vec::as_slice);
            let mut lots: Vec<(Lot, u32)> =
                shelf.iter().map(|one| (one.lot.clone(), one.on_hand)).collect();
            if lots.is_empty() {
                lots.push((stock::without_lot(part.id), 0));
            }
            lines.insert(part.id, lots);
        }
        Ok(Some(Self { site: site.id, parts, lines, bins, found, has_parts }))
    }

    async fn save(
        &self,
        state: &PagesState,
        visitor: &Visitor,
        fields: &Fields,
    ) -> Result<Saved, Failure> {
        let (organisation, who) = (visitor.organisation, visitor.author(state));
        let mut saved = Saved::default();
        for (lot, _) in self.lines.values().flatten() {
            let key = key(lot);
            let typed = fields.get(&format!("c-{key}"));
            if typed.is_empty() {
                continue;
            }
            let reason = fields.get(&format!("r-{key}"));
            let asked = |fault: &str| Asked {
                counted: Field { value: typed.to_owned(), fault: sentence(fault) },
                reason: Field::of(reason),
            };
            let Some(counted) = whole(typed) else {
                saved.asked.insert(key, asked("write a whole number, 0 where nothing is there"));
                continue;
            };
            let at = At { part: lot.part, site: self.site, lot: lot_of(lot.id) };
            let order = Order {
                wish: Wish::Count { at, counted, bin: None },
                moved_at: who.at,
                reason: Some(reason.to_owned()),
                overruled: None,
            };
            let work = async |tx: &Transaction| {
                jobs::move_stock(tx, organisation, &who, order.clone()).await
            };
            match state.store.write(work).await {
                Ok(moved) => saved.add(&moved),
                Err(StoreError::Broken { what, .. }) => {
                    saved.asked.insert(key, asked(&what));
                }
                Err(error) => return Err(error.into()),
            }
        }
        Ok(saved)
    }

    fn page(
        &self,
        visitor: &Visitor,
        yard: &Yard,
        wanted: &Wanted,
        asked: &HashMap<String, Asked>,
    ) -> CountPage {
        let mut bins: Vec<Bin> = Vec::new();
        for part in &self.parts {
            let name = self.bins.get(&part.id).map_or(NO_BIN, String::as_str);
            let lots = self.lines.get(&part.id).map_or(&[][..], Vec::as_slice);
            let lines = lots.iter().map(|lot| line(yard, part, lot, asked));
            match bins.last_mut().filter(|bin| bin.name == name) {
                Some(bin) => bin.lines.extend(lines),
                None => bins.push(Bin { name: name.to_owned(), lines: lines.collect() }),
            }
        }
        let site = self.site.to_string();
        let choices = yard.sites.iter().map(|site| Choice::new(site.id.to_string(), &site.name));
        CountPage {
            frame: visitor.frame("Count the shelf", Room::Stores),
            heading: "Count the shelf".to_owned(),
            lead: "Type what is there; leave out what you did not count. What differs from the \
                   record asks for a reason, and the difference is booked."
                .to_owned(),
            paths: stores::paths("/stores/count"),
            sites: choose(choices, &site),
            site,
            find: wanted.find.clone(),
            bins,
            nothing_to: (!self.has_parts).then(load_files),
            nothing: if !self.has_parts {
                format!("No part is on record yet. {SHELF_FIRST}")
            } else if wanted.find.is_empty() {
                "Nothing is on record at this site. Find a part by its number to count it."
                    .to_owned()
            } else {
                format!("No part or bin has \"{}\" in its name.", wanted.find)
            },
            more: if self.found > self.parts.len() {
                format!("{} of {} parts are shown; find the others.", self.parts.len(), self.found)
            } else {
                String::new()
            },
        }
    }
}

fn whole(typed: &str) -> Option<i64> {
    typed.replace(' ', "").parse().ok().filter(|counted| (0..=COUNT_MAX).contains(counted))
}

/// A line's name in the form.
fn key(lot: &Lot) -> String {
    match lot_of(lot.id) {
        Some(lot) => lot.to_string(),
        None => format!("p-{}", lot.part),
    }
}

fn line(
    yard: &Yard,
    part: &Part,
    (lot, on_hand): &(Lot, u32),
    asked: &HashMap<String, Asked>,
) -> CountLine {
    let key = key(lot);
    let mut says = vec![format!("{} on record", amount(part.unit, i64::from(*on_hand)))];
    if lot_of(lot.id).is_some() {
        says.push(format!("lot {}", lot.code.as_deref().unwrap_or("without a code")));
        says.push(match lot.expires_on {
            Some(until) => format!("use by {}", day(until, yard.today)),
            None => lot.freshness().sentence(),
        });
        if lot.condition == LotCondition::Used {
            says.push("used".to_owned());
        }
    }
    let of = asked.get(&key);
    CountLine {
        part: Link::new(&part.number, format!("/stores/parts/{}", part.id)),
        name: part.name.clone(),
        says: says.join(" · "),
        counted: of.map(|one| one.counted.clone()).unwrap_or_default(),
        reason: of.map(|one| one.reason.clone()).unwrap_or_default(),
        asked: of.is_some(),
        key,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_count_is_a_whole_number_from_nothing_up() {
        assert_eq!(["0", "12", "1 200"].map(whole), [Some(0), Some(12), Some(1_200)]);
        for typed in ["-1", "1.5", "x", "9999999999"] {
            assert_eq!(whole(typed), None, "{typed}");
        }
    }
}
