//! Voxels around a piece of wall, ordered by how deep they lie below its surface.

use jawgauge_space::{PatientPoint, PatientVector, VoxelCoord};
use jawgauge_volume::Volume;

use super::slab::{Bin, Profile, Slab};

/// Width of the bins of depth for a final and for a first fit, mm: a third of the sharpest blur's
/// standard deviation, and twice that.
pub(crate) const BIN_MM: f64 = 0.05;
pub(crate) const COARSE_BIN_MM: f64 = 0.1;
/// Fewest voxels that a profile is made of.
const FEWEST_VOXELS: usize = 30;
/// A surface is taken to lean along the section and across it by no more than about this much:
/// standard deviations of the tangent of the angle before anything was looked at.
const LEAN_ALONG: f64 = 0.1;
const LEAN_BESIDE: f64 = 0.3;
/// ... and its wall to thicken along the section by no more than about this share, the more the farther by
/// this much for each millimetre.
const THICKENS: f64 = 0.5;
const THICKENS_MORE: f64 = 0.5;
/// ... and to be bent otherwise than the outline says by no more than about this, 1/mm.
const BENDS: f64 = 0.1;
/// Rounds in which the lean is found.
const LEAN_ROUNDS: usize = 2;
/// Metal no deeper than this, mm, is beside the surface.
const METAL_WITHIN_MM: f64 = 1.0;
/// Voxels where the grey value changes by less than this share of the contrast over one standard deviation
/// of the blur say nothing of the lean.
const FLAT_SHARE: f64 = 0.01;
/// ... as it does farther from edges than this many of them.
const LEVEL_SIGMAS: f64 = 3.5;

/// A place on the surface of the bone and how the surface lies there.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Face {
    pub(crate) centre: PatientPoint,
    /// Unit vectors: along the surface in the section, into the bone, across the section.
    pub(crate) along: PatientVector,
    pub(crate) inward: PatientVector,
    pub(crate) beside: PatientVector,
    /// Curvature of the surface in the section, 1/mm; positive where the bone is convex.
    pub(crate) curvature: f64,
}

/// How far from the place voxels take part, mm.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Reach {
    pub(crate) along_mm: f64,
    pub(crate) beside_mm: f64,
    pub(crate) outside_mm: f64,
    pub(crate) inside_mm: f64,
    /// About so many voxels are enough; of more, every so-many-th takes part.
    pub(crate) enough: usize,
}

/// A voxel: along and across the surface, below it, and its grey value.
#[derive(Debug, Clone, Copy)]
struct Spot {
    s: f64,
    z: f64,
    depth: f64,
    grey: f64,
}

/// The voxels around a face.
#[derive(Debug, Clone)]
pub(crate) struct Patch {
    spots: Vec<Spot>,
    outside_mm: f64,
    inside_mm: f64,
    /// Tangents of the lean found: along the section and across it.
    pub(crate) lean: (f64, f64),
    /// Curvature found beyond the face's, 1/mm.
    pub(crate) bend: f64,
    /// Thickness gained for each millimetre along the section.
    pub(crate) thickens: f64,
    /// ... and for each square millimetre.
    thickens_more: f64,
    along_mm: f64,
}

