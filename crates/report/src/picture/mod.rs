//! Pictures: one plate for each site, and a locator of all sites of a jaw.
//!
//! [`draw_plate`] shows a section with what was measured in it and the fixture that stands in
//! it; [`draw_locator`] shows where along the ridge the sections lie. Both give a [`Drawing`]:
//! one SVG text, from which the PNG is made, so that the two cannot differ. The fonts are
//! compiled in and every number has a fixed count of decimals: the same input gives the same
//! bytes.
//!
//! Colours are those of Okabe M, Ito K. Color Universal Design (2008), which people with any
//! kind of colour vision can tell apart (values from memory); nothing is told by colour alone.
//!
//! # Limits
//!
//! A picture has no scale of its own once printed or shown: lengths are told by its scale bar.
//! What lies in front of or behind the section is not shown.

mod canvas;
mod column;
mod drawing;
mod fixture_mark;
mod font;
mod grey;
mod iso;
mod key;
mod layout;
mod locator;
mod locator_marks;
mod panel;
mod plate;
mod plate_marks;
mod section_marks;
mod view;
mod wall_map;
mod words;

pub use drawing::Drawing;
pub use locator::{LocatorInput, LocatorSite, draw_locator};
pub use plate::{PlateInput, draw_plate};
pub use wall_map::{WallMapInput, draw_wall_map};
pub use words::limit_name;

/// Which jaw.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Arch {
    /// The upper jaw.
    Maxilla,
    /// The lower jaw.
    Mandible,
}

impl Arch {
    /// The word for it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Maxilla => "maxilla",
            Self::Mandible => "mandible",
        }
    }
}

/// Why a picture could not be drawn.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PictureError {
    /// The plane of the picture could not be resampled.
    #[error("the picture's plane cannot be resampled: {0}")]
    Section(#[from] jawgauge_section::SectionError),
    /// The axes of the picture's plane could not be made.
    #[error("the picture's plane cannot be made: {0}")]
    Space(#[from] jawgauge_space::SpaceError),
    /// Nothing of what is to be shown was scanned.
    #[error("nothing of the picture's plane was scanned")]
    NothingScanned,
    /// What is to be shown is too large for one picture.
    #[error("a picture of {width_mm:.0} x {height_mm:.0} mm cannot be drawn")]
    Extent {
        /// Width, mm.
        width_mm: f64,
        /// Height, mm.
        height_mm: f64,
    },
    /// The PNG could not be written.
    #[error("the picture cannot be written as PNG: {0}")]
    Png(String),
    /// The SVG could not be turned into pixels.
    #[error("the picture cannot be turned into pixels: {0}")]
    Raster(String),
}
