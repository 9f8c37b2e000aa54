//! What to order when: stock, reservations and arrivals against what the forecasts call for.

use chrono::{Days, NaiveDate, TimeDelta};
use ventmile_model::fleet::local_day;
use ventmile_model::work::{ClaimState, Core, CorePath, core_path};

use super::App;
use crate::store::{Conflict, CoreChange, CoreRecord, PartRecord};

/// The span of a pack's chance, days.
const CHANCE_DAYS: f64 = 90.0;

/// When a part runs out and is to be ordered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reorder {
    /// How many will be needed within the lead time, beyond open orders.
    pub needed: f64,
    /// How many are missing by then: to be ordered.
    pub quantity: i64,
    /// The last day to order so that they come in time; a day that has gone by is today's.
    pub order_by: Option<NaiveDate>,
}

/// What is short within twice the lead time, and by when it is to be ordered: the part runs out on the first day on which
/// stock less reservations plus what has arrived by then falls short, and is ordered its lead time earlier.
#[must_use]
pub fn reorder(record: &PartRecord, today: NaiveDate) -> Reorder {
    let (part, need) = (&record.part, &record.need);
    let (free, lead) = (part.stock - record.reserved, part.lead_days);
    let lead_ends = today + TimeDelta::days(lead);
    let per_day = need.packs_90 / CHANCE_DAYS;
    let arrived = |by: NaiveDate| record.arrivals.iter().filter(|(_, on, _)| *on <= by).map(|it| it.2).sum::<i64>();
    let needed_by = |by: NaiveDate| {
        let counted = need.due.iter().filter(|due| **due <= by).count() as f64;
        (counted + per_day * (by - today).num_days().max(0) as f64) * part.per_job as f64
    };
    let short = |by: NaiveDate| needed_by(by) - (free + arrived(by)) as f64;
    let runs_out = today.iter_days().take((2 * lead + 1).max(1) as usize).find(|day| short(*day) > 0.0);
    let quantity = runs_out.map_or(0.0, |_| short(lead_ends.max(runs_out.unwrap_or(lead_ends))).max(0.0).ceil());
    let back = Days::new(u64::try_from(lead).unwrap_or_default());
    Reorder {
        needed: needed_by(lead_ends),
        quantity: quantity as i64,
        order_by: runs_out.filter(|_| quantity > 0.0).map(|day| day.checked_sub_days(back).unwrap_or(today).max(today)),
    }
}

/// Whether a claim may come to stand so: it begins only while the warranty covers the pack, goes on from where it stands, and
/// names its money.
///
/// # Errors
/// [`Conflict::Field`] with what would be right.
pub fn may_claim(old: &CoreRecord, change: &CoreChange, today: NaiveDate) -> Result<(), Conflict> {
    let field = |field, reason: &str| Err(Conflict::Field { field, reason: reason.to_owned() });
    let (from, to) = (old.core.claim, change.claim.or(old.core.claim));
    let Some(to) = to else {
        let told = change.claimed_on.is_some() || change.claim_cents.is_some() || change.claim_paid_cents.is_some();
        return if told { field("claim", "say where the claim stands: claimed") } else { Ok(()) };
    };
    let covered = Core { claim: None, ..old.core.clone() };
    if from.is_none() && core_path(&covered, &old.terms, today) != CorePath::Claim {
        return field("claim", "its warranty does not cover it: nothing can be claimed");
    }
    if !to.follows(from) {
        let stands = from.map_or("not claimed", ClaimState::as_str);
        return field("claim", &format!("it is {stands}: it cannot become {}", to.as_str()));
    }
    if change.claim_cents.or(old.claim_cents).is_none() {
        return field("claim_cents", "say what is claimed");
    }
    if to == ClaimState::Paid && change.claim_paid_cents.or(old.claim_paid_cents).is_none() {
        return field("claim_paid_cents", "say what was paid");
    }
    Ok(())
}

impl App {
    /// When a part is to be ordered that was read with what cars will need of it.
    #[must_use]
    pub fn reorder(&self, record: &PartRecord) -> Reorder {
        reorder(record, local_day(self.now(), record.zone))
    }

    /// The latest day that it is anywhere.
    #[must_use]
    pub fn latest_today(&self) -> NaiveDate {
        (self.now() + TimeDelta::days(1)).date_naive()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{NewPart, PartNeed};

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn part(stock: i64, reserved: i64, arrivals: &[(&str, i64)]) -> PartRecord {
        PartRecord {
            id: 1,
            version: 1,
            depot_id: 1,
            zone: chrono_tz::UTC,
            part: NewPart {
                depot: "N".into(),
                number: "F".into(),
                name: "filter".into(),
                job: None,
                per_job: 2,
                pack_type: None,
                lead_days: 10,
                stock,
                core_days: 30,
                core_credit: None,
                warranty: None,
                retired: None,
            },
            reserved,
            arrivals: arrivals.iter().map(|(on, quantity)| (1, day(on), *quantity)).collect(),
            need: PartNeed::default(),
        }
    }

    #[track_caller]
    fn check(record: &PartRecord, need: &PartNeed, expected: (f64, i64, Option<&str>)) {
        let record = PartRecord { need: need.clone(), ..record.clone() };
        let found = reorder(&record, day("2026-03-01"));
        assert_eq!(found, Reorder { needed: expected.0, quantity: expected.1, order_by: expected.2.map(day) });
    }

    #[test]
    fn it_is_ordered_its_lead_time_before_it_runs_out() {
        let due = ["2026-03-05", "2026-03-15", "2026-03-16"].map(day).to_vec();
        let need = PartNeed { due, packs_90: 0.0 };
        check(&part(6, 0, &[]), &need, (2.0, 0, None));
        check(&part(5, 0, &[]), &need, (2.0, 1, Some("2026-03-06")));
        check(&part(5, 2, &[]), &need, (2.0, 1, Some("2026-03-05")));
        check(&part(1, 0, &[]), &need, (2.0, 1, Some("2026-03-01")));
        check(&part(1, 0, &[("2026-03-05", 5)]), &need, (2.0, 0, None));
        check(&part(1, 0, &[("2026-03-06", 5)]), &need, (2.0, 0, None));
        check(&part(0, 3, &[]), &PartNeed::default(), (0.0, 3, Some("2026-03-01")));
        // 9 packs in 90 days, two parts each: a fifth of a part a day.
        check(&part(1, 0, &[]), &PartNeed { due: Vec::new(), packs_90: 9.0 }, (2.0, 1, Some("2026-03-01")));
    }
}
