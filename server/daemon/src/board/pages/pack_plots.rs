//! What a pack's outlook rests on, drawn: its place on the fleet's life curve, the spread of its blocks, its cooling.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use ventmile_model::fleet::{DistanceUnit, SpreadLimits, local_day};
use ventmile_model::wear::Step;
use ventmile_model::wear::airflow::Airflow;
use ventmile_model::wear::spread::{Level, Pattern, SetAside, Spread};

use crate::app::curve::CurveSpot;
use crate::app::life::FleetLife;
use crate::board::plot::{Look, Plot, Scale, Series, Shape, Table, day_place};
use crate::board::say;
use crate::store::{ExposureRow, LivedPack};

/// A pack as it stands on the life curve.
#[derive(Clone, Debug)]
pub(super) struct OnCurve {
    /// Its serial, or the car it is in where none is registered.
    name: String,
    unit: String,
    /// Metres behind it.
    age: f64,
    /// Share of such packs, used as it was, that get further.
    survival: f64,
    failed: bool,
    in_use: bool,
}

impl OnCurve {
    fn of(life: &FleetLife, unit: &str, row: &ExposureRow) -> Option<Self> {
        let fit = life.fit.as_ref().ok()?;
        let registered = !row.serial.is_empty();
        Some(Self {
            name: if registered { row.serial.clone() } else { format!("not registered, in {unit}") },
            unit: unit.to_owned(),
            age: row.exit,
            survival: fit.curve(&life.covariates(row)).survival(row.exit),
            failed: row.failed,
            in_use: row.in_use,
        })
    }

    const fn ended(&self) -> &'static str {
        match (self.failed, self.in_use) {
            (true, _) => "worn out",
            (false, true) => "running",
            (false, false) => "taken out while it worked",
        }
    }
}

/// The fleet's life curve with its packs on it.
#[derive(Clone, Debug)]
pub(super) struct LifeView {
    unit: DistanceUnit,
    spots: Vec<CurveSpot>,
    steps: Vec<Step>,
    /// By which age a tenth and a half of usual packs have failed, in metres.
    gone: [f64; 2],
    packs: Vec<OnCurve>,
    /// The pack that the page is about.
    own: OnCurve,
    in_all: usize,
    failures: f64,
    /// Why the curve is not to be leaned on.
    warning: Option<String>,
}

impl LifeView {
    /// The view with these packs on the curve; `None` where there is no curve.
    pub(super) fn of(
        life: &FleetLife,
        packs: &[LivedPack],
        own: (&str, &ExposureRow),
        unit: DistanceUnit,
    ) -> Option<Self> {
        let curve = life.usual_curve(None)?;
        let on = |pack: &LivedPack| OnCurve::of(life, &pack.unit, &pack.exposure);
        Some(Self {
            unit,
            spots: curve.spots(),
            steps: life.steps.clone(),
            gone: [0.1, 0.5].map(|share| curve.weibull().quantile(share)),
            packs: packs.iter().filter(|pack| pack.exposure.exit > pack.exposure.entry).filter_map(on).collect(),
            own: OnCurve::of(life, own.0, own.1)?,
            in_all: life.packs,
            failures: life.failures(),
            warning: life.check.as_ref().and_then(|check| check.warning).map(|warning| warning.to_string()),
        })
    }

    fn shown(&self, metres: f64) -> f64 {
        metres / self.unit.metres()
    }

    fn distance(&self, metres: f64) -> String {
        say::distance(metres, self.unit)
    }

    /// The share that lives longer by Kaplan and Meier.
    fn counted(&self, age: f64) -> f64 {
        self.steps.iter().rev().find(|step| step.age <= age).map_or(1.0, |step| step.survival)
    }

    fn says(&self) -> String {
        let [tenth, half] = self.gone.map(|age| self.distance(age));
        let (own, own_age) = (&self.own, self.distance(self.own.age));
        let verb = if own.in_use { "has done" } else { "did" };
        let warning = self.warning.as_deref().map(|warning| format!(" Caution: {warning}.")).unwrap_or_default();
        format!(
            "A tenth of usual packs has failed by {tenth}, half of them by {half}. {} {verb} {own_age}; of packs used like it {} \
             get further. {} of {} packs have failed.{warning}",
            own.name,
            say::chance(own.survival),
            say::number(self.failures),
            say::number(self.in_all as f64)
        )
    }

