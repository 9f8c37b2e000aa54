//! One car, from its logs to its forecast: track, duty, usage, due in turn.

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use ventmile_model::due::{self, Band, Crossed, Crossing, Due, Part, Phase, Position, Stretch};
use ventmile_model::duty::{self, DutyDay, Grading, Pattern};
use ventmile_model::fleet::{
    DistanceUnit, Grade, Hours, Kind, Metres, Mixed, OffRoad, Reading, Rule, Service, Window, WindowSet, day_start,
    local_day,
};
use ventmile_model::track::{self, Track};
use ventmile_model::usage::{self, Change, Fits, Plans, RoadDays, Told, Usage, Use, Week};
use ventmile_model::wear::airflow::{Airflow, BroughtForward, Trend};

use super::limits::{duty_settings, track_limits, usage_settings};
use super::past::{Memory, Past};
use super::stops::{Stop, standing_stops};
use super::told::{self, Elsewhere, Turn};
use crate::config::Settings;
use crate::store::{CarLogs, Usual};

/// Stands for "the odometer written down at a service" among the sources of readings.
pub const SOURCE_SERVICE: i64 = -1;
/// Stands for "the odometer when the car came into service".
pub const SOURCE_IN_SERVICE: i64 = -2;
/// Stands for "the odometer when a pack was put in or taken out".
pub const SOURCE_PACK: i64 = -3;

/// The name of a reading's source.
#[must_use]
pub fn source_name(source: i64, names: &HashMap<i64, String>) -> String {
    match source {
        SOURCE_SERVICE => "past service".to_owned(),
        SOURCE_IN_SERVICE => "in service".to_owned(),
        SOURCE_PACK => "pack log".to_owned(),
        other => names.get(&other).cloned().unwrap_or_default(),
    }
}

/// What the interval counts from.
#[derive(Clone, Debug, PartialEq)]
pub enum CountsFrom {
    /// A known service.
    Service {
        /// Which job it was.
        kind: Kind,
        /// Its local day.
        on: NaiveDate,
        /// Its odometer as written down.
        odometer: Option<Metres>,
    },
    /// No service is known of a car that came in new: its first odometer.
    Assumed {
        /// Local day of the first odometer.
        on: NaiveDate,
        /// The first odometer.
        odometer: Metres,
    },
    /// Nothing to count from.
    Unknown {
        /// Why.
        why: Unknown,
    },
}

/// Why there is nothing to count from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unknown {
    /// It came in used and nobody has said when its fan was last serviced.
    UsedCar,
    /// No odometer reading can be believed yet.
    NoReading,
}

/// Where the interval stands.
#[derive(Clone, Debug)]
pub struct Interval {
    /// Position of the car in its window.
    pub position: Position,
    /// The windows that apply today, counted from the service.
    pub windows: WindowSet,
    /// Those that applied on the day of the last reading.
    pub windows_then: WindowSet,
    /// How the car was used by then.
    pub usage_then: Usage,
    /// What changes after that day, as it is told.
    pub phases: Vec<Phase>,
    /// The dates.
    pub due: Due,
}

/// All that was computed about one car.
#[derive(Clone, Debug)]
pub struct Assessment {
    /// Local day for which it was made.
    pub today: NaiveDate,
    /// Which readings are believed.
    pub track: Track,
    /// Duty by day.
    pub days: BTreeMap<NaiveDate, DutyDay>,
    /// How hard the car is driven.
    pub grading: Grading,
    /// How far it goes in a day, as it is used today.
    pub usage: Usage,
    /// What is told of its use after its last reading.
    pub ahead: Vec<Ahead>,
    /// What the interval counts from.
    pub counts_from: CountsFrom,
    /// Window and dates; `None` when there is nothing to count from or the rule has no meter.
    pub interval: Option<Interval>,
    /// Last believed reading.
    pub last_reading_at: Option<DateTime<Utc>>,
    /// Days since it; since the car came into service where there is none.
    pub silent_days: i64,
    /// Whether it is silent, days off the road not counted.
    pub silent: bool,
    /// Whether it is off the road today.
    pub off_road_today: bool,
    /// Whether it is told to be off the road without an end.
    pub off_road_open: bool,
    /// Chance of having run past the late edge by the end of the lead time.
    pub chance_past_late: Option<f64>,
    /// The day the lead time ends.
    pub lead_ends: NaiveDate,
    /// How well the pack is cooled, by its checks.
    pub airflow: Airflow,
    /// The fan service brought forward, because the airflow will not last until it.
    pub brought_forward: Option<BroughtForward>,
    /// The newest reading, where it alone moves the date far and no later one has confirmed it.
    pub provisional: Option<Provisional>,
    /// Why an order is called for today.
    pub raise_reason: Option<String>,
    /// What should be known about how this came about.
    pub notes: Vec<String>,
    /// Changes of its use that are told, in order.
    pub(super) changes: Vec<Change>,
    /// What was remembered of its old rows, where these were not read.
    pub(super) past: Option<Past>,
    /// Whether what was remembered may not do: it is to be made from all rows.
    pub(super) in_doubt: bool,
}

