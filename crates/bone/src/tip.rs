//! A sharp crest put back where the blur has worn it away.

use jawgauge_space::SectionPoint;

use crate::crest::{straight, top_vertex};
use crate::gum::{Budget, Source};
use crate::levels::GreyLevels;
use crate::outline::Outline;
use crate::profile::FWHM_PER_SIGMA;
use crate::runs::{RidgeRuns, Run};
use crate::uncertainty::Measured;

/// A crest of more than this many standard deviations of the blur in radius is not sharp.
const SHARP_SIGMAS: f64 = 5.0;
/// The walls are read from this many standard deviations below the visible tip ...
const WALLS_FROM_SIGMAS: f64 = 3.5;
/// ... but at least from here, mm, and over this much, mm.
const WALLS_FROM_LEAST_MM: f64 = 0.6;
const WALLS_OVER_MM: f64 = 1.2;
/// Walls that open by less than this share of depth meet too far away to tell a tip.
const OPENING_LEAST: f64 = 0.15;
/// Corrections below this, mm, are not worth making.
const LEAST_MM: f64 = 0.02;
/// The largest tip that is put back, in standard deviations of the blur.
const MOST_SIGMAS: f64 = 6.0;
/// The visible tip is uncertain by this many voxel steps or standard deviations of the blur,
/// whichever is more: the largest errors seen in phantoms.
const TIP_VOXELS: f64 = 0.3;
const TIP_SIGMAS: f64 = 0.4;
/// What that moves the answer by, times this, holds the truth in 95 of 100 phantoms.
const TIP_COVER: f64 = 3.2;
/// Share of what a knife's tip would be higher by that the expanded uncertainty takes in.
const KNIFE_SHARE: f64 = 0.6;
/// Blur wears no knife down by more than this many of its standard deviations (30 degrees: 2.6).
const KNIFE_SIGMAS: f64 = 3.0;
/// ... and one that seems to have lost next to nothing is none: at most this many times what it seems.
const KNIFE_TIMES: f64 = 5.0;
/// Distance of the points of a put-back tip, mm.
const STEP_MM: f64 = 0.05;

/// A tip that was put back.
#[derive(Debug, Clone)]
pub(crate) struct SharpTip {
    /// The outline with it.
    pub(crate) outline: Outline,
    /// How far it reaches beyond the visible one.
    pub(crate) added: Measured,
}

/// Puts the tip of a sharp crest back; `None` where the crest is not sharp or its walls do not
/// tell.
///
/// Blur wears the half-way contour of a knife edge down by a few standard deviations. Between
/// straight walls, whose lines are read below the reach of the blur, the tip is taken to be a
/// circle that touches both. On the line down its middle the blurred grey value has a closed
/// form but for one integral,
///
/// g(v) = integral of phi((v - t) / s) / s * erf(w(t) / (2 sqrt(2) s)) dt,
///
/// with w(t) the width of the unblurred shape at depth t, s the standard deviation of the blur
/// and phi the normal density. The radius is the one for which g is half-way at the visible tip.
///
/// # Limits
///
/// All bone between the walls counts as cortex, as it is in a knife edge of a few blurs.
pub(crate) fn put_back(outline: &Outline, levels: &GreyLevels, voxel_mm: f64) -> Option<SharpTip> {
    let sigma = levels.blur_fwhm_mm / FWHM_PER_SIGMA;
    let (crest, radius) = top_vertex(outline)?;
    if radius > SHARP_SIGMAS * sigma {
        return None;
    }
    let from = (WALLS_FROM_SIGMAS * sigma).max(WALLS_FROM_LEAST_MM);
    let runs = RidgeRuns::follow(outline, crest.apical_mm, crest.buccal_mm, from + WALLS_OVER_MM);
    let walls = Walls::read(&runs, from)?;
    let visible = walls.apex_above_mm;
    let radius = walls.tip_radius(visible, sigma);
    let added_mm = visible - walls.tip_below_apex(radius);
    if !(added_mm >= LEAST_MM && added_mm <= MOST_SIGMAS * sigma) {
        return None;
    }
    // How the answer moves where the visible tip is off by its own uncertainty.
    let off = (TIP_VOXELS * voxel_mm).max(TIP_SIGMAS * sigma);
    let moved = [visible - off, visible + off].map(|seen| {
        let lost = seen - walls.tip_below_apex(walls.tip_radius(seen, sigma));
        (lost - added_mm).abs()
    });
    // ... and that the tip may as well be a knife's, which noise hardly tells from a rounded one.
    let if_a_knife = visible - walls.tip_below_apex(0.0) - added_mm;
    let if_a_knife = if_a_knife.abs().min(KNIFE_SIGMAS * sigma).min(KNIFE_TIMES * added_mm);
    let u95_mm = (TIP_COVER * moved[0].max(moved[1]).hypot(off)).hypot(KNIFE_SHARE * if_a_knife);
    let budget = Budget::default().with(Source::Model, 0.5 * u95_mm);
    let outline = walls.replace_tip(outline, crest, radius, from)?;
    Some(SharpTip { outline, added: Measured::new(added_mm, budget) })
}

/// The visible tip of a sharp crest and how far below it the walls are read that put it back, mm;
/// `None` where the crest is not sharp.
pub(crate) fn sharp_reach(outline: &Outline, sigma: f64) -> Option<(SectionPoint, f64)> {
    let (tip, radius) = top_vertex(outline)?;
    let from = (WALLS_FROM_SIGMAS * sigma).max(WALLS_FROM_LEAST_MM);
    (radius <= SHARP_SIGMAS * sigma).then_some((tip, from + WALLS_OVER_MM))
}

