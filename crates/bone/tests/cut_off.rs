//! Ridges that reach beyond the scan.

mod common;

use common::{Scene, scene};
use jawgauge_bone::{BoneWarning, Clip, MeasureOptions, Unmeasured, measure_site};
use jawgauge_phantom::{Cortex, Noise, Profile, Storage, render};
use jawgauge_volume::Rescale;

fn tapered() -> Scene {
    scene(
        Profile::Tapered { crest_radius_mm: 2.0, base_radius_mm: 5.0, height_mm: 24.0 },
        Cortex::even(1.2),
    )
}

#[test]
fn marrow_that_lies_open_to_the_edge_of_the_scan_is_not_taken_for_outside() {
    // The lowest slices are missing, so that the base is cut off and the marrow opens downwards:
    // an outline along the inside of the plates would make each width that of one plate.
    let scene = tapered();
    let whole = scene.volume();
    let slices = whole.geometry().dims()[2];
    for cut in [slices / 4, slices / 3, slices / 2] {
        let absent = (0..slices).map(|k| k < cut).collect();
        let volume = whole.clone().with_absent_slices(absent).expect("a volume");
        for options in
            [MeasureOptions::default(), MeasureOptions::default().with_along_ridge(false)]
        {
            let found = measure_site(&volume, scene.frame(), scene.point(), &[], &options)
                .expect("measured");
            assert!(found.warnings.contains(&BoneWarning::Clipped { by: Clip::Scan }));
            assert!(matches!(found.height, Err(Unmeasured::Clipped { .. })), "{:?}", found.height);
            let mut measured = 0;
            for (level, width) in found.levels_mm.iter().zip(&found.widths) {
                match width {
                    Ok(width) => {
                        let truth = scene.width_mm(*level);
                        assert!(
                            (width.width.mm - truth).abs() <= 0.05,
                            "cut {cut}, {level}: {width:?}, truth {truth}"
                        );
                        measured += 1;
                    }
                    Err(why) => assert!(matches!(
                        why,
                        Unmeasured::Clipped { .. } | Unmeasured::BelowBone { .. }
                    )),
                }
            }
            assert!(measured >= 4, "cut {cut}: only {measured} levels");
        }
    }
}

#[test]
fn a_crest_beyond_the_scan_is_refused() {
    let scene = tapered();
    let whole = scene.volume();
    let slices = whole.geometry().dims()[2];
    let absent = (0..slices).map(|k| k > slices - 20).collect();
    let volume = whole.with_absent_slices(absent).expect("a volume");
    let found =
        measure_site(&volume, scene.frame(), scene.point(), &[], &MeasureOptions::default());
    assert!(found.is_err(), "the crest was never scanned: {:?}", found.map(|f| f.widths));
}

#[test]
fn a_slice_missing_from_the_middle_withholds_what_crosses_the_gap() {
    let scene = tapered();
    let whole = scene.volume();
    let slices = whole.geometry().dims()[2];
    // The crest is 5 mm below the top: 37 slices of 0.3 mm are a gap some 6 mm below it.
    let gap = slices - 37;
    let absent = (0..slices).map(|k| k == gap).collect();
    let volume = whole.with_absent_slices(absent).expect("a volume");
    let found =
        measure_site(&volume, scene.frame(), scene.point(), &[], &MeasureOptions::default())
            .expect("measured");
    assert!(found.height.is_err(), "the height crosses the gap");
    assert!(found.widths[0].is_ok(), "{:?}", found.widths[0]);
    for (level, width) in found.levels_mm.iter().zip(&found.widths) {
        if let Ok(width) = width {
            let truth = scene.width_mm(*level);
            assert!((width.width.mm - truth).abs() <= 0.05, "{level}: {width:?}, truth {truth}");
        }
    }
}

#[test]
fn an_open_crest_is_not_measured_as_one_plate_without_a_word() {
    // A socket: the ridge with a trench 3 mm wide and 8 mm deep down from its crest, which opens the
    // marrow to the mouth. The outline runs down into it, and a line across it holds one wall.
    let scene = scene(Profile::Rounded { radius_mm: 4.0, height_mm: 20.0 }, Cortex::even(1.4));
    let geometry = scene.ridge.grid(&scene.grid).expect("a grid");
    let rescale = Rescale { slope: 1.0, intercept: -2000.0 };
    let grey = |p| {
        let at = scene.ridge.section_point(p);
        let trench = at.buccal_mm.abs() < 1.5 && at.apical_mm < 8.0;
        if trench { 60.0 } else { scene.ridge.grey_at(p) }
    };
    let volume = render(geometry, Storage::Unsigned, rescale, Noise::none(), grey).expect("a scan");
    let options =
        MeasureOptions::default().with_levels_mm(vec![3.0, 5.0, 14.0]).with_along_ridge(false);
    let found =
        measure_site(&volume, scene.frame(), scene.point(), &[], &options).expect("measured");
    let one_wall = found.widths[1].as_ref().is_ok_and(|w| w.width.mm < 4.0);
    let said = found.warnings.iter().any(|w| {
        matches!(w, BoneWarning::BoneBeside { levels_mm, gap_mm } if levels_mm == &[3.0, 5.0] && *gap_mm < 6.0)
    });
    assert!(one_wall && said, "{:?} {:?}", found.widths, found.warnings);
    // Below the trench the ridge is whole again.
    let whole = found.widths[2].as_ref().is_ok_and(|w| (w.width.mm - 8.0).abs() < 0.1);
    assert!(whole, "{:?}", found.widths[2]);
}
