//! What the forms of the day's page do.

use axum::extract::{Path, State};
use axum::response::Response;
use chrono::{DateTime, TimeDelta, Utc};
use ventmile_model::fleet::{Act, Kind};

use super::day::{self, Query};
use super::day_told;
use super::order_acts::local_time;
use crate::app::App;
use crate::app::symptoms::SYMPTOMS;
use crate::board::guard::Visitor;
use crate::board::posted::{self, Fields, Reader};
use crate::board::refusal::Refusal;
use crate::store::{
    Answer, BREAKDOWN, Closing, Conflict, EventRecord, NewEvent, NewWindow, OrderRecord, StoreError, WindowRecord,
    Writing,
};
use crate::values;

type Done = Result<Answer, StoreError>;

/// The page on which a form stood.
fn ground(fields: &Fields) -> Query {
    let text = |name: &str| fields.get(name).map(str::to_owned);
    Query { date: text("date"), depot: text("depot"), told: None }
}

fn back_to(query: &Query) -> Result<String, Refusal> {
    Ok(day::address(day::date_of(query)?, query.depot.as_deref()))
}

/// Onward when it was done; else the day's page with what was typed.
async fn answered(app: &App, visitor: &Visitor, form: &str, fields: Fields, done: Done) -> Result<Response, Refusal> {
    match done {
        Ok(answer) => Ok(posted::onward(&answer)),
        Err(error) => {
            let query = ground(&fields);
            let tried = posted::tried(visitor, form, fields, beside_the_field(error))?;
            day::shown(app, visitor, query, Some(tried)).await
        }
    }
}

/// A unit number that was mistyped is a fault of its field.
fn beside_the_field(error: StoreError) -> StoreError {
    match error {
        StoreError::Conflict(Conflict::Missing { what: "vehicle", name }) => {
            let reason = format!("there is no car “{name}”, or your key may not see it");
            Conflict::Field { field: "unit", reason }.into()
        }
        other => other,
    }
}

/// The dispatcher's yes or no to a slot; `None` where there is no such act.
fn answer_of(name: &str, fields: &Fields) -> Option<Result<Act, Conflict>> {
    let mut reader = Reader::new(fields);
    let act = match name {
        "confirm-slot" => reader.name("by").map(|by| Act::Confirm { by }),
        "refuse-slot" => {
            let (reason, by) = (reader.words("reason"), reader.name("by"));
            by.zip(reason).map(|(by, reason)| Act::Refuse { by, reason })
        }
        _ => return None,
    };
    Some(reader.finish(act))
}

pub(in crate::board) async fn slot(
    State(app): State<App>,
    visitor: Visitor,
    Path((number, name)): Path<(String, String)>,
    fields: Fields,
) -> Result<Response, Refusal> {
    let found = app.store.find_order_file(&number, &posted::reading(&app, &visitor)).await?;
    found.ok_or_else(|| Refusal::missing("work order", &number))?;
    let place = back_to(&ground(&fields))?;
    let act = answer_of(&name, &fields).ok_or_else(Refusal::no_page)?;
    let writing = fields.writing(&app, &visitor, &format!("board day {number} {name}"))?;
    let done = match act {
        Ok(act) => {
            let lead = |_: &OrderRecord| posted::leads_to(&place);
            app.act(&number, fields.if_match(), act, &Closing::default(), &writing, lead).await
        }
        Err(conflict) => Err(conflict.into()),
    };
    answered(&app, &visitor, &format!("{name}/{number}"), fields, done).await
}

fn window(fields: &Fields) -> Result<NewWindow, Conflict> {
    let mut reader = Reader::new(fields);
    let unit = reader.name("unit");
    let from = reader.need("from", values::date);
    let to = reader.maybe("to", values::date).or(from);
    if let (Some(from), Some(to)) = (from, to)
        && to < from
    {
        reader.wrong("to", format!("give {from} or later"));
    }
    let note = reader.remark("note");
    let made = unit.zip(from.zip(to)).map(|(unit, (from, to))| NewWindow { unit, from, to, note });
    reader.finish(made)
}

pub(in crate::board) async fn spare(
    State(app): State<App>,
    visitor: Visitor,
    fields: Fields,
) -> Result<Response, Refusal> {
    let place = back_to(&ground(&fields))?;
    let writing = fields.writing(&app, &visitor, "board day spare")?;
    let lead = |_: &WindowRecord| posted::leads_to(&place);
    let done = match window(&fields) {
        Ok(new) => app.store.add_release_window(new, &writing, lead).await,
        Err(conflict) => Err(conflict.into()),
    };
    answered(&app, &visitor, "spare", fields, done).await
}

pub(in crate::board) async fn withdraw(
    State(app): State<App>,
    visitor: Visitor,
    Path(id): Path<String>,
    fields: Fields,
) -> Result<Response, Refusal> {
    let place = back_to(&ground(&fields))?;
    let number = id.parse().map_err(|_| Refusal::missing("time to spare", &id))?;
    let writing = fields.writing(&app, &visitor, &format!("board day spare {id} withdraw"))?;
    let lead = |_: &WindowRecord| posted::leads_to(&place);
    let done = app.store.withdraw_release_window(number, &writing, lead).await;
    answered(&app, &visitor, &format!("withdraw/{id}"), fields, done).await
}

