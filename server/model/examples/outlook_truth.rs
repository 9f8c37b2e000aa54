//! Holds the outlook against packs whose truth is known, and prints how it scores.
//!
//! `cargo run --release -p ventmile-model --example outlook_truth [-- FLEETS [SEED]]`. Ends with a failure where the outlook
//! does no better than the life curve alone or the base rate, or where what happened strays from what was said by more than
//! chance would have it.
//!
//! In each fleet the spread of a pack drifts, with noise, so that without noise lives would be Weibull; a life ends when
//! the spread first reaches the limit. A curve is fitted to 300 lives, near half of them watched to the end. Then 500 other
//! packs are looked at, each at some age with up to six checks at random ages before it, and the chance of the next 180
//! days is scored against what happened. A quarter of these end unannounced: their spread is that of another pack alive at that
//! age. Six more tables show what wrong assumptions cost and
//! what a fleet's own checks mend.

#[path = "corpus/random.rs"]
mod random;

use std::collections::BTreeMap;
use std::fmt;
use std::process::ExitCode;

use random::Random;
use ventmile_model::dist::Weibull;
use ventmile_model::fleet::{CodeLog, DistanceUnit, Metres, Trips};
use ventmile_model::wear::life::{Life, LifeFit, Lives, Prior, fit};
use ventmile_model::wear::outlook::{Cooling, Inputs, LifeCurve, Settings, SpreadCheck, SpreadWalk, Usual, outlook};

const FLEETS: u64 = 40;
const SEED: u64 = 11;
const LIVES: usize = 300;
const PACKS: usize = 500;
/// Lives if there were no noise, in metres.
const SMOOTH: Weibull = Weibull { shape: 4.0, scale: 300e6 };
const LIMIT: f64 = 1.0;
/// The walk is stepped by this many metres.
const STEP: f64 = 1e6;
/// Where the odometer stands at the latest when a pack is looked at, in steps.
const OLDEST: usize = 350;
const UNANNOUNCED: f64 = 0.25;
const DAYS: f64 = 180.0;
/// Standard errors by which a tenth may stray, and what the error of the curves adds (by reasoning).
const STRAY: f64 = 3.0;
const THEORY: f64 = 0.01;

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1).map(|argument| argument.parse::<u64>().ok());
    let fleets = arguments.next().flatten().unwrap_or(FLEETS);
    let seed = arguments.next().flatten().unwrap_or(SEED);
    println!("{fleets} fleets of {PACKS} packs, seed {seed}\n");
    let right = Assumed::default();
    let score = scored(fleets, seed, right);
    println!("As assumed\n{score}");
    let mut kept = score.is_kept();
    for (wrong, assumed) in [
        ("The walk's noise is a quarter of what it is", Assumed { noise: 0.25, ..right }),
        ("The walk's noise is four times what it is", Assumed { noise: 4.0, ..right }),
        ("Packs that end unannounced have the spread of new ones", Assumed { flat: true, ..right }),
        ("Spread grows with the square of the distance", Assumed { power: 2.0, ..right }),
        ("The same, learnt from the checks of 100 packs", Assumed { power: 2.0, learnt: true, ..right }),
        ("It grows evenly, learnt likewise", Assumed { learnt: true, ..right }),
    ] {
        let score = scored(fleets, seed, assumed);
        println!("{wrong}\n{score}");
        kept &= !assumed.learnt || score.is_kept();
    }
    if kept { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Where the model's assumptions and the truth part.
#[derive(Clone, Copy)]
struct Assumed {
    /// The noise handed to the model beside the true one.
    noise: f64,
    /// Whether the spread of a pack that ends unannounced stays as it was when new.
    flat: bool,
    /// The power of the distance with which spread grows but for noise.
    power: f64,
    /// Whether power and noise are learnt from the checks of 100 packs of each fleet.
    learnt: bool,
}

impl Default for Assumed {
    fn default() -> Self {
        Self { noise: 1.0, flat: false, power: 1.0, learnt: false }
    }
}

/// One chance, said and seen.
struct Said {
    curve: f64,
    outlook: f64,
    failed: bool,
}

struct Score {
    said: Vec<Said>,
}

/// A tenth of the packs, by the chance said.
struct Tenth {
    said: f64,
    seen: f64,
    error: f64,
}

impl Score {
    fn mean(&self, of: impl Fn(&Said) -> f64) -> f64 {
        self.said.iter().map(of).sum::<f64>() / self.said.len() as f64
    }

    /// The Brier score, the mean squared miss (G. W. Brier 1950).
    fn brier(&self, chance: impl Fn(&Said) -> f64) -> f64 {
        self.mean(|said| (chance(said) - happened(said)) * (chance(said) - happened(said)))
    }

    fn three(&self) -> [f64; 3] {
        let rate = self.mean(happened);
        [self.brier(|_| rate), self.brier(|said| said.curve), self.brier(|said| said.outlook)]
    }

    fn tenths(&self) -> Vec<Tenth> {
        let mut sorted: Vec<&Said> = self.said.iter().collect();
        sorted.sort_by(|one, two| one.outlook.total_cmp(&two.outlook));
        let tenth = |packs: &[&Said]| {
            let mean = |of: &dyn Fn(&Said) -> f64| packs.iter().map(|said| of(said)).sum::<f64>() / packs.len() as f64;
            let variance = mean(&|said| said.outlook * (1.0 - said.outlook));
            let error = libm::sqrt(variance / packs.len() as f64);
            Tenth { said: mean(&|said| said.outlook), seen: mean(&happened), error }
        };
        sorted.chunks(sorted.len().div_ceil(10)).map(tenth).collect()
    }

    fn is_kept(&self) -> bool {
        let [base, curve, outlook] = self.three();
        let strays = |tenth: &Tenth| (tenth.seen - tenth.said).abs() > STRAY * tenth.error + THEORY;
        outlook < curve && outlook < base && !self.tenths().iter().any(strays)
    }
}

fn happened(said: &Said) -> f64 {
    f64::from(u8::from(said.failed))
}

impl fmt::Display for Score {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [base, curve, outlook] = self.three();
        writeln!(out, "{} packs", self.said.len())?;
        writeln!(out, "Brier score: base rate {base:.4}, life curve alone {curve:.4}, outlook {outlook:.4}")?;
        writeln!(out, "{:>8} {:>8} {:>8}", "said", "seen", "error")?;
        for Tenth { said, seen, error } in self.tenths() {
            writeln!(out, "{:>7.1}% {:>7.1}% {:>7.1}%", 100.0 * said, 100.0 * seen, 100.0 * error)?;
        }
        Ok(())
    }
}

