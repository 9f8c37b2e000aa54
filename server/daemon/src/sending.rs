//! Files of rows sent to a server, in requests of a size that it takes.

use std::io::{self, BufRead, BufReader, Read};

use serde_json::Value;
use serde_json::value::RawValue;

use crate::api::import::{Format, ImportFault, Log, known};
use crate::client::Client;
use crate::config::Limits;
use crate::store::{Refused, Tally};

/// Rows and bytes of one request, at most; a single row may be longer.
#[derive(Clone, Copy, Debug)]
struct Most {
    rows: u64,
    bytes: usize,
}

impl Most {
    /// No more than a server with these limits takes.
    fn under(limits: &Limits) -> Self {
        Self {
            rows: limits.rows.min(5_000),
            bytes: limits.body_mib.saturating_mul(1024 * 1024 / 2).min(4 * 1024 * 1024),
        }
    }
}

/// Rows that go in one request.
#[derive(Debug, Default, PartialEq)]
struct Batch {
    body: Vec<u8>,
    rows: u64,
}

impl Batch {
    fn is_full(&self, most: Most) -> bool {
        self.rows >= most.rows || self.body.len() >= most.bytes
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

    fn next(&mut self, most: Most) -> io::Result<Batch> {
        let mut batch = Batch::default();
        match self {
            Self::Lines(reader) => {
                while !batch.is_full(most) {
                    let begin = batch.body.len();
                    if reader.read_until(b'\n', &mut batch.body)? == 0 {
                        break;
                    }
                    match batch.body.get(begin..).unwrap_or_default().trim_ascii().is_empty() {
                        true => batch.body.truncate(begin),
                        false => batch.rows += 1,
                    }
                }
            }
            Self::Table { rows, header, row } => {
                let mut table = csv::WriterBuilder::new().flexible(true).from_writer(Vec::new());
                table.write_byte_record(header).map_err(io::Error::other)?;
                let mut bytes = 0;
                while batch.rows < most.rows
                    && bytes < most.bytes
                    && rows.read_byte_record(row).map_err(io::Error::other)?
                {
                    table.write_byte_record(row).map_err(io::Error::other)?;
                    (batch.rows, bytes) = (batch.rows + 1, bytes + row.as_slice().len());
                }
                batch.body = table.into_inner().map_err(|fault| io::Error::other(fault.to_string()))?;
            }
            Self::Array(rows) => {
                batch.body.push(b'[');
                while !batch.is_full(most) {
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
pub async fn send(client: &Client, log: Option<Log>, limits: &Limits, reader: impl Read) -> Result<Tally, ImportFault> {
    let (log, format, reader) = known(log, limits.row_bytes as u64, reader)?;
    let mut batches = Batches::new(format, reader)?;
    let (mut sent, mut whole) = (0, Tally::default());
    loop {
        let batch = batches.next(Most::under(limits))?;
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

    const MOST: Most = Most { rows: 3, bytes: 40 };

    #[track_caller]
    fn check(format: Format, text: &str, expected: &[(&str, u64)]) {
        let mut batches = Batches::new(format, text.as_bytes()).unwrap();
        for (body, rows) in expected {
            assert_eq!(batches.next(MOST).unwrap(), Batch { body: body.as_bytes().to_vec(), rows: *rows });
        }
        assert_eq!(batches.next(MOST).unwrap().rows, 0);
    }

    #[test]
    fn rows_stay_whole_and_are_counted_as_a_server_counts_them() {
        check(Format::Ndjson, "{\"a\":1}\n\n {\"a\":2}", &[("{\"a\":1}\n {\"a\":2}", 2)]);
        check(Format::Csv, "a,b\n1,\"x\ny\"\n2\n", &[("a,b\n1,\"x\ny\"\n2\n", 2)]);
        check(Format::Csv, "a,b\n", &[("a,b\n", 0)]);
        check(Format::Json, "[{\"a\": 1},\n {\"a\": 2}]", &[("[{\"a\": 1},{\"a\": 2}]", 2)]);
        check(Format::Ndjson, &"{}\n".repeat(4), &[("{}\n{}\n{}\n", 3), ("{}\n", 1)]);
        check(Format::Csv, "a\n1\n2\n3\n4\n", &[("a\n1\n2\n3\n", 3), ("a\n4\n", 1)]);
        let long = format!("\"{}\"\n", "x".repeat(50));
        check(Format::Ndjson, &long.repeat(2), &[(&long, 1), (&long, 1)]);
    }

    #[test]
    fn many_empty_lines_hide_no_row() {
        let text = format!("{{}}\n{}{{}}\n", "\n".repeat(200));
        check(Format::Ndjson, &text, &[("{}\n{}\n", 2)]);
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
