//! What a car is told for days to come: other shifts, a move to another depot.

use chrono::{NaiveDate, TimeDelta};
use serde_json::{Value, json};
use ventmile::app::keys::Scope;

use crate::common::{
    Client, Engine, TestApp, car, fault, forecast, instant, item, ordinary_car, post, serviced, two_depots,
};

/// A car of 150 mi a day, read every day, serviced on 10 February at 35,750 mi, at 41,000 mi on 17 March.
async fn fleet(engine: Engine) -> (TestApp, Client) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    let wider = json!({"ordinary": {"distance": {"early": 25_000, "late": 30_000}}});
    manager.patch("/v1/service-rules/fan-service").if_match("*").json(&wider).send().await.expect(200);
    ordinary_car(&manager, "7", "NORTH").await;
    app.settle().await;
    (app, manager)
}

const PLANS: &str = "/v1/vehicles/7/plans";

async fn tell(client: &Client, plan: Value) -> Value {
    client.send(PLANS, plan).await.expect(201)
}

async fn withdraw(client: &Client, plan: &Value) -> Value {
    let path = format!("{PLANS}/{}/withdraw", plan["id"]);
    client.post(&path).once().if_match(&format!("\"{}\"", plan["version"])).send().await.expect(200)
}

fn median(answer: &Value, edge: &str) -> NaiveDate {
    answer["due"][edge]["p50"].as_str().unwrap_or_else(|| panic!("{answer}")).parse().unwrap()
}

/// A reading at noon in New York of each day after 17 March, `per_day` miles each.
async fn drive(app: &TestApp, client: &Client, days: std::ops::RangeInclusive<i64>, per_day: f64) {
    for day in days {
        app.pass(TimeDelta::days(1));
        let at = instant("2026-03-17T17:00:00Z") + TimeDelta::days(day);
        let odometer = 41_000.0 + per_day * day as f64;
        let row = json!({"unit": "7", "at": at, "odometer": odometer, "distance_unit": "mi", "source": "telematics"});
        post(client, "odometer-readings", json!([row])).await;
    }
}

async fn told_shifts_count_from_their_day_on(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    let before = forecast(&manager, "7").await;
    // 150 mi a day on all days, 210 on each of the five driven ones. Told: seven driven days of 300 mi from 17 April on.
    let told = json!({"from": "2026-04-17", "shifts": {"days_per_week": 7, "hours_per_day": 8, "rear_share": 0.1,
        "distance_per_day": 300}, "note": "airport contract"});
    let plan = tell(&manager, told).await;
    assert_eq!((&plan["told_by"].is_string(), &plan["shifts"]["distance_per_day"]), (&true, &json!(300.0)));
    app.settle().await;
    let found = forecast(&manager, "7").await;
    assert_eq!((&found["grade"], &found["usage"]), (&before["grade"], &before["usage"]), "today nothing has changed");
    let ahead = &found["ahead"][0];
    assert_eq!(
        (&ahead["from"], &ahead["grade"], &ahead["distance_per_day"]),
        (&json!("2026-04-17"), &json!("hard"), &json!(300.0))
    );
    assert_eq!(ahead["window"]["distance"], json!({"early": 20_000.0, "late": 25_000.0}));
    // 5,250 mi are behind it; 30 days at about 150 bring 4,500 up to 16 April; to the hard early edge 10,250 are left: 35 days
    // at 300, on 20 May.
    let early = median(&found, "early");
    assert!((early - "2026-05-20".parse::<NaiveDate>().unwrap()).num_days().abs() <= 1, "{early}");
    let sentence = found["sentence"].as_str().unwrap();
    assert!(sentence.contains("from 2026-04-17 on 300 mi a day as the shifts told from then on bring"), "{sentence}");
    assert!(sentence.contains("30 days at 150 mi a day, then 35 days at 300 mi a day"), "{sentence}");
    assert!(found["notes"].to_string().contains("told: from 2026-04-17 it is driven on 7 days a week"), "{found}");
    // The list knows it too, and `what-if` starts from it.
    assert_eq!(median(&item(&manager, "7").await, "early"), early);
    let asked = manager.post("/v1/vehicles/7/what-if").json(&json!({})).send().await.expect(200);
    assert_eq!((median(&asked["as_it_stands"], "early"), median(&asked["would_be"], "early")), (early, early));
    let week_off = json!({"off_road": [{"from": "2026-05-01", "to": "2026-05-07"}]});
    let asked = manager.post("/v1/vehicles/7/what-if").json(&week_off).send().await.expect(200);
    assert_eq!(asked["moved_days"], json!({"early": 7, "late": 7}));
    // Taken back, all is as before.
    let taken = withdraw(&manager, &plan).await;
    assert_eq!((&taken["version"], taken["withdrawn_at"].is_string()), (&json!(2), true));
    app.settle().await;
    assert_eq!(forecast(&manager, "7").await["due"], before["due"]);
    let listed = manager.get(PLANS).await.expect(200);
    assert_eq!(listed["items"], json!([taken]));
}

