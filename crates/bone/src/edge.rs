//! The bone's edge fitted to the voxels around it, finer than any interpolation between them.

use jawgauge_space::{PatientPoint, PatientVector, SectionFrame, SectionPoint, VoxelCoord};
use jawgauge_volume::Volume;

use crate::levels::GreyLevels;
use crate::outline::{Clip, Outline};
use crate::profile::FWHM_PER_SIGMA;

/// Distance of fitted places along the outline, mm.
const NODE_MM: f64 = 0.2;
/// Stretch of outline to either side that says how the edge bends, mm.
const BEND_REACH_MM: f64 = 0.9;
/// An outline that misses its own parabola by more than this beyond its noise, mm (root mean
/// square), has a corner there, and is left as it is.
const CORNER_MM: f64 = 0.015;
/// Tightest bend that is fitted, in standard deviations of the blur.
const TIGHTEST_SIGMAS: f64 = 5.0;
/// A fit whose edge misses the voxels by more than this share of the contrast beyond their noise
/// (root mean square) is not believed: something else than one edge is there.
const MISS_SHARE: f64 = 0.04;
/// Voxels along the edge that take part lie within this many voxel steps, but between these mm.
const ALONG_VOXELS: f64 = 1.5;
const ALONG_MM: (f64, f64) = (0.45, 0.9);
/// Voxels across the edge that take part lie within this many blurs or voxel steps.
const ACROSS: f64 = 1.1;
/// Bone ends no nearer than this many standard deviations of the blur beyond the fitted voxels.
const FAR_SIGMAS: f64 = 2.0;
/// A fit that moves the edge by more than this many voxel steps is not believed.
const MOST_MOVE_VOXELS: f64 = 0.5;
/// Fewest voxels for a fit of three unknowns.
const FEWEST_VOXELS: usize = 8;
/// Rounds of the fit; it settles in three or four.
const ROUNDS: usize = 6;

/// The outline with every smooth stretch of it moved to where the voxels around it put the edge.
///
/// At places 0.2 mm apart a straight or gently bent edge between the two grey levels, blurred by
/// the scan's blur, is fitted to the voxels within about 1.5 voxel steps along it and one blur
/// across it: its offset along the normal and its two tilts, by least squares. The blur and the
/// levels are those found before and are held. Blur moves the half-way contour of an edge of
/// radius R by s^2 / (2 R) towards the centre of its bend; that is put back. Corners, tight bends,
/// cut-off stretches and places beside unscanned voxels stay as they were.
///
/// # Source
///
/// Least squares by Gauss and Newton; the shift of curved edges to first order as in Verbeek PW,
/// van Vliet LJ. IEEE Trans Pattern Anal Mach Intell 1994;16:726-733 (from memory).
pub(crate) fn fit_edges(
    volume: &Volume,
    frame: &SectionFrame,
    outline: &Outline,
    levels: &GreyLevels,
) -> Outline {
    let fitter = Fitter::new(volume, frame, levels);
    let points = outline.points();
    let n = points.len();
    let mut fitted: Vec<(SectionPoint, Option<Clip>)> = Vec::new();
    let mut since = NODE_MM;
    for i in 0..n {
        since += points[(i + n - 1) % n].distance_mm(points[i]);
        let clip = outline.clip_at(i);
        let bend = if clip.is_some() { None } else { Bend::around(outline, i) };
        match bend {
            Some(bend) if bend.is_gentle(&fitter) && fitter.is_thick(outline, &bend) => {
                if since >= NODE_MM {
                    fitted.push((fitter.place(&bend), None));
                    since = 0.0;
                }
            }
            _ => {
                fitted.push((points[i], clip));
                since = 0.0;
            }
        }
    }
    Outline::from_parts(fitted).unwrap_or_else(|| outline.clone())
}

/// How an outline runs about one of its vertices: a parabola in axes along it.
struct Bend {
    /// Origin of the axes.
    origin: SectionPoint,
    /// Along the outline, unit.
    along: (f64, f64),
    /// Outwards, unit.
    out: (f64, f64),
    /// Outward offset is a + b s + c s^2.
    a: f64,
    b: f64,
    c: f64,
    /// Root mean square distance of the outline from it, mm.
    miss_mm: f64,
}

impl Bend {
    fn around(outline: &Outline, index: usize) -> Option<Self> {
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
        Some(Self { origin, along, out, a, b, c, miss_mm })
    }

    fn is_gentle(&self, fitter: &Fitter<'_>) -> bool {
        // The place of a contour is as noisy as the grey value over its slope.
        let noise_mm = fitter.noise * fitter.sigma_mm * (2.0 * std::f64::consts::PI).sqrt();
        self.miss_mm <= CORNER_MM + noise_mm
            && 2.0 * self.c.abs() * TIGHTEST_SIGMAS * fitter.sigma_mm <= 1.0
    }

    fn at_offset(&self, out_mm: f64) -> SectionPoint {
        SectionPoint::new(
            self.origin.buccal_mm + out_mm * self.out.0,
            self.origin.apical_mm + out_mm * self.out.1,
        )
    }
}

struct Fitter<'a> {
    volume: &'a Volume,
    frame: &'a SectionFrame,
    outside: f64,
    contrast: f64,
    /// Noise as a share of the contrast.
    noise: f64,
    sigma_mm: f64,
    along_mm: f64,
    across_mm: f64,
    voxel_mm: f64,
}

/// A voxel near an edge: along it, outwards of its parabola, across the section, and its grey.
struct Near {
    s: f64,
    d: f64,
    z: f64,
    grey: f64,
}

