//! What the track is told about cars and about those who read their odometers.

use chrono::{DateTime, Duration, Utc};

use crate::fleet::Metres;

/// What a car and its readers can do.
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    /// The fastest a car goes for hours on end, km/h. Above 250 it is no road vehicle, and steps within the limits are
    /// never held against it as unusual.
    pub max_speed_kmh: f64,
    /// What rounding and clocks may add or take between any two readings.
    pub slack: Metres,
    /// A cluster change must keep more readings than this many; each counts as much as its source is trusted.
    pub cluster_change_cost: usize,
    /// How far ahead of the present a reading may be: senders' clocks are not exact.
    pub ahead: Duration,
    /// How much each source is trusted.
    pub trust: Trust,
    /// When the instrument cluster is known to have been changed; between the readings around such an instant a
    /// change is believed as soon as two readings of the new count agree.
    pub cluster_changes: Vec<DateTime<Utc>>,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            max_speed_kmh: 140.0,
            slack: Metres(2_000),
            cluster_change_cost: 5,
            ahead: Duration::hours(1),
            trust: Trust::default(),
            cluster_changes: Vec::new(),
        }
    }
}

/// How much a reading of each source counts: 1 unless told otherwise.
///
/// A reading of weight 2 goes before one of weight 1 where only one of them can be true, but not before three. A
/// source of weight 0 decides nothing: its readings are set aside, unless a person rules otherwise.
///
/// ```
/// use ventmile_model::track::Trust;
/// let trust = Trust::default().with(7, 0.2);
/// assert_eq!(trust.weight(7), 0.2);
/// assert_eq!(trust.weight(1), 1.0);
/// ```
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trust {
    /// Source and weight, by source.
    weights: Vec<(i64, f64)>,
}

/// The most a reading can count.
const MOST: f64 = 1_000.0;

impl Trust {
    /// The same, but readings of `source` count `weight`, which is brought into 0 to 1,000; one that is no number is 0.
    #[must_use]
    pub fn with(mut self, source: i64, weight: f64) -> Self {
        let weight = if weight.is_nan() { 0.0 } else { weight.clamp(0.0, MOST) };
        let place = self.weights.partition_point(|(other, _)| *other < source);
        match self.weights.get_mut(place).filter(|(other, _)| *other == source) {
            Some(entry) => entry.1 = weight,
            None => self.weights.insert(place, (source, weight)),
        }
        self
    }

    /// What a reading of `source` counts.
    #[must_use]
    pub fn weight(&self, source: i64) -> f64 {
        let found = self.weights.binary_search_by_key(&source, |(other, _)| *other);
        found.ok().and_then(|place| self.weights.get(place)).map_or(1.0, |(_, weight)| *weight)
    }
}

impl FromIterator<(i64, f64)> for Trust {
    fn from_iter<I: IntoIterator<Item = (i64, f64)>>(weights: I) -> Self {
        weights.into_iter().fold(Self::default(), |trust, (source, weight)| trust.with(source, weight))
    }
}
