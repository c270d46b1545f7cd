//! What the command says when something is wrong: exit status, one clear line, and the rest done.

mod common;

use std::fs;

use common::{
    Bench, P0_FIXTURE, P0_HEAD, P0_POSE, P0_SITE, Run, args, assert_near, at, base, codes, list,
    number, p0_case, run, text,
};
use dicom_dictionary_std::tags;
use jawgauge_phantom::ScanOptions;
use serde_json::Value;

/// Runs `measure` with the document on standard output.
fn measure(bench: &Bench, case: &str) -> Run {
    run(&args!["measure", bench.case(case), "--json", "-"])
}

#[test]
fn faults_of_a_case_are_told_with_key_line_and_remedy() {
    let bench = Bench::empty();
    // (what is replaced, by what, code, what the line must hold)
    let faults: &[(&str, &str, &str, &[&str])] = &[
        ("arch =", "arhc =", "case-unknown-key", &["\"arhc\"", "[ridge]", "line 5", "`arch`"]),
        ("[[site]]", "[[sites]]", "case-unknown-key", &["\"sites\"", "line 8", "`site`"]),
        ("diameter_mm", "diametre_mm", "case-unknown-key", &["line 16", "`diameter_mm`"]),
        ("[site.pose]", "[site.poze]", "case-unknown-key", &["[[site]] 1", "line 11", "`pose`"]),
        ("case/1", "case/9", "case-value", &["`schema`", "\"case/9\"", "line 1", "case/1"]),
        ("schema = \"case/1\"\n", "", "case-missing-key", &["`schema`"]),
        ("path = \"scan\"", "", "case-missing-key", &["`path`", "[scan]"]),
        ("mandible", "lower", "case-value", &["`arch`", "\"lower\"", "line 5", "maxilla"]),
        ("at = [0.0, 0.0, 3.0]\n", "", "case-missing-key", &["`at`", "station_mm"]),
        ("at = [0.0, 0.0, 3.0]", "at = [0.0, 3.0]", "case-value", &["`at`", "line 10", "three"]),
        ("at = [0.0", "at = [nan", "case-value", &["`at`", "line 10", "finite"]),
        ("at = [0.0", "at = [\"a\"", "case-value", &["`at`", "line 10"]),
        (", [0.0, 9.0, 3.0]]", "]", "case-value", &["`axis`", "line 6", "two or more"]),
        ("[0.0, 9.0, 3.0]]", "[0.0, -9.0, 3.0]]", "case-value", &["`axis`", "line 6"]),
        ("at =", "tooth = \"99\"\nat =", "case-value", &["`tooth`", "\"99\"", "ISO 3950"]),
        ("at =", "tooth = \"16\"\nat =", "case-value", &["`tooth`", "16", "mandible"]),
        ("4.0\n", "-4.0\n", "case-value", &["`diameter_mm`", "line 16"]),
        ("length_mm = 8.0", "length_mm = inf", "case-value", &["`length_mm`", "line 17"]),
        ("apical = [0.0, 0.0, -1.0]", "apical = [0, 0, 0]", "case-value", &["`apical`", "line 13"]),
        ("id = \"middle", "id = middle", "case-syntax", &["TOML", "line 9"]),
    ];
    let whole = p0_case();
    for (old, new, code, parts) in faults {
        assert!(whole.contains(old), "{old:?} is in the case");
        let failed = measure(&bench, &whole.replacen(old, new, 1));
        failed.assert_error(2, code, parts);
        failed.assert_error(2, code, &["case.toml line "]);
        assert_eq!(text(&failed.document(), "/schema"), "jawgauge/error/1");
        assert_eq!(text(&failed.document(), "/code"), *code);
        assert!(text(&failed.document(), "/where").starts_with("case.toml line "));
    }
    let twice = [P0_HEAD, P0_SITE, P0_SITE].concat();
    measure(&bench, &twice).assert_error(2, "case-value", &["`id`", "twice", "line 12"]);
    let walls = whole + "[walls]\nbuccal_mm = 25.0\n";
    measure(&bench, &walls).assert_error(2, "case-value", &["`buccal_mm`", "25", "line 19"]);
}

#[test]
fn a_case_that_is_not_there_or_no_text_exits_2() {
    let bench = Bench::empty();
    let missing = run(&args!["measure", bench.path("none.toml"), "--json", "-"]);
    missing.assert_error(2, "case-file", &["none.toml"]);
    assert_eq!(text(&missing.document(), "/where"), "none.toml");
    run(&args!["fit", bench.path("")]).assert_error(2, "case-file", &[]);
    fs::write(bench.path("case.toml"), [0xFF, 0xFE, 0x00]).expect("written");
    run(&args!["measure", bench.path("case.toml")]).assert_error(2, "case-file", &["case.toml"]);
}

