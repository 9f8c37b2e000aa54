//! Files of rows: tried first, with a verdict on each, and stored by a second press.

use std::collections::BTreeMap;

use axum::body::Bytes;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use chrono_tz::Tz;
use maud::{Markup, html};
use serde::Deserialize;

use super::{table, wrong};
use crate::app::App;
use crate::app::keys::Scope;
use crate::board::asked::{Sent, form};
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::interface::{Desk, Verdicts, plain};
use crate::board::refusal::Refusal;
use crate::board::say;
use crate::store::Verdict;

/// What may be sent: its name in the interface, in words, the scope it needs.
const LOGS: [(&str, &str, Scope); 8] = [
    ("odometer-readings", "odometer readings", Scope::Post),
    ("duty-logs", "duty logs", Scope::Post),
    ("seat-logs", "seat logs", Scope::Post),
    ("past-services", "past services", Scope::Post),
    ("packs", "packs and the cars they were in", Scope::Post),
    ("pack-checks", "pack checks", Scope::Post),
    ("trouble-codes", "trouble codes", Scope::Post),
    ("vehicles", "cars", Scope::Admin),
];

/// At most so many rows of each sort are shown; the number of all is told.
const SHOWN: usize = 200;
/// So much of a row is shown.
const ROW_SHOWN: usize = 200;

/// Rows may have so many bytes, as they stand in the file.
const MOST: usize = 2_000_000;
/// A form writes a byte in three, and a line's end in six.
const ENCODED: usize = 4;

/// So many bytes of rows may be sent here; less than [`MOST`] where bodies may have little.
fn most(app: &App) -> usize {
    MOST.min(app.settings.limits.body_mib * 1024 * 1024 / ENCODED)
}

/// How many bytes rows have in their file: a form makes two of each line's end.
fn length(rows: &str) -> usize {
    rows.len() - rows.matches("\r\n").count()
}

fn megabytes(bytes: usize) -> String {
    format!("{} MB", (bytes as f64 / 1e5).floor() / 10.0)
}

/// What was sent.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::board) struct Form {
    log: Option<String>,
    rows: Option<String>,
    /// `store`; else they are tried.
    act: Option<String>,
}

fn fields(visitor: &Visitor, most: usize) -> Markup {
    form(
        visitor,
        "/board/import",
        &html! {
            label.field {
                span { "The rows are" }
                select name="log" {
                    @for (name, words, _) in LOGS.iter().filter(|log| visitor.may(log.2)) { option value=(name) { (words) } }
                }
            }
            label.field hidden {
                span { "From a file" }
                input type="file" data-into="rows" accept=".csv,.ndjson,.jsonl,text/csv";
            }
            label.field {
                span { "CSV with a header, or a JSON object a line; at most " (megabytes(most)) }
                textarea #rows name="rows" rows="8" required spellcheck="false" {}
            }
            button type="submit" { "Try them" }
        },
    )
}

fn page(visitor: &Visitor, most: usize) -> Markup {
    html! {
        h1 { "Rows from a file" }
        p.lead { "First they are tried: each row gets its verdict and nothing is stored. Then you store them, or mend the file and try again." }
        (fields(visitor, most))
    }
}

/// What became of the rows, or would.
struct Outcome<'a> {
    words: &'static str,
    log: &'a str,
    rows: &'a str,
    verdicts: Verdicts,
    stored: bool,
}

fn refused(verdicts: &Verdicts) -> Markup {
    let rows = html! {
        @for row in verdicts.refused.iter().take(SHOWN) {
            tr { th scope="row" { (row.row) } td { (row.field) } td { code { (plain(&row.value)) } } td { (row.reason) } }
        }
    };
    html! {
        h2 { "Refused rows" }
        @if verdicts.refused.len() > SHOWN { p { "The first " (SHOWN) " of " (verdicts.refused.len()) ":" } }
        (table("Refused rows", &["Row", "Field", "Value", "Why, and what would be right"], &rows))
    }
}

/// The beginning of each of these rows, by number, as they stand in the file.
fn texts(rows: &str, wanted: &[(u64, Verdict)]) -> BTreeMap<u64, String> {
    let last = wanted.last().map_or(0, |(row, _)| *row);
    let short = |text: String| text.chars().take(ROW_SHOWN).collect::<String>();
    if media(rows) == NDJSON {
        let lines = rows.lines().filter(|line| !line.trim().is_empty());
        return (1..=last).zip(lines.map(|line| short(line.trim().to_owned()))).collect();
    }
    let mut table = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(rows.as_bytes());
    let records = table.records().map_while(Result::ok);
    (1..=last).zip(records.map(|record| short(record.iter().collect::<Vec<_>>().join(", ")))).collect()
}

fn taken(outcome: &Outcome<'_>) -> Markup {
    let all = &outcome.verdicts.taken;
    let shown = all.get(..SHOWN).unwrap_or(all);
    let texts = texts(outcome.rows, shown);
    let words = |verdict: &Verdict| match verdict {
        Verdict::Stored => "new",
        Verdict::Repeated => "there already",
        Verdict::Replaced => "in place of another value",
    };
    let rows = html! {
        @for (row, verdict) in shown {
            tr { th scope="row" { (row) } td { (words(verdict)) } td { code { (texts.get(row).map_or("", String::as_str)) } } }
        }
    };
    html! {
        h2 { "Good rows" }
        @if all.len() > SHOWN { p { "The first " (SHOWN) " of " (all.len()) ":" } }
        (table("Good rows", &["Row", "It is", "What it says"], &rows))
    }
}

