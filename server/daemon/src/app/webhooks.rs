//! Webhooks: their secrets, what is sent, and what becomes of what was answered.

use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;
use serde_json::value::RawValue;

use super::App;
use super::keys::random_bytes;
use crate::config::Webhooks;
use crate::courier::{Letter, NotCarried, Receipt, sign, text_of_secret};
use crate::store::{
    Answer, DeliveryState, NewWebhook, Outgoing, PublishedEvent, Sent, StoreError, WebhookRecord, Writing,
};

/// Bytes of a secret: Standard Webhooks asks for 24 to 64.
const SECRET_BYTES: usize = 32;

/// An event as a CloudEvent 1.0 in JSON. `depot` is our own extension; it is left out where there is none, since an attribute of
/// a CloudEvent is never null.
#[derive(Serialize)]
struct CloudEvent<'a> {
    specversion: &'static str,
    id: String,
    source: &'a str,
    #[serde(rename = "type")]
    event_type: &'a str,
    subject: &'a str,
    time: DateTime<Utc>,
    #[serde(skip_serializing_if = "Option::is_none")]
    depot: Option<&'a str>,
    datacontenttype: &'static str,
    data: &'a RawValue,
}

/// An event as a CloudEvent.
///
/// # Errors
/// [`StoreError::BadRow`] when what is stored is no JSON.
pub fn cloud_event(event: &PublishedEvent, source: &str) -> Result<String, StoreError> {
    let bad = || StoreError::BadRow { column: "events.data", value: event.data.clone() };
    let data: &RawValue = serde_json::from_str(&event.data).map_err(|_| bad())?;
    let cloud_event = CloudEvent {
        specversion: "1.0",
        id: event.id.to_string(),
        source,
        event_type: &event.event_type,
        subject: &event.subject,
        time: event.at,
        depot: event.depot.as_deref(),
        datacontenttype: "application/json",
        data,
    };
    serde_json::to_string(&cloud_event).map_err(|_| bad())
}

/// Each wait is so many times the one before.
const LONGER: f64 = 5.0;

/// By how much of itself a wait is longer or shorter by chance, so that what failed together does not come again together.
const JITTER: f64 = 0.2;

/// How long a receiver that is overloaded rests when it does not say for how long.
const REST: TimeDelta = TimeDelta::seconds(30);

/// Longest rest a receiver may ask for.
const LONGEST_REST: TimeDelta = TimeDelta::hours(1);

/// Time until the next attempt after `attempts` have failed; `chance` lies between 0 and 1.
fn wait(attempts: i64, chance: f64, settings: &Webhooks) -> TimeDelta {
    let grown = settings.first_wait_seconds * LONGER.powf(attempts.saturating_sub(1) as f64);
    let seconds = grown.min(settings.longest_wait_hours * 3600.0) * (1.0 + JITTER * (2.0 * chance - 1.0));
    TimeDelta::microseconds((seconds * 1e6) as i64)
}

/// Whether the receiver says that it is sent too much: Standard Webhooks names 429, 502 and 504; 503 says it too.
const fn is_overloaded(status: u16) -> bool {
    matches!(status, 429 | 502..=504)
}

/// What becomes of a delivery by what was answered: 2xx is delivered, 410 ends the subscription, anything else is tried again
/// until the attempts are used up.
fn judged(
    answered: Result<Receipt, NotCarried>,
    attempts_before: i64,
    chance: f64,
    settings: &Webhooks,
    now: DateTime<Utc>,
) -> Sent {
    let attempts = attempts_before + 1;
    let (status, retry_after, fault) = match answered {
        Ok(receipt) => (Some(receipt.status), receipt.retry_after, None),
        Err(fault) => (None, None, Some(fault.to_string())),
    };
    let delivered = status.is_some_and(|status| (200..300).contains(&status));
    let fault = match status {
        _ if delivered => None,
        Some(status @ 300..400) => {
            Some(format!("answered {status}: redirects are not followed, give the address itself"))
        }
        Some(status) => Some(format!("answered {status}")),
        None => fault,
    };
    let rest = status.filter(|status| is_overloaded(*status)).map(|_| {
        let asked = retry_after.and_then(|seconds| TimeDelta::try_seconds(i64::try_from(seconds).ok()?));
        asked.unwrap_or(REST).min(LONGEST_REST)
    });
    let rests_until = rest.map(|rest| now + rest);
    let due_at = (now + wait(attempts, chance, settings)).max(rests_until.unwrap_or(now));
    let gone = status == Some(410);
    let state = match () {
        () if delivered => DeliveryState::Delivered,
        () if gone || attempts >= settings.attempts => DeliveryState::Dead,
        () => DeliveryState::Waiting,
    };
    Sent { state, due_at, status, fault, rests_until, gone }
}