#[test]
fn a_side_that_nothing_tells_is_asked_for_and_not_guessed() {
    let bench = Bench::p0();
    let straight = p0_case().replace("lingual_side = [-10.0, 0.0, 0.0]\n", "");
    measure(&bench, &straight).assert_error(2, "side-unknown", &["middle of the box"]);
    let in_line = p0_case().replace("[-10.0, 0.0, 0.0]", "[0.5, 0.0, 0.0]");
    // A point in line with one site may do for the others: the site fails, the case does not.
    let failed = measure(&bench, &in_line);
    assert_eq!(failed.status, 4, "{failed:#?}");
    assert!(
        failed
            .errors()
            .iter()
            .any(|e| e.contains("side-unknown") && e.contains("middle of the box"))
    );
}

#[test]
fn a_scan_that_is_not_there_exits_3() {
    let bench = Bench::empty();
    let missing = measure(&bench, &p0_case());
    missing.assert_error(3, "cannot-open", &["the scan's path"]);
    assert_eq!(text(&missing.document(), "/code"), "cannot-open");
    run(&args!["inspect", bench.path("scan")]).assert_error(3, "cannot-open", &[]);
    fs::create_dir(bench.path("scan")).expect("a folder");
    measure(&bench, &p0_case()).assert_error(3, "no-scan", &["no scan"]);
    fs::write(bench.path("scan/notes.txt"), "not a scan").expect("written");
    measure(&bench, &p0_case()).assert_error(3, "no-scan", &["1 not DICOM"]);
    run(&args!["inspect", bench.path("scan")]).assert_error(3, "no-scan", &["1 not DICOM"]);
}

#[test]
fn a_broken_scan_exits_3_and_names_tag_and_file() {
    let no_rows = ScanOptions::default().with_edit(|k, o| {
        if k == 33 {
            o.remove_element(tags::ROWS);
        }
    });
    let bench = Bench::of(base(), &no_rows);
    for command in ["measure", "fit"] {
        let failed = run(&args![command, bench.case(&p0_case()), "--json", "-"]);
        failed.assert_error(3, "missing-attribute", &["(0028,0010) Rows", "slice0033.dcm"]);
        assert_eq!(text(&failed.document(), "/schema"), "jawgauge/error/1");
        assert!(text(&failed.document(), "/message").contains("slice0033.dcm"));
    }
    let bench = Bench::p0();
    let file = bench.path("scan/slice0012.dcm");
    let bytes = fs::read(&file).expect("read");
    fs::write(&file, &bytes[..bytes.len() / 2]).expect("cut off");
    let cut = measure(&bench, &p0_case());
    assert_eq!((cut.status, cut.errors().len()), (3, 1), "{cut:#?}");
    assert!(cut.errors()[0].contains("slice0012.dcm"), "{cut:#?}");
}

#[test]
fn a_series_must_be_named_where_there_are_several() {
    let bench = Bench::p0();
    let other = ScanOptions::default().with_uid_root(77).with_series_uid("1.2.3");
    jawgauge_phantom::write_scan(&bench.path("scan/b"), base(), &other).expect("written");
    measure(&bench, &p0_case()).assert_error(3, "several-series", &["1.2.3 with 80 files"]);
    let named = p0_case().replace("path = \"scan\"", "path = \"scan\"\nseries = \"1.2.3\"");
    assert_eq!(measure(&bench, &named).status, 0);
    let wrong = named.replace("1.2.3", "1.2.4");
    measure(&bench, &wrong).assert_error(3, "no-such-series", &["1.2.4", "1.2.3"]);
    let inspect = run(&args!["inspect", bench.path("scan"), "--json", "-"]);
    assert_eq!(list(&inspect.document(), "/volumes").len(), 2);
}

#[test]
fn inspect_says_what_makes_a_scan_unusable_and_exits_3() {
    let no_spacing = ScanOptions::default().with_edit(|_, o| {
        o.remove_element(tags::PIXEL_SPACING);
    });
    let bench = Bench::of(base(), &no_spacing);
    let inspect = run(&args!["inspect", bench.path("scan"), "--json", "-"]);
    assert_eq!(inspect.status, 3, "{inspect:#?}");
    let document = inspect.document();
    assert_eq!(at(&document, "/volumes/0/usable"), &Value::Bool(false));
    assert_eq!(codes(&document, "/volumes/0/warnings"), ["missing-attribute"]);
    let message = text(&document, "/volumes/0/warnings/0/message");
    assert!(message.contains("(0028,0030) PixelSpacing"), "{message}");
}

