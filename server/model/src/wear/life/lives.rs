//! Lives of packs, checked and laid out for the fit.

use std::fmt;

/// What is known of the life of one pack, or of several alike, in any one unit of age (miles, days, cycles).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Life {
    /// The age at which watching began: 0 for a pack followed from new, above 0 for one in a car bought used. What
    /// failed before that age was never seen, and the fit allows for it (left truncation).
    pub entry: f64,
    /// The age at which watching ended: at the failure, or while still alive (right censoring).
    pub exit: f64,
    /// Whether it ended with a failure.
    pub failed: bool,
    /// How many packs with just this life.
    pub count: f64,
}

impl Life {
    /// A pack watched from new.
    #[must_use]
    pub const fn from_new(exit: f64, failed: bool) -> Self {
        Self { entry: 0.0, exit, failed, count: 1.0 }
    }

    fn check(&self, row: usize) -> Result<(), BadLives> {
        let refuse = |field, value| Err(BadLives::Life { row, field, value });
        if !(self.entry >= 0.0 && self.entry.is_finite()) {
            return refuse(LifeField::Entry, self.entry);
        }
        if !(self.exit > self.entry && self.exit.is_finite()) {
            return refuse(LifeField::Exit, self.exit);
        }
        if !(self.count > 0.0 && self.count.is_finite()) {
            return refuse(LifeField::Count, self.count);
        }
        Ok(())
    }
}

/// A field of a life.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LifeField {
    /// `entry`, from 0.
    Entry,
    /// `exit`, after `entry`.
    Exit,
    /// `count`, above 0.
    Count,
}

/// Why lives cannot be taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum BadLives {
    /// A field that cannot be.
    Life {
        /// Which life.
        row: usize,
        /// Its field.
        field: LifeField,
        /// What it holds.
        value: f64,
    },
    /// A covariate that is not a finite number.
    Covariate {
        /// Which life.
        row: usize,
        /// Which covariate.
        covariate: usize,
        /// What it holds.
        value: f64,
    },
    /// A covariate that is not given for every life.
    Length {
        /// Which covariate.
        covariate: usize,
        /// For how many it is given.
        found: usize,
        /// For how many it should be.
        lives: usize,
    },
}

impl fmt::Display for BadLives {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Life { row, field: LifeField::Entry, value } => {
                write!(out, "life {row}: entry {value} is not a finite age from 0")
            }
            Self::Life { row, field: LifeField::Exit, value } => {
                write!(out, "life {row}: exit {value} is not a finite age after the entry")
            }
            Self::Life { row, field: LifeField::Count, value } => {
                write!(out, "life {row}: count {value} is not a finite number above 0")
            }
            Self::Covariate { row, covariate, value } => {
                write!(out, "life {row}: covariate {covariate} is {value}, not a finite number")
            }
            Self::Length { covariate, found, lives } => {
                write!(out, "covariate {covariate} is given for {found} of {lives} lives")
            }
        }
    }
}

impl std::error::Error for BadLives {}

/// Checked lives with their covariates.
///
/// Ages are held as logarithms beside the longest, and covariates with mean 0 and standard deviation 1, so that neither
/// the unit of the ages nor that of a covariate matters to the fit.
#[derive(Clone, Debug)]
pub struct Lives {
    pub(super) lives: Vec<Life>,
    pub(super) rows: Vec<Row>,
    /// For each row 1 and then its covariates.
    pub(super) terms: Vec<f64>,
    pub(super) covariates: Vec<Scaling>,
    /// Logarithm of the longest age.
    pub(super) longest: f64,
    pub(super) failed: Failed,
}

/// A life with its ages as logarithms; the entry is minus infinity for a pack followed from new.
#[derive(Clone, Copy, Debug)]
pub(super) struct Row {
    pub(super) entry: f64,
    pub(super) exit: f64,
    pub(super) count: f64,
}

/// How a covariate is held.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scaling {
    pub(super) mean: f64,
    pub(super) spread: f64,
}

impl Scaling {
    /// Mean and standard deviation, weighed by the counts; a spread of 0 for a covariate that does not vary.
    fn of(column: &[f64], lives: &[Life]) -> Self {
        let packs: f64 = lives.iter().map(|life| life.count).sum();
        let mean = column.iter().zip(lives).map(|(value, life)| life.count * value).sum::<f64>() / packs;
        let square = column.iter().zip(lives).map(|(value, life)| life.count * (value - mean) * (value - mean));
        let spread = libm::sqrt(square.sum::<f64>() / packs);
        let noise = 1e-13 * column.iter().fold(0.0, |most: f64, value| most.max(value.abs()));
        Self { mean, spread: if spread > noise { spread } else { 0.0 } }
    }

