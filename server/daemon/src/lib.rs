//! The Ventmile daemon as a library; `main.rs` is a thin face on it.

pub mod api;
pub mod app;
pub mod backtest;
pub mod board;
pub mod cli;
pub mod client;
pub mod clock;
pub mod config;
pub mod courier;
pub mod current;
pub mod demo;
pub mod listen;
pub mod loops;
pub mod sending;
pub mod serve;
pub mod store;
pub mod telemetry;
pub mod upkeep;
mod values;
