//! What a database's own catalogue says of its tables, so that whoever goes over all of them can forget none.

use std::collections::HashSet;

use super::{Engine, Result, StoreError, Tx, within};

/// What a column holds; the house keeps instants and days as whole numbers and JSON as text, alike on both databases.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Form {
    Whole,
    Real,
    Text,
    Bytes,
}

impl Form {
    fn parse(of_catalogue: &str) -> Option<Self> {
        match of_catalogue {
            "INTEGER" | "bigint" => Some(Self::Whole),
            "REAL" | "double precision" => Some(Self::Real),
            "TEXT" | "text" => Some(Self::Text),
            "BLOB" | "bytea" => Some(Self::Bytes),
            _ => None,
        }
    }
}

/// A column.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Column {
    pub name: String,
    pub form: Form,
}

/// A column whose value must be found in another table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Reference {
    pub column: String,
    pub table: String,
    pub to: String,
}

/// A table with its columns by name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Table {
    pub name: String,
    pub columns: Vec<Column>,
    pub references: Vec<Reference>,
}

impl Table {
    /// Its columns as a list in SQL.
    pub(super) fn column_list(&self) -> String {
        let names: Vec<String> = self.columns.iter().map(|column| format!("\"{}\"", column.name)).collect();
        names.join(", ")
    }
}

macro_rules! sqlite_tables {
    ($columns:literal, $joined:literal) => {
        concat!(
            "SELECT t.name, ",
            $columns,
            " FROM sqlite_schema t JOIN ",
            $joined,
            " WHERE t.type = 'table' AND t.name NOT LIKE 'sqlite\\_%' ESCAPE '\\' AND t.name <> '_sqlx_migrations' "
        )
    };
}

macro_rules! postgres_tables {
    ($columns:literal, $joined:literal) => {
        concat!(
            "SELECT CAST(t.relname AS TEXT), ",
            $columns,
            " FROM pg_class t JOIN ",
            $joined,
            " WHERE t.relnamespace = CAST(current_schema() AS regnamespace) AND t.relkind IN ('r', 'p')
                AND NOT t.relispartition AND t.relname <> '_sqlx_migrations' "
        )
    };
}

const COLUMNS_SQLITE: &str = concat!(
    sqlite_tables!("c.name, c.type", "pragma_table_xinfo(t.name) c"),
    "AND c.hidden = 0 ORDER BY t.name, c.name"
);
const COLUMNS_POSTGRES: &str = concat!(
    postgres_tables!("CAST(a.attname AS TEXT), format_type(a.atttypid, NULL)", "pg_attribute a ON a.attrelid = t.oid"),
    "AND a.attnum > 0 AND NOT a.attisdropped AND a.attgenerated = ''
    ORDER BY t.relname COLLATE \"C\", a.attname COLLATE \"C\""
);
const REFERENCES_SQLITE: &str = concat!(
    sqlite_tables!("f.\"from\", f.\"table\", coalesce(f.\"to\", 'id')", "pragma_foreign_key_list(t.name) f"),
    "ORDER BY 1, 2"
);
const REFERENCES_POSTGRES: &str = concat!(
    postgres_tables!(
        "CAST(a.attname AS TEXT), CAST(r.relname AS TEXT), CAST(b.attname AS TEXT)",
        "pg_constraint k ON k.conrelid = t.oid AND k.contype = 'f' JOIN pg_class r ON r.oid = k.confrelid
            JOIN pg_attribute a ON a.attrelid = t.oid AND a.attnum = ANY (k.conkey)
            JOIN pg_attribute b ON b.attrelid = r.oid
                AND b.attnum = k.confkey[array_position(k.conkey, a.attnum)]"
    ),
    "ORDER BY 1, 2"
);
macro_rules! sqlite_guards {
    ($trigger:literal) => {
        concat!(
            "SELECT CASE type WHEN 'index' THEN 'index ' || name ELSE 'trigger ' || ",
            $trigger,
            " END FROM sqlite_schema WHERE type IN ('index', 'trigger') AND sql IS NOT NULL"
        )
    };
}

