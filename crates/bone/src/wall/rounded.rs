//! The outline between fitted places, and fitted places that do not belong to it.

use jawgauge_space::SectionPoint;

use super::fitting::WallFit;
use crate::outline::Clip;

/// Distance of vertices between fitted places, mm.
const BETWEEN_MM: f64 = 0.12;
/// A surface stands out where it is off the median of those within this, mm, by more than this, mm, and
/// this many of its standard uncertainties.
const NEIGHBOUR_MM: f64 = 0.9;
const OUT_MM: f64 = 0.08;
const OUT_SIGMAS: f64 = 2.0;

/// A vertex, and what cut it off.
pub(crate) type Vertex = (SectionPoint, Option<Clip>);

/// The vertices with more between them along smooth stretches: on the cubic through four neighbours
/// (Catmull and Rom), so that no chord cuts a bend short.
pub(crate) fn rounded(vertices: &[Vertex]) -> Vec<Vertex> {
    let n = vertices.len();
    let mut out = Vec::new();
    for i in 0..n {
        let four = [n - 1, 0, 1, 2].map(|k| vertices[(i + k) % n]);
        out.push(four[1]);
        let [a, b, c, d] = four.map(|v| v.0);
        let gap = b.distance_mm(c);
        // Steps of unlike length or a turn belong to corners.
        let even =
            [a.distance_mm(b), c.distance_mm(d)].iter().all(|s| *s > 0.5 * gap && *s < 2.0 * gap);
        let straight = a.distance_mm(d) > 0.9 * (a.distance_mm(b) + gap + c.distance_mm(d));
        if gap < 2.0 * BETWEEN_MM || !even || !straight || four.iter().any(|v| v.1.is_some()) {
            continue;
        }
        // A few steps of a tenth of a millimetre.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let steps = (gap / BETWEEN_MM).round() as u32;
        for step in 1..steps {
            let t = f64::from(step) / f64::from(steps);
            let weights = [
                0.5 * t * (-1.0 + t * (2.0 - t)),
                1.0 + 0.5 * t * t * (-5.0 + 3.0 * t),
                0.5 * t * (1.0 + t * (4.0 - 3.0 * t)),
                0.5 * t * t * (t - 1.0),
            ];
            let sum = |value: fn(&SectionPoint) -> f64| -> f64 {
                weights.iter().zip([a, b, c, d]).map(|(w, p)| w * value(&p)).sum()
            };
            out.push((SectionPoint::new(sum(|p| p.buccal_mm), sum(|p| p.apical_mm)), None));
        }
    }
    out
}

/// Whether a wall's surface lies elsewhere than its neighbours' on the outline: by more than their
/// uncertainties allow.
pub(crate) fn stands_out(fits: &[WallFit], n: usize) -> bool {
    let here = &fits[n];
    let mut near: Vec<f64> = fits[n.saturating_sub(4)..(n + 5).min(fits.len())]
        .iter()
        .filter(|w| w.place.index != here.place.index)
        .filter(|w| w.place.at.distance_mm(here.place.at) <= NEIGHBOUR_MM)
        .map(|w| w.fit.slab.surface)
        .collect();
    if near.len() < 3 {
        return false;
    }
    near.sort_by(f64::total_cmp);
    let u_mm = here.fit.covariance[(0, 0)].sqrt();
    (here.fit.slab.surface - near[near.len() / 2]).abs() > OUT_MM + OUT_SIGMAS * u_mm
}
