use std::io::{self, Read};

use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};

use crate::source::Stream;
use crate::walk::{WalkFault, broken};

/// Sequences nested deeper than this are refused: no CT image has more than a few.
const DEEPEST_SEQUENCE: usize = 64;
/// The length that stands for "until a delimiter" (DICOM PS3.5 section 7.1.1).
pub(crate) const UNDEFINED: u32 = 0xFFFF_FFFF;
/// Longest attribute of a functional group that is kept, bytes.
const LONGEST_LEAF: u32 = 1024;
/// The most that is kept of all functional groups of a file, bytes.
const MOST_KEPT: usize = 1 << 25;

/// Items and their delimiters (DICOM PS3.5 table 7.5-1).
pub(crate) const ITEM: Tag = Tag(0xFFFE, 0xE000);
const ITEM_END: Tag = Tag(0xFFFE, 0xE00D);
pub(crate) const SEQUENCE_END: Tag = Tag(0xFFFE, 0xE0DD);

/// How attributes are coded (DICOM PS3.5 section 7 and annex A).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Coding {
    /// Without value representations.
    pub(crate) implicit: bool,
    pub(crate) big_endian: bool,
}

impl Coding {
    pub(crate) fn of_syntax(uid: &str) -> Self {
        Self {
            implicit: uid == uids::IMPLICIT_VR_LITTLE_ENDIAN,
            big_endian: uid == crate::attribute::EXPLICIT_BIG_ENDIAN,
        }
    }

    pub(crate) fn u16(self, bytes: [u8; 2]) -> u16 {
        if self.big_endian { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) }
    }

    pub(crate) fn u32(self, bytes: [u8; 4]) -> u32 {
        if self.big_endian { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) }
    }

    fn tag(self, [a, b, c, d]: [u8; 4]) -> Tag {
        Tag(self.u16([a, b]), self.u16([c, d]))
    }
}

/// An attribute's value representation (blank where implicit) and length, and how its
/// items are coded.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Header {
    pub(crate) vr: [u8; 2],
    pub(crate) length: u32,
    items: Coding,
}

/// A place in the bytes of a data set.
pub(crate) struct Cursor<R> {
    inner: R,
    /// Bytes that were looked at before their turn.
    ahead: Vec<u8>,
    pub(crate) at: u64,
    /// The most that the bytes can be.
    pub(crate) length: u64,
    /// Where stepping on is given up.
    pub(crate) most: Option<u64>,
    pub(crate) coding: Coding,
}

impl Cursor<Stream> {
    pub(crate) fn skip(&mut self, length: u64, tag: Tag) -> Result<(), WalkFault> {
        self.check(length, tag)?;
        if self.most.is_some_and(|most| self.at.saturating_add(length) > most) {
            return Err(broken(self.at, "too many bytes stand before the voxels"));
        }
        let looked_at = self.ahead.len().min(usize::try_from(length).unwrap_or(usize::MAX));
        self.ahead.drain(..looked_at);
        self.inner.skip(length - looked_at as u64)?;
        self.at += length;
        Ok(())
    }

    pub(crate) fn skip_value(
        &mut self,
        tag: Tag,
        header: &Header,
        depth: usize,
    ) -> Result<(), WalkFault> {
        if header.length != UNDEFINED {
            return self.skip(u64::from(header.length), tag);
        }
        self.items(tag, header, depth, |cursor, end| {
            cursor
                .elements(tag, end, |cursor, tag, header| cursor.skip_value(tag, header, depth + 1))
        })
    }

    /// The wanted attributes of each item of a sequence: those of `macros` in it where
    /// there are any, else its own.
    pub(crate) fn groups(
        &mut self,
        tag: Tag,
        header: &Header,
        macros: &[Tag],
        leaves: &[Tag],
    ) -> Result<Vec<Vec<u8>>, WalkFault> {
        let mut groups = Vec::new();
        let mut kept = 0;
        self.items(tag, header, 0, |cursor, end| {
            let mut group = Vec::new();
            cursor.elements(tag, end, |cursor, inner, header| {
                if macros.contains(&inner) {
                    cursor.items(inner, header, 1, |cursor, end| {
                        cursor.elements(inner, end, |cursor, leaf, header| {
                            cursor.leaf(leaf, header, leaves, &mut group)
                        })
                    })
                } else if macros.is_empty() {
                    cursor.leaf(inner, header, leaves, &mut group)
                } else {
                    cursor.skip_value(inner, header, 1)
                }
            })?;
            // A vector of its own costs some dozen bytes even where nothing is kept.
            kept += group.len() + 32;
            if kept > MOST_KEPT {
                return Err(broken(cursor.at, format!("attribute {tag} holds too much")));
            }
            groups.push(group);
            Ok(())
        })?;
        Ok(groups)
    }

