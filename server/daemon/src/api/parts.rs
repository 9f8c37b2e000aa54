//! Parts by depot: what is there, reserved and on its way, and what to order when; cores and where they go.

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use ventmile_model::fleet::{Kind, local_day};
use ventmile_model::work::{ClaimState, CoreFault, CorePath, Warranty, core_path};

use super::acts::{DEAREST, MOST, whole};
use super::body::{Json, Params, Segment};
use super::condition::{AsSeen, DoneOnce, IdempotencyKey, IfMatch, MayBeRepeated, writing};
use super::csv;
use super::key::{Admin, Key, Read, Work};
use super::logs::LONGEST_TEXT;
use super::orders::{checked, person};
use super::page::{self, Page};
use super::problem::{Fault, Problem};
use super::retired::retirement;
use super::shapes::{answer, shown, tenth};
use super::values;
use crate::app::App;
use crate::app::parts::{Reorder, may_claim};
use crate::store::{Answer, CoreChange, CoreFilter, CoreRecord, NewPart, PartFilter, PartRecord, Receipt};

/// How long a supplier's warranty runs, whichever comes first.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WarrantyTerms {
    /// Months from the day of fitting.
    months: u32,
    /// Distance from the odometer at fitting; null when only time counts.
    distance: Option<f64>,
    /// `mi` or `km`, with a distance.
    distance_unit: Option<String>,
}

/// A part to be kept.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"depot": "NORTH", "number": "P-28", "name": "pack, 28 modules", "job": "pack-replacement", "pack_type": "P28", "lead_days": 14, "stock": 1, "core_days": 30, "core_credit_cents": 40000, "warranty": {"months": 24, "distance": 50000, "distance_unit": "mi"}}))]
pub struct NewPartRequest {
    /// Code of the depot that keeps it.
    depot: String,
    /// Its number.
    number: String,
    /// What it is.
    name: String,
    /// The job that takes it: its open orders reserve it, its due dates tell when to order.
    job: Option<String>,
    /// How many one such job takes; 1 when left out.
    per_job: Option<i64>,
    /// Type of the pack, where it is one.
    pack_type: Option<String>,
    /// Days from order to arrival.
    lead_days: i64,
    /// How many are there; 0 when left out.
    stock: Option<i64>,
    /// A pack: days in which its core comes back; 30 when left out.
    core_days: Option<i64>,
    /// A pack: credit for its core, in cents.
    core_credit_cents: Option<i64>,
    /// A pack: the warranty it is sold with.
    warranty: Option<WarrantyTerms>,
}

/// Parts on their way.
#[derive(Debug, Serialize, ToSchema)]
pub struct ArrivalAnswer {
    /// Its number.
    arrival: i64,
    /// The day.
    expected_on: NaiveDate,
    /// How many.
    quantity: i64,
}

/// A part and what to order when.
#[derive(Debug, Serialize, ToSchema)]
pub struct PartAnswer {
    /// Depot.
    depot: String,
    /// Its number.
    number: String,
    /// What it is.
    name: String,
    /// The job that takes it.
    job: Option<&'static str>,
    /// How many one such job takes.
    per_job: i64,
    /// Type of the pack.
    pack_type: Option<String>,
    /// Days from order to arrival.
    lead_days: i64,
    /// How many are there.
    stock: i64,
    /// How many the depot's open orders will take.
    reserved: i64,
    /// How many are left beside those.
    free: i64,
    /// What is on its way.
    arrivals: Vec<ArrivalAnswer>,
    /// How many the forecasts call for within the lead time beside open orders.
    needed: f64,
    /// How many to order; 0 when none is short within twice the lead time.
    order_quantity: i64,
    /// The last day to order them; today when that day has gone by.
    order_by: Option<NaiveDate>,
    /// Days in which the core of a pack comes back.
    core_days: i64,
    /// Credit for that core, in cents.
    core_credit_cents: Option<i64>,
    /// Months of warranty.
    warranty_months: Option<u32>,
    /// Since when it is kept no more.
    retired_on: Option<NaiveDate>,
    /// Why.
    retired_reason: Option<String>,
    /// Counts its changes.
    version: i64,
}

