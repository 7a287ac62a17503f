//! How long parts last, what that says of the programme, and which engines pay for another season.

use axum::Json;
use axum::extract::{OriginalUri, State};
use axum::http::StatusCode;
use axum::response::Response;
use chrono::{DateTime, NaiveDate, Utc};
use fleet::engine::Engine;
use fleet::id::{EngineId, IntervalId, PartId, PoolId, SiteId};
use fleet::person::Role;
use fleet::run::RunKind;
use runs::lives::kept::{
    Compared, EngineWeighed, EnginesKept, Group, GroupOf, ItemLives, LivesKept, Outlook, Proposal,
    Season, SeasonCost, Verdict,
};
use serde::{Deserialize, Serialize};
use store::{Transaction, record};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::run_page::{RunListed, answer_page, find_run};
use crate::access::Actor;
use crate::body::Body;
use crate::paging::{Asked, page_of};
use crate::path::{Id, Part};
use crate::problem::{Problem, Refused};
use crate::resource::{Resource as _, tagged};
use crate::resources::ProgrammeIntervalFields;
use crate::state::ApiState;

/// One part's lives in a sentence.
#[derive(Debug, Serialize, ToSchema)]
pub struct LivesListed {
    /// The most used of its numbers; all of them lead to it.
    pub part: Uuid,
    pub name: String,
    pub lives: usize,
    pub failures: usize,
    /// One a water: failures, lives, the age at which renewing costs least, or a range.
    #[schema(example = json!(["impeller in salt: 9 failures in 212 lives; replacing at 180 h costs least; between 140 and 260 h it hardly matters"]))]
    pub sentences: Vec<String>,
    /// What that says of intervals in use.
    pub proposals: Vec<String>,
}

/// One part's lives in full. Ages in running hours, money in whole units of `currency`.
#[derive(Debug, Serialize, ToSchema)]
pub struct LivesOfPart {
    pub run: Uuid,
    pub computed_at: Option<DateTime<Utc>>,
    pub on: NaiveDate,
    pub currency: String,
    pub name: String,
    pub parts: Vec<Uuid>,
    pub task: Option<Uuid>,
    pub task_name: Option<String>,
    /// Renewed where a look shows that it must be.
    pub on_condition: bool,
    /// Renewals left out, since their beginning or hours are not on record.
    pub left_out: usize,
    pub unknown_reason: usize,
    pub groups: Vec<LivesGroup>,
    pub comparisons: Vec<LivesCompared>,
    pub proposals: Vec<LivesProposal>,
}

/// Lives that are put together: all, or those of one water, model or pool.
#[derive(Debug, Serialize, ToSchema)]
pub struct LivesGroup {
    /// `all`, `water`, `model` or `pool`.
    pub by: &'static str,
    /// The water's word, or the id of model or pool.
    pub of: Option<String>,
    pub name: String,
    pub lives: usize,
    pub failures: usize,
    /// Failures whose age is known to an interval only.
    pub intervals: usize,
    /// `kaplan_meier` or `turnbull`.
    pub method: String,
    pub sentence: String,
    pub weibull: Option<LivesLaw>,
    pub mean_life: Option<f64>,
    /// Under five failures, or where no law fits: bounds of the mean life, and why.
    pub range: Option<LivesRange>,
    pub survival: Vec<LivesShare>,
    pub costs: Option<LivesCosts>,
    pub cheapest: Option<LivesCheapest>,
}

/// A Weibull law with 95 % bounds; null where the data set none.
#[derive(Debug, Serialize, ToSchema)]
pub struct LivesLaw {
    pub shape: f64,
    pub shape_low: Option<f64>,
    pub shape_high: Option<f64>,
    pub scale: f64,
    pub scale_low: Option<f64>,
    pub scale_high: Option<f64>,
}

#[derive(Debug, Serialize, ToSchema)]
pub struct LivesRange {
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub reason: String,
}

/// Share that lives beyond an age.
#[derive(Debug, Serialize, ToSchema)]
pub struct LivesShare {
    pub age: f64,
    pub share: f64,
}

#[derive(Debug, Serialize, ToSchema)]
pub struct LivesCosts {
    pub planned: f64,
    pub failure: f64,
    pub basis: String,
}

/// The age at which renewing costs least; no age where planning a renewal saves nothing.
#[derive(Debug, Serialize, ToSchema)]
pub struct LivesCheapest {
    pub age: Option<f64>,
    /// Money per running hour there.
    pub cost_rate: Option<f64>,
    /// Between these ages it costs at most a twentieth more.
    pub hardly_matters_from: Option<f64>,
    pub hardly_matters_to: Option<f64>,
    pub run_to_failure_rate: f64,
    /// What else the data allow.
    pub age_at_shape_low: Option<f64>,
    pub age_at_shape_high: Option<f64>,
}