/// What is told of the days from one on.
#[derive(Clone, Debug)]
pub struct Ahead {
    /// The first of them.
    pub from: NaiveDate,
    /// In words, after a distance a day.
    pub words: String,
    /// The grade that decides from then on.
    pub grade: Grade,
    /// How far it goes in a day.
    pub usage: Usage,
}

/// What a car is assessed by, beside its logs.
#[derive(Clone, Copy, Debug)]
pub struct Terms<'a> {
    /// The rule that applies.
    pub rule: &'a Rule,
    /// What is usual at its depot.
    pub usual: Usual,
    /// Depots it is told to move to.
    pub elsewhere: &'a [Elsewhere],
    /// What the fleet's past says.
    pub fits: &'a Fits,
    /// Shifts tried out: as if it were driven in these from its last reading on.
    pub tried: Option<&'a Told>,
}

/// A newest reading that alone moves the due date by more than [`PROVISIONAL_DAYS`].
#[derive(Clone, Copy, Debug)]
pub struct Provisional {
    /// The reading.
    pub reading: Reading,
    /// Days by which it moves the 50 % date of the late edge; less than 0 is earlier. `None` where the edge was not
    /// within the horizon before it, or is not since.
    pub moved_days: Option<i64>,
}

/// A date moved further than this by one unconfirmed reading is said to be provisional.
const PROVISIONAL_DAYS: i64 = 14;

impl Provisional {
    fn of(newest: &track::Provisional, before: &Due, after: &Due) -> Option<Self> {
        let moved_days = match (before.late.p50, after.late.p50) {
            (Some(before), Some(after)) => Some((after - before).num_days()),
            (None, None) => return None,
            _ => None,
        };
        let far = moved_days.is_none_or(|days| days.abs() > PROVISIONAL_DAYS);
        far.then_some(Self { reading: newest.reading, moved_days })
    }

    /// The note that says so.
    #[must_use]
    pub fn note(&self) -> String {
        let moved = match self.moved_days {
            Some(days) if days < 0 => format!("brings the date forward by {} days", -days),
            Some(days) => format!("puts the date off by {days} days"),
            None => "decides whether there is a date within the horizon".to_owned(),
        };
        format!("provisional: the newest reading, of {}, alone {moved}; no later one has confirmed it", self.reading.at)
    }
}

impl Assessment {
    /// Where the car stands in its window.
    #[must_use]
    pub fn band(&self) -> Band {
        self.interval.as_ref().map_or(Band::Unknown, |interval| interval.due.band)
    }

    /// 0 unknown, 1 silent, 2 the rest: the order of every list.
    #[must_use]
    pub fn rank(&self) -> i64 {
        match (self.band(), self.silent) {
            (Band::Unknown, _) => 0,
            (_, true) => 1,
            _ => 2,
        }
    }
}

/// The readings of a car, those written down at services, at pack swaps and at its start among them.
#[must_use]
pub fn all_readings(logs: &CarLogs) -> Vec<Reading> {
    let mut readings = logs.readings.clone();
    let plain = |at, odometer, source| Reading { at, odometer, source, ruling: None };
    readings.extend(
        logs.services.iter().filter_map(|(_, service)| Some(plain(service.at, service.odometer?, SOURCE_SERVICE))),
    );
    let swaps = logs.packs.iter().flat_map(|pack| {
        let removed = pack.removal.and_then(|removal| Some((removal.at, removal.odometer?)));
        [pack.odometer.map(|odometer| (pack.at, odometer)), removed].into_iter().flatten()
    });
    let since = swaps.filter(|(at, _)| day_of(logs, *at) >= logs.in_service_on);
    readings.extend(since.map(|(at, odometer)| plain(at, odometer, SOURCE_PACK)));
    readings.extend(logs.odometer_in_service.map(|odometer| {
        let zone = zone_on(logs, logs.in_service_on);
        plain(day_start(logs.in_service_on, zone), odometer, SOURCE_IN_SERVICE)
    }));
    readings
}

