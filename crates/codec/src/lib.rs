//! Compressed frames of DICOM images turned into samples, or refused.
//!
//! [`decode_frame`] holds the stream's own header against what the DICOM header says before
//! anything is decoded, and gives back either every sample of the frame or a [`CodecError`]:
//! a stream that ends early is never filled up.
//!
//! JPEG Lossless and RLE are decoded here; JPEG with a cosine transform by `zune-jpeg`, JPEG-LS by
//! `pure_jpegls`, JPEG 2000 and High-Throughput JPEG 2000 by `openjp2`. All are Rust.
//!
//! # Limits
//!
//! - One component, up to 16 bits.
//! - A flipped bit in JPEG 2000 or RLE can give other samples without an error, and in JPEG where
//!   the codes still add up: none has a checksum.
//! - A reversible JPEG 2000 stream from which an encoder left out quality layers cannot be told
//!   from a lossless one.
//! - Bits above Bits Stored are not looked at: the caller masks them, as in native frames.
//! - A panic inside a decoder becomes an error, but the process's panic hook still sees it.
//! - `openjp2` is C turned into Rust, with unsafe code: its bounds are its own, not the compiler's.

mod bits;
mod codestream;
mod error;
mod jpeg;
mod jpeg2000;
mod jpeg_baseline;
mod jpeg_ls;
mod lossless;
mod rle;

use std::panic::{AssertUnwindSafe, catch_unwind};

pub use error::CodecError;
use error::refused;

/// The largest frame that is decoded, samples: 8192 x 8192, more than any detector has.
const MOST_SAMPLES: usize = 1 << 26;

/// JPEG-LS and JPEG 2000 write a flat frame in next to nothing. Up to 2048 x 2048 samples that is
/// believed; beyond it a byte of the stream can stand for 4096 samples at most, so that a short
/// stream cannot ask for hundreds of megabytes.
const BELIEVED_SAMPLES: usize = 1 << 22;
const SAMPLES_PER_BYTE: usize = 4096;

/// What the header of the object says of every frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FrameShape {
    /// Rows (0028,0010).
    pub rows: u16,
    /// Columns (0028,0011).
    pub columns: u16,
    /// Bits Allocated (0028,0100), 8 or 16.
    pub bits_allocated: u16,
    /// Bits Stored (0028,0101).
    pub bits_stored: u16,
    /// Whether Pixel Representation (0028,0103) is 1.
    pub signed: bool,
}

impl FrameShape {
    /// Samples of a frame.
    #[must_use]
    pub fn samples(&self) -> usize {
        usize::from(self.rows) * usize::from(self.columns)
    }

    fn check(&self) -> Result<(), CodecError> {
        let bits = matches!(self.bits_allocated, 8 | 16)
            && (1..=self.bits_allocated).contains(&self.bits_stored);
        if !bits || self.samples() == 0 {
            return Err(CodecError::Shape {
                rows: self.rows,
                columns: self.columns,
                allocated: self.bits_allocated,
                stored: self.bits_stored,
            });
        }
        if self.samples() > MOST_SAMPLES {
            return Err(CodecError::TooLarge { found: self.samples(), most: MOST_SAMPLES });
        }
        Ok(())
    }

    /// Refuses a stream that is too short for the frame, whatever it holds.
    fn check_length(&self, stream: &[u8], samples_per_byte: usize) -> Result<(), CodecError> {
        if stream.len().saturating_mul(samples_per_byte) < self.samples() {
            return Err(CodecError::Truncated);
        }
        Ok(())
    }
}

/// A way of compression.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Codec {
    /// RLE Lossless (DICOM PS3.5 annex G).
    Rle,
    /// JPEG baseline, 8 bits (ITU-T T.81 process 1).
    JpegBaseline,
    /// JPEG Lossless (ITU-T T.81 process 14).
    JpegLossless,
    /// JPEG-LS (ITU-T T.87).
    JpegLs,
    /// JPEG 2000 and High-Throughput JPEG 2000 (ITU-T T.800, T.814).
    Jpeg2000,
}

impl Codec {
    /// The codec of a Transfer Syntax UID (DICOM PS3.6 table A-1), `None` where there is none.
    #[must_use]
    pub fn of_transfer_syntax(uid: &str) -> Option<Self> {
        Some(match uid {
            "1.2.840.10008.1.2.5" => Self::Rle,
            "1.2.840.10008.1.2.4.50" => Self::JpegBaseline,
            "1.2.840.10008.1.2.4.57" | "1.2.840.10008.1.2.4.70" => Self::JpegLossless,
            "1.2.840.10008.1.2.4.80" | "1.2.840.10008.1.2.4.81" => Self::JpegLs,
            "1.2.840.10008.1.2.4.90"
            | "1.2.840.10008.1.2.4.91"
            | "1.2.840.10008.1.2.4.201"
            | "1.2.840.10008.1.2.4.202"
            | "1.2.840.10008.1.2.4.203" => Self::Jpeg2000,
            _ => return None,
        })
    }
}

