use std::path::Path;

use jawgauge_bone::{LimitKind, Threshold};

use super::reader::Source;
use super::{Arch, Case, SectionAxis, SitePlace};
use crate::error::CliError;

const WHOLE: &str = r#"
schema = "case/1"

[scan]
path = "scan"
series = "1.2.3"
blur_fwhm_mm = 0.45
scale_u_percent = 0.3

[ridge]
arch = "mandible"
axis_tolerance_deg = 8
axis = [[-21.0, 2.0, 4.0], [-17.0, -10.0, 4.0], [-9.0, -19.0, 4.0]]
lingual_side = [0.0, 0.0, 4.0]
apical = [0.0, 0.0, -1.0]

[bone]
threshold = 700
calibrated_hu = true

[measure]
levels_mm = [1.0, 2]
monte_carlo_trials = 20000

[walls]
buccal_mm = 1.8

[[site]]
id = "lower right second premolar"
tooth = "45"
at = [-18.5, -6.0, 4.0]
axis = [0.1, 0.0, -1.0]
platform_depth_mm = 0.5

  [[site.limit]]
  kind = "nerve-canal"
  points = [[-20.5, 0.0, -12.0], [-17.0, -10.0, -10.0]]

  [[site.neighbour]]
  tooth = "44"
  root = [[-14.5, -13.0, 6.0], [-14.5, -12.5, -8.0]]
  root_diameter_mm = 5.0
  cej = [-14.9, -12.6, 6.5]
  contact = [-15.6, -11.0, 11.5]

  [site.pose]
  platform = [-18.5, -6.0, 3.0]
  apical = [0.05, 0.0, -1.0]

[[fixture]]
id = "4.0 x 9"
diameter_mm = 4.0
length_mm = 9.0
apex_diameter_mm = 2.8

[[fixture]]
id = "by profile"
profile_mm = [[0.0, 4.0], [3.0, 4.0], [9.0, 2.8]]
"#;

fn read(text: &str) -> Result<Case, CliError> {
    let source = Source { name: "case.toml".to_owned(), text: text.to_owned() };
    Case::from_source(&source, Path::new("folder"))
}

#[test]
fn every_key_of_the_case_file_is_read() {
    let case = read(WHOLE).expect("a case");
    assert_eq!(case.scan, Path::new("folder/scan"));
    assert_eq!(case.series.as_deref(), Some("1.2.3"));
    assert_eq!(case.arch, Arch::Mandible);
    assert_eq!(case.axis.len(), 3);
    assert_eq!(case.threshold, Threshold::Grey(700.0));
    assert!(case.calibrated_hu);
    assert_eq!(case.levels_mm, vec![1.0, 2.0]);
    assert_eq!(case.monte_carlo_trials, 20_000);
    assert_eq!(case.blur_fwhm_mm, Some(0.45));
    assert!((case.scale_u_share - 0.003).abs() < 1e-12, "per cent to a share");
    assert!((case.axis_tolerance_deg - 8.0).abs() < 1e-12);
    assert!(
        (case.required.buccal_mm - 1.8).abs() < 1e-12
            && (case.required.lingual_mm - 1.5).abs() < 1e-12
    );
    let site = &case.sites[0];
    assert_eq!(site.tooth.expect("a tooth").iso(), "45");
    assert!(matches!(site.place, SitePlace::At(_)) && matches!(site.axis, SectionAxis::Along(_)));
    assert_eq!(site.limits[0].kind, LimitKind::NerveCanal);
    assert!((site.limits[0].keep_mm - 2.0).abs() < 1e-12, "the default of a nerve canal");
    assert_eq!(site.neighbours[0].tooth, "44");
    assert!(site.pose.is_some());
    assert_eq!(site.platform_depth_mm, Some(0.5));
    assert!((case.fixtures[0].1.radius_mm(9.0) - 1.4).abs() < 1e-12);
    assert!((case.fixtures[1].1.length_mm() - 9.0).abs() < 1e-12);
}

#[test]
fn the_defaults_of_a_short_case_are_the_documented_ones() {
    let case = read(
        "schema = \"case/1\"\n[scan]\npath = \"s\"\n[ridge]\narch = \"maxilla\"\naxis = [[0,0,0],[9,0,0]]\n[[site]]\nid = \"a\"\nstation_mm = 3\n",
    )
    .expect("a case");
    assert_eq!(case.threshold, Threshold::Auto);
    assert_eq!(case.levels_mm, vec![1.0, 2.0, 3.0, 5.0, 7.0, 10.0]);
    assert_eq!((case.blur_fwhm_mm, case.monte_carlo_trials), (None, 0));
    assert!(case.scale_u_share == 0.0 && (case.axis_tolerance_deg - 5.0).abs() < 1e-12);
    assert!((case.required.fixture_mm - 3.0).abs() < 1e-12);
    assert_eq!(case.apical.to_array(), [0.0, 0.0, 1.0]);
    assert!(matches!(case.sites[0].axis, SectionAxis::Ridge));
}

