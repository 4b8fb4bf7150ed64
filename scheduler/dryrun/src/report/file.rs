//! An output file that is there whole or not at all.

use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// Writes beside the target and takes its place at the end; dropped before
/// that, it leaves nothing behind and an older file untouched.
#[derive(Debug)]
pub struct OutputFile {
    target: PathBuf,
    part: PathBuf,
    out: Option<BufWriter<File>>,
}

impl OutputFile {
    /// Begins a file that will be `target`.
    ///
    /// # Errors
    /// Where the folder cannot be written to.
    pub fn create(target: &Path) -> io::Result<Self> {
        let name = target.file_name().ok_or_else(|| {
            io::Error::new(
                io::ErrorKind::InvalidInput,
                format!("{} names no file", target.display()),
            )
        })?;
        let part = target.with_file_name(format!(
            ".{}.{}.part",
            name.to_string_lossy(),
            std::process::id()
        ));
        let file = OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(&part)?;
        Ok(Self {
            target: target.to_owned(),
            part,
            out: Some(BufWriter::with_capacity(1 << 16, file)),
        })
    }

    /// Puts the whole file in its place.
    ///
    /// # Errors
    /// Where it cannot be written to the end.
    pub fn finish(mut self) -> io::Result<()> {
        if let Some(out) = self.out.take() {
            let file = out.into_inner().map_err(io::IntoInnerError::into_error)?;
            file.sync_all()?;
            fs::rename(&self.part, &self.target)?;
        }
        self.part = PathBuf::new();
        Ok(())
    }
}

impl Write for OutputFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.out
            .as_mut()
            .map_or(Ok(bytes.len()), |out| out.write(bytes))
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.as_mut().map_or(Ok(()), Write::flush)
    }
}

impl Drop for OutputFile {
    fn drop(&mut self) {
        if !self.part.as_os_str().is_empty() {
            drop(self.out.take());
            // Nobody is left to tell if that fails.
            let _ = fs::remove_file(&self.part);
        }
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).unwrap();
        entries
            .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
            .collect()
    }

    #[test]
    fn a_file_is_whole_or_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("year.csv");
        fs::write(&target, "old").unwrap();
        let mut given_up = OutputFile::create(&target).unwrap();
        given_up.write_all(b"half").unwrap();
        given_up.flush().unwrap();
        assert_eq!(names(folder.path()).len(), 2);
        drop(given_up);
        assert_eq!(names(folder.path()), ["year.csv"]);
        assert_eq!(fs::read_to_string(&target).unwrap(), "old");

        let mut whole = OutputFile::create(&target).unwrap();
        whole.write_all(b"new").unwrap();
        whole.finish().unwrap();
        assert_eq!(names(folder.path()), ["year.csv"]);
        assert_eq!(fs::read_to_string(&target).unwrap(), "new");
    }
}
