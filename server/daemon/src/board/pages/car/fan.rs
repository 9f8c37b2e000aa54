//! A car's forecast against its window: what it has driven, and the travel ahead to both edges.

use chrono::{NaiveDate, TimeDelta};
use ventmile_model::due::{self, EdgeDates, Quantiles};
use ventmile_model::fleet::{DistanceUnit, Meter, local_day};

use crate::app::assess::Interval;
use crate::app::forecasts::CarForecast;
use crate::board::plot::{Look, Plot, Scale, Series, Shape, Table, day_place};
use crate::board::say;

/// A place on the way: day and distance since the service, in the depot's unit.
type Spot = (NaiveDate, f64);

/// The car's way by distance, as far as it is known, and the dates of its edges.
#[derive(Debug)]
pub(super) struct Fan {
    today: NaiveDate,
    unit: DistanceUnit,
    /// Readings that are believed, since the service.
    driven: Vec<Spot>,
    early: f64,
    late: f64,
    dates: EdgeDates,
    /// From which day on it is told to be used otherwise, where it will be by then, and what is told.
    told: Vec<(NaiveDate, f64, String)>,
}

/// Readings drawn, at most: more do not show.
const SPOTS: usize = 200;

impl Fan {
    pub(super) fn of(forecast: &CarForecast) -> Option<Self> {
        let (assessment, unit) = (&forecast.assessment, forecast.logs.distance_unit);
        let interval = assessment.interval.as_ref()?;
        let window = interval.windows.distance?;
        let (_, dates) = interval.due.by_meter.iter().find(|(meter, _)| *meter == Meter::Distance)?;
        let position = &interval.position;
        let shown = |metres: f64| metres / unit.metres();
        let last = assessment.track.last().and_then(|judged| judged.travelled)?;
        let since = |travelled: f64| shown(position.metres_since.as_f64() - (last.as_f64() - travelled));
        let spot = |judged: &ventmile_model::track::Judged| {
            let day = local_day(judged.reading.at, forecast.logs.zone);
            (day > position.service_on).then_some((day, since(judged.travelled?.as_f64())))
        };
        let readings: Vec<Spot> = assessment.track.kept().filter_map(spot).collect();
        let every = readings.len().div_ceil(SPOTS).max(1);
        let thinned = readings.iter().rev().step_by(every).rev().copied();
        let start = (position.service_on, 0.0);
        Some(Self {
            today: assessment.today,
            unit,
            driven: std::iter::once(start).chain(thinned).collect(),
            early: shown(window.early.as_f64()),
            late: shown(window.late.as_f64()),
            dates: *dates,
            told: told(forecast, interval, unit),
        })
    }

    /// The line of one quantile: from the last reading through its dates of the edges that are still ahead.
    fn line(&self, pick: fn(&Quantiles) -> Option<NaiveDate>) -> Vec<Spot> {
        let Some(last) = self.driven.last().copied() else { return Vec::new() };
        let edges = [(pick(&self.dates.early), self.early), (pick(&self.dates.late), self.late)];
        let ahead = edges.into_iter().filter_map(|(date, edge)| Some((date?, edge)));
        std::iter::once(last).chain(ahead.filter(|(date, edge)| *edge > last.1 && *date > last.0)).collect()
    }

    /// The line of the medians, which bends where it is told to be used otherwise.
    fn middle(&self) -> Vec<Spot> {
        let mut line = self.line(|dates| dates.p50);
        let (Some(first), Some(last)) = (line.first().copied(), line.last().copied()) else { return line };
        let between = |(day, far, _): &(NaiveDate, f64, String)| {
            (first.0 < *day && *day < last.0 && first.1 <= *far && *far <= last.1).then_some((*day, *far))
        };
        line.extend(self.told.iter().filter_map(between));
        line.sort_by_key(|(day, _)| *day);
        line
    }

