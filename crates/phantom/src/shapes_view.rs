use jawgauge_space::SectionPoint;

use crate::shapes_outline::dot;
use crate::shapes_section::{CrossSection, Marrow};

/// One of the two plates.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PlateSide {
    /// Towards cheek or lip.
    Buccal,
    /// Towards tongue or palate.
    Lingual,
}

/// A cross-section measured along a direction: the exact widths, plates and height that a
/// perfect measurement would find.
///
/// Levels are depths below the crest along the view's direction; the crest is the place of
/// the outline that lies farthest against it (the middle of them where the crest is flat).
///
/// # Frame and shape
///
/// In the shape's own axes a view whose direction the shape leans away from by an angle f
/// (to the cheek) has the axes u = (cos f, sin f) and v = (-sin f, cos f). Every question
/// is then the crossing of one straight line with arcs and straight edges. Places are
/// returned in the section's axes (buccal, apical), whatever the view.
///
/// # Units
///
/// Millimetres, all lengths positive.
///
/// # Accuracy
///
/// Rounding only; tests hold it against root finding on the implicit function of the shape.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SectionView<'a> {
    section: &'a CrossSection,
    buccal: [f64; 2],
    apical: [f64; 2],
    crest_mm: f64,
}

impl<'a> SectionView<'a> {
    pub(crate) fn new(section: &'a CrossSection, lean_deg: f64) -> Self {
        let (sin, cos) = lean_deg.to_radians().sin_cos();
        let apical = [-sin, cos];
        let crest_mm = -section.outline().reach([sin, -cos]);
        Self { section, buccal: [cos, sin], apical, crest_mm }
    }

    /// Length inside the bone of the line across the section at `level_mm` below the crest;
    /// `None` above the crest and below the base.
    #[must_use]
    pub fn width_mm(&self, level_mm: f64) -> Option<f64> {
        self.run_mm(level_mm).map(|(lingual, buccal)| buccal - lingual)
    }

    /// The lingual and the buccal end of that line, mm along the view's buccal direction from
    /// the shape's own crest (where the section's axes have their origin).
    #[must_use]
    pub fn run_mm(&self, level_mm: f64) -> Option<(f64, f64)> {
        self.section.outline().line_run(self.level_origin(level_mm), self.buccal)
    }

    /// The ends of the width at a level, lingual and buccal, in the section's axes.
    #[must_use]
    pub fn ends(&self, level_mm: f64) -> Option<(SectionPoint, SectionPoint)> {
        let (lingual, buccal) = self.run_mm(level_mm)?;
        let at = |t| self.in_section(self.on_level(level_mm, t));
        Some((at(lingual), at(buccal)))
    }

    /// Extent of the bone from the crest along the view's direction, mm.
    #[must_use]
    pub fn height_mm(&self) -> f64 {
        self.section.outline().reach(self.apical) - self.crest_mm
    }

    /// The most crestal place of the bone, in the section's axes.
    #[must_use]
    pub fn crest(&self) -> SectionPoint {
        let up = [-self.apical[0], -self.apical[1]];
        self.in_section(self.section.outline().farthest(up))
    }

    /// Thickness of a plate at a level along the line across the section: from the bone's
    /// surface to the marrow. `None` where the line meets no marrow.
    #[must_use]
    pub fn plate_mm(&self, side: PlateSide, level_mm: f64) -> Option<f64> {
        let (lingual, buccal) = self.run_mm(level_mm)?;
        let marrow = self.section.marrow()?;
        let (first, last) = marrow.line_run(self.level_origin(level_mm), self.buccal)?;
        Some(match side {
            PlateSide::Buccal => buccal - last,
            PlateSide::Lingual => first - lingual,
        })
    }

    /// Thickness of a plate from the bone's surface at a level along the inward normal of the
    /// surface there. `None` where the normal meets no marrow.
    ///
    /// On a straight or round wall it is the plate's own thickness, whatever the inclination.
    #[must_use]
    pub fn plate_normal_mm(&self, side: PlateSide, level_mm: f64) -> Option<f64> {
        let (lingual, buccal) = self.run_mm(level_mm)?;
        let from = match side {
            PlateSide::Buccal => self.on_level(level_mm, buccal),
            PlateSide::Lingual => self.on_level(level_mm, lingual),
        };
        let (_, outward) = self.section.outline().signed_distance(from);
        let inward = [-outward[0], -outward[1]];
        self.section.marrow()?.line_run(from, inward).map(|(first, _)| first)
    }

    /// Distance of a place of the section below the crest along the view's direction, mm.
    #[must_use]
    pub fn level_of(&self, place: SectionPoint) -> f64 {
        let (sin, cos) = self.section.lean_deg().to_radians().sin_cos();
        let own = [
            place.buccal_mm * cos - place.apical_mm * sin,
            place.buccal_mm * sin + place.apical_mm * cos,
        ];
        dot(own, self.apical) - self.crest_mm
    }

    fn level_origin(&self, level_mm: f64) -> [f64; 2] {
        self.on_level(level_mm, 0.0)
    }

    fn on_level(&self, level_mm: f64, t: f64) -> [f64; 2] {
        let v = self.crest_mm + level_mm;
        [self.apical[0] * v + self.buccal[0] * t, self.apical[1] * v + self.buccal[1] * t]
    }

    fn in_section(&self, own: [f64; 2]) -> SectionPoint {
        self.section.section_point(own[0], own[1])
    }
}

impl CrossSection {
    /// A place given in the shape's own axes (across to the cheek, depth along its axis), in
    /// the section's axes.
    #[must_use]
    pub fn section_point(&self, across_mm: f64, depth_mm: f64) -> SectionPoint {
        let (sin, cos) = self.lean_deg().to_radians().sin_cos();
        SectionPoint::new(across_mm * cos + depth_mm * sin, depth_mm * cos - across_mm * sin)
    }
}

impl Marrow {
    /// First and last crossing of a line with the marrow, mm from `p` along `e`.
    fn line_run(&self, p: [f64; 2], e: [f64; 2]) -> Option<(f64, f64)> {
        let clip = |run: Option<(f64, f64)>, side: f64| {
            let run = run?;
            let run = keep_positive(run, side * p[0], side * e[0])?;
            let run = keep_positive(run, p[1] - self.top_mm, e[1])?;
            keep_positive(run, self.bottom_mm - p[1], -e[1])
        };
        let buccal = clip(self.buccal.line_run(p, e), 1.0);
        let lingual = clip(self.lingual.line_run(p, e), -1.0);
        match (buccal, lingual) {
            (Some((a, b)), Some((c, d))) => Some((a.min(c), b.max(d))),
            (one, other) => one.or(other),
        }
    }
}

/// The part of `run` where `at_start + slope t` is not negative.
fn keep_positive(run: (f64, f64), at_start: f64, slope: f64) -> Option<(f64, f64)> {
    let (mut first, mut last) = run;
    if slope > 0.0 {
        first = first.max(-at_start / slope);
    } else if slope < 0.0 {
        last = last.min(-at_start / slope);
    } else if at_start < 0.0 {
        return None;
    }
    (first <= last).then_some((first, last))
}
