//! What a scan's grey values tell: known tissues with known noise, on any storage, however it lies.

use jawgauge_bone::{GreySurvey, Landmark, NoLandmark, survey_greys};
use jawgauge_phantom::{Noise, Storage, demo_jaw, p0, render};
use jawgauge_space::{Affine, PatientPoint, PatientVector};
use jawgauge_volume::{Rescale, StoredVoxels, Volume, VolumeGeometry, VoxelBox};

const RESCALE: Rescale = Rescale { slope: 1.0, intercept: -3000.0 };
/// Edge of a voxel, mm.
const PITCH_MM: f64 = 0.4;
/// Columns, rows, slices.
const DIMS: [usize; 3] = [90, 80, 70];

fn grid(dims: [usize; 3], steps: [PatientVector; 3]) -> VolumeGeometry {
    let affine = Affine::new(PatientPoint::new(0.0, 0.0, 0.0), steps).expect("an affine");
    VolumeGeometry::new(dims, affine).expect("a grid")
}

fn upright(dims: [usize; 3]) -> VolumeGeometry {
    let [x, y, z] = [[PITCH_MM, 0.0, 0.0], [0.0, PITCH_MM, 0.0], [0.0, 0.0, PITCH_MM]];
    grid(dims, [x, y, z].map(|[x, y, z]| PatientVector::new(x, y, z)))
}

/// Greys of air, soft tissue, marrow, cortex.
type Greys = [f64; 4];
const GREYS: Greys = [-900.0, 40.0, 420.0, 1300.0];

/// A block of soft tissue, 4 mm of air in front of it, with a cylinder of bone along x: cortex
/// 3 mm thick round marrow.
fn tissue(greys: Greys, p: PatientPoint) -> f64 {
    let [air, soft, marrow, cortex] = greys;
    let [_, y, z] = p.to_array();
    let (y, z) = (y - 18.0, z - 14.0);
    let radius = y.hypot(z);
    if radius < 4.0 {
        marrow
    } else if radius < 7.0 {
        cortex
    } else if y < -14.0 {
        air
    } else {
        soft
    }
}

fn scan(greys: Greys, sd: f64) -> Volume {
    let noise = Noise { sd, seed: 11 };
    let grey = |p| tissue(greys, p);
    render(upright(DIMS), Storage::Unsigned, RESCALE, noise, grey).expect("a scan")
}

fn found(landmark: Result<Landmark, NoLandmark>) -> f64 {
    landmark.expect("a landmark").grey
}

fn assert_greys(survey: &GreySurvey, [air, soft, _, cortex]: Greys, within: f64) {
    for (what, landmark, grey) in [
        ("air", survey.air, air),
        ("soft", survey.soft_tissue, soft),
        ("bone", survey.bone, cortex),
    ] {
        let found = found(landmark);
        assert!((found - grey).abs() <= within, "{what}: {found}, true {grey}, {survey:#?}");
    }
    assert_eq!(survey.air_or_soft, None);
}

/// The same scan with every stored value and its slices' rescale seen to by a function.
fn remade(volume: &Volume, voxels: StoredVoxels, rescale: Vec<Rescale>) -> Volume {
    Volume::new(volume.geometry().clone(), voxels, rescale).expect("a volume")
}

/// The grey values of a scan as floating-point voxels, changed by `edit` at each index `[k, j, i]`.
fn floats(volume: &Volume, edit: impl Fn([usize; 3], f32) -> f32) -> Volume {
    let StoredVoxels::Unsigned(stored) = volume.voxels() else { panic!("unsigned voxels") };
    let shift = 3000.0;
    let mut greys = stored.mapv(|v| f32::from(v) - shift);
    for ((k, j, i), grey) in greys.indexed_iter_mut() {
        *grey = edit([k, j, i], *grey);
    }
    let one = Rescale { slope: 1.0, intercept: 0.0 };
    remade(volume, StoredVoxels::Float(greys), vec![one; volume.geometry().dims()[2]])
}

