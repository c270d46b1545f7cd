//! A limit that is marked as a surface: a floor, beyond which all must be kept clear of.

use jawgauge_space::{PatientDir, PatientPoint, PatientVector};
use nalgebra::{Matrix3, Vector3};

use crate::error::Unmeasured;
use crate::limit::{Limit, LimitForm};

/// Marks whose spread across their longest extent is less than this (standard deviation, mm) lie in one line
/// for what a hand can mark.
const IN_LINE_MM: f64 = 0.3;
/// A surface that turns further than this from square to the apical direction has no height, degrees.
const STEEPEST_DEG: f64 = 75.0;
/// Marks further than this from where the surface is needed, mm, say nothing certain of it.
const FARTHEST_MARK_MM: f64 = 10.0;

/// A plane laid at the marks of a surface.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitPlane {
    /// A point of it.
    pub at: PatientPoint,
    /// Square to it, away from the mouth.
    pub into: PatientDir,
    /// How far beyond it the deepest mark lies, mm: how bent the surface is.
    pub bent_mm: f64,
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
        let normal = eigen.eigenvectors.column(order[0]);
        let normal = PatientVector::new(normal[0], normal[1], normal[2]).direction().ok()?;
        let into = if normal.dot(apical) < 0.0 { -normal } else { normal };
        let middle = PatientPoint::new(middle.x, middle.y, middle.z);
        let beyond: Vec<f64> =
            self.points.iter().map(|p| (*p - middle).dot(into.as_vector())).collect();
        let least = beyond.iter().copied().fold(f64::INFINITY, f64::min);
        let most = beyond.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        Some(LimitPlane { at: middle + into * least, into, bent_mm: most - least })
    }
}

impl LimitPlane {
    /// How far along `apical` from a place the plane lies, mm.
    ///
    /// # Errors
    ///
    /// [`Unmeasured::LimitSteep`] where the plane turns by more than 75 degrees from square to that
    /// direction, [`Unmeasured::LimitMarksFar`] more than 10 mm from the nearest of `marks`.
    pub(crate) fn depth_mm(
        &self,
        from: PatientPoint,
        apical: PatientDir,
        marks: &[PatientPoint],
    ) -> Result<f64, Unmeasured> {
        let angle_deg = self.into.angle_deg(apical);
        if !(angle_deg <= STEEPEST_DEG) {
            return Err(Unmeasured::LimitSteep { angle_deg });
        }
        let depth_mm = (self.at - from).dot(self.into.as_vector()) / self.into.dot(apical);
        let meets = from + apical * depth_mm;
        let nearest_mm = marks.iter().map(|p| p.distance_mm(meets)).fold(f64::INFINITY, f64::min);
        if nearest_mm <= FARTHEST_MARK_MM {
            Ok(depth_mm)
        } else {
            Err(Unmeasured::LimitMarksFar { nearest_mm })
        }
    }
}
