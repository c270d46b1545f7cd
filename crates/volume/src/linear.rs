use jawgauge_space::{PatientPoint, VoxelCoord};

use crate::geometry::EDGE_ROUNDING_VOXELS;
use crate::{Sample, Volume};

impl Volume {
    /// The grey value at a place, trilinear between the eight voxel centres around it.
    ///
    /// A place exactly on an outermost voxel centre (within 1e-6 voxel) has that voxel's
    /// value; beyond it, and wherever a voxel that carries weight was not scanned, the
    /// answer is [`Sample::Outside`].
    ///
    /// # Accuracy
    ///
    /// Reproduces a linear grey ramp to 1e-9 of its range.
    #[must_use]
    pub fn sample_linear(&self, point: PatientPoint) -> Sample {
        self.sample_linear_at(self.geometry().affine().voxel_from_patient(point))
    }

    /// As [`Volume::sample_linear`], at a place in voxel space.
    #[must_use]
    #[inline]
    pub fn sample_linear_at(&self, at: VoxelCoord) -> Sample {
        let dims = self.geometry().dims();
        let coords = at.to_array();
        let mut base = [0_usize; 3];
        let mut share = [0.0; 3];
        for axis in 0..3 {
            match cell(coords[axis], dims[axis]) {
                Some((b, s)) => (base[axis], share[axis]) = (b, s),
                None => return Sample::Outside,
            }
        }
        let mut sum = 0.0;
        for corner in 0..8_usize {
            let mut weight = 1.0;
            let mut index = base;
            for axis in 0..3 {
                if corner >> axis & 1 == 1 {
                    weight *= share[axis];
                    index[axis] += 1;
                } else {
                    weight *= 1.0 - share[axis];
                }
            }
            if weight == 0.0 {
                continue;
            }
            match self.voxel_grey(index[0], index[1], index[2]) {
                Some(grey) => sum += weight * grey,
                None => return Sample::Outside,
            }
        }
        Sample::Grey(sum)
    }
}

/// The voxel at or below `c` and the share of the way to the next, `None` outside the grid.
#[inline]
pub(crate) fn cell(c: f64, n: usize) -> Option<(usize, f64)> {
    let last = n as f64 - 1.0;
    if !(c >= -EDGE_ROUNDING_VOXELS && c <= last + EDGE_ROUNDING_VOXELS) {
        return None;
    }
    let c = c.clamp(0.0, last);
    // In range by the clamp above.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let base = (c.floor() as usize).min(n.saturating_sub(2));
    Some((base, c - base as f64))
}
