//! The grey profile across a wall: outside, cortex and inside, blurred.

use nalgebra::{SMatrix, SVector};

use super::normal::Normal;

/// Thicknesses that a fit begins with, mm.
const STARTS_MM: [f64; 9] = [0.2, 0.4, 0.65, 0.95, 1.3, 1.7, 2.2, 2.8, 3.6];
/// How many of them are followed.
const FOLLOWED: usize = 1;
/// The inner edge of solid bone lies this many standard deviations of the blur below what was looked at.
const BEYOND_SIGMAS: f64 = 3.0;
/// An inner edge is believed where it explains the profile better by this much (two unknowns more, at
/// the odds of one in twenty).
const PLAINER_CHI2: f64 = 6.0;
/// Thinnest wall of the model, mm.
const THINNEST_MM: f64 = 0.02;
/// What the model itself may miss by: a share of the contrast, one standard deviation.
const MODEL_SHARE: f64 = 0.015;
/// What lies inside is no denser than cortex: by this share of the contrast at least, and how sharply.
const INSIDE_BELOW: (f64, f64) = (0.05, 0.05);
/// Bins that miss by more than this many standard deviations count for less (Huber).
const HUBER: f64 = 2.5;
/// Most rounds of one fit.
const ROUNDS: usize = 25;
/// Unknowns: place of the surface, thickness, three levels, blur.
const N: usize = 6;
/// Their places in a vector of unknowns.
pub(crate) const THICKNESS: usize = 1;
pub(crate) const CORTEX: usize = 3;
const INSIDE: usize = 4;
pub(crate) const SIGMA: usize = 5;

/// When a fit has settled: the step of surface and thickness, mm, or the gain in the sum of squares.
#[derive(Clone, Copy)]
pub(crate) struct Settled {
    mm: f64,
    chi2: f64,
}

/// A final fit, and one that only finds where to begin.
pub(crate) const FINAL: Settled = Settled { mm: 2e-4, chi2: 1e-3 };
const BEGINNING: Settled = Settled { mm: 5e-3, chi2: 0.1 };

/// The mean grey value of voxels about one depth.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bin {
    pub(crate) depth: f64,
    pub(crate) grey: f64,
    pub(crate) count: f64,
}

/// A wall: where its surface lies, how thick it is, and the levels outside, in it and inside.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Slab {
    /// Depth of the surface, mm.
    pub(crate) surface: f64,
    pub(crate) thickness: f64,
    pub(crate) outside: f64,
    pub(crate) cortex: f64,
    pub(crate) inside: f64,
    /// Curvature of the surface, 1/mm, positive where convex; held.
    pub(crate) curvature: f64,
    /// How the inner edge spreads where the wall's thickness changes along the patch, mm (one
    /// standard deviation); held.
    pub(crate) inner_spread: f64,
    /// The wall on the far side, if it is near: depth of its inner edge and its level; held.
    pub(crate) far: Option<(f64, f64)>,
}

/// What is known of the levels before a profile is looked at: mean and standard deviation.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Prior {
    pub(crate) outside: (f64, f64),
    pub(crate) cortex: (f64, f64),
    pub(crate) inside: (f64, f64),
    /// Noise of a voxel, grey values.
    pub(crate) noise: f64,
    /// Blur, standard deviation, mm: its value, held unless it is asked to be free.
    pub(crate) sigma: f64,
}

impl Prior {
    pub(crate) fn contrast(&self) -> f64 {
        self.cortex.0 - self.outside.0
    }
}

/// A fitted wall.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SlabFit {
    pub(crate) slab: Slab,
    /// Blur, standard deviation, mm: held or found.
    pub(crate) sigma: f64,
    /// Covariance of surface, thickness, levels and blur.
    pub(crate) covariance: SMatrix<f64, N, N>,
    /// Change of surface and thickness for each millimetre of the blur's standard deviation.
    pub(crate) by_sigma: (f64, f64),
    /// Sum of squares over what was expected, priors included.
    pub(crate) chi2: f64,
    /// ... for each bin beyond the unknowns, robust, without priors.
    pub(crate) excess: f64,
}

