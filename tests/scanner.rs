//! Ridges with known walls, as a simulated cone-beam scanner shows them.
//!
//! RTK, which shares no code with the project, made the projections and reconstructed them
//! (`fixtures/scanner/make.py`): quantum noise, the detector's blur, a background of scatter.
//! So blur and noise here are none that this project's phantoms know of.

#![allow(clippy::print_stdout)]

use std::path::{Path, PathBuf};

use jawgauge_bone::{
    BoneSurface, MeasureOptions, OrientedBox, Plate, SiteMeasure, SurfaceError, Unmeasured,
    measure_site, survey_blur, survey_greys,
};
use jawgauge_fixture::{FixtureSolid, Pose, space_walls};
use jawgauge_intake::read_scan;
use jawgauge_section::{RidgeAxis, section_frame};
use jawgauge_space::{PatientPoint, PatientVector};
use serde::Deserialize;

/// Mean error of widths and of heights, without sign, mm; of plates of a blur and more.
const MEAN_ERROR_MM: f64 = 0.10;
const PLATE_ERROR_MM: f64 = 0.15;
/// Share of the errors that their uncertainty holds.
const HELD: f64 = 0.9;

#[derive(Deserialize)]
struct Truth {
    axis: [[f64; 3]; 2],
    lingual_side: [f64; 3],
    at: [f64; 3],
    apical: [f64; 3],
    bone_height_mm: f64,
    levels: Vec<Level>,
}

#[derive(Deserialize)]
struct Level {
    level_mm: f64,
    width_mm: f64,
    /// Where both faces of the plates run straight down.
    buccal_plate_mm: Option<f64>,
    lingual_plate_mm: Option<f64>,
    /// Whether a screw's head lies at the level.
    #[serde(default)]
    metal: bool,
}

/// Where the scans lie: those of the project, or those that were made again.
fn folder() -> PathBuf {
    std::env::var_os("JAWGAUGE_SCANNER").map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/scanner"),
        Into::into,
    )
}

fn names() -> Vec<String> {
    let entries = std::fs::read_dir(folder()).expect("a folder");
    let files = entries.map(|e| e.expect("an entry").file_name().to_string_lossy().into_owned());
    let mut names: Vec<String> =
        files.filter_map(|f| f.strip_suffix(".json").map(str::to_owned)).collect();
    names.sort();
    assert!(!names.is_empty(), "no scans");
    names
}

fn measured(name: &str) -> (Truth, SiteMeasure) {
    let truth = std::fs::read_to_string(folder().join(format!("{name}.json"))).expect("a truth");
    let truth: Truth = serde_json::from_str(&truth).expect("numbers");
    let scan = read_scan(&folder().join(format!("{name}.zip")), None).expect("read");
    let axis = RidgeAxis::through(&truth.axis.map(PatientPoint::from)).expect("an axis");
    let at = PatientPoint::from(truth.at);
    let place = axis.nearest_to(at).expect("on the axis");
    let apical = PatientVector::from(truth.apical);
    let lingual = Some(PatientPoint::from(truth.lingual_side));
    let frame = section_frame(&axis, place, apical, lingual).expect("a frame").frame;
    let levels_mm = truth.levels.iter().map(|l| l.level_mm).collect();
    let options = MeasureOptions { levels_mm, ..MeasureOptions::default() };
    let site = measure_site(&scan.volume, frame, at, &[], &options).expect("measured");
    (truth, site)
}

/// Errors with their expanded uncertainties.
#[derive(Default)]
struct Errors(Vec<(f64, f64)>);

impl Errors {
    fn assert_small(&self, what: &str, mean_error_mm: f64) {
        let all = self.0.len() as f64;
        let mean = self.0.iter().map(|e| e.0.abs()).sum::<f64>() / all;
        let held = self.0.iter().filter(|e| e.0.abs() <= e.1).count() as f64 / all;
        let most = self.0.iter().map(|e| e.0.abs()).fold(0.0, f64::max);
        println!("{what}: {all}, {mean:.3} mm off on average, {most:.3} at most, {held:.3} held");
        assert!(mean <= mean_error_mm, "{what}: {mean} mm off on average: {:?}", self.0);
        assert!(held >= HELD, "{what}: {held} of the errors held: {:?}", self.0);
    }
}

#[test]
fn widths_and_heights_of_a_simulated_scanner_are_true_within_their_uncertainty() {
    let (mut widths, mut heights) = (Errors::default(), Errors::default());
    for name in names() {
        let (truth, site) = measured(&name);
        for (level, width) in truth.levels.iter().zip(&site.widths) {
            if level.metal {
                assert!(matches!(width, Err(Unmeasured::BesideMetal { .. })), "{name}: {width:?}");
                continue;
            }
            let width = width.as_ref().expect("a width").width;
            widths.0.push((width.mm - level.width_mm, width.u95_mm));
        }
        let height = site.height.expect("a height");
        heights.0.push((height.mm - truth.bone_height_mm, height.u95_mm));
    }
    widths.assert_small("widths", MEAN_ERROR_MM);
    heights.assert_small("heights", MEAN_ERROR_MM);
}

