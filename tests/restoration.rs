//! Rules of the restoration, rules that contradict each other, fixtures beside each other and walls as data, as
//! the command tells them, on the base phantom: bone from x = -3 to 3 and z = -9 to 3, along y.

mod common;

use std::fs;

use common::{
    Bench, P0_FIXTURE, P0_HEAD, P0_POSE, P0_SITE, args, assert_near, at, codes, list, number, run,
    text, triple,
};
use serde_json::Value;

/// A third of a voxel, as for widths and the crest.
const WITHIN_MM: f64 = 0.10;

/// Roots 8 mm before and behind the site: CEJs 3 mm above the crest, contact areas 6 mm above it, 5 mm off.
const TEETH: &str = r#"  [[site.neighbour]]
  tooth = "34"
  root = [[0.0, -8.0, 4.0], [0.0, -8.0, -8.0]]
  root_diameter_mm = 5.0
  cej = [0.0, -8.0, 6.0]
  contact = [0.0, -5.0, 9.0]
  [[site.neighbour]]
  tooth = "36"
  root = [[0.0, 8.0, 4.0], [0.0, 8.0, -8.0]]
  root_diameter_mm = 9.0
  cej = [0.0, 8.0, 6.0]
  contact = [0.0, 5.0, 9.0]
"#;

/// The point 8 mm above the platform and 1.5 mm to buccal.
const CROWN: &str = r#"  [site.restoration]
  emergence = [1.5, 0.0, 11.0]
  opposite_width_mm = 8.0
  opposite_thickness_mm = 6.0
"#;

fn rule<'a>(fit: &'a Value, rule: &str, of: Option<&str>) -> &'a Value {
    let found = list(fit, "/restoration")
        .iter()
        .find(|r| text(r, "/rule") == rule && at(r, "/of").as_str() == of);
    found.unwrap_or_else(|| panic!("no {rule} of {of:?} in {fit:#}"))
}

#[test]
fn the_fit_document_tells_every_rule_of_the_restoration() {
    let case = [P0_HEAD, P0_SITE, TEETH, CROWN, P0_POSE, P0_FIXTURE].concat();
    let document = Bench::p0().document("fit", &case);
    let site = at(&document, "/sites/0");
    let fit = at(site, "/fits/0");
    for tooth in ["34", "36"] {
        let cej = rule(fit, "cej.depth", Some(tooth));
        assert_near(number(cej, "/found_mm"), 3.0, WITHIN_MM, "below the CEJ");
        assert_near(number(cej, "/least_mm"), 2.0, 0.0, "least");
        assert_near(number(cej, "/most_mm"), 4.0, 0.0, "most");
        assert_eq!(text(cej, "/verdict"), "met");
        assert!(number(cej, "/probability") > 0.99);
        let contact = rule(fit, "contact.depth", Some(tooth));
        assert_near(number(contact, "/found_mm"), 6.0, WITHIN_MM, "below the contact area");
        let crest = rule(fit, "contact.crest", Some(tooth));
        assert_near(number(crest, "/found_mm"), 6.0, WITHIN_MM, "contact area to crest");
        // 63 of 112 sites at 6 mm: Tarnow DP et al. J Periodontol 1992;63:995-996.
        assert_near(number(crest, "/papilla_share"), 0.5625, 1e-9, "papilla");
        assert_eq!(text(crest, "/verdict"), "not met");
        let angle = rule(fit, "angle.root", Some(tooth));
        assert_near(number(angle, "/found_deg"), 0.0, 0.01, "angle");
        assert_eq!(text(angle, "/apices"), "parallel");
        assert!(angle.get("found_mm").is_none() && angle.get("least_mm").is_none());
    }
    // 16 mm between the roots' axes less radii of 2.5 and 4.5 mm: 9.0; less 3.0: 6.0 mm for a fixture.
    for name in ["room.crest", "room.root"] {
        let room = rule(fit, name, None);
        assert_near(number(room, "/found_mm"), 9.0, WITHIN_MM, name);
        assert_near(number(room, "/largest_diameter_mm"), 6.0, WITHIN_MM, "largest");
        assert_near(number(room, "/least_mm"), 7.0, 1e-9, "4.0 + 2 x 1.5");
        assert!(text(room, "/source").contains("1993"));
    }
    // Contact areas 10 mm apart where the other tooth is 8 mm wide and 6 mm thick: 7.5 mm thick, so that the
    // point goes 1.5 mm to the tongue, onto the axis.
    assert_near(number(site, "/crown/width_mm"), 10.0, WITHIN_MM, "crown");
    assert_near(number(site, "/crown/thickness_mm"), 7.5, WITHIN_MM, "thickness");
    assert_eq!(text(site, "/crown/thickness_source"), "in proportion to the width");
    assert_near(number(site, "/crown/palatal_shift_mm"), 1.5, WITHIN_MM, "shift");
    assert_near(triple(site, "/crown/emergence")[0], 0.0, WITHIN_MM, "moved");
    let emergence = rule(fit, "emergence", None);
    assert_near(number(emergence, "/found_mm"), 0.0, WITHIN_MM, "emergence");
    assert_near(number(emergence, "/axis_buccal_mm"), 0.0, WITHIN_MM, "side");
    assert_near(number(rule(fit, "emergence.angle", None), "/found_deg"), 0.0, 1.0, "angle");
    assert_eq!(text(rule(fit, "crown.width", None), "/verdict"), "not met");
    assert_eq!(text(fit, "/restoration_verdict"), "not met");
    // A wider window and looser rules leave the fixture's own verdict as it is.
    let loose = "[restoration]\ncontact_to_crest_mm = 8.0\ncrown_width_mm = false\n";
    let looser = Bench::p0().document("fit", &[&case, loose].concat());
    let other = at(&looser, "/sites/0/fits/0");
    assert_eq!(text(other, "/restoration_verdict"), "met", "{other:#}");
    assert_eq!(at(other, "/verdict"), at(fit, "/verdict"));
}

