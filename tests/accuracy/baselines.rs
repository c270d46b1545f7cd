//! The two usual ways to read a width and a plate from a line through the scan, given the true line.

use jawgauge_phantom::PlateSide;
use jawgauge_space::{PatientPoint, PatientVector, SectionPoint};
use jawgauge_volume::Volume;

use crate::cases::Case;

/// Distance of samples along a line, mm.
const STEP_MM: f64 = 0.05;
/// How far lines begin outside the bone, mm.
const OUTSIDE_MM: f64 = 2.5;

/// Grey values along a line, linear between voxels.
struct Line(Vec<f64>);

impl Line {
    fn read(volume: &Volume, from: PatientPoint, along: PatientVector, length_mm: f64) -> Self {
        let mut greys = Vec::new();
        let mut s = 0.0;
        while s <= length_mm {
            greys.extend(volume.sample_linear(from + along * s).grey());
            s += STEP_MM;
        }
        Self(greys)
    }

    /// The first place from `from` on where the grey value passes `level` upwards or downwards.
    fn crossing(&self, from: usize, level: f64, up: bool) -> Option<f64> {
        let passed = |g: f64| if up { g >= level } else { g <= level };
        let at = (from + 1..self.0.len()).find(|&i| passed(self.0[i]) && !passed(self.0[i - 1]))?;
        let (a, b) = (self.0[at - 1], self.0[at]);
        Some((at as f64 - 1.0 + (level - a) / (b - a)) * STEP_MM)
    }

    fn index(&self, mm: f64) -> usize {
        // A few millimetres.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let at = (mm / STEP_MM).round().max(0.0) as usize;
        at.min(self.0.len() - 1)
    }

    fn mean(&self, from_mm: f64, to_mm: f64) -> f64 {
        let part = &self.0[self.index(from_mm)..=self.index(to_mm)];
        part.iter().sum::<f64>() / part.len() as f64
    }

    /// Index and height of the highest place between two distances.
    fn peak(&self, from_mm: f64, to_mm: f64) -> (usize, f64) {
        (self.index(from_mm)..=self.index(to_mm)).map(|i| (i, self.0[i])).fold(
            (0, f64::NEG_INFINITY),
            |best, here| {
                if here.1 > best.1 { here } else { best }
            },
        )
    }

    /// Where the outer edge is passed half-way up to the peak of the first `depth_mm` of bone.
    fn half_of_peak_edge(&self, depth_mm: f64) -> Option<f64> {
        let outside = self.mean(0.0, 1.2);
        let (_, peak) = self.peak(OUTSIDE_MM - 0.5, OUTSIDE_MM + depth_mm);
        self.crossing(0, 0.5 * (outside + peak), true)
    }
}

/// Widths by half of the peak and by the fixed threshold; thresholds know the nominal greys.
pub(crate) fn widths(case: &Case, volume: &Volume, level_mm: f64) -> Option<[Option<f64>; 2]> {
    let view = case.ridge.section().along_own_axis();
    let (lingual, buccal) = view.ends(level_mm)?;
    let [lingual, buccal] = [lingual, buccal].map(|p| case.ridge.place(case.station_mm(), p));
    let width = lingual.distance_mm(buccal);
    let across = (buccal - lingual) * (1.0 / width);
    let length = width + 2.0 * OUTSIDE_MM;
    let there = Line::read(volume, lingual + across * -OUTSIDE_MM, across, length);
    let back = Line::read(volume, buccal + across * OUTSIDE_MM, across * -1.0, length);
    let depth = (0.5 * width).min(2.5);
    let threshold = 0.5 * (case.nominal.0 + case.nominal.1);
    let width = |a: Option<f64>, b: Option<f64>| Some(length - a? - b?);
    Some([
        width(there.half_of_peak_edge(depth), back.half_of_peak_edge(depth)),
        width(there.crossing(0, threshold, true), back.crossing(0, threshold, true)),
    ])
}

/// Plates by half of the peak and by the fixed threshold along the true normal.
pub(crate) fn plates(
    case: &Case,
    volume: &Volume,
    side: PlateSide,
    level_mm: f64,
    true_mm: f64,
) -> Option<[Option<f64>; 2]> {
    let view = case.ridge.section().along_own_axis();
    let end =
        |level: f64| view.ends(level).map(|(l, b)| if side == PlateSide::Buccal { b } else { l });
    let (before, here, after) = (end(level_mm - 0.02)?, end(level_mm)?, end(level_mm + 0.02)?);
    let (du, dv) = (after.buccal_mm - before.buccal_mm, after.apical_mm - before.apical_mm);
    let length = du.hypot(dv);
    let sign = if side == PlateSide::Buccal { -1.0 } else { 1.0 };
    let inward = SectionPoint::new(sign * dv / length, -sign * du / length);
    let at = |s: f64| {
        let p = SectionPoint::new(
            here.buccal_mm + s * inward.buccal_mm,
            here.apical_mm + s * inward.apical_mm,
        );
        case.ridge.place(case.station_mm(), p)
    };
    let reach = true_mm + 1.2;
    let line = Line::read(volume, at(-OUTSIDE_MM), at(1.0) - at(0.0), OUTSIDE_MM + reach);
    let (top, peak) = line.peak(OUTSIDE_MM - 0.5, OUTSIDE_MM + true_mm);
    let inside = line.mean(OUTSIDE_MM + true_mm + 0.8, OUTSIDE_MM + reach);
    let half = line
        .half_of_peak_edge(true_mm)
        .and_then(|outer| Some(line.crossing(top, 0.5 * (peak + inside), false)? - outer));
    let threshold = 0.5 * (case.nominal.0 + case.nominal.1);
    let fixed = line
        .crossing(0, threshold, true)
        .and_then(|outer| Some(line.crossing(line.index(outer) + 1, threshold, false)? - outer));
    Some([half, fixed])
}