#[test]
fn every_fault_names_its_key_and_line() {
    // (replace this, by this, words that the message must hold)
    for (from, to, words) in [
        ("levels_mm", "levls_mm", &["levls_mm", "line 22", "levels_mm", "[measure]"][..]),
        ("[walls]", "[wall]", &["\"wall\"", "line 25", "walls"]),
        (
            "root_diameter_mm = 5.0",
            "root_diamter_mm = 5.0",
            &["root_diamter_mm", "line 42", "root_diameter_mm"],
        ),
        ("schema = \"case/1\"", "schema = \"case/2\"", &["case/2", "line 2", "case/1"]),
        ("arch = \"mandible\"", "arch = \"jaw\"", &["arch", "line 11", "maxilla"]),
        ("tooth = \"45\"", "tooth = \"15\"", &["tooth 15", "line 30", "mandible"]),
        ("tooth = \"45\"", "tooth = \"49\"", &["\"49\"", "ISO 3950"]),
        ("threshold = 700", "threshold = \"high\"", &["threshold", "line 18", "auto"]),
        ("threshold = 700", "threshold = nan", &["threshold", "finite"]),
        ("at = [-18.5, -6.0, 4.0]", "at = [-18.5, -6.0]", &["at", "2 numbers", "line 31"]),
        ("at = [-18.5, -6.0, 4.0]", "at = [-18.5, inf, 4.0]", &["at", "inf"]),
        (
            "diameter_mm = 4.0\nlength",
            "diameter_mm = -4.0\nlength",
            &["diameter_mm", "-4", "line 52"],
        ),
        (
            "[[0.0, 4.0], [3.0, 4.0]",
            "[[1.0, 4.0], [3.0, 4.0]",
            &["profile_mm", "starts at depth 0"],
        ),
        (
            "axis = [[-21.0, 2.0, 4.0], [-17.0",
            "axis = [[-17.0, -10.0, 4.0], [-17.0",
            &["axis", "line 13", "points 1 and 2"],
        ),
        ("kind = \"nerve-canal\"", "kind = \"canal\"", &["kind", "\"canal\"", "nerve-canal"]),
        ("kind = \"nerve-canal\"", "kind = \"other\"", &["keep_mm", "missing"]),
        ("buccal_mm = 1.8", "buccal_mm = -1", &["buccal_mm", "out of range"]),
        ("id = \"by profile\"", "id = \"4.0 x 9\"", &["given twice"]),
        ("blur_fwhm_mm = 0.45", "blur_fwhm_mm = 0", &["blur_fwhm_mm", "line 7", "0.05 to 3"]),
        ("blur_fwhm_mm = 0.45", "blur_fwhm = 0.45", &["blur_fwhm", "nearest", "blur_fwhm_mm"]),
        ("blur_fwhm_mm = 0.45", "blur_fwhm_mm = \"0.45\"", &["blur_fwhm_mm", "finite number"]),
        (
            "scale_u_percent = 0.3",
            "scale_u_percent = -0.3",
            &["scale_u_percent", "line 8", "0 to 5"],
        ),
        ("scale_u_percent = 0.3", "scale_u_percent = nan", &["scale_u_percent", "finite"]),
        (
            "axis_tolerance_deg = 8",
            "axis_tolerance_deg = 90",
            &["axis_tolerance_deg", "line 12", "0 to 45", "[ridge]"],
        ),
        ("monte_carlo_trials = 20000", "monte_carlo_trials = 10", &["line 23", "1000 to 1000000"]),
        ("monte_carlo_trials = 20000", "monte_carlo_trials = 1e4.5", &["not TOML", "line 23"]),
        ("monte_carlo_trials = 20000", "monte_carlo_trials = 2000.5", &["2000.5", "whole number"]),
        ("path = \"scan\"", "path = \"scan", &["not TOML", "line 5"]),
        ("at = [-18.5, -6.0, 4.0]", "station_mm = \"x\"", &["station_mm", "finite number"]),
    ] {
        let text = WHOLE.replacen(from, to, 1);
        let error = read(&text).expect_err(to);
        let line = error.to_string();
        assert_eq!(error.exit, 2, "{line}");
        assert!(!line.contains('\n'), "one line: {line:?}");
        for word in words {
            assert!(line.contains(word), "{to}: {line:?} lacks {word:?}");
        }
    }
}

