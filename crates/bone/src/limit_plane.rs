//! A limit that is marked as a surface: a floor, beyond which all must be kept clear of.

use jawgauge_space::{PatientDir, PatientPoint, PatientVector};
use nalgebra::{Matrix3, Vector3};

use crate::error::Unmeasured;
use crate::limit::{Limit, LimitForm};
use crate::uncertainty::u95_of_marked_place;

/// Marks whose spread across their longest extent is less than this (standard deviation, mm) lie in one line
/// for what a hand can mark.
const IN_LINE_MM: f64 = 0.3;
/// A surface that turns further than this from square to the apical direction has no height, degrees.
const STEEPEST_DEG: f64 = 75.0;
/// Marks further than this from where the surface is needed, mm, say nothing certain of it.
const FARTHEST_MARK_MM: f64 = 10.0;
/// A place of the surface that its marks leave less certain than this (expanded, mm) is not told: as much as
/// is kept from a floor by default.
pub(crate) const MOST_U95_MM: f64 = 1.0;

/// A plane laid at the marks of a surface.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitPlane {
    /// A point of it.
    pub at: PatientPoint,
    /// Square to it, away from the mouth.
    pub into: PatientDir,
    /// How far beyond it the deepest mark lies, mm: how bent the surface is.
    pub bent_mm: f64,
    /// The middle of the marks.
    middle: PatientPoint,
    /// The directions in the plane along which the marks spread most and least.
    along: [PatientDir; 2],
    /// How far they spread along them, standard deviation, mm.
    spread_mm: [f64; 2],
    /// How many they are.
    count: f64,
}

impl Limit {
    /// The plane of a limit that is marked as a surface; `None` of a line, and of marks in one line.
    ///
    /// The plane is the one that the marks miss least (least squares), moved towards the mouth until none
    /// of them lies on the mouth's side of it: a fixture that keeps clear of it keeps clear of all marks.
    ///
    /// # Limits
    ///
    /// A floor that dips towards the mouth between the marks is not seen.
    ///
    /// # Examples
    ///
    /// ```
    /// use jawgauge_bone::{Limit, LimitForm, LimitKind};
    /// use jawgauge_space::{PatientDir, PatientPoint};
    /// let at = |x: f64, y: f64, z: f64| PatientPoint::new(x, y, z);
    /// let floor = Limit {
    ///     kind: LimitKind::SinusFloor,
    ///     form: LimitForm::Surface,
    ///     points: vec![
    ///         at(-4.0, -4.0, 10.0),
    ///         at(4.0, -4.0, 10.0),
    ///         at(-4.0, 4.0, 10.0),
    ///         at(4.0, 4.0, 10.0),
    ///         at(0.0, 0.0, 12.5),
    ///     ],
    ///     keep_mm: 1.0,
    /// };
    /// // Level for its symmetry, least squares at 10.5; moved to 10, 2.5 mm from the deepest mark.
    /// let plane = floor.plane(PatientDir::superior()).ok_or("in one line")?;
    /// assert!((plane.into.dot(PatientDir::superior()) - 1.0).abs() < 1e-12);
    /// assert!((plane.at.to_array()[2] - 10.0).abs() < 1e-12);
    /// assert!((plane.bent_mm - 2.5).abs() < 1e-12);
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    #[must_use]
    pub fn plane(&self, apical: PatientDir) -> Option<LimitPlane> {
        if self.form != LimitForm::Surface || self.points.len() < 3 {
            return None;
        }
        let count = f64::from(u32::try_from(self.points.len()).ok()?);
        let places: Vec<Vector3<f64>> =
            self.points.iter().map(|p| Vector3::from(p.to_array())).collect();
        let middle = places.iter().sum::<Vector3<f64>>() / count;
        let mut spread = Matrix3::zeros();
        for place in &places {
            let off = place - middle;
            spread += off * off.transpose() / count;
        }
        let eigen = spread.symmetric_eigen();
        let mut order = [0, 1, 2];
        order.sort_by(|a, b| eigen.eigenvalues[*a].total_cmp(&eigen.eigenvalues[*b]));
        // Three marks in a line, or at one place, have no plane.
        if !(eigen.eigenvalues[order[1]].max(0.0).sqrt() > IN_LINE_MM) {
            return None;
        }
        let axis = |n: usize| {
            let axis = eigen.eigenvectors.column(n);
            PatientVector::new(axis[0], axis[1], axis[2]).direction().ok()
        };
        let spread_mm = [order[2], order[1]].map(|n| eigen.eigenvalues[n].sqrt());
        let along = [axis(order[2])?, axis(order[1])?];
        let normal = axis(order[0])?;
        let into = if normal.dot(apical) < 0.0 { -normal } else { normal };
        let middle = PatientPoint::new(middle.x, middle.y, middle.z);
        let beyond: Vec<f64> =
            self.points.iter().map(|p| (*p - middle).dot(into.as_vector())).collect();
        let least = beyond.iter().copied().fold(f64::INFINITY, f64::min);
        let most = beyond.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let (at, bent_mm) = (middle + into * least, most - least);
        Some(LimitPlane { at, into, bent_mm, middle, along, spread_mm, count })
    }
}

