//! What is coming: the cars to be looked at first, and week by week how many reach their windows, against the bays.

use axum::extract::State;
use axum::response::Response;
use chrono::NaiveDate;
use maud::{Markup, html};
use serde::Deserialize;
use ventmile_model::due::Tally;

use super::cars::{self, Row};
use crate::app::App;
use crate::app::coming::{Coming, DepotAhead, Standing, Week};
use crate::board::asked::{Asked, Choice, select};
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::live;
use crate::board::plot::{Look, Plot, Scale, Series, Shape, Table, day_place};
use crate::board::refusal::Refusal;
use crate::board::{say, travel};

/// What is asked.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::board) struct Query {
    depot: Option<String>,
}

/// What the page shows.
#[derive(Debug)]
struct View {
    /// Depots to choose from, and the one chosen.
    depots: Vec<Choice>,
    chosen: Option<String>,
    coming: Coming,
    /// The first of those to be looked at.
    first: Vec<Row>,
    /// How long ago the cars were counted, in seconds.
    counted_ago: i64,
    /// How long a service takes a bay, in hours.
    slot_hours: f64,
}

fn page(view: &View) -> Markup {
    let stands: Vec<&Standing> = view.coming.depots.iter().map(|ahead| &ahead.standing).collect();
    html! {
        h1 { "What is coming" }
        form.filter method="get" action="/board" {
            (select("depot", "Depot", "All depots", &view.depots, view.chosen.as_deref()))
            button type="submit" { "Show" }
        }
        p.lead { (standing(&stands)) }
        @if view.counted_ago > 0 { p.note { "Counted " span data-made { (say::count(view.counted_ago.unsigned_abs() as usize, "second")) } " ago." } }
        @if view.coming.depots.is_empty() {
            p { "No depot is registered yet. Add depots and cars through the interface (" a href="/docs" { "how" } ")." }
        }
        @if !view.first.is_empty() {
            section aria-labelledby="first" {
                h2 #first { "To be looked at first" }
                (travel::key())
                (cars::list(&view.first))
                @let more = view.coming.first_in_all().saturating_sub(view.first.len());
                @if more > 0 {
                    p { a href=(cars::address(view.chosen.as_deref(), None)) {
                        "and " (say::count(more, "more car")) ", first in the list of all"
                    } }
                }
            }
        }
        @for (place, ahead) in view.coming.depots.iter().enumerate() { (depot(place, ahead, view.slot_hours)) }
    }
}

/// How the cars stand, in a sentence.
fn standing(stands: &[&Standing]) -> Markup {
    let sum = |of: fn(&Standing) -> usize| stands.iter().map(|standing| of(standing)).sum::<usize>();
    let (cars, past, inside) = (sum(|all| all.cars), sum(|all| all.past), sum(|all| all.inside));
    let (unknown, silent) = (sum(|all| all.unknown), sum(|all| all.silent));
    html! {
        "Of " strong { (say::count(cars, "car")) } ", "
        strong { (past) } " " (are(past)) " past the window of the fan service and " strong { (inside) } " " (are(inside)) " inside it. "
        "Of " strong { (unknown) } " nobody knows where to count from; " strong { (silent) } " " (have(silent)) " gone silent."
    }
}

const fn are(many: usize) -> &'static str {
    if many == 1 { "is" } else { "are" }
}

const fn have(many: usize) -> &'static str {
    if many == 1 { "has" } else { "have" }
}

/// A depot; its place on the page makes its names unique, since a code may hold anything.
fn depot(place: usize, ahead: &DepotAhead, slot_hours: f64) -> Markup {
    let plot = plot_of(place, ahead, slot_hours);
    html! {
        section aria-labelledby={ "depot-" (place) } {
            h2 id={ "depot-" (place) } { (ahead.depot.name) " " small { (ahead.depot.code) } }
            p {
                (say::count(ahead.standing.cars, "car")) ": "
                (ahead.standing.past) " past, " (ahead.standing.inside) " inside, " (ahead.standing.unknown) " unknown, "
                (ahead.standing.silent) " silent. "
                a href=(cars::address(Some(&ahead.depot.code), None)) { "Its cars" }
            }
            (plot.drawn())
            p.note {
                "Each car is counted with its chance of reaching the edge in that week; the ranges hold four times in five, if \
                 the cars go their own ways. Cars already inside or past their window are in no week. The bays hold "
                (holds_words(ahead, slot_hours))
            }
        }
    }
}

