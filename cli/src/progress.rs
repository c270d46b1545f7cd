//! How far a long reading is, on a terminal.

use std::sync::Mutex;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// What takes less than this is not worth a bar.
const WORTH_A_BAR: Duration = Duration::from_secs(1);

/// A bar on standard error that appears after a second, on a terminal only, and goes away
/// when it is dropped.
pub(crate) struct Bar {
    what: &'static str,
    begun: Instant,
    shown: Mutex<Option<ProgressBar>>,
}

impl Bar {
    pub(crate) fn new(what: &'static str) -> Self {
        Self { what, begun: Instant::now(), shown: Mutex::new(None) }
    }

    /// `done` of `of` slices are read.
    pub(crate) fn tell(&self, done: usize, of: usize) {
        if self.begun.elapsed() < WORTH_A_BAR {
            return;
        }
        // A bar that cannot be drawn is no reason to stop.
        let Ok(mut shown) = self.shown.try_lock() else { return };
        let bar = shown.get_or_insert_with(|| {
            let bar = ProgressBar::with_draw_target(Some(of as u64), ProgressDrawTarget::stderr());
            let style = ProgressStyle::with_template("{msg} {wide_bar} {pos} of {len} slices");
            bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
            bar.set_message(self.what);
            bar
        });
        bar.set_position(done as u64);
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        if let Ok(Some(bar)) = self.shown.get_mut().map(|shown| shown.take()) {
            bar.finish_and_clear();
        }
    }
}
