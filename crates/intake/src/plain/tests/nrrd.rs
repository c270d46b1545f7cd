use std::io::BufReader;

use super::*;

/// LPS rows of the map of [`nrrd_text`].
const ALONG_LPS: [[f64; 4]; 3] =
    [[0.3, 0.0, 0.0, -10.0], [0.0, 0.4, 0.0, 20.0], [0.0, 0.0, 0.5, 30.0]];

#[test]
fn a_header_is_read_as_it_stands() {
    let text = nrrd_text(&[]);
    assert_eq!(recognise(text.as_bytes()), Some(PlainKind::Nrrd));
    let volume = nrrd_volume(&[]);
    assert_eq!(volume.dims, [4, 3, 5]);
    assert_eq!((volume.code, volume.big_endian, volume.gzip), (VoxelCode::I16, false, false));
    assert_eq!(volume.rescale, Rescale { slope: 1.0, intercept: 0.0 });
    assert_eq!(volume.place, DataPlace::SameFile);
    let at = text.len() as u64;
    assert_eq!(volume.start, DataStart { at, lines: 0, bytes: Some(0) });
    assert_eq!(volume.voxel_bytes, VOXELS);
    assert!(!volume.texts_present);
    assert_eq!(volume.notes, []);
    assert_rows(&volume.affine, ALONG_LPS, 1e-12);

    // Lines may end as on other systems, names may be capital or without blanks.
    let other = text.replace('\n', "\r\n").replace("space directions", "Space Directions");
    let other = other.replace("space origin", "spaceorigin").replace("raw", "RAW");
    let volume = nrrd_parsed(&other).expect("a volume");
    assert_eq!(volume.start.at, other.len() as u64);
    assert_rows(&volume.affine, ALONG_LPS, 1e-12);
    for magic in ["NRRD0001", "NRRD0005"] {
        assert!(nrrd_parsed(&text.replace("NRRD0004", magic)).is_ok(), "{magic}");
    }
    for magic in ["NRRD0006", "NRRD0000", "NRRD4", "NRRD00041"] {
        let fault = nrrd_parsed(&text.replace("NRRD0004", magic)).expect_err("refused");
        assert_eq!(fault.to_string(), "line 1 of the header is not NRRD0001 to NRRD0005");
    }
}

#[test]
fn spaces_of_other_axes_are_turned_into_lps() {
    let turned = |x: f64, y: f64| {
        let mut rows = ALONG_LPS;
        rows[0] = rows[0].map(|c| c * x);
        rows[1] = rows[1].map(|c| c * y);
        rows
    };
    for (names, x, y) in [
        (["left-posterior-superior", "LPS"], 1.0, 1.0),
        (["right-anterior-superior", "RAS"], -1.0, -1.0),
        (["left-anterior-superior", "LAS"], 1.0, -1.0),
    ] {
        for name in names {
            let affine = nrrd_volume(&[("space", name)]).affine;
            assert_rows(&affine, turned(x, y), 1e-12);
        }
    }
    for name in ["scanner-xyz", "3D-right-handed", "right-up", "LPST"] {
        let fault = nrrd_fault(&[("space", name)]);
        assert!(fault.starts_with(&format!("space is \"{name}\", not left-posterior")), "{fault}");
    }
}

#[test]
fn every_spelling_of_a_type_is_known() {
    // The table of types in the format's definition, from memory.
    for (code, bytes, names) in [
        (VoxelCode::I8, 1, "signed char|int8|int8_t"),
        (VoxelCode::U8, 1, "uchar|unsigned char|uint8|uint8_t"),
        (VoxelCode::I16, 2, "short|short int|signed short|signed short int|int16|int16_t"),
        (VoxelCode::U16, 2, "ushort|unsigned short|unsigned short int|uint16|uint16_t"),
        (VoxelCode::I32, 4, "int|signed int|int32|int32_t"),
        (VoxelCode::U32, 4, "uint|unsigned int|uint32|uint32_t"),
        (VoxelCode::F32, 4, "float"),
        (VoxelCode::F64, 8, "double"),
    ] {
        for name in names.split('|') {
            let volume = parse_nrrd(nrrd_text(&[("type", name)]).as_bytes(), None).expect(name);
            assert_eq!((volume.code, volume.voxel_bytes), (code, 60 * bytes));
        }
    }
    for name in ["long long int", "int64", "ulonglong", "block", "char"] {
        assert!(nrrd_fault(&[("type", name)]).starts_with(&format!("type is \"{name}\"")));
    }
}

#[test]
fn no_needed_field_is_assumed() {
    for field in [
        "type",
        "dimension",
        "space",
        "sizes",
        "space directions",
        "endian",
        "encoding",
        "space origin",
    ] {
        assert_eq!(nrrd_fault(&[(field, "")]), format!("{field} is missing"));
    }
    let single = [("endian", ""), ("type", "uchar")];
    let text = nrrd_text(&single);
    assert!(parse_nrrd(text.as_bytes(), Some(text.len() as u64 + 60)).is_ok(), "one byte a voxel");
    let spacings = nrrd_fault(&[("space directions", ""), ("spacings", "0.3 0.4 0.5")]);
    assert_eq!(
        spacings,
        "space directions is missing (spacings is there, but it cannot be used in its place)"
    );
    let untied = nrrd_fault(&[("space", ""), ("space dimension", "3")]);
    assert!(untied.starts_with("space is missing (space dimension is there"), "{untied}");
}

