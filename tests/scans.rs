//! The same jaw in every form that a scan comes in gives the same millimetres and the same
//! sides; a form that does not tell them is refused, or says what it does not tell.

mod common;
mod forms;

use std::fs;

use common::{
    Bench, P0_FIXTURE, P0_HEAD, P0_POSE, P0_SITE, args, assert_near, base, codes, number, run, text,
};
use dicom_core::VR;
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use forms::{
    WITHIN_MM, Write, assert_box, assert_forms, case_on, changed, in_syntax, jpeg, lopsided, nifti,
    nrrd, one, other_directions, packed, rle, set, slices, spaced,
};
use jawgauge_phantom::{
    JpegLossless, MultiFrameKind, NiftiOptions, NrrdEncoding, NrrdOptions, ScanOptions, ScanSyntax,
    ZipMethod, damage, p0_geometry, write_dicomdir, write_multi_frame, write_scan,
};

use MultiFrameKind::{EnhancedCt, LegacyConvertedCt, PlainCt, XRay3dCraniofacial};

#[test]
fn slices_frames_archives_and_directories_give_the_same_document() {
    let shuffled: Vec<usize> = (0..80).map(|f| f * 37 % 80).collect();
    let spacing: &[&str] = &["pitch-from-spacing"];
    let forms: Vec<(&str, Write, &[&str])> = vec![
        ("slices", slices(ScanOptions::default()), &[]),
        ("implicit", slices(in_syntax(ScanSyntax::ImplicitLittleEndian)), &[]),
        ("big endian", slices(in_syntax(ScanSyntax::ExplicitBigEndian)), &[]),
        ("deflated", slices(in_syntax(ScanSyntax::Deflated)), &[]),
        ("in items", slices(in_syntax(ScanSyntax::EncapsulatedUncompressed)), &[]),
        ("RLE", slices(rle()), &[]),
        ("JPEG", slices(jpeg(JpegLossless::default())), &[]),
        ("JPEG restarts", slices(jpeg(JpegLossless::default().with_restart_rows(32))), &[]),
        ("frames", one(PlainCt, ScanOptions::default()), spacing),
        ("frames, JPEG", one(PlainCt, jpeg(JpegLossless::default())), spacing),
        ("frames, RLE", one(PlainCt, rle()), spacing),
        ("frames, big endian", one(PlainCt, in_syntax(ScanSyntax::ExplicitBigEndian)), spacing),
        ("frames, deflated", one(PlainCt, in_syntax(ScanSyntax::Deflated)), spacing),
        ("frames, thickness", one(PlainCt, spaced(None, Some("0.30"))), &["pitch-from-thickness"]),
        (
            "frames, disagreeing",
            one(PlainCt, spaced(Some("0.30"), Some("0.25"))),
            &["pitch-disagrees"],
        ),
        ("enhanced", one(EnhancedCt, ScanOptions::default()), &[]),
        ("legacy", one(LegacyConvertedCt, ScanOptions::default()), &[]),
        ("craniofacial", one(XRay3dCraniofacial, ScanOptions::default()), &[]),
        ("enhanced, JPEG", one(EnhancedCt, jpeg(JpegLossless::default())), &[]),
        (
            "enhanced, other order",
            one(EnhancedCt, ScanOptions::default().with_frame_order(shuffled)),
            &[],
        ),
        ("stored in zip", packed(slices(ScanOptions::default()), ZipMethod::Stored), &[]),
        ("deflated in zip", packed(slices(rle()), ZipMethod::Deflated), &[]),
        (
            "frames in zip",
            packed(one(EnhancedCt, ScanOptions::default()), ZipMethod::Deflated),
            &[],
        ),
        (
            "directory",
            Box::new(|dir, volume| {
                let names = ScanOptions::default().with_file_name(|k| format!("DICOM/IM{k}"));
                write_scan(dir, volume, &names).expect("written");
                write_dicomdir(dir).expect("written")
            }),
            &[],
        ),
        (
            "bare data sets",
            changed(in_syntax(ScanSyntax::ImplicitLittleEndian), |bytes| {
                damage::strip_meta(bytes).expect("stripped");
            }),
            &["no-file-meta"],
        ),
        (
            "a wrong length of the meta",
            changed(ScanOptions::default(), |bytes| {
                damage::set_meta_group_length(bytes, |n| n + 600).expect("changed");
            }),
            &[],
        ),
        (
            "another syntax than said",
            changed(ScanOptions::default(), |bytes| {
                let uid = b"1.2.840.10008.1.2.4.70";
                damage::set_meta_value(bytes, tags::TRANSFER_SYNTAX_UID, uid).expect("changed");
            }),
            &["transfer-syntax-disagrees"],
        ),
    ];
    let sites = assert_forms(forms, &lopsided(p0_geometry()));
    for (n, site) in sites.iter().enumerate() {
        assert_eq!(*site, sites[0], "form {n} to the last digit");
    }
}

