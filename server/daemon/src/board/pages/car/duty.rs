//! How a car is driven: which condition makes its duty hard, and the days that say so.

use std::collections::BTreeMap;

use chrono::{Datelike, Days, NaiveDate};
use maud::{Markup, html};
use ventmile_model::duty::{self, Condition, DutyDay, Evidence, WeekKind};
use ventmile_model::fleet::OffRoad;

use crate::app::forecasts::CarForecast;
use crate::app::grading::{grading_words, weeks_without};
use crate::app::limits::duty_settings;
use crate::board::plot::{Look, Plot, Scale, Series, Shape, Table, day_place};
use crate::board::say;
use crate::config::Settings;

/// A day of the window.
#[derive(Clone, Copy, Debug)]
struct Day {
    on: NaiveDate,
    log: Option<DutyDay>,
    off_road: bool,
    /// Whether the duty logs of its week are missing: only then is a day without one more than a day off.
    missing: bool,
}

/// One thing that may make duty hard.
#[derive(Clone, Debug)]
struct Line {
    hard: bool,
    found: String,
    bound: String,
}

/// What the section shows.
#[derive(Debug)]
pub(super) struct Duty {
    explanation: String,
    lines: Vec<Line>,
    /// The days of the window, in order.
    days: Vec<Day>,
    /// Weeks, by Monday, whose seat logs are missing.
    no_seat_logs: Vec<NaiveDate>,
    hard_hours: f64,
}

const WEEKDAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];

impl Duty {
    pub(super) fn of(forecast: &CarForecast, settings: &Settings) -> Self {
        let (assessment, bounds) = (&forecast.assessment, duty_settings(settings));
        let current = &assessment.grading.current;
        let words = grading_words(&assessment.grading, forecast.rule.rule.mixed, &bounds);
        Self {
            explanation: say::in_words(&words, assessment.today),
            lines: lines(current, &bounds, assessment.today),
            days: window(current, &assessment.days, &forecast.logs.off_road),
            no_seat_logs: weeks_without(&current.missing, true),
            hard_hours: bounds.mean_hours,
        }
    }

    /// Hours by day, against the mean from which duty is hard.
    fn plot(&self) -> Option<Plot> {
        let hours: Vec<(f64, f64)> = self
            .days
            .iter()
            .filter_map(|day| Some((day_place(day.on), day.log.filter(|log| log.has_duty)?.hours)))
            .collect();
        let most = hours.iter().map(|(_, hours)| *hours).reduce(f64::max)?;
        let (first, last) = (self.days.first()?.on, self.days.last()?.on);
        let at_zero = |wanted: fn(&Day) -> bool| -> Vec<(f64, f64)> {
            self.days.iter().filter(|day| wanted(day)).map(|day| (day_place(day.on), 0.0)).collect()
        };
        let mut series = vec![Series::new("hours on duty", Look::First, Shape::Bars(hours, 0.7))];
        let marks = [
            ("off the road", Look::Plain, at_zero(|day| day.off_road)),
            ("duty log missing", Look::Second, at_zero(|day| day.missing)),
        ];
        for (name, look, points) in marks.into_iter().filter(|(.., points)| !points.is_empty()) {
            series.push(Series::new(name, look, Shape::Points(points)));
        }
        series.push(Series::new("hard above this, in the mean", Look::Second, Shape::Level(self.hard_hours)));
        Some(Plot {
            id: "duty".to_owned(),
            title: "Hours on duty by day".to_owned(),
            says: self.says(),
            x: Scale::days(first, last),
            y: Scale::numbers(0.0, most.max(self.hard_hours)),
            series,
            table: Table::default(),
        })
    }

    fn says(&self) -> String {
        let driven: Vec<&DutyDay> =
            self.days.iter().filter_map(|day| day.log.as_ref()).filter(|log| log.driven).collect();
        let trips: u32 = driven.iter().map(|log| log.trips.max(log.seat_trips)).sum();
        format!(
            "Driven on {} of {} days, {} in all.",
            driven.len(),
            self.days.len(),
            say::count(trips as usize, "trip")
        )
    }

