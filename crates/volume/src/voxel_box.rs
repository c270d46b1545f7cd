/// A box of voxels: its first voxel and its size, along i, j, k.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct VoxelBox {
    /// Index of the first voxel.
    pub first: [usize; 3],
    /// Voxels each way.
    pub size: [usize; 3],
}

impl VoxelBox {
    /// All voxels of a grid of `dims`.
    #[must_use]
    pub fn whole(dims: [usize; 3]) -> Self {
        Self { first: [0; 3], size: dims }
    }

    /// Number of voxels.
    #[must_use]
    pub fn voxels(&self) -> usize {
        self.size.iter().product()
    }

    /// The smallest box that holds both.
    #[must_use]
    pub fn joined(&self, other: &Self) -> Self {
        let mut out = *self;
        for axis in 0..3 {
            let end = |b: &Self| b.first[axis] + b.size[axis];
            out.first[axis] = self.first[axis].min(other.first[axis]);
            out.size[axis] = end(self).max(end(other)) - out.first[axis];
        }
        out
    }

    /// The same box with `by` more voxels at every side, as far as a grid of `dims` reaches.
    #[must_use]
    pub fn widened(&self, by: usize, dims: [usize; 3]) -> Self {
        let mut out = *self;
        for (axis, dim) in dims.into_iter().enumerate() {
            out.first[axis] = self.first[axis].saturating_sub(by);
            let end = (self.first[axis] + self.size[axis] + by).min(dim);
            out.size[axis] = end - out.first[axis];
        }
        out
    }

    /// Place in the box of a voxel of the grid, `None` where it lies outside the box.
    #[inline]
    pub(crate) fn place(&self, at: [usize; 3]) -> Option<[usize; 3]> {
        let mut place = [0; 3];
        for axis in 0..3 {
            place[axis] = at[axis].checked_sub(self.first[axis])?;
            if place[axis] >= self.size[axis] {
                return None;
            }
        }
        Some(place)
    }
}
