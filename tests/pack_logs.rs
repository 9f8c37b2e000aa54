//! Packs, pack checks and trouble codes in: formats, verdicts, lists, removals, voids.

use serde_json::{Value, json};
use ventmile::app::keys::Scope;

use crate::common::{Client, Engine, TestApp, car, fault, post, refused, two_depots};

async fn fleet(engine: Engine) -> (TestApp, Client) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    car(&manager, "7", "NORTH").await;
    car(&manager, "8", "WEST").await;
    (app, manager)
}

fn counts(stored: u64, repeated: u64, replaced: u64) -> Value {
    json!({"stored": stored, "repeated": repeated, "replaced": replaced, "refused": []})
}

fn pack(serial: &str, unit: &str, at: &str) -> Value {
    json!({
        "serial": serial, "type": "N28", "chemistry": "nimh", "blocks": 14, "modules_per_block": 2,
        "cells_per_module": 6, "unit": unit, "installed_at": at, "odometer": 10, "distance_unit": "mi", "original": true,
    })
}

fn check(unit: &str, at: &str) -> Value {
    json!({
        "unit": unit, "at": at, "block_volts": [14.6, 14.5, 14.2], "current_a": 40.5, "charge_pct": 55, "pack_c": 38.5,
        "cabin_c": 22, "fan_stage": 2, "source": "scan tool",
    })
}

async fn items(client: &Client, path: &str) -> Vec<Value> {
    client.get(path).await.expect(200)["items"].as_array().unwrap().clone()
}

async fn a_check_is_stored_as_sent_in_every_format(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    let row = check("7", "2026-03-01T12:00:00Z");
    assert_eq!(post(&manager, "pack-checks", row.clone()).await, counts(1, 0, 0));
    let table = "unit,at,block_volts,current_a,charge_pct,pack_c,cabin_c,fan_stage,source\n\
                 7,2026-03-01T12:00:00Z,14.6 14.5 14.2,40.5,55,38.5,22,2,scan tool\n\
                 7,2026-03-02T12:00:00Z,14.6  14.5 14.1,,,,,,\n";
    let verdicts = manager.post("/v1/pack-checks").body("text/csv", table).send().await.expect(200);
    assert_eq!(verdicts, counts(1, 1, 0));
    let mut other = row;
    other["charge_pct"] = json!(56);
    assert_eq!(post(&manager, "pack-checks", other).await, counts(0, 0, 1));
    let found = items(&manager, "/v1/pack-checks?unit=7").await;
    assert_eq!(
        found[0],
        json!({
            "at": "2026-03-01T12:00:00Z", "block_volts": [14.6, 14.5, 14.2], "current_a": 40.5, "charge_pct": 56.0,
            "pack_c": 38.5, "cabin_c": 22.0, "fan_stage": 2, "source": "scan tool", "voided_at": null,
        })
    );
    assert_eq!((&found[1]["block_volts"], &found[1]["current_a"]), (&json!([14.6, 14.5, 14.1]), &Value::Null));
    assert_eq!(found[1]["source"], "unnamed");
}

async fn a_code_is_read_as_the_standard_spells_it(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    let code = |code: &str, state: &str| json!({"unit": "7", "at": "2026-03-01T12:00:00Z", "code": code, "state": state, "detail": 123});
    assert_eq!(post(&manager, "trouble-codes", code("p0a80", "pending")).await, counts(1, 0, 0));
    assert_eq!(post(&manager, "trouble-codes", code("P0A80", "confirmed")).await, counts(0, 0, 1));
    let table = "unit,at,code,state\n7,2026-03-01T12:00:00Z,P0AA6-1A,history\n7,2026-03-02T12:00:00Z,U11C4,cleared\n";
    let verdicts = manager.post("/v1/trouble-codes").body("text/csv", table).send().await.expect(200);
    assert_eq!(verdicts, counts(2, 0, 0));
    let found = items(&manager, "/v1/trouble-codes?unit=7").await;
    let shown: Vec<_> =
        found.iter().map(|row| (row["code"].as_str().unwrap(), row["state"].as_str().unwrap())).collect();
    assert_eq!(shown, [("P0A80", "confirmed"), ("P0AA6-1A", "history"), ("U11C4", "cleared")]);
    assert_eq!((&found[0]["detail"], &found[1]["detail"]), (&json!(123), &Value::Null));
    assert!(found[1]["todo"].as_str().unwrap().contains("do not touch"), "{}", found[1]);
    assert_eq!(found[2]["says"], Value::Null);
}

async fn a_wrong_row_names_its_field(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    let spoilt = |mut row: Value, name: &str, value: Value| {
        row[name] = value;
        row
    };
    let good = check("7", "2026-03-01T12:00:00Z");
    let cases = [
        ("block_volts", json!([14.6])),
        ("block_volts", json!([14.6, 14_500])),
        ("block_volts", Value::Null),
        ("charge_pct", json!(101)),
        ("pack_c", json!(400)),
        ("fan_stage", json!(99)),
        ("at", json!("2027-03-01T12:00:00Z")),
        ("unit", json!("9")),
    ];
    for (name, value) in cases {
        let verdicts = post(&manager, "pack-checks", spoilt(good.clone(), name, value)).await;
        assert_eq!(refused(&verdicts, 0).1, name, "{verdicts}");
    }
    let good = json!({"unit": "7", "at": "2026-03-01T12:00:00Z", "code": "P0A80", "state": "pending"});
    for (name, value) in [("code", json!("P4A80")), ("code", json!("0A80")), ("state", json!("active"))] {
        let verdicts = post(&manager, "trouble-codes", spoilt(good.clone(), name, value)).await;
        assert_eq!(refused(&verdicts, 0).1, name, "{verdicts}");
    }
    let good = pack("A1", "7", "2025-01-01T12:00:00Z");
    let cases = [
        ("serial", json!("")),
        ("chemistry", json!("lead")),
        ("blocks", json!(1)),
        ("cells_per_module", Value::Null),
        ("odometer", json!(-1)),
        ("distance_unit", Value::Null),
        ("removed_because", json!("failed")),
        ("removed_odometer", json!(5)),
        ("installed_at", json!("2025-01-01")),
    ];
    for (name, value) in cases {
        let verdicts = post(&manager, "packs", spoilt(good.clone(), name, value)).await;
        let field = if name.starts_with("removed") { "removed_at" } else { name };
        assert_eq!(refused(&verdicts, 0).1, field, "{verdicts}");
    }
    let early = spoilt(spoilt(good, "removed_at", json!("2024-01-01T12:00:00Z")), "removed_because", json!("age"));
    assert_eq!(refused(&post(&manager, "packs", early).await, 0).1, "removed_at");
}

