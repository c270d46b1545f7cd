//! Folders as they come: other files, several series, one file, nothing at all.

mod common;

use std::fs;

use common::{assert_refused, base, codes, corner_error_mm, reread_p0, set, set_us, written};
use dicom_core::VR;
use dicom_dictionary_std::{tags, uids};
use jawgauge_intake::{ReadOptions, SkipReason, list_series, read_scan};
use jawgauge_phantom::{ScanOptions, ScanSyntax, p0_geometry, write_scan};

#[test]
fn strangers_in_the_folder_are_counted_and_take_no_part() {
    let dir = tempfile::tempdir().expect("a folder");
    let options = ScanOptions::default().with_file_name(|k| format!("DICOM/PAT0/SER1/IM{k}"));
    write_scan(dir.path(), base(), &options).expect("written");
    let folder = dir.path().join("DICOM/PAT0/SER1");
    fs::write(folder.join("._IM3"), [0, 5, 22, 7]).expect("written");
    fs::write(folder.join(".DS_Store"), b"Bud1").expect("written");
    fs::write(folder.join("Thumbs.db"), [0xD0; 900]).expect("written");
    fs::write(folder.join("empty"), []).expect("written");
    fs::write(dir.path().join("preview.jpg"), [0xFF, 0xD8, 0xFF]).expect("written");
    fs::create_dir(dir.path().join("nothing")).expect("a folder");
    let rt = uids::RT_STRUCTURE_SET_STORAGE;
    let other = options.clone().with_uid_root(5).with_edit(move |_, o| {
        set(o, tags::SOP_CLASS_UID, VR::UI, rt);
        o.remove_element(tags::PIXEL_DATA);
    });
    let names = other.with_file_name(|k| format!("RT{k}"));
    write_scan(dir.path(), base(), &names).expect("written");
    #[cfg(unix)]
    std::os::unix::fs::symlink(dir.path(), dir.path().join("DICOM/loop")).expect("a link");
    let scan = read_scan(dir.path(), None).expect("read");
    assert_eq!(scan.volume.voxels(), base().voxels());
    let expected = [
        (SkipReason::NotDicom, 2),
        (SkipReason::Empty, 1),
        (SkipReason::Hidden, 2),
        (SkipReason::OtherObject(rt.to_owned()), 80),
    ];
    assert_eq!(scan.facts.skipped, expected.into());
}

#[test]
fn implicit_and_explicit_files_give_the_same_volume() {
    let read = |syntax| {
        let dir = written(base(), &ScanOptions::default().with_syntax(syntax));
        read_scan(dir.path(), None).expect("read")
    };
    let explicit = read(ScanSyntax::ExplicitLittleEndian);
    let implicit = read(ScanSyntax::ImplicitLittleEndian);
    assert_eq!(explicit.volume, implicit.volume);
    assert_eq!(explicit.facts.transfer_syntax, "1.2.840.10008.1.2.1");
    assert_eq!(implicit.facts.transfer_syntax, "1.2.840.10008.1.2");
}

