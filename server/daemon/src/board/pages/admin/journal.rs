//! The journal: who changed what, newest first.

use axum::extract::State;
use axum::response::Response;
use maud::{Markup, html};
use serde::Deserialize;

use super::pages;
use crate::app::App;
use crate::board::asked::Asked;
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::pages::cars::depots_seen;
use crate::board::refusal::Refusal;
use crate::board::say;
use crate::store::JournalLine;

/// Which lines are asked for.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::board) struct Query {
    /// A part of who, what or to what.
    part: Option<String>,
    /// Lines before this number.
    before: Option<i64>,
}

/// What the page shows.
struct View {
    query: Query,
    lines: Vec<JournalLine>,
    next: Option<String>,
    made: Made,
}

fn link(part: Option<&str>, before: Option<i64>) -> String {
    let mut pairs = form_urlencoded::Serializer::new(String::new());
    pairs.extend_pairs(part.map(|part| ("part", part.to_owned())));
    pairs.extend_pairs(before.map(|before| ("before", before.to_string())));
    format!("/board/journal?{}", pairs.finish())
}

fn one(line: &JournalLine, made: Made) -> Markup {
    html! {
        li {
            p { strong { (line.action) } " " (line.subject) }
            p.note { (say::time(line.at, made.zone)) " by " (line.actor) ", line " (line.id) }
            @if line.before.is_some() || line.after.is_some() {
                details {
                    summary { "What changed in line " (line.id) }
                    @for (name, side) in [("Before", &line.before), ("After", &line.after)] {
                        @if let Some(side) = side { p { (name) ": " code { (side) } } }
                    }
                }
            }
        }
    }
}

fn page(view: &View) -> Markup {
    let part = view.query.part.as_deref();
    let first = view.query.before.map(|_| link(part, None));
    html! {
        h1 { "Journal" }
        p.lead { "Every change: who did what to what, newest first. Each line has the hash of the one before; " code { "ventmile journal verify" } " holds them together." }
        form.filter method="get" action="/board/journal" role="search" {
            label.field {
                span { "Who, what or to what" }
                input type="search" name="part" value=[part] placeholder="all or a part of it" autocomplete="off";
            }
            button type="submit" { "Show" }
        }
        @if view.lines.is_empty() { p { "No line is like that." } }
        ul.lines { @for line in &view.lines { (one(line, view.made)) } }
        (pages(first.as_deref(), view.next.as_deref()))
    }
}

pub(in crate::board) async fn show(
    State(app): State<App>,
    visitor: Visitor,
    Asked(query): Asked<Query>,
) -> Result<Response, Refusal> {
    let depots = depots_seen(&app, &visitor, None).await?;
    let limit = app.settings.limits.page;
    let (before, part) = (query.before.unwrap_or(i64::MAX), query.part.as_deref());
    let mut lines = app.store.journal_back(before, part, visitor.key_depots_of(), limit + 1).await?;
    let shown = usize::try_from(limit).unwrap_or(usize::MAX);
    let more = lines.len() > shown;
    lines.truncate(shown);
    let next = lines.last().filter(|_| more).map(|last| link(part, Some(last.id)));
    let made = Made::now(&app, &depots, None);
    let frame = Frame { title: "Journal", here: "/board/journal", visitor: Some(&visitor), made, scripts: &[] };
    Ok(frame.page(&page(&View { query, lines, next, made })))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::frame::samples::made;

    #[test]
    fn lines_are_text_and_a_page_keeps_the_filter() {
        let line = JournalLine {
            id: 7,
            at: made().at,
            actor: "<script>a</script>".to_owned(),
            action: "rule change".to_owned(),
            subject: "<b>".to_owned(),
            depot_id: None,
            before: Some(r#"{"x": "<img>"}"#.to_owned()),
            after: None,
            previous: String::new(),
            hash: String::new(),
        };
        let query = Query { part: Some("a&b".to_owned()), before: Some(9) };
        let view = View { query, lines: vec![line], next: Some(link(Some("a&b"), Some(7))), made: made() };
        let text = page(&view).into_string();
        assert!(!text.contains("<script>") && !text.contains("<b>") && !text.contains("<img>"), "{text}");
        assert!(text.contains("/board/journal?part=a%26b&amp;before=7"), "{text}");
        assert!(text.contains("/board/journal?part=a%26b\""), "{text}");
    }
}
