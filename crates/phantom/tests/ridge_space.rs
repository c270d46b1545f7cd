//! Ridges in the patient: axes, sides, grids of voxels, noise.

use jawgauge_phantom::{
    CrossSection, GridOptions, Noise, PhantomError, Profile, Ridge, RidgeError, RidgeLook, Storage,
    render,
};
use jawgauge_space::{PatientPoint, PatientVector, SectionPoint, VoxelCoord};
use jawgauge_volume::{Rescale, StoredVoxels, Volume};

const EXACT_MM: f64 = 1e-9;
const RESCALE: Rescale = Rescale { slope: 0.5, intercept: -4000.0 };

fn section() -> CrossSection {
    let profile = Profile::Tapered { crest_radius_mm: 2.0, base_radius_mm: 4.0, height_mm: 20.0 };
    CrossSection::new(profile).and_then(|s| s.with_lean_deg(6.0)).expect("a section")
}

/// The arch of a jaw from right to left about (0, 0, 5); apical down or up.
fn arch(apical_z: f64) -> Ridge {
    Ridge::arc(
        section(),
        PatientPoint::new(0.0, 0.0, 5.0),
        PatientPoint::new(-24.0, 7.0, 5.0),
        PatientPoint::new(3.0, -20.0, 5.0),
        PatientVector::new(0.1, 0.0, apical_z),
        RidgeLook::default(),
    )
    .expect("an arch")
}

fn tilted() -> Ridge {
    Ridge::straight(
        section(),
        PatientPoint::new(-22.0, 9.0, 3.0),
        PatientPoint::new(-16.0, -6.0, 5.0),
        PatientVector::new(0.1, 0.2, -1.0),
        PatientPoint::new(0.0, 0.0, 0.0),
        RidgeLook::default(),
    )
    .expect("a straight ridge")
}

#[test]
fn an_arch_runs_along_its_circle_with_the_cheek_outside_in_both_jaws() {
    let centre = PatientPoint::new(0.0, 0.0, 5.0);
    for apical_z in [-1.0, 1.0] {
        let ridge = arch(apical_z);
        assert!((ridge.apical().to_array()[2] - apical_z).abs() < EXACT_MM);
        let points = ridge.axis_points(9);
        assert_eq!(points.len(), 9);
        assert!(points[0].distance_mm(PatientPoint::new(-24.0, 7.0, 5.0)) < EXACT_MM);
        // The last lies at the radius 25 in the direction of (3, -20).
        let k = 25.0 / 409.0_f64.sqrt();
        assert!(points[8].distance_mm(PatientPoint::new(3.0 * k, -20.0 * k, 5.0)) < EXACT_MM);
        let step = ridge.length_mm() / 8.0;
        for (n, &p) in (0..9_u32).zip(&points) {
            assert!((p.distance_mm(centre) - 25.0).abs() < EXACT_MM);
            let station = f64::from(n) * step;
            assert!((ridge.station_of(p) - station).abs() < EXACT_MM);
            let frame = ridge.frame_at(station).expect("a frame");
            assert!(frame.origin().distance_mm(p) < EXACT_MM);
            assert!((frame.buccal().as_vector().dot(p - centre) - 25.0).abs() < EXACT_MM);
            assert!(frame.buccal().dot(ridge.apical()).abs() < EXACT_MM);
            // Growing stations lead to the left of the mouth.
            let ahead = ridge.crest_at(station + 0.01) - p;
            assert!((frame.mesial().as_vector().dot(ahead) - 0.01).abs() < 1e-6);
            let at = SectionPoint::new(1.7, 4.2);
            let place = ridge.place(station, at);
            assert!(place.distance_mm(frame.patient_from_section(at)) < EXACT_MM);
            assert!(ridge.section_point(place).distance_mm(at) < EXACT_MM);
            // The base of a shape that leans by 6 degrees lies to the cheek.
            let own = ridge.own_axis_at(station).expect("an axis");
            assert!((own.angle_deg(ridge.apical()) - 6.0).abs() < EXACT_MM);
            assert!(own.dot(frame.buccal()) > 0.1);
        }
        assert!(ridge.lingual_side().distance_mm(centre) < EXACT_MM);
    }
}

#[test]
fn a_straight_ridge_has_its_tongue_where_it_was_told() {
    let ridge = tilted();
    let frame = ridge.frame_at(4.0).expect("a frame");
    let to_tongue = ridge.lingual_side() - frame.origin();
    assert!(to_tongue.dot(frame.buccal().as_vector()) < -1.0);
    let along = PatientPoint::new(-16.0, -6.0, 5.0) - PatientPoint::new(-22.0, 9.0, 3.0);
    assert!((ridge.length_mm() - 265.0_f64.sqrt()).abs() < EXACT_MM);
    assert!(along.dot(ridge.apical().as_vector()).abs() < EXACT_MM);
    let place = ridge.place(4.0, SectionPoint::new(-1.0, 6.0));
    assert!((ridge.station_of(place) - 4.0).abs() < EXACT_MM);
}

