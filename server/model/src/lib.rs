//! The pure computations of Ventmile: which odometer readings to believe, how hard a car is driven,
//! when its services fall due, and how packs wear out.
//!
//! This crate knows no clock, file, socket, SQL, JSON, HTTP or async runtime. Every instant it needs is
//! an argument, so any day can be replayed. Its dependency list is the fence: `chrono` (without the
//! `clock` feature) for dates, `chrono-tz` for the IANA zones, `libm` for special functions.
//!
//! A room uses only the rooms above it in this list.

pub mod dist;
pub mod state;

pub mod fleet;

pub mod work;

pub mod track;

pub mod duty;

pub mod usage;

pub mod due;

pub mod wear;
