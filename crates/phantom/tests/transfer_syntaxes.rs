//! Native transfer syntaxes and encapsulated ones, read back with the DICOM library alone
//! or byte by byte.

use std::io::Read;

use dicom_core::{DataElement, PrimitiveValue, Tag, VR, dicom_value};
use dicom_dictionary_std::{tags, uids};
use dicom_object::{InMemDicomObject, open_file};
use dicom_transfer_syntax_registry::entries;
use jawgauge_phantom::damage::{data_set_start, find, items};
use jawgauge_phantom::{
    Fragments, MultiFrameKind, OffsetTable, PhantomError, ScanOptions, ScanSyntax, p0_geometry,
    p0_grey, p0_rescale, sample_shape, write_multi_frame, write_scan,
};
use jawgauge_volume::{StoredVoxels, Volume, VolumeGeometry};

/// A small volume: 5 columns, 4 rows, 3 slices, every voxel different.
fn small() -> Volume {
    let geometry = VolumeGeometry::new([5, 4, 3], *p0_geometry().affine()).expect("a grid");
    let mut values = (0..60_u16).map(|v| v * 1000 + 7);
    let voxels = ndarray::Array3::from_shape_fn((3, 4, 5), |_| values.next().expect("sixty"));
    Volume::new(geometry, StoredVoxels::Unsigned(voxels), vec![p0_rescale(); 3]).expect("a volume")
}

/// The base phantom, averaged over one place a voxel.
fn tall() -> Volume {
    sample_shape(p0_geometry(), p0_rescale(), p0_grey, 1).expect("a volume")
}

fn little_bytes(volume: &Volume) -> Vec<u8> {
    let StoredVoxels::Unsigned(voxels) = volume.voxels() else { panic!("unsigned") };
    voxels.iter().flat_map(|v| v.to_le_bytes()).collect()
}

/// The bytes of a multi-frame file of the small volume.
fn written(options: &ScanOptions) -> Vec<u8> {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("scan.dcm");
    write_multi_frame(&path, &small(), MultiFrameKind::PlainCt, options).expect("written");
    std::fs::read(path).expect("read")
}

fn in_syntax(syntax: ScanSyntax) -> Vec<u8> {
    written(&ScanOptions::default().with_syntax(syntax))
}

/// Frames as their own bytes, under a transfer syntax that is encapsulated.
fn as_they_are() -> ScanOptions {
    ScanOptions::default().with_encoded_frames(uids::RLE_LOSSLESS, |_, samples, rows, columns| {
        assert_eq!((rows, columns, samples.len()), (4, 5, 20));
        samples.iter().flat_map(|s| s.to_le_bytes()).collect()
    })
}

#[test]
fn files_have_the_bytes_that_the_library_writes() {
    for syntax in [ScanSyntax::ExplicitLittleEndian, ScanSyntax::ImplicitLittleEndian] {
        let dir = tempfile::tempdir().expect("a folder");
        let options = ScanOptions::default().with_syntax(syntax).with_edit(|k, object| {
            let element = |tag, vr, value: PrimitiveValue| DataElement::new(tag, vr, value);
            match k {
                0 => drop(object.remove_element(tags::PIXEL_DATA)),
                // An odd length, which the library pads.
                1 => drop(object.put(element(tags::PIXEL_DATA, VR::OW, vec![1_u8, 2, 3].into()))),
                2 => drop(object.put(element(Tag(0xFFFC, 0xFFFC), VR::OB, vec![0_u8; 20].into()))),
                3 => drop(object.put(element(tags::PIXEL_DATA, VR::OW, dicom_value!(U16, [1, 2])))),
                _ => {}
            }
        });
        for path in write_scan(dir.path(), &tall(), &options).expect("written") {
            let mut again = Vec::new();
            open_file(&path).expect("readable").write_all(&mut again).expect("written");
            assert_eq!(std::fs::read(&path).expect("read"), again, "{}", path.display());
        }
    }
}