#[test]
fn known_greys_and_white_noise_are_recovered() {
    for sd in [10.0, 25.0, 60.0, 120.0] {
        let survey = survey_greys(&scan(GREYS, sd));
        assert_greys(&survey, GREYS, 0.1 * sd);
        for landmark in [survey.air, survey.soft_tissue, survey.bone] {
            let noise = landmark.expect("found").noise.expect("enough of it");
            assert!((noise / sd - 1.0).abs() < 0.04, "{noise} instead of {sd}, {survey:#?}");
        }
        let ratio = survey.contrast_to_noise().expect("both known");
        assert!((ratio * sd / (1300.0 - 40.0) - 1.0).abs() < 0.05, "{ratio}");
        assert_eq!(survey.metal_share, Some(0.0));
    }
}

#[test]
fn greys_of_any_origin_and_unit_are_recovered() {
    // Nothing is taken from the values as such: air may be 0 or 40, steps may be small.
    for greys in
        [[0.0, 500.0, 700.0, 1150.0], [40.0, 980.0, 1200.0, 1800.0], [2.0, 9.0, 11.0, 20.0]]
    {
        let step = greys[1] - greys[0];
        let volume = scan(GREYS, 30.0);
        let scale = |grey: f32| {
            let shares = |a: usize, b: usize| (f64::from(grey) - GREYS[a]) / (GREYS[b] - GREYS[a]);
            let (a, b) = if f64::from(grey) < GREYS[1] { (0, 1) } else { (1, 3) };
            // Within the range of single precision.
            #[allow(clippy::cast_possible_truncation)]
            let out = (greys[a] + shares(a, b) * (greys[b] - greys[a])) as f32;
            out
        };
        let survey = survey_greys(&floats(&volume, |_, grey| scale(grey)));
        assert_greys(&survey, greys, 0.02 * step);
    }
}

#[test]
fn the_demonstration_is_told_with_its_teeth() {
    // Air, soft tissue, marrow, cortex, dentine, enamel; noise of 50 grey steps.
    let survey = survey_greys(&demo_jaw().expect("a jaw").volume);
    let within = |grey: f64, low: f64, high: f64| assert!(low < grey && grey < high, "{survey:#?}");
    within(found(survey.air), -1003.0, -997.0);
    within(found(survey.soft_tissue), 55.0, 65.0);
    within(found(survey.bone), 1200.0 - 0.02 * 1140.0, 1205.0);
    // The tooth's ligament and other thin things lie in soft tissue.
    within(survey.noise().expect("noise"), 48.0, 58.0);
    assert_eq!(survey.metal_share, Some(0.0), "enamel is no metal: {survey:#?}");
}

/// One pass of a Gaussian of one voxel along an axis of a row-major block.
fn blurred(values: &[f64], [ni, nj, nk]: [usize; 3], axis: usize) -> Vec<f64> {
    let weights: Vec<f64> = (-4..=4).map(|d| (-0.5 * f64::from(d * d)).exp()).collect();
    let sum: f64 = weights.iter().sum();
    let (stride, length) = [(1, ni), (ni, nj), (ni * nj, nk)][axis];
    let place = |n: usize| (n / stride) % length;
    let taps = |n: usize| {
        weights.iter().enumerate().map(move |(t, w)| {
            let to = (place(n) + t + length - 4) % length;
            (n - place(n) * stride + to * stride, w / sum)
        })
    };
    (0..values.len()).map(|n| taps(n).map(|(m, w)| w * values[m]).sum()).collect()
}

