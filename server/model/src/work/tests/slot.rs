use super::*;
use crate::fleet::{DayHours, Depot, DistanceUnit, Plan};

fn hours(opens: &str, closes: &str) -> OpeningHours {
    let day = Some(DayHours { opens: opens.parse().unwrap(), closes: closes.parse().unwrap() });
    OpeningHours([day, day, day, day, day, None, None])
}

/// A Monday.
fn plan(start: &str, bay: u32, technicians: &[&str]) -> Plan {
    Plan {
        on: day("2026-03-02"),
        start: start.parse().unwrap(),
        minutes: 120,
        bay,
        technicians: technicians.iter().map(|code| (*code).to_owned()).collect(),
        gear: Vec::new(),
    }
}

fn person(code: &str, depot: &str) -> Technician {
    let held = Certificate { name: "high-voltage".into(), expires_on: day("2026-12-31") };
    let hours = hours("08:00", "16:00");
    Technician {
        code: code.into(),
        depot: depot.into(),
        certificates: vec![held],
        hours,
        absences: Vec::new(),
        retired_on: None,
    }
}

fn gear() -> Vec<Gear> {
    let test = Test { on: day("2026-02-01"), by: "lab".into(), passed: true };
    let piece = |id: &str, what| Gear {
        id: id.into(),
        depot: "north".into(),
        what,
        tests: vec![test.clone()],
        issued_on: Some(day("2026-02-02")),
        retired_on: None,
    };
    let gloves = GearType::Gloves { class: GloveClass::Class0, protectors: true };
    let meter = GearType::Meter { meter: Rating::NEEDED, leads: Rating::NEEDED };
    vec![piece("G-1", gloves), piece("G-2", gloves), piece("M-1", meter)]
}

#[track_caller]
fn check(plan: &Plan, booked: &[Booked], expected: &[(Clashing, &str)]) {
    check_with(plan, booked, &[], None, expected);
}

#[track_caller]
fn check_with(
    plan: &Plan,
    booked: &[Booked],
    parts: &[Supply],
    certificate: Option<&str>,
    expected: &[(Clashing, &str)],
) {
    let depot = Depot {
        code: "north".into(),
        name: "north".into(),
        zone: Tz::America__New_York,
        bays: 2,
        hours: hours("07:00", "18:00"),
        distance_unit: DistanceUnit::Mile,
    };
    let mut away = person("ann", "north");
    away.absences.push(Absence { from: day("2026-03-01"), to: day("2026-03-05") });
    let mut learner = person("joe", "north");
    learner.certificates.clear();
    let technicians = [person("kim", "north"), person("lee", "north"), person("max", "west"), away, learner];
    let (procedure, gear) = (replacement(), gear());
    let shop = Shop {
        depot: &depot,
        car: "7",
        procedure: Some(&procedure),
        technicians: &technicians,
        gear: &gear,
        rules: &GearRules::default(),
        booked,
        parts,
        certificate,
    };
    let found = clashes(plan, &shop);
    let short: Vec<_> = found.iter().map(|clash| (clash.with, clash.pointer.as_str())).collect();
    assert_eq!(short, expected, "{found:?}");
}

#[test]
fn a_plan_fits_bay_people_hours_and_gear() {
    use Clashing::{Bay, Gear, Hours, Person};
    check(&plan("08:00", 1, &["kim", "lee"]), &[], &[]);
    check(&plan("08:00", 1, &[]), &[], &[]);
    for bay in [0, 3] {
        check(&plan("08:00", bay, &["kim"]), &[], &[(Bay, "/bay")]);
    }
    check(&plan("06:30", 1, &[]), &[], &[(Hours, "/start")]);
    check(&plan("16:01", 1, &[]), &[], &[(Hours, "/start")]);
    check(&plan("14:30", 1, &["kim"]), &[], &[(Person, "/technicians/0")]);
    for code in ["max", "ann", "joe", "nobody"] {
        check(&plan("08:00", 1, &["kim", code]), &[], &[(Person, "/technicians/1")]);
    }
    let later = Plan { on: day("2026-08-03"), ..plan("08:00", 1, &["kim"]) };
    check(&later, &[], &[(Gear, "/on")]);
    let sunday = Plan { on: day("2026-03-08"), ..plan("08:00", 1, &["kim"]) };
    check(&sunday, &[], &[(Hours, "/start"), (Person, "/technicians/0")]);
}

