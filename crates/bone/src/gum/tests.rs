//! Published worked examples of the guides.

use super::*;

/// JCGM 100:2008 H.1.2 to H.1.6, the end gauge (inputs from memory, recomputed): standard 25 nm with 18
/// degrees of freedom; difference from repeats (5.8 nm, 24), comparator's random (3.9 nm, 5) and
/// systematic (6.7 nm, 8) effects; expansion 2.9 nm (50) and temperature 16.6 nm (2).
#[test]
fn the_end_gauge_of_the_guide_comes_out() {
    let term = |u, freedom| Term { u, sensitivity: 1.0, freedom };
    let difference = combine(&[term(5.8, 24.0), term(3.9, 5.0), term(6.7, 8.0)]);
    assert!((difference.u - 9.7).abs() < 0.05, "{difference:?}");
    assert!((difference.freedom - 25.6).abs() < 0.3, "{difference:?}");
    // Length 50 mm: 50e6 nm; expansion 0.58e-6 at -0.1 degrees; temperature 0.029 at 11.5e-6.
    let length = 50.000_623e6;
    let expansion = Term { u: 0.58e-6, sensitivity: length * 0.1, freedom: 50.0 };
    let temperature = Term { u: 0.029, sensitivity: length * 11.5e-6, freedom: 2.0 };
    let gauge = combine(&[
        term(25.0, 18.0),
        term(difference.u, difference.freedom),
        expansion,
        temperature,
    ]);
    assert!((gauge.u - 31.7).abs() < 0.1, "u_c = 32 nm: {gauge:?}");
    assert!((gauge.freedom.floor() - 16.0).abs() < 1e-9, "16 degrees of freedom: {gauge:?}");
    assert!((gauge.expanded(0.99) - 92.5).abs() < 0.5, "U99 = 93 nm: {}", gauge.expanded(0.99));
}

/// Tables of the t- and the normal distribution, JCGM 100:2008 table G.2 (from memory).
#[test]
fn quantiles_are_those_of_the_tables() {
    for (probability, freedom, t) in [
        (0.95, 1.0, 12.71),
        (0.95, 10.0, 2.23),
        (0.99, 16.0, 2.92),
        (0.9973, 5.0, 5.51),
        (0.95, f64::INFINITY, 1.960),
        (0.99, f64::INFINITY, 2.576),
    ] {
        let found = student_quantile(0.5 + 0.5 * probability, freedom);
        assert!((found - t).abs() < 0.006, "{probability} {freedom}: {found}");
    }
}

/// JCGM 101:2008 clause 9.2.2 and 9.2.3 (from memory; the first follows from the sum of variances): the
/// sum of four standard normal deviates, and of four rectangular ones of standard deviation 1.
#[test]
fn the_sums_of_the_monte_carlo_supplement_come_out() {
    let normal = monte_carlo(200_000, 7, |n| Some((0..4).map(|_| n.draw()).sum())).expect("sums");
    assert!((normal.u - 2.0).abs() < 0.01 && normal.mean.abs() < 0.02, "{normal:?}");
    assert!((normal.interval95.1 - 3.92).abs() < 0.04, "{normal:?}");
    let half = 3.0_f64.sqrt();
    let flat = monte_carlo(200_000, 8, |n| Some((0..4).map(|_| n.between(-half, half)).sum()))
        .expect("sums");
    assert!((flat.u - 2.0).abs() < 0.01, "{flat:?}");
    assert!((flat.interval95.1 - 3.88).abs() < 0.04, "{flat:?}");
    assert!((flat.interval95.0 + 3.88).abs() < 0.04, "{flat:?}");
}

#[test]
fn answers_that_fail_are_left_out_and_too_few_are_none() {
    let mut calls = 0;
    let few = monte_carlo(100, 1, |n| {
        calls += 1;
        (calls % 3 == 0).then(|| n.draw())
    });
    assert_eq!(few, None);
    let enough = monte_carlo(100, 1, |n| Some(n.draw()).filter(|d| *d > -2.0)).expect("most");
    assert!(enough.trials < 100 && enough.trials > 90, "{enough:?}");
}

/// JCGM 101:2008 clause 7.9.2, examples 1 and 2 (from memory): 0.00035 with two digits has a tolerance
/// of 5e-6, with one digit (4e-4) of 5e-5; 2.1 with one digit, of 0.5.
#[test]
fn numerical_tolerances_are_those_of_the_supplement() {
    for (u, tolerance) in [(0.00035, 5e-5), (2.1, 0.5), (0.04, 0.005), (0.0096, 0.005)] {
        let found = numerical_tolerance(u);
        assert!((found / tolerance - 1.0).abs() < 1e-9, "{u}: {found}");
    }
    assert!(
        numerical_tolerance(0.0).abs() < 1e-300 && numerical_tolerance(f64::NAN).abs() < 1e-300
    );
}
