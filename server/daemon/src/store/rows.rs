//! Stored log rows: listed, voided, ruled on.

use std::collections::BTreeSet;

use chrono::{DateTime, NaiveDate, Utc};
use serde_json::{Value, json};
use ventmile_model::fleet::{Code, Kind, Metres, Ruling};

use super::journal::Entry;
use super::values::{date, day_number, instant, known, micros};
use super::{Answer, Conflict, Result, Store, Tx, Writing, opened, read, within};

/// Which rows of one car a list shows.
#[derive(Clone, Debug)]
pub struct LogFilter {
    /// The car.
    pub vehicle_id: i64,
    /// From this instant or day on: microseconds or days, as the log counts.
    pub from: i64,
    /// Up to this one.
    pub to: i64,
    /// After this row: its instant or day, its shift or kind, its source's number.
    pub after: (i64, String, i64),
    /// At most so many.
    pub limit: i64,
}

/// A stored odometer reading.
#[derive(Clone, Debug)]
pub struct OdometerRecord {
    /// When it was read.
    pub at: DateTime<Utc>,
    /// What it showed.
    pub metres: Metres,
    /// Number of its source.
    pub source_id: i64,
    /// Its source.
    pub source: String,
    /// A person's ruling.
    pub ruling: Option<Ruling>,
    /// When it was voided.
    pub voided_at: Option<DateTime<Utc>>,
}

/// A stored duty log row.
#[derive(Clone, Debug)]
pub struct DutyRecord {
    /// Local date.
    pub date: NaiveDate,
    /// Shift, empty for a day's total.
    pub shift: String,
    /// Number of its source.
    pub source_id: i64,
    /// Its source.
    pub source: String,
    /// Elapsed hours.
    pub hours: f64,
    /// Trips.
    pub trips: Option<i64>,
    /// Start and end.
    pub span: Option<(DateTime<Utc>, DateTime<Utc>)>,
    /// When it was voided.
    pub voided_at: Option<DateTime<Utc>>,
}

/// A stored seat log row.
#[derive(Clone, Debug)]
pub struct SeatRecord {
    /// Local date.
    pub date: NaiveDate,
    /// Shift, empty for a day's total.
    pub shift: String,
    /// Number of its source.
    pub source_id: i64,
    /// Its source.
    pub source: String,
    /// Trips.
    pub trips: i64,
    /// Trips with the rear seat in use.
    pub rear_trips: i64,
    /// When it was voided.
    pub voided_at: Option<DateTime<Utc>>,
}

/// A stored past service.
#[derive(Clone, Debug)]
pub struct ServiceRecord {
    /// Which job.
    pub kind: Kind,
    /// When.
    pub at: DateTime<Utc>,
    /// Odometer then.
    pub metres: Option<Metres>,
    /// What else was noted.
    pub note: Option<String>,
    /// Number of the work order that did it.
    pub work_order_id: Option<i64>,
    /// When it was voided.
    pub voided_at: Option<DateTime<Utc>>,
}

const ODOMETER: &str = "SELECT r.at_us, r.metres, r.source_id, s.name, r.ruling, r.voided_us
    FROM odometer_readings r JOIN sources s ON s.id = r.source_id
    WHERE r.vehicle_id = $1 AND r.at_us >= $2 AND r.at_us <= $3 AND (r.at_us, r.source_id) > ($4, $5)
    ORDER BY r.at_us, r.source_id LIMIT $6";
const DUTY: &str = "SELECT r.day, r.shift, r.source_id, s.name, r.hours, r.trips, r.start_us, r.end_us, r.voided_us
    FROM duty_logs r JOIN sources s ON s.id = r.source_id
    WHERE r.vehicle_id = $1 AND r.day >= $2 AND r.day <= $3 AND (r.day, r.shift, r.source_id) > ($4, $5, $6)
    ORDER BY r.day, r.shift, r.source_id LIMIT $7";
const SEAT: &str = "SELECT r.day, r.shift, r.source_id, s.name, r.trips, r.rear_trips, r.voided_us
    FROM seat_logs r JOIN sources s ON s.id = r.source_id
    WHERE r.vehicle_id = $1 AND r.day >= $2 AND r.day <= $3 AND (r.day, r.shift, r.source_id) > ($4, $5, $6)
    ORDER BY r.day, r.shift, r.source_id LIMIT $7";
const SERVICE: &str = "SELECT at_us, kind, metres, note, work_order_id, voided_us FROM past_services
    WHERE vehicle_id = $1 AND at_us >= $2 AND at_us <= $3 AND (at_us, kind) > ($4, $5)
    ORDER BY at_us, kind LIMIT $6";

