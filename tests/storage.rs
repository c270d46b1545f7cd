//! The same jaw stored in other ways gives the same millimetres and the same sides; what a scan
//! does not show is not measured, and what must not be trusted is refused.

mod common;

use std::fs;

use common::{
    Bench, P0_HEAD, P0_SITE, args, assert_near, at, base, codes, distance, list, number, p0_case,
    run, text, triple,
};
use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use jawgauge_phantom::{
    P0_SUPERSAMPLE, ScanOptions, Storage, p0_geometry, p0_grey, p0_rescale, sample_shape,
    sample_shape_as,
};
use jawgauge_space::{Affine, PatientPoint, PatientVector};
use jawgauge_volume::{Rescale, Volume, VolumeGeometry};
use serde_json::Value;

/// As in tests/documents.rs.
const WITHIN_MM: f64 = 0.10;
/// A sheared stack is interpolated along a slanted step, which blurs the box's upright walls.
const SHEARED_WITHIN_MM: f64 = 0.15;

/// The box is moved by this, so that every flip and every exchange of axes shows: bone from
/// x = -2 to 4, y = -8 to 12, z = -9 to 3 mm.
const MOVED: [f64; 3] = [1.0, 2.0, 0.0];

fn lopsided(p: PatientPoint) -> f64 {
    p0_grey(p - PatientVector::from(MOVED))
}

fn grid(dims: [usize; 3], origin: [f64; 3], steps: [[f64; 3]; 3]) -> VolumeGeometry {
    let affine = Affine::new(origin.into(), steps.map(PatientVector::from)).expect("an affine");
    VolumeGeometry::new(dims, affine).expect("a grid")
}

fn stored_on(geometry: VolumeGeometry) -> Volume {
    sample_shape(geometry, p0_rescale(), lopsided, P0_SUPERSAMPLE).expect("a volume")
}

/// Two sites: one in the middle, one at y = 11, where only a box that is not turned round has bone.
fn lopsided_case() -> String {
    let site = |id: &str, y: f64| format!("[[site]]\nid = \"{id}\"\nat = [1.0, {y:.1}, 3.0]\n");
    let axis = "axis = [[1.0, -7.5, 3.0], [1.0, 11.5, 3.0]]";
    P0_HEAD.replace("axis = [[0.0, -9.0, 3.0], [0.0, 9.0, 3.0]]", axis)
        + &site("middle", 0.0)
        + &site("back", 11.0)
}

/// Measures the box wherever it is stored, and fails unless it is where and what it is.
fn assert_lopsided(bench: &Bench, within_mm: f64, scan_warnings: &[&str], name: &str) {
    let document = bench.document("measure", &lopsided_case());
    assert_eq!(codes(&document, "/scan/warnings"), scan_warnings, "{name}");
    let sites = list(&document, "/sites");
    assert_eq!(sites.len(), 2, "{name}");
    for site in sites {
        assert_eq!(text(site, "/side"), "left", "{name}");
        assert_near(number(site, "/bone_height_mm"), 12.0, within_mm, name);
        assert_near(triple(site, "/crest")[2], 3.0, within_mm, name);
        let widths = list(site, "/widths");
        assert_eq!(widths.len(), 6, "{name}");
        for width in widths {
            assert_near(number(width, "/width_mm"), 6.0, within_mm, name);
            assert_near(triple(width, "/buccal")[0], 4.0, within_mm, name);
            assert_near(triple(width, "/lingual")[0], -2.0, within_mm, name);
        }
        for (key, direction) in [
            ("buccal", [1.0, 0.0, 0.0]),
            ("apical", [0.0, 0.0, -1.0]),
            ("mesial", [0.0, -1.0, 0.0]),
        ] {
            let found = triple(site, &format!("/frame/{key}"));
            assert_near(distance(found, direction), 0.0, 0.02, name);
        }
    }
}

