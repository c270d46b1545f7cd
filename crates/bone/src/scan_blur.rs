//! The blur of a whole scan, from clean steps between two tissues.

use jawgauge_space::{PatientDir, PatientPoint, PatientVector, VoxelCoord};
use jawgauge_volume::{Volume, VoxelBox};
use nalgebra::{Matrix3, SMatrix, SVector, Vector3};
use rayon::prelude::*;

use crate::profile::FWHM_PER_SIGMA;
use crate::survey::GreySurvey;

/// Lines each way along an axis of the grid on which steps are looked for, and the most steps fitted
/// of each axis.
const LINES: usize = 64;
const MOST_STEPS: usize = 160;
/// A step begins and ends this near to the tissues' grey values, as a share of the contrast, or within
/// so many standard deviations of the noise.
const NEAR_SHARE: f64 = 0.2;
const NEAR_NOISE: f64 = 3.0;
/// Voxels within this distance of the normal, and as far along it to either side, are fitted: mm, and
/// voxel steps at least.
const ROUND_MM: f64 = 0.8;
const ROUND_VOXELS: f64 = 1.6;
const ALONG_MM: f64 = 2.0;
const ALONG_VOXELS: f64 = 5.0;
/// A step is clean where it misses the voxels by no more than this many times the noise and this share
/// of the contrast (added as squares), and both plateaus are three standard deviations long.
const CLEAN_NOISE: f64 = 1.3;
const CLEAN_SHARE: f64 = 0.025;
const PLATEAU_SIGMAS: f64 = 3.0;
/// ... and it tells its blur to this share.
const TOLD_SHARE: f64 = 0.2;
/// Contrast that steps must have, in standard deviations of the noise.
const LEAST_CONTRAST: f64 = 5.0;
/// Fewest clean steps for a figure.
const FEWEST: usize = 20;
/// A step faces along z, or within the slices, by the square of the cosine of its normal with z.
const FACES: f64 = 0.3;
/// Neighbouring steps share voxels: so many count as one.
const SHARED: f64 = 2.0;
/// No blur is said to be known better than to this share.
const LEAST_U_SHARE: f64 = 0.01;
const ROUNDS: usize = 25;
/// Most voxels that one step is fitted to.
const MOST_VOXELS: usize = 600;
/// Longest voxel step, mm: with longer ones no step between tissues of a jaw has both plateaus.
const COARSEST_MM: f64 = 1.5;

/// Between which tissues the steps lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StepKind {
    /// Air and soft tissue: skin and mucosa.
    Skin,
    /// Soft tissue, or what surrounds a dry jaw, and thick bone.
    Bone,
}

/// The blur of a scan as its clean steps tell it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScanBlur {
    /// Full width at half maximum across steps that face within the slices, or across all where too
    /// few do, mm.
    pub in_plane_mm: f64,
    /// Its standard uncertainty, mm: of the median, not of one place.
    pub u_mm: f64,
    /// Half the width of the interval that holds the middle 68 of 100 steps, mm: how the blur
    /// differs from place to place.
    pub spread_mm: f64,
    /// The same across steps that face along z; `None` where too few do.
    pub along_z_mm: Option<f64>,
    /// Clean steps that were found.
    pub steps: usize,
    /// Between which tissues they lie.
    pub kind: StepKind,
}

