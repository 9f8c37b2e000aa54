//! In hindsight: were the dates right, beside two naive forecasts, and were the chances right.

use std::collections::HashMap;

use axum::extract::State;
use axum::response::Response;
use chrono::{Days, NaiveDate};
use maud::{Markup, html};
use serde::Deserialize;
use ventmile_model::due::Score;
use ventmile_model::fleet::Kind;

use super::cars;
use crate::app::App;
use crate::app::hindsight::{self as dates, Comparison, Group, Hindsight};
use crate::app::risks::{self, HORIZONS, HorizonRecord, RiskHindsight};
use crate::board::asked::{Asked, Choice, select};
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::plot::{Look, Plot, Scale, Series, Shape, Table};
use crate::board::refusal::Refusal;
use crate::board::say;
use crate::store::{HindsightFilter, RiskFilter};

/// What is asked.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::board) struct Query {
    depot: Option<String>,
}

/// A group of forecasts with its name.
type Named = (String, Comparison);

/// The forecasts of one edge.
#[derive(Clone, Debug)]
struct Edge {
    /// `early` or `late`.
    name: &'static str,
    all: Comparison,
    by_horizon: Vec<Named>,
    /// By depot, by month, and of told plans.
    others: Vec<Named>,
}

impl Edge {
    fn of(found: &Hindsight, name: &'static str, depots: &HashMap<i64, String>) -> Option<Self> {
        let own = found.comparisons.iter().filter(|((edge, _), _)| edge == name);
        let mut edge = None;
        let (mut by_horizon, mut others) = (Vec::new(), Vec::new());
        for ((_, group), comparison) in own {
            let into = match group {
                Group::All => {
                    edge = Some(*comparison);
                    continue;
                }
                Group::Horizon(..) => &mut by_horizon,
                _ => &mut others,
            };
            into.push((group_words(group, depots), *comparison));
        }
        edge.map(|all| Self { name, all, by_horizon, others })
    }
}

fn group_words(group: &Group, depots: &HashMap<i64, String>) -> String {
    match group {
        Group::All => "all".to_owned(),
        Group::Horizon(from, Some(to)) => format!("{from} to {to} days ahead"),
        Group::Horizon(from, None) => format!("{from} days ahead and more"),
        Group::Depot(id) => depots.get(id).cloned().unwrap_or_default(),
        Group::Month(year, month) => NaiveDate::from_ymd_opt(*year, *month, 1)
            .map(|day| day.format("made in %b %Y").to_string())
            .unwrap_or_default(),
        Group::Told => "while a plan was told".to_owned(),
    }
}

/// What the page shows.
#[derive(Debug)]
struct View {
    depots: Vec<Choice>,
    chosen: Option<String>,
    today: NaiveDate,
    edges: Vec<Edge>,
    /// Forecasts kept, and the soonest date still to come true.
    kept: usize,
    next_on: Option<NaiveDate>,
    risks: RiskHindsight,
}

fn page(view: &View) -> Markup {
    html! {
        h1 { "Hindsight" }
        form.filter method="get" action="/board/hindsight" {
            (select("depot", "Depot", "All depots", &view.depots, view.chosen.as_deref()))
            button type="submit" { "Show" }
        }
        section aria-labelledby="dates" {
            h2 #dates { "Were the dates right?" }
            (kept(view))
            @for edge in &view.edges { (edge_drawn(edge)) }
            p.note {
                "One forecast of the fan service a week, car and edge is kept, of the last year. It is scored by the day on which the odometer \
                 passed the edge where it stood then, whether or not a service came in between; one not passed yet is followed as \
                 far as the readings reach, and forecast and outcome are both cut there."
            }
        }
        section aria-labelledby="chances" {
            h2 #chances { "Were the chances right?" }
            (chances(view))
            p.note {
                "One chance a week and car is kept, of the last two years. It counts once the pack was worn out or followed to the end of its \
                 days; one whose pack went for another reason before does not."
            }
        }
    }
}

