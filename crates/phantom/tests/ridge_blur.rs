//! The blurred grey values of a ridge against integrals that are worked out another way.

use jawgauge_phantom::{
    Canal, Cortex, CrossSection, Greys, Profile, Ridge, RidgeError, RidgeLook, SoftTissue,
};
use jawgauge_space::{PatientPoint, PatientVector, SectionPoint};

/// FWHM of a Gaussian of standard deviation 1: 2 sqrt(2 ln 2).
const FWHM: f64 = 2.354_820_045_030_949_3;
/// Where an edge may lie off, mm.
const EDGE_MM: f64 = 0.001;
const SOFT_TO_BONE: Greys = Greys { air: 0.0, soft: 0.0, cortex: 1000.0, marrow: 300.0 };

/// The normal distribution function, by Simpson's rule on its density.
fn phi(x: f64) -> f64 {
    let x = x.clamp(-9.0, 9.0);
    0.5 + simpson(0.0, x, 400, |t| (-t * t / 2.0).exp()) / std::f64::consts::TAU.sqrt()
}

fn simpson(from: f64, to: f64, steps: u32, f: impl Fn(f64) -> f64) -> f64 {
    let h = (to - from) / f64::from(steps);
    let parts = (0..steps).map(|n| {
        let a = from + h * f64::from(n);
        (f(a) + 4.0 * f(a + h / 2.0) + f(a + h)) * h / 6.0
    });
    parts.sum()
}

/// A straight ridge along the patient's back-to-front axis, the tongue to its left.
fn straight(section: CrossSection, greys: Greys, fwhm: f64) -> Ridge {
    Ridge::straight(
        section,
        PatientPoint::new(0.0, 10.0, 0.0),
        PatientPoint::new(0.0, -10.0, 0.0),
        PatientVector::new(0.0, 0.0, -1.0),
        PatientPoint::new(30.0, 0.0, 0.0),
        RidgeLook { greys, blur_fwhm_mm: fwhm, ..RidgeLook::default() },
    )
    .expect("a straight ridge")
}

fn section(profile: Profile) -> CrossSection {
    CrossSection::new(profile).expect("a profile")
}

/// The grey value at buccal and apical millimetres in the middle of the ridge.
fn grey(ridge: &Ridge, u: f64, v: f64) -> f64 {
    ridge.grey_at(ridge.place(7.3, SectionPoint::new(u, v)))
}

/// Where the grey value crosses `level` between `inside` and `outside`.
fn crossing(inside: f64, outside: f64, level: f64, grey: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (inside, outside);
    assert!(grey(low) > level && grey(high) < level);
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if grey(middle) > level { low = middle } else { high = middle }
    }
    low
}

/// Published table: Abramowitz M, Stegun IA. Handbook of mathematical functions, table 26.1
/// (values from memory).
#[test]
fn the_quadrature_gives_the_published_normal_distribution() {
    for (x, published) in [(0.0, 0.5), (1.0, 0.841_344_746), (2.0, 0.977_249_868)] {
        assert!((phi(x) - published).abs() < 1e-9);
        assert!((phi(-x) - (1.0 - published)).abs() < 1e-9);
    }
}

#[test]
fn a_plate_of_all_thicknesses_follows_the_error_function() {
    for (width, fwhm) in [(6.0, 0.45), (0.7, 0.5), (0.3, 0.6), (1.0, 0.2), (0.337, 0.1)] {
        let sigma = fwhm / FWHM;
        let profile = Profile::Plate { width_mm: width, height_mm: 12.0 };
        let ridge = straight(section(profile), SOFT_TO_BONE, fwhm);
        for step in -40..=40 {
            let u = f64::from(step) * 0.0437 * width.max(1.0);
            let exact = 1000.0 * (phi((width / 2.0 - u) / sigma) - phi((-width / 2.0 - u) / sigma));
            let found = grey(&ridge, u, 6.0);
            // What 0.001 mm is worth where the slope is steepest: contrast / sqrt(2 pi) sigma.
            let tolerance = EDGE_MM * 1000.0 / (std::f64::consts::TAU.sqrt() * sigma);
            assert!((found - exact).abs() < tolerance, "{width} {fwhm} at {u}: {found} {exact}");
        }
    }
}

#[test]
fn half_contrast_lies_on_the_wall_wherever_the_wall_lies_in_a_pixel() {
    for n in 0..7_u32 {
        let width = 6.0 + 0.0071 * f64::from(n);
        let profile = Profile::Plate { width_mm: width, height_mm: 12.0 };
        for lean_deg in [0.0, 11.0] {
            let leaning = section(profile).with_lean_deg(lean_deg).expect("a lean");
            let across = leaning.along_apical();
            let level = 6.0 - across.crest().apical_mm;
            let (lingual, buccal) = across.run_mm(level).expect("inside");
            let ridge = straight(leaning.clone(), SOFT_TO_BONE, 0.45);
            let found = crossing(0.0, 8.0, 500.0, |u| grey(&ridge, u, 6.0));
            assert!((found - buccal).abs() < EDGE_MM, "{found} {buccal}");
            let found = crossing(0.0, -8.0, 500.0, |u| grey(&ridge, u, 6.0));
            assert!((found - lingual).abs() < EDGE_MM, "{found} {lingual}");
        }
    }
}

