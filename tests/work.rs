//! Work on an order: procedures, people, gear, evidence with its gates, overrides, leases, plans.

use std::collections::BTreeSet;

use chrono::TimeDelta;
use serde_json::{Value, json};
use ventmile::app::keys::Scope;

use crate::common::{Client, Engine, NOW, Reply, TestApp, car, fault, instant, month_of_readings, post, two_depots};

/// A shop of two technicians with gloves for both and a meter.
pub struct Shop {
    pub app: TestApp,
    pub boss: Client,
}

pub async fn gear(client: &Client, piece: Value, tested: &str, issued: &str) {
    let id = piece["id"].as_str().unwrap().to_owned();
    client.send("/v1/gear", piece).await.expect(201);
    let test = json!({"on": tested, "by": "lab", "passed": true});
    client.send(&format!("/v1/gear/{id}/tests"), test).await.expect(200);
    client.send(&format!("/v1/gear/{id}/issue"), json!({"on": issued})).await.expect(200);
}

pub fn gloves(id: &str, class: &str, protectors: bool) -> Value {
    json!({"id": id, "depot": "NORTH", "kind": "gloves", "class": class, "protectors": protectors})
}

fn meter(id: &str, category: u8) -> Value {
    let good = json!({"category": 3, "volts": 1000});
    json!({"id": id, "depot": "NORTH", "kind": "meter", "meter": {"category": category, "volts": 1000}, "leads": good})
}

pub async fn technician(client: &Client, code: &str, depot: &str, certificates: Value) {
    let body = json!({"code": code, "depot": depot, "certificates": certificates});
    client.send("/v1/technicians", body).await.expect(201);
}

pub fn high_voltage() -> Value {
    json!([{"name": "high-voltage", "expires_on": "2027-06-30"}])
}

pub async fn shop_with(engine: Engine, settings: &[(&str, &str)]) -> Shop {
    let (app, boss) = TestApp::with(engine, settings).await;
    two_depots(&boss).await;
    for code in ["kim", "lee"] {
        technician(&boss, code, "NORTH", high_voltage()).await;
    }
    for id in ["G-1", "G-2"] {
        gear(&boss, gloves(id, "0", true), "2026-01-10", "2026-02-01").await;
    }
    gear(&boss, meter("M-1", 3), "2026-01-10", "2026-02-01").await;
    Shop { app, boss }
}

pub async fn shop(engine: Engine) -> Shop {
    shop_with(engine, &[]).await
}

/// What is recorded at each step of the pack replacement when all goes well.
pub fn body(step: u32) -> Value {
    let records = match step {
        1 => json!({"maker_procedure": "MP 4", "new_part_type": "P-14", "new_serial": "N-1", "bay": "fenced"}),
        2 => json!({"codes_before": "P0A80", "charge": 60, "pack_temperature": 24.5}),
        4 => json!({"air_test": "passed"}),
        6 | 8 => json!({"kept_by": "kim"}),
        10 => json!({
            "proved_before": "proved", "between_poles": 1.2, "positive_to_body": 0, "negative_to_body": -0.4,
            "proved_after": "proved",
        }),
        11 => json!({"ends": "all-capped"}),
        13 => json!({"old_serial": "O-1", "old_part_type": "P-14", "core": "intact"}),
        14 => json!({"wheel": "sound", "ducts": "whole", "intake": "clear"}),
        16 => json!({"torque": "as-the-maker-says", "covers": "shut", "tools": "all-counted"}),
        17 => json!({"latch": "seated"}),
        18 => json!({"ready": "ready", "fan_after": "all-stages"}),
        19 => json!({"codes": "none"}),
        _ => json!({}),
    };
    let with = if [3, 12, 15].contains(&step) { json!(["lee"]) } else { json!([]) };
    let gear = match step {
        4 => json!(["G-1", "G-2"]),
        5 => json!(["M-1"]),
        _ => json!([]),
    };
    json!({"by": "kim", "with": with, "records": records, "gear": gear})
}

pub const LAST: u32 = 19;
const FIRST_OPEN: u32 = 11;
const LOCK_OUT: [&str; 8] = ["person", "gloves", "meter", "key-out", "ground-off", "plug-out", "wait", "measure"];

/// The codes of what a refusal says is missing, in its order.
#[track_caller]
fn items(reply: &Reply) -> Vec<String> {
    let problem = reply.problem(422);
    assert_eq!(problem["type"], "urn:ventmile:problem:gate", "{problem}");
    let errors = problem["errors"].as_array().unwrap();
    assert!(errors.iter().all(|fault| fault["pointer"].is_string() && !fault["detail"].as_str().unwrap().is_empty()));
    errors.iter().map(|fault| fault["item"].as_str().unwrap().to_owned()).collect()
}

impl Shop {
    /// A started order of the kind for a new car.
    pub async fn started(&self, unit: &str, kind: &str) -> String {
        car(&self.boss, unit, "NORTH").await;
        let raised = json!({"unit": unit, "kind": kind, "reason": "pack is worn"});
        let order = self.boss.send("/v1/work-orders", raised).await.expect(201);
        let number = order["number"].as_str().unwrap().to_owned();
        self.boss.act(&number, "start", json!({"by": "kim"})).await.expect(200);
        number
    }

    async fn step(&self, order: &str, step: u32, body: Value) -> Reply {
        self.app.pass(TimeDelta::minutes(if step == 9 { 10 } else { 1 }));
        self.boss.act(order, &format!("steps/{step}"), body).await
    }

    /// Records steps as they should be.
    pub async fn work(&self, order: &str, steps: impl IntoIterator<Item = u32>) {
        for step in steps {
            self.step(order, step, body(step)).await.expect(201);
        }
    }

    pub async fn steps(&self, order: &str) -> Value {
        self.boss.get(&format!("/v1/work-orders/{order}/steps")).await.expect(200)
    }

    pub async fn read(&self, order: &str) -> Value {
        self.boss.get(&format!("/v1/work-orders/{order}")).await.expect(200)
    }

    async fn complete(&self, order: &str, outcome: &str) -> Reply {
        let body = json!({"outcome": outcome, "odometer": 99.5, "distance_unit": "mi", "by": "kim"});
        self.boss.act(order, "complete", body).await
    }

    async fn journalled(&self, action: &str) -> usize {
        let page = self.boss.get("/v1/journal?limit=500").await.expect(200);
        page["items"].as_array().unwrap().iter().filter(|line| line["action"] == action).count()
    }
}

async fn a_pack_is_replaced_step_by_step(engine: Engine) {
    let shop = shop(engine).await;
    let order = shop.started("7", "pack-replacement").await;
    let before = shop.steps(&order).await;
    assert_eq!((&before["procedure"], &before["procedure_version"]), (&json!("pack-replacement"), &json!(1)));
    assert_eq!(before["steps"].as_array().unwrap().len(), LAST as usize);
    assert_eq!((&before["next"]["step"], &before["next"]["missing"]), (&json!(1), &json!([])));
    assert_eq!((&before["residual_limit_v"], &before["isolation_fault"]), (&json!(30.0), &json!(false)));
    let missing = before["missing_to_close"].as_array().unwrap();
    assert!(missing.iter().any(|fault| fault["item"] == "measure"), "{missing:?}");
    for step in 1..=LAST {
        let reply = shop.step(&order, step, body(step)).await;
        let version = shop.read(&order).await["version"].as_i64().unwrap();
        assert_eq!(reply.etag(), format!("\"{version}\""));
        let entry = reply.expect(201);
        assert_eq!((&entry["late"], &entry["stops"], &entry["by"]), (&json!(false), &json!(false), &json!("kim")));
    }
    let after = shop.steps(&order).await;
    assert_eq!((&after["next"], &after["missing_to_close"]), (&Value::Null, &json!([])));
    let measured = &after["steps"][9]["entries"][0];
    assert_eq!((&measured["records"]["negative_to_body"], &measured["at"]), (&json!(-0.4), &measured["done_at"]));
    assert_eq!(shop.complete(&order, "serviced").await.expect(200)["status"], "completed");
    assert_eq!(shop.journalled("work-order step").await, LAST as usize);
    let closed = shop.boss.act(&order, "steps/1", body(1)).await;
    closed.problem(409);
}

