//! Whether an order may be given a day, a time, a bay and people.

use std::fmt;

use chrono::Timelike;

use super::{Gear, GearKind, GearRules, Procedure, Technician};
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
    /// Too little gear is in date.
    Gear,
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
    found.extend(short_of_gear(plan, shop, &meanwhile).map(|says| clash(Clashing::Gear, "/on", says)));
    found
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
    let elsewhere = meanwhile.iter().find(|booked| booked.plan.technicians.iter().any(|other| other == code));
    reasons.extend(elsewhere.map(|booked| taken(code, booked)));
    reasons
}

/// Gloves for each person and a meter for each order at the high-voltage system, all in date on the day by what is logged.
fn short_of_gear(plan: &Plan, shop: &Shop<'_>, meanwhile: &[&Booked]) -> Option<String> {
    if !shop.procedure.is_some_and(Procedure::touches_high_voltage) {
        return None;
    }
    let plans = || meanwhile.iter().filter(|booked| booked.high_voltage).map(|booked| &booked.plan).chain([plan]);
    let people: usize = plans().map(|plan| plan.technicians.len().max(1)).sum();
    let in_date = |kind: GearKind| {
        let own = |piece: &&Gear| piece.depot == shop.depot.code && piece.kind() == kind;
        shop.gear.iter().filter(own).filter(|piece| piece.usable(plan.on, shop.rules).is_ok()).count()
    };
    let wanted = [(GearKind::Gloves, people), (GearKind::Meter, plans().count())];
    wanted.into_iter().find(|(kind, count)| in_date(*kind) < *count).map(|(kind, count)| {
        format!("{count} of kind `{}` are needed then, {} in date on {}", kind.as_str(), in_date(kind), plan.on)
    })
}
