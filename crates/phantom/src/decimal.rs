/// Longest decimal string, bytes (DICOM PS3.5 table 6.2-1, VR DS).
const LONGEST: usize = 16;

/// `value` as a DICOM decimal string: as many digits as fit into 16 bytes.
///
/// The shortest text that reads back as the same number is taken where it fits, else the
/// closest of the plain and the exponent notations that do. Not for NaN or infinity,
/// which a decimal string cannot hold: they are written as they print.
///
/// # Accuracy
///
/// Coordinates below 10 m keep their value within 1e-9 mm.
///
/// # Examples
///
/// ```
/// use jawgauge_phantom::decimal_string;
/// assert_eq!(decimal_string(-17.85), "-17.85");
/// assert_eq!(decimal_string(1.0 / 3.0), "0.33333333333333");
/// assert_eq!(decimal_string(-1.0e-5 / 3.0), "-3.333333333e-06");
/// ```
#[must_use]
pub fn decimal_string(value: f64) -> String {
    let shortest = format!("{value}");
    if shortest.len() <= LONGEST || !value.is_finite() {
        return shortest;
    }
    let plain = (0..LONGEST).rev().map(|digits| format!("{value:.digits$}"));
    let exponent = (0..LONGEST).rev().map(|digits| with_exponent(value, digits));
    let mut best: Option<(f64, String)> = None;
    for notation in [plain.collect::<Vec<_>>(), exponent.collect()] {
        let Some(text) = notation.into_iter().find(|t| t.len() <= LONGEST) else {
            continue;
        };
        let error = text.parse::<f64>().map_or(f64::INFINITY, |read| (read - value).abs());
        if best.as_ref().is_none_or(|(least, _)| error < *least) {
            best = Some((error, text));
        }
    }
    best.map_or(shortest, |(_, text)| text)
}

fn with_exponent(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$e}");
    match text.split_once('e') {
        Some((mantissa, power)) => {
            let sign = if power.starts_with('-') { '-' } else { '+' };
            format!("{mantissa}e{sign}{:0>2}", power.trim_start_matches('-'))
        }
        None => text,
    }
}
