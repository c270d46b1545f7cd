//! Grey values that were cut off at an end of the scale before they were stored.

use std::collections::HashMap;

use jawgauge_section::SectionImage;
use jawgauge_volume::Volume;

use crate::levels::GreyLevels;
use crate::threshold::SitePiece;

/// Only voxels this near to the crest count, mm: those that levels are read from.
const NEAR_MM: f64 = 14.0;
/// Voxels within this share of the contrast of the cortex, or of the tissue outside, belong to it.
const SAME_TISSUE: f64 = 0.25;
/// Share of the cortex at the highest value from which on its level is not known, where the scan
/// has no noise: below, the level is off by less than half the spread of its grey values.
const CUT_ABOVE: f64 = 0.3;
/// Where it has, the upper part of the cortex' grey values, between these shares of them, is
/// flat where it spans less than this many standard deviations of the noise outside; noise
/// alone spans 2.17 (normal distribution, computed), and bone has texture besides. Whether all
/// of it has one value does not matter: resampling, compression and a rescale that changes
/// from slice to slice spread what was cut off.
const UPPER_PART: (f64, f64) = (0.3, 0.95);
const FLAT: f64 = 0.7;
/// ... or where so large a share of it lies within so many standard deviations of the noise of
/// the upper end, as after smoothing, which takes voxels at the edges of the cortex off it; of
/// noise alone 4 % do (computed).
const AT_THE_UPPER_END: (f64, f64) = (0.5, 0.2);
/// Share of what lies outside at the lowest value from which on its level is not known. Air
/// that is cut off in the middle of its noise has half of its voxels there, and its level is known.
const CUT_BELOW: f64 = 0.9;
/// Noise leaves no value between the ends to more than this share of the voxels.
const MOST_COMMON: f64 = 0.1;
/// Fewer voxels than this tell nothing.
const FEWEST: usize = 100;
/// How far an edge may lie from half-way between levels of which one was cut off, in standard
/// deviations of the blur as it then seems.
///
/// A contrast cut off to 1/r puts half-way at 1/(2r) of the edge's rise, z = inverse normal of
/// 1/(2r) standard deviations outside, where the slope makes the blur seem smaller by
/// pdf(0) / (r pdf(z)). For r = 4, more than any cortex loses that still looks like one, the
/// edge is 2.4 seeming standard deviations off (computed).
const EDGE_OFF: f64 = 2.4;

/// Which ends of the scale cut off the grey values of bone, or of what surrounds it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct CutOff {
    /// The cortex has the highest grey value there is.
    pub above: bool,
    /// What lies outside has the lowest.
    pub below: bool,
}

impl CutOff {
    /// Standard uncertainty that this adds to an edge, mm.
    pub(crate) fn u_edge_mm(self, sigma_mm: f64) -> f64 {
        // Both edges of a width are off the same way; as if by chance they add up to less.
        let together = std::f64::consts::SQRT_2;
        if self.above || self.below { 0.5 * together * EDGE_OFF * sigma_mm } else { 0.0 }
    }

    /// Looks for it among the voxels of a section.
    ///
    /// What is drawn without noise has all its values at few places, and is no scan; there it
    /// counts only where both ends are those of whole bits.
    pub(crate) fn find(
        volume: &Volume,
        image: &SectionImage,
        piece: &SitePiece,
        levels: &GreyLevels,
    ) -> Self {
        let greys = voxels_near(volume, image, piece);
        let ends =
            greys.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), &(grey, _)| {
                (low.min(grey), high.max(grey))
            });
        if greys.len() < FEWEST {
            return Self::default();
        }
        let (low, high) = ends;
        let reach = SAME_TISSUE * levels.contrast();
        let cortex = share(&greys, |g, bone| bone && g >= levels.cortex - reach, high);
        let outside = share(&greys, |g, bone| !bone && g <= levels.outside + reach, low);
        let (one_value, below) = (cortex >= CUT_ABOVE, outside >= CUT_BELOW);
        let [noise_inside, noise_outside] = [true, false].map(|of| is_noisy(&greys, of, ends));
        if !noise_inside && !noise_outside {
            let both = one_value && below && is_whole_scale(volume, ends);
            return Self { above: both, below: both };
        }
        // There is no noise outside to compare with where that was cut off.
        let upper = Upper::of(&greys, levels.cortex - reach)
            .filter(|_| noise_outside && levels.noise > 0.0);
        let above = upper.map_or(one_value, |upper| upper.is_flat(levels.noise));
        Self { above, below: below && noise_inside }
    }
}

