//! The courier: signs what webhooks tell and carries it to its receiver, never to where it must not go.
//!
//! An address is looked up once for each delivery, every answer is checked, and the connection goes to a checked address:
//! a name that answers otherwise a moment later (DNS rebinding) changes nothing. Redirects are not followed.

mod address;
mod sign;

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use http_body_util::{BodyExt, Full};
use hyper::body::Incoming;
use hyper::client::conn::http1;
use hyper::{Request, Response, header};
use hyper_util::rt::TokioIo;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::task::JoinSet;
use tokio_rustls::TlsConnector;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, RootCertStore};

pub use address::{Target, special};
pub use sign::{SECRET_PREFIX, sign, text_of_secret};

use crate::config::Webhooks;

/// What is carried.
#[derive(Clone, Debug)]
pub struct Letter {
    /// Where to.
    pub url: String,
    /// Names the message, the same however often it is sent.
    pub id: String,
    /// When it is sent, in seconds since 1970.
    pub timestamp: i64,
    /// What signs it.
    pub signature: String,
    /// JSON.
    pub body: String,
}

/// What the receiver answered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Receipt {
    /// HTTP status.
    pub status: u16,
    /// How long it wants to be left alone, in seconds.
    pub retry_after: Option<u64>,
}

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum NotCarried {
    /// The address must not be used.
    #[error("{0}")]
    Refused(String),
    /// The name has no address.
    #[error("the name {name} cannot be looked up: {fault}")]
    Name {
        /// The name.
        name: String,
        /// What went wrong.
        fault: std::io::Error,
    },
    /// Nobody listens there, or not as they should.
    #[error("no connection: {0}")]
    Connection(#[from] std::io::Error),
    /// The exchange broke off.
    #[error("the exchange broke off: {0}")]
    Exchange(#[from] hyper::Error),
    /// The request could not be made.
    #[error("no request could be made: {0}")]
    Request(#[from] hyper::http::Error),
    /// It took too long.
    #[error("no answer within {} seconds", .0.as_secs())]
    Late(Duration),
}

/// Carries letters as the settings allow.
#[derive(Clone)]
pub struct Courier {
    tls: TlsConnector,
    allow_private: bool,
    allow_http: bool,
    timeout: Duration,
}

impl std::fmt::Debug for Courier {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("Courier").field("timeout", &self.timeout).finish_non_exhaustive()
    }
}

/// More of an answer than this is not read.
const LONGEST_ANSWER: usize = 16 * 1024;

/// Nor is it waited for any longer than this.
const LAST_WORDS: Duration = Duration::from_secs(2);

const AGENT: &str = concat!("ventmile/", env!("CARGO_PKG_VERSION"));

/// The media type of a CloudEvent as one JSON object.
const MEDIA_TYPE: &str = "application/cloudevents+json; charset=utf-8";

impl Courier {
    /// A courier that trusts the public certificates and those of `ca_file`.
    ///
    /// # Errors
    /// When that file cannot be read or holds no certificate.
    pub fn new(settings: &Webhooks) -> std::io::Result<Self> {
        let mut roots = RootCertStore { roots: webpki_roots::TLS_SERVER_ROOTS.to_vec() };
        if !settings.ca_file.is_empty() {
            add_roots(&mut roots, &settings.ca_file)?;
        }
        let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
            .with_safe_default_protocol_versions()
            .map_err(std::io::Error::other)?
            .with_root_certificates(roots)
            .with_no_client_auth();
        Ok(Self {
            tls: TlsConnector::from(Arc::new(config)),
            allow_private: settings.allow_private,
            allow_http: settings.allow_http,
            timeout: Duration::from_secs(settings.timeout_seconds),
        })
    }

    /// Reads where a webhook goes.
    ///
    /// # Errors
    /// What is wrong with it and what would be right.
    pub fn target(&self, url: &str) -> Result<Target, String> {
        Target::parse(url, self.allow_http, self.allow_private)
    }

    /// Carries a letter and brings back what was answered, whatever its status.
    ///
    /// # Errors
    /// [`NotCarried`] when there was no answer.
    pub async fn carry(&self, letter: &Letter) -> Result<Receipt, NotCarried> {
        let carried = tokio::time::timeout(self.timeout, self.exchange(letter)).await;
        carried.unwrap_or(Err(NotCarried::Late(self.timeout)))
    }

    async fn exchange(&self, letter: &Letter) -> Result<Receipt, NotCarried> {
        let target = self.target(&letter.url).map_err(NotCarried::Refused)?;
        let stream = connect(&self.addresses(&target).await?).await?;
        if !target.is_tls() {
            return hand_over(stream, request(letter, &target)?).await;
        }
        let name = ServerName::try_from(target.host()).map_err(std::io::Error::other)?;
        hand_over(self.tls.connect(name, stream).await?, request(letter, &target)?).await
    }

    /// Looks the target up, once, and refuses it if any of its addresses must not be used.
    async fn addresses(&self, target: &Target) -> Result<Vec<SocketAddr>, NotCarried> {
        let host = target.host();
        let found = tokio::net::lookup_host((host.as_str(), target.port())).await;
        let addresses: Vec<SocketAddr> =
            found.map_err(|fault| NotCarried::Name { name: host.clone(), fault })?.collect();
        for address in addresses.iter().map(SocketAddr::ip) {
            if let Some(network) = special(address).filter(|_| !self.allow_private) {
                let reason =
                    format!("{host} is at {address} ({network}): webhooks.allow_private allows such receivers");
                return Err(NotCarried::Refused(reason));
            }
        }
        Ok(addresses)
    }
}

fn add_roots(roots: &mut RootCertStore, file: &str) -> std::io::Result<()> {
    let fault = |fault: &dyn std::fmt::Display| std::io::Error::other(format!("webhooks.ca_file {file}: {fault}"));
    let before = roots.len();
    for certificate in CertificateDer::pem_file_iter(file).map_err(|error| fault(&error))? {
        roots.add(certificate.map_err(|error| fault(&error))?).map_err(|error| fault(&error))?;
    }
    if roots.len() == before { Err(fault(&"it holds no certificate")) } else { Ok(()) }
}

/// The first of the addresses that takes the connection.
async fn connect(addresses: &[SocketAddr]) -> std::io::Result<TcpStream> {
    let mut last = std::io::Error::other("the name has no address");
    for address in addresses {
        match TcpStream::connect(address).await {
            Ok(stream) => return Ok(stream),
            Err(fault) => last = fault,
        }
    }
    Err(last)
}

fn request(letter: &Letter, target: &Target) -> Result<Request<Full<Bytes>>, hyper::http::Error> {
    Request::post(target.path())
        .header(header::HOST, target.authority())
        .header(header::CONTENT_TYPE, MEDIA_TYPE)
        .header(header::USER_AGENT, AGENT)
        .header(header::CONNECTION, "close")
        .header("webhook-id", &letter.id)
        .header("webhook-timestamp", letter.timestamp)
        .header("webhook-signature", &letter.signature)
        .body(Full::from(letter.body.clone()))
}

async fn hand_over<S>(stream: S, request: Request<Full<Bytes>>) -> Result<Receipt, NotCarried>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let (mut sender, connection) = http1::handshake(TokioIo::new(stream)).await?;
    // Ends when this is dropped.
    let mut driver = JoinSet::new();
    driver.spawn(connection);
    let response = sender.send_request(request).await?;
    let retry_after = response.headers().get(header::RETRY_AFTER).and_then(|value| value.to_str().ok()?.parse().ok());
    let receipt = Receipt { status: response.status().as_u16(), retry_after };
    // A receiver that is cut off while it still writes takes that for an error; how long it writes does not matter here.
    tokio::spawn(async move {
        let _ = tokio::time::timeout(LAST_WORDS, read_out(response)).await;
        drop((sender, driver));
    });
    Ok(receipt)
}

async fn read_out(mut response: Response<Incoming>) {
    let mut read = 0;
    while let Some(Ok(frame)) = response.frame().await {
        read += frame.data_ref().map_or(0, Bytes::len);
        if read > LONGEST_ANSWER {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;

    fn courier(flags: &[(&str, &str)]) -> std::io::Result<Courier> {
        let flags: Vec<(String, String)> =
            flags.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect();
        Courier::new(&Config::load(None, Vec::new(), &flags).unwrap().settings.webhooks)
    }

    /// A name that passes when it is read may have any address when it is looked up: that address decides.
    #[tokio::test]
    async fn a_name_is_refused_by_the_address_it_has_at_delivery() {
        let target = Target::parse("https://localhost/", true, true).unwrap();
        let refused = courier(&[]).unwrap().addresses(&target).await.unwrap_err();
        assert!(matches!(&refused, NotCarried::Refused(reason) if reason.contains("loopback")), "{refused}");
        let allowed = courier(&[("webhooks.allow_private", "true")]).unwrap().addresses(&target).await.unwrap();
        assert!(allowed.iter().all(|address| address.ip().is_loopback() && address.port() == 443), "{allowed:?}");
        let unknown = Target::parse("https://nobody.invalid/", true, true).unwrap();
        let fault = courier(&[]).unwrap().addresses(&unknown).await.unwrap_err();
        assert!(matches!(fault, NotCarried::Name { .. }), "{fault}");
    }

    #[test]
    fn a_file_of_certificates_must_hold_some() {
        let file = tempfile::NamedTempFile::new().unwrap();
        for path in ["/nowhere/ca.pem", file.path().to_str().unwrap()] {
            let fault = courier(&[("webhooks.ca_file", path)]).unwrap_err().to_string();
            assert!(fault.contains("webhooks.ca_file") && fault.contains(path), "{fault}");
        }
    }
}
