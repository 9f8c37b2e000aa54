//! The dispatcher's day: which cars come in, when and to whom, what goes on, what is back, what comes next.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};
use serde::Deserialize;
use ventmile_model::fleet::{Status, local_day};

use super::day_forms;
use super::work::{self, job};
use super::{cars, day_told};
use crate::app::App;
use crate::app::day_list::{DayAhead, DaySheet, expected_back};
use crate::app::item::Item;
use crate::app::keys::Scope;
use crate::app::sessions::form_key;
use crate::board::asked::{Asked, Choice, select};
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::live;
use crate::board::posted::Tried;
use crate::board::refusal::Refusal;
use crate::board::say;
use crate::board::travel::Travel;
use crate::store::{AwayRecord, OrderRecord, order_number};
use crate::values;

/// Which day is asked for.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::board) struct Query {
    pub(super) date: Option<String>,
    pub(super) depot: Option<String>,
    /// What was told a moment ago.
    pub(super) told: Option<String>,
}

/// A car's time in the shop.
#[derive(Clone, Debug)]
pub(super) struct Slot {
    pub(super) number: String,
    pub(super) unit: String,
    depot: String,
    job: String,
    /// Local time and bay; none where the order has no slot.
    when: Option<(String, u32)>,
    /// Whom it is meant for, or who has it.
    with: Vec<String>,
    back: Option<String>,
    back_because: Option<String>,
    pub(super) stands: Stands,
    short_of: Vec<String>,
    pub(super) version: i64,
}

/// How a slot stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Stands {
    /// The dispatcher has not answered.
    Asks,
    Confirmed(String),
    AtWork,
    Rests(String),
}

/// A car to come in that has no slot on the day.
#[derive(Clone, Debug)]
struct Wanted {
    number: String,
    unit: String,
    depot: String,
    job: String,
    /// When its window closes, and how far the car has gone.
    window: Option<String>,
    gone: Option<String>,
    reason: String,
    planned: Option<String>,
    short_of: Vec<String>,
}

/// A car off the road.
#[derive(Clone, Debug)]
struct Away {
    unit: String,
    depot: String,
    since: NaiveDate,
    back_on: Option<NaiveDate>,
    reason: String,
    held: bool,
}

/// A day to come: what is planned, what should come, what is back, each in a few words.
#[derive(Clone, Debug)]
struct Ahead {
    date: NaiveDate,
    slots: Vec<String>,
    due: Vec<String>,
    back: Vec<String>,
    away: usize,
}

/// A car to be stopped at once: unit, depot, what to do for each code.
type Stopped = (String, String, Vec<String>);

/// What the page shows.
#[derive(Debug)]
pub(super) struct View {
    pub(super) date: NaiveDate,
    pub(super) today: NaiveDate,
    pub(super) query: Query,
    depots: Vec<Choice>,
    made: Made,
    stops: Vec<Stopped>,
    slots: Vec<Slot>,
    goes_on: Vec<Slot>,
    wanted: Vec<Wanted>,
    /// Unit and when or from where.
    back: Vec<(String, String)>,
    away: Vec<Away>,
    /// Unit and why.
    look_at: Vec<(String, String)>,
    ahead: Vec<Ahead>,
    pub(super) spare: Vec<day_forms::Spare>,
    told: Option<day_told::Told>,
    /// What the keys of its forms begin with; none where the key may not plan.
    pub(super) once: Option<String>,
    pub(super) tried: Option<Tried>,
}

/// The address of a day's page.
pub(super) fn address(date: Option<NaiveDate>, depot: Option<&str>) -> String {
    let mut query = form_urlencoded::Serializer::new(String::new());
    query.extend_pairs(date.map(|date| ("date", date.to_string())));
    query.extend_pairs(depot.map(|depot| ("depot", depot)));
    let query = query.finish();
    if query.is_empty() { "/board/day".to_owned() } else { format!("/board/day?{query}") }
}

/// A local time, with its day where that is another one.
fn clock(at: DateTime<Utc>, zone: Tz, date: NaiveDate) -> String {
    let local = at.with_timezone(&zone);
    let form = if local.date_naive() == date { "%H:%M" } else { "%a %-d %b, %H:%M" };
    local.format(form).to_string()
}

fn called(people: &[Choice], code: &str) -> String {
    let found = people.iter().find(|(known, _)| known == code);
    found.map_or_else(|| code.to_owned(), |(_, name)| name.clone())
}