/// Grey values of the voxels that the section runs through near the crest, and whether they
/// are bone.
fn voxels_near(volume: &Volume, image: &SectionImage, piece: &SitePiece) -> Vec<(f64, bool)> {
    let affine = volume.geometry().affine();
    let dims = volume.geometry().dims();
    // Finite places within the grid.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let index =
        |at: f64, n: usize| (at >= -0.5 && at < n as f64 - 0.5).then(|| at.round() as usize);
    let step = (volume.geometry().coarsest_mm() / image.step_mm()).ceil().max(1.0);
    // A few dozen at most.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let step = step as usize;
    let (rows, columns) = image.shape();
    let mut greys = Vec::new();
    for row in (0..rows).step_by(step) {
        for column in (0..columns).step_by(step) {
            let place = image.place_of(row as f64, column as f64);
            if place.distance_mm(piece.crest) > NEAR_MM {
                continue;
            }
            let at = affine.voxel_from_patient(image.frame().patient_from_section(place));
            let [i, j, k] =
                [(at.i, 0), (at.j, 1), (at.k, 2)].map(|(at, axis)| index(at, dims[axis]));
            if let (Some(i), Some(j), Some(k)) = (i, j, k) {
                let grey = volume.voxel_grey(i, j, k);
                greys.extend(grey.map(|grey| (grey, piece.outline.contains(place))));
            }
        }
    }
    greys
}

/// The grey values of the cortex, sorted.
struct Upper {
    cortex: Vec<f64>,
}

impl Upper {
    fn of(greys: &[(f64, bool)], from: f64) -> Option<Self> {
        let mut cortex: Vec<f64> =
            greys.iter().filter(|(g, bone)| *bone && *g >= from).map(|(g, _)| *g).collect();
        cortex.sort_by(f64::total_cmp);
        (cortex.len() >= FEWEST).then_some(Self { cortex })
    }

    fn at(&self, share: f64) -> f64 {
        // A share of a length.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let index = (share * (self.cortex.len() - 1) as f64).round() as usize;
        self.cortex[index]
    }

    /// Whether their upper part is flatter than noise leaves it.
    fn is_flat(&self, noise: f64) -> bool {
        let (from, to) = UPPER_PART;
        let (share, within) = AT_THE_UPPER_END;
        let end = self.at(to);
        let near = self.cortex.iter().filter(|g| (**g - end).abs() <= within * noise).count();
        end - self.at(from) < FLAT * noise || near as f64 >= share * self.cortex.len() as f64
    }
}

/// Share of the voxels of one kind that have the value `end`.
fn share(greys: &[(f64, bool)], of: impl Fn(f64, bool) -> bool, end: f64) -> f64 {
    let all = greys.iter().filter(|(g, bone)| of(*g, *bone)).count();
    let some = greys.iter().filter(|(g, bone)| *g == end && of(*g, *bone)).count();
    if all < FEWEST { 0.0 } else { some as f64 / all as f64 }
}

/// Whether values of bone, or of what surrounds it, between the ends are spread as noise
/// spreads them.
fn is_noisy(greys: &[(f64, bool)], of_bone: bool, (low, high): (f64, f64)) -> bool {
    let mut counts: HashMap<u64, usize> = HashMap::new();
    let mut between = 0_usize;
    let between_ends = |(g, bone): &&(f64, bool)| *bone == of_bone && *g > low && *g < high;
    for (grey, _) in greys.iter().filter(between_ends) {
        between += 1;
        *counts.entry(grey.to_bits()).or_default() += 1;
    }
    let most = counts.values().max().copied().unwrap_or(0);
    between >= FEWEST && most as f64 <= MOST_COMMON * between as f64
}

/// Whether the ends are zero, or the least of a signed number, and the most that whole bits hold.
fn is_whole_scale(volume: &Volume, (low, high): (f64, f64)) -> bool {
    let rescale = volume.rescale(volume.part().first[2]);
    let stored = |grey: f64| (grey - rescale.intercept) / rescale.slope;
    let (low, high) = (stored(low), stored(high));
    (7..=16).any(|bits| {
        let range = 2.0_f64.powi(bits);
        let near = |a: f64, b: f64| (a - b).abs() < 1e-3;
        (near(low, 0.0) && near(high, range - 1.0))
            || (near(low, -range / 2.0) && near(high, range / 2.0 - 1.0))
    })
}
