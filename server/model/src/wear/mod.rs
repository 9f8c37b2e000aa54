//! How packs wear out: the life curve of the fleet's own packs, each pack's condition, and what a replacement is worth.

pub mod airflow;
pub mod block_wear;
mod cost;
mod days;
pub mod drift;
mod fit_check;
mod heat;
pub mod life;
mod lived;
#[cfg(test)]
mod made;
pub mod outlook;
mod quadrature;
mod recurrence;
pub mod robust;
pub mod spread;
mod survival;

pub use cost::{BadCost, Costs, Holding, NoOptimum, Replacement, cheapest_age, hold};
pub use fit_check::{FitCheck, Stretch, Warning, check_fit};
pub use heat::{Arrhenius, Exposure};
pub use lived::{Carrier, End, Lived, stretches};
pub use recurrence::{BadHistory, History, Recurrence, recurrences};
pub use survival::{Step, survival};