async fn shifts_with_an_end_give_way_to_what_was_before(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    let before = median(&forecast(&manager, "7").await, "late");
    // Ten days on which it is not driven at all.
    tell(
        &manager,
        json!({"from": "2026-04-01", "to": "2026-04-10", "shifts": {"days_per_week": 0, "distance_per_day": 0}}),
    )
    .await;
    app.settle().await;
    let found = forecast(&manager, "7").await;
    assert_eq!(median(&found, "late"), before + TimeDelta::days(10));
    let ahead: Vec<&str> = found["ahead"].as_array().unwrap().iter().filter_map(|one| one["from"].as_str()).collect();
    assert_eq!(ahead, ["2026-04-01", "2026-04-11"]);
}

async fn once_its_day_has_come_a_plan_is_a_change(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    let distance = json!({"from": "2026-03-20", "shifts": {"days_per_week": 7, "distance_per_day": 300, "hours_per_day": 8, "rear_share": 0.1}});
    tell(&manager, distance).await;
    let promised = median(&forecast(&manager, "7").await, "late");
    drive(&app, &manager, 1..=2, 150.0).await;
    app.settle().await;
    // The day has come and nothing is read of it yet: the told rate, the dates as promised.
    app.pass(TimeDelta::days(1));
    app.settle().await;
    let found = forecast(&manager, "7").await;
    assert_eq!(
        (&found["usage"]["basis"], &found["usage"]["distance_per_day"]),
        (&json!("told"), &json!(300.0)),
        "{found}"
    );
    assert!((median(&found, "late") - promised).num_days().abs() <= 1, "{found}");
    // After twelve days of the old pace in spite of it, it is between the two.
    app.pass(TimeDelta::days(-1));
    drive(&app, &manager, 3..=14, 150.0).await;
    app.settle().await;
    let found = forecast(&manager, "7").await;
    let rate = found["usage"]["distance_per_day"].as_f64().unwrap();
    assert!((160.0..290.0).contains(&rate) && found["usage"]["basis"] == "told", "{found}");
    assert_eq!(found["ahead"], json!([]));
}

async fn a_move_told_ahead_takes_effect_on_its_day(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    let (north, west) = (app.client(&[Scope::Read], &["NORTH"]).await, app.client(&[Scope::Read], &["WEST"]).await);
    let rule = json!({"code": "west", "kind": "fan-service", "depot": "WEST", "distance_unit": "mi",
        "hard": {"distance": {"early": 8_000, "late": 9_000}}});
    manager.send("/v1/service-rules", rule).await.expect(201);
    let body = json!({"depot": "WEST", "on": "2026-03-21"});
    let plan = manager.post("/v1/vehicles/7/move").once().if_match("*").json(&body).send().await.expect(202);
    assert_eq!((&plan["depot"], &plan["from"], &plan["shifts"]), (&json!("WEST"), &json!("2026-03-21"), &json!(null)));
    app.settle().await;
    // The register shows where it is, the forecast knows where it will be: WEST's window ends 9,000 mi after the service.
    assert_eq!(manager.get("/v1/vehicles/7").await.expect(200)["depot"], "NORTH");
    west.get("/v1/vehicles/7").await.problem(404);
    let found = forecast(&manager, "7").await;
    assert_eq!((&found["rule"]["code"], &found["depot"]), (&json!("fan-service"), &json!("NORTH")));
    assert_eq!(found["ahead"][0]["window"]["distance"], json!({"early": 8_000.0, "late": 9_000.0}));
    assert!(median(&found, "late") < "2026-04-15".parse().unwrap(), "{found}");
    let sentence = found["sentence"].as_str().unwrap();
    assert!(sentence.contains("by its days before its move to WEST and that depot's cars"), "{sentence}");
    assert!(found["notes"].to_string().contains("told: it moves to WEST on 2026-03-21"), "{found}");
    // Noon in New York on the 18th; on the 20th, and at 23:30 of it in Winnipeg, it is not there yet.
    app.clock.set(instant("2026-03-21T04:30:00Z"));
    app.settle().await;
    assert_eq!(manager.get("/v1/vehicles/7").await.expect(200)["depot"], "NORTH");
    app.clock.set(instant("2026-03-21T05:00:30Z"));
    app.settle().await;
    let moved = manager.get("/v1/vehicles/7").await.expect(200);
    assert_eq!(moved["depot"], "WEST");
    west.get("/v1/vehicles/7").await.expect(200);
    north.get("/v1/vehicles/7").await.problem(404);
    assert_eq!(forecast(&manager, "7").await["rule"]["code"], "west");
    let listed = manager.get(PLANS).await.expect(200)["items"][0].clone();
    assert!(listed["moved_at"].is_string(), "{listed}");
    let path = format!("{PLANS}/{}/withdraw", plan["id"]);
    manager.post(&path).once().if_match("*").send().await.problem(409);
    // Once is enough.
    app.settle().await;
    let journal = manager.get("/v1/journal?limit=200").await.expect(200);
    let moves = journal["items"].as_array().unwrap().iter().filter(|line| line["action"] == "vehicle move").count();
    assert_eq!(moves, 1, "{journal}");
    assert_eq!(manager.get("/v1/vehicles/7").await.expect(200)["version"], moved["version"]);
}

