//! What else lies in the folders of real exports: previews, systems' own files, other
//! objects, hidden names.

mod common;

use std::fs;

use common::{assert_p0, assert_refused, base, codes, set, written};
use dicom_core::VR;
use dicom_dictionary_std::{tags, uids};
use jawgauge_intake::{SkipReason, read_scan};
use jawgauge_phantom::{
    MultiFrameKind, NiftiOptions, ScanOptions, ScanSyntax, write_dicomdir, write_multi_frame,
    write_nifti, write_scan,
};

/// One file of another kind of object, without voxels.
fn stranger(dir: &std::path::Path, name: &'static str, sop_class: &'static str, root: u128) {
    let one = tempfile::tempdir().expect("a folder");
    let options = ScanOptions::default().with_uid_root(root).with_edit(move |_, o| {
        set(o, tags::SOP_CLASS_UID, VR::UI, sop_class);
        o.remove_element(tags::PIXEL_DATA);
    });
    write_scan(one.path(), base(), &options).expect("written");
    fs::copy(one.path().join("slice0007.dcm"), dir.join(name)).expect("copied");
}

#[test]
fn an_export_with_everything_that_exports_have_is_the_scan_alone() {
    let dir = tempfile::tempdir().expect("a folder");
    let options = ScanOptions::default().with_file_name(|k| format!("DICOM/PAT0/SER1/IM{k}"));
    write_scan(dir.path(), base(), &options).expect("written");
    write_dicomdir(dir.path()).expect("written");
    stranger(dir.path(), "report", uids::ENCAPSULATED_PDF_STORAGE, 100);
    stranger(dir.path(), "plan", uids::RT_STRUCTURE_SET_STORAGE, 200);
    stranger(dir.path(), "DICOM/PAT0/SER1/SR1", uids::BASIC_TEXT_SR_STORAGE, 300);
    stranger(dir.path(), "DICOM/PAT0/SER1/SHOT", uids::SECONDARY_CAPTURE_IMAGE_STORAGE, 400);
    fs::write(dir.path().join("._IM1"), [0, 5, 22, 7, 0, 2, 0, 0]).expect("written");
    fs::write(dir.path().join("DICOM/PAT0/SER1/._IM1"), [0, 5, 22, 7]).expect("written");
    fs::write(dir.path().join(".DS_Store"), b"\0\0\0\x01Bud1").expect("written");
    fs::write(dir.path().join("Thumbs.db"), [0xD0, 0xCF, 0x11, 0xE0]).expect("written");
    fs::write(dir.path().join("autorun.exe"), [b"MZ", &[0; 500][..]].concat()).expect("written");
    fs::write(dir.path().join("autorun.inf"), "[autorun]").expect("written");
    fs::write(dir.path().join("preview.jpg"), b"\xFF\xD8\xFF\xE0\0\x10JFIF\0").expect("written");
    fs::write(dir.path().join("preview.dcm"), b"\x89PNG\r\n\x1A\n").expect("written");
    fs::write(dir.path().join("old.zip"), b"PK\x03\x04").expect("written");
    fs::create_dir(dir.path().join("empty folder")).expect("a folder");
    let scan = read_scan(dir.path(), None).expect("read");
    let other = |uid: &str| SkipReason::OtherObject(uid.to_owned());
    let expected = [
        (SkipReason::NotDicom, 5),
        (SkipReason::Hidden, 3),
        (SkipReason::Directory, 1),
        (SkipReason::Archive, 1),
        (other(uids::ENCAPSULATED_PDF_STORAGE), 1),
        (other(uids::RT_STRUCTURE_SET_STORAGE), 1),
        (other(uids::BASIC_TEXT_SR_STORAGE), 1),
        (other(uids::SECONDARY_CAPTURE_IMAGE_STORAGE), 1),
    ];
    assert_eq!(scan.facts.skipped, expected.into());
    assert_eq!(scan.facts.files, 80);
    assert_p0(Ok(scan), &[], "an export");
}

