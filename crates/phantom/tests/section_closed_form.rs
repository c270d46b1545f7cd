//! The closed forms of the cross-sections against root finding on their implicit functions,
//! against numbers worked by hand, and against mirror images.

use jawgauge_phantom::{
    Canal, Cortex, CrossSection, PlateSide, Profile, RidgeError, SectionView, SoftTissue,
};

/// Rounding of closed forms, mm.
const EXACT_MM: f64 = 1e-9;
/// Root finding along sampled boundaries, mm.
const SEARCHED_MM: f64 = 2e-5;

const ROUNDED: Profile = Profile::Rounded { radius_mm: 3.0, height_mm: 18.0 };
const TAPERED: Profile =
    Profile::Tapered { crest_radius_mm: 1.6, base_radius_mm: 4.5, height_mm: 22.0 };
const SHOULDERED: Profile = Profile::Shouldered {
    crest_radius_mm: 1.945,
    shoulder_radius_mm: 4.0,
    shoulder_depth_mm: 9.0,
    base_radius_mm: 4.4,
    height_mm: 28.0,
};
const PLATE: Profile = Profile::Plate { width_mm: 5.0, height_mm: 16.0 };
const WEDGE: Profile = Profile::Wedge { opening_deg: 40.0, height_mm: 12.0 };
const ALL: [Profile; 5] = [ROUNDED, TAPERED, SHOULDERED, PLATE, WEDGE];

/// How far a place of the shape's own axes lies inside, positive inside: discs by a search
/// for the deepest circle between each pair, flat shapes by their half-planes.
fn depth_inside(profile: Profile, across: f64, depth: f64) -> f64 {
    let between = |(d0, r0): (f64, f64), (d1, r1): (f64, f64)| {
        let at = |t: f64| r0 + (r1 - r0) * t - across.hypot(depth - d0 - (d1 - d0) * t);
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..60 {
            let (a, b) = (low + (high - low) / 3.0, high - (high - low) / 3.0);
            if at(a) < at(b) { low = a } else { high = b }
        }
        at(low)
    };
    match profile {
        Profile::Rounded { radius_mm: r, height_mm: h } => between((r, r), (h - r, r)),
        Profile::Tapered { crest_radius_mm: r, base_radius_mm: b, height_mm: h } => {
            between((r, r), (h - b, b))
        }
        Profile::Shouldered {
            crest_radius_mm: r,
            shoulder_radius_mm: s,
            shoulder_depth_mm: d,
            base_radius_mm: b,
            height_mm: h,
        } => between((r, r), (d, s)).max(between((d, s), (h - b, b))),
        Profile::Plate { width_mm: w, height_mm: h } => {
            (w / 2.0 - across.abs()).min(depth).min(h - depth)
        }
        Profile::Wedge { opening_deg, height_mm: h } => {
            let (sin, cos) = (opening_deg / 2.0).to_radians().sin_cos();
            (depth * sin - across.abs() * cos).min(h - depth)
        }
    }
}

/// A place of the section (buccal, apical) in the own axes of a shape that leans.
fn own(lean_deg: f64, u: f64, v: f64) -> (f64, f64) {
    let (sin, cos) = lean_deg.to_radians().sin_cos();
    (u * cos - v * sin, v * cos + u * sin)
}

/// The last place from 0 to `far` where `inside` holds, which it does at 0.
fn edge(far: f64, inside: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = (0.0, far);
    for _ in 0..48 {
        let middle = (low + high) / 2.0;
        if inside(middle) { low = middle } else { high = middle }
    }
    low
}

/// Least and greatest apical coordinate of a leaning shape: the depth inside is a concave
/// function, so the deepest place of a level line is found by thirds and the last level that
/// meets the shape by halves.
fn extent(profile: Profile, lean_deg: f64) -> (f64, f64) {
    let deepest = |v: f64| {
        let (mut low, mut high) = (-60.0, 60.0);
        let at = |u: f64| {
            let (across, depth) = own(lean_deg, u, v);
            depth_inside(profile, across, depth)
        };
        for _ in 0..70 {
            let (a, b) = (low + (high - low) / 3.0, high - (high - low) / 3.0);
            if at(a) < at(b) { low = a } else { high = b }
        }
        at(low)
    };
    let middle = profile.height_mm() / 2.0 * lean_deg.to_radians().cos();
    let up = edge(60.0, |t| deepest(middle - t) >= -1e-9);
    let down = edge(60.0, |t| deepest(middle + t) >= -1e-9);
    (middle - up, middle + down)
}

