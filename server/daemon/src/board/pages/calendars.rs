//! Calendars: the day's slots and cars to bring in, in a calendar program of one's own.

use axum::extract::State;
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Redirect, Response};
use chrono_tz::Tz;
use maud::{Markup, html};
use serde::{Deserialize, Serialize};

use super::cars::{choices, depots_seen};
use crate::app::App;
use crate::app::keys::Scope;
use crate::app::sessions::form_key;
use crate::board::asked::Choice;
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::posted::{self, Reader};
use crate::board::posted::{Fields, Form, Sending, Tried};
use crate::board::refusal::Refusal;
use crate::board::say;
use crate::store::{Answer, CalendarRecord, StoreError};

/// What the page shows.
#[derive(Debug)]
struct View {
    calendars: Vec<CalendarRecord>,
    depots: Vec<Choice>,
    made: Made,
    /// What the keys of its forms begin with; none where the key may not plan.
    once: Option<String>,
    tried: Option<Tried>,
}

/// A calendar that was just made.
#[derive(Debug, Serialize, Deserialize)]
struct New {
    depot: String,
    name: String,
    /// Its secret; none where it was shown before.
    secret: Option<String>,
}

fn one(calendar: &CalendarRecord, view: &View, visitor: &Visitor) -> Markup {
    let name = format!("revoke/{}", calendar.id);
    let form = Form::new(visitor, &name, view.tried.as_ref());
    html! {
        li {
            strong { (calendar.name) } " " small { (calendar.depot) }
            p.note {
                "made " (say::time(calendar.created_at, view.made.zone)) " with the key “" (calendar.added_by) "”"
                @if let Some(at) = calendar.revoked_at { "; its address was taken back " (say::time(at, view.made.zone)) }
            }
            @if let Some(once) = view.once.as_ref().filter(|_| calendar.revoked_at.is_none()) {
                details open[view.tried.as_ref().is_some_and(|tried| tried.form == name)] {
                    summary { "Take back the address of " (calendar.name) }
                    p { "Whoever has it reads no more." }
                    (form.plain(
                        "/board/calendars/revoke",
                        &Sending { about: &name, says: "Take back an address", once, version: None },
                        "Take it back",
                        &html! { input type="hidden" name="id" value=(calendar.id); },
                    ))
                }
            }
        }
    }
}

fn page(view: &View, visitor: &Visitor) -> Markup {
    let form = Form::new(visitor, "add", view.tried.as_ref());
    html! {
        nav.crumbs aria-label="Where this is" { a href="/board/day" { "The day" } }
        h1 { "Calendars" }
        p.lead {
            "A depot's slots, the cars to bring in and those to be stopped, read by a calendar program at an address of their own. \
             Whoever has the address can read, without a key: give it to nobody else, and take it back when it has got about."
        }
        @if view.calendars.is_empty() { p { "There is none yet." } }
        @else { ul.lines { @for calendar in &view.calendars { (one(calendar, view, visitor)) } } }
        @if let Some(once) = &view.once {
            section aria-labelledby="add" {
                h2 #add { "Make one" }
                (form.plain(
                    "/board/calendars/add",
                    &Sending { about: "calendar", says: "Make a calendar", once, version: None },
                    "Make the address",
                    &html! {
                        (form.choose("radio", "depot", "Depot", &view.depots, only(&view.depots)))
                        (form.line("name", "Who reads it, such as “dispatcher's phone”", "text", None))
                    },
                ))
            }
        }
    }
}

/// The only choice there is.
fn only(choices: &[Choice]) -> Option<&str> {
    match choices {
        [(value, _)] => Some(value),
        _ => None,
    }
}

/// The one time that an address is seen.
fn address(new: &New, origin: &str) -> Markup {
    html! {
        nav.crumbs aria-label="Where this is" { a href="/board/calendars" { "Calendars" } }
        h1 { "The address of " (new.name) " " small { (new.depot) } }
        @match &new.secret {
            Some(secret) => {
                p.lead { "Copy it now into the calendar program, as a calendar to subscribe to: it is shown this once and kept nowhere." }
                p { code.secret { (origin) "/v1/calendars/" (secret) ".ics" } }
            },
            None => p { "This was done before, and the address was shown then. Take that one back and make another if it is lost." },
        }
        p { a.button href="/board/calendars" { "Back to the calendars" } }
    }
}

/// Where the board is reached, as the browser or the proxy before us says.
fn origin(headers: &HeaderMap) -> String {
    let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
    let scheme = text("x-forwarded-proto").filter(|scheme| *scheme == "https").unwrap_or("http");
    let host = text("x-forwarded-host").or_else(|| text(header::HOST.as_str())).unwrap_or_default();
    format!("{scheme}://{host}")
}

/// More calendars than a fleet has.
const ALL: i64 = 10_000;

