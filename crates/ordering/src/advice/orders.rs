//! From wanted quantities to orders: budget, supplier minimums, freight.

use fleet::Money;

use super::assess::Assessed;
use super::{Policy, Question, SupplierOrder};
use crate::buying::Buying;
use crate::error::OrderingError;
use crate::marginal::{Ladder, allocate};
use crate::top_up::{Addition, least_useless};

/// What was decided on a line beyond its own need.
#[derive(Clone, Debug, Default)]
pub(super) struct Placed {
    pub quantity: u64,
    /// Units added only for the supplier's minimum or free freight.
    pub added: u64,
    /// Units that the policy asks for and the budget does not.
    pub cut: u64,
    /// The supplier's minimum does not fit the budget.
    pub minimum_unaffordable: bool,
    /// Value missing to the supplier's minimum.
    pub below_minimum: Option<Money>,
}

pub(super) struct PlacedOrders {
    pub lines: Vec<Placed>,
    pub orders: Vec<SupplierOrder>,
    /// Base currency, with freight.
    pub money_minor: i64,
    /// Base currency, without freight.
    pub goods_minor: i64,
}

/// Packs of a part that may be added for a supplier's minimum.
const ADDITIONS_A_LINE: u64 = 24;

pub(super) fn place(
    question: &Question<'_>,
    assessed: &[Assessed],
    ladders: &[Ladder],
) -> Result<PlacedOrders, OrderingError> {
    let budget = question.budget_in_base()?;
    let mut barred = vec![false; question.suppliers.len()];
    loop {
        let desk = Desk { question, assessed, ladders, barred: &barred };
        let mut lines = match budget {
            None => desk.all_wanted(),
            Some(budget) => desk.within(budget)?,
        };
        match desk.meet_minimums(&mut lines, budget)? {
            // One supplier less, and its money is free for the others: at most as many rounds as
            // there are suppliers.
            Some(unaffordable) => barred[unaffordable] = true,
            None => return desk.settle(lines),
        }
    }
}

struct Desk<'a> {
    question: &'a Question<'a>,
    assessed: &'a [Assessed],
    ladders: &'a [Ladder],
    barred: &'a [bool],
}