#[derive(Debug, Serialize, ToSchema)]
pub struct LivesCompared {
    /// `water`, `model` or `pool`.
    pub by: String,
    pub statistic: f64,
    pub degrees_of_freedom: usize,
    pub p: f64,
    pub sentence: String,
}

/// What the lives say of an interval of the programme. It changes nothing until it is accepted.
#[derive(Debug, Serialize, ToSchema)]
pub struct LivesProposal {
    pub interval: Uuid,
    pub model: Option<Uuid>,
    pub every_hours: f64,
    /// Mean factor by which its engines' use multiplies the interval.
    pub severity: f64,
    /// `keep`, `shorten`, `lengthen` or `run_to_failure`.
    pub verdict: &'static str,
    /// Null where there is nothing to accept.
    pub to_hours: Option<f64>,
    /// The interval in use is the maker's own: a longer one is against the manual.
    pub of_maker: bool,
    pub sentence: String,
    pub rests_on: String,
}

/// Why a proposal is accepted.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Acceptance {
    #[schema(example = "agreed with the mechanics; the manual allows 100 to 200 h")]
    note: String,
}

/// An engine weighed for the coming twelve months beside a new one.
#[derive(Debug, Serialize, ToSchema)]
pub struct EngineOutlook {
    pub engine: Uuid,
    pub serial: String,
    pub pool: Uuid,
    pub site: Uuid,
    pub currency: String,
    pub seasons: Vec<EngineSeason>,
    /// Hours expected.
    pub next_hours: f64,
    pub keep: EngineSeasonCost,
    pub new: EngineSeasonCost,
    /// `keeping_looks_cheaper`, `too_close_to_call` or `new_looks_cheaper`. The decision stays with a
    /// person.
    pub outlook: &'static str,
    pub worth_more_as_donor: bool,
    pub donor_parts: f64,
    pub resale_now: f64,
    pub reason: String,
    pub trend: Option<String>,
}

/// One season beyond planned upkeep.
#[derive(Debug, Serialize, ToSchema)]
pub struct EngineSeason {
    pub year: i32,
    pub ran_hours: f64,
    pub repairs: u32,
    pub money: f64,
    pub days_lost: f64,
}

/// Expected money and its 80 % range.
#[derive(Debug, Serialize, ToSchema)]
pub struct EngineSeasonCost {
    pub mean: f64,
    pub low: f64,
    pub high: f64,
    pub repairs: f64,
    pub days_lost: f64,
}

/// Which run, and which page of it.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct LivesWanted {
    /// A certain run; the last good one where none is given.
    run: Option<Uuid>,
    /// The last part seen.
    after: Option<Uuid>,
    /// Rows on the page, 1 to 500.
    size: Option<u64>,
}

/// Which engines are wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct EnginesWanted {
    pool: Option<Uuid>,
    site: Option<Uuid>,
    engine: Option<Uuid>,
    /// A certain run; the last good one where none is given.
    run: Option<Uuid>,
    /// The last engine seen.
    after: Option<Uuid>,
    /// Rows on the page, 1 to 500.
    size: Option<u64>,
}

/// A certain run.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct OfRun {
    /// The last good one where none is given.
    run: Option<Uuid>,
}

/// List how long parts last
///
/// A sentence a part and water, those that fail most first. Role: viewer.
#[utoipa::path(
    get, path = "/lives", tag = "lives",
    params(LivesWanted),
    responses(
        (status = 200, description = "a page; the header Link names the next",
         body = RunListed<LivesListed>),
        (status = 404, description = "no run has been finished yet"),
        Refused,
    ),
)]
pub async fn list_lives(
    State(state): State<ApiState>,
    actor: Actor,
    OriginalUri(uri): OriginalUri,
    Asked(asked): Asked<LivesWanted>,
) -> Result<Response, Problem> {
    let wanted = page_of(asked.after, asked.size)?;
    let connection = state.store.connection();
    let run = find_run(connection, &actor, RunKind::Life, asked.run).await?;
    let kept = LivesKept::read(connection, actor.organisation, run.id).await?;
    let id = |item: &ItemLives| item.parts.first().map_or(Uuid::nil(), |part| part.0);
    answer_page(&run, kept.items, id, list, (&uri, wanted))
}

