use ndarray::Array3;

use crate::{VolumeError, VolumeGeometry};

/// Voxels as they were stored, array order `[[k, j, i]]` = slice, row, column.
#[derive(Debug, Clone, PartialEq)]
pub enum StoredVoxels {
    /// Two's complement (Pixel Representation 1).
    Signed(Array3<i16>),
    /// Unsigned (Pixel Representation 0).
    Unsigned(Array3<u16>),
}

impl StoredVoxels {
    /// Columns, rows, slices.
    #[must_use]
    pub fn dims(&self) -> [usize; 3] {
        let (k, j, i) = match self {
            Self::Signed(a) => a.dim(),
            Self::Unsigned(a) => a.dim(),
        };
        [i, j, k]
    }

    #[inline]
    pub(crate) fn at(&self, i: usize, j: usize, k: usize) -> i32 {
        match self {
            Self::Signed(a) => i32::from(a[[k, j, i]]),
            Self::Unsigned(a) => i32::from(a[[k, j, i]]),
        }
    }
}

/// Grey value = stored value x slope + intercept (DICOM PS3.3 section C.11.1.1.2).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rescale {
    /// Rescale Slope (0028,1053).
    pub slope: f64,
    /// Rescale Intercept (0028,1052).
    pub intercept: f64,
}

/// A scan: a grid, its stored voxels, and what turns them into grey values.
///
/// Voxels in an absent slice, or with a padding value, were not scanned; every sample
/// that would need one is [`crate::Sample::Outside`].
#[derive(Debug, Clone, PartialEq)]
pub struct Volume {
    geometry: VolumeGeometry,
    voxels: StoredVoxels,
    rescale: Vec<Rescale>,
    padding: Option<(i32, i32)>,
    absent: Vec<bool>,
}

impl Volume {
    /// A volume with one rescale for every slice.
    ///
    /// # Errors
    ///
    /// [`VolumeError`] where the array, the number of rescales and the geometry disagree,
    /// or where a slope is zero or a number is not finite.
    pub fn new(
        geometry: VolumeGeometry,
        voxels: StoredVoxels,
        rescale: Vec<Rescale>,
    ) -> Result<Self, VolumeError> {
        let (expected, found) = (geometry.dims(), voxels.dims());
        if expected != found {
            return Err(VolumeError::Shape { expected, found });
        }
        check_slices(expected[2], rescale.len())?;
        for (slice, r) in rescale.iter().enumerate() {
            let usable = r.slope.is_finite() && r.slope != 0.0 && r.intercept.is_finite();
            if !usable {
                let Rescale { slope, intercept } = *r;
                return Err(VolumeError::Rescale { slice, slope, intercept });
            }
        }
        let absent = vec![false; expected[2]];
        Ok(Self { geometry, voxels, rescale, padding: None, absent })
    }

    /// The same volume with the stored values `low..=high` meaning "not scanned"
    /// (Pixel Padding Value and Range Limit, DICOM PS3.3 section C.7.5.1.1.2).
    #[must_use]
    pub fn with_padding(mut self, low: i32, high: i32) -> Self {
        self.padding = Some((low.min(high), low.max(high)));
        self
    }

    /// The same volume with the slices marked `true` absent: a place kept free for a slice
    /// that is missing from the scan.
    ///
    /// # Errors
    ///
    /// [`VolumeError::SliceCount`] where there is not one mark for each slice.
    pub fn with_absent_slices(mut self, absent: Vec<bool>) -> Result<Self, VolumeError> {
        check_slices(self.geometry.dims()[2], absent.len())?;
        self.absent = absent;
        Ok(self)
    }

    /// The grid.
    #[must_use]
    pub fn geometry(&self) -> &VolumeGeometry {
        &self.geometry
    }

    /// The stored voxels.
    #[must_use]
    pub fn voxels(&self) -> &StoredVoxels {
        &self.voxels
    }

    /// The rescale of slice `k`.
    ///
    /// # Panics
    ///
    /// Where there is no slice `k`.
    #[must_use]
    pub fn rescale(&self, k: usize) -> Rescale {
        self.rescale[k]
    }

    /// Stored values that mean "not scanned", lowest and highest.
    #[must_use]
    pub fn padding(&self) -> Option<(i32, i32)> {
        self.padding
    }

    /// Which slices are absent, one mark a slice.
    #[must_use]
    pub fn absent_slices(&self) -> &[bool] {
        &self.absent
    }

    /// The grey value of a voxel, `None` where it was not scanned.
    ///
    /// # Panics
    ///
    /// Where there is no such voxel.
    #[must_use]
    #[inline]
    pub fn voxel_grey(&self, i: usize, j: usize, k: usize) -> Option<f64> {
        if self.absent[k] {
            return None;
        }
        let stored = self.voxels.at(i, j, k);
        if self.padding.is_some_and(|(low, high)| (low..=high).contains(&stored)) {
            return None;
        }
        let r = self.rescale[k];
        Some(f64::from(stored) * r.slope + r.intercept)
    }

    /// Lowest and highest grey value of the scanned voxels, `None` where there are none.
    #[must_use]
    pub fn grey_range(&self) -> Option<(f64, f64)> {
        let [ni, nj, nk] = self.geometry.dims();
        let mut range: Option<(f64, f64)> = None;
        for k in 0..nk {
            for j in 0..nj {
                for i in 0..ni {
                    if let Some(g) = self.voxel_grey(i, j, k) {
                        let (low, high) = range.unwrap_or((g, g));
                        range = Some((low.min(g), high.max(g)));
                    }
                }
            }
        }
        range
    }
}

fn check_slices(expected: usize, found: usize) -> Result<(), VolumeError> {
    if expected == found { Ok(()) } else { Err(VolumeError::SliceCount { expected, found }) }
}
