//! Archives and directories: scans that are packed, and names that lead elsewhere.

mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use common::{assert_p0, assert_refused, base, change_file, files_of, set, written};
use dicom_core::{DataElement, PrimitiveValue, VR};
use dicom_dictionary_std::tags;
use jawgauge_intake::{
    IntakeError, ReadOptions, Scan, ScanWarning, SkipReason, open_scan, read_scan,
};
use jawgauge_phantom::{
    MultiFrameKind, NiftiOptions, ScanOptions, ZipMethod, write_dicomdir, write_dicomdir_with,
    write_multi_frame, write_nifti, write_scan, write_zip, write_zip_entries,
};
use jawgauge_volume::VoxelBox;

const METHODS: [ZipMethod; 2] = [ZipMethod::Stored, ZipMethod::Deflated];
/// Whatever a small archive claims, it is read or refused within this time.
const SOON: Duration = Duration::from_secs(5);

/// The slices of the base phantom, each with a name made of its number.
fn entries(name: impl Fn(usize) -> String) -> Vec<(String, Vec<u8>)> {
    let dir = written(base(), &ScanOptions::default());
    let files = files_of(dir.path());
    files.iter().enumerate().map(|(k, f)| (name(k), fs::read(f).expect("read"))).collect()
}

/// Packs entries into an archive in a new folder.
fn packed(entries: &[(String, Vec<u8>)], method: ZipMethod) -> (tempfile::TempDir, PathBuf) {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("scan.zip");
    write_zip_entries(&path, entries, method).expect("written");
    (dir, path)
}

fn read_packed(entries: &[(String, Vec<u8>)]) -> Result<Scan, IntakeError> {
    let (_dir, path) = packed(entries, ZipMethod::Deflated);
    read_scan(&path, None)
}

/// Files of a folder other than the archive.
fn others(dir: &Path) -> usize {
    files_of(dir).len() - 1
}

#[test]
fn a_packed_scan_is_the_same_volume_whatever_packs_it() {
    for method in METHODS {
        let (dir, path) = packed(&entries(|k| format!("DICOM/PAT0/SER1/IM{k}")), method);
        assert_p0(read_scan(&path, None), &[], &format!("{method:?}"));
        assert_eq!(others(dir.path()), 0, "nothing is unpacked to disk");
        // A name without the ending is an archive all the same.
        let bare = dir.path().join("export");
        fs::rename(&path, &bare).expect("renamed");
        assert_p0(read_scan(&bare, None), &[], &format!("{method:?} without ending"));
    }
}

#[test]
fn a_packed_object_of_many_frames_is_read_in_every_order_of_its_frames() {
    for (kind, told) in
        [(MultiFrameKind::PlainCt, &["pitch-from-spacing"][..]), (MultiFrameKind::EnhancedCt, &[])]
    {
        for method in METHODS {
            let inner = tempfile::tempdir().expect("a folder");
            let mut options = ScanOptions::default();
            if kind == MultiFrameKind::EnhancedCt {
                options = options.with_frame_order((0..80).rev().collect());
            }
            write_multi_frame(&inner.path().join("a/b.dcm"), base(), kind, &options)
                .expect("written");
            let outer = tempfile::tempdir().expect("a folder");
            let path = outer.path().join("scan.zip");
            write_zip(inner.path(), &path, method).expect("written");
            assert_p0(read_scan(&path, None), told, &format!("{kind:?} {method:?}"));
        }
    }
}

#[test]
fn members_whose_names_lead_out_of_the_archive_write_nothing_and_are_read() {
    for (name, prefix) in [
        ("parents", "../../"),
        ("absolute", "/elsewhere/"),
        ("windows", "..\\..\\"),
        ("a drive", "C:\\"),
        ("a device", "CON/"),
        ("a long name", &"x".repeat(300)),
    ] {
        let outer = tempfile::tempdir().expect("a folder");
        let path = outer.path().join("in/deep/scan.zip");
        let members = entries(|k| format!("{prefix}slice{k}"));
        write_zip_entries(&path, &members, ZipMethod::Stored).expect("written");
        assert_p0(read_scan(&path, None), &[], name);
        let there: Vec<_> = files_of(outer.path());
        assert_eq!(there.len(), 1, "{name}: {there:?}");
        assert_eq!(files_of(&outer.path().join("in/deep")).len(), 1, "{name}");
    }
    assert!(!Path::new("/elsewhere/slice0").exists());
}

