use std::fs::File;
use std::panic::{AssertUnwindSafe, catch_unwind};

use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};
use dicom_object::{FileMetaTableBuilder, InMemDicomObject, OpenFileOptions};

use crate::IntakeError;
use crate::attribute::{Attribute, quoted, sop_class_name, transfer_syntax_name};
use crate::decimal::parse_decimals;
use crate::folder::ScanFile;
use crate::walk::{CLOSED_SYNTAXES, PixelSpan, WalkFault, Walked, walk};

/// What is read of every file's header.
const WANTED: [Tag; 28] = [
    tags::IMAGE_TYPE,
    tags::SOP_CLASS_UID,
    tags::PATIENT_NAME,
    tags::PATIENT_ID,
    tags::PATIENT_BIRTH_DATE,
    tags::PATIENT_IDENTITY_REMOVED,
    tags::SLICE_THICKNESS,
    tags::SPACING_BETWEEN_SLICES,
    tags::IMAGER_PIXEL_SPACING,
    tags::NOMINAL_SCANNED_PIXEL_SPACING,
    tags::SERIES_INSTANCE_UID,
    tags::IMAGE_POSITION_PATIENT,
    tags::IMAGE_ORIENTATION_PATIENT,
    tags::FRAME_OF_REFERENCE_UID,
    tags::SAMPLES_PER_PIXEL,
    tags::PHOTOMETRIC_INTERPRETATION,
    tags::NUMBER_OF_FRAMES,
    tags::ROWS,
    tags::COLUMNS,
    tags::PIXEL_SPACING,
    tags::BITS_ALLOCATED,
    tags::BITS_STORED,
    tags::HIGH_BIT,
    tags::PIXEL_REPRESENTATION,
    tags::PIXEL_PADDING_VALUE,
    tags::PIXEL_PADDING_RANGE_LIMIT,
    tags::RESCALE_INTERCEPT,
    tags::RESCALE_SLOPE,
];

/// A CT image file before its attributes are judged.
#[derive(Debug)]
pub(crate) struct Header {
    pub(crate) file: ScanFile,
    pub(crate) syntax: String,
    pub(crate) series_uid: String,
    pub(crate) localizer: bool,
    pub(crate) pixels: Option<PixelSpan>,
    object: InMemDicomObject,
    modality_lut: bool,
    /// Float Pixel Data or Double Float Pixel Data, where it stands for Pixel Data.
    pub(crate) float_pixels: Option<Tag>,
}

/// What a file of the folder is.
#[derive(Debug)]
pub(crate) enum FileKind {
    Slice(Box<Header>),
    NotDicom,
    /// SOP class UID of an object that is no CT image.
    Other(String),
}

/// Reads a file up to its voxels.
pub(crate) fn read_header(file: &ScanFile) -> Result<FileKind, IntakeError> {
    let open = |e: &std::io::Error| IntakeError::Open {
        file: file.name.clone(),
        reason: e.kind().to_string(),
    };
    let handle = File::open(&file.path).map_err(|e| open(&e))?;
    let length = handle.metadata().map_err(|e| open(&e))?.len();
    let damaged = |reason: String| IntakeError::Damaged { file: file.name.clone(), reason };
    let walked = match walk(handle, length, &WANTED) {
        Ok(walked) => walked,
        Err(WalkFault::NotDicom) => return Ok(FileKind::NotDicom),
        Err(WalkFault::Broken { at, reason }) => {
            return Err(damaged(format!("at byte {at}: {reason}")));
        }
        Err(WalkFault::Io(e)) => return Err(open(&e)),
    };
    if !matches!(walked.meta_sop_class.as_str(), "" | uids::CT_IMAGE_STORAGE) {
        return Ok(FileKind::Other(quoted(&walked.meta_sop_class)));
    }
    if CLOSED_SYNTAXES.contains(&walked.syntax.as_str()) {
        // What it holds cannot be told, so it may be a slice.
        return Err(syntax_error(&file.name, &walked.syntax));
    }
    let object = parse(&walked).map_err(damaged)?;
    let sop_class = text_of(&object, tags::SOP_CLASS_UID).unwrap_or(walked.meta_sop_class);
    if sop_class.is_empty() {
        // It may be what is left of a slice.
        return Err(damaged("it does not say what it is".to_owned()));
    }
    if sop_class != uids::CT_IMAGE_STORAGE {
        return Ok(FileKind::Other(quoted(&sop_class)));
    }
    let modality_lut = walked.present.contains(&tags::MODALITY_LUT_SEQUENCE);
    let float_pixels = [tags::FLOAT_PIXEL_DATA, tags::DOUBLE_FLOAT_PIXEL_DATA]
        .into_iter()
        .find(|tag| walked.present.contains(tag));
    let localizer = text_of(&object, tags::IMAGE_TYPE)
        .is_some_and(|t| t.split('\\').any(|value| value.trim() == "LOCALIZER"));
    let mut header = Header {
        file: file.clone(),
        syntax: walked.syntax,
        series_uid: String::new(),
        localizer,
        pixels: walked.pixels,
        object,
        modality_lut,
        float_pixels,
    };
    header.series_uid = header.text(tags::SERIES_INSTANCE_UID)?;
    Ok(FileKind::Slice(Box::new(header)))
}