fn part_view(record: &PartRecord, reorder: Option<&Reorder>) -> PartAnswer {
    let part = &record.part;
    let arrival = |(arrival, expected_on, quantity): &(i64, NaiveDate, i64)| ArrivalAnswer {
        arrival: *arrival,
        expected_on: *expected_on,
        quantity: *quantity,
    };
    PartAnswer {
        depot: part.depot.clone(),
        number: part.number.clone(),
        name: part.name.clone(),
        job: part.job.map(|job| job.as_str()),
        per_job: part.per_job,
        pack_type: part.pack_type.clone(),
        lead_days: part.lead_days,
        stock: part.stock,
        reserved: record.reserved,
        free: part.stock - record.reserved,
        arrivals: record.arrivals.iter().map(arrival).collect(),
        needed: tenth(reorder.map_or(0.0, |reorder| reorder.needed)),
        order_quantity: reorder.map_or(0, |reorder| reorder.quantity),
        order_by: reorder.and_then(|reorder| reorder.order_by),
        core_days: part.core_days,
        core_credit_cents: part.core_credit,
        warranty_months: part.warranty.map(|warranty| warranty.months),
        retired_on: part.retired.as_ref().map(|(on, _)| *on),
        retired_reason: part.retired.as_ref().map(|(_, reason)| reason.clone()),
        version: record.version,
    }
}

/// Longer than any supplier takes.
const LONGEST_LEAD: i64 = 365;
/// Days in which a core comes back (common practice, no published source).
const CORE_DAYS: i64 = 30;
/// Longer than any warranty, months.
const LONGEST_WARRANTY: u32 = 240;

fn warranty(terms: &WarrantyTerms) -> Result<Warranty, Problem> {
    if !(1..=LONGEST_WARRANTY).contains(&terms.months) {
        let detail = format!("give 1 to {LONGEST_WARRANTY} months");
        return Err(Problem::body(Fault::field("/warranty/months", Some(terms.months.into()), detail)));
    }
    let distance = match (terms.distance, terms.distance_unit.as_deref()) {
        (None, _) => None,
        (Some(_), None) => {
            return Err(Problem::body(Fault::field("/warranty/distance_unit", None, "give mi or km")));
        }
        (Some(value), Some(unit)) => {
            let unit = checked("warranty/distance_unit", unit, values::distance_unit(unit))?;
            let fault = |says| Problem::body(Fault::field("/warranty/distance", Some(values::number(value)), says));
            Some(values::odometer(value, unit).map_err(fault)?)
        }
    };
    Ok(Warranty { months: terms.months, distance })
}

