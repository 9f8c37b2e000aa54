//! The travel line: a car's way along its interval, from its last service to the late edge of its window.
//!
//! The late edge stands at the same place in every line, so that the lines of a list can be read against each other: all
//! cars move to the right, towards one edge. Places are shares of the width, so a line fits whatever room it gets.

use chrono::NaiveDate;
use maud::{Markup, html};
use ventmile_model::fleet::{DistanceUnit, local_day};

use super::say;
use crate::app::item::Item;

/// Where the late edge stands, in percent of the width.
const LATE_AT: f64 = 76.0;

/// The last place that is drawn, in percent.
const END: f64 = 99.0;

/// How far ahead a line says where the car will be, in days.
pub(super) const AHEAD_DAYS: i64 = 28;

/// A car's way along its interval; amounts are in the unit of the meter that decides.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Travel {
    since: f64,
    early: f64,
    late: f64,
    /// Where it will be four weeks from today: 90, 50 and 10 % reach so far.
    ahead: Option<[f64; 3]>,
    unit: String,
    /// When it was last serviced, and the 50 % dates of its edges.
    on: [Option<NaiveDate>; 3],
    today: NaiveDate,
}

/// What was gone, the window's edges and the unit, by the meter that decides.
fn measured(item: &Item) -> Option<(f64, f64, f64, String)> {
    let whole = |(early, late): (i64, i64)| (early as f64, late as f64);
    let (since, (early, late), unit) = match item.deciding_meter.as_deref() {
        Some("hours") => (item.since_hours?, item.hours?, "h"),
        Some("days") => (item.since_days? as f64, whole(item.days?), "days"),
        _ => (item.since_metres? as f64, whole(item.distance?), item.unit().as_str()),
    };
    let scale = DistanceUnit::parse(unit).map_or(1.0, DistanceUnit::metres);
    (late > 0.0).then(|| (since / scale, early / scale, late / scale, unit.to_owned()))
}

/// Days to the late edge from which on its dates tell how fast a car goes.
const TELLING_DAYS: i64 = 14;

/// Where the car will be, in a straight line through each date of its late edge.
fn ahead(item: &Item, since: f64, late: f64, as_of: NaiveDate, today: NaiveDate) -> Option<[f64; 3]> {
    let left = late - since;
    let [fast, middle, slow] = item.late;
    let days = ((today - as_of).num_days() + AHEAD_DAYS) as f64;
    let at = |date: NaiveDate| since + left * days / ((date - as_of).num_days().max(1) as f64);
    // Dates are whole days: so close to the edge they no longer tell how fast the car goes.
    (left > 0.0 && (middle? - as_of).num_days() >= TELLING_DAYS).then_some(())?;
    Some([slow.map_or(since, at), at(middle?), at(fast?)])
}

impl Travel {
    /// The line of a forecast; `None` where there is nothing to count from.
    pub(super) fn of(item: &Item, today: NaiveDate) -> Option<Self> {
        let (since, early, late, unit) = measured(item)?;
        let as_of = item.last_reading_at.map_or(today, |at| local_day(at, chrono_tz::UTC).min(today));
        let [_, opens, _] = item.early;
        let [_, closes, _] = item.late;
        let ahead = ahead(item, since, late, as_of, today);
        Some(Self { since, early, late, ahead, unit, on: [item.counts_since, opens, closes], today })
    }

    /// The place of an amount, in percent of the width.
    fn place(&self, amount: f64) -> f64 {
        place_on(amount, self.late)
    }

    fn amount(&self, amount: f64) -> String {
        format!("{} {}", say::number(amount), self.unit)
    }

    fn is_past(&self) -> bool {
        self.since >= self.late
    }

    /// What the line shows, in words.
    pub(super) fn words(&self) -> String {
        let gone = self.amount(self.since);
        if self.is_past() {
            let beyond = self.amount(self.since - self.late);
            return format!("{gone} gone, {beyond} beyond the late edge at {}", self.amount(self.late));
        }
        if self.since >= self.early {
            return format!(
                "{gone} gone, in its window; {} left to the late edge",
                self.amount(self.late - self.since)
            );
        }
        format!("{gone} gone, {} left to its window", self.amount(self.early - self.since))
    }

    /// The line as it stands in a list.
    pub(super) fn small(&self) -> Markup {
        html! {
            svg.travel width="100%" height="34" role="img" aria-label=(self.words()) { (self.drawn(17.0)) }
        }
    }

