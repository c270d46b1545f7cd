//! Scans whose grey values were cut off when they were exported: in a window, or to 8 bits.

mod common;

use common::{Scene, scene};
use jawgauge_bone::{BoneWarning, CutOff, MeasureOptions, SiteMeasure, measure_site, survey_greys};
use jawgauge_phantom::{Cortex, Noise, Profile};
use jawgauge_volume::{Rescale, StoredVoxels, Volume};
use ndarray::Array3;

const PROFILE: Profile = Profile::Rounded { radius_mm: 2.5, height_mm: 20.0 };

fn scenes() -> Vec<Scene> {
    let mut scenes = Vec::new();
    for cortex in [Cortex::even(1.4), Cortex::even(2.2)] {
        for sd in [15.0, 40.0] {
            let mut scene = scene(PROFILE, cortex);
            scene.noise = Noise { sd, seed: scenes.len() as u64 };
            scenes.push(scene);
        }
    }
    scenes
}

/// The scene's grey values, changed by `edit` at each index i, j, k, as a scan of `stored`.
fn remade<T>(
    scene: &Scene,
    rescale: Rescale,
    stored: fn(Array3<T>) -> StoredVoxels,
    edit: impl Fn([usize; 3], f64) -> T,
) -> Volume {
    let whole = scene.volume();
    let [ni, nj, nk] = whole.geometry().dims();
    let voxels = Array3::from_shape_fn((nk, nj, ni), |(k, j, i)| {
        edit([i, j, k], whole.voxel_grey(i, j, k).expect("scanned"))
    });
    Volume::new(whole.geometry().clone(), stored(voxels), vec![rescale; nk]).expect("a volume")
}

/// The scene as an export of 8 bits shows it: the grey values of a window, in 256 steps.
fn exported(scene: &Scene, low: f64, high: f64) -> Volume {
    let step = (high - low) / 255.0;
    let rescale = Rescale { slope: step, intercept: low };
    remade(scene, rescale, StoredVoxels::Unsigned, |_, grey| {
        // Clamped to a byte.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let value = ((grey - low) / step).round().clamp(0.0, 255.0) as u16;
        value
    })
}

/// Grey values as floating-point voxels, changed by `edit` at each index i, j, k.
fn edited(scene: &Scene, edit: impl Fn([usize; 3], f64) -> f64) -> Volume {
    let rescale = Rescale { slope: 1.0, intercept: 0.0 };
    remade(scene, rescale, StoredVoxels::Float, |at, grey| {
        // Grey values of a scan have few digits.
        #[allow(clippy::cast_possible_truncation)]
        let value = edit(at, grey) as f32;
        value
    })
}

fn measured(scene: &Scene, volume: &Volume) -> SiteMeasure {
    measure_site(volume, scene.frame(), scene.point(), &[], &MeasureOptions::default())
        .expect("measured")
}

fn cut_off(site: &SiteMeasure) -> Option<CutOff> {
    site.bone.warnings.iter().find_map(|w| match w {
        BoneWarning::GreysCutOff { cut_off } => Some(*cut_off),
        _ => None,
    })
}

/// Errors of widths and of the height, each with its expanded uncertainty.
fn errors(scene: &Scene, site: &SiteMeasure) -> Vec<(f64, f64)> {
    let widths = site.levels_mm.iter().zip(&site.widths).map(|(level, width)| {
        let width = width.as_ref().expect("a width").width;
        (width.mm - scene.width_mm(*level), width.u95_mm)
    });
    let height = site.height.expect("a height");
    widths.chain([(height.mm - scene.height_mm(), height.u95_mm)]).collect()
}

#[test]
fn windows_that_cut_off_bone_or_its_surroundings_are_told_and_the_uncertainty_holds() {
    // Soft tissue is at 60, cortex at 1200.
    let windows = [
        (-200.0, 400.0, (true, false)),
        (-200.0, 600.0, (true, false)),
        (-200.0, 850.0, (true, false)),
        (300.0, 1600.0, (false, true)),
        (150.0, 800.0, (true, true)),
    ];
    let (mut held, mut all) = (0, 0);
    for (low, high, (above, below)) in windows {
        for scene in scenes() {
            let volume = exported(&scene, low, high);
            let site = measured(&scene, &volume);
            let found = cut_off(&site);
            assert_eq!(found, Some(CutOff { above, below }), "{low} to {high}");
            for (off, u95) in errors(&scene, &site) {
                all += 1;
                held += usize::from(off.abs() <= u95);
            }
        }
    }
    let share = held as f64 / all as f64;
    assert!(share >= 0.95, "{share} of {all} held");
}