impl App {
    /// Makes a subscription. `answer` is made twice: once without the secret, as it is kept, and once with it.
    ///
    /// # Errors
    /// [`crate::store::Conflict::Field`] when a depot is not there; [`StoreError`] when the database or the system's random
    /// source fails.
    pub async fn add_webhook(
        &self,
        new: NewWebhook,
        writing: &Writing,
        answer: impl Fn(&WebhookRecord, Option<&str>) -> Answer,
    ) -> Result<Answer, StoreError> {
        let secret = text_of_secret(&random_bytes::<SECRET_BYTES>()?);
        let told = |record: &WebhookRecord, openly: bool| answer(record, openly.then_some(secret.as_str()));
        self.store.add_webhook(new, &secret, writing, told).await
    }

    /// Gives a subscription a new secret; the old one signs beside it for `webhooks.overlap_hours`.
    ///
    /// # Errors
    /// As [`App::add_webhook`], and when the subscription is not there or was closed.
    pub async fn rotate_webhook(
        &self,
        id: i64,
        writing: &Writing,
        answer: impl Fn(&WebhookRecord, Option<&str>) -> Answer,
    ) -> Result<Answer, StoreError> {
        let secret = text_of_secret(&random_bytes::<SECRET_BYTES>()?);
        let old_until = writing.now + TimeDelta::hours(self.settings.webhooks.overlap_hours);
        let told = |record: &WebhookRecord, openly: bool| answer(record, openly.then_some(secret.as_str()));
        self.store.rotate_webhook(id, &secret, old_until, writing, told).await
    }

    /// Publishes what committed transactions have told, and tells streams how far it goes; how many events.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn publish_events(&self) -> Result<usize, StoreError> {
        let count = self.store.publish_events(self.now()).await?;
        if let Some((_, newest)) = self.store.event_ends().await? {
            self.newest_event.send_if_modified(|seen| std::mem::replace(seen, newest.max(*seen)) < newest);
        }
        Ok(count)
    }

    /// Claims up to `limit` deliveries that are due for a webhook.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn claim_deliveries(&self, webhook_id: i64, limit: usize) -> Result<Vec<Outgoing>, StoreError> {
        // An attempt that is never noted down, since its process died, is made again soon after.
        let lease = TimeDelta::seconds(self.settings.webhooks.timeout_seconds.cast_signed() + LEASE_BEYOND_TIMEOUT);
        let now = self.now();
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        self.store.claim_deliveries(webhook_id, now, now + lease, limit).await
    }

    /// Sends a claimed delivery and notes what came of it.
    ///
    /// # Errors
    /// [`StoreError`] when it could not be noted: it is sent again later.
    pub async fn deliver(&self, outgoing: &Outgoing) -> Result<Sent, StoreError> {
        let answered = self.courier.carry(&self.letter(outgoing)?).await;
        let chance = f64::from(u16::from_le_bytes(random_bytes::<2>()?)) / f64::from(u16::MAX);
        let now = self.now();
        let sent = judged(answered, outgoing.attempts, chance, &self.settings.webhooks, now);
        self.meters.attempted(sent.state == DeliveryState::Delivered);
        self.store.record_delivery(outgoing, &sent, now).await?;
        Ok(sent)
    }

    fn letter(&self, outgoing: &Outgoing) -> Result<Letter, StoreError> {
        let body = cloud_event(&outgoing.event, &self.settings.events.source)?;
        let (id, timestamp) = (outgoing.event.id.to_string(), self.now().timestamp());
        let secrets = outgoing.secrets.iter().map(|secret| secret.0.as_str());
        Ok(Letter { url: outgoing.url.clone(), signature: sign(secrets, &id, timestamp, &body), id, timestamp, body })
    }
}

