//! Gear: gloves and meters whose test falls due, and what a test found.

use axum::extract::State;
use axum::response::{IntoResponse, Redirect, Response};
use chrono::NaiveDate;
use maud::{Markup, html};
use serde::Deserialize;
use serde_json::{Value, json};

use super::{Fields, choice, field, maybe_day, needed};
use crate::app::App;
use crate::app::keys::Scope;
use crate::board::asked::{Asked, Choice, Sent, form, select};
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::interface::{Desk, segment};
use crate::board::pages::cars::{choices, depots_seen};
use crate::board::refusal::Refusal;
use crate::board::say;

/// How far ahead the page looks, in days.
const AHEAD_DAYS: u32 = 30;

/// Whose gear is asked for.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::board) struct Query {
    depot: Option<String>,
}

/// A test.
#[derive(Clone, Debug, Deserialize)]
struct Test {
    on: String,
    by: String,
    passed: bool,
}

/// A piece of gear.
#[derive(Clone, Debug, Deserialize)]
struct Piece {
    id: String,
    depot: String,
    kind: String,
    class: Option<String>,
    tests: Vec<Test>,
    due_on: Option<NaiveDate>,
    usable: bool,
    unusable: Vec<String>,
    version: i64,
}

/// What the page shows.
struct View {
    pieces: Vec<Piece>,
    depots: Vec<Choice>,
    chosen: Option<String>,
    may_test: bool,
    today: NaiveDate,
}

impl Piece {
    fn what(&self) -> String {
        let class = self.class.as_ref().map(|class| format!(", class {class}")).unwrap_or_default();
        format!("{}{class}", self.kind)
    }

    fn last_test(&self) -> String {
        let found =
            |test: &Test| format!("{}, {} ({})", test.on, if test.passed { "passed" } else { "failed" }, test.by);
        self.tests.last().map_or("never tested".to_owned(), found)
    }

    fn due(&self, today: NaiveDate) -> String {
        match self.due_on {
            None => "needs a test before any use".to_owned(),
            Some(day) if day < today => format!("overdue since {}", say::short_day(day)),
            day => format!("last day of use {}", maybe_day(day, "")),
        }
    }
}

fn test_form(piece: &Piece, visitor: &Visitor, today: NaiveDate) -> Markup {
    html! {
        details {
            summary { "Enter a test of " (piece.id) }
            (form(visitor, "/board/gear/test", &html! {
                input type="hidden" name="id" value=(piece.id);
                input type="hidden" name="version" value=(piece.version);
                (field("Tested on", "on", "date", &today.to_string(), true))
                (field("Tested by", "by", "text", "", true))
                (choice("It", "passed", &[("yes", "passed"), ("no", "failed, or is suspect")], "yes"))
                button type="submit" { "Enter the test" }
            }))
        }
    }
}

fn page(view: &View, visitor: &Visitor) -> Markup {
    html! {
        h1 { "Gear" }
        p.lead { "Gloves and meters whose test falls due within " (AHEAD_DAYS) " days, those overdue first." }
        form.filter method="get" action="/board/gear" role="search" {
            (select("depot", "Depot", "All depots", &view.depots, view.chosen.as_deref()))
            button type="submit" { "Show" }
        }
        @if view.pieces.is_empty() { p { "No piece falls due in this time." } }
        @for piece in &view.pieces {
            section {
                h2 { (piece.id) " " small { (piece.what()) " at " (piece.depot) } }
                dl.facts {
                    div { dt { "Due" } dd { (piece.due(view.today)) } }
                    div { dt { "Last test" } dd { (piece.last_test()) } }
                    div { dt { "Today" } dd { @if piece.usable { "may be used" } @else { "not to be used: " (piece.unusable.join("; ")) } } }
                }
                @if view.may_test { (test_form(piece, visitor, view.today)) }
            }
        }
    }
}

pub(in crate::board) async fn show(
    State(app): State<App>,
    visitor: Visitor,
    desk: Desk,
    Asked(query): Asked<Query>,
) -> Result<Response, Refusal> {
    let depots = depots_seen(&app, &visitor, query.depot.as_deref()).await?;
    let depot = query.depot.as_deref().map(|code| format!("&depot={}", segment(code))).unwrap_or_default();
    let pieces = desk.all(&format!("/v1/gear?due_within={AHEAD_DAYS}{depot}")).await?;
    let made = Made::now(&app, &depots, query.depot.as_deref());
    let view = View {
        pieces,
        depots: choices(&depots),
        chosen: query.depot,
        may_test: visitor.may(Scope::Work),
        today: made.at.with_timezone(&made.zone).date_naive(),
    };
    let frame = Frame { title: "Gear", here: "/board/gear", visitor: Some(&visitor), made, scripts: &[] };
    Ok(frame.page(&page(&view, &visitor)))
}

pub(in crate::board) async fn test(desk: Desk, Sent(fields): Sent<Fields>) -> Result<Response, Refusal> {
    let (id, version) = (segment(needed(&fields, "id")?), needed(&fields, "version")?);
    let passed = needed(&fields, "passed")? == "yes";
    let body = json!({"on": needed(&fields, "on")?, "by": needed(&fields, "by")?, "passed": passed});
    desk.post::<Value>(&format!("/v1/gear/{id}/tests"), &format!("board-gear-{id}-{version}"), &body).await?;
    Ok(Redirect::to("/board/gear").into_response())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::frame::samples::visitor;

    #[test]
    fn names_are_text_and_only_who_works_enters_tests() {
        let piece = Piece {
            id: "<script>g</script>".to_owned(),
            depot: "N<1>".to_owned(),
            kind: "gloves".to_owned(),
            class: Some("0".to_owned()),
            tests: vec![Test { on: "2025-08-01".to_owned(), by: "<b>lab".to_owned(), passed: true }],
            due_on: "2026-02-01".parse().ok(),
            usable: false,
            unusable: vec!["test <overdue>".to_owned()],
            version: 2,
        };
        let shown = |may_test| {
            let today = "2026-03-18".parse().unwrap();
            let view = View { pieces: vec![piece.clone()], depots: Vec::new(), chosen: None, may_test, today };
            page(&view, &visitor(&[Scope::Read])).into_string()
        };
        assert!(
            !shown(true).contains("<script>") && !shown(true).contains("<b>") && !shown(true).contains("<overdue>")
        );
        assert!(
            shown(false).contains("overdue since 1 Feb 2026") && !shown(false).contains("/board/gear/test"),
            "{}",
            shown(false)
        );
        assert!(shown(true).contains("/board/gear/test"));
    }
}
