//! One pack: its place on the life curve, what is to be expected of it and why, its blocks, its cooling, where it has been.

use axum::extract::{Path, State};
use axum::response::Response;
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};
use ventmile_model::fleet::{CodeState, DistanceUnit};
use ventmile_model::wear::outlook::Outlook;
use ventmile_model::wear::{Costs, End, Holding, Lived};

use super::cars::car_address;
use super::pack_plots::{LifeView, SpreadView, airflow_plot};
use super::packs::{Chances, band_drawn, sentence};
use super::work::{self, job};
use crate::app::App;
use crate::app::forecasts::AssessedCar;
use crate::app::packs::{CarPacks, CurrentPack, three};
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::plot::{Plot, Table};
use crate::board::refusal::Refusal;
use crate::board::say;
use crate::store::{ExposureRow, OrderFilter, OrderRecord, PackFilter, PackRecord, order_number};

/// A pack's time in one car.
#[derive(Clone, Debug)]
struct Stay {
    unit: String,
    depot: String,
    zone: Tz,
    distance_unit: DistanceUnit,
    from: DateTime<Utc>,
    /// When and why it was taken out; `None` while it is in the car.
    ended: Option<(DateTime<Utc>, String)>,
    /// Metres in this car, as far as they are known.
    driven: Option<f64>,
    note: Option<String>,
    voided: bool,
}

impl Stay {
    fn of(record: &PackRecord, car: &AssessedCar, lived: Option<&Lived>) -> Self {
        let told = record.life.removal.map(|removal| (removal.at, because(removal.because.as_str()).to_owned()));
        let ended = match lived.map(|lived| lived.end) {
            Some(End::Replaced(at)) => {
                Some((at, "another pack was put in, nobody said why: counts as worn out".to_owned()))
            }
            _ => told,
        };
        Self {
            unit: record.unit.clone(),
            depot: record.depot.clone(),
            zone: car.logs.zone,
            distance_unit: car.logs.distance_unit,
            from: record.life.at,
            ended,
            driven: lived.map(|lived| lived.age - lived.entry),
            note: record.note.clone(),
            voided: record.voided_at.is_some(),
        }
    }
}

/// Why a pack was taken out, in words.
fn because(reason: &str) -> &str {
    match reason {
        "failed" => "it failed",
        "condition" => "for its condition",
        "age" => "for its age",
        "sale" => "the car was sold or given back",
        "crash" => "crash or damage from outside",
        _ => "another reason that says nothing of wear",
    }
}

/// One thing that moved the chance.
#[derive(Clone, Debug)]
struct Why {
    weight: Option<f64>,
    says: String,
}

