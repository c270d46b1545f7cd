use std::io::Read;
use std::sync::Arc;

use dicom_core::value::Value;
use dicom_core::{PrimitiveValue, Tag};
use dicom_dictionary_std::{tags, uids};
use dicom_object::InMemDicomObject;
use dicom_transfer_syntax_registry::entries::IMPLICIT_VR_LITTLE_ENDIAN;

use crate::IntakeError;
use crate::archive::is_archive;
use crate::attribute::{Attribute, quoted, sop_class_name, transfer_syntax_name};
use crate::cursor::Coding;
use crate::decimal::parse_decimals;
use crate::error::open_error;
use crate::guard::guarded;
use crate::plain::{PlainKind, recognise};
use crate::source::{Layer, ScanFile};
use crate::walk::{PixelSpan, WalkFault, Walked, is_entered, walk};

/// What is read of every file's header.
const WANTED: [Tag; 32] = [
    tags::IMAGE_TYPE,
    tags::VOLUMETRIC_PROPERTIES,
    tags::ANATOMICAL_ORIENTATION_TYPE,
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
    tags::FRAME_INCREMENT_POINTER,
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
    tags::LOSSY_IMAGE_COMPRESSION,
];

/// Elements of overlay groups.
const OVERLAY_BIT_POSITION: u16 = 0x0102;
const OVERLAY_DATA: u16 = 0x3000;
/// What says where a frame lies and what its values mean.
const PLACE_AND_VALUES: [Tag; 5] = [
    tags::IMAGE_POSITION_PATIENT,
    tags::IMAGE_ORIENTATION_PATIENT,
    tags::PIXEL_SPACING,
    tags::RESCALE_SLOPE,
    tags::RESCALE_INTERCEPT,
];

/// An image file before its attributes are judged.
#[derive(Debug)]
pub(crate) struct Header {
    pub(crate) file: Arc<ScanFile>,
    pub(crate) syntax: String,
    pub(crate) sop_class: String,
    pub(crate) series_uid: String,
    pub(crate) localizer: bool,
    pub(crate) coding: Coding,
    /// How the bytes that offsets count lie in the file.
    pub(crate) layer: Layer,
    pub(crate) pixels: Option<PixelSpan>,
    pub(crate) offsets: Vec<u64>,
    pub(crate) lengths: Vec<u64>,
    pub(crate) syntax_lies: bool,
    pub(crate) bare: bool,
    pub(crate) tail: u64,
    object: InMemDicomObject,
    /// Shared functional groups.
    shared: Option<InMemDicomObject>,
    /// Functional groups of each frame.
    frames: Vec<InMemDicomObject>,
    /// Attributes of the outermost level that matter by being there.
    present: Vec<Tag>,
    /// Float Pixel Data or Double Float Pixel Data, where it stands for Pixel Data.
    pub(crate) float_pixels: Option<Tag>,
}

/// What a file of the folder is.
#[derive(Debug)]
pub(crate) enum FileKind {
    Image(Box<Header>),
    /// A DICOM directory and the file IDs that it lists.
    Directory(Vec<String>),
    /// A volume in a format other than DICOM.
    Plain(PlainKind, Layer),
    Archive,
    Unknown,
    /// SOP class UID of an object that is no known image.
    Other(String),
}

/// Reads a file up to its voxels.
pub(crate) fn read_header(file: &Arc<ScanFile>) -> Result<FileKind, IntakeError> {
    let damaged = |reason: String| IntakeError::Damaged { file: file.name.clone(), reason };
    let walked = match walk(file, &WANTED) {
        Ok(walked) => walked,
        Err(WalkFault::NotDicom) => return other_kind(file),
        Err(WalkFault::Broken { at, reason }) => {
            return Err(damaged(format!("at byte {at}: {reason}")));
        }
        Err(WalkFault::Io(e)) => return Err(open_error(file.name.clone(), &e)),
    };
    if !is_entered(&walked.meta_sop_class) {
        return Ok(FileKind::Other(quoted(&walked.meta_sop_class)));
    }
    if walked.meta_sop_class == uids::MEDIA_STORAGE_DIRECTORY_STORAGE {
        let listed = walked.listed.iter().map(|bytes| parse(bytes).map(|o| listed_path(&o)));
        let listed = listed.collect::<Result<Vec<_>, _>>().map_err(damaged)?;
        return Ok(FileKind::Directory(listed.into_iter().flatten().collect()));
    }
    let object = parse(&walked.kept).map_err(damaged)?;
    let sop_class =
        text_of(&object, tags::SOP_CLASS_UID).unwrap_or_else(|| walked.meta_sop_class.clone());
    if sop_class.is_empty() {
        if walked.bare {
            return Ok(FileKind::Unknown);
        }
        // It may be what is left of a slice.
        return Err(damaged("it does not say what it is".to_owned()));
    }
    if !is_entered(&sop_class) {
        return Ok(FileKind::Other(quoted(&sop_class)));
    }
    Header::new(file.clone(), walked, sop_class, object).map(|h| FileKind::Image(Box::new(h)))
}

