//! What enhanced objects say of their frames besides their places, and what they do not say.

mod common;

use common::{assert_p0, assert_refused, codes, reedit_one, reread_p0, set};
use dicom_core::value::DataSetSequence;
use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use jawgauge_intake::{IntakeError, Scan};
use jawgauge_phantom::MultiFrameKind;

const KINDS: [MultiFrameKind; 3] = [
    MultiFrameKind::EnhancedCt,
    MultiFrameKind::LegacyConvertedCt,
    MultiFrameKind::XRay3dCraniofacial,
];
const SHARED: Tag = tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE;
const PER_FRAME: Tag = tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE;

fn sequence(object: &mut InMemDicomObject, tag: Tag, items: Vec<InMemDicomObject>) {
    object.put(DataElement::new(tag, VR::SQ, DataSetSequence::from(items)));
}

fn items(object: &InMemDicomObject, tag: Tag) -> Vec<InMemDicomObject> {
    object.element(tag).expect("there").items().expect("items").to_vec()
}

/// Takes a macro out of the shared groups and the groups of all frames.
fn without(object: &mut InMemDicomObject, of: Tag) {
    for tag in [SHARED, PER_FRAME] {
        let mut groups = items(object, tag);
        for group in &mut groups {
            group.remove_element(of);
        }
        sequence(object, tag, groups);
    }
}

/// Reads the base phantom where frame 40 says this of its type.
fn typed(kind: MultiFrameKind, tag: Tag, value: &'static str) -> Result<Scan, IntakeError> {
    reedit_one(kind, move |o| {
        let of = match kind {
            MultiFrameKind::XRay3dCraniofacial => tags::X_RAY3_D_FRAME_TYPE_SEQUENCE,
            _ => tags::CT_IMAGE_FRAME_TYPE_SEQUENCE,
        };
        let mut frames = items(o, PER_FRAME);
        let mut item = InMemDicomObject::new_empty();
        set(&mut item, tag, VR::CS, value);
        sequence(&mut frames[39], of, vec![item]);
        sequence(o, PER_FRAME, frames);
    })
}

/// DICOM PS3.3 section C.8.16.2.1: values of Volumetric Properties and Frame Type.
#[test]
fn frames_that_are_no_part_of_a_volume_are_refused() {
    for kind in KINDS {
        for value in ["DISTORTED", "MIXED", "SOMETHING"] {
            let parts = ["(0008,9206) VolumetricProperties", value, "scan.dcm"];
            let read = typed(kind, tags::VOLUMETRIC_PROPERTIES, value);
            assert_refused(read, "bad-attribute", &parts);
        }
        let read = typed(kind, tags::FRAME_TYPE, "ORIGINAL\\PRIMARY\\LOCALIZER\\NONE");
        assert_refused(read, "bad-attribute", &["(0008,9007) FrameType", "LOCALIZER", "scan.dcm"]);
        assert_p0(typed(kind, tags::VOLUMETRIC_PROPERTIES, "VOLUME"), &[], "a volume");
        let read = typed(kind, tags::FRAME_TYPE, "ORIGINAL\\PRIMARY\\VOLUME\\NONE");
        assert_p0(read, &[], "a volume");
        let sampled = typed(kind, tags::VOLUMETRIC_PROPERTIES, "SAMPLED");
        assert_p0(sampled, &["sampled-frames"], "interpolated");
    }
}

#[test]
fn what_the_image_says_counts_where_its_frames_say_nothing() {
    for kind in KINDS {
        let outer = |value: &'static str| {
            reedit_one(kind, move |o| {
                for of in [tags::CT_IMAGE_FRAME_TYPE_SEQUENCE, tags::X_RAY3_D_FRAME_TYPE_SEQUENCE] {
                    without(o, of);
                }
                set(o, tags::VOLUMETRIC_PROPERTIES, VR::CS, value);
            })
        };
        assert_refused(outer("DISTORTED"), "bad-attribute", &["(0008,9206)", "DISTORTED"]);
        assert_p0(outer("VOLUME"), &[], "a volume");
    }
    let single = reread_p0(|_, o| set(o, tags::VOLUMETRIC_PROPERTIES, VR::CS, "DISTORTED"));
    assert_refused(single, "bad-attribute", &["(0008,9206)", "DISTORTED"]);
}

/// DICOM PS3.3 section C.7.6.16: where the frames have groups, the outermost level says
/// nothing of place and rescale.
#[test]
fn a_missing_macro_is_not_made_up_from_the_outermost_level() {
    let missing: [(Tag, Tag, &str); 4] = [
        (tags::PIXEL_MEASURES_SEQUENCE, tags::PIXEL_SPACING, "0.45\\0.45"),
        (tags::PLANE_POSITION_SEQUENCE, tags::IMAGE_POSITION_PATIENT, "0\\0\\0"),
        (tags::PLANE_ORIENTATION_SEQUENCE, tags::IMAGE_ORIENTATION_PATIENT, "1\\0\\0\\0\\1\\0"),
        (tags::PIXEL_VALUE_TRANSFORMATION_SEQUENCE, tags::RESCALE_SLOPE, "2"),
    ];
    for kind in KINDS {
        for (of, tag, value) in missing {
            if kind == MultiFrameKind::XRay3dCraniofacial && tag == tags::RESCALE_SLOPE {
                continue;
            }
            let read = reedit_one(kind, move |o| {
                without(o, of);
                set(o, tag, VR::DS, value);
                if tag == tags::RESCALE_SLOPE {
                    set(o, tags::RESCALE_INTERCEPT, VR::DS, "0");
                }
            });
            let named = format!("({:04X},{:04X})", tag.group(), tag.element());
            assert_refused(read, "missing-attribute", &[&named, "scan.dcm"]);
        }
    }
}

