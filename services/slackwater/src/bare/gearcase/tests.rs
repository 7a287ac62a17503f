use exchange::table::read_all;

use super::{COLUMNS, parse_test, write_results};

const HEADER: &str = "test,kind,gauge_start_kpa,gauge_end_kpa,start_c,end_c,ambient_kpa,hold_s,\
    gauge_division_kpa,limit_kpa,shafts_turned\n";

/// By hand: (69 + 101.325) · 291.15 / 293.15 − 101.325 = 67.837967 expected, 68 read.
#[test]
fn tests_are_judged_in_the_files_order() {
    let rows = "b,pressure,69,68,20,18,101.325,300,0.5,0,true\n\
        a,vacuum,-60,-60,20,20,101.325,300,0.5,3,no\n";
    let tests = read_all(format!("{HEADER}{rows}").as_bytes(), &COLUMNS, parse_test).unwrap();
    let mut out = Vec::new();
    write_results(&mut out, &tests).unwrap();
    let out = String::from_utf8(out).unwrap();
    let lines: Vec<&str> = out.lines().collect();
    assert_eq!(lines[0], "test,raw_drop_kpa,corrected_drop_kpa,uncertainty_kpa,outcome,reason");
    assert!(lines[1].starts_with("b,1.000000,-0.162033,0.540178,pass,"), "{}", lines[1]);
    assert!(lines[2].starts_with("a,0.000000,0.000000,0.367336,static only,"), "{}", lines[2]);
    assert_eq!(lines.len(), 3);
}

#[test]
fn every_impossible_reading_is_listed_by_line_and_column() {
    let rows = "1,pressure,-69,68,20,18,101.325,300,0.5,0,true\n\
        2,other,69,66,20,20,101.325,0,0.5,0,yes\n\
        3,vacuum,-60,-160,20,20,101.325,300,0.5,3,false\n\
        4,vacuum,-60,-60,20,200,101.325,300,0.5,3,false\n";
    let faults = read_all(format!("{HEADER}{rows}").as_bytes(), &COLUMNS, parse_test).unwrap_err();
    let listed: Vec<(u64, &str)> =
        faults.faults().iter().map(|fault| (fault.line, fault.column.as_str())).collect();
    let wanted =
        [(2, "gauge_start_kpa"), (3, "kind"), (3, "hold_s"), (4, "gauge_end_kpa"), (5, "end_c")];
    assert_eq!(listed, wanted);
}
