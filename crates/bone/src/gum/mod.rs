//! Uncertainty after the Guide to the expression of uncertainty in measurement.
//!
//! [`combine`] adds independent sources up, [`monte_carlo`] draws them where the answer does not
//! depend on them linearly, and a [`Budget`] keeps for one value of this crate what each source
//! adds.
//!
//! # Source
//!
//! JCGM 100:2008 (GUM), clauses 5.1.2, 6.2 and annex G.4; JCGM 101:2008 (Monte Carlo), clause 7.
//!
//! # Limits
//!
//! Sources are taken as independent. What no source stands for is in no budget.

mod budget;
mod monte_carlo;

pub use budget::{Budget, Source};
pub use monte_carlo::{MonteCarlo, Normals, monte_carlo, numerical_tolerance};

use crate::tip::halve;

/// One source: its standard uncertainty, how the answer changes with it, and how well it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Term {
    /// Standard uncertainty of the input.
    pub u: f64,
    /// Change of the answer for each unit of the input.
    pub sensitivity: f64,
    /// Degrees of freedom of `u`; infinite where it is known.
    pub freedom: f64,
}

/// Independent sources added up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    /// Combined standard uncertainty.
    pub u: f64,
    /// Effective degrees of freedom, by the Welch-Satterthwaite formula.
    pub freedom: f64,
}

/// The combined standard uncertainty of independent sources and its effective degrees of freedom.
///
/// # Source
///
/// JCGM 100:2008, equation 10 and equation G.2b.
///
/// # Examples
///
/// ```
/// use jawgauge_bone::gum::{Term, combine};
/// let known = |u| Term { u, sensitivity: 1.0, freedom: f64::INFINITY };
/// assert_eq!(combine(&[known(3.0), known(4.0)]).u, 5.0);
/// ```
#[must_use]
pub fn combine(terms: &[Term]) -> Combined {
    let part = |t: &Term| t.sensitivity * t.u;
    let u = terms.iter().map(|t| part(t).powi(2)).sum::<f64>().sqrt();
    let over: f64 = terms.iter().map(|t| part(t).powi(4) / t.freedom).sum();
    let freedom = if over > 0.0 { u.powi(4) / over } else { f64::INFINITY };
    Combined { u, freedom }
}

impl Combined {
    /// The expanded uncertainty that holds the truth with a probability (0 to 1), by the
    /// t-distribution with the effective degrees of freedom cut to a whole number.
    #[must_use]
    pub fn expanded(&self, probability: f64) -> f64 {
        student_quantile(0.5 + 0.5 * probability, self.freedom.floor()) * self.u
    }
}

/// The quantile of Student's t-distribution for a probability above one half.
fn student_quantile(probability: f64, freedom: f64) -> f64 {
    if !(freedom < 1e6) {
        return halve(0.0, 40.0, |z| 0.5 * libm::erfc(-z / std::f64::consts::SQRT_2) < probability);
    }
    halve(0.0, 1000.0, |t| student_above_zero(t, freedom) < probability - 0.5)
}

/// Probability between 0 and `t`, by Simpson's rule over the angle atan(t / sqrt(freedom)): there
/// the density is a power of the cosine.
fn student_above_zero(t: f64, freedom: f64) -> f64 {
    const STEPS: u32 = 400;
    let top = (t / freedom.sqrt()).atan();
    let step = top / f64::from(STEPS);
    let power = |n: u32| (f64::from(n) * step).cos().powf(freedom - 1.0);
    let inner: f64 =
        (1..STEPS).map(|n| if n % 2 == 1 { 4.0 * power(n) } else { 2.0 * power(n) }).sum();
    let integral = step / 3.0 * (power(0) + inner + power(STEPS));
    let log_scale = libm::lgamma(0.5 * (freedom + 1.0)) - libm::lgamma(0.5 * freedom);
    log_scale.exp() / std::f64::consts::PI.sqrt() * integral
}

#[cfg(test)]
mod tests;
