//! Gloves and meters: what they are rated for, their test log, and when they fall due.

use std::fmt;

use chrono::{Days, Months, NaiveDate};

/// Class of a rubber insulating glove (ASTM D120; 29 CFR 1910.137 Table I-4), lowest first.
///
/// Class 00 is for 500 V AC or 750 V DC, Class 0 for 1,000 V AC or 1,500 V DC.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum GloveClass {
    /// Class 00, beige label.
    Class00,
    /// Class 0, red label: the least that work on a pack needs (common practice, no published source).
    Class0,
    /// Class 1.
    Class1,
    /// Class 2.
    Class2,
    /// Class 3.
    Class3,
    /// Class 4.
    Class4,
}

impl GloveClass {
    /// Every class, lowest first.
    pub const ALL: [Self; 6] = [Self::Class00, Self::Class0, Self::Class1, Self::Class2, Self::Class3, Self::Class4];

    /// The class as it is marked on the glove: `00`, `0`, `1` to `4`.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Class00 => "00",
            Self::Class0 => "0",
            Self::Class1 => "1",
            Self::Class2 => "2",
            Self::Class3 => "3",
            Self::Class4 => "4",
        }
    }

    /// Reads a class as marked.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|class| class.as_str() == text)
    }
}

/// What a meter or its leads are marked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rating {
    /// Measurement category (IEC 61010-1): 2, 3 or 4.
    pub category: u8,
    /// Volts marked beside the category.
    pub volts: u32,
}

impl Rating {
    /// CAT III 1,000 V: a trade rule for packs, since the categories describe mains circuits (common practice).
    pub const NEEDED: Self = Self { category: 3, volts: 1000 };

    const fn suffices(self) -> bool {
        self.category >= Self::NEEDED.category && self.volts >= Self::NEEDED.volts
    }
}

/// What kind of gear a step needs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum GearKind {
    /// A pair of insulating gloves with leather protectors.
    Gloves,
    /// A meter with its leads.
    Meter,
}

impl GearKind {
    /// Every kind.
    pub const ALL: [Self; 2] = [Self::Gloves, Self::Meter];

    /// The kind's name in procedures and answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Gloves => "gloves",
            Self::Meter => "meter",
        }
    }

    /// Reads a kind's name.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == text)
    }
}

/// What a piece of gear is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GearType {
    /// A pair of rubber insulating gloves.
    Gloves {
        /// Its class.
        class: GloveClass,
        /// Whether leather protectors belong to the pair.
        protectors: bool,
    },
    /// A meter with its leads.
    Meter {
        /// The meter's own rating.
        meter: Rating,
        /// The leads' rating; the weaker of the two counts.
        leads: Rating,
    },
}

/// One line of a test log: a glove's electrical test, or a meter's check against a standard.
///
/// A test counts only when a log names the gear and the date (29 CFR 1910.137(c)(2)(xii)). Gear that has become suspect is
/// entered as failed and comes back with its next pass.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Test {
    /// The day of the test.
    pub on: NaiveDate,
    /// Who tested.
    pub by: String,
    /// Whether it passed.
    pub passed: bool,
}

/// A piece of gear with its log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Gear {
    /// The fleet's own number, marked on it.
    pub id: String,
    /// Code of the depot it belongs to.
    pub depot: String,
    /// What it is.
    pub what: GearType,
    /// Its tests in the order of entry.
    pub tests: Vec<Test>,
    /// When it was first issued for service. It stays: lying on the shelf again does not make gloves unissued.
    pub issued_on: Option<NaiveDate>,
    /// Since when it is used no more.
    pub retired_on: Option<NaiveDate>,
}

/// The settings of the due dates.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct GearRules {
    /// Whether gloves need a test within the last six months whatever their day of issue. On by default: the rule's plain
    /// text lets gloves tested eleven months ago serve six more months from their issue.
    pub strict: bool,
    /// Months after which a meter is checked again; 12 by default (common practice, no published source).
    pub meter_months: u32,
}

