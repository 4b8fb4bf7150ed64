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
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct Row {
    pub(crate) now: Now,
    pub(crate) kind: Kind,
    pub(crate) subject: String,
    pub(crate) body: String,
}

/// Rows and a snapshot that stand or fall together.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Batch {
    pub(crate) rows: Vec<Row>,
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
        self.rows.push(Row {
            now,
            kind: Kind::of(input),
            subject: subject.to_owned(),
            body,
        });
        Ok(())
    }

    /// Adds any other row: an output as it went out, or a mark of the run.
    pub fn row(&mut self, now: Now, kind: Kind, subject: &str, body: String) {
        self.rows.push(Row {
            now,
            kind,
            subject: subject.to_owned(),
            body,
        });
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
        self.rows.extend(other.rows);
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