#[test]
fn a_mirrored_ridge_is_the_mirror_image() {
    let flip = |p: PatientPoint| {
        let [x, y, z] = p.to_array();
        PatientPoint::new(-x, y, z)
    };
    let right = tilted();
    let left = Ridge::straight(
        section(),
        PatientPoint::new(22.0, 9.0, 3.0),
        PatientPoint::new(16.0, -6.0, 5.0),
        PatientVector::new(-0.1, 0.2, -1.0),
        PatientPoint::new(0.0, 0.0, 0.0),
        RidgeLook::default(),
    )
    .expect("a straight ridge");
    for (u, v) in [(2.1, 3.0), (-2.3, 4.0), (0.2, -0.1), (5.0, 18.0), (0.0, 20.2)] {
        let p = right.place(5.0, SectionPoint::new(u, v));
        let (a, b) = (right.grey_at(p), left.grey_at(flip(p)));
        assert!((a - b).abs() < 1e-6, "{a} {b}");
    }
}

#[test]
fn a_grid_holds_the_bone_and_its_margin_however_it_is_turned() {
    let options = GridOptions::default()
        .with_spacing_mm([0.4, 0.25, 0.6])
        .with_turn(PatientVector::new(1.0, 2.0, -0.5), 23.0)
        .with_shift_voxels([0.3, 0.7, 0.5])
        .with_margin_mm(2.0);
    for ridge in [arch(-1.0), arch(1.0), tilted()] {
        let geometry = ridge.grid(&options).expect("a grid");
        for (found, asked) in geometry.spacing_mm().into_iter().zip([0.4, 0.25, 0.6]) {
            assert!((found - asked).abs() < EXACT_MM);
        }
        let view = ridge.section().along_apical();
        let mut tried = 0;
        for station in ridge.axis_points(30).into_iter().map(|p| ridge.station_of(p)) {
            for n in 0..=20_u32 {
                let level = view.height_mm() * f64::from(n) / 20.0;
                let Some((lingual, buccal)) = view.ends(level.clamp(1e-6, view.height_mm() - 1e-6))
                else {
                    continue;
                };
                for end in [lingual, buccal] {
                    for (du, dv) in [(-1.9, 0.0), (1.9, 0.0), (0.0, 1.9), (0.0, -1.9)] {
                        let at = SectionPoint::new(end.buccal_mm + du, end.apical_mm + dv);
                        assert!(geometry.contains(ridge.place(station, at)));
                        tried += 1;
                    }
                }
            }
        }
        assert_eq!(tried, 30 * 21 * 8);
    }
}

#[test]
fn a_grid_is_turned_and_shifted_as_asked() {
    let ridge = tilted();
    let straight = ridge.grid(&GridOptions::default()).expect("a grid");
    let [along_i, along_j, along_k] = straight.affine().steps().map(PatientVector::to_array);
    for (step, expected) in
        [(along_i, [0.3, 0.0, 0.0]), (along_j, [0.0, 0.3, 0.0]), (along_k, [0.0, 0.0, 0.3])]
    {
        for (found, asked) in step.into_iter().zip(expected) {
            assert!((found - asked).abs() < EXACT_MM);
        }
    }
    let shifted = GridOptions::default().with_shift_voxels([0.25, 0.5, 0.75]);
    let shifted = ridge.grid(&shifted).expect("a grid");
    let first = |g: &jawgauge_volume::VolumeGeometry| {
        g.affine().patient_from_voxel(VoxelCoord::new(0.0, 0.0, 0.0))
    };
    let moved = (first(&shifted) - first(&straight)).to_array();
    for (found, asked) in moved.into_iter().zip([0.075, 0.15, 0.225]) {
        assert!((found - asked).abs() < EXACT_MM);
    }
    // A quarter turn about +z takes the patient's left to the back, and back to the right.
    let quarter = GridOptions::default().with_turn(PatientVector::new(0.0, 0.0, 2.0), 90.0);
    let steps = ridge.grid(&quarter).expect("a grid").affine().steps();
    assert!((steps[0].to_array()[1] - 0.3).abs() < EXACT_MM);
    assert!((steps[1].to_array()[0] + 0.3).abs() < EXACT_MM);

    let bad = GridOptions::default().with_spacing_mm([0.3, f64::NAN, 0.3]);
    assert!(matches!(ridge.grid(&bad), Err(RidgeError::Length { what: "the voxel step", .. })));
    let bad = GridOptions::default().with_turn(PatientVector::new(0.0, 0.0, 0.0), 5.0);
    assert!(matches!(ridge.grid(&bad), Err(RidgeError::Space(_))));
}