#[test]
fn plates_of_a_simulated_scanner_are_true_within_their_uncertainty_or_their_range() {
    let mut numbers = Errors::default();
    let (mut ranges, mut held, mut untold) = (0, 0, 0);
    for name in names() {
        let (truth, site) = measured(&name);
        for (level, width) in truth.levels.iter().zip(&site.widths) {
            let Ok(width) = width else { continue };
            for (plate, true_mm) in [
                (&width.buccal_plate, level.buccal_plate_mm),
                (&width.lingual_plate, level.lingual_plate_mm),
            ] {
                let Some(true_mm) = true_mm else { continue };
                let Ok(plate) = plate else {
                    // Metal spoils plates around it.
                    assert!(truth.levels.iter().any(|l| l.metal), "{name}: {plate:?}");
                    untold += 1;
                    continue;
                };
                match plate {
                    Plate::Thickness(found) => numbers.0.push((found.mm - true_mm, found.u95_mm)),
                    Plate::Between { low_mm, high_mm } => {
                        ranges += 1;
                        held += usize::from(*low_mm <= true_mm && true_mm <= *high_mm);
                    }
                }
            }
        }
    }
    numbers.assert_small("plates", PLATE_ERROR_MM);
    println!("{held} of {ranges} ranges held, {untold} plates beside metal not told");
    assert!(untold <= 3, "{untold} plates not told");
    assert!(held as f64 >= HELD * ranges as f64, "{held} of {ranges} ranges");
}

/// A fixture down the middle of each ridge: where the ridge's faces run straight down, half of its true width
/// less half of the fixture's is left on either side.
#[test]
fn walls_round_a_fixture_in_a_simulated_scanner_are_true_within_their_uncertainty() {
    let mut walls = Errors::default();
    let mut refused = Vec::new();
    for name in names() {
        let (truth, site) = measured(&name);
        let scan = read_scan(&folder().join(format!("{name}.zip")), None).expect("read");
        let bone = &site.bone;
        let crest = bone.crest.apical_mm;
        let region = OrientedBox {
            frame: bone.frame,
            least_mm: [-9.0, crest - 2.5, -6.0],
            most_mm: [9.0, crest + 16.0, 6.0],
        };
        let surface = match BoneSurface::around(&scan.volume, bone, &region) {
            Ok(surface) => surface,
            Err(why @ (SurfaceError::Coarse { .. } | SurfaceError::ThinWalls)) => {
                refused.push((name, why));
                continue;
            }
            Err(why) => panic!("{name}: {why}"),
        };
        let solid = FixtureSolid::cylinder(2.0, 10.0).expect("a body");
        let apical = PatientVector::from(truth.apical).direction().expect("a direction");
        let pose = Pose { platform: PatientPoint::from(truth.at), apical };
        let map = space_walls(&surface, bone, &solid, &pose).map;
        let near_metal =
            |mm: f64| truth.levels.iter().any(|l| l.metal && (l.level_mm - mm).abs() <= 2.0);
        for level in truth.levels.iter().filter(|l| l.buccal_plate_mm.is_some()) {
            if near_metal(level.level_mm) {
                continue;
            }
            let row = map.depths_mm.iter().position(|d| (d - level.level_mm).abs() < 1e-6);
            let row = row.expect("a row");
            for angle in [0.0, 180.0] {
                let column = map.angles_deg.iter().position(|a| *a == angle).expect("a column");
                let cell = map.cell(row, column);
                let found = cell.wall.expect("a wall");
                walls.0.push((found - (0.5 * level.width_mm - 1.0), cell.u95_mm));
            }
        }
    }
    println!("no surface: {refused:?}");
    assert!(refused.len() <= 2, "{refused:?}");
    walls.assert_small("walls", MEAN_ERROR_MM);
}

/// The scanner's blur, read from the whole scan, is what the sites' own edges tell: within a tenth.
#[test]
fn the_blur_of_the_scan_is_that_of_its_sites() {
    let mut told = 0;
    for name in names() {
        let scan = read_scan(&folder().join(format!("{name}.zip")), None).expect("read");
        let survey = survey_greys(&scan.volume);
        // Too few clean steps where plates are thin: then there is no figure.
        let Some(of_scan) = survey_blur(&scan.volume, &survey) else { continue };
        let (_, found) = measured(&name);
        let of_site = found.bone.blur().expect("a blur");
        let share = of_scan.in_plane_mm / of_site.in_plane_mm;
        assert!((share - 1.0).abs() <= 0.1, "{name}: {of_scan:?} {of_site:?}");
        told += 1;
    }
    // A scan that was made again alone need not have any.
    assert!(told > 0 || names().len() == 1, "no scan has clean steps");
}
