//! Log rows on their way in: which car each belongs to, and one statement a log that stores a batch.

use std::collections::{BTreeSet, HashMap, HashSet};

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use serde_json::{Value, json};
use ventmile_model::fleet::{Kind, Metres, parse_zone};
use ventmile_model::work::stop_notice;

use super::books::day_of_key;
use super::pack_logs::{CHECK, CODE, CheckRow, CodeRow, PACK, PackRow, keep_confirmation};
use super::values::{date, day_number, known, micros};
use super::{Actor, Result, Store, Tx, stale, within};

/// One odometer reading as sent.
#[derive(Clone, Debug)]
pub struct OdometerRow {
    /// When it was read.
    pub at: DateTime<Utc>,
    /// What it showed.
    pub metres: Metres,
    /// Who sent it.
    pub source: String,
}

/// One duty log row as sent.
#[derive(Clone, Debug)]
pub struct DutyRow {
    /// Local date; taken from the start where it is not given.
    pub date: Option<NaiveDate>,
    /// Shift, empty for a source's total of the day.
    pub shift: String,
    /// Who sent it.
    pub source: String,
    /// Elapsed hours.
    pub hours: f64,
    /// Trips driven.
    pub trips: Option<u32>,
    /// Start and end, where given.
    pub span: Option<(DateTime<Utc>, DateTime<Utc>)>,
}

/// One seat log row as sent.
#[derive(Clone, Debug)]
pub struct SeatRow {
    /// Local date.
    pub date: NaiveDate,
    /// Shift, empty for a source's total of the day.
    pub shift: String,
    /// Who sent it.
    pub source: String,
    /// Trips counted.
    pub trips: u32,
    /// Trips with the rear seat in use.
    pub rear_trips: u32,
}

/// One service done in the past, as sent.
#[derive(Clone, Debug)]
pub struct ServiceRow {
    /// Which job.
    pub kind: Kind,
    /// When.
    pub at: DateTime<Utc>,
    /// Odometer then.
    pub metres: Option<Metres>,
    /// What else was noted.
    pub note: Option<String>,
}

/// One row of any log.
#[derive(Clone, Debug)]
pub enum LogRows {
    /// Odometer reading.
    Odometer(OdometerRow),
    /// Duty log row.
    Duty(DutyRow),
    /// Seat log row.
    Seat(SeatRow),
    /// Past service.
    Service(ServiceRow),
    /// A pack's time in a car.
    Pack(PackRow),
    /// Pack check.
    Check(CheckRow),
    /// Trouble code.
    Code(CodeRow),
}

/// A row, its number in the request, and the unit it names.
#[derive(Clone, Debug)]
pub struct SentRow {
    /// Number in the request, from 1.
    pub row: u64,
    /// Unit number.
    pub unit: String,
    /// What it says.
    pub log: LogRows,
}

/// Why a row was not stored.
#[derive(Clone, Debug, PartialEq)]
pub struct Refused {
    /// Number in the request, from 1.
    pub row: u64,
    /// Field at fault.
    pub field: String,
    /// Its value.
    pub value: Value,
    /// What is wrong and what would be right.
    pub reason: String,
}

/// What became of a row that was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// It was new.
    Stored,
    /// It was there already.
    Repeated,
    /// It took the place of another value.
    Replaced,
}

/// What became of a request's rows.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// Rows that were new.
    pub stored: u64,
    /// Rows that were there already.
    pub repeated: u64,
    /// Rows that took the place of another value.
    pub replaced: u64,
    /// Rows that were not stored.
    pub refused: Vec<Refused>,
    /// What became of each other row, by its number in the request.
    pub taken: Vec<(u64, Verdict)>,
}

impl Tally {
    /// Adds another part's verdicts.
    pub fn absorb(&mut self, other: Self) {
        self.stored += other.stored;
        self.repeated += other.repeated;
        self.replaced += other.replaced;
        self.refused.extend(other.refused);
        self.taken.extend(other.taken);
    }

