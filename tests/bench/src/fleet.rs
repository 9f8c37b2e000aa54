//! An invented fleet and its logs.

use chrono::{DateTime, Days, TimeDelta, Utc};
use serde_json::json;

use crate::Result;
use crate::http::{Client, JSON, NDJSON};

pub const SOURCE: &str = "bench";

/// An odometer reading, as the engine stores it.
#[derive(Clone, Copy)]
pub struct Reading {
    pub vehicle_id: i64,
    pub at_us: i64,
    pub source_id: i64,
    pub metres: i64,
}

impl Reading {
    /// Car, instant, source, metres and instant of arrival.
    pub fn values(&self) -> [i64; 5] {
        [self.vehicle_id, self.at_us, self.source_id, self.metres, self.at_us]
    }
}

pub fn unit(car: usize) -> String {
    format!("B{car:06}")
}

/// Readings in the order in which they arrive: each car's next one, car after car.
pub struct Arrivals {
    vehicle_ids: Vec<i64>,
    source_id: i64,
    start: DateTime<Utc>,
    count: usize,
}

const STEP: TimeDelta = TimeDelta::minutes(10);
const METRES_A_STEP: i64 = 5_000;

impl Arrivals {
    pub fn new(vehicle_ids: Vec<i64>, source_id: i64) -> Self {
        Self { vehicle_ids, source_id, start: Utc::now() - TimeDelta::days(300), count: 0 }
    }

    /// The next rows as they are sent, and as the engine stores them.
    pub fn next(&mut self, rows: usize) -> (Vec<String>, Vec<Reading>) {
        (0..rows).map(|_| self.one()).unzip()
    }

    fn one(&mut self) -> (String, Reading) {
        let cars = self.vehicle_ids.len();
        let (car, step) = (self.count % cars, self.count / cars);
        self.count += 1;
        let at = self.start + STEP * step as i32;
        let metres = 1_000_000 + METRES_A_STEP * step as i64;
        let sent = json!({
            "unit": unit(car), "at": at, "odometer": metres as f64 / 1000.0, "distance_unit": "km", "source": SOURCE,
        });
        let stored = Reading {
            vehicle_id: self.vehicle_ids[car],
            at_us: at.timestamp_micros(),
            source_id: self.source_id,
            metres,
        };
        (sent.to_string(), stored)
    }
}

pub fn ndjson(rows: impl IntoIterator<Item = String>) -> String {
    rows.into_iter().map(|row| row + "\n").collect()
}

async fn post(client: &mut Client, path: &str, rows: Vec<serde_json::Value>) -> Result<()> {
    let count = rows.len();
    client.store(path, NDJSON, ndjson(rows.into_iter().map(|row| row.to_string())), count).await
}

/// How a car of the fleet is driven: one in fifty came in used and nobody knows its last service, one in fifty has
/// gone silent, the others stand all over their windows.
struct Car {
    unit: String,
    used: bool,
    silent: bool,
    miles_a_day: usize,
    days_since_service: usize,
}

impl Car {
    fn new(car: usize) -> Self {
        let (used, silent) = (car.is_multiple_of(50), car % 50 == 1);
        let miles_a_day = 120 + car % 81;
        Self { unit: unit(car), used, silent, miles_a_day, days_since_service: car * 53 % 23_000 / miles_a_day }
    }
}

pub async fn add_depot(client: &mut Client) -> Result<()> {
    let depot = json!({"code": "BENCH", "name": "Bench", "zone": "America/New_York", "bays": 4, "distance_unit": "mi"});
    client.post("/v1/depots", JSON, depot.to_string()).await.map(drop)
}

/// A depot and cars that have been in service for two years.
pub async fn register(client: &mut Client, cars: usize) -> Result<()> {
    add_depot(client).await?;
    let since = Utc::now().date_naive() - Days::new(730);
    let row = |car: Car| {
        let odometer = if car.used { 40_000 } else { 10 };
        json!({"unit": car.unit, "depot": "BENCH", "model": "Hybrid wagon", "in_service_on": since,
            "odometer_in_service": odometer, "distance_unit": "mi"})
    };
    post(client, "/v1/vehicles", (0..cars).map(|car| row(Car::new(car))).collect()).await
}

const DAYS_OF_READINGS: usize = 60;
const DAYS_OF_DUTY: usize = 28;

