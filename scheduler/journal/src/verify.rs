//! Whether the chain holds.

use crate::chain::{Hash, Head, Header, link, seal};
use crate::error::Error;
use crate::open::Journal;
use rusqlite::OptionalExtension;

/// What a check of the chain found.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Verified {
    /// Rows checked.
    pub rows: u64,
    /// Rows from which a name was taken out; the rest of them is still bound.
    pub erased: u64,
    /// The last row and its hash, to be held against one noted elsewhere.
    pub head: Head,
    /// The first row that does not hold, and why.
    pub fault: Option<(i64, Fault)>,
}

/// Why a row does not hold.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Fault {
    /// A row before it is missing.
    Gap,
    /// Its content is not what was sealed.
    Body,
    /// Its time, kind or subject was altered, or a row before it was.
    Link,
    /// It is marked as erased, but no erasure on record names it.
    Erasure,
}

impl core::fmt::Display for Fault {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::Gap => "a row before it is missing",
            Self::Body => "its content is not what was sealed",
            Self::Link => "its time, kind or subject was altered, or a row before it was",
            Self::Erasure => "it is marked as erased, but no erasure on record names it",
        })
    }
}

impl Journal {
    /// Follows the chain from its first row (or from where it was pruned) to its head.
    ///
    /// # Errors
    /// Where the file cannot be read. A broken chain is no error but a finding.
    pub fn verify(&self) -> Result<Verified, Error> {
        let start = self
            .db
            .query_row("SELECT up_to, hash FROM pruned", [], |row| {
                Ok(Head {
                    id: row.get(0)?,
                    hash: row.get::<_, Hash>(1)?,
                })
            })
            .optional()?
            .unwrap_or(Head::START);
        let mut result = Verified {
            rows: 0,
            erased: 0,
            head: start,
            fault: None,
        };
        let mut statement = self.db.prepare(
            "SELECT id, run, wall_ms, steady_ms, kind, subject, body, salt, seal, hash, erased FROM entry ORDER BY id",
        )?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let id: i64 = row.get(0)?;
            let (kind, subject, body): (String, String, String) =
                (row.get(4)?, row.get(5)?, row.get(6)?);
            let salt: Option<Vec<u8>> = row.get(7)?;
            let (sealed, hash): (Hash, Hash) = (row.get(8)?, row.get(9)?);
            let erased: Option<i64> = row.get(10)?;
            let header = Header {
                id,
                run: row.get(1)?,
                wall_ms: row.get(2)?,
                steady_ms: row.get(3)?,
                kind: &kind,
                subject: &subject,
            };
            let fault = if id != result.head.id + 1 {
                Some(Fault::Gap)
            } else if link(&result.head.hash, &header, &sealed) != hash {
                Some(Fault::Link)
            } else if let Some(by) = erased {
                (!self.erasure_names(by, id)?).then_some(Fault::Erasure)
            } else if seal(salt.as_deref().unwrap_or_default(), &body) != sealed {
                Some(Fault::Body)
            } else {
                None
            };
            if let Some(fault) = fault {
                result.fault = Some((id, fault));
                return Ok(result);
            }
            result.rows += 1;
            result.erased += u64::from(erased.is_some());
            result.head = Head { id, hash };
        }
        Ok(result)
    }

    /// The row that has this hash: whether a head noted elsewhere is still there.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub fn row_of(&self, hash: &Hash) -> Result<Option<i64>, Error> {
        let found = self
            .db
            .query_row(
                "SELECT id FROM entry WHERE hash = ?1 UNION SELECT up_to FROM pruned WHERE hash = ?1",
                [hash],
                |row| row.get(0),
            )
            .optional()?;
        Ok(found)
    }

    /// The last row that was removed at the beginning, where any was.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub fn pruned_up_to(&self) -> Result<Option<i64>, Error> {
        let found = self
            .db
            .query_row("SELECT up_to FROM pruned", [], |row| row.get(0))
            .optional()?;
        Ok(found)
    }

    /// Whether the row `by` is an erasure that names the row `id`.
    fn erasure_names(&self, by: i64, id: i64) -> Result<bool, Error> {
        let body: Option<String> = self
            .db
            .query_row(
                "SELECT body FROM entry WHERE id = ? AND kind = 'erasure'",
                [by],
                |row| row.get(0),
            )
            .optional()?;
        let Some(body) = body else { return Ok(false) };
        let ids: crate::retain::Erased = serde_json::from_str(&body)?;
        Ok(ids.rows.contains(&id))
    }
}
