use super::*;

fn now() -> DateTime<Utc> {
    DateTime::from_timestamp(1_760_000_000, 0).unwrap()
}

fn accept(by: &str) -> Act {
    Act::Accept { by: by.into(), lease: None }
}

fn leased(by: &str, minutes: i64) -> Act {
    Act::Accept { by: by.into(), lease: Some(TimeDelta::minutes(minutes)) }
}

fn later(minutes: i64) -> DateTime<Utc> {
    now() + TimeDelta::minutes(minutes)
}

fn begun() -> Order {
    Order::queued().after(Act::Start { by: Some("kim".into()) }, now()).unwrap()
}

fn serviced() -> Act {
    Act::Complete(Completion {
        outcome: Outcome::Serviced,
        at: now(),
        odometer: Some(Metres(1)),
        by: "kim".into(),
        note: None,
    })
}

#[test]
fn an_order_lives_from_the_queue_to_its_outcome_and_back() {
    let order = Order::queued().after(accept("kim"), now()).unwrap();
    let order = order.after(Act::Start { by: None }, now()).unwrap();
    assert_eq!(order.status, Status::InProcess);
    let order = order.after(serviced(), now()).unwrap();
    assert_eq!(order.status, Status::Completed);
    let order = order.after(Act::Reopen { reason: "wrong car".into() }, now()).unwrap();
    assert_eq!((order.status, order.assigned_to, order.completion), (Status::NeedsAction, None, None));
}

#[test]
fn acts_out_of_turn_are_refused() {
    let done = Order::queued().after(serviced(), now()).unwrap();
    assert!(matches!(done.after(serviced(), now()), Err(Refusal::Status { status: Status::Completed, .. })));
    let queued = Order::queued();
    assert_eq!(queued.after(Act::Start { by: None }, now()), Err(Refusal::Nobody));
    assert!(matches!(
        queued.after(Act::Reopen { reason: String::new() }, now()),
        Err(Refusal::Status { act: "reopen", .. })
    ));
}

#[test]
fn another_persons_order_stays_theirs() {
    let order = Order::queued().after(accept("kim"), now()).unwrap();
    let refusal = order.after(accept("lee"), now());
    assert_eq!(refusal, Err(Refusal::Taken { by: "kim".into() }));
    assert!(order.after(accept("kim"), now()).is_ok());
}

#[test]
fn a_service_needs_an_odometer() {
    let act = Act::Complete(Completion {
        outcome: Outcome::Serviced,
        at: now(),
        odometer: None,
        by: "kim".into(),
        note: None,
    });
    assert_eq!(Order::queued().after(act, now()), Err(Refusal::NoOdometer));
}

#[test]
fn a_lease_that_runs_out_returns_the_order_to_the_queue() {
    let order = Order::queued().after(leased("kim", 30), now()).unwrap();
    assert_eq!(order.after(accept("lee"), later(29)), Err(Refusal::Taken { by: "kim".into() }));
    assert_eq!(order.settled(later(30)).assigned_to, None);
    let order_of_lee = order.after(accept("lee"), later(30)).unwrap();
    assert_eq!((order_of_lee.assigned_to.as_deref(), order_of_lee.lease_until), (Some("lee"), None));
    assert_eq!(order.after(Act::Start { by: None }, later(30)), Err(Refusal::Nobody));
    let renewed = order.after(leased("kim", 30), later(20)).unwrap();
    assert_eq!(renewed.settled(later(49)).assigned_to.as_deref(), Some("kim"));
    let started = order.after(Act::Start { by: None }, later(1)).unwrap();
    assert_eq!(started.settled(later(9_999)).assigned_to.as_deref(), Some("kim"));
}

#[test]
fn a_declined_order_is_free_and_remembers_who_said_no() {
    let decline = |by: &str| Act::Decline { by: by.into(), reason: "off sick".into() };
    let order = Order::queued().after(accept("kim"), now()).unwrap();
    assert_eq!(order.after(decline("lee"), now()), Err(Refusal::Taken { by: "kim".into() }));
    let order = order.after(decline("kim"), now()).unwrap().after(decline("lee"), now()).unwrap();
    assert_eq!((order.assigned_to.as_deref(), order.declined.len()), (None, 2));
    let order = order.after(accept("lee"), now()).unwrap();
    let answers = ["kim", "lee", "ann"].map(|person| order.partstat(person).as_str());
    assert_eq!(answers, ["declined", "accepted", "needs-action"]);
    assert!(begun().after(decline("kim"), now()).is_err());
}

