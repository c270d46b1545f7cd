//! The base phantom: a box of bone 6.00 mm wide and 12.00 mm high in soft tissue.

use jawgauge_bone::{
    BoneError, BoneWarning, Clip, MeasureOptions, SiteMeasure, Threshold, Unmeasured, measure_site,
};
use jawgauge_phantom::{
    P0_HEIGHT_MM, P0_WIDTH_MM, p0, p0_geometry, p0_grey, p0_rescale, sample_shape,
};
use jawgauge_section::{RidgeAxis, SiteFrame, section_frame};
use jawgauge_space::{PatientPoint, PatientVector};
use jawgauge_volume::Volume;

fn frame_at(station_mm: f64) -> SiteFrame {
    let axis =
        RidgeAxis::through(&[PatientPoint::new(0.0, -9.0, 3.0), PatientPoint::new(0.0, 9.0, 3.0)])
            .expect("an axis");
    let place = axis.at_station(station_mm).expect("on it");
    let lingual = PatientPoint::new(-20.0, 0.0, 3.0);
    section_frame(&axis, place, PatientVector::new(0.0, 0.0, -1.0), Some(lingual)).expect("a frame")
}

fn measure(volume: &Volume, options: &MeasureOptions) -> Result<SiteMeasure, BoneError> {
    let site = frame_at(9.0);
    measure_site(volume, site.frame, site.place.point, &[], options)
}

#[test]
fn a_box_ridge_has_its_width_at_every_level_and_its_height() {
    let volume = p0();
    for threshold in [Threshold::Auto, Threshold::Grey(630.0)] {
        let options = MeasureOptions::default().with_threshold(threshold);
        let found = measure(&volume, &options).expect("measured");
        assert!((found.bone.threshold.grey - 630.0).abs() < 6.0, "{:?}", found.bone.threshold);
        for width in &found.widths {
            let width = width.as_ref().expect("a width");
            assert!((width.width.mm - P0_WIDTH_MM).abs() <= 0.02, "{width:?}");
            assert!((width.width.mm - P0_WIDTH_MM).abs() <= width.width.u95_mm);
            let middle = 0.5 * (width.buccal.buccal_mm + width.lingual.buccal_mm);
            assert!(middle.abs() < 0.02, "the ridge is centred on x = 0: {middle}");
        }
        let height = found.height.expect("a height");
        assert!((height.mm - P0_HEIGHT_MM).abs() <= 0.05, "{height:?}");
        assert!(found.bone.turned_by_deg.abs() < 0.1, "{}", found.bone.turned_by_deg);
        assert!(found.warnings.is_empty(), "{:?}", found.warnings);
    }
}

#[test]
fn a_ridge_cut_by_the_edge_of_the_scan_withholds_what_needs_the_missing_part() {
    // Moved 16 mm: the buccal wall (x = 19) lies beyond the last voxel centre (17.85).
    let moved = |p: PatientPoint| p0_grey(p - PatientVector::new(16.0, 0.0, 0.0));
    let volume = sample_shape(p0_geometry(), p0_rescale(), moved, 4).expect("a volume");
    let axis = RidgeAxis::through(&[
        PatientPoint::new(16.0, -9.0, 3.0),
        PatientPoint::new(16.0, 9.0, 3.0),
    ])
    .expect("an axis");
    let place = axis.at_station(9.0).expect("on it");
    let site = section_frame(
        &axis,
        place,
        PatientVector::new(0.0, 0.0, -1.0),
        Some(PatientPoint::new(0.0, 0.0, 3.0)),
    )
    .expect("a frame");
    let options = MeasureOptions::default().with_along_ridge(false);
    let found =
        measure_site(&volume, site.frame, site.place.point, &[], &options).expect("measured");
    assert!(found.warnings.contains(&BoneWarning::Clipped { by: Clip::Scan }));
    for width in &found.widths {
        match width {
            Err(Unmeasured::Clipped { by: Clip::Scan, at_least_mm, .. }) => {
                assert!((at_least_mm - 4.85).abs() < 0.11, "{at_least_mm}");
            }
            other => {
                panic!("a width was given although its buccal end was never scanned: {other:?}")
            }
        }
    }
    assert!(matches!(found.height, Err(Unmeasured::Clipped { .. })));
    assert!(found.min_width.is_none());
}

