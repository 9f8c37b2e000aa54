//! Files of rows, through the same parsers and checks as posts.

use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Read};

use serde_json::Value;

use super::logs::{DutyLog, OdometerReading, PastService, SeatLog, store_rows};
use super::pack_logs::{PackCheckLog, PackLog, TroubleCodeLog};
use super::problem::Problem;
pub use super::rows::Format;
use super::rows::{self, Row};
use super::vehicles::{self, VehicleRow};
use crate::app::App;
use crate::config::Limits;
use crate::store::{Actor, Refused, SentRow, Tally, Writing};

/// What a file of rows holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Log {
    /// Odometer readings.
    OdometerReadings,
    /// Duty logs.
    DutyLogs,
    /// Seat logs.
    SeatLogs,
    /// Past services.
    PastServices,
    /// Packs and the cars they were in.
    Packs,
    /// Pack checks.
    PackChecks,
    /// Trouble codes.
    TroubleCodes,
    /// Vehicles.
    Vehicles,
}

impl Log {
    /// Every log, by name.
    pub const ALL: [(&'static str, Self); 8] = [
        ("odometer-readings", Self::OdometerReadings),
        ("duty-logs", Self::DutyLogs),
        ("seat-logs", Self::SeatLogs),
        ("past-services", Self::PastServices),
        ("packs", Self::Packs),
        ("pack-checks", Self::PackChecks),
        ("trouble-codes", Self::TroubleCodes),
        ("vehicles", Self::Vehicles),
    ];

    /// Its name, which is that of its route.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        Self::ALL.iter().find(|(_, log)| *log == self).map_or("", |(name, _)| name)
    }

    /// Reads a log's name.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.iter().find(|(name, _)| *name == text).map(|(_, log)| *log)
    }

    const fn fields(self) -> &'static [&'static str] {
        match self {
            Self::OdometerReadings => OdometerReading::FIELDS,
            Self::DutyLogs => DutyLog::FIELDS,
            Self::SeatLogs => SeatLog::FIELDS,
            Self::PastServices => PastService::FIELDS,
            Self::Packs => PackLog::FIELDS,
            Self::PackChecks => PackCheckLog::FIELDS,
            Self::TroubleCodes => TroubleCodeLog::FIELDS,
            Self::Vehicles => VehicleRow::FIELDS,
        }
    }
}

/// Names that only one log has among its fields.
const TELLING: [(&str, Log); 9] = [
    ("serial", Log::Packs),
    ("block_volts", Log::PackChecks),
    ("code", Log::TroubleCodes),
    ("rear_trips", Log::SeatLogs),
    ("kind", Log::PastServices),
    ("in_service_on", Log::Vehicles),
    ("hours", Log::DutyLogs),
    ("start_at", Log::DutyLogs),
    ("odometer", Log::OdometerReadings),
];

/// Which log a file holds, by the names of its columns or of its first row's fields.
fn recognise(names: &[String]) -> Option<Log> {
    let has = |name: &str| names.iter().any(|given| given == name);
    TELLING
        .iter()
        .find(|(name, _)| has(name))
        .map(|(_, log)| *log)
        .filter(|log| names.iter().all(|name| log.fields().contains(&name.as_str())))
}

/// Format and field names of a file, from its first line.
fn look_at(first_line: &str) -> Option<(Format, Vec<String>)> {
    let line = first_line.trim_start_matches('\u{feff}').trim();
    if line.starts_with('[') {
        return Some((Format::Json, Vec::new()));
    }
    if line.starts_with('{') {
        let row: Value = serde_json::from_str(line).ok()?;
        return Some((Format::Ndjson, row.as_object()?.keys().cloned().collect()));
    }
    let names = line.split(',').map(|name| name.trim().trim_matches('"').to_owned()).collect();
    Some((Format::Csv, names))
}

