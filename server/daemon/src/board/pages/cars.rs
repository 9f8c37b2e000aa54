//! The cars: all of them with their travel lines, those nobody watches first.

use axum::extract::State;
use axum::response::Response;
use chrono::{DateTime, NaiveDate, Utc};
use maud::{Markup, html};
use serde::Deserialize;
use ventmile_model::fleet::{Kind, local_day};

use crate::app::App;
use crate::app::coming::Listed;
use crate::app::item::Item;
use crate::board::asked::{Asked, Choice, select};
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::interface::segment;
use crate::board::live;
use crate::board::refusal::Refusal;
use crate::board::say;
use crate::board::travel::{self, Travel};
use crate::store::{DepotRecord, ListFilter, ListPosition, order_number};

/// Which cars are asked for.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::board) struct Query {
    depot: Option<String>,
    band: Option<String>,
    /// A part of the unit number.
    unit: Option<String>,
    /// The place after which the page begins.
    after: Option<String>,
}

/// A car of a list.
#[derive(Clone, Debug)]
pub(super) struct Row {
    unit: String,
    depot: String,
    stands: Stands,
    travel: Option<Travel>,
    /// When its window opens and closes, or why that can't be said.
    window: String,
    order: Option<String>,
    notes: Vec<String>,
}

/// Where a car stands, in words and with a sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stands {
    Unknown,
    Silent(i64),
    Past,
    Inside,
    Before,
    OffRoad,
}

impl Stands {
    pub(super) fn of(item: &Item) -> Self {
        match item.band.as_str() {
            _ if item.off_road => Self::OffRoad,
            "unknown" => Self::Unknown,
            _ if item.silent => Self::Silent(item.silent_days),
            "past" => Self::Past,
            "inside" => Self::Inside,
            _ => Self::Before,
        }
    }

    pub(super) fn drawn(self) -> Markup {
        let (sign, words) = match self {
            Self::Unknown => ("?", "nothing to count from".to_owned()),
            Self::Silent(days) => {
                ("…", format!("silent for {}", say::count(usize::try_from(days).unwrap_or(0), "day")))
            }
            Self::Past => ("◆", "past its window".to_owned()),
            Self::Inside => ("▮", "inside its window".to_owned()),
            Self::Before => ("▹", "before its window".to_owned()),
            Self::OffRoad => ("∥", "off the road".to_owned()),
        };
        html! { span.stands { span aria-hidden="true" { (sign) } " " (words) } }
    }
}

/// When the window opens and closes, by the 50 % dates.
pub(super) fn window_words(item: &Item, today: NaiveDate) -> String {
    let ([_, opens, _], [_, closes, _]) = (item.early, item.late);
    let edge = |ahead: &str, behind: &str, date: NaiveDate| {
        let verb = if date <= today { behind } else { ahead };
        format!("{verb} {}, {}", say::day(date, today), say::from_today(date, today))
    };
    let opens = opens.map(|date| edge("opens", "open since", date));
    let closes = closes.map(|date| edge("closes", "late edge reached", date));
    match (opens, closes) {
        (None, None) => item
            .no_date_because
            .as_deref()
            .map_or_else(|| "no date within sight".to_owned(), |why| say::in_words(why, today)),
        (opens, closes) => opens.into_iter().chain(closes).collect::<Vec<_>>().join("; "),
    }
}

impl Row {
    pub(super) fn of(listed: &Listed, today: NaiveDate) -> Self {
        let (row, item) = (&listed.row, &listed.item);
        Self {
            unit: row.unit.clone(),
            depot: row.depot.clone(),
            stands: Stands::of(item),
            travel: Travel::of(item, today),
            window: window_words(item, today),
            order: row.work_order_id.map(order_number),
            notes: item.notes.iter().map(|note| say::in_words(note, today)).collect(),
        }
    }
}

/// The address of a car's page.
pub(super) fn car_address(unit: &str) -> String {
    format!("/board/cars/{}", segment(unit))
}

/// The address of the list at a depot and in a band.
pub(super) fn address(depot: Option<&str>, band: Option<&str>) -> String {
    link(&Query { depot: depot.map(str::to_owned), band: band.map(str::to_owned), ..Query::default() })
}

