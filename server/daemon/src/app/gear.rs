//! Gear whose last day of use has gone by.

use ventmile_model::fleet::local_day;

use super::App;
use super::work::gear_rules;
use crate::store::{GearFilter, GearRecord, StoreError};

impl App {
    /// Tells of gear that has become overdue since it was last looked for; of how many pieces.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails.
    pub async fn tell_overdue_gear(&self) -> Result<usize, StoreError> {
        let (now, rules) = (self.now(), gear_rules(&self.settings.work));
        let gear = self.store.gear(&GearFilter { limit: i64::MAX, ..GearFilter::default() }).await?;
        let overdue = |record: GearRecord| {
            let today = local_day(now, record.zone);
            let due = record.gear.due_on(today, &rules).filter(|due| *due < today)?;
            (record.told_due_on != Some(due)).then_some((record, due))
        };
        let overdue: Vec<_> = gear.into_iter().filter_map(overdue).collect();
        if !overdue.is_empty() {
            self.store.tell_overdue_gear(&overdue, now).await?;
        }
        Ok(overdue.len())
    }
}
