//! Signing in with a key, and out again.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use chrono_tz::Tz;
use maud::{Markup, html};
use serde::Deserialize;

use super::HOME;
use super::asked::{Asked, Sent};
use super::frame::{Frame, Made};
use super::guard::{COOKIE, secret_of};
use super::refusal::Refusal;
use crate::app::App;
use crate::config::SecureCookies;
use crate::current;

/// Where to go once signed in.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Query {
    next: Option<String>,
}

/// What the form sends.
#[derive(Deserialize)]
pub(super) struct Form {
    key: Option<String>,
    next: Option<String>,
}

/// A page of the board, so that no link leads a visitor elsewhere.
fn own(next: Option<&str>) -> &str {
    let within = |path: &&str| {
        let head = path.split(['?', '/']).nth(1);
        head == Some("board")
            && !path.starts_with("//")
            && path.bytes().all(|byte| byte.is_ascii_graphic() && byte != b'\\')
    };
    next.filter(within).unwrap_or(HOME)
}

fn page(next: &str, wrong: Option<&str>) -> Markup {
    html! {
        div.narrow {
            h1 { "Sign in" }
            @if let Some(wrong) = wrong { p.fault role="alert" #fault { (wrong) } }
            form method="post" action="/board/sign-in" {
                input type="hidden" name="next" value=(next);
                label.field {
                    span { "Your key" }
                    input type="password" name="key" autocomplete="current-password" required autofocus
                        aria-describedby=[wrong.map(|_| "fault")] spellcheck="false" placeholder="vm_…";
                }
                button type="submit" { "Sign in" }
            }
            p.note { "Keys are made with " code { "ventmile key new" } ". What you see and may do is what the key may." }
        }
    }
}

fn shown(app: &App, next: &str, wrong: Option<&str>) -> Response {
    let made = Made { at: app.now(), zone: Tz::UTC };
    Frame { title: "Sign in", here: "", visitor: None, made, scripts: &[] }.page(&page(next, wrong))
}

pub(super) async fn show(State(app): State<App>, Asked(query): Asked<Query>) -> Response {
    shown(&app, own(query.next.as_deref()), None)
}

/// The cookie of a session, or its end where `secret` is empty and `seconds` 0.
fn cookie(app: &App, headers: &HeaderMap, secret: &str, seconds: i64) -> Option<HeaderValue> {
    let over_tls = || headers.get("x-forwarded-proto").is_some_and(|scheme| scheme.as_bytes() == b"https");
    let secure = match app.settings.board.secure_cookies {
        SecureCookies::Auto => over_tls(),
        SecureCookies::Always => true,
        SecureCookies::Never => false,
    };
    let secure = if secure { "; Secure" } else { "" };
    let text = format!("{COOKIE}={secret}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Strict{secure}");
    HeaderValue::from_str(&text).ok()
}

fn with_cookie(mut response: Response, cookie: Option<HeaderValue>) -> Response {
    if let Some(cookie) = cookie {
        response.headers_mut().insert(header::SET_COOKIE, cookie);
    }
    response
}

pub(super) async fn sign_in(
    State(app): State<App>,
    headers: HeaderMap,
    Sent(form): Sent<Form>,
) -> Result<Response, Refusal> {
    let next = own(form.next.as_deref());
    let Some(secret) = app.sign_in(form.key.as_deref().unwrap_or_default()).await? else {
        current::stranger(&app)?;
        let says = "This is no key that stands: it is mistyped, has ended or was revoked.";
        return Ok((StatusCode::FORBIDDEN, shown(&app, next, Some(says))).into_response());
    };
    let cookie = cookie(&app, &headers, &secret, app.settings.board.session_hours * 3600);
    Ok(with_cookie(Redirect::to(next).into_response(), cookie))
}

pub(super) async fn sign_out(State(app): State<App>, headers: HeaderMap) -> Result<Response, Refusal> {
    if let Some(secret) = secret_of(&headers) {
        app.sign_out(secret).await?;
    }
    Ok(with_cookie(Redirect::to("/board/sign-in").into_response(), cookie(&app, &headers, "", 0)))
}

#[cfg(test)]
mod tests {
    use super::own;

    #[test]
    fn one_is_led_to_pages_of_the_board_only() {
        assert_eq!(own(Some("/board/cars?band=past")), "/board/cars?band=past");
        for elsewhere in
            ["//evil.example", "https://evil.example/board", "/boards", "/board\\..", "/v1/depots", "board"]
        {
            assert_eq!(own(Some(elsewhere)), "/board", "{elsewhere}");
        }
        assert_eq!(own(None), "/board");
    }
}
