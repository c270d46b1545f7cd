//! Scan files read into a volume, with facts and warnings.
//!
//! [`read_scan`] reads a folder of DICOM CT Image Storage files, one a slice, as
//! [`list_series`] lists them. Every rule about headers lives here: where a millimetre or
//! a grey value would have to be assumed, the scan is refused with an [`IntakeError`] that
//! names file, attribute and value; what can be used but deserves a word becomes a
//! [`ScanWarning`].
//!
//! A header is taken in two passes. The first steps from attribute to attribute, holds
//! every declared length against the length of the file, and keeps the few attributes
//! that are needed; the second reads the voxels straight into their places. At no time is
//! there a second copy of the volume.
//!
//! # Limits
//!
//! - One file a slice, 16 bits allocated, MONOCHROME2, uncompressed, little endian.
//!   Multi-frame objects, compressed, deflated and big-endian files, and other kinds of
//!   image are refused by UID and name.
//! - Files need the `DICM` prefix; a bare data set counts as not DICOM.
//! - What the header says with a plausible number is believed: a wrong Pixel Spacing or a
//!   mirrored Image Orientation cannot be seen from the files.
//! - Positions count as evenly spaced where each is within 2 % of the pitch, or within
//!   0.01 mm (at most a tenth of the pitch), of a straight line.
//! - A slice missing at either end only makes the scan shorter.
//! - A wrong sign is seen only where it parts the stored values in two groups far apart.
//!   Voxels without noise whose values lie that far apart are refused, too.
//! - Padding that no attribute declares is taken for grey values; a warning comes only
//!   where it fills the corners of all slices and is darker than air.

mod attribute;
mod decimal;
mod error;
mod folder;
mod header;
mod pixels;
mod scan;
mod series;
mod shell;
mod signedness;
mod slice;
mod stack;
mod walk;
mod warning;

pub use attribute::Attribute;
pub use error::IntakeError;
pub use folder::{SkipReason, Skipped};
pub use scan::{Scan, ScanFacts, SeriesOutline, SeriesSummary, list_series, read_scan};
pub use warning::ScanWarning;
