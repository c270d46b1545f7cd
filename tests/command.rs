//! What the command writes where: help, results, documents, files, pipes, colour.

mod common;

use std::fs;
use std::io::Read;
use std::process::Stdio;

use common::{Bench, P0_FIXTURE, args, codes, files_below, finish, jawgauge, p0_case, run, text};
use serde_json::Value;

const CAUTION: &str = "Not a medical device.";

#[test]
fn help_lists_what_is_there_and_nothing_that_is_not() {
    let help = run(&["--help"]);
    assert_eq!((help.status, help.err.as_str()), (0, ""), "{help:#?}");
    let commands: Vec<&str> = help
        .out
        .lines()
        .skip_while(|l| *l != "Commands:")
        .skip(1)
        .take_while(|l| !l.is_empty())
        .filter_map(|l| l.split_whitespace().next())
        .collect();
    assert_eq!(commands, ["inspect", "measure", "fit", "demo", "help"]);
    assert!(help.out.contains("Exit status: 0 done") && help.out.contains(CAUTION));
    for absent in ["compare", "batch", "agree"] {
        let refused = run(&[absent, "a", "b"]);
        assert_eq!((refused.status, refused.out.as_str()), (2, ""), "{refused:#?}");
        assert!(refused.err.contains(absent), "{refused:#?}");
    }
    let fit = run(&["fit", "--help"]);
    assert_eq!(fit.status, 0);
    for flag in ["--json", "--out", "--force", "--require", "--threads", "--platform-depth-mm"] {
        assert!(fit.out.contains(flag), "{flag} in {}", fit.out);
    }
    // Flags that carry a unit say their range and their default.
    assert!(fit.out.contains("mm (0.02 to 1; default 0.1"), "{}", fit.out);
}

#[test]
fn version_is_the_package_version() {
    let version = run(&["--version"]);
    let expected = format!("jawgauge {}\n", env!("CARGO_PKG_VERSION"));
    assert_eq!((version.status, version.out, version.err), (0, expected, String::new()));
}

#[test]
fn a_wrong_command_line_exits_2_and_leaves_standard_output_empty() {
    for line in [
        vec![],
        vec!["measure"],
        vec!["measure", "a.toml", "b.toml"],
        vec!["measure", "a.toml", "--nonsense"],
        vec!["measure", "a.toml", "--step-mm", "nan"],
        vec!["measure", "a.toml", "--step-mm", "0"],
        vec!["measure", "a.toml", "--slab-mm", "-1"],
        vec!["measure", "a.toml", "--threads", "0"],
        vec!["measure", "a.toml", "--require"],
        vec!["fit", "a.toml", "--platform-depth-mm", "inf"],
        vec!["fit", "a.toml", "--interpolation", "best"],
    ] {
        let refused = run(&line);
        assert_eq!(refused.out, "", "{line:?}");
        if line.is_empty() {
            // No command at all: the help is the answer.
            assert_eq!(refused.status, 2);
            assert!(refused.err.contains("Usage: jawgauge"), "{refused:#?}");
        } else {
            refused.assert_error(2, "usage", &["--help"]);
        }
    }
}

#[test]
fn results_go_to_standard_output_and_warnings_to_standard_error() {
    let bench = Bench::p0();
    let case = bench.case(&p0_case());
    let measure = run(&args!["measure", case]);
    assert_eq!(measure.status, 0, "{measure:#?}");
    assert!(measure.out.contains("middle of the box") && measure.out.contains(CAUTION));
    assert!(!measure.out.contains("warning"), "{}", measure.out);
    assert!(measure.err.lines().count() >= 1);
    assert!(measure.err.lines().all(|l| l.starts_with("warning[")), "{}", measure.err);
    let fit = run(&args!["fit", case]);
    assert_eq!(fit.status, 0, "{fit:#?}");
    assert!(fit.out.contains("4.0 x 8") && fit.out.contains(CAUTION));
    assert!(fit.err.lines().all(|l| l.starts_with("warning[")), "{}", fit.err);
    let inspect = run(&args!["inspect", bench.path("scan")]);
    assert_eq!((inspect.status, inspect.err.as_str()), (0, ""), "{inspect:#?}");
    assert!(inspect.out.contains("120 x 100 x 80") && inspect.out.contains("0.3000"));
}