fn link(query: &Query) -> String {
    let mut pairs = form_urlencoded::Serializer::new(String::new());
    let fields = [("depot", &query.depot), ("band", &query.band), ("unit", &query.unit), ("after", &query.after)];
    for (name, value) in fields.into_iter().filter_map(|(name, value)| Some((name, value.as_ref()?))) {
        pairs.append_pair(name, value);
    }
    let pairs = pairs.finish();
    if pairs.is_empty() { "/board/cars".to_owned() } else { format!("/board/cars?{pairs}") }
}

/// Cars with their travel lines.
pub(super) fn list(rows: &[Row]) -> Markup {
    html! {
        ul.cars {
            @for row in rows {
                li {
                    div.who {
                        a.unit href=(car_address(&row.unit)) { (row.unit) }
                        span.depot { (row.depot) }
                        (row.stands.drawn())
                    }
                    div.way {
                        @match &row.travel {
                            Some(travel) => { (travel.small()) p { (travel.words()) } },
                            None => (travel::unknown()),
                        }
                    }
                    div.when {
                        p { (row.window) }
                        @if let Some(order) = &row.order { p { "order " (order) } }
                        @for note in &row.notes { p.note { (note) } }
                    }
                }
            }
        }
    }
}

/// What the page shows.
#[derive(Debug)]
struct View {
    query: Query,
    depots: Vec<Choice>,
    rows: Vec<Row>,
    /// The address of the next page.
    next: Option<String>,
}

/// Bands as a choice.
fn bands() -> Vec<Choice> {
    let bands = [("unknown", "nothing to count from"), ("past", "past"), ("inside", "inside"), ("before", "before")];
    bands.map(|(value, text)| (value.to_owned(), text.to_owned())).to_vec()
}

fn page(view: &View) -> Markup {
    let query = &view.query;
    html! {
        h1 { "Cars" }
        form.filter method="get" action="/board/cars" role="search" {
            (select("depot", "Depot", "All depots", &view.depots, query.depot.as_deref()))
            (select("band", "Against the window", "Wherever", &bands(), query.band.as_deref()))
            label.field {
                span { "Unit number" }
                input type="search" name="unit" value=[query.unit.as_deref()] placeholder="all or a part of it" autocomplete="off";
            }
            button type="submit" { "Show" }
        }
        @if view.rows.is_empty() {
            p { "No car is like that. " a href="/board/cars" { "Show all cars" } }
        } @else {
            (travel::key())
            (list(&view.rows))
        }
        @if query.after.is_some() || view.next.is_some() {
            nav.pages aria-label="Pages of the list" {
                @if query.after.is_some() { a.button href=(link(&Query { after: None, ..query.clone() })) { "First page" } }
                @if let Some(next) = &view.next { a.button href=(next) rel="next" { "Next page" } }
            }
        }
    }
}

/// More depots than a fleet will ever have.
const ALL_DEPOTS: i64 = 10_000;

/// The depots that the visitor may see, once the one chosen is known to be among them.
pub(super) async fn depots_seen(
    app: &App,
    visitor: &Visitor,
    chosen: Option<&str>,
) -> Result<Vec<DepotRecord>, Refusal> {
    visitor.sees(chosen)?;
    let depots = app.store.depots("", visitor.key_depots_of(), ALL_DEPOTS).await?;
    match chosen {
        Some(code) if depots.iter().all(|record| record.depot.code != code) => Err(Refusal::missing("depot", code)),
        _ => Ok(depots),
    }
}

/// Depots as a choice.
pub(super) fn choices(depots: &[DepotRecord]) -> Vec<Choice> {
    depots.iter().map(|record| (record.depot.code.clone(), record.depot.name.clone())).collect()
}

/// Today at a depot.
pub(super) fn today_at(app: &App, depots: &[DepotRecord], code: &str) -> NaiveDate {
    let now: DateTime<Utc> = app.now();
    let depot = depots.iter().find(|record| record.depot.code == code);
    depot.map_or_else(|| now.date_naive(), |record| local_day(now, record.depot.zone))
}

type Place = (i64, i64, i64, String);

