//! What has happened to a car, in one list by date: services, work orders, packs, moves, times off the road.

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};
use ventmile_model::fleet::{DistanceUnit, Metres, PackLife, Status, local_day};

use super::super::work::{address, job};
use crate::app::forecasts::CarForecast;
use crate::app::history::History;
use crate::board::interface::segment;
use crate::board::say;
use crate::store::{OffRoadRecord, OrderRecord, ServiceRecord, Stay, order_number};

/// One line: a day, what happened, and where more of it is told.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Line {
    on: NaiveDate,
    what: String,
    link: Option<(String, String)>,
}

/// What the section shows.
#[derive(Debug)]
pub(super) struct Past {
    /// Newest first.
    lines: Vec<Line>,
    /// Whether all of them are asked for.
    all: bool,
    today: NaiveDate,
}

/// Lines shown unless all are asked for.
const FEW: usize = 15;

/// Makes lines in the words of one car's depot.
struct Teller<'a> {
    zone: Tz,
    unit: DistanceUnit,
    today: NaiveDate,
    /// Whether a depot may be named.
    sees: &'a dyn Fn(&str) -> bool,
}

impl Past {
    pub(super) fn of(forecast: &CarForecast, history: &History, sees: &dyn Fn(&str) -> bool, all: bool) -> Self {
        let (logs, today) = (&forecast.logs, forecast.assessment.today);
        let teller = Teller { zone: logs.zone, unit: logs.distance_unit, today, sees };
        let mut lines: Vec<Line> = history.services.iter().map(|service| teller.service(service)).collect();
        for order in &history.orders {
            lines.push(teller.raised(order));
            // A service of an order tells its end.
            let told = history.services.iter().any(|service| service.work_order_id == Some(order.id));
            lines.extend(teller.closed(order).filter(|_| !told));
        }
        lines.extend(logs.packs.iter().flat_map(|pack| teller.pack(pack)));
        lines.extend(history.stays.iter().enumerate().map(|(place, stay)| teller.stay(place, stay)));
        lines.extend(history.off_road.iter().map(|time| teller.off_road(time)));
        lines.sort_by_key(|line| line.on);
        lines.reverse();
        Self { lines, all, today }
    }

    pub(super) fn drawn(&self) -> Markup {
        let shown = if self.all { self.lines.len() } else { FEW };
        html! {
            section aria-labelledby="history" {
                h2 #history { "What has happened to it" }
                ol.lines {
                    @for line in self.lines.iter().take(shown) {
                        li {
                            strong { (say::dated(line.on, self.today)) } " " (line.what)
                            @if let Some((address, name)) = &line.link { " " a href=(address) { (name) } }
                        }
                    }
                }
                @if self.lines.len() > shown {
                    p { a href="?history=all#history" { "Show all " (say::count(self.lines.len(), "line")) } }
                }
            }
        }
    }
}

