//! Who sends the request, and whether the key may.

use std::marker::PhantomData;

use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderMap, header};

use super::problem::Problem;
use super::request::{admit, turn_away};
use crate::app::App;
use crate::app::keys::{Caller, Scope};
use crate::app::vouched::Vouched;

/// A scope as a type, so that a handler's arguments say what key it needs.
pub(super) trait Needs: Send {
    const SCOPE: Scope;
}

macro_rules! needs {
    ($($name:ident),*) => {
        $(
            #[derive(Debug)]
            pub(super) struct $name;
            impl Needs for $name {
                const SCOPE: Scope = Scope::$name;
            }
        )*
    };
}

needs!(Read, Post, Work, Plan, Admin);

/// The caller, whose key has the scope `S`.
#[derive(Debug)]
pub(super) struct Key<S: Needs>(pub Caller, pub PhantomData<S>);

impl<S: Needs> FromRequestParts<App> for Key<S> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Problem> {
        let caller = match parts.extensions.get::<Vouched>() {
            Some(Vouched(caller)) => caller.clone(),
            None => let_in(parts, app).await?,
        };
        if !caller.may(S::SCOPE) {
            let has: Vec<&str> = caller.scopes.iter().map(|scope| scope.as_str()).collect();
            let detail = format!("this needs the scope {}; the key has {}", S::SCOPE.as_str(), has.join(", "));
            return Err(Problem::forbidden(detail));
        }
        Ok(Self(caller, PhantomData))
    }
}

/// The caller by the key that a request was sent with, counted against the key's allowance.
async fn let_in(parts: &Parts, app: &App) -> Result<Caller, Problem> {
    let found = match given_key(&parts.headers) {
        Some(key) => app.caller(key).await?,
        None => None,
    };
    let caller = found.ok_or_else(|| turn_away(app, Problem::no_key()))?;
    admit(app, &caller)?;
    Ok(caller)
}

/// The key that a request was sent with.
pub(super) fn given_key(headers: &HeaderMap) -> Option<&str> {
    headers.get(header::AUTHORIZATION)?.to_str().ok().and_then(bearer)
}

/// The token of a Bearer credential; the scheme's case does not matter (RFC 9110, 11.1).
fn bearer(value: &str) -> Option<&str> {
    let (scheme, token) = value.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then(|| token.trim())
}

#[cfg(test)]
mod tests {
    use super::bearer;

    #[test]
    fn the_scheme_is_bearer_in_any_case() {
        assert_eq!(bearer("Bearer vm_1"), Some("vm_1"));
        assert_eq!(bearer("bearer  vm_1 "), Some("vm_1"));
        assert_eq!(bearer("Basic vm_1"), None);
        assert_eq!(bearer("vm_1"), None);
    }
}
