//! What the cars of the invented fleet truly do: shifts, miles and services, before any dirt.
//!
//! A car's life is laid out backwards from today, so that every car has run the miles its table row
//! asks for since its last service, whatever day today is.

use chrono::{DateTime, Datelike, NaiveDate, NaiveTime, TimeDelta, Utc, Weekday};
use chrono_tz::Tz;
use ventmile_model::fleet::DistanceUnit;

use super::fleet::FleetFault;
use super::packs::early_gap;
use super::random::SplitMix64;
use super::tables::{DepotRow, GivenAs, Kind, OffRoadRow, PatternRow, Tables, VehicleRow};

/// How far back the logs reach: fourteen months.
pub const LOG_DAYS: u32 = 425;

/// Miles between two services, from and to.
pub const SERVICE_GAP: (f64, f64) = (20_800.0, 23_800.0);

/// The day a whole story is told for, and its seed.
#[derive(Clone, Copy, Debug)]
pub struct Scene {
    pub today: NaiveDate,
    pub seed: u64,
}

impl Scene {
    /// The date `ago` days before today.
    ///
    /// # Errors
    /// [`FleetFault::Calendar`] when there is no such date.
    pub fn date(&self, ago: u32) -> Result<NaiveDate, FleetFault> {
        let date = self.today.checked_sub_signed(TimeDelta::days(ago.into()));
        date.ok_or(FleetFault::Calendar(self.today))
    }

    /// The random draws of one car on one day.
    #[must_use]
    pub const fn draws(&self, car: &Car<'_>, ago: u32) -> SplitMix64 {
        SplitMix64::stream(self.seed, car.number, ago as u64)
    }
}

/// A car with everything the tables say about it.
#[derive(Clone, Debug)]
pub struct Car<'a> {
    pub number: u64,
    pub row: &'a VehicleRow,
    pub depot: &'a DepotRow,
    pub shifts: Vec<&'a PatternRow>,
    off_road: Vec<&'a OffRoadRow>,
    /// Days since the instrument cluster was exchanged, and the miles the new one showed at first.
    cluster: Option<(u32, f64)>,
}

impl<'a> Car<'a> {
    /// Gathers a car's rows.
    ///
    /// # Errors
    /// [`FleetFault::Unknown`] when its depot or pattern is in no table.
    pub fn new(number: usize, row: &'a VehicleRow, tables: &'a Tables) -> Result<Self, FleetFault> {
        let unknown = |name: &str| FleetFault::Unknown { unit: row.unit.clone(), name: name.to_owned() };
        let depot = tables.depots.iter().find(|depot| depot.code == row.depot).ok_or_else(|| unknown(&row.depot))?;
        let shifts: Vec<_> = tables.patterns.iter().filter(|shift| shift.pattern == row.pattern).collect();
        if shifts.is_empty() {
            return Err(unknown(&row.pattern));
        }
        let off_road = tables.off_road.iter().filter(|off| off.unit == row.unit).collect();
        let mut dirt = tables.dirt.iter().filter(|dirt| dirt.unit == row.unit);
        let cluster = dirt
            .find(|dirt| dirt.kind == Kind::NewCluster)
            .map(|dirt| (dirt.days_ago, dirt.value.as_deref().and_then(|miles| miles.parse().ok()).unwrap_or(0.0)));
        Ok(Self { number: number as u64, row, depot, shifts, off_road, cluster })
    }

    /// `miles` in the unit of the car's depot, to a tenth.
    #[must_use]
    pub fn in_own_unit(&self, miles: f64) -> f64 {
        (miles * DistanceUnit::Mile.metres() / self.depot.distance_unit.metres() * 10.0).round() / 10.0
    }

    fn stands(&self, ago: u32) -> bool {
        self.off_road.iter().any(|off| off.covers(ago))
    }

    fn full_hours(&self) -> f64 {
        self.shifts.iter().map(|shift| shift.hours).sum()
    }

    /// Mean miles per calendar day by its pattern.
    #[must_use]
    pub fn mean_pace(&self) -> f64 {
        let share = |shift: &&PatternRow| shift.hours * (1.0 - shift.skip) * shift.days.len() as f64 / 7.0;
        self.row.miles_per_day * self.shifts.iter().map(share).sum::<f64>() / self.full_hours()
    }
}

