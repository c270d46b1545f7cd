//! Scan files read into a volume, with facts and warnings.
//!
//! [`open_scan`] reads the headers of a scan (DICOM files, `.zip` archives of them, NIfTI,
//! NRRD) and [`OpenScan`] its voxels, all of them or those of a box. Every rule about headers lives
//! here: where a millimetre or a grey value would have to be assumed, the scan is refused with an
//! [`IntakeError`] that names file, attribute and value; what can be used but deserves a word
//! becomes a [`ScanWarning`].
//!
//! A header is taken in two passes. The first steps from attribute to attribute, holds
//! every declared length against the length of the file, and keeps the few attributes
//! that are needed; the second reads the voxels straight into their places. At no time is
//! there a second copy of the volume.
//!
//! # Limits
//!
//! - 8 or 16 bits allocated, MONOCHROME2, one sample a pixel; other kinds of image and
//!   transfer syntaxes that cannot be decoded are refused by UID and name.
//! - What the header says with a plausible number is believed: a wrong Pixel Spacing or a
//!   mirrored Image Orientation cannot be seen from the files.
//! - Positions count as evenly spaced where each is within 2 % of the pitch, or within
//!   0.01 mm (at most a tenth of the pitch), of a straight line.
//! - A slice missing at either end only makes the scan shorter.
//! - A wrong sign is seen only where it parts the stored values in two groups far apart.
//!   Voxels without noise whose values lie that far apart are refused, too.
//! - Padding that no attribute declares is taken for grey values; a warning comes only
//!   where it fills the corners of all slices and is darker than air.

mod archive;
mod attribute;
mod cursor;
mod decimal;
mod error;
mod folder;
mod found;
mod fragments;
mod frames;
mod greys;
mod guard;
mod header;
mod inflate;
mod mesh;
mod pixels;
mod plain;
mod plane;
mod scan;
mod series;
mod shell;
mod slice;
mod source;
mod stack;
mod start;
mod template;
mod voxel;
mod walk;
mod warning;

pub use attribute::{Attribute, transfer_syntax_name};
pub use error::IntakeError;
pub use folder::{SkipReason, Skipped};
pub use guard::panics_are_caught;
pub use pixels::Progress;
pub use scan::{
    OpenScan, ReadOptions, Scan, ScanFacts, SeriesSummary, list_series, open_scan, read_scan,
};
pub use template::{ImplantTemplate, TemplateError, TemplateMesh, Triangle, read_implant_template};
pub use warning::{FileRemark, ScanWarning};
