//! Drills, cores of threads, templates and bad fixtures, as `fit` tells them.

mod common;

use std::fs;

use common::{
    Bench, P0_FIXTURE, P0_HEAD, P0_POSE, P0_SITE, args, assert_near, codes, list, number, p0_case,
    run, text,
};
use dicom_core::value::DataSetSequence;
use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::{FileMetaTableBuilder, InMemDicomObject};
use serde_json::Value;

/// Walls of the base phantom, noise-free, mm.
const WITHIN_MM: f64 = 0.1;

/// A canal 2.6 mm above the base of the bone, 9.4 mm below the crest.
const CANAL: &str = "  [[site.limit]]\n  kind = \"nerve-canal\"\n  points = [[0.0, -9.0, -6.4], [0.0, 9.0, -6.4]]\n  keep_mm = 0.5\n";

/// The base case with the canal and whatever else.
fn case_with(fixture: &str, more: &str) -> String {
    [P0_HEAD, P0_SITE, P0_POSE, CANAL, fixture, more].concat()
}

const THIN: &str = "[[fixture]]\nid = \"thin\"\ndiameter_mm = 2.6\nlength_mm = 7.0\n";

#[test]
fn drills_are_told_step_by_step_and_where_they_leave_too_little() {
    let bench = Bench::p0();
    let drilling = "[drilling]\nover_run_mm = 0.5\ndrills = [{diameter_mm = 1.5, length_mm = 8.0},\n  {diameter_mm = 2.0, length_mm = 9.0}, {diameter_mm = 4.4, length_mm = 6.0}]\n";
    let case = bench.case(&case_with(THIN, drilling));
    let told = run(&args!["fit", case, "--json", bench.path("fit.json")]);
    assert_eq!(told.status, 0, "{told:#?}");
    let document = fs::read_to_string(bench.path("fit.json")).expect("written");
    let document: Value = serde_json::from_str(&document).expect("a document");
    let fit = &list(&document, "/sites/0/fits")[0];
    assert_eq!(text(fit, "/verdict"), "met", "drills do not count for the fixture");
    assert_eq!(text(fit, "/walls_to"), "threads");
    // 6 mm of bone, crest at z = 3, base at -9; the canal 9.4 mm below the crest.
    let steps = list(fit, "/drilling");
    let expected = [
        (1.5, 8.0, 8.5, 2.25, 3.5, 0.9, "met"),
        (2.0, 9.0, 9.5, 2.0, 2.5, -0.1, "not met"),
        (4.4, 6.0, 6.5, 0.8, 5.5, 2.9, "not met"),
    ];
    assert_eq!(steps.len(), expected.len());
    for (n, (step, (diameter, length, tip, wall, below, clear, verdict))) in
        steps.iter().zip(expected).enumerate()
    {
        assert_near(number(step, "/step"), (n + 1) as f64, 0.0, "counted from 1");
        assert_near(number(step, "/diameter_mm"), diameter, 1e-9, "diameter");
        assert_near(number(step, "/length_mm"), length, 1e-9, "length");
        assert_near(number(step, "/tip_depth_mm"), tip, 1e-9, "tip");
        for side in ["buccal", "lingual"] {
            assert_near(number(step, &format!("/walls/{side}/wall_mm")), wall, WITHIN_MM, side);
            assert!(number(step, &format!("/walls/{side}/u95_mm")) > 0.0);
        }
        // The widest drill's rim is nearer to corners of the base that the blur rounds.
        assert_near(number(step, "/walls/apex/wall_mm"), below, 0.2, "below the tip");
        assert_eq!(text(step, "/nearest/to"), "nerve-canal");
        assert_near(number(step, "/nearest/clearance_mm"), clear, 0.05, "to the canal");
        assert_near(number(step, "/nearest/required_mm"), 0.5, 1e-9, "to be kept");
        assert_eq!(text(step, "/verdict"), verdict, "step {}", n + 1);
        assert!(list(step, "/rules").len() >= 3);
    }
    assert_near(number(fit, "/drilling_short_at"), 2.0, 0.0, "the first that is short");
    let line = told.out.lines().find(|l| l.contains("Less than is required")).expect("a line");
    assert!(line.contains("step 2 (drill of 2.00 mm)") && line.contains("nerve canal"), "{line}");
    assert!(codes(&document, "/sites/0/warnings").contains(&"drilling-short"));
    assert!(told.err.contains("warning[drilling-short]"), "{}", told.err);
    let strict = run(&args!["fit", case, "--require", "--json", "-"]);
    assert_eq!(strict.status, 5, "{strict:#?}");

    // A fixture's own drills go before those of the case; an empty list is none.
    for (own, steps) in
        [("drills = [{diameter_mm = 1.0, length_mm = 5.0}]\n", 1), ("drills = []\n", 0)]
    {
        let fixture = [THIN, own].concat();
        let document = bench.document("fit", &case_with(&fixture, drilling));
        let fit = &list(&document, "/sites/0/fits")[0];
        assert_eq!(list(fit, "/drilling").len(), steps);
        assert!(fit["drilling_short_at"].is_null());
    }
    let usual = drilling.replace("over_run_mm = 0.5\n", "");
    let document = bench.document("fit", &case_with(THIN, &usual));
    let tip = number(&document, "/sites/0/fits/0/drilling/0/tip_depth_mm");
    assert_near(tip, 9.0, 1e-9, "a millimetre beyond the mark where nobody says");
}