/// A case with a good site, then a bad one, then another good one.
fn between_good_sites(bad: &str) -> String {
    let last = P0_SITE.replace("middle of the box", "last").replace("0.0, 0.0, 3", "0.0, 4.0, 3");
    format!("{P0_HEAD}{P0_SITE}[[site]]\nid = \"bad\"\n{bad}\n{last}{P0_FIXTURE}")
}

/// Runs `measure` and `fit` on it: one error line about the bad site, the others measured.
fn one_site_fails(bench: &Bench, case: &str, code: &str, parts: &[&str]) {
    for (command, values) in [("measure", "widths"), ("fit", "fits")] {
        let partly = run(&args![command, bench.case(case), "--json", "-"]);
        partly.assert_error(4, code, parts);
        partly.assert_error(4, code, &["\"bad\""]);
        let document = partly.document();
        let ids: Vec<&str> = list(&document, "/sites").iter().map(|s| text(s, "/id")).collect();
        assert_eq!(ids, ["middle of the box", "last"], "{command}");
        for site in list(&document, "/sites") {
            assert!(!list(site, &format!("/{values}")).is_empty(), "{command}");
        }
        let [failed] = list(&document, "/failed") else { panic!("{document:#}") };
        assert_eq!((text(failed, "/id"), text(failed, "/code")), ("bad", code));
        assert!(text(failed, "/message").len() > 20 && at(failed, "/fixture").is_null());
        // The table on standard output has the others too.
        let table = run(&args![command, bench.case(case)]);
        assert_eq!(table.status, 4);
        assert!(table.out.contains("middle of the box") && table.out.contains("last"));
        // With --require, a site that failed is still a site that failed.
        if command == "fit" {
            assert_eq!(run(&args!["fit", bench.case(case), "--require"]).status, 4);
        }
    }
}

#[test]
fn one_site_off_the_axis_fails_alone() {
    let bench = Bench::p0();
    let beyond = between_good_sites("at = [0.0, 14.0, 3.0]");
    one_site_fails(&bench, &beyond, "site-off-axis", &["5.00 mm beyond the end", "[ridge] axis"]);
    let station = between_good_sites("station_mm = 18.5");
    one_site_fails(&bench, &station, "site-off-axis", &["18.5", "[ridge] axis"]);
    let negative = between_good_sites("station_mm = -0.5");
    one_site_fails(&bench, &negative, "site-off-axis", &["-0.5"]);
}

#[test]
fn one_site_outside_the_scan_fails_alone() {
    let bench = Bench::p0();
    // The axis runs out of the scanned box, which ends at y = 14.85.
    let case = between_good_sites("at = [0.0, 30.0, 3.0]")
        .replace("[0.0, 9.0, 3.0]]", "[0.0, 40.0, 3.0]]");
    let parts = ["(0.0, 30.0, 3.0) mm lies outside the scan"];
    one_site_fails(&bench, &case, "site-outside-scan", &parts);
}

#[test]
fn a_threshold_that_outlines_nothing_fails_in_grey_values() {
    let bench = Bench::p0();
    for (threshold, code) in [(3000.0, "nothing-outlined"), (-2000.0, "crest-clipped")] {
        let case = p0_case() + &format!("[bone]\nthreshold = {threshold:.1}\n");
        let failed = measure(&bench, &case);
        assert_eq!(failed.status, 4, "{failed:#?}");
        failed.assert_error(4, code, &["middle of the box"]);
        assert_eq!(list(&failed.document(), "/sites").len(), 0);
        assert_eq!(text(&failed.document(), "/failed/0/code"), code);
    }
    let high = measure(&bench, &(p0_case() + "[bone]\nthreshold = 3000.0\n"));
    high.assert_error(4, "nothing-outlined", &["threshold 3000", "grey values run from", "auto"]);
    assert!(!high.err.contains("HU"), "{}", high.err);
}

