//! What is logged of packs: how long each was in which car, what scan tools showed of it, which codes were read.

use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use ventmile_model::fleet::{Chemistry, CodeReport, Layout, Metres, PackCheck, Removal, TroubleCode};

use super::logs::{RowKey, Statement, statement};
use super::values::micros;

/// A pack's time in a car, as sent.
#[derive(Clone, Debug)]
pub struct PackRow {
    /// Its serial.
    pub serial: String,
    /// Its type, as the fleet calls it.
    pub pack_type: String,
    /// What its cells are made of.
    pub chemistry: Option<Chemistry>,
    /// How it is put together.
    pub layout: Option<Layout>,
    /// When it was put in; for the original pack when the car came into service.
    pub at: DateTime<Utc>,
    /// The car's odometer then.
    pub metres: Option<Metres>,
    /// What the pack itself had behind it then.
    pub used: Option<Metres>,
    /// Whether the car was built with it.
    pub original: bool,
    /// When and why it was taken out.
    pub removal: Option<Removal>,
    /// What else was noted.
    pub note: Option<String>,
}

/// A pack check as sent.
#[derive(Clone, Debug)]
pub struct CheckRow {
    /// What was shown.
    pub check: PackCheck,
    /// Who sent it.
    pub source: String,
}

/// A trouble code as sent.
#[derive(Clone, Debug)]
pub struct CodeRow {
    /// The code and what was reported of it.
    pub code: TroubleCode,
    /// The maker's own detail number.
    pub detail: Option<u16>,
    /// Who sent it.
    pub source: String,
}

pub(super) const PACK: Statement = statement!(
    "INSERT INTO pack_lives (received_us, revision, vehicle_id, at_us, serial, pack_type, chemistry, blocks,
        modules_per_block, cells_per_module, metres, used_metres, original, removed_us, removed_metres,
        removed_because, note)",
    sqlite: "$2, 0, value->>0, value->>1, value->>2, value->>3, value->>4, value->>5, value->>6, value->>7, value->>8,
        value->>9, value->>10, value->>11, value->>12, value->>13, value->>14",
    postgres: "$2, 0, (value->>0)::bigint, (value->>1)::bigint, value->>2, value->>3, value->>4, (value->>5)::bigint,
        (value->>6)::bigint, (value->>7)::bigint, (value->>8)::bigint, (value->>9)::bigint, (value->>10)::bigint,
        (value->>11)::bigint, (value->>12)::bigint, value->>13, value->>14",
    "ON CONFLICT (vehicle_id, at_us, serial) DO UPDATE SET pack_type = excluded.pack_type,
        chemistry = excluded.chemistry, blocks = excluded.blocks, modules_per_block = excluded.modules_per_block,
        cells_per_module = excluded.cells_per_module, metres = excluded.metres, used_metres = excluded.used_metres,
        original = excluded.original, removed_us = excluded.removed_us, removed_metres = excluded.removed_metres,
        removed_because = excluded.removed_because, note = excluded.note, received_us = excluded.received_us,
        revision = pack_lives.revision + 1, voided_us = NULL
    WHERE pack_lives.pack_type <> excluded.pack_type OR pack_lives.chemistry IS DISTINCT FROM excluded.chemistry
        OR pack_lives.blocks IS DISTINCT FROM excluded.blocks
        OR pack_lives.modules_per_block IS DISTINCT FROM excluded.modules_per_block
        OR pack_lives.cells_per_module IS DISTINCT FROM excluded.cells_per_module
        OR pack_lives.metres IS DISTINCT FROM excluded.metres
        OR pack_lives.used_metres IS DISTINCT FROM excluded.used_metres OR pack_lives.original <> excluded.original
        OR pack_lives.removed_us IS DISTINCT FROM excluded.removed_us
        OR pack_lives.removed_metres IS DISTINCT FROM excluded.removed_metres
        OR pack_lives.removed_because IS DISTINCT FROM excluded.removed_because
        OR pack_lives.note IS DISTINCT FROM excluded.note
    RETURNING vehicle_id, at_us, serial, CAST(0 AS BIGINT), revision"
);

