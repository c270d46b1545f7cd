use jawgauge_volume::{StoredVoxels, Volume, VoxelBox};
use ndarray::parallel::prelude::*;
use ndarray::{Array3, Axis};

use crate::IntakeError;
use crate::shell::corner_value;

/// An empty stretch of stored values as wide as this, in steps, parts two groups: a
/// quarter of all 16-bit values, where a wrong sign moves values by half of them or more.
pub(crate) const WIDEST_GAP: usize = 16_384;
/// The share of voxels that either group has at least; metal and noise stay below.
const SMALLEST_GROUP: f64 = 0.05;
/// ... and of a group that goes on from the other end of the scale: a pocket of air.
const SMALLEST_WRAPPED: f64 = 1e-5;
/// Stored values this near to an end of the scale are at the end, and so many of them are no
/// chance.
const NEAR_AN_END: usize = 256;
const VALUES_AT_AN_END: usize = 16;
/// Share of neighbours at opposite ends of the scale that is no noise and no edge of metal.
const MOST_JUMPS: f64 = 1e-3;
/// Scans with fewer voxels than this are looked at whole.
const WORTH_A_SAMPLE: usize = 1_000_000;
/// Every how many rows the sample is taken.
const ROW_STEP: usize = 16;
/// Grey values beyond this are on no X-ray scale.
const LARGEST_GREY: f64 = 1e7;
/// Share of voxels in the brightest tenth of the range that is more than any jaw has.
const COMMON: f64 = 0.25;
/// Share in the darkest tenth that is less than any upright scan has.
const RARE: f64 = 0.02;

/// Refuses voxels that cannot be those of a scan as they are declared.
///
/// A wrong sign parts the stored values in two groups far apart (DICOM PS3.3 section
/// C.7.6.3.1, Pixel Representation). One value alone, or two, are a blank or a mask. Where
/// the brightest tenth of the range is common and the darkest is rare, the values are
/// inverted: in a jaw air and soft tissue are common and tooth and bone are not. A range
/// of millions is no X-ray scale.
///
/// Padding and missing slices do not count. Every 16th row is looked at first; only where
/// that is suspicious all voxels are. In a part of a scan any two groups in these rows are
/// suspicious, however small one is: nearly all of it may be in the part.
pub(crate) fn check_greys(volume: &Volume, file: &str) -> Result<(), IntakeError> {
    if let StoredVoxels::Float(all) = volume.voxels()
        && all.par_iter().any(|v| v.is_infinite())
    {
        let reason = "a voxel is infinite".to_owned();
        return Err(IntakeError::Greys { file: file.to_owned(), reason });
    }
    let part = volume.part();
    let whole = part == VoxelBox::whole(volume.geometry().dims());
    let step = if part.voxels() < WORTH_A_SAMPLE { 1 } else { ROW_STEP };
    let sample = histogram(volume, step);
    check_look(&sample, volume, file)
        .or_else(|_| check_look(&histogram(volume, 1), volume, file))?;
    let (of_sample, of_all) = if whole { (SMALLEST_WRAPPED, SMALLEST_GROUP) } else { (0.0, 0.0) };
    if sample.whole_steps && two_groups(&sample.bins, of_sample).is_some() {
        check_sign(volume, &histogram(volume, 1), of_all, file)?;
    }
    Ok(())
}

/// Refuses voxels of fewer than 16 bits of which many lie beside voxels at the other end of
/// the scale: values that ran over it and came back in at the other end, or negative values
/// that were declared unsigned. Between tissues the blur of a scan leaves values on the way;
/// values cut off at an end have exactly that value, and do not count.
pub(crate) fn check_wraps(volume: &Volume, bits: u16, file: &str) -> Result<(), IntakeError> {
    if !(4..16).contains(&bits) {
        return Ok(());
    }
    let scale = 1_i32 << bits;
    let near = scale / 8;
    let far = |lowest: i32| {
        move |a: i32, b: i32| {
            let inside = |v: i32| v > lowest && v < lowest + scale - 1;
            (a - b).abs() >= scale - 2 * near && inside(a) && inside(b)
        }
    };
    let (jumps, pairs) = match volume.voxels() {
        StoredVoxels::Signed(all) => neighbours(all, far(-scale / 2)),
        StoredVoxels::Unsigned(all) => neighbours(all, far(0)),
        StoredVoxels::Float(_) => return Ok(()),
    };
    if (jumps as f64) < MOST_JUMPS * pairs as f64 {
        return Ok(());
    }
    let reason = format!(
        "{:.2} % of the voxels lie beside one at the other end of their {bits} bits, as where values ran over the end of the scale or lost their sign",
        100.0 * jumps as f64 / pairs as f64
    );
    Err(IntakeError::Greys { file: file.to_owned(), reason })
}

