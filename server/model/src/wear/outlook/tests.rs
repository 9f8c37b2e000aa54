//! The outlook against closed forms, brute force, and what must hold for any pack.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use proptest::prelude::*;

use super::evidence::{Evidence, Finding};
use super::remaining::Remaining;
use super::*;
use crate::dist::Weibull;
use crate::dist::inverse_gaussian::Walk;
use crate::fleet::{Code, CodeLog, CodeReport, DistanceUnit, Metres, Mode, Trips, TroubleCode};
use crate::wear::life::{Life, LifeFit, Lives, Normal, Prior, fit};

const KM: f64 = 1_000.0;
const USUAL: Usual = Usual { age: Metres(150_000_000), metres_per_day: 200_000.0 };

/// A fit whose curve is known this well: one life that says nothing, under priors.
fn life(shape: f64, scale: f64, sd: f64) -> LifeFit {
    let lives = Lives::plain(vec![Life { entry: 0.0, exit: 1.0, failed: false, count: 1.0 }]).unwrap();
    let normal = |value: f64| Some(Normal { mean: libm::log(value), sd });
    fit(&lives, &Prior { log_shape: normal(shape), log_scale: normal(scale), coefficients: None }).unwrap()
}

fn log_of(rows: &[(&str, CodeReport)]) -> CodeLog {
    let at: DateTime<Utc> = "2026-06-01T12:00:00Z".parse().unwrap();
    let row = |(text, state): &(&str, CodeReport)| TroubleCode { at, code: Code::parse(text).unwrap(), state: *state };
    let rows: Vec<_> = rows.iter().map(row).collect();
    CodeLog::fold(&rows, Trips { by_day: &BTreeMap::new(), zone: Tz::UTC }, at)
}

fn at(km: i64, spread_v: f64) -> SpreadCheck {
    SpreadCheck { age: Metres(km * 1_000), spread_v }
}

/// What a test says of a pack; the rest is usual.
struct Pack {
    fit: Option<LifeFit>,
    covariates: Vec<Covariate>,
    age_km: i64,
    usual: Usual,
    rate: f64,
    checks: Vec<SpreadCheck>,
    codes: CodeLog,
    air: Air,
    settings: Settings,
}

impl Default for Pack {
    fn default() -> Self {
        Self {
            fit: Some(life(4.0, 300_000.0 * KM, 0.1)),
            covariates: Vec::new(),
            age_km: 200_000,
            usual: USUAL,
            rate: 250.0 * KM,
            checks: Vec::new(),
            codes: log_of(&[]),
            air: Air::NotKnown,
            settings: Settings::default(),
        }
    }
}

impl Pack {
    fn outlook(&self) -> Outlook {
        self.outlook_with(None)
    }

    fn outlook_with(&self, chance_within: Option<&dyn Fn(f64) -> f64>) -> Outlook {
        let inputs = Inputs {
            age: Metres(self.age_km * 1_000),
            metres_per_day: self.rate,
            usual: self.usual,
            life: self.fit.as_ref().map(|fit| LifeCurve { fit, covariates: &self.covariates }),
            limit_v: 1.0,
            checks: &self.checks,
            codes: &self.codes,
            cooling: Cooling { air: self.air, chance_within },
            unit: DistanceUnit::Kilometre,
        };
        outlook(&inputs, &self.settings).unwrap()
    }

    fn within_90(&self) -> f64 {
        self.outlook().chances.unwrap().within_90
    }
}

#[track_caller]
fn near(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance * expected.abs(), "{found} is not {expected}");
}

fn evidence(checks: &[SpreadCheck], walk: &SpreadWalk, age: f64) -> Evidence {
    match Finding::of(checks, walk, 1.0, age) {
        Finding::Below(evidence) => evidence,
        other => panic!("{other:?}"),
    }
}