impl Slot {
    fn of(record: &OrderRecord, people: &[Choice], date: NaiveDate, now: DateTime<Utc>) -> Self {
        let order = record.order.settled(now);
        let plan = order.plan.as_ref();
        let meant = plan.map(|plan| plan.technicians.clone()).unwrap_or_default();
        let with = order.assigned_to.clone().map_or(meant, |has| vec![has]);
        let hours = |plan: &ventmile_model::fleet::Plan| {
            let ends = clock(plan.ends_at(record.zone), record.zone, plan.on);
            (format!("{} – {ends}", plan.start.format("%H:%M")), plan.bay)
        };
        Self {
            number: order_number(record.id),
            unit: record.unit.clone(),
            depot: record.depot.clone(),
            job: job(record.kind),
            when: plan.filter(|plan| plan.on == date).map(hours),
            with: with.iter().map(|code| called(people, code)).collect(),
            back: expected_back(record).map(|at| clock(at, record.zone, date)),
            back_because: order.back.as_ref().map(|back| back.reason.clone()),
            stands: match (order.status, &order.paused, &order.confirmed) {
                (Status::InProcess, Some(pause), _) => Stands::Rests(pause.reason.clone()),
                (Status::InProcess, None, _) => Stands::AtWork,
                (_, _, Some(confirmed)) => Stands::Confirmed(confirmed.by.clone()),
                _ => Stands::Asks,
            },
            short_of: record.short_of.clone(),
            version: record.version,
        }
    }
}

/// When a car's window closes, or why that can't be said.
fn closes(item: &Item, today: NaiveDate) -> String {
    let [_, late, _] = item.late;
    let at = |date: NaiveDate| {
        let verb = if date <= today { "closed" } else { "closes" };
        format!("Window {verb} {}, {}", say::day(date, today), say::from_today(date, today))
    };
    late.map_or_else(|| cars::window_words(item, today), at)
}

impl Wanted {
    fn of(record: &OrderRecord, today: NaiveDate) -> Self {
        let item: Option<Item> = record.item.as_deref().and_then(|text| serde_json::from_str(text).ok());
        let plan = record.order.plan.as_ref();
        let travel = item.as_ref().and_then(|item| Travel::of(item, today));
        Self {
            number: order_number(record.id),
            unit: record.unit.clone(),
            depot: record.depot.clone(),
            job: job(record.kind),
            window: item.as_ref().map(|item| closes(item, today)),
            gone: travel.map(|travel| travel.words()),
            reason: record.reason.clone(),
            planned: plan.map(|plan| {
                format!("{} at {}, bay {}", say::day(plan.on, today), plan.start.format("%H:%M"), plan.bay)
            }),
            short_of: record.short_of.clone(),
        }
    }
}

impl Away {
    fn of(record: &AwayRecord) -> Self {
        let off = &record.time.off_road;
        Self {
            unit: record.unit.clone(),
            depot: record.depot.clone(),
            since: off.from,
            back_on: off.to.and_then(|to| to.succ_opt()).filter(|_| !off.safety_hold),
            reason: off.reason.clone(),
            held: off.safety_hold,
        }
    }
}

impl Ahead {
    fn of(day: &DayAhead) -> Self {
        let slot = |record: &OrderRecord| {
            let start = record.order.plan.as_ref().map(|plan| plan.start.format("%H:%M").to_string());
            format!("{} {}", start.unwrap_or_default(), record.unit)
        };
        Self {
            date: day.date,
            slots: day.slots.iter().map(slot).collect(),
            due: day.due.iter().map(|record| record.unit.clone()).collect(),
            back: day.back.clone(),
            away: day.away,
        }
    }
}

impl View {
    /// Whether rows name their depot: where there are several to see.
    fn names_depots(&self) -> bool {
        self.query.depot.is_none() && self.depots.len() > 1
    }

    fn depot(&self, code: &str) -> Markup {
        html! { @if self.names_depots() { " " small { (code) } } }
    }

    fn link(&self, date: NaiveDate) -> String {
        address(Some(date), self.query.depot.as_deref())
    }
}

fn car(unit: &str) -> Markup {
    html! { a.unit href=(cars::car_address(unit)) { (unit) } }
}

fn order(number: &str, job: &str) -> Markup {
    html! { a.order href=(work::address(number)) { (job) " " small { (number) } } }
}

