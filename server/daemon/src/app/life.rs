//! The life curve of the fleet's packs, learned from what every pack has lived through.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, TimeDelta, Utc};
use ventmile_model::dist::median;
use ventmile_model::fleet::{DistanceUnit, Metres};
use ventmile_model::wear::drift::{Fleet, Likelihood, Path};
use ventmile_model::wear::life::{
    Accelerators, Covariate, Life, LifeFit, Lives, NoFit, Normal, Prior, Use, Usual, fit, least_scale,
};
use ventmile_model::wear::outlook::{SpreadCheck, SpreadWalk};
use ventmile_model::wear::robust::Point;
use ventmile_model::wear::{Arrhenius, FitCheck, Step, check_fit, outlook, stretches, survival};

use super::App;
use crate::config::Settings;
use crate::store::{ExposureRow, StoreError};

/// A curve is used for so long before the next one is fitted.
const RENEW_AFTER: TimeDelta = TimeDelta::hours(24);

/// All that the fleet's packs say together.
#[derive(Debug)]
pub struct FleetLife {
    /// When it was learned.
    pub made_at: DateTime<Utc>,
    /// How many packs there are.
    pub packs: usize,
    /// Their lives in metres, cut where what they were exposed to changes; none where a row cannot be.
    pub lives: Lives,
    /// What speeds up wear.
    pub accelerators: Accelerators,
    /// Mean of each covariate over the fleet.
    pub means: Vec<f64>,
    /// Covariates that follow from the others in this fleet, so that nothing can be said of them.
    pub inseparable: Vec<Covariate>,
    /// What was held likely before any failure.
    pub prior: Prior,
    /// The curve, or why there is none.
    pub fit: Result<LifeFit, NoFit>,
    /// Whether it fits.
    pub check: Option<FitCheck>,
    /// Kaplan and Meier's curve beside it.
    pub steps: Vec<Step>,
    /// What is usual: half of the packs in use are older, half of the cars go further.
    pub usual: outlook::Usual,
    /// Factor of ageing by heat taken for a pack without a temperature: the fleet's mean.
    pub usual_heat: f64,
    /// Drift of the weakest block's deficit in volts a day, pack by pack.
    pub drift: Option<Fleet>,
    /// How spread grows with distance, where enough packs have checks to tell.
    pub walk: Option<SpreadWalk>,
}

/// What a pack is believed to have been used like where something is not known of it, and the share it has driven late by
/// then.
#[derive(Clone, Copy, Debug)]
struct Stand {
    rate: f64,
    heat: f64,
    late_share: f64,
}

/// Levels of a pack's weakest block as they are stored: days from the first, the pack's age in metres, volts.
pub(super) type StoredLevels = Vec<[f64; 3]>;

/// Packs with checks from which on the fleet tells how spread grows; with fewer the stand-ins are used.
const ENOUGH_PACKS: usize = 24;

/// Packs that are asked for it at most: more say the same, and the search takes a while.
const MOST_PACKS: usize = 2_000;

/// What of all that could be is left out of a fit, to see what the rest says.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Without {
    /// The prior: maximum likelihood.
    pub prior: bool,
    /// The covariates: one curve for all packs.
    pub covariates: bool,
}

/// The prior that the settings state, with ages in metres.
fn prior(settings: &Settings) -> Prior {
    let wear = &settings.wear;
    let scale = wear.prior_miles * DistanceUnit::Mile.metres();
    let normal = |mean: f64, sd: f64| Some(Normal { mean, sd });
    Prior {
        log_shape: normal(wear.prior_shape.ln(), wear.prior_shape_spread),
        log_scale: normal(scale.ln(), wear.prior_miles_spread),
        coefficients: normal(0.0, wear.prior_effect_spread),
    }
}

/// Arrhenius' law as the settings have it.
pub(super) fn heat(settings: &Settings) -> Arrhenius {
    Arrhenius { activation_ev: settings.wear.activation_ev, reference_c: settings.wear.reference_c }
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    (count > 0.0).then(|| sum / count)
}

