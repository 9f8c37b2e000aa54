//! Logs in: odometer readings, duty logs, seat logs, past services. Each is posted, listed, voided.

use axum::extract::{Request, State};
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::fleet::{DistanceUnit, Ruling};

use super::body::{Json, Params};
use super::condition::{IdempotencyKey, MayBeRepeated, writing};
use super::key::{Admin, Key, Post, Read};
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use super::rows::{self, Row, Rows, need, refuse};
use super::shapes::{PostAnswer, answer, shown};
use super::values;
pub(super) use super::values::{LONGEST_NAME, LONGEST_TEXT};
use crate::app::App;
use crate::app::keys::Caller;
use crate::app::vouched::Trial;
use crate::store::{
    Actor, Answer, DutyRow, LogFilter, LogRows, OdometerRow, Once, Refused, RowName, SeatRow, SentRow, ServiceRow,
    Tally, order_number, values::day_number, values::micros,
};

/// Stands for the source of a row that names none.
const NO_SOURCE: &str = "unnamed";

/// An odometer reading.
#[derive(Clone, Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"unit": "V104", "at": "2026-03-01T06:30:00-05:00", "odometer": 61234.5, "distance_unit": "mi", "source": "telematics"}))]
pub struct OdometerReading {
    /// Unit number of the car on that day.
    #[schema(required = true, value_type = String)]
    unit: Option<String>,
    /// When the odometer was read (RFC 3339, with offset).
    #[schema(required = true, value_type = String, format = DateTime)]
    at: Option<String>,
    /// What it showed.
    #[schema(required = true, value_type = f64, minimum = 0)]
    odometer: Option<f64>,
    /// `mi` or `km`: a reading without a unit is refused.
    #[schema(required = true, value_type = String, pattern = "^(mi|km)$")]
    distance_unit: Option<String>,
    /// Who sent it; readings of one car at one time from two sources stand side by side.
    source: Option<String>,
}

/// A duty log row: a shift, or a source's total for the day where `shift` is left out.
#[derive(Clone, Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"unit": "V104", "date": "2026-03-01", "shift": "day", "hours": 9.5, "trips": 22, "source": "dispatch"}))]
pub struct DutyLog {
    /// Unit number of the car on that day.
    #[schema(required = true, value_type = String)]
    unit: Option<String>,
    /// Local date at the depot; may be left out where start and end are given.
    #[schema(format = Date)]
    date: Option<String>,
    /// Name of the shift; shifts of a day add up. Left out: the source's total of the day.
    shift: Option<String>,
    /// Elapsed hours on duty; may be left out where start and end are given.
    #[schema(minimum = 0, maximum = 25)]
    hours: Option<f64>,
    /// Trips driven.
    trips: Option<u32>,
    /// Who sent it.
    source: Option<String>,
    /// Start of the shift (RFC 3339): it is split at local midnight.
    #[schema(format = DateTime)]
    start_at: Option<String>,
    /// End of the shift.
    #[schema(format = DateTime)]
    end_at: Option<String>,
}

/// A seat log row: how many trips used the rear seat.
#[derive(Clone, Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"unit": "V104", "date": "2026-03-01", "shift": "day", "trips": 22, "rear_trips": 17, "source": "dispatch"}))]
pub struct SeatLog {
    /// Unit number of the car on that day.
    #[schema(required = true, value_type = String)]
    unit: Option<String>,
    /// Local date at the depot.
    #[schema(required = true, value_type = String, format = Date)]
    date: Option<String>,
    /// Name of the shift. Left out: the source's total of the day.
    shift: Option<String>,
    /// Trips counted.
    #[schema(required = true, value_type = u32)]
    trips: Option<u32>,
    /// Those on which somebody sat in the rear.
    #[schema(required = true, value_type = u32)]
    rear_trips: Option<u32>,
    /// Who sent it.
    source: Option<String>,
}

/// A service done in the past.
#[derive(Clone, Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"unit": "V104", "kind": "fan-service", "at": "2025-11-20T15:00:00-05:00", "odometer": 40112, "distance_unit": "mi", "note": "ducts whole"}))]
pub struct PastService {
    /// Unit number of the car.
    #[schema(required = true, value_type = String)]
    unit: Option<String>,
    /// Which job: `fan-service` restarts the interval.
    #[schema(required = true, value_type = String)]
    kind: Option<String>,
    /// When it was done (RFC 3339).
    #[schema(required = true, value_type = String, format = DateTime)]
    at: Option<String>,
    /// Odometer then; where it is not known the readings place the car.
    odometer: Option<f64>,
    /// `mi` or `km`, with an odometer.
    #[schema(pattern = "^(mi|km)$")]
    distance_unit: Option<String>,
    /// What else was noted.
    note: Option<String>,
}

