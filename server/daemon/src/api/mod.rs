//! The interface: routes, problem details, keys and scopes, conditions, OpenAPI. It never sees SQL.

mod acts;
mod body;
mod calendars;
mod condition;
mod csv;
mod day_lists;
mod depots;
mod event_stream;
mod events;
mod forecast;
mod gear;
mod grading;
mod hindsight;
mod ical;
pub mod import;
pub mod journal;
mod key;
mod keys;
mod life_curve;
mod logs;
mod metrics;
mod open;
mod orders;
mod pack_logs;
mod packs;
mod page;
mod parts;
mod plans;
mod problem;
mod procedures;
mod reports;
mod request;
mod retired;
pub mod rows;
mod rules;
mod shapes;
mod steps;
mod technicians;
mod upcoming;
mod vehicles;
mod webhooks;
mod what_if;

use axum::Router;
use axum::http::{StatusCode, header};
use axum::middleware;
use axum::response::IntoResponse;
use axum::routing::get;
use utoipa::OpenApi;
use utoipa::openapi::path::{Operation, PathItem};
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityScheme};
use utoipa::openapi::{self, RefOr};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

pub use logs::{DutyLog, OdometerReading, PastService, SeatLog};
pub use metrics::metrics_router;
pub use pack_logs::{PackCheckLog, PackLog, TroubleCodeLog};
pub use page::{read_cursor, write_cursor};
pub use vehicles::VehicleRow;

use crate::app::App;
use crate::store::EventType;
use crate::values;
use problem::Problem;

const DESCRIPTION: &str = "Ventmile projects when each hybrid car's battery cooling fan service falls due and raises the \
work orders. Logs come in, dates and orders come out.\n\nEvery request but a few needs a key: `Authorization: Bearer vm_…`. \
Distances name their unit (`mi` or `km`); times are RFC 3339 with an offset; dates are local to the depot. A change of state \
needs `If-Match` with the entity tag seen; an act needs an `Idempotency-Key`, whose answer is kept for \
`limits.idempotency_hours` (48 hours); the same request again while the first is being worked on is refused with 409. A key \
has an allowance of requests: `RateLimit` and `RateLimit-Policy` tell it, beyond it the answer is 429 with `Retry-After`. Lists \
come in pages: follow `next`. Every refusal is a problem document (RFC 9457).\n\n\
The dates are forecasts, no safety clearance. Work on a high-voltage system follows the vehicle maker's procedure, local codes \
and licensed practice, by trained people only.";

#[derive(OpenApi)]
#[openapi(
    info(title = "Ventmile", description = DESCRIPTION, license(name = "not licensed for others' use", identifier = "LicenseRef-none")),
    servers((url = "/")),
    components(schemas(Problem, event_stream::CloudEvent)),
    tags(
        (name = "Answers", description = "What is coming, and why."),
        (name = "Work", description = "The queue of work orders and what is done with them."),
        (name = "Parts", description = "Parts by depot, what to order when, and old packs that go back."),
        (name = "Logs in", description = "What telematics, shops, fuel cards and spreadsheets tell."),
        (name = "Planning", description = "Cars off the road and back."),
        (name = "Register", description = "Depots, vehicles, service rules."),
        (name = "Corrections", description = "Rows voided, readings ruled on."),
        (name = "Events", description = "What happens, posted to subscribers (webhooks) or followed as a stream."),
        (name = "Around", description = "Whether it lives, and who did what.")
    )
)]
struct Document;