const EXACT: SpreadWalk =
    SpreadWalk { new_v: 0.05, new_sd_v: 0.0, check_sd_v: 0.0, noise_v2_per_m: 1.5e-10, power: 1.0, reference_m: 2.5e8 };

#[test]
fn weights_are_those_of_any_mixture_of_drifts() {
    // Two kinds of pack with known drifts: what the level says of the kind, and each kind's own passage from there,
    // must be the mixture's density of lives times the weight.
    let (age, level): (f64, f64) = (1.2e8, 0.4);
    let kinds = [(0.3, 2e-9), (0.7, 5e-9)];
    let passage = |distance: f64, drift: f64| {
        Walk { distance, drift, drift_variance: 0.0, noise: EXACT.noise_v2_per_m }.passage().unwrap()
    };
    let seen = |drift: f64| {
        let miss = level - EXACT.new_v - drift * age;
        libm::exp(-miss * miss / (2.0 * EXACT.noise_v2_per_m * age))
    };
    let evidence = evidence(&[SpreadCheck { age: Metres(age as i64), spread_v: level }], &EXACT, age);
    let ratio = |further: f64| {
        let direct: f64 =
            kinds.iter().map(|(share, drift)| share * seen(*drift) * passage(1.0 - level, *drift).pdf(further)).sum();
        let lives: f64 =
            kinds.iter().map(|(share, drift)| share * passage(1.0 - EXACT.new_v, *drift).pdf(age + further)).sum();
        direct / (lives * libm::exp(evidence.log_weight(further)))
    };
    for further in [1.5e7, 5e7, 1e8, 4e8] {
        near(ratio(further), ratio(3e7), 1e-10);
    }
}

#[test]
fn a_strong_trend_is_the_direct_passage() {
    // Nearly without noise the checks say all: the passage with the drift that they show, its error their own.
    let walk = SpreadWalk { noise_v2_per_m: 1e-12, ..EXACT };
    let (age, left) = (2e8, 0.15);
    let remaining = Remaining::new(
        Weibull { shape: 2.0, scale: 2.5e8 },
        age,
        Some(evidence(&[at(200_000, 1.0 - left)], &walk, age)),
    );
    let drift = (0.95 - left) / age;
    let noise = walk.noise_v2_per_m;
    let passage = Walk { distance: left, drift, drift_variance: noise / age, noise }.passage().unwrap();
    for chance in [0.05, 0.3, 0.5, 0.8, 0.99] {
        assert!((remaining.chance(passage.quantile(chance)) - chance).abs() < 0.01, "{chance}");
    }
}

#[test]
fn the_weighed_curve_by_brute_force() {
    let curve = Weibull { shape: 3.0, scale: 2.8e8 };
    let age = 1.5e8;
    for (spread, check_km) in [(0.3, 120_000), (0.5, 140_000), (0.9, 149_000)] {
        let evidence = evidence(&[at(check_km, spread)], &SpreadWalk::default(), age);
        let remaining = Remaining::new(curve, age, Some(evidence));
        let step = 2e4;
        let (mut below, mut all) = (0.0, 0.0);
        for number in 0..100_000 {
            let further = (f64::from(number) + 0.5) * step;
            let density = curve.hazard(age + further) * curve.survival(age + further) / curve.survival(age);
            let mass = density * libm::exp(evidence.log_weight(further));
            all += mass;
            below += if further < 4e7 { mass } else { 0.0 };
        }
        near(remaining.chance(4e7), below / all, 1e-5);
    }
}