#[test]
fn plain_volumes_give_the_same_millimetres_and_sides() {
    let unsaid: &[&str] = &["unit-not-said"];
    let default = NiftiOptions::default;
    let gzip = NrrdOptions::default().with_encoding(NrrdEncoding::Gzip);
    let forms: Vec<(&str, Write, &[&str])> = vec![
        ("NIfTI", nifti("scan.nii", default()), &[]),
        ("packed NIfTI", nifti("scan.nii.gz", default()), &[]),
        ("big endian", nifti("scan.nii", default().with_big_endian()), &[]),
        ("NRRD", nrrd("scan.nrrd", NrrdOptions::default()), unsaid),
        ("packed NRRD", nrrd("scan.nrrd", gzip), unsaid),
    ];
    assert_forms(forms, &lopsided(p0_geometry()));
    for geometry in other_directions() {
        let forms: Vec<(&str, Write, &[&str])> = vec![
            ("rows alone", nifti("scan.nii", default().with_qform(0)), &[]),
            ("quaternion alone", nifti("scan.nii", default().with_sform(0)), &[]),
            ("NRRD", nrrd("scan.nrrd", NrrdOptions::default()), unsaid),
        ];
        assert_forms(forms, &lopsided(geometry));
    }
}

#[test]
fn frames_along_any_axis_change_no_millimetre_and_no_side() {
    for geometry in other_directions() {
        let volume = lopsided(geometry);
        // A stack against its normal has a negative spacing where it has one position.
        let steps = volume.geometry().affine().steps();
        let against = steps[0].cross(steps[1]).dot(steps[2]) < 0.0;
        let told: &[&str] = if against {
            &["pitch-from-spacing", "frames-reversed"]
        } else {
            &["pitch-from-spacing"]
        };
        let forms: Vec<(&str, Write, &[&str])> = vec![
            ("frames", one(PlainCt, ScanOptions::default()), told),
            ("enhanced", one(EnhancedCt, ScanOptions::default()), &[]),
            ("craniofacial", one(XRay3dCraniofacial, jpeg(JpegLossless::default())), &[]),
            ("packed", packed(slices(ScanOptions::default()), ZipMethod::Deflated), &[]),
        ];
        assert_forms(forms, &volume);
    }
}

