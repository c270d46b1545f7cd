use std::fs::File;
use std::io::{Read, Seek, SeekFrom};

use jawgauge_volume::StoredVoxels;
use ndarray::parallel::prelude::*;
use ndarray::{Array3, Axis};

use crate::IntakeError;
use crate::slice::Slice;

/// Reads every slice straight into its place of one array, in parallel.
///
/// Bits above Bits Stored are undefined (DICOM PS3.5 section 8.1.1): they are cleared, or
/// for signed voxels filled from the highest stored bit. Nothing is rescaled. Each thread
/// holds the bytes of one slice besides the array.
pub(crate) fn read_voxels(
    slices: &[Slice],
    order: &[Option<usize>],
) -> Result<StoredVoxels, IntakeError> {
    let first = &slices[order[0].unwrap_or(0)];
    let unused = 16 - first.bits_stored;
    let shape = (order.len(), usize::from(first.rows), usize::from(first.columns));
    if first.signed {
        let extend = |bits: u16| (bits << unused).cast_signed() >> unused;
        read_into(Array3::zeros(shape), slices, order, extend).map(StoredVoxels::Signed)
    } else {
        let mask = u16::MAX >> unused;
        let clear = |bits: u16| bits & mask;
        read_into(Array3::zeros(shape), slices, order, clear).map(StoredVoxels::Unsigned)
    }
}

fn read_into<T: Send + Sync>(
    mut voxels: Array3<T>,
    slices: &[Slice],
    order: &[Option<usize>],
    value: impl Fn(u16) -> T + Sync,
) -> Result<Array3<T>, IntakeError> {
    let results: Vec<Result<(), IntakeError>> = voxels
        .axis_iter_mut(Axis(0))
        .into_par_iter()
        .zip(order.par_iter())
        .map_init(Vec::new, |bytes, (mut place, index)| {
            let Some(index) = index else { return Ok(()) };
            read_bytes(&slices[*index], bytes)?;
            let words = bytes.chunks_exact(2).map(|b| value(u16::from_le_bytes([b[0], b[1]])));
            // A slice of a whole array in standard order is one run of memory.
            match place.as_slice_mut() {
                Some(run) => run.iter_mut().zip(words).for_each(|(voxel, word)| *voxel = word),
                None => place.iter_mut().zip(words).for_each(|(voxel, word)| *voxel = word),
            }
            Ok(())
        })
        .collect();
    results.into_iter().collect::<Result<(), IntakeError>>()?;
    Ok(voxels)
}

/// The bytes of a slice's voxels, without pad or surplus.
pub(crate) fn read_bytes(slice: &Slice, bytes: &mut Vec<u8>) -> Result<(), IntakeError> {
    bytes.resize(slice.pixel_bytes(), 0);
    let mut read = || {
        let mut file = File::open(&slice.file.path)?;
        file.seek(SeekFrom::Start(slice.pixel_offset))?;
        file.read_exact(bytes)
    };
    read().map_err(|e| IntakeError::Open {
        file: slice.file.name.clone(),
        reason: e.kind().to_string(),
    })
}