/// Keep a part
#[utoipa::path(
    post, path = "/v1/parts", operation_id = "add_part", tag = "Parts",
    params(MayBeRepeated),
    request_body = NewPartRequest,
    responses((status = 201, body = PartAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn add_part(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    key: Option<IdempotencyKey>,
    body: Json<NewPartRequest>,
) -> Result<Answer, Problem> {
    let request = body.value;
    let new = NewPart {
        number: person("number", &request.number)?,
        name: person("name", &request.name)?,
        job: request.job.as_deref().map(job).transpose()?,
        per_job: whole("per_job", request.per_job.unwrap_or(1), 1..=MOST)?,
        pack_type: request.pack_type.as_deref().map(|text| person("pack_type", text)).transpose()?,
        lead_days: whole("lead_days", request.lead_days, 0..=LONGEST_LEAD)?,
        stock: whole("stock", request.stock.unwrap_or(0), 0..=MOST)?,
        core_days: whole("core_days", request.core_days.unwrap_or(CORE_DAYS), 0..=LONGEST_LEAD)?,
        core_credit: request.core_credit_cents.map(credit).transpose()?,
        warranty: request.warranty.as_ref().map(warranty).transpose()?,
        retired: None,
        depot: request.depot,
    };
    let writing = writing(&app, &caller, key, "parts", &body.bytes);
    let added = |record: &PartRecord| answer(StatusCode::CREATED, Some(record.version), &part_view(record, None));
    Ok(app.store.add_part(new, &writing, added).await?)
}

/// What is changed about a part; what is left out stays.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"depot": "NORTH", "lead_days": 21, "stock": 3}))]
pub struct PartPatch {
    /// Code of the depot that keeps it.
    depot: String,
    /// What it is.
    name: Option<String>,
    /// The job that takes it; null when none does.
    #[serde(default, deserialize_with = "super::body::given")]
    #[schema(value_type = Option<String>)]
    job: Option<Option<String>>,
    /// How many one such job takes.
    per_job: Option<i64>,
    /// Type of the pack; null when it is none.
    #[serde(default, deserialize_with = "super::body::given")]
    #[schema(value_type = Option<String>)]
    pack_type: Option<Option<String>>,
    /// Days from order to arrival.
    lead_days: Option<i64>,
    /// How many are there, by count.
    stock: Option<i64>,
    /// A pack: days in which its core comes back.
    core_days: Option<i64>,
    /// A pack: credit for its core, in cents; null when there is none.
    #[serde(default, deserialize_with = "super::body::given")]
    #[schema(value_type = Option<i64>)]
    core_credit_cents: Option<Option<i64>>,
    /// A pack: the warranty it is sold with; null when there is none.
    #[serde(default, deserialize_with = "super::body::given")]
    #[schema(value_type = Option<WarrantyTerms>)]
    warranty: Option<Option<WarrantyTerms>>,
    /// Local day since which it is kept no more: no order waits for it or takes of it; null brings it back.
    #[serde(default, deserialize_with = "super::body::given")]
    #[schema(value_type = Option<String>, format = Date)]
    retired_on: Option<Option<String>>,
    /// Why; with `retired_on`.
    retired_reason: Option<String>,
}

fn job(text: &str) -> Result<Kind, Problem> {
    checked("job", text, values::kind(text))
}

fn credit(cents: i64) -> Result<i64, Problem> {
    whole("core_credit_cents", cents, 0..=DEAREST)
}

impl PartPatch {
    /// The part with what the patch gives; every value of it is checked first.
    fn change(self) -> Result<impl FnOnce(&PartRecord) -> NewPart, Problem> {
        let count = |name: &str, value: Option<i64>, range: std::ops::RangeInclusive<i64>| {
            value.map(|value| whole(name, value, range)).transpose()
        };
        let name = self.name.as_deref().map(|text| person("name", text)).transpose()?;
        let job = self.job.map(|given| given.as_deref().map(job).transpose()).transpose()?;
        let pack = |text: &str| person("pack_type", text);
        let pack_type = self.pack_type.map(|given| given.as_deref().map(pack).transpose()).transpose()?;
        let core_credit = self.core_credit_cents.map(|given| given.map(credit).transpose()).transpose()?;
        let terms = self.warranty.map(|given| given.as_ref().map(warranty).transpose()).transpose()?;
        let per_job = count("per_job", self.per_job, 1..=MOST)?;
        let lead_days = count("lead_days", self.lead_days, 0..=LONGEST_LEAD)?;
        let stock = count("stock", self.stock, 0..=MOST)?;
        let core_days = count("core_days", self.core_days, 0..=LONGEST_LEAD)?;
        let retired = retirement(self.retired_on, self.retired_reason)?;
        Ok(move |record: &PartRecord| {
            let old = record.part.clone();
            NewPart {
                name: name.unwrap_or(old.name),
                job: job.unwrap_or(old.job),
                per_job: per_job.unwrap_or(old.per_job),
                pack_type: pack_type.unwrap_or(old.pack_type),
                lead_days: lead_days.unwrap_or(old.lead_days),
                stock: stock.unwrap_or(old.stock),
                core_days: core_days.unwrap_or(old.core_days),
                core_credit: core_credit.unwrap_or(old.core_credit),
                warranty: terms.unwrap_or(old.warranty),
                retired: retired.unwrap_or(old.retired),
                depot: old.depot,
                number: old.number,
            }
        })
    }
}

/// Change a part
///
/// Also its stock after a count, and to retire it or bring it back.
#[utoipa::path(
    patch, path = "/v1/parts/{number}", operation_id = "change_part", tag = "Parts",
    params(("number" = String, Path, description = "its number"), AsSeen),
    request_body = PartPatch,
    responses((status = 200, body = PartAnswer), Problem),
    security(("key" = ["admin"]))
)]
pub(super) async fn change_part(
    State(app): State<App>,
    Key(caller, _): Key<Admin>,
    Segment(number): Segment,
    IfMatch(if_match): IfMatch,
    body: Json<PartPatch>,
) -> Result<Answer, Problem> {
    let depot = body.value.depot.clone();
    let change = body.value.change()?;
    let writing = writing(&app, &caller, None, "", &[]);
    let changed = |record: &PartRecord| answer(StatusCode::OK, Some(record.version), &part_view(record, None));
    Ok(app.store.change_part((&depot, &number), if_match, &writing, change, changed).await?)
}

