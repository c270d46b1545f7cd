//! Noise within one tissue.

use jawgauge_space::PatientVector;

use super::histogram::Mode;
use super::rows::Rows;

/// The voxels of a triple are as near to this apart as their number allows, mm: further than
/// the grain of a scanner's noise, nearer than the size of a muscle.
const APART_MM: f64 = 3.0;
/// Fewest and most voxels.
const APART_VOXELS: (f64, f64) = (2.0, 4.0);
/// A peak reaches this many half widths to either side: 4.7 standard deviations of normal noise.
const REACH_HALF_WIDTHS: f64 = 4.0;
/// Fewest triples that tell noise.
const LEAST_TRIPLES: usize = 500;
/// Of rows that were read for the histogram, one of so many is read for noise in a large scan.
const THINNED: usize = 4;
/// Triples that are enough not to thin out.
const MANY_VOXELS: usize = 2_000_000;
/// Standard deviation over the median size of a normal deviate (1 / 0.6745).
const SD_PER_MEDIAN: f64 = 1.482_602_218_5;

/// Standard deviation of the grey value within a peak's tissue, from triples of voxels.
pub(super) fn noise_in(rows: &Rows<'_>, mode: &Mode) -> Option<f64> {
    let reach = REACH_HALF_WIDTHS * mode.half_width;
    let (from, to) = (mode.from.max(mode.grey - reach), mode.to.min(mode.grey + reach));
    let within = |grey: f64| from <= grey && grey <= to;
    let volume = rows.volume;
    let (first, size) = (rows.part.first, rows.part.size);
    let steps = volume.geometry().affine().steps().map(PatientVector::length_mm);
    // Clamped to a few voxels.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let apart =
        steps.map(|mm| (APART_MM / mm).round().clamp(APART_VOXELS.0, APART_VOXELS.1) as usize);
    let thinned = rows.thinned(if rows.voxels() > MANY_VOXELS { THINNED } else { 1 });
    let mut sizes = Vec::new();
    thinned.each(|[j, k], row| {
        for (i, &grey) in row.iter().enumerate().filter(|(_, g)| within(**g)) {
            let at = [first[0] + i, j, k];
            for axis in 0..3 {
                let by = apart[axis];
                let inside =
                    at[axis] >= first[axis] + by && at[axis] + by < first[axis] + size[axis];
                if !inside {
                    continue;
                }
                let beside = |place: usize| {
                    let mut other = at;
                    other[axis] = place;
                    volume.voxel_grey(other[0], other[1], other[2]).filter(|&g| within(g))
                };
                if let (Some(a), Some(b)) = (beside(at[axis] - by), beside(at[axis] + by)) {
                    sizes.push((grey - 0.5 * (a + b)).abs());
                }
            }
        }
    });
    if sizes.len() < LEAST_TRIPLES {
        return None;
    }
    let middle = sizes.len() / 2;
    let (_, median, _) = sizes.select_nth_unstable_by(middle, f64::total_cmp);
    Some(*median * SD_PER_MEDIAN / 1.5_f64.sqrt())
}
