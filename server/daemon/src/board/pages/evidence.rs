//! What a car's forecast rests on: its readings, believed and set aside, and its duty day by day.

use chrono::{NaiveDate, TimeDelta};
use ventmile_model::fleet::{DistanceUnit, local_day};

use crate::app::forecasts::CarForecast;
use crate::board::plot::{Look, Plot, Scale, Series, Shape, Table, day_place};
use crate::board::say;

/// Days that are looked back on.
const TRACK_DAYS: i64 = 120;
const DUTY_DAYS: i64 = 28;

/// A reading: its day, what it showed, and why it was set aside, where it was.
#[derive(Clone, Debug)]
struct Shown {
    on: NaiveDate,
    odometer: f64,
    set_aside: Option<&'static str>,
}

/// The odometer of the last months as it was sent. What was set aside far from all else is drawn at the edge.
pub(super) fn track_plot(forecast: &CarForecast) -> Option<Plot> {
    let (assessment, logs) = (&forecast.assessment, &forecast.logs);
    let from = assessment.today - TimeDelta::days(TRACK_DAYS);
    let readings = assessment.track.judged.iter().map(|judged| Shown {
        on: local_day(judged.reading.at, logs.zone),
        odometer: judged.reading.odometer.as_f64() / logs.distance_unit.metres(),
        set_aside: match judged.verdict {
            ventmile_model::track::Verdict::SetAside(reason) => Some(reason.explain()),
            _ => None,
        },
    });
    let shown: Vec<Shown> = readings.filter(|reading| (from..=assessment.today).contains(&reading.on)).collect();
    track_of(&shown, logs.distance_unit, from, assessment.today)
}

fn track_of(shown: &[Shown], unit: DistanceUnit, from: NaiveDate, today: NaiveDate) -> Option<Plot> {
    let (aside, kept): (Vec<&Shown>, Vec<&Shown>) = shown.iter().partition(|reading| reading.set_aside.is_some());
    let low = kept.iter().map(|reading| reading.odometer).reduce(f64::min)?;
    let high = kept.iter().map(|reading| reading.odometer).fold(low, f64::max);
    let room = ((high - low) / 4.0).max(100.0);
    let spots = |readings: &[&Shown]| readings.iter().map(|one| (day_place(one.on), one.odometer)).collect::<Vec<_>>();
    let row = |one: &&Shown| {
        let why = one.set_aside.unwrap_or_default().to_owned();
        vec![say::short_day(one.on), format!("{} {unit}", say::number(one.odometer)), why]
    };
    let says = format!(
        "{} believed and {} set aside in {TRACK_DAYS} days{}.",
        say::count(kept.len(), "reading"),
        aside.len(),
        if aside.is_empty() { "" } else { "; what lies far off is drawn at the edge" }
    );
    Some(Plot {
        id: "track".to_owned(),
        title: "Odometer readings".to_owned(),
        says,
        x: Scale::days(from, today),
        y: Scale::numbers((low - room).max(0.0), high + room),
        series: vec![
            Series::new("believed", Look::Plain, Shape::Line(spots(&kept))),
            Series::new("set aside", Look::Second, Shape::Points(spots(&aside))),
        ],
        table: Table {
            head: ["Set aside on", "Reading", "Why"].map(str::to_owned).to_vec(),
            rows: aside.iter().rev().map(row).collect(),
        },
    })
}

/// Hours on duty in the last weeks, against the mean from which duty is hard.
pub(super) fn duty_plot(forecast: &CarForecast, hard_hours: f64) -> Option<Plot> {
    let today = forecast.assessment.today;
    let from = today - TimeDelta::days(DUTY_DAYS);
    let days = forecast.assessment.days.range(from..today);
    let days: Vec<(NaiveDate, f64)> = days.filter(|(_, day)| day.has_duty).map(|(on, day)| (*on, day.hours)).collect();
    duty_of(&days, hard_hours, from, today)
}

fn duty_of(days: &[(NaiveDate, f64)], hard_hours: f64, from: NaiveDate, today: NaiveDate) -> Option<Plot> {
    let most = days.iter().map(|(_, hours)| *hours).reduce(f64::max)?;
    let driven = days.iter().filter(|(_, hours)| *hours > 0.0);
    let (count, total) = driven.fold((0_usize, 0.0), |(count, total), (_, hours)| (count + 1, total + hours));
    let mean = total / (count.max(1) as f64);
    let row = |(on, hours): &(NaiveDate, f64)| vec![say::short_day(*on), format!("{hours:.1}")];
    Some(Plot {
        id: "duty".to_owned(),
        title: "Hours on duty by day".to_owned(),
        says: format!(
            "Driven on {count} of the last {DUTY_DAYS} days, {mean:.1} hours a driven day; more than {hard_hours} hours in the mean \
             are hard duty."
        ),
        x: Scale::days(from, today),
        y: Scale::numbers(0.0, most.max(hard_hours)),
        series: vec![
            Series::new(
                "hours",
                Look::First,
                Shape::Bars(days.iter().map(|(on, hours)| (day_place(*on), *hours)).collect(), 0.7),
            ),
            Series::new("hard from here on, in the mean", Look::Second, Shape::Level(hard_hours)),
        ],
        table: Table { head: vec!["Day".to_owned(), "Hours".to_owned()], rows: days.iter().rev().map(row).collect() },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn readings_set_aside_are_named_with_their_reason() {
        let reading = |on: &str, odometer, set_aside| Shown { on: date(on), odometer, set_aside };
        let shown = [
            reading("2026-03-01", 40_000.0, None),
            reading("2026-03-02", 4_020.0, Some("a digit is missing")),
            reading("2026-03-03", 40_400.0, None),
        ];
        let plot = track_of(&shown, DistanceUnit::Mile, date("2026-02-01"), date("2026-03-18")).unwrap();
        assert!(plot.says.starts_with("2 readings believed and 1 set aside"), "{}", plot.says);
        assert_eq!(plot.table.rows, [["2 Mar 2026", "4,020 mi", "a digit is missing"]]);
        assert!(track_of(&shown[1..2], DistanceUnit::Mile, date("2026-02-01"), date("2026-03-18")).is_none());
    }

    #[test]
    fn duty_is_told_by_driven_day() {
        let days = [(date("2026-03-15"), 0.0), (date("2026-03-16"), 11.0), (date("2026-03-17"), 8.0)];
        let plot = duty_of(&days, 10.0, date("2026-02-18"), date("2026-03-18")).unwrap();
        assert!(plot.says.starts_with("Driven on 2 of the last 28 days, 9.5 hours a driven day"), "{}", plot.says);
        assert_eq!(plot.table.rows[0], ["17 Mar 2026", "8.0"]);
        assert!(duty_of(&[], 10.0, date("2026-02-18"), date("2026-03-18")).is_none());
    }
}
