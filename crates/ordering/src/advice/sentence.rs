//! The reason of a line, in words that a buyer can check.

use chrono::NaiveDate;
use fleet::Money;

use super::orders::Placed;
use super::{Line, Offer, Policy};

/// What the sentence is made of.
#[derive(Clone, Debug)]
pub(super) struct Facts {
    pub on_hand: u64,
    pub reserved: u64,
    pub on_order: u64,
    pub expired: u64,
    /// Of what is on order, what comes only after `until`.
    pub on_order_late: u64,
    /// Of what is on hand, what goes bad by `until` if nothing is used.
    pub expiring: u64,
    /// Mean need from today to `until`, and what 19 cases of 20 need at most.
    pub needed: f64,
    pub needed_at_most: u32,
    pub until: NaiveDate,
    pub level: i64,
    pub weighed: Option<Worth>,
    pub covers_days: i64,
    pub break_reached: bool,
    pub window_used: bool,
    pub shelf_capped: bool,
    pub independent: bool,
    pub policy: Policy,
    /// As in [`super::PartToStock`].
    pub unit: &'static str,
}

/// The last unit that is held, or the first that is not: what it brings in a year and what it costs.
#[derive(Clone, Copy, Debug)]
pub(super) struct Worth {
    pub held: bool,
    pub boat_days: f64,
    pub worth: Money,
    pub holding: Money,
}

impl Facts {
    /// A quantity with its unit, where it has one.
    fn amount(&self, quantity: impl std::fmt::Display) -> String {
        match self.unit {
            "" => quantity.to_string(),
            unit => format!("{quantity} {unit}"),
        }
    }
}

impl Default for Facts {
    fn default() -> Self {
        Self {
            on_hand: 0,
            reserved: 0,
            on_order: 0,
            on_order_late: 0,
            expiring: 0,
            expired: 0,
            needed: 0.0,
            needed_at_most: 0,
            until: NaiveDate::MIN,
            level: 0,
            weighed: None,
            covers_days: 0,
            break_reached: false,
            window_used: false,
            shelf_capped: false,
            independent: false,
            policy: Policy::FillRate { target: 0.0 },
            unit: "",
        }
    }
}

/// A number with one digit, or none where it is large.
fn round(value: f64) -> String {
    if value >= 100.0 { format!("{value:.0}") } else { format!("{value:.1}") }
}

fn percent(share: f64) -> String {
    let text = format!("{:.1}", share * 100.0);
    format!("{} %", text.trim_end_matches(".0"))
}

pub(super) fn sentence(
    facts: &Facts,
    line: &Line,
    offer: Option<&Offer>,
    placed: &Placed,
    on: NaiveDate,
) -> String {
    let mut text = need(facts);
    let Some(offer) = offer else {
        text.push_str("; nobody is on record who sells it");
        return finished(text, facts);
    };
    text.push_str(&format!("; {}", target(facts, line)));
    if let Some(worth) = facts.weighed {
        text.push_str(&weighed(facts, worth));
    }
    if line.quantity == 0 {
        text.push_str(&nothing_ordered(facts, line, placed));
        return finished(text, facts);
    }
    text.push_str(&how_much(facts, line, offer, placed));
    if line.late {
        text.push_str("; too late for the target by the usual delivery: hurry it");
    } else if line.order_by == Some(on) {
        text.push_str("; today is the last day for the target");
    }
    finished(text, facts)
}

fn need(facts: &Facts) -> String {
    let mut text = format!(
        "{} needed on average by {}, {} at most in 19 cases of 20; {} on hand",
        facts.amount(round(facts.needed)),
        said(facts.until),
        facts.amount(facts.needed_at_most),
        facts.amount(facts.on_hand),
    );
    if facts.reserved > 0 {
        text.push_str(&format!(", {} of them reserved", facts.amount(facts.reserved)));
    }
    if facts.on_order > 0 {
        text.push_str(&format!(", {} on order", facts.amount(facts.on_order)));
    }
    if facts.on_order_late > 0 {
        text.push_str(&format!(", {} of it due later", facts.amount(facts.on_order_late)));
    }
    if facts.expiring > 0 {
        let expiring = facts.amount(facts.expiring);
        text.push_str(&format!(", {expiring} on hand to go out of date by then"));
    }
    if facts.expired > 0 {
        text.push_str(&format!(", {} expired not counted", facts.amount(facts.expired)));
    }
    text
}

