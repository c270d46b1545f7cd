//! Bone under mucosa of a millimetre or two, with air beyond: the mouth itself.

mod common;

use common::build;
use jawgauge_bone::{MeasureOptions, measure_site};
use jawgauge_phantom::{Cortex, CrossSection, Noise, Profile, Ridge, RidgeLook, SoftTissue};
use jawgauge_space::{PatientPoint, PatientVector};

#[test]
fn thin_mucosa_does_not_let_air_set_the_edge_of_the_bone() {
    let mut held = Vec::new();
    for mucosa in [1.0, 1.5, 2.0, 3.0] {
        for noise in [0.0, 50.0] {
            let mut scene = build(
                Profile::Rounded { radius_mm: 4.0, height_mm: 18.0 },
                Cortex::even(1.8),
                0.0,
                0.5,
                false,
            )
            .expect("a ridge");
            let section = CrossSection::new(Profile::Rounded { radius_mm: 4.0, height_mm: 18.0 })
                .and_then(|s| s.with_cortex(Cortex::even(1.8)))
                .and_then(|s| s.with_soft_tissue(SoftTissue::Layer(mucosa)))
                .expect("a section");
            let at = |y: f64| PatientPoint::new(-20.0, y, 0.0);
            let look = RidgeLook { blur_fwhm_mm: 0.5, ..RidgeLook::default() };
            let apical = PatientVector::new(0.0, 0.0, -1.0);
            let lingual = PatientPoint::new(0.0, 0.0, 0.0);
            scene.ridge = Ridge::straight(section, at(3.0), at(-3.0), apical, lingual, look)
                .expect("a ridge");
            scene.noise = Noise { sd: noise, seed: 5 };
            let found = measure_site(
                &scene.volume(),
                scene.frame(),
                scene.point(),
                &[],
                &MeasureOptions::default(),
            )
            .expect("measured");
            for (level, width) in found.levels_mm.iter().zip(&found.widths) {
                let width = width.as_ref().expect("a width").width;
                let off = width.mm - scene.width_mm(*level);
                let said = format!(
                    "{mucosa} mm, noise {noise}, {level}: off by {off}, {width:?}, {:?}",
                    found.bone.threshold
                );
                assert!(off.abs() <= if noise > 0.0 { 0.2 } else { 0.12 }, "{said}");
                held.push(off.abs() <= width.u95_mm);
            }
        }
    }
    let share = held.iter().filter(|h| **h).count() as f64 / held.len() as f64;
    assert!(held.len() == 48 && share >= 0.9, "{share} of {} widths held", held.len());
}