/// Shift of the half-contrast contour of a blurred disc, in standard deviations, for radii
/// of 3, 5 and 10 of them: computed values, found again below by quadrature.
const DISC_SHIFT: [(f64, f64); 3] = [(3.0, -0.17533), (5.0, -0.10173), (10.0, -0.05021)];

/// The blurred disc of radius `r` (in standard deviations) at a distance from its centre: the
/// integral over chords of the density times the share of the chord.
fn blurred_disc(r: f64, at: f64) -> f64 {
    simpson(-std::f64::consts::FRAC_PI_2, std::f64::consts::FRAC_PI_2, 400, |t| {
        let (sin, cos) = t.sin_cos();
        let x = r * sin - at;
        let density = (-x * x / 2.0).exp() / std::f64::consts::TAU.sqrt();
        density * (2.0 * phi(r * cos) - 1.0) * r * cos
    })
}

#[test]
fn a_round_outline_shifts_towards_its_centre_by_the_computed_amount() {
    let sigma = 0.2;
    for (ratio, shift) in DISC_SHIFT {
        let by_quadrature = crossing(0.5, 2.0 * ratio, 0.5, |d| blurred_disc(ratio, d)) - ratio;
        assert!((by_quadrature - shift).abs() < 6e-6, "{by_quadrature} {shift}");
        let radius = ratio * sigma;
        let disc = Profile::Rounded { radius_mm: radius, height_mm: 2.0 * radius };
        let ridge = straight(section(disc), SOFT_TO_BONE, sigma * FWHM);
        let across = crossing(0.0, 3.0 * radius, 500.0, |u| grey(&ridge, u, radius));
        assert!((across - radius - shift * sigma).abs() < 2e-4, "{across}");
        let up = crossing(radius, -radius, 500.0, |v| grey(&ridge, 0.0, v));
        assert!((up + shift * sigma).abs() < 2e-4, "{up}");
        let slanted =
            crossing(0.0, 3.0 * radius, 500.0, |t| grey(&ridge, 0.6 * t, radius - 0.8 * t));
        assert!((slanted - radius - shift * sigma).abs() < 2e-4, "{slanted}");
    }
}

#[test]
fn every_layer_has_its_grey_value_and_its_place() {
    let canal = Canal { across_mm: 0.5, depth_mm: 14.0, radius_mm: 1.2, grey: 90.0 };
    let cortex = Cortex { buccal_mm: 1.3, lingual_mm: 1.8, crest_mm: 2.0, base_mm: 2.4 };
    let profile = Profile::Plate { width_mm: 9.0, height_mm: 24.0 };
    let layered = section(profile)
        .with_cortex(cortex)
        .and_then(|s| s.with_soft_tissue(SoftTissue::Layer(2.5)))
        .and_then(|s| s.with_canal(canal))
        .expect("a layered section");
    let greys = Greys::default();
    let ridge = straight(layered, greys, 0.3);
    for (u, v, expected) in [
        (-30.0, 5.0, greys.air),
        (-8.0, 7.0, greys.air),
        (-5.8, 7.0, greys.soft),
        (0.0, -1.2, greys.soft),
        (0.0, -3.7, greys.air),
        (-3.6, 7.0, greys.cortex),
        (3.9, 7.0, greys.cortex),
        (0.0, 1.0, greys.cortex),
        (0.0, 22.9, greys.cortex),
        (0.0, 7.0, greys.marrow),
        (0.0, 14.0, 90.0),
    ] {
        let found = grey(&ridge, u, v);
        assert!((found - expected).abs() < 0.5, "({u}, {v}): {found}, not {expected}");
    }
    // Half way between neighbours in grey, at their boundaries.
    let at =
        |level: f64, from: f64, to: f64, v: f64| crossing(from, to, level, |u| grey(&ridge, u, v));
    let middle = |a: f64, b: f64| (a + b) / 2.0;
    let skin = middle(greys.air, greys.soft);
    assert!((at(skin, 5.5, 8.5, 7.0) - 7.0).abs() < EDGE_MM);
    let inner = middle(greys.cortex, greys.marrow);
    assert!((at(inner, 3.9, 2.0, 7.0) - 3.2).abs() < EDGE_MM);
    assert!((at(inner, -3.6, -1.0, 7.0) + 2.7).abs() < EDGE_MM);
    let down = |level: f64, from: f64, to: f64| crossing(from, to, level, |v| grey(&ridge, 0.0, v));
    assert!((down(inner, 1.0, 4.0) - 2.0).abs() < EDGE_MM);
    assert!((down(inner, 23.0, 20.0) - 21.6).abs() < EDGE_MM);
    // The roof of the canal reads late by the shift of a concave circle, sigma^2 / 2 r.
    let sigma = ridge.blur_sigma_mm();
    let roof = crossing(11.0, 14.0, middle(greys.marrow, 90.0), |v| grey(&ridge, 0.5, v));
    assert!((roof - 12.8 - sigma * sigma / 2.4).abs() < EDGE_MM, "{roof}");
}

