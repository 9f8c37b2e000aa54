//! Work on an order: its steps, overrides and plan, judged by the model's room `work`.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use ventmile_model::fleet::{Outcome, Plan, local_day};
use ventmile_model::work::{
    Entry, Gear, GearRules, Item, Job, Missing, Override, Passed, Procedure, ResidualLimit, Settings, Shop, Step,
    Technician, clashes, gear_at_hand,
};

use super::App;
use super::orders::refused;
use super::stops::isolation_stands;
use crate::config::{self, Records};
use crate::store::{
    Actor, Answer, Conflict, Desk, EntryRecord, Fault, IfMatch, OrderFile, OrderRecord, ProcedureText, StoreError,
    Writing, order_number,
};

/// Procedures that come with the program, put into a new database.
const SHIPPED: [&str; 4] = [
    include_str!("../../procedures/fan-service.toml"),
    include_str!("../../procedures/cooling-check.toml"),
    include_str!("../../procedures/pack-assessment.toml"),
    include_str!("../../procedures/pack-replacement.toml"),
];

/// Reads a procedure's file.
///
/// # Errors
/// What is wrong with it and where, in words.
pub fn read_procedure(text: &str) -> Result<ProcedureText, String> {
    toml::from_str(text).map_err(|fault| fault.to_string())
}

/// The procedures that come with the program.
pub(super) fn shipped() -> Result<Vec<ProcedureText>, StoreError> {
    let read =
        |text: &&str| read_procedure(text).map_err(|value| StoreError::BadRow { column: "a procedure's file", value });
    SHIPPED.iter().map(read).collect()
}

/// Due dates of gear, as the settings have them.
#[must_use]
pub const fn gear_rules(work: &config::Work) -> GearRules {
    GearRules { strict: work.strict_gloves, meter_months: work.meter_months }
}

/// The residual limit of a model; its name's case does not matter.
fn residual_limit(work: &config::Work, model: Option<&str>) -> ResidualLimit {
    let same = |name: &&String| model.is_some_and(|model| name.eq_ignore_ascii_case(model));
    let set = work.residual_limit_v.iter().find(|(name, _)| same(name));
    set.and_then(|(_, volts)| ResidualLimit::new(*volts)).unwrap_or_default()
}

fn missing_faults(missing: Vec<Missing>) -> Vec<Fault> {
    let fault = |it: Missing| Fault { pointer: it.pointer, item: Some(it.item.to_string()), says: it.says };
    missing.into_iter().map(fault).collect()
}

/// An order's work at one instant: what the gates need, owned.
#[derive(Debug)]
pub struct Bench<'a> {
    file: &'a OrderFile,
    procedure: &'a Procedure,
    evidence: Vec<Entry>,
    overrides: Vec<Override>,
    settings: Settings,
    counts_from: Option<DateTime<Utc>>,
    /// Whether an isolation fault of the car stands, or may.
    pub isolation_fault: bool,
}

impl<'a> Bench<'a> {
    /// The work of an order; `None` when it was raised without a procedure. Evidence from before it was last reopened is
    /// kept and shown, and opens and closes nothing.
    #[must_use]
    pub fn of(work: &config::Work, order: &OrderRecord, file: &'a OrderFile, now: DateTime<Utc>) -> Option<Self> {
        let counts = |at: DateTime<Utc>| order.reopened_at.is_none_or(|from| from <= at);
        Some(Self {
            file,
            procedure: file.procedure.as_ref()?,
            evidence: file.entries.iter().map(|it| &it.entry).filter(|entry| counts(entry.at)).cloned().collect(),
            overrides: file.overrides.iter().filter(|given| counts(given.at)).cloned().collect(),
            settings: Settings {
                residual_limit: residual_limit(work, order.model.as_deref()),
                wait: TimeDelta::minutes(work.wait_minutes),
                gear: gear_rules(work),
                isolation_certificate: work.isolation_certificate.clone(),
                late_after: TimeDelta::minutes(work.late_minutes),
                ..Settings::for_zone(order.zone)
            },
            counts_from: order.order.counts_from,
            isolation_fault: isolation_stands(order, now),
        })
    }

