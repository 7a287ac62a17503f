use chrono::{DateTime, TimeZone, Utc};
use proptest::prelude::{prop, proptest};
use rstest::rstest;

use super::{Kind, LoadRow};
use crate::load::{
    AbsenceRow, BayRow, BoatRow, BookingRow, CalendarDayRow, CalendarRow, CurrencyRateRow,
    EngineRow, FindingKindRow, FindingRow, FittingRow, HireRow, KitRow, ModelRow, OrderRow,
    PartRow, PersonRow, PoolMinimumRow, PoolRow, ProgrammeRow, ReadingRow, ReceiptRow, ServiceRow,
    SitePriceRow, SiteRow, StandstillRow, StockRow, SupersessionRow, SupplierRow,
    SupplierSeasonRow, TaskPartRow, TaskRow, TermRow, TestFigureRow, TorqueRow,
};
use crate::table::{Faults, read_all};

fn now() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2026, 11, 25, 12, 0, 0).single().expect("a time")
}

fn load<T: LoadRow>(file: &str) -> Result<Vec<T>, Faults> {
    read_all(file.as_bytes(), T::COLUMNS, |row| T::parse(row, now()))
}

/// Parses a file as rows of a kind and says how many there were.
fn load_kind(kind: Kind, file: &str) -> Result<usize, Faults> {
    fn count<T: LoadRow>(file: &str) -> Result<usize, Faults> {
        assert_eq!(T::COLUMNS.len(), T::EXAMPLE.len(), "an example field for each column");
        load::<T>(file).map(|rows| rows.len())
    }
    match kind {
        Kind::Calendars => count::<CalendarRow>(file),
        Kind::CalendarDays => count::<CalendarDayRow>(file),
        Kind::Sites => count::<SiteRow>(file),
        Kind::SitePrices => count::<SitePriceRow>(file),
        Kind::Bays => count::<BayRow>(file),
        Kind::People => count::<PersonRow>(file),
        Kind::Absences => count::<AbsenceRow>(file),
        Kind::Pools => count::<PoolRow>(file),
        Kind::PoolMinimums => count::<PoolMinimumRow>(file),
        Kind::Boats => count::<BoatRow>(file),
        Kind::Models => count::<ModelRow>(file),
        Kind::Torques => count::<TorqueRow>(file),
        Kind::TestFigures => count::<TestFigureRow>(file),
        Kind::Engines => count::<EngineRow>(file),
        Kind::Fittings => count::<FittingRow>(file),
        Kind::Standstills => count::<StandstillRow>(file),
        Kind::Readings => count::<ReadingRow>(file),
        Kind::Bookings => count::<BookingRow>(file),
        Kind::Hire => count::<HireRow>(file),
        Kind::Parts => count::<PartRow>(file),
        Kind::Kits => count::<KitRow>(file),
        Kind::Supersessions => count::<SupersessionRow>(file),
        Kind::Tasks => count::<TaskRow>(file),
        Kind::Programme => count::<ProgrammeRow>(file),
        Kind::TaskParts => count::<TaskPartRow>(file),
        Kind::FindingKinds => count::<FindingKindRow>(file),
        Kind::Services => count::<ServiceRow>(file),
        Kind::Findings => count::<FindingRow>(file),
        Kind::CurrencyRates => count::<CurrencyRateRow>(file),
        Kind::Suppliers => count::<SupplierRow>(file),
        Kind::SupplierSeasons => count::<SupplierSeasonRow>(file),
        Kind::Terms => count::<TermRow>(file),
        Kind::Orders => count::<OrderRow>(file),
        Kind::Receipts => count::<ReceiptRow>(file),
        Kind::Stock => count::<StockRow>(file),
    }
}

#[test]
fn every_template_takes_its_own_example() {
    for kind in Kind::ALL {
        let template = kind.template();
        assert_eq!(load_kind(kind, &template), Ok(0), "{kind}: a template holds no row");
        let filled = format!("{template}{}\n", super::line(kind.example()));
        assert_eq!(load_kind(kind, &filled), Ok(1), "{kind}");
    }
}

