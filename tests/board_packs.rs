//! The board's pages of packs and money: the riskiest pack and why, its page, hindsight, what waiting costs.

use axum::http::StatusCode;
use serde_json::{Value, json};
use ventmile::app::keys::Scope;

use crate::board::Browser;
use crate::common::{
    Client, Engine, TestApp, car, instant, month_of_readings, ordinary_car, post, serviced, two_depots,
};
use crate::hindsight::two_cars_for_ten_weeks;
use crate::packs::{days_ago, falling, pack};

/// A pack with a hostile name whose block has come near its limit, one that failed before it, one at another depot.
const WORN: &str = "P<b>7/&";
const WORN_PAGE: &str = "/board/packs/P%3Cb%3E7%2F%26";

fn removed(serial: &str, unit: &str) -> Value {
    let mut row = pack(serial, unit, instant("2025-01-01T12:00:00Z"), 10.0);
    let removal =
        json!({"removed_at": "2025-04-05T12:00:00Z", "removed_odometer": 60_000, "removed_because": "failed"});
    row.as_object_mut().unwrap().extend(removal.as_object().unwrap().clone());
    row
}

async fn fleet(app: &TestApp, manager: &Client) {
    two_depots(manager).await;
    car(manager, "7", "NORTH").await;
    ordinary_car(manager, "8", "NORTH").await;
    ordinary_car(manager, "W1", "WEST").await;
    post(manager, "odometer-readings", month_of_readings("7", 100_000.0, 200.0)).await;
    serviced(manager, "7", "2025-06-01T12:00:00Z", 61_000.0).await;
    let worn = pack(WORN, "7", instant("2025-04-05T12:00:00Z"), 60_000.0);
    post(manager, "packs", json!([removed("P-OLD", "7"), worn])).await;
    post(manager, "packs", pack("W-PACK", "W1", instant("2025-01-05T12:00:00Z"), 10.0)).await;
    post(manager, "pack-checks", falling("7", 0.3, 0.9)).await;
    let mut light = falling("7", 0.9, 0.9)[0].clone();
    light["at"] = json!(days_ago(3));
    light["current_a"] = json!(2);
    post(manager, "pack-checks", light).await;
    app.settle().await;
    app.app.learn_life().await.unwrap();
}

async fn the_riskiest_pack_is_found_and_explained(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    fleet(&app, &manager).await;
    let browser = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    let list = browser.page("/board/packs").await;
    assert!(list.contains("Of <strong>3 packs</strong>"), "{list}");
    let places = [WORN_PAGE, "/board/packs/W-PACK"].map(|address| list.find(address).unwrap());
    assert!(places[0] < places[1], "the riskiest comes first");
    assert!(list.contains("The weakest block lay") && list.contains("Not registered"), "{list}");
    assert!(!list.contains("<b>"), "{list}");
    let west = browser.page("/board/packs?depot=WEST&type=N28").await;
    assert!(west.contains("W-PACK") && !west.contains(WORN_PAGE), "{west}");
    assert!(browser.page("/board/packs?band=degraded").await.contains("No pack is like that."));
    assert!(browser.page("/board/packs?unit=7").await.contains(WORN_PAGE));
    assert!(browser.page("/board/cars/7").await.contains(WORN_PAGE), "the car leads to its pack");
    for wrong in ["/board/packs?after=zz", "/board/packs?colour=red"] {
        assert_eq!(browser.get(wrong).await.status, StatusCode::BAD_REQUEST, "{wrong}");
    }

    let page = browser.page(WORN_PAGE).await;
    for words in [
        "P&lt;b&gt;7/&amp;",
        "in car <a href=\"/board/cars/7\">7</a>",
        "Block 7 is the weakest",
        "the whole check set aside: current not known or not like the others",
        "Raises it.",
        "pack assessment",
        "1 of 4 packs have failed",
        "<td>worn out</td>",
        "Keeping it another month is expected to cost",
        "in it still",
    ] {
        assert!(page.contains(words), "{words}: {page}");
    }
    assert!(!page.contains("<b>") && !page.contains("style="), "{page}");
    let old = browser.page("/board/packs/P-OLD").await;
    assert!(old.contains("In no car that you see.") && old.contains("taken out: it failed"), "{old}");
    assert!(!old.contains("What to do next"), "{old}");
    assert_eq!(browser.get("/board/packs/none").await.status, StatusCode::NOT_FOUND);
}

