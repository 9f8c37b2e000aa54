//! Settings as the model takes them.

use chrono::Duration;
use ventmile_model::fleet::{DistanceUnit, Metres};
use ventmile_model::{duty, track, usage};

use super::assess::{SOURCE_IN_SERVICE, SOURCE_SERVICE};
use crate::config::{DutyWeek, Settings};

/// An odometer that somebody wrote down at a service or at the start counts as so many readings of a feed: it takes
/// more than a change of pace to put it aside.
const WRITTEN_DOWN: f64 = 3.0;

const FALLBACK_TYPE: &str = "car";

/// What a vehicle of this type can do.
pub(super) fn track_limits(settings: &Settings, vehicle_type: &str) -> track::Limits {
    let speeds = &settings.track.max_kmh;
    let default = track::Limits::default();
    let speed = speeds.get(vehicle_type).or_else(|| speeds.get(FALLBACK_TYPE)).copied();
    track::Limits {
        max_speed_kmh: speed.unwrap_or(default.max_speed_kmh),
        slack: Metres(settings.track.slack_m),
        cluster_change_cost: settings.track.cluster_change_readings,
        ahead: Duration::minutes(settings.track.ahead_minutes),
        trust: [SOURCE_SERVICE, SOURCE_IN_SERVICE].into_iter().map(|source| (source, WRITTEN_DOWN)).collect(),
        ..default
    }
}

/// What hard duty is.
pub fn duty_settings(settings: &Settings) -> duty::Settings {
    let duty = &settings.duty;
    duty::Settings {
        window_days: duty.window_days,
        week: match duty.week {
            DutyWeek::Iso => duty::WeekKind::Iso,
            DutyWeek::Rolling => duty::WeekKind::Rolling,
        },
        week_days: duty.week_days,
        mean_hours: duty.mean_hours,
        rear_share: duty.rear_share,
        log_grace_days: duty.log_grace_days,
        release_days: duty.release_days,
        release_share: duty.release_share,
    }
}

pub(super) fn usage_settings(settings: &Settings) -> usage::Settings {
    let usage = &settings.usage;
    usage::Settings {
        window_days: usage.window_days,
        min_days: usage.min_days,
        rate_spread: usage.rate_spread,
        rate_spread_prior: usage.rate_spread_without_history,
        assumed_metres_per_day: usage.assumed_miles_per_day * DistanceUnit::Mile.metres(),
        assumed_hours_per_day: usage.assumed_hours_per_day,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;

    #[test]
    fn the_default_settings_are_the_models() {
        let settings = Config::load(None, [], &[]).unwrap().settings;
        assert_eq!(duty_settings(&settings), duty::Settings::default());
    }
}
