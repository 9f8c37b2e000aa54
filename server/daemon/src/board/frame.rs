//! What stands around every page, and what every answer of the board carries.

use axum::extract::{Request, State};
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use maud::{DOCTYPE, Markup, html};

use super::guard::Visitor;
use super::refusal::Refusal;
use super::{asked, assets, say};
use crate::app::App;
use crate::app::keys::Scope;
use crate::current;
use crate::store::DepotRecord;

/// The ways in, as they stand on top of every page: address, name, the scope that sees it.
const WAYS: &[(&str, &str, Scope)] = &[
    ("/board", "What is coming", Scope::Read),
    ("/board/day", "The day", Scope::Read),
    ("/board/cars", "Cars", Scope::Read),
    ("/board/packs", "Packs", Scope::Read),
    ("/board/work", "Work", Scope::Read),
    ("/board/hindsight", "Hindsight", Scope::Read),
    ("/board/gear", "Gear", Scope::Read),
    ("/board/cores", "Cores", Scope::Read),
    ("/board/rules", "Rules", Scope::Read),
    ("/board/import", "Rows in", Scope::Post),
    ("/board/keys", "Keys", Scope::Admin),
    ("/board/journal", "Journal", Scope::Admin),
];

/// When a page was made, and the zone its times are told in.
#[derive(Clone, Copy, Debug)]
pub(super) struct Made {
    pub at: DateTime<Utc>,
    pub zone: Tz,
}

impl Made {
    /// Now, in the zone of the depot chosen, else in the one that all depots share, else in UTC.
    pub(super) fn now(app: &App, depots: &[DepotRecord], chosen: Option<&str>) -> Self {
        let mut of = depots.iter().filter(|record| chosen.is_none_or(|code| record.depot.code == code));
        let first = of.next().map(|record| record.depot.zone);
        let zone = first.filter(|zone| of.all(|record| record.depot.zone == *zone)).unwrap_or(Tz::UTC);
        Self { at: app.now(), zone }
    }
}

/// The frame of a page.
#[derive(Clone, Copy, Debug)]
pub(super) struct Frame<'a> {
    pub title: &'a str,
    /// Address of the way in that it belongs to.
    pub here: &'a str,
    pub visitor: Option<&'a Visitor>,
    pub made: Made,
    /// Names of its own scripts among the [`assets`].
    pub scripts: &'a [&'a str],
}

impl Frame<'_> {
    /// The whole page.
    pub(super) fn around(&self, body: &Markup) -> Markup {
        html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    meta name="color-scheme" content="light dark";
                    title { (self.title) " · Ventmile" }
                    link rel="icon" href=(assets::address("icon.svg"));
                    link rel="stylesheet" href=(assets::address("board.css"));
                    @for script in self.scripts { script src=(assets::address(script)) defer {} }
                }
                body {
                    a.skip href="#main" { "Skip to the page" }
                    header.top {
                        a.brand href="/board" { (mark()) "Ventmile" }
                        @if let Some(visitor) = self.visitor { (self.ways(visitor)) }
                    }
                    main #main tabindex="-1" { (body) }
                    (self.foot())
                }
            }
        }
    }

    fn ways(&self, visitor: &Visitor) -> Markup {
        html! {
            nav aria-label="Pages" {
                ul {
                    @for (address, name, _) in WAYS.iter().filter(|way| visitor.may(way.2)) {
                        li { a href=(address) aria-current=[(*address == self.here).then_some("page")] { (name) } }
                    }
                }
            }
            (asked::form(visitor, "/board/sign-out", &html! { button.quiet type="submit" { "Sign out" } }))
        }
    }

    fn foot(&self) -> Markup {
        html! {
            footer {
                p {
                    "As of " (say::time(self.made.at, self.made.zone)) "."
                    @if let Some(visitor) = self.visitor { " Signed in with the key “" (visitor.caller.actor.name) "”." }
                }
                p { "Forecasts, no safety clearance. High-voltage work follows the vehicle maker's procedure, local codes and licensed \
                     practice, by trained people only." }
            }
        }
    }

    /// The whole page as an answer.
    pub(super) fn page(&self, body: &Markup) -> Response {
        axum::response::Html(self.around(body).into_string()).into_response()
    }
}

