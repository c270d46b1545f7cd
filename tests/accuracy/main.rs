//! How exact widths, plates and heights are, on random ridges whose answers are known: prints
//! the table of the README.
//!
//! `cargo run --release -p jawgauge-bone --example accuracy -- [ridges in each cell] [series] [records]`
//!
//! Voxels come from `jawgauge-phantom`, which blurs a painted cross-section by convolution on a
//! fine grid and shares no code with the measuring. The same seeds are used in every run:
//! series 2 unless told otherwise; constants of the measuring were chosen on series 0 and 1.
#![allow(clippy::print_stdout, clippy::print_stderr)]

mod baselines;
mod cases;
mod records;
mod table;

use cases::{CELLS, Case};
use rayon::prelude::*;
use records::Records;

/// Ridges in each of the 27 cells of voxel, blur and noise, unless told otherwise.
const IN_EACH_CELL: usize = 12;

fn main() {
    let mut told = std::env::args().skip(1);
    let mut number = |unless: usize| {
        told.next().map_or(unless, |n| n.parse().expect("a whole number: ridges or series"))
    };
    let (in_each, series) = (number(IN_EACH_CELL), number(2));
    let of_each: Vec<Records> = (0..in_each * CELLS)
        .into_par_iter()
        .map(|n| Records::of(&Case::draw(n, series as u64), n))
        .collect();
    let mut all = Records::default();
    for records in of_each {
        all.add(records);
    }
    if told.next().as_deref() == Some("records") {
        all.print();
    }
    table::print(&all);
}
