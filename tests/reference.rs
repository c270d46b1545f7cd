//! Held against numbers that unrelated general-purpose libraries made from the same scans.
//!
//! `fixtures/reference/make.py` made the numbers from DICOM files; each entry of the fixtures
//! names its source and version. `tests/outside/check.py` makes them again and compares.

use std::path::Path;

use jawgauge_bone::{Outline, contours};
use jawgauge_intake::read_scan;
use jawgauge_phantom::{demo_jaw, write_scan};
use jawgauge_section::{Interpolation, RidgeAxis, SectionImage, SectionWindow};
use jawgauge_space::{PatientPoint, PatientVector, SectionFrame, SectionPoint, VoxelCoord};
use jawgauge_volume::{StoredVoxels, Volume};
use serde::Deserialize;
use serde::de::DeserializeOwned;

#[path = "outside/stacks.rs"]
mod stacks;

/// Grey values; the numbers are written with four decimals, and the cut of a spline's box may
/// cost 1e-6 of the range (`CubicPatch`).
const GREY: f64 = 1e-4;
/// Vertices and ends of runs, mm; written with five decimals.
const LINE_MM: f64 = 1e-4;
const WIDTH_MM: f64 = 1e-3;
/// Directions, written with twelve decimals.
const DIRECTION: f64 = 1e-11;
/// Places of voxels, mm.
const PLACE_MM: f64 = 1e-6;
/// Stations along an axis, mm (`RidgeAxis` promises 0.001), and directions there.
const STATION_MM: f64 = 1e-5;
const TANGENT: f64 = 1e-5;

#[derive(Deserialize)]
struct Requests {
    sections: Vec<Request>,
    axes: Vec<AxisRequest>,
}

#[derive(Deserialize)]
struct AxisRequest {
    id: String,
    points: Vec<[f64; 3]>,
    near: Vec<[f64; 3]>,
}

#[derive(Deserialize)]
struct Request {
    id: String,
    plane: Plane,
    window_mm: [f64; 4],
    step_mm: f64,
    slab_mm: f64,
    interpolation: String,
    lines_mm: Vec<f64>,
}

#[derive(Deserialize)]
struct Plane {
    origin: [f64; 3],
    mesial: [f64; 3],
    apical_hint: [f64; 3],
    buccal_hint: [f64; 3],
}

#[derive(Deserialize)]
struct Sections {
    voxel_sums: VoxelSums,
    sections: Vec<SectionNumbers>,
}

#[derive(Debug, Deserialize, PartialEq)]
struct VoxelSums {
    sum: u64,
    squares: u64,
    weighted: u64,
}

#[derive(Deserialize)]
struct SectionNumbers {
    id: String,
    source: String,
    axes: Axes,
    shape: (usize, usize),
    outside: usize,
    stride: [usize; 2],
    grey: Vec<Vec<Option<f64>>>,
    levels: Vec<Level>,
}

#[derive(Deserialize)]
struct Axes {
    buccal: [f64; 3],
    apical: [f64; 3],
    mesial: [f64; 3],
}

#[derive(Deserialize)]
struct Level {
    threshold: f64,
    /// Buccal and apical coordinate of each vertex in turn.
    contours: Vec<Vec<f64>>,
    runs_mm: Vec<Vec<[f64; 2]>>,
}

#[derive(Deserialize)]
struct Geometry {
    stacks: Vec<StackNumbers>,
}

#[derive(Deserialize)]
struct StackNumbers {
    name: String,
    source: String,
    dims: [usize; 3],
    voxels: Vec<VoxelNumbers>,
}

#[derive(Deserialize)]
struct VoxelNumbers {
    ijk: [usize; 3],
    lps: [f64; 3],
    grey: f64,
}

#[derive(Deserialize)]
struct AxesNumbers {
    axes: Vec<AxisNumbers>,
}

#[derive(Deserialize)]
struct AxisNumbers {
    id: String,
    source: String,
    length_mm: f64,
    places: Vec<PlaceNumbers>,
    nearest: Vec<NearestNumbers>,
}