/// Turns what is wrong with a value into a refusal of its field.
pub(super) fn field<T, V: Into<serde_json::Value>>(
    row: u64,
    name: &'static str,
    given: V,
    read: Result<T, values::Wrong>,
) -> Result<T, Refused> {
    read.map_err(|reason| refuse(row, name, given, reason))
}

pub(super) fn unit_name(row: u64, unit: Option<String>) -> Result<String, Refused> {
    let unit = need(row, "unit", unit)?;
    field(row, "unit", unit.as_str(), values::name(&unit, LONGEST_NAME))
}

pub(super) fn source_name(row: u64, source: Option<String>) -> Result<String, Refused> {
    let Some(source) = source.filter(|source| !source.trim().is_empty()) else { return Ok(NO_SOURCE.to_owned()) };
    field(row, "source", source.as_str(), values::name(&source, LONGEST_NAME))
}

fn shift_name(row: u64, shift: Option<String>) -> Result<String, Refused> {
    let Some(shift) = shift.filter(|shift| !shift.trim().is_empty()) else { return Ok(String::new()) };
    field(row, "shift", shift.as_str(), values::name(&shift, LONGEST_NAME))
}

pub(super) fn instant(row: u64, name: &'static str, text: &str) -> Result<DateTime<Utc>, Refused> {
    field(row, name, text, values::instant(text))
}

fn date(row: u64, text: &str) -> Result<NaiveDate, Refused> {
    field(row, "date", text, values::date(text))
}

impl Row for OdometerReading {
    type Checked = SentRow;
    const FIELDS: &'static [&'static str] = &["unit", "at", "odometer", "distance_unit", "source"];

    fn check(self, row: u64) -> Result<SentRow, Refused> {
        let unit = unit_name(row, self.unit)?;
        let at = need(row, "at", self.at)?;
        let at = instant(row, "at", &at)?;
        let odometer = need(row, "odometer", self.odometer)?;
        let distance_unit = self.distance_unit.ok_or_else(|| {
            refuse(row, "distance_unit", serde_json::Value::Null, "a reading without a unit is refused: give mi or km")
        })?;
        let distance_unit = field(row, "distance_unit", distance_unit.as_str(), values::distance_unit(&distance_unit))?;
        let metres = field(row, "odometer", values::number(odometer), values::odometer(odometer, distance_unit))?;
        let source = source_name(row, self.source)?;
        Ok(SentRow { row, unit, log: LogRows::Odometer(OdometerRow { at, metres, source }) })
    }
}

/// The longest local day has 25 hours.
const LONGEST_DAY: f64 = 25.0;

/// No car makes more in a day.
const MOST_TRIPS: u32 = 10_000;

fn check_trips(row: u64, trips: u32) -> Result<(), Refused> {
    if trips <= MOST_TRIPS {
        return Ok(());
    }
    Err(refuse(row, "trips", trips, format!("give at most {MOST_TRIPS} trips")))
}

/// No shift lasts longer.
const LONGEST_SHIFT_HOURS: f64 = 48.0;

/// Start and end of a shift.
type Span = (DateTime<Utc>, DateTime<Utc>);

/// Start and end of a shift, both or neither.
fn span(row: u64, start: Option<String>, end: Option<String>) -> Result<Option<Span>, Refused> {
    let missing = |name, other: String| Err(refuse(row, name, serde_json::Value::Null, format!("{other}: give both")));
    let (start, end) = match (start, end) {
        (None, None) => return Ok(None),
        (Some(start), None) => return missing("end_at", format!("start_at is {start}")),
        (None, Some(end)) => return missing("start_at", format!("end_at is {end}")),
        (Some(start), Some(end)) => (start, end),
    };
    let (from, to) = (instant(row, "start_at", &start)?, instant(row, "end_at", &end)?);
    let hours = elapsed_hours(from, to);
    if hours <= 0.0 {
        return Err(refuse(row, "end_at", end, "a shift ends after it starts"));
    }
    if hours > LONGEST_SHIFT_HOURS {
        return Err(refuse(row, "end_at", end, format!("a shift lasts at most {LONGEST_SHIFT_HOURS} hours")));
    }
    Ok(Some((from, to)))
}

fn elapsed_hours(from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    (to - from).as_seconds_f64() / 3600.0
}

