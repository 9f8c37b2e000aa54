//! A small seeded generator, so that the same seed always tells the same story.

/// SplitMix64: a counter stepped by a fixed odd number and mixed by two multiplications.
///
/// Source: G. L. Steele, D. Lea, C. H. Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014.
#[derive(Clone, Debug)]
pub struct SplitMix64(u64);

const STEP: u64 = 0x9E37_79B9_7F4A_7C15;

impl SplitMix64 {
    /// A generator of its own for each `(stream, part)`: what one stream draws moves no other.
    #[must_use]
    pub const fn stream(seed: u64, stream: u64, part: u64) -> Self {
        Self(mix(mix(mix(seed) ^ stream) ^ part))
    }

    /// The next 64 bits.
    pub const fn next_u64(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(STEP);
        mix(self.0)
    }

    /// Uniform in [0, 1), from the upper 53 bits.
    pub fn unit(&mut self) -> f64 {
        (self.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Uniform in [`low`, `high`).
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// True with probability `share`.
    pub fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }

    /// Normal with mean 0 and deviation 1 (G. E. P. Box and M. E. Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let (radius, angle) = ((-2.0 * (1.0 - self.unit()).ln()).sqrt(), std::f64::consts::TAU * self.unit());
        radius * angle.cos()
    }

    /// One of `choices`; `None` when there is none.
    pub fn pick<'a, T>(&mut self, choices: &'a [T]) -> Option<&'a T> {
        choices.get((self.unit() * choices.len() as f64) as usize)
    }
}

const fn mix(value: u64) -> u64 {
    let value = (value ^ (value >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let value = (value ^ (value >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    value ^ (value >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sequence_is_splitmix64() {
        // First outputs for seed 1234567, as widely printed for the reference code in C.
        let mut random = SplitMix64(1_234_567);
        let drawn = [random.next_u64(), random.next_u64(), random.next_u64()];
        assert_eq!(drawn, [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]);
    }

    #[test]
    fn normal_draws_have_their_mean_and_deviation() {
        let mut random = SplitMix64::stream(1, 2, 3);
        let draws: Vec<f64> = (0..10_000).map(|_| random.normal()).collect();
        let mean = draws.iter().sum::<f64>() / 10_000.0;
        let variance = draws.iter().map(|draw| draw * draw).sum::<f64>() / 10_000.0;
        // Four standard errors.
        assert!(mean.abs() < 0.04 && (variance - 1.0).abs() < 0.06, "{mean} {variance}");
    }

    #[test]
    fn draws_stay_within_their_bounds() {
        let mut random = SplitMix64::stream(1, 2, 3);
        for _ in 0..10_000 {
            assert!((-2.0..3.0).contains(&random.between(-2.0, 3.0)));
            assert!(random.pick(&[1, 2, 3]).is_some());
        }
        assert_eq!(random.pick::<u8>(&[]), None);
    }
}
