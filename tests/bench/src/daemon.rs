//! The daemon as it is shipped: a process of its own, with its default settings unless some are set to be tried.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::{Command, Stdio};

use crate::Result;
use crate::http::Client;
use crate::process::{Process, free_address, output};

/// A serving daemon.
pub struct Daemon {
    process: Process,
    pub address: SocketAddr,
    key: String,
}

/// The daemon's binary and the settings it is given.
pub struct Program {
    pub file: PathBuf,
    pub set: Vec<String>,
}

impl Program {
    fn command(&self, database: &str) -> Command {
        let mut command = Command::new(&self.file);
        // Nothing of this process's environment may change a setting.
        command.env_clear().args(["--database", database, "--set", "log.level=error"]);
        command.args(self.set.iter().flat_map(|setting| ["--set", setting]));
        command
    }
}

impl Daemon {
    /// Makes a key, then serves the database with these settings too.
    pub async fn start(program: &Program, database: &str, set: &[&str]) -> Result<Self> {
        let mut key = program.command(database);
        let key = output(key.args(["key", "new", "--may", "read,post,admin"]))?.trim().to_owned();
        let address = free_address()?;
        let mut serve = program.command(database);
        serve.args(["serve", "--listen", &address.to_string()]).stdout(Stdio::null());
        // One key asks for more than a key gets.
        serve.args(["--set", "limits.key_requests=0"]);
        serve.args(set.iter().flat_map(|setting| ["--set", setting]));
        let mut process = Process::start(&mut serve, "-TERM")?;
        process.listens(address).await?;
        Ok(Self { process, address, key })
    }

    pub async fn client(&self) -> Result<Client> {
        Client::connect(self.address, &self.key).await
    }

    /// Processor seconds it has had.
    pub fn processor_seconds(&self) -> Result<f64> {
        self.process.processor_seconds()
    }

    /// Somebody who has signed in to the board.
    pub async fn browser(&self) -> Result<Client> {
        Client::sign_in(self.address, &self.key).await
    }

    /// Its process, for a profiler.
    pub fn id(&self) -> u32 {
        self.process.id()
    }
}
