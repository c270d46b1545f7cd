use jawgauge_bone::{
    BlurSource, LimitForm, Measured, Plate, SiteMeasure, ThresholdSource, Unmeasured, Width,
};
use jawgauge_section::PatientSide;
use jawgauge_space::SectionFrame;
use jawgauge_volume::VolumeGeometry;
use serde::Serialize;

use super::budget::budget;
use super::{
    BudgetEntry, FailedEntry, MonteCarloEntry, WarningEntry, direction, limit_word, point, rounded,
};

/// `jawgauge/measure/1`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MeasureDocument {
    /// `jawgauge/measure/1`.
    pub schema: &'static str,
    /// Version of the program.
    pub version: &'static str,
    /// The scan.
    pub scan: ScanEntry,
    /// Sites that were measured, in the order of the case.
    pub sites: Vec<MeasureSite>,
    /// Sites that could not be.
    pub failed: Vec<FailedEntry>,
    /// The usual cautions.
    pub caution: &'static str,
}

/// The scan that was measured.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ScanEntry {
    /// Columns, rows, slices.
    pub dims: [usize; 3],
    /// Voxel steps along columns, rows, slices, mm.
    pub spacing_mm: [f64; 3],
    /// What was noticed while reading it.
    pub warnings: Vec<WarningEntry>,
}

impl ScanEntry {
    /// The entry of a volume.
    #[must_use]
    pub fn new(geometry: &VolumeGeometry, warnings: Vec<WarningEntry>) -> Self {
        Self { dims: geometry.dims(), spacing_mm: geometry.spacing_mm().map(rounded), warnings }
    }
}

/// A section's axes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FrameEntry {
    /// The place on the ridge axis.
    pub origin: [f64; 3],
    /// Towards cheek or lip.
    pub buccal: [f64; 3],
    /// Into the jaw.
    pub apical: [f64; 3],
    /// Towards the midline along the arch.
    pub mesial: [f64; 3],
}

impl FrameEntry {
    pub(crate) fn new(frame: &SectionFrame) -> Self {
        Self {
            origin: point(frame.origin()),
            buccal: direction(frame.buccal()),
            apical: direction(frame.apical()),
            mesial: direction(frame.mesial()),
        }
    }
}

/// One site.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MeasureSite {
    /// The site's id.
    pub id: String,
    /// ISO 3950 number.
    pub tooth: Option<String>,
    /// `right`, `left` or `front` of the patient.
    pub side: &'static str,
    /// Arc length along the ridge axis, mm.
    pub station_mm: f64,
    /// The section's axes, after the turn to the ridge's long axis.
    pub frame: FrameEntry,
    /// Turn of the apical direction from the case's towards buccal, degrees.
    pub lean_deg: f64,
    /// Grey value at which bone begins.
    pub threshold: f64,
    /// `given` or `half-way`.
    pub threshold_source: &'static str,
    /// Grey value outside the bone, as found.
    pub outside_grey: Option<f64>,
    /// Grey value of the cortex, as found.
    pub cortex_grey: Option<f64>,
    /// Standard deviation of the grey value within one tissue.
    pub noise_grey: Option<f64>,
    /// Blur at the edges within the planes of slices, full width at half maximum, mm.
    pub blur_fwhm_mm: Option<f64>,
    /// The same across the slices; differs where the site's edges say so.
    pub blur_along_z_mm: Option<f64>,
    /// Standard uncertainty of the blur.
    pub blur_u_mm: Option<f64>,
    /// `given`, `edges` of thick cortex near the site, or `slope` of the grey value at the outline,
    /// where there is none.
    pub blur_source: Option<&'static str>,
    /// Angle between the ridge axis and the way the ridge runs, degrees.
    pub axis_off_deg: Option<f64>,
    /// Its standard uncertainty, degrees.
    pub axis_off_u_deg: Option<f64>,
    /// Factor by which widths are too wide for it.
    pub axis_inflation: Option<f64>,
    /// The way the ridge runs.
    pub ridge_direction: Option<[f64; 3]>,
    /// The most crestal place of the bone.
    pub crest: [f64; 3],
    /// How far the crest of a sharp ridge was put back beyond what the blur left visible, mm.
    pub crest_put_back_mm: Option<f64>,
    /// Widths at the levels, in the order asked for.
    pub widths: Vec<WidthEntry>,
    /// The least of them.
    pub min_width_mm: Option<f64>,
    /// Extent of the bone from the crest along apical.
    pub bone_height_mm: Option<f64>,
    /// Its expanded uncertainty.
    pub bone_height_u95_mm: Option<f64>,
    /// What that is made of.
    pub bone_height_budget: Option<Vec<BudgetEntry>>,
    /// Heights to the limits, in the order given.
    pub limits: Vec<LimitEntry>,
    /// What was seen, why it matters, what to do.
    pub warnings: Vec<WarningEntry>,
}