#[test]
fn values_that_cannot_be_used_are_named() {
    let three = |v: &str| format!("{v} (0,0.4,0) (0,0,0.5)");
    for (field, value) in [
        ("dimension", "4"),
        ("sizes", "4 3"),
        ("sizes", "4 3 5 6"),
        ("sizes", "4 3 -5"),
        ("sizes", "4 3 1"),
        ("sizes", "4 3 65536"),
        ("sizes", "18446744073709551615 18446744073709551615 18446744073709551615"),
        ("encoding", "ascii"),
        ("encoding", "text"),
        ("encoding", "hex"),
        ("encoding", "bzip2"),
        ("encoding", "bz2"),
        ("endian", "middle"),
        ("kinds", "vector domain domain"),
        ("kinds", "domain domain"),
        ("space directions", &three("none")),
        ("space directions", &three("(nan,0,0)")),
        ("space directions", &three("(inf,0,0)")),
        ("space directions", &three("(0.3,0)")),
        ("space directions", &three("(0.3;0;0)")),
        ("space directions", &three("(0.3,0,0")),
        ("space directions", &three("(0.3\\0,0,0)")),
        ("space directions", "(0.3,0,0) (0,0.4,0)"),
        ("space origin", "(0,0,0) (0,0,0)"),
        ("space origin", "0 0 0"),
        ("space origin", "(1e999,0,0)"),
        ("space origin", "(1e6,0,0)"),
        ("space units", "\"cm\" \"cm\" \"cm\""),
        ("space units", "\"mm\" \"mm\""),
        ("line skip", "-1"),
        ("byte skip", "-2"),
        ("byte skip", "1.5"),
        ("data file", "LIST"),
        ("data file", "LIST 2"),
        ("data file", "slice%03d.raw 1 5 1"),
        ("data file", "../voxels.raw"),
        ("data file", "/voxels.raw"),
        ("data file", "C:voxels.raw"),
        ("data file", "..\\voxels.raw"),
        ("data file", ".."),
    ] {
        let fault = nrrd_fault(&[(field, value)]);
        assert!(fault.starts_with(&format!("{field} is \"")), "{fault}");
        // Values of geometry are shown as numbers, all others as they stand.
        let shown = fault.contains(value) || fault.contains("coordinates within");
        assert!(shown, "{fault}");
    }
    // Steps are judged as everywhere.
    for (first, named) in [
        ("(11,0,0)", "not steps of 0.02 to 10 mm"),
        ("(0.001,0,0)", "not steps of 0.02 to 10 mm"),
        ("(0,0.3,0)", "span 0.0000 of the box"),
    ] {
        let fault = nrrd_fault(&[("space directions", &three(first))]);
        assert!(fault.starts_with("space directions is") && fault.contains(named), "{fault}");
    }
    let packed = nrrd_fault(&[("encoding", "gzip"), ("byte skip", "-1")]);
    assert!(packed.starts_with("byte skip is \"-1\", not 0"), "{packed}");
}

#[test]
fn a_field_that_is_there_twice_is_refused_whatever_its_spelling() {
    for (one, two) in [
        ("sizes: 4 3 5", "sizes: 4 3 5"),
        ("space origin: (0,0,0)", "SpaceOrigin: (0,0,0)"),
        ("centers: cell cell cell", "centerings: cell cell cell"),
    ] {
        let text = nrrd_text(&[("sizes", ""), ("space origin", "")]);
        let text = text.replacen("type", &format!("{one}\n{two}\ntype"), 1);
        let fault = nrrd_parsed(&text).expect_err("refused").to_string();
        assert!(fault.contains("is there twice, the second time in line 3"), "{fault}");
    }
}

#[test]
fn comments_and_keys_are_passed_over_and_never_shown() {
    let with = |line: &str| nrrd_text(&[]).replacen("type", &format!("{line}\ntype"), 1);
    for line in [
        "# NAME^OF A",
        "NAME:=A",
        "NAME: A:=B",
        "content: NAME^OF A",
        "labels: \"NAME\" \"b\" \"c\"",
    ] {
        let volume = nrrd_parsed(&with(line)).expect(line);
        assert!(volume.texts_present, "{line}");
        assert!(!format!("{volume:?}").contains("NAME"));
    }
    for line in ["NAME^OF A", "NAME: A", "sizes:4 3 5", " type: short"] {
        let fault = nrrd_parsed(&with(line)).expect_err(line).to_string();
        assert!(fault.starts_with("line 2 of the header is no comment"), "{fault}");
        assert!(!fault.contains("NAME"));
    }
    // Latin-1 in a comment is nobody's business, in a field it is.
    let mut bytes = with("# A").into_bytes();
    bytes[11] = 0xE9;
    assert!(parse_nrrd(&bytes, None).is_ok());
    let mut bytes = with("endian: little").into_bytes();
    bytes[18] = 0xE9;
    assert!(matches!(parse_nrrd(&bytes, None), Err(PlainFault::Line { line: 2, .. })));
    let notice = with("# http://teem.sourceforge.net/nrrd/format.html");
    assert!(!nrrd_parsed(&notice).expect("read").texts_present);
}

