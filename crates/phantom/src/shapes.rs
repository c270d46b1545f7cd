//! Cross-sections of ridges whose every width has a closed form.
//!
//! A profile is given in the ridge's own axes: `across`, positive to the cheek, and `depth`
//! below the crest along the shape's axis of symmetry, both in millimetres, crest at (0, 0).
//!
//! # Limits
//!
//! Convex, symmetric shapes only: no undercut, no concave plate.

use crate::ridge_error::{RidgeError, angle_in, length_in};
use crate::shapes_outline::Outline;

/// Shortest and longest length of a profile, mm: wider than any jaw both ways.
const PROFILE_MM: (f64, f64) = (0.05, 100.0);
/// Radius below which an eroded shape is a mere line, mm.
const LINE_MM: f64 = 1e-9;

/// The outer shape of the bone in the section, symmetric about its own axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Profile {
    /// Semicircular crest and base, straight parallel walls.
    ///
    /// Width at depth d: 2 sqrt(2 r d - d^2) down to d = r, then 2 r, and mirrored at the
    /// base. With a height of twice the radius it is a disc.
    Rounded {
        /// Radius of crest and base, half the width, mm.
        radius_mm: f64,
        /// Crest to base, mm; at least twice the radius.
        height_mm: f64,
    },
    /// Rounded crest and base, joined by straight walls that touch both circles.
    ///
    /// With s = (R - r)/(h - r - R) the sine of the wall's inclination and c its cosine, the
    /// crest's arc ends at depth r (1 - s); below it, and down to the base's arc at depth
    /// h - R (1 + s), the width is 2 (r + s (d - r)) / c, because the circle that
    /// touches both walls and is centred at depth z has the radius r + s (z - r).
    /// In the arcs it is 2 sqrt(2 r d - d^2), and likewise from the base.
    Tapered {
        /// Radius r of the crest, mm.
        crest_radius_mm: f64,
        /// Radius R of the base, mm.
        base_radius_mm: f64,
        /// Height h from crest to base, mm.
        height_mm: f64,
    },
    /// As [`Profile::Tapered`] with a third circle between: inclined walls down to a
    /// shoulder, other walls from there to the base.
    ///
    /// Widths are those of the upper pair of circles above the shoulder's arc and of the
    /// lower pair below it; at the depth of the shoulder's centre, where walls below are
    /// parallel, it is twice the shoulder's radius. The walls must open less below.
    Shouldered {
        /// Radius of the crest, mm.
        crest_radius_mm: f64,
        /// Radius of the circle at the shoulder, mm.
        shoulder_radius_mm: f64,
        /// Depth of that circle's centre below the crest, mm.
        shoulder_depth_mm: f64,
        /// Radius of the base, mm.
        base_radius_mm: f64,
        /// Height from crest to base, mm.
        height_mm: f64,
    },
    /// A rectangle: flat walls, flat crest. The width is the same at every depth.
    Plate {
        /// Width, mm.
        width_mm: f64,
        /// Crest to base, mm.
        height_mm: f64,
    },
    /// A triangle with its corner at the crest and a flat base.
    /// Width at depth d: 2 d tan(opening / 2).
    Wedge {
        /// Angle between the walls, degrees.
        opening_deg: f64,
        /// Crest to base, mm.
        height_mm: f64,
    },
}

/// A profile as a convex body in its own axes: what can be shrunk and cut by lines.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Body {
    /// Discs on the axis, (depth, radius) from the crest down, radius concave in depth.
    Discs(Vec<(f64, f64)>),
    /// Flat crest and base, straight walls: (depth, half width) of both.
    Trapezoid { top: (f64, f64), bottom: (f64, f64) },
}

impl Profile {
    /// Crest to base along the shape's own axis, mm.
    #[must_use]
    pub fn height_mm(&self) -> f64 {
        match *self {
            Self::Rounded { height_mm, .. }
            | Self::Tapered { height_mm, .. }
            | Self::Shouldered { height_mm, .. }
            | Self::Plate { height_mm, .. }
            | Self::Wedge { height_mm, .. } => height_mm,
        }
    }

