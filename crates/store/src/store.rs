//! A database, its settings and its transactions.

use std::sync::Arc;
use std::time::Duration;

use migrations::{Migrator, MigratorTrait as _};
use sea_orm::sqlx::sqlite::{SqliteJournalMode, SqliteSynchronous};
use sea_orm::{
    ConnectOptions, Database, DatabaseConnection, DatabaseTransaction, IsolationLevel,
    SqliteTransactionMode, TransactionOptions, TransactionTrait as _,
};
use tokio::sync::Mutex;

use crate::error::StoreError;

/// What reads take when they need no transaction.
pub type Connection = DatabaseConnection;
/// What writes take.
pub type Transaction = DatabaseTransaction;

const CONNECTIONS_MAX: u32 = 10;
/// How long a writer of another process is waited for.
const BUSY: Duration = Duration::from_secs(10);
/// How long a request waits for a free connection.
const ACQUIRE: Duration = Duration::from_secs(30);

/// Which kind of database it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Backend {
    Sqlite,
    Postgres,
}

/// An open database. Cheap to clone.
#[derive(Clone, Debug)]
pub struct Store {
    connection: DatabaseConnection,
    backend: Backend,
    /// SQLite has one writer at a time and lets the others poll, so some would starve: those of
    /// this process queue here, before they take a connection.
    writer: Option<Arc<Mutex<()>>>,
}

impl Store {
    /// Opens `address`: a path or `sqlite:PATH` (made where it is not there), or `postgres://...`.
    ///
    /// SQLite: write-ahead log, foreign keys on, synchronous FULL, so that what was acknowledged
    /// survives a power cut.
    pub async fn open(address: &str) -> Result<Self, StoreError> {
        let (backend, url) = resolve(address)?;
        let mut options = ConnectOptions::new(url);
        options
            .max_connections(CONNECTIONS_MAX)
            .acquire_timeout(ACQUIRE)
            .sqlx_logging(false)
            .map_sqlx_sqlite_opts(|sqlite| {
                sqlite
                    .create_if_missing(true)
                    .journal_mode(SqliteJournalMode::Wal)
                    .foreign_keys(true)
                    .busy_timeout(BUSY)
                    .synchronous(SqliteSynchronous::Full)
            });
        let connection = Database::connect(options).await?;
        let writer = (backend == Backend::Sqlite).then(|| Arc::new(Mutex::new(())));
        Ok(Self { connection, backend, writer })
    }

    /// Brings the schema up to date.
    ///
    /// # Errors
    /// `Later` where a later version of the program was here: nothing is touched then.
    pub async fn migrate(&self) -> Result<(), StoreError> {
        let known = Migrator::migrations();
        let applied = Migrator::get_migration_models(&self.connection).await?;
        if applied.iter().any(|one| known.iter().all(|ours| ours.name() != one.version)) {
            return Err(StoreError::Later);
        }
        Ok(Migrator::up(&self.connection, None).await?)
    }

    /// Ends every connection; of SQLite one file is left, its log written back.
    ///
    /// # Errors
    /// The database failed.
    pub async fn close(&self) -> Result<(), StoreError> {
        Ok(self.connection.close_by_ref().await?)
    }

    pub const fn backend(&self) -> Backend {
        self.backend
    }

    /// For reads that need no transaction, and for the job queue's own tables.
    pub const fn connection(&self) -> &Connection {
        &self.connection
    }

    /// Runs `work` in a transaction: commits on `Ok`, rolls back on `Err`.
    ///
    /// On SQLite it is the only writer from its start (IMMEDIATE), so what it read still holds when
    /// it writes; on PostgreSQL rows read to be changed must be locked, as [`crate::record::lock`]
    /// and [`crate::record::change`] do.
    pub async fn write<T, E>(
        &self,
        work: impl AsyncFnOnce(&Transaction) -> Result<T, E>,
    ) -> Result<T, E>
    where
        E: From<StoreError>,
    {
        let turn = match &self.writer {
            Some(writer) => Some(writer.lock().await),
            None => None,
        };
        let options = TransactionOptions {
            sqlite_transaction_mode: Some(SqliteTransactionMode::Immediate),
            ..TransactionOptions::default()
        };
        let transaction = self.begin(options).await?;
        let done = work(&transaction).await;
        let end = match done {
            Ok(_) => transaction.commit().await,
            Err(_) => transaction.rollback().await,
        };
        drop(turn);
        let done = done?;
        end.map_err(StoreError::from)?;
        Ok(done)
    }

    /// Runs `work` on the database as it is now, whatever others write meanwhile.
    pub async fn read<T, E>(
        &self,
        work: impl AsyncFnOnce(&Transaction) -> Result<T, E>,
    ) -> Result<T, E>
    where
        E: From<StoreError>,
    {
        let options = match self.backend {
            Backend::Sqlite => TransactionOptions::default(),
            Backend::Postgres => TransactionOptions {
                isolation_level: Some(IsolationLevel::RepeatableRead),
                ..TransactionOptions::default()
            },
        };
        let transaction = self.begin(options).await?;
        let done = work(&transaction).await?;
        transaction.rollback().await.map_err(StoreError::from)?;
        Ok(done)
    }

    async fn begin(&self, options: TransactionOptions) -> Result<Transaction, StoreError> {
        Ok(self.connection.begin_with_options(options).await?)
    }
}

fn resolve(address: &str) -> Result<(Backend, String), StoreError> {
    if address.starts_with("postgres://") || address.starts_with("postgresql://") {
        return Ok((Backend::Postgres, address.to_owned()));
    }
    let path = address.strip_prefix("sqlite:").unwrap_or(address);
    let path = path.strip_prefix("//").unwrap_or(path);
    if path.is_empty() || path.contains("://") || path.starts_with(":memory:") {
        return Err(StoreError::Address { given: address.to_owned() });
    }
    // A path may hold what means something in a URL.
    let escaped = path.replace('%', "%25").replace('?', "%3F").replace('#', "%23");
    Ok((Backend::Sqlite, format!("sqlite://{escaped}")))
}
