//! High-voltage packs: how they are laid out, what they are made of, and the limits of their type.

use super::fault::{FieldFault, Plausible};
use super::pack_check::{BLOCKS, PackCheck};

/// How a pack is put together. Layouts differ from type to type (14, 15, 17 and 20 blocks are quoted, of one or two
/// modules of 6, 8 or 12 cells), so none is ever assumed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Layout {
    /// Blocks in series, each sensed on its own.
    pub blocks: u16,
    /// Modules in series in a block.
    pub modules_per_block: u16,
    /// Cells in series in a module.
    pub cells_per_module: u16,
}

/// What the cells are made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Chemistry {
    /// Nickel and metal hydride.
    NickelMetalHydride,
    /// Lithium ion.
    LithiumIon,
}

impl Chemistry {
    /// The chemistry's name in logs and answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::NickelMetalHydride => "nimh",
            Self::LithiumIon => "li-ion",
        }
    }

    /// Reads a chemistry's name.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        [Self::NickelMetalHydride, Self::LithiumIon].into_iter().find(|chemistry| chemistry.as_str() == text)
    }

    /// More volts than a cell shows even at the end of a charge (from memory: about 1.6 V and 4.3 V, and some room).
    const fn most_cell_volts(self) -> f64 {
        match self {
            Self::NickelMetalHydride => 1.8,
            Self::LithiumIon => 4.6,
        }
    }
}

/// From where on a block's weakness counts, in volts under the median of its pack's blocks at like load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpreadLimits {
    /// From here on the pack is watched.
    pub watch_v: f64,
    /// From here on the block is weak and the pack degraded.
    pub weak_v: f64,
}

impl Default for SpreadLimits {
    /// Watched from 0.3 V on, weak at 1 V (figures quoted in the trade for blocks of two 7.2 V modules).
    fn default() -> Self {
        Self { watch_v: 0.3, weak_v: 1.0 }
    }
}

/// A type of pack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PackType {
    /// How it is put together.
    pub layout: Layout,
    /// What its cells are made of.
    pub chemistry: Chemistry,
    /// Its limits.
    pub limits: SpreadLimits,
}

/// Modules in a block, and cells in a module.
const PARTS: Plausible = Plausible { field: "modules_per_block", least: 1.0, most: 100.0, unit: "modules" };
const CELLS: Plausible = Plausible { field: "cells_per_module", least: 1.0, most: 100.0, unit: "cells" };

/// The limits of a type; the least keeps zero out.
const WATCH: Plausible = Plausible { field: "watch_v", least: 0.001, most: 50.0, unit: "V" };
const WEAK: Plausible = Plausible { field: "weak_v", least: 0.001, most: 50.0, unit: "V" };

impl Layout {
    /// Whether a pack can be put together so.
    ///
    /// # Errors
    /// [`FieldFault`] for the first count out of range.
    pub fn check(&self) -> Result<(), FieldFault> {
        Plausible { field: "blocks", ..BLOCKS }.check(self.blocks.into())?;
        PARTS.check(self.modules_per_block.into())?;
        CELLS.check(self.cells_per_module.into())
    }
}

impl PackType {
    /// Whether the type can be.
    ///
    /// # Errors
    /// [`FieldFault`] when a count or a limit is out of range, or a block is weak before it is watched.
    pub fn check(&self) -> Result<(), FieldFault> {
        self.layout.check()?;
        let SpreadLimits { watch_v, weak_v } = self.limits;
        WATCH.check(watch_v)?;
        Plausible { least: watch_v, ..WEAK }.check(weak_v)
    }

    /// Whether `check` can be of a pack of this type.
    ///
    /// # Errors
    /// [`FieldFault`] when it has another number of blocks, or a block shows more volts than its cells can,
    /// either way round: a weak cell can be driven into reverse.
    pub fn fits(&self, check: &PackCheck) -> Result<(), FieldFault> {
        let (found, blocks) = (check.block_volts.len(), self.layout.blocks);
        if found != usize::from(blocks) {
            let right = format!("one voltage for each of the {blocks} blocks");
            return Err(FieldFault { field: BLOCKS.field, value: format!("{found} voltages"), right });
        }
        let cells = f64::from(self.layout.modules_per_block) * f64::from(self.layout.cells_per_module);
        let most = cells * self.chemistry.most_cell_volts();
        let block = Plausible { field: "block_volts", least: -most, most, unit: "V" };
        check.block_volts.iter().try_for_each(|volts| block.check(*volts))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pack() -> PackType {
        let layout = Layout { blocks: 3, modules_per_block: 2, cells_per_module: 6 };
        PackType { layout, chemistry: Chemistry::NickelMetalHydride, limits: SpreadLimits::default() }
    }

    fn volts(block_volts: &[f64]) -> PackCheck {
        PackCheck::of("2026-06-01T12:00:00Z".parse().unwrap(), block_volts.to_vec())
    }

    #[track_caller]
    fn check(found: Result<(), FieldFault>, fault: &str) {
        assert_eq!(found.unwrap_err().to_string(), fault);
    }

    #[test]
    fn a_check_must_fit_the_type() {
        assert_eq!(pack().fits(&volts(&[14.4, 14.5, 0.0])), Ok(()));
        check(
            pack().fits(&volts(&[14.4; 4])),
            "block_volts must be one voltage for each of the 3 blocks, not \"4 voltages\"",
        );
        check(pack().fits(&volts(&[14.4, 22.0, 14.4])), "block_volts must be from -21.6 to 21.6 V, not \"22\"");
    }

    #[test]
    fn a_type_must_be_possible() {
        assert_eq!(pack().check(), Ok(()));
        let early = SpreadLimits { watch_v: 2.0, weak_v: 1.0 };
        check(PackType { limits: early, ..pack() }.check(), "weak_v must be from 2 to 50 V, not \"1\"");
        let layout = Layout { cells_per_module: 0, ..pack().layout };
        check(PackType { layout, ..pack() }.check(), "cells_per_module must be from 1 to 100 cells, not \"0\"");
    }

    #[test]
    fn names_read_back() {
        for chemistry in [Chemistry::NickelMetalHydride, Chemistry::LithiumIon] {
            assert_eq!(Chemistry::parse(chemistry.as_str()), Some(chemistry));
        }
    }
}
