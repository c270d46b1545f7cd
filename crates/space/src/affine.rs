use nalgebra::{Matrix3, Vector3};

use crate::{PatientPoint, PatientVector, SpaceError, VoxelCoord};

/// The smallest volume of a voxel that is taken to be one, mm3: a cube of 0.001 mm.
const SMALLEST_VOXEL_MM3: f64 = 1e-9;

/// The map from voxel space to patient space, invertible once built.
///
/// Whole voxel coordinates map to voxel centres. The three columns are the steps
/// from one voxel to the next along `i`, `j` and `k`; they need not be perpendicular,
/// so that a sheared stack of slices (gantry tilt) is mapped as it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Affine {
    linear: Matrix3<f64>,
    inverse: Matrix3<f64>,
    origin: Vector3<f64>,
}

impl Affine {
    /// The map with the centre of voxel (0, 0, 0) at `origin` and the given voxel steps, mm.
    ///
    /// # Errors
    ///
    /// [`SpaceError::NotFinite`] for a NaN or infinite number, [`SpaceError::Singular`]
    /// where the steps span less than 1e-9 mm3.
    ///
    /// # Examples
    ///
    /// ```
    /// use jawgauge_space::{Affine, PatientPoint, PatientVector, VoxelCoord};
    /// let map = Affine::new(
    ///     PatientPoint::new(-10.0, 0.0, 5.0),
    ///     [
    ///         PatientVector::new(0.3, 0.0, 0.0),
    ///         PatientVector::new(0.0, 0.3, 0.0),
    ///         PatientVector::new(0.0, 0.1, 0.5),
    ///     ],
    /// )?;
    /// let p = map.patient_from_voxel(VoxelCoord::new(10.0, 0.0, 2.0));
    /// assert!(p.distance_mm(PatientPoint::new(-7.0, 0.2, 6.0)) < 1e-12);
    /// assert!((map.voxel_from_patient(p).i - 10.0).abs() < 1e-12);
    /// # Ok::<(), jawgauge_space::SpaceError>(())
    /// ```
    pub fn new(origin: PatientPoint, steps: [PatientVector; 3]) -> Result<Self, SpaceError> {
        let linear = Matrix3::from_columns(&steps.map(PatientVector::inner));
        if !origin.is_finite() || linear.iter().any(|c| !c.is_finite()) {
            return Err(SpaceError::NotFinite);
        }
        let determinant = linear.determinant();
        match linear.try_inverse() {
            Some(inverse) if determinant.abs() >= SMALLEST_VOXEL_MM3 => {
                Ok(Self { linear, inverse, origin: origin.coords() })
            }
            _ => Err(SpaceError::Singular { determinant }),
        }
    }

    /// Where a place in voxel space lies in the patient.
    #[must_use]
    pub fn patient_from_voxel(&self, voxel: VoxelCoord) -> PatientPoint {
        PatientPoint::from_coords(self.linear * Vector3::from(voxel.to_array()) + self.origin)
    }

    /// Where a place in the patient lies in voxel space.
    #[must_use]
    pub fn voxel_from_patient(&self, point: PatientPoint) -> VoxelCoord {
        let v = self.inverse * (point.coords() - self.origin);
        VoxelCoord::new(v.x, v.y, v.z)
    }

    /// How far a displacement in the patient reaches in voxel space, `[di, dj, dk]`.
    #[must_use]
    pub fn voxel_step(&self, by: PatientVector) -> [f64; 3] {
        let v = self.inverse * by.inner();
        [v.x, v.y, v.z]
    }

    /// The steps in the patient from one voxel to the next along `i`, `j`, `k`.
    #[must_use]
    pub fn steps(&self) -> [PatientVector; 3] {
        [0, 1, 2].map(|c| PatientVector::from_inner(self.linear.column(c).into_owned()))
    }

    /// Lengths of the steps, mm.
    #[must_use]
    pub fn spacing_mm(&self) -> [f64; 3] {
        self.steps().map(PatientVector::length_mm)
    }

    /// Volume of a voxel, mm3.
    #[must_use]
    pub fn voxel_volume_mm3(&self) -> f64 {
        self.linear.determinant().abs()
    }

    /// The map as a 4 x 4 matrix, rows first: (i, j, k, 1) to LPS millimetres.
    #[must_use]
    pub fn to_rows(&self) -> [[f64; 4]; 4] {
        std::array::from_fn(|r| match r {
            3 => [0.0, 0.0, 0.0, 1.0],
            r => std::array::from_fn(|c| if c < 3 { self.linear[(r, c)] } else { self.origin[r] }),
        })
    }
}
