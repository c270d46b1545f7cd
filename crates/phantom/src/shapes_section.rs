use crate::ridge_error::{RidgeError, angle_in, length_in};
use crate::shapes::{Body, Profile};
use crate::shapes_outline::Outline;
use crate::shapes_view::SectionView;

/// Steepest lean of a ridge, degrees.
const MOST_LEAN_DEG: f64 = 60.0;
/// Thinnest and thickest layer, mm.
const LAYER_MM: (f64, f64) = (0.05, 30.0);

/// Thickness of the cortex, millimetres.
///
/// The marrow is what lies at least `buccal_mm` inside the outline on the buccal half (from
/// the shape's axis outwards), at least `lingual_mm` inside on the lingual half, at least
/// `crest_mm` below the crest and `base_mm` above the base along the shape's axis. With four
/// equal numbers that is the inward parallel shape.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cortex {
    /// On the cheek's side.
    pub buccal_mm: f64,
    /// On the tongue's side.
    pub lingual_mm: f64,
    /// At the crest; at least as thick as both plates.
    pub crest_mm: f64,
    /// At the base; at least as thick as both plates.
    pub base_mm: f64,
}

impl Cortex {
    /// The same thickness all around.
    #[must_use]
    pub fn even(thickness_mm: f64) -> Self {
        Self {
            buccal_mm: thickness_mm,
            lingual_mm: thickness_mm,
            crest_mm: thickness_mm,
            base_mm: thickness_mm,
        }
    }
}

/// What lies around the bone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SoftTissue {
    /// Air all around.
    None,
    /// Soft tissue up to this distance from the bone, mm, then air.
    Layer(f64),
    /// Soft tissue all around.
    Everywhere,
}

/// A round canal along the ridge, in the ridge's own axes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Canal {
    /// Its centre across the ridge, mm, positive to the cheek.
    pub across_mm: f64,
    /// Its centre below the crest along the shape's own axis, mm.
    pub depth_mm: f64,
    /// Its radius, mm.
    pub radius_mm: f64,
    /// Grey value of its contents.
    pub grey: f64,
}

impl Canal {
    /// Depth of the canal's roof below the crest along the shape's own axis, mm.
    #[must_use]
    pub fn roof_mm(&self) -> f64 {
        self.depth_mm - self.radius_mm
    }
}

/// The marrow: two shrunk bodies, one for each half, cut at crest and base.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Marrow {
    pub(crate) buccal: Outline,
    pub(crate) lingual: Outline,
    pub(crate) top_mm: f64,
    pub(crate) bottom_mm: f64,
}

/// A ridge cut across: outer shape, lean, cortex, marrow, canal and what lies around.
///
/// The section's axes are buccal and apical with the shape's own crest, where its axis
/// leaves the bone, at (0, 0). A lean turns the whole shape about that place: with a
/// positive lean the base lies to the cheek of the crest.
///
/// # Examples
///
/// ```
/// use jawgauge_phantom::{Cortex, CrossSection, PlateSide, Profile};
/// let profile = Profile::Rounded { radius_mm: 3.0, height_mm: 20.0 };
/// let section = CrossSection::new(profile)?.with_cortex(Cortex::even(1.0))?;
/// let view = section.along_own_axis();
/// // 1 mm below a crest of radius 3: 2 sqrt(9 - 4).
/// assert!((view.width_mm(1.0).expect("inside") - 2.0 * 5.0_f64.sqrt()).abs() < 1e-12);
/// assert!((view.width_mm(8.0).expect("inside") - 6.0).abs() < 1e-12);
/// assert!((view.plate_mm(PlateSide::Buccal, 8.0).expect("marrow") - 1.0).abs() < 1e-12);
/// assert_eq!(view.width_mm(20.5), None);
/// # Ok::<(), jawgauge_phantom::RidgeError>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct CrossSection {
    profile: Profile,
    body: Body,
    outline: Outline,
    lean_deg: f64,
    cortex: Option<Cortex>,
    marrow: Option<Marrow>,
    soft: SoftTissue,
    canal: Option<Canal>,
}

impl CrossSection {
    /// The profile upright, all cortex, in soft tissue without end.
    ///
    /// # Errors
    ///
    /// [`RidgeError::Length`], [`RidgeError::Angle`] or [`RidgeError::Hollow`] where the
    /// profile is no convex shape.
    pub fn new(profile: Profile) -> Result<Self, RidgeError> {
        let body = profile.body()?;
        let outline = body.outline();
        Ok(Self {
            profile,
            body,
            outline,
            lean_deg: 0.0,
            cortex: None,
            marrow: None,
            soft: SoftTissue::Everywhere,
            canal: None,
        })
    }

    /// The same, leaning: the base towards the cheek where `lean_deg` is positive.
    ///
    /// # Errors
    ///
    /// [`RidgeError::Angle`] beyond 60 degrees.
    pub fn with_lean_deg(mut self, lean_deg: f64) -> Result<Self, RidgeError> {
        self.lean_deg = angle_in("the lean", lean_deg, -MOST_LEAN_DEG, MOST_LEAN_DEG)?;
        Ok(self)
    }

