use crate::cursor::{Cursor, ITEM, SEQUENCE_END, UNDEFINED};
use crate::source::Stream;
use crate::walk::{WalkFault, broken};
use dicom_dictionary_std::tags;

/// Longest Basic Offset Table that is read, bytes: a million frames.
const LONGEST_TABLE: u32 = 1 << 22;
/// More items than this are no scan.
const MOST_ITEMS: usize = 1 << 20;

/// A run of bytes of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Run {
    pub(crate) offset: u64,
    pub(crate) length: u64,
}

/// The items of encapsulated pixel data (DICOM PS3.5 section A.4).
#[derive(Debug, Clone)]
pub(crate) struct Encapsulated {
    /// Basic Offset Table, bytes from the first item behind it; empty where it is.
    table: Vec<u64>,
    /// The fragments, with the first bytes of each.
    fragments: Vec<(Run, [u8; 4])>,
    /// Why the stream ends before its delimiter.
    pub(crate) cut: Option<String>,
    /// Whether the delimiter is there.
    pub(crate) delimited: bool,
}

/// Goes through the items up to the delimiter, the end of the file, or what is no item.
pub(crate) fn read_items(cursor: &mut Cursor<Stream>) -> Result<Encapsulated, WalkFault> {
    let mut out =
        Encapsulated { table: Vec::new(), fragments: Vec::new(), cut: None, delimited: false };
    let mut first = true;
    loop {
        let left = cursor.length.saturating_sub(cursor.at);
        if left < 8 {
            if left > 0 {
                out.cut = Some(format!("the file ends at byte {} inside an item", cursor.length));
            }
            return Ok(out);
        }
        let tag = cursor.inner_tag(tags::PIXEL_DATA)?;
        let bytes: [u8; 4] = cursor.take()?;
        // Encapsulated syntaxes are little endian (PS3.5 section A.4).
        let length = u32::from_le_bytes(bytes);
        match tag {
            SEQUENCE_END => {
                out.delimited = true;
                return Ok(out);
            }
            ITEM if length != UNDEFINED => {}
            // The delimiter was left out and something else follows.
            other if other.group() != ITEM.group() => return Ok(out),
            other => {
                out.cut = Some(format!("{other} stands at byte {} for an item", cursor.at - 8));
                return Ok(out);
            }
        }
        let run = Run { offset: cursor.at, length: u64::from(length) };
        let left = cursor.length.saturating_sub(cursor.at);
        if u64::from(length) > left {
            out.cut = Some(format!(
                "an item at byte {} claims {length} bytes, {left} are left",
                cursor.at
            ));
            return Ok(out);
        }
        if std::mem::take(&mut first) {
            if length > LONGEST_TABLE {
                return Err(broken(cursor.at, "the Basic Offset Table is too long"));
            }
            let mut bytes = Vec::new();
            cursor.copy(length, tags::PIXEL_DATA, &mut bytes)?;
            let numbers = bytes.as_chunks::<4>().0.iter();
            out.table = numbers.map(|b| u64::from(u32::from_le_bytes(*b))).collect();
            continue;
        }
        if out.fragments.len() == MOST_ITEMS {
            return Err(broken(cursor.at, "there are too many items"));
        }
        let mut head = [0; 4];
        let looked_at = cursor.peek(length.min(4) as usize)?;
        head[..looked_at.len()].copy_from_slice(looked_at);
        cursor.skip(u64::from(length), tags::PIXEL_DATA)?;
        out.fragments.push((run, head));
    }
}

