//! What a plan run says of a plan beside its visits: figures, what is short and what would help, in
//! dates and words that people use.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use fleet::Currency;
use fleet::id::{EngineId, PlanId, SiteId, TaskId};
use planning::{Change, Difference, Relief, ShortageKind, Solution, Stop, Unit};
use serde::{Deserialize, Serialize};

use crate::plan::prices::Price;
use crate::plan::problem::Problem;
use crate::plan::rotation::Levelling;

/// The summary of a plan run: a plan a site, or why a site has none.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanRunSummary {
    pub plans: Vec<Account>,
    pub refused: Vec<SiteRefused>,
}

/// A site for which no plan was made.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SiteRefused {
    pub site: SiteId,
    pub site_name: String,
    pub rule: String,
    pub what: String,
}

/// One plan, accounted for.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Account {
    pub site: SiteId,
    /// The draft that came of it; none of a what-if.
    pub plan: Option<PlanId>,
    pub name: String,
    pub currency: Currency,
    pub first_on: NaiveDate,
    pub last_on: NaiveDate,
    /// Minor units that the plan costs, and that no plan can go below.
    pub objective: i64,
    pub bound: Option<i64>,
    pub gap: Option<f64>,
    /// `proven`, `gap`, `limit` or `cancelled`.
    pub stop: String,
    pub planned: usize,
    pub left_out: Vec<LeftOut>,
    pub overtime_minutes: i64,
    /// Boats short, added up over days.
    pub boat_days_short: i64,
    pub short: Vec<Short>,
    pub worth: Vec<Worth>,
    /// What it counts on that is neither there nor on order.
    pub to_order: Vec<ToOrder>,
    pub levelling: Vec<Levelling>,
    /// Beside the plan that it was solved beside.
    pub difference: Option<DatedDifference>,
    pub prices: Vec<Price>,
    pub notes: Vec<String>,
}

/// A visit that is not planned.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LeftOut {
    pub engine: EngineId,
    pub name: String,
    pub tasks: Vec<TaskId>,
    /// As the plan's file has it: `skill:NAME`, `kit:NUMBER`, `bay:KIND`, `dates`, `cost` ...
    pub reason: String,
    /// Ways to have it done, the least sum of changes first.
    pub ways: Vec<Way>,
}

/// Changes that together let a visit be done.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Way {
    pub on: NaiveDate,
    pub sentence: String,
    /// Minor units that it adds beyond what leaving the visit out costs; may be below 0.
    pub extra: i64,
}

/// Something that there is too little of.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Short {
    pub kind: ShortageKind,
    pub name: String,
    pub from_on: NaiveDate,
    pub to_on: NaiveDate,
    /// Minutes, places, pieces, engines or days, by the kind.
    pub missing: i64,
}

/// What one more hour, place, piece or boat would be worth; a hint where to look.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Worth {
    pub name: String,
    /// `hour`, `place_day`, `piece` or `engine_day`.
    pub unit: String,
    pub from_on: NaiveDate,
    pub to_on: NaiveDate,
    pub minor: i64,
    pub warning: Option<String>,
}

/// Pieces that the plan takes and nobody has ordered.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ToOrder {
    pub part: String,
    pub pieces: i64,
    /// The day on which the first of them is taken.
    pub needed_on: NaiveDate,
    /// The last day on which an order still brings it by then, in the supplier's longest time; `None`
    /// where the run is older than this field.
    #[serde(default)]
    pub order_by: Option<NaiveDate>,
    /// What its quantity counts; pieces where the run is older than this field.
    #[serde(default)]
    pub unit: Option<fleet::part::Unit>,
}

/// What a plan has otherwise than another.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct DatedDifference {
    pub beside: Option<PlanId>,
    /// Minor units, after less before.
    pub objective: i64,
    /// Of which minor units come of planning again alone, with nothing changed; of a what-if.
    #[serde(default)]
    pub unchanged: Option<i64>,
    pub shifted: Vec<DatedShift>,
    pub gained: Vec<String>,
    pub lost: Vec<String>,
    /// Visits of both that do other work, on whatever day.
    #[serde(default)]
    pub reworked: Vec<Reworked>,
    /// Minutes by skill, engine-days by pool; after less before.
    pub overtime: BTreeMap<String, i64>,
    pub shortfall: BTreeMap<String, i64>,
}

/// A visit whose tasks are not the same.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reworked {
    pub visit: String,
    pub added: Vec<TaskId>,
    pub dropped: Vec<TaskId>,
}

