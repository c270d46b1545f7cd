use crate::{PatientDir, PatientPoint, PatientVector, SpaceError};

/// Two directions closer than this, degrees, span no plane that can be measured in.
const NARROWEST_PLANE_DEG: f64 = 1.0;

/// A place in a section plane, millimetres from the frame's origin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SectionPoint {
    /// Along the buccal direction: positive towards cheek or lip.
    pub buccal_mm: f64,
    /// Along the apical direction: positive into the jaw.
    pub apical_mm: f64,
}

impl SectionPoint {
    /// A place in a section plane.
    #[must_use]
    pub fn new(buccal_mm: f64, apical_mm: f64) -> Self {
        Self { buccal_mm, apical_mm }
    }

    /// Distance to `other`, mm.
    #[must_use]
    pub fn distance_mm(self, other: Self) -> f64 {
        (self.buccal_mm - other.buccal_mm).hypot(self.apical_mm - other.apical_mm)
    }

    /// This place in axes turned by `by_deg` about the origin (see [`SectionFrame::turned`]).
    #[must_use]
    pub fn in_turned_frame(self, by_deg: f64) -> Self {
        let (sin, cos) = by_deg.to_radians().sin_cos();
        Self {
            buccal_mm: self.buccal_mm * cos - self.apical_mm * sin,
            apical_mm: self.buccal_mm * sin + self.apical_mm * cos,
        }
    }
}

/// The axes of a section: three perpendicular directions about a point on the ridge axis.
///
/// `buccal` and `apical` span the section plane, `mesial` is its normal. `mesial` points
/// to the midline along the arch, so the three are right-handed on one side of the mouth
/// and left-handed on the other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SectionFrame {
    origin: PatientPoint,
    buccal: PatientDir,
    apical: PatientDir,
    mesial: PatientDir,
}

impl SectionFrame {
    /// The frame at `origin` with the plane's normal `mesial`, apical along the part of
    /// `apical_hint` that lies in the plane, and buccal on the side of `buccal_hint`.
    ///
    /// # Errors
    ///
    /// [`SpaceError::Parallel`] where `apical_hint` is within a degree of the normal, or
    /// `buccal_hint` within a degree of the plane spanned by apical and the normal;
    /// [`SpaceError::NotFinite`] for numbers that are not finite.
    pub fn new(
        origin: PatientPoint,
        mesial: PatientDir,
        apical_hint: PatientVector,
        buccal_hint: PatientVector,
    ) -> Result<Self, SpaceError> {
        if !origin.is_finite() {
            return Err(SpaceError::NotFinite);
        }
        let hint = apical_hint.direction()?;
        let angle = hint.angle_deg(mesial).min(hint.angle_deg(-mesial));
        if !(angle >= NARROWEST_PLANE_DEG) {
            return Err(SpaceError::Parallel { angle_deg: angle });
        }
        let apical = hint.as_vector().perpendicular_to(mesial).direction()?;
        let across = apical.as_vector().cross(mesial.as_vector()).direction()?;
        let cosine = buccal_hint.direction()?.dot(across);
        let angle = cosine.abs().min(1.0).asin().to_degrees();
        if !(angle >= NARROWEST_PLANE_DEG) {
            return Err(SpaceError::Parallel { angle_deg: angle });
        }
        let buccal = if cosine > 0.0 { across } else { -across };
        Ok(Self { origin, buccal, apical, mesial })
    }

    /// The frame's origin, a point of the section plane.
    #[must_use]
    pub fn origin(&self) -> PatientPoint {
        self.origin
    }

    /// Towards cheek or lip, in the plane.
    #[must_use]
    pub fn buccal(&self) -> PatientDir {
        self.buccal
    }

    /// Into the jaw, in the plane.
    #[must_use]
    pub fn apical(&self) -> PatientDir {
        self.apical
    }

    /// Towards the midline along the arch; the plane's normal.
    #[must_use]
    pub fn mesial(&self) -> PatientDir {
        self.mesial
    }

    /// The same plane and origin with apical turned by `by_deg` towards buccal.
    #[must_use]
    pub fn turned(&self, by_deg: f64) -> Self {
        let (sin, cos) = by_deg.to_radians().sin_cos();
        let turn = |along: PatientDir, a: f64, other: PatientDir, b: f64| {
            let turned = along * a + other * b;
            turned.direction().unwrap_or(along)
        };
        Self {
            origin: self.origin,
            buccal: turn(self.buccal, cos, self.apical, -sin),
            apical: turn(self.apical, cos, self.buccal, sin),
            mesial: self.mesial,
        }
    }

    /// The same axes about another origin.
    #[must_use]
    pub fn moved_to(&self, origin: PatientPoint) -> Self {
        Self { origin, ..*self }
    }

    /// Where a place in the section lies in the patient.
    #[must_use]
    pub fn patient_from_section(&self, p: SectionPoint) -> PatientPoint {
        self.origin + self.buccal * p.buccal_mm + self.apical * p.apical_mm
    }

    /// Where a place in the patient lies in the section: its projection, and its distance
    /// mesial of the plane, mm (negative: distal).
    #[must_use]
    pub fn section_from_patient(&self, p: PatientPoint) -> (SectionPoint, f64) {
        let d = p - self.origin;
        (
            SectionPoint::new(d.dot(self.buccal.as_vector()), d.dot(self.apical.as_vector())),
            d.dot(self.mesial.as_vector()),
        )
    }
}
