//! Kits beside their loose parts: where the advice could cover the same for less money.

use std::collections::HashMap;

use fleet::Money;
use fleet::id::PartId;
use fleet::part::{KitLine, Part};
use fleet::terms::Terms;
use ordering::{Advice, Buying, KitPart, PartToStock, kit_or_loose};
use serde_json::{Value, json};
use store::snapshot::Snapshot;

use super::refused;
use crate::error::RunError;

/// What is advised, and by part the terms that it is advised on.
pub struct Kits<'a> {
    pub snapshot: &'a Snapshot,
    pub asked: &'a [(&'a Part, PartToStock<'a>)],
    pub advice: &'a Advice,
    pub on: chrono::NaiveDate,
}

/// A part in the advice: how many, on which terms.
struct Advised<'a> {
    part: &'a Part,
    quantity: u64,
    terms: Option<&'a Terms>,
    /// Chance that one left over is used within a year.
    used: f64,
}

impl Kits<'_> {
    /// One row a kit where another mix of kits and loose parts costs less.
    pub fn rows(&self) -> Result<Vec<Value>, RunError> {
        let advised: HashMap<PartId, Advised<'_>> =
            self.asked.iter().enumerate().map(|(at, it)| (it.0.id, self.advised(at))).collect();
        let mut by_kit: HashMap<PartId, Vec<&KitLine>> = HashMap::new();
        for line in &self.snapshot.stores.kit_lines {
            by_kit.entry(line.kit).or_default().push(line);
        }
        let mut kits: Vec<_> = by_kit.into_iter().collect();
        kits.sort_unstable_by_key(|(kit, _)| *kit);
        let mut rows = Vec::new();
        for (kit, lines) in kits {
            if let Some(kit) = advised.get(&kit) {
                rows.extend(self.row(kit, &lines, &advised)?);
            }
        }
        Ok(rows)
    }

    fn advised(&self, at: usize) -> Advised<'_> {
        let (part, asked) = &self.asked[at];
        let line = &self.advice.lines[at];
        let terms = line.supplier.and_then(|supplier| {
            let offer = asked.offers.iter().find(|offer| offer.supplier == supplier);
            offer.map(|offer| &offer.terms)
        });
        let paths = asked.demand.paths();
        let months = asked.demand.months().min(12);
        let used = (0..paths)
            .filter(|path| asked.demand.path(*path)[..months].iter().any(|units| *units > 0))
            .count();
        Advised { part, quantity: line.quantity, terms, used: used as f64 / paths.max(1) as f64 }
    }

    fn row(
        &self,
        kit: &Advised<'_>,
        lines: &[&KitLine],
        advised: &HashMap<PartId, Advised<'_>>,
    ) -> Result<Option<Value>, RunError> {
        let Some(kit_terms) = kit.terms else { return Ok(None) };
        let (mut parts, mut of_lines) = (Vec::new(), Vec::new());
        let mut now = Buying::on(kit_terms, self.on).money_minor(kit.quantity);
        for line in lines {
            let loose = advised.get(&line.part);
            let same = |terms: &&Terms| terms.price.currency == kit_terms.price.currency;
            let terms = loose.and_then(|loose| loose.terms).filter(same);
            let bought = loose.map_or(0, |loose| loose.quantity);
            let Ok(in_kit) = u32::try_from(line.quantity) else { return Ok(None) };
            // A part bought in another money is left where it is.
            let bought = if terms.is_some() { bought } else { 0 };
            now += terms.map_or(0, |terms| Buying::on(terms, self.on).money_minor(bought));
            parts.push(KitPart {
                in_kit,
                needed: kit.quantity * u64::from(in_kit) + bought,
                loose: terms.cloned(),
                worth_left_over: loose.map_or(0.0, |loose| loose.used),
            });
            of_lines.push((line.part, bought));
        }
        let chosen = kit_or_loose(kit_terms, &parts, self.on).map_err(refused)?;
        let Some(chosen) = chosen else { return Ok(None) };
        let (saves, currency) = (now - chosen.money_minor, kit_terms.price.currency);
        if saves <= 0 || chosen.kits == kit.quantity {
            return Ok(None);
        }
        let loose: Vec<Value> = of_lines
            .iter()
            .zip(&chosen.loose)
            .map(|((part, advised), quantity)| {
                json!({ "part": part, "advised": advised, "quantity": quantity })
            })
            .collect();
        let reason = format!(
            "{} of kit {} and the rest as loose parts cost {} less than {} kits",
            chosen.kits,
            kit.part.number,
            Money::new(saves, currency),
            kit.quantity,
        );
        Ok(Some(json!({
            "kit": kit.part.id,
            "advised": kit.quantity,
            "kits": chosen.kits,
            "loose": loose,
            "money_minor": chosen.money_minor,
            "saves_minor": saves,
            "currency": currency.code(),
            "reason": reason,
        })))
    }
}
