//! What must hold of the project as a whole. Each guard fails where it finds nothing to guard.

mod common;

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use common::{Bench, args, base, files_below, list, run, text};
use dicom_core::{DataElement, PrimitiveValue, VR};
use dicom_dictionary_std::tags;
use jawgauge_phantom::ScanOptions;
use serde_json::Value;

/// Longest source file, lines.
const LONGEST_FILE: usize = 400;

/// Which of the project's packages each of them may use. Arrows run one way.
const EDGES: [(&str, &[&str]); 10] = [
    ("jawgauge-codec", &[]),
    ("jawgauge-space", &[]),
    ("jawgauge-volume", &["space"]),
    ("jawgauge-intake", &["codec", "volume", "space"]),
    ("jawgauge-section", &["volume", "space"]),
    ("jawgauge-bone", &["section", "volume", "space"]),
    ("jawgauge-fixture", &["bone", "section", "volume", "space"]),
    ("jawgauge-report", &["fixture", "bone", "section", "volume", "space"]),
    ("jawgauge-phantom", &["volume", "space"]),
    ("jawgauge", &["space", "volume", "intake", "section", "bone", "fixture", "report", "phantom"]),
];

/// Which packages may use an outside crate; a name that ends in `*` stands for all that begin so.
const OUTSIDE: [(&str, &[&str]); 7] = [
    ("dicom-*", &["jawgauge-intake", "jawgauge-phantom"]),
    ("image", &["jawgauge-report"]),
    ("resvg", &["jawgauge-report"]),
    ("clap", &["jawgauge"]),
    ("toml_edit", &["jawgauge"]),
    ("serde", &["jawgauge-report", "jawgauge"]),
    ("serde_json", &["jawgauge-report", "jawgauge"]),
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().expect("the project's folder")
}

/// Every file of the project, without what building leaves behind.
fn project_files() -> Vec<PathBuf> {
    let root = root();
    let made = ["target", ".git", ".venv", "__pycache__", ".pytest_cache"];
    let files: Vec<PathBuf> = fs::read_dir(&root)
        .expect("a folder")
        .map(|e| e.expect("an entry").path())
        .filter(|p| {
            let name = p.file_name().unwrap_or_default().to_string_lossy();
            !made.contains(&name.as_ref()) && !name.starts_with("jawgauge-demo")
        })
        .flat_map(|p| if p.is_dir() { files_below(&p) } else { vec![p] })
        .filter(|p| p.components().all(|c| !made.iter().any(|m| c.as_os_str() == *m)))
        .collect();
    assert!(files.len() > 50, "{} files", files.len());
    files
}

fn named(path: &Path) -> String {
    path.strip_prefix(root()).expect("in the project").to_string_lossy().into_owned()
}

