//! What `fit` remarks on: the document and the terminal say the same, by the keys that the case gives; and which
//! way is mesial. On the base phantom: bone from x = -3 to 3, y = -10 to 10 and z = -9 to 3.

mod common;

use std::collections::BTreeSet;
use std::fs;

use common::{
    Bench, P0_FIXTURE, P0_HEAD, P0_POSE, P0_SITE, args, assert_near, at, base, codes, list, number,
    p0_case, run, text, triple,
};
use jawgauge_phantom::{
    P0_SUPERSAMPLE, ScanOptions, p0_geometry, p0_grey, p0_on, p0_rescale, sample_shape,
};
use jawgauge_space::{Affine, PatientPoint, PatientVector};
use jawgauge_volume::VolumeGeometry;

const TEETH: &str = r#"  [[site.neighbour]]
  tooth = "34"
  root = [[0.0, -8.0, 4.0], [0.0, -8.0, -8.0]]
  root_diameter_mm = 3.0
  cej = [0.0, -8.0, 6.0]
  [[site.neighbour]]
  tooth = "36"
  root = [[0.0, 8.0, 4.0], [0.0, 8.0, -8.0]]
  root_diameter_mm = 3.0
  cej = [0.0, 8.0, 9.5]
"#;

fn within(keys: &str) -> String {
    [P0_HEAD, P0_SITE, "  [site.within]\n", keys, P0_FIXTURE].concat()
}

/// The base phantom in voxels of 0.6 mm.
fn coarse() -> Bench {
    let steps = [
        PatientVector::new(0.6, 0.0, 0.0),
        PatientVector::new(0.0, 0.6, 0.0),
        PatientVector::new(0.0, 0.0, 0.6),
    ];
    let corner = PatientPoint::new(-17.7, -14.7, -11.7);
    let affine = Affine::new(corner, steps).expect("steps");
    let geometry = VolumeGeometry::new([60, 50, 40], affine).expect("a grid");
    Bench::of(&p0_on(geometry).expect("a scan"), &ScanOptions::default())
}

/// Without the lowest 26 slices: the bone goes on below what was scanned.
fn cut_off() -> Bench {
    let bench = Bench::of(base(), &ScanOptions::default());
    for n in 0..26 {
        fs::remove_file(bench.path(&format!("scan/slice{n:04}.dcm"))).expect("a slice");
    }
    bench
}

#[test]
fn whatever_the_document_warns_of_is_told_on_the_terminal_once() {
    let off = P0_POSE.replace("platform = [0.0, 0.0", "platform = [0.0, 4.0");
    let oblique = off.replace("apical = [0.0, 0.0", "apical = [0.0, 0.6");
    let two = P0_FIXTURE.replace("4.0 x 8", "other");
    let p0 = Bench::p0();
    let (coarse, cut_off) = (coarse(), cut_off());
    let mut seen = BTreeSet::new();
    for (bench, case) in [
        (&p0, [P0_HEAD, P0_SITE, TEETH, P0_FIXTURE].concat()),
        (&coarse, p0_case()),
        (&p0, [P0_HEAD, P0_SITE, &off, P0_FIXTURE, &two].concat()),
        (&p0, [P0_HEAD, P0_SITE, &oblique, P0_FIXTURE, &two].concat()),
        (&cut_off, p0_case()),
        (&cut_off, [P0_HEAD, P0_SITE, &off, P0_FIXTURE, &two].concat()),
        (&p0, within("  emergence = [0.0, 6.0, 3.0]\n")),
    ] {
        let told = run(&args!["fit", bench.case(&case), "--json", "-"]);
        assert!([0, 4].contains(&told.status), "{told:#?}");
        let document = told.document();
        let lines: Vec<&str> = told.err.lines().collect();
        let code = |l: &str| {
            l.strip_prefix("warning[").and_then(|l| Some(l.split_once(']')?.0.to_owned()))
        };
        let on_terminal: BTreeSet<String> = lines.iter().filter_map(|l| code(l)).collect();
        let mut in_document: BTreeSet<String> = BTreeSet::new();
        for place in ["/scan/warnings", "/sites/0/warnings"] {
            in_document.extend(codes(&document, place).into_iter().map(str::to_owned));
            for warning in list(&document, place) {
                let message = text(warning, "/message");
                let times = lines.iter().filter(|l| l.ends_with(&format!("]: {message}"))).count();
                assert_eq!(times, 1, "{message}\n{}", told.err);
            }
        }
        assert_eq!(on_terminal, in_document);
        seen.extend(on_terminal);
    }
    for code in [
        "contradictory-rules",
        "mesial-distal-walls-not-measured",
        "pose-off-section",
        "no-wall",
        "no-wall-at-crest",
    ] {
        assert!(seen.contains(code), "no case gives {code}: {seen:?}");
    }
}

