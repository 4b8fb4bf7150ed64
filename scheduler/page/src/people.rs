//! Who may do what: the people file, and passwords as argon2 hashes.
//!
//! The file is written from the command line only (`leeside people`), all or
//! nothing, readable by its owner alone. The service reads it again when it has
//! changed: who is removed is out at once.

mod guessable;

use argon2::password_hash::rand_core::OsRng;
use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use argon2::{Algorithm, Argon2, Params, Version};
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

/// Fewest characters of a password (OWASP ASVS 4.0.3, 2.1.1).
pub const LEAST_PASSWORD: usize = 12;
/// Most characters of a password (ASVS 2.1.2).
pub const MOST_PASSWORD: usize = 128;
/// Most characters of a name.
const MOST_NAME: usize = 60;
/// More than that is no people file.
const MOST_BYTES: u64 = 1 << 20;

/// What somebody may do; each may also do what those before it may.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Look at everything.
    Look,
    /// Move drives by hand, set service, acknowledge.
    Operate,
    /// Edit the calendar, bypass sensors, reload.
    Configure,
}

impl Role {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Look, Self::Operate, Self::Configure];

    /// The word as it stands in the people file.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Look => "look",
            Self::Operate => "operate",
            Self::Configure => "configure",
        }
    }

    /// The role of that word.
    #[must_use]
    pub fn named(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.as_str() == word)
    }
}

/// Somebody who may sign in.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Person {
    /// The name to sign in with.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// The rooms whose groups they may move; none: all.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub rooms: Vec<String>,
    /// The password's argon2 hash (PHC string).
    pub password: String,
}

/// The people file.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct People {
    /// Everybody, in the order of the file.
    #[serde(default, rename = "person")]
    pub all: Vec<Person>,
}

/// What is wrong with the people file, or with what is to be put into it.
#[derive(Debug, thiserror::Error)]
pub enum PeopleError {
    /// It cannot be read or written.
    #[error("{path}: cannot be {what}: {source}")]
    File {
        /// The file.
        path: PathBuf,
        /// Read or written.
        what: &'static str,
        /// The system's reason.
        source: std::io::Error,
    },
    /// It is no people file.
    #[error(
        "{path}:{line}: {message}; expected [[person]] tables with name, role (look, operate or configure), rooms and password, as `leeside people` writes them"
    )]
    Form {
        /// The file.
        path: PathBuf,
        /// The line.
        line: usize,
        /// What is wrong.
        message: String,
    },
    /// What was asked makes no sense.
    #[error("{0}")]
    Nonsense(String),
}

fn nonsense<T>(text: impl Into<String>) -> Result<T, PeopleError> {
    Err(PeopleError::Nonsense(text.into()))
}

/// The parameters of OWASP's password storage cheat sheet: 19 MiB, two passes.
fn hasher() -> Argon2<'static> {
    let params = Params::new(19 * 1024, 2, 1, None).unwrap_or_default();
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
}

/// The hash of a password, with a salt of its own.
///
/// # Errors
/// [`PeopleError::Nonsense`] where the password is too short or too long, or one that
/// is guessed first; `name` is whose it is.
pub fn hash(name: &str, password: &str) -> Result<String, PeopleError> {
    let length = password.chars().count();
    if length < LEAST_PASSWORD {
        return nonsense(format!(
            "a password has at least {LEAST_PASSWORD} characters; this one has {length}"
        ));
    }
    if length > MOST_PASSWORD {
        return nonsense(format!(
            "a password has at most {MOST_PASSWORD} characters; this one has {length}"
        ));
    }
    if let Some(why) = guessable::why(name, password) {
        return nonsense(format!(
            "this password {why}: a few words that do not belong together are better"
        ));
    }
    let salt = SaltString::generate(&mut OsRng);
    match hasher().hash_password(password.as_bytes(), &salt) {
        Ok(hash) => Ok(hash.to_string()),
        Err(error) => nonsense(format!("the password cannot be hashed: {error}")),
    }
}

/// Whether a password fits a hash. Takes its time, on purpose.
#[must_use]
pub fn fits(password: &str, hash: &str) -> bool {
    password.chars().count() <= MOST_PASSWORD
        && PasswordHash::new(hash).is_ok_and(|parsed| {
            hasher()
                .verify_password(password.as_bytes(), &parsed)
                .is_ok()
        })
}

/// A hash that no password fits, so that an unknown name takes as long as a wrong
/// password.
pub const NOBODY: &str =
    "$argon2id$v=19$m=19456,t=2,p=1$bm9ib2R5IGF0IGFsbA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";

