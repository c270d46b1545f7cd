use std::fmt;
use std::sync::Arc;

use dicom_core::Tag;
use dicom_dictionary_std::uids;
use dicom_object::mem::InMemElement;

/// Retired, and so marked deprecated by the dictionary.
const EXPLICIT_VR_BIG_ENDIAN: &str = "1.2.840.10008.1.2.2";

/// The transfer syntaxes that [`crate::write_scan`] and [`crate::write_multi_frame`] write;
/// compressed ones come with [`crate::ScanOptions::with_encoded_frames`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScanSyntax {
    /// Explicit VR Little Endian, 1.2.840.10008.1.2.1.
    ExplicitLittleEndian,
    /// Implicit VR Little Endian, 1.2.840.10008.1.2.
    ImplicitLittleEndian,
    /// Explicit VR Big Endian (retired), 1.2.840.10008.1.2.2.
    ExplicitBigEndian,
    /// Deflated Explicit VR Little Endian, 1.2.840.10008.1.2.1.99.
    Deflated,
    /// Encapsulated Uncompressed Explicit VR Little Endian, 1.2.840.10008.1.2.1.98: each
    /// frame in an item of its own, as it is.
    EncapsulatedUncompressed,
}

impl ScanSyntax {
    /// The Transfer Syntax UID.
    #[must_use]
    pub fn uid(self) -> &'static str {
        match self {
            Self::ExplicitLittleEndian => uids::EXPLICIT_VR_LITTLE_ENDIAN,
            Self::ImplicitLittleEndian => uids::IMPLICIT_VR_LITTLE_ENDIAN,
            Self::ExplicitBigEndian => EXPLICIT_VR_BIG_ENDIAN,
            Self::Deflated => uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN,
            Self::EncapsulatedUncompressed => {
                uids::ENCAPSULATED_UNCOMPRESSED_EXPLICIT_VR_LITTLE_ENDIAN
            }
        }
    }
}

type Encode = Arc<dyn Fn(usize, &[u16], u16, u16) -> Vec<u8> + Send + Sync>;

/// A compressed transfer syntax and what makes its streams.
#[derive(Clone)]
pub(crate) struct FrameEncoder {
    pub(crate) uid: String,
    pub(crate) encode: Encode,
}

/// Where the offset table of encapsulated pixel data is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum OffsetTable {
    /// The Basic Offset Table is there and empty.
    #[default]
    Empty,
    /// The Basic Offset Table is filled.
    Basic,
    /// The Basic Offset Table is empty; Extended Offset Table (7FE0,0001) and Lengths
    /// (7FE0,0002) tell where the frames are.
    Extended,
}

type EditOffsets = Arc<dyn Fn(&mut Vec<u64>) + Send + Sync>;

/// How encapsulated pixel data are cut into items.
///
/// # Source
///
/// DICOM PS3.5 section A.4; PS3.3 section C.7.6.3.1.8 (extended table).
#[derive(Clone)]
pub struct Fragments {
    pub(crate) per_frame: usize,
    pub(crate) table: OffsetTable,
    pub(crate) edit_offsets: Option<EditOffsets>,
    pub(crate) in_one_item: bool,
    pub(crate) empty_item_at_end: bool,
    pub(crate) delimiter: bool,
}

impl fmt::Debug for Fragments {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Fragments")
            .field("per_frame", &self.per_frame)
            .field("table", &self.table)
            .field("edit_offsets", &self.edit_offsets.is_some())
            .field("in_one_item", &self.in_one_item)
            .field("empty_item_at_end", &self.empty_item_at_end)
            .field("delimiter", &self.delimiter)
            .finish()
    }
}

impl Default for Fragments {
    /// One item a frame, an empty table, a sequence delimiter at the end.
    fn default() -> Self {
        Self {
            per_frame: 1,
            table: OffsetTable::Empty,
            edit_offsets: None,
            in_one_item: false,
            empty_item_at_end: false,
            delimiter: true,
        }
    }
}

impl Fragments {
    /// The same with each frame cut into this many items, as equal as even lengths allow;
    /// fewer where a frame is too short.
    #[must_use]
    pub fn with_items_per_frame(mut self, per_frame: usize) -> Self {
        self.per_frame = per_frame.max(1);
        self
    }

    /// The same with another offset table.
    #[must_use]
    pub fn with_table(mut self, table: OffsetTable) -> Self {
        self.table = table;
        self
    }

    /// The same with a change made to the offsets before they are written, to build wrong
    /// tables. An offset counts bytes from the first item after the Basic Offset Table to
    /// the item in which a frame begins.
    #[must_use]
    pub fn with_edited_offsets(
        mut self,
        edit: impl Fn(&mut Vec<u64>) + Send + Sync + 'static,
    ) -> Self {
        self.edit_offsets = Some(Arc::new(edit));
        self
    }

    /// The same with all frames one after another in one item, which the standard does
    /// not allow.
    #[must_use]
    pub fn with_frames_in_one_item(mut self) -> Self {
        self.in_one_item = true;
        self
    }

    /// The same with an item without bytes after the last frame.
    #[must_use]
    pub fn with_empty_item_at_end(mut self) -> Self {
        self.empty_item_at_end = true;
        self
    }

    /// The same without the sequence delimiter (FFFE,E0DD).
    #[must_use]
    pub fn without_delimiter(mut self) -> Self {
        self.delimiter = false;
        self
    }
}

/// The element of an object that is written by hand, if it can be: a plain value of even length.
pub(crate) fn is_plain(element: &InMemElement) -> bool {
    element.value().primitive().is_some_and(|v| v.calculate_byte_len() % 2 == 0)
}

/// Pixel Data (7FE0,0010).
pub(crate) const PIXEL_DATA: Tag = dicom_dictionary_std::tags::PIXEL_DATA;