impl Default for GearRules {
    fn default() -> Self {
        Self { strict: true, meter_months: 12 }
    }
}

/// Why a piece of gear may not be used on the high-voltage system.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Unusable {
    /// No passed test stands in its log.
    Untested,
    /// Its last test failed.
    Failed {
        /// The day of that test.
        on: NaiveDate,
    },
    /// It has not been issued for service.
    NotIssued,
    /// It was issued without a passed test in the twelve months before, and has passed none since.
    IssuedUntested,
    /// Its last day of use has passed.
    Overdue {
        /// That day.
        due: NaiveDate,
    },
    /// The gloves' class is below Class 0.
    LowClass(GloveClass),
    /// The gloves have no leather protectors.
    NoProtectors,
    /// The meter's rating is below CAT III 1,000 V.
    MeterRating(Rating),
    /// The leads' rating is below CAT III 1,000 V.
    LeadsRating(Rating),
    /// It was taken out of use.
    Retired {
        /// Since when.
        on: NaiveDate,
    },
}

impl fmt::Display for Unusable {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let below = |out: &mut fmt::Formatter<'_>, what, rating: &Rating| {
            write!(out, "the {what} marked CAT {} {} V, below CAT III 1000 V", rating.category, rating.volts)
        };
        match self {
            Self::Untested => out.write_str("no passed test is logged"),
            Self::Failed { on } => write!(out, "its last test, on {on}, failed"),
            Self::NotIssued => out.write_str("it has not been issued for service"),
            Self::IssuedUntested => out.write_str("it was issued without a passed test in the 12 months before"),
            Self::Overdue { due } => write!(out, "its test was due on {due}"),
            Self::LowClass(class) => write!(out, "the gloves are Class {}, below Class 0", class.as_str()),
            Self::NoProtectors => out.write_str("the gloves have no leather protectors"),
            Self::MeterRating(rating) => below(out, "meter is", rating),
            Self::LeadsRating(rating) => below(out, "leads are", rating),
            Self::Retired { on } => write!(out, "it was retired on {on}"),
        }
    }
}

/// Gloves in service are tested every six months (29 CFR 1910.137(c)(2)(viii), Table I-5).
const SERVICE_MONTHS: u32 = 6;
/// Tested gloves that were never issued may be issued within twelve months of the test (same table, footnote 1).
const SHELF_MONTHS: u32 = 12;

/// The same day so many months later, the last of the month where that day is missing (31 August + 6 = 28 February).
fn months_after(day: NaiveDate, months: u32) -> NaiveDate {
    day.checked_add_months(Months::new(months)).unwrap_or(NaiveDate::MAX)
}

impl Gear {
    /// What kind it is.
    #[must_use]
    pub const fn kind(&self) -> GearKind {
        match self.what {
            GearType::Gloves { .. } => GearKind::Gloves,
            GearType::Meter { .. } => GearKind::Meter,
        }
    }

    /// The last test entered up to `on`; of several on one day the last entered.
    fn last_test(&self, on: NaiveDate) -> Option<&Test> {
        self.tests.iter().filter(|test| test.on <= on).max_by_key(|test| test.on)
    }

    fn last_pass(&self, on: NaiveDate) -> Result<NaiveDate, Unusable> {
        match self.last_test(on) {
            None => Err(Unusable::Untested),
            Some(test) if !test.passed => Err(Unusable::Failed { on: test.on }),
            Some(test) => Ok(test.on),
        }
    }

    /// The last day on which gloves may be issued for the first time, or may be used once issued.
    ///
    /// Once issued, six months run from the issue and from each test after it (29 CFR 1910.137(c)(2)(viii), Table I-5); a
    /// test of gloves in service gives no new twelve months of shelf time (OSHA letter of 2019-01-25).
    fn gloves_due(&self, on: NaiveDate, rules: &GearRules) -> Result<NaiveDate, Unusable> {
        let tested = self.last_pass(on)?;
        let Some(issued) = self.issued_on.filter(|issued| *issued <= on) else {
            return Ok(months_after(tested, SHELF_MONTHS));
        };
        let from = if tested >= issued {
            tested
        } else if issued <= months_after(tested, SHELF_MONTHS) {
            issued
        } else {
            return Err(Unusable::IssuedUntested);
        };
        let from = if rules.strict { tested } else { from };
        Ok(months_after(from, SERVICE_MONTHS))
    }

