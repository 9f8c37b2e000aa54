//! Nobody and nothing is retired from under an open order, and no order gets who or what was retired: of two at once, one wins.

use chrono::TimeDelta;
use serde_json::{Value, json};

use crate::common::{Call, Client, Engine, car};
use crate::work::{Shop, at_once, body, gear, gloves, high_voltage, shop, technician};

/// Enough rounds for either to come first.
const ROUNDS: u32 = 8;

async fn raised(boss: &Client, unit: &str, kind: &str) -> String {
    car(boss, unit, "NORTH").await;
    let order = json!({"unit": unit, "kind": kind, "reason": "x"});
    boss.send("/v1/work-orders", order).await.expect(201)["number"].as_str().unwrap().to_owned()
}

fn act(boss: &Client, order: &str, act: &str, body: Value) -> Call {
    boss.post(&format!("/v1/work-orders/{order}/{act}")).once().if_match("*").json(&body)
}

fn retire(boss: &Client, what: &str) -> Call {
    let gone = json!({"retired_on": "2026-03-18", "retired_reason": "gone"});
    boss.patch(&format!("/v1/{what}")).if_match("*").json(&gone)
}

async fn is_retired(boss: &Client, what: &str) -> bool {
    !boss.get(&format!("/v1/{what}")).await.expect(200)["retired_on"].is_null()
}

/// One of the two was done: the other's refusal is a conflict, or names the field.
#[track_caller]
fn one_won(statuses: &[u16], done: &[u16]) {
    assert!(done.contains(&statuses[0]) && [409, 422].contains(&statuses[1]), "{statuses:?}");
}

async fn of_taking_and_retiring_a_technician_one_wins(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    for round in 0..ROUNDS {
        let (code, unit) = (format!("t{round}"), format!("A{round}"));
        technician(boss, &code, "NORTH", high_voltage()).await;
        let order = raised(boss, &unit, "fan-service").await;
        let take = match round % 3 {
            0 => act(boss, &order, "accept", json!({"by": code})),
            1 => act(boss, &order, "start", json!({"by": code})),
            _ => boss.post("/v1/work-orders/next").once().json(&json!({"technician": code, "kind": "fan-service"})),
        };
        let who = format!("technicians/{code}");
        let statuses = at_once(vec![take, retire(boss, &who)]).await;
        let (gone, holder) = (is_retired(boss, &who).await, shop.read(&order).await["assigned_to"].clone());
        match statuses.as_slice() {
            // There was nothing for somebody who is gone.
            [200, 204] => assert!(gone && holder.is_null(), "{holder}"),
            _ => one_won(&statuses, &[200]),
        }
        assert_eq!(gone, holder.is_null(), "{statuses:?}");
        boss.act(&order, "cancel", json!({"reason": "x"})).await.expect(200);
    }
}

async fn of_planning_and_retiring_one_wins(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    for round in 0..ROUNDS {
        let (code, piece) = (format!("t{round}"), format!("P-{round}"));
        technician(boss, &code, "NORTH", high_voltage()).await;
        gear(boss, gloves(&piece, "0", true), "2026-01-10", "2026-02-01").await;
        let order = raised(boss, &format!("B{round}"), "fan-service").await;
        let on = "2026-03-20";
        let plan = json!({"on": on, "start": "09:00", "minutes": 30, "bay": 1, "technicians": [code], "gear": [piece]});
        let what = if round % 2 == 0 { format!("technicians/{code}") } else { format!("gear/{piece}") };
        let statuses = at_once(vec![act(boss, &order, "plan", plan), retire(boss, &what)]).await;
        one_won(&statuses, &[200]);
        assert_eq!(is_retired(boss, &what).await, shop.read(&order).await["plan"].is_null());
        boss.act(&order, "cancel", json!({"reason": "x"})).await.expect(200);
    }
}

/// An order at which the person has been named for the lock-out.
async fn at_the_gloves(shop: &Shop, unit: &str) -> String {
    let order = shop.started(unit, "pack-replacement").await;
    shop.work(&order, 1..=3).await;
    order
}

