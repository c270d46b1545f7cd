//! Faults put into written files: the bytes are where they were asked to be.

use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};
use dicom_object::{DefaultDicomObject, from_reader, open_file};
use jawgauge_phantom::damage::{
    ITEM_DELIMITER, SEQUENCE_DELIMITER, UNDEFINED, data_set_start, edit_file, explicit_element,
    find, implicit_element, insert_before, item, items, nested_sequences, remove_meta_element,
    replace, set_declared_length, set_meta_group_length, set_meta_value, set_preamble, strip_meta,
    strip_preamble, undefined_sequence,
};
use jawgauge_phantom::{PhantomError, ScanOptions, ScanSyntax, p0_geometry, p0_rescale};
use jawgauge_phantom::{sample_shape, write_scan};
use jawgauge_volume::VolumeGeometry;

const CREATOR: Tag = Tag(0x0009, 0x0010);
const PRIVATE: Tag = Tag(0x0009, 0x1001);
const NESTED: Tag = Tag(0x0040, 0xA730);

/// One slice of 4 x 3 voxels as a file.
fn slice(syntax: ScanSyntax) -> Vec<u8> {
    let dir = tempfile::tempdir().expect("a folder");
    let geometry = VolumeGeometry::new([4, 3, 1], *p0_geometry().affine()).expect("a grid");
    let volume = sample_shape(geometry, p0_rescale(), |_| 0.0, 1).expect("a volume");
    let options = ScanOptions::default().with_syntax(syntax);
    let files = write_scan(dir.path(), &volume, &options).expect("written");
    std::fs::read(&files[0]).expect("read")
}

fn explicit() -> Vec<u8> {
    slice(ScanSyntax::ExplicitLittleEndian)
}

fn read(file: &[u8]) -> DefaultDicomObject {
    from_reader(file).expect("readable")
}

#[test]
fn elements_are_found_in_every_coding() {
    for syntax in [
        ScanSyntax::ExplicitLittleEndian,
        ScanSyntax::ImplicitLittleEndian,
        ScanSyntax::ExplicitBigEndian,
    ] {
        let file = slice(syntax);
        let rows = find(&file, tags::ROWS).expect("rows");
        assert_eq!(rows.declared, 2);
        assert_eq!(rows.big_endian, syntax == ScanSyntax::ExplicitBigEndian);
        let value = if rows.big_endian { [0, 3] } else { [3, 0] };
        assert_eq!(file[rows.value], value, "{syntax:?}");
        let pixels = find(&file, tags::PIXEL_DATA).expect("pixels");
        assert_eq!((pixels.value.len(), pixels.end), (24, file.len()));
        let uid = find(&file, tags::TRANSFER_SYNTAX_UID).expect("a meta element");
        let text = std::str::from_utf8(&file[uid.value]).expect("text");
        assert_eq!(text.trim_end_matches('\0'), syntax.uid());
        let missing = find(&file, tags::NUMBER_OF_FRAMES).expect_err("not there");
        let expected = PhantomError::NoElement { group: 0x0028, element: 0x0008 };
        assert_eq!(missing.to_string(), expected.to_string());
    }
}

#[test]
fn an_element_is_put_in_front_of_a_tag() {
    let mut file = explicit();
    let raw = explicit_element(CREATOR, *b"LO", 4, b"test");
    insert_before(&mut file, tags::PATIENT_NAME, &raw).expect("put in");
    let object = read(&file);
    assert_eq!(object.element(CREATOR).expect("there").to_str().expect("text"), "test");
    assert_eq!(
        find(&file, tags::PATIENT_NAME).expect("there").at,
        find(&file, CREATOR).expect("there").end
    );
    let end = file.len();
    insert_before(&mut file, Tag(0xFFFC, 0xFFFC), b"tail").expect("put at the end");
    assert_eq!(&file[end..], b"tail");
}

