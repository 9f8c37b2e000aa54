//! The packs: those at most risk first, each with its chances and what says so.

use axum::extract::State;
use axum::response::Response;
use chrono::NaiveDate;
use maud::{Markup, html};
use serde::Deserialize;
use ventmile_model::fleet::DistanceUnit;

use super::cars::{self, car_address};
use crate::app::App;
use crate::app::packs::{BANDS, PackItem};
use crate::board::asked::{Asked, Choice, select};
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::interface::segment;
use crate::board::refusal::Refusal;
use crate::board::say;
use crate::store::{DepotRecord, OutlookFilter, OutlookListed, PackCount};

/// Which packs are asked for.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::board) struct Query {
    depot: Option<String>,
    #[serde(rename = "type")]
    pack_type: Option<String>,
    band: Option<String>,
    /// The car it is in.
    unit: Option<String>,
    /// The place after which the page begins.
    after: Option<String>,
}

/// The chances of degradation within 30, 90 and 180 days, and how far the middle one may be off.
#[derive(Clone, Copy, Debug)]
pub(super) struct Chances {
    pub within: [f64; 3],
    pub interval: Option<[f64; 2]>,
}

const DAYS: [u32; 3] = [30, 90, 180];

impl Chances {
    /// Bars from none to all, each with its number.
    pub(super) fn drawn(&self) -> Markup {
        html! {
            dl.chances {
                @for (days, chance) in DAYS.into_iter().zip(self.within) {
                    @let range = self.interval.filter(|_| days == 90);
                    div {
                        dt { "in " (days) " days" }
                        dd { (bar(chance, range)) span { (short(chance)) } }
                    }
                }
            }
        }
    }

    /// How far the chance within 90 days may be off, in words.
    pub(super) fn doubt(&self) -> Option<String> {
        let [low, high] = self.interval.filter(|[low, high]| high - low >= 0.01)?;
        Some(format!(
            "As well as the life curve is known, the chance within 90 days lies at {} with 90 % confidence.",
            say::shares(low, high)
        ))
    }
}

/// A chance beside its bar, where room is short.
fn short(chance: f64) -> String {
    say::chance(chance).replace("more than", ">").replace("less than", "<")
}

fn bar(chance: f64, range: Option<[f64; 2]>) -> Markup {
    let percent = |share: f64| format!("{:.1}%", 100.0 * share.clamp(0.0, 1.0));
    html! {
        svg.chance width="100%" height="14" aria-hidden="true" {
            rect.rail x="0" y="3" width="100%" height="8" {}
            rect.said x="0" y="3" width=(percent(chance)) height="8" {}
            @if let Some([low, high]) = range { line.doubt x1=(percent(low)) x2=(percent(high)) y1="7" y2="7" {} }
        }
    }
}

/// The sign and the words of a band of risk.
fn band_words(band: &str) -> (&'static str, &'static str) {
    match band {
        "degraded" => ("◆", "degraded"),
        "now" => ("▲", "to be seen to now"),
        "plan" => ("▮", "to be planned for"),
        "watch" => ("▹", "to be watched"),
        "low" => ("○", "nothing to do"),
        _ => ("?", "nothing can be said"),
    }
}

/// A band of risk in words and with a sign.
pub(super) fn band_drawn(band: &str) -> Markup {
    let (sign, words) = band_words(band);
    html! { span.stands { span aria-hidden="true" { (sign) } " " (words) } }
}

/// A pack of the list.
#[derive(Clone, Debug)]
struct Row {
    unit: String,
    depot: String,
    item: PackItem,
    today: NaiveDate,
}

impl Row {
    fn distance_unit(&self) -> DistanceUnit {
        DistanceUnit::parse(&self.item.distance_unit).unwrap_or(DistanceUnit::Mile)
    }
}

/// The address of a pack's page.
pub(super) fn pack_address(serial: &str) -> String {
    format!("/board/packs/{}", segment(serial))
}

fn link(query: &Query) -> String {
    let mut pairs = form_urlencoded::Serializer::new(String::new());
    let fields = [
        ("depot", &query.depot),
        ("type", &query.pack_type),
        ("band", &query.band),
        ("unit", &query.unit),
        ("after", &query.after),
    ];
    for (name, value) in fields.into_iter().filter_map(|(name, value)| Some((name, value.as_ref()?))) {
        pairs.append_pair(name, value);
    }
    let pairs = pairs.finish();
    if pairs.is_empty() { "/board/packs".to_owned() } else { format!("/board/packs?{pairs}") }
}

/// What the page shows.
#[derive(Debug)]
struct View {
    query: Query,
    depots: Vec<Choice>,
    counts: Vec<PackCount>,
    rows: Vec<Row>,
    /// The address of the next page.
    next: Option<String>,
}

impl View {
    fn types(&self) -> Vec<Choice> {
        let mut types: Vec<&str> = self.counts.iter().map(|count| count.pack_type.as_str()).collect();
        types.dedup();
        types.into_iter().map(|name| (name.to_owned(), name.to_owned())).collect()
    }

