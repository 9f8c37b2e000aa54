//! The interface as the board uses it: a form goes on as the request that a program would send, so one code checks it, stores it
//! and says what is wrong.

use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::FromRequestParts;
use axum::http::request::{Builder, Parts};
use axum::http::{Method, Request, StatusCode, header};
use http_body_util::BodyExt;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use sha2::{Digest, Sha256};
use tower::ServiceExt;

use super::guard::Visitor;
use super::refusal::Refusal;
use crate::app::vouched::{Trial, Vouched};
use crate::store::Verdict;

/// The interface's routes.
#[derive(Clone, Debug)]
pub struct Interface(Router);

/// The interface with the visitor who asks.
#[derive(Clone, Debug)]
pub(super) struct Desk {
    interface: Interface,
    visitor: Visitor,
}

/// A page of a list.
#[derive(Debug, Deserialize)]
pub(super) struct Listed<T> {
    pub items: Vec<T>,
    next: Option<String>,
}

impl<T> Listed<T> {
    /// The cursor of the next page.
    pub(super) fn cursor(&self) -> Option<String> {
        let (_, query) = self.next.as_deref()?.split_once('?')?;
        let mut pairs = form_urlencoded::parse(query.as_bytes());
        pairs.find(|(name, _)| name == "cursor").map(|(_, cursor)| cursor.into_owned())
    }
}

/// What became of rows.
#[derive(Clone, Debug, Default, Deserialize)]
pub(super) struct Verdicts {
    pub stored: u64,
    pub repeated: u64,
    pub replaced: u64,
    pub refused: Vec<RefusedRow>,
    /// What would become of each other row, where they were tried.
    #[serde(skip)]
    pub taken: Vec<(u64, Verdict)>,
}

/// A row that was not stored.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct RefusedRow {
    pub row: u64,
    pub field: String,
    pub value: Value,
    pub reason: String,
}

/// A refusal of the interface.
#[derive(Debug, Deserialize)]
struct Problem {
    detail: String,
    #[serde(default)]
    errors: Vec<Fault>,
    rows: Option<Verdicts>,
}

#[derive(Debug, Deserialize)]
struct Fault {
    detail: String,
    pointer: Option<String>,
    value: Option<Value>,
}