async fn shown(app: &App, visitor: &Visitor, tried: Option<Tried>) -> Result<Response, Refusal> {
    let refused = tried.is_some();
    let depots = depots_seen(app, visitor, None).await?;
    let made = Made::now(app, &depots, None);
    let view = View {
        calendars: app.store.calendars(0, visitor.key_depots_of(), ALL).await?,
        depots: choices(&depots),
        made,
        once: visitor.may(Scope::Plan).then(form_key).transpose()?,
        tried,
    };
    let frame = Frame { title: "Calendars", here: "/board/day", visitor: Some(visitor), made, scripts: &[] };
    let page = frame.page(&page(&view, visitor));
    Ok(if refused { (axum::http::StatusCode::UNPROCESSABLE_ENTITY, page).into_response() } else { page })
}

pub(in crate::board) async fn show(State(app): State<App>, visitor: Visitor) -> Result<Response, Refusal> {
    shown(&app, &visitor, None).await
}

async fn added(app: &App, visitor: &Visitor, fields: &Fields) -> Result<Result<Answer, StoreError>, Refusal> {
    let mut reader = Reader::new(fields);
    let depot = reader.need("depot", |code| Ok(code.to_owned()));
    let name = reader.name("name");
    let (depot, name) = match reader.finish(depot.zip(name)) {
        Ok(both) => both,
        Err(conflict) => return Ok(Err(conflict.into())),
    };
    let writing = fields.writing(app, visitor, "board calendars add")?;
    let made = |record: &CalendarRecord, secret: Option<&str>| {
        let new = New { depot: record.depot.clone(), name: record.name.clone(), secret: secret.map(str::to_owned) };
        Answer { status: 200, etag: None, body: serde_json::to_string(&new).unwrap_or_default() }
    };
    Ok(app.add_calendar(depot, name, &writing, made).await)
}

pub(in crate::board) async fn add(
    State(app): State<App>,
    visitor: Visitor,
    headers: HeaderMap,
    fields: Fields,
) -> Result<Response, Refusal> {
    let answer = match added(&app, &visitor, &fields).await? {
        Ok(answer) => answer,
        Err(error) => return shown(&app, &visitor, Some(posted::tried(&visitor, "add", fields, error)?)).await,
    };
    let unread = |fault: serde_json::Error| StoreError::BadRow { column: "answers", value: fault.to_string() };
    let new: New = serde_json::from_str(&answer.body).map_err(unread)?;
    let made = Made { at: app.now(), zone: Tz::UTC };
    let frame =
        Frame { title: "A calendar's address", here: "/board/day", visitor: Some(&visitor), made, scripts: &[] };
    Ok(frame.page(&address(&new, &origin(&headers))))
}

pub(in crate::board) async fn revoke(
    State(app): State<App>,
    visitor: Visitor,
    fields: Fields,
) -> Result<Response, Refusal> {
    let id = fields.get("id").and_then(|id| id.parse().ok()).ok_or_else(|| Refusal::missing("calendar", ""))?;
    let writing = fields.writing(&app, &visitor, "board calendars revoke")?;
    let lead = |_: &CalendarRecord| posted::leads_to("/board/calendars");
    match app.store.revoke_calendar(id, &writing, lead).await {
        Ok(_) => Ok(Redirect::to("/board/calendars").into_response()),
        Err(error) => {
            let tried = posted::tried(&visitor, &format!("revoke/{id}"), fields, error)?;
            shown(&app, &visitor, Some(tried)).await
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::frame::samples::{made, visitor};

    fn calendar(id: i64, revoked: bool) -> CalendarRecord {
        CalendarRecord {
            id,
            depot: "N<1>".to_owned(),
            depot_id: 1,
            name: "<b>phone".to_owned(),
            added_by: "office".to_owned(),
            created_at: made().at,
            revoked_at: revoked.then_some(made().at),
        }
    }

    #[test]
    fn names_are_text_and_what_was_taken_back_is_not_taken_back_again() {
        let view = View {
            calendars: vec![calendar(1, false), calendar(2, true)],
            depots: vec![("N<1>".to_owned(), "North".to_owned())],
            made: made(),
            once: Some("k".to_owned()),
            tried: None,
        };
        let text = page(&view, &visitor(&[Scope::Read, Scope::Plan])).into_string();
        assert!(text.contains("&lt;b&gt;phone") && !text.contains("<b>") && !text.contains("<1>"), "{text}");
        assert_eq!(text.matches(r#"action="/board/calendars/revoke""#).count(), 1, "{text}");
        let view = View { once: None, ..view };
        assert!(!page(&view, &visitor(&[Scope::Read])).into_string().contains("<form"));
    }

    #[test]
    fn an_address_is_shown_once_and_names_where_we_are() {
        let new = |secret: Option<&str>| New {
            depot: "N".to_owned(),
            name: "phone".to_owned(),
            secret: secret.map(str::to_owned),
        };
        let mut headers = HeaderMap::new();
        headers.insert("host", "fleet:7420".parse().unwrap());
        let text = address(&new(Some("s3")), &origin(&headers)).into_string();
        assert!(text.contains("http://fleet:7420/v1/calendars/s3.ics"), "{text}");
        headers.insert("x-forwarded-proto", "https".parse().unwrap());
        assert_eq!(origin(&headers), "https://fleet:7420");
        assert!(address(&new(None), "").into_string().contains("shown then"));
    }
}
