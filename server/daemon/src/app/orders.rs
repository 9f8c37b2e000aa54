//! Acts on work orders, with the checks that need the model.

use chrono::{DateTime, TimeDelta, Utc};
use ventmile_model::fleet::{Act, Completion, Order, Outcome, Refusal, local_day};

use super::App;
use super::assess::fits_track;
use super::work::{Bench, check_plan, fits};
use crate::store::{
    Answer, Claim, Closing, Conflict, Desk, Doing, IfMatch, Look, NextOrder, OrderFile, OrderRecord, StoreError,
    Writing, order_number,
};
use ventmile_model::work::{Gear, Procedure, Technician};

/// A completion may be entered for work done up to this much ahead of our clock.
const AHEAD: TimeDelta = TimeDelta::minutes(5);

pub(super) fn refused(refusal: &Refusal) -> Conflict {
    let reason = refusal.to_string();
    match refusal {
        Refusal::NoOdometer => Conflict::Field { field: "odometer", reason },
        Refusal::BackBefore { .. } => Conflict::Field { field: "at", reason },
        Refusal::Nobody => Conflict::Field { field: "by", reason },
        _ => Conflict::Rule(reason),
    }
}

const fn action_name(act: &Act) -> &'static str {
    match act {
        Act::Accept { .. } => "work-order accept",
        Act::Start { .. } => "work-order start",
        Act::Complete(_) => "work-order complete",
        Act::Cancel { .. } => "work-order cancel",
        Act::Reopen { .. } => "work-order reopen",
        Act::Decline { .. } => "work-order decline",
        Act::HandOver { .. } => "work-order hand-over",
        Act::Pause { .. } => "work-order pause",
        Act::Resume { .. } => "work-order resume",
        Act::Plan(_) => "work-order plan",
        Act::Missed { .. } => "work-order missed",
        Act::Confirm { .. } => "work-order confirm-slot",
        Act::Refuse { .. } => "work-order refuse-slot",
        Act::Overrun(_) => "work-order expected-back",
    }
}

const fn look(act: &Act) -> Look {
    match act {
        Act::Complete(_) | Act::Cancel { .. } | Act::Accept { .. } | Act::Start { .. } | Act::HandOver { .. } => {
            Look::File
        }
        Act::Plan(_) => Look::Desk,
        _ => Look::Order,
    }
}

/// The people and the gear that an act names.
fn named(act: &Act) -> (Vec<&str>, Vec<&str>) {
    fn all(names: &[String]) -> Vec<&str> {
        names.iter().map(String::as_str).collect()
    }
    match act {
        Act::Accept { by, .. } | Act::Start { by: Some(by) } => (vec![by], Vec::new()),
        Act::HandOver { to, .. } => (vec![to], Vec::new()),
        Act::Plan(plan) => (all(&plan.technicians), all(&plan.gear)),
        _ => (Vec::new(), Vec::new()),
    }
}

/// Whoever takes an order or has done its work must have worked here then.
fn still_here(act: &Act, order: &OrderRecord, file: &OrderFile, now: DateTime<Utc>) -> Result<(), Conflict> {
    let (field, code, at) = match act {
        Act::Accept { by, .. } | Act::Start { by: Some(by) } => ("by", by, now),
        Act::HandOver { to, .. } => ("to", to, now),
        Act::Complete(done) => ("by", &done.by, done.at),
        _ => return Ok(()),
    };
    let known = file.technicians.iter().find(|person| person.code == *code);
    let gone = known.and_then(|person| person.serves(local_day(at, order.zone)).err());
    gone.map_or(Ok(()), |gone| Err(Conflict::Field { field, reason: format!("{code} {gone}") }))
}

impl App {
    /// What of the gates refuses the act: an order is not closed while the high-voltage system is open, nor as serviced
    /// before its work is recorded; a plan keeps off what others have.
    fn gates(
        &self,
        act: &Act,
        order: &OrderRecord,
        file: &OrderFile,
        desk: Option<&Desk>,
        now: DateTime<Utc>,
    ) -> Result<(), Conflict> {
        let work = &self.settings.work;
        still_here(act, order, file, now)?;
        let outcome = match act {
            Act::Complete(done) => done.outcome,
            Act::Cancel { .. } => Outcome::NotDone,
            Act::Plan(plan) => {
                return desk.map_or(Ok(()), |desk| check_plan(plan, order, file, desk, work, now));
            }
            _ => return Ok(()),
        };
        let bench = Bench::of(work, order, file, now);
        let missing = bench.map_or_else(Vec::new, |bench| bench.missing_to_close(outcome, work.records, now));
        if missing.is_empty() { Ok(()) } else { Err(Conflict::Gate(missing)) }
    }

