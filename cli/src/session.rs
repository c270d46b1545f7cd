//! A case with its scan read and its sites measured.

use jawgauge_bone::{
    BoneError, MeasureOptions, SectionOptions, SiteMeasure, Threshold, measure_site, section_reach,
};
use jawgauge_intake::{ReadOptions, open_scan};
use jawgauge_report::documents::WarningEntry;
use jawgauge_section::{
    Interpolation, PatientSide, RidgeAxis, SectionError, SiteFrame, section_frame,
};
use jawgauge_space::{PatientDir, PatientPoint};
use jawgauge_volume::{CubicPatch, VoxelBox};

use crate::args::{Between, Cut};
use crate::case::{Case, SectionAxis, Site, SitePlace, Tooth};
use crate::error::{CliError, exit, quoted};
use crate::parts::Parts;
use crate::warn;

/// A site's point further from the ridge axis than this, mm, is worth a warning.
const FAR_FROM_AXIS_MM: f64 = 5.0;

/// A site that was measured.
pub(crate) struct MeasuredSite {
    pub(crate) site: Site,
    pub(crate) frame: SiteFrame,
    /// The point by which the site's piece of bone is known.
    pub(crate) point: PatientPoint,
    pub(crate) options: SectionOptions,
    pub(crate) measure: SiteMeasure,
    /// The part of the grid that the measuring looked at.
    pub(crate) part: VoxelBox,
    pub(crate) warnings: Vec<WarningEntry>,
}

impl MeasuredSite {
    /// Whether every value that was asked for could be measured.
    pub(crate) fn is_complete(&self) -> bool {
        self.measure.widths.iter().all(Result::is_ok)
            && self.measure.limits.iter().all(|l| l.height.is_ok())
    }

    pub(crate) fn tooth(&self) -> Option<String> {
        self.site.tooth.map(crate::case::Tooth::iso)
    }
}

/// A case with its scan and its sites, measured or failed, in the order of the case.
pub(crate) struct Session {
    pub(crate) case: Case,
    pub(crate) axis: RidgeAxis,
    pub(crate) parts: Parts,
    pub(crate) scan_warnings: Vec<WarningEntry>,
    pub(crate) sites: Vec<Result<MeasuredSite, (String, CliError)>>,
}

impl Session {
    /// Reads the scan and measures every site; one that fails does not stop the others.
    pub(crate) fn open(case: Case, cut: &Cut) -> Result<Self, CliError> {
        let axis = RidgeAxis::through(&case.axis).map_err(|e| {
            CliError::new(exit::USAGE, "case-value", e.to_string(), "[ridge] axis", "")
        })?;
        let mut options = ReadOptions::default();
        if let Some(series) = &case.series {
            options = options.with_series(series);
        }
        if let Some(pitch) = case.frame_pitch_mm {
            options = options.with_frame_pitch_mm(pitch);
        }
        let parts = Parts::new(open_scan(&case.scan, &options)?);
        let mut sites = Vec::new();
        for site in &case.sites {
            match measure(&case, &axis, &parts, site, cut) {
                Ok(measured) => sites.push(Ok(measured)),
                // What is wrong with the scan or the case is wrong for all sites.
                Err(error) if [exit::USAGE, exit::SCAN].contains(&error.exit) => return Err(error),
                Err(error) => sites.push(Err((site.id.clone(), error))),
            }
        }
        let scan_warnings = warn::of_scan(&parts.warnings());
        Ok(Self { case, axis, parts, scan_warnings, sites })
    }

    pub(crate) fn measured(&self) -> impl Iterator<Item = &MeasuredSite> {
        self.sites.iter().filter_map(|s| s.as_ref().ok())
    }

    pub(crate) fn failed(&self) -> impl Iterator<Item = &(String, CliError)> {
        self.sites.iter().filter_map(|s| s.as_ref().err())
    }

    /// Whether every site and every value that was asked for could be measured.
    pub(crate) fn is_complete(&self) -> bool {
        self.sites.iter().all(|s| s.as_ref().is_ok_and(MeasuredSite::is_complete))
    }
}