    /// Counts a row that was taken.
    pub fn take(&mut self, row: u64, verdict: Verdict) {
        match verdict {
            Verdict::Stored => self.stored += 1,
            Verdict::Repeated => self.repeated += 1,
            Verdict::Replaced => self.replaced += 1,
        }
        self.taken.push((row, verdict));
    }
}

/// Car, instant or day, shift or kind, source: what makes a row the same row.
pub(super) type RowKey = (i64, i64, String, i64);

/// A batch of one log, ready for its statement.
pub(super) struct Statement {
    /// Whether the time in its key is a day, and not an instant.
    pub(super) by_day: bool,
    pub(super) sqlite: &'static str,
    pub(super) postgres: &'static str,
}

macro_rules! statement {
    ($head:literal, sqlite: $sqlite:literal, postgres: $postgres:literal, $tail:literal) => {
        Statement {
            by_day: false,
            sqlite: concat!($head, " SELECT ", $sqlite, " FROM json_each($1) WHERE true ", $tail),
            postgres: concat!(
                $head,
                " SELECT ",
                $postgres,
                " FROM jsonb_array_elements(CAST($1 AS jsonb)) AS value ",
                $tail
            ),
        }
    };
}
pub(super) use statement;

const ODOMETER: Statement = statement!(
    "INSERT INTO odometer_readings (received_us, revision, vehicle_id, at_us, source_id, metres)",
    sqlite: "$2, 0, value->>0, value->>1, value->>2, value->>3",
    postgres: "$2, 0, (value->>0)::bigint, (value->>1)::bigint, (value->>2)::bigint, (value->>3)::bigint",
    "ON CONFLICT (vehicle_id, at_us, source_id) DO UPDATE SET metres = excluded.metres,
        received_us = excluded.received_us, revision = odometer_readings.revision + 1, ruling = NULL, voided_us = NULL
    WHERE odometer_readings.metres <> excluded.metres
    RETURNING vehicle_id, at_us, CAST('' AS TEXT), source_id, revision"
);

const DUTY: Statement = Statement {
    by_day: true,
    ..statement!(
    "INSERT INTO duty_logs (received_us, revision, vehicle_id, day, shift, source_id, hours, trips, start_us, end_us)",
    sqlite: "$2, 0, value->>0, value->>1, value->>2, value->>3, value->>4, value->>5, value->>6, value->>7",
    postgres: "$2, 0, (value->>0)::bigint, (value->>1)::bigint, value->>2, (value->>3)::bigint,
        (value->>4)::double precision, (value->>5)::bigint, (value->>6)::bigint, (value->>7)::bigint",
    "ON CONFLICT (vehicle_id, day, shift, source_id) DO UPDATE SET hours = excluded.hours, trips = excluded.trips,
        start_us = excluded.start_us, end_us = excluded.end_us, received_us = excluded.received_us,
        revision = duty_logs.revision + 1, voided_us = NULL
    WHERE duty_logs.hours <> excluded.hours OR duty_logs.trips IS DISTINCT FROM excluded.trips
        OR duty_logs.start_us IS DISTINCT FROM excluded.start_us OR duty_logs.end_us IS DISTINCT FROM excluded.end_us
    RETURNING vehicle_id, day, shift, source_id, revision"
    )
};

const SEAT: Statement = Statement {
    by_day: true,
    ..statement!(
    "INSERT INTO seat_logs (received_us, revision, vehicle_id, day, shift, source_id, trips, rear_trips)",
    sqlite: "$2, 0, value->>0, value->>1, value->>2, value->>3, value->>4, value->>5",
    postgres: "$2, 0, (value->>0)::bigint, (value->>1)::bigint, value->>2, (value->>3)::bigint, (value->>4)::bigint,
        (value->>5)::bigint",
    "ON CONFLICT (vehicle_id, day, shift, source_id) DO UPDATE SET trips = excluded.trips,
        rear_trips = excluded.rear_trips, received_us = excluded.received_us, revision = seat_logs.revision + 1,
        voided_us = NULL
    WHERE seat_logs.trips <> excluded.trips OR seat_logs.rear_trips <> excluded.rear_trips
    RETURNING vehicle_id, day, shift, source_id, revision"
    )
};

