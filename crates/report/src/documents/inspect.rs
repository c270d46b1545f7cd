use jawgauge_bone::{GreySurvey, ScanBlur, StepKind};
use jawgauge_volume::VolumeGeometry;
use serde::Serialize;

use super::{WarningEntry, rounded};

/// Walls thinner than this many of the longest voxel steps are near the limit of what a scan can
/// show (common practice, no source).
pub const WALL_LIMIT_STEPS: f64 = 2.0;

/// `jawgauge/inspect/1`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InspectDocument {
    /// `jawgauge/inspect/1`.
    pub schema: &'static str,
    /// Version of the program.
    pub version: &'static str,
    /// The volumes found.
    pub volumes: Vec<VolumeEntry>,
    /// The usual cautions.
    pub caution: &'static str,
}

/// One volume.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct VolumeEntry {
    /// Series Instance UID.
    pub series: String,
    /// Columns, rows, slices; this and what follows is `null` where the volume cannot be used.
    pub dims: Option<[usize; 3]>,
    /// Voxel steps, mm.
    pub spacing_mm: Option<[f64; 3]>,
    /// Lengths from face to face along columns, rows, slices, mm.
    pub extent_mm: Option<[f64; 3]>,
    /// Voxel index i, j, k to LPS, rows first.
    pub affine: Option<[[f64; 4]; 4]>,
    /// Whether the files tell where the voxels lie in the patient; where not, the axes of
    /// `affine` are those of the grid.
    pub place_known: Option<bool>,
    /// Angle between the direction of the stack and the normal of its slices, degrees.
    pub shear_deg: Option<f64>,
    /// Lowest and highest grey value.
    pub grey_range: Option<[f64; 2]>,
    /// The same without the outermost 0.05 % of the voxels at either end.
    pub grey_usual_range: Option<[f64; 2]>,
    /// Grey values of the tissues.
    pub grey_landmarks: Option<LandmarksEntry>,
    /// Grey value of what is air or soft tissue, where nothing tells which.
    pub air_or_soft_tissue: Option<f64>,
    /// Standard deviation of the grey value within soft tissue, or within what is air or soft
    /// tissue.
    pub noise: Option<f64>,
    /// The same within each tissue.
    pub noise_within: Option<LandmarksEntry>,
    /// Bone less soft tissue, over `noise`.
    pub contrast_to_noise: Option<f64>,
    /// Share of the scanned voxels that are metal, 0 to 1; 0 where none was seen.
    pub metal_share: Option<f64>,
    /// Grey value above which a voxel counts as metal.
    pub metal_above: Option<f64>,
    /// Share of the scanned voxels at the highest grey value, where values were cut off there.
    pub cut_off_share: Option<f64>,
    /// Share of the voxels that were not scanned, 0 to 1.
    pub not_scanned_share: Option<f64>,
    /// Grey value that fills the surroundings of what was scanned, undeclared.
    pub fill_grey: Option<f64>,
    /// Blur across steps that face within the slices, full width at half maximum, mm: the median over clean
    /// steps between two tissues. What a site finds for itself goes first.
    pub blur_fwhm_mm: Option<f64>,
    /// Its standard uncertainty, mm.
    pub blur_u_mm: Option<f64>,
    /// How it differs from step to step: half of the middle 68 of 100, mm.
    pub blur_spread_mm: Option<f64>,
    /// The same blur across steps that face along z.
    pub blur_along_z_mm: Option<f64>,
    /// `air-soft-tissue` or `soft-tissue-bone`.
    pub blur_steps_between: Option<&'static str>,
    /// Clean steps that were found.
    pub blur_steps: Option<usize>,
    /// Walls thinner than this are near the limit of what the voxels can show, mm.
    pub wall_limit_mm: Option<f64>,
    /// Transfer Syntax UID.
    pub transfer_syntax: Option<String>,
    /// SOP Class UID.
    pub sop_class: Option<String>,
    /// Whether Patient Identity Removed is YES in every file.
    pub identity_removed: Option<bool>,
    /// Whether a patient's name, ID or birth date stands in any file.
    pub names_patient: Option<bool>,
    /// Files in the volume.
    pub files: usize,
    /// Slices in the volume.
    pub slices: Option<usize>,
    /// Files left out, by reason.
    pub skipped: Vec<SkippedEntry>,
    /// What was noticed, or why the volume cannot be used.
    pub warnings: Vec<WarningEntry>,
    /// Whether the volume can be measured.
    pub usable: bool,
}

