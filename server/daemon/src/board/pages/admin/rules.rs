//! The service rules: how far a car may go between two services, and how early an order is raised.

use axum::extract::State;
use axum::response::{IntoResponse, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;
use serde_json::{Value, json};
use ventmile_model::fleet::Kind;

use super::{Fields, choice, field, needed, number, once, text};
use crate::app::App;
use crate::app::keys::Scope;
use crate::board::asked::{Choice, Sent, form, select};
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::interface::{Desk, segment};
use crate::board::pages::cars::{choices, depots_seen};
use crate::board::refusal::Refusal;
use crate::board::say;

#[derive(Clone, Copy, Debug, Deserialize)]
struct Edges {
    early: f64,
    late: f64,
}

#[derive(Clone, Copy, Debug, Default, Deserialize)]
struct Windows {
    distance: Option<Edges>,
    hours: Option<Edges>,
    days: Option<Edges>,
}

/// A rule.
#[derive(Clone, Debug, Deserialize)]
struct Rule {
    code: String,
    kind: String,
    depot: Option<String>,
    model: Option<String>,
    distance_unit: String,
    hard: Windows,
    ordinary: Option<Windows>,
    lead_days: i64,
    mixed: String,
    raise_chance: f64,
    version: i64,
}

/// The meters of a window and what they are called.
const METERS: [(&str, &str); 3] = [("distance", "Distance"), ("hours", "Duty hours"), ("days", "Days")];

/// The kinds of duty that have windows of their own.
const DUTIES: [(&str, &str); 2] = [("hard", "Hard duty"), ("ordinary", "Ordinary duty")];

impl Windows {
    fn edges(&self, meter: &str) -> Option<Edges> {
        match meter {
            "distance" => self.distance,
            "hours" => self.hours,
            _ => self.days,
        }
    }

    fn words(&self, unit: &str) -> String {
        let one = |(meter, _): (&str, &str)| {
            let Edges { early, late } = self.edges(meter)?;
            let unit = if meter == "distance" { unit } else { meter };
            Some(format!("{} to {} {unit}", say::number(early), say::number(late)))
        };
        METERS.into_iter().filter_map(one).collect::<Vec<_>>().join(", whichever comes first: ")
    }
}

impl Rule {
    fn windows(&self, duty: &str) -> Option<Windows> {
        if duty == "hard" { Some(self.hard) } else { self.ordinary }
    }

    fn cars(&self) -> String {
        match (&self.depot, &self.model) {
            (None, None) => "all cars".to_owned(),
            (Some(depot), None) => format!("cars of {depot}"),
            (None, Some(model)) => format!("cars of the model {model}"),
            (Some(depot), Some(model)) => format!("cars of the model {model} at {depot}"),
        }
    }
}

/// What the page shows.
struct View {
    rules: Vec<Rule>,
    depots: Vec<Choice>,
    /// Whether whoever looks may change them.
    may_change: bool,
    /// New for each page that is shown.
    once: String,
}

/// An edge as a field takes it: empty where there is none.
fn plain(edge: Option<f64>) -> String {
    edge.map(|edge| edge.to_string()).unwrap_or_default()
}

/// The fields that a new rule and a change share.
fn fields(rule: Option<&Rule>) -> Markup {
    let unit = rule.map_or("mi", |rule| rule.distance_unit.as_str());
    html! {
        (choice("Distances are in", "distance_unit", &[("mi", "miles"), ("km", "kilometres")], unit))
        @for (duty, name) in DUTIES {
            fieldset {
                legend { (name) }
                @let windows = rule.and_then(|rule| rule.windows(duty)).unwrap_or_default();
                @for (meter, label) in METERS {
                    @let edges = windows.edges(meter);
                    div.pair {
                        (field(&format!("{label}, early edge"), &format!("{duty}_{meter}_early"), "number", &plain(edges.map(|it| it.early)), false))
                        (field(&format!("{label}, late edge"), &format!("{duty}_{meter}_late"), "number", &plain(edges.map(|it| it.late)), false))
                    }
                }
            }
        }
        p.note { "What stays empty does not count. Without windows of their own, cars in ordinary duty go by those of hard duty." }
        (field("An order is raised so many days before the early edge", "lead_days", "number", &rule.map_or(14, |rule| rule.lead_days).to_string(), true))
        (choice("Mixed duty", "mixed", &[("strict", "the hardest duty since the service decides"), ("blended", "each mile uses up its share")], rule.map_or("strict", |rule| &rule.mixed)))
        (field("… or when the chance to run past the late edge within these days is above (0 to 1)", "raise_chance", "number", &rule.map_or(0.1, |rule| rule.raise_chance).to_string(), true))
    }
}

fn one(rule: &Rule, visitor: &Visitor, may_change: bool) -> Markup {
    html! {
        section {
            h2 { (rule.code) }
            p { "For the " (rule.kind.replace('-', " ")) " of " (rule.cars()) "." }
            dl.facts {
                @for (duty, name) in DUTIES {
                    div { dt { (name) } dd { (rule.windows(duty).map_or("as in hard duty".to_owned(), |set| set.words(&rule.distance_unit))) } }
                }
                div { dt { "Order raised" } dd { (rule.lead_days) " days ahead, or at a chance above " (say::chance(rule.raise_chance)) } }
                div { dt { "Mixed duty" } dd { (rule.mixed) } }
            }
            @if may_change {
                details {
                    summary { "Change " (rule.code) }
                    (form(visitor, "/board/rules/change", &html! {
                        input type="hidden" name="code" value=(rule.code);
                        input type="hidden" name="version" value=(rule.version);
                        (fields(Some(rule)))
                        button type="submit" { "Save the change" }
                    }))
                }
            }
        }
    }
}

fn page(view: &View, visitor: &Visitor) -> Markup {
    html! {
        h1 { "Service rules" }
        p.lead { "From its last service a car has its window: the early and the late edge. The rule that names a car's depot and model \
                  comes before one that names its depot, then its model, then all." }
        @if view.rules.is_empty() { p { "There are no rules yet, so nothing falls due." } }
        @for rule in &view.rules { (one(rule, visitor, view.may_change)) }
        @if view.may_change {
            h2 { "Add a rule" }
            details {
                summary { "Open the form" }
                (form(visitor, "/board/rules/add", &html! {
                    input type="hidden" name="once" value=(view.once);
                    (field("Code", "code", "text", "", true))
                    @let kinds = Kind::ALL.iter().map(|kind| (kind.as_str(), kind.as_str())).collect::<Vec<_>>();
                    (choice("Job", "kind", &kinds, "fan-service"))
                    (select("depot", "Only for the depot", "All depots", &view.depots, None))
                    (field("Only for the model", "model", "text", "", false))
                    (fields(None))
                    button type="submit" { "Add the rule" }
                }))
            }
        }
    }
}

pub(in crate::board) async fn show(State(app): State<App>, visitor: Visitor, desk: Desk) -> Result<Response, Refusal> {
    let depots = depots_seen(&app, &visitor, None).await?;
    let rules = desk.all("/v1/service-rules").await?;
    let made = Made::now(&app, &depots, None);
    let view = View { rules, depots: choices(&depots), may_change: visitor.may(Scope::Admin), once: once(made) };
    let frame = Frame { title: "Service rules", here: "/board/rules", visitor: Some(&visitor), made, scripts: &[] };
    Ok(frame.page(&page(&view, &visitor)))
}

/// The windows that a form gives for a duty; null where it gives none.
fn windows(fields: &Fields, duty: &str) -> Result<Value, Refusal> {
    let mut set = serde_json::Map::new();
    for (meter, _) in METERS {
        let edge = |edge: &str| number(fields, &format!("{duty}_{meter}_{edge}"));
        let (early, late) = (edge("early")?, edge("late")?);
        if early.is_some() || late.is_some() {
            // One edge alone is a window without width.
            let (early, late) = (early.or(late), late.or(early));
            set.insert(meter.to_owned(), json!({"early": early, "late": late}));
        }
    }
    Ok(if set.is_empty() { Value::Null } else { Value::Object(set) })
}

/// What a new rule and a change share.
fn body(fields: &Fields) -> Result<serde_json::Map<String, Value>, Refusal> {
    let hard = windows(fields, "hard")?;
    let lead_days = number(fields, "lead_days")?.map(|days| json!(days as i64));
    let given = [
        ("distance_unit", text(fields, "distance_unit")),
        ("hard", Some(if hard.is_null() { json!({}) } else { hard })),
        ("ordinary", Some(windows(fields, "ordinary")?)),
        ("lead_days", lead_days),
        ("mixed", text(fields, "mixed")),
        ("raise_chance", number(fields, "raise_chance")?.map(Value::from)),
    ];
    Ok(given.into_iter().filter_map(|(name, value)| Some((name.to_owned(), value?))).collect())
}

pub(in crate::board) async fn change(desk: Desk, Sent(fields): Sent<Fields>) -> Result<Response, Refusal> {
    let (code, version) = (needed(&fields, "code")?, needed(&fields, "version")?);
    let path = format!("/v1/service-rules/{}", segment(code));
    desk.patch(&path, version, &Value::Object(body(&fields)?)).await?;
    Ok(Redirect::to("/board/rules").into_response())
}

pub(in crate::board) async fn add(desk: Desk, Sent(fields): Sent<Fields>) -> Result<Response, Refusal> {
    let mut rule = body(&fields)?;
    for name in ["code", "kind", "depot", "model"] {
        rule.extend(text(&fields, name).map(|value| (name.to_owned(), value)));
    }
    let once = format!("board-rule-{}-{}", needed(&fields, "code")?, needed(&fields, "once")?);
    desk.post::<Value>("/v1/service-rules", &once, &Value::Object(rule)).await?;
    Ok(Redirect::to("/board/rules").into_response())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::frame::samples::visitor;

    fn rule() -> Rule {
        let edges = |early, late| Some(Edges { early, late });
        Rule {
            code: "<script>fan</script>".to_owned(),
            kind: "fan-service".to_owned(),
            depot: Some("N<1>".to_owned()),
            model: None,
            distance_unit: "mi".to_owned(),
            hard: Windows { distance: edges(20_000.0, 25_000.0), hours: edges(900.0, 1_000.0), days: None },
            ordinary: None,
            lead_days: 14,
            mixed: "strict".to_owned(),
            raise_chance: 0.1,
            version: 3,
        }
    }

    #[test]
    fn names_are_text_and_only_who_may_change_sees_the_forms() {
        let shown = |may_change| {
            let view = View { rules: vec![rule()], depots: Vec::new(), may_change, once: String::new() };
            page(&view, &visitor(&[Scope::Read])).into_string()
        };
        assert!(!shown(true).contains("<script>"));
        assert!(
            shown(false).contains("20,000 to 25,000 mi, whichever comes first: 900 to 1,000 hours"),
            "{}",
            shown(false)
        );
        assert!(shown(true).contains("/board/rules/change") && !shown(false).contains("<form"));
        assert!(shown(true).contains(r#"name="version" value="3""#));
    }

    #[test]
    fn a_form_becomes_windows() {
        let fields =
            |pairs: &[(&str, &str)]| pairs.iter().map(|(a, b)| ((*a).to_owned(), (*b).to_owned())).collect::<Fields>();
        let given = fields(&[("hard_distance_early", "20000"), ("hard_distance_late", "25000"), ("lead_days", "7")]);
        let expected =
            json!({"hard": {"distance": {"early": 20000.0, "late": 25000.0}}, "ordinary": null, "lead_days": 7});
        assert_eq!(Value::Object(body(&given).unwrap()), expected);
        assert!(body(&fields(&[("hard_days_late", "soon")])).unwrap_err().says.contains("hard days late"));
    }
}
