//! Evidence: what was recorded at a step, by whom, and when the server heard of it.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};

use super::{Ask, Record, Step};

/// A recorded value; the procedure's record says what it means.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A number in the record's unit.
    Number(f64),
    /// A choice, a person's code, a photo's reference or a remark.
    Text(String),
}

/// One entry in an order's evidence. Entries are never changed: a step done again is a new entry, and the latest counts.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Number of the step.
    pub step: u32,
    /// When the server took it: gates go by this time.
    pub at: DateTime<Utc>,
    /// When it was done, as told; the same as `at` when nothing was told.
    pub done_at: DateTime<Utc>,
    /// Code of the person who did it.
    pub by: String,
    /// Codes of those who worked with them.
    pub with: Vec<String>,
    /// What was recorded, by the record's name.
    pub records: BTreeMap<String, Value>,
    /// Ids of the gear used.
    pub gear: Vec<String>,
}

/// What is wrong with an entry as it was sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EntryFault {
    /// JSON pointer to the field, such as `/records/latch`.
    pub pointer: String,
    /// What is wrong and what would be right.
    pub says: String,
}

/// An entry may be told to be done this much after the server's time: clocks differ.
const AHEAD: TimeDelta = TimeDelta::minutes(5);

impl Entry {
    /// Whether it was told more than `after` later than it was done; shown for as long as the entry is.
    #[must_use]
    pub fn is_late(&self, after: TimeDelta) -> bool {
        self.at - self.done_at > after
    }

    /// When it was done, as told, but no later than the server heard of it.
    pub(super) fn done(&self) -> DateTime<Utc> {
        self.done_at.min(self.at)
    }

    /// The people at the step, each once.
    #[must_use]
    pub fn people(&self) -> Vec<&str> {
        let mut people: Vec<_> = std::iter::once(&self.by).chain(&self.with).map(|code| code.trim()).collect();
        people.sort_unstable();
        people.dedup();
        people.retain(|code| !code.is_empty());
        people
    }

    /// The text recorded under `name`, without blanks around it; `None` when there is none.
    #[must_use]
    pub fn text(&self, name: &str) -> Option<&str> {
        match self.records.get(name)? {
            Value::Text(text) => Some(text.trim()).filter(|text| !text.is_empty()),
            Value::Number(_) => None,
        }
    }

    /// Whether every record is one of the step's, of its type and within its limits, and none that is required is missing.
    ///
    /// A residual voltage has no limit here: a high one is recorded, and stops the order.
    ///
    /// # Errors
    /// Every fault with its pointer.
    pub fn check(&self, step: &Step) -> Result<(), Vec<EntryFault>> {
        let mut faults = Vec::new();
        let mut fault = |pointer: String, says: String| faults.push(EntryFault { pointer, says });
        if self.by.trim().is_empty() {
            fault("/by".into(), "say who did it".into());
        }
        if self.done_at > self.at + AHEAD {
            fault("/done_at".into(), format!("it cannot be done later than now, {}", self.at));
        }
        for name in self.records.keys().filter(|name| step.records.iter().all(|record| record.name != **name)) {
            let known: Vec<_> = step.records.iter().map(|record| record.name.as_str()).collect();
            fault(format!("/records/{name}"), format!("step {} records {}", step.number, known.join(", ")));
        }
        for record in &step.records {
            if let Some(says) =
                self.records.get(&record.name).map_or_else(|| record.absent(), |value| record.unlike(value))
            {
                fault(format!("/records/{}", record.name), says);
            }
        }
        if faults.is_empty() { Ok(()) } else { Err(faults) }
    }
}

impl Record {
    fn absent(&self) -> Option<String> {
        self.required.then(|| format!("this step records {}", self.wanted()))
    }

    /// What is wrong with `value` as this record.
    fn unlike(&self, value: &Value) -> Option<String> {
        let fits = match (&self.ask, value) {
            (Ask::Choice { options, .. }, Value::Text(text)) => options.contains(text),
            (Ask::Number { low, high, .. }, Value::Number(number)) => (*low..=*high).contains(number),
            (Ask::Residual, Value::Number(volts)) => volts.is_finite(),
            (Ask::Name | Ask::Photo | Ask::Text, Value::Text(text)) => !text.trim().is_empty(),
            _ => false,
        };
        (!fits).then(|| format!("this is {}", self.wanted()))
    }

    fn wanted(&self) -> String {
        match &self.ask {
            Ask::Choice { options, .. } => format!("one of {}", options.join(", ")),
            Ask::Number { unit, low, high } => format!("a number from {low} to {high} {unit}"),
            Ask::Residual => "the volts read at the point, as a number".into(),
            Ask::Name => "a person's code".into(),
            Ask::Photo => "a reference to a photo".into(),
            Ask::Text => "a text".into(),
        }
    }
}