#[test]
fn big_endian_swaps_words_and_headers() {
    let file = in_syntax(ScanSyntax::ExplicitBigEndian);
    let place = find(&file, tags::PIXEL_DATA).expect("pixels");
    assert!(place.big_endian);
    let swapped: Vec<u8> =
        little_bytes(&small()).chunks_exact(2).flat_map(|p| [p[1], p[0]]).collect();
    assert_eq!(file[place.value], swapped);
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("big.dcm");
    std::fs::write(&path, &file).expect("written");
    let object = open_file(&path).expect("readable");
    assert_eq!(object.meta().transfer_syntax().trim_end_matches('\0'), "1.2.840.10008.1.2.2");
    let rows = object.element(tags::ROWS).expect("rows").to_int::<u16>().expect("a number");
    assert_eq!(rows, 4);
    let pixels = object.element(tags::PIXEL_DATA).expect("pixels");
    assert_eq!(pixels.to_multi_int::<u16>().expect("words")[59], 59_007);
}

#[test]
fn pixels_as_bytes_stay_low_byte_first_in_big_endian() {
    let options =
        ScanOptions::default().with_syntax(ScanSyntax::ExplicitBigEndian).with_pixels_as_bytes();
    let file = written(&options);
    let place = find(&file, tags::PIXEL_DATA).expect("pixels");
    assert_eq!(&file[place.at + 4..place.at + 6], b"OB");
    assert_eq!(file[place.value], little_bytes(&small()));
}

#[test]
fn deflated_inflates_to_the_explicit_data_set() {
    let (deflated, plain) =
        (in_syntax(ScanSyntax::Deflated), in_syntax(ScanSyntax::ExplicitLittleEndian));
    let start = data_set_start(&plain);
    // The same meta but for the identifier, which is two characters longer.
    let compressed = &deflated[start + 2..];
    assert_eq!(compressed.len() % 2, 0);
    let mut inflated = Vec::new();
    flate2::read::DeflateDecoder::new(compressed).read_to_end(&mut inflated).expect("inflated");
    assert_eq!(inflated, plain[start..]);
    let explicit = entries::EXPLICIT_VR_LITTLE_ENDIAN.erased();
    let object =
        InMemDicomObject::read_dataset_with_ts(inflated.as_slice(), &explicit).expect("a data set");
    let pixels = object.element(tags::PIXEL_DATA).expect("pixels");
    assert_eq!(pixels.to_bytes().expect("bytes").as_ref(), little_bytes(&small()));
}

#[test]
fn encapsulated_uncompressed_holds_each_frame_in_an_item() {
    let file = in_syntax(ScanSyntax::EncapsulatedUncompressed);
    let found = items(&file, tags::PIXEL_DATA).expect("items");
    assert_eq!(found.len(), 4, "a table and three frames");
    assert!(found[0].value.is_empty());
    for (frame, place) in little_bytes(&small()).chunks(40).zip(&found[1..]) {
        assert_eq!(file[place.value.clone()], *frame);
    }
}

#[test]
fn frames_are_cut_into_items_with_the_table_asked_for() {
    for per_frame in [1, 2, 3] {
        let fragments =
            Fragments::default().with_items_per_frame(per_frame).with_table(OffsetTable::Basic);
        let file = written(&as_they_are().with_fragments(fragments));
        let found = items(&file, tags::PIXEL_DATA).expect("items");
        assert_eq!(found.len(), 1 + 3 * per_frame);
        let joined: Vec<u8> =
            found[1..].iter().flat_map(|p| file[p.value.clone()].iter().copied()).collect();
        assert_eq!(joined, little_bytes(&small()));
        assert!(found.iter().all(|p| p.value.len() % 2 == 0));
        let table: Vec<usize> = file[found[0].value.clone()]
            .chunks_exact(4)
            .map(|b| usize::try_from(u32::from_le_bytes([b[0], b[1], b[2], b[3]])).expect("small"))
            .collect();
        let begins: Vec<usize> =
            found[1..].iter().step_by(per_frame).map(|p| p.at - found[1].at).collect();
        assert_eq!(table, begins);
        let end = found.last().expect("items").end;
        assert_eq!(file[end..], [0xFE, 0xFF, 0xDD, 0xE0, 0, 0, 0, 0]);
    }
}

