//! What a model's fasteners, tests and fillings take, as its card shows them: each with its source.

use fleet::engine::{EngineModel, TestFigure, TestKind, Torque};

use crate::figures::count;

#[derive(Clone, Debug)]
pub struct Figures {
    pub model: String,
    pub rows: Vec<Figure>,
    pub says: String,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Figure {
    pub what: String,
    pub figure: String,
    pub source: String,
}

pub fn figures(model: &EngineModel, torques: &[Torque], tests: &[TestFigure]) -> Figures {
    let mut rows: Vec<Figure> = torques.iter().map(torque).collect();
    rows.sort_by(|a, b| a.what.cmp(&b.what));
    rows.extend(tests.iter().map(test));
    rows.extend(fillings(model));
    let name = format!("{} {}", model.maker, model.name);
    let missing: Vec<&str> = [("torque", torques.is_empty()), ("test figure", tests.is_empty())]
        .into_iter()
        .filter_map(|(what, none)| none.then_some(what))
        .collect();
    let edition = model.manual_edition.as_ref();
    let manual = edition.map_or_else(String::new, |edition| format!(", {edition}"));
    let mut says = String::new();
    if !missing.is_empty() {
        says = format!("No {} is on record for this model. ", missing.join(" and no "));
    }
    says.push_str(&format!(
        "The maker's manual for the {name}{manual} comes first: where it says otherwise, keep to it, \
         and note what differed and why."
    ));
    Figures { model: name, rows, says }
}

/// A thousandth's figure without zeros that say nothing.
fn thousandths(value: i32) -> String {
    let text = format!("{:.3}", f64::from(value) / 1_000.0);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn torque(torque: &Torque) -> Figure {
    let Torque { low_mnm: low, high_mnm: high, .. } = *torque;
    let figure = if low == high {
        format!("{} N·m", thousandths(low))
    } else {
        format!("{} to {} N·m", thousandths(low), thousandths(high))
    };
    Figure { what: format!("Torque: {}", torque.fastener), figure, source: torque.source.clone() }
}

fn test(test: &TestFigure) -> Figure {
    let what = match test.kind {
        TestKind::GearcasePressure => "Gearcase under pressure",
        TestKind::GearcaseVacuum => "Gearcase under vacuum",
        TestKind::Compression => "Cylinder compression",
    };
    let kpa = |pascals: i32| format!("{} kPa", thousandths(pascals));
    let mut says = vec![kpa(test.target_pa)];
    says.extend(test.ceiling_pa.map(|ceiling| format!("never above {}", kpa(ceiling))));
    if test.hold_seconds > 0 {
        let shafts = if test.shafts_turned { ", shafts turned" } else { "" };
        says.push(format!("hold {}{shafts}", held(test.hold_seconds)));
    }
    says.extend(test.drop_max_pa.map(|drop| match drop {
        0 => "no drop".to_owned(),
        drop => format!("at most {} lost", kpa(drop)),
    }));
    Figure { what: what.to_owned(), figure: says.join("; "), source: test.source.clone() }
}

fn held(seconds: i32) -> String {
    match (seconds / 60, seconds % 60) {
        (minutes, 0) if minutes > 0 => format!("{minutes} min"),
        _ => count(usize::try_from(seconds).unwrap_or(0), "second", "seconds"),
    }
}

fn fillings(model: &EngineModel) -> Vec<Figure> {
    let oil = |what: &str, grade: &Option<String>, millilitres: Option<i32>| {
        let quantity = millilitres.map(|quantity| format!("{quantity} mL"));
        let said: Vec<String> = quantity.into_iter().chain(grade.clone()).collect();
        (!said.is_empty()).then(|| Figure {
            what: what.to_owned(),
            figure: said.join(" of "),
            source: model.source.clone(),
        })
    };
    let gear = oil("Gear oil", &model.gear_oil_grade, model.gear_oil_ml);
    let engine = oil("Engine oil", &model.engine_oil_grade, model.engine_oil_ml);
    let premix = model.premix_ratio.map(|ratio| Figure {
        what: "Petrol to oil".to_owned(),
        figure: format!("{ratio} : 1"),
        source: model.source.clone(),
    });
    [gear, engine, premix].into_iter().flatten().collect()
}

#[cfg(test)]
mod tests {
    use fleet::engine::FuelSystem;
    use fleet::id::{ModelId, TestFigureId, TorqueId};

    use super::*;

    fn model() -> EngineModel {
        EngineModel {
            id: ModelId::fresh(),
            version: 1,
            maker: "Marrowby".to_owned(),
            name: "Ten".to_owned(),
            strokes: 2,
            power_watts: None,
            premix_ratio: Some(50),
            engine_oil_grade: None,
            engine_oil_ml: None,
            fuel_system: FuelSystem::Carburettor,
            gear_oil_grade: Some("SAE 90".to_owned()),
            gear_oil_ml: Some(280),
            last_made_in: None,
            manual_edition: Some("2nd printing".to_owned()),
            source: "manual, p. 12".to_owned(),
            archived: false,
        }
    }

    #[test]
    fn each_figure_stands_with_its_unit_and_source() {
        let model = model();
        let torque = Torque {
            id: TorqueId::fresh(),
            version: 1,
            model: model.id,
            fastener: "propeller nut".to_owned(),
            low_mnm: 14_500,
            high_mnm: 17_000,
            source: "manual, p. 40".to_owned(),
        };
        let test = TestFigure {
            id: TestFigureId::fresh(),
            version: 1,
            model: model.id,
            kind: TestKind::GearcasePressure,
            target_pa: 48_000,
            ceiling_pa: Some(50_000),
            hold_seconds: 300,
            drop_max_pa: Some(0),
            shafts_turned: true,
            source: "manual, p. 41".to_owned(),
        };
        let shown = figures(&model, &[torque], &[test]);
        let rows: Vec<_> = shown
            .rows
            .iter()
            .map(|row| (row.what.as_str(), row.figure.as_str(), row.source.as_str()))
            .collect();
        assert_eq!(
            rows,
            [
                ("Torque: propeller nut", "14.5 to 17 N·m", "manual, p. 40"),
                (
                    "Gearcase under pressure",
                    "48 kPa; never above 50 kPa; hold 5 min, shafts turned; no drop",
                    "manual, p. 41"
                ),
                ("Gear oil", "280 mL of SAE 90", "manual, p. 12"),
                ("Petrol to oil", "50 : 1", "manual, p. 12"),
            ]
        );
        assert!(shown.says.starts_with("The maker's manual for the Marrowby Ten, 2nd printing"));
    }

    #[test]
    fn what_is_not_on_record_is_said() {
        let shown = figures(&model(), &[], &[]);
        let says = "No torque and no test figure is on record for this model. ";
        assert!(shown.says.starts_with(says), "{}", shown.says);
    }
}