/// An event may be told for so long ahead of our clock.
const AHEAD: TimeDelta = TimeDelta::minutes(5);

/// The zone of a car's depot; UTC where the visitor sees no such car, which the store will say.
async fn zone_of(app: &App, visitor: &Visitor, fields: &Fields) -> Result<chrono_tz::Tz, StoreError> {
    let Some(unit) = fields.get("unit") else { return Ok(chrono_tz::UTC) };
    let car = app.store.find_vehicle(unit).await?.filter(|car| visitor.caller.actor.may_see(&car.depot));
    Ok(car.map_or(chrono_tz::UTC, |car| car.zone))
}

/// What happened to a car, with what it calls for.
fn event(
    fields: &Fields,
    what: Option<(&'static str, Option<Kind>)>,
    zone: chrono_tz::Tz,
    now: DateTime<Utc>,
) -> Result<NewEvent, Conflict> {
    let mut reader = Reader::new(fields);
    let unit = reader.name("unit");
    let symptom =
        |text: &str| SYMPTOMS.into_iter().find(|(name, _)| *name == text).ok_or_else(|| "choose one".to_owned());
    let what = what.or_else(|| reader.need("symptom", symptom));
    let happened = |text: &str| match local_time(text, zone)? {
        at if at > now + AHEAD => Err("it cannot be later than now".to_owned()),
        at => Ok(at),
    };
    let at = reader.maybe("at", happened).unwrap_or(now);
    let (told, told_by) = (reader.words("told"), reader.name("by"));
    let made = unit.zip(what).zip(told.zip(told_by)).map(|((unit, (what, calls_for)), (told, told_by))| NewEvent {
        unit,
        what,
        at,
        told,
        told_by,
        calls_for,
    });
    reader.finish(made)
}

async fn told(app: &App, place: &str, new: NewEvent, writing: &Writing) -> Done {
    let joint = if place.contains('?') { '&' } else { '?' };
    let lead = |record: &EventRecord| posted::leads_to(&format!("{place}{joint}told={}", day_told::name_of(record)));
    let done = app.store.add_car_event(new, writing, lead).await?;
    app.news.notify_one();
    Ok(done)
}

async fn tell(
    app: &App,
    visitor: &Visitor,
    form: &str,
    what: Option<(&'static str, Option<Kind>)>,
    fields: Fields,
) -> Result<Response, Refusal> {
    let place = back_to(&ground(&fields))?;
    let zone = zone_of(app, visitor, &fields).await?;
    let writing = fields.writing(app, visitor, &format!("board day {form}"))?;
    let done = match event(&fields, what, zone, writing.now) {
        Ok(new) => told(app, &place, new, &writing).await,
        Err(conflict) => Err(conflict.into()),
    };
    answered(app, visitor, form, fields, done).await
}

pub(in crate::board) async fn report(
    State(app): State<App>,
    visitor: Visitor,
    fields: Fields,
) -> Result<Response, Refusal> {
    tell(&app, &visitor, "reports", None, fields).await
}

pub(in crate::board) async fn breakdown(
    State(app): State<App>,
    visitor: Visitor,
    fields: Fields,
) -> Result<Response, Refusal> {
    tell(&app, &visitor, "breakdowns", Some((BREAKDOWN, Some(Kind::PackAssessment))), fields).await
}

#[cfg(test)]
mod tests {
    use super::*;

    fn faults(conflict: Conflict) -> Vec<String> {
        let Conflict::Body(faults) = conflict else { panic!("{conflict:?}") };
        faults.into_iter().map(|fault| fault.pointer).collect()
    }

    #[test]
    fn days_to_spare_are_one_or_more() {
        let read = |form: &[u8]| window(&Fields::read(form));
        let one = read(b"unit=7&from=2026-03-20").unwrap();
        assert_eq!((one.from, one.to, one.note), (one.from, one.from, None));
        assert_eq!(faults(read(b"unit=7&from=2026-03-20&to=2026-03-19").unwrap_err()), ["/to"]);
        assert_eq!(faults(read(b"from=soon").unwrap_err()), ["/unit", "/from"]);
    }

    #[test]
    fn a_report_is_of_the_past_and_names_a_symptom() {
        let now = "2026-03-18T16:00:00Z".parse().unwrap();
        let zone = chrono_tz::Tz::America__New_York;
        let read = |form: &[u8], what| event(&Fields::read(form), what, zone, now);
        let good = read(b"unit=7&symptom=fan-noise&told=howls&by=31&at=2026-03-18T08:00", None).unwrap();
        assert_eq!((good.what, good.at.to_rfc3339().as_str()), ("fan-noise", "2026-03-18T12:00:00+00:00"));
        let wrong = read(b"unit=7&told=howls&by=31&at=2026-03-18T13:00", None).unwrap_err();
        assert_eq!(faults(wrong), ["/symptom", "/at"]);
        let down = read(b"unit=7&told=towed&by=31", Some((BREAKDOWN, Some(Kind::PackAssessment)))).unwrap();
        assert_eq!((down.what, down.at), (BREAKDOWN, now));
    }
}