/// A value as a person reads it.
pub(super) fn plain(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

impl Fault {
    fn words(&self) -> String {
        let field = self.pointer.as_deref().map(|pointer| pointer.trim_start_matches('/').replace(['/', '_'], " "));
        let given = self.value.as_ref().map(plain).filter(|text| !text.is_empty());
        let field = field.filter(|name| !name.is_empty()).map(|name| format!("{name}: ")).unwrap_or_default();
        format!("{field}{}{}", self.detail, given.map(|text| format!(" (given: {text})")).unwrap_or_default())
    }
}

impl Problem {
    fn words(&self) -> String {
        let faults: Vec<String> = self.errors.iter().map(Fault::words).collect();
        let mut says = if faults.is_empty() { self.detail.clone() } else { faults.join("; ") };
        if let Some(rows) = &self.rows {
            let before = rows.stored + rows.replaced;
            says.push_str(&format!(" (of the rows before it {before} were stored, {} were there)", rows.repeated));
        }
        says
    }
}

fn refusal(status: StatusCode, retry_after: Option<u64>, body: &[u8]) -> Refusal {
    let title = match status.as_u16() {
        400 | 422 => "Something in it is not right",
        403 => "Your key may not do this",
        404 => "Not found",
        409 => "It does not allow this as it stands",
        412 => "It has changed meanwhile",
        413 => "Too much",
        429 => "Wait a moment",
        503 | 507 => "Not available",
        _ => "Something went wrong",
    };
    let says = serde_json::from_slice::<Problem>(body).map(|problem| problem.words()).unwrap_or_default();
    Refusal { wait_s: retry_after, ..Refusal::new(status, title, says) }
}

/// A name as a part of an address.
pub(super) fn segment(name: &str) -> String {
    let encoded: String = form_urlencoded::byte_serialize(name.as_bytes()).collect();
    encoded.replace('+', "%20")
}

impl Interface {
    /// The board's way to these routes.
    #[must_use]
    pub const fn new(routes: Router) -> Self {
        Self(routes)
    }
}

impl<S: Sync> FromRequestParts<S> for Desk {
    type Rejection = Refusal;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Refusal> {
        let visitor = Visitor::from_request_parts(parts, state).await?;
        let interface = parts.extensions.get::<Interface>().cloned().ok_or_else(Refusal::no_page)?;
        Ok(Self { interface, visitor })
    }
}

impl Desk {
    fn request(&self, method: Method, path: &str) -> Builder {
        Request::builder().method(method).uri(path).extension(Vouched(self.visitor.caller.clone()))
    }

    async fn ask<T: DeserializeOwned>(&self, request: Builder, body: impl Into<Body>) -> Result<T, Refusal> {
        let broken = |fault: &dyn std::fmt::Display| {
            tracing::error!(%fault, "the interface's answer cannot be used");
            Refusal::new(
                StatusCode::INTERNAL_SERVER_ERROR,
                "Something went wrong",
                "The log has it under the number below.",
            )
        };
        let request = request.body(body.into()).map_err(|fault| broken(&fault))?;
        let response = match self.interface.0.clone().oneshot(request).await {
            Ok(response) => response,
            Err(never) => match never {},
        };
        let (parts, body) = response.into_parts();
        let bytes = body.collect().await.map_err(|fault| broken(&fault))?.to_bytes();
        if !parts.status.is_success() {
            let wait = parts.headers.get(header::RETRY_AFTER).and_then(|text| text.to_str().ok()?.parse().ok());
            return Err(refusal(parts.status, wait, &bytes));
        }
        serde_json::from_slice(&bytes).map_err(|fault| broken(&fault))
    }

    /// What the interface answers.
    pub(super) async fn get<T: DeserializeOwned>(&self, path: &str) -> Result<T, Refusal> {
        self.ask(self.request(Method::GET, path), Body::empty()).await
    }

    /// Every item of a list.
    pub(super) async fn all<T: DeserializeOwned>(&self, path: &str) -> Result<Vec<T>, Refusal> {
        let mut page: Listed<T> = self.get(path).await?;
        let mut items = std::mem::take(&mut page.items);
        while let Some(next) = page.next {
            page = self.get(&next).await?;
            items.append(&mut page.items);
        }
        Ok(items)
    }

    /// Adds or does something; `once` is new for each form that is shown, so that it is done once however often it is sent.
    pub(super) async fn post<T: DeserializeOwned>(&self, path: &str, once: &str, body: &Value) -> Result<T, Refusal> {
        let request = self.request(Method::POST, path).header(header::CONTENT_TYPE, "application/json");
        self.ask(request.header("idempotency-key", hex::encode(Sha256::digest(once))), body.to_string()).await
    }

    /// Changes what was seen in this version.
    pub(super) async fn patch(&self, path: &str, version: &str, body: &Value) -> Result<Value, Refusal> {
        let request = self.request(Method::PATCH, path).header(header::CONTENT_TYPE, "application/json");
        self.ask(request.header(header::IF_MATCH, format!("\"{version}\"")), body.to_string()).await
    }

    /// Sends rows: to be stored, or as a trial.
    pub(super) async fn rows(&self, log: &str, media: &str, rows: Bytes, trial: bool) -> Result<Verdicts, Refusal> {
        let request = self.request(Method::POST, &format!("/v1/{}", segment(log)));
        let request = request.header(header::CONTENT_TYPE, media).header(header::CONTENT_LENGTH, rows.len());
        if !trial {
            return self.ask(request, rows).await;
        }
        let tried = Trial::default();
        let verdicts: Verdicts = self.ask(request.extension(tried.clone()), rows).await?;
        Ok(Verdicts { taken: tried.told(), ..verdicts })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_refusal_names_field_value_and_what_would_be_right() {
        let body = br#"{"detail": "d", "errors": [{"detail": "give at least 3", "pointer": "/hard/distance/late", "value": 2}]}"#;
        let refusal = refusal(StatusCode::UNPROCESSABLE_ENTITY, None, body);
        assert_eq!(refusal.says, "hard distance late: give at least 3 (given: 2)");
        assert_eq!(super::refusal(StatusCode::NOT_FOUND, None, br#"{"detail": "no such"}"#).says, "no such");
    }

    #[test]
    fn the_cursor_of_the_next_page_is_found() {
        let page = Listed::<u8> { items: vec![], next: Some("/v1/keys?limit=2&cursor=31".to_owned()) };
        assert_eq!(page.cursor().as_deref(), Some("31"));
    }
}