    /// The line with its numbers and dates, for the page of a car.
    pub(super) fn large(&self) -> Markup {
        let [service, opens, closes] =
            self.on.map(|date| date.map(|date| say::day(date, self.today)).unwrap_or_default());
        let (early, late, car) = (self.place(self.early), self.place(self.late), self.place(self.since));
        let anchor = if car < 14.0 {
            "start"
        } else if car > 86.0 {
            "end"
        } else {
            "middle"
        };
        html! {
            figure.travel-figure {
                svg.travel.large width="100%" height="120" role="img" aria-labelledby="travel-title travel-desc" {
                    title #travel-title { "The car's way along its interval" }
                    desc #travel-desc { (self.words()) ". " (self.ahead_words().unwrap_or_default()) }
                    text.strong x=(percent(car)) y="20" text-anchor=(anchor) { (self.amount(self.since)) }
                    svg y="28" width="100%" height="44" overflow="visible" { (self.drawn(22.0)) }
                    text x="0" y="92" { "0" }
                    text x="0" y="110" { (service) }
                    text x=(percent(early + 1.0)) y="92" text-anchor="end" { (self.amount(self.early)) }
                    text x=(percent(early + 1.0)) y="110" text-anchor="end" { (opens) }
                    text x=(percent(late - 1.0)) y="92" { (self.amount(self.late)) }
                    text x=(percent(late - 1.0)) y="110" { (closes) }
                }
                figcaption { (key()) @if let Some(words) = self.ahead_words() { p { (words) } } }
            }
        }
    }

    /// When the edges are reached, in a sentence.
    fn edges_words(&self, how: &str) -> String {
        let [_, early, late] =
            self.on.map(|date| date.map_or_else(|| "no date".to_owned(), |date| say::day(date, self.today)));
        let (from, to) = (self.amount(self.early), self.amount(self.late));
        format!("{how}: early edge at {from} {early}, late edge at {to} {late}.")
    }

    /// Window, dates and spread on one side of the way, on a scale that ends at `late`.
    fn half(&self, late: f64, half: &Half) -> Markup {
        let down = |far: f64| WAY + half.side * far;
        let bar = |near: f64, far: f64| (down(near).min(down(far)), (far - near).abs());
        let [_, opens, closes] = self.on.map(|date| date.map(|date| say::day(date, self.today)).unwrap_or_default());
        let (early, closing) = (place_on(self.early, late), place_on(self.late, late));
        let (window, spread) = (bar(0.0, 30.0), bar(9.0, 19.0));
        // A text stands on its foot: below the way it takes its own height more.
        let line = |far: f64| down(far) + if half.side > 0.0 { 10.0 } else { 0.0 };
        html! {
            rect.window x=(percent(early)) width=(percent((closing - early).max(0.5))) y=(window.0) height=(window.1) {}
            line.edge x1=(percent(early)) x2=(percent(early)) y1=(down(0.0)) y2=(down(30.0)) {}
            line.edge.late x1=(percent(closing)) x2=(percent(closing)) y1=(down(0.0)) y2=(down(32.0)) {}
            @if let Some([slow, middle, fast]) = self.ahead.map(|ahead| ahead.map(|amount| place_on(amount, late))) {
                rect class={ "spread " (half.look) } x=(percent(slow)) width=(percent((fast - slow).max(0.5))) y=(spread.0) height=(spread.1) {}
                svg x=(percent(middle)) y=(down(14.0)) overflow="visible" { path.middle d="M-1.5-8h3V8h-3z" {} }
            }
            text x=(percent(early + 1.0)) y=(line(40.0)) text-anchor="end" { (self.amount(self.early)) }
            text.strong x=(percent(early + 1.0)) y=(line(58.0)) text-anchor="end" { (opens) }
            text x=(percent(closing - 1.0)) y=(line(40.0)) { (self.amount(self.late)) }
            text.strong x=(percent(closing - 1.0)) y=(line(58.0)) { (closes) }
        }
    }

    /// Where the car will be, in words.
    fn ahead_words(&self) -> Option<String> {
        let [slow, middle, fast] = self.ahead?;
        let (slow, middle, fast) = (say::number(slow), say::number(middle), self.amount(fast));
        Some(format!("In four weeks, unless it is serviced: {middle}, four times in five between {slow} and {fast}."))
    }

