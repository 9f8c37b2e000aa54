//! Bodies and queries read into types, with faults that name the field.

use axum::body::{Body, Bytes};
use axum::extract::{FromRequest, FromRequestParts, Path, Request};
use axum::http::request::Parts;
use axum::http::{StatusCode, header};
use http_body_util::{BodyExt, LengthLimitError, Limited};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Deserializer};
use serde_json::Value;

use super::problem::{Fault, Problem};
use crate::app::App;
use crate::config::Limits;

/// A body read as JSON, with its bytes for the idempotency digest.
#[derive(Debug)]
pub(super) struct Json<T> {
    pub value: T,
    pub bytes: Bytes,
}

const MIB: usize = 1024 * 1024;

/// A client that sent nothing more of its body for too long.
#[derive(Debug, thiserror::Error)]
#[error("nothing more of the body came for {0} seconds (limits.idle_seconds)")]
pub(super) struct Idle(pub u64);

/// A whole body within the limit.
pub(super) async fn collect(body: Body, app: &App) -> Result<Bytes, Problem> {
    let limit = app.settings.limits.body_mib * MIB;
    match Limited::new(body, limit).collect().await {
        Ok(whole) => Ok(whole.to_bytes()),
        Err(fault) if fault.is::<LengthLimitError>() => {
            Err(Problem::too_large(format!("a body may have {} MiB (limits.body_mib)", limit / MIB)))
        }
        Err(fault) => Err(broken_off(&*fault)),
    }
}

/// A body that broke off, or that the client was too slow with.
pub(super) fn broken_off(fault: &(dyn std::error::Error + 'static)) -> Problem {
    let mut cause = Some(fault);
    while let Some(inner) = cause {
        if let Some(idle) = inner.downcast_ref::<Idle>() {
            return Problem::new(StatusCode::REQUEST_TIMEOUT, "timeout", "Too slow", idle.to_string());
        }
        cause = inner.source().or_else(|| inner.downcast_ref::<std::io::Error>()?.get_ref().map(|inner| inner as _));
    }
    Problem::new(StatusCode::BAD_REQUEST, "broken-off", "The body broke off", format!("the body broke off: {fault}"))
}

/// The media type of a request without its parameters, in small letters.
pub(super) fn media_type(parts: &axum::http::HeaderMap) -> String {
    let text = parts.get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    text.split(';').next().unwrap_or_default().trim().to_ascii_lowercase()
}

impl<T: DeserializeOwned> FromRequest<App> for Json<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, app: &App) -> Result<Self, Problem> {
        let media_type = media_type(request.headers());
        if media_type != "application/json" && !media_type.ends_with("+json") {
            let detail = format!("send Content-Type: application/json, not {media_type:?}");
            return Err(Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "media-type", "Wrong media type", detail));
        }
        let bytes = collect(request.into_body(), app).await?;
        let value = read_json(&bytes, &app.settings.limits)?;
        Ok(Self { value, bytes })
    }
}

/// Whether JSON is nested deeper than `most`.
pub(super) fn is_deeper(json: &[u8], most: usize) -> bool {
    let (mut depth, mut in_text, mut escaped) = (0_usize, false, false);
    for byte in json {
        match byte {
            _ if escaped => escaped = false,
            b'\\' if in_text => escaped = true,
            b'"' => in_text = !in_text,
            b'[' | b'{' if !in_text => depth += 1,
            b']' | b'}' if !in_text => depth = depth.saturating_sub(1),
            _ => {}
        }
        if depth > most {
            return true;
        }
    }
    false
}

pub(super) fn too_deep(most: usize) -> String {
    format!("JSON may be nested {most} deep (limits.json_depth)")
}

/// Reads JSON; a fault names the field, its value and what would be right.
pub(super) fn read_json<T: DeserializeOwned>(bytes: &[u8], limits: &Limits) -> Result<T, Problem> {
    if is_deeper(bytes, limits.json_depth) {
        return Err(Problem::new(StatusCode::BAD_REQUEST, "syntax", "Nested too deep", too_deep(limits.json_depth)));
    }
    if writes_nul(bytes) {
        return Err(Problem::body(Fault {
            detail: NO_NUL.to_owned(),
            pointer: None,
            parameter: None,
            value: None,
            item: None,
        }));
    }
    let mut reader = serde_json::Deserializer::from_slice(bytes);
    let value = serde_path_to_error::deserialize(&mut reader).map_err(|fault| json_fault(bytes, &fault))?;
    reader.end().map_err(|fault| syntax(&fault))?;
    Ok(value)
}

fn syntax(fault: &serde_json::Error) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, "syntax", "The body is no JSON", format!("the body is no JSON: {fault}"))
}

fn json_fault(bytes: &[u8], fault: &serde_path_to_error::Error<serde_json::Error>) -> Problem {
    if fault.inner().is_syntax() || fault.inner().is_eof() || fault.inner().is_io() {
        return syntax(fault.inner());
    }
    let (pointer, detail) = (pointer_of(fault.path()), plain(&fault.inner().to_string()));
    let whole: Option<Value> = serde_json::from_slice(bytes).ok();
    let value = whole.and_then(|whole| whole.pointer(&pointer).cloned()).filter(|value| !value.is_object());
    // serde reports a missing field at the object that should hold it.
    let missing = detail.strip_prefix("missing field `").and_then(|rest| rest.split('`').next());
    let pointer = missing.map_or(pointer.clone(), |name| format!("{pointer}/{name}"));
    Problem::body(Fault::field(pointer, value, detail))
}

/// The field a message of serde names in backquotes.
pub(super) fn named_field(message: &str) -> Option<&str> {
    let rest = message.strip_prefix("missing field `").or_else(|| message.strip_prefix("unknown field `"))?;
    rest.split('`').next()
}

