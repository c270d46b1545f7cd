use std::sync::Arc;
use std::sync::atomic::AtomicUsize;
use std::sync::atomic::Ordering::Relaxed;

use ndarray::{Array3, Axis};
use rayon::prelude::*;

use crate::{VolumeError, VolumeGeometry, VoxelBox};

/// Voxels as they were stored, array order `[[k, j, i]]` = slice, row, column.
#[derive(Debug, Clone, PartialEq)]
pub enum StoredVoxels {
    /// Two's complement (Pixel Representation 1).
    Signed(Array3<i16>),
    /// Unsigned (Pixel Representation 0).
    Unsigned(Array3<u16>),
    /// Floating point, as research formats hold; NaN means "not scanned".
    Float(Array3<f32>),
}

impl StoredVoxels {
    /// Columns, rows, slices.
    #[must_use]
    pub fn dims(&self) -> [usize; 3] {
        let (k, j, i) = match self {
            Self::Signed(a) => a.dim(),
            Self::Unsigned(a) => a.dim(),
            Self::Float(a) => a.dim(),
        };
        [i, j, k]
    }

    #[inline]
    pub(crate) fn at(&self, i: usize, j: usize, k: usize) -> f64 {
        match self {
            Self::Signed(a) => f64::from(a[[k, j, i]]),
            Self::Unsigned(a) => f64::from(a[[k, j, i]]),
            Self::Float(a) => f64::from(a[[k, j, i]]),
        }
    }

    /// Lowest and highest value of a slice that is none of `padding` and a number; `None`
    /// where there is none.
    fn range_in_slice(&self, k: usize, padding: Option<(i32, i32)>) -> Option<(f64, f64)> {
        fn of<T: Copy + PartialOrd + Into<f64>>(
            all: &Array3<T>,
            k: usize,
            padding: Option<(i32, i32)>,
        ) -> Option<(f64, f64)> {
            let padded = |v: f64| {
                padding.is_some_and(|(low, high)| f64::from(low) <= v && v <= f64::from(high))
            };
            let wanted = |v: &T| !padded((*v).into()) && v.partial_cmp(v).is_some();
            let mut ends: Option<(T, T)> = None;
            for &v in all.index_axis(Axis(0), k).iter().filter(|v| wanted(v)) {
                let (low, high) = ends.unwrap_or((v, v));
                ends = Some((if v < low { v } else { low }, if v > high { v } else { high }));
            }
            ends.map(|(low, high)| (low.into(), high.into()))
        }
        match self {
            Self::Signed(a) => of(a, k, padding),
            Self::Unsigned(a) => of(a, k, padding),
            Self::Float(a) => of(a, k, padding),
        }
    }

