//! Metrics for an operator, in Prometheus' text format. No label names a car, a person or a key; depots only where asked.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use chrono::{DateTime, Utc};
use prometheus::core::Collector;
use prometheus::{
    Encoder, GaugeVec, HistogramOpts, HistogramVec, IntCounter, IntCounterVec, Opts, Registry, TextEncoder,
};

use super::App;
use crate::store::StoreError;

/// Media type of what [`App::metrics`] gives.
pub const MEDIA_TYPE: &str = "text/plain; version=0.0.4; charset=utf-8";

/// Upper bounds of the request times, in seconds.
const SECONDS: [f64; 10] = [0.001, 0.0025, 0.005, 0.01, 0.025, 0.1, 0.25, 1.0, 2.5, 10.0];

const METHODS: [&str; 7] = ["GET", "POST", "PATCH", "PUT", "DELETE", "HEAD", "OPTIONS"];

/// What becomes of an attempt to deliver an event.
const DELIVERED: &str = "delivered";
const FAILED: &str = "failed";

/// A loop's last round.
#[derive(Clone, Copy, Debug)]
struct Round {
    ended_at: DateTime<Utc>,
    took_s: f64,
    /// How long after a round's end the next one begins at the latest.
    every: Duration,
}

/// What is counted as it happens.
#[derive(Debug)]
pub struct Meters {
    registry: Registry,
    rows: IntCounterVec,
    requests: HistogramVec,
    limited: IntCounterVec,
    busy: IntCounter,
    attempts: IntCounterVec,
    rounds: Mutex<BTreeMap<&'static str, Round>>,
}

impl Meters {
    /// All at nought.
    ///
    /// # Errors
    /// Never with the names written here.
    pub fn new() -> Result<Self, StoreError> {
        Self::named().map_err(odd)
    }

    fn named() -> Result<Self, prometheus::Error> {
        let registry = Registry::new();
        let counters = |name: &str, help: &str, labels: &[&str]| {
            let counters = IntCounterVec::new(Opts::new(name, help), labels)?;
            registry.register(Box::new(counters.clone()))?;
            Ok::<_, prometheus::Error>(counters)
        };
        let rows = counters("ventmile_rows_total", "Rows sent, by log and verdict.", &["log", "verdict"])?;
        let limited =
            counters("ventmile_rate_limited_total", "Requests refused with 429, of keys and of strangers.", &["who"])?;
        let attempts = counters("ventmile_webhook_attempts_total", "Attempts to deliver an event.", &["outcome"])?;
        let busy = IntCounter::new("ventmile_requests_without_room_total", "Requests refused for want of room (503).")?;
        registry.register(Box::new(busy.clone()))?;
        let times =
            HistogramOpts::new("ventmile_request_duration_seconds", "Time from a request's head to its answer's.");
        let requests = HistogramVec::new(times.buckets(SECONDS.to_vec()), &["method", "route", "status"])?;
        registry.register(Box::new(requests.clone()))?;
        for who in ["key", "stranger"] {
            limited.with_label_values(&[who]).reset();
        }
        for outcome in [DELIVERED, FAILED] {
            attempts.with_label_values(&[outcome]).reset();
        }
        Ok(Self { registry, rows, requests, limited, busy, attempts, rounds: Mutex::default() })
    }

    /// What became of the rows of a post: how many were stored, repeated, replaced, refused.
    pub fn count_rows(&self, log: &str, counts: [u64; 4]) {
        for (verdict, count) in ["stored", "repeated", "replaced", "refused"].into_iter().zip(counts) {
            self.rows.with_label_values(&[log, verdict]).inc_by(count);
        }
    }

    /// A request was answered; `route` is its template.
    pub fn answered(&self, method: &str, route: &str, status: u16, elapsed_ms: f64) {
        let class = format!("{}xx", status / 100);
        // A client may write any word for a method.
        let method = METHODS.into_iter().find(|known| *known == method).unwrap_or("other");
        self.requests.with_label_values(&[method, route, &class]).observe(elapsed_ms / 1e3);
    }

