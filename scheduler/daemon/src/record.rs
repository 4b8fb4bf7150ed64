//! Writing the journal on a thread of its own, so that a slow disk delays
//! nothing that moves.
//!
//! Commands wait for their rows to be written, but not for long: where the disk
//! stalls or fails they go out all the same. Waiting for the disk itself is the
//! business of a thread of its own (`disk`), so that no row waits for another's.
//! What could not be written is kept, up to a bound, and written when there is
//! room again; what had to be let go leaves a row that says so.

mod disk;
mod found;

use disk::Disk;
pub use found::{Found, find};
use leeside_core::time::{MINUTE, Now, Wall};
use leeside_journal::{Batch, Durability, Error, Head, Journal, Kind, Pruned};
use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::sync::{oneshot, watch};

/// Rows that may wait for a disk that is full or away.
const MOST_KEPT: usize = 50_000;
/// Batches that may wait for a disk that is only slow.
const MOST_QUEUED: usize = 10_000;
/// While something is kept, it is tried again this often.
const AGAIN: Duration = Duration::from_secs(2);
/// When nothing was written for so long, the log has been moved into the file, if it was
/// large, and there is time to begin it anew.
const SOON: Duration = Duration::from_secs(1);
/// The most that a command waits for its row. A drive takes a hundred times as long;
/// a command of which no row tells is forgotten in a sudden end, lockout and all.
const PATIENCE: Duration = Duration::from_millis(500);

/// Within which bounds a journal is kept.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Keep {
    /// Days; 0: all.
    pub days: u32,
    /// MB (10⁶ bytes); 0: no bound.
    pub mb: u32,
}

/// How the journal is doing.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Condition {
    /// What is wrong, in words.
    pub fault: Option<String>,
    /// That the file was damaged, and where it went, in words; until the next start.
    pub begun_anew: Option<String>,
    /// The last row and its hash.
    pub head: Option<Head>,
    /// Rows that could not be kept.
    pub rows_lost: u64,
}

/// What somebody who waits gets when it is written: a batch, emptied, for the next rows.
type Done = Batch;

enum Job {
    Write(Batch, Option<oneshot::Sender<Done>>),
    Prune { now: Now, keep: Keep },
}

/// The way to the journal's thread. The thread ends when this is dropped.
#[derive(Debug)]
pub struct Recorder {
    jobs: Option<SyncSender<Job>>,
    thread: Option<std::thread::JoinHandle<()>>,
    condition: watch::Receiver<Condition>,
    overflow: Arc<std::sync::atomic::AtomicU64>,
    /// The answer for which patience ran out: nobody waits again before it is there.
    late: Mutex<Option<oneshot::Receiver<Done>>>,
    /// The batch that was written last: its memory is used again where it came from.
    spare: Mutex<Option<Batch>>,
}

impl Recorder {
    /// Starts the thread with what was found.
    #[must_use]
    pub fn start(path: &Path, found: Found) -> Self {
        let (jobs, inbox) = sync_channel(MOST_QUEUED);
        let head = found.journal.as_ref().map(Journal::head);
        let (said, condition) = watch::channel(Condition {
            fault: found.fault,
            begun_anew: found.begun_anew.clone(),
            head,
            rows_lost: 0,
        });
        let overflow = Arc::new(std::sync::atomic::AtomicU64::new(0));
        let writer = Writer {
            path: path.to_owned(),
            journal: found.journal,
            kept: VecDeque::new(),
            kept_rows: 0,
            written: None,
            unsaid: 0,
            begun_anew: found.begun_anew,
            said,
            overflow: Arc::clone(&overflow),
            disk: Disk::start(path),
        };
        let thread = std::thread::Builder::new()
            .name("journal".to_owned())
            .spawn(move || writer.run(&inbox));
        // Without a thread nothing is recorded; the first write says so.
        let thread = thread
            .map_err(|error| tracing::error!(%error, "no thread for the journal"))
            .ok();
        Self {
            jobs: Some(jobs),
            thread,
            condition,
            overflow,
            late: Mutex::new(None),
            spare: Mutex::default(),
        }
    }