/// Which parts or cores are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct PartQuery {
    /// Only of this depot.
    depot: Option<String>,
    /// `true`: parts that are kept no more too.
    with_retired: Option<bool>,
    /// `json` or `csv`; by the Accept header when left out.
    format: Option<String>,
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

const PART_HEAD: [&str; 10] =
    ["depot", "number", "name", "stock", "reserved", "free", "lead_days", "needed", "order_quantity", "order_by"];

impl PartAnswer {
    fn cells(self) -> [String; 10] {
        [
            csv::text(&self.depot),
            csv::text(&self.number),
            csv::text(&self.name),
            self.stock.to_string(),
            self.reserved.to_string(),
            self.free.to_string(),
            self.lead_days.to_string(),
            self.needed.to_string(),
            self.order_quantity.to_string(),
            csv::maybe(self.order_by),
        ]
    }
}

/// List parts and what to order when
///
/// Open orders reserve parts. What the forecasts call for beyond them (a car's late edge at 50 %; of packs their chances of
/// degradation) is held against stock and arrivals: a part is to be ordered its lead time before it runs out.
#[utoipa::path(
    get, path = "/v1/parts", operation_id = "list_parts", tag = "Parts", params(PartQuery),
    responses(
        (status = 200, content((Page<PartAnswer> = "application/json"), (String = "text/csv"))),
        Problem
    ),
    security(("key" = ["read"]))
)]
pub(super) async fn list_parts(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    headers: HeaderMap,
    Params(query): Params<PartQuery>,
) -> Result<Response, Problem> {
    let as_csv = csv::wanted(query.format.as_deref(), &headers)?;
    let limit = page::limit(&app, query.limit)?;
    let filter = PartFilter {
        depot: query.depot,
        number: None,
        after: page::place(query.cursor.as_deref())?.unwrap_or(0),
        with_retired: query.with_retired.unwrap_or(false),
        needs_from: Some(app.latest_today()),
        key_depots_of: caller.actor.key_depots_of(),
        limit: limit + 1,
    };
    let mut rows = app.store.parts(&filter).await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |row| row.id);
    let items: Vec<PartAnswer> = rows.iter().map(|row| part_view(row, Some(&app.reorder(row)))).collect();
    if as_csv {
        let response = csv::table(PART_HEAD, items.into_iter().map(PartAnswer::cells));
        return Ok(page::with_link(response, next.as_deref()));
    }
    Ok(Page { items, next }.into_response())
}