impl LimitPlane {
    /// Expanded uncertainty of the plane square to itself at a place, mm, from its marks, each anywhere within a
    /// voxel: least in their middle, more the further beyond them and the closer they lie together.
    ///
    /// Marks move a plane of least squares by their own shares: at (p, q) from their middle, along the two
    /// directions in which they spread by s and t, its variance is 1 + (p / s)^2 + (q / t)^2 over their number
    /// of that of a mark.
    ///
    /// # Limits
    ///
    /// First order: a plane that may tilt by tens of degrees is less certain than told, and far beyond what is
    /// told as a height. How bent the surface is, is not in it.
    ///
    /// # Source
    ///
    /// The variance of a fitted value, x' (X' X)^-1 x: Draper and Smith, Applied Regression Analysis (from memory).
    ///
    /// # Examples
    ///
    /// ```
    /// use jawgauge_bone::{Limit, LimitForm, LimitKind, u95_of_marked_place};
    /// use jawgauge_space::{PatientDir, PatientPoint};
    /// let at = |x: f64, y: f64| PatientPoint::new(x, y, 10.0);
    /// let floor = Limit {
    ///     kind: LimitKind::SinusFloor,
    ///     form: LimitForm::Surface,
    ///     points: vec![at(0.0, 0.0), at(4.0, 0.0), at(0.0, 4.0)],
    ///     keep_mm: 1.0,
    /// };
    /// let plane = floor.plane(PatientDir::superior()).ok_or("in one line")?;
    /// let shares = |x, y| plane.u95_mm(at(x, y), 0.3) / u95_of_marked_place(0.3);
    /// // At a mark it is that mark alone; half-way between two, half of each: 1 / sqrt 2. At (4, 4) the marks
    /// // count -1, 1 and 1 times: sqrt 3. At (12, 0) they count -2, 3 and 0 times: sqrt 13.
    /// assert!((shares(0.0, 0.0) - 1.0).abs() < 1e-12);
    /// assert!((shares(2.0, 2.0) - 0.5_f64.sqrt()).abs() < 1e-12);
    /// assert!((shares(4.0, 4.0) - 3.0_f64.sqrt()).abs() < 1e-12);
    /// assert!((shares(12.0, 0.0) - 13.0_f64.sqrt()).abs() < 1e-12);
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    #[must_use]
    pub fn u95_mm(&self, place: PatientPoint, voxel_mm: f64) -> f64 {
        let off = place - self.middle;
        let [p, q] = [0, 1].map(|n| off.dot(self.along[n].as_vector()) / self.spread_mm[n]);
        u95_of_marked_place(voxel_mm) * ((1.0 + p * p + q * q) / self.count).sqrt()
    }

    /// As [`LimitPlane::u95_mm`], of where a line along `apical` meets the plane: the flatter it meets it, the
    /// further a shift of the plane carries it.
    #[must_use]
    pub fn u95_along_mm(&self, place: PatientPoint, apical: PatientDir, voxel_mm: f64) -> f64 {
        self.u95_mm(place, voxel_mm) / self.into.dot(apical).abs()
    }

    /// Standard uncertainty by how bent the surface is, mm: it lies anywhere between the plane and its deepest
    /// mark, all equally likely.
    ///
    /// A small bend may be that of the marks alone, each anywhere within a voxel, which then carried the plane
    /// towards the mouth: up to a voxel it counts from that end (over the root of 3, not of 12).
    #[must_use]
    pub fn u_bent_mm(&self, voxel_mm: f64) -> f64 {
        let of_marks = (self.bent_mm / 3.0_f64.sqrt()).min(voxel_mm);
        of_marks.max(self.bent_mm / 12.0_f64.sqrt())
    }

    /// Whether the marks leave an expanded uncertainty that is too large to tell a distance.
    #[must_use]
    pub fn is_too_uncertain(u95_mm: f64) -> bool {
        // Written so that NaN is.
        !(u95_mm <= MOST_U95_MM)
    }

    /// How far along `apical` from a place the plane lies, mm.
    ///
    /// # Errors
    ///
    /// [`Unmeasured::LimitSteep`] where the plane turns by more than 75 degrees from square to that
    /// direction, [`Unmeasured::LimitMarksFar`] more than 10 mm from the nearest of `marks`,
    /// [`Unmeasured::LimitUncertain`] where they leave more than a millimetre of uncertainty.
    pub(crate) fn depth_mm(
        &self,
        from: PatientPoint,
        apical: PatientDir,
        marks: &[PatientPoint],
        voxel_mm: f64,
    ) -> Result<f64, Unmeasured> {
        let angle_deg = self.into.angle_deg(apical);
        if !(angle_deg <= STEEPEST_DEG) {
            return Err(Unmeasured::LimitSteep { angle_deg });
        }
        let depth_mm = (self.at - from).dot(self.into.as_vector()) / self.into.dot(apical);
        let meets = from + apical * depth_mm;
        let nearest_mm = marks.iter().map(|p| p.distance_mm(meets)).fold(f64::INFINITY, f64::min);
        if !(nearest_mm <= FARTHEST_MARK_MM) {
            return Err(Unmeasured::LimitMarksFar { nearest_mm });
        }
        let u95_mm = self.u95_along_mm(meets, apical, voxel_mm);
        if Self::is_too_uncertain(u95_mm) {
            return Err(Unmeasured::LimitUncertain { u95_mm });
        }
        Ok(depth_mm)
    }
}

#[cfg(test)]
mod tests;