#[test]
fn the_extended_table_tells_offsets_and_lengths() {
    let fragments = Fragments::default().with_table(OffsetTable::Extended);
    let file = written(&as_they_are().with_fragments(fragments));
    let numbers = |tag| -> Vec<u64> {
        let place = find(&file, tag).expect("a table");
        assert_eq!(&file[place.at + 4..place.at + 6], b"OV");
        let eight = |b: &[u8]| u64::from_le_bytes(b.try_into().expect("eight bytes"));
        file[place.value].chunks_exact(8).map(eight).collect()
    };
    assert_eq!(numbers(tags::EXTENDED_OFFSET_TABLE), [0, 48, 96]);
    assert_eq!(numbers(tags::EXTENDED_OFFSET_TABLE_LENGTHS), [40, 40, 40]);
    assert!(items(&file, tags::PIXEL_DATA).expect("items")[0].value.is_empty());
}

#[test]
fn faulty_fragments_are_as_asked() {
    let form = |fragments| {
        let file = written(&as_they_are().with_fragments(fragments));
        let found = items(&file, tags::PIXEL_DATA).expect("items");
        (file, found)
    };
    let (_, found) = form(Fragments::default().with_empty_item_at_end());
    assert_eq!(found.iter().map(|p| p.value.len()).collect::<Vec<_>>(), [0, 40, 40, 40, 0]);
    let (file, found) = form(Fragments::default().with_frames_in_one_item());
    assert_eq!(found.len(), 2);
    assert_eq!(file[found[1].value.clone()], little_bytes(&small()));
    let (file, found) = form(Fragments::default().without_delimiter());
    assert_eq!(found.last().expect("items").end, file.len());
    let wrong = Fragments::default()
        .with_table(OffsetTable::Basic)
        .with_edited_offsets(|offsets| offsets[1] += 6);
    let (file, found) = form(wrong);
    assert_eq!(file[found[0].value.clone()], [0, 0, 0, 0, 54, 0, 0, 0, 96, 0, 0, 0]);
}

#[test]
fn an_odd_stream_is_padded_and_numbered_by_its_slice() {
    let dir = tempfile::tempdir().expect("a folder");
    let volume = small().with_absent_slices(vec![false, true, false]).expect("a volume");
    let options = ScanOptions::default()
        .with_encoded_frames(uids::JPEGLS_LOSSLESS, |k, _, _, _| {
            vec![u8::try_from(k).expect("few"), 2, 3]
        });
    let files = write_scan(dir.path(), &volume, &options).expect("written");
    let streams: Vec<Vec<u8>> = files
        .iter()
        .map(|path| {
            let file = std::fs::read(path).expect("read");
            let found = items(&file, tags::PIXEL_DATA).expect("items");
            file[found[1].value.clone()].to_vec()
        })
        .collect();
    assert_eq!(streams, [[0, 2, 3, 0], [2, 2, 3, 0]]);
    let object = open_file(&files[0]).expect("readable");
    assert_eq!(object.meta().transfer_syntax().trim_end_matches('\0'), uids::JPEGLS_LOSSLESS);
}

#[test]
fn pixel_data_that_are_no_whole_frames_are_refused() {
    let dir = tempfile::tempdir().expect("a folder");
    let options = as_they_are().with_edit(|_, object| {
        object.put(DataElement::new(
            tags::PIXEL_DATA,
            VR::OW,
            PrimitiveValue::from(vec![0_u8; 42]),
        ));
    });
    let refused = write_scan(dir.path(), &small(), &options);
    assert!(matches!(refused, Err(PhantomError::PartFrame { bytes: 42, frame_bytes: 40 })));
}

#[test]
fn one_thread_and_four_write_the_same_bytes() {
    let volume = tall();
    let rle = ScanOptions::default()
        .with_encoded_frames(uids::RLE_LOSSLESS, |_, s, _, c| jawgauge_phantom::encode_rle(s, c));
    let [one, four] = [1, 4].map(|threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        let dir = tempfile::tempdir().expect("a folder");
        let path = dir.path().join("scan.dcm");
        pool.install(|| write_multi_frame(&path, &volume, MultiFrameKind::EnhancedCt, &rle))
            .expect("written");
        std::fs::read(path).expect("read")
    });
    assert_eq!(one, four);
}