const SERVICE: Statement = statement!(
    "INSERT INTO past_services (received_us, revision, vehicle_id, at_us, kind, metres, note)",
    sqlite: "$2, 0, value->>0, value->>1, value->>2, value->>4, value->>5",
    postgres: "$2, 0, (value->>0)::bigint, (value->>1)::bigint, value->>2, (value->>4)::bigint, value->>5",
    "ON CONFLICT (vehicle_id, kind, at_us) DO UPDATE SET metres = excluded.metres, note = excluded.note,
        received_us = excluded.received_us, revision = past_services.revision + 1, voided_us = NULL
    WHERE past_services.metres IS DISTINCT FROM excluded.metres OR past_services.note IS DISTINCT FROM excluded.note
    RETURNING vehicle_id, at_us, kind, CAST(0 AS BIGINT), revision"
);

/// A unit number's holders with every stay of each, as the database joins them.
#[derive(sqlx::FromRow)]
struct HolderRow {
    unit: String,
    vehicle_id: i64,
    from_day: i64,
    to_day: Option<i64>,
    stay_from: i64,
    zone: String,
    depot_now: String,
}

macro_rules! holders {
    ($units:literal) => {
        concat!(
            "SELECT u.unit, u.vehicle_id, u.from_day, u.to_day, s.from_day AS stay_from, d.zone, now.code AS depot_now
            FROM unit_numbers u JOIN stays s ON s.vehicle_id = u.vehicle_id JOIN depots d ON d.id = s.depot_id
                JOIN vehicles v ON v.id = u.vehicle_id JOIN depots now ON now.id = v.depot_id
            WHERE u.unit ",
            $units,
            " ORDER BY u.unit, u.from_day, s.from_day"
        )
    };
}

const HOLDERS_SQLITE: &str = holders!("IN (SELECT value FROM json_each($1))");
const HOLDERS_POSTGRES: &str = holders!("= ANY (ARRAY(SELECT jsonb_array_elements_text(CAST($1 AS jsonb))))");

struct Holder {
    vehicle_id: i64,
    from: NaiveDate,
    to: Option<NaiveDate>,
    stays: Vec<(NaiveDate, Tz)>,
    depot_now: String,
}

impl Holder {
    fn covers(&self, day: NaiveDate) -> bool {
        self.from <= day && self.to.is_none_or(|to| day <= to)
    }

    /// The local day of an instant, by the zone of the depot where the car stayed then.
    fn local_day(&self, at: DateTime<Utc>) -> Option<NaiveDate> {
        let day_in = |zone: &Tz| at.with_timezone(zone).date_naive();
        let (_, first) = self.stays.first()?;
        let then = self.stays.iter().rev().find(|(from, zone)| *from <= day_in(zone));
        Some(then.map_or_else(|| day_in(first), |(_, zone)| day_in(zone)))
    }
}

/// Which day a row speaks of.
enum When {
    Day(NaiveDate),
    At(DateTime<Utc>),
}

impl LogRows {
    fn when(&self) -> When {
        match self {
            Self::Odometer(row) => When::At(row.at),
            Self::Duty(row) => match (row.date, row.span) {
                (Some(day), _) => When::Day(day),
                (None, Some((start, _))) => When::At(start),
                (None, None) => When::Day(NaiveDate::MIN),
            },
            Self::Seat(row) => When::Day(row.date),
            Self::Service(row) => When::At(row.at),
            Self::Pack(row) => When::At(row.at),
            Self::Check(row) => When::At(row.check.at),
            Self::Code(row) => When::At(row.code.at),
        }
    }

