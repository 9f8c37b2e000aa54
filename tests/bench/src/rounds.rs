//! How often, how long.

use std::hint::black_box;
use std::time::Duration;

use rustix::time::{ClockId, clock_gettime};

/// How much of the model's work is done.
pub struct Sizes {
    pub rounds: usize,
    /// Least processor time for which one thing is done over and over.
    pub least: Duration,
    /// Cars of a small, a middle and a large fleet.
    pub fleets: [usize; 3],
}

impl Sizes {
    pub fn full() -> Self {
        Self { rounds: 7, least: Duration::from_millis(300), fleets: [1_000, 10_000, 100_000] }
    }

    pub fn quick() -> Self {
        Self { rounds: 3, least: Duration::from_millis(100), fleets: [100, 1_000, 10_000] }
    }
}

/// Seconds this thread has had the processor: what other programs take of it does not count.
pub fn processor_seconds() -> f64 {
    let time = clock_gettime(ClockId::ThreadCPUTime);
    time.tv_sec as f64 + time.tv_nsec as f64 * 1e-9
}

/// Processor seconds of one call, when so many are made as take the time given, or more.
pub fn seconds_a_call<T>(least: Duration, mut call: impl FnMut() -> T) -> f64 {
    let mut calls = 1;
    loop {
        let start = processor_seconds();
        for _ in 0..calls {
            black_box(call());
        }
        let spent = processor_seconds() - start;
        if spent >= least.as_secs_f64() {
            return spent / f64::from(calls);
        }
        calls *= 2;
    }
}

/// Processor seconds of a call of either, measured by turns.
pub fn by_turns<T, U>(
    sizes: &Sizes,
    mut ours: impl FnMut() -> T,
    mut reference: impl FnMut() -> U,
) -> (Vec<f64>, Vec<f64>) {
    let round = |_| (seconds_a_call(sizes.least, &mut ours), seconds_a_call(sizes.least, &mut reference));
    (0..sizes.rounds).map(round).unzip()
}
