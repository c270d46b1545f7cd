//! Jaws of the phantom, measured and fitted, as pictures are drawn of them.
#![allow(dead_code)] // each test file uses its part

pub(crate) mod drawn;

use jawgauge_bone::{Limit, LimitForm, LimitKind, MeasureOptions, SiteMeasure, measure_site};
use jawgauge_fixture::{Fit, FitContext, FixtureSolid, Neighbour, Pose, RequiredWalls, fit_site};
use jawgauge_phantom::{
    Cortex, CrossSection, GridOptions, Noise, Profile, Ridge, RidgeLook, SoftTissue, Storage,
    demo_jaw, render,
};
use jawgauge_report::picture::{Arch, PlateInput};
use jawgauge_section::{Interpolation, PatientSide, RidgeAxis, section_frame};
use jawgauge_space::{PatientPoint, PatientVector, SectionPoint};

use jawgauge_volume::{Rescale, Volume, VolumeGeometry};

/// A measured site and, where asked for, a fixture in it.
pub(crate) struct Case {
    pub(crate) id: String,
    pub(crate) tooth: String,
    pub(crate) arch: Arch,
    pub(crate) side: PatientSide,
    pub(crate) volume: Volume,
    pub(crate) axis: RidgeAxis,
    pub(crate) apical: PatientVector,
    pub(crate) measure: SiteMeasure,
    pub(crate) fit: Option<Fit>,
}

impl Case {
    pub(crate) fn input(&self) -> PlateInput<'_> {
        PlateInput {
            site_id: &self.id,
            tooth: Some(&self.tooth),
            arch: self.arch,
            side: self.side,
            volume: &self.volume,
            measure: &self.measure,
            fit: self.fit.as_ref(),
            interpolation: Interpolation::Cubic,
            slab_mm: 0.0,
            required: RequiredWalls::default(),
        }
    }
}

/// What is put into a site.
pub(crate) struct Put {
    pub(crate) id: &'static str,
    pub(crate) solid: FixtureSolid,
    pub(crate) pose: Option<Pose>,
}

/// The demonstration jaw at its gap, with its nerve canal.
pub(crate) fn demo(put: impl FnOnce(&SiteMeasure) -> Option<Put>) -> Case {
    let jaw = demo_jaw().expect("the demonstration jaw");
    let truth = jaw.truth;
    let canal = Limit {
        kind: LimitKind::NerveCanal,
        form: LimitForm::default(),
        points: truth.canal_roof.clone(),
        keep_mm: 2.0,
    };
    let neighbours: Vec<Neighbour> = truth
        .neighbours
        .iter()
        .map(|n| Neighbour {
            tooth: n.tooth.to_string(),
            root: [n.neck, n.apex],
            apex_diameter_mm: None,
            root_diameter_mm: n.root_diameter_mm,
            cej: None,
            contact: None,
        })
        .collect();
    let site = Site {
        id: "lower right second premolar".to_owned(),
        tooth: "45".to_owned(),
        arch: Arch::Mandible,
        volume: jaw.volume,
        axis: RidgeAxis::through(&truth.axis).expect("an axis"),
        apical: truth.apical.as_vector(),
        lingual_side: truth.lingual_side,
        at: truth.at,
        limits: vec![canal],
        neighbours,
        levels_mm: MeasureOptions::default().levels_mm,
    };
    site.measured(put)
}

/// A straight ridge on the patient's right or left, in its own soft tissue.
pub(crate) struct Straight {
    pub(crate) section: CrossSection,
    pub(crate) arch: Arch,
    pub(crate) x_mm: f64,
    pub(crate) limits: Vec<Limit>,
    pub(crate) id: String,
    pub(crate) margin_mm: f64,
    /// Share of the columns and first absent slices, so that the bone is cut off.
    pub(crate) columns: f64,
    pub(crate) absent: usize,
    /// Bone without marrow.
    pub(crate) solid: bool,
    /// Angle between the given axis and the ridge, degrees.
    pub(crate) axis_off_deg: f64,
    pub(crate) levels_mm: Vec<f64>,
}

impl Straight {
    pub(crate) fn new(profile: Profile, lean_deg: f64, arch: Arch, x_mm: f64) -> Self {
        let section = CrossSection::new(profile)
            .and_then(|s| s.with_lean_deg(lean_deg))
            .and_then(|s| s.with_cortex(Cortex::even(1.2)))
            .and_then(|s| s.with_soft_tissue(SoftTissue::Layer(3.0)))
            .expect("a section");
        let id = "site 1".to_owned();
        Self {
            section,
            arch,
            x_mm,
            limits: Vec::new(),
            id,
            margin_mm: 6.0,
            columns: 1.0,
            absent: 0,
            solid: false,
            axis_off_deg: 0.0,
            levels_mm: MeasureOptions::default().levels_mm,
        }
    }

