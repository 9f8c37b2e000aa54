//! Changes of what a car is used for: another depot, told shifts, and back.

use chrono::NaiveDate;

use super::filter::{Brought, Snapshot, UsageFilter};
use super::fit::Coefficients;
use super::told::{Pace, Told};
use super::week::Week;
use super::{Outlook, Prior, Settings, day_number};

/// A change of what a car is used for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// The first day of it.
    pub on: NaiveDate,
    /// What it is used for from then on.
    pub to: Use,
}

/// What a car is used for from a day on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Use {
    /// The work of another depot, whose cars do so much.
    Depot(Prior),
    /// Shifts somebody told.
    Shifts(Told),
    /// What it was used for before the last told shifts, unless it has moved since.
    Before,
}

/// What of a change shapes what is counted; how much a day is to bring from then on does not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(super) struct Bend {
    on: NaiveDate,
    to: BendTo,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
enum BendTo {
    Depot,
    /// Shifts, on other weekdays than before or on the same.
    Shifts {
        other_days: bool,
    },
    Before,
}

impl Change {
    pub(super) fn bend(&self) -> Bend {
        let to = match &self.to {
            Use::Depot(_) => BendTo::Depot,
            Use::Shifts(told) => BendTo::Shifts { other_days: told.pattern.days_per_week.is_some() },
            Use::Before => BendTo::Before,
        };
        Bend { on: self.on, to }
    }
}

/// What of a day is counted.
#[derive(Clone, Copy)]
pub(super) enum Measure {
    Metres,
    Hours,
}

impl Measure {
    /// The rate of a depot's cars, or the assumed one.
    fn rate(self, prior: &Prior, settings: &Settings) -> f64 {
        match self {
            Self::Metres => prior.metres_per_day.unwrap_or(settings.assumed_metres_per_day),
            Self::Hours => prior.hours_per_day.unwrap_or(settings.assumed_hours_per_day),
        }
    }

    const fn pace(self, told: &Told) -> Pace {
        match self {
            Self::Metres => told.metres,
            Self::Hours => told.hours,
        }
    }
}

/// What is known of one meter since the last change, and what it was before.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
struct State {
    filter: UsageFilter,
    total: f64,
    /// Days counted, those before the first driven one among them.
    days: i64,
    begun: Option<Box<Begun>>,
}

/// How a meter began anew.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
struct Begun {
    /// Place of the change in the list; what it says may be another thing tomorrow, and is looked up there.
    change: usize,
    before: State,
}

/// What was counted on one meter.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct Count {
    state: State,
    /// How many of the changes have come.
    changes: usize,
}

/// A meter being counted.
pub(super) struct Counted<'a> {
    count: Count,
    changes: &'a [Change],
}

impl<'a> Counted<'a> {
    /// Goes on from `count`; `changes` in order.
    pub(super) const fn new(count: Count, changes: &'a [Change]) -> Self {
        Self { count, changes }
    }

    pub(super) fn step(&mut self, day: &Brought) {
        self.turn_by(day.number);
        let state = &mut self.count.state;
        state.total += state.filter.step(day);
        state.days += 1;
    }

    /// What was counted, the changes after the last day not looked at.
    pub(super) fn count(self) -> Count {
        self.count
    }

    /// What is known after the last change.
    pub(super) fn finish(&mut self, measure: Measure) -> Known<'_> {
        self.turn_by(i64::MAX);
        Known { state: &self.count.state, changes: self.changes, measure }
    }

    fn turn_by(&mut self, number: i64) {
        while let Some(change) = self.changes.get(self.count.changes)
            && day_number(change.on) <= number
        {
            self.turn(&change.to);
            self.count.changes += 1;
        }
    }

    fn turn(&mut self, to: &Use) {
        let state = std::mem::take(&mut self.count.state);
        self.count.state = match to {
            Use::Before => self.ended(state),
            Use::Shifts(told) if told.pattern.days_per_week.is_some() => self.begun(UsageFilter::default(), state),
            Use::Shifts(_) | Use::Depot(_) => self.begun(state.filter.anew(), state),
        };
    }

    fn begun(&self, filter: UsageFilter, before: State) -> State {
        State { filter, begun: Some(Box::new(Begun { change: self.count.changes, before })), ..State::default() }
    }

    /// The state before told shifts, where it is in such.
    fn ended(&self, state: State) -> State {
        let told = |begun: &Begun| self.changes.get(begun.change).is_some_and(|change| is_told(&change.to));
        match state.begun {
            Some(begun) if told(&begun) => begun.before,
            _ => state,
        }
    }
}

