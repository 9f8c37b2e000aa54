//! Acts on work orders, with the checks that need the model.

use chrono::{DateTime, TimeDelta, Utc};
use ventmile_model::fleet::{Act, Completion, Order, Outcome, Refusal};

use super::App;
use super::assess::fits_track;
use crate::store::{Answer, Conflict, IfMatch, OrderRecord, StoreError, Writing};

/// A completion may be entered for work done up to this much ahead of our clock.
const AHEAD: TimeDelta = TimeDelta::minutes(5);

fn refused(refusal: &Refusal) -> Conflict {
    let reason = refusal.to_string();
    match refusal {
        Refusal::NoOdometer => Conflict::Field { field: "odometer", reason },
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
    }
}

impl App {
    /// Does an act on an order.
    ///
    /// # Errors
    /// [`Conflict`] as [`StoreError::Conflict`] when the order is not there, has changed, or refuses the act.
    pub async fn act(
        &self,
        number: &str,
        if_match: IfMatch,
        act: Act,
        writing: &Writing,
        answer: impl FnOnce(&OrderRecord) -> Answer,
    ) -> Result<Answer, StoreError> {
        let unfit = match &act {
            Act::Complete(done) => self.unfit(number, done, writing.now).await?,
            _ => None,
        };
        let quiet = TimeDelta::days(self.settings.raise.quiet_days_after_cancel);
        let quiet_until = matches!(act, Act::Cancel { .. }).then_some(writing.now + quiet);
        let now = writing.now;
        let action = action_name(&act);
        let change = |record: &OrderRecord| -> Result<Order, Conflict> {
            let next = record.order.after(act, now).map_err(|refusal| refused(&refusal))?;
            unfit.map_or(Ok(next), Err)
        };
        let done = self.store.act_on_order(number, if_match, action, quiet_until, writing, change, answer).await?;
        self.news.notify_one();
        Ok(done)
    }

    /// What is wrong with a completion beside the car's own record.
    async fn unfit(&self, number: &str, done: &Completion, now: DateTime<Utc>) -> Result<Option<Conflict>, StoreError> {
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
        let Some(logs) = self.cars(&[(order.vehicle_id, 0)]).await?.into_iter().next() else {
            return Ok(None);
        };
        match fits_track(&logs, done.at, odometer, now, &self.settings) {
            None => Ok(None),
            Some(reason) => {
                let reason = format!("this odometer does not fit the car's readings: {}", reason.explain());
                field("odometer", reason)
            }
        }
    }
}
