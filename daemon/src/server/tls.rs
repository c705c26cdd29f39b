//! TLS: a certificate of one's own, or one made here, kept in the data folder so that a browser that was told to trust it
//! goes on doing so.
//!
//! Comes in: files, or the names of this host. Goes out: an acceptor, and the certificate's fingerprint to compare.

use crate::files;
use crate::journal::{Disk, JournalError};
use anyhow::Context;
use sha2::{Digest, Sha256};
use std::path::Path;
use std::sync::Arc;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring::default_provider;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};

/// A certificate with its key, PEM.
pub struct Pair {
    certificates: Vec<u8>,
    key: Vec<u8>,
}

/// Reads somebody's certificate and key.
///
/// # Errors
/// A file cannot be read.
pub fn read(certificates: &Path, key: &Path) -> anyhow::Result<Pair> {
    let read = |path: &Path| std::fs::read(path).with_context(|| format!("cannot read {}", path.display()));
    Ok(Pair { certificates: read(certificates)?, key: read(key)? })
}

/// The certificate for these names that is in the data folder; a new one where there is none.
///
/// # Errors
/// The disk refuses.
pub fn own(disk: &dyn Disk, data: &Path, names: &[String]) -> anyhow::Result<Pair> {
    let folder = data.join("server");
    disk.make_folder(&folder).map_err(JournalError::io("make the folder", &folder))?;
    let mark: String = hex(&Sha256::digest(names.join("\n")), "").chars().take(16).collect();
    let (certificate_file, key_file) =
        (folder.join(format!("{mark}.crt")), folder.join(format!("{mark}.key")));
    if certificate_file.exists() && key_file.exists() {
        return read(&certificate_file, &key_file);
    }
    let made = rcgen::generate_simple_self_signed(names).context("cannot make a certificate")?;
    let pair = Pair {
        certificates: made.cert.pem().into_bytes(),
        key: made.signing_key.serialize_pem().into_bytes(),
    };
    files::replace(disk, &key_file, &pair.key)?;
    files::replace(disk, &certificate_file, &pair.certificates)?;
    Ok(pair)
}

impl Pair {
    /// An acceptor, and the SHA-256 fingerprint of the certificate, as browsers show it.
    ///
    /// # Errors
    /// They are no certificate and its key.
    pub fn acceptor(&self) -> anyhow::Result<(TlsAcceptor, String)> {
        let chain = CertificateDer::pem_slice_iter(&self.certificates)
            .collect::<Result<Vec<_>, _>>()
            .context("the certificate is not PEM")?;
        let first = chain.first().context("there is no certificate in the file")?;
        let fingerprint = hex(&Sha256::digest(first), ":");
        let key = PrivateKeyDer::from_pem_slice(&self.key).context("the key is not PEM")?;
        let mut config = ServerConfig::builder_with_provider(Arc::new(default_provider()))
            .with_safe_default_protocol_versions()?
            .with_no_client_auth()
            .with_single_cert(chain, key)
            .context("the certificate and the key do not belong together")?;
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        Ok((TlsAcceptor::from(Arc::new(config)), fingerprint))
    }
}

fn hex(bytes: &[u8], between: &str) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(between)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::SystemDisk;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn a_certificate_is_made_once_for_its_names_and_its_key_is_private() {
        let folder = tempfile::tempdir().unwrap();
        let own = |name: &str| own(&SystemDisk, folder.path(), &[name.to_owned()]).unwrap();
        let fingerprint = |pair: Pair| pair.acceptor().unwrap().1;
        let first = fingerprint(own("192.0.2.1"));
        assert_eq!(first.split(':').count(), 32);
        assert_eq!(fingerprint(own("192.0.2.1")), first);
        assert_ne!(fingerprint(own("192.0.2.2")), first);
        let keys =
            std::fs::read_dir(folder.path().join("server")).unwrap().map(|entry| entry.unwrap().path());
        for key in keys.filter(|path| path.extension().is_some_and(|it| it == "key")) {
            assert_eq!(key.metadata().unwrap().permissions().mode() & 0o077, 0, "{}", key.display());
        }
    }
}
