//! What a work order waits for.

use chrono::{DateTime, Utc};
use ventmile_model::fleet::{Outcome, Status, local_day};
use ventmile_model::work::gear_at_hand;

use super::work::{Bench, gear_rules};
use crate::config;
use crate::store::OrderRecord;

/// Something that an open order waits for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wait {
    /// Somebody who takes it.
    Technician,
    /// Parts that are not here for it.
    Part,
    /// Its car: to be brought in as planned, or not to be spared today.
    Car,
    /// Gear in date at the depot, for a step that is still to be recorded.
    Gear,
    /// Records, without which the work that was begun cannot be completed as serviced.
    Evidence,
}

impl Wait {
    const ALL: [Self; 5] = [Self::Technician, Self::Part, Self::Car, Self::Gear, Self::Evidence];

    /// Its name in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Technician => "technician",
            Self::Part => "part",
            Self::Car => "car",
            Self::Gear => "gear",
            Self::Evidence => "evidence",
        }
    }
}

/// What an order waits for at `now`; nothing once it is closed.
#[must_use]
pub fn waiting(record: &OrderRecord, work: &config::Work, now: DateTime<Utc>) -> Vec<Wait> {
    let order = record.order.settled(now);
    if !order.status.is_open() {
        return Vec::new();
    }
    let bench = Bench::of(work, record, &record.file, now);
    let waits = |wait: &Wait| match wait {
        Wait::Technician => order.assigned_to.is_none(),
        Wait::Part => !record.short_of.is_empty(),
        Wait::Car => order.status == Status::NeedsAction && (order.plan.is_some() || kept_on_duty(record, now)),
        Wait::Gear => bench.as_ref().is_some_and(|bench| !has_gear(bench, record, work, now)),
        Wait::Evidence => {
            let missing = |bench: &Bench<'_>| bench.missing_to_close(Outcome::Serviced, work.records, now);
            order.status == Status::InProcess && bench.as_ref().is_some_and(|bench| !missing(bench).is_empty())
        }
    };
    Wait::ALL.into_iter().filter(waits).collect()
}

/// Whether the dispatcher told on which days the car can be spared, and none of those to come is today.
fn kept_on_duty(record: &OrderRecord, now: DateTime<Utc>) -> bool {
    let today = local_day(now, record.zone);
    let mut ahead = record.spared.iter().filter(|(_, to)| *to >= today).peekable();
    ahead.peek().is_some() && ahead.all(|(from, _)| *from > today)
}

/// Whether the depot has in date what the steps need that are still to be recorded.
fn has_gear(bench: &Bench<'_>, record: &OrderRecord, work: &config::Work, now: DateTime<Utc>) -> bool {
    let today = local_day(now, record.zone);
    gear_at_hand(bench.open_steps(), &record.file.gear, &record.depot, today, &gear_rules(work))
}
