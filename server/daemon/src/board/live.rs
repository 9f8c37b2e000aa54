//! News without a reload: a stream that tells an open page that something has changed, and the place on the page where
//! `live.js` says so. What stands on the page is always asked for anew; without scripts there is just no news.

use std::convert::Infallible;
use std::sync::atomic::Ordering;
use std::time::Duration;

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::{StreamExt, stream};
use maud::{Markup, html};
use serde::Deserialize;
use serde_json::{Value, json};

use super::asked::Asked;
use super::guard::{Visitor, secret_of};
use super::refusal::Refusal;
use crate::app::App;
use crate::app::streams::{Heard, Holder, NoSeat};
use crate::store::{PublishedEvent, StoreError, StreamFilter};

/// A quiet stream says so at least this often, in seconds: `live.js` holds it for lost after three times as long.
const HEARTBEAT_S: u64 = 10;

/// What a page wants to hear of, and from where on.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Query {
    depot: Option<String>,
    unit: Option<String>,
    after: Option<i64>,
}

/// How far the news had got when a page was made. It is to be asked for before anything that the page shows, so that nothing
/// falls between.
#[derive(Clone, Copy, Debug)]
pub(super) struct Since {
    event: i64,
    forecasts: u64,
}

impl Since {
    /// As far as it has got now.
    pub(super) async fn now(app: &App) -> Result<Self, StoreError> {
        Ok(Self { event: app.last_event().await?, forecasts: app.forecasts_made.load(Ordering::Relaxed) })
    }

    /// The place of the news on a page about a depot or a car, or about all.
    pub(super) fn place(self, depot: Option<&str>, unit: Option<&str>) -> Markup {
        let mut query = form_urlencoded::Serializer::new(String::new());
        for (name, value) in [("depot", depot), ("unit", unit)] {
            query.extend_pairs(value.map(|value| (name, value)));
        }
        let address = format!("/board/live?{}", query.finish());
        html! {
            div #news role="status" data-live=(address) data-after=(self.event) data-forecasts=(self.forecasts) {}
        }
    }
}

/// The answer of a stream: it is counted like those of the interface, and ends with the session.
pub(super) async fn follow(
    State(app): State<App>,
    visitor: Visitor,
    headers: HeaderMap,
    Asked(query): Asked<Query>,
) -> Result<Response, Refusal> {
    visitor.sees(query.depot.as_deref())?;
    let secret = secret_of(&headers).unwrap_or_default().to_owned();
    let (at, forgotten) = match app.stream_from(query.after).await? {
        Ok(at) => (at, false),
        Err(_) => (app.last_event().await?, true),
    };
    let filter = StreamFilter { depot: query.depot, ..StreamFilter::default() };
    let heartbeat = Duration::from_secs(app.settings.events.heartbeat_seconds.min(HEARTBEAT_S));
    let follower = app.follow(&visitor.caller, Holder::Session(secret), filter, at, heartbeat).map_err(no_seat)?;
    let first = if forgotten { much(at) } else { alive(&app).id(at.to_string()) };
    let later = stream::unfold((app, follower, query.unit), |(app, mut follower, unit)| async move {
        let event = loop {
            match follower.next().await? {
                Heard::Nothing => break alive(&app),
                Heard::Event(event) => match news(&event, unit.as_deref()) {
                    Some(news) => break news,
                    None => continue,
                },
            }
        };
        Some((event, (app, follower, unit)))
    });
    let told = stream::iter([first]).chain(later).map(Ok::<_, Infallible>);
    // A proxy that gathers what it passes on would hold news back.
    Ok(([("x-accel-buffering", "no")], Sse::new(told)).into_response())
}

fn no_seat(reason: NoSeat) -> Refusal {
    let status = match reason {
        NoSeat::Key => StatusCode::TOO_MANY_REQUESTS,
        NoSeat::All => StatusCode::SERVICE_UNAVAILABLE,
    };
    let says =
        "As many pages are open as may hear of news at once (events.streams_per_key, events.streams). Close some.";
    Refusal { wait_s: Some(HEARTBEAT_S), ..Refusal::new(status, "Too many open pages", says) }
}

/// That the stream lives, and how many times forecasts have been made anew.
fn alive(app: &App) -> Event {
    Event::default().event("alive").data(app.forecasts_made.load(Ordering::Relaxed).to_string())
}

/// More has happened than is kept.
fn much(at: i64) -> Event {
    let says = json!({"says": "more than can be told one by one"});
    Event::default().id(at.to_string()).event("news").data(says.to_string())
}

/// What happened, for a page about this car; `None` where it is about another one. What it says in full stands on the page only.
fn news(event: &PublishedEvent, of_unit: Option<&str>) -> Option<Event> {
    let data: Value = serde_json::from_str(&event.data).unwrap_or_default();
    let unit = data.get("unit").and_then(Value::as_str);
    if of_unit.is_some() && unit != of_unit {
        return None;
    }
    let number = data.get("number").and_then(Value::as_str);
    let told = json!({
        "type": event.event_type, "unit": unit, "number": number, "depot": event.depot,
        "says": says(&event.event_type, unit.unwrap_or(&event.subject), number),
    });
    Some(Event::default().id(event.id.to_string()).event("news").data(told.to_string()))
}

/// An event in a few words, such as `V104: WO-00012 slot confirmed`.
fn says(event_type: &str, about: &str, number: Option<&str>) -> String {
    let (kind, what) = event_type.split_once('.').unwrap_or(("", event_type));
    let what = what.replace('-', " ");
    match (kind, number) {
        ("work-order", Some(number)) => format!("{about}: {number} {what}"),
        ("forecast", _) => format!("{about}: forecast {what}"),
        _ => format!("{about}: {what}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_event_is_told_in_a_few_words() {
        assert_eq!(says("work-order.slot-confirmed", "V104", Some("WO-00012")), "V104: WO-00012 slot confirmed");
        assert_eq!(says("car.off-road", "V104", None), "V104: off road");
        assert_eq!(says("forecast.changed", "V104", None), "V104: forecast changed");
        assert_eq!(says("part.received", "part 7-<b>", None), "part 7-<b>: received");
    }

    #[test]
    fn a_page_about_a_car_hears_of_that_car_only() {
        let event = PublishedEvent {
            id: 7,
            at: "2026-03-18T16:00:00Z".parse().unwrap(),
            event_type: "car.off-road".to_owned(),
            subject: "vehicle V104".to_owned(),
            depot: Some("NORTH".to_owned()),
            data: r#"{"unit": "V104", "reason": "a secret"}"#.to_owned(),
        };
        assert!(news(&event, None).is_some() && news(&event, Some("V104")).is_some());
        assert!(news(&event, Some("V10")).is_none());
    }

    #[test]
    fn the_place_names_what_the_page_wants_to_hear_of() {
        let text = Since { event: 31, forecasts: 2 }.place(Some("N&<1>"), None).into_string();
        assert!(text.contains(r#"data-live="/board/live?depot=N%26%3C1%3E""#), "{text}");
        assert!(text.contains(r#"role="status""#) && text.contains(r#"data-after="31""#), "{text}");
    }
}
