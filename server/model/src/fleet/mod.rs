//! Plain types of the fleet and the checks a value must pass.

mod day;
mod depot;
mod order;
mod reading;
mod rule;
mod units;
mod vin;

pub use day::{day_start, local_day};
pub use depot::{DayHours, Depot, OpeningHours, is_north_american, parse_zone};
pub use order::{Act, Completion, Order, Outcome, Refusal, Status};
pub use reading::{DutyLog, OffRoad, Reading, Ruling, SeatLog, Service};
pub use rule::{Grade, Kind, Meter, Mixed, Rule, Window, WindowSet};
pub use units::{DistanceUnit, Hours, Metres};
pub use vin::{Vin, VinFault};