#[test]
fn a_declared_length_changes_nothing_else() {
    let (mut file, whole) = (explicit(), explicit());
    set_declared_length(&mut file, tags::PIXEL_DATA, 24 + 992).expect("set");
    let place = find(&whole, tags::PIXEL_DATA).expect("pixels");
    assert_eq!(file[..place.at + 8], whole[..place.at + 8]);
    assert_eq!(file[place.at + 8..place.at + 12], 1016_u32.to_le_bytes());
    assert_eq!(file[place.value.start..], whole[place.value.start..]);
    let mut short = explicit();
    let long = set_declared_length(&mut short, tags::ROWS, 70_000);
    assert!(matches!(long, Err(PhantomError::TooLong { bytes: 70_000 })));
    set_declared_length(&mut short, tags::ROWS, 3).expect("set");
    assert_eq!(find(&short, tags::ROWS).expect("rows").declared, 3);
    // The swapped length of a big endian file.
    let mut big = slice(ScanSyntax::ExplicitBigEndian);
    set_declared_length(&mut big, tags::PIXEL_DATA, 22).expect("set");
    assert_eq!(find(&big, tags::PIXEL_DATA).expect("pixels").value.len(), 22);
}

#[test]
fn an_element_is_replaced_or_taken_away() {
    let mut file = explicit();
    replace(&mut file, tags::ROWS, &explicit_element(tags::ROWS, *b"US", 2, &[9, 0]))
        .expect("replaced");
    replace(&mut file, tags::PIXEL_SPACING, &[]).expect("taken away");
    let object = read(&file);
    assert_eq!(object.element(tags::ROWS).expect("rows").to_int::<u16>().expect("a number"), 9);
    assert!(object.get(tags::PIXEL_SPACING).is_none());
    assert!(replace(&mut file, tags::PIXEL_SPACING, &[]).is_err());
}

#[test]
fn the_meta_group_is_changed_and_mended() {
    let mut file = explicit();
    let length = |file: &[u8]| {
        let place = find(file, tags::FILE_META_INFORMATION_GROUP_LENGTH).expect("a length");
        let bytes = <[u8; 4]>::try_from(&file[place.value]).expect("four bytes");
        usize::try_from(u32::from_le_bytes(bytes)).expect("small")
    };
    let after = |file: &[u8]| {
        let place = find(file, tags::FILE_META_INFORMATION_GROUP_LENGTH).expect("a length");
        data_set_start(file) - place.end
    };
    assert_eq!(length(&file), after(&file), "as written");

    set_meta_value(&mut file, tags::TRANSFER_SYNTAX_UID, b"1.2.840.10008.1.2.4.70").expect("set");
    assert_eq!(length(&file), after(&file));
    assert_eq!(read(&file).meta().transfer_syntax(), uids::JPEG_LOSSLESS_SV1);

    remove_meta_element(&mut file, tags::IMPLEMENTATION_VERSION_NAME).expect("taken away");
    assert_eq!(length(&file), after(&file));
    assert!(read(&file).meta().implementation_version_name.is_none());

    let (start, right) = (data_set_start(&file), length(&file));
    set_meta_group_length(&mut file, |l| l + 600).expect("set");
    assert_eq!((data_set_start(&file), length(&file)), (start, right + 600));
    remove_meta_element(&mut file, tags::FILE_META_INFORMATION_GROUP_LENGTH).expect("taken away");
    assert_eq!(data_set_start(&file), start - 12);
}

#[test]
fn preamble_and_meta_are_stripped() {
    let whole = explicit();
    let mut file = whole.clone();
    set_preamble(&mut file, b"MZ").expect("set");
    assert_eq!((&file[..2], &file[128..132]), (&b"MZ"[..], &b"DICM"[..]));
    strip_preamble(&mut file).expect("stripped");
    assert_eq!(&file[..4], b"DICM");
    assert_eq!(file[4..], whole[132..]);
    assert!(strip_preamble(&mut file).is_err());
    let mut bare = whole.clone();
    strip_meta(&mut bare).expect("stripped");
    assert_eq!(bare, whole[data_set_start(&whole)..]);
    assert_eq!(bare[..4], [8, 0, 8, 0], "Image Type comes first");
    // A bare data set is still walked.
    assert_eq!(data_set_start(&bare), 0);
    assert_eq!(find(&bare, tags::PIXEL_DATA).expect("pixels").end, bare.len());
}