impl Row for DutyLog {
    type Checked = SentRow;
    const FIELDS: &'static [&'static str] =
        &["unit", "date", "shift", "hours", "trips", "source", "start_at", "end_at"];

    fn check(self, row: u64) -> Result<SentRow, Refused> {
        let unit = unit_name(row, self.unit)?;
        let span = span(row, self.start_at, self.end_at)?;
        let day = self.date.map(|text| date(row, &text)).transpose()?;
        if day.is_none() && span.is_none() {
            return Err(refuse(row, "date", serde_json::Value::Null, "give date and hours, or start_at and end_at"));
        }
        let hours = match (self.hours, span) {
            (Some(hours), None) if !(0.0..=LONGEST_DAY).contains(&hours) => {
                return Err(refuse(row, "hours", values::number(hours), "give 0 to 25 hours"));
            }
            // Where both are given the span is what is split at midnight, so it is what counts.
            (_, Some((start, end))) => elapsed_hours(start, end),
            (Some(hours), None) => hours,
            (None, None) => return Err(refuse(row, "hours", serde_json::Value::Null, "`hours` is missing")),
        };
        if let Some(trips) = self.trips {
            check_trips(row, trips)?;
        }
        let shift = shift_name(row, self.shift)?;
        let source = source_name(row, self.source)?;
        let log = DutyRow { date: day, shift, source, hours, trips: self.trips, span };
        Ok(SentRow { row, unit, log: LogRows::Duty(log) })
    }
}

impl Row for SeatLog {
    type Checked = SentRow;
    const FIELDS: &'static [&'static str] = &["unit", "date", "shift", "trips", "rear_trips", "source"];

    fn check(self, row: u64) -> Result<SentRow, Refused> {
        let unit = unit_name(row, self.unit)?;
        let day = date(row, &need(row, "date", self.date)?)?;
        let trips = need(row, "trips", self.trips)?;
        check_trips(row, trips)?;
        let rear_trips = need(row, "rear_trips", self.rear_trips)?;
        if rear_trips > trips {
            return Err(refuse(row, "rear_trips", rear_trips, format!("give at most the {trips} trips counted")));
        }
        let shift = shift_name(row, self.shift)?;
        let source = source_name(row, self.source)?;
        let log = SeatRow { date: day, shift, source, trips, rear_trips };
        Ok(SentRow { row, unit, log: LogRows::Seat(log) })
    }
}

impl Row for PastService {
    type Checked = SentRow;
    const FIELDS: &'static [&'static str] = &["unit", "kind", "at", "odometer", "distance_unit", "note"];

    fn check(self, row: u64) -> Result<SentRow, Refused> {
        let unit = unit_name(row, self.unit)?;
        let kind = need(row, "kind", self.kind)?;
        let kind = field(row, "kind", kind.as_str(), values::kind(&kind))?;
        let at = instant(row, "at", &need(row, "at", self.at)?)?;
        let metres = match (self.odometer, self.distance_unit) {
            (None, _) => None,
            (Some(_), None) => {
                let reason = "an odometer without a unit is refused: give mi or km";
                return Err(refuse(row, "distance_unit", serde_json::Value::Null, reason));
            }
            (Some(odometer), Some(text)) => {
                let distance_unit = field(row, "distance_unit", text.as_str(), values::distance_unit(&text))?;
                Some(field(row, "odometer", values::number(odometer), values::odometer(odometer, distance_unit))?)
            }
        };
        let note = self.note.filter(|note| !note.is_empty());
        let note =
            note.map(|note| field(row, "note", note.as_str(), values::free_text(&note, LONGEST_TEXT))).transpose()?;
        Ok(SentRow { row, unit, log: LogRows::Service(ServiceRow { kind, at, metres, note }) })
    }
}

/// Rows dated further ahead than this are refused: a log tells what has been.
fn too_far_ahead(sent: &SentRow, now: DateTime<Utc>) -> Option<Refused> {
    let tomorrow = (now + chrono::TimeDelta::days(1)).date_naive();
    let wrong = |name, given: String| Some(refuse(sent.row, name, given, "this lies in the future"));
    let late = |name, at: DateTime<Utc>| {
        if at > now + chrono::TimeDelta::days(1) { wrong(name, at.to_rfc3339()) } else { None }
    };
    match &sent.log {
        LogRows::Odometer(row) if row.at.date_naive() > tomorrow + chrono::Days::new(366) => {
            wrong("at", row.at.to_rfc3339())
        }
        LogRows::Service(row) => late("at", row.at),
        LogRows::Check(row) => late("at", row.check.at),
        LogRows::Code(row) => late("at", row.code.at),
        LogRows::Pack(row) => late("installed_at", row.at).or_else(|| late("removed_at", row.removal.as_ref()?.at)),
        LogRows::Duty(DutyRow { date: Some(date), .. }) | LogRows::Seat(SeatRow { date, .. }) if *date > tomorrow => {
            wrong("date", date.to_string())
        }
        LogRows::Duty(DutyRow { span: Some((start, _)), .. }) if start.date_naive() > tomorrow => {
            wrong("start_at", start.to_rfc3339())
        }
        _ => None,
    }
}