fn target(facts: &Facts, line: &Line) -> String {
    let reached = percent(line.expected_fill_rate);
    match facts.policy {
        Policy::FillRate { target } => {
            format!("fill rate {reached} for a target of {}", percent(target))
        }
        Policy::CycleService { target } => {
            let level = facts.amount(facts.level);
            format!("{level} covers {} of cycles, fill rate {reached}", percent(target))
        }
        Policy::BoatDays { .. } => format!(
            "boat-days lost {} instead of {}, fill rate {reached}",
            two_digits(line.boat_days_lost),
            two_digits(line.boat_days_lost_without)
        ),
        Policy::Season { until, .. } => {
            format!(
                "{} for the season to {} weigh being short against being left with",
                facts.amount(facts.level),
                said(until)
            )
        }
    }
}

fn weighed(facts: &Facts, of: Worth) -> String {
    let Worth { held, boat_days, worth, holding } = of;
    let level = facts.amount(facts.level);
    let which = match (held, facts.level) {
        (true, _) => format!("the last of {level} kept saves"),
        (false, ..=0) => "none is kept for it, one would save".to_owned(),
        (false, _) => format!("no more than {level} kept for it, one more would save"),
    };
    let boat_days = two_digits(boat_days);
    format!("; {which} {boat_days} boat-days a year, {worth}, and costs {holding} a year to hold")
}

fn said(day: NaiveDate) -> String {
    day.format("%a %-d %b %Y").to_string()
}

fn two_digits(value: f64) -> String {
    format!("{value:.2}")
}

fn nothing_ordered(facts: &Facts, line: &Line, placed: &Placed) -> String {
    if placed.minimum_unaffordable {
        return "; the supplier's minimum does not fit the budget".to_owned();
    }
    if placed.cut > 0 {
        let cut = facts.amount(placed.cut);
        return format!("; {cut} left out, the budget does not reach");
    }
    if facts.weighed.is_some_and(|it| !it.held) && facts.level <= 0 {
        return "; bought when one is needed".to_owned();
    }
    match line.next_order_on {
        Some(day) => format!("; enough for now, order again by {}", said(day)),
        None => "; enough for as far as the forecast sees".to_owned(),
    }
}

fn how_much(facts: &Facts, line: &Line, offer: &Offer, placed: &Placed) -> String {
    let mut text = String::new();
    if placed.cut == 0 && facts.covers_days > i64::from(offer.review_days) {
        let why =
            if facts.window_used { "the window's discount pays" } else { "an order costs enough" };
        text.push_str(&format!("; {why} to cover {} days", facts.covers_days));
    }
    if facts.shelf_capped {
        text.push_str("; not more, it would expire unused");
    }
    if facts.break_reached {
        text.push_str("; raised to a price break");
    }
    let terms = &offer.terms;
    if terms.pack > 1 || terms.unit_size > 1 {
        let bought = line.quantity / u64::from(terms.unit_size.max(1));
        let packs = bought / u64::from(terms.pack.max(1));
        let packs_word = if packs == 1 { "pack" } else { "packs" };
        text.push_str(&format!("; {packs} {packs_word} of {}", terms.pack));
        if terms.unit_size > 1 {
            text.push_str(&format!(" at {}", facts.amount(terms.unit_size)));
        }
    } else if u64::from(terms.minimum) == line.quantity && terms.minimum > 1 {
        text.push_str("; the least that is sold");
    }
    if placed.added > 0 {
        text.push_str(&format!(
            "; {} of it added to meet the supplier's minimum or free freight",
            facts.amount(placed.added)
        ));
    }
    if placed.cut > 0 {
        let cut = facts.amount(placed.cut);
        text.push_str(&format!("; {cut} more left out, the budget does not reach"));
    }
    if let Some(missing) = placed.below_minimum {
        text.push_str(&format!("; the order stays {missing} below the supplier's minimum"));
    }
    text
}

fn finished(mut text: String, facts: &Facts) -> String {
    if facts.independent {
        text.push_str("; months taken as independent, the forecast gives no sums of months");
    }
    text
}
