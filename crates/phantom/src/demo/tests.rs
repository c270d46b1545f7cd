use jawgauge_space::{SectionPoint, VoxelCoord};

use super::*;

const EXACT_MM: f64 = 1e-9;

/// The site's section is free of teeth this far along the axis, mm.
const FREE_MM: f64 = 1.5;

fn scene() -> DemoScene {
    DemoScene::new().expect("the demonstration jaw")
}

fn truth() -> DemoTruth {
    scene().truth().expect("the truth")
}

/// Widths of the shape by hand: the crest's arc of radius 1.945 down to 1.378 mm, walls with
/// the sine s = 2.055/7.055 down to 7.835 mm, width 2 (1.945 + s (d - 1.945)) / cos; from 9 mm
/// down 8 mm wide.
const WIDTHS_MM: [(f64, f64); 6] = [
    (1.0, 3.4),
    (2.0, 4.099_821_687_643_502),
    (3.0, 4.708_794_117_575_369),
    (5.0, 5.926_738_977_439_105),
    (7.0, 7.144_683_837_302_841),
    (10.0, 8.0),
];

#[test]
fn the_widths_are_those_of_the_shape_about_its_own_axis() {
    let truth = truth();
    assert_eq!(truth.widths.len(), WIDTHS_MM.len());
    for (found, (level_mm, width_mm)) in truth.widths.iter().zip(WIDTHS_MM) {
        assert!((found.level_mm - level_mm).abs() < EXACT_MM);
        assert!((found.width_mm - width_mm).abs() < EXACT_MM, "{found:?}");
        assert!((found.buccal.distance_mm(found.lingual) - found.width_mm).abs() < EXACT_MM);
        let middle = found.buccal.toward(found.lingual, 0.5);
        let expected = truth.crest + truth.own_axis * level_mm;
        assert!(middle.distance_mm(expected) < EXACT_MM);
        let to_cheek = found.buccal - truth.lingual_side;
        assert!(to_cheek.length_mm() > (found.lingual - truth.lingual_side).length_mm());
    }
    assert!((truth.bone_height_mm - 28.0).abs() < EXACT_MM);
    assert!((truth.own_axis.angle_deg(truth.apical) - 6.0).abs() < EXACT_MM);
    assert!(truth.crest.distance_mm(truth.at) < EXACT_MM);
    // Below the shoulder the walls are upright in their own axis and the plates full.
    let deepest = truth.widths.last().expect("widths");
    for (found, plate) in [
        (deepest.buccal_plate_mm, 1.3),
        (deepest.lingual_plate_mm, 1.8),
        (deepest.buccal_plate_normal_mm, 1.3),
        (deepest.lingual_plate_normal_mm, 1.8),
    ] {
        assert!((found.expect("a plate") - plate).abs() < EXACT_MM);
    }
    // The crest itself is cortex through and through.
    assert_eq!(truth.widths[0].buccal_plate_mm, None);
}

#[test]
fn the_site_s_section_is_the_ridge_alone() {
    let scene = scene();
    let mut compared = 0;
    for step in -10..=10_i32 {
        let station = HALF_SPAN_MM + FREE_MM * f64::from(step) / 10.0;
        for u in -30..=30_i32 {
            for v in -30..=80_i32 {
                let at = SectionPoint::new(f64::from(u) * 0.4, f64::from(v) * 0.4);
                let p = scene.ridge.place(station, at);
                let difference = scene.grey_at(p) - scene.ridge.grey_at(p);
                assert!(difference.abs() < 0.01, "{station} {at:?}: {difference}");
                compared += 1;
            }
        }
    }
    assert_eq!(compared, 21 * 61 * 111);
}

#[test]
fn the_canal_lies_where_the_truth_says() {
    let (scene, truth) = (scene(), truth());
    assert_eq!(truth.canal_centre.len(), truth.axis.len());
    for (centre, roof) in truth.canal_centre.iter().zip(&truth.canal_roof) {
        assert!((centre.distance_mm(*roof) - truth.canal_radius_mm).abs() < EXACT_MM);
        assert!((scene.grey_at(*centre) - CANAL.grey).abs() < 1.0);
    }
    // In the site's section, which is the fourth of the seven places.
    let below = (truth.canal_roof[3] - truth.crest).dot(truth.own_axis.as_vector());
    assert!((below - 15.0).abs() < EXACT_MM);
    assert!((truth.canal_height_mm - 15.0).abs() < EXACT_MM);
    // Half way in grey from marrow to canal, later by the blur of a hollow circle.
    let (mut low, mut high) = (13.0, 16.0);
    let half = (Greys::default().marrow + CANAL.grey) / 2.0;
    let sigma = scene.ridge.blur_sigma_mm();
    let off = truth.canal_centre[3] - truth.crest;
    let off = off - truth.own_axis * off.dot(truth.own_axis.as_vector());
    for _ in 0..50 {
        let middle = (low + high) / 2.0;
        let grey = scene.grey_at(truth.crest + off + truth.own_axis * middle);
        if grey > half { low = middle } else { high = middle }
    }
    assert!((low - 15.0 - sigma * sigma / 2.5).abs() < 0.001, "{low}");
}

