//! An order as the gates see it, what they ask for, and the settings they go by.

use std::fmt;

use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;

use super::procedure::LIFTING_AID;
use super::{Ask, Entry, Gear, GearRules, LOCK_OUT, Procedure, Role, Step, Technician, Value};

/// The voltage below which a measured point counts as dead, per model of car: above 0 and below 50 V, 30 by default.
///
/// 50 V is where 29 CFR 1910.333 begins; 30 V is the trade's number (common practice).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ResidualLimit(f64);

impl ResidualLimit {
    /// A limit in volts; `None` unless it lies above 0 and below 50.
    #[must_use]
    pub fn new(volts: f64) -> Option<Self> {
        (volts > 0.0 && volts < 50.0).then_some(Self(volts))
    }

    /// The limit in volts.
    #[must_use]
    pub const fn volts(self) -> f64 {
        self.0
    }
}

impl Default for ResidualLimit {
    fn default() -> Self {
        Self(30.0)
    }
}

/// What the gates go by; the depot, the fleet and the car's model set it.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// The depot's zone: the air test counts for a local day.
    pub zone: Tz,
    /// The residual limit of the car's model.
    pub residual_limit: ResidualLimit,
    /// How long the capacitors get from the plug's coming out. 5 to 30 min are quoted and no standard gives a number: ten
    /// by default, and the measurement decides.
    pub wait: TimeDelta,
    /// Due dates of gear.
    pub gear: GearRules,
    /// The certificate of those who may work while an isolation fault stands.
    pub isolation_certificate: String,
    /// An entry told later than this after it was done is marked as late.
    pub late_after: TimeDelta,
}

impl Settings {
    /// The defaults for a depot in `zone`.
    #[must_use]
    pub fn for_zone(zone: Tz) -> Self {
        Self {
            zone,
            residual_limit: ResidualLimit::default(),
            wait: TimeDelta::minutes(10),
            gear: GearRules::default(),
            isolation_certificate: "isolation-fault".to_owned(),
            late_after: TimeDelta::minutes(15),
        }
    }
}

/// Something a gate asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Item {
    /// A part of the lock-out; `Role::Person` also stands for any step's certificate.
    LockOut(Role),
    /// An isolation fault stands: those who work hold the certificate for it.
    Isolation,
    /// A reading at or over the limit stopped the order: a whole new lock-out is needed.
    Stopped,
    /// Two names or a lifting aid, or as many people as the step needs.
    People,
    /// Gear that is named is known and usable.
    Gear,
    /// The plug is back and its latch seated.
    Latch,
    /// Codes read after the plug went back.
    Codes,
    /// This step is recorded, and passed.
    Step(u32),
}

impl Item {
    /// Whether an administrator may override it: never the reading, an isolation fault, or qualification.
    #[must_use]
    pub const fn overridable(self) -> bool {
        !matches!(self, Self::LockOut(Role::Person | Role::Measure) | Self::Isolation | Self::Stopped)
    }

    /// Reads the code of an item, such as `wait` or `step-7`.
    #[must_use]
    pub fn parse(code: &str) -> Option<Self> {
        let fixed = [Self::Isolation, Self::Stopped, Self::People, Self::Gear, Self::Latch, Self::Codes];
        let lock_out = LOCK_OUT.into_iter().map(Self::LockOut);
        let step = || code.strip_prefix("step-")?.parse().ok().map(Self::Step);
        fixed.into_iter().chain(lock_out).find(|item| item.to_string() == code).or_else(step)
    }
}

/// The item's stable code.
impl fmt::Display for Item {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::LockOut(role) => out.write_str(role.as_str()),
            Self::Isolation => out.write_str("isolation"),
            Self::Stopped => out.write_str("stopped"),
            Self::People => out.write_str("people"),
            Self::Gear => out.write_str("gear"),
            Self::Latch => out.write_str("latch"),
            Self::Codes => out.write_str("codes"),
            Self::Step(number) => write!(out, "step-{number}"),
        }
    }
}

/// One thing that is missing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Missing {
    /// What.
    pub item: Item,
    /// JSON pointer: into the entry being sent (`/gear`), or to an earlier step of the order (`/steps/4/records/kept_by`,
    /// where 4 is the step's number).
    pub pointer: String,
    /// A sentence for people.
    pub says: String,
}