#[test]
fn attributes_that_lie_beside_the_positions_are_told_and_move_nothing() {
    let lying = |edit: fn(usize, &mut InMemDicomObject)| ScanOptions::default().with_edit(edit);
    let disagree: &[&str] = &["spacing-attributes-disagree"];
    let forms: Vec<(&str, Write, &[&str])> = vec![
        (
            "thickness",
            slices(lying(|_, o| set(o, tags::SLICE_THICKNESS, VR::DS, "0.50"))),
            disagree,
        ),
        (
            "a negative spacing",
            slices(lying(|_, o| set(o, tags::SPACING_BETWEEN_SLICES, VR::DS, "-0.30"))),
            disagree,
        ),
        ("feet first", slices(lying(|_, o| set(o, tags::PATIENT_POSITION, VR::CS, "FFS"))), &[]),
        ("a tilt", slices(lying(|_, o| set(o, tags::GANTRY_DETECTOR_TILT, VR::DS, "10"))), &[]),
        ("no numbers", slices(lying(|_, o| set(o, tags::INSTANCE_NUMBER, VR::IS, ""))), &[]),
        (
            "a place outside the groups",
            one(
                EnhancedCt,
                lying(|_, o| {
                    set(o, tags::IMAGE_POSITION_PATIENT, VR::DS, "1\\2\\3");
                    set(o, tags::PIXEL_SPACING, VR::DS, "0.5\\0.5");
                }),
            ),
            &[],
        ),
    ];
    assert_forms(forms, &lopsided(p0_geometry()));
}

#[test]
fn a_distance_of_frames_that_the_case_gives_overrules_the_attributes() {
    let bench = Bench::empty();
    let volume = lopsided(p0_geometry());
    for (name, options) in
        [("none", spaced(None, None)), ("wrong", spaced(Some("0.25"), Some("0.5")))]
    {
        let path = bench.path(&format!("{name}/all.dcm"));
        write_multi_frame(&path, &volume, PlainCt, &options).expect("written");
        let case = case_on(name);
        let given = case.replacen("[ridge]", "frame_pitch_mm = 0.30\n[ridge]", 1);
        let document = bench.document("measure", &given);
        assert_box(&document, &[], name);
        let run = run(&args!["measure", bench.case(&case), "--json", "-"]);
        if name == "none" {
            let parts = ["(0018,0088)", "(0018,0050)", "frame_pitch_mm", "all.dcm"];
            run.assert_error(3, "missing-attribute", &parts);
        } else {
            // It is measured as the attribute says, with a warning that names both numbers.
            for part in ["warning[pitch-disagrees]", "0.25 mm", "0.5 mm", "frame_pitch_mm"] {
                assert!(run.err.contains(part), "{part} in {}", run.err);
            }
        }
    }
    for (value, status) in [("0", 2), ("nan", 2), ("-20.0", 2)] {
        let case = case_on("none");
        let given = case.replacen("[ridge]", &format!("frame_pitch_mm = {value}\n[ridge]"), 1);
        let run = run(&args!["measure", bench.case(&given), "--json", "-"]);
        run.assert_error(status, "case-value", &["`frame_pitch_mm`"]);
    }
}

#[test]
fn a_scan_that_does_not_tell_left_from_right_is_measured_without_these_words() {
    let bench = Bench::empty();
    let options = ScanOptions::default().with_edit(|_, o| {
        o.remove_element(tags::IMAGE_POSITION_PATIENT);
        o.remove_element(tags::IMAGE_ORIENTATION_PATIENT);
    });
    write_multi_frame(&bench.path("scan"), base(), PlainCt, &options).expect("written");
    // The grid's own axes from its first voxel: what was the origin is its middle.
    let case = [P0_HEAD, P0_SITE, P0_POSE, P0_FIXTURE]
        .concat()
        .replace(
            "[[0.0, -9.0, 3.0], [0.0, 9.0, 3.0]]",
            "[[17.85, 5.85, 14.85], [17.85, 23.85, 14.85]]",
        )
        .replace("[-10.0, 0.0, 0.0]", "[7.85, 14.85, 11.85]")
        .replace("[0.0, 0.0, 3.0]", "[17.85, 14.85, 14.85]");
    for command in ["measure", "fit"] {
        let run = run(&args![command, bench.case(&case), "--json", "-"]);
        assert_eq!(run.status, 0, "{run:#?}");
        let document = run.document();
        assert_eq!(codes(&document, "/scan/warnings"), ["place-unknown", "pitch-from-spacing"]);
        let printed = common::run(&args![command, bench.case(&case)]).out.to_lowercase();
        for word in ["left", "right"] {
            let said = printed.split(|c: char| !c.is_alphabetic()).any(|w| w == word);
            assert!(!said, "{word} in {printed}");
        }
        if command == "measure" {
            assert_eq!(text(&document, "/sites/0/side"), "unknown");
            assert_near(number(&document, "/sites/0/bone_height_mm"), 12.0, WITHIN_MM, "height");
            assert_near(number(&document, "/sites/0/widths/2/width_mm"), 6.0, WITHIN_MM, "width");
        }
    }
}

