use std::collections::HashMap;
use std::fs::File;
use std::io::{self, Read};
use std::ops::Range;
use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};
use std::sync::{Arc, Mutex, PoisonError};

use jawgauge_codec::{Codec, FrameShape, decode_frame};
use jawgauge_volume::{StoredVoxels, VoxelBox};
use ndarray::{Array3, ArrayViewMut2, Axis};
use rayon::prelude::*;

use crate::IntakeError;
use crate::archive::read_exact_at;
use crate::error::open_error;
use crate::fragments::Run;
use crate::guard::guarded;
use crate::source::{Layer, Place, ScanFile, Stream};
use crate::voxel::{OtherBits, Voxel, Words, settle};

/// The most packed bytes behind the last voxel that are read for the checksum at their end.
const MOST_BEHIND: u64 = 1 << 26;

/// Told after each slice: how many are read, of how many.
pub type Progress<'a> = &'a (dyn Fn(usize, usize) + Sync);

/// Where the voxels of one slice stand and how they are coded.
#[derive(Debug, Clone)]
pub(crate) struct FrameSource {
    pub(crate) file: Arc<ScanFile>,
    /// File and frame, for messages.
    pub(crate) name: String,
    pub(crate) layer: Layer,
    pub(crate) runs: Vec<Run>,
    pub(crate) coded: Coded,
}

impl FrameSource {
    /// Whether single rows can be read without the rest of the slice.
    pub(crate) fn is_within_reach(&self) -> bool {
        self.is_in_place() && matches!(self.coded, Coded::Native(_))
    }

    /// Whether its bytes are reached by their place in a file of their own.
    fn is_in_place(&self) -> bool {
        self.file.is_random() && self.layer == Layer::Plain
    }
}

#[derive(Debug, Clone, Copy)]
pub(crate) enum Coded {
    /// Voxel after voxel.
    Native(Words),
    /// One compressed stream.
    Compressed(Codec, FrameShape),
}

/// How the voxels of a scan are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Stored {
    Signed,
    Unsigned,
    Float,
}

/// Reads the voxels of a box straight into their places of one array, in parallel.
///
/// Nothing is rescaled. Of native voxels only the rows of the box are read; a compressed
/// frame is decoded whole. Each thread holds one slice besides the array. What cannot be
/// reached but by reading all before it (packed files with several frames) is read by one
/// thread, in order, to its end, where the checksum stands. Also tells what was noticed.
pub(crate) fn read_voxels(
    sources: &[Option<FrameSource>],
    dims: [usize; 3],
    part: VoxelBox,
    stored: Stored,
    progress: Option<Progress<'_>>,
) -> Result<(StoredVoxels, Noticed), IntakeError> {
    let noticed = Mutex::default();
    let mut ends = HashMap::new();
    for source in sources.iter().flatten().filter(|s| !s.is_in_place()) {
        let end = source.runs.iter().map(|r| r.offset + r.length).max().unwrap_or(0);
        let known: &mut u64 = ends.entry(Arc::as_ptr(&source.file).addr()).or_default();
        *known = end.max(*known);
    }
    let reading = Reading { sources, dims, part, progress, ends, noticed: &noticed };
    let voxels = match stored {
        Stored::Signed => reading.read().map(StoredVoxels::Signed),
        Stored::Unsigned => reading.read().map(StoredVoxels::Unsigned),
        Stored::Float => reading.read().map(StoredVoxels::Float),
    };
    let noticed = noticed.into_inner().unwrap_or_else(PoisonError::into_inner);
    voxels.map(|voxels| (voxels, noticed))
}

/// What was noticed while voxels were read.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Noticed {
    /// Whether any stream says that it lost something.
    pub(crate) lossy: bool,
    /// Bits above those stored.
    pub(crate) other_bits: OtherBits,
}

struct Reading<'a> {
    sources: &'a [Option<FrameSource>],
    dims: [usize; 3],
    part: VoxelBox,
    progress: Option<Progress<'a>>,
    /// Where the last voxel of a packed file ends, in its unpacked bytes, by its address.
    ends: HashMap<usize, u64>,
    noticed: &'a Mutex<Noticed>,
}

/// A slice of the array and where its voxels stand.
type Job<'a, T> = (ArrayViewMut2<'a, T>, &'a FrameSource);

