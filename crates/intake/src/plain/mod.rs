//! Headers of volumes that come as one array: NIfTI-1 and NRRD.
//!
//! Bytes in, a [`PlainVolume`] or a [`PlainFault`] out; nothing is opened or decompressed
//! here. Both formats say where voxels lie by their centres, as we do; the patient axes they
//! use are turned into LPS.
//!
//! # Limits
//!
//! - One grey value a voxel, three dimensions, voxels raw or packed by gzip.
//! - The files have no place for a modality, a patient position or a padding value: what the
//!   numbers mean, and whether left and right were exchanged on the way, cannot be seen.
//! - An index system of either hand is taken as it is.
//! - Free text is never kept: it may hold a patient's name.

mod fault;
mod grid;
mod nifti;
mod nrrd;
mod nrrd_fields;
mod open;
#[cfg(test)]
mod tests;

use std::io::{self, BufRead};

use jawgauge_space::Affine;
use jawgauge_volume::Rescale;

pub(crate) use fault::{PlainFault, PlainNote};
pub(crate) use nifti::parse_nifti;
pub(crate) use nrrd::parse_nrrd;
pub(crate) use open::open_plain;

/// As many bytes of a file are enough for a parser: the longest header that is read.
pub(crate) const HEAD_BYTES: usize = 65_536;

/// Most voxels each way, as many as a DICOM image can have.
const MOST_VOXELS: u64 = 65_535;

/// The formats of plain volumes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum PlainKind {
    /// NIfTI-1, or a relative of it that is refused by name.
    Nifti,
    /// NRRD, attached or detached.
    Nrrd,
}

/// The format of a file by its first bytes (decompressed); 348 are enough.
pub(crate) fn recognise(head: &[u8]) -> Option<PlainKind> {
    if head.starts_with(b"NRRD") {
        Some(PlainKind::Nrrd)
    } else if nifti::looks_like_nifti(head) {
        Some(PlainKind::Nifti)
    } else {
        None
    }
}

/// How a voxel is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum VoxelCode {
    U8,
    I8,
    U16,
    I16,
    U32,
    I32,
    F32,
    F64,
}

impl VoxelCode {
    /// Bytes of a voxel.
    pub(crate) fn bytes(self) -> u64 {
        match self {
            Self::U8 | Self::I8 => 1,
            Self::U16 | Self::I16 => 2,
            Self::U32 | Self::I32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }
}

/// Which file holds the voxels.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum DataPlace {
    /// The one with the header.
    SameFile,
    /// One beside it, of this name: no folder, no drive, no control character.
    Beside(String),
}

/// Where in their file the voxels begin.
///
/// From `at`, so many lines are skipped ([`skip_lines`]); what follows is decompressed if it
/// is gzip; of that, so many bytes are skipped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct DataStart {
    /// Offset in the file: the end of an attached header, 0 in a file of their own.
    pub(crate) at: u64,
    /// Lines to skip from there.
    pub(crate) lines: u64,
    /// Bytes to skip then; `None`: the voxels are the last bytes of the file (never gzip).
    pub(crate) bytes: Option<u64>,
}

/// A volume as its header describes it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PlainVolume {
    /// Voxels along i, j, k; i runs fastest in the file.
    pub(crate) dims: [usize; 3],
    /// Voxel index (voxel centres) to LPS millimetres; of either hand.
    pub(crate) affine: Affine,
    /// How a voxel is stored.
    pub(crate) code: VoxelCode,
    /// Whether voxels are stored high byte first.
    pub(crate) big_endian: bool,
    /// Grey value from stored value; the slope is above 0.
    pub(crate) rescale: Rescale,
    /// Bytes of all voxels, decompressed.
    pub(crate) voxel_bytes: u64,
    /// Which file holds the voxels.
    pub(crate) place: DataPlace,
    /// Where they begin there.
    pub(crate) start: DataStart,
    /// Whether the header calls them packed by gzip (a packed `.nii.gz` is no matter of the header).
    pub(crate) gzip: bool,
    /// Whether the header has free text, which may name a patient.
    pub(crate) texts_present: bool,
    /// What deserves a word.
    pub(crate) notes: Vec<PlainNote>,
}

impl PlainVolume {
    /// Holds the bytes at hand against those the header asks for: `found` are those that follow
    /// `start.at` and the skipped lines, decompressed.
    ///
    /// Surplus of less than a slice gives a note, a slice or more a fault. Parsers do this
    /// themselves where they are told the length and it is the voxels' own.
    pub(crate) fn judge_length(&self, found: u64) -> Result<Option<PlainNote>, PlainFault> {
        let needed = self.start.bytes.unwrap_or(0).saturating_add(self.voxel_bytes);
        let Some(surplus) = found.checked_sub(needed) else {
            return Err(PlainFault::TooShort { needed, found });
        };
        // From the end, what comes before the voxels is not looked at.
        if surplus == 0 || self.start.bytes.is_none() {
            return Ok(None);
        }
        let slice = self.voxel_bytes / self.dims[2] as u64;
        if surplus >= slice {
            return Err(PlainFault::TooLong { needed, found, slice });
        }
        Ok(Some(PlainNote::SurplusBytes { surplus }))
    }
}

/// Reads past `lines` lines and says how many bytes they were, `None` where there are fewer lines.
pub(crate) fn skip_lines(source: &mut impl BufRead, lines: u64) -> io::Result<Option<u64>> {
    let mut bytes = 0;
    for _ in 0..lines {
        // Never gathered in memory: a line may be as long as the file.
        let mut ended = false;
        while !ended {
            let chunk = source.fill_buf()?;
            if chunk.is_empty() {
                return Ok(None);
            }
            let end = chunk.iter().position(|&b| b == b'\n');
            let used = end.map_or(chunk.len(), |at| at + 1);
            ended = end.is_some();
            source.consume(used);
            bytes += used as u64;
        }
    }
    Ok(Some(bytes))
}
