//! The most crestal and the most apical place of an outline.

use jawgauge_space::SectionPoint;
use nalgebra::{Matrix3, Vector3};

use crate::error::BoneError;
use crate::outline::Outline;

/// Bone that is cut off within this depth of the crest over more than this width, mm, hides a
/// higher crest; a side that is cut off straight down does not.
const CLIP_DEPTH_MM: f64 = 0.3;
const CLIP_ACROSS_MM: f64 = 0.25;
/// Visible bone may rise above the crest found by this much where it is cut off, mm.
const CLIP_RISE_MM: f64 = 0.05;
/// Half width of the stretch of outline that a parabola is fitted to, mm.
const FIT_REACH_MM: f64 = 0.75;
/// The stretch ends where the outline lies this far below its extreme, mm.
const FIT_DEPTH_MM: f64 = 0.5;
/// A parabola that misses the outline by more than this, mm (root mean square), is not used.
const FIT_MISS_MM: f64 = 0.025;
/// A smooth top lies no further than this from the extreme vertex, mm: noise, not shape.
const SMOOTH_MM: f64 = 0.15;
/// A fitted top may rise above the extreme vertex by this, mm: vertices are 0.1 to 0.2 mm apart.
const OVERSHOOT_MM: f64 = 0.005;
/// Vertices this close to the top, mm, belong to a flat one.
const FLAT_MM: f64 = 0.1;
/// Tops of more than this radius are flat, mm: over its stretch such a top falls by 0.01 mm.
const FLAT_RADIUS_MM: f64 = 20.0;

/// The most crestal place of the unclipped outline (`None` where all of it is clipped).
///
/// The extreme vertex of a noisy outline is too far out. So a parabola is fitted to the stretch
/// of outline within 0.75 mm of each vertex near the top, and the highest of their tops is taken;
/// where no parabola fits (an edge, a knife), the extreme vertex itself. On a flat top a straight
/// line is fitted instead.
pub(crate) fn crest_of(outline: &Outline) -> Option<SectionPoint> {
    extreme(outline, 1.0)
}

/// The crest, unless bone is cut off above it: by bone that is cut off higher up, or along a
/// stretch that runs across at its height.
pub(crate) fn checked_crest(outline: &Outline) -> Result<SectionPoint, BoneError> {
    let crest = crest_of(outline).ok_or(BoneError::CrestClipped)?;
    let cut: Vec<SectionPoint> = (0..outline.points().len())
        .filter(|&i| outline.clip_at(i).is_some())
        .map(|i| outline.points()[i])
        .filter(|p| p.apical_mm < crest.apical_mm + CLIP_DEPTH_MM)
        .collect();
    let rises = cut.iter().any(|p| p.apical_mm < crest.apical_mm - CLIP_RISE_MM);
    let (low, high) = cut.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| {
        (l.min(p.buccal_mm), h.max(p.buccal_mm))
    });
    if rises || high - low > CLIP_ACROSS_MM { Err(BoneError::CrestClipped) } else { Ok(crest) }
}

/// The most apical place of the unclipped outline, found as [`crest_of`].
pub(crate) fn base_of(outline: &Outline) -> Option<SectionPoint> {
    extreme(outline, -1.0)
}

/// The most crestal unclipped vertex, and the radius of the outline there, mm, by the parabola
/// around it.
pub(crate) fn top_vertex(outline: &Outline) -> Option<(SectionPoint, f64)> {
    let top = extreme_vertex(outline, 1.0)?;
    // Over a shorter stretch than for the top's place, since sharp tops are looked for.
    let stretch = stretch(outline, top, 1.0, 0.5 * FIT_REACH_MM);
    let local: Vec<(f64, f64)> = stretch
        .iter()
        .map(|p| (p.buccal_mm - outline.points()[top].buccal_mm, p.apical_mm))
        .collect();
    let [_, _, c] = parabola(&local)?;
    (c > 0.0).then(|| (outline.points()[top], 0.5 / c))
}

fn extreme_vertex(outline: &Outline, sign: f64) -> Option<usize> {
    let depth = |i: &usize| sign * outline.points()[*i].apical_mm;
    (0..outline.points().len())
        .filter(|&i| outline.clip_at(i).is_none())
        .min_by(|a, b| depth(a).total_cmp(&depth(b)))
}

fn extreme(outline: &Outline, sign: f64) -> Option<SectionPoint> {
    let points = outline.points();
    let depth = |p: SectionPoint| sign * p.apical_mm;
    let top = points[extreme_vertex(outline, sign)?];
    let smooth = (0..points.len())
        .filter(|&i| outline.clip_at(i).is_none() && depth(points[i]) - depth(top) <= SMOOTH_MM)
        .filter_map(|i| top_of_parabola(points[i], &stretch(outline, i, sign, FIT_REACH_MM), sign))
        // A parabola through a corner shoots over it; none may rise above the outline itself.
        .filter(|t| (-OVERSHOOT_MM..=SMOOTH_MM).contains(&(depth(t.place) - depth(top))))
        .min_by(|a, b| depth(a.place).total_cmp(&depth(b.place)));
    Some(match smooth {
        Some(found) if found.radius_mm < FLAT_RADIUS_MM => found.place,
        Some(found) => top_of_flat(outline, found.place, sign),
        None => top_of_flat(outline, top, sign),
    })
}

