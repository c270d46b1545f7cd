//! How exact widths, plates and heights are, on random ridges whose answers are known: prints
//! the table of the README.
//!
//! `cargo run --release -p jawgauge-bone --example accuracy -- [ridges in each cell]`
//!
//! Voxels come from `jawgauge-phantom`, which blurs a painted cross-section by convolution on a
//! fine grid and shares no code with the measuring. The same seeds are used in every run.
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
    let in_each: usize =
        std::env::args().nth(1).map_or(IN_EACH_CELL, |n| n.parse().expect("a number of ridges"));
    let of_each: Vec<Records> =
        (0..in_each * CELLS).into_par_iter().map(|n| Records::of(&Case::draw(n), n)).collect();
    let mut all = Records::default();
    for records in of_each {
        all.add(records);
    }
    if std::env::args().nth(2).as_deref() == Some("records") {
        all.print();
    }
    table::print(&all);
}