/// A pack's spread from new to the limit, step by step, and its life.
struct Truth {
    spread: Vec<f64>,
    life: f64,
}

fn truth(walk: &SpreadWalk, power: f64, random: &mut Random) -> Truth {
    let mut level = walk.new_v + walk.new_sd_v * random.normal();
    let life = SMOOTH.quantile(random.share());
    let smooth = |step: usize| (LIMIT - walk.new_v) * libm::pow(step as f64 * STEP / life, power);
    let noise = walk.noise_v2_per_m * STEP;
    let mut spread = Vec::new();
    loop {
        spread.push(level);
        let drift = smooth(spread.len()) - smooth(spread.len() - 1);
        let next = level + drift + libm::sqrt(noise) * random.normal();
        // The chance that the walk was at the limit between two steps below it (a Brownian bridge's).
        let between = libm::exp(-2.0 * (LIMIT - level) * (LIMIT - next) / noise);
        if next >= LIMIT || random.chance(between) {
            let life = (spread.len() as f64 - random.share()) * STEP;
            return Truth { spread, life };
        }
        level = next;
    }
}

fn alive_at(age: f64, walk: &SpreadWalk, power: f64, random: &mut Random) -> Truth {
    loop {
        let truth = truth(walk, power, random);
        if truth.life > age {
            return truth;
        }
    }
}

fn curve(walk: &SpreadWalk, power: f64, random: &mut Random) -> LifeFit {
    let life = |_| {
        let (age, end) = (truth(walk, power, random).life, random.between(50e6, 450e6));
        Life { entry: 0.0, exit: age.min(end), failed: age <= end, count: 1.0 }
    };
    let lives = Lives::plain((0..LIVES).map(life).collect());
    let found = lives.ok().and_then(|lives| fit(&lives, &Prior::none()).ok());
    let Some(found) = found else { unreachable!("300 lives have a curve") };
    found
}

