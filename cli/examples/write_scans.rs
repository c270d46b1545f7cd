//! Writes the scans that the checks against outside libraries read.
//!
//! `write_scans DIR` writes the demonstration jaw to `DIR/demo` and small scans in odd
//! orientations to `DIR/stacks/NAME`; `write_scans --speed DIR` writes one scan of 300 slices of
//! 400 x 400 to `DIR`.

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};

use jawgauge_phantom::{ScanOptions, demo_jaw, sample_shape, write_scan};
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
        [dir] => write_checked_scans(dir),
        _ => Err("usage: write_scans [--speed] DIR".into()),
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

fn write_speed_scan(dir: &Path) -> Result<(), Box<dyn Error>> {
    fs::create_dir_all(dir)?;
    let along = |axis: usize| {
        let mut step = [0.0; 3];
        step[axis] = SPEED_VOXEL_MM;
        PatientVector::from(step)
    };
    let affine = Affine::new(PatientPoint::new(-40.0, -40.0, -30.0), [0, 1, 2].map(along))?;
    let geometry = VolumeGeometry::new(SPEED_DIMS, affine)?;
    // A wavy field: neither flat nor in need of a random generator.
    let grey = |p: PatientPoint| {
        let [x, y, z] = p.to_array();
        400.0 + 500.0 * (0.9 * x).sin() * (0.7 * y).cos() + 300.0 * (0.8 * z).sin()
    };
    let rescale = Rescale { slope: 1.0, intercept: -1024.0 };
    let volume = sample_shape(geometry, rescale, grey, 1)?;
    write_scan(dir, &volume, &ScanOptions::default())?;
    Ok(())
}
