//! Walls of bone: their surface, thickness and grey level out of one fit.
//!
//! Around a place of the outline the voxels are ordered by their depth below the surface, along
//! its true normal in space, and a wall is fitted to them: a level outside, the cortex, a level
//! inside, each constant, blurred by a Gaussian. The blur is measured first, from edges of thick
//! cortex, and held. The cortex of each wall is free, but for a prior: that of the same scan's
//! thick cortex, give or take the spread that walls have.
//!
//! # Source
//!
//! The piecewise constant wall is that of Treece GM et al. Med Image Anal 2010;14:276-290, who
//! hold the cortex at one value and leave the blur free; here it is the other way round.
//!
//! # Limits
//!
//! One cortex with one level inside it: a wall with a canal or a root in it is none.

mod blur;
mod direction;
mod faces;
mod fitting;
mod moved;
mod normal;
mod patch;
mod plate;
mod robust;
mod rounded;
mod slab;
mod survey;

pub use blur::{Blur, BlurSource};
pub use direction::RidgeDirection;
pub(crate) use faces::{Place, Smoothness};
pub(crate) use patch::Face;
pub use plate::Plate;
pub(crate) use plate::measure_plates;
pub(crate) use survey::{Start, WallSurvey, survey_walls};

#[cfg(test)]
mod tests;
