//! What may speed up wear, as the covariates of a life curve.

use std::collections::BTreeSet;
use std::fmt;

/// How a pack was used.
#[derive(Clone, Debug, PartialEq)]
pub struct Use {
    /// Distance a day on the road, in any one unit.
    pub rate: f64,
    /// How many times faster than at the reference temperature it aged: [`mean_factor`](crate::wear::Arrhenius::mean_factor).
    pub heat_factor: f64,
    /// Share of its distance driven with the fan service past its late edge, 0 to 1.
    pub late_share: f64,
    /// The pack's type.
    pub pack_type: String,
}

/// The use whose covariates are all 0, at the reference temperature and with services in time: that of the intercept.
#[derive(Clone, Debug, PartialEq)]
pub struct Usual {
    /// Distance a day on the road, in the unit of [`Use::rate`].
    pub rate: f64,
    /// The pack type beside which the others are held.
    pub pack_type: String,
}

/// A covariate.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Covariate {
    /// Logarithm of the rate of use beside the usual one.
    Rate,
    /// Logarithm of the heat factor.
    Heat,
    /// Share driven past the late edge of the fan service.
    LateShare,
    /// 1 for this pack type and 0 for any other.
    PackType(String),
}

/// A field of a use, and what it holds, that cannot be: a rate or factor not above 0, a share not from 0 to 1.
#[derive(Clone, Debug, PartialEq)]
pub struct BadUse {
    /// Which use.
    pub row: usize,
    /// Its covariate.
    pub covariate: Covariate,
    /// What it holds.
    pub value: f64,
}

impl fmt::Display for BadUse {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let allowed = if self.covariate == Covariate::LateShare { "from 0 to 1" } else { "above 0" };
        write!(out, "use {}: {} is {}, not {allowed}", self.row, self.covariate, self.value)
    }
}

impl std::error::Error for BadUse {}

impl fmt::Display for Covariate {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Rate => out.write_str("rate of use"),
            Self::Heat => out.write_str("heat"),
            Self::LateShare => out.write_str("share driven past the late edge"),
            Self::PackType(name) => write!(out, "pack type {name}"),
        }
    }
}

impl Covariate {
    /// Its value for a use; the logarithm of rate and factor, so that its coefficient is a power of either.
    fn of(&self, of: &Use, usual: &Usual) -> f64 {
        match self {
            Self::Rate => libm::log(of.rate / usual.rate),
            Self::Heat => libm::log(of.heat_factor),
            Self::LateShare => of.late_share,
            Self::PackType(name) => f64::from(u8::from(of.pack_type == *name)),
        }
    }
}

/// The covariates of a fleet.
#[derive(Clone, Debug, PartialEq)]
pub struct Accelerators {
    /// Those that vary in it, in the order of the coefficients of a fit.
    pub covariates: Vec<Covariate>,
    /// Those left out, since all packs have the same.
    pub left_out: Vec<Covariate>,
    /// A column for each covariate, as [`Lives::new`](super::Lives::new) takes them.
    pub columns: Vec<Vec<f64>>,
    usual: Usual,
}

impl Accelerators {
    /// The covariates of these packs.
    ///
    /// # Errors
    /// Names the first use that cannot be.
    pub fn new(uses: &[Use], usual: Usual) -> Result<Self, BadUse> {
        uses.iter().enumerate().try_for_each(|(row, of)| check(row, of))?;
        let types: BTreeSet<&String> =
            uses.iter().map(|of| &of.pack_type).filter(|name| **name != usual.pack_type).collect();
        let mut all = Self { covariates: Vec::new(), left_out: Vec::new(), columns: Vec::new(), usual };
        let types = types.into_iter().map(|name| Covariate::PackType(name.clone()));
        for covariate in [Covariate::Rate, Covariate::Heat, Covariate::LateShare].into_iter().chain(types) {
            let column: Vec<f64> = uses.iter().map(|of| covariate.of(of, &all.usual)).collect();
            if column.iter().any(|value| Some(value) != column.first()) {
                all.covariates.push(covariate);
                all.columns.push(column);
            } else {
                all.left_out.push(covariate);
            }
        }
        Ok(all)
    }

