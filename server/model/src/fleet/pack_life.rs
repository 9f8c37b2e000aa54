//! A pack's time in a car.

use chrono::{DateTime, Utc};

use super::pack::{Chemistry, Layout};
use super::units::Metres;

/// Why a pack was taken out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum RemovedBecause {
    /// It failed on the road.
    Failed,
    /// Its spread, its codes or its risk were bad: a failure that did not wait for the road.
    Condition,
    /// It was planned by age, whatever its condition.
    Age,
    /// The car was sold or given back.
    Sale,
    /// A crash, or damage from outside.
    Crash,
    /// Anything else that says nothing about wear.
    Other,
}

impl RemovedBecause {
    /// All of them, in the order of answers.
    pub const ALL: [Self; 6] = [Self::Failed, Self::Condition, Self::Age, Self::Sale, Self::Crash, Self::Other];

    /// The reason's name in logs.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Failed => "failed",
            Self::Condition => "condition",
            Self::Age => "age",
            Self::Sale => "sale",
            Self::Crash => "crash",
            Self::Other => "other",
        }
    }

    /// Reads a reason's name.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|reason| reason.as_str() == text)
    }

    /// Whether the pack was worn out by then. One pulled for its condition counts: were it taken as still alive, the
    /// life curve would grow rosier the better the warnings get.
    #[must_use]
    pub const fn is_failure(self) -> bool {
        matches!(self, Self::Failed | Self::Condition)
    }
}

/// When and why a pack was taken out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Removal {
    /// When.
    pub at: DateTime<Utc>,
    /// The car's odometer then.
    pub odometer: Option<Metres>,
    /// Why.
    pub because: RemovedBecause,
}

/// One pack in one car, from its installation on.
#[derive(Clone, Debug, PartialEq)]
pub struct PackLife {
    /// Its serial.
    pub serial: String,
    /// Its type, as the fleet calls it.
    pub pack_type: String,
    /// What its cells are made of, where somebody said so.
    pub chemistry: Option<Chemistry>,
    /// How it is put together, where somebody said so.
    pub layout: Option<Layout>,
    /// When it was put in; for the original pack when the car came into service.
    pub at: DateTime<Utc>,
    /// The car's odometer then.
    pub odometer: Option<Metres>,
    /// What the pack itself had behind it then: zero of a new one, the odometer of an original pack in a car bought used.
    pub used: Option<Metres>,
    /// Whether the car was built with it.
    pub original: bool,
    /// When and why it was taken out.
    pub removal: Option<Removal>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_read_back_and_two_reasons_are_failures() {
        for reason in RemovedBecause::ALL {
            assert_eq!(RemovedBecause::parse(reason.as_str()), Some(reason));
        }
        let failures: Vec<_> = RemovedBecause::ALL.into_iter().filter(|reason| reason.is_failure()).collect();
        assert_eq!(failures, [RemovedBecause::Failed, RemovedBecause::Condition]);
        assert_eq!(RemovedBecause::parse("worn"), None);
    }
}
