//! Bone outline in a section, widths, heights and their uncertainty.
//!
//! [`measure_site`] cuts a section, finds the grey value half-way between the soft tissue and
//! the cortex, outlines the piece of bone that belongs to the site, finds the ridge's own long
//! axis, and measures widths at levels, the bone's height, and heights to limits.
//!
//! # Limits
//!
//! The edge of bone is where a blurred wall of one cortex, with one level outside and one inside, fits
//! the voxels best; at corners, beside metal and where no such wall fits, it is where the grey value
//! passes half-way between soft tissue and cortex. What the scan does not show (gum shadow, movement,
//! the observer's placing of points) is in no figure here.

pub mod gum;

mod contour;
mod crest;
mod cut_off;
mod edge_sources;
mod error;
mod height;
mod levels;
mod limit;
mod limit_plane;
mod long_axis;
mod measure;
mod outline;
mod pocket;
mod profile;
mod runs;
mod scan_blur;
mod section_bone;
mod section_query;
mod smooth;
mod surface;
mod survey;
mod threshold;
mod tip;
mod uncertainty;
mod wall;
mod width;

pub use contour::{Contour, contours};
pub use cut_off::CutOff;
pub use error::{BoneError, BoneWarning, Unmeasured};
pub use levels::GreyLevels;
pub use limit::{Limit, LimitForm, LimitHeight, LimitKind};
pub use limit_plane::LimitPlane;
pub use measure::{MeasureOptions, SiteMeasure, measure_site};
pub use outline::{Clip, Outline};
pub use runs::{Run, RunEnd};
pub use scan_blur::{ScanBlur, StepKind, survey_blur};
pub use section_bone::{LongAxis, SectionBone, SectionOptions, outline_section, section_reach};
pub use surface::{BoneSurface, Facing, Likely, OrientedBox, SurfaceError, SurfacePlace};
pub use survey::{GreySurvey, Landmark, NoLandmark, survey_greys};
pub use threshold::{Threshold, ThresholdFound, ThresholdSource};
pub use uncertainty::{EdgeQuality, Measured, u95_of_marked_place};
pub use wall::{Blur, BlurSource, Plate, RidgeDirection};
pub use width::Width;

#[cfg(test)]
mod tests;
