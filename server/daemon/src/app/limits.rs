//! Settings as the model takes them.

use chrono::Duration;
use ventmile_model::fleet::{DistanceUnit, Metres};
use ventmile_model::{duty, track, usage};

use crate::config::{DutyWeek, Settings};

const FALLBACK_TYPE: &str = "car";

/// What a vehicle of this type can do.
pub(super) fn track_limits(settings: &Settings, vehicle_type: &str, trust: &[(i64, f64)]) -> track::Limits {
    let speeds = &settings.track.max_kmh;
    let default = track::Limits::default();
    let speed = speeds.get(vehicle_type).or_else(|| speeds.get(FALLBACK_TYPE)).copied();
    track::Limits {
        max_speed_kmh: speed.unwrap_or(default.max_speed_kmh),
        slack: Metres(settings.track.slack_m),
        cluster_change_cost: settings.track.cluster_change_readings,
        ahead: Duration::minutes(settings.track.ahead_minutes),
        trust: trust.iter().copied().collect(),
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

/// The usage model as the settings have it.
#[must_use]
pub fn usage_settings(settings: &Settings) -> usage::Settings {
    let usage = &settings.usage;
    usage::Settings {
        min_days: usage.min_days,
        borrowed_spread: usage.rate_spread_without_history,
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