fn days(view: &View) -> Markup {
    let near = |days: i64| view.date.checked_add_signed(chrono::TimeDelta::days(days)).unwrap_or(view.date);
    let (before, after) = (near(-1), near(1));
    html! {
        nav.days aria-label="Days" {
            a href=(view.link(before)) rel="prev" { "← " (say::day(before, view.today)) }
            @if view.date != view.today { a href=(address(None, view.query.depot.as_deref())) { "Today" } }
            a href=(view.link(after)) rel="next" { (say::day(after, view.today)) " →" }
            a href="#ahead" { "The week ahead" }
        }
    }
}

fn lead(view: &View) -> Markup {
    let cars = |many: usize| say::count(many, "car");
    html! {
        p.lead {
            strong { (cars(view.slots.len())) } @if view.slots.len() == 1 { " has" } @else { " have" } " a slot, "
            strong { (view.goes_on.len()) } " in work from before, "
            strong { (view.wanted.len()) } " more to bring in, "
            strong { (view.away.len()) } " off the road, "
            strong { (view.back.len()) } " due back."
        }
    }
}

fn stops(view: &View) -> Markup {
    html! {
        @if !view.stops.is_empty() {
            section.stop aria-labelledby="stop" {
                h2 #stop { "■ Stop these cars at once" }
                ul { @for (unit, depot, notices) in &view.stops {
                    li { (car(unit)) (view.depot(depot)) ": " (notices.join("; ")) "." }
                } }
            }
        }
    }
}

fn stands(slot: &Slot, view: &View, visitor: &Visitor) -> Markup {
    html! {
        @match &slot.stands {
            Stands::AtWork => p { "At work" },
            Stands::Rests(why) => p { "Work rests: " (why) },
            Stands::Confirmed(by) => p { "✓ Comes, says " (by) },
            Stands::Asks => p { "? Not confirmed" },
        }
        @if matches!(slot.stands, Stands::Asks | Stands::Confirmed(_)) { (day_forms::answer(slot, view, visitor)) }
    }
}

fn slot(slot: &Slot, view: &View, visitor: &Visitor) -> Markup {
    html! {
        li id=(format!("slot-{}", slot.number)) {
            div.when {
                @if let Some((hours, bay)) = &slot.when { strong { (hours) } " " span { "bay " (bay) } }
            }
            div.what { (car(&slot.unit)) (view.depot(&slot.depot)) (order(&slot.number, &slot.job)) }
            div.with {
                p { @if slot.with.is_empty() { "with whoever is free" } @else { "with " (slot.with.join(", ")) } }
                p { @match &slot.back { Some(back) => { "back " strong { (back) } }, None => "back: not known" }
                    @if let Some(because) = &slot.back_because { " (" (because) ")" } }
                @if !slot.short_of.is_empty() { p.fault { "Parts that are not here: " (slot.short_of.join(", ")) } }
            }
            div.stands { (stands(slot, view, visitor)) }
        }
    }
}

fn slots(id: &str, title: &str, none: &str, slots: &[Slot], view: &View, visitor: &Visitor) -> Markup {
    html! {
        section aria-labelledby=(id) {
            h2 id=(id) { (title) }
            @if slots.is_empty() { p { (none) } }
            @else { ol.sheet { @for one in slots { (slot(one, view, visitor)) } } }
        }
    }
}

fn wanted(view: &View) -> Markup {
    html! {
        @if !view.wanted.is_empty() {
            section aria-labelledby="wanted" {
                h2 #wanted { "To bring in as well, most urgent first" }
                ol.sheet.wanted {
                    @for one in &view.wanted {
                        li {
                            div.what { (car(&one.unit)) (view.depot(&one.depot)) (order(&one.number, &one.job)) }
                            div.with {
                                @if let Some(window) = &one.window { p { (window) } } @else { p { (say::in_words(&one.reason, view.today)) } }
                                @if let Some(gone) = &one.gone { p.note { (gone) } }
                                @if !one.short_of.is_empty() { p.fault { "Parts that are not here: " (one.short_of.join(", ")) } }
                            }
                            div.stands { p { @match &one.planned { Some(planned) => { "Planned " (planned) }, None => "No slot yet" } } }
                        }
                    }
                }
            }
        }
    }
}

