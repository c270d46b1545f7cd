//! The markers and segments of JPEG streams (ITU-T T.81 annex B; T.87 annex C for JPEG-LS).

use crate::CodecError;

/// Start of image, end of image, start of scan.
const SOI: u8 = 0xD8;
const EOI: u8 = 0xD9;
const SOS: u8 = 0xDA;

/// A frame header (T.81 section B.2.2).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Frame {
    /// The marker: which process (0xC0 baseline, 0xC3 lossless, 0xF7 JPEG-LS).
    pub(crate) process: u8,
    pub(crate) precision: u8,
    pub(crate) rows: u16,
    pub(crate) columns: u16,
    pub(crate) components: u8,
}

/// A scan header of a single component (T.81 section B.2.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Scan {
    /// Td, Ta: places of the Huffman tables. Together, a mapping table in JPEG-LS.
    pub(crate) dc_table: usize,
    pub(crate) ac_table: usize,
    /// Ss: the predictor of a lossless scan; NEAR in JPEG-LS.
    pub(crate) start: u8,
    /// Al: the point transform.
    pub(crate) low: u8,
}

/// A Huffman table: class, place, numbers of codes by length, symbols.
pub(crate) type TableParts<'a> = (u8, usize, [u8; 16], &'a [u8]);

#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Segment<'a> {
    Frame(Frame),
    Huffman(Vec<TableParts<'a>>),
    Restart(u16),
    Scan(Scan),
    Other,
}

/// A place in a stream where a marker must stand.
pub(crate) struct Stream<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Stream<'a> {
    pub(crate) fn new(bytes: &'a [u8], at: usize) -> Self {
        Self { bytes, at }
    }

    /// Steps over the next marker and the fill bytes before it (T.81 section B.1.1.2).
    fn marker(&mut self) -> Result<u8, CodecError> {
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

    /// Steps over the marker behind a restart interval; they are numbered from 0 to 7 and over
    /// again (T.81 section E.1.4).
    pub(crate) fn restart_marker(&mut self, interval: usize) -> Result<usize, CodecError> {
        match self.marker()? {
            marker if usize::from(marker) == 0xD0 + interval % 8 => Ok(self.at),
            EOI => Err(CodecError::Truncated),
            _ => Err(CodecError::Damaged("a restart marker is missing or out of turn")),
        }
    }

    /// The end-of-image marker, and nothing behind it but the padding of a DICOM item.
    pub(crate) fn must_end(mut self) -> Result<(), CodecError> {
        match self.marker()? {
            EOI if is_padding(&self.bytes[self.at..]) => Ok(()),
            EOI => Err(CodecError::Damaged("bytes stand behind the end of its image")),
            SOS => Err(CodecError::Unsupported("several scans in one stream")),
            0xDC => Err(LATER_LINES),
            0xD0..=0xD7 => Err(CodecError::Damaged("a restart marker stands where none should")),
            _ => Err(CodecError::Damaged("the end of its image is missing")),
        }
    }
}

/// The number of lines can stand behind the first scan, in a segment of its own (T.81 section
/// B.2.5).
const LATER_LINES: CodecError = CodecError::Unsupported("a number of lines that comes later (DNL)");

/// Whether bytes behind a stream are the padding of a DICOM item: zeros, or, as some encoders
/// have it, one 0xFF first.
fn is_padding(bytes: &[u8]) -> bool {
    bytes.strip_prefix(&[0xFF]).unwrap_or(bytes).iter().all(|&b| b == 0)
}

/// The stream up to and with its end-of-image marker, without the padding of a DICOM item.
pub(crate) fn up_to_end(stream: &[u8]) -> Result<&[u8], CodecError> {
    let end = stream.iter().rposition(|&b| b != 0).map_or(0, |last| last + 1);
    let stream = match &stream[..end] {
        [padded @ .., 0xFF] if padded.ends_with(&[0xFF, EOI]) => padded,
        stream => stream,
    };
    if stream.ends_with(&[0xFF, EOI]) { Ok(stream) } else { Err(CodecError::Truncated) }
}

