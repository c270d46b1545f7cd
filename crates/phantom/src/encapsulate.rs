use std::io::{self, Write};

use dicom_core::{DataElement, PrimitiveValue, VR};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use dicom_object::mem::InMemElement;
use rayon::prelude::*;

use crate::syntax::{Fragments, OffsetTable};
use crate::{PhantomError, ScanOptions, ScanSyntax};

/// Tag and undefined length of encapsulated Pixel Data, Explicit VR Little Endian.
const START: [u8; 12] = [0xE0, 0x7F, 0x10, 0x00, b'O', b'B', 0, 0, 0xFF, 0xFF, 0xFF, 0xFF];
const ITEM: [u8; 4] = [0xFE, 0xFF, 0x00, 0xE0];
const DELIMITER: [u8; 8] = [0xFE, 0xFF, 0xDD, 0xE0, 0, 0, 0, 0];
/// Tag and length of an item, bytes.
const ITEM_HEADER: u64 = 8;

/// Size and number of the frames that an object holds.
#[derive(Clone, Copy)]
pub(crate) struct FrameSize {
    pub(crate) rows: u16,
    pub(crate) columns: u16,
    /// Number of the first frame, as the encoder is told.
    pub(crate) first: usize,
}

/// Encapsulated pixel data, ready to be written.
pub(crate) struct Encapsulated {
    items: Vec<Vec<u8>>,
    table: Vec<u8>,
    delimiter: bool,
    /// Extended Offset Table and its lengths.
    pub(crate) extended: Vec<InMemElement>,
}

/// Whether pixel data are to be written in items.
pub(crate) fn is_encapsulated(options: &ScanOptions) -> bool {
    options.encoder.is_some() || options.syntax == ScanSyntax::EncapsulatedUncompressed
}

/// Encodes native pixel data frame by frame and cuts them into items.
pub(crate) fn encapsulate(
    pixels: &[u8],
    size: FrameSize,
    options: &ScanOptions,
) -> Result<Encapsulated, PhantomError> {
    let frame_bytes = 2 * usize::from(size.rows) * usize::from(size.columns);
    if frame_bytes == 0 || !pixels.len().is_multiple_of(frame_bytes) {
        return Err(PhantomError::PartFrame { bytes: pixels.len(), frame_bytes });
    }
    let encode = |(at, frame): (usize, &[u8])| {
        let mut stream = match &options.encoder {
            Some(encoder) => {
                let pairs = frame.chunks_exact(2);
                let samples: Vec<u16> = pairs.map(|p| u16::from_le_bytes([p[0], p[1]])).collect();
                (encoder.encode)(size.first + at, &samples, size.rows, size.columns)
            }
            None => frame.to_vec(),
        };
        if stream.len() % 2 == 1 {
            stream.push(0);
        }
        stream
    };
    let streams: Vec<Vec<u8>> =
        pixels.par_chunks_exact(frame_bytes).enumerate().map(encode).collect();
    cut(streams, &options.fragments)
}

fn cut(streams: Vec<Vec<u8>>, how: &Fragments) -> Result<Encapsulated, PhantomError> {
    let lengths: Vec<u64> = streams.iter().map(|s| s.len() as u64).collect();
    let mut offsets = Vec::new();
    let mut items = Vec::new();
    let mut at = 0;
    if how.in_one_item {
        offsets.push(0);
        items.push(streams.concat());
    } else {
        for stream in streams {
            offsets.push(at);
            // As even a cut as even lengths allow.
            let piece = stream.len().div_ceil(how.per_frame).next_multiple_of(2).max(2);
            let pieces: Vec<Vec<u8>> = if piece >= stream.len() {
                vec![stream]
            } else {
                stream.chunks(piece).map(<[u8]>::to_vec).collect()
            };
            at += pieces.iter().map(|p| p.len() as u64 + ITEM_HEADER).sum::<u64>();
            items.extend(pieces);
        }
    }
    if how.empty_item_at_end {
        items.push(Vec::new());
    }
    if let Some(longest) = items.iter().map(Vec::len).max() {
        short(longest as u64)?;
    }
    if let Some(edit) = &how.edit_offsets {
        edit(&mut offsets);
    }
    let mut table = Vec::new();
    let mut extended = Vec::new();
    match how.table {
        OffsetTable::Empty => {}
        OffsetTable::Basic => {
            for &offset in &offsets {
                table.extend(short(offset)?.to_le_bytes());
            }
        }
        OffsetTable::Extended => {
            let very_long = |tag, values: &[u64]| {
                let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
                DataElement::new(tag, VR::OV, PrimitiveValue::U8(bytes.into()))
            };
            extended.push(very_long(tags::EXTENDED_OFFSET_TABLE, &offsets));
            extended.push(very_long(tags::EXTENDED_OFFSET_TABLE_LENGTHS, &lengths));
        }
    }
    Ok(Encapsulated { items, table, delimiter: how.delimiter, extended })
}

/// A length or offset as the 32 bits that it has in a file.
pub(crate) fn short(bytes: u64) -> Result<u32, PhantomError> {
    u32::try_from(bytes).map_err(|_| PhantomError::TooLong { bytes })
}

impl Encapsulated {
    pub(crate) fn write(&self, sink: &mut dyn Write) -> io::Result<()> {
        sink.write_all(&START)?;
        for item in std::iter::once(&self.table).chain(&self.items) {
            sink.write_all(&ITEM)?;
            // Every length was checked as it was made; a table holds as many bytes as frames x 4.
            #[allow(clippy::cast_possible_truncation)]
            sink.write_all(&(item.len() as u32).to_le_bytes())?;
            sink.write_all(item)?;
        }
        if self.delimiter { sink.write_all(&DELIMITER) } else { Ok(()) }
    }

    /// Puts the extended table, if there is one, in front of the pixel data.
    pub(crate) fn add_extended(&mut self, before: &mut InMemDicomObject) {
        for element in self.extended.drain(..) {
            before.put(element);
        }
    }
}
