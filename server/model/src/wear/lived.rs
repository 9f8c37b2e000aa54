//! What each pack of a car has lived through: the lives that a curve is fitted on.

use chrono::{DateTime, Utc};

use super::life::Life;
use crate::fleet::{Metres, PackLife, RemovedBecause, Service};
use crate::track::Track;

/// A car as its packs see it.
#[derive(Clone, Copy, Debug)]
pub struct Carrier<'a> {
    /// Its track.
    pub track: &'a Track,
    /// When it came into service here: what failed before was never seen.
    pub watched_from: DateTime<Utc>,
    /// The odometer then.
    pub odometer_then: Option<Metres>,
    /// Its packs in the order they were put in.
    pub packs: &'a [PackLife],
    /// Its fan services, in order of time.
    pub services: &'a [Service],
    /// The distance after a service from which the next one is late; `None` where the rule counts no distance.
    pub late_after: Option<Metres>,
}

/// What ended a pack's time in a car.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum End {
    /// It is in the car still.
    InUse,
    /// It was taken out at this time for this reason.
    Removed(DateTime<Utc>, RemovedBecause),
    /// Another pack was put in at this time and nobody said why. It counts as worn out: taken as alive it would make the
    /// curve rosier than it is.
    Replaced(DateTime<Utc>),
}

impl End {
    /// Whether the pack was worn out by then.
    #[must_use]
    pub const fn is_failure(self) -> bool {
        match self {
            Self::InUse => false,
            Self::Removed(_, because) => because.is_failure(),
            Self::Replaced(_) => true,
        }
    }

    /// When it ended.
    #[must_use]
    pub const fn at(self) -> Option<DateTime<Utc>> {
        match self {
            Self::InUse => None,
            Self::Removed(at, _) | Self::Replaced(at) => Some(at),
        }
    }
}

/// One pack's time in a car.
#[derive(Clone, Debug, PartialEq)]
pub struct Lived {
    /// The pack; `None` for the one the car was built with, where no pack is registered for the car.
    pub pack: Option<PackLife>,
    /// When it was put in, or the car came into service.
    pub from: DateTime<Utc>,
    /// What ended it.
    pub end: End,
    /// Its age in metres when watching began.
    pub entry: f64,
    /// Its age in metres at its end, or by the last believed reading.
    pub age: f64,
    /// Metres a day while it was watched; `None` within the first day.
    pub metres_per_day: Option<f64>,
    /// The stretches driven with the fan service past its late edge, from one age to another, in order; `None` where the
    /// rule counts no distance. A pack's installation counts as a service: the fan is serviced with every pack
    /// replacement (common practice, no published source).
    pub late: Option<Vec<(f64, f64)>>,
    /// Its age less the distance travelled on the car's track.
    ahead: f64,
}

impl Lived {
    /// The life as the curve takes it, in metres; `None` while it has no length.
    #[must_use]
    pub fn life(&self) -> Option<Life> {
        let (entry, exit) = (self.entry, self.age);
        (exit > entry).then_some(Life { entry, exit, failed: self.end.is_failure(), count: 1.0 })
    }

    /// Share of its watched distance driven past the late edge, 0 to 1; `None` where that is not known or it has not been
    /// driven.
    #[must_use]
    pub fn late_share(&self) -> Option<f64> {
        let late = self.late.as_deref()?;
        (self.age > self.entry).then(|| share(late, self.entry, self.age))
    }

    /// Its age in metres at an instant, by where the car was then.
    #[must_use]
    pub fn age_at(&self, carrier: &Carrier<'_>, at: DateTime<Utc>) -> Option<f64> {
        Some(carrier.place(at, None)? + self.ahead)
    }
}

fn metres(travelled: Option<Metres>) -> Option<f64> {
    travelled.map(Metres::as_f64)
}

