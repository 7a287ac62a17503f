//! Load a file of any kind, and the files to fill in.

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse, Response};
use exchange::load::Kind;
use exchange::table::{Presence, RowFault};
use fleet::person::Role;
use serde::{Deserialize, Serialize};
use store::load::{Ending, FaultyRows, LoadReport, LoadRequest, load};
use tokio::runtime::Handle;
use utoipa::{IntoParams, ToSchema};

use crate::access::Actor;
use crate::paging::Asked;
use crate::path::Part;
use crate::problem::{Fault, Problem, Refused};
use crate::state::ApiState;
use crate::upload::{Text, receive};

/// Faults in one answer; the rest are counted.
const FAULTS_SHOWN_MAX: usize = 1_000;

/// How to load.
#[derive(Clone, Copy, Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct LoadOptions {
    /// Do all of it, tell what would become of it, and keep nothing.
    #[serde(default)]
    dry_run: bool,
    /// Keep the good rows and leave the others out; else a file with one bad row changes nothing.
    #[serde(default)]
    keep_good: bool,
}

/// What a load did.
#[derive(Debug, Serialize, ToSchema)]
pub struct Loaded {
    #[schema(example = "engines")]
    pub kind: String,
    /// Rows read, faulty ones too.
    pub read: u64,
    /// Rows that were new; in a dry run, that would have been.
    pub added: u64,
    /// Rows that were on record already.
    pub unchanged: u64,
    /// Whether what was added is on record now.
    pub kept: bool,
    /// Rows left out, where the good ones were to be kept.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<Fault>,
}

/// A kind of file.
#[derive(Debug, Serialize, ToSchema)]
pub struct LoadKind {
    #[schema(example = "engines")]
    pub kind: String,
    pub about: String,
    /// Who may load it.
    #[schema(value_type = String)]
    pub role: Role,
    pub columns: Vec<LoadColumn>,
}

/// A column of a file.
#[derive(Debug, Serialize, ToSchema)]
pub struct LoadColumn {
    pub name: String,
    pub about: String,
    pub required: bool,
}

/// Load a file
///
/// CSV of any usual dialect, or XLSX. All or nothing unless asked otherwise; what is on record already
/// with the same values changes nothing. The role that it needs depends on the kind.
#[utoipa::path(
    post, path = "/loads/{kind}", tag = "loads",
    params(("kind" = String, Path, example = "engines"), LoadOptions),
    request_body(
        description = "the file",
        content(
            (String = "text/csv"),
            (Vec<u8> = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
        ),
    ),
    responses(
        (status = 200, description = "what became of it", body = Loaded),
        (status = 404, description = "no such kind"),
        (status = 413, description = "a file or a line that is too long"),
        (status = 422, description = "rows that break rules, each with line, column, value and rule"),
        Refused,
    ),
)]
pub async fn load_file(
    State(state): State<ApiState>,
    actor: Actor,
    Part(kind): Part<String>,
    Asked(options): Asked<LoadOptions>,
    body: Body,
) -> Result<Response, Problem> {
    let kind = parse_kind(&kind)?;
    actor.needs(kind.role())?;
    take(&state, &actor, kind, options, Text::Csv, body).await
}

/// List the kinds of files
///
/// In the order in which a new fleet is loaded. Role: viewer.
#[utoipa::path(
    get, path = "/loads", tag = "loads",
    responses((status = 200, description = "all kinds", body = Vec<LoadKind>), Refused),
)]
pub async fn list_load_kinds(_: Actor) -> Json<Vec<LoadKind>> {
    let column = |column: &exchange::table::Column| LoadColumn {
        name: column.name.to_owned(),
        about: column.about.to_owned(),
        required: column.presence == Presence::Required,
    };
    let kinds = Kind::ALL.iter().map(|kind| LoadKind {
        kind: kind.name().to_owned(),
        about: kind.about().to_owned(),
        role: kind.role(),
        columns: kind.columns().iter().map(column).collect(),
    });
    Json(kinds.collect())
}

/// The file to fill in
///
/// CSV with each column explained and an example. Role: viewer.
#[utoipa::path(
    get, path = "/loads/{kind}/template", tag = "loads",
    params(("kind" = String, Path, example = "engines")),
    responses(
        (status = 200, description = "the file", body = String, content_type = "text/csv"),
        (status = 404, description = "no such kind"),
        Refused,
    ),
)]
pub async fn get_load_template(_: Actor, Part(kind): Part<String>) -> Result<Response, Problem> {
    let kind = parse_kind(&kind)?;
    let mut headers = HeaderMap::new();
    let text = HeaderValue::from_static("text/csv; charset=utf-8");
    headers.insert(header::CONTENT_TYPE, text);
    let name = format!("attachment; filename=\"{}.csv\"", kind.name());
    if let Ok(name) = HeaderValue::try_from(name) {
        headers.insert(header::CONTENT_DISPOSITION, name);
    }
    Ok((headers, kind.template()).into_response())
}

/// Receives a file, then loads it on a thread of its own: reading it blocks.
pub(super) async fn take(
    state: &ApiState,
    actor: &Actor,
    kind: Kind,
    options: LoadOptions,
    text: Text,
    body: Body,
) -> Result<Response, Problem> {
    let input = receive(body).await?.into_input(text)?;
    let request = LoadRequest {
        organisation: actor.organisation,
        author: actor.author(state.now()),
        kind,
        faulty: if options.keep_good { FaultyRows::LeaveOut } else { FaultyRows::RefuseFile },
        ending: if options.dry_run { Ending::RollBack } else { Ending::Keep },
    };
    let (store, runtime) = (state.store.clone(), Handle::current());
    let loaded = tokio::task::spawn_blocking(move || {
        runtime.block_on(load(&store, &request, input, &mut |_| ()))
    });
    let report = loaded.await.map_err(|cause| Problem::internal(&cause))??;
    answer(report, options)
}

fn answer(report: LoadReport, options: LoadOptions) -> Result<Response, Problem> {
    let LoadReport { kind, read, added, unchanged, faults, kept } = report;
    let count = faults.count();
    let shown: Vec<Fault> =
        faults.faults().iter().take(FAULTS_SHOWN_MAX).map(Fault::of_row).collect();
    if count > 0 && !(options.keep_good && (kept || options.dry_run)) {
        let detail =
            format!("{count} faults in {read} rows, {} shown; nothing was changed", shown.len());
        return Err(Problem::faults(shown, detail));
    }
    let kind = kind.name().to_owned();
    Ok(Json(Loaded { kind, read, added, unchanged, kept, faults: shown }).into_response())
}

impl Fault {
    fn of_row(fault: &RowFault) -> Self {
        let given = |text: &str| Some(text.to_owned()).filter(|text| !text.is_empty());
        Self {
            line: Some(fault.line),
            field: given(&fault.column),
            value: given(&fault.value),
            rule: fault.rule.to_owned(),
            message: fault.message.clone(),
        }
    }
}

fn parse_kind(text: &str) -> Result<Kind, Problem> {
    text.parse().map_err(|_| Problem::missing("kind of file; /v1/loads lists them"))
}
