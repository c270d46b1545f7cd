//! JPEG Lossless, Huffman coded (ITU-T T.81, process 14: SOF3).

use crate::CodecError;
use crate::jpeg::{Frame, Reader, Scan, Segment, Stream};

/// Bits that the fast table looks at.
const FAST: u32 = 10;

/// A Huffman table (T.81 annexes C and F.2.2.3).
pub(crate) struct Huffman {
    /// Length and value for the first `FAST` bits; length 0 where the code is longer.
    fast: Vec<(u8, u8)>,
    /// For each length, the first code behind the last of that length, left-aligned to 16 bits.
    ends: [u32; 17],
    /// For each length, what to add to a code to find its place among the values.
    places: [i32; 17],
    values: Vec<u8>,
}

impl Huffman {
    /// From the counts of codes of 1 to 16 bits and their values.
    pub(crate) fn new(counts: &[u8; 16], values: &[u8]) -> Result<Self, CodecError> {
        let bad = || CodecError::Damaged("a Huffman table makes no sense");
        let total: usize = counts.iter().map(|&n| usize::from(n)).sum();
        // Differences of 16-bit samples have categories 0 to 16 (T.81 table H.2).
        if total == 0 || total != values.len() || values.iter().any(|&v| v > 16) {
            return Err(bad());
        }
        let mut table = Self {
            fast: vec![(0, 0); 1 << FAST],
            ends: [0; 17],
            places: [0; 17],
            values: values.to_vec(),
        };
        let (mut code, mut place) = (0_u32, 0_usize);
        for (length, &count) in (1_u32..).zip(counts) {
            let slot = length as usize;
            table.places[slot] =
                i32::try_from(place).unwrap_or(0) - i32::try_from(code).unwrap_or(0);
            for _ in 0..count {
                if code >= 1 << length {
                    return Err(bad());
                }
                if length <= FAST {
                    let first = (code << (FAST - length)) as usize;
                    let entry = (u8::try_from(length).unwrap_or(0), values[place]);
                    table.fast[first..first + (1 << (FAST - length))].fill(entry);
                }
                code += 1;
                place += 1;
            }
            table.ends[slot] = if count == 0 { 0 } else { code << (16 - length) };
            code <<= 1;
        }
        Ok(table)
    }

    /// Length of the code that 16 bits begin with, and its value.
    #[inline]
    fn look_up(&self, bits: u32) -> Option<(u32, u32)> {
        let (length, value) = self.fast[(bits >> (16 - FAST)) as usize];
        if length > 0 {
            return Some((u32::from(length), u32::from(value)));
        }
        for length in FAST + 1..=16 {
            if bits < self.ends[length as usize] {
                let code = i32::try_from(bits >> (16 - length)).ok()?;
                let place = usize::try_from(code + self.places[length as usize]).ok()?;
                return self.values.get(place).map(|&v| (length, u32::from(v)));
            }
        }
        None
    }
}

/// Entropy-coded bits up to the next marker.
struct Bits<'a> {
    bytes: &'a [u8],
    at: usize,
    buffer: u64,
    held: u32,
}

impl<'a> Bits<'a> {
    fn new(bytes: &'a [u8], at: usize) -> Self {
        Self { bytes, at, buffer: 0, held: 0 }
    }

    /// Takes in bytes while there is room; stops at a marker.
    #[inline]
    fn fill(&mut self) {
        while self.held <= 56 {
            let Some(&byte) = self.bytes.get(self.at) else { return };
            if byte == 0xFF {
                // A stuffed zero stands for nothing (T.81 section F.1.2.3).
                if self.bytes.get(self.at + 1) != Some(&0) {
                    return;
                }
                self.at += 1;
            }
            self.at += 1;
            self.buffer |= u64::from(byte) << (56 - self.held);
            self.held += 8;
        }
    }

    /// The next difference (T.81 section H.2).
    #[inline]
    fn difference(&mut self, table: &Huffman) -> Result<u32, CodecError> {
        if self.held < 32 {
            self.fill();
        }
        let (length, category) = table
            .look_up((self.buffer >> 48) as u32)
            .ok_or(CodecError::Damaged("a code is in no Huffman table"))?;
        let more = if category == 16 { 0 } else { category };
        if length + more > self.held {
            return Err(CodecError::Truncated);
        }
        self.buffer <<= length;
        let value = match category {
            0 => 0,
            16 => 32_768,
            _ => {
                let bits = (self.buffer >> (64 - category)) as u32;
                self.buffer <<= category;
                // A leading zero means negative.
                if bits >> (category - 1) == 0 {
                    bits.wrapping_sub((1 << category) - 1)
                } else {
                    bits
                }
            }
        };
        self.held -= length + more;
        Ok(value)
    }

    /// Where the entropy-coded bits end: at most the padding of a byte may be left.
    fn end(mut self) -> Result<usize, CodecError> {
        self.fill();
        if self.held >= 8 {
            return Err(CodecError::Damaged("there is more than the image has samples"));
        }
        Ok(self.at)
    }
}