/// The blurred profile across a wall.
///
/// Blur of standard deviation s moves the half-way contour of a surface of radius R by s^2 / (2 R)
/// towards the centre of its bend, which is put in at both edges.
pub(crate) struct Profile {
    slab: Slab,
    normal: Normal,
    /// Where the blurred edges lie: depth, and their standard deviation.
    outer: (f64, f64),
    inner: (f64, f64),
}

impl Profile {
    pub(crate) fn of(slab: &Slab, sigma: f64) -> Self {
        let bent = |curvature: f64| 0.5 * sigma * sigma * curvature;
        let inner = slab.curvature / (1.0 - slab.curvature * slab.thickness).max(0.3);
        let spread = (sigma * sigma + slab.inner_spread * slab.inner_spread).sqrt();
        Self {
            outer: (slab.surface + bent(slab.curvature), sigma),
            inner: (slab.surface + slab.thickness + bent(inner), spread),
            slab: *slab,
            normal: Normal::table(),
        }
    }

    /// Grey value, and its change with depth by the outer and by the inner edge (and the far one, if
    /// it is near).
    pub(crate) fn grey_and_slopes(&self, depth: f64) -> (f64, f64, f64) {
        let (pa, da) = self.normal.at((depth - self.outer.0) / self.outer.1);
        let (pb, db) = self.normal.at((depth - self.inner.0) / self.inner.1);
        let slab = &self.slab;
        let (up, down) = (slab.cortex - slab.outside, slab.inside - slab.cortex);
        let mut grey = slab.outside + up * pa + down * pb;
        let mut inner = down * db / self.inner.1;
        if let Some((at, level)) = slab.far {
            let (p, d) = self.normal.at((depth - at) / self.outer.1);
            grey += (level - slab.inside) * p;
            inner += (level - slab.inside) * d / self.outer.1;
        }
        (grey, up * da / self.outer.1, inner)
    }

    /// Whether a depth lies so far from both edges that the profile is level there.
    pub(crate) fn is_level(&self, depth: f64, sigmas: f64) -> bool {
        let near = |edge: (f64, f64)| (depth - edge.0).abs() < sigmas * edge.1;
        !(near(self.outer) || near(self.inner)) && self.slab.far.is_none()
    }

    /// Grey value and its derivatives by the unknowns.
    fn row(&self, depth: f64) -> (f64, [f64; N]) {
        let slab = &self.slab;
        let ((a, sigma), (b, spread)) = (self.outer, self.inner);
        let (za, zb) = ((depth - a) / sigma, (depth - b) / spread);
        let ((pa, da), (pb, db)) = (self.normal.at(za), self.normal.at(zb));
        let (up, down) = (slab.cortex - slab.outside, slab.inside - slab.cortex);
        let (rise, fall) = (up * da / sigma, down * db / spread);
        let mut grey = slab.outside + up * pa + down * pb;
        let mut row =
            [-rise - fall, -fall, 1.0 - pa, pa - pb, pb, -rise * za - fall * zb * sigma / spread];
        if let Some((at, level)) = slab.far {
            let z = (depth - at) / sigma;
            let (p, d) = self.normal.at(z);
            grey += (level - slab.inside) * p;
            row[4] -= p;
            row[5] -= (level - slab.inside) * d * z / sigma;
        }
        (grey, row)
    }
}

/// Where the fit of a wall to a profile begins: about the best surface, thickness and levels of several
/// starts.
pub(crate) fn fit_slab(
    bins: &[Bin],
    prior: &Prior,
    start: &Slab,
    inside_mm: f64,
) -> Option<SlabFit> {
    let mut starts: Vec<(f64, Slab)> = STARTS_MM
        .iter()
        .take_while(|t| **t < inside_mm)
        .map(|&thickness| {
            let slab = Slab { thickness, ..*start };
            let slab = with_levels(bins, prior, slab);
            (look::<0>(bins, prior, &slab, prior.sigma).chi2, slab)
        })
        .collect();
    starts.sort_by(|a, b| a.0.total_cmp(&b.0));
    let best = starts
        .into_iter()
        .take(FOLLOWED)
        .filter_map(|(_, slab)| descend(bins, prior, slab, false, false, BEGINNING))
        .min_by(|a, b| a.chi2.total_cmp(&b.chi2));
    // Bone that is cortex as deep as it was looked at needs no inner edge.
    let solid = Slab { thickness: inside_mm + BEYOND_SIGMAS * prior.sigma, ..*start };
    let solid = with_levels(bins, prior, solid);
    let solid = descend(bins, prior, solid, true, false, BEGINNING);
    match (best, solid) {
        (Some(best), Some(solid)) if solid.chi2 > best.chi2 + PLAINER_CHI2 => Some(best),
        (best, solid) => solid.or(best),
    }
}