impl<'a> Fitter<'a> {
    fn new(volume: &'a Volume, frame: &'a SectionFrame, levels: &GreyLevels) -> Self {
        let voxel_mm = volume.geometry().coarsest_mm();
        Self {
            volume,
            frame,
            outside: levels.outside,
            contrast: levels.contrast(),
            noise: levels.noise / levels.contrast(),
            sigma_mm: levels.blur_fwhm_mm / FWHM_PER_SIGMA,
            along_mm: (ALONG_VOXELS * voxel_mm).clamp(ALONG_MM.0, ALONG_MM.1.max(1.01 * voxel_mm)),
            across_mm: ACROSS * levels.blur_fwhm_mm.max(voxel_mm),
            voxel_mm,
        }
    }

    /// Whether the bone is thick enough here that its far edge does not reach into the fit.
    fn is_thick(&self, outline: &Outline, bend: &Bend) -> bool {
        outline.contains(bend.at_offset(-self.across_mm - FAR_SIGMAS * self.sigma_mm))
    }

    /// Where the edge lies on the normal at the middle of a bend.
    fn place(&self, bend: &Bend) -> SectionPoint {
        let moved = self.voxels(bend).and_then(|voxels| self.offset(&voxels)).unwrap_or(0.0);
        // Half-way contours of convex bone lie too far in, those of hollows too far out.
        let bent = -self.sigma_mm * self.sigma_mm * bend.c;
        bend.at_offset(bend.a + moved + bent)
    }

    fn voxels(&self, bend: &Bend) -> Option<Vec<Near>> {
        let geometry = self.volume.geometry();
        let affine = geometry.affine();
        let centre = self.frame.patient_from_section(bend.at_offset(bend.a));
        let (u, v) = (self.frame.buccal().as_vector(), self.frame.apical().as_vector());
        let along = u * bend.along.0 + v * bend.along.1;
        let out = u * bend.out.0 + v * bend.out.1;
        let mesial = self.frame.mesial().as_vector();
        let reach = [along * self.along_mm, out * (self.across_mm + 0.1), mesial * self.along_mm];
        let middle = affine.voxel_from_patient(centre).to_array();
        let mut range = [(0_usize, 0_usize); 3];
        for axis in 0..3 {
            let half: f64 =
                reach.iter().map(|r: &PatientVector| affine.voxel_step(*r)[axis].abs()).sum();
            let last = geometry.dims()[axis] as f64 - 1.0;
            let (low, high) = ((middle[axis] - half).ceil(), (middle[axis] + half).floor());
            if low < 0.0 || high > last {
                return None;
            }
            // Within the grid by the check above.
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            {
                range[axis] = (low as usize, high as usize);
            }
        }
        let mut near = Vec::new();
        for k in range[2].0..=range[2].1 {
            for j in range[1].0..=range[1].1 {
                for i in range[0].0..=range[0].1 {
                    let at: PatientPoint =
                        affine.patient_from_voxel(VoxelCoord::new(i as f64, j as f64, k as f64));
                    let by = at - centre;
                    let (s, z) = (by.dot(along), by.dot(mesial));
                    let d = by.dot(out) - bend.b * s - bend.c * s * s;
                    if s.abs() > self.along_mm
                        || z.abs() > self.along_mm
                        || d.abs() > self.across_mm
                    {
                        continue;
                    }
                    near.push(Near { s, d, z, grey: self.volume.voxel_grey(i, j, k)? });
                }
            }
        }
        Some(near)
    }

    /// How far outwards the edge lies of the parabola, mm: offset of the least-squares fit whose
    /// other unknowns are the tilts along and across the section.
    fn offset(&self, voxels: &[Near]) -> Option<f64> {
        if voxels.len() < FEWEST_VOXELS {
            return None;
        }
        let mut x = [0.0; 3];
        let mut square = f64::INFINITY;
        for _ in 0..ROUNDS {
            let mut normal = [[0.0; 3]; 3];
            let mut right = [0.0; 3];
            square = 0.0;
            for p in voxels {
                let t = (x[0] + x[1] * p.s + x[2] * p.z - p.d) / self.sigma_mm;
                let share = 0.5 * libm::erfc(-t / std::f64::consts::SQRT_2);
                let slope =
                    (-0.5 * t * t).exp() / (self.sigma_mm * (2.0 * std::f64::consts::PI).sqrt());
                let miss = (p.grey - self.outside) / self.contrast - share;
                square += miss * miss;
                let row = [slope, slope * p.s, slope * p.z];
                for a in 0..3 {
                    right[a] += row[a] * miss;
                    for b in 0..3 {
                        normal[a][b] += row[a] * row[b];
                    }
                }
            }
            // A trace of damping keeps a tilt that no voxel tells from running away.
            let trace = normal[0][0];
            normal[1][1] += 1e-3 * trace * self.along_mm * self.along_mm;
            normal[2][2] += 1e-3 * trace * self.along_mm * self.along_mm;
            let step = solve(normal, right)?;
            for a in 0..3 {
                x[a] += step[a];
            }
            if step.iter().all(|s| s.abs() < 1e-4) {
                break;
            }
        }
        let miss = (square / voxels.len() as f64).sqrt();
        let believed = miss <= MISS_SHARE + 1.5 * self.noise;
        (believed && x[0].abs() <= MOST_MOVE_VOXELS * self.voxel_mm).then_some(x[0])
    }
}

/// Solves three symmetric equations by elimination; `None` where they do not tell.
fn solve(m: [[f64; 3]; 3], r: [f64; 3]) -> Option<[f64; 3]> {
    let matrix = nalgebra::Matrix3::from_fn(|a, b| m[a][b]);
    let x = matrix.cholesky()?.solve(&nalgebra::Vector3::from(r));
    x.iter().all(|c| c.is_finite()).then(|| [x[0], x[1], x[2]])
}
