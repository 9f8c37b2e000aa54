//! The command line.

use std::fs::File;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use chrono::{DateTime, TimeDelta, Utc};
use clap::{Args, Parser, Subcommand};
use futures_util::TryStreamExt;
use indicatif::{ProgressBar, ProgressStyle};
use tokio_util::sync::CancellationToken;

use crate::api::import::{Log, import, refused_line};
use crate::api::journal::export;
use crate::app::keys::{REMEMBERED, Scope, bare};
use crate::app::work::read_procedure;
use crate::app::{App, usage_settings};
use crate::backtest::{self, Absent, Limits};
use crate::client::Client;
use crate::clock::{Clock, SystemClock};
use crate::config::{Config, Secret, Settings};
use crate::sending::send;
use crate::serve::{ServeFault, Server, lock, stop_on_signal};
use crate::store::{KeyRecord, Store, TableSum, Tally};
use crate::upkeep::Failure;
use crate::{demo, telemetry, upkeep};

/// Ventmile: when each hybrid car's battery cooling fan falls due for service.
#[derive(Debug, Parser)]
#[command(name = "ventmile", version, about, propagate_version = true)]
pub struct Cli {
    #[command(flatten)]
    common: Common,
    #[command(subcommand)]
    command: Command,
}

#[derive(Args, Debug)]
struct Common {
    /// Settings file (TOML); the defaults and what each is for: `ventmile check --defaults`.
    #[arg(long, global = true, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Database: sqlite:PATH or postgres://USER@HOST/NAME.
    #[arg(long, global = true, value_name = "ADDRESS")]
    database: Option<String>,
    /// Any setting, such as duty.mean_hours=9.5; may be given many times.
    #[arg(long = "set", global = true, value_name = "NAME=VALUE", value_parser = pair)]
    set: Vec<(String, String)>,
}

fn pair(text: &str) -> Result<(String, String), String> {
    let (name, value) = text.split_once('=').ok_or("write NAME=VALUE")?;
    Ok((name.trim().to_owned(), value.trim().to_owned()))
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Serve the interface until told to stop.
    Serve {
        /// Address and port.
        #[arg(long, value_name = "ADDRESS")]
        listen: Option<String>,
    },
    /// Load an invented fleet into a new file and serve it, to look around.
    Demo {
        /// Address and port.
        #[arg(long, value_name = "ADDRESS")]
        listen: Option<String>,
        /// Stop once it is loaded and shown.
        #[arg(long)]
        once: bool,
    },
    /// Import files of logs or vehicles: CSV, NDJSON or a JSON array.
    Import {
        /// The files.
        #[arg(required = true, value_name = "FILE")]
        files: Vec<PathBuf>,
        /// What they hold, where it is not clear from their columns: odometer-readings, duty-logs, seat-logs,
        /// past-services, packs, pack-checks, trouble-codes or vehicles.
        #[arg(long, value_name = "LOG")]
        log: Option<String>,
        /// Send them to the server at this address; without it they are sent where the settings say that one listens, if
        /// it holds the SQLite file, and else written to the database.
        #[arg(long, value_name = "http://HOST:PORT")]
        server: Option<String>,
        /// The key to send them with; VENTMILE_KEY in the environment where it is left out.
        #[arg(long, value_name = "KEY")]
        key: Option<String>,
    },
    /// Score the forecasts against what happened, beside two naive ones: on the logs in the database, or on files.
    Backtest(Backtest),
    /// Procedures: what is done at an order, step by step.
    #[command(subcommand)]
    Procedure(ProcedureCommand),
    /// Keys: who may do what.
    #[command(subcommand)]
    Key(KeyCommand),
    /// The journal: who changed what.
    #[command(subcommand)]
    Journal(JournalCommand),
    /// Copy a SQLite database to a new file while others use it.
    Backup {
        /// The new file.
        target: PathBuf,
    },
    /// Put a copy back where the SQLite database is, once it was read through.
    Restore {
        /// The copy.
        file: PathBuf,
        /// Move the database that stands there aside.
        #[arg(long)]
        replace: bool,
    },
    /// Move everything to another database, SQLite or Postgres, while neither is served.
    Move {
        /// The database to be moved; without it the one of the settings.
        #[arg(long, value_name = "ADDRESS")]
        from: Option<String>,
        /// An empty database, or a SQLite file that is not there yet.
        #[arg(long, value_name = "ADDRESS")]
        to: String,
    },
    /// Show the settings in force, where each came from, and whether the database can be used.
    Check {
        /// Print the defaults with what each is for, as a settings file.
        #[arg(long)]
        defaults: bool,
        /// Look through the whole database for what breaks its rules, while others use it.
        #[arg(long, conflicts_with = "defaults")]
        deep: bool,
    },
}