impl Encapsulated {
    /// The runs of bytes that make each of `frames` frames, or why that cannot be told.
    ///
    /// One frame takes all fragments. Else the extended offset table parts them (PS3.5
    /// section A.4), else the basic one; without either, as many fragments as frames are
    /// one each, and otherwise every fragment that begins as a stream begins a frame. What
    /// contradicts itself is refused.
    pub(crate) fn frames(
        &self,
        frames: usize,
        offsets: &[u64],
        lengths: &[u64],
    ) -> Result<Vec<Vec<Run>>, String> {
        let mut fragments = self.fragments.as_slice();
        // Some writers close with empty items.
        while let [rest @ .., (Run { length: 0, .. }, _)] = fragments {
            fragments = rest;
        }
        let whole = |found: usize| match &self.cut {
            Some(cut) => format!("{found} of {frames} frames present, {cut}"),
            None => format!("{found} of {frames} frames present"),
        };
        let begins = |(_, head): &(Run, [u8; 4])| {
            head.starts_with(b"\xFF\xD8\xFF") || head.starts_with(b"\xFF\x4F\xFF\x51")
        };
        let starts: Vec<usize> = (0..fragments.len()).filter(|&n| begins(&fragments[n])).collect();
        if frames == 1 {
            if fragments.is_empty() || self.cut.is_some() {
                return Err(whole(0));
            }
            let held = starts.len().max(self.table.len()).max(offsets.len());
            if held > 1 {
                return Err(format!("it holds {held} frames, NumberOfFrames (0028,0008) says 1"));
            }
            return Ok(vec![fragments.iter().map(|f| f.0).collect()]);
        }
        let table = if offsets.is_empty() { &self.table } else { offsets };
        let starts = if !table.is_empty() {
            if table.len() != frames {
                return Err(format!("its offset table lists {} frames of {frames}", table.len()));
            }
            self.starts_by_table(table, fragments).ok_or_else(|| {
                match complete(table, fragments) {
                    some if some < frames && !self.delimited => whole(some),
                    _ => "its offset table does not match its items".to_owned(),
                }
            })?
        } else if fragments.len() == frames {
            (0..frames).collect()
        } else {
            let streams = starts.first() == Some(&0);
            if streams && starts.len() < frames {
                // The last one has lost a part where the cut is in its items.
                let cut = usize::from(self.cut.is_some() && starts.len() < fragments.len());
                return Err(whole(starts.len() - cut));
            }
            if fragments.len() < frames {
                return Err(whole(fragments.len()));
            }
            if starts.len() != frames || !streams {
                return Err(format!(
                    "{} items for {frames} frames, and no offset table that parts them",
                    fragments.len()
                ));
            }
            starts
        };
        if self.cut.is_some() {
            return Err(whole(frames - 1));
        }
        let ends = starts.iter().skip(1).copied().chain([fragments.len()]);
        let parts: Vec<Vec<Run>> = starts
            .iter()
            .zip(ends)
            .map(|(&start, end)| fragments[start..end].iter().map(|f| f.0).collect())
            .collect();
        let told = lengths.len() == frames;
        if told {
            for (part, &length) in parts.iter().zip(lengths) {
                let found: u64 = part.iter().map(|r| r.length).sum();
                // One pad byte is not counted.
                if found != length && found != length + 1 {
                    return Err("its table of lengths does not match its items".to_owned());
                }
            }
        }
        if parts.iter().any(|part| part.iter().all(|r| r.length == 0)) {
            return Err("a frame has no bytes".to_owned());
        }
        Ok(parts)
    }

    /// Which fragment begins each frame; `None` where an offset hits none, or they do not rise.
    fn starts_by_table(&self, table: &[u64], fragments: &[(Run, [u8; 4])]) -> Option<Vec<usize>> {
        let base = fragments.first()?.0.offset;
        let mut starts = Vec::with_capacity(table.len());
        for &offset in table {
            let at = base.checked_add(offset)?;
            let found = fragments.binary_search_by_key(&at, |f| f.0.offset).ok()?;
            if starts.last().is_some_and(|&last| found <= last) {
                return None;
            }
            starts.push(found);
        }
        (starts.first() == Some(&0)).then_some(starts)
    }
}

/// How many frames of a table are complete among the fragments of a cut stream.
fn complete(table: &[u64], fragments: &[(Run, [u8; 4])]) -> usize {
    let (Some(first), Some(last)) = (fragments.first(), fragments.last()) else { return 0 };
    // Where the next item's bytes would stand.
    let end = last.0.offset + last.0.length + 8;
    let next = |n: usize| table.get(n + 1).map(|o| first.0.offset.saturating_add(*o));
    (0..table.len()).take_while(|&n| next(n).is_some_and(|at| at <= end)).count()
}
