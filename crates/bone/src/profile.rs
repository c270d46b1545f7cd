//! Grey values along lines that cross the bone's edge at right angles.

use jawgauge_section::SectionImage;
use jawgauge_space::SectionPoint;

use crate::levels::GreyLevels;
use crate::outline::Outline;
use crate::tip::halve;

/// Distance of samples along a profile, mm.
const STEP_MM: f64 = 0.1;
/// How far profiles reach to either side of the edge, mm.
const REACH_MM: f64 = 4.0;
/// Distance of profiles along the outline, mm.
const SPACING_MM: f64 = 0.3;
/// Neighbouring profiles that are averaged against noise: 3 mm of outline.
const GROUP: usize = 10;
/// Only the outline this near to the crest says what the levels are, mm.
const NEAR_MM: f64 = 14.0;
/// The edge's slope is read between places this far to either side of it, mm.
const SLOPE_REACH_MM: f64 = 0.15;
/// Places within this share of the contrast below the peak belong to the cortex' plateau.
const PLATEAU_SHARE: f64 = 0.08;
/// The blur of the edge ends this many of its full widths outside, 2.8 standard deviations.
const BEYOND_BLURS: f64 = 1.2;
/// Over thin mucosa the level is looked for from this many blurs outside the edge, nearer than which
/// bone itself shows, but between these distances, mm, or one voxel step: the blur may be overrated
/// where air lies near ...
const THIN_FROM_BLURS: f64 = 0.8;
const THIN_FROM_MM: (f64, f64) = (0.3, 0.4);
/// ... over this much, mm.
const THIN_OVER_MM: f64 = 1.4;
/// Standard uncertainty of that level, over its step down to air: 1 mm of mucosa at a blur of 0.5 mm
/// is read that much too low.
const THIN_SHARE: f64 = 0.25;
/// A plateau lower by this share of the step to the threshold than its beginning falls off.
const FALL_SHARE: f64 = 0.15;
/// A stretch of outline this many times as dense as the typical one is metal.
const METAL_RATIO: f64 = 2.5;
/// Full width at half maximum of a Gaussian over its standard deviation.
pub(crate) const FWHM_PER_SIGMA: f64 = 2.354_820_045;

/// The grey levels on both sides of `outline`, as found along profiles across it.
///
/// `None` where fewer than a handful of profiles can be read.
pub(crate) fn grey_levels(
    image: &SectionImage,
    outline: &Outline,
    threshold: f64,
    crest: SectionPoint,
) -> Option<GreyLevels> {
    let normals: Vec<_> = outline
        .spaced_normals(SPACING_MM)
        .into_iter()
        .filter(|(p, _)| p.distance_mm(crest) <= NEAR_MM)
        .collect();
    if normals.len() < GROUP {
        return None;
    }
    let at = |(p, n): &(SectionPoint, SectionPoint), out_mm: f64| {
        image
            .sample(SectionPoint::new(
                p.buccal_mm + n.buccal_mm * out_mm,
                p.apical_mm + n.apical_mm * out_mm,
            ))
            .grey()
    };
    let mut slopes: Vec<f64> = normals
        .iter()
        .filter_map(|n| {
            Some((at(n, -SLOPE_REACH_MM)? - at(n, SLOPE_REACH_MM)?) / (2.0 * SLOPE_REACH_MM))
        })
        .collect();
    let slope = median(&mut slopes)?;
    // A first blur from the contrast to hand; the threshold is about half of it.
    let mut blur_mm = 0.5;
    let mut levels = None;
    for _ in 0..2 {
        let outside = outside_levels(&normals, &at, threshold, blur_mm, image.voxel_mm())?;
        let (cortex, cortex_spread, metal_share) =
            cortex_levels(&normals, &at, outside.level, blur_mm)?;
        let blur_fwhm_mm = FWHM_PER_SIGMA * blur_sigma(slope / (cortex - outside.level))?;
        if !(blur_fwhm_mm > 0.0 && cortex > outside.level) {
            return None;
        }
        blur_mm = blur_fwhm_mm.clamp(0.2, 1.5);
        levels = Some(GreyLevels {
            outside: outside.level,
            cortex,
            outside_spread: outside.spread,
            cortex_spread,
            noise: outside.noise,
            blur_fwhm_mm,
            metal_share,
        });
    }
    levels
}