/// Stores the rows of a post part by part.
pub(super) async fn store_rows(
    app: &App,
    actor: &Actor,
    mut rows: Rows<SentRow>,
    trial: Option<&Trial>,
) -> Result<Tally, Problem> {
    let mut tally = Tally::default();
    loop {
        match rows.next().await {
            Ok(None) => {
                trial.into_iter().for_each(|trial| trial.tell(std::mem::take(&mut tally.taken)));
                return Ok(tally);
            }
            Ok(Some((mut checked, refused))) => {
                tally.refused.extend(refused);
                let now = app.now();
                checked.retain(|row| match too_far_ahead(row, now) {
                    Some(refused) => {
                        tally.refused.push(refused);
                        false
                    }
                    None => true,
                });
                tally.absorb(match trial {
                    Some(_) => app.store.try_rows(actor, &checked, now).await?,
                    None => app.writer.store(actor.clone(), checked).await?,
                });
            }
            Err(problem) => {
                return Err(Problem { rows: Some(Box::new(tally.into())), ..problem });
            }
        }
    }
}

pub(super) async fn post<R: Row<Checked = SentRow>>(
    app: &App,
    caller: &Caller,
    key: Option<IdempotencyKey>,
    what: &'static str,
    request: Request,
) -> Result<Answer, Problem> {
    let (request, once) = match (key, caller.actor.key_id) {
        (Some(key), Some(_)) => {
            let (request, bytes) = rows::buffered(request, app).await?;
            let media = super::body::media_type(request.headers());
            (request, writing(app, caller, Some(key), &format!("{what} {media}"), &bytes).once)
        }
        _ => (request, None),
    };
    if let Some(before) = find_answer(app, once.as_ref()).await? {
        return Ok(before);
    }
    let trial = request.extensions().get::<Trial>().cloned();
    let rows = rows::read::<R>(request, &app.settings.limits).await?;
    let verdicts = store_rows(app, &caller.actor, rows, trial.as_ref()).await;
    if trial.is_some() {
        return Ok(answer(StatusCode::OK, None, &PostAnswer::from(verdicts?)));
    }
    let told = counted(app, what, verdicts)?;
    let done = answer(StatusCode::OK, None, &told);
    match &once {
        Some(once) => Ok(app.store.save_answer(once, done, app.now()).await?),
        None => Ok(done),
    }
}

/// The verdicts on the rows of a post, counted for an operator, also where it broke off.
pub(super) fn counted(app: &App, log: &str, stored: Result<Tally, Problem>) -> Result<PostAnswer, Problem> {
    let told = stored.map(PostAnswer::from);
    let rows = match &told {
        Ok(rows) => Some(rows),
        Err(problem) => problem.rows.as_deref(),
    };
    if let Some(rows) = rows {
        let refused = rows.refused.len() as u64;
        app.meters.count_rows(log, [rows.stored, rows.repeated, rows.replaced, refused]);
    }
    told
}

async fn find_answer(app: &App, once: Option<&Once>) -> Result<Option<Answer>, Problem> {
    match once {
        Some(once) => Ok(app.store.find_answer(once).await?),
        None => Ok(None),
    }
}

/// Post odometer readings
///
/// One or many: a JSON object or array, NDJSON or CSV, plain or gzip. Each row gets a verdict; good rows are stored
/// beside refused ones; the same rows again change nothing. The answer comes once the rows are durable.
#[utoipa::path(
    post, path = "/v1/odometer-readings", operation_id = "post_odometer_readings", tag = "Logs in",
    params(MayBeRepeated),
    request_body(content((OdometerReading = "application/json"), (OdometerReading = "application/x-ndjson"), (OdometerReading = "text/csv"))),
    responses((status = 200, body = PostAnswer), Problem),
    security(("key" = ["post"]))
)]
pub(super) async fn post_odometer_readings(
    State(app): State<App>,
    Key(caller, _): Key<Post>,
    key: Option<IdempotencyKey>,
    request: Request,
) -> Result<Answer, Problem> {
    post::<OdometerReading>(&app, &caller, key, "odometer-readings", request).await
}