#[test]
fn universal_numbers_are_taken_where_asked_for() {
    let text = WHOLE
        .replace("schema = \"case/1\"", "schema = \"case/1\"\ntooth_notation = \"universal\"")
        .replace("tooth = \"45\"", "tooth = \"29\"")
        .replace("tooth = \"44\"", "tooth = \"28\"");
    let case = read(&text).expect("a case");
    assert_eq!(case.sites[0].tooth.expect("a tooth").iso(), "45");
    assert_eq!(case.sites[0].neighbours[0].tooth, "44");
}

#[test]
fn fixtures_come_from_a_list_of_their_own_and_bodies_from_triangles() {
    let folder = tempfile::tempdir().expect("a folder");
    let write = |name: &str, text: &str| {
        std::fs::write(folder.path().join(name), text).expect("written");
    };
    let read = |fixtures: &str| {
        let base = "schema = \"case/1\"\nFIX\n[scan]\npath = \"scan\"\n[ridge]\narch = \"mandible\"\naxis = [[0.0, -9.0, 3.0], [0.0, 9.0, 3.0]]\n[[site]]\nid = \"a\"\nstation_mm = 9.0\n[[fixture]]\nid = \"own\"\ndiameter_mm = 4.0\nlength_mm = 9.0\n";
        let text = base.replace("FIX", fixtures);
        Case::from_source(&Source { name: "case.toml".to_owned(), text }, folder.path())
    };
    let example = include_str!("../../../docs/fixtures-example.toml");
    write("list.toml", example);
    let case = read("fixtures = \"list.toml\"").expect("a case");
    let listed = example.matches("[[fixture]]").count();
    assert!(listed >= 20, "{listed}");
    assert_eq!(case.fixtures.len(), listed + 1);
    assert_eq!(case.fixtures.last().expect("one").0, "own");

    let refused = |fixtures: &str, what: &str| {
        let error = read(fixtures).expect_err("refused").to_string();
        assert!(error.contains(what), "{error}");
    };
    refused("fixtures = \"none.toml\"", "cannot be read");
    write("list.toml", "schema = \"other/1\"\n");
    refused("fixtures = \"list.toml\"", "fixtures/1");
    write("list.toml", "schema = \"fixtures/1\"\n");
    refused("fixtures = \"list.toml\"", "[[fixture]]");
    let of = |key: &str| format!("schema = \"fixtures/1\"\n[[fixture]]\nid = \"a\"\n{key}\n");
    write("list.toml", &of("stl = \"a.stl\""));
    refused("fixtures = \"list.toml\"", "`stl`");
    write("a.stl", "no triangles");
    refused("fixtures = \"list.toml\"", "triangles");
    write("list.toml", &of("stl = \"a.stl\"\ndiameter_mm = 3.0"));
    refused("fixtures = \"list.toml\"", "beside `stl`");
    write("list.toml", &of("diameter_mm = 4.0\nlength_mm = 8.0").replace("\"a\"", "\"own\""));
    refused("fixtures = \"list.toml\"", "given twice");
}

#[test]
fn within_what_a_pose_is_looked_for_is_checked() {
    let read = |within: &str| {
        let text = format!(
            "schema = \"case/1\"\n[scan]\npath = \"scan\"\n[ridge]\narch = \"mandible\"\naxis = [[0.0, -9.0, 3.0], [0.0, 9.0, 3.0]]\n[[site]]\nid = \"a\"\nstation_mm = 9.0\n[site.within]\n{within}\n"
        );
        Case::from_source(&Source { name: "case.toml".to_owned(), text }, Path::new("folder"))
    };
    let case = read("angle_deg = 10.0\ndepth_mm = [0.0, 2.0]\nprosthetic = [0.0, 0.1, -1.0]")
        .expect("a case");
    let within = case.sites[0].within.expect("given");
    assert_eq!(within.depth_mm, Some((0.0, 2.0)));
    assert!((within.limits.angle_deg - 10.0).abs() < 1e-12);
    for (bad, key) in [
        ("depth_mm = [2.0, 0.0]", "depth_mm"),
        ("angle_deg = 80.0", "angle_deg"),
        ("emergence_mm = -1.0", "emergence_mm"),
        ("prosthetic = [0.0, 0.0, 0.0]", "prosthetic"),
        ("angle = 3.0", "angle_deg"),
    ] {
        let error = read(bad).expect_err("refused").to_string();
        assert!(error.contains(key), "{bad}: {error}");
    }
}

