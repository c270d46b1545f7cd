//! What can be asked of the surface: the nearest outside, and whether a place lies in bone.

use jawgauge_space::{PatientDir, PatientPoint};
use nalgebra::Vector3;

use super::grid::{point, vector};
use super::tree::nearest_on;
use super::{BoneSurface, UNKNOWN, as_vector};
use crate::outline::Clip;

/// A face of the bone that turns further than this towards the mouth (sine of 45 degrees) is the crest's.
const CRESTAL_SINE: f64 = std::f64::consts::FRAC_1_SQRT_2;
/// Farther than this from the surface, in voxel steps, voxels tell inside from outside.
const FAR_STEPS: f64 = 3.0;
/// Places at the edge of a box or of the scan are as good as at it within this, mm.
const EDGE_MM: f64 = 1e-6;

/// Which places of the surface count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Facing {
    /// All of them.
    Any,
    /// The walls of the ridge as seen from a place in it: faces that turn no more than 45 degrees towards
    /// the mouth, and of those that turn further what lies at the place's own level or below. So the
    /// crest, through which the drill goes in, is no wall, but a wall that is rounded off towards the
    /// crest is one as far as the place stands beside it.
    Wall,
    /// Faces that turn away from the mouth by more than 45 degrees from the section's horizontal.
    Apical,
}

/// A place of the surface as seen from another place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SurfacePlace {
    /// Where it is.
    pub at: PatientPoint,
    /// Distance, mm: positive from within the bone, negative from outside.
    pub distance_mm: f64,
    /// Standard uncertainty of the place across the surface, mm.
    pub u_mm: f64,
    /// Whether a nearer place might lie beyond what was scanned or looked at.
    pub clip: Option<Clip>,
}

impl BoneSurface {
    /// The nearest place of the surface among those that count, with the sign of the place asked from;
    /// `None` where no such face lies in the region.
    ///
    /// # Units
    ///
    /// Millimetres; positive inside the bone.
    #[must_use]
    pub fn nearest(&self, p: PatientPoint, facing: Facing) -> Option<SurfacePlace> {
        let q = vector(p);
        let hit = self.closest(&q, facing, f64::INFINITY)?;
        let distance = hit.squared_mm2.sqrt();
        let inside = self.is_inside(p);
        Some(SurfacePlace {
            at: point(hit.place),
            distance_mm: if inside { distance } else { -distance },
            u_mm: self.u_at(hit.triangle),
            clip: self.clip_within(p, distance),
        })
    }

    /// Distance from a place to the nearest of the places that count, mm, unsigned; as
    /// [`BoneSurface::nearest`] without the rest.
    #[must_use]
    pub fn distance_mm(&self, p: PatientPoint, facing: Facing, within_mm: f64) -> Option<f64> {
        self.closest(&vector(p), facing, within_mm * within_mm).map(|h| h.squared_mm2.sqrt())
    }

    /// Where a line from a place first passes the surface, within `length_mm`; the distance is not signed.
    #[must_use]
    pub fn met_along(
        &self,
        from: PatientPoint,
        along: PatientDir,
        length_mm: f64,
    ) -> Option<SurfacePlace> {
        let (from_v, along_v) = (vector(from), as_vector(along.as_vector()));
        let (triangle, s) = self.tree.first_met(&self.corners, &from_v, &along_v, length_mm)?;
        let normal = self.normal_of(triangle);
        // A line that grazes the surface meets it less surely.
        let cosine = normal.dot(&along_v).abs().max(0.35);
        Some(SurfacePlace {
            at: point(from_v + along_v * s),
            distance_mm: s,
            u_mm: self.u_at(triangle) / cosine,
            clip: None,
        })
    }

    /// Whether a place lies in the bone.
    ///
    /// Near the surface by the side of the nearest triangle, farther away by the voxels.
    #[must_use]
    pub fn is_inside(&self, p: PatientPoint) -> bool {
        let q = vector(p);
        let step = self.grid.step_mm.iter().copied().fold(0.0, f64::max);
        let near = FAR_STEPS * step;
        match self.closest(&q, Facing::Any, near * near) {
            Some(hit) => (q - hit.place).dot(&self.smooth_normal(hit.triangle, &hit.place)) < 0.0,
            None => self.grid.nearest(p).is_some_and(|n| self.is_bone[n] == 1),
        }
    }