/// One width.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WidthEntry {
    /// Depth below the crest.
    pub level_mm: f64,
    /// Length of bone across.
    pub width_mm: Option<f64>,
    /// Expanded uncertainty, coverage factor 2.
    pub u95_mm: Option<f64>,
    /// What that is made of.
    pub budget: Option<Vec<BudgetEntry>>,
    /// The Monte Carlo method beside it, where that was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub monte_carlo: Option<MonteCarloEntry>,
    /// End towards the cheek.
    pub buccal: Option<[f64; 3]>,
    /// End towards the tongue.
    pub lingual: Option<[f64; 3]>,
    /// Thickness of the buccal plate along its normal.
    pub buccal_plate_mm: Option<f64>,
    /// Thickness of the lingual plate.
    pub lingual_plate_mm: Option<f64>,
    /// Its expanded uncertainty.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub buccal_plate_u95_mm: Option<f64>,
    /// ... and that of the lingual plate's.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lingual_plate_u95_mm: Option<f64>,
    /// What the buccal plate's is made of.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub buccal_plate_budget: Option<Vec<BudgetEntry>>,
    /// ... and the lingual plate's.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lingual_plate_budget: Option<Vec<BudgetEntry>>,
    /// Where the plate is too thin for the scan's blur: it lies between these, with 95 % probability.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub buccal_plate_range_mm: Option<[f64; 2]>,
    /// ... the lingual plate.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lingual_plate_range_mm: Option<[f64; 2]>,
    /// Where an end is cut off: the visible part, the width is at least this.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at_least_mm: Option<f64>,
}

/// Height to one limit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LimitEntry {
    /// What it is.
    pub kind: &'static str,
    /// `line` (a point or a polyline) or `surface`.
    pub form: &'static str,
    /// The radius of a canal; `null` where none is given.
    pub radius_mm: Option<f64>,
    /// From the crest to where it meets the section, along apical: to a canal's near wall, to a surface's plane.
    pub height_mm: Option<f64>,
    /// Expanded uncertainty.
    pub u95_mm: Option<f64>,
    /// What that is made of.
    pub budget: Option<Vec<BudgetEntry>>,
    /// Distance to keep.
    pub keep_mm: f64,
    /// Height less that.
    pub usable_mm: Option<f64>,
    /// Where it meets the section.
    pub at: Option<[f64; 3]>,
}

/// The entry of a measured site.
#[must_use]
pub fn measure_site_entry(
    id: &str,
    tooth: Option<&str>,
    side: PatientSide,
    station_mm: f64,
    measure: &SiteMeasure,
    warnings: Vec<WarningEntry>,
) -> MeasureSite {
    let bone = &measure.bone;
    let levels = bone.threshold.levels;
    let widths = measure
        .levels_mm
        .iter()
        .zip(&measure.widths)
        .map(|(&level, width)| width_entry(measure, level, width))
        .collect();
    let limits = measure
        .limits
        .iter()
        .map(|limit| LimitEntry {
            kind: limit_word(limit.kind),
            form: if limit.form == LimitForm::Surface { "surface" } else { "line" },
            radius_mm: Some(limit.radius_mm()).filter(|mm| *mm > 0.0).map(rounded),
            height_mm: limit.height.as_ref().ok().map(|h| rounded(h.mm)),
            u95_mm: limit.height.as_ref().ok().map(|h| rounded(h.u95_mm)),
            budget: limit.height.as_ref().ok().map(budget),
            keep_mm: rounded(limit.keep_mm),
            usable_mm: limit.usable_mm().map(rounded),
            at: limit.at.map(|p| point(bone.patient(p))),
        })
        .collect();
    MeasureSite {
        id: id.to_owned(),
        tooth: tooth.map(str::to_owned),
        side: match side {
            PatientSide::Right => "right",
            PatientSide::Left => "left",
            PatientSide::Front => "front",
            PatientSide::Unknown => "unknown",
        },
        station_mm: rounded(station_mm),
        frame: FrameEntry::new(&bone.frame),
        lean_deg: rounded(bone.turned_by_deg),
        threshold: rounded(bone.threshold.grey),
        threshold_source: match bone.threshold.source {
            ThresholdSource::Given => "given",
            ThresholdSource::HalfWay => "half-way",
        },
        outside_grey: levels.map(|l| rounded(l.outside)),
        cortex_grey: levels.map(|l| rounded(l.cortex)),
        noise_grey: levels.map(|l| rounded(l.noise)),
        blur_fwhm_mm: levels.map(|_| rounded(bone.quality.blur_fwhm_mm)),
        blur_along_z_mm: bone.blur().map(|b| rounded(b.along_z_mm)),
        blur_u_mm: bone.blur().map(|b| rounded(b.u_mm)),
        blur_source: bone.blur().map(|b| blur_word(b.source)),
        axis_off_deg: measure.direction.map(|d| rounded(d.off_deg)),
        axis_off_u_deg: measure.direction.map(|d| rounded(d.u_deg)),
        axis_inflation: measure.direction.map(|d| rounded(d.inflation())),
        ridge_direction: measure.direction.map(|d| direction(d.runs)),
        crest: point(bone.patient(bone.crest)),
        crest_put_back_mm: bone.tip.map(|t| rounded(t.mm)),
        widths,
        min_width_mm: measure.min_width.map(|w| rounded(w.width.mm)),
        bone_height_mm: measure.height.as_ref().ok().map(|h| rounded(h.mm)),
        bone_height_u95_mm: measure.height.as_ref().ok().map(|h| rounded(h.u95_mm)),
        bone_height_budget: measure.height.as_ref().ok().map(budget),
        limits,
        warnings,
    }
}