#[test]
fn faults_in_parts_of_a_site_are_told_with_the_part_s_full_name() {
    let read = |after: &str| {
        let text = format!(
            "schema = \"case/1\"\n[scan]\npath = \"scan\"\n[ridge]\narch = \"mandible\"\naxis = [[0.0, -9.0, 3.0], [0.0, 9.0, 3.0]]\n[[site]]\nid = \"a\"\nstation_mm = 9.0\n{after}\n"
        );
        let source = Source { name: "case.toml".to_owned(), text };
        Case::from_source(&source, Path::new("folder")).expect_err("refused").to_string()
    };
    for (after, whole) in [
        ("[site.restoration]\nemergence = 1", "[site.restoration] of [[site]] 1"),
        ("[site.within]\nangle = 1", "[site.within] of [[site]] 1"),
        ("[site.pose]\nplatform = [0.0, 0.0, 0.0]", "[site.pose] of [[site]] 1"),
        ("[[site.limit]]\npoints = []", "[[site.limit]] 1 of [[site]] 1"),
        ("[[site.neighbour]]\ntooth = \"45\"", "[[site.neighbour]] 1 of [[site]] 1"),
        ("[restoration]\nroom = 1", " in [restoration], case.toml line 11"),
        ("within = 3", "write [site.within]"),
        ("limit = 3", "write [[site.limit]] for each"),
    ] {
        let line = read(after);
        assert!(line.contains(whole), "{line}");
    }
}

#[test]
fn a_value_of_a_wrong_kind_is_shown_without_backslashes_of_our_own() {
    let read = |rule: &str| {
        let text = format!("schema = \"case/1\"\n[restoration]\n{rule}\n");
        let text = format!(
            "{text}[scan]\npath = \"scan\"\n[ridge]\narch = \"mandible\"\naxis = [[0.0, -9.0, 3.0], [0.0, 9.0, 3.0]]\n[[site]]\nid = \"a\"\nstation_mm = 9.0\n"
        );
        let source = Source { name: "case.toml".to_owned(), text };
        Case::from_source(&source, Path::new("folder"))
    };
    for (rule, words) in [
        (
            "room_mm = true",
            "`room_mm`: true is no number in [restoration], case.toml line 3: give a number, 0 to 30, or false",
        ),
        ("room_mm = \"1\"", "`room_mm`: \"1\" is no number"),
        ("angle_deg = [1]", "give a number, 0 to 90, or false"),
        ("room_mm = 31", "31 is out of range"),
        ("room_mm = nan", "finite"),
        (
            "below_cej_mm = true",
            "true is not a list in [restoration], case.toml line 3: give [least, greatest], mm, or false",
        ),
        ("below_cej_mm = \"2\"", "\"2\" is not a list"),
        // What a text hides is shown, and its own backslash once.
        ("room_mm = \"a\u{202e}\\\\b\"", "'a\\u{202e}\\b' is no number"),
    ] {
        let line = read(rule).expect_err(rule).to_string();
        assert!(line.contains(words), "{rule}: {line}");
    }
    let case = read("room_mm = false\nangle_deg = 12").expect("a case");
    assert_eq!((case.restoration.room_mm, case.restoration.angle_deg), (None, Some(12.0)));
    assert_eq!(case.restoration.emergence_mm, Some(1.0), "as by default");
}

#[test]
fn a_root_whose_neck_and_apex_are_one_mark_is_refused() {
    let read = |root: &str| {
        let from = "root_diameter_mm = 5.0";
        assert_eq!(WHOLE.matches(from).count(), 1);
        let old = WHOLE.lines().find(|l| l.trim_start().starts_with("root = ")).expect("a root");
        read(&WHOLE.replacen(old, &format!("root = {root}"), 1))
    };
    for (root, apart) in [
        ("[[-18.0, -4.0, 4.0], [-18.0, -4.0, 4.0]]", "0.00 mm apart"),
        ("[[-18.0, -4.0, 4.0], [-18.0, -4.0, 3.1]]", "0.90 mm apart"),
    ] {
        let line = read(root).expect_err(root).to_string();
        assert!(line.contains(apart) && line.contains("[[neck], [apex]]"), "{line}");
        assert!(line.contains("[[site.neighbour]] 1 of [[site]] 1"), "{line}");
    }
    assert!(read("[[-18.0, -4.0, 4.0], [-18.0, -4.0, 2.9]]").is_ok());
}