/// Standard deviation of the blur whose edge rises by the share `slope` a millimetre, read over
/// the distance that slopes are read over, mm; `None` for a slope that no blur gives.
fn blur_sigma(slope: f64) -> Option<f64> {
    let rise = 2.0 * SLOPE_REACH_MM * slope;
    if !(rise > 0.0) {
        return None;
    }
    let risen = |sigma: f64| libm::erf(SLOPE_REACH_MM / (sigma * std::f64::consts::SQRT_2));
    Some(halve(0.02, 5.0, |sigma| risen(sigma) > rise))
}

struct Outside {
    level: f64,
    spread: f64,
    noise: f64,
}

/// The level outside: the plateau of one millimetre beyond the blur of the edge, where nothing else
/// dense follows; or, where that plateau falls off towards air as it does over thin mucosa, the
/// place next to the edge where the grey value changes least.
fn outside_levels<N>(
    normals: &[N],
    at: &impl Fn(&N, f64) -> Option<f64>,
    threshold: f64,
    blur_mm: f64,
    voxel_mm: f64,
) -> Option<Outside> {
    let start = (BEYOND_BLURS * blur_mm).max(0.8);
    let thin_from = (THIN_FROM_BLURS * blur_mm).clamp(THIN_FROM_MM.0, THIN_FROM_MM.1.max(voxel_mm));
    let mut near: Vec<f64> = normals
        .chunks(GROUP)
        .filter_map(|group| flattest(group, at, threshold, thin_from))
        .collect();
    let read = |n: &N| -> Option<Vec<f64>> {
        let plateau: Vec<f64> =
            steps(start, start + 1.0).map(|s| at(n, s)).collect::<Option<_>>()?;
        plateau.iter().all(|&g| g <= threshold).then_some(plateau)
    };
    let plateaus: Vec<Option<Vec<f64>>> = normals.iter().map(read).collect();
    let mut far: Vec<f64> =
        plateaus.iter().flatten().map(|p| p.iter().sum::<f64>() / p.len() as f64).collect();
    // Noise from one profile to the next but one, 0.6 mm on: whatever the tissue outside is like, it
    // is alike there, and interpolation between voxels hardly ties them together.
    let mut deviations: Vec<f64> = plateaus
        .windows(3)
        .filter_map(|p| Some((p[0].as_ref()?, p[2].as_ref()?)))
        .flat_map(|(a, b)| [0, 5, 10].map(|i| (a[i] - b[i]) / std::f64::consts::SQRT_2))
        .collect();
    let far_level = median(&mut far);
    let near_level = median(&mut near)?;
    let falls_off = far_level.is_none_or(|f| near_level - f > FALL_SHARE * (threshold - f));
    let (level, mut values) = match far_level {
        Some(far_level) if !falls_off => (far_level, far),
        _ => (near_level, near),
    };
    let noise = spread(&mut deviations, 0.0);
    // A minority of places with another tissue outside must not hide behind the median.
    let tail = values.len() / 10;
    let wide = (values[values.len() - 1 - tail] - values[tail]) / 2.563;
    // What is read between two edges that overlap is only about the tissue's level.
    let fall =
        if falls_off { THIN_SHARE * (near_level - far_level.unwrap_or(near_level)) } else { 0.0 };
    Some(Outside { level, spread: spread(&mut values, level).max(wide).max(fall), noise })
}

