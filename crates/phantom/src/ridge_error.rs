use jawgauge_space::SpaceError;
use jawgauge_volume::VolumeError;

use crate::PhantomError;

/// Why an analytic ridge could not be built or rendered.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RidgeError {
    /// A length is not finite or out of its range.
    #[error("{what} of {value_mm} mm must lie between {low_mm} and {high_mm} mm")]
    Length {
        /// Which length.
        what: &'static str,
        /// Its value.
        value_mm: f64,
        /// Lowest accepted value.
        low_mm: f64,
        /// Highest accepted value.
        high_mm: f64,
    },
    /// An angle is not finite or out of its range.
    #[error("{what} of {value_deg} degrees must lie between {low_deg} and {high_deg} degrees")]
    Angle {
        /// Which angle.
        what: &'static str,
        /// Its value.
        value_deg: f64,
        /// Lowest accepted value.
        low_deg: f64,
        /// Highest accepted value.
        high_deg: f64,
    },
    /// The walls of a profile would bend inwards.
    #[error(
        "the wall opens by {upper_slope:.4} above the shoulder and by {lower_slope:.4} below: \
         it must not open more below"
    )]
    Hollow {
        /// Growth of the radius per millimetre of depth above the shoulder.
        upper_slope: f64,
        /// The same below.
        lower_slope: f64,
    },
    /// The cortex leaves no marrow.
    #[error("a cortex of {thickness_mm} mm leaves no marrow in this profile")]
    NoMarrow {
        /// The thickness that fills the profile.
        thickness_mm: f64,
    },
    /// The canal reaches out of the marrow.
    #[error("the canal keeps {clearance_mm:.3} mm to the cortex, it needs more than 0")]
    CanalOutsideMarrow {
        /// Distance from the canal's wall to the cortex, negative where they overlap.
        clearance_mm: f64,
    },
    /// A finite number was asked for.
    #[error("{what} is not a finite number")]
    NotFinite {
        /// Which number.
        what: &'static str,
    },
    /// A grey value does not fit, or a volume could not be put together.
    #[error(transparent)]
    Phantom(#[from] PhantomError),
    /// The grid or volume is unusable.
    #[error(transparent)]
    Volume(#[from] VolumeError),
    /// A direction or a frame could not be built.
    #[error(transparent)]
    Space(#[from] SpaceError),
}

/// `value_mm` where it lies in `low_mm..=high_mm`; NaN does not.
pub(crate) fn length_in(
    what: &'static str,
    value_mm: f64,
    low_mm: f64,
    high_mm: f64,
) -> Result<f64, RidgeError> {
    if value_mm >= low_mm && value_mm <= high_mm {
        Ok(value_mm)
    } else {
        Err(RidgeError::Length { what, value_mm, low_mm, high_mm })
    }
}

/// `value_deg` where it lies in `low_deg..=high_deg`; NaN does not.
pub(crate) fn angle_in(
    what: &'static str,
    value_deg: f64,
    low_deg: f64,
    high_deg: f64,
) -> Result<f64, RidgeError> {
    if value_deg >= low_deg && value_deg <= high_deg {
        Ok(value_deg)
    } else {
        Err(RidgeError::Angle { what, value_deg, low_deg, high_deg })
    }
}
