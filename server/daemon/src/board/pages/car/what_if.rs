//! What if: the car's dates under other shifts, at another depot, off the road for some days or by another rule, beside
//! those as they stand. Nothing is saved.

use chrono::NaiveDate;
use maud::{Markup, html};
use ventmile_model::duty::Pattern;
use ventmile_model::fleet::{DistanceUnit, OffRoad};
use ventmile_model::usage::Shifts;

use super::super::cars::{car_address, window_words};
use crate::app::App;
use crate::app::forecasts::{ALL_RULES, CarForecast};
use crate::app::item::Item;
use crate::app::what_if::{MOST_DAYS, MOST_HOURS, WhatIf, furthest, moved_words, off_road, untold_words, within};
use crate::board::asked::{Choice, select};
use crate::board::guard::Visitor;
use crate::board::pages::cars::{choices, depots_seen};
use crate::board::posted::{Fields, Form, Reader, Tried, faults_of, number};
use crate::board::refusal::Refusal;
use crate::board::say;
use crate::board::travel::{self, Travel};
use crate::store::Conflict;
use crate::values;

/// The fields of the question.
pub(super) const FIELDS: [&str; 8] =
    ["days_per_week", "hours_per_day", "rear_percent", "distance_per_day", "depot", "off_from", "off_to", "rule"];

/// The form's name on the page.
const NAME: &str = "what-if";

/// What the section shows.
#[derive(Debug)]
pub(super) struct Question {
    /// Unit number of the car.
    pub car: String,
    pub unit: DistanceUnit,
    pub depots: Vec<Choice>,
    pub rules: Vec<Choice>,
    /// What was asked and what is wrong with it.
    pub tried: Option<Tried>,
    pub answer: Option<Answer>,
}

/// The dates of a car in one case.
#[derive(Debug)]
struct Case {
    early: [Option<NaiveDate>; 3],
    late: [Option<NaiveDate>; 3],
    window: String,
    grade: String,
    metres_per_day: f64,
    chance: Option<f64>,
    rule: String,
    depot: String,
    travel: Option<Travel>,
}

/// As it stands and as it would be.
#[derive(Debug)]
pub(super) struct Answer {
    today: NaiveDate,
    lead_ends: NaiveDate,
    unit: DistanceUnit,
    stands: Case,
    would_be: Case,
    /// What is to be known of the case that is not.
    notes: Vec<String>,
}

impl Case {
    fn of(forecast: &CarForecast, unit: DistanceUnit, horizon_days: i64) -> Self {
        let assessment = &forecast.assessment;
        let item = Item::of(assessment, forecast.rule.kind, unit, horizon_days);
        Self {
            early: item.early,
            late: item.late,
            window: window_of(&item, assessment.today),
            grade: item.grade.clone(),
            metres_per_day: assessment.usage.metres_per_day,
            chance: assessment.chance_past_late,
            rule: forecast.rule.code.clone(),
            depot: forecast.logs.depot.clone(),
            travel: Travel::of(&item, assessment.today),
        }
    }
}

/// The window by what decides it, else why there is none.
fn window_of(item: &Item, today: NaiveDate) -> String {
    let whole = |(early, late): (i64, i64), unit: &str, scale: f64| {
        format!("{} to {} {unit}", say::number(early as f64 / scale), say::number(late as f64 / scale))
    };
    match (item.deciding_meter.as_deref(), item.distance, item.hours, item.days) {
        (Some("hours"), _, Some((early, late)), _) => format!("{} to {} h", say::number(early), say::number(late)),
        (Some("days"), _, _, Some(days)) => whole(days, "days", 1.0),
        (_, Some(distance), ..) => whole(distance, item.unit().as_str(), item.unit().metres()),
        _ => window_words(item, today),
    }
}

impl Answer {
    fn of(stands: &CarForecast, would_be: &CarForecast, horizon_days: i64) -> Self {
        let (assessment, unit) = (&stands.assessment, stands.logs.distance_unit);
        let [now, then] = [stands, would_be].map(|forecast| Case::of(forecast, unit, horizon_days));
        let new = would_be.assessment.notes.iter().filter(|note| !assessment.notes.contains(note));
        Self {
            today: assessment.today,
            lead_ends: assessment.lead_ends,
            unit,
            stands: now,
            would_be: then,
            notes: new.map(|note| say::in_words(note, assessment.today)).collect(),
        }
    }