/// Parts that came, or that will.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"depot": "NORTH", "quantity": 4, "expected_on": "2026-04-02"}))]
pub struct ReceiptRequest {
    /// Code of the depot.
    depot: String,
    /// How many.
    quantity: i64,
    /// The day on which they are expected; left out when they are here.
    #[schema(format = Date)]
    expected_on: Option<String>,
    /// The expected arrival that this is; it is then expected no more.
    arrival: Option<i64>,
}

/// Receive parts
///
/// Or note that they are on their way.
#[utoipa::path(
    post, path = "/v1/parts/{number}/receipts", operation_id = "receive_part", tag = "Parts",
    params(("number" = String, Path, description = "its number"), DoneOnce),
    request_body = ReceiptRequest,
    responses((status = 201, body = PartAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn receive_part(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(number): Segment,
    key: IdempotencyKey,
    body: Json<ReceiptRequest>,
) -> Result<Answer, Problem> {
    let request = body.value;
    let day = |text: &str| checked("expected_on", text, values::date(text));
    let receipt = Receipt {
        depot: request.depot,
        quantity: whole("quantity", request.quantity, 1..=MOST)?,
        expected_on: request.expected_on.as_deref().map(day).transpose()?,
        arrival: request.arrival,
    };
    if receipt.expected_on.is_some() && receipt.arrival.is_some() {
        let detail = "parts are expected, or they are the arrival that was: give one of the two";
        return Err(Problem::body(Fault::field("/arrival", receipt.arrival.map(Into::into), detail)));
    }
    let writing = writing(&app, &caller, Some(key), &format!("parts/{number}/receipts"), &body.bytes);
    let received = |record: &PartRecord| answer(StatusCode::CREATED, Some(record.version), &part_view(record, None));
    Ok(app.store.receive_part(&number, &receipt, &writing, received).await?)
}

/// An old pack and where it goes.
#[derive(Debug, Serialize, ToSchema)]
pub struct CoreAnswer {
    /// Its number.
    id: i64,
    /// The order at which it came out.
    work_order: String,
    /// Unit number of the car.
    unit: String,
    /// Depot.
    depot: String,
    /// Its serial.
    serial: String,
    /// Its part type.
    core_type: String,
    /// Type of the pack bought.
    bought_type: String,
    /// Whether it is whole.
    intact: bool,
    /// Whether it is packed.
    packed: bool,
    /// When it came out.
    removed_on: NaiveDate,
    /// The car's odometer then.
    removed_odometer: Option<f64>,
    /// Unit of the odometer.
    distance_unit: &'static str,
    /// Last day of its return.
    return_by: NaiveDate,
    /// When it was sent.
    shipped_on: Option<NaiveDate>,
    /// When the supplier took it.
    returned_on: Option<NaiveDate>,
    /// `claim` (its warranty runs: claim it in place of credit), `credit`, `pending` or `no-credit`.
    path: &'static str,
    /// What stands in the way of credit.
    because: Vec<String>,
    /// Whether it should have gone back by now, and credit was still to be had for it.
    pub(super) overdue: bool,
    /// Credit expected, in cents.
    credit_expected_cents: Option<i64>,
    /// Credit received, in cents.
    credit_received_cents: Option<i64>,
    /// Where a claim under its warranty stands: `claimed`, `accepted`, `refused` or `paid`; null without one.
    claim: Option<&'static str>,
    /// When it was claimed.
    claimed_on: Option<NaiveDate>,
    /// What was claimed, in cents.
    claim_cents: Option<i64>,
    /// What was paid for it, in cents.
    claim_paid_cents: Option<i64>,
    /// What is still to come, in cents.
    pub(super) outstanding_cents: i64,
    /// What else was noted.
    note: Option<String>,
    /// Counts its changes; its entity tag.
    version: i64,
}

pub(super) fn core_view(record: &CoreRecord, now: DateTime<Utc>) -> CoreAnswer {
    let core = &record.core;
    let (path, faults) = match core_path(core, &record.terms, local_day(now, record.zone)) {
        CorePath::Claim => ("claim", Vec::new()),
        CorePath::Credit => ("credit", Vec::new()),
        CorePath::Pending(faults) => ("pending", faults),
        CorePath::NoCredit(faults) => ("no-credit", faults),
    };
    let late = matches!(faults.as_slice(), [.., CoreFault::Late { .. }]);
    let only_late = faults.iter().all(|fault| fault.mends() || matches!(fault, CoreFault::Late { .. }));
    CoreAnswer {
        id: record.id,
        work_order: record.work_order.clone(),
        unit: record.unit.clone(),
        depot: record.depot.clone(),
        serial: record.serial.clone(),
        core_type: core.part_type.clone(),
        bought_type: record.terms.part_type.clone(),
        intact: core.intact,
        packed: core.packed,
        removed_on: core.removed.on,
        removed_odometer: core.removed.odometer.map(|metres| shown(metres, record.distance_unit)),
        distance_unit: record.distance_unit.as_str(),
        return_by: record.terms.return_by,
        shipped_on: record.shipped_on,
        returned_on: core.returned_on,
        path,
        because: faults.iter().map(ToString::to_string).collect(),
        overdue: late && only_late && core.returned_on.is_none(),
        credit_expected_cents: record.credit_expected,
        credit_received_cents: record.credit_received,
        claim: core.claim.map(ClaimState::as_str),
        claimed_on: record.claimed_on,
        claim_cents: record.claim_cents,
        claim_paid_cents: record.claim_paid_cents,
        outstanding_cents: if path == "no-credit" { 0 } else { outstanding(record) },
        note: record.note.clone(),
        version: record.version,
    }
}

/// What is still to come for a core: of its claim while one runs, else of its credit.
fn outstanding(record: &CoreRecord) -> i64 {
    let (expected, received) = match record.core.claim {
        Some(ClaimState::Paid) => return 0,
        Some(ClaimState::Claimed | ClaimState::Accepted) => (record.claim_cents, record.claim_paid_cents),
        Some(ClaimState::Refused) | None => (record.credit_expected, record.credit_received),
    };
    (expected.unwrap_or(0) - received.unwrap_or(0)).max(0)
}

impl CoreAnswer {
    /// Whether a claim for it runs.
    pub(super) fn runs(&self) -> bool {
        self.claim.is_some_and(|state| state != ClaimState::Refused.as_str())
    }

    pub(super) fn cells(&self) -> [String; 10] {
        [
            self.id.to_string(),
            csv::text(&self.unit),
            csv::text(&self.depot),
            csv::text(&self.serial),
            csv::text(&self.core_type),
            self.path.to_owned(),
            self.return_by.to_string(),
            self.overdue.to_string(),
            self.outstanding_cents.to_string(),
            self.claim.unwrap_or_default().to_owned(),
        ]
    }
}

/// Which cores are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct CoreQuery {
    /// Only of this depot.
    depot: Option<String>,
    /// Items on a page.
    limit: Option<i64>,
    /// From `next`.
    cursor: Option<String>,
}

/// List cores
///
/// Old packs that came out at pack replacements: whether credit or a claim is to be had for them, and why not.
#[utoipa::path(
    get, path = "/v1/cores", operation_id = "list_cores", tag = "Parts", params(CoreQuery),
    responses((status = 200, body = Page<CoreAnswer>), Problem),
    security(("key" = ["read"]))
)]
pub(super) async fn list_cores(
    State(app): State<App>,
    Key(caller, _): Key<Read>,
    uri: Uri,
    Params(query): Params<CoreQuery>,
) -> Result<Page<CoreAnswer>, Problem> {
    let limit = page::limit(&app, query.limit)?;
    let filter = CoreFilter {
        depot: query.depot,
        id: None,
        after: page::place(query.cursor.as_deref())?.unwrap_or(0),
        key_depots_of: caller.actor.key_depots_of(),
        limit: limit + 1,
    };
    let mut rows = app.store.cores(&filter).await?;
    let next = page::cut(&mut rows, limit, uri.path(), uri.query(), |row| row.id);
    Ok(Page { items: rows.iter().map(|row| core_view(row, app.now())).collect(), next })
}