    /// An empty batch for rows that are to be waited for.
    #[must_use]
    pub fn batch(&self) -> Batch {
        let spare = self.spare.lock().map_or(None, |mut spare| spare.take());
        spare.unwrap_or_default()
    }

    /// Writes a batch. Where it has to be safe before the caller goes on, waits
    /// for that, but not for long.
    pub async fn write(&self, batch: Batch, wait: bool) {
        if batch.is_empty() {
            return;
        }
        let (done, mut answer) = oneshot::channel();
        if self.send(Job::Write(batch, wait.then_some(done)))
            && wait
            && self.condition.borrow().fault.is_none()
            && !self.is_late()
        {
            // Late or failed: the thread's condition says so, and the plant comes first.
            let in_time = tokio::time::timeout(PATIENCE, &mut answer).await;
            match in_time {
                Ok(written) => {
                    if let Ok(mut spare) = self.spare.lock() {
                        *spare = written.ok();
                    }
                }
                Err(_) => {
                    tracing::warn!(
                        "the journal is late: what follows leaves before its row is written"
                    );
                    if let Ok(mut late) = self.late.lock() {
                        *late = Some(answer);
                    }
                }
            }
        }
    }

    /// Whether a row for which somebody waited in vain is still not written.
    fn is_late(&self) -> bool {
        use tokio::sync::oneshot::error::TryRecvError;
        let Ok(mut late) = self.late.lock() else {
            return false;
        };
        let still = late
            .as_mut()
            .is_some_and(|answer| answer.try_recv() == Err(TryRecvError::Empty));
        if !still {
            *late = None;
        }
        still
    }

    /// Removes what is beyond the bounds.
    pub fn prune(&self, now: Now, keep: Keep) {
        if keep != Keep::default() {
            self.send(Job::Prune { now, keep });
        }
    }

    /// How the journal is doing; changes wake whoever waits.
    #[must_use]
    pub fn condition(&self) -> watch::Receiver<Condition> {
        self.condition.clone()
    }

    /// Lets everything be written, and ends the thread.
    pub fn finish(mut self) {
        self.close();
    }

    fn close(&mut self) {
        self.jobs = None;
        if let Some(thread) = self.thread.take() {
            // A panic there has been printed by the runtime already.
            let _ = thread.join();
        }
    }

    fn send(&self, job: Job) -> bool {
        let Some(jobs) = &self.jobs else { return false };
        match jobs.try_send(job) {
            Ok(()) => true,
            Err(
                TrySendError::Full(Job::Write(batch, _))
                | TrySendError::Disconnected(Job::Write(batch, _)),
            ) => {
                let rows = u64::try_from(batch.len()).unwrap_or(u64::MAX);
                self.overflow
                    .fetch_add(rows, std::sync::atomic::Ordering::Relaxed);
                false
            }
            Err(
                TrySendError::Full(Job::Prune { .. })
                | TrySendError::Disconnected(Job::Prune { .. }),
            ) => false,
        }
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        self.close();
    }
}

struct Writer {
    path: PathBuf,
    journal: Option<Journal>,
    kept: VecDeque<Batch>,
    kept_rows: usize,
    /// What was written last, emptied.
    written: Option<Batch>,
    /// Rows let go of which no row says so yet.
    unsaid: u64,
    begun_anew: Option<String>,
    said: watch::Sender<Condition>,
    overflow: Arc<std::sync::atomic::AtomicU64>,
    disk: Disk,
}