#[test]
fn the_neighbours_stand_beside_a_gap_of_its_size() {
    let (scene, truth) = (scene(), truth());
    assert!(truth.gap_mm > 7.5 && truth.gap_mm < 8.0, "{}", truth.gap_mm);
    let site = scene.ridge.frame_at(truth.station_mm).expect("a frame");
    for (neighbour, side) in truth.neighbours.iter().zip([1.0, -1.0]) {
        assert!((neighbour.neck.distance_mm(neighbour.apex) - 14.0).abs() < EXACT_MM);
        assert!((neighbour.root_diameter_mm - 5.0).abs() < EXACT_MM);
        assert!((neighbour.cej.distance_mm(neighbour.neck) - 2.5).abs() < EXACT_MM);
        // Contact and cemento-enamel junction face the gap, the contact reaches farther.
        let mesial = |p| site.section_from_patient(p).1 * side;
        assert!(mesial(neighbour.contact) > 3.5 && mesial(neighbour.contact) < 4.1);
        assert!(mesial(neighbour.cej) > mesial(neighbour.contact));
        assert!(mesial(neighbour.neck) > mesial(neighbour.cej));
        // The contact lies on the enamel, the middle of the root on its pulp.
        let into = (neighbour.neck - truth.at).direction().expect("a direction");
        let inside = scene.grey_at(neighbour.contact + into * 0.5);
        let outside = scene.grey_at(neighbour.contact - into * 0.5);
        assert!(inside > 1900.0 && outside < 0.0, "{inside} {outside}");
        let axis = (neighbour.apex - neighbour.neck).direction().expect("a direction");
        // Dentine 1.2 mm beside the axis of the root, 5 mm below its neck.
        let dentine = neighbour.neck + axis * 5.0 + into * 1.2;
        assert!((scene.grey_at(dentine) - 1600.0).abs() < 60.0, "{}", scene.grey_at(dentine));
        // The tip of the root ends at the apex: dentine above, not below.
        assert!(scene.grey_at(neighbour.apex - axis * 0.6) > 1400.0);
        assert!(scene.grey_at(neighbour.apex + axis * 0.9) < 1300.0);
    }
    assert_eq!(truth.neighbours.map(|n| n.tooth), ["44", "46"]);
}

#[test]
fn the_scan_holds_bone_teeth_and_canal_and_is_the_same_every_time() {
    let pool = |n| rayon::ThreadPoolBuilder::new().num_threads(n).build().expect("a pool");
    let jaw = pool(1).install(demo_jaw).expect("the demonstration jaw");
    let again = pool(4).install(demo_jaw).expect("the demonstration jaw");
    assert_eq!(jaw.volume, again.volume);
    assert_eq!(jaw.truth, again.truth);

    let geometry = jaw.volume.geometry();
    let truth = &jaw.truth;
    assert_eq!(truth.axis.len(), 7);
    assert!(truth.axis[3].distance_mm(truth.at) < EXACT_MM);
    // Patient right to left: from behind to the front on the right side.
    assert!(truth.axis.windows(2).all(|w| w[1].to_array()[1] < w[0].to_array()[1]));
    assert!(truth.axis.iter().all(|p| p.to_array()[0] < 0.0));
    for &station in &[0.0, HALF_SPAN_MM, 2.0 * HALF_SPAN_MM] {
        for (across, depth) in [(-8.0, 5.0), (8.0, 5.0), (0.0, 31.5), (0.0, -10.0)] {
            let p = demo_truth::own_place(&jaw.ridge, station, across, depth);
            assert!(geometry.contains(p), "{station} {across} {depth}");
        }
    }
    for p in truth.canal_centre.iter().chain(&truth.canal_roof) {
        assert!(geometry.contains(*p));
    }
    // Noise: the scan less the jaw, all over one slice.
    let scene = scene();
    let (mut count, mut sum, mut squares) = (0.0, 0.0, 0.0);
    for j in 0..DIMS[1] {
        for i in 0..DIMS[0] {
            let at = VoxelCoord::new(i as f64, j as f64, 70.0);
            let clean = scene.grey_at(geometry.affine().patient_from_voxel(at));
            let noise = jaw.volume.voxel_grey(i, j, 70).expect("scanned") - clean;
            count += 1.0;
            sum += noise;
            squares += noise * noise;
        }
    }
    let sd = f64::sqrt(squares / count);
    // Four spreads of the standard deviation of 17400 values: 4 x 50 / sqrt(2 x 17400).
    assert!((sd - 50.0).abs() < 1.1, "{sd}");
    assert!((sum / count).abs() < 1.6, "{}", sum / count);
}

/// Published table: Abramowitz M, Stegun IA. Handbook of mathematical functions, table 26.1
/// (values from memory).
#[test]
fn a_soft_edge_is_the_published_normal_distribution() {
    let edge = SoftEdge::new(0.25);
    for (x, published) in [(0.0, 0.5), (1.0, 0.841_344_746), (2.0, 0.977_249_868)] {
        assert!((edge.share(-0.25 * x) - published).abs() < 4e-7);
        assert!((edge.share(0.25 * x) - (1.0 - published)).abs() < 4e-7);
        // Between the entries of the table: halves of its step off, by the density there.
        let density = (-x * x / 2.0).exp() / std::f64::consts::TAU.sqrt();
        let off = 0.0025;
        let exact = published + density * off - density * x * off * off / 2.0;
        assert!((edge.share(-0.25 * (x + off)) - exact).abs() < 2e-6);
    }
    assert!(edge.share(-0.25 * 7.0) > 0.999_999 && edge.share(-0.25 * 7.0) <= 1.0);
    assert!(edge.share(0.25 * 7.0).abs() < 1e-9);
}