/// Why a file could not be imported; rows before the fault are stored.
#[derive(Debug, thiserror::Error)]
pub enum ImportFault {
    /// It could not be read.
    #[error("{0}")]
    File(#[from] std::io::Error),
    /// It is not clear what it holds.
    #[error("it is not clear which log this is: name it with --log ({0})")]
    Unclear(String),
    /// Its rows could not be read or stored.
    #[error("{0}")]
    Problem(String),
}

impl From<Problem> for ImportFault {
    fn from(problem: Problem) -> Self {
        let mut text = problem.detail;
        if let Some(rows) = problem.rows {
            let _ = write!(
                text,
                " (stored {}, repeated {}, replaced {} before it)",
                rows.stored, rows.repeated, rows.replaced
            );
        }
        Self::Problem(text)
    }
}

/// What a file holds and how it is written, by its first line where `log` does not say, and the file from its start. A first
/// line longer than `longest` bytes is not looked at to its end.
///
/// # Errors
/// [`ImportFault`] when it cannot be read or is not clear.
pub fn known<R: Read>(
    log: Option<Log>,
    longest: u64,
    reader: R,
) -> Result<(Log, Format, impl Read + use<R>), ImportFault> {
    let mut reader = BufReader::new(reader);
    let mut first_line = String::new();
    (&mut reader).take(longest).read_line(&mut first_line)?;
    let names: Vec<&str> = Log::ALL.iter().map(|(name, _)| *name).collect();
    let unclear = || ImportFault::Unclear(names.join(", "));
    let (format, fields) = look_at(&first_line).ok_or_else(unclear)?;
    let log = log.or_else(|| recognise(&fields)).ok_or_else(unclear)?;
    let start = first_line.trim_start_matches('\u{feff}').to_owned().into_bytes();
    Ok((log, format, std::io::Cursor::new(start).chain(reader)))
}

/// Imports the rows of `reader` as the command line, which may see every depot. A file may have any number of rows.
///
/// # Errors
/// [`ImportFault`]; a refused row is no fault, it is in the tally.
pub async fn import(app: &App, log: Option<Log>, reader: impl Read + Send + 'static) -> Result<Tally, ImportFault> {
    let (log, format, whole) = known(log, app.settings.limits.row_bytes as u64, reader)?;
    let limits = Limits { rows: u64::MAX, ..app.settings.limits.clone() };
    let actor = Actor::internal("command line");
    let tally = match log {
        Log::OdometerReadings => store::<OdometerReading>(app, actor, whole, format, limits).await,
        Log::DutyLogs => store::<DutyLog>(app, actor, whole, format, limits).await,
        Log::SeatLogs => store::<SeatLog>(app, actor, whole, format, limits).await,
        Log::PastServices => store::<PastService>(app, actor, whole, format, limits).await,
        Log::Packs => store::<PackLog>(app, actor, whole, format, limits).await,
        Log::PackChecks => store::<PackCheckLog>(app, actor, whole, format, limits).await,
        Log::TroubleCodes => store::<TroubleCodeLog>(app, actor, whole, format, limits).await,
        Log::Vehicles => {
            let writing = Writing { actor, now: app.now(), once: None };
            vehicles::add_many(app, rows::from_reader::<VehicleRow>(whole, format, limits), &writing, None).await
        }
    };
    Ok(tally?)
}

async fn store<R: Row<Checked = SentRow>>(
    app: &App,
    actor: Actor,
    reader: impl Read + Send + 'static,
    format: Format,
    limits: Limits,
) -> Result<Tally, Problem> {
    store_rows(app, &actor, rows::from_reader::<R>(reader, format, limits), None).await
}

/// A refused row in one line.
#[must_use]
pub fn refused_line(refused: &Refused) -> String {
    format!("row {}: {} = {}: {}", refused.row, refused.field, refused.value, refused.reason)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(first_line: &str, format: Format, log: Option<Log>) {
        let (found, names) = look_at(first_line).unwrap();
        assert_eq!((found, recognise(&names)), (format, log));
    }

    #[test]
    fn a_file_says_what_it_is() {
        check("unit,at,odometer,distance_unit,source", Format::Csv, Some(Log::OdometerReadings));
        check("\u{feff}\"unit\",\"date\",\"hours\"", Format::Csv, Some(Log::DutyLogs));
        check(r#"{"unit":"1","date":"2026-01-01","trips":3,"rear_trips":1}"#, Format::Ndjson, Some(Log::SeatLogs));
        check(r#"{"unit":"1","kind":"fan-service","at":"x","odometer":1}"#, Format::Ndjson, Some(Log::PastServices));
        check("serial,type,unit,installed_at,odometer,distance_unit", Format::Csv, Some(Log::Packs));
        check("unit,at,block_volts,source", Format::Csv, Some(Log::PackChecks));
        check(r#"{"unit":"1","at":"x","code":"P0A80","state":"pending"}"#, Format::Ndjson, Some(Log::TroubleCodes));
        check("unit,depot,in_service_on", Format::Csv, Some(Log::Vehicles));
        check("unit,at,odometer,colour", Format::Csv, None);
    }
}