    pub(crate) fn body(&self) -> Result<Body, RidgeError> {
        let (low, high) = PROFILE_MM;
        let height = length_in("the height", self.height_mm(), low, high)?;
        match *self {
            Self::Rounded { radius_mm: r, .. } => {
                length_in("the radius", r, low, height / 2.0)?;
                Ok(Body::Discs(vec![(r, r), (height - r, r)]))
            }
            Self::Tapered { crest_radius_mm: r, base_radius_mm: base, .. } => {
                axis_discs(&[(r, r), (height - base, base)])
            }
            Self::Shouldered {
                crest_radius_mm: r,
                shoulder_radius_mm: shoulder,
                shoulder_depth_mm: depth,
                base_radius_mm: base,
                ..
            } => axis_discs(&[(r, r), (depth, shoulder), (height - base, base)]),
            Self::Plate { width_mm, .. } => {
                let half = length_in("the width", width_mm, low, high)? / 2.0;
                Ok(Body::Trapezoid { top: (0.0, half), bottom: (height, half) })
            }
            Self::Wedge { opening_deg, .. } => {
                let half = angle_in("the opening", opening_deg, 1.0, 170.0)?.to_radians() / 2.0;
                Ok(Body::Trapezoid { top: (0.0, 0.0), bottom: (height, height * half.tan()) })
            }
        }
    }
}

/// Checks that no disc swallows the next and that walls do not bend inwards.
fn axis_discs(discs: &[(f64, f64)]) -> Result<Body, RidgeError> {
    let (low, high) = PROFILE_MM;
    let mut slope_above = f64::INFINITY;
    for pair in discs.windows(2) {
        let ((d0, r0), (d1, r1)) = (pair[0], pair[1]);
        length_in("a radius of the profile", r0, low, high)?;
        length_in("a radius of the profile", r1, low, high)?;
        let apart = "the distance between the circles of the profile";
        length_in(apart, d1 - d0, (r1 - r0).abs() + low, high)?;
        let slope = (r1 - r0) / (d1 - d0);
        if !(slope <= slope_above) {
            return Err(RidgeError::Hollow { upper_slope: slope_above, lower_slope: slope });
        }
        slope_above = slope;
    }
    Ok(Body::Discs(discs.to_vec()))
}

impl Body {
    pub(crate) fn outline(&self) -> Outline {
        match self {
            Self::Discs(discs) => Outline::of_axis_discs(discs),
            Self::Trapezoid { top: (top, top_half), bottom: (bottom, half) } => {
                if *top_half < LINE_MM {
                    Outline::of_polygon(&[[0.0, *top], [*half, *bottom], [-half, *bottom]])
                } else {
                    Outline::of_polygon(&[
                        [-top_half, *top],
                        [*top_half, *top],
                        [*half, *bottom],
                        [-half, *bottom],
                    ])
                }
            }
        }
    }

    /// Least and greatest depth.
    pub(crate) fn depths(&self) -> (f64, f64) {
        let outline = self.outline();
        (-outline.reach([0.0, -1.0]), outline.reach([0.0, 1.0]))
    }

    /// All places at least `by` inside: the inward parallel shape, `None` where none is left.
    ///
    /// Discs: the reach of the shrunk hull along n is max(n.c + r) - by, that of the discs
    /// with radii r - by; discs that would vanish give way to the place on the axis where
    /// the circle that touches both walls has the radius `by`. Trapezoid: crest and base
    /// move in by `by`, the walls by `by` sqrt(1 + k^2) across, k their slope; where the
    /// walls meet below the new crest, the shape begins there.
    pub(crate) fn shrunk(&self, by: f64) -> Option<Self> {
        match self {
            Self::Discs(discs) => {
                let mut left: Vec<(f64, f64)> = Vec::new();
                let mut before: Option<(f64, f64)> = None;
                for &(depth, radius) in discs {
                    let now = (depth, radius - by);
                    if let Some((d0, r0)) = before
                        && (r0 < 0.0) != (now.1 < 0.0)
                    {
                        left.push((d0 + (depth - d0) * r0 / (r0 - now.1), 0.0));
                    }
                    if now.1 >= 0.0 {
                        left.push(now);
                    }
                    before = Some(now);
                }
                left.iter().any(|&(_, r)| r > LINE_MM).then_some(Self::Discs(left))
            }
            Self::Trapezoid { top: (top, top_half), bottom: (bottom, half) } => {
                let slope = (half - top_half) / (bottom - top);
                let half_at =
                    |d: f64| top_half + slope * (d - top) - by * (1.0 + slope * slope).sqrt();
                let (mut first, last) = (top + by, bottom - by);
                if half_at(first) < 0.0 && slope > 0.0 {
                    first -= half_at(first) / slope;
                }
                (last - first > LINE_MM && half_at(last) > LINE_MM).then(|| Self::Trapezoid {
                    top: (first, half_at(first).max(0.0)),
                    bottom: (last, half_at(last)),
                })
            }
        }
    }
}

#[cfg(test)]
mod tests;
