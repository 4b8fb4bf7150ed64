//! The files of the sites that rows were decided by.
//!
//! They stand beside the chain, under their fingerprints; the fingerprint of each
//! stands in the chain, and whoever reads the site anew works it out anew.

use crate::batch::SiteFiles;
use crate::chain::hex;
use crate::error::Error;
use crate::open::Journal;
use rusqlite::{OptionalExtension, Transaction, params};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// An entry of a site's list of files.
#[derive(Serialize, Deserialize)]
struct Listed {
    name: String,
    sha256: String,
}

/// Keeps the files of a site, each content once.
pub(crate) fn keep(tx: &Transaction<'_>, site: &SiteFiles) -> Result<(), Error> {
    let mut list = Vec::with_capacity(site.files.len());
    for (name, content) in &site.files {
        let sha256 = hex(&Sha256::digest(content));
        tx.prepare_cached("INSERT OR IGNORE INTO file (sha256, content) VALUES (?, ?)")?
            .execute(params![sha256, content])?;
        list.push(Listed {
            name: name.clone(),
            sha256,
        });
    }
    tx.prepare_cached("INSERT OR IGNORE INTO site (fingerprint, files) VALUES (?, ?)")?
        .execute(params![site.fingerprint, serde_json::to_string(&list)?])?;
    Ok(())
}

/// Lets go of sites that no row and no snapshot speaks of any more, but for the newest.
pub(crate) fn forget(tx: &Transaction<'_>) -> Result<(), Error> {
    tx.execute(
        "DELETE FROM site WHERE rowid < (SELECT max(rowid) FROM site)
           AND fingerprint NOT IN (SELECT fingerprint FROM snapshot)
           AND NOT EXISTS (SELECT 1 FROM entry WHERE kind IN ('run', 'site') AND instr(body, site.fingerprint) > 0)",
        [],
    )?;
    tx.execute(
        "DELETE FROM file WHERE NOT EXISTS (SELECT 1 FROM site WHERE instr(files, file.sha256) > 0)",
        [],
    )?;
    Ok(())
}

impl Journal {
    /// The files of the site with this fingerprint; `None` where they were not kept.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub fn site_files(&self, fingerprint: &str) -> Result<Option<SiteFiles>, Error> {
        let tables: i64 = self.db.query_row(
            "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = 'site'",
            [],
            |row| row.get(0),
        )?;
        if tables == 0 {
            // A file of the first format, opened for reading only.
            return Ok(None);
        }
        let found: Option<String> = self
            .db
            .query_row(
                "SELECT files FROM site WHERE fingerprint = ?",
                [fingerprint],
                |row| row.get(0),
            )
            .optional()?;
        let Some(found) = found else { return Ok(None) };
        let list: Vec<Listed> = serde_json::from_str(&found)?;
        let mut files = Vec::with_capacity(list.len());
        for listed in list {
            let content: Option<Vec<u8>> = self
                .db
                .query_row(
                    "SELECT content FROM file WHERE sha256 = ?",
                    [&listed.sha256],
                    |row| row.get(0),
                )
                .optional()?;
            let Some(content) = content else {
                return Ok(None);
            };
            files.push((listed.name, content));
        }
        Ok(Some(SiteFiles {
            fingerprint: fingerprint.to_owned(),
            files,
        }))
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use crate::{Batch, Journal, Kind, SiteFiles, Snapshot};
    use leeside_core::input::Input;
    use leeside_core::time::{Now, Wall};

    fn files(n: u8) -> SiteFiles {
        SiteFiles {
            fingerprint: format!("fingerprint {n}"),
            files: vec![
                ("site.toml".to_owned(), b"the same".to_vec()),
                ("house.ics".to_owned(), vec![n, 0, 255]),
            ],
        }
    }

    #[test]
    fn the_files_of_a_site_come_back_and_each_content_is_kept_once() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("j.sqlite");
        let mut journal = Journal::open(&path).unwrap();
        for n in [1, 2, 1] {
            let mut batch = Batch::new();
            batch.row(
                Now::both(i64::from(n)),
                Kind::Site,
                "",
                format!("fingerprint {n}"),
            );
            batch.site(files(n));
            journal.write(&batch).unwrap();
        }
        assert_eq!(journal.site_files("fingerprint 1").unwrap(), Some(files(1)));
        assert_eq!(journal.site_files("fingerprint 2").unwrap(), Some(files(2)));
        assert_eq!(journal.site_files("fingerprint 3").unwrap(), None);
        let count = |sql: &str| {
            journal
                .db
                .query_row(sql, [], |row| row.get::<_, i64>(0))
                .unwrap()
        };
        assert_eq!(
            (
                count("SELECT count(*) FROM site"),
                count("SELECT count(*) FROM file")
            ),
            (2, 3)
        );
    }

    #[test]
    fn pruning_lets_go_of_sites_that_nothing_speaks_of() {
        let dir = tempfile::tempdir().unwrap();
        let mut journal = Journal::open(&dir.path().join("j.sqlite")).unwrap();
        for n in [1, 2, 3] {
            let mut batch = Batch::new();
            batch.row(
                Now::both(i64::from(n)),
                Kind::Site,
                "",
                format!("fingerprint {n}"),
            );
            batch.site(files(n));
            batch.snapshot(
                Now::both(i64::from(n)),
                Snapshot {
                    fingerprint: format!("fingerprint {n}"),
                    body: String::new(),
                },
            );
            journal.write(&batch).unwrap();
        }
        journal.prune(Now::both(4), Wall(3)).unwrap().unwrap();
        assert_eq!(journal.site_files("fingerprint 1").unwrap(), None);
        assert_eq!(journal.site_files("fingerprint 3").unwrap(), Some(files(3)));
        assert_eq!(journal.verify().unwrap().fault, None);
    }

    #[test]
    fn a_file_of_the_first_format_is_brought_up_to_date() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("j.sqlite");
        let mut before = Journal::open(&path).unwrap();
        before.append(Now::both(0), "", &Input::Tick).unwrap();
        before
            .db
            .execute_batch("DROP TABLE site; DROP TABLE file; PRAGMA user_version = 1")
            .unwrap();
        drop(before);
        let old = Journal::open_read_only(&path).unwrap();
        assert_eq!(old.site_files("fingerprint 1").unwrap(), None);
        drop(old);
        let mut journal = Journal::open(&path).unwrap();
        let mut batch = Batch::new();
        batch.site(files(1));
        journal.write(&batch).unwrap();
        assert_eq!(journal.site_files("fingerprint 1").unwrap(), Some(files(1)));
        assert_eq!(journal.verify().unwrap().fault, None);
    }
}
