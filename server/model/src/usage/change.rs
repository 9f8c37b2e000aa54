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

/// A change as one meter knows it.
#[derive(Clone, Copy)]
pub(super) struct Turn {
    /// Number of the day.
    on: i64,
    /// How it begins anew; `None` where it goes back to what was before.
    anew: Option<Anew>,
}

/// How a meter begins anew.
#[derive(Clone, Copy)]
enum Anew {
    /// At another depot, whose cars have this rate.
    Depot(f64),
    /// At a told pace; whether on the weekdays it was driven on before.
    Shifts(Pace, bool),
}

impl Turn {
    pub(super) fn of_metres(change: &Change, settings: &Settings) -> Self {
        let rate = |prior: &Prior| prior.metres_per_day.unwrap_or(settings.assumed_metres_per_day);
        Self::of(change, rate, |told| told.metres)
    }

    pub(super) fn of_hours(change: &Change, settings: &Settings) -> Self {
        let rate = |prior: &Prior| prior.hours_per_day.unwrap_or(settings.assumed_hours_per_day);
        Self::of(change, rate, |told| told.hours)
    }

    fn of(change: &Change, rate: impl Fn(&Prior) -> f64, pace: impl Fn(&Told) -> Pace) -> Self {
        let anew = match &change.to {
            Use::Depot(prior) => Some(Anew::Depot(rate(prior))),
            Use::Shifts(told) => Some(Anew::Shifts(pace(told), told.pattern.days_per_week.is_none())),
            Use::Before => None,
        };
        Self { on: day_number(change.on), anew }
    }
}

/// What is known of one meter since the last change, and what it was before.
#[derive(Clone, Default)]
pub(super) struct State {
    filter: UsageFilter,
    total: f64,
    /// Days counted, those before the first driven one among them.
    days: i64,
    begun: Option<Box<Begun>>,
}

#[derive(Clone)]
struct Begun {
    anew: Anew,
    before: State,
}

/// A meter being counted.
pub(super) struct Counted<'a> {
    state: State,
    turns: &'a [Turn],
}

impl<'a> Counted<'a> {
    /// Nothing counted yet; `turns` in order.
    pub(super) fn new(turns: &'a [Turn]) -> Self {
        Self { state: State::default(), turns }
    }

    pub(super) fn step(&mut self, day: &Brought) {
        self.turn_by(day.number);
        self.state.total += self.state.filter.step(day);
        self.state.days += 1;
    }

    /// What is known after the last change.
    pub(super) fn finish(mut self) -> State {
        self.turn_by(i64::MAX);
        self.state
    }

    fn turn_by(&mut self, number: i64) {
        while let [turn, rest @ ..] = self.turns
            && turn.on <= number
        {
            self.turns = rest;
            self.state = std::mem::take(&mut self.state).turned(turn.anew);
        }
    }
}

impl State {
    fn turned(self, anew: Option<Anew>) -> Self {
        let Some(anew) = anew else {
            return match self.begun {
                Some(begun) if matches!(begun.anew, Anew::Shifts(..)) => begun.before,
                _ => self,
            };
        };
        let filter = match anew {
            Anew::Shifts(_, false) => UsageFilter::default(),
            _ => self.filter.anew(),
        };
        Self { filter, begun: Some(Box::new(Begun { anew, before: self })), ..Self::default() }
    }

    /// How it began anew, while there are few days since.
    fn lately(&self) -> Option<&Begun> {
        self.begun.as_deref().filter(|_| (self.days as f64) < Snapshot::SETTLED_DAYS)
    }

    /// Whether told shifts began so lately that the car does not stand for itself.
    pub(super) fn is_told(&self) -> bool {
        self.lately().is_some_and(|begun| matches!(begun.anew, Anew::Shifts(..)))
    }

    /// Whether a car with a history moved so lately.
    pub(super) fn is_moved(&self) -> bool {
        let known = |begun: &Begun| begun.before.is_told() || begun.before.filter.features().is_some();
        self.lately().is_some_and(|begun| matches!(begun.anew, Anew::Depot(_)) && known(begun))
    }

    pub(super) fn week(&self, own: bool) -> Week {
        if own { self.filter.week() } else { Week::default() }
    }

    /// What is known of the meter, and the outlook; `own` where there are days enough in all.
    pub(super) fn outlook(
        &self,
        own: bool,
        prior: f64,
        settings: &Settings,
        coefficients: &Coefficients,
    ) -> (Option<Snapshot>, Outlook) {
        let spread = settings.borrowed_spread;
        let Some(begun) = &self.begun else { return self.by_itself(own, prior, spread, coefficients) };
        let enough = self.days >= settings.min_days.max(1);
        let before = || begun.before.outlook(own, prior, settings, coefficients);
        match begun.anew {
            Anew::Depot(there) => {
                let level = if begun.before.is_told() {
                    Some(before().1.level())
                } else {
                    begun.before.filter.features().map(|features| features.level)
                };
                let Some(level) = level else { return self.by_itself(enough, there, spread, coefficients) };
                let spread = spread * std::f64::consts::FRAC_1_SQRT_2;
                self.by_itself(enough, f64::midpoint(level, there), spread, coefficients)
            }
            Anew::Shifts(pace, _) => {
                let (known, before) = before();
                let told = before.at(pace, spread);
                if enough { self.by_itself(true, told.level(), spread, coefficients) } else { (known, told) }
            }
        }
    }

    fn by_itself(
        &self,
        enough: bool,
        prior: f64,
        spread: f64,
        coefficients: &Coefficients,
    ) -> (Option<Snapshot>, Outlook) {
        match self.filter.snapshot(self.total) {
            Some(known) if enough => (Some(known), Outlook::of(&known, prior, spread, coefficients)),
            None if enough && self.days > 0 => (None, Outlook::STANDING),
            _ => (None, Outlook::borrowed(prior, spread)),
        }
    }
}
