//! The pages. Each file has its query or form, its view model, the page as a function of it, and its handler.

mod admin;
mod car;
mod cars;
mod coming;
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
        ("/board/gear", Scope::Read, get(admin::gear::show)),
        ("/board/gear/test", Scope::Work, post(admin::gear::test)),
        ("/board/cores", Scope::Read, get(admin::cores::show)),
        ("/board/rules", Scope::Read, get(admin::rules::show)),
        ("/board/rules/add", Scope::Admin, post(admin::rules::add)),
        ("/board/rules/change", Scope::Admin, post(admin::rules::change)),
        ("/board/import", Scope::Post, get(admin::import::show).post(admin::import::send)),
        ("/board/keys", Scope::Admin, get(admin::keys::show).post(admin::keys::make)),
        ("/board/keys/rotate", Scope::Admin, post(admin::keys::rotate)),
        ("/board/keys/revoke", Scope::Admin, post(admin::keys::revoke)),
        ("/board/journal", Scope::Admin, get(admin::journal::show)),
    ]
}
