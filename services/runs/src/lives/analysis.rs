//! Lives summed up: by water, model and pool, with the age that costs least and what that says of
//! the programme.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use fleet::id::{ModelId, SiteId, TaskId};
use fleet::pool::Water;
use fleet::programme::{IntervalBasis, ProgrammeInterval};
use fleet::site::PriceKind;
use life::replacement::{Advice, IntervalProposal, find_fitted_replacement};
use life::sentence::{describe_comparison, describe_proposal, describe_replacement};
use life::{Life, LifeEnd, Replacement, ReplacementCosts, compare_groups, summarise};
use store::snapshot::Snapshot;

use crate::due::severities;
use crate::lives::costs::Costs;
use crate::lives::items::{Item, Items};
use crate::lives::kept::{
    BestAge, Cheapest, Compared, Group, GroupOf, ItemLives, Law, LivesKept, MeanRange, Proposal,
    RenewalCosts, Verdict,
};
use crate::lives::record::{PartLife, Recorded};

/// Unit of every age.
const UNIT: &str = "h";

pub fn sum_up(
    snapshot: &Snapshot,
    items: &Items<'_>,
    costs: &Costs<'_>,
    recorded: &HashMap<Item, Recorded>,
    on: chrono::NaiveDate,
) -> LivesKept {
    let names = Names::read(snapshot);
    let severities = severities(snapshot);
    let mut severity: HashMap<ModelId, (f64, usize)> = HashMap::new();
    for engine in &snapshot.fleet.engines {
        let sum = severity.entry(engine.model).or_default();
        sum.0 += severities.get(&engine.id).copied().unwrap_or(1.0);
        sum.1 += 1;
    }
    let order: BTreeMap<Item, &Recorded> = recorded.iter().map(|(item, it)| (*item, it)).collect();
    let about = About { snapshot, items, costs, names, severity };
    let mut kept: Vec<ItemLives> = order
        .into_iter()
        .filter(|(_, recorded)| !recorded.lives.is_empty())
        .map(|(item, recorded)| about.item(item, recorded))
        .collect();
    kept.sort_by_key(|item| {
        let failures = item.whole().map_or(0, |all| all.failures);
        (std::cmp::Reverse(failures), item.name.clone())
    });
    LivesKept { on, currency: costs.currency, items: kept }
}

struct Names {
    models: HashMap<ModelId, String>,
    pools: HashMap<fleet::id::PoolId, String>,
}

impl Names {
    fn read(snapshot: &Snapshot) -> Self {
        let models = snapshot.fleet.models.iter();
        let pools = snapshot.fleet.pools.iter();
        Self {
            models: models.map(|it| (it.id, format!("{} {}", it.maker, it.name))).collect(),
            pools: pools.map(|it| (it.id, it.name.clone())).collect(),
        }
    }

    /// As it follows a part's name: `in salt`, `on Quillon Q4`.
    fn of(&self, group: GroupOf) -> String {
        match group {
            GroupOf::All => String::new(),
            GroupOf::Water(_) | GroupOf::Pool(_) => format!("in {}", self.bare(group)),
            GroupOf::Model(_) => format!("on {}", self.bare(group)),
        }
    }

    /// As it stands beside others: `salt`, `Quillon Q4`.
    fn bare(&self, group: GroupOf) -> String {
        match group {
            GroupOf::All => String::new(),
            GroupOf::Water(Water::Salt) => "salt".to_owned(),
            GroupOf::Water(Water::Brackish) => "brackish water".to_owned(),
            GroupOf::Water(Water::Fresh) => "fresh water".to_owned(),
            GroupOf::Model(id) => self.models.get(&id).cloned().unwrap_or_else(|| "?".to_owned()),
            GroupOf::Pool(id) => self.pools.get(&id).cloned().unwrap_or_else(|| "?".to_owned()),
        }
    }
}

struct About<'a> {
    snapshot: &'a Snapshot,
    items: &'a Items<'a>,
    costs: &'a Costs<'a>,
    names: Names,
    /// Sum of its engines' severities, and how many.
    severity: HashMap<ModelId, (f64, usize)>,
}