#[test]
fn a_section_that_several_fixtures_share_is_remarked_on_once() {
    let cut_off = cut_off();
    let off = P0_POSE.replace("platform = [0.0, 0.0", "platform = [0.0, 4.0");
    let two = P0_FIXTURE.replace("4.0 x 8", "other");
    let told =
        run(&args!["fit", cut_off.case(&[P0_HEAD, P0_SITE, &off, P0_FIXTURE, &two].concat())]);
    let of_section: Vec<_> =
        told.err.lines().filter(|l| l.contains("in the section through")).collect();
    assert!(!of_section.is_empty(), "{}", told.err);
    for line in of_section {
        assert!(line.contains("fixtures \"4.0 x 8\", \"other\": "), "{line}");
    }
    let off: Vec<_> = told.err.lines().filter(|l| l.contains("pose-off-section")).collect();
    assert!(matches!(off[..], [one] if one.contains("the given pose is 4.0 mm off")), "{off:?}");
}

#[test]
fn leans_are_told_in_the_sites_section_whichever_section_the_fixture_is_judged_in() {
    // tan 10 = 0.1763 to buccal (x), tan 6 = 0.1051 to mesial (the front, -y).
    let pose = P0_POSE
        .replace("platform = [0.0, 0.0", "platform = [0.0, 1.0")
        .replace("apical = [0.0, 0.0, -1.0]", "apical = [0.1763, -0.1051, -1.0]");
    let bench = Bench::p0();
    let case = |pose: &str| [P0_HEAD, P0_SITE, pose, P0_FIXTURE].concat();
    let document = bench.document("fit", &case(&pose));
    assert_near(number(&document, "/sites/0/fits/0/pose/lean_deg"), 10.0, 0.3, "to buccal");
    assert_near(number(&document, "/sites/0/fits/0/pose/lean_mesial_deg"), 6.0, 0.3, "to mesial");
    let told = run(&args!["fit", bench.case(&case(&pose))]);
    let header = told.out.lines().find(|l| l.contains("verdict")).expect("a table");
    assert!(header.contains("apex to buccal, °") && header.contains("to mesial, °"), "{header}");
    // In the section there is no lean to mesial, and no column for it.
    let told = run(&args!["fit", bench.case(&case(P0_POSE))]);
    let header = told.out.lines().find(|l| l.contains("verdict")).expect("a table");
    assert!(header.ends_with("apex to buccal, °"), "{header}");
}

