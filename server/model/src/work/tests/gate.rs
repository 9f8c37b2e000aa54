use proptest::prelude::*;

use super::*;

/// An attempt to open the system once the first lock-out is through.
fn opening() -> Entry {
    entry(OPEN, 20, &[])
}

#[track_caller]
fn check(world: &World, attempt: &Entry, expected: &[&str]) {
    let found = world.job().gate(attempt);
    assert_eq!(codes(found.clone().map(drop)), expected, "{found:?}");
}

/// The whole lock-out with one entry changed.
fn changed(number: u32, change: impl FnOnce(&mut Entry)) -> World {
    let mut evidence = lock_out(0);
    change(evidence.iter_mut().find(|entry| entry.step == number).unwrap());
    World::with(evidence)
}

#[test]
fn a_whole_job_passes_every_gate_in_turn() {
    let mut world = World::with(Vec::new());
    for attempt in lock_out(0).into_iter().chain(work(20)) {
        let step = world.procedure.step(attempt.step).unwrap();
        assert_eq!(attempt.check(step), Ok(()));
        assert_eq!(world.job().gate(&attempt), Ok(Passed { late: false, stops: false }), "step {}", attempt.step);
        world.evidence.push(attempt);
    }
}

#[test]
fn each_item_that_is_taken_out_is_named_alone() {
    for (index, role) in LOCK_OUT.into_iter().enumerate() {
        let mut world = World::with(lock_out(0));
        world.evidence.remove(index);
        check(&world, &opening(), &[role.as_str()]);
        let pointer = format!("/steps/{}", index + 1);
        assert_eq!(world.job().gate(&opening()).unwrap_err()[0].pointer, pointer);
    }
}

#[test]
fn nothing_recorded_names_the_lock_out_in_its_order() {
    let all = LOCK_OUT.map(Role::as_str);
    check(&World::with(Vec::new()), &opening(), &all);
    check(&World::with(Vec::new()), &entry(6, 0, &[("kept_by", text("kim"))]), &all[..5]);
    check(&World::with(Vec::new()), &entry(PLUG_IN, 0, &[]), &all[..2]);
    check(&World::with(Vec::new()), &entry(14, 0, &[]), &[]);
}

#[test]
fn each_item_is_looked_at_closely() {
    check(&changed(1, |it| it.with.clear()), &opening(), &[]);
    check(&changed(1, |it| it.by = "lee".into()), &opening(), &["person", "key-out", "plug-out"]);
    check(&changed(2, |it| drop(it.records.insert("air_test".into(), text("failed")))), &opening(), &["gloves"]);
    check(&changed(2, |it| it.gear.clear()), &opening(), &["gloves"]);
    check(&changed(2, |it| it.gear = vec!["M-1".into()]), &opening(), &["gloves"]);
    check(&changed(2, |it| it.gear.push("G-9".into())), &opening(), &["gloves"]);
    check(&changed(3, |it| it.gear = vec!["G-1".into()]), &opening(), &["meter"]);
    check(&changed(4, |it| drop(it.records.insert("kept_by".into(), text("ann")))), &opening(), &["key-out"]);
    check(&changed(6, |it| it.records.clear()), &opening(), &["plug-out"]);
    check(&changed(7, |it| it.at = minute(15) - TimeDelta::microseconds(1)), &opening(), &["wait"]);
    check(&changed(7, |it| it.done_at = minute(14)), &opening(), &["wait"]);
    check(&changed(8, |it| drop(it.records.remove("to_ground_v"))), &opening(), &["measure"]);
    check(
        &changed(8, |it| drop(it.records.insert("proved_after".into(), text("not-proved")))),
        &opening(),
        &["measure"],
    );
}

#[test]
fn gear_and_people_are_looked_at_on_the_day() {
    let mut world = World::with(lock_out(0));
    world.gear[0].tests[0].on = day("2025-08-01");
    check(&world, &opening(), &["gloves"]);
    world.settings.gear.strict = false;
    check(&world, &opening(), &[]);
    world.gear[2].what = GearType::Meter { meter: Rating::NEEDED, leads: Rating { category: 2, volts: 1000 } };
    check(&world, &opening(), &["meter"]);
    world = World::with(lock_out(0));
    world.technicians[0].certificates[0].expires_on = day("2026-03-01");
    check(&world, &opening(), &["person"]);
    world.technicians[0].certificates[0].expires_on = day("2026-03-02");
    check(&world, &opening(), &[]);
    check(&world, &Entry { by: "ann".into(), ..opening() }, &["person"]);
    check(&world, &Entry { by: " ".into(), ..opening() }, &["people", "person"]);
    check(&world, &Entry { gear: vec!["G-9".into()], ..opening() }, &["gear"]);
}