/// The track of a car's readings.
#[must_use]
pub fn track_of(logs: &CarLogs, readings: &[Reading], now: DateTime<Utc>, settings: &Settings) -> Track {
    track::clean(readings, &track_limits(settings, &logs.vehicle_type, &logs.trust), now)
}

pub(super) fn zone_on(logs: &CarLogs, day: NaiveDate) -> Tz {
    let then = logs.stays.iter().rev().find(|(from, _)| *from <= day);
    then.or(logs.stays.first()).map_or(logs.zone, |(_, zone)| *zone)
}

/// The local day of an instant, in the zone of the depot where the car stayed then.
pub(super) fn day_of(logs: &CarLogs, at: DateTime<Utc>) -> NaiveDate {
    let then = logs.stays.iter().rev().find(|(from, zone)| *from <= local_day(at, *zone));
    local_day(at, then.or(logs.stays.first()).map_or(logs.zone, |(_, zone)| *zone))
}

/// Computes everything about one car for the instant `now`.
#[must_use]
pub fn assess(logs: &CarLogs, terms: &Terms<'_>, now: DateTime<Utc>, settings: &Settings) -> Assessment {
    let zone = logs.zone;
    let today = local_day(now, zone);
    let rule = terms.rule;
    let memory = Memory::of(logs, settings);
    let track = memory.track(logs, now, settings);
    let days = duty::days(&logs.duty, &logs.seats, |day| zone_on(logs, day));
    let (counts_from, start) = counting(logs, &track, now, settings);
    let since = start.as_ref().map(|start| start.on);
    start.iter().for_each(|start| memory.ask(start.at));
    let still = |from, to| track.stood_still(from, to, zone) == Some(true);
    let off_road = with_days_before_service(logs);
    let duty = duty_settings(settings);
    let graded_on = |day| memory.grade(&days, &off_road, still, since, day, &duty);
    let by_logs = graded_on(today);
    let tried_on = terms.tried.map(|_| today);
    let evidence = |day| if day < today { graded_on(day).current } else { by_logs.current.clone() };
    let elsewhere = (rule, terms.usual, terms.elsewhere);
    // The newest reading is also left out, to see what rests on it alone.
    let heard = if logs.plans.is_empty() { None } else { track.without_last().last().map(|last| last.reading.at) };
    let heard_on = heard.map(|at| day_of(logs, at));
    let told = told::turns(logs, elsewhere, tried_on, (today, duty.window_days), heard_on, evidence);
    let turns = told.turns.as_slice();
    let graded = |turn: Option<&Turn>| match (turn.and_then(|turn| turn.shifts), terms.tried) {
        (None, Some(tried)) => by_logs.clone().told(&tried.pattern, &duty),
        (shifts, _) => graded(&by_logs, shifts, today, &duty),
    };
    let way_by = |track: &Track| {
        let as_of = track.last().map(|last| day_of(logs, last.reading.at)).max(since).unwrap_or(logs.in_service_on);
        // Shifts that are tried take the place of whatever was told by today.
        let as_of = if terms.tried.is_some() { as_of.max(today) } else { as_of };
        Course { logs, days: &days, terms, settings, memory: &memory }.way(track, turns, as_of)
    };
    let way = way_by(&track);
    let ahead: Vec<Ahead> =
        way.later.iter().map(|(turn, usage)| Ahead::of(turn, *usage, graded(Some(turn)).grade)).collect();
    let grading = graded(in_force(turns, today, |turn| turn.change.on));
    let mut notes: Vec<String> = standing_stops(&logs.codes, zone, now).iter().map(Stop::line).collect();
    notes.extend(start.iter().flat_map(|start| start.notes.clone()));
    notes.extend(told::notes(logs, today));
    notes.extend(told.notes.iter().cloned());
    let usage = in_force(&ahead, today, |ahead| ahead.from).map_or(way.usage, |ahead| ahead.usage);
    let off = days_off(&usage.metres_week);
    notes.extend(off.map(|off| format!("practically never driven on {off}: no distance falls due on one")));
    notes.extend(move_note(logs, &usage));
    if rule.ordinary.is_none() && grading.grade == Grade::Ordinary {
        notes.push("duty is ordinary, but no ordinary window is set: the hard one applies".to_owned());
    }
    let interval_by = |track: &Track, way: &Way<'_>| {
        let parts = Parts { logs, track, days: &days, grading: &by_logs, way, zone };
        interval(&parts, start.as_ref()?, rule, &graded, (today, settings.due.horizon_days))
    };
    let interval = interval_by(&track, &way);
    let airflow = super::packs::airflow_of(logs, now, settings);
    let planned = interval.as_ref().and_then(|interval| interval.due.early.p50);
    let brought_forward =
        planned.zip(airflow.trend).and_then(|(day, trend)| trend.brings_forward(day_start(day, zone)));
    let interval = interval.map(|interval| match brought_forward {
        Some(forward) => Interval { due: interval.due.brought_forward(local_day(forward.to, zone)), ..interval },
        None => interval,
    });
    notes.extend(brought_forward.zip(airflow.trend).map(|(forward, trend)| airflow_note(forward, &trend, zone)));
    let provisional = track.provisional().and_then(|newest| {
        let track = track.without_last();
        let before = interval_by(&track, &way_by(&track))?.due;
        Provisional::of(&newest, &before, &interval.as_ref()?.due)
    });
    notes.extend(provisional.as_ref().map(Provisional::note));
    let last_reading = track.kept().filter(|judged| judged.reading.source != SOURCE_IN_SERVICE).last();
    let last_reading_at = last_reading.map(|judged| judged.reading.at);
    let heard_on = last_reading_at.map_or(logs.in_service_on, |at| day_of(logs, at));
    let road_days_silent = RoadDays::new(&logs.off_road).between(heard_on, today);
    let lead_ends = today.checked_add_days(Days::new(rule.lead_days.unsigned_abs())).unwrap_or(today);
    let chance_past_late = interval.as_ref().map(|interval| interval.due.chance_past_late(lead_ends));
    let mut assessment = Assessment {
        today,
        usage,
        ahead,
        days,
        grading,
        counts_from,
        interval,
        last_reading_at,
        silent_days: (today - heard_on).num_days().max(0),
        silent: road_days_silent >= settings.due.silent_days,
        off_road_open: logs.off_road.iter().any(|off| off.to.is_none()),
        off_road_today: logs.off_road.iter().any(|off| off.covers(today)),
        chance_past_late,
        lead_ends,
        airflow,
        brought_forward,
        provisional,
        raise_reason: None,
        notes,
        track,
        changes: turns.iter().map(|turn| turn.change).collect(),
        in_doubt: memory.is_in_doubt(),
        past: memory.into_past(),
    };
    assessment.raise_reason = raise_reason(&assessment, logs, rule);
    assessment
}

