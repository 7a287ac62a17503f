//! Hands, places and parts by day: what a plan may use.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use chrono::{Days, NaiveDate, TimeDelta};
use fleet::bench::{Job, JobStatus};
use fleet::id::{JobId, LotId, OrderId, OrderLineId, PartId, PersonId, SiteId, SkillId, TaskId};
use fleet::order::OrderStatus;
use fleet::part::ReservationStatus;
use fleet::person::Person;
use fleet::site::PriceKind;
use fleet::visit::{PlanKind, PlanStatus};
use planning::{Bay, Kit, Receipt, Skill};
use store::snapshot::Snapshot;

use crate::plan::calendar::Calendars;
use crate::plan::prices::Prices;
use crate::plan::problem::weeks;

/// Most overtime beside the contract, on a day and in a week (common practice, no source).
pub const OVERTIME_SHARE: f64 = 0.25;
/// What is overdue at a supplier is expected this many days from now (common practice, no source).
const OVERDUE_ARRIVES_IN: u64 = 7;
/// The name of hands that no skill is asked of.
pub const ANY_HANDS: &str = "any hands";

/// The days that a plan is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Horizon {
    pub first: NaiveDate,
    pub days: usize,
}

impl Horizon {
    pub fn date(&self, day: usize) -> NaiveDate {
        self.first + Days::new(day as u64)
    }

    pub fn dates(&self) -> impl Iterator<Item = NaiveDate> + use<> {
        let Self { first, days } = *self;
        (0..days).map(move |day| first + Days::new(day as u64))
    }

    /// The day of a date, where it is in the horizon.
    pub fn day(&self, date: NaiveDate) -> Option<usize> {
        let day = usize::try_from((date - self.first).num_days()).ok()?;
        (day < self.days).then_some(day)
    }
}

/// 1 on each day on which the site works.
pub fn open_days(calendars: &Calendars, site: SiteId, horizon: Horizon) -> Vec<u8> {
    horizon.dates().map(|date| u8::from(calendars.is_open(site, date))).collect()
}

/// People of a site with what each can do, and their bench minutes by day.
pub struct Hands<'a> {
    pub people: Vec<(&'a Person, Vec<String>)>,
    /// By person, in the order of `people`.
    pub minutes: Vec<Vec<i64>>,
}

impl<'a> Hands<'a> {
    /// `wanted`: the skills that the work asks for. Whoever has several shares the day between them,
    /// so that no hour is promised twice.
    pub fn of(
        snapshot: &'a Snapshot,
        calendars: &Calendars,
        skills: &HashMap<SkillId, String>,
        (site, horizon): (SiteId, Horizon),
        wanted: &BTreeSet<String>,
    ) -> Self {
        let mut held: HashMap<PersonId, Vec<String>> = HashMap::new();
        for row in &snapshot.yard.person_skills {
            if let Some(name) = skills.get(&row.skill).filter(|name| wanted.contains(*name)) {
                held.entry(row.person).or_default().push(name.clone());
            }
        }
        let of_site =
            snapshot.yard.people.iter().filter(|it| !it.archived && it.site == Some(site));
        let mut people = Vec::new();
        let mut minutes = Vec::new();
        for person in of_site {
            let mut can = held.remove(&person.id).unwrap_or_default();
            can.sort_unstable();
            // Without a skill of their own only technicians stand at the bench.
            if person.role == fleet::person::Role::Technician && wanted.contains(ANY_HANDS) {
                can.push(ANY_HANDS.to_owned());
            }
            if can.is_empty() {
                continue;
            }
            let day = |date| calendars.bench_minutes(person, date);
            minutes.push(horizon.dates().map(day).collect());
            people.push((person, can));
        }
        Self { people, minutes }
    }

    /// What can be done before hire begins: one engine a morning for each who is at work.
    pub fn mornings(&self, open: &[u8], horizon: Horizon) -> Bay {
        let at_work = |day: usize| {
            let people = self.minutes.iter().filter(|minutes| minutes[day] > 0).count() as i64;
            people * i64::from(open[day])
        };
        Bay { id: BEFORE_HIRE.to_owned(), count: (0..horizon.days).map(at_work).collect() }
    }