    /// What the medians of both edges do.
    fn sentence(&self) -> String {
        let say = |day| say::day(day, self.today);
        let moved = |edge, [_, before, _]: [Option<NaiveDate>; 3], [_, after, _]: [Option<NaiveDate>; 3]| match before {
            Some(day) if before == after && day <= self.today => {
                format!("The {edge} edge was reached on {}.", say(day))
            }
            Some(day) if before == after => format!("The {edge} edge stays on {}.", say(day)),
            _ => moved_words(edge, before, after, say),
        };
        let early = moved("early", self.stands.early, self.would_be.early);
        format!("{early} {}", moved("late", self.stands.late, self.would_be.late))
    }

    fn rows(&self) -> Vec<[String; 3]> {
        let date =
            |date: Option<NaiveDate>| date.map_or_else(|| "no date".to_owned(), |date| say::day(date, self.today));
        let dates = |[soon, middle, late]: [Option<NaiveDate>; 3]| match middle {
            Some(_) if soon == late => date(middle),
            Some(_) => format!("{} ({} to {})", date(middle), date(soon), date(late)),
            None => date(None),
        };
        let far = |case: &Case| format!("{} a day", say::distance(case.metres_per_day, self.unit));
        let chance = |case: &Case| case.chance.map_or_else(|| "–".to_owned(), say::chance);
        let row = |name: &str, of: &dyn Fn(&Case) -> String| [name.to_owned(), of(&self.stands), of(&self.would_be)];
        vec![
            row("Early edge, four times in five", &|case| dates(case.early)),
            row("Late edge, four times in five", &|case| dates(case.late)),
            row(&format!("Beyond the late edge by {}", date(Some(self.lead_ends))), &chance),
            row("Window", &|case| case.window.clone()),
            row("Goes", &far),
            row("Duty", &|case| case.grade.clone()),
            row("Rule", &|case| case.rule.clone()),
            row("Depot", &|case| case.depot.clone()),
        ]
    }

    fn drawn(&self) -> Markup {
        let lines = self.stands.travel.as_ref().zip(self.would_be.travel.as_ref());
        html! {
            p.lead role="status" { (self.sentence()) }
            @if let Some(line) = lines.and_then(|(stands, would_be)| travel::compared(stands, would_be)) { (line) }
            section.scroll tabindex="0" aria-label="As it stands and as it would be" {
                table {
                    thead { tr { th scope="col" { "What" } th scope="col" { "As it stands" } th scope="col" { "As it would be" } } }
                    tbody {
                        @for [name, stands, would_be] in self.rows() {
                            tr { th scope="row" { (name) } td { (stands) } td { @if stands == would_be { "the same" } @else { strong { (would_be) } } } }
                        }
                    }
                }
            }
            @for note in &self.notes { p.note { (note) } }
        }
    }
}

/// The texts of the question as numbers, days and what they mean.
fn shifts_of(reader: &mut Reader<'_>, unit: DistanceUnit) -> Option<Shifts> {
    let mut within_most = |field: &str, most: f64| reader.maybe(field, |text| within(number(text)?, most));
    let shifts = Shifts {
        pattern: Pattern {
            days_per_week: within_most("days_per_week", MOST_DAYS),
            hours_per_day: within_most("hours_per_day", MOST_HOURS),
            rear_share: within_most("rear_percent", 100.0).map(|percent| percent / 100.0),
        },
        metres_per_driven_day: within_most("distance_per_day", furthest(unit)).map(|far| far * unit.metres()),
    };
    (shifts != Shifts::default()).then_some(shifts)
}

fn off_road_of(reader: &mut Reader<'_>) -> Option<OffRoad> {
    let (from, to) = (reader.maybe("off_from", values::date), reader.maybe("off_to", values::date));
    let Some(from) = from else {
        if to.is_some() {
            reader.wrong("off_from", "give its first day too");
        }
        return None;
    };
    off_road(from, to).map_err(|says| reader.wrong("off_to", says)).ok()
}