#[test]
fn control_characters_of_a_members_name_do_not_reach_the_terminal() {
    let mut members = entries(|k| format!("a/slice{k}"));
    members[3].0 = "b/\u{1b}[2J\n\u{202e}3".to_owned();
    members[3].1.truncate(600);
    let read = read_packed(&members);
    assert_refused(read, "damaged-file", &["\\u{1b}[2J\\u{a}\\u{202e}3"]);
}

#[test]
fn folders_around_all_members_are_not_told_for_they_name_patients() {
    let mut members = entries(|k| format!("CANARY^NAME/1901/IM{k}"));
    members[3].1.truncate(600);
    let error = read_packed(&members).expect_err("cut");
    let line = format!("{error} {error:?}");
    assert!(line.contains("IM3") && !line.contains("CANARY"), "{line}");
    // Nor the name of the archive.
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("CANARY.zip");
    fs::write(&path, b"PK\x03\x04 and nothing else").expect("written");
    let error = read_scan(&path, None).expect_err("no archive");
    assert_eq!(error.code(), "archive");
    assert!(!format!("{error} {error:?}").contains("CANARY"), "{error}");
}

#[test]
fn two_members_of_one_name_are_refused_and_neither_is_lost() {
    let (_dir, path) = packed(&entries(|k| format!("slice{k:04}")), ZipMethod::Stored);
    // The name stands before the member and in the list at the end.
    change_file(&path, |bytes| {
        for at in 0..bytes.len() - 9 {
            if bytes[at..].starts_with(b"slice0041") {
                bytes[at + 8] = b'0';
            }
        }
    });
    assert_refused(read_scan(&path, None), "archive", &["same name", "the scan's path"]);
}

#[test]
fn an_archive_within_an_archive_is_counted_and_not_entered() {
    let (_inner, path) = packed(&entries(|k| format!("slice{k}")), ZipMethod::Stored);
    let nested = fs::read(path).expect("read");
    let mut members = entries(|k| format!("slice{k}"));
    members.push(("more.zip".to_owned(), nested.clone()));
    let scan = read_packed(&members).expect("read");
    assert_eq!(scan.facts.skipped, [(SkipReason::Archive, 1)].into());
    assert_p0(Ok(scan), &[], "nested");
    let alone = read_packed(&[("more.zip".to_owned(), nested)]);
    assert_refused(alone, "no-scan", &["1 archives"]);
}

#[test]
fn an_archive_in_a_folder_is_counted_and_not_entered() {
    let dir = written(base(), &ScanOptions::default());
    write_zip_entries(&dir.path().join("copy.zip"), &entries(|k| format!("s{k}")), METHODS[1])
        .expect("written");
    let scan = read_scan(dir.path(), None).expect("read");
    assert_eq!(scan.facts.skipped, [(SkipReason::Archive, 1)].into());
    assert_p0(Ok(scan), &[], "an archive beside the slices");
}

/// Changes the sizes that an archive claims for its first member, at both places: packed,
/// unpacked.
fn claim(path: &Path, size: u32) {
    change_file(path, |bytes| {
        let central = bytes.windows(4).position(|w| w == b"PK\x01\x02").expect("a list");
        bytes[22..26].copy_from_slice(&size.to_le_bytes());
        bytes[central + 24..central + 28].copy_from_slice(&size.to_le_bytes());
    });
}

#[test]
fn a_member_that_claims_to_grow_beyond_what_deflating_can_is_refused_unread() {
    for size in [u32::MAX - 1, 0x7FFF_FFFF] {
        let (_dir, path) = packed(&entries(|k| format!("slice{k}")), ZipMethod::Deflated);
        claim(&path, size);
        let start = Instant::now();
        let read = read_scan(&path, None);
        assert!(start.elapsed() < SOON, "{:?}", start.elapsed());
        assert_refused(read, "archive", &["claims", &size.to_string()]);
    }
}

