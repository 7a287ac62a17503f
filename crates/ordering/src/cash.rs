//! A yard that is short of cash: what is bought now, what can wait, and what waiting risks.

use crate::error::{OrderingError, not_negative};

/// A line that may be put off.
#[derive(Clone, Debug, PartialEq)]
pub struct CashLine {
    /// Minor units of the base currency.
    pub money: i64,
    /// Month in which it should be ordered, counted from now.
    pub month: usize,
    /// Boat-days that ordering it 1, 2, … months later than now costs; the last one stands for all
    /// later months.
    pub waiting_costs: Vec<f64>,
}

/// When each line is bought.
#[derive(Clone, Debug, PartialEq)]
pub struct CashPlan {
    /// Month of each line, counted from now; `None` where no month has the money.
    pub month: Vec<Option<usize>>,
    /// Boat-days that a line's waiting risks, beyond buying it in its own month.
    pub risk: Vec<f64>,
    /// Spent in each month.
    pub spent: Vec<i64>,
    pub risk_in_all: f64,
}

impl CashLine {
    /// Boat-days lost by ordering `months` from now.
    fn cost_in(&self, months: usize) -> f64 {
        match months {
            0 => 0.0,
            later => {
                let place = (later - 1).min(self.waiting_costs.len().saturating_sub(1));
                self.waiting_costs.get(place).copied().unwrap_or(0.0)
            }
        }
    }

    fn risk_in(&self, month: usize) -> f64 {
        (self.cost_in(month) - self.cost_in(self.month)).max(0.0)
    }

    fn never(&self, months: usize) -> f64 {
        self.risk_in(months.max(self.month + 1))
    }
}

/// Lays lines into months of limited money. In each month, of the lines that should be ordered by
/// then, those go first that risk most by a further month's wait, for their money; what does not fit
/// waits. Afterwards any two lines that would risk less in each other's month change places.
///
/// # Errors
/// Money or risk that is not a number of zero or more.
pub fn plan_cash(lines: &[CashLine], limits: &[i64]) -> Result<CashPlan, OrderingError> {
    for line in lines {
        not_negative("money", line.money as f64)?;
        for cost in &line.waiting_costs {
            not_negative("boat-days", *cost)?;
        }
    }
    for limit in limits {
        not_negative("limit", *limit as f64)?;
    }
    let mut month: Vec<Option<usize>> = vec![None; lines.len()];
    let mut spent = vec![0_i64; limits.len()];
    for (now, limit) in limits.iter().enumerate() {
        let mut waiting: Vec<usize> = (0..lines.len())
            .filter(|line| month[*line].is_none() && lines[*line].month <= now)
            .collect();
        let urgency = |line: &usize| {
            let row = &lines[*line];
            let risk = row.risk_in(now + 1) - row.risk_in(now);
            if row.money == 0 { f64::INFINITY } else { risk / row.money as f64 }
        };
        waiting.sort_by(|a, b| urgency(b).total_cmp(&urgency(a)).then(a.cmp(b)));
        for line in waiting {
            if spent[now].saturating_add(lines[line].money) <= *limit {
                spent[now] += lines[line].money;
                month[line] = Some(now);
            }
        }
    }
    exchange_places(lines, limits, &mut month, &mut spent);
    let risk: Vec<f64> = lines
        .iter()
        .zip(&month)
        .map(|(line, month)| {
            month.map_or_else(|| line.never(limits.len()), |month| line.risk_in(month))
        })
        .collect();
    // A sum of nothing is minus zero: begun at zero it is none.
    let risk_in_all = risk.iter().fold(0.0, |sum, risk| sum + risk);
    Ok(CashPlan { month, risk, spent, risk_in_all })
}

/// Lines beyond which no exchanges are sought.
const EXCHANGED_MOST: usize = 400;
/// Rounds of exchanges.
const ROUNDS_MAX: usize = 20;

