//! An invented lower jaw to show and to test everything on.
//!
//! The patient's right side from canine (43) to first molar (46). The second premolar (45)
//! is missing; its ridge has healed thin at the crest. All sizes are ours, of the order that
//! the trade meets.
//!
//! # Limits
//!
//! See [`DemoJaw`].

use jawgauge_space::{Affine, PatientDir, PatientPoint, PatientVector};
use jawgauge_volume::{Rescale, Volume, VolumeGeometry};

use crate::demo_teeth::{Root, RootSize, SoftEdge, ToothBody};
use crate::demo_truth::{self, DemoNeighbour, DemoTruth};
use crate::render::{Noise, render};
use crate::ridge::{Greys, Ridge, RidgeLook};
use crate::ridge_error::RidgeError;
use crate::sample::Storage;
use crate::shapes::Profile;
use crate::shapes_section::{Canal, Cortex, CrossSection, SoftTissue};

/// Levels at which the truth holds widths, mm below the crest.
const LEVELS_MM: [f64; 6] = [1.0, 2.0, 3.0, 5.0, 7.0, 10.0];

/// Width 1 mm below the crest is 2 sqrt(2 r - 1) = 3.4 for this radius r of the crest.
const CREST_RADIUS_MM: f64 = 1.945;
const SHOULDER_RADIUS_MM: f64 = 4.0;
const SHOULDER_DEPTH_MM: f64 = 9.0;
const HEIGHT_MM: f64 = 28.0;
const LEAN_DEG: f64 = 6.0;
const CORTEX: Cortex = Cortex { buccal_mm: 1.3, lingual_mm: 1.8, crest_mm: 1.8, base_mm: 2.5 };
const SOFT_MM: f64 = 3.0;
const CANAL: Canal = Canal { across_mm: -0.5, depth_mm: 16.25, radius_mm: 1.25, grey: 120.0 };

/// The arch is an arc about the midline, mm.
const ARCH_RADIUS_MM: f64 = 24.0;
const ARCH_CENTRE: [f64; 3] = [0.0, 0.0, 4.0];
/// Direction of the site from the centre, degrees from +x towards +y, and half the span of
/// the axis, mm along the arc.
const SITE_DEG: f64 = 199.0;
const HALF_SPAN_MM: f64 = 18.0;
const AXIS_POINTS: usize = 7;

/// Premolars and canine have one root, the molar two under one crown.
const ROOT: RootSize = RootSize {
    neck_radius: 2.5,
    tip_radius: 0.9,
    length: 14.0,
    crown_radius: 3.5,
    contact_height: 4.5,
    bone_depth: NECK_ABOVE_CREST_MM,
    sleeve: 1.2,
};
const MOLAR_CROWN_RADIUS_MM: f64 = 3.2;
/// The bone's edge lies this far below the necks of the teeth, mm: common practice, no source.
const NECK_ABOVE_CREST_MM: f64 = 1.5;
/// Roots by their distance from the site along the arc, mm, mesial positive.
const ROOT_43_MM: f64 = 14.75;
const ROOT_44_MM: f64 = 7.65;
const ROOTS_46_MM: [f64; 2] = [-7.35, -11.95];

const VOXEL_MM: f64 = 0.3;
const DIMS: [usize; 3] = [116, 150, 148];
/// Centre of the first voxel.
const FIRST_VOXEL: [f64; 3] = [-35.0, -31.0, -28.0];
const RESCALE: Rescale = Rescale { slope: 1.0, intercept: -2048.0 };
const NOISE: Noise = Noise { sd: 50.0, seed: 45 };

/// The demonstration jaw: its scan and what there is to be found in it.
///
/// # Limits
///
/// Within 1.5 mm of the site's section along the axis the jaw is the ridge alone, and its
/// truth is exact. Teeth and the bone round their roots are built from the sizes that the
/// truth states, but laid over the ridge with each edge blurred as if it were flat and alone:
/// where their blurred edges read is not promised, least of all beside the thin ligament.
/// No trabeculae, no metal, no artefact.
#[derive(Debug, Clone)]
pub struct DemoJaw {
    /// The scan.
    pub volume: Volume,
    /// What there is to be found.
    pub truth: DemoTruth,
    /// The ridge without its teeth.
    pub ridge: Ridge,
}

/// Makes the demonstration jaw: 116 x 150 x 148 voxels of 0.3 mm, the same every time.
///
/// # Accuracy
///
/// Noise of 50 grey steps against a contrast of 1140 from soft tissue to cortex, blur 0.45 mm
/// FWHM. The arc moves both walls by less than 0.001 mm (see the limits of [`Ridge`]).
///
/// # Errors
///
/// None as it stands: the numbers are fixed and a test makes it.
pub fn demo_jaw() -> Result<DemoJaw, RidgeError> {
    let scene = DemoScene::new()?;
    let [x, y, z] = FIRST_VOXEL;
    let steps = [
        PatientVector::new(VOXEL_MM, 0.0, 0.0),
        PatientVector::new(0.0, VOXEL_MM, 0.0),
        PatientVector::new(0.0, 0.0, VOXEL_MM),
    ];
    let geometry = VolumeGeometry::new(DIMS, Affine::new(PatientPoint::new(x, y, z), steps)?)?;
    let volume = render(geometry, Storage::Unsigned, RESCALE, NOISE, |p| scene.grey_at(p))?;
    let truth = scene.truth()?;
    Ok(DemoJaw { volume, truth, ridge: scene.ridge })
}