#[test]
fn walls_are_told_to_the_core_where_that_is_asked_for() {
    let bench = Bench::p0();
    let fixture = [P0_FIXTURE, "core_diameter_mm = 3.2\n"].concat();
    for (to, wall) in [("threads", 1.0), ("core", 1.4)] {
        let case = case_with(&fixture, &format!("[walls]\nto = \"{to}\"\n"));
        let told = run(&args!["fit", bench.case(&case)]);
        assert_eq!(told.out.contains("measured to the core"), to == "core", "{}", told.out);
        let pictures = bench.path(to);
        let drawn = run(&args!["fit", bench.path("case.toml"), "--out", pictures]);
        assert_eq!(drawn.status, 0, "{drawn:#?}");
        let map = fs::read_to_string(pictures.join("site-1-middle-of-the-box-walls.svg"));
        let map = map.expect("a picture");
        assert_eq!(map.contains("Walls are to the core"), to == "core", "{to}");
        let document = bench.document("fit", &case);
        let fit = &list(&document, "/sites/0/fits")[0];
        assert_eq!(text(fit, "/walls_to"), to);
        for side in ["buccal", "lingual"] {
            assert_near(number(fit, &format!("/walls/{side}/wall_mm")), wall, WITHIN_MM, side);
        }
        // The apex 8 mm below the crest, the canal 9.4 mm: as it was.
        assert_near(number(fit, "/clearances/0/clearance_mm"), 1.4, 0.01, "to the canal");
    }
}

fn put(object: &mut InMemDicomObject, tag: Tag, vr: VR, value: impl Into<PrimitiveValue>) {
    object.put(DataElement::new(tag, vr, value.into()));
}

fn sequence(tag: Tag, item: InMemDicomObject) -> DataElement<InMemDicomObject> {
    DataElement::new(tag, VR::SQ, DataSetSequence::from(vec![item]))
}

