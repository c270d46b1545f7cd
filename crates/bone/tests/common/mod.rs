//! A ridge with a known cross-section, scanned.
// Each test program uses a part of this.
#![allow(dead_code)]

use jawgauge_phantom::{
    Cortex, CrossSection, GridOptions, Noise, Profile, Ridge, RidgeLook, SoftTissue, Storage,
    render,
};
use jawgauge_section::{RidgeAxis, section_frame};
use jawgauge_space::{PatientPoint, PatientVector, SectionFrame};
use jawgauge_volume::{Rescale, Volume};

/// Contrast of cortex against soft tissue in the default greys.
pub(crate) const CONTRAST: f64 = 1140.0;

/// A straight or curved ridge on the patient's right, and how it is scanned.
#[derive(Clone)]
pub(crate) struct Scene {
    pub(crate) ridge: Ridge,
    pub(crate) grid: GridOptions,
    pub(crate) noise: Noise,
}

/// A ridge of the default look, leaning by 5 degrees, on a grid that is shifted by fractions of
/// a voxel.
pub(crate) fn scene(profile: Profile, cortex: Cortex) -> Scene {
    build(profile, cortex, 5.0, RidgeLook::default().blur_fwhm_mm, false).expect("a ridge")
}

/// A ridge of any lean and blur, straight or curved; `None` where the cortex does not fit.
pub(crate) fn build(
    profile: Profile,
    cortex: Cortex,
    lean_deg: f64,
    blur_fwhm_mm: f64,
    curved: bool,
) -> Option<Scene> {
    let section = CrossSection::new(profile)
        .and_then(|s| s.with_lean_deg(lean_deg))
        .and_then(|s| s.with_cortex(cortex))
        .and_then(|s| s.with_soft_tissue(SoftTissue::Everywhere))
        .ok()?;
    let look = RidgeLook { blur_fwhm_mm, ..RidgeLook::default() };
    let apical = PatientVector::new(0.0, 0.0, -1.0);
    let ridge = if curved {
        // 12 mm of an arch of 22 mm radius, on the right: from back to front.
        let at = |deg: f64| {
            let (sin, cos) = deg.to_radians().sin_cos();
            PatientPoint::new(-22.0 * cos, -22.0 * sin, 0.0)
        };
        Ridge::arc(section, PatientPoint::new(0.0, 0.0, 0.0), at(10.0), at(42.0), apical, look)
    } else {
        let at = |y: f64| PatientPoint::new(-20.0, y, 0.0);
        Ridge::straight(section, at(3.0), at(-3.0), apical, PatientPoint::new(0.0, 0.0, 0.0), look)
    }
    .expect("a ridge");
    let grid = GridOptions::default().with_shift_voxels([0.3, 0.6, 0.1]).with_margin_mm(5.0);
    Some(Scene { ridge, grid, noise: Noise::none() })
}

impl Scene {
    pub(crate) fn volume(&self) -> Volume {
        let geometry = self.ridge.grid(&self.grid).expect("a grid");
        let rescale = Rescale { slope: 1.0, intercept: -2000.0 };
        render(geometry, Storage::Unsigned, rescale, self.noise, |p| self.ridge.grey_at(p))
            .expect("a scan")
    }

    fn axis(&self) -> RidgeAxis {
        RidgeAxis::through(&self.ridge.axis_points(5)).expect("an axis")
    }

    fn station_mm(&self) -> f64 {
        0.5 * self.axis().length_mm()
    }

    pub(crate) fn point(&self) -> PatientPoint {
        self.axis().at_station(self.station_mm()).expect("on it").point
    }

    pub(crate) fn frame(&self) -> SectionFrame {
        let axis = self.axis();
        let place = axis.at_station(self.station_mm()).expect("on it");
        let apical = self.ridge.apical().as_vector();
        section_frame(&axis, place, apical, Some(self.ridge.lingual_side())).expect("a frame").frame
    }

    /// The true width at a level of the ridge's own axis, NaN where there is none.
    pub(crate) fn width_mm(&self, level_mm: f64) -> f64 {
        self.ridge.section().along_own_axis().width_mm(level_mm).unwrap_or(f64::NAN)
    }

    pub(crate) fn height_mm(&self) -> f64 {
        self.ridge.section().along_own_axis().height_mm()
    }
}
