//! CT images with many frames and one position, which the standard does not know and
//! exporters write: what the distance of the frames is taken from, and what is refused.

mod common;

use common::{
    assert_marker_in_place, assert_p0, assert_refused, base, codes, corner_error_mm, grid, in_one,
    reedit_one, reread_one, set,
};
use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use jawgauge_intake::{IntakeError, ReadOptions, Scan, ScanWarning, open_scan, read_scan};
use jawgauge_phantom::{
    MultiFrameKind, NiftiOptions, P0_DIMS, ScanOptions, p0_on, write_multi_frame, write_nifti,
};

const KIND: MultiFrameKind = MultiFrameKind::PlainCt;

/// Reads the base phantom from frames whose distance tags say this; `None` takes a tag away.
fn spaced(
    between: Option<&'static str>,
    thickness: Option<&'static str>,
) -> Result<Scan, IntakeError> {
    reedit_one(KIND, move |o| {
        put(o, tags::SPACING_BETWEEN_SLICES, between);
        put(o, tags::SLICE_THICKNESS, thickness);
    })
}

fn put(object: &mut InMemDicomObject, tag: Tag, value: Option<&str>) {
    match value {
        Some(value) => set(object, tag, VR::DS, value),
        None => {
            object.remove_element(tag);
        }
    }
}

/// Reads with the distance of frames given.
fn with_pitch(
    pitch_mm: f64,
    between: Option<&'static str>,
    thickness: Option<&'static str>,
) -> Result<Scan, IntakeError> {
    let options = ScanOptions::default().with_edit(move |_, o| {
        put(o, tags::SPACING_BETWEEN_SLICES, between);
        put(o, tags::SLICE_THICKNESS, thickness);
    });
    let (dir, _) = in_one(base(), KIND, &options);
    let options = ReadOptions::default().with_frame_pitch_mm(pitch_mm);
    open_scan(dir.path(), &options)?.read(None)
}

#[test]
fn frames_with_one_position_follow_each_other_by_the_spacing_between_slices() {
    let read = spaced(Some("0.30"), Some("0.30")).expect("read");
    assert_marker_in_place(&read.volume);
    assert!(read.facts.place_known);
    assert_eq!((read.facts.files, read.facts.slices), (1, 80));
    assert_p0(Ok(read), &["pitch-from-spacing"], "both");
    assert_p0(spaced(Some("0.30"), None), &["pitch-from-spacing"], "spacing alone");
    assert_p0(spaced(Some("0.30"), Some("")), &["pitch-from-spacing"], "an empty thickness");
    assert_p0(spaced(Some("0.30"), Some("thin")), &["pitch-from-spacing"], "words");
}

#[test]
fn a_pitch_that_only_slice_thickness_tells_is_said_to_be_unverified() {
    for between in [None, Some("")] {
        let scan = spaced(between, Some("0.30")).expect("read");
        let said = scan.warnings[0].to_string();
        for part in ["(0018,0050)", "neither verified", "negative `frame_pitch_mm`"] {
            assert!(said.contains(part), "{said}");
        }
        assert_p0(Ok(scan), &["pitch-from-thickness"], "thickness alone");
    }
}

#[test]
fn spacing_and_thickness_that_disagree_are_both_named_with_the_way_to_overrule_them() {
    let scan = spaced(Some("0.30"), Some("0.25")).expect("read");
    let said = scan.warnings[0].to_string();
    for part in ["(0018,0088)", "0.3 mm", "(0018,0050)", "0.25 mm", "frame_pitch_mm", "scan.dcm"] {
        assert!(said.contains(part), "{part} in {said}");
    }
    assert_p0(Ok(scan), &["pitch-disagrees"], "disagreeing");
    // The spacing is the distance of centres, whichever is the larger.
    assert_p0(spaced(Some("0.30"), Some("0.60")), &["pitch-disagrees"], "thick slices");
    assert_p0(spaced(Some("0.30"), Some("0")), &["pitch-disagrees"], "no thickness");
}

#[test]
fn frames_whose_distance_nothing_tells_are_refused_and_never_a_millimetre_apart() {
    let parts = ["(0018,0088) SpacingBetweenSlices", "(0018,0050) SliceThickness", "scan.dcm"];
    assert_refused(spaced(None, None), "missing-attribute", &parts);
    assert_refused(spaced(Some(""), Some("")), "missing-attribute", &parts);
}

