//! What the fleet's own past says about the days ahead: three quantile lines, fitted on windows that have ended.

use super::filter::Snapshot;

/// Chances of the three lines, as chances of having arrived.
pub const CHANCES: [f64; 3] = [0.1, 0.5, 0.9];

/// Days between two cuts at which snapshots are taken (by reasoning).
pub const CUT_DAYS: i64 = 15;

/// Cuts that a record reaches back: 24 steps of 15 days are a year.
pub const CUTS: usize = 25;

/// Lengths of the windows in cuts: 30, 45, 60, 90 and 120 days (by reasoning).
const WINDOWS: [usize; 5] = [2, 3, 4, 6, 8];

/// The length of window at which the noise counts as it is, in days.
pub const REFERENCE_DAYS: f64 = 60.0;

/// Least share of its nominal length that a window's days, known and on the road, must come to in mean days (by reasoning).
const KNOWN_SHARE: f64 = 0.5;

/// Cars below this share of the median level say nothing about the others (mirrors the eligibility of the open data).
const LEAST_SHARE: f64 = 0.5;

/// Least pace of a window, as a share of the level: the logarithm of standing still is kept finite (by reasoning).
const LEAST_PACE: f64 = 0.02;

/// Weight of the default lines, in cars followed for sixty days (set on the open utilisation data, where 10 to 500 do
/// alike; 20 lets a regular fleet come to its own sooner).
const DEFAULT_WEIGHT: f64 = 20.0;

/// Shape of that weight: rough mean squares of the terms (set on the open utilisation data).
const RIDGE: [f64; 4] = [1.0, 0.03, 1.0, 0.5];

/// Added to the ridge, so that no system is singular.
const JITTER: f64 = 1e-6;

/// Rounds of reweighting, and the error below which an error counts as this (by reasoning).
const ROUNDS: usize = 30;
const LEAST_ERROR: f64 = 0.01;

/// The terms of a line: 1, recent change, noise times `sqrt(60 / h)`, idle.
pub type Terms = [f64; 4];

/// Three lines for `ln(W / (a h))`, the logarithm of what `h` days bring beside the long-run level `a`.
///
/// Line k: `b0 + b1 r + b2 v sqrt(60 / h) + b3 i` with the [`Features`](super::Features) `r`, `v`, `i`. `b0` is how far
/// the rate drifts, `b1` how much of a recent change stays, `b2` the noise of single days, which averages out over a long
/// window, and `b3` what a car's long idle spells say. The lines are in the order of the chances of arrival 10, 50 and
/// 90 %: the 10 % line is that of the 90 % quantile of what is driven.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coefficients {
    /// `b0` to `b3` of each line.
    pub lines: [Terms; 3],
}

/// Round numbers, written down after those fitted on the open utilisation data had been seen. They are wide for a car as
/// uneven as those, and narrow for one whose weeks are alike: what is not known of a fleet yet is taken from its cars'
/// noise. They matter little once it has a record of its own.
impl Default for Coefficients {
    fn default() -> Self {
        Self { lines: [[0.05, 0.5, 0.30, 0.0], [0.0, 0.5, 0.0, 0.0], [-0.05, 0.5, -0.50, 0.0]] }
    }
}

/// The lines of both meters.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Fits {
    /// For the distance.
    pub metres: Coefficients,
    /// For the duty hours.
    pub hours: Coefficients,
}

/// One window of one car that has ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// The terms as of its beginning.
    pub terms: Terms,
    /// `ln(W / (a h))`.
    pub outcome: f64,
    /// Its weight.
    pub weight: f64,
}

/// The windows of a fleet that have ended.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Record {
    /// The windows.
    pub rows: Vec<Row>,
}

