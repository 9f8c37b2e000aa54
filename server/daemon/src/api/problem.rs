//! One error envelope for every refusal: problem details, RFC 9457.

use std::collections::BTreeMap;

use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use serde_json::Value;
use utoipa::openapi::{self, RefOr};
use utoipa::{IntoResponses, ToSchema};

use crate::app::guard::Allowance;
use crate::current;
use crate::store::{self, Conflict, StoreError};

/// One fault of a request.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct Fault {
    /// What is wrong and what would be right.
    pub detail: String,
    /// JSON pointer to the field of the body at fault.
    pub pointer: Option<String>,
    /// Name of the query parameter or header at fault.
    pub parameter: Option<String>,
    /// The value given.
    pub value: Option<Value>,
    /// Of a gate or a plan: the stable code of what is missing or clashes, such as `gloves`, `wait` or `step-7`. Its
    /// pointer may then lead to an earlier step of the order: `/steps/4/…`, where 4 is the step's number.
    pub item: Option<String>,
}

impl Fault {
    /// A fault of a field of the body.
    pub(super) fn field(pointer: impl Into<String>, value: Option<Value>, detail: impl Into<String>) -> Self {
        Self { detail: detail.into(), pointer: Some(pointer.into()), parameter: None, value, item: None }
    }

    /// A fault of a query parameter or header.
    pub(super) fn parameter(name: impl Into<String>, value: Option<&str>, detail: impl Into<String>) -> Self {
        let value = value.map(|value| Value::String(value.to_owned()));
        Self { detail: detail.into(), pointer: None, parameter: Some(name.into()), value, item: None }
    }
}

/// Why a request was refused (RFC 9457).
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct Problem {
    /// Names the kind of problem.
    #[serde(rename = "type")]
    pub kind: String,
    /// The kind of problem in words.
    pub title: String,
    /// HTTP status.
    pub status: u16,
    /// What happened here.
    pub detail: String,
    /// Each fault with what would be right.
    pub errors: Vec<Fault>,
    /// The request's id, to be found in the logs.
    pub request_id: Option<String>,
    /// For a bulk post that was broken off: what became of the rows before.
    pub rows: Option<Box<super::shapes::PostAnswer>>,
    #[serde(skip)]
    #[schema(ignore)]
    pub(super) headers: Vec<(HeaderName, HeaderValue)>,
}

/// Media type of a problem.
pub(super) const MEDIA_TYPE: &str = "application/problem+json";

impl Problem {
    pub(super) fn new(status: StatusCode, kind: &str, title: &str, detail: impl Into<String>) -> Self {
        Self {
            kind: format!("urn:ventmile:problem:{kind}"),
            title: title.to_owned(),
            status: status.as_u16(),
            detail: detail.into(),
            errors: Vec::new(),
            request_id: None,
            rows: None,
            headers: Vec::new(),
        }
    }

    pub(super) fn with(mut self, fault: Fault) -> Self {
        self.errors.push(fault);
        self
    }

    /// The same problem with its faults in a part of the body.
    pub(super) fn under(mut self, part: &str) -> Self {
        for pointer in self.errors.iter_mut().filter_map(|fault| fault.pointer.as_mut()) {
            pointer.insert_str(0, part);
        }
        self
    }

    /// The same problem where a field has another name in the body that was sent.
    pub(super) fn renamed(mut self, from: &str, to: &str) -> Self {
        for pointer in self.errors.iter_mut().filter_map(|fault| fault.pointer.as_mut()).filter(|it| *it == from) {
            to.clone_into(pointer);
        }
        self
    }

    pub(super) fn header(mut self, name: HeaderName, value: impl Into<HeaderValue>) -> Self {
        self.headers.push((name, value.into()));
        self
    }