#[test]
fn a_distance_of_frames_that_makes_no_sense_is_refused_by_its_tag() {
    for value in ["0", "0,30", "NaN", "inf", "1e9", "1e-300", "0.30\\0.30", "0.30 mm"] {
        let parts = ["(0018,0088)", value, "scan.dcm"];
        assert_refused(spaced(Some(value), Some("0.30")), "bad-attribute", &parts);
        let parts = ["(0018,0050)", value, "scan.dcm"];
        assert_refused(spaced(None, Some(value)), "bad-attribute", &parts);
    }
    // A negative thickness is no direction.
    assert_refused(spaced(None, Some("-0.30")), "bad-attribute", &["(0018,0050)", "-0.3"]);
}

#[test]
fn a_distance_given_by_the_user_overrules_the_attributes() {
    for (between, thickness) in
        [(None, None), (Some("0.25"), Some("0.40")), (Some("nonsense"), Some("0"))]
    {
        assert_p0(with_pitch(0.3, between, thickness), &[], "given");
    }
    for absurd in [f64::NAN, f64::INFINITY, 0.0, 1e-9, 1e9] {
        let read = with_pitch(absurd, None, None);
        assert!(read.is_err(), "{absurd}");
    }
}

#[test]
fn a_given_distance_moves_no_slice_that_has_a_position_of_its_own() {
    let options = ReadOptions::default().with_frame_pitch_mm(0.5);
    let dir = common::written(base(), &ScanOptions::default());
    let told = ["frame-pitch-ignored"];
    assert_p0(open_scan(dir.path(), &options).and_then(|s| s.read(None)), &told, "slices");
    let (dir, _) = in_one(base(), MultiFrameKind::EnhancedCt, &ScanOptions::default());
    assert_p0(open_scan(dir.path(), &options).and_then(|s| s.read(None)), &told, "enhanced");
    let dir = tempfile::tempdir().expect("a folder");
    write_nifti(&dir.path().join("scan.nii"), base(), &NiftiOptions::default()).expect("written");
    let open = open_scan(dir.path(), &options).expect("open");
    assert_eq!(open.warnings().iter().map(ScanWarning::code).collect::<Vec<_>>(), told);
}

#[test]
fn a_negative_spacing_turns_the_stack_and_says_so() {
    // Voxels stored from the head down; the positions of the tag's sign alone tell it.
    let s = 0.3;
    let down =
        grid(P0_DIMS, [-17.85, -14.85, 11.85], [[s, 0.0, 0.0], [0.0, s, 0.0], [0.0, 0.0, -s]]);
    let volume = p0_on(down).expect("a volume");
    let (dir, _) = in_one(&volume, KIND, &ScanOptions::default());
    let scan = read_scan(dir.path(), None).expect("read");
    assert_eq!(codes(&scan), ["pitch-from-spacing", "frames-reversed"]);
    assert!(scan.warnings[1].to_string().contains("sign of (0018,0088)"));
    assert_marker_in_place(&scan.volume);
    assert!((scan.volume.geometry().spacing_mm()[2] - s).abs() < 1e-9);
}

#[test]
fn a_negative_spacing_beside_positions_is_told_and_turns_nothing() {
    let read = common::reread_p0(|_, o| set(o, tags::SPACING_BETWEEN_SLICES, VR::DS, "-0.30"));
    assert_p0(read, &["spacing-attributes-disagree"], "slices");
}

#[test]
fn without_position_and_orientation_the_grid_is_kept_and_its_place_said_to_be_unknown() {
    let scan = reedit_one(KIND, |o| {
        o.remove_element(tags::IMAGE_POSITION_PATIENT);
        o.remove_element(tags::IMAGE_ORIENTATION_PATIENT);
    })
    .expect("read");
    assert!(!scan.facts.place_known);
    assert_eq!(codes(&scan), ["place-unknown", "pitch-from-spacing"]);
    let said = scan.warnings[0].to_string();
    assert!(said.contains("left and right, up and down are unknown"), "{said}");
    let s = 0.3;
    let own = grid(P0_DIMS, [0.0; 3], [[s, 0.0, 0.0], [0.0, s, 0.0], [0.0, 0.0, s]]);
    assert!(corner_error_mm(scan.volume.geometry(), &own) < 1e-9);
    assert_eq!(scan.volume.voxels(), base().voxels());
    // One of the two alone is no place, and not to be guessed.
    for tag in [tags::IMAGE_POSITION_PATIENT, tags::IMAGE_ORIENTATION_PATIENT] {
        let read = reedit_one(KIND, move |o| {
            o.remove_element(tag);
        });
        let named = format!("({:04X},{:04X})", tag.group(), tag.element());
        assert_refused(read, "missing-attribute", &[&named, "scan.dcm"]);
    }
}