#[test]
fn mesial_is_towards_the_midline_for_a_tooth_whose_place_does_not_tell_its_side() {
    // The same bone along x, in front: the cheek's side is -y.
    let turned = |p: PatientPoint| {
        let [x, y, z] = p.to_array();
        p0_grey(PatientPoint::new(-y, x, z))
    };
    let volume = sample_shape(p0_geometry(), p0_rescale(), turned, P0_SUPERSAMPLE).expect("a scan");
    let front = Bench::of(&volume, &ScanOptions::default());
    let across = P0_HEAD
        .replace("[[0.0, -9.0, 3.0], [0.0, 9.0, 3.0]]", "[[-9.0, 0.0, 3.0], [9.0, 0.0, 3.0]]")
        .replace("[-10.0, 0.0, 0.0]", "[0.0, 10.0, 0.0]");
    let maxilla = |head: &str| head.replace("mandible", "maxilla") + "apical = [0.0, 0.0, -1.0]\n";
    let back = Bench::p0();
    let right = P0_HEAD
        .replace("[-10.0, 0.0, 0.0]", "[10.0, 0.0, 0.0]")
        .replace("[[0.0, -9.0, 3.0], [0.0, 9.0, 3.0]]", "[[0.0, 9.0, 3.0], [0.0, -9.0, 3.0]]");
    for (bench, head, tooth, mesial) in [
        (&front, maxilla(&across), "11", [1.0, 0.0, 0.0]),
        (&front, maxilla(&across), "21", [-1.0, 0.0, 0.0]),
        (&front, across.clone(), "41", [1.0, 0.0, 0.0]),
        (&front, across.clone(), "31", [-1.0, 0.0, 0.0]),
        (&back, P0_HEAD.to_owned(), "35", [0.0, -1.0, 0.0]),
        (&back, right, "45", [0.0, -1.0, 0.0]),
    ] {
        let site = P0_SITE.replace("at =", &format!("tooth = \"{tooth}\"\nat ="));
        let document = bench.document("measure", &[&head[..], &site].concat());
        let found = triple(&document, "/sites/0/frame/mesial");
        for (found, truth) in found.into_iter().zip(mesial) {
            assert_near(found, truth, 1e-3, tooth);
        }
        let codes = codes(&document, "/sites/0/warnings");
        assert!(!codes.contains(&"mesial-unknown"), "{tooth}: {codes:?}");
    }
    // Without a tooth it stays a guess, and is said to be one.
    let document = front.document("measure", &[&across[..], P0_SITE].concat());
    let all = list(&document, "/sites/0/warnings");
    let guess = all.iter().find(|w| text(w, "/code") == "mesial-unknown").expect("told");
    assert!(text(guess, "/message").contains("give the site's `tooth`"), "{guess}");
}

#[test]
fn teeth_whose_numbers_and_places_disagree_are_told_of() {
    let told = |axis: &str, tooth: &str, beside: &str, at_y: f64| {
        let head = P0_HEAD.replace("[[0.0, -9.0, 3.0], [0.0, 9.0, 3.0]]", axis);
        let site = P0_SITE.replace("at =", &format!("tooth = \"{tooth}\"\nat ="));
        let neighbour = format!(
            "  [[site.neighbour]]\n  tooth = \"{beside}\"\n  root = [[0.0, {at_y}, 3.0], [0.0, {at_y}, -8.0]]\n  root_diameter_mm = 3.0\n"
        );
        let document =
            Bench::p0().document("fit", &[&head[..], &site, &neighbour, P0_FIXTURE].concat());
        codes(&document, "/sites/0/warnings").join(" ")
    };
    let straight = "[[0.0, -9.0, 3.0], [0.0, 9.0, 3.0]]";
    // Mesial of 35 is to the front, -y.
    assert!(!told(straight, "35", "34", -7.0).contains("neighbour-side"));
    assert!(told(straight, "35", "36", -7.0).contains("neighbour-side"));
    assert!(told(straight, "35", "34", 7.0).contains("neighbour-side"));
    assert!(!told(straight, "35", "36", 7.0).contains("neighbour-side"));
}

