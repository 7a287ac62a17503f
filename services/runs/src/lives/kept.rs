//! What a life run keeps, as plain values: read by pages, API and command line.
//!
//! Ages in running hours, money in whole units of one currency.

use chrono::NaiveDate;
use fleet::Currency;
use fleet::id::{
    EngineId, IntervalId, ModelId, OrganisationId, PartId, PoolId, RunId, SiteId, TaskId,
};
use fleet::pool::Water;
use serde::{Deserialize, Serialize};
use store::{Connection, runs};

use crate::error::RunError;

/// Names of the two files of a life run.
pub const LIVES_FILE: &str = "lives.json";
pub const ENGINES_FILE: &str = "engines.json";

/// All parts whose lives are on record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LivesKept {
    pub on: NaiveDate,
    pub currency: Currency,
    /// Those with most failures first.
    pub items: Vec<ItemLives>,
}

/// The lives of one part, under all numbers that do the same on different models.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ItemLives {
    pub name: String,
    /// Its numbers, the most used first.
    pub parts: Vec<PartId>,
    /// The task that renews it, where one does.
    pub task: Option<TaskId>,
    pub task_name: Option<String>,
    /// Renewed where a look shows that it must be, so its failures are known to an interval.
    pub on_condition: bool,
    /// Renewals whose beginning is not on record: their lives are left out.
    pub left_out: usize,
    /// Renewals without a reason on record: taken as sound then.
    pub unknown_reason: usize,
    /// All together first, then by water, by model, by pool.
    pub groups: Vec<Group>,
    pub comparisons: Vec<Compared>,
    pub proposals: Vec<Proposal>,
}

/// By what lives are put together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "by", content = "id", rename_all = "snake_case")]
pub enum GroupOf {
    All,
    Water(Water),
    Model(ModelId),
    Pool(PoolId),
}

/// Lives of one part that are put together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Group {
    pub of: GroupOf,
    /// `in salt`, `on Quillon Q4`, `in Skiffs`; empty for all together.
    pub name: String,
    pub lives: usize,
    pub failures: usize,
    /// Failures whose age is known to an interval only.
    pub intervals: usize,
    /// `kaplan_meier` or `turnbull`.
    pub method: String,
    pub sentence: String,
    pub law: Option<Law>,
    pub mean_life: Option<f64>,
    /// Where there is no law: bounds of the mean life, and why there is no more.
    pub range: Option<MeanRange>,
    /// Age, and the share that lives beyond it.
    pub survival: Vec<(f64, f64)>,
    pub costs: Option<RenewalCosts>,
    pub cheapest: Option<Cheapest>,
}

/// A Weibull law and its 95 % bounds; `None` where the data set no such bound.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Law {
    pub shape: f64,
    pub shape_low: Option<f64>,
    pub shape_high: Option<f64>,
    pub scale: f64,
    pub scale_low: Option<f64>,
    pub scale_high: Option<f64>,
    /// Scale of the likeliest law at each bound of the shape.
    pub scale_at_shape_low: Option<f64>,
    pub scale_at_shape_high: Option<f64>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeanRange {
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub reason: String,
}

/// What one renewal costs, planned and after a failure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RenewalCosts {
    pub planned: f64,
    pub failure: f64,
    pub basis: String,
}

/// The age at which renewing costs least, money per running hour.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Cheapest {
    pub run_to_failure_rate: f64,
    /// `None`: planning a renewal saves nothing, and why stands in the sentence.
    pub best: Option<BestAge>,
    /// The best age at the bounds of the shape: what else the data allow.
    pub at_shape_low: Option<f64>,
    pub at_shape_high: Option<f64>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BestAge {
    pub age: f64,
    pub cost_rate: f64,
    /// Between these ages it costs at most a twentieth more.
    pub from: f64,
    pub to: Option<f64>,
}

/// Whether the lives of several groups differ.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Compared {
    /// `water`, `model` or `pool`.
    pub by: String,
    pub statistic: f64,
    pub degrees_of_freedom: usize,
    pub p: f64,
    pub sentence: String,
}

/// What the lives say of an interval of the programme. Never more than that.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Proposal {
    pub interval: IntervalId,
    /// The version that was looked at: a programme changed since is not overwritten.
    pub version: i64,
    /// `None`: the row for every model without one of its own.
    pub model: Option<ModelId>,
    pub model_name: String,
    pub every_h: f64,
    /// Mean factor by which its engines' use shortens the interval.
    pub severity: f64,
    pub verdict: Verdict,
    /// The interval proposed, severity taken out again.
    pub to_h: Option<f64>,
    /// The figure in use is the maker's own.
    pub of_maker: bool,
    pub sentence: String,
    /// The group whose law it rests on.
    pub rests_on: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    Keep,
    Shorten,
    Lengthen,
    RunToFailure,
}

