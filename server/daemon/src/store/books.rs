//! A car's old log rows in one row of its own, so that what a recast reads does not grow with the car's history.
//!
//! Nearly all that a recast reads is old and as it was. A book holds a car's rows of days well past once more, packed; a
//! recast takes them from there and reads only the rows since. It is no second truth: each stale mark says from which day
//! on what came in speaks (`stale_cars.from_day`; all days unless the writer knows better), and a book that reaches
//! further than that is not looked at but replaced by the same recast. So a row that comes late, a void or a ruling costs
//! one recast from all rows, of its car alone.
//!
//! Of a car with a long history the oldest rows need not even be read: what they have left in memory ([`Remembered`]) stands
//! for them, and the book holds the rows since. What that is the app knows; where it can do nothing with it, it reads all
//! rows.

use std::collections::HashMap;

use chrono::{Days, NaiveDate};
use serde::{Deserialize, Serialize};
use ventmile_model::fleet::{DutyLog, PackCheck, Reading, SeatLog};

use super::forecasts::{DutyTuple, ReadingTuple, SeatTuple, duty, reading, seat};
use super::rows::ruling_name;
use super::values::{date, day_number, instant, micros};
use super::{CarLogs, Result, Store, StoreError, Tx, read, within};

/// Rows of the last four weeks stay out: most that come late come within these.
const BEHIND_DAYS: u64 = 28;

/// A book is written anew when it lacks so many days: now and then, not at every recast.
const STEP_DAYS: i64 = 60;

/// Before every day: rows of any day may have changed.
pub(super) const ALL_DAYS: i64 = -1_000_000;

/// Of how the rows are packed; another one is not read.
const FORM: u8 = 2;

const MICROS_PER_DAY: i64 = 86_400_000_000;

/// A car that is to be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct Claim {
    /// Number of the car.
    pub vehicle_id: i64,
    /// How often it had been marked stale when it was claimed.
    pub mark: i64,
    /// The first day that what came in since its last recast speaks of.
    from_day: i64,
}

impl Claim {
    /// A car that is read without being claimed, from all its rows.
    #[must_use]
    pub fn unclaimed(vehicle_id: i64) -> Self {
        Self { vehicle_id, mark: 0, from_day: ALL_DAYS }
    }

    /// The same car, read from all its rows.
    #[must_use]
    pub fn whole(self) -> Self {
        Self { from_day: ALL_DAYS, ..self }
    }
}

/// The book that a car has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Kept {
    /// It holds the rows of days before this one.
    pub until: NaiveDate,
    /// Whether they were taken from it: not where one of them may have changed since.
    pub used: bool,
}

/// What a car's old rows have left in memory.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Remembered {
    /// It stands for the odometer readings, duty and seat logs of days before this one, which are not read.
    pub since: NaiveDate,
    /// What it is, packed by the app.
    pub body: Vec<u8>,
}

/// What becomes of a car's book.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BookChange {
    /// It goes.
    Drop,
    /// It is written anew.
    Write {
        /// It holds the rows of days before this one,
        until: NaiveDate,
        /// where something is remembered from this day on; all pack checks in any case.
        since: Option<NaiveDate>,
        /// How many.
        rows: i64,
        /// They, packed.
        body: Vec<u8>,
    },
}

type CheckTuple = (i64, Vec<f64>, [Option<f64>; 4], Option<u8>);

/// The rows as they are packed, each kind in the order of its key.
#[derive(Default, Serialize, Deserialize)]
struct Packed {
    form: u8,
    /// The day before which something is remembered, and what.
    remembered: Option<(i64, Vec<u8>)>,
    readings: Vec<ReadingTuple>,
    duty: Vec<DutyTuple>,
    seats: Vec<SeatTuple>,
    checks: Vec<CheckTuple>,
}

/// The day a row with an instant is reckoned to: the one of UTC.
fn day_of_micros(at_us: i64) -> i64 {
    at_us.div_euclid(MICROS_PER_DAY)
}

/// The first day that a changed row speaks of, where `at` is the day or the instant of its key.
pub(super) fn day_of_key(at: i64, by_day: bool) -> i64 {
    if by_day { at } else { day_of_micros(at) }
}

/// The first instant of a day of UTC, in microseconds.
pub(super) fn micros_of_day(day: i64) -> i64 {
    day.saturating_mul(MICROS_PER_DAY)
}

fn check((at_us, block_volts, [current_a, charge_pct, pack_c, cabin_c], fan_stage): CheckTuple) -> Result<PackCheck> {
    Ok(PackCheck { at: instant("car_books", at_us)?, block_volts, current_a, charge_pct, pack_c, cabin_c, fan_stage })
}

