use jawgauge_section::SectionImage;
use jawgauge_space::SectionPoint;

use crate::contour::{Contour, contours};
use crate::pocket::close_pockets;
use crate::runs::{Run, runs_at};

/// Pieces smaller than this, mm2, are specks: the cross-section of a 1.6 mm wire.
pub(crate) const LEAST_PIECE_MM2: f64 = 2.0;

/// What cut an outline off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clip {
    /// The edge of what was scanned, an absent slice, or padding.
    Scan,
    /// The edge of the part of the plane that was looked at.
    Window,
}

/// The outer contour of one piece of bone in a section: closed, at least three vertices,
/// holes not counted.
#[derive(Debug, Clone, PartialEq)]
pub struct Outline {
    contour: Contour,
}

impl Outline {
    /// The outer contours of all pieces of at least 2 mm2, pieces inside holes of others left out.
    ///
    /// Marrow that lies open to the edge of the scan counts as inside, as a hole does.
    #[must_use]
    pub fn pieces(image: &SectionImage, threshold: f64) -> Vec<Self> {
        let mut outer: Vec<(f64, Self)> = contours(image, threshold)
            .into_iter()
            .map(|contour| close_pockets(image, contour))
            .map(|contour| (contour.signed_area_mm2(), Self { contour }))
            .filter(|(area, _)| *area >= LEAST_PIECE_MM2)
            .collect();
        outer.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut kept: Vec<Self> = Vec::new();
        for (_, piece) in outer {
            if !kept.iter().any(|k| k.contains(piece.points()[0])) {
                kept.push(piece);
            }
        }
        kept
    }

    /// An outline of vertices and what cut them off; `None` for fewer than three.
    pub(crate) fn from_parts(vertices: Vec<(SectionPoint, Option<Clip>)>) -> Option<Self> {
        if vertices.len() < 3 {
            return None;
        }
        let (points, clips) = vertices.into_iter().unzip();
        Some(Self { contour: Contour { points, clips } })
    }

    /// Vertices in order; the last is joined to the first.
    #[must_use]
    pub fn points(&self) -> &[SectionPoint] {
        &self.contour.points
    }

    /// What cut off vertex `index`, if anything did.
    ///
    /// # Panics
    ///
    /// Where there is no such vertex.
    #[must_use]
    pub fn clip_at(&self, index: usize) -> Option<Clip> {
        self.contour.clips[index]
    }

    /// What cuts the outline off anywhere; `None` for one that is whole.
    #[must_use]
    pub fn clip(&self) -> Option<Clip> {
        let any = |clip| self.contour.clips.contains(&Some(clip)).then_some(clip);
        any(Clip::Scan).or(any(Clip::Window))
    }

    /// Area inside, mm2.
    #[must_use]
    pub fn area_mm2(&self) -> f64 {
        self.contour.signed_area_mm2()
    }

    /// Whether a place lies inside.
    #[must_use]
    pub fn contains(&self, p: SectionPoint) -> bool {
        let mut inside = false;
        for (a, b) in self.sides() {
            if (a.apical_mm <= p.apical_mm) != (b.apical_mm <= p.apical_mm) {
                let t = (p.apical_mm - a.apical_mm) / (b.apical_mm - a.apical_mm);
                if a.buccal_mm + t * (b.buccal_mm - a.buccal_mm) > p.buccal_mm {
                    inside = !inside;
                }
            }
        }
        inside
    }

    /// The same outline in axes turned by `by_deg` (see
    /// [`jawgauge_space::SectionFrame::turned`]).
    #[must_use]
    pub fn in_turned_frame(&self, by_deg: f64) -> Self {
        let points = self.points().iter().map(|p| p.in_turned_frame(by_deg)).collect();
        Self { contour: Contour { points, clips: self.contour.clips.clone() } }
    }

    /// The runs of bone on the line at apical coordinate `at_mm`, lingual to buccal.
    #[must_use]
    pub fn runs_at(&self, at_mm: f64) -> Vec<Run> {
        runs_at(self, at_mm)
    }

    /// The sides, from each vertex to the next.
    pub(crate) fn sides(&self) -> impl Iterator<Item = (SectionPoint, SectionPoint)> + '_ {
        let n = self.points().len();
        (0..n).map(move |i| (self.points()[i], self.points()[(i + 1) % n]))
    }

    /// What cut off side `index`, if anything did.
    pub(crate) fn side_clip(&self, index: usize) -> Option<Clip> {
        let n = self.points().len();
        self.clip_at(index).or(self.clip_at((index + 1) % n))
    }

    /// Least and greatest coordinates.
    pub(crate) fn bounds(&self) -> (SectionPoint, SectionPoint) {
        let mut least = SectionPoint::new(f64::INFINITY, f64::INFINITY);
        let mut most = SectionPoint::new(f64::NEG_INFINITY, f64::NEG_INFINITY);
        for p in self.points() {
            least.buccal_mm = least.buccal_mm.min(p.buccal_mm);
            least.apical_mm = least.apical_mm.min(p.apical_mm);
            most.buccal_mm = most.buccal_mm.max(p.buccal_mm);
            most.apical_mm = most.apical_mm.max(p.apical_mm);
        }
        (least, most)
    }

    /// Vertices about `step_mm` apart, with the outward unit normal of each; clipped vertices
    /// and their neighbours left out.
    pub(crate) fn spaced_normals(&self, step_mm: f64) -> Vec<(SectionPoint, SectionPoint)> {
        let points = self.points();
        let n = points.len();
        let mut out = Vec::new();
        let mut since = step_mm;
        for i in 0..n {
            let before = points[(i + n - 1) % n];
            since += before.distance_mm(points[i]);
            if since < step_mm {
                continue;
            }
            // The chord over a few vertices, so that one vertex' jitter does not turn the normal.
            let reach = 4.min(n / 3);
            let (a, b) = (points[(i + n - reach) % n], points[(i + reach) % n]);
            let whole = (0..=2 * reach).all(|d| self.clip_at((i + n - reach + d) % n).is_none());
            let length = a.distance_mm(b);
            if whole && length > 1e-6 {
                // Inside lies on the right hand when u runs right and v down.
                let normal = SectionPoint::new(
                    (b.apical_mm - a.apical_mm) / length,
                    -(b.buccal_mm - a.buccal_mm) / length,
                );
                out.push((points[i], normal));
                since = 0.0;
            }
        }
        out
    }
}