impl Patch {
    /// The voxels within reach; `None` where they are too few.
    ///
    /// Depth is the distance below the circle (a straight line across the section) that touches
    /// the face with its curvature.
    pub(crate) fn gather(volume: &Volume, face: &Face, reach: &Reach) -> Option<Self> {
        let affine = volume.geometry().affine();
        let dims = volume.geometry().dims();
        let middle = affine.voxel_from_patient(face.centre).to_array();
        // The patch is a box about a place half-way down it.
        let half_deep = 0.5 * (reach.outside_mm + reach.inside_mm);
        let off = affine.voxel_step(face.inward * (half_deep - reach.outside_mm));
        let arms = [
            affine.voxel_step(face.along * reach.along_mm),
            affine.voxel_step(face.beside * reach.beside_mm),
            affine.voxel_step(face.inward * half_deep),
        ];
        let mut range = [(0_usize, 0_usize); 3];
        for axis in 0..3 {
            let half: f64 = arms.iter().map(|a| a[axis].abs()).sum();
            let at = middle[axis] + off[axis];
            let last = dims[axis] as f64 - 1.0;
            let (low, high) = ((at - half).ceil().max(0.0), (at + half).floor().min(last));
            if !(low <= high) {
                return None;
            }
            // Within the grid by the clamps above.
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            {
                range[axis] = (low as usize, high as usize);
            }
        }
        let step = affine.steps()[0];
        let rates = [step.dot(face.along), step.dot(face.beside), step.dot(face.inward)];
        let limits = [
            (-reach.along_mm, reach.along_mm),
            (-reach.beside_mm, reach.beside_mm),
            (-reach.outside_mm, reach.inside_mm),
        ];
        let room_mm3 = 4.0 * reach.along_mm * reach.beside_mm * 2.0 * half_deep;
        let expected = room_mm3 / affine.voxel_volume_mm3();
        // A small whole number.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let stride = (expected / reach.enough as f64).round().clamp(1.0, 1e6) as usize;
        let mut skipped = 0;
        let mut spots = Vec::new();
        for k in range[2].0..=range[2].1 {
            for j in range[1].0..=range[1].1 {
                let first = VoxelCoord::new(0.0, j as f64, k as f64);
                let by = affine.patient_from_voxel(first) - face.centre;
                let at = [by.dot(face.along), by.dot(face.beside), by.dot(face.inward)];
                let (mut low, mut high) = (range[0].0 as f64, range[0].1 as f64);
                for ((a, rate), (least, most)) in at.iter().zip(rates).zip(limits) {
                    if rate.abs() < 1e-9 {
                        if !(*a >= least && *a <= most) {
                            high = -1.0;
                        }
                        continue;
                    }
                    let (p, q) = ((least - a) / rate, (most - a) / rate);
                    low = low.max(p.min(q));
                    high = high.min(p.max(q));
                }
                if !(low.ceil() <= high) {
                    continue;
                }
                // Within the range by the clips above.
                #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
                let (low, high) = (low.ceil() as usize, high as usize);
                for i in low..=high {
                    skipped += 1;
                    if skipped < stride {
                        continue;
                    }
                    skipped = 0;
                    let t = i as f64;
                    let Some(grey) = volume.voxel_grey(i, j, k) else { continue };
                    let s = at[0] + t * rates[0];
                    let z = at[1] + t * rates[1];
                    let depth = below_circle(s, at[2] + t * rates[2], face.curvature);
                    spots.extend(depth.map(|depth| Spot { s, z, depth, grey }));
                }
            }
        }
        let Reach { outside_mm, inside_mm, .. } = *reach;
        (spots.len() >= FEWEST_VOXELS).then_some(Self {
            spots,
            outside_mm,
            inside_mm,
            lean: (0.0, 0.0),
            bend: 0.0,
            thickens: 0.0,
            thickens_more: 0.0,
            along_mm: reach.along_mm,
        })
    }

    /// Whether any voxel down to `inside_mm`, or a millimetre, lies above a grey value.
    pub(crate) fn reaches(&self, grey: f64, inside_mm: f64) -> bool {
        let deepest = inside_mm.max(METAL_WITHIN_MM);
        self.spots.iter().any(|spot| spot.grey > grey && spot.depth <= deepest)
    }

    /// The same voxels about a surface that lies as the face says.
    pub(crate) fn laid_flat(&self) -> Self {
        Self { lean: (0.0, 0.0), bend: 0.0, thickens: 0.0, thickens_more: 0.0, ..self.clone() }
    }

    /// Takes how the surface lies from another patch about the same face.
    pub(crate) fn lies_as(&mut self, other: &Self) {
        (self.lean, self.bend) = (other.lean, other.bend);
        (self.thickens, self.thickens_more) = (other.thickens, other.thickens_more);
    }

    /// Ratio of a distance along the face's normal to one along that of the leaning surface.
    pub(crate) fn slant(&self) -> f64 {
        (1.0 + self.lean.0.powi(2) + self.lean.1.powi(2)).sqrt()
    }

    /// Depth below the leaning surface along its own normal.
    fn depth_of(&self, spot: &Spot, slant: f64) -> f64 {
        let lean = self.lean.0 * spot.s + self.lean.1 * spot.z + 0.5 * self.bend * spot.s * spot.s;
        (spot.depth - lean) * slant
    }

    /// Mean grey values over bins of depth, down to `inside_mm`.
    pub(crate) fn bins(&self, inside_mm: f64, bin_mm: f64) -> Vec<Bin> {
        let inside_mm = inside_mm.min(self.inside_mm);
        // A few millimetres over a twentieth of one.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let count = ((self.outside_mm + inside_mm) / bin_mm).ceil().max(1.0) as usize;
        let mut bins = vec![Bin { depth: 0.0, grey: 0.0, count: 0.0 }; count];
        let slant = 1.0 / self.slant();
        for spot in &self.spots {
            let depth = self.depth_of(spot, slant);
            let at = (depth + self.outside_mm) / bin_mm;
            if !(at >= 0.0 && at < count as f64) {
                continue;
            }
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let bin = &mut bins[at as usize];
            bin.depth += depth;
            bin.grey += spot.grey;
            bin.count += 1.0;
        }
        bins.retain(|b| b.count > 0.0);
        for bin in &mut bins {
            bin.depth /= bin.count;
            bin.grey /= bin.count;
        }
        bins
    }

