/// What a value is uncertain by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Noise of the voxels that edges were fitted to, and what is not known of the walls' greys.
    Noise,
    /// The scan's blur is known only so well.
    Blur,
    /// The model of a wall is not the wall: bends, corners, the grid's phase.
    Model,
    /// The crest, from which levels are counted, is known only so well.
    Level,
    /// The size of the scanner's voxels is known only so well.
    Scale,
    /// The ridge axis runs otherwise than the ridge.
    Axis,
    /// The site was marked by hand, and the ridge changes along its axis.
    Site,
    /// The limit was marked by hand.
    Limit,
    /// The fixture is made, or described, only so exactly.
    Fixture,
}

/// All sources, in the order in which budgets are shown.
const SOURCES: [Source; 9] = [
    Source::Noise,
    Source::Blur,
    Source::Model,
    Source::Level,
    Source::Scale,
    Source::Axis,
    Source::Site,
    Source::Limit,
    Source::Fixture,
];

/// The coverage factor of every expanded uncertainty (JCGM 100:2008, clause 6.2.1).
const COVERAGE_FACTOR: f64 = 2.0;

/// What each source adds to the standard uncertainty of one value, mm.
///
/// # Examples
///
/// ```
/// use jawgauge_bone::gum::{Budget, Source};
/// let budget = Budget::default().with(Source::Noise, 0.03).with(Source::Blur, 0.04);
/// assert!((budget.u_mm() - 0.05).abs() < 1e-12);
/// assert!((budget.u95_mm() - 0.10).abs() < 1e-12);
/// assert!((budget.share(Source::Noise) - 0.36).abs() < 1e-12);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Budget {
    u_mm: [f64; SOURCES.len()],
}

impl Budget {
    /// The same with a source of this standard uncertainty added.
    #[must_use]
    pub fn with(mut self, source: Source, u_mm: f64) -> Self {
        let slot = &mut self.u_mm[source as usize];
        *slot = slot.hypot(u_mm);
        self
    }

    /// What one source adds, mm.
    #[must_use]
    pub fn of(&self, source: Source) -> f64 {
        self.u_mm[source as usize]
    }

    /// Combined standard uncertainty, mm.
    #[must_use]
    pub fn u_mm(&self) -> f64 {
        self.u_mm.iter().map(|u| u * u).sum::<f64>().sqrt()
    }

    /// Expanded uncertainty, coverage factor 2, mm.
    #[must_use]
    pub fn u95_mm(&self) -> f64 {
        COVERAGE_FACTOR * self.u_mm()
    }

    /// The source's share of the variance, 0 to 1.
    #[must_use]
    pub fn share(&self, source: Source) -> f64 {
        let all = self.u_mm().powi(2);
        if all > 0.0 { self.of(source).powi(2) / all } else { 0.0 }
    }

    /// The sources that add anything, with what they add, mm.
    pub fn sources(&self) -> impl Iterator<Item = (Source, f64)> + '_ {
        SOURCES.into_iter().map(|s| (s, self.of(s))).filter(|(_, u)| *u > 0.0)
    }
}

impl Source {
    /// A word for documents.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Noise => "noise",
            Self::Blur => "blur",
            Self::Model => "model",
            Self::Level => "level",
            Self::Scale => "scale",
            Self::Axis => "axis",
            Self::Site => "site",
            Self::Limit => "limit",
            Self::Fixture => "fixture",
        }
    }
}