#[test]
fn the_way_a_stack_is_stored_changes_no_millimetre_and_no_side() {
    const P: f64 = 0.3;
    let low = [-17.85, -14.85, -11.85];
    let high = [17.85, 14.85, 11.85];
    let (x, y, z) = ([P, 0.0, 0.0], [0.0, P, 0.0], [0.0, 0.0, P]);
    let back = |d: [f64; 3]| d.map(|c| -c);
    let coronal = grid([120, 80, 100], [low[0], low[1], high[2]], [x, back(z), y]);
    let sagittal = grid([100, 80, 120], [low[0], low[1], high[2]], [y, back(z), x]);
    let flipped = grid([120, 100, 80], [high[0], low[1], low[2]], [back(x), y, z]);
    let descending = grid([120, 100, 80], [low[0], low[1], high[2]], [x, y, back(z)]);
    let turned = grid([100, 120, 80], [low[0], high[1], low[2]], [back(y), x, z]);
    for (name, geometry) in [
        ("axial", p0_geometry()),
        ("coronal", coronal),
        ("sagittal", sagittal),
        ("rows from left to right", flipped),
        ("descending", descending),
        ("rows from back to front", turned),
    ] {
        let bench = Bench::of(&stored_on(geometry), &ScanOptions::default());
        assert_lopsided(&bench, WITHIN_MM, &[], name);
    }
}

#[test]
fn a_sheared_stack_is_measured_as_it_is_with_a_word() {
    // 0.06 mm sideways a slice: 11.3 degrees, as of a tilted gantry.
    let steps = [[0.3, 0.0, 0.0], [0.0, 0.3, 0.0], [0.06, 0.0, 0.3]];
    let sheared = grid([120, 100, 80], [-20.25, -14.85, -11.85], steps);
    let bench = Bench::of(&stored_on(sheared), &ScanOptions::default());
    assert_lopsided(&bench, SHEARED_WITHIN_MM, &["sheared-stack"], "sheared");
}

#[test]
fn file_names_and_instance_numbers_say_nothing_of_the_order() {
    let volume = stored_on(p0_geometry());
    let number = |o: &mut InMemDicomObject, n: &str| set(o, tags::INSTANCE_NUMBER, VR::IS, n);
    // 80 slices; 37 and 80 have no common factor, so every name is given once.
    let shuffled = ScanOptions::default()
        .with_file_name(|k| format!("sub{}/IM{}", k % 3, k * 37 % 80))
        .with_edit(move |k, o| number(o, &(k * 53 % 80).to_string()));
    let backwards = ScanOptions::default()
        .with_file_name(|k| format!("IM{}", 80 - k))
        .with_edit(move |k, o| number(o, &(80 - k).to_string()));
    let constant = ScanOptions::default().with_edit(move |_, o| number(o, "1"));
    let mut results = Vec::new();
    for (name, options) in
        [("shuffled", shuffled), ("backwards", backwards), ("constant", constant)]
    {
        let bench = Bench::of(&volume, &options);
        assert_lopsided(&bench, WITHIN_MM, &[], name);
        results.push(bench.document("measure", &lopsided_case()));
    }
    assert!(results.windows(2).all(|r| r[0] == r[1]), "the same document for every order");
}

#[test]
fn slice_thickness_and_spacing_tags_that_lie_are_told_and_not_believed() {
    let lying = ScanOptions::default().with_edit(|_, o| {
        set(o, tags::SLICE_THICKNESS, VR::DS, "0.50");
        set(o, tags::SPACING_BETWEEN_SLICES, VR::DS, "0.40");
    });
    let bench = Bench::of(&stored_on(p0_geometry()), &lying);
    assert_lopsided(&bench, WITHIN_MM, &["spacing-attributes-disagree"], "lying thickness");
    let told = run(&args!["measure", bench.case(&lopsided_case())]);
    assert!(told.err.contains("(0018,0050)") && told.err.contains("(0018,0088)"), "{}", told.err);
}

