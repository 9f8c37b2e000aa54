//! Whether a procedure that a fleet has edited is still safe.

use std::collections::HashSet;

use super::procedure::{CODES, KEPT_BY, LIFTING_AID};
use super::{Ask, GearKind, LOCK_OUT, Procedure, Record, Role, Step};
use crate::fleet::Kind;

/// What is wrong with a procedure, and where.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProcedureFault {
    /// The step; `None` when it is the procedure as a whole.
    pub step: Option<u32>,
    /// The field, such as `role` or `records.latch`.
    pub field: String,
    /// What is wrong and what would be right.
    pub says: String,
}

#[derive(Default)]
struct Faults {
    step: Option<u32>,
    found: Vec<ProcedureFault>,
}

impl Faults {
    /// Notes a fault when `broken`.
    fn when(&mut self, broken: bool, field: &str, says: impl Into<String>) {
        if broken {
            self.found.push(ProcedureFault { step: self.step, field: field.to_owned(), says: says.into() });
        }
    }
}

impl Procedure {
    /// Whether the procedure may be used.
    ///
    /// The lock-out stands in its order before every step that opens the system; the plug goes back and codes are read
    /// afterwards; what the gates look for is recorded in the words they know; numbers have units and limits; a pack
    /// replacement opens the system, lifts, and services the fan; an assessment begins with the cooling.
    ///
    /// # Errors
    /// Every fault, with its step and field.
    pub fn check(&self) -> Result<(), Vec<ProcedureFault>> {
        let mut faults = Faults::default();
        self.check_head(&mut faults);
        for (index, step) in self.steps.iter().enumerate() {
            faults.step = Some(step.number);
            faults.when(
                step.number as usize != index + 1,
                "number",
                format!("steps count 1, 2, 3: this is {}", index + 1),
            );
            check_step(step, &mut faults);
        }
        self.check_order(&mut faults);
        faults.step = None;
        self.check_kind(&mut faults);
        if faults.found.is_empty() { Ok(()) } else { Err(faults.found) }
    }

    fn check_head(&self, faults: &mut Faults) {
        faults.when(self.code.is_empty(), "code", "a code is needed");
        faults.when(self.title.is_empty(), "title", "a title is needed");
        faults.when(self.version == 0, "version", "versions count from 1");
        faults.when(self.steps.is_empty(), "steps", "at least one step is needed");
        let unsaid = self.cautions.iter().all(|caution| caution.trim().is_empty());
        faults.when(unsaid, "cautions", "at least one caution is needed: defer to the maker's procedure");
    }

    /// Walks the steps as they would be worked: what of the lock-out stands, what is still to be closed.
    fn check_order(&self, faults: &mut Faults) {
        let mut standing: Vec<Role> = Vec::new();
        let (mut open, mut unread) = (None, None);
        for step in &self.steps {
            faults.step = Some(step.number);
            check_lock_out(step, &standing, faults);
            match step.role {
                Role::PlugIn => {
                    faults.when(open.is_none(), "role", "the plug goes in only after a step `plug-out`");
                    standing.clear();
                    open = None;
                    unread = Some(step.number);
                }
                Role::Codes if open.is_none() => unread = None,
                role if role.lock_place().is_some() => standing.push(role),
                _ => {}
            }
            if step.opens_high_voltage || step.role == Role::PlugOut {
                open = Some(step.number);
            }
        }
        faults.step = open;
        faults.when(open.is_some(), "role", "a step `plug-in` must follow the last step at which the system is open");
        faults.step = unread;
        faults.when(unread.is_some(), "role", "a step `codes` must follow once the plug is in");
    }

    fn check_kind(&self, faults: &mut Faults) {
        let lacks = |role| self.step_of(role).is_none();
        let first = self.steps.first().map(|step| step.role);
        match self.kind {
            Kind::FanService => faults.when(lacks(Role::Fan), "steps", "a fan service has a step `fan`"),
            Kind::CoolingCheck => faults.when(lacks(Role::Cooling), "steps", "a cooling check has a step `cooling`"),
            Kind::PackAssessment => {
                let late = first != Some(Role::Cooling);
                faults.when(
                    late,
                    "steps",
                    "an assessment begins with a step `cooling`: codes can come from a blocked fan",
                );
            }
            Kind::PackReplacement => {
                let shut = !self.steps.iter().any(|step| step.opens_high_voltage);
                faults.when(shut, "steps", "a pack replacement opens the high-voltage system: say at which steps");
                faults.when(lacks(Role::Lift), "steps", "a pack replacement has a step `lift`");
                faults.when(lacks(Role::Fan), "steps", "a pack replacement has a step `fan`: it restarts the interval");
            }
        }
    }
}

