//! The work order: its status and the acts that move it.

use std::fmt;
use std::ops::Range;

use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, TimeZone, Timelike, Utc};
use chrono_tz::Tz;

use super::{Metres, day_start};

/// Status of a work order, as RFC 5545 names the states of a to-do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Status {
    /// In the queue, not begun.
    NeedsAction,
    /// Begun.
    InProcess,
    /// Closed with an outcome.
    Completed,
    /// Closed without work.
    Cancelled,
}

impl Status {
    /// Every status, in the order of an order's life.
    pub const ALL: [Self; 4] = [Self::NeedsAction, Self::InProcess, Self::Completed, Self::Cancelled];

    /// The status in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::NeedsAction => "needs-action",
            Self::InProcess => "in-process",
            Self::Completed => "completed",
            Self::Cancelled => "cancelled",
        }
    }

    /// Reads a status.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|status| status.as_str() == text)
    }

    /// Whether work is still to be done.
    #[must_use]
    pub const fn is_open(self) -> bool {
        matches!(self, Self::NeedsAction | Self::InProcess)
    }
}

/// What came of the work.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The whole job was done: the interval starts again.
    Serviced,
    /// Part of it was done: the interval goes on.
    Partly,
    /// Nothing was done: the interval goes on.
    NotDone,
}

impl Outcome {
    /// Every outcome.
    pub const ALL: [Self; 3] = [Self::Serviced, Self::Partly, Self::NotDone];

    /// The outcome in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Serviced => "serviced",
            Self::Partly => "partly",
            Self::NotDone => "not-done",
        }
    }

    /// Reads an outcome.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|outcome| outcome.as_str() == text)
    }
}

/// How an order was closed.
#[derive(Clone, Debug, PartialEq)]
pub struct Completion {
    /// What came of the work.
    pub outcome: Outcome,
    /// When it was done.
    pub at: DateTime<Utc>,
    /// Odometer then; an outcome of `serviced` needs it, since the interval restarts there.
    pub odometer: Option<Metres>,
    /// Who did it.
    pub by: String,
    /// What else was noted.
    pub note: Option<String>,
}

/// A person's answer to an order, as RFC 5545 names it (PARTSTAT).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Partstat {
    /// Has not answered.
    NeedsAction,
    /// Has taken the order.
    Accepted,
    /// Has declined it.
    Declined,
}

impl Partstat {
    /// The answer in answers and calendars.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::NeedsAction => "needs-action",
            Self::Accepted => "accepted",
            Self::Declined => "declined",
        }
    }
}

/// Somebody's no to an order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Declined {
    /// Who declined.
    pub by: String,
    /// Why.
    pub reason: String,
    /// When.
    pub at: DateTime<Utc>,
}

/// Work that rests.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pause {
    /// Why.
    pub reason: String,
    /// Since when.
    pub at: DateTime<Utc>,
}

/// When and where an order is to be worked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Plan {
    /// Local day of the depot.
    pub on: NaiveDate,
    /// When it begins, local time.
    pub start: NaiveTime,
    /// How many minutes the bay and the people are taken.
    pub minutes: u32,
    /// Number of the bay, from 1.
    pub bay: u32,
    /// Codes of those it is meant for; the order is theirs only once one of them accepts it.
    pub technicians: Vec<String>,
    /// Ids of the pieces of gear promised to it; empty where any in date will do.
    pub gear: Vec<String>,
}

impl Plan {
    /// When it begins; a time that clocks skip counts from the day's start.
    #[must_use]
    pub fn starts_at(&self, zone: Tz) -> DateTime<Utc> {
        let local = zone.from_local_datetime(&self.on.and_time(self.start)).earliest();
        let counted = || day_start(self.on, zone) + TimeDelta::minutes(self.minutes_of_day().start.into());
        local.map_or_else(counted, |at| at.to_utc())
    }

