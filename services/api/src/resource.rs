//! What all nouns have in common over HTTP: listed, read, added, changed, removed.
//!
//! A noun with rules beyond its fields has handlers of its own; here it is then only read.

use std::pin::Pin;

use axum::extract::{OriginalUri, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, get, put};
use axum::{Json, Router};
use fleet::id::OrganisationId;
use fleet::person::Role;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use store::Transaction;
use store::record::{self, Record, Shared};
use utoipa::openapi::path::{HttpMethod, OperationBuilder, ParameterBuilder, ParameterIn};
use utoipa::openapi::request_body::RequestBodyBuilder;
use utoipa::openapi::{
    ArrayBuilder, ContentBuilder, KnownFormat, ObjectBuilder, Paths, Ref, RefOr, Required,
    ResponseBuilder, ResponsesBuilder, Schema, SchemaFormat, Type,
};
use utoipa::{PartialSchema, ToSchema};
use uuid::Uuid;

use crate::access::Actor;
use crate::body::FilledBody;
use crate::conditional::{IfMatch, entity_tag};
use crate::once::{Answer, OnceKey, Turn};
use crate::paging::{Listed, PageWanted, link_to_next};
use crate::path::Id;
use crate::problem::Problem;
use crate::state::ApiState;

/// A noun over HTTP: its fields, without identity and version.
pub trait Resource: Serialize + ToSchema + Send + Sync + 'static {
    type Noun: Record + 'static;
    const PATH: &'static str;
    /// Of its schema in the document.
    const NAME: &'static str;

    fn show(noun: Self::Noun) -> Shown<Self>
    where
        Self: Sized;
}

/// A noun that may be added but never changed.
pub trait Addable: Resource + DeserializeOwned {
    const WRITES: Role;

    /// # Errors
    /// A field that breaks a rule of its own.
    fn build(self, id: Uuid) -> Result<Self::Noun, Problem>;
}

/// Whether a change keeps the rules.
pub type Checked<'a> = Pin<Box<dyn Future<Output = Result<(), Problem>> + Send + 'a>>;

/// A noun that people add, change and remove.
pub trait Changeable: Resource<Noun: Shared> + DeserializeOwned {
    const WRITES: Role;

    /// # Errors
    /// A field that breaks a rule of its own.
    fn build(self, id: Uuid, version: i64) -> Result<Self::Noun, Problem>;

    /// Rules between this row and others that no check of the database can hold. Called in the
    /// transaction of an addition or a change, after it.
    fn check<'a>(
        _transaction: &'a Transaction,
        _organisation: OrganisationId,
        _noun: &'a Self::Noun,
    ) -> Checked<'a> {
        Box::pin(async { Ok(()) })
    }
}

/// A noun as it is shown.
#[derive(Debug, Serialize, Deserialize)]
pub struct Shown<T> {
    pub id: Uuid,
    /// Also the entity tag; absent where the noun is never changed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version: Option<i64>,
    #[serde(flatten)]
    pub fields: T,
}

/// Schemas of the document by their names.
type Schemas = Vec<(String, RefOr<Schema>)>;

/// The routes of the nouns and their part of the document.
#[derive(Default)]
pub struct Resources {
    router: Router<ApiState>,
    paths: Paths,
    schemas: Schemas,
}

impl Resources {
    /// A noun that is only read.
    #[must_use]
    pub fn readable<T: Resource>(self) -> Self {
        self.described::<T>(&[]).routed::<T>(get(list::<T>), get(read::<T>))
    }

    /// A noun that may be added.
    #[must_use]
    pub fn addable<T: Addable>(self) -> Self {
        self.described::<T>(&[Verb::Add(T::WRITES)])
            .routed::<T>(get(list::<T>).post(add::<T>), get(read::<T>))
    }

    /// A noun that may be added, changed and removed.
    #[must_use]
    pub fn changeable<T: Changeable>(self) -> Self {
        let verbs = [Verb::Add(T::WRITES), Verb::Change(T::WRITES), Verb::Remove(T::WRITES)];
        self.described::<T>(&verbs).routed::<T>(
            get(list::<T>).post(create::<T>),
            put(change::<T>).get(read::<T>).delete(remove::<T>),
        )
    }

    pub fn into_parts(self) -> (Router<ApiState>, Paths, Schemas) {
        (self.router, self.paths, self.schemas)
    }

    fn routed<T: Resource>(
        mut self,
        many: MethodRouter<ApiState>,
        one: MethodRouter<ApiState>,
    ) -> Self {
        self.router = self.router.route(T::PATH, many).route(&format!("{}/{{id}}", T::PATH), one);
        self
    }

