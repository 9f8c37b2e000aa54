//! Recast: stale cars get new forecasts. And one car's forecast as it is asked for.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;
use std::sync::atomic::Ordering;

use chrono::{DateTime, TimeDelta, Utc};
use ventmile_model::fleet::{Kind, Rule};
use ventmile_model::usage::Told;

use super::assess::{Assessment, FORECAST_KINDS, Terms, assess};
use super::item::Item;
use super::life::FleetLife;
use super::packs::CarPacks;
use super::past::Past;
use super::told::Elsewhere;
use super::{App, hindsight};
use crate::store::{
    BookChange, CarLogs, Claim, ForecastRow, PackRecast, PastForecast, Planned, Recast, Remembered, RuleRecord,
    StoreError, Usual, order_number,
};

/// More rules than a fleet will ever have.
pub const ALL_RULES: i64 = 10_000;

/// A car counts as newly registered for so long.
const NEWLY_REGISTERED: TimeDelta = TimeDelta::hours(1);

/// The rule that applies to a car: the one that names its depot and model, then its depot, then its model, then all.
#[must_use]
pub fn rule_for<'a>(rules: &'a [RuleRecord], kind: Kind, car: &CarLogs) -> Option<&'a RuleRecord> {
    rule_of(rules, kind, &car.depot, car.model.as_deref())
}

/// The rule that applies to a car of this depot and model.
#[must_use]
pub fn rule_of<'a>(rules: &'a [RuleRecord], kind: Kind, depot: &str, model: Option<&str>) -> Option<&'a RuleRecord> {
    let fits =
        |wanted: &Option<String>, found: Option<&str>| wanted.as_deref().is_none_or(|wanted| Some(wanted) == found);
    rules
        .iter()
        .filter(|rule| rule.kind == kind && fits(&rule.depot, Some(depot)) && fits(&rule.model, model))
        .max_by_key(|rule| (rule.depot.is_some(), rule.model.is_some()))
}

/// The depots a car is told to move to, number and code.
fn moves(car: &CarLogs) -> impl Iterator<Item = (i64, &str)> {
    car.plans.iter().filter_map(|plan| match &plan.told {
        Planned::Move { depot_id, depot, .. } => Some((*depot_id, depot.as_str())),
        Planned::Shifts(_) => None,
    })
}

/// By which rule, and beside what, a car will be served at the depots it is told to move to.
fn elsewhere(rules: &[RuleRecord], kind: Kind, car: &CarLogs, usual: &HashMap<i64, Usual>) -> Vec<Elsewhere> {
    let at = |(depot_id, depot)| {
        let rule = rule_of(rules, kind, depot, car.model.as_deref())?.rule;
        Some(Elsewhere { depot_id, rule, usual: usual.get(&depot_id).copied().unwrap_or_default() })
    };
    moves(car).filter_map(at).collect()
}

/// One car's forecast of one kind, and what it adds to the record; without a rule its packs and codes alone.
struct Computed {
    forecast: Option<Forecast>,
    mark: i64,
    packs: PackRecast,
    book: Option<BookChange>,
    /// Whether it has to be made from all rows of its car instead.
    in_doubt: bool,
}

/// What cars are recast by.
#[derive(Clone)]
struct Batch {
    rules: Arc<[RuleRecord]>,
    fleet: Arc<FleetLife>,
}

struct Forecast {
    row: ForecastRow,
    record: Vec<PastForecast>,
    settle: Vec<PastForecast>,
}

impl Computed {
    fn has_usage(&self) -> bool {
        self.forecast.as_ref().is_some_and(|forecast| forecast.row.metres_per_day.is_some())
    }
}

/// What is usual at each depot by these forecasts: the mean of the cars that have history of their own.
fn usual_among(computed: &[Computed]) -> HashMap<i64, Usual> {
    let mut by_depot: HashMap<i64, (f64, f64, f64)> = HashMap::new();
    for row in computed.iter().filter(|one| !one.in_doubt).filter_map(|one| Some(&one.forecast.as_ref()?.row)) {
        if let (Some(metres), Some(hours)) = (row.metres_per_day, row.hours_per_day) {
            let (count, total, total_hours) = by_depot.entry(row.depot_id).or_default();
            (*count, *total, *total_hours) = (*count + 1.0, *total + metres, *total_hours + hours);
        }
    }
    let mean = |(count, metres, hours): (f64, f64, f64)| Usual {
        metres_per_day: Some(metres / count),
        hours_per_day: Some(hours / count),
    };
    by_depot.into_iter().map(|(depot, sums)| (depot, mean(sums))).collect()
}