async fn a_removal_can_come_later(engine: Engine) {
    let (app, manager) = fleet(engine).await;
    post(&manager, "packs", json!([pack("A1", "7", "2025-01-01T12:00:00Z"), pack("B1", "8", "2025-01-01T12:00:00Z")]))
        .await;
    assert_eq!(post(&manager, "packs", pack("A1", "7", "2025-01-01T12:00:00Z")).await, counts(0, 1, 0));
    let removal =
        json!({"at": "2026-02-01T12:00:00Z", "odometer": 90_000, "distance_unit": "mi", "because": "condition"});
    let removed = manager.send("/v1/packs/A1/remove", removal.clone()).await.expect(200);
    assert_eq!((&removed["removed_because"], &removed["removed_odometer"]), (&json!("condition"), &json!(90_000.0)));
    manager.send("/v1/packs/A1/remove", removal.clone()).await.problem(404);
    let early = json!({"at": "2024-02-01T12:00:00Z", "because": "age"});
    assert_eq!(fault(&manager.send("/v1/packs/B1/remove", early).await.problem(422)), "/at");
    let vague = json!({"at": "2026-02-01T12:00:00Z", "because": "old"});
    assert_eq!(fault(&manager.send("/v1/packs/B1/remove", vague).await.problem(422)), "/because");
    // The pack goes on in another car.
    let mut again = pack("A1", "8", "2026-03-01T12:00:00Z");
    again["used_distance"] = json!(89_990);
    assert_eq!(post(&manager, "packs", again).await, counts(1, 0, 0));
    let serials = |rows: Vec<Value>| -> Vec<(String, String)> {
        let text = |row: &Value, name: &str| row[name].as_str().unwrap().to_owned();
        rows.iter().map(|row| (text(row, "serial"), text(row, "unit"))).collect()
    };
    let pair = |serial: &str, unit: &str| (serial.to_owned(), unit.to_owned());
    assert_eq!(serials(items(&manager, "/v1/packs").await), [pair("A1", "8"), pair("B1", "8")]);
    let all = items(&manager, "/v1/packs?with_removed=true&limit=2").await;
    assert_eq!(serials(all), [pair("A1", "7"), pair("A1", "8")]);
    assert_eq!(serials(items(&manager, "/v1/packs?depot=NORTH&with_removed=true").await), [pair("A1", "7")]);
    let west = app.client(&[Scope::Read, Scope::Work], &["WEST"]).await;
    assert_eq!(items(&west, "/v1/packs?with_removed=true").await.len(), 2);
    let north = app.client(&[Scope::Read, Scope::Work], &["NORTH"]).await;
    north.send("/v1/packs/B1/remove", removal).await.problem(404);
    let lines = items(&manager, "/v1/journal").await;
    assert!(lines.iter().any(|line| line["action"] == "pack remove" && line["subject"] == "pack A1 in vehicle 7"));
}

async fn rows_can_be_voided_and_taken_back(engine: Engine) {
    let (_app, manager) = fleet(engine).await;
    post(&manager, "packs", pack("A1", "7", "2025-01-01T12:00:00Z")).await;
    post(&manager, "pack-checks", check("7", "2026-03-01T12:00:00Z")).await;
    let code = json!({"unit": "7", "at": "2026-03-01T12:00:00Z", "code": "P0A80", "state": "pending"});
    post(&manager, "trouble-codes", code).await;
    let reason = "another car's";
    let cases = [
        ("packs", json!({"unit": "7", "serial": "A1", "at": "2025-01-01T12:00:00Z", "reason": reason})),
        ("pack-checks", json!({"unit": "7", "at": "2026-03-01T12:00:00Z", "source": "scan tool", "reason": reason})),
        ("trouble-codes", json!({"unit": "7", "code": "P0A80", "at": "2026-03-01T12:00:00Z", "reason": reason})),
    ];
    for (log, mut which) in cases {
        let list = format!("/v1/{log}?unit=7{}", if log == "packs" { "&with_removed=true" } else { "" });
        manager.send(&format!("/v1/{log}/void"), which.clone()).await.expect(200);
        assert!(items(&manager, &list).await[0]["voided_at"].is_string(), "{log}");
        which["undo"] = json!(true);
        manager.send(&format!("/v1/{log}/void"), which.clone()).await.expect(200);
        assert!(items(&manager, &list).await[0]["voided_at"].is_null(), "{log}");
        which["at"] = json!("2026-03-09T12:00:00Z");
        manager.send(&format!("/v1/{log}/void"), which).await.problem(404);
    }
}

crate::on_both!(
    a_check_is_stored_as_sent_in_every_format,
    a_code_is_read_as_the_standard_spells_it,
    a_wrong_row_names_its_field,
    a_removal_can_come_later,
    rows_can_be_voided_and_taken_back,
);
