//! JPEG 2000 and High-Throughput JPEG 2000 (ITU-T T.800, T.814), by `openjp2`.

use jpeg2k::{DecodeParameters, Image};

use crate::codestream::{Checked, check, picture_of};
use crate::error::refused;
use crate::jpeg::up_to_end;
use crate::{CodecError, Decoded, FrameShape, fits};

/// Decodes a codestream; its header is held against the shape first.
///
/// A codestream says itself whether its samples are signed (T.800 table A.11), and so does Pixel
/// Representation. Where both agree there is nothing to decide. An unsigned stream of a signed
/// image with as many bits as are stored is taken bit for bit: the encoder was given the words as
/// they stood, and reversible coding gives back the same words, whatever they mean. With more
/// bits than are stored the place of the sign would be a guess, and a lossy stream has no words
/// to give back. In the other direction a negative sample would have no meaning: refused.
pub(crate) fn decode(stream: &[u8], shape: &FrameShape) -> Result<Decoded, CodecError> {
    let picture = picture_of(stream)?;
    fits(stream, shape, (picture.rows, picture.columns), picture.components, picture.bits)?;
    if picture.signed && !shape.signed {
        return Err(CodecError::Signed { stream: true });
    }
    // The end marker is the same as that of other JPEG streams (table A.2).
    let stream = up_to_end(stream)?;
    let Checked { reversible, halvings, ended } = check(stream)?;
    let as_words = picture.bits == u32::from(shape.bits_stored) && reversible;
    if !picture.signed && shape.signed && !as_words {
        return Err(CodecError::Signed { stream: false });
    }
    // Strict decoding finds a packet that is cut, and the ended stream one that is missing. For the
    // latter all packet headers are read, but only the lowest resolution is decoded.
    let options = DecodeParameters::new().strict(true);
    let decode = |stream: &[u8], options| {
        Image::from_bytes_with(stream, options).map_err(|e| refused(&e.to_string()))
    };
    decode(&ended, options.clone().reduce(halvings.into()))?;
    let image = decode(stream, options)?;
    let [component] = image.components() else {
        return Err(CodecError::Components { found: image.num_components() });
    };
    if (component.height(), component.width()) != (picture.rows, picture.columns) {
        return Err(CodecError::Damaged("it decodes to another size than it says"));
    }
    let mask = if shape.bits_allocated == 8 { 0xFF } else { 0xFFFF };
    // Two's complement within the bits allocated keeps the low ones.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let samples = component.data().iter().map(|&v| (v & mask) as u16).collect();
    Ok(Decoded { samples, lossy: !reversible })
}
