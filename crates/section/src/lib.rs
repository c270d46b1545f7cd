//! Ridge axis, oblique section planes and resampled section images.
//!
//! A [`RidgeAxis`] is a smooth curve through the points that the user gave along the crest
//! of the jaw. At each of its stations [`section_frame`] makes the axes of a section, and
//! [`SectionImage::resample`] reads the scan on that plane.
//!
//! # Limits
//!
//! The curve is as good as its points: nothing here looks at the bone. Cheek and tongue
//! side come from a point that the user gave or from the curve's own bend.

mod axis;
mod frame;
mod image;
mod spline;

pub use axis::{AxisPlace, RidgeAxis};
pub use frame::{PatientSide, SideSource, SiteFrame, section_frame};
pub use image::{Interpolation, SectionImage, SectionWindow};

use jawgauge_space::SpaceError;

/// Why an axis, a frame or a section could not be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SectionError {
    /// Fewer than two points.
    #[error("a ridge axis needs two or more points, {found} given")]
    TooFewPoints {
        /// Points given.
        found: usize,
    },
    /// A coordinate is NaN or infinite.
    #[error("point {index} of the ridge axis is not finite")]
    NotFinite {
        /// Number of the point, from 1.
        index: usize,
    },
    /// Two successive points coincide.
    #[error("points {index} and {} of the ridge axis are {distance_mm:.4} mm apart; give each place once", index + 1)]
    Duplicate {
        /// Number of the first of the two, from 1.
        index: usize,
        /// Their distance, mm.
        distance_mm: f64,
    },
    /// A station beyond the ends of the axis.
    #[error(
        "station {station_mm:.2} mm is not on the ridge axis, which runs from 0 to {length_mm:.2} mm"
    )]
    OffAxis {
        /// Station asked for, mm.
        station_mm: f64,
        /// Length of the axis, mm.
        length_mm: f64,
    },
    /// A point that lies beyond an end of the axis, so that its section would be elsewhere.
    #[error(
        "the point lies {beyond_mm:.2} mm beyond the end of the ridge axis; extend the axis past it"
    )]
    BeyondEnd {
        /// How far, mm.
        beyond_mm: f64,
    },
    /// Cheek and tongue side cannot be told apart.
    #[error(
        "the ridge axis is too straight to tell the tongue's side from the cheek's (it bends {bend_mm:.2} mm over {chord_mm:.1} mm); give `lingual_side`"
    )]
    SideUnknown {
        /// Largest distance of the axis from its chord, mm.
        bend_mm: f64,
        /// Length of the chord, mm.
        chord_mm: f64,
    },
    /// The lingual point lies in line with the axis.
    #[error(
        "`lingual_side` lies {off_mm:.2} mm beside the ridge axis at this station, in line with it; give a point clearly on the tongue's side"
    )]
    SideInLine {
        /// Distance beside the axis, mm.
        off_mm: f64,
    },
    /// The axes of a section could not be made.
    #[error("the section's axes cannot be made: {0}")]
    Frame(#[from] SpaceError),
    /// The window or step of a section image is not usable.
    #[error("a section image of {columns} x {rows} samples at {step_mm} mm cannot be made")]
    Window {
        /// Samples across.
        columns: usize,
        /// Samples down.
        rows: usize,
        /// Distance of samples, mm.
        step_mm: f64,
    },
}

#[cfg(test)]
mod tests;