/// A travel line in small: the car, its way, its window.
fn mark() -> Markup {
    html! {
        svg.mark viewBox="0 0 32 32" width="28" height="28" aria-hidden="true" {
            path.window d="M18 8h8v16h-8z" {}
            path.way d="M2 16h28" {}
            path.car d="m12 17 6 9H6z" {}
        }
    }
}

/// A refusal as a page.
fn refused(frame: &Frame<'_>, refusal: &Refusal) -> Markup {
    let number = current::id().filter(|_| refusal.status.is_server_error());
    frame.around(&html! {
        h1 { (refusal.title) }
        p { (refusal.says) }
        @if let Some(number) = number { p { "Request " code { (number) } } }
        p {
            @if frame.visitor.is_some() { a.button href="/board" { "To what is coming" } }
            @else { a.button href="/board/sign-in" { "Sign in" } }
        }
    })
}

/// What browsers may load and do: all of it from here, nothing written into the page.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; \
    form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

/// A refusal that no handler made: a part of the address that is no text.
fn unreadable(response: &Response) -> Option<Refusal> {
    let plain =
        response.headers().get(header::CONTENT_TYPE).is_some_and(|kind| kind.as_bytes().starts_with(b"text/plain"));
    (plain && response.status() == StatusCode::BAD_REQUEST).then(|| Refusal::unreadable("This address cannot be read."))
}

/// Makes pages of refusals and gives every answer its headers.
pub(super) async fn finish(State(app): State<App>, request: Request, next: Next) -> Response {
    let mut response = next.run(request).await;
    let refusal = response.extensions_mut().remove::<Refusal>();
    if let Some(refusal) = refusal.or_else(|| unreadable(&response)) {
        let allow = response.headers_mut().remove(header::ALLOW);
        let visitor = response.extensions_mut().remove::<Visitor>();
        let made = Made { at: app.now(), zone: Tz::UTC };
        let frame = Frame { title: refusal.title, here: "", visitor: visitor.as_ref(), made, scripts: &[] };
        let page = axum::response::Html(refused(&frame, &refusal).into_string());
        response = (refusal.status, page).into_response();
        if let Some(allow) = allow {
            response.headers_mut().insert(header::ALLOW, allow);
        }
        if let Some(seconds) = refusal.wait_s {
            response.headers_mut().insert(header::RETRY_AFTER, seconds.into());
        }
    }
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY));
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("same-origin"));
    headers.insert(HeaderName::from_static("x-frame-options"), HeaderValue::from_static("DENY"));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

#[cfg(test)]
pub(super) mod samples {
    use super::*;
    use crate::app::keys::Caller;
    use crate::store::Actor;

    /// A visitor whose key has these scopes.
    pub(in crate::board) fn visitor(scopes: &[Scope]) -> Visitor {
        let actor = Actor { key_id: Some(1), name: "office".to_owned(), depots: Vec::new() };
        Visitor { caller: Caller { actor, scopes: scopes.to_vec(), ends_at: None }, token: "token".to_owned() }
    }

    /// A Wednesday in March, noon in New York.
    pub(in crate::board) fn made() -> Made {
        Made { at: "2026-03-18T16:00:00Z".parse().unwrap(), zone: Tz::America__New_York }
    }

    #[test]
    fn the_ways_are_those_the_key_may_go() {
        let page = |scopes: &[Scope]| {
            let visitor = visitor(scopes);
            let frame = Frame { title: "T", here: "/board", visitor: Some(&visitor), made: made(), scripts: &[] };
            frame.around(&html! {}).into_string()
        };
        let manager = page(&[Scope::Read]);
        assert!(manager.contains(r#"<a href="/board" aria-current="page">What is coming</a>"#), "{manager}");
        assert!(manager.contains("18 Mar 2026, 12:00 EDT"), "{manager}");
        assert!(!page(&[Scope::Post]).contains("What is coming"));
    }
}
