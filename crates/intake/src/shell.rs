use jawgauge_volume::{Volume, VoxelBox};

use crate::greys::WIDEST_GAP;
use crate::scan::OpenScan;
use crate::{IntakeError, ScanWarning};

/// Grey values below this are darker than air on any usual scale, on which air is -1000.
const DARKER_THAN_AIR: f64 = -1200.0;
/// A shell below this share of the voxels is not worth a word.
const SMALLEST_SHELL: f64 = 0.02;
/// Every how many voxels along i and j the share is counted.
const COUNT_STEP: usize = 4;

/// Slices whose corners are looked at where only a part is read.
const SLICES_LOOKED_AT: usize = 12;

/// As [`undeclared_padding`], of a scan of which a part is read: the corners of some slices
/// spread over it. Not where that would mean decoding or unpacking them.
pub(crate) fn padding_at_corners(scan: &OpenScan) -> Result<Option<ScanWarning>, IntakeError> {
    let [ni, nj, nk] = scan.geometry.dims();
    let step = nk.div_ceil(SLICES_LOOKED_AT);
    let mut corner = None;
    for k in (0..nk).step_by(step) {
        let Some(source) = &scan.sources[k] else { continue };
        if !source.is_within_reach() {
            return Ok(None);
        }
        for j in [0, nj - 1] {
            let row = VoxelBox { first: [0, j, k], size: [ni, 1, 1] };
            let (volume, _) = scan.voxels_of(row, None)?;
            for i in [0, ni - 1] {
                let grey = volume.voxel_grey(i, j, k);
                if grey.is_none() || *corner.get_or_insert(grey) != grey {
                    return Ok(None);
                }
            }
        }
    }
    let dark = corner.flatten().filter(|grey| *grey < DARKER_THAN_AIR);
    Ok(dark.map(|grey| ScanWarning::UndeclaredPadding { grey, share: None }))
}

/// The grey value that the corners of every slice of a whole scan have; `None` where they
/// differ.
pub(crate) fn corner_value(volume: &Volume) -> Option<f64> {
    let [ni, nj, nk] = volume.geometry().dims();
    if volume.part() != VoxelBox::whole([ni, nj, nk]) {
        return None;
    }
    let slices = || (0..nk).filter(|&k| !volume.absent_slices()[k]);
    let corner = volume.voxel_grey(0, 0, slices().next()?)?;
    let everywhere = slices().all(|k| {
        [(0, 0), (ni - 1, 0), (0, nj - 1), (ni - 1, nj - 1)]
            .into_iter()
            .all(|(i, j)| volume.voxel_grey(i, j, k) == Some(corner))
    });
    everywhere.then_some(corner)
}

/// Looks for padding that no attribute declares: the corners of every slice hold one and
/// the same value, darker than air or far below all others, as outside the cylinder that a
/// cone beam reconstructs.
pub(crate) fn undeclared_padding(volume: &Volume) -> Option<ScanWarning> {
    let corner = corner_value(volume)?;
    let [ni, nj, nk] = volume.geometry().dims();
    let (mut same, mut all, mut next) = (0_u64, 0_u64, f64::INFINITY);
    for k in (0..nk).filter(|&k| !volume.absent_slices()[k]) {
        for j in (0..nj).step_by(COUNT_STEP) {
            for i in (0..ni).step_by(COUNT_STEP) {
                all += 1;
                match volume.voxel_grey(i, j, k) {
                    Some(grey) if grey == corner => same += 1,
                    Some(grey) => next = next.min(grey),
                    None => {}
                }
            }
        }
    }
    let share = same as f64 / all as f64;
    let slope = volume.rescale(0).slope;
    let far_below = next.is_finite() && next - corner >= slope * WIDEST_GAP as f64;
    (share >= SMALLEST_SHELL && (corner < DARKER_THAN_AIR || far_below))
        .then_some(ScanWarning::UndeclaredPadding { grey: corner, share: Some(share) })
}