    fn leaf(
        &mut self,
        tag: Tag,
        header: &Header,
        leaves: &[Tag],
        group: &mut Vec<u8>,
    ) -> Result<(), WalkFault> {
        if leaves.contains(&tag) && header.length <= LONGEST_LEAF {
            self.keep(tag, header, group)
        } else {
            self.skip_value(tag, header, 2)
        }
    }

    /// Goes through the items of a sequence (DICOM PS3.5 section 7.5). `each` gets the end
    /// of its item where that is known, and stops behind it.
    pub(crate) fn items(
        &mut self,
        of: Tag,
        header: &Header,
        depth: usize,
        mut each: impl FnMut(&mut Self, Option<u64>) -> Result<(), WalkFault>,
    ) -> Result<(), WalkFault> {
        if depth >= DEEPEST_SEQUENCE {
            return Err(broken(self.at, format!("attribute {of} is nested too deep")));
        }
        let end = (header.length != UNDEFINED).then(|| self.at + u64::from(header.length));
        if end.is_some() {
            self.check(u64::from(header.length), of)?;
        }
        let outer = std::mem::replace(&mut self.coding, header.items);
        while end.is_none_or(|end| self.at < end) {
            let tag = self.inner_tag(of)?;
            let bytes = self.take()?;
            let length = self.coding.u32(bytes);
            match tag {
                SEQUENCE_END => break,
                ITEM if length == UNDEFINED => each(self, None)?,
                ITEM => {
                    self.check(u64::from(length), of)?;
                    let last = self.at + u64::from(length);
                    if end.is_some_and(|end| last > end) {
                        let reason = format!("an item of {of} is longer than the sequence");
                        return Err(broken(self.at, reason));
                    }
                    each(self, Some(last))?;
                }
                other => {
                    let reason = format!("{other} stands where an item of {of} should");
                    return Err(broken(self.at, reason));
                }
            }
        }
        self.coding = outer;
        match end {
            Some(end) if self.at != end => {
                Err(broken(self.at, format!("{of} does not end where it claims")))
            }
            _ => Ok(()),
        }
    }

    /// Goes through the attributes of an item, up to its end or its delimiter.
    pub(crate) fn elements(
        &mut self,
        of: Tag,
        end: Option<u64>,
        mut each: impl FnMut(&mut Self, Tag, &Header) -> Result<(), WalkFault>,
    ) -> Result<(), WalkFault> {
        while end.is_none_or(|end| self.at < end) {
            let tag = self.inner_tag(of)?;
            let header = self.header(tag)?;
            if tag == ITEM_END {
                return Ok(());
            }
            if tag.group() == ITEM.group() {
                return Err(broken(self.at, format!("{tag} stands inside an item of {of}")));
            }
            each(self, tag, &header)?;
        }
        match end {
            Some(end) if self.at > end => {
                Err(broken(self.at, format!("an item of {of} is longer than it claims")))
            }
            _ => Ok(()),
        }
    }
}

impl<R: Read> Cursor<R> {
    pub(crate) fn new(inner: R, length: u64) -> Self {
        Self { inner, ahead: Vec::new(), at: 0, length, most: None, coding: Coding::default() }
    }

    pub(crate) fn starting_at(mut self, at: u64) -> Self {
        self.at = at;
        self
    }

    /// Looks at up to `wanted` bytes without stepping on.
    pub(crate) fn peek(&mut self, wanted: usize) -> io::Result<&[u8]> {
        if let Some(more) = wanted.checked_sub(self.ahead.len()) {
            self.inner.by_ref().take(more as u64).read_to_end(&mut self.ahead)?;
        }
        Ok(&self.ahead[..wanted.min(self.ahead.len())])
    }

    fn read(&mut self, to: &mut [u8]) -> io::Result<()> {
        let looked_at = self.ahead.len().min(to.len());
        to[..looked_at].copy_from_slice(&self.ahead[..looked_at]);
        self.ahead.drain(..looked_at);
        self.inner.read_exact(&mut to[looked_at..])?;
        self.at += to.len() as u64;
        Ok(())
    }

    pub(crate) fn take<const N: usize>(&mut self) -> Result<[u8; N], WalkFault> {
        let mut bytes = [0; N];
        if self.length.saturating_sub(self.at) < N as u64 {
            return Err(broken(self.at, "the file ends inside an attribute"));
        }
        self.read(&mut bytes)?;
        Ok(bytes)
    }

    pub(crate) fn check(&self, length: u64, tag: Tag) -> Result<(), WalkFault> {
        let left = self.length.saturating_sub(self.at);
        if length <= left {
            return Ok(());
        }
        Err(broken(self.at, format!("attribute {tag} claims {length} bytes, {left} are left")))
    }

    pub(crate) fn copy(
        &mut self,
        length: u32,
        tag: Tag,
        to: &mut Vec<u8>,
    ) -> Result<(), WalkFault> {
        self.check(u64::from(length), tag)?;
        let start = to.len();
        to.resize(start + length as usize, 0);
        self.read(&mut to[start..])?;
        Ok(())
    }

