//! The markers of JPEG streams (ITU-T T.81 annex B; T.87 annex C for JPEG-LS).

use crate::CodecError;

/// Start of image, end of image, start of scan.
const SOI: u8 = 0xD8;
const EOI: u8 = 0xD9;
const SOS: u8 = 0xDA;

/// A frame header.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Frame {
    /// The marker: which process (0xC0 baseline, 0xC3 lossless, 0xF7 JPEG-LS).
    pub(crate) process: u8,
    pub(crate) precision: u8,
    pub(crate) rows: u16,
    pub(crate) columns: u16,
    pub(crate) components: u8,
}

/// A scan header of a single component.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scan {
    pub(crate) table: usize,
    pub(crate) predictor: u8,
    pub(crate) point_transform: u8,
}

/// A table: class, place, counts of codes by length, values.
pub(crate) type TableParts<'a> = (u8, usize, [u8; 16], &'a [u8]);

pub(crate) enum Segment<'a> {
    Frame(Frame),
    Huffman(Vec<TableParts<'a>>),
    Restart(u16),
    Scan(Scan),
    Other,
}

/// A place in a stream between its parts.
pub(crate) struct Stream<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Stream<'a> {
    pub(crate) fn new(bytes: &'a [u8], at: usize) -> Self {
        Self { bytes, at }
    }

    /// Steps over a marker that must be there, fill bytes before it (T.81 section B.1.1.2).
    pub(crate) fn marker(&mut self, expected: u8) -> Result<usize, CodecError> {
        match self.any_marker()? {
            found if found == expected => Ok(self.at),
            EOI => Err(CodecError::Truncated),
            _ => Err(CodecError::Damaged("a restart marker is missing or out of turn")),
        }
    }

    fn any_marker(&mut self) -> Result<u8, CodecError> {
        match self.bytes.get(self.at) {
            Some(0xFF) => {}
            Some(_) => return Err(CodecError::Damaged("a marker is missing")),
            None => return Err(CodecError::Truncated),
        }
        while self.bytes.get(self.at) == Some(&0xFF) {
            self.at += 1;
        }
        let marker = *self.bytes.get(self.at).ok_or(CodecError::Truncated)?;
        self.at += 1;
        Ok(marker)
    }

    /// The end-of-image marker, and nothing behind it but padding.
    pub(crate) fn must_end(mut self) -> Result<(), CodecError> {
        // A stray pad byte before it does no harm: all samples are there.
        while self.bytes.get(self.at) == Some(&0) {
            self.at += 1;
        }
        match self.any_marker()? {
            EOI if self.bytes[self.at..].iter().all(|&b| b == 0 || b == 0xFF) => Ok(()),
            EOI => Err(CodecError::Damaged("there are bytes behind the end of the image")),
            SOS => Err(CodecError::Unsupported("several scans in one stream")),
            _ => Err(CodecError::Damaged("the end of the image is missing")),
        }
    }
}

/// Steps from segment to segment.
pub(crate) struct Reader<'a> {
    stream: Stream<'a>,
}

impl<'a> Reader<'a> {
    pub(crate) fn new(bytes: &'a [u8]) -> Result<Self, CodecError> {
        let mut stream = Stream::new(bytes, 0);
        match stream.any_marker() {
            Ok(SOI) => Ok(Self { stream }),
            _ => Err(CodecError::NotSuch { expected: "a JPEG stream" }),
        }
    }

    /// Behind the last segment.
    pub(crate) fn at(&self) -> usize {
        self.stream.at
    }

    pub(crate) fn next(&mut self) -> Result<Segment<'a>, CodecError> {
        let marker = self.stream.any_marker()?;
        if marker == EOI || marker == SOI || matches!(marker, 0xD0..=0xD7 | 0x01) {
            return Err(CodecError::Damaged("a marker stands where none should"));
        }
        let bytes: &'a [u8] = self.stream.bytes;
        let start = self.stream.at;
        let length = bytes.get(start..start + 2).ok_or(CodecError::Truncated)?;
        let length = usize::from(u16::from_be_bytes([length[0], length[1]]));
        if length < 2 {
            return Err(CodecError::Damaged("a segment is shorter than its length"));
        }
        let body = bytes.get(start + 2..start + length).ok_or(CodecError::Truncated)?;
        self.stream.at = start + length;
        let short = CodecError::Damaged("a segment is shorter than its content");
        match marker {
            // All frame headers but DHT, JPG and DAC; 0xF7 is that of JPEG-LS.
            0xC0..=0xC3 | 0xC5..=0xC7 | 0xC9..=0xCB | 0xCD..=0xCF | 0xF7 => match body {
                [precision, a, b, c, d, components, ..] => Ok(Segment::Frame(Frame {
                    process: marker,
                    precision: *precision,
                    rows: u16::from_be_bytes([*a, *b]),
                    columns: u16::from_be_bytes([*c, *d]),
                    components: *components,
                })),
                _ => Err(short),
            },
            0xC4 => huffman(body).map(Segment::Huffman),
            0xDD => match body {
                [a, b] => Ok(Segment::Restart(u16::from_be_bytes([*a, *b]))),
                _ => Err(short),
            },
            SOS => match body {
                [1, _, tables, predictor, _, low] => Ok(Segment::Scan(Scan {
                    table: usize::from(tables >> 4 & 3),
                    predictor: *predictor,
                    point_transform: low & 15,
                })),
                _ => Err(CodecError::Unsupported("a scan of several components")),
            },
            // Lines defined behind the first scan.
            0xDC => Err(CodecError::Unsupported("a number of lines that comes later")),
            _ => Ok(Segment::Other),
        }
    }
}

fn huffman(mut body: &[u8]) -> Result<Vec<TableParts<'_>>, CodecError> {
    let bad = CodecError::Damaged("a Huffman table is cut short");
    let mut tables = Vec::new();
    while let [kind, rest @ ..] = body {
        let Some((counts, rest)) = rest.split_first_chunk::<16>() else { return Err(bad) };
        let total = counts.iter().map(|&n| usize::from(n)).sum();
        let Some((values, rest)) = rest.split_at_checked(total) else { return Err(bad) };
        let place = usize::from(kind & 15);
        if place > 3 {
            return Err(CodecError::Damaged("a Huffman table has no such place"));
        }
        tables.push((kind >> 4, place, *counts, values));
        body = rest;
    }
    Ok(tables)
}

/// The frame header of a stream, read before anything is decoded.
pub(crate) fn frame_of(stream: &[u8]) -> Result<Frame, CodecError> {
    let mut reader = Reader::new(stream)?;
    loop {
        match reader.next()? {
            Segment::Frame(frame) => return Ok(frame),
            Segment::Scan(_) => return Err(CodecError::Damaged("a scan comes before its frame")),
            _ => {}
        }
    }
}
