//! A yard that is short of cash: what is bought now, what can wait, and what waiting risks.

use crate::error::{OrderingError, not_negative};

/// A line that may be put off.
#[derive(Clone, Debug, PartialEq)]
pub struct CashLine {
    /// Minor units of the base currency.
    pub money: i64,
    /// Place of its supplier in the list of freights.
    pub supplier: usize,
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
    /// Spent in each month, freight included.
    pub spent: Vec<i64>,
    /// Of it, freight.
    pub freight: Vec<i64>,
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
/// `freight` is paid once for each supplier of whom anything is bought in a month; a month's money
/// that is left over is not carried into the next.
///
/// # Errors
/// Money or risk that is not a number of zero or more; a supplier without a place among the freights.
pub fn plan_cash(
    lines: &[CashLine],
    freight: &[i64],
    limits: &[i64],
) -> Result<CashPlan, OrderingError> {
    for line in lines {
        not_negative("money", line.money as f64)?;
        for cost in &line.waiting_costs {
            not_negative("boat-days", *cost)?;
        }
        if line.supplier >= freight.len() {
            let (supplier, suppliers) = (line.supplier, freight.len());
            return Err(OrderingError::SupplierUnknown { supplier, suppliers });
        }
    }
    for money in limits.iter().chain(freight) {
        not_negative("money", *money as f64)?;
    }
    let mut month: Vec<Option<usize>> = vec![None; lines.len()];
    let mut purse = Purse::empty(freight, limits);
    for now in 0..limits.len() {
        let mut waiting: Vec<usize> = (0..lines.len())
            .filter(|line| month[*line].is_none() && lines[*line].month <= now)
            .collect();
        let mut together = vec![0_u32; freight.len()];
        waiting.iter().for_each(|line| together[lines[*line].supplier] += 1);
        let urgency = |line: &usize| {
            let row = &lines[*line];
            let risk = row.risk_in(now + 1) - row.risk_in(now);
            // Lines of a supplier that could go together share its freight.
            let shared = freight[row.supplier] as f64 / f64::from(together[row.supplier]);
            let money = row.money as f64 + shared;
            if money == 0.0 { f64::INFINITY } else { risk / money }
        };
        waiting.sort_by(|a, b| urgency(b).total_cmp(&urgency(a)).then(a.cmp(b)));
        for line in waiting {
            purse.buy(&lines[line], now);
            if purse.is_overspent(now) {
                purse.leave(&lines[line], now);
            } else {
                month[line] = Some(now);
            }
        }
    }
    exchange_places(lines, &mut month, &mut purse);
    let risk: Vec<f64> = lines
        .iter()
        .zip(&month)
        .map(|(line, month)| {
            month.map_or_else(|| line.never(limits.len()), |month| line.risk_in(month))
        })
        .collect();
    // A sum of nothing is minus zero: begun at zero it is none.
    let risk_in_all = risk.iter().fold(0.0, |sum, risk| sum + risk);
    let freight = (0..limits.len()).map(|month| purse.freight_in(month)).collect();
    Ok(CashPlan { month, risk, spent: purse.spent, freight, risk_in_all })
}

/// What is spent in each month.
struct Purse<'a> {
    freight: &'a [i64],
    limits: &'a [i64],
    /// With freight.
    spent: Vec<i64>,
    /// Lines bought, by month and supplier.
    bought: Vec<Vec<usize>>,
}

impl<'a> Purse<'a> {
    fn empty(freight: &'a [i64], limits: &'a [i64]) -> Self {
        let (spent, bought) = (vec![0; limits.len()], vec![vec![0; freight.len()]; limits.len()]);
        Self { freight, limits, spent, bought }
    }

    fn buy(&mut self, line: &CashLine, month: usize) {
        let bought = &mut self.bought[month][line.supplier];
        let freight = if *bought == 0 { self.freight[line.supplier] } else { 0 };
        *bought += 1;
        self.spent[month] = self.spent[month].saturating_add(line.money.saturating_add(freight));
    }

    /// Takes back what [`Purse::buy`] did.
    fn leave(&mut self, line: &CashLine, month: usize) {
        let bought = &mut self.bought[month][line.supplier];
        *bought -= 1;
        let freight = if *bought == 0 { self.freight[line.supplier] } else { 0 };
        self.spent[month] -= line.money.saturating_add(freight);
    }

    fn is_overspent(&self, month: usize) -> bool {
        self.spent[month] > self.limits[month]
    }

    fn freight_in(&self, month: usize) -> i64 {
        let suppliers = self.bought[month].iter().zip(self.freight);
        suppliers.filter(|(bought, _)| **bought > 0).map(|(_, freight)| freight).sum()
    }
}

/// Lines beyond which no exchanges are sought.
const EXCHANGED_MOST: usize = 400;
/// Rounds of exchanges.
const ROUNDS_MAX: usize = 20;