/// A way of failing with its chances within 30, 90 and 180 days.
type Way = (&'static str, [f64; 3]);

/// What is to be expected of a pack that is in a car.
#[derive(Clone, Debug)]
struct Ahead {
    band: &'static str,
    chances: Option<Chances>,
    no_chance_because: Option<String>,
    median_on: Option<NaiveDate>,
    ways: Vec<Way>,
    reasons: Vec<Why>,
    notes: Vec<String>,
    /// Codes with where they stand, what they say and what to do.
    codes: Vec<String>,
    holding: Option<Holding>,
    spread: SpreadView,
    airflow: Option<Plot>,
}

impl Ahead {
    fn of(pack: &CurrentPack, car: &AssessedCar, airflow_limit: f64) -> Self {
        let outlook = pack.outlook.as_ref().ok();
        let (assessment, zone) = (&car.assessment, car.logs.zone);
        let interval = outlook.and_then(|outlook| outlook.interval).map(|range| [range.low, range.high]);
        Self {
            band: pack.band(),
            chances: pack.chances().map(|within| Chances { within, interval }),
            no_chance_because: pack.no_chance_because(),
            median_on: pack.median_on(assessment.today),
            ways: outlook.map(ways).unwrap_or_default(),
            reasons: outlook.map(reasons).unwrap_or_default(),
            notes: outlook.map(|outlook| outlook.notes.iter().map(|note| note.says()).collect()).unwrap_or_default(),
            codes: codes(pack),
            holding: pack.holding,
            spread: SpreadView {
                spread: pack.spread.clone(),
                limits: pack.limits,
                limit_reached: pack.limit_reached(),
                zone,
                today: assessment.today,
            },
            airflow: airflow_plot(&assessment.airflow, airflow_limit, zone, assessment.today),
        }
    }
}

fn ways(outlook: &Outlook) -> Vec<Way> {
    let named = |mode: &str| match mode {
        "block-wear" => "its blocks wear out",
        "cooling" => "its cooling fails",
        "sensing" => "its sensing fails",
        "isolation" => "its isolation fails",
        _ => "its fuse fails",
    };
    outlook.modes.iter().map(|mode| (named(mode.mode.as_str()), three(mode.chances))).collect()
}

fn reasons(outlook: &Outlook) -> Vec<Why> {
    outlook.reasons.iter().map(|reason| Why { weight: reason.weight, says: reason.says.clone() }).collect()
}

fn codes(pack: &CurrentPack) -> Vec<String> {
    let standing = pack.codes.standings().filter(|(_, standing)| standing.state != CodeState::None);
    standing
        .map(|(code, standing)| {
            let meaning = code.meaning().map(|meaning| format!(": {}; {}", meaning.says, meaning.todo));
            format!("{code}, {}{}", standing.state.as_str().replace('-', " "), meaning.unwrap_or_default())
        })
        .collect()
}

/// An order that is open for the car.
#[derive(Clone, Debug)]
struct Open {
    number: String,
    job: String,
    reason: String,
    planned: Option<NaiveDate>,
}

impl Open {
    fn of(record: &OrderRecord) -> Self {
        Self {
            number: order_number(record.id),
            job: job(record.kind),
            reason: record.reason.clone(),
            planned: record.order.plan.as_ref().map(|plan| plan.on),
        }
    }
}

/// What the page shows.
#[derive(Debug)]
struct View {
    serial: String,
    pack_type: String,
    today: NaiveDate,
    zone: Tz,
    distance_unit: DistanceUnit,
    /// Metres behind it.
    age: Option<f64>,
    last_check_at: Option<DateTime<Utc>>,
    stays: Vec<Stay>,
    ahead: Option<Ahead>,
    life: Option<LifeView>,
    orders: Vec<Open>,
    costs: Costs,
    /// The chance of wear within 90 days from which an order is raised.
    plan_chance: f64,
}

fn page(view: &View) -> Markup {
    let now = view.stays.last().filter(|stay| view.ahead.is_some() && stay.ended.is_none());
    html! {
        nav.crumbs aria-label="Where this is" { a href="/board/packs" { "Packs" } }
        h1 { (view.serial) " " small { (view.pack_type) } }
        p.lead {
            @match (now, &view.ahead) {
                (Some(stay), Some(ahead)) => { (band_drawn(ahead.band)) ", in car " a href=(car_address(&stay.unit)) { (stay.unit) } ", " (stay.depot) }
                _ => "In no car that you see.",
            }
        }
        dl.facts {
            @if let Some(age) = view.age { div { dt { "Driven" } dd { (say::distance(age, view.distance_unit)) } } }
            @if let Some(at) = view.last_check_at { div { dt { "Last checked" } dd { (say::time(at, view.zone)) } } }
            @if let Some(median) = view.ahead.as_ref().and_then(|ahead| ahead.median_on) {
                div {
                    dt { "As likely as not degraded by" }
                    dd { @if median <= view.today { "today" } @else { (say::dated(median, view.today)) } }
                }
            }
        }
        @if let Some(ahead) = &view.ahead { (ahead_drawn(ahead)) (to_do(view, ahead)) }
        section aria-labelledby="curve" {
            h2 #curve { "Its place on the life curve" }
            @match &view.life {
                Some(life) => (life_drawn(life)),
                None => p { "There is no curve to stand on: no believed reading tells how far this pack has gone, or no curve could be fitted." },
            }
        }
        @if let Some(ahead) = &view.ahead { (evidence(ahead)) }
        (history(view))
    }
}

fn ahead_drawn(ahead: &Ahead) -> Markup {
    html! {
        section aria-labelledby="ahead" {
            h2 #ahead { "Its chance of degradation" }
            @match &ahead.chances {
                Some(chances) => {
                    div.measure { (chances.drawn()) }
                    @if let Some(doubt) = chances.doubt() { p.note { (doubt) } }
                }
                None => p { "No chance is given: " (ahead.no_chance_because.as_deref().unwrap_or("nothing is known of it")) "." },
            }
            @if ahead.ways.len() > 1 { (ways_table(&ahead.ways).drawn("Ways of failing")) }
            @if !ahead.reasons.is_empty() {
                h3 { "Why" }
                (reasons_drawn(&ahead.reasons))
            }
            @for note in &ahead.notes { p.note { (sentence(note)) } }
            @if !ahead.codes.is_empty() {
                h3 { "Trouble codes of its car" }
                ul.lines { @for code in &ahead.codes { li { (sentence(code)) } } }
            }
        }
    }
}

fn ways_table(ways: &[Way]) -> Table {
    let row = |(name, chances): &Way| {
        std::iter::once((*name).to_owned()).chain(chances.map(say::chance)).collect::<Vec<String>>()
    };
    let head = ["If nothing else happened first", "30 days", "90 days", "180 days"].map(str::to_owned).to_vec();
    Table { head, rows: ways.iter().map(row).collect() }
}

/// Those that move the chance, and folded away those that hardly do.
fn reasons_drawn(reasons: &[Why]) -> Markup {
    let (moving, idle): (Vec<&Why>, Vec<&Why>) =
        reasons.iter().partition(|why| why.weight.is_none_or(|weight| weight.abs() >= HARDLY));
    html! {
        ul.lines { @for why in &moving { li { strong { (moves(why.weight)) } " " (sentence(&why.says)) } } }
        @if !idle.is_empty() {
            details {
                summary { "What hardly moves it" }
                ul.lines { @for why in &idle { li { (sentence(&why.says)) } } }
            }
        }
    }
}

/// Below this a reason hardly moves the chance: a tenth of the odds.
const HARDLY: f64 = 0.1;

fn moves(weight: Option<f64>) -> &'static str {
    match weight {
        None => "● Nothing is known without it.",
        Some(weight) if weight > 0.0 => "▲ Raises it.",
        Some(_) => "▼ Lowers it.",
    }
}

