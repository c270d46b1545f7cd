//! Anatomy that a fixture must stay away from, and how far below the crest it is.

use jawgauge_space::{PatientPoint, SectionFrame, SectionPoint};

use crate::error::Unmeasured;
use crate::uncertainty::Measured;

/// A limit given as one point may be moved this far onto the section without a word, mm.
pub(crate) const POINT_MOVES_MM: f64 = 2.0;

/// What a limit is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LimitKind {
    /// Floor of the nose.
    NasalFloor,
    /// Floor of the maxillary sinus.
    SinusFloor,
    /// Canal of the inferior alveolar nerve.
    NerveCanal,
    /// Anything else.
    Other,
}

/// Anatomy that a fixture must stay away from, as the user marked it.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    /// What it is.
    pub kind: LimitKind,
    /// One point, or a polyline that the section cuts.
    pub points: Vec<PatientPoint>,
    /// Distance to keep from it, mm.
    pub keep_mm: f64,
}

/// How far below the crest a limit is.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitHeight {
    /// Which limit.
    pub kind: LimitKind,
    /// Where it meets the section.
    pub at: Option<SectionPoint>,
    /// From the crest to there along the apical direction.
    pub height: Result<Measured, Unmeasured>,
    /// Distance to keep from it, mm.
    pub keep_mm: f64,
    /// How far the one point was moved onto the section, mm; 0 for a polyline.
    pub moved_mm: f64,
}

impl LimitHeight {
    /// Height less the distance to keep, mm.
    #[must_use]
    pub fn usable_mm(&self) -> Option<f64> {
        self.height.as_ref().ok().map(|h| h.mm - self.keep_mm)
    }
}

/// Where a limit meets the plane of a section, and how far it had to be moved.
///
/// A polyline meets it where one of its segments passes through; of several places the most
/// crestal is taken. One point is projected along the plane's normal.
pub(crate) fn meet_section(
    frame: &SectionFrame,
    points: &[PatientPoint],
) -> Result<(SectionPoint, f64), Unmeasured> {
    let flat: Vec<(SectionPoint, f64)> =
        points.iter().map(|&p| frame.section_from_patient(p)).collect();
    if let [(at, off)] = flat[..] {
        return Ok((at, off.abs()));
    }
    let mut meets: Option<SectionPoint> = None;
    for pair in flat.windows(2) {
        let ((a, da), (b, db)) = (pair[0], pair[1]);
        if da * db > 0.0 {
            continue;
        }
        let t = if da == db { 0.0 } else { da / (da - db) };
        let at = SectionPoint::new(
            a.buccal_mm + t * (b.buccal_mm - a.buccal_mm),
            a.apical_mm + t * (b.apical_mm - a.apical_mm),
        );
        if meets.is_none_or(|m| at.apical_mm < m.apical_mm) {
            meets = Some(at);
        }
    }
    meets.map(|m| (m, 0.0)).ok_or_else(|| Unmeasured::LimitMissesSection {
        nearest_mm: flat.iter().map(|f| f.1.abs()).fold(f64::INFINITY, f64::min),
    })
}
