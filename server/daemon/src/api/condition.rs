//! If-Match and Idempotency-Key.

use axum::extract::{FromRequestParts, OptionalFromRequestParts};
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, header};
use sha2::{Digest, Sha256};
use utoipa::IntoParams;

use super::problem::{Fault, Problem};
use super::request::hold;
use crate::app::App;
use crate::app::keys::Caller;
use crate::store::{self, Once, Writing};

/// The entity tag of a version.
pub(super) fn etag(version: i64) -> String {
    format!("\"{version}\"")
}

/// The If-Match of a change of state: required, compared strongly (RFC 9110, 13.1.1; RFC 6585, 3).
#[derive(Debug)]
pub(super) struct IfMatch(pub store::IfMatch);

impl FromRequestParts<App> for IfMatch {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        let Some(value) = parts.headers.get(header::IF_MATCH) else {
            let detail = "send If-Match with the entity tag of the version you have seen: it is in the ETag header and \
                          in `version`";
            let fault = Fault::parameter("If-Match", None, detail);
            let status = StatusCode::PRECONDITION_REQUIRED;
            return Err(Problem::new(status, "no-condition", "If-Match is missing", detail).with(fault));
        };
        let text = value.to_str().unwrap_or_default();
        read_if_match(text).map(Self).ok_or_else(|| {
            let detail = "If-Match holds `*` or entity tags in double quotes, such as \"3\"";
            Problem::query(Fault::parameter("If-Match", Some(text), detail))
        })
    }
}

/// Tags that are not ours match nothing; a list that is no list at all is `None`.
fn read_if_match(text: &str) -> Option<store::IfMatch> {
    if text.trim() == "*" {
        return Some(store::IfMatch::Any);
    }
    let mut versions = Vec::new();
    for tag in text.split(',').map(str::trim) {
        let opaque = tag.strip_prefix("W/").unwrap_or(tag);
        let inner = opaque.strip_prefix('"')?.strip_suffix('"')?;
        // A weak tag never matches strongly.
        if !tag.starts_with("W/") {
            versions.extend(inner.parse::<i64>().ok());
        }
    }
    Some(store::IfMatch::Versions(versions))
}

/// The value of an Idempotency-Key header: a quoted string as the IETF draft has it, or the bare text.
#[derive(Clone, Debug)]
pub(super) struct IdempotencyKey(String);

const LONGEST_KEY: usize = 255;

fn read_key(headers: &HeaderMap) -> Result<Option<IdempotencyKey>, Problem> {
    let Some(value) = headers.get("idempotency-key") else { return Ok(None) };
    let text = value.to_str().unwrap_or_default().trim();
    let inner = text.strip_prefix('"').and_then(|text| text.strip_suffix('"')).unwrap_or(text);
    let right = !inner.is_empty() && inner.len() <= LONGEST_KEY && inner.bytes().all(|byte| byte.is_ascii_graphic());
    if right && !inner.contains('"') {
        return Ok(Some(IdempotencyKey(inner.to_owned())));
    }
    let detail = format!("an Idempotency-Key is a quoted string of 1 to {LONGEST_KEY} visible ASCII characters");
    Err(Problem::query(Fault::parameter("Idempotency-Key", Some(text), detail)))
}

impl FromRequestParts<App> for IdempotencyKey {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Problem> {
        let given = <Self as OptionalFromRequestParts<App>>::from_request_parts(parts, app).await?;
        given.ok_or_else(|| {
            let detail = "send an Idempotency-Key, new for each act: a repeated request then has its effect once";
            Problem::query(Fault::parameter("Idempotency-Key", None, detail))
        })
    }
}

impl OptionalFromRequestParts<App> for IdempotencyKey {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Option<Self>, Problem> {
        let given = read_key(&parts.headers)?;
        if let Some(key) = &given {
            hold(app, &key.0)?;
        }
        Ok(given)
    }
}

/// Headers of an act, for the document.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[allow(dead_code, reason = "read by the extractors; this names them in the document")]
pub(super) struct ActHeaders {
    /// Entity tag of the version seen.
    #[param(rename = "If-Match")]
    if_match: String,
    /// New for each act: a repeated request has its effect once and gets the same answer.
    #[param(rename = "Idempotency-Key")]
    idempotency_key: String,
}

/// The header of a change that names the version seen, for the document.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[allow(dead_code, reason = "read by the extractor; this names it in the document")]
pub(super) struct AsSeen {
    /// Entity tag of the version seen.
    #[param(rename = "If-Match")]
    if_match: String,
}

/// The header of a request that has its effect once, for the document.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[allow(dead_code, reason = "read by the extractor; this names it in the document")]
pub(super) struct DoneOnce {
    /// New for each act: a repeated request has its effect once and gets the same answer.
    #[param(rename = "Idempotency-Key")]
    idempotency_key: String,
}

/// The same where it may be left out, for the document.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[allow(dead_code, reason = "read by the extractor; this names it in the document")]
pub(super) struct MayBeRepeated {
    /// Optional here; with it a repeated request gets the same answer.
    #[param(rename = "Idempotency-Key")]
    idempotency_key: Option<String>,
}

/// Digest of what a request asks: the same key may come again only with the same digest.
pub(super) fn fingerprint(what: &str, body: &[u8]) -> String {
    let mut digest = Sha256::new();
    digest.update(what);
    digest.update([0]);
    digest.update(body);
    hex::encode(digest.finalize())
}

/// The writing of a request: its caller, the time, and its idempotency key with the digest of what it asks.
pub(super) fn writing(app: &App, caller: &Caller, key: Option<IdempotencyKey>, what: &str, body: &[u8]) -> Writing {
    let once = key.zip(caller.actor.key_id).map(|(key, key_id)| Once {
        key_id,
        value: key.0,
        fingerprint: fingerprint(what, body),
    });
    Writing { actor: caller.actor.clone(), now: app.now(), once }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn if_match_is_strong() {
        use store::IfMatch::{Any, Versions};
        assert_eq!(read_if_match("*"), Some(Any));
        assert_eq!(read_if_match("\"3\""), Some(Versions(vec![3])));
        assert_eq!(read_if_match("\"3\", \"x\",\"4\""), Some(Versions(vec![3, 4])));
        assert_eq!(read_if_match("W/\"3\""), Some(Versions(vec![])));
        assert_eq!(read_if_match("3"), None);
        assert_eq!(read_if_match(""), None);
    }
}
