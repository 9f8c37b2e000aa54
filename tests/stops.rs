//! Codes that take a car off the road by themselves, and what brings it back.

use chrono::TimeDelta;
use serde_json::{Value, json};
use ventmile::app::keys::Scope;
use ventmile::store::Store;

use crate::common::{Client, Engine, TestApp, dates, duty, ordinary_car, post, two_depots};
use crate::work::shop;

fn code(code: &str, state: &str, at: &str) -> Value {
    json!({"unit": "7", "code": code, "state": state, "at": at, "source": "scan"})
}

async fn holds(client: &Client) -> Vec<Value> {
    client.get("/v1/vehicles/7/off-road").await.expect(200)["items"].as_array().unwrap().clone()
}

async fn back(client: &Client) -> crate::common::Reply {
    client.send("/v1/vehicles/7/return-to-service", json!({})).await
}

async fn called(client: &Client, kind: &str) -> String {
    let list = client.get(&format!("/v1/work-orders?unit=7&kind={kind}&open=true")).await.expect(200);
    list["items"][0]["number"].as_str().unwrap_or_else(|| panic!("{list}")).to_owned()
}

/// A step of the shipped assessment, with what the isolation was found to be.
fn assessed(by: &str, step: u32, isolation: &str) -> Value {
    let records = match step {
        1 => json!({"intake": "clear", "fan": "all-stages", "last_fan_service": "x"}),
        2 => json!({"codes_before": "P0AA6-1F", "maker_procedure": "MP 1", "since_clearing": "less"}),
        3 => json!({"charge": 60, "pack_temperature": 24, "spread_at_rest": 0.1}),
        4 => json!({"current": 50, "spread_under_load": 0.2, "lowest_block": 3, "pattern": "none"}),
        5 => json!({"pack_highest": 30, "fan_answers": "yes"}),
        6 => json!({"judgement": "sound", "reasons": "cable chafed", "isolation": isolation, "isolation_kohm": 2500}),
        _ => json!({"codes": "none", "cleared": "yes"}),
    };
    json!({"by": by, "with": if step == 4 { json!(["lee"]) } else { json!([]) }, "records": records})
}

#[track_caller]
fn refused(reply: &crate::common::Reply, says: &str) {
    let problem = reply.problem(409);
    assert!(problem["detail"].as_str().unwrap().contains(says), "{problem}");
}