async fn a_key_sees_the_packs_of_its_depots(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    fleet(&app, &manager).await;
    let west = Browser::sign_in(&app, "west", &[Scope::Read], &["WEST"]).await;
    for path in ["/board/packs", "/board/packs/W-PACK", "/board/cost", "/board/hindsight"] {
        let page = west.page(path).await;
        for hidden in ["NORTH", "P-OLD", WORN_PAGE, "P&lt;b&gt;7", "/board/cars/7", "/board/cars/8"] {
            assert!(!page.contains(hidden), "{path} shows {hidden}: {page}");
        }
    }
    assert!(west.page("/board/packs").await.contains("Of <strong>1 pack</strong>"));
    let (hidden, none) = (west.get("/board/packs/P-OLD").await, west.get("/board/packs/P-NIL").await);
    assert_eq!((hidden.status, none.status), (StatusCode::NOT_FOUND, StatusCode::NOT_FOUND));
    assert_eq!(hidden.text.replace("P-OLD", "P-NIL"), none.text, "whether a hidden pack is there is not told");
    for path in ["/board/packs?depot=NORTH", "/board/cost?depot=NORTH", "/board/hindsight?depot=NORTH"] {
        assert_eq!(west.get(path).await.status, StatusCode::NOT_FOUND, "{path}");
    }
    let poster = Browser::sign_in(&app, "poster", &[Scope::Post], &[]).await;
    for path in ["/board/packs", "/board/packs/W-PACK", "/board/cost", "/board/hindsight"] {
        assert_eq!(poster.get(path).await.status, StatusCode::FORBIDDEN, "{path}");
    }
}

async fn packs_come_in_pages(engine: Engine) {
    let (app, manager) = TestApp::with(engine, &[("limits.page", "2")]).await;
    fleet(&app, &manager).await;
    let browser = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    let first = browser.page("/board/packs").await;
    let next = first.split("rel=\"next\"").next().unwrap().rsplit("href=\"").next().unwrap();
    let second = browser.page(&next.split('"').next().unwrap().replace("&amp;", "&")).await;
    let units = |page: &str| -> Vec<&str> {
        ["7", "8", "W1"].into_iter().filter(|unit| page.contains(&format!("/board/cars/{unit}\""))).collect()
    };
    let (shown, then) = (units(&first), units(&second));
    assert_eq!((shown.len(), then.len()), (2, 1), "{first} {second}");
    assert!(!shown.contains(&then[0]) && second.contains("First page") && !second.contains("Next page"));
}

async fn waiting_has_its_price(engine: Engine) {
    let settings = [("cost.pack", "3000"), ("cost.tow", "500"), ("cost.shifts_roadside", "6")];
    let (app, manager) = TestApp::with(engine, &settings).await;
    fleet(&app, &manager).await;
    let browser = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    let page = browser.page("/board/cost").await;
    // 3,000 and 400 of labour and a shift of 180; 500 of tow and six shifts beyond the same.
    assert!(page.contains("planned replacement costs <strong>3,580</strong>"), "{page}");
    assert!(page.contains("on the road costs <strong>4,980</strong>"), "{page}");
    assert!(page.contains("cost.shifts_roadside") && page.contains("Another month with each pack"), "{page}");
    // 100,000 mi on the odometer, serviced at 61,000, late from 25,000 on.
    assert!(page.contains("<strong>1 car</strong> is past the window by distance."), "{page}");
    assert!(page.contains("<th scope=\"row\">7</th><td>NORTH</td><td>14,000 mi</td>"), "{page}");
    assert!(page.contains(WORN_PAGE) && !page.contains("<b>"), "{page}");
}

async fn hindsight_is_empty_until_there_is_a_record(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    let browser = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    let page = browser.page("/board/hindsight").await;
    assert!(page.contains("no forecast has been kept") && page.contains("no chance has been told"), "{page}");
    fleet_of_one(&app, &manager).await;
    let page = browser.page("/board/hindsight").await;
    assert!(page.contains("Nothing to score yet: the first forecasts end on <time datetime=\"2026-0"), "{page}");
    assert!(page.contains("Nothing to score yet: the first chances end on <time datetime=\"2026-04-17\">"), "{page}");
}

async fn fleet_of_one(app: &TestApp, manager: &Client) {
    car(manager, "7", "NORTH").await;
    serviced(manager, "7", "2025-10-01T12:00:00Z", 25_000.0).await;
    post(manager, "odometer-readings", month_of_readings("7", 41_000.0, 150.0)).await;
    app.settle().await;
}

async fn dates_are_held_against_what_happened(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_cars_for_ten_weeks(&app, &manager).await;
    let browser = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    let page = browser.page("/board/hindsight").await;
    let found = manager.get("/v1/hindsight").await.expect(200);
    let early = &found["early"]["all"];
    let words = format!(
        "Too few to say whether they earn their keep: they miss by {:.2} days",
        early["ventmile"]["mean_pinball"].as_f64().unwrap()
    );
    assert!(page.contains(&words), "{words}: {page}");
    assert!(page.contains(&format!("{} forecasts scored", early["ventmile"]["n"])), "{page}");
    assert!(page.contains("made in Apr 2026") && page.contains("15 to 30 days") && page.contains("NORTH"), "{page}");
    assert!(page.contains("The late edge of the window") && page.contains("Within 30 days: "), "{page}");
    assert!(!page.contains("Nothing to score yet"), "{page}");
}

crate::on_both!(
    the_riskiest_pack_is_found_and_explained,
    a_key_sees_the_packs_of_its_depots,
    packs_come_in_pages,
    waiting_has_its_price,
    hindsight_is_empty_until_there_is_a_record,
    dates_are_held_against_what_happened,
);