async fn each_part_of_the_lock_out_is_asked_for(engine: Engine) {
    let shop = shop(engine).await;
    let order = shop.started("0", "pack-replacement").await;
    assert_eq!(items(&shop.step(&order, FIRST_OPEN, body(FIRST_OPEN)).await), LOCK_OUT);
    assert_eq!(shop.steps(&order).await["steps"][10]["entries"], json!([]), "a refused step is not recorded");
    // Each one left out in its turn is what the step after it lacks.
    for (place, item) in LOCK_OUT.into_iter().enumerate() {
        let step = 3 + u32::try_from(place).unwrap();
        let order = shop.started(&format!("skip-{item}"), "pack-replacement").await;
        shop.work(&order, 1..step).await;
        let found = items(&shop.step(&order, step + 1, body(step + 1)).await);
        assert_eq!(found, [item], "without step {step}");
        if item == "wait" {
            continue;
        }
        shop.work(&order, step..=step + 1).await;
    }
    // And each one recorded, but not as it must be.
    for (step, change, pointer, item) in [
        (3, json!({"by": "nobody"}), "/by", "person"),
        (4, json!({"records": {"air_test": "failed"}}), "/records/air_test", "gloves"),
        (4, json!({"gear": []}), "/gear", "gloves"),
        (4, json!({"gear": ["M-1"]}), "/gear", "gloves"),
        (4, json!({"gear": ["G-9"]}), "/gear", "gloves"),
        (5, json!({"gear": []}), "/gear", "meter"),
        (6, json!({"records": {"kept_by": "somebody"}}), "/records/kept_by", "key-out"),
        (8, json!({"records": {"kept_by": "somebody"}}), "/records/kept_by", "plug-out"),
        (10, json!({"records": {"proved_before": "not-proved"}}), "/records/proved_before", "measure"),
        (10, json!({"records": {"proved_after": "not-proved"}}), "/records/proved_after", "measure"),
    ] {
        let order = shop.started(&format!("wrong-{step}-{change}"), "pack-replacement").await;
        shop.work(&order, 1..step).await;
        let mut wrong = body(step);
        for (name, value) in change.as_object().unwrap() {
            match value.as_object() {
                Some(records) => records.iter().for_each(|(record, word)| wrong[name][record] = word.clone()),
                None => wrong[name] = value.clone(),
            }
        }
        let reply = shop.step(&order, step, wrong).await;
        assert_eq!((items(&reply), fault(&reply.json())), (vec![item.to_owned()], pointer), "{}", reply.text);
    }
    // The wait runs by the server's clock, whatever is told.
    let order = shop.started("short", "pack-replacement").await;
    shop.work(&order, 1..=8).await;
    shop.app.pass(TimeDelta::seconds(599));
    let mut told = body(9);
    told["done_at"] = json!("2026-03-18T23:59:00Z");
    assert_eq!(fault(&shop.boss.act(&order, "steps/9", told).await.problem(422)), "/done_at");
    let short = shop.boss.act(&order, "steps/9", body(9)).await;
    assert_eq!(items(&short), ["wait"]);
    assert!(short.text.contains("1 s short"), "{}", short.text);
    shop.app.pass(TimeDelta::seconds(1));
    shop.boss.act(&order, "steps/9", body(9)).await.expect(201);
}

async fn gear_that_may_not_be_used_is_refused(engine: Engine) {
    let shop = shop(engine).await;
    gear(&shop.boss, gloves("LOW", "00", true), "2026-01-10", "2026-02-01").await;
    gear(&shop.boss, gloves("BARE", "0", false), "2026-01-10", "2026-02-01").await;
    gear(&shop.boss, gloves("OLD", "0", true), "2025-09-01", "2025-09-02").await;
    gear(&shop.boss, gloves("SUSPECT", "0", true), "2026-01-10", "2026-02-01").await;
    gear(&shop.boss, meter("M-2", 2), "2026-01-10", "2026-02-01").await;
    shop.boss.send("/v1/gear", gloves("NEW", "0", true)).await.expect(201);
    let failed = json!({"on": "2026-03-17", "by": "kim", "passed": false});
    shop.boss.send("/v1/gear/SUSPECT/tests", failed).await.expect(200);
    let order = shop.started("7", "pack-replacement").await;
    shop.work(&order, 1..=3).await;
    for (step, id, says) in [
        (4, "LOW", "below Class 0"),
        (4, "BARE", "no leather protectors"),
        (4, "OLD", "was due on 2026-03-01"),
        (4, "SUSPECT", "on 2026-03-17, failed"),
        (4, "NEW", "no passed test"),
        (5, "M-2", "CAT 2 1000 V"),
    ] {
        if step == 5 {
            shop.work(&order, [4]).await;
        }
        let mut wrong = body(step);
        wrong["gear"] = json!([id]);
        let reply = shop.step(&order, step, wrong).await;
        assert_eq!(items(&reply), [if step == 4 { "gloves" } else { "meter" }]);
        assert!(reply.text.contains(says) && reply.text.contains(id), "{}", reply.text);
        let shown = shop.boss.get(&format!("/v1/gear/{id}")).await.expect(200);
        assert_eq!(shown["usable"], false, "{shown}");
        assert!(shown["unusable"].to_string().contains(says), "{shown}");
    }
    // Suspect gear comes back with its next pass.
    let passed = json!({"on": "2026-03-18", "by": "lab", "passed": true});
    let back = shop.boss.send("/v1/gear/SUSPECT/tests", passed).await.expect(200);
    assert_eq!((&back["usable"], &back["due_on"]), (&json!(true), &json!("2026-09-18")));
    // Gloves that fail while the plug is out stop the next step.
    shop.work(&order, 5..=10).await;
    let failed = json!({"on": "2026-03-18", "by": "kim", "passed": false});
    shop.boss.send("/v1/gear/G-1/tests", failed).await.expect(200);
    assert_eq!(items(&shop.step(&order, FIRST_OPEN, body(FIRST_OPEN)).await), ["gloves"]);
}

async fn people_are_asked_for_by_certificate_and_number(engine: Engine) {
    let shop = shop(engine).await;
    let expired = json!([{"name": "high-voltage", "expires_on": "2026-03-17"}]);
    technician(&shop.boss, "max", "NORTH", expired).await;
    technician(&shop.boss, "ann", "NORTH", json!([])).await;
    let order = shop.started("7", "pack-replacement").await;
    shop.work(&order, 1..=2).await;
    for (code, says) in [("max", "expired on 2026-03-17"), ("ann", "holds no certificate"), ("zoe", "not a known")] {
        let reply = shop.step(&order, 3, json!({"by": "kim", "with": [code]})).await;
        assert_eq!(items(&reply), ["person"]);
        assert!(reply.text.contains(says), "{}", reply.text);
    }
    shop.work(&order, 3..=11).await;
    // A person who was not named for the lock-out, and a lift alone.
    let mut stranger = body(12);
    stranger["by"] = json!("max");
    assert!(items(&shop.step(&order, 12, stranger).await).contains(&"person".to_owned()));
    let alone = json!({"by": "kim"});
    assert_eq!(items(&shop.step(&order, 12, alone).await), ["people"]);
    let aided = json!({"by": "kim", "records": {"lifting_aid": "table 2"}});
    shop.step(&order, 12, aided).await.expect(201);
    // A certificate that is taken away counts at once.
    let none = json!({"certificates": []});
    shop.boss.patch("/v1/technicians/kim").if_match("*").json(&none).send().await.expect(200);
    assert_eq!(items(&shop.step(&order, 13, body(13)).await), ["person"]);
}

async fn an_isolation_fault_needs_people_qualified_for_it(engine: Engine) {
    let shop = shop(engine).await;
    let order = shop.started("7", "pack-replacement").await;
    shop.work(&order, 1..=7).await;
    let code = |at: &str, state: &str| json!({"unit": "7", "at": at, "code": "P0AA6-00", "state": state});
    post(&shop.boss, "trouble-codes", code("2026-03-18T15:00:00Z", "confirmed")).await;
    assert_eq!(shop.steps(&order).await["isolation_fault"], true);
    let refused = shop.step(&order, 8, body(8)).await;
    assert_eq!(items(&refused), ["isolation"]);
    let reason = json!({"item": "isolation", "reason": "in a hurry"});
    assert_eq!(fault(&shop.boss.act(&order, "overrides", reason).await.problem(422)), "/item");
    let both = json!({"certificates": [
        {"name": "high-voltage", "expires_on": "2027-06-30"}, {"name": "isolation-fault", "expires_on": "2027-06-30"},
    ]});
    shop.boss.patch("/v1/technicians/kim").if_match("*").json(&both).send().await.expect(200);
    shop.work(&order, [8]).await;
}