/// The best levels for a surface and thickness that are held (they enter linearly).
fn with_levels(bins: &[Bin], prior: &Prior, mut slab: Slab) -> Slab {
    let mut normal = nalgebra::Matrix3::zeros();
    let mut right = nalgebra::Vector3::zeros();
    let far = slab.far;
    let profile = Profile::of(&slab, prior.sigma);
    for bin in bins {
        let weight = weight(bin, prior);
        let (_, row) = profile.row(bin.depth);
        let levels = nalgebra::Vector3::new(row[2], row[3], row[4]);
        let fixed = far
            .map_or(0.0, |(at, level)| level * profile.normal.at((bin.depth - at) / prior.sigma).0);
        normal += levels * levels.transpose() * weight;
        right += levels * ((bin.grey - fixed) * weight);
    }
    for (n, (mean, sd)) in [prior.outside, prior.cortex, prior.inside].into_iter().enumerate() {
        normal[(n, n)] += 1.0 / (sd * sd);
        right[n] += mean / (sd * sd);
    }
    if let Some(levels) = normal.cholesky().map(|c| c.solve(&right)) {
        (slab.outside, slab.cortex, slab.inside) = (levels[0], levels[1], levels[2]);
    }
    slab
}

/// The inverse of the variance of a bin's mean.
fn weight(bin: &Bin, prior: &Prior) -> f64 {
    1.0 / (prior.noise * prior.noise / bin.count + (MODEL_SHARE * prior.contrast()).powi(2))
}

/// Part of the bins' variance that is noise.
fn noise_share(bins: &[Bin], prior: &Prior) -> f64 {
    let share = |bin: &Bin| prior.noise * prior.noise / bin.count * weight(bin, prior);
    bins.iter().map(share).sum::<f64>() / bins.len() as f64
}

/// Huber's loss of a standardised miss, and its weight.
fn huber(z: f64) -> (f64, f64) {
    if z.abs() <= HUBER { (z * z, 1.0) } else { (HUBER * (2.0 * z.abs() - HUBER), HUBER / z.abs()) }
}

fn prior_terms(slab: &Slab, prior: &Prior) -> [(f64, f64, f64); 3] {
    [
        (slab.outside, prior.outside.0, prior.outside.1),
        (slab.cortex, prior.cortex.0, prior.cortex.1),
        (slab.inside, prior.inside.0, prior.inside.1),
    ]
}

/// How much denser than it may be the inside is, in standard deviations, and 1 over one; none where
/// it is not.
fn inside_too_dense(slab: &Slab, prior: &Prior) -> Option<(f64, f64)> {
    let sd = INSIDE_BELOW.1 * prior.contrast();
    let over = slab.inside - slab.cortex + INSIDE_BELOW.0 * prior.contrast();
    (over > 0.0).then_some((over / sd, 1.0 / sd))
}

/// A wall against a profile: sums of squares, and the normal equations of the next step.
struct Look {
    /// Of the bins alone, and with what was known before.
    misses: f64,
    chi2: f64,
    normal: SMatrix<f64, N, N>,
    right: SVector<f64, N>,
}