#[test]
fn an_even_cortex_is_the_inward_parallel_shape() {
    let profile = Profile::Tapered { crest_radius_mm: 2.0, base_radius_mm: 5.0, height_mm: 20.0 };
    let inner = Profile::Tapered { crest_radius_mm: 1.0, base_radius_mm: 4.0, height_mm: 18.0 };
    let outer = section(profile).with_cortex(Cortex::even(1.0)).expect("a cortex");
    let greys = Greys { air: 0.0, soft: 0.0, cortex: 0.0, marrow: 1000.0 };
    let marrow = straight(outer, greys, 0.4);
    let bone = straight(section(inner), Greys { cortex: 1000.0, ..greys }, 0.4);
    for (u, v) in [(0.0, 1.0), (0.9, 1.6), (-1.0, 2.3), (2.2, 7.0), (-3.9, 14.0), (0.3, 19.1)] {
        let (a, b) = (grey(&marrow, u, v), grey(&bone, u, v - 1.0));
        assert!((a - b).abs() < 1.0, "({u}, {v}): {a} {b}");
    }
}

#[test]
fn along_an_arc_the_left_out_blur_moves_both_walls_less_than_is_said() {
    let (radius, fwhm, width) = (15.0, 0.4, 12.0);
    let sigma = fwhm / FWHM;
    let profile = Profile::Plate { width_mm: width, height_mm: 12.0 };
    let ridge = Ridge::arc(
        section(profile),
        PatientPoint::new(0.0, 0.0, 0.0),
        PatientPoint::new(-radius, 0.0, 0.0),
        PatientPoint::new(0.0, -radius, 0.0),
        PatientVector::new(0.0, 0.0, -1.0),
        RidgeLook { greys: SOFT_TO_BONE, blur_fwhm_mm: fwhm, ..RidgeLook::default() },
    )
    .expect("an arc");
    // The true blur of the ring: the two-dimensional blur averaged along the bend.
    let blurred = |u: f64| {
        simpson(-6.0, 6.0, 200, |t| {
            let density = (-t * t / 2.0).exp() / std::f64::consts::TAU.sqrt();
            let bent = (radius + u).hypot(t * sigma) - radius;
            density * (phi((width / 2.0 - bent) / sigma) - phi((-width / 2.0 - bent) / sigma))
        })
    };
    let mut true_width = 0.0;
    for side in [1.0, -1.0] {
        let ours = crossing(0.0, side * 9.0, 500.0, |u| grey(&ridge, u, 6.0));
        assert!((ours - side * width / 2.0).abs() < EDGE_MM);
        let truth = crossing(0.0, side * 9.0, 0.5, blurred);
        let wall = radius + side * width / 2.0;
        assert!((truth - side * width / 2.0 + sigma * sigma / (2.0 * wall)).abs() < 1e-5);
        assert!((truth - ours).abs() < 0.0017, "{truth} {ours}");
        true_width += side * truth;
    }
    assert!((true_width - width).abs() < EDGE_MM);
}

#[test]
fn blur_out_of_range_and_bad_axes_are_refused() {
    let plate = || section(Profile::Plate { width_mm: 5.0, height_mm: 12.0 });
    let a = PatientPoint::new(0.0, 10.0, 0.0);
    let b = PatientPoint::new(0.0, -10.0, 0.0);
    let left = PatientPoint::new(30.0, 0.0, 0.0);
    let down = PatientVector::new(0.0, 0.0, -1.0);
    for blur_fwhm_mm in [0.0, 0.09, 6.0, f64::NAN] {
        let look = RidgeLook { blur_fwhm_mm, ..RidgeLook::default() };
        let refused = Ridge::straight(plate(), a, b, down, left, look);
        assert!(matches!(refused, Err(RidgeError::Length { what: "the blur", .. })));
    }
    let look = RidgeLook::default();
    let along = PatientVector::new(0.0, 1.0, 0.0);
    let refused = Ridge::straight(plate(), a, b, along, left, look);
    assert!(matches!(refused, Err(RidgeError::Space(_))));
    let refused = Ridge::straight(plate(), a, a, down, left, look);
    assert!(matches!(refused, Err(RidgeError::Space(_))));
    let near = PatientPoint::new(0.0, -4.9, 0.0);
    let refused = Ridge::arc(plate(), near, a, left, down, look);
    assert!(matches!(refused, Err(RidgeError::Length { what: "the radius of the arc", .. })));
    let greys = Greys { marrow: f64::NAN, ..Greys::default() };
    let refused = Ridge::straight(plate(), a, b, down, left, RidgeLook { greys, ..look });
    assert!(matches!(refused, Err(RidgeError::NotFinite { .. })));
}