async fn wish_of(
    app: &App,
    visitor: &Visitor,
    fields: &Fields,
    stands: &CarForecast,
) -> Result<Result<WhatIf, Conflict>, Refusal> {
    let actor = &visitor.caller.actor;
    let mut reader = Reader::new(fields);
    let mut wish = WhatIf {
        shifts: shifts_of(&mut reader, stands.logs.distance_unit),
        off_road: off_road_of(&mut reader).into_iter().collect(),
        ..WhatIf::default()
    };
    if let Some(code) = fields.get("depot") {
        wish.depot = app.depot_seen(actor, code).await?;
        if wish.depot.is_none() {
            reader.wrong("depot", "choose a depot of the list");
        }
    }
    if let Some(code) = fields.get("rule") {
        wish.rule = app.rule_seen(actor, code, stands.rule.kind).await?;
        if wish.rule.is_none() {
            reader.wrong("rule", "choose a rule of the list");
        }
    }
    Ok(reader.finish(Some(wish)))
}

/// The answer, or what is wrong with the question.
async fn answer(
    app: &App,
    visitor: &Visitor,
    fields: &Fields,
    stands: &CarForecast,
) -> Result<Result<Answer, Conflict>, Refusal> {
    let wish = match wish_of(app, visitor, fields, stands).await? {
        Ok(wish) => wish,
        Err(conflict) => return Ok(Err(conflict)),
    };
    Ok(match app.would_be(stands, wish).await? {
        Some(Ok(would_be)) => Ok(Answer::of(stands, &would_be, app.settings.due.horizon_days)),
        Some(Err(untold)) => {
            let (field, reason) = untold_words(untold);
            Err(Conflict::Field { field, reason: reason.to_owned() })
        }
        None => Err(Conflict::Field { field: "depot", reason: "no service rule would apply to it there".to_owned() }),
    })
}

impl Question {
    pub(super) async fn of(
        app: &App,
        visitor: &Visitor,
        fields: Fields,
        stands: &CarForecast,
    ) -> Result<Self, Refusal> {
        let rules = app.store.rules("", visitor.key_depots_of(), ALL_RULES).await?;
        let rules = rules.into_iter().filter(|rule| rule.kind == stands.rule.kind);
        let mut question = Self {
            car: stands.logs.unit.clone(),
            unit: stands.logs.distance_unit,
            depots: choices(&depots_seen(app, visitor, None).await?),
            rules: rules.map(|rule| (rule.code.clone(), rule.code)).collect(),
            tried: None,
            answer: None,
        };
        if FIELDS.iter().any(|field| fields.get(field).is_some()) {
            let faults = match answer(app, visitor, &fields, stands).await? {
                Ok(answer) => {
                    question.answer = Some(answer);
                    Vec::new()
                }
                Err(conflict) => faults_of(&conflict),
            };
            question.tried = Some(Tried { form: NAME.to_owned(), fields, faults });
        }
        Ok(question)
    }

    /// Whether something is wrong with what was asked.
    pub(super) fn is_wrong(&self) -> bool {
        self.tried.as_ref().is_some_and(|tried| !tried.faults.is_empty())
    }

    fn form(&self, visitor: &Visitor) -> Markup {
        let form = Form::new(visitor, NAME, self.tried.as_ref());
        let far = format!("Distance on a driven day, {}", self.unit);
        html! {
            form method="get" action=(format!("{}#what-if", car_address(&self.car))) {
                fieldset {
                    legend { "Other shifts, from its last reading on" }
                    div.pair {
                        (form.number("days_per_week", "Driven days a week", None))
                        (form.number("hours_per_day", "Hours on duty a driven day", None))
                        (form.number("rear_percent", "Rear seat taken, % of trips", None))
                        (form.number("distance_per_day", &far, None))
                    }
                    p.note { "What is left empty stays as its logs have it; without a distance it keeps its mean speed." }
                }
                div.pair {
                    (form.line("off_from", "Off the road from", "date", None))
                    (form.line("off_to", "to, both days included", "date", None))
                    div { (form.wrong("depot")) (select("depot", "Moved today to", "its own depot", &self.depots, form.value("depot", None))) }
                    div { (form.wrong("rule")) (select("rule", "By the rule", "the one that applies", &self.rules, form.value("rule", None))) }
                }
                button type="submit" { "Show what would be" }
                @if self.tried.is_some() { " " a.button.quiet href=(format!("{}#what-if", car_address(&self.car))) { "Clear" } }
            }
        }
    }