#[test]
fn the_other_side_of_the_mouth_is_told_by_the_tongue() {
    let bench = Bench::of(&stored_on(p0_geometry()), &ScanOptions::default());
    let right = lopsided_case()
        .replace("[[1.0, -7.5, 3.0], [1.0, 11.5, 3.0]]", "[[1.0, 11.5, 3.0], [1.0, -7.5, 3.0]]")
        .replace("[-10.0, 0.0, 0.0]", "[10.0, 0.0, 0.0]");
    let document = bench.document("measure", &right);
    for site in list(&document, "/sites") {
        assert_eq!(text(site, "/side"), "right");
        assert_near(triple(site, "/widths/2/buccal")[0], -2.0, WITHIN_MM, "buccal end");
        assert_near(triple(site, "/widths/2/lingual")[0], 4.0, WITHIN_MM, "lingual end");
        assert_near(triple(site, "/frame/mesial")[1], -1.0, 0.02, "mesial is forward still");
    }
    let table = run(&args!["measure", bench.case(&right)]);
    assert!(table.out.contains("patient's right") && !table.out.contains("left"), "{}", table.out);
    // A tooth of the other side in the same place is told, not believed.
    let wrong = right.replace("id = \"middle\"", "id = \"middle\"\ntooth = \"36\"");
    let warned = bench.document("measure", &wrong);
    assert!(codes(&warned, "/sites/0/warnings").contains(&"tooth-side"));
}

/// The base phantom with the slices that `gone` says removed.
fn without(gone: &[usize]) -> Bench {
    let bench = Bench::p0();
    for k in gone {
        fs::remove_file(bench.path(&format!("scan/slice{k:04}.dcm"))).expect("removed");
    }
    bench
}

#[test]
fn a_missing_slice_is_named_and_nothing_is_measured_across_it() {
    // Slice 40 lies at z = 0.15 mm, 2.85 mm below the crest.
    let bench = without(&[40]);
    let partly = run(&args!["measure", bench.case(&p0_case()), "--json", "-"]);
    assert_eq!(partly.status, 4, "{partly:#?}");
    let document = partly.document();
    assert_eq!(codes(&document, "/scan/warnings"), ["missing-slices"]);
    let message = text(&document, "/scan/warnings/0/message");
    for part in ["1 missing", "slice0039.dcm", "slice0041.dcm", "0.6000 mm", "0.3000 mm"] {
        assert!(message.contains(part) && partly.err.contains(part), "{part} in {message}");
    }
    assert!(at(&document, "/sites/0/bone_height_mm").is_null());
    assert!(codes(&document, "/sites/0/warnings").contains(&"no-bone-height"));
    for width in list(&document, "/sites/0/widths") {
        let level = number(width, "/level_mm");
        // Above the gap, all is there; from it on, nothing is: neither 12.15 nor 11.70 mm of it.
        if level < 2.5 {
            assert_near(number(width, "/width_mm"), 6.0, WITHIN_MM, "above the gap");
        } else {
            assert!(at(width, "/width_mm").is_null(), "{width:#}");
        }
    }
}

#[test]
fn a_section_beside_a_missing_slice_is_measured_and_one_in_it_fails() {
    // Coronal slices, so that each section lies in one or two of them: slice 50 is y = 0.15 mm.
    let steps = [[0.3, 0.0, 0.0], [0.0, 0.0, -0.3], [0.0, 0.3, 0.0]];
    let coronal = grid([120, 80, 100], [-17.85, -14.85, 11.85], steps);
    let bench = Bench::of(&stored_on(coronal), &ScanOptions::default());
    fs::remove_file(bench.path("scan/slice0050.dcm")).expect("removed");
    let partly = run(&args!["measure", bench.case(&lopsided_case()), "--json", "-"]);
    assert_eq!(partly.status, 4, "{partly:#?}");
    let document = partly.document();
    let [site] = list(&document, "/sites") else { panic!("{document:#}") };
    assert_eq!(text(site, "/id"), "back");
    assert_near(number(site, "/widths/0/width_mm"), 6.0, WITHIN_MM, "width");
    assert_near(number(site, "/bone_height_mm"), 12.0, WITHIN_MM, "height");
    assert_eq!(text(&document, "/failed/0/id"), "middle");
}