impl FleetLife {
    /// Learns from what every pack has lived through; without any it is the prior alone.
    #[must_use]
    pub fn learn(rows: &[ExposureRow], settings: &Settings, now: DateTime<Utc>) -> Self {
        let rows: Vec<&ExposureRow> = rows.iter().filter(|row| row.exit > row.entry && row.entry >= 0.0).collect();
        let of = |value: fn(&ExposureRow) -> Option<f64>| rows.iter().filter_map(move |row| value(row));
        let assumed = settings.usage.assumed_miles_per_day * DistanceUnit::Mile.metres();
        let rate =
            median(of(|row| row.metres_per_day).filter(|rate| *rate > 0.0).collect()).unwrap_or(assumed.max(1.0));
        let heat = mean(of(|row| row.heat).map(f64::ln)).map_or(1.0, f64::exp);
        let whole: Vec<Life> = rows.iter().map(|row| life_of(row)).collect();
        let pieces: Vec<(Life, Use)> = rows
            .iter()
            .zip(&whole)
            .flat_map(|(row, life)| {
                let late = late_stretches(row);
                let piece = move |(piece, late_share)| (piece, use_of(row, Stand { rate, heat, late_share }));
                stretches(life, &late).into_iter().map(piece)
            })
            .collect();
        let (lives, uses): (Vec<Life>, Vec<Use>) = pieces.into_iter().unzip();
        let usual = Usual { rate, pack_type: commonest(&uses) };
        let mut accelerators = Accelerators::new(&uses, usual.clone()).unwrap_or_else(|_| Accelerators::none(usual));
        let prior = prior(settings);
        let (fitted, lives, inseparable) = fit_what_can_be(lives, &mut accelerators, &prior);
        let check = fitted.as_ref().ok().map(|fit| check_fit(&lives, fit));
        let means = means_of(&accelerators);
        let in_use = median(rows.iter().filter(|row| row.in_use).map(|row| row.exit).collect());
        let levels: Vec<StoredLevels> =
            rows.iter().filter_map(|row| serde_json::from_str(row.path.as_deref()?).ok()).collect();
        Self {
            made_at: now,
            steps: survival(&whole),
            packs: whole.len(),
            lives,
            accelerators,
            means,
            inseparable,
            prior,
            fit: fitted,
            check,
            usual: outlook::Usual { age: Metres(in_use.unwrap_or(0.0).round() as i64), metres_per_day: rate },
            usual_heat: heat,
            drift: drift(&levels),
            walk: walk(&levels, settings),
        }
    }

    /// The covariates of one pack.
    #[must_use]
    pub fn covariates(&self, row: &ExposureRow) -> Vec<f64> {
        let late = late_stretches(row);
        let late_share = stretches(&life_of(row), &late).last().map_or(0.0, |(_, share)| *share);
        let stand = Stand { rate: self.usual.metres_per_day, heat: self.usual_heat, late_share };
        self.accelerators.of(&use_of(row, stand))
    }

    /// The covariates of a usual pack: the fleet's means, of one type where it is given.
    #[must_use]
    pub fn usual_covariates(&self, pack_type: Option<&str>) -> Vec<f64> {
        let value = |(covariate, mean): (&Covariate, &f64)| match (covariate, pack_type) {
            (Covariate::PackType(name), Some(asked)) => f64::from(u8::from(name == asked)),
            (Covariate::PackType(_), None) => 0.0,
            _ => *mean,
        };
        self.accelerators.covariates.iter().zip(&self.means).map(value).collect()
    }

    /// Whether enough packs have failed to tell that the curve fits, and it does.
    #[must_use]
    pub fn is_borne_out(&self) -> bool {
        self.check.as_ref().is_some_and(|check| check.warning.is_none())
    }

    /// The same lives fitted with something left out.
    #[must_use]
    pub fn without(&self, without: Without) -> Self {
        let prior = if without.prior { Prior::none() } else { self.prior.clone() };
        let mut accelerators = self.accelerators.clone();
        if without.covariates {
            while accelerators.leave_out(0).is_some() {}
        }
        let lives = self.lives.lives().to_vec();
        let (fit, lives, inseparable) = fit_what_can_be(lives, &mut accelerators, &prior);
        Self {
            check: fit.as_ref().ok().map(|fit| check_fit(&lives, fit)),
            means: means_of(&accelerators),
            steps: self.steps.clone(),
            accelerators,
            inseparable,
            prior,
            lives,
            fit,
            ..*self
        }
    }

    /// The scale that the lives without a failure speak for, with 90 % confidence, where the shape is the one held likely
    /// before; `None` where there were failures.
    #[must_use]
    pub fn least_scale(&self, settings: &Settings) -> Option<f64> {
        least_scale(&self.lives, settings.wear.prior_shape, CONFIDENCE)
    }

