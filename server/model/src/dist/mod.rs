//! The distributions used, one file each, and the middle of some values.

mod median;
pub mod normal;

pub use median::median;