/// serde_json's message without the place in the text, which the pointer says better.
pub(super) fn plain(message: &str) -> String {
    message.split(" at line ").next().unwrap_or(message).to_owned()
}

fn pointer_of(path: &serde_path_to_error::Path) -> String {
    use serde_path_to_error::Segment;
    let mut pointer = String::new();
    for segment in path {
        match segment {
            Segment::Seq { index } => pointer.push_str(&format!("/{index}")),
            Segment::Map { key } => pointer.push_str(&format!("/{}", key.replace('~', "~0").replace('/', "~1"))),
            Segment::Enum { variant } => pointer.push_str(&format!("/{variant}")),
            Segment::Unknown => {}
        }
    }
    pointer
}

/// A field that may be left out (stays), null (is emptied) or given.
pub(super) fn given<'de, T: Deserialize<'de>, D: Deserializer<'de>>(reader: D) -> Result<Option<Option<T>>, D::Error> {
    Option::deserialize(reader).map(Some)
}

/// A segment of the path: a unit number, a code, a number, a date.
#[derive(Debug)]
pub(super) struct Segment(pub String);

impl FromRequestParts<App> for Segment {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Problem> {
        let wrong = |detail: &str| Problem::query(Fault::parameter("path", Some(parts.uri.path()), detail));
        match Path::<String>::from_request_parts(&mut parts.clone(), app).await {
            Ok(Path(text)) if text.contains('\0') => Err(wrong(NO_NUL)),
            Ok(Path(text)) => Ok(Self(text)),
            Err(_) => Err(wrong("the path is not UTF-8")),
        }
    }
}

/// Two segments of the path: an order's number and one of its steps.
#[derive(Debug)]
pub(super) struct Segments(pub String, pub String);

impl FromRequestParts<App> for Segments {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        let wrong = |detail: &str| Problem::query(Fault::parameter("path", Some(parts.uri.path()), detail));
        match Path::<(String, String)>::from_request_parts(&mut parts.clone(), &()).await {
            Ok(Path((first, second))) if first.contains('\0') || second.contains('\0') => Err(wrong(NO_NUL)),
            Ok(Path((first, second))) => Ok(Self(first, second)),
            Err(_) => Err(wrong("the path is not UTF-8")),
        }
    }
}

/// No name holds one, and Postgres cannot store it.
pub(super) const NO_NUL: &str = "a NUL character cannot stand in a text";

/// Whether JSON writes a NUL character in one of its strings.
pub(super) fn writes_nul(json: &[u8]) -> bool {
    const ESCAPED: &[u8] = b"\\u0000";
    json.windows(ESCAPED.len()).any(|window| window == ESCAPED)
}

/// Query parameters; unknown ones are refused by name.
#[derive(Debug)]
pub(super) struct Params<T>(pub T);

impl<T: DeserializeOwned> FromRequestParts<App> for Params<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        let text = parts.uri.query().unwrap_or_default();
        if let Some((name, _)) = form_urlencoded::parse(text.as_bytes()).find(|(_, value)| value.contains('\0')) {
            return Err(Problem::query(Fault::parameter(name, None, NO_NUL)));
        }
        let reader = serde_urlencoded::Deserializer::new(form_urlencoded::parse(text.as_bytes()));
        serde_path_to_error::deserialize(reader).map(Self).map_err(|fault| {
            let path = fault.path().to_string();
            let detail = fault.inner().to_string();
            let name = named_field(&detail).unwrap_or(&path).to_owned();
            let value = form_urlencoded::parse(text.as_bytes()).find(|(given, _)| *given == *name);
            Problem::query(Fault::parameter(name, value.as_ref().map(|(_, value)| &**value), detail))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, serde::Deserialize)]
    #[serde(deny_unknown_fields)]
    #[allow(dead_code)]
    struct Sample {
        count: u32,
        inner: Option<Inner>,
    }

    #[derive(Debug, serde::Deserialize)]
    #[serde(deny_unknown_fields)]
    #[allow(dead_code)]
    struct Inner {
        name: String,
    }

    #[test]
    fn the_depth_of_json_is_that_of_its_brackets() {
        for (json, depth) in [("1", 0), ("[]", 1), (r#"{"a": [{}]}"#, 3), (r#"["[[[", "\"[["]"#, 1), ("[[],[[]]]", 3)] {
            assert!(!is_deeper(json.as_bytes(), depth), "{json}");
            assert!(depth == 0 || is_deeper(json.as_bytes(), depth - 1), "{json}");
        }
    }

    #[track_caller]
    fn fault(text: &str) -> (u16, Option<String>, Option<Value>) {
        let problem = read_json::<Sample>(text.as_bytes(), &defaults()).unwrap_err();
        let first = problem.errors.first().cloned();
        let (pointer, value) = first.map_or((None, None), |fault| (fault.pointer, fault.value));
        (problem.status, pointer, value)
    }

    fn defaults() -> Limits {
        crate::config::Config::load(None, [], &[]).unwrap().settings.limits
    }

    #[test]
    fn a_fault_points_at_its_field() {
        assert_eq!(fault(r#"{"count": -1}"#), (422, Some("/count".into()), Some((-1).into())));
        assert_eq!(fault(r#"{"count": 1, "inner": {"name": 3}}"#), (422, Some("/inner/name".into()), Some(3.into())));
        assert_eq!(fault(r#"{"count": 1, "colour": 2}"#), (422, Some("/colour".into()), Some(2.into())));
        assert_eq!(fault("{}"), (422, Some("/count".into()), None));
        assert_eq!(fault("{"), (400, None, None));
        assert_eq!(fault(r#"{"count": 1} x"#), (400, None, None));
    }
}
