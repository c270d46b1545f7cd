//! Files written and read back by nibabel, SimpleITK and pynrrd, see `fixtures/plain/make.py`.

use std::fs;
use std::path::PathBuf;

use jawgauge_space::{PatientPoint, PatientVector};
use jawgauge_volume::{CubicPatch, Sample, StoredVoxels, Volume, VolumeGeometry};
use ndarray::Array3;

use super::*;

/// Other readers and ours may part by so much, mm.
const AGREE_MM: f64 = 1e-6;

fn folder() -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../fixtures/plain"))
}

/// The stored value of a voxel of two, four or eight bytes.
fn stored(bytes: &[u8], code: VoxelCode, big: bool) -> f64 {
    let mut little = bytes.to_vec();
    if big {
        little.reverse();
    }
    let word = |n: usize| little[..n].to_vec();
    match code {
        VoxelCode::I16 => i16::from_le_bytes(word(2).try_into().expect("2")).into(),
        VoxelCode::U16 => u16::from_le_bytes(word(2).try_into().expect("2")).into(),
        VoxelCode::I32 => i32::from_le_bytes(word(4).try_into().expect("4")).into(),
        VoxelCode::F32 => f32::from_le_bytes(word(4).try_into().expect("4")).into(),
        VoxelCode::F64 => f64::from_le_bytes(word(8).try_into().expect("8")),
        other => panic!("no file has {other:?} unpacked"),
    }
}

#[test]
fn other_libraries_put_every_voxel_to_the_same_place() {
    let table = fs::read_to_string(folder().join("expected.tsv")).expect("the table");
    let (mut files, mut greys) = (0, 0);
    for line in table.lines().skip(1) {
        let fields: Vec<&str> = line.split('\t').collect();
        let numbers: Vec<f64> =
            fields[1..20].iter().map(|f| f.parse().expect("a number")).collect();
        let bytes = fs::read(folder().join(fields[0])).expect("the file");
        let length = Some(bytes.len() as u64);
        let volume = match recognise(&bytes) {
            Some(PlainKind::Nifti) => parse_nifti(&bytes, length),
            Some(PlainKind::Nrrd) => parse_nrrd(&bytes, length),
            None => panic!("{line}"),
        };
        let volume = volume.unwrap_or_else(|fault| panic!("{}: {fault}", fields[0]));
        assert_eq!(volume.dims.map(|n| n as f64), numbers[..3], "{line}");
        let row = |n: usize| std::array::from_fn(|c| numbers[3 + 4 * n + c]);
        assert_rows(&volume.affine, [row(0), row(1), row(2)], AGREE_MM);
        files += 1;
        if volume.gzip {
            continue;
        }
        let data = match &volume.place {
            DataPlace::SameFile => bytes,
            DataPlace::Beside(name) => fs::read(folder().join(name)).expect("voxels"),
        };
        let start = volume.start.at + volume.start.bytes.expect("from the start");
        assert_eq!(volume.judge_length(data.len() as u64 - volume.start.at), Ok(None), "{line}");
        // In the table, voxels are counted from 0.
        let [i, j, k] = [numbers[15], numbers[16], numbers[17]];
        let index = i + 4.0 * (j + 3.0 * k);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let from = start as usize + index as usize * volume.code.bytes() as usize;
        #[allow(clippy::cast_possible_truncation)]
        let voxel = &data[from..from + volume.code.bytes() as usize];
        let grey = stored(voxel, volume.code, volume.big_endian) * volume.rescale.slope
            + volume.rescale.intercept;
        assert!((grey - numbers[18]).abs() < 1e-4, "{line}: {grey}");
        greys += 1;
    }
    assert!(files >= 17 && greys >= 15, "{files} files, {greys} voxels");
}

#[test]
fn what_other_libraries_leave_unsaid_is_told() {
    let notes = |name: &str| {
        let bytes = fs::read(folder().join(name)).expect("the file");
        let parse = if name.ends_with(".nii") { parse_nifti } else { parse_nrrd };
        parse(&bytes, Some(bytes.len() as u64)).expect("a volume").notes
    };
    let unsaid = |field| vec![PlainNote::UnitNotSaid { field }];
    // nibabel says no unit unless told to; SimpleITK none in NRRD.
    assert_eq!(notes("sform-oblique.nii"), unsaid("xyzt_units"));
    assert_eq!(notes("itk-double.nrrd"), unsaid("space units"));
    for name in ["both-forms.nii", "itk.nii", "scaled.nii", "ras.nrrd", "detached.nhdr"] {
        assert_eq!(notes(name), [], "{name}");
    }
    // The k step leans by atan(0.15 / 0.5) degrees.
    let [PlainNote::Sheared { angle_deg }] = notes("sform-sheared.nii")[..] else {
        panic!("no note");
    };
    assert!((angle_deg - 0.3_f64.atan().to_degrees()).abs() < 1e-4, "{angle_deg}");
}

/// What a map of either hand is good for: the same voxels counted the other way along i are the
/// same volume, wherever it is sampled.
#[test]
fn an_index_system_of_the_other_hand_is_the_same_volume() {
    let dims = (7, 6, 9);
    let grey = |i: usize, j: usize, k: usize| {
        i16::try_from(i * i * 11 + j * 17 + k * k * k + i * k).expect("small")
    };
    let steps = [[0.3, 0.05, 0.0], [-0.04, 0.4, 0.1], [0.0, 0.06, 0.5]].map(PatientVector::from);
    let origin = PatientPoint::new(-3.0, 4.0, 5.0);
    let volume = |origin, steps, turned: bool| {
        let voxels = Array3::from_shape_fn(dims, |(k, j, i)| {
            grey(if turned { dims.2 - 1 - i } else { i }, j, k)
        });
        let affine = Affine::new(origin, steps).expect("an affine");
        let geometry = VolumeGeometry::new([dims.2, dims.1, dims.0], affine).expect("a grid");
        let rescale = vec![Rescale { slope: 1.0, intercept: 0.0 }; dims.0];
        Volume::new(geometry, StoredVoxels::Signed(voxels), rescale).expect("a volume")
    };
    let one = volume(origin, steps, false);
    let last = origin + steps[0] * (dims.2 as f64 - 1.0);
    let other = volume(last, [-steps[0], steps[1], steps[2]], true);
    let hand = |v: &Volume| {
        let [i, j, k] = v.geometry().affine().steps();
        i.cross(j).dot(k)
    };
    assert!(hand(&one) > 0.0 && hand(&other) < 0.0);
    let corners = [origin, last + steps[1] * 5.0 + steps[2] * 6.0];
    let patches = [&one, &other].map(|v| CubicPatch::around(v, &corners).expect("a patch"));
    let mut inside = 0;
    for n in 0..200 {
        let share = |m: f64| (f64::from(n) * m).fract();
        let at = origin
            + steps[0] * (share(0.618) * 8.0)
            + steps[1] * (share(0.414) * 5.0)
            + steps[2] * (share(0.732) * 6.0);
        let same = |a: Sample, b: Sample| match (a, b) {
            (Sample::Grey(a), Sample::Grey(b)) => assert!((a - b).abs() < 1e-8, "{a} {b}"),
            (a, b) => assert_eq!(a, b),
        };
        same(one.sample_linear(at), other.sample_linear(at));
        same(patches[0].sample(at), patches[1].sample(at));
        inside += usize::from(one.sample_linear(at) != Sample::Outside);
    }
    assert!(inside > 150, "{inside}");
}