#[test]
fn noise_that_was_smoothed_by_one_voxel_is_found_as_it_is() {
    let sd = 200.0;
    let white = Noise { sd, seed: 5 };
    let flat = render(upright(DIMS), Storage::Unsigned, RESCALE, white, |_| 0.0).expect("noise");
    let [ni, nj, nk] = DIMS;
    let mut noise = Vec::with_capacity(ni * nj * nk);
    for k in 0..nk {
        for j in 0..nj {
            noise.extend((0..ni).map(|i| flat.voxel_grey(i, j, k).expect("scanned")));
        }
    }
    for axis in 0..3 {
        noise = blurred(&noise, DIMS, axis);
    }
    let true_sd = (noise.iter().map(|v| v * v).sum::<f64>() / noise.len() as f64).sqrt();
    assert!((5.0..100.0).contains(&true_sd), "{true_sd}");
    // Within the range of single precision.
    #[allow(clippy::cast_possible_truncation)]
    let noisy =
        floats(&scan(GREYS, 0.0), |[k, j, i], grey| grey + noise[(k * nj + j) * ni + i] as f32);
    let survey = survey_greys(&noisy);
    let found = survey.noise().expect("noise");
    assert!((found / true_sd - 1.0).abs() < 0.03, "{found} instead of {true_sd}");
    // Neighbours would say much less: at one voxel's distance the grain is the same.
    let near = (0..noise.len() - 1).map(|n| (noise[n + 1] - noise[n]).powi(2)).sum::<f64>();
    let near = (near / noise.len() as f64 / 2.0).sqrt();
    assert!(near < 0.6 * true_sd, "{near} {true_sd}");
}

#[test]
fn a_mirrored_or_turned_scan_tells_the_same() {
    let volume = scan(GREYS, 40.0);
    let straight = survey_greys(&volume);
    let StoredVoxels::Unsigned(stored) = volume.voxels() else { panic!("unsigned voxels") };
    for axis in 0..3 {
        let mut mirrored = stored.clone();
        let n = stored.shape().to_vec();
        for ((k, j, i), value) in mirrored.indexed_iter_mut() {
            let mut at = [k, j, i];
            at[axis] = n[axis] - 1 - at[axis];
            *value = stored[at];
        }
        let rescale = vec![RESCALE; DIMS[2]];
        let mirrored = remade(&volume, StoredVoxels::Unsigned(mirrored), rescale);
        assert_eq!(survey_greys(&mirrored), straight, "axis {axis}");
    }
    // Slices become columns: the borders of tissues are counted along other lines.
    let turned = stored.clone().reversed_axes().as_standard_layout().to_owned();
    let ([ni, nj, nk], [x, y, z]) = (DIMS, upright(DIMS).affine().steps());
    let geometry = grid([nk, nj, ni], [z, y, x]);
    let turned = Volume::new(geometry, StoredVoxels::Unsigned(turned), vec![RESCALE; ni]);
    assert_eq!(survey_greys(&turned.expect("a volume")), straight);
}

#[test]
fn signed_voxels_and_a_rescale_for_each_slice_change_nothing() {
    let volume = scan(GREYS, 40.0);
    let straight = survey_greys(&volume);
    let StoredVoxels::Unsigned(stored) = volume.voxels() else { panic!("unsigned voxels") };
    let signed = stored.mapv(|v| i16::try_from(v).expect("small") - 2000);
    let shifted = Rescale { slope: 1.0, intercept: -1000.0 };
    let same = remade(&volume, StoredVoxels::Signed(signed), vec![shifted; DIMS[2]]);
    assert_eq!(survey_greys(&same), straight);
    let mut doubled = stored.clone();
    let mut rescale = vec![RESCALE; DIMS[2]];
    for ((k, _, _), value) in doubled.indexed_iter_mut() {
        if k % 2 == 1 {
            *value *= 2;
            rescale[k].slope = 0.5;
        }
    }
    let same = remade(&volume, StoredVoxels::Unsigned(doubled), rescale);
    assert_eq!(survey_greys(&same), straight);
    assert_eq!(survey_greys(&floats(&volume, |_, grey| grey)), straight);
}

