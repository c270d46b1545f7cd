//! What the figures are uncertain by, on ridges whose answers are known: Monte Carlo against the linear
//! budget, the axis' direction, a given blur, blur apart along z, scale, place of the site, limits.

mod common;

use common::{Scene, build, scene};
use jawgauge_bone::gum::Source;
use jawgauge_bone::{
    BlurSource, BoneWarning, Limit, LimitForm, LimitKind, MeasureOptions, Measured, SiteMeasure,
    Width, measure_site,
};
use jawgauge_phantom::{Cortex, Noise, Profile, Storage, render};
use jawgauge_space::{PatientPoint, PatientVector, SectionFrame};
use jawgauge_volume::{Rescale, Volume};

const FLAT: Profile = Profile::Plate { width_mm: 6.0, height_mm: 18.0 };
const ROUNDED: Profile = Profile::Rounded { radius_mm: 3.5, height_mm: 20.0 };
const CORTEX: Cortex = Cortex { buccal_mm: 1.3, lingual_mm: 1.8, crest_mm: 2.0, base_mm: 2.0 };
const VOXEL_MM: f64 = 0.3;

fn noisy(profile: Profile, cortex: Cortex, seed: u64) -> Scene {
    let mut scene = scene(profile, cortex);
    scene.grid = scene.grid.with_spacing_mm([VOXEL_MM; 3]);
    scene.noise = Noise { sd: 50.0, seed };
    scene
}

fn measure(scene: &Scene, options: &MeasureOptions) -> SiteMeasure {
    measure_site(&scene.volume(), scene.frame(), scene.point(), &[], options).expect("measured")
}

fn widths(found: &SiteMeasure) -> impl Iterator<Item = &Width> {
    found.widths.iter().map(|w| w.as_ref().expect("a width"))
}

/// The same section with its plane turned about the apical direction and about buccal, degrees.
fn turned(frame: &SectionFrame, across_deg: f64, apical_deg: f64) -> SectionFrame {
    let (across, apical) = (across_deg.to_radians(), apical_deg.to_radians());
    let mesial =
        frame.mesial().as_vector() + frame.buccal() * across.tan() + frame.apical() * apical.tan();
    SectionFrame::new(
        frame.origin(),
        mesial.direction().expect("a direction"),
        frame.apical().as_vector(),
        frame.buccal().as_vector(),
    )
    .expect("a frame")
}

fn axis_warned(found: &SiteMeasure) -> bool {
    found.warnings.iter().any(|w| matches!(w, BoneWarning::AxisOff { .. }))
}

/// JCGM 101:2008, clause 8: on straight walls nothing bends, and both ways give one interval.
#[test]
fn monte_carlo_confirms_the_linear_budget_on_straight_walls() {
    let options = MeasureOptions::default()
        .with_levels_mm(vec![5.0, 7.0, 10.0])
        .with_scale_u_share(0.005)
        .with_monte_carlo_trials(40_000);
    let mut seen = 0;
    for seed in 0..3 {
        let scene = noisy(FLAT, CORTEX, seed);
        let (drawn, linear) = (
            measure(&scene, &options),
            measure(&scene, &options.clone().with_monte_carlo_trials(0)),
        );
        for (with, without) in widths(&drawn).zip(widths(&linear)) {
            assert!(without.monte_carlo.is_none());
            let spread = with.monte_carlo.expect("drawn");
            let budget = with.width.budget;
            assert!(spread.confirms(with.width.mm, budget.u95_mm()), "{with:?}");
            assert!((spread.u / budget.u_mm() - 1.0).abs() < 0.03, "{with:?}");
            assert!((with.width.u95_mm - without.width.u95_mm).abs() < 1e-12, "nothing changes");
            assert!(spread.trials > 39_900, "{spread:?}");
            seen += 1;
        }
    }
    assert_eq!(seen, 9);
}

/// On a rounded crest the width bends with depth: the drawn interval is another, and is the one told.
#[test]
fn where_the_crest_rounds_the_drawn_interval_is_told() {
    let scene = noisy(ROUNDED, Cortex::even(1.8), 4);
    let options =
        MeasureOptions::default().with_levels_mm(vec![0.15, 0.3]).with_monte_carlo_trials(20_000);
    let found = measure(&scene, &options);
    let mut bent = 0;
    for width in widths(&found) {
        let spread = width.monte_carlo.expect("drawn");
        let linear = width.width.budget.u95_mm();
        let (low, high) = spread.interval95;
        let mm = width.width.mm;
        let told = width.width.u95_mm;
        if !spread.confirms(mm, linear) {
            bent += 1;
            let reach = (mm - low).max(high - mm);
            assert!((told - reach).abs() <= 0.05 * linear, "{width:?}");
        }
        let skew = (high - mm) - (mm - low);
        assert!(skew < 0.0, "the width falls off faster than it grows: {width:?}");
    }
    assert!(bent > 0, "a crest that bends is not linear");
}

