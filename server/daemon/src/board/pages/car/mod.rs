//! One car: where it stands and why, its travel line, its forecast against the window, and what that rests on.

mod duty;
mod fan;
mod history;
mod pack;
mod readings;
mod what_if;

use axum::extract::{Path, RawQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};
use ventmile_model::fleet::{DistanceUnit, Kind};

use super::cars::{Stands, window_words};
use crate::app::App;
use crate::app::assess::{Provisional, sentence};
use crate::app::forecasts::CarForecast;
use crate::app::item::Item;
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::posted::Fields;
use crate::board::refusal::Refusal;
use crate::board::say;
use crate::board::travel::{self, Travel};
use crate::store::VehicleRecord;
use duty::Duty;
use fan::Fan;
use history::Past;
use pack::Pack;
use readings::Readings;
use what_if::Question;

/// What the page shows.
#[derive(Debug)]
struct View {
    unit: String,
    depot: String,
    model: Option<String>,
    stands: Stands,
    /// How its date comes about, in a sentence.
    why: String,
    window: String,
    grade: String,
    chance: Option<(f64, NaiveDate)>,
    /// What the last believed reading showed, in metres, and when.
    last: Option<(f64, DateTime<Utc>)>,
    distance_unit: DistanceUnit,
    zone: Tz,
    today: NaiveDate,
    travel: Option<Travel>,
    fan: Option<Fan>,
    what_if: Question,
    duty: Duty,
    readings: Readings,
    pack: Option<Pack>,
    past: Past,
    notes: Vec<String>,
}

/// The page's sections, by the ids of their headings.
const SECTIONS: [(&str, &str); 7] = [
    ("way", "Way"),
    ("ahead", "Forecast"),
    ("what-if", "What if"),
    ("duty", "Duty"),
    ("readings", "Odometer"),
    ("pack", "Pack"),
    ("history", "History"),
];

fn page(view: &View, visitor: &Visitor) -> Markup {
    html! {
        nav.crumbs aria-label="Where this is" { a href="/board/cars" { "Cars" } }
        h1 { (view.unit) " " small { (view.depot) @if let Some(model) = &view.model { " · " (model) } } }
        p.lead { (view.stands.drawn()) }
        @for note in &view.notes { p.note { (note) } }
        (sections(view))
        (way(view))
        @if let Some(fan) = &view.fan {
            section aria-labelledby="ahead" {
                h2 #ahead { "Its forecast" }
                (fan.plot().drawn())
            }
        }
        (view.what_if.drawn(visitor))
        (view.duty.drawn())
        (view.readings.drawn())
        @if let Some(pack) = &view.pack { (pack.drawn()) }
        (view.past.drawn())
    }
}

/// The way to each section that is there.
fn sections(view: &View) -> Markup {
    let there = |id: &str| match id {
        "ahead" => view.fan.is_some(),
        "pack" => view.pack.is_some(),
        _ => true,
    };
    html! {
        nav.jump aria-label="On this page" {
            ul { @for (id, name) in SECTIONS.iter().filter(|(id, _)| there(id)) { li { a href={ "#" (id) } { (name) } } } }
        }
    }
}

fn way(view: &View) -> Markup {
    html! {
        section aria-labelledby="way" {
            h2 #way { "Its way to the fan service" }
            @match &view.travel { Some(travel) => (travel.large()), None => (travel::unknown()) }
            dl.facts {
                div { dt { "Window" } dd { (view.window) } }
                @if let Some((metres, at)) = view.last {
                    div { dt { "Odometer on " (say::time(at, view.zone)) } dd { (say::distance(metres, view.distance_unit)) } }
                }
                div { dt { "Duty" } dd { (view.grade) } }
                @if let Some((chance, by)) = view.chance {
                    div { dt { "Beyond the late edge by " (say::dated(by, view.today)) } dd { (say::chance(chance)) } }
                }
            }
            h3 { "Why" }
            p { (view.why) }
        }
    }
}

/// What should be known, but what the section of its readings says of the newest.
fn notes(forecast: &CarForecast) -> Vec<String> {
    let assessment = &forecast.assessment;
    let provisional = assessment.provisional.as_ref().map(Provisional::note);
    let notes = assessment.notes.iter().filter(|note| Some(*note) != provisional.as_ref());
    notes.map(|note| say::in_words(note, assessment.today)).collect()
}

/// What the query asks to be shown in full.
fn all_of(fields: &Fields, name: &str) -> bool {
    fields.get(name) == Some("all")
}

/// Refuses what the page does not know how to be asked.
fn known(fields: &Fields) -> Result<(), Refusal> {
    let known = |name: &str| ["readings", "history"].contains(&name) || what_if::FIELDS.contains(&name);
    match fields.names().find(|name| !known(name)) {
        Some(name) => Err(Refusal::unreadable(format!("A car's page cannot be asked for “{name}”."))),
        None => Ok(()),
    }
}

