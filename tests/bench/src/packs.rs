//! What the life curve of a fleet's packs and the outlook of one pack cost.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use serde_json::json;
use ventmile_model::dist::Weibull;
use ventmile_model::fleet::{CodeLog, DistanceUnit, Metres, Trips};
use ventmile_model::wear::life::{Life, LifeFit, Lives, Prior, fit};
use ventmile_model::wear::outlook::{
    Cooling, Covariate, Factor, Inputs, LifeCurve, Outlook, Settings, SpreadCheck, Usual, outlook,
};

use crate::Result;
use crate::car::{Car, now};
use crate::python::{Against, Python};
use crate::rounds::{Sizes, by_turns, seconds_a_call};
use crate::table::{Row, count, median, ratio, time};

/// Packs whose curve is fitted against Python's.
const PACKS: usize = 400;

/// Life of a usual pack, in metres.
const USUAL: Weibull = Weibull { shape: 2.5, scale: 2.9e8 };

/// What a unit of each covariate adds to the logarithm of life.
const EFFECTS: [f64; 4] = [0.1, -0.2, -0.4, -0.2];

/// So near lifelines comes to the top of the likelihood, by its own stopping rule.
const TOLERANCE: f64 = 1e-4;

/// Invented packs; nearly three quarters of them have failed.
struct Fleet {
    lives: Vec<Life>,
    /// A column for each covariate.
    columns: Vec<Vec<f64>>,
}

/// Numbers from 0 to 1 that fill it evenly, others for each root that is not whole.
fn even(number: usize, square: f64) -> f64 {
    ((number as f64 + 0.5) * square.sqrt()).fract()
}

impl Fleet {
    fn new(packs: usize) -> Self {
        let columns: Vec<Vec<f64>> =
            [5.0, 7.0, 11.0, 13.0].map(|square| (0..packs).map(|pack| even(pack, square)).collect()).into();
        let life = |pack: usize| {
            let effect: f64 = columns.iter().zip(EFFECTS).filter_map(|(column, by)| Some(by * column.get(pack)?)).sum();
            let fails = USUAL.quantile(even(pack, 2.0)) * effect.exp();
            let watched = 1e8 + 3e8 * even(pack, 3.0);
            Life::from_new(fails.min(watched).round(), fails <= watched)
        };
        Self { lives: (0..packs).map(life).collect(), columns }
    }

    fn plain(&self) -> Option<LifeFit> {
        fit(&Lives::plain(self.lives.clone()).ok()?, &Prior::none()).ok()
    }

    fn accelerated(&self) -> Option<LifeFit> {
        fit(&Lives::new(self.lives.clone(), &self.columns).ok()?, &Prior::none()).ok()
    }
}

pub fn against_python(python: &mut Python, sizes: &Sizes) -> Result<Vec<Row>> {
    let fleet = Fleet::new(PACKS);
    let ages: Vec<f64> = fleet.lives.iter().map(|life| life.exit).collect();
    let failed: Vec<bool> = fleet.lives.iter().map(|life| life.failed).collect();
    let curve = Against {
        work: "life curve of 400 packs, censored",
        call: "weibull",
        called: "lifelines, `WeibullFitter`",
        input: json!({"ages": ages, "failed": failed}),
        tolerance: TOLERANCE,
        aim: 1_000,
    };
    let accelerated = Against {
        work: "the same with 4 covariates",
        call: "accelerated_weibull",
        called: "lifelines, `WeibullAFTFitter`",
        input: json!({"ages": ages, "failed": failed, "columns": fleet.columns}),
        tolerance: TOLERANCE,
        aim: 300,
    };
    let parameters = |fit: Option<LifeFit>| {
        fit.map_or_else(Vec::new, |fit| [vec![fit.log_shape, fit.intercept], fit.coefficients].concat())
    };
    Ok(vec![
        python.row(curve, sizes, || parameters(fleet.plain()))?,
        python.row(accelerated, sizes, || parameters(fleet.accelerated()))?,
    ])
}

