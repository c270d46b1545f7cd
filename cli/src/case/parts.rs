//! The tables of a case file.

use jawgauge_bone::{MeasureOptions, Threshold};
use jawgauge_fixture::{FixtureSolid, Neighbour, Pose, RequiredWalls, WallsTo};
use jawgauge_space::{PatientPoint, PatientVector};

use super::reader::Section;
use super::{Arch, SectionAxis, Site, SitePlace, Tooth};
use crate::error::{CliError, quoted};

/// Tolerances of the ridge axis' direction, degrees: beyond them nothing is tolerated, or all.
const AXIS_TOLERANCE_DEG: (f64, f64) = (0.0, 45.0);
/// Monte Carlo trials: fewer tell the ends of an interval too badly, more take too long.
const TRIALS: (f64, f64) = (1000.0, 1_000_000.0);
/// Keys of `[walls]`.
const WALLS: &[&str] = &["buccal_mm", "lingual_mm", "tooth_mm", "fixture_mm", "to"];
/// Keys of a neighbour.
const NEIGHBOUR: &[&str] =
    &["tooth", "root", "root_diameter_mm", "root_apex_diameter_mm", "cej", "contact"];
/// Coordinates beyond this, mm, are no place in a patient.
const FARTHEST_MM: f64 = 10_000.0;

/// Neck and apex closer than this, mm, are one mark set twice: no root is that short, and a direction between them is
/// that of the hand.
const SHORTEST_ROOT_MM: f64 = 1.0;

pub(super) struct Ridge {
    pub(super) arch: Arch,
    pub(super) axis: Vec<PatientPoint>,
    pub(super) axis_tolerance_deg: f64,
    pub(super) lingual_side: Option<PatientPoint>,
    pub(super) apical: PatientVector,
}

pub(super) fn ridge(top: &Section<'_>) -> Result<Ridge, CliError> {
    let ridge = top
        .table("ridge", &["arch", "axis", "axis_tolerance_deg", "lingual_side", "apical"])?
        .ok_or_else(|| top.missing("ridge", "write [ridge] with arch and axis"))?;
    let arch = match ridge.text("arch")?.as_deref() {
        Some("maxilla") => Arch::Maxilla,
        Some("mandible") => Arch::Mandible,
        Some(other) => {
            let what = format!("{} is not a jaw", quoted(other));
            return Err(ridge.bad("arch", what, "write \"maxilla\" or \"mandible\""));
        }
        None => return Err(ridge.missing("arch", "write \"maxilla\" or \"mandible\"")),
    };
    let axis = points(&ridge, "axis")?.ok_or_else(|| {
        ridge.missing("axis", "give two or more points along the crest, patient right to left")
    })?;
    // Built here so that a fault of the points is told with the key and its line.
    jawgauge_section::RidgeAxis::through(&axis).map_err(|e| {
        ridge.bad("axis", e.to_string(), "give two or more different points, patient right to left")
    })?;
    let apical = match direction(&ridge, "apical")? {
        Some(apical) => apical,
        None if arch == Arch::Maxilla => PatientVector::new(0.0, 0.0, 1.0),
        None => PatientVector::new(0.0, 0.0, -1.0),
    };
    let tolerance =
        ridge.number_in("axis_tolerance_deg", AXIS_TOLERANCE_DEG.0, AXIS_TOLERANCE_DEG.1)?;
    Ok(Ridge {
        arch,
        axis,
        axis_tolerance_deg: tolerance.unwrap_or(MeasureOptions::default().axis_tolerance_deg),
        lingual_side: point(&ridge, "lingual_side")?,
        apical,
    })
}

pub(super) fn threshold(bone: &Section<'_>) -> Result<Threshold, CliError> {
    if !bone.has("threshold") {
        return Ok(Threshold::Auto);
    }
    match bone.text("threshold") {
        Ok(Some(text)) if text == "auto" => Ok(Threshold::Auto),
        Ok(Some(text)) => Err(bone.bad(
            "threshold",
            format!("{} is not known", quoted(&text)),
            "write \"auto\" or a grey value",
        )),
        _ => Ok(bone.number("threshold")?.map_or(Threshold::Auto, Threshold::Grey)),
    }
}

/// What `[measure]` asks for.
pub(super) struct Measure {
    pub(super) levels_mm: Vec<f64>,
    pub(super) monte_carlo_trials: usize,
}