/// What became of a core; what is left out stays.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"packed": true, "shipped_on": "2026-04-02"}))]
pub struct CorePatch {
    /// Whether it is whole.
    intact: Option<bool>,
    /// Whether it is packed.
    packed: Option<bool>,
    /// When it was sent.
    #[schema(format = Date)]
    shipped_on: Option<String>,
    /// When the supplier took it.
    #[schema(format = Date)]
    returned_on: Option<String>,
    /// Credit expected, in cents.
    credit_expected_cents: Option<i64>,
    /// Credit received, in cents.
    credit_received_cents: Option<i64>,
    /// Where a claim under its warranty stands: `claimed`, then `accepted` or `refused`, then `paid`. While one runs it takes the
    /// place of the credit.
    claim: Option<String>,
    /// When it was claimed; today with `claimed` when left out.
    #[schema(format = Date)]
    claimed_on: Option<String>,
    /// What is claimed, in cents.
    claim_cents: Option<i64>,
    /// What was paid for it, in cents.
    claim_paid_cents: Option<i64>,
    /// What else is to be noted.
    note: Option<String>,
}

fn claim(text: &str) -> Result<ClaimState, Problem> {
    let known = ClaimState::ALL.map(ClaimState::as_str).join(", ");
    checked("claim", text, ClaimState::parse(text).ok_or_else(|| format!("give one of {known}")))
}

