//! How hard a car is driven, in words.

use chrono::NaiveDate;
use ventmile_model::duty::{self, Condition, Evidence, Grading, Missing, WeekKind};
use ventmile_model::fleet::Mixed;

/// The weeks without duty logs, or without seat logs, by Monday.
#[must_use]
pub fn weeks_without(missing: &[Missing], seat: bool) -> Vec<NaiveDate> {
    let pick = |one: &Missing| match one {
        Missing::Duty { week } => (!seat).then_some(*week),
        Missing::Seat { week } => seat.then_some(*week),
    };
    missing.iter().filter_map(pick).collect()
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
#[must_use]
pub fn grading_words(grading: &Grading, mixed: Mixed, settings: &duty::Settings) -> String {
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
        assert_eq!(grading_words(&grading, mixed, &settings), expected);
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
