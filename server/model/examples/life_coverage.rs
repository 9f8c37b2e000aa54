//! How often the life curve's intervals hold the truth, on fleets of packs whose truth is known.
//!
//! `cargo run --release -p ventmile-model --example life_coverage [-- FLEETS [SEED]]`. Ends with a failure where a share
//! strays from what was promised by more than chance would have it.
//!
//! Each fleet has 300 packs of life curves with shape 2.5 and scale 180,000 miles for a usual pack; half of them come with
//! cars bought used, of which only those are seen whose pack was alive at the purchase. Watching ends after some use,
//! with about a third of the packs failed. Heat, the share driven past the late edge and a second pack type shorten life.

#[path = "corpus/random.rs"]
mod random;

use std::fmt;
use std::process::ExitCode;

use random::Random;
use ventmile_model::dist::Weibull;
use ventmile_model::wear::check_fit;
use ventmile_model::wear::life::{Interval, Life, Lives, Prior, Quantity, fit, profile};

const FLEETS: u64 = 1_000;
const SEED: u64 = 7;
const PACKS: usize = 300;
const USUAL: Weibull = Weibull { shape: 2.5, scale: 180_000.0 };
/// Effect on the logarithm of the scale of a unit of heat (a standard normal), of all miles driven past the late edge, and of
/// the second pack type.
const EFFECTS: [f64; 3] = [-0.15, -0.4, -0.2];
/// What an interval promises to hold, and what a right curve is warned of.
const LEVEL: f64 = 0.9;
const WARNED: f64 = 0.05;
/// Standard errors by which a share may stray, and what large-sample theory is off by at about a hundred failures (by
/// reasoning).
const STRAY: f64 = 3.0;
const THEORY: f64 = 0.01;

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1).map(|argument| argument.parse::<u64>().ok());
    let fleets = arguments.next().flatten().unwrap_or(FLEETS);
    let seed = arguments.next().flatten().unwrap_or(SEED);
    let coverage = covered(fleets, seed);
    println!("{fleets} fleets of {PACKS} packs, seed {seed}\n\n{coverage}");
    if coverage.is_kept() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// A share and how large it should be.
struct Share {
    of: &'static str,
    held: f64,
    promised: f64,
}

struct Coverage {
    fleets: f64,
    failed_packs: f64,
    shares: Vec<Share>,
}

impl Coverage {
    fn stray(&self, share: &Share) -> f64 {
        (share.held / self.fleets - share.promised).abs()
    }

    fn is_kept(&self) -> bool {
        self.shares.iter().all(|share| {
            let error = libm::sqrt(share.promised * (1.0 - share.promised) / self.fleets);
            self.stray(share) <= STRAY * error + THEORY
        })
    }
}

impl fmt::Display for Coverage {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(out, "{:.1} failures a fleet", self.failed_packs / self.fleets)?;
        for share in &self.shares {
            let (held, promised) = (100.0 * share.held / self.fleets, 100.0 * share.promised);
            writeln!(out, "{:<40} {held:5.1} % ({promised:.0} % promised)", share.of)?;
        }
        Ok(())
    }
}

fn covered(fleets: u64, seed: u64) -> Coverage {
    let share = |of, promised| Share { of, held: 0.0, promised };
    let mut coverage = Coverage {
        fleets: fleets as f64,
        failed_packs: 0.0,
        shares: vec![
            share("shape, without covariates", LEVEL),
            share("scale", LEVEL),
            share("age by which 10 % fail", LEVEL),
            share("chance of the next 5,000 miles", LEVEL),
            share("warned that a right curve does not fit", WARNED),
            share("shape, with covariates", LEVEL),
            share("scale of a usual pack", LEVEL),
            share("effect of heat", LEVEL),
            share("effect of late services", LEVEL),
            share("effect of the pack type", LEVEL),
            share("warned, with covariates", WARNED),
        ],
    };
    let mut random = Random::new(seed);
    for _ in 0..fleets {
        let (plain, held) = without_covariates(&mut random);
        coverage.failed_packs += plain.failures();
        let all = held.into_iter().chain(with_covariates(&mut random));
        coverage.shares.iter_mut().zip(all).for_each(|(share, held)| share.held += f64::from(u8::from(held)));
    }
    coverage
}

/// A life of this curve, left-truncated for half of the packs, right-censored for most.
fn life(curve: Weibull, random: &mut Random) -> Life {
    loop {
        let entry = if random.chance(0.5) { random.between(10_000.0, 120_000.0) } else { 0.0 };
        let age = curve.quantile(random.share());
        if age > entry {
            let end = entry + random.between(30_000.0, 150_000.0);
            return Life { entry, exit: age.min(end), failed: age <= end, count: 1.0 };
        }
    }
}

fn holds(interval: Interval, truth: f64) -> bool {
    interval.low.is_none_or(|low| low <= truth) && interval.high.is_none_or(|high| truth <= high)
}

fn without_covariates(random: &mut Random) -> (Lives, Vec<bool>) {
    let lives = Lives::plain((0..PACKS).map(|_| life(USUAL, random)).collect());
    let Ok(lives) = lives else { unreachable!("lives are made as they should be") };
    let held = intervals_hold(
        &lives,
        &[
            (Quantity::Shape, USUAL.shape),
            (Quantity::Scale(&[]), USUAL.scale),
            (Quantity::Quantile(0.1, &[]), USUAL.quantile(0.1)),
        ],
    );
    (lives, held)
}

fn with_covariates(random: &mut Random) -> Vec<bool> {
    let mut columns = vec![Vec::new(); EFFECTS.len()];
    let mut lives = Vec::new();
    for _ in 0..PACKS {
        let values = [random.normal(), random.share(), random.below(2) as f64];
        let effect: f64 = values.iter().zip(EFFECTS).map(|(value, effect)| value * effect).sum();
        lives.push(life(Weibull { scale: USUAL.scale * libm::exp(effect), ..USUAL }, random));
        columns.iter_mut().zip(values).for_each(|(column, value)| column.push(value));
    }
    let Ok(lives) = Lives::new(lives, &columns) else { unreachable!("lives are made as they should be") };
    let [heat, late, kind] = EFFECTS;
    intervals_hold(
        &lives,
        &[
            (Quantity::Shape, USUAL.shape),
            (Quantity::Scale(&[0.0; 3]), USUAL.scale),
            (Quantity::Coefficient(0), heat),
            (Quantity::Coefficient(1), late),
            (Quantity::Coefficient(2), kind),
        ],
    )
}

/// Whether each interval holds its truth, for a plain curve that of the conditional chance too, and whether there is a warning. A
/// fit or an interval that fails holds nothing.
fn intervals_hold(lives: &Lives, truths: &[(Quantity<'_>, f64)]) -> Vec<bool> {
    let plain = truths.len() == 3;
    let Ok(found) = fit(lives, &Prior::none()) else { return vec![false; truths.len() + 1 + usize::from(plain)] };
    let held = |&(quantity, truth): &(Quantity<'_>, f64)| {
        profile(lives, &Prior::none(), &found, quantity, LEVEL).is_ok_and(|interval| holds(interval, truth))
    };
    let mut all: Vec<bool> = truths.iter().map(held).collect();
    if plain {
        let (_, interval) = found.chance_within(100_000.0, 5_000.0, &[], LEVEL);
        all.push(holds(interval, USUAL.chance_within(100_000.0, 5_000.0)));
    }
    all.push(check_fit(lives, &found).warning.is_some());
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn promises_are_kept() {
        let coverage = covered(60, SEED);
        assert!(coverage.is_kept(), "{coverage}");
    }
}
