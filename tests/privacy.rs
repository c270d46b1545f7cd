//! Nothing that names a patient comes out: not in what is printed, not in any file, not in a
//! file's name, in runs that succeed and in runs that fail.
//!
//! What is shown of paths: the case file by its last part, slices by their path below the scan,
//! and places given with `--json` and `--out` as they were given. So a folder above the case is
//! never shown, unless the user wrote it on the command line as a place to write to.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::{
    Bench, P0_FIXTURE, Run, args, at, base, files_below, finish, jawgauge, list, p0_case,
};
use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use jawgauge_phantom::{ScanOptions, write_scan};
use serde_json::Value;

/// All that must not come out; compared without regard to case.
const CANARIES: [&str; 2] = ["canary", "19010203"];
/// The folder above scan and case.
const FOLDER: &str = "CANARY_FOLDER";

fn named(object: &mut InMemDicomObject) {
    for (tag, vr, value) in [
        (tags::PATIENT_NAME, VR::PN, "CANARY^NAME"),
        (tags::PATIENT_ID, VR::LO, "CANARYID"),
        (tags::OTHER_PATIENT_NAMES, VR::PN, "CANARY^OTHER"),
        (tags::PATIENT_BIRTH_DATE, VR::DA, "19010203"),
        (tags::PATIENT_ADDRESS, VR::LO, "CANARY ROAD 1"),
        (tags::PATIENT_COMMENTS, VR::LT, "CANARY COMMENT"),
        (tags::INSTITUTION_NAME, VR::LO, "CANARY CLINIC"),
        (tags::REFERRING_PHYSICIAN_NAME, VR::PN, "CANARY^DOCTOR"),
        (tags::OPERATORS_NAME, VR::PN, "CANARY^OPERATOR"),
        (tags::STATION_NAME, VR::SH, "CANARYSTATION"),
        (tags::ACCESSION_NUMBER, VR::SH, "CANARY1"),
        (tags::STUDY_ID, VR::SH, "CANARY2"),
        (tags::STUDY_DESCRIPTION, VR::LO, "CANARY STUDY"),
        (tags::SERIES_DESCRIPTION, VR::LO, "CANARY SERIES"),
        (tags::PROTOCOL_NAME, VR::LO, "CANARY PROTOCOL"),
        (tags::IMAGE_COMMENTS, VR::LT, "CANARY IMAGE"),
        // A private block: its creator and one element of it (DICOM PS3.5 section 7.8.1).
        (Tag(0x0009, 0x0010), VR::LO, "CANARY MAKER"),
        (Tag(0x0009, 0x1001), VR::LO, "CANARY PRIVATE"),
    ] {
        object.put(DataElement::new(tag, vr, PrimitiveValue::from(value)));
    }
    object.put(DataElement::new(
        tags::PATIENT_IDENTITY_REMOVED,
        VR::CS,
        PrimitiveValue::from("NO"),
    ));
}

/// A folder named after the patient, with a scan that names the patient everywhere.
struct Named {
    bench: Bench,
}

impl Named {
    fn new(edit: impl Fn(usize, &mut InMemDicomObject) + Send + Sync + 'static) -> Self {
        let bench = Bench::empty();
        let options = ScanOptions::default().with_edit(move |k, o| {
            named(o);
            edit(k, o);
        });
        write_scan(&bench.path(FOLDER).join("scan"), base(), &options).expect("written");
        Self { bench }
    }

    fn home(&self) -> PathBuf {
        self.bench.path(FOLDER)
    }

    /// Writes the case and runs the command from the patient's folder.
    fn run(&self, case: &str, line: &[&str]) -> Run {
        fs::write(self.home().join("case.toml"), case).expect("written");
        finish(jawgauge().args(line).current_dir(self.home()))
    }
}