#[test]
fn a_hyphen_for_json_gives_one_document_and_nothing_else() {
    let bench = Bench::p0();
    let case = bench.case(&p0_case());
    let scan = bench.path("scan");
    for (line, schema) in [
        (args!["measure", case, "--json", "-"].to_vec(), "jawgauge/measure/1"),
        (args!["fit", case, "--json", "-"].to_vec(), "jawgauge/fit/1"),
        (args!["inspect", scan, "--json", "-"].to_vec(), "jawgauge/inspect/1"),
        (args!["measure", bench.path("no.toml"), "--json", "-"].to_vec(), "jawgauge/error/1"),
        (args!["inspect", bench.path("no"), "--json", "-"].to_vec(), "jawgauge/error/1"),
    ] {
        let run = run(&line);
        assert_eq!(text(&run.document(), "/schema"), schema, "{line:?}");
        assert!(run.out.ends_with("}\n"), "{:?}", run.out);
    }
    // With files asked for as well, the document is still alone.
    let both = run(&args!["fit", case, "--json", "-", "--out", bench.path("o")]);
    assert_eq!(text(&both.document(), "/schema"), "jawgauge/fit/1");
}

#[test]
fn files_are_whole_named_and_alone() {
    let bench = Bench::p0();
    let case = bench.case(&p0_case());
    let before = bench.files().len();
    let json = bench.path("new/folder/measure.json");
    let measure = run(&args!["measure", case, "--json", json, "--out", bench.path("m")]);
    assert_eq!(measure.status, 0, "{measure:#?}");
    assert!(measure.out.contains(CAUTION), "the table still goes to standard output");
    let fit = run(&args!["fit", case, "--out", bench.path("f"), "--json", bench.path("fit.json")]);
    assert_eq!(fit.status, 0, "{fit:#?}");
    let root = bench.path("");
    let mut made: Vec<String> = bench
        .files()
        .iter()
        .map(|f| f.strip_prefix(&root).expect("below").to_string_lossy().replace('\\', "/"))
        .filter(|f| !f.starts_with("scan/") && f != "case.toml")
        .collect();
    made.sort();
    let expected = [
        "f/locator.png",
        "f/locator.svg",
        "f/site-1-middle-of-the-box-walls.csv",
        "f/site-1-middle-of-the-box-walls.png",
        "f/site-1-middle-of-the-box-walls.svg",
        "f/site-1-middle-of-the-box.png",
        "f/site-1-middle-of-the-box.svg",
        "f/walls.csv",
        "fit.json",
        "m/heights.csv",
        "m/locator.png",
        "m/locator.svg",
        "m/site-1-middle-of-the-box.png",
        "m/site-1-middle-of-the-box.svg",
        "m/widths.csv",
        "new/folder/measure.json",
    ];
    assert_eq!(made, expected);
    assert_eq!(bench.files().len(), before + expected.len());
    for name in &made {
        let bytes = fs::read(bench.path(name)).expect("read");
        match name.rsplit('.').next() {
            // Signature and last chunk of PNG: W3C Portable Network Graphics, third edition,
            // sections 5.2 and 11.2.5.
            Some("png") => {
                assert_eq!(bytes[..8], [0x89, b'P', b'N', b'G', 0x0D, 0x0A, 0x1A, 0x0A], "{name}");
                assert_eq!(bytes[bytes.len() - 8..bytes.len() - 4], *b"IEND", "{name}");
            }
            Some("svg") => {
                let svg = String::from_utf8(bytes).expect("text");
                assert!(svg.contains("<svg") && svg.trim_end().ends_with("</svg>"), "{name}");
            }
            Some("json") => {
                let document: Value = serde_json::from_slice(&bytes).expect("a document");
                assert!(text(&document, "/schema").starts_with("jawgauge/"), "{name}");
            }
            _ => {
                let mut table = csv::Reader::from_reader(bytes.as_slice());
                let columns = table.headers().expect("a head").len();
                let rows: Vec<_> = table.records().map(|r| r.expect("a row")).collect();
                assert!(!rows.is_empty() && rows.iter().all(|r| r.len() == columns), "{name}");
            }
        }
    }
}

