//! Kinds of tissue told apart by their grey values alone: a first guess of the threshold.

/// Bins of the histogram.
const BINS: usize = 256;
/// The histogram reaches from this share of the lowest values to this share below the highest,
/// so that single voxels of metal or noise do not stretch it.
const TAIL_SHARE: f64 = 2e-4;
/// A top class this many times as far above the lowest as the middle class is, is metal.
const METAL_RATIO: f64 = 5.0;
/// A class counts as separate where its mean lies this many spreads above the lowest.
const DISTINCT_SPREADS: f64 = 4.0;

/// Grey levels on both sides of the bone's edge, found along the outline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GreyLevels {
    /// What lies outside the bone (soft tissue, or air on a dry bone).
    pub outside: f64,
    /// The cortex.
    pub cortex: f64,
    /// Standard deviation of `outside` from place to place.
    pub outside_spread: f64,
    /// Standard deviation of `cortex` from place to place.
    pub cortex_spread: f64,
    /// Standard deviation of the grey value within one tissue.
    pub noise: f64,
    /// Full width at half maximum of the blur that explains the slope of the edges, mm.
    pub blur_fwhm_mm: f64,
    /// Share of the stretches of outline that were left out as metal.
    pub metal_share: f64,
}

impl GreyLevels {
    /// Half-way between outside and cortex.
    #[must_use]
    pub fn half_way(&self) -> f64 {
        0.5 * (self.outside + self.cortex)
    }

    /// Cortex less outside.
    #[must_use]
    pub fn contrast(&self) -> f64 {
        self.cortex - self.outside
    }
}

/// Grey values that may part bone from what is around it, highest first; empty where all
/// values are alike.
///
/// The cuts of Otsu's method with three and four classes, after values that can only be metal
/// were left out. What is metal is judged by ratios of grey steps, since grey values of a
/// cone-beam scan have no absolute meaning.
///
/// # Source
///
/// Otsu N. A threshold selection method from gray-level histograms. IEEE Trans Syst Man Cybern
/// 1979;9:62-66 (several classes as there; from memory).
pub(crate) fn candidate_cuts(values: &mut [f64]) -> Vec<f64> {
    values.sort_by(f64::total_cmp);
    let mut kept = &values[..];
    let mut cuts = Vec::new();
    for _ in 0..6 {
        let Some(histogram) = Histogram::of(kept) else { return cuts };
        let three = histogram.classes(3);
        let means: Vec<f64> = three.iter().map(|c| c.mean).collect();
        let metal = three.len() == 3
            && means[2] - means[0] > METAL_RATIO * (means[1] - means[0])
            && means[1] - means[0] > DISTINCT_SPREADS * three[0].spread;
        cuts.extend(three.iter().skip(1).map(|c| c.from));
        cuts.extend(histogram.classes(4).iter().skip(1).map(|c| c.from));
        if !metal {
            break;
        }
        kept = &kept[..kept.partition_point(|&v| v < three[2].from)];
    }
    cuts.sort_by(|a, b| b.total_cmp(a));
    cuts.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
    cuts
}

struct Class {
    from: f64,
    mean: f64,
    spread: f64,
}

struct Histogram {
    low: f64,
    width: f64,
    /// Running sums of count, value and value squared up to each bin.
    count: Vec<f64>,
    sum: Vec<f64>,
    square: Vec<f64>,
}

impl Histogram {
    /// Of values in rising order; `None` where they are all alike.
    fn of(sorted: &[f64]) -> Option<Self> {
        let n = sorted.len();
        // A share of a slice's length fits.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let tail = (n as f64 * TAIL_SHARE) as usize;
        let (low, high) = (*sorted.get(tail)?, *sorted.get(n.checked_sub(tail + 1)?)?);
        let width = (high - low) / BINS as f64;
        if !(width > 1e-9) {
            return None;
        }
        let mut bins = [0.0; BINS];
        for &v in &sorted[tail..n - tail] {
            // In range, since the values are sorted between low and high.
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let bin = (((v - low) / width) as usize).min(BINS - 1);
            bins[bin] += 1.0;
        }
        let mut running = Self { low, width, count: vec![0.0], sum: vec![0.0], square: vec![0.0] };
        let (mut count, mut sum, mut square) = (0.0, 0.0, 0.0);
        for (bin, weight) in bins.iter().enumerate() {
            let value = low + (bin as f64 + 0.5) * width;
            count += weight;
            sum += weight * value;
            square += weight * value * value;
            running.count.push(count);
            running.sum.push(sum);
            running.square.push(square);
        }
        Some(running)
    }

    /// The classes into which `k - 1` cuts part the bins so that they differ most.
    fn classes(&self, k: usize) -> Vec<Class> {
        let gain = |a: usize, b: usize| {
            let n = self.count[b] - self.count[a];
            if n > 0.0 { (self.sum[b] - self.sum[a]).powi(2) / n } else { 0.0 }
        };
        // best[c][b]: the greatest sum of gains of c + 1 classes over the bins below b.
        let mut best = vec![vec![f64::NEG_INFINITY; BINS + 1]; k];
        let mut from = vec![vec![0_usize; BINS + 1]; k];
        for (b, slot) in best[0].iter_mut().enumerate().skip(1) {
            *slot = gain(0, b);
        }
        for c in 1..k {
            for b in c + 1..=BINS {
                for a in c..b {
                    let value = best[c - 1][a] + gain(a, b);
                    if value > best[c][b] {
                        best[c][b] = value;
                        from[c][b] = a;
                    }
                }
            }
        }
        let mut end = BINS;
        let mut classes = Vec::new();
        for c in (0..k).rev() {
            let start = if c == 0 { 0 } else { from[c][end] };
            let n = self.count[end] - self.count[start];
            if n > 0.0 {
                let mean = (self.sum[end] - self.sum[start]) / n;
                let variance = (self.square[end] - self.square[start]) / n - mean * mean;
                classes.push(Class {
                    from: self.low + start as f64 * self.width,
                    mean,
                    spread: variance.max(0.0).sqrt(),
                });
            }
            end = start;
        }
        classes.reverse();
        classes
    }
}