/// Engines weighed for the coming twelve months.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EnginesKept {
    pub on: NaiveDate,
    pub currency: Currency,
    /// What the figures rest on beside the records.
    pub assumptions: Vec<String>,
    /// Those dearest to keep, beside a new one, first.
    pub engines: Vec<EngineWeighed>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EngineWeighed {
    pub engine: EngineId,
    pub pool: PoolId,
    pub site: SiteId,
    pub model: ModelId,
    pub seasons: Vec<Season>,
    /// Hours expected in the coming twelve months.
    pub next_hours: f64,
    pub keep: SeasonCost,
    pub new: SeasonCost,
    pub outlook: Outlook,
    pub donor: bool,
    /// What its parts would save, and what it fetches as it is.
    pub donor_parts: f64,
    pub resale_now: f64,
    pub reason: String,
    /// Whether its repairs come faster; `None` without a repair on record.
    pub trend: Option<String>,
}

/// One season of an engine, beyond planned work.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Season {
    /// The year in which it began.
    pub year: i32,
    pub ran_h: f64,
    pub repairs: u32,
    pub money: f64,
    pub days_lost: f64,
}

/// Expected money, its 80 % range, repairs and days.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SeasonCost {
    pub mean: f64,
    pub low: f64,
    pub high: f64,
    pub repairs: f64,
    pub days_lost: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outlook {
    NewLooksCheaper,
    TooCloseToCall,
    KeepingLooksCheaper,
}

impl LivesKept {
    /// The lives that a part number belongs to.
    pub fn of_part(&self, part: PartId) -> Option<&ItemLives> {
        self.items.iter().find(|item| item.parts.contains(&part))
    }

    /// # Errors
    /// The run has no such file, or it can't be read.
    pub async fn read(
        connection: &Connection,
        organisation: OrganisationId,
        run: RunId,
    ) -> Result<Self, RunError> {
        read_file(connection, organisation, run, LIVES_FILE).await
    }
}

impl EnginesKept {
    pub fn of_engine(&self, engine: EngineId) -> Option<&EngineWeighed> {
        self.engines.iter().find(|one| one.engine == engine)
    }

    /// # Errors
    /// The run has no such file, or it can't be read.
    pub async fn read(
        connection: &Connection,
        organisation: OrganisationId,
        run: RunId,
    ) -> Result<Self, RunError> {
        read_file(connection, organisation, run, ENGINES_FILE).await
    }
}

async fn read_file<T: serde::de::DeserializeOwned>(
    connection: &Connection,
    organisation: OrganisationId,
    run: RunId,
    name: &str,
) -> Result<T, RunError> {
    let file = runs::file(connection, organisation, run, name).await?;
    serde_json::from_slice(&file.content)
        .map_err(|cause| RunError::Stopped(format!("{name} of the run can't be read: {cause}")))
}

impl ItemLives {
    /// All its lives together.
    pub fn whole(&self) -> Option<&Group> {
        self.groups.iter().find(|group| group.of == GroupOf::All)
    }

    /// The groups that say it in the fewest sentences: one a water, or all together where the fleet
    /// knows one water only.
    pub fn by_water(&self) -> Vec<&Group> {
        let water: Vec<&Group> =
            self.groups.iter().filter(|group| matches!(group.of, GroupOf::Water(_))).collect();
        if water.is_empty() { self.whole().into_iter().collect() } else { water }
    }
}

impl Law {
    /// The fitted law; `None` only where a file was changed by hand.
    pub(crate) fn weibull(&self) -> Option<life::Weibull> {
        life::Weibull::new(self.shape, self.scale).ok()
    }

    /// The age beyond which `share` of all last.
    pub fn lasts(&self, share: f64) -> Option<f64> {
        Some(self.weibull()?.quantile(1.0 - share))
    }

    /// What else the data allow of the share that lives beyond `age`: by the likeliest laws at both
    /// bounds of the shape, the lower first.
    pub fn survival_band(&self, age: f64) -> Option<(f64, f64)> {
        let at = |shape: Option<f64>, scale: Option<f64>| {
            Some(life::Weibull::new(shape?, scale?).ok()?.survival(age))
        };
        let low = at(self.shape_low, self.scale_at_shape_low)?;
        let high = at(self.shape_high, self.scale_at_shape_high)?;
        Some((low.min(high), low.max(high)))
    }

    /// Share that lives beyond `age`.
    pub fn survival(&self, age: f64) -> f64 {
        self.weibull().map_or(1.0, |law| law.survival(age))
    }

    /// Money per hour of renewing at `age` or on failure.
    pub fn cost_rate(&self, costs: &RenewalCosts, age: f64) -> Option<f64> {
        let costs = life::ReplacementCosts::new(costs.planned, costs.failure).ok()?;
        life::replacement::cost_rate(&self.weibull()?, &costs, age)
    }
}