#[test]
fn the_power_is_learnt() {
    // Twelve packs of other lives whose spread grows with a power, each check a little off to either side in turn.
    for power in [1.0, 1.5, 2.0] {
        let pack = |number: i64| {
            let life = 200_000.0 + 20_000.0 * number as f64;
            let check = |place: i64| {
                let share = libm::pow(25_000.0 * place as f64 / life, power);
                let off = if (place + number) % 2 == 0 { 0.005 } else { -0.005 };
                at(25_000 * place, 0.05 + 0.95 * share + off)
            };
            (1..8).map(check).collect::<Vec<_>>()
        };
        let walk = SpreadWalk::default().learnt(&(0..12).map(pack).collect::<Vec<_>>()).unwrap();
        assert_eq!(walk.power, power);
        assert!(walk.noise_v2_per_m > 0.0 && walk.noise_v2_per_m < 1e-10, "{walk:?}");
    }
    for nothing in [vec![], vec![at(9, 0.1)], vec![at(0, 0.1); 2], vec![at(5, 0.1), at(9, f64::NAN)]] {
        assert_eq!(SpreadWalk::default().learnt(&[nothing]), None);
    }
}

#[test]
fn checks_that_say_nothing_change_nothing() {
    let mut pack = Pack { checks: vec![at(50_000, 0.3), at(190_000, 0.9)], ..Pack::default() };
    pack.settings.walk.check_sd_v = 1e6;
    near(pack.within_90(), Pack::default().within_90(), 1e-7);
}

#[test]
fn a_flat_trend_lowers_and_a_rising_one_raises() {
    let with = |checks: Vec<SpreadCheck>| Pack { checks, ..Pack::default() }.within_90();
    let curve = Pack::default().within_90();
    let flat = with(vec![at(60_000, 0.06), at(120_000, 0.05), at(195_000, 0.07)]);
    let rising = with(vec![at(60_000, 0.1), at(120_000, 0.35), at(195_000, 0.85)]);
    assert!(flat < 0.5 * curve && curve < 0.6 * rising, "{flat} {curve} {rising}");
    // A quarter of failures is not announced.
    assert!(flat >= 0.25 * curve);
}

#[test]
fn the_limit_reached_is_degraded() {
    for checks in [vec![at(190_000, 1.0)], vec![at(180_000, 1.6), at(190_000, 0.95)]] {
        let outlook = Pack { checks: checks.clone(), ..Pack::default() }.outlook();
        assert_eq!(outlook.band, Some(Band::Degraded));
        assert_eq!(outlook.chances.unwrap().within_30, 1.0);
        assert_eq!(outlook.median.unwrap().days, 0.0);
        let unknown = Pack { fit: None, checks, ..Pack::default() }.outlook();
        assert_eq!((unknown.band, unknown.chances.unwrap().within_90), (Some(Band::Degraded), 1.0));
        assert_eq!(unknown.reasons[0].factor, Factor::SpreadLevel);
        assert_eq!(unknown.reasons[0].weight, None);
    }
}

#[test]
fn codes_multiply_the_hazard() {
    let survives = 1.0 - Pack::default().within_90();
    let times = |text: &str, state: CodeReport, air: Air| {
        let chance = Pack { codes: log_of(&[(text, state)]), air, ..Pack::default() };
        let wear = chance.outlook().modes.into_iter().find(|mode| mode.mode == Mode::BlockWear).unwrap();
        libm::log1p(-wear.chances.within_90) / libm::log(survives)
    };
    use CodeReport::{Cleared, Confirmed, History, Pending};
    near(times("P3015", Confirmed, Air::NotKnown), 10.0, 1e-9);
    near(times("P0BBD", Confirmed, Air::NotKnown), 3.0, 1e-9);
    near(times("P3015", Pending, Air::NotKnown), libm::sqrt(10.0), 1e-9);
    near(times("P0BBD", History, Air::NotKnown), libm::pow(3.0, 0.25), 1e-9);
    near(times("P0A80", Cleared, Air::NotKnown), 1.0, 1e-9);
    near(times("P0A82", Confirmed, Air::NotKnown), 1.0, 1e-9);
    // Only what a dirty fan can set too weighs less beside a cooling fault.
    near(times("P0A80", Confirmed, Air::Over), libm::sqrt(10.0), 1e-9);
    near(times("P3015", Confirmed, Air::Over), 10.0, 1e-9);
}