    fn described<T: Resource>(mut self, verbs: &[Verb]) -> Self {
        self.schemas.push((fields_name::<T>(), T::schema()));
        self.schemas.push((T::NAME.to_owned(), shown_schema::<T>(T::schema())));
        self.schemas.push((list_name::<T>(), list_schema(T::NAME)));
        T::schemas(&mut self.schemas);
        let tag = T::PATH.trim_start_matches('/');
        let (many, one) = (format!("/v1{}", T::PATH), format!("/v1{}/{{id}}", T::PATH));
        let noun = T::Noun::NOUN;
        let paged = OperationBuilder::new()
            .tag(tag)
            .operation_id(Some(format!("list_{}", snake(tag))))
            .summary(Some(format!("List: {noun}")))
            .parameter(query("after", "the last id seen"))
            .parameter(query("size", "rows on the page, 1 to 500, 100 where not given"))
            .responses(answers(
                "200",
                "a page; the header Link names the next",
                Some(&list_name::<T>()),
            ));
        self.paths.add_path_operation(&many, vec![HttpMethod::Get], paged);
        let single = OperationBuilder::new()
            .tag(tag)
            .operation_id(Some(format!("get_{}", snake(tag))))
            .summary(Some(format!("Read: {noun}")))
            .parameter(identity())
            .responses(answers("200", "as it is; the header ETag is its version", Some(T::NAME)));
        self.paths.add_path_operation(&one, vec![HttpMethod::Get], single);
        for verb in verbs {
            let (path, method, operation) = verb.describe::<T>(&many, &one, tag);
            self.paths.add_path_operation(path, vec![method], operation);
        }
        self
    }
}

/// What may be done to a noun beyond reading it, and the role that it needs.
enum Verb {
    Add(Role),
    Change(Role),
    Remove(Role),
}

impl Verb {
    fn describe<'a, T: Resource>(
        &self,
        many: &'a str,
        one: &'a str,
        tag: &str,
    ) -> (&'a str, HttpMethod, OperationBuilder) {
        let noun = T::Noun::NOUN;
        let (path, method, word, role) = match self {
            Self::Add(role) => (many, HttpMethod::Post, "create", role),
            Self::Change(role) => (one, HttpMethod::Put, "change", role),
            Self::Remove(role) => (one, HttpMethod::Delete, "remove", role),
        };
        let mut operation = OperationBuilder::new()
            .tag(tag)
            .operation_id(Some(format!("{word}_{}", snake(tag))))
            .summary(Some(format!("{} (role {role}): {noun}", capital(word))));
        operation = match self {
            Self::Add(_) => operation.parameter(header_named(
                "Idempotency-Key",
                "a text of your own; the same key again gives the same answer and adds nothing",
                Required::False,
            )),
            Self::Change(_) | Self::Remove(_) => operation.parameter(identity()).parameter(
                header_named("If-Match", "the ETag that the change is made from", Required::True),
            ),
        };
        if !matches!(self, Self::Remove(_)) {
            let content = ContentBuilder::new()
                .schema(Some(Ref::from_schema_name(fields_name::<T>())))
                .build();
            let body = RequestBodyBuilder::new()
                .content("application/json", content)
                .required(Some(Required::True))
                .build();
            operation = operation.request_body(Some(body));
        }
        let responses = match self {
            Self::Add(_) => answers("201", "added", Some(T::NAME)),
            Self::Change(_) => answers("200", "changed", Some(T::NAME)),
            Self::Remove(_) => answers("204", "removed", None),
        };
        (path, method, operation.responses(responses))
    }
}

fn fields_name<T: Resource>() -> String {
    format!("{}Fields", T::NAME)
}

fn list_name<T: Resource>() -> String {
    format!("{}List", T::NAME)
}

fn identifier() -> ObjectBuilder {
    ObjectBuilder::new()
        .schema_type(Type::String)
        .format(Some(SchemaFormat::KnownFormat(KnownFormat::Uuid)))
}

/// The fields with identity and version, as [`Shown`] writes them.
fn shown_schema<T: Resource>(fields: RefOr<Schema>) -> RefOr<Schema> {
    let RefOr::T(Schema::Object(mut object)) = fields else { return fields };
    object.properties.insert("id".to_owned(), identifier().into());
    object.required.push("id".to_owned());
    let version = ObjectBuilder::new()
        .schema_type(Type::Integer)
        .format(Some(SchemaFormat::KnownFormat(KnownFormat::Int64)))
        .description(Some("Also the entity tag; absent where the noun is never changed."));
    object.properties.insert("version".to_owned(), version.into());
    RefOr::T(Schema::Object(object))
}

fn list_schema(name: &str) -> RefOr<Schema> {
    let next = identifier().description(Some("Give as `after` to see the next page."));
    let items = ArrayBuilder::new().items(Ref::from_schema_name(name));
    let list = ObjectBuilder::new().property("items", items).required("items");
    RefOr::T(list.property("next", next).into())
}