async fn view_of(
    app: &App,
    visitor: &Visitor,
    car: &VehicleRecord,
    forecast: &CarForecast,
    fields: Fields,
) -> Result<View, Refusal> {
    let (assessment, logs, settings) = (&forecast.assessment, &forecast.logs, &app.settings);
    let item = Item::of(assessment, forecast.rule.kind, logs.distance_unit, settings.due.horizon_days);
    let history = app.history(car, visitor.key_depots_of()).await?;
    let sees = |code: &str| visitor.caller.actor.may_see(code);
    let packs = app.packs_of(logs, assessment, &forecast.rule.rule, &*app.fleet_life().await?);
    let sources = app.store.source_names().await?;
    Ok(View {
        unit: logs.unit.clone(),
        depot: logs.depot.clone(),
        model: logs.model.clone(),
        stands: Stands::of(&item),
        why: say::in_words(&sentence(assessment, logs.distance_unit), assessment.today),
        window: window_words(&item, assessment.today),
        grade: item.grade.clone(),
        chance: assessment.chance_past_late.map(|chance| (chance, assessment.lead_ends)),
        last: assessment.track.last().map(|judged| (judged.reading.odometer.as_f64(), judged.reading.at)),
        distance_unit: logs.distance_unit,
        zone: logs.zone,
        today: assessment.today,
        travel: Travel::of(&item, assessment.today),
        fan: Fan::of(forecast),
        duty: Duty::of(forecast, settings),
        readings: Readings::of(forecast, &sources, all_of(&fields, "readings")),
        pack: packs.current.as_ref().map(|current| Pack::of(current, forecast)),
        past: Past::of(forecast, &history, &sees, all_of(&fields, "history")),
        notes: notes(forecast),
        what_if: Question::of(app, visitor, fields, forecast).await?,
    })
}

pub(in crate::board) async fn show(
    State(app): State<App>,
    visitor: Visitor,
    Path(unit): Path<String>,
    RawQuery(query): RawQuery,
) -> Result<Response, Refusal> {
    let fields = Fields::read(query.unwrap_or_default().as_bytes());
    known(&fields)?;
    let missing = || Refusal::missing("car", &unit);
    let found = app.store.find_vehicle(&unit).await?;
    let car = found.filter(|car| visitor.caller.actor.may_see(&car.depot)).ok_or_else(missing)?;
    let forecast = app.forecast_car(car.id, Kind::FanService).await?.ok_or_else(|| {
        Refusal::new(
            StatusCode::NOT_FOUND,
            "No rule",
            "No service rule applies to this car, so nothing can be forecast.",
        )
    })?;
    let made = Made { at: app.now(), zone: car.zone };
    let view = view_of(&app, &visitor, &car, &forecast, fields).await?;
    let status = if view.what_if.is_wrong() { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    let title = format!("Car {}", view.unit);
    let frame = Frame { title: &title, here: "/board/cars", visitor: Some(&visitor), made, scripts: &[] };
    Ok((status, frame.page(&page(&view, &visitor))).into_response())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::keys::Scope;
    use crate::board::frame::samples::visitor;

    fn sample() -> View {
        let item = crate::app::item::sample();
        let today = "2026-03-18".parse().unwrap();
        View {
            unit: "<7>".to_owned(),
            depot: "NORTH".to_owned(),
            model: None,
            stands: Stands::of(&item),
            why: "By Tue 17 Mar the car had gone 18,600 mi.".to_owned(),
            window: window_words(&item, today),
            grade: "hard".to_owned(),
            chance: Some((0.02, "2026-04-01".parse().unwrap())),
            last: Some((66_000_000.0, "2026-03-17T21:00:00Z".parse().unwrap())),
            distance_unit: DistanceUnit::Mile,
            zone: Tz::America__New_York,
            today,
            travel: Travel::of(&item, today),
            fan: Some(fan::sample(&item)),
            what_if: what_if::sample(),
            duty: duty::sample(),
            readings: readings::sample(),
            pack: Some(pack::sample()),
            past: history::sample(),
            notes: vec!["<b>".to_owned()],
        }
    }

    #[test]
    fn the_page_says_where_the_car_stands_and_when() {
        let shown = |view: &View| page(view, &visitor(&[Scope::Read])).into_string();
        let text = shown(&sample());
        assert_eq!(text, shown(&sample()));
        assert!(
            text.contains("The late edge is reached between 16 Apr 2026 and 2 May 2026, four times in five."),
            "{text}"
        );
        for hostile in ["<b>", "<i>", "<7>", "<1>", "<script>", "<shifts>", "style="] {
            assert!(!text.contains(hostile), "{hostile}: {text}");
        }
        for (id, _) in SECTIONS {
            assert_eq!(text.matches(&format!("id=\"{id}\"")).count(), 1, "{id}: {text}");
        }
        let bare = shown(&View { fan: None, pack: None, ..sample() });
        assert!(!bare.contains("href=\"#ahead\"") && !bare.contains("href=\"#pack\""), "{bare}");
    }

    #[test]
    fn only_what_is_known_can_be_asked() {
        assert!(known(&Fields::read(b"readings=all&rear_percent=40&off_to=")).is_ok());
        assert!(known(&Fields::read(b"colour=red")).unwrap_err().says.contains("colour"));
    }
}
