//! Output that cannot hold anything up: a pipe that nobody reads from must never
//! be the reason that a guard acts late.

use std::io::{self, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Duration;

/// Pieces that may wait for a slow reader; more are left out, and counted.
const ROOM: usize = 4_096;
/// At the end, a reader is waited for so long.
const PATIENCE: Duration = Duration::from_secs(1);

enum Piece {
    Text(Vec<u8>),
    /// All before this has been written.
    Mark(SyncSender<()>),
}

/// A writer whose writes return at once; a thread of its own does the writing.
#[derive(Clone)]
pub(super) struct Aside {
    pieces: SyncSender<Piece>,
    left_out: Arc<AtomicU64>,
}

impl Aside {
    /// Writes go to `to`.
    pub(super) fn new(to: impl Write + Send + 'static) -> Self {
        let (pieces, waiting) = sync_channel(ROOM);
        let left_out = Arc::new(AtomicU64::new(0));
        std::thread::spawn(move || write_all(to, &waiting));
        Self { pieces, left_out }
    }

    /// Waits until all so far has been written, but not for long.
    pub(super) fn settle(&self) {
        let (done, written) = sync_channel(1);
        if self.pieces.try_send(Piece::Mark(done)).is_ok() {
            // Late: the reader is stuck, and the program ends without it.
            let _ = written.recv_timeout(PATIENCE);
        }
    }
}

fn write_all(mut to: impl Write, waiting: &Receiver<Piece>) {
    while let Ok(piece) = waiting.recv() {
        // A reader who has gone away (a closed pipe) stops nothing.
        match piece {
            Piece::Text(text) => {
                let _ = to.write_all(&text);
                let _ = to.flush();
            }
            Piece::Mark(done) => {
                let _ = done.send(());
            }
        }
    }
}

impl Write for Aside {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let missing = self.left_out.swap(0, Ordering::Relaxed);
        let mut text = Vec::with_capacity(bytes.len());
        if missing > 0 {
            let notice =
                format!("... {missing} lines are left out: they came faster than they were read\n");
            text.extend_from_slice(notice.as_bytes());
        }
        text.extend_from_slice(bytes);
        if self.pieces.try_send(Piece::Text(text)).is_err() {
            self.left_out.fetch_add(missing + 1, Ordering::Relaxed);
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::{Aside, ROOM};
    use std::io::{self, Write};
    use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
    use std::sync::{Arc, Mutex, PoisonError};

    /// A pipe that nobody reads until it is let go.
    struct Stuck {
        go: Receiver<()>,
        free: bool,
        written: Arc<Mutex<Vec<u8>>>,
    }

    impl Write for Stuck {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            if !self.free {
                self.free = true;
                self.go.recv().map_err(io::Error::other)?;
            }
            self.written
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
                .extend_from_slice(bytes);
            Ok(bytes.len())
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_stuck_reader_holds_nobody_up_and_is_told_what_is_missing() -> io::Result<()> {
        let (let_go, go): (SyncSender<()>, _) = sync_channel(1);
        let written = Arc::new(Mutex::new(Vec::new()));
        let stuck = Stuck {
            go,
            free: false,
            written: Arc::clone(&written),
        };
        let mut aside = Aside::new(stuck);
        // This would never end if a write waited for the reader.
        for n in 0..2 * ROOM {
            aside.write_all(format!("line {n}\n").as_bytes())?;
        }
        let_go.send(()).map_err(io::Error::other)?;
        // The next line after the reader has caught up tells of those before it.
        let text = loop {
            aside.settle();
            aside.write_all(b"later\n")?;
            aside.settle();
            let bytes = written
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
                .clone();
            let text = String::from_utf8(bytes).map_err(io::Error::other)?;
            if text.contains("later") {
                break text;
            }
        };
        assert!(text.starts_with("line 0\n"));
        let lines = text
            .lines()
            .filter(|line| line.starts_with("line "))
            .count();
        assert!((1..=ROOM + 2).contains(&lines), "{lines}");
        assert!(text.contains("lines are left out"));
        Ok(())
    }
}