#[test]
fn a_code_that_asks_for_a_pack_waits_for_the_cooling() {
    use CodeReport::Confirmed;
    let band = |rows: &[(&str, CodeReport)], air: Air| Pack { codes: log_of(rows), air, ..Pack::default() }.outlook();
    let asked = band(&[("P0A80", Confirmed)], Air::NotKnown);
    assert_eq!(asked.band, Some(Band::Now));
    assert_eq!(asked.notes, [Note::CheckCoolingFirst(Code::parse("P0A80").unwrap())]);
    assert_eq!(band(&[("P0A80", Confirmed)], Air::Over).band, Some(Band::Now));
    assert_eq!(band(&[("P0A80", Confirmed), ("P0A82", Confirmed)], Air::Within).band, Some(Band::Now));
    let cleared = band(&[("P0A80", Confirmed)], Air::Within);
    assert_eq!((cleared.band, cleared.notes.len()), (Some(Band::Degraded), 0));
    assert_eq!(band(&[("P3015", Confirmed)], Air::NotKnown).band, Some(Band::Degraded));
}

#[test]
fn separate_modes_compete() {
    let crossing = |days: f64| days / 360.0;
    let found = Pack::default().outlook_with(Some(&crossing));
    let wear = Pack::default().within_90();
    near(found.chances.unwrap().within_90, 1.0 - (1.0 - wear) * 0.75, 1e-12);
    let modes: Vec<_> = found.modes.iter().map(|mode| mode.mode).collect();
    assert_eq!(modes, [Mode::BlockWear, Mode::Cooling]);
    near(found.modes[1].chances.within_180, 0.5, 1e-12);
    let not_a_number = |_: f64| f64::NAN;
    assert_eq!(Pack::default().outlook_with(Some(&not_a_number)).modes.len(), 1);

    let isolation = Pack { codes: log_of(&[("P0AA6", CodeReport::Confirmed)]), ..Pack::default() }.outlook();
    assert_eq!(isolation.modes[1].mode, Mode::Isolation);
    assert_eq!((isolation.chances.unwrap().within_30, isolation.band), (1.0, Some(Band::Now)));
    near(isolation.modes[0].chances.within_90, wear, 1e-12);
    let pending = Pack { codes: log_of(&[("P0AA6", CodeReport::Pending)]), ..Pack::default() }.outlook();
    assert_eq!(pending.notes, [Note::NotForecast(Code::parse("P0AA6").unwrap())]);
    assert_eq!(pending.modes.len(), 1);
}

#[test]
fn nothing_known_is_said() {
    let unknown = Pack { fit: None, checks: vec![at(190_000, 0.3)], ..Pack::default() }.outlook();
    assert_eq!((unknown.chances, unknown.median, unknown.band, unknown.interval), (None, None, None, None));
    assert_eq!((unknown.notes, unknown.reasons.len(), unknown.modes.len()), (vec![Note::NoCurve], 0, 0));
    let cleared = Pack { codes: log_of(&[("P0A80", CodeReport::Cleared)]), ..Pack::default() }.outlook();
    assert_eq!(cleared.notes, [Note::UnknownSinceClear]);
}

#[test]
fn bands_by_the_managers_limits() {
    let chance = Pack::default().within_90();
    let band = |watch: f64, plan: f64, now: f64| {
        let limits = RiskLimits { watch, plan, now };
        Pack { settings: Settings { limits, ..Settings::default() }, ..Pack::default() }.outlook().band.unwrap()
    };
    let (under, over) = (0.99 * chance, 1.01 * chance);
    assert_eq!(band(over, over, over), Band::Low);
    assert_eq!(band(under, over, over), Band::Watch);
    assert_eq!(band(under, under, over), Band::Plan);
    assert_eq!(band(under, under, under), Band::Now);
}

