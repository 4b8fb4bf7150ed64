//! What is written in one transaction.

use crate::error::Error;
use crate::kind::Kind;
use leeside_core::input::Input;
use leeside_core::time::Now;

/// How sure a batch must be in the end.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub enum Durability {
    /// Survives the end of the program, however sudden; a power cut may take the
    /// last few. For readings from which nothing followed.
    #[default]
    Process,
    /// Survives a power cut. For commands, guards and holds.
    Power,
}

/// The state of the core after the batch it is written with.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Snapshot {
    /// Fingerprint of the site file it belongs to.
    pub fingerprint: String,
    /// The state as JSON.
    pub body: String,
}

/// The files that a site was read from, kept under its fingerprint so that what
/// was decided by them can be decided again when they have long changed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SiteFiles {
    /// Fingerprint of the site.
    pub fingerprint: String,
    /// Name and content of each file, the site file first.
    pub files: Vec<(String, Vec<u8>)>,
}

/// One row to be.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Row<'a> {
    pub(crate) now: Now,
    pub(crate) kind: Kind,
    pub(crate) subject: &'a str,
    pub(crate) body: &'a str,
}

/// A row whose texts stand among those of its batch, up to these places.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Placed {
    now: Now,
    kind: Kind,
    subject_to: usize,
    body_to: usize,
}

/// So much room, bytes, an emptied batch keeps for texts, and for so many rows.
const TEXTS_KEPT: usize = 1024 * 1024;
const ROWS_KEPT: usize = 1024;

/// Rows and a snapshot that stand or fall together.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Batch {
    /// Subjects and bodies, one after the other: thousands of rows on their way to
    /// another thread ask for memory a few times only.
    texts: String,
    rows: Vec<Placed>,
    pub(crate) snapshot: Option<(Now, Snapshot)>,
    pub(crate) site: Option<SiteFiles>,
    pub(crate) durability: Durability,
}

impl Batch {
    /// Nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds an input of the core.
    ///
    /// # Errors
    /// Where the input cannot be written as JSON.
    pub fn input(&mut self, now: Now, subject: &str, input: &Input) -> Result<(), Error> {
        let body = serde_json::to_string(input)?;
        self.row(now, Kind::of(input), subject, body);
        Ok(())
    }

    /// Adds any other row: an output as it went out, or a mark of the run.
    pub fn row(&mut self, now: Now, kind: Kind, subject: &str, body: impl AsRef<str>) {
        self.texts.push_str(subject);
        let subject_to = self.texts.len();
        self.texts.push_str(body.as_ref());
        self.rows.push(Placed {
            now,
            kind,
            subject_to,
            body_to: self.texts.len(),
        });
    }

    /// The rows, in their order.
    pub(crate) fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        let mut from = 0;
        self.rows.iter().map(move |row| {
            let begins = core::mem::replace(&mut from, row.body_to);
            let text = |range| self.texts.get(range).unwrap_or_default();
            Row {
                now: row.now,
                kind: row.kind,
                subject: text(begins..row.subject_to),
                body: text(row.subject_to..row.body_to),
            }
        })
    }

    /// The same without anything in it, but with room for what comes next.
    #[must_use]
    pub fn emptied(mut self) -> Self {
        self.texts.clear();
        self.texts.shrink_to(TEXTS_KEPT);
        self.rows.clear();
        self.rows.shrink_to(ROWS_KEPT);
        Self {
            texts: self.texts,
            rows: self.rows,
            ..Self::default()
        }
    }

    #[cfg(test)]
    pub(crate) const fn room(&self) -> usize {
        self.texts.capacity()
    }

    /// Adds the state after these rows.
    pub fn snapshot(&mut self, now: Now, snapshot: Snapshot) {
        self.snapshot = Some((now, snapshot));
    }

    /// Adds the files of the site that the rows from here on were decided by.
    pub fn site(&mut self, site: SiteFiles) {
        self.site = Some(site);
    }

    /// Asks for at least this durability.
    pub fn at_least(&mut self, durability: Durability) {
        self.durability = self.durability.max(durability);
    }

    /// Whether there is nothing to write.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty() && self.snapshot.is_none() && self.site.is_none()
    }

    /// How many rows there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// How sure it must be in the end: whether [`sync`](crate::Journal::sync) has
    /// to follow its [`write`](crate::Journal::write).
    #[must_use]
    pub const fn durability(&self) -> Durability {
        self.durability
    }

    /// Adds all of another batch after this one.
    pub fn append(&mut self, other: Self) {
        let before = self.texts.len();
        self.texts.push_str(&other.texts);
        self.rows.extend(other.rows.iter().map(|row| Placed {
            subject_to: before + row.subject_to,
            body_to: before + row.body_to,
            ..*row
        }));
        self.snapshot = other.snapshot.or(self.snapshot.take());
        self.site = other.site.or(self.site.take());
        self.durability = self.durability.max(other.durability);
    }

    /// The moment of the first row.
    #[must_use]
    pub fn moment(&self) -> Option<Now> {
        self.rows.first().map(|row| row.now)
    }
}
