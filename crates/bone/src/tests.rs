use jawgauge_section::{SectionImage, SectionWindow};
use jawgauge_space::{PatientPoint, PatientVector, SectionFrame, SectionPoint};
use jawgauge_volume::Sample;

use crate::contour::contours;
use crate::crest::{base_of, crest_of};
use crate::error::Unmeasured;
use crate::limit::meet_section;
use crate::outline::{Clip, Outline};
use crate::runs::RidgeRuns;

fn frame() -> SectionFrame {
    SectionFrame::new(
        PatientPoint::new(0.0, 0.0, 0.0),
        PatientVector::new(0.0, -1.0, 0.0).direction().expect("a direction"),
        PatientVector::new(0.0, 0.0, -1.0),
        PatientVector::new(-1.0, 0.0, 0.0),
    )
    .expect("a frame")
}

/// An image of a shape given by its signed distance (negative inside): grey falls by 100 a
/// millimetre outwards, and is 0 on its edge.
fn image(half_mm: f64, step_mm: f64, distance: impl Fn(SectionPoint) -> f64) -> SectionImage {
    let window = SectionWindow::about_origin(half_mm, half_mm, half_mm).with_step_mm(step_mm);
    SectionImage::from_fn(frame(), &window, |p| Sample::Grey(-100.0 * distance(p)))
        .expect("an image")
}

fn cells(rows: &[&[f64]]) -> SectionImage {
    let (height, width) = (rows.len() as f64 - 1.0, rows[0].len() as f64 - 1.0);
    let window = SectionWindow {
        least: SectionPoint::new(0.0, 0.0),
        most: SectionPoint::new(width, height),
        step_mm: 1.0,
        slab_mm: 0.0,
    };
    // Whole millimetres, so that places are indices.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let value = |p: SectionPoint| rows[p.apical_mm.round() as usize][p.buccal_mm.round() as usize];
    SectionImage::from_fn(frame(), &window, |p| Sample::Grey(value(p))).expect("an image")
}

#[test]
fn a_contour_crosses_each_side_where_the_grey_value_passes_the_threshold() {
    // One sample of 4 among zeros: at threshold 1 the edge lies three quarters of the way out.
    let found = contours(&cells(&[&[0.0; 3], &[0.0, 4.0, 0.0], &[0.0; 3]]), 1.0);
    assert_eq!(found.len(), 1);
    assert!(found[0].clips.iter().all(Option::is_none));
    let mut corners: Vec<_> = found[0].points.iter().map(|p| (p.buccal_mm, p.apical_mm)).collect();
    corners.sort_by(|a, b| a.partial_cmp(b).expect("numbers"));
    assert_eq!(corners, vec![(0.25, 1.0), (1.0, 0.25), (1.0, 1.75), (1.75, 1.0)]);
    // A square on its corner with diagonals of 1.5: area 1.125, positive around bone.
    assert!((found[0].signed_area_mm2() - 1.125).abs() < 1e-12);
}

#[test]
fn pieces_that_touch_at_a_corner_stay_apart_both_ways() {
    let one = [0.0, 0.0, 0.0, 0.0];
    for rows in [
        [&one[..], &[0.0, 9.0, 0.0, 0.0], &[0.0, 0.0, 9.0, 0.0], &one[..]],
        [&one[..], &[0.0, 0.0, 9.0, 0.0], &[0.0, 9.0, 0.0, 0.0], &one[..]],
    ] {
        let found = contours(&cells(&rows), 1.0);
        assert_eq!(found.len(), 2, "two pieces");
        assert!(found.iter().all(|c| c.signed_area_mm2() > 0.0));
    }
}

#[test]
fn a_hole_has_a_contour_of_its_own_and_does_not_cut_the_outline() {
    let ring = image(8.0, 0.1, |p| {
        let r = p.buccal_mm.hypot(p.apical_mm);
        (r - 6.0).max(2.0 - r)
    });
    let found = contours(&ring, 0.0);
    let areas: Vec<f64> = found.iter().map(crate::Contour::signed_area_mm2).collect();
    assert_eq!(areas.len(), 2);
    assert!(areas.iter().any(|a| (a - 36.0 * std::f64::consts::PI).abs() < 0.1), "{areas:?}");
    assert!(areas.iter().any(|a| (a + 4.0 * std::f64::consts::PI).abs() < 0.1), "{areas:?}");
    let pieces = Outline::pieces(&ring, 0.0);
    assert_eq!(pieces.len(), 1);
    let run = pieces[0].runs_at(0.0);
    assert_eq!(run.len(), 1, "marrow does not cut the line");
    assert!((run[0].length_mm() - 12.0).abs() < 0.01);
}

