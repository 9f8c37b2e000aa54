//! The demo: an invented fleet, loaded through the HTTP interface itself, then shown.

mod checks;
mod dirt;
mod driving;
pub mod fleet;
mod logs;
mod packs;
mod random;
mod tables;

use std::path::Path;
use std::time::Duration;

use serde_json::Value;
use tokio_util::sync::CancellationToken;
use ventmile_model::wear::outlook::percent;

use crate::app::App;
use crate::app::keys::Scope;
use crate::client::Client;
use crate::config::{Config, Secret};
use crate::serve::{Server, stop_on_signal};
use fleet::Fleet;

type Failure = Box<dyn std::error::Error + Send + Sync>;

/// Where the demo keeps its fleet unless a database is named.
const FILE: &str = "ventmile-demo.db";

/// How long the first forecasts may take.
const PATIENCE: usize = 600;

/// Loads the fleet, shows what to look at, and serves until told to stop (or ends at once).
///
/// # Errors
/// When the database, the port or a request fails.
pub async fn run(config: Config, once: bool) -> Result<(), Failure> {
    let mut settings = config.settings;
    if config.origins.get("database").is_some_and(|(_, origin)| origin == "default") {
        settings.database = Secret(format!("sqlite:{FILE}"));
    }
    let fresh = settings.database.0 == format!("sqlite:{FILE}");
    if fresh {
        forget_last_demo()?;
    }
    let server = Server::prepare(settings).await?;
    let (app, address) = (server.app.clone(), server.address()?);
    let key = app.new_key("demo", &Scope::ALL, &[], None).await?;
    let stop = CancellationToken::new();
    stop_on_signal(stop.clone())?;
    let serving = tokio::spawn(server.run(stop.clone()));
    let client = Client::new(&address.to_string(), &key, "demo");
    println!("Loading an invented fleet through http://{address} …");
    load(&client, &fleet::fleet(fleet::latest_day(app.now()))?).await?;
    settle(&app, &stop).await?;
    show(&client, address, &key).await?;
    if once {
        stop.cancel();
    } else {
        println!(
            "\nServing until you press Ctrl-C. The pages are at http://{address}/board (sign in with the key above), \
             the interface can be read and tried at http://{address}/docs"
        );
    }
    Ok(serving.await??)
}

/// The demo makes its file anew each time, since its dates hang on the day.
fn forget_last_demo() -> std::io::Result<()> {
    for ending in ["", "-wal", "-shm"] {
        let file = format!("{FILE}{ending}");
        if Path::new(&file).exists() {
            std::fs::remove_file(file)?;
        }
    }
    Ok(())
}

async fn load(client: &Client, fleet: &Fleet) -> Result<(), Failure> {
    for depot in &fleet.depots {
        client.post("/v1/depots", "application/json", depot.to_string()).await?;
    }
    let lines = |rows: &[Value]| rows.iter().map(|row| format!("{row}\n")).collect::<String>();
    let tell = |what: &str, answer: &Value| {
        let count = |name: &str| answer.get(name).and_then(Value::as_u64).unwrap_or_default();
        let refused = answer.get("refused").and_then(Value::as_array).map_or(0, Vec::len);
        let (stored, repeated, replaced) = (count("stored"), count("repeated"), count("replaced"));
        println!("  {what:<18} stored {stored:>6}, repeated {repeated}, replaced {replaced}, refused {refused}");
    };
    const NDJSON: &str = "application/x-ndjson";
    tell("vehicles", &client.post("/v1/vehicles", NDJSON, lines(&fleet.vehicles)).await?);
    tell("past services", &client.post("/v1/past-services", NDJSON, lines(&fleet.past_services)).await?);
    for (unit, off_road) in &fleet.off_road {
        client.post(&format!("/v1/vehicles/{unit}/off-road"), "application/json", off_road.to_string()).await?;
    }
    tell("odometer readings", &client.post("/v1/odometer-readings", NDJSON, fleet.odometer_readings.clone()).await?);
    tell("duty logs", &client.post("/v1/duty-logs", "text/csv", fleet.duty_logs.clone()).await?);
    tell("seat logs", &client.post("/v1/seat-logs", "text/csv", fleet.seat_logs.clone()).await?);
    tell("packs", &client.post("/v1/packs", NDJSON, lines(&fleet.packs)).await?);
    tell("pack checks", &client.post("/v1/pack-checks", "text/csv", fleet.pack_checks.clone()).await?);
    tell("trouble codes", &client.post("/v1/trouble-codes", NDJSON, lines(&fleet.trouble_codes)).await?);
    Ok(())
}