    fn source(&self) -> &str {
        match self {
            Self::Odometer(row) => &row.source,
            Self::Duty(row) => &row.source,
            Self::Seat(row) => &row.source,
            Self::Check(row) => &row.source,
            Self::Code(row) => &row.source,
            Self::Service(_) | Self::Pack(_) => "",
        }
    }

    const fn statement(&self) -> usize {
        match self {
            Self::Odometer(_) => 0,
            Self::Duty(_) => 1,
            Self::Seat(_) => 2,
            Self::Service(_) => 3,
            Self::Pack(_) => 4,
            Self::Check(_) => 5,
            Self::Code(_) => 6,
        }
    }

    /// The row's key and the values its statement takes.
    fn placed(&self, vehicle_id: i64, day: NaiveDate, source_id: i64) -> (RowKey, Value) {
        let day = day_number(day);
        match self {
            Self::Odometer(row) => {
                let at = micros(row.at);
                ((vehicle_id, at, String::new(), source_id), json!([vehicle_id, at, source_id, row.metres.0]))
            }
            Self::Duty(row) => {
                let (start, end) = row.span.unzip();
                let values = json!([
                    vehicle_id,
                    day,
                    row.shift,
                    source_id,
                    row.hours,
                    row.trips,
                    start.map(micros),
                    end.map(micros)
                ]);
                ((vehicle_id, day, row.shift.clone(), source_id), values)
            }
            Self::Seat(row) => {
                let values = json!([vehicle_id, day, row.shift, source_id, row.trips, row.rear_trips]);
                ((vehicle_id, day, row.shift.clone(), source_id), values)
            }
            Self::Service(row) => {
                let (kind, at) = (row.kind.as_str(), micros(row.at));
                let metres = row.metres.map(|metres| metres.0);
                ((vehicle_id, at, kind.to_owned(), 0), json!([vehicle_id, at, kind, 0, metres, row.note]))
            }
            Self::Pack(row) => row.placed(vehicle_id),
            Self::Check(row) => row.placed(vehicle_id, source_id),
            Self::Code(row) => row.placed(vehicle_id, source_id),
        }
    }
}

const STATEMENTS: [Statement; 7] = [ODOMETER, DUTY, SEAT, SERVICE, PACK, CHECK, CODE];

/// The rows of several requests, stored in one transaction.
pub(super) struct Batch<'a> {
    pub requests: Vec<(&'a Actor, &'a [SentRow])>,
}

/// A row that goes into the statement, and the request it came with.
struct Place {
    request: usize,
    row: u64,
    values: Value,
}

/// Cars of which the batch says something that stops a car, or lets it go.
fn stop_cars(places: &[HashMap<RowKey, Place>; STATEMENTS.len()]) -> BTreeSet<i64> {
    let codes = places.last().into_iter().flat_map(HashMap::keys);
    codes.filter(|(_, _, code, _)| stop_notice(code).is_some()).map(|(car, ..)| *car).collect()
}

impl Store {
    /// What storing these rows would do: it is done and taken back.
    ///
    /// # Errors
    /// [`super::StoreError`] when the database fails.
    pub async fn try_rows(&self, actor: &Actor, rows: &[SentRow], now: DateTime<Utc>) -> Result<Tally> {
        let mut tx = self.begin().await?;
        let mut tallies = tx.store_rows(&Batch { requests: vec![(actor, rows)] }, now).await?;
        Ok(tallies.pop().unwrap_or_default())
    }
}

