//! Beginning: from nothing to a due list, by the files that the program itself explains.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use exchange::load::Kind;
use rstest::rstest;
use serde_json::Value;
use tests::program::Folder;

use crate::yard::small;

/// What the examples name beyond one another: other parts, other tasks.
fn named_beside(kind: Kind) -> Option<&'static str> {
    match kind {
        Kind::Parts => Some(
            "part,name,kind\nND-PUMP-06,pump kit,kit\nND-IMP-06B,impeller,part\n\
             ND-GSK-12,gasket,part\nND-SHAFT-06,shaft,part\n",
        ),
        Kind::Tasks => {
            Some("task,verb,minutes\nInspect impeller,check,5\nReseal gearcase,replace,120\n")
        }
        _ => None,
    }
}

/// In the order of `load --help`, each template with its own example row.
#[test]
fn every_template_s_example_loads_into_a_fresh_database() {
    let folder = Folder::begun();
    for kind in Kind::ALL {
        let template = folder.run(["load", kind.name(), "--template"]).good();
        let example = template.lines().find_map(|line| line.strip_prefix("# Example: "));
        if let Some(others) = named_beside(kind) {
            folder.must_load(kind.name(), others);
        }
        let filled = format!("{template}{}\n", example.expect("a template has an example"));
        let said = folder.must_load(kind.name(), filled);
        assert_eq!(said, format!("{kind}: 1 row read, 1 new, 0 there already.\n"));
    }
    let due = folder.run(["due", "--json"]).good();
    let due: Vec<Value> = serde_json::from_str(&due).expect("JSON");
    assert!(!due.is_empty(), "the examples are a fleet of one engine with a programme");
}

/// Who copies the file has everything: no log that belongs to it stays beside it.
#[test]
fn one_file_is_left_when_a_command_has_ended() {
    let folder = Folder::begun();
    folder.must_load("calendars", "calendar,monday,tuesday,wednesday,thursday,friday,saturday,sunday\nworkdays,8,8,8,8,8,0,0\n");
    folder.run(["due"]).good();
    let files = std::fs::read_dir(folder.path()).expect("a folder");
    let names: BTreeSet<String> = files
        .map(|file| file.expect("a file").file_name().to_string_lossy().into_owned())
        .collect();
    let log = names.iter().filter(|name| name.contains("-wal") || name.contains("-shm"));
    assert_eq!(log.count(), 0, "{names:?}");
    assert!(names.contains("slackwater.sqlite"), "{names:?}");
}

/// Engines of which nobody knows when they were last serviced: asked for over weeks, none overdue.
#[test]
fn a_yard_that_begins_from_nothing_gets_a_start_up_list() {
    let folder = small();
    let (mut engines, mut readings) = (
        String::from("serial,maker,model,pool,bought_on\n"),
        String::from("serial,read_at,hours\n"),
    );
    for number in 0..24 {
        // Writing to a String does not fail.
        let _ = writeln!(engines, "U-{number:02},Brattvik,B6,Dinghies,2021-05-01");
        let _ = writeln!(readings, "U-{number:02},2026-05-01,{}", 100 + 20 * number);
    }
    folder.must_load("engines", engines);
    folder.must_load("readings", readings);
    folder.must_load("tasks", "task,verb,minutes\nGear oil,replace,25\n");
    folder.must_load(
        "programme",
        "maker,model,task,hours,months,basis,source\nBrattvik,B6,Gear oil,100,12,maker,manual\n",
    );
    let due = folder.run(["due", "--json", "--on", "2026-06-01"]).good();
    let due: Vec<Value> = serde_json::from_str(&due).expect("JSON");
    let unknown: Vec<&Value> = due
        .iter()
        .filter(|row| row["engine"].as_str().is_some_and(|engine| engine.starts_with("U-")))
        .collect();
    assert_eq!(unknown.len(), 24);
    assert!(unknown.iter().all(|row| row["governing"] == "unknown"), "{unknown:?}");
    let weeks: BTreeSet<u64> =
        unknown.iter().filter_map(|row| row["start_up_week"].as_u64()).collect();
    assert!(weeks.len() >= 4, "spread over weeks: {weeks:?}");
    let most = weeks
        .iter()
        .map(|week| unknown.iter().filter(|row| row["start_up_week"] == *week).count())
        .max();
    assert!(most <= Some(6), "no week takes them all: {most:?}");
}

#[rstest]
#[case::no_command(&[], 2)]
#[case::unknown_command(&["forcast"], 2)]
#[case::unknown_kind(&["load", "boots", "boots.csv"], 2)]
#[case::file_missing_on_the_line(&["load", "boats"], 2)]
#[case::two_forms(&["due", "--json", "--csv"], 2)]
#[case::no_such_day(&["due", "--before", "2026-02-30"], 2)]
#[case::no_such_file(&["load", "boats", "nowhere.csv"], 1)]
#[case::no_such_pool(&["due", "--pool", "Nowhere"], 1)]
#[case::another_organisation(&["due", "--organisation", "Elsewhere"], 1)]
#[case::no_such_database(&["due", "--database", "nowhere.sqlite"], 1)]
#[case::help(&["--help"], 0)]
#[case::list(&["due"], 0)]
fn it_ends_with_the_code_that_the_help_tells(#[case] arguments: &[&str], #[case] code: i32) {
    let said = small().run(arguments);
    assert_eq!(said.code, code, "{said:?}");
    assert_eq!(
        said.err.is_empty(),
        code == 0,
        "what went wrong is said on standard error: {said:?}"
    );
}

#[test]
fn in_a_pipe_there_is_neither_colour_nor_progress() {
    let folder = small();
    let load = folder.load("readings", "serial,read_at,hours\nB-2,2026-05-02 18:00,9\n", &[]);
    let wrong = folder.load("readings", "serial,read_at,hours\nB-9,2026-05-02 18:00,9\n", &[]);
    let help = folder.run(["load", "--help"]);
    let usage = folder.run(["load", "boots", "x.csv"]);
    let due = folder.run(["due"]);
    for said in [load, wrong, help, usage, due] {
        for text in [&said.out, &said.err] {
            assert!(!text.contains(['\u{1b}', '\r']), "{said:?}");
        }
    }
}

#[test]
fn a_demo_asked_for_twice_is_one() {
    let folder = Folder::demo();
    let again = ["demo", "--no-serve", "--until", "2026-07-05", "--database", "slackwater.sqlite"];
    // What the tests' demo leaves out is made now.
    let said = folder.run(again).good();
    assert!(said.starts_with("Hollin Quay Boats is there already.\n"), "{said}");
    assert!(said.contains("Lay-up before"), "{said}");
    let before = folder.rows();
    let said = folder.run(again).good();
    assert!(!said.contains("Lay-up before"), "{said}");
    assert_eq!(folder.rows(), before);
}
