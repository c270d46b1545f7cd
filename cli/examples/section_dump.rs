//! Sections, contours and widths of a scan as numbers, for checks against outside libraries.
//!
//! `section_dump SCAN REQUESTS.json` writes one JSON document to standard output. A request
//! names a plane (a point, the way to the midline, hints for apical and buccal), a window and
//! how it is sampled, thresholds at which contours are drawn, and lines on which runs of bone
//! are read. Grey values outside the scan are `null`.

use std::error::Error;
use std::io::Write;
use std::path::{Path, PathBuf};

use jawgauge_bone::{
    MeasureOptions, Outline, SectionBone, SectionOptions, SiteMeasure, Threshold, contours,
    measure_site,
};
use jawgauge_fixture::{FixtureSolid, SectionPose, section_walls};
use jawgauge_intake::read_scan;
use jawgauge_section::{Interpolation, SectionImage, SectionWindow};
use jawgauge_space::{PatientPoint, PatientVector, SectionFrame, SectionPoint};
use jawgauge_volume::Volume;
use serde::Deserialize;
use serde_json::{Value, json};

/// What is asked of a scan.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Requests {
    #[serde(default)]
    voxels: Vec<[usize; 3]>,
    #[serde(default)]
    sections: Vec<Request>,
    #[serde(default)]
    sites: Vec<SiteRequest>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Request {
    id: String,
    plane: Plane,
    /// Least buccal and apical, greatest buccal and apical, mm.
    window_mm: [f64; 4],
    step_mm: f64,
    slab_mm: f64,
    interpolation: String,
    thresholds: Vec<f64>,
    lines_mm: Vec<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Plane {
    origin: [f64; 3],
    mesial: [f64; 3],
    apical_hint: [f64; 3],
    buccal_hint: [f64; 3],
}

/// A site that is measured as a whole.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SiteRequest {
    id: String,
    plane: Plane,
    interpolation: String,
    /// `null`: found in the section.
    threshold: Option<f64>,
    along_ridge: bool,
    levels_mm: Vec<f64>,
    fixtures: Vec<FixtureRequest>,
}

/// A tapered fixture at a given pose.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FixtureRequest {
    diameter_mm: f64,
    apex_diameter_mm: f64,
    length_mm: f64,
    /// Buccal and apical of the crest, along the section's axes.
    platform_from_crest_mm: [f64; 2],
    lean_deg: f64,
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<PathBuf> = std::env::args_os().skip(1).map(PathBuf::from).collect();
    let [scan, requests] = arguments.as_slice() else {
        return Err("usage: section_dump SCAN REQUESTS.json".into());
    };
    let document = dump(scan, &serde_json::from_slice(&std::fs::read(requests)?)?)?;
    serde_json::to_writer(std::io::stdout().lock(), &document)?;
    writeln!(std::io::stdout().lock())?;
    Ok(())
}

fn dump(scan: &Path, asked: &Requests) -> Result<Value, Box<dyn Error>> {
    let volume = read_scan(scan, None)?.volume;
    let voxels: Vec<Value> = asked.voxels.iter().map(|&at| voxel(&volume, at)).collect();
    let sections =
        asked.sections.iter().map(|r| section(&volume, r)).collect::<Result<Vec<_>, _>>();
    let sites = asked.sites.iter().map(|r| site(&volume, r)).collect::<Result<Vec<_>, _>>();
    Ok(json!({
        "dims": volume.geometry().dims(),
        "lps_from_voxel": volume.geometry().affine().to_rows(),
        "voxels": voxels,
        "sections": sections?,
        "sites": sites?,
    }))
}

fn voxel(volume: &Volume, at: [usize; 3]) -> Value {
    let [i, j, k] = at;
    json!({ "at": at, "grey": volume.voxel_grey(i, j, k) })
}

fn frame_of(plane: &Plane) -> Result<SectionFrame, Box<dyn Error>> {
    Ok(SectionFrame::new(
        PatientPoint::from(plane.origin),
        PatientVector::from(plane.mesial).direction()?,
        PatientVector::from(plane.apical_hint),
        PatientVector::from(plane.buccal_hint),
    )?)
}

fn interpolation_of(name: &str) -> Result<Interpolation, String> {
    match name {
        "linear" => Ok(Interpolation::Linear),
        "cubic" => Ok(Interpolation::Cubic),
        other => Err(format!("interpolation {other:?}: linear or cubic")),
    }
}

fn axes(frame: &SectionFrame) -> Value {
    json!({
        "buccal": frame.buccal().to_array(),
        "apical": frame.apical().to_array(),
        "mesial": frame.mesial().to_array(),
    })
}

fn grey_rows(image: &SectionImage) -> Vec<Vec<Option<f64>>> {
    let (rows, columns) = image.shape();
    (0..rows).map(|r| (0..columns).map(|c| image.at(r, c).grey()).collect()).collect()
}