impl Teller<'_> {
    fn day(&self, at: DateTime<Utc>) -> NaiveDate {
        local_day(at, self.zone)
    }

    fn at(&self, odometer: Option<Metres>) -> String {
        odometer.map(|metres| format!(" at {}", say::distance(metres.as_f64(), self.unit))).unwrap_or_default()
    }

    fn service(&self, service: &ServiceRecord) -> Line {
        let note = service.note.as_ref().map(|note| format!(": {note}")).unwrap_or_default();
        Line {
            on: self.day(service.at),
            what: format!("{} done{}{note}", job(service.kind), self.at(service.metres)),
            link: service.work_order_id.map(order_link),
        }
    }

    fn raised(&self, order: &OrderRecord) -> Line {
        let open = if order.order.status.is_open() { "open order" } else { "order" };
        Line {
            on: self.day(order.created_at),
            what: format!("{open} for a {}: {}", job(order.kind), say::in_words(&order.reason, self.today)),
            link: Some(order_link(order.id)),
        }
    }

    fn closed(&self, order: &OrderRecord) -> Option<Line> {
        let (at, what) = match (order.order.status, &order.order.completion) {
            (Status::Completed, Some(done)) => {
                let outcome = done.outcome.as_str().replace('-', " ");
                (done.at, format!("{} closed as {outcome}{}", job(order.kind), self.at(done.odometer)))
            }
            (Status::Cancelled, _) => {
                let why = order.order.closing_reason.as_ref().map(|why| format!(": {why}")).unwrap_or_default();
                (order.changed_at, format!("{} cancelled{why}", job(order.kind)))
            }
            _ => return None,
        };
        Some(Line { on: self.day(at), what, link: Some(order_link(order.id)) })
    }

    fn pack(&self, pack: &PackLife) -> impl Iterator<Item = Line> {
        let link = Some((format!("/board/packs/{}", segment(&pack.serial)), pack.serial.clone()));
        let what = if pack.original {
            "built with pack".to_owned()
        } else {
            format!("pack put in{},", self.at(pack.odometer))
        };
        let put_in = Line { on: self.day(pack.at), what, link: link.clone() };
        let taken_out = pack.removal.map(|removal| Line {
            on: self.day(removal.at),
            what: format!("pack taken out{} ({}),", self.at(removal.odometer), removal.because.as_str()),
            link,
        });
        std::iter::once(put_in).chain(taken_out)
    }

    fn stay(&self, place: usize, stay: &Stay) -> Line {
        let depot = if (self.sees)(&stay.depot) { stay.name.as_str() } else { "another depot" };
        let what = if place == 0 { format!("came into service at {depot}") } else { format!("moved to {depot}") };
        Line { on: stay.from, what, link: None }
    }

    fn off_road(&self, time: &OffRoadRecord) -> Line {
        let off = &time.off_road;
        let until = match off.to {
            Some(to) if time.released || !off.safety_hold => format!("to {}", say::day(to, self.today)),
            _ => "until it is returned to service".to_owned(),
        };
        let hold = if off.safety_hold { ", a safety hold" } else { "" };
        Line { on: off.from, what: format!("off the road {until}{hold}: {}", off.reason), link: None }
    }
}

fn order_link(id: i64) -> (String, String) {
    let number = order_number(id);
    (address(&number), number)
}

/// Two lines, one of them with hostile words.
#[cfg(test)]
pub(super) fn sample() -> Past {
    let line = |on: &str, what: &str, link| Line { on: on.parse().unwrap_or_default(), what: what.to_owned(), link };
    Past {
        lines: vec![
            line("2026-03-01", "open order for a fan service: <script>", Some(order_link(7))),
            line("2025-12-01", "fan service done at 47,400 mi", None),
        ],
        all: false,
        today: "2026-03-18".parse().unwrap_or_default(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ventmile_model::fleet::Kind;

    fn teller(sees: &dyn Fn(&str) -> bool) -> Teller<'_> {
        let today = "2026-03-18".parse().unwrap();
        Teller { zone: Tz::America__New_York, unit: DistanceUnit::Mile, today, sees }
    }

    #[test]
    fn lines_link_to_what_they_tell_of() {
        let text = sample().drawn().into_string();
        assert!(text.contains(r#"href="/board/work/WO-00007""#) && !text.contains("<script>"), "{text}");
        let many = Past { lines: vec![sample().lines[0].clone(); 40], ..sample() };
        assert!(many.drawn().into_string().contains("Show all 40 lines"));
        let all = Past { all: true, ..many }.drawn().into_string();
        assert!(all.matches("<li>").count() == 40 && !all.contains("Show all"), "{all}");
    }

    #[test]
    fn a_service_is_told_with_its_odometer_and_note() {
        let service = ServiceRecord {
            kind: Kind::FanService,
            at: "2025-12-01T15:00:00Z".parse().unwrap(),
            metres: Some(Metres(76_282_906)),
            note: Some("duct was loose".to_owned()),
            work_order_id: None,
            voided_at: None,
        };
        let line = teller(&|_| true).service(&service);
        assert_eq!((line.what.as_str(), line.link), ("fan service done at 47,400 mi: duct was loose", None));
    }

    #[test]
    fn a_depot_that_the_key_may_not_see_is_not_named() {
        let stay = |depot: &str| Stay {
            from: "2026-01-05".parse().unwrap(),
            depot: depot.to_owned(),
            name: format!("{depot} yard"),
        };
        let sees = |code: &str| code == "NORTH";
        let said = |place, depot| teller(&sees).stay(place, &stay(depot)).what;
        assert_eq!(
            (said(0, "WEST"), said(1, "NORTH")),
            ("came into service at another depot".to_owned(), "moved to NORTH yard".to_owned())
        );
    }
}
