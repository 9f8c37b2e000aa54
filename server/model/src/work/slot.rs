//! Whether an order may be given a day, a time, a bay and people.

use std::collections::HashSet;
use std::fmt;

use chrono::{NaiveDate, Timelike};

use super::{Gear, GearKind, GearRules, Procedure, Step, Technician};
use crate::fleet::{DayHours, Depot, Plan};

/// A plan that another order of the depot has.
#[derive(Clone, Debug, PartialEq)]
pub struct Booked {
    /// That order, as people name it.
    pub order: String,
    /// Its car, as people name it.
    pub car: String,
    /// Its plan.
    pub plan: Plan,
    /// Whether its work comes near the high-voltage system.
    pub high_voltage: bool,
}

/// A part that the order takes from stock, and who else takes of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Supply {
    /// Its number.
    pub number: String,
    /// How many one order takes.
    pub per_order: i64,
    /// How many are here.
    pub here: i64,
    /// What is on its way: expected day and how many.
    pub arrivals: Vec<(NaiveDate, i64)>,
    /// For each other order that takes of it, the planned day; `None` for work that has begun.
    pub others: Vec<Option<NaiveDate>>,
}

impl Supply {
    /// Whether an order planned for `on` has its parts, with none taken from those planned for later.
    fn lasts(&self, on: NaiveDate) -> bool {
        let left = |day: NaiveDate| {
            let come: i64 = self.arrivals.iter().filter(|(expected, _)| *expected <= day).map(|(_, many)| many).sum();
            let taken = self.others.iter().filter(|other| other.is_none_or(|other| other <= day)).count();
            let orders = i64::try_from(taken).unwrap_or(i64::MAX).saturating_add(1);
            self.here + come - self.per_order.saturating_mul(orders)
        };
        let later = self.others.iter().flatten().filter(|other| **other > on);
        std::iter::once(on).chain(later.copied()).all(|day| left(day) >= 0)
    }

    /// Why the order cannot be planned for `on`.
    pub(super) fn short(&self, on: NaiveDate) -> Option<String> {
        if self.lasts(on) {
            return None;
        }
        let days = self.arrivals.iter().map(|(expected, _)| *expected).filter(|day| *day > on && self.lasts(*day));
        let then = days.min().map_or_else(|| "and none is on its way".to_owned(), |day| format!("there is on {day}"));
        Some(format!("of part {} there is not enough on {on} beside what others take, {then}", self.number))
    }
}

/// What a plan is held against.
#[derive(Clone, Copy, Debug)]
pub struct Shop<'a> {
    /// The depot.
    pub depot: &'a Depot,
    /// The car to be worked on.
    pub car: &'a str,
    /// The order's procedure, where it has one.
    pub procedure: Option<&'a Procedure>,
    /// The technicians known.
    pub technicians: &'a [Technician],
    /// The gear known.
    pub gear: &'a [Gear],
    /// Due dates of gear.
    pub rules: &'a GearRules,
    /// Plans of the depot's other open orders.
    pub booked: &'a [Booked],
    /// The parts that the order takes.
    pub parts: &'a [Supply],
    /// The certificate that each person needs beside those of the steps, such as that for a standing isolation fault.
    pub certificate: Option<&'a str>,
}

/// What a plan clashes with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Clashing {
    /// The depot has no such bay, or it is taken.
    Bay,
    /// The car is planned for something else.
    Car,
    /// The shop is closed then.
    Hours,
    /// Somebody is unknown, unfit, away or taken.
    Person,
    /// Too little gear is in date, or a piece named is unknown, unusable or promised to another order.
    Gear,
    /// A part is not there by then.
    Part,
}

/// The stable code.
impl fmt::Display for Clashing {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            Self::Bay => "bay",
            Self::Car => "car",
            Self::Hours => "hours",
            Self::Person => "person",
            Self::Gear => "gear",
            Self::Part => "part",
        })
    }
}

/// One reason why a plan is refused.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Clash {
    /// What it clashes with.
    pub with: Clashing,
    /// JSON pointer into the plan.
    pub pointer: String,
    /// A sentence for people.
    pub says: String,
}

fn clash(with: Clashing, pointer: impl Into<String>, says: impl Into<String>) -> Clash {
    Clash { with, pointer: pointer.into(), says: says.into() }
}

/// Every reason why `plan` cannot be; none when it can.
#[must_use]
pub fn clashes(plan: &Plan, shop: &Shop<'_>) -> Vec<Clash> {
    let meanwhile: Vec<&Booked> = shop.booked.iter().filter(|booked| booked.plan.overlaps(plan)).collect();
    let mut found = Vec::new();
    found.extend(bay(plan, shop, &meanwhile));
    let same_car = meanwhile.iter().find(|booked| booked.car == shop.car);
    found.extend(same_car.map(|booked| clash(Clashing::Car, "/on", taken("the car", booked))));
    found.extend(closed(plan, shop.depot).map(|says| clash(Clashing::Hours, "/start", says)));
    for (place, code) in plan.technicians.iter().enumerate() {
        let says = unfree(code, plan, shop, &meanwhile);
        found.extend(says.into_iter().map(|says| clash(Clashing::Person, format!("/technicians/{place}"), says)));
    }
    for (place, id) in plan.gear.iter().enumerate() {
        let says = unpromised(id, plan, shop, &meanwhile);
        found.extend(says.map(|says| clash(Clashing::Gear, format!("/gear/{place}"), says)));
    }
    found.extend(short_of_gear(plan, shop, &meanwhile).map(|says| clash(Clashing::Gear, "/on", says)));
    found.extend(shop.parts.iter().filter_map(|part| Some(clash(Clashing::Part, "/on", part.short(plan.on)?))));
    found
}

