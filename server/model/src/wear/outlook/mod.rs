//! What is to be expected of one pack: the chance of degradation within days, and why.
//!
//! **Block wear.** A life ends when the pack's spread first reaches its type's limit. The life curve given the pack's age
//! is what is believed before any check; checks of the spread weigh each possible life by how well it explains them
//! ([`SpreadWalk`]); codes multiply the risk ([`CodeWeights`]). All three speak of the same failure. A share of failures
//! is not announced by spread: those keep the curve's own chance.
//!
//! `chance = 1 - (1 - ((1 - u) F_checks + u F_curve))^m` with `F_checks(d)` the integral of `p(T) w(T)` over lives that end
//! within `d` beside that over all lives still possible, `p` the curve's density, `w` the checks' weight, `u` the share
//! not announced and `m` the codes' multiplier. Without checks and codes that is the curve's conditional chance.
//!
//! **Other modes** (cooling, sensing, isolation, fuse) compete with it: `1 - product of (1 - chance)` over those for which
//! there is a forecast. A mode for which there is none is left out, and none is invented.
//!
//! The unit of lives is the metre; days become metres by the car's own rate.

mod answer;
mod codes;
mod evidence;
mod inputs;
mod reasons;
mod remaining;
mod risk;
#[cfg(test)]
mod tests;

pub use answer::{Ahead, Band, Chances, ModeOutlook, Note, Outlook, Range, Reason};
pub use codes::CodeWeights;
pub use evidence::{SpreadCheck, SpreadWalk};
pub use inputs::{Air, BadInput, Cooling, Covariate, Factor, Inputs, LifeCurve, RiskLimits, Settings, Usual};

pub use reasons::percent;

use risk::{Case, Risk};

/// The days of the middle horizon, on which the band of risk and the reasons rest.
const MIDDLE: f64 = 90.0;

/// The outlook of one pack.
///
/// # Errors
/// Names the first input or setting that cannot be.
pub fn outlook(inputs: &Inputs<'_>, settings: &Settings) -> Result<Outlook, BadInput> {
    inputs::check(inputs, settings)?;
    let mut checks = inputs.checks.to_vec();
    evidence::in_order(&mut checks);
    let case = Case::of(inputs, settings, &checks);
    let risk = Risk::of(&case);
    let chance = risk.overall(MIDDLE);
    Ok(Outlook {
        chances: Chances::of(|days| risk.overall(days)),
        modes: risk.modes(),
        interval: case.interval(settings.level),
        median: risk.median(),
        band: case.band(chance, &settings.limits),
        reasons: reasons::reasons(&case, chance),
        notes: case.notes(),
    })
}
