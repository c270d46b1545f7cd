//! Why a frame cannot be decoded.

/// Why a frame cannot be decoded; a clause without file or frame.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum CodecError {
    /// The header describes no frame that a codec is for.
    #[error(
        "(0028,0010) Rows {rows}, (0028,0011) Columns {columns}, (0028,0100) BitsAllocated \
         {allocated} and (0028,0101) BitsStored {stored} do not describe a compressed frame"
    )]
    Shape {
        /// Rows of the header.
        rows: u16,
        /// Columns of the header.
        columns: u16,
        /// Bits Allocated.
        allocated: u16,
        /// Bits Stored.
        stored: u16,
    },
    /// The frame has more samples than are decoded.
    #[error("the frame has {found} samples, at most {most} are decoded")]
    TooLarge {
        /// Rows times columns.
        found: usize,
        /// The limit.
        most: usize,
    },
    /// The stream is of another kind.
    #[error("the stream is not {expected}")]
    NotSuch {
        /// What was expected.
        expected: &'static str,
    },
    /// The stream has another size than the header says.
    #[error(
        "the stream has {found_rows} rows and {found_columns} columns, (0028,0010) Rows is {rows} \
         and (0028,0011) Columns is {columns}"
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
        "the stream has {found} bits, (0028,0101) BitsStored is {stored} and (0028,0100) \
         BitsAllocated is {allocated}"
    )]
    Precision {
        /// Bits of the stream.
        found: u32,
        /// Bits Stored.
        stored: u16,
        /// Bits Allocated.
        allocated: u16,
    },
    /// An RLE stream has another number of segments than a sample has bytes.
    #[error("the stream has {found} segments, (0028,0100) BitsAllocated asks for {expected}")]
    Segments {
        /// Segments of the stream.
        found: u32,
        /// Bytes of a sample.
        expected: u16,
    },
    /// The stream and the header do not agree whether samples are signed.
    #[error(
        "the stream is {}signed, (0028,0103) PixelRepresentation is {}",
        if *.stream { "" } else { "un" },
        u8::from(!*.stream)
    )]
    Signed {
        /// Whether the stream is signed.
        stream: bool,
    },
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

/// Length to which a sentence of another project is cut, characters.
const LONGEST_REASON: usize = 80;

/// What a decoder said, made safe to print.
pub(crate) fn refused(reason: &str) -> CodecError {
    let reason = reason.chars().take(LONGEST_REASON).flat_map(char::escape_debug).collect();
    CodecError::Refused { reason }
}