/// Post duty logs
///
/// Shifts of a day add up over drivers; a source's total of the day never adds to its own shifts. A row replaces only
/// one of the same unit, date, shift and source.
#[utoipa::path(
    post, path = "/v1/duty-logs", operation_id = "post_duty_logs", tag = "Logs in",
    params(MayBeRepeated),
    request_body(content((DutyLog = "application/json"), (DutyLog = "application/x-ndjson"), (DutyLog = "text/csv"))),
    responses((status = 200, body = PostAnswer), Problem),
    security(("key" = ["post"]))
)]
pub(super) async fn post_duty_logs(
    State(app): State<App>,
    Key(caller, _): Key<Post>,
    key: Option<IdempotencyKey>,
    request: Request,
) -> Result<Answer, Problem> {
    post::<DutyLog>(&app, &caller, key, "duty-logs", request).await
}

/// Post seat logs
#[utoipa::path(
    post, path = "/v1/seat-logs", operation_id = "post_seat_logs", tag = "Logs in",
    params(MayBeRepeated),
    request_body(content((SeatLog = "application/json"), (SeatLog = "application/x-ndjson"), (SeatLog = "text/csv"))),
    responses((status = 200, body = PostAnswer), Problem),
    security(("key" = ["post"]))
)]
pub(super) async fn post_seat_logs(
    State(app): State<App>,
    Key(caller, _): Key<Post>,
    key: Option<IdempotencyKey>,
    request: Request,
) -> Result<Answer, Problem> {
    post::<SeatLog>(&app, &caller, key, "seat-logs", request).await
}

/// Post past services
///
/// A `fan-service` restarts the car's interval from its odometer. A service may be older than the car's time here.
#[utoipa::path(
    post, path = "/v1/past-services", operation_id = "post_past_services", tag = "Logs in",
    params(MayBeRepeated),
    request_body(content((PastService = "application/json"), (PastService = "application/x-ndjson"), (PastService = "text/csv"))),
    responses((status = 200, body = PostAnswer), Problem),
    security(("key" = ["post"]))
)]
pub(super) async fn post_past_services(
    State(app): State<App>,
    Key(caller, _): Key<Post>,
    key: Option<IdempotencyKey>,
    request: Request,
) -> Result<Answer, Problem> {
    post::<PastService>(&app, &caller, key, "past-services", request).await
}

/// Which rows of a car are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct LogQuery {
    /// Unit number of the car: today's holder.
    unit: String,
    /// From this date on (UTC date for readings and services).
    from: Option<String>,
    /// Up to this date, included.
    to: Option<String>,
    /// Unit for distances; the depot's own when left out.
    distance_unit: Option<String>,
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// What a list of log rows needs to know.
pub(super) struct LogList {
    pub(super) filter: LogFilter,
    pub(super) unit: DistanceUnit,
    pub(super) limit: i64,
}

pub(super) const MICROS_A_DAY: i64 = 86_400_000_000;

pub(super) async fn log_list(app: &App, caller: &Caller, query: &LogQuery, scale: i64) -> Result<LogList, Problem> {
    let car = super::vehicles::visible(app, caller, &query.unit).await?;
    let day = |name: &str, text: &Option<String>| match text {
        None => Ok(None),
        Some(text) => values::date(text)
            .map(|date| Some(day_number(date)))
            .map_err(|reason| Problem::query(Fault::parameter(name, Some(text), reason))),
    };
    let from = day("from", &query.from)?.map_or(i64::MIN, |day| day * scale);
    let to = day("to", &query.to)?.map_or(i64::MAX, |day| (day + 1) * scale - 1);
    let limit = page::limit(app, query.limit)?;
    let after = page::place(query.cursor.as_deref())?.unwrap_or((i64::MIN, String::new(), i64::MIN));
    let unit = super::upcoming::unit_asked(query.distance_unit.as_deref())?;
    let unit = match unit {
        Some(unit) => unit,
        None => super::vehicles::depot_unit(app, &car).await?,
    };
    Ok(LogList { filter: LogFilter { vehicle_id: car.id, from, to, after, limit: limit + 1 }, unit, limit })
}