#[test]
fn what_the_frame_increment_points_at_is_taken_for_space_but_not_for_time() {
    let pointing = |at: Tag| {
        reedit_one(KIND, move |o| {
            let pointer = PrimitiveValue::from(at);
            o.put(DataElement::new(tags::FRAME_INCREMENT_POINTER, VR::AT, pointer));
        })
    };
    let spacing = pointing(tags::SPACING_BETWEEN_SLICES);
    assert_p0(spacing, &["pitch-from-spacing"], "spacing between slices");
    // Something that is not there.
    assert_p0(pointing(Tag(0x3004, 0x000C)), &["pitch-from-spacing"], "absent");
    // Places in a vector may be uneven.
    let vector = reedit_one(KIND, |o| {
        let pointer = PrimitiveValue::from(tags::SLICE_LOCATION_VECTOR);
        o.put(DataElement::new(tags::FRAME_INCREMENT_POINTER, VR::AT, pointer));
        let places = vec!["0.0"; 80].join("\\");
        set(o, tags::SLICE_LOCATION_VECTOR, VR::DS, &places);
    });
    assert_refused(vector, "bad-attribute", &["(0028,0009)", "(0018,2005)", "scan.dcm"]);
    // A distance that is given stands for them.
    let options = ScanOptions::default().with_edit(|_, o| {
        let pointer = PrimitiveValue::from(tags::SLICE_LOCATION_VECTOR);
        o.put(DataElement::new(tags::FRAME_INCREMENT_POINTER, VR::AT, pointer));
        set(o, tags::SLICE_LOCATION_VECTOR, VR::DS, "0.0\\0.3");
    });
    let (dir, _) = in_one(base(), KIND, &options);
    let given = ReadOptions::default().with_frame_pitch_mm(0.3);
    assert_p0(open_scan(dir.path(), &given).and_then(|s| s.read(None)), &[], "given");
    // Time: DICOM PS3.3 section C.7.6.5.
    for time in [tags::FRAME_TIME, tags::FRAME_TIME_VECTOR] {
        let named = format!("({:04X},{:04X})", time.group(), time.element());
        assert_refused(pointing(time), "bad-attribute", &["(0028,0009)", &named, "scan.dcm"]);
    }
}

#[test]
fn frames_stored_in_other_directions_keep_left_right_and_up() {
    let s = 0.3;
    let (x, y, z) = ([s, 0.0, 0.0], [0.0, s, 0.0], [0.0, 0.0, s]);
    let back = |d: [f64; 3]| d.map(|c| -c);
    for (name, dims, origin, steps) in [
        ("rows to the right", P0_DIMS, [17.85, -14.85, 11.85], [back(x), y, back(z)]),
        ("coronal", [120, 80, 100], [-17.85, -14.85, 11.85], [x, back(z), y]),
        ("sagittal", [100, 80, 120], [17.85, -14.85, 11.85], [y, back(z), back(x)]),
        ("turned", [100, 120, 80], [-17.85, 14.85, -11.85], [back(y), x, z]),
    ] {
        let volume = p0_on(grid(dims, origin, steps)).expect("a volume");
        let (dir, _) = in_one(&volume, KIND, &ScanOptions::default());
        let scan = read_scan(dir.path(), None).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_marker_in_place(&scan.volume);
        let off = scan.volume.geometry().spacing_mm().map(|mm| (mm - s).abs());
        assert!(off.iter().all(|mm| *mm < 1e-9), "{name} {off:?}");
    }
}

/// Number of Frames as the file says it.
fn counted(value: Option<&'static str>) -> Result<Scan, IntakeError> {
    reedit_one(KIND, move |o| match value {
        Some(value) => set(o, tags::NUMBER_OF_FRAMES, VR::IS, value),
        None => {
            o.remove_element(tags::NUMBER_OF_FRAMES);
        }
    })
}

#[test]
fn a_number_of_frames_below_what_the_voxels_make_drops_no_frame_in_silence() {
    for (value, parts) in [
        (Some("79"), ["(0028,0008) NumberOfFrames is 79", "holds 80 frames"]),
        (Some("1"), ["(0028,0008) NumberOfFrames is 1", "holds 80 frames"]),
        (None, ["(0028,0008) NumberOfFrames is 1", "holds 80 frames"]),
    ] {
        assert_refused(counted(value), "number-of-frames", &parts);
        assert_refused(counted(value), "number-of-frames", &["scan.dcm"]);
    }
}

#[test]
fn a_number_of_frames_beyond_the_voxels_invents_no_frame() {
    let parts = ["(7FE0,0010) PixelData", "80 of 81 frames present", "scan.dcm"];
    assert_refused(counted(Some("81")), "pixel-data-length", &parts);
    let parts = ["(7FE0,0010) PixelData", "80 of 65535 frames present"];
    assert_refused(counted(Some("65535")), "pixel-data-length", &parts);
}

