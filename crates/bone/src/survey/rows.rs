//! Rows of voxels, spread evenly over a scan.

use jawgauge_volume::{Volume, VoxelBox};

/// The most voxels that are read.
const MOST_VOXELS: usize = 3_000_000;

/// The most lines each way that are read to see which tissues border on each other.
const LINES: usize = 40;

/// Rows of a volume that stand for all of it.
pub(super) struct Rows<'a> {
    pub(super) volume: &'a Volume,
    pub(super) part: VoxelBox,
    /// One row of so many is read.
    step: usize,
}

impl<'a> Rows<'a> {
    pub(super) fn of(volume: &'a Volume) -> Self {
        let part = volume.part();
        Self { volume, part, step: part.voxels().div_ceil(MOST_VOXELS).max(1) }
    }

    /// The same with one row of `times` as many.
    pub(super) fn thinned(&self, times: usize) -> Self {
        Self { step: self.step * times, ..*self }
    }

    /// How many voxels are in all rows together.
    pub(super) fn voxels(&self) -> usize {
        self.places().count() * self.part.size[0]
    }

    /// Row and slice of each row.
    fn places(&self) -> impl Iterator<Item = (usize, usize)> {
        let VoxelBox { first, size } = self.part;
        let step = self.step;
        // The rows of one slice lie between those of the slices beside it.
        let shift = (step * 3 / 8) | 1;
        (0..size[2]).flat_map(move |k| {
            let rows = (0..size[1]).filter(move |j| (j + k * shift).is_multiple_of(step));
            rows.map(move |j| (first[1] + j, first[2] + k))
        })
    }

    /// Hands over each row with its place `[j, k]`; NaN stands for what was not scanned.
    pub(super) fn each(&self, mut see: impl FnMut([usize; 2], &[f64])) {
        let (first, ni) = (self.part.first[0], self.part.size[0]);
        let mut row = vec![f64::NAN; ni];
        for (j, k) in self.places() {
            for (i, grey) in row.iter_mut().enumerate() {
                *grey = self.volume.voxel_grey(first + i, j, k).unwrap_or(f64::NAN);
            }
            see([j, k], &row);
        }
    }

    /// Hands over lines of voxels along every axis, spread evenly; NaN as in [`Rows::each`].
    pub(super) fn lines(&self, mut see: impl FnMut(&[f64])) {
        let VoxelBox { first, size } = self.part;
        // The middles of as many equal stretches.
        let spread = |axis: usize| {
            let lines = size[axis].min(LINES);
            (0..lines).map(move |n| first[axis] + (2 * n + 1) * size[axis] / (2 * lines))
        };
        for axis in 0..3 {
            let (a, b) = ((axis + 1) % 3, (axis + 2) % 3);
            let mut line = vec![f64::NAN; size[axis]];
            for (across, down) in spread(a).flat_map(|x| spread(b).map(move |y| (x, y))) {
                let mut at = [0; 3];
                (at[a], at[b]) = (across, down);
                for (n, grey) in line.iter_mut().enumerate() {
                    at[axis] = first[axis] + n;
                    *grey = self.volume.voxel_grey(at[0], at[1], at[2]).unwrap_or(f64::NAN);
                }
                see(&line);
            }
        }
    }

    /// Whether the corners of every slice that is not absent hold one grey value.
    pub(super) fn corners_hold(&self, is: impl Fn(f64) -> bool) -> bool {
        let VoxelBox { first, size } = self.part;
        let ends = |axis: usize| [first[axis], first[axis] + size[axis] - 1];
        let absent = self.volume.absent_slices();
        (first[2]..first[2] + size[2]).filter(|&k| !absent[k]).all(|k| {
            ends(1)
                .iter()
                .all(|&j| ends(0).iter().all(|&i| self.volume.voxel_grey(i, j, k).is_some_and(&is)))
        })
    }
}