/// A shift that was driven.
#[derive(Clone, Debug)]
pub struct Shift<'a> {
    pub name: &'a str,
    pub given_as: GivenAs,
    pub start: DateTime<Utc>,
    pub end: DateTime<Utc>,
    pub miles: f64,
    pub trips: u32,
    pub rear_trips: u32,
}

/// A day with at least one shift.
#[derive(Clone, Debug)]
pub struct Day<'a> {
    pub ago: u32,
    pub date: NaiveDate,
    /// Miles truly run when the day began.
    pub odometer: f64,
    pub shifts: Vec<Shift<'a>>,
}

impl Day<'_> {
    /// Miles driven on this day.
    #[must_use]
    pub fn miles(&self) -> f64 {
        self.shifts.iter().map(|shift| shift.miles).sum()
    }
}

/// A fan service.
#[derive(Clone, Debug)]
pub struct Service {
    pub ago: u32,
    pub at: DateTime<Utc>,
    /// Miles truly run by then.
    pub odometer: f64,
}

/// A car's fourteen months, earliest first, and all its services.
#[derive(Clone, Debug)]
pub struct Life<'a> {
    pub days: Vec<Day<'a>>,
    pub services: Vec<Service>,
    cluster: Option<Cluster>,
}

#[derive(Clone, Copy, Debug)]
struct Cluster {
    since: u32,
    lower_by: f64,
}

impl Life<'_> {
    /// What the instrument cluster of that day shows after `miles` truly run.
    #[must_use]
    pub fn shown(&self, miles: f64, ago: u32) -> f64 {
        match self.cluster {
            Some(cluster) if ago <= cluster.since => miles - cluster.lower_by,
            _ => miles,
        }
    }
}

/// Drives `car` through its log days.
///
/// # Errors
/// [`FleetFault::Calendar`] when a day lies outside the calendar.
pub fn drive<'a>(car: &Car<'a>, scene: &Scene) -> Result<Life<'a>, FleetFault> {
    let mut gaps = Gaps::new(car, scene);
    let mut back = 0.0; // miles from the day's beginning until today
    let (mut days, mut services) = (Vec::new(), Vec::new());
    let span = car.row.in_service_days_ago.min(LOG_DAYS);
    for ago in 1..=span {
        let mut day = Day { ago, date: scene.date(ago)?, odometer: 0.0, shifts: shifts_of(car, scene, ago)? };
        let serviced = gaps.is_over(back) && car.depot.days.contains(&day.date.weekday());
        if serviced {
            day.shifts.retain(|shift| shift.start.with_timezone(&car.depot.zone).time() >= NOON);
        }
        back += day.miles();
        day.odometer = -back;
        if serviced {
            services.push(Service { ago, at: service_time(car, scene, ago)?, odometer: -back });
            gaps.restart(back);
        }
        days.push(day);
    }
    let first = car.row.odometer_in_service + car.mean_pace() * f64::from(car.row.in_service_days_ago - span);
    services.extend(gaps.before_the_logs(car, scene, back, first + back)?);
    Ok(forward(car, days, services, first + back))
}

const NOON: NaiveTime = NaiveTime::MIN.overflowing_add_signed(TimeDelta::hours(12)).0;

/// Turns a life told backwards, with odometers counted from today's, into one told forwards.
fn forward<'a>(car: &Car<'a>, mut days: Vec<Day<'a>>, mut services: Vec<Service>, odometer: f64) -> Life<'a> {
    days.reverse();
    days.iter_mut().for_each(|day| day.odometer += odometer);
    services.reverse();
    services.iter_mut().for_each(|service| service.odometer += odometer);
    let cluster = car.cluster.and_then(|(since, shows)| {
        let first = days.iter().find(|day| day.ago <= since)?;
        Some(Cluster { since, lower_by: first.odometer - shows })
    });
    days.retain(|day| !day.shifts.is_empty());
    Life { days, services, cluster }
}

/// The miles between services, walked backwards.
struct Gaps {
    draws: SplitMix64,
    /// Where the gap's later end lies, in miles before today.
    from: f64,
    wanted: Option<f64>,
}

impl Gaps {
    fn new(car: &Car<'_>, scene: &Scene) -> Self {
        Self { draws: scene.draws(car, 0), from: 0.0, wanted: car.row.miles_since_service }
    }

    fn is_over(&self, back: f64) -> bool {
        self.wanted.is_some_and(|wanted| back - self.from >= wanted)
    }

