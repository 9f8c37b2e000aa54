//! The pages. Each file has its query or form, its view model, the page as a function of it, and its handler.

mod admin;
mod calendars;
mod car;
mod cars;
mod coming;
mod cost;
mod day;
mod day_acts;
mod day_forms;
mod day_told;
mod hindsight;
mod order;
mod order_acts;
mod order_step;
mod pack;
mod pack_plots;
mod packs;
mod work;

use axum::extract::DefaultBodyLimit;
use axum::routing::{MethodRouter, get, post};

use crate::app::App;
use crate::app::keys::Scope;
use crate::board::live;

/// A page whose forms may be as long as the guard lets them be; it measures what they hold itself.
fn rows(page: MethodRouter<App>) -> MethodRouter<App> {
    page.layer(DefaultBodyLimit::disable())
}

/// Every page and act: its path, the scope it needs, what answers.
pub(super) fn table() -> Vec<(&'static str, Scope, MethodRouter<App>)> {
    vec![
        ("/board", Scope::Read, get(coming::show)),
        ("/board/live", Scope::Read, get(live::follow)),
        ("/board/day", Scope::Read, get(day::show)),
        ("/board/day/slots/{number}/{act}", Scope::Plan, post(day_acts::slot)),
        ("/board/day/spare", Scope::Plan, post(day_acts::spare)),
        ("/board/day/spare/{id}/withdraw", Scope::Plan, post(day_acts::withdraw)),
        ("/board/day/reports", Scope::Plan, post(day_acts::report)),
        ("/board/day/breakdowns", Scope::Plan, post(day_acts::breakdown)),
        ("/board/calendars", Scope::Read, get(calendars::show)),
        ("/board/calendars/add", Scope::Plan, post(calendars::add)),
        ("/board/calendars/revoke", Scope::Plan, post(calendars::revoke)),
        ("/board/cars", Scope::Read, get(cars::show)),
        ("/board/cars/{unit}", Scope::Read, get(car::show)),
        ("/board/packs", Scope::Read, get(packs::show)),
        ("/board/packs/{serial}", Scope::Read, get(pack::show)),
        ("/board/cost", Scope::Read, get(cost::show)),
        ("/board/hindsight", Scope::Read, get(hindsight::show)),
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
        ("/board/import", Scope::Post, rows(get(admin::import::show).post(admin::import::send))),
        ("/board/keys", Scope::Admin, get(admin::keys::show).post(admin::keys::make)),
        ("/board/keys/rotate", Scope::Admin, post(admin::keys::rotate)),
        ("/board/keys/revoke", Scope::Admin, post(admin::keys::revoke)),
        ("/board/journal", Scope::Admin, get(admin::journal::show)),
    ]
}