/// An administrator's decision to go on without an item; shown for ever.
///
/// It counts at a gate like evidence: for the lock-out it was given in, and no longer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Override {
    /// The item.
    pub item: Item,
    /// Who decided.
    pub by: String,
    /// Why.
    pub reason: String,
    /// When.
    pub at: DateTime<Utc>,
}

/// What recording a step means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Passed {
    /// It was told late: the entry is marked so for ever.
    pub late: bool,
    /// It holds a reading at or over the limit: it is recorded, and the order is stopped.
    pub stops: bool,
}

/// An order as the gates see it.
#[derive(Clone, Copy, Debug)]
pub struct Job<'a> {
    /// The procedure in the version the order was raised with, as [`Procedure::check`] passed it.
    pub procedure: &'a Procedure,
    /// Every entry so far.
    pub evidence: &'a [Entry],
    /// Every override so far.
    pub overrides: &'a [Override],
    /// The gear that entries name.
    pub gear: &'a [Gear],
    /// The people that entries name.
    pub technicians: &'a [Technician],
    /// The settings.
    pub settings: &'a Settings,
    /// Evidence before this opens nothing: when the work was last begun, resumed or handed over.
    pub counts_from: Option<DateTime<Utc>>,
    /// Whether an isolation fault of the car stands, or may: every step then needs people qualified for it.
    pub isolation_fault: bool,
}

impl<'a> Job<'a> {
    /// Whether every point that the entry's step asks for is recorded, and dead.
    pub(super) fn found_dead(&self, entry: &Entry) -> bool {
        let mut points = self.residuals(entry).peekable();
        points.peek().is_some() && points.all(|(_, volts)| volts.is_some_and(|volts| self.is_dead(volts)))
    }

    /// The residual voltages that the entry's step asks for; `None` for one that is not recorded.
    pub(super) fn residuals<'e>(&'e self, entry: &'e Entry) -> impl Iterator<Item = (&'e str, Option<f64>)> {
        let records = self.procedure.step(entry.step).map_or(&[][..], |step| &step.records);
        records.iter().filter(|record| record.ask == Ask::Residual).map(|record| {
            let volts = match entry.records.get(&record.name) {
                Some(Value::Number(volts)) => Some(*volts),
                _ => None,
            };
            (record.name.as_str(), volts)
        })
    }

    /// Leads may be held either way round, and what is no number is not dead.
    pub(super) fn is_dead(&self, volts: f64) -> bool {
        volts.abs() < self.settings.residual_limit.volts()
    }

    /// Whether the entry holds a reading at or over the limit.
    pub(super) fn stops(&self, entry: &Entry) -> bool {
        self.residuals(entry).any(|(_, volts)| volts.is_some_and(|volts| !self.is_dead(volts)))
    }

    /// The reading that stops the order at `now`, until a later measurement finds every point dead. Such a measurement is
    /// taken only after a whole new lock-out, since nothing recorded before the stop counts for it.
    #[must_use]
    pub fn stopped(&self, now: DateTime<Utc>) -> Option<&'a Entry> {
        let entries = self.until(now);
        let stop = entries.iter().rposition(|entry| self.stops(entry))?;
        let sound = |entry: &&Entry| self.role(entry) == Some(Role::Measure) && self.found_dead(entry);
        let cleared = entries.iter().skip(stop + 1).any(sound);
        entries.get(stop).copied().filter(|_| !cleared)
    }

    pub(super) fn role(&self, entry: &Entry) -> Option<Role> {
        self.procedure.step(entry.step).map(|step| step.role)
    }

    /// Entries up to `now` in the server's order.
    pub(super) fn until(&self, now: DateTime<Utc>) -> Vec<&'a Entry> {
        let mut entries: Vec<_> = self.evidence.iter().filter(|entry| entry.at <= now).collect();
        entries.sort_by_key(|entry| entry.at);
        entries
    }
}

/// Whether fewer people stand at the step than it needs; a lifting aid makes one enough for a lift.
pub(super) fn too_few(step: &Step, entry: &Entry) -> Option<String> {
    let aided = step.role == Role::Lift && entry.text(LIFTING_AID).is_some();
    let needed = if aided { 1 } else { step.needs.people };
    let aid = if step.role == Role::Lift { " or a lifting aid" } else { "" };
    let named = entry.people().len();
    (named < needed).then(|| format!("step {} needs {needed} people{aid}, {named} is named", step.number))
}
