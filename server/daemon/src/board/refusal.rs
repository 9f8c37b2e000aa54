//! What the board says when it can't show or do what was asked; [`super::frame::finish`] makes a page of it.

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};

use crate::app::keys::Scope;
use crate::current::TooMany;
use crate::store::{Conflict, StoreError};

/// A refusal in words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Refusal {
    pub status: StatusCode,
    pub title: &'static str,
    /// What happened and what would be right.
    pub says: String,
    /// Seconds to wait before it is worth another try.
    pub wait_s: Option<u64>,
}

impl Refusal {
    pub(super) fn new(status: StatusCode, title: &'static str, says: impl Into<String>) -> Self {
        Self { status, title, says: says.into(), wait_s: None }
    }

    pub(super) fn no_page() -> Self {
        Self::new(StatusCode::NOT_FOUND, "No such page", "There is nothing at this address.")
    }

    /// An address that takes forms only, or is only looked at.
    pub(super) fn no_method() -> Self {
        let says =
            "This address cannot be opened or sent to like this. Go back and use the page's own links and buttons.";
        Self::new(StatusCode::METHOD_NOT_ALLOWED, "Not possible here", says)
    }

    /// Nothing of that name is there, or the key may not see it: which of the two is not told.
    pub(super) fn missing(what: &str, name: &str) -> Self {
        let says = format!("There is no {what} “{name}”, or your key may not see it.");
        Self::new(StatusCode::NOT_FOUND, "Not found", says)
    }

    pub(super) fn no_scope(scope: Scope) -> Self {
        let says = format!("This needs a key with the scope “{}”. Ask whoever makes the keys.", scope.as_str());
        Self::new(StatusCode::FORBIDDEN, "Your key may not do this", says)
    }

    /// A request that came from elsewhere, or from a page of another session.
    pub(super) fn not_from_here() -> Self {
        let says = "The form did not come from a page of this session, so nothing was done. Open the page again and send \
            the form from there.";
        Self::new(StatusCode::FORBIDDEN, "Not from this session", says)
    }

    /// The same form is being worked on.
    pub(super) fn under_way() -> Self {
        let says =
            "This form was sent a moment ago and is being worked on. Open the page again to see what came of it.";
        Self { wait_s: Some(2), ..Self::new(StatusCode::CONFLICT, "Being worked on", says) }
    }

    /// A query or form that cannot be read.
    pub(super) fn unreadable(says: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, "This cannot be read", says)
    }
}

impl From<TooMany> for Refusal {
    fn from(beyond: TooMany) -> Self {
        let says = format!("Too much was asked in a short time. Try again in {} seconds.", beyond.wait_s);
        let refusal = Self::new(StatusCode::TOO_MANY_REQUESTS, "Wait a moment", says);
        Self { wait_s: Some(beyond.wait_s), ..refusal }
    }
}

impl From<StoreError> for Refusal {
    fn from(error: StoreError) -> Self {
        if let StoreError::Conflict(conflict) = error {
            return conflict.into();
        }
        if error.is_away() {
            tracing::warn!(%error, "the database is away");
            let says = "The database cannot be reached at the moment; nothing was done. Try again shortly.";
            return Self::new(StatusCode::SERVICE_UNAVAILABLE, "Not available", says);
        }
        tracing::error!(%error, "failed");
        let says = "Something went wrong here, not with what you did. The log has it under the number below.";
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, "Something went wrong", says)
    }
}

impl From<Conflict> for Refusal {
    fn from(conflict: Conflict) -> Self {
        let says = conflict.to_string();
        let (status, title) = match conflict {
            Conflict::Missing { .. } => (StatusCode::NOT_FOUND, "Not found"),
            Conflict::Version { .. } => (StatusCode::PRECONDITION_FAILED, "It has changed meanwhile"),
            Conflict::Forbidden(_) => (StatusCode::FORBIDDEN, "Your key may not do this"),
            Conflict::Field { .. } | Conflict::Body(_) | Conflict::Gate(_) => {
                (StatusCode::UNPROCESSABLE_ENTITY, "Something is missing")
            }
            Conflict::Exists { .. } | Conflict::Rule(_) | Conflict::Clash(_) | Conflict::KeyReused => {
                (StatusCode::CONFLICT, "It does not allow this as it stands")
            }
        };
        Self::new(status, title, says)
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let mut response = self.status.into_response();
        response.extensions_mut().insert(self);
        response
    }
}
