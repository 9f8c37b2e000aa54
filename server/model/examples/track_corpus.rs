//! Scores the odometer track on a generated fleet whose truth is known, and prints the table.
//!
//! `cargo run --release -p ventmile-model --example track_corpus [-- SEED [CARS [PERCENT]]]`, where PERCENT is how
//! much dirt there is against the committed mix.
//!
//! Cars of four usage patterns over fourteen months, read by two or three sources, with the dirt mix committed in
//! `corpus/dirt.rs`. Readings are handed over one by one in the order in which they arrive; each is scored once three
//! later ones are in. Harmful is a reading more than 50 miles off the truth at the time it states. Day clock errors
//! are reported apart, and so is each reading's verdict at the moment it comes in.

#[path = "corpus/car.rs"]
mod car;
#[path = "corpus/dirt.rs"]
mod dirt;
#[path = "corpus/random.rs"]
mod random;
#[path = "corpus/score.rs"]
mod score;

use random::Random;
use score::Score;

/// The committed corpus.
const SEED: u64 = 1;
/// Cars in it.
const CARS: u64 = 600;

fn main() {
    let mut arguments = std::env::args().skip(1).map(|argument| argument.parse::<u64>().ok());
    let seed = arguments.next().flatten().unwrap_or(SEED);
    let cars = arguments.next().flatten().unwrap_or(CARS);
    let percent = arguments.next().flatten().unwrap_or(100);
    println!("{cars} cars over fourteen months, seed {seed}, {percent} % of the committed dirt\n");
    print!("{}", scored(seed, cars, percent as f64 / 100.0));
}

/// The score of a fleet with `dirt` times the committed mix.
fn scored(seed: u64, cars: u64, dirt: f64) -> Score {
    let mut random = Random::new(seed);
    let mut score = Score::default();
    let fleet: Vec<_> = (0..cars).map(|_| car::Car::new(&mut random)).collect();
    for (number, car) in fleet.iter().enumerate() {
        let other = fleet.get((number + 1) % fleet.len()).unwrap_or(car);
        score.add(&dirt::readings(car, other, dirt, &mut random));
    }
    score
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bounds_are_met() {
        let score = scored(SEED, CARS / 2, 1.0);
        assert!(score.within_bounds(), "{score}");
    }
}
