//! The house calendar on disk: one writer at a time, and never half a file.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::Duration;

use super::history::{history, way_back, with};
use super::{Author, Change, Edit, Objection, Refusal, apply, empty, list, nonsense, revision};

/// Another writer is waited for this often …
const ATTEMPTS: u32 = 50;
/// … this long each time.
const PAUSE: Duration = Duration::from_millis(100);

fn failed(what: &str, path: &Path) -> impl FnOnce(std::io::Error) -> Refusal {
    let what = format!("{what} {}", path.display());
    move |error| Refusal::File { what, error }
}

/// The text of a house calendar and its revision.
///
/// # Errors
/// [`Refusal::File`] where it cannot be read.
pub fn read_file(path: &Path) -> Result<(String, String), Refusal> {
    let bytes = std::fs::read(path).map_err(failed("cannot read", path))?;
    let text = String::from_utf8(bytes).map_err(|_| {
        nonsense(
            Objection::NotUtf8,
            format!("{} is not UTF-8", path.display()),
            "save it as UTF-8 (RFC 5545 §3.1.4)",
        )
    })?;
    let revision = revision(&text);
    Ok((text, revision))
}

/// Carries out a change on disk. `seen` is the revision that the editor has shown:
/// if the file is another one by now, nothing is written. With `create`, a file
/// that does not exist is begun.
///
/// The new text is written beside the file, made durable, and put in its place in
/// one step. While that lasts an advisory lock on `.NAME.lock` keeps other writers
/// of this kind waiting, five seconds at most. The change is noted in the history, by
/// `author`.
///
/// # Errors
/// A [`Refusal`]; the file is then as it was.
pub fn edit_file(
    path: &Path,
    seen: Option<&str>,
    create: bool,
    change: &Change,
    author: &Author,
) -> Result<Edit, Refusal> {
    let wanted = change.to_string();
    let frame = Frame {
        path,
        seen,
        create,
        author,
        wanted: &wanted,
        undoes: false,
    };
    frame.edit(|file, text, _| apply(file, text, change))
}

/// Takes the last change back that stands, on disk; `seen` as in [`edit_file`].
///
/// # Errors
/// A [`Refusal`]; the file is then as it was.
pub fn undo_file(path: &Path, seen: Option<&str>, author: &Author) -> Result<Edit, Refusal> {
    let wanted = "take the last change back";
    let frame = Frame {
        path,
        seen,
        create: false,
        author,
        wanted,
        undoes: true,
    };
    frame.edit(|file, _, back| {
        let (text, done) = back.ok_or_else(|| {
            nonsense(
                Objection::NothingToUndo,
                "there is no change to take back, or the file was changed since by another program",
                "change it by hand",
            )
        })?;
        // What was there once must still be readable.
        list(file, &text)?;
        Ok(Edit {
            text,
            done: format!("undone: {done}"),
        })
    })
}

/// An edit of a file, whatever it does to the text.
struct Frame<'a> {
    path: &'a Path,
    seen: Option<&'a str>,
    create: bool,
    author: &'a Author,
    /// In words, for a conflict.
    wanted: &'a str,
    undoes: bool,
}

