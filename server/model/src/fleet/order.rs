//! The work order: its status and the acts that move it.

use std::fmt;

use chrono::{DateTime, Utc};

use super::Metres;

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
}

/// What somebody does to a work order.
#[derive(Clone, Debug, PartialEq)]
pub enum Act {
    /// Take the order.
    Accept {
        /// Who takes it.
        by: String,
    },
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
            Self::NoOdometer => {
                out.write_str("outcome `serviced` needs `odometer` and `distance_unit`: the interval restarts there")
            }
        }
    }
}

const OPEN: &[Status] = &[Status::NeedsAction, Status::InProcess];
const QUEUED: &[Status] = &[Status::NeedsAction];
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
        }
    }

    const fn allowed(&self) -> &'static [Status] {
        match self {
            Self::Accept { .. } | Self::Start { .. } => QUEUED,
            Self::Complete(_) | Self::Cancel { .. } => OPEN,
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
        }
    }

    /// The order after `act`, done at `now`.
    ///
    /// # Errors
    /// [`Refusal`] when the act does not fit the order as it stands; the order is then unchanged.
    pub fn after(&self, act: Act, now: DateTime<Utc>) -> Result<Self, Refusal> {
        if !act.allowed().contains(&self.status) {
            return Err(Refusal::Status { act: act.as_str(), status: self.status, allowed: act.allowed() });
        }
        let mut next = self.clone();
        match act {
            Act::Accept { by } => next.assigned_to = Some(self.hand_to(by)?),
            Act::Start { by } => {
                let by = by.or_else(|| self.assigned_to.clone()).ok_or(Refusal::Nobody)?;
                next.assigned_to = Some(self.hand_to(by)?);
                next.status = Status::InProcess;
                next.started_at = Some(now);
            }
            Act::Complete(completion) => {
                if completion.outcome == Outcome::Serviced && completion.odometer.is_none() {
                    return Err(Refusal::NoOdometer);
                }
                next.status = Status::Completed;
                next.completion = Some(completion);
            }
            Act::Cancel { reason } => {
                next.status = Status::Cancelled;
                next.closing_reason = Some(reason);
            }
            Act::Reopen { reason } => {
                next = Self { closing_reason: Some(reason), ..Self::queued() };
            }
        }
        Ok(next)
    }

    fn hand_to(&self, by: String) -> Result<String, Refusal> {
        match &self.assigned_to {
            Some(holder) if *holder != by => Err(Refusal::Taken { by: holder.clone() }),
            _ => Ok(by),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn now() -> DateTime<Utc> {
        DateTime::from_timestamp(1_760_000_000, 0).unwrap()
    }

    fn serviced() -> Act {
        Act::Complete(Completion {
            outcome: Outcome::Serviced,
            at: now(),
            odometer: Some(Metres(1)),
            by: "kim".into(),
            note: None,
        })
    }

    #[test]
    fn an_order_lives_from_the_queue_to_its_outcome_and_back() {
        let order = Order::queued().after(Act::Accept { by: "kim".into() }, now()).unwrap();
        let order = order.after(Act::Start { by: None }, now()).unwrap();
        assert_eq!(order.status, Status::InProcess);
        let order = order.after(serviced(), now()).unwrap();
        assert_eq!(order.status, Status::Completed);
        let order = order.after(Act::Reopen { reason: "wrong car".into() }, now()).unwrap();
        assert_eq!((order.status, order.assigned_to, order.completion), (Status::NeedsAction, None, None));
    }

    #[test]
    fn acts_out_of_turn_are_refused() {
        let done = Order::queued().after(serviced(), now()).unwrap();
        assert!(matches!(done.after(serviced(), now()), Err(Refusal::Status { status: Status::Completed, .. })));
        let queued = Order::queued();
        assert_eq!(queued.after(Act::Start { by: None }, now()), Err(Refusal::Nobody));
        assert!(matches!(
            queued.after(Act::Reopen { reason: String::new() }, now()),
            Err(Refusal::Status { act: "reopen", .. })
        ));
    }

    #[test]
    fn another_persons_order_stays_theirs() {
        let order = Order::queued().after(Act::Accept { by: "kim".into() }, now()).unwrap();
        let refusal = order.after(Act::Accept { by: "lee".into() }, now());
        assert_eq!(refusal, Err(Refusal::Taken { by: "kim".into() }));
        assert!(order.after(Act::Accept { by: "kim".into() }, now()).is_ok());
    }

    #[test]
    fn a_service_needs_an_odometer() {
        let act = Act::Complete(Completion {
            outcome: Outcome::Serviced,
            at: now(),
            odometer: None,
            by: "kim".into(),
            note: None,
        });
        assert_eq!(Order::queued().after(act, now()), Err(Refusal::NoOdometer));
    }
}