/// Steps from segment to segment.
pub(crate) struct Reader<'a> {
    stream: Stream<'a>,
}

impl<'a> Reader<'a> {
    pub(crate) fn new(bytes: &'a [u8]) -> Result<Self, CodecError> {
        let mut stream = Stream::new(bytes, 0);
        match stream.marker() {
            Ok(SOI) => Ok(Self { stream }),
            _ => Err(CodecError::NotSuch { expected: "a JPEG stream" }),
        }
    }

    /// Behind the last segment.
    pub(crate) fn at(&self) -> usize {
        self.stream.at
    }

    pub(crate) fn next(&mut self) -> Result<Segment<'a>, CodecError> {
        let marker = self.stream.marker()?;
        if matches!(marker, 0x00 | 0x01 | 0xD0..=0xD9) {
            return Err(CodecError::Damaged("a marker stands where none should"));
        }
        let bytes: &'a [u8] = self.stream.bytes;
        let start = self.stream.at;
        let length =
            bytes.get(start..).and_then(|b| b.first_chunk()).ok_or(CodecError::Truncated)?;
        let length = usize::from(u16::from_be_bytes(*length));
        if length < 2 {
            return Err(CodecError::Damaged("a segment is shorter than its length"));
        }
        let body = bytes.get(start + 2..start + length).ok_or(CodecError::Truncated)?;
        self.stream.at = start + length;
        match marker {
            // All frame headers but DHT, JPG and DAC; 0xF7 is that of JPEG-LS.
            0xC0..=0xC3 | 0xC5..=0xC7 | 0xC9..=0xCB | 0xCD..=0xCF | 0xF7 => frame(marker, body),
            0xC4 => huffman(body).map(Segment::Huffman),
            0xDD => match body {
                [a, b] => Ok(Segment::Restart(u16::from_be_bytes([*a, *b]))),
                _ => Err(SHORT),
            },
            SOS => match body {
                [1, _, tables, start, _, low] => Ok(Segment::Scan(Scan {
                    dc_table: usize::from(tables >> 4),
                    ac_table: usize::from(tables & 15),
                    start: *start,
                    low: low & 15,
                })),
                [1, ..] => Err(SHORT),
                _ => Err(CodecError::Unsupported("a scan of several components")),
            },
            0xDC => Err(LATER_LINES),
            0xDE => Err(CodecError::Unsupported("a hierarchical JPEG stream")),
            _ => Ok(Segment::Other),
        }
    }
}

const SHORT: CodecError = CodecError::Damaged("a segment is shorter than its content");

fn frame(process: u8, body: &[u8]) -> Result<Segment<'_>, CodecError> {
    match body {
        [_, 0, 0, ..] => Err(LATER_LINES),
        [precision, a, b, c, d, components, ..] => Ok(Segment::Frame(Frame {
            process,
            precision: *precision,
            rows: u16::from_be_bytes([*a, *b]),
            columns: u16::from_be_bytes([*c, *d]),
            components: *components,
        })),
        _ => Err(SHORT),
    }
}

fn huffman(mut body: &[u8]) -> Result<Vec<TableParts<'_>>, CodecError> {
    let mut tables = Vec::new();
    while let [kind, rest @ ..] = body {
        let (counts, rest) = rest.split_first_chunk::<16>().ok_or(SHORT)?;
        let total = counts.iter().map(|&n| usize::from(n)).sum();
        let (symbols, rest) = rest.split_at_checked(total).ok_or(SHORT)?;
        let place = usize::from(kind & 15);
        if kind >> 4 > 1 || place > 3 {
            return Err(CodecError::Damaged("a Huffman table has no such place"));
        }
        tables.push((kind >> 4, place, *counts, symbols));
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
