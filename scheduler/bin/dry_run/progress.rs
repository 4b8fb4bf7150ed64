//! A progress bar on a terminal, and Ctrl-C that ends a run without half a file.

use indicatif::{ProgressBar, ProgressStyle};
use std::ops::ControlFlow;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Steps of a bar over a share.
const STEPS: u64 = 1_000;

/// A bar over a run of so many days, and the wish to stop it.
pub(crate) struct Progress {
    bar: ProgressBar,
    stop: Arc<AtomicBool>,
}

impl Progress {
    /// Draws nothing where nobody sits at a terminal.
    pub(crate) fn over(days: u64) -> Self {
        let bar = ProgressBar::new(days);
        if let Ok(style) = ProgressStyle::with_template("{bar:40} {percent} %, {eta} left") {
            bar.set_style(style);
        }
        Self {
            bar,
            stop: interrupted(),
        }
    }

    /// Draws nothing where nobody sits at a terminal.
    pub(crate) fn over_the_whole() -> Self {
        Self::over(STEPS)
    }

    /// So much of the whole is done, 0..1; says whether to go on.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "a share of a thousand"
    )]
    pub(crate) fn part(&self, share: f64) -> ControlFlow<()> {
        // Of two runs side by side the one that is further moves the bar.
        let done = (share.clamp(0.0, 1.0) * STEPS as f64) as u64;
        self.at(done.max(self.bar.position()))
    }

    /// So many days are done; says whether to go on.
    pub(crate) fn at(&self, days: u64) -> ControlFlow<()> {
        self.bar.set_position(days);
        if self.stop.load(Ordering::Relaxed) {
            ControlFlow::Break(())
        } else {
            ControlFlow::Continue(())
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// Set once somebody pressed Ctrl-C, so that the run can end without leaving
/// half a file.
fn interrupted() -> Arc<AtomicBool> {
    let stop = Arc::new(AtomicBool::new(false));
    let told = stop.clone();
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build();
        if let Ok(runtime) = runtime
            && runtime.block_on(tokio::signal::ctrl_c()).is_ok()
        {
            told.store(true, Ordering::Relaxed);
        }
    });
    stop
}