/// Why a piece of gear cannot be promised to the order.
fn unpromised(id: &str, plan: &Plan, shop: &Shop<'_>, meanwhile: &[&Booked]) -> Option<String> {
    let Some(piece) = shop.gear.iter().find(|piece| piece.id == id && piece.depot == shop.depot.code) else {
        return Some(format!("the depot has no gear {id}"));
    };
    if let Err(reasons) = piece.usable(plan.on, shop.rules) {
        let reasons: Vec<_> = reasons.iter().map(ToString::to_string).collect();
        return Some(format!("{id} on {}: {}", plan.on, reasons.join(", ")));
    }
    let holder = meanwhile.iter().find(|booked| booked.plan.gear.iter().any(|other| other == id));
    holder.map(|booked| taken(id, booked))
}

fn taken(what: &str, booked: &Booked) -> String {
    let minutes = booked.plan.minutes_of_day();
    let time = |minute: u32| format!("{:02}:{:02}", minute / 60, minute % 60);
    format!("{what} is taken by {} from {} to {}", booked.order, time(minutes.start), time(minutes.end))
}

fn bay(plan: &Plan, shop: &Shop<'_>, meanwhile: &[&Booked]) -> Option<Clash> {
    if plan.bay == 0 || plan.bay > shop.depot.bays {
        let says = format!("the depot has {} bays, counted from 1", shop.depot.bays);
        return Some(clash(Clashing::Bay, "/bay", says));
    }
    let holder = meanwhile.iter().find(|booked| booked.plan.bay == plan.bay)?;
    Some(clash(Clashing::Bay, "/bay", taken(&format!("bay {}", plan.bay), holder)))
}

fn within(plan: &Plan, hours: &DayHours) -> bool {
    let minute = |time: chrono::NaiveTime| time.num_seconds_from_midnight() / 60;
    let taken = plan.minutes_of_day();
    minute(hours.opens) <= taken.start && taken.end <= minute(hours.closes)
}

fn closed(plan: &Plan, depot: &Depot) -> Option<String> {
    use chrono::Datelike;
    match depot.hours.on(plan.on.weekday()) {
        None => Some(format!("the shop is closed on {}", plan.on)),
        Some(hours) if !within(plan, &hours) => {
            Some(format!("the shop is open from {} to {}", hours.opens.format("%H:%M"), hours.closes.format("%H:%M")))
        }
        Some(_) => None,
    }
}

/// Why a person cannot have the order then.
fn unfree(code: &str, plan: &Plan, shop: &Shop<'_>, meanwhile: &[&Booked]) -> Vec<String> {
    let Some(person) = shop.technicians.iter().find(|person| person.code == code) else {
        return vec![format!("{code} is not a known technician")];
    };
    let unfit = match shop.procedure {
        Some(procedure) => person.fit_for_order(procedure, &shop.depot.code, plan.on).err(),
        None => person.works(plan.on).err().map(|reason| vec![reason]),
    };
    let mut reasons: Vec<_> = unfit.into_iter().flatten().map(|reason| format!("{code} {reason}")).collect();
    if let Some(hours) = person.works(plan.on).ok().filter(|hours| !within(plan, hours)) {
        let (from, to) = (hours.opens.format("%H:%M"), hours.closes.format("%H:%M"));
        reasons.push(format!("{code} works from {from} to {to}"));
    }
    let uncertified = shop.certificate.and_then(|name| person.holds(name, plan.on).err());
    reasons.extend(uncertified.map(|reason| format!("{code} {reason}")));
    let elsewhere = meanwhile.iter().find(|booked| booked.plan.technicians.iter().any(|other| other == code));
    reasons.extend(elsewhere.map(|booked| taken(code, booked)));
    reasons
}

/// How many pieces of a kind may be used at a depot on a day.
fn in_date(gear: &[Gear], kind: GearKind, depot: &str, on: NaiveDate, rules: &GearRules) -> usize {
    let own = |piece: &&Gear| piece.depot == depot && piece.kind() == kind;
    gear.iter().filter(own).filter(|piece| piece.usable(on, rules).is_ok()).count()
}

/// Whether a depot has a piece in date of every kind of gear that these steps need.
#[must_use]
pub fn gear_at_hand<'a>(
    steps: impl IntoIterator<Item = &'a Step>,
    gear: &[Gear],
    depot: &str,
    on: NaiveDate,
    rules: &GearRules,
) -> bool {
    let needed: HashSet<GearKind> = steps.into_iter().flat_map(Step::gear).collect();
    needed.into_iter().all(|kind| in_date(gear, kind, depot, on, rules) > 0)
}

/// Gloves for each person and a meter for each order at the high-voltage system, all in date on the day by what is logged.
fn short_of_gear(plan: &Plan, shop: &Shop<'_>, meanwhile: &[&Booked]) -> Option<String> {
    if !shop.procedure.is_some_and(Procedure::touches_high_voltage) {
        return None;
    }
    let plans = || meanwhile.iter().filter(|booked| booked.high_voltage).map(|booked| &booked.plan).chain([plan]);
    let people: usize = plans().map(|plan| plan.technicians.len().max(1)).sum();
    let in_date = |kind: GearKind| in_date(shop.gear, kind, &shop.depot.code, plan.on, shop.rules);
    let wanted = [(GearKind::Gloves, people), (GearKind::Meter, plans().count())];
    wanted.into_iter().find(|(kind, count)| in_date(*kind) < *count).map(|(kind, count)| {
        format!("{count} of kind `{}` are needed then, {} in date on {}", kind.as_str(), in_date(kind), plan.on)
    })
}