fn airflow_note(forward: BroughtForward, trend: &Trend, zone: Tz) -> String {
    format!(
        "brought forward to {} by its airflow: the pack heats up {:.2} times as much as after its last fan service, {:.2} is \
         the limit; by the day the distance or the hours give, it would be past that with a chance of {:.0} %",
        local_day(forward.to, zone),
        trend.index,
        trend.limit,
        forward.chance_by_planned * 100.0
    )
}

fn move_note(logs: &CarLogs, usage: &Usage) -> Option<String> {
    let moved = logs.moved_on.filter(|_| usage.basis == usage::Basis::Changed)?;
    Some(format!(
        "it moved to another depot on {moved}: what it did before and what that depot's cars do count alike beside its \
         days since"
    ))
}

const WEEKDAYS: [&str; 7] = ["Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays", "Saturdays", "Sundays"];

/// The weekdays on which the car is practically never driven.
fn days_off(week: &Week) -> Option<String> {
    let off: Vec<&str> =
        WEEKDAYS.into_iter().zip(week.weights()).filter(|(_, weight)| *weight <= 0.0).map(|(name, _)| name).collect();
    (!off.is_empty()).then(|| off.join(" and "))
}

/// Days before a car came into service ask for no logs, like days off the road.
pub(super) fn with_days_before_service(logs: &CarLogs) -> Vec<OffRoad> {
    let before = logs.in_service_on.pred_opt().map(|last| OffRoad { from: NaiveDate::MIN, to: Some(last) });
    logs.off_road.iter().copied().chain(before).collect()
}

/// From where the distance counts.
struct Start {
    on: NaiveDate,
    at: DateTime<Utc>,
    travelled: Metres,
    notes: Vec<String>,
}

fn counting(logs: &CarLogs, track: &Track, now: DateTime<Utc>, settings: &Settings) -> (CountsFrom, Option<Start>) {
    let last = logs.services.iter().rev().find(|(kind, service)| kind.restarts_fan_interval() && service.at <= now);
    if let Some((kind, service)) = last {
        let counts_from = CountsFrom::Service { kind: *kind, on: day_of(logs, service.at), odometer: service.odometer };
        return match start_at_service(logs, track, service) {
            Some(start) => (counts_from, Some(start)),
            None => (CountsFrom::Unknown { why: Unknown::NoReading }, None),
        };
    }
    let limit = Metres((settings.due.used_above_miles * DistanceUnit::Mile.metres()) as i64);
    let above = logs.odometer_in_service.is_some_and(|odometer| odometer > limit);
    if logs.came_in_used.unwrap_or(above) {
        return (CountsFrom::Unknown { why: Unknown::UsedCar }, None);
    }
    let Some(first) = track.first() else {
        return (CountsFrom::Unknown { why: Unknown::NoReading }, None);
    };
    let on = day_of(logs, first.reading.at);
    let notes = vec![format!("no fan service is known: counted from the first odometer, of {on} (assumed)")];
    let start = Start { on, at: first.reading.at, travelled: first.travelled.unwrap_or_default(), notes };
    (CountsFrom::Assumed { on, odometer: first.reading.odometer }, Some(start))
}

