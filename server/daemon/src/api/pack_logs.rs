//! What is logged of packs: packs and the cars they were in, pack checks, trouble codes.

use axum::extract::{Request, State};
use axum::http::{StatusCode, Uri};
use chrono::{DateTime, Utc};
use serde::de::{Deserializer, SeqAccess, Visitor};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use ventmile_model::fleet::{
    Chemistry, Code, CodeReport, DistanceUnit, FieldFault, Layout, Metres, PackCheck, Removal, RemovedBecause,
    TroubleCode,
};

use super::body::{Json, Params, Segment};
use super::condition::{DoneOnce, IdempotencyKey, MayBeRepeated, writing};
use super::key::{Admin, Key, Post, Read, Work};
use super::logs::{
    self, LONGEST_NAME, LONGEST_TEXT, LogQuery, MICROS_A_DAY, Marked, Voiding, checked, field, instant, log_list,
    needed, source_name, unit_name,
};
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use super::rows::{Row, need, refuse};
use super::shapes::{PostAnswer, answer, shown};
use super::upcoming::unit_asked;
use super::values;
use crate::app::App;
use crate::store::{
    Answer, CheckRow, CodeRow, LogRows, PackFilter, PackRecord, PackRemoval, PackRow, Refused, RowName, SentRow,
    values::micros,
};

/// A pack and its time in a car.
#[derive(Clone, Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"serial": "P-20417", "type": "N28", "chemistry": "nimh", "blocks": 14, "modules_per_block": 2, "cells_per_module": 6, "unit": "V104", "installed_at": "2025-11-20T15:00:00-05:00", "odometer": 140112, "distance_unit": "mi"}))]
pub struct PackLog {
    /// Its serial.
    #[schema(required = true, value_type = String)]
    serial: Option<String>,
    /// Its type, as the fleet calls it: packs of one type share limits and a life curve.
    #[serde(rename = "type")]
    #[schema(required = true, value_type = String)]
    pack_type: Option<String>,
    /// `nimh` or `li-ion`.
    chemistry: Option<String>,
    /// Blocks in series, each sensed on its own.
    #[schema(minimum = 2, maximum = 200)]
    blocks: Option<u16>,
    /// Modules in a block.
    #[schema(minimum = 1, maximum = 100)]
    modules_per_block: Option<u16>,
    /// Cells in a module.
    #[schema(minimum = 1, maximum = 100)]
    cells_per_module: Option<u16>,
    /// Unit number of the car it is in, or was.
    #[schema(required = true, value_type = String)]
    unit: Option<String>,
    /// When it was put in (RFC 3339); for the pack the car was built with, when the car came into service.
    #[schema(required = true, value_type = String, format = DateTime)]
    installed_at: Option<String>,
    /// The car's odometer then; where it is not known the readings place it.
    #[schema(minimum = 0)]
    odometer: Option<f64>,
    /// `mi` or `km`, of all distances in the row.
    #[schema(pattern = "^(mi|km)$")]
    distance_unit: Option<String>,
    /// Distance the pack itself had behind it when it was put in; when left out the odometer of an original pack, and 0
    /// of any other.
    #[schema(minimum = 0)]
    used_distance: Option<f64>,
    /// Whether the car was built with it.
    original: Option<bool>,
    /// When it was taken out.
    #[schema(format = DateTime)]
    removed_at: Option<String>,
    /// The car's odometer then.
    #[schema(minimum = 0)]
    removed_odometer: Option<f64>,
    /// `failed`, `condition` (its spread, codes or risk were bad), `age`, `sale`, `crash` or `other`.
    removed_because: Option<String>,
    /// What else was noted.
    note: Option<String>,
}