    /// Finds how the surface leans, and how the thickness changes along it, the profile across it
    /// being `slab`.
    pub(crate) fn find_lean(&mut self, slab: &Slab, sigma_mm: f64, noise: f64, inside_mm: f64) {
        // The lean is told by edges; of the voxels deep in one tissue nothing is asked.
        let sd = [f64::INFINITY, LEAN_ALONG, LEAN_BESIDE, THICKENS, BENDS, THICKENS_MORE];
        let flat = FLAT_SHARE * (slab.cortex - slab.outside).abs() / sigma_mm;
        let profile = Profile::of(slab, sigma_mm);
        for _ in 0..LEAN_ROUNDS {
            let mut normal = nalgebra::Matrix6::<f64>::zeros();
            let mut right = nalgebra::Vector6::zeros();
            let slant = 1.0 / self.slant();
            for spot in &self.spots {
                let depth = self.depth_of(spot, slant);
                if depth > inside_mm {
                    continue;
                }
                if profile.is_level(depth, LEVEL_SIGMAS) {
                    continue;
                }
                let (grey, outer, inner) = profile.grey_and_slopes(depth);
                let slope = outer + inner;
                if slope.abs().max(inner.abs()) < flat {
                    continue;
                }
                let thicker = (self.thickens + self.thickens_more * spot.s) * spot.s;
                let miss = spot.grey - (grey - inner * thicker);
                let row = nalgebra::Vector6::new(
                    -slope,
                    -slope * spot.s,
                    -slope * spot.z,
                    -inner * spot.s,
                    -slope * 0.5 * spot.s * spot.s,
                    -inner * spot.s * spot.s,
                );
                normal += row * row.transpose();
                right += row * miss;
            }
            let (lean, thickens) = (self.lean, [self.thickens, self.thickens_more]);
            let held = [0.0, lean.0, lean.1, thickens[0], self.bend, thickens[1]];
            for (n, (value, sd)) in held.into_iter().zip(sd).enumerate().skip(1) {
                normal[(n, n)] += (noise / sd).powi(2);
                right[n] -= (noise / sd).powi(2) * value;
            }
            let Some(cholesky) = normal.cholesky() else { return };
            let by = cholesky.solve(&right);
            self.lean.0 = (self.lean.0 + by[1]).clamp(-3.0 * LEAN_ALONG, 3.0 * LEAN_ALONG);
            self.lean.1 = (self.lean.1 + by[2]).clamp(-3.0 * LEAN_BESIDE, 3.0 * LEAN_BESIDE);
            self.thickens = (self.thickens + by[3]).clamp(-2.0 * THICKENS, 2.0 * THICKENS);
            self.bend = (self.bend + by[4]).clamp(-4.0 * BENDS, 4.0 * BENDS);
            self.thickens_more =
                (self.thickens_more + by[5]).clamp(-2.0 * THICKENS_MORE, 2.0 * THICKENS_MORE);
            if by[1].abs().max(by[2].abs()) < 2e-3 {
                break;
            }
        }
    }

    /// How far the inner edge spreads over the patch because the wall thickens along it, mm (one
    /// standard deviation).
    pub(crate) fn inner_spread(&self) -> f64 {
        self.thickens.abs() * self.along_mm / 3.0_f64.sqrt()
    }

    /// Sum of squares of what voxels miss the profile by, and their number.
    pub(crate) fn scatter(&self, slab: &Slab, sigma_mm: f64, inside_mm: f64) -> (f64, f64) {
        let slant = 1.0 / self.slant();
        let profile = Profile::of(slab, sigma_mm);
        self.spots.iter().fold((0.0, 0.0), |(sum, n), spot| {
            let depth = self.depth_of(spot, slant);
            if depth > inside_mm {
                return (sum, n);
            }
            let miss = spot.grey - profile.grey_and_slopes(depth).0;
            (sum + miss * miss, n + 1.0)
        })
    }
}

/// Distance below the circle of a curvature that touches the origin, `s` along and `depth` below its
/// tangent; `None` beyond the middle of the circle, where what is near is its far side.
fn below_circle(s: f64, depth: f64, curvature: f64) -> Option<f64> {
    let out = -depth;
    let towards = 1.0 + curvature * out;
    let root = ((curvature * s).powi(2) + towards.powi(2)).sqrt();
    (towards > 0.0).then(|| -(curvature * (s * s + out * out) + 2.0 * out) / (1.0 + root))
}
