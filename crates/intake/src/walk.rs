use std::collections::BTreeSet;
use std::io;

use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};

use crate::cursor::{Coding, Cursor, UNDEFINED};
use crate::fragments::{Encapsulated, read_items};
use crate::source::{Layer, ScanFile, Stream};
use crate::start::{Start, find_start, read_meta};

/// Longest attribute that is read, bytes; those that are needed have a few dozen.
const LONGEST_WANTED: u32 = 4096;
/// Longest table of frame offsets that is read, bytes: half a million frames.
const LONGEST_TABLE: u32 = 1 << 22;
/// Inflated or unpacked bytes that are stepped over before the voxels; a header has some
/// thousands, with pictures in it a few millions.
const MOST_BEFORE_VOXELS: u64 = 1 << 26;

/// Sequences of a functional group that hold what is needed (DICOM PS3.3 section C.7.6.16.2).
const MACROS: [Tag; 8] = [
    tags::PIXEL_MEASURES_SEQUENCE,
    tags::PLANE_POSITION_SEQUENCE,
    tags::PLANE_ORIENTATION_SEQUENCE,
    tags::PIXEL_VALUE_TRANSFORMATION_SEQUENCE,
    tags::CT_IMAGE_FRAME_TYPE_SEQUENCE,
    tags::X_RAY3_D_FRAME_TYPE_SEQUENCE,
    tags::REAL_WORLD_VALUE_MAPPING_SEQUENCE,
    tags::FRAME_CONTENT_SEQUENCE,
];
/// What is kept of them.
const LEAVES: [Tag; 11] = [
    tags::PIXEL_SPACING,
    tags::SLICE_THICKNESS,
    tags::SPACING_BETWEEN_SLICES,
    tags::IMAGE_POSITION_PATIENT,
    tags::IMAGE_ORIENTATION_PATIENT,
    tags::RESCALE_SLOPE,
    tags::RESCALE_INTERCEPT,
    tags::FRAME_TYPE,
    tags::VOLUMETRIC_PROPERTIES,
    tags::REAL_WORLD_VALUE_SLOPE,
    tags::STACK_ID,
];

/// Why a file cannot be walked through.
#[derive(Debug)]
pub(crate) enum WalkFault {
    /// The file does not start as a DICOM file.
    NotDicom,
    /// The bytes do not make sense at the offset.
    Broken { at: u64, reason: String },
    /// The system could not read the file.
    Io(io::Error),
}

impl From<io::Error> for WalkFault {
    fn from(error: io::Error) -> Self {
        match error.kind() {
            // A stream whose length was not known, or damaged packing.
            io::ErrorKind::UnexpectedEof => {
                Self::Broken { at: 0, reason: "the file ends inside an attribute".to_owned() }
            }
            io::ErrorKind::InvalidData | io::ErrorKind::InvalidInput => {
                Self::Broken { at: 0, reason: "its packed bytes do not unpack".to_owned() }
            }
            _ => Self::Io(error),
        }
    }
}

pub(crate) fn broken(at: u64, reason: impl Into<String>) -> WalkFault {
    WalkFault::Broken { at, reason: reason.into() }
}

/// Where the voxels stand in a file.
#[derive(Debug, Clone)]
pub(crate) enum PixelSpan {
    /// Native voxels: offset of the first byte, declared length, bytes that the file still
    /// has or, where it is packed, could have, and whether they are single bytes (VR OB).
    Native { offset: u64, length: u32, left: u64, bytes: bool },
    /// Frames in items.
    Encapsulated(Encapsulated),
}