    fn restart(&mut self, back: f64) {
        self.from = back;
        self.wanted = Some(self.draws.between(SERVICE_GAP.0, SERVICE_GAP.1));
    }

    /// The services before the logs begin, the latest first, where the car was in service by then; their odometers are
    /// counted back from today's, `odometer`.
    fn before_the_logs(
        &mut self,
        car: &Car<'_>,
        scene: &Scene,
        back: f64,
        odometer: f64,
    ) -> Result<Vec<Service>, FleetFault> {
        let mut services = Vec::new();
        let Some(wanted) = self.wanted else { return Ok(services) };
        let mut missing = (self.from + wanted - back).max(0.0);
        while odometer - back - missing > car.row.odometer_in_service {
            let ago = open_day(car, scene, LOG_DAYS + 1 + (missing / car.mean_pace()) as u32)?;
            services.push(Service { ago, at: service_time(car, scene, ago)?, odometer: -back - missing });
            missing += early_gap(car, scene, &mut self.draws);
        }
        Ok(services)
    }
}

/// The first day from `ago` back on which the car's shop is open.
fn open_day(car: &Car<'_>, scene: &Scene, ago: u32) -> Result<u32, FleetFault> {
    for ago in ago..ago + 7 {
        if car.depot.days.contains(&scene.date(ago)?.weekday()) {
            return Ok(ago);
        }
    }
    Ok(ago)
}

/// A time in the morning, two to five hours after the shop opens.
fn service_time(car: &Car<'_>, scene: &Scene, ago: u32) -> Result<DateTime<Utc>, FleetFault> {
    let after = SplitMix64::stream(scene.seed, ago.into(), car.number).between(120.0, 240.0);
    Ok(instant(car.depot.zone, scene.date(ago)?, car.depot.opens)? + TimeDelta::minutes(after as i64))
}

fn shifts_of<'a>(car: &Car<'a>, scene: &Scene, ago: u32) -> Result<Vec<Shift<'a>>, FleetFault> {
    if car.stands(ago) {
        return Ok(Vec::new());
    }
    let date = scene.date(ago)?;
    let mut draws = scene.draws(car, ago);
    let mut shifts = Vec::new();
    for row in &car.shifts {
        let skipped = draws.chance(row.skip);
        let shift = driven(car, row, date, &mut draws)?;
        if row.days.contains(&date.weekday()) && !skipped {
            shifts.push(shift);
        }
    }
    Ok(shifts)
}

fn driven<'a>(
    car: &Car<'_>,
    row: &'a PatternRow,
    date: NaiveDate,
    draws: &mut SplitMix64,
) -> Result<Shift<'a>, FleetFault> {
    let start = instant(car.depot.zone, date, row.starts)? + TimeDelta::minutes(draws.between(-15.0, 16.0) as i64);
    let minutes = ((row.hours + draws.between(-0.6, 0.6)) * 60.0).round();
    let hours = minutes / 60.0;
    let pace = car.row.miles_per_day / car.full_hours() * draws.between(0.85, 1.15) * busyness(date.weekday());
    let trips = (hours * row.trips_per_hour * draws.between(0.8, 1.2)).round() as u32;
    let rear_trips = (0..trips).filter(|_| draws.chance(row.rear_share)).count() as u32;
    Ok(Shift {
        name: &row.shift,
        given_as: row.given_as,
        start,
        end: start + TimeDelta::minutes(minutes as i64),
        miles: hours * pace,
        trips,
        rear_trips,
    })
}

/// How many miles a weekday brings, against the mean of the week.
const fn busyness(day: Weekday) -> f64 {
    match day {
        Weekday::Mon | Weekday::Tue | Weekday::Sun => 0.96,
        Weekday::Wed => 0.98,
        Weekday::Thu => 1.0,
        Weekday::Fri => 1.08,
        Weekday::Sat => 1.06,
    }
}

/// The instant of a local time; one that a change to summer time leaves out is taken an hour later.
///
/// # Errors
/// [`FleetFault::Calendar`] when there is no such instant.
pub fn instant(zone: Tz, date: NaiveDate, time: NaiveTime) -> Result<DateTime<Utc>, FleetFault> {
    let local = date.and_time(time);
    let at = local.and_local_timezone(zone).earliest();
    let at = at.or_else(|| (local + TimeDelta::hours(1)).and_local_timezone(zone).earliest());
    at.map(|at| at.to_utc()).ok_or(FleetFault::Calendar(date))
}