/// How much the bays hold and what that rests on.
fn holds_words(ahead: &DepotAhead, slot_hours: f64) -> String {
    let Some(whole) = ahead.weeks.get(1) else { return String::new() };
    format!(
        "{} fan services a week: {} open {} hours a week in all, {} hours a service (work.slot_minutes), less what is planned \
         for other jobs.",
        holds(whole, slot_hours),
        say::count(ahead.depot.bays as usize, "bay"),
        say::number(whole.bay_hours),
        slot_hours
    )
}

/// Services that the bays hold in a week.
fn holds(week: &Week, slot_hours: f64) -> u32 {
    if slot_hours > 0.0 { (week.bay_hours / slot_hours).floor() as u32 } else { 0 }
}

fn plot_of(place: usize, ahead: &DepotAhead, slot_hours: f64) -> Plot {
    let weeks = &ahead.weeks;
    let most = weeks.iter().map(|week| week.early.p90.max(week.late.p90)).max().unwrap_or(0);
    let most_held = weeks.iter().map(|week| holds(week, slot_hours)).max().unwrap_or(0);
    // Bays that hold far more than ever comes are told in words: their line would press all else to the ground.
    let in_sight = most_held <= most.saturating_mul(2).max(8);
    let high = if in_sight { most.max(most_held) } else { most };
    let middle = |week: &Week| day_place(week.to) - 3.0;
    let ranges = |edge: fn(&Week) -> Tally, aside: f64| {
        let range = |week: &Week| {
            let tally = edge(week);
            (middle(week) + aside, f64::from(tally.p10), tally.mean, f64::from(tally.p90))
        };
        Shape::Ranges(weeks.iter().map(range).collect())
    };
    let bays = weeks.iter().map(|week| (day_place(week.to) - 6.5, f64::from(holds(week, slot_hours))));
    let end = weeks.last().map(|week| (day_place(week.to) + 0.5, f64::from(holds(week, slot_hours))));
    let mut series = vec![
        Series::new("cars that reach their early edge", Look::First, ranges(|week| week.early, -0.9)),
        Series::new("cars that reach their late edge", Look::Second, ranges(|week| week.late, 0.9)),
    ];
    if in_sight {
        series.push(Series::new("services the bays hold", Look::Plain, Shape::Step(bays.chain(end).collect())));
    }
    let ends = |pick: fn(&Week) -> NaiveDate, week: Option<&Week>| week.map_or(0.0, |week| day_place(pick(week)));
    let (low, last) = (ends(|week| week.to, weeks.first()) - 6.5, ends(|week| week.to, weeks.last()) + 0.5);
    let tick = |week: &Week| (middle(week), week.from.format("%-d %b").to_string());
    Plot {
        id: format!("weeks-{place}"),
        title: format!("{} by week", ahead.depot.name),
        says: says(weeks, slot_hours),
        x: Scale::with_ticks(low, last, weeks.iter().map(tick).collect()),
        y: Scale::counts(f64::from(high)),
        series,
        table: table_of(weeks, slot_hours),
    }
}

/// The plot in a sentence: the week in which most cars reach their early edge, and what comes in all.
fn says(weeks: &[Week], slot_hours: f64) -> String {
    let total: f64 = weeks.iter().map(|week| week.early.mean).sum();
    let held: u32 = weeks.iter().map(|week| holds(week, slot_hours)).sum();
    let fullest = weeks.iter().max_by(|one, other| one.early.mean.total_cmp(&other.early.mean));
    let Some(fullest) = fullest.filter(|week| week.early.p90 > 0) else {
        return "No car is expected to reach its window in these weeks.".to_owned();
    };
    format!(
        "About {} of its cars come into their window within {} weeks, most in the week of {} ({} to {}); the bays could do {} services.",
        say::number(total),
        weeks.len(),
        fullest.from.format("%-d %b"),
        fullest.early.p10,
        fullest.early.p90,
        held
    )
}

