use jawgauge_space::{Affine, PatientPoint, VoxelCoord};

use crate::{VolumeError, VoxelBox};

/// How far beyond the centre of the outermost voxel a place may lie and still be on it,
/// voxels: rounding of coordinates, nothing more.
pub(crate) const EDGE_ROUNDING_VOXELS: f64 = 1e-6;

/// A grid of voxels in the patient, without the voxels.
///
/// A voxel's coordinate is that of its centre, so the scanned space reaches from the
/// centre of the first voxel to the centre of the last: what lies in the outer half of
/// an outermost voxel is outside.
#[derive(Debug, Clone, PartialEq)]
pub struct VolumeGeometry {
    dims: [usize; 3],
    affine: Affine,
}

impl VolumeGeometry {
    /// A grid of `dims` = [columns, rows, slices] voxels.
    ///
    /// # Errors
    ///
    /// [`VolumeError::Empty`] where a dimension is zero.
    pub fn new(dims: [usize; 3], affine: Affine) -> Result<Self, VolumeError> {
        if dims.contains(&0) {
            return Err(VolumeError::Empty { dims });
        }
        Ok(Self { dims, affine })
    }

    /// Columns (along i), rows (along j), slices (along k).
    #[must_use]
    pub fn dims(&self) -> [usize; 3] {
        self.dims
    }

    /// The map from voxel to patient space.
    #[must_use]
    pub fn affine(&self) -> &Affine {
        &self.affine
    }

    /// Lengths of the voxel steps along i, j, k, mm.
    #[must_use]
    pub fn spacing_mm(&self) -> [f64; 3] {
        self.affine.spacing_mm()
    }

    /// The longest voxel step, mm.
    #[must_use]
    pub fn coarsest_mm(&self) -> f64 {
        self.spacing_mm().into_iter().fold(0.0, f64::max)
    }

    /// Where the middle of the grid lies.
    #[must_use]
    pub fn centre(&self) -> PatientPoint {
        let [ni, nj, nk] = self.dims.map(|n| (n as f64 - 1.0) / 2.0);
        self.affine.patient_from_voxel(VoxelCoord::new(ni, nj, nk))
    }

    /// The voxels of the grid that interpolation touches in the box spanned by some places;
    /// `None` where it misses the grid.
    #[must_use]
    pub fn voxels_around(&self, places: &[PatientPoint]) -> Option<VoxelBox> {
        let mut low = [f64::INFINITY; 3];
        let mut high = [f64::NEG_INFINITY; 3];
        for &place in places {
            let v = self.affine.voxel_from_patient(place).to_array();
            for axis in 0..3 {
                low[axis] = low[axis].min(v[axis]);
                high[axis] = high[axis].max(v[axis]);
            }
        }
        let mut out = VoxelBox { first: [0; 3], size: [0; 3] };
        for axis in 0..3 {
            let last = self.dims[axis] as f64 - 1.0;
            if !(high[axis] >= 0.0 && low[axis] <= last) {
                return None;
            }
            // Both are clamped to 0..=last, so they fit.
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let (first, end) = (
                low[axis].floor().clamp(0.0, last) as usize,
                high[axis].ceil().clamp(0.0, last) as usize,
            );
            out.first[axis] = first;
            out.size[axis] = end - first + 1;
        }
        Some(out)
    }

    /// Whether a place lies between voxel centres of the grid.
    #[must_use]
    pub fn contains(&self, point: PatientPoint) -> bool {
        let v = self.affine.voxel_from_patient(point).to_array();
        v.iter()
            .zip(self.dims)
            .all(|(&c, n)| c >= -EDGE_ROUNDING_VOXELS && c <= n as f64 - 1.0 + EDGE_ROUNDING_VOXELS)
    }
}
