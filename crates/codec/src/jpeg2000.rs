//! JPEG 2000 and High-Throughput JPEG 2000 (ITU-T T.800, T.814), by `openjp2`.

use jpeg2k::{DecodeParameters, Image};

use crate::{CodecError, Decoded, FrameShape, fits, refused};

/// The sizes in a codestream's SIZ segment (T.800 section A.5.1).
struct Siz {
    rows: u32,
    columns: u32,
    components: u32,
    bits: u32,
    signed: bool,
    reversible: bool,
}

pub(crate) fn decode(stream: &[u8], shape: &FrameShape) -> Result<Decoded, CodecError> {
    let siz = siz(stream)?;
    fits(shape, (siz.rows, siz.columns), siz.components, siz.bits)?;
    // An unsigned stream of a signed image holds the bits of its two's complement: that is how
    // encoders write it that do not know of the sign. It then needs all bits stored, no more.
    if siz.signed && !shape.signed {
        return Err(CodecError::Signed);
    }
    if !siz.signed && shape.signed && siz.bits != u32::from(shape.bits_stored) {
        return Err(CodecError::Precision {
            found: siz.bits,
            stored: shape.bits_stored,
            allocated: shape.bits_allocated,
        });
    }
    let end = stream.iter().rposition(|&b| b != 0).map_or(0, |last| last + 1);
    if !stream[..end].ends_with(&[0xFF, 0xD9]) {
        return Err(CodecError::Truncated);
    }
    let options = DecodeParameters::new().strict(true);
    let image =
        Image::from_bytes_with(&stream[..end], options).map_err(|e| refused(&e.to_string()))?;
    let [component] = image.components() else {
        return Err(CodecError::Components { found: image.num_components() });
    };
    // Within 16 bits by the header; two's complement keeps the low ones.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let samples = component.data().iter().map(|&v| v as u16).collect();
    Ok(Decoded { samples, lossy: !siz.reversible })
}

/// Reads the main header as far as needed.
fn siz(stream: &[u8]) -> Result<Siz, CodecError> {
    let no = CodecError::NotSuch { expected: "a JPEG 2000 codestream" };
    if !stream.starts_with(&[0xFF, 0x4F, 0xFF, 0x51]) {
        return Err(no);
    }
    let long = |at: usize| {
        let bytes = stream.get(at..at + 4).and_then(|b| b.first_chunk::<4>());
        bytes.map(|b| u32::from_be_bytes(*b)).ok_or(CodecError::Truncated)
    };
    let short = |at: usize| {
        let bytes = stream.get(at..at + 2).and_then(|b| b.first_chunk::<2>());
        bytes.map(|b| u32::from(u16::from_be_bytes(*b))).ok_or(CodecError::Truncated)
    };
    let (right, bottom, left, top) = (long(8)?, long(12)?, long(16)?, long(20)?);
    let (tile_columns, tile_rows) = (long(24)?, long(28)?);
    let depth = *stream.get(42).ok_or(CodecError::Truncated)?;
    let steps = stream.get(43..45).ok_or(CodecError::Truncated)?;
    if steps != [1, 1] {
        return Err(CodecError::Unsupported("a JPEG 2000 image of reduced size"));
    }
    let (columns, rows) = (right.saturating_sub(left), bottom.saturating_sub(top));
    // No more tiles than a picture of 64 x 64 samples each has: every tile costs memory.
    let tiles = |size: u32, tile: u32| if tile == 0 { u32::MAX } else { size.div_ceil(tile) };
    let count = tiles(columns, tile_columns).checked_mul(tiles(rows, tile_rows));
    if count.is_none_or(|n| n > 65_535 || u64::from(n) > u64::from(columns) * u64::from(rows)) {
        return Err(CodecError::Damaged("it has too many tiles"));
    }
    // On to the coding style (T.800 section A.6.1): the last byte names the wavelet.
    let mut at = 4 + short(4)? as usize;
    let reversible = loop {
        let (marker, length) = (short(at)?, short(at + 2)? as usize);
        match marker {
            0xFF52 => break *stream.get(at + 2 + 11).ok_or(CodecError::Truncated)? == 1,
            0xFF90 | 0xFF93 => return Err(CodecError::Damaged("it has no coding style")),
            _ if length < 2 => return Err(CodecError::Damaged("a segment has no length")),
            _ => at += 2 + length,
        }
    };
    Ok(Siz {
        rows,
        columns,
        components: short(40)?,
        bits: u32::from(depth & 0x7F) + 1,
        signed: depth & 0x80 != 0,
        reversible,
    })
}
