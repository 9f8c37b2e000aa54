//! Forms that change something: what was typed, the key by which a repeated post has its effect once, and faults shown
//! beside the fields.

use axum::body::Bytes;
use axum::extract::{FromRequest, Request};
use axum::response::{IntoResponse, Redirect, Response};
use maud::{Markup, html};
use sha2::{Digest, Sha256};
use ventmile_model::fleet::DistanceUnit;

use super::guard::{TOKEN_FIELD, Visitor};
use super::refusal::Refusal;
use crate::app::App;
use crate::app::keys::Scope;
use crate::current;
use crate::store::{Answer, Conflict, Fault, IfMatch, Once, StoreError, Writing};
use crate::values;

/// The field that holds the form's idempotency key.
const ONCE: &str = "once";
/// The field that holds the version that was seen.
const VERSION: &str = "version";
/// The longest idempotency key, as for requests of programs.
const LONGEST_KEY: usize = 255;

/// What was typed into a form, field by field; a name may come several times.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Fields(Vec<(String, String)>);

impl Fields {
    pub(super) fn read(form: &[u8]) -> Self {
        let pairs = form_urlencoded::parse(form).filter(|(name, _)| name != TOKEN_FIELD);
        Self(pairs.map(|(name, value)| (name.into_owned(), value.trim().to_owned())).collect())
    }

    /// What stands in a field; an empty one counts as left out.
    pub(super) fn get(&self, name: &str) -> Option<&str> {
        let found = self.0.iter().find(|(found, value)| found == name && !value.is_empty());
        found.map(|(_, value)| value.as_str())
    }

    /// Everything that stands in fields of this name.
    pub(super) fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        self.0.iter().filter(move |(found, value)| found == name && !value.is_empty()).map(|(_, value)| value.as_str())
    }

    /// The names of all fields.
    pub(super) fn names(&self) -> impl Iterator<Item = &str> {
        self.0.iter().map(|(name, _)| name.as_str())
    }

    /// Fields whose names begin so: what follows in the name, and the value.
    pub(super) fn under<'a>(&'a self, prefix: &'a str) -> impl Iterator<Item = (&'a str, &'a str)> {
        let rest = move |(name, value): &'a (String, String)| Some((name.strip_prefix(prefix)?, value.as_str()));
        self.0.iter().filter_map(rest).filter(|(_, value)| !value.is_empty())
    }

    /// The version that was seen; a field that holds none matches nothing.
    pub(super) fn if_match(&self) -> IfMatch {
        IfMatch::Versions(self.get(VERSION).and_then(|text| text.parse().ok()).into_iter().collect())
    }

    fn fingerprint(&self, what: &str) -> String {
        let mut digest = Sha256::new();
        digest.update(what);
        for (name, value) in &self.0 {
            for part in [name, value] {
                digest.update([0]);
                digest.update(part);
            }
        }
        hex::encode(digest.finalize())
    }

    /// The writing of this form: who, when, and its key, held while it is worked on.
    pub(super) fn writing(&self, app: &App, visitor: &Visitor, what: &str) -> Result<Writing, Refusal> {
        let right = |key: &&str| key.len() <= LONGEST_KEY && key.bytes().all(|byte| byte.is_ascii_graphic());
        let key = self.get(ONCE).filter(right).ok_or_else(|| {
            Refusal::unreadable(
                "The form came without its own key, so nothing was done. Open the page again and send it.",
            )
        })?;
        if !current::hold(app, key) {
            return Err(Refusal::under_way());
        }
        let once = visitor.caller.actor.key_id.map(|key_id| Once {
            key_id,
            value: key.to_owned(),
            fingerprint: self.fingerprint(what),
        });
        Ok(Writing { once, ..reading(app, visitor) })
    }
}

impl<S: Send + Sync> FromRequest<S> for Fields {
    type Rejection = Refusal;

    async fn from_request(request: Request, state: &S) -> Result<Self, Refusal> {
        let body = Bytes::from_request(request, state).await;
        Ok(Self::read(&body.map_err(|fault| Refusal::unreadable(fault.to_string()))?))
    }
}

/// Who asks and when, where nothing is written.
pub(super) fn reading(app: &App, visitor: &Visitor) -> Writing {
    Writing { actor: visitor.caller.actor.clone(), now: app.now(), once: None }
}