#[test]
fn slices_missing_at_an_end_only_make_the_scan_smaller() {
    let bench = without(&[0, 1, 79]);
    let document = bench.document("measure", &p0_case());
    assert_eq!(at(&document, "/scan/dims"), &serde_json::json!([120, 100, 77]));
    assert_near(number(&document, "/sites/0/bone_height_mm"), 12.0, WITHIN_MM, "height");
}

#[test]
fn what_is_cut_off_by_the_edge_of_the_scan_is_null_with_the_part_that_is_seen() {
    // The ridge is moved so that its cheek side, x = 19, is beyond the last voxel, x = 17.85.
    let moved = |p: PatientPoint| p0_grey(p - PatientVector::new(16.0, 0.0, 0.0));
    let volume = sample_shape(p0_geometry(), p0_rescale(), moved, P0_SUPERSAMPLE).expect("sampled");
    let bench = Bench::of(&volume, &ScanOptions::default());
    let case =
        p0_case().replace("[0.0, ", "[16.0, ").replace("[16.0, 0.0, -1.0]", "[0.0, 0.0, -1.0]");
    let partly = run(&args!["measure", bench.case(&case), "--json", "-"]);
    assert_eq!(partly.status, 4, "{partly:#?}");
    let document = partly.document();
    let widths = list(&document, "/sites/0/widths");
    assert_eq!(widths.len(), 6);
    for width in widths {
        for key in ["/width_mm", "/u95_mm", "/buccal", "/lingual"] {
            assert!(at(width, key).is_null(), "{width:#}");
        }
        assert_near(number(width, "/at_least_mm"), 4.85, WITHIN_MM, "from 13 to 17.85");
    }
    assert!(at(&document, "/sites/0/min_width_mm").is_null());
    let told = codes(&document, "/sites/0/warnings");
    assert!(told.contains(&"outline-open") && told.contains(&"no-width"), "{told:?}");
    let seen = format!("({:.2} mm of it are visible)", number(&widths[0], "/at_least_mm"));
    assert!(partly.err.contains(&seen), "{seen} in {}", partly.err);
    // The wall on that side is not given, and nothing that needs it is called met.
    let fit = run(&args!["fit", bench.case(&case), "--json", "-"]);
    assert_eq!(fit.status, 4);
    let fit = fit.document();
    assert!(at(&fit, "/sites/0/fits/0/walls/buccal").is_null());
    assert_near(number(&fit, "/sites/0/fits/0/walls/lingual/wall_mm"), 1.0, WITHIN_MM, "lingual");
    let rule = at(&fit, "/sites/0/fits/0/rules/0");
    assert_eq!((text(rule, "/rule"), text(rule, "/verdict")), ("wall.buccal", "too close to call"));
    assert!(at(rule, "/found_mm").is_null() && at(rule, "/probability").is_null());
}

#[test]
fn missing_pixel_spacing_is_refused_with_its_tag_and_nothing_is_assumed() {
    let detector = ScanOptions::default().with_edit(|_, o| {
        o.remove_element(tags::PIXEL_SPACING);
        set(o, tags::IMAGER_PIXEL_SPACING, VR::DS, "0.40\\0.40");
    });
    let bench = Bench::of(base(), &detector);
    let refused = run(&args!["measure", bench.case(&p0_case()), "--json", "-"]);
    let parts = ["(0028,0030) PixelSpacing", "(0018,1164)", "cannot be used", "slice00"];
    refused.assert_error(3, "missing-attribute", &parts);
    let document = refused.document();
    for key in ["schema", "code", "message", "where"] {
        assert!(at(&document, &format!("/{key}")).is_string(), "{key}");
    }
    assert_eq!(text(&document, "/schema"), "jawgauge/error/1");
    // One file without it is as bad as all.
    let one = ScanOptions::default().with_edit(|k, o| {
        if k == 17 {
            o.remove_element(tags::PIXEL_SPACING);
        }
    });
    let refused = run(&args!["measure", Bench::of(base(), &one).case(&p0_case())]);
    assert_eq!(refused.status, 3, "{refused:#?}");
}

