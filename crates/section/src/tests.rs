use std::f64::consts::PI;

use jawgauge_space::{Affine, PatientPoint, PatientVector, SectionPoint};
use jawgauge_volume::{Rescale, Sample, StoredVoxels, Volume, VolumeGeometry};
use ndarray::Array3;

use super::*;

fn circle(radius: f64, from_deg: f64, to_deg: f64, points: usize) -> Vec<PatientPoint> {
    (0..points)
        .map(|n| {
            let a =
                (from_deg + (to_deg - from_deg) * n as f64 / (points as f64 - 1.0)).to_radians();
            PatientPoint::new(-radius * a.cos(), -radius * a.sin(), 4.0)
        })
        .collect()
}

#[test]
fn a_straight_axis_is_exact_and_stations_are_arc_length() {
    let axis =
        RidgeAxis::through(&[PatientPoint::new(1.0, 2.0, 3.0), PatientPoint::new(4.0, 6.0, 3.0)])
            .expect("an axis");
    assert!((axis.length_mm() - 5.0).abs() < 1e-9);
    for s in [0.0, 0.01, 1.7, 5.0] {
        let p = axis.at_station(s).expect("on it").point;
        assert!(p.distance_mm(PatientPoint::new(1.0 + 0.6 * s, 2.0 + 0.8 * s, 3.0)) < 1e-9);
    }
    assert!(matches!(axis.at_station(5.1), Err(SectionError::OffAxis { .. })));
    assert!(matches!(axis.at_station(f64::NAN), Err(SectionError::OffAxis { .. })));
}

#[test]
fn stations_on_a_circle_are_exact_to_a_hundredth_of_a_millimetre() {
    // Truth by hand: arc length = radius x angle.
    let (radius, span) = (22.0, 150.0_f64);
    let axis = RidgeAxis::through(&circle(radius, 15.0, 165.0, 11)).expect("an axis");
    assert!((axis.length_mm() - radius * span.to_radians()).abs() < 0.01);
    for n in 0..=20 {
        let angle = (15.0 + span * f64::from(n) / 20.0).to_radians();
        let station = (radius * (angle - 15.0 * PI / 180.0)).min(axis.length_mm());
        let place = axis.at_station(station).expect("on it");
        let truth = PatientPoint::new(-radius * angle.cos(), -radius * angle.sin(), 4.0);
        assert!(place.point.distance_mm(truth) < 0.01, "{}", place.point.distance_mm(truth));
        let back = axis.nearest_to(truth).expect("near it");
        assert!((back.station_mm - station).abs() < 0.01);
    }
}

#[test]
fn three_points_make_a_parabola() {
    // Knots 0, 5, 10 (chords of 3-4-5 triangles): y = 4 - (t - 5)^2 * 4 / 25, by hand.
    let axis = RidgeAxis::through(&[
        PatientPoint::new(-3.0, 0.0, 0.0),
        PatientPoint::new(0.0, 4.0, 0.0),
        PatientPoint::new(3.0, 0.0, 0.0),
    ])
    .expect("an axis");
    let middle = axis.nearest_to(PatientPoint::new(-1.5, 9.0, 0.0)).expect("near").point.to_array();
    let t = middle[0] / 0.6 + 5.0;
    assert!((middle[1] - (4.0 - (t - 5.0).powi(2) * 4.0 / 25.0)).abs() < 1e-9);
}

#[test]
fn points_that_make_no_axis_are_refused_by_number() {
    let p = PatientPoint::new;
    assert_eq!(
        RidgeAxis::through(&[p(0.0, 0.0, 0.0)]).expect_err("one point"),
        SectionError::TooFewPoints { found: 1 }
    );
    let twice = RidgeAxis::through(&[p(0.0, 0.0, 0.0), p(5.0, 0.0, 0.0), p(5.0, 0.001, 0.0)]);
    assert!(matches!(twice, Err(SectionError::Duplicate { index: 2, .. })));
    let nan = RidgeAxis::through(&[p(0.0, 0.0, 0.0), p(5.0, f64::NAN, 0.0)]);
    assert!(matches!(nan, Err(SectionError::NotFinite { index: 2 })));
    let axis = RidgeAxis::through(&[p(0.0, 0.0, 0.0), p(5.0, 0.0, 0.0)]).expect("an axis");
    assert!(matches!(axis.nearest_to(p(7.0, 1.0, 0.0)), Err(SectionError::BeyondEnd { .. })));
    assert!(axis.nearest_to(p(5.3, 1.0, 0.0)).is_ok());
}

#[test]
fn cheek_side_comes_from_the_bend_and_mesial_leads_to_the_front_on_both_sides_of_both_jaws() {
    let axis = RidgeAxis::through(&circle(22.0, 0.0, 180.0, 9)).expect("an axis");
    for (angle, side) in
        [(20.0_f64, PatientSide::Right), (90.0, PatientSide::Front), (160.0, PatientSide::Left)]
    {
        for z in [1.0, -1.0] {
            let a = angle.to_radians();
            let outward = PatientVector::new(-a.cos(), -a.sin(), 0.0);
            let place = axis
                .nearest_to(PatientPoint::new(-22.0 * a.cos(), -22.0 * a.sin(), 4.0))
                .expect("near");
            let apical = PatientVector::new(0.0, 0.0, z);
            let site = section_frame(&axis, place, apical, None).expect("a frame");
            assert_eq!((site.side, site.side_source), (side, SideSource::AxisBend));
            assert!(site.axis_right_to_left);
            assert!(site.frame.buccal().angle_deg(outward.direction().expect("dir")) < 0.5);
            if side != PatientSide::Front {
                assert!(site.frame.mesial().to_array()[1] < -0.8, "mesial leads forward");
            }
            let given = section_frame(&axis, place, apical, Some(PatientPoint::new(0.0, 0.0, 4.0)))
                .expect("a frame");
            assert_eq!(given.frame.buccal(), site.frame.buccal());
        }
    }
}