fn place_of(text: &str) -> Result<ListPosition, Refusal> {
    let read = hex::decode(text).ok().and_then(|bytes| serde_json::from_slice::<Place>(&bytes).ok());
    let (rank, due_day, vehicle_id, kind) =
        read.ok_or_else(|| Refusal::unreadable("This address of a page was cut or changed."))?;
    Ok(ListPosition { rank, due_day, vehicle_id, kind })
}

fn place_text(place: &ListPosition) -> String {
    let place: Place = (place.rank, place.due_day, place.vehicle_id, place.kind.clone());
    hex::encode(serde_json::to_vec(&place).unwrap_or_default())
}

pub(in crate::board) async fn show(
    State(app): State<App>,
    visitor: Visitor,
    Asked(query): Asked<Query>,
) -> Result<Response, Refusal> {
    let depots = depots_seen(&app, &visitor, query.depot.as_deref()).await?;
    let since = live::Since::now(&app).await?;
    let limit = app.settings.limits.page;
    let filter = ListFilter {
        depot: query.depot.clone(),
        kind: Some(Kind::FanService),
        band: query.band.clone(),
        unit_has: query.unit.clone(),
        after: query.after.as_deref().map(place_of).transpose()?,
        key_depots_of: visitor.key_depots_of(),
        limit: limit + 1,
        ..ListFilter::default()
    };
    let mut found = app.store.list_forecasts(&filter).await?;
    let shown = usize::try_from(limit).unwrap_or(usize::MAX);
    let more = found.len() > shown;
    found.truncate(shown);
    let after = found.last().filter(|_| more).map(|last| place_text(&last.position));
    let next = after.map(|after| link(&Query { after: Some(after), ..query.clone() }));
    let mut rows = Vec::with_capacity(found.len());
    for row in found {
        let listed = Listed::try_from(row)?;
        rows.push(Row::of(&listed, today_at(&app, &depots, &listed.row.depot)));
    }
    let made = Made::now(&app, &depots, query.depot.as_deref());
    let view = View { depots: choices(&depots), rows, next, query };
    let frame = Frame { title: "Cars", here: "/board/cars", visitor: Some(&visitor), made, scripts: &["live.js"] };
    Ok(frame.page(&html! { (since.place(view.query.depot.as_deref(), None)) (page(&view)) }))
}

/// A row whose names are hostile.
#[cfg(test)]
pub(super) fn sample() -> Row {
    let today = "2026-03-18".parse().unwrap_or_default();
    let item = Item { notes: vec!["<script>note</script>".to_owned()], ..crate::app::item::sample() };
    Row {
        unit: "<img src=x>/7".to_owned(),
        depot: "N<1>".to_owned(),
        stands: Stands::of(&item),
        travel: Travel::of(&item, today),
        window: window_words(&item, today),
        order: Some("WO-00001".to_owned()),
        notes: item.notes,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_text_whatever_they_are() {
        let view = View { query: Query::default(), depots: Vec::new(), rows: vec![sample()], next: None };
        let text = page(&view).into_string();
        assert!(!text.contains("<img src=x>") && !text.contains("<script>"), "{text}");
        assert!(text.contains(r#"href="/board/cars/%3Cimg%20src%3Dx%3E%2F7""#), "{text}");
        assert!(text.contains("opens Thu 26 Mar, in 8 days; closes Thu 23 Apr, in 36 days"), "{text}");
    }

    #[test]
    fn what_nobody_watches_is_said_before_the_band() {
        let item = crate::app::item::sample();
        assert_eq!(Stands::of(&item), Stands::Before);
        assert_eq!(Stands::of(&Item { silent: true, silent_days: 9, ..item.clone() }), Stands::Silent(9));
        assert_eq!(Stands::of(&Item { band: "unknown".to_owned(), silent: true, ..item.clone() }), Stands::Unknown);
        assert_eq!(Stands::of(&Item { band: "past".to_owned(), off_road: true, ..item }), Stands::OffRoad);
    }

    #[test]
    fn a_place_comes_back_as_it_went() {
        let place = ListPosition { rank: 2, due_day: i64::MAX, vehicle_id: 7, kind: "fan-service".to_owned() };
        assert_eq!(place_of(&place_text(&place)).unwrap(), place);
        assert!(place_of("zz").is_err());
    }
}
