//! The outer face of the bone in space, against shapes with closed forms.

mod common;

use common::{CONTRAST, Scene, build, scene};
use jawgauge_bone::{
    BoneSurface, Facing, MeasureOptions, OrientedBox, SectionBone, SurfaceError, measure_site,
};
use jawgauge_phantom::{Cortex, GridOptions, Noise, Profile, Storage, render};
use jawgauge_space::{PatientPoint, PatientVector, SectionPoint};
use jawgauge_volume::Rescale;

/// Half the length of the box along the ridge, mm.
const HALF_MM: f64 = 6.0;

struct Look {
    scene: Scene,
    bone: SectionBone,
    surface: BoneSurface,
}

fn look(scene: Scene) -> Look {
    let (bone, surface) = surveyed(&scene);
    Look { scene, bone, surface: surface.expect("a surface") }
}

fn surveyed(scene: &Scene) -> (SectionBone, Result<BoneSurface, SurfaceError>) {
    let volume = scene.volume();
    let options = MeasureOptions::default();
    let measured =
        measure_site(&volume, scene.frame(), scene.point(), &[], &options).expect("measured");
    let bone = measured.bone;
    let crest = bone.crest;
    let region = OrientedBox {
        frame: bone.frame,
        least_mm: [-9.0, crest.apical_mm - 2.5, -HALF_MM],
        most_mm: [9.0, crest.apical_mm + 14.0, HALF_MM],
    };
    let surface = BoneSurface::around(&volume, &bone, &region);
    (bone, surface)
}

/// Coarse voxels hide gaps, and a wall that the half-way value loses is none in space.
#[test]
fn no_surface_is_made_where_it_could_not_be_trusted() {
    let profile = Profile::Rounded { radius_mm: 3.0, height_mm: 18.0 };
    let mut coarse = scene(profile, Cortex::even(1.4));
    coarse.grid = coarse.grid.with_spacing_mm([0.8; 3]);
    let (_, found) = surveyed(&coarse);
    assert!(matches!(found, Err(SurfaceError::Coarse { .. })), "{found:?}");
    let thin = build(profile, Cortex::even(0.3), 5.0, 0.6, false).expect("a ridge");
    let (_, found) = surveyed(&thin);
    assert!(matches!(found, Err(SurfaceError::ThinWalls)), "{found:?}");
}

/// Signed distance to a ridge whose section is two circles of one radius and what lies between them;
/// positive inside.
fn in_rounded(scene: &Scene, radius_mm: f64, height_mm: f64, p: PatientPoint) -> f64 {
    let at = scene.ridge.section_point(p);
    let (sin, cos) = scene.ridge.section().lean_deg().to_radians().sin_cos();
    let (across, deep) =
        (at.buccal_mm * cos - at.apical_mm * sin, at.buccal_mm * sin + at.apical_mm * cos);
    let on_axis = deep.clamp(radius_mm, height_mm - radius_mm);
    radius_mm - across.hypot(deep - on_axis)
}

/// The largest and the mean miss of the net's vertices more than half a millimetre within the box.
fn misses(look: &Look, truth: impl Fn(PatientPoint) -> f64) -> (f64, f64, f64) {
    let (points, _) = look.surface.net();
    let u95 = look.surface.vertex_u95_mm();
    let (mut most, mut sum, mut n, mut held) = (0.0_f64, 0.0, 0.0, 0.0);
    for (p, u95) in points.iter().zip(u95) {
        if look.surface.region().depth_mm(*p) < 0.5 {
            continue;
        }
        let miss = truth(*p);
        most = most.max(miss.abs());
        sum += miss.abs();
        held += f64::from(u8::from(miss.abs() <= u95));
        n += 1.0;
    }
    assert!(n > 1000.0, "{n} vertices");
    (most, sum / n, held / n)
}

/// Noise-free, and at a contrast to noise of 20, mm.
const EXACT_MM: f64 = 0.05;
const NOISY_MM: f64 = 0.10;