    /// When bay and people are free again.
    #[must_use]
    pub fn ends_at(&self, zone: Tz) -> DateTime<Utc> {
        self.starts_at(zone) + TimeDelta::minutes(self.minutes.into())
    }

    /// The minutes of the day it takes; one that runs past midnight ends later than 24 h.
    #[must_use]
    pub fn minutes_of_day(&self) -> Range<u32> {
        let start = self.start.num_seconds_from_midnight() / 60;
        start..start.saturating_add(self.minutes)
    }

    /// Whether both take place at one time.
    #[must_use]
    pub fn overlaps(&self, other: &Self) -> bool {
        let (own, theirs) = (self.minutes_of_day(), other.minutes_of_day());
        self.on == other.on && own.start < theirs.end && theirs.start < own.end
    }
}

/// A planned day on which the work was not begun.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Missed {
    /// The day planned.
    pub on: NaiveDate,
    /// Why, such as that the car did not come.
    pub reason: String,
}

/// The dispatcher's answer to a planned slot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Confirmed {
    /// Who confirmed that the car will be there.
    pub by: String,
    /// When.
    pub at: DateTime<Utc>,
}

/// A planned slot that the dispatcher refused.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused {
    /// The day planned.
    pub on: NaiveDate,
    /// Who refused.
    pub by: String,
    /// Why.
    pub reason: String,
}

/// When a car will be back, where it takes longer than planned.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ExpectedBack {
    /// When.
    pub at: DateTime<Utc>,
    /// Why it takes longer.
    pub reason: String,
}

/// The part of a work order that acts change.
#[derive(Clone, Debug, PartialEq)]
pub struct Order {
    /// Where it stands.
    pub status: Status,
    /// Who has taken it.
    pub assigned_to: Option<String>,
    /// When work began.
    pub started_at: Option<DateTime<Utc>>,
    /// How it was closed, once it is `completed`.
    pub completion: Option<Completion>,
    /// Why it was cancelled or reopened, last reason given.
    pub closing_reason: Option<String>,
    /// Until when an order that was taken waits for its start; then it is back in the queue. `None` without end.
    pub lease_until: Option<DateTime<Utc>>,
    /// Who has declined it since it was last opened.
    pub declined: Vec<Declined>,
    /// Why work rests, while it does.
    pub paused: Option<Pause>,
    /// When it is to be worked.
    pub plan: Option<Plan>,
    /// Planned days that went by.
    pub missed: Vec<Missed>,
    /// The dispatcher's word that the car will be there as planned.
    pub confirmed: Option<Confirmed>,
    /// Slots that the dispatcher refused.
    pub refused: Vec<Refused>,
    /// When the car will be back, where it takes longer than planned.
    pub back: Option<ExpectedBack>,
    /// When work was last begun, resumed or handed over: a gate counts no evidence from before, since nobody has kept an
    /// eye on the car throughout.
    pub counts_from: Option<DateTime<Utc>>,
}

/// What somebody does to a work order.
#[derive(Clone, Debug, PartialEq)]
pub enum Act {
    /// Take the order; taking it once more renews the lease.
    Accept {
        /// Who takes it.
        by: String,
        /// How long it waits for the start; `None` without end.
        lease: Option<TimeDelta>,
    },
    /// Say no to the order, or give it back before work has begun.
    Decline {
        /// Who.
        by: String,
        /// Why.
        reason: String,
    },
    /// Give the order to somebody else, who is there and takes it.
    HandOver {
        /// Who has it.
        by: String,
        /// Who gets it.
        to: String,
    },
    /// Let the work rest.
    Pause {
        /// Who has the order.
        by: String,
        /// Why.
        reason: String,
    },
    /// Go on after a pause.
    Resume {
        /// Who has the order.
        by: String,
    },
    /// Plan it for a day, or anew.
    Plan(Plan),
    /// The planned day went by: the order waits for a new one.
    Missed {
        /// The depot's local day now.
        today: NaiveDate,
        /// Why.
        reason: String,
    },
    /// The dispatcher will bring the car as planned.
    Confirm {
        /// Who.
        by: String,
    },
    /// The dispatcher cannot spare the car then: the order waits for another plan.
    Refuse {
        /// Who.
        by: String,
        /// Why.
        reason: String,
    },
    /// The work takes longer: the car will be back later than planned.
    Overrun(ExpectedBack),
    /// Begin the work.
    Start {
        /// Who begins; may be left out when the order is taken.
        by: Option<String>,
    },
    /// Close it with an outcome.
    Complete(Completion),
    /// Close it without work.
    Cancel {
        /// Why.
        reason: String,
    },
    /// Open a closed order again; what its completion did to the interval is undone.
    Reopen {
        /// Why.
        reason: String,
    },
}

