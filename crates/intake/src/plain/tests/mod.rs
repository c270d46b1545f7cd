//! Headers written byte by byte, files of other libraries, and damage.

mod damage;
mod nifti;
mod nrrd;
mod outside;

use super::*;

/// Offsets of fields in a NIfTI-1 header, from the table in nifti1.h.
mod at {
    pub(super) const DB_NAME: usize = 14;
    pub(super) const DIM: usize = 40;
    pub(super) const INTENT_CODE: usize = 68;
    pub(super) const DATATYPE: usize = 70;
    pub(super) const BITPIX: usize = 72;
    pub(super) const PIXDIM: usize = 76;
    pub(super) const VOX_OFFSET: usize = 108;
    pub(super) const SCL_SLOPE: usize = 112;
    pub(super) const XYZT_UNITS: usize = 123;
    pub(super) const DESCRIP: usize = 148;
    pub(super) const QFORM_CODE: usize = 252;
    pub(super) const SFORM_CODE: usize = 254;
    pub(super) const QUATERN: usize = 256;
    pub(super) const QOFFSET: usize = 268;
    pub(super) const SROW: usize = 280;
    pub(super) const MAGIC: usize = 344;
}

/// Bytes of the voxels of the headers below: 4 x 3 x 5 of two bytes.
const VOXELS: u64 = 4 * 3 * 5 * 2;

/// A NIfTI-1 header in the making.
#[derive(Clone)]
struct Nii {
    bytes: Vec<u8>,
    big: bool,
}

impl Nii {
    /// 4 x 3 x 5 INT16 voxels of 0.3 x 0.4 x 0.5 mm, sform and qform along RAS, first voxel at
    /// RAS (10, 20, 30).
    fn new(big: bool) -> Self {
        let nii = Self { bytes: vec![0; 352], big };
        nii.long(0, 348)
            .shorts(at::DIM, &[3, 4, 3, 5, 1, 1, 1, 1])
            .shorts(at::DATATYPE, &[4, 16])
            .floats(at::PIXDIM, &[1.0, 0.3, 0.4, 0.5, 1.0, 1.0, 1.0, 1.0])
            .floats(at::VOX_OFFSET, &[352.0, 1.0, 0.0])
            .raw(at::XYZT_UNITS, &[2])
            .shorts(at::QFORM_CODE, &[1, 1])
            .floats(at::QOFFSET, &[10.0, 20.0, 30.0])
            .floats(at::SROW, &[0.3, 0.0, 0.0, 10.0, 0.0, 0.4, 0.0, 20.0, 0.0, 0.0, 0.5, 30.0])
            .raw(at::MAGIC, b"n+1\0")
    }

    fn raw(mut self, at: usize, bytes: &[u8]) -> Self {
        self.bytes[at..at + bytes.len()].copy_from_slice(bytes);
        self
    }

    fn long(self, at: usize, value: i32) -> Self {
        let bytes = if self.big { value.to_be_bytes() } else { value.to_le_bytes() };
        self.raw(at, &bytes)
    }

    fn shorts(self, at: usize, values: &[i16]) -> Self {
        let big = self.big;
        values.iter().enumerate().fold(self, |nii, (n, v)| {
            nii.raw(at + 2 * n, &if big { v.to_be_bytes() } else { v.to_le_bytes() })
        })
    }

    fn floats(self, at: usize, values: &[f32]) -> Self {
        let big = self.big;
        values.iter().enumerate().fold(self, |nii, (n, v)| {
            nii.raw(at + 4 * n, &if big { v.to_be_bytes() } else { v.to_le_bytes() })
        })
    }

    fn parsed(&self) -> Result<PlainVolume, PlainFault> {
        parse_nifti(&self.bytes, Some(352 + VOXELS))
    }

    fn volume(&self) -> PlainVolume {
        self.parsed().unwrap_or_else(|fault| panic!("{fault}"))
    }

    /// What is said of a header that is refused.
    fn fault(&self) -> String {
        self.parsed().expect_err("refused").to_string()
    }
}

/// An NRRD header of 4 x 3 x 5 voxels; `(field, value)` replaces a line, or adds one, or takes
/// one out where the value is empty.
fn nrrd_text(changes: &[(&str, &str)]) -> String {
    let mut lines = vec![
        ("type", "short"),
        ("dimension", "3"),
        ("space", "left-posterior-superior"),
        ("sizes", "4 3 5"),
        ("space directions", "(0.3,0,0) (0,0.4,0) (0,0,0.5)"),
        ("kinds", "domain domain domain"),
        ("endian", "little"),
        ("encoding", "raw"),
        ("space units", "\"mm\" \"mm\" \"mm\""),
        ("space origin", "(-10,20,30)"),
    ];
    for &(field, value) in changes {
        match lines.iter_mut().find(|l| l.0 == field) {
            Some(line) => line.1 = value,
            None => lines.push((field, value)),
        }
    }
    let lines = lines.iter().filter(|l| !l.1.is_empty());
    let text: String = lines.map(|(field, value)| format!("{field}: {value}\n")).collect();
    format!("NRRD0004\n{text}\n")
}

fn nrrd_parsed(text: &str) -> Result<PlainVolume, PlainFault> {
    parse_nrrd(text.as_bytes(), Some(text.len() as u64 + VOXELS))
}

fn nrrd_volume(changes: &[(&str, &str)]) -> PlainVolume {
    nrrd_parsed(&nrrd_text(changes)).unwrap_or_else(|fault| panic!("{fault}"))
}

fn nrrd_fault(changes: &[(&str, &str)]) -> String {
    nrrd_parsed(&nrrd_text(changes)).expect_err("refused").to_string()
}

/// Whether the map has these rows, within `mm`.
fn assert_rows(affine: &Affine, rows: [[f64; 4]; 3], mm: f64) {
    for (row, wanted) in affine.to_rows().iter().zip(rows) {
        for (found, wanted) in row.iter().zip(wanted) {
            assert!((found - wanted).abs() <= mm, "{:?}, not {rows:?}", affine.to_rows());
        }
    }
}
