//! The shop's and the dispatcher's pages: work carried through by forms.

use axum::http::Method;
use chrono::TimeDelta;
use serde_json::json;
use ventmile::app::keys::Scope;

use crate::board::{Browser, header};
use crate::common::{Engine, Reply, car};
use crate::work::{Shop, shop};

/// The hidden fields of the form that does this.
#[track_caller]
fn hidden(page: &str, action: &str) -> String {
    let after = page.split(&format!(r#"action="{action}""#)).nth(1);
    let form = after.unwrap_or_else(|| panic!("no form does {action}: {page}")).split("</form>").next().unwrap();
    let field = |name: &str| {
        let value = form.split(&format!(r#"name="{name}" value=""#)).nth(1)?.split('"').next()?;
        Some(format!("{name}={value}"))
    };
    ["csrf", "once", "version"].into_iter().filter_map(field).collect::<Vec<_>>().join("&")
}

/// Fills in and sends the form of an order's page that does `act`.
async fn act(browser: &Browser, number: &str, act: &str, fields: &str) -> Reply {
    let (page, action) = (format!("/board/work/{number}"), format!("/board/work/{number}/{act}"));
    let sent = format!("{}&{fields}", hidden(&browser.page(&page).await, &action));
    browser.send(&action, &sent).await
}

async fn raised(shop: &Shop, unit: &str) -> String {
    car(&shop.boss, unit, "NORTH").await;
    let order = json!({"unit": unit, "kind": "fan-service", "reason": "fan noise"});
    let order = shop.boss.send("/v1/work-orders", order).await.expect(201);
    order["number"].as_str().unwrap().to_owned()
}

/// What is recorded at each step of the fan service when all goes well.
const STEPS: [&str; 10] = [
    "records/maker_procedure=MP+4&records/high_voltage_needed=no",
    "records/codes_before=none&records/fan_before=all-stages",
    "records/kept_by=kim",
    "",
    "records/found=clear",
    "records/dirt=light&records/wheel=sound",
    "records/ducts=whole",
    "records/trim=closed",
    "records/fan_after=all-stages&records/top_speed=3500",
    "records/codes=none",
];

#[track_caller]
fn taken(reply: &Reply, to: &str) {
    assert_eq!((reply.status.as_u16(), header(reply, "location")), (303, to), "{}", reply.text);
}

async fn an_order_is_carried_through_by_forms(engine: Engine) {
    let shop = shop(engine).await;
    let number = raised(&shop, "7").await;
    let place = format!("/board/work/{number}");
    let browser = Browser::sign_in(&shop.app, "floor", &[Scope::Read, Scope::Work], &[]).await;
    let queue = browser.page("/board/work?technician=kim").await;
    assert!(queue.contains(&place) && queue.contains("Waiting, most urgent first"), "{queue}");
    let next = format!("{}&technician=kim", hidden(&queue, "/board/work/next"));
    taken(&browser.send("/board/work/next", &next).await, &place);
    taken(&browser.send("/board/work/next", &next).await, &place);
    assert!(browser.page("/board/work?technician=kim").await.contains("Yours"));
    assert!(!browser.page("/board/work?technician=lee").await.contains(&place), "it is not for others");
    let queue = browser.page("/board/work").await;
    let none = format!("{}&technician=lee", hidden(&queue, "/board/work/next"));
    assert!(browser.send("/board/work/next", &none).await.text.contains("Nothing waits"));

    taken(&act(&browser, &number, "start", "by=kim").await, &place);
    taken(&act(&browser, &number, "pause", "by=kim&reason=lunch").await, &place);
    assert!(browser.page(&place).await.contains("Work rests: lunch."));
    taken(&act(&browser, &number, "resume", "by=kim").await, &place);
    for (index, records) in STEPS.iter().enumerate() {
        shop.app.pass(TimeDelta::minutes(1));
        let step = index + 1;
        let reply = act(&browser, &number, &format!("steps/{step}"), &format!("by=kim&{records}")).await;
        taken(&reply, &format!("{place}#step-{step}"));
    }
    let done = act(&browser, &number, "complete", "outcome=serviced&odometer=99.5&by=kim&hours=1.5").await;
    taken(&done, &place);
    let order = shop.read(&number).await;
    assert_eq!(
        (&order["outcome"], &order["hours"], &order["done_by"]),
        (&json!("serviced"), &json!(1.5), &json!("kim"))
    );
    let closed = browser.page(&place).await;
    assert!(closed.contains("Closed: serviced.") && !closed.contains(r#"name="once""#), "{closed}");
    assert!(closed.contains("top speed 3500"), "{closed}");
}

async fn a_refusal_names_what_is_missing_and_loses_nothing(engine: Engine) {
    let shop = shop(engine).await;
    let number = raised(&shop, "7").await;
    let browser = Browser::sign_in(&shop.app, "floor", &[Scope::Read, Scope::Work], &[]).await;
    act(&browser, &number, "start", "by=kim").await;
    let early = act(&browser, &number, "steps/4", "by=kim").await;
    assert_eq!(early.status.as_u16(), 422, "{}", early.text);
    assert!(early.text.contains("Not taken.") && early.text.contains("missing: "), "{}", early.text);
    let typed = "by=lee&records/fan_before=some-stages&records/codes_before=";
    let half = act(&browser, &number, "steps/2", typed).await;
    assert_eq!(half.status.as_u16(), 422);
    assert!(half.text.contains(r#"value="some-stages" checked"#) && half.text.contains(r#"value="lee" selected"#));
    assert!(half.text.contains(r#"id="steps-2-records-codes-before-fault""#), "{}", half.text);
    let unread = act(&browser, &number, "steps/9", "by=kim&records/fan_after=all-stages&records/top_speed=fast").await;
    assert!(unread.text.contains("give a number") && unread.text.contains(r#"value="fast""#), "{}", unread.text);
    act(&browser, &number, "steps/1", &format!("by=kim&{}", STEPS[0])).await;
    let early = act(&browser, &number, "complete", "outcome=serviced&odometer=99.5&by=kim").await;
    assert_eq!(early.status.as_u16(), 422, "work that is recorded is recorded whole: {}", early.text);
    assert!(early.text.contains(r#"value="99.5""#), "{}", early.text);
    assert_eq!(shop.read(&number).await["status"], "in-process");
}

async fn a_form_sent_again_has_its_effect_once(engine: Engine) {
    let shop = shop(engine).await;
    let number = raised(&shop, "7").await;
    let browser = Browser::sign_in(&shop.app, "floor", &[Scope::Read, Scope::Work], &[]).await;
    act(&browser, &number, "start", "by=kim").await;
    let (place, step) = (format!("/board/work/{number}"), format!("/board/work/{number}/steps/1"));
    let fields = hidden(&browser.page(&place).await, &step);
    let form = format!("{fields}&by=kim&{}", STEPS[0]);
    let stale = hidden(&browser.page(&place).await, &format!("{place}/steps/2"));
    for _ in 0..2 {
        taken(&browser.send(&step, &form).await, &format!("{place}#step-1"));
    }
    let steps = shop.boss.get(&format!("/v1/work-orders/{number}/steps")).await.expect(200);
    assert_eq!(steps["steps"][0]["entries"].as_array().unwrap().len(), 1, "{steps}");
    let other = browser.send(&step, &form.replace("MP+4", "MP+5")).await;
    assert!(other.status.as_u16() == 422 && other.text.contains("sent before with other words"), "{}", other.text);
    let late = browser.send(&format!("{place}/steps/2"), &format!("{stale}&by=kim&{}", STEPS[1])).await;
    assert!(late.text.contains("somebody has changed it meanwhile"), "{}", late.text);
    let keyless = fields.split("&once").next().unwrap();
    assert_eq!(browser.send(&step, &format!("{keyless}&by=kim")).await.status.as_u16(), 400);
}

async fn an_order_is_worked_by_those_who_may(engine: Engine) {
    let shop = shop(engine).await;
    let number = raised(&shop, "7").await;
    let place = format!("/board/work/{number}");
    let reader = Browser::sign_in(&shop.app, "reader", &[Scope::Read], &[]).await;
    assert!(!reader.page(&place).await.contains(r#"name="once""#), "what a key may not do is not shown");
    assert!(!reader.page("/board/work").await.contains("Take the next order"));
    let floor = Browser::sign_in(&shop.app, "floor", &[Scope::Read, Scope::Work], &[]).await;
    let form = format!("{}&by=kim", hidden(&floor.page(&place).await, &format!("{place}/accept")));
    let token = form.split('&').find(|field| field.starts_with("csrf=")).unwrap();
    let accept = format!("{place}/accept");
    assert_eq!(reader.send(&accept, &form).await.status.as_u16(), 403);
    assert_eq!(floor.send(&accept, &form.replace(token, "csrf=x")).await.status.as_u16(), 403);
    assert_eq!(floor.send_from(&accept, &form, "cross-site").await.status.as_u16(), 403);
    let west = Browser::sign_in(&shop.app, "west", &[Scope::Read, Scope::Work], &["WEST"]).await;
    assert_eq!(west.get(&place).await.status.as_u16(), 404);
    assert!(!west.page("/board/work").await.contains(&number));
    let client = shop.app.anonymous();
    assert_eq!(client.call(Method::GET, &place).send().await.status.as_u16(), 303);
    assert_eq!(shop.read(&number).await["assigned_to"], json!(null));
}

crate::on_both!(
    an_order_is_carried_through_by_forms,
    a_refusal_names_what_is_missing_and_loses_nothing,
    a_form_sent_again_has_its_effect_once,
    an_order_is_worked_by_those_who_may,
);
