//! What a scan tool shows of a pack at one moment.

use chrono::{DateTime, Utc};

use super::fault::{FieldFault, Plausible};

/// One check of a pack: the volts of its blocks, with what is needed to compare them.
#[derive(Clone, Debug, PartialEq)]
pub struct PackCheck {
    /// When it was taken.
    pub at: DateTime<Utc>,
    /// Volts of each block, in the order of the pack.
    pub block_volts: Vec<f64>,
    /// Pack current in amperes: above zero while the pack gives, below while it takes.
    pub current_a: Option<f64>,
    /// State of charge in per cent.
    pub charge_pct: Option<f64>,
    /// Temperature of the pack in degrees Celsius.
    pub pack_c: Option<f64>,
    /// Temperature of the air in the cabin, where the pack takes its cooling air, in degrees Celsius.
    pub cabin_c: Option<f64>,
    /// Stage of the cooling fan: zero is off.
    pub fan_stage: Option<u8>,
}

/// How many blocks a check may hold.
pub(super) const BLOCKS: Plausible = Plausible { field: "block_volts", least: 2.0, most: 200.0, unit: "blocks" };

/// What a sensor can show in earnest, faulty ones included: a block at 0 V is a finding, not a slip of the pen. The
/// ends are ours: wide enough for any road car, too narrow for millivolts or degrees Fahrenheit of a hot pack.
const BLOCK_VOLTS: Plausible = Plausible { field: "block_volts", least: -20.0, most: 100.0, unit: "V" };
const CURRENT: Plausible = Plausible { field: "current_a", least: -2_000.0, most: 2_000.0, unit: "A" };
const CHARGE: Plausible = Plausible { field: "charge_pct", least: 0.0, most: 100.0, unit: "%" };
const PACK: Plausible = Plausible { field: "pack_c", least: -50.0, most: 120.0, unit: "degrees Celsius" };
const CABIN: Plausible = Plausible { field: "cabin_c", least: -50.0, most: 90.0, unit: "degrees Celsius" };
const STAGE: Plausible = Plausible { field: "fan_stage", least: 0.0, most: 20.0, unit: "" };

impl PackCheck {
    /// A check of nothing but the blocks' volts.
    #[must_use]
    pub fn of(at: DateTime<Utc>, block_volts: Vec<f64>) -> Self {
        Self { at, block_volts, current_a: None, charge_pct: None, pack_c: None, cabin_c: None, fan_stage: None }
    }

    /// Whether every value is one that a sensor can show.
    ///
    /// # Errors
    /// [`FieldFault`] for the first field out of range.
    pub fn check(&self) -> Result<(), FieldFault> {
        BLOCKS.check(self.block_volts.len() as f64)?;
        self.block_volts.iter().try_for_each(|volts| BLOCK_VOLTS.check(*volts))?;
        let optional = [
            (CURRENT, self.current_a),
            (CHARGE, self.charge_pct),
            (PACK, self.pack_c),
            (CABIN, self.cabin_c),
            (STAGE, self.fan_stage.map(f64::from)),
        ];
        optional.iter().try_for_each(|(range, value)| value.map_or(Ok(()), |value| range.check(value)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sound() -> PackCheck {
        let at = "2026-06-01T12:00:00Z".parse().unwrap();
        PackCheck { charge_pct: Some(60.0), fan_stage: Some(0), ..PackCheck::of(at, vec![14.6, 14.5]) }
    }

    #[track_caller]
    fn check(spoilt: PackCheck, fault: &str) {
        assert_eq!(spoilt.check().unwrap_err().to_string(), fault);
    }

    #[test]
    fn each_field_has_its_range() {
        assert_eq!(sound().check(), Ok(()));
        check(PackCheck { block_volts: vec![14.6], ..sound() }, "block_volts must be from 2 to 200 blocks, not \"1\"");
        let millivolts = vec![14.6, 14_500.0];
        check(PackCheck { block_volts: millivolts, ..sound() }, "block_volts must be from -20 to 100 V, not \"14500\"");
        check(PackCheck { charge_pct: Some(101.0), ..sound() }, "charge_pct must be from 0 to 100 %, not \"101\"");
        let not_a_number = PackCheck { current_a: Some(f64::NAN), ..sound() };
        check(not_a_number, "current_a must be from -2000 to 2000 A, not \"NaN\"");
        let hot = PackCheck { pack_c: Some(130.0), ..sound() };
        check(hot, "pack_c must be from -50 to 120 degrees Celsius, not \"130\"");
        let cold = PackCheck { cabin_c: Some(-60.0), ..sound() };
        check(cold, "cabin_c must be from -50 to 90 degrees Celsius, not \"-60\"");
        check(PackCheck { fan_stage: Some(21), ..sound() }, "fan_stage must be from 0 to 20, not \"21\"");
    }
}
