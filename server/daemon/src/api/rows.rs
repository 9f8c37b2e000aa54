//! Bodies of many rows: a JSON array or object, NDJSON or CSV, plain or gzip, read as they arrive.
//!
//! Rows go to the store in parts while later ones are still being read, so a request is never held twice in memory.
//! The library parsers read from a blocking reader: a body that is not short is parsed on a thread for that.

use std::fmt;
use std::io::{self, BufRead, BufReader, Cursor, Read};

use axum::body::{Body, Bytes};
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use futures_util::TryStreamExt;
use http_body_util::{BodyExt, LengthLimitError, Limited};
use serde::Deserialize;
use serde::de::{DeserializeOwned, Deserializer, SeqAccess, Visitor};
use serde_json::Value;
use serde_json::value::RawValue;
use tokio::sync::mpsc;
use tokio_util::io::{StreamReader, SyncIoBridge};

use super::body::{NO_NUL, is_deeper, media_type, named_field, plain, too_deep, writes_nul};
use super::problem::{Fault, Problem};
use crate::config::Limits;
use crate::store::Refused;

/// A row of a log or register as it is sent.
pub trait Row: DeserializeOwned + Send + 'static {
    /// What the row means once it is checked.
    type Checked: Send + 'static;
    /// Names of its fields, as a CSV header may have them.
    const FIELDS: &'static [&'static str];

    /// Checks the row: each value, and the values beside each other.
    ///
    /// # Errors
    /// [`Refused`] with the field, its value and what would be right.
    fn check(self, row: u64) -> Result<Self::Checked, Refused>;
}

/// How the rows are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// A JSON array of rows, or one row.
    Json,
    /// A JSON object a line.
    Ndjson,
    /// Comma-separated values with a header (RFC 4180).
    Csv,
}

/// What the parser hands over.
type Part<C> = (Vec<C>, Vec<Refused>);

/// Rows handed over at once.
const PART_ROWS: usize = 20_000;

/// A body of up to this length is parsed where the request is handled.
const SHORT: usize = 64 * 1024;

const MIB: u64 = 1024 * 1024;

/// Why reading stopped before the end.
#[derive(Debug)]
enum Stop {
    /// The request is at fault.
    Problem(Box<Problem>),
    /// Nobody takes the rows any more.
    Gone,
}

impl From<Problem> for Stop {
    fn from(problem: Problem) -> Self {
        Self::Problem(Box::new(problem))
    }
}

fn format_of(headers: &HeaderMap) -> Result<Format, Problem> {
    match media_type(headers).as_str() {
        "application/json" => Ok(Format::Json),
        "application/x-ndjson" | "application/ndjson" | "application/jsonl" => Ok(Format::Ndjson),
        "text/csv" => Ok(Format::Csv),
        other => {
            let detail =
                format!("send application/json, application/x-ndjson or text/csv as Content-Type, not {other:?}");
            Err(Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "media-type", "Wrong media type", detail))
        }
    }
}

fn is_gzip(headers: &HeaderMap) -> Result<bool, Problem> {
    let coding = headers.get(header::CONTENT_ENCODING).map(|value| value.to_str().unwrap_or_default().trim());
    match coding.map(str::to_ascii_lowercase).as_deref() {
        None | Some("" | "identity") => Ok(false),
        Some("gzip" | "x-gzip") => Ok(true),
        Some(other) => {
            let detail = format!("send the body plain or with Content-Encoding: gzip, not {other:?}");
            let status = StatusCode::UNSUPPORTED_MEDIA_TYPE;
            Err(Problem::new(status, "coding", "Unknown content coding", detail)
                .header(header::ACCEPT_ENCODING, HeaderValue::from_static("gzip")))
        }
    }
}

/// A request's rows, part by part.
pub(super) struct Rows<C> {
    parts: mpsc::Receiver<Result<Part<C>, Stop>>,
}

impl<C: Send + 'static> Rows<C> {
    /// The next part; `None` at the end.
    ///
    /// # Errors
    /// A [`Problem`] where the body cannot be read on; the parts before it stand.
    pub(super) async fn next(&mut self) -> Result<Option<Part<C>>, Problem> {
        match self.parts.recv().await {
            None | Some(Err(Stop::Gone)) => Ok(None),
            Some(Ok(part)) => Ok(Some(part)),
            Some(Err(Stop::Problem(problem))) => Err(*problem),
        }
    }
}

