//! Reading a journal: rows of a span, inputs for a replay, the last state.

use crate::batch::Snapshot;
use crate::error::Error;
use crate::kind::Kind;
use crate::open::Journal;
use leeside_core::input::Input;
use leeside_core::time::{Now, Steady, Wall};
use rusqlite::{OptionalExtension, Row, params};
use std::collections::VecDeque;

/// How many rows are fetched at a time.
const PAGE: i64 = 1_000;

/// Rows by id, both ends included.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Span {
    /// From this row.
    pub from: i64,
    /// To this row.
    pub to: i64,
}

impl Span {
    /// Every row.
    pub const ALL: Self = Self {
        from: 0,
        to: i64::MAX,
    };

    /// Every row after this one.
    #[must_use]
    pub const fn after(id: i64) -> Self {
        Self {
            from: id + 1,
            to: i64::MAX,
        }
    }
}

/// A row.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Entry {
    /// Its place in the order of things.
    pub id: i64,
    /// The row that began this run of the program.
    pub run: i64,
    /// When it happened.
    pub now: Now,
    /// What it is.
    pub kind: Kind,
    /// Name of the sensor, group or other thing it is about.
    pub subject: String,
    /// Its content as JSON.
    pub body: String,
}

/// An input as it was recorded.
#[derive(Clone, PartialEq, Debug)]
pub struct InputRow {
    /// Its place in the order of things.
    pub id: i64,
    /// The row that began this run of the program.
    pub run: i64,
    /// When it was handled.
    pub now: Now,
    /// The input.
    pub input: Input,
}

impl Journal {
    /// The rows of a span, in order.
    #[must_use]
    pub const fn entries(&self, span: Span) -> Entries<'_> {
        Entries {
            journal: self,
            next: span.from,
            to: span.to,
            page: VecDeque::new(),
            done: false,
        }
    }

    /// The inputs of a span, in order.
    #[must_use]
    pub const fn inputs(&self, span: Span) -> Inputs<'_> {
        Inputs {
            entries: self.entries(span),
        }
    }

    /// The rows handled from `from` (included) to `to` (left out), wall time.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub fn span_of(&self, from: Wall, to: Wall) -> Result<Option<Span>, Error> {
        let ends = self.db.query_row(
            "SELECT min(id), max(id) FROM entry WHERE wall_ms >= ? AND wall_ms < ?",
            params![from.0, to.0],
            |row| Ok((row.get::<_, Option<i64>>(0)?, row.get::<_, Option<i64>>(1)?)),
        )?;
        Ok(match ends {
            (Some(from), Some(to)) => Some(Span { from, to }),
            _ => None,
        })
    }

    /// The rows of a span that put a version of the site in force.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub fn versions(&self, span: Span) -> Result<Vec<Entry>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT id, run, wall_ms, steady_ms, kind, subject, body FROM entry
             WHERE kind IN ('run', 'site') AND id >= ? AND id <= ? ORDER BY id",
        )?;
        let mut rows = statement.query(params![span.from, span.to])?;
        let mut found = Vec::new();
        while let Some(row) = rows.next()? {
            found.push(entry(row)?);
        }
        Ok(found)
    }

    /// The last row up to a moment that put a version of the site in force.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub fn version_before(&self, at: Wall) -> Result<Option<Entry>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT id, run, wall_ms, steady_ms, kind, subject, body FROM entry
             WHERE kind IN ('run', 'site') AND wall_ms <= ? ORDER BY id DESC LIMIT 1",
        )?;
        let mut rows = statement.query([at.0])?;
        rows.next()?.map(entry).transpose()
    }

    /// The last snapshot at or before row `id`, and the row after which it was taken.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub fn snapshot_before(&self, id: i64) -> Result<Option<(i64, Now, Snapshot)>, Error> {
        let found = self
            .db
            .query_row(
                "SELECT after_id, wall_ms, steady_ms, fingerprint, body FROM snapshot WHERE after_id <= ? ORDER BY after_id DESC LIMIT 1",
                [id],
                |row| {
                    let now = Now { wall: Wall(row.get(1)?), steady: Steady(row.get(2)?) };
                    Ok((row.get(0)?, now, Snapshot { fingerprint: row.get(3)?, body: row.get(4)? }))
                },
            )
            .optional()?;
        Ok(found)
    }

    /// The oldest snapshot that is kept.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub fn first_snapshot(&self) -> Result<Option<(i64, Now, Snapshot)>, Error> {
        let oldest: Option<i64> =
            self.db
                .query_row("SELECT min(after_id) FROM snapshot", [], |row| row.get(0))?;
        oldest.map_or(Ok(None), |id| self.snapshot_before(id))
    }

    /// Whether rows at the beginning were removed.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub fn is_pruned(&self) -> Result<bool, Error> {
        let rows: i64 = self
            .db
            .query_row("SELECT count(*) FROM pruned", [], |row| row.get(0))?;
        Ok(rows > 0)
    }

    /// The moment of the last row.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub fn last_moment(&self) -> Result<Option<Now>, Error> {
        let found = self
            .db
            .query_row(
                "SELECT wall_ms, steady_ms FROM entry ORDER BY id DESC LIMIT 1",
                [],
                |row| {
                    Ok(Now {
                        wall: Wall(row.get(0)?),
                        steady: Steady(row.get(1)?),
                    })
                },
            )
            .optional()?;
        Ok(found)
    }

    fn page(&self, from: i64, to: i64) -> Result<VecDeque<Entry>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT id, run, wall_ms, steady_ms, kind, subject, body FROM entry WHERE id >= ? AND id <= ? ORDER BY id LIMIT ?",
        )?;
        let mut rows = statement.query(params![from, to, PAGE])?;
        let (mut page, mut next) = (VecDeque::new(), from);
        while let Some(row) = rows.next()? {
            let entry = entry(row)?;
            // The pages of a damaged file may give the same rows again, without an end.
            if entry.id < next {
                return Err(Error::Row {
                    id: entry.id,
                    what: format!("it comes where {next} or later belongs: the file is damaged"),
                });
            }
            next = entry.id.saturating_add(1);
            page.push_back(entry);
        }
        Ok(page)
    }
}