/// Why an act is refused.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// The order's status does not allow the act.
    Status {
        /// The act.
        act: &'static str,
        /// The status found.
        status: Status,
        /// Statuses that would allow it.
        allowed: &'static [Status],
    },
    /// Somebody else has taken the order.
    Taken {
        /// Who has it.
        by: String,
    },
    /// Nobody has taken the order and the act does not say who acts.
    Nobody,
    /// A service without an odometer cannot restart an interval.
    NoOdometer,
    /// Work rests.
    Paused {
        /// Why.
        reason: String,
    },
    /// Work does not rest.
    NotPaused,
    /// An order cannot be handed to the one who has it.
    ToSelf,
    /// The order is not planned for a day.
    NoPlan,
    /// The planned day has not come.
    NotYet {
        /// That day.
        on: NaiveDate,
    },
    /// The car cannot be back before now.
    BackBefore {
        /// The time told.
        at: DateTime<Utc>,
    },
}

impl fmt::Display for Refusal {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Status { act, status, allowed } => {
                let allowed: Vec<_> = allowed.iter().map(|status| status.as_str()).collect();
                write!(out, "{act} needs an order that is {}, this one is {}", allowed.join(" or "), status.as_str())
            }
            Self::Taken { by } => write!(out, "the order is taken by {by}"),
            Self::Nobody => out.write_str("nobody has taken the order: say who begins in `by`"),
            Self::Paused { reason } => write!(out, "work rests ({reason}): resume it first"),
            Self::NotPaused => out.write_str("work does not rest"),
            Self::ToSelf => out.write_str("an order is handed to somebody else"),
            Self::NoPlan => out.write_str("the order is not planned for a day"),
            Self::NotYet { on } => write!(out, "the order is planned for {on}, which has not come"),
            Self::BackBefore { at } => write!(out, "{at} has gone by: say when the car will be back"),
            Self::NoOdometer => {
                out.write_str("outcome `serviced` needs `odometer` and `distance_unit`: the interval restarts there")
            }
        }
    }
}

const OPEN: &[Status] = &[Status::NeedsAction, Status::InProcess];
const QUEUED: &[Status] = &[Status::NeedsAction];
const BEGUN: &[Status] = &[Status::InProcess];
const CLOSED: &[Status] = &[Status::Completed, Status::Cancelled];

impl Act {
    /// The act's name in the interface.
    #[must_use]
    pub const fn as_str(&self) -> &'static str {
        match self {
            Self::Accept { .. } => "accept",
            Self::Start { .. } => "start",
            Self::Complete(_) => "complete",
            Self::Cancel { .. } => "cancel",
            Self::Reopen { .. } => "reopen",
            Self::Decline { .. } => "decline",
            Self::HandOver { .. } => "hand-over",
            Self::Pause { .. } => "pause",
            Self::Resume { .. } => "resume",
            Self::Plan(_) => "plan",
            Self::Missed { .. } => "missed",
            Self::Confirm { .. } => "confirm-slot",
            Self::Refuse { .. } => "refuse-slot",
            Self::Overrun(_) => "expected-back",
        }
    }

    const fn allowed(&self) -> &'static [Status] {
        match self {
            Self::Accept { .. }
            | Self::Decline { .. }
            | Self::Start { .. }
            | Self::Missed { .. }
            | Self::Confirm { .. }
            | Self::Refuse { .. } => QUEUED,
            Self::Complete(_) | Self::Cancel { .. } | Self::Plan(_) | Self::HandOver { .. } | Self::Overrun(_) => OPEN,
            Self::Pause { .. } | Self::Resume { .. } => BEGUN,
            Self::Reopen { .. } => CLOSED,
        }
    }
}