    /// The days by week, Monday to Sunday.
    fn weeks(&self) -> Markup {
        let name = "Each day: hours on duty, trips, share of trips with the rear seat taken";
        html! {
            section.scroll tabindex="0" aria-label=(name) {
                table.weeks {
                    caption { (name) }
                    thead { tr { th scope="col" { "Week" } @for day in WEEKDAYS { th scope="col" { (day) } } } }
                    tbody {
                        @for week in self.days.chunk_by(|one, next| monday(one.on) == monday(next.on)) { (self.week(week)) }
                    }
                }
            }
        }
    }

    fn week(&self, week: &[Day]) -> Markup {
        let first = monday(week.first().map(|day| day.on).unwrap_or_default());
        let days = (0..7).map(|place| week.iter().find(|day| day.on.weekday().num_days_from_monday() == place));
        html! {
            tr {
                th scope="row" {
                    time datetime=(first) { (first.format("%-d %b")) }
                    @if let Some(words) = self.missing_in(week, first) { " ◆ " (words) }
                }
                @for day in days { td { @if let Some(day) = day { (day.drawn()) } } }
            }
        }
    }

    /// What logs the week of a Monday lacks, so that it counts as hard.
    fn missing_in(&self, week: &[Day], monday: NaiveDate) -> Option<&'static str> {
        match (week.iter().any(|day| day.missing), self.no_seat_logs.contains(&monday)) {
            (true, true) => Some("duty and seat logs missing"),
            (true, false) => Some("duty logs missing"),
            (false, true) => Some("seat logs missing"),
            (false, false) => None,
        }
    }

    pub(super) fn drawn(&self) -> Markup {
        html! {
            section aria-labelledby="duty" {
                h2 #duty { "How it is driven" }
                p { (self.explanation) }
                ul.lines {
                    @for line in &self.lines {
                        li {
                            @if line.hard { strong { "◆ Hard: " (line.found) } } @else { "▹ " (line.found) }
                            " " small { "(" (line.bound) ")" }
                        }
                    }
                }
                @if let Some(plot) = self.plot() { (plot.drawn()) }
                (self.weeks())
            }
        }
    }
}

impl Day {
    fn drawn(&self) -> Markup {
        let Some(log) = self.log else {
            return html! { @if self.off_road { "off the road" } @else if self.missing { "no log" } @else { "–" } };
        };
        let trips = log.trips.max(log.seat_trips);
        html! {
            @if log.has_duty && log.driven { strong { (format!("{:.1} h", log.hours)) } }
            @else if log.driven { strong { "driven" } }
            @else if self.off_road { "off the road" }
            @else { "stood" }
            @if trips > 0 { br; (trips) }
            @if log.seat_trips > 0 { br; (rear_percent(&log)) " %" }
        }
    }
}

fn rear_percent(log: &DutyDay) -> String {
    say::number(f64::from(log.rear_trips) / f64::from(log.seat_trips.max(1)) * 100.0)
}

fn monday(day: NaiveDate) -> NaiveDate {
    day.checked_sub_days(Days::new(day.weekday().num_days_from_monday().into())).unwrap_or(day)
}

/// Every day of a window, logged or not.
fn window(current: &Evidence, days: &BTreeMap<NaiveDate, DutyDay>, off_road: &[OffRoad]) -> Vec<Day> {
    let weeks = weeks_without(&current.missing, false);
    let day = |on: NaiveDate| {
        let log = days.get(&on).copied();
        let off_road = off_road.iter().any(|time| time.covers(on));
        let missing = !off_road && weeks.contains(&monday(on)) && !log.is_some_and(|log| log.has_duty);
        Day { on, log, off_road, missing }
    };
    current.from.iter_days().take_while(|on| *on <= current.to).map(day).collect()
}