fn line(points: &[SectionPoint]) -> Vec<[f64; 2]> {
    points.iter().map(|p| [p.buccal_mm, p.apical_mm]).collect()
}

fn section(volume: &Volume, asked: &Request) -> Result<Value, Box<dyn Error>> {
    let frame = frame_of(&asked.plane)?;
    let [u0, v0, u1, v1] = asked.window_mm;
    let window = SectionWindow {
        least: SectionPoint::new(u0, v0),
        most: SectionPoint::new(u1, v1),
        step_mm: asked.step_mm,
        slab_mm: asked.slab_mm,
    };
    let interpolation = interpolation_of(&asked.interpolation)?;
    let image = SectionImage::resample(volume, frame, &window, interpolation)?;
    let levels: Vec<Value> = asked
        .thresholds
        .iter()
        .map(|&threshold| {
            let lines: Vec<_> =
                contours(&image, threshold).iter().map(|c| line(&c.points)).collect();
            let largest = Outline::pieces(&image, threshold).into_iter().next();
            let runs: Vec<Vec<[f64; 2]>> = asked
                .lines_mm
                .iter()
                .map(|&v| largest.as_ref().map_or_else(Vec::new, |o| runs(o, v)))
                .collect();
            json!({ "threshold": threshold, "contours": lines, "runs_mm": runs })
        })
        .collect();
    Ok(json!({
        "id": asked.id,
        "axes": axes(&frame),
        "grey": grey_rows(&image),
        "levels": levels,
    }))
}

fn runs(outline: &Outline, at_mm: f64) -> Vec<[f64; 2]> {
    outline.runs_at(at_mm).iter().map(|r| [r.lingual.buccal_mm, r.buccal.buccal_mm]).collect()
}

fn site(volume: &Volume, asked: &SiteRequest) -> Result<Value, Box<dyn Error>> {
    let options = MeasureOptions {
        levels_mm: asked.levels_mm.clone(),
        section: SectionOptions {
            threshold: asked.threshold.map_or(Threshold::Auto, Threshold::Grey),
            along_ridge: asked.along_ridge,
            interpolation: interpolation_of(&asked.interpolation)?,
            ..SectionOptions::default()
        },
        ..MeasureOptions::default()
    };
    let frame = frame_of(&asked.plane)?;
    let SiteMeasure { bone, widths, height, .. } =
        measure_site(volume, frame, frame.origin(), &[], &options)?;
    let corner = bone.image.place_of(0.0, 0.0);
    let widths: Vec<Value> = widths
        .iter()
        .map(|w| match w {
            Ok(w) => json!({
                "mm": w.width.mm,
                "u95_mm": w.width.u95_mm,
                "buccal": bone.patient(w.buccal).to_array(),
                "lingual": bone.patient(w.lingual).to_array(),
            }),
            Err(why) => json!({ "not_measured": format!("{why:?}") }),
        })
        .collect();
    let fixtures = asked.fixtures.iter().map(|f| walls(&bone, f)).collect::<Result<Vec<_>, _>>()?;
    Ok(json!({
        "id": asked.id,
        "fixtures": fixtures,
        "corner_mm": [corner.buccal_mm, corner.apical_mm],
        "step_mm": bone.image.step_mm(),
        "grey": grey_rows(&bone.image),
        "threshold": bone.threshold.grey,
        "turned_by_deg": bone.turned_by_deg,
        "axes": axes(&bone.frame),
        "outline": line(bone.outline.points()),
        "crest": [bone.crest.buccal_mm, bone.crest.apical_mm],
        "tip_mm": bone.tip.map(|t| t.mm),
        "levels_mm": asked.levels_mm,
        "widths": widths,
        "height_mm": height.ok().map(|h| h.mm),
    }))
}

fn walls(bone: &SectionBone, asked: &FixtureRequest) -> Result<Value, Box<dyn Error>> {
    let solid = FixtureSolid::tapered(asked.diameter_mm, asked.apex_diameter_mm, asked.length_mm)?;
    let [buccal_mm, apical_mm] = asked.platform_from_crest_mm;
    let platform =
        SectionPoint::new(bone.crest.buccal_mm + buccal_mm, bone.crest.apical_mm + apical_mm);
    let found = section_walls(bone, &solid, SectionPose { platform, lean_deg: asked.lean_deg });
    let mm = |wall: &Result<jawgauge_fixture::Wall, _>| wall.as_ref().ok().map(|w| w.wall_mm);
    let profile: Vec<Value> = found
        .profile
        .iter()
        .map(|w| {
            json!({
                "depth_mm": w.depth_mm,
                "level_mm": w.level_mm,
                "buccal_mm": mm(&w.buccal),
                "lingual_mm": mm(&w.lingual),
            })
        })
        .collect();
    Ok(json!({
        "profile": profile,
        "least_buccal_mm": mm(&found.buccal),
        "least_lingual_mm": mm(&found.lingual),
        "apex_mm": mm(&found.apex),
    }))
}