#[derive(Args, Debug)]
struct Backtest {
    /// What each vehicle did: CSV of unit, day (a number), miles, hours; plain or gzip.
    #[arg(long, value_name = "FILE", requires_all = ["targets", "limit"])]
    daily: Option<PathBuf>,
    /// What is to be forecast: CSV of unit, day (at whose end), days_to_limit, reached (1 or 0).
    #[arg(long, value_name = "FILE", requires = "daily")]
    targets: Option<PathBuf>,
    /// What counts, whichever comes first: miles=25000, or miles=25000,hours=57,days=75.
    #[arg(long, value_name = "METER=AMOUNT,…", requires = "daily")]
    limit: Option<Limits>,
    /// What a day without a row means.
    #[arg(long, value_enum, default_value = "unknown", requires = "daily")]
    absent: Absent,
    /// Print the table of each origin too.
    #[arg(long, requires = "daily", conflicts_with = "json")]
    origins: bool,
    /// Print the table as JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum ProcedureCommand {
    /// Check a procedure's file (TOML) and add it, or the next version of one.
    Add {
        /// The file.
        file: PathBuf,
    },
}

#[derive(Debug, Subcommand)]
enum KeyCommand {
    /// Make a key; it is shown once.
    New {
        /// What it is called.
        #[arg(long)]
        name: Option<String>,
        /// What it may do: read, post, work, plan, admin, separated by commas.
        #[arg(long, value_delimiter = ',', required = true)]
        may: Vec<String>,
        /// Confine it to a depot; may be given many times.
        #[arg(long = "depot", value_name = "CODE")]
        depots: Vec<String>,
        /// Days until it ends.
        #[arg(long, value_name = "DAYS")]
        days: Option<u32>,
    },
    /// List the keys.
    List,
    /// Give a key a new secret; it is shown once.
    Rotate {
        /// What it is called.
        name: String,
        /// Hours for which the secret it has works beside the new one.
        #[arg(long, value_name = "HOURS", default_value_t = 24)]
        overlap_hours: u32,
    },
    /// Revoke a key.
    Revoke {
        /// What it is called.
        name: String,
    },
}

#[derive(Debug, Subcommand)]
enum JournalCommand {
    /// Find lines that were changed, are missing or out of order.
    Verify {
        /// Hash of a line noted earlier, which must be there: lines cut off the end, or a journal written anew, show by
        /// nothing else.
        #[arg(long, value_name = "HASH")]
        holds: Option<String>,
    },
    /// Print the journal as NDJSON.
    Export,
}

/// Runs the command the arguments ask for.
#[must_use]
pub fn run() -> ExitCode {
    let cli = Cli::parse();
    let runtime = match tokio::runtime::Runtime::new() {
        Ok(runtime) => runtime,
        Err(fault) => return fail(&fault.into()),
    };
    match runtime.block_on(command(cli)) {
        Ok(code) => code,
        Err(fault) => fail(&fault),
    }
}

fn fail(fault: &Failure) -> ExitCode {
    eprintln!("ventmile: {fault}");
    ExitCode::FAILURE
}

fn load(common: &Common, listen: Option<&String>) -> Result<Config, Failure> {
    let mut flags = common.set.clone();
    flags.extend(common.database.iter().map(|address| ("database".to_owned(), address.clone())));
    flags.extend(listen.map(|address| ("listen".to_owned(), address.clone())));
    Ok(Config::load(common.config.as_deref(), Config::environment(), &flags)?)
}