/// Reads fields into values and gathers what is wrong with them.
#[derive(Debug)]
pub(super) struct Reader<'a> {
    fields: &'a Fields,
    faults: Vec<Fault>,
}

impl<'a> Reader<'a> {
    pub(super) const fn new(fields: &'a Fields) -> Self {
        Self { fields, faults: Vec::new() }
    }

    pub(super) fn wrong(&mut self, field: &str, says: impl Into<String>) {
        self.faults.push(Fault::new(format!("/{field}"), says));
    }

    /// A field that may be left out.
    pub(super) fn maybe<T>(&mut self, field: &str, read: impl FnOnce(&str) -> Result<T, String>) -> Option<T> {
        let read = read(self.fields.get(field)?);
        read.map_err(|says| self.wrong(field, says)).ok()
    }

    /// A field that is needed.
    pub(super) fn need<T>(&mut self, field: &str, read: impl FnOnce(&str) -> Result<T, String>) -> Option<T> {
        if self.fields.get(field).is_none() {
            self.wrong(field, "this is needed");
        }
        self.maybe(field, read)
    }

    /// A person or another name.
    pub(super) fn name(&mut self, field: &str) -> Option<String> {
        self.need(field, |text| values::name(text, values::LONGEST_NAME))
    }

    /// A reason in words.
    pub(super) fn words(&mut self, field: &str) -> Option<String> {
        self.need(field, |text| values::name(text, values::LONGEST_TEXT))
    }

    /// A remark that may be left out.
    pub(super) fn remark(&mut self, field: &str) -> Option<String> {
        self.maybe(field, |text| values::free_text(text, values::LONGEST_TEXT))
    }

    /// What was made of the fields, once nothing is wrong with them.
    pub(super) fn finish<T>(self, made: Option<T>) -> Result<T, Conflict> {
        match made {
            Some(made) if self.faults.is_empty() => Ok(made),
            _ => Err(Conflict::Body(self.faults)),
        }
    }
}

/// A number as people type it. A comma may be the decimal point; where it may as well part thousands, nothing is guessed.
pub(super) fn number(text: &str) -> Result<f64, String> {
    let plain: String = text.chars().filter(|letter| !letter.is_whitespace()).collect();
    let doubtful = plain.split_once(',').is_some_and(|(_, rest)| rest.len() == 3 || rest.contains([',', '.']));
    if doubtful {
        return Err("give the number without commas between thousands".to_owned());
    }
    let read = plain.replace(',', ".").parse::<f64>().ok().filter(|number| number.is_finite());
    read.ok_or_else(|| "give a number, such as 12.5".to_owned())
}

/// An odometer in a unit.
pub(super) fn odometer(text: &str, unit: DistanceUnit) -> Result<ventmile_model::fleet::Metres, String> {
    values::odometer(number(text)?, unit)
}

/// A form that was refused: what was typed and what is wrong with it.
#[derive(Clone, Debug, Default)]
pub(super) struct Tried {
    /// Which form of the page.
    pub form: String,
    pub fields: Fields,
    pub faults: Vec<Fault>,
}

/// Whether a fault stands beside a field.
fn belongs(fault: &Fault, field: &str) -> bool {
    let rest = fault.pointer.strip_prefix('/').and_then(|at| at.strip_prefix(field));
    rest.is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
}

/// What a conflict says of the form.
pub(super) fn faults_of(conflict: &Conflict) -> Vec<Fault> {
    match conflict {
        Conflict::Body(faults) | Conflict::Gate(faults) | Conflict::Clash(faults) => faults.clone(),
        Conflict::Field { field, reason } => vec![Fault::new(format!("/{field}"), reason.as_str())],
        Conflict::Version { .. } => {
            vec![Fault::new("", "somebody has changed it meanwhile: look at what stands now, then send this again")]
        }
        Conflict::KeyReused => {
            vec![Fault::new("", "this form was sent before with other words: look at what stands now")]
        }
        other => vec![Fault::new("", other.to_string())],
    }
}

