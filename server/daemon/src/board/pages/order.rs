//! One order at the car: what to stop for, what to mind, the steps with what each records, and how it is closed.

use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};
use ventmile_model::fleet::{DistanceUnit, Outcome, Status, local_day};
use ventmile_model::work::{Entry, Stop, Value};

use super::order_step::{self, StepView};
use super::work::{self, job};
use crate::app::App;
use crate::app::keys::Scope;
use crate::app::sessions::form_key;
use crate::app::stops::standing_stops;
use crate::app::work::Bench;
use crate::board::asked::Choice;
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::live;
use crate::board::posted::{self, Form, Sending, Tried};
use crate::board::refusal::Refusal;
use crate::board::say;
use crate::store::{OrderFile, OrderRecord};

/// What the gates say of the order's work.
#[derive(Debug, Default)]
pub(super) struct Work {
    pub title: String,
    pub cautions: Vec<String>,
    pub steps: Vec<StepView>,
    /// The first step that is not recorded.
    pub next: Option<u32>,
    /// When a reading at or over the limit stopped the order.
    pub stopped_at: Option<DateTime<Utc>>,
    pub isolation_fault: bool,
    pub residual_limit_v: f64,
    /// What is missing to close it as serviced.
    pub missing: Vec<String>,
}

/// What the page shows.
#[derive(Debug)]
pub(super) struct View {
    pub number: String,
    pub unit: String,
    pub depot: String,
    pub zone: Tz,
    pub distance_unit: DistanceUnit,
    pub job: String,
    pub replaces_pack: bool,
    pub status: Status,
    pub reasons: Vec<String>,
    pub has: Option<String>,
    pub lease_until: Option<DateTime<Utc>>,
    pub paused: Option<String>,
    pub planned: Option<String>,
    pub short_of: Vec<String>,
    pub outcome: Option<Outcome>,
    pub stops: Vec<Stop>,
    pub work: Option<Work>,
    pub people: Vec<Choice>,
    pub gear: Vec<Choice>,
    pub version: i64,
    /// What the keys of its forms begin with; none where the key may not work or nothing is left to do.
    pub once: Option<String>,
    pub tried: Option<Tried>,
}

/// High voltage: said on every order, whatever its procedure says.
const CAUTION: &str = "High voltage. The vehicle maker's procedure, local codes and licensed practice come first. Only trained \
    people work on the high-voltage system. Modules inside a pack stay live whatever a meter shows at its terminals.";

impl View {
    pub(super) fn may_record(&self) -> bool {
        self.once.is_some() && self.status == Status::InProcess && self.paused.is_none()
    }

