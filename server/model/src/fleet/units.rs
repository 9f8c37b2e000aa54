//! Units. Distance is held in whole metres, duty in hours.

use std::fmt;
use std::ops::{Add, Sub};

/// A distance in whole metres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub struct Metres(pub i64);

impl Metres {
    /// The distance as a real number of metres, for arithmetic that is not exact anyway.
    #[must_use]
    pub fn as_f64(self) -> f64 {
        self.0 as f64
    }
}

impl Add for Metres {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl Sub for Metres {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

/// A span of elapsed time in hours.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Hours(pub f64);

/// The unit a distance was given in, or is asked for in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum DistanceUnit {
    /// International mile, exactly 1,609.344 m (UCUM `[mi_i]`).
    Mile,
    /// Kilometre, 1,000 m.
    Kilometre,
}

impl DistanceUnit {
    /// Reads `mi` or `km`; anything else is `None`.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        match text {
            "mi" => Some(Self::Mile),
            "km" => Some(Self::Kilometre),
            _ => None,
        }
    }

    /// The unit's code: `mi` or `km`.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Mile => "mi",
            Self::Kilometre => "km",
        }
    }

    /// Metres in one of this unit.
    #[must_use]
    pub const fn metres(self) -> f64 {
        match self {
            Self::Mile => 1609.344,
            Self::Kilometre => 1000.0,
        }
    }

    /// `value` of this unit in whole metres, rounded to the nearest.
    ///
    /// `None` when the value is not finite or is too large to count in metres without loss (2^53).
    #[must_use]
    pub fn to_metres(self, value: f64) -> Option<Metres> {
        let metres = (value * self.metres()).round();
        (metres.abs() <= 9_007_199_254_740_992.0).then_some(Metres(metres as i64))
    }

    /// `distance` in this unit.
    #[must_use]
    pub fn of(self, distance: Metres) -> f64 {
        distance.as_f64() / self.metres()
    }
}

impl fmt::Display for DistanceUnit {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(self.as_str())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mile_is_1609_344_metres() {
        // UCUM [mi_i]; 20,000 mi = 32,186.88 km and 25,000 mi = 40,233.6 km by exact arithmetic.
        assert_eq!(DistanceUnit::Mile.to_metres(20_000.0), Some(Metres(32_186_880)));
        assert_eq!(DistanceUnit::Mile.to_metres(25_000.0), Some(Metres(40_233_600)));
        assert_eq!(DistanceUnit::Kilometre.to_metres(1.0), Some(Metres(1000)));
    }

    #[test]
    fn tenths_survive_the_round_trip() {
        for tenths in (0..5_000_000_i64).step_by(997) {
            let miles = tenths as f64 / 10.0;
            let metres = DistanceUnit::Mile.to_metres(miles).unwrap();
            assert_eq!((DistanceUnit::Mile.of(metres) * 10.0).round() as i64, tenths);
        }
    }

    #[test]
    fn what_is_not_a_distance_is_none() {
        assert_eq!(DistanceUnit::Mile.to_metres(f64::NAN), None);
        assert_eq!(DistanceUnit::Mile.to_metres(f64::INFINITY), None);
        assert_eq!(DistanceUnit::Kilometre.to_metres(1e300), None);
        assert_eq!(DistanceUnit::parse("miles"), None);
    }
}
