//! RLE Lossless (DICOM PS3.5 annex G).

use crate::{CodecError, Decoded, FrameShape};

/// Bytes of the header: the number of segments and 15 offsets (section G.5).
const HEADER: usize = 64;

/// Samples that a byte can hold at most: 2 bytes stand for a run of up to 128 (section G.3.1).
pub(crate) const SAMPLES_PER_BYTE: usize = 64;

/// The byte that stands for nothing.
const NOTHING: u8 = 128;

pub(crate) fn decode(stream: &[u8], shape: &FrameShape) -> Result<Decoded, CodecError> {
    let head = stream.get(..HEADER).ok_or(CodecError::Truncated)?;
    let mut numbers = head.as_chunks::<4>().0.iter().map(|b| u32::from_le_bytes(*b));
    // Section G.2: a segment for each byte of a sample, the highest first.
    let expected = shape.bits_allocated / 8;
    let found = numbers.next().unwrap_or(0);
    if found != u32::from(expected) {
        return Err(CodecError::Segments { found, expected });
    }
    let expected = usize::from(expected);
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
        unpack(segment, &mut samples, 8 * (expected - 1 - n))?;
    }
    Ok(Decoded { samples, lossy: false })
}

/// Unpacks a segment (section G.3.2) into one byte of each sample.
fn unpack(mut packed: &[u8], samples: &mut [u16], shift: usize) -> Result<(), CodecError> {
    let more = CodecError::Damaged("a segment holds more than the frame has samples");
    let mut left = samples;
    while !left.is_empty() {
        let (&control, rest) = packed.split_first().ok_or(CodecError::Truncated)?;
        packed = rest;
        if control == NOTHING {
            continue;
        }
        let literal = control < NOTHING;
        let run = if literal { usize::from(control) + 1 } else { 257 - usize::from(control) };
        if run > left.len() {
            return Err(more);
        }
        let (here, after) = left.split_at_mut(run);
        left = after;
        let (bytes, rest) =
            packed.split_at_checked(if literal { run } else { 1 }).ok_or(CodecError::Truncated)?;
        packed = rest;
        if literal {
            here.iter_mut().zip(bytes).for_each(|(s, &b)| *s |= u16::from(b) << shift);
        } else {
            let byte = u16::from(bytes[0]) << shift;
            here.iter_mut().for_each(|s| *s |= byte);
        }
    }
    // Segments are padded to an even length, with a zero as a rule; some writers close with
    // bytes that stand for nothing.
    let behind = packed.iter().filter(|&&b| b != NOTHING).count();
    if behind > 1 { Err(more) } else { Ok(()) }
}
