//! Technicians: certificates, hours, absences, and whether they fit a piece of work.

use std::fmt;

use chrono::NaiveDate;

use super::{Needs, Procedure};
use crate::fleet::{DayHours, OpeningHours};

/// A certificate held by a person.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Certificate {
    /// The fleet's name for it, as procedures ask for it.
    pub name: String,
    /// Its last valid day.
    pub expires_on: NaiveDate,
}

/// Days on which a person is away, both ends included.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Absence {
    /// First day away.
    pub from: NaiveDate,
    /// Last day away.
    pub to: NaiveDate,
}

/// A technician.
#[derive(Clone, Debug, PartialEq)]
pub struct Technician {
    /// The fleet's own code, as evidence and orders name the person.
    pub code: String,
    /// Code of the depot where they work.
    pub depot: String,
    /// Certificates held.
    pub certificates: Vec<Certificate>,
    /// Working hours by weekday.
    pub hours: OpeningHours,
    /// Days away.
    pub absences: Vec<Absence>,
    /// Since when they work here no more.
    pub retired_on: Option<NaiveDate>,
}

/// Why a technician does not fit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Unfit {
    /// The certificate is not held.
    NoCertificate(String),
    /// The certificate has expired.
    Expired {
        /// Its name.
        name: String,
        /// Its last valid day.
        on: NaiveDate,
    },
    /// Does not work on that weekday.
    DayOff,
    /// Is away.
    Away {
        /// Last day away.
        to: NaiveDate,
    },
    /// Works at another depot.
    OtherDepot(String),
    /// Works here no more.
    Retired {
        /// Since when.
        on: NaiveDate,
    },
}

impl fmt::Display for Unfit {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoCertificate(name) => write!(out, "holds no certificate `{name}`"),
            Self::Expired { name, on } => write!(out, "certificate `{name}` expired on {on}"),
            Self::DayOff => out.write_str("does not work on that weekday"),
            Self::Away { to } => write!(out, "is away until {to}"),
            Self::OtherDepot(depot) => write!(out, "works at depot {depot}"),
            Self::Retired { on } => write!(out, "was retired on {on}"),
        }
    }
}

impl Technician {
    /// Whether they still work here on `on`.
    ///
    /// # Errors
    /// [`Unfit::Retired`].
    pub fn serves(&self, on: NaiveDate) -> Result<(), Unfit> {
        match self.retired_on.filter(|retired| *retired <= on) {
            Some(on) => Err(Unfit::Retired { on }),
            None => Ok(()),
        }
    }

    /// Whether the certificate `name` is valid on `on`; of several with one name the longest-running counts.
    ///
    /// # Errors
    /// [`Unfit::NoCertificate`] or [`Unfit::Expired`].
    pub fn holds(&self, name: &str, on: NaiveDate) -> Result<(), Unfit> {
        let expires = self.certificates.iter().filter(|held| held.name == name).map(|held| held.expires_on).max();
        match expires {
            None => Err(Unfit::NoCertificate(name.to_owned())),
            Some(last) if last < on => Err(Unfit::Expired { name: name.to_owned(), on: last }),
            Some(_) => Ok(()),
        }
    }

    /// The hours worked on `on`.
    ///
    /// # Errors
    /// [`Unfit::DayOff`], [`Unfit::Away`] or [`Unfit::Retired`].
    pub fn works(&self, on: NaiveDate) -> Result<DayHours, Unfit> {
        use chrono::Datelike;
        self.serves(on)?;
        let away = self.absences.iter().filter(|absence| absence.from <= on && on <= absence.to);
        match away.map(|absence| absence.to).max() {
            Some(to) => Err(Unfit::Away { to }),
            None => self.hours.on(on.weekday()).ok_or(Unfit::DayOff),
        }
    }

    /// Whether the technician may be given a step with `needs` on `on`.
    ///
    /// # Errors
    /// Every reason why not.
    pub fn fit_for_step(&self, needs: &Needs, on: NaiveDate) -> Result<(), Vec<Unfit>> {
        self.fit(needs.certificate.iter(), on, Vec::new())
    }

    /// Whether the technician may be given an order with `procedure` at `depot` on `on`: every certificate of its steps, on
    /// duty, at that depot.
    ///
    /// # Errors
    /// Every reason why not.
    pub fn fit_for_order(&self, procedure: &Procedure, depot: &str, on: NaiveDate) -> Result<(), Vec<Unfit>> {
        let mut names: Vec<_> = procedure.steps.iter().filter_map(|step| step.needs.certificate.as_ref()).collect();
        names.sort();
        names.dedup();
        let elsewhere = (self.depot != depot).then(|| Unfit::OtherDepot(self.depot.clone()));
        self.fit(names.into_iter(), on, elsewhere.into_iter().collect())
    }

    fn fit<'a>(
        &self,
        certificates: impl Iterator<Item = &'a String>,
        on: NaiveDate,
        mut reasons: Vec<Unfit>,
    ) -> Result<(), Vec<Unfit>> {
        reasons.extend(self.works(on).err());
        reasons.extend(certificates.filter_map(|name| self.holds(name, on).err()));
        if reasons.is_empty() { Ok(()) } else { Err(reasons) }
    }
}

#[cfg(test)]
mod tests {
    use chrono::NaiveTime;

    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn kim() -> Technician {
        let shift = DayHours { opens: NaiveTime::MIN, closes: NaiveTime::from_hms_opt(8, 0, 0).unwrap() };
        Technician {
            code: "kim".into(),
            depot: "north".into(),
            certificates: vec![Certificate { name: "high-voltage".into(), expires_on: day("2026-06-30") }],
            hours: OpeningHours([Some(shift), Some(shift), Some(shift), Some(shift), Some(shift), None, None]),
            absences: vec![Absence { from: day("2026-05-04"), to: day("2026-05-06") }],
            retired_on: Some(day("2026-07-06")),
        }
    }

    #[test]
    fn fit_means_certified_and_on_duty() {
        #[track_caller]
        fn check(on: &str, certificate: Option<&str>, expected: &[Unfit]) {
            let needs = Needs { certificate: certificate.map(str::to_owned), ..Needs::default() };
            let found = kim().fit_for_step(&needs, day(on)).err().unwrap_or_default();
            assert_eq!(found, expected);
        }
        let expired = || Unfit::Expired { name: "high-voltage".into(), on: day("2026-06-30") };
        check("2026-06-30", Some("high-voltage"), &[]);
        check("2026-07-01", Some("high-voltage"), &[expired()]);
        check("2026-06-30", Some("lifting"), &[Unfit::NoCertificate("lifting".into())]);
        check("2026-06-28", None, &[Unfit::DayOff]);
        check("2026-05-03", None, &[Unfit::DayOff]);
        check("2026-05-04", None, &[Unfit::Away { to: day("2026-05-06") }]);
        check("2026-05-07", None, &[]);
        check("2026-07-05", Some("high-voltage"), &[Unfit::DayOff, expired()]);
        check("2026-07-06", None, &[Unfit::Retired { on: day("2026-07-06") }]);
    }
}