/// Two straight walls, in depth below the visible tip.
struct Walls {
    /// Width gained for each millimetre of depth.
    opening: f64,
    /// Middle between the walls at the visible tip's depth, and its gain with depth, mm.
    middle: (f64, f64),
    /// How far above the visible tip the walls' lines meet, mm.
    apex_above_mm: f64,
    /// Sine of half the angle between them.
    sine: f64,
}

impl Walls {
    fn read(runs: &RidgeRuns, from_mm: f64) -> Option<Self> {
        let clean: Vec<(f64, Run)> = runs
            .iter()
            .filter(|(level, run)| *level >= from_mm && run.is_whole())
            .map(|(level, run)| (level, *run))
            .collect();
        if (clean.last()?.0 - clean.first()?.0) < 0.7 * WALLS_OVER_MM {
            return None;
        }
        let line = |value: &dyn Fn(&Run) -> f64| {
            let points: Vec<(f64, f64)> =
                clean.iter().map(|(level, run)| (*level, value(run))).collect();
            straight(&points)
        };
        let (width_mm, opening) = line(&Run::length_mm)?;
        let middle = line(&Run::middle_mm)?;
        if !(opening >= OPENING_LEAST && width_mm > 0.0) {
            return None;
        }
        let sine = (0.5 * opening).atan().sin();
        Some(Self { opening, middle, apex_above_mm: width_mm / opening, sine })
    }

    /// Depth of the tip of a circle of `radius` that touches both walls, below where they meet.
    fn tip_below_apex(&self, radius: f64) -> f64 {
        radius * (1.0 / self.sine - 1.0)
    }

    /// Radius of the tip whose blurred shape is half-way `visible` mm below where the walls meet.
    fn tip_radius(&self, visible: f64, sigma: f64) -> f64 {
        let widest = visible / (1.0 / self.sine - 1.0);
        halve(0.0, 2.0 * widest, |radius| self.grey_on_axis(radius, visible, sigma) > 0.5)
    }

    /// Width of the shape with that circle as its tip, at a depth below where the walls meet.
    fn width_at(&self, radius: f64, depth: f64) -> f64 {
        let below_tip = depth - self.tip_below_apex(radius);
        if below_tip <= 0.0 {
            return 0.0;
        }
        // The circle touches the walls where they are r (1 - sine) below its tip.
        if below_tip < radius * (1.0 - self.sine) {
            return 2.0 * (2.0 * radius * below_tip - below_tip * below_tip).sqrt();
        }
        self.opening * depth
    }

    /// Blurred share of bone on the line down the middle, at a depth below where the walls meet.
    fn grey_on_axis(&self, radius: f64, depth: f64, sigma: f64) -> f64 {
        const STEPS: i32 = 240;
        let reach = 5.0 * sigma;
        let step = 2.0 * reach / f64::from(STEPS);
        let density = |t: f64| (-0.5 * t * t).exp() / (2.0 * std::f64::consts::PI).sqrt();
        (0..=STEPS)
            .map(|n| {
                let off = -reach + f64::from(n) * step;
                let width = self.width_at(radius, depth + off);
                let share = libm::erf(width / (2.0 * std::f64::consts::SQRT_2 * sigma));
                density(off / sigma) / sigma * share * step
            })
            .sum()
    }

    /// The outline with everything above `below_mm` under the visible tip replaced.
    fn replace_tip(
        &self,
        outline: &Outline,
        crest: SectionPoint,
        radius: f64,
        below_mm: f64,
    ) -> Option<Outline> {
        let points = outline.points();
        let n = points.len();
        let top = (0..n).min_by(|&a, &b| points[a].apical_mm.total_cmp(&points[b].apical_mm))?;
        let stays = |i: usize| points[i].apical_mm >= crest.apical_mm + below_mm;
        let walk = |step: usize| (0..n).map(|k| (top + k * step) % n).find(|&i| stays(i));
        let (after, before) = (walk(1)?, walk(n - 1)?);
        let mut vertices = Vec::new();
        let mut i = after;
        loop {
            vertices.push((points[i], outline.clip_at(i)));
            if i == before {
                break;
            }
            i = (i + 1) % n;
        }
        let tip = self.tip_below_apex(radius) - self.apex_above_mm;
        let side = |depth: f64, sign: f64| {
            let half = 0.5 * self.width_at(radius, depth + self.apex_above_mm);
            let middle = self.middle.0 + self.middle.1 * depth;
            (SectionPoint::new(middle + sign * half, crest.apical_mm + depth), None)
        };
        // Clockwise as seen with buccal to the right and apical down: up the left side first.
        let mut depths = vec![tip];
        let mut depth = tip + STEP_MM;
        while depth < below_mm - STEP_MM {
            depths.push(depth);
            depth += STEP_MM;
        }
        vertices.extend(depths.iter().rev().map(|&d| side(d, -1.0)));
        vertices.extend(depths.iter().skip(1).map(|&d| side(d, 1.0)));
        Outline::from_parts(vertices)
    }
}

/// The place between `low` and `high` where `below` turns from true to false.
pub(crate) fn halve(mut low: f64, mut high: f64, below: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if below(middle) { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}
