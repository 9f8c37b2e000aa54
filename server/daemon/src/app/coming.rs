//! What is coming: how many cars reach the edges of their windows in each of the next weeks, against the hours of the bays.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use chrono::{DateTime, Datelike, Days, NaiveDate, TimeDelta, Utc};
use tokio::sync::Mutex;
use ventmile_model::due::{Quantiles, Tally, chance_by, tally};
use ventmile_model::fleet::{Depot, Kind, Plan, local_day};

use super::App;
use super::day_list::WHOLE;
use super::item::Item;
use crate::config::Board;
use crate::store::{DepotRecord, ListFilter, ListPosition, ListRow, StoreError};

/// Weeks looked ahead.
pub const WEEKS: usize = 10;

/// A car of a list.
#[derive(Clone, Debug)]
pub struct Listed {
    /// Its row.
    pub row: ListRow,
    /// What a list shows of its forecast.
    pub item: Item,
}

impl TryFrom<ListRow> for Listed {
    type Error = StoreError;

    fn try_from(row: ListRow) -> Result<Self, StoreError> {
        let item = serde_json::from_str(&row.item)
            .map_err(|fault| StoreError::BadRow { column: "forecasts.item", value: fault.to_string() })?;
        Ok(Self { row, item })
    }
}

/// One week of a depot, Monday to Sunday; the first begins today.
#[derive(Clone, Debug, PartialEq)]
pub struct Week {
    /// Its first day that is not past.
    pub from: NaiveDate,
    /// Its Sunday.
    pub to: NaiveDate,
    /// Cars that reach the early edge of their window in it.
    pub early: Tally,
    /// Cars that reach the late edge in it.
    pub late: Tally,
    /// Hours for which its bays are open, less those planned for other jobs.
    pub bay_hours: f64,
}

/// How many cars stand where against their window.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Standing {
    /// All.
    pub cars: usize,
    /// Nothing to count from.
    pub unknown: usize,
    /// Feed gone silent, among the others.
    pub silent: usize,
    /// Beyond the late edge.
    pub past: usize,
    /// Between the edges.
    pub inside: usize,
}

/// A depot and its next weeks.
#[derive(Clone, Debug)]
pub struct DepotAhead {
    /// The depot.
    pub depot: Depot,
    /// Today there.
    pub today: NaiveDate,
    /// How its cars stand.
    pub standing: Standing,
    /// The next weeks.
    pub weeks: Vec<Week>,
    /// The first [`FIRST`] of its cars to be looked at before any other: unknown, silent, past their window.
    pub first: Vec<Listed>,
    /// How many there are of those.
    pub first_in_all: usize,
}

/// Cars to be looked at first that are kept of each depot.
pub const FIRST: usize = 8;

/// What is coming.
#[derive(Clone, Debug)]
pub struct Coming {
    /// When it was counted.
    pub at: DateTime<Utc>,
    /// Depot by depot.
    pub depots: Vec<DepotAhead>,
}

impl Coming {
    /// The first [`FIRST`] of the cars to be looked at before any other, in the order of every list.
    #[must_use]
    pub fn first(&self) -> Vec<&Listed> {
        let place = |one: &Listed| {
            let ListPosition { rank, due_day, vehicle_id, .. } = one.row.position;
            (rank, due_day, vehicle_id)
        };
        let mut first: Vec<&Listed> = self.depots.iter().flat_map(|ahead| &ahead.first).collect();
        first.sort_by_key(|one| place(one));
        first.truncate(FIRST);
        first
    }

    /// How many cars are to be looked at before any other.
    #[must_use]
    pub fn first_in_all(&self) -> usize {
        self.depots.iter().map(|ahead| ahead.first_in_all).sum()
    }

    /// Whether it may be shown once more instead of counting anew: a large fleet's count is, for some seconds.
    fn stands(&self, now: DateTime<Utc>, settings: &Board) -> bool {
        let cars: usize = self.depots.iter().map(|ahead| ahead.standing.cars).sum();
        let age = now - self.at;
        cars >= settings.count_cars && age >= TimeDelta::zero() && age < TimeDelta::seconds(settings.count_seconds)
    }
}

/// What is coming to the whole fleet, as it was last counted. Whoever counts holds it, so that one count serves all who wait.
#[derive(Debug, Default)]
pub struct Counted(Mutex<Option<Arc<Coming>>>);

/// The days of the next `count` weeks, from `today`.
fn spans(today: NaiveDate, count: usize) -> Vec<(NaiveDate, NaiveDate)> {
    let left = 6 - u64::from(today.weekday().num_days_from_monday());
    let mut spans = Vec::with_capacity(count);
    let mut from = Some(today);
    let mut to = today.checked_add_days(Days::new(left));
    while let (Some(first), Some(last)) = (from, to)
        && spans.len() < count
    {
        spans.push((first, last));
        from = last.succ_opt();
        to = last.checked_add_days(Days::new(7));
    }
    spans
}

/// The dates of an edge as the model takes them.
const fn quantiles([p10, p50, p90]: [Option<NaiveDate>; 3]) -> Quantiles {
    Quantiles { p10, p50, p90 }
}

