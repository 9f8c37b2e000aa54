//! Mixed duty, blended: each mile uses up its share of the interval of the grade it was driven in.

use crate::fleet::{Grade, Hours, Metres, Rule, Window, WindowSet};

/// What was driven in one stretch of days of one grade.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// The stretch's grade.
    pub grade: Grade,
    /// Distance driven in it.
    pub metres: Metres,
    /// Duty hours in it.
    pub hours: Hours,
    /// Its days.
    pub days: i64,
}

/// The windows, counted from the last service, that remain when each stretch since then used up its share.
///
/// Linear accumulation: a stretch of grade `i` in which `d` was driven uses up `d / e_i` of an edge at `e_i`. Where the
/// shares of all stretches sum to `u < 1`, the edge lies `(1 - u) e` beyond what was driven, with `e` the edge of the
/// `current` grade; where they reach 1 on the way, it lies there. This is the form of the Palmgren-Miner rule for
/// fatigue (from memory: Miner, "Cumulative damage in fatigue", 1945); nothing says that dust in a fan obeys it, so it
/// is a setting.
///
/// `stretches` are in order of time and cover everything driven since the service. A meter that a stretch's grade does
/// not count is not used up in it; one that the current grade does not count has a window only when it is used up.
/// The result goes to [`forecast`](super::forecast) in place of the rule's own windows.
#[must_use]
pub fn blend(rule: &Rule, stretches: &[Stretch], current: Grade) -> WindowSet {
    let over = |driven: fn(&Stretch) -> f64, window: fn(&WindowSet) -> Option<Window<f64>>| {
        let edge = |pick: fn(&Window<f64>) -> f64| {
            let driven = stretches.iter().map(|stretch| (driven(stretch), edge_of(rule, stretch.grade, window, pick)));
            remaining(driven, edge_of(rule, current, window, pick))
        };
        Some(Window { early: edge(|window| window.early)?, late: edge(|window| window.late)? })
    };
    let distance =
        over(|stretch| stretch.metres.as_f64(), |set| set.distance.map(|window| each(window, Metres::as_f64)));
    let hours = over(|stretch| stretch.hours.0, |set| set.hours.map(|window| each(window, |hours| hours.0)));
    let days = over(|stretch| stretch.days as f64, |set| set.days.map(|window| each(window, |days| days as f64)));
    WindowSet {
        distance: distance.map(|window| each(window, |metres| Metres(metres.round() as i64))),
        hours: hours.map(|window| each(window, Hours)),
        days: days.map(|window| each(window, |days| (days + ROUNDING).floor() as i64)),
    }
}

/// Keeps a whole number of days whole: 20 is not 19.
const ROUNDING: f64 = 1e-9;

fn each<T, U>(window: Window<T>, to: impl Fn(T) -> U) -> Window<U> {
    Window { early: to(window.early), late: to(window.late) }
}

fn edge_of(
    rule: &Rule,
    grade: Grade,
    window: fn(&WindowSet) -> Option<Window<f64>>,
    pick: fn(&Window<f64>) -> f64,
) -> Option<f64> {
    window(rule.windows(grade)).as_ref().map(pick)
}

/// Where an edge lies after `driven`, pairs of what was driven and the edge it counts against, when it is `current`
/// from then on.
fn remaining(driven: impl Iterator<Item = (f64, Option<f64>)>, current: Option<f64>) -> Option<f64> {
    let (mut total, mut used) = (0.0, 0.0);
    for (driven, edge) in driven {
        if let Some(edge) = edge {
            let left = (1.0 - used) * edge;
            if driven >= left {
                return Some(total + left);
            }
            used += driven / edge;
        }
        total += driven;
    }
    current.map(|edge| total + (1.0 - used) * edge)
}
