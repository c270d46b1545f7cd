//! JPEG-LS (ITU-T T.87), by `pure_jpegls`.

use crate::error::refused;
use crate::jpeg::{Frame, Reader, Segment, up_to_end};
use crate::{CodecError, Decoded};

/// The frame header's marker (T.87 section C.2.2).
pub(crate) const PROCESS: u8 = 0xF7;

/// Fill bytes before the end marker beyond which a stream is damaged, not padded.
const MOST_PADS: usize = 4;

/// Decodes a stream whose frame header was checked.
pub(crate) fn decode(stream: &[u8], frame: &Frame) -> Result<Decoded, CodecError> {
    let mut reader = Reader::new(stream)?;
    let scan = loop {
        match reader.next()? {
            Segment::Scan(scan) => break scan,
            Segment::Frame(found) if found != *frame => {
                return Err(CodecError::Unsupported("several frames in one stream"));
            }
            Segment::Restart(1..) => {
                return Err(CodecError::Unsupported("a restart interval of JPEG-LS"));
            }
            _ => {}
        }
    };
    // Samples would be places in a table, or without their low bits (T.87 section C.2.3).
    if (scan.dc_table, scan.ac_table, scan.low) != (0, 0, 0) {
        return Err(CodecError::Unsupported("a mapping table or point transform of JPEG-LS"));
    }
    let whole = up_to_end(stream)?;
    let (columns, rows) = (frame.columns.into(), frame.rows.into());
    let read = |stream: &[u8]| jpegls::decode(stream, columns, rows).map(|found| found.0);
    let mut found = read(whole);
    // Some encoders leave bytes before the end marker: zeros, or fill bytes. The decoder takes
    // none, and a stream can end in a zero of its own, so that one more is left out at a time.
    let body = whole.get(reader.at()..whole.len() - 2).unwrap_or_default();
    let pads = body.iter().rev().take_while(|&&b| b == 0 || b == 0xFF).count().min(MOST_PADS);
    for pads in 1..=pads {
        if !matches!(found, Err(jpegls::CodecError::InvalidData(_))) {
            break;
        }
        found = read(&[&whole[..whole.len() - 2 - pads], &[0xFF, 0xD9]].concat());
    }
    match found {
        Ok(samples) => Ok(Decoded { samples, lossy: scan.start > 0 }),
        Err(jpegls::CodecError::Truncated { .. }) => Err(CodecError::Truncated),
        Err(other) => Err(refused(&other.to_string())),
    }
}
