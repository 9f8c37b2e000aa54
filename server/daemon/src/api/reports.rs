//! Reports: services by window, cooling faults, cars out of service, money in cores. JSON and CSV.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::body::Params;
use super::csv;
use super::day_lists::{CarAway, away_view};
use super::key::{Key, Read};
use super::parts::{CoreAnswer, core_view};
use super::problem::Problem;
use super::shapes::{tenth, thousandth};
use crate::app::App;
use crate::app::keys::Caller;
use crate::app::reports::Shares;
use crate::store::{CoreFilter, ReportFilter};

/// Of which depot a report is, and how it is shown.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct ReportQuery {
    /// Only of this depot.
    depot: Option<String>,
    /// `json` or `csv`; by the Accept header when left out.
    format: Option<String>,
}

impl ReportQuery {
    fn filter(&self, caller: &Caller) -> ReportFilter {
        ReportFilter { depot: self.depot.clone(), key_depots_of: caller.actor.key_depots_of() }
    }
}

/// Fan services of a depot and month by where in their window they were done.
#[derive(Debug, Serialize, ToSchema)]
pub struct ServiceShare {
    /// Depot.
    depot: String,
    /// First day of the month.
    month: NaiveDate,
    /// Services whose place is known.
    services: u64,
    /// Before the early edge.
    before: u64,
    /// Inside the window.
    inside: u64,
    /// Past the late edge.
    past: u64,
    /// Services with nothing to count from, or without an odometer.
    unknown: u64,
    /// Share inside, of those whose place is known.
    inside_share: Option<f64>,
}

impl ServiceShare {
    fn of((depot, month): (String, NaiveDate), shares: Shares) -> Self {
        let services = shares.before + shares.inside + shares.past;
        Self {
            depot,
            month,
            services,
            before: shares.before,
            inside: shares.inside,
            past: shares.past,
            unknown: shares.unknown,
            inside_share: (services > 0).then(|| thousandth(shares.inside as f64 / services as f64)),
        }
    }

    fn cells(self) -> [String; 8] {
        [
            csv::text(&self.depot),
            self.month.to_string(),
            self.services.to_string(),
            self.before.to_string(),
            self.inside.to_string(),
            self.past.to_string(),
            self.unknown.to_string(),
            csv::maybe(self.inside_share),
        ]
    }
}

/// Services by depot and month.
#[derive(Debug, Serialize, ToSchema)]
pub struct ServicesReport {
    /// By depot, then by month.
    items: Vec<ServiceShare>,
}

