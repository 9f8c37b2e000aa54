//! Once a day the fleet's own past is learned from anew.

use std::time::Duration;

use tokio_util::sync::CancellationToken;

use crate::app::App;
use crate::clock::Stopwatch;

/// How often a fit is looked for that has grown old.
const EVERY: Duration = Duration::from_secs(600);

/// How often it is looked whether packs have come or failed since the life curve was learned.
const LOOK_AT_PACKS: Duration = Duration::from_secs(30);

pub(super) async fn run(app: App, stop: CancellationToken) {
    loop {
        let watch = Stopwatch::start();
        match app.refit_when_due().await {
            Ok(learned) => {
                app.meters.ran("refit", app.now(), watch.elapsed_ms() / 1e3, EVERY);
                if learned {
                    tracing::info!("learned anew from the fleet's past windows");
                }
            }
            Err(error) => tracing::error!(%error, "the usage model could not be fitted; the last fit stays in use"),
        }
        if !super::pause(&stop, EVERY).await {
            return;
        }
    }
}

/// Learns the life curve anew once a day, and when packs have failed or many have come.
pub(super) async fn packs(app: App, stop: CancellationToken) {
    loop {
        let watch = Stopwatch::start();
        match app.learn_life_when_due().await {
            Ok(learned) => {
                app.meters.ran("life-curve", app.now(), watch.elapsed_ms() / 1e3, LOOK_AT_PACKS);
                if learned {
                    tracing::info!("learned the life curve anew");
                }
            }
            Err(error) => tracing::error!(%error, "the life curve could not be learned; the last one stays in use"),
        }
        if !super::pause(&stop, LOOK_AT_PACKS).await {
            return;
        }
    }
}
