use dicom_dictionary_std::tags;
use jawgauge_space::{Affine, PatientPoint, PatientVector};
use jawgauge_volume::VolumeGeometry;

use crate::attribute::Attribute;
use crate::slice::Slice;
use crate::{IntakeError, ScanWarning};

/// Slices nearer than this, mm, are at the same place: far below any pitch, above the
/// rounding of written positions.
const SAME_PLACE_MM: f64 = 1e-3;
/// How far a distance may be from the pitch, as a share of it, and count as the same.
const GAP_TOLERANCE: f64 = 0.02;
/// The same for fine pitches, mm: two positions written with two decimals are each
/// 0.005 mm off. Never above a tenth of the pitch.
const POSITION_ROUNDING_MM: f64 = 0.01;
/// Plausible distance of slices, mm; wider than any CT is made (common practice, no source).
const PITCH_MM: std::ops::RangeInclusive<f64> = 0.02..=10.0;
/// A stack that leans more than this from the slice normal, degrees, is worth a word.
const SHEAR_TOLD_DEG: f64 = 0.1;

/// Slices in their places.
#[derive(Debug)]
pub(crate) struct Stack {
    /// For each k the index of its slice, `None` where it is missing.
    pub(crate) order: Vec<Option<usize>>,
    pub(crate) geometry: VolumeGeometry,
    pub(crate) warnings: Vec<ScanWarning>,
}

/// Puts slices in order and fits the map from voxels to the patient to their positions.
///
/// Only Image Position, Image Orientation and Pixel Spacing count (DICOM PS3.3 sections
/// C.7.6.2.1.1 and 10.7.1.3). Slices are ordered along the normal row x column; the step
/// from slice to slice is the straight line through all positions by least squares, which
/// need not be along the normal. `repeats` tells whether two slices hold the same voxels.
pub(crate) fn stack(
    slices: &[Slice],
    repeats: impl Fn(&Slice, &Slice) -> Result<bool, IntakeError>,
) -> Result<Stack, IntakeError> {
    let first = &slices[0];
    let along = sorted(slices, &axes(&first.orientation));
    // All orientations agree within rounding; that of the lowest slice does not depend on
    // the order of the files.
    let axes = axes(&slices[along[0].1].orientation);
    let along = sorted(slices, &axes);
    let mut warnings = Vec::new();
    let kept = without_repeats(slices, along, repeats, &mut warnings)?;
    if kept.len() < 2 {
        return Err(IntakeError::SingleSlice { file: first.name() });
    }
    let pitch = most_common_gap(&kept);
    if !PITCH_MM.contains(&pitch) {
        return Err(IntakeError::Value {
            file: slices[kept[0].1].name(),
            attribute: Attribute(tags::IMAGE_POSITION_PATIENT),
            value: format!("{pitch:.4} mm from slice to slice"),
            expected: "0.02 to 10 mm".to_owned(),
        });
    }
    let order = places(slices, &kept, pitch, &mut warnings)?;
    let (origin, step) = line_through(slices, &order);
    check_residuals(slices, &order, origin, step, pitch)?;
    let lowest = &slices[kept[0].1];
    let [row_mm, column_mm] = lowest.spacing_mm;
    let scaled = |axis: [f64; 3], mm: f64| PatientVector::from(axis.map(|c| c * mm));
    // Along i the columns follow each other, so i takes the column spacing.
    let steps = [scaled(axes[0], column_mm), scaled(axes[1], row_mm), PatientVector::from(step)];
    let affine = Affine::new(PatientPoint::from(origin), steps)?;
    let normal = PatientVector::from(axes[2]).direction()?;
    let angle_deg = PatientVector::from(step).direction()?.angle_deg(normal);
    if angle_deg > SHEAR_TOLD_DEG {
        warnings.push(ScanWarning::Sheared { angle_deg });
    }
    warnings.extend(spacing_attributes(slices, &order, dot(&step, &axes[2])));
    let shape = &lowest.object.shape;
    let dims = [usize::from(shape.columns), usize::from(shape.rows), order.len()];
    let geometry = VolumeGeometry::new(dims, affine)?;
    Ok(Stack { order, geometry, warnings })
}

/// Place along the normal, mm, and index of a slice.
type Along = (f64, usize);

fn dot(a: &[f64; 3], b: &[f64; 3]) -> f64 {
    (0..3).map(|c| a[c] * b[c]).sum()
}

