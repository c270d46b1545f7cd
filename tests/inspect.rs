//! What `inspect` tells of a scan: where it lies, its grey values, its quality, its files.

mod common;

use std::fs;
use std::path::PathBuf;

use common::{Bench, Run, args, assert_near, at, base, codes, list, number, run, text};
use dicom_dictionary_std::tags;
use jawgauge_phantom::{MultiFrameKind, ScanOptions, write_multi_frame, write_scan};
use serde_json::{Value, json};

/// What stands behind a name in the lines of the only volume.
fn told<'a>(shown: &'a Run, name: &str) -> &'a str {
    let lines = shown.out.lines().map(str::trim_start);
    let found: Vec<&str> = lines.filter_map(|l| l.strip_prefix(name)).map(str::trim).collect();
    let [value] = found[..] else { panic!("{name}: {found:?} in {}", shown.out) };
    value
}

fn inspect(bench: &Bench) -> (Run, Value) {
    let scan = bench.path("scan");
    let shown = run(&args!["inspect", scan]);
    let document = run(&args!["inspect", scan, "--json", "-"]).document();
    (shown, document)
}

#[test]
fn the_base_phantom_is_told_in_words_and_in_the_document() {
    let (shown, document) = inspect(&Bench::p0());
    assert_eq!((shown.status, shown.err.as_str()), (0, ""), "{shown:#?}");
    // 120 x 100 x 80 voxels of 0.3 mm; columns to the left, rows to the back, slices to the head.
    assert_eq!(told(&shown, "extent"), "36.0 x 30.0 x 24.0 mm");
    let lies = "columns count to the patient's left, rows to the back, slices to the head";
    assert_eq!(told(&shown, "orientation"), lies);
    assert!(told(&shown, "transfer syntax").starts_with("Explicit VR Little Endian ("));
    assert!(told(&shown, "object").starts_with("CT image ("));
    for (name, value) in [("air ", "-1000"), ("soft tissue", "60"), ("bone", "1200")] {
        assert_eq!(told(&shown, name), value);
    }
    assert_eq!(told(&shown, "noise"), "none");
    assert_eq!(told(&shown, "contrast to noise"), "not told");
    assert!(told(&shown, "walls").contains("voxels of 0.30 mm: walls under 0.6 mm"));
    assert_eq!(told(&shown, "left out"), "no file");
    assert!(!shown.out.contains("HU") && !shown.out.contains("shear"), "{}", shown.out);

    let volume = at(&document, "/volumes/0");
    for (key, value) in [("air", -1000.0), ("soft_tissue", 60.0), ("bone", 1200.0)] {
        assert_near(number(volume, &format!("/grey_landmarks/{key}")), value, 0.1, key);
        assert_near(number(volume, &format!("/noise_within/{key}")), 0.0, 1e-9, key);
    }
    assert_eq!(at(volume, "/extent_mm"), &json!([36.0, 30.0, 24.0]));
    assert_eq!(at(volume, "/place_known"), &json!(true));
    assert_eq!(at(volume, "/slices"), &json!(80));
    assert_eq!(at(volume, "/skipped"), &json!([]));
    for (key, value) in
        [("noise", 0.0), ("wall_limit_mm", 0.6), ("shear_deg", 0.0), ("not_scanned_share", 0.0)]
    {
        assert_near(number(volume, &format!("/{key}")), value, 1e-9, key);
    }
    // No scan is sharper than its voxels: 0.3 mm over the root of 12, times 2.355.
    assert_near(number(volume, "/blur_fwhm_mm"), 0.2039, 0.001, "blur");
    assert_eq!(text(volume, "/blur_steps_between"), "air-soft-tissue");
    assert!(number(volume, "/blur_u_mm") > 0.0 && number(volume, "/blur_steps") > 50.0);
    assert!(told(&shown, "blur").starts_with("0.20 ± 0.00 mm"), "{}", shown.out);
    assert_eq!(at(volume, "/contrast_to_noise"), &Value::Null);
    assert_eq!(at(volume, "/air_or_soft_tissue"), &Value::Null);
    assert_eq!(at(volume, "/fill_grey"), &Value::Null);
}

#[test]
fn files_that_take_no_part_are_counted_with_their_reason() {
    let bench = Bench::p0();
    fs::write(bench.path("scan/notes.txt"), "no scan").expect("written");
    fs::write(bench.path("scan/empty.dcm"), "").expect("written");
    let (shown, document) = inspect(&bench);
    assert_eq!(told(&shown, "left out"), "1 no DICOM, 1 empty");
    let reasons: Vec<(&str, f64)> = list(&document, "/volumes/0/skipped")
        .iter()
        .map(|s| (text(s, "/reason"), number(s, "/files")))
        .collect();
    assert_eq!(reasons, [("not-dicom", 1.0), ("empty", 1.0)]);
}

#[test]
fn several_volumes_end_with_how_one_is_chosen() {
    let bench = Bench::p0();
    let other = ScanOptions::default().with_uid_root(77).with_series_uid("1.2.3");
    write_scan(&bench.path("scan/b"), base(), &other).expect("written");
    let (shown, document) = inspect(&bench);
    assert_eq!(list(&document, "/volumes").len(), 2);
    assert_eq!(shown.out.lines().filter(|l| l.starts_with("series ")).count(), 2);
    let end: Vec<&str> = shown.out.lines().rev().take(2).collect();
    assert!(end[1].contains("2 volumes") && end[1].contains("[scan]"), "{end:?}");
    assert_eq!(end[0].trim(), "series = \"1.2.3\"");
    let alone = inspect(&Bench::p0()).0;
    assert!(!alone.out.contains("[scan]"), "{}", alone.out);
}