impl Record {
    /// Gathers the windows of a fleet, whose cars have one snapshot for each of the same cuts, [`CUT_DAYS`] apart, the
    /// oldest first: every window that begins at a cut where the car was settled and not slow beside the others, and
    /// has ended by the last cut.
    ///
    /// A window weighs by its length; all together weigh as much as the cars were followed, in sixty days: overlapping
    /// windows of one car are no more evidence than its days.
    #[must_use]
    pub fn gather(fleet: &[Vec<Option<Snapshot>>]) -> Self {
        let cuts = fleet.iter().map(Vec::len).max().unwrap_or_default();
        let least: Vec<Option<f64>> = (0..cuts).map(|cut| least_level(fleet, cut)).collect();
        let mut rows = Vec::new();
        for window in WINDOWS {
            for (begin, least) in least.iter().enumerate() {
                let Some(least) = least else { continue };
                rows.extend(fleet.iter().filter_map(|car| row(car, begin, window, *least)));
            }
        }
        let first = least.iter().position(Option::is_some).unwrap_or(cuts);
        let cars = fleet.iter().filter(|car| car.iter().any(Option::is_some)).count() as f64;
        let followed = cars * (CUT_DAYS as f64) * cuts.saturating_sub(first + 1) as f64 / REFERENCE_DAYS;
        let scale = followed / rows.iter().map(|row| row.weight).sum::<f64>();
        rows.iter_mut().for_each(|row| row.weight *= scale);
        Self { rows }
    }

    /// Fits the three lines, deterministically.
    ///
    /// Each minimises `sum(w rho(y - x b)) + N0 sum(g (b - b_default)²) / 2` with `rho` the check function of its
    /// quantile (Koenker & Bassett, "Regression quantiles", 1978; from memory), by iteratively reweighted least squares:
    /// an error `e` weighs `tau / max(|e|, 0.01)` above the line and `(1 - tau) / max(|e|, 0.01)` below it. The second
    /// term keeps a small fleet near the defaults; without any window the defaults are the answer.
    #[must_use]
    pub fn fit(&self) -> Coefficients {
        let mut lines = Coefficients::default().lines;
        if self.rows.is_empty() {
            return Coefficients { lines };
        }
        for (line, chance) in lines.iter_mut().zip(CHANCES) {
            let fitted = self.fit_line(1.0 - chance, *line);
            if fitted.iter().all(|number| number.is_finite()) {
                *line = fitted;
            }
        }
        Coefficients { lines }
    }

    fn fit_line(&self, tau: f64, default: Terms) -> Terms {
        let mut line = default;
        for _ in 0..ROUNDS {
            let mut system = System::ridge(&default);
            for row in &self.rows {
                let error = row.outcome - dot(&row.terms, &line);
                let side = if error > 0.0 { tau } else { 1.0 - tau };
                system.add(&row.terms, row.outcome, row.weight * side / error.abs().max(LEAST_ERROR));
            }
            line = system.solve();
        }
        line
    }
}

/// The level a settled car must have at a cut; `None` where no car is settled.
fn least_level(fleet: &[Vec<Option<Snapshot>>], cut: usize) -> Option<f64> {
    let at_cut = fleet.iter().filter_map(|car| car.get(cut).copied().flatten());
    let levels = at_cut.filter(|snapshot| snapshot.settled).map(|snapshot| snapshot.features.level).collect();
    crate::dist::median(levels).map(|median| LEAST_SHARE * median)
}

fn row(car: &[Option<Snapshot>], begin: usize, window: usize, least: f64) -> Option<Row> {
    let start = car.get(begin).copied().flatten().filter(|start| start.settled && start.features.level >= least)?;
    let end = car.get(begin + window).copied().flatten()?;
    let days = start.mean_days_until(&end);
    if days < KNOWN_SHARE * (window as f64) * (CUT_DAYS as f64) {
        return None;
    }
    let features = start.features;
    let pace = (end.total - start.total) / days / features.level;
    Some(Row {
        terms: [1.0, features.change, features.noise * libm::sqrt(REFERENCE_DAYS / days), features.idle],
        outcome: libm::log(pace.max(LEAST_PACE)),
        weight: days / REFERENCE_DAYS,
    })
}

fn dot(terms: &Terms, line: &Terms) -> f64 {
    terms.iter().zip(line).map(|(term, factor)| term * factor).sum()
}

/// The normal equations of four unknowns: the lower triangle by rows, and the right side.
struct System {
    lower: [f64; 10],
    right: Terms,
}