/// The outline about a vertex: within `reach_mm` across and not deeper than 0.5 mm below it.
fn stretch(outline: &Outline, index: usize, sign: f64, reach_mm: f64) -> Vec<SectionPoint> {
    let points = outline.points();
    let n = points.len();
    let top = points[index];
    let mut stretch = vec![top];
    for direction in [1, n - 1] {
        let mut i = index;
        for _ in 0..n {
            i = (i + direction) % n;
            let p = points[i];
            let beyond = (p.buccal_mm - top.buccal_mm).abs() > reach_mm
                || (sign * (p.apical_mm - top.apical_mm)) > FIT_DEPTH_MM;
            if beyond || outline.clip_at(i).is_some() {
                break;
            }
            stretch.push(p);
        }
    }
    stretch
}

/// The top of a flat stretch: the higher end of the straight line that fits it best, or its
/// middle where the ends differ by less than 0.05 mm.
///
/// The vertices of the stretch are those within 0.1 mm of `top`'s height.
fn top_of_flat(outline: &Outline, top: SectionPoint, sign: f64) -> SectionPoint {
    let near: Vec<(f64, f64)> = outline
        .points()
        .iter()
        .map(|p| (p.buccal_mm - top.buccal_mm, sign * p.apical_mm))
        .filter(|(_, depth)| (depth - sign * top.apical_mm).abs() <= FLAT_MM)
        .collect();
    let (low, high) = near.iter().fold((0.0_f64, 0.0_f64), |(l, h), (x, _)| (l.min(*x), h.max(*x)));
    let line = straight(&near).filter(|_| near.len() >= 4 && high - low >= FIT_REACH_MM);
    let at = |x: f64, depth: f64| SectionPoint::new(top.buccal_mm + x, sign * depth);
    let Some((level, slope)) = line else { return at(0.5 * (low + high), sign * top.apical_mm) };
    if (slope * (high - low)).abs() < 0.5 * FLAT_MM {
        let middle = 0.5 * (low + high);
        return at(middle, level + slope * middle);
    }
    let end = if slope > 0.0 { low } else { high };
    at(end, level + slope * end)
}

struct Top {
    place: SectionPoint,
    radius_mm: f64,
}

/// The top of the parabola through the stretch about a vertex, where it fits; only the part
/// next to the vertex counts, since the next vertices have parabolas of their own.
fn top_of_parabola(about: SectionPoint, stretch: &[SectionPoint], sign: f64) -> Option<Top> {
    const NEXT_MM: f64 = 0.2;
    if stretch.len() < 6 {
        return None;
    }
    let local: Vec<(f64, f64)> =
        stretch.iter().map(|p| (p.buccal_mm - about.buccal_mm, sign * p.apical_mm)).collect();
    let [a, b, c] = parabola(&local)?;
    let n = local.len() as f64;
    let miss =
        (local.iter().map(|(x, y)| (y - a - b * x - c * x * x).powi(2)).sum::<f64>() / n).sqrt();
    // A stretch that ends beside the vertex says nothing of what lies on its other side.
    let both_sides =
        [-1.0, 1.0].iter().all(|s| local.iter().any(|(x, _)| s * x >= 0.4 * FIT_REACH_MM));
    if !(miss <= FIT_MISS_MM) || !both_sides {
        return None;
    }
    let x = if c > 1e-6 { (-b / (2.0 * c)).clamp(-NEXT_MM, NEXT_MM) } else { 0.0 };
    let radius_mm = if c > 1e-6 { 0.5 / c } else { f64::INFINITY };
    let place = SectionPoint::new(about.buccal_mm + x, sign * (a + b * x + c * x * x));
    Some(Top { place, radius_mm })
}

/// The parabola y = a + b x + c x^2 that fits `(x, y)` best, `[a, b, c]` (least squares).
pub(crate) fn parabola(points: &[(f64, f64)]) -> Option<[f64; 3]> {
    let mut normal = Matrix3::zeros();
    let mut right = Vector3::zeros();
    for &(x, y) in points {
        let row = Vector3::new(1.0, x, x * x);
        normal += row * row.transpose();
        right += row * y;
    }
    let found = normal.cholesky()?.solve(&right);
    found.iter().all(|c| c.is_finite()).then(|| [found[0], found[1], found[2]])
}

/// Value at 0 and slope of the straight line that fits `(x, y)` best; `None` where all x are one.
pub(crate) fn straight(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let n = points.len() as f64;
    let (mx, my) = points.iter().fold((0.0, 0.0), |m, p| (m.0 + p.0 / n, m.1 + p.1 / n));
    let (xy, xx) = points
        .iter()
        .fold((0.0, 0.0), |s, p| (s.0 + (p.0 - mx) * (p.1 - my), s.1 + (p.0 - mx).powi(2)));
    (xx > 1e-12).then(|| (my - mx * xy / xx, xy / xx))
}
