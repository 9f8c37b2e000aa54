//! The reference for reading: a process in which bare axum serves the bytes of files from memory.

use std::net::SocketAddr;
use std::path::Path;
use std::process::Command;

use axum::Router;
use axum::http::header;
use axum::routing::get;
use bytes::Bytes;
use tokio::net::TcpListener;

use crate::Result;
use crate::process::{Process, free_address};

/// The first argument of a process that serves files: its address follows, then the files.
pub const COMMAND: &str = "memory";

/// Serves the files given under `/0`, `/1` and so on.
pub async fn serve(mut arguments: impl Iterator<Item = String>) -> Result<()> {
    let address: SocketAddr = arguments.next().ok_or("give an address and files")?.parse()?;
    let mut router = Router::new();
    for (place, file) in arguments.enumerate() {
        let bytes = Bytes::from(std::fs::read(file)?);
        let answer = move || async move { ([(header::CONTENT_TYPE, "application/json")], bytes) };
        router = router.route(&format!("/{place}"), get(answer));
    }
    axum::serve(TcpListener::bind(address).await?, router).await?;
    Ok(())
}

/// Such a process for these bodies.
pub struct Memory {
    _process: Process,
    pub address: SocketAddr,
}

impl Memory {
    pub async fn start(folder: &Path, bodies: &[Bytes]) -> Result<Self> {
        let address = free_address()?;
        let mut command = Command::new(std::env::current_exe()?);
        command.arg(COMMAND).arg(address.to_string());
        for (place, body) in bodies.iter().enumerate() {
            let file = folder.join(format!("{place}.json"));
            std::fs::write(&file, body)?;
            command.arg(file);
        }
        let mut process = Process::start(&mut command, "-TERM")?;
        process.listens(address).await?;
        Ok(Self { _process: process, address })
    }
}