#[test]
fn a_number_of_frames_that_is_no_count_is_refused_and_not_rounded() {
    for value in ["0", "-1", "80.0", "80\\80", "2147483647", "99999999999", "8e1", "eighty"] {
        let parts = ["(0028,0008) NumberOfFrames", value, "scan.dcm"];
        assert_refused(counted(Some(value)), "bad-attribute", &parts);
    }
}

#[test]
fn a_pad_byte_behind_the_frames_is_no_surplus_and_more_is_told() {
    let padded = |bytes: usize| {
        reedit_one(KIND, move |o| {
            let pixels = o.element(tags::PIXEL_DATA).expect("there").to_bytes().expect("bytes");
            let mut pixels = pixels.into_owned();
            pixels.resize(pixels.len() + bytes, 0);
            o.put(DataElement::new(tags::PIXEL_DATA, VR::OW, PrimitiveValue::U8(pixels.into())));
        })
    };
    let told = ["surplus-pixel-bytes", "pitch-from-spacing"];
    assert_p0(padded(2), &told, "two bytes");
    assert_p0(padded(992), &told, "992 bytes");
    // A whole frame more is another number of frames.
    let parts = ["(0028,0008) NumberOfFrames is 80", "holds 81 frames"];
    assert_refused(padded(24_000), "number-of-frames", &parts);
}

#[test]
fn frames_cut_off_are_counted_and_refused() {
    for (left, present) in [(60 * 24_000, 60), (60 * 24_000 + 11_999, 60), (80 * 24_000 - 1, 79)] {
        let (dir, file) = in_one(base(), KIND, &ScanOptions::default());
        common::change_file(&file, |bytes| {
            let start = bytes.len() - 80 * 24_000;
            bytes.truncate(start + left);
        });
        let parts = format!("{present} of 80 frames present");
        let parts = ["(7FE0,0010) PixelData", &parts, "scan.dcm"];
        assert_refused(read_scan(dir.path(), None), "pixel-data-length", &parts);
    }
}

#[test]
fn a_scan_in_two_objects_is_put_together_and_a_repeated_frame_dropped() {
    let dir = tempfile::tempdir().expect("a folder");
    let s = 0.3;
    // Frames 0 to 44 and 40 to 79, each with its own first position.
    for (name, first, slices) in [("low", 0, 45), ("high", 40, 40)] {
        let origin = [-17.85, -14.85, -11.85 + s * f64::from(first)];
        let part = grid([120, 100, slices], origin, [[s, 0.0, 0.0], [0.0, s, 0.0], [0.0, 0.0, s]]);
        let volume = p0_on(part).expect("a volume");
        let options = ScanOptions::default().with_uid_root(7).with_series_uid("1.2.3");
        write_multi_frame(&dir.path().join(name), &volume, KIND, &options).expect("written");
    }
    let scan = read_scan(dir.path(), None).expect("read");
    let ScanWarning::Duplicates { kept, dropped, files } = &scan.warnings[0] else {
        panic!("{:?}", scan.warnings)
    };
    assert_eq!((kept.as_str(), dropped.as_str(), *files), ("high frame 1", "low frame 41", 5));
    assert_p0(Ok(scan), &["duplicate-slices", "pitch-from-spacing"], "two objects");
}

#[test]
fn a_spacing_of_the_detector_stands_for_no_pixel_spacing_of_frames_either() {
    let read = reedit_one(KIND, |o| {
        o.remove_element(tags::PIXEL_SPACING);
        set(o, tags::IMAGER_PIXEL_SPACING, VR::DS, "0.40\\0.40");
    });
    let parts = ["(0028,0030) PixelSpacing", "(0018,1164)", "cannot be used", "scan.dcm"];
    assert_refused(read, "missing-attribute", &parts);
}

#[test]
fn frames_and_single_slices_of_one_series_are_no_two_scans() {
    // An exporter's habit: the same series once as slices and once in one object.
    let dir = common::written(base(), &ScanOptions::default());
    write_multi_frame(&dir.path().join("all.dcm"), base(), KIND, &ScanOptions::default())
        .expect("written");
    let scan = read_scan(dir.path(), None).expect("read");
    let ScanWarning::Duplicates { files, .. } = scan.warnings[0] else {
        panic!("{:?}", scan.warnings)
    };
    assert_eq!(files, 80);
    assert_eq!(
        scan.volume.voxels(),
        reread_one(KIND, &ScanOptions::default()).expect("read").volume.voxels()
    );
}
