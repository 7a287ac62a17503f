//! The advice as a buyer meets it: packs, dates, budgets, minimums, what goes bad.

use chrono::NaiveDate;
use fleet::terms::{LeadTime, OrderTerms, PreSeason, Terms, parse_breaks};
use fleet::{Currency, Money};
use ordering::{
    Advice, Arrival, DemandPaths, ExchangeRate, LeadTimeDemand, MonthsDrawn, Offer, OrderingError,
    PartToStock, Policy, Question, Settings, ShelfLot, SingleBuy, Supply, advise,
};
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Poisson};
use rstest::rstest;

fn day(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

fn euros(minor: i64) -> Money {
    Money::new(minor, Currency::EUR)
}

fn poisson(mean: f64) -> DemandPaths {
    let mut random = ChaCha8Rng::seed_from_u64(3);
    let law = Poisson::new(mean).expect("a law");
    let values = (0..2_000 * 12).map(|_| law.sample(&mut random) as u32).collect();
    DemandPaths::new(day("2026-11-01"), 12, values).expect("paths")
}

fn steady(a_month: u32) -> DemandPaths {
    DemandPaths::new(day("2026-11-01"), 12, vec![a_month; 12 * 50]).expect("paths")
}

fn terms(minor: i64, days: u32) -> Terms {
    Terms::plain(euros(minor), LeadTime::fixed(days))
}

fn part(demand: &DemandPaths, terms: Terms) -> PartToStock<'_> {
    PartToStock {
        stream: 1,
        demand,
        months: MonthsDrawn::Jointly,
        unit: "",
        issue_size: 1,
        supply: Supply::default(),
        dated_needs: Vec::new(),
        offers: vec![Offer { supplier: 0, terms, review_days: 0, order_cost_minor: 0 }],
        policy: Policy::FillRate { target: 0.95 },
        boat_days_per_unit: 1.0,
        shelf_life_days: None,
    }
}

fn stock(quantity: u32) -> Supply {
    Supply { lots: vec![ShelfLot { quantity, expires_on: None }], ..Supply::default() }
}

fn plain_supplier() -> OrderTerms {
    OrderTerms { currency: Currency::EUR, minimum: None, freight: None, freight_free_from: None }
}

fn settings() -> Settings {
    Settings::on(day("2026-11-01"), Currency::EUR)
}

