use jawgauge_volume::{StoredVoxels, Volume};
use ndarray::parallel::prelude::*;
use ndarray::{Array3, Axis};

use crate::IntakeError;

/// An empty stretch of stored values as wide as this, in steps, parts two groups: a
/// quarter of all 16-bit values, where a wrong sign moves values by half of them or more.
const WIDEST_GAP: usize = 16_384;
/// The share of voxels that either group has at least; metal and noise stay below.
const SMALLEST_GROUP: f64 = 0.05;
/// The same on the sample that is looked at first, lower so that chance does not hide a group.
const SMALLEST_GROUP_OF_SAMPLE: f64 = 0.02;
/// Scans with fewer voxels than this are looked at whole.
const WORTH_A_SAMPLE: usize = 1_000_000;
/// Every how many voxels the sample is taken; a prime, so that no column repeats.
const SAMPLE_STEP: usize = 61;

/// Refuses voxels that, as declared, fall in two groups far apart: what becomes of signed
/// voxels declared unsigned, and the other way about (DICOM PS3.3 section C.7.6.3.1, Pixel
/// Representation).
///
/// Padding and missing slices do not count. A sample is looked at first; only where it
/// shows two groups all voxels are.
pub(crate) fn check_signedness(volume: &Volume, file: &str) -> Result<(), IntakeError> {
    let voxels: usize = volume.geometry().dims().iter().product();
    let sample = histogram(volume, if voxels < WORTH_A_SAMPLE { 1 } else { SAMPLE_STEP });
    if two_groups(&sample, SMALLEST_GROUP_OF_SAMPLE).is_none() {
        return Ok(());
    }
    let Some((low, high, low_share)) = two_groups(&histogram(volume, 1), SMALLEST_GROUP) else {
        return Ok(());
    };
    let (declared, lowest) = lowest_stored(volume.voxels());
    // Bins are 16 bits wide.
    let value = |bin: usize| i32::try_from(bin).unwrap_or(i32::MAX).saturating_add(lowest);
    Err(IntakeError::Signedness {
        file: file.to_owned(),
        declared,
        low_end: value(low),
        high_start: value(high),
        low_share,
    })
}

/// Pixel Representation and the stored value of the first bin.
fn lowest_stored(voxels: &StoredVoxels) -> (u8, i32) {
    match voxels {
        StoredVoxels::Signed(_) => (1, i32::from(i16::MIN)),
        StoredVoxels::Unsigned(_) => (0, 0),
    }
}

/// How often each stored value occurs, from the lowest possible on.
fn histogram(volume: &Volume, step: usize) -> Vec<u64> {
    let (_, lowest) = lowest_stored(volume.voxels());
    let mut bins = match volume.voxels() {
        StoredVoxels::Signed(all) => {
            count(all, volume.absent_slices(), step, |v| usize::from(v.cast_unsigned() ^ 0x8000))
        }
        StoredVoxels::Unsigned(all) => count(all, volume.absent_slices(), step, usize::from),
    };
    if let Some((low, high)) = volume.padding() {
        for padding in low..=high {
            if let Some(bin) = usize::try_from(padding - lowest).ok().and_then(|b| bins.get_mut(b))
            {
                *bin = 0;
            }
        }
    }
    bins
}

fn count<T: Copy + Send + Sync>(
    all: &Array3<T>,
    absent: &[bool],
    step: usize,
    bin: impl Fn(T) -> usize + Sync,
) -> Vec<u64> {
    let empty = || vec![0_u64; 1 << 16];
    all.axis_iter(Axis(0))
        .into_par_iter()
        .zip(absent.par_iter())
        .with_min_len(16)
        .filter(|(_, absent)| !**absent)
        .fold(empty, |mut bins, (slice, _)| {
            for &voxel in slice.iter().step_by(step) {
                bins[bin(voxel)] += 1;
            }
            bins
        })
        .reduce(empty, |mut a, b| {
            a.iter_mut().zip(b).for_each(|(a, b)| *a += b);
            a
        })
}

/// Last bin of the lower group, first of the upper, share of the lower.
fn two_groups(bins: &[u64], smallest: f64) -> Option<(usize, usize, f64)> {
    let total = bins.iter().sum::<u64>() as f64;
    let mut below = 0_u64;
    let mut last: Option<usize> = None;
    for (bin, &n) in bins.iter().enumerate().filter(|(_, n)| **n > 0) {
        if let Some(last) = last.filter(|last| bin - last >= WIDEST_GAP) {
            let share = below as f64 / total;
            if share >= smallest && 1.0 - share >= smallest {
                return Some((last, bin, share));
            }
        }
        below += n;
        last = Some(bin);
    }
    None
}
