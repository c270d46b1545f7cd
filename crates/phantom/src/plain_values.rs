//! Voxels as the values of a plain file: NIfTI, NRRD.

use jawgauge_volume::{Rescale, StoredVoxels, Volume};
use ndarray::Axis;
use rayon::prelude::*;

use crate::PhantomError;
use crate::plane::whole;

/// Types of voxels of plain files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ValueType {
    /// Unsigned, 8 bits.
    U8,
    /// Signed, 8 bits.
    I8,
    /// Unsigned, 16 bits.
    U16,
    /// Signed, 16 bits.
    I16,
    /// Unsigned, 32 bits.
    U32,
    /// Signed, 32 bits.
    I32,
    /// Floating point, 32 bits.
    F32,
    /// Floating point, 64 bits.
    F64,
}

impl ValueType {
    pub(crate) fn bits(self) -> u8 {
        match self {
            Self::U8 | Self::I8 => 8,
            Self::U16 | Self::I16 => 16,
            Self::U32 | Self::I32 | Self::F32 => 32,
            Self::F64 => 64,
        }
    }

    /// Lowest and highest whole number, `None` for floating point.
    fn range(self) -> Option<(f64, f64)> {
        match self {
            Self::U8 => Some((0.0, f64::from(u8::MAX))),
            Self::I8 => Some((f64::from(i8::MIN), f64::from(i8::MAX))),
            Self::U16 => Some((0.0, f64::from(u16::MAX))),
            Self::I16 => Some((f64::from(i16::MIN), f64::from(i16::MAX))),
            Self::U32 => Some((0.0, f64::from(u32::MAX))),
            Self::I32 => Some((f64::from(i32::MIN), f64::from(i32::MAX))),
            Self::F32 | Self::F64 => None,
        }
    }

    /// Appends a value. Whole numbers must have been rounded and checked.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    fn put(self, value: f64, big: bool, out: &mut Vec<u8>) {
        macro_rules! put {
            ($as:ty) => {{
                let value = value as $as;
                out.extend(if big { value.to_be_bytes() } else { value.to_le_bytes() });
            }};
        }
        match self {
            Self::U8 => put!(u8),
            Self::I8 => put!(i8),
            Self::U16 => put!(u16),
            Self::I16 => put!(i16),
            Self::U32 => put!(u32),
            Self::I32 => put!(i32),
            Self::F32 => put!(f32),
            Self::F64 => put!(f64),
        }
    }
}

/// The values of slice `k`, row by row: value x slope + intercept is the grey value.
/// Rounded and checked for types of whole numbers.
fn slice_values(
    volume: &Volume,
    k: usize,
    value_type: ValueType,
    scaling: Rescale,
) -> Result<Vec<f64>, PhantomError> {
    let rescale = volume.rescale(k);
    let of = |stored: f64| {
        let value = if rescale == scaling {
            stored
        } else {
            (stored * rescale.slope + rescale.intercept - scaling.intercept) / scaling.slope
        };
        let Some((low, high)) = value_type.range() else { return Ok(value) };
        let value = value.round();
        // NaN is out of range.
        if value >= low && value <= high {
            Ok(value)
        } else {
            Err(PhantomError::ValueRange { value, low, high })
        }
    };
    match volume.voxels() {
        StoredVoxels::Signed(a) => {
            a.index_axis(Axis(0), k).iter().map(|v| of(f64::from(*v))).collect()
        }
        StoredVoxels::Unsigned(a) => {
            a.index_axis(Axis(0), k).iter().map(|v| of(f64::from(*v))).collect()
        }
        StoredVoxels::Float(a) => {
            a.index_axis(Axis(0), k).iter().map(|v| of(f64::from(*v))).collect()
        }
    }
}

/// The values of the slices, one block a slice, as `of_slice` puts them into bytes.
fn blocks(
    volume: &Volume,
    value_type: ValueType,
    scaling: Rescale,
    of_slice: impl Fn(&[f64]) -> Vec<u8> + Sync,
) -> Result<Vec<Vec<u8>>, PhantomError> {
    whole(volume)?;
    let slices = volume.geometry().dims()[2];
    let of = |k| Ok(of_slice(&slice_values(volume, k, value_type, scaling)?));
    (0..slices).into_par_iter().map(of).collect()
}

/// As binary numbers.
pub(crate) fn binary_blocks(
    volume: &Volume,
    value_type: ValueType,
    scaling: Rescale,
    big: bool,
) -> Result<Vec<Vec<u8>>, PhantomError> {
    blocks(volume, value_type, scaling, |values| {
        let mut out = Vec::with_capacity(values.len() * usize::from(value_type.bits() / 8));
        values.iter().for_each(|&v| value_type.put(v, big, &mut out));
        out
    })
}

/// As numbers in words, one slice a line.
pub(crate) fn text_blocks(
    volume: &Volume,
    value_type: ValueType,
    scaling: Rescale,
) -> Result<Vec<Vec<u8>>, PhantomError> {
    blocks(volume, value_type, scaling, |values| {
        let words: Vec<String> = values.iter().map(ToString::to_string).collect();
        (words.join(" ") + "\n").into_bytes()
    })
}
