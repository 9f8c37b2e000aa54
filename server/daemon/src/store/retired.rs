//! What is retired from the register and kept for its history.

use chrono::NaiveDate;
use serde_json::{Value, json};

use super::Result;
use super::values::{date, day_number};

/// Since when something is in use no more, and why; `None` while it is.
pub type Retired = Option<(NaiveDate, String)>;

pub(super) fn retired(column: &'static str, day: Option<i64>, reason: Option<String>) -> Result<Retired> {
    day.map(|day| Ok((date(column, day)?, reason.unwrap_or_default()))).transpose()
}

/// Day and reason as they stand in their columns.
pub(super) fn retired_columns(retired: Option<&(NaiveDate, String)>) -> (Option<i64>, Option<&str>) {
    (retired.map(|(on, _)| day_number(*on)), retired.map(|(_, reason)| reason.as_str()))
}

pub(super) fn retired_view(retired: Option<&(NaiveDate, String)>) -> Value {
    json!(retired.map(|(on, reason)| json!({"on": on, "reason": reason})))
}
