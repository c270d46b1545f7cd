//! The table.

use crate::cases::{CELLS, cell_words};
use crate::records::{Plate, PlateFound, Records};

/// Errors of a quantity.
struct Errors(Vec<f64>);

impl Errors {
    fn bias(&self) -> f64 {
        self.0.iter().sum::<f64>() / self.0.len() as f64
    }

    fn mean_absolute(&self) -> f64 {
        self.0.iter().map(|e| e.abs()).sum::<f64>() / self.0.len() as f64
    }

    fn share_within(&self, mm: f64) -> f64 {
        share(self.0.iter(), |e| e.abs() <= mm)
    }
}

fn share<T>(values: impl Iterator<Item = T>, test: impl Fn(T) -> bool) -> f64 {
    let (mut n, mut yes) = (0_usize, 0_usize);
    for value in values {
        n += 1;
        yes += usize::from(test(value));
    }
    yes as f64 / n as f64
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

fn percent(share: f64) -> String {
    format!("{:.1} %", 100.0 * share)
}

fn row(quantity: &str, figure: &str, must: &str, here: String, usual: [String; 2]) {
    let [half, fixed] = usual;
    println!("| {quantity} | {figure} | {must} | {here} | {half} | {fixed} |");
}

fn no_usual() -> [String; 2] {
    [String::new(), String::new()]
}

pub(crate) fn print(all: &Records) {
    println!("| quantity | figure | must reach | here | half of peak | fixed threshold |");
    println!("| --- | --- | --- | --- | --- | --- |");
    widths(all);
    plates(all);
    heights(all);
    coverage(all);
    println!();
    println!(
        "{} ridges, {} widths, {} plates; {} sites refused; a site took {:.0} ms (median, one core)",
        all.ridges,
        all.widths.len(),
        all.plates.len(),
        all.refused.len(),
        median(all.millis.clone())
    );
    for why in &all.refused {
        eprintln!("refused: {why}");
    }
}

fn widths(all: &Records) {
    let ours = Errors(all.widths.iter().filter_map(|w| Some(w.found?.0 - w.true_mm)).collect());
    let usual = [0, 1]
        .map(|n| Errors(all.widths.iter().filter_map(|w| Some(w.usual[n]? - w.true_mm)).collect()));
    let missing = all.widths.iter().filter(|w| w.found.is_none()).count();
    let bias = |e: &Errors| format!("{:+.3} mm", e.bias());
    let mean = |e: &Errors| format!("{:.3} mm", e.mean_absolute());
    let within = |e: &Errors| percent(e.share_within(0.15));
    let q = "ridge width";
    row(q, "bias", "0.02 mm", bias(&ours), usual.each_ref().map(bias));
    row(q, "mean absolute error", "0.06 mm", mean(&ours), usual.each_ref().map(mean));
    row(q, "within 0.15 mm", "95 %", within(&ours), usual.each_ref().map(within));
    let u95 = all.widths.iter().filter_map(|w| Some(w.found?.1)).collect();
    row(q, "median u95", "0.18 mm", format!("{:.3} mm", median(u95)), no_usual());
    row(q, "not measured", "", missing.to_string(), no_usual());
}

fn plates(all: &Records) {
    let even = |thick: bool| -> Vec<&Plate> {
        all.plates.iter().filter(|p| p.even && (p.true_mm >= p.fwhm_mm) == thick).collect()
    };
    let usual_of = |plates: &[&Plate], n: usize| {
        Errors(plates.iter().filter_map(|p| Some(p.usual[n]? - p.true_mm)).collect())
    };
    let bias = |e: &Errors| format!("{:+.3} mm", e.bias());
    let mean = |e: &Errors| format!("{:.3} mm", e.mean_absolute());
    let thick = even(true);
    let number = |p: &&Plate| match p.found {
        PlateFound::Number(mm, _) => Some(mm - p.true_mm),
        _ => None,
    };
    let ours = Errors(thick.iter().filter_map(number).collect());
    let usual = [0, 1].map(|n| usual_of(&thick, n));
    let q = "plate of at least the FWHM";
    row(q, "bias", "0.03 mm", bias(&ours), usual.each_ref().map(bias));
    row(q, "mean absolute error", "0.10 mm", mean(&ours), usual.each_ref().map(mean));
    row(
        q,
        "number / range / not measured",
        "",
        kinds(&thick),
        [0, 1].map(|n| format!("lost {}", percent(share(thick.iter(), |p| p.usual[n].is_none())))),
    );
    let ranges = |plates: &[&Plate]| {
        let held = plates.iter().filter_map(|p| match p.found {
            PlateFound::Between(a, b) => Some((a..=b).contains(&p.true_mm)),
            _ => None,
        });
        percent(share(held, |h| h))
    };
    row(q, "range holds the truth", "", ranges(&thick), no_usual());
    let thin = even(false);
    let q = "plate below the FWHM";
    row(q, "range holds the truth", "95 %", ranges(&thin), no_usual());
    let wrong = thin
        .iter()
        .filter(|p| matches!(p.found, PlateFound::Number(mm, u95) if (mm - p.true_mm).abs() > u95));
    row(q, "wrong single numbers", "0", wrong.count().to_string(), no_usual());
    let usual = [0, 1].map(|n| usual_of(&thin, n));
    let numbers = Errors(thin.iter().filter_map(number).collect());
    let of_numbers = if numbers.0.is_empty() { "no numbers".to_owned() } else { mean(&numbers) };
    row(q, "mean absolute error of numbers", "", of_numbers, usual.each_ref().map(mean));
    row(
        q,
        "number / range / not measured",
        "",
        kinds(&thin),
        [0, 1].map(|n| format!("lost {}", percent(share(thin.iter(), |p| p.usual[n].is_none())))),
    );
    let extent = thin.iter().filter_map(|p| match p.found {
        PlateFound::Between(a, b) => Some(b - a),
        _ => None,
    });
    row(
        q,
        "median extent of the range",
        "",
        format!("{:.2} mm", median(extent.collect())),
        no_usual(),
    );
    let uneven: Vec<&Plate> = all.plates.iter().filter(|p| !p.even).collect();
    let q = "plate that runs into the crest";
    let held = uneven.iter().filter_map(|p| held_plate(p));
    row(q, "number or range holds the truth", "", percent(share(held, |h| h)), no_usual());
    row(q, "number / range / not measured", "", kinds(&uneven), no_usual());
}

fn kinds(plates: &[&Plate]) -> String {
    let count = |test: fn(&PlateFound) -> bool| plates.iter().filter(|p| test(&p.found)).count();
    format!(
        "{} / {} / {}",
        count(|f| matches!(f, PlateFound::Number(..))),
        count(|f| matches!(f, PlateFound::Between(..))),
        count(|f| matches!(f, PlateFound::Missing))
    )
}

fn held_plate(p: &Plate) -> Option<bool> {
    match p.found {
        PlateFound::Number(mm, u95) => Some((mm - p.true_mm).abs() <= u95),
        PlateFound::Between(a, b) => Some((a..=b).contains(&p.true_mm)),
        PlateFound::Missing => None,
    }
}

fn heights(all: &Records) {
    let errors = Errors(all.heights.iter().filter_map(|h| Some(h.found?.0 - h.true_mm)).collect());
    let q = "bone height";
    row(q, "bias", "", format!("{:+.3} mm", errors.bias()), no_usual());
    let mean = format!("{:.3} mm", errors.mean_absolute());
    row(q, "mean absolute error", "0.08 mm", mean, no_usual());
}

fn coverage(all: &Records) {
    let holds = |found: Option<(f64, f64)>, true_mm: f64| {
        found.map(|(mm, u95)| (mm - true_mm).abs() <= u95)
    };
    let widths: Vec<(usize, bool)> =
        all.widths.iter().filter_map(|w| Some((w.cell, holds(w.found, w.true_mm)?))).collect();
    let heights: Vec<(usize, bool)> =
        all.heights.iter().filter_map(|h| Some((h.cell, holds(h.found, h.true_mm)?))).collect();
    let plates: Vec<(usize, bool)> = all
        .plates
        .iter()
        .filter(|p| p.even && matches!(p.found, PlateFound::Number(..)))
        .filter_map(|p| Some((p.cell, held_plate(p)?)))
        .collect();
    let together: Vec<(usize, bool)> =
        [&widths, &heights, &plates].into_iter().flatten().copied().collect();
    for (what, held) in
        [("all", &together), ("widths", &widths), ("heights", &heights), ("plates", &plates)]
    {
        let overall = percent(share(held.iter(), |h| h.1));
        row("u95 holds the truth", what, "94-98 %", overall, no_usual());
    }
    let worst = (0..CELLS)
        .map(|cell| (cell, share(together.iter().filter(|h| h.0 == cell), |h| h.1)))
        .min_by(|a, b| a.1.total_cmp(&b.1));
    if let Some((cell, held)) = worst {
        let here = format!("{} ({})", percent(held), cell_words(cell));
        row("u95 holds the truth", "worst cell", "90 %", here, no_usual());
    }
    let blur = Errors(all.blurs.iter().filter_map(|(t, f)| Some(f.as_ref()?.0 - t)).collect());
    let here = format!("{:+.3} mm / {:.3} mm", blur.bias(), blur.mean_absolute());
    row("blur (FWHM)", "bias / mean absolute error", "", here, no_usual());
}
