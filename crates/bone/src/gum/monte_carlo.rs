use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// What drawing the sources many times gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MonteCarlo {
    /// Mean of the answers.
    pub mean: f64,
    /// Their standard deviation.
    pub u: f64,
    /// The interval that holds 95 of 100 answers, as many below as above it.
    pub interval95: (f64, f64),
    /// How many answers there were.
    pub trials: usize,
}

impl MonteCarlo {
    /// Whether these answers confirm the interval `mm` plus or minus `expanded` of the linear
    /// propagation: both its ends lie within the numerical tolerance of theirs.
    ///
    /// # Source
    ///
    /// JCGM 101:2008, clause 8.1.2; what differs: the tolerance of one digit goes with
    /// [`numerical_tolerance`] of the linear standard uncertainty, half of `expanded`.
    ///
    /// # Examples
    ///
    /// ```
    /// use jawgauge_bone::gum::monte_carlo;
    /// let drawn = monte_carlo(20_000, 1, |n| Some(6.0 + 0.04 * n.draw())).expect("answers");
    /// assert!(drawn.confirms(6.0, 0.08));
    /// assert!(!drawn.confirms(6.02, 0.08), "an interval beside the answers");
    /// assert!(!drawn.confirms(6.0, 0.10), "one that is too wide");
    /// ```
    #[must_use]
    pub fn confirms(&self, mm: f64, expanded: f64) -> bool {
        let tolerance = numerical_tolerance(0.5 * expanded);
        let (low, high) = self.interval95;
        (mm - expanded - low).abs() <= tolerance && (mm + expanded - high).abs() <= tolerance
    }
}

/// Half a unit in the last place of an uncertainty of which one digit is meaningful.
///
/// # Source
///
/// JCGM 101:2008, clause 7.9.2: u written as c times a power of ten, c a whole number of one digit;
/// half that power.
///
/// # Examples
///
/// ```
/// use jawgauge_bone::gum::numerical_tolerance;
/// assert!((numerical_tolerance(0.035) - 0.005).abs() < 1e-12);
/// // 0.096 is 1 times 0.1.
/// assert!((numerical_tolerance(0.096) - 0.05).abs() < 1e-12);
/// ```
#[must_use]
pub fn numerical_tolerance(u: f64) -> f64 {
    if !(u > 0.0) {
        return 0.0;
    }
    let power = 10.0_f64.powf(u.log10().floor());
    0.5 * if (u / power).round() >= 10.0 { 10.0 * power } else { power }
}

/// Independent standard normal deviates, the same ones in every run.
#[derive(Debug)]
pub struct Normals {
    rng: ChaCha8Rng,
    kept: Option<f64>,
}

impl Normals {
    /// Deviates numbered by a seed.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self { rng: ChaCha8Rng::seed_from_u64(seed), kept: None }
    }

    /// The next one, by the Box-Muller transform.
    pub fn draw(&mut self) -> f64 {
        if let Some(kept) = self.kept.take() {
            return kept;
        }
        // In (0, 1]: the logarithm stays finite.
        let radius = (-2.0 * (1.0 - self.rng.random::<f64>()).ln()).sqrt();
        let (sin, cos) = (std::f64::consts::TAU * self.rng.random::<f64>()).sin_cos();
        self.kept = Some(radius * sin);
        radius * cos
    }

    /// The next one between two ends, all equally likely.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.rng.random::<f64>()
    }
}

/// Draws the inputs `trials` times and tells how the answers spread; answers that are `None` are left
/// out, `None` where most are.
///
/// # Source
///
/// JCGM 101:2008, clauses 7.2 to 7.7 (probabilistically symmetric interval).
///
/// # Examples
///
/// ```
/// use jawgauge_bone::gum::monte_carlo;
/// // Twice a standard normal deviate: u = 2.
/// let spread = monte_carlo(20_000, 1, |normals| Some(2.0 * normals.draw())).expect("answers");
/// assert!((spread.u - 2.0).abs() < 0.05);
/// ```
pub fn monte_carlo(
    trials: usize,
    seed: u64,
    mut answer: impl FnMut(&mut Normals) -> Option<f64>,
) -> Option<MonteCarlo> {
    let mut normals = Normals::new(seed);
    let mut answers: Vec<f64> = (0..trials).filter_map(|_| answer(&mut normals)).collect();
    answers.retain(|a| a.is_finite());
    let n = answers.len();
    if n < 2 || 2 * n < trials {
        return None;
    }
    answers.sort_by(f64::total_cmp);
    let mean = answers.iter().sum::<f64>() / n as f64;
    let square: f64 = answers.iter().map(|a| (a - mean).powi(2)).sum();
    let at = |share: f64| {
        // Within the answers by the clamp.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let index = (share * n as f64).floor().clamp(0.0, n as f64 - 1.0) as usize;
        answers[index]
    };
    Some(MonteCarlo {
        mean,
        u: (square / (n as f64 - 1.0)).sqrt(),
        interval95: (at(0.025), at(0.975)),
        trials: n,
    })
}
