//! Published and re-computed examples, each with its source; "constructed" instances were computed
//! twice by means that share no formula where the examples were collected.

use ordering::marginal::{Ladder, Rung, allocate, steps};
use ordering::{DemandPaths, LeadTimeDemand, LotProblem, Samples, SingleBuy, economic_quantity};

fn assert_close(got: f64, printed: f64, within: f64) {
    assert!((got - printed).abs() <= within, "{got} is not {printed}");
}

/// Cachon and Terwiesch, Matching Supply with Demand, newsvendor chapter (normal demand, mean 3192,
/// deviation 1181; price 180, cost 110, salvage 90), without rounding z.
#[test]
fn newsvendor_with_normal_demand() {
    let stakes = SingleBuy { underage: 70.0, overage: 20.0 };
    assert_close(stakes.critical_ratio().expect("money"), 7.0 / 9.0, 1e-12);
    let season = stakes.normal(3192.0, 1181.0).expect("a deviation");
    assert_close(season.quantity, 4_095.122_12, 1e-4);
    assert_close(season.lost, 151.009_47, 1e-4);
    assert_close(season.sold, 3_040.990_53, 1e-4);
    assert_close(season.left_over, 1_054.131_59, 1e-4);
    assert_close(season.profit, 191_786.705_6, 1e-2);
}

/// Constructed (Poisson mean 4.2; price 50, cost 30, salvage 8); method Hadley and Whitin (1963),
/// Analysis of Inventory Systems, ch. 6. The profits are of price less cost on what is sold.
#[test]
fn newsvendor_with_poisson_demand() {
    let stakes = SingleBuy { underage: 20.0, overage: 22.0 };
    let law = LeadTimeDemand::poisson(4.2).expect("a mean");
    assert_close(law.share_up_to(3), 0.395_403_37, 1e-8);
    assert_close(law.share_up_to(4), 0.589_827_02, 1e-8);
    let ratio = stakes.critical_ratio().expect("money");
    assert_eq!((0..).find(|units| law.share_up_to(*units) >= ratio), Some(4));
    // The same from samples: a hundred thousand draws at even levels.
    let mut samples = Vec::new();
    for units in 0..40_u32 {
        let level = |units: i64| (law.share_up_to(units) * 100_000.0).round() as usize;
        let count = level(i64::from(units)) - level(i64::from(units) - 1);
        samples.extend(std::iter::repeat_n(units, count));
    }
    let samples = Samples::new(samples);
    assert_eq!(stakes.quantity(&samples), Ok(4));
    for (quantity, printed) in [(3, 47.265_156_34), (4, 50.658_214_82), (5, 45.885_479_92)] {
        assert_close(stakes.outcome(&samples, quantity).profit, printed, 2e-3);
    }
}

/// Harris (1913), Factory, The Magazine of Management 10(2):135-136, 152: 1000 units a month,
/// set-up 2.00, unit cost 0.10, interest and depreciation 10 % a year; he prints 2190.
#[test]
fn economic_quantity_of_harris() {
    let quantity = economic_quantity(12_000.0, 2.0, 0.01).expect("costs");
    assert_close(quantity, 2_190.890_2, 1e-4);
    assert_close(economic_quantity(1200.0, 60.0, 2.5).expect("costs"), 240.0, 1e-9);
}

/// Constructed (lead-time demand Poisson 2.5, one for one, back orders); Feeney and Sherbrooke
/// (1966), Management Science 12:391-411.
#[test]
fn base_stock_with_poisson_demand() {
    let law = LeadTimeDemand::poisson(2.5).expect("a mean");
    let fill = [
        0.0,
        0.082_085_00,
        0.287_297_50,
        0.543_813_12,
        0.757_576_13,
        0.891_178_02,
        0.957_978_96,
        0.985_812_69,
        0.995_753_30,
    ];
    let back_orders = [
        2.5,
        1.582_085_00,
        0.869_382_49,
        0.413_195_61,
        0.170_771_74,
        0.061_949_76,
        0.019_928_72,
        0.005_741_41,
        0.001_494_72,
    ];
    for level in 0..=8 {
        let service = law.base_stock(level);
        assert_close(service.fill_rate, fill[level as usize], 1e-8);
        assert_close(service.back_orders, back_orders[level as usize], 1e-8);
        assert_close(service.on_hand, f64::from(level) - 2.5 + service.back_orders, 1e-12);
    }
    assert_eq!((law.base_stock_for(0.95), law.base_stock_for(0.90)), (Some(6), Some(6)));
    assert_eq!(law.base_stock_for(1.0), None);
}