/// Writes a template named "Body 4.1 by 8"; with a mesh, a cylinder of 4.2 x 8 mm of 72 sides.
fn write_template(bench: &Bench, sop_class: &str, with_mesh: bool) {
    let mut o = InMemDicomObject::new_empty();
    put(&mut o, tags::SOP_CLASS_UID, VR::UI, sop_class);
    put(&mut o, tags::SOP_INSTANCE_UID, VR::UI, "1.2.3");
    put(&mut o, tags::IMPLANT_NAME, VR::LO, "Body");
    put(&mut o, tags::IMPLANT_SIZE, VR::LO, "4.1 by 8");
    put(&mut o, tags::OVERALL_TEMPLATE_SPATIAL_TOLERANCE, VR::FD, 0.03_f64);
    if with_mesh {
        let (radius, sides) = (2.1_f32, 72_u16);
        let mut points = vec![0.0, 0.0, 0.0, 0.0, 0.0, 8.0];
        let mut numbers: Vec<u32> = Vec::new();
        for n in 0..sides {
            let (sin, cos) = (f32::from(n) / f32::from(sides) * std::f32::consts::TAU).sin_cos();
            points.extend([radius * cos, radius * sin, 0.0, radius * cos, radius * sin, 8.0]);
            let at = |n: u16| 3 + 2 * u32::from(n % sides);
            let (a, b) = (at(n), at(n + 1));
            numbers.extend([1, a, b, 2, a + 1, b + 1, a, b, b + 1, a, b + 1, a + 1]);
        }
        let count = u32::from(2 + 2 * sides);
        let points = InMemDicomObject::from_element_iter([
            DataElement::new(tags::NUMBER_OF_SURFACE_POINTS, VR::UL, PrimitiveValue::from(count)),
            DataElement::new(
                tags::POINT_COORDINATES_DATA,
                VR::OF,
                PrimitiveValue::F32(points.into()),
            ),
        ]);
        let joined = InMemDicomObject::from_element_iter([DataElement::new(
            tags::LONG_TRIANGLE_POINT_INDEX_LIST,
            VR::OL,
            PrimitiveValue::U32(numbers.into()),
        )]);
        let surface = InMemDicomObject::from_element_iter([
            DataElement::new(tags::SURFACE_NUMBER, VR::UL, PrimitiveValue::from(1_u32)),
            sequence(tags::SURFACE_POINTS_SEQUENCE, points),
            sequence(tags::SURFACE_MESH_PRIMITIVES_SEQUENCE, joined),
        ]);
        o.put(sequence(tags::SURFACE_SEQUENCE, surface));
    }
    let meta = FileMetaTableBuilder::new()
        .transfer_syntax(uids::EXPLICIT_VR_LITTLE_ENDIAN)
        .media_storage_sop_class_uid(sop_class)
        .media_storage_sop_instance_uid("1.2.3");
    let object = o.with_meta(meta).expect("meta information");
    object.write_to_file(bench.path("t.dcm")).expect("written");
}

const OF_TEMPLATE: &str = "[[fixture]]\ntemplate = \"t.dcm\"\n";

#[test]
fn a_template_gives_its_body_its_name_and_its_tolerance() {
    let bench = Bench::p0();
    write_template(&bench, uids::GENERIC_IMPLANT_TEMPLATE_STORAGE, true);
    let document = bench.document("fit", &case_with(OF_TEMPLATE, ""));
    let fit = &list(&document, "/sites/0/fits")[0];
    assert_eq!(text(fit, "/fixture"), "Body 4.1 by 8");
    assert_near(number(fit, "/diameter_mm"), 4.2, 0.01, "of the mesh, not of the text");
    assert_near(number(fit, "/length_mm"), 8.0, 0.01, "length");
    // 4.2 mm of 6, and 8 of 9.4 mm, as the mesh has it, whatever the text of its size says.
    assert_near(number(fit, "/walls/buccal/wall_mm"), 0.9, WITHIN_MM, "buccal");
    assert_near(number(fit, "/clearances/0/clearance_mm"), 1.4, 0.02, "to the canal");
    let of_fixture = |at: &str| {
        let found = list(fit, at).iter().find(|b| b["source"] == "fixture").expect("its tolerance");
        number(found, "/u_mm")
    };
    for at in ["/walls/buccal/budget", "/clearances/0/budget"] {
        assert_near(of_fixture(at), 0.03 / 3.0_f64.sqrt(), 1e-4, "JCGM 100:2008, 4.3.7");
    }
    // Without a mesh, by sizes beside it.
    write_template(&bench, uids::GENERIC_IMPLANT_TEMPLATE_STORAGE, false);
    let sizes = "id = \"mine\"\ndiameter_mm = 4.0\nlength_mm = 8.0\n";
    let document = bench.document("fit", &case_with(&[OF_TEMPLATE, sizes].concat(), ""));
    let fit = &list(&document, "/sites/0/fits")[0];
    assert_eq!(text(fit, "/fixture"), "mine");
    assert_near(number(fit, "/walls/buccal/wall_mm"), 1.0, WITHIN_MM, "buccal");
}

