//! The JSON documents that scripts rely on.
//!
//! Field names are fixed; fields may be added. Lengths are millimetres rounded to 0.0001, points
//! and directions are LPS. A value that could not be measured is `null`, and a warning says why.

mod budget;
mod drilling;
mod fit;
mod inspect;
mod measure;
mod outside;
mod restoration;
mod wall_map;

use jawgauge_space::{PatientDir, PatientPoint};
use serde::Serialize;

pub use budget::{BudgetEntry, MonteCarloEntry};
pub use drilling::DrillEntry;
pub use fit::{
    ClearanceEntry, FitDocument, FitEntry, FitSite, PoseEntry, RequiredEntry, RuleEntry,
    SectionWallEntry, ShortfallEntry, WallEntry, WallsEntry, fit_entry,
};
pub use inspect::{InspectDocument, LandmarksEntry, SkippedEntry, VolumeEntry, WALL_LIMIT_STEPS};
pub use measure::{
    FrameEntry, LimitEntry, MeasureDocument, MeasureSite, ScanEntry, WidthEntry, measure_site_entry,
};
pub use outside::{MissingEntry, MissingLevelEntry, StandOutEntry};
pub use restoration::{CrownEntry, RestorationEntry};
pub use wall_map::{WallMapEntry, WallRow, wall_rows};

/// A warning: a stable code, and a sentence that says what was seen, why it matters, what to do.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WarningEntry {
    /// Stable code.
    pub code: String,
    /// Sentence.
    pub message: String,
}

/// A site, or a fixture of a site, that could not be done.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FailedEntry {
    /// The site's id.
    pub id: String,
    /// The fixture's id, where one fixture failed.
    pub fixture: Option<String>,
    /// Stable code.
    pub code: String,
    /// Sentence.
    pub message: String,
}

/// `jawgauge/error/1`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ErrorDocument {
    /// `jawgauge/error/1`.
    pub schema: &'static str,
    /// Stable code.
    pub code: String,
    /// What is wrong and what to do.
    pub message: String,
    /// File and line, site or fixture.
    #[serde(rename = "where")]
    pub location: String,
}

impl ErrorDocument {
    /// The document of one error.
    #[must_use]
    pub fn new(code: &str, message: &str, location: &str) -> Self {
        Self {
            schema: "jawgauge/error/1",
            code: code.to_owned(),
            message: message.to_owned(),
            location: location.to_owned(),
        }
    }
}

/// The usual cautions, carried by every document, report and picture.
pub const CAUTION: &str = "Not a medical device. Verify every figure on the scan before acting on it; \
licensed practice and local rules decide.";

/// Millimetres, grey values and cosines to four digits after the point.
pub(crate) fn rounded(value: f64) -> f64 {
    let r = (value * 1e4).round() / 1e4;
    // No minus zero in documents.
    if r == 0.0 { 0.0 } else { r }
}

pub(crate) fn point(p: PatientPoint) -> [f64; 3] {
    p.to_array().map(rounded)
}

/// Directions keep six digits: over 50 mm that is 0.00005 mm.
pub(crate) fn direction(d: PatientDir) -> [f64; 3] {
    d.to_array().map(|c| {
        let r = (c * 1e6).round() / 1e6;
        if r == 0.0 { 0.0 } else { r }
    })
}

/// The words by which documents call a limit.
#[must_use]
pub fn limit_word(kind: jawgauge_bone::LimitKind) -> &'static str {
    use jawgauge_bone::LimitKind;
    match kind {
        LimitKind::NasalFloor => "nasal-floor",
        LimitKind::SinusFloor => "sinus-floor",
        LimitKind::NerveCanal => "nerve-canal",
        LimitKind::Other => "other",
    }
}
