//! What it costs to be late: the fan services that are overdue now, and another month with the packs most at risk.

use std::collections::{HashMap, HashSet};

use ventmile_model::fleet::{DistanceUnit, Kind};
use ventmile_model::wear::{Costs, Holding};

use super::App;
use super::coming::Listed;
use super::curve::{LateServices, Likely};
use super::day_list::WHOLE;
use super::packs::{MONTH_DAYS, PackItem, costs};
use crate::store::{ListFilter, OutlookFilter, OutlookListed, StoreError};

/// A car past the late edge of its fan service by distance.
#[derive(Clone, Debug, PartialEq)]
pub struct LateCar {
    /// Unit number.
    pub unit: String,
    /// Depot.
    pub depot: String,
    /// The unit of that depot.
    pub distance_unit: DistanceUnit,
    /// Metres beyond the late edge.
    pub beyond: f64,
    /// Metres a day.
    pub metres_per_day: f64,
}

/// The cars past their window.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LateCars {
    /// Those past it by distance, the furthest first.
    pub cars: Vec<LateCar>,
    /// Those past it by hours or days alone: in distance they are not late.
    pub by_other_meters: usize,
}

impl LateCars {
    fn of(listed: &[Listed], metres_per_day: &HashMap<i64, f64>) -> Self {
        let late = |one: &Listed| {
            let beyond = one.item.since_metres? - one.item.distance?.1;
            (beyond > 0).then(|| LateCar {
                unit: one.row.unit.clone(),
                depot: one.row.depot.clone(),
                distance_unit: one.item.unit(),
                beyond: beyond as f64,
                metres_per_day: metres_per_day.get(&one.row.position.vehicle_id).copied().unwrap_or(0.0),
            })
        };
        let mut cars: Vec<LateCar> = listed.iter().filter_map(late).collect();
        cars.sort_by(|one, other| other.beyond.total_cmp(&one.beyond));
        Self { by_other_meters: listed.len() - cars.len(), cars }
    }

    /// What the distance driven late so far is expected to cost in pack life, in all.
    #[must_use]
    pub fn so_far(&self, late: &LateServices) -> Likely {
        self.sum(|car| late.cost_of(car.beyond))
    }

    /// What all are expected to have cost if none is serviced for another month.
    #[must_use]
    pub fn in_a_month(&self, late: &LateServices) -> Likely {
        self.sum(|car| late.cost_of(MONTH_DAYS.mul_add(car.metres_per_day, car.beyond)))
    }

    fn sum(&self, cost: impl Fn(&LateCar) -> Likely) -> Likely {
        self.cars.iter().map(cost).fold(Likely::NOTHING, Likely::plus)
    }
}

/// What keeping a pack for another month is expected to cost.
#[derive(Clone, Debug)]
pub struct PackMonth {
    /// Unit number of its car.
    pub unit: String,
    /// Its serial; `None` where none is registered for the car.
    pub serial: Option<String>,
    /// Its band of risk.
    pub band: &'static str,
    /// What it is expected to cost.
    pub holding: Holding,
}

/// Packs whose month is reckoned: each is assessed anew for it.
pub const PACKS: i64 = 10;

impl OutlookListed {
    /// What a list shows of it.
    ///
    /// # Errors
    /// [`StoreError::BadRow`] where it cannot be read.
    pub fn read(&self) -> Result<PackItem, StoreError> {
        serde_json::from_str(&self.item)
            .map_err(|fault| StoreError::BadRow { column: "pack_outlooks.item", value: fault.to_string() })
    }
}

impl App {
    /// What replacing a pack costs by the settings in force.
    #[must_use]
    pub fn replacement_costs(&self) -> Costs {
        costs(&self.settings)
    }