#[test]
fn an_island_in_a_hole_and_a_speck_are_no_pieces() {
    let shape = image(8.0, 0.1, |p| {
        let r = p.buccal_mm.hypot(p.apical_mm);
        let ring = (r - 6.0).max(4.0 - r);
        let island = r - 1.5;
        let speck = (p.buccal_mm - 7.3).hypot(p.apical_mm - 7.3) - 0.4;
        ring.min(island).min(speck)
    });
    assert_eq!(contours(&shape, 0.0).len(), 4);
    let pieces = Outline::pieces(&shape, 0.0);
    assert_eq!(pieces.len(), 1);
    assert!((pieces[0].area_mm2() - 36.0 * std::f64::consts::PI).abs() < 0.1);
}

#[test]
fn crest_and_base_of_a_disc_are_its_poles() {
    for (u, v, r) in [(0.3, -0.7, 3.0), (-1.0, 1.0, 1.2)] {
        let disc = image(6.0, 0.1, |p| (p.buccal_mm - u).hypot(p.apical_mm - v) - r);
        let outline = &Outline::pieces(&disc, 0.0)[0];
        let crest = crest_of(outline).expect("a crest");
        let base = base_of(outline).expect("a base");
        assert!(crest.distance_mm(SectionPoint::new(u, v - r)) < 0.03, "{crest:?}");
        assert!(base.distance_mm(SectionPoint::new(u, v + r)) < 0.03, "{base:?}");
    }
}

#[test]
fn the_crest_of_a_flat_top_is_its_middle_and_of_a_tilted_one_its_higher_end() {
    let flat = image(6.0, 0.1, |p| (p.buccal_mm.abs() - 3.0).max(p.apical_mm.abs() - 4.0));
    let crest = crest_of(&Outline::pieces(&flat, 0.0)[0]).expect("a crest");
    assert!(crest.distance_mm(SectionPoint::new(0.0, -4.0)) < 0.05, "{crest:?}");
    let tilted = Outline::pieces(&flat, 0.0)[0].in_turned_frame(4.0);
    let crest = crest_of(&tilted).expect("a crest");
    let corner = SectionPoint::new(-3.0, -4.0).in_turned_frame(4.0);
    assert!(crest.distance_mm(corner) < 0.15, "{crest:?} {corner:?}");
}

#[test]
fn an_undercut_keeps_the_run_that_continues_from_above() {
    // A stem 3 mm wide; 6 mm down a spur beside it begins, apart from the stem until 8 mm down.
    let spurred = image(12.0, 0.1, |p| {
        let (u, v) = (p.buccal_mm, p.apical_mm);
        let stem = (u.abs() - 1.5).max((v - 1.0).abs() - 9.0);
        let spur = ((u - 5.0).abs() - 1.0).max((v - 4.0).abs() - 6.0);
        let bridge = ((u - 3.0).abs() - 3.0).max((v - 9.0).abs() - 1.0);
        stem.min(spur).min(bridge)
    });
    let outline = &Outline::pieces(&spurred, 0.0)[0];
    let crest = crest_of(outline).expect("a crest");
    let runs = RidgeRuns::follow(outline, crest.apical_mm, crest.buccal_mm, 20.0);
    for level in [1.0, 7.0, 10.0, 14.0] {
        let run = runs.at_level(outline, level).expect("a run");
        assert!((run.length_mm() - 3.0).abs() < 0.02, "{level}: {run:?}");
    }
    assert_eq!(outline.runs_at(2.0).len(), 2, "the line does meet the spur");
    let joined = runs.at_level(outline, 17.0).expect("a run");
    assert!((joined.length_mm() - 7.5).abs() < 0.05, "{joined:?}");
    assert!(runs.at_level(outline, 18.5).is_none());
}

#[test]
fn what_runs_out_of_the_window_is_said_to_and_still_closes() {
    let slab = image(5.0, 0.1, |p| p.buccal_mm.abs() - 2.0);
    let outline = &Outline::pieces(&slab, 0.0)[0];
    assert_eq!(outline.clip(), Some(Clip::Window));
    assert!((outline.area_mm2() - 40.0).abs() < 0.5);
    let run = outline.runs_at(1.0)[0];
    assert!(run.is_whole() && (run.length_mm() - 4.0).abs() < 1e-9);
}