impl Tx {
    /// Stores the batch, marks the cars stale and tells each request what became of its rows.
    pub(super) async fn store_rows(&mut self, batch: &Batch<'_>, now: DateTime<Utc>) -> Result<Vec<Tally>> {
        let rows = || batch.requests.iter().flat_map(|(_, rows)| rows.iter());
        let holders = self.holders(rows().map(|row| row.unit.as_str()).collect()).await?;
        let sources = self.sources(rows().map(|row| row.log.source()).collect()).await?;
        let mut tallies: Vec<Tally> = batch.requests.iter().map(|_| Tally::default()).collect();
        let mut places: [HashMap<RowKey, Place>; STATEMENTS.len()] = Default::default();
        for (request, ((actor, rows), tally)) in batch.requests.iter().zip(&mut tallies).enumerate() {
            for row in *rows {
                match belongs(row, actor, &holders) {
                    Err(refused) => tally.refused.push(refused),
                    Ok((vehicle_id, day)) => {
                        let source_id = sources.get(row.log.source()).copied().unwrap_or_default();
                        let (key, values) = row.log.placed(vehicle_id, day, source_id);
                        if let Some(places) = places.get_mut(row.log.statement()) {
                            place(places, key, Place { request, row: row.row, values }, &row.log, tally);
                        }
                    }
                }
            }
        }
        let watched = stop_cars(&places);
        let before = self.stops(&watched, now).await?;
        let mut stale = HashMap::new();
        for (statement, places) in STATEMENTS.iter().zip(places) {
            self.run(statement, places, &mut tallies, &mut stale, now).await?;
        }
        self.mark_all_stale(stale, now).await?;
        self.tell_stops(&watched, &before, "logs in", now).await?;
        Ok(tallies)
    }

    async fn run(
        &mut self,
        statement: &Statement,
        places: HashMap<RowKey, Place>,
        tallies: &mut [Tally],
        stale: &mut HashMap<i64, i64>,
        now: DateTime<Utc>,
    ) -> Result<()> {
        if places.is_empty() {
            return Ok(());
        }
        // In key order the rows of a car fall onto few pages, and two Postgres writers lock in one order.
        let mut keys: Vec<&RowKey> = places.keys().collect();
        keys.sort_unstable();
        let values: Vec<&Value> = keys.iter().filter_map(|key| places.get(*key)).map(|place| &place.values).collect();
        let text = serde_json::to_string(&values).unwrap_or_default();
        let sql = self.pick(statement.sqlite, statement.postgres);
        let changed: Vec<(i64, i64, String, i64, i64)> =
            within!(self, c => sqlx::query_as(sql).bind(text).bind(micros(now)).fetch_all(c).await)?;
        let mut counted = HashSet::with_capacity(changed.len());
        for (vehicle_id, at, name, source_id, revision) in changed {
            let day = day_of_key(at, statement.by_day);
            stale.entry(vehicle_id).and_modify(|first| *first = day.min(*first)).or_insert(day);
            let key = (vehicle_id, at, name, source_id);
            if let Some((place, tally)) =
                places.get(&key).and_then(|place| Some((place, tallies.get_mut(place.request)?)))
            {
                tally.take(place.row, if revision == 0 { Verdict::Stored } else { Verdict::Replaced });
            }
            counted.insert(key);
        }
        for (key, place) in &places {
            if !counted.contains(key)
                && let Some(tally) = tallies.get_mut(place.request)
            {
                tally.take(place.row, Verdict::Repeated);
            }
        }
        Ok(())
    }

    async fn holders(&mut self, units: HashSet<&str>) -> Result<HashMap<String, Vec<Holder>>> {
        let units = serde_json::to_string(&units).unwrap_or_default();
        let sql = self.pick(HOLDERS_SQLITE, HOLDERS_POSTGRES);
        let rows: Vec<HolderRow> = within!(self, c => sqlx::query_as(sql).bind(units).fetch_all(c).await)?;
        let mut holders: HashMap<String, Vec<Holder>> = HashMap::new();
        for row in rows {
            let of_unit = holders.entry(row.unit).or_default();
            let stay =
                (date("stays.from_day", row.stay_from)?, known("depots.zone", &row.zone, parse_zone(&row.zone))?);
            let from = date("unit_numbers.from_day", row.from_day)?;
            match of_unit.last_mut() {
                Some(last) if last.vehicle_id == row.vehicle_id && last.from == from => last.stays.push(stay),
                _ => of_unit.push(Holder {
                    vehicle_id: row.vehicle_id,
                    from,
                    to: row.to_day.map(|day| date("unit_numbers.to_day", day)).transpose()?,
                    stays: vec![stay],
                    depot_now: row.depot_now,
                }),
            }
        }
        Ok(holders)
    }