impl Carrier<'_> {
    /// The time of each pack in this car, in order. A car without a registered pack has the one it was built with, whose
    /// age when it came in is the odometer then. Empty while no reading is believed.
    #[must_use]
    pub fn lived(&self) -> Vec<Lived> {
        let ends =
            self.packs.iter().zip(self.packs.iter().skip(1).map(Some).chain([None])).map(|(pack, next)| {
                match (pack.removal, next) {
                    (Some(removal), _) => End::Removed(removal.at, removal.because),
                    (None, Some(next)) => End::Replaced(next.at),
                    (None, None) => End::InUse,
                }
            });
        if self.packs.is_empty() {
            return self.of(None, End::InUse).into_iter().collect();
        }
        self.packs.iter().zip(ends).filter_map(|(pack, end)| self.of(Some(pack), end)).collect()
    }

    fn of(&self, pack: Option<&PackLife>, end: End) -> Option<Lived> {
        let from = pack.map_or(self.watched_from, |pack| pack.at);
        let odometer = pack.map_or(self.odometer_then, |pack| pack.odometer);
        let removed = pack.and_then(|pack| pack.removal);
        let start = self.place(from, odometer)?;
        let last = self.track.last()?;
        let stop = match end.at() {
            Some(at) => self.place(at, removed.and_then(|removal| removal.odometer))?,
            None => metres(last.travelled)?,
        };
        let used = self.used(pack, from)?;
        let watched =
            self.place(from.max(self.watched_from), odometer.filter(|_| from >= self.watched_from))?.max(start);
        let until = end.at().unwrap_or(last.reading.at);
        let days = (until - from.max(self.watched_from)).as_seconds_f64() / 86_400.0;
        Some(Lived {
            pack: pack.cloned(),
            from,
            end,
            entry: used + (watched - start),
            age: used + (stop - start).max(0.0),
            metres_per_day: (days >= 1.0 && stop > watched).then(|| (stop - watched) / days),
            late: self.late(&Stay { start, watched, stop, from, until }, used - start),
            ahead: used - start,
        })
    }

    /// What the pack had behind it when it was put in: as told, else for an original pack the odometer then.
    fn used(&self, pack: Option<&PackLife>, from: DateTime<Utc>) -> Option<f64> {
        let odometer = || metres(pack.map_or(self.odometer_then, |pack| pack.odometer));
        let first = || {
            let first = self.track.first()?;
            Some(first.reading.odometer.as_f64() - (metres(first.travelled)? - self.place(from, None)?))
        };
        match pack {
            Some(PackLife { used: Some(used), .. }) => Some(used.as_f64()),
            Some(PackLife { original: false, .. }) => Some(0.0),
            _ => odometer().or_else(first),
        }
    }

    /// Where on the track the car was: by time between believed readings, else by the odometer told, else at the end of
    /// the track.
    fn place(&self, at: DateTime<Utc>, odometer: Option<Metres>) -> Option<f64> {
        if let Some(travelled) = self.track.travelled_at(at) {
            return Some(travelled.as_f64());
        }
        let (first, last) = (self.track.first()?, self.track.last()?);
        let beyond = |end: f64, shown: Metres| odometer.map_or(0.0, |odometer| (odometer - shown).as_f64()) + end;
        if at < first.reading.at {
            let end = metres(first.travelled)?;
            Some(beyond(end, first.reading.odometer).min(end))
        } else {
            let end = metres(last.travelled)?;
            Some(beyond(end, last.reading.odometer).max(end))
        }
    }

    /// The late stretches of a stay while it was watched, as ages that lie `ahead` of places on the track.
    fn late(&self, stay: &Stay, ahead: f64) -> Option<Vec<(f64, f64)>> {
        let late_after = self.late_after?.as_f64();
        let within = self.services.iter().filter(|service| service.at > stay.from && service.at < stay.until);
        let stops = within.filter_map(|service| self.place(service.at, service.odometer)).chain([stay.stop]);
        let mut since = stay.start;
        let mut late = Vec::new();
        for stop in stops {
            let begun = stay.watched.max(since + late_after);
            if stop > begun {
                late.push((begun + ahead, stop + ahead));
            }
            since = stop;
        }
        Some(late)
    }
}

/// A pack's time in a car, with where on the track the car was.
struct Stay {
    /// Where it was put in,
    start: f64,
    /// watched from,
    watched: f64,
    /// and taken out or last seen.
    stop: f64,
    /// When it was put in,
    from: DateTime<Utc>,
    /// and taken out or last seen.
    until: DateTime<Utc>,
}

/// The share of the ages from `from` to `to` that lie in the stretches.
fn share(late: &[(f64, f64)], from: f64, to: f64) -> f64 {
    let within = late.iter().map(|(begin, end)| (end.min(to) - begin.max(from)).max(0.0));
    // From 0 on: the sum of nothing is -0, and would be shown so.
    (within.fold(0.0, |sum, part| sum + part) / (to - from)).clamp(0.0, 1.0)
}

/// A stretch of a life over which the share driven late is taken as even is at most so long: 16,000 km.
const LONGEST: f64 = 16e6;