#[test]
fn several_series_are_listed_and_one_must_be_named() {
    let dir = tempfile::tempdir().expect("a folder");
    for (name, uid, root) in [("a", "1.2.3", 100), ("b", "1.2.4", 900)] {
        let options = ScanOptions::default().with_series_uid(uid).with_uid_root(root);
        let options = options.with_file_name(move |k| format!("{name}{k}"));
        write_scan(dir.path(), base(), &options).expect("written");
    }
    for k in 0..30 {
        fs::remove_file(dir.path().join(format!("b{k}"))).expect("removed");
    }
    let parts = ["2 series", "1.2.3 with 80 files", "1.2.4 with 50 files"];
    assert_refused(read_scan(dir.path(), None), "several-series", &parts);
    assert_refused(read_scan(dir.path(), Some("1.2")), "no-such-series", &["1.2.3", "1.2.4"]);
    let scan = read_scan(dir.path(), Some("1.2.4")).expect("read");
    assert_eq!(scan.volume.geometry().dims()[2], 50);
    assert_eq!(scan.facts.skipped[&SkipReason::OtherSeries], 80);
    // One file stands for its series.
    let scan = read_scan(&dir.path().join("a7"), None).expect("read");
    assert_eq!(scan.facts.series_uid, "1.2.3");
    assert_eq!(scan.volume.geometry().dims()[2], 80);

    let listed = list_series(&dir.path().join("a7"), &ReadOptions::default()).expect("listed");
    assert_eq!(listed.iter().map(|s| s.series_uid.as_str()).collect::<Vec<_>>(), ["1.2.3"]);
    let listed = list_series(dir.path(), &ReadOptions::default()).expect("listed");
    let counts: Vec<_> = listed.iter().map(|s| (s.series_uid.as_str(), s.files)).collect();
    assert_eq!(counts, [("1.2.3", 80), ("1.2.4", 50)]);
    let outline = listed[0].scan.as_ref().expect("usable");
    assert!(corner_error_mm(outline.geometry(), &p0_geometry()) < 1e-9);
    assert_eq!(outline.facts().series_uid, "1.2.3");
}

#[test]
fn a_series_that_cannot_be_used_is_listed_with_the_reason() {
    let dir = tempfile::tempdir().expect("a folder");
    let bad = ScanOptions::default().with_series_uid("1.9").with_edit(|_, o| {
        o.remove_element(tags::PIXEL_SPACING);
    });
    write_scan(dir.path(), base(), &bad.with_file_name(|k| format!("x{k}"))).expect("written");
    write_scan(dir.path(), base(), &ScanOptions::default().with_series_uid("1.8"))
        .expect("written");
    let listed = list_series(dir.path(), &ReadOptions::default()).expect("listed");
    assert!(listed[0].scan.is_ok());
    let reason = listed[1].scan.as_ref().expect_err("unusable");
    assert_eq!((listed[1].series_uid.as_str(), reason.code()), ("1.9", "missing-attribute"));
}

#[test]
fn localizers_are_left_out_of_the_stack_with_a_word() {
    let scan = reread_p0(|k, o| {
        if k < 2 {
            set(o, tags::IMAGE_TYPE, VR::CS, "ORIGINAL\\PRIMARY\\LOCALIZER");
            set(o, tags::IMAGE_ORIENTATION_PATIENT, VR::DS, "0\\1\\0\\0\\0\\-1");
        }
    })
    .expect("read");
    assert_eq!(scan.volume.geometry().dims()[2], 78);
    assert_eq!(codes(&scan), ["localizers-left-out"]);
    assert_eq!(scan.facts.skipped[&SkipReason::Localizer], 2);
}

#[test]
fn native_voxels_under_the_uid_of_another_syntax_are_read_with_a_word() {
    for uid in [
        "1.2.840.10008.1.2.4.70",
        "1.2.840.10008.1.2.2",
        "1.2.840.10008.1.2.1.99",
        "1.2.840.10008.1.2.4.90",
    ] {
        let dir = written(base(), &ScanOptions::default());
        let file = dir.path().join("slice0004.dcm");
        let bytes = fs::read(&file).expect("read");
        fs::write(&file, with_syntax(&bytes, uid)).expect("written");
        let scan = read_scan(dir.path(), None).expect("read");
        assert_eq!(common::codes(&scan), ["transfer-syntax-disagrees"], "{uid}");
        assert_eq!(scan.volume.voxels(), base().voxels(), "{uid}");
    }
}

