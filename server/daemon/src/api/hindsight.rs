//! What was forecast against what happened.

use std::collections::HashMap;

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use chrono::{Days, NaiveDate};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::due::Score;
use ventmile_model::fleet::Kind;

use super::body::Params;
use super::key::{Key, Read};
use super::problem::{Fault, Problem};
use super::shapes::thousandth;
use super::upcoming::parameter;
use super::values;
use crate::app::App;
use crate::app::hindsight::{Comparison, Group, Hindsight};
use crate::store::HindsightFilter;

/// Which forecasts are looked at.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct HindsightQuery {
    /// The job; `fan-service` when left out.
    kind: Option<String>,
    /// Made on or after this day; a year ago when left out.
    from: Option<String>,
    /// Made on or before this day; today when left out.
    to: Option<String>,
    /// Only of this depot.
    depot: Option<String>,
}

/// How good forecasts were.
#[derive(Debug, Serialize, ToSchema)]
pub struct ScoreAnswer {
    /// Forecasts scored.
    n: usize,
    /// Mean pinball loss in days over the 10, 50 and 90 % dates: the smaller the better.
    mean_pinball: f64,
    /// Share of the outcomes between the 10 and the 90 % date: 0.8 is right.
    cover80: f64,
    /// Share before the 10 % date.
    below_q10: f64,
    /// Share after the 90 % date.
    above_q90: f64,
    /// Median error of the 50 % date in days.
    median_abs_error: f64,
}

impl From<Score> for ScoreAnswer {
    fn from(score: Score) -> Self {
        Self {
            n: score.count,
            mean_pinball: thousandth(score.mean_pinball),
            cover80: thousandth(score.cover80),
            below_q10: thousandth(score.below_q10),
            above_q90: thousandth(score.above_q90),
            median_abs_error: thousandth(score.median_abs_error),
        }
    }
}

/// The forecasts beside two naive ones of the same cars and days.
#[derive(Debug, Serialize, ToSchema)]
pub struct ComparisonAnswer {
    /// What these forecasts have in common: all, a horizon in days, a depot, a month, or told plans.
    group: String,
    /// The forecasts as they were made.
    ventmile: ScoreAnswer,
    /// The average of all history.
    naive_all_history: Option<ScoreAnswer>,
    /// The average of the last 28 days.
    naive_28_days: Option<ScoreAnswer>,
}

/// The forecasts of one edge.
#[derive(Debug, Default, Serialize, ToSchema)]
pub struct EdgeHindsight {
    /// All of them but those made while a plan was told.
    all: Option<ComparisonAnswer>,
    /// By how many days ahead the 50 % date was.
    by_horizon: Vec<ComparisonAnswer>,
    /// By depot.
    by_depot: Vec<ComparisonAnswer>,
    /// By the month in which they were made.
    by_month: Vec<ComparisonAnswer>,
    /// Those made while a plan still to come was told.
    told: Option<ComparisonAnswer>,
}

/// What was forecast against what happened.
#[derive(Debug, Serialize, ToSchema)]
pub struct HindsightAnswer {
    /// The job.
    kind: &'static str,
    /// Made on or after this day.
    from: NaiveDate,
    /// Made on or before this day.
    to: NaiveDate,
    /// Forecasts of the early edge.
    early: EdgeHindsight,
    /// Forecasts of the late edge.
    late: EdgeHindsight,
    /// How it is counted.
    note: &'static str,
}

const NOTE: &str = "One forecast a week, car and edge is kept. It is scored by the day on which the odometer passed the edge \
    where it stood then, whether or not a service came in between; one not passed yet is followed as far as the readings \
    reach, and forecast and outcome are both cut there. A car's readings may reach only as far as yesterday.";

fn comparison(group: String, comparison: Comparison) -> ComparisonAnswer {
    ComparisonAnswer {
        group,
        ventmile: comparison.model.into(),
        naive_all_history: comparison.naive_all.map(ScoreAnswer::from),
        naive_28_days: comparison.naive_recent.map(ScoreAnswer::from),
    }
}

fn edge(hindsight: &Hindsight, name: &str, depots: &HashMap<i64, String>) -> EdgeHindsight {
    let mut answer = EdgeHindsight::default();
    for ((_, group), found) in hindsight.comparisons.iter().filter(|((edge, _), _)| edge == name) {
        match group {
            Group::All => answer.all = Some(comparison("all".to_owned(), *found)),
            Group::Told => answer.told = Some(comparison("told plans".to_owned(), *found)),
            Group::Horizon(from, Some(to)) => {
                answer.by_horizon.push(comparison(format!("{from} to {to} days"), *found))
            }
            Group::Horizon(from, None) => answer.by_horizon.push(comparison(format!("{from} days and more"), *found)),
            Group::Depot(id) => {
                let code = depots.get(id).cloned().unwrap_or_default();
                answer.by_depot.push(comparison(code, *found));
            }
            Group::Month(year, month) => answer.by_month.push(comparison(format!("{year}-{month:02}"), *found)),
        }
    }
    answer
}

/// Were the dates right
///
/// Coverage of the 80 % interval, pinball loss and median error in days, by horizon, depot and month, and beside two
/// naive forecasts, so that it can be seen whether the model earns its keep.
#[utoipa::path(
    get, path = "/v1/hindsight", operation_id = "get_hindsight", tag = "Answers", params(HindsightQuery),
    responses((status = 200, body = HindsightAnswer), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn get_hindsight(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    Params(query): Params<HindsightQuery>,
) -> Result<Response, Problem> {
    let kind = parameter("kind", query.kind.as_deref(), values::kind)?.unwrap_or(Kind::FanService);
    let today = app.now().date_naive();
    let to = parameter("to", query.to.as_deref(), values::date)?.unwrap_or(today);
    let year_ago = today.checked_sub_days(Days::new(365)).unwrap_or(today);
    let from = parameter("from", query.from.as_deref(), values::date)?.unwrap_or(year_ago);
    let mut depots = HashMap::new();
    for depot in app.store.depots("", caller.actor.key_depots_of(), i64::from(i32::MAX)).await? {
        depots.insert(depot.id, depot.depot.code);
    }
    if let Some(code) = query.depot.as_deref().filter(|code| !depots.values().any(|known| known == code)) {
        return Err(Problem::query(Fault::parameter("depot", Some(code), "there is no such depot")));
    }
    let filter = HindsightFilter {
        kind,
        from,
        to,
        depot: query.depot,
        key_depots_of: caller.actor.key_depots_of(),
        limit: crate::app::hindsight::MOST,
    };
    let hindsight = app.hindsight(&filter).await?;
    let answer = HindsightAnswer {
        kind: kind.as_str(),
        from,
        to,
        early: edge(&hindsight, "early", &depots),
        late: edge(&hindsight, "late", &depots),
        note: NOTE,
    };
    Ok(axum::Json(answer).into_response())
}