impl Desk<'_> {
    fn is_barred(&self, row: &Assessed) -> bool {
        row.sale.as_ref().is_some_and(|sale| self.barred[sale.supplier])
    }

    fn all_wanted(&self) -> Vec<Placed> {
        let wanted = |row: &Assessed| Placed { quantity: row.wanted, ..Placed::default() };
        self.assessed.iter().map(wanted).collect()
    }

    fn freight(&self) -> Result<Vec<i64>, OrderingError> {
        let settings = self.question.settings;
        let of = |terms: &fleet::terms::OrderTerms| {
            settings.to_base(terms.freight.map_or(0, |freight| freight.minor), terms.currency)
        };
        self.question.suppliers.iter().map(of).collect()
    }

    /// The worthiest purchases within a budget; then whatever else the policies ask for, most
    /// urgent first, as far as money is left.
    fn within(&self, budget: i64) -> Result<Vec<Placed>, OrderingError> {
        let freight = self.freight()?;
        let nothing = |ladder: &Ladder| {
            let barred = self.barred.get(ladder.supplier).copied().unwrap_or(false);
            let rungs = if barred { &ladder.rungs[..1] } else { &ladder.rungs[..] };
            Ladder { rungs: rungs.to_vec(), supplier: ladder.supplier }
        };
        let open: Vec<Ladder> = self.ladders.iter().map(nothing).collect();
        let allocation = allocate(&open, &freight, budget);
        let mut left = budget - allocation.money;
        let mut opened = vec![false; freight.len()];
        let mut lines: Vec<Placed> = Vec::with_capacity(open.len());
        for (ladder, rung) in open.iter().zip(&allocation.rungs) {
            let quantity = ladder.rungs[*rung].quantity;
            if quantity > 0 {
                opened[ladder.supplier] = true;
            }
            lines.push(Placed { quantity, ..Placed::default() });
        }
        let mut urgent: Vec<usize> = (0..lines.len()).collect();
        urgent.sort_by_key(|part| (self.assessed[*part].order_in(), *part));
        for part in urgent {
            let row = &self.assessed[part];
            let placed = &mut lines[part];
            placed.minimum_unaffordable = self.is_barred(row) && row.wanted > 0;
            if row.wanted <= placed.quantity || self.is_barred(row) {
                continue;
            }
            let more = self.money(row, row.wanted)? - self.money(row, placed.quantity)?;
            let supplier = self.ladders[part].supplier;
            let with_freight = more + if opened[supplier] { 0 } else { freight[supplier] };
            // Boat-day parts were weighed to the end: what they did not get was worth less.
            let weighed = matches!(row.facts.policy, Policy::BoatDays { .. });
            if !weighed && with_freight <= left {
                left -= with_freight;
                opened[supplier] = true;
                placed.quantity = row.wanted;
            } else {
                placed.cut = row.wanted - placed.quantity;
            }
        }
        Ok(lines)
    }

    /// What a quantity of a part costs in the base currency.
    fn money(&self, row: &Assessed, quantity: u64) -> Result<i64, OrderingError> {
        let Some(sale) = &row.sale else { return Ok(0) };
        let settings = self.question.settings;
        let buying = Buying::on(&sale.offer.terms, settings.on);
        settings.to_base(buying.money_minor(quantity), sale.offer.terms.price.currency)
    }

    /// Value of the goods from one supplier, in its own currency.
    fn value(&self, supplier: usize, lines: &[Placed]) -> Result<i64, OrderingError> {
        let mut value = 0_i64;
        for (row, placed) in self.assessed.iter().zip(lines) {
            let Some(sale) = row.sale.as_ref().filter(|sale| sale.supplier == supplier) else {
                continue;
            };
            let buying = Buying::on(&sale.offer.terms, self.question.settings.on);
            let money = buying.money_minor(placed.quantity);
            value = value.checked_add(money).ok_or(OrderingError::TooLarge)?;
        }
        Ok(value)
    }

    fn spent(&self, lines: &[Placed]) -> Result<i64, OrderingError> {
        let settings = self.question.settings;
        let mut spent = 0_i64;
        for (supplier, terms) in self.question.suppliers.iter().enumerate() {
            let value = self.value(supplier, lines)?;
            let with_freight = value.saturating_add(terms.freight_minor(value));
            let base = settings.to_base(with_freight, terms.currency)?;
            spent = spent.checked_add(base).ok_or(OrderingError::TooLarge)?;
        }
        Ok(spent)
    }

    /// Raises each order to its supplier's minimum, and to free freight where that wastes less than
    /// the freight costs. Where the budget can't pay all the minimums, names the supplier to leave.
    fn meet_minimums(
        &self,
        lines: &mut [Placed],
        budget: Option<i64>,
    ) -> Result<Option<usize>, OrderingError> {
        let first = lines.to_vec();
        for (supplier, terms) in self.question.suppliers.iter().enumerate() {
            let value = self.value(supplier, lines)?;
            let minimum = terms.minimum.map_or(0, |minimum| minimum.minor);
            if value == 0 {
                continue;
            }
            if value < minimum && !self.add(supplier, minimum - value, f64::INFINITY, lines)? {
                let missing = Money::new(minimum - value, terms.currency);
                self.mark_below(supplier, missing, lines);
            }
            if budget.is_some_and(|budget| self.spent(lines).is_ok_and(|spent| spent > budget)) {
                lines.clone_from_slice(&first);
                return Ok(Some(self.least_worth(lines)?.unwrap_or(supplier)));
            }
            self.reach_free_freight(supplier, lines, budget)?;
        }
        Ok(None)
    }

    /// Of the suppliers below their minimum the one whose lines keep the fewest boat-days.
    fn least_worth(&self, lines: &[Placed]) -> Result<Option<usize>, OrderingError> {
        let mut least: Option<(f64, usize)> = None;
        for (supplier, terms) in self.question.suppliers.iter().enumerate() {
            let value = self.value(supplier, lines)?;
            if value == 0 || value >= terms.minimum.map_or(0, |minimum| minimum.minor) {
                continue;
            }
            let own = self.assessed.iter().zip(lines).filter(|(row, placed)| {
                let from = row.sale.as_ref().is_some_and(|sale| sale.supplier == supplier);
                from && placed.quantity > 0
            });
            let kept: f64 = own.map(|(row, placed)| row.kept_by(placed.quantity)).sum();
            if least.is_none_or(|(fewest, _)| kept < fewest) {
                least = Some((kept, supplier));
            }
        }
        Ok(least.map(|(_, supplier)| supplier))
    }

    fn reach_free_freight(
        &self,
        supplier: usize,
        lines: &mut [Placed],
        budget: Option<i64>,
    ) -> Result<(), OrderingError> {
        let terms = &self.question.suppliers[supplier];
        let value = self.value(supplier, lines)?;
        let freight = terms.freight_minor(value);
        let Some(free_from) = terms.freight_free_from.filter(|_| freight > 0) else {
            return Ok(());
        };
        let before = lines.to_vec();
        self.add(supplier, free_from.minor - value, freight as f64, lines)?;
        if budget.is_some_and(|budget| self.spent(lines).is_ok_and(|spent| spent > budget)) {
            lines.clone_from_slice(&before);
        }
        Ok(())
    }

    fn mark_below(&self, supplier: usize, missing: Money, lines: &mut [Placed]) {
        for (row, placed) in self.assessed.iter().zip(lines) {
            if placed.quantity > 0
                && row.sale.as_ref().is_some_and(|sale| sale.supplier == supplier)
            {
                placed.below_minimum = Some(missing);
            }
        }
    }

    /// Adds the least useless packs worth `gap`; says whether that could be done for less than
    /// `most_useless`.
    fn add(
        &self,
        supplier: usize,
        gap: i64,
        most_useless: f64,
        lines: &mut [Placed],
    ) -> Result<bool, OrderingError> {
        let settings = self.question.settings;
        let mut candidates = Vec::new();
        for (part, row) in self.assessed.iter().enumerate() {
            let Some(sale) = row.sale.as_ref().filter(|sale| sale.supplier == supplier) else {
                continue;
            };
            let buying = Buying::on(&sale.offer.terms, settings.on);
            let mut quantity = lines[part].quantity;
            for _ in 0..ADDITIONS_A_LINE {
                let next = if quantity == 0 { buying.first() } else { quantity + buying.pack() };
                // A price break can make the next pack cheaper than nothing: it adds no value.
                let money = buying.money_minor(next) - buying.money_minor(quantity);
                let level = row.requirement.position.saturating_add(quantity as i64);
                let useless = row.uselessness(level, settings.holding_per_year);
                candidates.push(Addition {
                    line: part,
                    quantity: next - quantity,
                    money: money.max(0),
                    useless: useless * money.max(0) as f64,
                });
                quantity = next;
            }
        }
        let Some(chosen) = least_useless(&candidates, gap) else { return Ok(false) };
        let useless: f64 = chosen.iter().map(|place| candidates[*place].useless).sum();
        if useless >= most_useless {
            return Ok(false);
        }
        for place in chosen {
            let addition = &candidates[place];
            lines[addition.line].quantity += addition.quantity;
            lines[addition.line].added += addition.quantity;
        }
        Ok(true)
    }

    fn settle(&self, lines: Vec<Placed>) -> Result<PlacedOrders, OrderingError> {
        let settings = self.question.settings;
        let mut orders = Vec::new();
        let mut goods_minor = 0;
        for (supplier, terms) in self.question.suppliers.iter().enumerate() {
            let value = self.value(supplier, &lines)?;
            if value == 0 {
                continue;
            }
            goods_minor += settings.to_base(value, terms.currency)?;
            let mut added = 0;
            let mut below_minimum = None;
            for (row, placed) in self.assessed.iter().zip(&lines) {
                let Some(sale) = row.sale.as_ref().filter(|sale| sale.supplier == supplier) else {
                    continue;
                };
                let buying = Buying::on(&sale.offer.terms, settings.on);
                let own = placed.quantity - placed.added;
                added += buying.money_minor(placed.quantity) - buying.money_minor(own);
                below_minimum = below_minimum.or(placed.below_minimum);
            }
            orders.push(SupplierOrder {
                supplier,
                value: Money::new(value, terms.currency),
                freight: Money::new(terms.freight_minor(value), terms.currency),
                added: Money::new(added, terms.currency),
                below_minimum,
                order_by: None,
            });
        }
        let money_minor = self.spent(&lines)?;
        Ok(PlacedOrders { lines, orders, money_minor, goods_minor })
    }
}
