//! The outline moved to the surfaces of the walls that were fitted.

use jawgauge_space::SectionPoint;

use super::fitting::WallFit;
use super::rounded::{Vertex, rounded, stands_out};
use super::survey::{Edge, NODE_MM, Start, WallSurvey};
use crate::outline::Outline;
use crate::tip::sharp_reach;

/// A contour at a level lower than half-way is taken to lie outside the surface by what it does at
/// fitted places this near, mm.
const SINKS_AS_MM: f64 = 3.0;
/// Surfaces farther off the contour than this many blurs, by their median, say that it was none at the
/// half-way level: thin walls lower the peak that the level was read from.
const OFF_BLURS: f64 = 0.12;
/// Vertices this many apart tell which way is in.
const APART: usize = 3;

impl WallSurvey {
    /// The outline with its vertices replaced by the surfaces of fitted walls; where none was
    /// fitted, it stays as it is.
    pub(super) fn moved(&mut self, start: Start, fits: Vec<WallFit>) -> Outline {
        let outline = start.outline;
        let mut fitted = vec![None; outline.points().len()];
        let metal = fits.iter().filter(|w| self.is_by_metal(w));
        self.beside_metal = metal.map(|w| w.place.at).collect();
        let fits: Vec<WallFit> = fits.into_iter().filter(|w| self.believes(w)).collect();
        self.is_half_way = start.is_half_way && self.lies_at_surfaces(&fits);
        let sharp = self.is_half_way.then(|| sharp_reach(outline, self.blur.sigma(0.0))).flatten();
        for (n, wall) in fits.iter().enumerate() {
            // What puts a sharp tip back goes by the contour that the blur has left.
            let at_tip = sharp.is_some_and(|(tip, mm)| wall.place.at.distance_mm(tip) < mm);
            if at_tip || stands_out(&fits, n) {
                continue;
            }
            let slant = wall.patch.slant();
            let at = wall.place.below(wall.fit.slab.surface * slant);
            fitted[wall.place.index] = Some(at);
            self.edges.push(Edge {
                at,
                inward: wall.place.inward,
                u_mm: wall.fit.covariance[(0, 0)].sqrt() * slant,
                by_sigma: wall.fit.by_sigma.0 * slant,
                sinks: wall.patch.lean.1,
                moved_mm: wall.fit.slab.surface * slant,
                bend: wall.patch.bend,
            });
        }
        let nodes = self.spaced(outline, NODE_MM);
        let mut is_node = vec![false; fitted.len()];
        nodes.iter().for_each(|&i| is_node[i] = true);
        let mut vertices: Vec<Vertex> = Vec::new();
        let mut raw = true;
        for (i, &point) in outline.points().iter().enumerate() {
            match fitted[i] {
                Some(at) => {
                    vertices.push((at, None));
                    raw = false;
                }
                None if is_node[i] || outline.clip_at(i).is_some() => raw = true,
                None => {}
            }
            if raw {
                let at = if self.is_half_way { point } else { self.sunk(outline, i) };
                vertices.push((at, outline.clip_at(i)));
            }
        }
        Outline::from_parts(rounded(&vertices)).unwrap_or_else(|| outline.clone())
    }

    /// Whether fitted surfaces lie where the contour was, by their median.
    fn lies_at_surfaces(&self, fits: &[WallFit]) -> bool {
        let mut surfaces: Vec<f64> = fits.iter().map(|w| w.fit.slab.surface).collect();
        surfaces.sort_by(f64::total_cmp);
        let median = surfaces.get(surfaces.len() / 2).copied().unwrap_or(0.0);
        median.abs() <= OFF_BLURS * self.blur.in_plane_mm
    }

    /// A vertex of a contour that lies outside the surface, sunk by as much as the nearest fitted places
    /// were; where none is near, as it is.
    fn sunk(&self, outline: &Outline, i: usize) -> SectionPoint {
        let points = outline.points();
        let n = points.len();
        let (at, before, after) = (points[i], points[(i + n - APART) % n], points[(i + APART) % n]);
        let length = before.distance_mm(after);
        let mut near: Vec<(f64, f64)> =
            self.edges.iter().map(|e| (e.at.distance_mm(at), e.moved_mm)).collect();
        near.retain(|e| e.0 <= SINKS_AS_MM);
        near.sort_by(|a, b| a.0.total_cmp(&b.0));
        near.truncate(2);
        if near.is_empty() || !(length > 0.0) {
            return at;
        }
        let by = near.iter().map(|e| e.1).sum::<f64>() / near.len() as f64 / length;
        SectionPoint::new(
            at.buccal_mm - by * (after.apical_mm - before.apical_mm),
            at.apical_mm + by * (after.buccal_mm - before.buccal_mm),
        )
    }
}