#[test]
fn walls_round_a_fixture_are_the_same_in_every_form() {
    let forms: Vec<(&str, Write)> = vec![
        ("slices", slices(in_syntax(ScanSyntax::ExplicitBigEndian))),
        ("frames", one(PlainCt, jpeg(JpegLossless::default()))),
        ("enhanced", one(EnhancedCt, in_syntax(ScanSyntax::Deflated))),
        ("archive", packed(one(LegacyConvertedCt, rle()), ZipMethod::Stored)),
    ];
    let bench = Bench::empty();
    for (n, (name, write)) in forms.into_iter().enumerate() {
        let path = write(&bench.path(&format!("form{n}")), base());
        let relative = path.strip_prefix(bench.path("")).expect("below").to_string_lossy();
        let case = common::p0_case().replace("\"scan\"", &format!("\"{relative}\""));
        let document = bench.document("fit", &case);
        for (wall, mm) in [("buccal", 1.0), ("lingual", 1.0), ("apex", 4.0)] {
            let found = number(&document, &format!("/sites/0/fits/0/walls/{wall}/wall_mm"));
            // Half a voxel off would be 0.85 and 1.15.
            assert_near(found, mm, WITHIN_MM, &format!("{name} {wall}"));
        }
    }
}

#[test]
fn what_is_missing_or_cut_is_refused_with_tag_value_and_file() {
    let cut = |from_end: usize| -> Write {
        Box::new(move |dir, volume| {
            let path = dir.join("all.dcm");
            write_multi_frame(&path, volume, PlainCt, &jpeg(JpegLossless::default()))
                .expect("written");
            let mut bytes = fs::read(&path).expect("read");
            let items = damage::items(&bytes, tags::PIXEL_DATA).expect("items");
            bytes.truncate(items[60].end + from_end);
            fs::write(&path, bytes).expect("written");
            path
        })
    };
    let count = |n: &'static str| {
        ScanOptions::default().with_edit(move |_, o| set(o, tags::NUMBER_OF_FRAMES, VR::IS, n))
    };
    let bytes = in_syntax(ScanSyntax::ExplicitBigEndian).with_pixels_as_bytes();
    let forms: Vec<(&str, Write, &str, &[&str])> = vec![
        ("an interrupted copy", cut(0), "pixel-data", &["(7FE0,0010)", "60 of 80 frames present"]),
        ("a cut frame", cut(200), "pixel-data", &["(7FE0,0010)", "60 of 80 frames present"]),
        (
            "fewer frames",
            one(PlainCt, count("79")),
            "number-of-frames",
            &["(0028,0008) NumberOfFrames", "holds 80 frames"],
        ),
        ("more frames", one(PlainCt, count("81")), "pixel-data-length", &["80 of 81 frames"]),
        (
            "a comma",
            one(PlainCt, spaced(Some("0,30"), Some("0.30"))),
            "bad-attribute",
            &["(0018,0088)", "0,30"],
        ),
        ("swapped bytes", one(EnhancedCt, bytes), "bad-attribute", &["(7FE0,0010)", "OB"]),
    ];
    let bench = Bench::empty();
    for (n, (name, write, code, parts)) in forms.into_iter().enumerate() {
        let path = write(&bench.path(&format!("form{n}")), base());
        let relative = path.strip_prefix(bench.path("")).expect("below").to_string_lossy();
        let case = common::p0_case().replace("\"scan\"", &format!("\"{relative}\""));
        for command in ["measure", "fit"] {
            let refused = run(&args![command, bench.case(&case), "--json", "-"]);
            refused.assert_error(3, code, parts);
            refused.assert_error(3, code, &["all.dcm"]);
            assert_eq!(text(&refused.document(), "/code"), code, "{name}");
        }
        let inspect = run(&args!["inspect", path, "--json", "-"]);
        assert_eq!(inspect.status, 3, "{name}: {inspect:#?}");
    }
}