    fn series(&self) -> Vec<Series> {
        let band = |spot: &CurveSpot| Some((self.shown(spot.age), spot.interval.low?, spot.interval.high?));
        let start = std::iter::once((0.0, 1.0));
        let end = self.spots.last().map(|spot| (self.shown(spot.age), self.counted(spot.age)));
        let steps = self.steps.iter().map(|step| (self.shown(step.age), step.survival));
        let place = |pack: &OnCurve| (self.shown(pack.age), pack.survival);
        let (failed, others): (Vec<&OnCurve>, Vec<&OnCurve>) = self.packs.iter().partition(|pack| pack.failed);
        let points = |packs: &[&OnCurve]| Shape::Points(packs.iter().map(|pack| place(pack)).collect());
        let curve = self.spots.iter().map(|spot| (self.shown(spot.age), spot.survival));
        vec![
            Series::new("90 % interval", Look::Soft, Shape::Band(self.spots.iter().filter_map(band).collect())),
            Series::new(
                "counted, without a curve (Kaplan and Meier)",
                Look::Plain,
                Shape::Step(start.chain(steps).chain(end).collect()),
            ),
            Series::new("fitted curve", Look::First, Shape::Line(curve.collect())),
            Series::new("running, or taken out while it worked", Look::First, points(&others)),
            Series::new("worn out", Look::Second, points(&failed)),
            Series::new(self.own.name.clone(), Look::Own, Shape::Points(vec![place(&self.own)])),
        ]
    }

    pub(super) fn plot(&self) -> Plot {
        let far = self.spots.last().map_or(0.0, |spot| self.shown(spot.age)).max(self.shown(self.own.age));
        Plot {
            id: "life".to_owned(),
            title: format!("Share of packs that get further, by {}", unit_words(self.unit)),
            says: self.says(),
            x: Scale::up_to(far),
            y: Scale::shares(),
            series: self.series(),
            table: self.table(),
        }
    }

    fn table(&self) -> Table {
        let row = |spot: &CurveSpot| {
            let interval = match (spot.interval.low, spot.interval.high) {
                (Some(low), Some(high)) => say::shares(low, high),
                _ => "not bounded".to_owned(),
            };
            vec![self.distance(spot.age), say::chance(spot.survival), interval, say::chance(self.counted(spot.age))]
        };
        let head = ["Distance", "Fitted", "90 % interval", "Counted"].map(str::to_owned).to_vec();
        Table { head, rows: self.spots.iter().step_by(5).map(row).collect() }
    }

    /// The packs on the curve, the furthest first.
    pub(super) fn packs(&self) -> Table {
        let row = |pack: &OnCurve| {
            let far = self.distance(pack.age);
            vec![pack.name.clone(), pack.unit.clone(), far, pack.ended().to_owned(), say::chance(pack.survival)]
        };
        let head = ["Pack", "Car", "Distance", "State", "Such packs that get further"].map(str::to_owned).to_vec();
        Table { head, rows: self.packs.iter().map(row).collect() }
    }
}

pub(super) const fn unit_words(unit: DistanceUnit) -> &'static str {
    match unit {
        DistanceUnit::Mile => "miles driven",
        DistanceUnit::Kilometre => "kilometres driven",
    }
}

/// The spread of a pack's blocks.
#[derive(Clone, Debug)]
pub(super) struct SpreadView {
    pub spread: Spread,
    pub limits: SpreadLimits,
    /// 10, 50 and 90 % days of reaching the limit.
    pub limit_reached: Option<[Option<NaiveDate>; 3]>,
    pub zone: Tz,
    pub today: NaiveDate,
}

/// Volts above the middle of the blocks that are not worth a field of their own.
const LITTLE_V: f64 = 0.1;

/// Rows of checks in a table, at most: the newest.
const SHOWN_CHECKS: usize = 60;