impl Reading<'_> {
    fn read<T: Voxel + num_traits::Zero>(&self) -> Result<Array3<T>, IntakeError> {
        let [ni, nj, nk] = self.part.size;
        let mut voxels = Array3::<T>::zeros((nk, nj, ni));
        let first = self.part.first[2];
        let mut groups: Vec<Vec<Job<'_, T>>> = Vec::new();
        // Frames of one packed file share the file's address.
        let mut flows: HashMap<usize, usize> = HashMap::new();
        for (place, source) in voxels.axis_iter_mut(Axis(0)).zip(&self.sources[first..]) {
            let Some(source) = source else { continue };
            if source.is_in_place() {
                groups.push(vec![(place, source)]);
                continue;
            }
            let group = *flows.entry(Arc::as_ptr(&source.file).addr()).or_insert(groups.len());
            match groups.get_mut(group) {
                Some(jobs) => jobs.push((place, source)),
                None => groups.push(vec![(place, source)]),
            }
        }
        for jobs in &mut groups {
            jobs.sort_by_key(|(_, source)| source.runs.first().map(|r| r.offset));
        }
        let total = groups.iter().map(Vec::len).sum();
        let done = AtomicUsize::new(0);
        let tell = || {
            let done = done.fetch_add(1, Relaxed) + 1;
            if let Some(progress) = self.progress {
                progress(done, total);
            }
        };
        let results: Vec<Result<(), IntakeError>> = groups
            .into_par_iter()
            .map_init(Scratch::default, |scratch, jobs| self.read_group(jobs, scratch, &tell))
            .collect();
        results.into_iter().collect::<Result<(), IntakeError>>()?;
        Ok(voxels)
    }

    fn read_group<T: Voxel>(
        &self,
        jobs: Vec<Job<'_, T>>,
        scratch: &mut Scratch<T>,
        tell: &impl Fn(),
    ) -> Result<(), IntakeError> {
        let Some(&(_, source)) = jobs.first() else { return Ok(()) };
        let mut bytes = Bytes::of(source).map_err(|e| unreadable(source, &e))?;
        for (place, source) in jobs {
            self.read_slice(place, source, &mut bytes, scratch)?;
            tell();
        }
        let end = self.ends.get(&Arc::as_ptr(&source.file).addr()).copied().unwrap_or(0);
        bytes.finish(end).map_err(|e| unreadable(source, &e))
    }

    fn notice(&self, lossy: bool, other_bits: OtherBits) {
        let mut noticed = self.noticed.lock().unwrap_or_else(PoisonError::into_inner);
        noticed.lossy |= lossy;
        noticed.other_bits = noticed.other_bits.and(other_bits);
    }

    fn read_slice<T: Voxel>(
        &self,
        mut place: ArrayViewMut2<'_, T>,
        source: &FrameSource,
        bytes: &mut Bytes,
        scratch: &mut Scratch<T>,
    ) -> Result<(), IntakeError> {
        let columns = self.dims[0];
        let wanted: Range<usize> = self.part.first[0]..self.part.first[0] + self.part.size[0];
        let all_columns = wanted.len() == columns;
        let rows: Range<usize> = self.part.first[1]..self.part.first[1] + self.part.size[1];
        let failed = |e: io::Error| unreadable(source, &e);
        match source.coded {
            Coded::Native(words) => {
                let row_bytes = columns * words.code.size();
                let skip = (rows.start * row_bytes) as u64;
                let direct = words.code == T::NATIVE;
                // A slice of a whole array in standard order is one run of memory.
                if let Some(run) = place.as_slice_mut().filter(|_| direct && all_columns) {
                    bytes
                        .read(&source.runs, skip, bytemuck::cast_slice_mut(run))
                        .map_err(failed)?;
                    words.order(run);
                    self.notice(false, settle(run, columns, words.unused_bits));
                    return Ok(());
                }
                scratch.voxels.resize(columns * rows.len(), T::zeroed());
                if direct {
                    let to = bytemuck::cast_slice_mut(&mut scratch.voxels);
                    bytes.read(&source.runs, skip, to).map_err(failed)?;
                    words.order(&mut scratch.voxels);
                } else {
                    scratch.bytes.resize(row_bytes * rows.len(), 0);
                    bytes.read(&source.runs, skip, &mut scratch.bytes).map_err(failed)?;
                    words.convert(&mut scratch.bytes, &mut scratch.voxels).ok_or_else(|| {
                        IntakeError::Plain {
                            file: source.name.clone(),
                            reason: "a voxel is infinite or out of range".to_owned(),
                            remedy: "export the scan again",
                        }
                    })?;
                }
                let other_bits = settle(&mut scratch.voxels, columns, words.unused_bits);
                self.notice(false, other_bits);
                copy_columns(&scratch.voxels, columns, wanted, &mut place);
            }
            Coded::Compressed(codec, shape) => {
                let length: u64 = source.runs.iter().map(|r| r.length).sum();
                scratch.bytes.resize(usize::try_from(length).unwrap_or(usize::MAX), 0);
                bytes.read(&source.runs, 0, &mut scratch.bytes).map_err(failed)?;
                let (samples, lossy) = decode(source, codec, &scratch.bytes, &shape)?;
                let unused = u32::from(16 - shape.bits_stored);
                let samples = &samples[rows.start * columns..rows.end * columns];
                scratch.voxels.clear();
                scratch.voxels.extend(samples.iter().map(|&s| T::of_sample(s)));
                self.notice(lossy, settle(&mut scratch.voxels, columns, unused));
                copy_columns(&scratch.voxels, columns, wanted, &mut place);
            }
        }
        Ok(())
    }
}

