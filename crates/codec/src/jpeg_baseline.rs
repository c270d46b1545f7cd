//! Baseline JPEG (ITU-T T.81 process 1), by `zune-jpeg`.

use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;

use crate::{CodecError, Decoded, refused};

/// Decodes a stream whose header was checked. In its strict mode the decoder refuses
/// streams that end early.
pub(crate) fn decode(stream: &[u8]) -> Result<Decoded, CodecError> {
    // What stands behind the end marker is padding, and it must be there.
    let end = stream.iter().rposition(|&b| b != 0).map_or(0, |last| last + 1);
    let stream = &stream[..end];
    if !stream.ends_with(&[0xFF, 0xD9]) {
        return Err(CodecError::Truncated);
    }
    let options =
        DecoderOptions::default().set_strict_mode(true).jpeg_set_out_colorspace(ColorSpace::Luma);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(stream), options);
    let bytes = decoder.decode().map_err(|e| refused(&format!("{e:?}")))?;
    Ok(Decoded { samples: bytes.into_iter().map(u16::from).collect(), lossy: true })
}
