//! What waiting costs: the settings it rests on, the cheapest age to replace a pack, fan services that are late, packs at risk.

use axum::extract::State;
use axum::response::Response;
use maud::{Markup, html};
use serde::Deserialize;
use ventmile_model::dist::Weibull;
use ventmile_model::fleet::DistanceUnit;
use ventmile_model::wear::{Costs, Replacement};

use super::cars::{self, car_address};
use super::packs::{band_drawn, pack_address, unit_of};
use crate::app::App;
use crate::app::curve::{LATE, LateServices, Likely, no_optimum};
use crate::app::lateness::{LateCar, LateCars, PackMonth};
use crate::app::life::FleetLife;
use crate::board::asked::{Asked, Choice, select};
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::plot::{Look, Plot, Scale, Series, Shape, Table};
use crate::board::refusal::Refusal;
use crate::board::say;
use crate::config::Cost;
use crate::store::StoreError;

/// What is asked.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::board) struct Query {
    depot: Option<String>,
}

/// When replacing is cheapest under a curve; ages are metres.
#[derive(Clone, Copy, Debug)]
struct Cheapest {
    curve: Weibull,
    replacement: Replacement,
}

/// What the page shows.
#[derive(Debug)]
struct View {
    depots: Vec<Choice>,
    chosen: Option<String>,
    unit: DistanceUnit,
    settings: Cost,
    costs: Costs,
    cheapest: Option<Cheapest>,
    late: Option<LateServices>,
    late_cars: LateCars,
    months: Vec<PackMonth>,
    failures: f64,
}

