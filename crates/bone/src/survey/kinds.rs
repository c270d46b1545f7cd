//! Which peak is which tissue.

use super::histogram::{Histogram, Mode};
use super::rows::Rows;

/// Peaks nearer to each other than this share of the way from the darkest to bone are one kind
/// (muscle and fat).
const APART_SHARE: f64 = 0.15;
/// Bone holds this share of what is denser than soft tissue.
const BONE_SHARE: f64 = 0.2;
/// A peak this many times as far above soft tissue as the next lower one, or as soft tissue above
/// air, is metal.
const METAL_PEAK_RATIO: f64 = 5.0;
/// Metal lies above soft tissue by this many steps to bone ...
const METAL_STEPS: f64 = 2.5;
/// ... and by this many steps to the densest peak.
const METAL_ABOVE_DENSEST: f64 = 1.25;
/// So many voxels at the highest value are a pile, where they are more than half as many as those
/// in the stretch below it, a twentieth of the step to bone: metal cut off by the scan's range ...
const LEAST_PILE: u64 = 20;
const PILE_STRETCH: f64 = 0.05;
/// ... and then metal lies above soft tissue by this many steps to bone.
const PILED_STEPS: f64 = 2.0;
/// A value that fills the surroundings has this share of its peak's voxels in one bin, and no
/// other peak has half of its own.
const FILL_SPIKE: f64 = 0.98;
const TISSUE_SPIKE: f64 = 0.5;
/// Two kinds border on each other where runs of them are at most this many voxels apart.
const LARGEST_GAP: usize = 6;
/// A run of one kind is at least this many voxels long.
const LEAST_RUN: usize = 2;

/// The peaks that are told.
pub(super) struct Kinds<'a> {
    pub(super) air: Option<&'a Mode>,
    pub(super) soft: &'a Mode,
    pub(super) bone: Option<&'a Mode>,
    /// Whether `soft` may as well be air.
    pub(super) unsure: bool,
    pub(super) fill: Option<f64>,
}

/// Names the peaks; `None` where fewer than two are left.
pub(super) fn tell_kinds<'a>(rows: &Rows<'_>, modes: &'a [Mode]) -> Option<Kinds<'a>> {
    let (fill, modes) = without_fill(rows, modes);
    let [darkest, others @ ..] = modes else { return None };
    if others.is_empty() {
        return None;
    }
    let most_frequent = |modes: &'a [Mode]| {
        let largest = modes.iter().map(|m| m.share).fold(0.0, f64::max);
        modes.iter().position(|m| m.share >= largest)
    };
    // Air, soft tissue and bone, if they lie so.
    let soft = most_frequent(others)?;
    let bone = bone_above(&others[soft], &others[soft + 1..], Some(darkest.grey), darkest.grey);
    if let Some(bone) = bone {
        let soft = &others[soft];
        let apart = soft.grey - darkest.grey >= APART_SHARE * (bone.grey - darkest.grey);
        if apart && is_between(rows, [darkest, soft, bone]) {
            return Some(Kinds { air: Some(darkest), soft, bone: Some(bone), unsure: false, fill });
        }
    }
    let soft = most_frequent(modes)?;
    let bone = bone_above(&modes[soft], &modes[soft + 1..], None, darkest.grey);
    Some(Kinds { air: None, soft: &modes[soft], bone, unsure: true, fill })
}

/// The peaks without one value that fills the surroundings of a scan that has noise.
fn without_fill<'a>(rows: &Rows<'_>, modes: &'a [Mode]) -> (Option<f64>, &'a [Mode]) {
    match modes {
        [fill, tissues @ ..]
            if !tissues.is_empty()
                && fill.spike >= FILL_SPIKE
                && tissues.iter().all(|m| m.spike < TISSUE_SPIKE)
                && rows.corners_hold(|grey| fill.from <= grey && grey <= fill.to) =>
        {
            (Some(fill.grey), tissues)
        }
        _ => (None, modes),
    }
}

/// Bone among the peaks above soft tissue.
fn bone_above<'a>(
    soft: &Mode,
    above: &'a [Mode],
    air: Option<f64>,
    darkest: f64,
) -> Option<&'a Mode> {
    let densest = above.last()?;
    let apart = |m: &&Mode| m.grey - soft.grey >= APART_SHARE * (densest.grey - darkest);
    let all: f64 = above.iter().map(|m| m.share).sum();
    let far = |m: &Mode, step: f64| m.grey - soft.grey > METAL_PEAK_RATIO * step;
    let mut bones: Vec<&Mode> = Vec::new();
    for mode in above {
        let metal = bones.last().is_some_and(|b| far(mode, b.grey - soft.grey))
            || air.is_some_and(|air| far(mode, soft.grey - air));
        if metal {
            break;
        }
        bones.push(mode);
    }
    let bones: Vec<&Mode> = bones.into_iter().filter(apart).collect();
    let plenty = bones.iter().rev().find(|m| m.share >= BONE_SHARE * all);
    plenty.or_else(|| bones.iter().max_by(|a, b| a.share.total_cmp(&b.share))).copied()
}

/// Whether the middle kind borders on either of the others more often than those on each other.
fn is_between(rows: &Rows<'_>, kinds: [&Mode; 3]) -> bool {
    let kind_of = |grey: f64| {
        kinds.iter().position(|m| {
            let reach = 2.0 * m.half_width;
            grey >= m.from.max(m.grey - reach) && grey <= m.to.min(m.grey + reach)
        })
    };
    // Darkest and middle, middle and densest, darkest and densest.
    let mut borders = [0_u64; 3];
    rows.lines(|line| {
        let (mut last, mut run, mut now) = (None::<(usize, usize)>, 0, None);
        for (i, &grey) in line.iter().enumerate() {
            let kind = kind_of(grey);
            run = if kind == now { run + 1 } else { 1 };
            now = kind;
            let Some(kind) = kind.filter(|_| run >= LEAST_RUN) else { continue };
            if let Some((other, end)) = last
                && other != kind
                && i - end <= LARGEST_GAP + LEAST_RUN
            {
                let pair = if other + kind == 2 { 2 } else { other.min(kind) };
                borders[pair] += 1;
            }
            last = Some((kind, i));
        }
    });
    let [dark, dense, skipped] = borders;
    skipped < dark.min(dense)
}

/// The grey value above which voxels are metal.
pub(super) fn metal_from(histogram: &Histogram, modes: &[Mode], soft: &Mode, bone: &Mode) -> f64 {
    let step = bone.grey - soft.grey;
    let at_most = soft.grey + METAL_STEPS * step;
    let densest = modes.iter().map(|m| m.grey).filter(|&g| g <= at_most).fold(bone.grey, f64::max);
    let above_densest = soft.grey + METAL_ABOVE_DENSEST * (densest - soft.grey);
    let (top, below) = histogram.at_the_top(PILE_STRETCH * step);
    let piled = (soft.grey + PILED_STEPS * step).max(above_densest);
    let is_piled = top >= LEAST_PILE && top > below / 2 && histogram.highest() > piled;
    if is_piled { piled } else { at_most.max(above_densest) }
}