/// A car as it stands, whether a rule applies to it or not.
#[derive(Debug)]
pub struct AssessedCar {
    /// What is stored about the car.
    pub logs: CarLogs,
    /// What was computed.
    pub assessment: Assessment,
}

/// A car's forecast with the rule it rests on.
#[derive(Debug)]
pub struct CarForecast {
    /// What is stored about the car.
    pub logs: CarLogs,
    /// The rule.
    pub rule: RuleRecord,
    /// What was computed.
    pub assessment: Assessment,
}

impl App {
    /// Recomputes one batch of stale cars; how many there were.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails: the cars stay stale.
    pub async fn recast_batch(&self) -> Result<usize, StoreError> {
        let now = self.now();
        let until = now + TimeDelta::seconds(self.settings.loops.claim_seconds);
        let claimed = self.store.claim_stale(now, until, self.settings.loops.batch).await?;
        if claimed.is_empty() {
            return Ok(0);
        }
        self.refresh_fits().await?;
        let rules = self.store.rules("", None, ALL_RULES).await?.into();
        let batch = Batch { rules, fleet: self.fleet_life().await? };
        let in_doubt = self.recast_of(&claimed, &batch, now).await?;
        let whole = claimed.iter().filter(|claim| in_doubt.contains(&claim.vehicle_id)).map(|claim| claim.whole());
        self.recast_of(&whole.collect::<Vec<_>>(), &batch, now).await?;
        self.forecasts_made.fetch_add(1, Ordering::Relaxed);
        Ok(claimed.len())
    }

    /// Recomputes these cars, but for those, by their numbers, that have to be read from all their rows.
    async fn recast_of(
        &self,
        claimed: &[Claim],
        batch: &Batch,
        now: DateTime<Utc>,
    ) -> Result<HashSet<i64>, StoreError> {
        if claimed.is_empty() {
            return Ok(HashSet::new());
        }
        let cars = self.cars(claimed).await?;
        let usual = self.usual_of(&cars).await?;
        let ids: Vec<i64> = cars.iter().map(|car| car.vehicle_id).collect();
        let mut open: HashMap<i64, Vec<PastForecast>> = HashMap::new();
        for past in self.store.open_past_forecasts(&ids).await? {
            open.entry(past.vehicle_id).or_default().push(past);
        }
        let (app, batch) = (self.clone(), batch.clone());
        // Computing a batch takes milliseconds to seconds: not on the threads that answer requests.
        let computed = tokio::task::spawn_blocking(move || app.compute(&cars, &batch, &usual, &open)).await;
        let (mut recast, in_doubt) = computed.map_err(|_| StoreError::Stopped)?;
        recast.notable_days = self.settings.events.notable_days;
        self.store.save_forecasts(&recast, now).await?;
        Ok(in_doubt)
    }

    /// Recomputes until no car is stale; how many there were.
    ///
    /// # Errors
    /// As [`App::recast_batch`].
    pub async fn recast_all(&self) -> Result<usize, StoreError> {
        let mut total = 0;
        loop {
            match self.recast_batch().await? {
                0 => return Ok(total),
                count => total += count,
            }
        }
    }

    /// Raises the orders that fresh forecasts call for; how many. A car registered within the last hour waits until
    /// its logs have been quiet for a moment, so that a first load does not raise orders on half of it.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails: none of the batch is raised.
    pub async fn raise_orders(&self, limit: usize) -> Result<usize, StoreError> {
        let now = self.now();
        let quiet = now - TimeDelta::seconds(self.settings.raise.settle_seconds);
        let raised = self
            .store
            .raise_due_orders(now, now - NEWLY_REGISTERED, quiet, i64::try_from(limit).unwrap_or(i64::MAX))
            .await?;
        for order in &raised {
            let number = order_number(order.id);
            tracing::info!(
                order = number,
                vehicle = order.vehicle_id,
                kind = order.kind,
                reason = order.reason,
                "raised"
            );
        }
        Ok(raised.len())
    }

