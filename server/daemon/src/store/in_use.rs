//! People and gear that open orders count on: nobody is retired from under an order, and no order gets whom somebody retires.

use chrono::{DateTime, NaiveDate, Utc};
use serde_json::json;
use ventmile_model::fleet::Plan;

use super::evidence::plan_of;
use super::values::{instant, of_json};
use super::{Conflict, Result, Tx, Writing, order_number, within};

/// What is named in acts and entries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Named {
    Technicians,
    Gear,
}

/// An open order, as far as it counts on people and gear.
pub(super) struct OpenOrder {
    id: i64,
    depot: String,
    /// Who has it, while their lease runs.
    pub(super) holder: Option<String>,
    plan: Option<Plan>,
    /// Pieces that entries name since it was last begun, resumed or handed over.
    used: Vec<String>,
}

impl OpenOrder {
    /// Whether its plan, on this day or a later one, names somebody or something.
    pub(super) fn is_planned(&self, on: NaiveDate, names: impl Fn(&Plan) -> &Vec<String>, name: &str) -> bool {
        self.plan.as_ref().is_some_and(|plan| plan.on >= on && names(plan).iter().any(|own| own == name))
    }

    /// Whether its lock-out names a piece.
    pub(super) fn uses(&self, id: &str) -> bool {
        self.used.iter().any(|own| own == id)
    }
}

macro_rules! held {
    ($table:literal, $lock:literal) => {
        concat!(
            "SELECT id FROM ",
            $table,
            " WHERE code IN (SELECT jsonb_array_elements_text(CAST($1 AS jsonb))) ORDER BY id FOR ",
            $lock
        )
    };
}

type OpenRow = (i64, String, String, Option<String>, Option<i64>, Option<i64>, Option<String>, String, Option<i64>);

const OPEN: &str =
    "SELECT w.id, d.code, w.status, w.assigned_to, w.lease_until_us, w.plan_day, w.plan, w.plan_gear, w.counts_from_us
    FROM work_orders w JOIN depots d ON d.id = w.depot_id
    WHERE w.status IN ('needs-action', 'in-process') AND (w.assigned_to IS NOT NULL OR w.plan_day IS NOT NULL)
    ORDER BY w.id";
const USED: &str = "SELECT gear FROM work_entries WHERE work_order_id = $1 AND at_us >= $2 AND gear <> '[]'";

impl Tx {
    /// Keeps people or gear as they are until this transaction ends: for itself alone, or beside others that only count on
    /// them. SQLite has one writer at a time.
    pub(super) async fn hold_named(&mut self, named: Named, names: &[&str], alone: bool) -> Result<()> {
        let Tx::Postgres(inner) = self else { return Ok(()) };
        let sql = match (named, alone) {
            (Named::Technicians, true) => held!("technicians", "UPDATE"),
            (Named::Technicians, false) => held!("technicians", "SHARE"),
            (Named::Gear, true) => held!("gear", "UPDATE"),
            (Named::Gear, false) => held!("gear", "SHARE"),
        };
        sqlx::query(sql).bind(json!(names).to_string()).execute(&mut **inner).await?;
        Ok(())
    }

    /// Refuses while an open order, of whichever depot, counts on what is to be retired.
    pub(super) async fn spare(
        &mut self,
        todo: &str,
        counts_on: impl Fn(&OpenOrder) -> bool,
        writing: &Writing,
    ) -> Result<()> {
        let open = self.open_orders(writing.now).await?;
        let named = |order: &OpenOrder| match writing.actor.may_see(&order.depot) {
            true => order_number(order.id),
            false => "an order of another depot".to_owned(),
        };
        let numbers: Vec<String> = open.iter().filter(|it| counts_on(it)).map(named).collect();
        if numbers.is_empty() {
            return Ok(());
        }
        Err(Conflict::Rule(format!("{} counts on it: {todo}", numbers.join(", "))).into())
    }

    async fn open_orders(&mut self, now: DateTime<Utc>) -> Result<Vec<OpenOrder>> {
        let rows: Vec<OpenRow> = within!(self, c => sqlx::query_as(OPEN).fetch_all(c).await)?;
        let mut orders = Vec::with_capacity(rows.len());
        for (id, depot, status, holder, lease_until, day, plan, gear, counts_from) in rows {
            let lease_until = lease_until.map(|at| instant("work_orders.lease_until_us", at)).transpose()?;
            let over = status == "needs-action" && lease_until.is_some_and(|until| until <= now);
            let used = match counts_from.filter(|_| status == "in-process") {
                Some(from) => self.used_since(id, from).await?,
                None => Vec::new(),
            };
            let plan = day.zip(plan).map(|(day, plan)| plan_of(day, &plan, &gear)).transpose()?;
            orders.push(OpenOrder { id, depot, holder: holder.filter(|_| !over), plan, used });
        }
        Ok(orders)
    }

    async fn used_since(&mut self, order: i64, from: i64) -> Result<Vec<String>> {
        let rows: Vec<String> = within!(self, c => sqlx::query_scalar(USED).bind(order).bind(from).fetch_all(c).await)?;
        let pieces: Vec<Vec<String>> =
            rows.iter().map(|text| of_json("work_entries.gear", text)).collect::<Result<_>>()?;
        Ok(pieces.concat())
    }
}
