//! Canals with a radius and floors marked as surfaces, measured and kept clear of, on the base phantom: bone
//! from x = -3 to 3 and z = -9 to 3, along y; its fixture, 4 mm wide, ends at z = -5.

mod common;

use common::{
    Bench, P0_FIXTURE, P0_HEAD, P0_POSE, P0_SITE, args, assert_near, at, codes, list, number, run,
    text, triple,
};
use serde_json::Value;

/// A third of a voxel, as for widths and the crest.
const WITHIN_MM: f64 = 0.10;
/// Clearances lie between given places; documents are rounded.
const EXACT_MM: f64 = 1e-3;
/// Two points of a canal marked anywhere within a voxel of 0.3 mm.
const U95_MARK_MM: f64 = 0.346_41;

fn limit(keys: &str) -> String {
    format!("  [[site.limit]]\n  {}\n", keys.replace("; ", "\n  "))
}

/// What `measure` and `fit` tell of one limit: its height, and the clearance of the given fixture.
fn told(keys: &str) -> (Value, Value, Value) {
    let bench = Bench::p0();
    let case = [P0_HEAD, P0_SITE, &limit(keys), P0_POSE, P0_FIXTURE].concat();
    let measured = bench.document("measure", &case);
    let fitted = bench.document("fit", &case);
    let clearance = at(&fitted, "/sites/0/fits/0/clearances/0").clone();
    (at(&measured, "/sites/0/limits/0").clone(), clearance, measured)
}

#[test]
fn a_canal_with_a_radius_is_met_at_its_near_wall() {
    // The canal runs along y, 10 mm below the crest and 2 mm below the apex.
    let line = "kind = \"nerve-canal\"; points = [[0.0, -9.0, -7.0], [0.0, 9.0, -7.0]]";
    for (radius, keys) in [(0.0, line.to_owned()), (1.25, format!("{line}; radius_mm = 1.25"))] {
        let (height, clearance, _) = told(&keys);
        assert_near(number(&height, "/height_mm"), 10.0 - radius, WITHIN_MM, "height");
        assert_near(number(&height, "/usable_mm"), 8.0 - radius, WITHIN_MM, "usable");
        assert_near(triple(&height, "/at")[2], -7.0 + radius, WITHIN_MM, "the near wall");
        assert_eq!(at(&height, "/radius_mm").as_f64(), (radius > 0.0).then_some(radius));
        assert_eq!(text(&height, "/form"), "line");
        assert_near(number(&clearance, "/clearance_mm"), 2.0 - radius, EXACT_MM, "clearance");
        assert_near(number(&clearance, "/u95_mm"), U95_MARK_MM, 1e-3, "uncertainty");
    }
    // One point with a radius is a ball, where it was marked and where it falls on the section.
    let (height, clearance, _) =
        told("kind = \"other\"; points = [[0.0, 1.0, -7.0]]; radius_mm = 0.5; keep_mm = 1.0");
    assert_near(number(&height, "/height_mm"), 9.5, WITHIN_MM, "height");
    assert_near(number(&clearance, "/clearance_mm"), 1.5, EXACT_MM, "clearance");
}

