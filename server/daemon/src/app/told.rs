//! What a car is told, turn by turn: other shifts, their end, another depot.

use chrono::{Days, NaiveDate};
use ventmile_model::duty::{Evidence, Pattern};
use ventmile_model::fleet::Rule;
use ventmile_model::usage::{Change, Prior, Shifts, Told, Untold, Use};

use crate::store::{CarLogs, Planned, Usual};

/// A depot a car is told to move to: by which rule it is served there, and what its cars do in a day.
#[derive(Clone, Copy, Debug)]
pub struct Elsewhere {
    /// Number of the depot.
    pub depot_id: i64,
    /// The rule.
    pub rule: Rule,
    /// The usual day.
    pub usual: Usual,
}

/// A day from which on a car is used otherwise.
#[derive(Clone, Debug)]
pub(super) struct Turn {
    /// The change.
    pub change: Change,
    /// What is told, in words.
    pub words: String,
    /// The rule from then on.
    pub rule: Rule,
    /// The shifts told for the days from then on, and since when.
    pub shifts: Option<(NaiveDate, Pattern)>,
}

/// What is told, in order of days, and what cannot be counted.
#[derive(Clone, Debug, Default)]
pub(super) struct Turns {
    pub turns: Vec<Turn>,
    pub notes: Vec<String>,
}

/// The usual day as the usage model takes it.
pub(super) const fn prior(usual: Usual) -> Prior {
    Prior { metres_per_day: usual.metres_per_day, hours_per_day: usual.hours_per_day }
}

/// A day after which something is told: shifts that end, a move, shifts that begin, in this order on one day.
enum Event<'a> {
    Ended,
    Moved,
    Moves(i64, &'a str),
    Shifts(&'a Shifts, Option<NaiveDate>),
}

impl Event<'_> {
    const fn place(&self) -> u8 {
        match self {
            Self::Ended => 0,
            Self::Moved | Self::Moves(..) => 1,
            Self::Shifts(..) => 2,
        }
    }
}

