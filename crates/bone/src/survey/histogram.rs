//! The histogram of a scan and its peaks.

/// Bins that hold values, one for each 16-bit value.
const VALUE_BINS: usize = 1 << 16;
/// Empty bins at either end, room for the kernel.
const MARGIN: usize = 1 << 12;
/// Bins of the histogram.
const BINS: usize = VALUE_BINS + 2 * MARGIN;
/// Bins reach this many widths of the body of values beyond it, so that a single value of a
/// floating-point scan does not stretch them; whole 16-bit values are never cut.
const BEYOND_WIDTHS: f64 = 40.0;
/// The body of values lies between these shares of them.
const BODY: (f64, f64) = (0.02, 0.97);
/// One value of so many is sorted to find the body.
const SORTED: usize = 1 << 17;
/// Bins are this wide at least, grey values.
const SMALLEST_WIDTH: f64 = 1e-9;
/// The histogram is smoothed by a kernel of this share of the body's width (standard deviation).
const SMOOTH_SHARE: f64 = 0.02;
/// A peak's place is read after smoothing by this share of that.
const FINE_SHARE: f64 = 0.35;
/// A peak rises by this share of its height out of the valley before a higher peak ...
const LEAST_RISE: f64 = 0.1;
/// ... and by this many standard deviations of the count under the kernel.
const LEAST_RISE_SD: f64 = 4.0;
/// A peak holds this share of all voxels between its valleys.
const LEAST_SHARE: f64 = 0.002;

/// A peak of the histogram.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Mode {
    pub(super) grey: f64,
    /// Share of the voxels between the valleys.
    pub(super) share: f64,
    /// The valleys.
    pub(super) from: f64,
    pub(super) to: f64,
    /// Distance from the peak to half its height, on the steeper side.
    pub(super) half_width: f64,
    /// Share of the mode's voxels in its fullest bin and the two beside it.
    pub(super) spike: f64,
}

/// How often grey values occur.
pub(super) struct Histogram {
    low: f64,
    width: f64,
    bins: Vec<u64>,
    total: u64,
    body_width: f64,
}

impl Histogram {
    /// Of finite grey values; `None` where there are none.
    pub(super) fn of(greys: &[f64]) -> Option<Self> {
        let mut some: Vec<f64> =
            greys.iter().copied().step_by((greys.len() / SORTED).max(1)).collect();
        some.sort_by(f64::total_cmp);
        let at = |share: f64| {
            let place = share * (some.len().checked_sub(1)? as f64);
            // A share of a length.
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            some.get(place.round() as usize).copied()
        };
        let ends = |(low, high): (f64, f64), &g: &f64| (low.min(g), high.max(g));
        let (lowest, highest) = greys.iter().fold((f64::INFINITY, f64::NEG_INFINITY), ends);
        let body = [BODY, (0.0005, 0.9995)]
            .into_iter()
            .filter_map(|(a, b)| Some((at(a)?, at(b)?)))
            .find(|(a, b)| b > a)
            .unwrap_or((lowest, highest));
        let reach = BEYOND_WIDTHS * (body.1 - body.0);
        let (least, most) = (lowest.max(body.0 - reach), highest.min(body.1 + reach));
        // Above zero where all values are alike.
        let width = ((most - least) / (VALUE_BINS - 1) as f64).max(SMALLEST_WIDTH);
        let low = least - MARGIN as f64 * width;
        let ends = (MARGIN as f64, (MARGIN + VALUE_BINS - 1) as f64);
        if greys.is_empty() {
            return None;
        }
        let mut bins = vec![0_u64; BINS];
        for g in greys {
            // Clamped to the bins.
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let bin = ((g - low) / width).round().clamp(ends.0, ends.1) as usize;
            bins[bin] += 1;
        }
        Some(Self { low, width, bins, total: greys.len() as u64, body_width: body.1 - body.0 })
    }

    fn grey(&self, bin: usize) -> f64 {
        self.low + bin as f64 * self.width
    }

