//! A whole job to take pieces out of: a pack replacement with its lock-out, people and gear.

mod check;
mod completion;
mod gate;
mod slot;

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

use super::*;
use crate::fleet::{Kind, OpeningHours};

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// So many minutes after eight in the morning in New York, 2026-03-02.
fn minute(minutes: i64) -> DateTime<Utc> {
    "2026-03-02T13:00:00Z".parse::<DateTime<Utc>>().unwrap() + TimeDelta::minutes(minutes)
}

fn record(name: &str, ask: Ask, required: bool) -> Record {
    Record { name: name.into(), ask, required }
}

fn choice(name: &str, good: &str, bad: &str) -> Record {
    record(name, Ask::Choice { options: vec![good.into(), bad.into()], pass: vec![good.into()] }, true)
}

fn step(number: u32, role: Role, opens_high_voltage: bool, records: Vec<Record>) -> Step {
    let touched = opens_high_voltage || matches!(role, Role::PlugOut | Role::Measure | Role::PlugIn);
    Step {
        number,
        title: format!("{} {number}", role.as_str()),
        text: "as the maker says".into(),
        role,
        opens_high_voltage,
        needs: Needs {
            people: if role == Role::Lift { 2 } else { 1 },
            certificate: Some("high-voltage".into()),
            gear: touched.then_some(GearKind::Gloves).into_iter().collect(),
            tools: Vec::new(),
        },
        records,
    }
}

/// The number of the step at which the system is first open.
const OPEN: u32 = 9;
const LIFT: u32 = 10;
const PLUG_IN: u32 = 13;

fn replacement() -> Procedure {
    let kept = || vec![record("kept_by", Ask::Name, true)];
    let proofs = vec![
        choice("proved_before", "proved", "not-proved"),
        record("across_v", Ask::Residual, true),
        record("to_ground_v", Ask::Residual, true),
        choice("proved_after", "proved", "not-proved"),
    ];
    let rpm = Ask::Number { unit: "1/min".into(), low: 0.0, high: 10_000.0 };
    let steps = vec![
        step(1, Role::Person, false, Vec::new()),
        step(2, Role::Gloves, false, vec![choice("air_test", "passed", "failed")]),
        step(3, Role::Meter, false, Vec::new()),
        step(4, Role::KeyOut, false, kept()),
        step(5, Role::GroundOff, false, Vec::new()),
        step(6, Role::PlugOut, false, kept()),
        step(7, Role::Wait, false, Vec::new()),
        step(8, Role::Measure, false, proofs),
        step(OPEN, Role::Plain, true, vec![record("photo", Ask::Photo, false)]),
        step(LIFT, Role::Lift, true, vec![record("lifting_aid", Ask::Text, false)]),
        step(11, Role::Fan, true, vec![record("speed", rpm, true)]),
        step(12, Role::Plain, true, vec![choice("torque", "done", "open")]),
        step(PLUG_IN, Role::PlugIn, false, vec![choice("latch", "seated", "not-seated")]),
        step(14, Role::Codes, false, vec![record("codes", Ask::Text, true)]),
    ];
    Procedure {
        code: "swap".into(),
        kind: Kind::PackReplacement,
        version: 1,
        title: "Pack replacement".into(),
        cautions: vec!["the maker's procedure comes first".into()],
        steps,
    }
}

fn entry(step: u32, minutes: i64, records: &[(&str, Value)]) -> Entry {
    Entry {
        step,
        at: minute(minutes),
        done_at: minute(minutes),
        by: "kim".into(),
        with: Vec::new(),
        records: records.iter().map(|(name, value)| ((*name).to_owned(), value.clone())).collect::<BTreeMap<_, _>>(),
        gear: Vec::new(),
    }
}

fn text(word: &str) -> Value {
    Value::Text(word.into())
}