#[test]
fn nothing_is_overwritten_unless_forced() {
    let bench = Bench::p0();
    let case = bench.case(&p0_case());
    let json = bench.path("kept.json");
    fs::write(&json, "kept").expect("written");
    for command in ["measure", "fit"] {
        let refused = run(&args![command, case, "--json", json]);
        refused.assert_error(2, "file-exists", &["kept.json", "--force"]);
        assert_eq!(refused.out, "", "no result beside the error");
    }
    let inspected = run(&args!["inspect", bench.path("scan"), "--json", json]);
    inspected.assert_error(2, "file-exists", &["kept.json"]);
    let remedy = inspected.err.contains("--force");
    let has = run(&["inspect", "--help"]).out.contains("--force");
    assert!(has || !remedy, "inspect names a flag that it does not have: {}", inspected.err);
    assert_eq!(fs::read_to_string(&json).expect("read"), "kept");

    // One file in the way stops all of them, before the first is written.
    fs::create_dir(bench.path("o")).expect("a folder");
    fs::write(bench.path("o/widths.csv"), "kept").expect("written");
    let refused = run(&args!["measure", case, "--out", bench.path("o")]);
    refused.assert_error(2, "file-exists", &["widths.csv"]);
    assert_eq!(fs::read_to_string(bench.path("o/widths.csv")).expect("read"), "kept");
    assert_eq!(fs::read_dir(bench.path("o")).expect("a folder").count(), 1);

    let forced = run(&args!["measure", case, "--out", bench.path("o"), "--json", json, "--force"]);
    assert_eq!(forced.status, 0, "{forced:#?}");
    assert!(fs::read_to_string(&json).expect("read").contains("jawgauge/measure/1"));
    assert!(fs::read_to_string(bench.path("o/widths.csv")).expect("read").starts_with("site,"));
    assert_eq!(fs::read_dir(bench.path("o")).expect("a folder").count(), 6);
}

#[test]
fn an_error_does_not_overwrite_the_last_result_either() {
    let bench = Bench::p0();
    let json = bench.path("kept.json");
    fs::write(&json, "kept").expect("written");
    let case = bench.case("schema = \"case/2\"\n");
    let refused = run(&args!["measure", case, "--json", json]);
    assert_eq!(refused.status, 2, "{refused:#?}");
    assert_eq!(fs::read_to_string(&json).expect("read"), "kept");
    let forced = run(&args!["measure", case, "--json", json, "--force"]);
    forced.assert_error(2, "case-value", &["case/2", "case.toml line 1"]);
    let written: Value =
        serde_json::from_slice(&fs::read(&json).expect("read")).expect("a document");
    assert_eq!(text(&written, "/schema"), "jawgauge/error/1");
}

#[test]
fn a_place_that_cannot_be_written_exits_1_and_leaves_nothing() {
    let bench = Bench::p0();
    let case = bench.case(&p0_case());
    fs::write(bench.path("plain"), "a file, not a folder").expect("written");
    let before = bench.files();
    let json = run(&args!["measure", case, "--json", bench.path("plain/m.json")]);
    json.assert_error(1, "cannot-write", &["m.json"]);
    let out = run(&args!["fit", case, "--out", bench.path("plain")]);
    out.assert_error(1, "cannot-write", &["plain"]);
    // The tables could be written, the document could not: then neither is.
    let half = args!["measure", case, "--out", bench.path("o"), "--json", bench.path("plain/m")];
    run(&half).assert_error(1, "cannot-write", &["plain"]);
    assert_eq!(bench.files(), before);
}

#[test]
fn two_results_in_one_place_are_refused_before_the_first_is_written() {
    let bench = Bench::p0();
    let case = bench.case(&p0_case());
    let line =
        args!["measure", case, "--out", bench.path("o"), "--json", bench.path("o/widths.csv")];
    let refused = run(&line);
    assert!(refused.status == 1 || refused.status == 2, "{refused:#?}");
    assert_eq!(refused.errors().len(), 1);
    assert!(!bench.path("o").exists() || files_below(&bench.path("o")).is_empty(), "half written");
    let forced = run(&[&line[..], &args!["--force"]].concat());
    assert_ne!(forced.status, 0, "a table must not be replaced by the document");
}

#[test]
fn a_closed_pipe_ends_quietly() {
    let bench = Bench::p0();
    let case = bench.case(&p0_case());
    for line in [
        args!["measure", case].to_vec(),
        args!["fit", case, "--json", "-"].to_vec(),
        args!["inspect", bench.path("scan")].to_vec(),
        args!["--help"].to_vec(),
    ] {
        let mut child = jawgauge()
            .args(&line)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("started");
        drop(child.stdout.take());
        let mut err = String::new();
        child.stderr.take().expect("piped").read_to_string(&mut err).expect("text");
        let status = child.wait().expect("ended");
        assert!(!err.contains("panic") && !err.contains("error"), "{line:?}: {err}");
        assert_eq!(status.code(), Some(0), "{line:?}: {status}");
    }
}

#[test]
fn no_color_is_honoured_and_results_have_no_colour_at_all() {
    let coloured = finish(jawgauge().arg("--help").env("CLICOLOR_FORCE", "1"));
    assert!(coloured.out.contains('\u{1b}'), "colour can be forced, so the next lines can fail");
    let bench = Bench::p0();
    let case = bench.case(&p0_case());
    for line in [args!["--help"].to_vec(), args!["nonsense"].to_vec()] {
        let plain =
            finish(jawgauge().args(&line).envs([("CLICOLOR_FORCE", "1"), ("NO_COLOR", "1")]));
        assert!(!plain.out.contains('\u{1b}') && !plain.err.contains('\u{1b}'), "{plain:#?}");
    }
    for line in [args!["fit", case].to_vec(), args!["fit", bench.path("no")].to_vec()] {
        let forced = finish(jawgauge().args(&line).env("CLICOLOR_FORCE", "1"));
        assert!(!forced.out.contains('\u{1b}') && !forced.err.contains('\u{1b}'), "{forced:#?}");
    }
}