const SOURCE: &str = "SELECT id FROM sources WHERE name = $1";
const VOID_ODOMETER: &str = "UPDATE odometer_readings SET voided_us = $4, revision = revision + 1
    WHERE vehicle_id = $1 AND at_us = $2 AND source_id = $3 RETURNING metres";
const VOID_DUTY: &str = "UPDATE duty_logs SET voided_us = $5, revision = revision + 1
    WHERE vehicle_id = $1 AND day = $2 AND source_id = $3 AND shift = $4 RETURNING CAST(0 AS BIGINT)";
const VOID_SEAT: &str = "UPDATE seat_logs SET voided_us = $5, revision = revision + 1
    WHERE vehicle_id = $1 AND day = $2 AND source_id = $3 AND shift = $4 RETURNING trips";
const VOID_SERVICE: &str = "UPDATE past_services SET voided_us = $4, revision = revision + 1
    WHERE vehicle_id = $1 AND at_us = $2 AND kind = $3 RETURNING id";
const VOID_PACK: &str = "UPDATE pack_lives SET voided_us = $4, revision = revision + 1
    WHERE vehicle_id = $1 AND at_us = $2 AND serial = $3 RETURNING original";
const VOID_CHECK: &str = "UPDATE pack_checks SET voided_us = $4, revision = revision + 1
    WHERE vehicle_id = $1 AND at_us = $2 AND source_id = $3 RETURNING at_us";
const VOID_CODE: &str = "UPDATE trouble_codes SET voided_us = $5, revision = revision + 1
    WHERE vehicle_id = $1 AND at_us = $2 AND source_id = $3 AND code = $4 RETURNING at_us";
const RULE: &str = "UPDATE odometer_readings SET ruling = $4, revision = revision + 1
    WHERE vehicle_id = $1 AND at_us = $2 AND source_id = $3 RETURNING metres";

type OdometerTuple = (i64, i64, i64, String, Option<String>, Option<i64>);
type DutyTuple = (i64, String, i64, String, f64, Option<i64>, Option<i64>, Option<i64>, Option<i64>);
type SeatTuple = (i64, String, i64, String, i64, i64, Option<i64>);
type ServiceTuple = (i64, String, Option<i64>, Option<String>, Option<i64>, Option<i64>);

/// The row that is voided or ruled on.
#[derive(Clone, Debug)]
pub enum RowName {
    /// An odometer reading by instant and source.
    Odometer {
        /// When it was read.
        at: DateTime<Utc>,
        /// Its source.
        source: String,
    },
    /// A duty log row by date, shift and source.
    Duty {
        /// Local date.
        date: NaiveDate,
        /// Shift.
        shift: String,
        /// Its source.
        source: String,
    },
    /// A seat log row by date, shift and source.
    Seat {
        /// Local date.
        date: NaiveDate,
        /// Shift.
        shift: String,
        /// Its source.
        source: String,
    },
    /// A past service by kind and instant.
    Service {
        /// Which job.
        kind: Kind,
        /// When.
        at: DateTime<Utc>,
    },
    /// A pack by serial and the instant it was put in.
    Pack {
        /// Its serial.
        serial: String,
        /// When it was put in.
        at: DateTime<Utc>,
    },
    /// A pack check by instant and source.
    Check {
        /// When it was taken.
        at: DateTime<Utc>,
        /// Its source.
        source: String,
    },
    /// A trouble code by code, instant and source.
    Code {
        /// Which code.
        code: Code,
        /// When it was read.
        at: DateTime<Utc>,
        /// Its source.
        source: String,
    },
}

impl RowName {
    fn describe(&self) -> String {
        match self {
            Self::Odometer { at, source } => format!("odometer reading of {at} from {source}"),
            Self::Duty { date, shift, source } => format!("duty log row of {date}, shift {shift:?}, from {source}"),
            Self::Seat { date, shift, source } => format!("seat log row of {date}, shift {shift:?}, from {source}"),
            Self::Service { kind, at } => format!("{} of {at}", kind.as_str()),
            Self::Pack { serial, at } => format!("pack {serial:?} put in at {at}"),
            Self::Check { at, source } => format!("pack check of {at} from {source}"),
            Self::Code { code, at, source } => format!("trouble code {code} of {at} from {source}"),
        }
    }
}

/// A ruling as it stands in its column.
pub(super) const fn ruling_name(ruling: Ruling) -> &'static str {
    match ruling {
        Ruling::Keep => "keep",
        Ruling::SetAside => "set-aside",
    }
}

pub(super) fn ruling(text: &str) -> Result<Ruling> {
    let parsed = match text {
        "keep" => Some(Ruling::Keep),
        "set-aside" => Some(Ruling::SetAside),
        _ => None,
    };
    known("odometer_readings.ruling", text, parsed)
}

