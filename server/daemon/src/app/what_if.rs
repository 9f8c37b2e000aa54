//! What a car's dates would be under other shifts, at another depot, off the road for some days, or by another rule.

use ventmile_model::fleet::{Kind, OffRoad};
use ventmile_model::usage::{Shifts, Untold};

use super::App;
use super::forecasts::{ALL_RULES, CarForecast, rule_for};
use crate::store::{DepotRecord, RuleChange, RuleRecord, StoreError};

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

/// A car's forecast as things stand, and as they would be.
#[derive(Debug)]
pub struct Compared {
    /// As it stands.
    pub stands: CarForecast,
    /// What it would be; not known where the shifts leave open what the logs do not say.
    pub would_be: Result<CarForecast, Untold>,
}

impl App {
    /// Both forecasts of a car; nothing is saved. `None` where the car or a rule for the kind is not there.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn what_if(&self, vehicle_id: i64, kind: Kind, wish: WhatIf) -> Result<Option<Compared>, StoreError> {
        let Some(stands) = self.forecast_car(vehicle_id, kind).await? else { return Ok(None) };
        let mut logs = stands.logs.clone();
        if let Some(depot) = wish.depot {
            logs.stays.push((stands.assessment.today, depot.depot.zone));
            (logs.depot_id, logs.zone, logs.distance_unit) = (depot.id, depot.depot.zone, depot.depot.distance_unit);
            logs.depot = depot.depot.code;
        }
        logs.off_road.extend(wish.off_road);
        let rules = self.store.rules("", None, ALL_RULES).await?;
        let Some(rule) = wish.rule.or_else(|| rule_for(&rules, kind, &logs).cloned()) else { return Ok(None) };
        let rule = wish.change.on(rule);
        let told = wish.shifts.map(|shifts| shifts.told(&stands.assessment.grading.current)).transpose();
        let would_be = match told {
            Ok(told) => {
                let assessment = self.assessed(&logs, &rules, (rule.kind, &rule.rule), told.as_ref()).await?;
                Ok(CarForecast { logs, rule, assessment })
            }
            Err(untold) => Err(untold),
        };
        Ok(Some(Compared { stands, would_be }))
    }
}