/// A row as every query here selects it.
fn entry(row: &Row<'_>) -> Result<Entry, Error> {
    let id = row.get(0)?;
    let name: String = row.get(4)?;
    let kind = Kind::named(&name).ok_or_else(|| Error::Row {
        id,
        what: format!("unknown kind {name:?}"),
    })?;
    Ok(Entry {
        id,
        run: row.get(1)?,
        now: Now {
            wall: Wall(row.get(2)?),
            steady: Steady(row.get(3)?),
        },
        kind,
        subject: row.get(5)?,
        body: row.get(6)?,
    })
}

impl Entry {
    /// The input that this row records.
    ///
    /// # Errors
    /// Where the row is no input, or its body cannot be read.
    pub fn input(&self) -> Result<Input, Error> {
        serde_json::from_str(&self.body).map_err(|error| Error::Row {
            id: self.id,
            what: format!("no input: {error}"),
        })
    }
}

/// Rows in order. After an error it ends.
#[derive(Debug)]
pub struct Entries<'a> {
    journal: &'a Journal,
    next: i64,
    to: i64,
    page: VecDeque<Entry>,
    done: bool,
}

impl Iterator for Entries<'_> {
    type Item = Result<Entry, Error>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.page.is_empty() && !self.done {
            match self.journal.page(self.next, self.to) {
                Ok(page) => {
                    self.done = page.is_empty();
                    self.page = page;
                }
                Err(error) => {
                    self.done = true;
                    return Some(Err(error));
                }
            }
        }
        let entry = self.page.pop_front()?;
        match entry.id.checked_add(1) {
            Some(next) => self.next = next,
            None => self.done = true,
        }
        Some(Ok(entry))
    }
}

/// Inputs in order. After an error it ends.
#[derive(Debug)]
pub struct Inputs<'a> {
    entries: Entries<'a>,
}

impl Iterator for Inputs<'_> {
    type Item = Result<InputRow, Error>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            let entry = match self.entries.next()? {
                Ok(entry) => entry,
                Err(error) => return Some(Err(error)),
            };
            if entry.kind.is_input() {
                return Some(entry.input().map(|input| InputRow {
                    id: entry.id,
                    run: entry.run,
                    now: entry.now,
                    input,
                }));
            }
        }
    }
}