async fn command(cli: Cli) -> Result<ExitCode, Failure> {
    let common = &cli.common;
    match cli.command {
        Command::Serve { listen } => {
            let settings = load(common, listen.as_ref())?.settings;
            telemetry::start(&settings.log);
            let stop = CancellationToken::new();
            stop_on_signal(stop.clone())?;
            Server::prepare(settings).await?.run(stop).await?;
        }
        Command::Demo { listen, once } => {
            let config = load(common, listen.as_ref())?;
            telemetry::start(&config.settings.log);
            demo::run(config, once).await?;
        }
        Command::Import { files, log, server, key } => {
            let settings = load(common, None)?.settings;
            let client = client(&settings, server.as_deref(), key)?;
            return import_files(settings, &files, log.as_deref(), client).await;
        }
        Command::Backtest(asked) => backtest(common, &asked).await?,
        Command::Procedure(ProcedureCommand::Add { file }) => add_procedure(common, &file).await?,
        Command::Key(command) => key(common, command).await?,
        Command::Journal(command) => return journal(common, command).await,
        Command::Backup { target } => println!("{}", upkeep::back_up(&load(common, None)?.settings, &target).await?),
        Command::Restore { file, replace } => {
            let settings = load(common, None)?.settings;
            println!("{}", upkeep::put_back(&settings, &file, replace, SystemClock.now()).await?);
        }
        Command::Move { from, to } => {
            let from = from
                .map_or_else(|| load(common, None).map(|config| config.settings.database), |text| Ok(Secret(text)))?;
            move_database(&from, &Secret(to)).await?;
        }
        Command::Check { defaults: true, .. } => print!("{}", crate::config::DEFAULTS),
        Command::Check { deep: true, .. } => return check_deep(&load(common, None)?.settings).await,
        Command::Check { .. } => return check(&load(common, None)?).await,
    }
    Ok(ExitCode::SUCCESS)
}

/// The settings with where each came from, then the database.
async fn check(config: &Config) -> Result<ExitCode, Failure> {
    let width = config.origins.keys().map(String::len).max().unwrap_or_default();
    for (key, (value, origin)) in &config.origins {
        println!("{key:width$} = {value}  ({origin})");
    }
    let database = &config.settings.database;
    match Store::inspect(&database.0).await {
        Ok(state) => {
            println!("database {database}: {state}");
            Ok(ExitCode::SUCCESS)
        }
        Err(fault) => {
            println!("database {database}: {fault}");
            Ok(ExitCode::FAILURE)
        }
    }
}

