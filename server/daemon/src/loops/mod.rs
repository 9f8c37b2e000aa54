//! When to call which use case: recast and raise whenever something rang, keep once in a while.

mod keep;

use std::time::Duration;

use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::app::App;

/// Lets what comes in within a moment be recomputed together.
const GATHER: Duration = Duration::from_millis(50);

/// How often forecasts made for an earlier local day are looked for.
const OUTDATED_EVERY: Duration = Duration::from_secs(60);

/// After a failure the loop waits this long, so that a database that is away is not hammered.
const AFTER_FAILURE: Duration = Duration::from_secs(2);

/// Orders raised in one transaction.
const RAISE_BATCH: i64 = 500;

/// Starts the loops; they end soon after `stop` is cancelled, between two batches.
pub fn start(app: &App, stop: &CancellationToken, tasks: &TaskTracker) {
    tasks.spawn(work(app.clone(), stop.clone()));
    tasks.spawn(outdated(app.clone(), stop.clone()));
    tasks.spawn(keep::run(app.clone(), stop.clone()));
}

/// Waits, unless the loops are told to stop first; whether to go on.
async fn pause(stop: &CancellationToken, time: Duration) -> bool {
    tokio::select! {
        () = stop.cancelled() => false,
        () = tokio::time::sleep(time) => true,
    }
}

async fn work(app: App, stop: CancellationToken) {
    let tick = Duration::from_millis(app.settings.loops.tick_ms);
    while !stop.is_cancelled() {
        if let Err(error) = round(&app, &stop).await {
            tracing::error!(%error, "recast failed; the cars stay stale and are tried again");
            pause(&stop, AFTER_FAILURE).await;
            continue;
        }
        tokio::select! {
            () = stop.cancelled() => {}
            () = app.news.notified() => { pause(&stop, GATHER).await; }
            () = tokio::time::sleep(tick) => {}
        }
    }
}

/// Recasts every stale car, then raises the orders that are called for.
async fn round(app: &App, stop: &CancellationToken) -> Result<(), crate::store::StoreError> {
    let mut cars = 0;
    while !stop.is_cancelled() {
        match app.recast_batch().await? {
            0 => break,
            count => cars += count,
        }
    }
    if cars > 0 {
        tracing::debug!(cars, "recast");
    }
    if !stop.is_cancelled() {
        app.raise_orders(RAISE_BATCH).await?;
    }
    Ok(())
}

async fn outdated(app: App, stop: CancellationToken) {
    loop {
        match app.store.mark_outdated(app.now()).await {
            Ok(0) => {}
            Ok(cars) => {
                tracing::info!(cars, "a new local day: forecasts are made anew");
                app.news.notify_one();
            }
            Err(error) => tracing::error!(%error, "outdated forecasts could not be marked"),
        }
        if !pause(&stop, OUTDATED_EVERY).await {
            return;
        }
    }
}