/// `fit` is refused with status 2 and one line that has all `parts`, and nothing is written.
fn refused(bench: &Bench, fixtures: &str, code: &str, parts: &[&str]) {
    let case = bench.case(&case_with(fixtures, ""));
    let before = bench.files();
    let failed = run(&args!["fit", case, "--out", bench.path("out"), "--json", "-"]);
    failed.assert_error(2, code, parts);
    assert_eq!(text(&failed.document(), "/code"), code);
    assert_eq!(bench.files(), before, "nothing is written");
}

#[test]
fn fixtures_that_cannot_be_read_are_refused_with_file_line_and_key() {
    let bench = Bench::empty();
    let plain = "[[fixture]]\nid = \"a\"\ndiameter_mm = 4.0\nlength_mm = 8.0\n";
    let with = |more: &str| [plain, more].concat();
    let drills = |first: &str, second: &str| {
        with(&format!(
            "drills = [{{diameter_mm = {first}, length_mm = 8.0}},\n  {{diameter_mm = {second}, length_mm = 8.0}}]\n"
        ))
    };
    for (fixtures, parts) in [
        (
            drills("2.0", "1.8"),
            &["`diameter_mm`: 1.8 mm follows a drill of 2 mm", "order of use"][..],
        ),
        (
            drills("2.0", "18"),
            &["`diameter_mm`: 18", "[[fixture.drills]] 2 of [[fixture]] 1", "0.5 to 10"],
        ),
        (drills("0", "2.0"), &["`diameter_mm`: 0 is out of range", "[[fixture.drills]] 1"]),
        (drills("2.0", "nan"), &["`diameter_mm`", "finite"]),
        (with("drills = [{diameter_mm = 2.0, length_mm = 80.0}]\n"), &["`length_mm`: 80"]),
        (with("drills = [{diameter_mm = 2.0}]\n"), &["`length_mm` is missing"]),
        (with("drills = [2.0, 2.8]\n"), &["`drills`: not a list of tables"]),
        (with("[drilling]\nover_run_mm = 9\n"), &["`over_run_mm`: 9", "0 to 3"]),
        (with("core_diameter_mm = 4.0\n"), &["`core_diameter_mm`", "less than the widest, 4 mm"]),
        (with("core_diameter_mm = 1.0\n"), &["`core_diameter_mm`", "at least half"]),
        (
            with("apex_diameter_mm = 0.5\ncore_diameter_mm = 3.2\n"),
            &["`core_diameter_mm`", "no core at a depth of 8 mm"],
        ),
        (with("[walls]\nto = \"core\"\n"), &["`to`: fixture \"a\" gives no core"]),
        (with("[walls]\nto = \"bone\"\n"), &["`to`: \"bone\"", "\"core\""]),
        (plain.replace("\"a\"", "\" \""), &["`id`: empty"]),
        (
            "[[fixture]]\nid = \"a\"\nstl = \"case.toml\"\n".to_owned(),
            &["`stl`: it is no file of triangles"],
        ),
        ("[[fixture]]\nid = \"a\"\nstl = \"none.stl\"\n".to_owned(), &["`stl`: it cannot be read"]),
        (
            "[[fixture]]\ntemplate = \"case.toml\"\n".to_owned(),
            &["`template`: it is no DICOM file"],
        ),
        ("[[fixture]]\ntemplate = \"none.dcm\"\n".to_owned(), &["`template`: it cannot be read"]),
        (with("stl = \"a.stl\"\ntemplate = \"t.dcm\"\n"), &["`stl`: given beside `template`"]),
    ] {
        let key_and_line = [parts, &["case.toml line "]].concat();
        let code = if parts[0].contains("missing") { "case-missing-key" } else { "case-value" };
        refused(&bench, &fixtures, code, &key_and_line);
    }
    let typo = with("drills = [{diametre_mm = 2.0, length_mm = 8.0}]\n");
    refused(&bench, &typo, "case-unknown-key", &["\"diametre_mm\"", "`diameter_mm`"]);
    fs::write(
        bench.path("list.toml"),
        "schema = \"fixtures/1\"\n[[fixture]]\nid = \"a\"\nlenght_mm = 8.0\n",
    )
    .expect("written");
    let case = ["fixtures = \"list.toml\"\n", &p0_case()].concat();
    let failed = run(&args!["fit", bench.case(&case)]);
    let parts = ["\"lenght_mm\"", "list.toml line 4", "`length_mm`"];
    failed.assert_error(2, "case-unknown-key", &parts);
}