impl Store {
    /// Odometer readings of a car in time order.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn odometer_readings(&self, filter: &LogFilter) -> Result<Vec<OdometerRecord>> {
        let rows: Vec<OdometerTuple> = read!(self, pool => sqlx::query_as(ODOMETER)
            .bind(filter.vehicle_id).bind(filter.from).bind(filter.to).bind(filter.after.0).bind(filter.after.2)
            .bind(filter.limit).fetch_all(pool).await)?;
        rows.into_iter()
            .map(|(at, metres, source_id, source, ruled, voided)| {
                Ok(OdometerRecord {
                    at: instant("odometer_readings.at_us", at)?,
                    metres: Metres(metres),
                    source_id,
                    source,
                    ruling: ruled.as_deref().map(ruling).transpose()?,
                    voided_at: voided.map(|at| instant("odometer_readings.voided_us", at)).transpose()?,
                })
            })
            .collect()
    }

    /// Duty log rows of a car in date order.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn duty_logs(&self, filter: &LogFilter) -> Result<Vec<DutyRecord>> {
        let rows: Vec<DutyTuple> = read!(self, pool => sqlx::query_as(DUTY)
            .bind(filter.vehicle_id).bind(filter.from).bind(filter.to).bind(filter.after.0).bind(&filter.after.1)
            .bind(filter.after.2).bind(filter.limit).fetch_all(pool).await)?;
        rows.into_iter()
            .map(|(day, shift, source_id, source, hours, trips, start, end, voided)| {
                let at = |micros| instant("duty_logs.start_us", micros);
                Ok(DutyRecord {
                    date: date("duty_logs.day", day)?,
                    shift,
                    source_id,
                    source,
                    hours,
                    trips,
                    span: start
                        .zip(end)
                        .map(|(start, end)| Ok::<_, super::StoreError>((at(start)?, at(end)?)))
                        .transpose()?,
                    voided_at: voided.map(|at| instant("duty_logs.voided_us", at)).transpose()?,
                })
            })
            .collect()
    }

    /// Seat log rows of a car in date order.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn seat_logs(&self, filter: &LogFilter) -> Result<Vec<SeatRecord>> {
        let rows: Vec<SeatTuple> = read!(self, pool => sqlx::query_as(SEAT)
            .bind(filter.vehicle_id).bind(filter.from).bind(filter.to).bind(filter.after.0).bind(&filter.after.1)
            .bind(filter.after.2).bind(filter.limit).fetch_all(pool).await)?;
        rows.into_iter()
            .map(|(day, shift, source_id, source, trips, rear_trips, voided)| {
                Ok(SeatRecord {
                    date: date("seat_logs.day", day)?,
                    shift,
                    source_id,
                    source,
                    trips,
                    rear_trips,
                    voided_at: voided.map(|at| instant("seat_logs.voided_us", at)).transpose()?,
                })
            })
            .collect()
    }

    /// Past services of a car in time order.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails or a row cannot be read.
    pub async fn past_services(&self, filter: &LogFilter) -> Result<Vec<ServiceRecord>> {
        let rows: Vec<ServiceTuple> = read!(self, pool => sqlx::query_as(SERVICE)
            .bind(filter.vehicle_id).bind(filter.from).bind(filter.to).bind(filter.after.0).bind(&filter.after.1)
            .bind(filter.limit).fetch_all(pool).await)?;
        rows.into_iter()
            .map(|(at, kind, metres, note, work_order_id, voided)| {
                Ok(ServiceRecord {
                    kind: known("past_services.kind", &kind, Kind::parse(&kind))?,
                    at: instant("past_services.at_us", at)?,
                    metres: metres.map(Metres),
                    note,
                    work_order_id,
                    voided_at: voided.map(|at| instant("past_services.voided_us", at)).transpose()?,
                })
            })
            .collect()
    }

    /// Voids a row, or takes that back; the row stays stored and is left out of every computation.
    ///
    /// # Errors
    /// [`Conflict::Missing`] when the car or the row is not there.
    pub async fn void_row(
        &self,
        unit: &str,
        row: &RowName,
        undo: bool,
        reason: &str,
        writing: &Writing,
        answer: impl FnOnce() -> Answer,
    ) -> Result<Answer> {
        let after = json!({"voided": !undo, "reason": reason});
        let mark = (!undo).then(|| micros(writing.now));
        self.change_row(unit, row, Mark::Void(mark), after, writing, answer).await
    }

    /// Overrules the track's verdict on a reading, or takes the ruling back.
    ///
    /// # Errors
    /// [`Conflict::Missing`] when the car or the reading is not there.
    pub async fn rule_on_reading(
        &self,
        unit: &str,
        row: &RowName,
        ruling: Option<Ruling>,
        reason: &str,
        writing: &Writing,
        answer: impl FnOnce() -> Answer,
    ) -> Result<Answer> {
        let text = ruling.map(ruling_name);
        let after = json!({"ruling": text, "reason": reason});
        self.change_row(unit, row, Mark::Ruling(text), after, writing, answer).await
    }

    async fn change_row(
        &self,
        unit: &str,
        row: &RowName,
        mark: Mark,
        after: Value,
        writing: &Writing,
        answer: impl FnOnce() -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let car = tx.vehicle(unit, writing).await?;
        let watched = if matches!(row, RowName::Code { .. }) { BTreeSet::from([car.id]) } else { BTreeSet::new() };
        let before = tx.stops(&watched, writing.now).await?;
        tx.mark_stale(car.id, micros(writing.now)).await?;
        if !tx.mark_row(car.id, row, mark).await? {
            return Err(Conflict::Missing { what: "row", name: row.describe() }.into());
        }
        tx.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action: match mark {
                Mark::Void(_) => "row void",
                Mark::Ruling(_) => "reading ruling",
            },
            subject: format!("vehicle {unit}: {}", row.describe()),
            depot_id: Some(car.depot_id),
            before: None,
            after: Some(after),
        })
        .await?;
        tx.tell_stops(&watched, &before, &writing.actor.name, writing.now).await?;
        tx.finish(writing, answer()).await
    }
}

