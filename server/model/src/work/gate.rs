//! The gates: what must stand before a step may be recorded.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};

use super::job::too_few;
use super::procedure::KEPT_BY;
use super::{Entry, Gear, GearKind, Item, Job, LOCK_OUT, Missing, Passed, Role, Step};
use crate::fleet::local_day;

/// Why an item does not stand, and a pointer into its entry: empty for the entry as a whole.
struct Lack {
    pointer: String,
    says: String,
}

fn lack(pointer: impl Into<String>, says: impl Into<String>) -> Lack {
    Lack { pointer: pointer.into(), says: says.into() }
}

/// The evidence that counts for a lock-out: of one local day, of one spell of work, since the system was last live.
struct Series<'a> {
    day: NaiveDate,
    entries: Vec<&'a Entry>,
    /// Items overridden within it.
    overridden: Vec<Item>,
}

/// Who is about to do what: the lock-out must hold for them.
struct Crew<'a> {
    people: Vec<&'a str>,
    certificates: Vec<&'a str>,
}

impl<'a> Job<'a> {
    /// Whether `attempt` may be recorded, at its server time `at`.
    ///
    /// A step that touches the high-voltage system is refused until the lock-out before it stands: every item by its
    /// latest entry, each recorded after the one before it, on this local day, in this spell of work, since the plug was
    /// last in and since the last stopping reading. Gear, certificates and glove tests are looked at as they are at this
    /// moment. An entry with a reading at or over the limit is always taken, and stops the order until a whole new
    /// lock-out has been recorded and measured dead.
    ///
    /// The shape of the entry is [`Entry::check`]'s matter.
    ///
    /// # Errors
    /// Every missing item.
    pub fn gate(&self, attempt: &Entry) -> Result<Passed, Vec<Missing>> {
        let Some(step) = self.procedure.step(attempt.step) else {
            let says = format!("the procedure has no step {}", attempt.step);
            return Err(vec![Missing { item: Item::Step(attempt.step), pointer: "/step".into(), says }]);
        };
        let stops = self.stops(attempt);
        let missing = if stops { Vec::new() } else { self.missing_at(step, attempt) };
        let late = attempt.is_late(self.settings.late_after);
        if missing.is_empty() { Ok(Passed { late, stops }) } else { Err(missing) }
    }

    fn missing_at(&self, step: &Step, attempt: &Entry) -> Vec<Missing> {
        let mut series = self.series(attempt.at);
        let crew = self.crew(step, attempt);
        let unqualified = || self.unqualified(&crew.people, &crew.certificates, series.day);
        let at_the_step = [
            (Item::Stopped, "/step", self.unlocked_stop(step, attempt)),
            (Item::Isolation, "/by", self.near_isolation_fault(attempt, series.day)),
            (Item::LockOut(Role::Person), "/by", if self.names_workers(step) { None } else { unqualified() }),
            (Item::Gear, "/gear", self.ungeared(step, attempt, &series)),
            (Item::People, "/with", too_few(step, attempt)),
        ];
        if step.role.lock_place().is_some() {
            series.entries.push(attempt);
        }
        let named = |(item, pointer, says): (Item, &str, Option<String>)| {
            says.map(|says| Missing { item, pointer: pointer.to_owned(), says })
        };
        let mut missing: Vec<_> = at_the_step.into_iter().filter_map(named).collect();
        missing.extend(self.lock_out(step, &series, &crew));
        missing.retain(|missing| !(missing.item.overridable() && series.overridden.contains(&missing.item)));
        missing
    }

    /// A stopped order takes nothing but a new lock-out.
    fn unlocked_stop(&self, step: &Step, attempt: &Entry) -> Option<String> {
        let stop = self.stopped(attempt.at).filter(|_| step.role.lock_place().is_none())?;
        Some(format!("a reading at or over the limit at {} stopped the order: lock out and measure anew", stop.at))
    }

    /// Who comes near a car with a standing isolation fault without the certificate for it: its body may be live.
    fn near_isolation_fault(&self, attempt: &Entry, day: NaiveDate) -> Option<String> {
        let says = self
            .isolation_fault
            .then(|| self.unqualified(&attempt.people(), &[&self.settings.isolation_certificate], day));
        says.flatten().map(|says| format!("an isolation fault stands: {says}"))
    }

    /// Whether the lock-out before `step` says who works: its item `person` then holds their certificates.
    fn names_workers(&self, step: &Step) -> bool {
        let within = step.role.lock_place().is_some() && self.procedure.step_of(Role::Person).is_some();
        step.touches_high_voltage() || within
    }