fn scored(fleets: u64, seed: u64, assumed: Assumed) -> Score {
    let walk = SpreadWalk::default();
    let mut settings = Settings {
        walk: SpreadWalk { noise_v2_per_m: assumed.noise * walk.noise_v2_per_m, ..walk },
        unannounced: UNANNOUNCED,
        ..Settings::default()
    };
    let mut random = Random::new(seed);
    let mut said = Vec::new();
    for _ in 0..fleets {
        let fit = curve(&walk, assumed.power, &mut random);
        if assumed.learnt {
            let packs: Vec<_> = (0..100).map(|_| checks_of_some_pack(&walk, assumed.power, &mut random)).collect();
            settings.walk = walk.learnt(&packs).unwrap_or(walk);
        }
        said.extend((0..PACKS).filter_map(|_| look(&fit, &walk, &settings, assumed, &mut random)));
    }
    Score { said }
}

/// The checks of a pack over its life, but for those at the limit.
fn checks_of_some_pack(walk: &SpreadWalk, power: f64, random: &mut Random) -> Vec<SpreadCheck> {
    let pack = truth(walk, power, random);
    (0..random.below(7)).filter_map(|_| check(&pack.spread, random.below(pack.spread.len()), walk, random)).collect()
}

fn check(spread: &[f64], at: usize, walk: &SpreadWalk, random: &mut Random) -> Option<SpreadCheck> {
    let spread_v = spread.get(at)? + walk.check_sd_v * random.normal();
    Some(SpreadCheck { age: Metres((at as f64 * STEP) as i64), spread_v })
}

/// A pack looked at at some age: `None` where it is not alive then, or a check finds it degraded already.
fn look(fit: &LifeFit, walk: &SpreadWalk, settings: &Settings, assumed: Assumed, random: &mut Random) -> Option<Said> {
    let steps = 1 + random.below(OLDEST);
    let age = steps as f64 * STEP;
    let pack = Some(truth(walk, assumed.power, random)).filter(|pack| pack.life > age)?;
    let metres_per_day = random.between(100e3, 350e3);
    let unannounced = random.chance(UNANNOUNCED);
    let mut other = alive_at(age, walk, assumed.power, random);
    if let (true, Some(new)) = (assumed.flat, other.spread.first().copied()) {
        other.spread.fill(new);
    }
    let shown = if unannounced { &other.spread } else { &pack.spread };
    let checks: Vec<SpreadCheck> =
        (0..random.below(7)).filter_map(|_| check(shown, random.below(steps + 1), walk, random)).collect();
    if checks.iter().any(|check| check.spread_v >= LIMIT) {
        return None;
    }
    let usual = Usual { age: Metres(150_000_000), metres_per_day: 225e3 };
    let no_trips = BTreeMap::new();
    let codes = CodeLog::fold(&[], Trips { by_day: &no_trips, zone: chrono_tz::UTC }, chrono::DateTime::UNIX_EPOCH);
    let inputs = Inputs {
        age: Metres(age as i64),
        metres_per_day,
        usual,
        life: Some(LifeCurve { fit, covariates: &[] }),
        limit_v: LIMIT,
        checks: &checks,
        codes: &codes,
        cooling: Cooling::NOT_KNOWN,
        unit: DistanceUnit::Kilometre,
    };
    let further = DAYS * metres_per_day;
    Some(Said {
        curve: fit.curve(&[]).chance_within(age, further),
        outlook: outlook(&inputs, settings).ok()?.chances?.within_180,
        failed: pack.life <= age + further,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_outlook_keeps_its_word() {
        let score = scored(3, SEED, Assumed::default());
        assert!(score.is_kept(), "{score}");
    }

    #[test]
    fn a_wrong_noise_is_found_out() {
        let score = scored(6, SEED, Assumed { noise: 0.01, ..Assumed::default() });
        assert!(!score.is_kept(), "{score}");
    }
}
