//! A car's odometer: what was sent and by whom, what of it is believed, and why the rest is not.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};
use std::collections::HashMap;
use ventmile_model::fleet::{DistanceUnit, local_day};
use ventmile_model::track::{Judged, Suspicion, Verdict, suspect_sources};

use crate::app::assess::{Provisional, source_name};
use crate::app::forecasts::CarForecast;
use crate::board::plot::{Look, Plot, Scale, Series, Shape, Table, day_place};
use crate::board::say;

/// Days looked back on, unless all readings are asked for.
const DAYS: i64 = 120;
/// Readings in the table: those worth a look, and all of them.
const FEW: usize = 12;
const MANY: usize = 2_000;
/// Believed readings drawn, at most: more do not show.
const SPOTS: usize = 400;

/// A reading: when, what it showed, who sent it, what is held of it.
#[derive(Clone, Debug)]
struct Reading {
    at: DateTime<Utc>,
    on: NaiveDate,
    odometer: f64,
    source: String,
    held: Held,
}

/// What is held of a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Held {
    Believed,
    Double,
    NewCluster,
    Aside(&'static str),
}

impl Held {
    const fn words(self) -> &'static str {
        match self {
            Self::Believed => "believed",
            Self::Double => "believed, and sent before",
            Self::NewCluster => "believed: the first of a new instrument cluster",
            Self::Aside(why) => why,
        }
    }

    const fn is_aside(self) -> bool {
        matches!(self, Self::Aside(_))
    }
}

/// What the section shows.
#[derive(Debug)]
pub(super) struct Readings {
    unit: DistanceUnit,
    zone: Tz,
    today: NaiveDate,
    /// Whether all readings are asked for, not only those worth a look.
    all: bool,
    /// In order of time.
    readings: Vec<Reading>,
    /// Sources that seem to send a wrong unit, and how it shows.
    suspects: Vec<(String, &'static str)>,
    /// The newest reading, where a date rests on it alone.
    provisional: Option<String>,
}

impl Readings {
    pub(super) fn of(forecast: &CarForecast, sources: &HashMap<i64, String>, all: bool) -> Self {
        let (assessment, logs) = (&forecast.assessment, &forecast.logs);
        let (unit, zone) = (logs.distance_unit, logs.zone);
        let reading = |judged: &Judged| Reading {
            at: judged.reading.at,
            on: local_day(judged.reading.at, zone),
            odometer: judged.reading.odometer.as_f64() / unit.metres(),
            source: source_name(judged.reading.source, sources),
            held: match judged.verdict {
                Verdict::Kept => Held::Believed,
                Verdict::Double => Held::Double,
                Verdict::NewCluster => Held::NewCluster,
                Verdict::SetAside(reason) => Held::Aside(reason.explain()),
            },
        };
        let named = |(source, suspicion): &(i64, Suspicion)| (source_name(*source, sources), suspicion.explain());
        Self {
            unit,
            zone,
            today: assessment.today,
            all,
            readings: assessment.track.judged.iter().map(reading).collect(),
            suspects: suspect_sources(&assessment.track).iter().map(named).collect(),
            provisional: assessment.provisional.map(|newest| provisional_words(&newest, unit, sources)),
        }
    }

    fn from(&self) -> NaiveDate {
        let first = self.readings.first().filter(|_| self.all).map(|reading| reading.on);
        first.unwrap_or(self.today - TimeDelta::days(DAYS))
    }

    /// How many are believed and set aside, and who sent them, in a sentence.
    fn says(&self) -> String {
        let aside = self.readings.iter().filter(|reading| reading.held.is_aside()).count();
        let mut sources: Vec<(&str, usize)> = Vec::new();
        for reading in &self.readings {
            match sources.iter_mut().find(|(name, _)| *name == reading.source) {
                Some((_, count)) => *count += 1,
                None => sources.push((&reading.source, 1)),
            }
        }
        sources.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
        let sources: Vec<String> =
            sources.iter().map(|(name, count)| format!("{name} ({})", say::number(*count as f64))).collect();
        format!(
            "{} believed, {} set aside; sent by {}.",
            say::count(self.readings.len() - aside, "reading"),
            say::number(aside as f64),
            sources.join(", ")
        )
    }

