//! Every field of the documents: there, of the right type, and with the right meaning on the base
//! phantom, a box of bone 6.00 mm wide (x from -3 to 3) and 12.00 mm high (z from -9 to 3).

mod common;

use common::{
    Bench, P0_FIXTURE, P0_HEAD, P0_POSE, P0_SITE, args, assert_near, at, codes, distance, dot,
    list, minus, number, run, text, triple,
};
use serde_json::Value;

/// Allowed on the base phantom, mm: a third of a voxel, which is what blur-free sampling on a
/// 0.3 mm grid leaves open.
const WITHIN_MM: f64 = 0.10;
/// Documents are rounded to 0.0001 mm; sums of a few such numbers.
const ROUNDING_MM: f64 = 0.0005;

const LEVELS_MM: [f64; 6] = [1.0, 2.0, 3.0, 5.0, 7.0, 10.0];

#[derive(Debug, Clone, Copy, PartialEq)]
enum Kind {
    Number,
    Text,
    List,
    /// A point, three numbers.
    Point,
    /// A direction, three numbers of length one.
    Direction,
    Null,
}
use Kind::{Direction, List, Null, Number, Point, Text};

/// Fails unless every pointer is there with its kind.
fn assert_fields(value: &Value, fields: &[(&str, Kind)]) {
    assert!(!fields.is_empty());
    for (pointer, kind) in fields {
        let found = at(value, pointer);
        let fits = match kind {
            Number => found.as_f64().is_some_and(f64::is_finite),
            Text => found.is_string(),
            List => found.is_array(),
            Null => found.is_null(),
            Point => triple(value, pointer).iter().all(|c| c.is_finite()),
            Direction => {
                let d = triple(value, pointer);
                (dot(d, d) - 1.0).abs() < 1e-5
            }
        };
        assert!(fits, "{pointer} is {found}, not {kind:?}");
    }
}

/// The base case with limits and neighbours in known places.
fn full_case() -> String {
    let site = P0_SITE.replace("at =", "tooth = \"35\"\nat =");
    // A canal straight below the fixture's apex, and roots 8 mm before and behind its axis.
    let around = r#"  [[site.limit]]
  kind = "nerve-canal"
  points = [[0.0, -9.0, -8.0], [0.0, 9.0, -8.0]]
  [[site.limit]]
  kind = "other"
  points = [[0.0, 0.5, -7.0]]
  keep_mm = 0.5
  [[site.neighbour]]
  tooth = "34"
  root = [[0.0, -8.0, 4.0], [0.0, -8.0, -8.0]]
  root_diameter_mm = 5.0
  cej = [0.0, -8.0, 4.5]
  contact = [0.0, -5.0, 9.0]
  [[site.neighbour]]
  tooth = "36"
  root = [[0.0, 8.0, 4.0], [0.0, 8.0, -8.0]]
  root_diameter_mm = 9.0
"#;
    [P0_HEAD, &site, around, P0_POSE, P0_FIXTURE].concat()
}

