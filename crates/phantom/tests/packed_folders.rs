//! Zips and media directories, read back with the libraries that know nothing of the writers.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};
use dicom_object::{InMemDicomObject, open_file};
use jawgauge_phantom::damage::items;
use jawgauge_phantom::{
    ScanOptions, ZipMethod, p0_geometry, p0_rescale, sample_shape, write_dicomdir,
    write_dicomdir_with, write_scan, write_zip, write_zip_entries,
};
use jawgauge_volume::VolumeGeometry;

/// Two series of two slices below a folder, and a file that is not DICOM.
fn media(root: &Path) {
    let geometry = VolumeGeometry::new([4, 3, 2], *p0_geometry().affine()).expect("a grid");
    let volume = sample_shape(geometry, p0_rescale(), |_| 0.0, 1).expect("a volume");
    for series in [1, 2] {
        let options = ScanOptions::default()
            .with_series_uid(format!("2.25.{series}"))
            .with_file_name(move |k| format!("DICOM/SER{series}/IM{k}"));
        write_scan(root, &volume, &options).expect("written");
    }
    std::fs::write(root.join("README.TXT"), "words").expect("written");
}

fn text(object: &InMemDicomObject, tag: Tag) -> String {
    object.element(tag).expect("an element").to_str().expect("text").into_owned()
}

fn number(object: &InMemDicomObject, tag: Tag) -> usize {
    object.element(tag).expect("an element").to_int().expect("a number")
}

#[test]
fn a_zip_holds_every_file_under_its_path() {
    for method in [ZipMethod::Stored, ZipMethod::Deflated] {
        let dir = tempfile::tempdir().expect("a folder");
        media(dir.path());
        let path = dir.path().join("scan.zip");
        write_zip(dir.path(), &path, method).expect("written");
        let mut zip = zip::ZipArchive::new(File::open(&path).expect("there")).expect("a zip");
        let names: Vec<String> =
            zip.file_names().map(|name| name.expect("a name").into_owned()).collect();
        let expected =
            ["DICOM/SER1/IM0", "DICOM/SER1/IM1", "DICOM/SER2/IM0", "DICOM/SER2/IM1", "README.TXT"];
        assert_eq!(names, expected);
        for name in names {
            let mut entry = zip.by_name(&name).expect("an entry");
            let deflated = entry.compression() == zip::CompressionMethod::Deflated;
            assert_eq!(deflated, method == ZipMethod::Deflated);
            let mut bytes = Vec::new();
            entry.read_to_end(&mut bytes).expect("unpacked");
            assert_eq!(bytes, std::fs::read(dir.path().join(&name)).expect("read"), "{name}");
        }
    }
}

#[test]
fn names_that_lead_out_of_the_folder_are_written_as_they_are() {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("bad.zip");
    let entries = ["../../x", "/etc/x", "a\\..\\b"].map(|n| (n.to_owned(), b"x".to_vec()));
    write_zip_entries(&path, &entries, ZipMethod::Stored).expect("written");
    let bytes = std::fs::read(&path).expect("read");
    for (name, _) in &entries {
        // Once at the entry, once in the directory at the end.
        let found = bytes.windows(name.len()).filter(|w| *w == name.as_bytes()).count();
        assert_eq!(found, 2, "{name}");
    }
}

#[test]
fn a_directory_leads_from_the_patient_to_every_file() {
    let dir = tempfile::tempdir().expect("a folder");
    media(dir.path());
    let path = write_dicomdir(dir.path()).expect("written");
    assert_eq!(path, dir.path().join("DICOMDIR"));
    let directory = open_file(&path).expect("readable");
    assert_eq!(
        directory.meta().media_storage_sop_class_uid(),
        uids::MEDIA_STORAGE_DIRECTORY_STORAGE
    );
    let records = directory.element(tags::DIRECTORY_RECORD_SEQUENCE).expect("records");
    let records = records.items().expect("items");
    let bytes = std::fs::read(&path).expect("read");
    let places = items(&bytes, tags::DIRECTORY_RECORD_SEQUENCE).expect("items");
    assert_eq!(places.len(), records.len());
    assert_eq!(records.len(), 1 + 1 + 2 + 4);
    let at = |offset: usize| {
        let n = places.iter().position(|p| p.at == offset).expect("an item begins there");
        &records[n]
    };
    // Follows the records beside one another from an offset.
    let entity = |offset: usize| {
        let mut found = Vec::new();
        let mut next = offset;
        while next != 0 {
            found.push(at(next));
            next = number(at(next), tags::OFFSET_OF_THE_NEXT_DIRECTORY_RECORD);
        }
        found
    };
    let below = |record: &InMemDicomObject, kind: &str| {
        let lower = number(record, tags::OFFSET_OF_REFERENCED_LOWER_LEVEL_DIRECTORY_ENTITY);
        let found = entity(lower);
        assert!(found.iter().all(|r| text(r, tags::DIRECTORY_RECORD_TYPE) == kind));
        found
    };
    let root = tags::OFFSET_OF_THE_FIRST_DIRECTORY_RECORD_OF_THE_ROOT_DIRECTORY_ENTITY;
    let patients = entity(number(&directory, root));
    let [patient] = patients[..] else { panic!("{} patients", patients.len()) };
    assert_eq!(text(patient, tags::PATIENT_NAME), "");
    let [study] = below(patient, "STUDY")[..] else { panic!("one study") };
    let mut files = Vec::new();
    for (series, uid) in below(study, "SERIES").into_iter().zip(["2.25.1", "2.25.2"]) {
        assert_eq!(text(series, tags::SERIES_INSTANCE_UID).trim_end_matches('\0'), uid);
        for image in below(series, "IMAGE") {
            let id = image.element(tags::REFERENCED_FILE_ID).expect("a file");
            let parts = id.to_multi_str().expect("parts").to_vec();
            let path = parts.iter().fold(dir.path().to_owned(), |p, part| p.join(part));
            let object = open_file(path).expect("the file");
            assert_eq!(
                text(&object, tags::SOP_INSTANCE_UID),
                text(image, tags::REFERENCED_SOP_INSTANCE_UID_IN_FILE)
            );
            files.push(parts.join("/"));
        }
    }
    assert_eq!(files, ["DICOM/SER1/IM0", "DICOM/SER1/IM1", "DICOM/SER2/IM0", "DICOM/SER2/IM1"]);
}

#[test]
fn records_are_edited_before_their_places_are_counted() {
    let dir = tempfile::tempdir().expect("a folder");
    media(dir.path());
    let path = write_dicomdir_with(dir.path(), |record| {
        if record.get(tags::REFERENCED_FILE_ID).is_some() {
            record.put_str(tags::REFERENCED_FILE_ID, dicom_core::VR::CS, "..\\..\\IM0");
        }
    })
    .expect("written");
    let bytes = std::fs::read(&path).expect("read");
    assert_eq!(bytes.windows(10).filter(|w| *w == b"..\\..\\IM0 ").count(), 4);
    let last = items(&bytes, tags::DIRECTORY_RECORD_SEQUENCE).expect("items").pop().expect("one");
    let directory = open_file(&path).expect("readable");
    let records = directory.element(tags::DIRECTORY_RECORD_SEQUENCE).expect("records");
    let records = records.items().expect("items");
    let before_last = &records[records.len() - 2];
    assert_eq!(number(before_last, tags::OFFSET_OF_THE_NEXT_DIRECTORY_RECORD), last.at);
}