/// What a scan tool shows of a pack at one moment.
#[derive(Clone, Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"unit": "V104", "at": "2026-03-01T06:30:00-05:00", "block_volts": [14.62, 14.6, 14.31, 14.61], "current_a": 42, "charge_pct": 58, "pack_c": 39.5, "cabin_c": 24, "fan_stage": 3, "source": "scan tool"}))]
pub struct PackCheckLog {
    /// Unit number of the car on that day.
    #[schema(required = true, value_type = String)]
    unit: Option<String>,
    /// When it was taken (RFC 3339).
    #[schema(required = true, value_type = String, format = DateTime)]
    at: Option<String>,
    /// Volts of each block in the order of the pack, under load; in CSV one cell with spaces between them.
    #[serde(default, deserialize_with = "volts")]
    #[schema(required = true, value_type = Vec<f64>, min_items = 2, max_items = 200)]
    block_volts: Option<Vec<f64>>,
    /// Current in amperes, above 0 while the pack gives.
    current_a: Option<f64>,
    /// State of charge in per cent.
    #[schema(minimum = 0, maximum = 100)]
    charge_pct: Option<f64>,
    /// Temperature of the pack in degrees Celsius.
    pack_c: Option<f64>,
    /// Temperature of the cabin air at the intake in degrees Celsius.
    cabin_c: Option<f64>,
    /// Stage of the cooling fan; 0 is off.
    fan_stage: Option<u8>,
    /// Who sent it.
    source: Option<String>,
}

/// A trouble code that was read, or cleared.
#[derive(Clone, Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"unit": "V104", "at": "2026-03-01T06:30:00-05:00", "code": "P0A80", "state": "confirmed", "source": "scan tool"}))]
pub struct TroubleCodeLog {
    /// Unit number of the car on that day.
    #[schema(required = true, value_type = String)]
    unit: Option<String>,
    /// When it was read, or cleared (RFC 3339).
    #[schema(required = true, value_type = String, format = DateTime)]
    at: Option<String>,
    /// The code as SAE J2012 spells it, such as `P0A80`, with its failure type byte where one was sent: `P0A80-00`.
    #[schema(required = true, value_type = String)]
    code: Option<String>,
    /// `pending`, `confirmed`, `history` or `cleared`.
    #[schema(required = true, value_type = String, pattern = "^(pending|confirmed|history|cleared)$")]
    state: Option<String>,
    /// The maker's own detail number.
    #[schema(maximum = 65535)]
    detail: Option<u16>,
    /// Who sent it.
    source: Option<String>,
}

/// Volts as a JSON array, or as the one cell of a CSV row.
fn volts<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Vec<f64>>, D::Error> {
    struct Volts;

    impl<'de> Visitor<'de> for Volts {
        type Value = Option<Vec<f64>>;

        fn expecting(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
            out.write_str("an array of volts, in CSV one cell with spaces between them")
        }

        fn visit_unit<E>(self) -> Result<Self::Value, E> {
            Ok(None)
        }

        fn visit_f64<E>(self, value: f64) -> Result<Self::Value, E> {
            Ok(Some(vec![value]))
        }

        fn visit_u64<E>(self, value: u64) -> Result<Self::Value, E> {
            Ok(Some(vec![value as f64]))
        }

        fn visit_i64<E>(self, value: i64) -> Result<Self::Value, E> {
            Ok(Some(vec![value as f64]))
        }

        fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Self::Value, E> {
            if text.trim().is_empty() {
                return Ok(None);
            }
            let parse = |word: &str| {
                word.parse()
                    .map_err(|_| E::custom(format!("{word:?} is no number: give volts with spaces between them")))
            };
            text.split_whitespace().map(parse).collect::<Result<_, E>>().map(Some)
        }

        fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Self::Value, A::Error> {
            let mut volts = Vec::new();
            while let Some(value) = items.next_element()? {
                volts.push(value);
            }
            Ok(Some(volts))
        }
    }

    from.deserialize_any(Volts)
}

/// What the model finds wrong with a field.
fn of_fault(row: u64, fault: FieldFault) -> Refused {
    let number = fault.value.parse().map_or_else(|_| Value::String(fault.value.clone()), values::number);
    refuse(row, fault.field, number, format!("must be {}", fault.right))
}

fn choice<T>(
    row: u64,
    name: &'static str,
    text: &str,
    read: impl Fn(&str) -> Option<T>,
    of: &str,
) -> Result<T, Refused> {
    field(row, name, text, read(text).ok_or_else(|| format!("give one of {of}")))
}

const CHEMISTRIES: &str = "nimh, li-ion";
const REASONS: &str = "failed, condition, age, sale, crash, other";
const STATES: &str = "pending, confirmed, history, cleared";

/// The distances of a pack row, once its unit is known.
struct Distances {
    row: u64,
    unit: Option<DistanceUnit>,
}