impl About<'_> {
    fn item(&self, item: Item, recorded: &Recorded) -> ItemLives {
        let (task, on_condition) = self.items.task_of(item);
        let lives = &recorded.lives;
        let one = Summing { about: self, item, task, on_condition };
        let waters = split(lives, |life| life.water.map(GroupOf::Water));
        let models = split(lives, |life| Some(GroupOf::Model(life.model)));
        let pools = split(lives, |life| Some(GroupOf::Pool(life.pool)));
        let mut groups = vec![one.group(GroupOf::All, &lives.iter().collect::<Vec<_>>())];
        let mut comparisons = Vec::new();
        for (by, split) in [("water", &waters), ("model", &models), ("pool", &pools)] {
            // One group is all together again.
            if split.len() > 1 {
                groups.extend(split.iter().map(|(of, lives)| one.group(*of, lives)));
                comparisons.extend(self.compare(by, split));
            } else if by == "water" {
                groups.extend(split.iter().map(|(of, lives)| one.group(*of, lives)));
            }
        }
        let proposals = task.filter(|_| !on_condition).map(|task| self.proposals(task, &groups));
        ItemLives {
            name: self.items.names[item].clone(),
            parts: self.items.parts[item].clone(),
            task,
            task_name: task.and_then(|task| self.costs.task(task)).map(|task| task.name.clone()),
            on_condition,
            left_out: recorded.left_out,
            unknown_reason: recorded.unknown_reason,
            groups,
            comparisons,
            proposals: proposals.unwrap_or_default(),
        }
    }

    fn compare(&self, by: &str, split: &[(GroupOf, Vec<&PartLife>)]) -> Option<Compared> {
        let names: Vec<String> = split.iter().map(|(of, _)| self.names.bare(*of)).collect();
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let groups: Vec<Vec<Life>> =
            split.iter().map(|(_, lives)| lives.iter().map(|it| it.life).collect()).collect();
        let found = compare_groups(&groups).ok()?;
        Some(Compared {
            by: by.to_owned(),
            statistic: found.statistic,
            degrees_of_freedom: found.degrees_of_freedom,
            p: found.p,
            sentence: describe_comparison(&names, &found),
        })
    }

    /// What the lives say of each row of the programme that asks for the task by hours.
    fn proposals(&self, task: TaskId, groups: &[Group]) -> Vec<Proposal> {
        let rows = self.snapshot.programme.intervals.iter().filter(|row| row.task == task);
        let rows: Vec<&ProgrammeInterval> = rows.filter(|row| row.every.is_some()).collect();
        rows.into_iter().filter_map(|row| self.proposal(row, groups)).collect()
    }

    fn proposal(&self, row: &ProgrammeInterval, groups: &[Group]) -> Option<Proposal> {
        let every_h = row.every?.as_decimal();
        let fitted =
            |of: GroupOf| groups.iter().find(|group| group.of == of && group.cheapest.is_some());
        // The model's own lives where they carry a law, else those of all models.
        let group = row.model.and_then(|model| fitted(GroupOf::Model(model)));
        let group = group.or_else(|| fitted(GroupOf::All))?;
        let severity = match row.model {
            Some(model) => self.severity.get(&model).copied(),
            None => self.severity.values().copied().reduce(|a, b| (a.0 + b.0, a.1 + b.1)),
        };
        let severity = severity.filter(|sum| sum.1 > 0).map_or(1.0, |sum| sum.0 / sum.1 as f64);
        let cheapest = group.cheapest.as_ref()?;
        let proposed = propose(cheapest, every_h * severity);
        let nominal = |age: f64| round_hours(age / severity);
        let (verdict, to_h, said) = match proposed {
            IntervalProposal::Keep => (Verdict::Keep, None, proposed),
            IntervalProposal::Shorten { to } => {
                let to = nominal(to);
                (Verdict::Shorten, Some(to), IntervalProposal::Shorten { to })
            }
            IntervalProposal::Lengthen { to } => {
                let to = nominal(to);
                (Verdict::Lengthen, Some(to), IntervalProposal::Lengthen { to })
            }
            IntervalProposal::RunToFailure(_) => (Verdict::RunToFailure, None, proposed),
        };
        let model_name = match row.model {
            Some(model) => self.names.models.get(&model).cloned().unwrap_or_default(),
            None => "every model without a row of its own".to_owned(),
        };
        Some(Proposal {
            interval: row.id,
            version: row.version,
            model: row.model,
            sentence: format!("{model_name}: {}", describe_proposal(every_h, said, UNIT)),
            model_name,
            every_h,
            severity,
            verdict,
            to_h,
            of_maker: row.basis == IntervalBasis::Maker,
            rests_on: group.sentence.clone(),
        })
    }
}

/// Steps in which intervals are written: 5 h from 50 h on, else whole hours.
fn round_hours(hours: f64) -> f64 {
    let step = if hours >= 50.0 { 5.0 } else { 1.0 };
    ((hours / step).round() * step).max(1.0)
}

/// The same judgement that `life` gives on a law, from what is kept of it.
fn propose(cheapest: &Cheapest, interval: f64) -> IntervalProposal {
    match cheapest.best {
        None => IntervalProposal::RunToFailure(life::replacement::RunReason::NothingSaved),
        Some(best) if interval < best.from => IntervalProposal::Lengthen { to: best.age },
        Some(best) if best.to.is_some_and(|to| interval > to) => {
            IntervalProposal::Shorten { to: best.age }
        }
        Some(_) => IntervalProposal::Keep,
    }
}

/// Lives by group, in a fixed order.
fn split(
    lives: &[PartLife],
    of: impl Fn(&PartLife) -> Option<GroupOf>,
) -> Vec<(GroupOf, Vec<&PartLife>)> {
    let mut groups: Vec<(GroupOf, Vec<&PartLife>)> = Vec::new();
    for life in lives {
        let Some(group) = of(life) else { continue };
        match groups.iter_mut().find(|(known, _)| *known == group) {
            Some((_, lives)) => lives.push(life),
            None => groups.push((group, vec![life])),
        }
    }
    groups.sort_by_key(|(group, lives)| (std::cmp::Reverse(lives.len()), format!("{group:?}")));
    groups
}