/// How many forecasts there are to be scored, and when the next ends.
fn kept(view: &View) -> Markup {
    html! {
        @if view.edges.is_empty() {
            p.lead {
                "Nothing to score yet"
                @match view.next_on {
                    Some(day) => { ": the first forecasts end on " (say::dated(day, view.today)) "." }
                    None => ": no forecast has been kept.",
                }
            }
        }
        @if view.kept > 0 {
            p {
                (say::count(view.kept, "forecast")) " " (if view.kept == 1 { "is" } else { "are" })
                " kept. One can be scored from the day after it was made, as far as readings have come since."
                @if let Some(day) = view.next_on.filter(|_| !view.edges.is_empty()) { " The next still open ends on " (say::dated(day, view.today)) "." }
            }
        }
    }
}

/// Fewer forecasts than this may be right or wrong by chance.
const FEW: usize = 30;

/// Outside of these shares the range of four in five is plainly too narrow or wider than it need be.
const NARROW: f64 = 0.7;
const WIDE: f64 = 0.9;

/// Whether the range between the early and the late date held, in words.
fn coverage(score: &Score) -> String {
    let verdict = match score.cover80 {
        _ if score.count < FEW => "",
        share if share < NARROW => " The ranges are too narrow: the dates sound surer than they are.",
        share if share > WIDE => " The ranges are wider than they need be.",
        _ => "",
    };
    format!(
        "In {:.0} % what happened lay between the 10 % and the 90 % date, as far as it was followed; 80 % is right. The edge came \
         sooner in {:.0} %, later in {:.0} %.{verdict}",
        100.0 * score.cover80,
        100.0 * score.below_q10,
        100.0 * score.above_q90
    )
}

/// Whether the model earns its keep, in words.
fn keep(all: &Comparison) -> String {
    let naive = [(all.naive_all, "the average of all history"), (all.naive_recent, "the average of the last 28 days")];
    let known = naive.into_iter().filter_map(|(score, name)| Some((score?.mean_pinball, name)));
    let Some((best, name)) = known.min_by(|one, other| one.0.total_cmp(&other.0)) else {
        return "No naive forecast could be made beside these.".to_owned();
    };
    let own = all.model.mean_pinball;
    let beside = format!("they miss by {own:.2} days, {name} by {best:.2}");
    if all.model.count < FEW {
        format!("Too few to say whether they earn their keep: {beside}.")
    } else if own < best {
        format!("They earn their keep: {beside}; that is {:.0} % less.", 100.0 * (1.0 - own / best))
    } else {
        format!("They do not earn their keep: {beside}.")
    }
}

fn edge_drawn(edge: &Edge) -> Markup {
    let model = &edge.all.model;
    html! {
        h3 { "The " (edge.name) " edge of the window" }
        p {
            strong { (keep(&edge.all)) } " " (say::count(model.count, "forecast")) " scored; half of the 50 % dates were off by "
            (format!("{:.1}", model.median_abs_error)) " days or less. " (coverage(model))
        }
        (plot_of(edge).drawn())
    }
}