/// A section across an axis that is off by an angle is 1 / cos of it too wide (plane geometry).
#[test]
fn an_axis_that_is_off_is_found_and_told_beyond_the_tolerance() {
    let options = MeasureOptions::default();
    for (profile, seed) in [(FLAT, 1), (ROUNDED, 2)] {
        let scene = noisy(profile, CORTEX, seed);
        let volume = scene.volume();
        for (across_deg, apical_deg) in
            [(0.0, 0.0), (3.0, 0.0), (6.0, 0.0), (-6.0, 0.0), (10.0, 0.0), (0.0, 6.0), (6.0, 6.0)]
        {
            let frame = turned(&scene.frame(), across_deg, apical_deg);
            let found =
                measure_site(&volume, frame, scene.point(), &[], &options).expect("measured");
            let direction = found.direction.expect("walls enough");
            let truth = scene.frame().mesial();
            let off = frame.mesial().angle_deg(truth);
            let within = (2.0 * direction.u_deg).max(1.0);
            let what = format!("{profile:?} {across_deg} {apical_deg}: {direction:?}");
            assert!((direction.off_deg - off).abs() <= within, "{what}");
            let runs = direction.runs.angle_deg(truth);
            assert!(runs <= within, "{what}: {runs} degrees beside the ridge");
            assert!(direction.u_deg < 2.0, "{what}");
            assert_eq!(axis_warned(&found), off > 5.0, "{what}");
            let inflation = 1.0 / across_deg.to_radians().cos();
            assert!((direction.inflation() - inflation).abs() < 0.006, "{what}");
            // The widths are that much too wide, and their uncertainty holds it.
            for width in widths(&found).skip(2) {
                let true_mm = scene.width_mm(width.level_mm);
                assert!((width.width.mm / inflation - true_mm).abs() < 0.08, "{what}: {width:?}");
                let axis_mm = width.width.budget.of(Source::Axis);
                let expected = true_mm * (inflation - 1.0);
                assert!((axis_mm - expected).abs() < 0.05, "{what}: {axis_mm}, not {expected}");
            }
        }
    }
}

#[test]
fn the_tolerance_of_the_axis_is_the_users() {
    let scene = noisy(FLAT, CORTEX, 3);
    let frame = turned(&scene.frame(), 8.0, 0.0);
    let volume = scene.volume();
    for (tolerance_deg, warned) in [(2.0, true), (5.0, true), (12.0, false)] {
        let options = MeasureOptions::default().with_axis_tolerance_deg(tolerance_deg);
        let found = measure_site(&volume, frame, scene.point(), &[], &options).expect("measured");
        assert_eq!(axis_warned(&found), warned, "{tolerance_deg}: {:?}", found.direction);
    }
}

/// Drawn widths are corrected for the axis, the width is not: the told uncertainty holds both.
#[test]
fn an_axis_that_is_off_is_held_by_the_drawn_uncertainty_too() {
    let scene = noisy(FLAT, CORTEX, 5);
    let frame = turned(&scene.frame(), 10.0, 0.0);
    let options = MeasureOptions::default()
        .with_levels_mm(vec![5.0, 7.0, 10.0])
        .with_monte_carlo_trials(10_000);
    let found =
        measure_site(&scene.volume(), frame, scene.point(), &[], &options).expect("measured");
    for width in widths(&found) {
        let spread = width.monte_carlo.expect("drawn");
        assert!((spread.mean - 6.0).abs() < 0.05, "the drawn ones are of the ridge: {width:?}");
        assert!(!spread.confirms(width.width.mm, width.width.budget.u95_mm()), "{width:?}");
        assert!((width.width.mm - 6.0).abs() <= width.width.u95_mm, "{width:?}");
        assert!(width.width.mm - width.width.u95_mm <= spread.interval95.0 + 1e-9, "{width:?}");
    }
}

