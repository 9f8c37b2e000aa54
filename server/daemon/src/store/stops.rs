//! Cars that codes have stopped, or stop no longer: told in the transaction that says so.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use serde_json::json;
use ventmile_model::fleet::parse_zone;
use ventmile_model::work::{Stop, standing_stops};

use super::orders::stop_code;
use super::outbox::Told;
use super::values::known;
use super::{EventType, Result, Tx, within};

/// What stops a car at a moment.
pub(super) struct CarStops {
    unit: String,
    depot_id: i64,
    stops: Vec<Stop>,
}

const CAR: &str = "SELECT v.unit, v.depot_id, d.zone,
        (SELECT string_agg(c.code || ' ' || c.state || ' ' || CAST(c.at_us AS TEXT), ',') FROM trouble_codes c
            WHERE c.vehicle_id = v.id AND substr(c.code, 1, 5) IN ('P0AA6', 'P0A7E') AND c.voided_us IS NULL)
    FROM vehicles v JOIN depots d ON d.id = v.depot_id WHERE v.id = $1";

impl Tx {
    /// What stops each of these cars as the transaction sees them now.
    pub(super) async fn stops(&mut self, cars: &BTreeSet<i64>, now: DateTime<Utc>) -> Result<BTreeMap<i64, CarStops>> {
        let mut found = BTreeMap::new();
        for car in cars {
            let row: Option<(String, i64, String, Option<String>)> =
                within!(self, c => sqlx::query_as(CAR).bind(car).fetch_optional(c).await)?;
            let Some((unit, depot_id, zone, codes)) = row else { continue };
            let zone = known("depots.zone", &zone, parse_zone(&zone))?;
            let codes = codes.iter().flat_map(|all| all.split(',')).map(stop_code).collect::<Result<Vec<_>>>()?;
            found.insert(*car, CarStops { unit, depot_id, stops: standing_stops(&codes, zone, now) });
        }
        Ok(found)
    }

    /// Tells what stops the cars and did not `before`, and what no longer does.
    pub(super) async fn tell_stops(
        &mut self,
        cars: &BTreeSet<i64>,
        before: &BTreeMap<i64, CarStops>,
        actor: &str,
        now: DateTime<Utc>,
    ) -> Result<()> {
        for (car, after) in self.stops(cars, now).await? {
            let old = before.get(&car).map_or(&[][..], |before| &before.stops);
            for stop in not_in(&after.stops, old) {
                self.tell_stop(EventType::CarStop, &after, stop, actor, now).await?;
            }
            for stop in not_in(old, &after.stops) {
                self.tell_stop(EventType::CarStopLifted, &after, stop, actor, now).await?;
            }
        }
        Ok(())
    }

    async fn tell_stop(
        &mut self,
        what: EventType,
        car: &CarStops,
        stop: &Stop,
        actor: &str,
        now: DateTime<Utc>,
    ) -> Result<()> {
        let does = (what == EventType::CarStop).then_some(stop.notice.does);
        let data = json!({
            "unit": car.unit, "code": stop.code, "since": stop.since, "means": stop.notice.means, "does": does,
        });
        self.tell(Told {
            at: now,
            what,
            subject: format!("vehicle {}", car.unit),
            depot_id: Some(car.depot_id),
            actor,
            data,
        })
        .await
    }
}

/// Stops of `one` whose code does not stop the car in `other`.
fn not_in<'a>(one: &'a [Stop], other: &'a [Stop]) -> impl Iterator<Item = &'a Stop> {
    one.iter().filter(|stop| other.iter().all(|known| known.code != stop.code))
}
