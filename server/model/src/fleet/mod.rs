//! Plain types of the fleet and the checks a value must pass.

mod code;
mod code_log;
mod day;
mod depot;
mod fault;
mod order;
mod pack;
mod pack_check;
mod pack_life;
mod reading;
mod rule;
mod units;
mod vin;

pub use code::{Code, Meaning, Mode, Strength};
pub use code_log::{CodeLog, CodeReport, CodeState, Standing, Trips, TroubleCode};
pub use day::{day_start, local_day};
pub use depot::{DayHours, Depot, OpeningHours, is_north_american, parse_zone};
pub use fault::FieldFault;
pub use order::{
    Act, Completion, Confirmed, Declined, ExpectedBack, Missed, Order, Outcome, Partstat, Pause, Plan, Refusal,
    Refused, Status,
};
pub use pack::{Chemistry, Layout, PackType, SpreadLimits};
pub use pack_check::PackCheck;
pub use pack_life::{PackLife, Removal, RemovedBecause};
pub use reading::{DutyLog, OffRoad, Reading, Ruling, SeatLog, Service};
pub use rule::{Grade, Kind, Meter, Mixed, Rule, Window, WindowSet};
pub use units::{DistanceUnit, Hours, Metres};
pub use vin::{Vin, VinFault};
