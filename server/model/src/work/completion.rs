//! What must stand before an order is closed.

use chrono::{DateTime, Utc};

use super::job::too_few;
use super::procedure::CODES;
use super::{Ask, Entry, Item, Job, Missing, Override, Role, Step};
use crate::fleet::Outcome;

impl Job<'_> {
    /// Whether the order may be closed at `now` with `outcome`.
    ///
    /// `serviced` needs every step recorded and passed, and no standing stop. Whatever the outcome, a system that was
    /// unplugged is plugged in with its latch seated and its codes are read after. An override counts when it was given
    /// after the system was last open, one of the lock-out whenever it was given.
    ///
    /// # Errors
    /// Every missing item.
    pub fn completion(&self, outcome: Outcome, now: DateTime<Utc>) -> Result<(), Vec<Missing>> {
        let entries = self.until(now);
        let opening = |entry: &&Entry| {
            let step = self.procedure.step(entry.step);
            step.is_some_and(|step| step.opens_high_voltage || step.role == Role::PlugOut)
        };
        let opened = entries.iter().rposition(opening);
        let mut missing = Vec::new();
        if outcome == Outcome::Serviced {
            missing.extend(self.unfinished(&entries, now));
        }
        let must_close =
            outcome == Outcome::Serviced && self.procedure.steps.iter().any(|step| step.opens_high_voltage);
        if opened.is_some() || must_close {
            missing.extend(self.unclosed(entries.get(opened.unwrap_or(0)..).unwrap_or_default()));
        }
        let since = opened.and_then(|index| entries.get(index)).map(|entry| entry.at);
        let given = |item: Item| {
            let fresh = |at: DateTime<Utc>| matches!(item, Item::LockOut(_)) || since.is_none_or(|since| since < at);
            let counts = |given: &Override| given.item == item && given.at <= now && fresh(given.at);
            item.overridable() && self.overrides.iter().any(counts)
        };
        missing.retain(|missing| !given(missing.item));
        if missing.is_empty() { Ok(()) } else { Err(missing) }
    }

    /// Steps without an entry that passed; lifts, latch and codes are named as such.
    fn unfinished(&self, entries: &[&Entry], now: DateTime<Utc>) -> Vec<Missing> {
        let mut missing = Vec::new();
        if let Some(stop) = self.stopped(now) {
            let says = format!("a reading at or over the limit at {} stopped the order", stop.at);
            missing.push(Missing { item: Item::Stopped, pointer: format!("/steps/{}", stop.step), says });
        }
        let closing = self.procedure.steps.iter().any(|step| step.opens_high_voltage);
        for step in &self.procedure.steps {
            if closing && matches!(step.role, Role::PlugIn | Role::Codes) {
                continue;
            }
            let latest = entries.iter().rfind(|entry| entry.step == step.number);
            let item = match step.role {
                Role::Lift => Item::People,
                role if role.lock_place().is_some() => Item::LockOut(role),
                _ => Item::Step(step.number),
            };
            let says = match latest {
                None => Some(format!("step {}, {}, is not recorded", step.number, step.title)),
                Some(entry) => too_few(step, entry).or_else(|| failed(step, entry)),
            };
            missing.extend(says.map(|says| Missing { item, pointer: format!("/steps/{}", step.number), says }));
        }
        missing
    }

    /// What is missing to close the system, in the entries from the last one at which it was open.
    fn unclosed(&self, entries: &[&Entry]) -> Vec<Missing> {
        let plugged = entries.iter().rposition(|entry| self.role(entry) == Some(Role::PlugIn));
        let latch = plugged.and_then(|index| entries.get(index)).and_then(|entry| entry.text("latch"));
        let read = entries
            .iter()
            .skip(plugged.unwrap_or(0))
            .any(|entry| self.role(entry) == Some(Role::Codes) && entry.text(CODES).is_some());
        let lacks = |stands: bool, item: Item, role: Role, says: &str| {
            let number = self.procedure.step_of(role).map_or(0, |step| step.number);
            (!stands).then(|| Missing { item, pointer: format!("/steps/{number}"), says: says.to_owned() })
        };
        let latch =
            lacks(latch == Some("seated"), Item::Latch, Role::PlugIn, "the plug must be in and its latch seated");
        let read = lacks(read, Item::Codes, Role::Codes, "codes must be read after the plug is in");
        latch.into_iter().chain(read).collect()
    }
}

/// Which choice of the entry did not pass.
fn failed(step: &Step, entry: &Entry) -> Option<String> {
    step.records.iter().find_map(|record| match &record.ask {
        Ask::Choice { pass, .. } if !pass.is_empty() => {
            let chosen = entry.text(&record.name)?;
            let failed = pass.iter().all(|word| word != chosen);
            failed.then(|| format!("step {}: `{}` is `{chosen}`", step.number, record.name))
        }
        _ => None,
    })
}
