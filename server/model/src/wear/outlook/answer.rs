//! What an outlook says.

use super::inputs::Factor;
use crate::fleet::{Code, Metres, Mode};

/// What is to be expected of a pack.
#[derive(Clone, Debug, PartialEq)]
pub struct Outlook {
    /// The chance of degradation in any mode; `None` where block wear has no forecast and nothing else is certain.
    pub chances: Option<Chances>,
    /// The chances of each mode that has a forecast, as if it were the only one.
    pub modes: Vec<ModeOutlook>,
    /// How far the chance within 90 days may be off because the life curve is: the ends of the interval of the curve's own
    /// conditional chance, each taken through the same checks, codes and modes. What the settings may be off by is not in
    /// it.
    pub interval: Option<Range>,
    /// When degradation is as likely as not; `None` where unknown or further off than a hundred years.
    pub median: Option<Ahead>,
    /// The band of risk; `None` where unknown.
    pub band: Option<Band>,
    /// What moved the chance within 90 days, the weightiest first.
    pub reasons: Vec<Reason>,
    /// What else to know.
    pub notes: Vec<Note>,
}

/// Chances within some days from now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Chances {
    /// Within 30 days.
    pub within_30: f64,
    /// Within 90 days.
    pub within_90: f64,
    /// Within 180 days.
    pub within_180: f64,
}

impl Chances {
    pub(super) fn of(chance: impl Fn(f64) -> Option<f64>) -> Option<Self> {
        Some(Self { within_30: chance(30.0)?, within_90: chance(super::MIDDLE)?, within_180: chance(180.0)? })
    }
}

/// The chances of one mode.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ModeOutlook {
    /// Which mode.
    pub mode: Mode,
    /// Its chances.
    pub chances: Chances,
}

/// From one chance to another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// The lower end.
    pub low: f64,
    /// The upper end.
    pub high: f64,
}

/// A moment ahead.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ahead {
    /// In so many days,
    pub days: f64,
    /// after so much driving.
    pub distance: Metres,
}

/// How urgent a pack is, from least to most.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Band {
    /// Nothing to do.
    Low,
    /// To be watched.
    Watch,
    /// To be planned for.
    Plan,
    /// To be seen to now: the chance says so, or a code that the car sets for a worn pack awaits the look at its cooling.
    Now,
    /// Degraded: the spread is over its limit, or a strong code stands that the cooling does not explain.
    Degraded,
}

impl Band {
    /// The band's name in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Watch => "watch",
            Self::Plan => "plan",
            Self::Now => "now",
            Self::Degraded => "degraded",
        }
    }
}

/// One thing that moved the chance.
#[derive(Clone, Debug, PartialEq)]
pub struct Reason {
    /// Which input.
    pub factor: Factor,
    /// By how much it moves the logarithm of the odds of degradation within 90 days beside its neutral value, above 0
    /// towards degradation; `None` where nothing is known without it. Chances count as within one in a thousand million of
    /// 0 and 1.
    pub weight: Option<f64>,
    /// The input in words and numbers.
    pub says: String,
}

/// Something to know beside the numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Note {
    /// There is no life curve: too few packs have failed, and nothing was assumed.
    NoCurve,
    /// Codes were cleared and have had too few trips to come back: that none stands proves nothing.
    UnknownSinceClear,
    /// A dirty or blocked fan can set this code too: the cooling comes first.
    CheckCoolingFirst(Code),
    /// This code stands in a mode for which no forecast is made.
    NotForecast(Code),
}

impl Note {
    /// The note in words.
    #[must_use]
    pub fn says(self) -> String {
        match self {
            Self::NoCurve => {
                "too few packs have failed for a life curve: no chance of block wear is claimed".to_owned()
            }
            Self::UnknownSinceClear => {
                "codes were cleared and have had too few trips to come back: that none stands proves nothing".to_owned()
            }
            Self::CheckCoolingFirst(code) => {
                format!("{code}: check the cooling first, a dirty or blocked fan can set this code too")
            }
            Self::NotForecast(code) => format!("{code} was found, but is not confirmed: nothing is forecast from it"),
        }
    }
}