#[test]
fn names_of_patients_in_frames_archives_and_plain_volumes_stay_out_of_everything_printed() {
    let named = |fail: bool| {
        ScanOptions::default().with_edit(move |_, o| {
            set(o, tags::PATIENT_NAME, VR::PN, "CANARY^NAME");
            set(o, tags::PATIENT_ID, VR::LO, "CANARYID");
            set(o, tags::PATIENT_BIRTH_DATE, VR::DA, "19010203");
            set(o, tags::INSTITUTION_NAME, VR::LO, "CANARY CLINIC");
            set(o, tags::SERIES_DESCRIPTION, VR::LO, "CANARY SERIES");
            set(o, dicom_core::Tag(0x0009, 0x0010), VR::LO, "CANARY MAKER");
            if fail {
                o.remove_element(tags::PHOTOMETRIC_INTERPRETATION);
            }
        })
    };
    let in_folder = |fail: bool| -> Write {
        let names = named(fail).with_file_name(|k| format!("CANARY^NAME/19010203/IM{k}"));
        packed(slices(names), ZipMethod::Deflated)
    };
    // `descrip`, `aux_file` and `intent_name`: free text (nifti1.h, places from memory).
    let described = NiftiOptions::default().with_edited_header(|header| {
        for at in [148, 228, 328] {
            header[at..at + 6].copy_from_slice(b"CANARY");
        }
    });
    let forms: Vec<(&str, Write, i32)> = vec![
        ("frames", one(PlainCt, named(false)), 0),
        ("enhanced", one(EnhancedCt, named(false)), 0),
        ("archive", in_folder(false), 0),
        ("NIfTI", nifti("scan.nii", described), 0),
        ("frames, failing", one(PlainCt, named(true)), 3),
        ("enhanced, failing", one(EnhancedCt, named(true)), 3),
        ("archive, failing", in_folder(true), 3),
    ];
    for (name, write, status) in forms {
        let bench = Bench::empty();
        let path = write(&bench.path("CANARY_FOLDER/scan"), base());
        let relative = path.strip_prefix(bench.path("CANARY_FOLDER")).expect("below");
        let case = common::p0_case().replace("\"scan\"", &format!("\"{}\"", relative.display()));
        fs::write(bench.path("CANARY_FOLDER/case.toml"), case).expect("written");
        let case = bench.path("CANARY_FOLDER/case.toml");
        let inspected = run(&args!["inspect", path, "--json", "-"]);
        assert_eq!(inspected.status, status, "{name}: {inspected:#?}");
        let mut runs = vec![inspected, run(&args!["inspect", path])];
        for command in ["measure", "fit"] {
            let run = run(&args![command, case, "--out", bench.path("out"), "--force"]);
            assert_eq!(run.status, status, "{name}: {run:#?}");
            runs.push(run);
        }
        for run in runs {
            for printed in [&run.out, &run.err] {
                let printed = printed.to_lowercase();
                let told = printed.contains("canary") || printed.contains("19010203");
                assert!(!told, "{name}: {printed}");
            }
        }
        if status == 0 {
            let files = common::files_below(&bench.path("out"));
            assert!(files.len() > 5, "{name}: {files:?}");
            for file in files {
                let bytes = fs::read(&file).expect("read").to_ascii_lowercase();
                let told = bytes.windows(6).any(|w| w == b"canary");
                assert!(!told, "{name}: {}", file.display());
            }
        }
    }
}
