//! Service rules: how far apart services may be.

use super::{Hours, Metres};

/// What kind of job a service or work order is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// Battery cooling fan out, cleaned, ducts and intake inspected.
    FanService,
    /// A cooling fault is looked into.
    CoolingCheck,
    /// The pack's state is assessed, cooling first.
    PackAssessment,
    /// The high-voltage pack is replaced.
    PackReplacement,
}

impl Kind {
    /// Every kind, in the order in which they are listed.
    pub const ALL: [Self; 4] = [Self::FanService, Self::CoolingCheck, Self::PackAssessment, Self::PackReplacement];

    /// The kind's name in logs and answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::FanService => "fan-service",
            Self::CoolingCheck => "cooling-check",
            Self::PackAssessment => "pack-assessment",
            Self::PackReplacement => "pack-replacement",
        }
    }

    /// Reads a kind's name.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == text)
    }

    /// Whether doing this job restarts the fan-service interval: the fan is serviced whenever the pack is replaced
    /// (common practice, no published source).
    #[must_use]
    pub const fn restarts_fan_interval(self) -> bool {
        matches!(self, Self::FanService | Self::PackReplacement)
    }
}

/// How hard a car is driven.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub enum Grade {
    /// None of the conditions of hard duty holds.
    Ordinary,
    /// At least one condition holds, or the logs that would show otherwise are missing.
    Hard,
}

impl Grade {
    /// The grade's name in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Ordinary => "ordinary",
            Self::Hard => "hard",
        }
    }
}

/// What a window is counted in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Meter {
    /// Distance travelled since the service.
    Distance,
    /// Duty hours since the service.
    Hours,
    /// Days since the service.
    Days,
}

impl Meter {
    /// The meter's name in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Distance => "distance",
            Self::Hours => "hours",
            Self::Days => "days",
        }
    }
}

/// The two edges between which a service should fall: not before `early`, not after `late`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window<T> {
    /// From here on the service may be done.
    pub early: T,
    /// By here it must be done.
    pub late: T,
}

/// The windows of one grade: whichever meter comes first decides.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WindowSet {
    /// Window in distance since the service.
    pub distance: Option<Window<Metres>>,
    /// Window in duty hours since the service.
    pub hours: Option<Window<Hours>>,
    /// Window in days since the service.
    pub days: Option<Window<i64>>,
}

/// What decides when a car's duty was sometimes hard and sometimes ordinary.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mixed {
    /// The hardest grade sustained since the last service decides.
    Strict,
    /// Each mile, hour and day uses up its share of the interval of the grade it was driven in.
    Blended,
}

impl Mixed {
    /// The setting's name.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Strict => "strict",
            Self::Blended => "blended",
        }
    }

    /// Reads the setting's name.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        [Self::Strict, Self::Blended].into_iter().find(|mixed| mixed.as_str() == text)
    }
}

/// A service rule as it applies to one car.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rule {
    /// Windows in hard duty.
    pub hard: WindowSet,
    /// Windows in ordinary duty; `None` until the manager sets them, and the hard ones then apply.
    pub ordinary: Option<WindowSet>,
    /// How many days before the early edge a work order is raised.
    pub lead_days: i64,
    /// How mixed duty is counted.
    pub mixed: Mixed,
    /// An order is raised when the chance of running past the late edge within the lead time exceeds this.
    pub raise_chance: f64,
}

impl Rule {
    /// What applies where there is no rule: nothing falls due, no order is raised.
    pub const NONE: Self = Self {
        hard: WindowSet { distance: None, hours: None, days: None },
        ordinary: None,
        lead_days: 0,
        mixed: Mixed::Strict,
        raise_chance: 1.0,
    };

    /// The windows that apply in `grade`.
    #[must_use]
    pub fn windows(&self, grade: Grade) -> &WindowSet {
        match (grade, &self.ordinary) {
            (Grade::Ordinary, Some(ordinary)) => ordinary,
            _ => &self.hard,
        }
    }
}