impl SpreadView {
    fn on(&self, at: DateTime<Utc>) -> NaiveDate {
        local_day(at, self.zone)
    }

    /// What the checks say, in sentences.
    pub(super) fn says(&self) -> String {
        let Some(weakest) = self.spread.weakest else { return "No check could be compared.".to_owned() };
        let SpreadLimits { watch_v, weak_v } = self.limits;
        let since = weakest.since.map(|at| format!(", beyond the watch limit since {}", say::short_day(self.on(at))));
        let pattern = self.spread.pattern.map(Pattern::says);
        let pattern = pattern.map(|says| format!(" The sensing is the first suspect, not the cells: {says}."));
        format!(
            "Block {} is the weakest ({} sure): {:.2} V under the middle of the others at like load, charge and heat{}. From \
             {watch_v:.2} V a block is watched, at {weak_v:.2} V it is weak.{}{}",
            weakest.block + 1,
            say::chance(weakest.chance),
            weakest.deficit_v,
            since.unwrap_or_default(),
            self.ahead(),
            pattern.unwrap_or_default()
        )
    }

    fn ahead(&self) -> String {
        match self.limit_reached {
            None => String::new(),
            Some([Some(soon), _, Some(late)]) if soon == late => {
                format!(" The limit was reached on {}.", say::short_day(soon))
            }
            Some([Some(soon), _, late]) => {
                let late = late.map_or_else(|| "a day more than ten years off".to_owned(), say::short_day);
                format!(
                    " By the spread alone the limit is reached between {} and {late}, four times in five.",
                    say::short_day(soon)
                )
            }
            Some([None, ..]) => " By the spread alone the limit is further off than ten years.".to_owned(),
        }
    }

    pub(super) fn plot(&self) -> Option<Plot> {
        let first = self.spread.levels.first()?;
        let place = |at: DateTime<Utc>| day_place(self.on(at));
        let levels: Vec<(f64, f64)> =
            self.spread.levels.iter().map(|level| (place(level.at), level.deficit_v)).collect();
        // A weakest block that lies a little over the others is no reason to open a field below 0.
        let low = levels.iter().map(|(_, volts)| *volts).filter(|volts| *volts < -LITTLE_V).fold(0.0, f64::min);
        let high = levels.iter().map(|(_, volts)| *volts).fold(self.limits.weak_v, f64::max);
        let from = self.spread.set_aside.iter().map(|aside| aside.at).fold(first.at, DateTime::min);
        let mut aside: Vec<f64> = self.spread.set_aside.iter().map(|aside| place(aside.at)).collect();
        aside.dedup();
        let SpreadLimits { watch_v, weak_v } = self.limits;
        Some(Plot {
            id: "spread".to_owned(),
            title: "How far the weakest block lies under the others, in volts".to_owned(),
            says: self.says(),
            x: Scale::days(self.on(from), self.today + TimeDelta::days(1)),
            y: Scale::numbers(low, high * 1.05),
            series: vec![
                Series::new(format!("weak, {weak_v:.2} V"), Look::Second, Shape::Level(weak_v)),
                Series::new(format!("watched, {watch_v:.2} V"), Look::Plain, Shape::Level(watch_v)),
                Series::new("", Look::First, Shape::Line(levels.clone())),
                Series::new("checks used", Look::First, Shape::Points(levels)),
                Series::new(
                    "something set aside, drawn at the foot; why is among the numbers",
                    Look::Plain,
                    Shape::Points(aside.into_iter().map(|day| (day, low)).collect()),
                ),
            ],
            table: self.table(),
        })
    }