    pub(super) fn drawn(&self, visitor: &Visitor) -> Markup {
        html! {
            section aria-labelledby="what-if" {
                h2 #what-if { "What if" }
                @if let Some(answer) = &self.answer { (answer.drawn()) }
                @if self.is_wrong() { p.fault role="alert" { "Nothing was worked out: see what is wrong beside each field." } }
                details open[self.tried.is_some()] {
                    summary { "Try other shifts, a week off the road, another depot or rule" }
                    p.note { "This is only worked out and shown: nothing is saved, no order changes." }
                    (self.form(visitor))
                }
            }
        }
    }
}

/// A question that was answered: fewer days a week.
#[cfg(test)]
pub(super) fn sample() -> Question {
    let today = "2026-03-18".parse().unwrap_or_default();
    let case = |item: Item, metres_per_day| Case {
        early: item.early,
        late: item.late,
        window: window_of(&item, today),
        grade: item.grade.clone(),
        metres_per_day,
        chance: item.chance_past_late,
        rule: "<b>default</b>".to_owned(),
        depot: "NORTH".to_owned(),
        travel: Travel::of(&item, today),
    };
    let item = crate::app::item::sample();
    let date = |text: &str| text.parse::<NaiveDate>().ok();
    let later = Item { late: [date("2026-05-01"), date("2026-05-14"), date("2026-06-02")], ..item.clone() };
    Question {
        car: "<7>".to_owned(),
        unit: DistanceUnit::Mile,
        depots: vec![("N<1>".to_owned(), "North & yard".to_owned())],
        rules: vec![("<b>default</b>".to_owned(), "<b>default</b>".to_owned())],
        tried: Some(Tried { form: NAME.to_owned(), fields: Fields::read(b"days_per_week=4"), faults: Vec::new() }),
        answer: Some(Answer {
            today,
            lead_ends: date("2026-04-01").unwrap_or_default(),
            unit: DistanceUnit::Mile,
            stands: case(item, 280_000.0),
            would_be: case(later, 190_000.0),
            notes: vec!["<i>".to_owned()],
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::keys::Scope;
    use crate::board::frame::samples::visitor;

    #[test]
    fn both_cases_stand_side_by_side() {
        let text = sample().drawn(&visitor(&[Scope::Read])).into_string();
        assert!(
            text.contains(
                "The early edge stays on Thu 26 Mar. The late edge would be \
                 reached on Thu 14 May instead of Thu 23 Apr: 21 days later."
            ),
            "{text}"
        );
        assert!(
            text.contains(
                "<td>Thu 23 Apr (Thu 16 Apr to Sat 2 May)</td><td><strong>Thu 14 May (Fri 1 May to Tue 2 Jun)"
            ),
            "{text}"
        );
        assert!(text.contains(r#"<th scope="row">Window</th><td>20,000 to 25,000 mi</td><td>the same</td>"#), "{text}");
        assert!(text.contains(r#"method="get" action="/board/cars/%3C7%3E#what-if""#), "{text}");
        assert!(text.contains(r#"name="days_per_week" id="what-if-days-per-week" value="4""#), "{text}");
        assert!(text.contains("compared-title") && !text.contains("csrf"), "{text}");
        assert!(
            !text.contains("<b>") && !text.contains("<i>") && !text.contains("<7>") && !text.contains("style="),
            "{text}"
        );
    }

    fn wrong(query: &[u8]) -> Vec<String> {
        let fields = Fields::read(query);
        let mut reader = Reader::new(&fields);
        let made = (shifts_of(&mut reader, DistanceUnit::Mile), off_road_of(&mut reader));
        reader
            .finish(Some(made))
            .err()
            .map(|conflict| faults_of(&conflict))
            .unwrap_or_default()
            .into_iter()
            .map(|fault| fault.pointer)
            .collect()
    }

    #[test]
    fn a_fault_names_its_field() {
        assert_eq!(
            wrong(b"days_per_week=8&hours_per_day=long&rear_percent=101"),
            ["/days_per_week", "/hours_per_day", "/rear_percent"]
        );
        assert_eq!(wrong(b"off_to=2026-04-01"), ["/off_from"]);
        assert_eq!(wrong(b"off_from=2026-04-02&off_to=2026-04-01"), ["/off_to"]);
        assert_eq!(wrong(b"days_per_week=4,5&rear_percent=65&off_from=2026-04-02"), [""; 0]);
    }
}