/// Waits until every car has a forecast from all its logs, and from the life curve of all packs.
async fn settle(app: &App, stop: &CancellationToken) -> Result<(), Failure> {
    recast(app, stop).await?;
    app.learn_life_when_due().await?;
    recast(app, stop).await?;
    // New cars wait until their logs have been quiet for a moment; the loop raises their orders in its next round.
    let quiet = u64::try_from(app.settings.raise.settle_seconds).unwrap_or_default() + 1;
    tokio::time::sleep(Duration::from_secs(quiet)).await;
    Ok(())
}

/// Waits until no car is stale.
async fn recast(app: &App, stop: &CancellationToken) -> Result<(), Failure> {
    for _ in 0..PATIENCE {
        if stop.is_cancelled() || app.store.count_stale().await? == 0 {
            break;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    Ok(())
}

fn text<'a>(value: &'a Value, pointer: &str) -> &'a str {
    value.pointer(pointer).and_then(Value::as_str).unwrap_or("–")
}

fn number(value: &Value, pointer: &str) -> String {
    value.pointer(pointer).and_then(Value::as_f64).map_or_else(|| "–".to_owned(), |number| format!("{number:.0}"))
}

fn items(page: &Value) -> &[Value] {
    page.get("items").and_then(Value::as_array).map_or(&[], Vec::as_slice)
}

async fn show(client: &Client, address: std::net::SocketAddr, key: &str) -> Result<(), Failure> {
    let upcoming = client.get("/v1/upcoming?limit=10").await?;
    println!("\nWhat to look at now: the next ten (unknown and silent cars first, then by the late edge)\n");
    println!(
        "  {:<6} {:<5} {:<8} {:<9} {:>12} {:>11} {:>11} {:>7}  work order",
        "unit", "depot", "band", "grade", "since", "early 50 %", "late 50 %", "silent"
    );
    for item in items(&upcoming) {
        let since = format!("{} {}", number(item, "/since_service/distance"), text(item, "/distance_unit"));
        println!(
            "  {:<6} {:<5} {:<8} {:<9} {since:>12} {:>11} {:>11} {:>5} d  {}",
            text(item, "/unit"),
            text(item, "/depot"),
            text(item, "/band"),
            text(item, "/grade"),
            text(item, "/due/early/p50"),
            text(item, "/due/late/p50"),
            number(item, "/silent_days"),
            text(item, "/work_order"),
        );
    }
    let queue = client.get("/v1/work-orders?open=true&limit=500").await?;
    let open = items(&queue);
    println!("\nThe open queue: {} work orders, the first ten\n", open.len());
    for order in open.iter().take(10) {
        println!(
            "  {:<9} {:<6} {:<5} {:<13} {}",
            text(order, "/number"),
            text(order, "/unit"),
            text(order, "/depot"),
            text(order, "/status"),
            text(order, "/reason")
        );
    }
    let packs = client.get("/v1/pack-outlook?limit=5").await?;
    println!("\nPacks most at risk: the first five\n");
    println!("  {:<6} {:<6} {:<9} {:>14}  reason", "unit", "type", "band", "90 days");
    for item in items(&packs) {
        let chance = item.pointer("/chances/within_90_days").and_then(Value::as_f64);
        let chance = chance.map_or_else(|| "–".to_owned(), percent);
        println!(
            "  {:<6} {:<6} {:<9} {chance:>14}  {}",
            text(item, "/unit"),
            text(item, "/type"),
            text(item, "/band"),
            text(item, "/reason")
        );
    }
    let first = open.first().map_or("V104", |order| text(order, "/unit"));
    let worn = items(&packs).first().map_or("V110", |item| text(item, "/unit"));
    println!("\nThe same by hand:\n");
    println!("  export VENTMILE_KEY={key}");
    for path in [
        "/v1/upcoming?limit=10".to_owned(),
        "/v1/upcoming?band=past&format=csv".to_owned(),
        "/v1/work-orders?open=true".to_owned(),
        format!("/v1/vehicles/{first}/forecast"),
        "/v1/pack-outlook?limit=10".to_owned(),
        "/v1/life-curve".to_owned(),
        format!("/v1/vehicles/{worn}/pack"),
    ] {
        println!("  curl -s -H \"Authorization: Bearer $VENTMILE_KEY\" 'http://{address}{path}'");
    }
    println!(
        "\nThe dates are forecasts, no safety clearance: high-voltage work follows the maker's procedure and local codes."
    );
    Ok(())
}