fn documented() -> OpenApiRouter<App> {
    OpenApiRouter::with_openapi(Document::openapi())
        .routes(routes!(upcoming::list_upcoming))
        .routes(routes!(forecast::get_forecast))
        .routes(routes!(forecast::list_duty_days))
        .routes(routes!(what_if::ask_what_if))
        .routes(routes!(day_lists::get_day_list))
        .routes(routes!(packs::list_pack_outlook))
        .routes(routes!(packs::get_vehicle_pack))
        .routes(routes!(packs::get_pack))
        .routes(routes!(life_curve::get_life_curve))
        .routes(routes!(hindsight::get_hindsight))
        .routes(routes!(life_curve::get_risk_hindsight))
        .routes(routes!(orders::list_work_orders, orders::raise_work_order))
        .routes(routes!(orders::take_next_work_order))
        .routes(routes!(orders::get_work_order, orders::change_work_order))
        .routes(routes!(acts::accept_work_order))
        .routes(routes!(acts::start_work_order))
        .routes(routes!(acts::complete_work_order))
        .routes(routes!(acts::cancel_work_order))
        .routes(routes!(acts::reopen_work_order))
        .routes(routes!(acts::decline_work_order))
        .routes(routes!(acts::hand_over_work_order))
        .routes(routes!(acts::pause_work_order))
        .routes(routes!(acts::resume_work_order))
        .routes(routes!(acts::plan_work_order))
        .routes(routes!(acts::miss_work_order))
        .routes(routes!(acts::confirm_work_order_slot))
        .routes(routes!(acts::refuse_work_order_slot))
        .routes(routes!(acts::expect_work_order_back))
        .routes(routes!(events::list_release_windows, events::add_release_window))
        .routes(routes!(events::withdraw_release_window))
        .routes(routes!(events::list_driver_reports, events::report_symptom))
        .routes(routes!(events::list_breakdowns, events::report_breakdown))
        .routes(routes!(reports::get_services_report))
        .routes(routes!(reports::get_failures_report))
        .routes(routes!(reports::get_out_of_service_report))
        .routes(routes!(reports::get_cores_report))
        .routes(routes!(parts::list_parts, parts::add_part))
        .routes(routes!(parts::change_part))
        .routes(routes!(parts::receive_part))
        .routes(routes!(parts::list_cores))
        .routes(routes!(parts::change_core))
        .routes(routes!(calendars::list_calendars, calendars::add_calendar))
        .routes(routes!(calendars::revoke_calendar))
        .routes(routes!(calendars::get_calendar))
        .routes(routes!(steps::list_work_order_steps))
        .routes(routes!(steps::record_step))
        .routes(routes!(steps::override_work_order_item))
        .routes(routes!(gear::add_gear_test))
        .routes(routes!(logs::list_odometer_readings, logs::post_odometer_readings))
        .routes(routes!(logs::list_duty_logs, logs::post_duty_logs))
        .routes(routes!(logs::list_seat_logs, logs::post_seat_logs))
        .routes(routes!(logs::list_past_services, logs::post_past_services))
        .routes(routes!(pack_logs::list_pack_checks, pack_logs::post_pack_checks))
        .routes(routes!(pack_logs::list_trouble_codes, pack_logs::post_trouble_codes))
        .routes(routes!(pack_logs::list_packs, pack_logs::post_packs))
        .routes(routes!(pack_logs::remove_pack))
        .routes(routes!(pack_logs::void_pack))
        .routes(routes!(pack_logs::void_pack_check))
        .routes(routes!(pack_logs::void_trouble_code))
        .routes(routes!(logs::void_odometer_reading))
        .routes(routes!(logs::rule_on_odometer_reading))
        .routes(routes!(logs::void_duty_log))
        .routes(routes!(logs::void_seat_log))
        .routes(routes!(logs::void_past_service))
        .routes(routes!(depots::list_depots, depots::add_depot))
        .routes(routes!(depots::get_depot, depots::change_depot))
        .routes(routes!(vehicles::list_vehicles, vehicles::add_vehicles))
        .routes(routes!(vehicles::get_vehicle, vehicles::change_vehicle))
        .routes(routes!(vehicles::move_vehicle))
        .routes(routes!(vehicles::retire_vehicle))
        .routes(routes!(vehicles::list_off_road, vehicles::take_off_road))
        .routes(routes!(vehicles::return_to_service))
        .routes(routes!(plans::list_plans, plans::add_plan))
        .routes(routes!(plans::withdraw_plan))
        .routes(routes!(rules::list_service_rules, rules::add_service_rule))
        .routes(routes!(rules::get_service_rule, rules::change_service_rule))
        .routes(routes!(technicians::list_technicians, technicians::add_technician))
        .routes(routes!(technicians::get_technician, technicians::change_technician))
        .routes(routes!(gear::list_gear, gear::add_gear))
        .routes(routes!(gear::get_gear, gear::change_gear))
        .routes(routes!(gear::issue_gear))
        .routes(routes!(procedures::list_procedures, procedures::add_procedure))
        .routes(routes!(procedures::get_procedure))
        .routes(routes!(webhooks::list_webhooks, webhooks::add_webhook))
        .routes(routes!(webhooks::get_webhook, webhooks::change_webhook))
        .routes(routes!(webhooks::rotate_webhook))
        .routes(routes!(webhooks::close_webhook))
        .routes(routes!(webhooks::ping_webhook))
        .routes(routes!(webhooks::list_deliveries))
        .routes(routes!(webhooks::resend_event))
        .routes(routes!(event_stream::follow_events))
        .routes(routes!(journal::list_journal))
        .routes(routes!(keys::list_keys, keys::add_key))
        .routes(routes!(keys::get_key))
        .routes(routes!(keys::rotate_key))
        .routes(routes!(keys::revoke_key))
        .routes(routes!(metrics::get_metrics))
        .routes(routes!(open::livez))
        .routes(routes!(open::readyz))
}

