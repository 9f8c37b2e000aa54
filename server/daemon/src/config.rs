//! Settings: embedded defaults, then a file, then the environment, then flags; validated once.
//!
//! This is the only place that reads the environment. Loading has no side effect.

use std::collections::BTreeMap;
use std::fmt;
use std::path::Path;

use serde::Deserialize;
use toml::{Table, Value};

/// Every setting with its default and what it is for.
pub const DEFAULTS: &str = include_str!("defaults.toml");

const ENVIRONMENT_PREFIX: &str = "VENTMILE_";

/// All settings.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Where the data are.
    pub database: Secret,
    /// Address and port.
    pub listen: std::net::SocketAddr,
    /// Database connections.
    pub connections: u32,
    /// Logging.
    pub log: Log,
    /// Limits of a request.
    pub limits: Limits,
    /// Which readings are believed.
    pub track: Track,
    /// What hard duty is.
    pub duty: Duty,
    /// How far a car goes in a day.
    pub usage: Usage,
    /// Due dates.
    pub due: Due,
    /// How packs wear.
    pub wear: Wear,
    /// What a replacement costs.
    pub cost: Cost,
    /// Raising of orders.
    pub raise: Raise,
    /// Work on orders.
    pub work: Work,
    /// Events.
    pub events: Events,
    /// Webhooks.
    pub webhooks: Webhooks,
    /// The loops.
    pub loops: Loops,
    /// What is kept.
    pub keep: Keep,
    /// The board.
    pub board: Board,
    /// Metrics.
    pub metrics: Metrics,
}

/// A text that may hold a password: shown with it hidden.
#[derive(Clone, Deserialize)]
#[serde(transparent)]
pub struct Secret(pub String);

impl fmt::Debug for Secret {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, out)
    }
}

impl fmt::Display for Secret {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(&hidden(&self.0))
    }
}

/// The address with whatever stands between the user's colon and the `@` hidden.
fn hidden(address: &str) -> String {
    let Some((scheme, rest)) = address.split_once("://") else { return address.to_owned() };
    let Some((login, host)) = rest.rsplit_once('@') else { return address.to_owned() };
    match login.split_once(':') {
        Some((user, _)) => format!("{scheme}://{user}:…@{host}"),
        None => address.to_owned(),
    }
}

/// Logging.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Log {
    /// Least level that is written.
    pub level: LogLevel,
    /// Text or JSON.
    pub format: LogFormat,
    /// A line for each request.
    pub requests: bool,
}

/// Log levels.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs, reason = "the names say it")]
pub enum LogLevel {
    Error,
    Warn,
    Info,
    Debug,
    Trace,
}

/// Log formats.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LogFormat {
    /// For people.
    Text,
    /// One JSON object a line.
    Json,
}

/// Limits of a request; see defaults.toml for each.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Limits {
    pub body_mib: usize,
    pub decompressed_mib: u64,
    pub rows: u64,
    pub row_bytes: usize,
    pub page: i64,
    pub page_max: i64,
    pub request_seconds: u64,
    pub head_seconds: u64,
    pub idle_seconds: u64,
    pub statement_seconds: u64,
    pub json_depth: usize,
    pub concurrent: usize,
    pub connections: usize,
    pub connections_per_address: usize,
    pub key_requests: u32,
    pub key_seconds: u32,
    pub stranger_requests: u32,
    pub stranger_seconds: u32,
    pub trust_forwarded: bool,
    pub idempotency_hours: i64,
}

/// Which readings are believed; see defaults.toml for each.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Track {
    pub max_kmh: BTreeMap<String, f64>,
    #[serde(default)]
    pub trust: BTreeMap<String, f64>,
    pub slack_m: i64,
    pub cluster_change_readings: usize,
    pub ahead_minutes: i64,
}

/// What hard duty is; see defaults.toml for each.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Duty {
    pub window_days: i64,
    pub week: DutyWeek,
    pub week_days: u32,
    pub mean_hours: f64,
    pub rear_share: f64,
    pub log_grace_days: i64,
    pub release_days: i64,
    pub release_share: f64,
}