/// Change a core
#[utoipa::path(
    patch, path = "/v1/cores/{id}", operation_id = "change_core", tag = "Parts",
    params(("id" = String, Path, description = "its number"), AsSeen),
    request_body = CorePatch,
    responses((status = 200, body = CoreAnswer), Problem),
    security(("key" = ["work"]))
)]
pub(super) async fn change_core(
    State(app): State<App>,
    Key(caller, _): Key<Work>,
    Segment(id): Segment,
    IfMatch(if_match): IfMatch,
    body: Json<CorePatch>,
) -> Result<Answer, Problem> {
    let number: i64 = id.parse().map_err(|_| Problem::not_found("core", &id))?;
    let patch = body.value;
    let day = |name: &str, text: &Option<String>| {
        text.as_deref().map(|text| checked(name, text, values::date(text))).transpose()
    };
    let cents = |name: &str, cents: Option<i64>| cents.map(|cents| whole(name, cents, 0..=DEAREST)).transpose();
    let change = CoreChange {
        intact: patch.intact,
        packed: patch.packed,
        shipped_on: day("shipped_on", &patch.shipped_on)?,
        returned_on: day("returned_on", &patch.returned_on)?,
        credit_expected: cents("credit_expected_cents", patch.credit_expected_cents)?,
        credit_received: cents("credit_received_cents", patch.credit_received_cents)?,
        claim: patch.claim.as_deref().map(claim).transpose()?,
        claimed_on: day("claimed_on", &patch.claimed_on)?,
        claim_cents: cents("claim_cents", patch.claim_cents)?,
        claim_paid_cents: cents("claim_paid_cents", patch.claim_paid_cents)?,
        note: patch.note.map(|text| checked("note", &text, values::free_text(&text, LONGEST_TEXT))).transpose()?,
    };
    let writing = writing(&app, &caller, None, "", &[]);
    let changed = |record: &CoreRecord| answer(StatusCode::OK, Some(record.version), &core_view(record, writing.now));
    let fits = |old: &CoreRecord| may_claim(old, &change, local_day(writing.now, old.zone));
    Ok(app.store.change_core(number, if_match, &change, &writing, fits, changed).await?)
}
