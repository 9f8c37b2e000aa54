//! Publishes events and carries deliveries, many receivers at once: one that is slow holds up nobody else.

use std::collections::HashMap;
use std::time::Duration;

use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::app::App;
use crate::store::{DeliveryState, Outgoing, StoreError};

/// Deliveries under way get this long to end once the daemon is told to stop; what is left is sent again by the next one.
const LAST_DELIVERIES: Duration = Duration::from_secs(5);

pub(super) async fn run(app: App, stop: CancellationToken) {
    let tick = Duration::from_millis(app.settings.loops.tick_ms);
    let mut under_way = UnderWay::default();
    while !stop.is_cancelled() {
        let rest = match round(&app, &mut under_way).await {
            Ok(()) => tick,
            Err(error) => {
                tracing::error!(%error, "events could not be published or sent; they are tried again");
                super::AFTER_FAILURE
            }
        };
        tokio::select! {
            () = stop.cancelled() => {}
            () = tokio::time::sleep(rest) => {}
            // A place has become free.
            () = under_way.one_ended() => {}
        }
    }
    if tokio::time::timeout(LAST_DELIVERIES, under_way.all_ended()).await.is_err() {
        tracing::warn!("some deliveries did not end in time; they are sent again");
    }
}

/// Deliveries under way, and how many of each webhook.
#[derive(Default)]
struct UnderWay {
    tasks: JoinSet<i64>,
    by_webhook: HashMap<i64, usize>,
}

impl UnderWay {
    fn of(&self, webhook: i64) -> usize {
        self.by_webhook.get(&webhook).copied().unwrap_or_default()
    }

    fn begin(&mut self, app: App, outgoing: Outgoing) {
        let webhook = outgoing.webhook_id;
        *self.by_webhook.entry(webhook).or_default() += 1;
        self.tasks.spawn(async move {
            deliver(&app, &outgoing).await;
            webhook
        });
    }

    /// Waits until one has ended; without any for ever.
    async fn one_ended(&mut self) {
        match self.tasks.join_next().await {
            Some(Ok(webhook)) => self.ended(webhook),
            Some(Err(error)) => {
                tracing::error!(%error, "a delivery ended badly");
                self.by_webhook.clear();
            }
            None => std::future::pending().await,
        }
    }

    fn ended(&mut self, webhook: i64) {
        if let Some(count) = self.by_webhook.get_mut(&webhook) {
            *count = count.saturating_sub(1);
        }
        self.by_webhook.retain(|_, count| *count > 0);
    }

    async fn all_ended(&mut self) {
        while self.tasks.join_next().await.is_some() {}
    }
}

/// Publishes what was told, then begins as many deliveries as there are places.
async fn round(app: &App, under_way: &mut UnderWay) -> Result<(), StoreError> {
    while app.publish_events().await? > 0 {}
    let settings = &app.settings.webhooks;
    let mut due = app.store.due_webhooks(app.now()).await?;
    // Who has least under way comes first, so that those who hang leave places for the others.
    due.sort_by_key(|webhook| under_way.of(*webhook));
    for webhook in due {
        let of_all = settings.at_once_in_all.saturating_sub(under_way.tasks.len());
        let places = settings.at_once.saturating_sub(under_way.of(webhook)).min(of_all);
        if places == 0 {
            continue;
        }
        for outgoing in app.claim_deliveries(webhook, places).await? {
            under_way.begin(app.clone(), outgoing);
        }
    }
    Ok(())
}

async fn deliver(app: &App, outgoing: &Outgoing) {
    let (webhook, event) = (outgoing.webhook_id, outgoing.event.id);
    match app.deliver(outgoing).await {
        Ok(sent) if sent.state == DeliveryState::Delivered => tracing::debug!(webhook, event, "delivered"),
        Ok(sent) => {
            let (state, fault) = (sent.state.as_str(), sent.fault.unwrap_or_default());
            tracing::warn!(webhook, event, attempt = outgoing.attempts + 1, state, fault, "not delivered");
        }
        Err(error) => tracing::error!(webhook, event, %error, "what came of a delivery could not be noted"),
    }
}
