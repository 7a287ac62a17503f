//! Advice for a long parts list: `cargo bench -p ordering`.

use divan::Bencher;
use fleet::terms::{LeadTime, OrderTerms, Terms};
use fleet::{Currency, Money};
use ordering::{
    DemandPaths, MonthsDrawn, Offer, PartToStock, Policy, Question, Settings, ShelfLot, Supply,
    advise,
};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Gamma, Poisson};

const PARTS: usize = 20_000;
const PATHS: usize = 200;
const MONTHS: usize = 24;
const SUPPLIERS: usize = 12;

fn main() {
    divan::main();
}

/// Parts from one in two years to some hundred a month; a path's rate is uncertain, so months hang
/// together.
fn demands() -> Vec<DemandPaths> {
    let first_month = "2026-12-01".parse().expect("a date");
    let draw = |part: usize| {
        let mut random = ChaCha8Rng::seed_from_u64(7);
        random.set_stream(part as u64);
        let mean = 0.04 * 1.45_f64.powi((part % 24) as i32);
        let rate = Gamma::new(2.0, mean / 2.0).expect("a law");
        let mut values = Vec::with_capacity(PATHS * MONTHS);
        for _ in 0..PATHS {
            let law = Poisson::new(rate.sample(&mut random).max(1e-9)).expect("a law");
            values.extend((0..MONTHS).map(|_| law.sample(&mut random) as u32));
        }
        DemandPaths::new(first_month, MONTHS, values).expect("paths")
    };
    (0..PARTS).map(draw).collect()
}

fn part(demand: &DemandPaths, place: usize) -> PartToStock<'_> {
    let price = Money::new(150 + 37 * (place as i64 % 400), Currency::EUR);
    let lead = LeadTime { median_days: 7 + place as u32 % 40, worst_days: 50 + place as u32 % 70 };
    let terms = Terms { pack: 1 + place as u32 % 10, ..Terms::plain(price, lead) };
    let supplier = place % SUPPLIERS;
    let policy = match place % 3 {
        0 => Policy::FillRate { target: 0.95 },
        1 => Policy::CycleService { target: 0.9 },
        _ => Policy::BoatDays { most_lost: None },
    };
    let expires_on = place.is_multiple_of(5).then(|| "2027-06-30".parse().expect("a date"));
    let quantity = place as u32 % 7;
    PartToStock {
        stream: place as u64,
        demand,
        months: MonthsDrawn::Jointly,
        unit: "",
        issue_size: 1,
        supply: Supply { lots: vec![ShelfLot { quantity, expires_on }], ..Supply::default() },
        dated_needs: Vec::new(),
        offers: vec![Offer { supplier, terms, review_days: 30, order_cost_minor: 500 }],
        policy,
        boat_days_per_unit: 1.0 + (place % 4) as f64,
        shelf_life_days: None,
    }
}

fn advise_on(bencher: Bencher<'_, '_>, budget: Option<Money>) {
    let demands = demands();
    let parts: Vec<_> =
        demands.iter().enumerate().map(|(place, demand)| part(demand, place)).collect();
    let order = OrderTerms {
        currency: Currency::EUR,
        minimum: Some(Money::new(50_000, Currency::EUR)),
        freight: Some(Money::new(1_500, Currency::EUR)),
        freight_free_from: None,
    };
    let on = "2026-12-01".parse().expect("a date");
    let settings = Settings { budget, ..Settings::on(on, Currency::EUR) };
    let suppliers = [order; SUPPLIERS];
    let question = Question { parts: &parts, suppliers: &suppliers, settings: &settings };
    bencher.bench_local(|| advise(question).expect("advice"));
}

/// 20,000 parts, 200 joint paths of 24 months each, 12 suppliers.
#[divan::bench(sample_count = 3, sample_size = 1)]
fn twenty_thousand_parts(bencher: Bencher<'_, '_>) {
    advise_on(bencher, None);
}

/// The same under a budget: one point of the curve of money against boat-days.
#[divan::bench(sample_count = 3, sample_size = 1)]
fn twenty_thousand_parts_under_a_budget(bencher: Bencher<'_, '_>) {
    advise_on(bencher, Some(Money::new(100_000_000, Currency::EUR)));
}