/// A number for each tissue, `null` where it was not found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LandmarksEntry {
    /// Air.
    pub air: Option<f64>,
    /// Soft tissue.
    pub soft_tissue: Option<f64>,
    /// Bone.
    pub bone: Option<f64>,
}

/// Files that took no part.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SkippedEntry {
    /// Why, a stable word.
    pub reason: &'static str,
    /// SOP Class UID of objects that are no scan.
    pub sop_class: Option<String>,
    /// How many.
    pub files: usize,
}

impl VolumeEntry {
    /// The entry with what a grid tells.
    #[must_use]
    pub fn with_geometry(mut self, geometry: &VolumeGeometry) -> Self {
        let (dims, spacing) = (geometry.dims(), geometry.spacing_mm());
        self.dims = Some(dims);
        self.spacing_mm = Some(spacing.map(nanometres));
        self.extent_mm = Some([0, 1, 2].map(|a| rounded(dims[a] as f64 * spacing[a])));
        self.affine = Some(geometry.affine().to_rows().map(|row| row.map(nanometres)));
        let [i, j, k] = geometry.affine().steps();
        let normal = i.cross(j).direction().ok();
        let lean = normal.zip(k.direction().ok()).map(|(n, k)| k.angle_deg(n));
        self.shear_deg = lean.map(|deg| rounded(deg.min(180.0 - deg)));
        self.wall_limit_mm = Some(rounded(WALL_LIMIT_STEPS * geometry.coarsest_mm()));
        self
    }

    /// The entry with what the grey values tell.
    #[must_use]
    pub fn with_survey(mut self, survey: &GreySurvey) -> Self {
        let tissues = [survey.air, survey.soft_tissue, survey.bone].map(Result::ok);
        let each = |[air, soft_tissue, bone]: [Option<f64>; 3]| {
            Some(LandmarksEntry { air, soft_tissue, bone })
        };
        self.grey_landmarks = each(tissues.map(|l| l.map(|l| rounded(l.grey))));
        self.noise_within = each(tissues.map(|l| l.and_then(|l| l.noise).map(rounded)));
        self.grey_usual_range = survey.usual_range.map(|(low, high)| [low, high].map(rounded));
        self.air_or_soft_tissue = survey.air_or_soft.map(|l| rounded(l.grey));
        self.noise = survey.noise().map(rounded);
        self.contrast_to_noise = survey.contrast_to_noise().map(rounded);
        self.metal_above = survey.metal_above.map(rounded);
        self.metal_share = survey.metal_share.map(millionths);
        self.cut_off_share = survey.cut_off_share.map(millionths);
        self.not_scanned_share = Some(millionths(survey.not_scanned_share));
        self.fill_grey = survey.fill.map(rounded);
        self
    }
}

impl VolumeEntry {
    /// The entry with the blur that clean steps tell.
    #[must_use]
    pub fn with_blur(mut self, blur: Option<&ScanBlur>) -> Self {
        self.blur_fwhm_mm = blur.map(|b| rounded(b.in_plane_mm));
        self.blur_u_mm = blur.map(|b| rounded(b.u_mm));
        self.blur_spread_mm = blur.map(|b| rounded(b.spread_mm));
        self.blur_along_z_mm = blur.and_then(|b| b.along_z_mm).map(rounded);
        self.blur_steps = blur.map(|b| b.steps);
        self.blur_steps_between = blur.map(|b| match b.kind {
            StepKind::Skin => "air-soft-tissue",
            StepKind::Bone => "soft-tissue-bone",
        });
        self
    }
}

/// Without the last digits, which are rounding of the fit to the slices' positions.
fn nanometres(mm: f64) -> f64 {
    (mm * 1e6).round() / 1e6
}

fn millionths(share: f64) -> f64 {
    (share * 1e6).round() / 1e6
}
