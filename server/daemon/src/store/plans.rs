//! What a car is told for days to come: other shifts, a move to another depot.

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use serde_json::{Value, json};
use ventmile_model::duty::Pattern;
use ventmile_model::fleet::{local_day, parse_zone};
use ventmile_model::usage::Shifts;

use super::journal::Entry;
use super::values::{date, day_number, instant, known, micros};
use super::{
    Actor, Answer, Conflict, IfMatch, Result, Store, StoreError, Tx, VehicleRecord, Writing, opened, read, within,
};

/// What a car is told.
#[derive(Clone, Debug, PartialEq)]
pub enum Planned {
    /// It is driven in these shifts.
    Shifts(Shifts),
    /// It moves to a depot.
    Move {
        /// Number of the depot.
        depot_id: i64,
        /// Its code.
        depot: String,
        /// Its zone.
        zone: Tz,
    },
}

/// A plan as a forecast needs it.
#[derive(Clone, Debug, PartialEq)]
pub struct CarPlan {
    /// First day.
    pub from: NaiveDate,
    /// Last day; `None` until further notice.
    pub to: Option<NaiveDate>,
    /// What is told.
    pub told: Planned,
}

/// A plan to be stored.
#[derive(Clone, Debug)]
pub struct NewPlan {
    /// First day, local to its depot: that it moves to, where it moves.
    pub from: NaiveDate,
    /// Last day.
    pub to: Option<NaiveDate>,
    /// Other shifts; else a move to `depot`.
    pub shifts: Option<Shifts>,
    /// Code of the depot.
    pub depot: String,
    /// What else is noted.
    pub note: Option<String>,
}

/// A stored plan.
#[derive(Clone, Debug)]
pub struct PlanRecord {
    /// Its number.
    pub id: i64,
    /// Counts its changes.
    pub version: i64,
    /// What is told.
    pub plan: CarPlan,
    /// What else was noted.
    pub note: Option<String>,
    /// Which key told it.
    pub told_by: String,
    /// When it was told.
    pub told_at: DateTime<Utc>,
    /// When it was taken back.
    pub withdrawn_at: Option<DateTime<Utc>>,
    /// When the move took effect.
    pub done_at: Option<DateTime<Utc>>,
}

impl PlanRecord {
    fn stands(&self) -> bool {
        self.withdrawn_at.is_none() && self.done_at.is_none()
    }

    fn journal_view(&self) -> Value {
        let (depot, shifts) = match &self.plan.told {
            Planned::Move { depot, .. } => (Some(depot), None),
            Planned::Shifts(shifts) => {
                let Pattern { days_per_week, hours_per_day, rear_share } = shifts.pattern;
                let far = shifts.metres_per_driven_day;
                let shifts = json!({"days_per_week": days_per_week, "hours_per_day": hours_per_day,
                    "rear_share": rear_share, "metres_per_driven_day": far});
                (None, Some(shifts))
            }
        };
        json!({"plan": self.id, "from": self.plan.from, "to": self.plan.to, "depot": depot, "shifts": shifts,
            "note": self.note})
    }
}

/// The columns that say what is told.
#[derive(sqlx::FromRow)]
pub(super) struct PlanColumns {
    pub(super) vehicle_id: i64,
    from_day: i64,
    to_day: Option<i64>,
    depot_id: Option<i64>,
    depot: Option<String>,
    zone: Option<String>,
    days_per_week: Option<f64>,
    hours_per_day: Option<f64>,
    rear_share: Option<f64>,
    metres_per_driven_day: Option<f64>,
}

impl TryFrom<PlanColumns> for CarPlan {
    type Error = StoreError;

    fn try_from(row: PlanColumns) -> Result<Self> {
        let told = match (row.depot_id, row.depot, row.zone) {
            (Some(depot_id), Some(depot), Some(zone)) => {
                let zone = known("depots.zone", &zone, parse_zone(&zone))?;
                Planned::Move { depot_id, depot, zone }
            }
            _ => Planned::Shifts(Shifts {
                pattern: Pattern {
                    days_per_week: row.days_per_week,
                    hours_per_day: row.hours_per_day,
                    rear_share: row.rear_share,
                },
                metres_per_driven_day: row.metres_per_driven_day,
            }),
        };
        let to = row.to_day.map(|day| date("plans.to_day", day)).transpose()?;
        Ok(Self { from: date("plans.from_day", row.from_day)?, to, told })
    }
}