    fn in_band(&self, band: &str) -> usize {
        let of = self.counts.iter().filter(|count| count.band == band);
        of.filter_map(|count| usize::try_from(count.packs).ok()).sum()
    }
}

/// Bands as a choice.
fn bands() -> Vec<Choice> {
    BANDS.map(|band| (band.to_owned(), band_words(band).1.to_owned())).to_vec()
}

/// How the packs stand, in a sentence.
fn standing(view: &View) -> Markup {
    let [degraded, now, plan, watch, low, unknown] = BANDS.map(|band| view.in_band(band));
    let all = degraded + now + plan + watch + low + unknown;
    html! {
        "Of " strong { (say::count(all, "pack")) } ", " strong { (degraded) } " " (if degraded == 1 { "is" } else { "are" })
        " degraded, " strong { (now) } " to be seen to now, " (plan) " to be planned for and " (watch) " to be watched. "
        @if unknown > 0 {
            a href=(link(&Query { band: Some("unknown".to_owned()), depot: view.query.depot.clone(), ..Query::default() })) {
                "Of " (unknown) " nothing can be said"
            } "."
        }
    }
}

fn page(view: &View) -> Markup {
    let query = &view.query;
    html! {
        h1 { "Packs" }
        @if !view.counts.is_empty() { p.lead { (standing(view)) } }
        form.filter method="get" action="/board/packs" role="search" {
            (select("depot", "Depot", "All depots", &view.depots, query.depot.as_deref()))
            (select("type", "Type", "All types", &view.types(), query.pack_type.as_deref()))
            (select("band", "Risk", "Whatever the risk", &bands(), query.band.as_deref()))
            button type="submit" { "Show" }
        }
        p.note {
            "The likeliest to be degraded within 90 days come first: worn out, or with a fault of cooling, sensing, isolation or \
             fuse. A pack is worn out when it fails, or when its weakest block lies too far under the others. "
            a href="/board/hindsight" { "Were the chances right" } " · " a href="/board/cost" { "What waiting costs" }
        }
        @if view.rows.is_empty() {
            p { "No pack is like that. " a href="/board/packs" { "Show all packs" } }
        } @else {
            ul.cars.packs { @for row in &view.rows { (drawn(row)) } }
        }
        @if query.after.is_some() || view.next.is_some() {
            nav.pages aria-label="Pages of the list" {
                @if query.after.is_some() { a.button href=(link(&Query { after: None, ..query.clone() })) { "First page" } }
                @if let Some(next) = &view.next { a.button href=(next) rel="next" { "Next page" } }
            }
        }
    }
}

fn drawn(row: &Row) -> Markup {
    let item = &row.item;
    html! {
        li {
            div.who {
                @match &item.serial {
                    Some(serial) => a.unit href=(pack_address(serial)) { (serial) },
                    None => span.unit { "Not registered" },
                }
                span.depot { (item.pack_type) }
                p { "in car " a href=(car_address(&row.unit)) { (row.unit) } ", " (row.depot) }
                (band_drawn(&item.band))
            }
            div.way {
                @match item.chances {
                    Some(within) => (Chances { within, interval: item.interval }.drawn()),
                    None => p { "No chance is given: " (item.no_chance_because.as_deref().unwrap_or("nothing is known of it")) },
                }
            }
            div.when {
                p {
                    (say::distance(item.age_metres, row.distance_unit())) " driven"
                    @match item.median_on {
                        Some(median) if median <= row.today => "; likely degraded already",
                        Some(median) => { "; as likely as not degraded by " (say::dated(median, row.today)) }
                        None => {}
                    }
                }
                @for reason in item.reason.iter().chain(&item.more_reasons) { p.note { (sentence(reason)) } }
            }
        }
    }
}

/// Words that begin a sentence.
pub(super) fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    let Some(first) = letters.next() else { return String::new() };
    let mut sentence: String = first.to_uppercase().chain(letters).collect();
    if !sentence.ends_with(['.', '!', '?']) {
        sentence.push('.');
    }
    sentence
}

/// The unit that the depots seen share, or that of the one chosen; miles where they do not.
pub(super) fn unit_of(depots: &[DepotRecord], chosen: Option<&str>) -> DistanceUnit {
    let mut of = depots.iter().filter(|record| chosen.is_none_or(|code| record.depot.code == code));
    let first = of.next().map(|record| record.depot.distance_unit);
    first.filter(|unit| of.all(|record| record.depot.distance_unit == *unit)).unwrap_or(DistanceUnit::Mile)
}

/// A place in the list: the bits of the chance, since a decimal number might come back a little off, and the car.
fn place_of(text: &str) -> Result<(f64, i64), Refusal> {
    let read = text.split_once('-').and_then(|(chance, car)| {
        Some((f64::from_bits(u64::from_str_radix(chance, 16).ok()?), i64::from_str_radix(car, 16).ok()?))
    });
    read.filter(|(chance, _)| chance.is_finite())
        .ok_or_else(|| Refusal::unreadable("This address of a page was cut or changed."))
}