pub(super) const CHECK: Statement = statement!(
    "INSERT INTO pack_checks (received_us, revision, vehicle_id, at_us, source_id, block_volts, current_a, charge_pct,
        pack_c, cabin_c, fan_stage)",
    sqlite: "$2, 0, value->>0, value->>1, value->>2, value->>3, value->>4, value->>5, value->>6, value->>7, value->>8",
    postgres: "$2, 0, (value->>0)::bigint, (value->>1)::bigint, (value->>2)::bigint, value->>3,
        (value->>4)::double precision, (value->>5)::double precision, (value->>6)::double precision,
        (value->>7)::double precision, (value->>8)::bigint",
    "ON CONFLICT (vehicle_id, at_us, source_id) DO UPDATE SET block_volts = excluded.block_volts,
        current_a = excluded.current_a, charge_pct = excluded.charge_pct, pack_c = excluded.pack_c,
        cabin_c = excluded.cabin_c, fan_stage = excluded.fan_stage, received_us = excluded.received_us,
        revision = pack_checks.revision + 1, voided_us = NULL
    WHERE pack_checks.block_volts <> excluded.block_volts
        OR pack_checks.current_a IS DISTINCT FROM excluded.current_a
        OR pack_checks.charge_pct IS DISTINCT FROM excluded.charge_pct
        OR pack_checks.pack_c IS DISTINCT FROM excluded.pack_c
        OR pack_checks.cabin_c IS DISTINCT FROM excluded.cabin_c
        OR pack_checks.fan_stage IS DISTINCT FROM excluded.fan_stage
    RETURNING vehicle_id, at_us, CAST('' AS TEXT), source_id, revision"
);

pub(super) const CODE: Statement = statement!(
    "INSERT INTO trouble_codes (received_us, revision, vehicle_id, at_us, code, source_id, state, detail, was_confirmed)",
    sqlite: "$2, 0, value->>0, value->>1, value->>2, value->>3, value->>4, value->>5, value->>6",
    postgres: "$2, 0, (value->>0)::bigint, (value->>1)::bigint, value->>2, (value->>3)::bigint, value->>4,
        (value->>5)::bigint, (value->>6)::bigint",
    "ON CONFLICT (vehicle_id, at_us, code, source_id) DO UPDATE SET state = excluded.state, detail = excluded.detail,
        was_confirmed = CASE WHEN excluded.state = 'cleared' AND trouble_codes.voided_us IS NULL
                AND (trouble_codes.state = 'confirmed' OR trouble_codes.was_confirmed = 1)
            THEN 1 ELSE excluded.was_confirmed END,
        received_us = excluded.received_us, revision = trouble_codes.revision + 1, voided_us = NULL
    WHERE trouble_codes.state <> excluded.state OR trouble_codes.detail IS DISTINCT FROM excluded.detail
        OR trouble_codes.was_confirmed < excluded.was_confirmed
    RETURNING vehicle_id, at_us, code, source_id, revision"
);

/// Places of a code's state, and of whether it was confirmed before it was cleared, among its values.
const STATE: usize = 4;
const WAS_CONFIRMED: usize = 6;

/// What of a code's earlier values stays once a later row of the same instant takes their place: a clear does not undo that
/// the code was confirmed.
pub(super) fn keep_confirmation(earlier: &Value, later: &mut Value) {
    let is = |row: &Value, place: usize, value: Value| row.get(place) == Some(&value);
    let confirmed = is(earlier, STATE, json!(CodeReport::Confirmed.as_str())) || is(earlier, WAS_CONFIRMED, json!(1));
    if confirmed && is(later, STATE, json!(CodeReport::Cleared.as_str())) {
        later.get_mut(WAS_CONFIRMED).into_iter().for_each(|was| *was = json!(1));
    }
}

impl PackRow {
    pub(super) fn placed(&self, vehicle_id: i64) -> (RowKey, Value) {
        let at = micros(self.at);
        let removal = self.removal.as_ref();
        let values = json!([
            vehicle_id,
            at,
            self.serial,
            self.pack_type,
            self.chemistry.map(Chemistry::as_str),
            self.layout.map(|layout| layout.blocks),
            self.layout.map(|layout| layout.modules_per_block),
            self.layout.map(|layout| layout.cells_per_module),
            self.metres.map(|metres| metres.0),
            self.used.map(|metres| metres.0),
            i64::from(self.original),
            removal.map(|removal| micros(removal.at)),
            removal.and_then(|removal| removal.odometer).map(|metres| metres.0),
            removal.map(|removal| removal.because.as_str()),
            self.note,
        ]);
        ((vehicle_id, at, self.serial.clone(), 0), values)
    }
}

impl CheckRow {
    pub(super) fn placed(&self, vehicle_id: i64, source_id: i64) -> (RowKey, Value) {
        let PackCheck { at, block_volts, current_a, charge_pct, pack_c, cabin_c, fan_stage } = &self.check;
        let at = micros(*at);
        let volts = json!(block_volts).to_string();
        let values = json!([vehicle_id, at, source_id, volts, current_a, charge_pct, pack_c, cabin_c, fan_stage]);
        ((vehicle_id, at, String::new(), source_id), values)
    }
}

impl CodeRow {
    pub(super) fn placed(&self, vehicle_id: i64, source_id: i64) -> (RowKey, Value) {
        let (at, code) = (micros(self.code.at), self.code.code.to_string());
        let values = json!([vehicle_id, at, code, source_id, self.code.state.as_str(), self.detail, 0]);
        ((vehicle_id, at, code, source_id), values)
    }
}
