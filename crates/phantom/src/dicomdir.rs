use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};

use dicom_core::{PrimitiveValue, Tag, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::{FileMetaTableBuilder, InMemDicomObject, OpenFileOptions};

use crate::functional_groups::put_sequence;
use crate::object::add;
use crate::{PhantomError, damage};

/// Name of the file.
const NAME: &str = "DICOMDIR";
/// Identifier of the file set (DICOM PS3.5 section B.2): a fixed number of no meaning.
const UID: &str = "2.25.163975219873318765400341122934108823551";
/// "In use" (DICOM PS3.3 section F.3.2.2).
const IN_USE: u16 = 0xFFFF;

/// One directory record and what lies below it.
struct Record {
    object: InMemDicomObject,
    lower: Vec<Record>,
}

/// Writes `DICOMDIR` into a folder: a Media Storage Directory of all DICOM files below it.
///
/// Records of a patient without name, of studies, series and images; files that are not
/// DICOM are left out. Referenced File ID is the path from the folder as it is, also where
/// it breaks the rules for media (capital letters, eight to a part). Returns the file.
///
/// # Errors
///
/// [`PhantomError::Write`] where the system refuses a file.
///
/// # Source
///
/// DICOM PS3.3 annex F, PS3.10 section 8.6.
pub fn write_dicomdir(folder: &Path) -> Result<PathBuf, PhantomError> {
    write_dicomdir_with(folder, |_| {})
}

/// As [`write_dicomdir`], with a change made to each record before it is written, to build
/// directories with faults.
///
/// # Errors
///
/// Those of [`write_dicomdir`].
pub fn write_dicomdir_with(
    folder: &Path,
    edit: impl Fn(&mut InMemDicomObject),
) -> Result<PathBuf, PhantomError> {
    let path = folder.join(NAME);
    let failed = |reason: String| PhantomError::Write { path: path.clone(), reason };
    let files = files_below(folder).map_err(|e| failed(e.to_string()))?;
    let patient = patient_record(&files);
    let mut records = Vec::new();
    let tree = [patient];
    flatten(&tree, &mut records);
    for record in &mut records {
        edit(&mut record.object);
    }
    // Offsets have a fixed length: written as zeros first, they show where records begin.
    let zeros = directory_bytes(&records, &[]).map_err(|e| failed(e.to_string()))?;
    let places = damage::items(&zeros, tags::DIRECTORY_RECORD_SEQUENCE)?;
    let offsets: Vec<u32> =
        places.iter().map(|p| u32::try_from(p.at).unwrap_or(u32::MAX)).collect();
    let bytes = directory_bytes(&records, &offsets).map_err(|e| failed(e.to_string()))?;
    std::fs::write(&path, bytes).map_err(|e| failed(e.to_string()))?;
    Ok(path)
}

/// Every file below a folder with the parts of its path from there, ordered by them.
pub(crate) fn files_below(folder: &Path) -> io::Result<Vec<(PathBuf, Vec<String>)>> {
    let mut found = Vec::new();
    let mut open = vec![(folder.to_owned(), Vec::new())];
    while let Some((dir, parts)) = open.pop() {
        for entry in std::fs::read_dir(&dir)? {
            let entry = entry?;
            let mut parts: Vec<String> = parts.clone();
            parts.push(entry.file_name().to_string_lossy().into_owned());
            if entry.file_type()?.is_dir() {
                open.push((entry.path(), parts));
            } else {
                found.push((entry.path(), parts));
            }
        }
    }
    found.sort_by(|a, b| a.1.cmp(&b.1));
    Ok(found)
}

fn record(kind: &str, elements: Vec<(Tag, VR, PrimitiveValue)>) -> Record {
    let mut object = InMemDicomObject::new_empty();
    add(
        &mut object,
        [
            (tags::RECORD_IN_USE_FLAG, VR::US, PrimitiveValue::from(IN_USE)),
            (tags::DIRECTORY_RECORD_TYPE, VR::CS, PrimitiveValue::from(kind)),
        ],
    );
    add(&mut object, elements);
    Record { object, lower: Vec::new() }
}

/// The whole tree, under one patient.
fn patient_record(files: &[(PathBuf, Vec<String>)]) -> Record {
    let text = |value: &str| PrimitiveValue::from(value);
    let mut studies: BTreeMap<String, BTreeMap<String, Vec<Record>>> = BTreeMap::new();
    for (path, parts) in files {
        let Ok(object) = OpenFileOptions::new().read_until(tags::PIXEL_DATA).open_file(path) else {
            continue;
        };
        let value = |tag| {
            object
                .get(tag)
                .and_then(|e| e.to_str().ok())
                .map(|s| s.into_owned())
                .unwrap_or_default()
        };
        let meta = object.meta();
        let image = record(
            "IMAGE",
            vec![
                (
                    tags::REFERENCED_FILE_ID,
                    VR::CS,
                    PrimitiveValue::Strs(parts.iter().cloned().collect()),
                ),
                (
                    tags::REFERENCED_SOP_CLASS_UID_IN_FILE,
                    VR::UI,
                    text(meta.media_storage_sop_class_uid()),
                ),
                (
                    tags::REFERENCED_SOP_INSTANCE_UID_IN_FILE,
                    VR::UI,
                    text(meta.media_storage_sop_instance_uid()),
                ),
                (
                    tags::REFERENCED_TRANSFER_SYNTAX_UID_IN_FILE,
                    VR::UI,
                    text(meta.transfer_syntax()),
                ),
                (tags::INSTANCE_NUMBER, VR::IS, text(&value(tags::INSTANCE_NUMBER))),
            ],
        );
        let series = studies.entry(value(tags::STUDY_INSTANCE_UID)).or_default();
        series.entry(value(tags::SERIES_INSTANCE_UID)).or_default().push(image);
    }
    let mut patient = record(
        "PATIENT",
        vec![
            (tags::PATIENT_NAME, VR::PN, PrimitiveValue::Empty),
            (tags::PATIENT_ID, VR::LO, text("PHANTOM")),
        ],
    );
    for (study_uid, series) in studies {
        let mut study = record(
            "STUDY",
            vec![
                (tags::STUDY_INSTANCE_UID, VR::UI, text(&study_uid)),
                (tags::STUDY_DATE, VR::DA, PrimitiveValue::Empty),
                (tags::STUDY_TIME, VR::TM, PrimitiveValue::Empty),
                (tags::STUDY_DESCRIPTION, VR::LO, PrimitiveValue::Empty),
                (tags::STUDY_ID, VR::SH, text("1")),
                (tags::ACCESSION_NUMBER, VR::SH, PrimitiveValue::Empty),
            ],
        );
        for (number, (series_uid, images)) in (1..).zip(series) {
            let mut series = record(
                "SERIES",
                vec![
                    (tags::MODALITY, VR::CS, text("CT")),
                    (tags::SERIES_INSTANCE_UID, VR::UI, text(&series_uid)),
                    (tags::SERIES_NUMBER, VR::IS, text(&format!("{number}"))),
                ],
            );
            series.lower = images;
            study.lower.push(series);
        }
        patient.lower.push(study);
    }
    patient
}

/// A record in the order of the file, with the numbers of the next one beside it and of
/// the first one below it.
struct Placed {
    object: InMemDicomObject,
    next: Option<usize>,
    lower: Option<usize>,
}

/// Appends records and all that lies below them.
fn flatten(records: &[Record], out: &mut Vec<Placed>) {
    let mut before: Option<usize> = None;
    for record in records {
        let at = out.len();
        if let Some(before) = before {
            out[before].next = Some(at);
        }
        let lower = (!record.lower.is_empty()).then_some(at + 1);
        out.push(Placed { object: record.object.clone(), next: None, lower });
        flatten(&record.lower, out);
        before = Some(at);
    }
}

/// The file, with the given places of the records, or zeros.
fn directory_bytes(records: &[Placed], offsets: &[u32]) -> io::Result<Vec<u8>> {
    let offset = |record: Option<usize>| {
        let at = record.and_then(|r| offsets.get(r)).copied().unwrap_or(0);
        PrimitiveValue::from(at)
    };
    let items = records.iter().map(|record| {
        let mut item = record.object.clone();
        let next = offset(record.next);
        let lower = offset(record.lower);
        add(
            &mut item,
            [
                (tags::OFFSET_OF_THE_NEXT_DIRECTORY_RECORD, VR::UL, next),
                (tags::OFFSET_OF_REFERENCED_LOWER_LEVEL_DIRECTORY_ENTITY, VR::UL, lower),
            ],
        );
        item
    });
    let mut object = InMemDicomObject::new_empty();
    let root = offset(Some(0));
    add(
        &mut object,
        [
            (tags::FILE_SET_ID, VR::CS, PrimitiveValue::from("PHANTOM")),
            (
                tags::OFFSET_OF_THE_FIRST_DIRECTORY_RECORD_OF_THE_ROOT_DIRECTORY_ENTITY,
                VR::UL,
                root.clone(),
            ),
            (tags::OFFSET_OF_THE_LAST_DIRECTORY_RECORD_OF_THE_ROOT_DIRECTORY_ENTITY, VR::UL, root),
            (tags::FILE_SET_CONSISTENCY_FLAG, VR::US, PrimitiveValue::from(0_u16)),
        ],
    );
    put_sequence(&mut object, tags::DIRECTORY_RECORD_SEQUENCE, items.collect());
    let meta = FileMetaTableBuilder::new()
        .media_storage_sop_class_uid(uids::MEDIA_STORAGE_DIRECTORY_STORAGE)
        .media_storage_sop_instance_uid(UID)
        .transfer_syntax(uids::EXPLICIT_VR_LITTLE_ENDIAN);
    let mut bytes = Vec::new();
    let file = object.with_meta(meta).map_err(io::Error::other)?;
    file.write_all(&mut bytes).map_err(io::Error::other)?;
    Ok(bytes)
}