#[test]
fn control_characters_of_a_case_reach_neither_terminal() {
    let bench = Bench::p0();
    let nasty = p0_case().replace("middle of the box", "a\\u001b[31mb\\nc\\u0007\\u202e");
    let case = bench.case(&nasty);
    for line in [args!["measure", case].to_vec(), args!["fit", case].to_vec()] {
        let run = run(&line);
        assert_eq!(run.status, 0, "{run:#?}");
        for stream in [&run.out, &run.err] {
            let control = |c: char| (c.is_control() && c != '\n') || c == '\u{202e}';
            assert!(!stream.contains(control), "{stream:?}");
        }
    }
}

#[test]
fn a_demo_is_written_once_and_whole() {
    let bench = Bench::empty();
    let demo = run(&args!["demo", "--out", bench.path("d")]);
    assert_eq!(demo.status, 0, "{demo:#?}");
    assert!(demo.out.contains("The truth beside it") && demo.out.contains(CAUTION));
    assert!(demo.err.lines().all(|l| l.starts_with("warning[")), "{}", demo.err);
    let names: Vec<_> =
        bench.files().iter().filter(|f| !f.starts_with(bench.path("d/scan"))).cloned().collect();
    assert_eq!(names.len(), 13, "{names:?}");
    let again = run(&args!["demo", "--out", bench.path("d")]);
    again.assert_error(2, "file-exists", &["does not exist yet"]);
    assert_eq!(again.out, "");
    // What it says to run next runs, and says the same.
    let next = run(&args!["fit", bench.path("d/case.toml"), "--json", "-"]);
    let kept: Value = serde_json::from_slice(&fs::read(bench.path("d/fit.json")).expect("read"))
        .expect("a document");
    assert_eq!(next.document(), kept);
    // Without a place it takes the first free one below the current folder.
    for expected in ["jawgauge-demo", "jawgauge-demo-2"] {
        let free = finish(jawgauge().arg("demo").current_dir(bench.path("")));
        assert_eq!(free.status, 0, "{free:#?}");
        assert!(bench.path(expected).join("case.toml").is_file(), "{expected}");
    }
}

#[test]
fn require_exits_5_only_where_something_required_is_not_met() {
    let bench = Bench::p0();
    // 1.00 mm of wall on both sides: 1.5 mm is not met, 0.5 mm is; see tests/documents.rs.
    let strict = bench.case(&p0_case());
    assert_eq!(run(&args!["fit", strict]).status, 0, "asked for nothing");
    let unmet = run(&args!["fit", strict, "--require", "--json", "-"]);
    assert_eq!(unmet.status, 5, "{unmet:#?}");
    assert_eq!(text(&unmet.document(), "/sites/0/fits/0/verdict"), "not met");
    assert!(unmet.errors().is_empty());
    let walls = "[walls]\nbuccal_mm = 0.5\nlingual_mm = 0.5\n";
    let mild = bench.case(&(p0_case() + walls));
    let met = run(&args!["fit", mild, "--require", "--json", "-"]);
    assert_eq!(met.status, 0, "{met:#?}");
    assert_eq!(text(&met.document(), "/sites/0/fits/0/verdict"), "met");
    // Just what is there: by no margin, so it counts as not met.
    let close = bench.case(&(p0_case() + &walls.replace("0.5", "1.0")));
    let close = run(&args!["fit", close, "--require", "--json", "-"]);
    assert_eq!(close.status, 5, "{close:#?}");
    assert_eq!(text(&close.document(), "/sites/0/fits/0/verdict"), "too close to call");
}

#[test]
fn a_case_without_fixtures_is_measured_and_not_fitted() {
    let bench = Bench::p0();
    let case = bench.case(&p0_case().replace(P0_FIXTURE, ""));
    let measure = run(&args!["measure", case, "--json", "-"]);
    assert_eq!(measure.status, 0);
    assert!(codes(&measure.document(), "/sites/0/warnings").contains(&"no-plate"));
    let fit = run(&args!["fit", case, "--json", "-"]);
    fit.assert_error(2, "no-fixtures", &["[[fixture]]"]);
    assert_eq!(text(&fit.document(), "/code"), "no-fixtures");
}