/// Begins to read a request's rows.
///
/// # Errors
/// A [`Problem`] where the headers already show that they cannot be read.
pub(super) async fn read<R: Row>(request: Request, limits: &Limits) -> Result<Rows<R::Checked>, Problem> {
    let format = format_of(request.headers())?;
    let gzip = is_gzip(request.headers())?;
    let length = request.headers().get(header::CONTENT_LENGTH).and_then(|value| value.to_str().ok()?.parse().ok());
    let max_bytes = usize::try_from(limits.body_mib as u64 * MIB).unwrap_or(usize::MAX);
    if length.is_some_and(|length: usize| length > max_bytes) {
        return Err(too_long(limits));
    }
    let body = Limited::new(request.into_body(), max_bytes);
    if length.is_some_and(|length| length <= SHORT) && !gzip {
        let bytes = body.collect().await.map_err(|fault| reading_fault(&io::Error::other(fault), limits))?.to_bytes();
        // Nobody takes parts until this is done, so there is room for as many rows as there are bytes, and the fault.
        let (parts, receiver) = mpsc::channel(SHORT / PART_ROWS + 2);
        Reading { format, limits: limits.clone(), parts }.run::<R>(Cursor::new(bytes));
        return Ok(Rows { parts: receiver });
    }
    let (parts, receiver) = mpsc::channel(2);
    let reading = Reading { format, limits: limits.clone(), parts };
    let stream = TryStreamExt::map_err(Body::new(body).into_data_stream(), io::Error::other);
    let reader = SyncIoBridge::new(StreamReader::new(stream));
    let decompressed = limits.decompressed_mib * MIB;
    tokio::task::spawn_blocking(move || {
        if gzip {
            reading.run::<R>(Ceiling { inner: flate2::read::MultiGzDecoder::new(reader), left: decompressed });
        } else {
            reading.run::<R>(reader);
        }
    });
    Ok(Rows { parts: receiver })
}

/// Begins to read rows from a file.
pub(super) fn from_reader<R: Row>(
    reader: impl Read + Send + 'static,
    format: Format,
    limits: Limits,
) -> Rows<R::Checked> {
    let (parts, receiver) = mpsc::channel(2);
    let reading = Reading { format, limits, parts };
    tokio::task::spawn_blocking(move || reading.run::<R>(reader));
    Rows { parts: receiver }
}

/// A reader that fails once more than `left` bytes have come out of it.
struct Ceiling<T> {
    inner: T,
    left: u64,
}

#[derive(Debug, thiserror::Error)]
#[error("too long when decompressed")]
struct TooLong;

impl<T: Read> Read for Ceiling<T> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.inner.read(buffer)?;
        self.left = self.left.checked_sub(count as u64).ok_or_else(|| io::Error::other(TooLong))?;
        Ok(count)
    }
}

fn too_long(limits: &Limits) -> Problem {
    Problem::too_large(format!("a body may have {} MiB (limits.body_mib): send the rows in parts", limits.body_mib))
}

/// What a failed read means: a limit, or a body that broke off.
fn reading_fault(fault: &io::Error, limits: &Limits) -> Problem {
    let mut cause: Option<&(dyn std::error::Error + 'static)> = fault.get_ref().map(|inner| inner as _);
    while let Some(inner) = cause {
        if inner.is::<LengthLimitError>() {
            return too_long(limits);
        }
        if inner.is::<TooLong>() {
            let mib = limits.decompressed_mib;
            return Problem::too_large(format!("a body may have {mib} MiB decompressed (limits.decompressed_mib)"));
        }
        cause = inner.source();
    }
    super::body::broken_off(fault)
}

struct Reading<C> {
    format: Format,
    limits: Limits,
    parts: mpsc::Sender<Result<Part<C>, Stop>>,
}

impl<C: Send + 'static> Reading<C> {
    fn run<R: Row<Checked = C>>(self, reader: impl Read) {
        let mut intake = Intake::<R> { reading: &self, row: 0, part: (Vec::new(), Vec::new()) };
        let done = match self.format {
            Format::Json => intake.json(BufReader::new(reader)),
            Format::Ndjson => intake.ndjson(BufReader::new(reader)),
            Format::Csv => intake.csv(reader),
        };
        let flushed = intake.flush();
        if let Err(stop) = done.and(flushed) {
            let _ = self.send(Err(stop));
        }
    }

    /// Blocks until there is room; on an async thread there always is, see [`read`].
    fn send(&self, part: Result<Part<C>, Stop>) -> Result<(), Stop> {
        match self.parts.try_send(part) {
            Ok(()) => Ok(()),
            Err(mpsc::error::TrySendError::Closed(_)) => Err(Stop::Gone),
            Err(mpsc::error::TrySendError::Full(part)) => self.parts.blocking_send(part).map_err(|_| Stop::Gone),
        }
    }
}