fn lines(current: &Evidence, bounds: &duty::Settings, today: NaiveDate) -> Vec<Line> {
    let holds = |condition| current.conditions.contains(&condition);
    let line = |hard, found: Option<String>, otherwise: &str, bound| Line {
        hard,
        found: found.unwrap_or_else(|| otherwise.to_owned()),
        bound,
    };
    let days = match bounds.week {
        WeekKind::Iso => current.busiest_week.map(|(monday, days)| (days, "in the week of", monday)),
        WeekKind::Rolling => current.busiest_seven_days.map(|(first, days)| (days, "of the seven days from", first)),
    };
    let days = days.map(|(days, when, from)| format!("driven on {days} days {when} {}", say::day(from, today)));
    let hours = current.mean_hours.map(|hours| format!("{hours:.2} hours a driven day in the mean"));
    let rear = current.rear_share.map(|share| format!("the rear seat taken on {:.0} % of the trips", share * 100.0));
    let missing = holds(Condition::DutyLogsMissing) || holds(Condition::SeatLogsMissing);
    let none =
        if current.awaited.is_empty() { "no week without its logs" } else { "the logs of a week may still come" };
    vec![
        line(
            holds(Condition::SixDayWeek),
            days,
            "no complete week of logs",
            format!("hard from {} days a week on", bounds.week_days),
        ),
        line(holds(Condition::LongDays), hours, "no hours are known", format!("hard above {}", bounds.mean_hours)),
        line(
            holds(Condition::RearSeat),
            rear,
            "no seat logs",
            format!("hard from {:.0} % on", bounds.rear_share * 100.0),
        ),
        line(
            missing,
            missing.then(|| "logs of a week are missing".to_owned()),
            none,
            "a week without its logs counts as hard".to_owned(),
        ),
    ]
}

/// Eight days of a window: driven, off the road, without a log.
#[cfg(test)]
pub(super) fn sample() -> Duty {
    let first: NaiveDate = "2026-03-09".parse().unwrap_or_default();
    let log = DutyDay {
        hours: 11.0,
        trips: 20,
        seat_trips: 20,
        rear_trips: 13,
        driven: true,
        has_duty: true,
        has_seat: true,
    };
    let day = |(place, on): (usize, NaiveDate)| Day {
        on,
        log: (place < 5).then_some(log),
        off_road: place == 6,
        missing: place == 7,
    };
    let line = |hard, found: &str| Line { hard, found: found.to_owned(), bound: "hard above 10".to_owned() };
    Duty {
        explanation: "Hard.".to_owned(),
        lines: vec![line(true, "11.00 hours a driven day in the mean"), line(false, "driven on 5 days")],
        days: first.iter_days().take(8).enumerate().map(day).collect(),
        no_seat_logs: vec![first + Days::new(7)],
        hard_hours: 10.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_day_says_what_its_logs_say() {
        let text = sample().drawn().into_string();
        assert!(text.contains("<td><strong>11.0 h</strong><br>20<br>65 %</td>"), "{text}");
        assert!(text.contains("<td>–</td><td>off the road</td></tr>"), "{text}");
        assert!(
            text.contains("◆ duty and seat logs missing</th><td>no log</td>")
                && text.contains("Driven on 5 of 8 days, 100 trips in all."),
            "{text}"
        );
        assert!(text.contains("<strong>◆ Hard: 11.00 hours a driven day in the mean</strong>"), "{text}");
    }

    #[test]
    fn the_plot_marks_days_without_hours() {
        let plot = sample().plot().unwrap();
        let names: Vec<&str> = plot.series.iter().map(|series| series.name.as_str()).collect();
        assert_eq!(names, ["hours on duty", "off the road", "duty log missing", "hard above this, in the mean"]);
        assert!(Duty { days: Vec::new(), ..sample() }.plot().is_none());
    }

    #[test]
    fn every_condition_is_told_with_its_bound() {
        let evidence = Evidence {
            from: "2026-02-18".parse().unwrap(),
            to: "2026-03-17".parse().unwrap(),
            days_driven: 24,
            busiest_week: Some(("2026-03-09".parse().unwrap(), 6)),
            busiest_seven_days: None,
            complete_weeks: 3,
            mean_hours: Some(9.5),
            rear_share: None,
            trips: 0,
            days_off_road: 0,
            missing: Vec::new(),
            awaited: Vec::new(),
            conditions: vec![Condition::SixDayWeek],
            grade: ventmile_model::fleet::Grade::Hard,
        };
        let lines = lines(&evidence, &duty::Settings::default(), "2026-03-18".parse().unwrap());
        let said: Vec<_> = lines.iter().map(|line| (line.hard, line.found.as_str(), line.bound.as_str())).collect();
        assert_eq!(
            said,
            [
                (true, "driven on 6 days in the week of Mon 9 Mar", "hard from 6 days a week on"),
                (false, "9.50 hours a driven day in the mean", "hard above 10"),
                (false, "no seat logs", "hard from 50 % on"),
                (false, "no week without its logs", "a week without its logs counts as hard"),
            ]
        );
        assert_eq!(window(&evidence, &BTreeMap::new(), &[]).len(), 28);
    }
}