    fn due(&self, on: NaiveDate, rules: &GearRules) -> Result<NaiveDate, Unusable> {
        match self.what {
            GearType::Gloves { .. } => self.gloves_due(on, rules),
            GearType::Meter { .. } => Ok(months_after(self.last_pass(on)?, rules.meter_months)),
        }
    }

    /// The last day of use by what is logged up to `on`; for gloves not yet issued the last day of their first issue.
    ///
    /// `None` when it may not be used at all before a test.
    #[must_use]
    pub fn due_on(&self, on: NaiveDate, rules: &GearRules) -> Option<NaiveDate> {
        self.due(on, rules).ok()
    }

    /// Whether it is still in use on `on`.
    fn serves(&self, on: NaiveDate) -> Result<(), Unusable> {
        match self.retired_on.filter(|retired| *retired <= on) {
            Some(on) => Err(Unusable::Retired { on }),
            None => Ok(()),
        }
    }

    /// Whether gear that was never issued may be issued for service on `on`.
    ///
    /// # Errors
    /// [`Unusable::Untested`], [`Unusable::Failed`], [`Unusable::Retired`], or [`Unusable::Overdue`] when the last test is too
    /// old.
    pub fn may_issue(&self, on: NaiveDate, rules: &GearRules) -> Result<(), Unusable> {
        self.serves(on)?;
        let shelf = Self { issued_on: None, ..self.clone() };
        let due = shelf.due(on, rules)?;
        if on <= due { Ok(()) } else { Err(Unusable::Overdue { due }) }
    }

    /// Whether it may be used on the high-voltage system on the local day `on`; the due day itself still counts.
    ///
    /// The air test before each day's use is evidence of the order, not of the gear.
    ///
    /// # Errors
    /// Every reason why not.
    pub fn usable(&self, on: NaiveDate, rules: &GearRules) -> Result<(), Vec<Unusable>> {
        let mut reasons = self.unrated();
        reasons.extend(self.serves(on).err());
        match self.due(on, rules) {
            Err(reason) => reasons.push(reason),
            Ok(due) if due < on => reasons.push(Unusable::Overdue { due }),
            Ok(_) => {}
        }
        if self.kind() == GearKind::Gloves && self.issued_on.is_none_or(|issued| issued > on) {
            reasons.push(Unusable::NotIssued);
        }
        if reasons.is_empty() { Ok(()) } else { Err(reasons) }
    }

    fn unrated(&self) -> Vec<Unusable> {
        let (first, second) = match self.what {
            GearType::Gloves { class, protectors } => (
                (class < GloveClass::Class0).then_some(Unusable::LowClass(class)),
                (!protectors).then_some(Unusable::NoProtectors),
            ),
            GearType::Meter { meter, leads } => (
                (!meter.suffices()).then_some(Unusable::MeterRating(meter)),
                (!leads.suffices()).then_some(Unusable::LeadsRating(leads)),
            ),
        };
        first.into_iter().chain(second).collect()
    }
}

