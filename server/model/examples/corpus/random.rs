//! A small seeded generator (splitmix64, Steele, Lea and Flood 2014), so that the corpus is the same everywhere.

const STEP: u64 = 0x9E37_79B9_7F4A_7C15;

const fn mixed(state: u64) -> u64 {
    let mut mixed = state;
    mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    mixed ^ (mixed >> 31)
}

/// A stream of random numbers.
#[derive(Clone, Debug)]
pub(crate) struct Random {
    state: u64,
}

impl Random {
    /// The seed is mixed, since streams of neighbouring states are the same stream, shifted.
    pub(crate) const fn new(seed: u64) -> Self {
        Self { state: mixed(seed.wrapping_add(STEP)) }
    }

    fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(STEP);
        mixed(self.state)
    }

    /// Uniform from 0 up to but without 1.
    pub(crate) fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Uniform between two numbers.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.share()
    }

    /// Uniform from 0 up to but without `count`.
    pub(crate) fn below(&mut self, count: usize) -> usize {
        ((self.share() * count as f64) as usize).min(count.saturating_sub(1))
    }

    /// Whether something of this chance happens.
    pub(crate) fn chance(&mut self, chance: f64) -> bool {
        self.share() < chance
    }

    /// Standard normal (Box and Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.share()));
        radius * libm::cos(std::f64::consts::TAU * self.share())
    }
}