/// Where on the track the service was: at its own odometer where that is believed, else by time.
fn start_at_service(logs: &CarLogs, track: &Track, service: &Service) -> Option<Start> {
    let on = day_of(logs, service.at);
    let own = track.judged.iter().find(|judged| {
        judged.reading.source == SOURCE_SERVICE
            && judged.reading.at == service.at
            && Some(judged.reading.odometer) == service.odometer
    });
    if let Some(travelled) = own.and_then(|judged| judged.travelled) {
        return Some(Start { on, at: service.at, travelled, notes: Vec::new() });
    }
    let mut notes = Vec::new();
    notes.push(match service.odometer {
        Some(_) => "the odometer written down at the service does not fit the readings and is set aside".to_owned(),
        None => "no odometer was written down at the service".to_owned(),
    });
    let (first, last) = (track.first()?, track.last()?);
    let travelled = if let Some(travelled) = track.travelled_at(service.at) {
        notes.push("the distance counts from where the readings place the car at that time".to_owned());
        travelled
    } else if service.at < first.reading.at {
        notes.push("the distance counts from the first reading after it: more may have been driven".to_owned());
        first.travelled?
    } else {
        notes.push("the distance counts from the last reading before it".to_owned());
        last.travelled?
    };
    Some(Start { on, at: service.at, travelled, notes })
}

/// The grading while these shifts are told: the logs decide alone once the shifts have been driven for as long as a window
/// of theirs.
fn graded(by_logs: &Grading, shifts: Option<(NaiveDate, Pattern)>, today: NaiveDate, duty: &duty::Settings) -> Grading {
    match shifts.filter(|(since, _)| (today - *since).num_days() < duty.window_days) {
        Some((_, pattern)) => by_logs.clone().told(&pattern, duty),
        None => by_logs.clone(),
    }
}

/// The last of what begins by a day.
fn in_force<T>(all: &[T], today: NaiveDate, begins: impl Fn(&T) -> NaiveDate) -> Option<&T> {
    all.iter().rev().find(|one| begins(one) <= today)
}

impl Ahead {
    fn of(turn: &Turn, usage: Usage, grade: Grade) -> Self {
        Self { from: turn.change.on, words: turn.words.clone(), grade, usage }
    }
}

/// How a car is used by its last reading, and from each later turn on.
struct Way<'a> {
    /// The last turn by then.
    then: Option<&'a Turn>,
    usage: Usage,
    later: Vec<(&'a Turn, Usage)>,
}

/// What a car's way is found from.
struct Course<'a> {
    logs: &'a CarLogs,
    days: &'a BTreeMap<NaiveDate, DutyDay>,
    terms: &'a Terms<'a>,
    settings: &'a Settings,
    memory: &'a Memory,
}

impl Course<'_> {
    fn way<'a>(&self, track: &Track, turns: &'a [Turn], as_of: NaiveDate) -> Way<'a> {
        let gone = turns.iter().take_while(|turn| turn.change.on <= as_of).count();
        let (before, after) = turns.split_at_checked(gone).unwrap_or((turns, &[]));
        let mut changes: Vec<Change> = before.iter().map(|turn| turn.change).collect();
        changes.extend(self.terms.tried.map(|told| Change { on: NaiveDate::MAX, to: Use::Shifts(*told) }));
        let usage = self.usage(track, &changes);
        let later = after.iter().map(|turn| {
            changes.push(Change { on: NaiveDate::MAX, ..turn.change });
            (turn, self.usage(track, &changes))
        });
        Way { then: before.last(), usage, later: later.collect() }
    }

    fn usage(&self, track: &Track, changes: &[Change]) -> Usage {
        let plans = Plans { off_road: &self.logs.off_road, changes };
        let past = self.memory.usage(usage::Past::new(track, self.days, plans, self.logs.zone));
        usage::estimate(&past, &told::prior(self.terms.usual), &usage_settings(self.settings), self.terms.fits)
    }
}

