use std::collections::BTreeSet;
use std::io::{self, BufReader, Read, Seek, SeekFrom};

use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};

/// Sequences nested deeper than this are refused: no CT image has more than a few.
const DEEPEST_SEQUENCE: usize = 64;
/// Longest attribute that is read, bytes; those that are needed have a few dozen.
const LONGEST_WANTED: u32 = 4096;
/// The length that stands for "until a delimiter" (DICOM PS3.5 section 7.1.1).
const UNDEFINED: u32 = 0xFFFF_FFFF;

/// Items and their delimiters (DICOM PS3.5 table 7.5-1).
const ITEM: Tag = Tag(0xFFFE, 0xE000);
const ITEM_END: Tag = Tag(0xFFFE, 0xE00D);
const SEQUENCE_END: Tag = Tag(0xFFFE, 0xE0DD);

/// Transfer syntaxes whose data sets are not entered: big endian and deflated.
pub(crate) const CLOSED_SYNTAXES: [&str; 2] =
    ["1.2.840.10008.1.2.2", uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN];

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
        Self::Io(error)
    }
}

/// Where the native voxels stand in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct PixelSpan {
    /// Offset of the first byte.
    pub(crate) offset: u64,
    /// Declared length, `None` for an encapsulated stream.
    pub(crate) length: Option<u32>,
}

/// What was found in a file before its voxels.
#[derive(Debug)]
pub(crate) struct Walked {
    /// Transfer Syntax UID of the file meta information, empty where there is none.
    pub(crate) syntax: String,
    /// SOP class of the file meta information, empty where there is none.
    pub(crate) meta_sop_class: String,
    /// The wanted attributes, as they stand in the file, one after the other.
    pub(crate) kept: Vec<u8>,
    /// Tags of the data set's outermost level.
    pub(crate) present: BTreeSet<Tag>,
    /// Where the voxels are.
    pub(crate) pixels: Option<PixelSpan>,
}

/// Steps from attribute to attribute up to the voxels, without reading what is not wanted.
///
/// Every declared length is held against the length of the file and the depth of nesting
/// against a limit before anything is allocated, so that the DICOM library, which gets
/// only the wanted attributes, never sees a forged length. The declared length of the
/// file meta group is not used: it is often wrong.
///
/// Big-endian and deflated data sets, and those that the file meta information calls
/// something else than a CT image, are not entered.
pub(crate) fn walk<R: Read + Seek>(
    source: R,
    length: u64,
    wanted: &[Tag],
) -> Result<Walked, WalkFault> {
    let mut cursor = Cursor { inner: BufReader::new(source), at: 0, length };
    cursor.find_start()?;
    let mut walked = Walked {
        syntax: String::new(),
        meta_sop_class: String::new(),
        kept: Vec::new(),
        present: BTreeSet::new(),
        pixels: None,
    };
    let mut pending = cursor.meta(&mut walked)?;
    let other_object = !matches!(walked.meta_sop_class.as_str(), "" | uids::CT_IMAGE_STORAGE);
    let closed = CLOSED_SYNTAXES.contains(&walked.syntax.as_str());
    if other_object || closed {
        return Ok(walked);
    }
    let implicit = walked.syntax == uids::IMPLICIT_VR_LITTLE_ENDIAN;
    while let Some(tag) = pending {
        let start = cursor.at - 4;
        let header = cursor.header(tag, implicit)?;
        if tag == tags::PIXEL_DATA {
            let length = (header.length != UNDEFINED).then_some(header.length);
            if let Some(length) = length {
                cursor.check(u64::from(length), tag)?;
            }
            walked.pixels = Some(PixelSpan { offset: cursor.at, length });
            break;
        }
        let first = walked.present.insert(tag);
        if wanted.contains(&tag) && header.length != UNDEFINED {
            if !first {
                return Err(broken(start, format!("attribute {tag} stands there twice")));
            }
            if header.length > LONGEST_WANTED {
                let length = header.length;
                return Err(broken(start, format!("attribute {tag} has {length} bytes")));
            }
            walked.kept.extend_from_slice(&header.bytes);
            cursor.copy(header.length, tag, &mut walked.kept)?;
        } else {
            cursor.skip_value(tag, &header, 0)?;
        }
        pending = cursor.next_tag()?;
    }
    Ok(walked)
}

fn broken(at: u64, reason: String) -> WalkFault {
    WalkFault::Broken { at, reason }
}

/// An attribute's header: its bytes, its length, and how its items are encoded.
struct Header {
    bytes: Vec<u8>,
    length: u32,
    items_implicit: bool,
}

struct Cursor<R> {
    inner: BufReader<R>,
    at: u64,
    length: u64,
}

impl<R: Read + Seek> Cursor<R> {
    fn take<const N: usize>(&mut self) -> Result<[u8; N], WalkFault> {
        let mut bytes = [0; N];
        if self.length.saturating_sub(self.at) < N as u64 {
            return Err(broken(self.at, "the file ends inside an attribute".to_owned()));
        }
        self.inner.read_exact(&mut bytes)?;
        self.at += N as u64;
        Ok(bytes)
    }

    fn check(&self, length: u64, tag: Tag) -> Result<(), WalkFault> {
        let left = self.length.saturating_sub(self.at);
        if length <= left {
            return Ok(());
        }
        Err(broken(self.at, format!("attribute {tag} claims {length} bytes, {left} are left")))
    }

    fn syntax_lies(&self, tag: Tag, how: &str) -> WalkFault {
        let reason = format!("attribute {tag} {how}, against (0002,0010) TransferSyntaxUID");
        broken(self.at, reason)
    }

