//! What the model costs, against Python's libraries and against its own smallest part.

use std::path::Path;
use std::process::Command;
use std::thread;

use serde_json::json;

use crate::Result;
use crate::car::{Car, DAYS, LEVEL, daily_miles, filtered};
use crate::packs;
use crate::python::{Against, Python};
use crate::rounds::{Sizes, by_turns, processor_seconds};
use crate::table::{Row, count, median, ratio, time};

/// Cars whose logs differ; a larger fleet goes through them over and over.
const DIFFERENT_CARS: u64 = 1_000;

pub fn all(python: &Path, sizes: &Sizes) -> Result<Vec<Row>> {
    let cars: Vec<Car> = (0..DIFFERENT_CARS).map(Car::new).collect();
    let mut rows = against_python(python, sizes)?;
    rows.push(one_car(&cars, sizes)?);
    rows.extend(fleets(&cars, sizes)?);
    rows.push(allocations()?);
    rows.extend(packs::fleets(sizes)?);
    let car = cars.first().ok_or("no car")?;
    rows.push(packs::one_pack(car, sizes)?);
    Ok(rows)
}

/// To add a row: a function in `reference.py`, and here its input and ours.
fn against_python(python: &Path, sizes: &Sizes) -> Result<Vec<Row>> {
    let mut python = Python::start(python)?;
    let miles = daily_miles(1);
    let level = Against {
        work: "log-likelihood of 365 daily values, a drifting level",
        call: "local_level",
        called: "statsmodels, `loglike`",
        input: json!({"values": miles, "noise": LEVEL.noise, "drift": LEVEL.drift}),
        tolerance: 1e-9,
        aim: 40,
    };
    let mut rows = vec![python.row(level, sizes, || [filtered(&miles)])?];
    rows.extend(packs::against_python(&mut python, sizes)?);
    Ok(rows)
}

/// The cost of one car's recomputation beside that of the bare filter.
fn one_car(cars: &[Car], sizes: &Sizes) -> Result<Row> {
    eprintln!("measuring one car's recomputation");
    if cars.iter().any(|car| car.recomputed().is_none()) {
        return Err("an invented car has no dates".into());
    }
    let miles = daily_miles(1);
    let mut each = cars.iter().cycle();
    let (ours, reference) = by_turns(sizes, || each.next().map(Car::recomputed), || filtered(&miles));
    Ok(Row {
        work: format!("one car from its logs to its dates: track, duty, usage, due by three meters, {DAYS} days"),
        ours: format!("{} (aim: 100 µs)", time(median(&ours))),
        reference: format!("our filter of the row above: {}", time(median(&reference))),
        ratio: format!("{} times its time (aim: 40 or less)", ratio(&ours, &reference)),
    })
}

/// Recomputes `count` cars by so many threads, the dates of all kept: processor seconds of the thread that takes longest.
fn recompute(cars: &[Car], count: usize, threads: usize) -> Result<f64> {
    thread::scope(|scope| {
        let work = |thread: usize| {
            let share = cars.iter().cycle().skip(thread).step_by(threads).take(count / threads);
            move || {
                let start = processor_seconds();
                let dates: Vec<_> = share.map(Car::recomputed).collect();
                let spent = processor_seconds() - start;
                drop(dates);
                spent
            }
        };
        let running: Vec<_> = (0..threads).map(|thread| scope.spawn(work(thread))).collect();
        let times = running.into_iter().map(|thread| thread.join().map_err(|_| "a thread panicked"));
        Ok(times.collect::<Result<Vec<f64>, _>>()?.into_iter().fold(0.0, f64::max))
    })
}

/// The cost per car of a middle and a large fleet beside that of a small one, and the large one by two threads.
fn fleets(cars: &[Car], sizes: &Sizes) -> Result<Vec<Row>> {
    let [small, middle, large] = sizes.fleets;
    let (mut costs, mut by_two) = ([const { Vec::new() }; 3], Vec::new());
    for round in 0..sizes.rounds {
        eprintln!("measuring whole fleets, round {}", round + 1);
        for (costs, fleet) in costs.iter_mut().zip(sizes.fleets) {
            costs.push(recompute(cars, fleet, 1)? / fleet as f64);
        }
        by_two.push(recompute(cars, large, 2)?);
    }
    let [at_small, at_middle, at_large] = costs;
    let row = |fleet: usize, costs: &[f64]| Row {
        work: format!("the same of a fleet of {}", count(fleet as f64)),
        ours: format!("{} a car", time(median(costs))),
        reference: format!("of {}: {} a car", count(small as f64), time(median(&at_small))),
        ratio: format!("{} times its time (aim: 0.75 to 1.25)", ratio(costs, &at_small)),
    };
    let alone: Vec<f64> = at_large.iter().map(|cost| cost * large as f64).collect();
    let together = Row {
        work: format!("the fleet of {} by two threads", count(large as f64)),
        ours: format!("{} (aim: {})", time(median(&by_two)), time(large as f64 * 1e-4)),
        reference: format!("by one: {}", time(median(&alone))),
        ratio: format!("{} times as fast", ratio(&alone, &by_two)),
    };
    Ok(vec![row(middle, &at_middle), row(large, &at_large), together])
}

fn allocations() -> Result<Row> {
    let program = std::env::current_exe()?.with_file_name("ventmile-bench-allocations");
    let output = Command::new(program).output()?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into_owned().into());
    }
    Ok(Row {
        work: format!("allocations while a car's filters take {DAYS} steps"),
        ours: String::from_utf8(output.stdout)?.trim().to_owned(),
        reference: "–".to_owned(),
        ratio: "aim: 0".to_owned(),
    })
}