#[test]
fn the_interval_is_the_curves() {
    let fit = life(4.0, 300_000.0 * KM, 0.1);
    let (_, ends) = fit.chance_within(2e8, 90.0 * 250.0 * KM, &[], 0.9);
    let found = Pack::default().outlook().interval.unwrap();
    near(found.low, ends.low.unwrap(), 1e-9);
    near(found.high, ends.high.unwrap(), 1e-9);
    let checked = Pack { checks: vec![at(195_000, 0.6)], ..Pack::default() };
    let (range, chance) = (checked.outlook().interval.unwrap(), checked.within_90());
    assert!(range.low < chance && chance < range.high, "{range:?} {chance}");
}

#[test]
fn half_are_degraded_by_the_median() {
    let found = Pack::default().outlook();
    let curve = life(4.0, 300_000.0 * KM, 0.1).curve(&[]);
    let expected = (curve.quantile_after(2e8, 0.5) - 2e8) / (250.0 * KM);
    assert!((found.median.unwrap().days - expected).abs() < 0.02);
    assert_eq!(Pack { rate: 0.0, ..Pack::default() }.outlook().median, None);
}

#[test]
fn reasons_by_weight_with_their_numbers() {
    let mut pack = Pack {
        checks: vec![at(100_000, 0.1), at(195_000, 0.8)],
        codes: log_of(&[("P0BBD", CodeReport::Confirmed)]),
        ..Pack::default()
    };
    let found = pack.outlook();
    let weights: Vec<f64> = found.reasons.iter().map(|reason| reason.weight.unwrap().abs()).collect();
    assert!(weights.is_sorted_by(|one, two| one >= two), "{weights:?}");
    let of = |outlook: &Outlook, factor: Factor| {
        outlook.reasons.iter().find(|reason| reason.factor == factor).unwrap().clone()
    };
    let log_odds = |chance: f64| libm::log(chance / (1.0 - chance));
    let codes = of(&found, Factor::Codes);
    pack.codes = log_of(&[]);
    near(codes.weight.unwrap(), log_odds(found.chances.unwrap().within_90) - log_odds(pack.within_90()), 1e-9);
    assert_eq!(codes.says, "P0BBD (confirmed): the blocks' voltages lie too far apart: risk of block wear times 3.0");
    let both = of(&pack.outlook(), Factor::SpreadLevel).weight.unwrap()
        + of(&pack.outlook(), Factor::SpreadTrend).weight.unwrap();
    let checked = pack.within_90();
    pack.checks.clear();
    near(both, log_odds(checked) - log_odds(pack.within_90()), 1e-9);
    assert_eq!(
        of(&found, Factor::SpreadTrend).says,
        "over 2 checks and 95,000 km the spread went from 0.10 to 0.80 V (+0.70 V)"
    );
    assert_eq!(
        of(&found, Factor::SpreadLevel).says,
        "the weakest block lay 0.80 V low (1.00 V allowed) at the check 5,000 km ago; all checks weighed, 0.24 V are left"
    );
    assert!(of(&found, Factor::Age).says.starts_with("the pack has done 200,000 km (usual in the fleet: 150,000 km)"));
    assert!(of(&found, Factor::Age).weight.unwrap() > 0.0);
    assert_eq!(of(&found, Factor::UsageRate).says, "the car covers 250 km a day (usual: 200 km)");
    pack.usual.age = Metres(0);
    assert!(
        of(&pack.outlook(), Factor::Age).says.starts_with("the pack has done 200,000 km; by the life curve half of")
    );
}

