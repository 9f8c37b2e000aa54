//! The keys: who may do what, made, turned and revoked.

use axum::extract::State;
use axum::response::{IntoResponse, Redirect, Response};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};
use serde::Deserialize;
use serde_json::{Value, json};

use super::{Fields, choice, field, needed, number, once, pages, wrong};
use crate::app::App;
use crate::app::keys::Scope;
use crate::board::asked::{Asked, Sent, form};
use crate::board::frame::{Frame, Made};
use crate::board::guard::Visitor;
use crate::board::interface::{Desk, Listed, segment};
use crate::board::pages::cars::depots_seen;
use crate::board::refusal::Refusal;
use crate::board::say;

/// Where the list goes on.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::board) struct Query {
    cursor: Option<String>,
}

/// A key.
#[derive(Clone, Debug, Deserialize)]
struct Key {
    name: String,
    may: Vec<String>,
    depots: Vec<String>,
    expires_at: Option<DateTime<Utc>>,
    revoked_at: Option<DateTime<Utc>>,
    last_used_at: Option<DateTime<Utc>>,
    old_secret_until: Option<DateTime<Utc>>,
    key: Option<String>,
}

/// What a scope lets do, in words.
const fn lets(scope: Scope) -> &'static str {
    match scope {
        Scope::Read => "see",
        Scope::Post => "send logs",
        Scope::Work => "work on orders",
        Scope::Plan => "take cars off the road and back",
        Scope::Admin => "change rules, keys and the register",
    }
}

/// What the page shows.
struct View {
    keys: Vec<Key>,
    /// Scopes that may be handed out.
    scopes: Vec<Scope>,
    first: Option<&'static str>,
    next: Option<String>,
    made: Made,
}

impl Key {
    fn ended(&self, now: DateTime<Utc>) -> bool {
        self.revoked_at.is_some() || self.expires_at.is_some_and(|end| end <= now)
    }
}

fn at(label: &str, time: Option<DateTime<Utc>>, otherwise: &str, zone: Tz) -> Markup {
    html! { div { dt { (label) } dd { @match time { Some(time) => (say::time(time, zone)), None => (otherwise) } } } }
}

fn acts(key: &Key, visitor: &Visitor, once: &str) -> Markup {
    let named =
        html! { input type="hidden" name="name" value=(key.name); input type="hidden" name="once" value=(once); };
    html! {
        details {
            summary { "New secret or end for " (key.name) }
            (form(visitor, "/board/keys/rotate", &html! {
                (named)
                (choice("The secret it has works beside the new one", "overlap_hours", &[("24", "for a day"), ("168", "for a week"), ("0", "no more: it has leaked")], "24"))
                button type="submit" { "Give it a new secret" }
            }))
            (form(visitor, "/board/keys/revoke", &html! {
                (named)
                p { "A revoked key is taken no more and does not come back." }
                button type="submit" { "Revoke it" }
            }))
        }
    }
}

fn one(key: &Key, visitor: &Visitor, made: Made) -> Markup {
    let ended = key.ended(made.at);
    html! {
        section {
            h2 { (key.name) @if ended { " " small { @if key.revoked_at.is_some() { "revoked" } @else { "ended" } } } }
            dl.facts {
                div { dt { "May" } dd { (key.may.join(", ")) } }
                div { dt { "Sees" } dd { @if key.depots.is_empty() { "all depots" } @else { (key.depots.join(", ")) } } }
                (at("Last used", key.last_used_at, "never", made.zone))
                @if key.revoked_at.is_some() { (at("Revoked", key.revoked_at, "", made.zone)) }
                @else { (at("Ends", key.expires_at, "never", made.zone)) }
                @if key.old_secret_until.is_some_and(|until| until > made.at) {
                    (at("Its old secret works until", key.old_secret_until, "", made.zone))
                }
            }
            @if !ended { (acts(key, visitor, &once(made))) }
        }
    }
}

fn page(view: &View, visitor: &Visitor) -> Markup {
    html! {
        h1 { "Keys" }
        p.lead { "Whoever sends logs, looks or works does it with a key. Its secret is shown once, here, and kept nowhere." }
        h2 { "Make a key" }
        details {
            summary { "Open the form" }
            (form(visitor, "/board/keys", &html! {
                input type="hidden" name="once" value=(once(view.made));
                (field("Name", "name", "text", "", true))
                fieldset {
                    legend { "What it may do" }
                    @for scope in &view.scopes {
                        label.tick { input type="checkbox" name=(format!("may_{}", scope.as_str())) value="yes"; (scope.as_str()) ": " (lets(*scope)) }
                    }
                }
                (field("Only these depots: codes, with commas between (empty: all)", "depots", "text", &visitor.caller.actor.depots.join(", "), false))
                (field("Ends after so many days (empty: never)", "days", "number", "", false))
                button type="submit" { "Make the key" }
            }))
        }
        @for key in &view.keys { (one(key, visitor, view.made)) }
        (pages(view.first, view.next.as_deref()))
    }
}

/// The one time that a secret is seen.
fn secret(key: &Key) -> Markup {
    html! {
        h1 { "The secret of " (key.name) }
        @match &key.key {
            Some(secret) => {
                p.lead { "Copy it now: it is shown this once and kept nowhere." }
                p { code.secret { (secret) } }
                p { "It may: " (key.may.join(", ")) "." }
            },
            None => p { "This was done before, and the secret was shown then. Give the key a new secret if that one is lost." },
        }
        p { a.button href="/board/keys" { "Back to the keys" } }
    }
}

