//! Streams of events: so many in all, so many of one key, and one who follows.

use std::collections::{HashMap, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use futures_util::FutureExt;
use tokio::sync::watch;
use tokio::time::{Interval, MissedTickBehavior};

use super::App;
use super::keys::{Caller, Scope};
use crate::store::{PublishedEvent, StoreError, StreamFilter};

/// How many streams each key has open.
#[derive(Debug, Default)]
pub struct Streams(Mutex<HashMap<i64, usize>>);

/// A place among the open streams; dropping it gives it back.
#[derive(Debug)]
pub struct Seat {
    streams: Arc<Streams>,
    key_id: i64,
}

/// Why there is no place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoSeat {
    /// The key has as many open as it may.
    Key,
    /// There are as many open as there may be.
    All,
}

impl Streams {
    /// Takes a place for a stream of a key.
    ///
    /// # Errors
    /// [`NoSeat`] when `of_key` streams of this key are open, or `in_all` of all.
    pub fn sit(self: &Arc<Self>, key_id: i64, of_key: usize, in_all: usize) -> Result<Seat, NoSeat> {
        let mut open = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if open.get(&key_id).copied().unwrap_or_default() >= of_key {
            return Err(NoSeat::Key);
        }
        if open.values().sum::<usize>() >= in_all {
            return Err(NoSeat::All);
        }
        *open.entry(key_id).or_default() += 1;
        Ok(Seat { streams: Arc::clone(self), key_id })
    }

    /// How many are open.
    #[must_use]
    pub fn open(&self) -> usize {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).values().sum()
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        let mut open = self.streams.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = open.get_mut(&self.key_id) {
            *count = count.saturating_sub(1);
        }
        open.retain(|_, count| *count > 0);
    }
}

/// By what somebody follows: when it ends, so does the stream.
#[derive(Clone)]
pub enum Holder {
    /// The text of a key.
    Key(String),
    /// The secret of a session of the board.
    Session(String),
}

impl std::fmt::Debug for Holder {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.write_str(match self {
            Self::Key(_) => "Key(..)",
            Self::Session(_) => "Session(..)",
        })
    }
}

/// Events after some number are no longer kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Forgotten {
    /// Number of the oldest event that is.
    pub oldest: i64,
}

/// What a stream tells.
#[derive(Clone, Debug)]
pub enum Heard {
    /// Something happened.
    Event(PublishedEvent),
    /// Time has passed, and the holder still stands.
    Nothing,
}

/// Events read at once.
const BATCH: i64 = 100;

/// One who follows the events.
#[derive(Debug)]
pub struct Follower {
    app: App,
    holder: Holder,
    filter: StreamFilter,
    /// Number of the last event looked at.
    at: i64,
    read: VecDeque<PublishedEvent>,
    newest: watch::Receiver<i64>,
    /// Also while there are events, since a page may show none of them.
    heartbeat: Interval,
    _seat: Seat,
}

impl App {
    /// Number of the newest event; 0 while there has been none.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn last_event(&self) -> Result<i64, StoreError> {
        Ok(self.store.event_ends().await?.map_or(0, |(_, newest)| newest))
    }

    /// The number after which a stream begins: `after`, as far as events have got, else the newest.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails. Inside, [`Forgotten`] when events after `after` are no longer kept.
    pub async fn stream_from(&self, after: Option<i64>) -> Result<Result<i64, Forgotten>, StoreError> {
        let Some((oldest, newest)) = self.store.event_ends().await? else { return Ok(Ok(0)) };
        Ok(match after {
            Some(after) if after < oldest - 1 => Err(Forgotten { oldest }),
            after => Ok(after.unwrap_or(newest).min(newest)),
        })
    }

    /// Follows events after number `at`, as far as the holder may see them; after each `heartbeat` it says that the holder still stands.
    ///
    /// # Errors
    /// [`NoSeat`] when as many streams are open as may be.
    pub fn follow(
        &self,
        caller: &Caller,
        holder: Holder,
        filter: StreamFilter,
        at: i64,
        heartbeat: Duration,
    ) -> Result<Follower, NoSeat> {
        let settings = &self.settings.events;
        let key_id = caller.actor.key_id.unwrap_or_default();
        let seat = self.streams.sit(key_id, settings.streams_per_key, settings.streams)?;
        let mut heartbeat = tokio::time::interval(heartbeat);
        heartbeat.set_missed_tick_behavior(MissedTickBehavior::Delay);
        heartbeat.reset();
        Ok(Follower {
            holder,
            filter: StreamFilter { key_depots_of: caller.actor.key_depots_of(), ..filter },
            at,
            read: VecDeque::new(),
            newest: self.newest_event.subscribe(),
            heartbeat,
            app: self.clone(),
            _seat: seat,
        })
    }
}

impl Follower {
    /// What comes next; `None` when the stream ends: with its holder, with the process, or when the database fails.
    pub async fn next(&mut self) -> Option<Heard> {
        self.step().await.unwrap_or_else(|error| {
            tracing::error!(%error, "a stream of events ends");
            None
        })
    }

    async fn step(&mut self) -> Result<Option<Heard>, StoreError> {
        let ending = self.app.ending.clone();
        loop {
            if ending.is_cancelled() {
                return Ok(None);
            }
            if self.heartbeat.tick().now_or_never().is_some() {
                return Ok(self.may_go_on().await?.then_some(Heard::Nothing));
            }
            if let Some(event) = self.read.pop_front() {
                return Ok(Some(Heard::Event(event)));
            }
            let newest = *self.newest.borrow_and_update();
            if newest > self.at {
                if !self.may_go_on().await? {
                    return Ok(None);
                }
                self.read_up_to(newest).await?;
                continue;
            }
            tokio::select! {
                () = ending.cancelled() => {}
                _ = self.newest.changed() => {}
                _ = self.heartbeat.tick() => {
                    return Ok(self.may_go_on().await?.then_some(Heard::Nothing));
                }
            }
        }
    }

    /// Whether the holder still stands and may read; the depots may be others than at the beginning.
    async fn may_go_on(&mut self) -> Result<bool, StoreError> {
        let caller = match &self.holder {
            Holder::Key(key) => self.app.caller(key).await?,
            Holder::Session(secret) => self.app.session(secret).await?,
        };
        let caller = caller.filter(|caller| caller.may(Scope::Read));
        self.filter.key_depots_of = caller.as_ref().and_then(|caller| caller.actor.key_depots_of());
        Ok(caller.is_some())
    }

    async fn read_up_to(&mut self, newest: i64) -> Result<(), StoreError> {
        let events = self.app.store.events_between(self.at, newest, &self.filter, BATCH).await?;
        let full = i64::try_from(events.len()).is_ok_and(|count| count == BATCH);
        self.at = events.last().filter(|_| full).map_or(newest, |event| event.id);
        self.read.extend(events);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_is_given_back() {
        let streams = Arc::new(Streams::default());
        let seats: Vec<Seat> = (0..2).map(|_| streams.sit(1, 2, 3).unwrap()).collect();
        assert_eq!(streams.sit(1, 2, 3).unwrap_err(), NoSeat::Key);
        let other = streams.sit(2, 2, 3).unwrap();
        assert_eq!(streams.sit(3, 2, 3).unwrap_err(), NoSeat::All);
        drop(seats);
        assert_eq!(streams.open(), 1);
        drop(other);
        assert_eq!(streams.open(), 0);
        assert!(streams.sit(1, 2, 3).is_ok());
    }
}