#[test]
fn a_given_blur_is_held_as_given() {
    let scene = noisy(ROUNDED, CORTEX, 6);
    let blur_mm = scene.ridge.look().blur_fwhm_mm;
    let mut options = MeasureOptions::default();
    let own = measure(&scene, &options);
    assert_eq!(own.bone.blur().expect("a blur").source, BlurSource::Edges);
    options.section.blur_fwhm_mm = Some(blur_mm);
    let given = measure(&scene, &options);
    let blur = given.bone.blur().expect("a blur");
    assert_eq!((blur.source, blur.edges), (BlurSource::Given, 0));
    assert!(
        (blur.in_plane_mm - blur_mm).abs() < 1e-12 && (blur.along_z_mm - blur_mm).abs() < 1e-12
    );
    for (a, b) in widths(&own).zip(widths(&given)) {
        assert!((a.width.mm - b.width.mm).abs() < 0.02, "{a:?} {b:?}");
        for (plate, true_mm) in b.plates().into_iter().zip([1.3, 1.8]) {
            let plate = plate.as_ref().expect("a plate").thickness();
            if b.level_mm >= 5.0 {
                let plate = plate.expect("thick against the blur");
                assert!((plate.mm - true_mm).abs() < 0.08, "{b:?}");
            }
        }
    }
    // Told too soft, the model leaves its walls too thin or thick, by what the budget names.
    options.section.blur_fwhm_mm = Some(blur_mm + 0.1);
    let soft = measure(&scene, &options);
    let moved = widths(&soft)
        .zip(widths(&given))
        .filter_map(|(a, b)| {
            let of = |w: &Width| Some(w.buccal_plate.as_ref().ok()?.thickness()?.mm);
            Some((of(a)? - of(b)?).abs())
        })
        .fold(0.0, f64::max);
    assert!(moved > 0.01, "the blur that is given is the one that is used: {moved}");
}

/// The scene's blur along z made wider by a Gaussian: grey values are summed along z with its
/// weights, at steps of 0.4 standard deviations (the error of such a sum is below 1e-10).
fn blurred_along_z(scene: &Scene, along_z_mm: f64) -> Volume {
    let in_plane = scene.ridge.look().blur_fwhm_mm;
    let sigma = (along_z_mm.powi(2) - in_plane.powi(2)).sqrt() / 2.354_820_045;
    let offsets: Vec<(f64, f64)> =
        (-12..=12).map(|n| 0.4 * f64::from(n)).map(|z| (z * sigma, (-0.5 * z * z).exp())).collect();
    let sum: f64 = offsets.iter().map(|o| o.1).sum();
    let geometry = scene.ridge.grid(&scene.grid).expect("a grid");
    let rescale = Rescale { slope: 1.0, intercept: -2000.0 };
    render(geometry, Storage::Unsigned, rescale, scene.noise, |p| {
        let grey = |dz: f64| scene.ridge.grey_at(p + PatientVector::new(0.0, 0.0, dz));
        offsets.iter().map(|(dz, weight)| weight * grey(*dz)).sum::<f64>() / sum
    })
    .expect("a scan")
}

#[test]
fn blur_that_differs_along_z_is_told_apart() {
    let profile = Profile::Rounded { radius_mm: 4.0, height_mm: 18.0 };
    let mut scene = build(profile, Cortex::even(2.4), 5.0, 0.4, false).expect("a ridge");
    scene.grid = scene.grid.with_spacing_mm([0.2; 3]);
    scene.noise = Noise { sd: 30.0, seed: 8 };
    let options = MeasureOptions::default();
    let measured = |volume: &Volume| {
        measure_site(volume, scene.frame(), scene.point(), &[], &options).expect("measured")
    };
    let same = measured(&scene.volume()).bone.blur().expect("a blur");
    assert!((same.in_plane_mm - 0.4).abs() <= (2.0 * same.u_mm).max(0.02), "{same:?}");
    assert!((same.along_z_mm - same.in_plane_mm).abs() < 1e-12, "one blur: {same:?}");
    let found = measured(&blurred_along_z(&scene, 0.65));
    let blur = found.bone.blur().expect("a blur");
    assert_eq!(blur.source, BlurSource::Edges);
    assert!((blur.in_plane_mm - 0.4).abs() < 0.05, "{blur:?}");
    assert!((blur.along_z_mm - 0.65).abs() < 0.09, "{blur:?}");
    for width in widths(&found) {
        let off = width.width.mm - scene.width_mm(width.level_mm);
        assert!(off.abs() <= width.width.u95_mm.max(0.06), "{off}: {width:?}");
    }
}

