//! Confirmed codes on which a car is stopped at once.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use ventmile_model::fleet::{Code, CodeLog, CodeState, Kind};
use ventmile_model::work::{ISOLATION_FAULT, ISOLATION_SOUND, stop_notice};
pub use ventmile_model::work::{Stop, standing_stops};

use super::App;
use crate::store::{Conflict, HoldFile, OrderRecord, StopCall, StopCodes, StoreError};

/// Codes that take a car off the road by themselves: confirmed ones, and those that were and of which nobody knows yet that
/// they are gone. Each without its failure type, by the worst of them.
#[must_use]
pub fn stop_calls(log: &CodeLog, today: NaiveDate) -> Vec<StopCall> {
    let mut calls: BTreeMap<String, StopCall> = BTreeMap::new();
    for (code, standing) in log.standings().filter(|(_, standing)| standing.is_in_doubt()) {
        let base = code.base().to_string();
        let Some((notice, confirmed_at)) = stop_notice(&base).zip(standing.confirmed) else { continue };
        let stands = standing.state == CodeState::Confirmed;
        let call = calls.entry(base.clone()).or_insert_with(|| StopCall {
            reason: format!("{base} confirmed: {}; {}", notice.means, notice.does),
            code: base,
            confirmed_at,
            stands,
            from: today,
        });
        call.confirmed_at = call.confirmed_at.max(confirmed_at);
        call.stands |= stands;
    }
    calls.into_values().collect()
}

/// Whether a car may come back that a code took off the road.
///
/// # Errors
/// [`Conflict::Rule`] while the code is confirmed, an order that it calls for is open, or nothing shows that it is gone.
pub fn may_return(file: &HoldFile, now: DateTime<Utc>) -> Result<(), Conflict> {
    let refused = |says: String| Err(Conflict::Rule(says));
    let code = &file.code;
    if let Some(stop) = standing_stops(&file.codes, file.zone, now).first() {
        return refused(format!("{} is confirmed since {}: {}", stop.code, stop.since, stop.notice.does));
    }
    let kind = Code::parse(code).ok().and_then(Code::meaning).map(|meaning| meaning.calls_for());
    if let Some((number, _)) = file.open.iter().find(|(_, open)| Some(*open) == kind) {
        return refused(format!("{number} is open for {code}: complete it first"));
    }
    if file.sound_at.is_some() {
        return Ok(());
    }
    let proof = if code == ISOLATION_FAULT {
        let (name, word) = ISOLATION_SOUND;
        format!("measure the isolation and record `{name}` as `{word}` at a step of an order")
    } else {
        format!("complete a {} as serviced", kind.map_or("order", Kind::as_str))
    };
    refused(format!("{code} was cleared, and its absence proves nothing before two trips: {proof}"))
}

/// Whether an isolation fault of the order's car stands, or may: only people qualified for it touch the car.
#[must_use]
pub fn isolation_stands(order: &OrderRecord, now: DateTime<Utc>) -> bool {
    let stops = standing_stops(&order.stop_codes, order.zone, now);
    order.isolation_in_doubt || stops.iter().any(|stop| stop.code.starts_with(ISOLATION_FAULT))
}

impl App {
    /// Cars that are to be stopped at once, with why.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn stopped_cars(
        &self,
        depot: Option<&str>,
        key_depots_of: Option<i64>,
    ) -> Result<Vec<(StopCodes, Vec<Stop>)>, StoreError> {
        let now = self.now();
        let cars = self.store.stop_codes(depot, key_depots_of).await?;
        let with_stops = cars.into_iter().map(|car| {
            let stops = standing_stops(&car.codes, car.zone, now);
            (car, stops)
        });
        Ok(with_stops.filter(|(_, stops)| !stops.is_empty()).collect())
    }
}