#[test]
fn rounded_ridges_are_found_where_they_are() {
    let shapes = [
        (3.0, 1.4, 0.45, false),
        (4.0, 0.8, 0.45, false),
        (3.5, 1.5, 0.6, true),
        (3.0, 0.6, 0.35, false),
    ];
    for (radius, cortex, blur, curved) in shapes {
        for noisy in [false, true] {
            let profile = Profile::Rounded { radius_mm: radius, height_mm: 18.0 };
            let mut scene =
                build(profile, Cortex::even(cortex), 5.0, blur, curved).expect("a ridge");
            scene.grid = GridOptions::default()
                .with_margin_mm(5.0)
                .with_shift_voxels([0.3, 0.6, 0.1])
                .with_turn(PatientVector::new(1.0, 2.0, 3.0), 20.0);
            if noisy {
                scene.noise = Noise { sd: CONTRAST / 20.0, seed: 3 };
            }
            let look = look(scene);
            let (most, mean, held) = misses(&look, |p| in_rounded(&look.scene, radius, 18.0, p));
            let allowed = if noisy { NOISY_MM } else { EXACT_MM };
            assert!(most <= allowed, "r {radius}, cortex {cortex}, noisy {noisy}: {most} {mean}");
            assert!(mean <= 0.2 * allowed, "r {radius}, cortex {cortex}, noisy {noisy}: {mean}");
            assert!(held >= 0.9, "r {radius}, cortex {cortex}, noisy {noisy}: u95 holds {held}");
        }
    }
}

#[test]
fn flat_walls_are_found_where_they_are_and_marrow_is_no_outside() {
    let profile = Profile::Plate { width_mm: 6.0, height_mm: 18.0 };
    let look = look(scene(profile, Cortex::even(1.0)));
    let (sin, cos) = 5.0_f64.to_radians().sin_cos();
    let own = |p: PatientPoint| {
        let at = look.scene.ridge.section_point(p);
        (at.buccal_mm * cos - at.apical_mm * sin, at.buccal_mm * sin + at.apical_mm * cos)
    };
    // Beyond the blurred corner only the walls are left.
    let (most, ..) = misses(&look, |p| {
        let (across, deep) = own(p);
        if deep > 1.0 { 3.0 - across.abs() } else { 0.0 }
    });
    assert!(most <= EXACT_MM, "{most}");
    // From the middle of the marrow: 3 mm to either wall, positive inside.
    let middle = look
        .bone
        .patient(SectionPoint::new(look.bone.crest.buccal_mm, look.bone.crest.apical_mm + 8.0));
    let (across, _) = own(middle);
    for facing in [Facing::Any, Facing::Wall] {
        let found = look.surface.nearest(middle, facing).expect("a wall");
        let truth = 3.0 - across.abs();
        assert!((found.distance_mm - truth).abs() <= EXACT_MM, "{found:?}");
        assert_eq!(found.clip, None);
    }
    let crestal = -look.bone.frame.apical();
    let out = look.surface.met_along(middle, crestal, 20.0).expect("the crest");
    // The line that leaves through the crest is as long as the place is deep.
    assert!((out.distance_mm - 8.0).abs() <= EXACT_MM, "{out:?}");
}

#[test]
fn half_a_millimetre_below_a_flat_crest_the_walls_are_those_to_the_sides() {
    let profile = Profile::Plate { width_mm: 6.0, height_mm: 18.0 };
    let look = look(scene(profile, Cortex::even(1.4)));
    let crest = look.bone.crest.apical_mm;
    let middle = look.surface.region().place([0.0, crest + 4.0, 0.0]);
    let (sin, cos) = 5.0_f64.to_radians().sin_cos();
    let at = look.scene.ridge.section_point(middle);
    let across = at.buccal_mm * cos - at.apical_mm * sin;
    let under_crest = middle + look.bone.frame.apical() * -3.0;
    let wall = look.surface.nearest(under_crest, Facing::Wall).expect("a wall");
    let any = look.surface.nearest(under_crest, Facing::Any).expect("a face");
    assert!((wall.distance_mm - (3.0 - across.abs())).abs() <= EXACT_MM, "{wall:?}");
    assert!((any.distance_mm - 1.0).abs() <= EXACT_MM, "{any:?}");
}

