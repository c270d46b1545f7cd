//! What the command tells of its uncertainties: budgets, Monte Carlo, blur, axis, and the keys and flags
//! for them, on the demonstration jaw.

mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use common::{args, assert_near, at, codes, list, number, run, text, triple};
use serde_json::Value;
use tempfile::TempDir;

/// The demonstration, written once.
fn demo() -> &'static Path {
    static DEMO: OnceLock<TempDir> = OnceLock::new();
    let dir = DEMO.get_or_init(|| {
        let dir = tempfile::tempdir().expect("a folder");
        let made = run(&args!["demo", "--out", dir.path().join("demo")]);
        assert_eq!(made.status, 0, "{made:#?}");
        dir
    });
    dir.path()
}

/// A case on the demonstration's scan, with one text in place of another.
fn case(name: &str, from: &str, to: &str) -> PathBuf {
    let text = fs::read_to_string(demo().join("demo/case.toml")).expect("the case");
    assert!(text.contains(from), "{from:?} in {text}");
    let path = demo().join("demo").join(name);
    fs::write(&path, text.replacen(from, to, 1)).expect("written");
    path
}

fn plain_case() -> PathBuf {
    demo().join("demo/case.toml")
}

fn document(case: &Path, more: &[&str]) -> Value {
    let mut line = args!["measure", case, "--json", "-"].to_vec();
    line.extend(more.iter().map(Into::into));
    let run = run(&line);
    assert_eq!(run.status, 0, "{run:#?}");
    run.document()
}

/// Budgets of a site: name, expanded uncertainty, entries.
fn budgets(site: &Value) -> Vec<(String, f64, f64, Vec<Value>)> {
    let mut all = Vec::new();
    for (n, width) in list(site, "/widths").iter().enumerate() {
        for (value, u95, budget) in [
            ("width_mm", "u95_mm", "budget"),
            ("buccal_plate_mm", "buccal_plate_u95_mm", "buccal_plate_budget"),
            ("lingual_plate_mm", "lingual_plate_u95_mm", "lingual_plate_budget"),
        ] {
            // The plate runs into the crest at the first level, and is not told there.
            if n == 0 && value == "buccal_plate_mm" {
                assert!(at(width, &format!("/{value}")).is_null());
                continue;
            }
            let [value, u95] = [value, u95].map(|k| number(width, &format!("/{k}")));
            let entries = list(width, &format!("/{budget}")).to_vec();
            all.push((format!("{budget} of width {n}"), value, u95, entries));
        }
    }
    let [height, u95] =
        ["bone_height_mm", "bone_height_u95_mm"].map(|k| number(site, &format!("/{k}")));
    all.push(("height".to_owned(), height, u95, list(site, "/bone_height_budget").to_vec()));
    for limit in list(site, "/limits") {
        let entries = list(limit, "/budget").to_vec();
        all.push((
            "limit".to_owned(),
            number(limit, "/height_mm"),
            number(limit, "/u95_mm"),
            entries,
        ));
    }
    all
}

/// JCGM 100:2008, equation 10 (independent sources) and clause 6.2.1 (coverage factor).
#[test]
fn every_budget_adds_up_to_its_expanded_uncertainty() {
    let document = document(&plain_case(), &[]);
    let budgets = budgets(at(&document, "/sites/0"));
    assert_eq!(budgets.len(), 6 * 3 + 2 - 1, "six levels but for a plate, the height, a limit");
    for (name, _, u95, entries) in budgets {
        assert!(entries.len() >= 2, "{name}: {entries:?}");
        let u: Vec<f64> = entries.iter().map(|e| number(e, "/u_mm")).collect();
        let combined = u.iter().map(|u| u * u).sum::<f64>().sqrt();
        // Entries and sums are rounded to 0.0001 mm.
        assert_near(2.0 * combined, u95, 6e-4, &name);
        let shares: Vec<f64> = entries.iter().map(|e| number(e, "/share")).collect();
        assert_near(shares.iter().sum(), 1.0, 1e-3, &name);
        for (u, share) in u.iter().zip(shares) {
            assert_near((u / combined).powi(2), share, 0.02, &name);
        }
    }
}