async fn check_deep(settings: &Settings) -> Result<ExitCode, Failure> {
    let sound = Store::check_deep(&settings.database.0, |check| {
        println!("{:<4} {}", if check.found.is_empty() { "ok" } else { "NOT" }, check.rule);
        check.found.iter().for_each(|what| println!("       {what}"));
        if !check.found.is_empty() {
            println!("     → {}", check.todo);
        }
    });
    Ok(if sound.await? { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

async fn move_database(from: &Secret, to: &Secret) -> Result<(), Failure> {
    let bar = ProgressBar::no_length();
    let style = ProgressStyle::with_template("{msg} {bar:30} {human_pos}/{human_len}");
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    let mut told = |table: &str, over: u64, all: u64| {
        bar.set_message(table.to_owned());
        bar.set_length(all);
        bar.set_position(over);
    };
    let moved = upkeep::move_database(from, to, &mut told).await;
    bar.finish_and_clear();
    let moved = moved?;
    for TableSum { table, rows, sum } in &moved {
        println!("{table:<20} {rows:>10} rows, sum {sum:032x}");
    }
    let rows: u64 = moved.iter().map(|table| table.rows).sum();
    println!("{} tables, {rows} rows: the same in both. {to} can be served now; {from} is as it was.", moved.len());
    Ok(())
}

async fn open(settings: Settings) -> Result<App, Failure> {
    Ok(App::open(settings, Arc::new(SystemClock)).await?)
}

async fn backtest(common: &Common, asked: &Backtest) -> Result<(), Failure> {
    let settings = load(common, None)?.settings;
    let table = match (&asked.daily, &asked.targets, asked.limit) {
        (Some(daily), Some(targets), Some(limits)) => {
            let task = backtest::read_task(daily, targets, limits, asked.absent)?;
            let run = backtest::run_by_origin(&task.fleet, &task.cases, &usage_settings(&settings));
            run.map(|(origins, all)| {
                for (origin, table) in origins.iter().filter(|_| asked.origins) {
                    print!("day {origin}\n{}\n", table.text());
                }
                all
            })
        }
        _ => open(settings).await?.backtest().await?,
    };
    let table = table.ok_or("there is nothing to score yet: no car has 45 days of history and days after them")?;
    print!("{}", if asked.json { format!("{}\n", table.json()) } else { table.text() });
    Ok(())
}

async fn add_procedure(common: &Common, file: &Path) -> Result<(), Failure> {
    let named = |fault: &dyn std::fmt::Display| format!("{}: {fault}", file.display());
    let text = std::fs::read_to_string(file).map_err(|fault| named(&fault))?;
    let text = read_procedure(&text).map_err(|fault| named(&fault))?;
    let app = open(load(common, None)?.settings).await?;
    app.add_procedure_from(&text, "command line").await.map_err(|fault| named(&fault))?;
    println!("added procedure {} version {}", text.code, text.version);
    Ok(())
}

async fn key(common: &Common, command: KeyCommand) -> Result<(), Failure> {
    let app = open(load(common, None)?.settings).await?;
    match command {
        KeyCommand::New { name, may, depots, days } => {
            let scopes = may.iter().map(|text| scope(text)).collect::<Result<Vec<_>, _>>()?;
            let now = app.now();
            let name = name.unwrap_or_else(|| format!("key {}", now.format("%Y-%m-%d %H:%M:%S%.3f")));
            if name.trim().is_empty() || name.contains(',') {
                return Err(format!("{name:?}: a key's name is not empty and holds no comma").into());
            }
            let ends = days.map(|days| now + TimeDelta::days(i64::from(days)));
            println!("{}", app.new_key(&name, &scopes, &depots, ends).await?);
        }
        KeyCommand::List => {
            println!("{:<24} {:<28} {:<20} {:<17} state", "name", "may", "depots", "last used");
            for key in app.store.keys(0, None, i64::MAX).await? {
                println!("{}", key_line(&key, app.now()));
            }
        }
        KeyCommand::Rotate { name, overlap_hours } => {
            let overlap = TimeDelta::hours(i64::from(overlap_hours));
            println!("{}", app.rotate_key(&name, overlap, &app.by_command_line(), bare).await?.body);
        }
        KeyCommand::Revoke { name } => {
            app.revoke_key(&name, &app.by_command_line(), |key| bare(key, None)).await?;
            println!("revoked {name:?}; a serving process stops taking it within {} seconds", REMEMBERED.num_seconds());
        }
    }
    Ok(())
}

fn key_line(key: &KeyRecord, now: DateTime<Utc>) -> String {
    let minutes = |at: DateTime<Utc>| at.format("%Y-%m-%d %H:%MZ").to_string();
    let state = match (key.revoked_at, key.expires_at) {
        (Some(at), _) => format!("revoked {}", minutes(at)),
        (None, Some(end)) if end <= now => format!("ended {}", minutes(end)),
        (None, Some(end)) => format!("until {}", minutes(end)),
        (None, None) => "stands".to_owned(),
    };
    let overlap = key.old_until.filter(|until| *until > now && key.revoked_at.is_none());
    let overlap = overlap.map(|until| format!(", its old secret until {}", minutes(until))).unwrap_or_default();
    let depots = if key.depots.is_empty() { "all".to_owned() } else { key.depots.join(",") };
    let used = key.last_used_at.map_or_else(|| "–".to_owned(), minutes);
    format!("{:<24} {:<28} {depots:<20} {used:<17} {state}{overlap}", key.name, key.may)
}

async fn journal(common: &Common, command: JournalCommand) -> Result<ExitCode, Failure> {
    let store = open(load(common, None)?.settings).await?.store;
    match command {
        JournalCommand::Verify { holds } => {
            let check = store.check_journal(holds.as_deref()).await?;
            for (line, says) in &check.faults {
                println!("line {line}: {says}");
            }
            if !check.holds {
                println!("no line has the hash {}: lines were cut off or written anew", holds.unwrap_or_default());
            }
            if let Some((line, hash)) = &check.last {
                println!(
                    "{} lines, {} faults; the last is {line} with the hash {hash}",
                    check.lines,
                    check.faults.len()
                );
            }
            let sound = check.holds && check.faults.is_empty();
            Ok(if sound { ExitCode::SUCCESS } else { ExitCode::FAILURE })
        }
        JournalCommand::Export => {
            let mut pages = std::pin::pin!(export(store, 0, None));
            while let Some(page) = pages.try_next().await? {
                print!("{page}");
            }
            Ok(ExitCode::SUCCESS)
        }
    }
}

fn scope(text: &str) -> Result<Scope, String> {
    let known: Vec<&str> = Scope::ALL.iter().map(|scope| scope.as_str()).collect();
    Scope::parse(text.trim()).ok_or_else(|| format!("{text:?} is no scope: give {}", known.join(", ")))
}

/// Where the rows of files go.
enum Target {
    Server(Client),
    Database(Box<App>),
}

/// Refused rows shown of a file; the count tells of the rest.
const SHOWN: usize = 20;

/// Who rows are sent to: the server that is named, or the one that holds the SQLite file; `None` where they are written to the
/// database itself.
fn client(settings: &Settings, server: Option<&str>, key: Option<String>) -> Result<Option<Client>, Failure> {
    let file = settings.database.0.strip_prefix("sqlite:");
    let held = || file.filter(|file| matches!(lock(Path::new(file)), Err(ServeFault::Served(_))));
    let (authority, why) = match server {
        Some(server) => (authority(server)?, format!("rows go to {server} over HTTP")),
        None => match held() {
            Some(file) => (own_authority(settings.listen)?, format!("a server holds {file}: rows go to it over HTTP")),
            None => return Ok(None),
        },
    };
    let variable = || Config::environment().into_iter().find(|(name, _)| name == "VENTMILE_KEY").map(|(_, key)| key);
    let key = key.or_else(variable).filter(|key| !key.trim().is_empty());
    let key = key.ok_or_else(|| format!("{why}, with a key that may post: give it in VENTMILE_KEY or with --key"))?;
    let name = format!("import-{}", SystemClock.now().timestamp_micros());
    Ok(Some(Client::new(&authority, key.trim(), &name)))
}

fn authority(server: &str) -> Result<String, Failure> {
    let wrong = || format!("{server:?}: give http://HOST:PORT; where TLS stands before it, the address behind that");
    let authority = server.strip_prefix("http://").map(|rest| rest.trim_end_matches('/')).ok_or_else(wrong)?;
    let whole = !authority.is_empty() && !authority.contains(['/', '@', ' ', '?', '#']);
    if whole { Ok(authority.to_owned()) } else { Err(wrong().into()) }
}

/// Where a server with these settings is reached from this machine.
fn own_authority(listen: SocketAddr) -> Result<String, Failure> {
    let host = match listen.ip() {
        ip if !ip.is_unspecified() => ip,
        IpAddr::V4(_) => Ipv4Addr::LOCALHOST.into(),
        IpAddr::V6(_) => Ipv6Addr::LOCALHOST.into(),
    };
    match listen.port() {
        0 => Err("a server holds the file and its port is not known: say where it serves with --server".into()),
        port => Ok(SocketAddr::new(host, port).to_string()),
    }
}

async fn import_files(
    settings: Settings,
    files: &[PathBuf],
    log: Option<&str>,
    client: Option<Client>,
) -> Result<ExitCode, Failure> {
    telemetry::start(&settings.log);
    let log = log.map(|text| Log::parse(text).ok_or_else(|| format!("{text:?} is no log: see --help"))).transpose()?;
    let limits = settings.limits.clone();
    let target = match client {
        Some(client) => Target::Server(client),
        None => Target::Database(Box::new(open(settings).await?)),
    };
    let mut refused = 0;
    for path in files {
        let file = File::open(path).map_err(|fault| format!("{}: {fault}", path.display()))?;
        let bar = progress(file.metadata().map(|data| data.len()).unwrap_or_default());
        bar.set_message(path.display().to_string());
        let imported = match &target {
            Target::Server(client) => send(client, log, &limits, bar.wrap_read(file)).await,
            Target::Database(app) => import(app, log, bar.wrap_read(file)).await,
        };
        bar.finish_and_clear();
        let mut tally = imported.map_err(|fault| format!("{}: {fault}", path.display()))?;
        tally.refused.sort_by_key(|row| row.row);
        report(&path.display().to_string(), &tally);
        refused += tally.refused.len();
    }
    Ok(if refused == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

fn progress(bytes: u64) -> ProgressBar {
    let bar = ProgressBar::new(bytes);
    let style = ProgressStyle::with_template("{msg} {bar:30} {bytes}/{total_bytes} {eta}");
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    bar
}

fn report(file: &str, tally: &Tally) {
    let refused = tally.refused.len();
    println!(
        "{file}: stored {}, repeated {}, replaced {}, refused {refused}",
        tally.stored, tally.repeated, tally.replaced
    );
    for row in tally.refused.iter().take(SHOWN) {
        eprintln!("  {}", refused_line(row));
    }
    if refused > SHOWN {
        eprintln!("  … and {} more", refused - SHOWN);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_server_is_named_by_its_address() {
        assert_eq!(authority("http://127.0.0.1:7420/").unwrap(), "127.0.0.1:7420");
        for wrong in ["https://fleet.example", "fleet:7420", "http://", "http://a/b", "http://key@a"] {
            assert!(authority(wrong).unwrap_err().to_string().contains("give http://HOST:PORT"), "{wrong}");
        }
        for (listen, reached) in
            [("0.0.0.0:7420", "127.0.0.1:7420"), ("[::]:1", "[::1]:1"), ("192.0.2.1:80", "192.0.2.1:80")]
        {
            assert_eq!(own_authority(listen.parse().unwrap()).unwrap(), reached);
        }
        assert!(own_authority("127.0.0.1:0".parse().unwrap()).is_err());
    }

    #[test]
    fn the_command_line_is_sound() {
        <Cli as clap::CommandFactory>::command().debug_assert();
    }
}