    /// The order as the gates see it.
    #[must_use]
    pub fn job(&self) -> Job<'_> {
        Job {
            procedure: self.procedure,
            evidence: &self.evidence,
            overrides: &self.overrides,
            gear: &self.file.gear,
            technicians: &self.file.technicians,
            settings: &self.settings,
            counts_from: self.counts_from,
            isolation_fault: self.isolation_fault,
        }
    }

    /// The residual limit in force, volts.
    #[must_use]
    pub fn residual_limit_v(&self) -> f64 {
        self.settings.residual_limit.volts()
    }

    /// What is missing to close the order with `outcome` at `now`. Work that stays off the high-voltage system, and of
    /// which nothing is recorded, needs no records unless the settings say so.
    #[must_use]
    pub fn missing_to_close(&self, outcome: Outcome, records: Records, now: DateTime<Utc>) -> Vec<Fault> {
        let asked = self.procedure.touches_high_voltage() || !self.evidence.is_empty() || records == Records::Required;
        let missing = if asked { self.job().completion(outcome, now).err() } else { None };
        missing_faults(missing.unwrap_or_default())
    }

    /// The steps that are not recorded yet.
    pub fn open_steps(&self) -> impl Iterator<Item = &Step> {
        self.procedure.steps.iter().filter(|step| self.evidence.iter().all(|entry| entry.step != step.number))
    }

    /// The first step that is not recorded yet and what stands before it for `by`, if nothing more is named.
    #[must_use]
    pub fn next_step(&self, by: Option<&str>, now: DateTime<Utc>) -> Option<(u32, Vec<Fault>)> {
        let step = self.open_steps().next()?.number;
        let by = by.unwrap_or_default().to_owned();
        let blank =
            Entry { step, at: now, done_at: now, by, with: Vec::new(), records: BTreeMap::new(), gear: Vec::new() };
        Some((step, missing_faults(self.job().gate(&blank).err().unwrap_or_default())))
    }

    /// Whether the entry may be taken.
    fn judge(&self, entry: &Entry) -> Result<Passed, Conflict> {
        if let Some(step) = self.procedure.step(entry.step) {
            entry.check(step).map_err(|faults| {
                Conflict::Body(faults.into_iter().map(|fault| Fault::new(fault.pointer, fault.says)).collect())
            })?;
        }
        self.job().gate(entry).map_err(|missing| Conflict::Gate(missing_faults(missing)))
    }
}

/// Whether the order may be given to a technician today, with a piece in date at the depot of all the gear it needs; one
/// without a procedure needs the depot and the hours alone.
pub(super) fn fits(
    order: &OrderRecord,
    procedure: Option<&Procedure>,
    technician: &Technician,
    gear: &[Gear],
    work: &config::Work,
    now: DateTime<Utc>,
) -> bool {
    let today = local_day(now, order.zone);
    if isolation_stands(order, now) && technician.holds(&work.isolation_certificate, today).is_err() {
        return false;
    }
    match procedure {
        Some(procedure) => {
            technician.fit_for_order(procedure, &order.depot, today).is_ok()
                && gear_at_hand(&procedure.steps, gear, &order.depot, today, &gear_rules(work))
        }
        None => technician.depot == order.depot && technician.works(today).is_ok(),
    }
}

/// Whether the order may be planned so.
pub(super) fn check_plan(
    plan: &Plan,
    order: &OrderRecord,
    file: &OrderFile,
    desk: &Desk,
    work: &config::Work,
    now: DateTime<Utc>,
) -> Result<(), Conflict> {
    let today = local_day(now, order.zone);
    if plan.on < today {
        return Err(Conflict::Field { field: "on", reason: format!("give {today} or a later day") });
    }
    let shop = Shop {
        depot: &desk.depot,
        car: &order.unit,
        procedure: file.procedure.as_ref(),
        technicians: &file.technicians,
        gear: &file.gear,
        rules: &gear_rules(work),
        booked: &desk.booked,
        parts: &desk.parts,
        certificate: isolation_stands(order, now).then_some(work.isolation_certificate.as_str()),
    };
    let fault =
        |it: ventmile_model::work::Clash| Fault { pointer: it.pointer, item: Some(it.with.to_string()), says: it.says };
    let mut found: Vec<Fault> = clashes(plan, &shop).into_iter().map(fault).collect();
    found.extend(not_spared(plan, desk));
    if found.is_empty() { Ok(()) } else { Err(Conflict::Clash(found)) }
}