    /// The bin nearest to a grey value.
    fn bin(&self, grey: f64) -> usize {
        // Clamped to the bins.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let bin = ((grey - self.low) / self.width).round().clamp(0.0, (BINS - 1) as f64) as usize;
        bin
    }

    fn share(&self, count: u64) -> f64 {
        count as f64 / self.total as f64
    }

    /// The grey value below which a share of the voxels lies.
    pub(super) fn quantile(&self, share: f64) -> f64 {
        let mut sum = 0;
        let reached = |count: &u64| {
            sum += count;
            self.share(sum) >= share
        };
        self.grey(self.bins.iter().position(reached).unwrap_or(BINS - 1))
    }

    /// Share of the voxels above a grey value.
    pub(super) fn share_above(&self, grey: f64) -> f64 {
        let beyond = |bin: &usize| self.grey(*bin) > grey;
        self.share((0..BINS).rev().take_while(beyond).map(|bin| self.bins[bin]).sum())
    }

    /// Voxels at the highest value of all, and voxels below it within a stretch of grey values.
    pub(super) fn at_the_top(&self, below: f64) -> (u64, u64) {
        let Some(top) = self.bins.iter().rposition(|&count| count > 0) else { return (0, 0) };
        let from = self.bin(self.grey(top) - below);
        (self.bins[top], self.bins[from..top].iter().sum())
    }

    /// Share of the voxels at the highest value, where they are more than those within a stretch
    /// of grey values below it.
    pub(super) fn piled_up(&self, below: f64) -> Option<f64> {
        let (top, near) = self.at_the_top(below);
        (top > near).then(|| self.share(top))
    }

    /// The highest value of all.
    pub(super) fn highest(&self) -> f64 {
        self.grey(self.bins.iter().rposition(|&count| count > 0).unwrap_or(0))
    }

    /// The peaks, darkest first.
    pub(super) fn modes(&self) -> Vec<Mode> {
        let box_width = self.box_width(SMOOTH_SHARE * self.body_width);
        let smooth = smoothed(&self.bins, box_width);
        let fine_width = self.box_width(FINE_SHARE * SMOOTH_SHARE * self.body_width);
        let fine = smoothed(&self.bins, fine_width);
        let mut peaks = peaks(&smooth, box_width);
        loop {
            let counts: Vec<u64> = basins(&peaks)
                .into_iter()
                .map(|(from, to)| self.bins[from..to].iter().sum())
                .collect();
            let smallest = (0..peaks.len()).min_by_key(|&n| counts[n]);
            match smallest {
                Some(n) if self.share(counts[n]) < LEAST_SHARE => drop_peak(&mut peaks, n),
                _ => {
                    let modes = peaks.iter().zip(basins(&peaks)).zip(counts);
                    return modes
                        .map(|((peak, basin), count)| {
                            self.mode(peak.at, basin, count, &smooth, &fine, box_width)
                        })
                        .collect();
                }
            }
        }
    }

    /// Three boxes of this many bins have the standard deviation of a Gaussian of half of it.
    fn box_width(&self, sigma: f64) -> usize {
        // Three halves of a box fit into the margin.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let half = (sigma / self.width).clamp(1.0, MARGIN as f64 / 3.0).round() as usize;
        2 * half + 1
    }

    fn mode(
        &self,
        at: usize,
        (from, to): (usize, usize),
        count: u64,
        smooth: &[u64],
        fine: &[u64],
        reach: usize,
    ) -> Mode {
        let near = at.saturating_sub(reach).max(from)..(at + reach + 1).min(to);
        let highest = fine[near.clone()].iter().copied().max().unwrap_or(0);
        let tops: Vec<usize> = near.filter(|&bin| fine[bin] == highest).collect();
        let place = tops.first().zip(tops.last()).map_or(at, |(a, b)| usize::midpoint(*a, *b));
        let half = smooth[at] / 2;
        let below = (0..at).rev().take_while(|&bin| smooth[bin] > half).count();
        let above = (at..BINS).take_while(|&bin| smooth[bin] > half).count();
        let fullest = (from..to).max_by_key(|&bin| self.bins[bin]).unwrap_or(at);
        let spike: u64 = self.bins[fullest.saturating_sub(1)..(fullest + 2).min(BINS)].iter().sum();
        Mode {
            grey: self.grey(place),
            share: self.share(count),
            from: self.grey(from),
            to: self.grey(to.min(BINS - 1)),
            half_width: (below.min(above).max(1)) as f64 * self.width,
            spike: spike as f64 / count.max(1) as f64,
        }
    }
}