/// Cuts a life into stretches, each with the share driven late up to its middle.
///
/// What a pack was exposed to counts up to each age only. Were a whole life told its final share, packs that live long would
/// seem to be kept alive by what there was time for; so each stretch is a life of its own, watched from its beginning,
/// whose risk is compared with that of other packs at the same age. Of a Weibull curve that is exact for a share that changes
/// in steps (proportional hazards with covariates that change in time: J. D. Kalbfleisch and R. L. Prentice, The
/// Statistical Analysis of Failure Time Data, 2002, section 6.3; from memory).
#[must_use]
pub fn stretches(life: &Life, late: &[(f64, f64)]) -> Vec<(Life, f64)> {
    let mut cuts: Vec<f64> = late.iter().flat_map(|(begin, end)| [*begin, *end]).collect();
    cuts.retain(|cut| *cut > life.entry && *cut < life.exit);
    cuts.push(life.exit);
    cuts.sort_unstable_by(f64::total_cmp);
    let mut pieces = Vec::new();
    let mut from = life.entry;
    for cut in cuts {
        let (start, parts) = (from, ((cut - from) / LONGEST).ceil() as u32);
        for part in 1..=parts {
            let to = if part == parts { cut } else { start + (cut - start) * f64::from(part) / f64::from(parts) };
            let late_share = share(late, life.entry, from + (to - from) / 2.0);
            pieces.push((Life { entry: from, exit: to, failed: false, count: life.count }, late_share));
            from = to;
        }
    }
    if let Some((last, _)) = pieces.last_mut() {
        last.failed = life.failed;
    }
    pieces
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::fleet::{Reading, Removal};
    use crate::track::{Limits, clean};

    const KM: i64 = 1_000;

    fn day(number: i64) -> DateTime<Utc> {
        "2026-01-01T00:00:00Z".parse::<DateTime<Utc>>().unwrap() + chrono::TimeDelta::days(number)
    }

    /// A reading a day for a hundred days, from 10,000 km on 200 km a day.
    fn track() -> Track {
        let reading = |number: i64| Reading {
            at: day(number),
            odometer: Metres((10_000 + 200 * number) * KM),
            source: 1,
            ruling: None,
        };
        clean(&(0..=100).map(reading).collect::<Vec<_>>(), &Limits::default(), day(101))
    }

    fn pack(at: i64, odometer_km: i64) -> PackLife {
        PackLife {
            serial: format!("P{at}"),
            pack_type: "N".into(),
            chemistry: None,
            layout: None,
            at: day(at),
            odometer: Some(Metres(odometer_km * KM)),
            used: None,
            original: false,
            removal: None,
        }
    }

    fn service(at: i64, odometer_km: Option<i64>) -> Service {
        Service { at: day(at), odometer: odometer_km.map(|km| Metres(km * KM)) }
    }

    fn carrier<'a>(track: &'a Track, packs: &'a [PackLife], services: &'a [Service]) -> Carrier<'a> {
        Carrier {
            track,
            watched_from: day(0),
            odometer_then: Some(Metres(10_000 * KM)),
            packs,
            services,
            late_after: Some(Metres(8_000 * KM)),
        }
    }

    fn km(metres: f64) -> f64 {
        (metres / KM as f64).round()
    }

    #[test]
    fn a_car_without_a_registered_pack_has_the_one_it_was_built_with() {
        let track = track();
        let found = carrier(&track, &[], &[]).lived();
        let [only] = &found[..] else { panic!("{found:?}") };
        assert_eq!((km(only.entry), km(only.age), only.end), (10_000.0, 30_000.0, End::InUse));
        assert_eq!(only.metres_per_day.map(km), Some(200.0));
        // 20,000 km without a service, late from 8,000 on.
        assert_eq!(only.late_share(), Some(0.6));
        assert!(!only.life().unwrap().failed);
    }

    #[test]
    fn a_pack_ends_by_its_removal_or_by_the_next_one() {
        let track = track();
        let sold = Removal { at: day(40), odometer: None, because: RemovedBecause::Sale };
        let packs = [
            PackLife { removal: Some(sold), original: true, ..pack(0, 10_000) },
            pack(40, 18_000),
            PackLife { used: Some(Metres(5_000 * KM)), ..pack(70, 24_000) },
        ];
        let found = carrier(&track, &packs, &[]).lived();
        let ages: Vec<_> = found.iter().map(|lived| (km(lived.entry), km(lived.age))).collect();
        assert_eq!(ages, [(10_000.0, 18_000.0), (0.0, 6_000.0), (5_000.0, 11_000.0)]);
        let failed: Vec<bool> = found.iter().map(|lived| lived.end.is_failure()).collect();
        // Nobody said why the second one went: it counts as worn out.
        assert_eq!(failed, [false, true, false]);
        assert_eq!(found[1].end, End::Replaced(day(70)));
    }

    #[test]
    fn what_was_put_in_before_the_car_came_is_watched_from_then_on() {
        let track = track();
        let packs = [pack(-50, 4_000)];
        let found = carrier(&track, &packs, &[]).lived();
        assert_eq!((km(found[0].entry), km(found[0].age)), (6_000.0, 26_000.0));
        // An original pack whose odometer nobody told: by the first reading.
        let packs = [PackLife { original: true, odometer: None, ..pack(0, 0) }];
        let found = carrier(&track, &packs, &[]).lived();
        assert_eq!((km(found[0].entry), km(found[0].age)), (10_000.0, 30_000.0));
    }

    #[test]
    fn a_removal_after_the_last_reading_is_placed_by_its_odometer() {
        let track = track();
        let failed = Removal { at: day(130), odometer: Some(Metres(35_000 * KM)), because: RemovedBecause::Failed };
        let packs = [PackLife { removal: Some(failed), ..pack(0, 10_000) }];
        let found = carrier(&track, &packs, &[]).lived();
        assert_eq!((km(found[0].entry), km(found[0].age)), (0.0, 25_000.0));
        assert!(found[0].life().unwrap().failed);
    }

    #[test]
    fn services_in_time_leave_no_distance_late() {
        let track = track();
        let services = [service(30, None), service(60, None), service(90, None)];
        let in_time = carrier(&track, &[], &services).lived()[0].late_share();
        assert_eq!(in_time.map(|share| share.to_string()).as_deref(), Some("0"));
        // 60 days are 12,000 km: the last 4,000 of them late.
        assert_eq!(carrier(&track, &[], &services[1..2]).lived()[0].late_share(), Some(0.2));
        let none = Carrier { late_after: None, ..carrier(&track, &[], &[]) };
        assert_eq!(none.lived()[0].late_share(), None);
    }

    /// Of the years before the first reading the services tell where the car was.
    #[test]
    fn services_before_the_first_reading_are_placed_by_their_odometer() {
        let track = track();
        let (packs, services) = ([pack(-100, 0)], [service(-50, Some(5_000)), service(30, None)]);
        let before =
            Carrier { watched_from: day(-100), odometer_then: Some(Metres(0)), ..carrier(&track, &packs, &services) };
        // 5,000, then 11,000 and 14,000 km with a service: 9,000 of 30,000 lie beyond 8,000 since the last one.
        assert_eq!(before.lived()[0].late.as_deref(), Some(&[(13e6, 16e6), (24e6, 30e6)][..]));
    }

    #[test]
    fn an_age_follows_the_track() {
        let track = track();
        let packs = [pack(40, 18_000)];
        let carrier = carrier(&track, &packs, &[]);
        let found = &carrier.lived()[0];
        assert_eq!(found.age_at(&carrier, day(50)).map(km), Some(2_000.0));
        assert_eq!(found.age_at(&carrier, day(100)).map(km), Some(km(found.age)));
    }

    #[test]
    fn without_a_reading_nothing_is_known() {
        assert_eq!(carrier(&Track::default(), &[], &[]).lived(), []);
    }

    #[test]
    fn a_life_is_cut_where_it_gets_late() {
        let life = Life { entry: 0.0, exit: 40e6, failed: true, count: 1.0 };
        let pieces = stretches(&life, &[(20e6, 30e6)]);
        let ends: Vec<(f64, f64)> = pieces.iter().map(|(piece, _)| (piece.entry, piece.exit)).collect();
        assert_eq!(ends, [(0.0, 10e6), (10e6, 20e6), (20e6, 30e6), (30e6, 40e6)]);
        let shares: Vec<f64> = pieces.iter().map(|(_, share)| *share).collect();
        // 5 of 25 late by the middle of the third, 10 of 35 by that of the last.
        assert_eq!(shares, [0.0, 0.0, 0.2, 10.0 / 35.0]);
        assert_eq!(pieces.iter().map(|(piece, _)| piece.failed).collect::<Vec<_>>(), [false, false, false, true]);
    }

    proptest! {
        /// The pieces are the life: the same risk by any curve whose share does not matter.
        #[test]
        fn pieces_make_up_the_life(
            entry in 0.0_f64..1e8, length in 1.0_f64..4e8, late in prop::collection::vec((0.0_f64..5e8, 0.0_f64..5e7), 0..6),
        ) {
            let life = Life { entry, exit: entry + length, failed: true, count: 1.0 };
            let mut late: Vec<(f64, f64)> = late.into_iter().map(|(from, width)| (from, from + width)).collect();
            late.sort_by(|one, other| one.0.total_cmp(&other.0));
            let pieces = stretches(&life, &late);
            prop_assert_eq!(pieces.first().map(|(piece, _)| piece.entry), Some(life.entry));
            prop_assert_eq!(pieces.last().map(|(piece, _)| (piece.exit, piece.failed)), Some((life.exit, true)));
            for pair in pieces.windows(2) {
                prop_assert_eq!(pair[0].0.exit, pair[1].0.entry);
            }
            prop_assert!(pieces.iter().all(|(piece, share)| piece.exit > piece.entry && (0.0..=1.0).contains(share)));
        }
    }
}