/// The sums over the bins of the first `K` unknowns; the others' stay zero.
fn look<const K: usize>(bins: &[Bin], prior: &Prior, slab: &Slab, sigma: f64) -> Look {
    let mut misses = 0.0;
    let mut sums = [[0.0; K]; K];
    let mut slopes = [0.0; K];
    let profile = Profile::of(slab, sigma);
    for bin in bins {
        let (grey, row) = profile.row(bin.depth);
        let weight = weight(bin, prior);
        let miss = bin.grey - grey;
        let (loss, robust) = huber(miss * weight.sqrt());
        misses += loss;
        let weight = weight * robust;
        for a in 0..K {
            let scaled = row[a] * weight;
            slopes[a] += scaled * miss;
            for b in a..K {
                sums[a][b] += scaled * row[b];
            }
        }
    }
    let mut normal = SMatrix::<f64, N, N>::zeros();
    let mut right = SVector::<f64, N>::zeros();
    for a in 0..K {
        right[a] = slopes[a];
        for b in 0..K {
            normal[(a, b)] = sums[a.min(b)][a.max(b)];
        }
    }
    let mut chi2 = misses;
    for (n, (y, mean, sd)) in prior_terms(slab, prior).into_iter().enumerate() {
        let off = (mean - y) / sd;
        chi2 += off * off;
        normal[(n + 2, n + 2)] += 1.0 / (sd * sd);
        right[n + 2] += off / sd;
    }
    if let Some((over, rate)) = inside_too_dense(slab, prior) {
        chi2 += over * over;
        for (a, sign_a) in [(CORTEX, -1.0), (INSIDE, 1.0)] {
            right[a] -= sign_a * rate * over;
            for (b, sign_b) in [(CORTEX, -1.0), (INSIDE, 1.0)] {
                normal[(a, b)] += sign_a * sign_b * rate * rate;
            }
        }
    }
    Look { misses, chi2, normal, right }
}

/// Least squares by Levenberg and Marquardt from a start; a held thickness or blur stays.
pub(crate) fn descend(
    bins: &[Bin],
    prior: &Prior,
    start: Slab,
    hold_thickness: bool,
    free_blur: bool,
    settled: Settled,
) -> Option<SlabFit> {
    let (mut slab, mut sigma) = (start, prior.sigma);
    let look = if free_blur { look::<N> } else { look::<SIGMA> };
    let mut here = look(bins, prior, &slab, sigma);
    let mut damping = 1e-3;
    let held = |look: &Look| {
        let (mut normal, mut right) = (look.normal, look.right);
        for (held, n) in [(hold_thickness, THICKNESS), (!free_blur, SIGMA)] {
            if held {
                normal.row_mut(n).fill(0.0);
                normal.column_mut(n).fill(0.0);
                normal[(n, n)] = 1e12;
                right[n] = 0.0;
            }
        }
        // A trace keeps what nothing tells (the inner edge of a solid wall) where it is.
        normal[(THICKNESS, THICKNESS)] += 1e-2;
        (normal, right)
    };
    for _ in 0..ROUNDS {
        let (normal, right) = held(&here);
        let mut done = true;
        for _ in 0..6 {
            let mut damped = normal;
            for n in 0..N {
                damped[(n, n)] *= 1.0 + damping;
            }
            let step = damped.cholesky()?.solve(&right);
            let next = Slab {
                surface: slab.surface + step[0].clamp(-0.3, 0.3),
                thickness: (slab.thickness + step[1].clamp(-0.5, 0.5)).max(THINNEST_MM),
                outside: slab.outside + step[2],
                cortex: slab.cortex + step[3],
                inside: slab.inside + step[4],
                ..slab
            };
            let next_sigma = (sigma + step[5]).clamp(0.3 * prior.sigma, 3.0 * prior.sigma);
            let found = look(bins, prior, &next, next_sigma);
            if found.chi2 <= here.chi2 {
                done = step[0].abs().max(step[1].abs()).max(step[5].abs()) < settled.mm
                    || here.chi2 - found.chi2 < settled.chi2;
                (slab, sigma, here) = (next, next_sigma, found);
                damping = (0.3 * damping).max(1e-9);
                break;
            }
            damping *= 8.0;
        }
        if done {
            break;
        }
    }
    let freedom = (bins.len() as f64 - 5.0).max(1.0);
    let excess = here.misses / freedom;
    let inverse = held(&here).0.cholesky()?.inverse();
    // Were the blur another, the others would move to where the gradient vanishes again.
    let all = self::look::<N>(bins, prior, &slab, sigma);
    let mut with_blur = all.normal.column(SIGMA).into_owned();
    (with_blur[SIGMA], with_blur[if hold_thickness { THICKNESS } else { SIGMA }]) = (0.0, 0.0);
    let moved = -(inverse * with_blur);
    let by_sigma = (moved[0], moved[THICKNESS]);
    // A profile that misses by less than the model might is surer, but never than its noise lets it be.
    let covariance = inverse * excess.max(noise_share(bins, prior));
    let chi2 = here.chi2;
    chi2.is_finite().then_some(SlabFit { slab, sigma, covariance, by_sigma, chi2, excess })
}