/// JCGM 100:2008, clause 5.1.2: a length of l in a scale known to a share s has s l of it.
#[test]
fn the_scanners_scale_enters_every_length() {
    let scene = noisy(ROUNDED, CORTEX, 9);
    let canal = limit(&scene, 9.0, 0.0);
    let options = MeasureOptions::default().with_scale_u_share(0.02);
    let (volume, frame, at) = (scene.volume(), scene.frame(), scene.point());
    let found = measure_site(&volume, frame, at, &[canal], &options).expect("measured");
    let mut lengths: Vec<Measured> = widths(&found).map(|w| w.width).collect();
    lengths.extend(
        widths(&found).flat_map(Width::plates).filter_map(|p| p.as_ref().ok()?.thickness()),
    );
    lengths.push(found.height.expect("a height"));
    lengths.push(found.limits[0].height.expect("a height"));
    assert!(lengths.len() > 12, "widths, plates and heights: {}", lengths.len());
    for length in lengths {
        assert!((length.budget.of(Source::Scale) - 0.02 * length.mm).abs() < 1e-9, "{length:?}");
        assert!(length.u95_mm >= 0.04 * length.mm, "{length:?}");
    }
}

fn limit(scene: &Scene, depth_mm: f64, beside_mm: f64) -> Limit {
    let frame = scene.frame();
    let at = scene.point() + frame.apical() * depth_mm;
    let ends = [-6.0, 6.0].map(|s| at + frame.mesial() * (s + beside_mm));
    Limit {
        kind: LimitKind::NerveCanal,
        form: LimitForm::default(),
        points: ends.to_vec(),
        keep_mm: 2.0,
    }
}

/// A place marked anywhere within a voxel is uncertain by the voxel over the root of 3 (rectangular
/// distribution, JCGM 100:2008, clause 4.3.7).
#[test]
fn a_marked_limit_is_known_to_within_a_voxel() {
    for voxel_mm in [0.2, 0.4] {
        let mut scene = noisy(ROUNDED, CORTEX, 10);
        scene.grid = scene.grid.with_spacing_mm([voxel_mm; 3]);
        let canal = limit(&scene, 9.0, 0.0);
        let options = MeasureOptions::default();
        let found = measure_site(&scene.volume(), scene.frame(), scene.point(), &[canal], &options)
            .expect("measured");
        let height = found.limits[0].height.expect("a height");
        let marked = height.budget.of(Source::Limit);
        assert!((marked - voxel_mm / 3.0_f64.sqrt()).abs() < 1e-9, "{height:?}");
        assert!(height.budget.share(Source::Limit) > 0.5, "{height:?}");
        assert!(height.budget.of(Source::Noise) > 0.0, "the crest counts too: {height:?}");
    }
}

/// A ridge whose walls part by 0.16 mm each for every millimetre mesially: its width changes by
/// 0.32 mm for each millimetre that the site is off, and that is what the place of the site adds.
#[test]
fn where_the_ridge_flares_the_place_of_the_site_counts() {
    const FLARE: f64 = 0.16;
    let mut scene = build(FLAT, Cortex::even(1.6), 0.0, 0.45, false).expect("a ridge");
    scene.noise = Noise { sd: 20.0, seed: 11 };
    let middle = scene.ridge.station_of(scene.point());
    let frame = scene.frame();
    let flared = |p: PatientPoint| {
        let along = scene.ridge.station_of(p) - middle;
        let across = (p - frame.origin()).dot(frame.buccal().as_vector());
        // Each wall moves as a whole; what lies within a millimetre of the middle is marrow.
        let by = FLARE * along * across.clamp(-1.0, 1.0);
        scene.ridge.grey_at(p - frame.buccal() * by)
    };
    let geometry = scene.ridge.grid(&scene.grid).expect("a grid");
    let rescale = Rescale { slope: 1.0, intercept: -2000.0 };
    let noise = scene.noise;
    let volume = render(geometry, Storage::Unsigned, rescale, noise, flared).expect("a scan");
    let options = MeasureOptions::default().with_levels_mm(vec![5.0, 7.0, 10.0]);
    let straight = measure(&scene, &options);
    let found = measure_site(&volume, frame, scene.point(), &[], &options).expect("measured");
    let place_mm = VOXEL_MM / 3.0_f64.sqrt();
    for (flares, even) in widths(&found).zip(widths(&straight)) {
        let (site, none) =
            (flares.width.budget.of(Source::Site), even.width.budget.of(Source::Site));
        let expected = 2.0 * FLARE * place_mm;
        assert!((site / expected - 1.0).abs() < 0.1, "{site}, not {expected}: {flares:?}");
        assert!(none < 0.25 * expected, "an even ridge: {none}");
    }
    // That it flares evenly does not turn it to a side, and widths are not called inflated.
    let direction = found.direction.expect("walls enough");
    assert!(direction.across_deg.abs() < (2.0 * direction.u_deg).max(1.0), "{direction:?}");
    assert!(direction.inflation() < 1.001, "{direction:?}");
}