    pub(super) fn scaled(self, value: f64) -> f64 {
        if self.spread > 0.0 { (value - self.mean) / self.spread } else { 0.0 }
    }
}

/// Sums over the failures.
#[derive(Clone, Debug, Default)]
pub(super) struct Failed {
    /// Of the terms; the first is their number.
    pub(super) terms: Vec<f64>,
    /// Of the logarithms of the ages, beside the longest.
    pub(super) logs: f64,
    /// Of the squares of these.
    pub(super) squares: f64,
}

impl Failed {
    pub(super) fn number(&self) -> f64 {
        self.terms.first().copied().unwrap_or(0.0)
    }
}

impl Lives {
    /// Takes lives and their covariates, one column for each covariate.
    ///
    /// # Errors
    /// Names the first field or covariate that cannot be.
    pub fn new(lives: Vec<Life>, covariates: &[Vec<f64>]) -> Result<Self, BadLives> {
        lives.iter().enumerate().try_for_each(|(row, life)| life.check(row))?;
        covariates.iter().enumerate().try_for_each(|(number, column)| check_column(number, column, lives.len()))?;
        Ok(Self::laid_out(lives, covariates))
    }

    fn laid_out(lives: Vec<Life>, covariates: &[Vec<f64>]) -> Self {
        let longest = libm::log(lives.iter().fold(f64::MIN_POSITIVE, |longest, life| longest.max(life.exit)));
        let row = |life: &Life| Row {
            entry: if life.entry > 0.0 { libm::log(life.entry) - longest } else { f64::NEG_INFINITY },
            exit: libm::log(life.exit) - longest,
            count: life.count,
        };
        let rows: Vec<Row> = lives.iter().map(row).collect();
        let scaling: Vec<Scaling> = covariates.iter().map(|column| Scaling::of(column, &lives)).collect();
        let mut terms = Vec::with_capacity(lives.len() * (1 + covariates.len()));
        for number in 0..lives.len() {
            terms.push(1.0);
            let values = covariates.iter().map(|column| column.get(number).copied().unwrap_or(0.0));
            terms.extend(values.zip(&scaling).map(|(value, scaling)| scaling.scaled(value)));
        }
        let mut all = Self { lives, rows, terms, covariates: scaling, longest, failed: Failed::default() };
        all.failed = all.sum_failures();
        all
    }

    /// Takes lives without covariates.
    ///
    /// # Errors
    /// Names the first field that cannot be.
    pub fn plain(lives: Vec<Life>) -> Result<Self, BadLives> {
        Self::new(lives, &[])
    }

    /// No lives.
    #[must_use]
    pub fn none() -> Self {
        Self::laid_out(Vec::new(), &[])
    }

    /// The same lives without their covariates.
    #[must_use]
    pub fn without_covariates(&self) -> Self {
        Self::laid_out(self.lives.clone(), &[])
    }

    /// The lives as they were given.
    #[must_use]
    pub fn lives(&self) -> &[Life] {
        &self.lives
    }

    /// How many packs failed.
    #[must_use]
    pub fn failures(&self) -> f64 {
        self.failed.number()
    }

    /// How many packs.
    #[must_use]
    pub fn packs(&self) -> f64 {
        self.lives.iter().map(|life| life.count).sum()
    }

    /// The covariates of a life, as they were given.
    pub(crate) fn covariates_of(&self, number: usize) -> Vec<f64> {
        let terms = self.terms.iter().skip(number * self.width() + 1);
        terms.zip(&self.covariates).map(|(term, scaling)| scaling.mean + scaling.spread * term).collect()
    }

    /// Terms of a row: 1 and the covariates.
    pub(crate) fn width(&self) -> usize {
        1 + self.covariates.len()
    }

    /// Each row with its terms.
    pub(super) fn each(&self) -> impl Iterator<Item = (&Row, &[f64])> {
        self.rows.iter().zip(self.terms.chunks_exact(self.width()))
    }

    fn sum_failures(&self) -> Failed {
        let mut sums = Failed { terms: vec![0.0; self.width()], ..Failed::default() };
        for ((row, terms), life) in self.each().zip(&self.lives) {
            if life.failed {
                sums.terms.iter_mut().zip(terms).for_each(|(sum, term)| *sum += row.count * term);
                sums.logs += row.count * row.exit;
                sums.squares += row.count * row.exit * row.exit;
            }
        }
        sums
    }
}

fn check_column(covariate: usize, column: &[f64], lives: usize) -> Result<(), BadLives> {
    if column.len() != lives {
        return Err(BadLives::Length { covariate, found: column.len(), lives });
    }
    match column.iter().enumerate().find(|(_, value)| !value.is_finite()) {
        Some((row, &value)) => Err(BadLives::Covariate { row, covariate, value }),
        None => Ok(()),
    }
}