impl Distances {
    fn read(&self, name: &'static str, value: Option<f64>) -> Result<Option<Metres>, Refused> {
        let Some(value) = value else { return Ok(None) };
        let Some(unit) = self.unit else {
            let reason = "a distance without a unit is refused: give mi or km";
            return Err(refuse(self.row, "distance_unit", Value::Null, reason));
        };
        field(self.row, name, values::number(value), values::odometer(value, unit)).map(Some)
    }
}

impl PackLog {
    fn layout(&self, row: u64) -> Result<Option<Layout>, Refused> {
        match (self.blocks, self.modules_per_block, self.cells_per_module) {
            (None, None, None) => Ok(None),
            (Some(blocks), Some(modules_per_block), Some(cells_per_module)) => {
                let layout = Layout { blocks, modules_per_block, cells_per_module };
                layout.check().map_err(|fault| of_fault(row, fault))?;
                Ok(Some(layout))
            }
            (blocks, modules, _) => {
                let missing = match (blocks, modules) {
                    (None, _) => "blocks",
                    (_, None) => "modules_per_block",
                    _ => "cells_per_module",
                };
                let reason = "give blocks, modules_per_block and cells_per_module together, or none of them";
                Err(refuse(row, missing, Value::Null, reason))
            }
        }
    }

    fn removal(
        &self,
        row: u64,
        installed_at: DateTime<Utc>,
        distances: &Distances,
    ) -> Result<Option<Removal>, Refused> {
        let (Some(at), Some(because)) = (&self.removed_at, &self.removed_because) else {
            let given = [
                ("removed_at", self.removed_at.is_some()),
                ("removed_because", self.removed_because.is_some()),
                ("removed_odometer", self.removed_odometer.is_some()),
            ];
            if given.iter().all(|(_, given)| !given) {
                return Ok(None);
            }
            let missing = given.iter().find(|(_, given)| !given).map_or("removed_at", |(name, _)| name);
            return Err(refuse(row, missing, Value::Null, "a removal has a time and a reason: give both"));
        };
        let removed_at = instant(row, "removed_at", at)?;
        if removed_at < installed_at {
            return Err(refuse(row, "removed_at", at.as_str(), "a pack is taken out after it was put in"));
        }
        Ok(Some(Removal {
            at: removed_at,
            odometer: distances.read("removed_odometer", self.removed_odometer)?,
            because: choice(row, "removed_because", because, RemovedBecause::parse, REASONS)?,
        }))
    }
}

impl Row for PackLog {
    type Checked = SentRow;
    const FIELDS: &'static [&'static str] = &[
        "serial",
        "type",
        "chemistry",
        "blocks",
        "modules_per_block",
        "cells_per_module",
        "unit",
        "installed_at",
        "odometer",
        "distance_unit",
        "used_distance",
        "original",
        "removed_at",
        "removed_odometer",
        "removed_because",
        "note",
    ];

    fn check(self, row: u64) -> Result<SentRow, Refused> {
        let name = |name: &'static str, given: &Option<String>| {
            let text = need(row, name, given.clone())?;
            field(row, name, text.as_str(), values::name(&text, LONGEST_NAME))
        };
        let unit = unit_name(row, self.unit.clone())?;
        let at = instant(row, "installed_at", &need(row, "installed_at", self.installed_at.clone())?)?;
        let given_unit = self.distance_unit.as_deref();
        let unit_of = |text: &str| field(row, "distance_unit", text, values::distance_unit(text));
        let distances = Distances { row, unit: given_unit.map(unit_of).transpose()? };
        let chemistry = |text: &str| choice(row, "chemistry", text, Chemistry::parse, CHEMISTRIES);
        let note = self.note.as_deref().filter(|note| !note.is_empty());
        let note = note.map(|note| field(row, "note", note, values::free_text(note, LONGEST_TEXT))).transpose()?;
        let log = PackRow {
            serial: name("serial", &self.serial)?,
            pack_type: name("type", &self.pack_type)?,
            chemistry: self.chemistry.as_deref().map(chemistry).transpose()?,
            layout: self.layout(row)?,
            at,
            metres: distances.read("odometer", self.odometer)?,
            used: distances.read("used_distance", self.used_distance)?,
            original: self.original.unwrap_or(false),
            removal: self.removal(row, at, &distances)?,
            note,
        };
        Ok(SentRow { row, unit, log: LogRows::Pack(log) })
    }
}