/// A visit that stands otherwise.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DatedShift {
    pub visit: String,
    pub from_mode: String,
    pub from_on: NaiveDate,
    pub to_mode: String,
    pub to_on: NaiveDate,
}

/// Shadow prices that are shown.
const WORTH_MAX: usize = 40;
/// Visits left out for which ways are worked out: each takes a look at all starts.
const WAYS_FOR: usize = 60;

impl Account {
    /// Accounts for a solution; `taken_beyond` are kits beyond what is there and on order.
    pub fn of(problem: &Problem, solution: &Solution, to_order: Vec<ToOrder>) -> Self {
        let (plan, instance) = (&solution.plan, &problem.instance);
        let mut worth: Vec<Worth> = planning::shadow_prices(instance, &solution.certificate)
            .into_iter()
            .map(|price| Worth {
                name: price.id,
                unit: unit(price.unit).to_owned(),
                from_on: problem.date(price.from),
                to_on: problem.date(price.to),
                minor: price.cents,
                warning: price.warning,
            })
            .collect();
        worth.sort_by_key(|worth| -worth.minor);
        worth.truncate(WORTH_MAX);
        let short = plan.shortages.iter().map(|short| Short {
            kind: short.kind,
            name: short.id.clone(),
            from_on: problem.date(short.from),
            to_on: problem.date(short.to),
            missing: short.missing,
        });
        Self {
            site: problem.site,
            plan: None,
            name: problem.name.clone(),
            currency: problem.currency,
            first_on: problem.first,
            last_on: problem.date(instance.days as i64 - 1),
            objective: plan.objective,
            bound: plan.bound,
            gap: plan.gap,
            stop: word(solution.stop).to_owned(),
            planned: plan.visits.len(),
            left_out: left_out(problem, plan),
            overtime_minutes: plan.overtime.iter().map(|it| it.minutes).sum(),
            boat_days_short: plan.shortfalls.iter().map(|it| it.engines).sum(),
            short: short.collect(),
            worth,
            to_order,
            levelling: Vec::new(),
            difference: None,
            prices: problem.prices.clone(),
            notes: problem.notes.clone(),
        }
    }
}

const fn unit(unit: Unit) -> &'static str {
    match unit {
        Unit::Hour => "hour",
        Unit::PlaceDay => "place_day",
        Unit::Piece => "piece",
        Unit::EngineDay => "engine_day",
    }
}

const fn word(stop: Stop) -> &'static str {
    match stop {
        Stop::Proven => "proven",
        Stop::Gap => "gap",
        Stop::Limit => "limit",
        Stop::Cancelled => "cancelled",
    }
}

/// Every visit left out of `plan`, with the ways to have it done.
pub fn left_out(problem: &Problem, plan: &planning::Plan) -> Vec<LeftOut> {
    let visit = |(at, out): (usize, &planning::UnplannedVisit)| {
        let asked = problem.asked(&out.visit)?;
        let ways = if at < WAYS_FOR {
            planning::reliefs_of(&problem.instance, plan, &out.visit).unwrap_or_default()
        } else {
            Vec::new()
        };
        Some(LeftOut {
            engine: asked.engine,
            name: out.visit.clone(),
            tasks: asked.bundle.iter().map(|bundled| bundled.task).collect(),
            reason: out.reason.clone(),
            ways: ways.iter().map(|way| dated_way(problem, way)).collect(),
        })
    };
    plan.unplanned.iter().enumerate().filter_map(visit).collect()
}

fn dated_way(problem: &Problem, relief: &Relief) -> Way {
    let words: Vec<String> = relief.changes.iter().map(|it| in_words(problem, it)).collect();
    let sentence = if words.is_empty() {
        "nothing is short: it only costs more than leaving it out".to_owned()
    } else {
        words.join(", and ")
    };
    Way { on: problem.date(relief.day), sentence, extra: relief.extra_cost }
}

/// A day as sentences have it: `Thu 9 Jul 2026`.
pub fn said(day: NaiveDate) -> String {
    day.format("%a %-d %b %Y").to_string()
}