/// The blur of a whole scan: the median over clean steps from air to soft tissue, or, where there are
/// too few, from soft tissue to thick bone.
///
/// Lines through the scan are searched for steps from the one tissue's grey value to the other's. The voxels
/// about each are fitted by an even step across a plane, blurred by a Gaussian: two levels, the plane and the blur are
/// found together by least squares. A step counts where both its levels are those of the
/// tissues, it misses the voxels by little more than the noise, and both plateaus show.
///
/// # Units
///
/// Full width at half maximum, mm.
///
/// # Accuracy
///
/// On phantoms blurred by 0.3 to 0.7 mm with noise, within 5 % (tests/scan_blur.rs); on the
/// simulated scanner see there.
///
/// # Limits
///
/// A scan sharper than its voxels is told as blurred by them: 0.68 voxel steps. Blur differs over a scan, and the skin is not the site: measuring a site finds its own. A scan with
/// an edge-enhancing filter has no Gaussian blur and few clean steps, or none: then there is no figure, nor for
/// voxels of more than 1.5 mm.
#[must_use]
pub fn survey_blur(volume: &Volume, survey: &GreySurvey) -> Option<ScanBlur> {
    (volume.geometry().coarsest_mm() <= COARSEST_MM).then_some(())?;
    let soft = survey.soft_tissue.ok().or(survey.air_or_soft)?;
    let noise = soft.noise.unwrap_or(0.0);
    let search = |low: f64, high: f64, kind: StepKind| -> Option<ScanBlur> {
        let tissues = Tissues { low, high, noise, fill: survey.fill };
        (tissues.contrast() > LEAST_CONTRAST * noise).then_some(())?;
        ScanBlur::of_steps(&clean_steps(volume, &tissues), kind)
    };
    let skin = survey.air.ok().and_then(|air| search(air.grey, soft.grey, StepKind::Skin));
    skin.or_else(|| search(soft.grey, survey.bone.ok()?.grey, StepKind::Bone))
}

/// The grey values on both sides of a step.
struct Tissues {
    low: f64,
    high: f64,
    noise: f64,
    /// What fills the surroundings, which makes steps that no scanner blurred.
    fill: Option<f64>,
}

/// The blur of one step.
#[derive(Debug, Clone, Copy)]
struct Step {
    fwhm_mm: f64,
    z2: f64,
}

impl Tissues {
    fn contrast(&self) -> f64 {
        self.high - self.low
    }

    fn near(&self) -> f64 {
        (NEAR_SHARE * self.contrast()).max(NEAR_NOISE * self.noise).min(0.4 * self.contrast())
    }
}

impl ScanBlur {
    fn of_steps(steps: &[Step], kind: StepKind) -> Option<Self> {
        let of = |keep: &dyn Fn(&Step) -> bool| -> Option<(f64, f64, usize)> {
            let mut found: Vec<f64> = steps.iter().filter(|s| keep(s)).map(|s| s.fwhm_mm).collect();
            (found.len() >= FEWEST).then_some(())?;
            found.sort_by(f64::total_cmp);
            let at = |tenths: usize| found[(found.len() - 1) * tenths / 100];
            Some((at(50), 0.5 * (at(84) - at(16)), found.len()))
        };
        let (in_plane_mm, spread_mm, n) = of(&|s| s.z2 < FACES).or_else(|| of(&|_| true))?;
        // The median of n normal deviates spreads by 1.2533 of their mean's.
        let u_mm = 1.2533 * spread_mm / (n as f64 / SHARED).sqrt();
        Some(Self {
            in_plane_mm,
            u_mm: u_mm.max(LEAST_U_SHARE * in_plane_mm),
            spread_mm,
            along_z_mm: of(&|s| s.z2 > 1.0 - FACES).map(|found| found.0),
            steps: steps.len(),
            kind,
        })
    }
}

/// Steps that are clean, of those spread over the scan.
fn clean_steps(volume: &Volume, tissues: &Tissues) -> Vec<Step> {
    let [i, j, _] = volume.geometry().affine().steps();
    let Ok(z) = i.cross(j).direction() else { return Vec::new() };
    let found: Vec<[usize; 3]> = (0..3)
        .flat_map(|axis| {
            let all = steps_along(volume, tissues, axis);
            let every = all.len().div_ceil(MOST_STEPS).max(1);
            all.into_iter().step_by(every)
        })
        .collect();
    found.into_par_iter().filter_map(|at| fit_step(volume, tissues, at, z)).collect()
}

