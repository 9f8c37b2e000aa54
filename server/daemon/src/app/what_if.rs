//! What a car's dates would be under other shifts, at another depot, off the road for some days, or by another rule.

use chrono::NaiveDate;
use ventmile_model::fleet::{DistanceUnit, Kind, OffRoad};
use ventmile_model::usage::{Shifts, Untold};

use super::App;
use super::forecasts::{ALL_RULES, CarForecast, rule_for};
use crate::store::{Actor, DepotRecord, RuleChange, RuleRecord, StoreError};

/// What would be otherwise; what is left out stays as it is.
#[derive(Clone, Debug, Default)]
pub struct WhatIf {
    /// Moved to this depot today: its zone, its rule, its usual day.
    pub depot: Option<DepotRecord>,
    /// Off the road on these days too.
    pub off_road: Vec<OffRoad>,
    /// Driven in these shifts from its last reading on, instead of those it is told by today; later ones it is told follow.
    pub shifts: Option<Shifts>,
    /// By this rule instead of the one that applies.
    pub rule: Option<RuleRecord>,
    /// That rule changed in this way.
    pub change: RuleChange,
}

/// Most driven days in a week.
pub const MOST_DAYS: f64 = 7.0;
/// Most hours on duty in a day.
pub const MOST_HOURS: f64 = 24.0;
/// Further than any car goes in a day.
const MOST_KM_A_DAY: f64 = 4_000.0;

/// The most that a car may be said to go in a day, in a unit.
#[must_use]
pub fn furthest(unit: DistanceUnit) -> f64 {
    (MOST_KM_A_DAY * 1_000.0 / unit.metres()).floor()
}

/// A number from 0 to `most`.
///
/// # Errors
/// What would be right.
pub fn within(value: f64, most: f64) -> Result<f64, String> {
    if (0.0..=most).contains(&value) { Ok(value) } else { Err(format!("give 0 to {most}")) }
}

/// Days off the road from one on, to another where its end is known.
///
/// # Errors
/// What would be right for the last day.
pub fn off_road(from: NaiveDate, to: Option<NaiveDate>) -> Result<OffRoad, String> {
    match to {
        Some(to) if to < from => Err(format!("give {from} or later")),
        to => Ok(OffRoad { from, to }),
    }
}

/// The field of shifts that is needed, and why.
#[must_use]
pub const fn untold_words(untold: Untold) -> (&'static str, &'static str) {
    match untold {
        Untold::DaysPerWeek => {
            ("days_per_week", "the car's logs do not say on how many days a week it is driven now: give it")
        }
        Untold::MetresPerDrivenDay => {
            ("distance_per_day", "the car's logs do not say how far it goes on a driven day of so many hours: give it")
        }
    }
}

/// What the median date of an edge does; `say` writes a day.
#[must_use]
pub fn moved_words(
    edge: &str,
    stands: Option<NaiveDate>,
    would_be: Option<NaiveDate>,
    say: impl Fn(NaiveDate) -> String,
) -> String {
    match (stands, would_be) {
        (Some(before), Some(after)) => {
            let days = (after - before).num_days();
            let moves = match days {
                0 => "the same day".to_owned(),
                1 => "1 day later".to_owned(),
                -1 => "1 day earlier".to_owned(),
                2.. => format!("{days} days later"),
                _ => format!("{} days earlier", -days),
            };
            format!("The {edge} edge would be reached on {} instead of {}: {moves}.", say(after), say(before))
        }
        (Some(before), None) => {
            format!("The {edge} edge, expected on {}, would have no date within the horizon.", say(before))
        }
        (None, Some(after)) => {
            format!("The {edge} edge, which has no date as things stand, would be reached on {}.", say(after))
        }
        (None, None) => format!("The {edge} edge has no date, as things stand or as they would be."),
    }
}

impl App {
    /// The depot of a code, where somebody may see it.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn depot_seen(&self, actor: &Actor, code: &str) -> Result<Option<DepotRecord>, StoreError> {
        Ok(self.store.find_depot(code).await?.filter(|_| actor.may_see(code)))
    }

    /// The service rule of a code for a kind of job, where somebody may see it.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn rule_seen(&self, actor: &Actor, code: &str, kind: Kind) -> Result<Option<RuleRecord>, StoreError> {
        let seen = |rule: &RuleRecord| rule.depot.as_deref().is_none_or(|depot| actor.may_see(depot));
        Ok(self.store.find_rule(code).await?.filter(|rule| rule.kind == kind && seen(rule)))
    }

    /// What a car's forecast would be; nothing is saved. `None` where no rule would apply, [`Untold`] where the shifts leave
    /// open what the logs do not say.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn would_be(
        &self,
        stands: &CarForecast,
        wish: WhatIf,
    ) -> Result<Option<Result<CarForecast, Untold>>, StoreError> {
        let mut logs = stands.logs.clone();
        if let Some(depot) = wish.depot {
            logs.stays.push((stands.assessment.today, depot.depot.zone));
            (logs.depot_id, logs.zone, logs.distance_unit) = (depot.id, depot.depot.zone, depot.depot.distance_unit);
            logs.depot = depot.depot.code;
        }
        logs.off_road.extend(wish.off_road);
        let rules = self.store.rules("", None, ALL_RULES).await?;
        let applies = || rule_for(&rules, stands.rule.kind, &logs).cloned();
        let Some(rule) = wish.rule.or_else(applies) else { return Ok(None) };
        let rule = wish.change.on(rule);
        let told = match wish.shifts.map(|shifts| shifts.told(&stands.assessment.grading.current)).transpose() {
            Ok(told) => told,
            Err(untold) => return Ok(Some(Err(untold))),
        };
        let assessment = self.assessed(&logs, &rules, (rule.kind, &rule.rule), told.as_ref()).await?;
        Ok(Some(Ok(CarForecast { logs, rule, assessment })))
    }
}
