//! The administrator's pages: rules, keys, gear, cores, the journal, files of rows.

pub(super) mod cores;
pub(super) mod gear;
pub(super) mod import;
pub(super) mod journal;
pub(super) mod keys;
pub(super) mod rules;

use std::collections::BTreeMap;

use axum::http::StatusCode;
use chrono::NaiveDate;
use maud::{Markup, html};
use serde_json::Value;

use crate::board::frame::Made;
use crate::board::refusal::Refusal;
use crate::board::say;

/// What a form sent, by field.
pub(super) type Fields = BTreeMap<String, String>;

/// A field's text.
fn text(fields: &Fields, name: &str) -> Option<Value> {
    fields.get(name).map(|text| Value::String(text.clone()))
}

/// A field that must be there.
fn needed<'a>(fields: &'a Fields, name: &str) -> Result<&'a str, Refusal> {
    let missing = || wrong(name, "", "fill it in");
    fields.get(name).map(String::as_str).ok_or_else(missing)
}

/// A field's number.
fn number(fields: &Fields, name: &str) -> Result<Option<f64>, Refusal> {
    let read = |text: &String| text.parse().map_err(|_| wrong(name, text, "give a number such as 25000"));
    fields.get(name).map(read).transpose()
}

fn wrong(name: &str, given: &str, right: &str) -> Refusal {
    let says = format!("{}: {right} (given: “{given}”)", name.replace('_', " "));
    Refusal::new(StatusCode::UNPROCESSABLE_ENTITY, "Something in it is not right", says)
}

/// What a form carries so that it is done once however often it is sent: new for each page that is shown.
fn once(made: Made) -> String {
    format!("board-{}", made.at.timestamp_micros())
}

/// A labelled field of a form.
fn field(label: &str, name: &str, kind: &str, value: &str, required: bool) -> Markup {
    html! {
        label.field {
            span { (label) }
            input type=(kind) name=(name) value=(value) required[required] step=[(kind == "number").then_some("any")] autocomplete="off";
        }
    }
}

/// A labelled choice without an empty one.
fn choice(label: &str, name: &str, choices: &[(&str, &str)], chosen: &str) -> Markup {
    html! {
        label.field {
            span { (label) }
            select name=(name) {
                @for (value, text) in choices { option value=(value) selected[*value == chosen] { (text) } }
            }
        }
    }
}

/// A table that scrolls by itself where it is wider than the page.
fn table(name: &str, head: &[&str], rows: &Markup) -> Markup {
    html! {
        section.scroll tabindex="0" aria-label=(name) {
            table {
                thead { tr { @for cell in head { th scope="col" { (cell) } } } }
                tbody { (rows) }
            }
        }
    }
}

/// A date that may be missing.
fn maybe_day(day: Option<NaiveDate>, otherwise: &str) -> String {
    day.map_or_else(|| otherwise.to_owned(), say::short_day)
}

/// Cents as an amount of money.
fn money(cents: i64) -> String {
    let (sign, cents) = (if cents < 0 { "−" } else { "" }, cents.unsigned_abs());
    format!("{sign}{}.{:02}", say::number((cents / 100) as f64), cents % 100)
}

/// The ways to the first and the next page of a list.
fn pages(first: Option<&str>, next: Option<&str>) -> Markup {
    html! {
        @if first.is_some() || next.is_some() {
            nav.pages aria-label="Pages of the list" {
                @if let Some(first) = first { a.button href=(first) { "First page" } }
                @if let Some(next) = next { a.button href=(next) rel="next" { "Next page" } }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn money_has_two_places_and_a_wrong_number_names_its_field() {
        assert_eq!([money(123_456), money(5), money(-250)], ["1,234.56", "0.05", "−2.50"]);
        let fields = Fields::from([("hard_late".to_owned(), "much".to_owned())]);
        assert_eq!(
            number(&fields, "hard_late").unwrap_err().says,
            "hard late: give a number such as 25000 (given: “much”)"
        );
        assert!(needed(&fields, "code").unwrap_err().says.starts_with("code:"));
    }
}