fn assert_silent(what: &str, bytes: &[u8]) {
    let lower = bytes.to_ascii_lowercase();
    for canary in CANARIES {
        let found = lower.windows(canary.len()).position(|w| w == canary.as_bytes());
        assert!(found.is_none(), "{canary} in {what}: {:?}", String::from_utf8_lossy(bytes));
    }
}

/// Fails if a canary is in what was printed.
fn assert_prints_nothing(run: &Run) {
    assert_silent("standard output", run.out.as_bytes());
    assert_silent("standard error", run.err.as_bytes());
}

/// Fails if a canary is in a file below `folder` or in its name below it; the number of files.
fn assert_writes_nothing(folder: &Path) -> usize {
    let files = files_below(folder);
    for file in &files {
        let name = file.strip_prefix(folder).expect("below").to_string_lossy().into_owned();
        assert_silent("a file name", name.as_bytes());
        let bytes = fs::read(file).expect("read");
        assert_silent(&name, &bytes);
        if name.ends_with("png") {
            // Text chunks may be compressed, so there must be none.
            for chunk in [b"tEXt", b"zTXt", b"iTXt", b"eXIf"] {
                assert!(!bytes.windows(4).any(|w| w == chunk), "{name} holds text");
            }
        }
    }
    files.len()
}

#[test]
fn the_canaries_are_in_the_scan() {
    let named = Named::new(|_, _| {});
    let file = fs::read(named.home().join("scan/slice0040.dcm")).expect("read");
    let text = String::from_utf8_lossy(&file).to_ascii_lowercase();
    assert!(text.matches("canary").count() >= 17 && text.contains("19010203"));
}

#[test]
fn a_good_run_names_nobody_anywhere() {
    let named = Named::new(|_, _| {});
    let case = p0_case();
    for line in [
        ["measure", "case.toml", "--out", "out/m", "--json", "out/m.json"],
        ["fit", "case.toml", "--out", "out/f", "--json", "out/f.json"],
    ] {
        let run = named.run(&case, &line);
        assert_eq!(run.status, 0, "{run:#?}");
        assert_prints_nothing(&run);
    }
    let inspect = named.run(&case, &["inspect", "scan", "--json", "out/i.json"]);
    assert_eq!(inspect.status, 0);
    assert_prints_nothing(&inspect);
    assert_eq!(assert_writes_nothing(&named.home().join("out")), 17);
}

#[test]
fn a_place_of_the_command_line_stays_out_of_results() {
    // The case and the scan are given by paths that name the patient; results do not repeat them.
    let named = Named::new(|_, _| {});
    fs::write(named.home().join("case.toml"), p0_case()).expect("written");
    let case = named.home().join("case.toml");
    let (out, json) = (named.bench.path("out"), named.bench.path("out/d.json"));
    for command in ["measure", "fit"] {
        let _ = fs::remove_dir_all(&out);
        let run = common::run(&args![command, case, "--out", out, "--json", json]);
        assert_eq!(run.status, 0, "{run:#?}");
        assert_prints_nothing(&run);
        assert!(assert_writes_nothing(&out) > 5);
    }
    let inspect = common::run(&args!["inspect", named.home().join("scan"), "--json", "-"]);
    assert_eq!(inspect.status, 0);
    assert_prints_nothing(&inspect);
}

#[test]
fn a_failing_run_names_nobody_anywhere() {
    let no_spacing = Named::new(|k, o| {
        if k == 12 {
            o.remove_element(tags::PIXEL_SPACING);
        }
    });
    let mixed = Named::new(|k, o| {
        if k == 12 {
            o.put(DataElement::new(tags::PATIENT_ID, VR::LO, PrimitiveValue::from("CANARY9")));
            o.put(DataElement::new(tags::RESCALE_SLOPE, VR::DS, PrimitiveValue::from("x")));
        }
    });
    let cut = Named::new(|_, _| {});
    let file = cut.home().join("scan/slice0012.dcm");
    let bytes = fs::read(&file).expect("read");
    let name = bytes.windows(11).position(|w| w == b"CANARY^NAME").expect("there");
    fs::write(&file, &bytes[..name + 6]).expect("cut off within the name");
    for (what, named) in [("spacing", &no_spacing), ("slope", &mixed), ("cut", &cut)] {
        for line in [
            ["measure", "case.toml", "--json", "-"],
            ["fit", "case.toml", "--json", "err.json"],
            ["inspect", "scan", "--json", "-"],
        ] {
            let run = named.run(&p0_case(), &line);
            assert_eq!(run.status, 3, "{what} {run:#?}");
            assert_prints_nothing(&run);
        }
        assert_silent("the error", &fs::read(named.home().join("err.json")).expect("written"));
    }
}

