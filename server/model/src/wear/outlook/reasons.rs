//! Why: how far each input moves the chance.

use super::answer::Reason;
use super::codes::Found;
use super::evidence::{Finding, SpreadCheck};
use super::inputs::{Air, Cooling, Factor};
use super::risk::{Case, Risk};
use crate::fleet::{Metres, Mode};

/// Chances nearer to 0 or 1 count as this near.
const NEAREST: f64 = 1e-9;

/// The reasons for the chance within the middle horizon, the weightiest first, those that cannot be weighed before them.
pub(super) fn reasons(case: &Case<'_>, chance: Option<f64>) -> Vec<Reason> {
    let Some(chance) = chance else { return Vec::new() };
    let mut reasons: Vec<Reason> = inputs_of(case)
        .into_iter()
        .map(|(factor, says)| Reason { factor, weight: weight(case, factor, chance), says })
        .collect();
    let size = |reason: &Reason| reason.weight.map_or(f64::INFINITY, f64::abs);
    reasons.sort_by(|one, two| size(two).total_cmp(&size(one)).then(one.factor.cmp(&two.factor)));
    reasons
}

/// What an input adds to the logarithm of the odds. Of the checks the last counts alone against none, and the earlier ones
/// as what they add to it.
fn weight(case: &Case<'_>, factor: Factor, chance: f64) -> Option<f64> {
    let without = Risk::of(&neutral(case, factor)).overall(super::MIDDLE)?;
    let with = match factor {
        Factor::SpreadLevel => Risk::of(&neutral(case, Factor::SpreadTrend)).overall(super::MIDDLE)?,
        _ => chance,
    };
    Some(log_odds(with) - log_odds(without))
}

fn log_odds(chance: f64) -> f64 {
    let chance = chance.clamp(NEAREST, 1.0 - NEAREST);
    libm::log(chance / (1.0 - chance))
}

/// The case with one input at its neutral value.
fn neutral<'a>(case: &Case<'a>, factor: Factor) -> Case<'a> {
    let usual = &case.inputs.usual;
    let mut neutral = Case { curve: case.usual_curve(factor), ..case.clone() };
    match factor {
        Factor::Age => neutral.age = usual.age.as_f64(),
        Factor::UsageRate => neutral.rate = usual.metres_per_day,
        Factor::Heat | Factor::LateServices | Factor::PackType => {}
        Factor::SpreadLevel => neutral.checks = &[],
        Factor::SpreadTrend => neutral.checks = last(case.checks),
        Factor::Codes => neutral.codes = case.codes.without(|mode| mode != Mode::Cooling),
        Factor::Cooling => {
            neutral.codes = case.codes.without(|mode| mode == Mode::Cooling);
            neutral.cooling = Cooling::NOT_KNOWN;
        }
    }
    neutral
}

fn last(checks: &[SpreadCheck]) -> &[SpreadCheck] {
    checks.get(checks.len().saturating_sub(1)..).unwrap_or_default()
}

/// The inputs that are there, each in words.
fn inputs_of(case: &Case<'_>) -> Vec<(Factor, String)> {
    let mut inputs = Vec::new();
    inputs.extend(age(case).map(|says| (Factor::Age, says)));
    if case.curve.is_some() {
        inputs.push((Factor::UsageRate, usage(case)));
    }
    inputs.extend(covariates(case));
    inputs.extend(pack_type(case).map(|says| (Factor::PackType, says)));
    inputs.extend(level(case).map(|says| (Factor::SpreadLevel, says)));
    inputs.extend(trend(case).map(|says| (Factor::SpreadTrend, says)));
    inputs.extend(codes(case).map(|says| (Factor::Codes, says)));
    inputs.extend(cooling(case).map(|says| (Factor::Cooling, says)));
    inputs
}

/// A chance in words: nothing that may happen is called impossible, and nothing certain.
#[must_use]
pub fn percent(chance: f64) -> String {
    match 100.0 * chance {
        little if little < 1.0 => "less than 1 %".to_owned(),
        much if much > 99.0 => "more than 99 %".to_owned(),
        some => format!("{some:.0} %"),
    }
}

fn distance(case: &Case<'_>, metres: f64) -> String {
    let whole = case.inputs.unit.of(Metres(libm::round(metres) as i64)).round() as i64;
    let digits = whole.to_string();
    let mut grouped = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            grouped.push(',');
        }
        grouped.push(digit);
    }
    format!("{grouped} {}", case.inputs.unit)
}