/// The three forecasts that are compared: name, look, place beside the middle, score.
type Contender = (&'static str, Look, f64, fn(&Comparison) -> Option<Score>);

const CONTENDERS: [Contender; 3] = [
    ("Ventmile", Look::First, -0.15, |comparison| Some(comparison.model)),
    ("average of all history", Look::Second, 0.0, |comparison| comparison.naive_all),
    ("average of the last 28 days", Look::Plain, 0.15, |comparison| comparison.naive_recent),
];

/// Days that the plot reaches up to at least: less is no miss.
const LEAST_MISS: f64 = 0.5;

fn plot_of(edge: &Edge) -> Plot {
    let groups: Vec<&Named> = edge.by_horizon.iter().collect();
    let place = |number: usize| number as f64 + 1.0;
    let misses = |(_, _, aside, score): &Contender| {
        let miss = |(number, (_, comparison)): (usize, &&Named)| {
            Some((place(number) + aside, score(comparison)?.mean_pinball))
        };
        groups.iter().enumerate().filter_map(miss).collect::<Vec<_>>()
    };
    let series = CONTENDERS.iter().map(|one| Series::new(one.0, one.1, Shape::Points(misses(one)))).collect();
    let most = CONTENDERS.iter().flat_map(misses).map(|(_, miss)| miss).fold(0.0, f64::max);
    let tick = |(number, (name, _)): (usize, &&Named)| (place(number), name.replace(" ahead", ""));
    Plot {
        id: format!("{}-edge", edge.name),
        title: format!("How many days the dates of the {} edge miss by, by how far ahead they were", edge.name),
        says:
            "Lower is better. All three dates are weighed by their chances (mean pinball loss): wide ranges cost too."
                .to_owned(),
        x: Scale::with_ticks(0.5, groups.len() as f64 + 0.5, groups.iter().enumerate().map(tick).collect()),
        y: Scale::numbers(0.0, most.max(LEAST_MISS)),
        series,
        table: table_of(edge),
    }
}

fn table_of(edge: &Edge) -> Table {
    let days = |score: Option<Score>, of: fn(&Score) -> f64| {
        score.map_or_else(|| "–".to_owned(), |score| format!("{:.2}", of(&score)))
    };
    let share =
        |score: Option<Score>| score.map_or_else(|| "–".to_owned(), |score| format!("{:.0} %", 100.0 * score.cover80));
    let row = |(name, comparison): &Named| {
        let scores = CONTENDERS.map(|(_, _, _, score)| score(comparison));
        let misses = scores.map(|score| days(score, |score| score.mean_pinball));
        let errors = scores.map(|score| days(score, |score| score.median_abs_error));
        let start = [name.clone(), comparison.model.count.to_string()];
        start.into_iter().chain(scores.map(share)).chain(misses).chain(errors).collect::<Vec<String>>()
    };
    let of = |what: &str| ["Ventmile", "all history", "28 days"].map(|who| format!("{what}, {who}"));
    let start = ["Forecasts", "How many"].map(str::to_owned);
    let head = start.into_iter().chain(of("Inside 80 %")).chain(of("Miss in days")).chain(of("Median error in days"));
    let all = ("all".to_owned(), edge.all);
    Table {
        head: head.collect(),
        rows: std::iter::once(&all).chain(&edge.by_horizon).chain(&edge.others).map(row).collect(),
    }
}

fn chances(view: &View) -> Markup {
    let scored: Vec<&(i64, HorizonRecord)> =
        view.risks.horizons.iter().filter(|(_, record)| record.count > 0).collect();
    html! {
        @if scored.is_empty() {
            (no_chances(view))
        } @else {
            ul.lines { @for (days, record) in &scored { li { (record_words(*days, record)) } } }
            (reliability(&view.risks).drawn())
        }
    }
}

fn no_chances(view: &View) -> Markup {
    let [first, ..] = HORIZONS;
    let end = view.risks.first_on.and_then(|day| day.checked_add_days(Days::new(first.unsigned_abs())));
    html! {
        p.lead {
            "Nothing to score yet"
            @match end {
                Some(day) => { ": the first chances end on " (say::dated(day, view.today)) "." }
                None => ": no chance has been told.",
            }
        }
        @if view.risks.told > 0 {
            p { (say::count(view.risks.told, "chance")) " " (if view.risks.told == 1 { "is" } else { "are" }) " kept, the first of "
                @if let Some(day) = view.risks.first_on { (say::dated(day, view.today)) } "; whether a pack wears out within 30 days is known 30 days later." }
        }
    }
}

/// What came of the chances of one horizon, in words.
fn record_words(days: i64, record: &HorizonRecord) -> Markup {
    let told = record.deciles.iter().map(|part| part.told * part.count as f64).sum::<f64>();
    let beside = record.brier.zip(record.base).map(|(own, base)| {
        let verdict = if own < base { "better than" } else { "no better than" };
        format!("Brier score {own:.4} against {base:.4}: {verdict} telling every pack the share that wore out.")
    });
    html! {
        strong { "Within " (days) " days: " } (say::count(record.count, "chance")) " whose outcome is known; by what was said "
        (format!("{told:.1}")) " would come true, " (record.failures) " did. " (beside.unwrap_or_default())
        @if record.failures < FEW { " With so few worn out this says little yet." }
    }
}

fn reliability(found: &RiskHindsight) -> Plot {
    let looks = [Look::First, Look::Second, Look::Plain];
    let known = || found.horizons.iter().zip(looks).filter(|((_, record), _)| record.count > 0);
    let points = |record: &HorizonRecord| record.deciles.iter().map(|part| (part.told, part.happened)).collect();
    let most = known().flat_map(|((_, record), _)| &record.deciles).map(|part| part.told.max(part.happened));
    let high = most.fold(0.05, f64::max);
    let scale = || Scale::percents(high);
    let mut series =
        vec![Series::new("as said, so it happened", Look::Plain, Shape::Line(vec![(0.0, 0.0), (high, high)]))];
    series.extend(
        known().map(|((days, record), look)| {
            Series::new(format!("within {days} days"), look, Shape::Points(points(record)))
        }),
    );
    let percent = |share: f64| format!("{:.1} %", 100.0 * share);
    let rows = known().flat_map(|((days, record), _)| {
        record.deciles.iter().map(move |part| {
            vec![format!("within {days} days"), part.count.to_string(), percent(part.told), percent(part.happened)]
        })
    });
    Plot {
        id: "reliability".to_owned(),
        title: "What was said (across) against what happened (upwards)".to_owned(),
        says: "Each mark is a tenth of the chances, from the lowest to the highest. On the line they were right; above it more packs wore out \
               than was said."
            .to_owned(),
        x: scale(),
        y: scale(),
        series,
        table: Table {
            head: ["Horizon", "Chances", "Said", "Happened"].map(str::to_owned).to_vec(),
            rows: rows.collect(),
        },
    }
}

pub(in crate::board) async fn show(
    State(app): State<App>,
    visitor: Visitor,
    Asked(query): Asked<Query>,
) -> Result<Response, Refusal> {
    let depots = cars::depots_seen(&app, &visitor, query.depot.as_deref()).await?;
    let key_depots_of = visitor.key_depots_of();
    let to = app.now().date_naive();
    let since = |days| to.checked_sub_days(Days::new(days)).unwrap_or(to);
    let kept = HindsightFilter {
        kind: Kind::FanService,
        from: since(365),
        to,
        depot: query.depot.clone(),
        key_depots_of,
        limit: dates::MOST,
    };
    let found = app.hindsight(&kept).await?;
    let told = RiskFilter { from: since(730), to, depot: query.depot.clone(), key_depots_of, limit: risks::MOST };
    let codes: HashMap<i64, String> = depots.iter().map(|record| (record.id, record.depot.code.clone())).collect();
    let view = View {
        depots: cars::choices(&depots),
        today: to,
        edges: ["early", "late"].into_iter().filter_map(|name| Edge::of(&found, name, &codes)).collect(),
        kept: found.kept,
        next_on: found.next_on,
        risks: app.risk_hindsight(&told).await?,
        chosen: query.depot,
    };
    let made = Made::now(&app, &depots, view.chosen.as_deref());
    let frame = Frame { title: "Hindsight", here: "/board/hindsight", visitor: Some(&visitor), made, scripts: &[] };
    Ok(frame.page(&page(&view)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::risks::Decile;

    fn score(count: usize, mean_pinball: f64, cover80: f64) -> Score {
        let outside = (1.0 - cover80) / 2.0;
        Score { count, mean_pinball, cover80, below_q10: outside, above_q90: outside, median_abs_error: 3.25 }
    }

    fn comparison(count: usize, own: f64, all: f64, recent: f64) -> Comparison {
        Comparison {
            model: score(count, own, 0.82),
            naive_all: Some(score(count, all, 0.5)),
            naive_recent: Some(score(count, recent, 0.4)),
        }
    }

    fn record(count: usize, failures: usize) -> HorizonRecord {
        let decile = |told, happened| Decile { count: count / 2, told, happened };
        HorizonRecord {
            count,
            failures,
            brier: Some(0.02),
            base: Some(0.03),
            deciles: vec![decile(0.01, 0.0), decile(0.2, 0.3)],
        }
    }

    fn empty() -> View {
        View {
            depots: vec![("N<1>".to_owned(), "North & yard".to_owned())],
            chosen: None,
            today: "2026-03-18".parse().unwrap(),
            edges: Vec::new(),
            kept: 0,
            next_on: None,
            risks: RiskHindsight {
                told: 0,
                first_on: None,
                horizons: HORIZONS.map(|days| (days, HorizonRecord::default())),
            },
        }
    }

    fn sample() -> View {
        let mut found = Hindsight::default();
        let depots = HashMap::from([(1, "N<1>".to_owned())]);
        for group in
            [Group::All, Group::Horizon(0, Some(14)), Group::Horizon(61, None), Group::Depot(1), Group::Month(2026, 2)]
        {
            found.comparisons.insert(("early".to_owned(), group), comparison(40, 1.5, 2.0, 2.5));
        }
        let mut view = empty();
        view.edges = Edge::of(&found, "early", &depots).into_iter().collect();
        let [first, second, third] = HORIZONS;
        view.risks.horizons = [(first, record(200, 31)), (second, record(100, 10)), (third, HorizonRecord::default())];
        view
    }

    #[test]
    fn the_dates_are_held_against_what_happened() {
        let text = page(&sample()).into_string();
        for words in [
            "They earn their keep: they miss by 1.50 days, the average of all history by 2.00; that is 25 % less.",
            "40 forecasts scored; half of the 50 % dates were off by 3.2 days or less.",
            "In 82 % what happened lay between",
            "made in Feb 2026",
            "N&lt;1&gt;",
            "by what was said 21.0 would come true, 31 did.",
            "Brier score 0.0200 against 0.0300: better than",
        ] {
            assert!(text.contains(words), "{words}: {text}");
        }
        assert!(!text.contains("<1>") && !text.contains("style=") && !text.contains("within 180 days"), "{text}");
    }

    #[test]
    fn a_model_that_does_not_earn_its_keep_is_told_so() {
        assert_eq!(
            keep(&comparison(40, 3.0, 2.0, 2.5)),
            "They do not earn their keep: they miss by 3.00 days, the average of all history by 2.00."
        );
        assert!(keep(&comparison(12, 0.0, 0.0, 0.0)).starts_with("Too few to say"));
        let alone = Comparison { naive_all: None, naive_recent: None, ..comparison(40, 1.0, 1.0, 1.0) };
        assert_eq!(keep(&alone), "No naive forecast could be made beside these.");
        assert!(
            coverage(&score(40, 1.0, 0.6)).contains("too narrow") && coverage(&score(40, 1.0, 0.95)).contains("wider")
        );
    }

    #[test]
    fn without_a_record_the_page_says_from_when_on_there_is_one() {
        let text = page(&empty()).into_string();
        assert!(text.contains("no forecast has been kept") && text.contains("no chance has been told"), "{text}");
        let mut kept = View { kept: 120, next_on: "2026-03-25".parse().ok(), ..empty() };
        kept.risks.told = 60;
        kept.risks.first_on = "2026-03-16".parse().ok();
        let text = page(&kept).into_string();
        assert!(text.contains("the first forecasts end on <time datetime=\"2026-03-25\">"), "{text}");
        assert!(
            text.contains("the first chances end on <time datetime=\"2026-04-15\">")
                && text.contains("60 chances are kept"),
            "{text}"
        );
    }
}