/// The cost per pack of the curves of a middle and a large fleet beside that of a small one.
pub fn fleets(sizes: &Sizes) -> Result<Vec<Row>> {
    let [small, middle, large] = sizes.fleets;
    let fleets = sizes.fleets.map(Fleet::new);
    if fleets.iter().any(|fleet| fleet.plain().is_none()) {
        return Err("an invented fleet's packs have no curve".into());
    }
    let mut costs = [const { Vec::new() }; 3];
    for round in 0..sizes.rounds {
        eprintln!("measuring the curves of whole fleets, round {}", round + 1);
        for (costs, fleet) in costs.iter_mut().zip(&fleets) {
            costs.push(seconds_a_call(sizes.least, || fleet.plain()) / fleet.lives.len() as f64);
        }
    }
    let [at_small, at_middle, at_large] = costs;
    let nanoseconds = |costs: &[f64]| format!("{:.0} ns a pack", median(costs) * 1e9);
    let row = |packs: usize, costs: &[f64]| Row {
        work: format!("life curve of {} packs", count(packs as f64)),
        ours: nanoseconds(costs),
        reference: format!("of {}: {}", count(small as f64), nanoseconds(&at_small)),
        ratio: format!("{} times its time (aim: 0.5 to 1.5)", ratio(costs, &at_small)),
    };
    Ok(vec![row(middle, &at_middle), row(large, &at_large)])
}

/// A check every 10,000 km, the weakest block falling ever faster.
const CHECKS: [SpreadCheck; 6] = {
    const fn check(km: i64, spread_v: f64) -> SpreadCheck {
        SpreadCheck { age: Metres(km * 1_000), spread_v }
    }
    [
        check(140_000, 0.18),
        check(150_000, 0.21),
        check(160_000, 0.25),
        check(170_000, 0.26),
        check(180_000, 0.33),
        check(190_000, 0.38),
    ]
};

/// The outlook of a pack with checks, on the curve with covariates.
fn ahead(fit: &LifeFit, codes: &CodeLog) -> Option<Outlook> {
    let usual = Usual { age: Metres(150_000_000), metres_per_day: 200_000.0 };
    let factors = [Factor::UsageRate, Factor::Heat, Factor::LateServices, Factor::PackType];
    let covariates = factors.map(|factor| Covariate { factor, value: 0.7, usual: 0.5 });
    let inputs = Inputs {
        age: Metres(200_000_000),
        metres_per_day: 250_000.0,
        usual,
        life: Some(LifeCurve { fit, covariates: &covariates }),
        limit_v: 1.0,
        checks: &CHECKS,
        codes,
        cooling: Cooling::NOT_KNOWN,
        unit: DistanceUnit::Kilometre,
    };
    outlook(&inputs, &Settings::default()).ok()
}

/// The cost of one pack's outlook beside that of all that its car's dates rest on.
pub fn one_pack(car: &Car, sizes: &Sizes) -> Result<Row> {
    eprintln!("measuring one pack's outlook");
    let fit = Fleet::new(PACKS).accelerated().ok_or("no curve of the invented packs")?;
    let codes = CodeLog::fold(&[], Trips { by_day: &BTreeMap::new(), zone: Tz::UTC }, now());
    if ahead(&fit, &codes).and_then(|outlook| outlook.chances).is_none() {
        return Err("the invented pack has no chances".into());
    }
    let (ours, reference) = by_turns(sizes, || ahead(&fit, &codes), || car.recomputed());
    Ok(Row {
        work: format!("outlook of one pack with {} checks, chances and reasons", CHECKS.len()),
        ours: time(median(&ours)),
        reference: format!("one car from its logs to its dates: {}", time(median(&reference))),
        ratio: format!("{} times its time", ratio(&ours, &reference)),
    })
}