/// Unit row, column and normal; only the rounding of the cosines is evened out, the row
/// keeping its direction.
fn axes(orientation: &[f64; 6]) -> [[f64; 3]; 3] {
    let [a, b, c, d, e, f] = *orientation;
    let unit = |v: [f64; 3]| {
        let length = dot(&v, &v).sqrt();
        v.map(|x| x / length)
    };
    let row = unit([a, b, c]);
    let product = dot(&row, &[d, e, f]);
    let column = unit([d - product * row[0], e - product * row[1], f - product * row[2]]);
    let normal = [
        row[1] * column[2] - row[2] * column[1],
        row[2] * column[0] - row[0] * column[2],
        row[0] * column[1] - row[1] * column[0],
    ];
    [row, column, normal]
}

fn sorted(slices: &[Slice], axes: &[[f64; 3]; 3]) -> Vec<Along> {
    let place = |(index, slice): (usize, &Slice)| (dot(&slice.position_mm, &axes[2]), index);
    let mut along: Vec<Along> = slices.iter().enumerate().map(place).collect();
    along.sort_by(|a, b| {
        let [p, q] = [a.1, b.1].map(|index| &slices[index]);
        let in_plane = || {
            let pairs = p.position_mm.iter().zip(&q.position_mm);
            pairs.map(|(x, y)| x.total_cmp(y)).find(|o| o.is_ne())
        };
        a.0.total_cmp(&b.0)
            .then_with(|| in_plane().unwrap_or(std::cmp::Ordering::Equal))
            .then_with(|| p.file.name.cmp(&q.file.name))
            .then_with(|| p.frame.cmp(&q.frame))
    });
    along
}

fn without_repeats(
    slices: &[Slice],
    along: Vec<Along>,
    repeats: impl Fn(&Slice, &Slice) -> Result<bool, IntakeError>,
    warnings: &mut Vec<ScanWarning>,
) -> Result<Vec<Along>, IntakeError> {
    let mut kept: Vec<Along> = Vec::with_capacity(along.len());
    let total = along.len();
    let mut repeated: Option<[String; 2]> = None;
    for (place, index) in along {
        let Some(&(before, other)) = kept.last() else {
            kept.push((place, index));
            continue;
        };
        if place - before > SAME_PLACE_MM {
            kept.push((place, index));
            continue;
        }
        let (a, b) = (&slices[other], &slices[index]);
        let apart: f64 = (0..3).map(|c| (a.position_mm[c] - b.position_mm[c]).powi(2)).sum();
        if apart.sqrt() > SAME_PLACE_MM || a.rescale != b.rescale || !repeats(a, b)? {
            let [first, second] = [a, b].map(Slice::name);
            return Err(IntakeError::SamePlace { first, second });
        }
        repeated.get_or_insert_with(|| [a, b].map(Slice::name));
    }
    if let Some([first, dropped]) = repeated {
        let files = total - kept.len();
        warnings.push(ScanWarning::Duplicates { kept: first, dropped, files });
    }
    Ok(kept)
}

/// How far a gap may be from a whole number of pitches, and a slice from its place, mm.
fn tolerance_mm(pitch: f64) -> f64 {
    (GAP_TOLERANCE * pitch).max(POSITION_ROUNDING_MM.min(0.1 * pitch))
}

/// Mean of the largest group of gaps that agree within the tolerance; of two groups of
/// the same size the narrower gaps.
fn most_common_gap(kept: &[Along]) -> f64 {
    let mut gaps: Vec<f64> = kept.windows(2).map(|w| w[1].0 - w[0].0).collect();
    gaps.sort_by(f64::total_cmp);
    let mut best = &gaps[..1];
    let mut end = 0;
    for start in 0..gaps.len() {
        let limit = gaps[start] + tolerance_mm(gaps[start]);
        while end < gaps.len() && gaps[end] <= limit {
            end += 1;
        }
        if end - start > best.len() {
            best = &gaps[start..end];
        }
    }
    best.iter().sum::<f64>() / best.len() as f64
}