/// Every log of the cars up to yesterday.
pub async fn post_logs(client: &mut Client, cars: usize) -> Result<()> {
    let noon = Utc::now().date_naive().and_time(chrono::NaiveTime::MIN).and_utc() - TimeDelta::hours(8);
    let (mut readings, mut duty, mut seats, mut services) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for car in (0..cars).map(Car::new) {
        let last = if car.silent { 12 } else { 0 };
        for back in last..DAYS_OF_READINGS {
            readings.push(json!({"unit": car.unit, "at": noon - TimeDelta::days(back as i64), "source": SOURCE,
                "odometer": 90_000 - car.miles_a_day * back, "distance_unit": "mi"}));
        }
        for back in last..DAYS_OF_DUTY {
            let date = noon.date_naive() - Days::new(back as u64);
            let hours = 9.0 + (back % 4) as f64;
            duty.push(json!({"unit": car.unit, "date": date, "hours": hours, "trips": 20, "source": SOURCE}));
            seats.push(json!({"unit": car.unit, "date": date, "trips": 20, "rear_trips": 13, "source": SOURCE}));
        }
        if !car.used {
            services.push(json!({"unit": car.unit, "kind": "fan-service", "distance_unit": "mi",
                "at": noon - TimeDelta::days(car.days_since_service as i64),
                "odometer": 90_000 - car.miles_a_day * car.days_since_service}));
        }
    }
    post(client, "/v1/past-services", services).await?;
    post(client, "/v1/duty-logs", duty).await?;
    post(client, "/v1/seat-logs", seats).await?;
    post(client, "/v1/odometer-readings", readings).await
}

/// Cars that all have so many years of daily logs behind them.
pub struct Veterans {
    pub years: usize,
    cars: usize,
    news: usize,
}

const VETERANS_MILES: usize = 180;
const DAYS_BETWEEN_SERVICES: usize = 120;

impl Veterans {
    /// Registers them and posts their logs up to yesterday.
    pub async fn add(client: &mut Client, years: usize, cars: usize) -> Result<Self> {
        let this = Self { years, cars, news: 0 };
        let since = Utc::now().date_naive() - Days::new(365 * years as u64);
        let row = |unit: String| json!({"unit": unit, "depot": "BENCH", "in_service_on": since, "odometer_in_service": 10, "distance_unit": "mi"});
        post(client, "/v1/vehicles", this.units().map(row).collect()).await?;
        for unit in this.units() {
            this.post_logs(client, &unit).await?;
        }
        Ok(this)
    }

    fn units(&self) -> impl Iterator<Item = String> + use<> {
        let years = self.years;
        (0..self.cars).map(move |car| format!("Y{years}-{car}"))
    }

    async fn post_logs(&self, client: &mut Client, unit: &str) -> Result<()> {
        let days = 365 * self.years;
        let dates = (1..days).map(|day| (day, Utc::now().date_naive() - Days::new((days - day) as u64)));
        let odometer = |day: usize| 10 + VETERANS_MILES * day;
        let (mut readings, mut duty, mut seats, mut services) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for (day, date) in dates {
            let at = format!("{date}T08:00:00Z");
            readings.push(
                json!({"unit": unit, "at": at, "odometer": odometer(day), "distance_unit": "mi", "source": SOURCE}),
            );
            duty.push(json!({"unit": unit, "date": date, "hours": 9 + day % 4, "trips": 20, "source": SOURCE}));
            seats.push(json!({"unit": unit, "date": date, "trips": 20, "rear_trips": 13, "source": SOURCE}));
            if day % DAYS_BETWEEN_SERVICES == 0 {
                services.push(json!({"unit": unit, "kind": "fan-service", "at": at, "odometer": odometer(day),
                    "distance_unit": "mi"}));
            }
        }
        post(client, "/v1/past-services", services).await?;
        post(client, "/v1/duty-logs", duty).await?;
        post(client, "/v1/seat-logs", seats).await?;
        post(client, "/v1/odometer-readings", readings).await
    }

    /// One reading more of each.
    pub async fn post_news(&mut self, client: &mut Client) -> Result<()> {
        self.news += 1;
        let odometer = 10 + VETERANS_MILES * 365 * self.years + self.news;
        let row = |unit| json!({"unit": unit, "at": Utc::now(), "odometer": odometer, "distance_unit": "mi", "source": SOURCE});
        post(client, "/v1/odometer-readings", self.units().map(row).collect()).await
    }
}