async fn of_recording_and_retiring_one_wins(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    for round in 0..ROUNDS {
        let (first, second) = (format!("R-{round}"), format!("S-{round}"));
        for id in [&first, &second] {
            gear(boss, gloves(id, "0", true), "2026-01-10", "2026-02-01").await;
        }
        let order = at_the_gloves(&shop, &format!("C{round}")).await;
        shop.app.pass(TimeDelta::minutes(1));
        let mut named = body(4);
        named["gear"] = json!([first, second]);
        let piece = format!("gear/{first}");
        let statuses = at_once(vec![act(boss, &order, "steps/4", named), retire(boss, &piece)]).await;
        let recorded = !shop.steps(&order).await["steps"][3]["entries"].as_array().unwrap().is_empty();
        assert_eq!(is_retired(boss, &piece).await, !recorded, "{statuses:?}");
        one_won(&statuses, &[200, 201]);
        boss.act(&order, "cancel", json!({"reason": "x"})).await.expect(200);
    }
}

async fn of_completing_with_a_part_and_retiring_it_one_wins(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    for round in 0..ROUNDS {
        let number = format!("F-{round}");
        let part = json!({"depot": "NORTH", "number": number, "name": "filter", "lead_days": 5, "stock": 1});
        boss.send("/v1/parts", part).await.expect(201);
        let order = shop.started(&format!("D{round}"), "fan-service").await;
        let done = json!({"outcome": "partly", "by": "kim", "parts": [{"number": number, "quantity": 1}]});
        let gone = json!({"depot": "NORTH", "retired_on": "2026-03-18", "retired_reason": "gone"});
        let retire = boss.patch(&format!("/v1/parts/{number}")).if_match("\"1\"").json(&gone);
        let statuses = at_once(vec![act(boss, &order, "complete", done), retire]).await;
        let completed = shop.read(&order).await["status"] == "completed";
        assert!(statuses[0] == 200 && [412, 422].contains(&statuses[1]), "{statuses:?}");
        assert_eq!(completed, statuses[1] == 412, "the part had changed");
    }
}

async fn whoever_an_order_counts_on_is_not_retired(engine: Engine) {
    let shop = shop(engine).await;
    let boss = &shop.boss;
    let order = at_the_gloves(&shop, "7").await;
    shop.work(&order, 4..=5).await;
    let refused = async |what: &str, todo: &str| {
        let problem = retire(boss, what).send().await.problem(409);
        let says = problem["detail"].as_str().unwrap();
        assert!(says.contains(&order) && says.contains(todo), "{problem}");
    };
    refused("technicians/kim", "hand it over").await;
    refused("gear/G-1", "a failed test keeps it from use at once").await;
    // Handed over, a new lock-out is needed: the old one's pieces are free.
    boss.act(&order, "hand-over", json!({"by": "kim", "to": "lee"})).await.expect(200);
    retire(boss, "technicians/kim").send().await.expect(200);
    retire(boss, "gear/G-1").send().await.expect(200);
    // A plan before the day they go stands in nobody's way, one on it does.
    let other = raised(boss, "8", "fan-service").await;
    let plan = json!({"on": "2026-03-19", "start": "09:00", "bay": 1, "technicians": ["lee"]});
    boss.act(&other, "plan", plan).await.expect(200);
    let later = |on: &str| json!({"retired_on": on, "retired_reason": "moves away"});
    let patch = |body: Value| boss.patch("/v1/technicians/lee").if_match("*").json(&body).send();
    patch(later("2026-03-19")).await.problem(409);
    boss.act(&order, "hand-over", json!({"by": "lee", "to": "somebody"})).await.expect(200);
    patch(later("2026-03-19")).await.problem(409);
    patch(later("2026-03-20")).await.expect(200);
}

crate::on_both!(
    of_taking_and_retiring_a_technician_one_wins,
    of_planning_and_retiring_one_wins,
    of_recording_and_retiring_one_wins,
    of_completing_with_a_part_and_retiring_it_one_wins,
    whoever_an_order_counts_on_is_not_retired,
);