fn leaning(profile: Profile, lean_deg: f64) -> CrossSection {
    CrossSection::new(profile)
        .and_then(|s| s.with_lean_deg(lean_deg))
        .expect("a profile of the list")
}

fn width(view: SectionView<'_>, level_mm: f64) -> f64 {
    view.width_mm(level_mm).expect("a level inside the bone")
}

#[test]
fn runs_and_heights_agree_with_root_finding_for_every_shape_and_lean() {
    let mut compared = 0;
    for profile in ALL {
        for lean_deg in [0.0, 6.0, -17.0, 35.0] {
            let section = leaning(profile, lean_deg);
            let view = section.along_apical();
            let (top, bottom) = extent(profile, lean_deg);
            assert!((view.height_mm() - (bottom - top)).abs() < SEARCHED_MM, "{profile:?}");
            assert!((view.crest().apical_mm - top).abs() < SEARCHED_MM, "{profile:?}");
            for share in [0.03, 0.11, 0.3, 0.5, 0.77, 0.96] {
                let level = share * view.height_mm();
                let v = view.crest().apical_mm + level;
                let (lingual, buccal) = view.run_mm(level).expect("inside");
                let inside = |u: f64| {
                    let (across, depth) = own(lean_deg, u, v);
                    depth_inside(profile, across, depth) >= 0.0
                };
                let middle = (lingual + buccal) / 2.0;
                let to_buccal = edge(60.0, |t| inside(middle + t));
                let to_lingual = edge(60.0, |t| inside(middle - t));
                assert!((middle + to_buccal - buccal).abs() < 1e-7, "{profile:?} {lean_deg}");
                assert!((middle - to_lingual - lingual).abs() < 1e-7, "{profile:?} {lean_deg}");
                compared += 1;
            }
        }
    }
    assert_eq!(compared, 5 * 4 * 6);
}

#[test]
fn widths_worked_by_hand() {
    let rounded = leaning(ROUNDED, 0.0);
    // Circle of radius 3, 1 mm below its top: 2 sqrt(9 - 4); and the same above the base.
    for level in [1.0, 17.0] {
        assert!((width(rounded.along_own_axis(), level) - 2.0 * 5.0_f64.sqrt()).abs() < EXACT_MM);
    }
    for level in [3.0, 9.0, 15.0] {
        assert!((width(rounded.along_own_axis(), level) - 6.0).abs() < EXACT_MM);
    }
    // Radii 2 and 5 with centres 5 mm apart: the walls incline with sine 3/5, cosine 4/5. At
    // the depth of the upper centre, 2, the wall stands 2/0.8 = 2.5 off; the arc has ended at
    // 2 (1 - 0.6) = 0.8.
    let steep = Profile::Tapered { crest_radius_mm: 2.0, base_radius_mm: 5.0, height_mm: 12.0 };
    let steep = leaning(steep, 0.0);
    assert!((width(steep.along_own_axis(), 2.0) - 5.0).abs() < EXACT_MM);
    assert!((width(steep.along_own_axis(), 0.8) - 3.2).abs() < EXACT_MM);
    assert!((width(steep.along_own_axis(), 4.0) - 8.0).abs() < EXACT_MM);
    // Below the base's centre at 7: 10 wide there, circle of radius 5 below.
    assert!((width(steep.along_own_axis(), 10.0) - 8.0).abs() < EXACT_MM);
    // 3.4 mm wide 1 mm down: 2 sqrt(2 * 1.945 - 1).
    assert!((width(leaning(SHOULDERED, 0.0).along_own_axis(), 1.0) - 3.4).abs() < EXACT_MM);
    // Opening 40 degrees: 2 * 5 * tan 20 = 3.639702342662024.
    let wedge = leaning(WEDGE, 0.0);
    assert!((width(wedge.along_own_axis(), 5.0) - 3.639_702_342_662_024).abs() < EXACT_MM);
    assert!((wedge.along_own_axis().height_mm() - 12.0).abs() < EXACT_MM);
}

