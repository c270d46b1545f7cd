//! Voxels in patient space: geometry, interpolation, and outside as a state.
//!
//! A [`Volume`] keeps the values as they were stored (16 bit) and turns them into grey
//! values when they are sampled. Grey values are never called Hounsfield units.
//! [`Volume::sample_linear`] and [`CubicPatch`] read a volume anywhere; a place that is
//! not surrounded by voxels that were really scanned is [`Sample::Outside`], not a number.
//!
//! # Limits
//!
//! One scan of one patient on one grid; slices may be absent, but not unevenly spaced.

mod cubic;
mod geometry;
mod linear;
mod voxel_box;
mod voxels;

pub use cubic::CubicPatch;
pub use geometry::VolumeGeometry;
pub use voxel_box::VoxelBox;
pub use voxels::{Rescale, StoredVoxels, Volume};

/// What a volume says of a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sample {
    /// The interpolated grey value.
    Grey(f64),
    /// Not surrounded by scanned voxels: beyond the edge, in an absent slice, or in padding.
    Outside,
}

impl Sample {
    /// The grey value, if there is one.
    #[must_use]
    pub fn grey(self) -> Option<f64> {
        match self {
            Self::Grey(grey) => Some(grey),
            Self::Outside => None,
        }
    }
}

/// Why a volume could not be put together.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum VolumeError {
    /// The array of voxels has another shape than the geometry says.
    #[error("the voxels have dimensions {found:?}, the geometry says {expected:?}")]
    Shape {
        /// Columns, rows, slices of the geometry.
        expected: [usize; 3],
        /// Columns, rows, slices of the array.
        found: [usize; 3],
    },
    /// A dimension is zero.
    #[error("a volume needs at least one voxel each way, this one has dimensions {dims:?}")]
    Empty {
        /// Columns, rows, slices.
        dims: [usize; 3],
    },
    /// The lists that hold one entry for each slice have another length.
    #[error("{found} entries for {expected} slices")]
    SliceCount {
        /// Slices of the geometry.
        expected: usize,
        /// Entries given.
        found: usize,
    },
    /// A rescale slope or intercept cannot be used.
    #[error(
        "slice {slice}: rescale slope {slope} and intercept {intercept} must be finite, the slope not zero"
    )]
    Rescale {
        /// Slice index.
        slice: usize,
        /// Slope given.
        slope: f64,
        /// Intercept given.
        intercept: f64,
    },
}

#[cfg(test)]
mod tests;