impl Frame<'_> {
    /// `make` is given the file's name, its text, and the way back.
    fn edit(
        &self,
        make: impl FnOnce(&str, &str, Option<(String, String)>) -> Result<Edit, Refusal>,
    ) -> Result<Edit, Refusal> {
        let Self {
            path,
            seen,
            create,
            author,
            wanted,
            undoes,
        } = *self;
        // Behind a symbolic link the file itself is replaced, not the link.
        let path = match path.canonicalize() {
            Ok(path) => path,
            Err(error) if error.kind() == ErrorKind::NotFound && create => path.to_owned(),
            Err(error) if error.kind() == ErrorKind::NotFound => {
                return Err(nonsense(
                    Objection::NoFile,
                    format!("there is no file {}", path.display()),
                    "check the name, or have it created",
                ));
            }
            Err(error) => return Err(failed("cannot open", path)(error)),
        };
        let lock = lock(&beside(&path, "lock")?)?;
        let (text, present) = match read_file(&path) {
            Err(Refusal::File { error, .. }) if error.kind() == ErrorKind::NotFound && create => {
                (empty(), String::new())
            }
            other => other?,
        };
        let file = path.display().to_string();
        if seen.is_some_and(|seen| seen != present) {
            return Err(Refusal::Conflict {
                wanted: wanted.to_owned(),
                present: list(&file, &text)?,
                revision: present,
            });
        }
        let deeds = history(&path);
        let edit = make(&file, &text, way_back(&deeds, &present))?;
        let noted = with(deeds, author, &edit.done, (&text, &edit.text), undoes);
        replace(&path, &edit.text)?;
        replace(&beside(&path, "history")?, &noted)?;
        drop(lock);
        Ok(edit)
    }
}

/// A hidden file beside the calendar.
fn beside(path: &Path, suffix: &str) -> Result<PathBuf, Refusal> {
    let name = path.file_name().ok_or_else(|| {
        nonsense(
            Objection::NotAFile,
            format!("{} is not the name of a file", path.display()),
            "",
        )
    })?;
    Ok(path.with_file_name(format!(".{}.{suffix}", name.to_string_lossy())))
}

/// A lock that is held; its file goes with it.
struct Lock {
    path: PathBuf,
    _file: File,
}

impl Drop for Lock {
    fn drop(&mut self) {
        // Still locked: whoever waits on this file finds, once it has the lock, that
        // the name stands for another file or none, and begins anew.
        let _ = std::fs::remove_file(&self.path);
    }
}

/// Takes the lock. The system releases it with the file, even after a crash.
fn lock(path: &Path) -> Result<Lock, Refusal> {
    for _ in 0..ATTEMPTS {
        let file = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(path)
            .map_err(failed("cannot lock", path))?;
        match file.try_lock() {
            Ok(()) if is_at(&file, path) => {
                return Ok(Lock {
                    path: path.to_owned(),
                    _file: file,
                });
            }
            // Taken away by the one who had it: not the lock any more.
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => sleep(PAUSE),
            Err(TryLockError::Error(error)) => return Err(failed("cannot lock", path)(error)),
        }
    }
    Err(nonsense(
        Objection::BeingEdited,
        "somebody else is editing the calendar",
        "try again",
    ))
}

/// Whether the name stands for this very file.
fn is_at(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let same =
        |a: std::fs::Metadata, b: std::fs::Metadata| (a.dev(), a.ino()) == (b.dev(), b.ino());
    match (file.metadata(), std::fs::metadata(path)) {
        (Ok(held), Ok(named)) => same(held, named),
        (Ok(_) | Err(_), _) => false,
    }
}

/// Puts a new text in the place of the old one, all or nothing.
fn replace(path: &Path, text: &str) -> Result<(), Refusal> {
    let new = beside(path, &format!("{}.new", std::process::id()))?;
    let written = write_new(path, &new, text).and_then(|()| std::fs::rename(&new, path));
    if let Err(error) = written {
        // Best effort: what matters is the error that led here.
        let _ = std::fs::remove_file(&new);
        return Err(failed("cannot write", path)(error));
    }
    // The new name must outlast a power cut as well.
    let folder = path
        .parent()
        .filter(|p| !p.as_os_str().is_empty())
        .unwrap_or_else(|| Path::new("."));
    File::open(folder)
        .and_then(|folder| folder.sync_all())
        .map_err(failed("cannot make durable", folder))
}

fn write_new(old: &Path, new: &Path, text: &str) -> std::io::Result<()> {
    let mut file = File::create(new)?;
    if let Ok(meta) = std::fs::metadata(old) {
        file.set_permissions(meta.permissions())?;
    }
    file.write_all(text.as_bytes())?;
    file.sync_all()
}
