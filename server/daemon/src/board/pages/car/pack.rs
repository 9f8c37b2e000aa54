//! The pack in a car: how far its weakest block has come towards its limit.

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};
use ventmile_model::fleet::{SpreadLimits, local_day};

use crate::app::forecasts::CarForecast;
use crate::app::packs::CurrentPack;
use crate::board::interface::segment;
use crate::board::plot::{Look, Plot, Scale, Series, Shape, Table, day_place};
use crate::board::say;

/// What the section shows.
#[derive(Debug)]
pub(super) struct Pack {
    /// `None` where no pack is registered for the car.
    serial: Option<String>,
    pack_type: String,
    /// The weakest block's place, counted from one.
    block: Option<usize>,
    /// How far it lay under the others, check by check, in volts.
    levels: Vec<(NaiveDate, f64)>,
    limits: SpreadLimits,
    chance_90: Option<f64>,
    last_check_at: Option<DateTime<Utc>>,
    zone: Tz,
}

/// Checks told in the table: the newest.
const TOLD: usize = 24;

impl Pack {
    pub(super) fn of(current: &CurrentPack, forecast: &CarForecast) -> Self {
        let zone = forecast.logs.zone;
        let levels = current.spread.levels.iter().map(|level| (local_day(level.at, zone), level.deficit_v));
        Self {
            serial: Some(current.exposure.serial.clone()).filter(|serial| !serial.is_empty()),
            pack_type: current.exposure.pack_type.clone(),
            block: current.spread.weakest.map(|weakest| weakest.block + 1),
            levels: levels.collect(),
            limits: current.limits,
            chance_90: current.chances().map(|[_, within_90, _]| within_90),
            last_check_at: current.last_check_at,
            zone,
        }
    }

    fn plot(&self) -> Option<Plot> {
        let ((first, _), (last, now)) = (self.levels.first()?, self.levels.last()?);
        let most = self.levels.iter().map(|(_, volts)| *volts).fold(self.limits.weak_v, f64::max);
        let points = self.levels.iter().map(|(on, volts)| (day_place(*on), *volts)).collect();
        let row = |(on, volts): &(NaiveDate, f64)| vec![say::short_day(*on), format!("{volts:.2} V")];
        Some(Plot {
            id: "spread".to_owned(),
            title: format!("Volts by which block {} lies under the others", self.block.unwrap_or_default()),
            says: format!(
                "{now:.2} V at the check of {}; {:.2} V is the limit of a weak block.",
                say::short_day(*last),
                self.limits.weak_v
            ),
            x: Scale::days(*first, *last),
            y: Scale::numbers(0.0, most * 1.05),
            series: vec![
                Series::new("a check at like load", Look::First, Shape::Points(points)),
                Series::new("watch", Look::Plain, Shape::Level(self.limits.watch_v)),
                Series::new("weak: to be assessed", Look::Second, Shape::Level(self.limits.weak_v)),
            ],
            table: Table {
                head: vec!["Check".to_owned(), "Under the others".to_owned()],
                rows: self.levels.iter().rev().take(TOLD).map(row).collect(),
            },
        })
    }

    pub(super) fn drawn(&self) -> Markup {
        html! {
            section aria-labelledby="pack" {
                h2 #pack { "Its pack" }
                p {
                    @match &self.serial {
                        Some(serial) => { "Pack " a href=(format!("/board/packs/{}", segment(serial))) { (serial) } ", type " (self.pack_type) },
                        None => "No pack is registered for it; it has the one it was built with",
                    }
                    @if let Some(chance) = self.chance_90 { ". Worn out or failed within 90 days: " strong { (say::chance(chance)) } }
                    "."
                    @if let Some(at) = self.last_check_at { " Last checked " (say::time(at, self.zone)) "." }
                }
                @match self.plot() {
                    Some(plot) => (plot.drawn()),
                    None => p.note { "No check of it could be compared yet." },
                }
            }
        }
    }
}

/// A pack that nears its limit, under a hostile serial.
#[cfg(test)]
pub(super) fn sample() -> Pack {
    let level = |on: &str, volts| (on.parse().unwrap_or_default(), volts);
    Pack {
        serial: Some("P<1>/2".to_owned()),
        pack_type: "L60".to_owned(),
        block: Some(4),
        levels: vec![level("2026-01-10", 0.2), level("2026-02-10", 0.5), level("2026-03-10", 0.8)],
        limits: SpreadLimits { watch_v: 0.3, weak_v: 1.0 },
        chance_90: Some(0.42),
        last_check_at: "2026-03-10T12:00:00Z".parse().ok(),
        zone: Tz::America__New_York,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_spread_is_told_against_its_limit() {
        let text = sample().drawn().into_string();
        assert!(text.contains(r#"href="/board/packs/P%3C1%3E%2F2""#) && text.contains("P&lt;1&gt;/2"), "{text}");
        assert!(text.contains("0.80 V at the check of 10 Mar 2026; 1.00 V is the limit of a weak block."), "{text}");
        assert!(text.contains("42 %") && text.contains("block 4 lies under"), "{text}");
        let none = Pack { serial: None, levels: Vec::new(), ..sample() }.drawn().into_string();
        assert!(none.contains("No pack is registered") && none.contains("No check of it could be compared"), "{none}");
    }
}