/// Palm (1938), Ericsson Technics 44:1-189; Feeney and Sherbrooke (1966), Management Science
/// 12:391-411: failures 0.4 a day, repairs of any law with a mean of 5 days and no queue. Units in
/// repair are Poisson with mean 2, whatever the law of repairs.
#[test]
fn units_in_repair_follow_palms_theorem() {
    let in_repair = LeadTimeDemand::poisson(0.4 * 5.0).expect("a mean");
    let printed =
        [0.135_335_28, 0.270_670_57, 0.270_670_57, 0.180_447_04, 0.090_223_52, 0.036_089_41];
    for (units, chance) in (0..).zip(printed) {
        let share = in_repair.share_up_to(units) - in_repair.share_up_to(units - 1);
        assert_close(share, chance, 1e-8);
    }
    assert_close(1.0 - in_repair.share_up_to(3), 0.142_876_54, 1e-8);
    // The shelf that is owed nothing in 95 cases of 100 keeps one for each unit in repair.
    let owed = 1.0 - in_repair.share_up_to(4);
    assert!(owed > 0.05 && 1.0 - in_repair.share_up_to(5) < 0.05, "{owed}");
}

/// The second part of the theorem: not the law of repairs, only its mean counts. Repairs all of one
/// length and repairs of 1 or 9 days lead to the same shares, by simulation of 40 000 days.
#[test]
fn the_law_of_repairs_does_not_matter_to_palm() {
    use rand::{RngExt, SeedableRng};
    let simulated = |repair: fn(f64) -> f64| {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let (mut day, mut until) = (0.0_f64, Vec::<f64>::new());
        let (mut looks, mut none) = (0_u32, 0_u32);
        let mut next_look = 100.0;
        while day < 40_000.0 {
            day += -(1.0 - random.random::<f64>()).ln() / 0.4;
            while next_look < day {
                until.retain(|end| *end > next_look);
                looks += 1;
                none += u32::from(until.is_empty());
                next_look += 1.0;
            }
            until.push(day + repair(random.random::<f64>()));
        }
        f64::from(none) / f64::from(looks)
    };
    // Standard error of a share of 0.135 over some 4 000 independent looks: 0.0054.
    for share in [simulated(|_| 5.0), simulated(|u| if u < 0.5 { 1.0 } else { 9.0 })] {
        assert_close(share, 0.135_335_28, 0.0165);
    }
}

/// Constructed (rate 2 a day, lead time 3 days, point 8, quantity 5); Hadley and Whitin (1963),
/// ch. 4; Zipkin (2000), Foundations of Inventory Management, ch. 6.
#[test]
fn order_point_with_poisson_demand() {
    let law = LeadTimeDemand::poisson(6.0).expect("a mean");
    let service = law.order_point(8, 5).expect("a quantity");
    assert_close(service.fill_rate, 0.938_354_621, 1e-8);
    assert_close(service.back_orders, 0.058_744_833, 1e-8);
    assert_close(service.on_hand, 5.058_744_833, 1e-8);
    assert_close(law.share_up_to(8), 0.847_237_494, 1e-8);
}

/// Constructed (negative binomial, size 3, mean 6, variance 18; point 8, quantity 5); formulas as
/// above.
#[test]
fn order_point_with_negative_binomial_demand() {
    let law = LeadTimeDemand::negative_binomial(3.0, 6.0).expect("a mean");
    let service = law.order_point(8, 5).expect("a quantity");
    assert_close(service.fill_rate, 0.852_268_720, 1e-8);
    assert_close(service.back_orders, 0.442_201_876, 1e-8);
    assert_close(service.on_hand, 5.442_201_876, 1e-8);
    assert_close(law.share_up_to(8), 0.765_889_346, 1e-8);
}

fn wagner_whitin() -> LotProblem {
    let demand = vec![69, 29, 36, 61, 61, 26, 34, 67, 45, 67, 79, 56];
    let setup = [85, 102, 102, 101, 98, 114, 105, 86, 119, 110, 98, 114].map(f64::from).to_vec();
    LotProblem::new(demand, setup, vec![1.0; 12]).expect("as many costs as demands")
}

fn ordered(orders: &[u64]) -> Vec<(usize, u64)> {
    let orders = orders.iter().enumerate().filter(|(_, quantity)| **quantity > 0);
    orders.map(|(period, quantity)| (period + 1, *quantity)).collect()
}

/// Wagner and Whitin (1958), Management Science 5:89-96, tables 1 and 3.
#[test]
fn dynamic_lot_size_of_wagner_and_whitin() {
    let problem = wagner_whitin();
    let plan = problem.cheapest();
    assert_close(plan.cost, 864.0, 1e-9);
    assert_eq!(ordered(&plan.orders), [(1, 98), (3, 97), (5, 121), (8, 112), (10, 67), (11, 135)]);
    assert_eq!(problem.cost_of(&plan.orders), Some(864.0));
    let printed =
        [85, 114, 186, 277, 348, 400, 469, 555, 600, 710, 789, 864].map(f64::from).to_vec();
    assert_eq!(problem.cheapest_by_length(), printed);
}

