//! A ridge: a cross-section drawn along a line or an arc, with grey values and blur.
//!
//! For a straight ridge the blur by a three-dimensional Gaussian is exactly the blur of the
//! cross-section by a two-dimensional one, because the ridge does not change along its axis.
//! The section is therefore painted and blurred once on a grid of 0.02 mm or finer and read
//! between its pixels.
//!
//! # Limits
//!
//! See [`Ridge`].

use jawgauge_space::{PatientDir, PatientPoint, PatientVector, SectionFrame, SectionPoint};

use crate::ridge_error::{RidgeError, length_in};
use crate::ridge_map::SectionMap;
use crate::shapes_section::CrossSection;

/// Standard deviations in the full width at half maximum of a Gaussian: 2 sqrt(2 ln 2).
const SIGMAS_IN_FWHM: f64 = 2.354_820_045_030_949_3;
/// Sharpest and softest blur, mm FWHM.
const BLUR_MM: (f64, f64) = (0.1, 5.0);
/// Tightest and widest arc, mm.
const ARC_RADIUS_MM: (f64, f64) = (15.0, 1000.0);
/// Shortest and longest stretch between the first and the last place of the axis, mm.
const LENGTH_MM: (f64, f64) = (0.1, 1000.0);

/// Grey values of the tissues, of the size that cone-beam scanners give.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Greys {
    /// Air.
    pub air: f64,
    /// Soft tissue.
    pub soft: f64,
    /// Cortical bone.
    pub cortex: f64,
    /// Marrow with its trabeculae.
    pub marrow: f64,
}

impl Default for Greys {
    /// -1000, 60, 1200, 400: common practice, no source.
    fn default() -> Self {
        Self { air: -1000.0, soft: 60.0, cortex: 1200.0, marrow: 400.0 }
    }
}

/// How a ridge looks: its grey values and the blur of the scanner.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RidgeLook {
    /// Grey values.
    pub greys: Greys,
    /// Full width at half maximum of the Gaussian blur, mm, 0.1 to 5.
    pub blur_fwhm_mm: f64,
    /// How the cortex differs from wall to wall.
    pub cortex: CortexShares,
}

impl Default for RidgeLook {
    /// The default greys, blurred by 0.45 mm, all cortex alike.
    fn default() -> Self {
        Self { greys: Greys::default(), blur_fwhm_mm: 0.45, cortex: CortexShares::default() }
    }
}

/// Contrast of each wall's cortex against soft tissue, as a share of that of
/// [`Greys::cortex`]. Over the middle of the ridge (0.5 mm to either side) one wall passes
/// into the other, and over 1.5 mm below the crest's and above the base's cortex they pass
/// into the ends; all by the smooth step 3 t^2 - 2 t^3.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CortexShares {
    /// The buccal wall.
    pub buccal: f64,
    /// The lingual wall.
    pub lingual: f64,
    /// Crest and base.
    pub ends: f64,
}

impl Default for CortexShares {
    /// All alike.
    fn default() -> Self {
        Self { buccal: 1.0, lingual: 1.0, ends: 1.0 }
    }
}

#[derive(Debug, Clone, Copy)]
enum Curve {
    Straight { first: PatientPoint, along: PatientDir, buccal: PatientDir },
    // `outward` leads from the centre to the first place, `onward` along the arc there.
    Arc { centre: PatientPoint, radius: f64, outward: PatientDir, onward: PatientDir },
}

/// A ridge with known shape: `grey_at` is what a scanner would read, the section's views are
/// what there is to be measured.
///
/// # Frame and shape
///
/// The axis runs through the crest of the shape (its own (0, 0)), station 0 at the first
/// place given. Sections are perpendicular to it.
///
/// # Accuracy
///
/// Straight: half-contrast positions to 0.001 mm (test `ridge_blur`). Arc: see the limits.
///
/// # Limits
///
/// Along an arc each place is read in the section through it, and the blur along the bend is
/// left out. The true blur would move every wall towards the centre of the arc by
/// sigma^2 / (2 rho), rho the wall's distance from the centre (half the mean square offset
/// of a circle from its tangent): both walls the same way to first order, so positions are
/// off by at most 0.0017 mm and widths by less than 0.001 mm for an axis radius of 15 mm or
/// more, walls within 6 mm of the axis, and a blur of 0.4 mm FWHM; both grow with the square
/// of the FWHM. Ridges have no ends: a straight one goes on for ever, an arc is a full ring.
///
/// # Examples
///
/// ```
/// use jawgauge_phantom::{CrossSection, Profile, Ridge, RidgeLook};
/// use jawgauge_space::{PatientPoint, PatientVector};
/// let section = CrossSection::new(Profile::Plate { width_mm: 6.0, height_mm: 20.0 })?;
/// let ridge = Ridge::straight(
///     section,
///     PatientPoint::new(-20.0, 10.0, 0.0),
///     PatientPoint::new(-20.0, -10.0, 0.0),
///     PatientVector::new(0.0, 0.0, -1.0),
///     PatientPoint::new(0.0, 0.0, 0.0),
///     RidgeLook::default(),
/// )?;
/// // On the buccal wall, 3 mm to the right of the axis: half way from 60 to 1200.
/// let on_wall = ridge.grey_at(PatientPoint::new(-23.0, 0.0, -10.0));
/// assert!((on_wall - 630.0).abs() < 0.5);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone)]
pub struct Ridge {
    section: CrossSection,
    look: RidgeLook,
    curve: Curve,
    apical: PatientDir,
    length_mm: f64,
    lingual_side: PatientPoint,
    lean: (f64, f64),
    map: SectionMap,
}