    /// Contract and overtime by skill.
    pub fn skills(
        &self,
        wanted: &BTreeSet<String>,
        open: &[u8],
        horizon: Horizon,
        (busy, prices): (&Busy, &Prices),
    ) -> Vec<Skill> {
        let week_of = weeks(horizon.first, horizon.days);
        let count = week_of.last().map_or(0, |last| last + 1);
        let overtime = |minutes: i64| (minutes as f64 * OVERTIME_SHARE) as i64;
        let skill = |name: &String| {
            let mut by_day = vec![0_i64; horizon.days];
            for ((_, can), minutes) in self.people.iter().zip(&self.minutes) {
                if can.contains(name) {
                    let share = can.len() as i64;
                    by_day.iter_mut().zip(minutes).for_each(|(day, more)| *day += more / share);
                }
            }
            let taken = busy.minutes.get(name);
            let mut week_minutes = vec![0; count];
            let mut day_minutes = vec![0; horizon.days];
            for day in 0..horizon.days {
                let taken = taken.map_or(0, |days| days[day]);
                let left = if open[day] == 1 { (by_day[day] - taken).max(0) } else { 0 };
                week_minutes[week_of[day]] += left;
                day_minutes[day] = left + overtime(left);
            }
            Skill {
                id: name.clone(),
                day_minutes,
                week_overtime: week_minutes.iter().map(|minutes| overtime(*minutes)).collect(),
                week_minutes,
                overtime_cost: (prices.get(PriceKind::OvertimeHour) + 59) / 60,
            }
        };
        wanted.iter().map(skill).collect()
    }
}

/// What jobs outside the plan take of hands and places.
#[derive(Default)]
pub struct Busy {
    minutes: BTreeMap<String, Vec<i64>>,
    places: BTreeMap<String, Vec<i64>>,
}

impl Busy {
    /// Jobs of a site that are agreed for a day and came of no plan of this kind, or are under way.
    /// One under way holds its place today.
    pub fn of(
        snapshot: &Snapshot,
        (site, kind): (SiteId, PlanKind),
        horizon: Horizon,
        skill_of: &HashMap<TaskId, String>,
    ) -> Self {
        let of_plans = planned_jobs(snapshot, (site, kind));
        let kinds: HashMap<_, _> =
            snapshot.yard.bays.iter().map(|bay| (bay.id, bay.kind.clone())).collect();
        let mut busy = Self::default();
        let mut on = HashMap::new();
        for job in snapshot.work.jobs.iter().filter(|job| job.site == site) {
            let Some(day) = stands_on(job, horizon, &of_plans) else { continue };
            on.insert(job.id, day);
            let kind = job.bay.and_then(|bay| kinds.get(&bay).cloned());
            let kind = kind.unwrap_or_else(|| BENCH.to_owned());
            busy.places.entry(kind).or_insert_with(|| vec![0; horizon.days])[day] += 1;
        }
        for task in snapshot.work.job_tasks.iter().filter(|task| task.outcome.is_none()) {
            let Some(day) = on.get(&task.job) else { continue };
            let skill = skill_of.get(&task.task).cloned().unwrap_or_else(|| ANY_HANDS.to_owned());
            let days = busy.minutes.entry(skill).or_insert_with(|| vec![0; horizon.days]);
            days[*day] += i64::from(task.planned.0);
        }
        busy
    }
}

/// Jobs that came of the plan of a kind that holds: the next one gives them their day anew.
pub fn planned_jobs(snapshot: &Snapshot, (site, kind): (SiteId, PlanKind)) -> HashSet<JobId> {
    let holds = snapshot.work.plans.iter();
    let holds: HashSet<_> = holds
        .filter(|plan| plan.site == site && plan.kind == kind)
        .filter(|plan| plan.status == PlanStatus::Published)
        .map(|plan| plan.id)
        .collect();
    let visits = snapshot.work.visits.iter().filter(|visit| holds.contains(&visit.plan));
    visits.filter_map(|visit| visit.job).collect()
}