fn small_scan(ridge: &Ridge, storage: Storage, noise: Noise) -> Volume {
    let options = GridOptions::default().with_spacing_mm([0.9, 0.8, 1.0]);
    let geometry = ridge.grid(&options).expect("a grid");
    let rescale = match storage {
        Storage::Unsigned => RESCALE,
        Storage::Signed => Rescale { slope: 0.5, intercept: 0.0 },
    };
    render(geometry, storage, rescale, noise, |p| ridge.grey_at(p)).expect("a volume")
}

#[test]
fn voxels_hold_the_grey_value_at_their_centres() {
    let ridge = arch(-1.0);
    for storage in [Storage::Signed, Storage::Unsigned] {
        let volume = small_scan(&ridge, storage, Noise::none());
        assert_eq!(matches!(volume.voxels(), StoredVoxels::Signed(_)), storage == Storage::Signed);
        let mut bone = 0;
        let [ni, nj, nk] = volume.geometry().dims();
        for (i, j, k) in (0..ni).flat_map(|i| (0..nj).map(move |j| (i, j, (i + j) % nk))) {
            let at = VoxelCoord::new(i as f64, j as f64, k as f64);
            let expected = ridge.grey_at(volume.geometry().affine().patient_from_voxel(at));
            let found = volume.voxel_grey(i, j, k).expect("scanned");
            assert!((found - expected).abs() <= 0.25 + 1e-9, "{found} {expected}");
            bone += usize::from(found > 600.0);
        }
        assert!(bone > 50, "{bone} voxels of bone");
    }
}

#[test]
fn noise_is_normal_white_and_the_same_for_any_number_of_threads() {
    let ridge = tilted();
    let noise = Noise { sd: 40.0, seed: 7 };
    let scan = || small_scan(&ridge, Storage::Unsigned, noise);
    let with_threads = |n: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(n).build().expect("a pool");
        pool.install(scan)
    };
    let one = with_threads(1);
    assert_eq!(one, with_threads(4));
    assert_eq!(one, scan());
    let other = small_scan(&ridge, Storage::Unsigned, Noise { seed: 8, ..noise });
    assert_ne!(one, other);

    let clean = small_scan(&ridge, Storage::Unsigned, Noise::none());
    let [ni, nj, nk] = one.geometry().dims();
    let at = |i, j, k| {
        let noisy = one.voxel_grey(i, j, k).expect("scanned");
        (noisy - clean.voxel_grey(i, j, k).expect("scanned")) / noise.sd
    };
    let (mut count, mut moments, mut neighbours) = (0.0, [0.0; 4], [0.0; 3]);
    for k in 1..nk {
        for j in 1..nj {
            for i in 1..ni {
                let z = at(i, j, k);
                count += 1.0;
                for (n, moment) in moments.iter_mut().enumerate() {
                    *moment += [z, z * z, z * z * z, z * z * z * z][n];
                }
                neighbours[0] += z * at(i - 1, j, k);
                neighbours[1] += z * at(i, j - 1, k);
                neighbours[2] += z * at(i, j, k - 1);
            }
        }
    }
    // Mean 0, variance 1, skewness 0, fourth moment 3, each with its own spread over n voxels
    // (variances 1, 2, 15, 96 of the powers of a normal deviate); four spreads are allowed.
    assert!(count > 10_000.0);
    for (moment, (expected, spread)) in
        moments.iter().zip([(0.0, 1.0_f64), (1.0, 2.0), (0.0, 15.0), (3.0, 96.0)])
    {
        let allowed = 4.0 * (spread / count).sqrt() + 0.001;
        assert!((moment / count - expected).abs() < allowed, "{} not {expected}", moment / count);
    }
    for product in neighbours {
        assert!((product / count).abs() < 4.0 / f64::sqrt(count));
    }
}

#[test]
fn grey_values_that_do_not_fit_are_refused() {
    let ridge = tilted();
    let geometry = ridge.grid(&GridOptions::default().with_spacing_mm([2.0; 3])).expect("a grid");
    let rescale = Rescale { slope: 1.0, intercept: 0.0 };
    let result = render(geometry.clone(), Storage::Unsigned, rescale, Noise::none(), |_| -3.0);
    match result {
        Err(RidgeError::Phantom(PhantomError::GreyRange { grey, low, high })) => {
            assert_eq!((grey, low, high), (-3.0, 0, 65_535));
        }
        other => panic!("{other:?}"),
    }
    let result = render(geometry.clone(), Storage::Signed, rescale, Noise::none(), |_| f64::NAN);
    assert!(matches!(result, Err(RidgeError::Phantom(PhantomError::GreyRange { .. }))));
    let noise = Noise { sd: -1.0, seed: 0 };
    let result = render(geometry, Storage::Signed, rescale, noise, |_| 0.0);
    assert!(matches!(result, Err(RidgeError::NotFinite { .. })));
}
