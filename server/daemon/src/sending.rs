//! Files of rows sent to a server, in requests of a size that it takes.

use std::io::{self, BufRead, BufReader, Read};

use serde_json::Value;
use serde_json::value::RawValue;

use crate::api::import::{Format, ImportFault, Log, known};
use crate::client::Client;
use crate::store::{Refused, Tally};

/// Rows and bytes of one request, at most; a single row may be longer.
const MOST_ROWS: u64 = 5_000;
const MOST_BYTES: usize = 4 * 1024 * 1024;

/// Rows that go in one request.
#[derive(Debug, Default, PartialEq)]
struct Batch {
    body: Vec<u8>,
    rows: u64,
}

impl Batch {
    fn is_full(&self) -> bool {
        self.rows >= MOST_ROWS || self.body.len() >= MOST_BYTES
    }
}

/// A file's rows, batch by batch; the first one is there also where the file has no row, so that its header is checked.
enum Batches<R: Read> {
    Lines(BufReader<R>),
    Table { rows: csv::Reader<R>, header: csv::ByteRecord, row: csv::ByteRecord },
    Array(std::vec::IntoIter<Box<RawValue>>),
}

impl<R: Read> Batches<R> {
    fn new(format: Format, mut reader: R) -> io::Result<Self> {
        Ok(match format {
            Format::Ndjson => Self::Lines(BufReader::new(reader)),
            Format::Csv => {
                let mut rows = csv::ReaderBuilder::new().flexible(true).from_reader(reader);
                let header = rows.byte_headers().map_err(io::Error::other)?.clone();
                Self::Table { rows, header, row: csv::ByteRecord::new() }
            }
            Format::Json => {
                let mut text = String::new();
                reader.read_to_string(&mut text)?;
                let rows: Result<Vec<Box<RawValue>>, _> = serde_json::from_str(&text);
                Self::Array(rows.map_err(io::Error::other)?.into_iter())
            }
        })
    }

    fn next(&mut self) -> io::Result<Batch> {
        let mut batch = Batch::default();
        match self {
            Self::Lines(reader) => {
                while !batch.is_full() {
                    let begin = batch.body.len();
                    if reader.read_until(b'\n', &mut batch.body)? == 0 {
                        break;
                    }
                    let line = batch.body.get(begin..).unwrap_or_default();
                    batch.rows += u64::from(!line.trim_ascii().is_empty());
                }
            }
            Self::Table { rows, header, row } => {
                let mut table = csv::WriterBuilder::new().flexible(true).from_writer(Vec::new());
                table.write_byte_record(header).map_err(io::Error::other)?;
                let mut bytes = 0;
                while batch.rows < MOST_ROWS
                    && bytes < MOST_BYTES
                    && rows.read_byte_record(row).map_err(io::Error::other)?
                {
                    table.write_byte_record(row).map_err(io::Error::other)?;
                    (batch.rows, bytes) = (batch.rows + 1, bytes + row.as_slice().len());
                }
                batch.body = table.into_inner().map_err(|fault| io::Error::other(fault.to_string()))?;
            }
            Self::Array(rows) => {
                batch.body.push(b'[');
                while !batch.is_full() {
                    let Some(row) = rows.next() else { break };
                    batch.body.extend_from_slice(if batch.rows == 0 { b"" } else { b"," });
                    batch.body.extend_from_slice(row.get().as_bytes());
                    batch.rows += 1;
                }
                batch.body.push(b']');
            }
        }
        Ok(batch)
    }
}

const fn media_type(format: Format) -> &'static str {
    match format {
        Format::Json => "application/json",
        Format::Ndjson => "application/x-ndjson",
        Format::Csv => "text/csv",
    }
}

/// A refused row as a server tells of it, after so many others of the file.
fn refused(told: &Value, before: u64) -> Refused {
    let text = |name: &str| told.get(name).and_then(Value::as_str).unwrap_or_default().to_owned();
    let row = told.get("row").and_then(Value::as_u64).unwrap_or_default();
    let value = told.get("value").cloned().unwrap_or_default();
    Refused { row: before + row, field: text("field"), value, reason: text("reason") }
}

fn tally(answer: &Value, before: u64) -> Tally {
    let count = |name: &str| answer.get(name).and_then(Value::as_u64).unwrap_or_default();
    let told = answer.get("refused").and_then(Value::as_array).into_iter().flatten();
    Tally {
        stored: count("stored"),
        repeated: count("repeated"),
        replaced: count("replaced"),
        refused: told.map(|row| refused(row, before)).collect(),
        taken: Vec::new(),
    }
}

/// Sends the rows of `reader`. A file may have any number of rows.
///
/// # Errors
/// [`ImportFault`]; a refused row is no fault, it is in the tally.
pub async fn send(client: &Client, log: Option<Log>, longest: u64, reader: impl Read) -> Result<Tally, ImportFault> {
    let (log, format, reader) = known(log, longest, reader)?;
    let mut batches = Batches::new(format, reader)?;
    let (mut sent, mut whole) = (0, Tally::default());
    loop {
        let batch = batches.next()?;
        if batch.rows == 0 && sent > 0 {
            return Ok(whole);
        }
        let (rows, path) = (batch.rows, format!("/v1/{}", log.as_str()));
        let answer = client.post(&path, media_type(format), batch.body).await;
        let answer = answer.map_err(|fault| ImportFault::Problem(format!("{fault} ({sent} rows sent before it)")))?;
        whole.absorb(tally(&answer, sent));
        if rows == 0 {
            return Ok(whole);
        }
        sent += rows;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(format: Format, text: &str, expected: &[(&str, u64)]) {
        let mut batches = Batches::new(format, text.as_bytes()).unwrap();
        for (body, rows) in expected {
            assert_eq!(batches.next().unwrap(), Batch { body: body.as_bytes().to_vec(), rows: *rows });
        }
        assert_eq!(batches.next().unwrap().rows, 0);
    }

    #[test]
    fn rows_stay_whole_and_are_counted_as_a_server_counts_them() {
        check(Format::Ndjson, "{\"a\":1}\n\n {\"a\":2}", &[("{\"a\":1}\n\n {\"a\":2}", 2)]);
        check(Format::Csv, "a,b\n1,\"x\ny\"\n2\n", &[("a,b\n1,\"x\ny\"\n2\n", 2)]);
        check(Format::Csv, "a,b\n", &[("a,b\n", 0)]);
        check(Format::Json, "[{\"a\": 1},\n {\"a\": 2}]", &[("[{\"a\": 1},{\"a\": 2}]", 2)]);
        let lines = "{}\n".repeat(MOST_ROWS as usize + 1);
        check(Format::Ndjson, &lines, &[(&"{}\n".repeat(MOST_ROWS as usize), MOST_ROWS), ("{}\n", 1)]);
        let table = format!("a\n{}", "1\n".repeat(MOST_ROWS as usize + 1));
        check(Format::Csv, &table, &[(&format!("a\n{}", "1\n".repeat(MOST_ROWS as usize)), MOST_ROWS), ("a\n1\n", 1)]);
    }

    #[test]
    fn verdicts_tell_of_the_files_own_rows() {
        let answer = serde_json::json!({"stored": 2, "repeated": 1, "replaced": 0,
            "refused": [{"row": 3, "field": "unit", "value": "x", "reason": "no car"}]});
        let tally = tally(&answer, 5_000);
        assert_eq!((tally.stored, tally.repeated, tally.refused[0].row), (2, 1, 5_003));
        assert_eq!(tally.refused[0].reason, "no car");
    }
}
