use jawgauge_space::{PatientPoint, VoxelCoord};
use jawgauge_volume::{Rescale, StoredVoxels, Volume, VolumeGeometry};
use ndarray::parallel::prelude::*;
use ndarray::{Array3, Axis};

use crate::PhantomError;

/// How voxels are stored in 16 bits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Storage {
    /// Two's complement (Pixel Representation 1).
    Signed,
    /// Unsigned (Pixel Representation 0).
    Unsigned,
}

/// The voxels of a shape that gives a grey value everywhere, stored unsigned.
///
/// Each voxel is the mean of `supersample` cubed places spread evenly over the voxel
/// around its centre, rounded to the nearest stored value; slices run in parallel and the
/// result does not depend on the number of threads.
///
/// # Accuracy
///
/// With 4 places each way a flat face parallel to the grid is placed within an eighth of
/// a voxel; the grey value is exact to half a stored step where the shape is uniform.
///
/// # Errors
///
/// [`PhantomError::GreyRange`] where a grey value does not fit into 16 bits,
/// [`PhantomError::Volume`] for an unusable rescale.
///
/// # Examples
///
/// ```
/// use jawgauge_phantom::sample_shape;
/// use jawgauge_space::{Affine, PatientPoint, PatientVector};
/// use jawgauge_volume::{Rescale, VolumeGeometry};
/// let steps = [
///     PatientVector::new(1.0, 0.0, 0.0),
///     PatientVector::new(0.0, 1.0, 0.0),
///     PatientVector::new(0.0, 0.0, 1.0),
/// ];
/// let affine = Affine::new(PatientPoint::new(0.0, 0.0, 0.0), steps)?;
/// let geometry = VolumeGeometry::new([3, 2, 2], affine)?;
/// let rescale = Rescale { slope: 1.0, intercept: 0.0 };
/// // Bone up to x = 1.25: of the second voxel (0.5 to 1.5) three quarters are bone.
/// let bone = |p: PatientPoint| if p.to_array()[0] < 1.25 { 100.0 } else { 0.0 };
/// let volume = sample_shape(geometry, rescale, bone, 4)?;
/// assert_eq!(volume.voxel_grey(0, 0, 0), Some(100.0));
/// assert_eq!(volume.voxel_grey(1, 0, 0), Some(75.0));
/// assert_eq!(volume.voxel_grey(2, 0, 0), Some(0.0));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn sample_shape(
    geometry: VolumeGeometry,
    rescale: Rescale,
    shape: impl Fn(PatientPoint) -> f64 + Sync,
    supersample: usize,
) -> Result<Volume, PhantomError> {
    sample_shape_as(Storage::Unsigned, geometry, rescale, shape, supersample)
}

/// As [`sample_shape`], stored signed or unsigned as asked.
///
/// # Errors
///
/// Those of [`sample_shape`].
pub fn sample_shape_as(
    storage: Storage,
    geometry: VolumeGeometry,
    rescale: Rescale,
    shape: impl Fn(PatientPoint) -> f64 + Sync,
    supersample: usize,
) -> Result<Volume, PhantomError> {
    let n = supersample.max(1);
    let offsets: Vec<f64> = (0..n).map(|s| (s as f64 + 0.5) / n as f64 - 0.5).collect();
    let parts = (n * n * n) as f64;
    let affine = geometry.affine();
    let grey = |i: usize, j: usize, k: usize| {
        let mut sum = 0.0;
        for dk in &offsets {
            for dj in &offsets {
                for di in &offsets {
                    let at = VoxelCoord::new(i as f64 + di, j as f64 + dj, k as f64 + dk);
                    sum += shape(affine.patient_from_voxel(at));
                }
            }
        }
        sum / parts
    };
    let dims = geometry.dims();
    let voxels = match storage {
        Storage::Unsigned => StoredVoxels::Unsigned(fill(dims, |i, j, k| {
            let (stored, grey) = stored_value(grey(i, j, k), rescale);
            to_whole(stored, 0, 65_535, grey)
                .and_then(|v| u16::try_from(v).map_err(|_| range_error(grey, 0, 65_535)))
        })?),
        Storage::Signed => StoredVoxels::Signed(fill(dims, |i, j, k| {
            let (stored, grey) = stored_value(grey(i, j, k), rescale);
            to_whole(stored, -32_768, 32_767, grey)
                .and_then(|v| i16::try_from(v).map_err(|_| range_error(grey, -32_768, 32_767)))
        })?),
    };
    Ok(Volume::new(geometry, voxels, vec![rescale; dims[2]])?)
}

fn stored_value(grey: f64, rescale: Rescale) -> (f64, f64) {
    (((grey - rescale.intercept) / rescale.slope).round(), grey)
}

fn to_whole(stored: f64, low: i32, high: i32, grey: f64) -> Result<i32, PhantomError> {
    // Written so that NaN is out of range.
    if stored >= f64::from(low) && stored <= f64::from(high) {
        // Whole by rounding and within 16 bits by the check.
        #[allow(clippy::cast_possible_truncation)]
        Ok(stored as i32)
    } else {
        Err(range_error(grey, low, high))
    }
}

fn range_error(grey: f64, low: i32, high: i32) -> PhantomError {
    PhantomError::GreyRange { grey, low, high }
}

fn fill<T: Copy + Default + Send + Sync>(
    [ni, nj, nk]: [usize; 3],
    value: impl Fn(usize, usize, usize) -> Result<T, PhantomError> + Sync,
) -> Result<Array3<T>, PhantomError> {
    let mut voxels = Array3::from_elem((nk, nj, ni), T::default());
    voxels.axis_iter_mut(Axis(0)).into_par_iter().enumerate().try_for_each(|(k, mut slice)| {
        for ((j, i), voxel) in slice.indexed_iter_mut() {
            *voxel = value(i, j, k)?;
        }
        Ok::<(), PhantomError>(())
    })?;
    Ok(voxels)
}
