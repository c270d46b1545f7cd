//! The blur of whole scans, against the blur that they were made with.

mod common;

use common::build;
use jawgauge_bone::{ScanBlur, StepKind, survey_blur, survey_greys};
use jawgauge_phantom::{
    Cortex, CrossSection, GridOptions, Noise, Profile, Ridge, RidgeLook, SoftTissue, Storage,
    demo_jaw, p0, p0_geometry, p0_grey, p0_rescale, render, sample_shape,
};
use jawgauge_space::{PatientPoint, PatientVector};
use jawgauge_volume::{Rescale, Volume};

fn blur_of(volume: &Volume) -> Option<ScanBlur> {
    survey_blur(volume, &survey_greys(volume))
}

/// A ridge under 4 mm of gum, in air.
fn gummed(blur_fwhm_mm: f64, voxel_mm: f64, sd: f64) -> Volume {
    let section = CrossSection::new(Profile::Rounded { radius_mm: 4.0, height_mm: 16.0 })
        .and_then(|s| s.with_lean_deg(6.0))
        .and_then(|s| s.with_cortex(Cortex::even(1.8)))
        .and_then(|s| s.with_soft_tissue(SoftTissue::Layer(5.0)))
        .expect("a section");
    let look = RidgeLook { blur_fwhm_mm, ..RidgeLook::default() };
    let at = |y: f64| PatientPoint::new(-20.0, y, 0.0);
    let apical = PatientVector::new(0.0, 0.0, -1.0);
    let ridge =
        Ridge::straight(section, at(6.0), at(-6.0), apical, PatientPoint::new(0.0, 0.0, 0.0), look)
            .expect("a ridge");
    let grid = GridOptions::default()
        .with_spacing_mm([voxel_mm; 3])
        .with_turn(PatientVector::new(1.0, 2.0, 0.5), 13.0)
        .with_margin_mm(9.0);
    let geometry = ridge.grid(&grid).expect("a grid");
    let rescale = Rescale { slope: 1.0, intercept: -2000.0 };
    render(geometry, Storage::Unsigned, rescale, Noise { sd, seed: 4 }, |p| ridge.grey_at(p))
        .expect("a scan")
}

#[test]
fn the_blur_that_a_scan_was_made_with_is_found_at_the_skin() {
    for blur_mm in [0.3, 0.45, 0.7] {
        for (voxel_mm, sd) in [(0.2, 0.0), (0.2, 60.0), (0.3, 40.0)] {
            let found = blur_of(&gummed(blur_mm, voxel_mm, sd)).expect("clean steps");
            let what = format!("{blur_mm} {voxel_mm} {sd}: {found:?}");
            assert_eq!(found.kind, StepKind::Skin, "{what}");
            assert!((found.in_plane_mm - blur_mm).abs() <= 0.05 * blur_mm, "{what}");
            assert!((found.in_plane_mm - blur_mm).abs() <= 3.0 * found.u_mm, "{what}");
            assert!(found.steps > 60 && found.u_mm < 0.05 * blur_mm, "{what}");
        }
    }
}

#[test]
fn the_demonstration_jaw_has_the_blur_it_was_made_with() {
    let found = blur_of(&demo_jaw().expect("a jaw").volume).expect("clean steps");
    assert!((found.in_plane_mm - 0.45).abs() <= 0.03, "{found:?}");
}

#[test]
fn without_air_the_surface_of_thick_bone_tells_the_blur() {
    let profile = Profile::Plate { width_mm: 8.0, height_mm: 18.0 };
    let mut scene = build(profile, Cortex::even(3.4), 5.0, 0.5, false).expect("a ridge");
    scene.noise = Noise { sd: 40.0, seed: 9 };
    let found = blur_of(&scene.volume()).expect("clean steps");
    assert_eq!(found.kind, StepKind::Bone, "{found:?}");
    assert!((found.in_plane_mm - 0.5).abs() <= 0.05 * 0.5, "{found:?}");
}

#[test]
fn no_scan_is_said_to_be_sharper_than_its_voxels() {
    // Made without blur. The mean over a voxel blurs by its step over the root of 12, one standard
    // deviation.
    let found = blur_of(&p0()).expect("clean steps");
    let voxel = 2.354_820_045 * 0.3 / 12.0_f64.sqrt();
    assert!((found.in_plane_mm - voxel).abs() < 0.01 * voxel, "{found:?}, not {voxel}");
}

#[test]
fn what_has_no_clean_steps_has_no_blur() {
    let flat = sample_shape(p0_geometry(), p0_rescale(), |_| 100.0, 1).expect("a volume");
    assert_eq!(blur_of(&flat), None);
    // Grey values that slope for 6 mm between air, soft tissue and bone: no step is one.
    let slope = |p: PatientPoint| {
        let [x, ..] = p.to_array();
        match x.abs() {
            x if x < 2.0 => 1200.0,
            x if x < 8.0 => 1200.0 - 190.0 * (x - 2.0),
            x if x < 10.0 => 60.0,
            x if x < 15.0 => 60.0 - 212.0 * (x - 10.0),
            _ => -1000.0,
        }
    };
    let sloped = sample_shape(p0_geometry(), p0_rescale(), slope, 2).expect("a volume");
    assert_eq!(blur_of(&sloped), None);
}

#[test]
fn threads_do_not_change_it() {
    let volume = sample_shape(p0_geometry(), p0_rescale(), p0_grey, 2).expect("a volume");
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        pool.install(|| blur_of(&volume)).expect("clean steps")
    };
    assert_eq!(with(1), with(4));
}