#[derive(sqlx::FromRow)]
struct Row {
    id: i64,
    version: i64,
    #[sqlx(flatten)]
    columns: PlanColumns,
    note: Option<String>,
    told_by: String,
    created_us: i64,
    withdrawn_us: Option<i64>,
    done_us: Option<i64>,
}

impl TryFrom<Row> for PlanRecord {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let at = |micros: Option<i64>| micros.map(|micros| instant("plans.done_us", micros)).transpose();
        Ok(Self {
            id: row.id,
            version: row.version,
            plan: row.columns.try_into()?,
            note: row.note,
            told_by: row.told_by,
            told_at: instant("plans.created_us", row.created_us)?,
            withdrawn_at: at(row.withdrawn_us)?,
            done_at: at(row.done_us)?,
        })
    }
}

macro_rules! plans {
    ($rest:literal) => {
        concat!(
            "SELECT p.id, p.version, p.vehicle_id, p.from_day, p.to_day, p.depot_id, d.code AS depot, d.zone,
                p.days_per_week, p.hours_per_day, p.rear_share, p.metres_per_driven_day, p.note, p.told_by, p.created_us,
                p.withdrawn_us, p.done_us
            FROM plans p LEFT JOIN depots d ON d.id = p.depot_id ",
            $rest
        )
    };
}

const OF_CAR: &str = plans!("WHERE p.vehicle_id = $1 ORDER BY p.from_day, p.id");
const MOVES: &str = plans!(
    "WHERE p.depot_id IS NOT NULL AND p.withdrawn_us IS NULL AND p.done_us IS NULL AND p.from_day <= $1
    ORDER BY p.from_day, p.id"
);
const ADD: &str = "INSERT INTO plans (vehicle_id, from_day, to_day, depot_id, days_per_week, hours_per_day, rear_share,
        metres_per_driven_day, note, told_by, version, created_us)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, 1, $11) RETURNING id";
const WITHDRAW: &str = "UPDATE plans SET withdrawn_us = $2, version = version + 1
    WHERE id = $1 AND withdrawn_us IS NULL AND done_us IS NULL";
const WITHDRAW_ALL: &str = "UPDATE plans SET withdrawn_us = $2, version = version + 1
    WHERE vehicle_id = $1 AND withdrawn_us IS NULL AND done_us IS NULL AND (to_day IS NULL OR to_day >= $3)";
const DONE: &str = "UPDATE plans SET done_us = $2, version = version + 1
    WHERE id = $1 AND withdrawn_us IS NULL AND done_us IS NULL";

fn field<T>(field: &'static str, reason: String) -> Result<T> {
    Err(Conflict::Field { field, reason }.into())
}

/// Days on which no other shifts are told: two plans may follow each other, and one with an end may lie within one that holds
/// until further notice.
fn check_shifts(new: &NewPlan, standing: &[PlanRecord]) -> Result<()> {
    for other in standing.iter().filter(|other| matches!(other.plan.told, Planned::Shifts(_))) {
        let (id, CarPlan { from, to, .. }) = (other.id, &other.plan);
        if *from == new.from {
            return field("from", format!("plan {id} tells shifts from that day on: withdraw it, or give another day"));
        }
        if let Some(to) = to.filter(|to| (*from..=*to).contains(&new.from)) {
            return field("from", format!("plan {id} tells other shifts until {to}: give a later day, or withdraw it"));
        }
        if new.to.is_some_and(|to| (new.from..=to).contains(from)) {
            return field(
                "to",
                format!("plan {id} tells other shifts from {from} on: give an earlier day, or withdraw it"),
            );
        }
    }
    Ok(())
}

impl Tx {
    async fn plans_of(&mut self, vehicle_id: i64) -> Result<Vec<PlanRecord>> {
        let rows: Vec<Row> = within!(self, c => sqlx::query_as(OF_CAR).bind(vehicle_id).fetch_all(c).await)?;
        rows.into_iter().map(PlanRecord::try_from).collect()
    }