/// The jaw before it is scanned.
pub(crate) struct DemoScene {
    ridge: Ridge,
    teeth: Vec<ToothBody>,
    edge: SoftEdge,
}

impl DemoScene {
    pub(crate) fn new() -> Result<Self, RidgeError> {
        let section = CrossSection::new(Profile::Shouldered {
            crest_radius_mm: CREST_RADIUS_MM,
            shoulder_radius_mm: SHOULDER_RADIUS_MM,
            shoulder_depth_mm: SHOULDER_DEPTH_MM,
            base_radius_mm: SHOULDER_RADIUS_MM,
            height_mm: HEIGHT_MM,
        })?
        .with_lean_deg(LEAN_DEG)?
        .with_cortex(CORTEX)?
        .with_soft_tissue(SoftTissue::Layer(SOFT_MM))?
        .with_canal(CANAL)?;
        let centre = PatientPoint::from(ARCH_CENTRE);
        let on_arch = |mm: f64| {
            let (sin, cos) = (SITE_DEG.to_radians() + mm / ARCH_RADIUS_MM).sin_cos();
            centre + PatientVector::new(cos, sin, 0.0) * ARCH_RADIUS_MM
        };
        let (first, last) = (on_arch(-HALF_SPAN_MM), on_arch(HALF_SPAN_MM));
        let down = (-PatientDir::superior()).as_vector();
        let look = RidgeLook { blur_fwhm_mm: 0.45, ..RidgeLook::default() };
        let ridge = Ridge::arc(section, centre, first, last, down, look)?;
        let molar = RootSize { crown_radius: MOLAR_CROWN_RADIUS_MM, ..ROOT };
        let teeth =
            [(vec![ROOT_43_MM], ROOT), (vec![ROOT_44_MM], ROOT), (ROOTS_46_MM.to_vec(), molar)];
        let sigma = ridge.blur_sigma_mm();
        let teeth = teeth
            .iter()
            .map(|(places, size)| {
                let root = |&from_site: &f64| {
                    let (neck, axis) = neck_and_axis(&ridge, from_site)?;
                    Ok(Root::new(neck, axis, *size, sigma))
                };
                let roots = places.iter().map(root).collect::<Result<_, RidgeError>>()?;
                Ok(ToothBody { roots })
            })
            .collect::<Result<_, RidgeError>>()?;
        Ok(Self { ridge, teeth, edge: SoftEdge::new(sigma) })
    }

    pub(crate) fn grey_at(&self, point: PatientPoint) -> f64 {
        let Greys { soft, cortex, .. } = self.ridge.look().greys;
        let under = self.ridge.grey_at(point);
        let lay = |grey, tooth: &ToothBody| tooth.over(point, grey, soft, cortex, &self.edge);
        self.teeth.iter().fold(under, lay)
    }

    fn truth(&self) -> Result<DemoTruth, RidgeError> {
        let ridge = &self.ridge;
        let view = ridge.section().along_own_axis();
        let station_mm = HALF_SPAN_MM;
        let at = ridge.crest_at(station_mm);
        let stations: Vec<f64> = (0..AXIS_POINTS)
            .map(|n| 2.0 * HALF_SPAN_MM * n as f64 / (AXIS_POINTS - 1) as f64)
            .collect();
        let molar = RootSize { crown_radius: MOLAR_CROWN_RADIUS_MM, ..ROOT };
        let beside = |tooth, from_site, size| -> Result<DemoNeighbour, RidgeError> {
            let (neck, axis) = neck_and_axis(ridge, from_site)?;
            demo_truth::neighbour(tooth, neck, axis, size, at)
        };
        let neighbours = [beside("44", ROOT_44_MM, ROOT)?, beside("46", ROOTS_46_MM[0], molar)?];
        let roof = CANAL.roof_mm();
        Ok(DemoTruth {
            axis: ridge.axis_points(AXIS_POINTS),
            lingual_side: ridge.lingual_side(),
            apical: ridge.apical(),
            at,
            station_mm,
            own_axis: ridge.own_axis_at(station_mm)?,
            lean_deg: LEAN_DEG,
            crest: ridge.place(station_mm, view.crest()),
            bone_height_mm: view.height_mm(),
            widths: demo_truth::widths(ridge, station_mm, &LEVELS_MM),
            canal_centre: demo_truth::along(ridge, &stations, CANAL.across_mm, CANAL.depth_mm),
            canal_roof: demo_truth::along(ridge, &stations, CANAL.across_mm, roof),
            canal_radius_mm: CANAL.radius_mm,
            canal_height_mm: roof,
            gap_mm: neighbours[0].contact.distance_mm(neighbours[1].contact),
            neighbours,
        })
    }
}

/// The neck's centre of a root and its direction to the apex: the ridge's own axis there.
fn neck_and_axis(ridge: &Ridge, from_site: f64) -> Result<(PatientPoint, PatientDir), RidgeError> {
    let station = HALF_SPAN_MM + from_site;
    let neck = demo_truth::own_place(ridge, station, 0.0, -NECK_ABOVE_CREST_MM);
    Ok((neck, ridge.own_axis_at(station)?))
}

#[cfg(test)]
mod tests;
