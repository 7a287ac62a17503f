//! JSON bodies: what can't be read is a problem that names the field, its value and the rule.

use axum::extract::{FromRequest, Json, Request};
use serde::de::DeserializeOwned;
use serde_json::Value;

use crate::problem::{Fault, Problem};

/// Letters of a text at the most: a long note, and no file.
const LETTERS_MAX: usize = 2_000;
/// Letters of a refused value that are shown.
const LETTERS_SHOWN: usize = 60;

/// A JSON body. Unknown fields are refused by the type itself.
pub struct Body<T>(pub T);

/// A JSON body that is kept as it is given: no text of it is blank.
pub struct FilledBody<T>(pub T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for Body<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        read(request, state, fault_of_text).await.map(Self)
    }
}

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for FilledBody<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        let fault = |text: &str| fault_of_blank(text).or_else(|| fault_of_text(text));
        read(request, state, fault).await.map(Self)
    }
}

/// A rule and what breaks it.
type TextFault = Option<(&'static str, String)>;

async fn read<T: DeserializeOwned, S: Send + Sync>(
    request: Request,
    state: &S,
    fault_of: impl Fn(&str) -> TextFault,
) -> Result<T, Problem> {
    let Json(value) = Json::<Value>::from_request(request, state).await.map_err(|refused| {
        let (status, detail) = (refused.status(), refused.body_text());
        if status == axum::http::StatusCode::BAD_REQUEST {
            Problem::malformed(detail)
        } else {
            Problem::new(status, "body-refused", "The body is not taken", detail)
        }
    })?;
    let mut faults = Vec::new();
    check_texts(&value, "", &fault_of, &mut faults);
    if let Some(first) = faults.first() {
        let detail = format!("{}: {}", first.field.as_deref().unwrap_or("body"), first.message);
        return Err(Problem { faults, ..Problem::rule(FIELD_REFUSED, detail) });
    }
    serde_path_to_error::deserialize(&value).map_err(|error| {
        let (field, message) = (error.path().to_string(), error.inner().to_string());
        // "." where the fault is the body's own, as of a field that it lacks.
        let field = (field != ".").then_some(field);
        let value = field.as_ref().and_then(|_| shown(at(&value, error.path())?));
        let place = field.as_ref().map_or(String::new(), |field| format!("{field}: "));
        let detail = format!("{place}{message}");
        let fault = Fault { line: None, field, value, rule: FIELD_REFUSED.into(), message };
        Problem { faults: vec![fault], ..Problem::rule(FIELD_REFUSED, detail) }
    })
}

const FIELD_REFUSED: &str = "field-refused";

/// What no text may be, in whatever field: the databases and the lists that show it can't hold it.
fn check_texts(
    value: &Value,
    path: &str,
    fault_of: &impl Fn(&str) -> TextFault,
    faults: &mut Vec<Fault>,
) {
    match value {
        Value::String(text) => {
            if let Some((rule, message)) = fault_of(text) {
                let (field, value) = (Some(path.to_owned()), shown(value));
                faults.push(Fault { line: None, field, value, rule: rule.into(), message });
            }
        }
        Value::Array(items) => {
            for (at, item) in items.iter().enumerate() {
                check_texts(item, &format!("{path}[{at}]"), fault_of, faults);
            }
        }
        Value::Object(fields) => {
            for (name, field) in fields {
                let dot = if path.is_empty() { "" } else { "." };
                check_texts(field, &format!("{path}{dot}{name}"), fault_of, faults);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) => {}
    }
}

fn fault_of_blank(text: &str) -> TextFault {
    let message = "is blank; write null, or leave the field out, where there is nothing to say";
    text.trim().is_empty().then(|| ("text-blank", message.to_owned()))
}

fn fault_of_text(text: &str) -> TextFault {
    if text.chars().any(|letter| letter.is_control() && !matches!(letter, '\n' | '\r' | '\t')) {
        return Some(("control-character", "has a control character inside".to_owned()));
    }
    let letters = text.chars().count();
    let message = || format!("has {letters} letters, more than {LETTERS_MAX}");
    (letters > LETTERS_MAX).then(|| ("text-too-long", message()))
}

fn at<'a>(value: &'a Value, path: &serde_path_to_error::Path) -> Option<&'a Value> {
    use serde_path_to_error::Segment;
    path.iter().try_fold(value, |value, segment| match segment {
        Segment::Seq { index } => value.get(index),
        Segment::Map { key } => value.get(key),
        Segment::Enum { .. } | Segment::Unknown => None,
    })
}

/// A value as an answer repeats it; nothing of lists and objects.
fn shown(value: &Value) -> Option<String> {
    let text = match value {
        Value::String(text) => text.escape_debug().to_string(),
        Value::Null | Value::Bool(_) | Value::Number(_) => value.to_string(),
        Value::Array(_) | Value::Object(_) => return None,
    };
    let cut: String = text.chars().take(LETTERS_SHOWN).collect();
    Some(if cut.len() < text.len() { cut + "…" } else { cut })
}
