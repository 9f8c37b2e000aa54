//! Damped Newton steps to the top of a likelihood or posterior.

use super::fit::NoFit;
use super::objective::{Objective, Terms};
use super::square::{Lower, Square, dot};

/// Steps after which the climb is given up; a dozen are many.
const MOST_STEPS: u32 = 100;
/// Halvings of one step.
const MOST_HALVINGS: u32 = 50;
/// The climb ends where a step promises to raise the logarithm by less: that step's own error is then smaller still.
const LEAST_GAIN: f64 = 1e-9;
/// Share of the promised gain that a step must bring (Armijo 1966).
const SHARE_OF_GAIN: f64 = 1e-4;
/// What a sum over many lives may be off by rounding, relative to it.
const ROUNDING: f64 = 1e-12;
/// The farthest one step may change the logarithm of the shape, and the exponents by a change of scale.
const FARTHEST_SHAPE: f64 = 1.5;
const FARTHEST_LINE: f64 = 10.0;
/// A shape beyond these, as its logarithm, is not of lives: 1e5 and 1e-5.
const WILDEST_SHAPE: f64 = 11.5;

/// A top: where, and the terms there.
#[derive(Clone, Debug)]
pub(super) struct Top {
    pub(super) point: Vec<f64>,
    pub(super) terms: Terms,
    pub(super) steps: u32,
}

/// A linear function of the point that is held, by its weights: the coordinate of the largest weight is made to follow
/// the others.
#[derive(Clone, Debug)]
pub(super) struct Held<'a> {
    weights: &'a [f64],
    follower: usize,
}

impl<'a> Held<'a> {
    pub(super) fn new(weights: &'a [f64]) -> Self {
        let largest = weights.iter().enumerate().max_by(|(_, one), (_, other)| one.abs().total_cmp(&other.abs()));
        Self { weights, follower: largest.map_or(0, |(place, _)| place) }
    }

    /// How the follower moves with each other coordinate.
    fn ratio(&self, place: usize) -> f64 {
        self.weight(place) / self.weight(self.follower)
    }

    fn weight(&self, place: usize) -> f64 {
        self.weights.get(place).copied().unwrap_or(0.0)
    }

    fn holds_intercept(&self) -> bool {
        self.weight(0) != 0.0
    }

    /// How fast the top moves up with the value that is held.
    pub(super) fn slope(&self, terms: &Terms) -> f64 {
        terms.gradient.get(self.follower).copied().unwrap_or(0.0) / self.weight(self.follower)
    }

    fn reduced_gradient(&self, gradient: &[f64]) -> Vec<f64> {
        let follower = gradient.get(self.follower).copied().unwrap_or(0.0);
        let mut reduced: Vec<f64> =
            gradient.iter().enumerate().map(|(place, slope)| slope - self.ratio(place) * follower).collect();
        self.write(&mut reduced, 0.0);
        reduced
    }

    fn reduced_bend(&self, bend: &Square) -> Square {
        let mut reduced = Square::zero(bend.side());
        let corner = bend.at(self.follower, self.follower);
        for row in 0..bend.side() {
            for column in 0..bend.side() {
                let (one, other) = (self.ratio(row), self.ratio(column));
                let cell =
                    bend.at(row, column) - one * bend.at(self.follower, column) - other * bend.at(row, self.follower)
                        + one * other * corner;
                let outside = row == self.follower || column == self.follower;
                reduced.set(row, column, if outside { f64::from(u8::from(row == column)) } else { cell });
            }
        }
        reduced
    }

    fn follow(&self, step: &mut [f64]) {
        self.write(step, 0.0);
        let follower = -step.iter().enumerate().map(|(place, part)| self.ratio(place) * part).sum::<f64>();
        self.write(step, follower);
    }

    fn write(&self, vector: &mut [f64], value: f64) {
        if let Some(cell) = vector.get_mut(self.follower) {
            *cell = value;
        }
    }
}