/// Silver and Meal (1973), Production and Inventory Management 14(2):64-74, its rule on the data of
/// Wagner and Whitin with the month's own set-up cost (constructed use); and Silver, Pyke and
/// Peterson (1998), Inventory Management and Production Planning and Scheduling, ch. 6.
#[test]
fn simple_rule_of_silver_and_meal() {
    let plan = wagner_whitin().silver_meal();
    assert_close(plan.cost, 913.0, 1e-9);
    assert_eq!(ordered(&plan.orders), [(1, 98), (3, 97), (5, 87), (7, 101), (9, 112), (11, 135)]);

    let demand = vec![10, 62, 12, 130, 154, 129, 88, 52, 124, 160, 238, 41];
    let problem = LotProblem::new(demand, vec![54.0; 12], vec![0.4; 12]).expect("lengths");
    let plan = problem.silver_meal();
    assert_close(plan.cost, 501.20, 1e-9);
    let printed = [(1, 84), (4, 130), (5, 283), (7, 140), (9, 124), (10, 160), (11, 279)];
    assert_eq!(ordered(&plan.orders), printed);
    assert_close(problem.cheapest().cost, 501.20, 1e-9);
}

/// Ladders of units against mean back orders.
fn ladders(items: &[(f64, i64)], most: u32) -> Vec<Ladder> {
    let ladder = |(mean, cost): &(f64, i64)| {
        let law = LeadTimeDemand::poisson(*mean).expect("a mean");
        let rung = |units: u32| Rung {
            quantity: u64::from(units),
            money: i64::from(units) * cost,
            lost: law.shortage(i64::from(units)),
        };
        Ladder { rungs: (0..=most).map(rung).collect(), supplier: 0 }
    };
    items.iter().map(ladder).collect()
}

/// Constructed (pipeline means and unit costs A 1.2 / 40, B 0.6 / 100, C 2.5 / 15); Sherbrooke
/// (1968), Operations Research 16:122-141; Fox (1966), Management Science 13:210-216.
#[test]
fn marginal_analysis_of_three_items() {
    let ladders = ladders(&[(1.2, 40), (0.6, 100), (2.5, 15)], 8);
    let path = [
        ([0, 0, 1], 15, 3.382_085_00),
        ([0, 0, 2], 30, 2.669_382_49),
        ([0, 0, 3], 45, 2.213_195_61),
        ([1, 0, 3], 85, 1.514_389_82),
        ([1, 0, 4], 100, 1.271_965_95),
        ([2, 0, 4], 140, 0.934_593_22),
        ([2, 0, 5], 155, 0.825_771_24),
        ([2, 1, 5], 255, 0.374_582_88),
        ([3, 1, 5], 295, 0.254_069_97),
        ([3, 1, 6], 310, 0.212_048_94),
    ];
    let mut units = [0; 3];
    let mut spent = 0;
    let all = steps(&ladders);
    for (step, (stock, money, back_orders)) in all.iter().zip(path) {
        units[step.ladder] = step.to;
        spent += step.money;
        assert_eq!((units, spent), (stock, money));
        let bought = allocate(&ladders, &[], money);
        assert_eq!(bought.rungs, stock);
        assert_close(bought.lost, back_orders, 1e-7);
    }
    // The order of worth stops at 155 of 200, since B no longer fits; best is (3, 0, 5).
    let bought = allocate(&ladders, &[], 200);
    assert_eq!((bought.rungs.as_slice(), bought.money), (&[3, 0, 5][..], 195));
    assert_close(bought.lost, 0.705_258_34, 1e-7);
}

/// Constructed; Sherbrooke (1968), base pipelines taken as Poisson, which is his approximation: base
/// demand 0.2 and 0.3 a day, depot repair 10 days, order and ship 2 and 3 days, four spares at the
/// depot, one and two at the bases.
#[test]
fn back_orders_of_a_depot_reach_its_bases() {
    let depot = LeadTimeDemand::poisson(0.5 * 10.0).expect("a mean");
    let owed = depot.base_stock(4).back_orders;
    assert_close(owed, 1.436_843_56, 1e-7);
    let wait = owed / 0.5;
    let base = |rate: f64, ship: f64, level: u32| {
        let law = LeadTimeDemand::poisson(rate * (ship + wait)).expect("a mean");
        (law.mean(), law.base_stock(level).back_orders)
    };
    let (first, second) = (base(0.2, 2.0, 1), base(0.3, 3.0, 2));
    assert_close(first.0, 0.974_737_43, 1e-7);
    assert_close(second.0, 1.762_106_14, 1e-7);
    assert_close(first.1, 0.352_028_83, 1e-7);
    assert_close(second.1, 0.407_995_41, 1e-7);
}

#[test]
fn the_sum_of_month_quantiles_is_not_the_quantile_of_their_sum() {
    // Two months, each 0 or 10 with even chances, never both 10.
    let first_month = "2026-01-01".parse().expect("a date");
    let demand = DemandPaths::new(first_month, 2, vec![0, 10, 10, 0]).expect("paths");
    let month = |month: usize| Samples::new((0..2).map(|path| demand.path(path)[month]).collect());
    let sum = Samples::new((0..2).map(|path| demand.path(path).iter().sum()).collect());
    assert_eq!(month(0).quantile(0.9) + month(1).quantile(0.9), 20);
    assert_eq!(sum.quantile(0.9), 10);
}
