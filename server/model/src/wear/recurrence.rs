//! How often something happens to a car that is put right each time: the mean cumulative function.

use std::fmt;

/// What happened to one car while it was watched, in any one unit of age.
#[derive(Clone, Debug, PartialEq)]
pub struct History {
    /// The age at which watching began.
    pub start: f64,
    /// The age at which it ended.
    pub end: f64,
    /// The ages at which it happened, in any order; more than once at one age counts as often.
    pub events: Vec<f64>,
}

/// The state after what happened at one age.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Recurrence {
    /// The age.
    pub age: f64,
    /// Cars under watch: those with `start < age <= end`.
    pub at_risk: f64,
    /// How often it happened at this age.
    pub events: f64,
    /// How often it has happened to a car by this age, in the mean.
    pub mean: f64,
    /// Its standard error.
    pub se: f64,
}

/// Why a history cannot be taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum BadHistory {
    /// Its ages are not finite, or it does not end after it starts.
    Span {
        /// Which history.
        row: usize,
        /// Its start
        start: f64,
        /// and end.
        end: f64,
    },
    /// Something that happened while it was not watched.
    Event {
        /// Which history.
        row: usize,
        /// When.
        age: f64,
    },
}

impl fmt::Display for BadHistory {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Span { row, start, end } => write!(out, "history {row}: from {start} to {end} is no span of ages"),
            Self::Event { row, age } => write!(out, "history {row}: age {age} is not after its start and by its end"),
        }
    }
}

impl std::error::Error for BadHistory {}

impl History {
    fn check(&self, row: usize) -> Result<(), BadHistory> {
        if !(self.start.is_finite() && self.end.is_finite() && self.start < self.end) {
            return Err(BadHistory::Span { row, start: self.start, end: self.end });
        }
        match self.events.iter().find(|age| !(**age > self.start && **age <= self.end)) {
            Some(&age) => Err(BadHistory::Event { row, age }),
            None => Ok(()),
        }
    }
}

/// The mean cumulative function of a fleet, with a step at each age at which something happened.
///
/// `M = sum of events / at risk` (W. Nelson, "Confidence limits for recurrence data", Technometrics 37 (1995) 147-157).
/// Its variance allows for cars that differ and for events that come in clusters: with `r_i` the sum, over the ages at
/// which car i was watched, of `(events of i - events / at risk) / at risk`, it is the sum of `r_i^2` (J. F. Lawless and
/// C. Nadeau, Technometrics 37 (1995) 158-168).
///
/// # Errors
/// Names the first history that cannot be.
pub fn recurrences(histories: &[History]) -> Result<Vec<Recurrence>, BadHistory> {
    histories.iter().enumerate().try_for_each(|(row, history)| history.check(row))?;
    let mut happenings = happenings(histories);
    happenings.sort_unstable_by(|one, other| one.age.total_cmp(&other.age).then(one.what.cmp(&other.what)));
    let mut watch = Watch { own: vec![0.0; histories.len()], ..Watch::default() };
    let mut steps = Vec::new();
    for group in happenings.chunk_by(|one, other| one.age == other.age && one.what == other.what) {
        match group.first().map(|first| (first.age, first.what)) {
            Some((age, What::Event)) => steps.push(watch.step(age, group)),
            Some((_, what)) => group.iter().for_each(|one| watch.watch(one.row, what == What::Start)),
            None => {}
        }
    }
    Ok(steps)
}

/// What happens at one age, in this order: a car counts up to its end, and from just after its start.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum What {
    Event,
    End,
    Start,
}

#[derive(Clone, Copy, Debug)]
struct Happening {
    age: f64,
    what: What,
    row: usize,
}

fn happenings(histories: &[History]) -> Vec<Happening> {
    let of = |(row, history): (usize, &History)| {
        let events: Vec<Happening> =
            history.events.iter().map(|&age| Happening { age, what: What::Event, row }).collect();
        let start = Happening { age: history.start, what: What::Start, row };
        let end = Happening { age: history.end, what: What::End, row };
        events.into_iter().chain([start, end])
    };
    histories.iter().enumerate().flat_map(of).collect()
}