#[test]
fn every_template_explains_every_column() {
    for kind in Kind::ALL {
        for column in kind.columns() {
            let explained = format!("# {}", column.name);
            assert!(kind.template().contains(&explained), "{kind}: {}", column.name);
            assert!(!column.about.is_empty(), "{kind}: {}", column.name);
        }
        assert_eq!(kind.name().parse(), Ok(kind));
    }
    assert_eq!("boat".parse::<Kind>().map_err(|error| error.rule()), Err("kind-unknown"));
}

/// The kind's example row with other values in some columns.
fn changed(kind: Kind, changes: &[(&str, &str)]) -> String {
    let names: Vec<_> = kind.columns().iter().map(|column| column.name).collect();
    let mut fields = kind.example().to_vec();
    for (name, value) in changes {
        let place = names.iter().position(|known| known == name).expect("a column of the kind");
        fields[place] = value;
    }
    format!("{}\n{}\n", super::line(&names), super::line(&fields))
}

#[rstest]
#[case::tomorrow(Kind::Readings, &[("read_at", "2026-11-28")], "read_at/in-the-future")]
#[case::in_an_hour(Kind::Readings, &[("read_at", "2026-11-25T13:00:01+00:00")], "read_at/in-the-future")]
#[case::hours_below_zero(Kind::Readings, &[("hours", "-1")], "hours/hours-negative")]
#[case::minutes_above_59(Kind::Readings, &[("hours", "12:60")], "hours/hours-unreadable")]
#[case::swap_without_old(Kind::Readings, &[("kind", "meter_replaced")], "hours_before/hours-before-a-swap")]
#[case::reading_with_old(Kind::Readings, &[("hours_before", "3")], "hours_before/hours-before-a-swap")]
#[case::unknown_word(Kind::Readings, &[("kind", "guess")], "kind/word-unknown")]
#[case::day_of_25_hours(Kind::Calendars, &[("monday", "25")], "monday/more-than-a-day")]
#[case::unknown_zone(Kind::Sites, &[("time_zone", "Mars/Base")], "time_zone/time-zone-unknown")]
#[case::season_reversed(Kind::Sites, &[("last_hire_on", "2026-01-01")], "last_hire_on/ends-before-it-begins")]
#[case::email_without_host(Kind::People, &[("email", "mara")], "email/not-an-email")]
#[case::skill_twice(Kind::People, &[("skills", "fuel;fuel")], "skills/named-twice")]
#[case::unknown_role(Kind::People, &[("role", "king")], "role/word-unknown")]
#[case::absence_reversed(Kind::Absences, &[("until_on", "2026-12-21")], "until_on/ends-before-it-begins")]
#[case::three_strokes(Kind::Models, &[("strokes", "3")], "strokes/word-unknown")]
#[case::premix_four_stroke(Kind::Models, &[("premix_ratio", "50")], "premix_ratio/premix-on-four-stroke")]
#[case::model_of_next_year(Kind::Models, &[("last_made_in", "2027")], "last_made_in/out-of-bounds")]
#[case::torque_reversed(Kind::Torques, &[("high_nm", "7")], "high_nm/range-reversed")]
#[case::torque_too_fine(Kind::Torques, &[("low_nm", "8.0005")], "low_nm/too-many-decimals")]
#[case::vacuum_above_zero(Kind::TestFigures, &[("test", "gearcase_vacuum")], "target_kpa/vacuum-sign")]
#[case::ceiling_below_target(Kind::TestFigures, &[("ceiling_kpa", "60")], "ceiling_kpa/ceiling-below-target")]
#[case::severity_zero(Kind::Engines, &[("severity", "0")], "severity/out-of-bounds")]
#[case::bought_in_future(Kind::Engines, &[("bought_on", "2027-01-01")], "bought_on/in-the-future")]
#[case::removed_before_fitted(Kind::Fittings, &[("removed_at", "2025-04-17")], "removed_at/ends-before-it-begins")]
#[case::back_before_out(Kind::Hire, &[("back_at", "2026-07-11 08:10")], "back_at/ends-before-it-begins")]
#[case::no_boats(Kind::Bookings, &[("boats", "0")], "boats/out-of-bounds")]
#[case::kit_of_itself(Kind::Kits, &[("part", "ND-PUMP-06")], "part/kit-loop")]
#[case::quantity_below_zero(Kind::Kits, &[("quantity", "-1")], "quantity/below-zero")]
#[case::quantity_of_a_fraction(Kind::Kits, &[("quantity", "1.5")], "quantity/not-whole")]
#[case::superseded_by_itself(Kind::Supersessions, &[("new_part", "ND-IMP-06")], "new_part/supersession-loop")]
#[case::task_contains_itself(Kind::Tasks, &[("contains", "Replace impeller")], "contains/task-loop")]
#[case::no_limb(Kind::Programme, &[("hours", ""), ("months", "")], "hours/interval-without-limb")]
#[case::interval_of_zero(Kind::Programme, &[("hours", "0")], "hours/not-above-zero")]
#[case::maker_without_model(Kind::Programme, &[("model", "")], "model/value-missing")]
#[case::parts_without_quantity(Kind::Programme, &[("parts", "ND-IMP-06")], "parts/quantities-unreadable")]
#[case::part_twice(Kind::Services, &[("parts", "A:1;A:2")], "parts/named-twice")]
#[case::done_tomorrow(Kind::Services, &[("done_on", "2026-12-01")], "done_on/in-the-future")]
#[case::no_title(Kind::Findings, &[("finding", "")], "title/value-missing")]
#[case::no_urgency(Kind::Findings, &[("finding", ""), ("title", "noise")], "urgency/value-missing")]
#[case::closed_without_date(Kind::Findings, &[("status", "closed")], "closed_at/closed-without-date")]
#[case::unknown_currency(Kind::Suppliers, &[("currency", "EUX")], "currency/currency-unknown")]
#[case::break_rises(Kind::Terms, &[("breaks", "10:9.90")], "breaks/break-price-rises")]
#[case::worst_below_median(Kind::Terms, &[("lead_days_worst", "11")], "lead_days_worst/worst-below-median")]
#[case::price_below_zero(Kind::Terms, &[("price", "-1")], "price/below-zero")]
#[case::cancelled_too_much(Kind::Orders, &[("cancelled", "41")], "cancelled/cancelled-above-ordered")]
#[case::draft_order(Kind::Orders, &[("status", "draft")], "status/order-not-sent")]
#[case::minimum_reversed(Kind::PoolMinimums, &[("until_on", "2026-06-30")], "until_on/ends-before-it-begins")]
#[case::minimum_below_zero(Kind::PoolMinimums, &[("boats", "-1")], "boats/out-of-bounds")]
#[case::standstill_reversed(Kind::Standstills, &[("until_on", "2026-10-11")], "until_on/ends-before-it-begins")]
#[case::price_of_what(Kind::SitePrices, &[("kind", "rain")], "kind/word-unknown")]
#[case::site_price_below_zero(Kind::SitePrices, &[("amount", "-1")], "amount/below-zero")]
#[case::price_without_basis(Kind::SitePrices, &[("basis", "")], "basis/value-missing")]
#[case::rate_to_itself(Kind::CurrencyRates, &[("to_currency", "GBP")], "to_currency/rate-to-itself")]
#[case::rate_of_nothing(Kind::CurrencyRates, &[("rate", "0")], "rate/not-above-zero")]
#[case::rate_too_fine(Kind::CurrencyRates, &[("rate", "1.1234567")], "rate/too-many-decimals")]
#[case::rate_too_large(Kind::CurrencyRates, &[("rate", "1000000.1")], "rate/out-of-bounds")]
#[case::rate_of_tomorrow(Kind::CurrencyRates, &[("on", "2026-11-28")], "on/in-the-future")]
#[case::stock_below_zero(Kind::Stock, &[("quantity", "-1")], "quantity/below-zero")]
#[case::date_without_lot(Kind::Stock, &[("lot", "")], "lot/lot-missing")]
#[case::past_its_label_when_it_came(Kind::Stock, &[("expires_on", "2026-01-31")],
    "expires_on/received-expired")]