impl Packed {
    /// A car's rows of days before `until`; where something is remembered, of readings and logs those since then.
    fn of(car: &CarLogs, until: i64, remembered: Option<Remembered>) -> Self {
        let remembered = remembered.map(|remembered| (day_number(remembered.since), remembered.body));
        let since = remembered.as_ref().map_or(ALL_DAYS, |(since, _)| *since);
        let (days, instants) = (since..until, micros_of_day(since)..micros_of_day(until));
        let mut packed = Self {
            form: FORM,
            remembered,
            readings: car.readings.iter().map(reading_tuple).filter(|row| instants.contains(&row.0)).collect(),
            duty: car.duty.iter().map(duty_tuple).filter(|row| days.contains(&row.0)).collect(),
            seats: car.seats.iter().map(seat_tuple).filter(|row| days.contains(&row.0)).collect(),
            checks: car.checks.iter().map(check_tuple).filter(|row| row.0 < instants.end).collect(),
        };
        packed.readings.sort_by_key(|row| (row.0, row.2));
        packed.duty.sort_by(|one, other| (one.0, &one.1, one.2).cmp(&(other.0, &other.1, other.2)));
        packed.seats.sort_by(|one, other| (one.0, &one.1, one.2).cmp(&(other.0, &other.1, other.2)));
        packed
    }

    /// The rows that were packed; `None` where they were packed otherwise than they are today.
    fn unpack(body: &[u8]) -> Option<Self> {
        postcard::from_bytes(body).ok().filter(|packed: &Self| packed.form == FORM)
    }

    fn rows(&self) -> usize {
        self.readings.len() + self.duty.len() + self.seats.len() + self.checks.len()
    }

    fn put_into(self, car: &mut CarLogs) -> Result<()> {
        car.readings = self.readings.into_iter().map(reading).collect::<Result<_>>()?;
        car.duty = self.duty.into_iter().map(duty).collect::<Result<_>>()?;
        car.seats = self.seats.into_iter().map(seat).collect::<Result<_>>()?;
        car.checks = self.checks.into_iter().map(check).collect::<Result<_>>()?;
        let remembered = self
            .remembered
            .map(|(since, body)| Ok::<_, StoreError>(Remembered { since: date("car_books.body", since)?, body }));
        car.remembered = remembered.transpose()?;
        Ok(())
    }
}

fn reading_tuple(reading: &Reading) -> ReadingTuple {
    let ruled = reading.ruling.map(|ruling| ruling_name(ruling).to_owned());
    (micros(reading.at), reading.odometer.0, reading.source, ruled)
}

fn duty_tuple(log: &DutyLog) -> DutyTuple {
    let (start, end) = log.span.map(|(start, end)| (micros(start), micros(end))).unzip();
    (day_number(log.date), log.shift.clone(), log.source, log.hours.0, log.trips, start, end)
}

fn seat_tuple(log: &SeatLog) -> SeatTuple {
    (day_number(log.date), log.shift.clone(), log.source, log.trips, log.rear_trips)
}

fn check_tuple(check: &PackCheck) -> CheckTuple {
    let measured = [check.current_a, check.charge_pct, check.pack_c, check.cabin_c];
    (micros(check.at), check.block_volts.clone(), measured, check.fan_stage)
}

impl CarLogs {
    /// The car as it will be read once so much is remembered of it.
    #[must_use]
    pub fn left_at(&self, remembered: Remembered) -> Self {
        let (day, instant_us) = (remembered.since, micros_of_day(day_number(remembered.since)));
        let mut left = self.clone();
        left.readings.retain(|reading| micros(reading.at) >= instant_us);
        left.duty.retain(|log| log.date >= day);
        left.seats.retain(|log| log.date >= day);
        left.remembered = Some(remembered);
        left
    }
}

impl BookChange {
    /// What becomes of the book of a car that was read for a recast of `today`; `None` where it stays as it is. A new one
    /// begins with what `remember` makes of the rows, where it makes anything of them.
    #[must_use]
    pub fn due(car: &CarLogs, today: NaiveDate, remember: impl FnOnce() -> Option<Remembered>) -> Option<Self> {
        let outdated = car.book.is_some_and(|book| !book.used);
        let until = today.checked_sub_days(Days::new(BEHIND_DAYS))?;
        let used = car.book.filter(|book| book.used).map(|book| book.until);
        let lacks_days = used.or_else(|| first_day(car)).is_some_and(|since| (until - since).num_days() >= STEP_DAYS);
        if lacks_days && car.remembered.is_none() {
            return Self::written(car, until, remember());
        }
        // To write it anew takes all rows, which the next recast reads where there is no book.
        (outdated || lacks_days).then_some(Self::Drop)
    }

    fn written(car: &CarLogs, until: NaiveDate, remembered: Option<Remembered>) -> Option<Self> {
        let since = remembered.as_ref().map(|remembered| remembered.since);
        let packed = Packed::of(car, day_number(until), remembered);
        let body = postcard::to_allocvec(&packed).ok()?;
        Some(Self::Write { until, since, rows: i64::try_from(packed.rows()).ok()?, body })
    }
}

