//! The distributions used, one file each.

pub mod normal;