#[derive(Deserialize)]
struct PlaceNumbers {
    station_mm: f64,
    point: [f64; 3],
    tangent: [f64; 3],
}

#[derive(Deserialize)]
struct NearestNumbers {
    station_mm: f64,
    distance_mm: f64,
}

fn fixture<T: DeserializeOwned>(name: &str) -> T {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/reference").join(name);
    let bytes = std::fs::read(&path).expect("a fixture");
    serde_json::from_slice(&bytes).expect("the fixture's shape")
}

fn image_of(volume: &Volume, asked: &Request) -> SectionImage {
    let plane = &asked.plane;
    let frame = SectionFrame::new(
        PatientPoint::from(plane.origin),
        PatientVector::from(plane.mesial).direction().expect("a normal"),
        PatientVector::from(plane.apical_hint),
        PatientVector::from(plane.buccal_hint),
    )
    .expect("a frame");
    let [u0, v0, u1, v1] = asked.window_mm;
    let window = SectionWindow {
        least: SectionPoint::new(u0, v0),
        most: SectionPoint::new(u1, v1),
        step_mm: asked.step_mm,
        slab_mm: asked.slab_mm,
    };
    let interpolation = match asked.interpolation.as_str() {
        "linear" => Interpolation::Linear,
        "cubic" => Interpolation::Cubic,
        other => panic!("interpolation {other}"),
    };
    SectionImage::resample(volume, frame, &window, interpolation).expect("a section")
}

/// Every section that the fixtures hold, with what was asked for and ours.
fn for_each_section(check: impl Fn(&Request, &SectionNumbers, &SectionImage)) {
    let volume = demo_jaw().expect("the demonstration").volume;
    let requests: Requests = fixture("requests.json");
    let numbers: Sections = fixture("sections.json");
    assert_eq!(numbers.voxel_sums, sums(&volume), "the demonstration's voxels have changed");
    assert!(!requests.sections.is_empty());
    assert_eq!(requests.sections.len(), numbers.sections.len());
    for (asked, expected) in requests.sections.iter().zip(&numbers.sections) {
        assert_eq!(asked.id, expected.id);
        check(asked, expected, &image_of(&volume, asked));
    }
}

fn sums(volume: &Volume) -> VoxelSums {
    let StoredVoxels::Unsigned(voxels) = volume.voxels() else { panic!("stored unsigned") };
    let mut sums = VoxelSums { sum: 0, squares: 0, weighted: 0 };
    for (place, &stored) in (0_u64..).zip(voxels) {
        let stored = u64::from(stored);
        sums.sum += stored;
        sums.squares += stored * stored;
        sums.weighted += stored * (place % 65_521);
    }
    sums
}

// Source: scipy 1.17.1 `ndimage.map_coordinates`, order 1 and 3, mode `mirror`, on voxels and
// affine by pydicom 3.0.2; frames by numpy 2.4.6.
#[test]
fn section_images_are_those_of_scipy() {
    for_each_section(|asked, expected, image| {
        let id = format!("{} ({})", asked.id, expected.source);
        let axes = [
            (image.frame().buccal(), expected.axes.buccal),
            (image.frame().apical(), expected.axes.apical),
            (image.frame().mesial(), expected.axes.mesial),
        ];
        for (ours, theirs) in axes {
            let ours = ours.to_array();
            assert!((0..3).all(|c| (ours[c] - theirs[c]).abs() <= DIRECTION), "{id}: {ours:?}");
        }
        assert_eq!(image.shape(), expected.shape, "{id}");
        let (rows, columns) = image.shape();
        let all = (0..rows).flat_map(|r| (0..columns).map(move |c| (r, c)));
        let outside = all.filter(|&(r, c)| image.at(r, c).grey().is_none()).count();
        assert_eq!(outside, expected.outside, "{id}");
        let mut compared = 0;
        for (r, row) in (0..rows).step_by(expected.stride[0]).zip(&expected.grey) {
            for (c, theirs) in (0..columns).step_by(expected.stride[1]).zip(row) {
                let ours = image.at(r, c).grey();
                let same = match (ours, theirs) {
                    (Some(ours), Some(theirs)) => (ours - theirs).abs() <= GREY,
                    (ours, theirs) => ours.is_none() && theirs.is_none(),
                };
                assert!(same, "{id}: sample {r}, {c}: {ours:?}, by scipy {theirs:?}");
                compared += 1;
            }
        }
        assert!(compared >= 500, "{id}: only {compared} samples");
    });
}