fn away(view: &View) -> Markup {
    html! {
        section aria-labelledby="away" {
            h2 #away { "Off the road" }
            @if view.away.is_empty() { p { "No car." } }
            @else {
                ul.sheet.away {
                    @for one in &view.away {
                        li {
                            div.what { (car(&one.unit)) (view.depot(&one.depot)) }
                            div.with { p { (one.reason) } p.note { "since " (say::dated(one.since, view.today)) } }
                            div.stands { p {
                                @match one.back_on {
                                    Some(day) => { "back " (say::dated(day, view.today)) },
                                    None if one.held => "■ Held: only a named key brings it back",
                                    None => "back: not known",
                                }
                            } }
                        }
                    }
                }
            }
        }
    }
}

/// Cars in one line each after the other: unit and a few words.
fn in_line(id: &str, title: &str, cars: &[(String, String)]) -> Markup {
    html! {
        @if !cars.is_empty() {
            section aria-labelledby=(id) {
                h2 id=(id) { (title) }
                ul.run { @for (unit, words) in cars { li { (car(unit)) " " (words) } } }
            }
        }
    }
}

/// Units told of in a cell of the table.
const NAMED: usize = 6;

fn names(names: &[String]) -> String {
    let first = names.iter().take(NAMED).cloned().collect::<Vec<_>>().join(", ");
    match names.len() {
        0 => "–".to_owned(),
        many if many > NAMED => format!("{first} and {} more", many - NAMED),
        _ => first,
    }
}

fn ahead(view: &View) -> Markup {
    html! {
        section aria-labelledby="ahead" {
            h2 #ahead { "The week ahead" }
            table.ahead {
                thead { tr {
                    th scope="col" { "Day" } th scope="col" { "Planned" } th scope="col" { "Window opens, no slot" }
                    th scope="col" { "Back" } th scope="col" { "Off the road" }
                } }
                tbody {
                    @for day in &view.ahead {
                        tr {
                            th scope="row" { a href=(view.link(day.date)) { (say::day(day.date, view.today)) } }
                            td { (names(&day.slots)) }
                            td { (names(&day.due)) }
                            td { (names(&day.back)) }
                            td { (day.away) }
                        }
                    }
                }
            }
        }
    }
}

fn filter(view: &View) -> Markup {
    html! {
        form.filter method="get" action="/board/day" role="search" {
            label.field { span { "Day" } input type="date" name="date" value=(view.date); }
            (select("depot", "Depot", "All depots", &view.depots, view.query.depot.as_deref()))
            button type="submit" { "Show" }
        }
    }
}

fn heading(view: &View) -> Markup {
    let named = view.query.depot.as_ref().and_then(|code| view.depots.iter().find(|(known, _)| known == code));
    let place = named.or(view.depots.first().filter(|_| view.depots.len() == 1));
    html! {
        h1 { (view.date.format("%A %-d %B %Y")) " " small { (place.map_or("all depots", |(_, name)| name.as_str())) } }
        p.note { "As of " span data-made { (say::time(view.made.at, view.made.zone)) } ". Times are each depot's own." }
    }
}

pub(super) fn page(view: &View, visitor: &Visitor) -> Markup {
    html! {
        (heading(view))
        (days(view))
        (filter(view))
        @if let Some(told) = &view.told { (day_told::drawn(told, view.today)) }
        (stops(view))
        (lead(view))
        (slots("slots", "Cars to bring in, by the hour", "No order has a slot on this day.", &view.slots, view, visitor))
        @if !view.goes_on.is_empty() {
            (slots("goes-on", "In work from before", "", &view.goes_on, view, visitor))
        }
        (in_line("back", "Due back", &view.back))
        (wanted(view))
        (away(view))
        (in_line("look", "Nobody knows enough about these: read or inspect them", &view.look_at))
        (ahead(view))
        (day_forms::spare(view, visitor))
        (day_forms::tell(view, visitor))
        p.elsewhere { a href="/board/calendars" { "Have the day in your own calendar" } }
    }
}

fn due_back(sheet: &DaySheet, date: NaiveDate) -> Vec<(String, String)> {
    let from_work = sheet.done.iter().filter_map(|record| {
        Some((record.unit.clone(), format!("{} from work", clock(expected_back(record)?, record.zone, date))))
    });
    let from_off = sheet.back.iter().map(|car| (car.unit.clone(), "from off the road".to_owned()));
    from_work.chain(from_off).collect()
}

