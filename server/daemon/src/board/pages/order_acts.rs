//! What the forms of an order do.

use axum::extract::{Path, State};
use axum::response::Response;
use chrono::{DateTime, NaiveDateTime, TimeZone, Utc};
use ventmile_model::fleet::{Act, Completion, ExpectedBack, Outcome, RemovedBecause};
use ventmile_model::work::{self as model, Ask, Entry};

use super::order;
use super::work::address;
use crate::app::App;
use crate::board::guard::Visitor;
use crate::board::posted::{self, Fields, Reader};
use crate::board::refusal::Refusal;
use crate::store::{Answer, Closing, Conflict, EntryRecord, OrderFile, OrderRecord, StoreError, Writing};
use crate::values;

type Done = Result<Answer, StoreError>;

/// The order and its file, where the visitor may see them.
async fn find(app: &App, visitor: &Visitor, number: &str) -> Result<(OrderRecord, OrderFile), Refusal> {
    let found = app.store.find_order_file(number, &posted::reading(app, visitor)).await?;
    found.ok_or_else(|| Refusal::missing("work order", number))
}

/// Onward when it was done; else the order's page with what was typed.
async fn answered(
    app: &App,
    visitor: &Visitor,
    number: &str,
    form: &str,
    fields: Fields,
    done: Done,
) -> Result<Response, Refusal> {
    match done {
        Ok(answer) => Ok(posted::onward(&answer)),
        Err(error) => order::shown(app, visitor, number, Some(posted::tried(visitor, form, fields, error)?)).await,
    }
}

/// A local time, as a field of the kind `datetime-local` sends it.
pub(super) fn local_time(text: &str, zone: chrono_tz::Tz) -> Result<DateTime<Utc>, String> {
    let formats = ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"];
    let read = formats.iter().find_map(|format| NaiveDateTime::parse_from_str(text, format).ok());
    let at = read.and_then(|local| zone.from_local_datetime(&local).earliest()).map(|at| at.to_utc());
    at.ok_or_else(|| "give a local date and time such as 2026-03-20T17:30".to_owned())
}

fn outcome(text: &str) -> Result<Outcome, String> {
    Outcome::parse(text).ok_or_else(|| "choose what came of it".to_owned())
}

fn completion(reader: &mut Reader<'_>, order: &OrderRecord, now: DateTime<Utc>) -> (Option<Act>, Closing) {
    let (came, by) = (reader.need("outcome", outcome), reader.name("by"));
    let odometer = reader.maybe("odometer", |text| posted::odometer(text, order.distance_unit));
    let note = reader.remark("note");
    let hours = |text: &str| {
        let hours = posted::number(text)?;
        let fits = (0.0..=1000.0).contains(&hours);
        if fits { Ok((hours * 60.0).round() as i64) } else { Err("give 0 to 1000 hours".to_owned()) }
    };
    let because = |text: &str| RemovedBecause::parse(text).ok_or_else(|| "choose why it came out".to_owned());
    let closing = Closing {
        labour_minutes: reader.maybe("hours", hours),
        removed_because: reader.maybe("removed_because", because),
        ..Closing::default()
    };
    let done = came.zip(by).map(|(outcome, by)| Act::Complete(Completion { outcome, at: now, odometer, by, note }));
    (done, closing)
}

/// The act that a form asks for; `None` where there is none of this name.
fn act_of(
    app: &App,
    name: &str,
    fields: &Fields,
    order: &OrderRecord,
    now: DateTime<Utc>,
) -> Option<Result<(Act, Closing), Conflict>> {
    let mut reader = Reader::new(fields);
    let mut closing = Closing::default();
    let act = match name {
        "accept" => reader.name("by").map(|by| Act::Accept { by, lease: app.lease(None) }),
        "start" => reader.name("by").map(|by| Act::Start { by: Some(by) }),
        "resume" => reader.name("by").map(|by| Act::Resume { by }),
        "hand-over" => {
            let (by, to) = (reader.name("by"), reader.name("to"));
            by.zip(to).map(|(by, to)| Act::HandOver { by, to })
        }
        "decline" | "pause" => {
            let (by, reason) = (reader.name("by"), reader.words("reason"));
            let act = |(by, reason)| {
                if name == "pause" { Act::Pause { by, reason } } else { Act::Decline { by, reason } }
            };
            by.zip(reason).map(act)
        }
        "expected-back" => {
            let (at, reason) = (reader.need("at", |text| local_time(text, order.zone)), reader.words("reason"));
            at.zip(reason).map(|(at, reason)| Act::Overrun(ExpectedBack { at, reason }))
        }
        "complete" => {
            let (act, told) = completion(&mut reader, order, now);
            closing = told;
            act
        }
        _ => return None,
    };
    Some(reader.finish(act).map(|act| (act, closing)))
}