    /// How many packs have failed.
    #[must_use]
    pub fn failures(&self) -> f64 {
        self.lives.failures()
    }
}

/// The fleet's drift by days.
fn drift(packs: &[StoredLevels]) -> Option<Fleet> {
    let path = |levels: &StoredLevels| {
        let points: Vec<Point> = levels.iter().map(|[days, _, volts]| Point { t: *days, level: *volts }).collect();
        Path::of(&points)
    };
    Fleet::fit(&packs.iter().map(path).collect::<Vec<_>>(), Likelihood::Adjusted)
}

/// How spread grows with distance in this fleet.
fn walk(packs: &[StoredLevels], settings: &Settings) -> Option<SpreadWalk> {
    let of_pack = |levels: &StoredLevels| -> Vec<SpreadCheck> {
        let check =
            |[_, metres, volts]: &[f64; 3]| SpreadCheck { age: Metres(metres.round() as i64), spread_v: *volts };
        levels.iter().map(check).collect()
    };
    let step = packs.len().div_ceil(MOST_PACKS).max(1);
    let checks: Vec<Vec<SpreadCheck>> = packs.iter().step_by(step).map(of_pack).collect();
    let start = SpreadWalk { new_v: settings.wear.new_spread_v, ..SpreadWalk::default() };
    if checks.len() < ENOUGH_PACKS { None } else { start.learnt(&checks) }
}

/// Of a bound on the scale while nothing has failed.
const CONFIDENCE: f64 = 0.9;

fn means_of(accelerators: &Accelerators) -> Vec<f64> {
    accelerators.columns.iter().map(|column| mean(column.iter().copied()).unwrap_or(0.0)).collect()
}

fn life_of(row: &ExposureRow) -> Life {
    Life { entry: row.entry, exit: row.exit, failed: row.failed, count: 1.0 }
}

fn late_stretches(row: &ExposureRow) -> Vec<(f64, f64)> {
    row.late.as_deref().and_then(|text| serde_json::from_str(text).ok()).unwrap_or_default()
}

fn use_of(row: &ExposureRow, stand: Stand) -> Use {
    Use {
        rate: row.metres_per_day.filter(|rate| *rate > 0.0).unwrap_or(stand.rate),
        heat_factor: row.heat.filter(|heat| *heat > 0.0).unwrap_or(stand.heat),
        late_share: stand.late_share,
        pack_type: row.pack_type.clone(),
    }
}

/// The type that most packs are of; of as many the first by name.
fn commonest(uses: &[Use]) -> String {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for one in uses {
        *counts.entry(&one.pack_type).or_default() += 1;
    }
    let first = counts.into_iter().max_by(|(one, few), (other, many)| few.cmp(many).then(other.cmp(one)));
    first.map(|(name, _)| name.to_owned()).unwrap_or_default()
}

/// Fits the curve, leaving out what the lives of this fleet cannot tell apart.
fn fit_what_can_be(
    lives: Vec<Life>,
    accelerators: &mut Accelerators,
    prior: &Prior,
) -> (Result<LifeFit, NoFit>, Lives, Vec<Covariate>) {
    let mut left_out = Vec::new();
    loop {
        let Ok(taken) = Lives::new(lives.clone(), &accelerators.columns) else {
            return (Err(NoFit::NotFinite), Lives::none(), left_out);
        };
        let refused = match fit(&taken, prior) {
            Err(
                NoFit::ConstantCovariate { covariate }
                | NoFit::CollinearCovariate { covariate }
                | NoFit::SeparatingCovariate { covariate },
            ) => accelerators.leave_out(covariate),
            fitted => return (fitted, taken, left_out),
        };
        match refused {
            Some(covariate) => left_out.push(covariate),
            None => return (Err(NoFit::NotFinite), taken, left_out),
        }
    }
}

/// The newest curve of this process.
#[derive(Debug, Default)]
pub struct LatestLife(Mutex<Option<Arc<FleetLife>>>);

impl LatestLife {
    fn get(&self) -> Option<Arc<FleetLife>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn set(&self, life: Arc<FleetLife>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(life);
    }
}

