use chrono::Duration;
use proptest::prelude::*;

use super::*;
use crate::fleet::{Chemistry, Layout};
use crate::wear::block_wear::{BlockWear, look_ahead};
use crate::wear::drift::{Fleet, Likelihood, Path};
use crate::wear::made::Draws;

fn at(hours: i64) -> DateTime<Utc> {
    "2026-06-01T08:00:00Z".parse::<DateTime<Utc>>().unwrap() + Duration::hours(hours)
}

fn pack() -> PackType {
    let layout = Layout { blocks: 14, modules_per_block: 2, cells_per_module: 6 };
    PackType { layout, chemistry: Chemistry::NickelMetalHydride, limits: SpreadLimits::default() }
}

/// A check every three days, at 30 A, of 14 blocks about 14.5 V with noise of 10 mV, moved by `lower(day, block)`.
fn made(checks: i64, seed: u64, lower: impl Fn(f64, usize) -> f64) -> Vec<PackCheck> {
    let mut draws = Draws(seed);
    let check = |number: i64| {
        let hours = number * 72;
        let level = 14.5 + 0.15 * draws.normal();
        let day = hours as f64 / 24.0;
        let volts = (0..14).map(|block| level + 0.01 * draws.normal() - lower(day, block)).collect();
        PackCheck {
            current_a: Some(30.0),
            charge_pct: Some(60.0),
            pack_c: Some(30.0),
            ..PackCheck::of(at(hours), volts)
        }
    };
    (0..checks).map(check).collect()
}

fn read(checks: &[PackCheck]) -> Spread {
    spread(checks, &pack(), &SpreadSettings::default())
}

/// Block 5 falls behind by 4 mV a day.
fn falling(day: f64, block: usize) -> f64 {
    if block == 5 { 0.004 * day } else { 0.0 }
}

#[test]
fn names_the_block_since_when_and_how_surely() {
    let found = read(&made(40, 1, falling));
    let weakest = found.weakest.unwrap();
    assert_eq!((weakest.block, found.compared, found.pattern), (5, 40, None));
    assert_eq!(found.set_aside, []);
    // 0.3 V are reached on day 75 and the middle of the last five checks is day 111.
    assert!((weakest.deficit_v - 0.444).abs() < 0.02, "{}", weakest.deficit_v);
    assert!((days_between(at(0), weakest.since.unwrap()) - 75.0).abs() <= 6.0, "{:?}", weakest.since);
    assert!(weakest.chance > 0.999);
    assert_eq!(weakest.standing(pack().limits), Standing::Watch);
}

#[test]
fn of_a_sound_pack_no_block_is_surely_the_weakest() {
    let found = read(&made(40, 2, |_, _| 0.0));
    let weakest = found.weakest.unwrap();
    assert_eq!((weakest.since, weakest.standing(pack().limits)), (None, Standing::Sound));
    assert!(weakest.chance < 0.99, "{}", weakest.chance);
    assert_eq!(found.pattern, None);
}

#[track_caller]
fn check_aside(spoil: impl Fn(&mut Vec<PackCheck>), expected: &[(i64, Option<usize>, Why)]) {
    let mut checks = made(20, 3, falling);
    spoil(&mut checks);
    let found = read(&checks);
    let expected: Vec<_> = expected
        .iter()
        .map(|(number, block, why)| SetAside { at: at(number * 72), block: *block, why: *why })
        .collect();
    assert_eq!(found.set_aside, expected);
    let weakest = found.weakest.unwrap();
    assert_eq!(weakest.block, 5);
    assert!((weakest.deficit_v - 0.204).abs() < 0.02, "{}", weakest.deficit_v);
}