#[test]
fn what_is_not_used_or_not_said_is_told() {
    let notes = |changes| nrrd_volume(changes).notes;
    assert_eq!(notes(&[("space units", "")]), [PlainNote::UnitNotSaid { field: "space units" }]);
    assert_eq!(
        notes(&[("old min", "0"), ("old max", "4095")]),
        [PlainNote::NotUsed { field: "old min" }, PlainNote::NotUsed { field: "old max" }]
    );
    assert_eq!(notes(&[("spacings", "nan nan nan")]), []);
    assert_eq!(notes(&[("spacings", "0.3 0.4 0.5")]), []);
    let [PlainNote::SpacingDisagrees { field: "spacings", axis: 2, said_mm, step_mm }] =
        notes(&[("spacings", "0.3 0.4 1")])[..]
    else {
        panic!("no note");
    };
    assert!((said_mm - 1.0).abs() < 1e-12 && (step_mm - 0.5).abs() < 1e-12);
    // These do not move a voxel.
    let idle = [
        ("measurement frame", "(0,1,0) (1,0,0) (0,0,1)"),
        ("centerings", "node node node"),
        ("thicknesses", "9 9 9"),
        ("min", "-5"),
        ("sample units", "NAME"),
    ];
    let volume = nrrd_volume(&idle);
    assert_eq!(volume.notes, []);
    assert_rows(&volume.affine, ALONG_LPS, 1e-12);
}

#[test]
fn voxels_may_begin_elsewhere() {
    let length = |text: &str| text.len() as u64;
    // Attached, some bytes passed over.
    let text = nrrd_text(&[("byte skip", "7")]);
    let read = |more| parse_nrrd(text.as_bytes(), Some(length(&text) + more));
    assert_eq!(read(VOXELS + 7).expect("read").start.bytes, Some(7));
    assert!(matches!(read(VOXELS + 6), Err(PlainFault::TooShort { .. })));
    assert!(matches!(read(VOXELS + 7 + 24), Err(PlainFault::TooLong { slice: 24, .. })));
    assert_eq!(read(VOXELS + 30).expect("read").notes, [PlainNote::SurplusBytes { surplus: 23 }]);
    let far = nrrd_fault(&[("byteskip", "18446744073709551615")]);
    assert!(far.contains("ask for 18446744073709551615 bytes"), "{far}");
    // From the end: what comes before is passed over.
    let text = nrrd_text(&[("byte skip", "-1")]);
    let volume = parse_nrrd(text.as_bytes(), Some(length(&text) + VOXELS + 500)).expect("read");
    assert_eq!((volume.start.bytes, volume.notes.len()), (None, 0));

    // In a file of their own, whose header may end without an empty line.
    let text = nrrd_text(&[("data file", "voxels 1.raw"), ("line skip", "2")]);
    let text = text.trim_end();
    let volume = parse_nrrd(text.as_bytes(), Some(length(text))).expect("read");
    assert_eq!(volume.place, DataPlace::Beside("voxels 1.raw".to_owned()));
    assert_eq!(volume.start, DataStart { at: 0, lines: 2, bytes: Some(0) });
    let unfinished = parse_nrrd(text.as_bytes(), Some(length(text) + 1));
    assert_eq!(unfinished, Err(PlainFault::HeaderEnd { bytes: text.len() }));

    let mut lines = BufReader::with_capacity(3, &b"one\n\nlonger than the buffer\nrest"[..]);
    assert_eq!(skip_lines(&mut lines, 3).expect("read"), Some(28));
    assert_eq!(skip_lines(&mut lines, 1).expect("read"), None);
    assert_eq!(skip_lines(&mut &b"one"[..], 0).expect("read"), Some(0));
}

#[test]
fn headers_without_end_are_refused() {
    let filler = "# filler\n".repeat(HEAD_BYTES / 9 + 1);
    let text = nrrd_text(&[]).replacen("type", &format!("{filler}type"), 1);
    for length in [None, Some(text.len() as u64), Some(u64::MAX)] {
        let fault = parse_nrrd(text.as_bytes(), length);
        assert_eq!(fault, Err(PlainFault::HeaderEnd { bytes: HEAD_BYTES }));
    }
    let long = nrrd_text(&[]).replacen("type", &format!("# {}\ntype", "x".repeat(20_000)), 1);
    let fault = nrrd_parsed(&long).expect_err("refused").to_string();
    assert_eq!(fault, "line 2 of the header is longer than 16384 bytes");
}