/// The weeks in which driven days are counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum DutyWeek {
    /// Monday to Sunday.
    Iso,
    /// Any seven days in a row.
    Rolling,
}

/// How far a car goes in a day; see defaults.toml for each.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Usage {
    pub min_days: i64,
    pub rate_spread_without_history: f64,
    pub assumed_miles_per_day: f64,
    pub assumed_hours_per_day: f64,
}

/// Due dates; see defaults.toml for each.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Due {
    pub horizon_days: i64,
    pub silent_days: i64,
    pub used_above_miles: f64,
}

/// How packs wear; see defaults.toml for each.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Wear {
    pub prior_miles: f64,
    pub prior_miles_spread: f64,
    pub prior_shape: f64,
    pub prior_shape_spread: f64,
    pub prior_effect_spread: f64,
    pub activation_ev: f64,
    pub reference_c: f64,
    pub watch_v: BTreeMap<String, f64>,
    pub weak_v: BTreeMap<String, f64>,
    pub new_spread_v: f64,
    pub unannounced_share: f64,
    pub watch_chance: f64,
    pub plan_chance: f64,
    pub now_chance: f64,
    pub strong_code: f64,
    pub sign_code: f64,
    pub airflow_limit: f64,
    pub assess_again_days: i64,
}

/// What a replacement costs; see defaults.toml for each.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Cost {
    pub pack: f64,
    pub labour: f64,
    pub tow: f64,
    pub lost_shift: f64,
    pub shifts_planned: f64,
    pub shifts_roadside: f64,
}

/// Raising of orders; see defaults.toml for each.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Raise {
    pub settle_seconds: i64,
    pub quiet_days_after_cancel: i64,
}

/// Work on orders; see defaults.toml for each.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Work {
    pub lease_minutes: i64,
    pub slot_minutes: u32,
    pub records: Records,
    pub wait_minutes: i64,
    pub late_minutes: i64,
    pub isolation_certificate: String,
    pub strict_gloves: bool,
    pub meter_months: u32,
    #[serde(default)]
    pub residual_limit_v: BTreeMap<String, f64>,
}

/// When an order that stays off the high-voltage system needs the records of its procedure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Records {
    /// Once any step is recorded.
    WhenBegun,
    /// Always.
    Required,
}

/// Events; see defaults.toml for each.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Events {
    pub source: String,
    pub notable_days: i64,
    pub streams: usize,
    pub streams_per_key: usize,
    pub heartbeat_seconds: u64,
}

/// Webhooks; see defaults.toml for each.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Webhooks {
    pub allow_private: bool,
    pub allow_http: bool,
    pub ca_file: String,
    pub timeout_seconds: u64,
    pub attempts: i64,
    pub first_wait_seconds: f64,
    pub longest_wait_hours: f64,
    pub overlap_hours: i64,
    pub at_once: usize,
    pub at_once_in_all: usize,
}

/// The loops; see defaults.toml for each.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Loops {
    pub tick_ms: u64,
    pub batch: i64,
    pub claim_seconds: i64,
}

/// What is kept; see defaults.toml for each.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Keep {
    pub logs_days: i64,
    pub events_days: i64,
    pub backup_dir: String,
    pub backup_hour: u32,
    pub backups: usize,
}

/// The board; see defaults.toml for each.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Board {
    pub session_hours: i64,
    pub secure_cookies: SecureCookies,
    pub count_cars: usize,
    pub count_seconds: i64,
}

/// Whether browsers send the session's cookie over TLS only.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SecureCookies {
    /// When the proxy says that the request came over TLS.
    Auto,
    /// Always.
    Always,
    /// Never.
    Never,
}

/// Metrics; see defaults.toml.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "each is explained in defaults.toml")]
pub struct Metrics {
    pub listen: String,
}