    /// Gear that is named and may not be used, or that a step off the high-voltage system needs and nobody has named, here
    /// or before. The lock-out looks at its own gloves and meter.
    fn ungeared(&self, step: &Step, attempt: &Entry, series: &Series<'_>) -> Option<String> {
        if matches!(step.role, Role::Gloves | Role::Meter) {
            return None;
        }
        let unusable = self.unusable(&attempt.gear, series.day);
        if unusable.is_some() || step.touches_high_voltage() {
            return unusable;
        }
        let ids: Vec<_> = series.entries.iter().flat_map(|entry| &entry.gear).chain(&attempt.gear).collect();
        let named = |kind: GearKind| ids.iter().filter_map(|id| self.piece(id)).any(|piece| piece.kind() == kind);
        let unnamed = step.needs.gear.iter().find(|kind| !named(**kind))?;
        Some(format!("this step needs gear of kind `{}`: name it by id", unnamed.as_str()))
    }

    /// What of the lock-out is missing for `step`.
    fn lock_out(&self, step: &Step, series: &Series<'_>, crew: &Crew<'_>) -> Vec<Missing> {
        let length = match (step.role, step.role.lock_place()) {
            (Role::PlugIn, _) => 2,
            (_, Some(place)) => place + 1,
            _ if step.opens_high_voltage => LOCK_OUT.len(),
            _ => 0,
        };
        let whole = step.touches_high_voltage();
        let asked = |role: &Role| whole || self.procedure.step_of(*role).is_some();
        let mut missing = Vec::new();
        let mut before: Option<usize> = None;
        for role in LOCK_OUT.into_iter().take(length).filter(asked) {
            match self.stands(role, before, series, crew) {
                Ok(index) => before = Some(index),
                Err(Lack { pointer, says }) => {
                    let earlier = self.procedure.step_of(role).filter(|_| step.role != role);
                    let place = earlier.map_or_else(String::new, |step| format!("/steps/{}", step.number));
                    missing.push(Missing { item: Item::LockOut(role), pointer: format!("{place}{pointer}"), says });
                }
            }
        }
        missing
    }

    /// Where in the series the item stands: its latest entry, sound, and recorded after the entry `before` it.
    fn stands(&self, role: Role, before: Option<usize>, series: &Series<'_>, crew: &Crew<'_>) -> Result<usize, Lack> {
        let latest = series.entries.iter().rposition(|entry| self.role(entry) == Some(role));
        let found = latest.and_then(|index| Some((index, *series.entries.get(index)?)));
        let (index, entry) = found.ok_or_else(|| lack("", format!("missing: {}", wanted(role))))?;
        let earlier = before.and_then(|place| series.entries.get(place));
        if let Some(earlier) = earlier.filter(|earlier| before > Some(index) || earlier.done() > entry.done()) {
            let after = self.procedure.step(earlier.step).map_or("the step before it", |step| step.title.as_str());
            return Err(lack("", format!("recorded out of order: it comes after `{after}`, record it again")));
        }
        for (name, word) in role.words() {
            if entry.text(name) != Some(*word) {
                return Err(lack(format!("/records/{name}"), format!("{}: `{name}` must be `{word}`", wanted(role))));
            }
        }
        match role {
            Role::Person => self.person(entry, series, crew)?,
            Role::Gloves => self.named(entry, GearKind::Gloves, crew.people.len(), series)?,
            Role::Meter => self.named(entry, GearKind::Meter, 1, series)?,
            Role::KeyOut | Role::PlugOut => self.kept(entry, series)?,
            Role::Wait => self.waited(entry, earlier.copied(), series)?,
            Role::Measure if !self.found_dead(entry) => {
                let limit = self.settings.residual_limit.volts();
                return Err(lack("/records", format!("every point must be recorded, and read below {limit} V")));
            }
            _ => {}
        }
        Ok(index)
    }

    fn person(&self, entry: &Entry, series: &Series<'_>, crew: &Crew<'_>) -> Result<(), Lack> {
        if crew.people.is_empty() {
            return Err(lack("/by", "say who does it"));
        }
        if crew.certificates.is_empty() {
            return Err(lack("", "the procedure names no certificate for work on the high-voltage system"));
        }
        let named = entry.people();
        if let Some(stranger) = crew.people.iter().find(|person| !named.contains(person)) {
            return Err(lack(
                "/by",
                format!("{stranger} is not among those named for this lock-out: {}", named.join(", ")),
            ));
        }
        match self.unqualified(&crew.people, &crew.certificates, series.day) {
            Some(says) => Err(lack("/by", says)),
            None => Ok(()),
        }
    }

    fn named(&self, entry: &Entry, kind: GearKind, wanted: usize, series: &Series<'_>) -> Result<(), Lack> {
        if let Some(says) = self.unusable(&entry.gear, series.day) {
            return Err(lack("/gear", says));
        }
        let mut ids: Vec<_> =
            entry.gear.iter().filter(|id| self.piece(id).is_some_and(|it| it.kind() == kind)).collect();
        ids.sort_unstable();
        ids.dedup();
        let says = || format!("{wanted} of kind `{}` must be named by id, {} is", kind.as_str(), ids.len());
        if ids.len() < wanted { Err(lack("/gear", says())) } else { Ok(()) }
    }

