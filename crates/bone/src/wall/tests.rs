//! Published profiles of blurred walls: what reading them at half of their height gives, and what the
//! fit gives.
//!
//! The tables are of the collection of figures that the project goes by, worked out there from the closed
//! forms; here they are worked out anew with `libm::erf`. Lengths of the first three are in full widths at half
//! maximum (F) of the blur, those of the others in its standard deviation.

use super::slab::{Bin, FINAL, Prior, Slab, descend, fit_slab};
use crate::profile::FWHM_PER_SIGMA;
use crate::tip::halve;

/// Four digits, as the tables have.
const DIGITS: f64 = 5.1e-5;
/// The fit finds a wall at least as thick as the blur to this share of F.
const RECOVERS: f64 = 0.02;

/// Share of a normal distribution below z.
fn below(z: f64) -> f64 {
    0.5 * (1.0 + libm::erf(z / std::f64::consts::SQRT_2))
}

/// A wall from depth 0 to t between two levels, blurred; `[outside, wall, inside]`.
struct Wall {
    t: f64,
    sigma: f64,
    levels: [f64; 3],
}

impl Wall {
    /// In units of F.
    fn in_fwhm(t: f64, inside: f64) -> Self {
        Self { t, sigma: 1.0 / FWHM_PER_SIGMA, levels: [0.0, 1.0, inside] }
    }

    fn grey(&self, x: f64) -> f64 {
        let [outside, wall, inside] = self.levels;
        outside
            + (wall - outside) * below(x / self.sigma)
            + (inside - wall) * below((x - self.t) / self.sigma)
    }

    /// Place and height of the blurred peak, by the golden section.
    fn peak(&self) -> (f64, f64) {
        let (mut low, mut high) = (-3.0 * self.sigma, self.t + 3.0 * self.sigma);
        for _ in 0..200 {
            let (a, b) = (low + 0.381_966 * (high - low), low + 0.618_034 * (high - low));
            if self.grey(a) < self.grey(b) { low = a } else { high = b }
        }
        let x = 0.5 * (low + high);
        (x, self.grey(x))
    }

    /// Where the rising flank passes a grey value.
    fn rises(&self, grey: f64) -> f64 {
        halve(-8.0 * self.sigma, self.peak().0, |x| self.grey(x) < grey)
    }

    /// Where the falling one does.
    fn falls(&self, grey: f64) -> f64 {
        halve(self.peak().0, self.t + 8.0 * self.sigma, |x| self.grey(x) > grey)
    }

    /// Its ends at half of the peak, each flank above its own level.
    fn relative(&self) -> (f64, f64) {
        let peak = self.peak().1;
        (self.rises(0.5 * (self.levels[0] + peak)), self.falls(0.5 * (self.levels[2] + peak)))
    }

    /// Its width at a grey value; `None` where the peak is lower.
    fn width_at(&self, grey: f64) -> Option<f64> {
        (self.peak().1 > grey).then(|| self.falls(grey) - self.rises(grey))
    }

    /// What the fit finds of it, with the wall's grey level known only to `cortex` (mean and standard
    /// deviation, shares of the contrast) and the inside's as any scan's.
    fn fitted(&self, cortex: (f64, f64), curvature: f64) -> Slab {
        fitted(|x| self.grey(x), self.levels, self.sigma, self.t, cortex, curvature)
    }
}

/// The fit to a profile from three standard deviations outside to well within.
fn fitted(
    grey: impl Fn(f64) -> f64,
    [outside, wall, _]: [f64; 3],
    sigma: f64,
    t: f64,
    cortex: (f64, f64),
    curvature: f64,
) -> Slab {
    let contrast = wall - outside;
    let at = |share: f64| outside + share * contrast;
    let inside_mm = t + 5.0 * sigma;
    let bins: Vec<Bin> = (0..)
        .map(|n| (-5.0 + 0.2 * f64::from(n)) * sigma)
        .take_while(|x| *x <= inside_mm)
        .map(|depth| Bin { depth, grey: grey(depth), count: 40.0 })
        .collect();
    let prior = Prior {
        outside: (at(0.0), 0.1 * contrast),
        cortex: (at(cortex.0), cortex.1 * contrast),
        inside: (at(0.35), 0.3 * contrast),
        noise: 0.02 * contrast,
        sigma,
    };
    let start = Slab {
        surface: 0.3 * sigma,
        thickness: FWHM_PER_SIGMA * sigma,
        outside: prior.outside.0,
        cortex: prior.cortex.0,
        inside: prior.inside.0,
        curvature,
        inner_spread: 0.0,
        far: None,
    };
    let begun = fit_slab(&bins, &prior, &start, inside_mm).expect("a wall").slab;
    let solid = begun.thickness > inside_mm;
    descend(&bins, &prior, begun, solid, false, FINAL).expect("a wall").slab
}

