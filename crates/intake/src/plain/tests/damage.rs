use proptest::prelude::*;

use super::*;

/// Longest header or file that the damaged ones are told to belong to, bytes.
const FILE: u64 = 1_000_000;

/// What holds of every volume that is not refused.
fn assert_sound(volume: &PlainVolume, length: u64) {
    assert!(volume.dims.iter().all(|n| (2..=65_535).contains(n)));
    let voxels: u64 = volume.dims.iter().map(|&n| n as u64).product();
    assert_eq!(volume.voxel_bytes, voxels * volume.code.bytes());
    assert!(volume.affine.spacing_mm().iter().all(|mm| (0.02..=10.0).contains(mm)));
    assert!(volume.affine.to_rows().iter().flatten().all(|c| c.is_finite()));
    let spacing: f64 = volume.affine.spacing_mm().iter().product();
    assert!(volume.affine.voxel_volume_mm3() >= 0.499 * spacing);
    assert!(volume.rescale.slope > 0.0 && volume.rescale.intercept.is_finite());
    let own = volume.place == DataPlace::SameFile && !volume.gzip && volume.start.lines == 0;
    if own {
        let start = volume.start.at + volume.start.bytes.unwrap_or(0);
        assert!(start + volume.voxel_bytes <= length);
    }
    for note in &volume.notes {
        assert!(!note.to_string().contains(char::is_control));
    }
}

fn judge(result: Result<PlainVolume, PlainFault>, length: u64) {
    match result {
        Ok(volume) => assert_sound(&volume, length),
        Err(fault) => {
            let said = fault.to_string();
            assert!(!said.is_empty() && said.len() < 1000, "{said}");
            assert!(!said.contains(char::is_control), "{said:?}");
            assert!(!fault.remedy().is_empty());
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn a_nifti_header_with_wrong_bytes_is_sound_or_refused(
        big in any::<bool>(),
        edits in prop::collection::vec((0_usize..352, any::<u8>()), 1..6),
        words in prop::collection::vec((10_usize..86, any::<f32>()), 0..2),
        cut in 0_usize..=352,
    ) {
        let mut nii = Nii::new(big);
        for (at, word) in words {
            nii = nii.floats(at * 4, &[word]);
        }
        for (at, byte) in edits {
            nii = nii.raw(at, &[byte]);
        }
        judge(parse_nifti(&nii.bytes, Some(352 + VOXELS)), 352 + VOXELS);
        judge(parse_nifti(&nii.bytes, Some(FILE)), FILE);
        judge(parse_nifti(&nii.bytes, None), u64::MAX);
        judge(parse_nifti(&nii.bytes[..cut], None), u64::MAX);
        recognise(&nii.bytes[..cut]);
    }

    #[test]
    fn an_nrrd_header_with_wrong_bytes_is_sound_or_refused(
        edits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..4),
        cut in any::<prop::sample::Index>(),
    ) {
        let mut bytes = nrrd_text(&[("byte skip", "3"), ("spacings", "0.3 0.4 0.5")]).into_bytes();
        for (at, byte) in edits {
            let at = at.index(bytes.len());
            bytes[at] = byte;
        }
        for length in [bytes.len() as u64, bytes.len() as u64 + 3 + VOXELS, FILE] {
            judge(parse_nrrd(&bytes, Some(length)), length);
        }
        judge(parse_nrrd(&bytes[..cut.index(bytes.len())], None), u64::MAX);
    }

    #[test]
    fn an_nrrd_header_with_wrong_values_is_sound_or_refused(
        field in prop::sample::select(vec![
            "type", "dimension", "space", "sizes", "space directions", "kinds", "endian",
            "encoding", "space units", "space origin", "data file", "line skip", "byte skip",
            "spacings", "old min",
        ]),
        value in prop_oneof![
            "[ (),0-9.eE+\"-]{0,40}",
            "\\PC{0,80}",
            "\\([0-9.]{1,6},[0-9.-]{1,6},[0-9e]{1,6}\\)( \\([0-9.]{1,4},[0-9.]{1,4},[0-9.]{1,4}\\)){2}",
            "[0-9]{1,22} [0-9]{1,22} [0-9]{1,22}",
        ],
    ) {
        let text = nrrd_text(&[(field, &value)]);
        judge(parse_nrrd(text.as_bytes(), Some(FILE)), FILE);
        judge(parse_nrrd(text.as_bytes(), None), u64::MAX);
    }

    #[test]
    fn bytes_without_sense_are_refused(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        judge(parse_nifti(&bytes, None), u64::MAX);
        judge(parse_nrrd(&bytes, None), u64::MAX);
        let mut begun = b"NRRD0004\n".to_vec();
        begun.extend(&bytes);
        judge(parse_nrrd(&begun, Some(begun.len() as u64)), begun.len() as u64);
    }
}
