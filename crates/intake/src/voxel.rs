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

    /// All its bits as a number.
    fn whole(self) -> i32;

    /// Whether bits that are not stored are neither clear nor filled from the highest
    /// stored bit.
    fn has_other_bits(self, unused_bits: u32) -> bool;

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

    fn whole(self) -> i32 {
        self.into()
    }

    fn has_other_bits(self, unused_bits: u32) -> bool {
        self != self.settled(unused_bits)
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

    fn whole(self) -> i32 {
        self.into()
    }

    fn has_other_bits(self, unused_bits: u32) -> bool {
        let bits = self.cast_unsigned();
        self != self.settled(unused_bits) && bits != bits.settled(unused_bits)
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

    fn whole(self) -> i32 {
        0
    }

    fn has_other_bits(self, _: u32) -> bool {
        false
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

/// Grey values that jump this many times as far where bits above those stored change as they
/// do elsewhere jump because of them.
const FAR_JUMP: f64 = 4.0;

/// What the bits above those stored look like, from neighbours in a row.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct OtherBits {
    /// Whether any voxel has bits there that are neither clear nor a sign.
    pub(crate) any: bool,
    /// Neighbours between which they differ.
    changes: Jumps,
    /// Neighbours between which they do not.
    elsewhere: Jumps,
    /// Of the neighbours between which they differ, those that are nearer with them, and
    /// those that are nearer without.
    nearer_with: u64,
    nearer_without: u64,
}

/// Differences of neighbours without those bits.
#[derive(Debug, Clone, Copy, Default)]
struct Jumps {
    pairs: u64,
    sum: u64,
}

impl Jumps {
    fn add(&mut self, by: u32) {
        self.pairs += 1;
        self.sum += u64::from(by);
    }

    fn and(self, other: Self) -> Self {
        Self { pairs: self.pairs + other.pairs, sum: self.sum + other.sum }
    }

    fn mean(self) -> f64 {
        self.sum as f64 / self.pairs.max(1) as f64
    }
}

impl OtherBits {
    pub(crate) fn and(self, other: Self) -> Self {
        Self {
            any: self.any || other.any,
            changes: self.changes.and(other.changes),
            elsewhere: self.elsewhere.and(other.elsewhere),
            nearer_with: self.nearer_with + other.nearer_with,
            nearer_without: self.nearer_without + other.nearer_without,
        }
    }

    /// Whether they belong to the grey values, so that clearing them makes others of them.
    ///
    /// Rubbish and overlays come and go without regard to the grey values. Where the bits
    /// are part of these, neighbours are nearer to one another with them (also where the highest
    /// stored bit of a signed value is no sign), or the grey values without them jump at the
    /// few places where the bits change; an `overlay` may be drawn along an edge.
    pub(crate) fn are_meant(&self, overlay: bool) -> bool {
        let rare = self.changes.pairs < self.elsewhere.pairs;
        let jumps = rare && self.changes.mean() > FAR_JUMP * self.elsewhere.mean();
        self.nearer_with > self.nearer_without || (!overlay && jumps)
    }
}

/// Clears, or fills from the highest stored bit, what is above the stored bits of voxels in
/// rows of `columns`, and tells what was there.
pub(crate) fn settle<T: Voxel>(voxels: &mut [T], columns: usize, unused_bits: u32) -> OtherBits {
    let mut found = OtherBits::default();
    if unused_bits == 0 {
        return found;
    }
    let settled = |v: T| v.settled(unused_bits).whole();
    let other = |v: T| v.whole() != settled(v);
    // Without a way out, so that it runs over many voxels at once.
    if !voxels.iter().fold(false, |any, &v| any | other(v)) {
        return found;
    }
    found.any = voxels.iter().any(|v| v.has_other_bits(unused_bits));
    let above = |v: T| other(v).then(|| v.whole().unsigned_abs() >> (16 - unused_bits));
    let runs_on = |v: T| {
        let bits = v.whole() >> (16 - unused_bits);
        (1..4).contains(&bits) || bits == -1 || bits == (1 << unused_bits) - 1
    };
    for row in voxels.chunks(columns) {
        for pair in row.windows(2) {
            let whole = pair[0].whole().abs_diff(pair[1].whole());
            let stored = settled(pair[0]).abs_diff(settled(pair[1]));
            if above(pair[0]) == above(pair[1]) {
                found.elsewhere.add(stored);
                continue;
            }
            // Grey values that run on set the lowest bits above, or all; a mark sets any.
            if pair.iter().any(|&v| v.has_other_bits(unused_bits) && runs_on(v)) {
                found.changes.add(stored);
            }
            found.nearer_with += u64::from(whole < stored);
            found.nearer_without += u64::from(whole > stored);
        }
    }
    voxels.iter_mut().for_each(|v| *v = v.settled(unused_bits));
    found
}

impl Words {
    /// Puts the bytes of voxels that were read as they stand into this machine's order.
    pub(crate) fn order<T: Voxel>(self, voxels: &mut [T]) {
        if self.big_endian != cfg!(target_endian = "big") {
            voxels.iter_mut().for_each(|v| *v = v.swapped());
        }
    }

    /// Converts voxels of another code; `None` where one cannot be.
    pub(crate) fn convert<T: Voxel>(self, bytes: &mut [u8], voxels: &mut [T]) -> Option<()> {
        let size = self.code.size();
        for (word, voxel) in bytes.chunks_exact_mut(size).zip(voxels) {
            if self.big_endian {
                word.reverse();
            }
            *voxel = T::of_number(self.code.number(word))?;
        }
        Some(())
    }
}
