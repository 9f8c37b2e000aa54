//! Plain words for distances, days, times and chances.

use chrono::{DateTime, Datelike, NaiveDate, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};
use ventmile_model::fleet::DistanceUnit;

use crate::values;

/// A whole number with commas between thousands.
pub(super) fn number(value: f64) -> String {
    let digits = format!("{:.0}", value.abs());
    let mut text = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place) % 3 == 0 {
            text.push(',');
        }
        text.push(digit);
    }
    if value <= -0.5 { format!("−{text}") } else { text }
}

/// A distance in the depot's unit, such as `12,345 mi`.
pub(super) fn distance(metres: f64, unit: DistanceUnit) -> String {
    format!("{} {unit}", number(metres / unit.metres()))
}

/// A count with its noun: `1 car`, `2 cars`.
pub(super) fn count(many: usize, noun: &str) -> String {
    if many == 1 { format!("1 {noun}") } else { format!("{} {noun}s", number(many as f64)) }
}

/// A date without its weekday, such as `18 Mar 2026`: day, month and year can't be mistaken anywhere.
pub(super) fn short_day(day: NaiveDate) -> String {
    day.format("%-d %b %Y").to_string()
}

/// A date as people say it: with its weekday, and its year only when it is another than today's.
pub(super) fn day(day: NaiveDate, today: NaiveDate) -> String {
    let form = if day.year() == today.year() { "%a %-d %b" } else { "%-d %b %Y" };
    day.format(form).to_string()
}

/// The same, marked up so that machines read it too.
pub(super) fn dated(date: NaiveDate, today: NaiveDate) -> Markup {
    html! { time datetime=(date) { (day(date, today)) } }
}

/// A text whose dates are written for machines too (`2026-03-20`), with its dates as people say them.
pub(super) fn in_words(text: &str, today: NaiveDate) -> String {
    let (mut words, mut rest) = (String::with_capacity(text.len()), text);
    while let Some((before, date, after)) = next_date(rest) {
        words.push_str(before);
        words.push_str(&day(date, today));
        rest = after;
    }
    words.push_str(rest);
    words
}

/// The first date of a text, with what stands before and after it; no part of a longer number or name is one.
fn next_date(text: &str) -> Option<(&str, NaiveDate, &str)> {
    let joins = |letter: char| letter.is_alphanumeric() || letter == '-';
    let mut starts = text.char_indices().filter(|(_, letter)| letter.is_ascii_digit()).map(|(at, _)| at);
    let date_at = |at: usize| {
        let (before, rest) = text.split_at_checked(at)?;
        let (date, after) = rest.split_at_checked(DATE_LENGTH)?;
        let date = values::date(date).ok()?;
        (!before.ends_with(joins) && !after.starts_with(joins)).then_some((before, date, after))
    };
    starts.find_map(date_at)
}

/// Letters of a date such as `2026-03-20`.
const DATE_LENGTH: usize = 10;

/// A local time with its zone, such as `18 Mar 2026, 12:00 EDT`.
pub(super) fn time(at: DateTime<Utc>, zone: Tz) -> Markup {
    let local = at.with_timezone(&zone);
    html! { time datetime=(at.to_rfc3339()) { (local.format("%-d %b %Y, %H:%M %Z")) } }
}

/// A chance; what is nearly sure or nearly not is said as such.
pub(super) fn chance(chance: f64) -> String {
    let percent = chance * 100.0;
    if percent < 1.0 {
        "less than 1 %".to_owned()
    } else if percent > 99.0 {
        "more than 99 %".to_owned()
    } else {
        format!("{percent:.0} %")
    }
}

/// A range of shares such as `12 to 31 %`.
pub(super) fn shares(low: f64, high: f64) -> String {
    format!("{:.0} to {:.0} %", low * 100.0, high * 100.0)
}

/// Days from today: `today`, `tomorrow`, `in 9 days`, `9 days ago`.
pub(super) fn from_today(day: NaiveDate, today: NaiveDate) -> String {
    match (day - today).num_days() {
        0 => "today".to_owned(),
        1 => "tomorrow".to_owned(),
        -1 => "yesterday".to_owned(),
        days if days > 0 => format!("in {} days", number(days as f64)),
        days => format!("{} days ago", number(-days as f64)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn numbers_dates_and_chances_in_words() {
        assert_eq!(distance(40_233_600.0, DistanceUnit::Mile), "25,000 mi");
        assert_eq!((count(1, "car"), count(1200, "car")), ("1 car".to_owned(), "1,200 cars".to_owned()));
        let today = date("2026-03-18");
        assert_eq!(day(date("2026-03-20"), today), "Fri 20 Mar");
        assert_eq!(day(date("2027-01-02"), today), "2 Jan 2027");
        assert_eq!(from_today(date("2026-03-27"), today), "in 9 days");
        assert_eq!(from_today(date("2026-03-17"), today), "yesterday");
        assert_eq!([chance(0.004), chance(0.256), chance(0.999)], ["less than 1 %", "26 %", "more than 99 %"]);
    }

    #[test]
    fn ranges_name_their_unit_once() {
        assert_eq!(shares(0.124, 0.31), "12 to 31 %");
    }

    #[test]
    fn dates_within_a_text_read_like_the_others() {
        let say = |text: &str| in_words(text, date("2026-03-18"));
        assert_eq!(say("By 2026-03-17, since 2025-12-01."), "By Tue 17 Mar, since 1 Dec 2025.");
        for same in ["12026-03-17", "2026-03-171", "WO-2026-03-17", "2026-13-40", "ünde 2026-03", ""] {
            assert_eq!(say(same), same);
        }
    }

    #[test]
    fn times_are_local_and_name_their_zone() {
        let at = "2026-07-01T12:00:00Z".parse().unwrap();
        assert!(time(at, Tz::Europe__Vienna).into_string().contains("1 Jul 2026, 14:00 CEST"));
    }
}