#[test]
fn a_plan_keeps_off_what_others_have() {
    use Clashing::{Bay, Car, Gear, Person};
    let other = |start: &str, bay: u32, people: &[&str], car: &str, high_voltage: bool| Booked {
        order: "WO-00001".into(),
        car: car.into(),
        plan: plan(start, bay, people),
        high_voltage,
    };
    let own = plan("10:00", 1, &["kim"]);
    check(&own, &[other("08:00", 1, &["kim"], "7", true)], &[]);
    check(&own, &[other("08:01", 1, &[], "8", false)], &[(Bay, "/bay")]);
    check(&own, &[other("11:59", 2, &["kim"], "8", false)], &[(Person, "/technicians/0")]);
    check(&own, &[other("10:00", 2, &[], "7", false)], &[(Car, "/on")]);
    // One meter for both.
    check(&own, &[other("10:00", 2, &["lee"], "8", true)], &[(Gear, "/on")]);
}

#[test]
fn a_piece_that_is_named_is_promised_once() {
    use Clashing::{Gear, Person};
    let naming = |start: &str, bay: u32, gear: &[&str]| Plan {
        gear: gear.iter().map(|id| (*id).to_owned()).collect(),
        ..plan(start, bay, &[])
    };
    let other = |start: &str, gear: &[&str]| Booked {
        order: "WO-00001".into(),
        car: "8".into(),
        plan: naming(start, 2, gear),
        high_voltage: false,
    };
    let own = naming("10:00", 1, &["G-1", "M-1"]);
    check(&own, &[other("08:00", &["G-1"]), other("12:00", &["M-1"]), other("10:00", &["G-2"])], &[]);
    check(&own, &[other("11:59", &["M-1"])], &[(Gear, "/gear/1")]);
    check(&naming("10:00", 1, &["G-1", "X-9"]), &[], &[(Gear, "/gear/1")]);
    let overdue = Plan { on: day("2026-08-03"), ..own };
    check(&overdue, &[], &[(Gear, "/gear/0"), (Gear, "/on")]);
    let kim = plan("10:00", 1, &["kim"]);
    check_with(&kim, &[], &[], Some("high-voltage"), &[]);
    check_with(&kim, &[], &[], Some("isolation-fault"), &[(Person, "/technicians/0")]);
}

#[test]
fn a_part_is_there_by_the_day_or_the_plan_is_refused() {
    let supply = |here: i64, arrivals: &[(&str, i64)], others: &[Option<&str>]| Supply {
        number: "F-1".into(),
        per_order: 2,
        here,
        arrivals: arrivals.iter().map(|(on, many)| (day(on), *many)).collect(),
        others: others.iter().map(|on| on.map(day)).collect(),
    };
    let planned = plan("10:00", 1, &[]);
    let fits = |supply: Supply| check_with(&planned, &[], &[supply], None, &[]);
    let short = |supply: Supply| check_with(&planned, &[], &[supply], None, &[(Clashing::Part, "/on")]);
    fits(supply(2, &[], &[]));
    short(supply(1, &[], &[]));
    fits(supply(1, &[("2026-03-02", 1)], &[]));
    short(supply(1, &[("2026-03-03", 1)], &[]));
    // Work that has begun and plans up to the day take theirs first, and one for later must still find its own.
    short(supply(3, &[], &[None]));
    short(supply(3, &[], &[Some("2026-03-02")]));
    short(supply(3, &[], &[Some("2026-03-05")]));
    fits(supply(3, &[("2026-03-05", 1)], &[Some("2026-03-05")]));
    let says = supply(0, &[("2026-03-04", 1), ("2026-03-06", 1)], &[]).short(day("2026-03-02")).unwrap();
    assert!(says.contains("there is on 2026-03-06"), "{says}");
}
