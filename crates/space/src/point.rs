use std::ops::{Add, Mul, Neg, Sub};

use nalgebra::{Point3, Unit, Vector3};

use crate::SpaceError;

/// Shortest vector that is taken to have a direction, mm: far below any voxel,
/// far above rounding of coordinates of a metre.
const SHORTEST_DIRECTION_MM: f64 = 1e-9;

/// A place in the patient: LPS millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PatientPoint(Point3<f64>);

/// A displacement in the patient: LPS millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PatientVector(Vector3<f64>);

/// A direction in the patient: a unit vector in LPS axes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PatientDir(Unit<Vector3<f64>>);

/// A place in voxel space; whole numbers are voxel centres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VoxelCoord {
    /// Along a row of the image (column number).
    pub i: f64,
    /// Down a column of the image (row number).
    pub j: f64,
    /// From slice to slice.
    pub k: f64,
}

impl VoxelCoord {
    /// A place in voxel space.
    #[must_use]
    pub fn new(i: f64, j: f64, k: f64) -> Self {
        Self { i, j, k }
    }

    /// `[i, j, k]`.
    #[must_use]
    pub fn to_array(self) -> [f64; 3] {
        [self.i, self.j, self.k]
    }
}

impl PatientPoint {
    /// A place at `x`, `y`, `z` millimetres, LPS.
    #[must_use]
    pub fn new(x: f64, y: f64, z: f64) -> Self {
        Self(Point3::new(x, y, z))
    }

    /// `[x, y, z]` in LPS millimetres.
    #[must_use]
    pub fn to_array(self) -> [f64; 3] {
        [self.0.x, self.0.y, self.0.z]
    }

    /// Whether every coordinate is finite.
    #[must_use]
    pub fn is_finite(self) -> bool {
        self.to_array().iter().all(|c| c.is_finite())
    }

    /// Distance to `other`, mm.
    #[must_use]
    pub fn distance_mm(self, other: Self) -> f64 {
        (self.0 - other.0).norm()
    }

    /// The place a share `t` of the way to `other` (0 = here, 1 = there).
    #[must_use]
    pub fn toward(self, other: Self, t: f64) -> Self {
        self + (other - self) * t
    }

    pub(crate) fn coords(self) -> Vector3<f64> {
        self.0.coords
    }

    pub(crate) fn from_coords(coords: Vector3<f64>) -> Self {
        Self(Point3::from(coords))
    }
}

impl From<[f64; 3]> for PatientPoint {
    fn from([x, y, z]: [f64; 3]) -> Self {
        Self::new(x, y, z)
    }
}

impl PatientVector {
    /// A displacement of `x`, `y`, `z` millimetres, LPS.
    #[must_use]
    pub fn new(x: f64, y: f64, z: f64) -> Self {
        Self(Vector3::new(x, y, z))
    }

    /// `[x, y, z]` in LPS millimetres.
    #[must_use]
    pub fn to_array(self) -> [f64; 3] {
        [self.0.x, self.0.y, self.0.z]
    }

    /// Length, mm.
    #[must_use]
    pub fn length_mm(self) -> f64 {
        self.0.norm()
    }

    /// Scalar product.
    #[must_use]
    pub fn dot(self, other: Self) -> f64 {
        self.0.dot(&other.0)
    }

    /// Vector product.
    #[must_use]
    pub fn cross(self, other: Self) -> Self {
        Self(self.0.cross(&other.0))
    }

    /// The part of this vector that is perpendicular to `dir`.
    #[must_use]
    pub fn perpendicular_to(self, dir: PatientDir) -> Self {
        self - dir.as_vector() * self.dot(dir.as_vector())
    }

    /// The direction of this vector.
    ///
    /// # Errors
    ///
    /// [`SpaceError::NoDirection`] where it is shorter than 1e-9 mm or not finite.
    pub fn direction(self) -> Result<PatientDir, SpaceError> {
        let length_mm = self.length_mm();
        if length_mm > SHORTEST_DIRECTION_MM && length_mm.is_finite() {
            Ok(PatientDir(Unit::new_normalize(self.0)))
        } else {
            Err(SpaceError::NoDirection { length_mm, needed_mm: SHORTEST_DIRECTION_MM })
        }
    }

    pub(crate) fn inner(self) -> Vector3<f64> {
        self.0
    }

    pub(crate) fn from_inner(inner: Vector3<f64>) -> Self {
        Self(inner)
    }
}

impl From<[f64; 3]> for PatientVector {
    fn from([x, y, z]: [f64; 3]) -> Self {
        Self::new(x, y, z)
    }
}

impl PatientDir {
    /// +x: to the patient's left.
    #[must_use]
    pub fn left() -> Self {
        Self(Vector3::x_axis())
    }

    /// +y: to the patient's back.
    #[must_use]
    pub fn posterior() -> Self {
        Self(Vector3::y_axis())
    }

    /// +z: to the patient's head.
    #[must_use]
    pub fn superior() -> Self {
        Self(Vector3::z_axis())
    }

    /// The direction as a vector of length 1.
    #[must_use]
    pub fn as_vector(self) -> PatientVector {
        PatientVector(self.0.into_inner())
    }

    /// `[x, y, z]` of the unit vector.
    #[must_use]
    pub fn to_array(self) -> [f64; 3] {
        self.as_vector().to_array()
    }

    /// Cosine of the angle to `other`.
    #[must_use]
    pub fn dot(self, other: Self) -> f64 {
        self.0.dot(&other.0)
    }

    /// The angle to `other`, degrees, 0 to 180.
    ///
    /// By `atan2(|a x b|, a . b)`, which stays exact for small angles where `acos` does not.
    ///
    /// # Examples
    ///
    /// ```
    /// use jawgauge_space::PatientVector;
    /// let a = PatientVector::new(1.0, 0.0, 0.0).direction()?;
    /// let b = PatientVector::new(1.0, 1.0, 0.0).direction()?;
    /// assert!((a.angle_deg(b) - 45.0).abs() < 1e-12);
    /// # Ok::<(), jawgauge_space::SpaceError>(())
    /// ```
    #[must_use]
    pub fn angle_deg(self, other: Self) -> f64 {
        self.0.cross(&other.0).norm().atan2(self.dot(other)).to_degrees()
    }
}

impl Neg for PatientDir {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

impl Neg for PatientVector {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

impl Sub for PatientPoint {
    type Output = PatientVector;
    fn sub(self, other: Self) -> PatientVector {
        PatientVector(self.0 - other.0)
    }
}

impl Add<PatientVector> for PatientPoint {
    type Output = Self;
    fn add(self, by: PatientVector) -> Self {
        Self(self.0 + by.0)
    }
}

impl Sub<PatientVector> for PatientPoint {
    type Output = Self;
    fn sub(self, by: PatientVector) -> Self {
        Self(self.0 - by.0)
    }
}

impl Add for PatientVector {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl Sub for PatientVector {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl Mul<f64> for PatientVector {
    type Output = Self;
    fn mul(self, by: f64) -> Self {
        Self(self.0 * by)
    }
}

impl Mul<f64> for PatientDir {
    type Output = PatientVector;
    fn mul(self, by: f64) -> PatientVector {
        self.as_vector() * by
    }
}