    /// The area between the soonest and the latest line, from day to day.
    fn spread(&self) -> Vec<(f64, f64, f64)> {
        let (soonest, latest) = (self.line(|dates| dates.p10), self.line(|dates| dates.p90));
        let mut days: Vec<NaiveDate> = soonest.iter().chain(&latest).map(|(day, _)| *day).collect();
        days.sort_unstable();
        days.dedup();
        let at = |line: &[Spot], day| far_on(line, day);
        let spread = days.into_iter().filter_map(|day| Some((day_place(day), at(&latest, day)?, at(&soonest, day)?)));
        spread.collect()
    }

    pub(super) fn plot(&self) -> Plot {
        let lines = [self.line(|dates| dates.p10), self.middle(), self.line(|dates| dates.p90)];
        let points = |spots: &[Spot]| spots.iter().map(|(day, far)| (day_place(*day), *far)).collect::<Vec<_>>();
        let [soonest, middle, latest] = lines.each_ref().map(|line| points(line));
        let all = lines.iter().flatten().chain(&self.driven);
        let last_day = all.clone().map(|(day, _)| *day).max().unwrap_or(self.today).max(self.today);
        let farthest = all.map(|(_, far)| *far).fold(self.late, f64::max);
        let first_day = self.driven.first().map_or(self.today, |(day, _)| *day);
        Plot {
            id: "fan".to_owned(),
            title: format!(
                "{} since the last fan service",
                if self.unit == DistanceUnit::Mile { "Miles" } else { "Kilometres" }
            ),
            says: self.says(),
            x: Scale::days(first_day, last_day + TimeDelta::days(3)),
            y: Scale::numbers(0.0, farthest * 1.02),
            series: self.series([soonest, middle, latest], last_day),
            table: self.table(),
        }
    }

    fn series(&self, [soonest, middle, latest]: [Vec<(f64, f64)>; 3], last_day: NaiveDate) -> Vec<Series> {
        let window = format!("the window, {} to {} {}", say::number(self.early), say::number(self.late), self.unit);
        let driven = self.driven.iter().map(|(day, far)| (day_place(*day), *far)).collect();
        let mut series = vec![
            Series::new(window, Look::Soft, Shape::Stretch(self.early, self.late)),
            Series::new("driven", Look::Plain, Shape::Line(driven)),
            Series::new("today", Look::Plain, Shape::Moment(day_place(self.today))),
        ];
        if middle.len() > 1 {
            series.push(Series::new("four times in five", Look::First, Shape::Band(self.spread())));
            series.push(Series::new("", Look::Second, Shape::Line(soonest)));
            series.push(Series::new("sooner in 1 of 10, later in 1 of 10", Look::Second, Shape::Line(latest)));
            series.push(Series::new("expected", Look::First, Shape::Line(middle)));
        }
        for (day, _, words) in self.told.iter().filter(|(day, ..)| *day <= last_day) {
            let name = format!("told from {} on: {words}", say::day(*day, self.today));
            series.push(Series::new(name, Look::First, Shape::Moment(day_place(*day))));
        }
        series
    }

    fn says(&self) -> String {
        let between = |name: &str, dates: &Quantiles| match (dates.p10, dates.p90) {
            (Some(soon), Some(late)) if late <= self.today && soon == late => {
                format!("The {name} edge was reached on {}.", say::short_day(soon))
            }
            (Some(soon), Some(late)) if soon == late => {
                format!("The {name} edge is reached on {}.", say::short_day(soon))
            }
            (Some(soon), Some(late)) => format!(
                "The {name} edge is reached between {} and {}, four times in five.",
                say::short_day(soon),
                say::short_day(late)
            ),
            _ => format!("The {name} edge is not reached within the horizon for sure."),
        };
        format!("{} {}", between("early", &self.dates.early), between("late", &self.dates.late))
    }

