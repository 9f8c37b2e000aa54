//! Old packs: credit from the supplier, or a claim while the warranty runs.

use std::fmt;

use chrono::{Months, NaiveDate};

use crate::fleet::Metres;

/// A pack's warranty: it ends with the months or the distance, whichever comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Warranty {
    /// Months from the day of fitting.
    pub months: u32,
    /// Distance from the odometer at fitting; `None` when only time counts.
    pub distance: Option<Metres>,
}

/// A moment in a pack's life in a car.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fitted {
    /// The day.
    pub on: NaiveDate,
    /// The odometer then, where known.
    pub odometer: Option<Metres>,
}

/// Where a claim under warranty stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClaimState {
    /// It was sent.
    Claimed,
    /// The supplier will pay.
    Accepted,
    /// The supplier will not.
    Refused,
    /// The money is here.
    Paid,
}

impl ClaimState {
    /// Every state.
    pub const ALL: [Self; 4] = [Self::Claimed, Self::Accepted, Self::Refused, Self::Paid];

    /// The state's name in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Claimed => "claimed",
            Self::Accepted => "accepted",
            Self::Refused => "refused",
            Self::Paid => "paid",
        }
    }

    /// Reads a state's name.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.as_str() == text)
    }

    /// Whether a claim that stands at `from` may come to stand here; a refused one may be claimed once more.
    #[must_use]
    pub fn follows(self, from: Option<Self>) -> bool {
        match (from, self) {
            (None | Some(Self::Refused), Self::Claimed) | (Some(Self::Claimed), Self::Accepted | Self::Refused) => true,
            (Some(Self::Claimed | Self::Accepted), Self::Paid) => true,
            (from, to) => from == Some(to),
        }
    }
}

/// What the supplier asks of a core that comes back for credit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CoreTerms {
    /// Part type of the pack that was bought.
    pub part_type: String,
    /// The last day of its return.
    pub return_by: NaiveDate,
}

/// A core: the old pack as it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Core {
    /// Its part type.
    pub part_type: String,
    /// Whether it is whole: case shut, no module missing.
    pub intact: bool,
    /// Whether it is packed as the carrier asks.
    pub packed: bool,
    /// When the supplier took it.
    pub returned_on: Option<NaiveDate>,
    /// When it was fitted new, if it was.
    pub fitted: Option<Fitted>,
    /// When it failed or was taken out.
    pub removed: Fitted,
    /// The warranty it was sold with.
    pub warranty: Option<Warranty>,
    /// Where a claim under it stands.
    pub claim: Option<ClaimState>,
}

/// Why a core brings no credit, or not yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CoreFault {
    /// It is of another type than the pack bought.
    OtherType {
        /// The type bought.
        bought: String,
        /// The core's own.
        core: String,
    },
    /// It is not whole.
    NotIntact,
    /// It is not packed.
    NotPacked,
    /// It has not been returned.
    NotReturned {
        /// The last day.
        by: NaiveDate,
    },
    /// It came, or would come, after the last day.
    Late {
        /// The last day.
        by: NaiveDate,
    },
}

impl CoreFault {
    /// Whether something can still be done about it.
    #[must_use]
    pub const fn mends(&self) -> bool {
        matches!(self, Self::NotPacked | Self::NotReturned { .. })
    }
}

impl fmt::Display for CoreFault {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OtherType { bought, core } => write!(out, "the core is a {core}, the pack bought a {bought}"),
            Self::NotIntact => out.write_str("the core is not intact"),
            Self::NotPacked => out.write_str("the core is not packed"),
            Self::NotReturned { by } => write!(out, "the core is to be returned by {by}"),
            Self::Late { by } => write!(out, "the last day of return was {by}"),
        }
    }
}

/// Where an old pack goes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CorePath {
    /// Its warranty runs and no claim was refused: claim it instead of handing it in for credit.
    Claim,
    /// Credit is due.
    Credit,
    /// Credit is due once this is done.
    Pending(Vec<CoreFault>),
    /// No credit, for these reasons.
    NoCredit(Vec<CoreFault>),
}

impl Warranty {
    /// Whether it covers a pack fitted and removed so. Without both odometers a warranty with a distance covers nothing:
    /// nobody could prove it.
    #[must_use]
    pub fn covers(&self, fitted: &Fitted, removed: &Fitted) -> bool {
        let until = fitted.on.checked_add_months(Months::new(self.months)).unwrap_or(NaiveDate::MAX);
        let near = |limit| match (fitted.odometer, removed.odometer) {
            (Some(from), Some(to)) => to - from <= limit,
            _ => false,
        };
        removed.on <= until && self.distance.is_none_or(near)
    }
}

