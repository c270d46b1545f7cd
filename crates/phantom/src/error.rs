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
    /// The voxels are floating point, which slice files and multi-frame objects do not hold.
    #[error("floating point voxels do not fit into a 16-bit scan file")]
    FloatVoxels,
    /// Only a part of the volume's voxels is at hand.
    #[error("the volume holds {found:?} voxels of a grid of {expected:?}")]
    PartOfGrid {
        /// Columns, rows, slices of the grid.
        expected: [usize; 3],
        /// Columns, rows, slices at hand.
        found: [usize; 3],
    },
    /// Slices are not stacked along their normal, which the format cannot say.
    #[error("slices are stacked {shear_deg:.4} degrees off their normal, the file needs 0")]
    Sheared {
        /// Angle between them.
        shear_deg: f64,
    },
    /// A slice is absent, which the format cannot say.
    #[error("slice {slice} is absent, the file needs every slice")]
    AbsentSlice {
        /// Index of the slice.
        slice: usize,
    },
    /// The slices have different rescales, which the format cannot say.
    #[error("slice {slice} has another rescale than slice 0, the file has one for all")]
    RescaleVaries {
        /// Index of the first slice that differs.
        slice: usize,
    },
    /// The order of frames does not name every slice once.
    #[error("the order of {found} frames does not name each of {expected} slices once")]
    FrameOrder {
        /// Slices that are not absent.
        expected: usize,
        /// Frames named.
        found: usize,
    },
    /// Pixel data that are to be encoded are not a whole number of frames.
    #[error("{bytes} bytes of pixel data are no whole number of frames of {frame_bytes} bytes")]
    PartFrame {
        /// Bytes of pixel data.
        bytes: usize,
        /// Bytes of a frame.
        frame_bytes: usize,
    },
    /// A length or offset that does not fit into the 32 bits that the file has for it.
    #[error("{bytes} bytes do not fit into a length of 32 bits")]
    TooLong {
        /// The length or offset.
        bytes: u64,
    },
    /// A file that was to be changed has no such element.
    #[error("there is no element ({group:04X},{element:04X})")]
    NoElement {
        /// Group of the tag.
        group: u16,
        /// Element of the tag.
        element: u16,
    },
    /// A file that was to be changed cannot be read at some place.
    #[error("no element can be read at byte {at}")]
    NotWalkable {
        /// Bytes from the start of the file.
        at: usize,
    },
    /// A value does not fit into the type of the file.
    #[error("the value {value} does not fit into {low} to {high}")]
    ValueRange {
        /// The value.
        value: f64,
        /// Lowest that fits.
        low: f64,
        /// Highest that fits.
        high: f64,
    },
    /// More voxels along an axis than the format can count.
    #[error("dimensions {dims:?} do not fit into the file, which takes {most} along each axis")]
    DimsTooLarge {
        /// Columns, rows, slices.
        dims: [usize; 3],
        /// Most voxels along an axis.
        most: usize,
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
