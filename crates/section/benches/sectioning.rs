//! Time to cut a section of 24 x 40 mm, sampled every 0.1 mm, from the demonstration jaw.

use std::hint::black_box;
use std::time::Duration;

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use jawgauge_phantom::demo_jaw;
use jawgauge_section::{
    Interpolation, RidgeAxis, SectionImage, SectionWindow, SiteFrame, section_frame,
};

fn sectioning(c: &mut Criterion) {
    let demo = demo_jaw().expect("the demonstration");
    let truth = &demo.truth;
    let axis = RidgeAxis::through(&truth.axis).expect("an axis");
    let place = axis.nearest_to(truth.at).expect("on the axis");
    let apical = truth.apical.as_vector();
    let SiteFrame { frame, .. } =
        section_frame(&axis, place, apical, Some(truth.lingual_side)).expect("a frame");
    let window = SectionWindow::about_origin(12.0, 8.0, 32.0);

    let mut group = c.benchmark_group("section of 241x401 samples");
    group
        .sample_size(20)
        .warm_up_time(Duration::from_secs(1))
        .measurement_time(Duration::from_secs(3));
    for threads in [1, 2] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a pool");
        for interpolation in [Interpolation::Linear, Interpolation::Cubic] {
            let id = BenchmarkId::new(format!("{interpolation:?}"), format!("{threads} threads"));
            group.bench_function(id, |b| {
                let cut = || {
                    SectionImage::resample(&demo.volume, frame, &window, interpolation)
                        .expect("a section")
                };
                pool.install(|| b.iter(|| black_box(cut())));
            });
        }
    }
    group.finish();
}

criterion_group!(benches, sectioning);
criterion_main!(benches);