/// A form that did not do what it asked: to be shown again with what was typed, or not at all.
pub(super) fn tried(visitor: &Visitor, form: &str, fields: Fields, error: StoreError) -> Result<Tried, Refusal> {
    match error {
        StoreError::Conflict(conflict)
            if visitor.may(Scope::Read) && !matches!(conflict, Conflict::Missing { .. } | Conflict::Forbidden(_)) =>
        {
            Ok(Tried { form: form.to_owned(), fields, faults: faults_of(&conflict) })
        }
        other => Err(other.into()),
    }
}

/// The answer of an act: kept with its key, so that a repeated post leads to the same page.
pub(super) fn leads_to(address: &str) -> Answer {
    Answer { status: 303, etag: None, body: serde_json::Value::from(address).to_string() }
}

/// Onward to the page that an answer leads to.
pub(super) fn onward(answer: &Answer) -> Response {
    match serde_json::from_str::<String>(&answer.body) {
        Ok(address) => Redirect::to(&address).into_response(),
        Err(_) => Redirect::to(super::HOME).into_response(),
    }
}

/// One form of a page, filled with what was typed where it was refused.
#[derive(Clone, Copy, Debug)]
pub(super) struct Form<'a> {
    visitor: &'a Visitor,
    /// Its name on the page.
    name: &'a str,
    tried: Option<&'a Tried>,
}

impl<'a> Form<'a> {
    /// The form `name`, and what was tried on the page.
    pub(super) fn new(visitor: &'a Visitor, name: &'a str, tried: Option<&'a Tried>) -> Self {
        Self { visitor, name, tried: tried.filter(|tried| tried.form == name) }
    }

    pub(super) fn id(&self, field: &str) -> String {
        let plain = |letter: char| if letter.is_ascii_alphanumeric() { letter } else { '-' };
        format!("{}-{}", self.name, field).chars().map(plain).collect()
    }

    /// What stands in a field: as typed, else `usual`.
    pub(super) fn value(&self, field: &str, usual: Option<&'a str>) -> Option<&'a str> {
        self.tried.map_or(usual, |tried| tried.fields.get(field))
    }

    /// Whether a box of this value is ticked, or the choice made.
    pub(super) fn chosen(&self, field: &str, value: &str) -> bool {
        self.tried.is_some_and(|tried| tried.fields.all(field).any(|found| found == value))
    }

    fn faults(&self, field: &str) -> Vec<&'a Fault> {
        self.tried.map_or_else(Vec::new, |tried| tried.faults.iter().filter(|fault| belongs(fault, field)).collect())
    }

    /// What is wrong with a field, beside it.
    pub(super) fn wrong(&self, field: &str) -> Markup {
        let faults = self.faults(field);
        html! {
            @if !faults.is_empty() {
                span.fault id=(format!("{}-fault", self.id(field))) {
                    @for fault in faults { span { (fault.says) ". " } }
                }
            }
        }
    }

    /// The id of what is wrong with a field.
    pub(super) fn described(&self, field: &str) -> Option<String> {
        (!self.faults(field).is_empty()).then(|| format!("{}-fault", self.id(field)))
    }

    /// A line to type into.
    pub(super) fn line(&self, field: &str, label: &str, kind: &str, usual: Option<&'a str>) -> Markup {
        let described = self.described(field);
        html! {
            label.field {
                span { (label) }
                (self.wrong(field))
                input type=(kind) name=(field) id=(self.id(field)) value=[self.value(field, usual)] autocomplete="off"
                    aria-invalid=[described.as_ref().map(|_| "true")] aria-describedby=[described];
            }
        }
    }

    /// A number with a decimal point, typed on the pad of digits.
    pub(super) fn number(&self, field: &str, label: &str, usual: Option<&'a str>) -> Markup {
        let described = self.described(field);
        html! {
            label.field {
                span { (label) }
                (self.wrong(field))
                input type="text" inputmode="decimal" name=(field) id=(self.id(field)) value=[self.value(field, usual)]
                    autocomplete="off" aria-invalid=[described.as_ref().map(|_| "true")] aria-describedby=[described];
            }
        }
    }