/// What a file is that is not DICOM.
fn other_kind(file: &ScanFile) -> Result<FileKind, IntakeError> {
    let mut head = Vec::new();
    let read =
        |layer, head: &mut Vec<u8>| file.open_at(layer, 0)?.take(352).read_to_end(head).map(|_| ());
    read(Layer::Plain, &mut head).map_err(|e| open_error(file.name.clone(), &e))?;
    if is_archive(&head) {
        return Ok(FileKind::Archive);
    }
    let mut layer = Layer::Plain;
    if head.starts_with(b"\x1F\x8B") {
        layer = Layer::Gzip(0);
        head.clear();
        // What does not unpack is known by what came before the damage.
        let _ = read(layer, &mut head);
    }
    Ok(recognise(&head).map_or(FileKind::Unknown, |kind| FileKind::Plain(kind, layer)))
}

/// Attributes as the DICOM library reads them: those kept by the walk, implicit little
/// endian. A panic inside the library becomes an error.
pub(crate) fn parse(kept: &[u8]) -> Result<InMemDicomObject, String> {
    let read = || {
        let object =
            InMemDicomObject::read_dataset_with_ts(kept, &IMPLICIT_VR_LITTLE_ENDIAN.erased());
        object.map_err(|e| quoted(&e.to_string()))
    };
    guarded(read).unwrap_or_else(|| Err("its attributes cannot be read".to_owned()))
}

/// The path of a directory record's file, parts joined by `/`; `None` where the record
/// has none, or where a part is no name of the standard (DICOM PS3.10 section 8.2), so
/// that no path leaves the folder.
fn listed_path(record: &InMemDicomObject) -> Option<String> {
    let text = text_of(record, tags::REFERENCED_FILE_ID)?;
    let parts: Vec<&str> = text.split('\\').map(str::trim).collect();
    let name = |part: &&str| {
        !part.is_empty() && part.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
    };
    parts.iter().all(name).then(|| parts.join("/"))
}

pub(crate) fn syntax_error(file: &str, uid: &str) -> IntakeError {
    IntakeError::TransferSyntax {
        file: file.to_owned(),
        uid: quoted(uid),
        name: transfer_syntax_name(uid).unwrap_or("unknown"),
    }
}

pub(crate) fn sop_class_error(file: &str, uid: &str) -> IntakeError {
    IntakeError::SopClass { file: file.to_owned(), uid: uid.to_owned(), name: sop_class_name(uid) }
}

fn is_overlay(tag: Tag) -> bool {
    tag.group() & 0xFF01 == 0x6000
}

/// The text of an attribute without closing blanks, `None` where absent or empty.
pub(crate) fn text_of(object: &InMemDicomObject, tag: Tag) -> Option<String> {
    let text = object.get(tag)?.value().to_str().ok()?;
    let text = text.trim_matches([' ', '\0']);
    (!text.is_empty()).then(|| text.to_owned())
}

impl Header {
    fn new(
        file: Arc<ScanFile>,
        walked: Walked,
        sop_class: String,
        object: InMemDicomObject,
    ) -> Result<Self, IntakeError> {
        let damaged = |reason| IntakeError::Damaged { file: file.name.clone(), reason };
        let shared = walked.shared.first().map(|kept| parse(kept)).transpose().map_err(damaged)?;
        let frames = walked.frames.iter().map(|kept| parse(kept)).collect::<Result<_, _>>();
        let mut frames: Vec<InMemDicomObject> = frames.map_err(damaged)?;
        let says = |group: &InMemDicomObject| {
            PLACE_AND_VALUES.iter().any(|&tag| text_of(group, tag).is_some())
        };
        if sop_class == uids::CT_IMAGE_STORAGE && !frames.iter().any(says) {
            // The object does not know them, and they say nothing that counts.
            frames.clear();
        }
        let float_pixels = [tags::FLOAT_PIXEL_DATA, tags::DOUBLE_FLOAT_PIXEL_DATA]
            .into_iter()
            .find(|tag| walked.present.contains(tag));
        let localizer = text_of(&object, tags::IMAGE_TYPE)
            .is_some_and(|t| t.split('\\').any(|value| value.trim() == "LOCALIZER"));
        let mut header = Self {
            syntax: walked.syntax,
            sop_class,
            series_uid: String::new(),
            localizer,
            coding: walked.coding,
            layer: walked.deflated.map_or(Layer::Plain, Layer::Deflated),
            pixels: walked.pixels,
            offsets: walked.offsets,
            lengths: walked.lengths,
            syntax_lies: walked.syntax_lies,
            bare: walked.bare,
            tail: walked.tail,
            object,
            shared,
            frames,
            present: Vec::new(),
            float_pixels,
            file,
        };
        let pointed_at = header.pointed_at(tags::FRAME_INCREMENT_POINTER);
        let matters = |tag: &Tag| {
            *tag == tags::MODALITY_LUT_SEQUENCE || is_overlay(*tag) || pointed_at.contains(tag)
        };
        header.present = walked.present.into_iter().filter(matters).collect();
        header.series_uid = header.text(tags::SERIES_INSTANCE_UID)?;
        Ok(header)
    }

