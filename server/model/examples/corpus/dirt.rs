//! Who reads the odometers, and what goes wrong.

use chrono::{DateTime, Duration, Months, Utc};
use ventmile_model::fleet::{Metres, Reading};

use crate::car::{Car, DAYS, MILE, days, instant};
use crate::random::Random;

/// What happened to a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Kind {
    Good,
    Double,
    /// Good, in the first days of a new cluster.
    NewCluster,
    DroppedDigit,
    AddedDigit,
    SwappedDigits,
    KmAsMiles,
    MilesAsKm,
    TenthsAsWhole,
    WholeAsTenths,
    ClockOffDay,
    ClockOffMonth,
    ClockOffYear,
    OtherCar,
}

impl Kind {
    /// Whether nothing is wrong with the value or its time.
    pub(crate) const fn is_good(self) -> bool {
        matches!(self, Self::Good | Self::Double | Self::NewCluster)
    }

    /// Its name in the table.
    pub(crate) const fn as_str(self) -> &'static str {
        match self {
            Self::Good => "as it was",
            Self::Double => "double",
            Self::NewCluster => "new cluster",
            Self::DroppedDigit => "dropped digit",
            Self::AddedDigit => "added digit",
            Self::SwappedDigits => "swapped digits",
            Self::KmAsMiles => "km as miles",
            Self::MilesAsKm => "miles as km",
            Self::TenthsAsWhole => "tenths as whole",
            Self::WholeAsTenths => "whole as tenths",
            Self::ClockOffDay => "clock: a day",
            Self::ClockOffMonth => "clock: a month",
            Self::ClockOffYear => "clock: a year",
            Self::OtherCar => "another car's",
        }
    }
}

/// The dirt mix: chance per reading of each kind, for readings typed by hand and for those sent by a machine.
const MIX: [(Kind, f64, f64); 11] = [
    (Kind::DroppedDigit, 0.006, 0.0),
    (Kind::AddedDigit, 0.005, 0.0),
    (Kind::SwappedDigits, 0.007, 0.0),
    (Kind::KmAsMiles, 0.003, 0.001),
    (Kind::MilesAsKm, 0.003, 0.001),
    (Kind::TenthsAsWhole, 0.004, 0.001),
    (Kind::WholeAsTenths, 0.003, 0.001),
    (Kind::ClockOffDay, 0.006, 0.002),
    (Kind::ClockOffMonth, 0.004, 0.001),
    (Kind::ClockOffYear, 0.003, 0.001),
    (Kind::OtherCar, 0.004, 0.002),
];
/// Chance per reading that it is sent twice.
const DOUBLE: f64 = 0.008;
/// Chance per source of a car that it sends a wrong unit for a while, and of how many readings.
const BURST: (f64, f64, f64) = (0.04, 3.0, 15.0);
/// Chance per car that its cluster is changed, that the new one starts at zero, and that somebody says so.
const CLUSTER: (f64, f64, f64) = (0.02, 0.5, 0.3);
/// Days for which a cluster counts as new in the table.
const CLUSTER_IS_NEW: f64 = 14.0;
/// Chance per car that its first reading is dirty beyond the mix, and that its last one is.
const ENDS: f64 = 0.03;
/// Chance per car of months without readings, and how many days.
const SILENT: (f64, f64, f64) = (0.08, 30.0, 90.0);
/// Chance that a reading arrives late, and how many days at most.
const LATE: (f64, f64) = (0.03, 12.0);

/// A way in which a car's odometer is read.
#[derive(Clone, Copy, Debug)]
struct Source {
    number: i64,
    /// Days between readings.
    every: f64,
    /// By how many days that varies.
    jitter: f64,
    /// Hours of the day between which it is read.
    hours: (f64, f64),
    /// Typed in by hand, in whole miles; a machine sends tenths of a kilometre.
    by_hand: bool,
}

const TELEMATICS: Source = Source { number: 1, every: 1.0, jitter: 0.0, hours: (0.0, 0.2), by_hand: false };
const SHIFT_SHEET: Source = Source { number: 2, every: 1.0, jitter: 0.3, hours: (5.0, 23.0), by_hand: true };
const FUEL_CARD: Source = Source { number: 3, every: 3.0, jitter: 1.5, hours: (6.0, 22.0), by_hand: true };
const WORKSHOP: Source = Source { number: 4, every: 7.0, jitter: 1.5, hours: (8.0, 17.0), by_hand: true };
/// Which sources go together.
const MIXES: [&[Source]; 4] =
    [&[TELEMATICS, FUEL_CARD], &[TELEMATICS, FUEL_CARD, WORKSHOP], &[SHIFT_SHEET, FUEL_CARD], &[FUEL_CARD, WORKSHOP]];

