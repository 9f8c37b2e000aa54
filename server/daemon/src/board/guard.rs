//! Who comes in: the session, the key's scope, and whether a form came from here.

use axum::body::Body;
use axum::extract::{FromRequestParts, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use http_body_util::{BodyExt, Limited};
use subtle::ConstantTimeEq;

use super::refusal::Refusal;
use crate::app::App;
use crate::app::keys::{Caller, Scope};
use crate::app::sessions::form_token;
use crate::current;

/// The cookie that holds a session's secret.
pub(super) const COOKIE: &str = "ventmile_session";

/// The field of every form, and the header of every request by a script, that says it came from here.
pub(super) const TOKEN_FIELD: &str = "csrf";
const TOKEN_HEADER: &str = "x-csrf-token";

/// Who is signed in.
#[derive(Clone, Debug)]
pub(super) struct Visitor {
    pub caller: Caller,
    /// What the session's forms carry.
    pub token: String,
}

impl Visitor {
    pub(super) fn may(&self, scope: Scope) -> bool {
        self.caller.may(scope)
    }

    /// The key whose depots confine a list, where one does.
    pub(super) fn key_depots_of(&self) -> Option<i64> {
        self.caller.actor.key_depots_of()
    }

    /// Refuses a depot that the key may not see as one that is not there.
    pub(super) fn sees(&self, depot: Option<&str>) -> Result<(), Refusal> {
        match depot {
            Some(code) if !self.caller.actor.may_see(code) => Err(Refusal::missing("depot", code)),
            _ => Ok(()),
        }
    }
}

impl<S: Sync> FromRequestParts<S> for Visitor {
    type Rejection = Refusal;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Refusal> {
        parts.extensions.get::<Self>().cloned().ok_or_else(Refusal::no_page)
    }
}

/// The secret in the session's cookie.
pub(super) fn secret_of(headers: &HeaderMap) -> Option<&str> {
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    let mut pairs = cookies.flat_map(|text| text.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.find(|(name, _)| *name == COOKIE).map(|(_, value)| value)
}

async fn visitor(app: &App, headers: &HeaderMap) -> Result<Option<Visitor>, Refusal> {
    let Some(secret) = secret_of(headers) else { return Ok(None) };
    match app.session(secret).await? {
        Some(caller) => {
            current::admit(app, &caller)?;
            Ok(Some(Visitor { caller, token: form_token(secret) }))
        }
        None => {
            current::stranger(app)?;
            Ok(None)
        }
    }
}

/// Lets in who is signed in and may do this; sends others to sign in, or says what is missing.
pub(super) async fn admit(State((app, scope)): State<(App, Option<Scope>)>, request: Request, next: Next) -> Response {
    let visitor = match visitor(&app, request.headers()).await {
        Ok(Some(visitor)) => visitor,
        Ok(None) => return sign_in_first(&request),
        Err(refusal) => return refusal.into_response(),
    };
    let mut response = match checked(&app, &visitor, scope, request).await {
        Ok(request) => next.run(request).await,
        Err(refusal) => refusal.into_response(),
    };
    response.extensions_mut().insert(visitor);
    response
}

fn sign_in_first(request: &Request) -> Response {
    if request.method() != Method::GET {
        let says = "Your session has ended, so nothing was done. Sign in and do it again.";
        return Refusal::new(StatusCode::UNAUTHORIZED, "Not signed in", says).into_response();
    }
    let next = request.uri().path_and_query().map_or(super::HOME, |place| place.as_str());
    let query = form_urlencoded::Serializer::new(String::new()).append_pair("next", next).finish();
    Redirect::to(&format!("/board/sign-in?{query}")).into_response()
}

async fn checked(app: &App, visitor: &Visitor, scope: Option<Scope>, mut request: Request) -> Result<Request, Refusal> {
    if let Some(scope) = scope.filter(|scope| !visitor.may(*scope)) {
        return Err(Refusal::no_scope(scope));
    }
    if !request.method().is_safe() {
        request = own_form(app, visitor, request).await?;
    }
    request.extensions_mut().insert(visitor.clone());
    Ok(request)
}

/// Whether a request was made by a page of ours, as browsers tell it. Over plain HTTP they send no Sec-Fetch-Site; the
/// origin's host is then held against the one that was asked.
fn comes_from_here(headers: &HeaderMap) -> bool {
    let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
    if let Some(site) = text("sec-fetch-site") {
        return site == "same-origin";
    }
    let host = text("origin").and_then(|origin| origin.split_once("://")).map(|(_, host)| host);
    host.is_some() && (host == text("host") || host == text("x-forwarded-host"))
}

/// Refuses what a page from elsewhere sends, where no session has a token yet.
pub(super) async fn same_origin(request: Request, next: Next) -> Response {
    if request.method().is_safe() || comes_from_here(request.headers()) {
        next.run(request).await
    } else {
        Refusal::not_from_here().into_response()
    }
}

const MIB: usize = 1024 * 1024;

/// The request, once it has shown the session's token: in a form's field, in a script's header, or, where a form sends a
/// file, in its address.
async fn own_form(app: &App, visitor: &Visitor, request: Request) -> Result<Request, Refusal> {
    if !comes_from_here(request.headers()) {
        return Err(Refusal::not_from_here());
    }
    let given = |token: &str| bool::from(token.as_bytes().ct_eq(visitor.token.as_bytes()));
    let content = request.headers().get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let header = request.headers().get(TOKEN_HEADER).and_then(|value| value.to_str().ok());
    let address = request.uri().query().filter(|_| content.starts_with("multipart/form-data"));
    if header.is_some_and(given) || address.and_then(|query| field(query.as_bytes())).is_some_and(|found| given(&found))
    {
        return Ok(request);
    }
    if !content.starts_with("application/x-www-form-urlencoded") {
        return Err(Refusal::not_from_here());
    }
    let (parts, body) = request.into_parts();
    let limit = app.settings.limits.body_mib * MIB;
    let body = Limited::new(body, limit).collect().await.map_err(|_| {
        let says = format!("A form may have {} MiB, and must arrive whole.", limit / MIB);
        Refusal::new(StatusCode::PAYLOAD_TOO_LARGE, "Too much", says)
    })?;
    let bytes = body.to_bytes();
    if !field(&bytes).is_some_and(|found| given(&found)) {
        return Err(Refusal::not_from_here());
    }
    Ok(Request::from_parts(parts, Body::from(bytes)))
}

fn field(form: &[u8]) -> Option<String> {
    form_urlencoded::parse(form).find(|(name, _)| name == TOKEN_FIELD).map(|(_, value)| value.into_owned())
}

#[cfg(test)]
mod tests {
    use axum::http::HeaderValue;

    use super::*;

    fn headers(pairs: &[(&'static str, &'static str)]) -> HeaderMap {
        pairs.iter().map(|(name, value)| (name.parse().unwrap(), HeaderValue::from_static(value))).collect()
    }

    #[test]
    fn a_browser_tells_where_a_request_comes_from() {
        for (expected, pairs) in [
            (true, &[("sec-fetch-site", "same-origin")][..]),
            (false, &[("sec-fetch-site", "same-site"), ("origin", "http://a"), ("host", "a")]),
            (false, &[("sec-fetch-site", "cross-site")]),
            (true, &[("origin", "http://fleet:7420"), ("host", "fleet:7420")]),
            (true, &[("origin", "https://fleet"), ("host", "10.0.0.1:7420"), ("x-forwarded-host", "fleet")]),
            (false, &[("origin", "http://elsewhere"), ("host", "fleet:7420")]),
            (false, &[("origin", "null"), ("host", "fleet:7420")]),
            (false, &[("host", "fleet:7420")]),
            (false, &[]),
        ] {
            assert_eq!(comes_from_here(&headers(pairs)), expected, "{pairs:?}");
        }
    }

    #[test]
    fn the_secret_is_found_among_cookies() {
        assert_eq!(secret_of(&headers(&[("cookie", "a=b; ventmile_session=s3; c=d")])), Some("s3"));
        assert_eq!(secret_of(&headers(&[("cookie", "xventmile_session=s3")])), None);
    }
}
