//! The way in for the command line on the same machine: a Unix socket beside the
//! journal.
//!
//! A socket, because whoever asks gets the answer (a signal has none), because
//! the file system says who may ask (nobody but the user of the service, and
//! root), and because it works while the broker does not. It lies beside the
//! journal, which only one service at a time can hold, so it is always the one
//! that runs. A line of JSON goes in, a line of JSON comes out.

use crate::keeper::{Answer, Reload, Reloads, Said};
use serde::{Deserialize, Serialize};
use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt};
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::{Semaphore, oneshot};

/// A longer question is none, bytes.
const LONGEST: u64 = 1_024;
/// Whoever connects has to ask within this.
const PATIENCE: Duration = Duration::from_secs(5);
/// Callers at a time; more wait.
const CALLERS: usize = 4;
/// A large site file takes a while to judge.
const ANSWER_WITHIN: Duration = Duration::from_secs(120);

/// What can be asked.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "ask")]
enum Question {
    /// Load the site file anew.
    Reload,
}

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum ControlError {
    /// Nobody listens there.
    #[error(
        "no service answers at {path} ({source}); is it running, and with this journal? A signal works too: kill -HUP PID"
    )]
    Nobody {
        /// The socket.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// It ended, or took too long.
    #[error("the service did not answer: {0}")]
    NoAnswer(String),
}

/// The socket of the service that keeps this journal.
#[must_use]
pub fn socket_beside(journal: &Path) -> PathBuf {
    let mut name = journal.as_os_str().to_owned();
    name.push(".control");
    PathBuf::from(name)
}

/// Listens until it is dropped; the socket goes with it.
#[derive(Debug)]
pub(crate) struct Control {
    path: PathBuf,
    task: tokio::task::JoinHandle<()>,
}

impl Control {
    /// Opens the socket. Only for whoever holds the journal: what lies there is of
    /// a run that has ended.
    pub(crate) fn open(path: PathBuf, reloads: Reloads) -> std::io::Result<Self> {
        match std::fs::remove_file(&path) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
            Ok(()) | Err(_) => {}
        }
        let listener = UnixListener::bind(&path)?;
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600))?;
        let task = tokio::spawn(listen(listener, reloads));
        Ok(Self { path, task })
    }
}

impl Drop for Control {
    fn drop(&mut self) {
        self.task.abort();
        // Gone already: as well.
        let _ = std::fs::remove_file(&self.path);
    }
}

async fn listen(listener: UnixListener, reloads: Reloads) {
    let room = Arc::new(Semaphore::new(CALLERS));
    loop {
        let Ok(place) = Arc::clone(&room).acquire_owned().await else {
            return;
        };
        match listener.accept().await {
            Ok((caller, _)) => {
                let reloads = reloads.clone();
                tokio::spawn(async move {
                    // A caller that hangs up is no concern of the service.
                    let _ = serve(caller, reloads).await;
                    drop(place);
                });
            }
            // No more files to open, say: that may pass.
            Err(_) => tokio::time::sleep(PATIENCE).await,
        }
    }
}

async fn serve(caller: UnixStream, reloads: Reloads) -> std::io::Result<()> {
    let (reader, mut writer) = caller.into_split();
    let mut line = String::new();
    let mut reader = tokio::io::BufReader::new(reader.take(LONGEST));
    tokio::time::timeout(PATIENCE, reader.read_line(&mut line)).await??;
    let answer = match serde_json::from_str(&line) {
        Ok(Question::Reload) => reload(&reloads).await,
        Err(error) => refused(Said::NotUnderstood(error.to_string())),
    };
    let mut text = serde_json::to_string(&answer)?;
    text.push('\n');
    tokio::time::timeout(PATIENCE, writer.write_all(text.as_bytes())).await?
}

async fn reload(reloads: &Reloads) -> Answer {
    let (asked, answer) = oneshot::channel();
    if reloads.send(Reload(asked)).await.is_err() {
        return refused(Said::Ending);
    }
    answer.await.unwrap_or_else(|_| refused(Said::Ending))
}

const fn refused(said: Said) -> Answer {
    Answer {
        accepted: false,
        said,
        diagnostics: Vec::new(),
    }
}

/// Asks the service that keeps this journal to load its site file anew.
///
/// # Errors
/// Where no service runs there, or it does not answer.
pub fn ask_to_reload(journal: &Path) -> Result<Answer, ControlError> {
    let path = socket_beside(journal);
    let nobody = |source| ControlError::Nobody {
        path: path.clone(),
        source,
    };
    let no_answer = |error: &dyn core::fmt::Display| ControlError::NoAnswer(error.to_string());
    let mut stream = std::os::unix::net::UnixStream::connect(&path).map_err(nobody)?;
    stream
        .set_read_timeout(Some(ANSWER_WITHIN))
        .map_err(|error| no_answer(&error))?;
    stream
        .write_all(b"{\"ask\":\"reload\"}\n")
        .map_err(|error| no_answer(&error))?;
    let mut line = String::new();
    BufReader::new(stream)
        .read_line(&mut line)
        .map_err(|error| no_answer(&error))?;
    serde_json::from_str(&line).map_err(|error| no_answer(&error))
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::{Answer, Control, ask_to_reload, socket_beside};
    use crate::keeper::{Said, reloads};
    use std::io::{Read, Write};
    use std::os::unix::fs::PermissionsExt;
    use std::os::unix::net::UnixStream;

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn whoever_asks_gets_the_answer_and_nonsense_harms_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let journal = dir.path().join("j.sqlite");
        let socket = socket_beside(&journal);
        // Left behind by a run that was killed.
        std::fs::write(&socket, "").unwrap();
        let (door, mut asks) = reloads();
        let control = Control::open(socket.clone(), door).unwrap();
        let mode = std::fs::metadata(&socket).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "for nobody else");
        let answer = Answer {
            accepted: false,
            said: Said::Broken("site.toml:3:1: error".to_owned()),
            diagnostics: vec!["site.toml:3:1: error".to_owned()],
        };
        let said = answer.clone();
        tokio::spawn(async move {
            while let Some(asked) = asks.recv().await {
                asked.0.send(said.clone()).unwrap();
            }
        });
        let place = socket.clone();
        let nonsense = tokio::task::spawn_blocking(move || {
            let mut stream = UnixStream::connect(place).unwrap();
            stream.write_all(&[b'x'; 4_000]).unwrap();
            let mut text = String::new();
            // Cut off after so much, or answered: either is well.
            let _ = stream.read_to_string(&mut text);
            text
        });
        let text = nonsense.await.unwrap();
        assert!(text.is_empty() || text.contains("not_understood"), "{text}");
        let at = journal.clone();
        let got = tokio::task::spawn_blocking(move || ask_to_reload(&at)).await;
        assert_eq!(got.unwrap().unwrap(), answer);
        drop(control);
        assert!(!socket.exists());
        assert!(
            ask_to_reload(&journal)
                .unwrap_err()
                .to_string()
                .contains("kill -HUP")
        );
    }
}
