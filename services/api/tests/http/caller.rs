//! A service with a fresh database, and callers by role.

use std::sync::Arc;

use api::ApiState;
use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Request, StatusCode};
use fleet::id::OrganisationId;
use fleet::person::Role;
use serde_json::Value;
use store::{Store, StoreError, Transaction, record, tokens};
use tests::database::{Database, Fresh};
use tests::yard::{Yard, author};
use tower::ServiceExt as _;

/// A service and its database; both end when dropped.
pub struct Service {
    pub store: Arc<Store>,
    router: Router,
    _database: Fresh,
}

impl Service {
    /// `None` where PostgreSQL is asked for and can't be had here.
    pub async fn start(on: Database) -> Option<Self> {
        let database = on.fresh().await?;
        let store = Arc::new(database.store.clone());
        let router = api::router(ApiState::new(Arc::clone(&store)));
        Some(Self { store, router, _database: database })
    }

    /// A program with a token of that role.
    pub async fn caller(&self, organisation: OrganisationId, role: Role) -> Caller {
        let work = async |transaction: &Transaction| {
            let name = format!("a {role} of the tests");
            tokens::create(transaction, organisation, &author(), &name, role, None).await
        };
        let (secret, _) = self.store.write(work).await.unwrap();
        Caller { router: self.router.clone(), token: secret.reveal().to_owned() }
    }

    /// Somebody without a token.
    pub fn stranger(&self) -> Caller {
        Caller { router: self.router.clone(), token: String::new() }
    }

    /// A yard with an engine of that serial; the engine's id.
    pub async fn yard_with_engine(&self, name: &str, serial: &str) -> (Yard, String) {
        let yard = Yard::found(&self.store, name).await;
        let engine = yard.engine(serial);
        let id = engine.id.to_string();
        let work = async |transaction: &Transaction| {
            record::create(transaction, yard.organisation, &author(), &[engine]).await?;
            Ok::<_, StoreError>(())
        };
        self.store.write(work).await.unwrap();
        (yard, id)
    }
}

/// A program that calls.
#[derive(Clone)]
pub struct Caller {
    router: Router,
    token: String,
}

/// What came back.
#[derive(Debug)]
pub struct Answer {
    pub status: StatusCode,
    pub headers: HeaderMap,
    pub text: String,
    pub bytes: Vec<u8>,
}

impl Answer {
    #[track_caller]
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|cause| panic!("{cause}: {}", self.text))
    }

    /// Status and rule of a problem, in whose form it must be.
    #[track_caller]
    pub fn refusal(&self) -> (u16, String) {
        let kind = self.headers.get("content-type").and_then(|kind| kind.to_str().ok());
        assert_eq!(kind, Some("application/problem+json"), "{self:?}");
        let problem = self.json();
        assert_eq!(problem["status"], self.status.as_u16(), "{problem}");
        assert!(problem["title"].is_string() && problem["detail"].is_string(), "{problem}");
        let kind = problem["type"].as_str().unwrap();
        let rule = kind.strip_prefix("urn:slackwater:rule:").unwrap();
        (self.status.as_u16(), rule.to_owned())
    }

    /// The value, where it is answered with that status.
    #[track_caller]
    pub fn expect(self, status: u16) -> Value {
        assert_eq!(self.status.as_u16(), status, "{}", self.text);
        if self.text.is_empty() { Value::Null } else { self.json() }
    }

    #[track_caller]
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).unwrap_or_else(|| panic!("no {name}: {self:?}")).to_str().unwrap()
    }
}

impl Caller {
    pub async fn get(&self, path: &str) -> Answer {
        self.send("GET", path, &[], Body::empty()).await
    }

    pub async fn post(&self, path: &str, body: Value) -> Answer {
        self.post_with(path, &[], body).await
    }

    pub async fn post_with(&self, path: &str, headers: &[(&str, &str)], body: Value) -> Answer {
        self.json("POST", path, headers, body).await
    }

    pub async fn put(&self, path: &str, tag: &str, body: Value) -> Answer {
        self.json("PUT", path, &[("if-match", tag)], body).await
    }

    pub async fn json(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: Value,
    ) -> Answer {
        let mut all = vec![("content-type", "application/json")];
        all.extend(headers);
        self.send(method, path, &all, Body::from(body.to_string())).await
    }

    pub async fn lines(&self, path: &str, text: impl Into<Body>) -> Answer {
        self.send("POST", path, &[("content-type", "application/x-ndjson")], text.into()).await
    }

    pub async fn send(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: Body,
    ) -> Answer {
        let mut request = Request::builder().method(method).uri(path);
        if !self.token.is_empty() {
            request = request.header("authorization", format!("Bearer {}", self.token));
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let request = request.body(body).unwrap();
        let response = self.router.clone().oneshot(request).await.unwrap();
        let (parts, body) = response.into_parts();
        let bytes = to_bytes(body, 64 << 20).await.unwrap();
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let bytes = bytes.to_vec();
        Answer { status: parts.status, headers: parts.headers, text, bytes }
    }
}
