//! One car: where it stands and why, its travel line, and its forecast against the window.

use axum::extract::{Path, State};
use axum::response::Response;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};
use ventmile_model::due::{EdgeDates, Quantiles};
use ventmile_model::fleet::{DistanceUnit, Kind, Meter, local_day};

use super::cars::{Stands, window_words};
use super::{evidence, packs};
use crate::app::App;
use crate::app::assess::sentence;
use crate::app::forecasts::CarForecast;
use crate::app::item::Item;
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::plot::{Look, Plot, Scale, Series, Shape, Table, day_place};
use crate::board::refusal::Refusal;
use crate::board::say;
use crate::board::travel::{self, Travel};
use crate::config::Settings;

/// A place on the way: day and distance since the service, in the depot's unit.
type Spot = (NaiveDate, f64);

/// The car's way by distance, as far as it is known, and the dates of its edges.
#[derive(Debug)]
struct Fan {
    today: NaiveDate,
    unit: DistanceUnit,
    /// Readings that are believed, since the service.
    driven: Vec<Spot>,
    early: f64,
    late: f64,
    dates: EdgeDates,
}

/// What the page shows.
#[derive(Debug)]
struct View {
    unit: String,
    depot: String,
    model: Option<String>,
    stands: Stands,
    sentence: String,
    window: String,
    grade: String,
    chance: Option<(f64, NaiveDate)>,
    /// What the last believed reading showed, in metres, and when.
    last: Option<(f64, DateTime<Utc>)>,
    distance_unit: DistanceUnit,
    zone: Tz,
    today: NaiveDate,
    travel: Option<Travel>,
    fan: Option<Fan>,
    /// What the forecast rests on.
    evidence: Vec<Plot>,
    notes: Vec<String>,
}

/// Readings drawn, at most: more do not show.
const SPOTS: usize = 200;

