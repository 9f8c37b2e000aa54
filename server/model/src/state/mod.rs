//! Hidden states behind noisy values: a level that drifts, and a level with a slope.
//!
//! Two filters of Kalman's, each a handful of numbers whatever the length of the history, and without allocation. Time is
//! counted in whole days: [`LocalLevel::after`] and [`LinearTrend::after`] let any number of them pass at once, so a day
//! without a value needs nothing, and a forecast is the state so many days on. Both start from nothing known, exactly
//! (an infinite variance, not a large one), as the first values are believed wholly.
//!
//! Formulas: Durbin & Koopman, "Time series analysis by state space methods", 2nd edition 2012, sections 2.2 (local level),
//! 2.9 and 5.2 (diffuse start), 3.2 (local linear trend), 7.2 (likelihood); from memory. There is no smoother: nothing here
//! asks what a state was, seen from later.

mod innovation;
mod level;
mod trend;

pub use innovation::Innovation;
pub use level::{LevelModel, LevelState, LocalLevel};
pub use trend::{LinearTrend, TrendModel, TrendState};
