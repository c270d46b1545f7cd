/// A value longer than this, bytes, is no decimal string; the standard allows 16.
const LONGEST: usize = 64;

/// Reads decimal strings (DICOM PS3.5 table 6.2-1, VR DS) parted by backslashes.
///
/// Each must be a sign, digits with at most one point, and an exponent, with blanks and a
/// closing NUL around it; its number must be finite. `NaN`, `inf`, a decimal comma or a
/// unit are not numbers. Longer than the 16 bytes of the standard is let pass: exporters
/// write more digits, which does no harm.
pub(crate) fn parse_decimals(text: &str) -> Option<Vec<f64>> {
    text.split('\\').map(parse_decimal).collect()
}

fn parse_decimal(text: &str) -> Option<f64> {
    let text = text.trim_end_matches('\0').trim_matches(' ');
    if text.len() > LONGEST {
        return None;
    }
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let (mantissa, exponent) = match unsigned.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, Some(exponent)),
        None => (unsigned, None),
    };
    let (whole, fraction) = mantissa.split_once('.').unwrap_or((mantissa, ""));
    let digits = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
    if whole.len() + fraction.len() == 0 || !digits(whole) || !digits(fraction) {
        return None;
    }
    if let Some(exponent) = exponent {
        let exponent = exponent.strip_prefix(['+', '-']).unwrap_or(exponent);
        if exponent.is_empty() || !digits(exponent) {
            return None;
        }
    }
    text.parse().ok().filter(|v: &f64| v.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimal_strings_of_the_standard_are_read() {
        for (text, values) in [
            ("0.30\\0.30", vec![0.3, 0.3]),
            (" -17.85 \\+1.5e-3\\.5\\5. ", vec![-17.85, 0.0015, 0.5, 5.0]),
            ("1\0", vec![1.0]),
            ("1E2", vec![100.0]),
        ] {
            assert_eq!(parse_decimals(text), Some(values), "{text:?}");
        }
    }

    #[test]
    fn what_only_looks_like_a_number_is_not_read() {
        for text in [
            "0,30",
            "NaN",
            "inf",
            "-infinity",
            "1.0 HU",
            "1.0.0",
            "",
            "\\",
            "0.3\\",
            "e5",
            "1e",
            "1e+",
            "--1",
            "0x10",
            "1_000",
            "1e999",
            ".",
            "+",
            "1 2",
            "\u{0661}",
        ] {
            assert_eq!(parse_decimals(text), None, "{text:?}");
        }
    }
}
