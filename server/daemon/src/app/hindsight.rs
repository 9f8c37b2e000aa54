//! Forecasts kept as they were made, held against what happened.

use std::collections::BTreeMap;

use chrono::{DateTime, Datelike, Days, NaiveDate, Utc};
use ventmile_model::due::{CHANCES, Outcome, Quantiles, Score, naive, score};
use ventmile_model::fleet::{Kind, Metres, Window, day_start, local_day};
use ventmile_model::track::Track;

use super::App;
use super::assess::{Assessment, Interval, day_of};
use super::past::{Daily, Past};
use crate::store::{CarLogs, DailyMetres, HindsightFilter, PastForecast, StoreError};

/// Days of the naive forecast of the recent past.
const RECENT_DAYS: u64 = 28;

/// The two edges' forecasts, as far as they are still ahead.
#[must_use]
pub fn to_keep(car: &CarLogs, kind: Kind, assessment: &Assessment) -> Vec<PastForecast> {
    let (Some(interval), Some(last)) = (&assessment.interval, assessment.track.last()) else { return Vec::new() };
    let edges: [(&str, Quantiles, Pick); 2] =
        [("early", interval.due.early, |window| window.early), ("late", interval.due.late, |window| window.late)];
    let (all, recent) = daily_metres(car, assessment);
    let ahead = |edge: Quantiles| edge.p50.is_none_or(|day| day > assessment.today);
    let kept = edges.into_iter().filter(|(_, dates, _)| ahead(*dates));
    kept.map(|(name, dates, pick)| {
        let (left_metres, left_hours, limit_on) = left(interval, pick);
        PastForecast {
            vehicle_id: car.vehicle_id,
            kind,
            edge: name.to_owned(),
            made_on: assessment.today,
            depot_id: car.depot_id,
            as_of: last.reading.at,
            as_of_day: interval.position.as_of,
            dates: [dates.p10, dates.p50, dates.p90],
            left_metres,
            left_hours,
            limit_on,
            all,
            recent,
            told: is_told(car, assessment.today),
            passed_on: None,
            seen_on: assessment.today.min(day_of(car, last.reading.at)),
        }
    })
    .collect()
}

/// Whether something is told that is still to come: days off the road, other shifts, a move, or their end.
fn is_told(car: &CarLogs, today: NaiveDate) -> bool {
    let off_road = car.off_road.iter().any(|off| off.to.is_none_or(|to| to > today));
    off_road || car.plans.iter().any(|plan| plan.from > today || plan.to.is_some_and(|to| to >= today))
}

/// One edge of a window.
type Pick = fn(Window<f64>) -> f64;

/// How far off an edge is by each meter; nothing where that meter has no window.
fn left(interval: &Interval, pick: Pick) -> (Option<Metres>, Option<f64>, Option<NaiveDate>) {
    let position = &interval.position;
    let windows = &interval.windows;
    let metres = windows.distance.map(|window| {
        let edge = pick(Window { early: window.early.as_f64(), late: window.late.as_f64() });
        Metres(edge.round() as i64) - position.metres_since
    });
    let hours =
        windows.hours.map(|window| pick(Window { early: window.early.0, late: window.late.0 }) - position.hours_since);
    let limit = windows.days.and_then(|window| {
        let days = pick(Window { early: window.early as f64, late: window.late as f64 });
        position.service_on.checked_add_days(Days::new(days.max(0.0) as u64))
    });
    (metres, hours, limit)
}

/// Mean and standard deviation of a day's metres, over all history and over the last 28 days.
fn daily_metres(car: &CarLogs, assessment: &Assessment) -> (Option<DailyMetres>, Option<DailyMetres>) {
    let Some(last) = assessment.track.last().map(|last| last.reading.at) else { return (None, None) };
    let before = assessment.past.as_ref().map(Past::daily).unwrap_or_default();
    let all = daily(car, &assessment.track, before, before.last_day(), last);
    let lately = day_of(car, last).min(local_day(last, car.zone)).checked_sub_days(Days::new(RECENT_DAYS + 1));
    let recent = daily(car, &assessment.track, Daily::default(), lately, last);
    (all.mean_and_sd(), recent.mean_and_sd())
}

/// What the days between the midnights after the day `after` and up to the instant `until` brought, beside those counted
/// `before`.
pub(super) fn daily(
    car: &CarLogs,
    track: &Track,
    before: Daily,
    after: Option<NaiveDate>,
    until: DateTime<Utc>,
) -> Daily {
    let first = track.first().map(|first| day_of(car, first.reading.at));
    let Some(from) = after.max(first) else { return before };
    let ends = from.iter_days().skip(1).take_while(|day| *day <= day_of(car, until));
    let midnights = ends.map(|day| (day, day_start(day, car.zone))).filter(|(_, at)| *at <= until);
    midnights.filter_map(|(day, at)| Some((day, track.travelled_at(at)?))).fold(
        before,
        |mut daily, (day, travelled)| {
            daily.step(day, travelled);
            daily
        },
    )
}

