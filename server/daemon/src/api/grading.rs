//! How hard a car is driven, in numbers.

use chrono::NaiveDate;
use serde::Serialize;
use utoipa::ToSchema;
use ventmile_model::duty::{self, Evidence, Grading};
use ventmile_model::fleet::Mixed;

use super::shapes::thousandth;
use crate::app::grading::{grading_words, weeks_without};

/// What one window of days shows about duty.
#[derive(Debug, Serialize, ToSchema)]
pub struct EvidenceAnswer {
    /// First day.
    from: NaiveDate,
    /// Last day.
    to: NaiveDate,
    /// `hard` or `ordinary`.
    grade: &'static str,
    /// Conditions of hard duty that hold: `days-per-week`, `hours-per-day`, `rear-seat`, `duty-logs-missing`,
    /// `seat-logs-missing`.
    conditions: Vec<&'static str>,
    /// Days driven.
    days_driven: u32,
    /// Complete weeks, Monday to Sunday, in the window.
    complete_weeks: u32,
    /// Monday of the complete week with the most days driven.
    busiest_week: Option<NaiveDate>,
    /// Days driven in it.
    busiest_week_days: Option<u32>,
    /// First of the seven days in a row with the most days driven, wherever the week begins.
    busiest_seven_days_from: Option<NaiveDate>,
    /// Days driven in them.
    busiest_seven_days_driven: Option<u32>,
    /// Mean hours over the days driven whose hours are known.
    mean_hours: Option<f64>,
    /// Share of the trips on which the rear seat was taken.
    rear_share: Option<f64>,
    /// Days told to be off the road.
    days_off_road: u32,
    /// Weeks without their duty logs, by Monday.
    weeks_without_duty_logs: Vec<NaiveDate>,
    /// Weeks without their seat logs, by Monday.
    weeks_without_seat_logs: Vec<NaiveDate>,
    /// Complete weeks whose duty logs are late but may still come, by Monday: not held against the car.
    weeks_awaiting_duty_logs: Vec<NaiveDate>,
    /// Complete weeks whose seat logs are late but may still come, by Monday: not held against the car.
    weeks_awaiting_seat_logs: Vec<NaiveDate>,
}

/// Why a car is hard still although its trailing window is ordinary.
#[derive(Debug, Serialize, ToSchema)]
pub struct HeldAnswer {
    /// The last day on which a hard window ended.
    last_hard_on: NaiveDate,
    /// Conditions that no longer hold but are still within the margin: `hours-per-day`, `rear-seat`. Empty when only
    /// time has to pass.
    within_margin: Vec<&'static str>,
    /// The last day it is held, unless its duty gets harder again; null while a condition is within the margin.
    until: Option<NaiveDate>,
}

/// How hard the car is driven.
#[derive(Debug, Serialize, ToSchema)]
pub struct DutyAnswer {
    /// The grade that decides where mixed duty is strict: `hard` or `ordinary`. The grade now, or the hardest sustained
    /// since the last service.
    grade: &'static str,
    /// The grade now: hard at once, ordinary only after a time by a margin.
    now: &'static str,
    /// Since when that has been the grade; at the earliest the first day with a log, or the last service if earlier.
    now_since: NaiveDate,
    /// The day since the last service on which the grade now went from hard to ordinary, if it is that still.
    eased_on: Option<NaiveDate>,
    /// Why it is hard now although the trailing window is ordinary.
    held: Option<HeldAnswer>,
    /// Weeks in which driven days are counted: `iso` (Monday to Sunday) or `rolling` (any seven days in a row).
    week: &'static str,
    /// The trailing window.
    current: EvidenceAnswer,
    /// The latest hard window, where it makes the grade hard and the trailing one does not.
    earlier: Option<EvidenceAnswer>,
    /// In words.
    explanation: String,
}

fn evidence(evidence: &Evidence) -> EvidenceAnswer {
    EvidenceAnswer {
        from: evidence.from,
        to: evidence.to,
        grade: evidence.grade.as_str(),
        conditions: evidence.conditions.iter().map(|condition| condition.as_str()).collect(),
        days_driven: evidence.days_driven,
        complete_weeks: evidence.complete_weeks,
        busiest_week: evidence.busiest_week.map(|(monday, _)| monday),
        busiest_week_days: evidence.busiest_week.map(|(_, days)| days),
        busiest_seven_days_from: evidence.busiest_seven_days.map(|(first, _)| first),
        busiest_seven_days_driven: evidence.busiest_seven_days.map(|(_, days)| days),
        mean_hours: evidence.mean_hours.map(thousandth),
        rear_share: evidence.rear_share.map(thousandth),
        days_off_road: evidence.days_off_road,
        weeks_without_duty_logs: weeks_without(&evidence.missing, false),
        weeks_without_seat_logs: weeks_without(&evidence.missing, true),
        weeks_awaiting_duty_logs: weeks_without(&evidence.awaited, false),
        weeks_awaiting_seat_logs: weeks_without(&evidence.awaited, true),
    }
}

/// How hard the car is driven, with the evidence.
pub(super) fn duty_answer(grading: &Grading, mixed: Mixed, settings: &duty::Settings) -> DutyAnswer {
    let last = grading.hardest.as_ref();
    let held = grading.held.as_ref().zip(last).map(|(held, last)| HeldAnswer {
        last_hard_on: last.to,
        within_margin: held.close.iter().map(|condition| condition.as_str()).collect(),
        until: held.until,
    });
    DutyAnswer {
        grade: grading.grade.as_str(),
        now: grading.now.as_str(),
        now_since: grading.now_since,
        eased_on: grading.eased,
        held,
        week: settings.week.as_str(),
        current: evidence(&grading.current),
        earlier: last.map(evidence),
        explanation: grading_words(grading, mixed, settings),
    }
}