#[test]
fn a_case_that_gives_nothing_to_judge_says_nothing_of_the_restoration() {
    let bench = Bench::p0();
    let case = bench.case(&common::p0_case());
    let document = bench.document("fit", &common::p0_case());
    let fit = at(&document, "/sites/0/fits/0");
    assert!(list(fit, "/restoration").is_empty() && at(fit, "/restoration_verdict").is_null());
    assert!(at(&document, "/sites/0/crown").is_null() && fit.get("wall_map").is_none());
    let found = run(&args!["fit", case]);
    assert!(!found.out.contains("Rules of the restoration"), "{}", found.out);
    // It is told where every figure is explained, each table under its own heading.
    let found = run(&args!["fit", case, "--explain"]);
    assert!(found.out.contains("Rule `below_cej_mm` is left out: it needs"), "{}", found.out);
    for heading in ["budgets (JCGM 100) of walls", "budgets (JCGM 100) of widths"] {
        assert_eq!(found.out.matches(heading).count(), 1, "{heading}: {}", found.out);
    }
    let with = [P0_HEAD, P0_SITE, TEETH, CROWN, P0_POSE, P0_FIXTURE].concat();
    let found = run(&args!["fit", bench.case(&with)]);
    assert!(found.out.contains("Rules of the restoration, 4.0 x 8: not met"), "{}", found.out);
    assert!(found.out.contains("grown with its width"), "{}", found.out);
}

