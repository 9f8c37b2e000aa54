//! iCalendar (RFC 5545): lines, escapes and folds, and a list of a day as events and to-dos.

use chrono::{DateTime, NaiveDate, Utc};
use ventmile_model::fleet::Plan;

use super::orders::{number_of, planned_for};
use crate::app::day_list::DayList;
use crate::app::stops::{Stop, standing_stops};
use crate::store::{OrderRecord, StopCodes};

/// The media type.
pub(super) const MEDIA_TYPE: &str = "text/calendar; charset=utf-8";

/// Longest line in octets, without its end (RFC 5545, 3.1).
const LONGEST_LINE: usize = 75;

/// A calendar being written.
struct Ical(String);

impl Ical {
    /// A line, folded where it is too long, never within a letter.
    fn line(&mut self, text: &str) {
        let mut width = 0;
        for letter in text.chars() {
            if width + letter.len_utf8() > LONGEST_LINE {
                self.0.push_str("\r\n ");
                width = 1;
            }
            self.0.push(letter);
            width += letter.len_utf8();
        }
        self.0.push_str("\r\n");
    }

    /// A property whose value needs no escapes.
    fn plain(&mut self, name: &str, value: &str) {
        self.line(&format!("{name}:{value}"));
    }

    /// A property whose value is text (RFC 5545, 3.3.11).
    fn text(&mut self, name: &str, value: &str) {
        self.line(&format!("{name}:{}", escaped(value)));
    }

    fn at(&mut self, name: &str, at: DateTime<Utc>) {
        self.plain(name, &at.format("%Y%m%dT%H%M%SZ").to_string());
    }

    fn day(&mut self, name: &str, day: NaiveDate) {
        self.line(&format!("{name};VALUE=DATE:{}", day.format("%Y%m%d")));
    }

    /// What every component has: its name in the world and when what it says was last changed.
    fn begin(&mut self, component: &str, uid: &str, stamp: DateTime<Utc>) {
        self.plain("BEGIN", component);
        self.plain("UID", &format!("{uid}@ventmile"));
        self.at("DTSTAMP", stamp);
    }
}

fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '\\' | ';' | ',' => out.extend(['\\', letter]),
            '\n' => out.push_str("\\n"),
            letter if letter.is_control() => {}
            letter => out.push(letter),
        }
    }
    out
}

/// An order's name in the world: two fleets have orders of the same number.
fn uid(what: &str, order: &OrderRecord) -> String {
    format!("{what}-{}-{}", number_of(order), order.created_at.timestamp_micros())
}

fn described(order: &OrderRecord, now: DateTime<Utc>) -> String {
    let stops = standing_stops(&order.stop_codes, order.zone, now);
    let lines = stops.iter().map(Stop::line);
    let reasons = std::iter::once(order.reason.clone()).chain(order.joined.iter().map(|joined| joined.reason.clone()));
    let people = order.order.plan.iter().filter(|plan| !plan.technicians.is_empty());
    let people = people.map(|plan| format!("for {}", plan.technicians.join(", ")));
    let back = order.order.back.iter().map(|back| format!("expected back {}: {}", back.at, back.reason));
    lines.chain(reasons).chain(people).chain(back).collect::<Vec<_>>().join("\n")
}

fn slot(out: &mut Ical, order: &OrderRecord, plan: &Plan, now: DateTime<Utc>) {
    out.begin("VEVENT", &uid("slot", order), order.changed_at);
    out.at("DTSTART", plan.starts_at(order.zone));
    out.at("DTEND", order.order.back.as_ref().map_or(plan.ends_at(order.zone), |back| back.at));
    out.text("SUMMARY", &format!("{} {} {}", order.unit, order.kind.as_str(), number_of(order)));
    out.text("LOCATION", &format!("{}, bay {}", order.depot, plan.bay));
    out.text("DESCRIPTION", &described(order, now));
    out.plain("STATUS", if order.order.confirmed.is_some() { "CONFIRMED" } else { "TENTATIVE" });
    out.plain("SEQUENCE", &order.version.to_string());
    out.plain("END", "VEVENT");
}

fn to_do(out: &mut Ical, order: &OrderRecord, now: DateTime<Utc>) {
    out.begin("VTODO", &uid("todo", order), order.changed_at);
    if let Some(day) = planned_for(order) {
        out.day("DUE", day);
    }
    out.text("SUMMARY", &format!("{} {} {}", order.unit, order.kind.as_str(), number_of(order)));
    out.text("LOCATION", &order.depot);
    out.text("DESCRIPTION", &described(order, now));
    out.plain("STATUS", &order.order.settled(now).status.as_str().to_ascii_uppercase());
    out.plain("SEQUENCE", &order.version.to_string());
    out.plain("END", "VTODO");
}

fn stop(out: &mut Ical, car: &StopCodes, stop: &Stop) {
    let uid = format!("stop-{}-{}-{}", hex::encode(&car.unit), stop.code, stop.since.timestamp_micros());
    out.begin("VTODO", &uid, stop.since);
    out.text("SUMMARY", &format!("STOP {}: {}", car.unit, stop.code));
    out.text("LOCATION", &car.depot);
    out.text("DESCRIPTION", &stop.line());
    out.plain("PRIORITY", "1");
    out.plain("STATUS", "NEEDS-ACTION");
    out.plain("END", "VTODO");
}

/// A list as iCalendar: planned slots are events, cars to stop or to bring in are to-dos.
pub(super) fn calendar(name: &str, list: &DayList, now: DateTime<Utc>) -> String {
    let mut out = Ical(String::new());
    out.plain("BEGIN", "VCALENDAR");
    out.plain("VERSION", "2.0");
    out.plain("PRODID", "-//Ventmile//Day lists//EN");
    out.text("NAME", name);
    for (car, stops) in &list.stops {
        stops.iter().for_each(|one| stop(&mut out, car, one));
    }
    for order in &list.slots {
        if let Some(plan) = &order.order.plan {
            slot(&mut out, order, plan, now);
        }
    }
    list.bring_in.iter().for_each(|order| to_do(&mut out, order, now));
    if list.stops.is_empty() && list.slots.is_empty() && list.bring_in.is_empty() {
        // A calendar holds at least one component (RFC 5545, 3.6); this one says nothing.
        out.begin("VFREEBUSY", "nothing", now);
        out.plain("END", "VFREEBUSY");
    }
    out.plain("END", "VCALENDAR");
    out.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_escaped() {
        // RFC 5545, 3.3.11, its example with a backslash added.
        assert_eq!(
            escaped("Project XYZ Final Review\nConference Room - 3B"),
            "Project XYZ Final Review\\nConference Room - 3B"
        );
        assert_eq!(escaped("a;b,c\\d\r\u{0}"), "a\\;b\\,c\\\\d");
    }

    #[test]
    fn long_lines_are_folded_between_letters() {
        let long = format!("SUMMARY:{}", "né".repeat(100));
        let mut out = Ical(String::new());
        out.line(&long);
        let lines: Vec<&str> = out.0.split_terminator("\r\n").collect();
        assert!(lines.len() > 4 && lines.iter().all(|line| line.len() <= LONGEST_LINE), "{lines:?}");
        assert!(lines[1..].iter().all(|line| line.starts_with(' ')));
        assert_eq!(out.0.replace("\r\n ", "").trim_end(), long);
        let mut out = Ical(String::new());
        out.line(&"x".repeat(LONGEST_LINE));
        assert_eq!(out.0.len(), LONGEST_LINE + 2, "75 octets stand on one line");
    }
}