    /// Checks used and set aside, the newest first.
    fn table(&self) -> Table {
        let used = |level: &Level| {
            let volts = format!("{:.2} V", level.deficit_v);
            (level.at, vec![say::short_day(self.on(level.at)), volts, "used".to_owned()])
        };
        let aside = |aside: &SetAside| {
            let what = aside.block.map_or_else(|| "the whole check".to_owned(), |block| format!("block {}", block + 1));
            let why = format!("{what} set aside: {}", aside.why.explain());
            (aside.at, vec![say::short_day(self.on(aside.at)), "–".to_owned(), why])
        };
        let mut rows: Vec<(DateTime<Utc>, Vec<String>)> = self.spread.levels.iter().map(used).collect();
        rows.extend(self.spread.set_aside.iter().map(aside));
        rows.sort_by_key(|(at, _)| std::cmp::Reverse(*at));
        let head = ["Check of", "Under the others", "What became of it"].map(str::to_owned).to_vec();
        Table { head, rows: rows.into_iter().take(SHOWN_CHECKS).map(|(_, row)| row).collect() }
    }
}

/// The cooling of a pack: its index by time, against the limit. `None` where no check could be compared.
pub(super) fn airflow_plot(airflow: &Airflow, limit: f64, zone: Tz, today: NaiveDate) -> Option<Plot> {
    let (first, _) = airflow.levels.first()?;
    let on = |at: DateTime<Utc>| local_day(at, zone);
    let levels: Vec<(f64, f64)> = airflow.levels.iter().map(|(at, index)| (day_place(on(*at)), *index)).collect();
    let high = levels.iter().map(|(_, index)| *index).fold(limit, f64::max);
    let row = |(at, index): &(DateTime<Utc>, f64)| vec![say::short_day(on(*at)), format!("{index:.2}")];
    Some(Plot {
        id: "airflow".to_owned(),
        title: "How much the pack heats up, beside just after its last fan service".to_owned(),
        says: airflow_says(airflow, limit, on),
        x: Scale::days(on(*first), today + TimeDelta::days(1)),
        y: Scale::numbers(0.0, high * 1.05),
        series: vec![
            Series::new(format!("calls for the fan service, {limit:.2}"), Look::Second, Shape::Level(limit)),
            Series::new("as after the service, 1.00", Look::Plain, Shape::Level(1.0)),
            Series::new("checks at like load and fan stage", Look::First, Shape::Points(levels)),
        ],
        table: Table {
            head: ["Check of", "Times as much"].map(str::to_owned).to_vec(),
            rows: airflow.levels.iter().rev().take(SHOWN_CHECKS).map(row).collect(),
        },
    })
}

fn airflow_says(airflow: &Airflow, limit: f64, on: impl Fn(DateTime<Utc>) -> NaiveDate) -> String {
    let now = match airflow.trend {
        None => format!("{} compared: too few to tell a trend.", say::count(airflow.compared, "check")),
        Some(trend) => {
            let by = |chance: f64| trend.by(chance).map(|at| say::short_day(on(at)));
            let crossed = match (by(0.1), by(0.9)) {
                _ if trend.index >= limit => "the limit is crossed".to_owned(),
                (Some(soon), Some(late)) => {
                    format!("the limit is crossed between {soon} and {late}, four times in five")
                }
                (Some(soon), None) => format!("the limit is crossed after {soon} nine times in ten, perhaps never"),
                (None, _) => "no crossing of the limit is in sight".to_owned(),
            };
            format!("It now heats up {:.2} times as much over the cabin's air; {crossed}.", trend.index)
        }
    };
    let duct = airflow.loose_duct.map(|duct| {
        format!(
            " It heats up {:.2} times as much since the fan service of {}: a duct may be loose.",
            duct.factor.mid,
            say::short_day(on(duct.service))
        )
    });
    format!("{now}{}", duct.unwrap_or_default())
}

#[cfg(test)]
pub(super) mod samples {
    use ventmile_model::wear::life::Interval;
    use ventmile_model::wear::spread::{Weakest, Why};

    use super::*;