/// The day from whose end on a car's dates count: that of its last reading, yesterday at the latest.
fn seen_from(item: &Item, depot: &Depot, today: NaiveDate) -> NaiveDate {
    let yesterday = today.pred_opt().unwrap_or(today);
    item.last_reading_at.map_or(yesterday, |at| local_day(at, depot.zone).min(yesterday))
}

/// Hours for which the bays of a depot are open from one day to another, both included.
fn open_hours(depot: &Depot, from: NaiveDate, to: NaiveDate) -> f64 {
    let days = from.iter_days().take_while(|day| *day <= to);
    let minutes: i64 = days
        .filter_map(|day| depot.hours.on(day.weekday()))
        .map(|hours| (hours.closes - hours.opens).num_minutes())
        .sum();
    minutes as f64 / 60.0 * f64::from(depot.bays)
}

/// What is planned at each depot for jobs other than the fan service.
type Plans = [(String, Plan)];

/// Hours planned from one day to another for jobs other than the fan service.
fn taken_hours(plans: &Plans, depot: &str, from: NaiveDate, to: NaiveDate) -> f64 {
    let own = plans.iter().filter(|(at, plan)| at == depot && (from..=to).contains(&plan.on));
    own.map(|(_, plan)| f64::from(plan.minutes) / 60.0).sum()
}

/// The next weeks of a depot with these cars.
///
/// A car is counted in a week with the chance that it reaches the edge between the week's first day and its Sunday. A car
/// that has reached it already is in no week, and one without a date is in none: both are told by [`Standing`].
fn weeks_of(depot: &Depot, items: &[&Item], plans: &Plans, today: NaiveDate) -> Vec<Week> {
    let spans = spans(today, WEEKS);
    let reach = |edge| tallies(items, edge, &spans, |item| seen_from(item, depot, today));
    let (early, late) = (reach(|item| item.early), reach(|item| item.late));
    let week = |(((from, to), early), late)| Week {
        from,
        to,
        early,
        late,
        bay_hours: (open_hours(depot, from, to) - taken_hours(plans, &depot.code, from, to)).max(0.0),
    };
    spans.iter().copied().zip(early).zip(late).map(week).collect()
}

/// The three dates of an edge.
type Edge = fn(&Item) -> [Option<NaiveDate>; 3];

/// How many cars reach an edge in each span, as seen from the end of a day of each car's own.
fn tallies(
    items: &[&Item],
    edge: Edge,
    spans: &[(NaiveDate, NaiveDate)],
    since: impl Fn(&Item) -> NaiveDate,
) -> Vec<Tally> {
    let eve = spans.first().and_then(|(from, _)| from.pred_opt()).unwrap_or_default();
    let mut chances = vec![Vec::with_capacity(items.len()); spans.len()];
    for item in items {
        let (dates, since) = (quantiles(edge(item)), since(item));
        let mut before = chance_by(&dates, since, eve);
        for ((_, to), chances) in spans.iter().zip(&mut chances) {
            let by = chance_by(&dates, since, *to);
            chances.push((by - before).max(0.0));
            before = by;
        }
    }
    chances.iter().map(|chances| tally(chances)).collect()
}

fn standing_of(items: &[&Item]) -> Standing {
    let band = |name: &str| items.iter().filter(|item| item.band == name).count();
    let silent = items.iter().filter(|item| item.silent && item.band != "unknown").count();
    Standing { cars: items.len(), unknown: band("unknown"), silent, past: band("past"), inside: band("inside") }
}

fn ahead(record: DepotRecord, listed: &[Listed], plans: &Plans, now: DateTime<Utc>) -> DepotAhead {
    let depot = record.depot;
    let today = local_day(now, depot.zone);
    let items: Vec<&Item> = listed.iter().map(|one| &one.item).collect();
    let first = || listed.iter().filter(|one| comes_first(&one.item));
    DepotAhead {
        standing: standing_of(&items),
        weeks: weeks_of(&depot, &items, plans, today),
        first: first().take(FIRST).cloned().collect(),
        first_in_all: first().count(),
        today,
        depot,
    }
}

/// Counts the whole fleet's `rows`.
fn count(
    depots: Vec<DepotRecord>,
    rows: Vec<ListRow>,
    plans: &Plans,
    now: DateTime<Utc>,
) -> Result<Coming, StoreError> {
    let mut by_depot: HashMap<String, Vec<Listed>> = HashMap::new();
    for row in rows {
        let listed = Listed::try_from(row)?;
        by_depot.entry(listed.row.depot.clone()).or_default().push(listed);
    }
    let depots = depots.into_iter().map(|record| {
        let listed = by_depot.remove(&record.depot.code).unwrap_or_default();
        ahead(record, &listed, plans, now)
    });
    Ok(Coming { at: now, depots: depots.collect() })
}

/// Whether a car is to be looked at before any other.
fn comes_first(item: &Item) -> bool {
    !item.off_road && (item.silent || matches!(item.band.as_str(), "unknown" | "past"))
}