#[case::cured_long_ago(Kind::Stock, &[("cured_on", "1994-09-30")], "cured_on/cure-quarter-long-ago")]
#[case::used_without_donor(Kind::Stock, &[("condition", "used")], "donor/used-without-donor")]
fn each_rule_of_a_row_is_named_with_its_column(
    #[case] kind: Kind,
    #[case] changes: &[(&str, &str)],
    #[case] expected: &str,
) {
    let faults = load_kind(kind, &changed(kind, changes)).expect_err("a rule is broken");
    let broken: Vec<_> =
        faults.faults().iter().map(|fault| format!("{}/{}", fault.column, fault.rule)).collect();
    assert_eq!(broken, [expected]);
}

#[test]
fn the_last_good_values_are_taken() {
    for (kind, changes) in [
        (Kind::Readings, ("read_at", "2026-11-25T12:00:00+00:00")),
        (Kind::Readings, ("hours", "0")),
        (Kind::Calendars, ("monday", "24:00")),
        (Kind::Engines, ("severity", "2")),
        (Kind::Hire, ("back_at", "2026-07-11 08:11")),
        (Kind::Absences, ("until_on", "2026-12-22")),
        (Kind::Terms, ("breaks", "10:9.80")),
        (Kind::Orders, ("cancelled", "40")),
        (Kind::Stock, ("quantity", "0")),
        (Kind::PoolMinimums, ("until_on", "2026-07-01")),
        (Kind::PoolMinimums, ("boats", "0")),
        (Kind::Standstills, ("until_on", "2026-10-12")),
        (Kind::SitePrices, ("amount", "0")),
        (Kind::CurrencyRates, ("rate", "0.000001")),
        (Kind::CurrencyRates, ("rate", "1000000")),
        (Kind::Services, ("done_on", "2026-11-26")),
    ] {
        assert_eq!(load_kind(kind, &changed(kind, &[changes])), Ok(1), "{kind} {changes:?}");
    }
}

