//! Heat: how much faster a pack ages when it is hot.

/// Boltzmann's constant in electronvolts a kelvin (CODATA 2018, exact by the definition of the kelvin to these digits).
const BOLTZMANN_EV: f64 = 8.617_333e-5;

/// Zero degrees Celsius in kelvin.
const CELSIUS_ZERO: f64 = 273.15;

/// Arrhenius' law with its activation energy, counted from a reference temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Arrhenius {
    /// Activation energy in electronvolts. 0.55 doubles the ageing every 10 °C about room temperature.
    pub activation_ev: f64,
    /// The temperature at which the factor is 1, in degrees Celsius.
    pub reference_c: f64,
}

/// No published activation energy for these packs was found: 0.55 eV is the rule of thumb "twice as fast for every
/// 10 °C" (common practice, no published source), to be set by who knows better.
impl Default for Arrhenius {
    fn default() -> Self {
        Self { activation_ev: 0.55, reference_c: 25.0 }
    }
}

/// Time spent at one temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Exposure {
    /// Pack temperature in degrees Celsius.
    pub celsius: f64,
    /// Hours at it.
    pub hours: f64,
}

impl Arrhenius {
    /// How many times faster than at the reference a pack ages at `celsius`: `exp(E / k (1 / T_ref - 1 / T))`
    /// (S. Arrhenius 1889).
    #[must_use]
    pub fn factor(self, celsius: f64) -> f64 {
        let inverse = 1.0 / (self.reference_c + CELSIUS_ZERO) - 1.0 / (celsius + CELSIUS_ZERO);
        libm::exp(self.activation_ev / BOLTZMANN_EV * inverse)
    }

    /// The mean factor over a history, each hour weighing alike: hours of ageing for every hour that passed. `None`
    /// without hours, and where a temperature or a number of hours cannot be.
    ///
    /// Its logarithm is the heat covariate of a life curve: 0 for a pack kept at the reference.
    #[must_use]
    pub fn mean_factor(self, history: &[Exposure]) -> Option<f64> {
        let possible = |at: &Exposure| at.celsius > -CELSIUS_ZERO && at.celsius.is_finite() && at.hours >= 0.0;
        if !history.iter().all(possible) {
            return None;
        }
        let hours: f64 = history.iter().map(|at| at.hours).sum();
        let aged: f64 = history.iter().map(|at| at.hours * self.factor(at.celsius)).sum();
        Some(aged / hours).filter(|factor| factor.is_finite())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(activation_ev: f64) -> Arrhenius {
        Arrhenius { activation_ev, reference_c: 25.0 }
    }

    #[test]
    fn ten_degrees_more() {
        // Computed from the formula with k = 8.617333e-5 eV/K, to the digits given.
        for (activation, factor) in [(0.5, 1.88), (0.6, 2.13), (0.7, 2.42)] {
            assert!((at(activation).factor(35.0) - factor).abs() < 0.005);
        }
        assert_eq!(at(0.6).factor(25.0), 1.0);
        assert!((Arrhenius::default().factor(35.0) - 2.0).abs() < 0.02);
        assert!(at(0.6).factor(15.0) < 1.0);
    }

    #[test]
    fn a_history_is_weighed_by_its_hours() {
        let history = [Exposure { celsius: 25.0, hours: 30.0 }, Exposure { celsius: 35.0, hours: 10.0 }];
        let expected = 0.75 + 0.25 * at(0.6).factor(35.0);
        assert!((at(0.6).mean_factor(&history).unwrap() - expected).abs() < 1e-12);
        assert_eq!(at(0.6).mean_factor(&[]), None);
        assert_eq!(at(0.6).mean_factor(&[Exposure { celsius: -300.0, hours: 1.0 }]), None);
        assert_eq!(at(0.6).mean_factor(&[Exposure { celsius: 20.0, hours: f64::NAN }]), None);
    }
}