    /// Way, window, spread and car around the height `y`.
    fn drawn(&self, y: f64) -> Markup {
        let (early, late, car) = (self.place(self.early), self.place(self.late), self.place(self.since));
        html! {
            line.way x1="0" x2="100%" y1=(y) y2=(y) {}
            line.way x1="0.5" x2="0.5" y1=(y - 6.0) y2=(y + 6.0) {}
            rect.window x=(percent(early)) width=(percent((late - early).max(0.5))) y=(y - 12.0) height="24" {}
            line.edge x1=(percent(early)) x2=(percent(early)) y1=(y - 12.0) y2=(y + 12.0) {}
            line.edge.late x1=(percent(late)) x2=(percent(late)) y1=(y - 14.0) y2=(y + 14.0) {}
            line.gone x1="0" x2=(percent(car)) y1=(y) y2=(y) {}
            @if let Some([slow, middle, fast]) = self.ahead.map(|ahead| ahead.map(|amount| self.place(amount))) {
                rect.spread x=(percent(slow)) width=(percent((fast - slow).max(0.5))) y=(y + 5.0) height="5" {}
                svg x=(percent(middle)) y=(y + 7.5) overflow="visible" { path.middle d="M-1.5-5h3V5h-3z" {} }
            }
            svg x=(percent(car)) y=(y) overflow="visible" {
                @if self.is_past() { path.car.past d="M0-9 9 0 0 9-9 0z" {} } @else { path.car d="M0 0 7-12H-7z" {} }
            }
        }
    }
}

/// The place of an amount in percent of the width, where the farthest late edge lies at `late`.
fn place_on(amount: f64, late: f64) -> f64 {
    (amount / late * LATE_AT).clamp(0.0, END)
}

/// One half of a line that compares: which way it lies from the line (up is less than 0), and how it looks.
struct Half {
    side: f64,
    look: &'static str,
}

const ABOVE: Half = Half { side: -1.0, look: "first" };
const BELOW: Half = Half { side: 1.0, look: "second" };

/// Height of a line that compares, and where its way lies.
const COMPARED: f64 = 172.0;
const WAY: f64 = 86.0;

/// Two travels of one car on one line: as it stands above it, as it would be below. `None` where they are measured in
/// different things.
pub(super) fn compared(stands: &Travel, would_be: &Travel) -> Option<Markup> {
    (stands.unit == would_be.unit).then_some(())?;
    let late = stands.late.max(would_be.late);
    let car = place_on(stands.since, late);
    Some(html! {
        figure.travel-figure {
            svg.travel.large width="100%" height=(COMPARED) role="img" aria-labelledby="compared-title compared-desc" {
                title #compared-title { "The car's way, as it stands above the line and as it would be below it" }
                desc #compared-desc { (stands.edges_words("As it stands")) " " (would_be.edges_words("As it would be")) }
                (stands.half(late, &ABOVE))
                (would_be.half(late, &BELOW))
                line.way x1="0" x2="100%" y1=(WAY) y2=(WAY) {}
                line.gone x1="0" x2=(percent(car)) y1=(WAY) y2=(WAY) {}
                svg x=(percent(car)) y=(WAY) overflow="visible" { path.car d="M0-7 6 4H-6z" {} }
            }
            figcaption {
                ul.key {
                    li { (sign(&ABOVE)) "above the line: the window as it stands, and where the car will be in four weeks, four times in five" }
                    li { (sign(&BELOW)) "below it: the same as it would be" }
                }
            }
        }
    })
}

fn sign(half: &Half) -> Markup {
    let down = |far: f64| 9.0 + half.side * far;
    html! {
        svg.travel width="24" height="18" aria-hidden="true" {
            rect.window x="2" width="20" y=(down(0.0).min(down(8.0))) height="8" {}
            line.way x1="0" x2="24" y1="9" y2="9" {}
            rect class={ "spread " (half.look) } x="6" width="14" y=(down(2.0).min(down(6.0))) height="4" {}
        }
    }
}

fn percent(place: f64) -> String {
    format!("{place:.2}%")
}

