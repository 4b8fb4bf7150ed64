//! Waiting for the disk, on a thread of its own: what was written is made to
//! survive a power cut, and the write-ahead log is moved into the file before it
//! grows. Either may take as long as a bad disk likes. Moving waits until nobody has
//! written anything that matters for a moment: a gust has its rows to write.

use leeside_journal::{Error, HUGE_LOG, LARGE_LOG, checkpoint, sync};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// The log is looked at this often.
const LOOK: Duration = Duration::from_secs(5);
/// When nobody has asked for anything for so long, there is time to move the log.
const QUIET: Duration = Duration::from_millis(500);

/// The way to that thread. It ends, with all it was asked for, when this is dropped.
pub(super) struct Disk {
    asked: Option<SyncSender<()>>,
    thread: Option<std::thread::JoinHandle<()>>,
    fault: Arc<Mutex<Option<String>>>,
    moved: Arc<AtomicBool>,
}

impl Disk {
    /// Starts the thread for the journal at `path`.
    pub(super) fn start(path: &Path) -> Self {
        let (asked, inbox) = sync_channel(1);
        let fault = Arc::new(Mutex::new(None));
        let moved = Arc::new(AtomicBool::new(false));
        let (path, said, was_moved) = (path.to_owned(), Arc::clone(&fault), Arc::clone(&moved));
        let thread = std::thread::Builder::new()
            .name("journal disk".to_owned())
            .spawn(move || {
                let mut wait = LOOK;
                loop {
                    let done: Result<bool, Error> = match inbox.recv_timeout(wait) {
                        Ok(()) => {
                            wait = QUIET;
                            sync(&path).and_then(|()| checkpoint(&path, HUGE_LOG))
                        }
                        Err(RecvTimeoutError::Timeout) => {
                            wait = LOOK;
                            checkpoint(&path, LARGE_LOG)
                        }
                        Err(RecvTimeoutError::Disconnected) => return,
                    };
                    was_moved.fetch_or(matches!(done, Ok(true)), Ordering::Relaxed);
                    if let Ok(mut fault) = said.lock() {
                        *fault = done.err().map(|error| error.to_string());
                    }
                }
            });
        let thread = thread
            .map_err(|error| tracing::error!(%error, "no thread for the disk"))
            .ok();
        Self {
            asked: Some(asked),
            thread,
            fault,
            moved,
        }
    }

    /// Asks that everything written so far survives a power cut.
    pub(super) fn sync(&self) {
        if let Some(asked) = &self.asked {
            // Full: one that has not begun yet will do for this as well.
            let _ = asked.try_send(());
        }
    }

    /// Whether all of the log has been moved since this was last asked.
    pub(super) fn moved(&self) -> bool {
        self.moved.swap(false, Ordering::Relaxed)
    }

    /// What was wrong when the disk was last asked.
    pub(super) fn fault(&self) -> Option<String> {
        self.fault.lock().map_or(None, |fault| fault.clone())
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        self.asked = None;
        if let Some(thread) = self.thread.take() {
            // A panic there has been printed by the runtime already.
            let _ = thread.join();
        }
    }
}