    /// Copies an attribute as implicit little endian.
    pub(crate) fn keep(
        &mut self,
        tag: Tag,
        header: &Header,
        to: &mut Vec<u8>,
    ) -> Result<(), WalkFault> {
        to.extend_from_slice(&tag.group().to_le_bytes());
        to.extend_from_slice(&tag.element().to_le_bytes());
        to.extend_from_slice(&header.length.to_le_bytes());
        let start = to.len();
        self.copy(header.length, tag, to)?;
        if self.coding.big_endian {
            let word = match &header.vr {
                b"US" | b"SS" | b"OW" | b"AT" => 2,
                b"UL" | b"SL" | b"FL" => 4,
                b"FD" | b"OV" | b"SV" | b"UV" => 8,
                _ => 1,
            };
            to[start..].chunks_exact_mut(word).for_each(<[u8]>::reverse);
        }
        Ok(())
    }

    pub(crate) fn next_tag(&mut self) -> Result<Option<Tag>, WalkFault> {
        if self.at == self.length || self.peek(1)?.is_empty() {
            return Ok(None);
        }
        let bytes = self.take()?;
        Ok(Some(self.coding.tag(bytes)))
    }

    /// The tag after an attribute of the outermost level, where tags ascend. Behind a
    /// value of odd length, which the standard forbids, a pad byte may follow or not.
    pub(crate) fn next_tag_after(
        &mut self,
        before: Tag,
        length: u32,
    ) -> Result<Option<Tag>, WalkFault> {
        if length % 2 == 1 && length != UNDEFINED {
            let (coding, left) = (self.coding, self.length.saturating_sub(self.at));
            let bytes = self.peek(9)?;
            let tag_at = |at: usize| {
                let (tag, rest) = bytes.get(at..)?.split_first_chunk::<4>()?;
                let fits = match rest {
                    [a, b, c, d, ..] if coding.implicit => {
                        let length = coding.u32([*a, *b, *c, *d]);
                        length == UNDEFINED || u64::from(length) <= left
                    }
                    [a, b, ..] => a.is_ascii_uppercase() && b.is_ascii_uppercase(),
                    _ => false,
                };
                Some(coding.tag(*tag)).filter(|tag| fits && *tag > before)
            };
            let padded = match (tag_at(0), tag_at(1)) {
                (None, None) => bytes.len() == 1,
                (near, None) => near.is_none(),
                (Some(tags::PIXEL_DATA), _) => false,
                // A tag of a low group is read as one of a high group a byte too early.
                (near, far) => near.is_none_or(|near| far.is_some_and(|far| far < near)),
            };
            if padded {
                self.take::<1>()?;
            }
        }
        self.next_tag()
    }

    pub(crate) fn inner_tag(&mut self, of: Tag) -> Result<Tag, WalkFault> {
        let tag = self.next_tag()?;
        tag.ok_or_else(|| broken(self.at, format!("the file ends inside {of}")))
    }

    /// Finds out how the data set is coded by its first attribute, of which the tag was
    /// read as little endian; returns the tag.
    pub(crate) fn settle(&mut self, tag: Tag, coding: &mut Coding) -> Result<Tag, WalkFault> {
        let mut tag = tag;
        // The lowest groups come first: 8, or 4 in a directory. Swapped they are large.
        coding.big_endian = tag.group().swap_bytes() <= 0x20 && tag.group() > 0x100;
        if coding.big_endian {
            tag = Tag(tag.group().swap_bytes(), tag.element().swap_bytes());
        }
        let ahead = self.peek(2)?;
        coding.implicit = !(ahead.len() == 2 && ahead.iter().all(u8::is_ascii_uppercase));
        Ok(tag)
    }

    /// The rest of an attribute's header (DICOM PS3.5 section 7.1).
    pub(crate) fn header(&mut self, tag: Tag) -> Result<Header, WalkFault> {
        let coding = self.coding;
        if coding.implicit || tag.group() == 0xFFFE {
            let bytes = self.take()?;
            return Ok(Header { vr: *b"  ", length: coding.u32(bytes), items: coding });
        }
        let vr: [u8; 2] = self.take()?;
        if !vr.iter().all(u8::is_ascii_uppercase) {
            let reason = format!("attribute {tag} has no value representation");
            return Err(broken(self.at, reason));
        }
        let length = match &vr {
            b"OB" | b"OD" | b"OF" | b"OL" | b"OV" | b"OW" | b"SQ" | b"SV" | b"UC" | b"UN"
            | b"UR" | b"UT" | b"UV" => {
                let [_, _, rest @ ..]: [u8; 6] = self.take()?;
                coding.u32(rest)
            }
            _ => {
                let bytes = self.take()?;
                u32::from(coding.u16(bytes))
            }
        };
        // Items of an unknown VR of undefined length are implicit: PS3.5 section 6.2.2, note 4.
        let implicit = &vr == b"UN" && length == UNDEFINED;
        let items = if implicit { Coding { implicit, big_endian: false } } else { coding };
        Ok(Header { vr, length, items })
    }
}
