use std::path::PathBuf;

/// Why a phantom could not be sampled or written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PhantomError {
    /// A grey value does not fit into 16 bits with the given rescale.
    #[error("grey value {grey} does not fit into the stored values {low} to {high}")]
    GreyRange {
        /// The grey value.
        grey: f64,
        /// Lowest stored value.
        low: i32,
        /// Highest stored value.
        high: i32,
    },
    /// Rows and columns of the grid are not perpendicular, which a scan file cannot say.
    #[error("rows and columns meet at {angle_deg:.4} degrees, a scan file needs 90")]
    NotPerpendicular {
        /// Angle between them.
        angle_deg: f64,
    },
    /// More columns or rows than a file can hold.
    #[error("{columns} columns and {rows} rows do not fit into a slice file, which takes 65535")]
    TooLarge {
        /// Columns of the grid.
        columns: usize,
        /// Rows of the grid.
        rows: usize,
    },
    /// The parts of the volume disagree.
    #[error(transparent)]
    Volume(#[from] jawgauge_volume::VolumeError),
    /// A direction of the grid has no length.
    #[error(transparent)]
    Space(#[from] jawgauge_space::SpaceError),
    /// A file or folder could not be written.
    #[error("cannot write {}: {reason}", path.display())]
    Write {
        /// The file or folder.
        path: PathBuf,
        /// What the system or the file writer said.
        reason: String,
    },
}
