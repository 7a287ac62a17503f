//! Identities in addresses.

use axum::extract::{FromRequestParts, Path};
use axum::http::request::Parts;
use serde::de::DeserializeOwned;
use uuid::Uuid;

use crate::problem::Problem;

/// The `{id}` of an address.
#[derive(Clone, Copy, Debug)]
pub struct Id(pub Uuid);

/// Any other part of an address.
#[derive(Clone, Debug)]
pub struct Part<T>(pub T);

impl<S: Send + Sync> FromRequestParts<S> for Id {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let Part(id) = Part::from_request_parts(parts, state).await?;
        Ok(Self(id))
    }
}

impl<S: Send + Sync, T: DeserializeOwned + Send> FromRequestParts<S> for Part<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let read = Path::<T>::from_request_parts(parts, state).await;
        let Path(value) = read.map_err(|rejection| Problem::malformed(rejection.body_text()))?;
        Ok(Self(value))
    }
}