#[test]
fn unknown_transfer_syntaxes_and_kinds_of_image_are_refused_by_number_and_name() {
    for (uid, name) in [
        ("1.2.840.10008.1.2.4.51", "JPEG Extended"),
        ("1.2.840.10008.1.2.4.110", "JPEG XL"),
        ("1.2.840.10008.1.2.4.102", "MPEG-4"),
        ("1.2.3.4", "unknown"),
    ] {
        let dir = written(base(), &ScanOptions::default());
        let file = dir.path().join("slice0004.dcm");
        let bytes = fs::read(&file).expect("read");
        fs::write(&file, with_syntax(&bytes, uid)).expect("written");
        let parts = ["(0002,0010) TransferSyntaxUID", uid, name, "slice0004.dcm"];
        assert_refused(read_scan(dir.path(), None), "transfer-syntax", &parts);
    }
    let picture = reread_p0(|_, o| {
        set(o, tags::SOP_CLASS_UID, VR::UI, uids::SECONDARY_CAPTURE_IMAGE_STORAGE);
    });
    let parts = ["(0008,0016) SOPClassUID", "1.2.840.10008.5.1.4.1.1.7", "Secondary Capture"];
    assert_refused(picture, "sop-class", &parts);
}

/// The file with another Transfer Syntax UID in its meta information.
fn with_syntax(bytes: &[u8], uid: &str) -> Vec<u8> {
    let start = bytes.windows(6).position(|w| w == [2, 0, 0x10, 0, b'U', b'I']).expect("there");
    let length = usize::from(u16::from_le_bytes([bytes[start + 6], bytes[start + 7]]));
    let mut value = uid.as_bytes().to_vec();
    if value.len() % 2 == 1 {
        value.push(0);
    }
    let mut out = bytes[..start + 6].to_vec();
    out.extend_from_slice(&u16::try_from(value.len()).expect("short").to_le_bytes());
    out.extend_from_slice(&value);
    out.extend_from_slice(&bytes[start + 8 + length..]);
    out
}

#[test]
fn a_folder_without_scan_says_what_it_found_instead() {
    let dir = tempfile::tempdir().expect("a folder");
    assert_refused(read_scan(dir.path(), None), "no-scan", &["no scan"]);
    fs::write(dir.path().join("notes.txt"), "none").expect("written");
    assert_refused(read_scan(dir.path(), None), "no-scan", &["1 not DICOM"]);
    assert_refused(read_scan(&dir.path().join("notes.txt"), None), "no-scan", &[]);
    assert_refused(read_scan(&dir.path().join("gone"), None), "cannot-open", &[]);
}

#[test]
fn a_single_slice_is_no_volume() {
    let dir = written(base(), &ScanOptions::default());
    for k in 1..80 {
        fs::remove_file(dir.path().join(format!("slice{k:04}.dcm"))).expect("removed");
    }
    assert_refused(read_scan(dir.path(), None), "single-slice", &["slice0000.dcm"]);
}

#[test]
fn no_name_or_number_of_a_patient_is_told() {
    let outer = tempfile::tempdir().expect("a folder");
    let dir = outer.path().join("CANARY-FOLDER");
    let named = ScanOptions::default().with_edit(|k, o| {
        set(o, tags::PATIENT_NAME, VR::PN, "CANARY^NAME");
        set(o, tags::PATIENT_ID, VR::LO, "CANARYID");
        set(o, tags::SERIES_DESCRIPTION, VR::LO, "CANARY");
        set(o, tags::PATIENT_IDENTITY_REMOVED, VR::CS, "NO");
        if k == 3 {
            set_us(o, tags::SAMPLES_PER_PIXEL, 3);
        }
    });
    write_scan(&dir, base(), &named).expect("written");
    let error = read_scan(&dir, None).expect_err("three samples");
    assert!(!format!("{error} {error:?}").contains("CANARY"));
    fs::remove_file(dir.join("slice0003.dcm")).expect("removed");
    let scan = read_scan(&dir, None).expect("read");
    assert!(scan.facts.names_patient && !scan.facts.identity_removed);
    assert!(!format!("{:?} {:?}", scan.facts, scan.warnings).contains("CANARY"));
}

#[test]
fn control_characters_of_a_file_do_not_reach_the_terminal() {
    let read = reread_p0(|_, o| set(o, tags::RESCALE_SLOPE, VR::DS, "1\u{1b}[2J\r\n"));
    assert_refused(read, "bad-attribute", &["(0028,1053) RescaleSlope", "\\u{1b}[2J"]);
}