/// A stored odometer reading.
#[derive(Debug, Serialize, ToSchema)]
pub struct StoredReading {
    /// When it was read.
    at: DateTime<Utc>,
    /// What it showed, in `distance_unit`.
    odometer: f64,
    /// Unit shown.
    distance_unit: &'static str,
    /// Who sent it.
    source: String,
    /// A person's ruling: `keep`, `set-aside` or null.
    ruling: Option<&'static str>,
    /// When it was voided.
    voided_at: Option<DateTime<Utc>>,
}

pub(super) const fn ruling_name(ruling: Ruling) -> &'static str {
    match ruling {
        Ruling::Keep => "keep",
        Ruling::SetAside => "set-aside",
    }
}

/// List odometer readings of a car
#[utoipa::path(
    get, path = "/v1/odometer-readings", operation_id = "list_odometer_readings", tag = "Logs in", params(LogQuery),
    responses((status = 200, body = Page<StoredReading>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_odometer_readings(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<LogQuery>,
) -> Result<Page<StoredReading>, Problem> {
    let list = log_list(&app, &caller, &query, MICROS_A_DAY).await?;
    let mut rows = app.store.odometer_readings(&list.filter).await?;
    let next = page::cut(&mut rows, list.limit, uri.path(), uri.query(), |row| (micros(row.at), "", row.source_id));
    let items = rows
        .into_iter()
        .map(|row| StoredReading {
            at: row.at,
            odometer: shown(row.metres, list.unit),
            distance_unit: list.unit.as_str(),
            source: row.source,
            ruling: row.ruling.map(ruling_name),
            voided_at: row.voided_at,
        })
        .collect();
    Ok(Page { items, next })
}

/// A stored duty log row.
#[derive(Debug, Serialize, ToSchema)]
pub struct StoredDuty {
    /// Local date.
    date: NaiveDate,
    /// Shift; null for a source's total of the day.
    shift: Option<String>,
    /// Elapsed hours.
    hours: f64,
    /// Trips.
    trips: Option<i64>,
    /// Start.
    start_at: Option<DateTime<Utc>>,
    /// End.
    end_at: Option<DateTime<Utc>>,
    /// Who sent it.
    source: String,
    /// When it was voided.
    voided_at: Option<DateTime<Utc>>,
}

fn named(shift: String) -> Option<String> {
    Some(shift).filter(|shift| !shift.is_empty())
}

/// List duty logs of a car
#[utoipa::path(
    get, path = "/v1/duty-logs", operation_id = "list_duty_logs", tag = "Logs in", params(LogQuery),
    responses((status = 200, body = Page<StoredDuty>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_duty_logs(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<LogQuery>,
) -> Result<Page<StoredDuty>, Problem> {
    let list = log_list(&app, &caller, &query, 1).await?;
    let mut rows = app.store.duty_logs(&list.filter).await?;
    let place = |row: &crate::store::DutyRecord| (day_number(row.date), row.shift.clone(), row.source_id);
    let next = page::cut(&mut rows, list.limit, uri.path(), uri.query(), place);
    let items = rows
        .into_iter()
        .map(|row| StoredDuty {
            date: row.date,
            shift: named(row.shift),
            hours: super::shapes::thousandth(row.hours),
            trips: row.trips,
            start_at: row.span.map(|(start, _)| start),
            end_at: row.span.map(|(_, end)| end),
            source: row.source,
            voided_at: row.voided_at,
        })
        .collect();
    Ok(Page { items, next })
}

/// A stored seat log row.
#[derive(Debug, Serialize, ToSchema)]
pub struct StoredSeats {
    /// Local date.
    date: NaiveDate,
    /// Shift; null for a source's total of the day.
    shift: Option<String>,
    /// Trips.
    trips: i64,
    /// Trips with the rear seat in use.
    rear_trips: i64,
    /// Who sent it.
    source: String,
    /// When it was voided.
    voided_at: Option<DateTime<Utc>>,
}

/// List seat logs of a car
#[utoipa::path(
    get, path = "/v1/seat-logs", operation_id = "list_seat_logs", tag = "Logs in", params(LogQuery),
    responses((status = 200, body = Page<StoredSeats>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_seat_logs(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<LogQuery>,
) -> Result<Page<StoredSeats>, Problem> {
    let list = log_list(&app, &caller, &query, 1).await?;
    let mut rows = app.store.seat_logs(&list.filter).await?;
    let place = |row: &crate::store::SeatRecord| (day_number(row.date), row.shift.clone(), row.source_id);
    let next = page::cut(&mut rows, list.limit, uri.path(), uri.query(), place);
    let items = rows
        .into_iter()
        .map(|row| StoredSeats {
            date: row.date,
            shift: named(row.shift),
            trips: row.trips,
            rear_trips: row.rear_trips,
            source: row.source,
            voided_at: row.voided_at,
        })
        .collect();
    Ok(Page { items, next })
}

/// A stored past service.
#[derive(Debug, Serialize, ToSchema)]
pub struct StoredService {
    /// Which job.
    kind: &'static str,
    /// When.
    at: DateTime<Utc>,
    /// Odometer then, in `distance_unit`.
    odometer: Option<f64>,
    /// Unit shown.
    distance_unit: &'static str,
    /// What else was noted.
    note: Option<String>,
    /// The work order that did it.
    work_order: Option<String>,
    /// When it was voided.
    voided_at: Option<DateTime<Utc>>,
}

/// List past services of a car
#[utoipa::path(
    get, path = "/v1/past-services", operation_id = "list_past_services", tag = "Logs in", params(LogQuery),
    responses((status = 200, body = Page<StoredService>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_past_services(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<LogQuery>,
) -> Result<Page<StoredService>, Problem> {
    let list = log_list(&app, &caller, &query, MICROS_A_DAY).await?;
    let mut rows = app.store.past_services(&list.filter).await?;
    let next = page::cut(&mut rows, list.limit, uri.path(), uri.query(), |row| (micros(row.at), row.kind.as_str(), 0));
    let items = rows
        .into_iter()
        .map(|row| StoredService {
            kind: row.kind.as_str(),
            at: row.at,
            odometer: row.metres.map(|metres| shown(metres, list.unit)),
            distance_unit: list.unit.as_str(),
            note: row.note,
            work_order: row.work_order_id.map(order_number),
            voided_at: row.voided_at,
        })
        .collect();
    Ok(Page { items, next })
}

/// Which row is voided, and why.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Voiding {
    /// Unit number of the car.
    unit: String,
    /// Instant of a reading, service, pack check or trouble code.
    at: Option<String>,
    /// Date of a duty or seat log row.
    date: Option<String>,
    /// Its shift.
    shift: Option<String>,
    /// Its source.
    source: Option<String>,
    /// Kind of a past service.
    kind: Option<String>,
    /// Serial of a pack; `at` is then when it was put in.
    pub(super) serial: Option<String>,
    /// A trouble code.
    pub(super) code: Option<String>,
    /// Why.
    reason: String,
    /// Whether the row is taken back into account instead.
    #[serde(default)]
    undo: bool,
}

/// The row is marked.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Marked {
    /// Unit number of the car.
    unit: String,
    /// Whether the row is void now; null where a ruling was given.
    voided: Option<bool>,
    /// The ruling that stands now.
    ruling: Option<&'static str>,
}

pub(super) fn checked<T>(name: &str, given: &str, read: Result<T, values::Wrong>) -> Result<T, Problem> {
    read.map_err(|reason| Problem::body(Fault::field(format!("/{name}"), Some(given.into()), reason)))
}

pub(super) fn needed<'a>(name: &str, value: &'a Option<String>) -> Result<&'a str, Problem> {
    value
        .as_deref()
        .ok_or_else(|| Problem::body(Fault::field(format!("/{name}"), None, format!("`{name}` is missing"))))
}

impl Voiding {
    fn reason(&self) -> Result<String, Problem> {
        checked("reason", &self.reason, values::name(&self.reason, LONGEST_TEXT))
    }

    pub(super) fn source(&self) -> String {
        self.source.clone().filter(|source| !source.is_empty()).unwrap_or_else(|| NO_SOURCE.to_owned())
    }

    pub(super) fn instant(&self) -> Result<DateTime<Utc>, Problem> {
        let at = needed("at", &self.at)?;
        checked("at", at, values::instant(at))
    }

    fn odometer(&self) -> Result<RowName, Problem> {
        Ok(RowName::Odometer { at: self.instant()?, source: self.source() })
    }

    fn dated(&self) -> Result<(NaiveDate, String, String), Problem> {
        let date = needed("date", &self.date)?;
        Ok((checked("date", date, values::date(date))?, self.shift.clone().unwrap_or_default(), self.source()))
    }

    fn service(&self) -> Result<RowName, Problem> {
        let kind = needed("kind", &self.kind)?;
        Ok(RowName::Service { kind: checked("kind", kind, values::kind(kind))?, at: self.instant()? })
    }
}

pub(super) async fn void(
    app: &App,
    caller: &Caller,
    key: Option<IdempotencyKey>,
    what: &str,
    body: Json<Voiding>,
    row: RowName,
) -> Result<Answer, Problem> {
    let voiding = body.value;
    let reason = voiding.reason()?;
    let writing = writing(app, caller, key, what, &body.bytes);
    let marked = Marked { unit: voiding.unit.clone(), voided: Some(!voiding.undo), ruling: None };
    let done = app
        .store
        .void_row(&voiding.unit, &row, voiding.undo, &reason, &writing, || answer(StatusCode::OK, None, &marked))
        .await?;
    app.news.notify_one();
    Ok(done)
}

/// Void an odometer reading
///
/// It stays stored and is left out of every computation; `undo` takes it back in.
#[utoipa::path(
    post, path = "/v1/odometer-readings/void", operation_id = "void_odometer_reading", tag = "Corrections",
    params(MayBeRepeated),
    request_body = Voiding,
    responses((status = 200, body = Marked), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn void_odometer_reading(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    body: Json<Voiding>,
) -> Result<Answer, Problem> {
    let row = body.value.odometer()?;
    void(&app, &caller, key, "odometer-readings/void", body, row).await
}

/// Void a duty log row
#[utoipa::path(
    post, path = "/v1/duty-logs/void", operation_id = "void_duty_log", tag = "Corrections",
    params(MayBeRepeated),
    request_body = Voiding,
    responses((status = 200, body = Marked), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn void_duty_log(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    body: Json<Voiding>,
) -> Result<Answer, Problem> {
    let (date, shift, source) = body.value.dated()?;
    void(&app, &caller, key, "duty-logs/void", body, RowName::Duty { date, shift, source }).await
}

/// Void a seat log row
#[utoipa::path(
    post, path = "/v1/seat-logs/void", operation_id = "void_seat_log", tag = "Corrections",
    params(MayBeRepeated),
    request_body = Voiding,
    responses((status = 200, body = Marked), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn void_seat_log(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    body: Json<Voiding>,
) -> Result<Answer, Problem> {
    let (date, shift, source) = body.value.dated()?;
    void(&app, &caller, key, "seat-logs/void", body, RowName::Seat { date, shift, source }).await
}

/// Void a past service
///
/// The interval then counts from the service before it, or as if there were none.
#[utoipa::path(
    post, path = "/v1/past-services/void", operation_id = "void_past_service", tag = "Corrections",
    params(MayBeRepeated),
    request_body = Voiding,
    responses((status = 200, body = Marked), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn void_past_service(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    body: Json<Voiding>,
) -> Result<Answer, Problem> {
    let row = body.value.service()?;
    void(&app, &caller, key, "past-services/void", body, row).await
}

/// A person's ruling on a reading.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct RulingRequest {
    /// Unit number of the car.
    unit: String,
    /// When the odometer was read.
    at: String,
    /// Who sent the reading.
    source: Option<String>,
    /// `keep`, `set-aside`, or null to leave it to the track again.
    ruling: Option<String>,
    /// Why.
    reason: String,
}

/// Overrule the track on a reading
#[utoipa::path(
    post, path = "/v1/odometer-readings/ruling", operation_id = "rule_on_odometer_reading", tag = "Corrections",
    params(MayBeRepeated),
    request_body = RulingRequest,
    responses((status = 200, body = Marked), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn rule_on_odometer_reading(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    body: Json<RulingRequest>,
) -> Result<Response, Problem> {
    let request = body.value;
    let ruling = match request.ruling.as_deref() {
        None => None,
        Some("keep") => Some(Ruling::Keep),
        Some("set-aside") => Some(Ruling::SetAside),
        Some(other) => {
            let fault = Fault::field("/ruling", Some(other.into()), "give keep, set-aside or null");
            return Err(Problem::body(fault));
        }
    };
    let at = checked("at", &request.at, values::instant(&request.at))?;
    let reason = checked("reason", &request.reason, values::name(&request.reason, LONGEST_TEXT))?;
    let source = request.source.filter(|source| !source.is_empty()).unwrap_or_else(|| NO_SOURCE.to_owned());
    let writing = writing(&app, &caller, key, "odometer-readings/ruling", &body.bytes);
    let marked = Marked { unit: request.unit.clone(), voided: None, ruling: ruling.map(ruling_name) };
    let row = RowName::Odometer { at, source };
    let done = app
        .store
        .rule_on_reading(&request.unit, &row, ruling, &reason, &writing, || answer(StatusCode::OK, None, &marked))
        .await?;
    app.news.notify_one();
    Ok(done.into_response())
}
