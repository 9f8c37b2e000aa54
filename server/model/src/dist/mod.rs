//! The distributions used, one file each, and the middle of some values.

mod erfcx;
pub mod gamma;
pub mod inverse_gaussian;
mod median;
pub mod normal;
mod weibull;

pub use median::median;
pub use weibull::Weibull;