#[test]
fn a_floor_is_met_where_its_plane_lies_below_the_crest() {
    // The plane z = -8 + 0.25 x through three points: -8 below the middle of the crest, 11 mm; square to it
    // n = (0.25, 0, -1) / sqrt 1.0625. The fixture's nearest rim is at x = 2, z = -5: the plane lies
    // ((0 - 2) 0.25 + (-8 + 5) (-1)) / sqrt 1.0625 = 2.4254 mm from it.
    let floor = "kind = \"sinus-floor\"; surface = [[-4.0, -4.0, -9.0], [4.0, -4.0, -7.0], [4.0, 4.0, -7.0]]";
    let (height, clearance, document) = told(floor);
    assert_near(number(&height, "/height_mm"), 11.0, WITHIN_MM, "height");
    assert_near(number(&height, "/usable_mm"), 10.0, WITHIN_MM, "a millimetre to keep");
    assert_near(triple(&height, "/at")[2], -8.0, WITHIN_MM, "below the crest");
    assert_eq!((text(&height, "/form"), at(&height, "/radius_mm")), ("surface", &Value::Null));
    assert_near(number(&clearance, "/clearance_mm"), 2.4254, EXACT_MM, "clearance");
    // The rim's foot on the plane lies 2.4254 x 0.25 / sqrt 1.0625 further, at x = 2.588, where the marks count
    // 0.1765, 0.3235 and 0.5 times, 0.6211 of one; where the rim is nearer to one of them, up to all of it.
    let u95 = number(&clearance, "/u95_mm");
    assert!((0.6211 * U95_MARK_MM..=U95_MARK_MM).contains(&(u95 + 5e-4)), "{u95}");
    // Below the middle of the crest they count 0.5, 0 and 0.5 times; along a slope of 1 in 4.
    let marked = U95_MARK_MM * 0.5_f64.sqrt() * 1.0625_f64.sqrt();
    let u95 = number(&height, "/u95_mm");
    assert!(u95 >= marked && u95 <= marked.hypot(0.25), "{u95}, of which {marked} of the marks");
    assert_eq!(text(&clearance, "/verdict"), "met");
    assert!(codes(&document, "/sites/0/warnings").iter().all(|c| !c.starts_with("limit")));
    // A fixture that reaches through it stands into it by that much.
    let (_, clearance, _) = told(&floor.replace("-9.0]", "-5.0]").replace("-7.0]", "-3.0]"));
    assert_near(number(&clearance, "/clearance_mm"), -1.4552, EXACT_MM, "through");
    assert_eq!(text(&clearance, "/verdict"), "not met");
}

#[test]
fn a_bent_floor_is_taken_at_its_most_crestal_mark_and_told() {
    // Four marks at z = -8 and one in the middle at -10.5: the plane that fits best lies at -8.5, and is moved
    // to -8; the deepest mark lies 2.5 mm beyond it.
    let floor = "kind = \"nasal-floor\"; surface = [[-4.0, -4.0, -8.0], [4.0, -4.0, -8.0], [4.0, 4.0, -8.0], [-4.0, 4.0, -8.0], [0.0, 0.0, -10.5]]";
    let (height, clearance, document) = told(floor);
    assert_near(number(&height, "/height_mm"), 11.0, WITHIN_MM, "height");
    assert_near(number(&clearance, "/clearance_mm"), 3.0, EXACT_MM, "clearance");
    // 2.5 mm over the root of 12 (rectangular), and of a voxel over the root of 3 the share of five marks that
    // spread by the root of 12.8 either way: sqrt(1 / 5) in their middle, sqrt((1 + 4 / 12.8) / 5) at the rim.
    let u95 = |share: f64| 2.0 * (share.sqrt() * 0.3 / 3.0_f64.sqrt()).hypot(2.5 / 12.0_f64.sqrt());
    assert_near(number(&clearance, "/u95_mm"), u95((1.0 + 4.0 / 12.8) / 5.0), 1e-3, "uncertainty");
    assert!(number(&height, "/u95_mm") >= u95(0.2));
    let told = list(&document, "/sites/0/warnings");
    let bent = told.iter().find(|w| text(w, "/code") == "limit-bent").expect("told");
    assert!(text(bent, "/message").contains("2.5 mm"), "{bent}");
}