/// How many neighbours in every fourth row are `far` from one another, of how many.
fn neighbours<T: Copy + Into<i32> + Send + Sync>(
    all: &Array3<T>,
    far: impl Fn(i32, i32) -> bool + Sync,
) -> (u64, u64) {
    let of_slice = |(k, slice): (usize, ndarray::ArrayView2<'_, T>)| {
        let (mut jumps, mut pairs) = (0, 0);
        for row in slice.outer_iter().skip(k % 4).step_by(4) {
            for (a, b) in row.iter().zip(row.iter().skip(1)) {
                jumps += u64::from(far((*a).into(), (*b).into()));
            }
            pairs += row.len() as u64 - 1;
        }
        (jumps, pairs)
    };
    let slices: Vec<_> = all.axis_iter(Axis(0)).enumerate().collect();
    slices.into_par_iter().map(of_slice).reduce(|| (0, 0), |a, b| (a.0 + b.0, a.1 + b.1))
}

fn check_sign(
    volume: &Volume,
    all: &Histogram,
    smallest: f64,
    file: &str,
) -> Result<(), IntakeError> {
    let small = two_groups(&all.bins, SMALLEST_WRAPPED).filter(|_| meets_at_the_ends(&all.bins));
    let Some((low, high, low_share)) = two_groups(&all.bins, smallest).or(small) else {
        return Ok(());
    };
    let one_value = all.bins[..low].iter().all(|&n| n == 0);
    let rescale = volume.rescale(volume.part().first[2]);
    let lowest = all.value(low) * rescale.slope + rescale.intercept;
    if one_value && corner_value(volume) == Some(lowest) {
        // The corners of all slices have it: padding that no attribute declares.
        return Ok(());
    }
    let signed = matches!(volume.voxels(), StoredVoxels::Signed(_));
    let lowest = if signed { i32::from(i16::MIN) } else { 0 };
    // Bins are 16 bits wide.
    let value = |bin: usize| i32::try_from(bin).unwrap_or(i32::MAX).saturating_add(lowest);
    Err(IntakeError::Signedness {
        file: file.to_owned(),
        declared: u8::from(signed),
        low_end: value(low),
        high_start: value(high),
        low_share,
    })
}

fn check_look(found: &Histogram, volume: &Volume, file: &str) -> Result<(), IntakeError> {
    let refused = |reason: String| Err(IntakeError::Greys { file: file.to_owned(), reason });
    let there: Vec<usize> = (0..found.bins.len()).filter(|&b| found.bins[b] > 0).collect();
    let rescale = volume.rescale(volume.part().first[2]);
    let grey = |bin: usize| found.value(bin) * rescale.slope + rescale.intercept;
    let (mut low, high) = match there.as_slice() {
        [] => return refused("no voxel was scanned".to_owned()),
        [one] => return refused(format!("all voxels have the grey value {}", grey(*one))),
        [a, b] => {
            let (a, b) = (grey(*a), grey(*b));
            return refused(format!("all voxels are {a} or {b}: a mask, not a scan"));
        }
        [low, .., high] => (*low, *high),
    };
    if !(grey(high).abs().max(grey(low).abs()) <= LARGEST_GREY) {
        let (low, high) = (grey(low), grey(high));
        return refused(format!("grey values reach from {low:e} to {high:e}"));
    }
    // One value by itself below all others is padding that no attribute declares.
    if (there[1] - low) * 10 > high - low {
        low = there[1];
    }
    let total = found.bins[low..=high].iter().sum::<u64>() as f64;
    // Without the outermost thousandth, which metal or a dead voxel may have.
    let quantile = |share: f64| {
        let mut sum = 0.0;
        (low..=high).find(|&b| {
            sum += found.bins[b] as f64;
            sum >= share * total
        })
    };
    let (Some(dark), Some(bright)) = (quantile(0.001), quantile(0.999)) else { return Ok(()) };
    let tenth = (bright - dark) / 10;
    let share =
        |bins: std::ops::RangeInclusive<usize>| found.bins[bins].iter().sum::<u64>() as f64 / total;
    let (darkest, brightest) = (share(low..=dark + tenth), share(bright - tenth..=high));
    if tenth > 0 && brightest > COMMON && darkest < RARE {
        return refused(format!(
            "the grey values look inverted: {:.0} % of the voxels are in the brightest tenth of the range and {:.1} % in the darkest",
            brightest * 100.0,
            darkest * 100.0
        ));
    }
    Ok(())
}