#[test]
fn bad_samples_are_set_aside_and_do_no_harm() {
    use Why::*;
    check_aside(|checks| checks[4].block_volts[2] = 0.0, &[(4, Some(2), DeadBlock)]);
    check_aside(|checks| checks[9].block_volts[5] -= 3.0, &[(9, Some(5), Spike)]);
    // The newest is not believed until another confirms it.
    check_aside(|checks| checks[19].block_volts[7] -= 1.5, &[(19, Some(7), Spike)]);
    check_aside(|checks| checks.push(checks[3].clone()), &[(3, None, Duplicate)]);
    check_aside(|checks| checks[8].block_volts = checks[7].block_volts.clone(), &[(8, None, FrozenCheck)]);
    check_aside(|checks| checks[6].current_a = Some(90.0), &[(6, None, OtherLoad)]);
    check_aside(|checks| checks[6].current_a = None, &[(6, None, OtherLoad)]);
    check_aside(|checks| checks[6].charge_pct = Some(20.0), &[(6, None, OtherCharge)]);
    check_aside(|checks| checks[6].pack_c = Some(-5.0), &[(6, None, OtherHeat)]);
    check_aside(|checks| checks[6].block_volts.truncate(13), &[(6, None, Misfit)]);
    check_aside(|checks| checks[6].block_volts[0] = f64::NAN, &[(6, None, Misfit)]);
    let frozen = |checks: &mut Vec<PackCheck>| checks[3..8].iter_mut().for_each(|check| check.block_volts[9] = 14.52);
    check_aside(frozen, &[3, 4, 5, 6, 7].map(|number| (number, Some(9), FrozenBlock)));
}

#[test]
fn a_real_drop_is_believed_once_confirmed() {
    let mut checks = made(20, 3, |_, _| 0.0);
    checks[18..].iter_mut().for_each(|check| check.block_volts[7] -= 1.5);
    let found = read(&checks);
    assert_eq!(found.set_aside, []);
    assert_eq!(found.levels.last().map(|level| level.deficit_v > 1.4), found.weakest.map(|weakest| weakest.block == 7));
}

#[test]
fn deficits_are_brought_to_one_current() {
    // Block 5 has 10 mOhm more than the others: at 30 A that is 0.3 V whatever the check's own current.
    let mut checks = made(40, 4, |_, _| 0.0);
    for (number, check) in checks.iter_mut().enumerate() {
        let amperes = if number % 2 == 0 { 20.0 } else { 55.0 };
        check.current_a = Some(amperes);
        check.block_volts[5] -= 0.01 * amperes;
    }
    let found = read(&checks);
    assert!(found.levels.iter().all(|level| (level.deficit_v - 0.3).abs() < 0.06), "{:?}", found.levels);
}

#[track_caller]
fn check_pattern(lower: impl Fn(usize) -> f64, expected: Option<Pattern>) {
    assert_eq!(read(&made(10, 5, |_, block| lower(block))).pattern, expected);
}

#[test]
fn a_regular_pattern_points_at_the_sensing_module() {
    let every = |period, first| Some(Pattern::EveryNth { period, first });
    check_pattern(|block| if block % 2 == 0 { 0.2 } else { -0.2 }, every(2, 0));
    check_pattern(|block| if block % 4 == 1 { 0.3 } else { 0.0 }, every(4, 1));
    check_pattern(|block| if block % 3 == 2 { -0.3 } else { 0.0 }, every(3, 2));
    let wire = |block| [(6, 0.4), (7, -0.4)].iter().find(|(own, _)| *own == block).map_or(0.0, |(_, volts)| *volts);
    check_pattern(wire, Some(Pattern::Mirrored { low: 6, high: 7 }));
    check_pattern(|block| if block == 3 { 14.4 } else { 0.0 }, Some(Pattern::Silent { block: 3 }));
    // One weak block, two weak neighbours, and a hot middle of the pack are none.
    check_pattern(|block| if block == 6 { 0.4 } else { 0.0 }, None);
    check_pattern(|block| if block == 6 || block == 7 { 0.4 } else { 0.0 }, None);
    check_pattern(|block| 0.01 * (7 - (block as i64 - 7).abs()) as f64, None);
}

#[test]
fn four_weeks_are_made_one_level() {
    let spread = read(&made(40, 1, falling));
    let path = spread.path();
    assert_eq!(path.len(), 5);
    let days = |at| days_between(spread.levels[0].at, at);
    let months = spread.months();
    assert!(months.iter().any(|month| month.middle[0] < month.middle[1]), "one of an even number of checks");
    assert!(months.iter().all(|month| month.point.t == (days(month.middle[0]) + days(month.middle[1])) / 2.0));
    let rate = Path::of(&path).drift().unwrap();
    assert!((rate - 0.004).abs() < 2e-4, "{rate}");
}