impl Row for PackCheckLog {
    type Checked = SentRow;
    const FIELDS: &'static [&'static str] =
        &["unit", "at", "block_volts", "current_a", "charge_pct", "pack_c", "cabin_c", "fan_stage", "source"];

    fn check(self, row: u64) -> Result<SentRow, Refused> {
        let unit = unit_name(row, self.unit)?;
        let check = PackCheck {
            at: instant(row, "at", &need(row, "at", self.at)?)?,
            block_volts: need(row, "block_volts", self.block_volts)?,
            current_a: self.current_a,
            charge_pct: self.charge_pct,
            pack_c: self.pack_c,
            cabin_c: self.cabin_c,
            fan_stage: self.fan_stage,
        };
        check.check().map_err(|fault| of_fault(row, fault))?;
        let source = source_name(row, self.source)?;
        Ok(SentRow { row, unit, log: LogRows::Check(CheckRow { check, source }) })
    }
}

impl Row for TroubleCodeLog {
    type Checked = SentRow;
    const FIELDS: &'static [&'static str] = &["unit", "at", "code", "state", "detail", "source"];

    fn check(self, row: u64) -> Result<SentRow, Refused> {
        let unit = unit_name(row, self.unit)?;
        let at = instant(row, "at", &need(row, "at", self.at)?)?;
        let code = Code::parse(&need(row, "code", self.code)?).map_err(|fault| of_fault(row, fault))?;
        let state = choice(row, "state", &need(row, "state", self.state)?, CodeReport::parse, STATES)?;
        let source = source_name(row, self.source)?;
        let log = CodeRow { code: TroubleCode { at, code, state }, detail: self.detail, source };
        Ok(SentRow { row, unit, log: LogRows::Code(log) })
    }
}

/// Post packs and the cars they were in
///
/// One row a pack and car. The same pack, car and `installed_at` again replaces what was said before, so a removal can be
/// added later. A pack without a removal ends its time in a car when the next one is put in.
#[utoipa::path(
    post, path = "/v1/packs", operation_id = "post_packs", tag = "Logs in",
    params(MayBeRepeated),
    request_body(content((PackLog = "application/json"), (PackLog = "application/x-ndjson"), (PackLog = "text/csv"))),
    responses((status = 200, body = PostAnswer), Problem),
    security(("key" = ["post"]))
)]
pub(super) async fn post_packs(
    State(app): State<App>,
    Key(caller, _): Key<Post>,
    key: Option<IdempotencyKey>,
    request: Request,
) -> Result<Answer, Problem> {
    logs::post::<PackLog>(&app, &caller, key, "packs", request).await
}

/// Post pack checks
///
/// Compared only at like load, charge and temperature: a check without them says less.
#[utoipa::path(
    post, path = "/v1/pack-checks", operation_id = "post_pack_checks", tag = "Logs in",
    params(MayBeRepeated),
    request_body(content((PackCheckLog = "application/json"), (PackCheckLog = "application/x-ndjson"), (PackCheckLog = "text/csv"))),
    responses((status = 200, body = PostAnswer), Problem),
    security(("key" = ["post"]))
)]
pub(super) async fn post_pack_checks(
    State(app): State<App>,
    Key(caller, _): Key<Post>,
    key: Option<IdempotencyKey>,
    request: Request,
) -> Result<Answer, Problem> {
    logs::post::<PackCheckLog>(&app, &caller, key, "pack-checks", request).await
}

/// Post trouble codes
///
/// Codes that were read, and codes that were cleared. An isolation fault (P0AA6) means: do not touch, qualified person
/// only. P0AA6 and P0A7E, once confirmed, take the car off the road by themselves, with a safety hold that names the code.
#[utoipa::path(
    post, path = "/v1/trouble-codes", operation_id = "post_trouble_codes", tag = "Logs in",
    params(MayBeRepeated),
    request_body(content((TroubleCodeLog = "application/json"), (TroubleCodeLog = "application/x-ndjson"), (TroubleCodeLog = "text/csv"))),
    responses((status = 200, body = PostAnswer), Problem),
    security(("key" = ["post"]))
)]
pub(super) async fn post_trouble_codes(
    State(app): State<App>,
    Key(caller, _): Key<Post>,
    key: Option<IdempotencyKey>,
    request: Request,
) -> Result<Answer, Problem> {
    logs::post::<TroubleCodeLog>(&app, &caller, key, "trouble-codes", request).await
}