#[test]
fn a_type_among_three_is_told_once() {
    let rows: Vec<Life> =
        (1..=6).map(|number| Life { entry: 0.0, exit: 4e7 * f64::from(number), failed: true, count: 1.0 }).collect();
    let columns = [vec![1.0, 0.0, 0.0, 1.0, 0.0, 0.0], vec![0.0, 1.0, 0.0, 0.0, 1.0, 0.0]];
    let lives = Lives::new(rows, &columns).unwrap();
    let kind = |value: f64| Covariate { factor: Factor::PackType, value, usual: 1.0 / 3.0 };
    let pack = Pack {
        fit: Some(fit(&lives, &Prior::none()).unwrap()),
        covariates: vec![kind(1.0), kind(0.0)],
        ..Pack::default()
    };
    let found = pack.outlook();
    let types: Vec<_> = found.reasons.iter().filter(|reason| reason.factor == Factor::PackType).collect();
    assert_eq!(types.len(), 1, "{types:?}");
    assert!(types[0].says.starts_with("packs of its type last 0."), "{types:?}");
}

#[test]
fn no_chance_is_called_certain_or_impossible() {
    let said = [0.0, 0.004, 0.4, 0.988, 0.996, 1.0].map(percent);
    assert_eq!(said, ["less than 1 %", "less than 1 %", "40 %", "99 %", "more than 99 %", "more than 99 %"]);
}

#[test]
fn covariates_move_the_curve() {
    let lives = [(0.0, 2.0e8), (0.0, 3.0e8), (1.0, 1.5e8), (1.0, 2.5e8)];
    let rows = lives.iter().map(|(_, exit)| Life { entry: 0.0, exit: *exit, failed: true, count: 1.0 }).collect();
    let lives = Lives::new(rows, &[lives.iter().map(|(late, _)| *late).collect()]).unwrap();
    let covariates = vec![Covariate { factor: Factor::LateServices, value: 0.8, usual: 0.2 }];
    let pack = Pack { fit: Some(fit(&lives, &Prior::none()).unwrap()), covariates, ..Pack::default() };
    let found = pack.outlook();
    let late = found.reasons.iter().find(|reason| reason.factor == Factor::LateServices).unwrap();
    assert!(late.weight.unwrap() > 0.0);
    assert!(
        late.says.starts_with("80 % of its distance") && late.says.contains("need not be the cause"),
        "{}",
        late.says
    );
}

#[test]
fn what_cannot_be_is_refused() {
    let codes = log_of(&[]);
    let inputs = |checks| Inputs {
        age: Metres(1_000),
        metres_per_day: 1.0,
        usual: USUAL,
        life: None,
        limit_v: 1.0,
        checks,
        codes: &codes,
        cooling: Cooling::NOT_KNOWN,
        unit: DistanceUnit::Mile,
    };
    let later = [SpreadCheck { age: Metres(2_000), spread_v: 0.1 }];
    let bad = outlook(&inputs(&later), &Settings::default()).unwrap_err();
    assert_eq!(bad.to_string(), "checks.age must be from 0 to the pack's age, not 2000");
    let walk = SpreadWalk { new_v: 1.0, ..SpreadWalk::default() };
    let bad = outlook(&inputs(&[]), &Settings { walk, ..Settings::default() }).unwrap_err();
    assert_eq!(bad.field, "limit_v");
}

/// Numbers as they may come, sound or not.
fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![-1.0..3.0_f64, 0.0..1e9_f64, any::<f64>()]
}

