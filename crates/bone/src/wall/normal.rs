//! The normal distribution from a table: density and distribution function.

use std::f64::consts::{PI, SQRT_2};
use std::sync::LazyLock;

/// Entries for each standard deviation; linear between them is exact to 5e-7.
const PER_SIGMA: f64 = 256.0;
/// Beyond this many standard deviations the tails, below 1e-9, count as nothing.
const REACH: f64 = 6.0;

static TABLE: LazyLock<Vec<(f64, f64)>> = LazyLock::new(|| {
    // Some thousands of entries.
    #[allow(clippy::cast_possible_truncation)]
    let last = (2.0 * REACH * PER_SIGMA) as i32 + 1;
    (0..=last)
        .map(|n| {
            let z = f64::from(n) / PER_SIGMA - REACH;
            (0.5 * libm::erfc(-z / SQRT_2), (-0.5 * z * z).exp() / (2.0 * PI).sqrt())
        })
        .collect()
});

/// The table at hand.
#[derive(Clone, Copy)]
pub(crate) struct Normal(&'static [(f64, f64)]);

impl Normal {
    pub(crate) fn table() -> Self {
        Self(&TABLE)
    }

    /// Distribution function and density of the standard normal distribution at `z`.
    #[inline]
    pub(crate) fn at(self, z: f64) -> (f64, f64) {
        if !(z > -REACH) {
            return (0.0, 0.0);
        }
        if z >= REACH {
            return (1.0, 0.0);
        }
        let x = (z + REACH) * PER_SIGMA;
        // Within the table by the checks above.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let at = x as usize;
        let t = x - at as f64;
        let (a, b) = (self.0[at], self.0[at + 1]);
        (a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1))
    }
}