async fn an_isolation_fault_takes_the_car_off_the_road_by_itself(engine: Engine) {
    let shop = shop(engine).await;
    let (app, boss) = (&shop.app, &shop.boss);
    ordinary_car(boss, "7", "NORTH").await;
    app.settle().await;
    assert_eq!(holds(boss).await.len(), 0);
    post(boss, "trouble-codes", code("P0AA6-1F", "pending", "2026-03-18T15:00:00Z")).await;
    app.settle().await;
    assert_eq!(holds(boss).await.len(), 0, "a pending code stops nobody");
    post(boss, "trouble-codes", code("P0AA6-1F", "confirmed", "2026-03-18T15:30:00Z")).await;
    app.settle().await;
    app.settle().await;
    let found = holds(boss).await;
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(
        (&found[0]["safety_hold"], &found[0]["stop_code"], &found[0]["from"], &found[0]["sound_at"]),
        (&json!(true), &json!("P0AA6"), &json!("2026-03-18"), &Value::Null)
    );
    assert!(found[0]["reason"].as_str().unwrap().starts_with("P0AA6 confirmed: "), "{found:?}");
    let journal = boss.get("/v1/journal?limit=500").await.expect(200);
    let line = journal["items"].as_array().unwrap().iter().find(|line| line["action"] == "vehicle off-road").unwrap();
    assert_eq!((&line["actor"], &line["after"]["stop_code"]), (&json!("loop"), &json!("P0AA6")));
    let away = boss.get("/v1/reports/out-of-service").await.expect(200);
    assert_eq!((&away["items"][0]["unit"], &away["items"][0]["safety_hold"]), (&json!("7"), &json!(true)));

    // The order for it comes first, and goes to a person qualified for it only.
    let order = called(boss, "pack-assessment").await;
    let queue = boss.get("/v1/work-orders").await.expect(200);
    assert_eq!(queue["items"][0]["number"], json!(order));
    let next = || boss.send("/v1/work-orders/next", json!({"technician": "kim", "kind": "pack-assessment"}));
    assert_eq!(next().await.status.as_u16(), 204, "kim holds no certificate for it");
    let both = json!({"certificates": [
        {"name": "high-voltage", "expires_on": "2027-06-30"}, {"name": "isolation-fault", "expires_on": "2027-06-30"},
    ]});
    boss.patch("/v1/technicians/kim").if_match("*").json(&both).send().await.expect(200);
    assert_eq!(next().await.expect(200)["number"], json!(order));
    boss.act(&order, "start", json!({})).await.expect(200);

    // Nobody but a key that may ends the hold, and nothing ends it while the code stands or the order is open.
    let planner = app.client(&[Scope::Plan, Scope::Read], &[]).await;
    back(&planner).await.problem(403);
    refused(&back(boss).await, "P0AA6-1F is confirmed since 2026-03-18");
    post(boss, "trouble-codes", code("P0AA6", "cleared", "2026-03-18T16:05:00Z")).await;
    app.pass(TimeDelta::minutes(10));
    app.settle().await;
    refused(&back(boss).await, &format!("{order} is open for P0AA6"));
    // Cleared is not gone: whoever is not qualified still keeps off.
    assert_eq!(boss.get(&format!("/v1/work-orders/{order}/steps")).await.expect(200)["isolation_fault"], true);
    let stranger = boss.act(&order, "steps/1", assessed("lee", 1, "")).await.problem(422);
    assert_eq!(stranger["errors"][0]["item"], "isolation", "{stranger}");
    boss.patch("/v1/technicians/lee").if_match("*").json(&both).send().await.expect(200);
    boss.act(&order, "steps/1", assessed("kim", 1, "")).await.expect(201);
    boss.act(&order, "steps/6", assessed("kim", 6, "not-sound")).await.expect(201);
    boss.act(&order, "complete", json!({"outcome": "partly", "by": "kim"})).await.expect(200);
    refused(&back(boss).await, "record `isolation` as `sound`");
    boss.act(&order, "reopen", json!({"reason": "the cable is mended"})).await.expect(200);
    boss.act(&order, "start", json!({"by": "kim"})).await.expect(200);
    app.pass(TimeDelta::minutes(1));
    for step in 1..=7 {
        boss.act(&order, &format!("steps/{step}"), assessed("kim", step, "sound")).await.expect(201);
    }
    assert_eq!(boss.get(&format!("/v1/work-orders/{order}/steps")).await.expect(200)["isolation_fault"], false);
    let done = json!({"outcome": "serviced", "by": "kim", "odometer": 41_010, "distance_unit": "mi"});
    boss.act(&order, "complete", done).await.expect(200);
    app.settle().await;
    assert!(holds(boss).await[0]["sound_at"].is_string());
    back(boss).await.expect(200);
    app.settle().await;
    assert_eq!(holds(boss).await.len(), 1, "what a person has answered does not come back by itself");
    // Confirmed anew it does.
    app.pass(TimeDelta::hours(1));
    post(boss, "trouble-codes", code("P0AA6-1F", "confirmed", "2026-03-18T17:00:00Z")).await;
    app.settle().await;
    let again = holds(boss).await;
    assert_eq!((again.len(), &again[1]["released"]), (2, &json!(false)));
}

