//! Scans as they are read, for checks against outside libraries.
//!
//! `scan_dump JOBS.json` reads a list of jobs and writes a list of answers to standard output. A
//! job names a scan, and at will files to write its grey values to, or the grey values at places
//! of the patient, which another file holds. Numbers in files are 64-bit floats, little endian;
//! voxels come in the order `[k, j, i]`, places as x, y, z; NaN is what was not scanned. A scan
//! that is refused gives the code and the sentence of its refusal.

use std::error::Error;
use std::io::Write;
use std::path::{Path, PathBuf};

use jawgauge_intake::{OpenScan, ReadOptions, Scan, SkipReason, open_scan};
use jawgauge_space::PatientPoint;
use jawgauge_volume::Volume;
use serde::Deserialize;
use serde_json::{Value, json};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Job {
    scan: PathBuf,
    /// Where the grey values of all voxels go.
    #[serde(default)]
    voxels: Option<PathBuf>,
    /// Places to sample between voxels, and where their grey values go.
    #[serde(default)]
    sample: Option<[PathBuf; 2]>,
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<PathBuf> = std::env::args_os().skip(1).map(PathBuf::from).collect();
    let [jobs] = arguments.as_slice() else {
        return Err("usage: scan_dump JOBS.json".into());
    };
    let jobs: Vec<Job> = serde_json::from_slice(&std::fs::read(jobs)?)?;
    let answers = jobs.iter().map(answer).collect::<Result<Vec<_>, _>>()?;
    serde_json::to_writer(std::io::stdout().lock(), &answers)?;
    writeln!(std::io::stdout().lock())?;
    Ok(())
}

fn answer(job: &Job) -> Result<Value, Box<dyn Error>> {
    let read =
        open_scan(&job.scan, &ReadOptions::default()).and_then(|open| Ok((open.read(None)?, open)));
    let (scan, open) = match read {
        Ok(both) => both,
        Err(e) => return Ok(json!({ "refused": e.code(), "message": e.to_string() })),
    };
    if let Some(to) = &job.voxels {
        write_floats(to, all_grey(&scan.volume))?;
    }
    if let Some([from, to]) = &job.sample {
        let grey = |point: &[f64; 3]| {
            scan.volume.sample_linear(PatientPoint::from(*point)).grey().unwrap_or(f64::NAN)
        };
        write_floats(to, read_points(from)?.iter().map(grey))?;
    }
    Ok(found(&scan, &open))
}

fn found(scan: &Scan, open: &OpenScan) -> Value {
    let geometry = scan.volume.geometry();
    let facts = &scan.facts;
    let skipped: serde_json::Map<String, Value> =
        facts.skipped.iter().map(|(reason, n)| (reason_name(reason), json!(n))).collect();
    json!({
        "dims": geometry.dims(),
        "lps_from_voxel": geometry.affine().to_rows(),
        "warnings": scan.warnings.iter().map(|w| w.code()).collect::<Vec<_>>(),
        "warned_unread": open.warnings().iter().map(|w| w.code()).collect::<Vec<_>>(),
        "transfer_syntax": facts.transfer_syntax,
        "sop_class": facts.sop_class,
        "place_known": facts.place_known,
        "files": facts.files,
        "slices": facts.slices,
        "skipped": skipped,
        "padding": facts.padding,
        "bits_stored": facts.bits_stored,
        "signed": facts.signed,
    })
}

fn reason_name(reason: &SkipReason) -> String {
    match reason {
        SkipReason::OtherObject(uid) => uid.clone(),
        other => format!("{other:?}"),
    }
}

fn all_grey(volume: &Volume) -> impl Iterator<Item = f64> {
    let [ni, nj, nk] = volume.geometry().dims();
    let rows = (0..nk).flat_map(move |k| (0..nj).map(move |j| (k, j)));
    rows.flat_map(move |(k, j)| {
        (0..ni).map(move |i| volume.voxel_grey(i, j, k).unwrap_or(f64::NAN))
    })
}

fn write_floats(to: &Path, values: impl Iterator<Item = f64>) -> Result<(), Box<dyn Error>> {
    let bytes: Vec<u8> = values.flat_map(f64::to_le_bytes).collect();
    Ok(std::fs::write(to, bytes)?)
}

fn read_points(from: &Path) -> Result<Vec<[f64; 3]>, Box<dyn Error>> {
    let bytes = std::fs::read(from)?;
    let (words, rest) = bytes.as_chunks::<8>();
    let numbers: Vec<f64> = words.iter().map(|w| f64::from_le_bytes(*w)).collect();
    let (points, left) = numbers.as_chunks::<3>();
    if !rest.is_empty() || !left.is_empty() {
        return Err("places are three 64-bit numbers each".into());
    }
    Ok(points.to_vec())
}