const GUARDS_SQLITE: &str = sqlite_guards!("name");
/// One trigger does on Postgres what takes two on SQLite: there a table has some or none.
const GUARDED_SQLITE: &str = sqlite_guards!("'of ' || tbl_name");
const GUARDED_POSTGRES: &str =
    "SELECT 'index ' || indexname FROM pg_indexes WHERE schemaname = current_schema() UNION ALL
    SELECT 'trigger of ' || t.relname FROM pg_trigger g JOIN pg_class t ON t.oid = g.tgrelid
    WHERE t.relnamespace = CAST(current_schema() AS regnamespace) AND NOT g.tgisinternal AND g.tgenabled <> 'D'";

impl Tx {
    /// Every table but the record of migrations, each after those it refers to.
    pub(super) async fn tables(&mut self) -> Result<Vec<Table>> {
        let columns = self.pick(COLUMNS_SQLITE, COLUMNS_POSTGRES);
        let columns: Vec<(String, String, String)> = within!(self, c => sqlx::query_as(columns).fetch_all(c).await)?;
        let references = self.pick(REFERENCES_SQLITE, REFERENCES_POSTGRES);
        let references: Vec<(String, String, String, String)> =
            within!(self, c => sqlx::query_as(references).fetch_all(c).await)?;
        let mut tables: Vec<Table> = Vec::new();
        for (table, name, kind) in columns {
            let unknown =
                || StoreError::Refused(format!("{table}.{name} is of the type {kind}, which is not known here"));
            let column = Column { form: Form::parse(&kind).ok_or_else(unknown)?, name };
            match tables.last_mut().filter(|last| last.name == table) {
                Some(last) => last.columns.push(column),
                None => tables.push(Table { name: table, columns: vec![column], references: Vec::new() }),
            }
        }
        for (from, column, table, to) in references {
            let owner = tables.iter_mut().find(|table| table.name == from);
            owner.into_iter().for_each(|owner| {
                owner.references.push(Reference { column: column.clone(), table: table.clone(), to: to.clone() });
            });
        }
        parents_first(tables)
    }

    /// The indexes and triggers that migrations made, told so that they compare with those of `engine`.
    pub(super) async fn guards(&mut self, engine: Engine) -> Result<HashSet<String>> {
        let sql = match engine {
            Engine::Sqlite => GUARDS_SQLITE,
            Engine::Postgres => self.pick(GUARDED_SQLITE, GUARDED_POSTGRES),
        };
        let names: Vec<String> = within!(self, c => sqlx::query_scalar(sql).fetch_all(c).await)?;
        Ok(names.into_iter().collect())
    }
}

fn parents_first(mut rest: Vec<Table>) -> Result<Vec<Table>> {
    let mut sorted: Vec<Table> = Vec::with_capacity(rest.len());
    while !rest.is_empty() {
        let waiting: HashSet<String> = rest.iter().map(|table| table.name.clone()).collect();
        let waits =
            |table: &Table| table.references.iter().any(|to| to.table != table.name && waiting.contains(&to.table));
        let (later, ready): (Vec<_>, Vec<_>) = rest.into_iter().partition(waits);
        if ready.is_empty() {
            let names: Vec<String> = later.into_iter().map(|table| table.name).collect();
            return Err(StoreError::Refused(format!(
                "these tables refer to each other in a circle: {}",
                names.join(", ")
            )));
        }
        sorted.extend(ready);
        rest = later;
    }
    Ok(sorted)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(name: &str, to: &[&str]) -> Table {
        let refer = |table: &&str| Reference { column: "x".into(), table: (*table).into(), to: "id".into() };
        Table { name: name.into(), columns: Vec::new(), references: to.iter().map(refer).collect() }
    }

    #[test]
    fn a_table_comes_after_those_it_refers_to() {
        let sorted = parents_first(vec![table("a", &["b", "a"]), table("b", &["c"]), table("c", &[])]).unwrap();
        assert_eq!(sorted.iter().map(|table| table.name.as_str()).collect::<Vec<_>>(), ["c", "b", "a"]);
        let fault = parents_first(vec![table("a", &["b"]), table("b", &["a"]), table("c", &[])]).unwrap_err();
        assert_eq!(fault.to_string(), "these tables refer to each other in a circle: a, b");
    }
}