/// What was found in a file before its voxels.
#[derive(Debug, Default)]
pub(crate) struct Walked {
    /// Transfer Syntax UID of the file meta information, empty where there is none.
    pub(crate) syntax: String,
    /// SOP class of the file meta information, empty where there is none.
    pub(crate) meta_sop_class: String,
    /// How the data set turned out to be coded.
    pub(crate) coding: Coding,
    /// Whether that is not what the transfer syntax says.
    pub(crate) syntax_lies: bool,
    /// Whether there is no file meta information.
    pub(crate) bare: bool,
    /// Where offsets count.
    pub(crate) deflated: Option<u64>,
    /// The wanted attributes, implicit little endian, one after the other.
    pub(crate) kept: Vec<u8>,
    /// The same of the shared functional groups, one entry an item.
    pub(crate) shared: Vec<Vec<u8>>,
    /// The same of each frame's functional groups.
    pub(crate) frames: Vec<Vec<u8>>,
    /// File IDs that a DICOM directory lists, as attributes.
    pub(crate) listed: Vec<Vec<u8>>,
    /// Extended offset table, bytes into the pixel data.
    pub(crate) offsets: Vec<u64>,
    /// Extended lengths, bytes.
    pub(crate) lengths: Vec<u64>,
    /// Tags of the data set's outermost level.
    pub(crate) present: BTreeSet<Tag>,
    /// Where the voxels are.
    pub(crate) pixels: Option<PixelSpan>,
    /// Bytes behind the voxels that are no attribute.
    pub(crate) tail: u64,
}

/// SOP classes whose data set is walked through.
pub(crate) fn is_entered(sop_class: &str) -> bool {
    [
        "",
        uids::CT_IMAGE_STORAGE,
        uids::ENHANCED_CT_IMAGE_STORAGE,
        uids::LEGACY_CONVERTED_ENHANCED_CT_IMAGE_STORAGE,
        uids::X_RAY3_D_CRANIOFACIAL_IMAGE_STORAGE,
        uids::MEDIA_STORAGE_DIRECTORY_STORAGE,
    ]
    .contains(&sop_class)
}

/// Steps from attribute to attribute up to the voxels, without reading what is not wanted.
///
/// Every declared length is held against the length of the file and the depth of nesting
/// against a limit before anything is allocated, so that the DICOM library, which gets
/// only the wanted attributes, never sees a forged length. The declared length of the
/// file meta group is not used: it is often wrong. A data set that is not coded as its
/// transfer syntax says is read as it is coded.
///
/// Data sets that the file meta information calls something else than a known image are
/// not entered. A file without file meta information that makes no sense before it says
/// what it is is no DICOM file.
pub(crate) fn walk(file: &ScanFile, wanted: &[Tag]) -> Result<Walked, WalkFault> {
    let mut walked = Walked::default();
    match walk_through(file, wanted, &mut walked) {
        Ok(()) => Ok(walked),
        Err(WalkFault::Broken { .. })
            if walked.bare && !walked.present.contains(&tags::SOP_CLASS_UID) =>
        {
            Err(WalkFault::NotDicom)
        }
        Err(fault) => Err(fault),
    }
}