#[test]
fn the_measure_document_has_every_field_with_its_meaning() {
    let document = Bench::p0().document("measure", &full_case());
    assert_fields(
        &document,
        &[
            ("/schema", Text),
            ("/version", Text),
            ("/caution", Text),
            ("/scan/dims", List),
            ("/scan/spacing_mm", Point),
            ("/scan/warnings", List),
            ("/sites", List),
            ("/failed", List),
            ("/sites/0/id", Text),
            ("/sites/0/tooth", Text),
            ("/sites/0/side", Text),
            ("/sites/0/station_mm", Number),
            ("/sites/0/frame/origin", Point),
            ("/sites/0/frame/buccal", Direction),
            ("/sites/0/frame/apical", Direction),
            ("/sites/0/frame/mesial", Direction),
            ("/sites/0/lean_deg", Number),
            ("/sites/0/threshold", Number),
            ("/sites/0/threshold_source", Text),
            ("/sites/0/outside_grey", Number),
            ("/sites/0/cortex_grey", Number),
            ("/sites/0/noise_grey", Number),
            ("/sites/0/blur_fwhm_mm", Number),
            ("/sites/0/blur_along_z_mm", Number),
            ("/sites/0/blur_u_mm", Number),
            ("/sites/0/blur_source", Text),
            ("/sites/0/crest", Point),
            ("/sites/0/widths", List),
            ("/sites/0/min_width_mm", Number),
            ("/sites/0/bone_height_mm", Number),
            ("/sites/0/bone_height_u95_mm", Number),
            ("/sites/0/bone_height_budget", List),
            ("/sites/0/limits", List),
            ("/sites/0/warnings", List),
        ],
    );
    assert_eq!(text(&document, "/schema"), "jawgauge/measure/1");
    assert_eq!(text(&document, "/version"), env!("CARGO_PKG_VERSION"));
    assert_eq!(at(&document, "/scan/dims"), &serde_json::json!([120, 100, 80]));
    assert_near(distance(triple(&document, "/scan/spacing_mm"), [0.3; 3]), 0.0, 1e-9, "spacing");
    assert!(list(&document, "/failed").is_empty() && list(&document, "/scan/warnings").is_empty());
    let site = &list(&document, "/sites")[0];
    assert_eq!((text(site, "/id"), text(site, "/tooth")), (common::SITE, "35"));
    assert_eq!((text(site, "/side"), text(site, "/threshold_source")), ("left", "half-way"));
    assert_near(number(site, "/station_mm"), 9.0, ROUNDING_MM, "station");
    // Half-way between 60 outside and 1200 inside, the phantom's grey values.
    assert_near(number(site, "/outside_grey"), 60.0, 2.0, "grey outside");
    assert_near(number(site, "/cortex_grey"), 1200.0, 2.0, "grey of bone");
    assert_near(number(site, "/threshold"), 630.0, 2.0, "threshold");
    // The tongue is at -x: the cheek at +x, so this is the patient's left; mesial is forward.
    let frame = at(site, "/frame");
    for (key, direction) in
        [("/buccal", [1.0, 0.0, 0.0]), ("/apical", [0.0, 0.0, -1.0]), ("/mesial", [0.0, -1.0, 0.0])]
    {
        assert_near(distance(triple(frame, key), direction), 0.0, 0.01, key);
    }
    assert_near(distance(triple(frame, "/origin"), [0.0, 0.0, 3.0]), 0.0, ROUNDING_MM, "origin");
    assert_near(number(site, "/lean_deg"), 0.0, 0.5, "lean");
    assert_near(triple(site, "/crest")[2], 3.0, WITHIN_MM, "crest");
    assert_near(triple(site, "/crest")[1], 0.0, ROUNDING_MM, "crest in the section");
    assert_near(number(site, "/bone_height_mm"), 12.0, WITHIN_MM, "height");
    let u95 = number(site, "/bone_height_u95_mm");
    assert!(u95 > 0.0 && u95 < 0.5, "{u95}");
}