#[test]
fn a_lift_needs_two_qualified_people_or_an_aid() {
    let world = World::with(lock_out(0));
    let with = |name: &str| Entry { with: vec![name.into()], ..entry(LIFT, 20, &[]) };
    check(&world, &with("lee"), &[]);
    check(&world, &with("kim"), &["people"]);
    check(&world, &with("ann"), &["person"]);
    check(&world, &entry(LIFT, 20, &[]), &["people"]);
    check(&world, &entry(LIFT, 20, &[("lifting_aid", text("hoist 2"))]), &[]);
    check(&world, &entry(LIFT, 20, &[("lifting_aid", text(" "))]), &["people"]);
    let one_pair = changed(2, |it| it.gear.truncate(1));
    check(&one_pair, &with("lee"), &["gloves"]);
    check(&one_pair, &opening(), &[]);
}

#[test]
fn a_high_reading_is_recorded_and_stops_the_order() {
    let mut world = World::with(lock_out(0));
    let mut high = world.evidence.pop().unwrap();
    high.records.insert("to_ground_v".into(), Value::Number(-30.0));
    assert_eq!(world.job().gate(&high), Ok(Passed { late: false, stops: true }));
    world.evidence.push(high);
    let mut all = vec!["stopped"];
    all.extend(LOCK_OUT.map(Role::as_str));
    check(&world, &opening(), &all);
    check(&world, &entry(14, 20, &[]), &["stopped"]);
    // Measuring once more is not enough: the lock-out is taken from its beginning.
    let again = Entry { at: minute(17), done_at: minute(17), ..lock_out(0).pop().unwrap() };
    check(&world, &again, &["person", "gloves", "meter", "key-out", "ground-off", "plug-out", "wait"]);
    world.evidence.extend(lock_out(30));
    assert_eq!(world.job().stopped(minute(50)), None);
    check(&world, &entry(OPEN, 50, &[]), &[]);
    assert!(world.job().stopped(minute(40)).is_some());
}

#[test]
fn the_limit_is_the_models() {
    let mut world = changed(8, |it| drop(it.records.insert("across_v".into(), Value::Number(30.0))));
    assert!(world.job().gate(&opening()).is_err());
    world.settings.residual_limit = ResidualLimit::new(30.1).unwrap();
    check(&world, &opening(), &[]);
    // 29 CFR 1910.333 begins at 50 V.
    for wrong in [50.0, 0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert_eq!(ResidualLimit::new(wrong), None);
    }
}

#[test]
fn a_live_system_another_day_and_another_spell_begin_anew() {
    let all = LOCK_OUT.map(Role::as_str);
    let mut world = World::with(lock_out(0));
    world.evidence.push(entry(PLUG_IN, 18, &[("latch", text("seated"))]));
    check(&world, &opening(), &all);
    let day_later = World::with(lock_out(0));
    // 2026-03-03 00:00 in New York is 05:00 UTC, sixteen hours after the job's eight in the morning.
    check(&day_later, &entry(OPEN, 16 * 60 - 1, &[]), &[]);
    check(&day_later, &entry(OPEN, 16 * 60, &[]), &all);
    let mut resumed = World::with(lock_out(0));
    resumed.counts_from = Some(minute(0));
    check(&resumed, &opening(), &[]);
    resumed.counts_from = Some(minute(17));
    check(&resumed, &opening(), &all);
}

#[test]
fn an_item_recorded_again_calls_for_those_after_it() {
    let mut world = World::with(lock_out(0));
    world.evidence.push(Entry { at: minute(17), done_at: minute(17), ..lock_out(0)[6].clone() });
    check(&world, &opening(), &["measure"]);
    let entered_late = changed(3, |it| it.at = minute(10));
    check(&entered_late, &opening(), &["key-out", "ground-off", "plug-out"]);
    let told_earlier = changed(8, |it| it.done_at = minute(14));
    check(&told_earlier, &opening(), &["measure"]);
}

#[test]
fn lesser_items_may_be_overridden_for_this_lock_out() {
    for (index, role) in LOCK_OUT.into_iter().enumerate() {
        let mut world = World::with(lock_out(0)).overriding(role.as_str(), 3);
        world.evidence.remove(index);
        let stays = matches!(role, Role::Person | Role::Measure);
        let expected = if stays { vec![role.as_str()] } else { vec![] };
        check(&world, &opening(), &expected);
        world.evidence.push(entry(PLUG_IN, 18, &[]));
        world.evidence.extend(lock_out(30));
        world.evidence.retain(|entry| entry.step as usize != index + 1 || entry.at < minute(30));
        check(&world, &entry(OPEN, 50, &[]), &[role.as_str()]);
    }
    for item in ["stopped", "isolation", "person", "measure"] {
        assert!(!Item::parse(item).unwrap().overridable());
    }
    assert_eq!((Item::parse("step-7"), Item::parse("lunch")), (Some(Item::Step(7)), None));
}

#[test]
fn an_isolation_fault_needs_its_own_certificate() {
    let mut world = World::with(lock_out(0)).overriding("wait", 3);
    world.overrides[0].item = Item::Isolation;
    world.isolation_fault = true;
    check(&world, &opening(), &["isolation"]);
    check(&world, &entry(14, 20, &[]), &["isolation"]);
    world.technicians[0] = technician("kim", &["high-voltage", "isolation-fault"]);
    check(&world, &opening(), &[]);
}