/// How often stored values occur.
struct Histogram {
    bins: Vec<u64>,
    /// Value of the first bin and width of a bin.
    first: f64,
    width: f64,
    /// Whether each bin is one stored value.
    whole_steps: bool,
}

impl Histogram {
    fn value(&self, bin: usize) -> f64 {
        bin as f64 * self.width + self.first
    }
}

fn histogram(volume: &Volume, step: usize) -> Histogram {
    let integers = |bins, first| Histogram { bins, first, width: 1.0, whole_steps: true };
    let absent = &volume.absent_slices()[volume.part().first[2]..];
    let mut found = match volume.voxels() {
        StoredVoxels::Signed(all) => {
            let bin = |v: i16| Some(usize::from(v.cast_unsigned() ^ 0x8000));
            integers(count(all, absent, step, bin), f64::from(i16::MIN))
        }
        StoredVoxels::Unsigned(all) => {
            integers(count(all, absent, step, |v| Some(usize::from(v))), 0.0)
        }
        StoredVoxels::Float(all) => {
            let ends = |(low, high): (f32, f32), v: &f32| (low.min(*v), high.max(*v));
            let (low, high) = all.iter().fold((f32::INFINITY, f32::NEG_INFINITY), ends);
            let (first, width) = (f64::from(low), f64::from(high - low) / f64::from(u16::MAX));
            let bin = |v: f32| {
                let place = if width > 0.0 { (f64::from(v) - first) / width } else { 0.0 };
                // Within the bins by construction; NaN has none.
                #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
                (!v.is_nan()).then_some(place.round().clamp(0.0, 65_535.0) as usize)
            };
            let bins = count(all, absent, step, bin);
            Histogram { bins, first, width, whole_steps: false }
        }
    };
    if let Some((low, high)) = volume.padding().filter(|_| found.whole_steps) {
        for padding in low..=high {
            // Whole numbers of 16 bits.
            #[allow(clippy::cast_possible_truncation)]
            let bin = usize::try_from(padding - found.first as i32).ok();
            if let Some(bin) = bin.and_then(|b| found.bins.get_mut(b)) {
                *bin = 0;
            }
        }
    }
    found
}

fn count<T: Copy + Send + Sync>(
    all: &Array3<T>,
    absent: &[bool],
    step: usize,
    bin: impl Fn(T) -> Option<usize> + Sync,
) -> Vec<u64> {
    let empty = || vec![0_u64; 1 << 16];
    all.axis_iter(Axis(0))
        .into_par_iter()
        .zip(absent.par_iter())
        .enumerate()
        .with_min_len(16)
        .filter(|(_, (_, absent))| !**absent)
        .fold(empty, |mut bins, (k, (slice, _))| {
            // Other rows in the next slice.
            for row in slice.outer_iter().skip(k * 5 % step).step_by(step) {
                row.iter().filter_map(|&v| bin(v)).for_each(|b| bins[b] += 1);
            }
            bins
        })
        .reduce(empty, |mut a, b| {
            a.iter_mut().zip(b).for_each(|(a, b)| *a += b);
            a
        })
}

/// Whether values lie close by both ends of the scale, more than one at each: as if they went
/// on from one end to the other, which metal does not.
fn meets_at_the_ends(bins: &[u64]) -> bool {
    // The very ends may be where a scanner saturates.
    let some = |bins: &[u64]| bins.iter().filter(|n| **n > 0).count() >= VALUES_AT_AN_END;
    some(&bins[1..NEAR_AN_END]) && some(&bins[bins.len() - NEAR_AN_END..bins.len() - 1])
}

/// Last bin of the lower group, first of the upper, share of the lower. Bins are in the order
/// of the declared values; a wrong sign parts them in the middle of the scale.
fn two_groups(bins: &[u64], smallest: f64) -> Option<(usize, usize, f64)> {
    let total = bins.iter().sum::<u64>() as f64;
    let middle = bins.len() / 2;
    let mut below = 0_u64;
    let mut last: Option<usize> = None;
    for (bin, &n) in bins.iter().enumerate().filter(|(_, n)| **n > 0) {
        let across = |last: &usize| *last < middle && bin >= middle && bin - last >= WIDEST_GAP;
        if let Some(last) = last.filter(across) {
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