/// How long one part lasts
///
/// Survival, Weibull with bounds, the age at which renewing costs least, by water, model and pool.
/// Role: viewer.
#[utoipa::path(
    get, path = "/lives/{part}", tag = "lives",
    params(("part" = Uuid, Path), OfRun),
    responses(
        (status = 200, description = "its lives", body = LivesOfPart),
        (status = 404, description = "no run yet, or no life of this part on record"),
        Refused,
    ),
)]
pub async fn get_lives_of_part(
    State(state): State<ApiState>,
    actor: Actor,
    Id(part): Id,
    Asked(asked): Asked<OfRun>,
) -> Result<Json<LivesOfPart>, Problem> {
    let connection = state.store.connection();
    let run = find_run(connection, &actor, RunKind::Life, asked.run).await?;
    let kept = LivesKept::read(connection, actor.organisation, run.id).await?;
    let item = kept.of_part(PartId(part)).ok_or_else(no_lives)?;
    Ok(Json(LivesOfPart {
        run: run.id.0,
        computed_at: run.finished_at,
        on: kept.on,
        currency: kept.currency.to_string(),
        name: item.name.clone(),
        parts: item.parts.iter().map(|part| part.0).collect(),
        task: item.task.map(|task| task.0),
        task_name: item.task_name.clone(),
        on_condition: item.on_condition,
        left_out: item.left_out,
        unknown_reason: item.unknown_reason,
        groups: item.groups.iter().map(group).collect(),
        comparisons: item.comparisons.iter().map(compared).collect(),
        proposals: item.proposals.iter().map(proposal).collect(),
    }))
}

/// Accept what lives propose for an interval
///
/// Gives the programme's row the proposed hours, with the reason in its history; a row that was
/// changed since the run is not overwritten. The maker's manual comes first. Role: planner.
#[utoipa::path(
    post, path = "/lives/{part}/proposals/{interval}/acceptance", tag = "lives",
    params(("part" = Uuid, Path), ("interval" = Uuid, Path)),
    request_body = Acceptance,
    responses(
        (status = 200, description = "changed",
         body = ref("#/components/schemas/ProgrammeInterval")),
        (status = 404, description = "no run yet, or no such proposal"),
        (status = 412, description = "changed since the run"),
        Refused,
    ),
)]
pub async fn accept_life_proposal(
    State(state): State<ApiState>,
    actor: Actor,
    Part((part, interval)): Part<(Uuid, Uuid)>,
    Body(Acceptance { note }): Body<Acceptance>,
) -> Result<Response, Problem> {
    actor.needs(Role::Planner)?;
    let connection = state.store.connection();
    let run = find_run(connection, &actor, RunKind::Life, None).await?;
    let kept = LivesKept::read(connection, actor.organisation, run.id).await?;
    let item = kept.of_part(PartId(part)).ok_or_else(no_lives)?;
    let proposals = &item.proposals;
    let proposal = proposals.iter().find(|it| it.interval == IntervalId(interval));
    let proposal = proposal.ok_or_else(|| Problem::missing("proposal for this interval"))?;
    let author = actor.author(state.now());
    let change = async |tx: &Transaction| {
        runs::lives::accept(tx, actor.organisation, &author, (item, proposal), &note).await
    };
    let changed = state.store.write(change).await?;
    Ok(tagged(StatusCode::OK, &ProgrammeIntervalFields::show(changed)))
}

/// List engines weighed beside a new one
///
/// What the coming twelve months are expected to cost, as a range with its reason; those dearest to
/// keep first. Role: viewer.
#[utoipa::path(
    get, path = "/lives/engines", tag = "lives",
    params(EnginesWanted),
    responses(
        (status = 200, description = "a page; the header Link names the next",
         body = RunListed<EngineOutlook>),
        (status = 404, description = "no run has been finished yet"),
        Refused,
    ),
)]
pub async fn list_engine_outlooks(
    State(state): State<ApiState>,
    actor: Actor,
    OriginalUri(uri): OriginalUri,
    Asked(asked): Asked<EnginesWanted>,
) -> Result<Response, Problem> {
    let wanted = page_of(asked.after, asked.size)?;
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let run = find_run(connection, &actor, RunKind::Life, asked.run).await?;
    let kept = EnginesKept::read(connection, organisation, run.id).await?;
    let engines: Vec<Engine> = record::all(connection, organisation).await?;
    let serials: std::collections::HashMap<EngineId, String> =
        engines.into_iter().map(|engine| (engine.id, engine.serial)).collect();
    let currency = kept.currency.to_string();
    let mut rows = kept.engines;
    rows.retain(|row| {
        asked.pool.is_none_or(|pool| row.pool == PoolId(pool))
            && asked.site.is_none_or(|site| row.site == SiteId(site))
            && asked.engine.is_none_or(|engine| row.engine == EngineId(engine))
    });
    let show = |row: EngineWeighed| {
        let serial = serials.get(&row.engine).cloned().unwrap_or_default();
        weighed(row, serial, &currency)
    };
    answer_page(&run, rows, |row| row.engine.0, show, (&uri, wanted))
}