/// A reading with its truth.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Known {
    pub(crate) reading: Reading,
    pub(crate) arrives: DateTime<Utc>,
    pub(crate) kind: Kind,
    /// Miles off the truth at the time it states.
    pub(crate) off: f64,
}

/// What a car's cluster shows.
#[derive(Clone, Copy, Debug)]
struct Cluster {
    /// Days after the start at which it is exchanged.
    day: f64,
    /// Miles that the new one shows then.
    shows: f64,
}

/// All that is sent about a car, in the order of arrival, and when its cluster is said to have been changed.
#[derive(Clone, Debug)]
pub(crate) struct Sent {
    pub(crate) readings: Vec<Known>,
    pub(crate) told: Option<DateTime<Utc>>,
}

/// What a car's odometer shows, in miles.
fn shown(car: &Car, cluster: Option<Cluster>, days: f64) -> f64 {
    match cluster.filter(|cluster| cluster.day <= days) {
        Some(cluster) => cluster.shows + car.miles(days) - car.miles(cluster.day),
        None => car.miles(days),
    }
}

/// The readings sent about `car`; some are those of `other`. There is `dirt` times the committed mix.
pub(crate) fn readings(car: &Car, other: &Car, dirt: f64, random: &mut Random) -> Sent {
    let cluster = random.chance(dirt * CLUSTER.0).then(|| Cluster {
        day: random.between(40.0, DAYS as f64 - 40.0),
        shows: if random.chance(CLUSTER.1) { 0.0 } else { random.between(5_000.0, 150_000.0) },
    });
    let told = cluster.filter(|_| random.chance(CLUSTER.2)).map(|cluster| instant(cluster.day));
    let silent = random.chance(SILENT.0).then(|| (random.between(20.0, 330.0), random.between(SILENT.1, SILENT.2)));
    let mut sender = Sender { car, other, cluster, dirt, random, sent: Vec::new() };
    let sources = MIXES.get(sender.random.below(MIXES.len())).copied().unwrap_or_default();
    for source in sources {
        sender.source(*source, silent);
    }
    let mut sent = sender.sent;
    sent.sort_by_key(|known| (known.arrives, known.reading.at, known.reading.odometer));
    Sent { readings: sent, told }
}

struct Sender<'a> {
    car: &'a Car,
    other: &'a Car,
    cluster: Option<Cluster>,
    dirt: f64,
    random: &'a mut Random,
    sent: Vec<Known>,
}

