//! Secrets: made at random, shown once, kept as a hash.

use argon2::Argon2;
use argon2::password_hash::{PasswordHasher as _, PasswordVerifier as _};
use rand::TryRng as _;
use rand::rngs::SysRng;
use sha2::{Digest as _, Sha256};

use crate::error::StoreError;

const SECRET_BYTES: usize = 32;

/// A random secret of 256 bits. Not printed by `Debug`.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret {
    text: String,
}

impl Secret {
    /// A fresh one from the operating system's generator.
    pub fn fresh() -> Result<Self, StoreError> {
        let mut bytes = [0; SECRET_BYTES];
        SysRng.try_fill_bytes(&mut bytes).map_err(|cause| StoreError::Broken {
            rule: "no-randomness",
            what: format!("the operating system gave no random bytes: {cause}"),
        })?;
        Ok(Self { text: bytes.iter().map(|byte| format!("{byte:02x}")).collect() })
    }

    /// A secret as somebody brought it.
    pub fn given(text: &str) -> Self {
        Self { text: text.trim().to_owned() }
    }

    /// To be shown once to whom it is for.
    pub fn reveal(&self) -> &str {
        &self.text
    }

    /// SHA-256. No salt and no slowness: 256 random bits can't be guessed.
    pub(crate) fn hash(&self) -> Vec<u8> {
        Sha256::digest(self.text.as_bytes()).to_vec()
    }
}

impl std::fmt::Debug for Secret {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.write_str("Secret")
    }
}

/// Argon2id of a password, as a PHC string. Takes tens of milliseconds on purpose: keep it off the
/// threads that serve requests.
pub fn hash_password(password: &str) -> Result<String, StoreError> {
    let hash = Argon2::default().hash_password(password.as_bytes());
    hash.map(|hash| hash.to_string()).map_err(StoreError::Password)
}

/// Whether `password` is the one of `hash`. As slow as [`hash_password`].
///
/// Without a hash (nobody of that name) it takes as long and says no, so that time does not tell
/// who has an account.
pub fn verify_password(password: &str, hash: Option<&str>) -> bool {
    match hash {
        Some(hash) => Argon2::default().verify_password(password.as_bytes(), hash).is_ok(),
        None => {
            let _ = hash_password(password);
            false
        }
    }
}