/// Climbs from a point, with `held` kept where it is.
pub(super) fn climb(objective: &mut Objective, mut point: Vec<f64>, held: Option<&Held>) -> Result<Top, NoFit> {
    let settle = objective.settles() && !held.is_some_and(Held::holds_intercept);
    let mut terms = objective.at(&mut point, settle);
    if !terms.value.is_finite() {
        return Err(NoFit::NotFinite);
    }
    for steps in 1..=MOST_STEPS {
        let (step, gain) = newton_step(&terms, held)?;
        let last = gain < LEAST_GAIN;
        let share = shorten(&point, &step);
        let next = advance(objective, &point, &terms, (&step, share, gain), settle, last);
        let Some((further, better)) = next else {
            return Err(NoFit::NotConverged { steps, gain });
        };
        (point, terms) = (further, better);
        let log_shape = point.last().copied().unwrap_or(0.0);
        if log_shape.abs() > WILDEST_SHAPE {
            return Err(if log_shape > 0.0 { NoFit::ShapeRunsAway } else { NoFit::ShapeVanishes });
        }
        if last {
            return Ok(Top { point, terms, steps });
        }
    }
    Err(NoFit::NotConverged { steps: MOST_STEPS, gain: newton_step(&terms, held)?.1 })
}

/// The Newton step and twice the gain it promises. Where the surface is not curved downwards everywhere, the curvature
/// is made so by adding to its diagonal (Levenberg 1944).
fn newton_step(terms: &Terms, held: Option<&Held>) -> Result<(Vec<f64>, f64), NoFit> {
    let bend = downward(&terms.hessian);
    let bend = held.map_or_else(|| bend.clone(), |held| held.reduced_bend(&bend));
    let gradient = held.map_or_else(|| terms.gradient.clone(), |held| held.reduced_gradient(&terms.gradient));
    let lower = positive(&bend).ok_or(NoFit::NotFinite)?;
    let mut step = lower.solve(&gradient);
    let gain = dot(&gradient, &step);
    if let Some(held) = held {
        held.follow(&mut step);
    }
    if gain.is_finite() { Ok((step, gain)) } else { Err(NoFit::NotFinite) }
}

/// The Hessian with its sign turned: positive definite at a top.
pub(super) fn downward(hessian: &Square) -> Square {
    let mut bend = Square::zero(hessian.side());
    for row in 0..hessian.side() {
        for column in 0..hessian.side() {
            bend.set(row, column, -hessian.at(row, column));
        }
    }
    bend
}

fn positive(bend: &Square) -> Option<Lower> {
    let mut added = 0.0;
    for _ in 0..MOST_HALVINGS {
        let mut lifted = bend.clone();
        for place in 0..bend.side() {
            let size = bend.at(place, place).abs().max(f64::MIN_POSITIVE);
            lifted.add(place, place, added * size);
        }
        if let Ok(lower) = lifted.factor(f64::EPSILON) {
            return Some(lower);
        }
        added = (added * 4.0_f64).max(1e-3);
    }
    None
}

/// The share of a step that keeps within the farthest.
fn shorten(point: &[f64], step: &[f64]) -> f64 {
    let shape = libm::exp(point.last().copied().unwrap_or(0.0));
    let (along_shape, line) = step.split_last().map_or((0.0, step), |(last, line)| (last.abs(), line));
    let along_line = shape * line.iter().map(|part| part.abs()).sum::<f64>();
    1.0_f64.min(FARTHEST_SHAPE / along_shape).min(FARTHEST_LINE / along_line)
}

/// The first of the step's halves that rises enough; the last step of a climb is taken as it is.
fn advance(
    objective: &mut Objective,
    point: &[f64],
    terms: &Terms,
    (step, mut share, gain): (&[f64], f64, f64),
    settle: bool,
    last: bool,
) -> Option<(Vec<f64>, Terms)> {
    for _ in 0..MOST_HALVINGS {
        let mut further: Vec<f64> = point.iter().zip(step).map(|(from, part)| from + share * part).collect();
        let found = objective.at(&mut further, settle);
        let enough = terms.value + SHARE_OF_GAIN * share * gain - ROUNDING * (1.0 + terms.value.abs());
        if found.value.is_finite() && (last || found.value >= enough) {
            return Some((further, found));
        }
        share /= 2.0;
    }
    None
}
