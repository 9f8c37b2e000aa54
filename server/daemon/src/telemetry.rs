//! Logs: a readable message with named fields, to standard error.

use tracing::level_filters::LevelFilter;

use crate::config::{Log, LogFormat, LogLevel};

/// Starts logging for the whole process; a second call changes nothing.
pub fn start(log: &Log) {
    let level = match log.level {
        LogLevel::Error => LevelFilter::ERROR,
        LogLevel::Warn => LevelFilter::WARN,
        LogLevel::Info => LevelFilter::INFO,
        LogLevel::Debug => LevelFilter::DEBUG,
        LogLevel::Trace => LevelFilter::TRACE,
    };
    let lines = tracing_subscriber::fmt().with_max_level(level).with_writer(std::io::stderr);
    let started = match log.format {
        LogFormat::Json => lines.json().flatten_event(true).try_init(),
        LogFormat::Text => lines.with_ansi(std::io::IsTerminal::is_terminal(&std::io::stderr())).try_init(),
    };
    // Only a test that starts several daemons in one process comes here twice.
    drop(started);
}