fn to_do(view: &View, ahead: &Ahead) -> Markup {
    html! {
        section aria-labelledby="next" {
            h2 #next { "What to do next" }
            @if view.orders.is_empty() {
                p {
                    "No order is open for this car. One is raised by itself when a code calls for it, when a block lies over its \
                     limit, or when the chance that its blocks wear out within 90 days reaches " (say::chance(view.plan_chance))
                    " (wear.plan_chance) and more than the prior speaks for it."
                }
            } @else {
                ul.lines {
                    @for order in &view.orders {
                        li {
                            a href=(work::address(&order.number)) { (order.number) } ", " (order.job)
                            @if let Some(on) = order.planned { ", planned for " (say::dated(on, view.today)) }
                            p.note { (sentence(&say::in_words(&order.reason, view.today))) }
                        }
                    }
                }
            }
            @if let Some(holding) = ahead.holding { (month(holding, view.costs)) }
        }
    }
}

/// What another month with the pack is expected to cost.
fn month(holding: Holding, costs: Costs) -> Markup {
    let net = holding.net();
    let (verb, rather) =
        if net > 0.0 { ("more", "cheaper to replace it on a planned day") } else { ("less", "cheaper to keep it") };
    html! {
        p {
            "Keeping it another month is expected to cost " strong { (say::number(net.abs())) " " (verb) }
            " than replacing it on a planned day now, so by cost alone it is " (rather) ": the chance of " (say::chance(holding.chance))
            " that its blocks wear out within 30 days times the " (say::number(costs.roadside - costs.planned))
            " that a failure on the road costs beyond a planned replacement makes " (say::number(holding.expected_loss))
            "; its further use spares " (say::number(holding.spared)) ". "
            a href="/board/cost" { "What these rest on" }
        }
    }
}

fn life_drawn(life: &LifeView) -> Markup {
    html! {
        (life.plot().drawn())
        details { summary { "The packs on it" } (life.packs().drawn("The packs on the life curve")) }
        p.note {
            "A pack stands at the height of its own curve, by how its car was used: that is why packs lie over and under the curve of a \
             usual one. The packs shown are those that got furthest."
        }
    }
}

fn evidence(ahead: &Ahead) -> Markup {
    html! {
        section aria-labelledby="spread-of-blocks" {
            h2 #spread-of-blocks { "Its blocks" }
            @match ahead.spread.plot() { Some(plot) => (plot.drawn()), None => p { (ahead.spread.says()) } }
        }
        section aria-labelledby="cooling" {
            h2 #cooling { "Its cooling" }
            @match &ahead.airflow {
                Some(plot) => (plot.drawn()),
                None => p { "No check since the last fan service can be held against others at like load and fan stage." },
            }
        }
    }
}