impl People {
    /// Reads the file. One that does not exist yet holds nobody.
    ///
    /// # Errors
    /// [`PeopleError`], where it cannot be read or is no people file.
    pub fn read(path: &Path) -> Result<Self, PeopleError> {
        let failed = |source| PeopleError::File {
            path: path.to_owned(),
            what: "read",
            source,
        };
        let text = match std::fs::metadata(path) {
            Ok(meta) if meta.len() > MOST_BYTES => {
                return nonsense(format!("{}: larger than any people file", path.display()));
            }
            Ok(_) => std::fs::read_to_string(path).map_err(failed)?,
            Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Self::default()),
            Err(error) => return Err(failed(error)),
        };
        let form = |line, message| PeopleError::Form {
            path: path.to_owned(),
            line,
            message,
        };
        let people: Self = toml::from_str(&text).map_err(|error| {
            let at = error.span().map_or(0, |span| span.start);
            let line = text.get(..at).unwrap_or_default().matches('\n').count() + 1;
            form(line, error.message().to_owned())
        })?;
        for (index, person) in people.all.iter().enumerate() {
            let again = people
                .all
                .iter()
                .take(index)
                .any(|other| other.name == person.name);
            let wrong = check_name(&person.name)
                .err()
                .map(|error| error.to_string())
                .or_else(|| again.then(|| format!("{:?} is there twice", person.name)))
                .or_else(|| {
                    PasswordHash::new(&person.password)
                        .is_err()
                        .then(|| format!("the password of {:?} is no argon2 hash", person.name))
                });
            if let Some(message) = wrong {
                let line = text
                    .lines()
                    .enumerate()
                    .filter(|(_, line)| line.trim() == "[[person]]")
                    .nth(index)
                    .map_or(1, |(line, _)| line + 1);
                return Err(form(line, message));
            }
        }
        Ok(people)
    }

    /// Somebody by name.
    #[must_use]
    pub fn named(&self, name: &str) -> Option<&Person> {
        self.all.iter().find(|person| person.name == name)
    }

    /// Adds somebody.
    ///
    /// # Errors
    /// [`PeopleError::Nonsense`] where the name is taken or is no name.
    pub fn add(&mut self, person: Person) -> Result<(), PeopleError> {
        check_name(&person.name)?;
        if self.named(&person.name).is_some() {
            return nonsense(format!("{:?} is in the file already", person.name));
        }
        self.all.push(person);
        Ok(())
    }

    /// Somebody who is there, to be changed.
    ///
    /// # Errors
    /// [`PeopleError::Nonsense`] where nobody has that name.
    pub fn change(&mut self, name: &str) -> Result<&mut Person, PeopleError> {
        match self.all.iter_mut().find(|person| person.name == name) {
            Some(person) => Ok(person),
            None => nonsense(format!("nobody is called {name:?}")),
        }
    }

    /// Takes somebody out.
    ///
    /// # Errors
    /// [`PeopleError::Nonsense`] where nobody has that name.
    pub fn remove(&mut self, name: &str) -> Result<(), PeopleError> {
        let before = self.all.len();
        self.all.retain(|person| person.name != name);
        if self.all.len() == before {
            return nonsense(format!("nobody is called {name:?}"));
        }
        Ok(())
    }

    /// Writes the file, all or nothing, for its owner alone.
    ///
    /// # Errors
    /// [`PeopleError::File`]; the file is then as it was.
    pub fn write(&self, path: &Path) -> Result<(), PeopleError> {
        let failed = |source| PeopleError::File {
            path: path.to_owned(),
            what: "written",
            source,
        };
        let body = toml::to_string(self).or_else(|error| nonsense(error.to_string()))?;
        let text = format!(
            "# Who may sign in to the page. Written by `leeside people`; passwords are argon2 hashes.\n{body}"
        );
        let name = path
            .file_name()
            .map(|name| name.to_string_lossy().into_owned())
            .unwrap_or_default();
        let beside = path.with_file_name(format!(".{name}.{}.new", std::process::id()));
        let written = write_private(&beside, &text).and_then(|()| std::fs::rename(&beside, path));
        if let Err(error) = written {
            // Best effort: what matters is the error that led here.
            let _ = std::fs::remove_file(&beside);
            return Err(failed(error));
        }
        let folder = path
            .parent()
            .filter(|folder| !folder.as_os_str().is_empty());
        File::open(folder.unwrap_or_else(|| Path::new(".")))
            .and_then(|folder| folder.sync_all())
            .map_err(failed)
    }
}

fn write_private(path: &Path, text: &str) -> std::io::Result<()> {
    let mut options = File::options();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(path)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()
}

fn check_name(name: &str) -> Result<(), PeopleError> {
    let sound = !name.trim().is_empty()
        && name.trim() == name
        && name.chars().count() <= MOST_NAME
        && !name.chars().any(char::is_control);
    if sound {
        Ok(())
    } else {
        nonsense(format!(
            "{name:?} is no name: 1 to {MOST_NAME} characters, no blanks around them, no control characters"
        ))
    }
}

#[cfg(test)]
mod tests;
