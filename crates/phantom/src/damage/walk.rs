//! Where elements begin and end in a file.

use std::ops::Range;

use dicom_core::Tag;

use super::raw::{UNDEFINED, is_short};
use super::{MAGIC, PREAMBLE};
use crate::PhantomError;

const ITEM: Tag = Tag(0xFFFE, 0xE000);
const ITEM_END: Tag = Tag(0xFFFE, 0xE00D);
const SEQUENCE_END: Tag = Tag(0xFFFE, 0xE0DD);
const META_GROUP: u16 = 0x0002;

/// Where an element or item lies in a file, in bytes from its start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// The tag.
    pub tag: Tag,
    /// First byte of its header.
    pub at: usize,
    /// Its value, without a delimiter that ends it.
    pub value: Range<usize>,
    /// First byte after it and its delimiter.
    pub end: usize,
    /// The length that the header claims.
    pub declared: u32,
    /// Bytes that the length has in the header, 2 or 4; they end where the value begins.
    pub length_bytes: usize,
    /// Whether numbers in the header have their high byte first.
    pub big_endian: bool,
}

/// How headers are written.
#[derive(Clone, Copy)]
struct Coding {
    explicit: bool,
    big: bool,
}

const META: Coding = Coding { explicit: true, big: false };

struct Header {
    tag: Tag,
    vr: Option<[u8; 2]>,
    declared: u32,
    length_bytes: usize,
    value: usize,
}

fn header(file: &[u8], at: usize, coding: Coding) -> Result<Header, PhantomError> {
    let cut = PhantomError::NotWalkable { at };
    let bytes = |from: usize, n: usize| file.get(at + from..at + from + n);
    let two = |from: usize| {
        let b = bytes(from, 2)?;
        let b = [b[0], b[1]];
        Some(if coding.big { u16::from_be_bytes(b) } else { u16::from_le_bytes(b) })
    };
    let four = |from: usize| {
        let b = bytes(from, 4)?;
        let b = [b[0], b[1], b[2], b[3]];
        Some(if coding.big { u32::from_be_bytes(b) } else { u32::from_le_bytes(b) })
    };
    let read = || {
        let tag = Tag(two(0)?, two(2)?);
        let plain = |vr, declared, length_bytes, length: usize| {
            Some(Header { tag, vr, declared, length_bytes, value: at + length })
        };
        if tag.group() == ITEM.group() || !coding.explicit {
            return plain(None, four(4)?, 4, 8);
        }
        let vr = bytes(4, 2)?;
        let vr = [vr[0], vr[1]];
        if is_short(vr) {
            plain(Some(vr), u32::from(two(6)?), 2, 8)
        } else {
            plain(Some(vr), four(8)?, 4, 12)
        }
    };
    read().ok_or(cut)
}

/// The element at `at`; one of undefined length is walked through to its delimiter.
fn element(file: &[u8], at: usize, coding: Coding) -> Result<Place, PhantomError> {
    let header = header(file, at, coding)?;
    let (value_end, end) = if header.declared == UNDEFINED {
        let level = match header.tag {
            ITEM => Level::Item(coding),
            _ => Level::Sequence(inner_coding(&header, coding)),
        };
        through(file, header.value, level)?
    } else {
        let end = header.value + header.declared as usize;
        // A native value that was cut short ends with the file.
        (end.min(file.len()), end.min(file.len()))
    };
    Ok(Place {
        tag: header.tag,
        at,
        value: header.value..value_end,
        end,
        declared: header.declared,
        length_bytes: header.length_bytes,
        big_endian: coding.big,
    })
}

/// How the items of an element are coded: implicitly in one of unknown representation and
/// undefined length, whatever the file.
fn inner_coding(header: &Header, coding: Coding) -> Coding {
    let unknown = header.declared == UNDEFINED && header.vr == Some(*b"UN");
    Coding { explicit: coding.explicit && !unknown, ..coding }
}

/// What an undefined length is the length of.
#[derive(Clone, Copy)]
enum Level {
    Sequence(Coding),
    Item(Coding),
}

