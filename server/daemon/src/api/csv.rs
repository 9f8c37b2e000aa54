//! CSV answers (RFC 4180). A text that a spreadsheet would take for a formula is guarded by an apostrophe.

use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};

use super::problem::{Fault, Problem};

/// Whether an answer is wanted as CSV: by `format=csv`, else by the Accept header.
pub(super) fn wanted(format: Option<&str>, headers: &HeaderMap) -> Result<bool, Problem> {
    match format {
        Some("csv") => Ok(true),
        Some("json") => Ok(false),
        Some(other) => Err(Problem::query(Fault::parameter("format", Some(other), "give json or csv"))),
        None => Ok(accepts(headers, "text/csv")),
    }
}

/// Whether the Accept header names this media type.
pub(super) fn accepts(headers: &HeaderMap, media_type: &str) -> bool {
    let accept = headers.get(header::ACCEPT).and_then(|value| value.to_str().ok()).unwrap_or_default();
    accept.split(',').any(|range| range.trim().starts_with(media_type))
}

/// A cell that holds text.
pub(super) fn text(value: &str) -> String {
    let formula = value.starts_with(['=', '+', '-', '@', '\t', '\r']);
    if formula { format!("'{value}") } else { value.to_owned() }
}

/// A cell that may be empty.
pub(super) fn maybe<T: ToString>(value: Option<T>) -> String {
    value.map(|value| value.to_string()).unwrap_or_default()
}

/// A table as an answer.
pub(super) fn table<const N: usize>(head: [&str; N], rows: impl Iterator<Item = [String; N]>) -> Response {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    // Writing into memory does not fail.
    let _ = writer.write_record(head);
    for row in rows {
        let _ = writer.write_record(row);
    }
    let body = writer.into_inner().unwrap_or_default();
    ([(header::CONTENT_TYPE, "text/csv; charset=utf-8; header=present")], body).into_response()
}

#[cfg(test)]
mod tests {
    use super::text;

    #[test]
    fn formulas_are_guarded() {
        for (given, shown) in [("=1+1", "'=1+1"), ("@x", "'@x"), ("-3", "'-3"), ("+1", "'+1"), ("taxi 7", "taxi 7")] {
            assert_eq!(text(given), shown);
        }
    }
}