async fn what_is_recorded_has_its_shape(engine: Engine) {
    let shop = shop(engine).await;
    let order = shop.started("7", "pack-replacement").await;
    for (change, pointer) in [
        (json!({"by": ""}), "/by"),
        (json!({"with": [""]}), "/with/0"),
        (json!({"colour": 1}), "/colour"),
        (json!({"done_at": "today"}), "/done_at"),
        (json!({"records": {"charge": 101}}), "/records/charge"),
        (json!({"records": {"charge": "full"}}), "/records/charge"),
        (json!({"records": {"charge": null}}), "/records/charge"),
        (json!({"records": {"volts": 3}}), "/records/volts"),
        (json!({"records": {"codes_before": " "}}), "/records/codes_before"),
    ] {
        let mut wrong = body(2);
        for (name, value) in change.as_object().unwrap() {
            match value.as_object() {
                Some(records) => records.iter().for_each(|(record, word)| wrong[name][record] = word.clone()),
                None => wrong[name] = value.clone(),
            }
        }
        assert_eq!(fault(&shop.step(&order, 2, wrong).await.problem(422)), pointer, "{change}");
    }
    let bare = shop.step(&order, 2, json!({"by": "kim"})).await.problem(422);
    let pointers: Vec<_> = bare["errors"].as_array().unwrap().iter().map(|fault| fault["pointer"].clone()).collect();
    assert_eq!(pointers, ["/records/codes_before", "/records/charge", "/records/pack_temperature"]);
    shop.boss.act(&order, "steps/x", body(1)).await.problem(404);
    assert_eq!(items(&shop.boss.act(&order, "steps/20", body(1)).await), ["step-20"]);
    // Told late, and marked so for ever.
    let mut late = body(2);
    late["done_at"] = json!("2026-03-18T15:00:00Z");
    assert_eq!(shop.step(&order, 2, late).await.expect(201)["late"], true);
    assert_eq!(shop.steps(&order).await["steps"][1]["entries"][0]["late"], true);
    // Not before work has begun, nor while it rests.
    car(&shop.boss, "8", "NORTH").await;
    let raised = json!({"unit": "8", "kind": "pack-replacement", "reason": "x"});
    let waiting = shop.boss.send("/v1/work-orders", raised).await.expect(201);
    shop.boss.act(waiting["number"].as_str().unwrap(), "steps/1", body(1)).await.problem(409);
    let paused = shop.boss.act(&order, "pause", json!({"by": "kim", "reason": "lunch"})).await.expect(200);
    assert_eq!(paused["paused"]["reason"], "lunch");
    assert!(shop.step(&order, 2, body(2)).await.problem(409)["detail"].as_str().unwrap().contains("lunch"));
}

async fn a_lock_out_of_yesterday_opens_nothing(engine: Engine) {
    let shop = shop(engine).await;
    let pause = async |order: &str| {
        shop.app.pass(TimeDelta::minutes(1));
        shop.boss.act(order, "pause", json!({"by": "kim", "reason": "lunch"})).await.expect(200);
        shop.boss.act(order, "resume", json!({"by": "kim"})).await.expect(200);
    };
    let paused = shop.started("paused", "pack-replacement").await;
    shop.work(&paused, 1..=10).await;
    pause(&paused).await;
    assert_eq!(items(&shop.step(&paused, FIRST_OPEN, body(FIRST_OPEN)).await), LOCK_OUT);
    let handed = shop.started("handed", "pack-replacement").await;
    shop.work(&handed, 1..=10).await;
    shop.app.pass(TimeDelta::minutes(1));
    let taken = shop.boss.act(&handed, "hand-over", json!({"by": "kim", "to": "lee"})).await.expect(200);
    assert_eq!(taken["assigned_to"], "lee");
    assert_eq!(items(&shop.step(&handed, FIRST_OPEN, body(FIRST_OPEN)).await), LOCK_OUT);
    let slept = shop.started("slept", "pack-replacement").await;
    shop.work(&slept, 1..=10).await;
    // Midnight in New York is 04:00 UTC: the same day until then, whatever the day in UTC.
    shop.app.clock.set(instant("2026-03-19T03:58:00Z"));
    shop.work(&slept, [11]).await;
    shop.app.clock.set(instant("2026-03-19T04:00:00Z"));
    assert_eq!(items(&shop.step(&slept, 13, body(13)).await), LOCK_OUT);
    shop.work(&slept, 3..=10).await;
    shop.work(&slept, 12..=LAST).await;
    shop.complete(&slept, "serviced").await.expect(200);
}

async fn a_reading_over_the_limit_stops_the_order(engine: Engine) {
    let shop = shop_with(engine, &[("work.residual_limit_v.wagon", "12")]).await;
    let order = shop.started("7", "pack-replacement").await;
    shop.work(&order, 1..=9).await;
    let mut live = body(10);
    live["records"]["positive_to_body"] = json!(-30);
    let entry = shop.step(&order, 10, live.clone()).await.expect(201);
    assert_eq!(entry["stops"], true);
    let steps = shop.steps(&order).await;
    assert_eq!((&steps["stopped"]["step"], &steps["stopped"]["stops"]), (&json!(10), &json!(true)));
    let open = items(&shop.step(&order, FIRST_OPEN, body(FIRST_OPEN)).await);
    assert_eq!(open[0], "stopped");
    assert_eq!(open[1..], LOCK_OUT);
    // Not measured again until it falls: without a new lock-out no further reading counts.
    assert!(!items(&shop.step(&order, 10, body(10)).await).is_empty());
    for item in ["stopped", "measure", "person", "isolation"] {
        let asked = json!({"item": item, "reason": "in a hurry"});
        assert_eq!(fault(&shop.boss.act(&order, "overrides", asked).await.problem(422)), "/item", "{item}");
    }
    assert!(items(&shop.complete(&order, "serviced").await).contains(&"stopped".to_owned()));
    shop.work(&order, 3..=10).await;
    assert_eq!(shop.steps(&order).await["stopped"], Value::Null);
    shop.work(&order, [11]).await;
    // A model with a limit of its own, whatever the case of its name.
    let wagon = shop.started("8", "pack-replacement").await;
    shop.boss.patch("/v1/vehicles/8").if_match("*").json(&json!({"model": "Wagon"})).send().await.expect(200);
    shop.work(&wagon, 1..=9).await;
    live["records"]["positive_to_body"] = json!(12);
    assert_eq!(shop.step(&wagon, 10, live).await.expect(201)["stops"], true);
    assert_eq!(shop.steps(&wagon).await["residual_limit_v"], 12.0);
}

async fn lesser_items_are_overridden_with_a_reason(engine: Engine) {
    let shop = shop(engine).await;
    let order = shop.started("7", "pack-replacement").await;
    shop.work(&order, 1..=6).await;
    let asked = json!({"item": "ground-off", "reason": "the 12 V battery is out"});
    let worker = shop.app.client(&[Scope::Work, Scope::Read], &[]).await;
    worker.act(&order, "overrides", asked.clone()).await.problem(403);
    for (field, value) in [("item", json!("brakes")), ("reason", json!("")), ("item", json!("step-x"))] {
        let mut wrong = asked.clone();
        wrong[field] = value;
        assert_eq!(fault(&shop.boss.act(&order, "overrides", wrong).await.problem(422)), format!("/{field}"));
    }
    let admin = shop.app.named_client("chief", &Scope::ALL, &[]).await;
    shop.app.pass(TimeDelta::minutes(1));
    let given = admin.act(&order, "overrides", asked).await.expect(201);
    assert_eq!((&given["item"], &given["by"]), (&json!("ground-off"), &json!("chief")));
    shop.work(&order, 8..=LAST).await;
    shop.complete(&order, "serviced").await.expect(200);
    let shown = shop.steps(&order).await;
    assert_eq!(shown["overrides"][0]["reason"], "the 12 V battery is out");
    assert_eq!(shop.journalled("work-order override").await, 1);
    shop.boss.act(&order, "overrides", json!({"item": "wait", "reason": "x"})).await.problem(409);
    // It counts for the lock-out it was given in and no longer.
    let other = shop.started("8", "pack-replacement").await;
    shop.work(&other, 1..=6).await;
    admin.act(&other, "overrides", json!({"item": "ground-off", "reason": "x"})).await.expect(201);
    shop.app.pass(TimeDelta::days(1));
    shop.work(&other, 3..=6).await;
    assert_eq!(items(&shop.step(&other, 8, body(8)).await), ["ground-off"]);
}