#[test]
fn levels_above_the_crest_and_below_the_bone_are_reasons_not_numbers() {
    let options = MeasureOptions::default().with_levels_mm(vec![-1.0, 0.0, 3.0, 12.5, f64::NAN]);
    let found = measure(&p0(), &options).expect("measured");
    assert!(matches!(found.widths[0], Err(Unmeasured::AboveCrest { .. })));
    assert!(matches!(found.widths[1], Err(Unmeasured::AboveCrest { .. })));
    assert!(found.widths[2].is_ok());
    match found.widths[3] {
        Err(Unmeasured::BelowBone { ends_mm, .. }) => assert!((ends_mm - 12.0).abs() < 0.11),
        ref other => panic!("{other:?}"),
    }
    assert!(matches!(found.widths[4], Err(Unmeasured::AboveCrest { .. })));
}

#[test]
fn a_constant_volume_and_a_threshold_above_everything_are_named() {
    let flat = sample_shape(p0_geometry(), p0_rescale(), |_| 100.0, 1).expect("a volume");
    assert!(matches!(
        measure(&flat, &MeasureOptions::default()),
        Err(BoneError::NoTwoClasses { .. })
    ));
    let high = MeasureOptions::default().with_threshold(Threshold::Grey(5000.0));
    assert!(matches!(measure(&p0(), &high), Err(BoneError::NothingOutlined { .. })));
}

#[test]
fn a_given_threshold_off_half_way_is_said_and_widens_the_uncertainty() {
    let fine = measure(&p0(), &MeasureOptions::default()).expect("measured");
    let off = MeasureOptions::default().with_threshold(Threshold::Grey(300.0));
    let found = measure(&p0(), &off).expect("measured");
    assert!(found.warnings.iter().any(|w| matches!(w, BoneWarning::ThresholdOffHalf { .. })));
    let (a, b) =
        (fine.widths[2].as_ref().expect("a width"), found.widths[2].as_ref().expect("a width"));
    assert!(b.width.mm > a.width.mm);
    assert!(b.width.u95_mm > 2.0 * a.width.u95_mm);
    assert!((b.width.mm - P0_WIDTH_MM).abs() <= b.width.u95_mm, "{:?}", b.width);
}

#[test]
fn air_and_metal_do_not_capture_the_automatic_threshold() {
    // Three metal balls of 4 mm radius near the ridge but clear of the site's section, and one
    // saturated voxel; with and without air.
    let balls = [[9.0, 7.0, 2.0], [-9.0, -7.0, 5.0], [0.0, 8.0, 9.0]];
    for air in [true, false] {
        let grey = |p: PatientPoint| {
            let [x, y, z] = p.to_array();
            for [bx, by, bz] in balls {
                if PatientPoint::new(x, y, z).distance_mm(PatientPoint::new(bx, by, bz)) <= 4.0 {
                    return 12_000.0;
                }
            }
            if p.distance_mm(PatientPoint::new(5.85, 3.15, 0.15)) < 0.1 {
                return 60_000.0;
            }
            let g = p0_grey(p);
            if air { g } else { g.max(60.0) }
        };
        let volume = sample_shape(p0_geometry(), p0_rescale(), grey, 2).expect("a volume");
        let found = measure(&volume, &MeasureOptions::default()).expect("measured");
        let threshold = found.bone.threshold.grey;
        assert!((400.0..=900.0).contains(&threshold), "{threshold} with air {air}");
        for width in &found.widths {
            let mm = width.as_ref().expect("a width").width.mm;
            assert!((mm - P0_WIDTH_MM).abs() <= 0.15, "{mm} with air {air}");
        }
    }
}

#[test]
fn a_sinus_is_not_measured_as_bone() {
    let grey = |p: PatientPoint| {
        let [x, _, z] = p.to_array();
        if x.abs() < 2.0 && z < -4.0 && z > -8.0 { -1000.0 } else { p0_grey(p) }
    };
    let volume = sample_shape(p0_geometry(), p0_rescale(), grey, 4).expect("a volume");
    let found = measure(&volume, &MeasureOptions::default().with_levels_mm(vec![3.0, 9.0]))
        .expect("measured");
    assert!(found.widths[0].as_ref().is_ok_and(|w| (w.width.mm - P0_WIDTH_MM).abs() < 0.05));
    assert!(matches!(found.widths[1], Err(Unmeasured::AirInside { .. })), "{:?}", found.widths[1]);
    assert!(matches!(found.height, Err(Unmeasured::AirInside { .. })));
    let begins = found.warnings.iter().find_map(|w| match w {
        BoneWarning::AirInside { from_mm } => Some(*from_mm),
        _ => None,
    });
    assert!(begins.is_some_and(|mm| (mm - 7.0).abs() < 0.3), "{begins:?}");
}
