//! JPEG-LS (ITU-T T.87), by `pure_jpegls`.

use crate::jpeg::{Reader, Segment, frame_of};
use crate::{CodecError, Decoded, FrameShape, fits, refused};

/// Pad bytes before the end marker beyond which a stream is damaged, not padded.
const MOST_PADS: usize = 4;

pub(crate) fn decode(stream: &[u8], shape: &FrameShape) -> Result<Decoded, CodecError> {
    let frame = frame_of(stream)?;
    if frame.process != 0xF7 {
        return Err(CodecError::NotSuch { expected: "a JPEG-LS stream" });
    }
    let size = (u32::from(frame.rows), u32::from(frame.columns));
    fits(shape, size, frame.components.into(), frame.precision.into())?;
    let mut reader = Reader::new(stream)?;
    // In the place of a predictor stands how far a sample may be off (T.87 section C.2.3).
    let near = loop {
        if let Segment::Scan(scan) = reader.next()? {
            break scan.predictor;
        }
    };
    let end = stream.iter().rposition(|&b| b != 0).map_or(0, |last| last + 1);
    let whole = &stream[..end];
    if !whole.ends_with(&[0xFF, 0xD9]) {
        return Err(CodecError::Truncated);
    }
    let read = |stream: &[u8]| jpegls::decode(stream, size.1, size.0).map(|found| found.0);
    // Some encoders leave a byte of padding before the end marker.
    let body = &whole[..end - 2];
    let pads = body.iter().rev().take_while(|&&b| b == 0 || b == 0xFF).count().min(MOST_PADS);
    let mut samples = read(whole);
    for pads in 1..=pads {
        if samples.is_ok() {
            break;
        }
        let shorter = [&body[..body.len() - pads], &[0xFF, 0xD9]].concat();
        samples = read(&shorter);
    }
    let samples = samples.map_err(|e| refused(&e.to_string()))?;
    Ok(Decoded { samples, lossy: near > 0 })
}