/// Decodes a lossless scan; samples row by row.
pub(crate) fn decode(stream: &[u8]) -> Result<Vec<u16>, CodecError> {
    let mut reader = Reader::new(stream)?;
    let mut frame: Option<Frame> = None;
    let mut tables: [Option<Huffman>; 4] = [const { None }; 4];
    let mut restart = 0_usize;
    loop {
        match reader.next()? {
            Segment::Frame(found) => {
                if frame.is_some() {
                    return Err(CodecError::Unsupported("several frames in one stream"));
                }
                frame = Some(found);
            }
            Segment::Huffman(found) => {
                for (class, place, counts, values) in found {
                    if class == 0 {
                        tables[place] = Some(Huffman::new(&counts, values)?);
                    }
                }
            }
            Segment::Restart(interval) => restart = usize::from(interval),
            Segment::Scan(scan) => {
                let frame = frame.ok_or(CodecError::Damaged("a scan comes before its frame"))?;
                let table = tables[scan.table].as_ref();
                let table = table.ok_or(CodecError::Damaged("a Huffman table is missing"))?;
                let (samples, end) =
                    decode_scan(stream, reader.at(), &frame, &scan, table, restart)?;
                Stream::new(stream, end).must_end()?;
                return Ok(samples);
            }
            Segment::Other => {}
        }
    }
}

fn decode_scan(
    bytes: &[u8],
    start: usize,
    frame: &Frame,
    scan: &Scan,
    table: &Huffman,
    restart: usize,
) -> Result<(Vec<u16>, usize), CodecError> {
    let (columns, rows) = (usize::from(frame.columns), usize::from(frame.rows));
    let (predictor, shift) = (scan.predictor, u32::from(scan.point_transform));
    if !(1..=7).contains(&predictor) {
        return Err(CodecError::Unsupported("a predictor of hierarchical images"));
    }
    if shift >= u32::from(frame.precision) {
        return Err(CodecError::Damaged("the point transform is out of range"));
    }
    // T.81 section H.1.1: whole rows.
    if restart % columns != 0 {
        return Err(CodecError::Damaged("the restart interval is no whole number of rows"));
    }
    let each = if restart == 0 { rows } else { restart / columns };
    let width = u32::from(frame.precision) - shift;
    let (first, most) = (1_u32 << (width - 1), (1_u32 << width) - 1);
    let mut samples = vec![0_u16; columns * rows];
    let mut bits = Bits::new(bytes, start);
    for (interval, rows) in samples.chunks_mut(each * columns).enumerate() {
        if interval > 0 {
            let end = bits.end()?;
            let marker = 0xD0 + u8::try_from((interval - 1) % 8).unwrap_or(0);
            let after = Stream::new(bytes, end).marker(marker)?;
            bits = Bits::new(bytes, after);
        }
        let (top, rest) = rows.split_at_mut(columns);
        // Section H.1.2.1: the first sample from the middle of the range, its row from the left.
        let mut left = first;
        for sample in top.iter_mut() {
            left = value(left, bits.difference(table)?, most)?;
            *sample = narrow(left);
        }
        let mut above: &[u16] = top;
        for row in rest.chunks_mut(columns) {
            let mut left = value(above[0].into(), bits.difference(table)?, most)?;
            row[0] = narrow(left);
            for at in 1..columns {
                let (a, b, c) = (left, u32::from(above[at]), u32::from(above[at - 1]));
                let predicted = predict(predictor, a, b, c);
                left = value(predicted, bits.difference(table)?, most)?;
                row[at] = narrow(left);
            }
            above = row;
        }
    }
    if shift > 0 {
        samples.iter_mut().for_each(|s| *s <<= shift);
    }
    Ok((samples, bits.end()?))
}

/// T.81 table H.1: from the left, above, and above left; modulo 2^16 later.
#[inline]
fn predict(predictor: u8, a: u32, b: u32, c: u32) -> u32 {
    let half = |d: u32| (d.cast_signed() >> 1).cast_unsigned();
    match predictor {
        1 => a,
        2 => b,
        3 => c,
        4 => a.wrapping_add(b).wrapping_sub(c),
        5 => a.wrapping_add(half(b.wrapping_sub(c))),
        6 => b.wrapping_add(half(a.wrapping_sub(c))),
        _ => (a + b) >> 1,
    }
}

/// Prediction and difference, modulo 2^16 (section H.1.2.1).
#[inline]
fn value(predicted: u32, difference: u32, most: u32) -> Result<u32, CodecError> {
    let value = predicted.wrapping_add(difference) & 0xFFFF;
    if value > most {
        return Err(CodecError::Damaged("a sample is out of the range of its precision"));
    }
    Ok(value)
}

#[inline]
fn narrow(value: u32) -> u16 {
    // At most 16 bits by `value`.
    #[allow(clippy::cast_possible_truncation)]
    {
        value as u16
    }
}
