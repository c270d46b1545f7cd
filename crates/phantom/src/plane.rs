use dicom_core::PrimitiveValue;
use jawgauge_space::{Affine, VoxelCoord};
use jawgauge_volume::Volume;

use crate::{PhantomError, decimal_string};

/// How far rows and columns may be from perpendicular, degrees: rounding of an affine.
const PERPENDICULAR_DEG: f64 = 1e-6;

/// What all slices of a scan share.
pub(crate) struct Plane {
    pub(crate) columns: u16,
    pub(crate) rows: u16,
    pub(crate) orientation: PrimitiveValue,
    pub(crate) spacing: PrimitiveValue,
    pub(crate) square: Square,
}

/// How a grid's slices are stacked, where its rows and columns are perpendicular.
#[derive(Clone, Copy)]
pub(crate) struct Square {
    /// Distance of slices along the normal, negative where they run against it, mm.
    pub(crate) pitch_mm: f64,
    /// Angle of the step between slices and the normal, 0 to 90 degrees.
    pub(crate) shear_deg: f64,
}

impl Square {
    /// Whether the step between slices runs along the normal.
    pub(crate) fn is_straight(self) -> bool {
        self.shear_deg <= PERPENDICULAR_DEG
    }
}

/// # Errors
///
/// [`PhantomError::NotPerpendicular`].
pub(crate) fn check_square(affine: &Affine) -> Result<Square, PhantomError> {
    let steps = affine.steps();
    let (along_row, down_column) = (steps[0].direction()?, steps[1].direction()?);
    let angle_deg = along_row.angle_deg(down_column);
    if !((angle_deg - 90.0).abs() <= PERPENDICULAR_DEG) {
        return Err(PhantomError::NotPerpendicular { angle_deg });
    }
    let normal = along_row.as_vector().cross(down_column.as_vector());
    let to_normal_deg = normal.direction()?.angle_deg(steps[2].direction()?);
    Ok(Square {
        pitch_mm: normal.dot(steps[2]),
        shear_deg: to_normal_deg.min(180.0 - to_normal_deg),
    })
}

impl Plane {
    /// # Errors
    ///
    /// [`PhantomError::NotPerpendicular`], [`PhantomError::TooLarge`], and
    /// [`PhantomError::PartOfGrid`] where voxels are not at hand.
    pub(crate) fn of(volume: &Volume) -> Result<Self, PhantomError> {
        let geometry = volume.geometry();
        let [columns, rows, _] = geometry.dims();
        whole(volume)?;
        let too_large = PhantomError::TooLarge { columns, rows };
        let (Ok(columns), Ok(rows)) = (u16::try_from(columns), u16::try_from(rows)) else {
            return Err(too_large);
        };
        let square = check_square(geometry.affine())?;
        let steps = geometry.affine().steps();
        let (along_row, down_column) = (steps[0].direction()?, steps[1].direction()?);
        let [ax, ay, az] = along_row.to_array();
        let [dx, dy, dz] = down_column.to_array();
        Ok(Self {
            columns,
            rows,
            orientation: decimals(&[ax, ay, az, dx, dy, dz]),
            // Row spacing first: DICOM PS3.3 section 10.7.1.3.
            spacing: decimals(&[steps[1].length_mm(), steps[0].length_mm()]),
            square,
        })
    }

    /// Slice Thickness: the distance of slices without its sign.
    pub(crate) fn thickness(&self) -> String {
        decimal_string(self.square.pitch_mm.abs())
    }
}

/// Refuses a volume of which only a part is at hand.
pub(crate) fn whole(volume: &Volume) -> Result<(), PhantomError> {
    let (expected, found) = (volume.geometry().dims(), volume.part().size);
    if expected == found { Ok(()) } else { Err(PhantomError::PartOfGrid { expected, found }) }
}

/// Image Position of slice `k`: the centre of its first voxel.
pub(crate) fn position(volume: &Volume, k: usize) -> PrimitiveValue {
    let first = VoxelCoord::new(0.0, 0.0, k as f64);
    decimals(&volume.geometry().affine().patient_from_voxel(first).to_array())
}

pub(crate) fn decimals(values: &[f64]) -> PrimitiveValue {
    PrimitiveValue::Strs(values.iter().map(|&v| decimal_string(v)).collect())
}