fn decode(
    source: &FrameSource,
    codec: Codec,
    stream: &[u8],
    shape: &FrameShape,
) -> Result<(Vec<u16>, bool), IntakeError> {
    let refused = |reason: String| IntakeError::Frame {
        file: source.name.clone(),
        reason,
        remedy: "copy the file again, or export the scan uncompressed",
    };
    let decoded = guarded(|| decode_frame(codec, stream, shape))
        .ok_or_else(|| refused("the decoder stopped".to_owned()))?
        .map_err(|e| refused(e.to_string()))?;
    // Run lengths keep whatever native voxels have there; a transform would have coded it.
    let above = |&s: &u16| {
        let above = u32::from(s) >> shape.bits_stored;
        let sign = u32::from(u16::MAX) >> shape.bits_stored;
        above != 0 && !(shape.signed && (above == sign || shape.bits_allocated == 8))
    };
    if codec != Codec::Rle && decoded.samples.iter().any(above) {
        let stored = shape.bits_stored;
        return Err(refused(format!(
            "a sample has more bits than (0028,0101) BitsStored, {stored}"
        )));
    }
    Ok((decoded.samples, decoded.lossy))
}

/// Whether two slices hold the same voxels, as they stand in their files.
pub(crate) fn same_voxels(a: &FrameSource, b: &FrameSource) -> Result<bool, IntakeError> {
    let bytes = |source: &FrameSource| {
        let length: u64 = source.runs.iter().map(|r| r.length).sum();
        let mut to = vec![0; usize::try_from(length).unwrap_or(usize::MAX)];
        let read = Bytes::of(source).and_then(|mut b| b.read(&source.runs, 0, &mut to));
        read.map(|()| to).map_err(|e| unreadable(source, &e))
    };
    Ok(bytes(a)? == bytes(b)?)
}

fn unreadable(source: &FrameSource, error: &io::Error) -> IntakeError {
    use io::ErrorKind::{InvalidData, InvalidInput, UnexpectedEof};
    if !matches!(error.kind(), UnexpectedEof | InvalidData | InvalidInput) {
        return open_error(source.name.clone(), error);
    }
    let reason = "its bytes end early, do not unpack or fail their checksum".to_owned();
    let remedy = "copy the file again from where it comes from";
    match source.layer {
        // No DICOM: there is no attribute to name.
        Layer::Gzip(_) => IntakeError::Plain { file: source.file.name.clone(), reason, remedy },
        _ => IntakeError::Frame { file: source.name.clone(), reason, remedy },
    }
}

/// The wanted columns of rows of voxels.
fn copy_columns<T: Voxel>(
    from: &[T],
    columns: usize,
    wanted: Range<usize>,
    to: &mut ArrayViewMut2<'_, T>,
) {
    for (row, mut to) in from.chunks_exact(columns).zip(to.outer_iter_mut()) {
        to.iter_mut().zip(&row[wanted.clone()]).for_each(|(to, from)| *to = *from);
    }
}

/// What a thread holds besides the array.
struct Scratch<T> {
    bytes: Vec<u8>,
    voxels: Vec<T>,
}

impl<T> Default for Scratch<T> {
    fn default() -> Self {
        Self { bytes: Vec::new(), voxels: Vec::new() }
    }
}

/// The bytes of a file, by position or in order.
enum Bytes {
    Random(File),
    Flow { stream: Stream, at: u64 },
}

impl Bytes {
    /// Opened at the first run of a source.
    fn of(source: &FrameSource) -> io::Result<Self> {
        match (&source.file.place, source.layer) {
            (Place::File(path), Layer::Plain) => Ok(Self::Random(File::open(path)?)),
            _ => {
                let at = source.runs.first().map_or(0, |r| r.offset);
                Ok(Self::Flow { stream: source.file.open_at(source.layer, at)?, at })
            }
        }
    }

    /// Fills `to` from the runs put together, after stepping over `skip` of their bytes.
    fn read(&mut self, runs: &[Run], mut skip: u64, mut to: &mut [u8]) -> io::Result<()> {
        for run in runs {
            if skip >= run.length {
                skip -= run.length;
                continue;
            }
            let here = usize::try_from(run.length - skip).unwrap_or(usize::MAX).min(to.len());
            let (now, later) = to.split_at_mut(here);
            let offset = run.offset + skip;
            match self {
                Self::Random(file) => read_exact_at(file, now, offset)?,
                Self::Flow { stream, at } => {
                    let ahead = offset.checked_sub(*at);
                    let ahead =
                        ahead.ok_or_else(|| io::Error::from(io::ErrorKind::InvalidInput))?;
                    stream.skip(ahead)?;
                    stream.read_exact(now)?;
                    *at = offset + now.len() as u64;
                }
            }
            to = later;
            skip = 0;
        }
        if to.is_empty() { Ok(()) } else { Err(io::ErrorKind::UnexpectedEof.into()) }
    }

    /// Reads packed bytes to their end, where their checksum stands; `end` is where the last
    /// voxel ends. What goes on and on after it is refused.
    fn finish(&mut self, end: u64) -> io::Result<()> {
        match self {
            Self::Random(_) => Ok(()),
            Self::Flow { stream, at } => {
                let most = end.saturating_sub(*at).saturating_add(MOST_BEHIND);
                if io::copy(&mut stream.take(most), &mut io::sink())? < most {
                    Ok(())
                } else {
                    Err(io::ErrorKind::InvalidData.into())
                }
            }
        }
    }
}