impl Ridge {
    /// A straight ridge from `first` to `last` (patient right to left), apical along the part
    /// of `apical_hint` perpendicular to it, lingual on the side of `lingual_side`.
    ///
    /// # Errors
    ///
    /// [`RidgeError::Length`] for a length or blur out of range, [`RidgeError::Space`] where
    /// the directions span no section, [`RidgeError::NotFinite`] for a grey value.
    pub fn straight(
        section: CrossSection,
        first: PatientPoint,
        last: PatientPoint,
        apical_hint: PatientVector,
        lingual_side: PatientPoint,
        look: RidgeLook,
    ) -> Result<Self, RidgeError> {
        let along = (last - first).direction()?;
        let frame = SectionFrame::new(first, along, apical_hint, first - lingual_side)?;
        let curve = Curve::Straight { first, along, buccal: frame.buccal() };
        let length = first.distance_mm(last);
        Self::build(section, look, curve, frame.apical(), length, lingual_side)
    }

    /// A ridge along the arc about `centre` from `first` to the direction of `last` (patient
    /// right to left, less than half a turn), apical perpendicular to the arc's plane on the
    /// side of `apical_hint`; the centre is on the tongue's side.
    ///
    /// # Errors
    ///
    /// As [`Ridge::straight`]; the radius is 15 mm or more.
    pub fn arc(
        section: CrossSection,
        centre: PatientPoint,
        first: PatientPoint,
        last: PatientPoint,
        apical_hint: PatientVector,
        look: RidgeLook,
    ) -> Result<Self, RidgeError> {
        let radius = first.distance_mm(centre);
        length_in("the radius of the arc", radius, ARC_RADIUS_MM.0, ARC_RADIUS_MM.1)?;
        let outward = (first - centre).direction()?;
        let toward_last = (last - centre).direction()?;
        let onward = toward_last.as_vector().perpendicular_to(outward).direction()?;
        let normal = outward.as_vector().cross(onward.as_vector()).direction()?;
        let apical = if normal.as_vector().dot(apical_hint) >= 0.0 { normal } else { -normal };
        // Fails for a hint in the arc's plane, or one that is not finite.
        SectionFrame::new(first, onward, apical_hint, outward.as_vector())?;
        let curve = Curve::Arc { centre, radius, outward, onward };
        let length = radius * outward.angle_deg(toward_last).to_radians();
        Self::build(section, look, curve, apical, length, centre)
    }

    fn build(
        section: CrossSection,
        look: RidgeLook,
        curve: Curve,
        apical: PatientDir,
        length_mm: f64,
        lingual_side: PatientPoint,
    ) -> Result<Self, RidgeError> {
        let blur = length_in("the blur", look.blur_fwhm_mm, BLUR_MM.0, BLUR_MM.1)?;
        length_in("the length of the axis", length_mm, LENGTH_MM.0, LENGTH_MM.1)?;
        let Greys { air, soft, cortex, marrow } = look.greys;
        let CortexShares { buccal, lingual, ends } = look.cortex;
        if ![air, soft, cortex, marrow, buccal, lingual, ends].iter().all(|g| g.is_finite()) {
            return Err(RidgeError::NotFinite { what: "a grey value" });
        }
        let map = SectionMap::new(&section, &look, blur / SIGMAS_IN_FWHM);
        let lean = section.lean_deg().to_radians().sin_cos();
        Ok(Self { section, look, curve, apical, length_mm, lingual_side, lean, map })
    }

    /// The grey value that a noiseless scanner reads at a place.
    #[must_use]
    pub fn grey_at(&self, point: PatientPoint) -> f64 {
        let (buccal, apical) = self.across(point);
        let (sin, cos) = self.lean;
        self.map.at(buccal * cos - apical * sin, buccal * sin + apical * cos)
    }