fn page(view: &View) -> Markup {
    html! {
        nav.crumbs aria-label="Where this is" { a href="/board/packs" { "Packs" } }
        h1 { "What waiting costs" }
        form.filter method="get" action="/board/cost" {
            (select("depot", "Depot", "All depots", &view.depots, view.chosen.as_deref()))
            button type="submit" { "Show" }
        }
        section aria-labelledby="late" { h2 #late { "Fan services that are late" } (late_services(view)) }
        section aria-labelledby="month" { h2 #month { "Another month with the packs most at risk" } (months(view)) }
        section aria-labelledby="age" { h2 #age { "The cheapest age to replace a pack" } (cheapest(view)) }
        section aria-labelledby="settings" { h2 #settings { "What these rest on" } (settings(view)) }
    }
}

/// What may be lost or gained, in words: the range with 90 % confidence, and the best guess where the range is on one side.
fn loss(amount: Likely, say: impl Fn(f64) -> String) -> String {
    let told = |value: f64| {
        if value < 0.0 { format!("a gain of {}", say(-value)) } else { format!("a loss of {}", say(value)) }
    };
    match (amount.low, amount.high) {
        (Some(low), Some(high)) if low > 0.0 => format!("{} ({} to {})", told(amount.middle), say(low), say(high)),
        (Some(low), Some(high)) => format!("something between {} and {}", told(low), told(high)),
        (Some(low), None) => format!("{} or more, nobody knows how much", told(low)),
        (None, Some(high)) => format!("at most {}", told(high)),
        (None, None) => "an amount that nothing bounds".to_owned(),
    }
}

/// The same in a table: below 0 is gained.
fn interval(amount: Likely) -> String {
    let end = |end: Option<f64>| end.map_or_else(|| "?".to_owned(), say::number);
    format!("{} to {}", end(amount.low), end(amount.high))
}

fn turned(amount: Likely) -> Likely {
    let minus = |end: Option<f64>| end.map(|end| -end);
    Likely { low: minus(amount.high), middle: -amount.middle, high: minus(amount.low) }
}

fn less(one: Likely, other: Likely) -> Likely {
    let difference = |one: Option<f64>, other: Option<f64>| Some(one? - other?);
    Likely {
        low: difference(one.low, other.low),
        middle: one.middle - other.middle,
        high: difference(one.high, other.high),
    }
}

fn late_services(view: &View) -> Markup {
    let Some(late) = &view.late else {
        return html! {
            p {
                "This fleet's packs cannot tell yet what late fan services cost: too few have failed, or all were driven late alike."
            }
        };
    };
    let distance = |metres: f64| say::distance(metres, view.unit);
    html! {
        p {
            "A usual pack whose fan is always serviced in time lives " strong { (distance(late.life_in_time)) } " in the mean. Driven past the \
             late edge all its life, that life changes by " (loss(turned(late.life_change()), distance)) ", with 90 % confidence: "
            (loss(late.cost_per_pack(), say::number)) " a pack, at the " (say::number(late.planned)) " of a planned replacement."
        }
        (verdict(late))
        @let cars = &view.late_cars;
        @if cars.cars.is_empty() {
            p { "No car is past its window by distance now, so nothing is being lost." }
        } @else {
            @let (so_far, later) = (cars.so_far(late), cars.in_a_month(late));
            p {
                strong { (say::count(cars.cars.len(), "car")) } " " (if cars.cars.len() == 1 { "is" } else { "are" })
                " past the window by distance. What they have driven late so far is expected to have cost "
                strong { (loss(so_far, say::number)) } " in pack life, in all; another month without the service, at the pace of each, "
                strong { (loss(less(later, so_far), say::number)) } "."
            }
            (late_table(view, late).drawn("Cars past their window"))
        }
        @if cars.by_other_meters > 0 {
            p.note { (say::count(cars.by_other_meters, "more car")) " past by hours or days alone: in distance not late, so nothing is counted for them." }
        }
        p.note { (LATE) }
    }
}

/// Whether the fleet's packs tell late services from none at all.
fn verdict(late: &LateServices) -> Markup {
    let told = late.interval.high.is_some_and(|high| high < 0.0);
    html! {
        p {
            @if told { "So late services do shorten life in this fleet, as far as its packs tell." }
            @else { "A range from gain to loss means: this fleet's packs do not tell yet whether late services shorten life." }
        }
    }
}

/// Cars listed, at most: the furthest beyond.
const SHOWN: usize = 20;

fn late_table(view: &View, late: &LateServices) -> Table {
    let row = |car: &LateCar| {
        let cost = late.cost_of(car.beyond);
        vec![
            car.unit.clone(),
            car.depot.clone(),
            say::distance(car.beyond, car.distance_unit),
            format!("{} a day", say::distance(car.metres_per_day, car.distance_unit)),
            interval(cost),
        ]
    };
    let head = ["Car", "Depot", "Beyond the late edge", "Goes", "Lost so far, 90 % interval"];
    Table { head: head.map(str::to_owned).to_vec(), rows: view.late_cars.cars.iter().take(SHOWN).map(row).collect() }
}

fn months(view: &View) -> Markup {
    if view.months.is_empty() {
        return html! { p { "No pack has a chance to reckon with." } };
    }
    let sum = |of: fn(&PackMonth) -> f64| view.months.iter().map(of).sum::<f64>();
    let (loss, net) = (sum(|month| month.holding.expected_loss), sum(|month| month.holding.net()));
    html! {
        p {
            "For the " (say::count(view.months.len(), "pack")) " likeliest to be worn out, a failure on the road within the next 30 days is expected to cost "
            strong { (say::number(loss)) } " in all beyond planned replacements; less what their further use spares, "
            strong { (say::number(net)) } ". Above 0 it is cheaper to replace the pack on a planned day now."
        }
        section.scroll tabindex="0" aria-label="Another month with each pack" {
            table.numbers {
                thead { tr { @for cell in ["Pack", "Car", "Risk", "Worn out within 30 days", "Expected loss", "Spared", "Net"] { th.words[matches!(cell, "Risk")] scope="col" { (cell) } } } }
                tbody { @for month in &view.months { (month_row(month)) } }
            }
        }
    }
}

fn month_row(month: &PackMonth) -> Markup {
    let holding = month.holding;
    html! {
        tr {
            th scope="row" { @match &month.serial { Some(serial) => a href=(pack_address(serial)) { (serial) }, None => "not registered" } }
            td { a href=(car_address(&month.unit)) { (month.unit) } }
            td.words { (band_drawn(month.band)) }
            td { (say::chance(holding.chance)) }
            td { (say::number(holding.expected_loss)) }
            td { (say::number(holding.spared)) }
            td { (say::number(holding.net())) " " (if holding.net() > 0.0 { "replace" } else { "keep" }) }
        }
    }
}

fn rate_words(rate: f64) -> String {
    format!("{rate:.2}")
}

fn cheapest(view: &View) -> Markup {
    let Some(found) = view.cheapest else {
        return html! { p { "There is no life curve, or a cost is not above 0: no age can be said." } };
    };
    let per = 1_000.0 * view.unit.metres();
    html! {
        p {
            @match found.replacement {
                Replacement::AtAge { age, rate, run_to_failure } => {
                    "A usual pack costs least when it is replaced on a planned day at " strong { (say::distance(age, view.unit)) }
                    ", or at its failure if that comes first: " (rate_words(rate * per)) " per 1,000 " (view.unit) ", against "
                    (rate_words(run_to_failure * per)) " where every pack is run to its failure."
                }
                Replacement::AtFailure { reason, rate } => {
                    "There is no cheapest age: " (no_optimum(reason)) ". Run to failure, packs cost " (rate_words(rate * per))
                    " per 1,000 " (view.unit) "."
                }
            }
            " This is by age alone: what checks and codes say of one pack comes before it."
        }
        @if let Some(plot) = found.plot(view.costs, view.unit) { (plot.drawn()) }
    }
}

impl Cheapest {
    /// What packs cost in the long run by the age at which they are replaced; `None` where no age is cheapest.
    fn plot(&self, costs: Costs, unit: DistanceUnit) -> Option<Plot> {
        const STEPS: u32 = 60;
        let Replacement::AtAge { age: best, rate, run_to_failure } = self.replacement else { return None };
        let per = 1_000.0 * unit.metres();
        // Far enough to see the cost level out, from an age at which it is not yet beyond all measure.
        let end = self.curve.quantile(0.9).max(1.3 * best);
        let at = |step: u32| end * f64::from(step) / f64::from(STEPS);
        let high = 3.0 * rate;
        let ages: Vec<(f64, f64)> = (1..=STEPS)
            .map(|step| (at(step), costs.rate_at(self.curve, at(step))))
            .filter(|(_, cost)| *cost <= high)
            .map(|(age, cost)| (age / unit.metres(), cost * per))
            .collect();
        let row = |(age, cost): &(f64, f64)| vec![format!("{} {unit}", say::number(*age)), rate_words(*cost)];
        Some(Plot {
            id: "cheapest".to_owned(),
            title: format!("Cost per 1,000 {unit}, by the distance at which packs are replaced"),
            says: format!(
                "Cheapest at {}; between {} it costs at most a twentieth more.",
                say::distance(best, unit),
                self.nearly_as_cheap(costs, rate, end, unit)
            ),
            x: Scale::up_to(end / unit.metres()),
            y: Scale::numbers(0.0, high * per),
            series: vec![
                Series::new("run to failure", Look::Second, Shape::Level(run_to_failure * per)),
                Series::new("replaced at this age", Look::First, Shape::Line(ages.clone())),
                Series::new("cheapest", Look::Own, Shape::Points(vec![(best / unit.metres(), rate * per)])),
            ],
            table: Table {
                head: vec!["Replaced at".to_owned(), format!("Cost per 1,000 {unit}")],
                rows: ages.iter().step_by(4).map(row).collect(),
            },
        })
    }

    /// The ages around the cheapest at which the cost is at most a twentieth more.
    fn nearly_as_cheap(&self, costs: Costs, rate: f64, end: f64, unit: DistanceUnit) -> String {
        const PARTS: u32 = 400;
        let ages = (1..=PARTS).map(|part| end * f64::from(part) / f64::from(PARTS));
        let near: Vec<f64> = ages.filter(|age| costs.rate_at(self.curve, *age) <= 1.05 * rate).collect();
        let ends = near.first().zip(near.last());
        ends.map(|(low, high)| format!("{} and {}", say::distance(*low, unit), say::distance(*high, unit)))
            .unwrap_or_default()
    }
}

fn settings(view: &View) -> Markup {
    let (cost, costs) = (&view.settings, view.costs);
    let row = |name: &str, what: &str, amount: f64| {
        let shown = if amount.fract() == 0.0 { say::number(amount) } else { format!("{amount:.2}") };
        vec![what.to_owned(), name.to_owned(), shown]
    };
    let table = Table {
        head: ["What", "Setting", "Amount"].map(str::to_owned).to_vec(),
        rows: vec![
            row("cost.pack", "a pack", cost.pack),
            row("cost.labour", "the labour", cost.labour),
            row("cost.tow", "the tow of a stranded car", cost.tow),
            row("cost.lost_shift", "a lost shift", cost.lost_shift),
            row("cost.shifts_planned", "shifts lost by a planned day", cost.shifts_planned),
            row("cost.shifts_roadside", "shifts lost by a breakdown", cost.shifts_roadside),
        ],
    };
    html! {
        p {
            "A planned replacement costs " strong { (say::number(costs.planned)) } ": pack, labour and shifts lost by a planned day. One after a failure \
             on the road costs " strong { (say::number(costs.roadside)) } ": pack, labour, tow and shifts lost by a breakdown. All in the currency of the \
             settings, which are yours to set; the life curve was learned from " (say::number(view.failures)) " worn-out packs and the stated prior \
             (wear.prior_…)."
        }
        (table.drawn("Settings"))
        p.note { "Late distance is charged as the share of a usual pack's life that it takes, by the effect of late services on the life curve. Cars off the \
                  road are left out." }
    }
}

/// What the curve says of costs.
fn by_curve(life: &FleetLife, costs: Costs) -> (Option<Cheapest>, Option<LateServices>) {
    let Some(curve) = life.usual_curve(None) else { return (None, None) };
    let replacement = curve.replacement(costs);
    let cheapest = replacement.map(|replacement| Cheapest { curve: curve.weibull(), replacement });
    (cheapest, curve.late_services(costs))
}

pub(in crate::board) async fn show(
    State(app): State<App>,
    visitor: Visitor,
    Asked(query): Asked<Query>,
) -> Result<Response, Refusal> {
    let depots = cars::depots_seen(&app, &visitor, query.depot.as_deref()).await?;
    let (key_depots_of, costs) = (visitor.key_depots_of(), app.replacement_costs());
    let life = app.life_seen_by(key_depots_of).await?;
    let failures = life.failures();
    // Profiles of a big fleet take a while: not on the threads that answer requests.
    let found = tokio::task::spawn_blocking(move || by_curve(&life, costs)).await;
    let (cheapest, late) = found.map_err(|_| StoreError::Stopped)?;
    let view = View {
        depots: cars::choices(&depots),
        unit: unit_of(&depots, query.depot.as_deref()),
        settings: app.settings.cost.clone(),
        costs,
        cheapest,
        late,
        late_cars: app.late_cars(query.depot.as_deref(), key_depots_of).await?,
        months: app.another_month(query.depot.as_deref(), key_depots_of).await?,
        failures,
        chosen: query.depot,
    };
    let made = Made::now(&app, &depots, view.chosen.as_deref());
    let frame =
        Frame { title: "What waiting costs", here: "/board/packs", visitor: Some(&visitor), made, scripts: &[] };
    Ok(frame.page(&page(&view)))
}

#[cfg(test)]
mod tests {
    use ventmile_model::wear::life::Interval;
    use ventmile_model::wear::{Holding, cheapest_age};

    use super::*;

    fn sample() -> View {
        let costs = Costs { planned: 2_780.0, roadside: 3_570.0 };
        let curve = Weibull { shape: 3.0, scale: 300_000_000.0 };
        let car = |unit: &str, beyond: f64| LateCar {
            unit: unit.to_owned(),
            depot: "NORTH".to_owned(),
            distance_unit: DistanceUnit::Mile,
            beyond,
            metres_per_day: 300_000.0,
        };
        View {
            depots: Vec::new(),
            chosen: None,
            unit: DistanceUnit::Mile,
            settings: Cost {
                pack: 2_200.0,
                labour: 400.0,
                tow: 250.0,
                lost_shift: 180.0,
                shifts_planned: 1.0,
                shifts_roadside: 4.0,
            },
            costs,
            cheapest: cheapest_age(curve, costs).ok().map(|replacement| Cheapest { curve, replacement }),
            late: Some(LateServices {
                life_in_time: 300_000_000.0,
                effect: -0.5,
                interval: Interval { low: Some(-1.0), high: Some(-0.1) },
                planned: costs.planned,
            }),
            late_cars: LateCars { cars: vec![car("<7>", 10_000_000.0), car("8", 5_000_000.0)], by_other_meters: 1 },
            months: vec![PackMonth {
                unit: "<7>".to_owned(),
                serial: Some("P<b>".to_owned()),
                band: "now",
                holding: Holding { chance: 0.5, expected_loss: 395.0, spared: 45.0 },
            }],
            failures: 47.0,
        }
    }

    #[test]
    fn costs_are_told_with_what_they_rest_on() {
        let text = page(&sample()).into_string();
        assert_eq!(text, page(&sample()).into_string());
        for words in [
            "<strong>2 cars</strong> are past the window by distance.",
            "late services do shorten life",
            "1 more car past by hours or days alone",
            "planned replacement costs <strong>2,780</strong>",
            "cost.shifts_roadside",
            "<td>350 replace</td>",
            "costs least when it is replaced on a planned day at",
        ] {
            assert!(text.contains(words), "{words}: {text}");
        }
        assert!(!text.contains("<7>") && !text.contains("<b>") && !text.contains("style="), "{text}");
    }

    #[test]
    fn the_sum_is_that_of_the_cars() {
        let view = sample();
        let late = view.late.unwrap();
        let so_far = view.late_cars.so_far(&late);
        let rows = late_table(&view, &late).rows;
        let cost = |share: f64| 2_780.0 * ((0.5 * share).exp() - 1.0);
        assert!((so_far.middle - cost(1.0 / 30.0) - cost(1.0 / 60.0)).abs() < 1e-9);
        assert_eq!(rows[0][2], "6,214 mi");
        let ends = [0.1, 1.0].map(|effect: f64| say::number(2_780.0 * ((effect / 30.0).exp() - 1.0)));
        assert_eq!(rows[0][4], format!("{} to {}", ends[0], ends[1]));
        let month = less(view.late_cars.in_a_month(&late), so_far);
        assert!(
            month.low > Some(0.0) && month.middle > month.low.unwrap() && month.high > Some(month.middle),
            "{month:?}"
        );
    }

    #[test]
    fn losses_and_gains_are_told_apart() {
        let words = |low, high| loss(Likely { low, middle: 3.0, high }, say::number);
        assert_eq!(words(Some(1.0), Some(5.0)), "a loss of 3 (1 to 5)");
        assert_eq!(words(Some(-2.0), Some(5.0)), "something between a gain of 2 and a loss of 5");
        assert_eq!(words(None, Some(5.0)), "at most a loss of 5");
        let life = Likely { low: Some(-9.0), middle: -4.0, high: Some(-1.0) };
        assert_eq!(loss(turned(life), say::number), "a loss of 4 (1 to 9)");
    }

    #[test]
    fn what_cannot_be_told_is_said() {
        let text =
            page(&View { cheapest: None, late: None, late_cars: LateCars::default(), months: Vec::new(), ..sample() })
                .into_string();
        assert!(
            text.contains("cannot tell yet")
                && text.contains("no age can be said")
                && text.contains("No pack has a chance"),
            "{text}"
        );
        let unsure = LateServices { interval: Interval { low: None, high: Some(0.2) }, ..sample().late.unwrap() };
        let text = page(&View { late: Some(unsure), ..sample() }).into_string();
        assert!(text.contains("do not tell yet whether") && text.contains("or more, nobody knows how much"), "{text}");
    }
}
