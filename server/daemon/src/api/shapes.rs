//! Shapes that several answers share.

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use ventmile_model::fleet::{DistanceUnit, Metres};

use super::condition::etag;
use crate::store::{Answer, Refused, Tally};

/// A row that was not stored.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct RefusedRow {
    /// Its number in the request, from 1; a CSV header is not counted, nor are empty lines.
    pub row: u64,
    /// Field at fault.
    pub field: String,
    /// Its value.
    pub value: Value,
    /// What is wrong and what would be right.
    pub reason: String,
}

/// What became of the rows of a post.
#[derive(Clone, Debug, Default, PartialEq, Serialize, ToSchema)]
pub struct PostAnswer {
    /// Rows that were new.
    pub stored: u64,
    /// Rows that were there already: they change nothing.
    pub repeated: u64,
    /// Rows that took the place of another value under the same key.
    pub replaced: u64,
    /// Rows that were not stored, each with the reason.
    pub refused: Vec<RefusedRow>,
}

impl From<Tally> for PostAnswer {
    fn from(tally: Tally) -> Self {
        let mut refused: Vec<RefusedRow> = tally.refused.into_iter().map(RefusedRow::from).collect();
        refused.sort_by_key(|row| row.row);
        Self { stored: tally.stored, repeated: tally.repeated, replaced: tally.replaced, refused }
    }
}

impl From<Refused> for RefusedRow {
    fn from(refused: Refused) -> Self {
        Self { row: refused.row, field: refused.field, value: refused.value, reason: refused.reason }
    }
}

/// 10, 50 and 90 % dates; null where not within the horizon.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct Dates {
    /// With a chance of 10 % it is reached by this day.
    pub p10: Option<NaiveDate>,
    /// With a chance of 50 %.
    pub p50: Option<NaiveDate>,
    /// With a chance of 90 %.
    pub p90: Option<NaiveDate>,
}

impl From<[Option<NaiveDate>; 3]> for Dates {
    fn from([p10, p50, p90]: [Option<NaiveDate>; 3]) -> Self {
        Self { p10, p50, p90 }
    }
}

impl From<ventmile_model::due::Quantiles> for Dates {
    fn from(dates: ventmile_model::due::Quantiles) -> Self {
        Self { p10: dates.p10, p50: dates.p50, p90: dates.p90 }
    }
}

/// The two edges of a window.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Edges {
    /// From here on the service may be done.
    pub early: f64,
    /// By here it must be done.
    pub late: f64,
}

/// Windows by meter; whichever comes first decides.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Windows {
    /// In distance since the service, in `distance_unit`.
    pub distance: Option<Edges>,
    /// In duty hours since the service.
    pub hours: Option<Edges>,
    /// In days since the service.
    pub days: Option<Edges>,
}

/// Amounts by meter.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, ToSchema)]
pub struct Amounts {
    /// Distance in `distance_unit`.
    pub distance: Option<f64>,
    /// Duty hours.
    pub hours: Option<f64>,
    /// Days.
    pub days: Option<i64>,
}

/// A distance in the unit asked for, to a tenth.
pub(super) fn shown(metres: Metres, unit: DistanceUnit) -> f64 {
    tenth(unit.of(metres))
}

/// Rounded to a tenth.
pub(super) fn tenth(value: f64) -> f64 {
    no_minus((value * 10.0).round() / 10.0)
}

/// Rounded to a thousandth.
pub(super) fn thousandth(value: f64) -> f64 {
    no_minus((value * 1000.0).round() / 1000.0)
}

/// A sum over nothing is -0.0, which nobody wants to read.
fn no_minus(value: f64) -> f64 {
    value + 0.0
}

/// The answer of a change: what is sent now and again when the request is repeated.
pub(super) fn answer<T: Serialize>(status: StatusCode, version: Option<i64>, body: &T) -> Answer {
    Answer { status: status.as_u16(), etag: version.map(etag), body: serde_json::to_string(body).unwrap_or_default() }
}

impl IntoResponse for Answer {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::OK);
        let mut response = if self.body.is_empty() {
            status.into_response()
        } else {
            (status, [(header::CONTENT_TYPE, "application/json")], self.body).into_response()
        };
        if let Some(tag) = self.etag.and_then(|tag| HeaderValue::from_str(&tag).ok()) {
            response.headers_mut().insert(header::ETAG, tag);
        }
        response
    }
}

/// A body with its entity tag.
pub(super) fn tagged<T: Serialize>(version: i64, body: &T) -> Response {
    answer(StatusCode::OK, Some(version), body).into_response()
}