#[test]
fn every_width_has_its_level_its_ends_and_its_uncertainty() {
    let document = Bench::p0().document("measure", &full_case());
    let site = &list(&document, "/sites")[0];
    let widths = list(site, "/widths");
    assert_eq!(widths.len(), LEVELS_MM.len());
    let [buccal_dir, apical] = ["/frame/buccal", "/frame/apical"].map(|p| triple(site, p));
    let mesial = triple(site, "/frame/mesial");
    for (a, b) in [(buccal_dir, apical), (apical, mesial), (mesial, buccal_dir)] {
        assert_near(dot(a, b), 0.0, 1e-5, "axes are perpendicular");
    }
    let crest = triple(site, "/crest");
    let mut least = f64::INFINITY;
    for (width, level) in widths.iter().zip(LEVELS_MM) {
        assert_fields(
            width,
            &[
                ("/level_mm", Number),
                ("/width_mm", Number),
                ("/u95_mm", Number),
                ("/budget", List),
                ("/buccal", Point),
                ("/lingual", Point),
                ("/buccal_plate_mm", Null),
                ("/lingual_plate_mm", Null),
            ],
        );
        assert!(width.pointer("/at_least_mm").is_none_or(Value::is_null), "nothing is cut off");
        assert_near(number(width, "/level_mm"), level, 1e-9, "level");
        let mm = number(width, "/width_mm");
        assert_near(mm, 6.0, WITHIN_MM, "width");
        least = least.min(mm);
        let u95 = number(width, "/u95_mm");
        assert!(u95 > 0.0 && u95 < 0.5 && (mm - 6.0).abs() <= u95, "{mm} within {u95} of 6");
        let (buccal, lingual) = (triple(width, "/buccal"), triple(width, "/lingual"));
        let across = minus(buccal, lingual);
        assert_near(distance(buccal, lingual), mm, ROUNDING_MM, "ends are a width apart");
        assert_near(dot(across, buccal_dir), mm, ROUNDING_MM, "from tongue to cheek");
        assert_near(dot(across, apical), 0.0, ROUNDING_MM, "across the ridge");
        assert_near(buccal[0], 3.0, WITHIN_MM, "buccal end");
        assert_near(lingual[0], -3.0, WITHIN_MM, "lingual end");
        for end in [buccal, lingual] {
            assert_near(dot(minus(end, crest), apical), level, ROUNDING_MM, "depth of an end");
            assert_near(dot(minus(end, crest), mesial), 0.0, ROUNDING_MM, "in the section");
        }
    }
    assert_near(number(site, "/min_width_mm"), least, 1e-9, "the least width");
    // Plates are null, so a warning says why.
    assert!(codes(site, "/warnings").contains(&"no-plate"));
}

#[test]
fn every_limit_has_its_height_and_what_is_usable_of_it() {
    let document = Bench::p0().document("measure", &full_case());
    let limits = list(&document, "/sites/0/limits");
    let expected =
        [("nerve-canal", 11.0, 2.0, [0.0, 0.0, -8.0]), ("other", 10.0, 0.5, [0.0, 0.0, -7.0])];
    assert_eq!(limits.len(), expected.len());
    for (limit, (kind, height, keep, place)) in limits.iter().zip(expected) {
        assert_fields(
            limit,
            &[
                ("/kind", Text),
                ("/height_mm", Number),
                ("/u95_mm", Number),
                ("/budget", List),
                ("/keep_mm", Number),
                ("/usable_mm", Number),
                ("/at", Point),
            ],
        );
        assert_eq!(text(limit, "/kind"), kind);
        let mm = number(limit, "/height_mm");
        assert_near(mm, height, WITHIN_MM, kind);
        assert_near(number(limit, "/keep_mm"), keep, 1e-9, "to keep");
        assert_near(number(limit, "/usable_mm"), mm - keep, ROUNDING_MM, "usable");
        assert_near(distance(triple(limit, "/at"), place), 0.0, 0.01, "where it is met");
        let u95 = number(limit, "/u95_mm");
        assert!(u95 > 0.0 && u95 < 1.0, "{u95}");
    }
}

#[test]
fn a_limit_that_misses_the_section_is_null_and_one_that_is_moved_far_is_told() {
    let bench = Bench::p0();
    let misses = full_case()
        .replace("[[0.0, -9.0, -8.0], [0.0, 9.0, -8.0]]", "[[0.0, 3.0, -8.0], [0.0, 9.0, -8.0]]");
    let partly = run(&args!["measure", bench.case(&misses), "--json", "-"]);
    assert_eq!(partly.status, 4, "{partly:#?}");
    let document = partly.document();
    for key in ["height_mm", "u95_mm", "usable_mm", "at"] {
        assert!(at(&document, &format!("/sites/0/limits/0/{key}")).is_null(), "{key}");
    }
    assert_near(number(&document, "/sites/0/limits/0/keep_mm"), 2.0, 1e-9, "still asked for");
    assert!(codes(&document, "/sites/0/warnings").contains(&"no-limit-height"));
    // A single point is moved onto the section; from more than 2 mm away with a warning.
    for (y, told) in [(1.9, false), (2.1, true)] {
        let case = full_case().replace("[[0.0, 0.5, -7.0]]", &format!("[[0.0, {y}, -7.0]]"));
        let document = bench.document("measure", &case);
        assert_near(number(&document, "/sites/0/limits/1/height_mm"), 10.0, WITHIN_MM, "height");
        assert_eq!(codes(&document, "/sites/0/warnings").contains(&"limit-moved"), told, "{y}");
    }
}

