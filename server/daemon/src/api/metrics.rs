//! Metrics for an operator.

use axum::Router;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::routing::get;

use super::key::{Key, Read};
use super::problem::Problem;
use crate::app::App;
use crate::app::meters::MEDIA_TYPE;

fn answer(text: String) -> Response {
    ([(header::CONTENT_TYPE, MEDIA_TYPE)], text).into_response()
}

/// Metrics
///
/// In Prometheus' text format, for a key that may see all depots. They are served without a key, and without codes of depots,
/// at the address of `metrics.listen`.
#[utoipa::path(
    get, path = "/metrics", operation_id = "get_metrics", tag = "Around",
    responses((status = 200, body = String, content_type = "text/plain"), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_metrics(State(app): State<App>, Key(caller, _): Key<Read>) -> Result<Response, Problem> {
    if !caller.actor.depots.is_empty() {
        return Err(Problem::forbidden("metrics are of all depots; the key is confined to some"));
    }
    Ok(answer(app.metrics(true).await?))
}

async fn open_metrics(State(app): State<App>) -> Result<Response, Problem> {
    Ok(answer(app.metrics(false).await?))
}

/// The metrics alone, without a key: for a listener of their own.
pub fn metrics_router(app: App) -> Router {
    Router::new().route("/metrics", get(open_metrics)).with_state(app)
}