#[test]
fn hidden_folders_and_hidden_slices_are_read() {
    let dir = tempfile::tempdir().expect("a folder");
    let options = ScanOptions::default().with_file_name(|k| format!(".export/.{k}.dcm"));
    write_scan(dir.path(), base(), &options).expect("written");
    assert_p0(read_scan(dir.path(), None), &[], "all hidden");
    // The start of a hidden name means nothing; a second copy is a repeat.
    let copy = ScanOptions::default().with_file_name(|k| format!("shown/{k}"));
    write_scan(dir.path(), base(), &copy).expect("written");
    let scan = read_scan(dir.path(), None).expect("read");
    assert_eq!(scan.facts.files, 80);
    assert_p0(Ok(scan), &["duplicate-slices"], "twice");
    let one = written(base(), &ScanOptions::default());
    fs::rename(one.path().join("slice0040.dcm"), one.path().join("._IM40")).expect("renamed");
    assert_p0(read_scan(one.path(), None), &[], "one hidden");
}

#[test]
fn names_and_endings_say_nothing_of_what_a_file_is() {
    let endings = ["", ".dcm", ".DCM", ".ima", ".jpg", ".zip", ".txt", ".nii", ".nrrd", ".gz"];
    let options = ScanOptions::default()
        .with_file_name(move |k| format!("{k}{}", endings[k % endings.len()]));
    assert_p0(read_scan(written(base(), &options).path(), None), &[], "odd endings");
    for name in ["DICOMDIR", "scan.zip", "scan.nii.gz", "scan"] {
        let dir = tempfile::tempdir().expect("a folder");
        let path = dir.path().join(name);
        write_multi_frame(&path, base(), MultiFrameKind::EnhancedCt, &ScanOptions::default())
            .expect("written");
        assert_p0(read_scan(&path, None), &[], name);
        assert_p0(read_scan(dir.path(), None), &[], name);
    }
}

#[test]
fn an_object_of_another_kind_that_is_damaged_stops_no_folder() {
    let dir = written(base(), &ScanOptions::default());
    stranger(dir.path(), "report", uids::ENCAPSULATED_PDF_STORAGE, 100);
    let bytes = fs::read(dir.path().join("report")).expect("read");
    fs::write(dir.path().join("report"), &bytes[..500]).expect("written");
    assert_p0(read_scan(dir.path(), None), &[], "a cut report");
}

#[test]
fn a_scan_that_is_only_reports_is_refused_by_what_they_are() {
    let dir = tempfile::tempdir().expect("a folder");
    stranger(dir.path(), "report", uids::ENCAPSULATED_PDF_STORAGE, 100);
    let parts = ["(0008,0016) SOPClassUID", uids::ENCAPSULATED_PDF_STORAGE, "report"];
    assert_refused(read_scan(dir.path(), None), "sop-class", &parts);
}

#[test]
fn files_of_several_syntaxes_in_one_series_are_one_scan() {
    let dir = tempfile::tempdir().expect("a folder");
    let syntaxes = [
        ScanSyntax::ExplicitLittleEndian,
        ScanSyntax::ImplicitLittleEndian,
        ScanSyntax::ExplicitBigEndian,
        ScanSyntax::Deflated,
        ScanSyntax::EncapsulatedUncompressed,
    ];
    for (n, syntax) in syntaxes.into_iter().enumerate() {
        let one = tempfile::tempdir().expect("a folder");
        write_scan(one.path(), base(), &ScanOptions::default().with_syntax(syntax))
            .expect("written");
        for k in (n..80).step_by(syntaxes.len()) {
            let name = format!("slice{k:04}.dcm");
            fs::copy(one.path().join(&name), dir.path().join(&name)).expect("copied");
        }
    }
    assert_p0(read_scan(dir.path(), None), &[], "several syntaxes");
}

#[test]
#[cfg(unix)]
fn loops_and_copies_by_links_end() {
    let dir = written(base(), &ScanOptions::default());
    let link = |to: &std::path::Path, name: &str| {
        std::os::unix::fs::symlink(to, dir.path().join(name)).expect("a link");
    };
    link(dir.path(), "loop");
    link(std::path::Path::new("."), "here");
    link(std::path::Path::new("slice0040.dcm"), "again.dcm");
    let scan = read_scan(dir.path(), None).expect("read");
    assert_eq!(codes(&scan), ["duplicate-slices"]);
    assert_p0(Ok(scan), &["duplicate-slices"], "links");
}