    async fn sources(&mut self, names: BTreeSet<&str>) -> Result<HashMap<String, i64>> {
        const FIND: &str = "SELECT id FROM sources WHERE name = $1";
        const ADD: &str = "INSERT INTO sources (name) VALUES ($1)
            ON CONFLICT (name) DO UPDATE SET name = excluded.name RETURNING id";
        let mut sources = HashMap::with_capacity(names.len());
        for name in names {
            let found: Option<i64> = within!(self, c => sqlx::query_scalar(FIND).bind(name).fetch_optional(c).await)?;
            let id = match found {
                Some(id) => id,
                None => within!(self, c => sqlx::query_scalar(ADD).bind(name).fetch_one(c).await)?,
            };
            sources.insert(name.to_owned(), id);
        }
        Ok(sources)
    }

    /// Marks each car stale from its day on.
    async fn mark_all_stale(&mut self, cars: HashMap<i64, i64>, now: DateTime<Utc>) -> Result<()> {
        const SQLITE: &str = stale!("SELECT value ->> 0, $2, $2, 0, value ->> 1 FROM json_each($1) WHERE true");
        const POSTGRES: &str = stale!(
            "SELECT CAST(value ->> 0 AS bigint), $2, $2, 0, CAST(value ->> 1 AS bigint)
            FROM jsonb_array_elements(CAST($1 AS jsonb)) AS value"
        );
        if cars.is_empty() {
            return Ok(());
        }
        let mut cars: Vec<(i64, i64)> = cars.into_iter().collect();
        cars.sort_unstable();
        let text = serde_json::to_string(&cars).unwrap_or_default();
        let sql = self.pick(SQLITE, POSTGRES);
        within!(self, c => sqlx::query(sql).bind(text).bind(micros(now)).execute(c).await.map(drop))?;
        Ok(())
    }
}

/// A key that stands twice in a batch: the later row wins, as it would had they come one after the other.
fn place(places: &mut HashMap<RowKey, Place>, key: RowKey, mut new: Place, log: &LogRows, tally: &mut Tally) {
    if let (LogRows::Code(_), Some(old)) = (log, places.get(&key)) {
        keep_confirmation(&old.values, &mut new.values);
    }
    match places.get_mut(&key) {
        None => drop(places.insert(key, new)),
        Some(old) if old.values == new.values => tally.take(new.row, Verdict::Repeated),
        Some(old) => {
            tally.take(new.row, Verdict::Replaced);
            old.values = new.values;
        }
    }
}

/// The local day on which a shift starts where its row gives another date.
fn other_start_day(row: &SentRow, holder: &Holder, day: NaiveDate) -> Option<NaiveDate> {
    let LogRows::Duty(DutyRow { span: Some((start, _)), .. }) = row.log else { return None };
    holder.local_day(start).filter(|starts_on| *starts_on != day)
}

