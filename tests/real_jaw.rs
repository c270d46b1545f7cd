//! A real lower jaw, toothless behind its front teeth on both sides, found through
//! `JAWGAUGE_SCANS`; without it these tests say that they were skipped. There is no outside truth
//! for it and its voxels are 1 mm, so what is asked is what anatomy asks: sides, directions,
//! widths that a jaw has and that grow from the crest, and two sides that are alike.
#![allow(clippy::print_stderr)] // the only way to say that a test was skipped

mod common;

use std::path::PathBuf;

use common::{Bench, args, codes, list, minus, number, run, text, triple};
use serde_json::Value;

/// Widths that an edentulous lower jaw may have within 10 mm of its crest, mm (common practice,
/// no source).
const THINNEST_MM: f64 = 2.0;
const WIDEST_MM: f64 = 14.0;
/// How far both sides of one jaw may differ at one level, mm: the sites are matched by eye.
const SIDES_DIFFER_MM: f64 = 3.0;

/// One side of the jaw: its axis, and where its sites are, front and middle of the span.
struct Side {
    word: &'static str,
    axis: &'static str,
    sites: [&'static str; 2],
}

/// Points on the crest, read off the scan slice by slice; patient right to left, so the right
/// side runs forward and the left side backward.
const RIGHT: Side = Side {
    word: "right",
    axis: "[[223.5, 188.0, 48.5], [226.5, 182.0, 46.5], [229.5, 176.0, 45.0], [232.5, 170.0, 45.0]]",
    sites: ["[231.5, 172.0, 45.0]", "[227.5, 180.0, 46.0]"],
};
const LEFT: Side = Side {
    word: "left",
    axis: "[[269.0, 171.0, 44.0], [271.5, 178.0, 45.0], [274.0, 184.0, 47.5], [276.5, 191.0, 48.5]]",
    sites: ["[270.5, 175.0, 44.5]", "[273.0, 182.0, 46.5]"],
};

fn scan() -> Option<PathBuf> {
    let Some(root) = std::env::var_os("JAWGAUGE_SCANS") else {
        eprintln!("skipped: JAWGAUGE_SCANS is not set, no real jaw measured");
        return None;
    };
    Some(PathBuf::from(root).join("jaw-ct-1mm"))
}

fn case(scan: &std::path::Path, side: &Side) -> String {
    let mut text = format!(
        "schema = \"case/1\"\n[scan]\npath = '{}'\n[ridge]\narch = \"mandible\"\naxis = {}\n\
         lingual_side = [250.0, 182.0, 42.0]\n",
        scan.display(),
        side.axis
    );
    for (place, at) in ["front", "middle"].iter().zip(side.sites) {
        text += &format!("[[site]]\nid = \"{} {place}\"\nat = {at}\n", side.word);
    }
    for (diameter, length) in [("3.0", "10.0"), ("3.5", "8.0")] {
        text += &format!(
            "[[fixture]]\nid = \"{diameter} x {length}\"\ndiameter_mm = {diameter}\nlength_mm = {length}\n"
        );
    }
    text
}

fn widths(site: &Value) -> Vec<f64> {
    list(site, "/widths").iter().map(|w| number(w, "/width_mm")).collect()
}

/// Measures one side and returns the widths of both its sites.
fn measured(side: &Side) -> Option<Vec<Vec<f64>>> {
    let scan = scan()?;
    let bench = Bench::empty();
    let run = run(&args!["measure", bench.case(&case(&scan, side)), "--json", "-"]);
    assert_eq!(run.status, 0, "{run:#?}");
    let document = run.document();
    let sites = list(&document, "/sites");
    assert_eq!(sites.len(), 2, "{document:#}");
    for site in sites {
        let id = text(site, "/id");
        assert_eq!(text(site, "/side"), side.word, "{id}");
        let sign = if side.word == "left" { 1.0 } else { -1.0 };
        // The cheek is on the side's own side, the midline is to the front, the root tips below.
        assert!(sign * triple(site, "/frame/buccal")[0] > 0.7, "{id}: buccal");
        assert!(triple(site, "/frame/mesial")[1] < -0.7, "{id}: mesial");
        assert!(triple(site, "/frame/apical")[2] < -0.8, "{id}: apical");
        let widths = widths(site);
        assert_eq!(widths.len(), 6, "{id}");
        assert!(widths.iter().all(|w| (THINNEST_MM..=WIDEST_MM).contains(w)), "{id} {widths:?}");
        assert!(widths.windows(2).all(|w| w[0] < w[1]), "{id}: {widths:?} do not grow");
        for width in list(site, "/widths") {
            let across = minus(triple(width, "/buccal"), triple(width, "/lingual"));
            assert!(sign * across[0] > 0.0, "{id}: the buccal end lies to the cheek");
            let u95 = number(width, "/u95_mm");
            assert!(u95 > 0.1 && u95 < 3.0, "{id}: {u95} for voxels of 1 mm");
        }
        // Crest to lower border, all within the scan (textbooks, from memory: 15 to 30 mm).
        let height = number(site, "/bone_height_mm");
        assert!((15.0..=30.0).contains(&height), "{id} {height}");
        let told = codes(site, "/warnings");
        assert!(told.contains(&"coarse-voxels"), "{id} {told:?}");
        for strange in ["crest-far", "outline-open", "axis-order", "site-far-from-axis"] {
            assert!(!told.contains(&strange), "{id} {told:?}");
        }
    }
    Some(sites.iter().map(widths).collect())
}

#[test]
fn both_sides_of_a_real_jaw_are_measured_on_their_own_side_and_are_alike() {
    let (Some(right), Some(left)) = (measured(&RIGHT), measured(&LEFT)) else { return };
    for (right, left) in right.iter().zip(&left) {
        for (r, l) in right.iter().zip(left) {
            assert!((r - l).abs() < SIDES_DIFFER_MM, "{right:?} on the right, {left:?} left");
        }
    }
}

#[test]
fn fixtures_are_placed_on_both_sides_of_a_real_jaw() {
    let Some(scan) = scan() else { return };
    for side in [&RIGHT, &LEFT] {
        let bench = Bench::empty();
        let run = run(&args!["fit", bench.case(&case(&scan, side)), "--json", "-"]);
        assert_eq!(run.status, 0, "{run:#?}");
        let document = run.document();
        let sites = list(&document, "/sites");
        assert_eq!(sites.len(), 2);
        for site in sites {
            let id = text(site, "/id");
            let fits = list(site, "/fits");
            assert_eq!(fits.len(), 2, "{id}");
            for fit in fits {
                // 3 mm of fixture and 1.5 mm on either side do not fit into a crest of 3 to 4 mm.
                assert_eq!(text(fit, "/verdict"), "not met", "{id}");
                let [buccal, lingual, apex] = ["buccal", "lingual", "apex"]
                    .map(|w| number(fit, &format!("/walls/{w}/wall_mm")));
                assert!((-1.0..=1.0).contains(&buccal) && (-1.0..=1.0).contains(&lingual), "{id}");
                assert!((buccal - lingual).abs() < 0.1, "{id}: {buccal} and {lingual} are uneven");
                assert!((5.0..=20.0).contains(&apex), "{id} {apex}");
                assert!(triple(fit, "/pose/apical")[2] < -0.8, "{id}");
            }
            assert!(text(site, "/answer").contains("short"), "{id}");
        }
        let table = common::run(&args!["fit", bench.path("case.toml")]);
        let word = format!("patient's {}", side.word);
        assert_eq!(table.out.matches(&word).count(), 2, "{}", table.out);
    }
}