fn age(case: &Case<'_>) -> Option<String> {
    let half = case.curve?.quantile_after(case.age, 0.5);
    let usual = case.inputs.usual.age.as_f64();
    // Before the first pack is known nothing is usual.
    let beside = if usual > 0.0 { format!(" (usual in the fleet: {})", distance(case, usual)) } else { String::new() };
    Some(format!(
        "the pack has done {}{beside}; by the life curve half of the packs that got so far last beyond {}",
        distance(case, case.age),
        distance(case, half)
    ))
}

fn usage(case: &Case<'_>) -> String {
    let usual = distance(case, case.inputs.usual.metres_per_day);
    format!("the car covers {} a day (usual: {usual})", distance(case, case.rate))
}

/// A type is one input, however many covariates tell the types apart.
fn pack_type(case: &Case<'_>) -> Option<String> {
    let mut covariates = case.inputs.life?.covariates.iter();
    covariates.any(|covariate| covariate.factor == Factor::PackType).then_some(())?;
    let longer = case.curve?.scale / case.usual_curve(Factor::PackType)?.scale;
    Some(format!("packs of its type last {longer:.2} times as far as the fleet's mix"))
}

/// The covariates but for the usage rate and the type, which have their own words.
fn covariates<'c>(case: &'c Case<'_>) -> impl Iterator<Item = (Factor, String)> + 'c {
    case.inputs.life.into_iter().flat_map(|life| life.covariates).filter_map(|covariate| {
        let (value, usual) = (covariate.value, covariate.usual);
        let says = match covariate.factor {
            Factor::Heat => format!(
                "heat has aged it {:.2} times as fast as the reference temperature would (usual: {:.2})",
                libm::exp(value),
                libm::exp(usual)
            ),
            Factor::LateServices => format!(
                "{:.0} % of its distance was driven past the late edge of a fan service (usual: {:.0} %); packs so driven \
                 differ in life after allowance for duty and heat, which need not be the cause",
                100.0 * value,
                100.0 * usual
            ),
            _ => return None,
        };
        Some((covariate.factor, says))
    })
}

fn level(case: &Case<'_>) -> Option<String> {
    let check = case.checks.last()?;
    let since = distance(case, case.inputs.age.as_f64() - check.age.as_f64());
    let place = match case.finding() {
        Finding::Below(evidence) => format!("all checks weighed, {:.2} V are left", evidence.left),
        _ => "the limit is reached".to_owned(),
    };
    let (spread, limit) = (check.spread_v, case.inputs.limit_v);
    Some(format!("the weakest block lay {spread:.2} V low ({limit:.2} V allowed) at the check {since} ago; {place}"))
}

fn trend(case: &Case<'_>) -> Option<String> {
    let [first, .., last] = case.checks else { return None };
    let span = distance(case, last.age.as_f64() - first.age.as_f64());
    // Hundredths, and no -0.
    let rise = (100.0 * (last.spread_v - first.spread_v)).round() / 100.0 + 0.0;
    Some(format!(
        "over {} checks and {span} the spread went from {:.2} to {:.2} V ({rise:+.2} V)",
        case.checks.len(),
        first.spread_v,
        last.spread_v
    ))
}

fn codes(case: &Case<'_>) -> Option<String> {
    let fault = case.cooling_fault();
    let (multiplier, heaviest) = case.codes.heaviest(&case.settings.codes, fault);
    let others = [Mode::Isolation, Mode::Fuse, Mode::Sensing];
    let certain = others.into_iter().find_map(|mode| case.codes.confirmed(mode)).map(named);
    let wear = heaviest.map(|found| {
        let lowered = if fault && found.code.cooling_first() { ", less while the cooling is at fault" } else { "" };
        format!("{}: risk of block wear times {multiplier:.1}{lowered}", named(found))
    });
    match (certain, wear) {
        (Some(certain), Some(wear)) => Some(format!("{certain}; {wear}")),
        (one, other) => one.or(other),
    }
}

fn named(found: &Found) -> String {
    format!("{} ({}): {}", found.code, found.state.as_str(), found.meaning.says)
}

fn cooling(case: &Case<'_>) -> Option<String> {
    if let Some(found) = case.codes.confirmed(Mode::Cooling) {
        return Some(format!("{}; {}", named(found), found.meaning.todo));
    }
    if case.cooling.air == Air::Over {
        return Some("the airflow index is over its limit".to_owned());
    }
    let within = case.cooling.chance_within?(super::MIDDLE);
    Some(format!(
        "chance that the airflow index crosses its limit within 90 days, a fan service before then counted in: {}",
        percent(within)
    ))
}
