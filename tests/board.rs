//! The board: signing in and out, what each key sees, forms from elsewhere, and that nothing hostile becomes markup.

use axum::http::Method;
use chrono::TimeDelta;
use serde_json::json;
use ventmile::app::keys::{Scope, bare};

use crate::common::{Client, Engine, Reply, TestApp, car, month_of_readings, ordinary_car, post, serviced, two_depots};
use crate::streams::Stream;

pub const FORM: &str = "application/x-www-form-urlencoded";

/// A browser that is signed in.
pub struct Browser {
    client: Client,
    cookie: String,
}

pub fn header<'a>(reply: &'a Reply, name: &str) -> &'a str {
    reply.headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or_default()
}

impl Browser {
    /// Signs in with a new key.
    pub async fn sign_in(app: &TestApp, name: &str, scopes: &[Scope], depots: &[&str]) -> Self {
        let depots: Vec<String> = depots.iter().map(|code| (*code).to_owned()).collect();
        let key = app.app.new_key(name, scopes, &depots, None).await.unwrap();
        Self::with_key(app, &key).await
    }

    async fn with_key(app: &TestApp, key: &str) -> Self {
        let client = app.anonymous();
        let reply = try_key(&client, key).await;
        assert_eq!((reply.status.as_u16(), header(&reply, "location")), (303, "/board"), "{}", reply.text);
        let cookie = header(&reply, "set-cookie").split(';').next().unwrap().to_owned();
        Self { client, cookie }
    }

    pub async fn get(&self, path: &str) -> Reply {
        self.client.call(Method::GET, path).header("cookie", &self.cookie).send().await
    }

    /// The page of an address, once it is one.
    pub async fn page(&self, path: &str) -> String {
        let reply = self.get(path).await;
        assert_eq!(reply.status.as_u16(), 200, "{path}: {}", reply.text);
        reply.text
    }

    /// Sends a form from a page of the board.
    pub async fn send(&self, path: &str, form: &str) -> Reply {
        self.send_from(path, form, "same-origin").await
    }

    pub async fn send_from(&self, path: &str, form: &str, site: &str) -> Reply {
        let call = self.client.post(path).header("cookie", &self.cookie).header("sec-fetch-site", site);
        call.body(FORM, form.to_owned()).send().await
    }