#[test]
fn a_leaning_plate_is_wider_across_by_the_secant_and_lower() {
    let section = leaning(PLATE, 30.0);
    let view = section.along_apical();
    let (sin, cos) = 30.0_f64.to_radians().sin_cos();
    assert!((width(view, 8.0) - 5.0 / cos).abs() < EXACT_MM);
    assert!((view.height_mm() - (16.0 * cos + 5.0 * sin)).abs() < EXACT_MM);
    // The crest is the buccal corner, 2.5 mm along the tilted crest.
    assert!((view.crest().buccal_mm - 2.5 * cos).abs() < EXACT_MM);
    assert!((view.crest().apical_mm + 2.5 * sin).abs() < EXACT_MM);
    // Along its own axis nothing has changed, and a flat crest counts by its middle.
    let own_view = section.along_own_axis();
    assert!((width(own_view, 8.0) - 5.0).abs() < EXACT_MM);
    assert!((own_view.height_mm() - 16.0).abs() < EXACT_MM);
    assert!(own_view.crest().buccal_mm.abs() < EXACT_MM);
    assert_eq!(section.along_turned(30.0).width_mm(8.0), own_view.width_mm(8.0));
}

#[test]
fn above_the_crest_and_below_the_base_there_is_no_width() {
    for profile in ALL {
        let section = leaning(profile, 9.0);
        for view in [section.along_own_axis(), section.along_apical()] {
            assert_eq!(view.width_mm(-0.01), None);
            assert_eq!(view.width_mm(view.height_mm() + 0.01), None);
            assert_eq!(view.width_mm(f64::NAN), None);
            assert!(view.width_mm(0.01).is_some());
        }
    }
}

#[test]
fn mirroring_lean_and_plates_swaps_the_sides_only() {
    let cortex = Cortex { buccal_mm: 0.7, lingual_mm: 1.1, crest_mm: 2.0, base_mm: 2.0 };
    let swapped = Cortex { buccal_mm: 1.1, lingual_mm: 0.7, ..cortex };
    for profile in [ROUNDED, TAPERED, SHOULDERED, PLATE] {
        let right = leaning(profile, 8.0).with_cortex(cortex).expect("a cortex");
        let left = leaning(profile, -8.0).with_cortex(swapped).expect("a cortex");
        let (a, b) = (right.along_apical(), left.along_apical());
        for level in [0.5, 3.0, 6.0, 11.0] {
            let ((la, ba), (lb, bb)) =
                (a.run_mm(level).expect("inside"), b.run_mm(level).expect("inside"));
            assert!((la + bb).abs() < EXACT_MM && (ba + lb).abs() < EXACT_MM);
            let pairs = [
                (a.plate_mm(PlateSide::Buccal, level), b.plate_mm(PlateSide::Lingual, level)),
                (
                    a.plate_normal_mm(PlateSide::Lingual, level),
                    b.plate_normal_mm(PlateSide::Buccal, level),
                ),
            ];
            for (one, other) in pairs {
                match (one, other) {
                    (Some(one), Some(other)) => assert!((one - other).abs() < EXACT_MM),
                    (one, other) => assert_eq!(one, other),
                }
            }
        }
    }
}