    /// A request was refused by the limit of a `key` or of a `stranger`.
    pub fn limited(&self, who: &str) {
        self.limited.with_label_values(&[who]).inc();
    }

    /// A request was refused for want of room.
    pub fn no_room(&self) {
        self.busy.inc();
    }

    /// An attempt to deliver an event has ended.
    pub fn attempted(&self, delivered: bool) {
        self.attempts.with_label_values(&[if delivered { DELIVERED } else { FAILED }]).inc();
    }

    /// A loop has done a round without a fault and begins the next one within `every`.
    pub fn ran(&self, name: &'static str, ended_at: DateTime<Utc>, took_s: f64, every: Duration) {
        let mut rounds = self.rounds.lock().unwrap_or_else(PoisonError::into_inner);
        rounds.insert(name, Round { ended_at, took_s, every });
    }

    fn rounds(&self) -> BTreeMap<&'static str, Round> {
        self.rounds.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

/// Gauges that are looked up when they are asked for.
struct Gauges {
    registry: Registry,
}

impl Gauges {
    fn add(
        &self,
        name: &str,
        help: &str,
        labels: &[&str],
        values: impl IntoIterator<Item = (Vec<String>, f64)>,
    ) -> Result<(), prometheus::Error> {
        let gauges = GaugeVec::new(Opts::new(name, help), labels)?;
        for (names, value) in values {
            gauges.with_label_values(&names).set(value);
        }
        // A family without a value would be a name with nothing behind it.
        if gauges.collect().iter().any(|family| !family.get_metric().is_empty()) {
            self.registry.register(Box::new(gauges))?;
        }
        Ok(())
    }
}

/// Adds up what stands under the same labels.
fn summed(
    values: impl IntoIterator<Item = (Vec<String>, f64)>,
    join: fn(f64, f64) -> f64,
) -> BTreeMap<Vec<String>, f64> {
    let mut sums = BTreeMap::new();
    for (names, value) in values {
        sums.entry(names).and_modify(|sum| *sum = join(*sum, value)).or_insert(value);
    }
    sums
}

fn seconds(from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    (to - from).as_seconds_f64().max(0.0)
}

const VERSION: &str = env!("CARGO_PKG_VERSION");

impl App {
    /// All metrics; with codes of depots as labels only where `by_depot`.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn metrics(&self, by_depot: bool) -> Result<String, StoreError> {
        let gauges = Gauges { registry: Registry::new() };
        self.stored_gauges(&gauges, by_depot).await?;
        self.process_gauges(&gauges).map_err(odd)?;
        let mut families = self.meters.registry.gather();
        families.extend(gauges.registry.gather());
        let mut text = Vec::new();
        TextEncoder::new().encode(&families, &mut text).map_err(odd)?;
        Ok(String::from_utf8_lossy(&text).into_owned())
    }