impl Writer {
    fn run(mut self, inbox: &Receiver<Job>) {
        let mut wait = AGAIN;
        loop {
            match inbox.recv_timeout(wait) {
                Ok(Job::Write(batch, done)) => {
                    wait = SOON;
                    let durability = batch.durability();
                    self.keep(batch);
                    self.flush();
                    if let Some(done) = done {
                        // The caller may have lost patience.
                        let _ = done.send(self.written.take().unwrap_or_default());
                    }
                    // Commands do not wait for this: what a power cut takes in these
                    // few milliseconds is less than what a slow disk would keep out.
                    if durability == Durability::Power {
                        self.disk.sync();
                    }
                }
                Ok(Job::Prune { now, keep }) => self.prune(now, keep),
                Err(RecvTimeoutError::Timeout) => {
                    wait = AGAIN;
                    self.flush();
                    self.begin_log();
                }
                Err(RecvTimeoutError::Disconnected) => {
                    self.flush();
                    return;
                }
            }
        }
    }

    fn keep(&mut self, batch: Batch) {
        let overflow = self.overflow.swap(0, std::sync::atomic::Ordering::Relaxed);
        self.lose(overflow);
        self.kept_rows += batch.len();
        self.kept.push_back(batch);
        while self.kept_rows > MOST_KEPT {
            let Some(oldest) = self.kept.pop_front() else {
                return;
            };
            self.kept_rows -= oldest.len();
            self.lose(u64::try_from(oldest.len()).unwrap_or(u64::MAX));
        }
    }

    /// Known outside at once, not only when a row can say so.
    fn lose(&mut self, rows: u64) {
        if rows > 0 {
            self.unsaid += rows;
            self.said
                .send_modify(|condition| condition.rows_lost += rows);
        }
    }

    fn flush(&mut self) {
        if self.journal.is_none() {
            match Journal::open(&self.path) {
                Ok(journal) => self.journal = Some(journal),
                Err(error) => return self.say(Some(error.to_string())),
            }
        }
        let mut again = true;
        while let (Some(journal), Some(batch)) = (&mut self.journal, self.kept.front()) {
            let written = if self.unsaid > 0 {
                journal.write(&with_gap(batch, self.unsaid))
            } else {
                journal.write(batch)
            };
            match written {
                Ok(_) => {
                    self.unsaid = 0;
                    self.kept_rows -= batch.len();
                    self.written = self.kept.pop_front().map(Batch::emptied);
                }
                Err(error) => {
                    if error.is_damage() {
                        // Moved aside and begun anew, as at the start.
                        let now = batch.moment().unwrap_or(Now::both(0));
                        self.journal = None;
                        let found = found::begin_anew(&self.path, now, &error);
                        self.journal = found.journal;
                        if found.begun_anew.is_some() && std::mem::take(&mut again) {
                            self.begun_anew = found.begun_anew;
                            continue;
                        }
                    }
                    return self.say(Some(error.to_string()));
                }
            }
        }
        self.say(None);
    }

    /// There is time for what the next row would have to wait for.
    fn begin_log(&mut self) {
        if let Some(journal) = &mut self.journal
            && self.disk.moved()
            && let Err(error) = journal.begin_log()
        {
            // The next row will do it, or say what is wrong.
            tracing::debug!(%error, "the log could not be begun anew");
        }
    }

    fn prune(&mut self, now: Now, keep: Keep) {
        const DAY_MS: i64 = 24 * 60 * MINUTE;
        const MB: i64 = 1_000_000;
        let Some(journal) = &mut self.journal else {
            return;
        };
        let mut fault = None;
        let mut done = |pruned: Result<Option<Pruned>, Error>| match pruned {
            Ok(Some(pruned)) => {
                tracing::info!(rows = pruned.rows, "old rows were removed from the journal");
            }
            Ok(None) => {}
            Err(error) => fault = Some(error.to_string()),
        };
        if keep.days > 0 {
            let age = i64::from(keep.days).saturating_mul(DAY_MS);
            done(journal.prune(now, Wall(now.wall.0.saturating_sub(age))));
        }
        if keep.mb > 0 {
            done(journal.prune_to_size(now, i64::from(keep.mb) * MB));
        }
        if fault.is_some() {
            self.say(fault);
        }
    }

