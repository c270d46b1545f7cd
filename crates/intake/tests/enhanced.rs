//! Objects whose frames have functional groups: enhanced, legacy converted and
//! craniofacial ones (DICOM PS3.3 section C.7.6.16).

mod common;

use common::{
    assert_marker_in_place, assert_p0, assert_refused, base, codes, corner_error_mm, grid, in_one,
    reedit_one, reread_one, set, set_us,
};
use dicom_core::value::DataSetSequence;
use dicom_core::{DataElement, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use jawgauge_intake::{ScanWarning, read_scan};
use jawgauge_phantom::{
    FunctionalGroups, FunctionalMacro, MultiFrameKind, P0_DIMS, Placement, ScanOptions, ScanSyntax,
    p0_geometry, p0_on,
};
use jawgauge_volume::{Rescale, Volume};

const KINDS: [MultiFrameKind; 3] = [
    MultiFrameKind::EnhancedCt,
    MultiFrameKind::LegacyConvertedCt,
    MultiFrameKind::XRay3dCraniofacial,
];
const ENHANCED: MultiFrameKind = MultiFrameKind::EnhancedCt;

/// Changes the functional groups of a frame, or the shared ones.
fn change_group(
    object: &mut InMemDicomObject,
    frame: Option<usize>,
    change: impl FnOnce(&mut InMemDicomObject),
) {
    let tag = match frame {
        Some(_) => tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE,
        None => tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE,
    };
    let mut items = object.element(tag).expect("groups").items().expect("items").to_vec();
    change(&mut items[frame.unwrap_or(0)]);
    object.put(DataElement::new(tag, VR::SQ, DataSetSequence::from(items)));
}

/// Changes the one item of a macro.
fn change_macro(group: &mut InMemDicomObject, of: Tag, change: impl FnOnce(&mut InMemDicomObject)) {
    let mut item = group.element(of).expect("a macro").items().expect("items")[0].clone();
    change(&mut item);
    group.put(DataElement::new(of, VR::SQ, DataSetSequence::from(vec![item])));
}

fn placed(group: FunctionalMacro, placement: Placement) -> ScanOptions {
    let groups = FunctionalGroups::default().with_placement(group, placement);
    ScanOptions::default().with_functional_groups(groups)
}

#[test]
fn enhanced_legacy_and_craniofacial_objects_are_read_in_every_native_syntax() {
    for kind in KINDS {
        for syntax in [
            ScanSyntax::ExplicitLittleEndian,
            ScanSyntax::ImplicitLittleEndian,
            ScanSyntax::ExplicitBigEndian,
            ScanSyntax::Deflated,
            ScanSyntax::EncapsulatedUncompressed,
        ] {
            let options = ScanOptions::default().with_syntax(syntax);
            let scan = reread_one(kind, &options).unwrap_or_else(|e| panic!("{kind:?} {e}"));
            assert_eq!(scan.facts.sop_class, kind.sop_class_uid());
            assert_eq!(scan.facts.transfer_syntax, syntax.uid());
            assert_marker_in_place(&scan.volume);
            assert_p0(Ok(scan), &[], &format!("{kind:?} {syntax:?}"));
        }
    }
}

#[test]
fn macros_may_be_shared_or_stand_with_each_frame() {
    for kind in KINDS {
        for group in [
            FunctionalMacro::PixelMeasures,
            FunctionalMacro::PlaneOrientation,
            FunctionalMacro::PixelValueTransformation,
            FunctionalMacro::FrameType,
        ] {
            let per_frame = reread_one(kind, &placed(group, Placement::PerFrame));
            assert_p0(per_frame, &[], &format!("{kind:?} {group:?} per frame"));
        }
    }
}

#[test]
fn the_order_of_frames_and_their_numbers_say_nothing_of_the_place() {
    // 37 and 80 have no common factor, so every slice is named once.
    let shuffled: Vec<usize> = (0..80).map(|f| f * 37 % 80).collect();
    for kind in KINDS {
        for order in [shuffled.clone(), (0..80).rev().collect()] {
            let options = ScanOptions::default().with_frame_order(order).with_edit(|_, o| {
                for frame in 0..80 {
                    change_group(o, Some(frame), |group| {
                        group.remove_element(tags::FRAME_CONTENT_SEQUENCE);
                    });
                }
            });
            assert_p0(reread_one(kind, &options), &[], "other order");
        }
    }
}

#[test]
fn frames_in_other_directions_keep_left_right_and_up() {
    let s = 0.3;
    let (x, y, z) = ([s, 0.0, 0.0], [0.0, s, 0.0], [0.0, 0.0, s]);
    let back = |d: [f64; 3]| d.map(|c| -c);
    for (name, dims, origin, steps) in [
        ("rows to the right", P0_DIMS, [17.85, -14.85, -11.85], [back(x), y, z]),
        ("descending", P0_DIMS, [-17.85, -14.85, 11.85], [x, y, back(z)]),
        ("coronal", [120, 80, 100], [-17.85, -14.85, 11.85], [x, back(z), y]),
        ("sagittal", [100, 80, 120], [-17.85, -14.85, 11.85], [y, back(z), x]),
    ] {
        let volume = p0_on(grid(dims, origin, steps)).expect("a volume");
        for kind in KINDS {
            let (dir, _) = in_one(&volume, kind, &ScanOptions::default());
            let scan = read_scan(dir.path(), None).unwrap_or_else(|e| panic!("{name}: {e}"));
            assert!(scan.warnings.is_empty(), "{name} {:?}", scan.warnings);
            assert_marker_in_place(&scan.volume);
        }
    }
}

#[test]
fn pixel_spacing_that_only_the_shared_group_has_is_found_and_a_missing_one_not_replaced() {
    let shared = reread_one(ENHANCED, &placed(FunctionalMacro::PixelMeasures, Placement::Shared));
    assert_p0(shared, &[], "shared");
    for kind in KINDS {
        let options = placed(FunctionalMacro::PixelMeasures, Placement::Absent)
            .with_edit(|_, o| set(o, tags::IMAGER_PIXEL_SPACING, VR::DS, "0.40\\0.40"));
        let parts = ["(0028,0030) PixelSpacing", "(0018,1164)", "cannot be used", "scan.dcm"];
        assert_refused(reread_one(kind, &options), "missing-attribute", &parts);
    }
}

#[test]
fn a_missing_macro_is_never_assumed() {
    for (group, tag) in [
        (FunctionalMacro::PlanePosition, "(0020,0032) ImagePositionPatient"),
        (FunctionalMacro::PlaneOrientation, "(0020,0037) ImageOrientationPatient"),
        (FunctionalMacro::PixelValueTransformation, "(0028,1053) RescaleSlope"),
    ] {
        let read = reread_one(ENHANCED, &placed(group, Placement::Absent));
        assert_refused(read, "missing-attribute", &[tag, "scan.dcm"]);
    }
    // One frame of 80 is as bad as all.
    let read = reedit_one(ENHANCED, |o| {
        change_group(o, Some(41), |group| {
            group.remove_element(tags::PLANE_POSITION_SEQUENCE);
        });
    });
    assert_refused(read, "missing-attribute", &["(0020,0032)", "scan.dcm"]);
}

#[test]
fn a_craniofacial_object_without_rescale_is_told_to_have_none() {
    let kind = MultiFrameKind::XRay3dCraniofacial;
    let options = placed(FunctionalMacro::PixelValueTransformation, Placement::Absent);
    let scan = reread_one(kind, &options).expect("read");
    assert_eq!(codes(&scan), ["no-rescale"]);
    assert_eq!(scan.volume.rescale(5), Rescale { slope: 1.0, intercept: 0.0 });
    // Half a rescale is none.
    let half = reedit_one(kind, |o| {
        change_group(o, None, |group| {
            change_macro(group, tags::PIXEL_VALUE_TRANSFORMATION_SEQUENCE, |item| {
                item.remove_element(tags::RESCALE_INTERCEPT);
            });
        });
    });
    assert_refused(half, "missing-attribute", &["(0028,1052) RescaleIntercept"]);
}

#[test]
fn a_rescale_outside_the_groups_does_not_overrule_theirs() {
    for kind in KINDS {
        let scan = reedit_one(kind, |o| {
            set(o, tags::RESCALE_INTERCEPT, VR::DS, "-2048");
            set(o, tags::RESCALE_SLOPE, VR::DS, "3");
        });
        assert_p0(scan, &["rescale-disagrees"], "top level");
    }
    let same = reedit_one(ENHANCED, |o| {
        set(o, tags::RESCALE_INTERCEPT, VR::DS, "-1000.00");
        set(o, tags::RESCALE_SLOPE, VR::DS, "1");
    });
    assert_p0(same, &[], "the same in other words");
}

#[test]
fn positions_and_spacings_outside_the_groups_are_not_taken() {
    let read = reedit_one(ENHANCED, |o| {
        set(o, tags::IMAGE_POSITION_PATIENT, VR::DS, "1\\2\\3");
        set(o, tags::IMAGE_ORIENTATION_PATIENT, VR::DS, "0\\1\\0\\1\\0\\0");
        set(o, tags::PIXEL_SPACING, VR::DS, "0.5\\0.6");
    });
    assert_p0(read, &[], "top level");
}

#[test]
fn numbers_of_a_single_frame_that_make_no_sense_are_refused() {
    for (of, tag, value) in [
        (tags::PLANE_POSITION_SEQUENCE, tags::IMAGE_POSITION_PATIENT, "-17,85\\-14,85\\-8,25"),
        (tags::PLANE_POSITION_SEQUENCE, tags::IMAGE_POSITION_PATIENT, "-17.85\\NaN\\-8.25"),
        (tags::PLANE_POSITION_SEQUENCE, tags::IMAGE_POSITION_PATIENT, "-17.85\\1e300\\-8.25"),
        (tags::PIXEL_MEASURES_SEQUENCE, tags::PIXEL_SPACING, "0,30\\0,30"),
        (tags::PIXEL_MEASURES_SEQUENCE, tags::PIXEL_SPACING, "inf\\0.3"),
        (tags::PLANE_ORIENTATION_SEQUENCE, tags::IMAGE_ORIENTATION_PATIENT, "1\\0\\0\\0\\nan\\0"),
        (tags::PIXEL_VALUE_TRANSFORMATION_SEQUENCE, tags::RESCALE_SLOPE, "1,0"),
        (tags::PIXEL_VALUE_TRANSFORMATION_SEQUENCE, tags::RESCALE_INTERCEPT, "-1000 HU"),
    ] {
        let groups = [
            FunctionalMacro::PixelMeasures,
            FunctionalMacro::PlaneOrientation,
            FunctionalMacro::PixelValueTransformation,
        ];
        let groups = groups.into_iter().fold(FunctionalGroups::default(), |all, group| {
            all.with_placement(group, Placement::PerFrame)
        });
        let options = ScanOptions::default().with_functional_groups(groups);
        let options = options.with_edit(move |_, o| {
            change_group(o, Some(12), |group| {
                change_macro(group, of, |item| set(item, tag, VR::DS, value));
            });
        });
        let named = format!("({:04X},{:04X})", tag.group(), tag.element());
        let read = reread_one(ENHANCED, &options);
        assert_refused(read, "bad-attribute", &[&named, value, "scan.dcm"]);
    }
}

#[test]
fn a_frame_with_another_spacing_or_orientation_is_named_by_its_number() {
    for (group, of, tag, value) in [
        (
            FunctionalMacro::PixelMeasures,
            tags::PIXEL_MEASURES_SEQUENCE,
            tags::PIXEL_SPACING,
            "0.31\\0.3",
        ),
        (
            FunctionalMacro::PlaneOrientation,
            tags::PLANE_ORIENTATION_SEQUENCE,
            tags::IMAGE_ORIENTATION_PATIENT,
            "0\\1\\0\\1\\0\\0",
        ),
    ] {
        let options = placed(group, Placement::PerFrame).with_edit(move |_, o| {
            change_group(o, Some(12), |g| {
                change_macro(g, of, |item| set(item, tag, VR::DS, value))
            });
        });
        let read = reread_one(ENHANCED, &options);
        assert_refused(read, "mixed-series", &["scan.dcm frame 13", value]);
    }
}

#[test]
fn a_frame_that_is_not_there_leaves_its_place_free() {
    let base = base();
    let mut absent = vec![false; 80];
    absent[40] = true;
    let holed =
        Volume::new(base.geometry().clone(), base.voxels().clone(), vec![base.rescale(0); 80])
            .and_then(|v| v.with_absent_slices(absent.clone()))
            .expect("a volume");
    let (dir, _) = in_one(&holed, ENHANCED, &ScanOptions::default());
    let scan = read_scan(dir.path(), None).expect("read");
    assert!(corner_error_mm(scan.volume.geometry(), &p0_geometry()) < 1e-6);
    assert_eq!(scan.volume.absent_slices(), absent);
    let [ScanWarning::MissingSlices { before, after, missing: 1, .. }] = &scan.warnings[..] else {
        panic!("{:?}", scan.warnings)
    };
    assert_eq!((before.as_str(), after.as_str()), ("scan.dcm frame 40", "scan.dcm frame 41"));
}

#[test]
fn groups_that_are_fewer_or_more_than_the_frames_are_refused() {
    for count in ["79", "81", "1"] {
        let read = reedit_one(ENHANCED, move |o| {
            set(o, tags::NUMBER_OF_FRAMES, VR::IS, count);
        });
        assert!(read.is_err(), "{count}");
    }
    let read = reedit_one(ENHANCED, |o| {
        let tag = tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE;
        let mut items = o.element(tag).expect("groups").items().expect("items").to_vec();
        items.pop();
        o.put(DataElement::new(tag, VR::SQ, DataSetSequence::from(items)));
    });
    let parts = ["(5200,9230) PerFrameFunctionalGroupsSequence", "79", "80", "scan.dcm"];
    assert_refused(read, "bad-attribute", &parts);
    let read = reedit_one(ENHANCED, |o| {
        o.remove_element(tags::NUMBER_OF_FRAMES);
    });
    assert_refused(read, "missing-attribute", &["(0028,0008) NumberOfFrames"]);
}

#[test]
fn a_distance_that_lies_in_the_groups_is_told_and_not_believed() {
    let read = reedit_one(ENHANCED, |o| {
        change_group(o, None, |group| {
            change_macro(group, tags::PIXEL_MEASURES_SEQUENCE, |item| {
                set(item, tags::SLICE_THICKNESS, VR::DS, "0.50");
                set(item, tags::SPACING_BETWEEN_SLICES, VR::DS, "-0.40");
            });
        });
    });
    assert_p0(read, &["spacing-attributes-disagree"], "lying");
}

#[test]
fn two_frames_at_one_place_are_refused_by_their_numbers() {
    let read = reedit_one(ENHANCED, |o| {
        // Air, put where bone is.
        change_group(o, Some(0), |group| {
            change_macro(group, tags::PLANE_POSITION_SEQUENCE, |item| {
                let place = "-17.85\\-14.85\\-5.85";
                set(item, tags::IMAGE_POSITION_PATIENT, VR::DS, place);
            });
        });
    });
    assert_refused(read, "same-place", &["scan.dcm frame 1 and scan.dcm frame 21"]);
}

#[test]
fn a_sheared_stack_of_frames_stays_sheared() {
    let lean = 0.3 * 10_f64.to_radians().tan();
    let steps = [[0.3, 0.0, 0.0], [0.0, 0.3, 0.0], [0.0, lean, 0.3]];
    let volume = p0_on(grid(P0_DIMS, [-17.85, -14.85, -11.85], steps)).expect("a volume");
    let (dir, _) = in_one(&volume, ENHANCED, &ScanOptions::default());
    let scan = read_scan(dir.path(), None).expect("read");
    assert_eq!(codes(&scan), ["sheared-stack"]);
    assert!(corner_error_mm(scan.volume.geometry(), volume.geometry()) < 1e-6);
    assert_marker_in_place(&scan.volume);
}

#[test]
fn each_frame_keeps_its_own_slope_and_intercept() {
    let options = placed(FunctionalMacro::PixelValueTransformation, Placement::PerFrame);
    let read = reread_one(
        ENHANCED,
        &options.with_edit(|_, o| {
            change_group(o, Some(3), |group| {
                change_macro(group, tags::PIXEL_VALUE_TRANSFORMATION_SEQUENCE, |item| {
                    set(item, tags::RESCALE_SLOPE, VR::DS, "2");
                });
            });
        }),
    );
    let scan = read.expect("read");
    assert_eq!((scan.volume.rescale(2).slope, scan.volume.rescale(3).slope), (1.0, 2.0));
    assert_eq!(scan.volume.rescale(4).slope, 1.0);
}

#[test]
fn colour_or_wide_samples_of_an_enhanced_object_are_refused_by_tag() {
    type Edit = fn(&mut InMemDicomObject);
    let cases: [(&str, Edit); 3] = [
        ("(0028,0002)", |o| set_us(o, tags::SAMPLES_PER_PIXEL, 3)),
        ("(0028,0100)", |o| set_us(o, tags::BITS_ALLOCATED, 32)),
        ("(0028,0004)", |o| set(o, tags::PHOTOMETRIC_INTERPRETATION, VR::CS, "PALETTE COLOR")),
    ];
    for (tag, edit) in cases {
        assert_refused(reedit_one(ENHANCED, edit), "bad-attribute", &[tag, "scan.dcm"]);
    }
}
