//! Keeping a journal within bounds, and taking names out of it.

use crate::batch::Row;
use crate::chain::{Hash, hex};
use crate::error::Error;
use crate::kind::Kind;
use crate::open::{Journal, insert};
use leeside_core::time::{Now, Wall};
use rusqlite::{Connection, OptionalExtension, params};
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// What stands in place of a name that was taken out.
pub(crate) const ERASED: &str = "(erased)";

/// Body of an erasure row.
#[derive(Serialize, Deserialize, Debug)]
pub(crate) struct Erased {
    /// The rows that were changed.
    pub(crate) rows: Vec<i64>,
}

/// What a pruning removed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Pruned {
    /// The last row removed.
    pub up_to: i64,
    /// How many rows were removed.
    pub rows: usize,
}

impl Journal {
    /// Removes all rows before wall time `before`, except those that the last
    /// snapshot still needs. The chain stays checkable: the hash of the last row
    /// removed is kept, and a row that names it joins the chain.
    ///
    /// # Errors
    /// Where the file cannot be written: then nothing is removed.
    pub fn prune(&mut self, now: Now, before: Wall) -> Result<Option<Pruned>, Error> {
        // Rows are ordered by id; after a clock step wall time is not. The first
        // row that is young enough to stay bounds what goes.
        let first_kept: Option<i64> = self.db.query_row(
            "SELECT min(id) FROM entry WHERE wall_ms >= ?",
            [before.0],
            |row| row.get(0),
        )?;
        let needed: Option<i64> =
            self.db
                .query_row("SELECT max(after_id) FROM snapshot", [], |row| row.get(0))?;
        let last = first_kept.unwrap_or(i64::MAX).min(needed.unwrap_or(0));
        self.prune_below(now, last)
    }

    /// Removes the oldest rows until the file's content is at most `bytes`, as far
    /// as the last snapshot allows.
    ///
    /// # Errors
    /// As [`prune`](Self::prune).
    pub fn prune_to_size(&mut self, now: Now, bytes: i64) -> Result<Option<Pruned>, Error> {
        let size = self.size()?;
        if size <= bytes {
            return Ok(None);
        }
        let (first, last): (Option<i64>, Option<i64>) =
            self.db
                .query_row("SELECT min(id), max(id) FROM entry", [], |row| {
                    Ok((row.get(0)?, row.get(1)?))
                })?;
        let (Some(first), Some(last)) = (first, last) else {
            return Ok(None);
        };
        // Rows differ in size, so this is an estimate; the next call corrects it.
        let excess = (last - first + 1).saturating_mul(size - bytes) / size.max(1);
        let needed: Option<i64> =
            self.db
                .query_row("SELECT max(after_id) FROM snapshot", [], |row| row.get(0))?;
        self.prune_below(now, (first + excess + 1).min(needed.unwrap_or(0)))
    }

    /// Bytes that the rows and their indices take up in the file.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub fn size(&self) -> Result<i64, Error> {
        let pragma = |name: &str| {
            self.db
                .query_row(&format!("PRAGMA {name}"), [], |row| row.get::<_, i64>(0))
        };
        Ok((pragma("page_count")? - pragma("freelist_count")?) * pragma("page_size")?)
    }

    fn prune_below(&mut self, now: Now, keep_from: i64) -> Result<Option<Pruned>, Error> {
        let (head, run) = (self.head, self.run());
        let tx = self.db.transaction()?;
        let last: Option<(i64, Hash)> = tx
            .query_row(
                "SELECT id, hash FROM entry WHERE id < ? ORDER BY id DESC LIMIT 1",
                [keep_from],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .optional()?;
        let Some((up_to, hash)) = last else {
            return Ok(None);
        };
        let rows = tx.execute("DELETE FROM entry WHERE id <= ?", [up_to])?;
        tx.execute("DELETE FROM snapshot WHERE after_id < ?", [up_to])?;
        tx.execute(
            "INSERT OR REPLACE INTO pruned (only, up_to, hash) VALUES (1, ?, ?)",
            params![up_to, hash],
        )?;
        crate::site::forget(&tx)?;
        let body =
            serde_json::json!({ "up_to": up_to, "hash": hex(&hash), "rows": rows }).to_string();
        let row = Row {
            now,
            kind: Kind::Pruned,
            subject: "",
            body: &body,
        };
        let head = insert(&tx, head, run, &row)?;
        tx.commit()?;
        self.head = head;
        self.db.execute_batch("PRAGMA incremental_vacuum")?;
        Ok(Some(Pruned { up_to, rows }))
    }

    /// In how many rows a person's name stands.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub fn naming(&self, name: &str) -> Result<usize, Error> {
        Ok(naming(&self.db, &inner(name)?)?.len())
    }

    /// Takes a person's name out of every row in which it stands. The rows stay,
    /// and so does the chain; an erasure row lists them. Snapshots lose the name
    /// and nothing else: lockouts and holds go on.
    ///
    /// # Errors
    /// Where the file cannot be written: then nothing is changed.
    pub fn erase(&mut self, now: Now, name: &str) -> Result<usize, Error> {
        let name = inner(name)?;
        let (head, run) = (self.head, self.run());
        // What is overwritten must not stay readable in free pages.
        self.db.execute_batch("PRAGMA secure_delete = ON")?;
        let tx = self.db.transaction()?;
        let found = naming(&tx, &name)?;
        if found.is_empty() {
            return Ok(0);
        }
        let body = serde_json::to_string(&Erased {
            rows: found.iter().map(|(id, _)| *id).collect(),
        })?;
        let row = Row {
            now,
            kind: Kind::Erasure,
            subject: "",
            body: &body,
        };
        let head = insert(&tx, head, run, &row)?;
        for (id, body) in &found {
            // The empty salt stays not null: a later erasure of another name must find the row.
            tx.execute(
                "UPDATE entry SET body = ?, salt = x'', erased = ? WHERE id = ?",
                params![body, head.id, id],
            )?;
        }
        for (after, body) in snapshots(&tx)? {
            tx.execute(
                "UPDATE snapshot SET body = ? WHERE after_id = ?",
                params![without_person(&body, &name)?, after],
            )?;
        }
        tx.commit()?;
        self.head = head;
        // ... nor in the write-ahead log.
        self.db
            .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
        Ok(found.len())
    }
}