#[test]
fn rules_of_the_case_that_contradict_each_other_are_refused_by_name_and_line() {
    let bench = Bench::empty();
    let site = P0_SITE.replace("at =", "axis = \"apical\"\nat =");
    let refused = |head: &str, site: &str, teeth: &str, after: &str, parts: &[&str]| {
        let case = [head, site, teeth, after, P0_FIXTURE].concat();
        run(&args!["fit", bench.case(&case)]).assert_error(2, "contradictory-rules", parts);
    };
    let with = |rules: &str| P0_HEAD.replace("[scan]", &format!("[restoration]\n{rules}\n[scan]"));
    // CEJs 3.5 mm apart, and a window of 2 mm.
    let apart = TEETH.replace("cej = [0.0, 8.0, 6.0]", "cej = [0.0, 8.0, 9.5]");
    let head = with("below_cej_mm = [2.0, 4.0]");
    let parts = ["case.toml line 3", "CEJ of 34", "3.50 mm deeper", "for 36", "false"];
    refused(&head, &site, &apart, "", &parts);
    // 4.5 mm below the CEJ of 34 is 7.5 mm below the contact areas.
    let head = with("below_cej_mm = [4.5, 6.0]\nto_contact_mm = 7.0");
    let parts = ["line 4", "`below_cej_mm` for 34", "`to_contact_mm` for 34", "7.50", "7.00"];
    refused(&head, &site, TEETH, "", &parts);
    // Roots 40 degrees apart: 12 tan 40 = 10.07.
    let leaning = TEETH.replace("[0.0, 8.0, -8.0]", "[0.0, 18.07, -8.0]");
    let parts = ["line 3", "root of 34", "that of 36", "40.0°", "15.0°"];
    refused(&with("angle_deg = 15.0"), &site, &leaning, "", &parts);
    // The prosthetic axis 30 degrees off the roots.
    let within = "  [site.within]\n  prosthetic = [0.0, 0.57735, -1.0]\n  angle_deg = 10.0\n";
    let parts = ["line 3", "root of 34", "prosthetic axis", "30.0°", "15.0°", "10.0°"];
    refused(&with("angle_deg = 15.0"), &site, TEETH, within, &parts);
    let depths = P0_SITE.replace("at =", "platform_depth_mm = 2.5\nat =");
    let within = "  [site.within]\n  depth_mm = [0.0, 2.0]\n";
    let parts = ["line 10", "`platform_depth_mm` = 2.5", "`depth_mm` = [0, 2]"];
    refused(P0_HEAD, &depths, "", within, &parts);
    // A window that is none, and keys that are not known.
    for (rules, words) in [
        ("below_cej_mm = [4.0, 2.0]", "`below_cej_mm`"),
        ("to_contact_mm = true", "`to_contact_mm`"),
        ("angle = 3.0", "`angle_deg`"),
    ] {
        let case = [&with(rules), P0_SITE, P0_FIXTURE].concat();
        let found = run(&args!["fit", bench.case(&case)]);
        assert_eq!(found.status, 2, "{found:#?}");
        assert!(found.err.contains(words) && found.err.contains("line 3"), "{found:#?}");
    }
}

#[test]
fn rules_that_need_the_scan_to_contradict_each_other_are_warned_of() {
    let bench = Bench::p0();
    let warnings = |site: &str, teeth: &str, after: &str, head: &str| -> Vec<String> {
        let document = bench.document("fit", &[head, site, teeth, after, P0_FIXTURE].concat());
        let all = list(&document, "/sites/0/warnings");
        assert_eq!(codes(&document, "/sites/0/warnings").len(), all.len());
        let those = all.iter().filter(|w| text(w, "/code") == "contradictory-rules");
        those.map(|w| text(w, "/message").to_owned()).collect()
    };
    assert_eq!(warnings(P0_SITE, TEETH, "", P0_HEAD), Vec::<String>::new());
    // The apical direction is found in the scan, and the rules stand at their defaults.
    let apart = TEETH.replace("cej = [0.0, 8.0, 6.0]", "cej = [0.0, 8.0, 9.5]");
    let found = warnings(P0_SITE, &apart, "", P0_HEAD);
    assert!(
        matches!(&found[..], [one] if one.contains("`below_cej_mm` for 34") && one.contains("3.5")),
        "{found:?}"
    );
    let leaning = TEETH.replace("[0.0, 8.0, -8.0]", "[0.0, 18.07, -8.0]");
    let found = warnings(P0_SITE, &leaning, "", P0_HEAD);
    assert!(found.iter().any(|w| w.contains("40.0°") && w.contains("root of 34")), "{found:?}");
    // 2 to 4 mm below the CEJs, 3 mm above the crest: -1 to 1 mm below it, where 2 to 3 are looked at.
    let within = "  [site.within]\n  depth_mm = [2.0, 3.0]\n";
    let found = warnings(P0_SITE, TEETH, within, P0_HEAD);
    assert_eq!(found.len(), 2, "one for each CEJ: {found:?}");
    assert!(
        found[0].contains("`below_cej_mm` for 34") && found[0].contains("2.00 to 3.00 mm"),
        "{found:?}"
    );
    let deep = P0_SITE.replace("at =", "platform_depth_mm = 2.5\nat =");
    let off = P0_HEAD
        .replace("[scan]", "[restoration]\nbelow_cej_mm = false\nto_contact_mm = false\n[scan]");
    assert_eq!(warnings(&deep, TEETH, "", &off), Vec::<String>::new());
    // 2.5 mm below the crest is 8.5 mm below the contact areas, where 8.0 are asked for at most.
    let found = warnings(&deep, TEETH, "", P0_HEAD);
    assert!(found.iter().any(|w| w.contains("`to_contact_mm` for 34")), "{found:?}");
}