impl Sender<'_> {
    /// All readings of one source.
    fn source(&mut self, source: Source, silent: Option<(f64, f64)>) {
        let times = self.times(source, silent);
        let burst = self.random.chance(self.dirt * BURST.0).then(|| {
            let kinds = [Kind::KmAsMiles, Kind::MilesAsKm, Kind::TenthsAsWhole, Kind::WholeAsTenths];
            let kind = kinds.get(self.random.below(kinds.len())).copied().unwrap_or(Kind::KmAsMiles);
            let from = self.random.below(times.len());
            (from..from + self.random.between(BURST.1, BURST.2) as usize, kind)
        });
        let ends = [self.random.chance(self.dirt * ENDS), self.random.chance(self.dirt * ENDS)];
        let last = times.len().saturating_sub(1);
        for (number, at) in times.into_iter().enumerate() {
            let end = (number == 0 && ends[0]) || (number == last && ends[1]);
            let in_burst = burst.as_ref().filter(|(range, _)| range.contains(&number)).map(|(_, kind)| *kind);
            let kind = in_burst.unwrap_or_else(|| self.kind(source, end));
            self.send(source, at, kind);
        }
    }

    /// When a source reads the car, in days.
    fn times(&mut self, source: Source, silent: Option<(f64, f64)>) -> Vec<f64> {
        let mut times = Vec::new();
        let mut day = self.random.between(0.0, source.every);
        while day < DAYS as f64 {
            let hour = self.random.between(source.hours.0, source.hours.1);
            let at = day.floor() + hour / 24.0;
            if !silent.is_some_and(|(from, length)| (from..from + length).contains(&at)) {
                times.push(at);
            }
            day += source.every + self.random.between(-source.jitter, source.jitter);
        }
        times
    }

    /// What happens to a reading; at an `end` it is dirty for certain.
    fn kind(&mut self, source: Source, end: bool) -> Kind {
        let chance = |by_hand: f64, machine: f64| self.dirt * if source.by_hand { by_hand } else { machine };
        let all: f64 = MIX.iter().map(|(_, by_hand, machine)| chance(*by_hand, *machine)).sum();
        let mut share = self.random.share() * if end { all } else { 1.0 };
        for (kind, by_hand, machine) in MIX {
            share -= chance(by_hand, machine);
            if share < 0.0 {
                return kind;
            }
        }
        if self.random.chance(self.dirt * DOUBLE) { Kind::Double } else { Kind::Good }
    }

    fn send(&mut self, source: Source, at: f64, kind: Kind) {
        let miles = shown(self.car, self.cluster, at);
        let odometer = self.written(source, at, miles, kind);
        let stated = self.stated(instant(at), kind);
        let truth = shown(self.car, self.cluster, days(stated)) * MILE;
        let late = if self.random.chance(LATE.0) { self.random.between(0.5, LATE.1) } else { 0.0 };
        let arrives = instant(at + late) + Duration::minutes(10);
        let metres = Metres(odometer.round() as i64);
        let reading = Reading { at: stated, odometer: metres, source: source.number, ruling: None };
        let kind = if kind == Kind::Good && self.on_new_cluster(at) { Kind::NewCluster } else { kind };
        let known = Known { reading, arrives, kind, off: (metres.as_f64() - truth).abs() / MILE };
        self.sent.push(known);
        if kind == Kind::Double {
            self.sent.push(Known { arrives: arrives + Duration::hours(1), ..known });
        }
    }

    fn on_new_cluster(&self, at: f64) -> bool {
        self.cluster.is_some_and(|cluster| (cluster.day..cluster.day + CLUSTER_IS_NEW).contains(&at))
    }

    /// Metres as they are sent.
    fn written(&mut self, source: Source, at: f64, miles: f64, kind: Kind) -> f64 {
        // By hand a number of whole miles; a machine has tenths of a kilometre.
        let (unit, whole) =
            if source.by_hand { (MILE, miles.floor()) } else { (100.0, (miles * MILE / 100.0).floor()) };
        let tenths = (miles * 10.0).floor() / 10.0;
        match kind {
            Kind::DroppedDigit | Kind::AddedDigit | Kind::SwappedDigits => self.typed(whole as u64, kind) as f64 * unit,
            Kind::KmAsMiles => whole * unit * MILE / 1_000.0,
            Kind::MilesAsKm => whole * unit / MILE * 1_000.0,
            Kind::TenthsAsWhole if source.by_hand => tenths * 10.0 * unit,
            Kind::TenthsAsWhole => whole * unit * 10.0,
            Kind::WholeAsTenths => whole * unit / 10.0,
            Kind::OtherCar => self.other.miles(at).max(0.0).floor() * MILE,
            _ => whole * unit,
        }
    }

    /// A number with a slip of the hand.
    fn typed(&mut self, number: u64, kind: Kind) -> u64 {
        let mut digits: Vec<u8> = number.to_string().bytes().collect();
        match kind {
            Kind::DroppedDigit => {
                let place = self.random.below(digits.len());
                digits.remove(place);
            }
            Kind::AddedDigit => {
                let place = 1 + self.random.below(digits.len());
                digits.insert(place, b'0' + self.random.below(10) as u8);
            }
            _ => {
                let places: Vec<usize> =
                    (1..digits.len()).filter(|place| digits.get(*place) != digits.get(place - 1)).collect();
                if let Some(place) = places.get(self.random.below(places.len())) {
                    digits.swap(place - 1, *place);
                }
            }
        }
        String::from_utf8(digits).ok().and_then(|text| text.parse().ok()).unwrap_or_default()
    }

    /// The time that is stated for a reading.
    fn stated(&mut self, at: DateTime<Utc>, kind: Kind) -> DateTime<Utc> {
        let slow = self.random.chance(0.6);
        let months = |count: u32| {
            let months = Months::new(count);
            if slow { at.checked_sub_months(months) } else { at.checked_add_months(months) }.unwrap_or(at)
        };
        match kind {
            Kind::ClockOffDay => at + Duration::days(if slow { -1 } else { 1 }),
            Kind::ClockOffMonth => months(1),
            Kind::ClockOffYear => months(12),
            _ => at,
        }
    }
}