#[test]
fn templates_that_tell_no_body_are_refused() {
    let bench = Bench::empty();
    write_template(&bench, uids::GENERIC_IMPLANT_TEMPLATE_STORAGE, false);
    let parts = ["`template`", "no surface", "\"4.1 by 8\"", "`diameter_mm` and `length_mm`"];
    refused(&bench, OF_TEMPLATE, "case-value", &parts);
    write_template(&bench, uids::GENERIC_IMPLANT_TEMPLATE_STORAGE, true);
    let contradicts = [OF_TEMPLATE, "diameter_mm = 4.0\nlength_mm = 8.0\n"].concat();
    let parts = ["`diameter_mm`: 4 mm contradicts", "4.20 mm"];
    refused(&bench, &contradicts, "case-value", &parts);
    let twice = [OF_TEMPLATE, OF_TEMPLATE].concat();
    refused(&bench, &twice, "case-value", &["\"Body 4.1 by 8\" is given twice"]);
    write_template(&bench, uids::IMPLANT_ASSEMBLY_TEMPLATE_STORAGE, false);
    let parts =
        ["(0008,0016) SOPClassUID", "Implant Assembly Template", "1.2.840.10008.5.1.4.43.1"];
    refused(&bench, OF_TEMPLATE, "case-value", &parts);
}

#[test]
fn what_a_minus_sign_alone_would_say_is_said_in_words() {
    let bench = Bench::p0();
    let root = "  [[site.neighbour]]\n  tooth = \"34\"\n  root = [[0.0, -3.0, 4.0], [0.0, -1.0, -8.0]]\n  root_diameter_mm = 4.0\n";
    let long = P0_FIXTURE.replace("8.0", "13.0");
    let through = [P0_HEAD, P0_SITE, P0_POSE, CANAL, root, &long].concat();
    let beside = p0_case().replace("platform = [0.0", "platform = [4.2");
    for (case, expected) in [
        (
            &through,
            &[
                ("apex-out-of-bone", "1.0"),
                ("root-in-fixture", "the root of tooth 34"),
                ("limit-in-fixture", "the nerve canal"),
            ][..],
        ),
        (&beside, &[("hardly-in-bone", "% of the surface")]),
    ] {
        let told = run(&args!["fit", bench.case(case), "--json", "-"]);
        assert_eq!(told.status, 0, "{told:#?}");
        let document = told.document();
        for (code, words) in expected {
            let of = list(&document, "/sites/0/warnings");
            let warning = of.iter().find(|w| text(w, "/code") == *code);
            let message = text(warning.unwrap_or_else(|| panic!("{code}: {of:#?}")), "/message");
            assert!(message.contains(words) && message.contains("4.0 x 8"), "{message}");
            assert!(told.err.contains(&format!("warning[{code}]: ")), "{}", told.err);
        }
    }
}

#[test]
fn a_pose_that_cannot_be_meant_is_one_line_for_all_fixtures() {
    let bench = Bench::p0();
    let two = [p0_case(), P0_FIXTURE.replace("4.0 x 8", "other")].concat();
    for (old, new, code, parts) in [
        (
            "platform = [0.0",
            "platform = [200.0",
            "pose-outside-scan",
            &["(200.0, 0.0, 3.0)", "`platform`"][..],
        ),
        (
            "apical = [0.0, 0.0, -1.0]",
            "apical = [0.0, 0.0, 1.0]",
            "pose-points-away",
            &["degrees away", "into the jaw"],
        ),
    ] {
        // Off the site's section, so that a section of its own is needed.
        let case = two.replace(old, new).replace("apical = [0.0, 0.0", "apical = [0.0, 0.1");
        let failed = run(&args!["fit", bench.case(&case), "--json", "-"]);
        failed.assert_error(4, code, &[parts, &["\"middle of the box\""]].concat());
        let document = failed.document();
        assert_eq!(list(&document, "/failed").len(), 2, "each fixture is listed in the document");
        assert!(list(&document, "/sites/0/fits").is_empty());
    }
}