/// Report on services by window
///
/// Each fan service (a pack replacement with its fan steps counts as one) by where in its window it was done: as found when its
/// order was completed, by rule, grade, hours and depot of that time. One that was only logged is held against the window of
/// hard duty as the rule stands now, by distance and days since the one before it, or since a new car went into service.
#[utoipa::path(
    get, path = "/v1/reports/services", operation_id = "get_services_report", tag = "Answers", params(ReportQuery),
    responses((status = 200, content((ServicesReport = "application/json"), (String = "text/csv"))), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_services_report(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    headers: HeaderMap,
    Params(query): Params<ReportQuery>,
) -> Result<Response, Problem> {
    const HEAD: [&str; 8] = ["depot", "month", "services", "before", "inside", "past", "unknown", "inside_share"];
    let as_csv = csv::wanted(query.format.as_deref(), &headers)?;
    let shares = app.service_shares(&query.filter(&caller)).await?;
    let items: Vec<ServiceShare> = shares.into_iter().map(|(of, shares)| ServiceShare::of(of, shares)).collect();
    if as_csv {
        return Ok(csv::table(HEAD, items.into_iter().map(ServiceShare::cells)));
    }
    Ok(axum::Json(ServicesReport { items }).into_response())
}

/// The mean cumulative function at one age.
#[derive(Debug, Serialize, ToSchema)]
pub struct FaultStep {
    /// Days in service.
    age_days: f64,
    /// Cars watched at that age.
    at_risk: f64,
    /// Faults at that age.
    faults: f64,
    /// Faults a car has had by then, in the mean.
    mean: f64,
    /// Its standard error.
    se: f64,
}

/// How often cooling fails.
#[derive(Debug, Serialize, ToSchema)]
pub struct FailuresReport {
    /// Cars watched.
    cars: usize,
    /// Days all of them were watched, added up.
    car_days: f64,
    /// Faults meanwhile.
    faults: usize,
    /// Days between faults in the mean; null without any.
    mean_days_between: Option<f64>,
    /// Faults a car has had by an age, in the mean.
    mean_cumulative: Vec<FaultStep>,
}

/// Report on cooling faults
///
/// A fault is an order for a cooling check that was not cancelled, at the day it was raised. Ages are days in service, watched
/// from the day the car came into the register.
#[utoipa::path(
    get, path = "/v1/reports/failures", operation_id = "get_failures_report", tag = "Answers", params(ReportQuery),
    responses((status = 200, content((FailuresReport = "application/json"), (String = "text/csv"))), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_failures_report(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    headers: HeaderMap,
    Params(query): Params<ReportQuery>,
) -> Result<Response, Problem> {
    let as_csv = csv::wanted(query.format.as_deref(), &headers)?;
    let found = app.failures(&query.filter(&caller)).await?;
    let mean_days_between = found.days_between().map(tenth);
    let steps = found.steps.iter().map(|step| FaultStep {
        age_days: step.age,
        at_risk: step.at_risk,
        faults: step.events,
        mean: thousandth(step.mean),
        se: thousandth(step.se),
    });
    if as_csv {
        let cells =
            steps.map(|step| [step.age_days, step.at_risk, step.faults, step.mean, step.se].map(|it| it.to_string()));
        return Ok(csv::table(["age_days", "at_risk", "faults", "mean", "se"], cells));
    }
    let report = FailuresReport {
        cars: found.cars,
        car_days: found.car_days,
        faults: found.faults,
        mean_days_between,
        mean_cumulative: steps.collect(),
    };
    Ok(axum::Json(report).into_response())
}

/// Cars out of service today.
#[derive(Debug, Serialize, ToSchema)]
pub struct OutOfServiceReport {
    /// By unit number.
    items: Vec<CarAway>,
}

/// Report on cars out of service
///
/// Today, by the calendar of each car's depot.
#[utoipa::path(
    get, path = "/v1/reports/out-of-service", operation_id = "get_out_of_service_report", tag = "Answers",
    params(ReportQuery),
    responses((status = 200, content((OutOfServiceReport = "application/json"), (String = "text/csv"))), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_out_of_service_report(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    headers: HeaderMap,
    Params(query): Params<ReportQuery>,
) -> Result<Response, Problem> {
    let as_csv = csv::wanted(query.format.as_deref(), &headers)?;
    let away = app.cars_away_today(query.depot.as_deref(), caller.actor.key_depots_of()).await?;
    let items: Vec<CarAway> = away.into_iter().map(away_view).collect();
    if as_csv {
        const HEAD: [&str; 6] = ["unit", "depot", "since", "back_on", "reason", "safety_hold"];
        return Ok(csv::table(HEAD, items.iter().map(CarAway::report_cells)));
    }
    Ok(axum::Json(OutOfServiceReport { items }).into_response())
}

/// Money in cores.
#[derive(Debug, Serialize, ToSchema)]
pub struct CoresReport {
    /// Still to come, in cents.
    outstanding_cents: i64,
    /// Of that, what is claimed under warranty.
    claimed_cents: i64,
    /// Cores that should have gone back by now.
    overdue: usize,
    /// Cores for which money is still to come, or that are overdue.
    items: Vec<CoreAnswer>,
}

/// More cores than a fleet has.
const WHOLE: i64 = 1_000_000;

/// Report on money outstanding in cores
#[utoipa::path(
    get, path = "/v1/reports/cores", operation_id = "get_cores_report", tag = "Answers", params(ReportQuery),
    responses((status = 200, content((CoresReport = "application/json"), (String = "text/csv"))), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_cores_report(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    headers: HeaderMap,
    Params(query): Params<ReportQuery>,
) -> Result<Response, Problem> {
    let as_csv = csv::wanted(query.format.as_deref(), &headers)?;
    let filter = CoreFilter {
        depot: query.depot,
        key_depots_of: caller.actor.key_depots_of(),
        limit: WHOLE,
        ..CoreFilter::default()
    };
    let all = app.store.cores(&filter).await?;
    let mut items: Vec<CoreAnswer> = all.iter().map(|record| core_view(record, app.now())).collect();
    items.retain(|core| core.outstanding_cents > 0 || core.overdue);
    if as_csv {
        const HEAD: [&str; 10] =
            ["core", "unit", "depot", "serial", "type", "path", "return_by", "overdue", "outstanding_cents", "claim"];
        return Ok(csv::table(HEAD, items.iter().map(CoreAnswer::cells)));
    }
    let overdue = items.iter().filter(|core| core.overdue).count();
    let outstanding_cents = items.iter().map(|core| core.outstanding_cents).sum();
    let claimed_cents = items.iter().filter(|core| core.runs()).map(|core| core.outstanding_cents).sum();
    Ok(axum::Json(CoresReport { outstanding_cents, claimed_cents, overdue, items }).into_response())
}
