//! What is learned from the fleet's own past, and the backtest on its logs.

use chrono::TimeDelta;
use serde_json::{Value, json};
use ventmile::store::FitRecord;

use ventmile_model::fleet::Meter;
use ventmile_model::usage::Fits;

use crate::common::{Client, Engine, TestApp, car, forecast, instant, post, two_depots};

/// Eight months of readings up to 17 March 2026: a car whose days differ, and whose pace changes every fifty days.
async fn restless(client: &Client, unit: &str, seed: i64) {
    car(client, unit, "NORTH").await;
    let mut odometer = 4_000.0;
    let rows: Vec<Value> = (0..240)
        .map(|day| {
            let pace = 1.0 + 0.4 * f64::from(u8::from((day / 50 + seed) % 2 == 0));
            odometer += pace * (30 + (day * 37 + seed * 53) % 45) as f64;
            let at = instant("2026-03-17T17:00:00Z") - TimeDelta::days(239 - day);
            json!({"unit": unit, "at": at, "odometer": odometer, "distance_unit": "mi", "source": "telematics"})
        })
        .collect();
    post(client, "odometer-readings", Value::Array(rows)).await;
}

async fn the_fleets_past_is_learned_once_a_day(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    let store = &app.app.store;
    assert!(!app.app.refit_when_due().await.unwrap(), "no car yet");
    assert_eq!((store.latest_fits().await.unwrap(), app.app.fits.get()), (vec![], Fits::default()));
    for (seed, unit) in [(1, "1"), (2, "2"), (3, "3"), (4, "4")] {
        restless(&manager, unit, seed).await;
    }
    app.settle().await;
    let before = forecast(&manager, "1").await;
    assert!(app.app.refit_when_due().await.unwrap());
    let fits = store.latest_fits().await.unwrap();
    let [FitRecord { meter: Meter::Distance, cars: 4, windows, made_at, coefficients }] = fits[..] else {
        panic!("{fits:?}");
    };
    assert!(windows > 100 && made_at == app.app.now());
    assert_eq!(app.app.fits.get().metres, coefficients);
    // What is asked for now uses it, as the next recast will.
    let after = forecast(&manager, "1").await;
    assert_ne!(before["usage"]["lines"], after["usage"]["lines"]);
    assert_ne!(before["due"], after["due"]);
    assert_eq!(after["usage"]["lines"][1][0], (coefficients.lines[1][0] * 1e3).round() / 1e3);
    assert!(!app.app.refit_when_due().await.unwrap(), "made a moment ago");
    app.pass(TimeDelta::hours(25));
    assert!(app.app.refit_when_due().await.unwrap());
    let newest = store.latest_fits().await.unwrap();
    assert_eq!((newest.len(), newest[0].made_at), (1, app.app.now()));
}

async fn the_backtest_scores_the_fleets_own_logs(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    assert_eq!(app.app.backtest().await.unwrap(), None);
    for (seed, unit) in [(1, "1"), (2, "2"), (3, "3"), (4, "4")] {
        restless(&manager, unit, seed).await;
    }
    let table = app.app.backtest().await.unwrap().unwrap();
    // 239 days, the last whole one the 238th: origins 30, 60 … 180 days before it, four cars.
    assert_eq!(table.ventmile.count, 4 * 6);
    assert_eq!((table.all_history.count, table.last_28_days.count), (4 * 6, 4 * 6));
    assert!(table.ventmile.mean_pinball.is_finite());
}

async fn a_sample_is_spread_over_all_cars(engine: Engine) {
    let (app, manager) = TestApp::new(engine).await;
    two_depots(&manager).await;
    for unit in ["1", "2", "3", "4", "5"] {
        car(&manager, unit, "NORTH").await;
    }
    let store = &app.app.store;
    let all = store.sample_of_vehicles(100).await.unwrap();
    assert_eq!(all.len(), 5);
    assert_eq!(store.sample_of_vehicles(3).await.unwrap(), [all[0], all[2], all[4]]);
}

crate::on_both!(
    the_fleets_past_is_learned_once_a_day,
    the_backtest_scores_the_fleets_own_logs,
    a_sample_is_spread_over_all_cars,
);
