//! JSON bodies: what can't be read is a problem that names the place.

use axum::extract::{FromRequest, Json, Request};
use serde::de::DeserializeOwned;

use crate::problem::Problem;

/// A JSON body. Unknown fields are refused by the type itself.
pub struct Body<T>(pub T);

impl<T, S> FromRequest<S> for Body<T>
where
    T: DeserializeOwned,
    S: Send + Sync,
{
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        match Json::<T>::from_request(request, state).await {
            Ok(Json(value)) => Ok(Self(value)),
            Err(rejection) => {
                let detail = rejection.body_text();
                Err(match rejection.status() {
                    axum::http::StatusCode::UNPROCESSABLE_ENTITY => {
                        Problem::rule("field-refused", detail)
                    }
                    axum::http::StatusCode::BAD_REQUEST => Problem::malformed(detail),
                    status => Problem::new(status, "body-refused", "The body is not taken", detail),
                })
            }
        }
    }
}
