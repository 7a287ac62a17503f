//! What can go wrong between us and the database.

use sea_orm::{DbErr, RuntimeErr, SqlErr};

/// One broken rule, or a database that failed.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Also for another organisation's rows: whether they exist is not ours to tell.
    #[error("there is no such {noun}")]
    Missing { noun: &'static str },
    #[error(
        "this {noun} was changed by somebody else meanwhile: version {given} was given, {current} \
         holds; look at it again and repeat the change"
    )]
    Stale { noun: &'static str, given: i64, current: i64 },
    #[error("another {noun} has the same {}", key.replace('_', " "))]
    Taken { noun: &'static str, key: String },
    #[error("this {noun} names something that is not there, or something there still names it")]
    Dangling { noun: &'static str },
    #[error("this {noun} breaks the rule {rule}")]
    Refused { noun: &'static str, rule: String },
    #[error("{what}")]
    Broken { rule: &'static str, what: String },
    #[error("a row holds what no version of this program has written")]
    Corrupt(#[source] Box<dyn std::error::Error + Send + Sync>),
    #[error("\"{given}\" is no database; give sqlite:FILE, a path, or postgres://...")]
    Address { given: String },
    #[error("the database was made by a later version of this program; use that one")]
    Later,
    #[error("the password could not be hashed")]
    Password(#[source] argon2::password_hash::Error),
    #[error("the database failed")]
    Database(#[from] DbErr),
}

impl StoreError {
    /// Stable name of the rule, for problem types, import reports and tests. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::Missing { .. } => "missing",
            Self::Stale { .. } => "changed-meanwhile",
            Self::Taken { .. } => "already-there",
            Self::Dangling { .. } => "names-what-is-not-there",
            Self::Refused { .. } => "value-refused",
            Self::Broken { rule, .. } => rule,
            Self::Corrupt(_) => "row-corrupt",
            Self::Address { .. } => "database-address",
            Self::Later => "database-later",
            Self::Password(_) => "password-hash",
            Self::Database(_) => "database-failed",
        }
    }

    pub(crate) fn corrupt(cause: impl std::error::Error + Send + Sync + 'static) -> Self {
        Self::Corrupt(Box::new(cause))
    }

    /// Names the rule of the schema that a statement on `noun` broke.
    pub(crate) fn on(noun: &'static str, cause: DbErr) -> Self {
        match cause.sql_err() {
            Some(SqlErr::UniqueConstraintViolation(text)) => {
                Self::Taken { noun, key: unique_key(&text) }
            }
            Some(SqlErr::ForeignKeyConstraintViolation(_)) => Self::Dangling { noun },
            _ => match check_rule(&cause) {
                Some(rule) => Self::Refused { noun, rule },
                None => Self::Database(cause),
            },
        }
    }
}

/// The columns of a unique key, from what the database says about it: `engine_fitted_at`.
///
/// PostgreSQL quotes the key's name (`"fittings_engine_fitted_at_unique"`), SQLite lists columns
/// (`fittings.organisation_id, fittings.engine_id, fittings.fitted_at`); our names are made so that
/// both give the same.
fn unique_key(text: &str) -> String {
    if let Some(name) = text.split('"').nth(1) {
        let name = name.strip_suffix("_unique").unwrap_or(name);
        return crate::entity::TABLES
            .iter()
            .filter_map(|table| name.strip_prefix(table)?.strip_prefix('_'))
            .min_by_key(|key| key.len())
            .unwrap_or(name)
            .to_owned();
    }
    let columns = text.rsplit(": ").next().unwrap_or(text);
    columns
        .split(", ")
        .map(|column| column.rsplit('.').next().unwrap_or(column))
        .filter(|column| *column != "organisation_id")
        .map(|column| column.strip_suffix("_id").unwrap_or(column))
        .collect::<Vec<_>>()
        .join("_")
}

/// The name of the check that a statement broke.
fn check_rule(cause: &DbErr) -> Option<String> {
    let (DbErr::Exec(RuntimeErr::SqlxError(source)) | DbErr::Query(RuntimeErr::SqlxError(source))) =
        cause
    else {
        return None;
    };
    let database = source.as_database_error()?;
    if !database.is_check_violation() {
        return None;
    }
    let named = database.constraint().map(str::to_owned);
    named.or_else(|| database.message().rsplit(": ").next().map(str::to_owned))
}