impl Order {
    /// A new order in the queue.
    #[must_use]
    pub const fn queued() -> Self {
        Self {
            status: Status::NeedsAction,
            assigned_to: None,
            started_at: None,
            completion: None,
            closing_reason: None,
            lease_until: None,
            declined: Vec::new(),
            paused: None,
            plan: None,
            missed: Vec::new(),
            confirmed: None,
            refused: Vec::new(),
            back: None,
            counts_from: None,
        }
    }

    /// The order as it stands at `now`: one whose lease has run out is back in the queue.
    #[must_use]
    pub fn settled(&self, now: DateTime<Utc>) -> Self {
        let over = self.status == Status::NeedsAction && self.lease_until.is_some_and(|until| until <= now);
        let back = |order: &Self| Self { assigned_to: None, lease_until: None, ..order.clone() };
        if over { back(self) } else { self.clone() }
    }

    /// What `person` has answered, in an order as [`Order::settled`] gives it.
    #[must_use]
    pub fn partstat(&self, person: &str) -> Partstat {
        if self.assigned_to.as_deref() == Some(person) {
            Partstat::Accepted
        } else if self.declined.iter().any(|no| no.by == person) {
            Partstat::Declined
        } else {
            Partstat::NeedsAction
        }
    }

    /// Whether steps may be recorded now.
    ///
    /// # Errors
    /// [`Refusal::Status`] unless work has begun, [`Refusal::Paused`] while it rests.
    pub fn may_record(&self) -> Result<(), Refusal> {
        self.allow("step", BEGUN)?;
        self.unpaused()
    }

    fn allow(&self, act: &'static str, allowed: &'static [Status]) -> Result<(), Refusal> {
        if allowed.contains(&self.status) { Ok(()) } else { Err(Refusal::Status { act, status: self.status, allowed }) }
    }

    fn unpaused(&self) -> Result<(), Refusal> {
        self.paused.as_ref().map_or(Ok(()), |pause| Err(Refusal::Paused { reason: pause.reason.clone() }))
    }

    /// The order after `act`, done at `now`.
    ///
    /// # Errors
    /// [`Refusal`] when the act does not fit the order as it stands; the order is then unchanged.
    pub fn after(&self, act: Act, now: DateTime<Utc>) -> Result<Self, Refusal> {
        let order = self.settled(now);
        order.allow(act.as_str(), act.allowed())?;
        match act {
            Act::Accept { by, lease } => order.accepted(by, lease, now),
            Act::Decline { by, reason } => order.declined(Declined { by, reason, at: now }),
            Act::Start { by } => order.started(by, now),
            Act::HandOver { by, to } => order.handed_over(by, to, now),
            Act::Pause { by, reason } => order.rested(by, Pause { reason, at: now }),
            Act::Resume { by } => order.resumed(by, now),
            Act::Plan(plan) => Ok(Self { plan: Some(plan), confirmed: None, back: None, ..order }),
            Act::Missed { today, reason } => order.missed(today, reason),
            Act::Confirm { by } => order.confirmed(Confirmed { by, at: now }),
            Act::Refuse { by, reason } => order.refused(by, reason),
            Act::Overrun(back) if back.at < now => Err(Refusal::BackBefore { at: back.at }),
            Act::Overrun(back) => Ok(Self { back: Some(back), ..order }),
            Act::Complete(completion) => order.completed(completion),
            Act::Cancel { reason } => {
                Ok(Self { status: Status::Cancelled, closing_reason: Some(reason), ..order.put_down() })
            }
            Act::Reopen { reason } => Ok(Self { closing_reason: Some(reason), ..Self::queued() }),
        }
    }