/// Why the dispatcher cannot spare the car that day. Where no days were told any will do, and a car off the road can always
/// be spared.
fn not_spared(plan: &Plan, desk: &Desk) -> Option<Fault> {
    let spared = |(from, to): &(chrono::NaiveDate, chrono::NaiveDate)| (*from..=*to).contains(&plan.on);
    let free = desk.spared.is_empty() || desk.spared.iter().any(spared);
    if free || desk.off_road.iter().any(|time| time.covers(plan.on)) {
        return None;
    }
    let days: Vec<String> = desk.spared.iter().map(|(from, to)| format!("{from} to {to}")).collect();
    let says = format!("the dispatcher can spare the car on {}", days.join(", "));
    Some(Fault { item: Some("release-window".to_owned()), ..Fault::new("/on", says) })
}

impl App {
    /// Records a step of an order.
    ///
    /// # Errors
    /// [`Conflict::Body`] when the entry is not what the step records, [`Conflict::Gate`] with everything that must stand
    /// first, [`Conflict::Rule`] when the order is not being worked on.
    pub async fn record_step(
        &self,
        number: &str,
        if_match: IfMatch,
        entry: &Entry,
        writing: &Writing,
        answer: impl FnOnce(&OrderRecord, &EntryRecord) -> Answer,
    ) -> Result<Answer, StoreError> {
        let judge = |order: &OrderRecord, file: &OrderFile| {
            order.order.may_record().map_err(|refusal| refused(&refusal))?;
            let bench = Bench::of(&self.settings.work, order, file, writing.now);
            bench.ok_or_else(|| no_procedure(order))?.judge(entry)
        };
        self.store.record_step(number, if_match, entry, writing, judge, answer).await
    }

    /// Adds a procedure, or the next version of one, from outside the interface.
    ///
    /// # Errors
    /// [`Conflict::Body`] with every fault, [`Conflict::Field`] when its version is not the next.
    pub async fn add_procedure_from(&self, text: &ProcedureText, by: &str) -> Result<(), StoreError> {
        let writing = Writing { actor: Actor::internal(by), now: self.now(), once: None };
        let nothing = Answer { status: 201, etag: None, body: String::new() };
        self.store.add_procedure(text, &writing, |_| nothing).await.map(drop)
    }

    /// Overrides an item of an order's gates, with a reason that is shown for ever.
    ///
    /// # Errors
    /// [`Conflict::Field`] when the item cannot be overridden, [`Conflict::Rule`] when the order is closed.
    pub async fn override_item(
        &self,
        number: &str,
        if_match: IfMatch,
        item: Item,
        reason: String,
        writing: &Writing,
        answer: impl FnOnce(&OrderRecord) -> Answer,
    ) -> Result<Answer, StoreError> {
        if !item.overridable() {
            let reason = "reading, isolation fault and qualification cannot be overridden".to_owned();
            return Err(Conflict::Field { field: "item", reason }.into());
        }
        let given = Override { item, by: writing.actor.name.clone(), reason, at: writing.now };
        let judge = |order: &OrderRecord| match order.procedure {
            None => Err(no_procedure(order)),
            Some(_) if !order.order.status.is_open() => Err(Conflict::Rule("the order is closed".to_owned())),
            Some(_) => Ok(()),
        };
        self.store.override_item(number, if_match, &given, writing, judge, answer).await
    }
}

fn no_procedure(order: &OrderRecord) -> Conflict {
    Conflict::Rule(format!("{} was raised without a procedure: it has no steps", order_number(order.id)))
}
