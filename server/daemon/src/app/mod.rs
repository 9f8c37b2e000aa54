//! The use cases: load, compute, save. The only room that sees both the store and the model's computations.

pub mod assess;
pub mod backtest;
pub mod calendars;
pub mod coming;
pub mod curve;
pub mod day_list;
pub mod fits;
pub mod forecasts;
pub mod gear;
pub mod grading;
pub mod guard;
pub mod hindsight;
pub mod history;
pub mod item;
pub mod keys;
pub mod lateness;
pub mod life;
pub mod limits;
pub mod meters;
pub mod orders;
pub mod packs;
pub mod parts;
mod past;
pub mod reports;
pub mod risks;
pub mod sessions;
pub mod stops;
pub mod streams;
pub mod symptoms;
pub mod told;
pub mod vouched;
pub mod waiting;
pub mod webhooks;
pub mod what_if;
pub mod work;

use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use std::time::Duration;

use chrono::{DateTime, Utc};
use tokio::sync::{Notify, watch};
use tokio_util::sync::CancellationToken;

pub use limits::usage_settings;

use crate::clock::Clock;
use crate::config::Settings;
use crate::courier::Courier;
use crate::store::{CarLogs, Claim, Store, StoreError, Writer};

/// Everything a use case needs.
#[derive(Clone, Debug)]
pub struct App {
    /// What is kept.
    pub store: Store,
    /// Takes log rows.
    pub writer: Writer,
    /// The time.
    pub clock: Arc<dyn Clock>,
    /// The settings in force.
    pub settings: Arc<Settings>,
    /// Rung when cars have become stale.
    pub news: Arc<Notify>,
    /// Keys that were looked up a moment ago.
    pub keyring: Arc<keys::Keyring>,
    /// How much is let in.
    pub guard: Arc<guard::Guard>,
    /// What is counted for an operator.
    pub meters: Arc<meters::Meters>,
    /// What the fleet's past says about the days ahead.
    pub fits: Arc<fits::LatestFits>,
    /// What the fleet's packs say together.
    pub life: Arc<life::LatestLife>,
    /// What is coming, as it was last counted.
    pub coming: Arc<coming::Counted>,
    /// Carries what webhooks tell.
    pub courier: Courier,
    /// Number of the newest event this process has seen published.
    pub newest_event: watch::Sender<i64>,
    /// Counts the batches of forecasts that this process has made, so that pages notice.
    pub forecasts_made: Arc<AtomicU64>,
    /// Streams of events that are open.
    pub streams: Arc<streams::Streams>,
    /// Cancelled when the process ends: streams end then.
    pub ending: CancellationToken,
}

impl App {
    /// Opens the database the settings name and starts the log writer.
    ///
    /// # Errors
    /// [`StoreError`] when the database cannot be opened or brought up to date.
    pub async fn open(settings: Settings, clock: Arc<dyn Clock>) -> Result<Self, StoreError> {
        let longest = Duration::from_secs(settings.limits.statement_seconds);
        let store = Store::open_limited(&settings.database.0, settings.connections, Some(longest)).await?;
        store.ship_procedures(&work::shipped()?, clock.now()).await?;
        let courier = Courier::new(&settings.webhooks)?;
        let news = Arc::new(Notify::new());
        let writer = Writer::start(store.clone(), Arc::clone(&clock), Arc::clone(&news));
        let guard = Arc::new(guard::Guard::new(&settings.limits));
        Ok(Self {
            store,
            writer,
            clock,
            settings: Arc::new(settings),
            news,
            keyring: Arc::default(),
            guard,
            meters: Arc::new(meters::Meters::new()?),
            fits: Arc::default(),
            life: Arc::default(),
            coming: Arc::default(),
            courier,
            newest_event: watch::Sender::new(0),
            forecasts_made: Arc::default(),
            streams: Arc::default(),
            ending: CancellationToken::new(),
        })
    }

    /// Everything stored about the given cars, with what the settings say of their sources.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn cars(&self, claims: &[Claim]) -> Result<Vec<CarLogs>, StoreError> {
        let mut logs = self.store.car_logs(claims).await?;
        let by_name = &self.settings.track.trust;
        if !by_name.is_empty() {
            let names = self.store.source_names().await?;
            let trust: Arc<[(i64, f64)]> =
                names.iter().filter_map(|(source, name)| Some((*source, *by_name.get(name)?))).collect();
            logs.iter_mut().for_each(|car| car.trust = Arc::clone(&trust));
        }
        Ok(logs)
    }

    /// The present instant.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        self.clock.now()
    }
}