impl Metrics {
    /// The address at which metrics are served without a key, where there is one.
    ///
    /// # Errors
    /// When it is no address.
    pub fn address(&self) -> Result<Option<std::net::SocketAddr>, std::net::AddrParseError> {
        if self.listen.is_empty() { Ok(None) } else { self.listen.parse().map(Some) }
    }
}

/// Why the settings cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ConfigFault {
    /// A file could not be read.
    #[error("{path}: {fault}")]
    File {
        /// The file.
        path: String,
        /// What went wrong.
        fault: String,
    },
    /// A setting nobody knows.
    #[error("{origin}: there is no setting {key:?}{}", .near.as_ref().map(|near| format!("; did you mean {near:?}?")).unwrap_or_default())]
    Unknown {
        /// Where it was given.
        origin: String,
        /// Its name.
        key: String,
        /// A setting of a similar name.
        near: Option<String>,
    },
    /// A setting whose value cannot be used.
    #[error("{key} = {value} ({origin}): {reason}")]
    Value {
        /// The setting.
        key: String,
        /// Its value.
        value: String,
        /// Where it was given.
        origin: String,
        /// What would be right.
        reason: String,
    },
}

/// The settings in force, and where each came from.
#[derive(Clone, Debug)]
pub struct Config {
    /// The settings.
    pub settings: Settings,
    /// By name: value as written in TOML, and origin.
    pub origins: BTreeMap<String, (String, String)>,
}

type Layers = BTreeMap<String, (Value, String)>;

impl Config {
    /// Loads the settings: `file` if given, then `environment`, then `flags` (name and value).
    ///
    /// # Errors
    /// [`ConfigFault`] naming the setting, its value, where it was given and what would be right.
    pub fn load(
        file: Option<&Path>,
        environment: impl IntoIterator<Item = (String, String)>,
        flags: &[(String, String)],
    ) -> Result<Self, ConfigFault> {
        let mut layers = Layers::new();
        let defaults = parse_file("defaults", DEFAULTS)?;
        flatten("", &defaults, &mut |key, value| {
            layers.insert(key, (value.clone(), "default".to_owned()));
        });
        if let Some(path) = file {
            let origin = format!("file {}", path.display());
            let text = std::fs::read_to_string(path)
                .map_err(|fault| ConfigFault::File { path: path.display().to_string(), fault: fault.to_string() })?;
            let table = parse_file(&origin, &text)?;
            let mut given = Vec::new();
            flatten("", &table, &mut |key, value| given.push((key, value.clone())));
            for (key, value) in given {
                set(&mut layers, &key, value, &origin)?;
            }
        }
        for (name, text) in environment {
            if let Some(rest) = name.strip_prefix(ENVIRONMENT_PREFIX) {
                let Some(key) = key_of_variable(&layers, rest) else {
                    // VENTMILE_KEY and the like are for clients.
                    continue;
                };
                let value = typed(&layers, &key, &text);
                set(&mut layers, &key, value, &format!("environment {name}"))?;
            }
        }
        for (key, text) in flags {
            let value = typed(&layers, key, text);
            set(&mut layers, key, value, "flag")?;
        }
        Self::from_layers(layers)
    }

    /// The environment of this process.
    #[must_use]
    #[allow(clippy::disallowed_methods, reason = "this is the home of the environment")]
    pub fn environment() -> Vec<(String, String)> {
        std::env::vars_os()
            .filter_map(|(name, value)| Some((name.into_string().ok()?, value.into_string().ok()?)))
            .collect()
    }

    fn from_layers(layers: Layers) -> Result<Self, ConfigFault> {
        let mut table = Table::new();
        for (key, (value, _)) in &layers {
            insert(&mut table, key, value.clone());
        }
        let settings = Settings::deserialize(table.clone()).map_err(|fault| first_fault(&layers, &fault))?;
        check(&settings, &layers)?;
        let origins = layers
            .into_iter()
            .map(|(key, (value, origin))| {
                let shown = if key == "database" { settings.database.to_string() } else { value.to_string() };
                (key, (shown, origin))
            })
            .collect();
        Ok(Self { settings, origins })
    }
}