#[test]
fn evidence_counts_from_the_start_the_hand_over_and_the_resumption() {
    let hand_over = |by: &str, to: &str| Act::HandOver { by: by.into(), to: to.into() };
    let pause = |by: &str| Act::Pause { by: by.into(), reason: "no part".into() };
    let resume = |by: &str| Act::Resume { by: by.into() };
    let order = begun();
    assert_eq!(order.counts_from, Some(now()));
    let order = order.after(hand_over("kim", "lee"), later(5)).unwrap();
    assert_eq!((order.assigned_to.as_deref(), order.counts_from), (Some("lee"), Some(later(5))));
    assert_eq!(order.after(hand_over("kim", "ann"), later(6)), Err(Refusal::Taken { by: "lee".into() }));
    assert_eq!(order.after(hand_over("lee", "lee"), later(6)), Err(Refusal::ToSelf));
    assert_eq!(order.after(resume("lee"), later(6)), Err(Refusal::NotPaused));
    assert_eq!(order.may_record(), Ok(()));
    let resting = order.after(pause("lee"), later(7)).unwrap();
    let rests = Refusal::Paused { reason: "no part".into() };
    assert_eq!(resting.may_record(), Err(rests.clone()));
    assert_eq!(resting.after(pause("lee"), later(8)), Err(rests.clone()));
    assert_eq!(resting.after(serviced(), later(8)), Err(rests));
    assert_eq!(resting.after(resume("kim"), later(8)), Err(Refusal::Taken { by: "lee".into() }));
    let order = resting.after(resume("lee"), later(8)).unwrap();
    assert_eq!((&order.paused, order.counts_from), (&None, Some(later(8))));
    let waiting = Order::queued().after(accept("kim"), now()).unwrap();
    assert!(matches!(waiting.may_record(), Err(Refusal::Status { act: "step", .. })));
    assert_eq!(waiting.after(hand_over("kim", "lee"), later(1)).unwrap().counts_from, None);
    assert_eq!(Order::queued().after(hand_over("kim", "lee"), now()), Err(Refusal::Nobody));
}

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn slot(on: &str, start: &str, minutes: u32) -> Plan {
    Plan {
        on: day(on),
        start: start.parse().unwrap(),
        minutes,
        bay: 2,
        technicians: vec!["kim".into()],
        gear: Vec::new(),
    }
}

#[test]
fn plans_that_touch_do_not_overlap() {
    let morning = slot("2026-03-02", "08:00", 120);
    for (on, start, minutes, expected) in [
        ("2026-03-02", "10:00", 60, false),
        ("2026-03-02", "09:59", 60, true),
        ("2026-03-02", "07:00", 60, false),
        ("2026-03-02", "07:00", 61, true),
        ("2026-03-02", "08:30", 10, true),
        ("2026-03-03", "08:00", 120, false),
    ] {
        assert_eq!(morning.overlaps(&slot(on, start, minutes)), expected, "{on} {start} {minutes}");
        assert_eq!(slot(on, start, minutes).overlaps(&morning), expected);
    }
}

#[test]
fn a_missed_day_is_kept_and_planned_anew() {
    let missed = |today: &str| Act::Missed { today: day(today), reason: "car did not come".into() };
    let plan = |on: &str| Act::Plan(slot(on, "09:00", 60));
    assert_eq!(Order::queued().after(missed("2026-03-02"), now()), Err(Refusal::NoPlan));
    let order = Order::queued().after(plan("2026-03-02"), now()).unwrap();
    assert_eq!(order.after(missed("2026-03-01"), now()), Err(Refusal::NotYet { on: day("2026-03-02") }));
    assert_eq!(order.partstat("kim"), Partstat::NeedsAction);
    let order = order.after(missed("2026-03-02"), now()).unwrap().after(plan("2026-03-09"), now()).unwrap();
    assert_eq!((order.plan.map(|plan| plan.on), order.missed.len()), (Some(day("2026-03-09")), 1));
    assert!(begun().after(missed("2026-03-02"), now()).is_err());
}

#[test]
fn a_closed_order_keeps_no_lease_pause_or_plan() {
    let resting = begun().after(Act::Pause { by: "kim".into(), reason: "lunch".into() }, now()).unwrap();
    let cancelled = resting.after(Act::Cancel { reason: "sold".into() }, now()).unwrap();
    assert_eq!((cancelled.paused.clone(), cancelled.status), (None, Status::Cancelled));
    let reopened = cancelled.after(Act::Reopen { reason: "not sold".into() }, now()).unwrap();
    assert_eq!((reopened.status, reopened.counts_from), (Status::NeedsAction, None));
}

proptest::proptest! {
    /// Against a plain account of who holds until when: two takers never hold the order at once.
    #[test]
    fn at_most_one_taker_holds(
        takes in proptest::collection::vec((0_usize..4, 0_i64..20, proptest::option::of(1_i64..30)), 1..60)
    ) {
        let names = ["kim", "lee", "ann", "max"];
        let mut order = Order::queued();
        let mut held: Option<(usize, i64)> = None;
        let mut clock = 0;
        for (taker, wait, lease) in takes {
            clock += wait;
            let free = held.is_none_or(|(holder, until)| until <= clock || holder == taker);
            let act = Act::Accept { by: names[taker].into(), lease: lease.map(TimeDelta::minutes) };
            let after = order.after(act, later(clock));
            proptest::prop_assert_eq!(after.is_ok(), free);
            if let Ok(next) = after {
                order = next;
                held = Some((taker, lease.map_or(i64::MAX, |lease| clock + lease)));
            }
            let holder = held.map(|(holder, _)| names[holder]);
            let settled = order.settled(later(clock));
            proptest::prop_assert_eq!(settled.assigned_to.as_deref(), holder);
        }
    }
}