    /// One or several out of a few, each a big target.
    pub(super) fn choose(
        &self,
        kind: &str,
        field: &str,
        label: &str,
        choices: &[(String, String)],
        usual: Option<&str>,
    ) -> Markup {
        let ticked = |value: &str| self.chosen(field, value) || (self.tried.is_none() && usual == Some(value));
        html! {
            fieldset.choose id=(self.id(field)) aria-describedby=[self.described(field)] {
                legend { (label) }
                (self.wrong(field))
                @for (value, text) in choices {
                    label.target { input type=(kind) name=(field) value=(value) checked[ticked(value)]; span { (text) } }
                }
            }
        }
    }

    /// A person: out of those known, or typed where none are.
    pub(super) fn person(
        &self,
        field: &str,
        label: &str,
        people: &[(String, String)],
        usual: Option<&'a str>,
    ) -> Markup {
        let value = self.value(field, usual);
        if people.is_empty() {
            return self.line(field, label, "text", usual);
        }
        let stranger = value.filter(|value| people.iter().all(|(code, _)| code != value));
        let described = self.described(field);
        html! {
            label.field {
                span { (label) }
                (self.wrong(field))
                select name=(field) id=(self.id(field)) aria-invalid=[described.as_ref().map(|_| "true")]
                    aria-describedby=[described] {
                    option value="" { "choose" }
                    @if let Some(stranger) = stranger { option value=(stranger) selected { (stranger) } }
                    @for (code, text) in people {
                        option value=(code) selected[value == Some(code.as_str())] { (text) }
                    }
                }
            }
        }
    }

    /// The whole form: kept by the page until the server has answered, where `of` names what it is about.
    pub(super) fn around(&self, action: &str, of: &Sending<'_>, button: &str, inner: &Markup) -> Markup {
        self.drawn(action, of, button, inner, Some(of.about))
    }

    /// The whole form, sent as browsers do: for an answer that is shown once.
    pub(super) fn plain(&self, action: &str, of: &Sending<'_>, button: &str, inner: &Markup) -> Markup {
        self.drawn(action, of, button, inner, None)
    }

    fn drawn(&self, action: &str, of: &Sending<'_>, button: &str, inner: &Markup, kept: Option<&str>) -> Markup {
        html! {
            form.act method="post" action=(action) id=(self.id("form")) data-keep=[kept] data-says=(of.says) novalidate {
                input type="hidden" name=(TOKEN_FIELD) value=(self.visitor.token);
                input type="hidden" name=(ONCE) value=(format!("{}.{}", of.once, self.name));
                @if let Some(version) = of.version { input type="hidden" name=(VERSION) value=(version); }
                @if let Some(tried) = self.tried {
                    div.refused role="alert" {
                        p { strong { "Not taken. " } "What you typed still stands here. Missing or wrong:" }
                        ul { @for fault in &tried.faults { li { (fault.says) } } }
                    }
                }
                (inner)
                button.big type="submit" { (button) }
            }
        }
    }
}

/// What stands around a form's fields.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sending<'a> {
    /// What it is about, such as an order's number.
    pub about: &'a str,
    /// What the list of forms not sent yet calls it.
    pub says: &'a str,
    /// What its key begins with.
    pub once: &'a str,
    pub version: Option<i64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_comma_is_a_point_where_it_can_be_nothing_else() {
        assert_eq!((number("1,5"), number(" 12 500.25 ")), (Ok(1.5), Ok(12_500.25)));
        for doubtful in ["3,500", "1,234.5", "1,2,3", "fast", "inf", "-", ""] {
            assert!(number(doubtful).is_err(), "{doubtful}");
        }
    }

    #[test]
    fn a_fault_stands_beside_its_own_field_only() {
        let fault = |pointer: &str| Fault::new(pointer, "x");
        assert!(belongs(&fault("/with/0"), "with") && belongs(&fault("/records/a"), "records/a"));
        assert!(!belongs(&fault("/records/ab"), "records/a") && !belongs(&fault("/steps/1/by"), "by"));
    }

    #[test]
    fn the_token_is_no_part_of_what_a_form_says() {
        let (one, other) = (Fields::read(b"csrf=a&by=kim"), Fields::read(b"csrf=b&by=kim"));
        assert_eq!(one.fingerprint("act"), other.fingerprint("act"));
        assert_ne!(one.fingerprint("act"), one.fingerprint("other act"));
        assert_ne!(one.fingerprint("act"), Fields::read(b"by=lee").fingerprint("act"));
    }
}