    fn say(&self, fault: Option<String>) {
        let fault = fault.or_else(|| self.disk.fault());
        let head = self.journal.as_ref().map(Journal::head);
        self.said.send_if_modified(|condition| {
            // The head changes with every row; only a change of condition wakes anyone.
            let changed = condition.fault != fault || condition.begun_anew != self.begun_anew;
            condition.head = head;
            condition.fault = fault;
            condition.begun_anew.clone_from(&self.begun_anew);
            changed
        });
    }
}

/// The batch, with a row before it that says how many are missing.
fn with_gap(batch: &Batch, rows: u64) -> Batch {
    let mut with = Batch::new();
    let now = batch.moment().unwrap_or(Now::both(0));
    with.row(now, Kind::Gap, "", format!("{{\"rows\":{rows}}}"));
    with.append(batch.clone());
    with.at_least(Durability::Power);
    with
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::{Condition, Job, Recorder, find};
    use leeside_core::input::Input;
    use leeside_core::time::Now;
    use leeside_journal::{Batch, Durability, Journal, Kind, Span};
    use std::sync::mpsc::sync_channel;
    use std::sync::{Arc, Mutex};
    use tokio::sync::watch;

    fn batch(ms: i64) -> Batch {
        let mut batch = Batch::new();
        batch.input(Now::both(ms), "", &Input::Tick).unwrap();
        batch
    }

    #[tokio::test]
    async fn what_is_written_is_there_after_the_end() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("j.sqlite");
        let recorder = Recorder::start(&path, find(&path, Now::both(0)));
        for ms in 0..100 {
            // The one that was written is used again.
            let mut next = recorder.batch();
            assert_eq!(next, Batch::new());
            next.append(batch(ms));
            recorder.write(next, ms % 2 == 0).await;
        }
        recorder.finish();
        let journal = Journal::open(&path).unwrap();
        assert_eq!(journal.inputs(Span::ALL).count(), 100);
        assert_eq!(journal.verify().unwrap().fault, None);
    }

    /// After a gust the log is moved into the file; what comes next need not wait for the
    /// disk to begin it anew.
    #[tokio::test]
    async fn the_log_is_begun_anew_while_nobody_writes() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("j.sqlite");
        let recorder = Recorder::start(&path, find(&path, Now::both(0)));
        let mut gust = recorder.batch();
        for ms in 0..300 {
            gust.row(Now::both(ms), Kind::Alarm, "", "x".repeat(10_000));
        }
        gust.at_least(Durability::Power);
        recorder.write(gust, true).await;
        // How often it was begun stands in its header (SQLite, "WAL-mode file format").
        let begun = || std::fs::read(dir.path().join("j.sqlite-wal")).unwrap()[12..24].to_vec();
        let first = begun();
        let anew = async {
            while begun() == first {
                tokio::time::sleep(std::time::Duration::from_millis(20)).await;
            }
        };
        let in_time = tokio::time::timeout(std::time::Duration::from_secs(60), anew).await;
        assert!(in_time.is_ok(), "the next row would have to wait");
        recorder.finish();
        let journal = Journal::open(&path).unwrap();
        assert_eq!(journal.verify().unwrap().rows, 300);
    }

    /// A disk that hangs is waited for once, and not for every row.
    #[tokio::test]
    async fn patience_runs_out_once() {
        let (jobs, inbox) = sync_channel(10);
        let (_said, condition) = watch::channel(Condition::default());
        let recorder = Recorder {
            jobs: Some(jobs),
            thread: None,
            condition,
            overflow: Arc::default(),
            late: Mutex::new(None),
            spare: Mutex::default(),
        };
        recorder.write(batch(0), true).await;
        assert!(recorder.is_late());
        let at_once = tokio::select! {
            biased;
            () = recorder.write(batch(1), true) => true,
            () = std::future::ready(()) => false,
        };
        assert!(at_once, "it waits for a row that cannot be written yet");
        // The disk is there again.
        for job in inbox.try_iter() {
            if let Job::Write(_, Some(done)) = job {
                // Nobody waits for the second any more.
                let _ = done.send(Batch::new());
            }
        }
        assert!(!recorder.is_late());
        let at_once = tokio::select! {
            biased;
            () = recorder.write(batch(2), true) => true,
            () = std::future::ready(()) => false,
        };
        assert!(!at_once, "it waits again");
    }

    #[tokio::test]
    async fn a_folder_that_comes_back_gets_what_was_kept() {
        let dir = tempfile::tempdir().unwrap();
        let away = dir.path().join("away");
        let path = away.join("j.sqlite");
        let found = find(&path, Now::both(0));
        assert!(found.fault.is_some() && found.journal.is_none() && found.readable.is_none());
        let recorder = Recorder::start(&path, found);
        let mut condition = recorder.condition();
        for ms in 0..10 {
            recorder.write(batch(ms), true).await;
        }
        assert!(condition.borrow_and_update().fault.is_some());
        std::fs::create_dir(&away).unwrap();
        recorder.write(batch(10), true).await;
        condition
            .wait_for(|condition| condition.fault.is_none())
            .await
            .unwrap();
        recorder.finish();
        let journal = Journal::open(&path).unwrap();
        let all: Vec<_> = journal
            .inputs(Span::ALL)
            .map(|row| row.unwrap().now)
            .collect();
        assert_eq!(all, (0..=10).map(Now::both).collect::<Vec<_>>());
    }

    #[tokio::test]
    async fn what_had_to_be_let_go_leaves_a_row_that_says_so() {
        let dir = tempfile::tempdir().unwrap();
        let away = dir.path().join("away");
        let path = away.join("j.sqlite");
        let recorder = Recorder::start(&path, find(&path, Now::both(0)));
        // Three batches of 20,000 rows: the first has to go.
        for n in 0..3_i64 {
            let mut big = Batch::new();
            for ms in 0..20_000 {
                big.input(Now::both(n * 20_000 + ms), "", &Input::Tick)
                    .unwrap();
            }
            recorder.write(big, true).await;
        }
        let mut condition = recorder.condition();
        condition
            .wait_for(|condition| condition.rows_lost > 0)
            .await
            .unwrap();
        std::fs::create_dir(&away).unwrap();
        recorder.write(batch(60_000), true).await;
        condition
            .wait_for(|condition| condition.fault.is_none())
            .await
            .unwrap();
        assert_eq!(condition.borrow().rows_lost, 20_000);
        recorder.finish();
        let journal = Journal::open(&path).unwrap();
        let first = journal.entries(Span::ALL).next().unwrap().unwrap();
        assert_eq!(
            (first.kind, first.body.as_str()),
            (Kind::Gap, r#"{"rows":20000}"#)
        );
        assert_eq!(journal.inputs(Span::ALL).count(), 40_001);
    }

    #[test]
    fn a_damaged_file_is_moved_aside() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("j.sqlite");
        std::fs::write(&path, [7_u8; 8192]).unwrap();
        let found = find(&path, Now::both(5));
        assert!(found.journal.is_some());
        assert!(found.begun_anew.as_ref().unwrap().contains("damaged-5"));
        assert_eq!(
            std::fs::read(dir.path().join("j.sqlite.damaged-5")).unwrap(),
            [7_u8; 8192]
        );
        assert!(found.lost, "nobody knows what it held");
    }

    /// Whatever keeps a file that was there from being read: the state is lost. Where
    /// there was none, there is nothing to lose.
    #[test]
    fn a_file_of_which_nothing_can_be_read_has_lost_the_state() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("j.sqlite");
        assert!(!find(&path, Now::both(5)).lost, "there was none");
        std::fs::remove_file(&path).unwrap();
        std::fs::write(&path, [7_u8; 8192]).unwrap();
        // In its way a folder that is not empty: it cannot be moved aside.
        std::fs::create_dir_all(dir.path().join("j.sqlite.damaged-5/full")).unwrap();
        let found = find(&path, Now::both(5));
        assert!(found.journal.is_none() && found.begun_anew.is_none());
        assert!(found.fault.is_some() && found.lost);
        assert!(!find(&dir.path().join("away/j.sqlite"), Now::both(5)).lost);
    }
}