// Source: scikit-image 0.26.0 `measure.find_contours`, `fully_connected='low'`, on the image of
// the test above with everything outside it far below the threshold.
#[test]
fn contours_are_those_of_scikit_image() {
    for_each_section(|asked, expected, image| {
        let id = format!("{} ({})", asked.id, expected.source);
        assert!(!expected.levels.is_empty(), "{id}");
        for level in &expected.levels {
            let ours: Vec<Vec<SectionPoint>> =
                contours(image, level.threshold).into_iter().map(|c| c.points).collect();
            let theirs: Vec<Vec<SectionPoint>> = level.contours.iter().map(|c| points(c)).collect();
            assert!(!theirs.is_empty(), "{id}");
            assert_eq!(ours.len(), theirs.len(), "{id}: pieces at {}", level.threshold);
            for (from, to) in [(&ours, &theirs), (&theirs, &ours)] {
                let off = farthest(from, to);
                assert!(off <= LINE_MM, "{id}: a vertex at {} is {off} mm off", level.threshold);
            }
        }
    });
}

fn points(flat: &[f64]) -> Vec<SectionPoint> {
    flat.chunks_exact(2).map(|p| SectionPoint::new(p[0], p[1])).collect()
}

/// Greatest distance of a vertex of `from` to the closed lines `to`, mm.
fn farthest(from: &[Vec<SectionPoint>], to: &[Vec<SectionPoint>]) -> f64 {
    let sides: Vec<[SectionPoint; 2]> = to
        .iter()
        .flat_map(|line| (0..line.len()).map(|i| [line[i], line[(i + 1) % line.len()]]))
        .collect();
    let nearest =
        |p: SectionPoint| sides.iter().map(|s| distance_mm(p, s)).fold(f64::INFINITY, f64::min);
    from.iter().flatten().map(|&p| nearest(p)).fold(0.0, f64::max)
}

fn distance_mm(p: SectionPoint, [a, b]: &[SectionPoint; 2]) -> f64 {
    let (du, dv) = (b.buccal_mm - a.buccal_mm, b.apical_mm - a.apical_mm);
    let along = (p.buccal_mm - a.buccal_mm) * du + (p.apical_mm - a.apical_mm) * dv;
    let square = du * du + dv * dv;
    let t = if square > 0.0 { (along / square).clamp(0.0, 1.0) } else { 0.0 };
    p.distance_mm(SectionPoint::new(a.buccal_mm + t * du, a.apical_mm + t * dv))
}

// Source: the contours of scikit-image 0.26.0 above, crossed with level lines in numpy 2.4.6.
#[test]
fn widths_are_those_of_the_contours_of_scikit_image() {
    let total = std::cell::Cell::new(0);
    for_each_section(|asked, expected, image| {
        let id = format!("{} ({})", asked.id, expected.source);
        for level in &expected.levels {
            let pieces = Outline::pieces(image, level.threshold);
            assert_eq!(level.runs_mm.len(), asked.lines_mm.len(), "{id}");
            for (&line_mm, theirs) in asked.lines_mm.iter().zip(&level.runs_mm) {
                let ours = pieces[0].runs_at(line_mm);
                assert_eq!(ours.len(), theirs.len(), "{id}: runs at {line_mm} mm");
                for (run, [lingual, buccal]) in ours.iter().zip(theirs) {
                    let off = run.length_mm() - (buccal - lingual);
                    assert!(off.abs() <= WIDTH_MM, "{id}: at {line_mm} mm off by {off} mm");
                    let off = run.lingual.buccal_mm - lingual;
                    assert!(off.abs() <= WIDTH_MM, "{id}: at {line_mm} mm off by {off} mm");
                    total.set(total.get() + 1);
                }
            }
        }
    });
    assert!(total.get() >= 20, "only {} widths", total.get());
}

