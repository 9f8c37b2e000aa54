//! The shop's queue: what somebody has, and what waits for somebody.

use axum::extract::State;
use axum::response::Response;
use chrono::{DateTime, Utc};
use maud::{Markup, html};
use serde::Deserialize;
use ventmile_model::fleet::{Kind, local_day};

use super::cars;
use crate::app::App;
use crate::app::keys::Scope;
use crate::app::stops::standing_stops;
use crate::app::waiting::{Wait, waiting};
use crate::board::asked::{Asked, Choice, select};
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::live;
use crate::board::posted::{self, Fields, Form, Reader, Sending, Tried};
use crate::board::refusal::Refusal;
use crate::board::say;
use crate::store::{NextOrder, OrderFilter, OrderRecord, StoreError, order_number};
use crate::{app::sessions::form_key, store::Answer};

/// Whose queue is asked for.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::board) struct Query {
    depot: Option<String>,
    technician: Option<String>,
}

/// An order of the queue.
#[derive(Clone, Debug)]
struct Row {
    number: String,
    unit: String,
    depot: String,
    job: String,
    stops: Vec<String>,
    /// When it is planned, or by when it is due.
    when: Option<String>,
    has: Option<String>,
    begun: bool,
    /// What it waits for, in words.
    waits_for: Vec<String>,
    reason: String,
}

/// What an order waits for, in words.
fn waits_for(wait: Wait, record: &OrderRecord) -> String {
    match wait {
        Wait::Technician => "somebody to take it".to_owned(),
        Wait::Part => format!("parts: {}", record.short_of.join(", ")),
        Wait::Car => "its car".to_owned(),
        Wait::Gear => "gear in date".to_owned(),
        Wait::Evidence => "records of its steps".to_owned(),
    }
}

/// A job's kind in words.
pub(super) fn job(kind: Kind) -> String {
    kind.as_str().replace('-', " ")
}

/// Where an order's page is.
pub(super) fn address(number: &str) -> String {
    format!("/board/work/{number}")
}

impl Row {
    fn of(record: &OrderRecord, app: &App, now: DateTime<Utc>) -> Self {
        let order = record.order.settled(now);
        let plan = order.plan.as_ref();
        Self {
            number: order_number(record.id),
            unit: record.unit.clone(),
            depot: record.depot.clone(),
            job: job(record.kind),
            stops: standing_stops(&record.stop_codes, record.zone, now).into_iter().map(|stop| stop.code).collect(),
            when: plan
                .map(|plan| format!("{} at {}, bay {}", say::short_day(plan.on), plan.start.format("%H:%M"), plan.bay)),
            begun: order.started_at.is_some(),
            has: order.assigned_to,
            waits_for: waiting(record, &app.settings.work, now)
                .into_iter()
                .map(|wait| waits_for(wait, record))
                .collect(),
            reason: say::in_words(&record.reason, local_day(now, record.zone)),
        }
    }
}

/// What the page shows.
#[derive(Debug)]
struct View {
    query: Query,
    depots: Vec<Choice>,
    people: Vec<Choice>,
    rows: Vec<Row>,
    /// What the keys of its forms begin with; none where the key may not work.
    once: Option<String>,
    tried: Option<Tried>,
    nothing_waits: bool,
}

impl View {
    fn has(&self, row: &Row) -> bool {
        row.has.is_some() && row.has == self.query.technician
    }
}

fn rows<'a>(title: &str, id: &str, rows: impl Iterator<Item = &'a Row>) -> Markup {
    let rows: Vec<&Row> = rows.collect();
    html! {
        @if !rows.is_empty() {
            section aria-labelledby=(id) {
                h2 id=(id) { (title) }
                ol.orders {
                    @for row in rows {
                        li {
                            a.order href=(address(&row.number)) {
                                strong { (row.unit) } " " (row.job) " " small { (row.number) " · " (row.depot) }
                            }
                            @if !row.stops.is_empty() { p.fault { "■ Stop the car: " (row.stops.join(", ")) } }
                            @if let Some(when) = &row.when { p { "Planned " (when) } }
                            @if let Some(has) = &row.has { p { @if row.begun { "At work: " } @else { "Taken by " } (has) } }
                            @if !row.waits_for.is_empty() { p { "Waits for " (row.waits_for.join("; ")) } }
                            p.note { (row.reason) }
                        }
                    }
                }
            }
        }
    }
}