#[test]
fn sides_are_not_told_where_the_place_in_the_patient_is_not_known() {
    let bench = Bench::empty();
    let file = bench.path("frames.dcm");
    let nowhere = ScanOptions::default().with_edit(|_, o| {
        o.remove_element(tags::IMAGE_POSITION_PATIENT);
        o.remove_element(tags::IMAGE_ORIENTATION_PATIENT);
    });
    write_multi_frame(&file, base(), MultiFrameKind::PlainCt, &nowhere).expect("written");
    let shown = run(&args!["inspect", file]);
    assert_eq!(shown.status, 0, "{shown:#?}");
    assert!(told(&shown, "orientation").contains("not told"));
    for word in ["left ", "left,", "right", "back", "front", "head", "feet", "up", "down"] {
        let shown = shown.out.replace("left out", "");
        assert!(!shown.contains(word), "{word}: {shown}");
    }
    let document = run(&args!["inspect", file, "--json", "-"]).document();
    assert_eq!(at(&document, "/volumes/0/place_known"), &json!(false));
}

#[test]
fn what_the_grey_values_do_not_tell_is_a_warning_and_null() {
    // Without the air: soft tissue and bone only.
    let volume = jawgauge_phantom::render(
        base().geometry().clone(),
        jawgauge_phantom::Storage::Unsigned,
        jawgauge_phantom::p0_rescale(),
        jawgauge_phantom::Noise { sd: 20.0, seed: 4 },
        |p| jawgauge_phantom::p0_grey(p).max(60.0),
    )
    .expect("a scan");
    let (shown, document) = inspect(&Bench::of(&volume, &ScanOptions::default()));
    assert_eq!(shown.status, 0, "{shown:#?}");
    assert_eq!(codes(&document, "/volumes/0/warnings"), ["air-or-soft-tissue"]);
    assert!(shown.err.contains("warning[air-or-soft-tissue]"), "{}", shown.err);
    assert_eq!(told(&shown, "air or soft tissue"), "60");
    assert_eq!(at(&document, "/volumes/0/grey_landmarks/soft_tissue"), &Value::Null);
    assert_near(number(&document, "/volumes/0/air_or_soft_tissue"), 60.0, 2.0, "grey");
    assert_near(number(&document, "/volumes/0/noise"), 20.0, 1.0, "noise");
}

/// Real scans, found through `JAWGAUGE_SCANS`; without it this says that it was skipped.
#[allow(clippy::print_stderr)]
fn real(name: &str) -> Option<PathBuf> {
    let Some(root) = std::env::var_os("JAWGAUGE_SCANS") else {
        eprintln!("skipped: JAWGAUGE_SCANS is not set, {name} not inspected");
        return None;
    };
    Some(PathBuf::from(root).join(name))
}

#[test]
fn a_real_jaw_has_the_landmarks_that_scipy_finds() {
    let Some(path) = real("jaw-ct-1mm") else { return };
    let document = run(&args!["inspect", path, "--json", "-"]).document();
    let volume = at(&document, "/volumes/0");
    // Peaks of scipy.stats.gaussian_kde (scipy 1.17.1, bw_method 0.1) over the voxels from -1010 to
    // -900, -60 to 140 and 1300 to 1850.
    for (key, peak, within) in
        [("air", -978.9, 10.0), ("soft_tissue", 51.3, 10.0), ("bone", 1575.0, 20.0)]
    {
        assert_near(number(volume, &format!("/grey_landmarks/{key}")), peak, within, key);
    }
    // numpy 2.4.6, voxels from -60 to 160 that lie 3 apart along each axis: 16.3 by the median, 20.3
    // by the root mean square.
    assert_near(number(volume, "/noise"), 18.3, 2.5, "noise");
    assert_near(number(volume, "/wall_limit_mm"), 2.0, 1e-9, "two voxels");
    assert_eq!(at(volume, "/metal_share"), &json!(0.0));
}

#[test]
fn a_plastic_head_is_told_alike_flat_and_tilted() {
    let scans = ["head-plastic-flat", "head-plastic-tilted"].map(real);
    let [Some(flat), Some(tilted)] = scans else { return };
    let [flat, tilted] =
        [flat, tilted].map(|path| run(&args!["inspect", path, "--json", "-"]).document());
    let bone = |d: &Value| number(d, "/volumes/0/grey_landmarks/bone");
    // Slices of 5 and 2.4 mm blur the thin plastic differently.
    assert_near(bone(&flat), bone(&tilted), 40.0, "bone");
    let darker = |d: &Value| number(d, "/volumes/0/air_or_soft_tissue");
    assert_near(darker(&flat), darker(&tilted), 3.0, "air");
    assert_near(number(&tilted, "/volumes/0/shear_deg"), 18.5, 0.1, "shear");
    assert_near(number(&flat, "/volumes/0/shear_deg"), 0.0, 0.01, "no shear");
}