/// Which packs are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct PackQuery {
    /// Only in cars of this depot.
    depot: Option<String>,
    /// Only in this car.
    unit: Option<String>,
    /// Only of this type.
    #[serde(rename = "type")]
    pack_type: Option<String>,
    /// Those taken out, and voided rows, too.
    with_removed: Option<bool>,
    /// Unit for distances; `mi` when left out.
    distance_unit: Option<String>,
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// A pack's time in a car.
#[derive(Debug, Serialize, ToSchema)]
pub struct PackAnswer {
    /// Its serial.
    serial: String,
    /// Its type.
    #[serde(rename = "type")]
    pack_type: String,
    /// `nimh` or `li-ion`.
    chemistry: Option<&'static str>,
    /// Blocks in series.
    blocks: Option<u16>,
    /// Modules in a block.
    modules_per_block: Option<u16>,
    /// Cells in a module.
    cells_per_module: Option<u16>,
    /// Unit number of the car.
    unit: String,
    /// The car's depot.
    depot: String,
    /// When it was put in.
    installed_at: DateTime<Utc>,
    /// The car's odometer then.
    odometer: Option<f64>,
    /// Unit shown.
    distance_unit: &'static str,
    /// Distance the pack had behind it then, as told.
    used_distance: Option<f64>,
    /// Whether the car was built with it.
    original: bool,
    /// When it was taken out.
    removed_at: Option<DateTime<Utc>>,
    /// The car's odometer then.
    removed_odometer: Option<f64>,
    /// Why.
    removed_because: Option<&'static str>,
    /// What else was noted.
    note: Option<String>,
    /// When the row was voided.
    voided_at: Option<DateTime<Utc>>,
}

pub(super) fn pack_view(record: PackRecord, unit: DistanceUnit) -> PackAnswer {
    let life = record.life;
    let distance = |metres: Option<Metres>| metres.map(|metres| shown(metres, unit));
    PackAnswer {
        chemistry: life.chemistry.map(Chemistry::as_str),
        blocks: life.layout.map(|layout| layout.blocks),
        modules_per_block: life.layout.map(|layout| layout.modules_per_block),
        cells_per_module: life.layout.map(|layout| layout.cells_per_module),
        unit: record.unit,
        depot: record.depot,
        installed_at: life.at,
        odometer: distance(life.odometer),
        distance_unit: unit.as_str(),
        used_distance: distance(life.used),
        original: life.original,
        removed_at: life.removal.map(|removal| removal.at),
        removed_odometer: distance(life.removal.and_then(|removal| removal.odometer)),
        removed_because: life.removal.map(|removal| removal.because.as_str()),
        serial: life.serial,
        pack_type: life.pack_type,
        note: record.note,
        voided_at: record.voided_at,
    }
}

/// List packs and the cars they are in
#[utoipa::path(
    get, path = "/v1/packs", operation_id = "list_packs", tag = "Register", params(PackQuery),
    responses((status = 200, body = Page<PackAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_packs(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<PackQuery>,
) -> Result<Page<PackAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let unit = unit_asked(query.distance_unit.as_deref())?.unwrap_or(DistanceUnit::Mile);
    let filter = PackFilter {
        serial: None,
        depot: query.depot,
        unit: query.unit,
        pack_type: query.pack_type,
        with_removed: query.with_removed.unwrap_or(false),
        after: page::place(query.cursor.as_deref())?.unwrap_or_else(before_all),
        key_depots_of: caller.actor.key_depots_of(),
        limit: limit + 1,
    };
    let mut rows = app.store.packs(&filter).await?;
    let place = |row: &PackRecord| (row.life.serial.clone(), micros(row.life.at), row.vehicle_id);
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), place);
    Ok(Page { items: rows.into_iter().map(|row| pack_view(row, unit)).collect(), next })
}

