use std::fmt;
use std::sync::Arc;

use dicom_object::InMemDicomObject;

use crate::syntax::FrameEncoder;
use crate::{Fragments, FunctionalGroups, ScanSyntax};

type NameOfSlice = Arc<dyn Fn(usize) -> String + Send + Sync>;
type EditSlice = Arc<dyn Fn(usize, &mut InMemDicomObject) + Send + Sync>;

/// How [`crate::write_scan`] and [`crate::write_multi_frame`] write a volume.
#[derive(Clone)]
pub struct ScanOptions {
    pub(crate) syntax: ScanSyntax,
    pub(crate) uid_root: u128,
    pub(crate) series_uid: Option<String>,
    pub(crate) frame_of_reference_uid: Option<String>,
    pub(crate) bits_stored: u16,
    pub(crate) file_name: NameOfSlice,
    pub(crate) edit: Option<EditSlice>,
    pub(crate) encoder: Option<FrameEncoder>,
    pub(crate) fragments: Fragments,
    pub(crate) pixels_as_bytes: bool,
    pub(crate) groups: FunctionalGroups,
    pub(crate) frame_order: Option<Vec<usize>>,
}

impl fmt::Debug for ScanOptions {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ScanOptions")
            .field("syntax", &self.syntax)
            .field("uid_root", &self.uid_root)
            .field("series_uid", &self.series_uid)
            .field("frame_of_reference_uid", &self.frame_of_reference_uid)
            .field("bits_stored", &self.bits_stored)
            .field("edit", &self.edit.is_some())
            .field("encoder", &self.encoder.as_ref().map(|e| &e.uid))
            .field("fragments", &self.fragments)
            .field("pixels_as_bytes", &self.pixels_as_bytes)
            .field("groups", &self.groups)
            .field("frame_order", &self.frame_order)
            .finish_non_exhaustive()
    }
}

impl Default for ScanOptions {
    /// Explicit VR Little Endian, 16 bits stored, files `slice0000.dcm` and so on.
    fn default() -> Self {
        Self {
            syntax: ScanSyntax::ExplicitLittleEndian,
            uid_root: 0x7b3d_51c0_9e24_4f1a_8c66_20d7_5a94_e000,
            series_uid: None,
            frame_of_reference_uid: None,
            bits_stored: 16,
            file_name: Arc::new(|k| format!("slice{k:04}.dcm")),
            edit: None,
            encoder: None,
            fragments: Fragments::default(),
            pixels_as_bytes: false,
            groups: FunctionalGroups::default(),
            frame_order: None,
        }
    }
}

impl ScanOptions {
    /// The same with another transfer syntax.
    #[must_use]
    pub fn with_syntax(mut self, syntax: ScanSyntax) -> Self {
        self.syntax = syntax;
        self
    }

    /// The same with all identifiers counted from another number. Two scans need roots
    /// that differ by more than their slices, or their files claim to be the same.
    #[must_use]
    pub fn with_uid_root(mut self, uid_root: u128) -> Self {
        self.uid_root = uid_root;
        self
    }

    /// The same with this Series Instance UID.
    #[must_use]
    pub fn with_series_uid(mut self, uid: impl Into<String>) -> Self {
        self.series_uid = Some(uid.into());
        self
    }

    /// The same with this Frame of Reference UID.
    #[must_use]
    pub fn with_frame_of_reference_uid(mut self, uid: impl Into<String>) -> Self {
        self.frame_of_reference_uid = Some(uid.into());
        self
    }

    /// The same with this Bits Stored; High Bit is one less. The voxels are written as
    /// they are, whatever the bits above it.
    #[must_use]
    pub fn with_bits_stored(mut self, bits_stored: u16) -> Self {
        self.bits_stored = bits_stored;
        self
    }

    /// The same with files named by slice number; a name may hold folders.
    #[must_use]
    pub fn with_file_name(
        mut self,
        file_name: impl Fn(usize) -> String + Send + Sync + 'static,
    ) -> Self {
        self.file_name = Arc::new(file_name);
        self
    }

    /// The same with a change made to each object just before it is written, to build
    /// scans with faults. It gets the slice number (0 for a multi-frame object) and the
    /// whole data set, with the pixel data not yet encoded.
    #[must_use]
    pub fn with_edit(
        mut self,
        edit: impl Fn(usize, &mut InMemDicomObject) + Send + Sync + 'static,
    ) -> Self {
        self.edit = Some(Arc::new(edit));
        self
    }

    /// The same with every frame compressed: the stream that `encode` gives for a frame
    /// becomes encapsulated pixel data under the transfer syntax `uid`.
    ///
    /// `encode` gets the number of the slice (of the frame in a multi-frame object), its
    /// stored values row by row, its rows and its columns; frames run in parallel.
    #[must_use]
    pub fn with_encoded_frames(
        mut self,
        uid: impl Into<String>,
        encode: impl Fn(usize, &[u16], u16, u16) -> Vec<u8> + Send + Sync + 'static,
    ) -> Self {
        self.encoder = Some(FrameEncoder { uid: uid.into(), encode: Arc::new(encode) });
        self
    }

    /// The same with encapsulated pixel data cut into items in another way.
    #[must_use]
    pub fn with_fragments(mut self, fragments: Fragments) -> Self {
        self.fragments = fragments;
        self
    }

    /// The same with native pixel data called bytes (OB) and written low byte first
    /// whatever the transfer syntax: a fault of 16-bit images.
    #[must_use]
    pub fn with_pixels_as_bytes(mut self) -> Self {
        self.pixels_as_bytes = true;
        self
    }

    /// The same with other functional groups; only for multi-frame objects that have them.
    #[must_use]
    pub fn with_functional_groups(mut self, groups: FunctionalGroups) -> Self {
        self.groups = groups;
        self
    }

    /// The same with the frames of a multi-frame object in another order: frame `f` holds
    /// slice `order[f]`. Every slice that is not absent must be named once.
    #[must_use]
    pub fn with_frame_order(mut self, order: Vec<usize>) -> Self {
        self.frame_order = Some(order);
        self
    }
}
