//! Times reading a scan and cutting a section, for comparison with other libraries.
//!
//! `time_work read SCAN RUNS`, `time_work plain SCAN RUNS` (the files' bytes read into a fresh
//! buffer on the same threads, nothing else) and `time_work linear|cubic SCAN RUNS` write one line of JSON: the
//! milliseconds of each run and a mean that shows that the same work was done.
//! `RAYON_NUM_THREADS` sets the number of threads.

use std::error::Error;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;
use std::time::Instant;

use jawgauge_intake::read_scan;
use jawgauge_section::{Interpolation, SectionImage, SectionWindow};
use jawgauge_space::{PatientPoint, PatientVector, SectionFrame, SectionPoint};
use jawgauge_volume::{StoredVoxels, Volume};
use rayon::prelude::*;
use serde_json::json;

/// The section: 400 x 400 samples on a tilted plane through the origin.
const SAMPLES: u32 = 400;
const STEP_MM: f64 = 0.1;
const LEAST_MM: f64 = -20.0;
const MESIAL: [f64; 3] = [0.6, -0.8, 0.3];
const APICAL_HINT: [f64; 3] = [0.1, 0.2, -1.0];
const BUCCAL_HINT: [f64; 3] = [-1.0, -0.5, 0.0];

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [what, scan, runs] = arguments.as_slice() else {
        return Err("usage: time_work read|linear|cubic SCAN RUNS".into());
    };
    let (scan, runs) = (Path::new(scan), runs.parse()?);
    let (ms, mean) = match what.as_str() {
        "read" => timed(runs, || Ok(mean_stored(&read_scan(scan, None)?.volume)))?,
        "plain" => timed(runs, || plain_read(scan))?,
        "linear" => section(scan, runs, Interpolation::Linear)?,
        "cubic" => section(scan, runs, Interpolation::Cubic)?,
        other => return Err(format!("{other}: read, linear or cubic").into()),
    };
    writeln!(std::io::stdout(), "{}", json!({ "ms": ms, "mean": mean }))?;
    Ok(())
}

/// Milliseconds of each run and the last answer.
fn timed(
    runs: usize,
    mut work: impl FnMut() -> Result<f64, Box<dyn Error>>,
) -> Result<(Vec<f64>, f64), Box<dyn Error>> {
    let mut ms = Vec::new();
    let mut answer = f64::NAN;
    for _ in 0..runs {
        let start = Instant::now();
        answer = work()?;
        ms.push(start.elapsed().as_secs_f64() * 1e3);
    }
    Ok((ms, answer))
}

/// Reads the bytes of all files of a folder into one fresh buffer, in pieces of 1 MB; their number.
fn plain_read(folder: &Path) -> Result<f64, Box<dyn Error>> {
    const PIECE: usize = 1 << 20;
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        let length = usize::try_from(std::fs::metadata(&path)?.len())?;
        files.push((path, length));
    }
    let total = files.iter().map(|f| f.1).sum();
    let mut buffer = vec![0_u8; total];
    let mut rest = buffer.as_mut_slice();
    let mut pieces = Vec::new();
    for (path, length) in &files {
        let (here, after) = rest.split_at_mut(*length);
        rest = after;
        pieces.extend(here.chunks_mut(PIECE).enumerate().map(move |(n, to)| (path, n * PIECE, to)));
    }
    pieces.into_par_iter().try_for_each(|(path, offset, to)| {
        let mut file = File::open(path)?;
        file.seek(SeekFrom::Start(offset as u64))?;
        file.read_exact(to)
    })?;
    Ok(buffer.len() as f64)
}

/// Of every 1009th voxel: enough to see that they were read, too few to take time.
fn mean_stored(volume: &Volume) -> f64 {
    let mean = |values: Vec<f64>| values.iter().sum::<f64>() / values.len() as f64;
    match volume.voxels() {
        StoredVoxels::Signed(all) => mean(all.iter().step_by(1009).map(|&v| v.into()).collect()),
        StoredVoxels::Float(all) => mean(all.iter().step_by(1009).map(|&v| v.into()).collect()),
        StoredVoxels::Unsigned(all) => mean(all.iter().step_by(1009).map(|&v| v.into()).collect()),
    }
}

fn section(
    scan: &Path,
    runs: usize,
    interpolation: Interpolation,
) -> Result<(Vec<f64>, f64), Box<dyn Error>> {
    let volume = read_scan(scan, None)?.volume;
    let frame = SectionFrame::new(
        PatientPoint::new(0.0, 0.0, 0.0),
        PatientVector::from(MESIAL).direction()?,
        PatientVector::from(APICAL_HINT),
        PatientVector::from(BUCCAL_HINT),
    )?;
    let most = LEAST_MM + f64::from(SAMPLES - 1) * STEP_MM;
    let window = SectionWindow {
        least: SectionPoint::new(LEAST_MM, LEAST_MM),
        most: SectionPoint::new(most, most),
        step_mm: STEP_MM,
        slab_mm: 0.0,
    };
    let mut image = None;
    let cut = || {
        image = Some(SectionImage::resample(&volume, frame, &window, interpolation)?);
        Ok(0.0)
    };
    let (ms, _) = timed(runs, cut)?;
    let image = image.ok_or("no run")?;
    let (rows, columns) = image.shape();
    let grey: Vec<f64> = (0..rows)
        .flat_map(|r| (0..columns).map(move |c| (r, c)))
        .filter_map(|(r, c)| image.at(r, c).grey())
        .collect();
    Ok((ms, grey.iter().sum::<f64>() / grey.len() as f64))
}