/// The slice of each k; gaps of whole numbers of pitches leave places free.
fn places(
    slices: &[Slice],
    kept: &[Along],
    pitch: f64,
    warnings: &mut Vec<ScanWarning>,
) -> Result<Vec<Option<usize>>, IntakeError> {
    let mut order = vec![Some(kept[0].1)];
    let mut widest: Option<(usize, IntakeError)> = None;
    for pair in kept.windows(2) {
        let found_mm = pair[1].0 - pair[0].0;
        let [before, after] = [pair[0].1, pair[1].1].map(|i| slices[i].name());
        let uneven = IntakeError::Uneven {
            before: before.clone(),
            after: after.clone(),
            found_mm,
            pitch_mm: pitch,
        };
        let steps = (found_mm / pitch).round();
        let missed = (found_mm - steps * pitch).abs();
        // More free places than slices is no scan; the check also bounds the cast.
        let fits =
            missed <= tolerance_mm(pitch) && steps >= 1.0 && steps <= kept.len() as f64 + 1.0;
        if !fits {
            return Err(uneven);
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let missing = steps as usize - 1;
        if missing > 0 {
            order.resize(order.len() + missing, None);
            if widest.as_ref().is_none_or(|(n, _)| missing > *n) {
                widest = Some((missing, uneven));
            }
            let gap =
                ScanWarning::MissingSlices { before, after, missing, found_mm, pitch_mm: pitch };
            warnings.push(gap);
        }
        order.push(Some(pair[1].1));
    }
    match widest {
        Some((_, uneven)) if order.len() > 2 * kept.len() => Err(uneven),
        _ => Ok(order),
    }
}

fn present<'a>(
    slices: &'a [Slice],
    order: &'a [Option<usize>],
) -> impl Iterator<Item = (f64, &'a Slice)> + Clone {
    order.iter().enumerate().filter_map(|(k, index)| index.map(|i| (k as f64, &slices[i])))
}

/// Place of k = 0 and step of k: least squares through all positions.
fn line_through(slices: &[Slice], order: &[Option<usize>]) -> ([f64; 3], [f64; 3]) {
    let there = present(slices, order);
    let n = there.clone().count() as f64;
    let middle = there.clone().map(|(k, _)| k).sum::<f64>() / n;
    let spread: f64 = there.clone().map(|(k, _)| (k - middle).powi(2)).sum();
    let mut origin = [0.0; 3];
    let mut step = [0.0; 3];
    for c in 0..3 {
        let mean = there.clone().map(|(_, s)| s.position_mm[c]).sum::<f64>() / n;
        let tilt = there.clone().map(|(k, s)| (k - middle) * (s.position_mm[c] - mean));
        step[c] = tilt.sum::<f64>() / spread;
        origin[c] = mean - step[c] * middle;
    }
    (origin, step)
}

fn check_residuals(
    slices: &[Slice],
    order: &[Option<usize>],
    origin: [f64; 3],
    step: [f64; 3],
    pitch: f64,
) -> Result<(), IntakeError> {
    let allowed_mm = tolerance_mm(pitch);
    let off = |(k, slice): (f64, &Slice)| {
        let squares = (0..3).map(|c| (slice.position_mm[c] - origin[c] - k * step[c]).powi(2));
        squares.sum::<f64>().sqrt()
    };
    let worst = present(slices, order).max_by(|a, b| off(*a).total_cmp(&off(*b)));
    match worst {
        Some((k, slice)) if !(off((k, slice)) <= allowed_mm) => {
            Err(IntakeError::OffLine { file: slice.name(), off_mm: off((k, slice)), allowed_mm })
        }
        _ => Ok(()),
    }
}

/// Slice Thickness is a thickness (DICOM PS3.3 section 10.7.1), Spacing Between Slices no
/// attribute of a CT image: neither is used, a disagreement is told.
fn spacing_attributes(
    slices: &[Slice],
    order: &[Option<usize>],
    pitch_mm: f64,
) -> Option<ScanWarning> {
    let differs = |mm: &f64| !((mm - pitch_mm).abs() <= tolerance_mm(pitch_mm));
    let thickness = |s: &Slice| s.thickness_mm.filter(differs);
    let between = |s: &Slice| s.between_mm.filter(differs);
    let there = present(slices, order).map(|(_, s)| s);
    let files = there.clone().filter(|s| thickness(s).or(between(s)).is_some()).count();
    (files > 0).then(|| ScanWarning::SpacingAttributesDisagree {
        slice_thickness_mm: there.clone().find_map(thickness),
        spacing_between_slices_mm: there.clone().find_map(between),
        pitch_mm,
        files,
    })
}