/// The OpenAPI 3.1 document of the interface.
#[must_use]
pub fn document() -> utoipa::openapi::OpenApi {
    let mut document = documented().into_openapi();
    let bearer = HttpBuilder::new()
        .scheme(HttpAuthScheme::Bearer)
        .description(Some("A key made by `ventmile key new`: it begins with `vm_`."))
        .build();
    let components = document.components.get_or_insert_default();
    components.add_security_scheme("key", SecurityScheme::Http(bearer));
    let events = document.tags.iter_mut().flatten().filter(|tag| tag.name == "Events");
    events.filter_map(|tag| tag.description.as_mut()).for_each(|text| text.push_str(&event_types()));
    for operation in document.paths.paths.values_mut().flat_map(operations) {
        for (status, response) in &mut operation.responses.responses {
            if let RefOr::T(response) = response {
                describe(status, response);
            }
        }
    }
    document
}

/// Every type of event and what it tells, as a list.
fn event_types() -> String {
    let types = EventType::ALL.iter().map(|event| format!("- `{}`: {}\n", event.as_str(), event.tells()));
    format!(" Its types:\n\n{}", types.collect::<String>())
}

fn operations(item: &mut PathItem) -> impl Iterator<Item = &mut Operation> {
    [&mut item.get, &mut item.post, &mut item.patch].into_iter().filter_map(Option::as_mut)
}

/// OpenAPI asks for a description of every response; where none is written the status says it.
fn describe(status: &str, response: &mut openapi::Response) {
    if response.description.is_empty() {
        let known = status.parse().ok().and_then(|code| StatusCode::from_u16(code).ok());
        known.and_then(|code| code.canonical_reason()).unwrap_or(status).clone_into(&mut response.description);
    }
}

/// The document as it is served and committed.
#[must_use]
pub fn document_text() -> String {
    let mut text = document().to_pretty_json().unwrap_or_default();
    text.push('\n');
    text
}

/// The documented routes for another room of this process, which has let its caller in: [`crate::app::vouched`].
pub fn within(app: App) -> Router {
    documented().split_for_parts().0.with_state(app)
}

/// The whole interface, and `pages` beside it.
pub fn router(app: App, pages: Router<App>) -> Router {
    let (documented, _) = documented().split_for_parts();
    documented
        .route("/openapi.json", get(open::document))
        .route("/docs", get(open::docs_page))
        .route("/docs/docs.js", get(open::docs_script))
        .route("/docs/docs.css", get(open::docs_style))
        .merge(pages)
        .fallback(no_route)
        .method_not_allowed_fallback(no_method)
        .layer(middleware::from_fn_with_state(app.clone(), request::accompany))
        .with_state(app)
}

async fn no_route(uri: axum::http::Uri) -> Problem {
    Problem::new(StatusCode::NOT_FOUND, "not-found", "Not found", format!("there is no {:?}; see /docs", uri.path()))
}

async fn no_method(method: axum::http::Method, uri: axum::http::Uri) -> axum::response::Response {
    let detail = format!("{method} is not possible on {:?}; see /docs", uri.path());
    let problem = Problem::new(StatusCode::METHOD_NOT_ALLOWED, "method", "Method not possible here", detail);
    let mut response = problem.into_response();
    response.headers_mut().remove(header::CONTENT_LENGTH);
    response
}
