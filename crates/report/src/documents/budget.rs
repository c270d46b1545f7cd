use jawgauge_bone::Measured;
use jawgauge_bone::gum::{Budget, MonteCarlo, Source};
use serde::Serialize;

use super::rounded;

/// One source of an uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BudgetEntry {
    /// `noise`, `blur`, `model`, `level`, `scale`, `axis`, `site`, `limit` or `fixture`.
    pub source: &'static str,
    /// What it adds to the standard uncertainty, mm.
    pub u_mm: f64,
    /// Its share of the variance, 0 to 1.
    pub share: f64,
}

/// The sources of a value's uncertainty, those that add anything.
pub(crate) fn budget(value: &Measured) -> Vec<BudgetEntry> {
    entries(&value.budget)
}

/// The sources of a budget, those that add anything.
pub(crate) fn entries(budget: &Budget) -> Vec<BudgetEntry> {
    let entry = |(source, u_mm): (Source, f64)| BudgetEntry {
        source: source.as_str(),
        u_mm: rounded(u_mm),
        share: rounded(budget.share(source)),
    };
    budget.sources().map(entry).collect()
}

/// The Monte Carlo method beside the linear propagation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MonteCarloEntry {
    /// Trials that gave an answer.
    pub trials: usize,
    /// Standard deviation of the answers, mm.
    pub u_mm: f64,
    /// Holds 95 of 100 answers, as many below as above, mm.
    pub interval95_mm: [f64; 2],
    /// The interval of the linear propagation, coverage factor 2, mm.
    pub linear_mm: [f64; 2],
    /// Whether the linear interval is confirmed within the numerical tolerance (JCGM 101:2008,
    /// clause 8).
    pub confirms_linear: bool,
}

impl MonteCarloEntry {
    pub(crate) fn new(value: &Measured, drawn: &MonteCarlo) -> Self {
        let linear = value.budget.u95_mm();
        Self {
            trials: drawn.trials,
            u_mm: rounded(drawn.u),
            interval95_mm: [rounded(drawn.interval95.0), rounded(drawn.interval95.1)],
            linear_mm: [rounded(value.mm - linear), rounded(value.mm + linear)],
            confirms_linear: drawn.confirms(value.mm, linear),
        }
    }
}
