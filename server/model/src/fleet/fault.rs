//! What is wrong with one field of a log row.

use std::fmt;

/// A value that cannot be right: which field, what it held, and what would be right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FieldFault {
    /// The field's name, as logs spell it.
    pub field: &'static str,
    /// What was given.
    pub value: String,
    /// What would be right, to follow "must be".
    pub right: String,
}

impl fmt::Display for FieldFault {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} must be {}, not {:?}", self.field, self.right, self.value)
    }
}

/// The values that one field may hold, both ends included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Plausible {
    pub(super) field: &'static str,
    pub(super) least: f64,
    pub(super) most: f64,
    pub(super) unit: &'static str,
}

impl Plausible {
    /// Refuses a value outside the range; not a number is outside.
    pub(super) fn check(&self, value: f64) -> Result<(), FieldFault> {
        let Self { field, least, most, unit } = *self;
        if (least..=most).contains(&value) {
            return Ok(());
        }
        let right = format!("from {least} to {most} {unit}").trim_end().to_owned();
        Err(FieldFault { field, value: value.to_string(), right })
    }
}
