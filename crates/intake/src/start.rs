use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};

use crate::cursor::Cursor;
use crate::source::Stream;
use crate::walk::{WalkFault, Walked, broken};

/// Longest identifier that is read, bytes; the standard allows 64.
const LONGEST_UID: u32 = 4096;
/// Longest first attribute of a data set without file meta information, bytes.
const LONGEST_FIRST: u32 = 1 << 16;
/// Value representations that the first attributes of a data set have.
const FIRST_VRS: [&[u8; 2]; 10] =
    [b"UL", b"CS", b"UI", b"DA", b"TM", b"DT", b"LO", b"SH", b"SQ", b"US"];

/// What a file starts with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Start {
    /// File meta information.
    Meta,
    /// The data set, without anything before it.
    DataSet,
}

/// After the preamble and the prefix (DICOM PS3.10 section 7.1), after the prefix alone,
/// or at a bare data set, which is known by its first attribute.
pub(crate) fn find_start(cursor: &mut Cursor<Stream>) -> Result<Start, WalkFault> {
    let head = cursor.peek(132)?;
    if head.get(128..132) == Some(b"DICM") {
        cursor.take::<132>()?;
        return Ok(Start::Meta);
    }
    if head.starts_with(b"DICM") {
        cursor.take::<4>()?;
        return Ok(Start::Meta);
    }
    let Some(first) = head.first_chunk::<8>() else { return Err(WalkFault::NotDicom) };
    let [a, b, c, d, rest @ ..] = *first;
    let group = |swapped: bool| {
        if swapped { u16::from_be_bytes([a, b]) } else { u16::from_le_bytes([a, b]) }
    };
    let explicit = FIRST_VRS.iter().any(|vr| rest.starts_with(*vr));
    match (group(false), explicit) {
        // File meta information without prefix.
        (2, true) => Ok(Start::Meta),
        (8, true) => Ok(Start::DataSet),
        (8, false) => {
            // An even element of the first few, of a plausible even length.
            let element = u16::from_le_bytes([c, d]);
            let length = u32::from_le_bytes(rest);
            let plausible = element <= 0x60 && length <= LONGEST_FIRST && length % 2 == 0;
            if plausible { Ok(Start::DataSet) } else { Err(WalkFault::NotDicom) }
        }
        _ if group(true) == 8 && explicit => Ok(Start::DataSet),
        _ => Err(WalkFault::NotDicom),
    }
}

/// Group 2, always explicit little endian; returns the first tag behind it, none where
/// deflated bytes follow: a deflated group 8 does not begin as group 2 does.
pub(crate) fn read_meta(
    cursor: &mut Cursor<Stream>,
    walked: &mut Walked,
) -> Result<Option<Tag>, WalkFault> {
    loop {
        let deflated = walked.syntax == uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN;
        if deflated && cursor.peek(2)? != b"\x02\x00" {
            return Ok(None);
        }
        let Some(tag) = cursor.next_tag()? else { return Ok(None) };
        if tag.group() != 2 {
            return Ok(Some(tag));
        }
        let header = cursor.header(tag)?;
        let wanted = [tags::TRANSFER_SYNTAX_UID, tags::MEDIA_STORAGE_SOP_CLASS_UID];
        if !wanted.contains(&tag) {
            cursor.skip(u64::from(header.length), tag)?;
            continue;
        }
        if header.length > LONGEST_UID {
            return Err(broken(cursor.at, format!("attribute {tag} is too long")));
        }
        let mut bytes = Vec::new();
        cursor.copy(header.length, tag, &mut bytes)?;
        let text = String::from_utf8_lossy(&bytes).trim_matches([' ', '\0']).to_owned();
        match tag {
            tags::TRANSFER_SYNTAX_UID => walked.syntax = text,
            _ => walked.meta_sop_class = text,
        }
    }
}