    fn table(&self) -> Table {
        let said = |date: Option<NaiveDate>| date.map_or_else(|| "–".to_owned(), say::short_day);
        let row = |name: &str, edge: f64, dates: &Quantiles| {
            let edge = format!("{name}, {} {}", say::number(edge), self.unit);
            vec![edge, said(dates.p10), said(dates.p50), said(dates.p90)]
        };
        let head = ["Edge", "10 % by", "50 % by", "90 % by"].map(str::to_owned).to_vec();
        let rows = vec![row("early", self.early, &self.dates.early), row("late", self.late, &self.dates.late)];
        Table { head, rows }
    }
}

/// What is told of days ahead, with the median distance by each.
fn told(forecast: &CarForecast, interval: &Interval, unit: DistanceUnit) -> Vec<(NaiveDate, f64, String)> {
    let (today, off_road) = (forecast.assessment.today, &forecast.logs.off_road);
    let told = forecast.assessment.ahead.iter().filter(|ahead| ahead.from > today).map(|ahead| {
        let eve = ahead.from.pred_opt().unwrap_or(ahead.from);
        let (metres, _) = due::expected(&interval.position, &interval.usage_then, &interval.phases, off_road, eve);
        (ahead.from, metres.as_f64() / unit.metres(), say::in_words(&ahead.words, today))
    });
    told.collect()
}

/// The fan of a car that is told to be driven less in three weeks.
#[cfg(test)]
pub(super) fn sample(item: &crate::app::item::Item) -> Fan {
    let date = |text: &str| text.parse::<NaiveDate>().unwrap_or_default();
    let quantiles = |[p10, p50, p90]: [Option<NaiveDate>; 3]| Quantiles { p10, p50, p90 };
    Fan {
        today: date("2026-03-18"),
        unit: DistanceUnit::Mile,
        driven: vec![(date("2025-12-01"), 0.0), (date("2026-03-17"), 18_600.0)],
        early: 20_000.0,
        late: 25_000.0,
        dates: EdgeDates { early: quantiles(item.early), late: quantiles(item.late) },
        told: vec![(date("2026-04-08"), 23_500.0, "as the <shifts> bring".to_owned())],
    }
}

/// How far a line has come on a day: straight between its spots, and no farther than its last.
fn far_on(line: &[Spot], day: NaiveDate) -> Option<f64> {
    let before = line.iter().rev().find(|(on, _)| *on <= day)?;
    let Some(after) = line.iter().find(|(on, _)| *on > day) else { return Some(before.1) };
    let share = (day - before.0).num_days() as f64 / (after.0 - before.0).num_days() as f64;
    Some(before.1 + share * (after.1 - before.1))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fan() -> Fan {
        sample(&crate::app::item::sample())
    }

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn a_line_ahead_starts_at_the_last_reading_and_leaves_out_edges_behind() {
        let fan = fan();
        let days: Vec<_> = fan.line(|dates| dates.p50).into_iter().map(|(day, _)| day).collect();
        assert_eq!(days, [date("2026-03-17"), date("2026-03-26"), date("2026-04-23")]);
        assert_eq!(far_on(&fan.line(|dates| dates.p50), date("2026-04-09")), Some(22_500.0));
        let spread = fan.spread();
        assert_eq!(spread.first().map(|(_, low, high)| (*low, *high)), Some((18_600.0, 18_600.0)));
        assert!(spread.iter().all(|(_, low, high)| low <= high), "{spread:?}");
        let inside = Fan { driven: vec![(date("2026-03-17"), 21_000.0)], ..fan };
        assert_eq!(inside.line(|dates| dates.p50).len(), 2);
    }

    #[test]
    fn what_is_told_is_marked_and_bends_the_line() {
        let middle = fan().middle();
        assert_eq!(middle.get(2), Some(&(date("2026-04-08"), 23_500.0)), "{middle:?}");
        assert_eq!(middle.len(), 4);
        let text = fan().plot().drawn().into_string();
        assert!(text.contains("told from Wed 8 Apr on: as the &lt;shifts&gt; bring"), "{text}");
    }
}
