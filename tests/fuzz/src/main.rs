//! Targets of fuzzing: what reads bytes from outside. `FUZZ_TARGET` names the one to run; see `tests/fuzz/run`.
#![no_main]

use std::sync::LazyLock;

use chrono::{DateTime, TimeDelta, Utc};
use ventmile::api::rows::{Format, Parsed, Row, parse};
use ventmile::api::{
    DutyLog, OdometerReading, PackCheckLog, PackLog, PastService, SeatLog, TroubleCodeLog, VehicleRow, read_cursor,
    write_cursor,
};
use ventmile::config::{Config, Limits};
use ventmile_model::fleet::{Code, Metres, Reading, Ruling, Vin};
use ventmile_model::track::{self, Chain, Verdict, clean};

libfuzzer_sys::fuzz_target!(|data: &[u8]| (*TARGET)(data));

type Target = fn(&[u8]);

static TARGET: LazyLock<Target> = LazyLock::new(|| match std::env::var("FUZZ_TARGET").as_deref() {
    Ok("csv") => csv,
    Ok("ndjson") => ndjson,
    Ok("track") => odometer_track,
    Ok("vin") => vin,
    Ok("code") => code,
    Ok("cursor") => cursor,
    other => panic!("FUZZ_TARGET is csv, ndjson, track, vin, code or cursor, not {other:?}"),
});

// --- Rows ------------------------------------------------------------------------------------------------------------

static LIMITS: LazyLock<Limits> = LazyLock::new(|| {
    let settings = Config::load(None, Vec::new(), &[]).expect("the defaults are right").settings;
    Limits { rows: 100, row_bytes: 1_000, ..settings.limits }
});

/// Numbers of rows passed and refused, and whether the end was reached.
type Outcome = (usize, usize, bool);

fn rows_of<R: Row>(text: &[u8], format: Format) -> Outcome {
    let Parsed { rows, refused, stopped } = parse::<R>(text, format, LIMITS.clone());
    for (before, after) in refused.iter().zip(refused.iter().skip(1)) {
        assert!(before.row < after.row, "each row is refused once, in the order of the rows");
    }
    for row in &refused {
        assert!(row.row >= 1 && row.row <= (rows.len() + refused.len()) as u64 && !row.reason.is_empty());
    }
    (rows.len(), refused.len(), stopped.is_none())
}

const LOGS: [fn(&[u8], Format) -> Outcome; 8] = [
    rows_of::<OdometerReading>,
    rows_of::<DutyLog>,
    rows_of::<SeatLog>,
    rows_of::<PastService>,
    rows_of::<PackLog>,
    rows_of::<PackCheckLog>,
    rows_of::<TroubleCodeLog>,
    rows_of::<VehicleRow>,
];

/// The first byte says which log the rest is of.
fn outcome(data: &[u8], format: Format) -> Option<(&[u8], Outcome)> {
    let (which, text) = data.split_first()?;
    let read = LOGS.get(usize::from(*which) % LOGS.len())?;
    Some((text, read(text, format)))
}

fn csv(data: &[u8]) {
    let Some((text, (passed, refused, _))) = outcome(data, Format::Csv) else { return };
    assert!(passed + refused <= text.len());
}

fn ndjson(data: &[u8]) {
    let Some((text, (passed, refused, ended))) = outcome(data, Format::Ndjson) else { return };
    let lines = text.split(|byte| *byte == b'\n').filter(|line| !line.trim_ascii().is_empty()).count();
    assert_eq!(ended, lines <= 100, "only the limit ends it early");
    assert_eq!(passed + refused, lines.min(100), "a verdict for each line");
    // A JSON array of the same text, whatever it is then, must end in a verdict too.
    let _ = outcome(data, Format::Json);
}

// --- Odometers -------------------------------------------------------------------------------------------------------

const START_S: i64 = 1_735_689_600;
const READING_BYTES: usize = 9;