#[test]
fn explain_shows_every_source_with_the_figures_of_the_document() {
    let explained = run(&args!["measure", plain_case(), "--explain"]);
    assert_eq!(explained.status, 0, "{explained:#?}");
    let plain = run(&args!["measure", plain_case()]);
    assert!(!plain.out.contains("Uncertainty budgets"), "only on request");
    assert!(explained.out.contains("Uncertainty budgets (JCGM 100)"), "{}", explained.out);
    let lines: Vec<&str> = explained.out.lines().collect();
    for (name, value, u95, entries) in budgets(at(&document(&plain_case(), &[]), "/sites/0")) {
        let start = lines
            .iter()
            .position(|l| {
                let Some((_, after)) = l.split_once("  ") else { return false };
                // The first source stands on the line of the quantity.
                after.contains(&format!("  {value:.2}  "))
                    && l.contains(&format!("{:.4}", number(&entries[0], "/u_mm")))
            })
            .unwrap_or_else(|| panic!("{name} in {}", explained.out));
        for (line, entry) in lines[start..].iter().zip(&entries) {
            let (u, share) = (number(entry, "/u_mm"), 100.0 * number(entry, "/share"));
            assert!(line.contains(&format!("{u:.4}")), "{name}: {u} in {line:?}");
            let shown: f64 =
                line.split_whitespace().last().and_then(|n| n.parse().ok()).expect("a share");
            assert_near(shown, share, 0.051, &name);
        }
        let all = lines[start + entries.len()];
        assert!(all.contains("all together") && all.contains("100.0"), "{name}: {all:?}");
        // The document's digits are rounded before these are.
        let shown: f64 = all.split_whitespace().last().and_then(|n| n.parse().ok()).expect("U");
        assert_near(shown, u95, 0.0051, &name);
    }
    assert!(explained.out.contains("`scale_u_percent`"), "what is left out is said");
    // Columns line up: every line of the table has its numbers at the same places.
    let ends: Vec<usize> =
        lines.iter().filter(|l| l.contains("all together")).map(|l| l.chars().count()).collect();
    assert!(ends.len() == 19 && ends.iter().all(|e| *e == ends[0]), "{ends:?}");
    let fit = run(&args!["fit", plain_case(), "--explain"]);
    assert_eq!(fit.out.matches("Uncertainty budgets (JCGM 100)").count(), 2, "{}", fit.out);
    for name in ["3.0 x 10: buccal wall", "3.0 x 10: apical wall", "4.0 x 8: to nerve canal"] {
        assert!(fit.out.contains(name), "{name}: {}", fit.out);
    }
}