/// The car a row belongs to, and the local day it speaks of.
fn belongs(row: &SentRow, actor: &Actor, holders: &HashMap<String, Vec<Holder>>) -> Result<(i64, NaiveDate), Refused> {
    let refuse =
        |field: &str, value: Value, reason: String| Refused { row: row.row, field: field.into(), value, reason };
    let visible: Vec<&Holder> =
        holders.get(&row.unit).into_iter().flatten().filter(|holder| actor.may_see(&holder.depot_now)).collect();
    if visible.is_empty() {
        let reason = "no car has this unit number: add the vehicle first, or correct the number".to_owned();
        return Err(refuse("unit", json!(row.unit), reason));
    }
    let day_for = |holder: &Holder| match row.log.when() {
        When::Day(day) => Some(day),
        When::At(at) => holder.local_day(at),
    };
    let on_day = visible.iter().find_map(|holder| {
        let day = day_for(holder)?;
        holder.covers(day).then_some((*holder, day))
    });
    if let Some((holder, day)) = on_day {
        if let Some(starts_on) = other_start_day(row, holder, day) {
            let reason = format!("the shift starts on {starts_on} local time: leave the date out, or give that one");
            return Err(refuse("date", json!(day), reason));
        }
        return Ok((holder.vehicle_id, day));
    }
    // A service or a pack may be older than the car's time in this fleet: it belongs to the next holder.
    let before = || {
        let (LogRows::Service(_) | LogRows::Pack(_)) = row.log else { return None };
        visible.iter().find_map(|holder| {
            let day = day_for(holder)?;
            (day < holder.from).then_some((holder.vehicle_id, day))
        })
    };
    before().ok_or_else(|| {
        let day = visible.first().and_then(|holder| day_for(holder)).unwrap_or_default();
        let held: Vec<String> = visible
            .iter()
            .map(|holder| match holder.to {
                Some(to) => format!("{} to {to}", holder.from),
                None => format!("{} on", holder.from),
            })
            .collect();
        let reason = format!("on {day} no car has unit {:?}; it is held from {}", row.unit, held.join(", "));
        refuse("unit", json!(row.unit), reason)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn holder(vehicle_id: i64, from: &str, to: Option<&str>) -> Holder {
        let from: NaiveDate = from.parse().unwrap();
        Holder {
            vehicle_id,
            from,
            to: to.map(|to| to.parse().unwrap()),
            stays: vec![(from, chrono_tz::America::New_York)],
            depot_now: "NORTH".into(),
        }
    }

    fn reading(at: &str) -> SentRow {
        let log = OdometerRow { at: at.parse().unwrap(), metres: Metres(1), source: "s".into() };
        SentRow { row: 1, unit: "7".into(), log: LogRows::Odometer(log) }
    }

    #[test]
    fn a_row_belongs_to_the_car_that_had_the_number_on_its_local_day() {
        let holders = HashMap::from([(
            "7".to_owned(),
            vec![holder(1, "2025-01-01", Some("2025-06-30")), holder(2, "2025-07-01", None)],
        )]);
        let actor = Actor::internal("test");
        let car = |at: &str| belongs(&reading(at), &actor, &holders).map(|(car, _)| car);
        // 03:00 UTC on 1 July is still 30 June in New York.
        assert_eq!(car("2025-07-01T03:00:00Z"), Ok(1));
        assert_eq!(car("2025-07-01T04:00:00Z"), Ok(2));
        let refused = car("2024-12-31T12:00:00Z").unwrap_err();
        assert_eq!(refused.field, "unit");
        assert!(refused.reason.contains("2025-01-01 to 2025-06-30, 2025-07-01 on"), "{}", refused.reason);
    }

    #[test]
    fn a_car_of_another_depot_is_as_unknown_as_one_that_is_not_there() {
        let holders = HashMap::from([("7".to_owned(), vec![holder(1, "2025-01-01", None)])]);
        let actor = Actor { key_id: Some(1), name: "key".into(), depots: vec!["SOUTH".into()] };
        let hidden = belongs(&reading("2025-02-01T12:00:00Z"), &actor, &holders).unwrap_err();
        let missing = belongs(&reading("2025-02-01T12:00:00Z"), &actor, &HashMap::new()).unwrap_err();
        assert_eq!(hidden, missing);
    }
}
