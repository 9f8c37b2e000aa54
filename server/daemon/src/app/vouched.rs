//! What one room of this process tells another beside a request. None of it can come with a request from outside: it
//! stands in the request's extensions, not in its headers.

use std::sync::{Arc, Mutex, PoisonError};

use super::keys::Caller;
use crate::store::Verdict;

/// Who asks, once another room has let the caller in and counted the request.
#[derive(Clone, Debug)]
pub struct Vouched(pub Caller);

/// The rows sent are only to be tried: checked and stored in a transaction that is taken back. What would become of each
/// is told here.
#[derive(Clone, Debug, Default)]
pub struct Trial(Arc<Mutex<Vec<(u64, Verdict)>>>);

impl Trial {
    /// Tells what would become of rows, by their numbers in the request.
    pub fn tell(&self, rows: Vec<(u64, Verdict)>) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).extend(rows);
    }

    /// What was told, in the order of the rows.
    #[must_use]
    pub fn told(&self) -> Vec<(u64, Verdict)> {
        let mut rows = std::mem::take(&mut *self.0.lock().unwrap_or_else(PoisonError::into_inner));
        rows.sort_unstable_by_key(|(row, _)| *row);
        rows
    }
}