/// JCGM 101:2008, clauses 7.7 and 8.
#[test]
fn monte_carlo_is_shown_beside_the_linear_interval_where_it_is_asked_for() {
    let without = document(&plain_case(), &[]);
    assert!(at(&without, "/sites/0/widths/0").pointer("/monte_carlo").is_none());
    let with = document(&plain_case(), &["--monte-carlo=4000"]);
    let widths = list(&with, "/sites/0/widths");
    assert_eq!(widths.len(), 6);
    let mut confirmed = 0;
    for width in widths {
        let drawn = at(width, "/monte_carlo");
        let trials = number(drawn, "/trials");
        assert!(trials > 3900.0 && trials <= 4000.0, "{trials}");
        let pair = |key: &str| [0, 1].map(|n| number(drawn, &format!("/{key}/{n}")));
        let ([low, high], [from, to]) = (pair("interval95_mm"), pair("linear_mm"));
        let mm = number(width, "/width_mm");
        assert!(low < mm && mm < high, "{width}");
        assert_near(0.5 * (from + to), mm, 2e-4, "the linear interval is about the width");
        let u = number(drawn, "/u_mm");
        assert!((high - low) / (4.0 * u) > 0.9 && (high - low) / (4.0 * u) < 1.1, "{width}");
        // The tolerance of one digit, worked out anew (clause 7.9.2).
        let u_linear = 0.25 * (to - from);
        let digit = format!("{u_linear:.0e}");
        let power: i32 = digit.split('e').nth(1).and_then(|p| p.parse().ok()).expect("a power");
        let tolerance = 0.5 * 10.0_f64.powi(power);
        let off = (from - low).abs().max((to - high).abs());
        if (off - tolerance).abs() > 3e-4 {
            assert_eq!(at(drawn, "/confirms_linear"), &Value::Bool(off < tolerance), "{width}");
        }
        confirmed += usize::from(at(drawn, "/confirms_linear") == &Value::Bool(true));
        // The told uncertainty holds the drawn interval where the two differ.
        let u95 = number(width, "/u95_mm");
        assert!(mm - u95 <= low + 0.06 * u95 && mm + u95 >= high - 0.06 * u95, "{width}");
    }
    assert!(confirmed >= 3, "straight walls are linear: {confirmed}");
    // The key does what the flag does, and the flag goes first.
    let by_key = case("trials.toml", "[measure]\n", "[measure]\nmonte_carlo_trials = 4000\n");
    assert_eq!(document(&by_key, &[]), with);
    let flag = document(&by_key, &["--monte-carlo=1000"]);
    assert!(number(&flag, "/sites/0/widths/3/monte_carlo/trials") <= 1000.0);
    let shown = run(&args!["measure", plain_case(), "--explain", "--monte-carlo"]);
    assert!(shown.out.contains("Monte Carlo (JCGM 101), 10000 trials"), "{}", shown.out);
    assert!(shown.out.contains("confirmed"), "{}", shown.out);
}

#[test]
fn wrong_numbers_of_trials_are_refused() {
    for bad in
        ["--monte-carlo=0", "--monte-carlo=999", "--monte-carlo=1e4", "--monte-carlo=2000001"]
    {
        let line = args!["measure", plain_case(), bad];
        run(&line).assert_error(2, "usage", &["--monte-carlo", "--help"]);
    }
}

#[test]
fn a_known_scale_widens_every_length_by_its_share() {
    let known = case("scale.toml", "path = \"scan\"", "path = \"scan\"\nscale_u_percent = 1.5");
    let [plain, scaled] = [plain_case(), known.clone()].map(|c| document(&c, &[]));
    let plain = budgets(at(&plain, "/sites/0"));
    let scaled = budgets(at(&scaled, "/sites/0"));
    assert_eq!(plain.len(), scaled.len());
    for ((name, mm, before, _), (_, same, after, entries)) in plain.into_iter().zip(scaled) {
        assert_near(same, mm, 1e-9, &name);
        let scale = entries
            .iter()
            .find(|e| text(e, "/source") == "scale")
            .unwrap_or_else(|| panic!("{name}: {entries:?}"));
        assert_near(number(scale, "/u_mm"), 0.015 * mm, 2e-4, &name);
        assert_near(after, before.hypot(2.0 * 0.015 * mm), 5e-4, &name);
    }
    let explained = run(&args!["measure", known, "--explain"]);
    assert!(explained.out.contains("scale of the scanner"), "{}", explained.out);
    assert!(!explained.out.contains("`scale_u_percent`"), "{}", explained.out);
}

