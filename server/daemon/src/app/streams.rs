//! Streams of events that are open: so many in all, so many of one key.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

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