async fn two_trips_without_the_code_prove_it_gone(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    two_depots(&boss).await;
    ordinary_car(&boss, "7", "NORTH").await;
    // Confirmed and cleared before anything was computed: still held.
    post(&boss, "trouble-codes", code("P0AA6", "confirmed", "2026-03-18T12:00:00Z")).await;
    post(&boss, "trouble-codes", code("P0AA6", "cleared", "2026-03-18T13:00:00Z")).await;
    app.settle().await;
    assert_eq!(holds(&boss).await[0]["stop_code"], "P0AA6");
    let order = called(&boss, "pack-assessment").await;
    boss.act(&order, "cancel", json!({"reason": "false alarm"})).await.expect(200);
    app.settle().await;
    refused(&back(&boss).await, "proves nothing before two trips");
    // A sensor seen confirmed again after a proof takes the proof away; voided, it gives it back.
    app.pass(TimeDelta::days(2));
    let mut trips = duty("7", dates("2026-03-19", "2026-03-19"), 1.0);
    trips[0]["trips"] = json!(1);
    post(&boss, "duty-logs", trips.clone()).await;
    app.settle().await;
    refused(&back(&boss).await, "two trips");
    trips[0]["trips"] = json!(2);
    post(&boss, "duty-logs", trips).await;
    app.settle().await;
    assert!(holds(&boss).await[0]["sound_at"].is_string());
    post(&boss, "trouble-codes", code("P0AA6", "confirmed", "2026-03-20T12:00:00Z")).await;
    app.settle().await;
    assert_eq!(holds(&boss).await[0]["sound_at"], Value::Null);
    refused(&back(&boss).await, "is confirmed since 2026-03-20");
    let order = called(&boss, "pack-assessment").await;
    boss.act(&order, "cancel", json!({"reason": "another car's"})).await.expect(200);
    let rows = boss.get("/v1/trouble-codes?unit=7").await.expect(200);
    let latest = rows["items"].as_array().unwrap().iter().find(|row| row["at"] == "2026-03-20T12:00:00Z").unwrap();
    let which = json!({"unit": "7", "at": latest["at"], "code": "P0AA6", "source": "scan", "reason": "another car's"});
    boss.send("/v1/trouble-codes/void", which).await.expect(200);
    app.settle().await;
    let found = holds(&boss).await;
    assert!(found.len() == 1 && found[0]["sound_at"].is_string(), "{found:?} {latest}");
    back(&boss).await.expect(200);
    app.settle().await;
    assert_eq!(boss.get("/v1/reports/out-of-service").await.expect(200)["items"], json!([]));
}

async fn a_pack_too_hot_is_answered_by_a_cooling_check(engine: Engine) {
    let shop = shop(engine).await;
    let (app, boss) = (&shop.app, &shop.boss);
    ordinary_car(boss, "7", "NORTH").await;
    post(boss, "trouble-codes", code("P0A7E", "confirmed", "2026-03-18T12:00:00Z")).await;
    app.settle().await;
    assert_eq!(holds(boss).await[0]["stop_code"], "P0A7E");
    let order = called(boss, "cooling-check").await;
    post(boss, "trouble-codes", code("P0A7E", "cleared", "2026-03-18T16:00:01Z")).await;
    app.pass(TimeDelta::minutes(1));
    refused(&back(boss).await, &format!("{order} is open for P0A7E"));
    boss.act(&order, "start", json!({"by": "kim"})).await.expect(200);
    let done = json!({"outcome": "serviced", "by": "kim", "odometer": 41_010, "distance_unit": "mi"});
    boss.act(&order, "complete", json!({"outcome": "partly", "by": "kim"})).await.expect(200);
    refused(&back(boss).await, "complete a cooling-check as serviced");
    boss.act(&order, "reopen", json!({"reason": "x"})).await.expect(200);
    boss.act(&order, "start", json!({"by": "kim"})).await.expect(200);
    boss.act(&order, "complete", done).await.expect(200);
    app.settle().await;
    // Two who bring it back at once: one does.
    let call = || boss.post("/v1/vehicles/7/return-to-service").once().json(&json!({}));
    let both = [tokio::spawn(call().send()), tokio::spawn(call().send())];
    let mut statuses = Vec::new();
    for sent in both {
        statuses.push(sent.await.unwrap().status.as_u16());
    }
    statuses.sort_unstable();
    assert_eq!(statuses, [200, 409]);
    // A retired car is held for nothing.
    app.pass(TimeDelta::hours(1));
    post(boss, "trouble-codes", code("P0A7E", "confirmed", "2026-03-18T17:00:00Z")).await;
    boss.post("/v1/vehicles/7/retire").once().if_match("*").json(&json!({"reason": "sold"})).send().await.expect(200);
    app.settle().await;
    assert_eq!(holds(boss).await.len(), 1);
}

