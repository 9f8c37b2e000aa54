//! Signatures as Standard Webhooks 1.0.0 has them.

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

/// Begins every secret.
pub const SECRET_PREFIX: &str = "whsec_";

/// A secret as text: the prefix, then its bytes in base64.
#[must_use]
pub fn text_of_secret(bytes: &[u8]) -> String {
    format!("{SECRET_PREFIX}{}", BASE64_STANDARD.encode(bytes))
}

/// The value of the header `webhook-signature`: for each secret `v1,` and base64 of HMAC-SHA256 over `id.timestamp.body`,
/// separated by spaces. A text that is no secret signs nothing.
#[must_use]
pub fn sign<'a>(secrets: impl IntoIterator<Item = &'a str>, id: &str, timestamp: i64, body: &str) -> String {
    let signed = format!("{id}.{timestamp}.{body}");
    let signatures: Vec<String> = secrets.into_iter().filter_map(|secret| signature(secret, &signed)).collect();
    signatures.join(" ")
}

fn signature(secret: &str, signed: &str) -> Option<String> {
    let key = BASE64_STANDARD.decode(secret.strip_prefix(SECRET_PREFIX)?).ok()?;
    let mut mac = Hmac::<Sha256>::new_from_slice(&key).ok()?;
    mac.update(signed.as_bytes());
    Some(format!("v1,{}", BASE64_STANDARD.encode(mac.finalize().into_bytes())))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The vector of Standard Webhooks 1.0.0's own libraries.
    const SECRET: &str = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw";
    const EXPECTED: &str = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=";

    fn signed(secrets: &[&str]) -> String {
        sign(secrets.iter().copied(), "msg_p5jXN8AQM9LWM0D4loKWxJek", 1_614_265_330, r#"{"test": 2432232314}"#)
    }

    #[test]
    fn a_signature_is_that_of_the_standard() {
        assert_eq!(signed(&[SECRET]), EXPECTED);
    }

    #[test]
    fn both_secrets_of_a_rotation_sign() {
        let other = text_of_secret(&[7; 32]);
        let both = signed(&[&other, SECRET]);
        let parts: Vec<&str> = both.split(' ').collect();
        assert_eq!(parts, [signed(&[&other]).as_str(), EXPECTED]);
        assert_ne!(parts[0], parts[1]);
    }

    #[test]
    fn what_is_no_secret_signs_nothing() {
        assert_eq!(signed(&["MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_?"]), "");
    }
}