/// Sums up the lives of one item.
struct Summing<'a> {
    about: &'a About<'a>,
    item: Item,
    task: Option<TaskId>,
    on_condition: bool,
}

impl Summing<'_> {
    fn group(&self, of: GroupOf, lives: &[&PartLife]) -> Group {
        let name = self.about.names.of(of);
        // What has not run yet says nothing.
        let known: Vec<Life> =
            lives.iter().map(|it| it.life).filter(|life| !is_empty(life)).collect();
        let summary = summarise(&known);
        let costs = self.costs(lives);
        let fitted = costs.as_ref().and_then(|costs| {
            let costs = ReplacementCosts::new(costs.planned, costs.failure).ok()?;
            find_fitted_replacement(summary.law.as_ref().ok()?, &costs).ok()
        });
        let item = lower_first(&self.about.items.names[self.item]);
        let subject = [item.as_str(), name.as_str()].join(" ").trim().to_owned();
        let replacement = fitted.as_ref().map(|fitted| &fitted.best);
        let sentence = describe_replacement(&subject, &summary, replacement, UNIT);
        let interval = |life: &&Life| matches!(life.end(), LifeEnd::FailedBetween { .. });
        Group {
            of,
            name,
            lives: summary.lives,
            failures: summary.failures,
            intervals: known.iter().filter(interval).count(),
            method: summary.method.name().to_owned(),
            sentence,
            mean_life: summary.mean_life(),
            law: summary.law.as_ref().ok().map(|fit| Law {
                shape: fit.weibull.shape(),
                shape_low: fit.shape_low,
                shape_high: fit.shape_high,
                scale: fit.weibull.scale(),
                scale_low: fit.scale_low,
                scale_high: fit.scale_high,
                scale_at_shape_low: fit.at_shape_low.map(|law| law.scale()),
                scale_at_shape_high: fit.at_shape_high.map(|law| law.scale()),
            }),
            range: summary.law.as_ref().err().map(|range| MeanRange {
                low: range.low,
                high: range.high,
                reason: range.reason.to_string(),
            }),
            survival: summary.survival,
            cheapest: fitted.map(|fitted| Cheapest {
                run_to_failure_rate: fitted.best.run_to_failure_rate,
                best: best_age(&fitted.best),
                at_shape_low: fitted.at_shape_low.and_then(|it| best_age(&it)).map(|it| it.age),
                at_shape_high: fitted.at_shape_high.and_then(|it| best_age(&it)).map(|it| it.age),
            }),
            costs,
        }
    }

    /// What a renewal costs where these engines are, averaged over the lives. What is renewed where
    /// a look shows that it must be is never planned by age: it has no such costs.
    fn costs(&self, lives: &[&PartLife]) -> Option<RenewalCosts> {
        let task = self.task.filter(|_| !self.on_condition)?;
        let about = self.about;
        let mut by_place: BTreeMap<(ModelId, Option<SiteId>), usize> = BTreeMap::new();
        for life in lives {
            *by_place.entry((life.model, life.site)).or_default() += 1;
        }
        let (mut planned, mut beyond, mut priced) = (0.0, 0.0, 0.0);
        let mut unpriced: BTreeSet<ModelId> = BTreeSet::new();
        for ((model, site), count) in by_place {
            let part = about.items.part_for(self.item, Some(task), model);
            let Some(parts) = part.and_then(|part| about.costs.parts.of(part, 1)) else {
                unpriced.insert(model);
                continue;
            };
            let count = count as f64;
            planned += count * (parts + about.costs.bench(site, task));
            beyond += count * about.costs.price(site, PriceKind::Failure);
            priced += count;
        }
        if priced == 0.0 {
            return None;
        }
        let (planned, beyond) = (planned / priced, beyond / priced);
        let without = match unpriced.len() {
            0 => String::new(),
            n => format!("; without a price for {n} of the models"),
        };
        Some(RenewalCosts {
            planned,
            failure: planned + beyond,
            basis: format!(
                "planned: the part and its bench time with what comes off for it; a failure: the \
                 same and what the site says a failure on hire costs{without}"
            ),
        })
    }
}

fn best_age(replacement: &Replacement) -> Option<BestAge> {
    match replacement.advice {
        Advice::ReplaceAt(best) => Some(BestAge {
            age: best.age,
            cost_rate: best.cost_rate,
            from: best.hardly_matters_from,
            to: best.hardly_matters_to,
        }),
        Advice::RunToFailure(_) => None,
    }
}

fn is_empty(life: &Life) -> bool {
    life.upper().unwrap_or(life.lower()) == 0.0
}

/// A name in the middle of a sentence: `Water-pump kit` → `water-pump kit`, `GO-90` as it is.
fn lower_first(name: &str) -> String {
    let mut letters = name.chars();
    match (letters.next(), letters.next()) {
        (Some(first), Some(second)) if !second.is_uppercase() => {
            first.to_lowercase().chain(name.chars().skip(1)).collect()
        }
        _ => name.to_owned(),
    }
}