fn stands_on(job: &Job, horizon: Horizon, of_plans: &HashSet<JobId>) -> Option<usize> {
    match job.status {
        JobStatus::OnBench | JobStatus::OnTest => Some(0),
        JobStatus::Agreed | JobStatus::Kitted | JobStatus::Short if !of_plans.contains(&job.id) => {
            horizon.day(job.planned_on?)
        }
        _ => None,
    }
}

/// The kind of bay that work is done on where nothing else is said.
pub const BENCH: &str = "bench";

/// The place of work that is done on the water before hire begins.
pub const BEFORE_HIRE: &str = "before hire";

/// Places by kind and day; closed bays and other jobs taken off.
pub fn bays(snapshot: &Snapshot, site: SiteId, horizon: Horizon, busy: &Busy) -> Vec<Bay> {
    let mut kinds: BTreeMap<&str, Vec<i64>> = BTreeMap::new();
    for bay in snapshot.yard.bays.iter().filter(|bay| !bay.archived && bay.site == site) {
        let count = kinds.entry(&bay.kind).or_insert_with(|| vec![0; horizon.days]);
        for (day, date) in horizon.dates().enumerate() {
            count[day] += i64::from(!is_closed(snapshot, bay.id, date));
        }
    }
    let bay = |(kind, mut count): (&str, Vec<i64>)| {
        if let Some(taken) = busy.places.get(kind) {
            count.iter_mut().zip(taken).for_each(|(count, taken)| *count = (*count - taken).max(0));
        }
        Bay { id: kind.to_owned(), count }
    };
    kinds.into_iter().map(bay).collect()
}

pub fn is_closed(snapshot: &Snapshot, bay: fleet::id::BayId, date: NaiveDate) -> bool {
    let closures = snapshot.yard.bay_closures.iter();
    closures.into_iter().any(|it| it.bay == bay && it.from_on <= date && date <= it.until_on)
}

/// Pieces of a part that an order still brings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Coming {
    pub order: OrderId,
    pub part: PartId,
    pub pieces: i64,
    pub on: NaiveDate,
}

/// What open orders still bring to a site, and when.
pub fn coming(snapshot: &Snapshot, site: SiteId, today: NaiveDate) -> Vec<Coming> {
    let stores = &snapshot.stores;
    let mut received: HashMap<OrderLineId, i64> = HashMap::new();
    for line in &stores.receipt_lines {
        *received.entry(line.line).or_default() += line.quantity;
    }
    let open: HashMap<OrderId, _> = stores
        .orders
        .iter()
        .filter(|order| order.site == site)
        .filter(|order| matches!(order.status, OrderStatus::Sent | OrderStatus::PartReceived))
        .map(|order| (order.id, order))
        .collect();
    let line = |line: &fleet::order::OrderLine| {
        let order = open.get(&line.order)?;
        let came = received.get(&line.id).copied().unwrap_or(0);
        let pieces = line.quantity - line.cancelled - came;
        let expected = line.expected_on.or(order.expected_on)?;
        let on = if expected < today { today + Days::new(OVERDUE_ARRIVES_IN) } else { expected };
        (pieces > 0).then_some(Coming { order: line.order, part: line.part, pieces, on })
    };
    stores.order_lines.iter().filter_map(line).collect()
}

