//! The due list as table, CSV and JSON, narrowed.

use serde_json::Value;
use tests::program::Folder;

const ON: [&str; 3] = ["due", "--on", "2026-07-06"];

fn json(folder: &Folder, further: &[&str]) -> Vec<Value> {
    let text = folder.run(ON.iter().chain(&["--json"]).chain(further)).good();
    serde_json::from_str(&text).expect("JSON")
}

/// Fields of a line of CSV; the demo's names hold no quotes.
fn fields(line: &str) -> Vec<String> {
    let (mut fields, mut quoted) = (vec![String::new()], false);
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            ',' if !quoted => fields.push(String::new()),
            c => fields.last_mut().expect("there is one").push(c),
        }
    }
    fields
}

fn shown(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

#[test]
fn table_csv_and_json_say_the_same() {
    let folder = Folder::demo();
    let rows = json(&folder, &[]);
    let csv = folder.run(ON.iter().chain(&["--csv"])).good();
    let table = folder.run(ON).good();
    let mut lines = csv.lines();
    let header = fields(lines.next().expect("a header"));
    let csv: Vec<Vec<String>> = lines.map(fields).collect();
    assert!(rows.len() > 400, "69 engines with some tasks each: {}", rows.len());
    assert_eq!(csv.len(), rows.len());
    assert_eq!(table.lines().count(), rows.len() + 1);
    for ((row, cells), line) in rows.iter().zip(&csv).zip(table.lines().skip(1)) {
        for (name, cell) in header.iter().zip(cells) {
            let value = &row[name];
            match name.as_str() {
                // Rounded where people read.
                "hours_left" | "share" | "probability_by" => {
                    let near = match (value.as_f64(), cell.parse::<f64>()) {
                        (Some(exact), Ok(rounded)) => (exact - rounded).abs() <= 0.05 + 1e-9,
                        (None, Err(_)) => cell.is_empty(),
                        _ => false,
                    };
                    assert!(near, "{name}: {value} and {cell}");
                }
                // Counted from one where people read.
                "start_up_week" => {
                    let week = value.as_u64().map(|week| (week + 1).to_string());
                    assert_eq!(week.unwrap_or_default(), *cell, "{name}");
                }
                _ => assert_eq!(shown(value), *cell, "{name}"),
            }
            assert!(line.contains(cell.as_str()), "{name} {cell} in {line}");
        }
    }
}

#[test]
fn the_list_is_narrowed_by_pool_site_and_day() {
    let folder = Folder::demo();
    let all = json(&folder, &[]);
    let narrowed = |further: &[&str], keeps: &dyn Fn(&Value) -> bool| {
        let expected: Vec<&Value> = all.iter().filter(|row| keeps(row)).collect();
        let found = json(&folder, further);
        assert!(!found.is_empty() && found.len() < all.len(), "{further:?}: {}", found.len());
        assert_eq!(found.iter().collect::<Vec<_>>(), expected, "{further:?}");
    };
    narrowed(&["--pool", "Tenders"], &|row| row["pool"] == "Tenders");
    narrowed(&["--site", "Saltersgate Pier"], &|row| row["site"] == "Saltersgate Pier");
    narrowed(&["--before", "2026-07-20"], &|row| {
        row["due_on"].as_str().is_some_and(|on| on <= "2026-07-20")
    });
    let none = folder.run(ON.iter().chain(&["--before", "2001-01-01"])).good();
    assert_eq!(none, "Nothing is due here.\n");
}