async fn an_order_is_closed_only_with_the_system_closed(engine: Engine) {
    let shop = shop(engine).await;
    let order = shop.started("7", "pack-replacement").await;
    // Nothing was opened: given up at once.
    for outcome in ["not-done", "partly"] {
        let idle = shop.started(outcome, "pack-replacement").await;
        shop.complete(&idle, outcome).await.expect(200);
    }
    shop.work(&order, 1..=13).await;
    for outcome in ["not-done", "partly"] {
        assert_eq!(items(&shop.complete(&order, outcome).await), ["latch", "codes"]);
    }
    assert_eq!(items(&shop.boss.act(&order, "cancel", json!({"reason": "sold"})).await), ["latch", "codes"]);
    let missing = items(&shop.complete(&order, "serviced").await);
    assert_eq!(missing, ["step-14", "people", "step-16", "step-18", "latch", "codes"]);
    shop.work(&order, 14..=16).await;
    let mut loose = body(17);
    loose["records"]["latch"] = json!("not-seated");
    shop.step(&order, 17, loose).await.expect(201);
    shop.work(&order, 18..=19).await;
    assert_eq!(items(&shop.complete(&order, "serviced").await), ["latch"]);
    // The plug that is not seated is put right, by a new lock-out's people, and codes are read after it.
    shop.work(&order, 3..=4).await;
    shop.work(&order, [17]).await;
    assert_eq!(items(&shop.complete(&order, "serviced").await), ["codes"]);
    shop.work(&order, [19]).await;
    shop.complete(&order, "serviced").await.expect(200);
    // Reopened, nothing of it counts any more, and all of it is shown.
    shop.app.pass(TimeDelta::minutes(1));
    shop.boss.act(&order, "reopen", json!({"reason": "wrong car"})).await.expect(200);
    assert!(items(&shop.complete(&order, "serviced").await).contains(&"measure".to_owned()));
    assert_eq!(shop.steps(&order).await["steps"][0]["entries"][0]["past"], true);
    shop.boss.act(&order, "cancel", json!({"reason": "sold"})).await.expect(200);
}

async fn other_work_needs_records_once_it_has_begun(engine: Engine) {
    let shop = shop(engine).await;
    let plain = shop.started("1", "fan-service").await;
    shop.complete(&plain, "serviced").await.expect(200);
    let begun = shop.started("2", "fan-service").await;
    let first = json!({"by": "kim", "records": {"maker_procedure": "MP 2", "high_voltage_needed": "no"}});
    shop.step(&begun, 1, first.clone()).await.expect(201);
    let missing = items(&shop.complete(&begun, "serviced").await);
    assert_eq!(missing.len(), 9, "all steps but the first: {missing:?}");
    shop.complete(&begun, "partly").await.expect(200);
    let strict = shop_with(engine, &[("work.records", "required")]).await;
    let order = strict.started("1", "fan-service").await;
    assert_eq!(items(&strict.complete(&order, "serviced").await).len(), 10);
    strict.complete(&order, "not-done").await.expect(200);
}

async fn a_lease_that_runs_out_returns_the_order(engine: Engine) {
    let shop = shop(engine).await;
    car(&shop.boss, "7", "NORTH").await;
    let raised = json!({"unit": "7", "kind": "fan-service", "reason": "noise"});
    let order = shop.boss.send("/v1/work-orders", raised).await.expect(201)["number"].as_str().unwrap().to_owned();
    let accepted = shop.boss.act(&order, "accept", json!({"by": "kim"})).await.expect(200);
    assert_eq!(accepted["lease_until"], "2026-03-19T00:00:00Z", "eight hours");
    assert_eq!(accepted["answers"], json!([{"by": "kim", "partstat": "accepted", "reason": null}]));
    for wrong in [-1, 525_601] {
        let body = json!({"by": "kim", "lease_minutes": wrong});
        assert_eq!(fault(&shop.boss.act(&order, "accept", body).await.problem(422)), "/lease_minutes");
    }
    shop.boss.act(&order, "accept", json!({"by": "kim", "lease_minutes": 60})).await.expect(200);
    let of_kim = async || {
        let list = shop.boss.get("/v1/work-orders?assigned_to=kim").await.expect(200);
        list["items"].as_array().unwrap().len()
    };
    shop.app.pass(TimeDelta::minutes(60) - TimeDelta::microseconds(1));
    assert_eq!((shop.read(&order).await["waiting"].clone(), of_kim().await), (json!([]), 1));
    let none = shop.boss.send("/v1/work-orders/next", json!({"technician": "lee"})).await;
    assert_eq!(none.status.as_u16(), 204);
    shop.app.pass(TimeDelta::microseconds(1));
    let back = shop.read(&order).await;
    assert_eq!((&back["waiting"], &back["assigned_to"]), (&json!(["technician"]), &Value::Null));
    assert_eq!(of_kim().await, 0);
    let taken = shop.boss.send("/v1/work-orders/next", json!({"technician": "lee"})).await.expect(200);
    assert_eq!((&taken["number"], &taken["assigned_to"]), (&json!(order), &json!("lee")));
    assert!(shop.boss.act(&order, "start", json!({"by": "kim"})).await.text.contains("taken by lee"));
    // Begun work has no lease, and 0 is without end.
    shop.boss.act(&order, "start", json!({})).await.expect(200);
    shop.app.pass(TimeDelta::days(9));
    assert_eq!(shop.read(&order).await["assigned_to"], "lee");
    let other = shop.started("8", "fan-service").await;
    shop.complete(&other, "not-done").await.expect(200);
    shop.boss.act(&other, "reopen", json!({"reason": "x"})).await.expect(200);
    let endless = json!({"by": "kim", "lease_minutes": 0});
    assert_eq!(shop.boss.act(&other, "accept", endless).await.expect(200)["lease_until"], Value::Null);
    shop.app.pass(TimeDelta::days(9));
    assert_eq!(shop.read(&other).await["assigned_to"], "kim");
}

async fn the_next_order_is_one_the_technician_may_do(engine: Engine) {
    let shop = shop(engine).await;
    technician(&shop.boss, "ann", "NORTH", json!([])).await;
    technician(&shop.boss, "wim", "WEST", high_voltage()).await;
    let away = json!({
        "code": "max", "depot": "NORTH", "certificates": high_voltage(),
        "absences": [{"from": "2026-03-16", "to": "2026-03-20"}],
    });
    shop.boss.send("/v1/technicians", away).await.expect(201);
    car(&shop.boss, "7", "NORTH").await;
    let mut orders = Vec::new();
    for kind in ["pack-replacement", "fan-service"] {
        let raised = json!({"unit": "7", "kind": kind, "reason": "x"});
        orders.push(shop.boss.send("/v1/work-orders", raised).await.expect(201)["number"].clone());
    }
    let next = async |who: &str| shop.boss.send("/v1/work-orders/next", json!({"technician": who})).await;
    for nobody in ["wim", "max"] {
        assert_eq!(next(nobody).await.status.as_u16(), 204, "{nobody}");
    }
    assert_eq!(fault(&next("zoe").await.problem(422)), "/technician");
    for wrong in [json!({}), json!({"by": "kim", "technician": "kim"})] {
        assert_eq!(fault(&shop.boss.send("/v1/work-orders/next", wrong).await.problem(422)), "/by");
    }
    // No certificate: the pack is passed over though it comes first.
    assert_eq!(next("ann").await.expect(200)["number"], orders[1]);
    let pack = orders[0].as_str().unwrap();
    let declined = shop.boss.act(pack, "decline", json!({"by": "kim", "reason": "back hurts"})).await.expect(200);
    assert_eq!(declined["answers"], json!([{"by": "kim", "partstat": "declined", "reason": "back hurts"}]));
    assert_eq!(next("kim").await.status.as_u16(), 204, "kim has declined it");
    let plain = shop.boss.send("/v1/work-orders/next", json!({"by": "kim"})).await;
    assert_eq!(plain.status.as_u16(), 204);
    let taken = next("lee").await.expect(200);
    assert_eq!((&taken["number"], &taken["lease_until"]), (&orders[0], &json!("2026-03-19T00:00:00Z")));
    // Given back, it is there for others; and whoever declined may still change their mind.
    shop.boss.act(pack, "decline", json!({"by": "lee", "reason": "called away"})).await.expect(200);
    assert_eq!(next("lee").await.status.as_u16(), 204);
    shop.boss.act(pack, "accept", json!({"by": "kim"})).await.expect(200);
}

/// Sends all at once and gives the statuses, sorted.
pub async fn at_once(calls: Vec<crate::common::Call>) -> Vec<u16> {
    let sent: Vec<_> = calls.into_iter().map(|call| tokio::spawn(call.send())).collect();
    let mut statuses = Vec::new();
    for reply in sent {
        statuses.push(reply.await.unwrap().status.as_u16());
    }
    statuses.sort_unstable();
    statuses
}

