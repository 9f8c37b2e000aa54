//! Connections: how many there may be, and how slow a client may be.

use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::extract::Request;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio_io_timeout::TimeoutStream;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tower::ServiceExt;

use crate::config::Limits;

/// The address a request came from, among its extensions.
#[derive(Clone, Copy, Debug)]
pub struct Remote(pub IpAddr);

/// After a failed accept, such as for want of file handles, the next one waits this long.
const AFTER_FAILURE: Duration = Duration::from_millis(50);

/// Connections by address.
#[derive(Debug, Default)]
struct Crowd(Mutex<HashMap<IpAddr, usize>>);

impl Crowd {
    /// A place for one more connection from the address; `None` where it has `most` already, 0 for any number.
    fn join(self: &Arc<Self>, address: IpAddr, most: usize) -> Option<Place> {
        let mut crowd = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let there = crowd.entry(address).or_default();
        if most > 0 && *there >= most {
            return None;
        }
        *there += 1;
        Some(Place { crowd: Arc::clone(self), address })
    }
}

/// A place in the crowd, given back when dropped.
#[derive(Debug)]
struct Place {
    crowd: Arc<Crowd>,
    address: IpAddr,
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut crowd = self.crowd.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(there) = crowd.get_mut(&self.address) {
            *there -= 1;
            if *there == 0 {
                crowd.remove(&self.address);
            }
        }
    }
}

/// Serves until `stop` is cancelled and the requests under way have ended.
pub async fn serve(listener: TcpListener, router: Router, limits: Limits, stop: CancellationToken) {
    let room = Arc::new(Semaphore::new(limits.connections));
    let (crowd, connections) = (Arc::new(Crowd::default()), TaskTracker::new());
    loop {
        let accepted = tokio::select! {
            () = stop.cancelled() => break,
            // Beyond the limit connections wait in the system's queue.
            accepted = accept(&listener, &room) => accepted,
        };
        let (stream, from, permit) = match accepted {
            Ok(accepted) => accepted,
            Err(error) => {
                tracing::warn!(%error, "a connection could not be taken");
                tokio::time::sleep(AFTER_FAILURE).await;
                continue;
            }
        };
        let Some(place) = crowd.join(from.ip(), limits.connections_per_address) else {
            tracing::debug!(address = %from.ip(), "too many connections from one address");
            continue;
        };
        let connection = connection(stream, from, router.clone(), &limits, stop.clone());
        connections.spawn(async move {
            connection.await;
            drop((place, permit));
        });
    }
    drop(listener);
    connections.close();
    connections.wait().await;
}

async fn accept(
    listener: &TcpListener,
    room: &Arc<Semaphore>,
) -> std::io::Result<(TcpStream, SocketAddr, tokio::sync::OwnedSemaphorePermit)> {
    let permit = Arc::clone(room).acquire_owned().await.map_err(std::io::Error::other)?;
    let (stream, from) = listener.accept().await?;
    stream.set_nodelay(true)?;
    Ok((stream, from, permit))
}

fn connection(
    stream: TcpStream,
    from: SocketAddr,
    router: Router,
    limits: &Limits,
    stop: CancellationToken,
) -> impl Future<Output = ()> + Send + use<> {
    let mut stream = TimeoutStream::new(stream);
    stream.set_write_timeout(Some(Duration::from_secs(limits.idle_seconds)));
    let service = service_fn(move |request: hyper::Request<hyper::body::Incoming>| {
        let mut request: Request = request.map(Body::new);
        request.extensions_mut().insert(Remote(from.ip()));
        router.clone().oneshot(request)
    });
    let serving = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(Duration::from_secs(limits.head_seconds))
        .serve_connection(TokioIo::new(Box::pin(stream)), service);
    async move {
        let mut serving = std::pin::pin!(serving);
        let ended = tokio::select! {
            ended = serving.as_mut() => ended,
            () = stop.cancelled() => {
                serving.as_mut().graceful_shutdown();
                serving.await
            }
        };
        if let Err(error) = ended {
            tracing::debug!(%error, address = %from.ip(), "a connection broke off");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_has_so_many_places() {
        let crowd = Arc::new(Crowd::default());
        let address: IpAddr = [192, 0, 2, 1].into();
        let first = crowd.join(address, 2).unwrap();
        let _second = crowd.join(address, 2).unwrap();
        assert!(crowd.join(address, 2).is_none());
        assert!(crowd.join([192, 0, 2, 2].into(), 2).is_some());
        drop(first);
        assert!(crowd.join(address, 2).is_some());
        assert!(crowd.join(address, 0).is_some(), "0 is any number");
    }
}
