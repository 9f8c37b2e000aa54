//! Procedures: every version that orders were raised with.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use ventmile_model::fleet::Kind;
use ventmile_model::work::{Ask, GearKind, Needs, Procedure, ProcedureFault, Record, Role, Step};

use super::journal::Entry;
use super::values::{instant, micros, of_json};
use super::{Answer, Conflict, Fault, Result, Store, StoreError, Tx, Writing, opened, read, within};

/// A procedure as it stands in a file, in a request and in its column.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "as in the model's Procedure")]
pub struct ProcedureText {
    pub code: String,
    pub kind: String,
    pub version: u32,
    pub title: String,
    pub cautions: Vec<String>,
    pub steps: Vec<StepText>,
}

/// A step; its number may be left out, its place says it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "as in the model's Step")]
pub struct StepText {
    pub number: Option<u32>,
    pub title: String,
    pub text: String,
    pub role: String,
    #[serde(default)]
    pub opens_high_voltage: bool,
    #[serde(default)]
    pub needs: NeedsText,
    #[serde(default)]
    pub records: Vec<RecordText>,
}

/// What a step needs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
#[allow(missing_docs, reason = "as in the model's Needs")]
pub struct NeedsText {
    pub people: usize,
    pub certificate: Option<String>,
    pub gear: Vec<String>,
    pub tools: Vec<String>,
}

impl Default for NeedsText {
    fn default() -> Self {
        Needs::default().into()
    }
}

/// What a step records.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "as in the model's Record and Ask")]
pub struct RecordText {
    pub name: String,
    pub ask: String,
    pub options: Option<Vec<String>>,
    #[serde(default)]
    pub pass: Vec<String>,
    pub unit: Option<String>,
    pub low: Option<f64>,
    pub high: Option<f64>,
    #[serde(default = "yes")]
    pub required: bool,
}

const fn yes() -> bool {
    true
}

const ASKS: &str = "choice, number, residual, name, photo, text";

impl RecordText {
    /// What is asked; `Err` says what is wrong.
    fn ask(&self) -> Result<Ask, String> {
        let given = |value: Option<f64>| value.ok_or_else(|| "a number has `unit`, `low` and `high`".to_owned());
        Ok(match self.ask.as_str() {
            "choice" => {
                Ask::Choice { options: self.options.clone().ok_or("a choice has `options`")?, pass: self.pass.clone() }
            }
            "number" => Ask::Number {
                unit: self.unit.clone().ok_or("a number has `unit`, `low` and `high`")?,
                low: given(self.low)?,
                high: given(self.high)?,
            },
            "residual" => Ask::Residual,
            "name" => Ask::Name,
            "photo" => Ask::Photo,
            "text" => Ask::Text,
            other => return Err(format!("`ask` is one of {ASKS}, not {other:?}")),
        })
    }
}

impl From<&Record> for RecordText {
    fn from(record: &Record) -> Self {
        let bare = |ask: &str| Self {
            name: record.name.clone(),
            ask: ask.to_owned(),
            options: None,
            pass: Vec::new(),
            unit: None,
            low: None,
            high: None,
            required: record.required,
        };
        match &record.ask {
            Ask::Choice { options, pass } => {
                Self { options: Some(options.clone()), pass: pass.clone(), ..bare("choice") }
            }
            Ask::Number { unit, low, high } => {
                Self { unit: Some(unit.clone()), low: Some(*low), high: Some(*high), ..bare("number") }
            }
            Ask::Residual => bare("residual"),
            Ask::Name => bare("name"),
            Ask::Photo => bare("photo"),
            Ask::Text => bare("text"),
        }
    }
}

impl From<Needs> for NeedsText {
    fn from(needs: Needs) -> Self {
        let gear = needs.gear.iter().map(|kind| kind.as_str().to_owned()).collect();
        Self { people: needs.people, certificate: needs.certificate, gear, tools: needs.tools }
    }
}

impl From<&Step> for StepText {
    fn from(step: &Step) -> Self {
        Self {
            number: Some(step.number),
            title: step.title.clone(),
            text: step.text.clone(),
            role: step.role.as_str().to_owned(),
            opens_high_voltage: step.opens_high_voltage,
            needs: step.needs.clone().into(),
            records: step.records.iter().map(RecordText::from).collect(),
        }
    }
}

impl From<&Procedure> for ProcedureText {
    fn from(procedure: &Procedure) -> Self {
        Self {
            code: procedure.code.clone(),
            kind: procedure.kind.as_str().to_owned(),
            version: procedure.version,
            title: procedure.title.clone(),
            cautions: procedure.cautions.clone(),
            steps: procedure.steps.iter().map(StepText::from).collect(),
        }
    }
}