    /// Key and plug are kept by one of those who work.
    fn kept(&self, entry: &Entry, series: &Series<'_>) -> Result<(), Lack> {
        let field = format!("/records/{KEPT_BY}");
        let keeper = entry.text(KEPT_BY).ok_or_else(|| lack(&field, "say who keeps it"))?;
        let workers = series.entries.iter().rfind(|entry| self.role(entry) == Some(Role::Person));
        match workers.map(|entry| entry.people()) {
            Some(people) if !people.contains(&keeper) => {
                Err(lack(field, format!("kept by {keeper}, who is not among those who work: {}", people.join(", "))))
            }
            _ => Ok(()),
        }
    }

    /// The wait runs from the plug's entry by the server's time, or from the item before when the plug's is overridden.
    fn waited(&self, entry: &Entry, before: Option<&Entry>, series: &Series<'_>) -> Result<(), Lack> {
        let plug = series.entries.iter().rfind(|entry| self.role(entry) == Some(Role::PlugOut)).copied();
        let Some(from) = plug.or(before) else { return Ok(()) };
        let left = self.settings.wait - (entry.done() - from.at);
        if left > TimeDelta::zero() {
            let seconds = left.num_seconds().max(1);
            return Err(lack(
                "",
                format!("the wait of {} min is not over: {seconds} s short", self.settings.wait.num_minutes()),
            ));
        }
        Ok(())
    }

    fn piece(&self, id: &str) -> Option<&'a Gear> {
        self.gear.iter().find(|piece| piece.id == id)
    }

    fn series(&self, now: DateTime<Utc>) -> Series<'a> {
        let day = local_day(now, self.settings.zone);
        let counts = |at: DateTime<Utc>| {
            at <= now && self.counts_from.is_none_or(|from| from <= at) && local_day(at, self.settings.zone) == day
        };
        let mut entries = self.until(now);
        let ends = |entry: &&Entry| self.role(entry) == Some(Role::PlugIn) || self.stops(entry);
        let end = entries.iter().rposition(ends);
        let ended = end.and_then(|end| entries.get(end)).map(|entry| entry.at);
        entries.drain(..end.map_or(0, |end| end + 1));
        entries.retain(|entry| counts(entry.at));
        let overrides =
            self.overrides.iter().filter(|given| counts(given.at) && ended.is_none_or(|end| end < given.at));
        Series { day, entries, overridden: overrides.map(|given| given.item).collect() }
    }

    fn crew<'e>(&'e self, step: &'e Step, attempt: &'e Entry) -> Crew<'e> {
        let person = self.procedure.step_of(Role::Person).filter(|_| self.names_workers(step));
        let certificates = person.into_iter().chain([step]).filter_map(|step| step.needs.certificate.as_deref());
        Crew { people: attempt.people(), certificates: certificates.collect() }
    }

    /// Who of `people` lacks which certificate on `day`; `None` when nobody does.
    fn unqualified(&self, people: &[&str], certificates: &[&str], day: NaiveDate) -> Option<String> {
        let lacks = |person: &&str| match self.technicians.iter().find(|known| known.code == *person) {
            None if certificates.is_empty() => None,
            None => Some(format!("{person} is not a known technician")),
            Some(known) => {
                let held = |name: &&str| known.holds(name, day).err();
                let lack = known.serves(day).err().or_else(|| certificates.iter().find_map(held))?;
                Some(format!("{person} {lack}"))
            }
        };
        let lacking: Vec<_> = people.iter().filter_map(lacks).collect();
        (!lacking.is_empty()).then(|| lacking.join("; "))
    }

    /// What of the gear named is unknown or unusable on `day`; `None` when all of it is fine.
    fn unusable(&self, ids: &[String], day: NaiveDate) -> Option<String> {
        let wrong = |id: &String| match self.piece(id).map(|piece| piece.usable(day, &self.settings.gear)) {
            None => Some(format!("{id} is not known")),
            Some(Ok(())) => None,
            Some(Err(reasons)) => {
                let reasons: Vec<_> = reasons.iter().map(ToString::to_string).collect();
                Some(format!("{id}: {}", reasons.join(", ")))
            }
        };
        let wrong: Vec<_> = ids.iter().filter_map(wrong).collect();
        (!wrong.is_empty()).then(|| wrong.join("; "))
    }
}

const fn wanted(role: Role) -> &'static str {
    match role {
        Role::Person => "a person with a valid certificate",
        Role::Gloves => "gloves of Class 0 or higher with leather protectors, in date and air-tested today",
        Role::Meter => "meter and leads of CAT III 1000 V or higher, in date",
        Role::KeyOut => "the key out and kept",
        Role::GroundOff => "the 12 V ground off",
        Role::PlugOut => "the service plug out and kept",
        Role::Wait => "the wait since the plug came out",
        Role::Measure => "live-dead-live, every point below the residual limit",
        _ => "the step",
    }
}
