//! RLE Lossless (DICOM PS3.5 annex G).

use crate::{CodecError, Decoded, FrameShape};

/// Bytes of the header: the number of segments and 15 offsets (section G.5).
const HEADER: usize = 64;

pub(crate) fn decode(stream: &[u8], shape: &FrameShape) -> Result<Decoded, CodecError> {
    let head = stream.get(..HEADER).ok_or(CodecError::Truncated)?;
    let mut numbers = head.as_chunks::<4>().0.iter().map(|b| u32::from_le_bytes(*b));
    let count = numbers.next().unwrap_or(0);
    // Section G.2: a segment for each byte of a sample, the highest first.
    let expected = usize::from(shape.bits_allocated / 8);
    if usize::try_from(count) != Ok(expected) {
        return Err(CodecError::Damaged("it has another number of segments than bytes allocated"));
    }
    let offsets: Vec<usize> =
        numbers.take(expected).map(|n| usize::try_from(n).unwrap_or(usize::MAX)).collect();
    let rising = offsets.windows(2).all(|w| w[0] < w[1]);
    if offsets.first() != Some(&HEADER) || !rising {
        return Err(CodecError::Damaged("the offsets of its segments make no sense"));
    }
    let mut samples = vec![0_u16; shape.samples()];
    for (n, &start) in offsets.iter().enumerate() {
        let end = offsets.get(n + 1).copied().unwrap_or(stream.len());
        let segment = stream.get(start..end).ok_or(CodecError::Truncated)?;
        let shift = 8 * (expected - 1 - n);
        unpack(segment, &mut samples, shift)?;
    }
    Ok(Decoded { samples, lossy: false })
}

/// Unpacks a segment (section G.3.2) into one byte of each sample.
fn unpack(mut packed: &[u8], samples: &mut [u16], shift: usize) -> Result<(), CodecError> {
    let mut left = samples;
    while !left.is_empty() {
        let Some((&control, rest)) = packed.split_first() else {
            return Err(CodecError::Truncated);
        };
        packed = rest;
        let control = usize::from(control);
        let run = match control {
            0..=127 => control + 1,
            128 => continue,
            _ => 257 - control,
        };
        if run > left.len() {
            return Err(CodecError::Damaged("a segment holds more than the image has samples"));
        }
        let (here, after) = left.split_at_mut(run);
        left = after;
        if control <= 127 {
            let bytes = packed.get(..run).ok_or(CodecError::Truncated)?;
            here.iter_mut().zip(bytes).for_each(|(s, &b)| *s |= u16::from(b) << shift);
            packed = &packed[run..];
        } else {
            let &byte = packed.first().ok_or(CodecError::Truncated)?;
            here.iter_mut().for_each(|s| *s |= u16::from(byte) << shift);
            packed = &packed[1..];
        }
    }
    // A segment is padded to even length; some writers close with control bytes that do nothing.
    if packed.len() > 1 && packed.iter().any(|&b| b != 128 && b != 0) {
        return Err(CodecError::Damaged("a segment holds more than the image has samples"));
    }
    Ok(())
}
