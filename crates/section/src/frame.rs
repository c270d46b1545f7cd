use jawgauge_space::{PatientDir, PatientPoint, PatientVector, SectionFrame};

use crate::{AxisPlace, RidgeAxis, SectionError};

/// A curve bends clearly where it leaves its chord by this share of the chord ...
const CLEAR_BEND_SHARE: f64 = 0.05;
/// ... and by this much, mm.
const CLEAR_BEND_MM: f64 = 1.5;
/// A lingual point closer beside the axis than this, mm, does not tell a side.
const SIDE_CLEARANCE_MM: f64 = 1.0;
/// A buccal direction within this share of straight ahead belongs to the front teeth, where
/// it does not tell right from left.
const FRONT_COSINE: f64 = 0.35;

/// How cheek and tongue side were told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SideSource {
    /// From the point that the user gave on the tongue's side.
    LingualPoint,
    /// From the bend of the ridge axis: the hollow side is the tongue's.
    AxisBend,
}

/// Which side of the mouth a site is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PatientSide {
    /// The patient's right.
    Right,
    /// The patient's left.
    Left,
    /// In front, where the buccal direction tells neither.
    Front,
    /// Not known, as the scan does not tell where it lies in the patient.
    Unknown,
}

/// The axes of a section and what they were decided from.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteFrame {
    /// The place on the ridge axis.
    pub place: AxisPlace,
    /// The axes; the origin is the place on the ridge axis.
    pub frame: SectionFrame,
    /// How cheek and tongue side were told apart.
    pub side_source: SideSource,
    /// Which side of the mouth the site is on, by its buccal direction.
    pub side: PatientSide,
    /// Whether the axis runs from the patient's right to left here, as it should. Where it
    /// does not, either the points are in the wrong order or the tongue's side is wrong.
    pub axis_right_to_left: bool,
    /// Whether the way to the midline is known; in front an axis that does not go round the foremost
    /// place of the arch does not tell it.
    pub mesial_known: bool,
}

impl SiteFrame {
    /// The same with `mesial` along the axis to the patient's left (`true`) or right: for a front
    /// tooth, whose side of the midline is known by its number.
    ///
    /// # Errors
    ///
    /// [`SectionError::Frame`], as for the frame itself.
    pub fn with_mesial_leftward(mut self, leftward: bool) -> Result<Self, SectionError> {
        let runs_left = self.place.tangent.dot(PatientDir::left()) >= 0.0;
        let mesial = if runs_left == leftward { self.place.tangent } else { -self.place.tangent };
        let (apical, buccal) = (self.frame.apical().as_vector(), self.frame.buccal().as_vector());
        self.frame = SectionFrame::new(self.frame.origin(), mesial, apical, buccal)?;
        self.mesial_known = true;
        Ok(self)
    }
}

/// The section's axes at a place of the ridge axis.
///
/// The normal is the tangent of the axis; `apical` is made perpendicular to it; `buccal` is
/// perpendicular to both and points away from the tongue's side; `mesial` is the way along
/// the axis that leads to the midline, which is the way forward (-y), or in front, where the
/// arch runs sideways, towards x of the foremost place of the axis.
///
/// # Errors
///
/// [`SectionError::SideUnknown`] where no lingual point is given and the axis does not
/// clearly bend, [`SectionError::SideInLine`] where the point lies within 1 mm of the axis'
/// line, [`SectionError::Frame`] where `apical` runs along the axis.
pub fn section_frame(
    axis: &RidgeAxis,
    place: AxisPlace,
    apical: PatientVector,
    lingual_side: Option<PatientPoint>,
) -> Result<SiteFrame, SectionError> {
    let (lingual, side_source) = match lingual_side {
        Some(point) => (point, SideSource::LingualPoint),
        None => (hollow_side(axis, apical)?, SideSource::AxisBend),
    };
    let apical_dir = apical.direction()?;
    let away = (place.point - lingual)
        .perpendicular_to(place.tangent)
        .perpendicular_to(apical_dir.as_vector().perpendicular_to(place.tangent).direction()?);
    if !(away.length_mm() >= SIDE_CLEARANCE_MM) {
        return Err(SectionError::SideInLine { off_mm: away.length_mm() });
    }
    let (forward, mesial_known) = forward_along(axis, place);
    let frame = SectionFrame::new(place.point, forward, apical, away)?;
    let buccal = frame.buccal();
    let side = match buccal.dot(PatientDir::left()) {
        x if x > FRONT_COSINE => PatientSide::Left,
        x if x < -FRONT_COSINE => PatientSide::Right,
        _ => PatientSide::Front,
    };
    // Seen from above, an axis that runs right to left keeps the cheek on its right hand.
    let expected = PatientDir::superior().as_vector().cross(buccal.as_vector());
    let axis_right_to_left = expected.dot(place.tangent.as_vector()) >= 0.0;
    Ok(SiteFrame { place, frame, side_source, side, axis_right_to_left, mesial_known })
}

/// The way along the axis that leads to the midline, and whether that is known.
fn forward_along(axis: &RidgeAxis, place: AxisPlace) -> (PatientDir, bool) {
    let anterior = -place.tangent.dot(PatientDir::posterior());
    let sideways = place.tangent.dot(PatientDir::left());
    let along = |forward: f64| if forward >= 0.0 { place.tangent } else { -place.tangent };
    if anterior.abs() >= sideways.abs() {
        return (along(anterior), true);
    }
    // In front: along x towards the foremost place of the axis, if the axis goes round it.
    let points = axis.points();
    let foremost = (0..points.len())
        .min_by(|&a, &b| points[a].to_array()[1].total_cmp(&points[b].to_array()[1]))
        .filter(|&i| i > 0 && i + 1 < points.len());
    let to_front =
        foremost.map(|i| (points[i].to_array()[0] - place.point.to_array()[0]) * sideways);
    match to_front {
        Some(to_front) if to_front.abs() > 1.0 => (along(to_front), true),
        _ => (along(anterior), false),
    }
}

/// The middle of the chord of a clearly bent axis: it lies on the tongue's side.
fn hollow_side(axis: &RidgeAxis, apical: PatientVector) -> Result<PatientPoint, SectionError> {
    let length = axis.length_mm();
    let start = axis.at_station(0.0)?.point;
    let end = axis.at_station(length)?.point;
    let chord = end - start;
    let chord_mm = chord.length_mm();
    let flat = apical.direction()?;
    let unknown = |bend_mm| SectionError::SideUnknown { bend_mm, chord_mm };
    let across = flat.as_vector().cross(chord).direction().map_err(|_| unknown(0.0))?;
    let (mut least, mut most) = (0.0_f64, 0.0_f64);
    for step in 1..40 {
        let p = axis.at_station(length * f64::from(step) / 40.0)?.point;
        let off = (p - start).dot(across.as_vector());
        least = least.min(off);
        most = most.max(off);
    }
    let bend_mm = most.max(-least);
    let one_sided = most.min(-least).abs() <= 0.1 * bend_mm;
    if bend_mm >= CLEAR_BEND_MM && bend_mm >= CLEAR_BEND_SHARE * chord_mm && one_sided {
        Ok(start.toward(end, 0.5))
    } else {
        Err(unknown(bend_mm))
    }
}