#[test]
fn plates_agree_with_a_search_for_places_deep_enough_inside() {
    let cortex = Cortex { buccal_mm: 0.9, lingual_mm: 1.4, crest_mm: 1.9, base_mm: 2.0 };
    let lean_deg = 6.0;
    let (sin, cos) = f64::to_radians(lean_deg).sin_cos();
    let mut compared = 0;
    for profile in [ROUNDED, TAPERED, SHOULDERED, PLATE] {
        let section = leaning(profile, lean_deg).with_cortex(cortex).expect("a cortex");
        let view = section.along_apical();
        // A place is marrow where a disc as wide as the plate of its half fits round it.
        let is_marrow = |across: f64, depth: f64| {
            let plate = if across >= 0.0 { cortex.buccal_mm } else { cortex.lingual_mm };
            let fits = (0..1440).all(|n| {
                let (dy, dx) = (std::f64::consts::TAU * f64::from(n) / 1440.0).sin_cos();
                depth_inside(profile, across + plate * dx, depth + plate * dy) >= 0.0
            });
            fits && depth >= cortex.crest_mm && depth <= profile.height_mm() - cortex.base_mm
        };
        for level in [4.0, 7.5, 12.0] {
            let v = view.crest().apical_mm + level;
            let (lingual, buccal) = view.run_mm(level).expect("inside");
            // On the shape's own axis, across = 0: u = v tan(lean).
            let on_axis = v * sin / cos;
            let marrow_at = |u: f64| {
                let (across, depth) = own(lean_deg, u, v);
                is_marrow(across, depth)
            };
            let buccal_plate = buccal - on_axis - edge(30.0, |t| marrow_at(on_axis + t));
            let lingual_plate = on_axis - lingual - edge(30.0, |t| marrow_at(on_axis - t));
            let found = view.plate_mm(PlateSide::Buccal, level).expect("marrow");
            assert!((found - buccal_plate).abs() < SEARCHED_MM, "{profile:?} at {level}");
            let found = view.plate_mm(PlateSide::Lingual, level).expect("marrow");
            assert!((found - lingual_plate).abs() < SEARCHED_MM, "{profile:?} at {level}");
            // Along the normal of a straight or round wall the plate has its own thickness.
            let normal = view.plate_normal_mm(PlateSide::Buccal, level).expect("marrow");
            assert!((normal - 0.9).abs() < EXACT_MM, "{profile:?} at {level}: {normal}");
            let normal = view.plate_normal_mm(PlateSide::Lingual, level).expect("marrow");
            assert!((normal - 1.4).abs() < EXACT_MM, "{profile:?} at {level}: {normal}");
            compared += 1;
        }
    }
    assert_eq!(compared, 12);
}

#[test]
fn plates_worked_by_hand() {
    // A wall inclined by 20 degrees: the level line crosses a plate of 1 mm in 1 / cos 20.
    let wedge = leaning(WEDGE, 0.0).with_cortex(Cortex::even(1.0)).expect("a cortex");
    let view = wedge.along_own_axis();
    let found = view.plate_mm(PlateSide::Lingual, 8.0).expect("marrow");
    assert!((found - 1.0 / 20.0_f64.to_radians().cos()).abs() < EXACT_MM);
    // The marrow's corner lies 1 / sin 20 = 2.9238 mm below the crest.
    assert_eq!(view.plate_mm(PlateSide::Lingual, 2.92), None);
    assert!(view.plate_mm(PlateSide::Lingual, 2.93).is_some());
    // Crest of radius 3, cortex 1: at 1.5 mm, sqrt(9 - 2.25) - sqrt(4 - 2.25).
    let rounded = leaning(ROUNDED, 0.0).with_cortex(Cortex::even(1.0)).expect("a cortex");
    let found = rounded.along_own_axis().plate_mm(PlateSide::Buccal, 1.5).expect("marrow");
    assert!((found - (6.75_f64.sqrt() - 1.75_f64.sqrt())).abs() < EXACT_MM);
    // All cortex: no plate.
    assert_eq!(leaning(ROUNDED, 0.0).along_own_axis().plate_mm(PlateSide::Buccal, 5.0), None);
    // Where the thin crest is narrower than its two plates, the marrow begins on the axis
    // where the circle that touches both walls has the plate's radius: 2 = 1.6 + s (z - 1.6),
    // s = 2.9 / 15.9.
    let thin = leaning(TAPERED, 0.0).with_cortex(Cortex::even(2.0)).expect("a cortex");
    let begins = 1.6 + 0.4 * 15.9 / 2.9;
    let view = thin.along_own_axis();
    assert_eq!(view.plate_mm(PlateSide::Buccal, begins - 1e-6), None);
    let plate = view.plate_mm(PlateSide::Buccal, begins + 1e-6).expect("marrow");
    assert!((plate - width(view, begins) / 2.0).abs() < 1e-5);
}