/// Where lines along one axis of the grid step from the one tissue to the other.
fn steps_along(volume: &Volume, tissues: &Tissues, axis: usize) -> Vec<[usize; 3]> {
    let VoxelBox { first, size } = volume.part();
    let (b, c) = ((axis + 1) % 3, (axis + 2) % 3);
    let reach_mm = ALONG_MM.max(ALONG_VOXELS * volume.geometry().coarsest_mm());
    let spacing = volume.geometry().spacing_mm()[axis];
    // A small whole number.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let longest = (reach_mm / spacing).ceil() as usize;
    let every = |n: usize| n.div_ceil(LINES).max(1);
    let half = 0.5 * (tissues.low + tissues.high);
    let mut found = Vec::new();
    for q in (0..size[c]).step_by(every(size[c])) {
        for p in (0..size[b]).step_by(every(size[b])) {
            let at = |n: usize| {
                let mut at = first;
                (at[axis], at[b], at[c]) = (first[axis] + n, first[b] + p, first[c] + q);
                at
            };
            // The last voxel on either plateau.
            let mut plateau: Option<(usize, bool)> = None;
            let mut crossing = 0;
            let mut before = f64::NAN;
            for n in 0..size[axis] {
                let [i, j, k] = at(n);
                let grey = volume.voxel_grey(i, j, k).unwrap_or(f64::NAN);
                if (before < half) != (grey < half) {
                    crossing = n;
                }
                before = grey;
                let side = match grey {
                    g if (g - tissues.low).abs() <= tissues.near() => Some(false),
                    g if (g - tissues.high).abs() <= tissues.near() => Some(true),
                    g if g.is_finite() => None,
                    _ => {
                        plateau = None;
                        None
                    }
                };
                let Some(side) = side else { continue };
                if plateau.is_some_and(|(last, other)| other != side && n - last <= longest) {
                    found.push(at(crossing));
                }
                plateau = Some((n, side));
            }
        }
    }
    found
}

/// A voxel by its place about the step, mm, and its grey value.
type Spot = (PatientVector, f64);

/// The voxels within `radius_mm` of a place; `None` where one was not scanned.
fn ball(volume: &Volume, centre: PatientPoint, radius_mm: f64) -> Option<Vec<Spot>> {
    let affine = volume.geometry().affine();
    let around: Vec<PatientPoint> = (0..3)
        .flat_map(|axis| {
            let mut arm = [0.0; 3];
            arm[axis] = radius_mm;
            let arm = PatientVector::new(arm[0], arm[1], arm[2]);
            [centre + arm, centre - arm]
        })
        .collect();
    let VoxelBox { first, size } = volume.geometry().voxels_around(&around)?;
    let mut spots = Vec::new();
    for k in first[2]..first[2] + size[2] {
        for j in first[1]..first[1] + size[1] {
            for i in first[0]..first[0] + size[0] {
                let voxel = VoxelCoord::new(i as f64, j as f64, k as f64);
                let from = affine.patient_from_voxel(voxel) - centre;
                if from.length_mm() <= radius_mm {
                    spots.push((from, volume.voxel_grey(i, j, k)?));
                }
            }
        }
    }
    Some(spots)
}

/// The direction in which grey values rise, by a plane through them.
fn rise(spots: &[Spot], radius_mm: f64) -> Option<PatientDir> {
    let near = || spots.iter().filter(|s| s.0.length_mm() <= radius_mm);
    let n = near().count() as f64;
    let mean = near().map(|s| s.1).sum::<f64>() / n;
    let mut square = Matrix3::zeros();
    let mut right = Vector3::zeros();
    for (from, grey) in near() {
        let at = Vector3::from(from.to_array());
        square += at * at.transpose();
        right += at * (grey - mean);
    }
    let slope = square.cholesky()?.solve(&right);
    PatientVector::new(slope[0], slope[1], slope[2]).direction().ok()
}