fn exchange_places(lines: &[CashLine], month: &mut [Option<usize>], purse: &mut Purse<'_>) {
    if lines.len() > EXCHANGED_MOST {
        return;
    }
    let months = purse.limits.len();
    let risk = |line: usize, at: Option<usize>| match at {
        Some(at) => lines[line].risk_in(at),
        None => lines[line].never(months),
    };
    for _ in 0..ROUNDS_MAX {
        let mut changed = false;
        for a in 0..lines.len() {
            for b in 0..lines.len() {
                let (Some(of_a), of_b) = (month[a], month[b]) else { continue };
                if lines[b].month > of_a || of_b.is_some_and(|of_b| of_b <= of_a) {
                    continue;
                }
                let gain = risk(a, month[a]) + risk(b, of_b) - risk(a, of_b) - risk(b, month[a]);
                if gain > 1e-9 && purse.exchange((&lines[a], of_a), (&lines[b], of_b)) {
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

impl Purse<'_> {
    /// Buys each of two lines in the other's month; `false`, and as before, where a month has not
    /// the money.
    fn exchange(
        &mut self,
        (a, of_a): (&CashLine, usize),
        (b, of_b): (&CashLine, Option<usize>),
    ) -> bool {
        let place = |purse: &mut Self, (early, late): (&CashLine, &CashLine)| {
            purse.buy(early, of_a);
            if let Some(of_b) = of_b {
                purse.buy(late, of_b);
            }
        };
        let take = |purse: &mut Self, (early, late): (&CashLine, &CashLine)| {
            purse.leave(early, of_a);
            if let Some(of_b) = of_b {
                purse.leave(late, of_b);
            }
        };
        take(self, (a, b));
        place(self, (b, a));
        if self.is_overspent(of_a) || of_b.is_some_and(|of_b| self.is_overspent(of_b)) {
            take(self, (b, a));
            place(self, (a, b));
            return false;
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn line(money: i64, month: usize, costs: &[f64]) -> CashLine {
        CashLine { money, supplier: 0, month, waiting_costs: costs.to_vec() }
    }

    #[test]
    fn what_risks_least_waits() {
        let lines = [
            line(60, 0, &[0.1, 0.2]),
            line(60, 0, &[5.0, 9.0]),
            line(40, 0, &[1.0, 2.0]),
            line(30, 1, &[0.0, 1.0]),
        ];
        let plan = plan_cash(&lines, &[0], &[100, 100]).expect("numbers");
        assert_eq!(plan.month, [Some(1), Some(0), Some(0), Some(1)]);
        assert_eq!(plan.spent, [100, 90]);
        assert!((plan.risk_in_all - 0.1).abs() < 1e-12);
        let nothing = plan_cash(&[], &[], &[50]).expect("numbers").risk_in_all;
        assert_eq!(format!("{nothing:.1}"), "0.0");
        let none = plan_cash(&lines, &[0], &[50]).expect("numbers");
        assert_eq!(none.month, [None, None, Some(0), None]);
        assert!((none.risk[1] - 5.0).abs() < 1e-12);
    }

    #[test]
    fn freight_is_paid_once_a_month_for_each_supplier() {
        let from =
            |supplier: usize, money, costs: &[f64]| CashLine { supplier, ..line(money, 0, costs) };
        let lines = [from(0, 40, &[5.0]), from(0, 30, &[4.0]), from(1, 20, &[3.0, 3.0])];
        let plan = plan_cash(&lines, &[10, 25], &[80, 80]).expect("numbers");
        // 40 + 30 and one freight of 10 fill the first month; 20 + 25 are left for the next.
        assert_eq!(plan.month, [Some(0), Some(0), Some(1)]);
        assert_eq!((plan.spent, plan.freight), (vec![80, 45], vec![10, 25]));
        let tighter = plan_cash(&lines, &[11, 25], &[80, 80]).expect("numbers");
        // 20 + 25 fit beside neither: 51 and 41 are spent by then.
        assert_eq!(tighter.month, [Some(0), Some(1), None]);
        assert_eq!(tighter.spent, [51, 41]);
        assert!(plan_cash(&lines, &[10], &[80]).is_err());
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
            freight in prop_oneof![Just(0_i64), 1_i64..20],
        ) {
            let lines: Vec<CashLine> = rows
                .iter()
                .map(|&(money, month, a, b, c)| {
                    let costs = [a, a + b, a + b + c].map(f64::from);
                    line(money, month, &costs)
                })
                .collect();
            let plan = plan_cash(&lines, &[freight], &limits).expect("numbers");
            for (now, limit) in limits.iter().enumerate() {
                let bought = (0..lines.len()).filter(|line| plan.month[*line] == Some(now));
                let goods: i64 = bought.map(|line| lines[line].money).sum();
                prop_assert_eq!(plan.freight[now], if goods > 0 { freight } else { 0 });
                prop_assert_eq!(goods + plan.freight[now], plan.spent[now]);
                prop_assert!(plan.spent[now] <= *limit);
            }
            if freight > 0 {
                return Ok(());
            }
            let least = least_risk(&lines, &limits);
            prop_assert!(plan.risk_in_all >= least - 1e-9);
            // The rule is a rule of thumb: it is held to a line's worth of the least.
            let largest = lines.iter().map(|line| line.never(3)).fold(0.0, f64::max);
            prop_assert!(plan.risk_in_all <= least + largest + 1e-9);
        }
    }
}