/// Where `core` goes, bought against under `terms`, as seen on `today`.
#[must_use]
pub fn core_path(core: &Core, terms: &CoreTerms, today: NaiveDate) -> CorePath {
    let covered =
        core.warranty.zip(core.fitted).is_some_and(|(warranty, fitted)| warranty.covers(&fitted, &core.removed));
    if covered && core.claim != Some(ClaimState::Refused) {
        return CorePath::Claim;
    }
    let faults = faults(core, terms, today);
    match faults.iter().all(CoreFault::mends) {
        _ if faults.is_empty() => CorePath::Credit,
        true => CorePath::Pending(faults),
        false => CorePath::NoCredit(faults),
    }
}

fn faults(core: &Core, terms: &CoreTerms, today: NaiveDate) -> Vec<CoreFault> {
    let by = terms.return_by;
    let other = || CoreFault::OtherType { bought: terms.part_type.clone(), core: core.part_type.clone() };
    let timing = match core.returned_on {
        Some(on) if on > by => Some(CoreFault::Late { by }),
        Some(_) => None,
        None if today > by => Some(CoreFault::Late { by }),
        None => Some(CoreFault::NotReturned { by }),
    };
    [
        (core.part_type != terms.part_type).then(other),
        (!core.intact).then_some(CoreFault::NotIntact),
        (!core.packed).then_some(CoreFault::NotPacked),
        timing,
    ]
    .into_iter()
    .flatten()
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fleet::DistanceUnit;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn moment(on: &str, miles: Option<f64>) -> Fitted {
        Fitted { on: day(on), odometer: miles.and_then(|miles| DistanceUnit::Mile.to_metres(miles)) }
    }

    fn core() -> Core {
        Core {
            part_type: "P28".into(),
            intact: true,
            packed: true,
            returned_on: Some(day("2026-03-31")),
            fitted: Some(moment("2024-08-31", Some(100_000.0))),
            removed: moment("2026-03-01", Some(160_000.0)),
            warranty: None,
            claim: None,
        }
    }

    #[track_caller]
    fn check(core: &Core, today: &str, expected: &CorePath) {
        let terms = CoreTerms { part_type: "P28".into(), return_by: day("2026-03-31") };
        assert_eq!(&core_path(core, &terms, day(today)), expected);
    }

    #[test]
    fn credit_needs_the_same_type_whole_packed_and_in_time() {
        let by = day("2026-03-31");
        check(&core(), "2026-04-02", &CorePath::Credit);
        let waiting = Core { returned_on: None, packed: false, ..core() };
        let open = vec![CoreFault::NotPacked, CoreFault::NotReturned { by }];
        check(&waiting, "2026-03-31", &CorePath::Pending(open));
        let late = vec![CoreFault::NotPacked, CoreFault::Late { by }];
        check(&waiting, "2026-04-01", &CorePath::NoCredit(late));
        let late = Core { returned_on: Some(day("2026-04-01")), ..core() };
        check(&late, "2026-04-02", &CorePath::NoCredit(vec![CoreFault::Late { by }]));
        let other = Core { part_type: "P34".into(), intact: false, ..core() };
        let named = CoreFault::OtherType { bought: "P28".into(), core: "P34".into() };
        check(&other, "2026-03-01", &CorePath::NoCredit(vec![named, CoreFault::NotIntact]));
    }

    #[test]
    fn a_running_warranty_is_claimed() {
        let sold = |months, miles| {
            let distance = DistanceUnit::Mile.to_metres(miles);
            Core { warranty: Some(Warranty { months, distance }), ..core() }
        };
        check(&sold(19, 60_000.0), "2026-03-02", &CorePath::Claim);
        check(&sold(18, 60_000.0), "2026-04-02", &CorePath::Credit);
        check(&sold(19, 59_999.0), "2026-04-02", &CorePath::Credit);
        let unread = Core { removed: moment("2026-03-01", None), ..sold(19, 60_000.0) };
        check(&unread, "2026-04-02", &CorePath::Credit);
        let by_time = Core { warranty: Some(Warranty { months: 19, distance: None }), ..unread };
        check(&by_time, "2026-04-02", &CorePath::Claim);
    }
}