#[test]
fn walls_and_clearances_of_a_fixture_have_budgets_too() {
    let known = case("walls.toml", "path = \"scan\"", "path = \"scan\"\nscale_u_percent = 2");
    let fitted = run(&args!["fit", known, "--json", "-"]).document();
    let fits = list(&fitted, "/sites/0/fits");
    assert_eq!(fits.len(), 3);
    for fit in fits {
        let walls = ["buccal", "lingual", "apex"].map(|w| at(fit, &format!("/walls/{w}")).clone());
        let of_walls = walls.iter().map(|w| (number(w, "/wall_mm"), w));
        let clearances = list(fit, "/clearances").iter();
        for (mm, entry) in of_walls.chain(clearances.map(|c| (number(c, "/clearance_mm"), c))) {
            let budget = list(entry, "/budget");
            let u = |source: &str| {
                let found = budget.iter().find(|e| text(e, "/source") == source);
                found.map_or(0.0, |e| number(e, "/u_mm"))
            };
            assert_near(u("scale"), 0.02 * mm.abs(), 2e-4, "scale");
            let combined = budget.iter().map(|e| number(e, "/u_mm").powi(2)).sum::<f64>().sqrt();
            assert_near(2.0 * combined, number(entry, "/u95_mm"), 6e-4, "all of it");
            assert!(u("limit") > 0.1 || u("model") > 0.0, "{entry}");
        }
    }
}

#[test]
fn the_blur_is_told_with_its_uncertainty_and_where_it_comes_from() {
    // The demonstration jaw is blurred by 0.45 mm.
    let found = document(&plain_case(), &[]);
    let site = at(&found, "/sites/0");
    assert_eq!(text(site, "/blur_source"), "edges");
    let (blur, u) = (number(site, "/blur_fwhm_mm"), number(site, "/blur_u_mm"));
    assert_near(blur, 0.45, (2.0 * u).max(0.02), "blur");
    assert!(u > 0.0 && u < 0.05, "{u}");
    assert_near(number(site, "/blur_along_z_mm"), 0.45, 0.05, "blur along z");
    let inspect = run(&args!["inspect", demo().join("demo/scan"), "--json", "-"]).document();
    let volume = at(&inspect, "/volumes/0");
    assert_near(number(volume, "/blur_fwhm_mm"), 0.45, 0.03, "blur at the skin");
    assert_near(number(volume, "/blur_along_z_mm"), 0.45, 0.03, "... of steps that face along z");
    assert!(number(volume, "/blur_spread_mm") > 0.0);
    let known = case("blur.toml", "path = \"scan\"", "path = \"scan\"\nblur_fwhm_mm = 0.47");
    let given = document(&known, &[]);
    let site = at(&given, "/sites/0");
    assert_eq!(text(site, "/blur_source"), "given");
    for key in ["blur_fwhm_mm", "blur_along_z_mm"] {
        assert_near(number(site, &format!("/{key}")), 0.47, 1e-9, key);
    }
    let shown = run(&args!["measure", known]);
    assert!(shown.out.contains("blur 0.47 ± 0.01 mm"), "{}", shown.out);
    assert!(shown.out.contains("full width at half maximum, given"), "{}", shown.out);
}

#[test]
fn an_axis_that_is_off_is_told_beyond_the_cases_tolerance() {
    let plain = document(&plain_case(), &[]);
    let site = at(&plain, "/sites/0");
    assert!(!codes(site, "/warnings").contains(&"axis-off"));
    let u = number(site, "/axis_off_u_deg");
    assert_near(number(site, "/axis_off_deg"), 0.0, (3.0 * u).max(1.0), "a sound axis");
    let mesial = triple(site, "/frame/mesial");
    let along = triple(site, "/ridge_direction");
    assert_near(common::dot(mesial, along), 1.0, 0.001, "the ridge runs along it");
    // The axis turned about the site, as a straight line 8 degrees off.
    let origin = triple(site, "/frame/origin");
    let (sin, cos) = 8.0_f64.to_radians().sin_cos();
    let buccal = triple(site, "/frame/buccal");
    let ahead: Vec<f64> = (0..3).map(|n| cos * mesial[n] + sin * buccal[n]).collect();
    let end = |s: f64| {
        let p: Vec<String> = (0..3).map(|n| format!("{:.4}", origin[n] + s * ahead[n])).collect();
        format!("[{}]", p.join(", "))
    };
    let text_of = fs::read_to_string(plain_case()).expect("the case");
    let axis = text_of.lines().find(|l| l.starts_with("axis = ")).expect("an axis");
    let turned = format!("axis = [{}, {}]", end(-10.0), end(10.0));
    let off = document(&case("off.toml", axis, &turned), &[]);
    let site = at(&off, "/sites/0");
    assert!(codes(site, "/warnings").contains(&"axis-off"), "{site}");
    let u = number(site, "/axis_off_u_deg");
    assert_near(number(site, "/axis_off_deg"), 8.0, (2.0 * u).max(1.0), "how far it is off");
    assert_near(number(site, "/axis_inflation"), 1.0 / cos, 0.004, "how much widths are inflated");
    let tolerant = format!("{turned}\naxis_tolerance_deg = 12");
    let off = document(&case("tolerant.toml", axis, &tolerant), &[]);
    assert!(!codes(at(&off, "/sites/0"), "/warnings").contains(&"axis-off"));
}

