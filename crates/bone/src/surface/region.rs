//! The part of space around a site in which the surface of the bone is wanted.

use jawgauge_space::{PatientPoint, SectionFrame, SectionPoint};

/// A box along the axes of a section.
#[derive(Debug, Clone, Copy)]
pub struct OrientedBox {
    /// The axes: origin in the box or near it.
    pub frame: SectionFrame,
    /// Least buccal, apical and mesial coordinate, mm.
    pub least_mm: [f64; 3],
    /// Greatest of each, mm.
    pub most_mm: [f64; 3],
}

impl OrientedBox {
    /// Coordinates of a place: buccal, apical, mesial, mm.
    #[must_use]
    pub fn coordinates(&self, p: PatientPoint) -> [f64; 3] {
        let (at, mesial_mm) = self.frame.section_from_patient(p);
        [at.buccal_mm, at.apical_mm, mesial_mm]
    }

    /// The place at coordinates.
    #[must_use]
    pub fn place(&self, [buccal_mm, apical_mm, mesial_mm]: [f64; 3]) -> PatientPoint {
        self.frame.patient_from_section(SectionPoint::new(buccal_mm, apical_mm))
            + self.frame.mesial() * mesial_mm
    }

    /// Whether it holds a place.
    #[must_use]
    pub fn holds(&self, p: PatientPoint) -> bool {
        self.depth_mm(p) >= 0.0
    }

    /// Distance from a place in it to its nearest face, mm; negative beyond it.
    #[must_use]
    pub fn depth_mm(&self, p: PatientPoint) -> f64 {
        let at = self.coordinates(p);
        (0..3)
            .map(|a| (at[a] - self.least_mm[a]).min(self.most_mm[a] - at[a]))
            .fold(f64::INFINITY, f64::min)
    }

    /// The same without the face towards the mouth.
    #[must_use]
    pub fn depth_below_mm(&self, p: PatientPoint) -> f64 {
        let open =
            Self { least_mm: [self.least_mm[0], f64::NEG_INFINITY, self.least_mm[2]], ..*self };
        open.depth_mm(p)
    }

    pub(crate) fn corners(&self) -> [PatientPoint; 8] {
        std::array::from_fn(|n| {
            let pick = |axis: usize| {
                if n >> axis & 1 == 0 { self.least_mm[axis] } else { self.most_mm[axis] }
            };
            self.place([pick(0), pick(1), pick(2)])
        })
    }
}
