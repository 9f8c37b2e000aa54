//! What a list shows of a forecast, in metres, as it is stored beside it.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use ventmile_model::due::Quantiles;
use ventmile_model::fleet::{DistanceUnit, Grade, Kind, Meter, Window};

use super::assess::{Assessment, CountsFrom};

/// A forecast as a list shows it; distances are metres.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Item {
    /// The job.
    pub kind: String,
    /// Where the car stands in its window.
    pub band: String,
    /// `hard` or `ordinary`.
    pub grade: String,
    /// Unit in which its depot shows distances.
    pub distance_unit: String,
    /// Meter that comes first.
    pub deciding_meter: Option<String>,
    /// `service`, `assumed` or `unknown`.
    pub counts_from: String,
    /// Local day from which the interval counts.
    pub counts_since: Option<NaiveDate>,
    /// Distance, hours and days since then.
    pub since_metres: Option<i64>,
    /// Duty hours since then.
    pub since_hours: Option<f64>,
    /// Days since then.
    pub since_days: Option<i64>,
    /// Window in metres.
    pub distance: Option<(i64, i64)>,
    /// Window in hours.
    pub hours: Option<(f64, f64)>,
    /// Window in days.
    pub days: Option<(i64, i64)>,
    /// 10, 50 and 90 % dates of the early edge.
    pub early: [Option<NaiveDate>; 3],
    /// The same of the late edge.
    pub late: [Option<NaiveDate>; 3],
    /// Why a date is missing.
    pub no_date_because: Option<String>,
    /// Chance of having run past the late edge by `chance_by`.
    pub chance_past_late: Option<f64>,
    /// The day the lead time ends.
    pub chance_by: NaiveDate,
    /// Last believed reading.
    pub last_reading_at: Option<DateTime<Utc>>,
    /// Days since it.
    pub silent_days: i64,
    /// Whether the car is silent.
    pub silent: bool,
    /// Whether it is off the road today.
    pub off_road: bool,
    /// Why an order is called for.
    pub raise_reason: Option<String>,
    /// What should be known.
    pub notes: Vec<String>,
}

fn dates(quantiles: Quantiles) -> [Option<NaiveDate>; 3] {
    [quantiles.p10, quantiles.p50, quantiles.p90]
}

fn pair<T, U>(window: Option<Window<T>>, value: impl Fn(T) -> U) -> Option<(U, U)> {
    window.map(|window| (value(window.early), value(window.late)))
}

impl Item {
    /// The item of an assessment.
    #[must_use]
    pub fn of(assessment: &Assessment, kind: Kind, unit: DistanceUnit, horizon_days: i64) -> Self {
        let interval = assessment.interval.as_ref();
        let position = interval.map(|interval| &interval.position);
        let due = interval.map(|interval| &interval.due);
        let windows = interval.map(|interval| interval.windows).unwrap_or_default();
        let (early, late) = due.map(|due| (dates(due.early), dates(due.late))).unwrap_or_default();
        let missing = early.iter().chain(&late).any(Option::is_none);
        Self {
            kind: kind.as_str().to_owned(),
            band: assessment.band().as_str().to_owned(),
            grade: grade_name(assessment.grading.grade),
            distance_unit: unit.as_str().to_owned(),
            deciding_meter: due.map(|due| meter_name(due.deciding_meter)),
            counts_from: match assessment.counts_from {
                CountsFrom::Service { .. } => "service",
                CountsFrom::Assumed { .. } => "assumed",
                CountsFrom::Unknown { .. } => "unknown",
            }
            .to_owned(),
            counts_since: position.map(|position| position.service_on),
            since_metres: position.map(|position| position.metres_since.0),
            since_hours: position.map(|position| position.hours_since),
            since_days: position.map(|position| (assessment.today - position.service_on).num_days()),
            distance: pair(windows.distance, |metres| metres.0),
            hours: pair(windows.hours, |hours| hours.0),
            days: pair(windows.days, |days| days),
            early,
            late,
            no_date_because: missing.then(|| no_date(assessment, horizon_days)),
            chance_past_late: assessment.chance_past_late,
            chance_by: assessment.lead_ends,
            last_reading_at: assessment.last_reading_at,
            silent_days: assessment.silent_days,
            silent: assessment.silent,
            off_road: assessment.off_road_today,
            raise_reason: assessment.raise_reason.clone(),
            notes: assessment.notes.clone(),
        }
    }

    /// The unit in which its depot shows distances.
    #[must_use]
    pub fn unit(&self) -> DistanceUnit {
        DistanceUnit::parse(&self.distance_unit).unwrap_or(DistanceUnit::Kilometre)
    }
}

fn grade_name(grade: Grade) -> String {
    grade.as_str().to_owned()
}

fn meter_name(meter: Meter) -> String {
    meter.as_str().to_owned()
}

fn no_date(assessment: &Assessment, horizon_days: i64) -> String {
    match (&assessment.counts_from, &assessment.interval) {
        (CountsFrom::Unknown { .. }, _) => super::assess::sentence(assessment, DistanceUnit::Kilometre),
        (_, None) => "the service rule has no window in any meter".to_owned(),
        _ if assessment.usage.metres_per_day <= 0.0 => {
            "the car stands: at 0 a day no edge of distance is reached".to_owned()
        }
        _ if assessment.off_road_open => "the car is off the road and no end is told".to_owned(),
        _ => format!("not within the horizon of {horizon_days} days"),
    }
}

/// A car in hard duty, 18,600 mi after its fan service, for the tests of whatever shows one.
#[cfg(test)]
pub(crate) fn sample() -> Item {
    let date = |text: &str| text.parse::<NaiveDate>().ok();
    Item {
        kind: "fan-service".to_owned(),
        band: "before".to_owned(),
        grade: "hard".to_owned(),
        distance_unit: "mi".to_owned(),
        deciding_meter: Some("distance".to_owned()),
        counts_from: "service".to_owned(),
        counts_since: date("2025-12-01"),
        since_metres: Some(29_933_798),
        since_hours: Some(1010.0),
        since_days: Some(107),
        distance: Some((32_186_880, 40_233_600)),
        hours: None,
        days: None,
        early: [date("2026-03-24"), date("2026-03-26"), date("2026-03-28")],
        late: [date("2026-04-16"), date("2026-04-23"), date("2026-05-02")],
        no_date_because: None,
        chance_past_late: Some(0.02),
        chance_by: date("2026-04-01").unwrap_or_default(),
        last_reading_at: "2026-03-17T21:00:00Z".parse().ok(),
        silent_days: 1,
        silent: false,
        off_road: false,
        raise_reason: None,
        notes: Vec::new(),
    }
}