fn ask(parts: &[PartToStock<'_>]) -> Advice {
    ask_under(parts, &[plain_supplier()], &settings()).expect("advice")
}

fn ask_under(
    parts: &[PartToStock<'_>],
    suppliers: &[OrderTerms],
    settings: &Settings,
) -> Result<Advice, OrderingError> {
    advise(Question { parts, suppliers, settings })
}

/// November has 30 days: a lead time of 30 sees one month's demand, Poisson 2.5. Feeney and
/// Sherbrooke (1966), Management Science 12:391-411: six for a fill rate of 0.95, which is 0.958.
#[test]
fn a_shelf_watched_daily_gets_the_base_stock() {
    let demand = poisson(2.5);
    let advice = ask(&[part(&demand, terms(500, 30))]);
    let closed = LeadTimeDemand::poisson(2.5).expect("a mean").base_stock(6);
    assert_eq!(advice.lines[0].quantity, 6);
    assert!((advice.lines[0].expected_fill_rate - closed.fill_rate).abs() < 0.01);
    assert!((advice.lines[0].boat_days_lost - closed.back_orders).abs() < 0.01);
}

#[rstest]
#[case::singly(1, 1, 6)]
#[case::in_packs(4, 1, 8)]
#[case::from_a_minimum(1, 9, 9)]
fn what_is_there_and_on_order_is_not_bought_again(
    #[case] pack: u32,
    #[case] minimum: u32,
    #[case] from_nothing: u64,
) {
    let demand = poisson(2.5);
    let terms = Terms { pack, minimum, ..terms(500, 30) };
    let quantity = |supply: Supply| {
        ask(&[PartToStock { supply, ..part(&demand, terms.clone()) }]).lines[0].quantity
    };
    assert_eq!(quantity(Supply::default()), from_nothing);
    assert_eq!(quantity(stock(6)), 0);
    let due = |on: &str| Supply {
        arrivals: vec![Arrival { quantity: 6, due_on: Some(day(on)) }],
        ..Supply::default()
    };
    assert_eq!(quantity(due("2026-11-20")), 0);
    // What comes after this order would is no help until then.
    assert_eq!(quantity(due("2026-12-20")), from_nothing);
    assert_eq!(quantity(Supply { reserved: 6, ..stock(12) }), 0);
}

/// A mean of 0.05 a month asks for two on a shelf that is watched daily, since
/// P(D = 0) = e^-0.05 = 0.951 is just short of 0.96. One keeps 0.95 x 0.6 boat-days a year, a second
/// one 0.03 x 0.6 = 0.03 or so: at 110.00 a boat-day and 20 % of 90.00 a year the first is worth
/// its 18.00, the second is not; of a part of 900.00 neither is.
#[rstest]
#[case::no_price_for_a_boat_day(None, 9_000, 2)]
#[case::the_second_is_not_worth_it(Some(11_000), 9_000, 1)]
#[case::neither_is(Some(11_000), 90_000, 0)]
#[case::both_are(Some(11_000), 100, 2)]
fn where_hardly_one_is_needed_each_is_weighed(
    #[case] boat_day_minor: Option<i64>,
    #[case] price_minor: i64,
    #[case] bought: u64,
) {
    let demand = poisson(0.05);
    let rare = PartToStock {
        policy: Policy::FillRate { target: 0.96 },
        ..part(&demand, terms(price_minor, 30))
    };
    let settings = Settings { boat_day_minor, ..settings() };
    let advice = ask_under(&[rare], &[plain_supplier()], &settings).expect("advice");
    let line = &advice.lines[0];
    assert_eq!(line.quantity, bought, "{}", line.reason);
    let weighed = line.reason.contains("a year to hold");
    assert_eq!(weighed, boat_day_minor.is_some(), "{}", line.reason);
    let held = line.reason.contains("the last of 2 kept saves");
    assert_eq!(held, weighed && bought == 2, "{}", line.reason);
    if bought == 0 {
        assert_eq!(line.next_order_on, None, "{}", line.reason);
        assert!(line.reason.contains("bought when one is needed"), "{}", line.reason);
    }
}

/// From one on average until the next delivery the fill rate is kept to, whatever it costs.
#[test]
fn a_part_that_is_needed_keeps_its_fill_rate() {
    let demand = poisson(2.5);
    let settings = Settings { boat_day_minor: Some(1), ..settings() };
    let dear = part(&demand, terms(500_000, 30));
    let advice = ask_under(&[dear], &[plain_supplier()], &settings).expect("advice");
    assert_eq!(advice.lines[0].quantity, 6);
}

#[test]
fn an_order_is_due_before_the_shelf_runs_out() {
    // Thirty a month, two months on the shelf, twenty days to deliver.
    let demand = steady(30);
    let watched = PartToStock {
        supply: stock(60),
        policy: Policy::CycleService { target: 0.95 },
        ..part(&demand, terms(500, 20))
    };
    let line = &ask(&[watched]).lines[0];
    let again = line.next_order_on.expect("in sight");
    assert_eq!((line.quantity, line.order_by), (0, None));
    // Sixty are gone at the end of December; less some days for the luck of single days.
    assert!(again > day("2026-11-28") && again <= day("2026-12-12"), "{again}");
    assert!(line.reason.contains("order again by"), "{}", line.reason);
}

#[test]
fn a_fluid_is_spoken_of_in_its_unit_and_pieces_are_counted() {
    let demand = steady(700);
    let oil = PartToStock { unit: "mL", issue_size: 350, ..part(&demand, terms(500, 14)) };
    let lines = ask(&[oil.clone(), PartToStock { unit: "", ..oil }]).lines;
    assert!(lines[0].reason.contains(" mL needed on average by"), "{}", lines[0].reason);
    assert!(lines[0].reason.contains("; 0 mL on hand"), "{}", lines[0].reason);
    assert!(!lines[1].reason.contains("mL"), "{}", lines[1].reason);
}

#[test]
fn what_is_needed_is_the_demand_whatever_is_on_order_or_goes_bad() {
    let demand = steady(3);
    let said = |supply| {
        let asked = PartToStock { supply, ..part(&demand, terms(500, 14)) };
        let reason = ask(&[asked]).lines.remove(0).reason;
        (reason.split(" needed on average").next().unwrap_or_default().to_owned(), reason)
    };
    let (alone, _) = said(stock(2));
    let late = vec![Arrival { due_on: Some(day("2027-01-10")), quantity: 5 }];
    let (with_order, reason) = said(Supply { arrivals: late, ..stock(2) });
    assert_eq!(with_order, alone, "{reason}");
    assert!(reason.contains("5 on order, 5 of it due later"), "{reason}");
    let bad_soon = ShelfLot { quantity: 2, expires_on: Some(day("2026-11-05")) };
    let (with_lot, reason) = said(Supply { lots: vec![bad_soon], ..Supply::default() });
    assert_eq!(with_lot, alone, "{reason}");
    assert!(reason.contains("2 on hand to go out of date by then"), "{reason}");
}

#[test]
fn what_goes_bad_unused_is_bought_anew() {
    let demand = steady(2);
    let old = |until: &str| Supply {
        lots: vec![ShelfLot { quantity: 20, expires_on: Some(day(until)) }],
        ..Supply::default()
    };
    let review = |supply| {
        let mut part = part(&demand, terms(500, 14));
        part.offers[0].review_days = 60;
        ask(&[PartToStock { supply, ..part }]).lines.remove(0)
    };
    assert_eq!(review(old("2028-12-31")).quantity, 0);
    let gone = review(old("2026-11-30"));
    assert!(gone.quantity > 0 && gone.quantity <= 6, "{}", gone.quantity);
    assert!((gone.overstock.expiring - 18.0).abs() < 1e-9);
    assert_eq!(gone.overstock.expiring_money, euros(9_000));
    let expired = review(old("2026-10-31"));
    assert_eq!(expired.overstock.expired, 20);
    assert!(expired.reason.contains("20 expired not counted"), "{}", expired.reason);
}

#[test]
fn dead_stock_and_overstock_are_named_in_money() {
    let (none, some) = (steady(0), steady(1));
    let lines = ask(&[
        PartToStock { supply: stock(9), ..part(&none, terms(400, 14)) },
        PartToStock { supply: stock(20), ..part(&some, terms(400, 14)) },
    ])
    .lines;
    assert!(lines[0].overstock.dead && !lines[1].overstock.dead);
    assert_eq!(lines[0].overstock.excess_money, euros(9 * 400));
    assert_eq!((lines[1].overstock.excess, lines[1].overstock.excess_money), (8, euros(8 * 400)));
}

#[test]
fn a_budget_goes_where_it_keeps_most_boat_days() {
    let (fast, slow) = (poisson(2.5), poisson(0.6));
    let policy = Policy::BoatDays { most_lost: None };
    let parts = [
        PartToStock { policy, ..part(&fast, terms(1_500, 30)) },
        PartToStock { policy, ..part(&slow, terms(10_000, 30)) },
    ];
    let spend = |minor| {
        let settings = Settings { budget: Some(euros(minor)), ..settings() };
        ask_under(&parts, &[plain_supplier()], &settings).expect("advice")
    };
    let mut before = f64::INFINITY;
    for budget in [0, 1_500, 6_000, 16_000, 30_000] {
        let advice = spend(budget);
        assert!(advice.money.minor <= budget);
        assert!(advice.chosen.lost <= before);
        before = advice.chosen.lost;
    }
    let quantities =
        |minor| spend(minor).lines.iter().map(|line| line.quantity).collect::<Vec<_>>();
    assert_eq!(quantities(4_500), [3, 0]);
    assert!(quantities(30_000)[1] >= 1);
    let curve = spend(0).curve;
    assert!(
        curve.windows(2).all(|pair| pair[1].money > pair[0].money && pair[1].lost < pair[0].lost)
    );
}

#[test]
fn a_suppliers_minimum_is_met_by_what_will_be_used() {
    let (used, unused) = (steady(4), steady(0));
    let parts =
        [part(&used, terms(500, 14)), PartToStock { stream: 2, ..part(&unused, terms(450, 14)) }];
    let supplier = OrderTerms { minimum: Some(euros(10_000)), ..plain_supplier() };
    let advice = ask_under(&parts, &[supplier], &settings()).expect("advice");
    assert!(advice.orders[0].value.minor >= 10_000);
    assert_eq!(advice.lines[1].quantity, 0);
    assert!(advice.lines[0].reason.contains("added to meet"), "{}", advice.lines[0].reason);
    // Where the budget is below the minimum nothing is ordered, and the line says why.
    let settings = Settings { budget: Some(euros(9_000)), ..settings() };
    let poor = ask_under(&parts, &[supplier], &settings).expect("advice");
    assert_eq!((poor.money.minor, poor.orders.len()), (0, 0));
    assert!(poor.lines[0].reason.contains("minimum does not fit"), "{}", poor.lines[0].reason);
}

#[test]
fn where_two_minimums_are_too_much_the_worthier_supplier_stays() {
    let (busy, quiet) = (poisson(9.0), poisson(0.5));
    let from = |supplier, demand| {
        let mut part = part(demand, terms(500, 30));
        part.offers[0].supplier = supplier;
        part
    };
    let supplier = OrderTerms { minimum: Some(euros(8_000)), ..plain_supplier() };
    let settings = Settings { budget: Some(euros(9_000)), ..settings() };
    for parts in [[from(0, &busy), from(1, &quiet)], [from(0, &quiet), from(1, &busy)]] {
        let busy_one = usize::from(parts[1].demand == &busy);
        let advice = ask_under(&parts, &[supplier; 2], &settings).expect("advice");
        assert_eq!(advice.orders.len(), 1);
        assert_eq!(advice.orders[0].supplier, busy_one);
    }
}

#[test]
fn freight_is_avoided_where_the_useless_part_is_smaller() {
    let demand = steady(20);
    let parts = [part(&demand, terms(500, 14))];
    let order = |freight: i64, free_from: i64| {
        let supplier = OrderTerms {
            freight: Some(euros(freight)),
            freight_free_from: Some(euros(free_from)),
            ..plain_supplier()
        };
        ask_under(&parts, &[supplier], &settings()).expect("advice").orders.remove(0)
    };
    assert_eq!(order(2_000, 8_000).freight.minor, 0);
    let paid = order(2, 9_000_000);
    assert_eq!((paid.freight.minor, paid.added.minor), (2, 0));
}

#[test]
fn an_order_that_costs_something_covers_months() {
    let demand = steady(10);
    let order = |order_cost_minor| {
        let mut part = part(&demand, terms(1_000, 14));
        part.offers[0].order_cost_minor = order_cost_minor;
        ask(&[part]).lines.remove(0)
    };
    let (free, dear) = (order(0), order(1_500));
    assert!(free.quantity <= 10);
    // Holding ten for a month costs 1.67: three months' lots are near the cheapest.
    assert!((20..=50).contains(&dear.quantity), "{}", dear.quantity);
}

#[test]
fn a_price_break_is_taken_where_it_pays_for_the_holding() {
    let demand = steady(10);
    let quantity = |breaks: &str| {
        let breaks = parse_breaks(breaks, Currency::EUR).expect("breaks");
        ask(&[part(&demand, Terms { breaks, ..terms(1_000, 14) })]).lines.remove(0).quantity
    };
    let plain = quantity("");
    assert_eq!(quantity("40:9.00"), 40);
    assert_eq!(quantity("40:9.90"), plain);
    assert_eq!(quantity("400:8.00"), plain);
}

#[test]
fn an_open_window_buys_ahead_as_far_as_the_discount_pays() {
    let demand = steady(10);
    let window = |discount_permille| PreSeason {
        opens: day("2026-10-01"),
        closes: day("2026-12-10"),
        ships_from: None,
        discount_permille,
    };
    let line = |discount| {
        let terms = Terms { pre_season: Some(window(discount)), ..terms(1_000, 14) };
        ask(&[PartToStock { supply: stock(8), ..part(&demand, terms) }]).lines.remove(0)
    };
    // Ten hundredths at twenty a year pay for half a year.
    let ten = line(100);
    assert!((50..=65).contains(&ten.quantity), "{}", ten.quantity);
    assert!(ten.order_by.expect("ordered") <= day("2026-12-10"));
    assert_eq!(ten.unit_price, euros(900));
    assert!(line(50).quantity < ten.quantity);
}

#[test]
fn a_season_is_bought_for_once() {
    let demand = steady(10);
    let policy = |underage, overage| Policy::Season {
        stakes: SingleBuy { underage, overage },
        until: day("2027-05-01"),
        closes: day("2026-12-10"),
    };
    let line =
        |policy| ask(&[PartToStock { policy, ..part(&demand, terms(1_000, 14)) }]).lines.remove(0);
    let bought = line(policy(9.0, 1.0));
    assert_eq!((bought.quantity, bought.order_by), (60, Some(day("2026-12-10"))));
}

#[test]
fn the_cheaper_of_two_suppliers_in_time_is_taken() {
    let demand = steady(10);
    let offer = |supplier, minor, days| Offer {
        supplier,
        terms: terms(minor, days),
        review_days: 30,
        order_cost_minor: 0,
    };
    let chosen = |supply: Supply, offers: Vec<Offer>| {
        let part = PartToStock { supply, offers, ..part(&demand, terms(1, 1)) };
        let suppliers = [plain_supplier(); 2];
        ask_under(&[part], &suppliers, &settings()).expect("advice").lines[0].supplier
    };
    let offers = || vec![offer(0, 1_000, 60), offer(1, 1_200, 5)];
    assert_eq!(chosen(stock(25), offers()), Some(0));
    // Nearly nothing left: sixty days are too late.
    assert_eq!(chosen(stock(4), offers()), Some(1));
    assert_eq!(chosen(stock(4), Vec::new()), None);
}

/// Ten a month, delivered within 30 days as a rule and 90 at the worst: what lasts until the usual
/// delivery is ordered in time, though the worst one would come too late.
#[rstest]
#[case::lasts_until_the_usual_delivery(15, false)]
#[case::short_before_it(5, true)]
#[case::lasts_until_the_worst(40, false)]
fn an_order_is_late_where_its_usual_delivery_comes_too_late(
    #[case] there: u32,
    #[case] late: bool,
) {
    let demand = steady(10);
    let terms = Terms::plain(euros(500), LeadTime { median_days: 30, worst_days: 90 });
    let line = &ask(&[PartToStock { supply: stock(there), ..part(&demand, terms) }]).lines[0];
    assert_eq!(line.late, late, "{}", line.reason);
}

#[test]
fn two_currencies_need_a_rate() {
    let demand = steady(10);
    let nok = Currency::parse("NOK").expect("a currency");
    let part = part(&demand, Terms::plain(Money::new(10_000, nok), LeadTime::fixed(14)));
    let supplier = OrderTerms { currency: nok, ..plain_supplier() };
    let parts = [part];
    let without = ask_under(&parts, &[supplier], &settings());
    assert_eq!(without.err().map(|error| error.rule()), Some("rate-missing"));
    let rate = ExchangeRate { currency: nok, in_base: 0.085, on: day("2026-10-30") };
    let with = Settings { rates: vec![rate], ..settings() };
    let advice = ask_under(&parts, &[supplier], &with).expect("advice");
    let line = &advice.lines[0];
    assert_eq!(line.money, Money::new(10_000 * line.quantity as i64, nok));
    assert_eq!(advice.money, euros((line.money.minor as f64 * 0.085).round() as i64));
}

#[test]
fn neighbours_and_threads_change_nothing() {
    let (one, other) = (poisson(2.5), poisson(7.0));
    let make = |stream, demand| PartToStock { stream, ..part(demand, terms(500, 20)) };
    let alone = ask(&[make(9, &one)]);
    let together = ask(&[make(4, &other), make(9, &one), make(5, &other)]);
    assert_eq!(alone.lines[0].reason, together.lines[1].reason);
    let threads = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a pool");
    let single = threads.install(|| ask(&[make(4, &other), make(9, &one), make(5, &other)]));
    assert_eq!(single, together);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_part_gets_an_answer_in_numbers(
        values in prop::collection::vec(0_u32..400, 24),
        on in 0_u32..200, hand in 0_u32..300, reserved in 0_u32..400, coming in 0_u32..50,
        lead in 0_u32..300, worse in 0_u32..200, review in 0_u32..120, pack in 1_u32..40,
        target in 0.0_f64..=1.0, kind in 0_usize..3, budget in prop::option::of(0_i64..2_000_000),
    ) {
        let demand = DemandPaths::new(day("2026-11-01"), 6, values).expect("paths");
        let terms = Terms {
            pack,
            ..Terms::plain(euros(730), LeadTime { median_days: lead, worst_days: lead + worse })
        };
        let mut asked = part(&demand, terms);
        asked.offers[0].review_days = review;
        asked.supply = Supply {
            lots: vec![
                ShelfLot { quantity: hand, expires_on: None },
                ShelfLot { quantity: hand / 3, expires_on: Some(day("2027-01-31")) },
            ],
            reserved,
            arrivals: vec![Arrival { quantity: coming, due_on: Some(day("2026-12-24")) }],
        };
        asked.policy = [
            Policy::FillRate { target },
            Policy::CycleService { target },
            Policy::BoatDays { most_lost: Some(target * 10.0) },
        ][kind];
        let on = day("2026-10-01") + chrono::Days::new(u64::from(on));
        let settings = Settings { budget: budget.map(euros), ..Settings::on(on, Currency::EUR) };
        let advice = ask_under(&[asked], &[plain_supplier()], &settings).expect("advice");
        let line = &advice.lines[0];
        prop_assert_eq!(line.quantity % u64::from(pack), 0);
        prop_assert!((0.0..=1.0).contains(&line.expected_fill_rate));
        prop_assert!(line.boat_days_lost.is_finite() && line.boat_days_lost <= line.boat_days_lost_without);
        prop_assert!(line.waiting_costs.iter().all(|cost| cost.is_finite() && *cost >= 0.0));
        prop_assert!(line.order_by.is_none_or(|day| day >= on));
        prop_assert_eq!(line.order_by.is_some(), line.quantity > 0);
        if let Some(budget) = budget {
            prop_assert!(advice.money.minor <= budget);
        } else if kind == 0 {
            prop_assert!(line.expected_fill_rate >= target - 1e-6, "{}", line.reason);
        }
    }
}
