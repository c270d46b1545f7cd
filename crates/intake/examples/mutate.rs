//! Reads small scans of every form with wrong bytes, for a while.
//!
//! `mutate MINUTES [FIRST_SEED]` stops at the first panic, at a reading of more than a second, and
//! where the process has held more than 300 MB; it then names form and seed. At the end it counts
//! what became of the scans, by kind of error.

use std::collections::BTreeMap;
use std::error::Error;
use std::io::Write;
use std::time::{Duration, Instant};

#[path = "../tests/hostile/mod.rs"]
mod hostile;

use hostile::{LONGEST, MOST_BYTES, forms, read_mutated, restore};

/// Every how many scans memory is looked at.
const LOOK: u64 = 200;

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let minutes: f64 = arguments.first().ok_or("usage: mutate MINUTES [FIRST_SEED]")?.parse()?;
    let mut seed: u64 = arguments.get(1).map_or(Ok(1 << 32), |s| s.parse())?;
    let until = Instant::now() + Duration::from_secs_f64(60.0 * minutes);
    let forms = forms();
    let folders: Vec<_> = forms.iter().map(|_| tempfile::tempdir()).collect::<Result<_, _>>()?;
    for (form, dir) in forms.iter().zip(&folders) {
        restore(form, dir.path());
    }
    let mut counts: BTreeMap<(&str, &str), u64> = BTreeMap::new();
    while Instant::now() < until {
        for (form, dir) in forms.iter().zip(&folders) {
            let begun = Instant::now();
            // A panic goes through and ends the run; what was to be read is said first.
            let said = SayOnPanic(form.name, seed);
            let ended = read_mutated(form, seed, dir.path());
            std::mem::forget(said);
            if ended.took > LONGEST {
                return Err(format!("{} {seed}: {:?}", form.name, begun.elapsed()).into());
            }
            let code = ended.result.as_ref().map_or_else(|e| e.code(), |()| "read");
            *counts.entry((form.name, code)).or_default() += 1;
            restore(form, dir.path());
        }
        if seed.is_multiple_of(LOOK) && peak_bytes()? > MOST_BYTES {
            return Err(format!("more than {MOST_BYTES} bytes held by seed {seed}").into());
        }
        seed += 1;
    }
    let mut out = std::io::stdout().lock();
    for ((form, code), n) in &counts {
        writeln!(out, "{form:18} {code:28} {n}")?;
    }
    writeln!(out, "{} scans, peak {:.0} MB", counts.values().sum::<u64>(), peak_bytes()? / 1e6)?;
    Ok(())
}

struct SayOnPanic(&'static str, u64);

impl Drop for SayOnPanic {
    fn drop(&mut self) {
        let _ = writeln!(std::io::stderr(), "while reading {} with seed {}", self.0, self.1);
    }
}

/// The most that the process has held (Linux; elsewhere 0).
fn peak_bytes() -> Result<f64, Box<dyn Error>> {
    let Ok(status) = std::fs::read_to_string("/proc/self/status") else { return Ok(0.0) };
    let line = status.lines().find(|l| l.starts_with("VmHWM:")).ok_or("no peak")?;
    Ok(line.split_whitespace().nth(1).ok_or("no number")?.parse::<f64>()? * 1024.0)
}
