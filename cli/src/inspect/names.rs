//! Names of transfer syntaxes and kinds of object, ways in the patient.

use jawgauge_intake::transfer_syntax_name;
use jawgauge_space::PatientVector;

/// Kinds of object that hold a scan (DICOM PS3.6 table A-1).
const OBJECTS: [(&str, &str); 4] = [
    ("1.2.840.10008.5.1.4.1.1.2", "CT image"),
    ("1.2.840.10008.5.1.4.1.1.2.1", "Enhanced CT image"),
    ("1.2.840.10008.5.1.4.1.1.2.2", "Legacy Converted Enhanced CT image"),
    ("1.2.840.10008.5.1.4.1.1.13.1.2", "X-Ray 3D Craniofacial image"),
];

/// A direction further than this from an axis of the patient is told with its angle, degrees.
const ALONG_DEG: f64 = 1.0;

fn named(name: Option<&str>, uid: &str) -> String {
    name.map_or_else(|| uid.to_owned(), |name| format!("{name} ({uid})"))
}

/// Name and UID of a transfer syntax; what is no such UID as it is.
pub(super) fn syntax(uid: &str) -> String {
    named(transfer_syntax_name(uid), uid)
}

/// Name and UID of a kind of object.
pub(super) fn object(uid: &str) -> String {
    if uid.is_empty() {
        return "no DICOM object".to_owned();
    }
    named(OBJECTS.iter().find(|n| n.0 == uid).map(|n| n.1), uid)
}

/// Which way a step leads in the patient.
pub(super) fn way(step: PatientVector) -> String {
    let ways = [["patient's left", "patient's right"], ["back", "front"], ["head", "feet"]];
    let along = step.to_array();
    let longest = |a: &usize, b: &usize| along[*a].abs().total_cmp(&along[*b].abs());
    let axis = (0..3).max_by(longest).unwrap_or(0);
    let word = ways[axis][usize::from(along[axis] < 0.0)];
    let off = (along[axis].abs() / step.length_mm()).clamp(0.0, 1.0).acos().to_degrees();
    if off > ALONG_DEG { format!("{word} ({off:.0}° off)") } else { word.to_owned() }
}

#[cfg(test)]
mod tests {
    use dicom_dictionary_std::uids;

    use super::*;

    #[test]
    fn names_stand_beside_the_uids_of_the_standard() {
        // The dictionary of dicom-rs is made from the tables of the standard.
        for (uid, part) in [
            (uids::IMPLICIT_VR_LITTLE_ENDIAN, "Implicit VR Little Endian"),
            (uids::EXPLICIT_VR_LITTLE_ENDIAN, "Explicit VR Little Endian"),
            (uids::ENCAPSULATED_UNCOMPRESSED_EXPLICIT_VR_LITTLE_ENDIAN, "Encapsulated"),
            (uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN, "Deflated"),
            (uids::JPEG_BASELINE8_BIT, "JPEG Baseline"),
            (uids::JPEG_EXTENDED12_BIT, "JPEG Extended"),
            (uids::JPEG_LOSSLESS, "JPEG Lossless ("),
            (uids::JPEG_LOSSLESS_SV1, "first-order"),
            (uids::JPEGLS_LOSSLESS, "JPEG-LS Lossless"),
            (uids::JPEGLS_NEAR_LOSSLESS, "JPEG-LS Near-Lossless"),
            (uids::JPEG2000_LOSSLESS, "JPEG 2000 Lossless"),
            (uids::JPEG2000, "JPEG 2000 ("),
            (uids::HTJ2K_LOSSLESS, "High-Throughput JPEG 2000 Lossless"),
            (uids::HTJ2K_LOSSLESS_RPCL, "RPCL"),
            (uids::HTJ2K, "High-Throughput JPEG 2000 ("),
            (uids::RLE_LOSSLESS, "RLE"),
        ] {
            let shown = syntax(uid);
            assert!(shown.contains(part) && shown.ends_with(&format!("({uid})")), "{shown}");
        }
        for (uid, part) in [
            (uids::CT_IMAGE_STORAGE, "CT image"),
            (uids::ENHANCED_CT_IMAGE_STORAGE, "Enhanced CT"),
            (uids::LEGACY_CONVERTED_ENHANCED_CT_IMAGE_STORAGE, "Legacy"),
            (uids::X_RAY3_D_CRANIOFACIAL_IMAGE_STORAGE, "Craniofacial"),
        ] {
            assert!(object(uid).starts_with(part) || object(uid).contains(part), "{uid}");
        }
        assert_eq!(syntax("9.9"), "9.9");
    }

    #[test]
    fn steps_lead_along_the_patients_axes() {
        // DICOM PS3.3 section C.7.6.2.1.1: x to the left, y to the back, z to the head.
        for (step, word) in [
            ([0.3, 0.0, 0.0], "patient's left"),
            ([-0.3, 0.001, 0.0], "patient's right"),
            ([0.0, 2.0, 0.0], "back"),
            ([0.0, -2.0, 0.0], "front"),
            ([0.0, 0.0, 0.5], "head"),
            ([0.0, 0.0, -0.5], "feet"),
            // atan(3 / 4) = 36.9 degrees.
            ([0.0, 3.0, -4.0], "feet (37° off)"),
        ] {
            let [x, y, z] = step;
            assert_eq!(way(PatientVector::new(x, y, z)), word);
        }
    }
}