#[test]
fn a_damaged_directory_does_not_keep_good_slices_from_being_read() {
    let dir = written(base(), &ScanOptions::default());
    let directory = jawgauge_phantom::write_dicomdir(dir.path()).expect("a directory");
    let bytes = std::fs::read(&directory).expect("read");
    std::fs::write(&directory, &bytes[..bytes.len() * 2 / 3]).expect("written");
    let scan = read_scan(dir.path(), None).expect("read");
    assert_eq!(scan.volume.voxels(), base().voxels());
    assert_eq!(scan.facts.skipped.get(&SkipReason::Directory), Some(&1));
    // Where it is what the path names, it is told.
    assert_eq!(read_scan(&directory, None).expect_err("damaged").code(), "damaged-file");
}

#[test]
fn a_volume_that_a_path_names_does_not_depend_on_what_lies_beside_it() {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("scan.nii");
    write_nifti(&path, base(), &NiftiOptions::default()).expect("written");
    // What is left of a slice, and an archive.
    let slices = written(base(), &ScanOptions::default());
    let slice = fs::read(slices.path().join("slice0000.dcm")).expect("read");
    fs::write(dir.path().join("cut"), &slice[..400]).expect("written");
    fs::write(dir.path().join("old.zip"), b"PK\x03\x04").expect("written");
    let scan = read_scan(&path, None).expect("read");
    assert_eq!(scan.volume.geometry().dims(), [120, 100, 80]);
    assert_eq!(scan.facts.skipped, [].into());
    // Where the folder is named, the cut slice may belong to the scan.
    assert_refused(read_scan(dir.path(), None), "damaged-file", &["cut"]);
}

#[cfg(unix)]
#[test]
fn a_link_that_leads_nowhere_is_counted() {
    let dir = written(base(), &ScanOptions::default());
    std::os::unix::fs::symlink(dir.path().join("gone"), dir.path().join("link")).expect("a link");
    std::os::unix::fs::symlink(dir.path().join("self"), dir.path().join("self")).expect("a link");
    let below = dir.path().join("slice0003.dcm/x");
    std::os::unix::fs::symlink(below, dir.path().join("below")).expect("a link");
    for path in [dir.path().to_owned(), dir.path().join("slice0003.dcm")] {
        let scan = read_scan(&path, None).expect("read");
        assert_eq!(scan.facts.skipped, [(SkipReason::DeadLink, 3)].into());
        assert_p0(Ok(scan), &["dead-links"], "a dead link");
    }
    let empty = tempfile::tempdir().expect("a folder");
    std::os::unix::fs::symlink("gone", empty.path().join("link")).expect("a link");
    assert_refused(read_scan(empty.path(), None), "no-scan", &["1 links that lead nowhere"]);
}

#[test]
fn folders_around_all_files_are_not_named() {
    let dir = tempfile::tempdir().expect("a folder");
    let named = |k: usize| format!("CANARY^NAME/CT 2/IM{k}");
    let options = ScanOptions::default().with_file_name(named);
    write_scan(dir.path(), base(), &options).expect("written");
    fs::remove_file(dir.path().join(named(33))).expect("removed");
    let scan = read_scan(dir.path(), None).expect("read");
    assert_eq!(codes(&scan), ["missing-slices"]);
    let told = scan.warnings[0].to_string();
    assert!(told.contains("IM32") && !told.contains("CANARY") && !told.contains("CT 2"), "{told}");
    fs::write(dir.path().join("CANARY^NAME/CT 2/IM34"), [0; 10]).expect("written");
    fs::write(dir.path().join("CANARY^NAME/CT 2/IM35"), b"DICM").expect("written");
    let told = format!("{:?}", read_scan(dir.path(), None).map(|s| codes(&s)));
    assert!(!told.contains("CANARY"), "{told}");
}