    /// What is usual at the depots where these cars are, and at those they are told to move to.
    pub(super) async fn usual_of(&self, cars: &[CarLogs]) -> Result<HashMap<i64, Usual>, StoreError> {
        let mut usual = HashMap::new();
        let depots = |car: &CarLogs| moves(car).map(|(id, _)| id).chain([car.depot_id]).collect::<Vec<_>>();
        let depots: HashSet<i64> = cars.iter().flat_map(depots).collect();
        for depot_id in depots {
            usual.insert(depot_id, self.store.usual(depot_id).await?);
        }
        Ok(usual)
    }

    fn compute(
        &self,
        cars: &[CarLogs],
        batch: &Batch,
        usual: &HashMap<i64, Usual>,
        open: &HashMap<i64, Vec<PastForecast>>,
    ) -> (Recast, HashSet<i64>) {
        let (serving, retired): (Vec<_>, Vec<_>) = cars.iter().partition(|car| !car.retired);
        let of = |cars: &[&CarLogs], usual: &HashMap<i64, Usual>| -> Vec<Computed> {
            cars.iter().flat_map(|car| self.computed(car, batch, usual, open)).collect()
        };
        let mut all = of(&serving, usual);
        // A depot's first cars say what is usual there, for those of the same batch that have no history of their own.
        let mut learned = usual_among(&all);
        learned.retain(|depot, _| usual.get(depot).is_none_or(|usual| usual.metres_per_day.is_none()));
        let own: HashSet<i64> = all.iter().filter(|one| one.has_usage()).map(|one| one.packs.vehicle_id).collect();
        let without_own = |car: &CarLogs| learned.contains_key(&car.depot_id) && !own.contains(&car.vehicle_id);
        let again: Vec<&CarLogs> = serving.iter().copied().filter(|car| without_own(car)).collect();
        all.retain(|one| again.iter().all(|car| car.vehicle_id != one.packs.vehicle_id));
        let mut usual_now = usual.clone();
        usual_now.extend(learned);
        all.extend(of(&again, &usual_now));
        // Of a car out of service only what its packs lived through is still of use.
        let out: HashSet<i64> = retired.iter().map(|car| car.vehicle_id).collect();
        all.extend(of(&retired, usual));
        let (in_doubt, sure): (Vec<_>, Vec<_>) = all.into_iter().partition(|one| one.in_doubt);
        let recast = sure.into_iter().fold(Recast::default(), |mut recast, one| {
            let vehicle_id = one.packs.vehicle_id;
            match one.forecast {
                _ if out.contains(&vehicle_id) => recast.gone.push((vehicle_id, one.mark)),
                Some(forecast) => {
                    recast.rows.push(forecast.row);
                    recast.record.extend(forecast.record);
                    recast.settle.extend(forecast.settle);
                }
                None => recast.unruled.push((vehicle_id, one.mark)),
            }
            recast.packs.push(one.packs);
            recast.books.extend(one.book.map(|book| (vehicle_id, book)));
            recast
        });
        (recast, in_doubt.into_iter().map(|one| one.packs.vehicle_id).collect())
    }

    fn computed(
        &self,
        car: &CarLogs,
        Batch { rules, fleet }: &Batch,
        usual: &HashMap<i64, Usual>,
        open: &HashMap<i64, Vec<PastForecast>>,
    ) -> Vec<Computed> {
        let at_depot = usual.get(&car.depot_id).copied().unwrap_or_default();
        let own = open.get(&car.vehicle_id).map_or(&[][..], Vec::as_slice);
        let of = |kind: Kind| {
            let found = rule_for(rules, kind, car);
            let rule = found.map_or(&Rule::NONE, |record| &record.rule);
            let elsewhere = elsewhere(rules, kind, car, usual);
            let fits = self.fits.get();
            let terms = Terms { rule, usual: at_depot, elsewhere: &elsewhere, fits: &fits, tried: None };
            let assessment = assess(car, &terms, self.now(), &self.settings);
            let settled = |past: &PastForecast| hindsight::settled(past, car, &assessment);
            let packs = self.packs_of(car, &assessment, rule, fleet);
            let remember = || {
                let remembered = Past::remembered(car, &assessment, own, self.now(), &self.settings)?;
                self.is_told_by(&remembered, car, &terms, &assessment, own).then_some(remembered)
            };
            Computed {
                in_doubt: !assessment.is_sure(car, own),
                book: BookChange::due(car, assessment.today, remember),
                packs: packs.recast(car, &assessment, &self.settings),
                mark: car.mark,
                forecast: found.map(|_| Forecast {
                    row: self.row(car, kind, &assessment),
                    record: hindsight::to_keep(car, kind, &assessment),
                    settle: own.iter().filter(|past| past.kind == kind).filter_map(settled).collect(),
                }),
            }
        };
        FORECAST_KINDS.into_iter().map(of).collect()
    }