/// Three running means, times the cube of the width: whole numbers, so that no rounding makes
/// peaks. Three million times the cube of the widest box, 2731, fits into 64 bits.
fn smoothed(bins: &[u64], width: usize) -> Vec<u64> {
    let half = width / 2;
    let mut values = bins.to_vec();
    for _ in 0..3 {
        let mut sum: u64 = values[..half.min(BINS)].iter().sum();
        let before = values.clone();
        for (n, value) in values.iter_mut().enumerate() {
            sum += before.get(n + half).copied().unwrap_or(0);
            *value = sum;
            sum -= n.checked_sub(half).map_or(0, |first| before[first]);
        }
    }
    values
}

/// A peak, and the valley between it and the next.
#[derive(Clone, Copy)]
struct Peak {
    at: usize,
    height: u64,
    /// Bin and height of the valley after it; the end of the histogram after the last.
    valley: (usize, u64),
}

/// The peaks that rise out of their valleys far enough.
fn peaks(smooth: &[u64], box_width: usize) -> Vec<Peak> {
    let mut all: Vec<Peak> = Vec::new();
    let (mut rising, mut flat_from) = (true, 0);
    for n in 0..smooth.len() {
        let (now, next) = (smooth[n], smooth.get(n + 1).copied().unwrap_or(0));
        if next > now && !rising {
            if let Some(last) = all.last_mut() {
                last.valley = (usize::midpoint(flat_from, n), now);
            }
            rising = true;
        } else if next < now && rising {
            let at = usize::midpoint(flat_from, n);
            all.push(Peak { at, height: now, valley: (BINS, 0) });
            rising = false;
        }
        if next != now {
            flat_from = n + 1;
        }
    }
    // Bins under the kernel that count as one: 2 sqrt(pi) standard deviations.
    let kernel = 1.77 * box_width as f64 / (box_width as f64).powi(3);
    let weak = |peaks: &[Peak], n: usize| {
        let rise = rise(peaks, n)?;
        let chance = LEAST_RISE_SD / (peaks[n].height as f64 * kernel).sqrt();
        (rise < LEAST_RISE.max(chance)).then_some(rise)
    };
    loop {
        let weakest = (0..all.len())
            .filter_map(|n| Some((n, weak(&all, n)?)))
            .min_by(|a, b| a.1.total_cmp(&b.1));
        match weakest {
            Some((n, _)) => drop_peak(&mut all, n),
            None => return all,
        }
    }
}

/// The share of its height by which a peak stands above the higher of its valleys.
fn rise(peaks: &[Peak], n: usize) -> Option<f64> {
    let below = n.checked_sub(1).map(|m| peaks[m].valley.1);
    let above = (n + 1 < peaks.len()).then(|| peaks[n].valley.1);
    let valley = below.into_iter().chain(above).max()?;
    Some(1.0 - valley as f64 / peaks[n].height as f64)
}

/// Takes a peak away: what it holds goes to the neighbour across the higher valley.
fn drop_peak(peaks: &mut Vec<Peak>, n: usize) {
    let dropped = peaks.remove(n);
    let Some(before) = n.checked_sub(1) else { return };
    let is_last = n == peaks.len();
    if is_last || dropped.valley.1 < peaks[before].valley.1 {
        peaks[before].valley = dropped.valley;
    }
}

/// The stretches of bins between the valleys.
fn basins(peaks: &[Peak]) -> Vec<(usize, usize)> {
    let mut from = 0;
    let basin = |peak: &Peak| {
        let found = (from, peak.valley.0);
        from = peak.valley.0;
        found
    };
    peaks.iter().map(basin).collect()
}