#[test]
fn levels_above_the_crest_and_below_the_bone_are_null_and_the_others_are_measured() {
    let bench = Bench::p0();
    let case = p0_case() + "[measure]\nlevels_mm = [3.0, -1.0, 0.0, 12.5, 5.0]\n";
    let partly = measure(&bench, &case);
    assert_eq!((partly.status, partly.errors().len()), (4, 0), "{partly:#?}");
    let document = partly.document();
    assert!(list(&document, "/failed").is_empty());
    let widths = list(&document, "/sites/0/widths");
    assert_eq!(widths.len(), 5);
    for (width, level) in widths.iter().zip([3.0, -1.0, 0.0, 12.5, 5.0]) {
        assert_near(number(width, "/level_mm"), level, 1e-9, "level");
        if level == 3.0 || level == 5.0 {
            assert_near(number(width, "/width_mm"), 6.0, 0.1, "width");
        } else {
            for key in ["/width_mm", "/u95_mm", "/buccal", "/lingual"] {
                assert!(at(width, key).is_null(), "{width:#}");
            }
        }
    }
    let sentences: Vec<&str> = list(&document, "/sites/0/warnings")
        .iter()
        .filter(|w| text(w, "/code") == "no-width")
        .map(|w| text(w, "/message"))
        .collect();
    let [above, at_crest, below] = sentences.as_slice() else { panic!("{sentences:?}") };
    assert!(above.contains("-1 mm") && above.contains("not below the crest"), "{above}");
    assert!(at_crest.contains(" 0 mm") && at_crest.contains("not below the crest"), "{at_crest}");
    assert!(below.contains("12.5 mm") && below.contains("ends 12.0 mm"), "{below}");
    for sentence in sentences {
        assert!(partly.err.contains(sentence), "{sentence} on standard error");
    }
}

#[test]
fn a_fixture_beside_the_bone_fails_and_the_others_are_fitted() {
    let bench = Bench::p0();
    let beside = P0_POSE.replace("[0.0, 0.0, 3.0]", "[9.0, 0.0, 3.0]");
    let second = P0_SITE.replace("middle of the box", "second");
    let case = [P0_HEAD, P0_SITE, &beside, &second, P0_POSE, P0_FIXTURE].concat();
    let partly = run(&args!["fit", bench.case(&case), "--json", "-"]);
    let parts = ["\"4.0 x 8\" does not touch the bone", "\"middle of the box\""];
    partly.assert_error(4, "fixture-not-in-bone", &parts);
    let document = partly.document();
    let [failed] = list(&document, "/failed") else { panic!("{document:#}") };
    assert_eq!(text(failed, "/fixture"), "4.0 x 8");
    assert_eq!(text(failed, "/id"), "middle of the box");
    assert_eq!(list(&document, "/sites/0/fits").len(), 0);
    assert_eq!(list(&document, "/sites/1/fits").len(), 1);
    assert_near(number(&document, "/sites/1/fits/0/walls/buccal/wall_mm"), 1.0, 0.1, "wall");
}

#[test]
fn one_error_is_one_line_even_for_a_path_with_a_line_end() {
    let bench = Bench::empty();
    fs::create_dir(bench.path("a\nb")).expect("a folder");
    let json = bench.path("a\nb/m.json");
    fs::write(&json, "kept").expect("written");
    let refused = run(&args!["measure", bench.case(&p0_case()), "--json", json]);
    refused.assert_error(2, "file-exists", &["m.json"]);
    let missing = run(&args!["measure", bench.path("a\nb/none.toml")]);
    missing.assert_error(2, "case-file", &["none.toml"]);
}

#[test]
fn noise_beside_the_jaw_is_not_bone() {
    // In the air above the demonstration jaw, whose noise is about 21 grey values: whatever is
    // outlined there is noise, and a width of it would be a wrong millimetre.
    let bench = Bench::empty();
    let demo = run(&args!["demo", "--out", bench.path("d")]);
    assert_eq!(demo.status, 0, "{demo:#?}");
    let case = fs::read_to_string(bench.path("d/case.toml")).expect("read");
    let place = case.lines().find(|l| l.starts_with("at = ")).expect("a place").to_owned();
    let mut measured = Vec::new();
    for at in ["[-22.692, -7.814, 14.0]", "[-37.692, -13.0, 4.0]", "[-3.8, -1.3, 4.0]"] {
        let moved = case.replace(&place, &format!("at = {at}"));
        let path = bench.path("d/moved.toml");
        fs::write(&path, moved).expect("written");
        let run = run(&args!["measure", path, "--json", "-"]);
        let document = run.document();
        for site in list(&document, "/sites") {
            let threshold = number(site, "/threshold");
            if threshold < 60.0 {
                measured.push(format!("{at}: {} at {threshold}", at_widths(site)));
            }
        }
    }
    assert!(measured.is_empty(), "noise in air was measured as bone: {measured:#?}");
}

fn at_widths(site: &Value) -> String {
    let widths = list(site, "/widths").iter().map(|w| at(w, "/width_mm").to_string());
    widths.collect::<Vec<_>>().join(", ")
}