fn history(view: &View) -> Markup {
    html! {
        section aria-labelledby="history" {
            h2 #history { "Where it has been" }
            ul.lines {
                @for stay in &view.stays {
                    li {
                        a href=(car_address(&stay.unit)) { (stay.unit) } ", " (stay.depot) ": from " (say::time(stay.from, stay.zone))
                        @match &stay.ended {
                            Some((at, why)) => { " to " (say::time(*at, stay.zone)) ", taken out: " (why) }
                            None => ", in it still",
                        }
                        @if let Some(driven) = stay.driven { "; " (say::distance(driven, stay.distance_unit)) " in this car" }
                        "."
                        @if stay.voided { " " strong { "This row was voided: it does not count." } }
                        @if let Some(note) = &stay.note { p.note { (note) } }
                    }
                }
            }
        }
    }
}

/// More stays and open orders than a pack and its car will ever have.
const ALL: i64 = 1_000;

/// Packs drawn on the life curve, at most.
const ON_CURVE: i64 = 300;

/// The stays of a pack, and the last car it was in with what is known of it there.
struct Found {
    stays: Vec<Stay>,
    record: PackRecord,
    car: AssessedCar,
    packs: CarPacks,
}

impl Found {
    fn exposure(&self) -> Option<&ExposureRow> {
        self.packs.lived_as(&self.record).map(|(_, exposure)| exposure)
    }

    /// The pack while it is in that car.
    fn current(&self) -> Option<&CurrentPack> {
        self.packs.current.as_ref().filter(|pack| pack.exposure.serial == self.record.life.serial)
    }
}

async fn found(app: &App, visitor: &Visitor, serial: &str) -> Result<Found, Refusal> {
    let filter = PackFilter {
        serial: Some(serial.to_owned()),
        with_removed: true,
        key_depots_of: visitor.key_depots_of(),
        limit: ALL,
        ..PackFilter::default()
    };
    let mut stays = Vec::new();
    let mut last = None;
    for record in app.store.packs(&filter).await? {
        let Some((car, packs)) = app.assess_car(record.vehicle_id).await? else { continue };
        stays.push(Stay::of(&record, &car, packs.lived_as(&record).map(|(lived, _)| lived)));
        // A voided row says nothing of where the pack is, unless there is no other.
        if last.is_none() || record.voided_at.is_none() {
            last = Some((record, car, packs));
        }
    }
    let (record, car, packs) = last.ok_or_else(|| Refusal::missing("pack", serial))?;
    Ok(Found { stays, record, car, packs })
}

pub(in crate::board) async fn show(
    State(app): State<App>,
    visitor: Visitor,
    Path(serial): Path<String>,
) -> Result<Response, Refusal> {
    let found = found(&app, &visitor, &serial).await?;
    let (logs, current) = (&found.car.logs, found.current());
    let key_depots_of = visitor.key_depots_of();
    let life = match found.exposure() {
        None => None,
        Some(exposure) => {
            let packs = app.store.lived_packs(None, None, key_depots_of, ON_CURVE).await?;
            let life = app.life_seen_by(key_depots_of).await?;
            LifeView::of(&life, &packs, (&logs.unit, exposure), logs.distance_unit)
        }
    };
    let open = OrderFilter {
        open: Some(true),
        unit: Some(logs.unit.clone()),
        now: app.now(),
        key_depots_of,
        limit: ALL,
        ..OrderFilter::default()
    };
    let orders = if current.is_some() { app.store.orders(&open).await? } else { Vec::new() };
    let view = View {
        pack_type: found.record.life.pack_type.clone(),
        today: found.car.assessment.today,
        zone: logs.zone,
        distance_unit: logs.distance_unit,
        age: found.exposure().map(|exposure| exposure.exit),
        last_check_at: current.and_then(|pack| pack.last_check_at),
        ahead: current.map(|pack| Ahead::of(pack, &found.car, app.settings.wear.airflow_limit)),
        stays: found.stays.clone(),
        life,
        orders: orders.iter().map(Open::of).collect(),
        costs: app.replacement_costs(),
        plan_chance: app.settings.wear.plan_chance,
        serial,
    };
    let title = format!("Pack {}", view.serial);
    let made = Made { at: app.now(), zone: view.zone };
    let frame = Frame { title: &title, here: "/board/packs", visitor: Some(&visitor), made, scripts: &[] };
    Ok(frame.page(&page(&view)))
}