#[test]
fn a_pack_is_forecast_to_its_limit() {
    let spreads: Vec<Spread> = (0..8)
        .map(|pack| {
            read(&made(
                40,
                10 + pack,
                move |day, block| if block == 5 { (0.003 + 0.0003 * pack as f64) * day } else { 0.0 },
            ))
        })
        .collect();
    let paths: Vec<Path> = spreads.iter().map(|spread| Path::of(&spread.path())).collect();
    let fleet = Fleet::fit(&paths, Likelihood::Adjusted);
    for (pack_number, spread) in spreads.iter().enumerate() {
        for fleet in [fleet.as_ref(), None] {
            let BlockWear::Ahead(ahead) = look_ahead(spread, fleet, pack().limits) else { panic!("no forecast") };
            let truth = at(0) + Duration::hours((24.0 / (0.003 + 0.0003 * pack_number as f64)) as i64);
            let [early, middle, late] = [0.1, 0.5, 0.9].map(|p| ahead.by(p).unwrap());
            assert!(early < middle && middle < late);
            assert!(days_between(truth, middle).abs() < 0.2 * days_between(ahead.from, truth), "{truth} {middle}");
            assert!((ahead.chance(middle) - 0.5).abs() < 1e-6);
        }
    }
}

/// One pack of a made fleet: a block that falls behind as a Wiener process, checks every five days for 200 days at any
/// current, 20 mV of noise, one voltage in twenty wild.
fn dirty_pack(draws: &mut Draws) -> (Vec<PackCheck>, usize, f64) {
    let (weak, drift, finer) = ((draws.share() * 14.0) as usize, 0.003 + 0.0008 * draws.normal(), 10);
    let (mut deficit, mut checks, mut step) = (0.05, Vec::new(), 0);
    while deficit < 1.0 && step < 40_000 {
        if step % (5 * finer) == 0 && step <= 200 * finer {
            let amperes = 35.0 + 8.0 * draws.normal();
            let level = 14.6 - 0.02 * amperes + 0.1 * draws.normal();
            let mut volts: Vec<f64> = (0..14).map(|_| level + 0.02 * draws.normal()).collect();
            volts[weak] -= deficit + 0.003 * (amperes - 30.0);
            for volts in &mut volts {
                if draws.share() < 0.05 {
                    *volts = if draws.share() < 0.3 { 0.0 } else { *volts + draws.normal() };
                }
            }
            checks.push(PackCheck {
                current_a: Some(amperes),
                charge_pct: Some(60.0),
                pack_c: Some(30.0),
                ..PackCheck::of(at(i64::from(step / finer) * 24), volts)
            });
        }
        deficit += drift / f64::from(finer) + 0.004 / f64::from(finer).sqrt() * draws.normal();
        step += 1;
    }
    (checks, weak, f64::from(step) / f64::from(finer))
}

#[test]
fn dirty_fleets_are_read_and_forecast() {
    let (mut draws, mut packs, mut named, mut patterns, mut ahead, mut inside) = (Draws(11), 0, 0, 0, 0, 0);
    for _ in 0..15 {
        let fleet: Vec<_> = (0..12).map(|_| dirty_pack(&mut draws)).collect();
        let spreads: Vec<Spread> = fleet.iter().map(|(checks, ..)| read(checks)).collect();
        let paths: Vec<Path> = spreads.iter().map(|spread| Path::of(&spread.path())).collect();
        let pooled = Fleet::fit(&paths, Likelihood::Adjusted);
        for ((checks, weak, end), spread) in fleet.iter().zip(&spreads) {
            packs += 1;
            named += u32::from(spread.weakest.is_some_and(|weakest| weakest.block == *weak));
            patterns += u32::from(spread.pattern.is_some());
            let BlockWear::Ahead(forecast) = look_ahead(spread, pooled.as_ref(), pack().limits) else { continue };
            if checks.len() < 41 {
                continue;
            }
            ahead += 1;
            let end = at((*end * 24.0) as i64);
            let by = |p: f64| forecast.by(p).unwrap_or(DateTime::<Utc>::MAX_UTC);
            inside += u32::from(by(0.1) <= end && end <= by(0.9));
        }
    }
    // Measured: 180 of 180 named, no pattern, 154 of 177 within their 80 % interval, which errs on the wide side because
    // what is left of the measurement's noise counts as the pack's.
    assert!(packs == 180 && named >= 175 && patterns <= 2, "{packs}: {named} named, {patterns} patterns");
    let held = f64::from(inside) / f64::from(ahead);
    assert!(0.75 < held && held < 0.93, "{inside} of {ahead}");
}