#[test]
fn what_was_not_scanned_is_counted_and_is_no_tissue() {
    let volume = scan(GREYS, 40.0);
    let straight = survey_greys(&volume);
    // A fifth of the slices absent, and a fifth of the columns padding with a value of its own.
    let absent = (0..DIMS[2]).map(|k| k < DIMS[2] / 5).collect();
    let some = volume.clone().with_absent_slices(absent).expect("one mark a slice");
    let survey = survey_greys(&some);
    assert!((survey.not_scanned_share - 0.2).abs() < 1e-12, "{survey:#?}");
    assert_greys(&survey, GREYS, 8.0);
    let StoredVoxels::Unsigned(stored) = volume.voxels() else { panic!("unsigned voxels") };
    let mut padded = stored.clone();
    for ((_, _, i), value) in padded.indexed_iter_mut() {
        if i < DIMS[0] / 5 {
            *value = 65_535;
        }
    }
    let rescale = vec![RESCALE; DIMS[2]];
    let padded =
        remade(&volume, StoredVoxels::Unsigned(padded), rescale).with_padding(65_535, 65_535);
    let survey = survey_greys(&padded);
    assert!((survey.not_scanned_share - 0.2).abs() < 1e-12, "{survey:#?}");
    assert_greys(&survey, GREYS, 8.0);
    assert_eq!(survey.metal_share, Some(0.0));
    let with_nan = floats(&volume, |[_, _, i], grey| if i < 18 { f32::NAN } else { grey });
    assert!((survey_greys(&with_nan).not_scanned_share - 0.2).abs() < 1e-12);
    assert_eq!(straight.not_scanned_share, 0.0);

    let none = volume.with_absent_slices(vec![true; DIMS[2]]).expect("one mark a slice");
    let survey = survey_greys(&none);
    assert_eq!(survey.soft_tissue, Err(NoLandmark::NothingScanned));
    assert_eq!((survey.not_scanned_share, survey.usual_range), (1.0, None));
}

#[test]
fn an_undeclared_fill_round_the_scanned_cylinder_is_not_air() {
    let volume = scan(GREYS, 40.0);
    let filled = floats(&volume, |[_, j, i], grey| {
        let centre = [DIMS[0], DIMS[1]].map(|n| (n as f64 - 1.0) / 2.0);
        let out = (i as f64 - centre[0]).hypot(j as f64 - centre[1]);
        if out > 0.5 * DIMS[1] as f64 { -2000.0 } else { grey }
    });
    let survey = survey_greys(&filled);
    assert!((survey.fill.expect("a fill") + 2000.0).abs() < 0.1, "{survey:#?}");
    assert_greys(&survey, GREYS, 8.0);
}

#[test]
fn metal_is_counted_and_moves_no_landmark() {
    let straight = survey_greys(&scan(GREYS, 40.0));
    for value in [3071.0, 8000.0, 29_767.0] {
        let ball = |[k, j, i]: [usize; 3]| {
            let out = [k as f64 - 60.0, j as f64 - 70.0, i as f64 - 45.0];
            out.iter().map(|d| d * d).sum::<f64>() < 36.0
        };
        let volume = floats(&scan(GREYS, 40.0), |at, grey| if ball(at) { value } else { grey });
        let mut count = 0_u32;
        for k in 0..DIMS[2] {
            for j in 0..DIMS[1] {
                count += (0..DIMS[0]).map(|i| u32::from(ball([k, j, i]))).sum::<u32>();
            }
        }
        let share = f64::from(count) / (90.0 * 80.0 * 70.0);
        let survey = survey_greys(&volume);
        let found = survey.metal_share.expect("bone was found");
        assert!((found - share).abs() < 1e-9, "{found} instead of {share} at {value}");
        for (a, b) in [
            (survey.air, straight.air),
            (survey.soft_tissue, straight.soft_tissue),
            (survey.bone, straight.bone),
        ] {
            let (a, b) = (a.expect("found"), b.expect("found"));
            assert!((a.grey - b.grey).abs() < 4.0, "{a:?} {b:?}");
        }
    }
    assert_eq!(straight.metal_share, Some(0.0));
}

