//! Why a reading is set aside, by name and in one sentence.

/// Why a reading is set aside.
///
/// The named slips are guesses of what happened, made where the value becomes likely once the slip is undone; the
/// verdict itself does not depend on them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub enum Reason {
    /// With it the odometer would run back.
    RunsBack,
    /// With it the car would have been faster than a car can be.
    TooFast,
    /// It could have been driven, but not by this car at that time, going by the readings around it.
    Unlikely,
    /// One digit is missing.
    DroppedDigit,
    /// One digit too many.
    AddedDigit,
    /// Two neighbouring digits are swapped.
    SwappedDigits,
    /// A number of kilometres sent as miles: 1.609 times too high.
    KmAsMiles,
    /// A number of miles sent as kilometres: 1.609 times too low.
    MilesAsKm,
    /// Tenths read as whole units: ten times too high.
    TenthsAsWhole,
    /// Whole units read as tenths: ten times too low.
    WholeAsTenths,
    /// Its time is a day early or late.
    ClockOffDay,
    /// Its time is a month early or late.
    ClockOffMonth,
    /// Its time is a year early or late.
    ClockOffYear,
    /// It claims to be from the future.
    AheadOfClock,
    /// Its source counts for nothing.
    Untrusted,
    /// A person set it aside.
    Ruled,
}

impl Reason {
    /// All reasons.
    pub const ALL: [Self; 16] = [
        Self::RunsBack,
        Self::TooFast,
        Self::Unlikely,
        Self::DroppedDigit,
        Self::AddedDigit,
        Self::SwappedDigits,
        Self::KmAsMiles,
        Self::MilesAsKm,
        Self::TenthsAsWhole,
        Self::WholeAsTenths,
        Self::ClockOffDay,
        Self::ClockOffMonth,
        Self::ClockOffYear,
        Self::AheadOfClock,
        Self::Untrusted,
        Self::Ruled,
    ];

    /// The reason's name in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::RunsBack => "runs-back",
            Self::TooFast => "too-fast",
            Self::Unlikely => "unlikely",
            Self::DroppedDigit => "dropped-digit",
            Self::AddedDigit => "added-digit",
            Self::SwappedDigits => "swapped-digits",
            Self::KmAsMiles => "km-as-miles",
            Self::MilesAsKm => "miles-as-km",
            Self::TenthsAsWhole => "tenths-as-whole",
            Self::WholeAsTenths => "whole-as-tenths",
            Self::ClockOffDay => "clock-off-a-day",
            Self::ClockOffMonth => "clock-off-a-month",
            Self::ClockOffYear => "clock-off-a-year",
            Self::AheadOfClock => "ahead-of-clock",
            Self::Untrusted => "untrusted",
            Self::Ruled => "ruled",
        }
    }

    /// The reason in one sentence.
    #[must_use]
    pub const fn explain(self) -> &'static str {
        match self {
            Self::RunsBack => {
                "The odometer would run back: it is below a believed earlier reading or above a believed later one."
            }
            Self::TooFast => {
                "The car would have been faster than the speed limit of the track, from or to its neighbour."
            }
            Self::Unlikely => "The car could have driven this, but by the readings around it, it did not.",
            Self::DroppedDigit => "A digit seems to be missing: with one more it would fit the readings around it.",
            Self::AddedDigit => "There seems to be a digit too many: without it, it would fit the readings around it.",
            Self::SwappedDigits => "Two neighbouring digits seem to be swapped: the other way round it would fit.",
            Self::KmAsMiles => "Kilometres seem to have been sent as miles: it is 1.609 times what would fit.",
            Self::MilesAsKm => "Miles seem to have been sent as kilometres: 1.609 times as much would fit.",
            Self::TenthsAsWhole => "Tenths seem to have been read as whole units: it is ten times what would fit.",
            Self::WholeAsTenths => "Whole units seem to have been read as tenths: ten times as much would fit.",
            Self::ClockOffDay => "Its time seems to be a day off: a day earlier or later it would fit.",
            Self::ClockOffMonth => "Its time seems to be a month off: a month earlier or later it would fit.",
            Self::ClockOffYear => "Its time seems to be a year off: a year earlier or later it would fit.",
            Self::AheadOfClock => "It claims to have been read in the future.",
            Self::Untrusted => "Its source is given no trust, so it decides nothing.",
            Self::Ruled => "A person set it aside.",
        }
    }
}