/// The project's packages with the names of their dependencies outside of tests.
fn packages() -> Vec<(String, Vec<String>)> {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let output = Command::new(cargo)
        .args(["metadata", "--no-deps", "--offline", "--format-version", "1"])
        .current_dir(root())
        .output()
        .expect("cargo runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: Value = serde_json::from_slice(&output.stdout).expect("a document");
    let packages: Vec<_> = list(&metadata, "/packages")
        .iter()
        .map(|package| {
            let normal = list(package, "/dependencies")
                .iter()
                .filter(|d| d.pointer("/kind").is_some_and(|k| *k != "dev"))
                .map(|d| text(d, "/name").to_owned())
                .collect();
            (text(package, "/name").to_owned(), normal)
        })
        .collect();
    assert!(!packages.is_empty());
    packages
}

#[test]
fn packages_use_each_other_one_way_only() {
    let packages = packages();
    let known: BTreeSet<&str> = EDGES.iter().map(|e| e.0).collect();
    let found: BTreeSet<&str> = packages.iter().map(|p| p.0.as_str()).collect();
    assert_eq!(found, known, "a new package needs a place in the order");
    let mut edges = 0;
    for (name, uses) in &packages {
        let allowed = EDGES.iter().find(|e| e.0 == name).map_or(&[][..], |e| e.1);
        for used in uses {
            let Some(short) = used.strip_prefix("jawgauge-") else { continue };
            assert!(allowed.contains(&short), "{name} must not use {used}");
            edges += 1;
        }
    }
    assert!(edges > 10, "{edges} edges");
}

#[test]
fn outside_crates_stay_in_their_place() {
    let packages = packages();
    for (pattern, places) in OUTSIDE {
        let of = |name: &str| match pattern.strip_suffix('*') {
            Some(start) => name.starts_with(start),
            None => name == pattern,
        };
        let users: Vec<&str> = packages
            .iter()
            .filter(|(_, uses)| uses.iter().any(|u| of(u)))
            .map(|(name, _)| name.as_str())
            .collect();
        assert!(!users.is_empty(), "nobody uses {pattern}");
        for user in users {
            assert!(places.contains(&user), "{user} must not use {pattern}");
        }
    }
}

#[test]
fn source_files_are_short() {
    let files = project_files();
    let sources: Vec<_> =
        files.iter().filter(|p| p.extension().is_some_and(|e| e == "rs")).collect();
    assert!(sources.len() > 50, "{} sources", sources.len());
    let long: Vec<String> = sources
        .iter()
        .map(|p| (p, fs::read_to_string(p).expect("text").lines().count()))
        .filter(|(_, lines)| *lines > LONGEST_FILE)
        .map(|(p, lines)| format!("{} has {lines} lines", named(p)))
        .collect();
    assert!(long.is_empty(), "{long:?}, {LONGEST_FILE} are allowed");
}

#[test]
fn every_package_forbids_unsafe_code() {
    let parse = |path: &Path| -> toml_edit::Document<String> {
        toml_edit::Document::parse(fs::read_to_string(path).expect("read")).expect("TOML")
    };
    let workspace = parse(&root().join("Cargo.toml"));
    let rule = workspace["workspace"]["lints"]["rust"]["unsafe_code"].as_str();
    assert_eq!(rule, Some("forbid"));
    let manifests: Vec<_> = project_files()
        .into_iter()
        .filter(|p| {
            p.file_name().is_some_and(|n| n == "Cargo.toml") && *p != root().join("Cargo.toml")
        })
        .collect();
    assert_eq!(manifests.len(), EDGES.len(), "{manifests:?}");
    for path in manifests {
        let lints = parse(&path);
        let inherits = lints.get("lints").and_then(|l| l.get("workspace"));
        assert_eq!(inherits.and_then(toml_edit::Item::as_bool), Some(true), "{}", named(&path));
    }
}

/// Whether bytes hold a DICOM element that names a patient: an explicit PN or LO of Patient's
/// Name (0010,0010) or Patient ID (0010,0020) with a value (DICOM PS3.5 section 7.1.2, PS3.6).
fn names_a_patient(bytes: &[u8]) -> bool {
    [&b"\x10\x00\x10\x00PN"[..], &b"\x10\x00\x20\x00LO"[..]].iter().any(|head| {
        bytes.windows(head.len() + 2).any(|w| {
            w.starts_with(head) && u16::from_le_bytes([w[head.len()], w[head.len() + 1]]) > 0
        })
    })
}

#[test]
fn fixtures_name_no_patient() {
    let name = PrimitiveValue::from("A^B");
    let scan = ScanOptions::default().with_edit(move |_, o| {
        o.put(DataElement::new(tags::PATIENT_NAME, VR::PN, name.clone()));
    });
    let bench = Bench::p0();
    let nameless = fs::read(bench.path("scan/slice0000.dcm")).expect("read");
    assert!(!names_a_patient(&nameless), "an empty name is none");
    let bench = Bench::of(base(), &scan);
    assert!(names_a_patient(&fs::read(bench.path("scan/slice0000.dcm")).expect("read")));

    let fixtures: Vec<_> =
        project_files().into_iter().filter(|p| p.starts_with(root().join("fixtures"))).collect();
    assert!(!fixtures.is_empty(), "no fixtures");
    for path in fixtures {
        let bytes = fs::read(&path).expect("read");
        assert!(!names_a_patient(&bytes), "{} names a patient", named(&path));
    }
}

#[test]
fn no_text_holds_a_path_of_one_machine() {
    // Put together here, so that this file does not hold them.
    let folders = ["work", "root", "home", "tmp", "Users", "mnt"].map(|f| format!("/{f}/"));
    let mut texts = 0;
    for path in project_files() {
        let bytes = fs::read(&path).expect("read");
        let Ok(text) = String::from_utf8(bytes) else { continue };
        texts += 1;
        for (n, line) in text.lines().enumerate() {
            for folder in &folders {
                // Part of a longer path or of a web address is something else.
                let alone = line.match_indices(folder.as_str()).any(|(at, _)| {
                    !line[..at].ends_with(|c: char| c.is_alphanumeric() || "./-_}".contains(c))
                });
                assert!(!alone, "{} line {}: {folder}", named(&path), n + 1);
            }
        }
    }
    assert!(texts > 50, "{texts} texts");
}

/// The lines of a document's fenced blocks with their language.
fn fenced(document: &str) -> Vec<(String, String)> {
    let mut blocks = Vec::new();
    let mut open: Option<(String, String)> = None;
    for line in document.lines() {
        match (line.strip_prefix("```"), &mut open) {
            (Some(language), None) => open = Some((language.to_owned(), String::new())),
            (Some(_), Some(_)) => blocks.extend(open.take()),
            (None, Some((_, block))) => *block += &format!("{line}\n"),
            (None, None) => {}
        }
    }
    blocks
}

/// The command lines of `jawgauge` in a document: words after its name in fenced blocks, or after
/// `--` of a `cargo run`.
fn commands_of(document: &str) -> Vec<Vec<String>> {
    let words = |line: &str| line.split_whitespace().map(str::to_owned).collect();
    let blocks = fenced(document);
    let lines = blocks.iter().filter(|b| b.0.is_empty()).flat_map(|b| b.1.lines());
    lines
        .filter_map(|line| {
            line.strip_prefix("jawgauge ")
                .or_else(|| line.strip_prefix("cargo run")?.split_once("-- ").map(|l| l.1))
        })
        .map(words)
        .collect()
}

#[test]
fn commands_of_the_documents_exist() {
    let known = run(&["--help"]).out;
    for (name, least) in [("README.md", 5), ("DEVELOPERS.md", 1)] {
        let document = fs::read_to_string(root().join(name)).expect("read");
        let commands = commands_of(&document);
        assert!(commands.len() >= least, "{name}: {commands:?}");
        for words in commands {
            let command = &words[0];
            assert!(known.contains(&format!("\n  {command} ")), "{name}: {command}");
            let help = run(&[command.as_str(), "--help"]);
            assert_eq!(help.status, 0, "{name}: {command}");
        }
    }
}

#[test]
fn flags_of_the_readme_exist() {
    let readme = fs::read_to_string(root().join("README.md")).expect("read");
    let helps: String =
        ["inspect", "measure", "fit", "demo"].iter().map(|c| run(&[c, "--help"]).out).collect();
    let mut flags = BTreeSet::new();
    // Flags of other programs stand on lines that begin with their name.
    for line in readme.lines().filter(|l| !l.contains("cargo ")) {
        for start in line.match_indices("--").map(|m| m.0) {
            let name: String =
                line[start..].chars().take_while(|c| c.is_ascii_lowercase() || *c == '-').collect();
            if name.len() > 3 && !name.starts_with("---") {
                flags.insert(name);
            }
        }
    }
    assert!(flags.len() >= 3, "{flags:?}");
    for flag in flags {
        assert!(helps.contains(&flag), "{flag}");
    }
}

#[test]
fn the_case_file_of_the_readme_is_accepted() {
    let readme = fs::read_to_string(root().join("README.md")).expect("read");
    let cases: Vec<String> =
        fenced(&readme).into_iter().filter(|b| b.0 == "toml").map(|b| b.1).collect();
    assert!(!cases.is_empty(), "no case in the README");
    for case in cases {
        let bench = Bench::empty();
        // Nothing is wrong with it but that its scan is not here.
        let read = run(&args!["fit", bench.case(&case)]);
        read.assert_error(3, "cannot-open", &[]);
    }
}

#[test]
fn links_of_the_documents_lead_somewhere_and_nothing_is_left_to_fill_in() {
    let mut links = 0;
    for path in project_files() {
        if path.extension().is_none_or(|e| e != "md") {
            continue;
        }
        let document = fs::read_to_string(&path).expect("read");
        for part in document.split("](").skip(1) {
            let target = part.split(')').next().unwrap_or_default();
            if target.contains("://") || target.starts_with('#') {
                continue;
            }
            links += 1;
            let file = target.split('#').next().unwrap_or_default();
            let there = path.parent().expect("a folder").join(file).exists();
            assert!(there, "{}: {target} is not there", named(&path));
        }
        for line in document.lines() {
            let bare = line.len() > 4 && line.chars().all(|c| c.is_ascii_uppercase() || c == '_');
            assert!(!bare, "{}: {line} is still to be filled in", named(&path));
        }
    }
    assert!(links >= 3, "{links} links");
}