/// The wanted attributes as the DICOM library reads them.
///
/// It gets a file of its own: correct file meta information and the attributes kept by
/// the walk. A panic inside the library becomes an error.
fn parse(walked: &Walked) -> Result<InMemDicomObject, String> {
    let syntax = if walked.syntax == uids::IMPLICIT_VR_LITTLE_ENDIAN {
        uids::IMPLICIT_VR_LITTLE_ENDIAN
    } else {
        uids::EXPLICIT_VR_LITTLE_ENDIAN
    };
    let meta = FileMetaTableBuilder::new()
        .media_storage_sop_class_uid(uids::CT_IMAGE_STORAGE)
        .media_storage_sop_instance_uid("2.25.1")
        .transfer_syntax(syntax)
        .build()
        .map_err(|e| e.to_string())?;
    let read = || {
        let mut bytes = Vec::with_capacity(walked.kept.len() + 512);
        bytes.extend_from_slice(b"DICM");
        meta.write(&mut bytes).map_err(|e| e.to_string())?;
        bytes.extend_from_slice(&walked.kept);
        let object = OpenFileOptions::new().from_reader(bytes.as_slice());
        object.map(dicom_object::FileDicomObject::into_inner).map_err(|e| quoted(&e.to_string()))
    };
    catch_unwind(AssertUnwindSafe(read))
        .unwrap_or_else(|_| Err("its attributes cannot be read".to_owned()))
}

pub(crate) fn syntax_error(file: &str, uid: &str) -> IntakeError {
    IntakeError::TransferSyntax {
        file: file.to_owned(),
        uid: quoted(uid),
        name: transfer_syntax_name(uid),
    }
}

pub(crate) fn sop_class_error(file: &str, uid: &str) -> IntakeError {
    IntakeError::SopClass { file: file.to_owned(), uid: uid.to_owned(), name: sop_class_name(uid) }
}

/// The text of an attribute without closing blanks, `None` where absent or empty.
fn text_of(object: &InMemDicomObject, tag: Tag) -> Option<String> {
    let text = object.get(tag)?.value().to_str().ok()?;
    let text = text.trim_matches([' ', '\0']);
    (!text.is_empty()).then(|| text.to_owned())
}

impl Header {
    pub(crate) fn optional_text(&self, tag: Tag) -> Option<String> {
        text_of(&self.object, tag)
    }

    pub(crate) fn text(&self, tag: Tag) -> Result<String, IntakeError> {
        self.optional_text(tag).ok_or_else(|| self.missing(tag, None))
    }

    pub(crate) fn has_modality_lut(&self) -> bool {
        self.modality_lut
    }

    /// `N` decimals of a type 1 attribute: never a default.
    pub(crate) fn decimals<const N: usize>(&self, tag: Tag) -> Result<[f64; N], IntakeError> {
        let text = self.text(tag)?;
        let values = parse_decimals(&text).and_then(|v| v.try_into().ok());
        let expected = match N {
            1 => "one finite decimal number with a point".to_owned(),
            _ => format!("{N} finite decimal numbers with points"),
        };
        values.ok_or_else(|| self.bad(tag, &text, &expected))
    }

    /// A decimal that is only compared, `None` where it is absent or no number.
    pub(crate) fn optional_decimal(&self, tag: Tag) -> Option<f64> {
        parse_decimals(&self.optional_text(tag)?).filter(|v| v.len() == 1).map(|v| v[0])
    }

    /// One whole number of a type 1 attribute.
    pub(crate) fn whole(&self, tag: Tag) -> Result<i64, IntakeError> {
        self.optional_whole(tag)?.ok_or_else(|| self.missing(tag, None))
    }

    pub(crate) fn optional_whole(&self, tag: Tag) -> Result<Option<i64>, IntakeError> {
        let Some(text) = self.optional_text(tag) else {
            return Ok(None);
        };
        let element = self.object.get(tag);
        let values = element.and_then(|e| e.value().to_multi_int::<i64>().ok());
        match values.as_deref() {
            Some([value]) => Ok(Some(*value)),
            _ => Err(self.bad(tag, &text, "one whole number")),
        }
    }

    pub(crate) fn missing(&self, tag: Tag, instead: Option<Tag>) -> IntakeError {
        IntakeError::Missing {
            file: self.file.name.clone(),
            attribute: Attribute(tag),
            instead: instead.map(Attribute),
        }
    }

    pub(crate) fn bad(&self, tag: Tag, value: &str, expected: &str) -> IntakeError {
        IntakeError::Value {
            file: self.file.name.clone(),
            attribute: Attribute(tag),
            value: quoted(value),
            expected: expected.to_owned(),
        }
    }
}
