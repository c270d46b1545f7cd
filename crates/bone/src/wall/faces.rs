//! Places on an outline, as faces of bone in space.

use jawgauge_space::{PatientVector, SectionFrame, SectionPoint};

use super::patch::Face;
use crate::outline::Outline;

/// Stretch of outline to either side that says how the surface bends, mm.
const BEND_REACH_MM: f64 = 0.9;
/// An outline that misses its own parabola by more than this, mm (root mean square), beyond
/// its noise has a corner there.
const CORNER_MM: f64 = 0.02;
/// Tightest bend, in standard deviations of the blur.
const TIGHTEST_SIGMAS: f64 = 5.0;
/// The far side of the bone lies at least this deep, mm.
const FAR_FROM_MM: f64 = 0.3;
/// No wall is looked for deeper than this, mm: plates of 2.5 mm and what the blur needs.
pub(crate) const DEEPEST_MM: f64 = 4.0;

/// A place of the outline with the parabola that the outline follows about it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Place {
    /// The vertex.
    pub(crate) index: usize,
    /// On the parabola.
    pub(crate) at: SectionPoint,
    /// Inwards, unit, in the section.
    pub(crate) inward: (f64, f64),
    pub(crate) face: Face,
    /// Bone along the inward normal, mm.
    pub(crate) through_mm: f64,
}

/// How smooth an outline must be to be fitted.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Smoothness {
    pub(crate) sigma_mm: f64,
    /// Noise of the outline, mm.
    pub(crate) noise_mm: f64,
}

impl Place {
    /// The place at a vertex; `None` at corners, tight bends and cut-off stretches.
    pub(crate) fn at_vertex(
        frame: &SectionFrame,
        outline: &Outline,
        index: usize,
        smooth: &Smoothness,
    ) -> Option<Self> {
        let points = outline.points();
        let n = points.len();
        let origin = points[index];
        let mut stretch = vec![origin];
        let mut ends = [origin; 2];
        for (end, direction) in ends.iter_mut().zip([n - 1, 1]) {
            let (mut i, mut length) = (index, 0.0);
            while length < BEND_REACH_MM && stretch.len() < n {
                let next = (i + direction) % n;
                if outline.clip_at(next).is_some() {
                    return None;
                }
                length += points[i].distance_mm(points[next]);
                i = next;
                stretch.push(points[i]);
                *end = points[i];
            }
        }
        let length = ends[0].distance_mm(ends[1]);
        if !(length > 0.5 * BEND_REACH_MM) || stretch.len() < 6 {
            return None;
        }
        let along = (
            (ends[1].buccal_mm - ends[0].buccal_mm) / length,
            (ends[1].apical_mm - ends[0].apical_mm) / length,
        );
        // Inside lies on the right hand when buccal runs right and apical down.
        let out = (along.1, -along.0);
        let local: Vec<(f64, f64)> = stretch
            .iter()
            .map(|p| {
                let (u, v) = (p.buccal_mm - origin.buccal_mm, p.apical_mm - origin.apical_mm);
                (u * along.0 + v * along.1, u * out.0 + v * out.1)
            })
            .collect();
        let [a, b, c] = crate::crest::parabola(&local)?;
        let square: f64 = local.iter().map(|(s, d)| (d - a - b * s - c * s * s).powi(2)).sum();
        let miss_mm = (square / local.len() as f64).sqrt();
        let bends = 2.0 * c.abs() * TIGHTEST_SIGMAS * smooth.sigma_mm;
        if !(miss_mm <= CORNER_MM + smooth.noise_mm && bends <= 1.0) {
            return None;
        }
        let root = (1.0 + b * b).sqrt();
        let turn =
            |x: (f64, f64), y: (f64, f64), t: f64| ((x.0 + t * y.0) / root, (x.1 + t * y.1) / root);
        let normal = out;
        let (along, out) = (turn(along, out, b), turn(out, along, -b));
        let at =
            SectionPoint::new(origin.buccal_mm + a * normal.0, origin.apical_mm + a * normal.1);
        let inward = (-out.0, -out.1);
        let vector = |d: (f64, f64)| -> PatientVector {
            frame.buccal().as_vector() * d.0 + frame.apical().as_vector() * d.1
        };
        let face = Face {
            centre: frame.patient_from_section(at),
            along: vector(along),
            inward: vector(inward),
            beside: frame.mesial().as_vector(),
            curvature: -2.0 * c / root.powi(3),
        };
        let through_mm = far_side(outline, at, inward)?;
        Some(Self { index, at, inward, face, through_mm })
    }

    /// The place `depth_mm` below it.
    pub(crate) fn below(&self, depth_mm: f64) -> SectionPoint {
        SectionPoint::new(
            self.at.buccal_mm + depth_mm * self.inward.0,
            self.at.apical_mm + depth_mm * self.inward.1,
        )
    }

    /// How deep a wall may be looked for without meeting the one on the far side, mm.
    pub(crate) fn half_through_mm(&self) -> f64 {
        (0.5 * self.through_mm).min(DEEPEST_MM)
    }
}

/// Distance from a place on an outline to where a line into it leaves it again.
fn far_side(outline: &Outline, from: SectionPoint, along: (f64, f64)) -> Option<f64> {
    outline
        .sides()
        .filter_map(|(a, b)| {
            let (au, av) = (a.buccal_mm - from.buccal_mm, a.apical_mm - from.apical_mm);
            let (bu, bv) = (b.buccal_mm - from.buccal_mm, b.apical_mm - from.apical_mm);
            let (pa, pb) = (au * along.1 - av * along.0, bu * along.1 - bv * along.0);
            if (pa <= 0.0) == (pb <= 0.0) {
                return None;
            }
            let t = pa / (pa - pb);
            let at = (au + t * (bu - au)) * along.0 + (av + t * (bv - av)) * along.1;
            (at > FAR_FROM_MM).then_some(at)
        })
        .min_by(f64::total_cmp)
}
