//! The steps of an order: what is done, what stands recorded, and the form of what each must record.

use maud::{Markup, html};
use ventmile_model::work::{Ask, Entry, GearKind, Record, Role, Step};

use super::order::{View, Work, told};
use crate::board::asked::Choice;
use crate::board::guard::Visitor;
use crate::board::posted::Form;
use crate::board::say;

/// A step with what is recorded at it.
#[derive(Debug)]
pub(super) struct StepView {
    pub step: Step,
    /// Entries that count, oldest first, and whether each was told late.
    pub entries: Vec<(Entry, bool)>,
    /// What stands before it.
    pub missing: Vec<String>,
}

/// A record's name in words, and what it is.
fn label(record: &Record) -> String {
    let name = record.name.replace('_', " ");
    let what = match &record.ask {
        Ask::Number { unit, low, high } => format!(", {low} to {high} {unit}"),
        Ask::Residual => ", volts".to_owned(),
        Ask::Photo => ": where the photo is (its name or address)".to_owned(),
        Ask::Name => ": who".to_owned(),
        Ask::Choice { .. } | Ask::Text => String::new(),
    };
    format!("{name}{what}{}", if record.required { "" } else { " (may be left out)" })
}

fn field(form: &Form<'_>, record: &Record, view: &View) -> Markup {
    let (name, label) = (format!("records/{}", record.name), label(record));
    match &record.ask {
        Ask::Choice { options, .. } => {
            let choices: Vec<Choice> =
                options.iter().map(|option| (option.clone(), option.replace('-', " "))).collect();
            form.choose("radio", &name, &label, &choices, None)
        }
        Ask::Number { .. } | Ask::Residual => form.number(&name, &label, None),
        Ask::Name => form.person(&name, &label, &view.people, None),
        Ask::Photo | Ask::Text => form.line(&name, &label, "text", None),
    }
}

/// Whether a step names gear.
fn names_gear(step: &Step) -> bool {
    !step.needs.gear.is_empty() || matches!(step.role, Role::Gloves | Role::Meter)
}

fn fields(form: &Form<'_>, step: &Step, view: &View) -> Markup {
    let holder = view.has.clone();
    let helpers: Vec<Choice> = view.people.iter().filter(|(code, _)| Some(code) != holder.as_ref()).cloned().collect();
    html! {
        @for record in &step.records { (field(form, record, view)) }
        @if names_gear(step) {
            @if view.gear.is_empty() { (form.line("gear", "Gear used: its id", "text", None)) }
            @else { (form.choose("checkbox", "gear", "Gear used", &view.gear, None)) }
        }
        @if step.needs.people > 1 || step.role == Role::Person {
            @if helpers.is_empty() { (form.line("with", "Who works with you", "text", None)) }
            @else { (form.choose("checkbox", "with", "Who works with you", &helpers, None)) }
        }
        (form.person("by", "Who did it", &view.people, view.has.as_deref()))
        input type="hidden" name="done_at" data-now="";
    }
}

fn needs(step: &Step) -> Markup {
    let gear: Vec<&str> = step.needs.gear.iter().copied().map(GearKind::as_str).collect();
    let mut needs = Vec::new();
    if step.needs.people > 1 {
        needs.push(format!("{} people", step.needs.people));
    }
    needs.extend(step.needs.certificate.iter().map(|name| format!("certificate {name}")));
    needs.extend(gear.iter().map(|name| (*name).to_owned()));
    needs.extend(step.needs.tools.iter().cloned());
    html! { @if !needs.is_empty() { p.note { "Needs " (needs.join(", ")) "." } } }
}

fn one(step: &StepView, view: &View, next: bool, visitor: &Visitor) -> Markup {
    let number = step.step.number;
    let name = format!("steps/{number}");
    let tried = view.tried.as_ref().is_some_and(|tried| tried.form == name);
    let done = !step.entries.is_empty();
    let sign = if done {
        "✓ recorded"
    } else if next {
        "▶ now"
    } else {
        "○ to come"
    };
    let form = || view.form(visitor, &name, "Record this step", |form| fields(form, &step.step, view));
    html! {
        li.step id=(format!("step-{number}")) data-state=(if done { "done" } else if next { "now" } else { "ahead" }) {
            h3 { (number) ". " (step.step.title) " " small { (sign) } }
            @if step.step.touches_high_voltage() { p.fault { "▲ High voltage: gloves on, lock-out stands." } }
            @for (entry, late) in &step.entries {
                p.entry { (say::time(entry.done_at, view.zone)) ": " (told(entry)) @if *late { " (told late)" } }
            }
            @if !done || next || tried { p { (step.step.text) } (needs(&step.step)) }
            @if next && !step.missing.is_empty() {
                p { "Still missing before it:" }
                ul { @for missing in &step.missing { li { (missing) } } }
            }
            @if view.may_record() {
                @if next || tried { (form()) }
                @else {
                    details {
                        summary { @if done { "Record it again" } @else { "Record it already" } }
                        (form())
                    }
                }
            }
        }
    }
}