/// The past forecast with what the readings say of it now; nothing where they say no more than before.
///
/// The edge stands where it stood when the forecast was made, whether or not a service came in between.
#[must_use]
pub fn settled(past: &PastForecast, car: &CarLogs, assessment: &Assessment) -> Option<PastForecast> {
    let track = &assessment.track;
    let seen_on = day_of(car, track.last()?.reading.at).max(past.seen_on);
    let by_distance = past.left_metres.and_then(|left| {
        let at = track.reached(track.travelled_at(past.as_of)? + left)?;
        Some(day_of(car, at))
    });
    let by_hours = past.left_hours.and_then(|left| hours_reached(assessment, past.as_of_day, left));
    let by_days = past.limit_on.filter(|limit| *limit <= seen_on);
    let passed_on = [by_distance, by_hours, by_days].into_iter().flatten().min().map(|day| day.max(past.made_on));
    let news = passed_on.is_some() || seen_on > past.seen_on;
    news.then(|| PastForecast { passed_on, seen_on: passed_on.unwrap_or(seen_on).max(seen_on), ..past.clone() })
}

fn hours_reached(assessment: &Assessment, after: NaiveDate, left: f64) -> Option<NaiveDate> {
    let mut total = 0.0;
    assessment.days.iter().filter(|(day, _)| **day > after).find_map(|(day, duty)| {
        total += duty.hours;
        (total >= left).then_some(*day)
    })
}

/// Scores of the model and of two naive forecasts over the same past forecasts.
#[derive(Clone, Copy, Debug)]
pub struct Comparison {
    /// The forecasts as they were made.
    pub model: Score,
    /// The average of all history.
    pub naive_all: Option<Score>,
    /// The average of the last 28 days.
    pub naive_recent: Option<Score>,
}

/// What a group of past forecasts has in common.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Group {
    /// All of an edge without a told plan.
    All,
    /// By how far ahead the median was, in days: from, up to.
    Horizon(i64, Option<i64>),
    /// By the depot.
    Depot(i64),
    /// By the month in which they were made: year, month.
    Month(i32, u32),
    /// Those made while a plan still to come was told.
    Told,
}

const HORIZONS: [(i64, Option<i64>); 4] = [(0, Some(14)), (15, Some(30)), (31, Some(60)), (61, None)];

fn groups_of(past: &PastForecast) -> Vec<Group> {
    if past.told {
        return vec![Group::Told];
    }
    let [_, median, _] = past.dates;
    let ahead = median.map_or(i64::MAX, |day| (day - past.made_on).num_days());
    let horizon = HORIZONS.into_iter().find(|(_, to)| to.is_none_or(|to| ahead <= to));
    let mut groups =
        vec![Group::All, Group::Depot(past.depot_id), Group::Month(past.made_on.year(), past.made_on.month())];
    groups.extend(horizon.map(|(from, to)| Group::Horizon(from, to)));
    groups
}

fn outcome(past: &PastForecast) -> Outcome {
    let days = |day: NaiveDate| (day - past.made_on).num_days() as f64;
    let followed = days(past.seen_on).max(0.0);
    Outcome { days: past.passed_on.map_or(followed, days), followed }
}

fn days_ahead(past: &PastForecast, day: Option<NaiveDate>) -> f64 {
    day.map_or(f64::INFINITY, |day| ((day - past.made_on).num_days() as f64).max(0.0))
}

/// Quantiles of a naive forecast, in days since it was made.
fn naive_quantiles(past: &PastForecast, daily: Option<DailyMetres>) -> Option<[f64; 3]> {
    let (daily, left) = (daily?, past.left_metres?);
    let late = (past.made_on - past.as_of_day).num_days() as f64;
    Some(CHANCES.map(|p| (naive(daily.mean, daily.sd, left.as_f64(), p) - late).max(0.0)))
}

fn compare(group: &[&PastForecast]) -> Option<Comparison> {
    let of = |pick: fn(&PastForecast) -> Option<[f64; 3]>| {
        score(group.iter().filter_map(|past| Some((pick(past)?, outcome(past)))))
    };
    Some(Comparison {
        model: of(|past| Some(past.dates.map(|day| days_ahead(past, day))))?,
        naive_all: of(|past| naive_quantiles(past, past.all)),
        naive_recent: of(|past| naive_quantiles(past, past.recent)),
    })
}

/// What came of the forecasts that were kept.
#[derive(Clone, Debug, Default)]
pub struct Hindsight {
    /// Comparisons by edge and group, of those that can be scored.
    pub comparisons: BTreeMap<(String, Group), Comparison>,
    /// Forecasts kept, scored or not.
    pub kept: usize,
    /// The soonest 50 % date still to come of an edge that is not passed yet.
    pub next_on: Option<NaiveDate>,
}

/// Past forecasts looked at, at most: the newest.
pub const MOST: i64 = 500_000;

impl App {
    /// How the forecasts made from a day to a day compare with what happened. A forecast made so lately that nothing has
    /// been seen since says nothing and is left out.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn hindsight(&self, filter: &HindsightFilter) -> Result<Hindsight, StoreError> {
        let all = self.store.past_forecasts(filter).await?;
        let mut groups: BTreeMap<(String, Group), Vec<&PastForecast>> = BTreeMap::new();
        for past in all.iter().filter(|past| past.seen_on > past.made_on || past.passed_on.is_some()) {
            for group in groups_of(past) {
                groups.entry((past.edge.clone(), group)).or_default().push(past);
            }
        }
        let open = all.iter().filter(|past| past.passed_on.is_none());
        let next = |past: &PastForecast| past.dates.get(1).copied().flatten().filter(|day| *day >= filter.to);
        Ok(Hindsight {
            comparisons: groups.into_iter().filter_map(|(key, group)| Some((key, compare(&group)?))).collect(),
            kept: all.len(),
            next_on: open.filter_map(next).min(),
        })
    }
}