fn check_lock_out(step: &Step, standing: &[Role], faults: &mut Faults) {
    let place = step.role.lock_place();
    for role in standing.iter().filter(|role| place.is_some() && role.lock_place() >= place) {
        let says = format!("`{}` comes after `{}`: the lock-out has one order", step.role.as_str(), role.as_str());
        faults.when(true, "role", says);
    }
    if !step.touches_high_voltage() || step.role == Role::PlugIn {
        return;
    }
    let before = LOCK_OUT.iter().take(place.unwrap_or(LOCK_OUT.len()));
    let missing: Vec<_> = before.filter(|role| !standing.contains(role)).map(|role| role.as_str()).collect();
    let field = if step.opens_high_voltage { "opens_high_voltage" } else { "role" };
    faults.when(!missing.is_empty(), field, format!("steps must come before this one: {}", missing.join(", ")));
}

fn check_step(step: &Step, faults: &mut Faults) {
    faults.when(step.title.trim().is_empty(), "title", "a title is needed");
    faults.when(step.text.trim().is_empty(), "text", "say what is done");
    faults.when(step.needs.people == 0, "needs.people", "at least one person");
    let closed_only = step.role.lock_place().is_some() || matches!(step.role, Role::PlugIn | Role::Codes);
    let says = format!("the system is not open at a step `{}`", step.role.as_str());
    faults.when(step.opens_high_voltage && closed_only, "opens_high_voltage", says);
    if step.role == Role::Lift {
        faults.when(!step.opens_high_voltage, "opens_high_voltage", "a pack is lifted with the system open");
        faults.when(step.needs.people < 2, "needs.people", "a lift needs two people: a pack weighs more than 23 kg");
    }
    if step.touches_high_voltage() || step.role == Role::Person {
        let says = "name the certificate of those who work on the high-voltage system";
        faults.when(step.needs.certificate.as_ref().is_none_or(String::is_empty), "needs.certificate", says);
    }
    if step.touches_high_voltage() {
        let says = "gloves stay on wherever live parts can be reached: name `gloves`";
        faults.when(!step.needs.gear.contains(&GearKind::Gloves), "needs.gear", says);
    }
    check_records(step, faults);
    check_demanded(step, faults);
}

fn check_records(step: &Step, faults: &mut Faults) {
    let mut seen = HashSet::new();
    for record in &step.records {
        let field = format!("records.{}", record.name);
        let known = |letter: char| letter.is_ascii_lowercase() || letter.is_ascii_digit() || letter == '_';
        let odd = record.name.is_empty() || !record.name.chars().all(known);
        faults.when(odd, &field, "a name has lower-case letters, digits and `_`");
        faults.when(!seen.insert(&record.name), &field, "the name is used twice in this step");
        match &record.ask {
            Ask::Choice { options, pass } => {
                let distinct: HashSet<_> = options.iter().collect();
                faults.when(
                    options.len() < 2 || distinct.len() < options.len(),
                    &field,
                    "two or more different options",
                );
                let strange = pass.iter().any(|word| !options.contains(word));
                faults.when(strange, &field, "what passes is one of the options");
            }
            Ask::Number { unit, low, high } => {
                faults.when(unit.trim().is_empty(), &field, "a number has a unit");
                let limits = low.is_finite() && high.is_finite() && low < high;
                faults.when(!limits, &field, "a number has two limits, the lower one first");
            }
            Ask::Residual => faults.when(!record.required, &field, "a residual voltage is always required"),
            Ask::Name | Ask::Photo | Ask::Text => {}
        }
    }
}

/// What the gates look for in this role's evidence.
fn check_demanded(step: &Step, faults: &mut Faults) {
    let find = |name: &str| step.records.iter().find(|record| record.name == name);
    for (name, word) in step.role.words() {
        let passes = |record: &Record| matches!(&record.ask, Ask::Choice { pass, .. } if pass == &[*word]);
        let good = find(name).is_some_and(|record| record.required && passes(record));
        faults.when(!good, &format!("records.{name}"), format!("a required choice of which only `{word}` passes"));
    }
    let mut demand = |name: &str, ask: Ask, required: bool| {
        let good = find(name).is_some_and(|record| record.ask == ask && record.required == required);
        let must = if required { "required" } else { "optional" };
        faults.when(
            !good,
            &format!("records.{name}"),
            format!("a step `{}` has this {must} record", step.role.as_str()),
        );
    };
    match step.role {
        Role::KeyOut | Role::PlugOut => demand(KEPT_BY, Ask::Name, true),
        Role::Lift => demand(LIFTING_AID, Ask::Text, false),
        Role::Codes => demand(CODES, Ask::Text, true),
        Role::Measure => {
            let read = step.records.iter().any(|record| record.ask == Ask::Residual);
            faults.when(!read, "records", "a measurement records the residual voltage of at least one point");
        }
        _ => {}
    }
}