    fn accepted(mut self, by: String, lease: Option<TimeDelta>, now: DateTime<Utc>) -> Result<Self, Refusal> {
        self.declined.retain(|no| no.by != by);
        self.assigned_to = Some(self.hand_to(by)?);
        self.lease_until = lease.map(|lease| now.checked_add_signed(lease).unwrap_or(DateTime::<Utc>::MAX_UTC));
        Ok(self)
    }

    fn declined(mut self, no: Declined) -> Result<Self, Refusal> {
        self.hand_to(no.by.clone())?;
        self.declined.retain(|earlier| earlier.by != no.by);
        self.declined.push(no);
        Ok(Self { assigned_to: None, lease_until: None, ..self })
    }

    fn started(self, by: Option<String>, now: DateTime<Utc>) -> Result<Self, Refusal> {
        let by = by.or_else(|| self.assigned_to.clone()).ok_or(Refusal::Nobody)?;
        Ok(Self {
            assigned_to: Some(self.hand_to(by)?),
            lease_until: None,
            status: Status::InProcess,
            started_at: Some(now),
            counts_from: Some(now),
            ..self
        })
    }

    fn handed_over(self, by: String, to: String, now: DateTime<Utc>) -> Result<Self, Refusal> {
        let holder = self.assigned_to.as_ref().ok_or(Refusal::Nobody)?;
        if *holder == to {
            return Err(Refusal::ToSelf);
        }
        self.hand_to(by)?;
        Ok(Self { assigned_to: Some(to), counts_from: self.counts_from.map(|_| now), ..self })
    }

    fn rested(self, by: String, pause: Pause) -> Result<Self, Refusal> {
        self.hand_to(by)?;
        self.unpaused()?;
        Ok(Self { paused: Some(pause), ..self })
    }

    fn resumed(self, by: String, now: DateTime<Utc>) -> Result<Self, Refusal> {
        self.hand_to(by)?;
        self.paused.as_ref().ok_or(Refusal::NotPaused)?;
        Ok(Self { paused: None, counts_from: Some(now), ..self })
    }

    fn missed(mut self, today: NaiveDate, reason: String) -> Result<Self, Refusal> {
        let on = self.plan.take().ok_or(Refusal::NoPlan)?.on;
        if on > today {
            return Err(Refusal::NotYet { on });
        }
        self.missed.push(Missed { on, reason });
        Ok(Self { confirmed: None, back: None, ..self })
    }

    fn confirmed(self, confirmed: Confirmed) -> Result<Self, Refusal> {
        self.plan.as_ref().ok_or(Refusal::NoPlan)?;
        Ok(Self { confirmed: Some(confirmed), ..self })
    }

    fn refused(mut self, by: String, reason: String) -> Result<Self, Refusal> {
        let on = self.plan.take().ok_or(Refusal::NoPlan)?.on;
        self.refused.push(Refused { on, by, reason });
        Ok(Self { confirmed: None, back: None, ..self })
    }

    fn completed(self, completion: Completion) -> Result<Self, Refusal> {
        self.unpaused()?;
        if completion.outcome == Outcome::Serviced && completion.odometer.is_none() {
            return Err(Refusal::NoOdometer);
        }
        Ok(Self { status: Status::Completed, completion: Some(completion), ..self.put_down() })
    }

    /// Nothing that concerned the open order stands any more.
    fn put_down(self) -> Self {
        Self { lease_until: None, paused: None, plan: None, confirmed: None, back: None, ..self }
    }

    fn hand_to(&self, by: String) -> Result<String, Refusal> {
        match &self.assigned_to {
            Some(holder) if *holder != by => Err(Refusal::Taken { by: holder.clone() }),
            _ => Ok(by),
        }
    }
}

#[cfg(test)]
mod tests;