#[test]
fn what_is_wrong_with_a_search_is_told_by_the_keys_that_were_given() {
    let bench = Bench::p0();
    let fit = |case: &str| run(&args!["fit", bench.case(case), "--json", "-"]);
    for up in ["[0.0, 0.0, 1.0]", "[1.0, 0.0, 0.0]"] {
        let failed = fit(&within(&format!("  prosthetic = {up}\n")));
        failed.assert_error(2, "case-value", &["`prosthetic`", "within]", "line 12"]);
    }
    // With a pose of its own the site is not searched.
    let given = within("  prosthetic = [0.0, 0.0, 1.0]\n")
        .replace("  [site.within]", &format!("{P0_POSE}  [site.within]"));
    assert_eq!(fit(&given).status, 0);
    // 74 degrees off, and 15 either way: the case cannot tell whether a pose is found within 60.
    let failed = fit(&within("  prosthetic = [3.49, 0.0, -1.0]\n"));
    failed.assert_error(4, "pose-points-away", &["`prosthetic` of [site.within]"]);
    assert!(!failed.err.contains("`apical`"), "{failed:#?}");
    for (keys, named, not_named) in [
        ("  emergence = [0.0, 60.0, 3.0]\n", "`emergence` of [site.within]", "`depth_mm`"),
        ("  depth_mm = [30.0, 30.0]\n", "`depth_mm` of [site.within]", "`emergence`"),
    ] {
        let failed = fit(&within(keys));
        assert_eq!(failed.status, 4, "{failed:#?}");
        let errors = failed.errors();
        assert_eq!(errors.len(), 1, "{errors:?}");
        assert!(errors[0].contains(named) && !errors[0].contains(not_named), "{errors:?}");
        assert!(!errors[0].contains("`platform`"), "{errors:?}");
    }
    let far = fit(&within("  emergence = [0.0, 6.0, 3.0]\n"));
    let line = far.err.lines().find(|l| l.contains("pose-off-section")).expect("told");
    assert!(line.contains("the pose that was found") && line.contains("`emergence`"), "{line}");
    assert!(!far.err.contains("given pose"), "{}", far.err);
    for (along, status) in [(8.0, 0), (13.5, 4)] {
        let far = fit(&within(&format!("  emergence = [0.0, {along}, 3.0]\n")));
        assert_eq!(far.status, status, "{far:#?}");
        assert!(far.err.contains("`emergence`"), "{far:#?}");
    }
}

#[test]
fn a_limit_in_a_fixture_is_named_by_the_key_that_gave_it() {
    let bench = Bench::p0();
    let points = "  points = [[0.0, -9.0, -1.0], [0.0, 9.0, -1.0]]\n";
    let surface = "  surface = [[-4.0, -4.0, -1.0], [4.0, -4.0, -1.0], [0.0, 4.0, -1.0]]\n";
    for (form, key) in [(points, "`points`"), (surface, "`surface`")] {
        let limit = ["  [[site.limit]]\n  kind = \"nasal-floor\"\n", form].concat();
        let document =
            bench.document("fit", &[P0_HEAD, P0_SITE, P0_POSE, &limit, P0_FIXTURE].concat());
        let all = list(&document, "/sites/0/warnings");
        let told = all.iter().find(|w| text(w, "/code") == "limit-in-fixture").expect("told");
        assert!(text(told, "/message").contains(&format!("check its {key}")), "{told}");
    }
}

#[test]
fn the_crowns_shift_is_told_where_no_rule_applies() {
    let bench = Bench::p0();
    let crown = "  [site.restoration]\n  opposite_thickness_mm = 6.0\n  crown_thickness_mm = 7.5\n";
    let case = [P0_HEAD, P0_SITE, crown, P0_POSE, P0_FIXTURE].concat();
    let document = bench.document("fit", &case);
    assert_near(number(&document, "/sites/0/crown/palatal_shift_mm"), 1.5, 1e-9, "shift");
    assert!(at(&document, "/sites/0/fits/0/restoration_verdict").is_null());
    let told = run(&args!["fit", bench.case(&case)]);
    assert!(told.out.contains("the emergence point moves 1.50"), "{}", told.out);
}

#[test]
fn an_answer_says_but_once() {
    // 1.6 mm before the end of the box: the ends of both sectors are nearer to it than 1.0 mm, while across the
    // ridge 1.5 mm are left.
    let bench = Bench::p0();
    let pose = P0_POSE.replace("platform = [0.0, 0.0", "platform = [0.0, 8.4");
    let fixture = P0_FIXTURE.replace("diameter_mm = 4.0", "diameter_mm = 3.0");
    let walls = "[walls]\nbuccal_mm = 1.0\nlingual_mm = 1.0\n";
    let document = bench.document("fit", &[P0_HEAD, P0_SITE, &pose, &fixture, walls].concat());
    let answer = text(&document, "/sites/0/answer");
    assert!(answer.contains("; but its buccal wall is"), "{answer}");
    assert!(answer.contains("; and its lingual wall is"), "{answer}");
    assert_eq!(answer.matches("but").count(), 1, "{answer}");
}