impl App {
    /// What the fleet's packs say together: the newest that was learned, learned now where nothing was.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn fleet_life(&self) -> Result<Arc<FleetLife>, StoreError> {
        match self.life.get() {
            Some(life) => Ok(life),
            None => self.learn_life().await,
        }
    }

    /// Learns anew from what every pack has lived through.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails: what was learned before stays.
    pub async fn learn_life(&self) -> Result<Arc<FleetLife>, StoreError> {
        let life = self.learned_from(None).await?;
        self.life.set(Arc::clone(&life));
        Ok(life)
    }

    /// What the packs that a key may see say together: those of its depots alone where `key_depots_of` names one, since types,
    /// counts and ages of others would show in it.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn life_seen_by(&self, key_depots_of: Option<i64>) -> Result<Arc<FleetLife>, StoreError> {
        match key_depots_of {
            None => self.fleet_life().await,
            confined => self.learned_from(confined).await,
        }
    }

    async fn learned_from(&self, key_depots_of: Option<i64>) -> Result<Arc<FleetLife>, StoreError> {
        let rows = self.store.exposures(key_depots_of).await?;
        let (settings, now) = (Arc::clone(&self.settings), self.now());
        // A hundred thousand packs take a tenth of a second: not on the threads that answer requests.
        let learned = tokio::task::spawn_blocking(move || Arc::new(FleetLife::learn(&rows, &settings, now))).await;
        learned.map_err(|_| StoreError::Stopped)
    }

    /// Learns anew where what was learned is a day old, or packs have failed or come since; whether it did. Where it says
    /// something new the cars are marked stale, so that their outlooks follow.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn learn_life_when_due(&self) -> Result<bool, StoreError> {
        let (packs, failures) = self.store.count_exposures().await?;
        let (packs, failures) = (packs as f64, failures as f64);
        let Some(before) = self.life.get() else {
            self.learn_life().await?;
            return Ok(true);
        };
        let news = before.failures() != failures || packs > MORE_PACKS * before.packs as f64;
        if !news && self.now() - before.made_at < RENEW_AFTER {
            return Ok(false);
        }
        self.learn_life().await?;
        if news {
            self.store.mark_every_car(self.now()).await?;
            self.news.notify_one();
        }
        Ok(true)
    }
}

/// By how much a fleet has to grow for its curve to be learned before the day is over.
const MORE_PACKS: f64 = 1.5;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;

    fn row(number: i64, exit_km: f64, failed: bool, pack_type: &str) -> ExposureRow {
        ExposureRow {
            vehicle_id: number,
            installed_at: DateTime::default(),
            serial: format!("P{number}"),
            pack_type: pack_type.to_owned(),
            entry: 0.0,
            exit: exit_km * 1_000.0,
            in_use: !failed,
            failed,
            metres_per_day: Some(200_000.0 + 1_000.0 * number as f64),
            heat: None,
            late: (number % 3 > 0).then(|| format!("[[{},{}]]", 2e4, 2e4 + 1e3 * number as f64)),
            path: None,
        }
    }

    fn learn(rows: &[ExposureRow]) -> FleetLife {
        let settings = Config::load(None, [], &[]).unwrap().settings;
        FleetLife::learn(rows, &settings, DateTime::default())
    }

    #[test]
    fn without_packs_the_curve_is_the_prior() {
        let life = learn(&[]);
        let curve = life.fit.as_ref().unwrap().curve(&[]);
        assert!((curve.shape - 2.0).abs() < 1e-6, "{curve:?}");
        assert!((curve.scale / 1_609.344 - 150_000.0).abs() < 1.0, "{curve:?}");
        assert_eq!((life.failures(), life.usual.age), (0.0, Metres(0)));
    }

    #[test]
    fn what_varies_is_a_covariate_and_what_does_not_is_left_out() {
        let rows: Vec<ExposureRow> =
            (0..40).map(|number| row(number, 100.0 + 10.0 * number as f64, number % 4 == 0, "N")).collect();
        let life = learn(&rows);
        assert_eq!(life.accelerators.covariates, [Covariate::Rate, Covariate::LateShare]);
        assert_eq!(life.failures(), 10.0);
        assert!(life.fit.is_ok());
        assert_eq!(life.covariates(&rows[0]).len(), 2);
    }

    #[test]
    fn a_row_that_cannot_be_is_left_aside() {
        let mut rows = vec![row(1, 100.0, true, "N"), row(2, 0.0, false, "N"), row(3, 200.0, false, "M")];
        rows[2].metres_per_day = Some(-5.0);
        let life = learn(&rows);
        assert_eq!(life.packs, 2);
        assert!(life.fit.is_ok());
    }
}
