//! The forms of the day's page: a slot's yes or no, days to spare, what drivers and the road tell.

use chrono::NaiveDate;
use maud::{Markup, html};

use super::cars;
use super::day::{Slot, Stands, View};
use crate::app::symptoms::{HEAT, SMELL_OR_HEAT, SYMPTOMS};
use crate::board::guard::Visitor;
use crate::board::posted::{Form, Sending};
use crate::board::say;
use crate::store::WindowRecord;

/// Days on which a car can be spared.
#[derive(Clone, Debug)]
pub(super) struct Spare {
    pub(super) id: i64,
    pub(super) unit: String,
    pub(super) from: NaiveDate,
    pub(super) to: NaiveDate,
    pub(super) note: Option<String>,
}

impl Spare {
    pub(super) fn of(record: &WindowRecord) -> Self {
        Self { id: record.id, unit: record.unit.clone(), from: record.from, to: record.to, note: record.note.clone() }
    }

    /// The days in words.
    fn days(&self, today: NaiveDate) -> String {
        let from = say::day(self.from, today);
        if self.from == self.to { from } else { format!("{from} to {}", say::day(self.to, today)) }
    }
}

/// What says on which page the answer is to be shown.
fn ground(view: &View) -> Markup {
    html! {
        input type="hidden" name="date" value=(view.date);
        @if let Some(depot) = &view.query.depot { input type="hidden" name="depot" value=(depot); }
    }
}

/// Whether this form was refused, so that it is shown open.
fn was_tried(view: &View, form: &str) -> bool {
    view.tried.as_ref().is_some_and(|tried| tried.form == form)
}

/// Yes or no to a slot, where the key may plan.
pub(super) fn answer(slot: &Slot, view: &View, visitor: &Visitor) -> Markup {
    let Some(once) = &view.once else { return html! {} };
    let form = |act: &str, button: &str, inner: &dyn Fn(&Form<'_>) -> Markup| {
        let name = format!("{act}/{}", slot.number);
        let form = Form::new(visitor, &name, view.tried.as_ref());
        let says = format!("{}: {button}", slot.unit);
        let sending = Sending { about: &slot.number, says: &says, once, version: Some(slot.version) };
        let inner = html! { (ground(view)) (inner(&form)) };
        form.around(&format!("/board/day/slots/{}/{act}", slot.number), &sending, button, &inner)
    };
    let who = visitor.caller.actor.name.as_str();
    html! {
        @if slot.stands == Stands::Asks {
            (form("confirm-slot", "It comes", &|_| html! { input type="hidden" name="by" value=(who); }))
        }
        details open[was_tried(view, &format!("refuse-slot/{}", slot.number))] {
            summary { "It cannot come" }
            (form("refuse-slot", "Refuse the slot", &|form| html! {
                (form.line("reason", "Why", "text", None))
                (form.line("by", "Who says so", "text", Some(who)))
            }))
        }
    }
}

fn spared(one: &Spare, view: &View, visitor: &Visitor) -> Markup {
    let name = format!("withdraw/{}", one.id);
    let form = Form::new(visitor, &name, view.tried.as_ref());
    let says = format!("{}: take back its days", one.unit);
    html! {
        li {
            a.unit href=(cars::car_address(&one.unit)) { (one.unit) } " " (one.days(view.today))
            @if let Some(note) = &one.note { ", " (note) }
            @if let Some(once) = &view.once {
                (form.around(
                    &format!("/board/day/spare/{}/withdraw", one.id),
                    &Sending { about: &name, says: &says, once, version: None },
                    "Take back",
                    &ground(view),
                ))
            }
        }
    }
}

/// Days on which cars can be spared, and the form for more.
pub(super) fn spare(view: &View, visitor: &Visitor) -> Markup {
    let form = Form::new(visitor, "spare", view.tried.as_ref());
    html! {
        section aria-labelledby="spare" {
            h2 #spare { "Days to spare" }
            p.note { "A car that has such days is planned within them only; one without is planned for any day." }
            @if view.spare.is_empty() { p { "No car has any from this day on." } }
            @else { ul.spare { @for one in &view.spare { (spared(one, view, visitor)) } } }
            @if let Some(once) = &view.once {
                details open[was_tried(view, "spare")] {
                    summary { "Spare a car" }
                    (form.around(
                        "/board/day/spare",
                        &Sending { about: "spare", says: "Spare a car", once, version: None },
                        "Spare it",
                        &html! {
                            (ground(view))
                            (form.line("unit", "Unit number", "text", None))
                            div.pair {
                                (form.line("from", "First day", "date", None))
                                (form.line("to", "Last day (empty: that one day)", "date", None))
                            }
                            (form.line("note", "What else is to be noted", "text", None))
                        },
                    ))
                }
            }
        }
    }
}

/// Symptoms as a choice; what to do at once stands with the one that asks for it.
fn symptoms() -> Vec<(String, String)> {
    let words = |name: &str| match name {
        HEAT => format!("smell or heat: {SMELL_OR_HEAT}"),
        other => other.replace('-', " "),
    };
    SYMPTOMS.iter().map(|(name, _)| ((*name).to_owned(), words(name))).collect()
}

/// What a driver or the road tells, where the key may plan.
pub(super) fn tell(view: &View, visitor: &Visitor) -> Markup {
    let Some(once) = &view.once else { return html! {} };
    let who = visitor.caller.actor.name.as_str();
    let form = |name: &str, title: &str, inner: &dyn Fn(&Form<'_>) -> Markup| {
        let form = Form::new(visitor, name, view.tried.as_ref());
        let sending = Sending { about: name, says: title, once, version: None };
        html! {
            details open[was_tried(view, name)] {
                summary { (title) }
                (form.around(&format!("/board/day/{name}"), &sending, "Tell it", &html! {
                    (ground(view))
                    (form.line("unit", "Unit number", "text", None))
                    (inner(&form))
                    (form.line("told", "What happened, in the driver's words", "text", None))
                    (form.line("at", "When, local time (empty: now)", "datetime-local", None))
                    (form.line("by", "Who tells it: a number or code, no name, since it stands in the journal", "text", Some(who)))
                }))
            }
        }
    };
    html! {
        section.acts aria-labelledby="tell" {
            h2 #tell { "Something happened" }
            (form("breakdowns", "A car broke down", &|_| html! {
                p.note { "An order is raised or joined, and the car is off the road until it is returned to service." }
            }))
            (form("reports", "A driver reports a symptom", &|form| form.choose("radio", "symptom", "What", &symptoms(), None)))
        }
    }
}