impl Fan {
    fn of(forecast: &CarForecast) -> Option<Self> {
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
        })
    }

    /// The line of one quantile: from the last reading through its dates of the edges that are still ahead.
    fn line(&self, pick: fn(&Quantiles) -> Option<NaiveDate>) -> Vec<Spot> {
        let Some(last) = self.driven.last().copied() else { return Vec::new() };
        let edges = [(pick(&self.dates.early), self.early), (pick(&self.dates.late), self.late)];
        let ahead = edges.into_iter().filter_map(|(date, edge)| Some((date?, edge)));
        std::iter::once(last).chain(ahead.filter(|(date, edge)| *edge > last.1 && *date > last.0)).collect()
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

    fn plot(&self) -> Plot {
        let lines = [self.line(|dates| dates.p10), self.line(|dates| dates.p50), self.line(|dates| dates.p90)];
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
            series: self.series([soonest, middle, latest]),
            table: self.table(),
        }
    }

    fn series(&self, [soonest, middle, latest]: [Vec<(f64, f64)>; 3]) -> Vec<Series> {
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

/// How far a line has come on a day: straight between its spots, and no farther than its last.
fn far_on(line: &[Spot], day: NaiveDate) -> Option<f64> {
    let before = line.iter().rev().find(|(on, _)| *on <= day)?;
    let Some(after) = line.iter().find(|(on, _)| *on > day) else { return Some(before.1) };
    let share = (day - before.0).num_days() as f64 / (after.0 - before.0).num_days() as f64;
    Some(before.1 + share * (after.1 - before.1))
}

fn page(view: &View) -> Markup {
    html! {
        nav.crumbs aria-label="Where this is" { a href="/board/cars" { "Cars" } }
        h1 { (view.unit) " " small { (view.depot) @if let Some(model) = &view.model { " · " (model) } } }
        p.lead { (view.stands.drawn()) }
        p { a href=(packs::address_of_car(&view.unit)) { "Its pack" } }
        @for note in &view.notes { p.note { (note) } }
        section aria-labelledby="way" {
            h2 #way { "Its way to the fan service" }
            @match &view.travel { Some(travel) => (travel.large()), None => (travel::unknown()) }
            dl.facts {
                div { dt { "Window" } dd { (view.window) } }
                @if let Some((metres, at)) = view.last {
                    div { dt { "Odometer on " (say::time(at, view.zone)) } dd { (say::distance(metres, view.distance_unit)) } }
                }
                div { dt { "Duty" } dd { (view.grade) } }
                @if let Some((chance, by)) = view.chance {
                    div { dt { "Beyond the late edge by " (say::dated(by, view.today)) } dd { (say::chance(chance)) } }
                }
            }
            h3 { "Why" }
            p { (view.sentence) }
        }
        @if let Some(fan) = &view.fan {
            section aria-labelledby="ahead" {
                h2 #ahead { "Its forecast" }
                (fan.plot().drawn())
            }
        }
        @if !view.evidence.is_empty() {
            section aria-labelledby="evidence" {
                h2 #evidence { "What this rests on" }
                @for plot in &view.evidence { (plot.drawn()) }
            }
        }
    }
}

fn view_of(forecast: &CarForecast, settings: &Settings) -> View {
    let (assessment, logs) = (&forecast.assessment, &forecast.logs);
    let item = Item::of(assessment, forecast.rule.kind, logs.distance_unit, settings.due.horizon_days);
    View {
        unit: logs.unit.clone(),
        depot: logs.depot.clone(),
        model: logs.model.clone(),
        stands: Stands::of(&item),
        sentence: sentence(assessment, logs.distance_unit),
        window: window_words(&item, assessment.today),
        grade: item.grade.clone(),
        chance: assessment.chance_past_late.map(|chance| (chance, assessment.lead_ends)),
        last: assessment.track.last().map(|judged| (judged.reading.odometer.as_f64(), judged.reading.at)),
        distance_unit: logs.distance_unit,
        zone: logs.zone,
        today: assessment.today,
        travel: Travel::of(&item, assessment.today),
        fan: Fan::of(forecast),
        evidence: evidence::track_plot(forecast)
            .into_iter()
            .chain(evidence::duty_plot(forecast, settings.duty.mean_hours))
            .collect(),
        notes: assessment.notes.clone(),
    }
}

pub(in crate::board) async fn show(
    State(app): State<App>,
    visitor: Visitor,
    Path(unit): Path<String>,
) -> Result<Response, Refusal> {
    let missing = || Refusal::missing("car", &unit);
    let found = app.store.find_vehicle(&unit).await?;
    let car = found.filter(|car| visitor.caller.actor.may_see(&car.depot)).ok_or_else(missing)?;
    let forecast = app.forecast_car(car.id, Kind::FanService).await?.ok_or_else(|| {
        Refusal::new(
            axum::http::StatusCode::NOT_FOUND,
            "No rule",
            "No service rule applies to this car, so nothing can be forecast.",
        )
    })?;
    let made = Made { at: app.now(), zone: car.zone };
    let view = view_of(&forecast, &app.settings);
    let title = format!("Car {}", view.unit);
    let frame = Frame { title: &title, here: "/board/cars", visitor: Some(&visitor), made, scripts: &[] };
    Ok(frame.page(&page(&view)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn sample() -> View {
        let item = crate::app::item::sample();
        let today = date("2026-03-18");
        let quantiles = |[p10, p50, p90]: [Option<NaiveDate>; 3]| Quantiles { p10, p50, p90 };
        View {
            unit: "<7>".to_owned(),
            depot: "NORTH".to_owned(),
            model: None,
            stands: Stands::of(&item),
            sentence: "By 2026-03-17 the car had gone 18,600 mi.".to_owned(),
            window: window_words(&item, today),
            grade: "hard".to_owned(),
            chance: Some((0.02, date("2026-04-01"))),
            last: Some((66_000_000.0, "2026-03-17T21:00:00Z".parse().unwrap())),
            distance_unit: DistanceUnit::Mile,
            zone: Tz::America__New_York,
            today,
            travel: Travel::of(&item, today),
            fan: Some(Fan {
                today,
                unit: DistanceUnit::Mile,
                driven: vec![(date("2025-12-01"), 0.0), (date("2026-03-17"), 18_600.0)],
                early: 20_000.0,
                late: 25_000.0,
                dates: EdgeDates { early: quantiles(item.early), late: quantiles(item.late) },
            }),
            evidence: Vec::new(),
            notes: vec!["<b>".to_owned()],
        }
    }

    #[test]
    fn the_page_says_where_the_car_stands_and_when() {
        let text = page(&sample()).into_string();
        assert_eq!(text, page(&sample()).into_string());
        assert!(
            text.contains("The late edge is reached between 16 Apr 2026 and 2 May 2026, four times in five."),
            "{text}"
        );
        assert!(text.contains("&lt;7&gt;") && !text.contains("<b>") && !text.contains("style="), "{text}");
    }

    #[test]
    fn a_line_ahead_starts_at_the_last_reading_and_leaves_out_edges_behind() {
        let fan = sample().fan.unwrap();
        let days: Vec<_> = fan.line(|dates| dates.p50).into_iter().map(|(day, _)| day).collect();
        assert_eq!(days, [date("2026-03-17"), date("2026-03-26"), date("2026-04-23")]);
        assert_eq!(far_on(&fan.line(|dates| dates.p50), date("2026-04-09")), Some(22_500.0));
        let spread = fan.spread();
        assert_eq!(spread.first().map(|(_, low, high)| (*low, *high)), Some((18_600.0, 18_600.0)));
        assert!(spread.iter().all(|(_, low, high)| low <= high), "{spread:?}");
        let inside = Fan { driven: vec![(date("2026-03-17"), 21_000.0)], ..fan };
        assert_eq!(inside.line(|dates| dates.p50).len(), 2);
    }
}