    pub(super) fn no_key() -> Self {
        let detail = "send a key: `Authorization: Bearer vm_…`; `ventmile key new` makes one";
        Self::new(StatusCode::UNAUTHORIZED, "no-key", "No valid key", detail)
            .header(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer realm=\"ventmile\""))
    }

    pub(super) fn forbidden(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::FORBIDDEN, "forbidden", "The key may not do this", detail)
    }

    pub(super) fn not_found(what: &str, name: &str) -> Self {
        Self::new(StatusCode::NOT_FOUND, "not-found", "Not found", format!("there is no {what} {name:?}"))
    }

    pub(super) fn body(fault: Fault) -> Self {
        let detail = fault.detail.clone();
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, "body", "The body cannot be used", detail).with(fault)
    }

    pub(super) fn query(fault: Fault) -> Self {
        let detail = fault.detail.clone();
        Self::new(StatusCode::BAD_REQUEST, "parameter", "A parameter cannot be used", detail).with(fault)
    }

    pub(super) fn too_large(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::PAYLOAD_TOO_LARGE, "too-large", "The request is too large", detail)
    }

    /// The allowance is used up; the next request is let in after so many seconds.
    pub(super) fn too_many(allowance: &Allowance, wait_s: u64) -> Self {
        let Allowance { quota, window_s, .. } = allowance;
        let detail = format!("{quota} requests in {window_s} seconds are let in: come again in {wait_s} seconds");
        Self::new(StatusCode::TOO_MANY_REQUESTS, "rate", "Too many requests", detail)
            .header(header::RETRY_AFTER, wait_s)
    }

    /// The act of this Idempotency-Key is under way.
    pub(super) fn under_way() -> Self {
        let detail = "a request with this Idempotency-Key is being worked on: come again for its answer";
        Self::new(StatusCode::CONFLICT, "under-way", "Being worked on", detail)
            .header(header::RETRY_AFTER, 1)
            .with(Fault::parameter("Idempotency-Key", None, detail))
    }

    pub(super) fn busy() -> Self {
        let detail = "so many requests are being worked on that there is no room for another (limits.concurrent); nothing was \
                      done, try again";
        Self::new(StatusCode::SERVICE_UNAVAILABLE, "busy", "No room", detail).header(header::RETRY_AFTER, 1)
    }

    fn too_dear() -> Self {
        let detail = "the database took longer over this than it may (limits.statement_seconds): ask for less at once, such as a \
                      shorter time or one depot";
        Self::new(StatusCode::SERVICE_UNAVAILABLE, "too-dear", "Too much at once", detail)
            .header(header::RETRY_AFTER, 60)
    }

    fn internal() -> Self {
        let detail = "something went wrong here, not with the request; the log has it under the request id";
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, "internal", "Internal error", detail)
    }

    fn full() -> Self {
        let detail = "the database's disk is full; nothing was done, try again when there is room";
        Self::new(StatusCode::INSUFFICIENT_STORAGE, "full", "No room on the disk", detail)
            .header(header::RETRY_AFTER, 60)
    }

    pub(super) fn unavailable(why: &str, retry_after: u64) -> Self {
        let detail = format!("{why}; nothing was done, try again");
        Self::new(StatusCode::SERVICE_UNAVAILABLE, "unavailable", "Not available", detail)
            .header(header::RETRY_AFTER, retry_after)
    }
}

/// Any refusal, for the document.
impl IntoResponses for Problem {
    fn responses() -> BTreeMap<String, RefOr<openapi::Response>> {
        let schema = openapi::Ref::from_schema_name("Problem");
        let content = openapi::ContentBuilder::new().schema(Some(schema)).build();
        let refusal = openapi::ResponseBuilder::new()
            .description("Refused: a problem document (RFC 9457)")
            .content(MEDIA_TYPE, content)
            .build();
        BTreeMap::from([("4XX".to_owned(), RefOr::T(refusal))])
    }
}

impl From<store::Fault> for Fault {
    fn from(fault: store::Fault) -> Self {
        Self { item: fault.item, ..Self::field(fault.pointer, None, fault.says) }
    }
}

impl From<Conflict> for Problem {
    fn from(conflict: Conflict) -> Self {
        let detail = conflict.to_string();
        let all = |status, kind, title, faults: Vec<store::Fault>| Self {
            errors: faults.into_iter().map(Fault::from).collect(),
            ..Self::new(status, kind, title, detail.clone())
        };
        let conflicting = |kind, title| Self::new(StatusCode::CONFLICT, kind, title, detail.clone());
        match conflict {
            Conflict::Exists { .. } => conflicting("exists", "It is there already"),
            Conflict::Rule(_) => conflicting("state", "It does not allow this as it stands"),
            Conflict::Missing { .. } => Self::new(StatusCode::NOT_FOUND, "not-found", "Not found", detail),
            Conflict::Version { .. } => {
                Self::new(StatusCode::PRECONDITION_FAILED, "version", "It has changed since", detail)
            }
            Conflict::Field { field, reason } => Self::body(Fault::field(format!("/{field}"), None, reason)),
            Conflict::Body(faults) => all(StatusCode::UNPROCESSABLE_ENTITY, "body", "The body cannot be used", faults),
            Conflict::Gate(faults) => {
                all(StatusCode::UNPROCESSABLE_ENTITY, "gate", "What must stand before this is missing", faults)
            }
            Conflict::Clash(faults) => all(StatusCode::CONFLICT, "clash", "The plan clashes", faults),
            Conflict::KeyReused => {
                let name = "Idempotency-Key";
                Self::new(
                    StatusCode::UNPROCESSABLE_ENTITY,
                    "idempotency-key",
                    "Idempotency-Key used before",
                    detail.clone(),
                )
                .with(Fault::parameter(name, None, detail))
            }
            Conflict::Forbidden(detail) => Self::forbidden(detail),
        }
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Conflict(conflict) => conflict.into(),
            error => {
                tracing::error!(%error, "request failed");
                match error {
                    _ if error.is_away() => Self::unavailable("the database cannot be reached at the moment", 5),
                    _ if error.is_read_only() => Self::unavailable("the database takes no writes at the moment", 30),
                    _ if error.is_full() => Self::full(),
                    _ if error.is_collision() => Self::unavailable("another request was at the same things", 1),
                    _ if error.is_cut_short() => Self::too_dear(),
                    _ => Self::internal(),
                }
            }
        }
    }
}

impl IntoResponse for Problem {
    fn into_response(mut self) -> Response {
        self.request_id = current::id();
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let body = serde_json::to_string(&self).unwrap_or_default();
        let mut response = (status, [(header::CONTENT_TYPE, MEDIA_TYPE)], body).into_response();
        response.headers_mut().extend(self.headers);
        response
    }
}
