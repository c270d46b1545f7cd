//! A part of a scan is the same as that part of the whole, however it is stored.

mod common;

use std::path::Path;

use common::base;
use jawgauge_intake::{ReadOptions, open_scan, read_scan};
use jawgauge_phantom::{
    JpegLossless, MultiFrameKind, NiftiOptions, ScanOptions, ScanSyntax, ValueType, ZipMethod,
    encode_jpeg_lossless, encode_rle, write_multi_frame, write_nifti, write_scan, write_zip,
};
use jawgauge_volume::VoxelBox;
use tempfile::TempDir;

/// Scans of the base phantom stored in ways that are read in different ways.
fn stored() -> Vec<(&'static str, TempDir, Option<&'static str>)> {
    let made = |name, entry, write: &dyn Fn(&Path)| {
        let dir = tempfile::tempdir().expect("a folder");
        write(dir.path());
        (name, dir, entry)
    };
    let series = |options: ScanOptions| {
        move |dir: &Path| {
            write_scan(dir, base(), &options).expect("written");
        }
    };
    let rle = |_: usize, s: &[u16], _: u16, columns: u16| encode_rle(s, columns);
    let jpeg = |_: usize, s: &[u16], rows: u16, columns: u16| {
        encode_jpeg_lossless(s, columns, rows, JpegLossless::default())
    };
    let frames = ScanOptions::default().with_encoded_frames("1.2.840.10008.1.2.4.70", jpeg);
    vec![
        made("series", None, &series(ScanOptions::default())),
        made(
            "big endian",
            None,
            &series(ScanOptions::default().with_syntax(ScanSyntax::ExplicitBigEndian)),
        ),
        made("deflated", None, &series(ScanOptions::default().with_syntax(ScanSyntax::Deflated))),
        made(
            "rle",
            None,
            &series(ScanOptions::default().with_encoded_frames("1.2.840.10008.1.2.5", rle)),
        ),
        made("frames", None, &|dir| {
            let kind = MultiFrameKind::EnhancedCt;
            write_multi_frame(&dir.join("all"), base(), kind, &ScanOptions::default())
                .expect("written");
        }),
        made("jpeg frames", None, &|dir| {
            write_multi_frame(&dir.join("all"), base(), MultiFrameKind::PlainCt, &frames)
                .expect("written");
        }),
        made("deflated frames", None, &|dir| {
            let options = ScanOptions::default().with_syntax(ScanSyntax::Deflated);
            write_multi_frame(&dir.join("all"), base(), MultiFrameKind::EnhancedCt, &options)
                .expect("written");
        }),
        made("archive", Some("scan.zip"), &|dir| {
            let inside = tempfile::tempdir().expect("a folder");
            write_scan(inside.path(), base(), &ScanOptions::default()).expect("written");
            write_zip(inside.path(), &dir.join("scan.zip"), ZipMethod::Deflated).expect("packed");
        }),
        made("packed floats", Some("scan.nii.gz"), &|dir| {
            let options = NiftiOptions::default().with_type(ValueType::F32);
            write_nifti(&dir.join("scan.nii.gz"), base(), &options).expect("written");
        }),
    ]
}

#[test]
fn a_part_has_the_voxels_of_the_whole_whatever_the_storage() {
    let part = VoxelBox { first: [31, 22, 17], size: [40, 33, 29] };
    let mut ways = 0;
    for (name, dir, entry) in stored() {
        let path = entry.map_or_else(|| dir.path().to_owned(), |entry| dir.path().join(entry));
        let whole = read_scan(&path, None).expect(name).volume;
        let open = open_scan(&path, &ReadOptions::default()).expect(name);
        let read = open.read_part(part, None).expect(name).volume;
        assert_eq!(read.geometry(), whole.geometry(), "{name}");
        assert_eq!(read.voxels().dims(), part.size, "{name}");
        for k in 0..part.size[2] {
            for j in 0..part.size[1] {
                for i in 0..part.size[0] {
                    let at = [part.first[0] + i, part.first[1] + j, part.first[2] + k];
                    let [a, b] = [&read, &whole].map(|v| v.voxel_grey(at[0], at[1], at[2]));
                    assert!(a == b && a.is_some(), "{name} {at:?}: {a:?}, {b:?}");
                }
            }
        }
        assert_eq!(read.missed_voxels(), None, "{name}");
        // A voxel beside it is not there, and that is remembered.
        assert_eq!(read.voxel_grey(30, 22, 17), None, "{name}");
        let missed = read.missed_voxels().expect("missed");
        assert_eq!((missed.first, missed.size), ([30, 22, 17], [1, 1, 1]), "{name}");
        ways += 1;
    }
    assert_eq!(ways, 9);
}

#[test]
fn a_part_that_reaches_out_of_the_grid_is_refused() {
    let (_, dir, _) = stored().remove(0);
    let open = open_scan(dir.path(), &ReadOptions::default()).expect("open");
    for (first, size) in [([0; 3], [121, 1, 1]), ([0, 0, 80], [1, 1, 1]), ([5; 3], [0, 1, 1])] {
        let error = open.read_part(VoxelBox { first, size }, None).expect_err("out of the grid");
        assert_eq!(error.code(), "no-volume");
    }
}
