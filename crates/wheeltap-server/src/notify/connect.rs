//! The client that posts to one receiver, and whom it takes for that receiver.

use super::Receiver;
use crate::SettingsProblem;
use bytes::Bytes;
use http_body_util::Full;
use hyper_rustls::{ConfigBuilderExt, HttpsConnector, HttpsConnectorBuilder};
use hyper_util::client::legacy::Client;
use hyper_util::client::legacy::connect::HttpConnector;
use hyper_util::rt::TokioExecutor;
use rustls::crypto::ring;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use rustls::{ClientConfig, RootCertStore};
use std::path::Path;
use std::sync::Arc;

/// Posts over HTTP/1.1, encrypted where the address says so.
pub type HttpClient = Client<HttpsConnector<HttpConnector>, Full<Bytes>>;

/// A client for a receiver.
///
/// # Errors
/// Authorities that cannot be read or are none; a machine that trusts none while they are needed.
pub fn client(receiver: &Receiver) -> Result<HttpClient, SettingsProblem> {
    // Named, not taken from the process: which one that has depends on what else is linked.
    let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| unusable(receiver, error.to_string()))?;
    let config = match &receiver.authorities_file {
        Some(file) => config.with_root_certificates(authorities(file)?),
        None if receiver.url.is_encrypted() => config
            .with_native_roots()
            .map_err(|error| unusable(receiver, error.to_string()))?,
        None => config.with_root_certificates(RootCertStore::empty()),
    };
    let connector = HttpsConnectorBuilder::new()
        .with_tls_config(config.with_no_client_auth())
        .https_or_http()
        .enable_http1()
        .build();
    Ok(Client::builder(TokioExecutor::new()).build(connector))
}

fn unusable(receiver: &Receiver, what: String) -> SettingsProblem {
    SettingsProblem::at_start(
        receiver.name.as_str(),
        what,
        "install the certificates of the authorities that this machine is to trust, or name a file of \
         them as authorities_file",
    )
}

fn authorities(path: &Path) -> Result<RootCertStore, SettingsProblem> {
    let file = path.display().to_string();
    let refused = |what: String| {
        SettingsProblem::at_start(
            &file,
            what,
            "name a PEM file with the certificates of authorities as authorities_file, or leave it out",
        )
    };
    let mut roots = RootCertStore::empty();
    let certificates =
        CertificateDer::pem_file_iter(path).map_err(|error| refused(error.to_string()))?;
    for certificate in certificates {
        let added = certificate
            .map_err(|error| error.to_string())
            .and_then(|der| roots.add(der).map_err(|error| error.to_string()));
        added.map_err(refused)?;
    }
    if roots.is_empty() {
        return Err(refused("there is no certificate in it".to_owned()));
    }
    Ok(roots)
}
