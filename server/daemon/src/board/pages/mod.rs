//! The pages. Each file has its query or form, its view model, the page as a function of it, and its handler.

mod car;
mod cars;
mod coming;
mod evidence;
mod order;
mod order_acts;
mod order_step;
mod work;

use axum::routing::{MethodRouter, get, post};

use crate::app::App;
use crate::app::keys::Scope;

/// Every page and act: its path, the scope it needs, what answers.
pub(super) fn table() -> Vec<(&'static str, Scope, MethodRouter<App>)> {
    vec![
        ("/board", Scope::Read, get(coming::show)),
        ("/board/cars", Scope::Read, get(cars::show)),
        ("/board/cars/{unit}", Scope::Read, get(car::show)),
        ("/board/work", Scope::Read, get(work::show)),
        ("/board/work/next", Scope::Work, post(work::next)),
        ("/board/work/{number}", Scope::Read, get(order::show)),
        ("/board/work/{number}/{act}", Scope::Work, post(order_acts::act)),
        ("/board/work/{number}/steps/{step}", Scope::Work, post(order_acts::record)),
    ]
}