/// Four bytes of minutes, three of kilometres with tenths, one of source, one of ruling.
fn reading(bytes: &[u8]) -> Option<Reading> {
    let &[a, b, c, d, x, y, z, source, ruling] = bytes else { return None };
    let minutes = i64::from(u32::from_be_bytes([a, b, c, d]) % 3_000_000);
    let tenths = i64::from(u32::from_be_bytes([0, x, y, z]));
    Some(Reading {
        at: DateTime::from_timestamp(START_S + minutes * 60, 0)?,
        odometer: Metres(tenths * 100),
        source: i64::from(source % 4),
        ruling: match ruling {
            0..=20 => Some(Ruling::Keep),
            21..=40 => Some(Ruling::SetAside),
            _ => None,
        },
    })
}

fn odometer_track(data: &[u8]) {
    let readings: Vec<Reading> = data.chunks(READING_BYTES).take(120).filter_map(reading).collect();
    let now: DateTime<Utc> = DateTime::from_timestamp(START_S, 0).unwrap_or_default() + TimeDelta::days(1_500);
    let limits = track::Limits { trust: track::Trust::default().with(3, 0.2), ..track::Limits::default() };
    let track = clean(&readings, &limits, now);
    assert_eq!(track.judged.len(), readings.len(), "a verdict for each reading");
    let mut before = None;
    for judged in track.kept() {
        assert!(judged.travelled >= before, "a car does not drive backwards");
        before = judged.travelled;
    }
    for judged in &track.judged {
        assert_eq!(judged.travelled.is_some(), judged.verdict.is_kept());
        assert!(judged.reading.ruling != Some(Ruling::SetAside) || matches!(judged.verdict, Verdict::SetAside(_)));
    }
    // One after the other, as they come in, they are judged as all at once.
    let mut chain = Chain::new(&limits, now);
    for reading in &readings {
        chain.insert(*reading, now);
    }
    assert_eq!(chain.track(), track);
}

// --- Identifiers -----------------------------------------------------------------------------------------------------

fn vin(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let Ok(vin) = Vin::parse(text) else { return };
    assert_eq!(vin.as_str().len(), 17);
    assert_eq!(Vin::parse(vin.as_str()).as_ref(), Ok(&vin), "what is shown can be read");
    let mut mended: Vec<u8> = vin.as_str().bytes().collect();
    mended[8] = vin.check_digit() as u8;
    let mended = String::from_utf8(mended).expect("it is ASCII");
    assert!(Vin::parse(&mended).expect("a VIN with another digit").has_right_check_digit());
}

fn code(data: &[u8]) {
    if let &[first, second] = data {
        let code = Code::from_bytes([first, second]);
        assert_eq!(code.to_bytes(), [first, second]);
        assert_eq!(Code::parse(&code.to_string()), Ok(code));
    }
    let Ok(text) = std::str::from_utf8(data) else { return };
    let Ok(code) = Code::parse(text) else { return };
    assert_eq!(code.to_string(), text.trim().to_ascii_uppercase(), "what is shown is what was read");
    let _ = (code.weak_block(), Code::from_bytes(code.to_bytes()));
}

// --- Cursors ---------------------------------------------------------------------------------------------------------

fn read_again<T>(text: &str)
where
    T: serde::Serialize + serde::de::DeserializeOwned + PartialEq + std::fmt::Debug,
{
    let Some(place) = read_cursor::<T>(text) else { return };
    assert_eq!(read_cursor::<T>(&write_cursor(&place)).as_ref(), Some(&place));
}

/// Every shape of place that a list has.
fn cursor(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    read_again::<i64>(&text);
    read_again::<String>(&text);
    read_again::<(i64, String, i64)>(&text);
    read_again::<(u64, i64)>(&text);
    read_again::<(i64, i64, i64)>(&text);
    // Most bytes are no hex: those that are not are written as such.
    let written: String = data.iter().map(|byte| format!("{byte:02x}")).collect();
    read_again::<i64>(&written);
    read_again::<String>(&written);
    read_again::<(i64, String, i64)>(&written);
    read_again::<(u64, i64)>(&written);
}