#[test]
fn private_sequences_of_unknown_representation_are_walked_through() {
    let inner = implicit_element(Tag(0x0009, 0x1002), 4, b"abcd");
    let nested = [
        implicit_element(Tag(0x0009, 0x1003), UNDEFINED, &item(4, b"wxyz")),
        SEQUENCE_DELIMITER.to_vec(),
    ]
    .concat();
    let sequence = undefined_sequence(PRIVATE, *b"UN", &[inner.clone(), nested.clone()]);
    let raw = [explicit_element(CREATOR, *b"LO", 4, b"test"), sequence.clone()].concat();
    let mut file = explicit();
    insert_before(&mut file, tags::PATIENT_NAME, &raw).expect("put in");
    let place = find(&file, PRIVATE).expect("there");
    assert_eq!(file[place.at..place.end], sequence);
    assert_eq!(place.declared, UNDEFINED);
    let found = items(&file, PRIVATE).expect("items");
    let values: Vec<&[u8]> = found.iter().map(|p| &file[p.value.clone()]).collect();
    assert_eq!(values, [&inner[..], &nested[..]]);
    assert_eq!(file[found[0].value.end..found[0].end], ITEM_DELIMITER);
    assert!(find(&file, tags::PIXEL_DATA).is_ok(), "what follows is found");
}

#[test]
fn sequences_are_nested_as_deep_as_asked() {
    let raw = nested_sequences(NESTED, 3);
    assert_eq!(raw.len(), 3 * (12 + 8 + 8 + 8));
    let mut file = explicit();
    insert_before(&mut file, NESTED, &raw).expect("put in");
    let mut object = &*read(&file);
    let mut depth = 0;
    while let Some(element) = object.get(NESTED) {
        object = &element.items().expect("a sequence")[0];
        depth += 1;
    }
    assert_eq!(depth, 3);
    // Deeper than any stack that one call a level would need.
    let mut deep = explicit();
    insert_before(&mut deep, NESTED, &nested_sequences(NESTED, 20_000)).expect("put in");
    let place = find(&deep, NESTED).expect("there");
    assert_eq!(place.end - place.at, 20_000 * 36);
}

#[test]
fn a_file_is_changed_where_it_lies() {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("slice.dcm");
    std::fs::write(&path, explicit()).expect("written");
    edit_file(&path, |file| {
        set_meta_group_length(file, |_| 0)?;
        let at = find(file, tags::PIXEL_DATA)?.value.start + 6;
        file.truncate(at);
        Ok(())
    })
    .expect("changed");
    let file = std::fs::read(&path).expect("read");
    let pixels = find(&file, tags::PIXEL_DATA).expect("pixels");
    assert_eq!((pixels.declared, pixels.value.len()), (24, 6));
    let missing = edit_file(&dir.path().join("none"), |_| Ok(())).expect_err("no such file");
    assert!(matches!(missing, PhantomError::Write { .. }));
    assert!(open_file(&path).is_err(), "no reader takes it for a whole file");
}

#[test]
fn bytes_that_are_no_elements_are_refused() {
    assert!(matches!(find(b"", tags::ROWS), Err(PhantomError::NotWalkable { at: 0 })));
    assert!(matches!(find(&[8, 0, 5], tags::ROWS), Err(PhantomError::NotWalkable { at: 0 })));
    let file = explicit();
    let no_items = items(&file, tags::PATIENT_POSITION).expect_err("text");
    assert!(matches!(no_items, PhantomError::NotWalkable { .. }), "{no_items}");
}