    fn copy(&mut self, length: u32, tag: Tag, to: &mut Vec<u8>) -> Result<(), WalkFault> {
        self.check(u64::from(length), tag)?;
        let read = self.inner.by_ref().take(u64::from(length)).read_to_end(to)?;
        self.at += read as u64;
        Ok(())
    }

    fn skip(&mut self, length: u32, tag: Tag) -> Result<(), WalkFault> {
        self.check(u64::from(length), tag)?;
        self.inner.seek_relative(i64::from(length))?;
        self.at += u64::from(length);
        Ok(())
    }

    fn next_tag(&mut self) -> Result<Option<Tag>, WalkFault> {
        if self.at == self.length {
            return Ok(None);
        }
        let [a, b, c, d] = self.take()?;
        Ok(Some(Tag(u16::from_le_bytes([a, b]), u16::from_le_bytes([c, d]))))
    }

    /// After the preamble and the prefix (DICOM PS3.10 section 7.1), or the prefix alone.
    fn find_start(&mut self) -> Result<(), WalkFault> {
        for preamble in [128_u64, 0] {
            if self.length >= preamble + 4 {
                self.inner.seek(SeekFrom::Start(preamble))?;
                self.at = preamble;
                if self.take()? == *b"DICM" {
                    return Ok(());
                }
            }
        }
        Err(WalkFault::NotDicom)
    }

    /// Group 2, always explicit little endian; returns the first tag behind it.
    fn meta(&mut self, walked: &mut Walked) -> Result<Option<Tag>, WalkFault> {
        while let Some(tag) = self.next_tag()? {
            if tag.group() != 2 {
                return Ok(Some(tag));
            }
            let header = self.header(tag, false)?;
            let text = match tag {
                tags::TRANSFER_SYNTAX_UID => &mut walked.syntax,
                tags::MEDIA_STORAGE_SOP_CLASS_UID => &mut walked.meta_sop_class,
                _ => {
                    self.skip(header.length, tag)?;
                    continue;
                }
            };
            if header.length > LONGEST_WANTED {
                return Err(broken(self.at, format!("attribute {tag} is too long")));
            }
            let mut bytes = Vec::new();
            self.copy(header.length, tag, &mut bytes)?;
            *text = String::from_utf8_lossy(&bytes).trim_matches([' ', '\0']).to_owned();
        }
        Ok(None)
    }

    /// The rest of an attribute's header (DICOM PS3.5 section 7.1).
    fn header(&mut self, tag: Tag, implicit: bool) -> Result<Header, WalkFault> {
        let mut bytes = Vec::with_capacity(12);
        bytes.extend_from_slice(&tag.group().to_le_bytes());
        bytes.extend_from_slice(&tag.element().to_le_bytes());
        if implicit || tag.group() == 0xFFFE {
            let length: [u8; 4] = self.take()?;
            bytes.extend_from_slice(&length);
            let explicit = length[..2].iter().all(u8::is_ascii_uppercase);
            let length = u32::from_le_bytes(length);
            if explicit && self.check(u64::from(length), tag).is_err() && length != UNDEFINED {
                return Err(self.syntax_lies(tag, "has a value representation"));
            }
            return Ok(Header { bytes, length, items_implicit: implicit });
        }
        let vr: [u8; 2] = self.take()?;
        bytes.extend_from_slice(&vr);
        if !vr.iter().all(u8::is_ascii_uppercase) {
            return Err(self.syntax_lies(tag, "has no value representation"));
        }
        let length = match &vr {
            b"OB" | b"OD" | b"OF" | b"OL" | b"OV" | b"OW" | b"SQ" | b"SV" | b"UC" | b"UN"
            | b"UR" | b"UT" | b"UV" => {
                let rest: [u8; 6] = self.take()?;
                bytes.extend_from_slice(&rest);
                u32::from_le_bytes([rest[2], rest[3], rest[4], rest[5]])
            }
            _ => {
                let length: [u8; 2] = self.take()?;
                bytes.extend_from_slice(&length);
                u32::from(u16::from_le_bytes(length))
            }
        };
        // Items of an unknown VR of undefined length are implicit: PS3.5 section 6.2.2, note 4.
        Ok(Header { bytes, length, items_implicit: &vr == b"UN" })
    }

    fn skip_value(&mut self, tag: Tag, header: &Header, depth: usize) -> Result<(), WalkFault> {
        if header.length != UNDEFINED {
            return self.skip(header.length, tag);
        }
        if depth >= DEEPEST_SEQUENCE {
            return Err(broken(self.at, format!("attribute {tag} is nested too deep")));
        }
        // Items up to the sequence delimiter: DICOM PS3.5 section 7.5.
        loop {
            let item = self.inner_tag(tag)?;
            let length = u32::from_le_bytes(self.take()?);
            match item {
                SEQUENCE_END => return Ok(()),
                ITEM if length == UNDEFINED => {
                    self.skip_open_item(tag, header.items_implicit, depth)?;
                }
                ITEM => self.skip(length, tag)?,
                other => {
                    let reason = format!("{other} stands where an item of {tag} should");
                    return Err(broken(self.at, reason));
                }
            }
        }
    }

    fn skip_open_item(&mut self, of: Tag, implicit: bool, depth: usize) -> Result<(), WalkFault> {
        loop {
            let tag = self.inner_tag(of)?;
            let header = self.header(tag, implicit)?;
            match tag {
                ITEM_END => return Ok(()),
                _ => self.skip_value(tag, &header, depth + 1)?,
            }
        }
    }

    fn inner_tag(&mut self, of: Tag) -> Result<Tag, WalkFault> {
        let tag = self.next_tag()?;
        tag.ok_or_else(|| broken(self.length, format!("the file ends inside {of}")))
    }
}
