//! Metal beside a wall: a screw's head, whose edge is none of the bone's.

mod common;

use common::{CONTRAST, build};
use jawgauge_bone::{BoneWarning, MeasureOptions, Unmeasured, measure_site};
use jawgauge_phantom::{Cortex, Noise, Profile, Storage, render};
use jawgauge_volume::Rescale;

/// Grey value of metal: titanium lies beyond three times cortex where the scale holds it.
const METAL: f64 = 4200.0;

#[test]
fn no_width_is_told_where_metal_lies_at_its_end() {
    let profile = Profile::Rounded { radius_mm: 3.0, height_mm: 18.0 };
    let mut scene = build(profile, Cortex::even(1.4), 0.0, 0.45, false).expect("a ridge");
    scene.noise = Noise { sd: CONTRAST / 25.0, seed: 5 };
    let geometry = scene.ridge.grid(&scene.grid).expect("a grid");
    let frame = scene.frame();
    // A head 2.4 mm wide lies on the buccal surface, 5 mm below the crest.
    let head = |p| {
        let (at, mesial_mm) = frame.section_from_patient(p);
        let (buccal, apical) = (at.buccal_mm - 3.0, at.apical_mm - 5.0);
        buccal > -0.6 && buccal < 0.9 && apical.hypot(mesial_mm) < 1.2
    };
    let rescale = Rescale { slope: 1.0, intercept: -2000.0 };
    let volume = render(geometry, Storage::Unsigned, rescale, scene.noise, |p| {
        if head(p) { METAL } else { scene.ridge.grey_at(p) }
    })
    .expect("a scan");
    let options = MeasureOptions::default().with_levels_mm(vec![2.0, 5.0, 9.0, 11.0]);
    let found = measure_site(&volume, frame, scene.point(), &[], &options).expect("measured");
    assert!(
        matches!(found.widths[1], Err(Unmeasured::BesideMetal { .. })),
        "{:?}",
        found.widths[1]
    );
    assert!(found.min_width.is_none(), "the least may lie beside the metal");
    assert!(found.warnings.iter().any(|w| matches!(w, BoneWarning::Metal { .. })));
    for n in [0, 2, 3] {
        let width = found.widths[n].as_ref().expect("a width").width;
        let off = width.mm - scene.width_mm(options.levels_mm[n]);
        assert!(off.abs() <= width.u95_mm.min(0.1), "level {n}: {off} of {}", width.u95_mm);
    }
}