pub(in crate::board) async fn act(
    State(app): State<App>,
    visitor: Visitor,
    Path((number, name)): Path<(String, String)>,
    fields: Fields,
) -> Result<Response, Refusal> {
    let (order, _) = find(&app, &visitor, &number).await?;
    let writing = fields.writing(&app, &visitor, &format!("board work {number} {name}"))?;
    let done = match act_of(&app, &name, &fields, &order, writing.now).ok_or_else(Refusal::no_page)? {
        Ok((act, closing)) => {
            let lead = |_: &OrderRecord| posted::leads_to(&address(&number));
            app.act(&number, fields.if_match(), act, &closing, &writing, lead).await
        }
        Err(conflict) => Err(conflict.into()),
    };
    answered(&app, &visitor, &number, &name, fields, done).await
}

/// The entry that a step's form tells.
fn entry(fields: &Fields, step: &model::Step, now: DateTime<Utc>) -> Result<Entry, Conflict> {
    let mut reader = Reader::new(fields);
    let by = reader.name("by");
    let done_at = reader.maybe("done_at", values::instant).unwrap_or(now);
    let mut records = std::collections::BTreeMap::new();
    for (name, text) in fields.under("records/") {
        let field = format!("records/{name}");
        let asked = step.records.iter().find(|record| record.name == name).map(|record| &record.ask);
        let value = match asked {
            Some(Ask::Number { .. } | Ask::Residual) => reader.maybe(&field, posted::number).map(model::Value::Number),
            _ => reader.maybe(&field, |text| values::free_text(text, values::LONGEST_TEXT)).map(model::Value::Text),
        };
        records.insert(name.to_owned(), value.unwrap_or_else(|| model::Value::Text(text.to_owned())));
    }
    let mut names = |field: &str| -> Vec<String> {
        let all = fields.all(field).map(|text| values::name(text, values::LONGEST_NAME));
        all.filter_map(|read| read.map_err(|says| reader.wrong(field, says)).ok()).collect()
    };
    let (with, gear) = (names("with"), names("gear"));
    reader.finish(by.map(|by| Entry { step: step.number, at: now, done_at, by, with, records, gear }))
}

async fn recorded(app: &App, number: &str, fields: &Fields, step: &model::Step, writing: &Writing) -> Done {
    let entry = entry(fields, step, writing.now)?;
    let place = format!("{}#step-{}", address(number), step.number);
    let lead = |_: &OrderRecord, _: &EntryRecord| posted::leads_to(&place);
    app.record_step(number, fields.if_match(), &entry, writing, lead).await
}

pub(in crate::board) async fn record(
    State(app): State<App>,
    visitor: Visitor,
    Path((number, n)): Path<(String, String)>,
    fields: Fields,
) -> Result<Response, Refusal> {
    let (_, file) = find(&app, &visitor, &number).await?;
    let procedure = file.procedure.as_ref();
    let step = n.parse().ok().and_then(|n| procedure?.step(n)).ok_or_else(|| Refusal::missing("step", &n))?;
    let writing = fields.writing(&app, &visitor, &format!("board work {number} steps {n}"))?;
    let done = recorded(&app, &number, &fields, step, &writing).await;
    answered(&app, &visitor, &number, &format!("steps/{n}"), fields, done).await
}

#[cfg(test)]
mod tests {
    use ventmile_model::work::{Needs, Record, Role, Value};

    use super::*;

    #[test]
    fn an_entry_is_read_by_what_the_step_records() {
        let record = |name: &str, ask| Record { name: name.to_owned(), ask, required: true };
        let step = model::Step {
            number: 3,
            title: String::new(),
            text: String::new(),
            role: Role::Plain,
            opens_high_voltage: false,
            needs: Needs::default(),
            records: vec![record("volts", Ask::Residual), record("seen", Ask::Text)],
        };
        let now = "2026-03-18T16:00:00Z".parse().unwrap();
        let read = |form: &[u8]| entry(&Fields::read(form), &step, now);
        let good = read(b"by=kim&with=lee&with=&gear=G-1&records/volts=1,5&records/seen=7").unwrap();
        assert_eq!(
            (good.step, good.with.as_slice(), good.gear.as_slice()),
            (3, &["lee".to_owned()][..], &["G-1".to_owned()][..])
        );
        assert_eq!(good.records["volts"], Value::Number(1.5));
        assert_eq!(good.records["seen"], Value::Text("7".to_owned()));
        let Err(Conflict::Body(faults)) = read(b"records/volts=much&done_at=noon") else { panic!("it is refused") };
        let at: Vec<&str> = faults.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(at, ["/by", "/done_at", "/records/volts"]);
    }

    #[test]
    fn a_local_time_is_that_of_the_depot() {
        let at = local_time("2026-03-20T17:30", chrono_tz::Tz::America__New_York).unwrap();
        assert_eq!(at.to_rfc3339(), "2026-03-20T21:30:00+00:00");
        assert!(local_time("tomorrow", chrono_tz::Tz::UTC).is_err());
    }
}