/// A change with its dates.
pub fn in_words(problem: &Problem, change: &Change) -> String {
    let on = |day: i64| problem.date(day).format("%-d %b").to_string();
    let between = |from: i64, to: i64| match from == to {
        true => format!("on {}", on(from)),
        false => format!("from {} to {}", on(from), on(to)),
    };
    let hours = |minutes: i64| format!("{}:{:02} h", minutes / 60, minutes % 60);
    let many = |count: i64, what: &str| match count {
        1 => format!("1 {what}"),
        count => format!("{count} {what}s"),
    };
    match change {
        Change::DayMinutes { skill, day, minutes } => {
            format!("{} more of {skill} on {}", hours(*minutes), on(*day))
        }
        Change::WeekMinutes { skill, from, to, minutes, .. } => {
            format!("{} more of {skill} {}", hours(*minutes), between(*from, *to))
        }
        Change::Place { bay, from, to } => {
            format!("one more place ({bay}) {}", between(*from, *to))
        }
        Change::Pieces { kit, pieces, by, earlier: Some(days) } => {
            let (pieces, days) = (many(*pieces, "piece"), many(*days, "day"));
            format!("{pieces} of {kit} {days} earlier, by {}", on(*by))
        }
        Change::Pieces { kit, pieces, by, earlier: None } => {
            format!("{} more of {kit} by {}", many(*pieces, "piece"), on(*by))
        }
        Change::Deadline { days } => format!("the last day {} later", many(*days, "day")),
        Change::Engines { pool, from, to, engines } => {
            format!("{} more in {pool} {}", many(*engines, "engine"), between(*from, *to))
        }
        Change::OtherVisit { visit } => format!("the visit of {visit} out of its way"),
    }
}

/// Why a visit is left out, in a sentence for its row.
pub fn sentence(left_out: &LeftOut) -> String {
    let reason = match left_out.reason.split_once(':') {
        Some(("skill", name)) => format!("No hands left ({name})"),
        Some(("bay", name)) => format!("No place left ({name})"),
        Some(("kit", name)) => format!("{name} is not there in time"),
        Some(("engine", _)) => "Another visit of the engine is in the way".to_owned(),
        _ if left_out.reason == "dates" => "Its dates leave no day".to_owned(),
        _ => "It costs more than leaving it out".to_owned(),
    };
    match left_out.ways.first().filter(|_| left_out.reason != "cost") {
        Some(way) => format!("{reason}. It would fit with {}.", way.sentence),
        None => format!("{reason}."),
    }
}

/// What `after` has otherwise than `before`, by dates of `problem`.
pub fn dated(problem: &Problem, beside: Option<PlanId>, difference: Difference) -> DatedDifference {
    let shift = |shift: planning::Shift| DatedShift {
        visit: shift.visit,
        from_mode: shift.from.0,
        from_on: problem.date(shift.from.1),
        to_mode: shift.to.0,
        to_on: problem.date(shift.to.1),
    };
    DatedDifference {
        beside,
        objective: difference.objective,
        unchanged: None,
        shifted: difference.shifted.into_iter().map(shift).collect(),
        gained: difference.gained,
        lost: difference.lost,
        reworked: Vec::new(),
        overtime: difference.overtime,
        shortfall: difference.shortfall,
    }
}

/// Pieces that `plan` takes beyond `sure`: what is there and on order, by kit and day. `about` a kit:
/// the days that an order of it takes, and its unit. What must be ordered first stands first.
pub fn to_order(
    problem: &Problem,
    plan: &planning::Plan,
    sure: impl Fn(&str, i64) -> i64,
    about: impl Fn(&str) -> (Option<i64>, Option<fleet::part::Unit>),
) -> Vec<ToOrder> {
    let mut taken: BTreeMap<&str, Vec<(i64, i64)>> = BTreeMap::new();
    for planned in &plan.visits {
        let visit = problem.instance.visits.iter().find(|it| it.id == planned.visit);
        let mode = visit.and_then(|it| it.modes.iter().find(|mode| mode.id == planned.mode));
        for (kit, pieces) in mode.into_iter().flat_map(|mode| &mode.kits) {
            taken.entry(kit).or_default().push((planned.day, *pieces));
        }
    }
    let short = taken.into_iter().filter_map(|(kit, mut days)| {
        days.sort_unstable();
        let (mut sum, mut most, mut first) = (0, 0, None);
        for (day, pieces) in days {
            sum += pieces;
            let missing = sum - sure(kit, day);
            if missing > 0 {
                first.get_or_insert(day);
                most = most.max(missing);
            }
        }
        let first = first?;
        let (lead, unit) = about(kit);
        Some(ToOrder {
            part: kit.to_owned(),
            pieces: most,
            needed_on: problem.date(first),
            order_by: lead.map(|days| problem.date(first - days)),
            unit,
        })
    });
    let mut short: Vec<ToOrder> = short.collect();
    short.sort_by(|a, b| (a.order_by, &a.part).cmp(&(b.order_by, &b.part)));
    short
}