impl StepText {
    fn step(&self, number: u32, faults: &mut Vec<ProcedureFault>) -> Step {
        let mut fault = |field: String, says: String| faults.push(ProcedureFault { step: Some(number), field, says });
        let role = Role::parse(&self.role).unwrap_or_else(|| {
            fault("role".into(), format!("give one of {}", Role::ALL.map(Role::as_str).join(", ")));
            Role::Plain
        });
        let mut gear = Vec::new();
        for name in &self.needs.gear {
            match GearKind::parse(name) {
                Some(kind) => gear.push(kind),
                None => {
                    fault("needs.gear".into(), format!("give {}", GearKind::ALL.map(GearKind::as_str).join(" or ")))
                }
            }
        }
        let mut records = Vec::new();
        for record in &self.records {
            match record.ask() {
                Ok(ask) => records.push(Record { name: record.name.clone(), ask, required: record.required }),
                Err(says) => fault(format!("records.{}", record.name), says),
            }
        }
        Step {
            number: self.number.unwrap_or(number),
            title: self.title.clone(),
            text: self.text.clone(),
            role,
            opens_high_voltage: self.opens_high_voltage,
            needs: Needs {
                people: self.needs.people,
                certificate: self.needs.certificate.clone(),
                gear,
                tools: self.needs.tools.clone(),
            },
            records,
        }
    }
}

impl ProcedureText {
    /// The procedure it is, once it may be used.
    ///
    /// # Errors
    /// Every fault, with its step and field.
    pub fn procedure(&self) -> Result<Procedure, Vec<ProcedureFault>> {
        let procedure = self.parsed()?;
        procedure.check().map(|()| procedure)
    }

    /// The procedure it says, checked or not.
    fn parsed(&self) -> Result<Procedure, Vec<ProcedureFault>> {
        let mut faults = Vec::new();
        let kind = Kind::parse(&self.kind);
        if kind.is_none() {
            let says = format!("give one of {}", Kind::ALL.map(Kind::as_str).join(", "));
            faults.push(ProcedureFault { step: None, field: "kind".into(), says });
        }
        let procedure = Procedure {
            code: self.code.clone(),
            kind: kind.unwrap_or(Kind::FanService),
            version: self.version,
            title: self.title.clone(),
            cautions: self.cautions.clone(),
            steps: self.steps.iter().zip(1..).map(|(step, number)| step.step(number, &mut faults)).collect(),
        };
        if faults.is_empty() { Ok(procedure) } else { Err(faults) }
    }

    /// JSON pointer to a fault's field.
    fn pointer(&self, fault: &ProcedureFault) -> String {
        let Some(number) = fault.step else { return format!("/{}", fault.field) };
        let place = (number as usize).saturating_sub(1);
        let records = || self.steps.get(place).map(|step| &step.records);
        let field = match fault.field.strip_prefix("records.") {
            Some(name) => {
                let found = records().and_then(|records| records.iter().position(|record| record.name == name));
                found.map_or_else(|| "records".to_owned(), |index| format!("records/{index}"))
            }
            None => fault.field.replace('.', "/"),
        };
        format!("/steps/{place}/{field}")
    }

    fn checked(&self) -> Result<Procedure> {
        self.procedure().map_err(|faults| {
            let fault = |fault: ProcedureFault| Fault::new(self.pointer(&fault), fault.says);
            Conflict::Body(faults.into_iter().map(fault).collect()).into()
        })
    }
}

/// A stored version of a procedure.
#[derive(Clone, Debug)]
pub struct ProcedureRecord {
    /// The procedure.
    pub text: ProcedureText,
    /// Who added this version.
    pub added_by: String,
    /// When.
    pub added_at: DateTime<Utc>,
}

type Row = (String, String, i64);

const LATEST: &str = "SELECT body, added_by, created_us FROM procedures p WHERE code = $1
        AND (CAST($2 AS BIGINT) IS NULL OR version = $2)
    ORDER BY version DESC LIMIT 1";
const LIST: &str = "SELECT body, added_by, created_us FROM procedures p WHERE code > $1
        AND version = (SELECT max(version) FROM procedures o WHERE o.code = p.code)
    ORDER BY code LIMIT $2";
const BY_ID: &str = "SELECT body FROM procedures WHERE id = $1";
const ADD: &str = "INSERT INTO procedures (code, version, kind, body, added_by, created_us)
    VALUES ($1, $2, $3, $4, $5, $6)";
/// New orders of a kind get what was added last for it.
pub(super) const FOR_KIND: &str = "SELECT max(id) FROM procedures WHERE kind = $1";