    /// Frames that have functional groups of their own.
    pub(crate) fn grouped_frames(&self) -> usize {
        self.frames.len()
    }

    pub(crate) fn has_groups(&self) -> bool {
        self.shared.is_some() || !self.frames.is_empty()
    }

    /// The object that holds an attribute of a frame: its own functional groups, or the
    /// shared ones; the outermost level only where frames have no groups of their own.
    ///
    /// Where they have, the outermost level has no such attribute, or does not count (DICOM
    /// PS3.3 section C.7.6.16).
    fn holder(&self, frame: Option<usize>, tag: Tag) -> Option<&InMemDicomObject> {
        let own = frame.and_then(|frame| self.frames.get(frame));
        let outer = self.frames.is_empty().then_some(&self.object);
        let all = [own, self.shared.as_ref(), outer].into_iter().flatten();
        all.into_iter().find(|o| text_of(o, tag).is_some())
    }

    /// The text of an attribute of a frame.
    pub(crate) fn frame_text(&self, frame: Option<usize>, tag: Tag) -> Option<String> {
        text_of(self.holder(frame, tag)?, tag)
    }

    /// Whether the functional groups say something else than the outermost level.
    pub(crate) fn contradicts_itself(&self, frame: Option<usize>, tag: Tag) -> bool {
        let (outer, used) = (text_of(&self.object, tag), self.frame_text(frame, tag));
        outer.is_some()
            && outer.as_deref().map(parse_decimals) != used.as_deref().map(parse_decimals)
    }

    pub(crate) fn optional_text(&self, tag: Tag) -> Option<String> {
        text_of(&self.object, tag)
    }

    pub(crate) fn text(&self, tag: Tag) -> Result<String, IntakeError> {
        self.optional_text(tag).ok_or_else(|| self.missing(tag, None))
    }

    /// Whether a table of grey values is there.
    pub(crate) fn has_modality_lut(&self) -> bool {
        self.present.contains(&tags::MODALITY_LUT_SEQUENCE)
    }

    /// Whether there are overlays in unused bits of the voxels (DICOM PS3.5 section 8.1.2):
    /// those with a bit position and without data of their own.
    pub(crate) fn has_overlays(&self) -> bool {
        let with = |group, element| self.present.contains(&Tag(group, element));
        let groups = self.present.iter().filter(|tag| is_overlay(**tag)).map(|tag| tag.group());
        groups.into_iter().any(|g| with(g, OVERLAY_BIT_POSITION) && !with(g, OVERLAY_DATA))
    }

    /// The attributes that the frame increment points at, those alone that are there or
    /// mean time.
    pub(crate) fn frame_increments(&self) -> Vec<Tag> {
        let times = [tags::FRAME_TIME, tags::FRAME_TIME_VECTOR];
        let counts = |tag: &Tag| times.contains(tag) || self.present.contains(tag);
        self.pointed_at(tags::FRAME_INCREMENT_POINTER).into_iter().filter(counts).collect()
    }

    /// `N` decimals of a type 1 attribute: never a default.
    pub(crate) fn decimals<const N: usize>(
        &self,
        frame: Option<usize>,
        tag: Tag,
    ) -> Result<[f64; N], IntakeError> {
        let text = self.frame_text(frame, tag).ok_or_else(|| self.missing(tag, None))?;
        let values = parse_decimals(&text).and_then(|v| v.try_into().ok());
        let expected = match N {
            1 => "one finite decimal number with a point".to_owned(),
            _ => format!("{N} finite decimal numbers with points"),
        };
        values.ok_or_else(|| self.bad(tag, &text, &expected))
    }

    /// The attributes that an attribute of tags points at.
    fn pointed_at(&self, tag: Tag) -> Vec<Tag> {
        match self.object.get(tag).map(|e| e.value()) {
            Some(Value::Primitive(PrimitiveValue::Tags(tags))) => tags.to_vec(),
            _ => Vec::new(),
        }
    }

    /// A decimal that is only compared, `None` where it is absent or no number.
    pub(crate) fn optional_decimal(&self, frame: Option<usize>, tag: Tag) -> Option<f64> {
        parse_decimals(&self.frame_text(frame, tag)?).filter(|v| v.len() == 1).map(|v| v[0])
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