/// The place before every pack.
pub(super) fn before_all() -> (String, i64, i64) {
    (String::new(), i64::MIN, i64::MIN)
}

/// A pack is taken out.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"at": "2026-11-20T15:00:00-05:00", "odometer": 240112, "distance_unit": "mi", "because": "condition", "note": "block 7 0.9 V under the others"}))]
pub(super) struct RemovalRequest {
    /// When (RFC 3339).
    #[schema(format = DateTime)]
    at: String,
    /// The car's odometer then.
    odometer: Option<f64>,
    /// `mi` or `km`, with an odometer.
    distance_unit: Option<String>,
    /// `failed`, `condition`, `age`, `sale`, `crash` or `other`.
    because: String,
    /// What else was noted.
    note: Option<String>,
}

impl RemovalRequest {
    fn odometer(&self) -> Result<Option<Metres>, Problem> {
        let Some(value) = self.odometer else { return Ok(None) };
        let text = needed("distance_unit", &self.distance_unit)?;
        let unit = checked("distance_unit", text, values::distance_unit(text))?;
        let metres = values::odometer(value, unit);
        metres.map(Some).map_err(|reason| Problem::body(Fault::field("/odometer", Some(values::number(value)), reason)))
    }

    fn removal(&self) -> Result<Removal, Problem> {
        let because = RemovedBecause::parse(&self.because).ok_or_else(|| format!("give one of {REASONS}"));
        Ok(Removal {
            at: checked("at", &self.at, values::instant(&self.at))?,
            odometer: self.odometer()?,
            because: checked("because", &self.because, because)?,
        })
    }
}