#[test]
fn a_signedness_that_lies_is_refused_with_its_tag_and_not_repaired() {
    let none = Rescale { slope: 1.0, intercept: 0.0 };
    let volume =
        sample_shape_as(Storage::Signed, p0_geometry(), none, p0_grey, 1).expect("sampled");
    let honest = Bench::of(&volume, &ScanOptions::default());
    let document = honest.document("measure", &p0_case());
    assert_near(number(&document, "/sites/0/widths/2/width_mm"), 6.0, 0.31, "within a voxel");
    let lying = ScanOptions::default().with_edit(|_, o| {
        o.put(DataElement::new(tags::PIXEL_REPRESENTATION, VR::US, PrimitiveValue::from(0_u16)));
    });
    let bench = Bench::of(&volume, &lying);
    for command in ["measure", "fit"] {
        let refused = run(&args![command, bench.case(&p0_case())]);
        refused.assert_error(3, "signedness", &["(0028,0103) PixelRepresentation", "slice00"]);
        assert_eq!(refused.out, "");
    }
}

#[test]
fn the_inspect_document_has_every_field_with_its_meaning() {
    let bench = Bench::p0();
    let inspect = run(&args!["inspect", bench.path("scan"), "--json", "-"]);
    assert_eq!(inspect.status, 0, "{inspect:#?}");
    let document = inspect.document();
    assert_eq!(text(&document, "/schema"), "jawgauge/inspect/1");
    assert!(at(&document, "/version").is_string() && at(&document, "/caution").is_string());
    let [volume] = list(&document, "/volumes") else { panic!("{document:#}") };
    assert!(text(volume, "/series").starts_with("2.25."));
    assert_eq!(at(volume, "/dims"), &serde_json::json!([120, 100, 80]));
    assert_near(distance(triple(volume, "/spacing_mm"), [0.3; 3]), 0.0, 1e-9, "spacing");
    // From voxel to patient: the base phantom's own grid.
    let rows = [
        [0.3, 0.0, 0.0, -17.85],
        [0.0, 0.3, 0.0, -14.85],
        [0.0, 0.0, 0.3, -11.85],
        [0.0, 0.0, 0.0, 1.0],
    ];
    for (r, row) in rows.iter().enumerate() {
        for (c, value) in row.iter().enumerate() {
            assert_near(number(volume, &format!("/affine/{r}/{c}")), *value, 1e-9, "affine");
        }
    }
    // Air and the marker ball.
    assert_eq!(at(volume, "/grey_range"), &serde_json::json!([-1000.0, 2500.0]));
    // DICOM PS3.6 annex A: Explicit VR Little Endian, CT Image Storage.
    assert_eq!(text(volume, "/transfer_syntax"), "1.2.840.10008.1.2.1");
    assert_eq!(text(volume, "/sop_class"), "1.2.840.10008.5.1.4.1.1.2");
    for (key, value) in [("identity_removed", true), ("names_patient", false), ("usable", true)] {
        assert_eq!(at(volume, &format!("/{key}")), &Value::Bool(value), "{key}");
    }
    assert_eq!(at(volume, "/files"), 80);
    assert!(list(volume, "/warnings").is_empty());
    assert!(P0_SITE.contains(common::SITE));
}

fn set(object: &mut InMemDicomObject, tag: Tag, vr: VR, value: &str) {
    object.put(DataElement::new(tag, vr, PrimitiveValue::from(value)));
}