pub(super) fn measure(top: &Section<'_>) -> Result<Measure, CliError> {
    let MeasureOptions { levels_mm, monte_carlo_trials, .. } = MeasureOptions::default();
    let mut asked = Measure { levels_mm, monte_carlo_trials };
    let Some(measure) = top.table("measure", &["levels_mm", "monte_carlo_trials"])? else {
        return Ok(asked);
    };
    if let Some(levels) = measure.numbers("levels_mm")? {
        if levels.is_empty() {
            let remedy = "give levels in mm below the crest";
            return Err(measure.bad("levels_mm", "an empty list", remedy));
        }
        asked.levels_mm = levels;
    }
    if let Some(trials) = measure.number("monte_carlo_trials")? {
        let whole = trials.fract() == 0.0 && trials >= TRIALS.0 && trials <= TRIALS.1;
        if !(whole || trials == 0.0) {
            let what = format!("{trials} is no number of trials");
            let remedy = "give 0 for none, or a whole number from 1000 to 1000000";
            return Err(measure.bad("monte_carlo_trials", what, remedy));
        }
        // Whole and within its range.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let trials = trials as usize;
        asked.monte_carlo_trials = trials;
    }
    Ok(asked)
}

/// Every fixture must give its core where walls are measured from it.
pub(super) fn check_cores(
    top: &Section<'_>,
    required: &RequiredWalls,
    fixtures: &[(String, FixtureSolid)],
) -> Result<(), CliError> {
    let bare = fixtures.iter().find(|(_, solid)| solid.thread_mm() == 0.0);
    if let (WallsTo::Core, Some((id, _))) = (required.walls_to, bare)
        && let Some(walls) = top.table("walls", WALLS)?
    {
        let what = format!("fixture {} gives no core to measure from", quoted(id));
        let remedy = "add `core_diameter_mm` to that fixture, or write to = \"threads\"";
        return Err(walls.bad("to", what, remedy));
    }
    Ok(())
}

pub(super) fn required(top: &Section<'_>) -> Result<RequiredWalls, CliError> {
    let default = RequiredWalls::default();
    let Some(walls) = top.table("walls", WALLS)? else { return Ok(default) };
    let get = |key, default| walls.number_in(key, 0.0, 20.0).map(|v| v.unwrap_or(default));
    Ok(RequiredWalls {
        buccal_mm: get("buccal_mm", default.buccal_mm)?,
        lingual_mm: get("lingual_mm", default.lingual_mm)?,
        tooth_mm: get("tooth_mm", default.tooth_mm)?,
        fixture_mm: get("fixture_mm", default.fixture_mm)?,
        walls_to: match walls.text("to")?.as_deref() {
            None | Some("threads") => WallsTo::Threads,
            Some("core") => WallsTo::Core,
            Some(other) => {
                let what = format!("{} is no surface of a fixture", quoted(other));
                return Err(walls.bad("to", what, "write \"threads\" (the default) or \"core\""));
            }
        },
    })
}

pub(super) fn sites(
    top: &Section<'_>,
    ridge: &Ridge,
    universal: bool,
) -> Result<Vec<Site>, CliError> {
    const KNOWN: &[&str] = &[
        "id",
        "tooth",
        "at",
        "station_mm",
        "axis",
        "limit",
        "neighbour",
        "pose",
        "platform_depth_mm",
        "within",
        "restoration",
    ];
    let mut sites: Vec<Site> = Vec::new();
    for section in top.tables("site", KNOWN)? {
        let site = site(&section, ridge.arch, universal)?;
        super::within::refuse_away(&section, ridge, &site)?;
        if sites.iter().any(|s| s.id == site.id) {
            return Err(section.bad(
                "id",
                format!("{} is given twice", quoted(&site.id)),
                "give each site its own id",
            ));
        }
        sites.push(site);
    }
    if sites.is_empty() {
        return Err(top.missing("site", "add a [[site]] to measure"));
    }
    Ok(sites)
}

fn site(section: &Section<'_>, arch: Arch, universal: bool) -> Result<Site, CliError> {
    let id = section.text("id")?.ok_or_else(|| section.missing("id", "give the site a name"))?;
    if id.trim().is_empty() {
        return Err(section.bad("id", "empty", "give the site a name"));
    }
    let tooth = tooth(section, universal)?;
    if let Some(tooth) = tooth
        && tooth.is_upper() != (arch == Arch::Maxilla)
    {
        let what = format!("tooth {} does not stand in the {}", tooth.iso(), arch.as_str());
        return Err(section.bad("tooth", what, "mend `tooth` or `arch`"));
    }
    let place = match (point(section, "at")?, section.number("station_mm")?) {
        (Some(at), None) => SitePlace::At(at),
        (None, Some(station)) => SitePlace::Station(station),
        (Some(_), Some(_)) => {
            return Err(section.bad("station_mm", "given beside `at`", "give one of the two"));
        }
        (None, None) => return Err(section.missing("at", "give `at` (a point) or `station_mm`")),
    };
    Ok(Site {
        id,
        tooth,
        place,
        axis: section_axis(section)?,
        limits: section
            .tables("limit", super::limit::KNOWN)?
            .iter()
            .map(super::limit::limit)
            .collect::<Result<_, _>>()?,
        neighbours: section
            .tables("neighbour", NEIGHBOUR)?
            .iter()
            .map(|s| neighbour(s, universal))
            .collect::<Result<_, _>>()?,
        pose: section.table("pose", &["platform", "apical"])?.as_ref().map(pose).transpose()?,
        platform_depth_mm: section.number_in("platform_depth_mm", -10.0, 30.0)?,
        within: super::within::within(section)?,
        restoration: super::restoration::of_site(section)?,
    })
}