/// The cars under watch. A car's `r` is its own part less what has been taken from all while it was watched, so that one
/// event costs one car's work and not everyone's.
#[derive(Debug, Default)]
struct Watch {
    at_risk: f64,
    mean: f64,
    taken: f64,
    /// Each car's `r`, plus what had been taken when last it changed.
    own: Vec<f64>,
    /// Sum of `r` and of its squares over the cars under watch, and of the squares over those that left.
    sum: f64,
    squares: f64,
    left: f64,
}

impl Watch {
    fn watch(&mut self, row: usize, begins: bool) {
        let taken = self.taken;
        let Some(own) = self.own.get_mut(row) else { return };
        if begins {
            *own = taken;
            self.at_risk += 1.0;
        } else {
            let r = *own - taken;
            self.at_risk -= 1.0;
            self.sum -= r;
            self.squares -= r * r;
            self.left += r * r;
        }
    }

    fn step(&mut self, age: f64, events: &[Happening]) -> Recurrence {
        let number = events.len() as f64;
        for event in events {
            self.add(event.row, 1.0 / self.at_risk);
        }
        let each = number / (self.at_risk * self.at_risk);
        self.squares += each * (each * self.at_risk - 2.0 * self.sum);
        self.sum -= each * self.at_risk;
        self.taken += each;
        self.mean += number / self.at_risk;
        let variance = (self.squares + self.left).max(0.0);
        Recurrence { age, at_risk: self.at_risk, events: number, mean: self.mean, se: libm::sqrt(variance) }
    }

    fn add(&mut self, row: usize, part: f64) {
        let Some(own) = self.own.get_mut(row) else { return };
        let r = *own - self.taken;
        *own += part;
        self.sum += part;
        self.squares += part * (part + 2.0 * r);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_walk_is_the_definition(
            rows in proptest::collection::vec((0_u32..10, 1_u32..12, proptest::collection::vec(1_u32..12, 0..5)), 1..12)
        ) {
            let history = |(start, watched, events): (u32, u32, Vec<u32>)| History {
                start: f64::from(start),
                end: f64::from(start + watched),
                events: events.into_iter().map(|age| f64::from(start + 1 + age % watched)).collect(),
            };
            let histories: Vec<History> = rows.into_iter().map(history).collect();
            let steps = recurrences(&histories).unwrap();
            let watched = |history: &History, age: f64| history.start < age && age <= history.end;
            let mut parts = vec![0.0; histories.len()];
            let mut mean = 0.0;
            for step in &steps {
                let at_risk = histories.iter().filter(|history| watched(history, step.age)).count() as f64;
                prop_assert_eq!(step.at_risk, at_risk);
                mean += step.events / at_risk;
                for (part, history) in parts.iter_mut().zip(&histories).filter(|(_, history)| watched(history, step.age)) {
                    let own = history.events.iter().filter(|age| **age == step.age).count() as f64;
                    *part += (own - step.events / at_risk) / at_risk;
                }
                let variance: f64 = parts.iter().map(|part| part * part).sum();
                prop_assert!((step.mean - mean).abs() < 1e-12);
                prop_assert!((step.se * step.se - variance).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn what_cannot_be_is_named() {
        let history = |start, end, events: &[f64]| History { start, end, events: events.to_vec() };
        let found = recurrences(&[history(0.0, 5.0, &[5.0]), history(3.0, 3.0, &[])]);
        assert_eq!(found, Err(BadHistory::Span { row: 1, start: 3.0, end: 3.0 }));
        let found = recurrences(&[history(1.0, 5.0, &[2.0, 1.0])]).unwrap_err();
        assert_eq!(found.to_string(), "history 0: age 1 is not after its start and by its end");
    }
}