/// Takes rows one by one, checks each, hands them over in parts.
struct Intake<'a, R: Row> {
    reading: &'a Reading<R::Checked>,
    row: u64,
    part: Part<R::Checked>,
}

impl<R: Row> Intake<'_, R> {
    fn limits(&self) -> &Limits {
        &self.reading.limits
    }

    fn begin_row(&mut self) -> Result<(), Stop> {
        if self.row >= self.limits().rows {
            let rows = self.limits().rows;
            let detail =
                format!("a request may have {rows} rows (limits.rows): those before are stored, send the rest");
            return Err(Problem::too_large(detail).into());
        }
        self.row += 1;
        Ok(())
    }

    fn take(&mut self, parsed: Result<R, Refused>) -> Result<(), Stop> {
        let (checked, refused) = &mut self.part;
        match parsed.and_then(|row| row.check(self.row)) {
            Ok(row) => checked.push(row),
            Err(fault) => refused.push(fault),
        }
        if checked.len() + refused.len() >= PART_ROWS { self.flush() } else { Ok(()) }
    }

    fn flush(&mut self) -> Result<(), Stop> {
        if self.part.0.is_empty() && self.part.1.is_empty() {
            return Ok(());
        }
        self.reading.send(Ok(std::mem::take(&mut self.part)))
    }

    fn text(&mut self, text: &[u8]) -> Result<(), Stop> {
        self.begin_row()?;
        let parsed = if text.len() > self.limits().row_bytes {
            let reason = format!("a row may have {} bytes (limits.row_bytes)", self.limits().row_bytes);
            Err(Refused { row: self.row, field: String::new(), value: Value::Null, reason })
        } else if is_deeper(text, self.limits().json_depth) {
            let reason = too_deep(self.limits().json_depth);
            Err(Refused { row: self.row, field: String::new(), value: Value::Null, reason })
        } else {
            from_json(text, self.row)
        };
        self.take(parsed)
    }

    fn ndjson(&mut self, mut reader: impl BufRead) -> Result<(), Stop> {
        let longest = self.limits().row_bytes as u64 + 1;
        let mut line = Vec::new();
        loop {
            line.clear();
            let read = (&mut reader).take(longest).read_until(b'\n', &mut line);
            if read.map_err(|fault| reading_fault(&fault, self.limits()))? == 0 {
                return Ok(());
            }
            if line.len() as u64 == longest && line.last() != Some(&b'\n') {
                skip_line(&mut reader).map_err(|fault| reading_fault(&fault, self.limits()))?;
            }
            let text = line.trim_ascii();
            if !text.is_empty() {
                self.text(text)?;
            }
        }
    }

    fn json(&mut self, mut reader: impl BufRead) -> Result<(), Stop> {
        let first = first_byte(&mut reader).map_err(|fault| reading_fault(&fault, self.limits()))?;
        let mut stop = None;
        let mut json = serde_json::Deserializer::from_reader(reader);
        let done = if first == Some(b'[') {
            json.deserialize_seq(EachRow { intake: self, stop: &mut stop })
        } else {
            <Box<RawValue>>::deserialize(&mut json).map(|text| stop = self.text(text.get().as_bytes()).err())
        };
        if let Some(stop) = stop {
            return Err(stop);
        }
        done.and_then(|()| json.end()).map_err(|fault| self.syntax(fault).into())
    }

    fn syntax(&self, fault: serde_json::Error) -> Problem {
        if fault.is_io() {
            return reading_fault(&io::Error::from(fault), self.limits());
        }
        let detail = format!("the body is no JSON: {fault}; {} rows before it were read", self.row);
        Problem::new(StatusCode::BAD_REQUEST, "syntax", "The body is no JSON", detail)
    }

    fn csv(&mut self, reader: impl Read) -> Result<(), Stop> {
        let mut reader = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(reader);
        let headers = reader.headers().map_err(|fault| self.csv_fault(&fault))?.clone();
        check_header::<R>(&headers)?;
        let mut record = csv::ByteRecord::new();
        loop {
            match reader.read_byte_record(&mut record) {
                Ok(false) => return Ok(()),
                Ok(true) => {
                    self.begin_row()?;
                    let parsed = from_csv(&record, &headers, self.row);
                    self.take(parsed)?;
                }
                Err(fault) => return Err(self.csv_fault(&fault).into()),
            }
        }
    }

    fn csv_fault(&self, fault: &csv::Error) -> Problem {
        match fault.kind() {
            csv::ErrorKind::Io(fault) => reading_fault(fault, self.limits()),
            _ => Problem::new(
                StatusCode::BAD_REQUEST,
                "syntax",
                "The body is no CSV",
                format!("the body is no CSV: {fault}"),
            ),
        }
    }
}