    async fn stored_gauges(&self, gauges: &Gauges, by_depot: bool) -> Result<(), StoreError> {
        let now = self.now();
        let stale = self.store.stale_cars().await?;
        let ages = self.store.forecast_ages().await?;
        let orders = self.store.open_orders().await?;
        let deliveries = self.store.delivery_counts().await?;
        let labelled = |depot: &str, more: &[&str]| -> Vec<String> {
            more.iter().copied().chain(by_depot.then_some(depot)).map(str::to_owned).collect()
        };
        let (of_depot, of_kind): (&[&str], &[&str]) =
            if by_depot { (&["depot"], &["kind", "status", "depot"]) } else { (&[], &["kind", "status"]) };
        let alone = |value: f64| [(Vec::new(), value)];
        let add = || -> Result<(), prometheus::Error> {
            gauges.add(
                "ventmile_stale_cars",
                "Cars whose forecasts are to be made anew.",
                &[],
                alone(stale.cars as f64),
            )?;
            let oldest = stale.since.map_or(0.0, |since| seconds(since, now));
            gauges.add(
                "ventmile_stale_oldest_seconds",
                "How long the first stale car has waited.",
                &[],
                alone(oldest),
            )?;
            let counts = ages.iter().map(|age| (labelled(&age.depot, &[]), age.forecasts as f64));
            gauges.add("ventmile_forecasts", "Forecasts there are.", of_depot, summed(counts, |a, b| a + b))?;
            let oldest = ages.iter().map(|age| (labelled(&age.depot, &[]), seconds(age.oldest, now)));
            gauges.add(
                "ventmile_forecast_oldest_seconds",
                "Age of the oldest forecast.",
                of_depot,
                summed(oldest, f64::max),
            )?;
            let counts =
                orders.iter().map(|open| (labelled(&open.depot, &[&open.kind, &open.status]), open.orders as f64));
            gauges.add("ventmile_open_work_orders", "Open work orders.", of_kind, summed(counts, |a, b| a + b))?;
            let oldest = orders
                .iter()
                .map(|open| (labelled(&open.depot, &[&open.kind, &open.status]), seconds(open.oldest, now)));
            let help = "How long the oldest open work order has stood.";
            gauges.add("ventmile_open_work_order_oldest_seconds", help, of_kind, summed(oldest, f64::max))?;
            let standing =
                [("waiting", deliveries.waiting), ("failing", deliveries.failing), ("dead", deliveries.dead)];
            let standing = standing.map(|(state, count)| (vec![state.to_owned()], count as f64));
            let help = "Deliveries of events that wait, those of them that failed before, and those given up.";
            gauges.add("ventmile_webhook_deliveries", help, &["state"], standing)?;
            let oldest = deliveries.oldest_waiting.map_or(0.0, |since| seconds(since, now));
            let help = "How long the oldest delivery that waits has waited.";
            gauges.add("ventmile_webhook_oldest_waiting_seconds", help, &[], alone(oldest))
        };
        add().map_err(odd)
    }

    fn process_gauges(&self, gauges: &Gauges) -> Result<(), prometheus::Error> {
        let now = self.now();
        let rounds = self.meters.rounds();
        let each = |value: fn(&Round, DateTime<Utc>) -> f64| {
            rounds.iter().map(move |(name, round)| (vec![(*name).to_owned()], value(round, now))).collect::<Vec<_>>()
        };
        let help = "When a loop last ended a round without a fault.";
        let at = each(|round, _| round.ended_at.timestamp_micros() as f64 / 1e6);
        gauges.add("ventmile_loop_last_run_timestamp_seconds", help, &["loop"], at)?;
        let took = each(|round, _| round.took_s);
        gauges.add("ventmile_loop_last_run_duration_seconds", "How long that round took.", &["loop"], took)?;
        let late = each(|round, now| (seconds(round.ended_at, now) - round.every.as_secs_f64()).max(0.0));
        let help = "How much longer ago a loop's last round ended than the next one should have begun.";
        gauges.add("ventmile_loop_lag_seconds", help, &["loop"], late)?;
        let room = [(Vec::new(), self.guard.room() as f64)];
        gauges.add("ventmile_requests_room", "For how many more requests at once there is room.", &[], room)?;
        let streams = [(Vec::new(), self.streams.open() as f64)];
        gauges.add("ventmile_event_streams", "Streams of events that are open.", &[], streams)?;
        let connections = self.store.connections().into_iter().flat_map(|(pool, connections)| {
            let named = move |state: &str, count: usize| (vec![pool.to_owned(), state.to_owned()], count as f64);
            [named("busy", connections.busy), named("idle", connections.idle)]
        });
        gauges.add("ventmile_database_connections", "Connections to the database.", &["pool", "state"], connections)?;
        let engine = format!("{:?}", self.store.engine()).to_lowercase();
        let build = [(vec![VERSION.to_owned(), engine], 1.0)];
        gauges.add("ventmile_build_info", "Version of the program and its database.", &["version", "database"], build)
    }
}

/// A metric that could not be made, which only a wrong name written here can bring about.
fn odd(fault: prometheus::Error) -> StoreError {
    StoreError::File(std::io::Error::other(fault))
}