proptest! {
    #[test]
    fn without_checks_it_is_the_curve(
        shape in 0.5_f64..8.0, scale_km in 1e4_f64..1e6, age_km in 0_i64..600_000, rate in 0.0_f64..1e6
    ) {
        let fit = life(shape, scale_km * KM, 0.01);
        let curve = fit.curve(&[]);
        let chances = Pack { fit: Some(fit), age_km, rate, ..Pack::default() }.outlook().chances.unwrap();
        for (found, days) in [(chances.within_30, 30.0), (chances.within_90, 90.0), (chances.within_180, 180.0)] {
            let expected = curve.chance_within(age_km as f64 * KM, days * rate);
            prop_assert!((found - expected).abs() <= 1e-12, "{} is not {}", found, expected);
        }
    }

    #[test]
    fn any_sound_pack(
        shape in 0.5_f64..8.0, age_km in 1_i64..500_000, rate in 0.0_f64..1e6,
        spreads in proptest::collection::vec((0.0_f64..1.0, -0.1_f64..1.2), 0..8), noise in -12.0_f64..-6.0,
        power in 0.5_f64..4.0,
    ) {
        let check = |(share, spread): &(f64, f64)| at((share * age_km as f64) as i64, *spread);
        let mut pack = Pack { fit: Some(life(shape, 2.5e8, 0.2)), age_km, rate, ..Pack::default() };
        pack.checks = spreads.iter().map(check).collect();
        pack.settings.walk.noise_v2_per_m = libm::pow(10.0, noise);
        pack.settings.walk.power = power;
        let found = pack.outlook();
        let chances = found.chances.unwrap();
        let rising = [0.0, chances.within_30, chances.within_90, chances.within_180, 1.0];
        prop_assert!(rising.is_sorted(), "{:?}", rising);
        pack.checks.reverse();
        prop_assert_eq!(&pack.outlook(), &found);
        // More of a code never lowers the chance.
        let mut before = chances.within_90;
        for state in [CodeReport::History, CodeReport::Pending, CodeReport::Confirmed] {
            pack.codes = log_of(&[("P0A80", state)]);
            let now = pack.within_90();
            prop_assert!(now >= before);
            before = now;
        }
        pack.codes = log_of(&[("P0A80", CodeReport::Confirmed), ("P0A82", CodeReport::Confirmed)]);
        prop_assert!(pack.within_90() >= before);
    }

    #[test]
    fn a_higher_last_check_is_no_safer(
        low in -0.1_f64..0.95, more in 0.0_f64..0.3, age_km in 50_000_i64..400_000, shape in 1.0_f64..6.0
    ) {
        let with = |spread: f64| {
            let checks = vec![at(age_km / 2, low.min(0.3)), at(age_km - 1_000, spread)];
            Pack { fit: Some(life(shape, 2.5e8, 0.2)), age_km, checks, ..Pack::default() }.within_90()
        };
        prop_assert!(with(low + more) >= with(low) * (1.0 - 1e-9));
    }

    #[test]
    fn garbage_is_refused_or_answered(
        ages in proptest::collection::vec(any::<i64>(), 3), numbers in proptest::collection::vec(any_number(), 16),
    ) {
        let codes = log_of(&[("P0A80", CodeReport::Pending)]);
        let fit = life(2.0, 2.5e8, 0.5);
        let covariates = [Covariate { factor: Factor::Heat, value: numbers[15], usual: numbers[14] }];
        let checks = [SpreadCheck { age: Metres(ages[1]), spread_v: numbers[0] }];
        let crossing = |_: f64| numbers[1];
        let inputs = Inputs {
            age: Metres(ages[0]),
            metres_per_day: numbers[2],
            usual: Usual { age: Metres(ages[2]), metres_per_day: numbers[3] },
            life: Some(LifeCurve { fit: &fit, covariates: &covariates }),
            limit_v: numbers[4],
            checks: &checks,
            codes: &codes,
            cooling: Cooling { air: Air::NotKnown, chance_within: Some(&crossing) },
            unit: DistanceUnit::Mile,
        };
        let mut settings = Settings { unannounced: numbers[5], level: numbers[6], ..Settings::default() };
        settings.walk = SpreadWalk {
            new_v: numbers[7], new_sd_v: numbers[8], check_sd_v: numbers[9], noise_v2_per_m: numbers[10],
            power: numbers[11], reference_m: numbers[12],
        };
        // Half of the cases keep the settings sound, or hardly one would get past them.
        let settings = if ages[2] % 2 == 0 { settings } else { Settings::default() };
        if let Ok(found) = outlook(&inputs, &settings) {
            let chances = found.chances.unwrap();
            for chance in [chances.within_30, chances.within_90, chances.within_180] {
                prop_assert!((0.0..=1.0).contains(&chance));
            }
        }
    }
}