    /// Whether what is to be remembered of a car tells the same of it as all its rows: it is tried before it is trusted.
    fn is_told_by(
        &self,
        remembered: &Remembered,
        car: &CarLogs,
        terms: &Terms<'_>,
        whole: &Assessment,
        open: &[PastForecast],
    ) -> bool {
        let left = car.left_at(remembered.clone());
        let tried = assess(&left, terms, self.now(), &self.settings);
        let says = |assessment: &Assessment| Item::of(assessment, Kind::FanService, car.distance_unit, 0);
        tried.is_sure(&left, open)
            && (&tried.usage, &tried.grading, says(&tried)) == (&whole.usage, &whole.grading, says(whole))
    }

    fn row(&self, car: &CarLogs, kind: Kind, assessment: &Assessment) -> ForecastRow {
        let item = Item::of(assessment, kind, car.distance_unit, self.settings.due.horizon_days);
        let [_, early_on, _] = item.early;
        let [_, due_on, _] = item.late;
        let own = assessment.usage.basis == ventmile_model::usage::Basis::Own;
        ForecastRow {
            vehicle_id: car.vehicle_id,
            mark: car.mark,
            kind,
            depot_id: car.depot_id,
            rank: assessment.rank(),
            due_on,
            early_on,
            band: assessment.band().as_str(),
            made_on: assessment.today,
            metres_per_day: own.then_some(assessment.usage.metres_per_day),
            hours_per_day: own.then_some(assessment.usage.hours_per_day),
            raise_reason: assessment.raise_reason.clone(),
            item: serde_json::to_string(&item).unwrap_or_default(),
        }
    }

    /// One car's forecast from what is stored now, not saved; `None` where the car or a rule for the kind is not there.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn forecast_car(&self, vehicle_id: i64, kind: Kind) -> Result<Option<CarForecast>, StoreError> {
        let Some(logs) = self.cars(&[Claim::unclaimed(vehicle_id)]).await?.into_iter().next() else {
            return Ok(None);
        };
        let rules = self.store.rules("", None, ALL_RULES).await?;
        let Some(record) = rule_for(&rules, kind, &logs).cloned() else { return Ok(None) };
        self.refresh_fits().await?;
        let assessment = self.assessed(&logs, &rules, (kind, &record.rule), None).await?;
        Ok(Some(CarForecast { logs, rule: record, assessment }))
    }

    /// One car as it stands now, by the rule for its fan service or by none; `None` where it is not there.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn assess_car(&self, vehicle_id: i64) -> Result<Option<(AssessedCar, CarPacks)>, StoreError> {
        let Some(logs) = self.cars(&[Claim::unclaimed(vehicle_id)]).await?.into_iter().next() else {
            return Ok(None);
        };
        let rules = self.store.rules("", None, ALL_RULES).await?;
        let rule = rule_for(&rules, Kind::FanService, &logs).map_or(Rule::NONE, |record| record.rule);
        self.refresh_fits().await?;
        let assessment = self.assessed(&logs, &rules, (Kind::FanService, &rule), None).await?;
        let packs = self.packs_of(&logs, &assessment, &rule, &*self.fleet_life().await?);
        Ok(Some((AssessedCar { logs, assessment }, packs)))
    }

    /// Computes one car by a rule of these, as if in shifts that are tried out.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub(super) async fn assessed(
        &self,
        logs: &CarLogs,
        rules: &[RuleRecord],
        (kind, rule): (Kind, &Rule),
        tried: Option<&Told>,
    ) -> Result<Assessment, StoreError> {
        let usual = self.usual_of(std::slice::from_ref(logs)).await?;
        let at_depot = usual.get(&logs.depot_id).copied().unwrap_or_default();
        let elsewhere = elsewhere(rules, kind, logs, &usual);
        let fits = self.fits.get();
        let terms = Terms { rule, usual: at_depot, elsewhere: &elsewhere, fits: &fits, tried };
        Ok(assess(logs, &terms, self.now(), &self.settings))
    }
}
