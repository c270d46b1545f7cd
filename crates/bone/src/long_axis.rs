//! The ridge's own long axis within a section.

use jawgauge_space::SectionPoint;

use crate::crest::{crest_of, straight};
use crate::outline::Outline;
use crate::runs::{RidgeRuns, Run};

/// The long axis is found over this much bone below the crest, mm (as documented).
const LONG_AXIS_MM: f64 = 10.0;
/// ... and over no less than this, mm.
const LONG_AXIS_LEAST_MM: f64 = 3.0;
/// The blur rounds the crest; mid-points less deep than this, mm, do not tell its direction.
const CREST_ROUNDED_MM: f64 = 0.5;
/// Metal this near to an end of a width, mm, spoils it.
const METAL_NEAR_MM: f64 = 0.8;
/// The long axis is found where a further turn is below this, degrees.
const TURN_SETTLED_DEG: f64 = 0.01;

/// Turns an outline until the mid-points of its widths run straight down: the turn towards
/// buccal in degrees and the turned outline, or the usable depth where it is too little. Levels at places
/// beside metal tell nothing.
pub(crate) fn long_axis(
    outline: &Outline,
    beside_metal: &[SectionPoint],
) -> Result<(f64, Outline), f64> {
    let mut lean_deg = 0.0;
    let mut turned = outline.clone();
    for _ in 0..30 {
        let crest = crest_of(&turned).ok_or(0.0)?;
        let runs = RidgeRuns::follow(&turned, crest.apical_mm, crest.buccal_mm, LONG_AXIS_MM);
        let metal: Vec<SectionPoint> =
            beside_metal.iter().map(|m| m.in_turned_frame(lean_deg)).collect();
        let is_clear = |level: f64, run: &Run| {
            let at = |end: f64| SectionPoint::new(end, crest.apical_mm + level);
            let ends = [at(run.buccal.buccal_mm), at(run.lingual.buccal_mm)];
            !metal.iter().any(|m| ends.iter().any(|e| e.distance_mm(*m) <= METAL_NEAR_MM))
        };
        let middles: Vec<(f64, f64)> = runs
            .iter()
            .filter(|(level, run)| *level >= CREST_ROUNDED_MM && run.is_whole())
            .filter(|(level, run)| is_clear(*level, run))
            .map(|(level, run)| (level, run.middle_mm()))
            .collect();
        let usable = middles.last().map_or(0.0, |m| m.0);
        if usable < LONG_AXIS_LEAST_MM || (middles.len() as f64) * 0.05 < LONG_AXIS_LEAST_MM {
            return Err(usable);
        }
        let by = straight(&middles).ok_or(usable)?.1.atan().to_degrees();
        lean_deg += by;
        turned = outline.in_turned_frame(lean_deg);
        if by.abs() < TURN_SETTLED_DEG {
            return Ok((lean_deg, turned));
        }
        if lean_deg.abs() > 60.0 {
            break;
        }
    }
    Err(0.0)
}