#[test]
fn steps_away_from_the_system_ask_for_their_own_needs() {
    let mut world = World::with(Vec::new());
    let needs =
        Needs { gear: vec![GearKind::Meter], people: 2, certificate: Some("cooling".into()), tools: Vec::new() };
    world.procedure.steps[13].needs = needs;
    check(&world, &entry(14, 0, &[]), &["person", "gear", "people"]);
    world.technicians[0] = technician("kim", &["cooling"]);
    world.technicians[1] = technician("lee", &["cooling"]);
    check(&world, &Entry { with: vec!["lee".into()], gear: vec!["M-1".into()], ..entry(14, 0, &[]) }, &[]);
    let unknown = world.job().gate(&entry(99, 0, &[])).unwrap_err();
    assert_eq!((unknown[0].item, unknown[0].pointer.as_str()), (Item::Step(99), "/step"));
}

#[test]
fn a_late_entry_is_marked() {
    let world = World::with(lock_out(0));
    let told = |minutes| Entry { done_at: minute(minutes), ..entry(14, 60, &[]) };
    assert_eq!(world.job().gate(&told(45)), Ok(Passed { late: false, stops: false }));
    assert_eq!(world.job().gate(&told(44)), Ok(Passed { late: true, stops: false }));
}

#[test]
fn an_entry_has_the_shape_its_step_asks_for() {
    #[track_caller]
    fn check(entry: &Entry, expected: &[&str]) {
        let procedure = replacement();
        let faults = entry.check(procedure.step(entry.step).unwrap()).err().unwrap_or_default();
        let pointers: Vec<_> = faults.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(pointers, expected);
    }
    check(&entry(2, 0, &[("air_test", text("failed"))]), &[]);
    check(&entry(2, 0, &[("air_test", text("fine"))]), &["/records/air_test"]);
    check(&entry(2, 0, &[]), &["/records/air_test"]);
    check(&entry(11, 0, &[("speed", Value::Number(10_000.1))]), &["/records/speed"]);
    check(&entry(11, 0, &[("speed", text("fast"))]), &["/records/speed"]);
    check(&entry(11, 0, &[("speed", Value::Number(9.0)), ("sped", text("x"))]), &["/records/sped"]);
    let ahead = Entry { done_at: minute(6), by: String::new(), ..entry(1, 0, &[]) };
    check(&ahead, &["/by", "/done_at"]);
    let measured = |volts| Entry { records: lock_out(0)[7].records.clone(), ..entry(8, 0, &[("across_v", volts)]) };
    check(&measured(Value::Number(0.0)), &[]);
    let high = Entry { records: BTreeMap::from([("across_v".into(), Value::Number(400.0))]), ..entry(8, 0, &[]) };
    check(&high, &["/records/proved_before", "/records/to_ground_v", "/records/proved_after"]);
}

proptest! {
    /// Whatever else is recorded: with the latest reading at or over the limit nothing opens.
    #[test]
    fn no_gate_passes_on_a_high_reading(
        volts in prop_oneof![30.0..1500.0, -1500.0..=-30.0, Just(f64::NAN)],
        point in prop_oneof![Just("across_v"), Just("to_ground_v")],
        overridden in proptest::sample::subsequence(
            vec!["person", "gloves", "meter", "key-out", "ground-off", "plug-out", "wait", "measure", "stopped", "isolation"], 0..10),
        repeat: bool, number in 9_u32..14,
    ) {
        let mut world = World::with(if repeat { lock_out(-100) } else { Vec::new() });
        world.evidence.extend(lock_out(0));
        world.evidence.last_mut().unwrap().records.insert(point.into(), Value::Number(volts));
        for item in overridden {
            world = world.overriding(item, 18);
        }
        let attempt = Entry { with: vec!["lee".into()], ..entry(number, 20, &[("latch", text("seated"))]) };
        let missing = world.missing(&attempt);
        prop_assert!(missing.contains(&"stopped".to_owned()), "{missing:?}");
    }

    /// Any order of the eight but the right one is refused.
    #[test]
    fn the_lock_out_has_one_order(order in Just((0..8_usize).collect::<Vec<_>>()).prop_shuffle()) {
        let right = order.is_sorted();
        let evidence = lock_out(0).into_iter().zip(order).map(|(it, place)| {
            let at = minute(20 * i64::try_from(place).unwrap());
            Entry { at, done_at: at, ..it }
        });
        let world = World::with(evidence.collect());
        prop_assert_eq!(world.job().gate(&entry(OPEN, 200, &[])).is_ok(), right);
    }

    /// Of a whole lock-out without some of its items exactly those are missing.
    #[test]
    fn exactly_what_is_left_out_is_missing(left_out in proptest::sample::subsequence(LOCK_OUT.to_vec(), 0..=8)) {
        let mut world = World::with(lock_out(0));
        world.evidence.retain(|entry| !left_out.iter().any(|role| role.lock_place() == Some(entry.step as usize - 1)));
        let expected: Vec<_> = left_out.iter().map(|role| role.as_str().to_owned()).collect();
        prop_assert_eq!(world.missing(&opening()), expected);
    }
}