/// The blur of a step, where it is clean.
fn fit_step(volume: &Volume, tissues: &Tissues, at: [usize; 3], z: PatientDir) -> Option<Step> {
    let geometry = volume.geometry();
    let coarsest = geometry.coarsest_mm();
    let round_mm = ROUND_MM.max(ROUND_VOXELS * coarsest);
    let along_mm = ALONG_MM.max(ALONG_VOXELS * coarsest);
    let voxel = VoxelCoord::new(at[0] as f64, at[1] as f64, at[2] as f64);
    let centre = geometry.affine().patient_from_voxel(voxel);
    let spots = ball(volume, centre, along_mm.hypot(round_mm))?;
    let normal = rise(&spots, 1.2 * round_mm)?;
    let aside = if normal.dot(z).abs() < 0.8 { z } else { PatientDir::left() };
    let u = aside.as_vector().perpendicular_to(normal).direction().ok()?;
    let v = normal.as_vector().cross(u.as_vector());
    // Height along the normal, places across it, share of the step.
    let rows: Vec<[f64; 4]> = spots
        .iter()
        .map(|(from, grey)| {
            let share = (grey - tissues.low) / tissues.contrast();
            [from.dot(normal.as_vector()), from.dot(u.as_vector()), from.dot(v), share]
        })
        .filter(|[h, a, b, _]| h.abs() <= along_mm && a.hypot(*b) <= round_mm)
        .collect();
    if rows.len() < 40 {
        return None;
    }
    let every = rows.len().div_ceil(MOST_VOXELS);
    let rows: Vec<[f64; 4]> = rows.into_iter().step_by(every).collect();
    if let Some(fill) = tissues.fill {
        let filled = spots.iter().filter(|s| s.1 == fill).count();
        if 10 * filled > spots.len() {
            return None;
        }
    }
    let fit = Fit::of(&rows, coarsest)?;
    let clean = (CLEAN_NOISE * tissues.noise / tissues.contrast()).hypot(CLEAN_SHARE);
    let near = tissues.near() / tissues.contrast();
    let [low, high, h0, _, _, sigma] = fit.unknowns.into();
    let ok = fit.miss <= clean
        && low.abs() <= near
        && (high - 1.0).abs() <= near
        && along_mm - h0.abs() >= PLATEAU_SIGMAS * sigma
        && fit.u_sigma <= TOLD_SHARE * sigma;
    let tilt = (normal.as_vector() - u * fit.unknowns[3] - v * fit.unknowns[4]).direction().ok()?;
    // Voxels are means over their size, which blurs by as much as this standard deviation.
    let sigma = sigma.max(coarsest / 12.0_f64.sqrt());
    ok.then_some(Step { fwhm_mm: FWHM_PER_SIGMA * sigma, z2: tilt.dot(z).powi(2) })
}

/// A step fitted: levels, height of its plane, its two tilts, and the blur.
struct Fit {
    unknowns: SVector<f64, 6>,
    /// Root of the mean square miss.
    miss: f64,
    u_sigma: f64,
}

impl Fit {
    /// Least squares by Levenberg and Marquardt.
    fn of(rows: &[[f64; 4]], voxel_mm: f64) -> Option<Self> {
        let least = 0.15 * voxel_mm;
        let mut x = SVector::<f64, 6>::from([0.0, 1.0, 0.0, 0.0, 0.0, 0.8 * voxel_mm]);
        let model = |x: &SVector<f64, 6>, row: &[f64; 4]| {
            let z = (row[0] - x[2] - x[3] * row[1] - x[4] * row[2]) / x[5];
            (z, 0.5 * libm::erfc(-z / std::f64::consts::SQRT_2))
        };
        let sum = |x: &SVector<f64, 6>| -> f64 {
            rows.iter().map(|row| (row[3] - x[0] - (x[1] - x[0]) * model(x, row).1).powi(2)).sum()
        };
        let mut chi2 = sum(&x);
        let mut damping = 1e-3;
        let mut normal = SMatrix::<f64, 6, 6>::zeros();
        for _ in 0..ROUNDS {
            normal = SMatrix::zeros();
            let mut right = SVector::<f64, 6>::zeros();
            for row in rows {
                let (z, p) = model(&x, row);
                let density = (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt();
                let rate = -(x[1] - x[0]) * density / x[5];
                let by = SVector::from([1.0 - p, p, rate, rate * row[1], rate * row[2], rate * z]);
                normal += by * by.transpose();
                right += by * (row[3] - x[0] - (x[1] - x[0]) * p);
            }
            let mut damped = normal;
            (0..6).for_each(|n| damped[(n, n)] *= 1.0 + damping);
            let step = damped.cholesky()?.solve(&right);
            let mut next = x + step;
            next[5] = next[5].clamp(least, 4.0 * x[5]);
            let found = sum(&next);
            if found <= chi2 {
                let settled = chi2 - found <= 1e-9 * chi2.max(1e-12);
                (x, chi2) = (next, found);
                damping = (0.3 * damping).max(1e-9);
                if settled {
                    break;
                }
            } else {
                damping *= 10.0;
            }
        }
        let freedom = rows.len() as f64 - 6.0;
        let variance = chi2 / freedom;
        let u_sigma = (normal.cholesky()?.inverse()[(5, 5)] * variance).sqrt();
        (u_sigma.is_finite()).then_some(Self { unknowns: x, miss: variance.sqrt(), u_sigma })
    }
}