#[test]
fn a_member_that_unpacks_to_gigabytes_of_nothing_is_given_up_soon() {
    // 512 MB that pack to half a megabyte, beside the slices and in front of them.
    let zeros = vec![0_u8; 1 << 29];
    let image = [&[0_u8; 128][..], b"DICM", &zeros[..]].concat();
    for (name, bomb) in [("zeros", zeros), ("an image of zeros", image)] {
        let mut members = entries(|k| format!("slice{k}"));
        members.push((name.to_owned(), bomb));
        let (_dir, path) = packed(&members, ZipMethod::Deflated);
        let start = Instant::now();
        let read = read_scan(&path, None);
        assert!(start.elapsed() < SOON, "{name}: {:?}", start.elapsed());
        match read {
            Ok(scan) => {
                assert_eq!(scan.facts.skipped, [(SkipReason::NotDicom, 1)].into(), "{name}");
            }
            Err(error) => assert_eq!(error.code(), "damaged-file", "{name}: {error}"),
        }
    }
}

#[test]
fn a_member_that_is_less_or_more_than_it_claims_gives_no_other_voxels() {
    for method in METHODS {
        let (_dir, path) = packed(&entries(|k| format!("slice{k}")), method);
        // Its bytes end within the voxels.
        claim(&path, 20_000);
        assert_refused(read_scan(&path, None), "pixel-data-length", &["slice0"]);
        // All its bytes are there, and a checksum says so.
        claim(&path, 100_000);
        match read_scan(&path, None) {
            Ok(scan) => assert_p0(Ok(scan), &[], "less than claimed"),
            Err(error) => assert_eq!(error.code(), "archive", "{error}"),
        }
    }
}

#[test]
fn a_changed_byte_or_a_cut_of_an_archive_is_seen() {
    for method in METHODS {
        let (_dir, path) = packed(&entries(|k| format!("slice{k}")), method);
        let whole = fs::read(&path).expect("read");
        for cut in [whole.len() - 1, whole.len() / 2, 100, 4] {
            fs::write(&path, &whole[..cut]).expect("written");
            let error = read_scan(&path, None).expect_err("cut");
            assert!(["archive", "no-scan"].contains(&error.code()), "{cut}: {error}");
        }
        let mut changed = whole.clone();
        // A voxel of the first slice: its bytes end where the next member begins.
        let next = whole[4..].windows(4).position(|w| w == b"PK\x03\x04").expect("a member");
        changed[next - 400] ^= 1;
        fs::write(&path, &changed).expect("written");
        let read = read_scan(&path, None);
        assert!(read.is_err(), "{method:?}: {:?}", read.map(|s| common::codes(&s)));
    }
}

#[test]
fn a_changed_byte_outside_the_part_that_is_read_is_seen_too() {
    let part = VoxelBox { first: [0; 3], size: [120, 100, 2] };
    let refused = |path: &Path, what: &str| {
        let open = open_scan(path, &ReadOptions::default()).expect("headers are whole");
        let line = open.read_part(part, None).expect_err(what).to_string();
        assert!(line.contains("checksum"), "{what}: {line}");
    };
    for method in METHODS {
        let (_dir, path) = packed(&entries(|k| format!("slice{k}")), method);
        let mut bytes = fs::read(&path).expect("read");
        // The checksum of the first member (APPNOTE.TXT section 4.3.7), where the archive
        // lists its members (4.3.12).
        let listed = bytes.windows(4).position(|w| w == b"PK\x01\x02").expect("a directory");
        bytes[listed + 16] ^= 1;
        fs::write(&path, &bytes).expect("written");
        refused(&path, "member");
    }
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("scan.nii.gz");
    write_nifti(&path, base(), &NiftiOptions::default()).expect("written");
    let mut bytes = fs::read(&path).expect("read");
    let sum = bytes.len() - 8; // RFC 1952 section 2.3.1
    bytes[sum] ^= 1;
    fs::write(&path, &bytes).expect("written");
    refused(&path, "gzip");
}

#[test]
fn an_empty_archive_holds_no_scan() {
    let (_dir, path) = packed(&[], ZipMethod::Stored);
    assert_refused(read_scan(&path, None), "no-scan", &["no scan"]);
    let strangers = [("readme.txt".to_owned(), b"none".to_vec()), ("empty".to_owned(), vec![])];
    let (_dir, path) = packed(&strangers, ZipMethod::Deflated);
    assert_refused(read_scan(&path, None), "no-scan", &["1 not DICOM", "1 empty"]);
}