fn parse_file(origin: &str, text: &str) -> Result<Table, ConfigFault> {
    text.parse()
        .map_err(|fault: toml::de::Error| ConfigFault::File { path: origin.to_owned(), fault: fault.to_string() })
}

/// Calls `each` with the dotted name of every value; a map of speeds is one value a type.
fn flatten(prefix: &str, table: &Table, each: &mut impl FnMut(String, &Value)) {
    for (name, value) in table {
        let key = if prefix.is_empty() { name.clone() } else { format!("{prefix}.{name}") };
        match value {
            Value::Table(inner) => flatten(&key, inner, each),
            other => each(key, other),
        }
    }
}

fn insert(table: &mut Table, key: &str, value: Value) {
    match key.split_once('.') {
        None => drop(table.insert(key.to_owned(), value)),
        Some((head, rest)) => {
            let inner = table.entry(head).or_insert_with(|| Value::Table(Table::new()));
            if let Value::Table(inner) = inner {
                insert(inner, rest, value);
            }
        }
    }
}

/// Maps whose names are the fleet's own: speeds of vehicle types, trust in sources, limits of pack types and models.
const OPEN: [&str; 5] = ["track.max_kmh.", "track.trust.", "wear.watch_v.", "wear.weak_v.", "work.residual_limit_v."];

fn is_open(key: &str) -> bool {
    OPEN.iter().any(|prefix| key.starts_with(prefix))
}

fn set(layers: &mut Layers, key: &str, value: Value, origin: &str) -> Result<(), ConfigFault> {
    if !layers.contains_key(key) && !is_open(key) {
        let near = layers.keys().find(|known| known.ends_with(key) || key.ends_with(known.as_str())).cloned();
        return Err(ConfigFault::Unknown { origin: origin.to_owned(), key: key.to_owned(), near });
    }
    // 9 is as good as 9.0 where a real number is wanted.
    let wants_real = is_open(key) || matches!(layers.get(key), Some((Value::Float(_), _)));
    let value = match value {
        Value::Integer(whole) if wants_real => Value::Float(whole as f64),
        other => other,
    };
    layers.insert(key.to_owned(), (value, origin.to_owned()));
    Ok(())
}

fn key_of_variable(layers: &Layers, rest: &str) -> Option<String> {
    let lower = rest.to_ascii_lowercase();
    let known = layers.keys().find(|key| key.replace('.', "_") == lower).cloned();
    let own = |prefix: &str, key: &str| lower.strip_prefix(prefix).map(|name| format!("{key}.{name}"));
    known
        .or_else(|| own("track_max_kmh_", "track.max_kmh"))
        .or_else(|| own("work_residual_limit_v_", "work.residual_limit_v"))
}

/// A text as the type its setting has: a text that is no number stays one and is refused later with its name.
fn typed(layers: &Layers, key: &str, text: &str) -> Value {
    let like = layers.get(key).map(|(value, _)| value);
    let parsed = match like {
        Some(Value::Integer(_)) => text.parse().ok().map(Value::Integer),
        Some(Value::Float(_)) => text.parse().ok().map(Value::Float),
        Some(Value::Boolean(_)) => text.parse().ok().map(Value::Boolean),
        None if is_open(key) => text.parse().ok().map(Value::Float),
        _ => None,
    };
    parsed.unwrap_or_else(|| Value::String(text.to_owned()))
}

/// serde says what is wrong but not where it came from: find the layer whose value breaks it.
fn first_fault(layers: &Layers, fault: &toml::de::Error) -> ConfigFault {
    let culprit = layers.iter().find(|(key, (value, origin))| {
        let mut table: Table = DEFAULTS.parse().unwrap_or_default();
        insert(&mut table, key, (*value).clone());
        origin != "default" && Settings::deserialize(table).is_err()
    });
    let reason = fault.message().to_owned();
    match culprit {
        Some((key, (value, origin))) => {
            ConfigFault::Value { key: key.clone(), value: value.to_string(), origin: origin.clone(), reason }
        }
        None => ConfigFault::File { path: "settings".to_owned(), fault: reason },
    }
}