const fn is_told(to: &Use) -> bool {
    matches!(to, Use::Shifts(_))
}

/// What is known of one meter, and what the changes say that it began anew with.
#[derive(Clone, Copy)]
pub(super) struct Known<'a> {
    state: &'a State,
    changes: &'a [Change],
    measure: Measure,
}

impl<'a> Known<'a> {
    /// With what it began anew, and what was known before.
    fn begun(&self) -> Option<(&'a Use, Self)> {
        let begun = self.state.begun.as_deref()?;
        let change = self.changes.get(begun.change)?;
        Some((&change.to, Self { state: &begun.before, ..*self }))
    }

    /// The same, while there are few days since.
    fn lately(&self) -> Option<(&'a Use, Self)> {
        self.begun().filter(|_| (self.state.days as f64) < Snapshot::SETTLED_DAYS)
    }

    /// Whether told shifts began so lately that the car does not stand for itself.
    pub(super) fn is_told(&self) -> bool {
        self.lately().is_some_and(|(to, _)| is_told(to))
    }

    /// Whether a car with a history moved so lately.
    pub(super) fn is_moved(&self) -> bool {
        let has_history = |before: &Self| before.is_told() || before.state.filter.features().is_some();
        self.lately().is_some_and(|(to, before)| matches!(to, Use::Depot(_)) && has_history(&before))
    }

    pub(super) fn week(&self, own: bool) -> Week {
        if own { self.state.filter.week() } else { Week::default() }
    }

    /// What is known of the meter, and the outlook; `own` where there are days enough in all.
    pub(super) fn outlook(
        &self,
        own: bool,
        prior: &Prior,
        settings: &Settings,
        coefficients: &Coefficients,
    ) -> (Option<Snapshot>, Outlook) {
        let spread = settings.borrowed_spread;
        let enough = self.state.days >= settings.min_days.max(1);
        let rate = self.measure.rate(prior, settings);
        let Some((to, before)) = self.begun() else { return self.by_itself(own, rate, spread, coefficients) };
        let outlook_before = || before.outlook(own, prior, settings, coefficients);
        match to {
            Use::Depot(there) => {
                let there = self.measure.rate(there, settings);
                let level = if before.is_told() {
                    Some(outlook_before().1.level())
                } else {
                    before.state.filter.features().map(|features| features.level)
                };
                let Some(level) = level else { return self.by_itself(enough, there, spread, coefficients) };
                let spread = spread * std::f64::consts::FRAC_1_SQRT_2;
                self.by_itself(enough, f64::midpoint(level, there), spread, coefficients)
            }
            Use::Shifts(told) => {
                let (known, before) = outlook_before();
                let told = before.at(self.measure.pace(told), spread);
                if enough { self.by_itself(true, told.level(), spread, coefficients) } else { (known, told) }
            }
            // Nothing begins anew by going back.
            Use::Before => self.by_itself(own, rate, spread, coefficients),
        }
    }

    fn by_itself(
        &self,
        enough: bool,
        prior: f64,
        spread: f64,
        coefficients: &Coefficients,
    ) -> (Option<Snapshot>, Outlook) {
        let State { filter, total, days, .. } = self.state;
        match filter.snapshot(*total) {
            Some(known) if enough => (Some(known), Outlook::of(&known, prior, spread, coefficients)),
            None if enough && *days > 0 => (None, Outlook::STANDING),
            _ => (None, Outlook::borrowed(prior, spread)),
        }
    }
}