    /// No covariates: every pack counts as a usual one.
    #[must_use]
    pub const fn none(usual: Usual) -> Self {
        Self { covariates: Vec::new(), left_out: Vec::new(), columns: Vec::new(), usual }
    }

    /// Leaves one covariate out that a fit refuses; `None` where there is none of that number.
    pub fn leave_out(&mut self, number: usize) -> Option<Covariate> {
        if number >= self.covariates.len() {
            return None;
        }
        self.columns.remove(number);
        let covariate = self.covariates.remove(number);
        self.left_out.push(covariate.clone());
        Some(covariate)
    }

    /// The covariates of one use, in the same order, for a curve of its own.
    #[must_use]
    pub fn of(&self, of: &Use) -> Vec<f64> {
        self.covariates.iter().map(|covariate| covariate.of(of, &self.usual)).collect()
    }
}

fn check(row: usize, of: &Use) -> Result<(), BadUse> {
    let positive = |value: f64| value > 0.0 && value.is_finite();
    let fields = [
        (Covariate::Rate, of.rate, positive(of.rate)),
        (Covariate::Heat, of.heat_factor, positive(of.heat_factor)),
        (Covariate::LateShare, of.late_share, (0.0..=1.0).contains(&of.late_share)),
    ];
    match fields.into_iter().find(|(_, _, good)| !good) {
        Some((covariate, value, _)) => Err(BadUse { row, covariate, value }),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn used(rate: f64, late_share: f64, pack_type: &str) -> Use {
        Use { rate, heat_factor: 1.5, late_share, pack_type: pack_type.into() }
    }

    #[test]
    fn what_does_not_vary_is_left_out() {
        let usual = Usual { rate: 100.0, pack_type: "A".into() };
        let uses = [used(100.0, 0.0, "A"), used(200.0, 0.5, "B"), used(50.0, 0.0, "A")];
        let all = Accelerators::new(&uses, usual).unwrap();
        let kind = Covariate::PackType("B".into());
        assert_eq!(all.covariates, [Covariate::Rate, Covariate::LateShare, kind]);
        assert_eq!(all.left_out, [Covariate::Heat]);
        assert_eq!(all.of(&used(100.0, 1.0, "C")), [0.0, 1.0, 0.0]);
        let two = std::f64::consts::LN_2;
        assert_eq!(all.columns, [vec![0.0, two, -two], vec![0.0, 0.5, 0.0], vec![0.0, 1.0, 0.0]]);
    }

    #[test]
    fn what_a_fit_refuses_can_be_left_out() {
        let usual = Usual { rate: 100.0, pack_type: "A".into() };
        let uses = [used(100.0, 0.0, "A"), used(200.0, 0.5, "B")];
        let mut all = Accelerators::new(&uses, usual.clone()).unwrap();
        assert_eq!(all.leave_out(1), Some(Covariate::LateShare));
        assert_eq!((all.covariates.len(), all.columns.len(), all.of(&uses[1]).len()), (2, 2, 2));
        assert_eq!(all.leave_out(2), None);
        assert_eq!(Accelerators::none(usual).of(&uses[0]), [0.0; 0]);
    }

    #[test]
    fn what_cannot_be_is_named() {
        let usual = Usual { rate: 100.0, pack_type: "A".into() };
        let found = Accelerators::new(&[used(1.0, 0.0, "A"), used(1.0, 1.5, "A")], usual.clone()).unwrap_err();
        assert_eq!(found.to_string(), "use 1: share driven past the late edge is 1.5, not from 0 to 1");
        let found = Accelerators::new(&[used(0.0, 0.0, "A")], usual).unwrap_err();
        assert_eq!(found, BadUse { row: 0, covariate: Covariate::Rate, value: 0.0 });
    }
}
