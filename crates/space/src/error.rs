/// Why a piece of geometry could not be built.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SpaceError {
    /// A coordinate was NaN or infinite.
    #[error("a coordinate is not a finite number")]
    NotFinite,
    /// A direction was asked of a vector too short to have one.
    #[error("a direction needs a vector longer than {needed_mm} mm, this one has {length_mm} mm")]
    NoDirection {
        /// Length of the vector.
        length_mm: f64,
        /// Shortest accepted length.
        needed_mm: f64,
    },
    /// An affine map squeezes space flat, so that voxels have no volume.
    #[error("the voxel axes span no volume (determinant {determinant:e} mm3)")]
    Singular {
        /// Determinant of the linear part, mm3.
        determinant: f64,
    },
    /// Two directions that must differ are parallel.
    #[error("two directions are parallel within {angle_deg:.3} degrees")]
    Parallel {
        /// Angle between them.
        angle_deg: f64,
    },
}