/// The words by which documents say where a blur came from.
fn blur_word(source: BlurSource) -> &'static str {
    match source {
        BlurSource::Given => "given",
        BlurSource::Edges => "edges",
        BlurSource::ThinEdges => "thin-edges",
        BlurSource::Slope => "slope",
    }
}

fn width_entry(
    measure: &SiteMeasure,
    level_mm: f64,
    width: &Result<Width, Unmeasured>,
) -> WidthEntry {
    let place = |p| point(measure.bone.patient(p));
    let none = WidthEntry {
        level_mm: rounded(level_mm),
        width_mm: None,
        u95_mm: None,
        budget: None,
        monte_carlo: None,
        buccal: None,
        lingual: None,
        buccal_plate_mm: None,
        lingual_plate_mm: None,
        buccal_plate_u95_mm: None,
        lingual_plate_u95_mm: None,
        buccal_plate_budget: None,
        lingual_plate_budget: None,
        buccal_plate_range_mm: None,
        lingual_plate_range_mm: None,
        at_least_mm: None,
    };
    match width {
        Ok(w) => WidthEntry {
            width_mm: Some(rounded(w.width.mm)),
            u95_mm: Some(rounded(w.width.u95_mm)),
            budget: Some(budget(&w.width)),
            monte_carlo: w.monte_carlo.as_ref().map(|m| MonteCarloEntry::new(&w.width, m)),
            buccal: Some(place(w.buccal)),
            lingual: Some(place(w.lingual)),
            buccal_plate_mm: thickness(&w.buccal_plate).map(|t| rounded(t.mm)),
            lingual_plate_mm: thickness(&w.lingual_plate).map(|t| rounded(t.mm)),
            buccal_plate_u95_mm: thickness(&w.buccal_plate).map(|t| rounded(t.u95_mm)),
            lingual_plate_u95_mm: thickness(&w.lingual_plate).map(|t| rounded(t.u95_mm)),
            buccal_plate_budget: thickness(&w.buccal_plate).as_ref().map(budget),
            lingual_plate_budget: thickness(&w.lingual_plate).as_ref().map(budget),
            buccal_plate_range_mm: range(&w.buccal_plate),
            lingual_plate_range_mm: range(&w.lingual_plate),
            ..none
        },
        Err(Unmeasured::Clipped { at_least_mm, .. }) => {
            WidthEntry { at_least_mm: Some(rounded(*at_least_mm)), ..none }
        }
        Err(_) => none,
    }
}

fn thickness(plate: &Result<Plate, Unmeasured>) -> Option<Measured> {
    plate.as_ref().ok().and_then(Plate::thickness)
}

fn range(plate: &Result<Plate, Unmeasured>) -> Option<[f64; 2]> {
    let (low, high) = plate.as_ref().ok()?.range_mm()?;
    Some([rounded(low), rounded(high)])
}