fn view_of(sheet: DaySheet, date: NaiveDate, today: NaiveDate, people: &[Choice], made: Made) -> View {
    let slot = |record: &OrderRecord| Slot::of(record, people, date, made.at);
    let shown = |record: &&OrderRecord| {
        let has_slot = record.order.plan.as_ref().is_some_and(|plan| plan.on == date);
        !has_slot && record.order.status != Status::InProcess
    };
    let why = |item: &Item| match item.band.as_str() {
        "unknown" => "nothing to count from".to_owned(),
        _ => format!("silent for {}", say::count(usize::try_from(item.silent_days).unwrap_or(0), "day")),
    };
    let notice = |stop: &ventmile_model::work::Stop| format!("{}: {}", stop.code, stop.notice.does);
    View {
        date,
        today,
        query: Query::default(),
        depots: Vec::new(),
        made,
        stops: sheet
            .list
            .stops
            .iter()
            .map(|(car, stops)| (car.unit.clone(), car.depot.clone(), stops.iter().map(notice).collect()))
            .collect(),
        slots: sheet.list.slots.iter().map(slot).collect(),
        goes_on: sheet.goes_on.iter().map(slot).collect(),
        wanted: sheet.list.bring_in.iter().filter(shown).map(|record| Wanted::of(record, today)).collect(),
        back: due_back(&sheet, date),
        away: sheet.list.away.iter().map(Away::of).collect(),
        look_at: sheet.list.look_at.iter().map(|(row, item)| (row.unit.clone(), why(item))).collect(),
        ahead: sheet.ahead.iter().map(Ahead::of).collect(),
        spare: sheet.spare.iter().map(day_forms::Spare::of).collect(),
        told: None,
        once: None,
        tried: None,
    }
}

/// The day that a query asks for, where it names one.
pub(super) fn date_of(query: &Query) -> Result<Option<NaiveDate>, Refusal> {
    let wrong = |says| Refusal::unreadable(format!("date: {says}."));
    query.date.as_deref().map(values::date).transpose().map_err(wrong)
}

/// The page of a day, with what was tried on it.
pub(super) async fn shown(
    app: &App,
    visitor: &Visitor,
    query: Query,
    tried: Option<Tried>,
) -> Result<Response, Refusal> {
    let refused = tried.is_some();
    let depots = cars::depots_seen(app, visitor, query.depot.as_deref()).await?;
    let since = live::Since::now(app).await?;
    let made = Made::now(app, &depots, query.depot.as_deref());
    let today = local_day(made.at, made.zone);
    let date = date_of(&query)?.unwrap_or(today);
    let sheet = app.day_sheet(date, query.depot.as_deref(), visitor.key_depots_of()).await?;
    let people = work::people(app, visitor, None).await?;
    let view = View {
        depots: cars::choices(&depots),
        told: day_told::find(app, visitor, query.told.as_deref()).await?,
        once: visitor.may(Scope::Plan).then(form_key).transpose()?,
        tried,
        query,
        ..view_of(sheet, date, today, &people, made)
    };
    let title = format!("{} {}", view.date.format("%a"), say::short_day(view.date));
    let frame =
        Frame { title: &title, here: "/board/day", visitor: Some(visitor), made, scripts: &["keep.js", "live.js"] };
    let page = frame.page(&html! { (since.place(view.query.depot.as_deref(), None)) (page(&view, visitor)) });
    Ok(if refused { (StatusCode::UNPROCESSABLE_ENTITY, page).into_response() } else { page })
}

