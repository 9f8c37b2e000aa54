//! What is open without a key: whether the daemon lives, and how to talk to it. No data.

use axum::extract::State;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use utoipa::ToSchema;

use super::problem::Problem;
use crate::app::App;

/// It lives.
#[derive(Debug, Serialize, ToSchema)]
pub struct Alive {
    /// Always `alive`.
    status: &'static str,
}

/// It is ready.
#[derive(Debug, Serialize, ToSchema)]
pub struct Ready {
    /// Always `ready`.
    status: &'static str,
}

/// The process lives
#[utoipa::path(get, path = "/livez", operation_id = "livez", tag = "Around", responses((status = 200, body = Alive)), security(()))]
pub(super) async fn livez() -> axum::Json<Alive> {
    axum::Json(Alive { status: "alive" })
}

/// The database answers
#[utoipa::path(
    get, path = "/readyz", operation_id = "readyz", tag = "Around",
    responses((status = 200, body = Ready), (status = 503, body = Problem, content_type = "application/problem+json")),
    security(())
)]
pub(super) async fn readyz(State(app): State<App>) -> Result<axum::Json<Ready>, Problem> {
    app.store.ping().await.map_err(|error| {
        tracing::warn!(%error, "not ready");
        Problem::unavailable("the database does not answer", 5)
    })?;
    Ok(axum::Json(Ready { status: "ready" }))
}

/// The page needs its own script and style, its own document, and nothing else from anywhere.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; \
    base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

fn asset(media_type: &'static str, text: &'static str) -> Response {
    let mut response = ([(header::CONTENT_TYPE, media_type)], text).into_response();
    response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY));
    response
}

pub(super) async fn docs_page() -> Response {
    asset("text/html; charset=utf-8", include_str!("docs/index.html"))
}

pub(super) async fn docs_script() -> Response {
    asset("text/javascript; charset=utf-8", include_str!("docs/docs.js"))
}

pub(super) async fn docs_style() -> Response {
    asset("text/css; charset=utf-8", include_str!("docs/docs.css"))
}

pub(super) async fn document() -> Response {
    ([(header::CONTENT_TYPE, "application/json")], super::document_text()).into_response()
}
