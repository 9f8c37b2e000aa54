//! Measures the daemon against the bare engine and bare axum, and the model against Python's libraries.
//!
//! The machine may be busy and its figures worth little, so each work is done in rounds, the daemon and its reference
//! by turns, and what counts is the median of the rounds' ratios.
#![allow(clippy::disallowed_methods, reason = "a benchmark reads the clock and the environment")]

mod bare;
mod car;
mod daemon;
mod database;
mod disk;
mod fleet;
mod http;
mod memory;
mod model;
mod packs;
mod pages;
mod process;
mod python;
mod rounds;
mod table;
mod work;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use tokio::signal::unix::{SignalKind, signal};

use daemon::Program;
use database::{Database, Server};
use work::Sizes;

type Fault = Box<dyn std::error::Error + Send + Sync>;
type Result<T, E = Fault> = std::result::Result<T, E>;

const USAGE: &str =
    "ventmile-bench DAEMON PYTHON [--quick] [--only model|sqlite|postgres|pages|recasts] [--set NAME=VALUE]";

struct Arguments {
    daemon: PathBuf,
    /// An interpreter that finds what `requirements.txt` names.
    python: PathBuf,
    quick: bool,
    only: Option<String>,
    /// Settings of the daemon, to try them.
    set: Vec<String>,
}

fn arguments(mut given: impl Iterator<Item = String>) -> Result<Arguments> {
    let (daemon, python) = (given.next().ok_or(USAGE)?.into(), given.next().ok_or(USAGE)?.into());
    let mut arguments = Arguments { daemon, python, quick: false, only: None, set: Vec::new() };
    while let Some(text) = given.next() {
        match text.as_str() {
            "--quick" => arguments.quick = true,
            "--only" => arguments.only = Some(given.next().ok_or(USAGE)?),
            "--set" => arguments.set.push(given.next().ok_or(USAGE)?),
            _ => return Err(USAGE.into()),
        }
    }
    Ok(arguments)
}

#[tokio::main]
async fn main() -> ExitCode {
    let mut given = std::env::args().skip(1).peekable();
    let done = if given.next_if(|text| text == memory::COMMAND).is_some() {
        memory::serve(given).await
    } else {
        measure(given).await
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(fault) => {
            eprintln!("ventmile-bench: {fault}");
            ExitCode::FAILURE
        }
    }
}

async fn told_to_stop() {
    let (Ok(mut terminate), Ok(mut interrupt)) = (signal(SignalKind::terminate()), signal(SignalKind::interrupt()))
    else {
        return std::future::pending().await;
    };
    tokio::select! {
        _ = terminate.recv() => {}
        _ = interrupt.recv() => {}
    }
}

async fn start(engine: &str, folder: &Path) -> Result<Server> {
    match engine {
        "sqlite" => Ok(Server::Files(folder.to_owned())),
        _ => Server::postgres(folder).await,
    }
}

impl Arguments {
    fn wants(&self, part: &str) -> bool {
        self.only.as_ref().is_none_or(|only| only == part)
    }
}

const STOPPED: &str = "stopped";

async fn measure(given: impl Iterator<Item = String>) -> Result<()> {
    let arguments = arguments(given)?;
    let sizes = if arguments.quick { Sizes::quick() } else { Sizes::full() };
    let cores = std::thread::available_parallelism()?;
    if arguments.wants("model") {
        let sizes = if arguments.quick { rounds::Sizes::quick() } else { rounds::Sizes::full() };
        let rows = model::all(&arguments.python, &sizes)?;
        println!("\nThe model, processor time, {cores} cores:\n");
        table::print(&rows);
    }
    let group = arguments.only.as_deref().filter(|only| ["pages", "recasts"].contains(only));
    let folder = tempfile::Builder::new().prefix("ventmile-bench-").tempdir()?;
    let mut stop = std::pin::pin!(told_to_stop());
    for engine in ["sqlite", "postgres"] {
        if group.is_none() && !arguments.wants(engine) {
            continue;
        }
        let server = tokio::select! {
            server = start(engine, folder.path()) => server?,
            () = &mut stop => return Err(STOPPED.into()),
        };
        let database = Database::new(server, Program { file: arguments.daemon.clone(), set: arguments.set.clone() });
        // However it ends, every process is stopped and every database and file removed.
        let work = async {
            match group {
                Some("pages") => pages::all(&database, &sizes).await,
                Some(_) => work::recasting(&database, &sizes).await,
                None => work::all(&database, folder.path(), &sizes).await,
            }
        };
        let rows = tokio::select! {
            rows = work => rows,
            () = &mut stop => Err(STOPPED.into()),
        };
        database.drop_all().await?;
        let rows = rows?;
        let set = if arguments.set.is_empty() { String::new() } else { format!(", {}", arguments.set.join(", ")) };
        println!("\n{}, {cores} cores{set}:\n", database.version().await?);
        table::print(&rows);
    }
    Ok(())
}