impl App {
    /// What is coming at a depot, or at all the key may see.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn coming(&self, depot: Option<&str>, key_depots_of: Option<i64>) -> Result<Coming, StoreError> {
        let seen = self.store.depots("", key_depots_of, WHOLE).await?;
        let seen: HashSet<&str> = seen.iter().map(|record| record.depot.code.as_str()).collect();
        let whole = self.counted().await?;
        let wanted = |ahead: &&DepotAhead| {
            let code = ahead.depot.code.as_str();
            seen.contains(code) && depot.is_none_or(|depot| depot == code)
        };
        Ok(Coming { at: whole.at, depots: whole.depots.iter().filter(wanted).cloned().collect() })
    }

    /// What is coming to the whole fleet: counted now, or a moment ago where the fleet is large.
    async fn counted(&self) -> Result<Arc<Coming>, StoreError> {
        let mut kept = self.coming.0.lock().await;
        if let Some(coming) = kept.as_ref().filter(|coming| coming.stands(self.now(), &self.settings.board)) {
            return Ok(Arc::clone(coming));
        }
        let coming = Arc::new(self.count_fleet().await?);
        *kept = Some(Arc::clone(&coming));
        Ok(coming)
    }

    async fn count_fleet(&self) -> Result<Coming, StoreError> {
        let now = self.now();
        let depots = self.store.depots("", None, WHOLE).await?;
        let cars = ListFilter { kind: Some(Kind::FanService), limit: WHOLE, ..ListFilter::default() };
        let rows = self.store.list_forecasts(&cars).await?;
        let plans = self.store.plans_of_other_kinds(Kind::FanService).await?;
        // Ten thousands of cars take a good part of a second: not on the threads that answer requests.
        let counted = tokio::task::spawn_blocking(move || count(depots, rows, &plans, now)).await;
        counted.map_err(|_| StoreError::Stopped)?
    }
}

#[cfg(test)]
mod tests {
    use chrono::NaiveTime;
    use ventmile_model::fleet::{DayHours, DistanceUnit, OpeningHours, parse_zone};

    use super::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn depot() -> Depot {
        let at = |hour| NaiveTime::from_hms_opt(hour, 0, 0).unwrap();
        let open = Some(DayHours { opens: at(8), closes: at(17) });
        Depot {
            code: "NORTH".to_owned(),
            name: "North yard".to_owned(),
            zone: parse_zone("America/New_York").unwrap(),
            bays: 2,
            hours: OpeningHours([open, open, open, open, open, None, None]),
            distance_unit: DistanceUnit::Mile,
        }
    }

    fn item(early: &str, late: &str) -> Item {
        let sure = |day: &str| [Some(date(day)); 3];
        Item { early: sure(early), late: sure(late), ..crate::app::item::sample() }
    }

    #[test]
    fn weeks_run_from_today_to_sunday_and_then_from_monday() {
        let spans = spans(date("2026-03-18"), 3);
        let day = |(from, to): &(NaiveDate, NaiveDate)| (from.to_string(), to.to_string());
        let said: Vec<_> = spans.iter().map(day).collect();
        let expected = [("2026-03-18", "2026-03-22"), ("2026-03-23", "2026-03-29"), ("2026-03-30", "2026-04-05")];
        assert_eq!(said, expected.map(|(from, to)| (from.to_owned(), to.to_owned())));
    }

    #[test]
    fn bays_are_open_as_the_depot_is() {
        // Two bays, nine hours, Wednesday to Friday.
        assert_eq!(open_hours(&depot(), date("2026-03-18"), date("2026-03-22")), 54.0);
    }

    #[test]
    fn a_car_is_counted_in_the_week_of_each_edge() {
        let items = [item("2026-03-20", "2026-04-01"), item("2026-03-29", "2026-04-01")];
        let items: Vec<&Item> = items.iter().collect();
        let weeks = weeks_of(&depot(), &items, &[], date("2026-03-18"));
        let means: Vec<_> = weeks.iter().take(4).map(|week| (week.early.mean, week.late.mean)).collect();
        assert_eq!(means, [(1.0, 0.0), (1.0, 0.0), (0.0, 2.0), (0.0, 0.0)]);
        assert_eq!(weeks.len(), WEEKS);
    }

    #[test]
    fn an_edge_that_is_behind_is_in_no_week() {
        let behind = item("2026-02-01", "2026-03-17");
        let weeks = weeks_of(&depot(), &[&behind], &[], date("2026-03-18"));
        assert!(weeks.iter().all(|week| week.early.mean == 0.0 && week.late.mean == 0.0));
    }

    #[test]
    fn unknown_silent_and_past_cars_come_first_unless_off_the_road() {
        let base = crate::app::item::sample();
        let with = |band: &str, silent, off_road| Item { band: band.to_owned(), silent, off_road, ..base.clone() };
        assert!(comes_first(&with("past", false, false)) && comes_first(&with("before", true, false)));
        assert!(comes_first(&with("unknown", false, false)));
        assert!(!comes_first(&with("past", false, true)) && !comes_first(&with("inside", false, false)));
    }
}
