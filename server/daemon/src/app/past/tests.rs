//! What comes of a car's rows since its past is what comes of all of them, to the last bit.

use chrono_tz::Tz;
use proptest::prelude::*;
use ventmile_model::duty::Pattern;
use ventmile_model::fleet::{
    Code, DistanceUnit, DutyLog, Hours, Kind, PackCheck, PackLife, Removal, RemovedBecause, Rule, SeatLog, Service,
    Window, WindowSet,
};
use ventmile_model::usage::{Fits, Shifts};

use super::*;
use crate::app::assess::{Terms, assess};
use crate::app::hindsight;
use crate::app::item::Item;
use crate::app::life::FleetLife;
use crate::app::packs::assess_packs;
use crate::config::Config;
use crate::store::{CarPlan, Planned, Usual};

const ZONE: Tz = Tz::America__New_York;

/// What may happen to a car, each a share of cars, and how its days go.
#[derive(Clone, Debug)]
struct Fate {
    seed: u64,
    days: u64,
    moved: bool,
    shifts: bool,
    packs: bool,
    checks: bool,
    codes: bool,
    off_road: bool,
    idle: bool,
    dirt: u64,
    service_every: u64,
    serviced: bool,
}

fn any_fate() -> impl Strategy<Value = Fate> {
    let flags = (any::<bool>(), any::<bool>(), any::<bool>(), any::<bool>(), any::<bool>(), any::<bool>());
    let numbers = (any::<u64>(), 500_u64..900, 3_u64..80, 25_u64..130, prop::bool::weighted(0.9));
    (numbers, flags).prop_map(|((seed, days, dirt, service_every, serviced), flags)| {
        let (moved, shifts, packs, checks, codes, off_road) = flags;
        let (moved, shifts) = (moved && seed % 3 == 0, shifts && seed % 2 == 0);
        let idle = seed % 5 < 2;
        Fate { seed, days, moved, shifts, packs, checks, codes, off_road, idle, dirt, service_every, serviced }
    })
}

