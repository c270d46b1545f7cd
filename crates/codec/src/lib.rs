//! Compressed frames of DICOM images turned into samples, or refused.
//!
//! [`decode_frame`] holds the stream's own header against what the DICOM header says before
//! anything is decoded, and gives back either every sample of the frame or a [`CodecError`]:
//! a stream that ends early is never filled up with zeros.
//!
//! JPEG Lossless and RLE are decoded here; baseline JPEG by `zune-jpeg`, JPEG-LS by
//! `pure_jpegls`, JPEG 2000 and High-Throughput JPEG 2000 by `openjp2`. All are Rust.
//!
//! # Limits
//!
//! - One component, up to 16 bits.
//! - A flipped bit in JPEG 2000 or RLE can give other samples without an error: neither has a
//!   checksum.

mod jpeg;
mod jpeg2000;
mod jpeg_baseline;
mod jpeg_ls;
mod lossless;
mod rle;

use std::panic::{AssertUnwindSafe, catch_unwind};

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
    /// Whether the compression lost something.
    pub lossy: bool,
}

/// Why a frame cannot be decoded; a clause without file or frame.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum CodecError {
    /// The stream is of another kind.
    #[error("the stream is not {expected}")]
    NotSuch {
        /// What was expected.
        expected: &'static str,
    },
    /// The stream has another size than the header says.
    #[error(
        "the stream has {found_rows} rows of {found_columns}, (0028,0010) Rows and (0028,0011) Columns are {rows} and {columns}"
    )]
    Size {
        /// Rows of the stream.
        found_rows: u32,
        /// Columns of the stream.
        found_columns: u32,
        /// Rows of the header.
        rows: u16,
        /// Columns of the header.
        columns: u16,
    },
    /// The stream has another number of components than one.
    #[error("the stream has {found} components, (0028,0002) SamplesPerPixel is 1")]
    Components {
        /// Components of the stream.
        found: u32,
    },
    /// The stream's precision does not fit the header.
    #[error(
        "the stream has {found} bits, (0028,0101) BitsStored is {stored} and (0028,0100) BitsAllocated is {allocated}"
    )]
    Precision {
        /// Bits of the stream.
        found: u32,
        /// Bits Stored.
        stored: u16,
        /// Bits Allocated.
        allocated: u16,
    },
    /// The stream's samples are signed and the header's are not.
    #[error("the stream is signed, (0028,0103) PixelRepresentation is 0")]
    Signed,
    /// The stream ends before the last sample.
    #[error("the stream ends before the last sample")]
    Truncated,
    /// The stream contradicts itself.
    #[error("the stream is damaged: {0}")]
    Damaged(&'static str),
    /// The stream is of a kind that is not decoded.
    #[error("{0}: not supported")]
    Unsupported(&'static str),
    /// A decoder of another project refuses the stream.
    #[error("the stream does not decode ({reason})")]
    Refused {
        /// What it said, escaped and cut.
        reason: String,
    },
}

/// Decodes one frame.
///
/// The stream's rows, columns, components, bits and sign are held against `shape` first. A
/// stream of up to 8 bits under 16 allocated is widened; one of fewer bits than Bits Stored is
/// refused, as what it left out cannot be known.
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
    let decode = || match codec {
        Codec::Rle => rle::decode(stream, shape),
        Codec::JpegBaseline | Codec::JpegLossless => jpeg_frame(stream, shape),
        Codec::JpegLs => jpeg_ls::decode(stream, shape),
        Codec::Jpeg2000 => jpeg2000::decode(stream, shape),
    };
    let decoded = catch_unwind(AssertUnwindSafe(decode))
        .unwrap_or_else(|_| Err(refused("it stopped the decoder")))?;
    if decoded.samples.len() == shape.samples() { Ok(decoded) } else { Err(CodecError::Truncated) }
}

/// Baseline or lossless, as the stream says: gateways mix the two up.
fn jpeg_frame(stream: &[u8], shape: &FrameShape) -> Result<Decoded, CodecError> {
    let frame = jpeg::frame_of(stream)?;
    fits(
        shape,
        (frame.rows.into(), frame.columns.into()),
        frame.components.into(),
        frame.precision.into(),
    )?;
    match frame.process {
        0xC3 if (2..=16).contains(&frame.precision) => {
            Ok(Decoded { samples: lossless::decode(stream)?, lossy: false })
        }
        0xC0 | 0xC1 if frame.precision == 8 && !shape.signed => jpeg_baseline::decode(stream),
        0xC0 | 0xC1 => {
            Err(CodecError::Unsupported("a lossy JPEG stream that is not 8 bits unsigned"))
        }
        _ => Err(CodecError::Unsupported("a JPEG process that is neither baseline nor lossless")),
    }
}

/// Holds a stream's own header against that of the object.
fn fits(
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
    Ok(())
}

/// What a decoder said, made safe to print.
fn refused(reason: &str) -> CodecError {
    let reason = reason.chars().take(80).flat_map(char::escape_debug).collect();
    CodecError::Refused { reason }
}
