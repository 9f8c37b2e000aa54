//! Queries and forms read into types: empty fields count as left out, and the token is no field.

use axum::body::Bytes;
use axum::extract::{FromRequest, FromRequestParts, Request};
use axum::http::request::Parts;
use maud::{Markup, html};
use serde::de::DeserializeOwned;

use super::guard::{TOKEN_FIELD, Visitor};
use super::refusal::Refusal;

/// What a query asks.
#[derive(Debug)]
pub(super) struct Asked<T>(pub T);

/// What a form sent; the guard has seen its token.
#[derive(Debug)]
pub(super) struct Sent<T>(pub T);

fn read<T: DeserializeOwned>(text: &[u8]) -> Result<T, Refusal> {
    let mut kept = form_urlencoded::Serializer::new(String::new());
    for (name, value) in form_urlencoded::parse(text) {
        let value = value.trim();
        if !value.is_empty() && name != TOKEN_FIELD {
            kept.append_pair(&name, value);
        }
    }
    serde_urlencoded::from_str(&kept.finish()).map_err(|fault| Refusal::unreadable(format!("{fault}.")))
}

impl<T: DeserializeOwned, S: Sync> FromRequestParts<S> for Asked<T> {
    type Rejection = Refusal;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Refusal> {
        read(parts.uri.query().unwrap_or_default().as_bytes()).map(Self)
    }
}

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for Sent<T> {
    type Rejection = Refusal;

    async fn from_request(request: Request, state: &S) -> Result<Self, Refusal> {
        let body = Bytes::from_request(request, state).await;
        read(&body.map_err(|fault| Refusal::unreadable(fault.to_string()))?).map(Self)
    }
}

/// A form that changes something: it carries the session's token.
pub(super) fn form(visitor: &Visitor, action: &str, fields: &Markup) -> Markup {
    html! {
        form method="post" action=(action) {
            input type="hidden" name=(TOKEN_FIELD) value=(visitor.token);
            (fields)
        }
    }
}

/// One of the choices of a [`select`].
pub(super) type Choice = (String, String);

/// A labelled choice of a filter; the empty one comes first and means all.
pub(super) fn select(name: &str, label: &str, all: &str, choices: &[Choice], chosen: Option<&str>) -> Markup {
    html! {
        label.field {
            span { (label) }
            select name=(name) {
                option value="" { (all) }
                @for (value, text) in choices {
                    option value=(value) selected[chosen == Some(value.as_str())] { (text) }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    use super::*;

    #[derive(Debug, Deserialize, PartialEq)]
    #[serde(deny_unknown_fields)]
    struct Query {
        depot: Option<String>,
        weeks: Option<u32>,
    }

    #[test]
    fn empty_fields_are_left_out_and_unknown_ones_refused() {
        assert_eq!(read::<Query>(b"depot=+&weeks=4&csrf=x").unwrap(), Query { depot: None, weeks: Some(4) });
        assert!(read::<Query>(b"depots=N").unwrap_err().says.contains("depots"));
    }
}