#[derive(Clone, Copy)]
enum Mark {
    Void(Option<i64>),
    Ruling(Option<&'static str>),
}

impl Tx {
    async fn mark_row(&mut self, vehicle_id: i64, row: &RowName, mark: Mark) -> Result<bool> {
        let source = match row {
            RowName::Odometer { source, .. }
            | RowName::Duty { source, .. }
            | RowName::Seat { source, .. }
            | RowName::Check { source, .. }
            | RowName::Code { source, .. } => source,
            RowName::Service { .. } | RowName::Pack { .. } => "",
        };
        let source_id: Option<i64> =
            within!(self, c => sqlx::query_scalar(SOURCE).bind(source).fetch_optional(c).await)?;
        let source_id = source_id.unwrap_or_default();
        let found: Option<i64> = match (row, mark) {
            (RowName::Odometer { at, .. }, Mark::Ruling(ruling)) => within!(self, c => sqlx::query_scalar(RULE)
                .bind(vehicle_id).bind(micros(*at)).bind(source_id).bind(ruling).fetch_optional(c).await)?,
            (RowName::Odometer { at, .. }, Mark::Void(at_us)) => within!(self, c => sqlx::query_scalar(VOID_ODOMETER)
                .bind(vehicle_id).bind(micros(*at)).bind(source_id).bind(at_us).fetch_optional(c).await)?,
            (RowName::Service { kind, at }, Mark::Void(at_us)) => within!(self, c => sqlx::query_scalar(VOID_SERVICE)
                .bind(vehicle_id).bind(micros(*at)).bind(kind.as_str()).bind(at_us).fetch_optional(c).await)?,
            (RowName::Duty { date, shift, .. }, Mark::Void(at_us)) => within!(self, c => sqlx::query_scalar(VOID_DUTY)
                .bind(vehicle_id).bind(day_number(*date)).bind(source_id).bind(shift).bind(at_us)
                .fetch_optional(c).await)?,
            (RowName::Seat { date, shift, .. }, Mark::Void(at_us)) => within!(self, c => sqlx::query_scalar(VOID_SEAT)
                .bind(vehicle_id).bind(day_number(*date)).bind(source_id).bind(shift).bind(at_us)
                .fetch_optional(c).await)?,
            (RowName::Pack { serial, at }, Mark::Void(at_us)) => within!(self, c => sqlx::query_scalar(VOID_PACK)
                .bind(vehicle_id).bind(micros(*at)).bind(serial).bind(at_us).fetch_optional(c).await)?,
            (RowName::Check { at, .. }, Mark::Void(at_us)) => within!(self, c => sqlx::query_scalar(VOID_CHECK)
                .bind(vehicle_id).bind(micros(*at)).bind(source_id).bind(at_us).fetch_optional(c).await)?,
            (RowName::Code { code, at, .. }, Mark::Void(at_us)) => within!(self, c => sqlx::query_scalar(VOID_CODE)
                .bind(vehicle_id).bind(micros(*at)).bind(source_id).bind(code.to_string()).bind(at_us)
                .fetch_optional(c).await)?,
            (_, Mark::Ruling(_)) => None,
        };
        Ok(found.is_some())
    }
}

impl Store {
    /// Names of all sources by number.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails.
    pub async fn source_names(&self) -> Result<std::collections::HashMap<i64, String>> {
        const ALL: &str = "SELECT id, name FROM sources";
        let rows: Vec<(i64, String)> = read!(self, pool => sqlx::query_as(ALL).fetch_all(pool).await)?;
        Ok(rows.into_iter().collect())
    }
}