impl System {
    fn ridge(default: &Terms) -> Self {
        let [g0, g1, g2, g3] = RIDGE.map(|shape| DEFAULT_WEIGHT * shape);
        let [b0, b1, b2, b3] = default;
        let (d0, d1, d2, d3) = (g0 + JITTER, g1 + JITTER, g2 + JITTER, g3 + JITTER);
        Self { lower: [d0, 0.0, d1, 0.0, 0.0, d2, 0.0, 0.0, 0.0, d3], right: [g0 * b0, g1 * b1, g2 * b2, g3 * b3] }
    }

    fn add(&mut self, [x0, x1, x2, x3]: &Terms, outcome: f64, weight: f64) {
        let (w0, w1, w2, w3) = (weight * x0, weight * x1, weight * x2, weight * x3);
        let products = [w0 * x0, w1 * x0, w1 * x1, w2 * x0, w2 * x1, w2 * x2, w3 * x0, w3 * x1, w3 * x2, w3 * x3];
        self.lower.iter_mut().zip(products).for_each(|(sum, product)| *sum += product);
        self.right.iter_mut().zip([w0, w1, w2, w3]).for_each(|(sum, term)| *sum += term * outcome);
    }

    /// By Cholesky's decomposition `A = L L'`, then `L z = right` and `L' b = z`.
    fn solve(&self) -> Terms {
        let [a00, a10, a11, a20, a21, a22, a30, a31, a32, a33] = self.lower;
        let [r0, r1, r2, r3] = self.right;
        let l00 = libm::sqrt(a00);
        let (l10, l20, l30) = (a10 / l00, a20 / l00, a30 / l00);
        let l11 = libm::sqrt(a11 - l10 * l10);
        let (l21, l31) = ((a21 - l20 * l10) / l11, (a31 - l30 * l10) / l11);
        let l22 = libm::sqrt(a22 - l20 * l20 - l21 * l21);
        let l32 = (a32 - l30 * l20 - l31 * l21) / l22;
        let l33 = libm::sqrt(a33 - l30 * l30 - l31 * l31 - l32 * l32);
        let z0 = r0 / l00;
        let z1 = (r1 - l10 * z0) / l11;
        let z2 = (r2 - l20 * z0 - l21 * z1) / l22;
        let z3 = (r3 - l30 * z0 - l31 * z1 - l32 * z2) / l33;
        let b3 = z3 / l33;
        let b2 = (z2 - l32 * b3) / l22;
        let b1 = (z1 - l21 * b2 - l31 * b3) / l11;
        [(z0 - l10 * b1 - l20 * b2 - l30 * b3) / l00, b1, b2, b3]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_a_record_the_defaults_stand() {
        assert_eq!(Record::default().fit(), Coefficients::default());
        assert_eq!(Record::gather(&[]), Record::default());
        assert_eq!(Record::gather(&[vec![None; CUTS]]), Record::default());
    }

    #[test]
    fn a_system_is_solved() {
        let mut system = System { lower: [0.0; 10], right: [0.0; 4] };
        let line = [0.5, -2.0, 3.0, 0.25];
        for terms in [[1.0, 0.0, 2.0, 1.0], [1.0, 1.0, 0.5, 0.0], [1.0, -1.0, 1.0, 3.0], [1.0, 2.0, 0.0, 1.0]] {
            system.add(&terms, dot(&terms, &line), 2.0);
        }
        for (found, expected) in system.solve().iter().zip(line) {
            assert!((found - expected).abs() < 1e-9, "{found} is not {expected}");
        }
    }

    #[test]
    fn a_large_record_outweighs_the_defaults() {
        // Outcomes spread evenly over -1 to 1, whatever the terms: quantiles -0.8, 0 and 0.8.
        let row = |k: i32| Row {
            terms: [1.0, f64::from(k % 7) - 3.0, f64::from(k % 5) / 5.0, f64::from(k % 3) - 1.0],
            outcome: f64::from((k * 7_919) % 20_001 - 10_000) / 10_000.0,
            weight: 10.0,
        };
        let fitted = Record { rows: (0..20_001).map(row).collect() }.fit();
        for (line, expected) in fitted.lines.iter().zip([0.8, 0.0, -0.8]) {
            assert!((line[0] - expected).abs() < 0.05, "{line:?}");
            assert!(line.iter().skip(1).all(|slope| slope.abs() < 0.06), "{line:?}");
        }
    }
}
