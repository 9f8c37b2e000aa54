//! What the standing codes do to the chances.

use crate::fleet::{Code, CodeLog, CodeState, Meaning, Mode, Strength};

/// By how much codes for block wear multiply its risk. Of several codes the heaviest counts: they speak of one failure.
///
/// Stand-ins by reasoning, to be set by who has counted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CodeWeights {
    /// A confirmed code that is enough to act on; at least 1.
    pub strong: f64,
    /// A confirmed code that is a sign among others; at least 1.
    pub sign: f64,
    /// The power of that for a pending code, from 0 to 1.
    pub pending: f64,
    /// The power of that for a code of the past, from 0 to 1.
    pub history: f64,
    /// The further power while a cooling fault stands, for a code that a dirty fan can set too, from 0 to 1.
    pub beside_cooling_fault: f64,
}

impl Default for CodeWeights {
    fn default() -> Self {
        Self { strong: 10.0, sign: 3.0, pending: 0.5, history: 0.25, beside_cooling_fault: 0.5 }
    }
}

/// A code that is there, and what it means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Found {
    pub(super) code: Code,
    pub(super) state: CodeState,
    pub(super) meaning: &'static Meaning,
}

impl Found {
    fn is_confirmed(&self) -> bool {
        self.state == CodeState::Confirmed
    }

    /// Whether it asks for another pack.
    pub(super) fn asks_for_pack(&self) -> bool {
        self.is_confirmed() && self.meaning.mode == Mode::BlockWear && self.meaning.strength == Strength::Strong
    }
}

/// The codes that are there, in the order of codes.
#[derive(Clone, Debug)]
pub(super) struct Codes {
    pub(super) found: Vec<Found>,
    /// Whether one that is not there was cleared lately.
    pub(super) cleared: bool,
}

impl Codes {
    pub(super) fn of(log: &CodeLog) -> Self {
        let known = log.standings().filter_map(|(code, standing)| {
            let meaning = code.meaning()?;
            Some(Found { code, state: standing.state, meaning })
        });
        let (cleared, found): (Vec<_>, Vec<_>) = known
            .filter(|known| known.state != CodeState::None)
            .partition(|known| known.state == CodeState::UnknownSinceClear);
        Self { found, cleared: !cleared.is_empty() || unknown_since_clear(log) }
    }

    /// The codes without those of some modes.
    pub(super) fn without(&self, modes: impl Fn(Mode) -> bool) -> Self {
        let found = self.found.iter().filter(|found| !modes(found.meaning.mode)).copied().collect();
        Self { found, cleared: self.cleared }
    }

    /// The first confirmed code of a mode.
    pub(super) fn confirmed(&self, mode: Mode) -> Option<&Found> {
        self.found.iter().find(|found| found.is_confirmed() && found.meaning.mode == mode)
    }

    /// The heaviest multiplier of the risk of block wear, and whose it is.
    pub(super) fn heaviest(&self, weights: &CodeWeights, cooling_fault: bool) -> (f64, Option<&Found>) {
        let of = |found: &Found| multiplier(found, weights, cooling_fault);
        let wear = self.found.iter().filter(|found| found.meaning.mode == Mode::BlockWear);
        wear.fold((1.0, None), |heaviest, found| {
            let own = of(found);
            if own > heaviest.0 || heaviest.1.is_none() { (own, Some(found)) } else { heaviest }
        })
    }
}

/// Whether even a code that was never logged is unknown, since all were cleared at once.
fn unknown_since_clear(log: &CodeLog) -> bool {
    log.state(Code::from_bytes([0x0A, 0x80])) == CodeState::UnknownSinceClear
}

fn multiplier(found: &Found, weights: &CodeWeights, cooling_fault: bool) -> f64 {
    let whole = match found.meaning.strength {
        Strength::Strong => weights.strong,
        Strength::Sign => weights.sign,
    };
    let power = match found.state {
        CodeState::Confirmed => 1.0,
        CodeState::Pending => weights.pending,
        CodeState::History => weights.history,
        CodeState::None | CodeState::UnknownSinceClear => 0.0,
    };
    let explained = if cooling_fault && found.code.cooling_first() { weights.beside_cooling_fault } else { 1.0 };
    libm::pow(whole, power * explained)
}
