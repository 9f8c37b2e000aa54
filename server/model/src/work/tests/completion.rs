use super::*;
use crate::fleet::Outcome;

fn done() -> World {
    World::with(lock_out(0).into_iter().chain(work(20)).collect())
}

#[track_caller]
fn check(world: &World, outcome: Outcome, expected: &[&str]) {
    let found = world.job().completion(outcome, minute(60));
    assert_eq!(codes(found.clone()), expected, "{found:?}");
}

fn without(number: u32) -> World {
    let mut world = done();
    world.evidence.retain(|entry| entry.step != number);
    world
}

#[test]
fn each_step_that_is_left_out_is_named_alone() {
    check(&done(), Outcome::Serviced, &[]);
    let names = [
        "person",
        "gloves",
        "meter",
        "key-out",
        "ground-off",
        "plug-out",
        "wait",
        "measure",
        "step-9",
        "people",
        "step-11",
        "step-12",
        "latch",
        "codes",
    ];
    for (number, name) in (1..).zip(names) {
        check(&without(number), Outcome::Serviced, &[name]);
    }
}

#[test]
fn what_did_not_pass_does_not_count() {
    let set = |number: u32, name: &str, word: &str| {
        let mut world = done();
        let entry = world.evidence.iter_mut().find(|entry| entry.step == number).unwrap();
        entry.records.insert(name.into(), text(word));
        world
    };
    check(&set(PLUG_IN, "latch", "not-seated"), Outcome::Serviced, &["latch"]);
    check(&set(12, "torque", "open"), Outcome::Serviced, &["step-12"]);
    check(&set(14, "codes", " "), Outcome::Serviced, &["codes"]);
    let mut alone = done();
    alone.evidence.iter_mut().for_each(|entry| entry.with.clear());
    check(&alone, Outcome::Serviced, &["people"]);
}

#[test]
fn latch_and_codes_come_after_the_last_opening() {
    let mut world = done();
    world.evidence.extend(lock_out(30));
    world.evidence.push(entry(12, 50, &[("torque", text("done"))]));
    check(&world, Outcome::Serviced, &["latch", "codes"]);
    world.evidence.push(entry(14, 51, &[("codes", text("none"))]));
    check(&world, Outcome::Serviced, &["latch"]);
    world.evidence.push(entry(PLUG_IN, 52, &[("latch", text("seated"))]));
    check(&world, Outcome::Serviced, &["codes"]);
}

#[test]
fn work_given_up_still_closes_the_system() {
    check(&World::with(Vec::new()), Outcome::NotDone, &[]);
    check(&World::with(lock_out(0)[..5].to_vec()), Outcome::NotDone, &[]);
    check(&World::with(lock_out(0)), Outcome::NotDone, &["latch", "codes"]);
    check(&World::with(lock_out(0)), Outcome::Partly, &["latch", "codes"]);
}

#[test]
fn overrides_given_since_the_last_opening_count() {
    check(&without(PLUG_IN).overriding("latch", 26), Outcome::Serviced, &[]);
    check(&without(PLUG_IN).overriding("latch", 22), Outcome::Serviced, &["latch"]);
    check(&without(7).overriding("wait", 14), Outcome::Serviced, &[]);
    check(&without(8).overriding("measure", 26), Outcome::Serviced, &["measure"]);
    check(&without(14).overriding("codes", 61), Outcome::Serviced, &["codes"]);
}

#[test]
fn a_stopped_order_is_not_serviced() {
    let mut world = World::with(lock_out(0));
    world.evidence[7].records.insert("across_v".into(), Value::Number(201.6));
    world.evidence.extend(work(20));
    check(&world, Outcome::Serviced, &["stopped"]);
    check(&world, Outcome::NotDone, &[]);
}