/// The grey value of a group of profiles at the first place outside the edge about which it changes
/// less than before and after.
fn flattest<N>(
    group: &[N],
    at: &impl Fn(&N, f64) -> Option<f64>,
    threshold: f64,
    from_mm: f64,
) -> Option<f64> {
    let mean = mean_profile(group, at, steps(from_mm, from_mm + THIN_OVER_MM));
    let windows: Vec<(f64, f64)> = mean
        .windows(5)
        .filter(|w| w.iter().all(|&g| g <= threshold))
        .map(|w| ((w[4] - w[0]).abs(), w.iter().sum::<f64>() / 5.0))
        .collect();
    // Too thin to show a plateau at this sampling: some way outside the edge is nearest to it.
    let some_way = windows.get(1).map(|w| w.1);
    windows.windows(3).find(|w| w[1].0 <= w[0].0 && w[1].0 <= w[2].0).map(|w| w[1].1).or(some_way)
}

/// The mean of a group of profiles at distances outside the edge, up to where most of them end.
fn mean_profile<N>(
    group: &[N],
    at: &impl Fn(&N, f64) -> Option<f64>,
    distances: impl Iterator<Item = f64>,
) -> Vec<f64> {
    distances
        .map_while(|s| {
            let greys: Vec<f64> = group.iter().filter_map(|n| at(n, s)).collect();
            (2 * greys.len() > group.len()).then(|| greys.iter().sum::<f64>() / greys.len() as f64)
        })
        .collect()
}

/// The level of the cortex: the peak inside the edge, over groups of averaged profiles.
fn cortex_levels<N>(
    normals: &[N],
    at: &impl Fn(&N, f64) -> Option<f64>,
    outside: f64,
    blur_mm: f64,
) -> Option<(f64, f64, f64)> {
    let mut peaks = Vec::new();
    let mut thick = Vec::new();
    for group in normals.chunks(GROUP) {
        let mean = mean_profile(group, at, steps(0.0, REACH_MM).map(|s| -s));
        if group.len() < GROUP / 2 || mean.len() < 8 {
            continue;
        }
        let smooth: Vec<f64> = mean.windows(3).map(|w| w.iter().sum::<f64>() / 3.0).collect();
        let (top, peak) =
            smooth.iter().copied().enumerate().fold((0, f64::NEG_INFINITY), |best, (i, g)| {
                if g > best.1 { (i, g) } else { best }
            });
        let half = 0.5 * (peak + outside);
        let falls =
            smooth.iter().skip(top).position(|&g| g < half).map(|d| (top + d + 1) as f64 * STEP_MM);
        // The plateau rather than its highest place: interpolation overshoots beside an edge.
        let least = peak - PLATEAU_SHARE * (peak - outside);
        let mut plateau: Vec<f64> = smooth.iter().copied().filter(|&g| g >= least).collect();
        let level = median(&mut plateau)?;
        peaks.push(level);
        if falls.is_none_or(|depth| depth >= 2.0 * blur_mm) {
            thick.push(level);
        }
    }
    let typical = median(&mut peaks)?;
    let dense = |peak: &f64| peak - outside > METAL_RATIO * (typical - outside);
    let metal = peaks.iter().filter(|p| dense(p)).count() as f64 / peaks.len() as f64;
    peaks.retain(|p| !dense(p));
    thick.retain(|p| !dense(p));
    let cortex = if thick.len() >= 3 {
        median(&mut thick)?
    } else {
        // All walls are thin: the thickest of them shows most of its grey.
        *peaks.get(peaks.len() * 3 / 4)?
    };
    let spread =
        if thick.len() >= 3 { spread(&mut thick, cortex) } else { spread(&mut peaks, cortex) };
    Some((cortex, spread, metal))
}

fn steps(from_mm: f64, to_mm: f64) -> impl Iterator<Item = f64> {
    // A few millimetres over a tenth of one.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let count = ((to_mm - from_mm) / STEP_MM).round() as u32;
    (0..=count).map(move |s| from_mm + f64::from(s) * STEP_MM)
}

fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    if n == 0 {
        return None;
    }
    Some(0.5 * (values[(n - 1) / 2] + values[n / 2]))
}

/// Standard deviation by the median absolute deviation (1.4826 for a normal distribution).
fn spread(values: &mut [f64], about: f64) -> f64 {
    let mut off: Vec<f64> = values.iter().map(|v| (v - about).abs()).collect();
    1.4826 * median(&mut off).unwrap_or(0.0)
}
