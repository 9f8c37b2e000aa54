//! Processes that end with the value that holds them.

use std::net::{SocketAddr, TcpListener};
use std::process::{Child, Command};
use std::time::{Duration, Instant};

use tokio::net::TcpStream;

use crate::Result;

/// A process, stopped by its signal when this is dropped.
pub struct Process {
    child: Child,
    signal: &'static str,
}

const TO_START: Duration = Duration::from_secs(60);
const TO_STOP: Duration = Duration::from_secs(30);
const TICK: Duration = Duration::from_millis(20);

impl Process {
    pub fn start(command: &mut Command, signal: &'static str) -> Result<Self> {
        let child = command.spawn().map_err(|fault| format!("{:?}: {fault}", command.get_program()))?;
        Ok(Self { child, signal })
    }

    /// Waits until it takes connections.
    pub async fn listens(&mut self, address: SocketAddr) -> Result<()> {
        let start = Instant::now();
        while TcpStream::connect(address).await.is_err() {
            if let Some(status) = self.child.try_wait()? {
                return Err(format!("a process ended before it listened: {status}").into());
            }
            if start.elapsed() > TO_START {
                return Err("a process did not listen in time".into());
            }
            tokio::time::sleep(TICK).await;
        }
        Ok(())
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Processor seconds it has had, by the kernel's count in hundredths.
    pub fn processor_seconds(&self) -> Result<f64> {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.id()))?;
        // The name of the program, which may hold anything, ends with the last bracket; the times are the 12th and 13th after.
        let fields = stat.rsplit_once(')').ok_or("a process without a name")?.1.split_whitespace().skip(11).take(2);
        let ticks = fields.map(str::parse::<u64>).sum::<Result<u64, _>>()?;
        Ok(ticks as f64 / rustix::param::clock_ticks_per_second() as f64)
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        let told = Command::new("kill").arg(self.signal).arg(self.id().to_string()).status();
        let start = Instant::now();
        while told.is_ok() && start.elapsed() < TO_STOP {
            if !matches!(self.child.try_wait(), Ok(None)) {
                return;
            }
            std::thread::sleep(TICK);
        }
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// An address of this machine that is free at the moment.
pub fn free_address() -> Result<SocketAddr> {
    Ok(TcpListener::bind("127.0.0.1:0")?.local_addr()?)
}

/// Runs a command to its end and gives what it printed.
pub fn output(command: &mut Command) -> Result<String> {
    let done = command.output().map_err(|fault| format!("{:?}: {fault}", command.get_program()))?;
    if !done.status.success() {
        let said = String::from_utf8_lossy(&done.stderr);
        return Err(format!("{:?}: {}: {said}", command.get_program(), done.status).into());
    }
    Ok(String::from_utf8(done.stdout)?)
}
