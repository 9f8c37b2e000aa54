//! How hard a car is driven, in numbers and in words.

use chrono::NaiveDate;
use serde::Serialize;
use utoipa::ToSchema;
use ventmile_model::duty::{self, Condition, Evidence, Grading, Missing, WeekKind};
use ventmile_model::fleet::Mixed;

use super::shapes::thousandth;

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

/// The weeks without duty logs, or without seat logs, by Monday.
fn weeks_without(missing: &[Missing], seat: bool) -> Vec<NaiveDate> {
    let pick = |one: &Missing| match one {
        Missing::Duty { week } => (!seat).then_some(*week),
        Missing::Seat { week } => seat.then_some(*week),
    };
    missing.iter().filter_map(pick).collect()
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

/// Weeks in words, by Monday.
fn listed(weeks: &[NaiveDate]) -> String {
    let days: Vec<String> = weeks.iter().map(NaiveDate::to_string).collect();
    format!("{} of {}", if days.len() == 1 { "week" } else { "weeks" }, days.join(", "))
}

/// What one window shows in words.
fn duty_words(evidence: &Evidence, week: WeekKind) -> String {
    let why: Vec<String> = evidence
        .conditions
        .iter()
        .map(|condition| match condition {
            Condition::SixDayWeek => {
                let (from, days) = match week {
                    WeekKind::Iso => evidence.busiest_week.unwrap_or_default(),
                    WeekKind::Rolling => evidence.busiest_seven_days.unwrap_or_default(),
                };
                match week {
                    WeekKind::Iso => format!("driven on {days} days in the week of {from}"),
                    WeekKind::Rolling => format!("driven on {days} of the seven days from {from}"),
                }
            }
            Condition::LongDays => {
                format!("{} hours a driven day in the mean", hundredth(evidence.mean_hours))
            }
            Condition::RearSeat => {
                format!("the rear seat taken on {:.0} % of the trips", evidence.rear_share.unwrap_or_default() * 100.0)
            }
            Condition::DutyLogsMissing => format!(
                "duty logs are missing in the {}, which counts as hard",
                listed(&weeks_without(&evidence.missing, false))
            ),
            Condition::SeatLogsMissing => format!(
                "seat logs are missing in the {}, which counts as hard",
                listed(&weeks_without(&evidence.missing, true))
            ),
        })
        .collect();
    let span = format!("{} to {}", evidence.from, evidence.to);
    if why.is_empty() {
        format!("Ordinary from {span}: no condition of hard duty holds.")
    } else {
        format!("Hard from {span}: {}.", why.join("; "))
    }
}

/// Two digits, so that a mean just above ten hours does not read as ten.
fn hundredth(value: Option<f64>) -> String {
    format!("{:.2}", value.unwrap_or_default())
}

/// The grade in words: what the trailing window shows, and what of earlier days still counts.
fn grading_words(grading: &Grading, mixed: Mixed, settings: &duty::Settings) -> String {
    let current = &grading.current;
    let mut words = duty_words(current, settings.week);
    let awaited = weeks_without(&current.awaited, false);
    if !awaited.is_empty() {
        words.push_str(&format!(" The duty logs of the {} may still come.", listed(&awaited)));
    }
    if let (Some(held), Some(last)) = (&grading.held, &grading.hardest) {
        words.push_str(&format!(" Hard by hysteresis: the last hard window ended on {}", last.to));
        for condition in &held.close {
            words.push_str(&match condition {
                Condition::LongDays => {
                    let bound = hundredth(Some(settings.release_share * settings.mean_hours));
                    format!("; {} hours a driven day are still above {bound}", hundredth(current.mean_hours))
                }
                _ => {
                    let bound = settings.release_share * settings.rear_share * 100.0;
                    let share = current.rear_share.unwrap_or_default() * 100.0;
                    format!("; the rear seat taken on {share:.1} % of the trips is not yet below {bound:.1} %")
                }
            });
        }
        words.push_str(&match held.until {
            Some(until) => format!("; held until {until} unless its duty gets harder."),
            None => ".".to_owned(),
        });
        words.push_str(&format!(" {}", duty_words(last, settings.week)));
        return words;
    }
    let Some(earlier) = &grading.hardest else {
        if let Some(eased) = grading.eased {
            words.push_str(&format!(" Ordinary since {eased}: the hard windows before reach back before the service."));
        }
        return words;
    };
    let eased = grading.eased.map(|eased| format!(" (ordinary again since {eased})")).unwrap_or_default();
    words.push_str(&match mixed {
        Mixed::Strict => format!(" But since the last service it was hard before{eased}, which counts until the next."),
        Mixed::Blended => format!(" Since the last service it was hard before{eased}; each day counts as it was."),
    });
    format!("{words} {}", duty_words(earlier, settings.week))
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

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use ventmile_model::duty::{DutyDay, Settings};

    use super::*;

    /// A Monday.
    const FIRST: &str = "2026-01-05";

    fn day(number: u64) -> NaiveDate {
        FIRST.parse::<NaiveDate>().unwrap() + chrono::Days::new(number)
    }

    /// Five days a week up to day `last`, of so many hours by the number of the day; day 89, a Saturday, is driven too
    /// where `six` is set.
    fn days(last: u64, six: bool, hours: impl Fn(u64) -> f64) -> BTreeMap<NaiveDate, DutyDay> {
        let driven = |number| number % 7 < 5 || (six && number == 89);
        let one = |number| match driven(number) {
            true => DutyDay {
                hours: hours(number),
                seat_trips: 20,
                rear_trips: 4,
                driven: true,
                has_duty: true,
                has_seat: true,
                ..DutyDay::default()
            },
            false => DutyDay { has_duty: true, has_seat: true, ..DutyDay::default() },
        };
        (0..=last).map(|number| (day(number), one(number))).collect()
    }

    #[track_caller]
    fn check(days: &BTreeMap<NaiveDate, DutyDay>, today: u64, service: u64, mixed: Mixed, expected: &str) {
        let settings = Settings::default();
        let since = Some(day(service));
        let grading = duty::grade(days, &[], |_, _| false, since, day(today), &settings);
        assert_eq!(duty_answer(&grading, mixed, &settings).explanation, expected);
    }

    const SIX_DAYS: &str = "Hard from 2026-03-30 to 2026-04-26: driven on 6 days in the week of 2026-03-30.";

    #[test]
    fn the_words_say_what_is_hard_what_holds_and_until_when() {
        check(&days(111, true, |_| 8.0), 112, 60, Mixed::Strict, SIX_DAYS);
        check(
            &days(112, true, |_| 8.0),
            113,
            60,
            Mixed::Strict,
            &format!(
                "Ordinary from 2026-03-31 to 2026-04-27: no condition of hard duty holds. Hard by hysteresis: the last \
                 hard window ended on 2026-04-26; held until 2026-05-10 unless its duty gets harder. {SIX_DAYS}"
            ),
        );
        check(
            &days(160, false, |number| if number < 70 { 10.5 } else { 9.7 }),
            161,
            30,
            Mixed::Strict,
            "Ordinary from 2026-05-18 to 2026-06-14: no condition of hard duty holds. Hard by hysteresis: the last hard \
             window ended on 2026-03-31; 9.70 hours a driven day are still above 9.50. Hard from 2026-03-04 to \
             2026-03-31: 10.02 hours a driven day in the mean.",
        );
    }

    #[test]
    fn the_words_say_whether_a_hard_past_still_counts() {
        let days = days(130, true, |_| 8.0);
        let ordinary = "Ordinary from 2026-04-18 to 2026-05-15: no condition of hard duty holds.";
        check(
            &days,
            131,
            60,
            Mixed::Strict,
            &format!(
                "{ordinary} But since the last service it was hard before (ordinary again since 2026-05-11), which \
                 counts until the next. {SIX_DAYS}"
            ),
        );
        check(
            &days,
            131,
            60,
            Mixed::Blended,
            &format!(
                "{ordinary} Since the last service it was hard before (ordinary again since 2026-05-11); each day \
                 counts as it was. {SIX_DAYS}"
            ),
        );
        check(
            &days,
            131,
            100,
            Mixed::Strict,
            &format!("{ordinary} Ordinary since 2026-05-11: the hard windows before reach back before the service."),
        );
        check(&days, 131, 128, Mixed::Strict, ordinary);
    }

    #[test]
    fn missing_and_late_logs_are_named() {
        let mut days = days(123, false, |_| 8.0);
        days.retain(|on, _| !(day(98)..=day(104)).contains(on) && *on < day(119));
        check(
            &days,
            126,
            60,
            Mixed::Strict,
            "Hard from 2026-04-13 to 2026-05-10: duty logs are missing in the week of 2026-04-13, which counts as hard. \
             The duty logs of the week of 2026-05-04 may still come.",
        );
    }
}