/// The steps in their order.
pub(super) fn list(view: &View, work: &Work, visitor: &Visitor) -> Markup {
    html! {
        section aria-labelledby="steps" {
            h2 #steps { (work.title) }
            ol.steps { @for step in &work.steps { (one(step, view, work.next == Some(step.step.number), visitor)) } }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use ventmile_model::fleet::{DistanceUnit, Status};
    use ventmile_model::work::Needs;

    use super::*;
    use crate::app::keys::Scope;
    use crate::board::frame::samples::visitor;
    use crate::board::pages::order::page;
    use crate::board::posted::{Fields, Tried};
    use crate::store::Fault;

    fn step(number: u32, records: Vec<Record>) -> Step {
        let needs = Needs { people: 2, gear: vec![GearKind::Gloves], ..Needs::default() };
        Step {
            number,
            title: format!("<b>step {number}"),
            text: "Do & look".to_owned(),
            role: Role::Plain,
            opens_high_voltage: false,
            needs,
            records,
        }
    }

    fn sample() -> View {
        let at = "2026-03-18T16:00:00Z".parse().unwrap();
        let latch = Ask::Choice { options: vec!["seated".to_owned(), "<open>".to_owned()], pass: Vec::new() };
        let volts = Ask::Number { unit: "V".to_owned(), low: 0.0, high: 60.0 };
        let record = |name: &str, ask| Record { name: name.to_owned(), ask, required: true };
        let entry = Entry {
            step: 1,
            at,
            done_at: at,
            by: "kim".to_owned(),
            with: Vec::new(),
            records: BTreeMap::new(),
            gear: Vec::new(),
        };
        let first = StepView { step: step(1, Vec::new()), entries: vec![(entry, true)], missing: Vec::new() };
        let second = StepView {
            step: step(2, vec![record("latch", latch), record("volts", volts)]),
            entries: Vec::new(),
            missing: vec!["missing: <gloves>".to_owned()],
        };
        let work = Work {
            title: "Fan & duct".to_owned(),
            cautions: vec!["<i>Hot".to_owned()],
            steps: vec![first, second],
            next: Some(2),
            ..Work::default()
        };
        View {
            number: "WO-00007".to_owned(),
            unit: "<7>".to_owned(),
            depot: "NORTH".to_owned(),
            zone: chrono_tz::Tz::America__New_York,
            distance_unit: DistanceUnit::Mile,
            job: "fan service".to_owned(),
            replaces_pack: false,
            status: Status::InProcess,
            reasons: vec!["<u>noise".to_owned()],
            has: Some("kim".to_owned()),
            lease_until: None,
            paused: None,
            planned: None,
            short_of: Vec::new(),
            outcome: None,
            stops: Vec::new(),
            work: Some(work),
            people: vec![("kim".to_owned(), "Kim".to_owned()), ("lee".to_owned(), "<s>Lee".to_owned())],
            gear: vec![("G-1".to_owned(), "gloves G-1".to_owned())],
            version: 4,
            once: Some("k".to_owned()),
            tried: None,
        }
    }

    fn text(view: &View) -> String {
        page(view, &visitor(&[Scope::Read, Scope::Work])).into_string()
    }

    #[test]
    fn cautions_come_first_and_the_step_at_hand_has_its_form() {
        let text = text(&sample());
        let place = |what: &str| text.find(what).unwrap();
        assert!(
            place("Before anything else") < place("is at work") && place("▶ now") < place("records/latch"),
            "{text}"
        );
        for part in
            ["volts, 0 to 60 V", r#"value="seated""#, r#"name="with" value="lee""#, r#"name="gear" value="G-1""#]
        {
            assert!(text.contains(part), "{part}: {text}");
        }
        assert!(text.contains(r#"name="once" value="k.steps/2""#) && text.contains(r#"name="version" value="4""#));
        for hostile in ["<b>", "<i>", "<u>", "<s>", "<7>", "<open>", "<gloves>", "style="] {
            assert!(!text.contains(hostile), "{hostile}: {text}");
        }
    }

    #[test]
    fn a_refused_form_keeps_what_was_typed_and_says_what_is_missing_beside_it() {
        let tried = Tried {
            form: "steps/2".to_owned(),
            fields: Fields::read(b"records%2Flatch=seated&records%2Fvolts=61%22&by=lee"),
            faults: vec![Fault::new("/records/volts", "this is a number"), Fault::new("/steps/1", "missing: gloves")],
        };
        let text = text(&View { tried: Some(tried), ..sample() });
        assert!(text.contains(r#"value="seated" checked"#) && text.contains(r#"value="61&quot;""#), "{text}");
        assert!(
            text.contains(r#"id="steps-2-records-volts-fault""#) && text.contains(r#"aria-invalid="true""#),
            "{text}"
        );
        assert!(text.contains("missing: gloves") && text.contains(r#"value="lee" selected"#), "{text}");
    }

    #[test]
    fn who_may_not_work_sees_no_form_of_the_order() {
        let view = View { once: None, ..sample() };
        assert!(!page(&view, &visitor(&[Scope::Read])).into_string().contains("<form"));
    }
}