#[test]
fn impossible_shapes_and_layers_are_refused() {
    let refused = |profile| CrossSection::new(profile).expect_err("no such shape");
    let low = Profile::Rounded { radius_mm: 3.0, height_mm: 5.9 };
    assert!(matches!(refused(low), RidgeError::Length { what: "the radius", .. }));
    let nan = Profile::Plate { width_mm: f64::NAN, height_mm: 5.0 };
    assert!(matches!(refused(nan), RidgeError::Length { what: "the width", .. }));
    let open = Profile::Wedge { opening_deg: 180.0, height_mm: 5.0 };
    assert!(matches!(refused(open), RidgeError::Angle { .. }));
    let swallowed = Profile::Tapered { crest_radius_mm: 1.0, base_radius_mm: 5.0, height_mm: 9.9 };
    assert!(matches!(refused(swallowed), RidgeError::Length { .. }));
    let hollow = Profile::Shouldered {
        crest_radius_mm: 2.0,
        shoulder_radius_mm: 2.2,
        shoulder_depth_mm: 8.0,
        base_radius_mm: 5.0,
        height_mm: 25.0,
    };
    assert!(matches!(refused(hollow), RidgeError::Hollow { .. }));

    let filled = leaning(ROUNDED, 0.0).with_cortex(Cortex::even(3.0));
    assert!(matches!(filled, Err(RidgeError::NoMarrow { .. })));
    let thin_crest = Cortex { crest_mm: 1.0, ..Cortex::even(1.5) };
    let thin_crest = leaning(ROUNDED, 0.0).with_cortex(thin_crest);
    assert!(matches!(thin_crest, Err(RidgeError::Length { .. })));
    // Unequal plates under a corner would end at different depths.
    let step = Cortex { buccal_mm: 0.7, lingual_mm: 1.1, crest_mm: 1.1, base_mm: 2.0 };
    let step = leaning(WEDGE, 0.0).with_cortex(step);
    assert!(matches!(step, Err(RidgeError::Length { .. })));
    assert!(leaning(PLATE, 60.0).with_lean_deg(61.0).is_err());
    assert!(leaning(PLATE, 0.0).with_soft_tissue(SoftTissue::Layer(0.0)).is_err());
}

#[test]
fn a_canal_keeps_inside_the_marrow() {
    let canal = Canal { across_mm: 0.0, depth_mm: 9.0, radius_mm: 1.25, grey: 100.0 };
    let section = leaning(PLATE, 0.0).with_cortex(Cortex::even(1.0)).expect("a cortex");
    assert!((canal.roof_mm() - 7.75).abs() < EXACT_MM);
    assert!(section.clone().with_canal(canal).is_ok());
    // Marrow reaches 1.5 mm across: 0.3 + 1.25 is 0.05 too much.
    let near = Canal { across_mm: 0.3, ..canal };
    match section.with_canal(near) {
        Err(RidgeError::CanalOutsideMarrow { clearance_mm }) => {
            assert!((clearance_mm + 0.05).abs() < EXACT_MM, "{clearance_mm}");
        }
        other => panic!("{other:?}"),
    }
    let solid = leaning(PLATE, 0.0).with_canal(canal);
    assert!(matches!(solid, Err(RidgeError::CanalOutsideMarrow { .. })));
}

#[test]
fn own_axis_is_the_line_through_the_mid_points_of_the_widths() {
    let section = leaning(SHOULDERED, 6.0);
    let view = section.along_own_axis();
    for level in [0.5, 1.0, 3.0, 7.0, 10.0] {
        let (lingual, buccal) = view.ends(level).expect("inside");
        let middle = (
            (lingual.buccal_mm + buccal.buccal_mm) / 2.0,
            (lingual.apical_mm + buccal.apical_mm) / 2.0,
        );
        let (sin, cos) = 6.0_f64.to_radians().sin_cos();
        assert!((middle.0 - level * sin).abs() < EXACT_MM);
        assert!((middle.1 - level * cos).abs() < EXACT_MM);
        assert!((view.level_of(buccal) - level).abs() < EXACT_MM);
        assert!(
            (section.along_apical().level_of(view.crest())
                - (view.crest().apical_mm - section.along_apical().crest().apical_mm))
                .abs()
                < EXACT_MM
        );
    }
}