fn place_text(row: &OutlookListed) -> String {
    format!("{:x}-{:x}", row.chance_90.to_bits(), row.vehicle_id)
}

pub(in crate::board) async fn show(
    State(app): State<App>,
    visitor: Visitor,
    Asked(query): Asked<Query>,
) -> Result<Response, Refusal> {
    let depots = cars::depots_seen(&app, &visitor, query.depot.as_deref()).await?;
    let limit = app.settings.limits.page;
    let filter = OutlookFilter {
        depot: query.depot.clone(),
        pack_type: query.pack_type.clone(),
        band: query.band.clone(),
        unit: query.unit.clone(),
        after: query.after.as_deref().map(place_of).transpose()?,
        key_depots_of: visitor.key_depots_of(),
        limit: limit + 1,
    };
    let mut found = app.store.pack_outlooks(&filter).await?;
    let shown = usize::try_from(limit).unwrap_or(usize::MAX);
    let more = found.len() > shown;
    found.truncate(shown);
    let after = found.last().filter(|_| more).map(place_text);
    let next = after.map(|after| link(&Query { after: Some(after), ..query.clone() }));
    let mut rows = Vec::with_capacity(found.len());
    for row in found {
        let (item, today) = (row.read()?, cars::today_at(&app, &depots, &row.depot));
        rows.push(Row { unit: row.unit, depot: row.depot, item, today });
    }
    let counts = app.store.pack_counts(query.depot.as_deref(), visitor.key_depots_of()).await?;
    let made = Made::now(&app, &depots, query.depot.as_deref());
    let view = View { depots: cars::choices(&depots), counts, rows, next, query };
    let frame = Frame { title: "Packs", here: "/board/packs", visitor: Some(&visitor), made, scripts: &[] };
    Ok(frame.page(&page(&view)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn item(serial: Option<&str>) -> PackItem {
        PackItem {
            serial: serial.map(str::to_owned),
            pack_type: "N<28>".to_owned(),
            age_metres: 200_000_000.0,
            metres_per_day: 300_000.0,
            distance_unit: "mi".to_owned(),
            band: "now".to_owned(),
            chances: Some([0.12, 0.34, 0.996]),
            interval: Some([0.2, 0.5]),
            median_on: "2026-08-12".parse().ok(),
            reason: Some("the weakest block lay 0.79 V low <b>".to_owned()),
            more_reasons: vec!["the car covers 186 mi a day".to_owned()],
            last_check_at: None,
            no_chance_because: None,
        }
    }

    fn sample() -> View {
        let row = |unit: &str, item| Row {
            unit: unit.to_owned(),
            depot: "NORTH".to_owned(),
            item,
            today: "2026-03-18".parse().unwrap(),
        };
        let unknown = PackItem {
            chances: None,
            interval: None,
            median_on: None,
            band: "unknown".to_owned(),
            no_chance_because: Some("too few packs have failed".to_owned()),
            ..item(None)
        };
        let count = |band: &str, packs| PackCount { pack_type: "N<28>".to_owned(), band: band.to_owned(), packs };
        View {
            query: Query::default(),
            depots: Vec::new(),
            counts: vec![count("now", 1), count("unknown", 1)],
            rows: vec![row("<img>/7", item(Some("P<script>&7"))), row("8", unknown)],
            next: None,
        }
    }

    #[test]
    fn a_pack_is_told_with_its_chances_and_reasons() {
        let text = page(&sample()).into_string();
        assert!(
            text.contains("Of <strong>2 packs</strong>, <strong>0</strong> are degraded, <strong>1</strong>"),
            "{text}"
        );
        assert!(text.contains("<span>34 %</span>") && text.contains("<span>&gt; 99 %</span>"), "{text}");
        assert!(text.contains("124,274 mi driven; as likely as not degraded by"), "{text}");
        assert!(text.contains("The car covers 186 mi a day.") && text.contains("too few packs have failed"), "{text}");
    }

    #[test]
    fn names_are_text_whatever_they_are() {
        let text = page(&sample()).into_string();
        assert!(
            !text.contains("<img>") && !text.contains("<script>") && !text.contains("<b>") && !text.contains("N<28>")
        );
        assert!(text.contains(r#"href="/board/packs/P%3Cscript%3E%267""#), "{text}");
        assert!(text.contains(r#"href="/board/cars/%3Cimg%3E%2F7""#), "{text}");
        assert!(!text.contains("style="), "{text}");
    }

    #[test]
    fn a_place_comes_back_as_it_went() {
        let row = |chance_90| OutlookListed {
            chance_90,
            vehicle_id: 17,
            unit: String::new(),
            depot: String::new(),
            item: String::new(),
        };
        for chance in [0.0, 0.1 + 0.2, 1.0] {
            assert_eq!(place_of(&place_text(&row(chance))).unwrap(), (chance, 17));
        }
        for broken in ["", "zz-1", "3f-", "7ff0000000000000-1"] {
            assert!(place_of(broken).is_err(), "{broken}");
        }
    }
}
