//! What can be bought of a part, in stock units, and for what money.

use chrono::NaiveDate;
use fleet::Money;
use fleet::terms::{LeadTime, PreSeason, Terms};

/// Terms seen from the shelf on a day: quantities in stock units, money in minor units.
#[derive(Clone, Debug)]
pub struct Buying<'a> {
    terms: &'a Terms,
    window: Option<PreSeason>,
    pub lead: LeadTime,
}

impl<'a> Buying<'a> {
    /// Terms as they hold for an order placed on `on`. In a pre-season window that has a shipping
    /// day, the delivery takes at least until then.
    pub fn on(terms: &'a Terms, on: NaiveDate) -> Self {
        let window = terms.pre_season.filter(|window| window.is_open(on));
        let mut lead = terms.lead.on(on);
        if let Some(ships_from) = window.and_then(|window| window.ships_from) {
            let wait = u32::try_from((ships_from - on).num_days()).unwrap_or(0);
            lead.median_days = lead.median_days.saturating_add(wait);
            lead.worst_days = lead.worst_days.saturating_add(wait);
        }
        Self { terms, window, lead }
    }

    /// Discount of the window that is open, as a share of the price.
    pub fn discount(&self) -> f64 {
        self.window.map_or(0.0, |window| f64::from(window.discount_permille) / 1000.0)
    }

    fn unit_size(&self) -> u64 {
        u64::from(self.terms.unit_size.max(1))
    }

    /// Stock units in a pack: every quantity is a multiple of it.
    pub fn pack(&self) -> u64 {
        self.unit_size() * u64::from(self.terms.pack.max(1))
    }

    /// Least allowed quantity of at least `wanted` stock units; nothing for nothing.
    pub fn round_up(&self, wanted: u64) -> u64 {
        self.terms.round_up(wanted.div_ceil(self.unit_size())) * self.unit_size()
    }

    /// Least quantity that is not nothing.
    pub fn first(&self) -> u64 {
        self.round_up(1)
    }

    /// Price of one bought unit at a quantity.
    pub fn unit_price(&self, quantity: u64) -> Money {
        let price = self.terms.price_at(quantity / self.unit_size());
        self.window.map_or(price, |window| window.discounted(price))
    }

    /// What a quantity costs, in minor units; the largest amount there is where it does not fit.
    pub fn money_minor(&self, quantity: u64) -> i64 {
        let units = i64::try_from(quantity / self.unit_size()).unwrap_or(i64::MAX);
        self.unit_price(quantity).minor.saturating_mul(units)
    }

    /// Quantities at which the price falls, as they can be bought.
    pub fn break_quantities(&self) -> impl Iterator<Item = u64> {
        let unit = self.unit_size();
        self.terms.breaks.iter().map(move |step| self.round_up(u64::from(step.from) * unit))
    }

    /// The quantity to buy for `wanted`: rounded up, and further where more costs less in all
    /// (ten at 4.20 are cheaper than nine at 5.00).
    pub fn cheapest_covering(&self, wanted: u64) -> u64 {
        let rounded = self.round_up(wanted);
        if rounded == 0 {
            return 0;
        }
        let further = self.break_quantities().filter(|quantity| *quantity > rounded);
        further.fold(rounded, |best, quantity| {
            if self.money_minor(quantity) <= self.money_minor(best) { quantity } else { best }
        })
    }
}

#[cfg(test)]
mod tests {
    use fleet::Currency;
    use fleet::terms::parse_breaks;

    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    fn terms(price: &str, breaks: &str) -> Terms {
        let price = Money::parse(price, Currency::EUR).expect("a price");
        let breaks = parse_breaks(breaks, Currency::EUR).expect("breaks");
        Terms { breaks, ..Terms::plain(price, LeadTime::fixed(10)) }
    }

    #[test]
    fn oil_is_used_by_the_millilitre_and_bought_in_cartons() {
        let terms = Terms { unit_size: 350, pack: 12, ..terms("6.00", "") };
        let buying = Buying::on(&terms, day("2026-11-25"));
        assert_eq!(buying.round_up(1), 4_200);
        assert_eq!(buying.round_up(4_201), 8_400);
        assert_eq!(buying.money_minor(8_400), 24 * 600);
    }

    #[test]
    fn more_is_bought_where_it_costs_less() {
        let terms = terms("5.00", "10:4.20;50:4.10");
        let buying = Buying::on(&terms, day("2026-11-25"));
        // Eight cost 40.00 and nine 45.00; ten cost 42.00.
        let wanted = [0, 1, 8, 9, 10, 48, 49];
        assert_eq!(
            wanted.map(|wanted| buying.cheapest_covering(wanted)),
            [0, 1, 8, 10, 10, 48, 50]
        );
    }

    #[test]
    fn an_open_window_costs_less_and_ships_later() {
        let window = PreSeason {
            opens: day("2026-10-01"),
            closes: day("2026-12-10"),
            ships_from: Some(day("2027-01-25")),
            discount_permille: 100,
        };
        let terms = Terms { pre_season: Some(window), ..terms("5.00", "") };
        let open = Buying::on(&terms, day("2026-12-10"));
        assert_eq!((open.money_minor(3), open.lead.median_days), (1_350, 56));
        let closed = Buying::on(&terms, day("2026-12-11"));
        assert_eq!((closed.money_minor(3), closed.lead.median_days), (1_500, 10));
    }
}
