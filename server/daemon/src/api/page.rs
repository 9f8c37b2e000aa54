//! Pages: a cursor that says after which item the next page begins, and the link to it.

use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use serde::de::DeserializeOwned;
use utoipa::ToSchema;

use super::body::writes_nul;
use super::problem::{Fault, Problem};
use crate::app::App;

/// One page of a list.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct Page<T> {
    /// The items.
    pub items: Vec<T>,
    /// Link to the next page; null on the last.
    pub next: Option<String>,
}

/// How many items a page shows.
pub(super) fn limit(app: &App, asked: Option<i64>) -> Result<i64, Problem> {
    let limits = &app.settings.limits;
    match asked {
        None => Ok(limits.page),
        Some(limit) if (1..=limits.page_max).contains(&limit) => Ok(limit),
        Some(limit) => {
            let detail = format!("a page shows 1 to {} items", limits.page_max);
            Err(Problem::query(Fault::parameter("limit", Some(&limit.to_string()), detail)))
        }
    }
}

/// The place a cursor stands for; `None` where it is no cursor of ours.
#[must_use]
pub fn read_cursor<T: DeserializeOwned>(text: &str) -> Option<T> {
    // It can be forged: a text in it must be one that may be compared with those stored.
    let bytes = hex::decode(text).ok().filter(|bytes| !writes_nul(bytes))?;
    serde_json::from_slice(&bytes).ok()
}

/// The cursor that stands for a place.
#[must_use]
pub fn write_cursor<T: Serialize>(place: &T) -> String {
    hex::encode(serde_json::to_vec(place).unwrap_or_default())
}

/// The place a cursor given with a request stands for.
pub(super) fn place<T: DeserializeOwned>(cursor: Option<&str>) -> Result<Option<T>, Problem> {
    let Some(text) = cursor else { return Ok(None) };
    read_cursor(text).map(Some).ok_or_else(|| {
        let detail = "this is no cursor of ours: follow the link in `next` as it stands";
        Problem::query(Fault::parameter("cursor", Some(text), detail))
    })
}

/// The query of the next page: the same parameters, another cursor.
pub(super) fn next_link<T: Serialize>(path: &str, query: Option<&str>, place: &T) -> String {
    let mut pairs = form_urlencoded::Serializer::new(String::new());
    for (name, value) in form_urlencoded::parse(query.unwrap_or_default().as_bytes()) {
        if name != "cursor" {
            pairs.append_pair(&name, &value);
        }
    }
    pairs.append_pair("cursor", &write_cursor(place));
    format!("{path}?{}", pairs.finish())
}

/// Cuts what was read (one more than asked for) to a page; `place` is the place of an item.
pub(super) fn cut<R, P: Serialize>(
    rows: &mut Vec<R>,
    limit: i64,
    path: &str,
    query: Option<&str>,
    place: impl Fn(&R) -> P,
) -> Option<String> {
    let limit = usize::try_from(limit).unwrap_or(usize::MAX);
    let more = rows.len() > limit;
    rows.truncate(limit);
    rows.last().filter(|_| more).map(|last| next_link(path, query, &place(last)))
}

/// The Link header of the next page (RFC 8288).
pub(super) fn with_link(mut response: Response, next: Option<&str>) -> Response {
    let link = next.and_then(|next| HeaderValue::from_str(&format!("<{next}>; rel=\"next\"")).ok());
    if let Some(link) = link {
        response.headers_mut().insert(header::LINK, link);
    }
    response
}

impl<T: Serialize> IntoResponse for Page<T> {
    fn into_response(self) -> Response {
        let response = axum::Json(&self).into_response();
        with_link(response, self.next.as_deref())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cursor_keeps_the_other_parameters() {
        let link = next_link("/v1/upcoming", Some("depot=N%26S&cursor=old&limit=2"), &(1, "x"));
        assert!(link.starts_with("/v1/upcoming?depot=N%26S&limit=2&cursor="), "{link}");
        let cursor = link.rsplit('=').next();
        assert_eq!(place::<(i64, String)>(cursor).unwrap(), Some((1, "x".to_owned())));
        assert_eq!(place::<(i64, String)>(Some("zz")).unwrap_err().status, 400);
        let forged = hex::encode(r#"[1,"\u0000"]"#);
        assert_eq!(place::<(i64, String)>(Some(&forged)).unwrap_err().status, 400);
    }
}