/// What the signs of a line mean.
pub(super) fn key() -> Markup {
    html! {
        ul.key {
            li { svg.travel width="24" height="18" aria-hidden="true" { svg x="12" y="15" overflow="visible" { path.car d="M0 0 7-12H-7z" {} } } "the car by its last reading" }
            li { svg.travel width="24" height="18" aria-hidden="true" { svg x="12" y="9" overflow="visible" { path.car.past d="M0-8 8 0 0 8-8 0z" {} } } "beyond the late edge" }
            li { svg.travel width="24" height="18" aria-hidden="true" { rect.window x="2" width="20" y="1" height="16" {} line.edge x1="2" x2="2" y1="1" y2="17" {} line.edge.late x1="22" x2="22" y1="1" y2="17" {} } "the window, early to late edge" }
            li { svg.travel width="24" height="18" aria-hidden="true" { rect.spread x="1" width="22" y="7" height="5" {} svg x="12" y="9.5" overflow="visible" { path.middle d="M-1.5-5h3V5h-3z" {} } } "where it will be in four weeks, four times in five" }
        }
    }
}

/// The line of a car that has nothing to count from.
pub(super) fn unknown() -> Markup {
    html! {
        svg.travel width="100%" height="34" role="img" aria-label="Nothing to count from" {
            line.way.nowhere x1="0" x2="100%" y1="17" y2="17" {}
            text.strong x="0" y="12" { "?" }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::item::sample;

    fn today() -> NaiveDate {
        "2026-03-18".parse().unwrap()
    }

    #[test]
    fn a_line_is_measured_in_what_decides() {
        let travel = Travel::of(&sample(), today()).unwrap();
        assert_eq!(travel.words(), "18,600 mi gone, 1,400 mi left to its window");
        assert_eq!((travel.place(25_000.0), travel.place(12_500.0)), (LATE_AT, LATE_AT / 2.0));
        let hours = Item { deciding_meter: Some("hours".to_owned()), hours: Some((1000.0, 1200.0)), ..sample() };
        assert_eq!(
            Travel::of(&hours, today()).unwrap().words(),
            "1,010 h gone, in its window; 190 h left to the late edge"
        );
        assert_eq!(Travel::of(&Item { since_metres: None, ..sample() }, today()), None);
    }

    #[test]
    fn where_it_will_be_follows_from_the_dates_of_the_late_edge() {
        // 6,400 mi are left from the 17th on: 37 days to the 50 % date. Four weeks from today are 29 days from then.
        let [slow, middle, fast] = Travel::of(&sample(), today()).unwrap().ahead.unwrap();
        assert!((middle - (18_600.0 + 6_400.0 * 29.0 / 37.0)).abs() < 1.0, "{middle}");
        assert!(slow < middle && middle < fast);
    }

    #[test]
    fn two_travels_of_a_car_share_one_line() {
        let stands = Travel::of(&sample(), today()).unwrap();
        let wider = Item { distance: Some((40_233_600, 48_280_320)), ..sample() };
        let text = compared(&stands, &Travel::of(&wider, today()).unwrap()).unwrap().into_string();
        // The farther late edge ends the scale: 25,000 of 30,000 miles lie at five sixths of it.
        assert!(text.contains(&percent(LATE_AT)) && text.contains(&percent(LATE_AT * 25.0 / 30.0)), "{text}");
        assert!(
            text.contains("As it would be: early edge at 25,000 mi Thu 26 Mar, late edge at 30,000 mi Thu 23 Apr."),
            "{text}"
        );
        let hours = Item { deciding_meter: Some("hours".to_owned()), hours: Some((1000.0, 1200.0)), ..sample() };
        assert!(compared(&stands, &Travel::of(&hours, today()).unwrap()).is_none(), "miles and hours share no line");
    }

    #[test]
    fn beyond_the_late_edge_there_is_no_way_ahead() {
        let past = Item { since_metres: Some(48_280_320), band: "past".to_owned(), ..sample() };
        let travel = Travel::of(&past, today()).unwrap();
        assert_eq!(travel.words(), "30,000 mi gone, 5,000 mi beyond the late edge at 25,000 mi");
        assert_eq!(travel.ahead, None);
        let near = Item { late: ["2026-03-20".parse().ok(); 3], ..sample() };
        assert_eq!(Travel::of(&near, today()).unwrap().ahead, None, "two days say nothing about four weeks");
        assert!(travel.small().into_string().contains("car past"));
        assert!(travel.place(90_000.0) <= END);
    }
}
