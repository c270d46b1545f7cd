//! The blurred grey values of a cross-section on a fine grid.

use rayon::prelude::*;

use crate::ridge::{CortexShares, RidgeLook};
use crate::shapes_outline::pixel_share;
use crate::shapes_section::{CrossSection, SoftTissue};

/// Widest pitch of the fine grid, mm.
const PITCH_MM: f64 = 0.02;
/// The pitch is at most this share of the blur's standard deviation: linear interpolation
/// between pixels then moves an edge by less than pitch^2 / (8 sigma) = 0.005 sigma, and not
/// at all at its half contrast.
const PITCH_SHARE: f64 = 0.2;
/// Half width of the kernel in standard deviations; 6e-7 of its weight lies beyond.
const KERNEL_SIGMAS: f64 = 5.0;
/// Over this much across one wall's cortex passes into the other's, mm.
const BETWEEN_WALLS_MM: f64 = 1.0;
/// Over this much depth the walls' cortex passes into that of crest and base, mm.
const TO_ENDS_MM: f64 = 1.5;
/// Half the diagonal of a square pixel in pitches, rounded up.
const HALF_DIAGONAL: f64 = 0.7072;

/// Blurred grey values in the shape's own axes, across and depth.
#[derive(Debug, Clone)]
pub(crate) struct SectionMap {
    across_low: f64,
    depth_low: f64,
    pitch: f64,
    columns: usize,
    rows: usize,
    far: f64,
    above_far: Vec<f32>,
}

/// A cross-section whose grey value can be asked at any place.
struct Painter<'a> {
    section: &'a CrossSection,
    look: &'a RidgeLook,
    pitch: f64,
}

impl SectionMap {
    /// Paints the section, each pixel the mean over its square, and blurs it by a Gaussian
    /// of standard deviation `sigma_mm`.
    ///
    /// The kernel's variance is less by h^2/12 for the pixel's square and by h^2/6 for the
    /// mean broadening of linear interpolation, h the pitch.
    pub(crate) fn new(section: &CrossSection, look: &RidgeLook, sigma_mm: f64) -> Self {
        let pitch = PITCH_MM.min(PITCH_SHARE * sigma_mm);
        let painter = Painter { section, look, pitch };
        let layer = match section.soft_tissue() {
            SoftTissue::Layer(thickness) => thickness,
            SoftTissue::None | SoftTissue::Everywhere => 0.0,
        };
        let margin = layer + KERNEL_SIGMAS * sigma_mm + 3.0 * pitch;
        let outline = section.outline();
        let low = [[-1.0, 0.0], [0.0, -1.0]].map(|n| -outline.reach(n) - margin);
        let high = [[1.0, 0.0], [0.0, 1.0]].map(|n| outline.reach(n) + margin);
        let columns = whole((high[0] - low[0]) / pitch) + 1;
        let rows = whole((high[1] - low[1]) / pitch) + 1;
        let mut above_far = vec![0.0_f32; columns * rows];
        above_far.par_chunks_mut(columns).enumerate().for_each(|(r, row)| {
            painter.fill_row(row, low[0], low[1] + r as f64 * pitch);
        });
        let variance = (sigma_mm / pitch).powi(2) - 1.0 / 12.0 - 1.0 / 6.0;
        blur(&mut above_far, columns, &kernel(variance));
        let far = painter.far();
        Self { across_low: low[0], depth_low: low[1], pitch, columns, rows, far, above_far }
    }

    /// The grey value at a place in the shape's own axes, linear between pixels.
    pub(crate) fn at(&self, across: f64, depth: f64) -> f64 {
        let x = (across - self.across_low) / self.pitch;
        let y = (depth - self.depth_low) / self.pitch;
        let last = |n: usize| (n - 1) as f64;
        if !(x >= 0.0 && y >= 0.0 && x < last(self.columns) && y < last(self.rows)) {
            return self.far;
        }
        let (i, j) = (whole(x), whole(y));
        let (sx, sy) = (x - i as f64, y - j as f64);
        let first = j * self.columns + i;
        let value = |n: usize| f64::from(self.above_far[n]);
        let upper = value(first) * (1.0 - sx) + value(first + 1) * sx;
        let second = first + self.columns;
        let lower = value(second) * (1.0 - sx) + value(second + 1) * sx;
        self.far + upper * (1.0 - sy) + lower * sy
    }
}