impl TryFrom<Row> for ProcedureRecord {
    type Error = StoreError;

    fn try_from((body, added_by, created_us): Row) -> Result<Self> {
        let added_at = instant("procedures.created_us", created_us)?;
        Ok(Self { text: of_json("procedures.body", &body)?, added_by, added_at })
    }
}

impl Tx {
    /// The procedure of this number in the database. It was checked when it was added: a check that has become stricter
    /// since takes no order's procedure away.
    pub(super) async fn procedure(&mut self, id: i64) -> Result<Procedure> {
        let body: String = within!(self, c => sqlx::query_scalar(BY_ID).bind(id).fetch_one(c).await)?;
        let text: ProcedureText = of_json("procedures.body", &body)?;
        text.parsed().map_err(|_| StoreError::bad_row("procedures.body", body))
    }

    async fn insert_procedure(&mut self, procedure: &Procedure, by: &str, now: DateTime<Utc>) -> Result<()> {
        let body = json!(ProcedureText::from(procedure)).to_string();
        let added: Result<(), sqlx::Error> = within!(self, c => sqlx::query(ADD)
            .bind(&procedure.code).bind(i64::from(procedure.version)).bind(procedure.kind.as_str()).bind(body)
            .bind(by).bind(micros(now)).execute(c).await.map(drop));
        added.map_err(|error| {
            let name = format!("{} version {}", procedure.code, procedure.version);
            StoreError::or_exists(error, || Conflict::Exists { what: "procedure", name })
        })
    }
}

impl Store {
    /// The version of a procedure, or its latest.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or the row cannot be read.
    pub async fn find_procedure(&self, code: &str, version: Option<i64>) -> Result<Option<ProcedureRecord>> {
        let row: Option<Row> = read!(self, pool => sqlx::query_as(LATEST)
            .bind(code).bind(version).fetch_optional(pool).await)?;
        row.map(ProcedureRecord::try_from).transpose()
    }

    /// The latest version of each procedure by code, after `after`.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn procedures(&self, after: &str, limit: i64) -> Result<Vec<ProcedureRecord>> {
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(LIST).bind(after).bind(limit).fetch_all(pool).await)?;
        rows.into_iter().map(ProcedureRecord::try_from).collect()
    }

    /// Puts the procedures that come with the program into a database that has none.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or one of them may not be used.
    pub async fn ship_procedures(&self, shipped: &[ProcedureText], now: DateTime<Utc>) -> Result<()> {
        if !self.procedures("", 1).await?.is_empty() {
            return Ok(());
        }
        let mut tx = self.begin().await?;
        for text in shipped {
            match tx.insert_procedure(&text.checked()?, "ventmile", now).await {
                // Another process was first, and put them all in.
                Err(StoreError::Conflict(Conflict::Exists { .. })) => return Ok(()),
                added => added?,
            }
        }
        tx.commit().await
    }

    /// Adds a procedure, or the next version of one.
    ///
    /// # Errors
    /// [`Conflict::Body`] with every fault, [`Conflict::Field`] when `version` is not the next or `kind` another.
    pub async fn add_procedure(
        &self,
        text: &ProcedureText,
        writing: &Writing,
        answer: impl FnOnce(&ProcedureRecord) -> Answer,
    ) -> Result<Answer> {
        let procedure = text.checked()?;
        let mut tx = opened!(self, writing);
        let latest: Option<Row> = within!(&mut tx, c => sqlx::query_as(LATEST)
            .bind(&procedure.code).bind(None::<i64>).fetch_optional(c).await)?;
        let latest = latest.map(ProcedureRecord::try_from).transpose()?.map(|record| record.text);
        let next = latest.as_ref().map_or(1, |latest| latest.version.saturating_add(1));
        if procedure.version != next {
            let reason = format!("the next version of {:?} is {next}", procedure.code);
            return Err(Conflict::Field { field: "version", reason }.into());
        }
        if let Some(latest) = latest.filter(|latest| latest.kind != text.kind) {
            let reason =
                format!("{:?} is a procedure for {}: give another a code of its own", latest.code, latest.kind);
            return Err(Conflict::Field { field: "kind", reason }.into());
        }
        tx.insert_procedure(&procedure, &writing.actor.name, writing.now).await?;
        let text = ProcedureText::from(&procedure);
        tx.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action: "procedure add",
            subject: format!("procedure {} version {}", text.code, text.version),
            depot_id: None,
            before: None,
            after: Some(json!(text)),
        })
        .await?;
        let record = ProcedureRecord { text, added_by: writing.actor.name.clone(), added_at: writing.now };
        tx.finish(writing, answer(&record)).await
    }
}