/// The lock-out, one step a minute from `start`, the wait ten minutes.
fn lock_out(start: i64) -> Vec<Entry> {
    let team = |entry: Entry| Entry { with: vec!["lee".into()], ..entry };
    let gear = |entry: Entry, ids: &[&str]| Entry { gear: ids.iter().map(|id| (*id).to_owned()).collect(), ..entry };
    let volts = [
        ("proved_before", text("proved")),
        ("across_v", Value::Number(1.5)),
        ("to_ground_v", Value::Number(-0.5)),
        ("proved_after", text("proved")),
    ];
    vec![
        team(entry(1, start, &[])),
        gear(entry(2, start + 1, &[("air_test", text("passed"))]), &["G-1", "G-2"]),
        gear(entry(3, start + 2, &[]), &["M-1"]),
        entry(4, start + 3, &[("kept_by", text("kim"))]),
        entry(5, start + 4, &[]),
        entry(6, start + 5, &[("kept_by", text("kim"))]),
        entry(7, start + 15, &[]),
        entry(8, start + 16, &volts),
    ]
}

/// The work behind the lock-out, one step a minute from `start`.
fn work(start: i64) -> Vec<Entry> {
    vec![
        entry(OPEN, start, &[]),
        Entry { with: vec!["lee".into()], ..entry(LIFT, start + 1, &[]) },
        entry(11, start + 2, &[("speed", Value::Number(2500.0))]),
        entry(12, start + 3, &[("torque", text("done"))]),
        entry(PLUG_IN, start + 4, &[("latch", text("seated"))]),
        entry(14, start + 5, &[("codes", text("none"))]),
    ]
}

fn technician(code: &str, certificates: &[&str]) -> Technician {
    let held = |name: &&str| Certificate { name: (*name).into(), expires_on: day("2026-12-31") };
    Technician {
        code: code.into(),
        depot: "north".into(),
        certificates: certificates.iter().map(held).collect(),
        hours: OpeningHours::default(),
        absences: Vec::new(),
        retired_on: None,
    }
}

fn gear(id: &str, what: GearType) -> Gear {
    let test = Test { on: day("2026-02-01"), by: "lab".into(), passed: true };
    Gear {
        id: id.into(),
        depot: "north".into(),
        what,
        tests: vec![test],
        issued_on: Some(day("2026-02-02")),
        retired_on: None,
    }
}

/// What a job borrows from.
struct World {
    procedure: Procedure,
    evidence: Vec<Entry>,
    overrides: Vec<Override>,
    gear: Vec<Gear>,
    technicians: Vec<Technician>,
    settings: Settings,
    counts_from: Option<DateTime<Utc>>,
    isolation_fault: bool,
}

impl World {
    /// A job of which `evidence` is recorded.
    fn with(evidence: Vec<Entry>) -> Self {
        let gloves = GearType::Gloves { class: GloveClass::Class0, protectors: true };
        let meter = GearType::Meter { meter: Rating::NEEDED, leads: Rating::NEEDED };
        Self {
            procedure: replacement(),
            evidence,
            overrides: Vec::new(),
            gear: vec![gear("G-1", gloves), gear("G-2", gloves), gear("M-1", meter)],
            technicians: vec![
                technician("kim", &["high-voltage"]),
                technician("lee", &["high-voltage"]),
                technician("ann", &[]),
            ],
            settings: Settings::for_zone(Tz::America__New_York),
            counts_from: None,
            isolation_fault: false,
        }
    }

    fn job(&self) -> Job<'_> {
        Job {
            procedure: &self.procedure,
            evidence: &self.evidence,
            overrides: &self.overrides,
            gear: &self.gear,
            technicians: &self.technicians,
            settings: &self.settings,
            counts_from: self.counts_from,
            isolation_fault: self.isolation_fault,
        }
    }

    fn overriding(mut self, item: &str, minutes: i64) -> Self {
        let item = Item::parse(item).unwrap();
        let given = Override { item, by: "max".into(), reason: "told so".into(), at: minute(minutes) };
        self.overrides.push(given);
        self
    }

    /// The codes of what the gate misses for `attempt`.
    fn missing(&self, attempt: &Entry) -> Vec<String> {
        codes(self.job().gate(attempt).map(drop))
    }
}

fn codes(result: Result<(), Vec<Missing>>) -> Vec<String> {
    result.err().unwrap_or_default().iter().map(|missing| missing.item.to_string()).collect()
}
