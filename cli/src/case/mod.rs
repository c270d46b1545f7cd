//! The case file: what is to be measured, on which scan.

mod fixture;
mod limit;
mod list;
mod parts;
mod reader;
mod restoration;
mod tooth;
mod within;

use std::fs;
use std::path::{Path, PathBuf};

use jawgauge_bone::{Limit, Threshold};
use jawgauge_fixture::{Drilling, FixtureSolid, Neighbour, Pose, RequiredWalls, RestorativeRules};
use jawgauge_space::{PatientPoint, PatientVector};

use crate::error::{CliError, exit, quoted};
pub(crate) use jawgauge_report::picture::Arch;
use reader::{Section, Source};
pub(crate) use restoration::SiteRestoration;
pub(crate) use tooth::Tooth;
pub(crate) use within::Within;

/// Plausible distance of frames, mm.
const FRAME_PITCH_MM: std::ops::RangeInclusive<f64> = 0.02..=10.0;

/// Plausible blur of a scan, mm full width at half maximum.
const BLUR_MM: (f64, f64) = (0.05, 3.0);
/// Plausible standard uncertainty of a scanner's lengths, per cent.
const SCALE_U_PERCENT: (f64, f64) = (0.0, 5.0);

/// Where a site is on the ridge axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum SitePlace {
    At(PatientPoint),
    Station(f64),
}

/// The apical direction of a site's section.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum SectionAxis {
    Ridge,
    Apical,
    Along(PatientVector),
}

/// A place to measure.
#[derive(Debug, Clone)]
pub(crate) struct Site {
    pub(crate) id: String,
    pub(crate) tooth: Option<Tooth>,
    pub(crate) place: SitePlace,
    pub(crate) axis: SectionAxis,
    pub(crate) limits: Vec<Limit>,
    pub(crate) neighbours: Vec<Neighbour>,
    pub(crate) pose: Option<Pose>,
    pub(crate) platform_depth_mm: Option<f64>,
    pub(crate) within: Option<Within>,
    pub(crate) restoration: SiteRestoration,
}

/// A case, checked as far as the file itself tells.
#[derive(Debug, Clone)]
pub(crate) struct Case {
    pub(crate) scan: PathBuf,
    pub(crate) series: Option<String>,
    /// Distance of frames, mm, where a multi-frame object has one position only.
    pub(crate) frame_pitch_mm: Option<f64>,
    /// The scan's blur, mm full width at half maximum, where it is known.
    pub(crate) blur_fwhm_mm: Option<f64>,
    /// Standard uncertainty of lengths in the scan, as a share.
    pub(crate) scale_u_share: f64,
    pub(crate) arch: Arch,
    pub(crate) axis: Vec<PatientPoint>,
    /// The ridge may run otherwise than its axis by this much without a warning, degrees.
    pub(crate) axis_tolerance_deg: f64,
    pub(crate) lingual_side: Option<PatientPoint>,
    pub(crate) apical: PatientVector,
    pub(crate) threshold: Threshold,
    pub(crate) calibrated_hu: bool,
    pub(crate) levels_mm: Vec<f64>,
    /// Monte Carlo trials for each width; 0 for none.
    pub(crate) monte_carlo_trials: usize,
    pub(crate) required: RequiredWalls,
    pub(crate) restoration: RestorativeRules,
    pub(crate) sites: Vec<Site>,
    pub(crate) fixtures: Vec<(String, FixtureSolid)>,
    /// The drills that make room for them.
    pub(crate) drilling: Drilling,
}

/// Keys of the case file's top.
const TOP: &[&str] = &[
    "schema",
    "tooth_notation",
    "scan",
    "ridge",
    "bone",
    "measure",
    "walls",
    "drilling",
    "restoration",
    "site",
    "fixture",
    "fixtures",
];

/// Keys of `[scan]`.
const SCAN: &[&str] = &["path", "series", "frame_pitch_mm", "blur_fwhm_mm", "scale_u_percent"];

impl Case {
    /// All that is put into a site: fixtures, and what their drills remove.
    pub(crate) fn bodies(&self) -> Vec<(String, FixtureSolid)> {
        let mut bodies = self.fixtures.clone();
        for (id, _) in &self.fixtures {
            let drills = self.drilling.of(id).iter();
            let removed = drills.filter_map(|d| d.body(self.drilling.over_run_mm).ok());
            bodies.extend(removed.map(|body| (id.clone(), body)));
        }
        bodies
    }

