use super::*;
use crate::shapes_outline::{dot, pixel_share};

fn outline(profile: Profile) -> Outline {
    profile.body().expect("a profile").outline()
}

#[test]
fn signed_distance_by_hand_inside_outside_and_beyond_corners() {
    let plate = outline(Profile::Plate { width_mm: 6.0, height_mm: 10.0 });
    for (p, expected, normal) in [
        ([2.0, 5.0], -1.0, [1.0, 0.0]),
        ([4.5, 5.0], 1.5, [1.0, 0.0]),
        ([0.0, -2.0], 2.0, [0.0, -1.0]),
        ([6.0, -4.0], 5.0, [0.6, -0.8]),
        ([-6.0, 14.0], 5.0, [-0.6, 0.8]),
    ] {
        let (found, n) = plate.signed_distance(p);
        assert!((found - expected).abs() < 1e-12, "{p:?}: {found}");
        assert!((dot(n, normal) - 1.0).abs() < 1e-12, "{p:?}: {n:?}");
    }
    // Radii 2 and 5, walls with sine 3/5: the wall's normal (4/5, -3/5) touches the upper
    // circle, centre (0, 2), at (1.6, 0.8).
    let taper = Profile::Tapered { crest_radius_mm: 2.0, base_radius_mm: 5.0, height_mm: 12.0 };
    let taper = outline(taper);
    let wall = |out: f64| [2.4 + 0.8 * out, 28.0 / 15.0 - 0.6 * out];
    for out in [-1.0, -0.3, 0.0, 0.7] {
        // (2.4, 28/15) lies on the wall: from (1.6, 0.8) along (3/5, 4/5) by 4/3.
        let (found, n) = taper.signed_distance(wall(out));
        assert!((found - out).abs() < 1e-12, "{out}: {found}");
        assert!((dot(n, [0.8, -0.6]) - 1.0).abs() < 1e-12);
    }
    let (found, _) = taper.signed_distance([0.0, 7.0]);
    assert!((found + 5.0).abs() < 1e-12, "{found}");
    let (found, n) = taper.signed_distance([0.0, 14.0]);
    assert!((found - 2.0).abs() < 1e-12 && n[1] > 0.999);
}

#[test]
fn a_shrunk_shape_keeps_its_distance_everywhere() {
    let profiles = [
        Profile::Rounded { radius_mm: 3.0, height_mm: 15.0 },
        Profile::Tapered { crest_radius_mm: 1.2, base_radius_mm: 4.0, height_mm: 15.0 },
        Profile::Plate { width_mm: 6.0, height_mm: 10.0 },
        Profile::Wedge { opening_deg: 50.0, height_mm: 12.0 },
    ];
    for profile in profiles {
        let whole = outline(profile);
        for by in [0.4, 1.0, 1.9] {
            let inner = profile.body().expect("a profile").shrunk(by).expect("some left");
            let inner = inner.outline();
            let mut met = 0;
            for n in 0..200 {
                let depth = f64::from(n) * 0.08;
                if let Some((first, last)) = inner.line_run([0.0, depth], [1.0, 0.0]) {
                    for across in [first, last] {
                        let (distance, _) = whole.signed_distance([across, depth]);
                        assert!(
                            (distance + by).abs() < 1e-9,
                            "{profile:?} {by} {depth}: {distance}"
                        );
                        met += 1;
                    }
                }
            }
            assert!(met > 50, "{profile:?} {by}: {met}");
        }
        assert_eq!(profile.body().expect("a profile").shrunk(5.5), None);
    }
}

#[test]
fn the_share_of_a_pixel_agrees_with_counting() {
    let pitch = 0.02;
    for angle_deg in [0.0_f64, 17.0, 45.0, 90.0, 133.0, 260.0] {
        let (sin, cos) = angle_deg.to_radians().sin_cos();
        for step in -8..=8 {
            let distance = 0.0021 * f64::from(step);
            let mut inside = 0_u32;
            let n = 400;
            for a in 0..n {
                for b in 0..n {
                    let at = |m: u32| ((f64::from(m) + 0.5) / f64::from(n) - 0.5) * pitch;
                    inside += u32::from(distance + cos * at(a) + sin * at(b) < 0.0);
                }
            }
            let counted = f64::from(inside) / f64::from(n * n);
            let found = pixel_share(distance, [cos, sin], pitch);
            assert!((found - counted).abs() < 0.003, "{angle_deg} {distance}: {found} {counted}");
        }
    }
    assert!((pixel_share(0.0, [0.6, 0.8], pitch) - 0.5).abs() < 1e-12);
    // 45 degrees, an eighth of the square beyond a corner cut of half its side.
    let cut = pitch / 2.0 / 2.0_f64.sqrt();
    let slanted = std::f64::consts::FRAC_1_SQRT_2;
    assert!((pixel_share(cut, [slanted, slanted], pitch) - 0.125).abs() < 1e-12);
}
