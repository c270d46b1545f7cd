use jawgauge_volume::{Volume, VoxelBox};

use crate::ScanWarning;

/// Grey values below this are darker than air on any usual scale, on which air is -1000.
const DARKER_THAN_AIR: f64 = -1200.0;
/// A shell below this share of the voxels is not worth a word.
const SMALLEST_SHELL: f64 = 0.02;
/// Every how many voxels along i and j the share is counted.
const COUNT_STEP: usize = 4;

/// Looks for padding that no attribute declares: the corners of every slice hold one and
/// the same value, darker than air, as outside the cylinder that a cone beam reconstructs.
pub(crate) fn undeclared_padding(volume: &Volume) -> Option<ScanWarning> {
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
    if !(everywhere && corner < DARKER_THAN_AIR) {
        return None;
    }
    let (mut same, mut all) = (0_u64, 0_u64);
    for k in slices() {
        for j in (0..nj).step_by(COUNT_STEP) {
            for i in (0..ni).step_by(COUNT_STEP) {
                all += 1;
                same += u64::from(volume.voxel_grey(i, j, k) == Some(corner));
            }
        }
    }
    let share = same as f64 / all as f64;
    (share >= SMALLEST_SHELL).then_some(ScanWarning::UndeclaredPadding { grey: corner, share })
}
