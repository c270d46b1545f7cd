//! Anatomy that a fixture must stay away from, and how far below the crest it is.

use jawgauge_space::{PatientPoint, SectionFrame, SectionPoint};

use crate::error::Unmeasured;
use crate::uncertainty::Measured;

/// A limit given as one point may be moved this far onto the section without a word, mm.
pub(crate) const POINT_MOVES_MM: f64 = 2.0;

/// Marks of a surface may lie this far beyond its plane without a word, mm.
pub(crate) const BENT_MM: f64 = 1.0;
/// A limit further beside the bone than this, mm, is not the site's.
const FARTHEST_BESIDE_MM: f64 = 10.0;
/// A point this near to the plane lies in it, mm.
const IN_PLANE_MM: f64 = 0.05;

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

/// How the points of a limit are meant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LimitForm {
    /// A point, or a line through the points, and all that lies within a radius of it: a canal.
    Line {
        /// The radius, mm; 0 for the points and the line themselves.
        radius_mm: f64,
    },
    /// Points of a surface, beyond which all must be kept clear of: a floor ([`Limit::plane`]).
    Surface,
}

impl Default for LimitForm {
    fn default() -> Self {
        Self::Line { radius_mm: 0.0 }
    }
}

/// Anatomy that a fixture must stay away from, as the user marked it.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    /// What it is.
    pub kind: LimitKind,
    /// How its points are meant.
    pub form: LimitForm,
    /// One point, a polyline that the section cuts, or three or more points of a surface.
    pub points: Vec<PatientPoint>,
    /// Distance to keep from it, mm.
    pub keep_mm: f64,
}

/// How far below the crest a limit is.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitHeight {
    /// Which limit.
    pub kind: LimitKind,
    /// How its points are meant.
    pub form: LimitForm,
    /// How far a surface's marks lie beyond the plane that stands for it, mm; 0 of a line.
    pub bent_mm: f64,
    /// Where it meets the section: of a canal the near wall, of a surface below the middle of the crest.
    pub at: Option<SectionPoint>,
    /// From the crest to there along the apical direction.
    pub height: Result<Measured, Unmeasured>,
    /// Distance to keep from it, mm.
    pub keep_mm: f64,
    /// How far the one point was moved onto the section, mm; 0 for a polyline.
    pub moved_mm: f64,
}

impl LimitHeight {
    /// The radius of a canal, mm; 0 of what has none.
    #[must_use]
    pub fn radius_mm(&self) -> f64 {
        match self.form {
            LimitForm::Line { radius_mm } => radius_mm,
            LimitForm::Surface => 0.0,
        }
    }

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
///
/// Of a line with a radius the wall nearest to the mouth is told: the canal's cut with the section is an
/// ellipse, whose most crestal place lies `radius * sqrt(1 + (t_a / t_m)^2)` crestal of the line, where t_a and
/// t_m are the line's parts along apical and along the normal.
///
/// `bone` holds the least and greatest buccal coordinate of the bone; places more than 10 mm beside
/// it are not taken: a line round the whole arch meets the plane on the other side of the mouth too.
pub(crate) fn meet_section(
    frame: &SectionFrame,
    points: &[PatientPoint],
    radius_mm: f64,
    bone: (f64, f64),
) -> Result<(SectionPoint, f64), Unmeasured> {
    let beside = |p: SectionPoint| (bone.0 - p.buccal_mm).max(p.buccal_mm - bone.1).max(0.0);
    let flat: Vec<(SectionPoint, f64)> =
        points.iter().map(|&p| frame.section_from_patient(p)).collect();
    if let [(at, off)] = flat[..] {
        let beside_mm = beside(at);
        let near = beside_mm <= FARTHEST_BESIDE_MM;
        let wall = SectionPoint::new(at.buccal_mm, at.apical_mm - radius_mm);
        return if near { Ok((wall, off.abs())) } else { Err(Unmeasured::LimitFar { beside_mm }) };
    }
    let mut meets: Vec<SectionPoint> = Vec::new();
    for pair in flat.windows(2) {
        let ((a, da), (b, db)) = (pair[0], pair[1]);
        // A stretch that lies in the plane meets it all along: its ends tell how near it comes.
        meets.extend(
            [(a, da), (b, db)]
                .iter()
                .filter(|(_, d)| d.abs() <= IN_PLANE_MM)
                .map(|(p, _)| SectionPoint::new(p.buccal_mm, p.apical_mm - radius_mm)),
        );
        if da * db >= 0.0 {
            continue;
        }
        let t = da / (da - db);
        let (across, down) = (b.buccal_mm - a.buccal_mm, b.apical_mm - a.apical_mm);
        let middle = SectionPoint::new(a.buccal_mm + t * across, a.apical_mm + t * down);
        // The ellipse ends with the stretch.
        let ends = a.apical_mm.min(b.apical_mm) - radius_mm;
        meets.push(near_wall(middle, radius_mm, [across, down, db - da], ends));
    }
    let nearest_beside = meets.iter().map(|m| beside(*m)).fold(f64::INFINITY, f64::min);
    meets.retain(|m| beside(*m) <= FARTHEST_BESIDE_MM);
    let most_crestal = meets.into_iter().min_by(|a, b| a.apical_mm.total_cmp(&b.apical_mm));
    if most_crestal.is_none() && nearest_beside.is_finite() {
        return Err(Unmeasured::LimitFar { beside_mm: nearest_beside });
    }
    most_crestal.map(|m| (m, 0.0)).ok_or_else(|| Unmeasured::LimitMissesSection {
        nearest_mm: flat.iter().map(|f| f.1.abs()).fold(f64::INFINITY, f64::min),
    })
}

/// The most crestal place of a canal's cut with the section; `along` is its direction: across, down, and
/// along the normal.
fn near_wall(
    middle: SectionPoint,
    radius_mm: f64,
    along: [f64; 3],
    least_apical_mm: f64,
) -> SectionPoint {
    let [across, down, through] = along;
    let rise = (down / through).hypot(1.0);
    let beside = across * down / (through * through) / rise;
    let wall = middle.apical_mm - radius_mm * rise;
    if wall < least_apical_mm {
        return SectionPoint::new(middle.buccal_mm, least_apical_mm);
    }
    SectionPoint::new(middle.buccal_mm - radius_mm * beside, wall)
}
