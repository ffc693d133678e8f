//! Signatures of requests: HTTP message signatures (RFC 9421) with `hmac-sha256`, over a content digest
//! (RFC 9530), so that a receiver knows who sent an event and that nothing was changed on the way.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit, Mac};
use sha2::{Digest, Sha256};
use std::fmt::Write as _;

/// A secret that sender and receiver share, and its name.
#[derive(Clone)]
pub struct Key {
    pub id: String,
    pub secret: Vec<u8>,
}

/// The value of `Content-Digest` (RFC 9530) for a body.
pub fn content_digest(body: &[u8]) -> String {
    format!("sha-256=:{}:", STANDARD.encode(Sha256::digest(body)))
}

/// The covered components with the parameters of a signature, as `Signature-Input` has them behind its label.
fn parameters(components: &[(&str, &str)], rest: &str) -> String {
    let names: Vec<String> = components
        .iter()
        .map(|(name, _)| format!("\"{name}\""))
        .collect();
    format!("({}){rest}", names.join(" "))
}

/// The signature base of RFC 9421, section 2.5.
fn base(components: &[(&str, &str)], parameters: &str) -> String {
    let mut base = String::new();
    for (name, value) in components {
        // Writing to a string does not fail.
        let _ = writeln!(base, "\"{name}\": {value}");
    }
    base + "\"@signature-params\": " + parameters
}

impl Key {
    fn hmac(&self, text: &str) -> Option<String> {
        let mut mac = Hmac::<Sha256>::new_from_slice(&self.secret).ok()?;
        mac.update(text.as_bytes());
        Some(STANDARD.encode(mac.finalize().into_bytes()))
    }

    /// The values of `Signature-Input` and `Signature` over components, each a name and its value, at a time
    /// in Unix seconds. HMAC takes a key of any length, so there always is one.
    pub fn sign(&self, components: &[(&str, &str)], created: i64) -> Option<(String, String)> {
        let rest = format!(
            ";created={created};keyid=\"{}\";alg=\"hmac-sha256\"",
            self.id
        );
        let parameters = parameters(components, &rest);
        let signature = self.hmac(&base(components, &parameters))?;
        Some((
            format!("wheeltap={parameters}"),
            format!("wheeltap=:{signature}:"),
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9421 appendix B.2.5, "Signing a Request Using hmac-sha256", with the key of B.1.5. (From memory;
    /// the 256 bits agree.)
    #[test]
    fn the_published_signature_comes_out() {
        let secret = "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ==";
        let key = Key {
            id: "test-shared-secret".to_owned(),
            secret: STANDARD.decode(secret).unwrap(),
        };
        let components = [
            ("date", "Tue, 20 Apr 2021 02:07:55 GMT"),
            ("@authority", "example.com"),
            ("content-type", "application/json"),
        ];
        let parameters = parameters(
            &components,
            ";created=1618884473;keyid=\"test-shared-secret\"",
        );
        assert_eq!(
            parameters,
            "(\"date\" \"@authority\" \"content-type\");created=1618884473;keyid=\"test-shared-secret\""
        );
        assert_eq!(
            key.hmac(&base(&components, &parameters)).unwrap(),
            "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8="
        );
    }

    /// RFC 9530 appendix B.1, and the body of RFC 9421's examples (from memory; the bits agree).
    #[test]
    fn the_published_digests_come_out() {
        assert_eq!(
            content_digest(b"{\"hello\": \"world\"}\n"),
            "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:"
        );
        assert_eq!(
            content_digest(b"{\"hello\": \"world\"}"),
            "sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=:"
        );
    }
}
