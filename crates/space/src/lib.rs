//! Frames, points and planes in which jaws are measured.
//!
//! Every length is in millimetres. Patient space is the DICOM patient coordinate
//! system, LPS: +x to the patient's left, +y to the back, +z to the head
//! (DICOM PS3.3 section C.7.6.2.1.1). Voxel space counts voxels: `i` along a row of
//! the image (columns), `j` down a column (rows), `k` from slice to slice.
//!
//! A point of one frame cannot be used as a point of another:
//!
//! ```compile_fail
//! use jawgauge_space::{PatientPoint, VoxelCoord};
//! let voxel = VoxelCoord::new(1.0, 2.0, 3.0);
//! let patient = PatientPoint::new(1.0, 2.0, 3.0);
//! let _ = patient - voxel; // frames do not mix
//! ```
//!
//! # Limits
//!
//! Rigid and affine geometry only; nothing here knows about voxels' values.

mod affine;
mod error;
mod frame;
mod point;

pub use affine::Affine;
pub use error::SpaceError;
pub use frame::{SectionFrame, SectionPoint};
pub use point::{PatientDir, PatientPoint, PatientVector, VoxelCoord};

#[cfg(test)]
mod tests;