fn assert_digits(found: f64, table: f64, what: &str) {
    assert!((found - table).abs() <= DIGITS, "{what}: {found}, not {table}");
}

/// A plate between levels of 0: t/F, blurred peak, full width at half of that peak over t and over F,
/// width at half of the true contrast over t (`None`: lost).
const PLATE: [(f64, f64, f64, f64, Option<f64>); 10] = [
    (0.10, 0.0937, 10.0231, 1.0023, None),
    (0.25, 0.2315, 4.0581, 1.0145, None),
    (0.50, 0.4439, 2.1182, 1.0591, None),
    (0.75, 0.6228, 1.5152, 1.1364, Some(0.8559)),
    (1.00, 0.7610, 1.2494, 1.2494, Some(0.9789)),
    (1.25, 0.8589, 1.1192, 1.3990, Some(0.9972)),
    (1.50, 0.9226, 1.0548, 1.5822, Some(0.9997)),
    (2.00, 0.9815, 1.0099, 2.0197, Some(1.0000)),
    (2.50, 0.9968, 1.0014, 2.5035, Some(1.0000)),
    (3.00, 0.9996, 1.0001, 3.0004, Some(1.0000)),
];

#[test]
fn half_of_the_peak_reads_thin_plates_as_the_blur_and_the_fit_does_not() {
    for (t, peak, over_t, over_f, at_half) in PLATE {
        let wall = Wall::in_fwhm(t, 0.0);
        assert_digits(wall.peak().1, peak, "peak");
        let (outer, inner) = wall.relative();
        assert_digits((inner - outer) / t, over_t, "relative width over t");
        assert_digits(inner - outer, over_f, "relative width over F");
        match (wall.width_at(0.5), at_half) {
            (Some(found), Some(table)) => assert_digits(found / t, table, "width at half contrast"),
            (found, table) => assert_eq!(found, table, "{t}"),
        }
        // A wall 8 % denser than the scan's usual cortex.
        if t >= 1.0 {
            let slab = wall.fitted((0.92, 0.15), 0.0);
            assert!((slab.thickness - t).abs() <= RECOVERS, "{t}: {slab:?}");
            assert!(slab.surface.abs() <= RECOVERS, "{t}: {slab:?}");
        }
    }
    // Where half of the true contrast loses the plate, and where the relative width is 10 % and 1 % too big.
    let peak = |t: f64| Wall::in_fwhm(t, 0.0).peak().1;
    assert!(peak(0.57286 - 2e-5) < 0.5 && peak(0.57286 + 2e-5) > 0.5);
    for (t, over) in [(1.9962, 1.01), (1.8020, 1.02), (1.5284, 1.05), (1.3078, 1.10)] {
        let (outer, inner) = Wall::in_fwhm(t, 0.0).relative();
        assert!(((inner - outer) / t - over).abs() < DIGITS, "{t}");
    }
}

/// The same in millimetres: F, then for plates of 0.3, 0.5, 0.7, 1.0 and 1.5 mm the width at half of the peak and at half of
/// the true contrast (0: lost).
const IN_MM: [(f64, [(f64, f64); 5]); 4] = [
    (0.35, [(0.413, 0.281), (0.534, 0.500), (0.707, 0.700), (1.000, 1.000), (1.500, 1.500)]),
    (0.50, [(0.543, 0.130), (0.625, 0.489), (0.753, 0.699), (1.010, 1.000), (1.500, 1.500)]),
    (0.60, [(0.635, 0.0), (0.702, 0.462), (0.807, 0.696), (1.032, 1.000), (1.502, 1.500)]),
    (0.80, [(0.826, 0.0), (0.875, 0.286), (0.951, 0.662), (1.119, 0.997), (1.523, 1.500)]),
];