    /// The cars past the window of their fan service, at a depot or at all that the key may see. Cars off the road are not
    /// among them: they drive no further.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn late_cars(&self, depot: Option<&str>, key_depots_of: Option<i64>) -> Result<LateCars, StoreError> {
        let filter = ListFilter {
            depot: depot.map(str::to_owned),
            kind: Some(Kind::FanService),
            band: Some("past".to_owned()),
            key_depots_of,
            limit: WHOLE,
            ..ListFilter::default()
        };
        let rows = self.store.list_forecasts(&filter).await?;
        let mut listed = rows.into_iter().map(Listed::try_from).collect::<Result<Vec<_>, _>>()?;
        listed.retain(|one| !one.item.off_road);
        let late: HashSet<i64> = listed.iter().map(|one| one.row.position.vehicle_id).collect();
        let mut metres_per_day = HashMap::new();
        for row in self.outlooks(depot, key_depots_of, WHOLE).await?.iter().filter(|row| late.contains(&row.vehicle_id))
        {
            metres_per_day.insert(row.vehicle_id, row.read()?.metres_per_day);
        }
        Ok(LateCars::of(&listed, &metres_per_day))
    }

    /// What another month with each of the packs most at risk is expected to cost, the riskiest first.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn another_month(
        &self,
        depot: Option<&str>,
        key_depots_of: Option<i64>,
    ) -> Result<Vec<PackMonth>, StoreError> {
        let mut months = Vec::new();
        for row in self.outlooks(depot, key_depots_of, PACKS).await? {
            let found = self.assess_car(row.vehicle_id).await?;
            let current = found.and_then(|(_, packs)| packs.current);
            months.extend(current.and_then(|pack| {
                let serial = Some(pack.exposure.serial.clone()).filter(|serial| !serial.is_empty());
                Some(PackMonth { unit: row.unit, serial, band: pack.band(), holding: pack.holding? })
            }));
        }
        Ok(months)
    }

    async fn outlooks(
        &self,
        depot: Option<&str>,
        key_depots_of: Option<i64>,
        limit: i64,
    ) -> Result<Vec<OutlookListed>, StoreError> {
        let filter =
            OutlookFilter { depot: depot.map(str::to_owned), key_depots_of, limit, ..OutlookFilter::default() };
        self.store.pack_outlooks(&filter).await
    }
}

#[cfg(test)]
mod tests {
    use ventmile_model::wear::life::Interval;

    use super::*;
    use crate::app::item::{Item, sample};
    use crate::store::{ListPosition, ListRow};

    fn listed(vehicle_id: i64, since: i64) -> Listed {
        let position = ListPosition { rank: 2, due_day: 0, vehicle_id, kind: "fan-service".to_owned() };
        let row = ListRow {
            position,
            unit: vehicle_id.to_string(),
            depot: "N".to_owned(),
            work_order_id: None,
            item: String::new(),
        };
        Listed { row, item: Item { since_metres: Some(since), distance: Some((30_000, 40_000)), ..sample() } }
    }

    #[test]
    fn late_cars_add_up_and_those_late_by_hours_are_told_apart() {
        let cars = [listed(1, 45_000), listed(2, 60_000), listed(3, 39_000)];
        let late = LateCars::of(&cars, &HashMap::from([(2, 1_000.0)]));
        assert_eq!(late.by_other_meters, 1);
        let beyond: Vec<_> = late.cars.iter().map(|car| (car.unit.as_str(), car.beyond)).collect();
        assert_eq!(beyond, [("2", 20_000.0), ("1", 5_000.0)]);
        let halved = LateServices {
            life_in_time: 100_000.0,
            effect: -std::f64::consts::LN_2,
            interval: Interval { low: None, high: Some(0.0) },
            planned: 1_000.0,
        };
        let cost = |share: f64| 1_000.0 * (2.0_f64.powf(share) - 1.0);
        let so_far = late.so_far(&halved);
        assert!((so_far.middle - cost(0.2) - cost(0.05)).abs() < 1e-9, "{so_far:?}");
        assert_eq!((so_far.low, so_far.high), (Some(0.0), None));
        // One goes a thousand metres a day, of the other nobody knows.
        assert!((late.in_a_month(&halved).middle - cost(0.5) - cost(0.05)).abs() < 1e-9);
        assert_eq!(LateCars::default().so_far(&halved), Likely::NOTHING);
    }
}