    async fn plan(&mut self, car: &VehicleRecord, id: i64) -> Result<PlanRecord> {
        let found = self.plans_of(car.id).await?.into_iter().find(|plan| plan.id == id);
        found.ok_or_else(|| Conflict::Missing { what: "plan", name: id.to_string() }.into())
    }

    /// The depot the car is told to move to.
    async fn check_move(
        &mut self,
        car: &VehicleRecord,
        new: &NewPlan,
        standing: &[PlanRecord],
        writing: &Writing,
    ) -> Result<i64> {
        let target = self.named_depot(&new.depot, writing).await?;
        let today = local_day(writing.now, target.depot.zone);
        if new.from <= today {
            return field("from", format!("give a day after {today}, today there: `move` moves a car at once"));
        }
        let mut stays = &car.depot;
        for (id, CarPlan { from, told, .. }) in standing.iter().map(|other| (other.id, &other.plan)) {
            let Planned::Move { depot, .. } = told else { continue };
            if *from == new.from {
                return field(
                    "from",
                    format!("by plan {id} it moves to {depot} on that day: withdraw it, or give another day"),
                );
            }
            if *from < new.from {
                stays = depot;
            }
        }
        if *stays == new.depot {
            return field("depot", format!("the car is at {stays} by then: give another depot"));
        }
        Ok(target.id)
    }

    async fn check_on_road(&mut self, car: &VehicleRecord, new: &NewPlan) -> Result<()> {
        let Some(to) = new.to else { return Ok(()) };
        let away = self.off_road_of(car.id).await?;
        match away.iter().find(|away| away.covers(new.from) && away.covers(to)) {
            Some(_) => field("from", "the car is told to be off the road on all of these days".to_owned()),
            None => Ok(()),
        }
    }

    async fn journal_plan(
        &mut self,
        action: &'static str,
        car: &VehicleRecord,
        plan: &PlanRecord,
        writing: &Writing,
    ) -> Result<()> {
        self.journal(Entry {
            at: writing.now,
            actor: &writing.actor.name,
            action,
            subject: format!("vehicle {}", car.unit),
            depot_id: Some(car.depot_id),
            before: None,
            after: Some(plan.journal_view()),
        })
        .await
    }

    /// Takes back whatever a car is told that has not ended by a day.
    pub(super) async fn withdraw_plans(&mut self, vehicle_id: i64, on: NaiveDate, now_us: i64) -> Result<()> {
        within!(self, c => sqlx::query(WITHDRAW_ALL).bind(vehicle_id).bind(now_us).bind(day_number(on))
            .execute(c).await.map(drop))?;
        Ok(())
    }
}

