//! Writes the scans that the checks against outside libraries read.
//!
//! `write_scans DIR` writes the demonstration jaw to `DIR/demo` and small scans in odd
//! orientations to `DIR/stacks/NAME`; `write_scans --speed DIR` writes one scan of 300 slices of
//! 400 x 400 to `DIR`; `write_scans --jaw KIND COLUMNSxROWSxSLICES DIR` writes a horseshoe of bone as
//! `series` (one file a slice), `frames` (one native file), `rle`, `jpeg` (lossless), and a case on it.

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};

use jawgauge_phantom::{
    JpegLossless, MultiFrameKind, ScanOptions, demo_jaw, encode_jpeg_lossless, encode_rle,
    sample_shape, write_multi_frame, write_scan,
};
use jawgauge_space::{Affine, PatientPoint, PatientVector};
use jawgauge_volume::{Rescale, VolumeGeometry};

#[path = "../../tests/outside/stacks.rs"]
mod stacks;

/// Voxels of the scan that reading is timed on, and their size, mm.
const SPEED_DIMS: [usize; 3] = [400, 400, 300];
const SPEED_VOXEL_MM: f64 = 0.2;

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<PathBuf> = std::env::args_os().skip(1).map(PathBuf::from).collect();
    match arguments.as_slice() {
        [flag, dir] if flag == Path::new("--speed") => write_speed_scan(dir),
        [flag, kind, dims, dir] if flag == Path::new("--jaw") => write_jaw(kind, dims, dir),
        [dir] => write_checked_scans(dir),
        _ => Err("usage: write_scans [--speed | --jaw KIND DIMS] DIR".into()),
    }
}

fn write_checked_scans(dir: &Path) -> Result<(), Box<dyn Error>> {
    let demo = dir.join("demo");
    fs::create_dir_all(&demo)?;
    write_scan(&demo, &demo_jaw()?.volume, &ScanOptions::default())?;
    for stack in stacks::odd_stacks() {
        let folder = dir.join("stacks").join(stack.name);
        fs::create_dir_all(&folder)?;
        write_scan(&folder, &stack.volume, &stack.options)?;
    }
    Ok(())
}

/// A grid of voxels of 0.2 mm about the origin.
fn speed_grid(dims: [usize; 3]) -> Result<VolumeGeometry, Box<dyn Error>> {
    let along = |axis: usize| {
        let mut step = [0.0; 3];
        step[axis] = SPEED_VOXEL_MM;
        PatientVector::from(step)
    };
    let origin = dims.map(|n| -0.5 * SPEED_VOXEL_MM * n as f64);
    let affine = Affine::new(PatientPoint::from(origin), [0, 1, 2].map(along))?;
    Ok(VolumeGeometry::new(dims, affine)?)
}

fn write_speed_scan(dir: &Path) -> Result<(), Box<dyn Error>> {
    fs::create_dir_all(dir)?;
    // A wavy field: neither flat nor in need of a random generator.
    let grey = |p: PatientPoint| {
        let [x, y, z] = p.to_array();
        400.0 + 500.0 * (0.9 * x).sin() * (0.7 * y).cos() + 300.0 * (0.8 * z).sin()
    };
    let rescale = Rescale { slope: 1.0, intercept: -1024.0 };
    let volume = sample_shape(speed_grid(SPEED_DIMS)?, rescale, grey, 1)?;
    write_scan(dir, &volume, &ScanOptions::default())?;
    Ok(())
}

/// A lower jaw as far as a reader can tell: a horseshoe of bone, 6 mm thick and 22 mm high, open to
/// the back, in soft tissue in air, with some grain in it so that compressed frames have work.
fn write_jaw(kind: &Path, dims: &Path, dir: &Path) -> Result<(), Box<dyn Error>> {
    let dims = dims.to_str().unwrap_or_default().split('x').map(str::parse);
    let dims: Vec<usize> = dims.collect::<Result<_, _>>()?;
    let dims: [usize; 3] = dims.try_into().map_err(|_| "three numbers with x between them")?;
    let grey = |p: PatientPoint| {
        let [x, y, z] = p.to_array();
        let radius = x.hypot(y);
        let horseshoe = (radius - 24.0).abs() <= 3.0 && y < 12.0 && (-17.0..=5.0).contains(&z);
        let grain = ((x * 91.7 + y * 57.3 + z * 33.1).sin() * 43_758.5).fract() * 20.0;
        grain
            + if horseshoe {
                1400.0
            } else if radius < 32.0 && z.abs() < 25.0 {
                50.0
            } else {
                -990.0
            }
    };
    let rescale = Rescale { slope: 1.0, intercept: -1024.0 };
    let volume = sample_shape(speed_grid(dims)?, rescale, grey, 1)?;
    fs::create_dir_all(dir.join("scan"))?;
    let (scan, options) = (dir.join("scan"), ScanOptions::default());
    match kind.to_str() {
        Some("series") => {
            write_scan(&scan, &volume, &options)?;
        }
        Some("frames") => {
            write_multi_frame(
                &scan.join("all.dcm"),
                &volume,
                MultiFrameKind::EnhancedCt,
                &options,
            )?;
        }
        Some("rle") => {
            let encode = |_: usize, s: &[u16], _: u16, columns: u16| encode_rle(s, columns);
            let options = options.with_encoded_frames("1.2.840.10008.1.2.5", encode);
            write_scan(&scan, &volume, &options)?;
        }
        Some("jpeg") => {
            let encode = |_: usize, s: &[u16], rows: u16, columns: u16| {
                encode_jpeg_lossless(s, columns, rows, JpegLossless::default())
            };
            let options = options.with_encoded_frames("1.2.840.10008.1.2.4.70", encode);
            write_scan(&scan, &volume, &options)?;
        }
        _ => return Err("series, frames, rle or jpeg".into()),
    }
    fs::write(
        dir.join("case.toml"),
        "schema = \"case/1\"\n[scan]\npath = \"scan\"\n[ridge]\narch = \"mandible\"\n\
         axis = [[-24, 0, 5], [-17, -17, 5], [0, -24, 5], [17, -17, 5], [24, 0, 5]]\n\
         lingual_side = [0, 0, 5]\n[[site]]\nid = \"lower right canine\"\ntooth = \"43\"\n\
         at = [-17, -17, 5]\n",
    )?;
    Ok(())
}