    pub(in crate::board::pages) fn life() -> LifeView {
        let spot = |step: u32| {
            let survival = 1.0 - f64::from(step) / 10.0;
            CurveSpot {
                age: 1_609_344.0 * 30.0 * f64::from(step),
                survival,
                interval: Interval { low: Some(survival * 0.9), high: Some((survival * 1.1).min(1.0)) },
            }
        };
        let step = |age: f64, survival: f64| Step {
            age,
            at_risk: 4.0,
            failed: 1.0,
            survival,
            survival_se: None,
            hazard: 0.0,
            hazard_se: 0.0,
        };
        let pack = |name: &str, miles: f64, failed| OnCurve {
            name: name.to_owned(),
            unit: "<7>".to_owned(),
            age: miles * 1_609.344,
            survival: 0.7,
            failed,
            in_use: !failed,
        };
        LifeView {
            unit: DistanceUnit::Mile,
            spots: (0..=10).map(spot).collect(),
            steps: vec![step(160_934_400.0, 0.75), step(241_401_600.0, 0.5)],
            gone: [48_280_320.0, 241_401_600.0],
            packs: vec![pack("A<1>", 150_000.0, true), pack("B2", 90_000.0, false)],
            own: pack("P<b>1", 90_000.0, false),
            in_all: 2,
            failures: 1.0,
            warning: None,
        }
    }

    pub(in crate::board::pages) fn spread() -> SpreadView {
        let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
        let level = |text: &str, deficit_v| Level { at: at(text), deficit_v };
        let weakest = Weakest { block: 6, deficit_v: 0.79, since: Some(at("2026-02-01T15:00:00Z")), chance: 0.995 };
        SpreadView {
            spread: Spread {
                compared: 2,
                weakest: Some(weakest),
                levels: vec![level("2026-01-05T15:00:00Z", 0.2), level("2026-03-02T15:00:00Z", 0.79)],
                pattern: None,
                set_aside: vec![SetAside { at: at("2026-02-02T15:00:00Z"), block: None, why: Why::OtherLoad }],
            },
            limits: SpreadLimits { watch_v: 0.3, weak_v: 1.0 },
            limit_reached: Some(["2026-04-02", "2026-04-20", "2026-05-30"].map(|day| day.parse().ok())),
            zone: Tz::America__New_York,
            today: "2026-03-18".parse().unwrap(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_curve_is_told_with_the_pack_on_it() {
        let view = samples::life();
        let plot = view.plot();
        assert!(
            plot.says.contains("half of them by 150,000 mi. P<b>1 has done 90,000 mi; of packs used like it 70 %"),
            "{}",
            plot.says
        );
        assert_eq!(plot.table.rows[1], ["150,000 mi", "50 %", "45 to 55 %", "50 %"]);
        assert_eq!(view.packs().rows[0][3], "worn out");
        let counted = [50_000_000.0, 160_934_400.0, 9e9].map(|age| view.counted(age));
        assert_eq!(counted, [1.0, 0.75, 0.5]);
        let drawn = plot.drawn().into_string();
        assert!(drawn.contains("look-own") && !drawn.contains("<b>"), "{drawn}");
    }

    #[test]
    fn the_spread_says_what_was_used_and_what_not() {
        let plot = samples::spread().plot().unwrap();
        assert!(plot.says.starts_with("Block 7 is the weakest (more than 99 % sure): 0.79 V under"), "{}", plot.says);
        assert!(plot.says.contains("between 2 Apr 2026 and 30 May 2026, four times in five"), "{}", plot.says);
        let became: Vec<_> = plot.table.rows.iter().map(|row| row[2].as_str()).collect();
        let aside = "the whole check set aside: current not known or not like the others";
        assert_eq!(became, ["used", aside, "used"]);
        let without = SpreadView { spread: Spread::default(), ..samples::spread() };
        assert!(without.plot().is_none());
        assert_eq!(without.says(), "No check could be compared.");
    }

    #[test]
    fn cooling_without_a_trend_is_told_so() {
        let at = "2026-03-02T15:00:00Z".parse().unwrap();
        let airflow = Airflow { compared: 1, levels: vec![(at, 1.234)], ..Airflow::default() };
        let (zone, today) = (Tz::America__New_York, "2026-03-18".parse().unwrap());
        let plot = airflow_plot(&airflow, 1.5, zone, today).unwrap();
        assert_eq!(plot.says, "1 check compared: too few to tell a trend.");
        assert_eq!(plot.table.rows, [["2 Mar 2026", "1.23"]]);
        assert!(airflow_plot(&Airflow::default(), 1.5, zone, today).is_none());
    }
}
