//! Work that takes a while: replays for the pages why, year and facade.
//!
//! One piece of work is done at a time, on a thread of its own, so that commands
//! of the house find the other cores free; a few more may wait, and whoever comes
//! then is told so. What came of it is kept by its question, so that loading a page
//! again costs nothing. Without scripts a page that waits loads itself again.

use crate::failure::Failure;
use crate::house::App;
use std::collections::VecDeque;
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicU32, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Duration;
use tokio::sync::{Notify, Semaphore};

/// So long a request waits for its answer before it shows that there is work.
const PATIENCE: Duration = Duration::from_millis(1_500);
/// So much may wait beside what is being done.
const WAITING: usize = 8;

/// Lets one piece of work be done after the other, whatever it is about.
#[derive(Debug)]
pub struct Turns {
    turn: Semaphore,
    waiting: AtomicUsize,
}

impl Default for Turns {
    fn default() -> Self {
        Self {
            turn: Semaphore::new(1),
            waiting: AtomicUsize::new(0),
        }
    }
}

/// What came of the last questions of one kind.
#[derive(Debug)]
pub struct Bench<T> {
    kept: Mutex<VecDeque<(String, Arc<Job<T>>)>>,
    most: usize,
}

/// One piece of work.
#[derive(Debug)]
pub struct Job<T> {
    /// Per mille of it that is done.
    done: AtomicU32,
    answer: OnceLock<Result<T, Failure>>,
    ready: Notify,
}

/// How far a question is.
#[derive(Debug)]
pub enum Standing<T> {
    /// Answered.
    Answered(Arc<Job<T>>),
    /// Being worked on: per mille done.
    Working(u32),
    /// Too much waits already.
    Busy,
}

impl<T> Job<T> {
    /// What came of it, or why nothing did; `None`: not done yet.
    #[must_use]
    pub fn answer(&self) -> Option<&Result<T, Failure>> {
        self.answer.get()
    }
}

impl<T: Send + Sync + 'static> Bench<T> {
    /// Keeps the last `most` answers.
    #[must_use]
    pub fn keeping(most: usize) -> Self {
        Self {
            kept: Mutex::default(),
            most,
        }
    }

    /// The answer to a question, from what is kept or worked out anew. `work` is
    /// given a function that it calls now and then with the part done, 0..1, and
    /// that says whether to go on.
    pub async fn ask(
        &self,
        app: &App,
        question: String,
        work: impl FnOnce(&Progress) -> Result<T, Failure> + Send + 'static,
    ) -> Standing<T> {
        let (job, begins) = {
            let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
            match kept.iter().find(|(asked, _)| *asked == question) {
                Some((_, job)) => (Arc::clone(job), false),
                None => {
                    let job = Arc::new(Job {
                        done: AtomicU32::new(0),
                        answer: OnceLock::new(),
                        ready: Notify::new(),
                    });
                    if app.turns.waiting.fetch_add(1, Ordering::SeqCst) > WAITING {
                        app.turns.waiting.fetch_sub(1, Ordering::SeqCst);
                        return Standing::Busy;
                    }
                    // What is being worked on stays, however old.
                    if kept.len() >= self.most
                        && let Some(old) =
                            kept.iter().position(|(_, job)| job.answer.get().is_some())
                    {
                        kept.remove(old);
                    }
                    kept.push_back((question, Arc::clone(&job)));
                    (job, true)
                }
            }
        };
        if begins {
            tokio::spawn(run(Arc::clone(app), Arc::clone(&job), work));
        }
        {
            let ready = job.ready.notified();
            if job.answer.get().is_none() {
                // Ready in the meantime, or not: the answer itself says.
                let _ = tokio::time::timeout(PATIENCE, ready).await;
            }
        }
        if job.answer.get().is_some() {
            Standing::Answered(job)
        } else {
            Standing::Working(job.done.load(Ordering::Relaxed))
        }
    }
}

/// Takes the part done, and says whether to go on.
pub struct Progress<'a> {
    tell: &'a (dyn Fn(f64) -> ControlFlow<()> + Sync),
}

impl core::fmt::Debug for Progress<'_> {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("Progress")
    }
}

impl Progress<'_> {
    /// So much is done, 0..1.
    pub fn at(&self, share: f64) -> ControlFlow<()> {
        (self.tell)(share)
    }
}

async fn run<T: Send + Sync + 'static>(
    app: App,
    job: Arc<Job<T>>,
    work: impl FnOnce(&Progress) -> Result<T, Failure> + Send + 'static,
) {
    // The semaphore is never closed.
    let turn = app.turns.turn.acquire().await;
    let (stop, told) = (app.given.stop.clone(), Arc::clone(&job));
    let worked = tokio::task::spawn_blocking(move || {
        let tell = |share: f64| {
            told.done.store(per_mille(share), Ordering::Relaxed);
            // The service ends: nobody waits for this any more.
            if *stop.borrow() {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        };
        let progress = Progress { tell: &tell };
        work(&progress)
    })
    .await;
    drop(turn);
    app.turns.waiting.fetch_sub(1, Ordering::SeqCst);
    let answer = worked.unwrap_or_else(|error| Err(Failure::of("work.fault").detail(error)));
    // Set once, here.
    let _ = job.answer.set(answer);
    job.ready.notify_waiters();
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "within 0..1000"
)]
fn per_mille(share: f64) -> u32 {
    (share.clamp(0.0, 1.0) * 1_000.0) as u32
}