/// What a car was and is told; where `tried_on` is a day, other shifts than those told by then are tried out.
fn events(logs: &CarLogs, tried_on: Option<NaiveDate>) -> Vec<(NaiveDate, Event<'_>)> {
    let mut events: Vec<(NaiveDate, Event<'_>)> = logs.moved_on.map(|on| (on, Event::Moved)).into_iter().collect();
    for plan in &logs.plans {
        match &plan.told {
            Planned::Move { depot_id, depot, .. } => events.push((plan.from, Event::Moves(*depot_id, depot))),
            Planned::Shifts(_) if tried_on.is_some_and(|day| plan.from <= day) => {}
            Planned::Shifts(shifts) => {
                events.push((plan.from, Event::Shifts(shifts, plan.to)));
                let over = plan.to.and_then(|last| last.succ_opt());
                events.extend(over.map(|day| (day, Event::Ended)));
            }
        }
    }
    events.sort_by_key(|(day, event)| (*day, event.place()));
    events
}

/// The day up to which the logs say how the car was driven before shifts that begin on `from`: the first of shifts told
/// before them that have not ended yet, unless they have been driven for so long that the logs show these.
fn logs_until(logs: &CarLogs, from: NaiveDate, today: NaiveDate, window_days: i64) -> NaiveDate {
    let shows = |plan: &&crate::store::CarPlan| match plan.to {
        Some(to) => to >= today,
        None => (today - plan.from).num_days() < window_days,
    };
    let told = logs.plans.iter().filter(|plan| matches!(plan.told, Planned::Shifts(_)) && plan.from <= today);
    told.filter(shows).map(|plan| plan.from).fold(from.min(today), NaiveDate::min)
}

/// The turns of a car; `evidence` gives what the logs show of the days before one. Of shifts that were over by `heard_on` it
/// is not asked: how far they were to go says nothing of later days.
pub(super) fn turns(
    logs: &CarLogs,
    (rule, usual, elsewhere): (&Rule, Usual, &[Elsewhere]),
    tried_on: Option<NaiveDate>,
    (today, window_days): (NaiveDate, i64),
    heard_on: Option<NaiveDate>,
    evidence: impl Fn(NaiveDate) -> Evidence,
) -> Turns {
    let mut found = Turns::default();
    let (mut rule, mut there) = (*rule, prior(usual));
    // Shifts that hold, the last told ones last: those with an end give way to the ones before.
    let mut hold: Vec<(NaiveDate, Pattern)> = Vec::new();
    for (on, event) in events(logs, tried_on) {
        let (to, words) = match event {
            Event::Ended => {
                hold.pop();
                (Use::Before, "once the told shifts end".to_owned())
            }
            Event::Moved => {
                (Use::Depot(there), "by its days before its move, its depot's cars and its days since".to_owned())
            }
            Event::Moves(depot_id, depot) => {
                if let Some(place) = elsewhere.iter().find(|place| place.depot_id == depot_id) {
                    (rule, there) = (place.rule, prior(place.usual));
                }
                hold.clear();
                (Use::Depot(there), format!("by its days before its move to {depot} and that depot's cars"))
            }
            Event::Shifts(shifts, to) => {
                hold.push((on, shifts.pattern));
                let until = to.map(|to| format!(" until {to}")).unwrap_or_default();
                let over = to.zip(heard_on).is_some_and(|(to, heard_on)| to < heard_on);
                let told = || shifts.told(&evidence(logs_until(logs, on, today, window_days)));
                match if over { Ok(same_pace(shifts)) } else { told() } {
                    Ok(told) => (Use::Shifts(told), format!("as the shifts told from then on{until} bring")),
                    Err(untold) => {
                        found.notes.push(untold_note(on, untold));
                        (
                            Use::Shifts(same_pace(shifts)),
                            format!("as before: the shifts told from then on{until} do not say how far"),
                        )
                    }
                }
            }
        };
        found.turns.push(Turn { change: Change { on, to }, words, rule, shifts: hold.last().copied() });
    }
    found
}

/// Shifts of which only the grade is known.
fn same_pace(shifts: &Shifts) -> Told {
    use ventmile_model::usage::Pace;
    Told { pattern: shifts.pattern, metres: Pace::Times(1.0), hours: Pace::Times(1.0) }
}

fn untold_note(on: NaiveDate, untold: Untold) -> String {
    let wanted = match untold {
        Untold::DaysPerWeek => "on how many days a week it is driven",
        Untold::MetresPerDrivenDay => "how far it goes on a driven day of so many hours",
    };
    format!(
        "the shifts told from {on} on change no date by their distance: neither they nor the car's logs say {wanted}"
    )
}

/// What is told and not over, in words.
pub(super) fn notes(logs: &CarLogs, today: NaiveDate) -> impl Iterator<Item = String> {
    let standing = logs.plans.iter().filter(move |plan| plan.to.is_none_or(|to| to >= today));
    standing.filter_map(move |plan| {
        let until = plan.to.map(|to| format!(" until {to}")).unwrap_or_default();
        match &plan.told {
            Planned::Move { depot, .. } => Some(format!("told: it moves to {depot} on {}", plan.from)),
            // Shifts told long ago are what its logs show.
            Planned::Shifts(_) if plan.to.is_none() && plan.from + Days::new(60) < today => None,
            Planned::Shifts(shifts) => {
                Some(format!("told: from {}{until} it is driven {}", plan.from, shifts_in_words(shifts)))
            }
        }
    })
}

fn shifts_in_words(shifts: &Shifts) -> String {
    let pattern = &shifts.pattern;
    let days = pattern.days_per_week.map(|days| format!("on {days} days a week"));
    let hours = pattern.hours_per_day.map(|hours| format!("{hours} hours a day"));
    let rear =
        pattern.rear_share.map(|share| format!("with the rear seat taken on {:.0} % of its trips", share * 100.0));
    let far = shifts.metres_per_driven_day.map(|metres| format!("{:.0} km on a driven day", metres / 1e3));
    days.into_iter().chain(hours).chain(rear).chain(far).collect::<Vec<_>>().join(", ")
}