fn take_next(view: &View, visitor: &Visitor, once: &str) -> Markup {
    let form = Form::new(visitor, "next", view.tried.as_ref());
    let sending = Sending { about: "queue", says: "Take the next order", once, version: None };
    let inner = html! {
        @if let Some(depot) = &view.query.depot { input type="hidden" name="depot" value=(depot); }
        (form.person("technician", "Who takes it", &view.people, view.query.technician.as_deref()))
    };
    form.around("/board/work/next", &sending, "Take the next order", &inner)
}

fn page(view: &View, visitor: &Visitor) -> Markup {
    let query = &view.query;
    let mine = |row: &&Row| view.has(row);
    let waits = |row: &&Row| !view.has(row) && row.has.is_none();
    let others = |row: &&Row| !view.has(row) && row.has.is_some();
    html! {
        h1 { "Work" }
        form.filter method="get" action="/board/work" role="search" {
            (select("depot", "Depot", "All depots", &view.depots, query.depot.as_deref()))
            (select("technician", "Technician", "Everybody", &view.people, query.technician.as_deref()))
            button type="submit" { "Show" }
        }
        @if view.nothing_waits { p role="status" { "Nothing waits that this person can take." } }
        @if let Some(once) = &view.once { (take_next(view, visitor, once)) }
        @if view.rows.is_empty() { p { "No order is open here." } }
        (rows("Yours", "yours", view.rows.iter().filter(mine)))
        (rows("Waiting, most urgent first", "waiting", view.rows.iter().filter(waits)))
        (rows("With others", "others", view.rows.iter().filter(others)))
    }
}

/// More people than one shop has.
const ALL_PEOPLE: i64 = 10_000;
/// Orders on the page, at most: the most urgent ones.
const SHOWN: i64 = 100;

/// Those who work at a depot, or at all that the visitor may see: code and what they are called.
pub(super) async fn people(app: &App, visitor: &Visitor, depot: Option<&str>) -> Result<Vec<Choice>, StoreError> {
    let found = app.store.technicians("", depot, false, visitor.key_depots_of(), ALL_PEOPLE).await?;
    let called =
        |code: &str, name: Option<&str>| name.map_or_else(|| code.to_owned(), |name| format!("{name} ({code})"));
    let choice = |record: crate::store::TechnicianRecord| {
        let code = record.technician.code;
        (code.clone(), called(&code, record.name.as_deref()))
    };
    Ok(found.into_iter().map(choice).collect())
}

async fn shown(
    app: &App,
    visitor: &Visitor,
    query: Query,
    tried: Option<Tried>,
    nothing_waits: bool,
) -> Result<Response, Refusal> {
    let depots = cars::depots_seen(app, visitor, query.depot.as_deref()).await?;
    let since = live::Since::now(app).await?;
    let filter = OrderFilter {
        open: Some(true),
        depot: query.depot.clone(),
        key_depots_of: visitor.key_depots_of(),
        now: app.now(),
        limit: SHOWN,
        ..OrderFilter::default()
    };
    let orders = app.store.orders(&filter).await?;
    let fit = match &query.technician {
        Some(code) => app.fit_for(code, orders, &posted::reading(app, visitor)).await?,
        None => orders,
    };
    let made = Made::now(app, &depots, query.depot.as_deref());
    let view = View {
        depots: cars::choices(&depots),
        people: people(app, visitor, query.depot.as_deref()).await?,
        rows: fit.iter().map(|record| Row::of(record, app, app.now())).collect(),
        once: visitor.may(Scope::Work).then(form_key).transpose()?,
        query,
        tried,
        nothing_waits,
    };
    let frame =
        Frame { title: "Work", here: "/board/work", visitor: Some(visitor), made, scripts: &["keep.js", "live.js"] };
    Ok(frame.page(&html! { (since.place(view.query.depot.as_deref(), None)) (page(&view, visitor)) }))
}