pub(in crate::board) async fn show(
    State(app): State<App>,
    visitor: Visitor,
    Asked(query): Asked<Query>,
) -> Result<Response, Refusal> {
    shown(&app, &visitor, query, None).await
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::frame::samples::{made, visitor};
    use crate::board::posted::Fields;
    use crate::store::Fault;

    fn slot(number: &str, stands: Stands) -> Slot {
        Slot {
            number: number.to_owned(),
            unit: "<7>".to_owned(),
            depot: "N<1>".to_owned(),
            job: "fan service".to_owned(),
            when: Some(("09:00 – 11:00".to_owned(), 2)),
            with: vec!["Kim <i>".to_owned()],
            back: Some("11:30".to_owned()),
            back_because: Some("<b>late".to_owned()),
            stands,
            short_of: vec!["F<2>".to_owned()],
            version: 3,
        }
    }

    fn sample() -> View {
        let date = |text: &str| text.parse::<NaiveDate>().unwrap();
        let wanted = Wanted {
            number: "WO-00003".to_owned(),
            unit: "<8>".to_owned(),
            depot: "N<1>".to_owned(),
            job: "fan service".to_owned(),
            window: Some("Window closes Thu 19 Mar, tomorrow".to_owned()),
            gone: Some("31,000 km gone".to_owned()),
            reason: "<b>noise".to_owned(),
            planned: None,
            short_of: Vec::new(),
        };
        let away = |held, back_on| Away {
            unit: "9".to_owned(),
            depot: "N<1>".to_owned(),
            since: date("2026-03-17"),
            back_on,
            reason: "<script>towed".to_owned(),
            held,
        };
        let ahead = Ahead {
            date: date("2026-03-19"),
            slots: (0..8).map(|unit| format!("09:00 <{unit}>")).collect(),
            due: Vec::new(),
            back: vec!["9".to_owned()],
            away: 1,
        };
        View {
            date: date("2026-03-18"),
            today: date("2026-03-18"),
            query: Query::default(),
            depots: vec![("N<1>".to_owned(), "North <b>".to_owned()), ("W".to_owned(), "West".to_owned())],
            made: made(),
            stops: vec![("<7>".to_owned(), "N<1>".to_owned(), vec!["P0AA6: stop".to_owned()])],
            slots: vec![slot("WO-00001", Stands::Asks), slot("WO-00002", Stands::Confirmed("<b>office".to_owned()))],
            goes_on: vec![Slot { when: None, ..slot("WO-00004", Stands::Rests("<b>a part".to_owned())) }],
            wanted: vec![wanted],
            back: vec![("<7>".to_owned(), "11:30 from work".to_owned())],
            away: vec![away(true, None), away(false, Some(date("2026-03-20")))],
            look_at: vec![("<5>".to_owned(), "silent for 9 days".to_owned())],
            ahead: vec![ahead],
            spare: vec![day_forms::Spare {
                id: 4,
                unit: "<6>".to_owned(),
                from: date("2026-03-20"),
                to: date("2026-03-21"),
                note: Some("<b>night".to_owned()),
            }],
            told: None,
            once: Some("k".to_owned()),
            tried: None,
        }
    }

    #[test]
    fn the_sheet_says_who_comes_when_and_what_is_next() {
        let planner = visitor(&[Scope::Read, Scope::Plan]);
        let text = page(&sample(), &planner).into_string();
        assert_eq!(text, page(&sample(), &planner).into_string());
        for words in [
            "Wednesday 18 March 2026",
            "18 Mar 2026, 12:00 EDT",
            "<strong>2 cars</strong> have a slot",
            "with Kim &lt;i&gt;",
            "back <strong>11:30</strong> (&lt;b&gt;late)",
            "Work rests: &lt;b&gt;a part",
            "■ Held: only a named key brings it back",
            "and 2 more",
            "31,000 km gone",
            "date=2026-03-17",
        ] {
            assert!(text.contains(words), "{words}: {text}");
        }
        for banned in ["<b>", "<i>", "<script>", "<7>", "style="] {
            assert!(!text.contains(banned), "{banned}: {text}");
        }
        assert_eq!(text.matches(r#"action="/board/day/slots/WO-0000"#).count(), 3, "one is confirmed already: {text}");
    }

    #[test]
    fn who_may_not_plan_only_reads() {
        let text = page(&View { once: None, ..sample() }, &visitor(&[Scope::Read])).into_string();
        assert!(!text.contains(r#"method="post""#) && text.contains("Days to spare"), "{text}");
    }

    #[test]
    fn a_refused_form_stands_open_with_what_was_typed() {
        let tried = Tried {
            form: "refuse-slot/WO-00001".to_owned(),
            fields: Fields::read(b"by=<i>lee"),
            faults: vec![Fault::new("/reason", "this is needed")],
        };
        let text = page(&View { tried: Some(tried), ..sample() }, &visitor(&[Scope::Plan])).into_string();
        assert_eq!(text.matches("<details open>").count(), 1, "{text}");
        assert!(text.contains(r#"value="&lt;i&gt;lee""#) && text.contains("this is needed"), "{text}");
    }

    #[test]
    fn a_time_of_another_day_names_it() {
        let zone = Tz::America__New_York;
        let at = "2026-03-19T03:30:00Z".parse().unwrap();
        assert_eq!(clock(at, zone, "2026-03-18".parse().unwrap()), "23:30");
        assert_eq!(clock(at, zone, "2026-03-17".parse().unwrap()), "Wed 18 Mar, 23:30");
    }
}