pub(in crate::board) async fn show(
    State(app): State<App>,
    visitor: Visitor,
    desk: Desk,
    Asked(query): Asked<Query>,
) -> Result<Response, Refusal> {
    let depots = depots_seen(&app, &visitor, None).await?;
    let cursor = query.cursor.as_deref().map(|cursor| format!("?cursor={}", segment(cursor))).unwrap_or_default();
    let page_of: Listed<Key> = desk.get(&format!("/v1/keys{cursor}")).await?;
    let made = Made::now(&app, &depots, None);
    let view = View {
        next: page_of.cursor().map(|cursor| format!("/board/keys?cursor={cursor}")),
        first: query.cursor.map(|_| "/board/keys"),
        keys: page_of.items,
        scopes: Scope::ALL.into_iter().filter(|scope| visitor.may(*scope)).collect(),
        made,
    };
    let frame = Frame { title: "Keys", here: "/board/keys", visitor: Some(&visitor), made, scripts: &[] };
    Ok(frame.page(&page(&view, &visitor)))
}

fn told(app: &App, visitor: &Visitor, key: &Key) -> Response {
    let made = Made { at: app.now(), zone: Tz::UTC };
    Frame { title: "A key's secret", here: "/board/keys", visitor: Some(visitor), made, scripts: &[] }
        .page(&secret(key))
}

/// When a key of so many days ends.
fn end(app: &App, fields: &Fields) -> Result<Option<String>, Refusal> {
    let Some(days) = number(fields, "days")? else { return Ok(None) };
    let end =
        TimeDelta::try_days(days as i64).filter(|_| days >= 1.0).and_then(|time| app.now().checked_add_signed(time));
    let end = end.ok_or_else(|| wrong("days", &days.to_string(), "give whole days, at least 1"))?;
    Ok(Some(end.to_rfc3339()))
}

pub(in crate::board) async fn make(
    State(app): State<App>,
    visitor: Visitor,
    desk: Desk,
    Sent(fields): Sent<Fields>,
) -> Result<Response, Refusal> {
    let may: Vec<&str> = Scope::ALL
        .into_iter()
        .map(Scope::as_str)
        .filter(|scope| fields.contains_key(&format!("may_{scope}")))
        .collect();
    let depots = fields.get("depots").map(String::as_str).unwrap_or_default();
    let depots: Vec<&str> = depots.split(',').map(str::trim).filter(|code| !code.is_empty()).collect();
    let body = json!({
        "name": needed(&fields, "name")?, "may": may, "depots": depots, "expires_at": end(&app, &fields)?,
    });
    let key: Key = desk.post("/v1/keys", &format!("{}-make", needed(&fields, "once")?), &body).await?;
    Ok(told(&app, &visitor, &key))
}

pub(in crate::board) async fn rotate(
    State(app): State<App>,
    visitor: Visitor,
    desk: Desk,
    Sent(fields): Sent<Fields>,
) -> Result<Response, Refusal> {
    let name = segment(needed(&fields, "name")?);
    let body = json!({"overlap_hours": number(&fields, "overlap_hours")?.map(|hours| hours as u32)});
    let once = format!("{}-rotate-{name}", needed(&fields, "once")?);
    let key: Key = desk.post(&format!("/v1/keys/{name}/rotate"), &once, &body).await?;
    Ok(told(&app, &visitor, &key))
}

pub(in crate::board) async fn revoke(desk: Desk, Sent(fields): Sent<Fields>) -> Result<Response, Refusal> {
    let name = segment(needed(&fields, "name")?);
    let once = format!("{}-revoke-{name}", needed(&fields, "once")?);
    desk.post::<Value>(&format!("/v1/keys/{name}/revoke"), &once, &Value::Null).await?;
    Ok(Redirect::to("/board/keys").into_response())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::frame::samples::{made, visitor};

    fn key(name: &str) -> Key {
        Key {
            name: name.to_owned(),
            may: vec!["read".to_owned(), "post".to_owned()],
            depots: vec!["N<1>".to_owned()],
            expires_at: None,
            revoked_at: None,
            last_used_at: None,
            old_secret_until: None,
            key: None,
        }
    }

    #[test]
    fn names_are_text_and_a_key_that_ended_has_no_acts() {
        let gone = Key { revoked_at: Some(made().at), ..key("gone") };
        let view = View {
            keys: vec![key("<script>k</script>"), gone],
            scopes: vec![Scope::Read],
            first: None,
            next: None,
            made: made(),
        };
        let text = page(&view, &visitor(&[Scope::Admin])).into_string();
        assert!(!text.contains("<script>") && text.contains("N&lt;1&gt;"), "{text}");
        assert_eq!(text.matches("/board/keys/revoke").count(), 1, "{text}");
        assert!(text.contains("may_read") && !text.contains("may_admin"), "only what may be handed out");
    }

    #[test]
    fn a_secret_that_was_shown_is_shown_no_more() {
        assert!(secret(&Key { key: Some("vm_1".to_owned()), ..key("k") }).into_string().contains("vm_1"));
        assert!(secret(&key("k")).into_string().contains("shown then"));
    }
}