    /// The readings over time; `None` where none is believed. What was set aside far from all else is drawn at the edge.
    fn plot(&self) -> Option<Plot> {
        let from = self.from();
        let shown: Vec<&Reading> =
            self.readings.iter().filter(|reading| (from..=self.today).contains(&reading.on)).collect();
        let (aside, kept): (Vec<&Reading>, Vec<&Reading>) =
            shown.into_iter().partition(|reading| reading.held.is_aside());
        let low = kept.iter().map(|reading| reading.odometer).reduce(f64::min)?;
        let high = kept.iter().map(|reading| reading.odometer).fold(low, f64::max);
        let room = ((high - low) / 4.0).max(100.0);
        let far = aside.iter().any(|reading| !(low - room..=high + room).contains(&reading.odometer));
        let mut series = lines(&kept);
        let clusters = kept.iter().filter(|reading| reading.held == Held::NewCluster).map(spot).collect::<Vec<_>>();
        if !clusters.is_empty() {
            series.push(Series::new("a new instrument cluster begins", Look::First, Shape::Points(clusters)));
        }
        if !aside.is_empty() {
            let name = if far { "set aside (far off: drawn at the edge)" } else { "set aside" };
            series.push(Series::new(name, Look::Second, Shape::Points(aside.iter().map(spot).collect())));
        }
        if self.provisional.is_some() {
            let newest = kept.last().map(spot).into_iter().collect();
            series.push(Series::new("the newest, not confirmed yet", Look::Plain, Shape::Points(newest)));
        }
        Some(Plot {
            id: "track".to_owned(),
            title: format!("Odometer since {}, in {}", say::short_day(from), self.unit),
            says: self.says(),
            x: Scale::days(from, self.today),
            y: Scale::numbers((low - room).max(0.0), high + room),
            series,
            table: Table::default(),
        })
    }

    /// The rows of the table, newest first, and how many there would be.
    fn rows(&self) -> (Vec<&Reading>, usize) {
        let newest = self.readings.iter().rev().find(|reading| !reading.held.is_aside()).map(|reading| reading.at);
        let worth = |reading: &&Reading| {
            self.all || reading.held.is_aside() || reading.held == Held::NewCluster || Some(reading.at) == newest
        };
        let count = self.readings.iter().filter(worth).count();
        let most = if self.all { MANY } else { FEW };
        (self.readings.iter().rev().filter(worth).take(most).collect(), count)
    }

    fn table(&self) -> Markup {
        let (rows, count) = self.rows();
        let what = if self.all { "All readings" } else { "Readings set aside, new clusters and the newest" };
        html! {
            h3 { (what) ", newest first" }
            section.scroll tabindex="0" aria-label=(what) {
                table {
                    thead { tr { th scope="col" { "Read" } th scope="col" { "Odometer" } th scope="col" { "Sent by" } th scope="col" { "What is held of it" } } }
                    tbody {
                        @for reading in &rows {
                            tr {
                                th scope="row" { (say::time(reading.at, self.zone)) }
                                td.number { (say::number(reading.odometer)) " " (self.unit) }
                                td { (reading.source) }
                                td { @if reading.held.is_aside() { strong { "◆ set aside. " } } (reading.held.words()) }
                            }
                        }
                    }
                }
            }
            @if rows.len() < count { p.note { "The newest " (say::number(rows.len() as f64)) " of " (say::number(count as f64)) "." } }
            p {
                @if self.all { a href="?#readings" { "Only what is worth a look" } }
                @else { a href="?readings=all#readings" { "Show all " (say::count(self.readings.len(), "reading")) } }
            }
        }
    }