#[test]
fn plates_in_millimetres_are_found_where_the_published_readings_are_off() {
    for (fwhm, row) in IN_MM {
        for (t, (relative, at_half)) in [0.3, 0.5, 0.7, 1.0, 1.5].into_iter().zip(row) {
            let wall = Wall { t, sigma: fwhm / FWHM_PER_SIGMA, levels: [0.0, 1.0, 0.0] };
            let (outer, inner) = wall.relative();
            assert!((inner - outer - relative).abs() <= 5.1e-4, "{fwhm} {t}: {}", inner - outer);
            let found = wall.width_at(0.5).unwrap_or(0.0);
            assert!((found - at_half).abs() <= 5.1e-4, "{fwhm} {t}: {found}");
            if t >= fwhm {
                let slab = wall.fitted((0.92, 0.15), 0.0);
                assert!((slab.thickness - t).abs() <= RECOVERS * fwhm, "{fwhm} {t}: {slab:?}");
            }
        }
    }
}

/// The least standard deviation of the place of one blurred step whose levels and blur are known: noise over contrast,
/// times the root of 2 sqrt(pi) sigma h, samples h apart; 0.0377 mm for sigma and h of 0.2 mm and a contrast of ten
/// times the noise (closed form; a simulation of the collection gave 0.0380).
#[test]
fn the_uncertainty_of_one_step_is_the_least_possible() {
    let (sigma, step, noise): (f64, f64, f64) = (0.2, 0.2, 0.1);
    let least = noise * (2.0 * std::f64::consts::PI.sqrt() * sigma * step).sqrt();
    assert!((least - 0.0377).abs() < 5e-5, "{least}");
    let bins: Vec<Bin> = (-20..=20)
        .map(|n| step * f64::from(n))
        .map(|depth| Bin { depth, grey: below(depth / sigma), count: 1.0 })
        .collect();
    let known = |level: f64| (level, 1e-6);
    let prior = Prior { outside: known(0.0), cortex: known(1.0), inside: known(0.3), noise, sigma };
    let start = Slab {
        surface: 0.05,
        thickness: 50.0,
        outside: 0.0,
        cortex: 1.0,
        inside: 0.3,
        curvature: 0.0,
        inner_spread: 0.0,
        far: None,
    };
    let fit = descend(&bins, &prior, start, true, false, FINAL).expect("a step");
    assert!(fit.slab.surface.abs() < 1e-3, "{fit:?}");
    let u = fit.covariance[(0, 0)].sqrt();
    // What the model itself may miss by, 1.5 % of the contrast, adds a hundredth.
    assert!((u / least - 1.0).abs() < 0.02, "{u}, not {least}");
}

/// A cortex on cancellous bone of level g: g, t/F, peak, shift of the outer edge at half of the local peak and
/// at half of the true contrast (in F, inwards), of the inner edge (deeper), width over t.
const CORTEX_ON_CANCELLOUS: [(f64, f64, f64, f64, f64, f64, f64); 6] = [
    (0.2, 1.0, 0.7868, -0.1110, 0.0083, 0.1395, 1.2504),
    (0.2, 1.5, 0.9309, -0.0367, 0.0002, 0.0459, 1.0551),
    (0.4, 0.5, 0.5837, -0.1960, 0.1200, 0.3812, 2.1543),
    (0.4, 1.0, 0.8173, -0.0948, 0.0062, 0.1602, 1.2550),
    (0.4, 2.0, 0.9857, -0.0076, 0.0000, 0.0127, 1.0101),
    (0.6, 1.0, 0.8553, -0.0750, 0.0040, 0.1923, 1.2673),
];

#[test]
fn a_cortex_on_cancellous_bone_is_found_where_half_of_the_local_peak_is_off() {
    for (g, t, peak, outer, at_half, inner, over_t) in CORTEX_ON_CANCELLOUS {
        let wall = Wall::in_fwhm(t, g);
        assert_digits(wall.peak().1, peak, "peak");
        let ends = wall.relative();
        assert_digits(ends.0, outer, "outer edge");
        assert_digits(ends.1 - t, inner, "inner edge");
        assert_digits((ends.1 - ends.0) / t, over_t, "width over t");
        assert_digits(wall.rises(0.5), at_half, "outer edge at half of the contrast");
        let slab = wall.fitted((0.92, 0.15), 0.0);
        if t >= 1.0 {
            assert!((slab.thickness - t).abs() <= RECOVERS, "g {g}, t {t}: {slab:?}");
            assert!(slab.surface.abs() <= RECOVERS, "g {g}, t {t}: {slab:?}");
        } else {
            // The surface is found even where thickness is not: half of what half-maximum misses it by.
            assert!(slab.surface.abs() <= 0.5 * outer.abs(), "g {g}, t {t}: {slab:?}");
        }
    }
}

