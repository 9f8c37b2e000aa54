//! The integration tests, one binary: the interface in process on both databases, real processes, the house's fences.
//!
//! `VENTMILE_TEST_POSTGRES` names a Postgres server (`postgres://USER@HOST:PORT`) on which databases may be made;
//! `tests/run` starts a private one. Without it the Postgres half fails: it is never skipped.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic, reason = "tests")]
#![allow(clippy::disallowed_methods, reason = "tests read the environment that tests/run prepares")]

mod common;

mod access;
mod backup;
mod board;
mod board_packs;
mod books;
mod deep;
mod document;
mod events;
mod fences;
mod floor;
mod forecast;
mod hindsight;
mod in_use;
mod limits;
mod logs;
mod loops;
mod migrations;
mod moving;
mod orders;
mod outbox;
mod pack_logs;
mod packs;
mod parts;
mod plans;
mod process;
mod register;
mod rights;
mod smoke;
mod stops;
mod streams;
mod usage;
mod waiting;
mod webhooks;
mod what_if;
mod work;