impl Painter<'_> {
    fn far(&self) -> f64 {
        match self.section.soft_tissue() {
            SoftTissue::Everywhere => self.look.greys.soft,
            SoftTissue::None | SoftTissue::Layer(_) => self.look.greys.air,
        }
    }

    /// One row of pixels, as grey above the far value. No boundary is nearer to a pixel's
    /// centre than the painter says, so that the pixels up to there are alike.
    fn fill_row(&self, row: &mut [f32], across_low: f64, depth: f64) {
        let far = self.far();
        let mut i = 0;
        while i < row.len() {
            let (grey, clearance) = self.at(across_low + i as f64 * self.pitch, depth);
            let alike = (clearance / self.pitch - HALF_DIAGONAL).floor().max(0.0);
            let end = (i + 1 + whole(alike)).min(row.len());
            // Grey values of some thousands keep 1e-4 of a step in 32 bits.
            #[allow(clippy::cast_possible_truncation)]
            row[i..end].fill((grey - far) as f32);
            i = end;
        }
    }

    /// Mean grey of the pixel around a place, and the distance to the nearest boundary.
    fn at(&self, across: f64, depth: f64) -> (f64, f64) {
        let greys = self.look.greys;
        let (distance, normal) = self.section.outline().signed_distance([across, depth]);
        let share = |distance: f64, normal: [f64; 2]| pixel_share(distance, normal, self.pitch);
        let mut clearance = distance.abs();
        let mut near = |distance: f64| clearance = clearance.min(distance.abs());
        let outside = match self.section.soft_tissue() {
            SoftTissue::None => greys.air,
            SoftTissue::Everywhere => greys.soft,
            SoftTissue::Layer(thickness) => {
                near(distance - thickness);
                mix(greys.air, greys.soft, share(distance - thickness, normal))
            }
        };
        let (cortex, even) = self.cortex_at(across, depth);
        if !even && distance <= HALF_DIAGONAL * self.pitch {
            near(0.0);
        }
        let mut grey = mix(outside, cortex, share(distance, normal));
        if let (Some(cortex), Some(marrow)) = (self.section.cortex(), self.section.marrow()) {
            let plates = [cortex.buccal_mm, cortex.lingual_mm].map(|t| {
                near(distance + t);
                share(distance + t, normal)
            });
            let buccal_half = if cortex.buccal_mm == cortex.lingual_mm {
                1.0
            } else {
                near(across);
                share(-across, [-1.0, 0.0])
            };
            let ends = [marrow.top_mm - depth, depth - marrow.bottom_mm].map(|d| {
                near(d);
                share(d, [0.0, 1.0])
            });
            let within = mix(plates[1], plates[0], buccal_half) * ends[0] * ends[1];
            grey = mix(grey, greys.marrow, within);
        }
        if let Some(canal) = self.section.canal() {
            let (du, dv) = (across - canal.across_mm, depth - canal.depth_mm);
            let from_centre = du.hypot(dv).max(f64::MIN_POSITIVE);
            near(from_centre - canal.radius_mm);
            let radial = [du / from_centre, dv / from_centre];
            grey = mix(grey, canal.grey, share(from_centre - canal.radius_mm, radial));
        }
        (grey, clearance)
    }

    /// Grey value of the cortex at a place, and whether it is the same all around.
    fn cortex_at(&self, across: f64, depth: f64) -> (f64, bool) {
        let greys = self.look.greys;
        let CortexShares { buccal, lingual, ends } = self.look.cortex;
        if buccal == lingual && lingual == ends {
            return (mix(greys.soft, greys.cortex, ends), true);
        }
        let wall = mix(lingual, buccal, smooth_step(across / BETWEEN_WALLS_MM + 0.5));
        let (crest_mm, base_mm) =
            self.section.cortex().map_or((0.0, 0.0), |c| (c.crest_mm, c.base_mm));
        let below = (depth - crest_mm) / TO_ENDS_MM;
        let above = (self.section.profile().height_mm() - base_mm - depth) / TO_ENDS_MM;
        let share = mix(ends, wall, smooth_step(below) * smooth_step(above));
        (mix(greys.soft, greys.cortex, share), false)
    }
}

/// 0 below 0, 1 above 1, smooth between.
fn smooth_step(t: f64) -> f64 {
    let t = t.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

fn mix(from: f64, to: f64, share: f64) -> f64 {
    from + (to - from) * share
}

/// The whole part of a number that is known to be small and not negative.
// Sizes of a grid: checked lengths over a pitch; negative and NaN become 0.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn whole(x: f64) -> usize {
    x as usize
}

/// Gaussian weights of a variance in square pixels, summing to 1.
fn kernel(variance: f64) -> Vec<f32> {
    let half = whole((KERNEL_SIGMAS * variance.sqrt()).ceil());
    let weights: Vec<f64> = (0..=2 * half)
        .map(|n| (-(n as f64 - half as f64).powi(2) / (2.0 * variance)).exp())
        .collect();
    let sum: f64 = weights.iter().sum();
    // Weights between 0 and 1.
    #[allow(clippy::cast_possible_truncation)]
    weights.iter().map(|w| (w / sum) as f32).collect()
}

/// Convolution along rows, then along columns; beyond the grid all is 0.
fn blur(values: &mut [f32], columns: usize, kernel: &[f32]) {
    let half = kernel.len() / 2;
    let padded = columns + 2 * half;
    values.par_chunks_mut(columns).for_each_init(
        || vec![0.0_f32; padded],
        |wide, row| {
            wide[half..half + columns].copy_from_slice(row);
            row.fill(0.0);
            for (shift, &weight) in kernel.iter().enumerate() {
                add_scaled(row, &wide[shift..shift + columns], weight);
            }
        },
    );
    let rows = values.len() / columns;
    let across = values.to_vec();
    values.par_chunks_mut(columns).enumerate().for_each(|(r, out)| {
        out.fill(0.0);
        let first = r.saturating_sub(half);
        for source in first..(r + half + 1).min(rows) {
            let weight = kernel[source + half - r];
            add_scaled(out, &across[source * columns..(source + 1) * columns], weight);
        }
    });
}

fn add_scaled(to: &mut [f32], from: &[f32], weight: f32) {
    for (a, b) in to.iter_mut().zip(from) {
        *a += weight * b;
    }
}