#[test]
fn faults_of_cases_and_sites_name_nobody() {
    let named = Named::new(|_, _| {});
    let whole = p0_case();
    for (case, status) in [
        (whole.replace("arch", "ahcr"), 2),
        (whole.replace("schema", "# schema"), 2),
        (whole.replace("at = [0.0, 0.0, 3.0]", "station_mm = 40.0"), 4),
        (whole.replace("at = [0.0, 0.0, 3.0]", "at = [0.0, 90.0, 3.0]"), 4),
        (whole.replace("\"scan\"", "\"no-scan\""), 3),
        (whole.replace(P0_FIXTURE, ""), 2),
    ] {
        let relative = named.run(&case, &["fit", "case.toml", "--json", "-"]);
        let whole_path = common::run(&args!["fit", named.home().join("case.toml"), "--json", "-"]);
        for run in [relative, whole_path] {
            assert_eq!(run.status, status, "{run:#?}");
            assert_prints_nothing(&run);
        }
    }
    let missing = common::run(&args!["measure", named.home().join("none.toml"), "--json", "-"]);
    assert_eq!(missing.status, 2);
    assert_prints_nothing(&missing);
    let missing = common::run(&args!["inspect", named.home().join("none"), "--json", "-"]);
    assert_eq!(missing.status, 3);
    assert_prints_nothing(&missing);
}

#[test]
fn inspect_says_that_the_files_name_a_patient() {
    let named = Named::new(|_, _| {});
    let shown = named.run("", &["inspect", "scan"]);
    assert!(shown.out.contains("still named in the files"), "{}", shown.out);
    assert!(shown.out.contains("not said to be"), "identity removed: {}", shown.out);
    let document = named.run("", &["inspect", "scan", "--json", "-"]).document();
    let [volume] = list(&document, "/volumes") else { panic!("{document:#}") };
    assert_eq!(at(volume, "/names_patient"), &Value::Bool(true));
    assert_eq!(at(volume, "/identity_removed"), &Value::Bool(false));
    // One file of 80 is enough.
    let one = Bench::of(
        base(),
        &ScanOptions::default().with_edit(|k, o| {
            if k == 41 {
                named_only_in_birth_date(o);
            }
        }),
    );
    let document = common::run(&args!["inspect", one.path("scan"), "--json", "-"]).document();
    assert_eq!(at(&document, "/volumes/0/names_patient"), &Value::Bool(true));
}

fn named_only_in_birth_date(object: &mut InMemDicomObject) {
    let date = PrimitiveValue::from("19010203");
    object.put(DataElement::new(tags::PATIENT_BIRTH_DATE, VR::DA, date));
}

#[test]
fn a_scan_that_cannot_be_measured_is_not_called_nameless() {
    let named = Named::new(|_, o| {
        o.remove_element(tags::PIXEL_SPACING);
    });
    let inspect = named.run("", &["inspect", "scan", "--json", "-"]);
    assert_eq!(inspect.status, 3, "{inspect:#?}");
    let document = inspect.document();
    // True, or null where it was not looked for; false would be a wrong statement.
    assert_ne!(at(&document, "/volumes/0/names_patient"), &Value::Bool(false), "{document:#}");
}