impl Fate {
    /// A number between 0 and 1 for `what` on a day.
    fn draw(&self, what: u64, day: u64) -> f64 {
        let mut bits = self.seed ^ what.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ day.wrapping_mul(0xd1b5_4a32_d192_ed03);
        for _ in 0..3 {
            bits = (bits ^ (bits >> 31)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        }
        (bits >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn date(&self, day: u64) -> NaiveDate {
        "2023-03-01".parse::<NaiveDate>().unwrap() + Days::new(day)
    }

    fn at(&self, day: u64, hour: f64) -> DateTime<Utc> {
        day_start(self.date(day), ZONE) + TimeDelta::seconds((hour * 3_600.0) as i64)
    }

    fn is_off(&self, day: u64) -> bool {
        self.off_road && (day % 97 < 4 || (200..215).contains(&day))
    }

    /// Days on which it stands and nobody says why.
    fn is_idle(&self, day: u64) -> bool {
        self.idle && day % 43 < 17
    }

    /// The whole of its life.
    fn logs(&self) -> CarLogs {
        let mut logs = empty(self.date(0));
        let mut odometer = 15_000_000.0;
        for day in 0..self.days {
            let off = day % 7 == 6 || self.draw(1, day) < 0.08 || self.is_off(day) || self.is_idle(day);
            let metres = if off { 0.0 } else { 120_000.0 + 300_000.0 * self.draw(2, day) };
            odometer += metres;
            self.live(&mut logs, day, metres, odometer);
        }
        logs.services.sort_by_key(|(_, service)| service.at);
        if self.off_road {
            let stretch = |from: u64, to: u64| OffRoad { from: self.date(from), to: Some(self.date(to)) };
            logs.off_road = (0..self.days / 97 + 1).map(|turn| stretch(97 * turn, 97 * turn + 3)).collect();
            logs.off_road.push(stretch(200, 214));
        }
        if self.moved {
            let on = self.date((self.days as f64 * self.draw(20, 0)) as u64);
            logs.stays = vec![(self.date(0), Tz::America__Chicago), (on, ZONE)];
            logs.moved_on = Some(on);
        }
        if self.shifts {
            let from = self.date((self.days as f64 * self.draw(21, 0)) as u64);
            let to = (self.draw(22, 0) < 0.7).then(|| from + Days::new(40));
            let pattern = Pattern { days_per_week: Some(5.0), hours_per_day: Some(7.0), rear_share: None };
            let told = Planned::Shifts(Shifts { pattern, metres_per_driven_day: None });
            logs.plans = vec![CarPlan { from, to, told }];
        }
        logs
    }

    fn live(&self, logs: &mut CarLogs, day: u64, metres: f64, odometer: f64) {
        let (date, number) = (self.date(day), |metres: f64| Metres(metres.round() as i64));
        let dirty = (self.draw(3, day) * 1_000.0) < self.dirt as f64;
        let factor = [0.1, 10.0, 1.609_344, 0.0][(self.draw(4, day) * 4.0) as usize];
        let shown = if dirty { odometer * factor } else { odometer };
        let mut reading = |hour: f64, shown: f64, source| {
            logs.readings.push(Reading { at: self.at(day, hour), odometer: number(shown), source, ruling: None });
        };
        if self.draw(5, day) < 0.9 {
            reading(20.0 + 3.0 * self.draw(6, day), shown, 1);
        }
        if self.draw(7, day) < 0.2 {
            reading(20.0 + 3.0 * self.draw(6, day), shown, 2);
        }
        if metres > 0.0 && self.draw(8, day) < 0.97 {
            let night = self.draw(9, day) < 0.2;
            let span = night.then(|| (self.at(day, 19.0), self.at(day, 29.0 * self.draw(10, day).max(0.7))));
            let hours =
                Hours(span.map_or(6.0 + 5.0 * self.draw(10, day), |(from, to)| (to - from).as_seconds_f64() / 3_600.0));
            let shift = if night { "night" } else { "" }.to_owned();
            logs.duty.push(DutyLog { date, shift: shift.clone(), source: 1, hours, trips: Some(20), span });
            let rear_trips = (10.0 * self.draw(11, day)) as u32;
            logs.seats.push(SeatLog { date, shift, source: 1, trips: 20, rear_trips });
        }
        if self.serviced && day > 10 && day % self.service_every == 11 {
            let odometer = (self.draw(12, day) < 0.8).then(|| number(odometer - metres / 2.0));
            let kind = if self.draw(13, day) < 0.2 { Kind::CoolingCheck } else { Kind::FanService };
            logs.services.push((kind, Service { at: self.at(day, 15.0), odometer }));
        }
        if self.packs && day == self.days / 3 {
            let because = RemovedBecause::ALL[(self.draw(14, 0) * RemovedBecause::ALL.len() as f64) as usize];
            let removal = Removal { at: self.at(day, 11.0), odometer: Some(number(odometer - metres / 2.0)), because };
            logs.packs.push(pack("A", self.at(0, 5.0), Some(15_000_000), Some(removal)));
            logs.packs.push(pack("B", self.at(day, 12.0), Some((odometer - metres / 2.0) as i64), None));
        }
        if self.checks && day % 11 == 3 {
            let volts = |block: u64| {
                15.2 - 0.05 * self.draw(30 + block, day) - if block == 2 { 0.0003 * day as f64 } else { 0.0 }
            };
            logs.checks.push(PackCheck {
                at: self.at(day, if self.draw(15, day) < 0.5 { 20.0 + 3.0 * self.draw(6, day) } else { 9.0 }),
                block_volts: (0..14).map(volts).collect(),
                current_a: Some(30.0),
                charge_pct: Some(55.0),
                pack_c: Some(29.0 + 4.0 * self.draw(16, day)),
                cabin_c: Some(22.0),
                fan_stage: Some(3),
            });
        }
        if self.codes && day % 83 == 5 {
            let state =
                [CodeReport::Confirmed, CodeReport::Cleared, CodeReport::Pending][(self.draw(17, day) * 3.0) as usize];
            logs.codes.push(TroubleCode { at: self.at(day, 8.0), code: Code::parse("P0A80").unwrap(), state });
        }
    }
}

fn pack(serial: &str, at: DateTime<Utc>, odometer: Option<i64>, removal: Option<Removal>) -> PackLife {
    PackLife {
        serial: serial.to_owned(),
        pack_type: "NX-14".to_owned(),
        chemistry: None,
        layout: None,
        at,
        odometer: odometer.map(Metres),
        used: None,
        original: serial == "A",
        removal,
    }
}

fn empty(in_service_on: NaiveDate) -> CarLogs {
    CarLogs {
        vehicle_id: 1,
        mark: 1,
        unit: "7".to_owned(),
        depot_id: 1,
        depot: "NORTH".to_owned(),
        zone: ZONE,
        distance_unit: DistanceUnit::Mile,
        model: None,
        vehicle_type: "car".to_owned(),
        in_service_on,
        odometer_in_service: Some(Metres(15_000_000)),
        came_in_used: None,
        retired: false,
        registered_at: day_start(in_service_on, ZONE),
        trust: [(2, 0.5)].into(),
        stays: vec![(in_service_on, ZONE)],
        moved_on: None,
        readings: Vec::new(),
        duty: Vec::new(),
        seats: Vec::new(),
        services: Vec::new(),
        off_road: Vec::new(),
        plans: Vec::new(),
        packs: Vec::new(),
        checks: Vec::new(),
        codes: Vec::new(),
        book: None,
        remembered: None,
    }
}

/// The rows that there are by `now`; those of a day when it is over.
fn known_by(logs: &CarLogs, now: DateTime<Utc>) -> CarLogs {
    let today = day_of(logs, now);
    let mut known = logs.clone();
    known.readings.retain(|reading| reading.at <= now);
    known.duty.retain(|log| log.date < today);
    known.seats.retain(|log| log.date < today);
    known.services.retain(|(_, service)| service.at <= now);
    known.checks.retain(|check| check.at <= now);
    known.codes.retain(|code| code.at <= now);
    known.packs.retain(|pack| pack.at <= now);
    known.packs.iter_mut().for_each(|pack| pack.removal = pack.removal.filter(|removal| removal.at <= now));
    known
}

fn rule() -> Rule {
    let metres = |miles: f64| Metres((miles * 1_609.344) as i64);
    let windows = |factor: f64| WindowSet {
        distance: Some(Window { early: metres(20_000.0 * factor), late: metres(25_000.0 * factor) }),
        hours: Some(Window { early: Hours(900.0 * factor), late: Hours(1_200.0 * factor) }),
        days: Some(Window { early: 150, late: 200 }),
    };
    Rule { hard: windows(1.0), ordinary: Some(windows(1.6)), lead_days: 7, ..Rule::NONE }
}

/// A fleet's settings, one car's rows and an instant.
struct Bench {
    settings: Settings,
    fleet: FleetLife,
    now: DateTime<Utc>,
}

impl Bench {
    fn new(now: DateTime<Utc>) -> Self {
        let settings = Config::load(None, [], &[]).unwrap().settings;
        let fleet = FleetLife::learn(&[], &settings, now);
        Self { settings, fleet, now }
    }

    fn assess(&self, logs: &CarLogs) -> Assessment {
        let usual = Usual { metres_per_day: Some(240_000.0), hours_per_day: Some(8.0) };
        let terms = Terms { rule: &rule(), usual, elsewhere: &[], fits: &Fits::default(), tried: None };
        assess(logs, &terms, self.now, &self.settings)
    }

    /// All that a recast saves of a car.
    fn outcome(&self, logs: &CarLogs, assessment: &Assessment, open: &[PastForecast]) -> String {
        let item = Item::of(assessment, Kind::FanService, logs.distance_unit, 365);
        let kept = hindsight::to_keep(logs, Kind::FanService, assessment);
        let settled: Vec<_> = open.iter().filter_map(|past| hindsight::settled(past, logs, assessment)).collect();
        let packs = assess_packs(logs, assessment, &rule(), &self.fleet, self.now, &self.settings);
        let packs = packs.recast(logs, assessment, &self.settings);
        let usage = assessment.usage;
        format!("{item:?}\n{kept:?}\n{settled:?}\n{packs:?}\n{usage:?}\n{:?}", assessment.grading)
    }
}

/// The forecasts made on some days up to `now` whose outcome is not known by then.
fn open_by(fate: &Fate, all: &CarLogs, until: u64) -> Vec<PastForecast> {
    let made = (60..=until).step_by(45).flat_map(|day| {
        let bench = Bench::new(fate.at(day, 23.9));
        let logs = known_by(all, bench.now);
        hindsight::to_keep(&logs, Kind::FanService, &bench.assess(&logs))
    });
    let bench = Bench::new(fate.at(until, 23.9));
    let logs = known_by(all, bench.now);
    let assessment = bench.assess(&logs);
    let is_open = |past: &PastForecast| {
        hindsight::settled(past, &logs, &assessment).is_none_or(|settled| settled.passed_on.is_none())
    };
    made.filter(is_open).collect()
}

/// What a car's past on day `then` has to say on day `today`: nothing where nothing was remembered, and whether it did where
/// something was.
fn recast(fate: &Fate, then: u64, today: u64) -> Result<Option<bool>, TestCaseError> {
    let all = fate.logs();
    let open = open_by(fate, &all, then);
    let before = Bench::new(fate.at(then, 23.9));
    let logs = known_by(&all, before.now);
    let assessment = before.assess(&logs);
    let Some(remembered) = Past::remembered(&logs, &assessment, &open, before.now, &before.settings) else {
        return Ok(None);
    };
    let bench = Bench::new(fate.at(today, 22.0));
    let whole = known_by(&all, bench.now);
    let lately = whole.left_at(remembered);
    prop_assert!(lately.readings.len() < whole.readings.len());
    let found = bench.assess(&lately);
    if !found.is_sure(&lately, &open) {
        return Ok(Some(false));
    }
    let expected = bench.assess(&whole);
    let past = found.past.as_ref().unwrap();
    let from = past.duty.needs_from(&duty_settings(&bench.settings)).min(past.walked.day());
    prop_assert!(found.days.range(from..).eq(expected.days.range(from..)), "days that are looked at are whole");
    prop_assert!(day_start(past.duty.by().succ_opt().unwrap(), ZONE) < past.root.at(), "no later reading has a say");
    prop_assert_eq!(bench.outcome(&lately, &found, &open), bench.outcome(&whole, &expected, &open));
    Ok(Some(true))
}

proptest! {
    #[test]
    fn what_is_remembered_and_the_rows_since_say_what_all_rows_do(fate in any_fate(), late in 0_u64..88, share in 0.5_f64..1.0) {
        let then = (fate.days - 90) as f64 * share;
        recast(&fate, then as u64, then as u64 + late)?;
    }
}

/// The digest of what is remembered of a car, by which a change of the model is found out that calls for another [`FORM`].
const LEFT_BY_FORM_1: &str = "6958932372ca256ac4954a01f7fc7279e313827b14509b7b43aaa090dfeb7ec4";

#[test]
fn another_model_remembers_in_another_form() {
    let fate = Fate { moved: true, shifts: true, ..plain(4) };
    let before = Bench::new(fate.at(650, 23.9));
    let logs = known_by(&fate.logs(), before.now);
    let remembered = Past::remembered(&logs, &before.assess(&logs), &[], before.now, &before.settings).unwrap();
    let past = Past { grounds: [0; 32], ..postcard::from_bytes(&remembered.body).unwrap() };
    let found = hex::encode(Sha256::digest(postcard::to_allocvec(&past).unwrap()));
    assert_eq!(found, LEFT_BY_FORM_1, "raise FORM: what an older program remembered is not what this one would");
}

fn plain(seed: u64) -> Fate {
    Fate {
        seed,
        days: 800,
        moved: false,
        shifts: false,
        packs: true,
        checks: true,
        codes: true,
        off_road: true,
        idle: false,
        dirt: 10,
        service_every: 90,
        serviced: true,
    }
}

/// What was left of one car's rows on day 650, the car as it is read on day 700, and what comes of it.
fn left() -> (Bench, CarLogs, Assessment) {
    let (fate, before) = (plain(7), Bench::new(plain(7).at(650, 23.9)));
    let (all, bench) = (fate.logs(), Bench::new(fate.at(700, 22.0)));
    let logs = known_by(&all, before.now);
    let remembered = Past::remembered(&logs, &before.assess(&logs), &[], before.now, &before.settings).unwrap();
    let left = known_by(&all, bench.now).left_at(remembered);
    let assessment = bench.assess(&left);
    (bench, left, assessment)
}

#[test]
fn a_forecast_made_before_all_that_is_known_calls_for_all_rows() {
    let (_, logs, assessment) = left();
    let past = assessment.past.as_ref().unwrap();
    let mut open = hindsight::to_keep(&logs, Kind::FanService, &assessment);
    assert!(!open.is_empty() && assessment.is_sure(&logs, &open));
    open[0].as_of = past.kept_from - TimeDelta::seconds(1);
    assert!(!assessment.is_sure(&logs, &open));
    open[0].as_of = past.kept_from;
    open[0].as_of_day = past.walked.day() - Days::new(1);
    assert!(!assessment.is_sure(&logs, &open));
}

#[test]
fn a_code_cleared_long_ago_is_gone_only_after_trips() {
    let (bench, mut logs, assessment) = left();
    let cleared = assessment.past.as_ref().unwrap().walked.at() - TimeDelta::days(100);
    let code = Code::parse("P0A80").unwrap();
    logs.codes = vec![TroubleCode { at: cleared, code, state: CodeReport::Cleared }];
    assert!(assessment.is_sure(&logs, &[]), "it has made trips since");
    logs.duty.clear();
    logs.seats.clear();
    assert!(!bench.assess(&logs).is_sure(&logs, &[]));
}

#[test]
fn other_grounds_call_for_all_rows() {
    let (bench, logs, assessment) = left();
    assert!(!assessment.in_doubt);
    let root = assessment.past.as_ref().unwrap().root.at();
    let other = |change: &dyn Fn(&mut CarLogs)| {
        let mut other = logs.clone();
        change(&mut other);
        bench.assess(&other).in_doubt
    };
    let service = |at| (Kind::FanService, Service { at, odometer: None });
    assert!(other(&|car| car.trust = [(2, 0.7)].into()));
    assert!(other(&|car| car.zone = Tz::America__Chicago));
    assert!(other(&|car| car.stays[0].1 = Tz::America__Chicago));
    assert!(other(&|car| car.in_service_on = car.in_service_on - Days::new(1)));
    assert!(other(&|car| car.services.insert(0, service(root - TimeDelta::days(200)))));
    assert!(other(&|car| car.off_road.push(OffRoad { from: day_of(car, root), to: None })));
    assert!(other(&|car| car.packs[0].odometer = None));
    assert!(other(&|car| car.services.clear()), "nothing to count from but its first reading");
    assert!(other(&|car| car.remembered.as_mut().unwrap().body.truncate(9)));
    assert!(!other(&|car| car.services.push(service(bench.now))), "what is new is no ground");
    assert!(!other(&|car| car.off_road.push(OffRoad { from: day_of(car, bench.now), to: None })));
}

#[test]
fn told_shifts_that_are_over_ask_for_no_days_of_long_ago() {
    let fate = plain(1);
    let pattern = Pattern { days_per_week: None, hours_per_day: Some(12.0), rear_share: None };
    let told = Planned::Shifts(Shifts { pattern, metres_per_driven_day: None });
    let plans = vec![CarPlan { from: fate.date(20), to: Some(fate.date(25)), told }];
    let reading = |day: &u64| Reading {
        at: fate.at(*day, 12.0),
        odometer: Metres(15_000_000 + 100_000 * *day as i64),
        source: 1,
        ruling: None,
    };
    // Without logs nobody knows on how many days a week they are driven.
    let is_noted = |days: &[u64]| {
        let readings = days.iter().map(reading).collect();
        let logs = CarLogs { readings, plans: plans.clone(), ..empty(fate.date(0)) };
        let notes = Bench::new(fate.at(40, 12.0)).assess(&logs).notes;
        notes.iter().any(|note| note.contains("change no date by their distance"))
    };
    assert!(is_noted(&[10, 22]));
    assert!(is_noted(&[10, 30]), "the one reading since may be a slip");
    assert!(!is_noted(&[10, 30, 31]));
}

/// The checks of these tests say something of their packs, or nothing would be shown by what comes of them.
#[test]
fn packs_are_followed_over_their_old_checks() {
    let bench = Bench::new(plain(2).at(650, 23.9));
    let logs = known_by(&plain(2).logs(), bench.now);
    let packs = assess_packs(&logs, &bench.assess(&logs), &rule(), &bench.fleet, bench.now, &bench.settings);
    let followed: Vec<usize> =
        packs.lived.iter().map(|(_, row)| row.path.as_ref().map_or(0, |path| path.matches('[').count())).collect();
    assert!(followed.len() == 2 && followed.iter().all(|points| *points > 8), "{followed:?}");
}

#[test]
fn of_most_cars_something_is_remembered_and_it_does() {
    let found: Vec<_> = (0..20).map(|seed| recast(&plain(seed), 650 + seed, 700 + seed).unwrap()).collect();
    let did = found.iter().filter(|found| **found == Some(true)).count();
    assert!(did >= 18, "{found:?}");
}