    /// The place in the section through `point`.
    #[must_use]
    pub fn section_point(&self, point: PatientPoint) -> SectionPoint {
        let (buccal, apical) = self.across(point);
        SectionPoint::new(buccal, apical)
    }

    fn across(&self, point: PatientPoint) -> (f64, f64) {
        match self.curve {
            Curve::Straight { first, buccal, .. } => {
                let from = point - first;
                (from.dot(buccal.as_vector()), from.dot(self.apical.as_vector()))
            }
            Curve::Arc { centre, radius, outward, onward } => {
                let from = point - centre;
                let x = from.dot(outward.as_vector());
                let y = from.dot(onward.as_vector());
                ((x * x + y * y).sqrt() - radius, from.dot(self.apical.as_vector()))
            }
        }
    }

    /// Arc length along the axis from its first place to the section through `point`, mm.
    /// On an arc it lies within half a turn either way.
    #[must_use]
    pub fn station_of(&self, point: PatientPoint) -> f64 {
        match self.curve {
            Curve::Straight { first, along, .. } => (point - first).dot(along.as_vector()),
            Curve::Arc { centre, radius, outward, onward } => {
                let from = point - centre;
                radius * from.dot(onward.as_vector()).atan2(from.dot(outward.as_vector()))
            }
        }
    }

    /// The shape's crest at a station: the place of the ridge axis there.
    #[must_use]
    pub fn crest_at(&self, station_mm: f64) -> PatientPoint {
        self.axes_at(station_mm).0
    }

    /// Origin on the axis, buccal direction and direction along the axis.
    fn axes_at(&self, station_mm: f64) -> (PatientPoint, PatientVector, PatientVector) {
        match self.curve {
            Curve::Straight { first, along, buccal } => {
                (first + along * station_mm, buccal.as_vector(), along.as_vector())
            }
            Curve::Arc { centre, radius, outward, onward } => {
                let (sin, cos) = (station_mm / radius).sin_cos();
                let out = outward * cos + onward * sin;
                (centre + out * radius, out, onward * cos - outward * sin)
            }
        }
    }

    /// The axes of the section at a station. Its normal, called mesial, points the way of
    /// growing stations, which is mesial on the patient's right and distal on the left.
    ///
    /// # Errors
    ///
    /// [`RidgeError::Space`] for a station that is not finite.
    pub fn frame_at(&self, station_mm: f64) -> Result<SectionFrame, RidgeError> {
        let (origin, buccal, along) = self.axes_at(station_mm);
        Ok(SectionFrame::new(origin, along.direction()?, self.apical.as_vector(), buccal)?)
    }

    /// Where a place of the section at a station lies in the patient.
    #[must_use]
    pub fn place(&self, station_mm: f64, at: SectionPoint) -> PatientPoint {
        let (origin, buccal, _) = self.axes_at(station_mm);
        origin + buccal * at.buccal_mm + self.apical * at.apical_mm
    }

    /// `n` (at least 2) places of the axis, evenly from the first to the last: a ridge axis,
    /// patient right to left.
    #[must_use]
    pub fn axis_points(&self, n: usize) -> Vec<PatientPoint> {
        let steps = n.max(2) - 1;
        (0..=steps).map(|k| self.crest_at(self.length_mm * k as f64 / steps as f64)).collect()
    }

    /// A place on the tongue's side: the one given, or the centre of the arc.
    #[must_use]
    pub fn lingual_side(&self) -> PatientPoint {
        self.lingual_side
    }

    /// The apical direction of every section, perpendicular to the axis.
    #[must_use]
    pub fn apical(&self) -> PatientDir {
        self.apical
    }

    /// The direction of the shape's own axis at a station, from crest to base.
    ///
    /// # Errors
    ///
    /// [`RidgeError::Space`] for a station that is not finite.
    pub fn own_axis_at(&self, station_mm: f64) -> Result<PatientDir, RidgeError> {
        Ok(self.frame_at(station_mm)?.turned(self.section.lean_deg()).apical())
    }

    /// Length of the axis from its first to its last place, mm.
    #[must_use]
    pub fn length_mm(&self) -> f64 {
        self.length_mm
    }

    /// The cross-section: all exact widths, plates and heights.
    #[must_use]
    pub fn section(&self) -> &CrossSection {
        &self.section
    }

    /// Grey values and blur.
    #[must_use]
    pub fn look(&self) -> RidgeLook {
        self.look
    }

    /// Standard deviation of the blur, mm.
    #[must_use]
    pub fn blur_sigma_mm(&self) -> f64 {
        self.look.blur_fwhm_mm / SIGMAS_IN_FWHM
    }
}
