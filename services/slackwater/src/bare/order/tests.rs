use fleet::Currency;

use super::*;

const HEADER: &str = "part,month,mean,q05,q10,q20,q30,q40,q50,q60,q70,q80,q90,q95,q99,model";
/// Poisson, mean 2.5 and 5.0: at each level the smallest value that reaches it.
const MONTH: &str = "2.5,0,1,1,2,2,2,3,3,4,5,5,7";
const TWO_MONTHS: &str = "5,2,2,3,4,4,5,5,6,7,8,9,11";

fn forecast_of(part: &str, together: bool) -> String {
    let mut rows: String = ["2026-11", "2026-12", "2027-01"]
        .iter()
        .map(|month| format!("{part},{month},{MONTH},poisson\n"))
        .collect();
    if together {
        rows.push_str(&format!("{part},2026-11/P2M,{TWO_MONTHS},poisson\n"));
    }
    rows
}

const TERMS: &str = "part,supplier,lead_days,price,currency,pack,supplier_minimum,policy,target\n";

fn rows(
    forecast: &str,
    stock: &str,
    terms: &str,
    budget: Option<i64>,
) -> Result<Vec<[String; 9]>, CommandError> {
    let forecasts = forecast::read(format!("{HEADER}\n{forecast}").as_bytes()).unwrap();
    let stock = stock::read(format!("part,on_hand,on_order,due_on\n{stock}").as_bytes()).unwrap();
    let sellers = terms::read(format!("{TERMS}{terms}").as_bytes()).unwrap();
    let budget = budget.map(|minor| Money::new(minor, Currency::EUR));
    advise_on("2026-11-01".parse().unwrap(), budget, &forecasts, stock, &sellers)
}

fn rules<T>(read: Result<T, Faults>) -> Vec<String> {
    let faults = read.err().map(|faults| faults.faults().to_vec()).unwrap_or_default();
    faults.iter().map(|fault| fault.rule.to_string()).collect()
}

/// Lead-time demand Poisson 2.5 (November): six for a fill rate of 0.95, which is 0.958. Feeney and
/// Sherbrooke (1966), Management Science 12:391-411.
#[test]
fn a_part_that_is_out_is_ordered_up_to_its_base_stock() {
    let advised =
        rows(&forecast_of("seal", true), "", "seal,North,30,5.00,EUR,,,,\n", None).unwrap();
    assert_eq!(advised.len(), 1);
    let [part, supplier, quantity, order_by, price, money, currency, fill, reason] = &advised[0];
    assert_eq!([part, supplier, quantity, order_by], ["seal", "North", "6", "2026-11-01"]);
    assert_eq!([price, money, currency], ["5.00", "30.00", "EUR"]);
    let fill: f64 = fill.parse().unwrap();
    assert!((fill - 0.958).abs() < 0.015, "{fill}");
    assert!(!reason.contains("independent"), "{reason}");
}

#[test]
fn months_without_their_sums_are_said_to_be_independent() {
    let advised =
        rows(&forecast_of("seal", false), "", "seal,North,30,5.00,EUR,4,,,\n", None).unwrap();
    assert_eq!(advised[0][2], "8");
    assert!(advised[0][8].contains("months taken as independent"), "{}", advised[0][8]);
}

#[test]
fn rows_follow_the_forecast_and_nothing_is_dropped() {
    let forecast = format!("{}{}", forecast_of("b", true), forecast_of("a", true));
    let terms = "c,North,30,5.00,EUR,,,,\na,North,30,5.00,EUR,,,,\n";
    let advised = rows(&forecast, "d,3,,\na,40,,\n", terms, None).unwrap();
    let parts: Vec<&str> = advised.iter().map(|row| row[0].as_str()).collect();
    assert_eq!(parts, ["b", "a", "c", "d"]);
    assert!(advised.iter().all(|row| row[2] == "0"));
    assert!(advised[0][8].contains("nobody is on record"), "{}", advised[0][8]);
    assert!(advised[2][8].contains("forecast does not name"), "{}", advised[2][8]);
}

#[test]
fn a_budget_is_kept() {
    let forecast = format!("{}{}", forecast_of("dear", true), forecast_of("cheap", true));
    let terms = "dear,North,30,90.00,EUR,,,,\ncheap,North,30,2.00,EUR,,,,\n";
    let advised = rows(&forecast, "", terms, Some(10_000)).unwrap();
    let quantities: Vec<&str> = advised.iter().map(|row| row[2].as_str()).collect();
    assert_eq!(quantities, ["1", "5"]);
    assert!(advised[0][8].contains("left out"), "{}", advised[0][8]);
}

#[test]
fn what_breaks_a_rule_is_named() {
    let of = |terms: &str| rules(terms::read(format!("{TERMS}{terms}").as_bytes()));
    assert_eq!(of("a,North,30,5.00,EUR,0,,,\n"), ["pack-zero"]);
    assert_eq!(of("a,North,30,0,EUR,,,,\n"), ["price-not-positive"]);
    assert_eq!(of("a,North,30,5.00,EUR,,,,\na,North,9,5.00,EUR,,,,\n"), ["part-supplier-twice"]);
    assert_eq!(of("a,North,30,5.00,EUR,,,,\nb,North,9,5.00,NOK,,,,\n"), ["currencies-mixed"]);
    let differing = "a,North,30,5.00,EUR,,100,,\nb,North,9,5.00,EUR,,200,,\n";
    assert_eq!(of(differing), ["supplier-terms-differ"]);
    assert_eq!(of("a,North,30,5.00,EUR,,,fill_rate,1.5\n"), ["not-a-share"]);
    let breaks = "part,supplier,lead_days,price,currency,breaks\na,North,3,5.00,EUR,";
    let of_breaks = |list: &str| rules(terms::read(format!("{breaks}{list}\n").as_bytes()));
    assert_eq!(of_breaks("50:3.90;10:4.20"), ["breaks-out-of-order"]);
    assert_eq!(of_breaks("10:5.20"), ["break-price-rises"]);
    assert!(of_breaks("10:4.20;50:3.90").is_empty());

    let of = |rows: &str| rules(forecast::read(format!("{HEADER}\n{rows}").as_bytes()));
    let month = |month: &str| format!("a,{month},{MONTH},x\n");
    assert_eq!(of(&month("2026-13")), ["not-a-month"]);
    assert_eq!(of(&month("2026-11/P0M")), ["not-a-month"]);
    assert_eq!(of(&[month("2026-11"), month("2027-01")].concat()), ["month-missing"]);
    assert_eq!(of(&[month("2026-11"), month("2026-11")].concat()), ["part-month-twice"]);
    assert_eq!(of(&[month("2026-11"), month("2026-12/P2M")].concat()), ["months-together-start"]);
    assert_eq!(of("a,2026-11,2.5,3,1,1,2,2,2,3,3,4,5,5,7,x\n"), ["quantiles-fall"]);
    assert_eq!(rules(stock::read("part,on_hand\na,-1\n".as_bytes())), ["below-zero"]);
}
