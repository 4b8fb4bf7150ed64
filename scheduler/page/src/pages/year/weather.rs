//! The weather to choose from: files of a folder, files that were sent, what the
//! service recorded, and a clear and calm sky.

use crate::failure::Failure;
use leeside_dryrun::weather::{Weather, WeatherError, read, read_bytes};
use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// Largest file that can be sent, bytes: a year of minutes, packed.
pub const LARGEST_FILE: usize = 16 << 20;
/// Largest that it may unpack to, bytes.
const LARGEST_UNPACKED: usize = 96 << 20;
/// Files that were sent and are kept, in memory only.
const KEPT: usize = 3;
/// More files of a folder are not listed.
const MOST_LISTED: usize = 200;

/// Which weather.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Choice {
    /// Clear sky, no wind, no rain.
    Calm,
    /// What the service's sensors measured.
    Recorded,
    /// A file of the folder.
    File(String),
    /// A file that was sent, by its fingerprint.
    Sent(String),
}

impl Choice {
    /// As it stands in the address.
    #[must_use]
    pub fn value(&self) -> String {
        match self {
            Self::Calm => "calm".to_owned(),
            Self::Recorded => "recorded".to_owned(),
            Self::File(name) => format!("file:{name}"),
            Self::Sent(sum) => format!("sent:{sum}"),
        }
    }

    /// Reads it from the address.
    #[must_use]
    pub fn read(text: &str) -> Option<Self> {
        match text.split_once(':') {
            None if text == "calm" => Some(Self::Calm),
            None if text == "recorded" => Some(Self::Recorded),
            Some(("file", name)) => Some(Self::File(name.to_owned())),
            Some(("sent", sum)) => Some(Self::Sent(sum.to_owned())),
            None | Some(_) => None,
        }
    }
}

/// Names of the weather files in a folder, in order.
#[must_use]
pub(super) fn listed(folder: &Path) -> Vec<String> {
    let folder = if folder.as_os_str().is_empty() {
        Path::new(".")
    } else {
        folder
    };
    let Ok(entries) = std::fs::read_dir(folder) else {
        return Vec::new();
    };
    let name = |entry: std::fs::DirEntry| {
        let name = entry.file_name().into_string().ok()?;
        let is_file = entry.path().is_file();
        (is_file && looks_like_weather(&name)).then_some(name)
    };
    let mut names: Vec<String> = entries
        .flatten()
        .filter_map(name)
        .take(MOST_LISTED)
        .collect();
    names.sort_unstable();
    names
}

fn looks_like_weather(name: &str) -> bool {
    let lower = name.to_ascii_lowercase();
    let bare = lower.strip_suffix(".gz").unwrap_or(&lower);
    !lower.starts_with('.')
        && [".csv", ".epw", ".tmy3"]
            .iter()
            .any(|ending| bare.ends_with(ending))
}

/// The path of a listed file; `None`: it is not listed, whatever its name would
/// lead to.
#[must_use]
pub(super) fn path_of(folder: &Path, name: &str) -> Option<PathBuf> {
    listed(folder)
        .iter()
        .any(|listed| listed == name)
        .then(|| folder.join(name))
}

/// Reads a file of the folder.
///
/// # Errors
/// What is wrong with it, with line and reason.
pub(super) fn of_file(folder: &Path, name: &str) -> Result<Arc<Weather>, Failure> {
    let path =
        path_of(folder, name).ok_or_else(|| Failure::of("weather.gone").with("file", name))?;
    read(&path)
        .map(Arc::new)
        .map_err(|error| without_folders(error, folder))
}

/// An error without the place of the folder on this machine.
fn without_folders(error: WeatherError, folder: &Path) -> Failure {
    let prefix = format!("{}/", folder.display());
    Failure::from(error).without(&prefix)
}

/// A file that was sent.
#[derive(Clone, Debug)]
pub struct Sent {
    /// Its fingerprint.
    pub sum: String,
    /// The name that it had.
    pub name: String,
    /// What stands in it.
    pub weather: Arc<Weather>,
}

/// The last files that were sent; gone when the service ends.
#[derive(Debug, Default)]
pub struct Uploads {
    kept: Mutex<VecDeque<Sent>>,
}

impl Uploads {
    /// Reads a file and keeps it; gives its fingerprint.
    ///
    /// # Errors
    /// What is wrong with it, with line and reason.
    pub(super) fn take(&self, name: &str, bytes: &[u8]) -> Result<String, Failure> {
        let weather = read_bytes(name, bytes, LARGEST_UNPACKED)?;
        let sum = weather
            .about()
            .sha256
            .get(..16)
            .unwrap_or_default()
            .to_owned();
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.retain(|sent| sent.sum != sum);
        if kept.len() >= KEPT {
            kept.pop_front();
        }
        kept.push_back(Sent {
            sum: sum.clone(),
            name: name.to_owned(),
            weather: Arc::new(weather),
        });
        Ok(sum)
    }

    /// Those that are kept.
    #[must_use]
    pub fn all(&self) -> Vec<Sent> {
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.iter().cloned().collect()
    }

    /// One of them.
    #[must_use]
    pub fn find(&self, sum: &str) -> Option<Arc<Weather>> {
        self.all()
            .into_iter()
            .find(|sent| sent.sum == sum)
            .map(|sent| sent.weather)
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::*;

    #[test]
    fn only_listed_files_are_read_whatever_the_address_says() {
        let folder = tempfile::tempdir().unwrap();
        for name in [
            "b.csv",
            "a.epw.gz",
            ".hidden.csv",
            "site.toml",
            "c.csv.gz.toml",
        ] {
            std::fs::write(folder.path().join(name), "x").unwrap();
        }
        std::fs::create_dir(folder.path().join("d.csv")).unwrap();
        assert_eq!(listed(folder.path()), ["a.epw.gz", "b.csv"]);
        for name in [
            "../b.csv",
            "/etc/passwd",
            "site.toml",
            "d.csv",
            "",
            "./b.csv",
        ] {
            assert_eq!(path_of(folder.path(), name), None, "{name}");
        }
        let error = of_file(folder.path(), "b.csv").unwrap_err();
        assert!(
            error.in_english().contains(" b.csv")
                && !error
                    .in_english()
                    .contains(&*folder.path().to_string_lossy()),
            "{error:?}"
        );
    }

    #[test]
    fn what_is_sent_is_kept_by_its_fingerprint_and_the_oldest_makes_room() {
        let uploads = Uploads::default();
        let file =
            |n: u8| format!("utc,gust_ms\n2027-01-01T00:00:00Z,{n}\n2027-01-01T01:00:00Z,2\n");
        let sums: Vec<String> = (0..4)
            .map(|n| uploads.take("w.csv", file(n).as_bytes()).unwrap())
            .collect();
        assert!(uploads.find(&sums[0]).is_none());
        assert!(sums[1..].iter().all(|sum| uploads.find(sum).is_some()));
        let error = uploads
            .take("w.csv", b"utc,gust_ms\n2027-01-01T00:00:00Z,much\n")
            .unwrap_err();
        assert!(
            error.in_english().contains("w.csv:2:") && error.in_english().contains("much"),
            "{error:?}"
        );
    }

    #[test]
    fn a_file_that_unpacks_without_end_is_refused() {
        use std::io::Write as _;
        let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        for _ in 0..97 {
            packed.write_all(&vec![b' '; 1 << 20]).unwrap();
        }
        let error = Uploads::default()
            .take("w.csv.gz", &packed.finish().unwrap())
            .unwrap_err();
        assert!(
            error.in_english().contains("larger than 96 MiB"),
            "{error:?}"
        );
    }
}