/// Confirmed and cleared at one instant, in one request, in two, or over what was cleared already.
async fn a_clear_of_the_same_moment_loses_no_confirmation(engine: Engine) {
    let shop = shop(engine).await;
    let (app, boss) = (&shop.app, &shop.boss);
    ordinary_car(boss, "7", "NORTH").await;
    app.settle().await;
    let order = json!({"unit": "7", "kind": "pack-assessment", "reason": "x"});
    let order = boss.send("/v1/work-orders", order).await.expect(201)["number"].as_str().unwrap().to_owned();
    boss.act(&order, "start", json!({"by": "kim"})).await.expect(200);
    let at = "2026-03-18T15:00:00Z";
    let both = json!([code("P0AA6", "confirmed", at), code("P0AA6", "cleared", at)]);
    assert_eq!(post(boss, "trouble-codes", both.clone()).await["replaced"], 1);
    // No recast has heard of it, and whoever is not qualified keeps off all the same.
    let stranger = boss.act(&order, "steps/1", assessed("kim", 1, "")).await.problem(422);
    assert_eq!(stranger["errors"][0]["item"], "isolation", "{stranger}");
    assert_eq!(boss.send("/v1/work-orders/next", json!({"technician": "lee"})).await.status.as_u16(), 204);
    app.settle().await;
    assert_eq!(holds(boss).await[0]["stop_code"], "P0AA6");
    let rows = boss.get("/v1/trouble-codes?unit=7").await.expect(200);
    let shown = &rows["items"][0];
    assert_eq!((&shown["state"], &shown["was_confirmed"]), (&json!("cleared"), &json!(true)), "{rows}");
    assert_eq!(post(boss, "trouble-codes", both).await["stored"], 0);
    // In two requests, for the other code.
    post(boss, "trouble-codes", code("P0A7E", "confirmed", at)).await;
    post(boss, "trouble-codes", code("P0A7E", "cleared", at)).await;
    app.settle().await;
    assert_eq!(holds(boss).await[1]["stop_code"], "P0A7E");
    // A confirmation that comes late stands beside the clear that was sent before it.
    ordinary_car(boss, "8", "NORTH").await;
    let of_8 = |state: &str| json!({"unit": "8", "code": "P0AA6", "state": state, "at": at, "source": "scan"});
    post(boss, "trouble-codes", of_8("cleared")).await;
    app.settle().await;
    post(boss, "trouble-codes", json!([of_8("confirmed"), of_8("cleared")])).await;
    app.settle().await;
    let held = boss.get("/v1/vehicles/8/off-road").await.expect(200);
    assert_eq!(held["items"][0]["stop_code"], "P0AA6", "{held}");
    // Voided, neither was ever said.
    let which = json!({"unit": "8", "at": at, "code": "P0AA6", "source": "scan", "reason": "another car's"});
    boss.send("/v1/trouble-codes/void", which).await.expect(200);
    app.settle().await;
    assert!(boss.get("/v1/vehicles/8/off-road").await.expect(200)["items"][0]["sound_at"].is_string());
}

async fn codes_and_packs_count_without_any_service_rule(engine: Engine) {
    let shop = shop(engine).await;
    let (app, boss) = (&shop.app, &shop.boss);
    ordinary_car(boss, "7", "NORTH").await;
    app.settle().await;
    assert_eq!(boss.get("/v1/upcoming").await.expect(200)["items"].as_array().unwrap().len(), 1);
    app.database.run("DELETE FROM service_rules").await;
    app.app.store.mark_every_car(app.app.now()).await.unwrap();
    post(boss, "trouble-codes", code("P0AA6-1F", "confirmed", "2026-03-18T15:30:00Z")).await;
    app.settle().await;
    app.settle().await;
    assert_eq!(app.app.store.count_stale().await.unwrap(), 0);
    assert_eq!(boss.get("/v1/upcoming").await.expect(200)["items"], json!([]), "no rule, no date");
    assert_eq!(holds(boss).await[0]["stop_code"], "P0AA6");
    called(boss, "pack-assessment").await;
    let outlook = boss.get("/v1/pack-outlook").await.expect(200);
    assert_eq!((&outlook["items"][0]["unit"], &outlook["items"][0]["band"]), (&json!("7"), &json!("now")));
    assert_eq!(boss.get("/v1/vehicles/7/pack").await.expect(200)["outlook"]["band"], "now");
    let mut sound = Vec::new();
    assert!(Store::check_deep(&app.database.address(), |check| sound.push(check.clone())).await.unwrap(), "{sound:#?}");
}

crate::on_both!(
    a_clear_of_the_same_moment_loses_no_confirmation,
    codes_and_packs_count_without_any_service_rule,
    an_isolation_fault_takes_the_car_off_the_road_by_itself,
    two_trips_without_the_code_prove_it_gone,
    a_pack_too_hot_is_answered_by_a_cooling_check,
);