struct Parts<'a> {
    logs: &'a CarLogs,
    track: &'a Track,
    days: &'a BTreeMap<NaiveDate, DutyDay>,
    grading: &'a Grading,
    way: &'a Way<'a>,
    zone: Tz,
}

fn interval(
    parts: &Parts<'_>,
    start: &Start,
    rule: &Rule,
    graded: &dyn Fn(Option<&Turn>) -> Grading,
    (today, horizon_days): (NaiveDate, i64),
) -> Option<Interval> {
    let last = parts.track.last()?;
    let last_on = day_of(parts.logs, last.reading.at);
    let as_of = last_on.max(start.on);
    let metres_since = (last.travelled? - start.travelled).max(Metres(0));
    let hours_since = hours_after(parts.days, start.on, as_of);
    let Way { then, usage, later } = parts.way;
    let grading = graded(*then);
    let mut stretches = stretches(parts, start);
    let windows_by = |rule: &Rule, grading: &Grading, stretches: &[Stretch]| match rule.mixed {
        Mixed::Strict => *rule.windows(grading.grade),
        Mixed::Blended => due::blend(rule, stretches, grading.now),
    };
    let windows_then = windows_by(rule, &grading, &stretches);
    let crossed = Crossed {
        distance: distance_crossing(parts, start, windows_then.distance),
        hours: hours_crossing(parts.days, start.on, as_of, windows_then.hours),
    };
    let position = Position { service_on: start.on, as_of, metres_since, hours_since, crossed };
    let off_road = &parts.logs.off_road;
    let mut phases: Vec<Phase> = Vec::with_capacity(later.len());
    let (mut grade, mut from, mut driven) = (grading.now, as_of, (metres_since, Hours(hours_since)));
    for (turn, usage_then) in later {
        let eve = turn.change.on.pred_opt().unwrap_or(from);
        let (metres, hours) = due::expected(&position, usage, &phases, off_road, eve);
        // What is driven by then, by the median, in the grade of the days before.
        let by_then = Stretch {
            grade,
            metres: metres - driven.0,
            hours: Hours(hours.0 - driven.1.0),
            days: (eve - from).num_days(),
        };
        stretches.push(by_then);
        let grading = graded(Some(turn));
        let windows = windows_by(&turn.rule, &grading, &stretches);
        phases.push(Phase { from: turn.change.on, usage: *usage_then, windows });
        (grade, from, driven) = (grading.now, eve, (metres, hours));
    }
    let due = due::forecast(&position, usage, &windows_then, &phases, off_road, today, horizon_days)?;
    let windows = in_force(&phases, today, |phase| phase.from).map_or(windows_then, |phase| phase.windows);
    Some(Interval { position, windows, windows_then, usage_then: *usage, phases, due })
}

/// Duty hours of the days after `from` up to and including `to`.
fn hours_after(days: &BTreeMap<NaiveDate, DutyDay>, from: NaiveDate, to: NaiveDate) -> f64 {
    duty_after(days, from, to).map(|(_, day)| day.hours).sum()
}

fn duty_after(
    days: &BTreeMap<NaiveDate, DutyDay>,
    from: NaiveDate,
    to: NaiveDate,
) -> impl Iterator<Item = (NaiveDate, &DutyDay)> {
    days.iter()
        .map(|(date, day)| (*date, day))
        .skip_while(move |(date, _)| *date <= from)
        .take_while(move |(date, _)| *date <= to)
}

/// What was driven in each stretch of one grade since the start.
fn stretches(parts: &Parts<'_>, start: &Start) -> Vec<Stretch> {
    let Some(last) = parts.track.last() else { return Vec::new() };
    let travelled_by = |at: DateTime<Utc>| {
        let at = at.clamp(start.at, last.reading.at.max(start.at));
        parts.track.travelled_at(at).or(last.travelled).unwrap_or(start.travelled)
    };
    let of = |(from, to, grade): &(NaiveDate, NaiveDate, Grade)| {
        let next = to.succ_opt().unwrap_or(*to);
        let before = from.pred_opt().unwrap_or(*from);
        let driven = travelled_by(day_start(next, parts.zone)) - travelled_by(day_start(*from, parts.zone));
        Stretch {
            grade: *grade,
            metres: driven.max(Metres(0)),
            hours: Hours(hours_after(parts.days, before.max(start.on), *to)),
            days: (*to - *from).num_days() + i64::from(*from > start.on),
        }
    };
    parts.grading.split.iter().map(of).collect()
}

