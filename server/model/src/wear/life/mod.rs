//! The life curve of a fleet's packs.
//!
//! [`Lives`] are checked first: packs still alive (right-censored), packs of cars bought used (left-truncated), any
//! number of covariates. [`fit()`] finds the Weibull curve, [`profile()`] the intervals, [`Posterior`] all that two
//! parameters may be under a prior. Without a failure and without a prior there is no fit, but with a known shape a lower
//! bound ([`least_scale`]).

mod aft;
mod climb;
mod fit;
mod known_shape;
mod lives;
mod objective;
mod posterior;
mod prior;
mod profile;
mod square;
#[cfg(test)]
mod tests;

pub use aft::{Accelerators, BadUse, Covariate, Use, Usual};
pub use fit::{Estimate, Interval, LifeFit, NoFit, fit};
pub use known_shape::{least_scale, scale_of_shape};
pub use lives::{BadLives, Life, LifeField, Lives};
pub use posterior::Posterior;
pub use prior::{Normal, Prior};
pub use profile::{Quantity, profile};
pub(super) use square::Square;
