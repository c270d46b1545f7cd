//! A box of voxels around a site, told apart into bone and outside.

use nalgebra::Vector3;
use rayon::prelude::*;

use jawgauge_space::{Affine, PatientPoint, VoxelCoord};
use jawgauge_volume::Volume;

use super::region::OrientedBox;

/// Voxels within a box, `i` fastest.
#[derive(Debug, Clone)]
pub(crate) struct Grid {
    pub(crate) first: [usize; 3],
    pub(crate) size: [usize; 3],
    pub(crate) affine: Affine,
    pub(crate) step_mm: [f64; 3],
}

impl Grid {
    /// The voxels that an oriented box reaches; `None` where it misses the scan.
    pub(crate) fn around(volume: &Volume, region: &OrientedBox) -> Option<Self> {
        let affine = *volume.geometry().affine();
        let dims = volume.geometry().dims();
        let corners = region.corners().map(|c| affine.voxel_from_patient(c).to_array());
        let (mut first, mut size) = ([0; 3], [0; 3]);
        for axis in 0..3 {
            let of = |pick: fn(f64, f64) -> f64, start: f64| {
                corners.iter().map(|c| c[axis]).fold(start, pick)
            };
            let last = dims[axis] as f64 - 1.0;
            let low = of(f64::min, f64::INFINITY).floor().max(0.0);
            let high = of(f64::max, f64::NEG_INFINITY).ceil().min(last);
            if !(low < high) {
                return None;
            }
            // Within the grid by the clamps above.
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            {
                first[axis] = low as usize;
                size[axis] = (high - low) as usize + 1;
            }
        }
        let step_mm = affine.spacing_mm();
        Some(Self { first, size, affine, step_mm })
    }

    pub(crate) fn len(&self) -> usize {
        self.size.iter().product()
    }

    pub(crate) fn strides(&self) -> [usize; 3] {
        [1, self.size[0], self.size[0] * self.size[1]]
    }

    pub(crate) fn index_of(&self, n: usize) -> [usize; 3] {
        let [ni, nj, _] = self.size;
        [n % ni, n / ni % nj, n / (ni * nj)]
    }

    /// Where a place of the box, counted from its first voxel, lies in the patient.
    pub(crate) fn place(&self, at: [f64; 3]) -> PatientPoint {
        let [i, j, k] = std::array::from_fn(|a| at[a] + self.first[a] as f64);
        self.affine.patient_from_voxel(VoxelCoord::new(i, j, k))
    }

    /// The number of the voxel nearest to a place; `None` beyond the box.
    pub(crate) fn nearest(&self, p: PatientPoint) -> Option<usize> {
        let at = self.affine.voxel_from_patient(p).to_array();
        let mut n = 0;
        for axis in (0..3).rev() {
            let x = (at[axis] - self.first[axis] as f64).round();
            if !(x >= 0.0 && x < self.size[axis] as f64) {
                return None;
            }
            // Checked above.
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let x = x as usize;
            n = n * self.size[axis] + x;
        }
        Some(n)
    }

    /// Grey values; not a number where nothing was scanned, or beyond the oriented box.
    pub(crate) fn greys(&self, volume: &Volume, region: &OrientedBox) -> Vec<f32> {
        let [ni, nj, _] = self.size;
        let mut greys = vec![f32::NAN; self.len()];
        greys.par_chunks_mut(ni * nj).enumerate().for_each(|(k, slice)| {
            for (n, grey) in slice.iter_mut().enumerate() {
                let (i, j) = (n % ni, n / ni);
                if !region.holds(self.place([i as f64, j as f64, k as f64])) {
                    continue;
                }
                let [fi, fj, fk] = self.first;
                if let Some(found) = volume.voxel_grey(fi + i, fj + j, fk + k) {
                    // Grey values have 16 bits.
                    #[allow(clippy::cast_possible_truncation)]
                    {
                        *grey = found as f32;
                    }
                }
            }
        });
        greys
    }

    /// Squared distance, mm2, from every voxel to the nearest marked one, as far as `reach_mm`; more
    /// than that squared beyond. Steps of the grid count as square to one another.
    pub(crate) fn squared_distance(
        &self,
        marked: impl Fn(usize) -> bool + Sync,
        reach_mm: f64,
    ) -> Vec<f32> {
        let far = f32::MAX / 8.0;
        let mut squared: Vec<f32> =
            (0..self.len()).into_par_iter().map(|n| if marked(n) { 0.0 } else { far }).collect();
        let strides = self.strides();
        for (axis, stride) in strides.into_iter().enumerate() {
            // A few steps.
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let reach = (reach_mm / self.step_mm[axis]).ceil() as usize;
            #[allow(clippy::cast_possible_truncation)]
            let costs: Vec<f32> =
                (0..=reach).map(|d| (d as f64 * self.step_mm[axis]).powi(2) as f32).collect();
            let length = self.size[axis];
            let before = squared;
            squared = (0..before.len())
                .into_par_iter()
                .with_min_len(4096)
                .map(|n| {
                    let x = n / stride % length;
                    let mut least = before[n];
                    for (d, cost) in costs.iter().enumerate().skip(1) {
                        if x >= d {
                            least = least.min(before[n - d * stride] + cost);
                        }
                        if x + d < length {
                            least = least.min(before[n + d * stride] + cost);
                        }
                    }
                    least
                })
                .collect();
        }
        squared
    }

    /// Marks all voxels that `may` be entered and are joined to a seed by their faces.
    pub(crate) fn flood(
        &self,
        seeds: impl IntoIterator<Item = usize>,
        may: impl Fn(usize) -> bool,
    ) -> Vec<bool> {
        let mut reached = vec![false; self.len()];
        let mut open: Vec<usize> = Vec::new();
        for seed in seeds {
            if may(seed) && !reached[seed] {
                reached[seed] = true;
                open.push(seed);
            }
        }
        let strides = self.strides();
        while let Some(n) = open.pop() {
            let at = self.index_of(n);
            for axis in 0..3 {
                let before = (at[axis] > 0).then(|| n - strides[axis]);
                let after = (at[axis] + 1 < self.size[axis]).then(|| n + strides[axis]);
                for next in before.into_iter().chain(after) {
                    if !reached[next] && may(next) {
                        reached[next] = true;
                        open.push(next);
                    }
                }
            }
        }
        reached
    }
}

/// A place as three numbers.
pub(crate) fn vector(p: PatientPoint) -> Vector3<f64> {
    Vector3::from(p.to_array())
}

/// The place of three numbers.
pub(crate) fn point(v: Vector3<f64>) -> PatientPoint {
    PatientPoint::new(v.x, v.y, v.z)
}