fn first_byte(reader: &mut impl BufRead) -> io::Result<Option<u8>> {
    loop {
        let buffer = reader.fill_buf()?;
        let Some(byte) = buffer.first().copied() else { return Ok(None) };
        if !byte.is_ascii_whitespace() {
            return Ok(Some(byte));
        }
        reader.consume(1);
    }
}

fn skip_line(reader: &mut impl BufRead) -> io::Result<()> {
    loop {
        let buffer = reader.fill_buf()?;
        let (used, ended) = match buffer.iter().position(|byte| *byte == b'\n') {
            Some(place) => (place + 1, true),
            None => (buffer.len(), buffer.is_empty()),
        };
        reader.consume(used);
        if ended {
            return Ok(());
        }
    }
}

/// Takes the elements of a JSON array as they arrive.
struct EachRow<'a, 'b, R: Row> {
    intake: &'a mut Intake<'b, R>,
    stop: &'a mut Option<Stop>,
}

impl<'de, R: Row> Visitor<'de> for EachRow<'_, '_, R> {
    type Value = ();

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("an array of rows")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut rows: A) -> Result<(), A::Error> {
        while let Some(text) = rows.next_element::<Box<RawValue>>()? {
            if let Err(stop) = self.intake.text(text.get().as_bytes()) {
                *self.stop = Some(stop);
                return Err(serde::de::Error::custom("stopped"));
            }
        }
        Ok(())
    }
}

fn from_json<R: Row>(text: &[u8], row: u64) -> Result<R, Refused> {
    if writes_nul(text) {
        let value = Value::String(shortened(text));
        return Err(Refused { row, field: String::new(), value, reason: NO_NUL.to_owned() });
    }
    let mut reader = serde_json::Deserializer::from_slice(text);
    let parsed = serde_path_to_error::deserialize(&mut reader).map_err(|fault| {
        let reason = plain(&fault.inner().to_string());
        let path = fault.path().to_string();
        let field = named_field(&reason).map(str::to_owned).unwrap_or(path).replace("..", "");
        let field = if field == "." { String::new() } else { field };
        (field, reason)
    });
    parsed
        .and_then(|value| reader.end().map(|()| value).map_err(|fault| (String::new(), plain(&fault.to_string()))))
        .map_err(|(field, reason)| {
            let whole: Option<Value> = serde_json::from_slice(text).ok();
            let value = whole.as_ref().and_then(|whole| whole.get(&field)).cloned();
            let value =
                value.unwrap_or_else(|| if field.is_empty() { Value::String(shortened(text)) } else { Value::Null });
            Refused { row, field, value, reason }
        })
}

/// The beginning of a row that could not be read, to recognise it by.
fn shortened(text: &[u8]) -> String {
    const SHOWN: usize = 200;
    String::from_utf8_lossy(text.get(..SHOWN).unwrap_or(text)).into_owned()
}