pub(in crate::board) async fn show(
    State(app): State<App>,
    visitor: Visitor,
    Asked(query): Asked<Query>,
) -> Result<Response, Refusal> {
    shown(&app, &visitor, query, None, false).await
}

async fn taken(app: &App, visitor: &Visitor, fields: &Fields) -> Result<Result<Answer, StoreError>, Refusal> {
    let mut reader = Reader::new(fields);
    let by = reader.name("technician");
    let by = match reader.finish(by) {
        Ok(by) => by,
        Err(conflict) => return Ok(Err(conflict.into())),
    };
    let depot = fields.get("depot").map(str::to_owned);
    visitor.sees(depot.as_deref())?;
    let is_technician = people(app, visitor, None).await?.iter().any(|(code, _)| *code == by);
    let lease_until = app.lease(None).map(|lease| app.now() + lease);
    let next = NextOrder { by, is_technician, lease_until, depot, kind: None };
    let writing = fields.writing(app, visitor, "board work next")?;
    let lead = |record: Option<&OrderRecord>| {
        posted::leads_to(&record.map_or_else(String::new, |record| address(&order_number(record.id))))
    };
    Ok(app.take_next_order(&next, &writing, lead).await)
}

pub(in crate::board) async fn next(
    State(app): State<App>,
    visitor: Visitor,
    fields: Fields,
) -> Result<Response, Refusal> {
    let query = Query {
        depot: fields.get("depot").map(str::to_owned),
        technician: fields.get("technician").map(str::to_owned),
    };
    match taken(&app, &visitor, &fields).await? {
        Ok(answer) if answer.body == "\"\"" => shown(&app, &visitor, query, None, true).await,
        Ok(answer) => Ok(posted::onward(&answer)),
        Err(error) => {
            let tried = posted::tried(&visitor, "next", fields, error)?;
            shown(&app, &visitor, query, Some(tried), false).await
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::frame::samples::visitor;

    fn sample() -> View {
        let row = |number: &str, has: Option<&str>| Row {
            number: number.to_owned(),
            unit: "<7>".to_owned(),
            depot: "N".to_owned(),
            job: "fan service".to_owned(),
            stops: vec!["P0AA6".to_owned()],
            when: None,
            has: has.map(str::to_owned),
            begun: false,
            waits_for: vec!["parts: <u>".to_owned(), "its car".to_owned()],
            reason: "<b>noise".to_owned(),
        };
        View {
            query: Query { depot: None, technician: Some("kim".to_owned()) },
            depots: Vec::new(),
            people: vec![("kim".to_owned(), "Kim <i>".to_owned())],
            rows: vec![row("WO-00001", Some("kim")), row("WO-00002", None), row("WO-00003", Some("lee"))],
            once: Some("k".to_owned()),
            tried: None,
            nothing_waits: false,
        }
    }

    #[test]
    fn the_queue_tells_ones_own_from_what_waits() {
        let text = page(&sample(), &visitor(&[Scope::Read, Scope::Work])).into_string();
        let place = |what: &str| text.find(what).unwrap();
        assert!(place("Yours") < place("WO-00001") && place("WO-00001") < place("Waiting"), "{text}");
        assert!(place("Waiting") < place("WO-00002") && place("With others") < place("WO-00003"), "{text}");
        assert!(text.contains("&lt;7&gt;") && !text.contains("<b>") && !text.contains("<i>"), "{text}");
        assert!(text.contains("Waits for parts: &lt;u&gt;; its car"), "{text}");
        assert!(text.contains(r#"name="once" value="k.next""#) && !text.contains("style="), "{text}");
    }

    #[test]
    fn who_may_not_work_has_no_form() {
        let view = View { once: None, ..sample() };
        assert!(!page(&view, &visitor(&[Scope::Read])).into_string().contains("Take the next order"));
    }
}