#[test]
fn an_axis_given_left_to_right_is_noticed_but_keeps_its_directions() {
    let mut points = circle(22.0, 0.0, 180.0, 9);
    points.reverse();
    let axis = RidgeAxis::through(&points).expect("an axis");
    let place = axis.nearest_to(PatientPoint::new(-21.0, -5.0, 4.0)).expect("near");
    let site =
        section_frame(&axis, place, PatientVector::new(0.0, 0.0, -1.0), None).expect("a frame");
    assert!(!site.axis_right_to_left);
    assert_eq!(site.side, PatientSide::Right);
    assert!(site.frame.mesial().to_array()[1] < -0.8);
}

#[test]
fn a_straight_axis_without_a_lingual_point_asks_for_it() {
    let axis =
        RidgeAxis::through(&[PatientPoint::new(0.0, -9.0, 3.0), PatientPoint::new(0.0, 9.0, 3.0)])
            .expect("an axis");
    let place = axis.at_station(9.0).expect("on it");
    let apical = PatientVector::new(0.0, 0.0, -1.0);
    let unknown = section_frame(&axis, place, apical, None).expect_err("no side");
    assert!(matches!(unknown, SectionError::SideUnknown { .. }));
    assert!(unknown.to_string().contains("lingual_side"));
    let in_line = section_frame(&axis, place, apical, Some(PatientPoint::new(0.2, 20.0, 3.0)));
    assert!(matches!(in_line, Err(SectionError::SideInLine { .. })));
}

#[test]
fn a_section_of_a_ramp_is_the_ramp_at_every_step_and_slab() {
    let affine = Affine::new(
        PatientPoint::new(-6.0, -6.0, -6.0),
        [
            PatientVector::new(0.25, 0.05, 0.0),
            PatientVector::new(-0.05, 0.25, 0.0),
            PatientVector::new(0.0, 0.02, 0.3),
        ],
    )
    .expect("an affine");
    let geometry = VolumeGeometry::new([60, 60, 50], affine).expect("a grid");
    let linear = |p: PatientPoint| {
        let [x, y, z] = p.to_array();
        20.0 * x - 10.0 * y + 5.0 * z
    };
    let rescale = Rescale { slope: 0.01, intercept: -300.0 };
    let voxels = Array3::from_shape_fn((50, 60, 60), |(k, j, i)| {
        let p = affine
            .patient_from_voxel(jawgauge_space::VoxelCoord::new(i as f64, j as f64, k as f64));
        // The ramp stays within what 16 bit hold.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let stored = ((linear(p) + 300.0) / 0.01).round() as u16;
        stored
    });
    let volume =
        Volume::new(geometry, StoredVoxels::Unsigned(voxels), vec![rescale; 50]).expect("a volume");
    let frame = jawgauge_space::SectionFrame::new(
        volume.geometry().centre(),
        PatientVector::new(0.3, -1.0, 0.2).direction().expect("dir"),
        PatientVector::new(0.1, 0.0, -1.0),
        PatientVector::new(-1.0, 0.0, 0.0),
    )
    .expect("a frame");
    for (step, slab) in [(0.1, 0.0), (0.05, 1.0), (0.3, 0.0), (0.37, 0.7)] {
        let window =
            SectionWindow::about_origin(2.0, 2.0, 2.0).with_step_mm(step).with_slab_mm(slab);
        for interpolation in [Interpolation::Linear, Interpolation::Cubic] {
            let image =
                SectionImage::resample(&volume, frame, &window, interpolation).expect("an image");
            let (rows, columns) = image.shape();
            for (r, c) in [(0, 0), (rows - 1, 0), (rows / 2, columns / 2), (rows - 1, columns - 1)]
            {
                let truth = linear(frame.patient_from_section(image.place_of(r as f64, c as f64)));
                let grey = image.at(r, c).grey().expect("inside");
                assert!(
                    (grey - truth).abs() <= 0.01,
                    "{step} {slab} {interpolation:?}: {grey} {truth}"
                );
            }
            // A step of grey is 20 a millimetre: 0.01 grey is 0.0005 mm.
            let p = SectionPoint::new(0.123, -0.456);
            let grey = image.sample(p).grey().expect("inside");
            assert!((grey - linear(frame.patient_from_section(p))).abs() <= 0.01);
        }
    }
    let wide = SectionWindow::about_origin(40.0, 40.0, 40.0).with_step_mm(1.0);
    let image =
        SectionImage::resample(&volume, frame, &wide, Interpolation::Linear).expect("an image");
    assert_eq!(image.at(0, 0), Sample::Outside);
    let bad = wide.with_step_mm(0.0);
    assert!(SectionImage::resample(&volume, frame, &bad, Interpolation::Linear).is_err());
}