    /// The same with marrow inside a cortex.
    ///
    /// # Errors
    ///
    /// [`RidgeError::NoMarrow`] where the cortex fills the shape, [`RidgeError::Length`]
    /// where crest or base are thinner than a plate, or, with unequal plates, so thin that
    /// the two halves of the marrow would end at different depths.
    pub fn with_cortex(mut self, cortex: Cortex) -> Result<Self, RidgeError> {
        let (low, high) = LAYER_MM;
        length_in("the buccal plate", cortex.buccal_mm, low, high)?;
        length_in("the lingual plate", cortex.lingual_mm, low, high)?;
        let shrink =
            |by: f64| self.body.shrunk(by).ok_or(RidgeError::NoMarrow { thickness_mm: by });
        let (buccal, lingual) = (shrink(cortex.buccal_mm)?, shrink(cortex.lingual_mm)?);
        let mut least_crest = cortex.buccal_mm.max(cortex.lingual_mm);
        let mut least_base = least_crest;
        let height = self.profile.height_mm();
        if cortex.buccal_mm != cortex.lingual_mm {
            for (top, bottom) in [buccal.depths(), lingual.depths()] {
                least_crest = least_crest.max(top);
                least_base = least_base.max(height - bottom);
            }
        }
        // Rounding of the depths of the halves must not refuse what is exactly enough.
        let slack = 1e-9;
        length_in("the cortex at the crest", cortex.crest_mm, least_crest - slack, high)?;
        length_in("the cortex at the base", cortex.base_mm, least_base - slack, high)?;
        let (top_mm, bottom_mm) = (cortex.crest_mm, height - cortex.base_mm);
        let (first, last) = (buccal.depths().0.max(top_mm), buccal.depths().1.min(bottom_mm));
        if !(first < last) {
            return Err(RidgeError::NoMarrow { thickness_mm: cortex.crest_mm + cortex.base_mm });
        }
        let (buccal, lingual) = (buccal.outline(), lingual.outline());
        self.marrow = Some(Marrow { buccal, lingual, top_mm, bottom_mm });
        self.cortex = Some(cortex);
        Ok(self)
    }

    /// The same in other surroundings.
    ///
    /// # Errors
    ///
    /// [`RidgeError::Length`] for a layer thinner than 0.05 or thicker than 30 mm.
    pub fn with_soft_tissue(mut self, soft: SoftTissue) -> Result<Self, RidgeError> {
        if let SoftTissue::Layer(thickness) = soft {
            length_in("the soft tissue", thickness, LAYER_MM.0, LAYER_MM.1)?;
        }
        self.soft = soft;
        Ok(self)
    }

    /// The same with a canal in the marrow (asked after [`CrossSection::with_cortex`]).
    ///
    /// # Errors
    ///
    /// [`RidgeError::CanalOutsideMarrow`] where it touches the cortex or there is no marrow.
    pub fn with_canal(mut self, canal: Canal) -> Result<Self, RidgeError> {
        length_in("the canal's radius", canal.radius_mm, LAYER_MM.0, LAYER_MM.1)?;
        if !canal.grey.is_finite() {
            return Err(RidgeError::NotFinite { what: "the canal's grey value" });
        }
        let clearance_mm = self.marrow.as_ref().map_or(f64::NEG_INFINITY, |marrow| {
            let at = [canal.across_mm, canal.depth_mm];
            // Both halves: a canal near the axis lies in both, and this asks no less.
            let plates =
                -marrow.buccal.signed_distance(at).0.max(marrow.lingual.signed_distance(at).0);
            let ends = (at[1] - marrow.top_mm).min(marrow.bottom_mm - at[1]);
            plates.min(ends) - canal.radius_mm
        });
        if !(clearance_mm > 0.0) {
            return Err(RidgeError::CanalOutsideMarrow { clearance_mm });
        }
        self.canal = Some(canal);
        Ok(self)
    }

    /// The outer shape.
    #[must_use]
    pub fn profile(&self) -> Profile {
        self.profile
    }

    /// Lean towards the cheek, degrees.
    #[must_use]
    pub fn lean_deg(&self) -> f64 {
        self.lean_deg
    }

    /// Thickness of the cortex, `None` where the bone is all cortex.
    #[must_use]
    pub fn cortex(&self) -> Option<Cortex> {
        self.cortex
    }

    /// What lies around the bone.
    #[must_use]
    pub fn soft_tissue(&self) -> SoftTissue {
        self.soft
    }

    /// The canal, if there is one.
    #[must_use]
    pub fn canal(&self) -> Option<Canal> {
        self.canal
    }

    /// Measured along the shape's own axis of symmetry, which is the straight line through
    /// the mid-points of its widths.
    #[must_use]
    pub fn along_own_axis(&self) -> SectionView<'_> {
        SectionView::new(self, 0.0)
    }

    /// Measured along the section's apical direction.
    #[must_use]
    pub fn along_apical(&self) -> SectionView<'_> {
        SectionView::new(self, self.lean_deg)
    }

    /// Measured along the section's apical direction turned by `turn_deg` to the cheek.
    #[must_use]
    pub fn along_turned(&self, turn_deg: f64) -> SectionView<'_> {
        SectionView::new(self, self.lean_deg - turn_deg)
    }

    pub(crate) fn outline(&self) -> &Outline {
        &self.outline
    }

    pub(crate) fn marrow(&self) -> Option<&Marrow> {
        self.marrow.as_ref()
    }
}