async fn several_processes_move_a_car_once(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    tell(&manager, json!({"from": "2026-03-19", "depot": "WEST"})).await;
    app.pass(TimeDelta::days(1));
    let now = app.app.now();
    let tasks: Vec<_> = (0..4)
        .map(|_| {
            let store = app.app.store.clone();
            tokio::spawn(async move { store.take_moves(now).await.unwrap() })
        })
        .collect();
    let mut moved = 0;
    for task in tasks {
        moved += task.await.unwrap();
    }
    assert_eq!(moved, 1);
    assert_eq!(manager.get("/v1/vehicles/7").await.expect(200)["version"], 2);
}

async fn a_retired_car_moves_no_more(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    let plan = tell(&manager, json!({"from": "2026-03-19", "depot": "WEST"})).await;
    manager
        .post("/v1/vehicles/7/retire")
        .once()
        .if_match("*")
        .json(&json!({"reason": "sold"}))
        .send()
        .await
        .expect(200);
    app.pass(TimeDelta::days(2));
    assert_eq!(app.app.store.take_moves(app.app.now()).await.unwrap(), 0);
    assert_eq!(manager.get("/v1/vehicles/7").await.expect(200)["depot"], "NORTH");
    let listed = manager.get(PLANS).await.expect(200)["items"][0].clone();
    assert!(listed["withdrawn_at"].is_string() && listed["id"] == plan["id"], "{listed}");
    manager.send(PLANS, json!({"from": "2026-04-19", "depot": "WEST"})).await.problem(409);
}

async fn plans_that_do_not_fit_name_their_field(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    let shifts = json!({"days_per_week": 6});
    let plan = |from: &str, to: Value| json!({"from": from, "to": to, "shifts": {"days_per_week": 6}});
    tell(&manager, plan("2026-05-01", json!("2026-05-31"))).await;
    let open = tell(&manager, plan("2026-07-01", Value::Null)).await;
    tell(&manager, json!({"from": "2026-08-01", "depot": "WEST"})).await;
    manager
        .send("/v1/vehicles/7/off-road", json!({"from": "2026-06-01", "to": "2026-06-30", "reason": "body shop"}))
        .await
        .expect(201);
    for (body, pointer) in [
        (json!({"from": "2026-04-01"}), "/shifts"),
        (json!({"from": "2026-04-01", "shifts": {}}), "/shifts"),
        (json!({"from": "2026-04-01", "shifts": shifts, "depot": "WEST"}), "/depot"),
        (json!({"from": "2026-04-01", "depot": "WEST", "to": "2026-05-01"}), "/to"),
        (json!({"from": "soon", "shifts": shifts}), "/from"),
        (json!({"from": "2026-04-01", "to": "2026-03-31", "shifts": shifts}), "/to"),
        (json!({"from": "2026-04-01", "shifts": {"days_per_week": 8}}), "/shifts/days_per_week"),
        (json!({"from": "2026-04-01", "shifts": {"distance_per_day": 10}, "distance_unit": "ft"}), "/distance_unit"),
        (json!({"from": "2026-04-01", "shifts": shifts, "when": 1}), "/when"),
        (json!({"from": "2024-12-31", "shifts": shifts}), "/from"),
        // Within other shifts, upon their first day, over their first day, wholly off the road.
        (plan("2026-05-31", Value::Null), "/from"),
        (plan("2026-07-01", Value::Null), "/from"),
        (plan("2026-04-01", json!("2026-05-01")), "/to"),
        (plan("2026-06-10", json!("2026-06-20")), "/from"),
        // Not today, not twice on one day, not to where it is by then, not to a depot that is not there.
        (json!({"from": "2026-03-18", "depot": "WEST"}), "/from"),
        (json!({"from": "2026-08-01", "depot": "WEST"}), "/from"),
        (json!({"from": "2026-04-01", "depot": "NORTH"}), "/depot"),
        (json!({"from": "2026-09-01", "depot": "WEST"}), "/depot"),
        (json!({"from": "2026-09-01", "depot": "NONE"}), "/depot"),
    ] {
        let problem = manager.send(PLANS, body.clone()).await.problem(422);
        assert_eq!(fault(&problem), pointer, "{body}: {problem}");
    }
    let body = json!({"depot": "WEST", "on": "2026-08-01"});
    let problem = manager.post("/v1/vehicles/7/move").once().if_match("*").json(&body).send().await.problem(422);
    assert_eq!(fault(&problem), "/on");
    manager
        .post("/v1/vehicles/7/move")
        .once()
        .if_match("\"9\"")
        .json(&json!({"depot": "WEST", "on": "2026-09-09"}))
        .send()
        .await
        .problem(412);
    // Within what holds until further notice there is room, and back again.
    tell(&manager, plan("2026-07-10", json!("2026-07-20"))).await;
    tell(&manager, json!({"from": "2026-09-01", "depot": "NORTH"})).await;
    // What neither the plan nor the logs say is asked for.
    car(&manager, "9", "NORTH").await;
    app.settle().await;
    let problem = manager
        .send("/v1/vehicles/9/plans", json!({"from": "2026-04-01", "shifts": {"hours_per_day": 9}}))
        .await
        .problem(422);
    assert_eq!(fault(&problem), "/shifts/days_per_week");
    // Taken back once, as it was seen.
    let path = format!("{PLANS}/{}/withdraw", open["id"]);
    manager.post(&path).once().send().await.problem(428);
    manager.post(&path).once().if_match("\"2\"").send().await.problem(412);
    withdraw(&manager, &open).await;
    manager.post(&path).once().if_match("*").send().await.problem(409);
    manager.post(&format!("{PLANS}/99999/withdraw")).once().if_match("*").send().await.problem(404);
}