    /// Reads and checks a case file.
    pub(crate) fn read(path: &Path) -> Result<Self, CliError> {
        let name = shown_name(path);
        let text = fs::read_to_string(path).map_err(|e| {
            let what = format!("the case file cannot be read ({e})");
            CliError::new(
                exit::USAGE,
                "case-file",
                what,
                name.clone(),
                "give the path of a TOML text file",
            )
        })?;
        let source = Source { name, text };
        let folder = path.parent().unwrap_or_else(|| Path::new("."));
        Self::from_source(&source, folder)
    }

    fn from_source(source: &Source, folder: &Path) -> Result<Self, CliError> {
        let document = source.parse()?;
        let top = Section::new(source, document.as_table(), 1, TOP)?;
        match top.text("schema")?.as_deref() {
            Some("case/1") => {}
            Some(other) => {
                return Err(top.bad(
                    "schema",
                    format!("{} is not known", quoted(other)),
                    "write \"case/1\"",
                ));
            }
            None => return Err(top.missing("schema", "write schema = \"case/1\"")),
        }
        let universal = match top.text("tooth_notation")?.as_deref() {
            None | Some("iso") => false,
            Some("universal") => true,
            Some(other) => {
                let what = format!("{} is not a notation", quoted(other));
                return Err(top.bad(
                    "tooth_notation",
                    what,
                    "write \"iso\" (ISO 3950, the default) or \"universal\"",
                ));
            }
        };
        let scan = top
            .table("scan", SCAN)?
            .ok_or_else(|| top.missing("scan", "write [scan] with path = \"…\""))?;
        let path =
            scan.text("path")?.ok_or_else(|| scan.missing("path", "give the scan's folder"))?;
        let ridge = parts::ridge(&top)?;
        let bone = top.table("bone", &["threshold", "calibrated_hu"])?;
        let threshold = bone.as_ref().map_or(Ok(Threshold::Auto), parts::threshold)?;
        let calibrated_hu = match &bone {
            Some(bone) => bone.flag("calibrated_hu")?.unwrap_or(false),
            None => false,
        };
        let measure = parts::measure(&top)?;
        let sites = parts::sites(&top, &ridge, universal)?;
        let rules = restoration::rules(&top)?;
        restoration::refuse_contradictions(&top, &ridge, &rules, &sites)?;
        let list::Fixtures { list: fixtures, drilling } = list::fixtures(&top, folder)?;
        let required = parts::required(&top)?;
        parts::check_cores(&top, &required, &fixtures)?;
        Ok(Self {
            scan: folder.join(path),
            series: scan.text("series")?,
            frame_pitch_mm: frame_pitch(&scan)?,
            blur_fwhm_mm: scan.number_in("blur_fwhm_mm", BLUR_MM.0, BLUR_MM.1)?,
            scale_u_share: scan
                .number_in("scale_u_percent", SCALE_U_PERCENT.0, SCALE_U_PERCENT.1)?
                .map_or(0.0, |percent| percent / 100.0),
            arch: ridge.arch,
            axis: ridge.axis,
            axis_tolerance_deg: ridge.axis_tolerance_deg,
            lingual_side: ridge.lingual_side,
            apical: ridge.apical,
            threshold,
            calibrated_hu,
            levels_mm: measure.levels_mm,
            monte_carlo_trials: measure.monte_carlo_trials,
            required,
            restoration: rules,
            sites,
            fixtures,
            drilling,
        })
    }
}

/// The distance of frames where the object tells none, or the wrong one; negative where the
/// frames run against row x column.
fn frame_pitch(scan: &Section<'_>) -> Result<Option<f64>, CliError> {
    let Some(mm) = scan.number("frame_pitch_mm")? else { return Ok(None) };
    if FRAME_PITCH_MM.contains(&mm.abs()) {
        Ok(Some(mm))
    } else {
        let remedy = "give the distance from frame to frame, 0.02 to 10 mm, negative where they run against row x column";
        Err(scan.bad("frame_pitch_mm", format!("{mm} is no distance of frames"), remedy))
    }
}

/// A case file's name without its folders, which may be named after a patient.
pub(crate) fn shown_name(path: &Path) -> String {
    let name = path
        .file_name()
        .map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned());
    name.escape_debug().to_string()
}

#[cfg(test)]
mod tests;