#[test]
fn the_fit_document_has_every_field_with_its_meaning() {
    let document = Bench::p0().document("fit", &full_case());
    assert_eq!(text(&document, "/schema"), "jawgauge/fit/1");
    for (key, mm) in [("buccal", 1.5), ("lingual", 1.5), ("tooth", 1.5), ("fixture", 3.0)] {
        assert_near(number(&document, &format!("/required/{key}_mm")), mm, 1e-9, key);
    }
    assert_fields(
        &document,
        &[
            ("/version", Text),
            ("/caution", Text),
            ("/scan/dims", List),
            ("/scan/spacing_mm", Point),
            ("/scan/warnings", List),
            ("/failed", List),
            ("/sites/0/id", Text),
            ("/sites/0/tooth", Text),
            ("/sites/0/answer", Text),
            ("/sites/0/warnings", List),
            ("/sites/0/fits", List),
        ],
    );
    let fit = at(&document, "/sites/0/fits/0");
    assert_fields(
        fit,
        &[
            ("/fixture", Text),
            ("/pose/platform", Point),
            ("/pose/apical", Direction),
            ("/pose/lean_deg", Number),
            ("/pose/lean_mesial_deg", Number),
            ("/pose_source", Text),
            ("/stands_out", List),
            ("/bone_contact", Number),
            ("/missing/volume_mm3", Number),
            ("/missing/levels", List),
            ("/section_walls", List),
            ("/clearances", List),
            ("/rules", List),
            ("/shortfall/short_mm", Number),
            ("/margin_mm", Number),
            ("/verdict", Text),
        ],
    );
    assert_eq!((text(fit, "/fixture"), text(fit, "/pose_source")), ("4.0 x 8", "given"));
    assert_near(distance(triple(fit, "/pose/platform"), [0.0, 0.0, 3.0]), 0.0, 1e-6, "platform");
    assert_near(distance(triple(fit, "/pose/apical"), [0.0, 0.0, -1.0]), 0.0, 1e-6, "apical");
    // 6 mm of bone round 4 mm of fixture; 12 mm of bone below 8 mm of it.
    for (side, mm, place) in [("buccal", 1.0, 3.0), ("lingual", 1.0, -3.0), ("apex", 4.0, -9.0)] {
        let wall = at(fit, &format!("/walls/{side}"));
        let fields =
            [("/wall_mm", Number), ("/u95_mm", Number), ("/depth_mm", Number), ("/at", Point)];
        assert_fields(wall, &fields);
        assert_near(number(wall, "/wall_mm"), mm, WITHIN_MM, side);
        let u95 = number(wall, "/u95_mm");
        assert!(u95 > 0.0 && u95 < 0.5, "{side} {u95}");
        let end = triple(wall, "/at");
        assert_near(if side == "apex" { end[2] } else { end[0] }, place, WITHIN_MM, side);
        let depth = number(wall, "/depth_mm");
        assert!((0.0..=8.0).contains(&depth), "{side} {depth}");
    }
    // Lines at 45 degrees belong to buccal and lingual; 5 degrees on, the fixture's side is 2 sin 40 off the
    // middle of 6 mm of bone.
    let beside = 3.0 - 2.0 * 40.0_f64.to_radians().sin();
    for side in ["mesial", "distal"] {
        assert_near(number(fit, &format!("/walls/{side}/wall_mm")), beside, WITHIN_MM, side);
    }
    assert!(list(fit, "/stands_out").is_empty());
    assert_near(number(fit, "/bone_contact"), 1.0, 0.02, "all of it lies in bone");
    let unmeasured = codes(&document, "/sites/0/warnings");
    assert!(!unmeasured.contains(&"mesial-distal-walls-not-measured"), "{unmeasured:?}");
    let profile = list(fit, "/section_walls");
    assert_near(number(&profile[profile.len() - 1], "/depth_mm"), 8.0, 1e-9, "to the apex");
    let deep: Vec<_> = profile.iter().filter(|w| number(w, "/depth_mm") >= 0.5).collect();
    assert!(deep.len() >= 15, "{} depths", deep.len());
    for wall in deep {
        let (depth, level) = (number(wall, "/depth_mm"), number(wall, "/level_mm"));
        assert_near(level, depth, WITHIN_MM, "the platform stands level with the crest");
        assert_near(number(wall, "/buccal_mm"), 1.0, WITHIN_MM, "buccal at a depth");
        assert_near(number(wall, "/lingual_mm"), 1.0, WITHIN_MM, "lingual at a depth");
    }
    assert_eq!(text(fit, "/verdict"), "not met");
    assert_near(number(fit, "/shortfall/short_mm"), 1.0, WITHIN_MM, "4 + 1.5 + 1.5 - 6");
    assert_near(number(fit, "/margin_mm"), -0.5, WITHIN_MM, "the least margin");
    assert!(text(&document, "/sites/0/answer").contains("1.0"), "{document:#}");
}