#[test]
fn a_row_reads_into_its_units() {
    let models: Vec<ModelRow> = load(&changed(Kind::Models, &[])).expect("a model");
    assert_eq!((models[0].power_watts, models[0].gear_oil_ml), (Some(4_400), Some(150)));
    let pools: Vec<PoolRow> = load(&changed(Kind::Pools, &[])).expect("a pool");
    assert_eq!((pools[0].severity_percent, pools[0].running_factor_permille), (50, Some(350)));
    let rates: Vec<CurrencyRateRow> = load(&changed(Kind::CurrencyRates, &[])).expect("a rate");
    assert_eq!(rates[0].rate_millionths, 1_152_500);
    let terms: Vec<TermRow> = load(&changed(Kind::Terms, &[])).expect("terms");
    assert_eq!(
        terms[0].breaks.iter().map(|(_, price)| price.minor).collect::<Vec<_>>(),
        [920, 840]
    );
    assert_eq!(terms[0].target_permille, Some(950));
    let services: Vec<ServiceRow> = load(&changed(Kind::Services, &[])).expect("a service");
    assert_eq!(services[0].parts, [("ND-IMP-06".to_owned(), 1), ("ND-GSK-12".to_owned(), 2)]);
}

#[test]
fn a_row_with_many_faults_lists_them_all() {
    let changes = [("read_at", "yesterday"), ("hours", "-3"), ("kind", "guess")];
    let faults = load_kind(Kind::Readings, &changed(Kind::Readings, &changes)).expect_err("faults");
    let columns: Vec<_> = faults.faults().iter().map(|fault| fault.column.as_str()).collect();
    assert_eq!(columns, ["read_at", "hours", "kind"]);
}

proptest! {
    #[test]
    fn any_values_in_any_kind_give_a_row_or_faults(
        which in 0..Kind::ALL.len(),
        place in 0..20_usize,
        value in "\\PC{0,20}|[0-9:;.,-]{0,20}",
    ) {
        let kind = Kind::ALL[which];
        let names: Vec<_> = kind.columns().iter().map(|column| column.name).collect();
        let mut fields = kind.example().to_vec();
        let place = place % fields.len();
        fields[place] = &value;
        let _ = load_kind(kind, &format!("{}\n{}\n", super::line(&names), super::line(&fields)));
    }

    #[test]
    fn any_fields_in_any_kind_give_a_row_or_faults(
        which in 0..Kind::ALL.len(),
        values in prop::collection::vec("[0-9a-z:;.,/ -]{0,12}", 20),
    ) {
        let kind = Kind::ALL[which];
        let names: Vec<_> = kind.columns().iter().map(|column| column.name).collect();
        let fields: Vec<_> = values.iter().take(names.len()).map(String::as_str).collect();
        let _ = load_kind(kind, &format!("{}\n{}\n", super::line(&names), super::line(&fields)));
    }
}