    /// Whether anything is known of a place: it was scanned and lies in the region.
    #[must_use]
    pub fn knows(&self, p: PatientPoint) -> bool {
        self.grid.nearest(p).is_some_and(|n| self.is_bone[n] != UNKNOWN)
    }

    /// What cuts off a ball of a radius about a place, if anything does.
    #[must_use]
    pub fn clip_within(&self, p: PatientPoint, radius_mm: f64) -> Option<Clip> {
        let q = vector(p);
        let within = (radius_mm * radius_mm).min(f64::MAX);
        let unscanned = self.unscanned_tree.nearest(&q, within, |t| Some(self.unscanned[t][0]));
        if unscanned.is_some() {
            return Some(Clip::Scan);
        }
        (self.region.depth_mm(p) < radius_mm - EDGE_MM).then_some(Clip::Window)
    }

    fn closest(&self, q: &Vector3<f64>, facing: Facing, within: f64) -> Option<super::tree::Hit> {
        let level = self.level_of(q);
        self.tree.nearest(q, within, |t| {
            let corners = &self.corners[t];
            match facing {
                Facing::Any => Some(nearest_on(corners, q)),
                Facing::Apical => (self.rise[t] <= -CRESTAL_SINE).then(|| nearest_on(corners, q)),
                Facing::Wall if self.rise[t] <= CRESTAL_SINE => Some(nearest_on(corners, q)),
                Facing::Wall => self.nearest_from_level(corners, q, level),
            }
        })
    }

    /// The nearest place of that part of a triangle that lies at a level or apical of it.
    fn nearest_from_level(
        &self,
        corners: &[Vector3<f64>; 3],
        q: &Vector3<f64>,
        level: f64,
    ) -> Option<Vector3<f64>> {
        let below = corners.map(|c| self.level_of(&c) - level);
        if below.iter().all(|b| *b < 0.0) {
            return None;
        }
        if below.iter().all(|b| *b >= 0.0) {
            return Some(nearest_on(corners, q));
        }
        let mut kept: Vec<Vector3<f64>> = Vec::with_capacity(4);
        for n in 0..3 {
            let m = (n + 1) % 3;
            if below[n] >= 0.0 {
                kept.push(corners[n]);
            }
            if (below[n] >= 0.0) != (below[m] >= 0.0) {
                let t = below[n] / (below[n] - below[m]);
                kept.push(corners[n] + (corners[m] - corners[n]) * t);
            }
        }
        let mut best: Option<Vector3<f64>> = None;
        for n in 1..kept.len().saturating_sub(1) {
            let place = nearest_on(&[kept[0], kept[n], kept[n + 1]], q);
            if best.is_none_or(|b| (place - q).norm_squared() < (b - q).norm_squared()) {
                best = Some(place);
            }
        }
        best
    }

    fn u_at(&self, triangle: usize) -> f64 {
        self.triangles[triangle].iter().map(|&v| self.u_mm[v as usize]).fold(0.0, f64::max)
    }

    fn normal_of(&self, triangle: usize) -> Vector3<f64> {
        let [a, b, c] = &self.corners[triangle];
        (b - a).cross(&(c - a)).try_normalize(0.0).unwrap_or_else(Vector3::zeros)
    }

    /// The vertices' normals, mixed by how near the place is to each of them.
    fn smooth_normal(&self, triangle: usize, place: &Vector3<f64>) -> Vector3<f64> {
        let [a, b, c] = &self.corners[triangle];
        let across = (b - a).cross(&(c - a));
        let whole = across.norm_squared();
        if !(whole > 0.0) {
            return self.normals[self.triangles[triangle][0] as usize];
        }
        let share = |x: &Vector3<f64>, y: &Vector3<f64>| {
            (x - place).cross(&(y - place)).dot(&across) / whole
        };
        let shares = [share(b, c), share(c, a), share(a, b)];
        let mut normal = Vector3::zeros();
        for (share, &v) in shares.iter().zip(&self.triangles[triangle]) {
            normal += self.normals[v as usize] * *share;
        }
        normal
    }
}