#[test]
fn two_sites_tell_the_same_distance_between_their_fixtures() {
    let site = |id: &str, y: f64| format!("[[site]]\nid = \"{id}\"\nat = [0.0, {y:.1}, 3.0]\n");
    let case = [P0_HEAD, &site("a", -3.5), &site("b", 3.5), P0_FIXTURE].concat();
    let document = Bench::p0().document("fit", &case);
    let to = |n: usize, other: &str| -> Value {
        let fit = at(&document, &format!("/sites/{n}/fits/0"));
        let all = list(fit, "/clearances").iter();
        let mut found = all.filter(|c| text(c, "/kind") == "fixture" && text(c, "/to") == other);
        let clearance =
            found.next().unwrap_or_else(|| panic!("none to {other} in {fit:#}")).clone();
        assert!(found.next().is_none(), "told once");
        clearance
    };
    let (a, b) = (to(0, "b"), to(1, "a"));
    let (from_a, from_b) = (number(&a, "/clearance_mm"), number(&b, "/clearance_mm"));
    // 7 mm from axis to axis less two radii of 2 mm, where neither was moved away along the ridge.
    assert!(from_a > 2.9 && from_a < 7.0, "{from_a}");
    assert_near(from_a, from_b, 0.01, "the same from both");
    assert_eq!(at(&a, "/verdict"), at(&b, "/verdict"));
    for (n, other) in [(0, "b"), (1, "a")] {
        let fit = at(&document, &format!("/sites/{n}/fits/0"));
        let angle = rule(fit, "angle.fixture", Some(other));
        assert!(number(angle, "/found_deg") <= 15.0 && angle.get("apices").is_some(), "{angle}");
    }
}

#[test]
fn walls_all_round_are_written_as_a_table_and_where_asked_for_into_the_document() {
    let bench = Bench::p0();
    let case = bench.case(&[P0_HEAD, P0_SITE, P0_FIXTURE].concat());
    let (out, json) = (bench.path("out"), bench.path("fit.json"));
    let found = run(&args!["fit", case, "--wall-maps", "--json", json, "--out", out]);
    assert_eq!(found.status, 0, "{found:#?}");
    let document: Value =
        serde_json::from_str(&fs::read_to_string(json).expect("written")).expect("a document");
    let fit = at(&document, "/sites/0/fits/0");
    let csv = fs::read_to_string(out.join("site-1-middle-of-the-box-walls.csv")).expect("written");
    let mut lines = csv.lines();
    let header = lines.next().expect("a header");
    assert_eq!(header, "angle_deg,depth_mm,wall_mm,u95_mm,at_x_mm,at_y_mm,at_z_mm");
    let (angles, depths) = (list(fit, "/wall_map/angles_deg"), list(fit, "/wall_map/depths_mm"));
    assert_eq!((angles.len(), depths.len()), (72, 33), "every 5 degrees and 0.25 mm of 8 mm");
    let mut walls = 0;
    let mut least = f64::INFINITY;
    // Half a millimetre below the crest, all round the fixture, whose platform lies at the crest.
    for (column, line) in lines.by_ref().take(angles.len()).enumerate() {
        let cells: Vec<&str> = line.split(',').collect();
        let keys = ["/angles_deg", "/crest_depth_mm", "/crest_wall_mm", "/crest_u95_mm"];
        for (cell, key) in cells.iter().zip(keys) {
            let value = number(fit, &format!("/wall_map{key}/{column}"));
            assert_near(cell.parse().expect("a number"), value, 1e-9, key);
        }
        least = least.min(cells[2].parse().expect("a wall"));
    }
    for (n, line) in lines.enumerate() {
        let cells: Vec<&str> = line.split(',').collect();
        let (row, column) = (n / angles.len(), n % angles.len());
        assert_eq!(cells.len(), 7);
        let (angle, depth) = (&angles[column], &depths[row]);
        for (cell, value) in [(cells[0], angle), (cells[1], depth)] {
            assert_near(cell.parse().expect("a number"), number(value, ""), 1e-9, "place");
        }
        for (cell, key) in [(cells[2], "wall_mm"), (cells[3], "u95_mm")] {
            let value = at(fit, &format!("/wall_map/{key}/{row}/{column}"));
            assert_eq!(cell.parse().ok(), value.as_f64(), "{key} {row} {column}");
        }
        let place: Vec<f64> = cells[4..].iter().filter_map(|c| c.parse().ok()).collect();
        assert_eq!(place.len(), if cells[2].is_empty() { 0 } else { 3 }, "{line}");
        if let Ok(wall) = cells[2].parse::<f64>() {
            walls += 1;
            least = least.min(wall);
        }
    }
    assert!(walls > 1000, "{walls}");
    // The box is 6 mm wide and the fixture 4 mm: 1 mm at best.
    assert_near(least, 1.0, WITHIN_MM, "the least wall");
}