/// Walks from the first byte of a value of undefined length to its delimiter; returns
/// where the value and the delimiter end. A delimiter that is missing at the end of the
/// file is taken to be there.
fn through(file: &[u8], mut at: usize, level: Level) -> Result<(usize, usize), PhantomError> {
    let mut open = vec![level];
    while let Some(&level) = open.last() {
        if at == file.len() {
            return Ok((at, at));
        }
        let (Level::Sequence(coding) | Level::Item(coding)) = level;
        let found = header(file, at, coding)?;
        let closes = match level {
            Level::Sequence(_) => found.tag == SEQUENCE_END,
            Level::Item(_) => found.tag == ITEM_END,
        };
        if closes {
            open.pop();
            if open.is_empty() {
                return Ok((at, found.value));
            }
            at = found.value;
        } else if found.declared == UNDEFINED {
            open.push(match level {
                Level::Sequence(coding) => Level::Item(coding),
                Level::Item(coding) => Level::Sequence(inner_coding(&found, coding)),
            });
            at = found.value;
        } else {
            at = found.value + found.declared as usize;
            if at > file.len() {
                return Ok((file.len(), file.len()));
            }
        }
    }
    Ok((at, at))
}

/// First byte after `DICM`, after nothing in a bare data set.
fn meta_start(file: &[u8]) -> usize {
    let magic_at = |at: usize| file.get(at..at + MAGIC.len()) == Some(MAGIC);
    match (magic_at(PREAMBLE), magic_at(0)) {
        (true, _) => PREAMBLE + MAGIC.len(),
        (false, true) => MAGIC.len(),
        (false, false) => 0,
    }
}

/// First byte of the data set, after the last meta element, whatever the group length says.
#[must_use]
pub fn data_set_start(file: &[u8]) -> usize {
    let mut at = meta_start(file);
    while let Ok(place) = element(file, at, META) {
        if place.tag.group() != META_GROUP {
            break;
        }
        at = place.end;
    }
    at
}

/// How the data set is coded, told from its first element.
fn coding_at(file: &[u8], at: usize) -> Result<Coding, PhantomError> {
    match file.get(at..at + 6) {
        Some(head) => Ok(Coding {
            explicit: head[4..6].iter().all(u8::is_ascii_uppercase),
            // A group below 256 has a zero byte; it comes first in big endian.
            big: head[0] == 0 && head[1] != 0,
        }),
        None => Err(PhantomError::NotWalkable { at }),
    }
}

/// First element of the data set whose tag is not below `tag`, else the end of the file.
pub(crate) fn first_from(file: &[u8], tag: Tag) -> Result<usize, PhantomError> {
    let mut at = data_set_start(file);
    let coding = coding_at(file, at)?;
    while at < file.len() {
        if header(file, at, coding)?.tag >= tag {
            break;
        }
        at = element(file, at, coding)?.end;
    }
    Ok(at)
}

/// Where an element of the meta or of the top level of the data set lies.
///
/// # Errors
///
/// [`PhantomError::NoElement`] where it is not there, [`PhantomError::NotWalkable`] where
/// an element before it cannot be read.
pub fn find(file: &[u8], tag: Tag) -> Result<Place, PhantomError> {
    let start = data_set_start(file);
    let (mut at, end, coding) = if tag.group() == META_GROUP {
        (meta_start(file), start, META)
    } else {
        (start, file.len(), coding_at(file, start)?)
    };
    while at < end {
        let place = element(file, at, coding)?;
        if place.tag == tag {
            return Ok(place);
        }
        at = place.end;
    }
    Err(PhantomError::NoElement { group: tag.group(), element: tag.element() })
}

/// The items of a sequence, or of encapsulated Pixel Data, whose first item is the Basic
/// Offset Table.
///
/// # Errors
///
/// Those of [`find`]; [`PhantomError::NotWalkable`] where the value holds no items.
pub fn items(file: &[u8], tag: Tag) -> Result<Vec<Place>, PhantomError> {
    let sequence = find(file, tag)?;
    let outer = coding_at(file, data_set_start(file))?;
    let coding = inner_coding(&header(file, sequence.at, outer)?, outer);
    let mut found = Vec::new();
    let mut at = sequence.value.start;
    while at < sequence.value.end {
        let place = element(file, at, coding)?;
        if place.tag != ITEM {
            return Err(PhantomError::NotWalkable { at });
        }
        at = place.end;
        found.push(place);
    }
    Ok(found)
}