    pub(crate) fn measured(self, put: impl FnOnce(&SiteMeasure) -> Option<Put>) -> Case {
        let apical = match self.arch {
            Arch::Maxilla => PatientVector::new(0.0, 0.0, 1.0),
            Arch::Mandible => PatientVector::new(0.0, 0.0, -1.0),
        };
        // Patient right to left: forwards on the right, backwards on the left.
        let ahead = 8.0 * self.x_mm.signum();
        let first = PatientPoint::new(self.x_mm, -ahead, 0.0);
        let last = PatientPoint::new(self.x_mm, ahead, 0.0);
        let lingual = PatientPoint::new(0.0, 0.0, 0.0);
        let section = if self.solid {
            CrossSection::new(self.section.profile())
                .and_then(|s| s.with_lean_deg(self.section.lean_deg()))
                .and_then(|s| s.with_soft_tissue(SoftTissue::Layer(3.0)))
                .expect("a section")
        } else {
            self.section
        };
        let ridge = Ridge::straight(section, first, last, apical, lingual, RidgeLook::default())
            .expect("a ridge");
        let grid = GridOptions::default().with_margin_mm(self.margin_mm);
        let whole = ridge.grid(&grid).expect("a grid");
        let [ni, nj, nk] = whole.dims();
        // A share of the columns.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let kept = (self.columns * ni as f64) as usize;
        let geometry = VolumeGeometry::new([kept, nj, nk], *whole.affine()).expect("a grid");
        let rescale = Rescale { slope: 1.0, intercept: -2000.0 };
        let noise = Noise { sd: 45.0, seed: 7 };
        let volume = render(geometry, Storage::Unsigned, rescale, noise, |p| ridge.grey_at(p))
            .and_then(|v| Ok(v.with_absent_slices((0..nk).map(|k| k < self.absent).collect())?))
            .expect("a scan");
        let middle = ridge.crest_at(ridge.length_mm() / 2.0);
        let (sin, cos) = self.axis_off_deg.to_radians().sin_cos();
        let axis: Vec<PatientPoint> = ridge
            .axis_points(5)
            .iter()
            .map(|p| {
                let from = *p - middle;
                middle + from * cos + PatientVector::new(from.to_array()[1] * sin, 0.0, 0.0)
            })
            .collect();
        let site = Site {
            levels_mm: self.levels_mm,
            id: self.id,
            tooth: if self.arch == Arch::Maxilla { "25" } else { "36" }.to_owned(),
            arch: self.arch,
            volume,
            axis: RidgeAxis::through(&axis).expect("an axis"),
            apical,
            lingual_side: lingual,
            at: middle,
            limits: self.limits,
            neighbours: Vec::new(),
        };
        site.measured(put)
    }
}

struct Site {
    id: String,
    tooth: String,
    arch: Arch,
    volume: Volume,
    axis: RidgeAxis,
    apical: PatientVector,
    lingual_side: PatientPoint,
    at: PatientPoint,
    limits: Vec<Limit>,
    neighbours: Vec<Neighbour>,
    levels_mm: Vec<f64>,
}

impl Site {
    fn measured(self, put: impl FnOnce(&SiteMeasure) -> Option<Put>) -> Case {
        let place = self.axis.nearest_to(self.at).expect("on the axis");
        let site = section_frame(&self.axis, place, self.apical, Some(self.lingual_side))
            .expect("a frame");
        let options = MeasureOptions::default().with_levels_mm(self.levels_mm.clone());
        let measure = measure_site(&self.volume, site.frame, self.at, &self.limits, &options)
            .expect("measured");
        let fit = put(&measure).map(|put| {
            let context = FitContext {
                volume: &self.volume,
                site: self.at,
                options: options.section,
                limits: &self.limits,
                neighbours: &self.neighbours,
                required: RequiredWalls::default(),
                pose: put.pose,
                platform_depth_mm: 0.5,
                scale_u_share: 0.0,
                drilling: None,
                space: None,
            };
            let fixtures = [(put.id.to_owned(), put.solid)];
            let done = fit_site(&measure.bone, &fixtures, &context);
            done.fits.into_iter().next().unwrap_or_else(|| panic!("{:?}", done.failed))
        });
        Case {
            id: self.id,
            tooth: self.tooth,
            arch: self.arch,
            side: site.side,
            volume: self.volume,
            axis: self.axis,
            apical: self.apical,
            measure,
            fit,
        }
    }
}

/// A pose in the site's section: platform `depth_mm` below the crest and `off_mm` buccal of it,
/// leaning to the cheek.
pub(crate) fn pose(measure: &SiteMeasure, depth_mm: f64, off_mm: f64, lean_deg: f64) -> Pose {
    let bone = &measure.bone;
    let platform =
        SectionPoint::new(bone.crest.buccal_mm + off_mm, bone.crest.apical_mm + depth_mm);
    Pose { platform: bone.patient(platform), apical: bone.frame.turned(lean_deg).apical() }
}

/// A fixture of these sizes (diameter, apex, length), in a pose or where it fits best.
pub(crate) fn put(id: &'static str, sizes_mm: [f64; 3], pose: Option<Pose>) -> Option<Put> {
    let [diameter, apex, length] = sizes_mm;
    let solid = FixtureSolid::tapered(diameter, apex, length).expect("a solid");
    Some(Put { id, solid, pose })
}

/// A ridge that widens to its base.
pub(crate) fn tapered() -> Profile {
    Profile::Tapered { crest_radius_mm: 2.5, base_radius_mm: 4.0, height_mm: 20.0 }
}

/// A buccal plate thinner than the blur, under an axis that is 9 degrees off.
pub(crate) fn thin() -> Case {
    let mut site = Straight::new(tapered(), 4.0, Arch::Mandible, -20.0);
    let cortex = Cortex { buccal_mm: 0.35, lingual_mm: 1.4, crest_mm: 1.6, base_mm: 1.8 };
    site.section = CrossSection::new(tapered())
        .and_then(|s| s.with_lean_deg(4.0))
        .and_then(|s| s.with_cortex(cortex))
        .and_then(|s| s.with_soft_tissue(SoftTissue::Layer(3.0)))
        .expect("a section");
    site.axis_off_deg = 9.0;
    site.measured(|_| put("3.3 x 9", [3.3, 2.8, 9.0], None))
}
