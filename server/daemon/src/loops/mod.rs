//! When to call which use case: recast and raise whenever something rang, deliver at every tick, keep once in a while, refit
//! once a day.

mod deliver;
mod keep;
mod refit;

use std::time::Duration;

use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::app::App;
use crate::clock::Stopwatch;

/// Lets what comes in within a moment be recomputed together.
const GATHER: Duration = Duration::from_millis(50);

/// How often forecasts made for an earlier local day are looked for.
const OUTDATED_EVERY: Duration = Duration::from_secs(60);

/// After a failure the loop waits this long, so that a database that is away is not hammered.
const AFTER_FAILURE: Duration = Duration::from_secs(2);

/// How often orders to raise are looked for when nothing was recast: the end of a cancelled order's quiet days.
const LOOK_EVERY: Duration = Duration::from_secs(60);

/// Orders raised in one transaction.
const RAISE_BATCH: usize = 500;

/// Starts the loops; they end soon after `stop` is cancelled, between two batches.
pub fn start(app: &App, stop: &CancellationToken, tasks: &TaskTracker) {
    tasks.spawn(work(app.clone(), stop.clone()));
    tasks.spawn(outdated(app.clone(), stop.clone()));
    tasks.spawn(deliver::run(app.clone(), stop.clone()));
    tasks.spawn(keep::run(app.clone(), stop.clone()));
    tasks.spawn(keep::key_use(app.clone(), stop.clone()));
    tasks.spawn(refit::run(app.clone(), stop.clone()));
    tasks.spawn(refit::packs(app.clone(), stop.clone()));
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
    let mut look = Look::new(&app);
    while !stop.is_cancelled() {
        let watch = Stopwatch::start();
        if let Err(error) = round(&app, &stop, &mut look).await {
            tracing::error!(%error, "recast failed; the cars stay stale and are tried again");
            pause(&stop, AFTER_FAILURE).await;
            continue;
        }
        app.meters.ran("recast", app.now(), watch.elapsed_ms() / 1e3, tick);
        tokio::select! {
            () = stop.cancelled() => {}
            () = app.news.notified() => { pause(&stop, GATHER).await; }
            () = tokio::time::sleep(tick) => {}
        }
    }
}

/// When to look for orders to raise: for some rounds after a recast, until a new car's first logs have settled, and
/// else once in a while, since looking through a big fleet is not free.
struct Look {
    rounds_after_recast: u64,
    rounds_when_idle: u64,
    next_in: u64,
    settling: u64,
}

impl Look {
    fn new(app: &App) -> Self {
        let tick_ms = app.settings.loops.tick_ms.max(1);
        let settle_ms = u64::try_from(app.settings.raise.settle_seconds).unwrap_or_default() * 1000;
        let idle_ms = LOOK_EVERY.as_secs() * 1000;
        Self {
            rounds_after_recast: settle_ms / tick_ms + 2,
            rounds_when_idle: idle_ms / tick_ms + 1,
            next_in: 0,
            settling: 0,
        }
    }

    /// Whether this round is one to look in.
    fn due(&mut self, recast: bool) -> bool {
        self.settling = if recast { self.rounds_after_recast } else { self.settling.saturating_sub(1) };
        self.next_in = self.next_in.saturating_sub(1);
        let due = self.settling > 0 || self.next_in == 0;
        if due {
            self.next_in = self.rounds_when_idle;
        }
        due
    }
}

/// Recasts every stale car, then raises the orders that are called for.
async fn round(app: &App, stop: &CancellationToken, look: &mut Look) -> Result<(), crate::store::StoreError> {
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
    if look.due(cars > 0) {
        while !stop.is_cancelled() && app.raise_orders(RAISE_BATCH).await? == RAISE_BATCH {}
    }
    Ok(())
}

/// Cars told to move today move, and forecasts made for an earlier day are made anew; how many of these.
async fn new_day(app: &App) -> Result<u64, crate::store::StoreError> {
    let moved = app.store.take_moves(app.now()).await?;
    if moved > 0 {
        tracing::info!(moved, "cars moved to another depot as they were told");
        app.news.notify_one();
    }
    app.store.mark_outdated(app.now()).await
}

async fn outdated(app: App, stop: CancellationToken) {
    loop {
        let watch = Stopwatch::start();
        match new_day(&app).await {
            Ok(cars) => {
                app.meters.ran("outdated", app.now(), watch.elapsed_ms() / 1e3, OUTDATED_EVERY);
                if cars > 0 {
                    tracing::info!(cars, "a new local day: forecasts are made anew");
                    app.news.notify_one();
                }
            }
            Err(error) => tracing::error!(%error, "outdated forecasts could not be marked"),
        }
        if !pause(&stop, OUTDATED_EVERY).await {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Look;

    #[test]
    fn orders_are_looked_for_after_a_recast_and_once_in_a_while() {
        let mut look = Look { rounds_after_recast: 2, rounds_when_idle: 4, next_in: 0, settling: 0 };
        let rounds = [false, false, true, false, false, false, false, false, false];
        let looked: Vec<bool> = rounds.into_iter().map(|recast| look.due(recast)).collect();
        assert_eq!(looked, [true, false, true, true, false, false, false, true, false]);
    }
}