    /// Hands the most urgent waiting order whose parts are here to one caller; a technician is given only what they may do
    /// with gear in date. None that the caller has declined.
    ///
    /// # Errors
    /// [`Conflict::Field`] when the technician is not there.
    pub async fn take_next_order(
        &self,
        next: &NextOrder,
        writing: &Writing,
        answer: impl FnOnce(Option<&OrderRecord>) -> Answer,
    ) -> Result<Answer, StoreError> {
        let work = &self.settings.work;
        let fit = |order: &OrderRecord, procedure: Option<&Procedure>, taker: Option<(&Technician, &[Gear])>| {
            let declined = order.order.declined.iter().any(|no| no.by == next.by);
            let able = |(person, gear)| fits(order, procedure, person, gear, work, writing.now);
            !declined && order.short_of.is_empty() && taker.is_none_or(able)
        };
        self.store.take_next_order(next, writing, fit, answer).await
    }

    /// Of these orders, those that a technician has, and those that wait and may be given to them today; all of them where
    /// nobody of that code is known.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn fit_for(
        &self,
        code: &str,
        orders: Vec<OrderRecord>,
        writing: &Writing,
    ) -> Result<Vec<OrderRecord>, StoreError> {
        let mut fit = Vec::new();
        for record in orders {
            let order = record.order.settled(writing.now);
            let may = match order.assigned_to.as_deref() {
                Some(has) => has == code,
                None => {
                    let file = self.store.find_order_file(&order_number(record.id), writing).await?;
                    let able = |file: &OrderFile| {
                        let person = file.technicians.iter().find(|person| person.code == code);
                        let (procedure, work) = (file.procedure.as_ref(), &self.settings.work);
                        person.is_none_or(|person| fits(&record, procedure, person, &file.gear, work, writing.now))
                    };
                    let declined = order.declined.iter().any(|no| no.by == code);
                    !declined && file.is_some_and(|(_, file)| able(&file))
                }
            };
            if may {
                fit.push(record);
            }
        }
        Ok(fit)
    }

    /// How long an order that is taken waits for its start: so many minutes, or as the settings say; 0 is without end.
    #[must_use]
    pub fn lease(&self, minutes: Option<i64>) -> Option<TimeDelta> {
        let minutes = minutes.unwrap_or(self.settings.work.lease_minutes);
        (minutes > 0).then(|| TimeDelta::minutes(minutes))
    }

    /// Does an act on an order.
    ///
    /// # Errors
    /// [`Conflict`] as [`StoreError::Conflict`] when the order is not there, has changed, or refuses the act.
    pub async fn act(
        &self,
        number: &str,
        if_match: IfMatch,
        act: Act,
        closing: &Closing,
        writing: &Writing,
        answer: impl FnOnce(&OrderRecord) -> Answer,
    ) -> Result<Answer, StoreError> {
        let mut closing = closing.clone();
        let unfit = match &act {
            Act::Complete(done) => self.unfit(number, done, &mut closing, writing.now).await?,
            _ => None,
        };
        let quiet = TimeDelta::days(self.settings.raise.quiet_days_after_cancel);
        let quiet_until = matches!(act, Act::Cancel { .. }).then_some(writing.now + quiet);
        let now = writing.now;
        let (people, gear) = named(&act);
        let action = action_name(&act);
        let doing = Doing { number, if_match, action, quiet_until, look: look(&act), people, gear, closing: &closing };
        let change = |record: &OrderRecord, file: &OrderFile, desk: Option<&Desk>| -> Result<Order, Conflict> {
            let next = record.order.after(act.clone(), now).map_err(|refusal| refused(&refusal))?;
            self.gates(&act, record, file, desk, now)?;
            unfit.map_or(Ok(next), Err)
        };
        let done = self.store.act_on_order(doing, writing, change, answer).await?;
        self.news.notify_one();
        Ok(done)
    }

    /// What is wrong with a completion beside the car's own record; where nothing is, the service is judged.
    async fn unfit(
        &self,
        number: &str,
        done: &Completion,
        closing: &mut Closing,
        now: DateTime<Utc>,
    ) -> Result<Option<Conflict>, StoreError> {
        let field = |field, reason| Ok(Some(Conflict::Field { field, reason }));
        if done.at > now + AHEAD {
            return field("at", format!("the work cannot be done later than now, {now}"));
        }
        let (Some(order), Some(odometer)) = (self.store.find_order(number).await?, done.odometer) else {
            return Ok(None);
        };
        if done.outcome != Outcome::Serviced {
            return Ok(None);
        }
        let Some(logs) = self.cars(&[Claim::unclaimed(order.vehicle_id)]).await?.into_iter().next() else {
            return Ok(None);
        };
        match fits_track(&logs, done.at, odometer, now, &self.settings) {
            None => {
                if order.kind.restarts_fan_interval() {
                    closing.judged = self.judge_service(logs, done, odometer).await?;
                }
                Ok(None)
            }
            Some(reason) => {
                let reason = format!("this odometer does not fit the car's readings: {}", reason.explain());
                field("odometer", reason)
            }
        }
    }
}