/// More requests or connections at once than any machine has room for.
const MOST_AT_ONCE: usize = 1_000_000;

fn check(settings: &Settings, layers: &Layers) -> Result<(), ConfigFault> {
    let share = |value: f64| (0.0..=1.0).contains(&value);
    let spread = |value: f64| value > 0.0 && value <= 10.0;
    let volts = |map: &BTreeMap<String, f64>| map.values().all(|volts| *volts > 0.0 && *volts <= 50.0);
    let source = |text: &str| {
        !text.is_empty() && text.chars().all(|letter| letter.is_ascii_graphic() && !"<>\"\\^`{|}".contains(letter))
    };
    let money = |value: f64| (0.0..1e12).contains(&value);
    let checks: &[(&str, bool, &str)] = &[
        ("connections", settings.connections >= 1, "at least 1"),
        ("limits.body_mib", settings.limits.body_mib >= 1, "at least 1"),
        ("limits.decompressed_mib", settings.limits.decompressed_mib >= 1, "at least 1"),
        ("limits.rows", settings.limits.rows >= 1, "at least 1"),
        ("limits.row_bytes", settings.limits.row_bytes >= 1024, "at least 1024"),
        ("limits.page", settings.limits.page >= 1, "at least 1"),
        ("limits.page_max", settings.limits.page_max >= settings.limits.page, "at least limits.page"),
        ("limits.request_seconds", settings.limits.request_seconds >= 1, "at least 1"),
        ("limits.head_seconds", settings.limits.head_seconds >= 1, "at least 1"),
        ("limits.idle_seconds", settings.limits.idle_seconds >= 1, "at least 1"),
        ("limits.statement_seconds", settings.limits.statement_seconds >= 1, "at least 1"),
        ("limits.json_depth", (8..=120).contains(&settings.limits.json_depth), "8 to 120"),
        ("limits.concurrent", (1..=MOST_AT_ONCE).contains(&settings.limits.concurrent), "1 to 1000000"),
        ("limits.connections", (1..=MOST_AT_ONCE).contains(&settings.limits.connections), "1 to 1000000"),
        ("limits.key_seconds", settings.limits.key_seconds >= 1, "at least 1"),
        ("limits.stranger_seconds", settings.limits.stranger_seconds >= 1, "at least 1"),
        ("limits.idempotency_hours", settings.limits.idempotency_hours >= 1, "at least 1"),
        ("track.max_kmh.car", settings.track.max_kmh.values().all(|speed| *speed > 0.0), "speeds above 0"),
        (
            "track.trust",
            settings.track.trust.values().all(|weight| (0.0..=1000.0).contains(weight)),
            "weights from 0 to 1000",
        ),
        ("track.slack_m", settings.track.slack_m >= 0, "0 or more"),
        ("track.ahead_minutes", settings.track.ahead_minutes >= 0, "0 or more"),
        ("duty.window_days", (7..=366).contains(&settings.duty.window_days), "7 to 366"),
        ("duty.week_days", (1..=7).contains(&settings.duty.week_days), "1 to 7"),
        ("duty.mean_hours", (0.0..=24.0).contains(&settings.duty.mean_hours), "0 to 24"),
        ("duty.rear_share", share(settings.duty.rear_share), "0 to 1"),
        ("duty.log_grace_days", (0..=366).contains(&settings.duty.log_grace_days), "0 to 366"),
        ("duty.release_days", (0..=366).contains(&settings.duty.release_days), "0 to 366"),
        ("duty.release_share", (0.5..=1.0).contains(&settings.duty.release_share), "0.5 to 1"),
        ("usage.min_days", settings.usage.min_days >= 1, "at least 1"),
        ("usage.rate_spread_without_history", share(settings.usage.rate_spread_without_history), "0 to 1"),
        ("usage.assumed_miles_per_day", settings.usage.assumed_miles_per_day >= 0.0, "0 or more"),
        ("usage.assumed_hours_per_day", (0.0..=24.0).contains(&settings.usage.assumed_hours_per_day), "0 to 24"),
        ("due.horizon_days", (1..=36_500).contains(&settings.due.horizon_days), "1 to 36500"),
        ("due.silent_days", settings.due.silent_days >= 1, "at least 1"),
        ("due.used_above_miles", settings.due.used_above_miles >= 0.0, "0 or more"),
        ("wear.prior_miles", settings.wear.prior_miles > 0.0, "more than 0"),
        ("wear.prior_miles_spread", spread(settings.wear.prior_miles_spread), "more than 0, at most 10"),
        ("wear.prior_shape", (0.1..=20.0).contains(&settings.wear.prior_shape), "0.1 to 20"),
        ("wear.prior_shape_spread", spread(settings.wear.prior_shape_spread), "more than 0, at most 10"),
        ("wear.prior_effect_spread", spread(settings.wear.prior_effect_spread), "more than 0, at most 10"),
        ("wear.activation_ev", (0.0..=2.0).contains(&settings.wear.activation_ev), "0 to 2"),
        ("wear.reference_c", (-50.0..=100.0).contains(&settings.wear.reference_c), "-50 to 100"),
        ("wear.watch_v.any", volts(&settings.wear.watch_v), "volts above 0, at most 50"),
        ("wear.weak_v.any", volts(&settings.wear.weak_v), "volts above 0, at most 50"),
        ("wear.new_spread_v", (0.0..1.0).contains(&settings.wear.new_spread_v), "0 or more, below 1"),
        ("wear.unannounced_share", share(settings.wear.unannounced_share), "0 to 1"),
        ("wear.watch_chance", share(settings.wear.watch_chance), "0 to 1"),
        (
            "wear.plan_chance",
            share(settings.wear.plan_chance) && settings.wear.plan_chance >= settings.wear.watch_chance,
            "wear.watch_chance to 1",
        ),
        (
            "wear.now_chance",
            share(settings.wear.now_chance) && settings.wear.now_chance >= settings.wear.plan_chance,
            "wear.plan_chance to 1",
        ),
        ("wear.strong_code", (1.0..=1000.0).contains(&settings.wear.strong_code), "1 to 1000"),
        ("wear.sign_code", (1.0..=1000.0).contains(&settings.wear.sign_code), "1 to 1000"),
        ("wear.airflow_limit", (1.0..=100.0).contains(&settings.wear.airflow_limit), "1 to 100"),
        ("wear.assess_again_days", (0..=3_660).contains(&settings.wear.assess_again_days), "0 to 3660"),
        ("cost.pack", money(settings.cost.pack), "0 or more"),
        ("cost.labour", money(settings.cost.labour), "0 or more"),
        ("cost.tow", money(settings.cost.tow), "0 or more"),
        ("cost.lost_shift", money(settings.cost.lost_shift), "0 or more"),
        ("cost.shifts_planned", money(settings.cost.shifts_planned), "0 or more"),
        ("cost.shifts_roadside", money(settings.cost.shifts_roadside), "0 or more"),
        ("raise.settle_seconds", (0..=3600).contains(&settings.raise.settle_seconds), "0 to 3600"),
        ("raise.quiet_days_after_cancel", (0..=366).contains(&settings.raise.quiet_days_after_cancel), "0 to 366"),
        ("work.lease_minutes", (0..=525_600).contains(&settings.work.lease_minutes), "0 to 525600"),
        ("work.slot_minutes", (5..=1440).contains(&settings.work.slot_minutes), "5 to 1440"),
        ("work.wait_minutes", (1..=240).contains(&settings.work.wait_minutes), "1 to 240"),
        ("work.late_minutes", (0..=1440).contains(&settings.work.late_minutes), "0 to 1440"),
        ("board.count_seconds", (0..=3600).contains(&settings.board.count_seconds), "0 to 3600"),
        ("board.session_hours", (1..=720).contains(&settings.board.session_hours), "1 to 720"),
        ("work.isolation_certificate", !settings.work.isolation_certificate.trim().is_empty(), "a certificate's name"),
        ("work.meter_months", (1..=60).contains(&settings.work.meter_months), "1 to 60"),
        (
            "work.residual_limit_v",
            settings.work.residual_limit_v.values().all(|volts| *volts > 0.0 && *volts < 50.0),
            "volts above 0 and below 50",
        ),
        ("events.source", source(&settings.events.source), "a URI reference without spaces or control characters"),
        ("events.notable_days", (1..=3_660).contains(&settings.events.notable_days), "1 to 3660"),
        ("events.streams", settings.events.streams <= 100_000, "0 to 100000"),
        ("events.streams_per_key", settings.events.streams_per_key <= 100_000, "0 to 100000"),
        ("events.heartbeat_seconds", (1..=3_600).contains(&settings.events.heartbeat_seconds), "1 to 3600"),
        ("webhooks.timeout_seconds", (1..=300).contains(&settings.webhooks.timeout_seconds), "1 to 300"),
        ("webhooks.attempts", (1..=100).contains(&settings.webhooks.attempts), "1 to 100"),
        (
            "webhooks.first_wait_seconds",
            (0.01..=86_400.0).contains(&settings.webhooks.first_wait_seconds),
            "0.01 to 86400",
        ),
        ("webhooks.longest_wait_hours", (0.0..=720.0).contains(&settings.webhooks.longest_wait_hours), "0 to 720"),
        ("webhooks.overlap_hours", (0..=8_760).contains(&settings.webhooks.overlap_hours), "0 to 8760"),
        ("webhooks.at_once", (1..=1_000).contains(&settings.webhooks.at_once), "1 to 1000"),
        ("webhooks.at_once_in_all", (1..=10_000).contains(&settings.webhooks.at_once_in_all), "1 to 10000"),
        ("loops.tick_ms", settings.loops.tick_ms >= 10, "at least 10"),
        ("loops.batch", (1..=10_000).contains(&settings.loops.batch), "1 to 10000"),
        ("loops.claim_seconds", settings.loops.claim_seconds >= 1, "at least 1"),
        ("keep.logs_days", settings.keep.logs_days >= 0, "0 or more"),
        ("keep.events_days", (1..=36_500).contains(&settings.keep.events_days), "1 to 36500"),
        ("keep.backup_hour", settings.keep.backup_hour < 24, "0 to 23"),
        ("keep.backups", settings.keep.backups >= 1, "at least 1"),
        (
            "metrics.listen",
            settings.metrics.address().is_ok(),
            "an address and port such as 127.0.0.1:7421, or nothing",
        ),
    ];
    match checks.iter().find(|(_, right, _)| !right) {
        None => Ok(()),
        Some((key, _, reason)) => {
            let (value, origin) =
                layers.get(*key).map_or_else(Default::default, |(value, origin)| (value.to_string(), origin.clone()));
            Err(ConfigFault::Value { key: (*key).to_owned(), value, origin, reason: format!("give {reason}") })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn load(environment: &[(&str, &str)], flags: &[(&str, &str)]) -> Result<Config, ConfigFault> {
        let owned = |pairs: &[(&str, &str)]| -> Vec<(String, String)> {
            pairs.iter().map(|(key, value)| ((*key).to_owned(), (*value).to_owned())).collect()
        };
        Config::load(None, owned(environment), &owned(flags))
    }

    #[test]
    fn the_defaults_are_whole_and_right() {
        let config = load(&[], &[]).unwrap();
        assert!(config.origins.values().all(|(_, origin)| origin == "default"));
        assert_eq!(config.settings.listen.port(), 7420);
    }

    #[test]
    fn flags_override_the_environment_which_overrides_the_file() {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), "[duty]\nmean_hours = 9\nweek_days = 5\nrear_share = 0.4\n").unwrap();
        let environment =
            [("VENTMILE_DUTY_WEEK_DAYS", "4"), ("VENTMILE_DUTY_REAR_SHARE", "0.3")].map(|(k, v)| (k.into(), v.into()));
        let flags = [("duty.rear_share".to_owned(), "0.2".to_owned())];
        let config = Config::load(Some(file.path()), environment, &flags).unwrap();
        let duty = &config.settings.duty;
        assert_eq!((duty.mean_hours, duty.week_days, duty.rear_share), (9.0, 4, 0.2));
        assert_eq!(config.origins["duty.rear_share"].1, "flag");
        assert_eq!(config.origins["duty.week_days"].1, "environment VENTMILE_DUTY_WEEK_DAYS");
    }

    #[test]
    fn a_fault_names_setting_value_and_origin() {
        let text = |result: Result<Config, ConfigFault>| result.unwrap_err().to_string();
        assert_eq!(text(load(&[], &[("duty.week_days", "9")])), "duty.week_days = 9 (flag): give 1 to 7");
        let wrong = text(load(&[("VENTMILE_DUTY_WEEK_DAYS", "six")], &[]));
        assert!(wrong.contains("duty.week_days = \"six\" (environment VENTMILE_DUTY_WEEK_DAYS)"), "{wrong}");
        assert_eq!(
            text(load(&[], &[("week_days", "5")])),
            "flag: there is no setting \"week_days\"; did you mean \"duty.week_days\"?"
        );
    }

    #[test]
    fn a_week_is_iso_or_rolling() {
        assert_eq!(load(&[], &[]).unwrap().settings.duty.week, DutyWeek::Iso);
        let config = load(&[("VENTMILE_DUTY_WEEK", "rolling")], &[]).unwrap();
        assert_eq!(config.settings.duty.week, DutyWeek::Rolling);
        let wrong = load(&[], &[("duty.week", "monthly")]).unwrap_err().to_string();
        assert!(wrong.contains("duty.week = \"monthly\" (flag)") && wrong.contains("rolling"), "{wrong}");
    }

    #[test]
    fn speeds_of_further_types_may_be_added() {
        let config = load(&[("VENTMILE_TRACK_MAX_KMH_AIRCRAFT", "1200")], &[]).unwrap();
        assert_eq!(config.settings.track.max_kmh["aircraft"], 1200.0);
        assert_eq!(config.settings.track.max_kmh["car"], 140.0);
    }

    #[test]
    fn a_residual_limit_lies_below_fifty_volts() {
        // 50 V is where 29 CFR 1910.333 begins.
        let config = load(&[("VENTMILE_WORK_RESIDUAL_LIMIT_V_WAGON", "12")], &[]).unwrap();
        assert_eq!(config.settings.work.residual_limit_v["wagon"], 12.0);
        assert_eq!(load(&[], &[]).unwrap().settings.work.records, Records::WhenBegun);
        for volts in ["50", "0", "-1", "nan", "60"] {
            let wrong = load(&[], &[("work.residual_limit_v.Wagon", volts)]).unwrap_err().to_string();
            assert!(wrong.contains("residual_limit_v") && wrong.contains("below 50"), "{wrong}");
        }
    }

    #[test]
    fn metrics_are_served_where_there_is_an_address() {
        let at = |text: &str| load(&[], &[("metrics.listen", text)]).map(|config| config.settings.metrics.address());
        assert_eq!(at("").unwrap(), Ok(None));
        assert_eq!(at("127.0.0.1:1").unwrap(), Ok(Some(([127, 0, 0, 1], 1).into())));
        assert!(at("here").unwrap_err().to_string().contains("metrics.listen = \"here\" (flag)"));
    }

    #[test]
    fn passwords_are_not_shown() {
        let config = load(&[], &[("database", "postgres://ann:secret@db/fleet")]).unwrap();
        assert_eq!(config.origins["database"].0, "postgres://ann:…@db/fleet");
        assert!(!format!("{:?}", config.settings).contains("secret"));
    }
}