    /// The token that the session's forms carry.
    async fn token(&self) -> String {
        let page = self.page("/board").await;
        page.split(r#"name="csrf" value=""#).nth(1).unwrap().split('"').next().unwrap().to_owned()
    }
}

async fn try_key(client: &Client, key: &str) -> Reply {
    let call = client.post("/board/sign-in").header("sec-fetch-site", "same-origin");
    call.body(FORM, format!("key={key}&next=/board")).send().await
}

/// Two cars at NORTH (one of them past its window), one at WEST.
async fn fleet(app: &TestApp, manager: &Client) {
    two_depots(manager).await;
    ordinary_car(manager, "N1", "NORTH").await;
    car(manager, "N2", "NORTH").await;
    serviced(manager, "N2", "2025-06-01T12:00:00Z", 10_000.0).await;
    post(manager, "odometer-readings", month_of_readings("N2", 41_000.0, 150.0)).await;
    ordinary_car(manager, "W1", "WEST").await;
    app.settle().await;
}

async fn a_key_signs_in_and_out(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    let nobody = app.anonymous();
    let asked = nobody.get("/board/cars?band=past").await;
    assert_eq!(asked.status.as_u16(), 303);
    assert_eq!(header(&asked, "location"), "/board/sign-in?next=%2Fboard%2Fcars%3Fband%3Dpast");
    assert_eq!(header(&nobody.get("/").await, "location"), "/board");
    assert!(nobody.get("/board/sign-in").await.text.contains(r#"type="password""#));

    let browser = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    let page = browser.page("/board").await;
    assert!(page.contains("What is coming") && page.contains("office"), "{page}");
    assert!(page.contains(r#"<html lang="en">"#) && page.contains(r##"href="#main""##));

    let token = browser.token().await;
    let out = browser.send("/board/sign-out", &format!("csrf={token}")).await;
    assert_eq!((out.status.as_u16(), header(&out, "location")), (303, "/board/sign-in"));
    assert!(header(&out, "set-cookie").contains("Max-Age=0"));
    assert_eq!(browser.get("/board").await.status.as_u16(), 303, "the session has ended on the server too");
}

async fn the_cookie_is_kept_from_scripts_and_other_sites(engine: Engine) {
    let (app, _) = TestApp::new(engine).await;
    let key = app.app.new_key("office", &[Scope::Read], &[], None).await.unwrap();
    let plain = try_key(&app.anonymous(), &key).await;
    let cookie = header(&plain, "set-cookie");
    for part in ["; HttpOnly", "; SameSite=Strict", "; Path=/", "; Max-Age=43200"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    assert!(!cookie.contains("Secure") && !cookie.contains(&key), "{cookie}");
    let call = app.anonymous().post("/board/sign-in").header("sec-fetch-site", "same-origin");
    let behind_tls = call.header("x-forwarded-proto", "https").body(FORM, format!("key={key}")).send().await;
    assert!(header(&behind_tls, "set-cookie").ends_with("; Secure"));
    let (always, _) = TestApp::with(engine, &[("board.secure_cookies", "always")]).await;
    let key = always.app.new_key("office", &[Scope::Read], &[], None).await.unwrap();
    assert!(header(&try_key(&always.anonymous(), &key).await, "set-cookie").ends_with("; Secure"));
}

async fn a_wrong_key_is_told_so_and_many_are_told_to_wait(engine: Engine) {
    let settings = [("limits.stranger_requests", "3"), ("limits.stranger_seconds", "3600")];
    let (app, _) = TestApp::with(engine, &settings).await;
    let nobody = app.anonymous();
    let key = app.app.new_key("office", &[Scope::Read], &[], None).await.unwrap();
    let from_here = |key: &str| {
        let call = nobody.post("/board/sign-in").from([192, 0, 2, 7]).header("sec-fetch-site", "same-origin");
        call.body(FORM, format!("key={key}")).send()
    };
    for _ in 0..3 {
        let wrong = from_here("vm_0000").await;
        assert_eq!(wrong.status.as_u16(), 403);
        assert!(wrong.text.contains("no key that stands") && !wrong.text.contains("vm_0000"), "{}", wrong.text);
        assert!(!wrong.headers.contains_key("set-cookie"));
    }
    let many = from_here("vm_0000").await;
    assert_eq!(many.status.as_u16(), 429);
    assert!(header(&many, "retry-after").parse::<u64>().unwrap() > 60, "{:?}", many.headers);
    assert_eq!(from_here(&key).await.status.as_u16(), 303, "a right key is let in all the same");
    let guessed = nobody.call(Method::GET, "/board").from([192, 0, 2, 7]).header("cookie", "ventmile_session=guess");
    assert_eq!(guessed.send().await.status.as_u16(), 429, "sessions are not guessed either");
}

async fn a_session_ends_with_its_key_and_with_its_time(engine: Engine) {
    let (app, _) = TestApp::new(engine).await;
    let revoked = Browser::sign_in(&app, "left", &[Scope::Read], &[]).await;
    revoked.page("/board").await;
    app.app.revoke_key("left", &app.app.by_command_line(), |key| bare(key, None)).await.unwrap();
    assert_eq!(revoked.get("/board").await.status.as_u16(), 303);

    let key = app.app.new_key("turned", &[Scope::Read], &[], None).await.unwrap();
    let overlap = TimeDelta::minutes(30);
    app.app.rotate_key("turned", overlap, &app.app.by_command_line(), bare).await.unwrap();
    let turned = Browser::with_key(&app, &key).await;
    turned.page("/board").await;
    app.pass(overlap);
    assert_eq!(turned.get("/board").await.status.as_u16(), 303, "a session lasts no longer than what opened it");

    let end = app.app.now() + TimeDelta::hours(1);
    let key = app.app.new_key("short", &[Scope::Read], &[], Some(end)).await.unwrap();
    let short = Browser::with_key(&app, &key).await;
    let long = Browser::sign_in(&app, "long", &[Scope::Read], &[]).await;
    app.pass(TimeDelta::hours(1));
    assert_eq!(short.get("/board").await.status.as_u16(), 303);
    long.page("/board").await;
    app.pass(TimeDelta::hours(11));
    assert_eq!(long.get("/board").await.status.as_u16(), 303);
}

/// A session begun before a rotation lasts as long as the secret that began it, and hands out nothing that lasts longer.
async fn a_session_ends_with_the_secret_that_began_it(engine: Engine) {
    let (app, _) = TestApp::new(engine).await;
    let by = || app.app.by_command_line();
    let key = app.app.new_key("office", &[Scope::Read, Scope::Admin], &[], None).await.unwrap();
    let first = Browser::with_key(&app, &key).await;
    let overlap = TimeDelta::hours(2);
    let second_key = app.app.rotate_key("office", overlap, &by(), bare).await.unwrap().body;
    let second = Browser::with_key(&app, &second_key).await;
    first.page("/board").await;
    let make = |token: &str| format!("csrf={token}&once=a&name=lasting&may_read=yes");
    let wider = first.send("/board/keys", &make(&first.token().await)).await;
    assert_eq!(wider.status.as_u16(), 403, "{}", wider.text);
    app.pass(overlap - TimeDelta::microseconds(1));
    first.page("/board").await;
    app.pass(TimeDelta::microseconds(1));
    assert_eq!(first.get("/board").await.status.as_u16(), 303);
    second.page("/board").await;

    // A second rotation leaves only the secret before it: without an overlap none.
    let third_key = app.app.rotate_key("office", overlap, &by(), bare).await.unwrap().body;
    let third = Browser::with_key(&app, &third_key).await;
    app.app.rotate_key("office", overlap, &by(), bare).await.unwrap();
    assert_eq!(second.get("/board").await.status.as_u16(), 303, "of the secret before the last but one");
    third.page("/board").await;
    app.app.rotate_key("office", TimeDelta::zero(), &by(), bare).await.unwrap();
    assert_eq!(third.get("/board").await.status.as_u16(), 303);
}

async fn what_cannot_be_opened_is_a_page_too(engine: Engine) {
    let (app, _) = TestApp::new(engine).await;
    let browser = Browser::sign_in(&app, "office", &Scope::ALL, &[]).await;
    let is_page = |reply: &Reply, status: u16| {
        assert_eq!(reply.status.as_u16(), status, "{}", reply.text);
        assert!(header(reply, "content-type").starts_with("text/html"), "{:?}", reply.headers);
        assert!(reply.text.contains("<main"), "{}", reply.text);
    };
    for path in ["/board/day/spare", "/board/work/WO-00001/accept", "/board/rules/add", "/board/sign-out"] {
        let refused = browser.get(path).await;
        is_page(&refused, 405);
        assert_eq!(header(&refused, "allow"), "POST", "{path}");
    }
    let form = format!("csrf={}", browser.token().await);
    let refused = browser.send("/board/cars", &form).await;
    is_page(&refused, 405);
    assert_eq!(header(&refused, "allow"), "GET,HEAD");
    for path in ["/board/nothing", "/board/work/WO-00001/steps/1/x", "/board/static/a/b", "/board/day/slots/x/y/z"] {
        is_page(&browser.get(path).await, 404);
    }
    is_page(&browser.get("/board/cars/%FF").await, 400);
    is_page(
        &app.anonymous().call(Method::DELETE, "/board/sign-in").header("sec-fetch-site", "same-origin").send().await,
        405,
    );
}

async fn a_form_from_elsewhere_does_nothing(engine: Engine) {
    let (app, _) = TestApp::new(engine).await;
    let browser = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    let other = Browser::sign_in(&app, "other", &[Scope::Read], &[]).await;
    let token = browser.token().await;
    assert_ne!(token, other.token().await, "a token is bound to its session");
    assert!(!browser.cookie.contains(&token), "a token does not give the session away");
    let right = format!("csrf={token}");
    let stolen = format!("csrf={}", other.token().await);
    for (form, site) in [
        (right.as_str(), "cross-site"),
        (right.as_str(), "same-site"),
        (right.as_str(), "none"),
        ("", "same-origin"),
        ("csrf=", "same-origin"),
        (stolen.as_str(), "same-origin"),
    ] {
        let refused = browser.send_from("/board/sign-out", form, site).await;
        assert_eq!(refused.status.as_u16(), 403, "{form} {site}");
        assert!(refused.text.contains("nothing was done"), "{}", refused.text);
    }
    let from = |origin: &'static str| {
        let call = browser.client.post("/board/sign-out").header("cookie", &browser.cookie).header("host", "fleet");
        call.header("origin", origin).body(FORM, right.clone()).send()
    };
    assert_eq!(from("https://elsewhere").await.status.as_u16(), 403);
    browser.page("/board").await;
    assert_eq!(from("http://fleet").await.status.as_u16(), 303);
    let foreign = app.anonymous().post("/board/sign-in").header("sec-fetch-site", "cross-site");
    assert_eq!(foreign.body(FORM, "key=vm_1").send().await.status.as_u16(), 403, "nobody is signed in from elsewhere");
}

async fn every_answer_is_confined(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    fleet(&app, &manager).await;
    let browser = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    for path in [
        "/board",
        "/board/cars",
        "/board/cars/N1",
        "/board/cars/none",
        "/board/packs",
        "/board/cost",
        "/board/hindsight",
        "/board/nothing",
        "/board/sign-in",
        "/board/rules",
        "/board/gear",
    ] {
        let reply = browser.get(path).await;
        let policy = header(&reply, "content-security-policy");
        assert!(policy.starts_with("default-src 'none'; style-src 'self'; script-src 'self';"), "{path}: {policy}");
        assert!(policy.contains("frame-ancestors 'none'") && !policy.contains("unsafe"), "{path}: {policy}");
        assert_eq!(header(&reply, "x-content-type-options"), "nosniff", "{path}");
        assert_eq!(header(&reply, "cache-control"), "no-store", "{path}");
        assert_eq!(header(&reply, "referrer-policy"), "same-origin", "{path}");
        for banned in [" style=", "<style", "<script>", "onclick", "javascript:", "http://", "https://"] {
            assert!(!reply.text.contains(banned), "{path} has {banned}");
        }
    }
    let page = browser.page("/board").await;
    let style = page.split(r#"rel="stylesheet" href=""#).nth(1).unwrap().split('"').next().unwrap();
    let reply = browser.get(style).await;
    assert_eq!((reply.status.as_u16(), header(&reply, "content-type")), (200, "text/css; charset=utf-8"));
    assert!(header(&reply, "cache-control").contains("immutable"));
    assert_eq!(browser.get("/board/static/board.css").await.status.as_u16(), 404);
}

async fn a_key_sees_what_it_may(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    fleet(&app, &manager).await;
    let north = Browser::sign_in(&app, "north", &[Scope::Read], &["NORTH"]).await;
    for path in ["/board", "/board/cars", "/board/cars?unit=1", "/board/cars/N1"] {
        let page = north.page(path).await;
        assert!(page.contains("N1") || path == "/board", "{path}");
        assert!(!page.contains("WEST") && !page.contains("W1"), "{path}: {page}");
    }
    let (hidden, none) = (north.get("/board/cars/W1").await, north.get("/board/cars/W9").await);
    assert_eq!((hidden.status.as_u16(), none.status.as_u16()), (404, 404));
    assert_eq!(hidden.text.replace("W1", "W9"), none.text, "whether a hidden car is there is not told");
    for path in ["/board?depot=WEST", "/board/cars?depot=WEST", "/board?depot=NONE"] {
        assert_eq!(north.get(path).await.status.as_u16(), 404, "{path}");
    }
    let poster = Browser::sign_in(&app, "poster", &[Scope::Post], &[]).await;
    let refused = poster.get("/board").await;
    assert_eq!(refused.status.as_u16(), 403);
    assert!(refused.text.contains("scope “read”") && !refused.text.contains("N1"), "{}", refused.text);
    assert!(!refused.text.contains(r#"href="/board/cars""#), "what a key may not do is not shown");
}

async fn the_manager_sees_what_is_coming(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    fleet(&app, &manager).await;
    let browser = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    let page = browser.page("/board").await;
    assert!(page.contains("Of <strong>3 cars</strong>, <strong>1</strong> is past the window"), "{page}");
    assert!(page.contains("To be looked at first") && page.contains("/board/cars/N2"), "{page}");
    assert!(page.contains("NORTH by week") && page.contains("WEST by week"), "{page}");
    let west = browser.page("/board?depot=WEST").await;
    assert!(west.contains("CDT") && !west.contains("N2"), "{west}");

    assert!(browser.page("/board/cars?depot=WEST").await.contains(" km gone"), "the depot's own unit");
    let cars = browser.page("/board/cars?band=past").await;
    assert!(cars.contains("/board/cars/N2") && !cars.contains("/board/cars/N1"), "{cars}");
    assert!(browser.page("/board/cars?unit=n").await.contains("/board/cars/N1"), "small letters find capitals");
    assert!(browser.page("/board/cars?unit=%25").await.contains("No car is like that"));
    let car = browser.page("/board/cars/N2").await;
    assert!(car.contains("31,000 mi gone, 6,000 mi beyond the late edge at 25,000 mi"), "{car}");
    assert!(car.contains("since the fan service of 1 Jun 2025"), "{car}");
    assert_eq!(browser.get("/board/cars?colour=red").await.status.as_u16(), 400);
}

async fn a_car_s_page_tells_what_its_dates_rest_on(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    ordinary_car(&manager, "N1", "NORTH").await;
    let slip = json!({
        "unit": "N1", "at": "2026-03-10T23:30:00Z", "odometer": 3995.0, "distance_unit": "mi", "source": "fuel-card<1>"
    });
    assert_eq!(post(&manager, "odometer-readings", slip).await["stored"], 1);
    let order = json!({"unit": "N1", "kind": "cooling-check", "reason": "fan <noise> since 2026-03-16"});
    manager.send("/v1/work-orders", order).await.expect(201);
    let away = json!({"from": "2026-03-02", "to": "2026-03-03", "reason": "new tyres"});
    manager.send("/v1/vehicles/N1/off-road", away).await.expect(201);
    app.settle().await;
    let browser = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    let page = browser.page("/board/cars/N1").await;
    for words in [
        "1 set aside; sent by",
        "fuel-card&lt;1&gt; (1)",
        "<strong>◆ set aside. </strong>A digit seems to be missing",
        "driven on 5 days in the week of Mon 9 Mar",
        "8.00 hours a driven day in the mean",
        "the rear seat taken on 20 % of the trips",
        "<strong>8.0 h</strong><br>20<br>20 %",
        "fan service done at 35,750 mi",
        "open order for a cooling check: fan &lt;noise&gt; since Mon 16 Mar",
        "off the road to Tue 3 Mar: new tyres",
        "came into service at NORTH",
        "No pack is registered for it",
    ] {
        assert!(page.contains(words), "{words}: {page}");
    }
    assert!(!page.contains("2026-03-16</") && !page.contains("of 2026-"), "dates read as elsewhere: {page}");
    let rows = |page: &str| page.matches("<th scope=\"row\"><time").count();
    let all = browser.page("/board/cars/N1?readings=all&history=all").await;
    assert!(rows(&page) < rows(&all) && rows(&all) > 30, "{} {}", rows(&page), rows(&all));
    assert_eq!(browser.get("/board/cars/N1?colour=red").await.status.as_u16(), 400);

    manager
        .send("/v1/vehicles/N1/plans", json!({"from": "2026-03-25", "shifts": {"days_per_week": 3}}))
        .await
        .expect(201);
    let told = browser.page("/board/cars/N1").await;
    assert!(told.contains("told from Wed 25 Mar on: as the shifts told from then on bring"), "{told}");
}

async fn a_car_that_moved_hides_depots_the_key_may_not_see(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    ordinary_car(&manager, "W2", "WEST").await;
    let call = manager.post("/v1/vehicles/W2/move").once().if_match("*").json(&json!({"depot": "NORTH"}));
    call.send().await.expect(200);
    app.settle().await;
    let north = Browser::sign_in(&app, "north", &[Scope::Read], &["NORTH"]).await;
    let page = north.page("/board/cars/W2").await;
    assert!(page.contains("came into service at another depot") && page.contains("moved to NORTH"), "{page}");
    assert!(!page.contains("WEST"), "{page}");
    let office = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    assert!(office.page("/board/cars/W2").await.contains("came into service at WEST"));
}

async fn what_if_is_worked_out_and_nothing_is_saved(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    ordinary_car(&manager, "N1", "NORTH").await;
    app.settle().await;
    let browser = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    let stored = async || {
        let forecast = manager.get("/v1/vehicles/N1/forecast").await.expect(200);
        let plans = manager.get("/v1/vehicles/N1/plans").await.expect(200);
        let away = manager.get("/v1/vehicles/N1/off-road").await.expect(200);
        let journal = app.app.store.journal_lines(0, None, 1_000).await.unwrap().len();
        (forecast, plans, away, journal)
    };
    let before = stored().await;
    let asked = "days_per_week=3&hours_per_day=8&off_from=2026-04-06&off_to=2026-04-12&depot=WEST";
    let page = browser.page(&format!("/board/cars/N1?{asked}")).await;
    let request = json!({
        "shifts": {"days_per_week": 3, "hours_per_day": 8}, "off_road": [{"from": "2026-04-06", "to": "2026-04-12"}],
        "depot": "WEST",
    });
    let answer = manager.send("/v1/vehicles/N1/what-if", request).await.expect(200);
    let days = answer["moved_days"]["late"].as_i64().unwrap();
    assert!(days > 20, "{answer}");
    assert!(page.contains(&format!(": {days} days later.")), "as the interface says, {answer}: {page}");
    assert!(page.contains("<strong>WEST</strong>") && page.contains("compared-title"), "{page}");
    assert!(page.contains(r#"name="days_per_week" id="what-if-days-per-week" value="3""#), "{page}");
    assert_eq!(stored().await, before);

    let wrong = browser.get("/board/cars/N1?days_per_week=9&off_to=2026-04-12&rule=none").await;
    assert_eq!(wrong.status.as_u16(), 422);
    for words in ["give 0 to 7. ", "give its first day too. ", "choose a rule of the list. ", r#"value="9""#] {
        assert!(wrong.text.contains(words), "{words}: {}", wrong.text);
    }
    let north = Browser::sign_in(&app, "north", &[Scope::Read], &["NORTH"]).await;
    let hidden = north.get("/board/cars/N1?depot=WEST").await;
    assert_eq!(hidden.status.as_u16(), 422);
    assert!(hidden.text.contains("choose a depot of the list") && !hidden.text.contains("WEST"), "{}", hidden.text);
}

async fn a_large_fleet_is_counted_once_in_a_while(engine: Engine) {
    let settings = [("board.count_cars", "3"), ("board.count_seconds", "600")];
    let (app, manager) = TestApp::with(engine, &settings).await;
    fleet(&app, &manager).await;
    let browser = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    let counted = browser.page("/board").await;
    assert!(counted.contains("Of <strong>3 cars</strong>") && !counted.contains("Counted"), "{counted}");
    let before = app.app.now();
    ordinary_car(&manager, "N3", "NORTH").await;
    app.settle().await;
    let passed = app.app.now() - before;
    app.pass(TimeDelta::seconds(599) - passed);
    let kept = browser.page("/board").await;
    assert!(
        kept.contains("Of <strong>3 cars</strong>") && kept.contains("Counted <span data-made>599 seconds</span> ago."),
        "{kept}"
    );
    let north = Browser::sign_in(&app, "north", &[Scope::Read], &["NORTH"]).await;
    let page = north.page("/board").await;
    assert!(page.contains("Of <strong>2 cars</strong>") && !page.contains("WEST"), "each key its own depots: {page}");
    app.pass(TimeDelta::seconds(1));
    assert!(browser.page("/board").await.contains("Of <strong>4 cars</strong>"));
}

async fn a_long_list_comes_in_pages(engine: Engine) {
    let (app, manager) = TestApp::with(engine, &[("limits.page", "2")]).await;
    fleet(&app, &manager).await;
    let browser = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    let first = browser.page("/board/cars").await;
    let next = first.split(r#"class="button" href=""#).nth(1).unwrap().split('"').next().unwrap().replace("&amp;", "&");
    let second = browser.page(&next).await;
    let units = |page: &str| {
        ["N1", "N2", "W1"].into_iter().filter(|unit| page.contains(&format!("/board/cars/{unit}\""))).count()
    };
    assert_eq!((units(&first), units(&second)), (2, 1));
    assert!(second.contains("First page") && !second.contains("Next page"));
    assert_eq!(browser.get("/board/cars?after=zz").await.status.as_u16(), 400);
}

async fn hostile_names_stay_text(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    let name = "<script>alert(1)</script>\"'&";
    let depot = json!({"code": "X<b>", "name": name, "zone": "America/New_York", "bays": 2, "distance_unit": "mi"});
    let added = manager.send("/v1/depots", depot).await;
    let code = if added.status.as_u16() == 201 { "X<b>" } else { "X" };
    if code == "X" {
        let depot = json!({"code": "X", "name": name, "zone": "America/New_York", "bays": 2, "distance_unit": "mi"});
        manager.send("/v1/depots", depot).await.expect(201);
    }
    let unit = "7<img src=x onerror=alert(1)>";
    let car = json!({
        "unit": unit, "depot": code, "model": name, "in_service_on": "2025-01-01", "odometer_in_service": 10,
        "distance_unit": "mi",
    });
    manager.send("/v1/vehicles", car).await.expect(201);
    serviced(&manager, unit, "2025-06-01T12:00:00Z", 10_000.0).await;
    post(&manager, "odometer-readings", month_of_readings(unit, 41_000.0, 150.0)).await;
    app.settle().await;
    let browser = Browser::sign_in(&app, name, &[Scope::Read], &[]).await;
    for path in
        ["/board", "/board/cars", "/board/cars/7%3Cimg%20src%3Dx%20onerror%3Dalert(1)%3E", "/board/cars?unit=%3Cimg"]
    {
        let page = browser.page(path).await;
        assert!(page.contains("7&lt;img src=x"), "{path}: {page}");
        assert!(!page.contains("<img") && !page.contains("<script>"), "{path}: {page}");
    }
    let missing = browser.get("/board/cars/%3Cscript%3E").await;
    assert!(missing.text.contains("&lt;script&gt;") && !missing.text.contains("<script>"));
}

async fn a_failure_is_a_page_with_its_number(engine: Engine) {
    let (app, _) = TestApp::new(engine).await;
    let browser = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    app.app.store.close().await;
    let call = browser.client.call(Method::GET, "/board").header("cookie", &browser.cookie);
    let reply = call.header("x-request-id", "my-17").send().await;
    assert_eq!(reply.status.as_u16(), 503);
    assert!(reply.text.contains("cannot be reached") && reply.text.contains("my-17"), "{}", reply.text);
}

/// An administrator's browser, and the token of its forms.
async fn administrator(app: &TestApp) -> (Browser, String) {
    let browser = Browser::sign_in(app, "chief", &Scope::ALL, &[]).await;
    let token = browser.token().await;
    (browser, token)
}

async fn a_rule_is_added_and_changed_as_it_was_seen(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    let (browser, token) = administrator(&app).await;
    let new = "once=a&code=W<1>&kind=fan-service&depot=WEST&distance_unit=km&hard_distance_early=30000&hard_distance_late=40000\
        &lead_days=10&mixed=strict&raise_chance=0.2";
    let added = browser.send("/board/rules/add", &format!("csrf={token}&{new}")).await;
    assert_eq!((added.status.as_u16(), header(&added, "location")), (303, "/board/rules"), "{}", added.text);
    let page = browser.page("/board/rules").await;
    assert!(page.contains("W&lt;1&gt;") && page.contains("30,000 to 40,000 km"), "{page}");

    let change = |version: u32, late: &str| {
        let form = format!(
            "csrf={token}&code=W<1>&version={version}&distance_unit=km&hard_distance_early=30000&hard_distance_late={late}"
        );
        let browser = &browser;
        async move { browser.send("/board/rules/change", &form).await }
    };
    assert_eq!(change(1, "45000").await.status.as_u16(), 303);
    assert!(browser.page("/board/rules").await.contains("30,000 to 45,000 km"));
    let late = change(1, "50000").await;
    assert_eq!(late.status.as_u16(), 412, "it was changed since it was seen: {}", late.text);
    let wrong = change(2, "20000").await;
    assert_eq!(wrong.status.as_u16(), 422);
    assert!(wrong.text.contains("hard distance late: give at least the early edge"), "{}", wrong.text);
    assert!(wrong.text.contains("20000"), "the value given: {}", wrong.text);
    assert!(change(2, "far").await.text.contains("hard distance late"));

    let reader = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    let page = reader.page("/board/rules").await;
    assert!(page.contains("45,000 km") && !page.contains("/board/rules/"), "{page}");
    let token = reader.token().await;
    assert_eq!(reader.send("/board/rules/add", &format!("csrf={token}&{new}")).await.status.as_u16(), 403);
}

async fn keys_are_made_turned_and_revoked(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    let (browser, token) = administrator(&app).await;
    let secret_in = |page: &str| page.split("vm_").nth(1).map(|rest| format!("vm_{}", rest.split('<').next().unwrap()));
    let make = format!("csrf={token}&once=a&name=shop<1>&may_read=yes&may_work=yes&depots=NORTH&days=30");
    let made = browser.send("/board/keys", &make).await;
    assert_eq!(made.status.as_u16(), 200, "{}", made.text);
    let first = secret_in(&made.text).unwrap();
    assert_eq!(app.client_with(&first).get("/v1/depots").await.status.as_u16(), 200);
    let again = browser.send("/board/keys", &make).await;
    assert!(again.text.contains("shown then") && secret_in(&again.text).is_none(), "{}", again.text);
    let page = browser.page("/board/keys").await;
    assert!(page.contains("shop&lt;1&gt;") && page.contains("read, work") && page.contains("NORTH"), "{page}");
    assert!(!page.contains("vm_"), "no secret is shown again");

    let turned = browser.send("/board/keys/rotate", &format!("csrf={token}&once=b&name=shop<1>&overlap_hours=0")).await;
    let second = secret_in(&turned.text).unwrap();
    assert_eq!(app.client_with(&first).get("/v1/depots").await.status.as_u16(), 401);
    assert_eq!(app.client_with(&second).get("/v1/depots").await.status.as_u16(), 200);
    let revoked = browser.send("/board/keys/revoke", &format!("csrf={token}&once=c&name=shop<1>")).await;
    assert_eq!(revoked.status.as_u16(), 303, "{}", revoked.text);
    assert_eq!(app.client_with(&second).get("/v1/depots").await.status.as_u16(), 401);
    assert!(browser.page("/board/keys").await.contains("revoked"));
    let nothing = browser.send("/board/keys", &format!("csrf={token}&once=d&name=idle")).await;
    assert_eq!(nothing.status.as_u16(), 422);
    assert!(nothing.text.contains("may: give one or more of read"), "{}", nothing.text);

    let narrow = Browser::sign_in(&app, "north", &[Scope::Read, Scope::Admin], &["NORTH"]).await;
    let page = narrow.page("/board/keys").await;
    assert!(!page.contains("chief") && !page.contains("may_work"), "{page}");
    let wider = format!("csrf={}&once=e&name=wide&may_work=yes&depots=NORTH", narrow.token().await);
    assert_eq!(narrow.send("/board/keys", &wider).await.status.as_u16(), 403);
    let reader = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    for path in ["/board/keys", "/board/journal", "/board/import"] {
        assert_eq!(reader.get(path).await.status.as_u16(), 403, "{path}");
    }
    assert!(!reader.page("/board").await.contains("/board/keys"), "what a key may not do is not shown");
    let refused = reader.send("/board/keys/revoke", &format!("csrf={}&once=f&name=chief", reader.token().await)).await;
    assert_eq!(refused.status.as_u16(), 403);
}

async fn gear_that_falls_due_is_tested(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    for (id, depot) in [("G-1", "NORTH"), ("G-2", "WEST")] {
        let gear = json!({"id": id, "depot": depot, "kind": "gloves", "class": "0", "protectors": true});
        manager.send("/v1/gear", gear).await.expect(201);
    }
    let (browser, token) = administrator(&app).await;
    let page = browser.page("/board/gear").await;
    assert!(page.contains("G-1") && page.contains("needs a test before any use"), "{page}");
    let north = Browser::sign_in(&app, "north", &[Scope::Read], &["NORTH"]).await;
    let page = north.page("/board/gear").await;
    assert!(page.contains("G-1") && !page.contains("G-2") && !page.contains("/board/gear/test"), "{page}");
    let today = app.app.now().date_naive().pred_opt().unwrap();
    let test = format!("csrf={token}&id=G-1&version=1&on={today}&by=lab&passed=yes");
    for _ in 0..2 {
        assert_eq!(browser.send("/board/gear/test", &test).await.status.as_u16(), 303, "twice sent is once done");
    }
    let piece = manager.get("/v1/gear/G-1").await.json();
    assert_eq!(piece["tests"].as_array().unwrap().len(), 1, "{piece}");
    assert!(!browser.page("/board/gear?depot=NORTH").await.contains("G-1"), "it is due no more");
    let wrong =
        browser.send("/board/gear/test", &format!("csrf={token}&id=G-2&version=1&on=soon&by=lab&passed=no")).await;
    assert!(wrong.status.as_u16() == 422 && wrong.text.contains("on: give a date"), "{}", wrong.text);
    let refused = north.send("/board/gear/test", &format!("csrf={}&{}", north.token().await, "id=G-1")).await;
    assert_eq!(refused.status.as_u16(), 403);
}

async fn cores_and_journal_can_be_read(engine: Engine) {
    let (app, manager) = TestApp::with(engine, &[("limits.page", "2")]).await;
    two_depots(&manager).await;
    let (browser, _) = administrator(&app).await;
    assert!(browser.page("/board/cores").await.contains("No old pack"));
    let first = browser.page("/board/journal?part=DEPOT").await;
    assert!(first.contains("WEST") && first.contains("NORTH"), "small letters find capitals: {first}");
    assert!(browser.page("/board/journal?part=%25").await.contains("No line is like that"));
    let newest = browser.page("/board/journal").await;
    assert!(newest.contains("chief") && !newest.contains("NORTH"), "the newest come first: {newest}");
    let next = newest.split("/board/journal?").nth(1).unwrap().split('"').next().unwrap();
    let older = browser.page(&format!("/board/journal?{next}")).await;
    assert!(older.contains("First page") && !older.contains("chief\""), "{older}");
    let north = Browser::sign_in(&app, "north", &[Scope::Read, Scope::Admin], &["NORTH"]).await;
    let page = north.page("/board/journal").await;
    assert!(page.contains("NORTH") && !page.contains("WEST"), "{page}");
}

async fn rows_are_tried_before_they_are_stored(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    fleet(&app, &manager).await;
    let (browser, token) = administrator(&app).await;
    let rows = "unit,at,odometer,distance_unit%0D%0AN1,2026-01-05T12:00:00Z,12000,mi%0D%0AN1,2026-01-06T12:00:00Z,-4,mi%0D%0A\
        GONE<1>,2026-01-06T12:00:00Z,12100,mi";
    let form = format!("csrf={token}&log=odometer-readings&rows={rows}");
    let count = async || {
        let listed = manager.get("/v1/odometer-readings?unit=N1&limit=500").await.json();
        listed["items"].as_array().unwrap().iter().filter(|row| row["odometer"] == 12000.0).count()
    };
    let tried = browser.send("/board/import", &form).await;
    assert_eq!(tried.status.as_u16(), 200, "{}", tried.text);
    for words in ["nothing stored yet", "<dt>New</dt><dd>1</dd>", "<dt>Refused</dt><dd>2</dd>", "-4", "GONE&lt;1&gt;"] {
        assert!(tried.text.contains(words), "{words}: {}", tried.text);
    }
    assert_eq!(count().await, 0, "a trial stores nothing");
    let good = "<th scope=\"row\">1</th><td>new</td><td><code>N1, 2026-01-05T12:00:00Z, 12000, mi</code></td>";
    assert!(tried.text.contains(good), "{}", tried.text);
    let stored = browser.send("/board/import", &format!("{form}&act=store")).await;
    assert!(
        stored.text.contains("<h1>Stored</h1>") && stored.text.contains("<dt>New</dt><dd>1</dd>"),
        "{}",
        stored.text
    );
    assert_eq!(count().await, 1);
    let again = browser.send("/board/import", &form).await;
    assert!(
        again.text.contains("<dt>There already</dt><dd>1</dd>") && again.text.contains("nothing new"),
        "{}",
        again.text
    );
    let strange = browser.send("/board/import", &format!("csrf={token}&log=duty-logs&rows={rows}")).await;
    assert!(strange.status.as_u16() == 422 && strange.text.contains("unknown column"), "{}", strange.text);

    let cars = "%7B\"unit\":\"N7\",\"depot\":\"NORTH\",\"in_service_on\":\"2025-01-01\"%7D%0A";
    let form = |act: &str| format!("csrf={token}&log=vehicles&act={act}&rows={cars}");
    let tried = browser.send("/board/import", &form("")).await;
    assert!(tried.text.contains("<dt>New</dt><dd>1</dd>"), "{}", tried.text);
    assert_eq!(manager.get("/v1/vehicles/N7").await.status.as_u16(), 404, "a trial adds no car");
    browser.send("/board/import", &form("store")).await;
    assert_eq!(manager.get("/v1/vehicles/N7").await.status.as_u16(), 200);
    let poster = Browser::sign_in(&app, "poster", &[Scope::Read, Scope::Post], &["NORTH"]).await;
    let token = poster.token().await;
    let refused = poster.send("/board/import", &format!("csrf={token}&log=vehicles&act=store&rows={cars}")).await;
    assert_eq!(refused.status.as_u16(), 403, "{}", refused.text);
    let rows = "unit,at,odometer,distance_unit%0AW1,2026-01-05T12:00:00Z,12000,mi";
    let foreign = poster.send("/board/import", &format!("csrf={token}&log=odometer-readings&rows={rows}")).await;
    assert!(foreign.text.contains("<dt>Refused</dt><dd>1</dd>"), "another depot's car: {}", foreign.text);
}

/// A dispatcher's browser, the token of its forms, and an order that has a slot at nine today.
async fn dispatcher(app: &TestApp, manager: &Client) -> (Browser, String, String) {
    fleet(app, manager).await;
    let raised =
        manager.send("/v1/work-orders", json!({"unit": "N1", "kind": "cooling-check", "reason": "<b>noise"})).await;
    let number = raised.expect(201)["number"].as_str().unwrap().to_owned();
    let plan = json!({"on": "2026-03-18", "start": "13:00", "minutes": 120, "bay": 2});
    manager.act(&number, "plan", plan).await.expect(200);
    let browser = Browser::sign_in(app, "dispatch", &[Scope::Read, Scope::Plan], &[]).await;
    let token = browser.token().await;
    (browser, token, number)
}

async fn the_dispatcher_sees_the_day_and_answers(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    let (browser, token, number) = dispatcher(&app, &manager).await;
    let page = browser.page("/board/day?depot=NORTH").await;
    for words in
        ["Wednesday 18 March 2026", "13:00 – 15:00", "bay 2", "? Not confirmed", "back <strong>15:00</strong>", "EDT"]
    {
        assert!(page.contains(words), "{words}: {page}");
    }
    assert!(page.contains("To bring in as well") && page.contains("6,000 mi beyond the late edge"), "{page}");
    assert!(!page.contains("<b>"), "{page}");
    assert!(browser.page("/board/day?date=2026-03-17").await.contains("13:00 N1"), "tomorrow's slot is ahead of a day");
    assert!(browser.page("/board/day?date=2026-03-19").await.contains("No order has a slot"));
    assert_eq!(browser.get("/board/day?date=soon").await.status.as_u16(), 400);
    assert_eq!(browser.get("/board/day?depot=NONE").await.status.as_u16(), 404);

    let version = manager.get(&format!("/v1/work-orders/{number}")).await.json()["version"].as_i64().unwrap();
    let act = |act: &str, once: &str, version: i64, rest: &str| {
        let path = format!("/board/day/slots/{number}/{act}");
        let form = format!("csrf={token}&once={once}&version={version}&date=2026-03-18&depot=NORTH&by=dispatch{rest}");
        let browser = &browser;
        async move { browser.send(&path, &form).await }
    };
    for _ in 0..2 {
        let confirmed = act("confirm-slot", "a", version, "").await;
        let place = header(&confirmed, "location");
        assert_eq!((confirmed.status.as_u16(), place), (303, "/board/day?date=2026-03-18&depot=NORTH"));
    }
    assert!(browser.page("/board/day").await.contains("✓ Comes, says dispatch"));
    let silent = act("refuse-slot", "b", version + 1, "").await;
    assert_eq!(silent.status.as_u16(), 422);
    assert!(silent.text.contains("Not taken.") && silent.text.contains("this is needed"), "{}", silent.text);
    let late = act("refuse-slot", "c", version, "&reason=x").await;
    assert!(late.status.as_u16() == 422 && late.text.contains("changed it meanwhile"), "{}", late.text);
    assert_eq!(act("refuse-slot", "d", version + 1, "&reason=a+driver+needs+it").await.status.as_u16(), 303);
    let order = manager.get(&format!("/v1/work-orders/{number}")).await.json();
    assert_eq!(
        (&order["plan"], &order["slots_refused"][0]["by"]),
        (&serde_json::Value::Null, &json!("dispatch")),
        "{order}"
    );
    assert_eq!(act("cancel", "e", version + 2, "").await.status.as_u16(), 404);
}

async fn the_dispatcher_spares_cars_and_tells_what_happened(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    let (browser, token, _) = dispatcher(&app, &manager).await;
    let send = |path: &str, form: &str| {
        let (path, form) = (format!("/board/day/{path}"), format!("csrf={token}&date=2026-03-18&{form}"));
        let browser = &browser;
        async move { browser.send(&path, &form).await }
    };
    let spared = send("spare", "once=a&unit=N2&from=2026-03-20&to=2026-03-21&note=<i>night").await;
    assert_eq!(spared.status.as_u16(), 303, "{}", spared.text);
    let page = browser.page("/board/day").await;
    assert!(page.contains("Fri 20 Mar to Sat 21 Mar") && page.contains("&lt;i&gt;night"), "{page}");
    let windows = manager.get("/v1/release-windows").await.json();
    let id = windows["items"][0]["id"].as_i64().unwrap();
    assert_eq!(send(&format!("spare/{id}/withdraw"), "once=b").await.status.as_u16(), 303);
    assert!(browser.page("/board/day").await.contains("No car has any"));
    let wrong = send("spare", "once=c&unit=<u>none&from=2026-03-20").await;
    assert_eq!(wrong.status.as_u16(), 422);
    assert!(wrong.text.contains("there is no car “&lt;u&gt;none”") && !wrong.text.contains("<u>"), "{}", wrong.text);

    let heat = send("reports", "once=d&unit=N2&symptom=smell-or-heat&told=hot&by=31").await;
    let place = header(&heat, "location");
    assert!(place.starts_with("/board/day?date=2026-03-18&told=report-"), "{}", heat.text);
    let page = browser.page(place).await;
    assert!(
        page.contains("Tell the driver now: stop the car, passengers out") && page.contains("was raised"),
        "{page}"
    );
    let north = Browser::sign_in(&app, "west", &[Scope::Read], &["WEST"]).await;
    let hidden = north.page(place).await;
    assert!(!hidden.contains("Tell the driver") && !hidden.contains("N2"), "{hidden}");
    let down = send("breakdowns", "once=e&unit=N2&told=towed&by=31&at=2026-03-18T08:00").await;
    let page = browser.page(header(&down, "location")).await;
    assert!(page.contains("The car is off the road from") && page.contains("breakdown: towed"), "{page}");
    let later = send("breakdowns", "once=f&unit=N2&told=towed&by=31&at=2026-03-18T20:00").await;
    assert!(later.status.as_u16() == 422 && later.text.contains("it cannot be later than now"), "{}", later.text);

    let reader = Browser::sign_in(&app, "office", &[Scope::Read], &[]).await;
    assert!(!reader.page("/board/day").await.contains("/board/day/spare"));
    let form = format!("csrf={}&once=g&unit=N2&from=2026-03-20", reader.token().await);
    assert_eq!(reader.send("/board/day/spare", &form).await.status.as_u16(), 403);
    let west = Browser::sign_in(&app, "west plans", &[Scope::Read, Scope::Plan], &["WEST"]).await;
    let form = format!("csrf={}&once=h&unit=N2&from=2026-03-20", west.token().await);
    assert_eq!(west.send("/board/day/spare", &form).await.status.as_u16(), 422, "another depot's car");
    assert!(!west.page("/board/day").await.contains("N2"));
}

async fn a_calendar_is_made_shown_once_and_taken_back(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    let (browser, token, _) = dispatcher(&app, &manager).await;
    let send = |path: &str, form: &str| {
        let (path, form) = (format!("/board/calendars/{path}"), format!("csrf={token}&{form}"));
        let browser = &browser;
        async move { browser.send(&path, &form).await }
    };
    let made = send("add", "once=a&depot=NORTH&name=<b>phone").await;
    assert_eq!(made.status.as_u16(), 200, "{}", made.text);
    let address = made.text.split("/v1/calendars/").nth(1).unwrap().split('<').next().unwrap();
    let address = format!("/v1/calendars/{address}");
    assert!(app.anonymous().get(&address).await.text.contains("SUMMARY:N1 cooling-check"));
    let again = send("add", "once=a&depot=NORTH&name=<b>phone").await;
    assert!(again.text.contains("shown then") && !again.text.contains("/v1/calendars/"), "{}", again.text);
    assert_eq!(send("add", "once=b&depot=NONE&name=x").await.status.as_u16(), 422);
    assert!(send("add", "once=c").await.text.contains("this is needed"));
    let page = browser.page("/board/calendars").await;
    assert!(page.contains("&lt;b&gt;phone") && !page.contains(&address), "{page}");
    let west = Browser::sign_in(&app, "west", &[Scope::Read, Scope::Plan], &["WEST"]).await;
    assert!(west.page("/board/calendars").await.contains("There is none yet"));
    let id = manager.get("/v1/calendars").await.json()["items"][0]["id"].as_i64().unwrap();
    let foreign = format!("csrf={}&once=d&id={id}", west.token().await);
    assert_eq!(west.send("/board/calendars/revoke", &foreign).await.status.as_u16(), 404);
    assert_eq!(send("revoke", &format!("once=e&id={id}")).await.status.as_u16(), 303);
    assert_eq!(app.anonymous().get(&address).await.status.as_u16(), 404);
    assert!(browser.page("/board/calendars").await.contains("taken back"));
}

async fn news_tell_a_page_what_has_changed(engine: Engine) {
    let settings = [("events.heartbeat_seconds", "1"), ("events.streams_per_key", "2")];
    let (app, manager) = TestApp::with(engine, &settings).await;
    fleet(&app, &manager).await;
    while app.app.publish_events().await.unwrap() > 0 {}
    let key = app.app.new_key("north", &[Scope::Read], &["NORTH".to_owned()], None).await.unwrap();
    let north = Browser::with_key(&app, &key).await;
    let page = north.page("/board/day").await;
    let after = page.split(r#"data-after=""#).nth(1).unwrap().split('"').next().unwrap();
    let off_road = async |unit: &str| {
        let off = json!({"from": "2026-04-01", "reason": "a secret"});
        manager.send(&format!("/v1/vehicles/{unit}/off-road"), off).await.expect(201);
        app.app.publish_events().await.unwrap();
    };
    off_road("W1").await;
    off_road("N1").await;
    let open = |path: &str| Stream::at(north.client.call(Method::GET, path).header("cookie", &north.cookie));
    let mut stream = open(&format!("/board/live?after={after}")).await;
    let mut of_n2 = open(&format!("/board/live?unit=N2&after={after}")).await;
    assert!(stream.block().await.unwrap().contains("event: alive"));
    let told = stream.block().await.unwrap();
    assert!(told.contains("event: news") && told.contains(r#""says":"N1: off road""#), "{told}");
    assert!(!told.contains("W1") && !told.contains("secret"), "{told}");
    assert!(stream.block().await.unwrap().contains("event: alive"), "nothing else");
    assert!(
        of_n2.block().await.unwrap().contains("event: alive") && of_n2.block().await.unwrap().contains("event: alive")
    );

    assert_eq!(north.get("/board/live?depot=WEST").await.status.as_u16(), 404);
    let full = north.get("/board/live").await;
    assert_eq!((full.status.as_u16(), header(&full, "retry-after")), (429, "10"), "it counts as a stream");
    drop(of_n2);
    let poster = Browser::sign_in(&app, "poster", &[Scope::Post], &[]).await;
    assert_eq!(poster.get("/board/live").await.status.as_u16(), 403);
    assert_eq!(app.anonymous().get("/board/live").await.status.as_u16(), 303);

    app.app.rotate_key("north", TimeDelta::zero(), &app.app.by_command_line(), bare).await.unwrap();
    while let Some(block) = stream.block().await {
        assert!(block.contains("event: alive"), "it ends with the session: {block}");
    }
    assert_eq!(app.app.streams.open(), 0);
}

async fn a_file_may_be_as_long_as_the_page_says(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    fleet(&app, &manager).await;
    let (browser, token) = administrator(&app).await;
    assert!(browser.page("/board/import").await.contains("at most 2 MB"));
    let row = |number: usize| {
        let (minute, second) = (number / 2, number % 2 * 30);
        let (day, hour) = (1 + minute / 1440, minute / 60 % 24);
        format!("N1,2026-01-{day:02}T{hour:02}:{:02}:{second:02}Z,12000,mi,telematics\n", minute % 60)
    };
    let file = |bytes: usize| {
        let rows: String = (0..bytes / row(0).len()).map(row).collect();
        format!("unit,at,odometer,distance_unit,source\n{rows}")
    };
    let form = |file: &str| {
        let mut form = form_urlencoded::Serializer::new(String::new());
        form.append_pair("csrf", &token).append_pair("log", "odometer-readings").append_pair("rows", file).finish()
    };
    let most = file(1_990_000);
    assert!(most.len() < 2_000_000 && form(&most).len() > 2_600_000);
    let tried = browser.send("/board/import", &form(&most)).await;
    assert_eq!(tried.status.as_u16(), 200, "{}", tried.text);
    let all = format!("The first 200 of {}", 1_990_000 / row(0).len());
    assert!(tried.text.contains(&all) && tried.text.contains("<th scope=\"row\">200</th><td>new</td>"));
    assert!(!tried.text.contains("<th scope=\"row\">201</th>"));
    let beyond = browser.send("/board/import", &form(&file(2_010_000))).await;
    assert_eq!(beyond.status.as_u16(), 413, "{}", beyond.text);
    assert!(beyond.text.contains("this page takes 2 MB"), "{}", beyond.text);
    // Where bodies may have little, so may rows.
    let (app, manager) = TestApp::with(engine, &[("limits.body_mib", "1")]).await;
    fleet(&app, &manager).await;
    let (browser, _) = administrator(&app).await;
    assert!(browser.page("/board/import").await.contains("at most 0.2 MB"));
}

crate::on_both!(
    a_file_may_be_as_long_as_the_page_says,
    a_key_signs_in_and_out,
    the_cookie_is_kept_from_scripts_and_other_sites,
    a_wrong_key_is_told_so_and_many_are_told_to_wait,
    a_session_ends_with_its_key_and_with_its_time,
    a_session_ends_with_the_secret_that_began_it,
    what_cannot_be_opened_is_a_page_too,
    a_form_from_elsewhere_does_nothing,
    every_answer_is_confined,
    a_key_sees_what_it_may,
    the_manager_sees_what_is_coming,
    a_car_s_page_tells_what_its_dates_rest_on,
    a_car_that_moved_hides_depots_the_key_may_not_see,
    what_if_is_worked_out_and_nothing_is_saved,
    a_large_fleet_is_counted_once_in_a_while,
    a_long_list_comes_in_pages,
    hostile_names_stay_text,
    a_failure_is_a_page_with_its_number,
    a_rule_is_added_and_changed_as_it_was_seen,
    keys_are_made_turned_and_revoked,
    gear_that_falls_due_is_tested,
    cores_and_journal_can_be_read,
    rows_are_tried_before_they_are_stored,
    the_dispatcher_sees_the_day_and_answers,
    the_dispatcher_spares_cars_and_tells_what_happened,
    a_calendar_is_made_shown_once_and_taken_back,
    news_tell_a_page_what_has_changed,
);