fn outcome(outcome: &Outcome<'_>, visitor: &Visitor) -> Markup {
    let verdicts = &outcome.verdicts;
    let counts = [
        ("New", verdicts.stored),
        ("There already", verdicts.repeated),
        ("In place of another value", verdicts.replaced),
        ("Refused", verdicts.refused.len() as u64),
    ];
    html! {
        h1 { @if outcome.stored { "Stored" } @else { "Tried, nothing stored yet" } }
        p { "Of the " (outcome.words) " sent:" }
        dl.facts { @for (name, many) in counts { div { dt { (name) } dd { (say::number(many as f64)) } } } }
        @if !verdicts.refused.is_empty() { (refused(verdicts)) }
        @if !verdicts.taken.is_empty() { (taken(outcome)) }
        @if outcome.stored {
            p { a.button href="/board/import" { "More rows" } }
        } @else if verdicts.stored + verdicts.replaced > 0 {
            (form(visitor, "/board/import", &html! {
                input type="hidden" name="log" value=(outcome.log);
                input type="hidden" name="act" value="store";
                input type="hidden" name="rows" value=(outcome.rows);
                @if !verdicts.refused.is_empty() { p { "The good rows are stored beside the refused ones." } }
                button type="submit" { "Store them" }
            }))
            p { a href="/board/import" { "Leave it" } }
        } @else {
            p { "There is nothing new to store. " a href="/board/import" { "Try other rows" } }
        }
    }
}

fn framed(app: &App, visitor: &Visitor, title: &str, scripts: &[&str], body: &Markup) -> Response {
    let made = Made { at: app.now(), zone: Tz::UTC };
    Frame { title, here: "/board/import", visitor: Some(visitor), made, scripts }.page(body)
}

pub(in crate::board) async fn show(State(app): State<App>, visitor: Visitor) -> Response {
    framed(&app, &visitor, "Rows from a file", &["rows-from-file.js"], &page(&visitor, most(&app)))
}

const NDJSON: &str = "application/x-ndjson";

/// How rows are written, by their first character.
fn media(rows: &str) -> &'static str {
    if rows.starts_with('{') { NDJSON } else { "text/csv" }
}

pub(in crate::board) async fn send(
    State(app): State<App>,
    visitor: Visitor,
    desk: Desk,
    Sent(form): Sent<Form>,
) -> Result<Response, Refusal> {
    let log = form.log.unwrap_or_default();
    let known = LOGS.iter().find(|known| known.0 == log);
    let (log, words, scope) = *known.ok_or_else(|| wrong("log", &log, "choose one of those on the page"))?;
    if !visitor.may(scope) {
        return Err(Refusal::no_scope(scope));
    }
    let rows = form.rows.unwrap_or_default();
    let rows = rows.trim_start_matches('\u{feff}');
    if rows.is_empty() {
        return Err(wrong("rows", "", "choose a file or paste its text"));
    }
    if length(rows) > most(&app) {
        let says = format!(
            "The rows are {}, and this page takes {}. `ventmile import` and the interface take more, or send them in parts.",
            megabytes(length(rows)),
            megabytes(most(&app))
        );
        return Err(Refusal::new(StatusCode::PAYLOAD_TOO_LARGE, "Too much", says));
    }
    let stored = form.act.as_deref() == Some("store");
    let verdicts = desk.rows(log, media(rows), Bytes::from(rows.to_owned()), !stored).await?;
    let body = outcome(&Outcome { words, log, rows, verdicts, stored }, &visitor);
    Ok(framed(&app, &visitor, if stored { "Rows stored" } else { "Rows tried" }, &[], &body))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::frame::samples::visitor;
    use crate::board::interface::RefusedRow;

    #[test]
    fn what_was_tried_is_sent_again_as_it_is_and_is_text() {
        let refused = RefusedRow {
            row: 2,
            field: "odometer".to_owned(),
            value: "<script>v</script>".into(),
            reason: "give a <number>".to_owned(),
        };
        let taken = vec![(1, Verdict::Stored)];
        let verdicts = Verdicts { stored: 1, refused: vec![refused], taken, ..Verdicts::default() };
        let tried = Outcome {
            words: "odometer readings",
            log: "odometer-readings",
            rows: "unit\n\"><b>",
            verdicts,
            stored: false,
        };
        let text = outcome(&tried, &visitor(&[Scope::Post])).into_string();
        assert!(!text.contains("<script>") && !text.contains("<number>"), "{text}");
        assert!(text.contains("value=\"unit\n&quot;&gt;&lt;b&gt;\""), "{text}");
        assert!(text.contains("<td>new</td><td><code>"), "{text}");
        let stored = outcome(&Outcome { stored: true, ..tried }, &visitor(&[Scope::Post])).into_string();
        assert!(!stored.contains("<form"), "{stored}");
    }

    #[test]
    fn a_row_is_shown_as_it_stands_in_the_file() {
        let rows = [(2, Verdict::Stored), (3, Verdict::Replaced)];
        let table = texts("unit,note\n1,\"a\nb\"\n2 ,x\n3,\"y, z\"\n", &rows);
        assert_eq!((table[&2].as_str(), table[&3].as_str()), ("2, x", "3, y, z"));
        let lines = texts("{\"unit\": 1}\n\n{\"unit\": 2}\n{\"unit\": 3}", &rows);
        assert_eq!((lines[&2].as_str(), lines[&3].as_str()), ("{\"unit\": 2}", "{\"unit\": 3}"));
        assert_eq!(texts(&format!("a\n{}", "x".repeat(900)), &[(1, Verdict::Stored)])[&1].len(), ROW_SHOWN);
    }

    #[test]
    fn only_logs_that_the_key_may_send_are_shown() {
        assert!(!page(&visitor(&[Scope::Post]), MOST).into_string().contains(r#"value="vehicles""#));
        assert!(page(&visitor(&[Scope::Post, Scope::Admin]), MOST).into_string().contains(r#"value="vehicles""#));
    }
}
