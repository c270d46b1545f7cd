//! What reading costs in memory, seen from outside: a second process reads the scan and
//! notes its peak (`VmHWM` of proc(5), Linux only).
#![cfg(target_os = "linux")]

mod common;

use std::path::Path;
use std::process::Command;

use common::{grid, in_one, jpeg, written};
use jawgauge_intake::read_scan;
use jawgauge_phantom::{
    MultiFrameKind, ScanOptions, ScanSyntax, ZipMethod, p0_rescale, sample_shape, write_zip,
};

/// Tells the second process which folder to read.
const FOLDER: &str = "JAWGAUGE_TEST_FOLDER";
/// The most that reading may hold at once, in units of the stored voxels.
const MOST: f64 = 1.2;

fn peak_bytes() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("a status");
    let line = status.lines().find(|l| l.starts_with("VmHWM:")).expect("a peak");
    let kilobytes: f64 = line.split_whitespace().nth(1).expect("a number").parse().expect("whole");
    kilobytes * 1024.0
}

#[test]
fn reading_holds_no_second_copy_of_the_volume() {
    if let Some(folder) = std::env::var_os(FOLDER) {
        let before = peak_bytes();
        let scan = read_scan(Path::new(&folder), None).expect("read");
        let grown = peak_bytes() - before;
        let [ni, nj, nk] = scan.volume.geometry().dims();
        let ratio = grown / (ni * nj * nk * 2) as f64;
        assert!(ratio <= MOST, "{ratio:.3} of the stored voxels");
        assert!(ratio >= 0.9, "{ratio:.3}: not measured");
        return;
    }
    let steps = [[0.3, 0.0, 0.0], [0.0, 0.3, 0.0], [0.0, 0.0, 0.3]];
    let geometry = grid([320, 320, 320], [0.0, 0.0, 0.0], steps);
    let grey = |p: jawgauge_space::PatientPoint| p.to_array()[2].mul_add(10.0, 100.0).round();
    let volume = sample_shape(geometry, p0_rescale(), grey, 1).expect("a volume");
    let in_syntax = |syntax| ScanOptions::default().with_syntax(syntax);
    for (name, options) in [
        ("native", ScanOptions::default()),
        ("big endian", in_syntax(ScanSyntax::ExplicitBigEndian)),
        ("deflated", in_syntax(ScanSyntax::Deflated)),
        ("JPEG", jpeg()),
    ] {
        let slices = written(&volume, &options);
        assert_reads_within(slices.path(), &format!("{name}, slices"));
        let (object, _) = in_one(&volume, MultiFrameKind::EnhancedCt, &options);
        assert_reads_within(object.path(), &format!("{name}, one object"));
        let packed = tempfile::tempdir().expect("a folder");
        let archive = packed.path().join("scan.zip");
        write_zip(slices.path(), &archive, ZipMethod::Deflated).expect("written");
        assert_reads_within(&archive, &format!("{name}, packed"));
    }
}

/// Reads in a process of its own.
fn assert_reads_within(scan: &Path, name: &str) {
    let output = Command::new(std::env::current_exe().expect("this test"))
        .args(["--exact", "reading_holds_no_second_copy_of_the_volume", "--nocapture"])
        .env(FOLDER, scan)
        .output()
        .expect("run");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{name}: {said}");
}
