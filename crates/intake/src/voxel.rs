use bytemuck::Pod;

use crate::plain::VoxelCode;

/// How the bytes of native voxels are to be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Words {
    pub(crate) code: VoxelCode,
    pub(crate) big_endian: bool,
    /// Bits above those stored: undefined (DICOM PS3.5 section 8.1.1).
    pub(crate) unused_bits: u32,
}

/// A voxel as a volume stores it.
pub(crate) trait Voxel: Pod + Send + Sync {
    /// The code of native voxels that need no conversion.
    const NATIVE: VoxelCode;

    /// With bits that are not stored cleared, or for signed voxels filled from the highest
    /// stored bit.
    fn settled(self, unused_bits: u32) -> Self;

    fn swapped(self) -> Self;

    /// From the low bits of a decoded sample.
    fn of_sample(bits: u16) -> Self;

    /// From another number, `None` where that would lose something that matters.
    fn of_number(number: f64) -> Option<Self>;
}

impl Voxel for u16 {
    const NATIVE: VoxelCode = VoxelCode::U16;

    fn settled(self, unused_bits: u32) -> Self {
        self & (Self::MAX >> unused_bits)
    }

    fn swapped(self) -> Self {
        self.swap_bytes()
    }

    fn of_sample(bits: u16) -> Self {
        bits
    }

    fn of_number(number: f64) -> Option<Self> {
        let kept = number.clamp(0.0, 65_535.0);
        // Clamped to its range, and whole.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        (kept == number && number.fract() == 0.0).then_some(kept as Self)
    }
}

impl Voxel for i16 {
    const NATIVE: VoxelCode = VoxelCode::I16;

    fn settled(self, unused_bits: u32) -> Self {
        (self << unused_bits) >> unused_bits
    }

    fn swapped(self) -> Self {
        self.swap_bytes()
    }

    fn of_sample(bits: u16) -> Self {
        bits.cast_signed()
    }

    fn of_number(number: f64) -> Option<Self> {
        let kept = number.clamp(-32_768.0, 32_767.0);
        // Clamped to its range, and whole.
        #[allow(clippy::cast_possible_truncation)]
        (kept == number && number.fract() == 0.0).then_some(kept as Self)
    }
}

impl Voxel for f32 {
    const NATIVE: VoxelCode = VoxelCode::F32;

    fn settled(self, _: u32) -> Self {
        self
    }

    fn swapped(self) -> Self {
        Self::from_bits(self.to_bits().swap_bytes())
    }

    fn of_sample(bits: u16) -> Self {
        Self::from(bits)
    }

    fn of_number(number: f64) -> Option<Self> {
        // A rounding of one part in ten million is far below any noise; infinity is not.
        #[allow(clippy::cast_possible_truncation)]
        let kept = number as Self;
        (kept.is_finite() || number.is_nan()).then_some(kept)
    }
}

impl VoxelCode {
    /// Bytes of a voxel.
    pub(crate) fn size(self) -> usize {
        usize::try_from(self.bytes()).unwrap_or(8)
    }

    /// The number that a voxel's bytes stand for; little endian.
    fn number(self, bytes: &[u8]) -> f64 {
        let mut wide = [0; 8];
        wide[..bytes.len()].copy_from_slice(bytes);
        let [a, b, c, d, ..] = wide;
        match self {
            Self::U8 => a.into(),
            Self::I8 => a.cast_signed().into(),
            Self::U16 => u16::from_le_bytes([a, b]).into(),
            Self::I16 => i16::from_le_bytes([a, b]).into(),
            Self::U32 => u32::from_le_bytes([a, b, c, d]).into(),
            Self::I32 => i32::from_le_bytes([a, b, c, d]).into(),
            Self::F32 => f32::from_le_bytes([a, b, c, d]).into(),
            Self::F64 => f64::from_le_bytes(wide),
        }
    }
}

impl Words {
    /// Turns bytes that were read straight into voxels into what they mean.
    pub(crate) fn settle<T: Voxel>(self, voxels: &mut [T]) {
        if self.big_endian != cfg!(target_endian = "big") {
            voxels.iter_mut().for_each(|v| *v = v.swapped());
        }
        if self.unused_bits > 0 {
            voxels.iter_mut().for_each(|v| *v = v.settled(self.unused_bits));
        }
    }

    /// Converts voxels of another code; `None` where one cannot be.
    pub(crate) fn convert<T: Voxel>(self, bytes: &mut [u8], voxels: &mut [T]) -> Option<()> {
        let size = self.code.size();
        for (word, voxel) in bytes.chunks_exact_mut(size).zip(voxels) {
            if self.big_endian {
                word.reverse();
            }
            *voxel = T::of_number(self.code.number(word))?.settled(self.unused_bits);
        }
        Some(())
    }
}