async fn a_plan_is_told_once_by_those_who_may_and_stands_in_the_journal(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    let planner = app.client(&[Scope::Plan, Scope::Read], &["NORTH"]).await;
    let body = json!({"from": "2026-04-01", "shifts": {"days_per_week": 6}});
    let first = planner.post(PLANS).header("idempotency-key", "\"once\"").json(&body).send().await.expect(201);
    let again = planner.post(PLANS).header("idempotency-key", "\"once\"").json(&body).send().await.expect(201);
    assert_eq!(first, again);
    assert_eq!(planner.get(PLANS).await.expect(200)["items"].as_array().unwrap().len(), 1);
    planner.post(PLANS).json(&body).send().await.problem(400);
    planner.send(PLANS, json!({"from": "2026-04-01", "depot": "NORTH"})).await.problem(403);
    let posted = app.client(&[Scope::Post], &[]).await;
    posted.send(PLANS, body.clone()).await.problem(403);
    let elsewhere = app.client(&[Scope::Plan, Scope::Read], &["WEST"]).await;
    elsewhere.send(PLANS, body).await.problem(404);
    elsewhere.get(PLANS).await.problem(404);
    let moved = tell(&manager, json!({"from": "2026-05-01", "depot": "WEST"})).await;
    let path = format!("{PLANS}/{}/withdraw", moved["id"]);
    planner.post(&path).once().if_match("*").send().await.problem(403);
    withdraw(&planner, &first).await;
    let journal = manager.get("/v1/journal?limit=200").await.expect(200);
    let actions: Vec<&str> =
        journal["items"].as_array().unwrap().iter().filter_map(|line| line["action"].as_str()).collect();
    let count = |action: &str| actions.iter().filter(|one| **one == action).count();
    assert_eq!((count("vehicle plan"), count("vehicle plan-withdraw")), (2, 1), "{actions:?}");
}

async fn forecasts_with_a_told_plan_are_scored_apart(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    ordinary_car(&manager, "7", "NORTH").await;
    serviced(&manager, "7", "2026-03-16T17:00:00Z", 40_850.0).await;
    tell(&manager, json!({"from": "2026-04-01", "shifts": {"days_per_week": 6}})).await;
    app.settle().await;
    drive(&app, &manager, 1..=7, 150.0).await;
    app.settle().await;
    let hindsight = manager.get("/v1/hindsight?to=2026-03-20").await.expect(200);
    assert_eq!(hindsight["late"]["all"], json!(null), "{hindsight}");
    assert_eq!(hindsight["late"]["told"]["ventmile"]["n"], 1, "{hindsight}");
}

crate::on_both!(
    told_shifts_count_from_their_day_on,
    shifts_with_an_end_give_way_to_what_was_before,
    once_its_day_has_come_a_plan_is_a_change,
    a_move_told_ahead_takes_effect_on_its_day,
    several_processes_move_a_car_once,
    a_retired_car_moves_no_more,
    plans_that_do_not_fit_name_their_field,
    a_plan_is_told_once_by_those_who_may_and_stands_in_the_journal,
    forecasts_with_a_told_plan_are_scored_apart,
);
