//! A part's forecast beside those before it: what changed, and last year's against what happened.

use demand::{Model, MonthChange};
use fleet::part::Unit;
use runs::check_forecast::Forecaster;
use runs::looking_back::{
    Changed, Contested, ContestedFleet, Origin, ReplayedMonth, Then, quantity_in,
};

use super::{MONTHS_PAST, expected, score_columns, score_row};
use crate::chart::fan::{self, Expected, Used};
use crate::chart::{Picture, Table};
use crate::figures::{capital, day, moment, month};
use crate::yard_records::Yard;

/// What changed since the forecast before.
#[derive(Clone, Debug, Default)]
pub struct ChangedShown {
    pub says: String,
    pub table: Table,
}

impl ChangedShown {
    pub fn of(yard: &Yard, changed: &Changed, unit: Unit) -> Self {
        let at = changed.since.finished_at.unwrap_or(changed.since.requested_at);
        let at = moment(at, yard.zone, yard.today);
        let says = match changed.changes.says(&quantity_in(unit)) {
            Some(says) => format!("Since the forecast of {at}: {says}."),
            None => format!("The forecast of {at} and this one have no whole month in common."),
        };
        let head = ["Month", "Was", "Is", "Planned", "On finding", "Unplanned"];
        let rows = changed.changes.months.iter().filter_map(|it| change_row(yard, it)).collect();
        Self { says, table: Table { head: head.map(str::to_owned).to_vec(), rows } }
    }
}

fn change_row(yard: &Yard, it: &MonthChange) -> Option<Vec<String>> {
    let (before, now) = (&it.before, &it.now);
    Some(vec![
        month(now.month.first_day()?, yard.today),
        format!("{:.1}", before.mean()),
        format!("{:.1}", now.mean()),
        signed(now.planned - before.planned),
        signed(now.on_finding - before.on_finding),
        signed(now.unplanned - before.unplanned),
    ])
}

/// `+1.5`, `−0.2`; nothing where nothing moved.
fn signed(by: f64) -> String {
    match by {
        by if by.abs() < 0.05 => "–".to_owned(),
        by if by > 0.0 => format!("+{by:.1}"),
        by => format!("−{:.1}", -by),
    }
}

/// A past forecast against what happened.
#[derive(Clone, Debug)]
pub struct ThenShown {
    pub says: String,
    /// Where the forecast comes from.
    pub origin: String,
    pub fan: Picture,
    pub scores_say: String,
    pub scores: Table,
}

impl ThenShown {
    /// `used` is all that is on record of the part. `None` where no month has passed.
    pub fn of(
        yard: &Yard,
        then: &Then,
        (name, unit): (&str, Unit),
        used: &[Used],
        fleet: Option<&ContestedFleet>,
    ) -> Option<Self> {
        let says = then.hindsight.says(&quantity_in(unit))?;
        let months: Vec<Expected> = then.months.iter().filter_map(of_month).collect();
        let first = months.first()?.month;
        let split = used.partition_point(|it| it.month < first);
        let before = &used[split.saturating_sub(MONTHS_PAST / 2)..split];
        let after = &used[split..];
        let contested = then.contested.as_ref();
        let scores_say = contested.and_then(|it| it.says(fleet));
        Some(Self {
            says: format!("{says}."),
            origin: origin(yard, then),
            fan: fan::draw_back("then", (name, unit), (before, after), &months, yard.today),
            scores_say: scores_say.map(|says| format!("{says}.")).unwrap_or_default(),
            scores: contested.map(scores).unwrap_or_default(),
        })
    }
}

fn origin(yard: &Yard, then: &Then) -> String {
    let on = day(then.stood_on, yard.today);
    match then.origin {
        Origin::Run(_) => format!("The forecast that was made on {on} and kept."),
        Origin::Replay => format!(
            "No forecast was kept so long ago. This is what the way of forecasting above says from \
             {on}, with only what was on record by then."
        ),
    }
}

fn of_month(it: &ReplayedMonth) -> Option<Expected> {
    expected(it.month, (it.planned, it.on_finding, it.unplanned), &it.quantiles)
}

fn scores(contested: &Contested) -> Table {
    let head = score_columns();
    let ours = score_row("Three streams together", &contested.three_streams);
    let name = |model: Model| capital(Forecaster::History(model).name());
    let theirs = contested.history.iter().map(|it| score_row(&name(it.model), &it.scores));
    Table { head, rows: std::iter::once(ours).chain(theirs).collect() }
}

#[cfg(test)]
mod tests {
    use super::signed;

    #[test]
    fn a_change_carries_its_sign_and_none_is_a_dash() {
        assert_eq!([1.26, -0.04, 0.04, -3.0].map(signed), ["+1.3", "–", "–", "−3.0"]);
    }
}