/// A name as it stands inside a JSON string.
fn inner(name: &str) -> Result<String, Error> {
    let quoted = serde_json::to_string(name)?;
    let inner = quoted.strip_prefix('"').and_then(|q| q.strip_suffix('"'));
    Ok(inner.unwrap_or_default().to_owned())
}

/// The rows in which a name stands, with their bodies without it.
fn naming(db: &Connection, name: &str) -> Result<Vec<(i64, String)>, Error> {
    if name.is_empty() {
        return Ok(Vec::new());
    }
    let mut statement = db.prepare(
        "SELECT id, body FROM entry WHERE salt IS NOT NULL AND instr(body, ?) > 0 ORDER BY id",
    )?;
    let mut rows = statement.query([name])?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        let body: String = row.get(1)?;
        if let Some(without) = without_name(&body, name) {
            found.push((row.get(0)?, without));
        }
    }
    Ok(found)
}

/// All snapshots: the row after which each was taken, and the state.
fn snapshots(db: &Connection) -> Result<Vec<(i64, String)>, Error> {
    let mut statement = db.prepare("SELECT after_id, body FROM snapshot")?;
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The keys of a state under which a person is named. Elsewhere the same words
/// are the name of a group or room, which must stay.
const NAMES_A_PERSON: [&str; 5] = ["by", "owner", "acknowledged_by", "reason", "release"];

/// A state without a person's name.
fn without_person(body: &str, name: &str) -> Result<String, Error> {
    let mut state: Value = serde_json::from_str(body)?;
    forget(&mut state, false, name);
    Ok(state.to_string())
}

fn forget(value: &mut Value, may_name: bool, name: &str) {
    match value {
        Value::String(text) if may_name => {
            if let Some(without) = without_name(text, name) {
                *text = without;
            }
        }
        Value::Array(all) => all.iter_mut().for_each(|one| forget(one, may_name, name)),
        Value::Object(fields) => {
            for (key, one) in fields {
                forget(one, NAMES_A_PERSON.contains(&key.as_str()), name);
            }
        }
        Value::String(_) | Value::Null | Value::Bool(_) | Value::Number(_) => {}
    }
}

/// `text` with `name` replaced where it stands as words of its own ("Ann", not
/// the middle of "planned"); `None` where it does not.
fn without_name(text: &str, name: &str) -> Option<String> {
    let mut out = String::with_capacity(text.len());
    let (mut copied, mut from) = (0, 0);
    while let Some(found) = text[from..].find(name) {
        let (start, end) = (from + found, from + found + name.len());
        let before = text[..start].chars().next_back();
        let after = text[end..].chars().next();
        if before.is_some_and(char::is_alphanumeric) || after.is_some_and(char::is_alphanumeric) {
            from = start + text[start..].chars().next().map_or(1, char::len_utf8);
            continue;
        }
        out.push_str(&text[copied..start]);
        out.push_str(ERASED);
        (copied, from) = (end, end);
    }
    (copied > 0).then(|| {
        out.push_str(&text[copied..]);
        out
    })
}
