//! The same case gives the same bytes, whatever the number of threads, time after time.

mod common;

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use common::{Bench, args, files_below, finish, jawgauge};

/// Every file below a folder by its name, with its bytes.
fn contents(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    files_below(folder)
        .into_iter()
        .map(|file| {
            let name = file.strip_prefix(folder).expect("below").to_string_lossy().into_owned();
            (name, fs::read(&file).expect("read"))
        })
        .collect()
}

/// Fails unless both hold the same files with the same bytes, and names the first that differs.
fn assert_same(a: &BTreeMap<String, Vec<u8>>, b: &BTreeMap<String, Vec<u8>>, what: &str) {
    assert!(!a.is_empty(), "{what}: nothing to compare");
    assert!(a.keys().eq(b.keys()), "{what}: {:?} and {:?}", a.keys(), b.keys());
    for (name, bytes) in a {
        assert!(*bytes == b[name], "{what}: {name} differs");
    }
}

#[test]
fn one_and_four_threads_give_the_same_bytes_twice() {
    let bench = Bench::empty();
    // The same relative place each time, so that what is printed can be compared too.
    for (folder, threads) in [("a", "1"), ("b", "4")] {
        fs::create_dir(bench.path(folder)).expect("a folder");
        let line = args!["demo", "--out", "demo", "--threads", threads];
        let demo = finish(jawgauge().args(line).current_dir(bench.path(folder)));
        assert_eq!(demo.status, 0, "{demo:#?}");
        fs::write(bench.path(folder).join("stdout"), demo.out).expect("written");
        fs::write(bench.path(folder).join("stderr"), demo.err).expect("written");
    }
    let demo = contents(&bench.path("a"));
    assert_same(&demo, &contents(&bench.path("b")), "demo");
    let kinds = ["png", "svg", "csv", "json", "dcm", "toml"];
    for kind in kinds {
        assert!(demo.keys().any(|name| name.ends_with(kind)), "no {kind} was compared");
    }

    let case = bench.path("a/demo/case.toml");
    for (command, results) in [("measure", 7), ("fit", 9)] {
        let mut runs = Vec::new();
        for (n, threads) in ["1", "4", "1", "4"].iter().enumerate() {
            let home = bench.path(&format!("{command}-{n}"));
            fs::create_dir(&home).expect("a folder");
            let line = args![command, case, "--out", "o", "--json", "d.json", "--threads", threads];
            let run = finish(jawgauge().args(line).current_dir(&home));
            assert_eq!(run.status, 0, "{run:#?}");
            let mut made = contents(&home);
            assert_eq!(made.len(), results, "{:?}", made.keys());
            made.insert("stdout".to_owned(), run.out.into_bytes());
            made.insert("stderr".to_owned(), run.err.into_bytes());
            runs.push(made);
        }
        for (n, other) in runs.iter().enumerate().skip(1) {
            assert_same(&runs[0], other, &format!("{command}, run {}", n + 1));
        }
    }
}

#[test]
fn a_document_on_standard_output_is_the_document_in_a_file() {
    let bench = Bench::p0();
    let case = bench.case(&common::p0_case());
    for command in ["measure", "fit"] {
        let json = bench.path(&format!("{command}.json"));
        let shown = common::run(&args![command, case, "--json", "-", "--threads", "1"]);
        let kept = common::run(&args![command, case, "--json", json, "--threads", "4"]);
        assert_eq!((shown.status, kept.status), (0, 0));
        assert_eq!(shown.out, fs::read_to_string(&json).expect("read"));
    }
}