#[cfg(test)]
mod tests {
    use super::super::pack_plots::samples;
    use super::*;

    fn sample() -> View {
        let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
        let zone = Tz::America__New_York;
        let stay = |unit: &str, ended| Stay {
            unit: unit.to_owned(),
            depot: "NORTH".to_owned(),
            zone,
            distance_unit: DistanceUnit::Mile,
            from: at("2024-01-05T15:00:00Z"),
            ended,
            driven: Some(64_373_760.0),
            note: Some("<script>".to_owned()),
            voided: false,
        };
        let holding = Holding { chance: 0.5, expected_loss: 395.0, spared: 45.0 };
        View {
            serial: "P<b>1".to_owned(),
            pack_type: "N28".to_owned(),
            today: "2026-03-18".parse().unwrap(),
            zone,
            distance_unit: DistanceUnit::Mile,
            age: Some(144_840_960.0),
            last_check_at: Some(at("2026-03-02T15:00:00Z")),
            stays: vec![stay("6", Some((at("2025-01-05T15:00:00Z"), because("sale").to_owned()))), stay("<7>", None)],
            ahead: Some(Ahead {
                band: "now",
                chances: Some(Chances { within: [0.5, 0.6, 0.7], interval: Some([0.41, 0.72]) }),
                no_chance_because: None,
                median_on: "2026-04-20".parse().ok(),
                ways: vec![("its blocks wear out", [0.5, 0.6, 0.7]), ("its cooling fails", [0.0, 0.0, 0.01])],
                reasons: vec![
                    Why { weight: Some(2.0), says: "the weakest block lay 0.79 V low".to_owned() },
                    Why { weight: Some(-0.5), says: "the car covers 90 mi a day".to_owned() },
                    Why { weight: Some(0.01), says: "heat has aged it".to_owned() },
                ],
                notes: vec!["P0A80: check the cooling first".to_owned()],
                codes: vec!["P0A80, confirmed: pack to be replaced; assess it".to_owned()],
                holding: Some(holding),
                spread: samples::spread(),
                airflow: None,
            }),
            life: Some(samples::life()),
            orders: vec![Open {
                number: "WO-00007".to_owned(),
                job: "pack assessment".to_owned(),
                reason: "over the limit".to_owned(),
                planned: None,
            }],
            costs: Costs { planned: 2_780.0, roadside: 3_570.0 },
            plan_chance: 0.2,
        }
    }

    #[test]
    fn the_page_says_what_is_to_be_expected_and_why() {
        let text = page(&sample()).into_string();
        assert_eq!(text, page(&sample()).into_string());
        for words in [
            "at 41 to 72 % with 90 % confidence",
            "<strong>▲ Raises it.</strong> The weakest block lay 0.79 V low.",
            "<strong>▼ Lowers it.</strong>",
            "<summary>What hardly moves it</summary><ul class=\"lines\"><li>Heat has aged it.</li></ul>",
            "href=\"/board/work/WO-00007\"",
            "expected to cost <strong>350 more</strong>",
            "50 % that its blocks wear out within 30 days times the 790 that",
            "taken out: the car was sold or given back",
            "40,000 mi in this car",
        ] {
            assert!(text.contains(words), "{words}: {text}");
        }
        assert!(
            !text.contains("<script>") && !text.contains("<b>") && !text.contains("<7>") && !text.contains("style=")
        );
    }

    #[test]
    fn a_pack_in_no_car_has_its_history_alone() {
        let stays = sample().stays[..1].to_vec();
        let text = page(&View { ahead: None, life: None, orders: Vec::new(), stays, ..sample() }).into_string();
        assert!(text.contains("In no car that you see.") && text.contains("There is no curve to stand on"), "{text}");
        assert!(!text.contains("What to do next") && text.contains("taken out: the car was sold"), "{text}");
        let unordered = page(&View { orders: Vec::new(), ..sample() }).into_string();
        assert!(
            unordered.contains("No order is open for this car.") && unordered.contains("reaches 20 %"),
            "{unordered}"
        );
    }
}
