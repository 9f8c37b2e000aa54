//! Calendars of depots at secret addresses.

use ventmile_model::fleet::local_day;

use super::App;
use super::day_list::{DayList, DaySpan};
use super::keys::{hash_of, secret};
use crate::store::{Answer, CalendarRecord, NewCalendar, StoreError, Writing};

impl App {
    /// Makes a calendar. `answer` is made twice: once without the secret, as it is kept, and once with it.
    ///
    /// # Errors
    /// [`crate::store::Conflict::Field`] when the depot is not there; [`StoreError`] when the database or the system's random
    /// source fails.
    pub async fn add_calendar(
        &self,
        depot: String,
        name: String,
        writing: &Writing,
        answer: impl Fn(&CalendarRecord, Option<&str>) -> Answer,
    ) -> Result<Answer, StoreError> {
        let secret = secret()?;
        let new = NewCalendar { depot, name, hash: hash_of(&secret) };
        let told = |record: &CalendarRecord, openly: bool| answer(record, openly.then_some(secret.as_str()));
        self.store.add_calendar(new, writing, told).await
    }

    /// The calendar at a secret address and what it shows today; `None` when there is none or it was taken back.
    ///
    /// # Errors
    /// [`StoreError`] when the database fails or a row cannot be read.
    pub async fn calendar(&self, secret: &str) -> Result<Option<(CalendarRecord, DayList)>, StoreError> {
        let Some(record) = self.store.find_calendar(&hash_of(secret)).await? else { return Ok(None) };
        let Some(depot) = self.store.find_depot(&record.depot).await? else { return Ok(None) };
        let span = DaySpan::around(local_day(self.now(), depot.depot.zone));
        let list = self.day_list(&span, Some(record.depot.clone()), None).await?;
        Ok(Some((record, list)))
    }
}