fn query(name: &str, about: &str) -> ParameterBuilder {
    ParameterBuilder::new()
        .name(name)
        .parameter_in(ParameterIn::Query)
        .description(Some(about))
        .schema(Some(String::schema()))
}

fn header_named(name: &str, about: &str, required: Required) -> ParameterBuilder {
    ParameterBuilder::new()
        .name(name)
        .parameter_in(ParameterIn::Header)
        .required(required)
        .description(Some(about))
        .schema(Some(String::schema()))
}

fn identity() -> ParameterBuilder {
    ParameterBuilder::new()
        .name("id")
        .parameter_in(ParameterIn::Path)
        .required(Required::True)
        .schema(Some(identifier()))
}

fn answers(status: &str, about: &str, schema: Option<&str>) -> ResponsesBuilder {
    let mut good = ResponseBuilder::new().description(about);
    if let Some(name) = schema {
        let content = ContentBuilder::new().schema(Some(Ref::from_schema_name(name))).build();
        good = good.content("application/json", content);
    }
    let problem = ContentBuilder::new().schema(Some(Ref::from_schema_name("Problem"))).build();
    let refused = ResponseBuilder::new()
        .description("a problem (RFC 9457)")
        .content("application/problem+json", problem);
    ResponsesBuilder::new().response(status, good).response("default", refused)
}

fn snake(path: &str) -> String {
    path.replace('-', "_")
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

/// An answer with the entity tag of what it shows.
pub fn tagged<T: Serialize>(status: StatusCode, shown: &Shown<T>) -> Response {
    let mut headers = HeaderMap::new();
    if let Some(version) = shown.version {
        headers.insert(header::ETAG, entity_tag(version));
    }
    (status, headers, Json(shown)).into_response()
}

async fn list<T: Resource>(
    State(state): State<ApiState>,
    actor: Actor,
    OriginalUri(uri): OriginalUri,
    PageWanted(wanted): PageWanted,
) -> Result<Response, Problem> {
    let page =
        record::page::<T::Noun>(state.store.connection(), actor.organisation, wanted).await?;
    let items: Vec<Shown<T>> = page.rows.into_iter().map(T::show).collect();
    let links = link_to_next(&uri, wanted, page.next);
    Ok((links, Json(Listed { items, next: page.next })).into_response())
}

async fn read<T: Resource>(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
) -> Result<Response, Problem> {
    let noun =
        record::get::<T::Noun>(state.store.connection(), actor.organisation, id.into()).await?;
    Ok(tagged(StatusCode::OK, &T::show(noun)))
}

async fn add<T: Addable>(
    State(state): State<ApiState>,
    actor: Actor,
    key: OnceKey,
    FilledBody(fields): FilledBody<T>,
) -> Result<Response, Problem> {
    actor.needs(T::WRITES)?;
    let key = key.of(&fields);
    let noun = fields.build(Uuid::now_v7())?;
    let now = state.now();
    let work = async |transaction: &store::Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        record::append(transaction, actor.organisation, std::slice::from_ref(&noun)).await?;
        let answer = Answer::json(StatusCode::CREATED, None, &T::show(noun.clone()))?;
        kept.keep(transaction, answer).await
    };
    Ok(state.store.write(work).await?.into_response())
}

async fn create<T: Changeable>(
    State(state): State<ApiState>,
    actor: Actor,
    key: OnceKey,
    FilledBody(fields): FilledBody<T>,
) -> Result<Response, Problem> {
    actor.needs(T::WRITES)?;
    let key = key.of(&fields);
    let noun = fields.build(Uuid::now_v7(), 1)?;
    let now = state.now();
    let author = actor.author(now);
    let work = async |transaction: &store::Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let added = std::slice::from_ref(&noun);
        record::create(transaction, actor.organisation, &author, added).await?;
        T::check(transaction, actor.organisation, &noun).await?;
        let answer = Answer::json(StatusCode::CREATED, Some(1), &T::show(noun.clone()))?;
        kept.keep(transaction, answer).await
    };
    Ok(state.store.write(work).await?.into_response())
}

async fn change<T: Changeable>(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    FilledBody(fields): FilledBody<T>,
) -> Result<Response, Problem> {
    actor.needs(T::WRITES)?;
    let noun = fields.build(id, version)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let work = async |transaction: &store::Transaction| {
        let changed = record::change(transaction, organisation, &author, &noun).await?;
        T::check(transaction, organisation, &changed).await?;
        Ok::<_, Problem>(changed)
    };
    let changed = state.store.write(work).await?;
    Ok(tagged(StatusCode::OK, &T::show(changed)))
}

async fn remove<T: Changeable>(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
) -> Result<StatusCode, Problem> {
    actor.needs(T::WRITES)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let work = async |transaction: &store::Transaction| {
        let id = id.into();
        record::remove::<T::Noun>(transaction, organisation, &author, id, version).await
    };
    state.store.write(work).await?;
    Ok(StatusCode::NO_CONTENT)
}