#[test]
fn a_floor_that_is_marked_elsewhere_or_too_steep_has_no_height_and_is_never_met() {
    for (keys, word) in [
        ("surface = [[-4.0, 14.0, -9.0], [4.0, 14.0, -9.0], [4.0, 20.0, -9.0]]", "nearest mark"),
        (
            "surface = [[2.5, -4.0, -9.0], [2.5, 4.0, -9.0], [2.6, 0.0, -3.0]]",
            "degrees from square",
        ),
        // Within reach, but a millimetre apart: 0.3 / sqrt 3 x 2 x sqrt((1 + (4 / 0.5)^2) / 4) = 1.4 mm.
        (
            "surface = [[3.5, -0.5, -9.0], [4.5, -0.5, -9.0], [4.5, 0.5, -9.0], [3.5, 0.5, -9.0]]",
            "leave ± 1.4 mm",
        ),
        // As far from each other as one likes, but all of them beyond.
        (
            "surface = [[0.0, 7.0, -9.0], [2.0, 9.0, -9.0], [-2.0, 9.0, -9.0]]",
            "mark it all round the site",
        ),
    ] {
        let bench = Bench::p0();
        let keys = limit(&format!("kind = \"sinus-floor\"; {keys}"));
        let case = bench.case(&[P0_HEAD, P0_SITE, &keys, P0_POSE, P0_FIXTURE].concat());
        let measured = run(&args!["measure", case, "--json", "-"]);
        assert_eq!(measured.status, 4, "{measured:#?}");
        assert!(at(&measured.document(), "/sites/0/limits/0/height_mm").is_null());
        assert!(measured.err.contains(word), "{}", measured.err);
        let fitted = run(&args!["fit", case, "--json", "-"]).document();
        let verdict = text(&fitted, "/sites/0/fits/0/clearances/0/verdict");
        assert!(verdict == "too close to call" || verdict == "not met", "{verdict}");
    }
}

#[test]
fn the_pose_search_keeps_clear_of_floors_and_of_canals_walls() {
    // 3 mm in 6 mm of bone: walls of 1.5 mm leave no margin, and the search raises the platform until the floor
    // leaves as little. At z = 3 the apex comes within 0.5 mm of the floor and of the canal's wall.
    let fixture = P0_FIXTURE.replace("diameter_mm = 4.0", "diameter_mm = 3.0");
    let within = "  [site.within]\n  depth_mm = [-2.0, 2.0]\n";
    for keys in [
        "kind = \"sinus-floor\"; surface = [[-4.0, -4.0, -5.5], [4.0, -4.0, -5.5], [4.0, 4.0, -5.5]]",
        "kind = \"other\"; points = [[0.0, -9.0, -7.0], [0.0, 9.0, -7.0]]; radius_mm = 1.5; keep_mm = 1.0",
    ] {
        let case = [P0_HEAD, P0_SITE, &limit(keys), within, &fixture].concat();
        let document = Bench::p0().document("fit", &case);
        let fit = at(&document, "/sites/0/fits/0");
        assert_eq!(text(fit, "/pose_source"), "best");
        let clear = number(fit, "/clearances/0/clearance_mm");
        assert!(clear >= 0.95, "{keys}: {clear}");
        assert!(triple(fit, "/pose/platform")[2] >= 3.4, "{fit:#}");
    }
}

#[test]
fn faults_of_a_limit_are_told_with_key_line_and_remedy() {
    let bench = Bench::empty();
    for (keys, parts) in [
        (
            "kind = \"nerve-canal\"; surface = [[0,0,0],[4,0,0],[0,4,0]]",
            &["`surface`", "canal", "line 13"][..],
        ),
        ("kind = \"sinus-floor\"; surface = [[0,0,0],[4,0,0]]", &["2 points", "three or more"]),
        ("kind = \"sinus-floor\"; surface = [[0,0,0],[4,0,0],[8,0,0]]", &["one line", "line 13"]),
        (
            "kind = \"sinus-floor\"; surface = [[0,0,0],[4,0,0],[0,4,0]]; radius_mm = 1",
            &["beside `surface`", "line 14"],
        ),
        (
            "kind = \"sinus-floor\"; surface = [[0,0,0],[4,0,0],[0,4,0]]; points = [[0,0,0]]",
            &["beside `surface`"],
        ),
        ("kind = \"nerve-canal\"; points = [[0,0,0]]; radius_mm = -1", &["`radius_mm`", "0 to 10"]),
        ("kind = \"nerve-canal\"; points = [[0,0,0]]; radius = 1", &["`radius_mm`", "unknown key"]),
    ] {
        let case = [P0_HEAD, P0_SITE, &limit(keys), P0_FIXTURE].concat();
        let found = run(&args!["measure", bench.case(&case)]);
        assert_eq!(found.status, 2, "{keys}: {found:#?}");
        for part in parts {
            assert!(found.err.contains(part), "{keys}: {part:?} not in {}", found.err);
        }
    }
}
