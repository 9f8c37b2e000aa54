//! An exponentially weighted level.

/// A level that forgets: `sum(d^k x_(t-k)) / sum(d^k)` over the steps so far, with a decay `d` a step.
///
/// In the long run that is `m + (1 - d) (x - m)`: the steady state of the Kalman filter of a level that drifts, seen with
/// noise. With variances `q` of the drift and `r` of the noise its gain `K` solves `K² / (1 - K) = q / r` (Durbin &
/// Koopman, "Time series analysis by state space methods", 2012, section 2.11; from memory), and `d = 1 - K`. Dividing by
/// the weights so far is the start from nothing known: the first value is believed wholly.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Level {
    sum: f64,
    weight: f64,
}

impl Level {
    pub(super) fn step(&mut self, decay: f64, value: f64) {
        self.sum = decay * self.sum + value;
        self.weight = decay * self.weight + 1.0;
    }

    /// The level; not a number before the first step.
    pub(super) fn mean(&self) -> f64 {
        self.sum / self.weight
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Annual flow of the Nile at Aswan, 1871 to 1970 (Durbin & Koopman, section 2).
    const NILE: [f64; 100] = [
        1120.0, 1160.0, 963.0, 1210.0, 1160.0, 1160.0, 813.0, 1230.0, 1370.0, 1140.0, 995.0, 935.0, 1110.0, 994.0,
        1020.0, 960.0, 1180.0, 799.0, 958.0, 1140.0, 1100.0, 1210.0, 1150.0, 1250.0, 1260.0, 1220.0, 1030.0, 1100.0,
        774.0, 840.0, 874.0, 694.0, 940.0, 833.0, 701.0, 916.0, 692.0, 1020.0, 1050.0, 969.0, 831.0, 726.0, 456.0,
        824.0, 702.0, 1120.0, 1100.0, 832.0, 764.0, 821.0, 768.0, 845.0, 864.0, 862.0, 698.0, 845.0, 744.0, 796.0,
        1040.0, 759.0, 781.0, 865.0, 845.0, 944.0, 984.0, 897.0, 822.0, 1010.0, 771.0, 676.0, 649.0, 846.0, 812.0,
        742.0, 801.0, 1040.0, 860.0, 874.0, 848.0, 890.0, 744.0, 749.0, 838.0, 1050.0, 918.0, 986.0, 797.0, 923.0,
        975.0, 815.0, 1020.0, 906.0, 901.0, 1170.0, 912.0, 746.0, 919.0, 718.0, 714.0, 740.0,
    ];

    /// Variances of the noise and of the drift, by maximum likelihood (the same source).
    const NOISE: f64 = 15_099.0;
    const DRIFT: f64 = 1_469.1;

    #[test]
    fn once_its_start_is_forgotten_it_is_the_kalman_filter_of_a_drifting_level() {
        let ratio = DRIFT / NOISE;
        let gain = (libm::sqrt(ratio * ratio + 4.0 * ratio) - ratio) / 2.0;
        let mut level = Level::default();
        let levels: Vec<f64> = NILE
            .iter()
            .map(|flow| {
                level.step(1.0 - gain, *flow);
                level.mean()
            })
            .collect();
        // Filtered levels by statsmodels 0.14 (exact diffuse start). The two starts differ by less than 0.27 * 0.73^n.
        for (year, expected) in [(1950, 866.395792), (1970, 798.370293)] {
            let found = levels[year - 1871];
            assert!((found - expected).abs() <= 1e-8 * expected, "{year}: {found} is not {expected}");
        }
        for (year, expected) in [(1898, 1133.12629), (1913, 749.42045), (1916, 849.800636)] {
            let found = levels[year - 1871];
            assert!((found - expected).abs() <= 1e-3 * expected, "{year}: {found} is not {expected}");
        }
    }

    #[test]
    fn the_first_value_is_believed_wholly() {
        let mut level = Level::default();
        level.step(0.9, 1_120.0);
        assert_eq!(level.mean(), 1_120.0);
    }
}