fn no_lives() -> Problem {
    Problem::missing("life of this part on record")
}

fn list(item: ItemLives) -> LivesListed {
    let whole = item.whole();
    LivesListed {
        part: item.parts.first().map_or(Uuid::nil(), |part| part.0),
        lives: whole.map_or(0, |whole| whole.lives),
        failures: whole.map_or(0, |whole| whole.failures),
        sentences: item.by_water().iter().map(|group| group.sentence.clone()).collect(),
        proposals: item.proposals.iter().map(|proposal| proposal.sentence.clone()).collect(),
        name: item.name,
    }
}

fn group(group: &Group) -> LivesGroup {
    let (by, of) = match group.of {
        GroupOf::All => ("all", None),
        GroupOf::Water(water) => ("water", Some(water.to_string())),
        GroupOf::Model(model) => ("model", Some(model.to_string())),
        GroupOf::Pool(pool) => ("pool", Some(pool.to_string())),
    };
    let Group { name, lives, failures, intervals, method, sentence, .. } = group.clone();
    LivesGroup {
        by,
        of,
        name,
        lives,
        failures,
        intervals,
        method,
        sentence,
        weibull: group.law.map(|law| LivesLaw {
            shape: law.shape,
            shape_low: law.shape_low,
            shape_high: law.shape_high,
            scale: law.scale,
            scale_low: law.scale_low,
            scale_high: law.scale_high,
        }),
        mean_life: group.mean_life,
        range: group.range.as_ref().map(|range| LivesRange {
            low: range.low,
            high: range.high,
            reason: range.reason.clone(),
        }),
        survival: group.survival.iter().map(|&(age, share)| LivesShare { age, share }).collect(),
        costs: group.costs.as_ref().map(|costs| LivesCosts {
            planned: costs.planned,
            failure: costs.failure,
            basis: costs.basis.clone(),
        }),
        cheapest: group.cheapest.as_ref().map(|cheapest| LivesCheapest {
            age: cheapest.best.map(|best| best.age),
            cost_rate: cheapest.best.map(|best| best.cost_rate),
            hardly_matters_from: cheapest.best.map(|best| best.from),
            hardly_matters_to: cheapest.best.and_then(|best| best.to),
            run_to_failure_rate: cheapest.run_to_failure_rate,
            age_at_shape_low: cheapest.at_shape_low,
            age_at_shape_high: cheapest.at_shape_high,
        }),
    }
}

fn compared(compared: &Compared) -> LivesCompared {
    let Compared { by, statistic, degrees_of_freedom, p, sentence } = compared.clone();
    LivesCompared { by, statistic, degrees_of_freedom, p, sentence }
}

fn proposal(proposal: &Proposal) -> LivesProposal {
    LivesProposal {
        interval: proposal.interval.0,
        model: proposal.model.map(|model| model.0),
        every_hours: proposal.every_h,
        severity: proposal.severity,
        verdict: match proposal.verdict {
            Verdict::Keep => "keep",
            Verdict::Shorten => "shorten",
            Verdict::Lengthen => "lengthen",
            Verdict::RunToFailure => "run_to_failure",
        },
        to_hours: proposal.to_h,
        of_maker: proposal.of_maker,
        sentence: proposal.sentence.clone(),
        rests_on: proposal.rests_on.clone(),
    }
}

fn weighed(row: EngineWeighed, serial: String, currency: &str) -> EngineOutlook {
    let season = |season: Season| {
        let Season { year, ran_h, repairs, money, days_lost } = season;
        EngineSeason { year, ran_hours: ran_h, repairs, money, days_lost }
    };
    let cost = |cost: SeasonCost| {
        let SeasonCost { mean, low, high, repairs, days_lost } = cost;
        EngineSeasonCost { mean, low, high, repairs, days_lost }
    };
    EngineOutlook {
        engine: row.engine.0,
        serial,
        pool: row.pool.0,
        site: row.site.0,
        currency: currency.to_owned(),
        seasons: row.seasons.into_iter().map(season).collect(),
        next_hours: row.next_hours,
        keep: cost(row.keep),
        new: cost(row.new),
        outlook: match row.outlook {
            Outlook::NewLooksCheaper => "new_looks_cheaper",
            Outlook::TooCloseToCall => "too_close_to_call",
            Outlook::KeepingLooksCheaper => "keeping_looks_cheaper",
        },
        worth_more_as_donor: row.donor,
        donor_parts: row.donor_parts,
        resale_now: row.resale_now,
        reason: row.reason,
        trend: row.trend,
    }
}