/// Take a pack out of the register of packs in use
///
/// Ends its time in the car it is in. Of a pack pulled because its spread, codes or risk were bad say `condition`: it
/// counts as worn out.
#[utoipa::path(
    post, path = "/v1/packs/{serial}/remove", operation_id = "remove_pack", tag = "Register",
    params(("serial" = String, Path, description = "its serial"), DoneOnce),
    request_body = RemovalRequest,
    responses((status = 200, body = PackAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn remove_pack(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(serial): Segment,
    key: IdempotencyKey,
    body: Json<RemovalRequest>,
) -> Result<Answer, Problem> {
    let request = body.value;
    let note = request.note.as_deref().filter(|note| !note.is_empty());
    let note = note.map(|note| checked("note", note, values::free_text(note, LONGEST_TEXT))).transpose()?;
    let removal = PackRemoval { removal: request.removal()?, note };
    let writing = writing(&app, &caller, Some(key), &format!("packs/{serial}/remove"), &body.bytes);
    let view = |record: PackRecord| answer(StatusCode::OK, None, &pack_view(record, DistanceUnit::Mile));
    let done = app.store.remove_pack(&serial, removal, &writing, view).await?;
    app.news.notify_one();
    Ok(done)
}

/// A stored pack check.
#[derive(Debug, Serialize, ToSchema)]
pub struct StoredCheck {
    /// When it was taken.
    at: DateTime<Utc>,
    /// Volts of each block.
    block_volts: Vec<f64>,
    /// Current in amperes, above 0 while the pack gives.
    current_a: Option<f64>,
    /// State of charge in per cent.
    charge_pct: Option<f64>,
    /// Temperature of the pack in degrees Celsius.
    pack_c: Option<f64>,
    /// Temperature of the cabin air in degrees Celsius.
    cabin_c: Option<f64>,
    /// Stage of the cooling fan.
    fan_stage: Option<u8>,
    /// Who sent it.
    source: String,
    /// When it was voided.
    voided_at: Option<DateTime<Utc>>,
}

/// List pack checks of a car
#[utoipa::path(
    get, path = "/v1/pack-checks", operation_id = "list_pack_checks", tag = "Logs in", params(LogQuery),
    responses((status = 200, body = Page<StoredCheck>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_pack_checks(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<LogQuery>,
) -> Result<Page<StoredCheck>, Problem> {
    let list = log_list(&app, &caller, &query, MICROS_A_DAY).await?;
    let mut rows = app.store.pack_checks(&list.filter).await?;
    let next =
        page::cut(&mut rows, list.limit, uri.path(), uri.query(), |row| (micros(row.check.at), "", row.source_id));
    let items = rows
        .into_iter()
        .map(|row| StoredCheck {
            at: row.check.at,
            block_volts: row.check.block_volts,
            current_a: row.check.current_a,
            charge_pct: row.check.charge_pct,
            pack_c: row.check.pack_c,
            cabin_c: row.check.cabin_c,
            fan_stage: row.check.fan_stage,
            source: row.source,
            voided_at: row.voided_at,
        })
        .collect();
    Ok(Page { items, next })
}

/// A stored trouble code.
#[derive(Debug, Serialize, ToSchema)]
pub struct StoredCode {
    /// When it was read, or cleared.
    at: DateTime<Utc>,
    /// The code.
    code: String,
    /// `pending`, `confirmed`, `history` or `cleared`.
    state: &'static str,
    /// Of a cleared one: whether it was reported as confirmed at the very same instant.
    was_confirmed: bool,
    /// The maker's own detail number.
    detail: Option<i64>,
    /// What it says, of a code about a pack or its cooling.
    says: Option<&'static str>,
    /// What to do about it.
    todo: Option<&'static str>,
    /// Who sent it.
    source: String,
    /// When it was voided.
    voided_at: Option<DateTime<Utc>>,
}

/// List trouble codes of a car
#[utoipa::path(
    get, path = "/v1/trouble-codes", operation_id = "list_trouble_codes", tag = "Logs in", params(LogQuery),
    responses((status = 200, body = Page<StoredCode>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_trouble_codes(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<LogQuery>,
) -> Result<Page<StoredCode>, Problem> {
    let list = log_list(&app, &caller, &query, MICROS_A_DAY).await?;
    let mut rows = app.store.trouble_codes(&list.filter).await?;
    let place = |row: &crate::store::CodeRecord| (micros(row.code.at), row.code.code.to_string(), row.source_id);
    let next = page::cut(&mut rows, list.limit, uri.path(), uri.query(), place);
    let items = rows
        .into_iter()
        .map(|row| StoredCode {
            at: row.code.at,
            code: row.code.code.to_string(),
            state: row.code.state.as_str(),
            was_confirmed: row.was_confirmed,
            detail: row.detail,
            says: row.code.code.meaning().map(|meaning| meaning.says),
            todo: row.code.code.meaning().map(|meaning| meaning.todo),
            source: row.source,
            voided_at: row.voided_at,
        })
        .collect();
    Ok(Page { items, next })
}

/// Void a pack's time in a car
///
/// It stays stored and is left out of every computation; `undo` takes it back in. `at` is when it was put in.
#[utoipa::path(
    post, path = "/v1/packs/void", operation_id = "void_pack", tag = "Corrections",
    params(MayBeRepeated),
    request_body = Voiding,
    responses((status = 200, body = Marked), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn void_pack(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    body: Json<Voiding>,
) -> Result<Answer, Problem> {
    let serial = needed("serial", &body.value.serial)?.to_owned();
    let row = RowName::Pack { serial, at: body.value.instant()? };
    logs::void(&app, &caller, key, "packs/void", body, row).await
}

/// Void a pack check
#[utoipa::path(
    post, path = "/v1/pack-checks/void", operation_id = "void_pack_check", tag = "Corrections",
    params(MayBeRepeated),
    request_body = Voiding,
    responses((status = 200, body = Marked), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn void_pack_check(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    body: Json<Voiding>,
) -> Result<Answer, Problem> {
    let row = RowName::Check { at: body.value.instant()?, source: body.value.source() };
    logs::void(&app, &caller, key, "pack-checks/void", body, row).await
}

/// Void a trouble code
#[utoipa::path(
    post, path = "/v1/trouble-codes/void", operation_id = "void_trouble_code", tag = "Corrections",
    params(MayBeRepeated),
    request_body = Voiding,
    responses((status = 200, body = Marked), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn void_trouble_code(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    body: Json<Voiding>,
) -> Result<Answer, Problem> {
    let text = needed("code", &body.value.code)?;
    let code = checked("code", text, Code::parse(text).map_err(|fault| format!("must be {}", fault.right)))?;
    let row = RowName::Code { code, at: body.value.instant()?, source: body.value.source() };
    logs::void(&app, &caller, key, "trouble-codes/void", body, row).await
}
