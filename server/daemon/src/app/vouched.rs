//! What one room of this process tells another beside a request. None of it can come with a request from outside: it
//! stands in the request's extensions, not in its headers.

use super::keys::Caller;

/// Who asks, once another room has let the caller in and counted the request.
#[derive(Clone, Debug)]
pub struct Vouched(pub Caller);

/// The rows sent are only to be tried: checked and stored in a transaction that is taken back.
#[derive(Clone, Copy, Debug)]
pub struct Trial;
