//! Work as a shop really runs it: procedures, people, gear, and the evidence that gates each step.
//!
//! A [`Procedure`] is data that the fleet may edit; [`Procedure::check`] says whether it is still safe. A [`Job`] is an
//! order's procedure with all that is known about it; [`Job::gate`] says whether a step may be recorded and
//! [`Job::completion`] whether the order may be closed. Nothing here is legal advice: the vehicle maker's procedure, local
//! codes and licensed practice come first.

mod alarm;
mod check;
mod completion;
mod cores;
mod evidence;
mod gate;
mod gear;
mod job;
mod procedure;
mod slot;
mod technician;
#[cfg(test)]
mod tests;

pub use alarm::{ISOLATION_FAULT, ISOLATION_SOUND, Stop, StopNotice, TOO_HOT, standing_stops, stop_notice};
pub use check::ProcedureFault;
pub use cores::{ClaimState, Core, CoreFault, CorePath, CoreTerms, Fitted, Warranty, core_path};
pub use evidence::{Entry, EntryFault, Value};
pub use gear::{Gear, GearKind, GearRules, GearType, GloveClass, Rating, Test, Unusable, falling_due};
pub use job::{Item, Job, Missing, Override, Passed, ResidualLimit, Settings};
pub use procedure::{Ask, LOCK_OUT, Needs, Procedure, Record, Role, Step};
pub use slot::{Booked, Clash, Clashing, Shop, Supply, clashes, gear_at_hand};
pub use technician::{Absence, Certificate, Technician, Unfit};
