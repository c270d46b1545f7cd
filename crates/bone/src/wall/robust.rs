//! Middle and spread that single strange values do not move.

/// Median (the upper one of an even number), and the standard deviation by the median absolute deviation
/// (1.4826 for a normal distribution); `None` of no values.
pub(super) fn median_and_spread(mut values: Vec<f64>) -> Option<(f64, f64)> {
    let upper = |values: &mut Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    let median = upper(&mut values)?;
    let mut off: Vec<f64> = values.iter().map(|v| (v - median).abs()).collect();
    Some((median, 1.4826 * upper(&mut off)?))
}
