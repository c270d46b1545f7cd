//! The bone on a line across the section.

use crate::outline::{Clip, Outline};

/// Distance of the lines along which the ridge is followed down from its crest, mm.
const FOLLOW_STEP_MM: f64 = 0.05;

/// One end of a run of bone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunEnd {
    /// Where the line leaves the bone, buccal coordinate, mm.
    pub buccal_mm: f64,
    /// What cut the bone off there, if anything did.
    pub clip: Option<Clip>,
}

/// A stretch of a line across the section that lies in the bone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    /// Its end on the tongue's side.
    pub lingual: RunEnd,
    /// Its end on the cheek's side.
    pub buccal: RunEnd,
}

impl Run {
    /// Length, mm.
    #[must_use]
    pub fn length_mm(&self) -> f64 {
        self.buccal.buccal_mm - self.lingual.buccal_mm
    }

    /// Buccal coordinate of the middle, mm.
    #[must_use]
    pub fn middle_mm(&self) -> f64 {
        0.5 * (self.buccal.buccal_mm + self.lingual.buccal_mm)
    }

    /// Whether neither end was cut off.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.lingual.clip.is_none() && self.buccal.clip.is_none()
    }

    fn overlap_mm(&self, other: &Self) -> f64 {
        self.buccal.buccal_mm.min(other.buccal.buccal_mm)
            - self.lingual.buccal_mm.max(other.lingual.buccal_mm)
    }
}

/// The runs of bone on the line at apical coordinate `at_mm`, lingual to buccal.
pub(crate) fn runs_at(outline: &Outline, at_mm: f64) -> Vec<Run> {
    let mut ends = Vec::new();
    for (index, (a, b)) in outline.sides().enumerate() {
        if (a.apical_mm <= at_mm) != (b.apical_mm <= at_mm) {
            let t = (at_mm - a.apical_mm) / (b.apical_mm - a.apical_mm);
            ends.push(RunEnd {
                buccal_mm: a.buccal_mm + t * (b.buccal_mm - a.buccal_mm),
                clip: outline.side_clip(index),
            });
        }
    }
    pair(ends)
}

fn pair(mut ends: Vec<RunEnd>) -> Vec<Run> {
    ends.sort_by(|a, b| a.buccal_mm.total_cmp(&b.buccal_mm));
    ends.chunks_exact(2).map(|p| Run { lingual: p[0], buccal: p[1] }).collect()
}

/// The ridge followed down from its crest, line by line: on each line the run that overlaps
/// most with the run above it.
#[derive(Debug, Clone)]
pub(crate) struct RidgeRuns {
    crest_mm: f64,
    followed: Vec<Run>,
}

impl RidgeRuns {
    /// Follows the ridge of `outline` from the crest at apical coordinate `crest_mm` (and at
    /// buccal coordinate `crest_buccal_mm`) to `deepest_mm` below it or to where it ends.
    pub(crate) fn follow(
        outline: &Outline,
        crest_mm: f64,
        crest_buccal_mm: f64,
        deepest_mm: f64,
    ) -> Self {
        let lines = line_count(deepest_mm);
        let mut ends: Vec<Vec<RunEnd>> = vec![Vec::new(); lines];
        for (index, (a, b)) in outline.sides().enumerate() {
            let (low, high) = (a.apical_mm.min(b.apical_mm), a.apical_mm.max(b.apical_mm));
            let first = line_count(low - crest_mm).saturating_sub(2);
            for (line, on_line) in ends.iter_mut().enumerate().skip(first) {
                let at = line_at(crest_mm, line);
                if at > high {
                    break;
                }
                if (a.apical_mm <= at) != (b.apical_mm <= at) {
                    let t = (at - a.apical_mm) / (b.apical_mm - a.apical_mm);
                    on_line.push(RunEnd {
                        buccal_mm: a.buccal_mm + t * (b.buccal_mm - a.buccal_mm),
                        clip: outline.side_clip(index),
                    });
                }
            }
        }
        let mut followed: Vec<Run> = Vec::new();
        for on_line in ends {
            let runs = pair(on_line);
            let above = followed.last().copied();
            let next = match above {
                Some(above) => best_overlap(&runs, &above),
                None => runs.into_iter().min_by(|a, b| {
                    let off = |r: &Run| (r.middle_mm() - crest_buccal_mm).abs();
                    off(a).total_cmp(&off(b))
                }),
            };
            match next {
                Some(run) => followed.push(run),
                None => break,
            }
        }
        Self { crest_mm, followed }
    }

    /// Level of the last line on which there is still bone, mm below the crest.
    pub(crate) fn ends_mm(&self) -> f64 {
        self.followed.len() as f64 * FOLLOW_STEP_MM
    }

    /// The run at `level_mm` below the crest that continues from the runs above it.
    pub(crate) fn at_level(&self, outline: &Outline, level_mm: f64) -> Option<Run> {
        let above = self
            .followed
            .get(line_count(level_mm).saturating_sub(1).min(self.followed.len().checked_sub(1)?))?;
        best_overlap(&runs_at(outline, self.crest_mm + level_mm), above)
    }

    /// Levels, mm below the crest, and runs that were followed.
    pub(crate) fn iter(&self) -> impl Iterator<Item = (f64, &Run)> + '_ {
        self.followed.iter().enumerate().map(|(line, run)| (line_at(0.0, line), run))
    }
}

fn line_at(crest_mm: f64, line: usize) -> f64 {
    crest_mm + (line as f64 + 1.0) * FOLLOW_STEP_MM
}

/// Whole steps in a depth, none for a negative one.
fn line_count(depth_mm: f64) -> usize {
    // Negative saturates to 0; depths are tens of millimetres.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    {
        (depth_mm / FOLLOW_STEP_MM + 1e-9).floor() as usize
    }
}

fn best_overlap(runs: &[Run], above: &Run) -> Option<Run> {
    runs.iter()
        .filter(|r| r.overlap_mm(above) > 0.0)
        .max_by(|a, b| a.overlap_mm(above).total_cmp(&b.overlap_mm(above)))
        .copied()
}
