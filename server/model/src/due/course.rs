//! What the days ahead bring, where the car is used otherwise from a day on.

use chrono::NaiveDate;

use crate::usage::{Outlook, Reach, RoadDays, Week};

/// Takes the noise of the last digits off a comparison of days.
const ROUNDING: f64 = 1e-9;

/// Days ahead on which the car is used in one way, until the next leg begins.
struct Leg {
    /// Its first day.
    from: NaiveDate,
    outlook: Outlook,
    week: Week,
    /// Mean days before it.
    before: f64,
    /// What they brought, line by line.
    brought: [f64; 3],
}

/// What the days ahead bring on one meter, leg after leg.
///
/// One use of the car drives it through all its legs: how far it is off its median stays the same. So each line of a leg
/// goes on from where the same line of the leg before had come: with `W_i` what the line of leg `i` brings in so many mean
/// days, and `c` the mean days before it, a later day `h` has brought `W_1(c) + W_2(h) - W_2(c)`.
pub(super) struct Course(Vec<Leg>);

/// A leg of the way to an edge: from when on, how each line comes to it by then.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Step {
    from: NaiveDate,
    week: Week,
    /// Mean days before it.
    before: f64,
    /// When each line comes to the edge: before this leg, or in it if it went on for ever.
    roots: [Root; 3],
}

/// When a line comes to an edge.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Root {
    /// In mean days; infinite where it never does.
    days: f64,
    /// In which leg.
    leg: usize,
}

/// A part of the way to an edge, by the median line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    /// Its first day.
    pub from: NaiveDate,
    /// Mean days on the road.
    pub days: f64,
    /// What they bring; as much as is left in the last part.
    pub amount: f64,
}

impl Course {
    /// The legs in order, the first one from the day after what is known.
    pub(super) fn new(legs: impl Iterator<Item = (NaiveDate, Outlook, Week)>, road: &RoadDays) -> Self {
        let mut course: Vec<Leg> = Vec::new();
        for (from, outlook, week) in legs {
            let (before, brought) = course.last().map_or((0.0, [0.0; 3]), |leg| leg.by(from.pred_opt(), road));
            course.push(Leg { from, outlook, week, before, brought });
        }
        Self(course)
    }

    /// Median of what has come by the end of a day.
    pub(super) fn median(&self, by: NaiveDate, road: &RoadDays) -> f64 {
        let leg = self.0.iter().rev().find(|leg| leg.from <= by);
        let [_, median, _] = leg.map_or([0.0; 3], |leg| leg.by(Some(by), road).1);
        median
    }

    /// The way to an edge that is `left` off in each leg; `None` in a leg where there is no edge.
    pub(super) fn steps(&self, left: impl Iterator<Item = Option<f64>>) -> Vec<Step> {
        let mut roots = [Root { days: f64::INFINITY, leg: 0 }; 3];
        let step = |(place, (leg, left)): (usize, (&Leg, Option<f64>))| {
            let mut found = [f64::INFINITY; 3];
            if let Some(left) = left {
                found = leg.outlook.beyond(leg.before, leg.brought.map(|brought| left - brought));
            }
            for (root, days) in roots.iter_mut().zip(found) {
                if !is_by(root.days, leg.before) {
                    *root = Root { days, leg: place };
                }
            }
            Step { from: leg.from, week: leg.week, before: leg.before, roots }
        };
        self.0.iter().zip(left).enumerate().map(step).collect()
    }

    /// The parts of such a way, by the median line; empty where it never arrives.
    pub(super) fn parts(&self, steps: &[Step]) -> Vec<Part> {
        let Some([_, root, _]) = steps.last().map(|step| step.roots).filter(|[_, root, _]| root.days.is_finite())
        else {
            return Vec::new();
        };
        let legs = self.0.iter().take(root.leg + 1);
        let ends = self.0.iter().skip(1).map(|leg| leg.before).chain([f64::INFINITY]);
        let part = |(leg, end): (&Leg, f64)| {
            let ([_, so_far, _], [_, then, _]) =
                (leg.outlook.brought(leg.before), leg.outlook.brought(end.min(root.days)));
            Part { from: leg.from, days: end.min(root.days) - leg.before, amount: then - so_far }
        };
        legs.zip(ends).map(part).collect()
    }
}

impl Leg {
    /// Mean days by the end of a day of this leg, and what they have brought, line by line.
    fn by(&self, day: Option<NaiveDate>, road: &RoadDays) -> (f64, [f64; 3]) {
        let (Some(eve), Some(day)) = (self.from.pred_opt(), day) else { return (self.before, self.brought) };
        let days = self.before + road.mean_days(&self.week, eve, day);
        let (mut brought, so_far) = (self.outlook.brought(days), self.outlook.brought(self.before));
        for ((brought, so_far), earlier) in brought.iter_mut().zip(so_far).zip(self.brought) {
            *brought += earlier - so_far;
        }
        (days, brought)
    }
}

fn is_by(root: f64, days: f64) -> bool {
    root <= days * (1.0 + ROUNDING) && days > 0.0
}

/// The days of the 10, 50 and 90 % roots; `None` further off than `furthest` mean days.
pub(super) fn dates(steps: &[Step], road: &RoadDays, furthest: f64) -> [Option<NaiveDate>; 3] {
    let Some(mut roots) = steps.last().map(|step| step.roots) else { return [None; 3] };
    roots.sort_unstable_by(|one, other| one.days.total_cmp(&other.days).then(one.leg.cmp(&other.leg)));
    roots.map(|root| {
        let step = steps.get(root.leg)?;
        let days = Some(root.days - step.before).filter(|days| *days <= furthest)?;
        let day = road.reached(&step.week, step.from.pred_opt()?, days)?;
        Some(if root.leg == 0 { day } else { day.max(step.from) })
    })
}

/// The chance of having arrived by the end of a day.
pub(super) fn chance(steps: &[Step], by: NaiveDate, road: &RoadDays) -> f64 {
    let ends = steps.iter().skip(1).map(Some).chain([None]);
    let in_step = |(step, next): (&Step, Option<&Step>)| {
        let days = match next.filter(|next| next.from <= by) {
            Some(next) => next.before,
            None => step.before + step.from.pred_opt().map_or(0.0, |eve| road.mean_days(&step.week, eve, by)),
        };
        Reach::sorted(step.roots.map(|root| root.days)).chance(days)
    };
    steps.iter().zip(ends).take_while(|(step, _)| step.from <= by).map(in_step).fold(0.0, f64::max)
}
