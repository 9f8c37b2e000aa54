//! The distributions used, one file each, and the middle of some values.

pub mod gamma;
mod median;
pub mod normal;
mod weibull;

pub use median::median;
pub use weibull::Weibull;
