//! Numbers that look random, from a seed, for tests of made cases.

use crate::dist::normal;

/// The generator splitmix64 (Steele, Lea & Flood 2014).
pub(super) struct Draws(pub(super) u64);

impl Draws {
    /// The next standard normal number.
    pub(super) fn normal(&mut self) -> f64 {
        normal::quantile(self.share())
    }

    /// The next number between zero and one.
    pub(super) fn share(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mixed = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((mixed ^ (mixed >> 31)) as f64 + 0.5) / 18_446_744_073_709_551_616.0
    }
}
