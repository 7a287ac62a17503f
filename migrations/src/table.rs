//! A table as all of ours are made: rows of an organisation, checks and keys in the database.
//!
//! Invariants: the primary key is `(organisation_id, id)`, and so a foreign key between two tables
//! carries the organisation too: a row can't refer to another organisation's. Each index leads with
//! `organisation_id`, but for the few by which a secret is looked up before the organisation is
//! known. Names are `table_name_kind`, so that a violation can be traced to its rule.

use sea_orm_migration::prelude::{
    Alias, Check, ColumnDef, ConditionalStatement as _, DbErr, Expr, ExprTrait as _, ForeignKey,
    ForeignKeyCreateStatement, Index, IndexCreateStatement, SchemaManager, Table as Statement,
};

const ORGANISATION: &str = "organisation_id";

/// A table to be, with its indexes.
pub struct Table {
    name: &'static str,
    owned: bool,
    columns: Vec<Column>,
    foreign_keys: Vec<ForeignKeyCreateStatement>,
    checks: Vec<Check>,
    indexes: Vec<IndexCreateStatement>,
}

struct Column {
    definition: ColumnDef,
    null: bool,
}

/// Creates `tables` in their order.
pub async fn create(manager: &SchemaManager<'_>, tables: Vec<Table>) -> Result<(), DbErr> {
    for table in tables {
        let indexes = table.indexes.clone();
        manager.create_table(table.into_statement()).await?;
        for index in indexes {
            manager.create_index(index).await?;
        }
    }
    Ok(())
}

/// Drops `tables`, the last first, since it may refer to those before it.
pub async fn drop(manager: &SchemaManager<'_>, tables: Vec<Table>) -> Result<(), DbErr> {
    for table in tables.iter().rev() {
        manager.drop_table(Statement::drop().table(table.name).to_owned()).await?;
    }
    Ok(())
}

impl Table {
    /// Rows of an organisation that are never changed in place.
    pub fn rows(name: &'static str) -> Self {
        let table = Self::bare(name).uuid(ORGANISATION).uuid("id");
        let mut key = ForeignKey::create();
        key.from(name, ORGANISATION).to("organisations", "id");
        Self { owned: true, foreign_keys: vec![key.to_owned()], ..table }
    }

    /// Rows of an organisation that people change: each carries the count of its changes.
    pub fn shared(name: &'static str) -> Self {
        Self::rows(name).big("version").check("version", "version > 0")
    }

    /// The one table that belongs to no organisation: that of organisations.
    pub fn root(name: &'static str) -> Self {
        Self::bare(name).uuid("id").big("version").check("version", "version > 0")
    }

    fn bare(name: &'static str) -> Self {
        let (columns, foreign_keys) = (Vec::new(), Vec::new());
        Self { name, owned: false, columns, foreign_keys, checks: Vec::new(), indexes: Vec::new() }
    }

    fn column(
        mut self,
        name: &'static str,
        of: impl FnOnce(&mut ColumnDef) -> &mut ColumnDef,
    ) -> Self {
        let mut definition = ColumnDef::new(name);
        of(&mut definition);
        self.columns.push(Column { definition, null: false });
        self
    }

    pub fn uuid(self, name: &'static str) -> Self {
        self.column(name, ColumnDef::uuid)
    }

    pub fn text(self, name: &'static str) -> Self {
        self.column(name, ColumnDef::text)
    }

    pub fn int(self, name: &'static str) -> Self {
        self.column(name, ColumnDef::integer)
    }

    pub fn big(self, name: &'static str) -> Self {
        self.column(name, ColumnDef::big_integer)
    }

    pub fn real(self, name: &'static str) -> Self {
        self.column(name, ColumnDef::double)
    }

    pub fn bool(self, name: &'static str) -> Self {
        self.column(name, ColumnDef::boolean)
    }

    pub fn date(self, name: &'static str) -> Self {
        self.column(name, ColumnDef::date)
    }

    pub fn instant(self, name: &'static str) -> Self {
        self.column(name, ColumnDef::timestamp_with_time_zone)
    }

    pub fn json(self, name: &'static str) -> Self {
        self.column(name, ColumnDef::json_binary)
    }

    pub fn blob(self, name: &'static str) -> Self {
        self.column(name, ColumnDef::blob)
    }

    /// The column just added may be empty.
    pub fn or_null(mut self) -> Self {
        if let Some(column) = self.columns.last_mut() {
            column.null = true;
        }
        self
    }

    /// A word out of a closed list.
    pub fn one_of(self, name: &'static str, words: &'static [&'static str]) -> Self {
        let mut table = self.text(name);
        table.checks.push(Check::named(
            Alias::new(format!("{}_{name}_word", table.name)),
            Expr::col(name).is_in(words.iter().copied()),
        ));
        table
    }

    /// The id of a row of `parent`, of the same organisation.
    pub fn refer(self, name: &'static str, parent: &'static str) -> Self {
        let mut table = self.uuid(name);
        let mut key = ForeignKey::create();
        key.from(table.name, ORGANISATION).from_col(name);
        key.to(parent, ORGANISATION).to_col("id");
        table.foreign_keys.push(key.to_owned());
        table
    }

    pub fn check(mut self, name: &str, rule: &'static str) -> Self {
        let name = Alias::new(format!("{}_{name}_check", self.name));
        self.checks.push(Check::named(name, Expr::cust(rule)));
        self
    }

    pub fn unique(self, name: &str, columns: &[&'static str]) -> Self {
        self.keyed(name, "unique", columns, None)
    }

    pub fn unique_where(self, name: &str, columns: &[&'static str], rule: &'static str) -> Self {
        self.keyed(name, "unique", columns, Some(rule))
    }

    pub fn index(self, name: &str, columns: &[&'static str]) -> Self {
        self.keyed(name, "index", columns, None)
    }

    /// No two organisations share a value: for hashes of random secrets only.
    pub fn unique_everywhere(mut self, column: &'static str) -> Self {
        let name = format!("{}_{column}_unique", self.name);
        self.indexes.push(Index::create().name(name).table(self.name).col(column).unique().take());
        self
    }

    /// Finds rows before the organisation is known.
    pub fn index_everywhere(mut self, column: &'static str) -> Self {
        let name = format!("{}_{column}_everywhere", self.name);
        self.indexes.push(Index::create().name(name).table(self.name).col(column).take());
        self
    }

    fn keyed(
        mut self,
        name: &str,
        kind: &str,
        columns: &[&'static str],
        rule: Option<&'static str>,
    ) -> Self {
        let mut index = Index::create();
        index.name(format!("{}_{name}_{kind}", self.name)).table(self.name).col(ORGANISATION);
        for column in columns {
            index.col(*column);
        }
        if kind == "unique" {
            index.unique();
        }
        if let Some(rule) = rule {
            index.and_where(Expr::cust(rule));
        }
        self.indexes.push(index);
        self
    }

    fn into_statement(self) -> sea_orm_migration::prelude::TableCreateStatement {
        let mut statement = Statement::create();
        statement.table(self.name);
        for mut column in self.columns {
            if column.null {
                column.definition.null();
            } else {
                column.definition.not_null();
            }
            statement.col(column.definition);
        }
        let mut primary = Index::create();
        if self.owned {
            primary.col(ORGANISATION);
        }
        statement.primary_key(primary.col("id"));
        for mut key in self.foreign_keys {
            statement.foreign_key(&mut key);
        }
        for check in self.checks {
            statement.check(check);
        }
        statement
    }
}