async fn races_have_exactly_one_winner(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    let call = |order: &str, act: &str, tag: &str, body: Value| {
        boss.post(&format!("/v1/work-orders/{order}/{act}")).once().if_match(tag).json(&body)
    };
    let done = json!({"outcome": "serviced", "odometer": 99.5, "distance_unit": "mi", "by": "kim"});
    for round in 0..6 {
        // Two technicians accept, without having seen each other.
        car(boss, &format!("A{round}"), "NORTH").await;
        let raised = json!({"unit": format!("A{round}"), "kind": "fan-service", "reason": "x"});
        let order = boss.send("/v1/work-orders", raised).await.expect(201)["number"].as_str().unwrap().to_owned();
        let accept = |who: &str| call(&order, "accept", "*", json!({"by": who}));
        let statuses = at_once(vec![accept("kim"), accept("lee")]).await;
        assert!(statuses[0] == 200 && [409, 412].contains(&statuses[1]), "{statuses:?}");
        let holder = shop.read(&order).await["assigned_to"].as_str().unwrap().to_owned();
        // The lease ends while its holder completes and somebody else asks for the next.
        shop.app.pass(TimeDelta::hours(8));
        let tag = format!("\"{}\"", shop.read(&order).await["version"]);
        let next = boss.post("/v1/work-orders/next").once().json(&json!({"by": "max"}));
        let statuses = at_once(vec![call(&order, "complete", &tag, done.clone()), next]).await;
        let after = shop.read(&order).await;
        match after["status"].as_str().unwrap() {
            "completed" => assert_eq!(statuses, [200, 204]),
            _ => {
                assert_eq!((statuses, &after["assigned_to"]), (vec![200, 412], &json!("max")), "of {holder}");
                // Not to be found by the next round.
                boss.act(&order, "cancel", json!({"reason": "x"})).await.expect(200);
            }
        }
        // Cancel against complete.
        let order = shop.started(&format!("B{round}"), "fan-service").await;
        let cancel = |tag: &str| call(&order, "cancel", tag, json!({"reason": "sold"}));
        let tag = format!("\"{}\"", shop.read(&order).await["version"]);
        let statuses = at_once(vec![cancel(&tag), call(&order, "complete", &tag, done.clone())]).await;
        assert!(statuses[0] == 200 && [409, 412].contains(&statuses[1]), "{statuses:?}");
        let services = boss.get(&format!("/v1/past-services?unit=B{round}")).await.expect(200);
        let completed = shop.read(&order).await["status"] == "completed";
        assert_eq!(services["items"].as_array().unwrap().len(), usize::from(completed));
        // A step against a cancellation, and one step by two at once.
        let order = shop.started(&format!("C{round}"), "pack-replacement").await;
        let tag = format!("\"{}\"", shop.read(&order).await["version"]);
        let first = || call(&order, "steps/1", &tag, body(1));
        let statuses = at_once(vec![first(), first(), first()]).await;
        assert!(statuses[0] == 201 && statuses[1..].iter().all(|status| *status == 412), "{statuses:?}");
        assert_eq!(shop.steps(&order).await["steps"][0]["entries"].as_array().unwrap().len(), 1);
    }
}

async fn one_bay_goes_to_one_of_many_planners(engine: Engine) {
    let shop = shop(engine).await;
    let mut calls = Vec::new();
    for place in 0..8 {
        let order = shop.started(&format!("P{place}"), "fan-service").await;
        let plan = json!({"on": "2026-03-20", "start": format!("{:02}:00", 9 + place % 2), "bay": 1});
        calls.push(shop.boss.post(&format!("/v1/work-orders/{order}/plan")).once().if_match("*").json(&plan));
    }
    assert_eq!(at_once(calls).await, [200, 409, 409, 409, 409, 409, 409, 409]);
}

