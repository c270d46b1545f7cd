//! Time to outline a section, and to measure a whole site on one core and on two (30 ms is asked).

use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, criterion_group, criterion_main};
use jawgauge_bone::{Limit, LimitForm, LimitKind, MeasureOptions, Outline, contours, measure_site};
use jawgauge_phantom::{DemoJaw, demo_jaw};
use jawgauge_section::{
    Interpolation, RidgeAxis, SectionImage, SectionWindow, SiteFrame, section_frame,
};
use jawgauge_space::SectionFrame;

/// Half-way between the demonstration's soft tissue and cortex.
const THRESHOLD: f64 = 630.0;

fn site_frame(demo: &DemoJaw) -> SectionFrame {
    let truth = &demo.truth;
    let axis = RidgeAxis::through(&truth.axis).expect("an axis");
    let place = axis.nearest_to(truth.at).expect("on the axis");
    let SiteFrame { frame, .. } =
        section_frame(&axis, place, truth.apical.as_vector(), Some(truth.lingual_side))
            .expect("a frame");
    frame
}

fn outlining(c: &mut Criterion) {
    let demo = demo_jaw().expect("the demonstration");
    let frame = site_frame(&demo);
    let window = SectionWindow::about_origin(12.0, 8.0, 32.0);
    let image = SectionImage::resample(&demo.volume, frame, &window, Interpolation::Cubic)
        .expect("a section");
    let mut group = c.benchmark_group("outline of 241x401 samples");
    group
        .sample_size(30)
        .warm_up_time(Duration::from_secs(1))
        .measurement_time(Duration::from_secs(3));
    group.bench_function("contours", |b| b.iter(|| black_box(contours(&image, THRESHOLD))));
    group.bench_function("outer pieces", |b| {
        b.iter(|| black_box(Outline::pieces(&image, THRESHOLD)));
    });
    group.finish();
}

fn measuring(c: &mut Criterion) {
    let demo = demo_jaw().expect("the demonstration");
    let frame = site_frame(&demo);
    let limits = [Limit {
        kind: LimitKind::NerveCanal,
        form: LimitForm::default(),
        points: demo.truth.canal_roof.clone(),
        keep_mm: 2.0,
    }];
    let options = MeasureOptions::default();
    let mut group = c.benchmark_group("a whole site");
    group
        .sample_size(20)
        .warm_up_time(Duration::from_secs(1))
        .measurement_time(Duration::from_secs(4));
    for threads in [1, 2] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a pool");
        group.bench_function(format!("{threads} threads"), |b| {
            let measure = || {
                measure_site(&demo.volume, frame, demo.truth.at, &limits, &options)
                    .expect("measured")
            };
            pool.install(|| b.iter(|| black_box(measure())));
        });
    }
    group.finish();
}

criterion_group!(benches, outlining, measuring);
criterion_main!(benches);