/// The base phantom with a directory, in the names that media have.
fn media(edit: impl Fn(&mut dicom_object::InMemDicomObject)) -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a folder");
    let options = ScanOptions::default().with_file_name(|k| format!("DICOM/SER1/IM{k:04}"));
    write_scan(dir.path(), base(), &options).expect("written");
    write_dicomdir_with(dir.path(), edit).expect("written");
    dir
}

#[test]
fn a_directory_stands_for_its_folder_and_is_no_slice() {
    let dir = media(|_| {});
    for path in [dir.path().to_owned(), dir.path().join("DICOMDIR")] {
        let scan = read_scan(&path, None).expect("read");
        assert_eq!(scan.facts.skipped, [(SkipReason::Directory, 1)].into());
        assert_p0(Ok(scan), &[], "a directory");
    }
    // In lower case, as some systems write what they read from media.
    fs::rename(dir.path().join("DICOMDIR"), dir.path().join("dicomdir")).expect("renamed");
    assert_p0(read_scan(&dir.path().join("dicomdir"), None), &[], "lower case");
    let outer = tempfile::tempdir().expect("a folder");
    let path = outer.path().join("media.zip");
    write_zip(dir.path(), &path, ZipMethod::Deflated).expect("written");
    assert_p0(read_scan(&path, None), &[], "packed");
}

#[test]
fn a_file_that_the_directory_lists_and_that_is_not_there_is_told() {
    let dir = media(|_| {});
    // At the end, where nothing else would show it.
    fs::remove_file(dir.path().join("DICOM/SER1/IM0079")).expect("removed");
    fs::remove_file(dir.path().join("DICOM/SER1/IM0078")).expect("removed");
    for path in [dir.path().to_owned(), dir.path().join("DICOMDIR")] {
        let scan = read_scan(&path, None).expect("read");
        let [ScanWarning::ListedFilesMissing { file, files: 2 }] = &scan.warnings[..] else {
            panic!("{:?}", scan.warnings)
        };
        assert_eq!(file, "DICOM/SER1/IM0078");
        assert_eq!(scan.volume.geometry().dims()[2], 78);
    }
}

#[test]
fn a_directory_that_points_out_of_its_folder_is_not_followed() {
    let outer = tempfile::tempdir().expect("a folder");
    fs::write(outer.path().join("secret"), [0; 400]).expect("written");
    for id in ["..\\..\\secret", "..\\secret", "\\etc\\passwd", "C:\\secret", "..", "A\\..\\..\\B"]
    {
        let dir = media(move |record| {
            if record.get(tags::REFERENCED_FILE_ID).is_some() {
                set(record, tags::REFERENCED_FILE_ID, VR::CS, id);
            }
        });
        for path in [dir.path().to_owned(), dir.path().join("DICOMDIR")] {
            let scan = read_scan(&path, None).expect("read");
            for warning in &scan.warnings {
                let said = warning.to_string();
                assert!(!said.contains("..") && !said.contains("secret"), "{said}");
            }
            assert_eq!(scan.volume.voxels(), base().voxels(), "{id}");
        }
    }
}

#[test]
fn names_of_patients_in_a_directory_are_not_told() {
    let dir = media(|record| {
        let name = PrimitiveValue::from("CANARY^NAME");
        record.put(DataElement::new(tags::PATIENT_NAME, VR::PN, name));
    });
    fs::remove_file(dir.path().join("DICOM/SER1/IM0079")).expect("removed");
    let scan = read_scan(dir.path(), None).expect("read");
    let told: Vec<String> = scan.warnings.iter().map(ToString::to_string).collect();
    assert!(!format!("{told:?} {:?}", scan.facts).contains("CANARY"), "{told:?}");
}

#[test]
fn a_directory_whose_slices_are_elsewhere_holds_no_scan() {
    let dir = media(|_| {});
    fs::remove_dir_all(dir.path().join("DICOM")).expect("removed");
    let parts = ["1 DICOM directories"];
    assert_refused(read_scan(dir.path(), None), "no-scan", &parts);
    let empty = tempfile::tempdir().expect("a folder");
    write_dicomdir(empty.path()).expect("written");
    assert_refused(read_scan(&empty.path().join("DICOMDIR"), None), "no-scan", &parts);
}