fn distance_crossing(parts: &Parts<'_>, start: &Start, window: Option<Window<Metres>>) -> Crossing {
    let day = |edge: Metres| {
        let at = parts.track.reached(start.travelled + edge)?;
        Some(day_of(parts.logs, at).max(start.on))
    };
    window.map_or_else(Crossing::default, |window| Crossing { early: day(window.early), late: day(window.late) })
}

fn hours_crossing(
    days: &BTreeMap<NaiveDate, DutyDay>,
    from: NaiveDate,
    to: NaiveDate,
    window: Option<Window<Hours>>,
) -> Crossing {
    let day = |edge: Hours| {
        let mut total = 0.0;
        duty_after(days, from, to).find_map(|(date, day)| {
            total += day.hours;
            (total >= edge.0).then_some(date)
        })
    };
    window.map_or_else(Crossing::default, |window| Crossing { early: day(window.early), late: day(window.late) })
}

/// Why an order is called for today: at the first of nothing to count from, past the late edge, lead time before the
/// early edge's median, or too high a chance of running past the late edge within the lead time.
fn raise_reason(assessment: &Assessment, logs: &CarLogs, rule: &Rule) -> Option<String> {
    if let CountsFrom::Unknown { why } = assessment.counts_from {
        return match why {
            Unknown::UsedCar => {
                Some("it came in used and no fan service is known: inspect it, or enter the service".into())
            }
            // A car registered a moment ago is still waiting for its first logs.
            Unknown::NoReading if assessment.today - local_day(logs.registered_at, logs.zone) >= TimeDelta::days(1) => {
                Some("there is no odometer reading to count from: read it".into())
            }
            Unknown::NoReading => None,
        };
    }
    let due = &assessment.interval.as_ref()?.due;
    if due.band == Band::Past {
        let since = due.late.p50.map(|day| format!(" since {day}")).unwrap_or_default();
        return Some(format!("past the late edge{since}"));
    }
    let ahead = TimeDelta::days(rule.lead_days);
    if let Some(early) = due.early.p50.filter(|early| *early - ahead <= assessment.today) {
        let lead = rule.lead_days;
        if assessment.brought_forward.is_some() {
            return Some(format!("brought forward to {early}: the pack heats up more than after its last fan service"));
        }
        return Some(if early <= assessment.today {
            format!("inside its window since {early}")
        } else {
            format!("early edge expected on {early}, within the lead time of {lead} days")
        });
    }
    let chance = assessment.chance_past_late.filter(|chance| *chance > rule.raise_chance)?;
    Some(format!("{:.0} % chance of running past the late edge by {}", chance * 100.0, assessment.lead_ends))
}

/// The sentence a person can check with a pocket calculator.
#[must_use]
pub fn sentence(assessment: &Assessment, unit: DistanceUnit) -> String {
    let Some(interval) = &assessment.interval else {
        return match assessment.counts_from {
            CountsFrom::Unknown { why: Unknown::UsedCar } => {
                "The car came in used and no fan service is known, so there is nothing to count from.".to_owned()
            }
            CountsFrom::Unknown { why: Unknown::NoReading } => {
                "No odometer reading can be believed yet, so there is nothing to count from.".to_owned()
            }
            _ => "The service rule has no window in any meter, so no date can be given.".to_owned(),
        };
    };
    let position = &interval.position;
    let from = match &assessment.counts_from {
        CountsFrom::Assumed { on, .. } => format!("the first odometer on {on} (no fan service is known)"),
        CountsFrom::Service { kind: Kind::PackReplacement, .. } => {
            format!("the pack replacement of {}", position.service_on)
        }
        _ => format!("the fan service of {}", position.service_on),
    };
    let number = |metres: f64| grouped(metres / unit.metres());
    let mut text = format!(
        "By {} the car had gone {} {unit} since {from}",
        position.as_of,
        number(position.metres_since.as_f64())
    );
    let legs: Vec<(Option<&Ahead>, &WindowSet)> = std::iter::once((None, &interval.windows_then))
        .chain(assessment.ahead.iter().map(Some).zip(interval.phases.iter().map(|phase| &phase.windows)))
        .collect();
    if legs.iter().all(|(_, windows)| windows.distance.is_none()) {
        text.push('.');
        return text;
    }
    let usage = &interval.usage_then;
    text.push_str(&format!(" and goes {} {unit} a day {}", number(usage.metres_per_day), basis(usage)));
    for ahead in &assessment.ahead {
        let rate = number(ahead.usage.metres_per_day);
        text.push_str(&format!(", from {} on {rate} {unit} a day {}", ahead.from, ahead.words));
    }
    let edges: [(&str, Edge); 2] = [("early", |window| window.early), ("late", |window| window.late)];
    for ((name, edge), way) in edges.into_iter().zip(&interval.due.ways) {
        text.push_str(&to_edge(name, &legs, edge, way, position.metres_since, unit));
    }
    if let Some(off) = days_off(&assessment.usage.metres_week) {
        text.push_str(&format!("; it is practically never driven on {off}, and its other days count for more"));
    }
    text.push('.');
    text
}