#[test]
fn a_root_given_apex_first_and_contact_areas_on_one_side_are_warned_of() {
    let bench = Bench::p0();
    let told = |teeth: &str, code: &str, words: &str| {
        let case = [P0_HEAD, P0_SITE, teeth, CROWN, P0_POSE, P0_FIXTURE].concat();
        let document = bench.document("fit", &case);
        let warnings = list(&document, "/sites/0/warnings");
        let those: Vec<&str> = warnings
            .iter()
            .filter(|w| text(w, "/code") == code)
            .map(|w| text(w, "/message"))
            .collect();
        let found = run(&args!["fit", bench.case(&case)]);
        assert_eq!(found.err.contains(code), !those.is_empty(), "{}", found.err);
        assert!(those.iter().all(|w| w.contains(words)), "{those:?}");
        those.len()
    };
    assert_eq!(told(TEETH, "root-upside-down", ""), 0);
    assert_eq!(told(TEETH, "contacts-on-one-side", ""), 0);
    let turned = TEETH
        .replace("[[0.0, -8.0, 4.0], [0.0, -8.0, -8.0]]", "[[0.0, -8.0, -8.0], [0.0, -8.0, 4.0]]");
    assert_eq!(told(&turned, "root-upside-down", "root of 34 runs 12.0 mm towards the mouth"), 1);
    let one_side = TEETH.replace("contact = [0.0, 5.0, 9.0]", "contact = [0.0, -4.0, 9.0]");
    assert_eq!(told(&one_side, "contacts-on-one-side", "34 and 36 lie on one side"), 1);
}

#[test]
fn another_fixture_alone_is_enough_for_the_angle_between_axes() {
    let bench = Bench::p0();
    let site = |id: &str, y: f64| {
        format!(
            "[[site]]\nid = \"{id}\"\nat = [0.0, {y:.1}, 3.0]\n  [site.pose]\n  platform = [0.0, {y:.1}, 3.0]\n  apical = [0.0, 0.0, -1.0]\n"
        )
    };
    let explained = |sites: &str| {
        let case = [P0_HEAD, sites, P0_FIXTURE].concat();
        run(&args!["fit", bench.case(&case), "--explain"]).out
    };
    let alone = explained(&site("a", 0.0));
    let words = "`angle_deg` is left out: it needs a neighbour, or a fixture at another site";
    assert!(alone.contains(words), "{alone}");
    let both = explained(&[site("a", -4.0), site("b", 4.0)].concat());
    assert!(both.contains("axis to the fixture at b") && !both.contains("`angle_deg`"), "{both}");
}