/// Pieces that can be taken today: on the site's own shelves, not expired, not promised. What lies at
/// another site is that site's to plan with, so that two plans never count on the same piece. What
/// the jobs of the plan that holds have reserved counts as free, since they are planned anew.
pub fn on_shelf(
    snapshot: &Snapshot,
    (site, kind): (SiteId, PlanKind),
    today: NaiveDate,
) -> HashMap<PartId, i64> {
    let stores = &snapshot.stores;
    let expired: HashSet<LotId> = stores
        .lots
        .iter()
        .filter(|lot| lot.expires_on.is_some_and(|on| on < today))
        .map(|lot| lot.id)
        .collect();
    let mut there: HashMap<PartId, i64> = HashMap::new();
    for level in stores.lot_levels.iter().filter(|level| level.site == site) {
        if level.on_hand > 0 && level.lot.is_none_or(|lot| !expired.contains(&lot)) {
            *there.entry(level.part).or_default() += level.on_hand;
        }
    }
    for level in stores.stock_levels.iter().filter(|level| level.site == site) {
        *there.entry(level.part).or_default() -= level.reserved;
    }
    let anew = planned_jobs(snapshot, (site, kind));
    let held = stores.reservations.iter().filter(|it| it.status == ReservationStatus::Held);
    for reservation in held.filter(|it| it.site == site && anew.contains(&it.job)) {
        *there.entry(reservation.part).or_default() += reservation.quantity;
    }
    there
}

/// Pieces that lie free at other sites, by part.
pub fn at_other_sites(
    snapshot: &Snapshot,
    (site, kind): (SiteId, PlanKind),
    today: NaiveDate,
) -> HashMap<PartId, i64> {
    let mut there: HashMap<PartId, i64> = HashMap::new();
    for other in snapshot.yard.sites.iter().filter(|other| other.id != site && !other.archived) {
        for (part, pieces) in on_shelf(snapshot, (other.id, kind), today) {
            *there.entry(part).or_default() += pieces.max(0);
        }
    }
    there
}

/// Days until a part is here that is ordered today, at the longest; `None` where nobody sells it.
pub fn lead_days(snapshot: &Snapshot, part: PartId, today: NaiveDate) -> Option<i64> {
    let stores = &snapshot.stores;
    let sells = |supplier| stores.suppliers.iter().any(|it| it.id == supplier && !it.archived);
    let terms = stores.terms.iter().filter(|term| {
        term.part == part
            && sells(term.supplier)
            && term.valid_from <= today
            && term.valid_until.is_none_or(|until| today < until)
    });
    let days = terms.map(|term| term.lead_days_worst.unwrap_or(term.lead_days_median).max(0));
    days.min().map(i64::from)
}

/// When pieces of each part in `needed` can be taken. What comes before the first day, since a
/// winter is planned in the season, is there on it.
pub fn kits(
    snapshot: &Snapshot,
    (at, horizon, today): ((SiteId, PlanKind), Horizon, NaiveDate),
    needed: &BTreeMap<PartId, i64>,
    names: &HashMap<PartId, String>,
    may_order: bool,
) -> Vec<Kit> {
    let there = on_shelf(snapshot, at, horizon.first);
    let coming = coming(snapshot, at.0, today);
    let day = |on: NaiveDate| {
        let day = (on - horizon.first).num_days().max(0);
        (day < horizon.days as i64).then_some(day)
    };
    let kit = |(part, pieces): (&PartId, &i64)| {
        let on_shelf = there.get(part).copied().unwrap_or(0).max(0);
        let mut receipts = vec![Receipt { day: 0, quantity: on_shelf.min(1_000_000) }];
        for arrival in coming.iter().filter(|arrival| arrival.part == *part) {
            if let Some(day) = day(arrival.on) {
                receipts.push(Receipt { day, quantity: arrival.pieces.min(1_000_000) });
            }
        }
        let lead = lead_days(snapshot, *part, today).filter(|_| may_order);
        if let Some(day) = lead.and_then(|lead| day(today + TimeDelta::days(lead))) {
            receipts.push(Receipt { day, quantity: *pieces });
        }
        receipts.sort_by_key(|receipt| receipt.day);
        receipts.retain(|receipt| receipt.quantity > 0);
        Kit { id: names.get(part).cloned().unwrap_or_default(), receipts }
    };
    needed.iter().map(kit).collect()
}