    pub(super) fn drawn(&self) -> Markup {
        html! {
            section aria-labelledby="readings" {
                h2 #readings { "Its odometer" }
                @for (source, why) in &self.suspects { p { strong { "Look at the source “" (source) "”. " } (why) } }
                @if let Some(words) = &self.provisional { p { strong { "Provisional. " } (words) } }
                @match self.plot() {
                    Some(plot) => (plot.drawn()),
                    None => p { "No reading of the last " (DAYS) " days is believed." },
                }
                @if !self.readings.is_empty() { (self.table()) }
            }
        }
    }
}

fn spot(reading: &&Reading) -> (f64, f64) {
    (day_place(reading.on), reading.odometer)
}

/// The believed readings, a line for each instrument cluster.
fn lines(kept: &[&Reading]) -> Vec<Series> {
    let of_cluster = kept.chunk_by(|_, next| next.held != Held::NewCluster);
    let line = |(place, readings): (usize, &[&Reading])| {
        let every = readings.len().div_ceil(SPOTS).max(1);
        let spots = readings.iter().rev().step_by(every).rev().map(spot).collect();
        Series::new(if place == 0 { "believed" } else { "" }, Look::Plain, Shape::Line(spots))
    };
    of_cluster.enumerate().map(line).collect()
}

fn provisional_words(newest: &Provisional, unit: DistanceUnit, sources: &HashMap<i64, String>) -> String {
    let moves = match newest.moved_days {
        Some(days) if days < 0 => format!("brings the date forward by {} days", -days),
        Some(days) => format!("puts the date off by {days} days"),
        None => "decides whether there is a date at all".to_owned(),
    };
    format!(
        "The newest reading, {} from {}, alone {moves}; no later one has confirmed it.",
        say::distance(newest.reading.odometer.as_f64(), unit),
        source_name(newest.reading.source, sources)
    )
}

/// Readings with a slip and a new cluster, from a source with a hostile name.
#[cfg(test)]
pub(super) fn sample() -> Readings {
    let reading = |day: u32, odometer, held| {
        let at: DateTime<Utc> = format!("2026-03-{day:02}T21:00:00Z").parse().unwrap_or_default();
        Reading { at, on: at.date_naive(), odometer, source: "<i>fuel</i>".to_owned(), held }
    };
    Readings {
        unit: DistanceUnit::Mile,
        zone: Tz::America__New_York,
        today: "2026-03-18".parse().unwrap_or_default(),
        all: false,
        readings: vec![
            reading(1, 40_000.0, Held::Believed),
            reading(2, 4_020.0, Held::Aside("A digit is missing.")),
            reading(3, 40_400.0, Held::Believed),
            reading(4, 12.0, Held::NewCluster),
            reading(5, 212.0, Held::Believed),
        ],
        suspects: vec![("<b>pump</b>".to_owned(), "It seems to send kilometres as miles.")],
        provisional: Some("The newest reading alone moves the date.".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_set_aside_are_named_with_their_reason_and_source() {
        let text = sample().drawn().into_string();
        assert!(text.contains("4 readings believed, 1 set aside; sent by &lt;i&gt;fuel&lt;/i&gt; (5)."), "{text}");
        assert!(text.contains("<strong>◆ set aside. </strong>A digit is missing."), "{text}");
        assert!(text.contains("Look at the source “&lt;b&gt;pump&lt;/b&gt;”"), "{text}");
        assert!(text.contains("a new instrument cluster begins") && text.contains("Show all 5 readings"), "{text}");
        assert!(!text.contains("<b>") && !text.contains("<i>"), "{text}");
    }

    #[test]
    fn what_is_worth_a_look_comes_first_and_all_can_be_asked_for() {
        let days = |readings: &Readings| readings.rows().0.iter().map(|one| one.odometer).collect::<Vec<_>>();
        assert_eq!(days(&sample()), [212.0, 12.0, 4_020.0]);
        let all = Readings { all: true, ..sample() };
        assert_eq!(days(&all), [212.0, 12.0, 40_400.0, 4_020.0, 40_000.0]);
        assert_eq!(all.from(), "2026-03-01".parse().unwrap());
    }

    #[test]
    fn a_line_ends_where_a_new_cluster_begins() {
        let readings = sample();
        let kept: Vec<&Reading> = readings.readings.iter().filter(|reading| !reading.held.is_aside()).collect();
        let series = lines(&kept);
        assert_eq!(series.iter().map(|one| one.name.as_str()).collect::<Vec<_>>(), ["believed", ""]);
        let nothing = Readings { readings: readings.readings[1..2].to_vec(), ..readings };
        assert!(nothing.plot().is_none());
    }
}
