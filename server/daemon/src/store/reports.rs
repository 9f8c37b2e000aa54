//! What reports are made of: fan services as they followed each other, cooling faults with how long each car was watched.

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use ventmile_model::fleet::{Metres, parse_zone};

use super::values::{date, instant, known};
use super::{Result, Store, read};

/// Of which cars a report is.
#[derive(Clone, Debug, Default)]
pub struct ReportFilter {
    /// Only of this depot.
    pub depot: Option<String>,
    /// Only of this key's depots.
    pub key_depots_of: Option<i64>,
}

/// A service that restarts the fan interval.
#[derive(Clone, Debug)]
pub struct DoneService {
    /// Number of the car.
    pub vehicle_id: i64,
    /// Its depot then.
    pub depot: String,
    /// That depot's zone.
    pub zone: Tz,
    /// Whether the report is of that depot.
    pub shown: bool,
    /// Its model.
    pub model: Option<String>,
    /// Whether the car came new, so that its first interval counts from its odometer in service.
    pub in_service: Option<(NaiveDate, Metres)>,
    /// When it was done.
    pub at: DateTime<Utc>,
    /// The odometer then.
    pub odometer: Option<Metres>,
    /// Where in its window it was, as found when its order was completed.
    pub place: Option<String>,
}

/// A car and its cooling faults while it was watched.
#[derive(Clone, Debug)]
pub struct WatchedCar {
    /// Its depot.
    pub depot: String,
    /// When it went into service.
    pub in_service_on: NaiveDate,
    /// Since when it is in the register.
    pub since: DateTime<Utc>,
    /// When it was retired.
    pub retired_on: Option<NaiveDate>,
    /// When each order for its cooling was raised that was not cancelled.
    pub faults: Vec<DateTime<Utc>>,
}

type ServiceRow =
    (i64, String, String, bool, Option<String>, i64, Option<i64>, Option<i64>, i64, Option<i64>, Option<String>);
type CarRow = (String, i64, i64, Option<i64>, Option<String>);

/// The depot is the one where the car was serviced, else where it stayed on that day, by the day in UTC.
const SERVICES: &str = "SELECT v.id, d.code, d.zone, (CAST($1 AS TEXT) IS NULL OR d.code = $1)
            AND (CAST($2 AS BIGINT) IS NULL
                OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $2 AND key_depots.depot_id = d.id)) AS shown,
        v.model, v.in_service_day, v.in_service_metres, v.came_in_used, s.at_us, s.metres, s.place
    FROM past_services s JOIN vehicles v ON v.id = s.vehicle_id
        JOIN depots d ON d.id = COALESCE(s.depot_id, (SELECT t.depot_id FROM stays t
            WHERE t.vehicle_id = v.id AND t.from_day <= s.at_us / 86400000000 ORDER BY t.from_day DESC LIMIT 1), v.depot_id)
    WHERE s.kind IN ('fan-service', 'pack-replacement') AND s.voided_us IS NULL
    ORDER BY v.id, s.at_us";
const CARS: &str = "SELECT d.code, v.in_service_day, v.created_us, v.retired_day,
        (SELECT string_agg(CAST(w.created_us AS TEXT), ',') FROM work_orders w
            WHERE w.vehicle_id = v.id AND w.kind = 'cooling-check' AND w.status <> 'cancelled') AS faults
    FROM vehicles v JOIN depots d ON d.id = v.depot_id
    WHERE (CAST($1 AS TEXT) IS NULL OR d.code = $1)
        AND (CAST($2 AS BIGINT) IS NULL
            OR EXISTS (SELECT 1 FROM key_depots WHERE key_id = $2 AND key_depots.depot_id = v.depot_id))
    ORDER BY v.id";

fn service(row: ServiceRow) -> Result<DoneService> {
    let (id, depot, zone, shown, model, day, metres, used, at, odometer, place) = row;
    let in_service_on = date("vehicles.in_service_day", day)?;
    Ok(DoneService {
        vehicle_id: id,
        depot,
        zone: known("depots.zone", &zone, parse_zone(&zone))?,
        shown,
        model,
        in_service: metres.filter(|_| used != Some(1)).map(|metres| (in_service_on, Metres(metres))),
        at: instant("past_services.at_us", at)?,
        odometer: odometer.map(Metres),
        place,
    })
}

fn watched((depot, in_service, since, retired, faults): CarRow) -> Result<WatchedCar> {
    let fault = |text: &str| {
        let micros = known("work_orders.created_us", text, text.parse().ok())?;
        instant("work_orders.created_us", micros)
    };
    Ok(WatchedCar {
        depot,
        in_service_on: date("vehicles.in_service_day", in_service)?,
        since: instant("vehicles.created_us", since)?,
        retired_on: retired.map(|day| date("vehicles.retired_day", day)).transpose()?,
        faults: faults.iter().flat_map(|all| all.split(',')).map(fault).collect::<Result<_>>()?,
    })
}

impl Store {
    /// Services that restart the fan interval, by car and time: all of them, since each counts from the one before.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn done_services(&self, filter: &ReportFilter) -> Result<Vec<DoneService>> {
        let rows: Vec<ServiceRow> = read!(self, pool => sqlx::query_as(SERVICES)
            .bind(&filter.depot).bind(filter.key_depots_of).fetch_all(pool).await)?;
        rows.into_iter().map(service).collect()
    }

    /// Cars with their cooling faults.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn watched_cars(&self, filter: &ReportFilter) -> Result<Vec<WatchedCar>> {
        let rows: Vec<CarRow> = read!(self, pool => sqlx::query_as(CARS)
            .bind(&filter.depot).bind(filter.key_depots_of).fetch_all(pool).await)?;
        rows.into_iter().map(watched).collect()
    }
}