fn table_of(weeks: &[Week], slot_hours: f64) -> Table {
    let tally = |tally: &Tally| format!("{:.1} ({} to {})", tally.mean, tally.p10, tally.p90);
    let row = |week: &Week| {
        let days = format!("{} to {}", week.from.format("%-d %b"), week.to.format("%-d %b"));
        let hours = say::number(week.bay_hours);
        vec![days, tally(&week.early), tally(&week.late), hours, holds(week, slot_hours).to_string()]
    };
    let head = ["Week", "Reach early edge", "Reach late edge", "Bay hours", "Services the bays hold"];
    Table { head: head.map(str::to_owned).to_vec(), rows: weeks.iter().map(row).collect() }
}

pub(in crate::board) async fn show(
    State(app): State<App>,
    visitor: Visitor,
    Asked(query): Asked<Query>,
) -> Result<Response, Refusal> {
    let depots = cars::depots_seen(&app, &visitor, query.depot.as_deref()).await?;
    let since = live::Since::now(&app).await?;
    let coming = app.coming(query.depot.as_deref(), visitor.key_depots_of()).await?;
    let first =
        coming.first().into_iter().map(|one| Row::of(one, cars::today_at(&app, &depots, &one.row.depot))).collect();
    let view = View {
        depots: cars::choices(&depots),
        chosen: query.depot,
        first,
        counted_ago: (app.now() - coming.at).num_seconds(),
        coming,
        slot_hours: f64::from(app.settings.work.slot_minutes) / 60.0,
    };
    let made = Made::now(&app, &depots, view.chosen.as_deref());
    let frame = Frame { title: "What is coming", here: "/board", visitor: Some(&visitor), made, scripts: &["live.js"] };
    Ok(frame.page(&html! { (since.place(view.chosen.as_deref(), None)) (page(&view)) }))
}

#[cfg(test)]
mod tests {
    use chrono::NaiveTime;
    use ventmile_model::fleet::{DayHours, Depot, DistanceUnit, OpeningHours, parse_zone};

    use super::*;

    fn sample() -> View {
        let at = |hour| NaiveTime::from_hms_opt(hour, 0, 0).unwrap();
        let open = Some(DayHours { opens: at(8), closes: at(17) });
        let depot = Depot {
            code: "N<1>".to_owned(),
            name: "North & yard".to_owned(),
            zone: parse_zone("America/New_York").unwrap(),
            bays: 2,
            hours: OpeningHours([open; 7]),
            distance_unit: DistanceUnit::Mile,
        };
        let date = |text: &str| text.parse::<NaiveDate>().unwrap();
        let week = |from, to, mean: f64, p10, p90| Week {
            from: date(from),
            to: date(to),
            early: Tally { mean, p10, p90 },
            late: Tally { mean: 1.0, p10: 0, p90: 2 },
            bay_hours: 90.0,
        };
        let weeks = vec![
            week("2026-03-18", "2026-03-22", 2.4, 1, 4),
            week("2026-03-23", "2026-03-29", 5.1, 3, 8),
            week("2026-03-30", "2026-04-05", 3.3, 1, 5),
        ];
        let standing = Standing { cars: 40, unknown: 1, silent: 2, past: 3, inside: 6 };
        let today = date("2026-03-18");
        let ahead = DepotAhead { depot, today, standing, weeks, first: Vec::new(), first_in_all: 6 };
        View {
            depots: vec![("N<1>".to_owned(), "North & yard".to_owned())],
            chosen: None,
            first: vec![cars::sample()],
            counted_ago: 7,
            coming: Coming { at: "2026-03-18T16:00:00Z".parse().unwrap(), depots: vec![ahead] },
            slot_hours: 2.0,
        }
    }

    #[test]
    fn the_page_says_how_cars_stand_and_what_the_weeks_bring() {
        let text = page(&sample()).into_string();
        assert_eq!(text, page(&sample()).into_string());
        assert!(text.contains("About 11 of its cars come into their window within 3 weeks"), "{text}");
        assert!(text.contains("most in the week of 23 Mar (3 to 8); the bays could do 135 services."), "{text}");
        assert!(text.contains("5.1 (3 to 8)") && text.contains("and 5 more cars"), "{text}");
        assert!(text.contains("Counted <span data-made>7 seconds</span> ago."), "{text}");
        assert!(!text.contains("<1>") && !text.contains("style="), "{text}");
    }

    #[test]
    fn bays_hold_whole_services() {
        let view = sample();
        assert_eq!(holds(&view.coming.depots[0].weeks[0], 2.0), 45);
        assert_eq!(holds(&view.coming.depots[0].weeks[0], 2.1), 42);
    }
}