/// Gear whose last day of use or of issue lies no later than `days` after `on`, overdue ones included, earliest first;
/// those that need a test before any use come first with no day.
#[must_use]
pub fn falling_due<'a>(
    gear: &'a [Gear],
    on: NaiveDate,
    days: u32,
    rules: &GearRules,
) -> Vec<(&'a Gear, Option<NaiveDate>)> {
    let until = on.checked_add_days(Days::new(days.into())).unwrap_or(NaiveDate::MAX);
    let mut due: Vec<_> = gear
        .iter()
        .filter(|piece| piece.serves(on).is_ok())
        .map(|piece| (piece, piece.due_on(on, rules)))
        .filter(|(_, due)| due.is_none_or(|due| due <= until))
        .collect();
    due.sort_by_key(|(piece, due)| (*due, &piece.id));
    due
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn gloves(tests: &[(&str, bool)], issued: Option<&str>) -> Gear {
        Gear {
            id: "G-1".into(),
            depot: "north".into(),
            what: GearType::Gloves { class: GloveClass::Class0, protectors: true },
            tests: tests.iter().map(|(on, passed)| Test { on: day(on), by: "lab".into(), passed: *passed }).collect(),
            issued_on: issued.map(day),
            retired_on: None,
        }
    }

    const PLAIN: GearRules = GearRules { strict: false, meter_months: 12 };
    const STRICT: GearRules = GearRules { strict: true, meter_months: 12 };

    #[test]
    fn shelf_time_and_service_time_are_two_clocks() {
        // Worked out from 29 CFR 1910.137(c)(2)(viii), Table I-5 and its footnote 1.
        let shelf = gloves(&[("2026-01-10", true)], None);
        assert_eq!(shelf.may_issue(day("2026-12-01"), &PLAIN), Ok(()));
        assert_eq!(shelf.may_issue(day("2027-01-10"), &PLAIN), Ok(()));
        let late = Unusable::Overdue { due: day("2027-01-10") };
        assert_eq!(shelf.may_issue(day("2027-01-11"), &PLAIN), Err(late));
        let issued = gloves(&[("2026-01-10", true)], Some("2026-12-01"));
        assert_eq!(issued.due_on(day("2026-12-01"), &PLAIN), Some(day("2027-06-01")));
        assert_eq!(issued.usable(day("2027-06-01"), &PLAIN), Ok(()));
        assert_eq!(issued.usable(day("2027-06-02"), &PLAIN), Err(vec![Unusable::Overdue { due: day("2027-06-01") }]));
    }

    #[test]
    fn a_retest_in_service_gives_six_months_and_no_new_shelf_time() {
        // OSHA letter of 2019-01-25: once issued for the first time, gloves must be tested every six months.
        let retested = gloves(&[("2026-01-10", true), ("2026-07-01", true)], Some("2026-01-15"));
        assert_eq!(retested.due_on(day("2026-07-01"), &PLAIN), Some(day("2027-01-01")));
        assert!(retested.usable(day("2027-01-02"), &PLAIN).is_err());
    }

    #[test]
    fn strict_asks_for_a_test_within_six_months_as_well() {
        let issued = gloves(&[("2026-01-10", true)], Some("2026-12-01"));
        assert_eq!(issued.usable(day("2026-12-01"), &STRICT), Err(vec![Unusable::Overdue { due: day("2026-07-10") }]));
        let fresh = gloves(&[("2026-01-10", true)], Some("2026-02-01"));
        assert_eq!(fresh.due_on(day("2026-02-01"), &STRICT), Some(day("2026-07-10")));
    }

    #[test]
    fn months_are_clamped_to_the_shorter_one() {
        let in_service = gloves(&[("2026-08-31", true)], Some("2026-08-31"));
        assert_eq!(in_service.due_on(day("2026-09-01"), &PLAIN), Some(day("2027-02-28")));
        let leap = gloves(&[("2027-08-31", true)], Some("2027-08-31"));
        assert_eq!(leap.due_on(day("2027-09-01"), &PLAIN), Some(day("2028-02-29")));
    }

    #[test]
    fn each_lack_is_named() {
        #[track_caller]
        fn check(gear: &Gear, expected: &[Unusable]) {
            assert_eq!(gear.usable(day("2026-03-01"), &STRICT), Err(expected.to_vec()));
        }
        check(&gloves(&[], Some("2026-01-15")), &[Unusable::Untested]);
        check(&gloves(&[("2026-01-10", true)], None), &[Unusable::NotIssued]);
        check(&gloves(&[("2026-01-10", true)], Some("2026-03-02")), &[Unusable::NotIssued]);
        check(&gloves(&[("2024-01-10", true)], Some("2026-01-15")), &[Unusable::IssuedUntested]);
        let failed = gloves(&[("2026-01-10", true), ("2026-02-20", false)], Some("2026-01-15"));
        check(&failed, &[Unusable::Failed { on: day("2026-02-20") }]);
        let low = GearType::Gloves { class: GloveClass::Class00, protectors: false };
        let low = Gear { what: low, ..gloves(&[("2026-01-10", true)], Some("2026-01-15")) };
        check(&low, &[Unusable::LowClass(GloveClass::Class00), Unusable::NoProtectors]);
        let weak = Rating { category: 2, volts: 1000 };
        let short = Rating { category: 4, volts: 600 };
        let meter =
            Gear { what: GearType::Meter { meter: weak, leads: short }, ..gloves(&[("2025-02-01", true)], None) };
        let overdue = Unusable::Overdue { due: day("2026-02-01") };
        check(&meter, &[Unusable::MeterRating(weak), Unusable::LeadsRating(short), overdue]);
        let rated = GearType::Meter { meter: Rating::NEEDED, leads: Rating { category: 4, volts: 1000 } };
        assert_eq!(
            Gear { what: rated, ..gloves(&[("2025-03-01", true)], None) }.usable(day("2026-03-01"), &STRICT),
            Ok(())
        );
    }

    #[test]
    fn what_falls_due_is_listed_earliest_first() {
        let named = |id: &str, gear: Gear| Gear { id: id.into(), ..gear };
        let gear = [
            named("far", gloves(&[("2026-03-01", true)], Some("2026-03-01"))),
            named("soon", gloves(&[("2025-10-01", true)], Some("2025-10-01"))),
            named("over", gloves(&[("2025-08-01", true)], Some("2025-08-01"))),
            named("never", gloves(&[], None)),
        ];
        let due = falling_due(&gear, day("2026-03-15"), 17, &STRICT);
        let ids: Vec<_> = due.iter().map(|(piece, due)| (piece.id.as_str(), *due)).collect();
        assert_eq!(ids, [("never", None), ("over", Some(day("2026-02-01"))), ("soon", Some(day("2026-04-01")))]);
        assert_eq!(falling_due(&gear, day("2026-03-15"), 16, &STRICT).len(), 2);
    }

    /// Whether `months` calendar months after `from` have not passed on `on`, by walking days: a month has passed on the
    /// same day number, or on the first day after a month that is too short for it.
    fn within(from: NaiveDate, on: NaiveDate, months: u32) -> bool {
        use chrono::Datelike;
        let (mut passed, mut today) = (0, from);
        while today < on {
            today = today.succ_opt().unwrap();
            let month_ends = today.succ_opt().unwrap().day() == 1;
            if today.day() == from.day() || (month_ends && today.day() < from.day()) {
                passed += 1;
            }
            if passed >= months && today < on {
                return false;
            }
        }
        true
    }

    proptest! {
        #[test]
        fn the_rule_agrees_with_a_walk_over_days(
            tests in proptest::collection::vec((0_u64..900, proptest::bool::weighted(0.9)), 0..5),
            issued in proptest::option::of(0_u64..900), strict: bool, used in 0_u64..1100,
        ) {
            let start = day("2026-01-01");
            let at = |days: u64| start + Days::new(days);
            let mut tests = tests;
            tests.sort_by_key(|(days, _)| *days);
            let gear = Gear {
                tests: tests.iter().map(|(days, passed)| Test { on: at(*days), by: "lab".into(), passed: *passed }).collect(),
                issued_on: issued.map(at),
                ..gloves(&[], None)
            };
            let on = at(used);
            let last = tests.iter().rfind(|(days, _)| *days <= used);
            let expected = match (last, issued) {
                (Some((tested, true)), Some(issued)) if issued <= used => {
                    let lawful = *tested >= issued || within(at(*tested), at(issued), 12);
                    lawful && within(at((*tested).max(issued)), on, 6) && (!strict || within(at(*tested), on, 6))
                }
                _ => false,
            };
            prop_assert_eq!(gear.usable(on, &GearRules { strict, ..STRICT }).is_ok(), expected);
        }
    }
}
