//! The board: pages for the manager, the dispatcher, the shop and the administrator. It never sees SQL.
//!
//! A page is a function of a plain view model ([`pages`]), set in the [`frame`] and served behind the [`guard`]. All pages stand in
//! one table, [`pages::table`]: path, scope, handler.

mod asked;
mod assets;
mod frame;
mod guard;
mod interface;
mod live;
mod pages;
mod plot;
mod posted;
mod refusal;
mod say;
mod sign_in;
mod travel;

use axum::middleware::{from_fn, from_fn_with_state};
use axum::response::Redirect;
use axum::routing::{any, get, post};
use axum::{Extension, Router};

use crate::app::App;
pub use interface::Interface;
use refusal::Refusal;

/// Where the board begins.
const HOME: &str = "/board";

/// Every page and act of the board; its forms are sent on to the interface.
pub fn router(app: &App, interface: Interface) -> Router<App> {
    let behind = |scope| from_fn_with_state((app.clone(), scope), guard::admit);
    let open = Router::new()
        .route("/", get(|| async { Redirect::to(HOME) }))
        .route("/board/", get(|| async { Redirect::permanent(HOME) }))
        .route("/board/sign-in", get(sign_in::show).post(sign_in::sign_in).layer(from_fn(guard::same_origin)))
        .route("/board/sign-out", post(sign_in::sign_out).layer(behind(None)))
        .route("/board/static/{file}", get(assets::serve))
        .route("/board/{*rest}", any(|| async { Refusal::no_page() }).layer(behind(None)));
    pages::table()
        .into_iter()
        .fold(open, |router, (path, scope, handler)| {
            router.route(path, handler.fallback(no_method).layer(behind(Some(scope))))
        })
        .method_not_allowed_fallback(no_method)
        .layer(Extension(interface))
        .layer(from_fn_with_state(app.clone(), frame::finish))
}

async fn no_method() -> Refusal {
    Refusal::no_method()
}