fn tooth(section: &Section<'_>, universal: bool) -> Result<Option<Tooth>, CliError> {
    let Some(text) = section.text("tooth")? else { return Ok(None) };
    let (found, remedy) = if universal {
        (Tooth::from_universal(&text), "give a universal number, \"1\" to \"32\"")
    } else {
        (
            Tooth::from_iso(&text),
            "give an ISO 3950 number such as \"45\", or set tooth_notation = \"universal\"",
        )
    };
    found
        .map(Some)
        .ok_or_else(|| section.bad("tooth", format!("{} is no tooth", quoted(&text)), remedy))
}

fn section_axis(section: &Section<'_>) -> Result<SectionAxis, CliError> {
    if !section.has("axis") {
        return Ok(SectionAxis::Ridge);
    }
    match section.text("axis") {
        Ok(Some(text)) if text == "ridge" => Ok(SectionAxis::Ridge),
        Ok(Some(text)) if text == "apical" => Ok(SectionAxis::Apical),
        Ok(Some(text)) => {
            let what = format!("{} is not known", quoted(&text));
            Err(section.bad("axis", what, "write \"ridge\", \"apical\" or a direction [x, y, z]"))
        }
        _ => Ok(direction(section, "axis")?.map_or(SectionAxis::Ridge, SectionAxis::Along)),
    }
}

fn neighbour(section: &Section<'_>, universal: bool) -> Result<Neighbour, CliError> {
    let tooth =
        tooth(section, universal)?.ok_or_else(|| section.missing("tooth", "give its number"))?;
    let root = points(section, "root")?
        .ok_or_else(|| section.missing("root", "give the root's axis, [[neck], [apex]]"))?;
    let root: [PatientPoint; 2] = root.try_into().map_err(|_| {
        section.bad("root", "not two points", "give the root's axis, [[neck], [apex]]")
    })?;
    let length_mm = root[0].distance_mm(root[1]);
    if !(length_mm >= SHORTEST_ROOT_MM) {
        let what = format!("neck and apex lie {length_mm:.2} mm apart, which is no root");
        return Err(section.bad("root", what, "give the root's axis, [[neck], [apex]]"));
    }
    let root_diameter_mm = section
        .number_in("root_diameter_mm", 0.1, 20.0)?
        .ok_or_else(|| section.missing("root_diameter_mm", "give the root's diameter, mm"))?;
    Ok(Neighbour {
        tooth: tooth.iso(),
        root,
        root_diameter_mm,
        apex_diameter_mm: section.number_in("root_apex_diameter_mm", 0.1, 20.0)?,
        cej: point(section, "cej")?,
        contact: point(section, "contact")?,
    })
}

fn pose(section: &Section<'_>) -> Result<Pose, CliError> {
    let platform = point(section, "platform")?
        .ok_or_else(|| section.missing("platform", "give the platform's centre"))?;
    let apical = direction(section, "apical")?
        .ok_or_else(|| section.missing("apical", "give the direction from platform to apex"))?;
    let apical = apical
        .direction()
        .map_err(|e| section.bad("apical", e.to_string(), "give a direction [x, y, z]"))?;
    Ok(Pose { platform, apical })
}

pub(super) fn point(section: &Section<'_>, key: &str) -> Result<Option<PatientPoint>, CliError> {
    let Some(triple) = section.triple(key)? else { return Ok(None) };
    near(section, key, triple).map(Some)
}

fn near(section: &Section<'_>, key: &str, triple: [f64; 3]) -> Result<PatientPoint, CliError> {
    if triple.iter().all(|c| c.abs() <= FARTHEST_MM) {
        return Ok(triple.into());
    }
    Err(section.bad(key, "a coordinate is beyond 10 m", "give LPS millimetres"))
}

pub(super) fn points(
    section: &Section<'_>,
    key: &str,
) -> Result<Option<Vec<PatientPoint>>, CliError> {
    let Some(rows) = section.rows::<3>(key)? else { return Ok(None) };
    rows.into_iter().map(|row| near(section, key, row)).collect::<Result<_, _>>().map(Some)
}

pub(super) fn direction(
    section: &Section<'_>,
    key: &str,
) -> Result<Option<PatientVector>, CliError> {
    let Some(triple) = section.triple(key)? else { return Ok(None) };
    let vector = PatientVector::from(triple);
    vector
        .direction()
        .map_err(|e| section.bad(key, e.to_string(), "give a direction [x, y, z]"))?;
    Ok(Some(vector))
}