#[test]
fn rules_and_clearances_carry_verdicts_and_probabilities() {
    let document = Bench::p0().document("fit", &full_case());
    let fit = at(&document, "/sites/0/fits/0");
    let expected = [
        ("wall.buccal", 1.5, 1.0, "not met"),
        ("wall.lingual", 1.5, 1.0, "not met"),
        ("apex.in-bone", 0.0, 4.0, "met"),
        ("wall.mesial", 0.0, 3.0 - 2.0 * 40.0_f64.to_radians().sin(), "met"),
        ("wall.distal", 0.0, 3.0 - 2.0 * 40.0_f64.to_radians().sin(), "met"),
    ];
    let rules = list(fit, "/rules");
    assert_eq!(rules.len(), expected.len());
    for (rule, (name, required, mm, verdict)) in rules.iter().zip(expected) {
        assert_eq!((text(rule, "/rule"), text(rule, "/verdict")), (name, verdict));
        assert_near(number(rule, "/required_mm"), required, 1e-9, name);
        assert_near(number(rule, "/found_mm"), mm, WITHIN_MM, name);
        assert_probability(rule, verdict);
    }
    // Axis to axis 8 mm, less both radii; the canal's line 3 mm below the flat apex.
    let expected = [
        ("34", "tooth", 8.0 - 2.0 - 2.5, 1.5, "met"),
        ("36", "tooth", 8.0 - 2.0 - 4.5, 1.5, "too close to call"),
        ("nerve-canal", "limit", 3.0, 2.0, "met"),
        ("other", "limit", 2.0, 0.5, "met"),
    ];
    let clearances = list(fit, "/clearances");
    assert_eq!(clearances.len(), expected.len());
    for (clearance, (to, kind, mm, required, verdict)) in clearances.iter().zip(expected) {
        assert_eq!((text(clearance, "/to"), text(clearance, "/kind")), (to, kind));
        assert_near(number(clearance, "/clearance_mm"), mm, 0.01, to);
        assert_near(number(clearance, "/required_mm"), required, 1e-9, to);
        assert!(number(clearance, "/u95_mm") > 0.0);
        assert_eq!(text(clearance, "/verdict"), verdict, "{to}");
        assert_probability(clearance, verdict);
    }
}

fn assert_probability(value: &Value, verdict: &str) {
    let p = number(value, "/probability");
    assert!((0.0..=1.0).contains(&p), "{p}");
    // Coverage factor 2: the two-sided tails of a normal distribution hold 2.3 % each.
    match verdict {
        "met" => assert!(p > 0.97, "{p}"),
        "not met" => assert!(p < 0.03, "{p}"),
        "too close to call" => assert!((0.02..=0.98).contains(&p), "{p}"),
        other => panic!("{other:?} is no verdict"),
    }
}
