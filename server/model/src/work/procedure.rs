//! A procedure: ordered steps, what each needs and what it must record.

use super::GearKind;
use crate::fleet::Kind;

/// What the gates know a step as.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Role {
    /// Work the gates know nothing about.
    Plain,
    /// The cooling is looked at.
    Cooling,
    /// The fan is serviced.
    Fan,
    /// Who will work on the high-voltage system.
    Person,
    /// Gloves are named and air-tested.
    Gloves,
    /// Meter and leads are named.
    Meter,
    /// The key is out and kept.
    KeyOut,
    /// The 12 V ground is off.
    GroundOff,
    /// The service plug is out and kept.
    PlugOut,
    /// The capacitors have had their time.
    Wait,
    /// Absence of voltage: meter proved, target read, meter proved again.
    Measure,
    /// The pack is lifted.
    Lift,
    /// The service plug goes back: from here on the system may be live.
    PlugIn,
    /// Trouble codes are read once everything is back.
    Codes,
}

/// The lock-out, in its order; all of it stands before the system is opened.
pub const LOCK_OUT: [Role; 8] =
    [Role::Person, Role::Gloves, Role::Meter, Role::KeyOut, Role::GroundOff, Role::PlugOut, Role::Wait, Role::Measure];

impl Role {
    /// Every role.
    pub const ALL: [Self; 14] = [
        Self::Plain,
        Self::Cooling,
        Self::Fan,
        Self::Person,
        Self::Gloves,
        Self::Meter,
        Self::KeyOut,
        Self::GroundOff,
        Self::PlugOut,
        Self::Wait,
        Self::Measure,
        Self::Lift,
        Self::PlugIn,
        Self::Codes,
    ];

    /// The role's name in procedures and answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Plain => "plain",
            Self::Cooling => "cooling",
            Self::Fan => "fan",
            Self::Person => "person",
            Self::Gloves => "gloves",
            Self::Meter => "meter",
            Self::KeyOut => "key-out",
            Self::GroundOff => "ground-off",
            Self::PlugOut => "plug-out",
            Self::Wait => "wait",
            Self::Measure => "measure",
            Self::Lift => "lift",
            Self::PlugIn => "plug-in",
            Self::Codes => "codes",
        }
    }

    /// Reads a role's name.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.as_str() == text)
    }

    /// Its place in the lock-out, from 0.
    pub(super) fn lock_place(self) -> Option<usize> {
        LOCK_OUT.iter().position(|role| *role == self)
    }

    /// Choices that must be recorded in one word whatever the fleet edits: the record's name and the word.
    pub(super) const fn words(self) -> &'static [(&'static str, &'static str)] {
        match self {
            Self::Gloves => &[("air_test", "passed")],
            Self::Measure => &[("proved_before", "proved"), ("proved_after", "proved")],
            Self::PlugIn => &[("latch", "seated")],
            _ => &[],
        }
    }
}

/// The record of a key or plug that says who keeps it.
pub(super) const KEPT_BY: &str = "kept_by";
/// The record of a lift that names the aid used, where one was.
pub(super) const LIFTING_AID: &str = "lifting_aid";
/// The record of the codes read.
pub(super) const CODES: &str = "codes";

/// What a record is.
#[derive(Clone, Debug, PartialEq)]
pub enum Ask {
    /// One of `options`.
    Choice {
        /// What may be chosen.
        options: Vec<String>,
        /// Those that count as passed; empty when each does.
        pass: Vec<String>,
    },
    /// A number in `unit`; one outside the limits is taken for a slip and refused.
    Number {
        /// Its unit.
        unit: String,
        /// The lowest that can be true.
        low: f64,
        /// The highest that can be true.
        high: f64,
    },
    /// Volts left at a point that must be dead. Its limit is the model's residual limit, not the procedure's; whatever its
    /// sign, a reading at or over it stops the order.
    Residual,
    /// A person's code.
    Name,
    /// A reference to a photo.
    Photo,
    /// A remark.
    Text,
}

/// One thing a step must record.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// Its name in evidence: lower-case letters, digits and `_`.
    pub name: String,
    /// What it is.
    pub ask: Ask,
    /// Whether the step is refused without it.
    pub required: bool,
}

/// What a step needs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Needs {
    /// How many people; a lifting aid makes one enough for a lift.
    pub people: usize,
    /// The certificate that each of them holds.
    pub certificate: Option<String>,
    /// Gear that is named in evidence before or at the step.
    pub gear: Vec<GearKind>,
    /// Tools to have at hand; shown, not checked.
    pub tools: Vec<String>,
}

impl Default for Needs {
    fn default() -> Self {
        Self { people: 1, certificate: None, gear: Vec::new(), tools: Vec::new() }
    }
}

/// One step.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// Its number, from 1 without a gap.
    pub number: u32,
    /// What it is called.
    pub title: String,
    /// What is done.
    pub text: String,
    /// What the gates know it as.
    pub role: Role,
    /// Whether the high-voltage system is open at this step: the lock-out stands before it.
    pub opens_high_voltage: bool,
    /// What it needs.
    pub needs: Needs,
    /// What it must record.
    pub records: Vec<Record>,
}

impl Step {
    /// Whether hands come near the high-voltage system at this step.
    #[must_use]
    pub const fn touches_high_voltage(&self) -> bool {
        self.opens_high_voltage || matches!(self.role, Role::PlugOut | Role::Measure | Role::PlugIn)
    }

    /// The kinds of gear without which it cannot be done: those it asks for, and those that the gates do.
    pub fn gear(&self) -> impl Iterator<Item = GearKind> {
        let gloves = self.role == Role::Gloves || self.touches_high_voltage();
        let meter = matches!(self.role, Role::Meter | Role::Measure);
        let by_gates = [(gloves, GearKind::Gloves), (meter, GearKind::Meter)];
        self.needs.gear.iter().copied().chain(by_gates.into_iter().filter_map(|(asked, kind)| asked.then_some(kind)))
    }
}

/// A procedure; an order keeps the version it was raised with.
#[derive(Clone, Debug, PartialEq)]
pub struct Procedure {
    /// The fleet's own code.
    pub code: String,
    /// The kind of job it is for.
    pub kind: Kind,
    /// Its version, from 1; each edit is a new one.
    pub version: u32,
    /// What it is called.
    pub title: String,
    /// What is read before the first step.
    pub cautions: Vec<String>,
    /// Its steps in order.
    pub steps: Vec<Step>,
}

impl Procedure {
    /// The step of this number.
    #[must_use]
    pub fn step(&self, number: u32) -> Option<&Step> {
        self.steps.iter().find(|step| step.number == number)
    }

    /// Whether any of its steps brings hands near the high-voltage system.
    #[must_use]
    pub fn touches_high_voltage(&self) -> bool {
        self.steps.iter().any(Step::touches_high_voltage)
    }

    /// The first step of this role.
    #[must_use]
    pub fn step_of(&self, role: Role) -> Option<&Step> {
        self.steps.iter().find(|step| step.role == role)
    }
}