/// A claim outlives the longest attempt by so many seconds.
const LEASE_BEYOND_TIMEOUT: i64 = 30;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;

    fn settings() -> Webhooks {
        Config::load(None, Vec::new(), &[]).unwrap().settings.webhooks
    }

    fn now() -> DateTime<Utc> {
        "2026-03-18T16:00:00Z".parse().unwrap()
    }

    fn answered(status: u16, retry_after: Option<u64>, attempts_before: i64) -> Sent {
        judged(Ok(Receipt { status, retry_after }), attempts_before, 0.5, &settings(), now())
    }

    #[test]
    fn waits_grow_to_the_longest_and_last_three_days() {
        let waits: Vec<i64> = (1..10).map(|attempts| wait(attempts, 0.5, &settings()).num_seconds()).collect();
        assert_eq!(waits, [5, 25, 125, 625, 3_125, 15_625, 78_125, 86_400, 86_400]);
        assert_eq!(waits.iter().sum::<i64>() / 86_400, 3);
        for chance in [0.0, 0.25, 1.0] {
            let seconds = wait(3, chance, &settings()).num_milliseconds() as f64 / 1e3;
            assert!((seconds - 125.0 * (0.8 + 0.4 * chance)).abs() < 0.01, "{seconds}");
        }
        // It stays a time however often somebody lets it be tried.
        assert_eq!(wait(100, 1.0, &settings()).num_seconds(), 103_680);
    }

    #[test]
    fn only_a_success_is_delivered() {
        for status in [200, 201, 202, 204, 299] {
            assert_eq!(answered(status, None, 0).state, DeliveryState::Delivered, "{status}");
        }
        for status in [100, 300, 301, 302, 307, 308, 400, 401, 404, 409, 422, 429, 500, 502, 503, 504] {
            let sent = answered(status, None, 0);
            assert_eq!((sent.state, sent.status, sent.gone), (DeliveryState::Waiting, Some(status), false));
            assert!(sent.fault.is_some_and(|fault| fault.contains(&status.to_string())));
        }
        assert!(answered(302, None, 0).fault.is_some_and(|fault| fault.contains("not followed")));
    }

    #[test]
    fn gone_ends_the_subscription_and_the_last_attempt_the_delivery() {
        let gone = answered(410, None, 0);
        assert_eq!((gone.state, gone.gone), (DeliveryState::Dead, true));
        assert_eq!(answered(500, None, 8).state, DeliveryState::Waiting);
        assert_eq!(answered(500, None, 9).state, DeliveryState::Dead);
        let late = judged(Err(NotCarried::Late(std::time::Duration::from_secs(15))), 9, 0.5, &settings(), now());
        assert_eq!((late.state, late.fault.as_deref()), (DeliveryState::Dead, Some("no answer within 15 seconds")));
    }

    #[test]
    fn an_overloaded_receiver_rests() {
        let until = |status, after| answered(status, after, 0).rests_until.map(|until| (until - now()).num_seconds());
        assert_eq!(until(429, Some(120)), Some(120));
        assert_eq!(until(503, None), Some(30));
        assert_eq!(until(502, Some(u64::MAX)), Some(30));
        assert_eq!(until(504, Some(1_000_000)), Some(3_600));
        assert_eq!(until(500, Some(120)), None);
        assert_eq!((answered(429, Some(120), 0).due_at - now()).num_seconds(), 120);
    }

    #[test]
    fn a_cloud_event_has_what_the_specification_asks_for() {
        let event = PublishedEvent {
            id: 7,
            at: now(),
            event_type: "car.stop".into(),
            subject: "vehicle 7".into(),
            depot: None,
            data: r#"{"unit":"7"}"#.into(),
        };
        assert_eq!(
            cloud_event(&event, "/ventmile").unwrap(),
            r#"{"specversion":"1.0","id":"7","source":"/ventmile","type":"car.stop","subject":"vehicle 7","#.to_owned()
                + r#""time":"2026-03-18T16:00:00Z","datacontenttype":"application/json","data":{"unit":"7"}}"#
        );
        let of_depot = PublishedEvent { depot: Some("NORTH".into()), ..event.clone() };
        assert!(cloud_event(&of_depot, "/ventmile").unwrap().contains(r#""depot":"NORTH""#));
        assert!(cloud_event(&PublishedEvent { data: "{".into(), ..event }, "/ventmile").is_err());
    }
}