    /// The eight voxels from `at` on, i fastest; they must be there.
    #[inline]
    pub(crate) fn cell(&self, at: [usize; 3]) -> [f64; 8] {
        fn of<T: Copy + Into<f64>>(a: &Array3<T>, [i, j, k]: [usize; 3]) -> [f64; 8] {
            let pair = |k, j| [a[[k, j, i]].into(), a[[k, j, i + 1]].into()];
            let [[a, b], [c, d]] = [pair(k, j), pair(k, j + 1)];
            let [[e, f], [g, h]] = [pair(k + 1, j), pair(k + 1, j + 1)];
            [a, b, c, d, e, f, g, h]
        }
        match self {
            Self::Signed(a) => of(a, at),
            Self::Unsigned(a) => of(a, at),
            Self::Float(a) => of(a, at),
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

/// The voxels that were asked for and not at hand: lowest index and highest, each way.
/// Not part of what a volume is.
#[derive(Debug)]
struct Missed {
    low: [AtomicUsize; 3],
    high: [AtomicUsize; 3],
}

impl Default for Missed {
    fn default() -> Self {
        let all = |n: usize| [n; 3].map(AtomicUsize::new);
        Self { low: all(usize::MAX), high: all(0) }
    }
}

impl Missed {
    fn add(&self, at: [usize; 3]) {
        for (axis, index) in at.into_iter().enumerate() {
            self.low[axis].fetch_min(index, Relaxed);
            self.high[axis].fetch_max(index, Relaxed);
        }
    }

    fn voxels(&self) -> Option<VoxelBox> {
        let first = [0, 1, 2].map(|axis| self.low[axis].load(Relaxed));
        let last = [0, 1, 2].map(|axis| self.high[axis].load(Relaxed));
        let there = (0..3).all(|axis| first[axis] <= last[axis]);
        there.then(|| VoxelBox { first, size: [0, 1, 2].map(|axis| last[axis] - first[axis] + 1) })
    }
}

impl Clone for Missed {
    fn clone(&self) -> Self {
        Self::default()
    }
}

impl PartialEq for Missed {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

/// A scan: a grid, its stored voxels, and what turns them into grey values.
///
/// Voxels in an absent slice, or with a padding value, were not scanned; every sample
/// that would need one is [`crate::Sample::Outside`].
///
/// A copy shares the voxels.
///
/// A volume may hold the voxels of a part of its grid only, a box. A voxel beyond it
/// counts as not scanned, and [`Volume::missed_voxels`] tells from then on that one was
/// asked for: what was measured must then be measured again on more of the scan.
#[derive(Debug, Clone, PartialEq)]
pub struct Volume {
    geometry: VolumeGeometry,
    part: VoxelBox,
    /// Shared by copies.
    voxels: Arc<StoredVoxels>,
    rescale: Vec<Rescale>,
    padding: Option<(i32, i32)>,
    absent: Vec<bool>,
    /// Whether every voxel of the part was scanned for sure.
    solid: bool,
    missed: Missed,
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
        let part = VoxelBox::whole(geometry.dims());
        Self::of_part(geometry, part, voxels, rescale)
    }

    /// A volume of which only the voxels of one box are at hand; one rescale for every
    /// slice of the whole grid.
    ///
    /// # Errors
    ///
    /// As [`Volume::new`]; [`VolumeError::Shape`] also where the box reaches out of the grid.
    pub fn of_part(
        geometry: VolumeGeometry,
        part: VoxelBox,
        voxels: StoredVoxels,
        rescale: Vec<Rescale>,
    ) -> Result<Self, VolumeError> {
        let (dims, found) = (geometry.dims(), voxels.dims());
        let fits = (0..3).all(|a| part.first[a] + part.size[a] <= dims[a]);
        if part.size != found || !fits {
            return Err(VolumeError::Shape { expected: part.size, found });
        }
        check_slices(dims[2], rescale.len())?;
        for (slice, r) in rescale.iter().enumerate() {
            let usable = r.slope.is_finite() && r.slope != 0.0 && r.intercept.is_finite();
            if !usable {
                let Rescale { slope, intercept } = *r;
                return Err(VolumeError::Rescale { slice, slope, intercept });
            }
        }
        let absent = vec![false; dims[2]];
        let (missed, voxels) = (Missed::default(), Arc::new(voxels));
        let mut volume =
            Self { geometry, part, voxels, rescale, padding: None, absent, solid: false, missed };
        volume.solid = volume.is_solid();
        Ok(volume)
    }

    fn is_solid(&self) -> bool {
        self.padding.is_none()
            && !self.absent.contains(&true)
            && !matches!(*self.voxels, StoredVoxels::Float(_))
    }

    /// The same volume with the stored values `low..=high` meaning "not scanned"
    /// (Pixel Padding Value and Range Limit, DICOM PS3.3 section C.7.5.1.1.2).
    #[must_use]
    pub fn with_padding(mut self, low: i32, high: i32) -> Self {
        self.padding = Some((low.min(high), low.max(high)));
        self.solid = false;
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
        self.solid = self.is_solid();
        Ok(self)
    }

    /// The grid.
    #[must_use]
    pub fn geometry(&self) -> &VolumeGeometry {
        &self.geometry
    }

    /// The stored voxels of [`Volume::part`].
    #[must_use]
    pub fn voxels(&self) -> &StoredVoxels {
        &self.voxels
    }

    /// The part of the grid whose voxels are at hand.
    #[must_use]
    pub fn part(&self) -> VoxelBox {
        self.part
    }

    /// The smallest box of the voxels beyond [`Volume::part`] that were asked for, `None`
    /// where none was. A copy of the volume starts anew.
    #[must_use]
    pub fn missed_voxels(&self) -> Option<VoxelBox> {
        self.missed.voxels()
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
        let Some([pi, pj, pk]) = self.part.place([i, j, k]) else {
            return self.beyond([i, j, k]);
        };
        if self.absent[k] {
            return None;
        }
        let stored = self.voxels.at(pi, pj, pk);
        let padded =
            |(low, high): (i32, i32)| f64::from(low) <= stored && stored <= f64::from(high);
        if self.padding.is_some_and(padded) || stored.is_nan() {
            return None;
        }
        let r = self.rescale[k];
        Some(stored * r.slope + r.intercept)
    }

    /// A voxel that is not at hand.
    #[cold]
    fn beyond(&self, at: [usize; 3]) -> Option<f64> {
        let dims = self.geometry.dims();
        assert!((0..3).all(|a| at[a] < dims[a]), "there is no voxel {at:?}");
        self.missed.add(at);
        None
    }

    /// Writes the grey values of a row of voxels from `at` on, NaN for those that were not
    /// scanned, and tells whether all were.
    pub(crate) fn read_row(&self, at: [usize; 3], row: &mut [f64]) -> bool {
        fn of<T: Copy + Into<f64>>(a: &Array3<T>, at: [usize; 3], row: &mut [f64], r: Rescale) {
            let [i, j, k] = at;
            let from = a.index_axis(Axis(0), k);
            let from = from.index_axis(Axis(0), j);
            for (value, &stored) in row.iter_mut().zip(from.iter().skip(i)) {
                *value = stored.into() * r.slope + r.intercept;
            }
        }
        let place = self.part.place(at).filter(|p| p[0] + row.len() <= self.part.size[0]);
        match place {
            Some(place) if self.solid => {
                let r = self.rescale[at[2]];
                match &*self.voxels {
                    StoredVoxels::Signed(a) => of(a, place, row, r),
                    StoredVoxels::Unsigned(a) => of(a, place, row, r),
                    StoredVoxels::Float(a) => of(a, place, row, r),
                }
                true
            }
            _ => {
                for (i, value) in row.iter_mut().enumerate() {
                    *value = self.voxel_grey(at[0] + i, at[1], at[2]).unwrap_or(f64::NAN);
                }
                !row.iter().any(|v| v.is_nan())
            }
        }
    }

    /// The grey values of the eight voxels from `at` on, i fastest, where all of them are
    /// at hand and scanned for sure.
    #[inline]
    pub(crate) fn solid_cell(&self, at: [usize; 3]) -> Option<[f64; 8]> {
        if !self.solid {
            return None;
        }
        let place = self.part.place(at)?;
        if (0..3).any(|axis| place[axis] + 1 >= self.part.size[axis]) {
            return None;
        }
        let mut cell = self.voxels.cell(place);
        for (half, k) in cell.chunks_exact_mut(4).zip(at[2]..) {
            let r = self.rescale[k];
            half.iter_mut().for_each(|v| *v = *v * r.slope + r.intercept);
        }
        Some(cell)
    }

    /// Lowest and highest grey value of the scanned voxels at hand, `None` where there are none.
    #[must_use]
    pub fn grey_range(&self) -> Option<(f64, f64)> {
        let first = self.part.first[2];
        let wider = |a: Option<(f64, f64)>, b: Option<(f64, f64)>| match (a, b) {
            (Some((l, h)), Some((m, n))) => Some((l.min(m), h.max(n))),
            (a, b) => a.or(b),
        };
        let of_slice = |k: usize| {
            let stored = self.voxels.range_in_slice(k, self.padding)?;
            let r = self.rescale[first + k];
            let [a, b] = [stored.0, stored.1].map(|v| v * r.slope + r.intercept);
            Some((a.min(b), a.max(b)))
        };
        let there = (0..self.part.size[2]).into_par_iter().filter(|k| !self.absent[first + k]);
        there.map(of_slice).reduce(|| None, wider)
    }
}

fn check_slices(expected: usize, found: usize) -> Result<(), VolumeError> {
    if expected == found { Ok(()) } else { Err(VolumeError::SliceCount { expected, found }) }
}
