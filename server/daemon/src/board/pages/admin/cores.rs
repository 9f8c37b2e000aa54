//! Old packs that are still worth something: what is to come for each, and by when it must be back.

use axum::extract::State;
use axum::response::Response;
use chrono::NaiveDate;
use maud::{Markup, html};
use serde::Deserialize;

use super::{money, table};
use crate::app::App;
use crate::board::asked::{Asked, Choice, select};
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::interface::{Desk, segment};
use crate::board::pages::cars::{car_address, choices, depots_seen};
use crate::board::refusal::Refusal;
use crate::board::say;

/// Whose cores are asked for.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::board) struct Query {
    depot: Option<String>,
}

/// A core.
#[derive(Clone, Debug, Deserialize)]
struct Core {
    unit: String,
    depot: String,
    serial: String,
    core_type: String,
    return_by: NaiveDate,
    shipped_on: Option<NaiveDate>,
    returned_on: Option<NaiveDate>,
    because: Vec<String>,
    overdue: bool,
    claim: Option<String>,
    outstanding_cents: i64,
}

impl Core {
    fn is_open(&self) -> bool {
        self.overdue || self.outstanding_cents > 0
    }

    /// Where it is and what is waited for.
    fn stands(&self) -> String {
        let place = match (self.returned_on, self.shipped_on) {
            (Some(day), _) => format!("back since {}", say::short_day(day)),
            (None, Some(day)) => format!("sent {}", say::short_day(day)),
            (None, None) => "not sent".to_owned(),
        };
        let claim = self.claim.as_ref().map(|claim| format!("warranty {claim}"));
        [Some(place), claim].into_iter().flatten().chain(self.because.iter().cloned()).collect::<Vec<_>>().join("; ")
    }
}

/// What the page shows.
struct View {
    cores: Vec<Core>,
    depots: Vec<Choice>,
    chosen: Option<String>,
}

fn page(view: &View) -> Markup {
    let total = view.cores.iter().map(|core| core.outstanding_cents).sum();
    let late = view.cores.iter().filter(|core| core.overdue).count();
    let rows = html! {
        @for core in &view.cores {
            tr {
                th scope="row" { (core.serial) " " small { (core.core_type) } }
                td { a href=(car_address(&core.unit)) { (core.unit) } ", " (core.depot) }
                td { (say::short_day(core.return_by)) @if core.overdue { " " strong { "overdue" } } }
                td { (money(core.outstanding_cents)) }
                td { (core.stands()) }
            }
        }
    };
    html! {
        h1 { "Cores" }
        form.filter method="get" action="/board/cores" role="search" {
            (select("depot", "Depot", "All depots", &view.depots, view.chosen.as_deref()))
            button type="submit" { "Show" }
        }
        @if view.cores.is_empty() {
            p { "No old pack has anything still to come." }
        } @else {
            p.lead {
                strong { (money(total)) } " is to come for " (say::count(view.cores.len(), "core"))
                @if late > 0 { "; " strong { (late) } " should have been back by now" } "."
            }
            (table("Cores outstanding", &["Pack", "From the car", "Back by", "To come", "How it stands"], &rows))
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
    let depot = query.depot.as_deref().map(|code| format!("?depot={}", segment(code))).unwrap_or_default();
    let mut cores: Vec<Core> = desk.all(&format!("/v1/cores{depot}")).await?;
    cores.retain(Core::is_open);
    cores.sort_by_key(|core| core.return_by);
    let made = Made::now(&app, &depots, query.depot.as_deref());
    let view = View { cores, depots: choices(&depots), chosen: query.depot };
    let frame = Frame { title: "Cores", here: "/board/cores", visitor: Some(&visitor), made, scripts: &[] };
    Ok(frame.page(&page(&view)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_to_come_is_summed_and_names_are_text() {
        let core = Core {
            unit: "7<b>".to_owned(),
            depot: "N<1>".to_owned(),
            serial: "<script>s</script>".to_owned(),
            core_type: "P28".to_owned(),
            return_by: "2026-02-01".parse().unwrap(),
            shipped_on: None,
            returned_on: None,
            because: vec!["it is <late>".to_owned()],
            overdue: true,
            claim: None,
            outstanding_cents: 40_050,
        };
        let paid = Core { overdue: false, outstanding_cents: 0, ..core.clone() };
        assert!(core.is_open() && !paid.is_open());
        let view = View { cores: vec![core.clone(), core], depots: Vec::new(), chosen: None };
        let text = page(&view).into_string();
        assert!(text.contains("<strong>801.00</strong> is to come for 2 cores; <strong>2</strong> should"), "{text}");
        assert!(!text.contains("<script>") && !text.contains("<late>") && !text.contains("<b>"), "{text}");
    }
}
