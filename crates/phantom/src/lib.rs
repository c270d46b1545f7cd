//! Analytic jaws with known answers, written as scans.
//!
//! [`p0`] is the base phantom, a box of bone; [`Ridge`] a ridge with cortex, marrow and blur whose
//! widths and heights have closed forms; [`demo_jaw`] the jaw of the demonstration. [`render`]
//! scans any of them with noise, [`sample_shape`] samples any analytic shape on any grid.
//! [`write_scan`] writes a volume as a folder of DICOM slices, [`write_multi_frame`] as one
//! object, [`write_nifti`] and [`write_nrrd`] as plain files; [`write_zip`] and
//! [`write_dicomdir`] pack a folder. All of them whole or with faults; [`damage`] puts faults
//! into files that were written whole.
//!
//! # Limits
//!
//! Blur is Gaussian and noise is white; scatter, beam hardening, metal streaks and movement are
//! not simulated.

pub mod damage;

mod decimal;
mod demo;
mod demo_teeth;
mod demo_truth;
mod dicomdir;
mod encapsulate;
mod error;
mod file;
mod functional_groups;
mod jpeg_huffman;
mod jpeg_lossless;
mod multi_frame;
mod nifti;
mod nrrd;
mod object;
mod options;
mod p0;
mod plain_values;
mod plane;
mod render;
mod ridge;
mod ridge_error;
mod ridge_grid;
mod ridge_map;
mod rle;
mod sample;
mod scan;
mod shapes;
mod shapes_outline;
mod shapes_section;
mod shapes_view;
mod syntax;
mod zip_file;

pub use decimal::decimal_string;
pub use demo::{DemoJaw, demo_jaw};
pub use demo_truth::{DemoNeighbour, DemoTruth, DemoWidth};
pub use dicomdir::{write_dicomdir, write_dicomdir_with};
pub use error::PhantomError;
pub use functional_groups::{FunctionalGroups, FunctionalMacro, Placement};
pub use jpeg_lossless::{JpegLossless, encode_jpeg_lossless};
pub use multi_frame::{MultiFrameKind, write_multi_frame};
pub use nifti::{NiftiOptions, write_nifti};
pub use nrrd::{NrrdEncoding, NrrdOptions, NrrdSpace, write_nrrd};
pub use options::ScanOptions;
pub use p0::{
    P0_DIMS, P0_HEIGHT_MM, P0_PITCH_MM, P0_SUPERSAMPLE, P0_THRESHOLD, P0_WIDTH_MM, p0, p0_geometry,
    p0_grey, p0_marker, p0_on, p0_rescale,
};
pub use plain_values::ValueType;
pub use render::{Noise, render};
pub use ridge::{CortexShares, Greys, Ridge, RidgeLook};
pub use ridge_error::RidgeError;
pub use ridge_grid::GridOptions;
pub use rle::encode_rle;
pub use sample::{Storage, sample_shape, sample_shape_as};
pub use scan::write_scan;
pub use shapes::Profile;
pub use shapes_section::{Canal, Cortex, CrossSection, SoftTissue};
pub use shapes_view::{PlateSide, SectionView};
pub use syntax::{Fragments, OffsetTable, ScanSyntax};
pub use zip_file::{ZipMethod, write_zip, write_zip_entries};
