//! The hash chain that binds each row to all rows before it.
//!
//! `seal = SHA-256(salt ‖ body)` and
//! `hash = SHA-256(hash of the row before ‖ header ‖ seal)`, where the header is
//! id, run, wall and steady time as big-endian 64-bit numbers, then kind and
//! subject each with its length before it. The chain runs over the seal, not
//! over the body: a name can be taken out of a body (and the salt thrown away,
//! so that the name cannot be guessed from the seal) while the chain still
//! holds. SHA-256: FIPS 180-4.

use sha2::{Digest, Sha256};

/// A SHA-256 hash.
pub type Hash = [u8; 32];

/// The last row and its hash. Kept somewhere else (a log, a message, paper), it
/// proves later that nothing up to that row was altered.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Head {
    /// The row.
    pub id: i64,
    /// Its hash.
    pub hash: Hash,
}

impl Head {
    /// Before the first row.
    pub const START: Self = Self {
        id: 0,
        hash: [0; 32],
    };

    /// The hash in hexadecimal.
    #[must_use]
    pub fn hex(&self) -> String {
        hex(&self.hash)
    }
}

/// What of a row is never altered, not even by an erasure.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Header<'a> {
    pub(crate) id: i64,
    pub(crate) run: i64,
    pub(crate) wall_ms: i64,
    pub(crate) steady_ms: i64,
    pub(crate) kind: &'a str,
    pub(crate) subject: &'a str,
}

/// Lowercase hexadecimal.
#[must_use]
pub(crate) fn hex(bytes: &[u8]) -> String {
    use core::fmt::Write as _;
    bytes
        .iter()
        .fold(String::with_capacity(bytes.len() * 2), |mut text, byte| {
            // Writing to a String cannot fail.
            let _ = write!(text, "{byte:02x}");
            text
        })
}

/// A hash out of 64 hexadecimal digits.
#[must_use]
pub fn hash_of_hex(text: &str) -> Option<Hash> {
    let digits: Option<Vec<u32>> = text.chars().map(|c| c.to_digit(16)).collect();
    let pairs = digits?
        .chunks_exact(2)
        .map(pair)
        .collect::<Option<Vec<u8>>>()?;
    (text.len() == 64)
        .then(|| Hash::try_from(pairs).ok())
        .flatten()
}

fn pair(digits: &[u32]) -> Option<u8> {
    digits.iter().try_fold(0_u8, |sum, digit| {
        Some(sum << 4 | u8::try_from(*digit).ok()?)
    })
}

/// The seal of a body.
#[must_use]
pub(crate) fn seal(salt: &[u8], body: &str) -> Hash {
    Sha256::new()
        .chain_update(salt)
        .chain_update(body.as_bytes())
        .finalize()
        .into()
}

/// The hash of a row after `before`.
#[must_use]
pub(crate) fn link(before: &Hash, header: &Header<'_>, seal: &Hash) -> Hash {
    let length = |text: &str| u64::try_from(text.len()).unwrap_or(u64::MAX).to_be_bytes();
    Sha256::new()
        .chain_update(before)
        .chain_update(header.id.to_be_bytes())
        .chain_update(header.run.to_be_bytes())
        .chain_update(header.wall_ms.to_be_bytes())
        .chain_update(header.steady_ms.to_be_bytes())
        .chain_update(length(header.kind))
        .chain_update(header.kind.as_bytes())
        .chain_update(length(header.subject))
        .chain_update(header.subject.as_bytes())
        .chain_update(seal)
        .finalize()
        .into()
}

#[cfg(test)]
mod tests {
    use super::{Head, hash_of_hex, hex, seal};

    #[test]
    fn a_hash_that_was_written_down_is_read_again() {
        let hash = seal(b"a", "bc");
        let text = Head { id: 1, hash }.hex();
        assert_eq!(hash_of_hex(&text), Some(hash));
        assert_eq!(hash_of_hex(&text.to_uppercase()), Some(hash));
        for wrong in [
            "",
            "ab",
            &text[1..],
            &format!("{text}ab"),
            &text.replace('a', "x"),
        ] {
            assert_eq!(hash_of_hex(wrong), None, "{wrong}");
        }
    }

    // FIPS 180-4 example: SHA-256 of "abc", as the concatenation of salt and body.
    #[test]
    fn seal_is_sha256_of_salt_and_body() {
        let expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(hex(&seal(b"a", "bc")), expected);
        assert_eq!(hex(&seal(b"", "abc")), expected);
    }
}
