//! JPEG with the discrete cosine transform, 8 bits (ITU-T T.81 process 1, baseline: SOF0; and the
//! 8 bits of process 2, extended sequential: SOF1), by `zune-jpeg`.
//!
//! A stream that ends early decodes there to grey blocks, so that its codes are counted first.

use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;

use crate::bits::{Bits, Huffman};
use crate::error::refused;
use crate::jpeg::{Frame, Reader, Segment, Stream, up_to_end};
use crate::{CodecError, Decoded};

/// Rows and columns of a block.
const BLOCK: usize = 8;

/// Decodes a stream whose frame header was checked.
pub(crate) fn decode(stream: &[u8], frame: &Frame) -> Result<Decoded, CodecError> {
    let stream = up_to_end(stream)?;
    count(stream)?;
    let options = DecoderOptions::default()
        .set_strict_mode(true)
        .set_max_width(frame.columns.into())
        .set_max_height(frame.rows.into())
        .jpeg_set_out_colorspace(ColorSpace::Luma);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(stream), options);
    let bytes = decoder.decode().map_err(|e| refused(&e.to_string()))?;
    Ok(Decoded { samples: bytes.into_iter().map(u16::from).collect(), lossy: true })
}

/// Walks through the codes of every block (T.81 section F.2.2): all must be there, and no more.
fn count(stream: &[u8]) -> Result<(), CodecError> {
    let mut reader = Reader::new(stream)?;
    let mut frame: Option<Frame> = None;
    let mut tables: [[Option<Huffman>; 4]; 2] = [const { [const { None }; 4] }; 2];
    let mut restart = 0;
    loop {
        match reader.next()? {
            Segment::Frame(found) => {
                if frame.replace(found).is_some() {
                    return Err(CodecError::Unsupported("several frames in one stream"));
                }
            }
            Segment::Huffman(found) => {
                for (class, place, counts, symbols) in found {
                    tables[usize::from(class)][place] = Some(Huffman::new(&counts, symbols)?);
                }
            }
            Segment::Restart(interval) => restart = usize::from(interval),
            Segment::Scan(scan) => {
                let frame = frame.ok_or(CodecError::Damaged("a scan comes before its frame"))?;
                let table = |class: usize, place: usize| {
                    let table = tables[class].get(place).and_then(Option::as_ref);
                    table.ok_or(CodecError::Damaged("a Huffman table is missing"))
                };
                let (dc, ac) = (table(0, scan.dc_table)?, table(1, scan.ac_table)?);
                // A single component has its blocks one by one (section A.2.2).
                let blocks = usize::from(frame.rows).div_ceil(BLOCK)
                    * usize::from(frame.columns).div_ceil(BLOCK);
                let mut bits = Bits::new(stream, reader.at());
                for block in 0..blocks {
                    if restart > 0 && block > 0 && block % restart == 0 {
                        let mut next = Stream::new(stream, bits.end()?);
                        bits = Bits::new(stream, next.restart_marker(block / restart - 1)?);
                    }
                    count_block(&mut bits, dc, ac)?;
                }
                return Stream::new(stream, bits.end()?).must_end();
            }
            Segment::Other => {}
        }
    }
}

fn count_block(bits: &mut Bits<'_>, dc: &Huffman, ac: &Huffman) -> Result<(), CodecError> {
    // Table F.1: differences of 8-bit images have categories 0 to 11.
    if bits.take(dc)?.0 > 11 {
        return Err(CodecError::Damaged("a code stands for no difference"));
    }
    let mut left = BLOCK * BLOCK - 1;
    while left > 0 {
        // Section F.1.2.2: zeros before a coefficient, and its bits.
        let (symbol, _) = bits.take(ac)?;
        let (zeros, size) = (symbol as usize >> 4, symbol & 15);
        let step = match (zeros, size) {
            (0, 0) => return Ok(()),
            (15, 0) => 16,
            (_, 0) => return Err(CodecError::Damaged("a code stands for no coefficient")),
            _ => zeros + 1,
        };
        left = left
            .checked_sub(step)
            .ok_or(CodecError::Damaged("a block has more coefficients than there are"))?;
    }
    Ok(())
}