fn walk_through(file: &ScanFile, wanted: &[Tag], walked: &mut Walked) -> Result<(), WalkFault> {
    let mut cursor = Cursor::new(file.open()?, file.length);
    let start = find_start(&mut cursor)?;
    let mut pending = match start {
        Start::Meta => read_meta(&mut cursor, walked)?,
        Start::DataSet => cursor.next_tag()?,
    };
    walked.bare = start == Start::DataSet;
    if !is_entered(&walked.meta_sop_class) {
        return Ok(());
    }
    walked.coding = Coding::of_syntax(&walked.syntax);
    let deflated = walked.syntax == uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN;
    if deflated && is_plain(cursor.peek(4)?) {
        pending = cursor.next_tag()?;
        walked.syntax_lies = true;
    } else if deflated {
        let from = cursor.at;
        walked.deflated = Some(from);
        let longest = file.longest(Layer::Deflated(from));
        let stream = file.open_at(Layer::Deflated(from), from)?;
        cursor = Cursor::new(stream, longest).starting_at(from);
        pending = cursor.next_tag()?;
    }
    if !file.is_random() || walked.deflated.is_some() {
        // Packed bytes can hold a thousand times what the file has.
        cursor.most = Some(cursor.at + MOST_BEFORE_VOXELS);
    }
    let declared = walked.coding;
    pending = match pending {
        Some(tag) => Some(cursor.settle(tag, &mut walked.coding)?),
        None => None,
    };
    walked.syntax_lies |= !walked.bare && walked.coding != declared;
    cursor.coding = walked.coding;
    while let Some(tag) = pending {
        if tag.group() == 0xFFFC {
            // Trailing padding (DICOM PS3.10 section 7.2).
            break;
        }
        let start = cursor.at.saturating_sub(4);
        let header = cursor.header(tag)?;
        if tag == tags::PIXEL_DATA {
            walked.pixels = Some(pixel_span(&mut cursor, &header)?);
            walked.tail = tail(&mut cursor, file, walked);
            break;
        }
        let first = walked.present.insert(tag);
        let defined = header.length != UNDEFINED;
        let twice = || broken(start, format!("attribute {tag} stands there twice"));
        match tag {
            tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE
            | tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE
            | tags::DIRECTORY_RECORD_SEQUENCE => {
                if !first {
                    return Err(twice());
                }
                match tag {
                    tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE => {
                        walked.shared = cursor.groups(tag, &header, &MACROS, &LEAVES)?;
                    }
                    tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE => {
                        walked.frames = cursor.groups(tag, &header, &MACROS, &LEAVES)?;
                    }
                    _ => {
                        let ids = [tags::REFERENCED_FILE_ID];
                        walked.listed = cursor.groups(tag, &header, &[], &ids)?;
                    }
                }
            }
            tags::EXTENDED_OFFSET_TABLE | tags::EXTENDED_OFFSET_TABLE_LENGTHS if defined => {
                if header.length > LONGEST_TABLE || !first {
                    return Err(broken(
                        start,
                        format!("attribute {tag} is too long or twice there"),
                    ));
                }
                let mut bytes = Vec::new();
                cursor.copy(header.length, tag, &mut bytes)?;
                let numbers = bytes.as_chunks::<8>().0.iter().map(|b| u64::from_le_bytes(*b));
                match tag {
                    tags::EXTENDED_OFFSET_TABLE => walked.offsets = numbers.collect(),
                    _ => walked.lengths = numbers.collect(),
                }
            }
            _ if wanted.contains(&tag) && defined => {
                if !first {
                    return Err(twice());
                }
                if header.length > LONGEST_WANTED {
                    let length = header.length;
                    return Err(broken(start, format!("attribute {tag} has {length} bytes")));
                }
                cursor.keep(tag, &header, &mut walked.kept)?;
            }
            _ => cursor.skip_value(tag, &header, 0)?,
        }
        pending = cursor.next_tag_after(tag, header.length)?;
    }
    Ok(())
}

/// Whether a data set that should be deflated begins as one that is not, with an
/// attribute of group 8: no deflated bytes begin so (RFC 1951 section 3.2.4, the length of
/// a stored block and its complement would not match).
fn is_plain(head: &[u8]) -> bool {
    matches!(head, [8, 0, _, 0, ..])
}

fn pixel_span(
    cursor: &mut Cursor<Stream>,
    header: &crate::cursor::Header,
) -> Result<PixelSpan, WalkFault> {
    if header.length != UNDEFINED {
        let (offset, length) = (cursor.at, header.length);
        let left = cursor.length.saturating_sub(offset);
        return Ok(PixelSpan::Native { offset, length, left, bytes: header.vr == *b"OB" });
    }
    cursor.most = None;
    read_items(cursor).map(PixelSpan::Encapsulated)
}

/// Bytes behind native voxels that cannot be attributes.
fn tail(cursor: &mut Cursor<Stream>, file: &ScanFile, walked: &Walked) -> u64 {
    let Some(PixelSpan::Native { offset, length, .. }) = walked.pixels else { return 0 };
    let end = offset + u64::from(length);
    let left = file.length.saturating_sub(end);
    cursor.most = None;
    if !file.is_random() || walked.deflated.is_some() || left == 0 {
        return 0;
    }
    let next = cursor.skip(u64::from(length), tags::PIXEL_DATA).and_then(|()| cursor.next_tag());
    match next {
        // Trailing padding (FFFC,FFFC), signatures and the like.
        Ok(Some(tag)) if tag.group() > 0x7FE0 => 0,
        _ => left,
    }
}
