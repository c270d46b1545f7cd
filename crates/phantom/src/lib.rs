//! Analytic jaws with known answers, written as scans.
//!
//! [`p0`] is the base phantom, a box of bone; [`Ridge`] a ridge with cortex, marrow and blur whose
//! widths and heights have closed forms; [`demo_jaw`] the jaw of the demonstration. [`render`]
//! scans any of them with noise, [`sample_shape`] samples any analytic shape on any grid, and
//! [`write_scan`] writes a volume as a folder of DICOM slices, whole or with faults.
//!
//! # Limits
//!
//! Blur is Gaussian and noise is white; scatter, beam hardening, metal streaks and movement are
//! not simulated.

mod decimal;
mod demo;
mod demo_teeth;
mod demo_truth;
mod error;
mod options;
mod p0;
mod render;
mod ridge;
mod ridge_error;
mod ridge_grid;
mod ridge_map;
mod sample;
mod scan;
mod shapes;
mod shapes_outline;
mod shapes_section;
mod shapes_view;

pub use decimal::decimal_string;
pub use demo::{DemoJaw, demo_jaw};
pub use demo_truth::{DemoNeighbour, DemoTruth, DemoWidth};
pub use error::PhantomError;
pub use options::{ScanOptions, ScanSyntax};
pub use p0::{
    P0_DIMS, P0_HEIGHT_MM, P0_PITCH_MM, P0_SUPERSAMPLE, P0_THRESHOLD, P0_WIDTH_MM, p0, p0_geometry,
    p0_grey, p0_marker, p0_on, p0_rescale,
};
pub use render::{Noise, render};
pub use ridge::{Greys, Ridge, RidgeLook};
pub use ridge_error::RidgeError;
pub use ridge_grid::GridOptions;
pub use sample::{Storage, sample_shape, sample_shape_as};
pub use scan::write_scan;
pub use shapes::Profile;
pub use shapes_section::{Canal, Cortex, CrossSection, SoftTissue};
pub use shapes_view::{PlateSide, SectionView};