#[test]
fn scans_with_all_their_grey_values_are_not_said_to_be_cut_off() {
    for scene in scenes() {
        let whole = scene.volume();
        let bytes = exported(&scene, -1100.0, 1500.0);
        let [plain, stepped] = [whole, bytes].map(|volume| measured(&scene, &volume));
        assert_eq!([cut_off(&plain), cut_off(&stepped)], [None, None]);
        for (a, b) in errors(&scene, &plain).iter().zip(errors(&scene, &stepped)) {
            assert!((a.1 - b.1).abs() < 0.05, "{a:?} {b:?}");
        }
    }
    // Air that is cut off in the middle of its noise, as some scanners store it.
    let mut scene = scene(PROFILE, Cortex::even(1.4));
    scene.noise = Noise { sd: 30.0, seed: 1 };
    let volume = exported(&scene, 60.0, 1500.0);
    let site = measured(&scene, &volume);
    assert_eq!(cut_off(&site), None);
    for (off, u95) in errors(&scene, &site) {
        assert!(off.abs() <= u95 + 0.03, "{off} {u95}");
    }
}

#[test]
fn the_share_of_voxels_at_the_highest_value_is_told_where_they_pile_up() {
    let scene = scenes().remove(2);
    let volume = exported(&scene, -200.0, 1150.0);
    let [ni, nj, nk] = volume.geometry().dims();
    let (_, highest) = volume.grey_range().expect("scanned");
    let at = |n: usize| volume.voxel_grey(n % ni, n / ni % nj, n / ni / nj) == Some(highest);
    let voxels = ni * nj * nk;
    let share = (0..voxels).filter(|&n| at(n)).count() as f64 / voxels as f64;
    let told = survey_greys(&volume).cut_off_share.expect("cut off");
    assert!((told - share).abs() < 0.1 * share, "{told} {share}");
    assert_eq!(survey_greys(&exported(&scene, -200.0, 1500.0)).cut_off_share, None);
    // Without noise every tissue has its own one value.
    let mut clean = scenes().remove(2);
    clean.noise = Noise::none();
    assert_eq!(survey_greys(&clean.volume()).cut_off_share, None);
}

#[test]
fn what_was_cut_off_is_seen_though_it_has_not_one_value() {
    for scene in scenes() {
        let by_slice = edited(&scene, |[_, _, k], grey| {
            grey.min(600.0 + f64::from(u32::try_from(k * 7 % 5).expect("small")))
        });
        let ruffled = edited(&scene, |[i, j, k], grey| {
            grey.min(600.0)
                + f64::from(u32::try_from((i * 31 + j * 17 + k * 7) % 5).expect("small"))
        });
        let spot =
            edited(
                &scene,
                |[i, j, k], grey| {
                    if (i + j + k) % 50 == 0 { grey.min(601.0) } else { grey.min(600.0) }
                },
            );
        for volume in [by_slice, ruffled, spot] {
            let site = measured(&scene, &volume);
            assert_eq!(cut_off(&site), Some(CutOff { above: true, below: false }));
            for (off, u95) in errors(&scene, &site) {
                assert!(off.abs() <= u95, "{off} {u95}");
            }
        }
    }
}

#[test]
fn a_ceiling_within_the_noise_of_the_cortex_moves_nothing_and_widens_nothing() {
    // The cortex is at 1200.
    for scene in scenes() {
        let [cut, whole] = [1200.0, 5000.0].map(|ceiling| {
            let volume = edited(&scene, |_, grey| grey.min(ceiling));
            measured(&scene, &volume)
        });
        assert_eq!(cut_off(&cut), None);
        for (a, b) in errors(&scene, &cut).iter().zip(errors(&scene, &whole)) {
            assert!((a.0 - b.0).abs() < 0.03 && a.0.abs() <= a.1, "{a:?} {b:?}");
        }
    }
}
