//! Time to read a scan of 300 slices of 400 x 400, its files in the page cache.

use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use jawgauge_intake::{ReadOptions, list_series, read_scan};
use jawgauge_phantom::{ScanOptions, sample_shape, write_scan};
use jawgauge_space::{Affine, PatientPoint, PatientVector};
use jawgauge_volume::{Rescale, VolumeGeometry};

const DIMS: [usize; 3] = [400, 400, 300];

fn reading(c: &mut Criterion) {
    let dir = tempfile::tempdir().expect("a folder");
    let steps = [
        PatientVector::new(0.2, 0.0, 0.0),
        PatientVector::new(0.0, 0.2, 0.0),
        PatientVector::new(0.0, 0.0, 0.2),
    ];
    let affine = Affine::new(PatientPoint::new(-40.0, -40.0, -30.0), steps).expect("an affine");
    let geometry = VolumeGeometry::new(DIMS, affine).expect("a grid");
    let grey = |p: PatientPoint| {
        let [x, y, z] = p.to_array();
        400.0 + 10.0 * x - 7.0 * y + 5.0 * z
    };
    let rescale = Rescale { slope: 1.0, intercept: -1024.0 };
    let volume = sample_shape(geometry, rescale, grey, 1).expect("a volume");
    write_scan(dir.path(), &volume, &ScanOptions::default()).expect("written");
    drop(volume);

    let mut group = c.benchmark_group("reading 300 slices of 400x400");
    group
        .sample_size(10)
        .warm_up_time(Duration::from_secs(1))
        .measurement_time(Duration::from_secs(5));
    group.bench_function("headers", |b| {
        b.iter(|| black_box(list_series(dir.path(), &ReadOptions::default()).expect("listed")));
    });
    let bytes = DIMS.iter().map(|&n| n as u64).product::<u64>() * 2;
    group.throughput(Throughput::Bytes(bytes));
    group.bench_function("whole", |b| {
        b.iter(|| black_box(read_scan(dir.path(), None).expect("read")));
    });
    group.finish();
}

criterion_group!(benches, reading);
criterion_main!(benches);
