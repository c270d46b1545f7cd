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
        let Some(c) = self.solid_cell(base).or_else(|| self.cell_with_weight(base, share)) else {
            return Sample::Outside;
        };
        let between = |a: f64, b: f64, s: f64| a * (1.0 - s) + b * s;
        let [along_i, along_j, along_k] = share;
        let row = |n: usize| between(c[n], c[n + 1], along_i);
        let [near, far] = [0, 4].map(|n| between(row(n), row(n + 2), along_j));
        Sample::Grey(between(near, far, along_k))
    }

    /// The grey values of the eight voxels from `base` on, 0 for those that carry no weight;
    /// `None` where one that carries weight was not scanned.
    fn cell_with_weight(&self, base: [usize; 3], share: [f64; 3]) -> Option<[f64; 8]> {
        let mut cell = [0.0; 8];
        for (corner, grey) in cell.iter_mut().enumerate() {
            let far = [0, 1, 2].map(|axis| corner >> axis & 1);
            let weightless = |axis: usize| {
                if far[axis] == 1 { share[axis] == 0.0 } else { share[axis] == 1.0 }
            };
            if !(0..3).any(weightless) {
                *grey = self.voxel_grey(base[0] + far[0], base[1] + far[1], base[2] + far[2])?;
            }
        }
        Some(cell)
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