#[test]
fn the_nearest_place_is_the_nearest_of_all_triangles_and_the_sign_tells_the_side() {
    let profile = Profile::Rounded { radius_mm: 3.0, height_mm: 18.0 };
    let look = look(scene(profile, Cortex::even(1.4)));
    let (points, triangles) = look.surface.net();
    // Sampled densely: a triangle's sides are about 0.3 mm, thirds of them 0.1 mm.
    let samples: Vec<PatientPoint> = triangles
        .iter()
        .flat_map(|t| {
            let [a, b, c] = t.map(|v| points[v as usize]);
            [a, b, c, a.toward(b, 0.5), b.toward(c, 0.5), c.toward(a, 0.5)]
        })
        .collect();
    let crest = look.bone.crest.apical_mm;
    for n in 0..40_u32 {
        let (b, a, m) = (
            -5.0 + f64::from(n * 7 % 40) * 0.25,
            crest + 0.5 + f64::from(n * 11 % 40) * 0.25,
            -2.0 + f64::from(n * 13 % 40) * 0.1,
        );
        let p = look.surface.region().place([b, a, m]);
        let found = look.surface.nearest(p, Facing::Any).expect("a face");
        let brute = samples.iter().map(|q| q.distance_mm(p)).fold(f64::INFINITY, f64::min);
        assert!(found.distance_mm.abs() <= brute + 1e-9, "{found:?} {brute}");
        // Half a sample's distance of 0.2 mm, off by d to the side: at most 0.1 mm more.
        assert!(brute <= found.distance_mm.abs() + 0.1, "{found:?} {brute}");
        let truth = in_rounded(&look.scene, 3.0, 18.0, p);
        assert!((found.distance_mm - truth).abs() <= EXACT_MM, "{found:?} {truth}");
    }
}

#[test]
fn the_surface_does_not_depend_on_the_number_of_threads() {
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a pool");
        pool.install(|| {
            let profile = Profile::Rounded { radius_mm: 3.0, height_mm: 18.0 };
            let look = look(scene(profile, Cortex::even(1.4)));
            (look.surface.net().0, look.surface.vertex_u95_mm())
        })
    };
    assert_eq!(with(1), with(4));
}

#[test]
fn a_foramen_beside_the_section_does_not_make_the_marrow_the_outside() {
    // A round canal of soft tissue, 2 mm wide, from the cheek into the marrow, 3 mm beside the section.
    let profile = Profile::Plate { width_mm: 7.0, height_mm: 18.0 };
    let scene = scene(profile, Cortex::even(1.2));
    let plain = look(scene.clone());
    let frame = plain.bone.frame;
    let crest = plain.bone.crest.apical_mm;
    let foramen =
        frame.patient_from_section(SectionPoint::new(0.0, crest + 8.0)) + frame.mesial() * 3.0;
    let geometry = scene.ridge.grid(&scene.grid).expect("a grid");
    let rescale = Rescale { slope: 1.0, intercept: -2000.0 };
    let volume = render(geometry, Storage::Unsigned, rescale, Noise::none(), |p| {
        let from = p - foramen;
        let along = from.dot(frame.buccal().as_vector());
        let off = from.perpendicular_to(frame.buccal()).length_mm();
        let grey = scene.ridge.grey_at(p);
        // Soft tissue from the middle of the marrow out to the cheek, blurred over 0.4 mm.
        let share = ((1.0 - off) / 0.4 + 0.5).clamp(0.0, 1.0) * (along / 0.4 + 0.5).clamp(0.0, 1.0);
        grey + share * (60.0 - grey)
    })
    .expect("a scan");
    let options = MeasureOptions::default();
    let bone =
        measure_site(&volume, scene.frame(), scene.point(), &[], &options).expect("measured").bone;
    let surface = BoneSurface::around(&volume, &bone, plain.surface.region()).expect("a surface");
    for (down, along) in [(5.0, -3.0), (8.0, 0.0), (8.0, -4.0), (11.0, 2.0)] {
        let p = plain.surface.region().place([0.0, crest + down, along]);
        assert!(plain.surface.is_inside(p), "{down} {along}");
        assert!(surface.is_inside(p), "{down} {along}: the marrow has become the outside");
    }
}