fn check_header<R: Row>(headers: &csv::StringRecord) -> Result<(), Stop> {
    let unknown = headers.iter().find(|name| !R::FIELDS.contains(name));
    let twice =
        headers.iter().enumerate().find(|(place, name)| headers.iter().take(*place).any(|other| other == *name));
    let fault = match (unknown, twice) {
        (Some(name), _) => (name, format!("unknown column {name:?}; the columns are {}", R::FIELDS.join(", "))),
        (None, Some((_, name))) => (name, format!("the column {name:?} stands twice")),
        (None, None) => return Ok(()),
    };
    Err(Problem::body(Fault::field(format!("/{}", fault.0), None, fault.1)).into())
}

fn from_csv<R: Row>(record: &csv::ByteRecord, headers: &csv::StringRecord, row: u64) -> Result<R, Refused> {
    let refuse = |field: &str, value: Value, reason: String| Refused { row, field: field.to_owned(), value, reason };
    let record = csv::StringRecord::from_byte_record(record.clone())
        .map_err(|_| refuse("", Value::String(format!("{record:?}")), "the row is not UTF-8".to_owned()))?;
    if let Some((name, cell)) = headers.iter().zip(&record).find(|(_, cell)| cell.contains('\0')) {
        return Err(refuse(name, Value::String(cell.to_owned()), NO_NUL.to_owned()));
    }
    if record.len() != headers.len() {
        let reason = format!("the row has {} cells, the header {}", record.len(), headers.len());
        return Err(refuse("", Value::String(record.iter().collect::<Vec<_>>().join(",")), reason));
    }
    record.deserialize(Some(headers)).map_err(|fault| match fault.kind() {
        csv::ErrorKind::Deserialize { err, .. } => {
            let place = err.field().and_then(|place| usize::try_from(place).ok());
            let field = place.and_then(|place| headers.get(place)).unwrap_or_default();
            let value = place.and_then(|place| record.get(place)).unwrap_or_default();
            refuse(field, Value::String(value.to_owned()), err.kind().to_string())
        }
        _ => refuse("", Value::Null, fault.to_string()),
    })
}

/// A field that must be there.
///
/// # Errors
/// [`Refused`] naming it.
pub(super) fn need<T>(row: u64, field: &'static str, value: Option<T>) -> Result<T, Refused> {
    value.ok_or_else(|| refuse(row, field, Value::Null, format!("`{field}` is missing")))
}

/// A refusal of one field.
pub(super) fn refuse(row: u64, field: &'static str, value: impl Into<Value>, reason: impl Into<String>) -> Refused {
    Refused { row, field: field.to_owned(), value: value.into(), reason: reason.into() }
}

/// What a body in memory holds: its rows as far as they could be read, those refused, and why reading stopped before the end.
#[derive(Debug)]
pub struct Parsed<C> {
    /// The rows that passed.
    pub rows: Vec<C>,
    /// The rows that did not.
    pub refused: Vec<Refused>,
    /// Why it stopped, in words; `None` when it came to the end.
    pub stopped: Option<String>,
}

/// Reads a body that is in memory, as one that arrives is read.
#[must_use]
pub fn parse<R: Row>(text: &[u8], format: Format, limits: Limits) -> Parsed<R::Checked> {
    // No row is shorter than a byte.
    let (parts, mut receiver) = mpsc::channel(text.len() / PART_ROWS + 2);
    Reading { format, limits, parts }.run::<R>(Cursor::new(text));
    let mut parsed = Parsed { rows: Vec::new(), refused: Vec::new(), stopped: None };
    while let Ok(part) = receiver.try_recv() {
        match part {
            Ok((rows, refused)) => {
                parsed.rows.extend(rows);
                parsed.refused.extend(refused);
            }
            Err(Stop::Problem(problem)) => parsed.stopped = Some(problem.detail),
            Err(Stop::Gone) => {}
        }
    }
    parsed
}

/// The body of a bulk post as bytes are needed for its idempotency digest only when a key came with it.
pub(super) async fn buffered(request: Request, app: &crate::app::App) -> Result<(Request, Bytes), Problem> {
    let (parts, body) = request.into_parts();
    let bytes = super::body::collect(body, app).await?;
    Ok((Request::from_parts(parts, Body::from(bytes.clone())), bytes))
}