fn measure(
    case: &Case,
    axis: &RidgeAxis,
    parts: &Parts,
    site: &Site,
    cut: &Cut,
) -> Result<MeasuredSite, CliError> {
    let (place, point) = match site.place {
        SitePlace::At(at) => (axis.nearest_to(at), Some(at)),
        SitePlace::Station(station) => (axis.at_station(station), None),
    };
    let place = place.map_err(|e| of_section(site, &e))?;
    let point = point.unwrap_or(place.point);
    let (apical, along_ridge) = match site.axis {
        SectionAxis::Ridge => (case.apical, true),
        SectionAxis::Apical => (case.apical, false),
        SectionAxis::Along(direction) => (direction, false),
    };
    let mut frame =
        section_frame(axis, place, apical, case.lingual_side).map_err(|e| of_section(site, &e))?;
    let other_side = parts.scan().facts().place_known
        && site.tooth.is_some_and(|tooth| runs_to_the_other_side(&frame, tooth));
    if let Some(tooth) = site.tooth.filter(|tooth| {
        !frame.mesial_known && parts.scan().facts().place_known && !contradicts(&frame, *tooth)
    }) {
        // The place does not tell the side of the midline, the tooth's number does.
        frame = frame.with_mesial_leftward(tooth.is_right()).map_err(|e| of_section(site, &e))?;
    }
    let options = SectionOptions {
        threshold: case.threshold,
        along_ridge,
        step_mm: cut.step_mm,
        slab_mm: cut.slab_mm,
        interpolation: match cut.interpolation {
            Between::Linear => Interpolation::Linear,
            Between::Cubic => Interpolation::Cubic,
        },
        blur_fwhm_mm: case.blur_fwhm_mm,
    };
    let all = MeasureOptions {
        levels_mm: case.levels_mm.clone(),
        section: options,
        scale_u_share: case.scale_u_share,
        axis_tolerance_deg: case.axis_tolerance_deg,
        monte_carlo_trials: case.monte_carlo_trials,
    };
    let reach = section_reach(&frame.frame, cut.slab_mm);
    let geometry = parts.scan().geometry();
    let mut guess = geometry.voxels_around(&reach);
    if options.interpolation == Interpolation::Cubic {
        guess = guess.map(|g| g.widened(CubicPatch::MARGIN_VOXELS, geometry.dims()));
    }
    let (measure, part) = parts.with_enough(guess, |volume| {
        (measure_site(volume, frame.frame, point, &site.limits, &all), volume.part())
    })?;
    let measure = measure.map_err(|e| CliError::of_site(&site.id, &e))?;
    if !parts.scan().facts().place_known {
        // What follows from left and right means nothing then.
        frame.side = PatientSide::Unknown;
        frame.mesial_known = false;
    }
    let mut warnings = frame_warnings(site, &frame);
    if let Some(tooth) = site.tooth.filter(|_| other_side) {
        let (is, lies) = if tooth.is_right() { ("right", "left") } else { ("left", "right") };
        let message = format!(
            "tooth {} is on the patient's {is}, but the ridge axis has the site on the {lies} of its foremost place, so mesial and distal may be exchanged: check the site's `tooth`, its place and [ridge] axis",
            tooth.iso()
        );
        warnings.push(WarningEntry { code: "tooth-side".to_owned(), message });
    }
    if case.blur_fwhm_mm.is_some() && matches!(case.threshold, Threshold::Grey(_)) {
        let message = "`blur_fwhm_mm` is not used, because `threshold` is given and no wall is fitted then: use \"auto\"";
        warnings
            .push(WarningEntry { code: "blur-not-used".to_owned(), message: message.to_owned() });
    }
    warnings.extend(warn::of_site(&measure));
    Ok(MeasuredSite { site: site.clone(), frame, point, options, measure, part, warnings })
}

fn of_section(site: &Site, error: &SectionError) -> CliError {
    let place = format!("site {}", quoted(&site.id));
    match error {
        SectionError::SideInLine { .. } => {
            CliError::new(exit::PARTLY, "side-unknown", error.to_string(), place, "")
        }
        SectionError::SideUnknown { .. } => {
            CliError::new(exit::USAGE, "side-unknown", error.to_string(), place, "")
        }
        SectionError::BeyondEnd { .. } | SectionError::OffAxis { .. } => {
            let remedy = "check the site's place, or extend [ridge] axis";
            CliError::new(exit::PARTLY, "site-off-axis", error.to_string(), place, remedy)
        }
        other => CliError::of_site(&site.id, &BoneError::Section(other.clone())),
    }
}

fn frame_warnings(site: &Site, frame: &SiteFrame) -> Vec<WarningEntry> {
    let mut warnings = Vec::new();
    let mut warn = |code: &str, message: String| {
        warnings.push(WarningEntry { code: code.to_owned(), message });
    };
    if frame.place.distance_mm > FAR_FROM_AXIS_MM {
        let off = frame.place.distance_mm;
        warn(
            "site-far-from-axis",
            format!(
                "the site's point is {off:.1} mm from the ridge axis, so its section is elsewhere than it seems: check `at` and [ridge] axis"
            ),
        );
    }
    if frame.side == PatientSide::Unknown {
        warn(
            "mesial-unknown",
            "the scan does not tell where it lies in the patient, so which way along the ridge axis is mesial is a guess: tell mesial from distal on the scan".to_owned(),
        );
        return warnings;
    }
    if !frame.axis_right_to_left {
        warn(
            "axis-order",
            "the ridge axis runs from the patient's left to right here, or the tongue's side is on the wrong side of it, so that buccal and lingual may be exchanged: give the points patient right to left and check `lingual_side`".to_owned(),
        );
    }
    if !frame.mesial_known {
        warn(
            "mesial-unknown",
            format!(
                "the ridge axis does not go round the front of the arch, so which way along it is mesial is a guess: {} extend [ridge] axis round the front",
                if site.tooth.is_some() {
                    "check the site's `tooth`, or"
                } else {
                    "give the site's `tooth`, or"
                }
            ),
        );
    }
    if let Some(tooth) = site.tooth.filter(|tooth| contradicts(frame, *tooth)) {
        let (is, lies) = if tooth.is_right() { ("right", "left") } else { ("left", "right") };
        warn(
            "tooth-side",
            format!(
                "tooth {} is on the patient's {is}, but the site's cheek side points to the patient's {lies}: make sure that this is the right site before anything else",
                tooth.iso()
            ),
        );
    }
    warnings
}

/// Whether a front tooth's way to the midline, as the ridge axis tells it, is that of the other side.
fn runs_to_the_other_side(frame: &SiteFrame, tooth: Tooth) -> bool {
    let leftward = frame.frame.mesial().dot(PatientDir::left()) > 0.0;
    frame.side == PatientSide::Front && frame.mesial_known && leftward != tooth.is_right()
}

/// Whether a tooth's number says the one side of the mouth and the site's place the other.
fn contradicts(frame: &SiteFrame, tooth: Tooth) -> bool {
    match frame.side {
        PatientSide::Right => !tooth.is_right(),
        PatientSide::Left => tooth.is_right(),
        PatientSide::Front | PatientSide::Unknown => false,
    }
}
