//! What can be asked of the surface: the nearest outside, and whether a place lies in bone.

use jawgauge_space::{PatientDir, PatientPoint};
use nalgebra::Vector3;

use super::grid::{point, vector};
use super::tree::{Hit, nearest_on};
use super::{BoneSurface, Facet, UNKNOWN, as_vector};
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
    /// the mouth or away from it, from half a millimetre below the crest on (what lies higher is rounded
    /// by the scan's blur); of faces that turn to the mouth what lies at the place's own level or below,
    /// of faces that turn away what lies at its level or above. So the crest, through which the drill
    /// goes in, and the floor below the apex are no walls, but a wall that is rounded off towards either
    /// is one as far as the place stands beside it.
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
    /// Sine of the angle by which the face turns towards the mouth there, negative away from it.
    pub rise: f64,
    /// Whether a nearer place might lie beyond what was scanned or looked at.
    pub clip: Option<Clip>,
}

/// The triangles found from a place: likely to be near the next.
#[derive(Debug, Clone, Copy, Default)]
pub struct Likely {
    any: Option<usize>,
    wall: Option<usize>,
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
        let hit = self.closest(&q, facing, f64::INFINITY, None)?;
        Some(self.place_of(&hit, p, self.is_inside(p), facing))
    }

    /// What was hit from `p`, which lies inside the bone or not.
    fn place_of(&self, hit: &Hit, p: PatientPoint, inside: bool, facing: Facing) -> SurfacePlace {
        let distance = hit.squared_mm2.sqrt();
        SurfacePlace {
            at: point(hit.place),
            distance_mm: if inside { distance } else { -distance },
            u_mm: self.u_at(hit.triangle),
            rise: self.facets[hit.triangle].rise,
            clip: self.clip_of(p, distance, facing),
        }
    }

    /// The nearest place of any face and the nearest that counts as a wall of the ridge, with the sign of the
    /// place asked from; `None` where no such face lies in the region.
    #[must_use]
    pub fn seen_from(&self, p: PatientPoint) -> Option<[SurfacePlace; 2]> {
        self.seen_within(p, f64::INFINITY, &mut Likely::default())
    }

    /// The same as far as `within_mm` for the nearest face; `None` where none lies so near. From places one
    /// beside the other it is found sooner with `likely` handed on.
    #[must_use]
    pub fn seen_within(
        &self,
        p: PatientPoint,
        within_mm: f64,
        likely: &mut Likely,
    ) -> Option<[SurfacePlace; 2]> {
        let q = vector(p);
        let any = self.closest(&q, Facing::Any, within_mm * within_mm, likely.any)?;
        likely.any = Some(any.triangle);
        // Most often the nearest face of all is a wall.
        let is_wall = self.nearest_wall(any.triangle, &q, self.level_of(&q)) == Some(any.place);
        let wall =
            if is_wall { any } else { self.closest(&q, Facing::Wall, f64::INFINITY, likely.wall)? };
        likely.wall = Some(wall.triangle);
        let inside = (q - any.place).dot(&self.smooth_normal(any.triangle, &any.place)) < 0.0;
        let place = |hit, facing| self.place_of(hit, p, inside, facing);
        Some([place(&any, Facing::Any), place(&wall, Facing::Wall)])
    }

    /// Distance from a place to the nearest of the places that count, mm, unsigned; as
    /// [`BoneSurface::nearest`] without the rest.
    #[must_use]
    pub fn distance_mm(&self, p: PatientPoint, facing: Facing, within_mm: f64) -> Option<f64> {
        self.closest(&vector(p), facing, within_mm * within_mm, None).map(|h| h.squared_mm2.sqrt())
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
            rise: self.facets[triangle].rise,
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
        match self.closest(&q, Facing::Any, near * near, None) {
            Some(hit) => (q - hit.place).dot(&self.smooth_normal(hit.triangle, &hit.place)) < 0.0,
            None => self.grid.nearest(p).is_some_and(|n| self.is_bone[n] == 1),
        }
    }

    /// Whether anything is known of a place: it was scanned and lies in the region.
    #[must_use]
    pub fn knows(&self, p: PatientPoint) -> bool {
        self.grid.nearest(p).is_some_and(|n| self.is_bone[n] != UNKNOWN)
    }

    /// Whether the voxel nearest to a place is bone: as [`BoneSurface::is_inside`], but for places within a
    /// voxel of the surface.
    #[must_use]
    pub fn is_bone_voxel(&self, p: PatientPoint) -> bool {
        self.grid.nearest(p).is_some_and(|n| self.is_bone[n] == 1)
    }

    /// What cuts off a ball of a radius about a place, if anything does.
    #[must_use]
    pub fn clip_within(&self, p: PatientPoint, radius_mm: f64) -> Option<Clip> {
        self.clip_of(p, radius_mm, Facing::Any)
    }

    /// The same for faces that count: what lies beyond the region towards the mouth is no wall.
    fn clip_of(&self, p: PatientPoint, radius_mm: f64, facing: Facing) -> Option<Clip> {
        let q = vector(p);
        let within = (radius_mm * radius_mm).min(f64::MAX);
        let place = |t: usize| Some(self.unscanned[t][0]);
        let unscanned = self.unscanned_tree.nearest(&q, within, None, |_| true, place);
        if unscanned.is_some() {
            return Some(Clip::Scan);
        }
        let to_face = match facing {
            Facing::Any => self.region.depth_mm(p),
            Facing::Wall | Facing::Apical => self.region.depth_below_mm(p),
        };
        (to_face < radius_mm - EDGE_MM).then_some(Clip::Window)
    }

    fn closest(
        &self,
        q: &Vector3<f64>,
        facing: Facing,
        within: f64,
        likely: Option<usize>,
    ) -> Option<Hit> {
        let level = self.level_of(q);
        let may = |branch: usize| match facing {
            Facing::Any => true,
            Facing::Apical => self.branches[branch].rise <= -CRESTAL_SINE,
            Facing::Wall => self.may_hold_wall(branch, level),
        };
        self.tree.nearest(q, within, likely, may, |t| {
            let corners = &self.corners[t];
            match facing {
                Facing::Any => Some(nearest_on(corners, q)),
                Facing::Apical => {
                    (self.facets[t].rise <= -CRESTAL_SINE).then(|| nearest_on(corners, q))
                }
                Facing::Wall => self.nearest_wall(t, q, level),
            }
        })
    }

    /// Whether a triangle below a branch may count as a wall from a level.
    fn may_hold_wall(&self, branch: usize, level: f64) -> bool {
        let Facet { turns: (least_turn, most_turn), levels: (highest, lowest), .. } =
            self.branches[branch];
        let above_walls = least_turn > -CRESTAL_SINE && lowest < level.min(self.wall_level);
        let of_crest = least_turn >= CRESTAL_SINE && lowest <= level;
        let of_floor = most_turn <= -CRESTAL_SINE && highest >= level;
        !(above_walls || of_crest || of_floor)
    }

    /// The nearest place of that part of a triangle which counts as a wall from a level.
    fn nearest_wall(&self, triangle: usize, q: &Vector3<f64>, level: f64) -> Option<Vector3<f64>> {
        let corners = &self.corners[triangle];
        let Facet { turns: (least_turn, most_turn), levels: (highest, lowest), .. } =
            self.facets[triangle];
        let from = level.min(self.wall_level);
        let upright = least_turn >= -CRESTAL_SINE && most_turn <= CRESTAL_SINE;
        if upright && highest >= from {
            return Some(nearest_on(corners, q));
        }
        if upright && lowest <= from
            || least_turn >= CRESTAL_SINE && lowest <= level
            || most_turn <= -CRESTAL_SINE && highest >= level
        {
            return None;
        }
        let of = self.triangles[triangle].map(|v| self.turns[v as usize]);
        let (rises, levels) = (of.map(|t| t.0), of.map(|t| t.1));
        let upright = [
            rises.map(|r| CRESTAL_SINE - r),
            rises.map(|r| CRESTAL_SINE + r),
            levels.map(|l| l - from),
        ];
        let crestal = [rises.map(|r| r - CRESTAL_SINE), levels.map(|l| l - level)];
        let apical = [rises.map(|r| -CRESTAL_SINE - r), levels.map(|l| level - l)];
        let sides = [cut(corners, &upright), cut(corners, &crestal), cut(corners, &apical)];
        sides
            .iter()
            .flat_map(|kept| {
                (1..kept.len().saturating_sub(1))
                    .map(|n| nearest_on(&[kept[0], kept[n], kept[n + 1]], q))
            })
            .min_by(|a, b| (a - q).norm_squared().total_cmp(&(b - q).norm_squared()))
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

/// The part of a triangle in which all values, straight between its corners, are at least 0; its corners
/// in turn.
fn cut(corners: &[Vector3<f64>; 3], values: &[[f64; 3]]) -> Vec<Vector3<f64>> {
    // Corners by the shares of the triangle's.
    let mut kept: Vec<Vector3<f64>> = vec![Vector3::x(), Vector3::y(), Vector3::z()];
    for of_corners in values {
        let value = |shares: &Vector3<f64>| Vector3::from(*of_corners).dot(shares);
        let before = std::mem::take(&mut kept);
        for (n, a) in before.iter().enumerate() {
            let b = &before[(n + 1) % before.len()];
            let (va, vb) = (value(a), value(b));
            if va >= 0.0 {
                kept.push(*a);
            }
            if (va >= 0.0) != (vb >= 0.0) {
                kept.push(a + (b - a) * (va / (va - vb)));
            }
        }
    }
    kept.iter().map(|s| corners[0] * s.x + corners[1] * s.y + corners[2] * s.z).collect()
}