/// A decoded frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decoded {
    /// Samples row by row, the stored bits lowest; what stands above them is undefined. A
    /// negative sample is in two's complement of the bits stored or more.
    pub samples: Vec<u16>,
    /// Whether the compression may have lost something: a cosine transform, an irreversible
    /// wavelet, near-lossless coding, or low bits left out.
    pub lossy: bool,
}

/// Decodes one frame.
///
/// The stream's rows, columns, components, bits and sign are held against `shape` first. A
/// stream of up to 8 bits under 16 allocated is widened; one of fewer bits than Bits Stored is
/// refused, as what it left out cannot be known. A baseline stream under the name of JPEG
/// Lossless is decoded, and so is the reverse; [`Decoded::lossy`] tells them apart.
///
/// # Errors
///
/// [`CodecError`]; never a partly decoded frame.
///
/// # Examples
///
/// ```
/// use jawgauge_codec::{Codec, FrameShape, decode_frame};
/// let shape = FrameShape { rows: 1, columns: 3, bits_allocated: 8, bits_stored: 8, signed: false };
/// // DICOM PS3.5 section G.5: one segment, offset 64; a run of three sevens.
/// let mut stream = vec![0; 64];
/// (stream[0], stream[4]) = (1, 64);
/// stream.extend([254, 7]);
/// let frame = decode_frame(Codec::Rle, &stream, &shape)?;
/// assert_eq!(frame.samples, [7, 7, 7]);
/// # Ok::<(), jawgauge_codec::CodecError>(())
/// ```
pub fn decode_frame(
    codec: Codec,
    stream: &[u8],
    shape: &FrameShape,
) -> Result<Decoded, CodecError> {
    shape.check()?;
    let decode = || match codec {
        Codec::Rle => {
            shape.check_length(stream, rle::SAMPLES_PER_BYTE)?;
            rle::decode(stream, shape)
        }
        Codec::JpegBaseline | Codec::JpegLossless => jpeg_frame(stream, shape),
        Codec::JpegLs => jpeg_ls_frame(stream, shape),
        Codec::Jpeg2000 => jpeg2000::decode(stream, shape),
    };
    let decoded = catch_unwind(AssertUnwindSafe(decode))
        .unwrap_or_else(|_| Err(refused("it stopped the decoder")))?;
    if decoded.samples.len() == shape.samples() {
        Ok(decoded)
    } else {
        Err(CodecError::Damaged("it decodes to another size than it says"))
    }
}

/// Baseline or lossless, as the stream says: gateways mix the two up.
fn jpeg_frame(stream: &[u8], shape: &FrameShape) -> Result<Decoded, CodecError> {
    let frame = checked_frame(stream, shape)?;
    match frame.process {
        0xC3 if (2..=16).contains(&frame.precision) => {
            shape.check_length(stream, lossless::SAMPLES_PER_BYTE)?;
            let (samples, lossy) = lossless::decode(stream)?;
            Ok(Decoded { samples, lossy })
        }
        0xC3 => Err(CodecError::Damaged("its precision is out of range")),
        0xC0 | 0xC1 if frame.precision == 8 && !shape.signed => {
            jpeg_baseline::decode(stream, &frame)
        }
        0xC0 | 0xC1 => {
            Err(CodecError::Unsupported("a lossy JPEG stream that is not 8 bits unsigned"))
        }
        0xC2 => Err(CodecError::Unsupported("a progressive JPEG stream")),
        jpeg_ls::PROCESS => Err(CodecError::Unsupported("a JPEG-LS stream under the name of JPEG")),
        _ => Err(CodecError::Unsupported("a JPEG process that is neither baseline nor lossless")),
    }
}

fn jpeg_ls_frame(stream: &[u8], shape: &FrameShape) -> Result<Decoded, CodecError> {
    let frame = checked_frame(stream, shape)?;
    if frame.process != jpeg_ls::PROCESS {
        return Err(CodecError::NotSuch { expected: "a JPEG-LS stream" });
    }
    jpeg_ls::decode(stream, &frame)
}

fn checked_frame(stream: &[u8], shape: &FrameShape) -> Result<jpeg::Frame, CodecError> {
    let frame = jpeg::frame_of(stream)?;
    let size = (frame.rows.into(), frame.columns.into());
    fits(stream, shape, size, frame.components.into(), frame.precision.into())?;
    Ok(frame)
}

/// Holds a stream's own header against that of the object.
fn fits(
    stream: &[u8],
    shape: &FrameShape,
    (rows, columns): (u32, u32),
    components: u32,
    bits: u32,
) -> Result<(), CodecError> {
    if (rows, columns) != (shape.rows.into(), shape.columns.into()) {
        return Err(CodecError::Size {
            found_rows: rows,
            found_columns: columns,
            rows: shape.rows,
            columns: shape.columns,
        });
    }
    if components != 1 {
        return Err(CodecError::Components { found: components });
    }
    if bits < shape.bits_stored.into() || bits > shape.bits_allocated.into() {
        return Err(CodecError::Precision {
            found: bits,
            stored: shape.bits_stored,
            allocated: shape.bits_allocated,
        });
    }
    if shape.samples() > BELIEVED_SAMPLES {
        shape.check_length(stream, SAMPLES_PER_BYTE)
    } else {
        Ok(())
    }
}
