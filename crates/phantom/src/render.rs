use jawgauge_space::{PatientPoint, VoxelCoord};
use jawgauge_volume::{Rescale, StoredVoxels, Volume, VolumeGeometry};
use ndarray::parallel::prelude::*;
use ndarray::{Array3, Axis};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::PhantomError;
use crate::ridge_error::RidgeError;
use crate::sample::Storage;

/// Noise of the scanner: independent normal deviates, one for each voxel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// Standard deviation, grey values; 0 is none.
    pub sd: f64,
    /// Which noise: the same number gives the same voxels.
    pub seed: u64,
}

impl Noise {
    /// No noise.
    #[must_use]
    pub fn none() -> Self {
        Self { sd: 0.0, seed: 0 }
    }
}

/// The voxels of a scene that gives a grey value everywhere, with noise.
///
/// Each voxel is the value at its centre plus noise, rounded to the nearest stored value:
/// the scene holds the scanner's blur already. Slices run in parallel; each has its own
/// stream of the generator, numbered by the slice, so the result does not depend on the
/// number of threads. Normal deviates are made in pairs by the Box-Muller transform.
///
/// # Errors
///
/// [`RidgeError::Phantom`] where a grey value does not fit into 16 bits with the rescale,
/// [`RidgeError::NotFinite`] where the standard deviation is negative or not finite,
/// [`RidgeError::Volume`] for an unusable rescale.
///
/// # Limits
///
/// The noise is white; that of a real scanner is grainy. Logarithm and cosine come from the
/// platform, so that a stored value may differ by one between platforms.
///
/// # Source
///
/// Box GEP, Muller ME. A note on the generation of random normal deviates. Ann Math Stat
/// 1958;29:610-611 (from memory).
pub fn render(
    geometry: VolumeGeometry,
    storage: Storage,
    rescale: Rescale,
    noise: Noise,
    grey: impl Fn(PatientPoint) -> f64 + Sync,
) -> Result<Volume, RidgeError> {
    if !(noise.sd >= 0.0 && noise.sd.is_finite()) {
        return Err(RidgeError::NotFinite { what: "the noise" });
    }
    let dims = geometry.dims();
    let scene = Scene { geometry: &geometry, rescale, noise, grey };
    // Range-checked by `fill` before the cast.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let voxels = match storage {
        Storage::Unsigned => {
            StoredVoxels::Unsigned(scene.fill(0, i32::from(u16::MAX), |v| v as u16)?)
        }
        Storage::Signed => {
            let (low, high) = (i32::from(i16::MIN), i32::from(i16::MAX));
            StoredVoxels::Signed(scene.fill(low, high, |v| v as i16)?)
        }
    };
    Ok(Volume::new(geometry, voxels, vec![rescale; dims[2]])?)
}

struct Scene<'a, F> {
    geometry: &'a VolumeGeometry,
    rescale: Rescale,
    noise: Noise,
    grey: F,
}

impl<F: Fn(PatientPoint) -> f64 + Sync> Scene<'_, F> {
    fn fill<T: Copy + Default + Send + Sync>(
        &self,
        low: i32,
        high: i32,
        stored_as: impl Fn(f64) -> T + Sync,
    ) -> Result<Array3<T>, RidgeError> {
        let [ni, nj, nk] = self.geometry.dims();
        let affine = self.geometry.affine();
        let (least, most) = (f64::from(low), f64::from(high));
        let mut voxels = Array3::from_elem((nk, nj, ni), T::default());
        // The first slice in order that fails names the error, whatever the threads do.
        let failures: Vec<Option<f64>> = voxels
            .axis_iter_mut(Axis(0))
            .into_par_iter()
            .enumerate()
            .map(|(k, mut slice)| {
                let mut deviates = Deviates::of_slice(self.noise.seed, k);
                let mut failed = None;
                for ((j, i), voxel) in slice.indexed_iter_mut() {
                    let at = VoxelCoord::new(i as f64, j as f64, k as f64);
                    let mut grey = (self.grey)(affine.patient_from_voxel(at));
                    if self.noise.sd > 0.0 {
                        grey += self.noise.sd * deviates.next();
                    }
                    let stored = ((grey - self.rescale.intercept) / self.rescale.slope).round();
                    if stored >= least && stored <= most {
                        *voxel = stored_as(stored);
                    } else {
                        failed = failed.or(Some(grey));
                    }
                }
                failed
            })
            .collect();
        match failures.into_iter().flatten().next() {
            None => Ok(voxels),
            Some(grey) => Err(PhantomError::GreyRange { grey, low, high }.into()),
        }
    }
}

/// Standard normal deviates of one slice.
struct Deviates {
    rng: ChaCha8Rng,
    kept: Option<f64>,
}

impl Deviates {
    fn of_slice(seed: u64, k: usize) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(k as u64);
        Self { rng, kept: None }
    }

    fn next(&mut self) -> f64 {
        if let Some(kept) = self.kept.take() {
            return kept;
        }
        // In (0, 1]: the logarithm stays finite.
        let radius = (-2.0 * (1.0 - self.rng.random::<f64>()).ln()).sqrt();
        let (sin, cos) = (std::f64::consts::TAU * self.rng.random::<f64>()).sin_cos();
        self.kept = Some(radius * sin);
        radius * cos
    }
}
