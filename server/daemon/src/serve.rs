//! The serving process: one on a SQLite file, any number on a Postgres database.

use std::fs::File;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::app::App;
use crate::clock::SystemClock;
use crate::config::Settings;
use crate::store::{Engine, StoreError};
use crate::{api, board, listen, loops};

/// Why the daemon could not serve.
#[derive(Debug, thiserror::Error)]
pub enum ServeFault {
    /// The database.
    #[error("{0}")]
    Store(#[from] StoreError),
    /// Another process serves this file.
    #[error("another ventmile serves {0}: stop it first, or give this one a database of its own")]
    Served(String),
    /// The lock file could not be made.
    #[error("{path}: {fault}")]
    Lock {
        /// The lock file.
        path: String,
        /// What went wrong.
        fault: std::io::Error,
    },
    /// The address.
    #[error("cannot listen on {address}: {fault}")]
    Listen {
        /// Address and port.
        address: SocketAddr,
        /// What went wrong.
        fault: std::io::Error,
    },
    /// The server failed.
    #[error("{0}")]
    Server(#[from] std::io::Error),
}

/// Requests under way get this long to end once the daemon is told to stop.
const LAST_REQUESTS: Duration = Duration::from_secs(20);

/// A daemon that has its database and its port and is about to serve.
#[derive(Debug)]
pub struct Server {
    /// The application.
    pub app: App,
    listener: TcpListener,
    metrics: Option<TcpListener>,
    // Held while the process lives; the system lets go of it however the process ends.
    _lock: Option<File>,
}

/// Takes the lock of a SQLite file, which whoever serves it holds; it lasts as long as what is returned.
///
/// # Errors
/// [`ServeFault::Served`] when another process holds it, [`ServeFault::Lock`] when it cannot be made.
pub fn lock(file: &Path) -> Result<File, ServeFault> {
    let path = file.with_added_extension("lock");
    let fault = |fault| ServeFault::Lock { path: path.display().to_string(), fault };
    let lock = File::options().create(true).write(true).truncate(false).open(&path).map_err(fault)?;
    match lock.try_lock() {
        Ok(()) => Ok(lock),
        Err(std::fs::TryLockError::WouldBlock) => Err(ServeFault::Served(file.display().to_string())),
        Err(std::fs::TryLockError::Error(error)) => Err(fault(error)),
    }
}

async fn bind(address: SocketAddr) -> Result<TcpListener, ServeFault> {
    TcpListener::bind(address).await.map_err(|fault| ServeFault::Listen { address, fault })
}

impl Server {
    /// Takes the lock, opens the database, binds the port.
    ///
    /// # Errors
    /// [`ServeFault`] saying which of these failed.
    pub async fn prepare(settings: Settings) -> Result<Self, ServeFault> {
        let lock = settings.database.0.strip_prefix("sqlite:").map(|file| lock(Path::new(file))).transpose()?;
        let listener = bind(settings.listen).await?;
        let metrics = match settings.metrics.address().ok().flatten() {
            Some(address) => Some(bind(address).await?),
            None => None,
        };
        let app = App::open(settings, Arc::new(SystemClock)).await?;
        if app.store.engine() == Engine::Sqlite {
            app.store.free_claims().await?;
        }
        Ok(Self { app, listener, metrics, _lock: lock })
    }

    /// The address it listens on.
    ///
    /// # Errors
    /// When the socket is gone.
    pub fn address(&self) -> std::io::Result<SocketAddr> {
        self.listener.local_addr()
    }

    /// Serves until `stop` is cancelled: then no new connections are taken, requests under way end, the loops end
    /// between two batches, and every acknowledged row is on the disk already.
    ///
    /// # Errors
    /// When the server fails.
    pub async fn run(self, stop: CancellationToken) -> Result<(), ServeFault> {
        let tasks = TaskTracker::new();
        loops::start(&self.app, &stop, &tasks);
        let limits = &self.app.settings.limits;
        if let Some(listener) = self.metrics {
            tracing::info!(address = %listener.local_addr()?, "serving metrics");
            let router = api::metrics_router(self.app.clone());
            tasks.spawn(listen::serve(listener, router, limits.clone(), stop.clone()));
        }
        tasks.close();
        tracing::info!(address = %self.listener.local_addr()?, "serving");
        let router = router(&self.app);
        let (told, ending) = (stop.clone(), self.app.ending.clone());
        let server = listen::serve(self.listener, router, limits.clone(), told);
        let deadline = async {
            stop.cancelled().await;
            ending.cancel();
            tokio::time::sleep(LAST_REQUESTS).await;
        };
        tokio::select! {
            () = server => {}
            () = deadline => tracing::warn!("some requests did not end in time"),
        }
        stop.cancel();
        tasks.wait().await;
        self.app.store.close().await;
        tracing::info!("stopped");
        Ok(())
    }
}

/// All that is served: the interface and the board.
pub fn router(app: &App) -> axum::Router {
    let pages = board::router(app, board::Interface::new(api::within(app.clone())));
    api::router(app.clone(), pages)
}

/// Cancels the token when the process is told to stop by SIGTERM or SIGINT.
///
/// # Errors
/// When the signals cannot be listened to.
pub fn stop_on_signal(stop: CancellationToken) -> std::io::Result<()> {
    use tokio::signal::unix::{SignalKind, signal};
    let (mut terminate, mut interrupt) = (signal(SignalKind::terminate())?, signal(SignalKind::interrupt())?);
    tokio::spawn(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
        tracing::info!("told to stop");
        stop.cancel();
    });
    Ok(())
}