#[test]
fn a_canal_is_met_at_its_near_wall() {
    let frame = frame();
    let at = |x: f64, y: f64, z: f64| PatientPoint::new(x, y, z);
    // Mesial is -y, buccal -x, apical -z. Square to the section: its radius nearer.
    let meet = |points: &[PatientPoint], radius: f64| {
        meet_section(&frame, points, radius, (-3.0, 3.0)).expect("it passes").0
    };
    let square = [at(-1.0, 3.0, -10.0), at(-1.0, -3.0, -10.0)];
    assert!(meet(&square, 1.5).distance_mm(SectionPoint::new(1.0, 8.5)) < 1e-12);
    // Descending by 45 degrees across the section: sqrt 2 times its radius.
    let descending = [at(0.0, 6.0, -4.0), at(0.0, -6.0, -16.0)];
    let wall = meet(&descending, 1.0);
    assert!((wall.apical_mm - (10.0 - 2.0_f64.sqrt())).abs() < 1e-12, "{wall:?}");
    // Across and down as well, t = (1, 1, 1): the cut is (b, a) with b2 + a2 - (b + a)2 / 3 = 1, whose least a
    // is -sqrt 2 at b = -1 / sqrt 2.
    let slanting = [at(6.0, 6.0, -4.0), at(-6.0, -6.0, -16.0)];
    let wall = meet(&slanting, 1.0);
    let truth = SectionPoint::new(-0.5_f64.sqrt(), 10.0 - 2.0_f64.sqrt());
    assert!(wall.distance_mm(truth) < 1e-12, "{wall:?}");
    // A point is a ball; what ends beside the section goes no higher than its end's ball.
    assert!((meet(&[at(0.0, 1.0, -9.0)], 2.0).apical_mm - 7.0).abs() < 1e-12);
    let short = [at(0.0, 0.2, -9.5), at(0.0, -0.2, -13.5)];
    assert!((meet(&short, 1.0).apical_mm - 8.5).abs() < 1e-12, "{:?}", meet(&short, 1.0));
}

#[test]
fn a_limit_meets_the_section_where_it_passes_through() {
    let frame = frame();
    let at = |x: f64, y: f64, z: f64| PatientPoint::new(x, y, z);
    // Mesial is -y, buccal -x, apical -z.
    let (p, moved) =
        meet_section(&frame, &[at(-1.0, 3.0, -9.0), at(-3.0, -1.0, -13.0)], 0.0, (-3.0, 3.0))
            .expect("it passes");
    assert!(p.distance_mm(SectionPoint::new(2.5, 12.0)) < 1e-12 && moved == 0.0, "{p:?}");
    // A canal that turns back meets it twice: the place nearest to the mouth counts.
    let twice =
        [at(0.0, 2.0, -14.0), at(0.0, -2.0, -14.0), at(0.0, -2.0, -11.0), at(0.0, 2.0, -11.0)];
    assert!(
        (meet_section(&frame, &twice, 0.0, (-3.0, 3.0)).expect("it passes").0.apical_mm - 11.0)
            .abs()
            < 1e-12
    );
    // One point is projected, and how far is told.
    let (p, moved) =
        meet_section(&frame, &[at(-1.0, 2.5, -9.0)], 0.0, (-3.0, 3.0)).expect("projected");
    assert!(p.distance_mm(SectionPoint::new(1.0, 9.0)) < 1e-12 && (moved - 2.5).abs() < 1e-12);
    let beside = meet_section(&frame, &[at(0.0, 5.0, -9.0), at(0.0, 2.0, -9.0)], 0.0, (-3.0, 3.0));
    assert!(
        matches!(beside, Err(Unmeasured::LimitMissesSection { nearest_mm }) if (nearest_mm - 2.0).abs() < 1e-12)
    );
    // Drawn across the section, as a sinus floor is: how near to the crest it comes counts.
    let across = [at(3.0, 0.0, -18.0), at(-3.0, 0.0, -8.0)];
    let (p, _) = meet_section(&frame, &across, 0.0, (-3.0, 3.0)).expect("it lies in it");
    assert!((p.apical_mm - 8.0).abs() < 1e-12, "{p:?}");
    // On the other side of the mouth, or mistyped.
    let far = meet_section(&frame, &[at(-37.0, 0.5, -9.0)], 0.0, (-3.0, 3.0));
    assert!(
        matches!(far, Err(Unmeasured::LimitFar { beside_mm }) if (beside_mm - 34.0).abs() < 1e-9)
    );
}