fn basis(usage: &Usage) -> String {
    match usage.basis {
        usage::Basis::Own => format!("by its {} days on the road, the recent ones counting most", usage.days_counted),
        usage::Basis::Changed => "by its days before its move, its depot's cars and its days since".to_owned(),
        usage::Basis::Depot => "as its depot's cars do".to_owned(),
        usage::Basis::Assumed => "as assumed, for want of any history".to_owned(),
        usage::Basis::Told => "as the shifts that are told bring".to_owned(),
    }
}

/// One edge of a window.
type Edge = fn(&Window<Metres>) -> Metres;

/// What is left to an edge, leg by leg, as it can be checked: `way` by the median, `legs` with the windows of each.
fn to_edge(
    name: &str,
    legs: &[(Option<&Ahead>, &WindowSet)],
    edge: Edge,
    way: &[Part],
    since: Metres,
    unit: DistanceUnit,
) -> String {
    let number = |metres: f64| grouped(metres / unit.metres());
    let at = |place: usize| Some(edge(&legs.get(place)?.1.distance?).as_f64());
    let place = way.len().saturating_sub(1);
    let Some(reached) = at(place).or_else(|| at(0)) else { return String::new() };
    let (edge, left) = (number(reached), reached - since.as_f64());
    if left <= 0.0 {
        return format!("; the {name} edge at {edge} {unit} is behind it");
    }
    let Some((last, before)) = way.split_last() else {
        let why = if legs.len() > 1 { "as it is told" } else { "it stands, so" };
        return format!("; {why} the {name} edge at {edge} {unit} is not in sight");
    };
    let lies = match legs.get(place) {
        Some((Some(ahead), _)) if at(0) != Some(reached) => format!("at {edge} {unit} from {} on", ahead.from),
        _ => format!("at {edge} {unit}"),
    };
    let driven: f64 = before.iter().map(|part| part.amount).sum();
    if driven > left {
        return format!("; the {name} edge {lies} is behind it by then");
    }
    let part = |part: &Part, days: f64| {
        let rate = if part.days > 0.0 { part.amount / part.days } else { 0.0 };
        format!("{} days at {} {unit} a day", one_place(days), number(rate))
    };
    let parts = before.iter().filter(|leg| leg.days > 0.0).map(|leg| part(leg, leg.days));
    // The noise of single days may put the median rate to an edge a little off the one over sixty days.
    let parts: Vec<String> = parts.chain([part(last, (last.days * (1.0 - ROUNDING)).ceil())]).collect();
    format!("; to the {name} edge {lies} there are {} {unit} left, {}", number(left), parts.join(", then "))
}

/// Days with at most one decimal place.
fn one_place(days: f64) -> String {
    let text = format!("{days:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// Takes the noise of the last digits off a count of days before it is rounded up, as the model does.
const ROUNDING: f64 = 1e-9;

/// A whole number with commas between thousands.
fn grouped(value: f64) -> String {
    let digits = format!("{:.0}", value.abs());
    let mut text = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place) % 3 == 0 {
            text.push(',');
        }
        text.push(digit);
    }
    if value <= -0.5 { format!("-{text}") } else { text }
}

/// Whether a reading of `odometer` at `at` would be believed beside what is known of the car; why not otherwise.
#[must_use]
pub fn fits_track(
    logs: &CarLogs,
    at: DateTime<Utc>,
    odometer: Metres,
    now: DateTime<Utc>,
    settings: &Settings,
) -> Option<track::Reason> {
    let candidate = Reading { at, odometer, source: SOURCE_SERVICE, ruling: None };
    let mut readings = all_readings(logs);
    readings.push(candidate);
    let track = track_of(logs, &readings, now, settings);
    let judged = track.judged.iter().find(|judged| judged.reading == candidate)?;
    match judged.verdict {
        track::Verdict::SetAside(reason) => Some(reason),
        _ => None,
    }
}

/// The kinds that the loop computes forecasts for.
pub const FORECAST_KINDS: [Kind; 1] = [Kind::FanService];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thousands_are_grouped() {
        for (value, text) in
            [(0.0, "0"), (999.4, "999"), (1000.0, "1,000"), (1_234_567.0, "1,234,567"), (-1500.0, "-1,500")]
        {
            assert_eq!(grouped(value), text);
        }
    }
}