fn exchange_places(
    lines: &[CashLine],
    limits: &[i64],
    month: &mut [Option<usize>],
    spent: &mut [i64],
) {
    if lines.len() > EXCHANGED_MOST {
        return;
    }
    let risk = |line: usize, at: Option<usize>| match at {
        Some(at) => lines[line].risk_in(at),
        None => lines[line].never(limits.len()),
    };
    for _ in 0..ROUNDS_MAX {
        let mut changed = false;
        for a in 0..lines.len() {
            for b in 0..lines.len() {
                let (Some(of_a), of_b) = (month[a], month[b]) else { continue };
                if lines[b].month > of_a || of_b.is_some_and(|of_b| of_b <= of_a) {
                    continue;
                }
                let room_early = spent[of_a] - lines[a].money + lines[b].money <= limits[of_a];
                let room_late = of_b.is_none_or(|of_b| {
                    spent[of_b] - lines[b].money + lines[a].money <= limits[of_b]
                });
                let gain = risk(a, month[a]) + risk(b, of_b) - risk(a, of_b) - risk(b, month[a]);
                if room_early && room_late && gain > 1e-9 {
                    spent[of_a] += lines[b].money - lines[a].money;
                    if let Some(of_b) = of_b {
                        spent[of_b] += lines[a].money - lines[b].money;
                    }
                    month.swap(a, b);
                    changed = true;
                }
            }
        }
        if !changed {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn line(money: i64, month: usize, costs: &[f64]) -> CashLine {
        CashLine { money, month, waiting_costs: costs.to_vec() }
    }

    #[test]
    fn what_risks_least_waits() {
        let lines = [
            line(60, 0, &[0.1, 0.2]),
            line(60, 0, &[5.0, 9.0]),
            line(40, 0, &[1.0, 2.0]),
            line(30, 1, &[0.0, 1.0]),
        ];
        let plan = plan_cash(&lines, &[100, 100]).expect("numbers");
        assert_eq!(plan.month, [Some(1), Some(0), Some(0), Some(1)]);
        assert_eq!(plan.spent, [100, 90]);
        assert!((plan.risk_in_all - 0.1).abs() < 1e-12);
        let nothing = plan_cash(&[], &[50]).expect("numbers").risk_in_all;
        assert_eq!(format!("{nothing:.1}"), "0.0");
        let none = plan_cash(&lines, &[50]).expect("numbers");
        assert_eq!(none.month, [None, None, Some(0), None]);
        assert!((none.risk[1] - 5.0).abs() < 1e-12);
    }

    /// Every way of laying at most five lines into three months, by counting through.
    fn least_risk(lines: &[CashLine], limits: &[i64]) -> f64 {
        let choices = limits.len() + 1;
        let mut least = f64::INFINITY;
        for code in 0..choices.pow(lines.len() as u32) {
            let (mut code, mut risk, mut spent) = (code, 0.0, vec![0; limits.len()]);
            for line in lines {
                let at = code % choices;
                code /= choices;
                if at < limits.len() {
                    spent[at] += line.money;
                    risk += if at < line.month { f64::INFINITY } else { line.risk_in(at) };
                } else {
                    risk += line.never(limits.len());
                }
            }
            if spent.iter().zip(limits).all(|(spent, limit)| spent <= limit) {
                least = least.min(risk);
            }
        }
        least
    }

    proptest! {
        #[test]
        fn no_month_is_overspent_and_little_is_risked_beyond_the_least(
            rows in prop::collection::vec((1_i64..40, 0_usize..2, 0_u32..30, 0_u32..30, 0_u32..30), 1..6),
            limits in prop::collection::vec(10_i64..90, 3),
        ) {
            let lines: Vec<CashLine> = rows
                .iter()
                .map(|&(money, month, a, b, c)| {
                    let costs = [a, a + b, a + b + c].map(f64::from);
                    line(money, month, &costs)
                })
                .collect();
            let plan = plan_cash(&lines, &limits).expect("numbers");
            for (now, limit) in limits.iter().enumerate() {
                let bought = (0..lines.len()).filter(|line| plan.month[*line] == Some(now));
                let spent: i64 = bought.map(|line| lines[line].money).sum();
                prop_assert_eq!(spent, plan.spent[now]);
                prop_assert!(spent <= *limit);
            }
            let least = least_risk(&lines, &limits);
            prop_assert!(plan.risk_in_all >= least - 1e-9);
            // The rule is a rule of thumb: it is held to a line's worth of the least.
            let largest = lines.iter().map(|line| line.never(3)).fold(0.0, f64::max);
            prop_assert!(plan.risk_in_all <= least + largest + 1e-9);
        }
    }
}