#[test]
fn a_mapping_to_real_world_values_is_no_rescale_and_is_named() {
    let read = reedit_one(MultiFrameKind::EnhancedCt, |o| {
        without(o, tags::PIXEL_VALUE_TRANSFORMATION_SEQUENCE);
        let mut groups = items(o, SHARED);
        let mut mapping = InMemDicomObject::new_empty();
        for (tag, value) in
            [(tags::REAL_WORLD_VALUE_SLOPE, 1.0), (tags::REAL_WORLD_VALUE_INTERCEPT, -1000.0)]
        {
            mapping.put(DataElement::new(tag, VR::FD, PrimitiveValue::from(value)));
        }
        sequence(&mut groups[0], tags::REAL_WORLD_VALUE_MAPPING_SEQUENCE, vec![mapping]);
        sequence(o, SHARED, groups);
    });
    let parts =
        ["(0028,1053) RescaleSlope", "(0040,9225) RealWorldValueSlope is there", "scan.dcm"];
    assert_refused(read, "missing-attribute", &parts);
}

#[test]
fn a_single_slice_image_with_a_shared_group_is_a_single_slice_image() {
    let shared = |spacing: &'static str| {
        reread_p0(move |_, o| {
            let mut measures = InMemDicomObject::new_empty();
            set(&mut measures, tags::PIXEL_SPACING, VR::DS, spacing);
            let mut group = InMemDicomObject::new_empty();
            sequence(&mut group, tags::PIXEL_MEASURES_SEQUENCE, vec![measures]);
            sequence(o, SHARED, vec![group]);
        })
    };
    let read = shared("0.3\\0.3");
    assert_eq!(codes(read.as_ref().expect("read")), <[&str; 0]>::default());
    assert_p0(read, &[], "the same");
    assert_refused(shared("0.4\\0.4"), "bad-attribute", &["(0028,0030)", "0.4", "slice0000.dcm"]);
}

/// DICOM PS3.3 section C.7.6.2.1.1: for animals the directions of the axes are others.
#[test]
fn the_axes_of_four_footed_animals_are_refused() {
    let of = |kind: &'static str| {
        reread_p0(move |_, o| set(o, tags::ANATOMICAL_ORIENTATION_TYPE, VR::CS, kind))
    };
    assert_refused(of("QUADRUPED"), "bad-attribute", &["(0010,2210)", "QUADRUPED"]);
    assert_p0(of("BIPED"), &[], "upright");
}

/// DICOM PS3.3 section C.7.6.16.2.2: frames with the same Stack ID belong together.
#[test]
fn frames_of_several_stacks_are_refused() {
    for kind in KINDS {
        let stacked = |of: fn(usize) -> &'static str| {
            reedit_one(kind, move |o| {
                let mut frames = items(o, PER_FRAME);
                for (n, frame) in frames.iter_mut().enumerate() {
                    let mut content = InMemDicomObject::new_empty();
                    set(&mut content, tags::STACK_ID, VR::SH, of(n));
                    sequence(frame, tags::FRAME_CONTENT_SEQUENCE, vec![content]);
                }
                sequence(o, PER_FRAME, frames);
            })
        };
        assert_p0(stacked(|_| "1"), &[], "one stack");
        let two = stacked(|n| if n % 2 == 0 { "1" } else { "2" });
        assert_refused(two, "bad-attribute", &["(0020,9056) StackID", "\"2\"", "scan.dcm"]);
    }
}

#[test]
fn groups_that_say_nothing_of_place_or_values_do_not_hide_what_a_ct_image_says() {
    let content = || {
        let mut group = InMemDicomObject::new_empty();
        sequence(&mut group, tags::FRAME_CONTENT_SEQUENCE, vec![InMemDicomObject::new_empty()]);
        group
    };
    let single = reread_p0(move |_, o| sequence(o, PER_FRAME, vec![content()]));
    assert_p0(single, &[], "single slices");
    let many = reedit_one(MultiFrameKind::PlainCt, move |o| {
        sequence(o, PER_FRAME, (0..80).map(|_| content()).collect());
    });
    assert_p0(many, &["pitch-from-spacing"], "frames with one position");
}

#[test]
fn what_the_frame_increment_points_at_does_not_matter_where_each_frame_has_a_position() {
    let pointer = |at: Tag| {
        move |o: &mut InMemDicomObject| {
            let pointer = PrimitiveValue::from(at);
            o.put(DataElement::new(tags::FRAME_INCREMENT_POINTER, VR::AT, pointer));
        }
    };
    for at in [tags::FRAME_TIME, tags::SLICE_LOCATION_VECTOR, PER_FRAME] {
        assert_p0(reread_p0(move |_, o| pointer(at)(o)), &[], "slices");
        assert_p0(reedit_one(MultiFrameKind::EnhancedCt, pointer(at)), &[], "enhanced");
    }
}