/// The first day of a car's logs.
fn first_day(car: &CarLogs) -> Option<NaiveDate> {
    let readings = car.readings.iter().map(|reading| reading.at.date_naive()).min();
    let duty = car.duty.iter().map(|log| log.date).min();
    readings.into_iter().chain(duty).min()
}

#[derive(sqlx::FromRow)]
struct Row {
    vehicle_id: i64,
    until_day: i64,
    body: Vec<u8>,
}

const BOOKS: [&str; 2] = [
    "SELECT vehicle_id, until_day, body FROM car_books WHERE vehicle_id IN (SELECT value FROM json_each($1))",
    "SELECT vehicle_id, until_day, body FROM car_books
    WHERE vehicle_id = ANY (ARRAY(SELECT CAST(value AS bigint) FROM jsonb_array_elements_text(CAST($1 AS jsonb)) AS value))",
];
const WRITE: &str =
    "INSERT INTO car_books (vehicle_id, until_day, row_count, body, since_day) VALUES ($1, $2, $3, $4, $5)
    ON CONFLICT (vehicle_id) DO UPDATE SET until_day = excluded.until_day, row_count = excluded.row_count,
        body = excluded.body, since_day = excluded.since_day";
const DROP: &str = "DELETE FROM car_books WHERE vehicle_id = $1";

impl Store {
    /// Fills in what the books of these cars hold; from which day on the rows of each car are still to be read.
    pub(super) async fn open_books(
        &self,
        claims: &[Claim],
        ids: &str,
        cars: &mut HashMap<i64, CarLogs>,
    ) -> Result<Vec<(i64, i64)>> {
        let sql = self.pick(BOOKS[0], BOOKS[1]);
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(sql).bind(ids).fetch_all(pool).await)?;
        let mut books: HashMap<i64, Row> = rows.into_iter().map(|row| (row.vehicle_id, row)).collect();
        let mut rest = Vec::with_capacity(claims.len());
        for claim in claims {
            let Some(car) = cars.get_mut(&claim.vehicle_id) else { continue };
            let Some(book) = books.remove(&claim.vehicle_id) else {
                rest.push((claim.vehicle_id, ALL_DAYS));
                continue;
            };
            let packed = Packed::unpack(&book.body).filter(|_| claim.from_day >= book.until_day);
            let used = packed.is_some();
            car.book = Some(Kept { until: date("car_books.until_day", book.until_day)?, used });
            packed.map_or(Ok(()), |packed| packed.put_into(car))?;
            rest.push((claim.vehicle_id, if used { book.until_day } else { ALL_DAYS }));
        }
        Ok(rest)
    }
}

impl Tx {
    pub(super) async fn change_book(&mut self, vehicle_id: i64, change: &BookChange) -> Result<()> {
        match change {
            BookChange::Drop => within!(self, c => sqlx::query(DROP).bind(vehicle_id).execute(c).await.map(drop))?,
            BookChange::Write { until, since, rows, body } => within!(self, c => sqlx::query(WRITE)
                .bind(vehicle_id).bind(day_number(*until)).bind(*rows).bind(body)
                .bind(since.map_or(ALL_DAYS, day_number)).execute(c).await.map(drop))?,
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_come_out_as_they_went_in() {
        let packed = Packed {
            form: FORM,
            remembered: Some((-4, vec![7, 8])),
            readings: vec![(-1, 5, 2, None), (86_400_000_000, 7, -3, Some("set-aside".to_owned()))],
            duty: vec![
                (3, "night".to_owned(), 1, 10.25, Some(7), Some(1), Some(2)),
                (4, String::new(), 1, 0.1, None, None, None),
            ],
            seats: vec![(3, "night".to_owned(), 1, 9, 4)],
            checks: vec![(9, vec![15.1, 15.2], [Some(20.0), None, Some(31.5), None], Some(3))],
        };
        let body = postcard::to_allocvec(&packed).unwrap();
        let found = Packed::unpack(&body).unwrap();
        assert_eq!((found.remembered, found.readings, found.duty), (packed.remembered, packed.readings, packed.duty));
        assert_eq!((found.seats, found.checks), (packed.seats, packed.checks));
    }

    #[test]
    fn another_form_is_not_read() {
        let body = postcard::to_allocvec(&Packed { form: FORM + 1, ..Packed::default() }).unwrap();
        assert!(Packed::unpack(&body).is_none());
        assert!(Packed::unpack(b"").is_none());
        assert!(Packed::unpack(&[FORM, 0xff, 0xff]).is_none());
    }

    #[test]
    fn an_instant_before_1970_has_its_day() {
        assert_eq!([-1, 0, MICROS_PER_DAY - 1, MICROS_PER_DAY].map(day_of_micros), [-1, 0, 0, 1]);
        assert_eq!((day_of_key(5, true), day_of_key(5, false)), (5, 0));
    }
}