// Source: SimpleITK 2.5.7 `ImageSeriesReader`; for sheared stacks, which it cannot hold, the
// slices' own maps by nibabel 5.4.2 (`nicom.dicomwrappers`).
#[test]
fn voxels_of_odd_orientations_lie_where_other_readers_put_them() {
    let numbers: Geometry = fixture("geometry.json");
    let stacks = stacks::odd_stacks();
    assert!(!stacks.is_empty());
    assert_eq!(stacks.len(), numbers.stacks.len());
    for stack in stacks {
        let expected = numbers.stacks.iter().find(|s| s.name == stack.name).expect("its numbers");
        let id = format!("{} ({})", expected.name, expected.source);
        let dir = tempfile::tempdir().expect("a folder");
        write_scan(dir.path(), &stack.volume, &stack.options).expect("written");
        let volume = read_scan(dir.path(), None).expect("read").volume;
        assert_eq!(volume.geometry().dims(), expected.dims, "{id}");
        assert!(expected.voxels.len() >= 8, "{id}");
        for voxel in &expected.voxels {
            let [i, j, k] = voxel.ijk;
            let at = VoxelCoord::new(i as f64, j as f64, k as f64);
            let place = volume.geometry().affine().patient_from_voxel(at);
            let off = place.distance_mm(PatientPoint::from(voxel.lps));
            assert!(off <= PLACE_MM, "{id}: voxel {:?} is {off} mm off", voxel.ijk);
            let grey = volume.voxel_grey(i, j, k).expect("scanned");
            assert!((grey - voxel.grey).abs() <= 1e-9, "{id}: voxel {:?} is {grey}", voxel.ijk);
        }
    }
}

// Source: scipy 1.17.1 `interpolate.CubicSpline` over the lengths of the chords, arc lengths by
// `integrate.quad`, nearest places by `optimize.minimize_scalar`.
#[test]
fn ridge_axes_are_the_splines_of_scipy() {
    let requests: Requests = fixture("requests.json");
    let numbers: AxesNumbers = fixture("axes.json");
    assert!(!requests.axes.is_empty());
    assert_eq!(requests.axes.len(), numbers.axes.len());
    for (asked, expected) in requests.axes.iter().zip(&numbers.axes) {
        assert_eq!(asked.id, expected.id);
        let id = format!("{} ({})", asked.id, expected.source);
        let points: Vec<PatientPoint> = asked.points.iter().map(|&p| p.into()).collect();
        let axis = RidgeAxis::through(&points).expect("an axis");
        assert!((axis.length_mm() - expected.length_mm).abs() <= STATION_MM, "{id}: length");
        assert!(!expected.places.is_empty() && !expected.nearest.is_empty(), "{id}");
        for theirs in &expected.places {
            let ours = axis.at_station(theirs.station_mm).expect("on the axis");
            let off = ours.point.distance_mm(PatientPoint::from(theirs.point));
            assert!(off <= STATION_MM, "{id}: {off} mm off at {} mm", theirs.station_mm);
            let tangent = ours.tangent.to_array();
            let straight = (0..3).all(|c| (tangent[c] - theirs.tangent[c]).abs() <= TANGENT);
            assert!(straight, "{id}: {tangent:?} at {} mm", theirs.station_mm);
        }
        for (&near, theirs) in asked.near.iter().zip(&expected.nearest) {
            let ours = axis.nearest_to(PatientPoint::from(near)).expect("beside the axis");
            let off = (ours.station_mm - theirs.station_mm).abs();
            assert!(off <= STATION_MM, "{id}: station of {near:?} {off} mm off");
            assert!((ours.distance_mm - theirs.distance_mm).abs() <= STATION_MM, "{id}: {near:?}");
        }
    }
}
