use jawgauge_space::{Affine, PatientPoint, PatientVector};
use jawgauge_volume::{Rescale, Volume, VolumeGeometry};

use crate::{PhantomError, sample_shape};

/// True width of the ridge of [`p0`] at every level, mm.
pub const P0_WIDTH_MM: f64 = 6.0;
/// True height of the ridge of [`p0`], mm.
pub const P0_HEIGHT_MM: f64 = 12.0;
/// Grey value half way between the bone and the soft tissue of [`p0`].
pub const P0_THRESHOLD: f64 = 630.0;
/// Places each way within a voxel over which [`p0`] is averaged.
pub const P0_SUPERSAMPLE: usize = 4;
/// Columns, rows, slices of [`p0`]: all different, so that exchanged axes show.
pub const P0_DIMS: [usize; 3] = [120, 100, 80];
/// Voxel pitch of [`p0`] each way, mm.
pub const P0_PITCH_MM: f64 = 0.3;

const AIR: f64 = -1000.0;
const SOFT_TISSUE: f64 = 60.0;
const BONE: f64 = 1200.0;
const MARKER: f64 = 2500.0;
const MARKER_RADIUS_MM: f64 = 1.0;

/// Centre of the marker ball of [`p0`]: to the patient's left, front and head.
#[must_use]
pub fn p0_marker() -> PatientPoint {
    PatientPoint::new(6.0, -8.0, 6.0)
}

/// Grey value of the base phantom at a place.
///
/// A straight bone box, x from -3 to 3, y from -10 to 10 and z from -9 (base) to 3
/// (crest) mm, in a soft-tissue box of 24 x 26 x 21 mm about the origin, in air; with a
/// dense ball of radius 1 mm about [`p0_marker`] that tells left, front and head apart.
///
/// # Examples
///
/// ```
/// use jawgauge_phantom::{p0_grey, p0_marker};
/// use jawgauge_space::PatientPoint;
/// assert_eq!(p0_grey(PatientPoint::new(2.9, 0.0, 0.0)), 1200.0);
/// assert_eq!(p0_grey(PatientPoint::new(3.1, 0.0, 0.0)), 60.0);
/// assert_eq!(p0_grey(PatientPoint::new(3.1, 0.0, 11.0)), -1000.0);
/// assert_eq!(p0_grey(p0_marker()), 2500.0);
/// ```
#[must_use]
pub fn p0_grey(point: PatientPoint) -> f64 {
    let [x, y, z] = point.to_array();
    if point.distance_mm(p0_marker()) <= MARKER_RADIUS_MM {
        MARKER
    } else if x.abs() <= 3.0 && y.abs() <= 10.0 && (-9.0..=3.0).contains(&z) {
        BONE
    } else if x.abs() <= 12.0 && y.abs() <= 13.0 && z.abs() <= 10.5 {
        SOFT_TISSUE
    } else {
        AIR
    }
}

/// Slope 1, intercept -1000: air is stored as 0.
#[must_use]
pub fn p0_rescale() -> Rescale {
    Rescale { slope: 1.0, intercept: AIR }
}

/// The grid of the base phantom: columns to the left, rows to the back, slices to the
/// head, 0.3 mm apart, symmetric about the origin.
///
/// # Panics
///
/// Never: the numbers are fixed.
#[must_use]
pub fn p0_geometry() -> VolumeGeometry {
    let affine = Affine::new(
        PatientPoint::new(-17.85, -14.85, -11.85),
        [
            PatientVector::new(P0_PITCH_MM, 0.0, 0.0),
            PatientVector::new(0.0, P0_PITCH_MM, 0.0),
            PatientVector::new(0.0, 0.0, P0_PITCH_MM),
        ],
    )
    .expect("fixed steps span space");
    VolumeGeometry::new(P0_DIMS, affine).expect("fixed dimensions")
}

/// The base phantom on its own grid; see [`p0_grey`].
///
/// # Panics
///
/// Never: the numbers are fixed.
#[must_use]
pub fn p0() -> Volume {
    p0_on(p0_geometry()).expect("its grey values fit into 16 bits")
}

/// The base phantom on another grid: the same anatomy, stored in another way.
///
/// # Errors
///
/// Those of [`sample_shape`].
pub fn p0_on(geometry: VolumeGeometry) -> Result<Volume, PhantomError> {
    sample_shape(geometry, p0_rescale(), p0_grey, P0_SUPERSAMPLE)
}