#[test]
fn a_cut_out_without_air_has_no_air() {
    let cut_out = |greys: Greys| {
        let tissue = |p: PatientPoint| match tissue(greys, p) {
            grey if grey == greys[0] => greys[1],
            grey => grey,
        };
        render(upright(DIMS), Storage::Unsigned, RESCALE, Noise { sd: 30.0, seed: 3 }, tissue)
            .expect("a scan")
    };
    // With marrow, and with bone that is all cortex: two peaks, which might be air and soft tissue.
    for greys in [GREYS, [-900.0, 40.0, 1300.0, 1300.0]] {
        let survey = survey_greys(&cut_out(greys));
        assert_eq!(survey.air, Err(NoLandmark::AirOrSoft), "{survey:#?}");
        assert_eq!(survey.soft_tissue, Err(NoLandmark::AirOrSoft), "{survey:#?}");
        let darker = survey.air_or_soft.expect("one of them");
        assert!((darker.grey - 40.0).abs() < 5.0, "{survey:#?}");
        assert!((found(survey.bone) - 1300.0).abs() < 8.0, "{survey:#?}");
        let noise = survey.noise().expect("of what is darker");
        assert!((noise / 30.0 - 1.0).abs() < 0.1, "{noise}");
        assert_eq!(survey.contrast_to_noise(), None);
        assert_eq!(survey.metal_share, Some(0.0));
    }
}

#[test]
fn bone_that_lies_in_air_is_not_called_bone_in_soft_tissue() {
    let dry = [-900.0, -900.0, 420.0, 1300.0];
    let survey = survey_greys(&scan(dry, 30.0));
    assert_eq!(survey.soft_tissue, Err(NoLandmark::AirOrSoft), "{survey:#?}");
    assert!((found(survey.bone) - 1300.0).abs() < 8.0, "{survey:#?}");
    assert!((survey.air_or_soft.expect("one of them").grey + 900.0).abs() < 5.0, "{survey:#?}");
}

#[test]
fn noise_alone_is_no_tissue() {
    let noise = Noise { sd: 50.0, seed: 8 };
    let water = render(upright(DIMS), Storage::Signed, RESCALE, noise, |_| 0.0).expect("a scan");
    let survey = survey_greys(&water);
    for landmark in [survey.air, survey.soft_tissue, survey.bone] {
        assert_eq!(landmark, Err(NoLandmark::OneKind));
    }
    assert_eq!(
        (survey.noise(), survey.contrast_to_noise(), survey.metal_share),
        (None, None, None)
    );
    let (low, high) = survey.usual_range.expect("scanned");
    // 0.05 % of a normal distribution lie beyond 3.29 standard deviations at either end (tables of
    // the normal distribution).
    assert!((low + 164.5).abs() < 5.0 && (high - 164.5).abs() < 5.0, "{low} {high}");
}

#[test]
fn a_part_of_a_scan_is_surveyed_and_nothing_beyond_it_asked_for() {
    let volume = scan(GREYS, 40.0);
    let StoredVoxels::Unsigned(stored) = volume.voxels() else { panic!("unsigned voxels") };
    let rescale = vec![RESCALE; DIMS[2] + 9];
    let geometry = upright([DIMS[0] + 4, DIMS[1] + 6, DIMS[2] + 9]);
    let part = VoxelBox { first: [1, 5, 2], size: DIMS };
    let part = Volume::of_part(geometry, part, StoredVoxels::Unsigned(stored.clone()), rescale)
        .expect("a part");
    assert_eq!(survey_greys(&part), survey_greys(&volume));
    assert_eq!(part.missed_voxels(), None);
}

#[test]
fn the_number_of_threads_and_the_run_do_not_matter() {
    let volume = p0();
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        pool.install(|| survey_greys(&volume))
    };
    assert_eq!([with(4), with(4)], [with(1), with(1)]);
}

#[test]
fn a_large_scan_is_read_in_part_and_tells_the_same() {
    // 64 million voxels, 1 row in 22 read; the small one is read whole.
    let small = survey_greys(&scan(GREYS, 40.0));
    let repeat = |p: PatientPoint| {
        let [x, y, z] = p.to_array();
        tissue(GREYS, PatientPoint::new(x, y % 32.0, z % 28.0))
    };
    let volume = render(
        upright([400, 400, 400]),
        Storage::Unsigned,
        RESCALE,
        Noise { sd: 40.0, seed: 2 },
        repeat,
    )
    .expect("a scan");
    let large = survey_greys(&volume);
    assert_greys(&large, GREYS, 8.0);
    let (a, b) = (small.noise().expect("noise"), large.noise().expect("noise"));
    assert!((a / b - 1.0).abs() < 0.03, "{a} {b}");
}