impl Store {
    /// What a car is and was told, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn plans(&self, vehicle_id: i64) -> Result<Vec<PlanRecord>> {
        self.begin_read().await?.plans_of(vehicle_id).await
    }

    /// Tells a car a plan; a move against the version of the car that the caller holds, where it names one.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], [`Conflict::Rule`] when the car is retired, [`Conflict::Field`] when the
    /// days do not fit what it is told already or the depot is not there.
    pub async fn add_plan(
        &self,
        unit: &str,
        if_match: Option<IfMatch>,
        new: NewPlan,
        writing: &Writing,
        answer: impl FnOnce(&PlanRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let car = tx.vehicle(unit, writing).await?;
        if let Some(if_match) = if_match {
            if_match.check(car.version)?;
        }
        if let Some(day) = car.retired_on {
            return Err(Conflict::Rule(format!("the car was retired on {day}")).into());
        }
        if new.from < car.in_service_on {
            return field(
                "from",
                format!("the car came into service on {}: give that day or later", car.in_service_on),
            );
        }
        let standing: Vec<PlanRecord> = tx.plans_of(car.id).await?.into_iter().filter(PlanRecord::stands).collect();
        let depot_id = if new.shifts.is_some() {
            check_shifts(&new, &standing)?;
            tx.check_on_road(&car, &new).await?;
            None
        } else {
            Some(tx.check_move(&car, &new, &standing, writing).await?)
        };
        let shifts = new.shifts.unwrap_or_default();
        let id: i64 = within!(&mut tx, c => sqlx::query_scalar(ADD)
            .bind(car.id).bind(day_number(new.from)).bind(new.to.map(day_number)).bind(depot_id)
            .bind(shifts.pattern.days_per_week).bind(shifts.pattern.hours_per_day).bind(shifts.pattern.rear_share)
            .bind(shifts.metres_per_driven_day).bind(&new.note).bind(&writing.actor.name).bind(micros(writing.now))
            .fetch_one(c).await)?;
        let record = tx.plan(&car, id).await?;
        tx.mark_stale(car.id, micros(writing.now)).await?;
        tx.journal_plan("vehicle plan", &car, &record, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Takes a plan back: it is as if it had never been told.
    ///
    /// # Errors
    /// [`Conflict::Missing`], [`Conflict::Version`], [`Conflict::Rule`] when it was taken back before or the car has moved,
    /// [`Conflict::Forbidden`] when it is a move and the key may tell none.
    pub async fn withdraw_plan(
        &self,
        unit: &str,
        id: i64,
        if_match: IfMatch,
        may_move: bool,
        writing: &Writing,
        answer: impl FnOnce(&PlanRecord) -> Answer,
    ) -> Result<Answer> {
        let mut tx = opened!(self, writing);
        let car = tx.vehicle(unit, writing).await?;
        let plan = tx.plan(&car, id).await?;
        if matches!(plan.plan.told, Planned::Move { .. }) && !may_move {
            return Err(Conflict::Forbidden("a move is taken back by a key with the scope admin".to_owned()).into());
        }
        if_match.check(plan.version)?;
        let withdrawn = within!(&mut tx, c => sqlx::query(WITHDRAW).bind(id).bind(micros(writing.now))
            .execute(c).await.map(|done| done.rows_affected()))?;
        if withdrawn == 0 {
            let why =
                if plan.done_at.is_some() { "the car has moved: move it back" } else { "it was withdrawn before" };
            return Err(Conflict::Rule(why.to_owned()).into());
        }
        let record = tx.plan(&car, id).await?;
        tx.mark_stale(car.id, micros(writing.now)).await?;
        tx.journal_plan("vehicle plan-withdraw", &car, &record, writing).await?;
        tx.finish(writing, answer(&record)).await
    }

    /// Moves the cars whose day has come at the depots they are told to move to; how many.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn take_moves(&self, now: DateTime<Utc>) -> Result<usize> {
        let latest = day_number(now.date_naive()) + 1;
        let rows: Vec<Row> = read!(self, pool => sqlx::query_as(MOVES).bind(latest).fetch_all(pool).await)?;
        let mut moved = 0;
        for row in rows {
            let vehicle_id = row.columns.vehicle_id;
            let plan = PlanRecord::try_from(row)?;
            if let Planned::Move { depot_id, zone, .. } = plan.plan.told
                && plan.plan.from <= local_day(now, zone)
            {
                moved += usize::from(self.take_move(vehicle_id, &plan, depot_id, now).await?);
            }
        }
        Ok(moved)
    }

    async fn take_move(&self, vehicle_id: i64, plan: &PlanRecord, depot_id: i64, now: DateTime<Utc>) -> Result<bool> {
        let mut tx = self.begin().await?;
        let taken = within!(&mut tx, c => sqlx::query(DONE).bind(plan.id).bind(micros(now))
            .execute(c).await.map(|done| done.rows_affected()))?;
        let (car, depot) = (tx.vehicle_of(vehicle_id).await?, tx.depot_of(depot_id).await?);
        let (Some(car), Some(depot)) = (car.filter(|_| taken == 1), depot) else { return Ok(false) };
        let writing = Writing { actor: Actor::internal("loop"), now, once: None };
        // Whoever has moved it by hand since then knew better.
        if car.depot_id != depot_id && tx.is_last_stay(car.id, plan.plan.from).await? {
            tx.relocate(&car, depot, plan.plan.from, &writing).await?;
        }
        tx.commit().await?;
        Ok(true)
    }
}