#[test]
fn sound_packs_raise_no_alarm() {
    let (mut healthy_patterns, mut sure, mut watch) = (0, 0, 0);
    for seed in 0..300 {
        let found = read(&made(20, 1000 + seed, |_, _| 0.0));
        healthy_patterns += u32::from(found.pattern.is_some());
        sure += u32::from(found.weakest.unwrap().chance > 0.95);
        watch += u32::from(found.weakest.unwrap().since.is_some());
    }
    // Measured: 0, 2 and 0 of 300.
    assert!(healthy_patterns <= 3 && sure <= 15 && watch == 0, "{healthy_patterns} {sure} {watch}");
}

#[test]
fn a_limit_that_was_reached_is_dated_and_too_little_is_unknown() {
    let found = read(&made(100, 6, falling));
    let BlockWear::Reached { at: day } = look_ahead(&found, None, pack().limits) else { panic!("not reached") };
    assert!((days_between(at(0), day) - 250.0).abs() < 7.0, "{day}");
    assert_eq!(look_ahead(&read(&made(4, 6, falling)), None, pack().limits), BlockWear::Unknown);
    assert_eq!(look_ahead(&Spread::default(), None, pack().limits), BlockWear::Unknown);
}

proptest! {
    #[test]
    fn what_moves_all_blocks_alike_drops_out(constant in -3.0..3.0_f64) {
        let checks = made(20, 7, falling);
        let mut moved = checks.clone();
        moved.iter_mut().flat_map(|check| &mut check.block_volts).for_each(|volts| *volts += constant);
        let (one, two) = (read(&checks), read(&moved));
        prop_assert_eq!(one.set_aside, two.set_aside);
        for (one, two) in one.levels.iter().zip(&two.levels) {
            prop_assert!((one.deficit_v - two.deficit_v).abs() < 1e-9);
        }
    }

    #[test]
    fn the_order_of_checks_does_not_matter(checks in Just(made(15, 8, falling)).prop_shuffle()) {
        prop_assert_eq!(read(&checks), read(&made(15, 8, falling)));
    }

    #[test]
    fn garbage_never_panics(
        rows in prop::collection::vec(
            (0_i64..30, prop::collection::vec(prop::num::f64::ANY, 0..4), prop::option::of(prop::num::f64::ANY)), 0..8),
        blocks in 0_u16..4,
    ) {
        let checks: Vec<_> = rows.into_iter().map(|(day, volts, any)| PackCheck {
            current_a: any, charge_pct: Some(60.0), pack_c: Some(30.0), ..PackCheck::of(at(day), volts)
        }).collect();
        let layout = Layout { blocks, ..pack().layout };
        let found = spread(&checks, &PackType { layout, ..pack() }, &SpreadSettings::default());
        let _ = look_ahead(&found, None, pack().limits);
    }

    #[test]
    fn any_volts_within_range_never_panic(
        rows in prop::collection::vec((0_i64..300, prop::collection::vec(0.0..21.0_f64, 14)), 0..12),
    ) {
        let sound = &made(1, 9, falling)[0];
        let checks: Vec<_> = rows.into_iter()
            .map(|(day, block_volts)| PackCheck { at: at(day), block_volts, ..sound.clone() }).collect();
        let _ = look_ahead(&read(&checks), None, pack().limits);
    }
}