#[test]
fn what_no_budget_holds_is_said() {
    // With a given threshold no wall is fitted, so nothing tells which way the ridge runs.
    let given = case("given.toml", "[measure]\n", "[bone]\nthreshold = 628\n[measure]\n");
    let explained = run(&args!["measure", given, "--explain"]);
    assert_eq!(explained.status, 0, "{explained:#?}");
    assert!(explained.out.contains("Too few walls tell which way"), "{}", explained.out);
    assert!(
        explained.err.contains("`threshold` is given, so no wall is fitted"),
        "{}",
        explained.err
    );
    assert!(!explained.err.contains("blur-not-used"), "{}", explained.err);
    let both = fs::read_to_string(&given).expect("the case");
    let both = both.replacen("path = \"scan\"", "path = \"scan\"\nblur_fwhm_mm = 0.45", 1);
    let path = demo().join("demo/both.toml");
    fs::write(&path, both).expect("written");
    let told = run(&args!["measure", path]);
    assert!(told.err.contains("warning[blur-not-used]"), "{}", told.err);
    let document = document(&given, &[]);
    let site = at(&document, "/sites/0");
    for key in ["axis_off_deg", "axis_inflation", "ridge_direction", "blur_u_mm", "blur_source"] {
        assert!(at(site, &format!("/{key}")).is_null(), "{key}");
    }
    assert!(at(site, "/widths/3/buccal_plate_mm").is_null());
    assert_eq!(codes(site, "/warnings").iter().filter(|c| **c == "no-plate").count(), 2);
}

#[test]
fn the_table_of_widths_has_the_plates() {
    let out = demo().join("tables");
    let done = run(&args!["measure", plain_case(), "--out", out]);
    assert_eq!(done.status, 0, "{done:#?}");
    let table = fs::read_to_string(out.join("widths.csv")).expect("a table");
    let mut rows = table.lines().map(|l| l.split(',').collect::<Vec<_>>());
    let head = rows.next().expect("a header");
    assert_eq!(
        head[..7],
        ["site", "tooth", "station_mm", "level_mm", "width_mm", "u95_mm", "at_least_mm"]
    );
    let column = |name: &str| head.iter().position(|h| *h == name).expect("a column");
    let document = document(&plain_case(), &[]);
    let widths = list(&document, "/sites/0/widths");
    let mut untold = 0;
    for (row, width) in rows.by_ref().zip(widths) {
        assert_eq!(row.len(), head.len());
        for side in ["buccal", "lingual"] {
            for name in ["plate_mm", "plate_u95_mm"] {
                if at(width, &format!("/{side}_plate_mm")).is_null() {
                    assert_eq!(row[column(&format!("{side}_{name}"))], "");
                    untold += 1;
                    continue;
                }
                let told: f64 = row[column(&format!("{side}_{name}"))].parse().expect("a number");
                assert_near(told, number(width, &format!("/{side}_{name}")), 1e-9, name);
            }
            for end in ["low", "high"] {
                assert_eq!(row[column(&format!("{side}_plate_{end}_mm"))], "", "no range here");
            }
        }
    }
    assert!(rows.next().is_none());
    assert_eq!(untold, 2, "one plate is not told, nor its uncertainty");
}