    /// A form of the order's that does `act`.
    pub(super) fn form(
        &self,
        visitor: &Visitor,
        act: &str,
        button: &str,
        inner: impl FnOnce(&Form<'_>) -> Markup,
    ) -> Markup {
        let Some(once) = &self.once else { return html! {} };
        let form = Form::new(visitor, act, self.tried.as_ref());
        let says = format!("{}: {button}", self.number);
        let sending = Sending { about: &self.number, says: &says, once, version: Some(self.version) };
        form.around(&format!("{}/{act}", work::address(&self.number)), &sending, button, &inner(&form))
    }

    /// Whether this form was refused, so that it is shown open.
    fn was_tried(&self, act: &str) -> bool {
        self.tried.as_ref().is_some_and(|tried| tried.form == act)
    }

    fn aside(&self, visitor: &Visitor, act: &str, title: &str, inner: impl FnOnce(&Form<'_>) -> Markup) -> Markup {
        html! {
            details open[self.was_tried(act)] {
                summary { (title) }
                (self.form(visitor, act, title, inner))
            }
        }
    }

    fn by(&self, form: &Form<'_>) -> Markup {
        form.person("by", "Who", &self.people, self.has.as_deref())
    }
}

fn stops(view: &View) -> Markup {
    let isolation = view.work.as_ref().is_some_and(|work| work.isolation_fault);
    html! {
        @if !view.stops.is_empty() || isolation {
            section.stop aria-labelledby="stop" {
                h2 #stop { "■ Stop" }
                @for stop in &view.stops {
                    p { strong { (stop.code) ": " (stop.notice.does) "." } " " (stop.notice.means) ", confirmed "
                        (say::time(stop.since, view.zone)) "." }
                }
                @if isolation { p { strong { "An isolation fault stands or may stand: the body may be live. Only people qualified for it touch the car." } } }
            }
        }
        @if let Some(at) = view.work.as_ref().and_then(|work| work.stopped_at) {
            section.stop aria-labelledby="reading" {
                h2 #reading { "■ A reading stopped this order" }
                p { "At " (say::time(at, view.zone)) " a point that must be dead was at or over the limit. Keep off. Lock out and measure anew: nothing else is taken until then." }
            }
        }
    }
}

fn cautions(view: &View) -> Markup {
    html! {
        section.cautions aria-labelledby="mind" {
            h2 #mind { "▲ Before anything else" }
            ul {
                li { (CAUTION) }
                @for caution in view.work.iter().flat_map(|work| &work.cautions) { li { (caution) } }
                @if let Some(work) = view.work.as_ref().filter(|work| work.residual_limit_v > 0.0) {
                    li { "Dead means below " (work.residual_limit_v) " V at the points measured." }
                }
            }
        }
    }
}

fn standing(view: &View) -> Markup {
    let words = match (view.status, &view.paused, &view.has) {
        (Status::NeedsAction, _, None) => "Waits for somebody to take it.".to_owned(),
        (Status::NeedsAction, _, Some(has)) => format!("Taken by {has}, not begun."),
        (Status::InProcess, Some(why), _) => format!("Work rests: {why}."),
        (Status::InProcess, None, has) => format!("{} is at work.", has.as_deref().unwrap_or("Somebody")),
        (Status::Completed, ..) => format!("Closed: {}.", view.outcome.map_or("", Outcome::as_str)),
        (Status::Cancelled, ..) => "Cancelled.".to_owned(),
    };
    html! {
        p.lead { (words) }
        @if let Some(until) = view.lease_until.filter(|_| view.status == Status::NeedsAction) {
            p { "Kept until " (say::time(until, view.zone)) "; then it waits for somebody again." }
        }
        @if let Some(planned) = &view.planned { p { "Planned " (planned) "." } }
        @if !view.short_of.is_empty() { p { "Parts that are not here: " (view.short_of.join(", ")) "." } }
        @for reason in &view.reasons { p.note { (reason) } }
    }
}

/// What to do with the order now: the one or two acts that come next, big.
fn now(view: &View, visitor: &Visitor) -> Markup {
    html! {
        @match (view.status, view.paused.is_some()) {
            (Status::NeedsAction, _) => {
                @if view.has.is_none() { (view.form(visitor, "accept", "Take this order", |form| view.by(form))) }
                (view.form(visitor, "start", "Begin work", |form| view.by(form)))
            },
            (Status::InProcess, true) => (view.form(visitor, "resume", "Go on", |form| view.by(form))),
            _ => {},
        }
    }
}

fn complete(view: &View, visitor: &Visitor) -> Markup {
    let choice = |outcome: &str, words: &str| (outcome.to_owned(), words.to_owned());
    let outcomes = [
        choice("serviced", "the whole job is done"),
        choice("partly", "a part of it is done"),
        choice("not-done", "nothing is done"),
    ];
    let because: Vec<Choice> =
        ventmile_model::fleet::RemovedBecause::ALL.iter().map(|it| choice(it.as_str(), it.as_str())).collect();
    html! {
        section aria-labelledby="close" {
            h2 #close { "Close the order" }
            @if let Some(work) = view.work.as_ref().filter(|work| !work.missing.is_empty()) {
                details {
                    summary { "Before the whole job counts as done: " (say::count(work.missing.len(), "thing")) " missing" }
                    ul { @for missing in &work.missing { li { (missing) } } }
                }
            }
            (view.form(visitor, "complete", "Close the order", |form| html! {
                (form.choose("radio", "outcome", "What came of it", &outcomes, None))
                (form.number("odometer", &format!("Odometer now, {}", view.distance_unit), None))
                (view.by(form))
                @if view.replaces_pack {
                    (form.choose("radio", "removed_because", "Why the old pack came out", &because, Some("condition")))
                }
                (form.number("hours", "Hours worked (if you keep them)", None))
                (form.line("note", "What else is to be noted", "text", None))
            }))
        }
    }
}

fn others(view: &View, visitor: &Visitor) -> Markup {
    let reason = |form: &Form<'_>| html! { (view.by(form)) (form.line("reason", "Why", "text", None)) };
    html! {
        section aria-labelledby="otherwise" {
            h2 #otherwise { "Otherwise" }
            @if view.status == Status::NeedsAction { (view.aside(visitor, "decline", "Say no to this order", reason)) }
            @if view.status == Status::InProcess {
                @if view.paused.is_none() { (view.aside(visitor, "pause", "Let the work rest", reason)) }
                (view.aside(visitor, "hand-over", "Hand it over", |form| html! {
                    (view.by(form))
                    (form.person("to", "To whom", &view.people, None))
                }))
                (view.aside(visitor, "expected-back", "It takes longer", |form| html! {
                    (form.line("at", "When the car is back, local time", "datetime-local", None))
                    (form.line("reason", "Why", "text", None))
                }))
            }
        }
    }
}

pub(super) fn page(view: &View, visitor: &Visitor) -> Markup {
    html! {
        nav.crumbs aria-label="Where this is" { a href="/board/work" { "Work" } }
        h1 { (view.unit) ": " (view.job) " " small { (view.number) " · " (view.depot) } }
        div #unsent aria-live="polite" {}
        (stops(view))
        (cautions(view))
        (standing(view))
        (now(view, visitor))
        @if let Some(work) = &view.work { (order_step::list(view, work, visitor)) }
        @if view.once.is_some() {
            @if view.status.is_open() { (complete(view, visitor)) (others(view, visitor)) }
        }
    }
}

/// What was recorded at a step, in words.
pub(super) fn told(entry: &Entry) -> String {
    let value = |value: &Value| match value {
        Value::Number(number) => number.to_string(),
        Value::Text(text) => text.clone(),
    };
    let mut parts: Vec<String> = vec![entry.people().join(" and ")];
    parts.extend(entry.records.iter().map(|(name, found)| format!("{} {}", name.replace('_', " "), value(found))));
    if !entry.gear.is_empty() {
        parts.push(format!("with {}", entry.gear.join(", ")));
    }
    parts.join("; ")
}

fn work_of(app: &App, order: &OrderRecord, file: &OrderFile, now: DateTime<Utc>) -> Option<Work> {
    let bench = Bench::of(&app.settings.work, order, file, now)?;
    let holder = order.order.settled(now).assigned_to;
    let next = bench.next_step(holder.as_deref(), now);
    let counts = |at: DateTime<Utc>| order.reopened_at.is_none_or(|from| from <= at);
    let procedure = bench.job().procedure;
    let stopped_at = bench.job().stopped(now).map(|entry| entry.at);
    let missing = bench.missing_to_close(Outcome::Serviced, app.settings.work.records, now);
    let ahead = next.as_ref().map(|(number, missing)| (*number, missing.as_slice()));
    let entries = |number: u32| file.entries.iter().filter(move |it| it.entry.step == number && counts(it.entry.at));
    let step = |step: &ventmile_model::work::Step| StepView {
        step: step.clone(),
        entries: entries(step.number).map(|it| (it.entry.clone(), it.late)).collect(),
        missing: ahead
            .filter(|(number, _)| *number == step.number)
            .map_or_else(Vec::new, |(_, missing)| missing.iter().map(|fault| fault.says.clone()).collect()),
    };
    Some(Work {
        title: procedure.title.clone(),
        cautions: procedure.cautions.clone(),
        steps: procedure.steps.iter().map(step).collect(),
        next: next.as_ref().map(|(number, _)| *number),
        stopped_at,
        isolation_fault: bench.isolation_fault,
        residual_limit_v: if procedure.touches_high_voltage() { bench.residual_limit_v() } else { 0.0 },
        missing: missing.into_iter().map(|fault| fault.says).collect(),
    })
}

async fn view_of(
    app: &App,
    visitor: &Visitor,
    record: &OrderRecord,
    file: &OrderFile,
    tried: Option<Tried>,
) -> Result<View, Refusal> {
    let now = app.now();
    let order = record.order.settled(now);
    let may = visitor.may(Scope::Work) && order.status.is_open();
    let plan = order.plan.as_ref();
    let reasons = std::iter::once(&record.reason).chain(record.joined.iter().map(|it| &it.reason));
    let here = file.gear.iter().filter(|piece| piece.depot == record.depot && piece.retired_on.is_none());
    Ok(View {
        number: crate::store::order_number(record.id),
        unit: record.unit.clone(),
        depot: record.depot.clone(),
        zone: record.zone,
        distance_unit: record.distance_unit,
        job: job(record.kind),
        replaces_pack: record.kind == ventmile_model::fleet::Kind::PackReplacement,
        status: order.status,
        reasons: reasons.map(|reason| say::in_words(reason, local_day(now, record.zone))).collect(),
        has: order.assigned_to.clone(),
        lease_until: order.lease_until,
        paused: order.paused.as_ref().map(|pause| pause.reason.clone()),
        planned: plan
            .map(|plan| format!("{} at {}, bay {}", say::short_day(plan.on), plan.start.format("%H:%M"), plan.bay)),
        short_of: record.short_of.clone(),
        outcome: order.completion.as_ref().map(|done| done.outcome),
        stops: standing_stops(&record.stop_codes, record.zone, now),
        work: work_of(app, record, file, now),
        people: work::people(app, visitor, Some(&record.depot)).await?,
        gear: here.map(|piece| (piece.id.clone(), format!("{} {}", piece.kind().as_str(), piece.id))).collect(),
        version: record.version,
        once: may.then(form_key).transpose()?,
        tried,
    })
}

/// The page of an order, with what was tried on it.
pub(super) async fn shown(
    app: &App,
    visitor: &Visitor,
    number: &str,
    tried: Option<Tried>,
) -> Result<Response, Refusal> {
    let refused = tried.is_some();
    let since = live::Since::now(app).await?;
    let found = app.store.find_order_file(number, &posted::reading(app, visitor)).await?;
    let (record, file) = found.ok_or_else(|| Refusal::missing("work order", number))?;
    let made = Made { at: app.now(), zone: record.zone };
    let view = view_of(app, visitor, &record, &file, tried).await?;
    let title = format!("{} {}", view.number, view.unit);
    let frame =
        Frame { title: &title, here: "/board/work", visitor: Some(visitor), made, scripts: &["keep.js", "live.js"] };
    let page = frame.page(&html! { (since.place(None, Some(&view.unit))) (page(&view, visitor)) });
    Ok(if refused { (StatusCode::UNPROCESSABLE_ENTITY, page).into_response() } else { page })
}

pub(in crate::board) async fn show(
    State(app): State<App>,
    visitor: Visitor,
    Path(number): Path<String>,
) -> Result<Response, Refusal> {
    shown(&app, &visitor, &number, None).await
}