async fn a_plan_says_with_what_it_clashes(engine: Engine) {
    let shop = shop(engine).await;
    let planner = shop.app.client(&[Scope::Plan, Scope::Read], &[]).await;
    let pack = shop.started("7", "pack-replacement").await;
    let fan = shop.started("8", "fan-service").await;
    let good = json!({"on": "2026-03-20", "start": "09:00", "minutes": 240, "bay": 1, "technicians": ["kim", "lee"]});
    for (field, value) in [
        ("on", json!("tomorrow")),
        ("on", json!("2026-03-17")),
        ("start", json!("9")),
        ("minutes", json!(4)),
        ("technicians", json!(1)),
        ("hours", json!(1)),
    ] {
        let mut wrong = good.clone();
        wrong[field] = value;
        assert_eq!(fault(&planner.act(&pack, "plan", wrong).await.problem(422)), format!("/{field}"));
    }
    // Off the road it stands at the shop's disposal.
    let off = json!({"from": "2026-03-18", "reason": "waits for its pack"});
    shop.boss.send("/v1/vehicles/7/off-road", off).await.expect(201);
    let planned = planner.act(&pack, "plan", good.clone()).await.expect(200);
    assert_eq!((&planned["planned"], &planned["plan"]["start"]), (&json!("2026-03-20"), &json!("09:00")));
    let asked = json!({"by": "lee", "partstat": "needs-action", "reason": null});
    assert!(planned["answers"].as_array().unwrap().contains(&asked), "{planned}");
    let clashes = async |order: &str, change: Value| {
        let mut plan = json!({"on": "2026-03-20", "start": "14:00", "bay": 2, "technicians": []});
        change.as_object().unwrap().iter().for_each(|(name, value)| plan[name] = value.clone());
        let problem = planner.act(order, "plan", plan).await.problem(409);
        assert_eq!(problem["type"], "urn:ventmile:problem:clash");
        let errors = problem["errors"].as_array().unwrap().clone();
        errors.iter().map(|fault| fault["item"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(clashes(&fan, json!({"bay": 3})).await, ["bay"]);
    assert_eq!(clashes(&fan, json!({"bay": 1, "start": "12:00"})).await, ["bay"]);
    assert_eq!(clashes(&fan, json!({"start": "16:00"})).await, ["hours"]);
    assert_eq!(clashes(&fan, json!({"start": "12:00", "technicians": ["kim"]})).await, ["person"]);
    assert_eq!(clashes(&fan, json!({"technicians": ["zoe"]})).await, ["person"]);
    assert_eq!(clashes(&pack, json!({"on": "2026-07-13"})).await, ["gear"], "gloves are due on 2026-07-10");
    let third = json!({"unit": "7", "kind": "fan-service", "reason": "noise"});
    let third = shop.boss.send("/v1/work-orders", third).await.expect(201)["number"].as_str().unwrap().to_owned();
    assert_eq!(clashes(&third, json!({"start": "10:00"})).await, ["car"]);
    assert_eq!(shop.read(&third).await["plan"], Value::Null);
    // Planned anew it is not in its own way; missed, the day stays and bay and people are free.
    planner.act(&pack, "plan", good).await.expect(200);
    planner.act(&pack, "missed", json!({"reason": "x"})).await.problem(409);
    let queued = json!({"unit": "8", "kind": "cooling-check", "reason": "warm"});
    let queued = shop.boss.send("/v1/work-orders", queued).await.expect(201)["number"].as_str().unwrap().to_owned();
    let today = json!({"on": "2026-03-18", "start": "13:00", "bay": 2, "technicians": ["kim"]});
    planner.act(&queued, "plan", today.clone()).await.expect(200);
    assert_eq!(clashes(&fan, json!({"on": "2026-03-18"})).await, ["bay", "car"]);
    let missed = planner.act(&queued, "missed", json!({"reason": "the car did not come"})).await.expect(200);
    assert_eq!(missed["missed"], json!([{"on": "2026-03-18", "reason": "the car did not come"}]));
    assert_eq!((&missed["plan"], &missed["planned"]), (&Value::Null, &Value::Null));
    planner.act(&fan, "plan", today).await.expect(200);
    // A plan is for a bay of its depot.
    shop.boss.post("/v1/vehicles/7/move").once().if_match("*").json(&json!({"depot": "WEST"})).send().await.expect(200);
    assert_eq!(shop.read(&pack).await["plan"], Value::Null);
}

async fn gloves_fall_due_by_the_rule(engine: Engine) {
    // Worked out from 29 CFR 1910.137(c)(2)(viii), Table I-5 and its footnote 1: tested 2026-01-10, issued 2026-12-01,
    // due 2027-06-01; on 2027-01-11 the shelf time is over.
    let (app, boss) = TestApp::with(engine, &[("work.strict_gloves", "false")]).await;
    two_depots(&boss).await;
    for id in ["ISSUED", "SHELF"] {
        boss.send("/v1/gear", gloves(id, "0", true)).await.expect(201);
        let early = boss.send(&format!("/v1/gear/{id}/issue"), json!({})).await;
        assert!(early.problem(422)["detail"].as_str().unwrap().contains("no passed test"), "{}", early.text);
        let test = json!({"on": "2026-01-10", "by": "lab", "passed": true});
        let tested = boss.send(&format!("/v1/gear/{id}/tests"), test).await.expect(200);
        assert_eq!((&tested["due_on"], &tested["usable"]), (&json!("2027-01-10"), &json!(false)));
    }
    let ahead = json!({"on": "2026-03-19", "by": "lab", "passed": true});
    assert_eq!(fault(&boss.send("/v1/gear/SHELF/tests", ahead).await.problem(422)), "/on");
    let due = async |days: u32| {
        let list = boss.get(&format!("/v1/gear?due_within={days}")).await.expect(200);
        list["items"].as_array().unwrap().iter().map(|it| it["id"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    app.clock.set(instant("2026-12-01T17:00:00Z"));
    let issued = boss.send("/v1/gear/ISSUED/issue", json!({})).await.expect(200);
    assert_eq!(
        (&issued["issued_on"], &issued["due_on"], &issued["usable"]),
        (&json!("2026-12-01"), &json!("2027-06-01"), &json!(true))
    );
    boss.send("/v1/gear/ISSUED/issue", json!({})).await.problem(409);
    assert_eq!((due(30).await, due(40).await), (vec![], vec!["SHELF".to_owned()]));
    app.clock.set(instant("2027-01-11T17:00:00Z"));
    let late = boss.send("/v1/gear/SHELF/issue", json!({})).await.problem(422);
    assert_eq!(fault(&late), "/on");
    assert!(late["detail"].as_str().unwrap().contains("due on 2027-01-10"), "{late}");
    boss.send("/v1/gear/SHELF/issue", json!({"on": "2027-01-10"})).await.expect(200);
    assert_eq!(due(3660).await, ["ISSUED", "SHELF"]);
    app.clock.set(instant("2027-06-02T17:00:00Z"));
    assert_eq!(boss.get("/v1/gear/ISSUED").await.expect(200)["usable"], false);
    assert_eq!(fault(&boss.get("/v1/gear?due_within=4000").await.problem(400)), "due_within");
}

async fn people_and_gear_are_kept(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    for (field, value, pointer) in [
        ("code", json!(""), "/code"),
        ("depot", json!("NOWHERE"), "/depot"),
        ("certificates", json!([{"name": "x", "expires_on": "soon"}]), "/certificates/0/expires_on"),
        ("certificates", json!([{"name": "", "expires_on": "2027-01-01"}]), "/certificates/0/name"),
        ("absences", json!([{"from": "2026-03-02", "to": "2026-03-01"}]), "/absences/0/to"),
        ("hours", json!({"mon": {"opens": "08:00", "closes": "07:00"}}), "/hours/mon/closes"),
        ("wage", json!(1), "/wage"),
    ] {
        let mut body = json!({"code": "new", "depot": "NORTH"});
        body[field] = value;
        assert_eq!(fault(&boss.send("/v1/technicians", body).await.problem(422)), pointer);
    }
    boss.send("/v1/technicians", json!({"code": "kim", "depot": "NORTH"})).await.problem(409);
    let read = boss.get("/v1/technicians/kim").await;
    assert_eq!(read.etag(), "\"1\"");
    let kim = read.expect(200);
    assert_eq!((&kim["hours"]["mon"]["opens"], &kim["hours"]["sun"]), (&json!("08:00"), &Value::Null));
    let patch = |tag: &str, body: Value| boss.patch("/v1/technicians/kim").if_match(tag).json(&body).send();
    patch("\"2\"", json!({"absences": []})).await.problem(412);
    let away = json!({"absences": [{"from": "2026-04-01", "to": "2026-04-02"}]});
    let changed = patch("\"1\"", away.clone()).await.expect(200);
    assert_eq!((&changed["absences"], &changed["certificates"]), (&away["absences"], &kim["certificates"]));
    assert_eq!(boss.get("/v1/technicians/kim").await.expect(200), changed);
    for (piece, pointer) in [
        (json!({"id": "X", "depot": "NORTH", "kind": "rope"}), "/kind"),
        (json!({"id": "X", "depot": "NORTH", "kind": "gloves", "protectors": true}), "/class"),
        (json!({"id": "X", "depot": "NORTH", "kind": "gloves", "class": "0"}), "/protectors"),
        (gloves("X", "5", true), "/class"),
        (meter("X", 1), "/meter/category"),
        (json!({"id": "X", "depot": "NORTH", "kind": "meter", "meter": {"category": 3, "volts": 1000}}), "/leads"),
    ] {
        assert_eq!(fault(&boss.send("/v1/gear", piece).await.problem(422)), pointer);
    }
    boss.send("/v1/gear", gloves("G-1", "0", true)).await.problem(409);
    let patch = |body: Value| boss.patch("/v1/gear/G-1").if_match("\"3\"").json(&body).send();
    assert_eq!(fault(&patch(json!({"meter": {"category": 3, "volts": 1000}})).await.problem(422)), "/meter");
    let changed = patch(json!({"class": "1"})).await.expect(200);
    assert_eq!((&changed["class"], &changed["issued_on"]), (&json!("1"), &json!("2026-02-01")));
    patch(json!({"class": "1"})).await.problem(412);
    boss.get("/v1/gear/NONE").await.problem(404);
    boss.send("/v1/gear/NONE/tests", json!({"on": "2026-03-18", "by": "x", "passed": true})).await.problem(404);
    for (action, count) in [
        ("technician add", 2),
        ("technician change", 1),
        ("gear add", 3),
        ("gear test", 3),
        ("gear issue", 3),
        ("gear change", 1),
    ] {
        assert_eq!(shop.journalled(action).await, count, "{action}");
    }
}

async fn procedures_are_data_with_versions(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    let list = boss.get("/v1/procedures").await.expect(200);
    let codes: Vec<_> = list["items"].as_array().unwrap().iter().map(|it| it["procedure"]["code"].clone()).collect();
    assert_eq!(codes, ["cooling-check", "fan-service", "pack-assessment", "pack-replacement"]);
    let first = boss.get("/v1/procedures/pack-replacement").await.expect(200)["procedure"].clone();
    let before = shop.started("7", "pack-replacement").await;
    let send = async |change: &dyn Fn(&mut Value)| {
        let mut next = first.clone();
        next["version"] = json!(2);
        change(&mut next);
        boss.send("/v1/procedures", next).await
    };
    type Change = fn(&mut Value);
    let faults: [(Change, &str); 8] = [
        (|it| it["version"] = json!(1), "/version"),
        (|it| it["version"] = json!(3), "/version"),
        (|it| it["title"] = json!(""), "/title"),
        (|it| it["kind"] = json!("oil"), "/kind"),
        (|it| it["steps"][8]["role"] = json!("rest"), "/steps/8/role"),
        (|it| it["steps"][16]["records"][0]["options"] = Value::Null, "/steps/16/records/0"),
        (|it| it["steps"][10]["needs"]["gear"] = json!(["rope"]), "/steps/10/needs/gear"),
        (|it| it["steps"][3]["colour"] = json!(1), "/steps/3/colour"),
    ];
    for (change, pointer) in faults {
        assert_eq!(fault(&send(&change).await.problem(422)), pointer);
    }
    // An edit that takes the wait out is not safe: every step that needs it is named.
    let unsafe_edit = send(&|it| it["steps"][8]["role"] = json!("plain")).await.problem(422);
    let pointers: BTreeSet<_> =
        unsafe_edit["errors"].as_array().unwrap().iter().map(|fault| fault["pointer"].as_str().unwrap()).collect();
    assert!(pointers.contains("/steps/9/role") && pointers.contains("/steps/10/opens_high_voltage"), "{pointers:?}");
    let second = send(&|it| it["title"] = json!("Ours")).await.expect(201);
    assert_eq!((&second["procedure"]["version"], &second["procedure"]["title"]), (&json!(2), &json!("Ours")));
    assert_eq!(boss.get("/v1/procedures/pack-replacement").await.expect(200)["procedure"]["version"], 2);
    let old = boss.get("/v1/procedures/pack-replacement?version=1").await.expect(200);
    assert_eq!((&old["procedure"], &old["added_by"]), (&first, &json!("ventmile")));
    boss.get("/v1/procedures/pack-replacement?version=9").await.problem(404);
    // An order keeps the version it was raised with.
    let after = shop.started("8", "pack-replacement").await;
    for (order, version) in [(before, 1), (after, 2)] {
        assert_eq!(shop.steps(&order).await["procedure_version"], version);
        assert_eq!(shop.read(&order).await["procedure"], json!({"code": "pack-replacement", "version": version}));
    }
    // One of another code for the job: what was added last is what new orders get.
    let mut own = first.clone();
    own["code"] = json!("swap");
    boss.send("/v1/procedures", own).await.expect(201);
    let swap = shop.started("9", "pack-replacement").await;
    assert_eq!(shop.read(&swap).await["procedure"], json!({"code": "swap", "version": 1}));
    assert_eq!(shop.journalled("procedure add").await, 2);
}

async fn a_second_reason_joins_the_first(engine: Engine) {
    let shop = shop(engine).await;
    car(&shop.boss, "7", "NORTH").await;
    let raise = |reason: &str, reference: Value| {
        let body = json!({"unit": "7", "kind": "fan-service", "reason": reason, "external_ref": reference});
        shop.boss.post("/v1/work-orders").once().json(&body)
    };
    // At once from ten: one is raised, the others join it.
    let calls: Vec<_> = (0..10).map(|who| raise(&format!("reason {who}"), Value::Null)).collect();
    let statuses = at_once(calls).await;
    assert_eq!(statuses.iter().filter(|status| **status == 201).count(), 1, "{statuses:?}");
    assert!(statuses.iter().all(|status| [200, 201].contains(status)), "{statuses:?}");
    let list = shop.boss.get("/v1/work-orders?unit=7").await.expect(200);
    assert_eq!(list["items"].as_array().unwrap().len(), 1);
    let order = &list["items"][0];
    let reasons: BTreeSet<_> = order["joined"].as_array().unwrap().iter().map(|it| it["reason"].to_string()).collect();
    assert_eq!((reasons.len(), reasons.contains(&order["reason"].to_string())), (9, false));
    // The same again changes nothing; the shop's number joins where there is none, and another is refused.
    let version = order["version"].clone();
    assert_eq!(raise("reason 3", Value::Null).send().await.expect(200)["version"], version);
    assert_eq!(raise("reason 3", json!("J-1")).send().await.expect(200)["external_ref"], "J-1");
    assert_eq!(raise("more", json!("J-1")).send().await.expect(200)["joined"].as_array().unwrap().len(), 10);
    assert_eq!(fault(&raise("more", json!("J-2")).send().await.problem(422)), "/external_ref");
    assert_eq!(shop.journalled("work-order join").await, 11);
}

async fn every_act_stands_in_the_journal(engine: Engine) {
    let shop = shop(engine).await;
    car(&shop.boss, "7", "NORTH").await;
    let raised = json!({"unit": "7", "kind": "fan-service", "reason": "x"});
    let order = shop.boss.send("/v1/work-orders", raised).await.expect(201)["number"].as_str().unwrap().to_owned();
    let (kim, why) = (json!({"by": "kim"}), json!({"by": "kim", "reason": "x"}));
    let acts = [
        ("plan", json!({"on": "2026-03-18", "start": "13:00", "bay": 1, "technicians": ["kim"]})),
        ("missed", json!({"reason": "x"})),
        ("accept", kim.clone()),
        ("decline", why.clone()),
        ("accept", kim.clone()),
        ("start", json!({})),
        ("pause", why),
        ("resume", kim),
        ("hand-over", json!({"by": "kim", "to": "lee"})),
        ("cancel", json!({"reason": "x"})),
    ];
    for (act, body) in &acts {
        shop.boss.act(&order, act, body.clone()).await.expect(200);
    }
    let page = shop.boss.get("/v1/journal?limit=500").await.expect(200);
    let subject = json!(format!("work-order {order}"));
    let lines: Vec<_> = page["items"].as_array().unwrap().iter().filter(|line| line["subject"] == subject).collect();
    let expected: Vec<_> = acts.iter().map(|(act, _)| format!("work-order {act}")).collect();
    let found: Vec<_> = lines.iter().skip(1).map(|line| line["action"].as_str().unwrap()).collect();
    assert_eq!(found, expected);
    assert_eq!((&lines[1]["after"]["plan"]["bay"], &lines[2]["after"]["plan"]), (&json!(1), &Value::Null));
    assert_eq!((&lines[4]["after"]["declined"][0]["by"], &lines[7]["after"]["paused"]), (&json!("kim"), &json!("x")));
}

async fn the_loop_raises_with_the_procedure_of_the_day(engine: Engine) {
    let shop = shop(engine).await;
    car(&shop.boss, "7", "NORTH").await;
    post(&shop.boss, "odometer-readings", month_of_readings("7", 25_510.0, 100.0)).await;
    shop.app.settle().await;
    let list = shop.boss.get("/v1/work-orders?unit=7").await.expect(200);
    let order = &list["items"][0];
    assert_eq!((&order["raised_by"], &order["procedure"]["code"]), (&json!("loop"), &json!("fan-service")));
    let joined = json!({"unit": "7", "kind": "fan-service", "reason": "fan noise"});
    assert_eq!(shop.boss.send("/v1/work-orders", joined).await.expect(200)["joined"][0]["reason"], "fan noise");
}

async fn a_file_from_the_command_line_is_a_procedure(engine: Engine) {
    let (app, boss) = TestApp::new(engine).await;
    assert_eq!(app.app.now(), instant(NOW));
    let text = include_str!("../server/daemon/procedures/fan-service.toml").replace("version = 1", "version = 2");
    let procedure = ventmile::app::work::read_procedure(&text).unwrap();
    app.app.add_procedure_from(&procedure, "command line").await.unwrap();
    let again = app.app.add_procedure_from(&procedure, "command line").await.unwrap_err();
    assert!(again.to_string().contains("next version"), "{again}");
    let stored = boss.get("/v1/procedures/fan-service").await.expect(200);
    assert_eq!((&stored["added_by"], &stored["procedure"]["version"]), (&json!("command line"), &json!(2)));
    assert!(ventmile::app::work::read_procedure("code = 1").is_err());
}

async fn a_piece_is_promised_to_one_plan_at_a_time(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    gear(boss, meter("M-2", 3), "2026-01-10", "2026-02-01").await;
    gear(boss, gloves("G-3", "0", true), "2026-01-10", "2026-02-01").await;
    let mut orders = Vec::new();
    for unit in ["1", "2"] {
        car(boss, unit, "NORTH").await;
        let raised = json!({"unit": unit, "kind": "pack-replacement", "reason": "x"});
        orders.push(boss.send("/v1/work-orders", raised).await.expect(201)["number"].as_str().unwrap().to_owned());
    }
    let plan = async |order: &str, start: &str, bay: u32, pieces: Value| {
        let plan = json!({"on": "2026-03-20", "start": start, "minutes": 120, "bay": bay, "gear": pieces});
        boss.act(order, "plan", plan).await
    };
    let planned = plan(&orders[0], "09:00", 1, json!(["G-1", "M-1"])).await.expect(200);
    assert_eq!(planned["plan"]["gear"], json!(["G-1", "M-1"]));
    let clash = plan(&orders[1], "10:00", 2, json!(["G-2", "M-1"])).await.problem(409);
    assert_eq!((&clash["errors"][0]["item"], fault(&clash)), (&json!("gear"), "/gear/1"));
    assert!(clash["detail"].as_str().unwrap().contains(&format!("M-1 is taken by {}", orders[0])), "{clash}");
    plan(&orders[1], "11:00", 2, json!(["G-2", "M-1"])).await.expect(200);
    plan(&orders[1], "10:00", 2, json!(["G-2", "M-2"])).await.expect(200);
    plan(&orders[1], "10:00", 2, json!([])).await.expect(200);
    let unknown = plan(&orders[1], "10:00", 2, json!(["X"])).await.problem(409);
    assert_eq!(fault(&unknown), "/gear/0");
    let retired = json!({"retired_on": "2026-03-20", "retired_reason": "worn"});
    let gone = boss.patch("/v1/gear/M-2").if_match("*").json(&retired).send().await.expect(200);
    assert_eq!((&gone["usable"], &gone["retired_reason"]), (&json!(true), &json!("worn")), "until that day");
    let worn = plan(&orders[1], "13:00", 2, json!(["M-2"])).await.problem(409);
    assert!(worn["detail"].as_str().unwrap().contains("it was retired on 2026-03-20"), "{worn}");
    // One meter is left for the two.
    let short = plan(&orders[1], "10:00", 2, json!([])).await.problem(409);
    assert_eq!((&short["errors"][0]["item"], fault(&short)), (&json!("gear"), "/on"));
    // At once, two plans that name the same piece.
    let call = |order: &str, bay: u32| {
        let plan = json!({"on": "2026-03-23", "start": "09:00", "minutes": 60, "bay": bay, "gear": ["G-3"]});
        boss.post(&format!("/v1/work-orders/{order}/plan")).once().if_match("*").json(&plan)
    };
    boss.patch("/v1/gear/M-2").if_match("*").json(&json!({"retired_on": null})).send().await.expect(200);
    assert_eq!(at_once(vec![call(&orders[0], 1), call(&orders[1], 2)]).await, [200, 409]);
}

async fn whoever_is_retired_gets_no_order(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    let named = json!({"code": "max", "name": "Maxine Mustermann", "depot": "NORTH", "certificates": high_voltage()});
    assert_eq!(boss.send("/v1/technicians", named).await.expect(201)["name"], "Maxine Mustermann");
    let patch = async |body: Value| boss.patch("/v1/technicians/max").if_match("*").json(&body).send().await;
    let order = shop.started("7", "pack-replacement").await;
    shop.work(&order, 1..=2).await;
    car(boss, "8", "NORTH").await;
    let raised = json!({"unit": "8", "kind": "fan-service", "reason": "x"});
    let other = boss.send("/v1/work-orders", raised).await.expect(201)["number"].as_str().unwrap().to_owned();
    assert_eq!(fault(&patch(json!({"retired_on": "2026-03-18"})).await.problem(422)), "/retired_reason");
    let gone = patch(json!({"retired_on": "2026-03-18", "retired_reason": "moved away"})).await.expect(200);
    assert_eq!((&gone["retired_on"], &gone["name"]), (&json!("2026-03-18"), &json!("Maxine Mustermann")));
    for (order, act, body, pointer) in [
        (&other, "accept", json!({"by": "max"}), "/by"),
        (&other, "start", json!({"by": "max"}), "/by"),
        (&order, "hand-over", json!({"by": "kim", "to": "max"}), "/to"),
    ] {
        let refused = boss.act(order, act, body).await.problem(422);
        assert_eq!(fault(&refused), pointer, "{act}");
        assert!(refused["detail"].as_str().unwrap().contains("was retired on 2026-03-18"), "{refused}");
    }
    assert_eq!(boss.send("/v1/work-orders/next", json!({"technician": "max"})).await.status.as_u16(), 204);
    let stranger = shop.step(&order, 3, json!({"by": "kim", "with": ["max"]})).await;
    assert_eq!(items(&stranger), ["person"]);
    assert!(stranger.text.contains("was retired"), "{}", stranger.text);
    let plan = json!({"on": "2026-03-20", "start": "09:00", "bay": 1, "technicians": ["max"]});
    assert!(boss.act(&other, "plan", plan).await.problem(409)["detail"].as_str().unwrap().contains("was retired"));
    // What was done before counts, told late.
    boss.act(&other, "start", json!({"by": "kim"})).await.expect(200);
    boss.act(&other, "hand-over", json!({"by": "kim", "to": "lee"})).await.expect(200);
    let codes = async |query: &str| {
        let list = boss.get(&format!("/v1/technicians{query}")).await.expect(200);
        list["items"].as_array().unwrap().iter().map(|it| it["code"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(
        (codes("").await, codes("?with_retired=true").await.len()),
        (vec!["kim".to_owned(), "lee".to_owned()], 3)
    );
    // The name is erased; it never stood anywhere but in the register.
    assert_eq!(patch(json!({"name": null})).await.expect(200)["name"], Value::Null);
    assert!(!boss.get("/v1/journal?limit=500").await.text.contains("Mustermann"));
    assert_eq!(patch(json!({"retired_on": null})).await.expect(200)["retired_on"], Value::Null);
    boss.act(&order, "hand-over", json!({"by": "kim", "to": "max"})).await.expect(200);
    // Gear likewise.
    let worn = json!({"retired_on": "2026-03-18", "retired_reason": "torn"});
    let torn = boss.patch("/v1/gear/G-1").if_match("*").json(&worn).send().await.expect(200);
    assert_eq!(torn["unusable"], json!(["it was retired on 2026-03-18"]));
    let shown = boss.get("/v1/gear?due_within=3660").await.expect(200);
    assert!(!shown["items"].to_string().contains("G-1"), "{shown}");
    assert!(boss.get("/v1/gear?with_retired=true").await.text.contains("G-1"));
}

async fn a_later_cause_of_the_loop_joins_the_open_order(engine: Engine) {
    let shop = shop(engine).await;
    let (app, boss) = (&shop.app, &shop.boss);
    crate::common::ordinary_car(boss, "7", "NORTH").await;
    let raised = json!({"unit": "7", "kind": "cooling-check", "reason": "fan noise"});
    let order = boss.send("/v1/work-orders", raised).await.expect(201)["number"].as_str().unwrap().to_owned();
    let code =
        |code: &str, at: &str| json!({"unit": "7", "at": at, "code": code, "state": "confirmed", "source": "scan"});
    let joined = async || {
        app.app.raise_orders(100).await.unwrap();
        app.settle().await;
        app.settle().await;
        let read = shop.read(&order).await;
        let reasons = read["joined"].as_array().unwrap().clone();
        let told = |it: &Value| (it["by"].as_str().unwrap().to_owned(), it["reason"].as_str().unwrap()[..5].to_owned());
        reasons.iter().map(told).collect::<Vec<_>>()
    };
    assert_eq!(joined().await, []);
    post(boss, "trouble-codes", code("P0A82", "2026-03-18T12:00:00Z")).await;
    let by_loop = |code: &str| ("loop".to_owned(), code.to_owned());
    assert_eq!(joined().await, [by_loop("P0A82")]);
    // Reported again it is the same cause; another code is another.
    post(boss, "trouble-codes", code("P0A82", "2026-03-18T13:00:00Z")).await;
    post(boss, "trouble-codes", code("P0A81", "2026-03-18T13:00:00Z")).await;
    assert_eq!(joined().await, [by_loop("P0A82"), by_loop("P0A81")]);
    // A code that stops the car brings its order to the front.
    let rank = async || {
        let queue = boss.get("/v1/work-orders").await.expect(200);
        queue["items"].as_array().unwrap().iter().position(|it| it["number"] == json!(order)).unwrap()
    };
    car(boss, "8", "NORTH").await;
    let first = json!({"unit": "8", "kind": "cooling-check", "reason": "x"});
    boss.send("/v1/work-orders", first).await.expect(201);
    post(boss, "trouble-codes", code("P0A7E", "2026-03-18T14:00:00Z")).await;
    assert_eq!(joined().await.len(), 3);
    assert_eq!(rank().await, 0);
    assert_eq!(shop.journalled("work-order join").await, 3);
    let list = boss.get("/v1/work-orders?unit=7&kind=cooling-check").await.expect(200);
    assert_eq!(list["items"].as_array().unwrap().len(), 1);
    // What the forecast calls for joins an order raised by hand as well.
    car(boss, "9", "NORTH").await;
    let noise = json!({"unit": "9", "kind": "fan-service", "reason": "noise"});
    let fan = boss.send("/v1/work-orders", noise).await.expect(201)["number"].as_str().unwrap().to_owned();
    post(boss, "odometer-readings", month_of_readings("9", 25_510.0, 100.0)).await;
    app.settle().await;
    app.pass(TimeDelta::days(1));
    app.settle().await;
    let found = shop.read(&fan).await;
    assert_eq!((found["joined"].as_array().unwrap().len(), &found["joined"][0]["by"]), (1, &json!("loop")), "{found}");
}

crate::on_both!(
    a_pack_is_replaced_step_by_step,
    each_part_of_the_lock_out_is_asked_for,
    gear_that_may_not_be_used_is_refused,
    people_are_asked_for_by_certificate_and_number,
    an_isolation_fault_needs_people_qualified_for_it,
    what_is_recorded_has_its_shape,
    a_lock_out_of_yesterday_opens_nothing,
    a_reading_over_the_limit_stops_the_order,
    lesser_items_are_overridden_with_a_reason,
    an_order_is_closed_only_with_the_system_closed,
    other_work_needs_records_once_it_has_begun,
    a_lease_that_runs_out_returns_the_order,
    the_next_order_is_one_the_technician_may_do,
    races_have_exactly_one_winner,
    one_bay_goes_to_one_of_many_planners,
    a_plan_says_with_what_it_clashes,
    gloves_fall_due_by_the_rule,
    people_and_gear_are_kept,
    procedures_are_data_with_versions,
    a_second_reason_joins_the_first,
    every_act_stands_in_the_journal,
    the_loop_raises_with_the_procedure_of_the_day,
    a_file_from_the_command_line_is_a_procedure,
    a_piece_is_promised_to_one_plan_at_a_time,
    whoever_is_retired_gets_no_order,
    a_later_cause_of_the_loop_joins_the_open_order,
);
