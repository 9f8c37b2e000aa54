//! Counts what stepping the filters through a year allocates. A program of its own, since counting slows every
//! allocation of the program that counts.

use std::alloc::System;
use std::hint::black_box;

use stats_alloc::{INSTRUMENTED_SYSTEM, Region, StatsAlloc};
use ventmile_model::state::{LevelModel, LinearTrend, LocalLevel, TrendModel};
use ventmile_model::usage::{Brought, UsageFilter};

#[global_allocator]
static COUNTED: &StatsAlloc<System> = &INSTRUMENTED_SYSTEM;

const LEVEL: LevelModel = LevelModel { noise: 2_500.0, drift: 50.0 };
const TREND: TrendModel = TrendModel { noise: 2_500.0, level: 50.0, slope: 1.0 };

fn allocations(work: impl FnOnce()) -> usize {
    let region = Region::new(COUNTED);
    work();
    let change = region.change();
    change.allocations + change.reallocations
}

fn main() {
    let year = allocations(|| {
        let (mut usage, mut level, mut trend) = (UsageFilter::default(), LocalLevel::default(), LinearTrend::default());
        for day in 0..365_u32 {
            let miles = f64::from(60 + day * 37 % 101);
            usage.step(&Brought { number: day.into(), amount: miles, driven: true, own: true });
            level = level.after(&LEVEL, 1);
            level.update(&LEVEL, miles);
            trend = trend.after(&TREND, 1);
            trend.update(&TREND, miles);
        }
        black_box((usage.features(), level.state(), trend.state()));
    });
    // A counter that counts nothing would say 0 as well.
    assert_eq!(allocations(|| drop(black_box(Box::new(1)))), 1, "the counter does not count");
    println!("{year}");
}
