//! What a change says of something that is retired, or brought back.

use super::logs::LONGEST_TEXT;
use super::orders::checked;
use super::problem::{Fault, Problem};
use super::values;
use crate::store::Retired;

/// Reads day and reason; `None` where the change leaves it as it is.
pub(super) fn retirement(on: Option<Option<String>>, reason: Option<String>) -> Result<Option<Retired>, Problem> {
    let lacks = |field: &str, says: &str| Err(Problem::body(Fault::field(format!("/{field}"), None, says)));
    match (on, reason) {
        (None, None) => Ok(None),
        (None, Some(_)) => lacks("retired_on", "give the day since which it is retired"),
        (Some(None), _) => Ok(Some(None)),
        (Some(Some(_)), None) => lacks("retired_reason", "say why"),
        (Some(Some(day)), Some(reason)) => {
            let on = checked("retired_on", &day, values::date(&day))?;
            Ok(Some(Some((on, checked("retired_reason", &reason, values::name(&reason, LONGEST_TEXT))?))))
        }
    }
}
