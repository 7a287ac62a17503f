//! `slackwater gearcase`: leak tests of gearcases judged from a bare file.

use std::fs::File;
use std::io::Write;
use std::path::PathBuf;

use exchange::table::{Column, Refused, Row, TableWriter, read_all};
use fleet::gearcase::{GearcaseError, HoldKind, HoldReadings, HoldTest};

use crate::failure::CommandError;
use crate::output::write_whole;

/// Leak tests of gearcases: the drop corrected for temperature, and pass or not
///
/// Caution: pressure and vacuum can hurt. Stay at or below the figure in the engine maker's manual,
/// which always wins; cover your eyes; vent the hose before taking it off.
#[derive(Debug, clap::Args)]
pub struct GearcaseArgs {
    /// Tests as they were read, CSV
    #[arg(long, value_name = "FILE")]
    data: PathBuf,
    /// Where to write; standard output without it
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

const COLUMNS: [Column; 11] = [
    Column::required("test", "number or name of the test"),
    Column::required("kind", "pressure or vacuum"),
    Column::required("gauge_start_kpa", "gauge at the start, below 0 under vacuum"),
    Column::required("gauge_end_kpa", "gauge at the end"),
    Column::required("start_c", "temperature of the case at the start"),
    Column::required("end_c", "temperature of the case at the end"),
    Column::required("ambient_kpa", "pressure of the air around"),
    Column::required("hold_s", "seconds from start to end"),
    Column::required("gauge_division_kpa", "one division of the gauge"),
    Column::required("limit_kpa", "largest drop allowed, 0 where it must hold"),
    Column::required("shafts_turned", "whether all shafts were turned under test"),
];

const KINDS: [(&str, HoldKind); 2] =
    [("pressure", HoldKind::Pressure), ("vacuum", HoldKind::Vacuum)];

pub fn run(args: &GearcaseArgs) -> Result<(), CommandError> {
    let file = File::open(&args.data)
        .map_err(|cause| CommandError::File { file: args.data.clone(), cause })?;
    let tests = read_all(file, &COLUMNS, parse_test)
        .map_err(|faults| CommandError::Rows { file: args.data.clone(), faults })?;
    write_whole(args.out.as_deref(), |writer| write_results(writer, &tests))
}

fn write_results(writer: impl Write, tests: &[(String, HoldTest)]) -> std::io::Result<()> {
    let columns =
        ["test", "raw_drop_kpa", "corrected_drop_kpa", "uncertainty_kpa", "outcome", "reason"];
    let mut table = TableWriter::new(writer, &columns)?;
    for (name, test) in tests {
        let result = test.judge();
        let raw = write_kpa(result.raw_drop_kpa);
        let corrected = write_kpa(result.corrected_drop_kpa);
        let uncertainty = write_kpa(result.uncertainty_kpa);
        let outcome = result.outcome.as_str().replace('_', " ");
        table.row([name, &raw, &corrected, &uncertainty, &outcome, &result.reason])?;
    }
    table.finish().map(drop)
}

fn parse_test(row: &Row<'_>) -> Result<(String, HoldTest), Refused> {
    let test = row.text("test");
    let kind = row.one_of("kind", &KINDS);
    let gauge_start_kpa = row.decimal("gauge_start_kpa");
    let gauge_end_kpa = row.decimal("gauge_end_kpa");
    let start_c = row.decimal("start_c");
    let end_c = row.decimal("end_c");
    let ambient_kpa = row.positive("ambient_kpa");
    let hold_s = row.positive("hold_s");
    let gauge_division_kpa = row.positive("gauge_division_kpa");
    let limit_kpa = row.not_negative("limit_kpa");
    let shafts_turned = row.boolean("shafts_turned");
    let readings = HoldReadings {
        kind: kind?,
        gauge_start_kpa: gauge_start_kpa?,
        gauge_end_kpa: gauge_end_kpa?,
        temperatures_c: Some((start_c?, end_c?)),
        ambient_kpa: ambient_kpa?,
        hold_s: hold_s?,
        gauge_division_kpa: gauge_division_kpa?,
        limit_kpa: Some(limit_kpa?),
        shafts_turned: shafts_turned?,
    };
    let test = test?.to_owned();
    match HoldTest::new(readings) {
        Ok(hold) => Ok((test, hold)),
        Err(error) => Err(row.refuse(column_of(&error, &readings), error.rule(), &error)),
    }
}

/// The column a broken rule speaks of.
fn column_of(error: &GearcaseError, readings: &HoldReadings) -> &'static str {
    match *error {
        GearcaseError::TemperatureOutOfRange { value } => match readings.temperatures_c {
            Some((start, _)) if start == value => "start_c",
            _ => "end_c",
        },
        GearcaseError::BelowVacuum { gauge, .. } if gauge != readings.gauge_start_kpa => {
            "gauge_end_kpa"
        }
        GearcaseError::BelowVacuum { .. }
        | GearcaseError::WrongSide { .. }
        | GearcaseError::NotPossible { .. } => "gauge_start_kpa",
    }
}

/// Six decimals, a thousandth of a pascal, without a negative zero.
fn write_kpa(value: f64) -> String {
    format!("{:.6}", (value * 1e6).round() / 1e6 + 0.0)
}

#[cfg(test)]
mod tests;