/// Blurred discs and balls of radius R over the blur's standard deviation: where the contour at half of the
/// contrast lies against the surface.
const CURVED: [(f64, f64, f64); 5] = [
    (2.0, -0.28570, -0.63821),
    (3.0, -0.17533, -0.36285),
    (5.0, -0.10173, -0.20566),
    (10.0, -0.05021, -0.10068),
    (20.0, -0.02503, -0.05008),
];

/// A disc of radius `big` blurred by a Gaussian of 1, at distance r from its centre: strips across, by Simpson's
/// rule over the angle at which they meet the rim.
fn disc(big: f64, r: f64) -> f64 {
    const STEPS: u32 = 4000;
    let step = std::f64::consts::PI / f64::from(STEPS);
    let strip = |n: u32| {
        let (sin, cos) = (f64::from(n) * step - 0.5 * std::f64::consts::PI).sin_cos();
        let x = big * sin - r;
        let density = (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt();
        big * cos * density * libm::erf(big * cos / std::f64::consts::SQRT_2)
    };
    let inner: f64 =
        (1..STEPS).map(|n| if n % 2 == 1 { 4.0 * strip(n) } else { 2.0 * strip(n) }).sum();
    step / 3.0 * (strip(0) + inner + strip(STEPS))
}

/// The same for a ball, in closed form.
fn ball(big: f64, r: f64) -> f64 {
    let bell = |x: f64| (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt();
    below(big - r) - below(-big - r) - (bell(big - r) - bell(big + r)) / r
}

#[test]
fn bent_surfaces_are_found_where_the_half_way_contour_lies_inwards() {
    for (big, of_disc, of_ball) in CURVED {
        for (name, grey, shift, bends) in [
            ("disc", &disc as &dyn Fn(f64, f64) -> f64, of_disc, 1.0),
            ("ball", &ball, of_ball, 2.0),
        ] {
            let contour = halve(0.2 * big, 2.0 * big, |r| grey(big, r) > 0.5);
            assert!((contour - big - shift).abs() < 2e-5, "{name} {big}: {}", contour - big);
            // Tighter bends than 5 standard deviations are not fitted.
            if big < 5.0 {
                continue;
            }
            let profile = |depth: f64| grey(big, (big - depth).max(1e-6));
            let slab = fitted(profile, [0.0, 1.0, 1.0], 1.0, 0.0, (0.92, 0.15), bends / big);
            // In standard deviations of the blur: a fifth of what the contour misses, or less.
            let off = slab.surface.abs();
            assert!(off <= 0.2 * shift.abs(), "{name} {big}: {off} of {shift}: {slab:?}");
        }
    }
}

/// The demonstration profile of Treece GM et al. Med Image Anal 2010;14:276-290: -1000 outside, 1750 in the
/// cortex, 0 inside, blurred by a Gaussian of 1 mm: t, peak, relative width, width at 600.
const DEMONSTRATION: [(f64, f64, f64, Option<f64>); 8] = [
    (4.0, 1650.7, 4.116, Some(4.198)),
    (3.0, 1459.1, 3.339, Some(3.192)),
    (2.0, 1063.2, 2.785, Some(2.090)),
    (1.5, 775.0, 2.606, Some(1.274)),
    (1.0, 439.5, 2.499, None),
    (0.8, 300.3, 2.485, None),
    (0.5, 107.3, 2.541, None),
    (0.3, 18.8, 2.787, None),
];

#[test]
fn the_published_demonstration_profile_is_read_right_down_to_the_blur() {
    for (t, peak, relative, at_600) in DEMONSTRATION {
        let wall = Wall { t, sigma: 1.0, levels: [-1000.0, 1750.0, 0.0] };
        assert!((wall.peak().1 - peak).abs() <= 0.051, "{t}: {:?}", wall.peak());
        let (outer, inner) = wall.relative();
        assert!((inner - outer - relative).abs() <= 5.1e-4, "{t}: {}", inner - outer);
        match (wall.width_at(600.0), at_600) {
            (Some(found), Some(table)) => assert!((found - table).abs() <= 5.1e-4, "{t}: {found}"),
            (found, table) => assert_eq!(found, table, "{t}"),
        }
        let slab = wall.fitted((0.92, 0.15), 0.0);
        if t >= FWHM_PER_SIGMA {
            assert!((slab.thickness - t).abs() <= RECOVERS * FWHM_PER_SIGMA, "{t}: {slab:?}");
        }
        assert!((slab.thickness - t).abs() < (relative - t).abs(), "{t}: {slab:?}");
    }
}
