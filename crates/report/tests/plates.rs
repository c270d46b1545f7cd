//! The bone's own plates in the pictures.

mod support;

use jawgauge_bone::Plate;
use jawgauge_report::picture::{Arch, draw_plate};
use support::drawn::lines;
use support::{Straight, tapered, thin};

#[test]
fn plates_are_drawn_at_their_levels_with_their_numbers_or_ranges() {
    let case = thin();
    let drawing = draw_plate(&case.input()).expect("a plate");
    let said = lines(drawing.svg());
    let (mut numbers, mut ranges, mut strokes) = (0, 0, 0);
    for width in case.measure.widths.iter().flatten() {
        for (side, found) in ["buccal", "lingual"].into_iter().zip(width.plates()) {
            let wanted = match found {
                Ok(Plate::Thickness(t)) => {
                    (numbers, strokes) = (numbers + 1, strokes + 1);
                    format!("{side} plate {:.2} ± {:.2}", t.mm, t.u95_mm)
                }
                Ok(Plate::Between { low_mm, high_mm }) => {
                    (ranges, strokes) = (ranges + 1, strokes + 2);
                    format!("{side} plate {low_mm:.2} to {high_mm:.2}")
                }
                Err(_) => format!("{side} plate not measured"),
            };
            assert!(said.contains(&wanted), "{wanted:?} is missing in {said:#?}");
        }
    }
    assert!(numbers >= 3 && ranges >= 3, "{numbers} numbers, {ranges} ranges");
    // A stroke at each end that is told, green of the palette; dashes for the ranges, and in the key.
    let drawn = |look: &str| drawing.svg().lines().filter(|l| l.contains(look)).count();
    assert_eq!(drawn("stroke=\"#009e73\" stroke-width=\"1.80\""), strokes);
    assert_eq!(drawn("stroke=\"#009e73\" stroke-width=\"2.40\" stroke-dasharray"), ranges + 1);
    let text = said.join(" ");
    assert!(text.contains("plate: between its ends"), "{text}");
    for warning in ["off the ridge axis, which makes widths", "are told as a range"] {
        assert!(text.contains(warning), "{warning:?} is missing in {text}");
    }
    // Bone without marrow has no plates, and no line of the key for them.
    let mut solid_ridge = Straight::new(tapered(), 0.0, Arch::Mandible, 20.0);
    solid_ridge.solid = true;
    let solid_ridge = solid_ridge.measured(|_| None);
    let solid = lines(draw_plate(&solid_ridge.input()).expect("a plate").svg()).join(" ");
    assert!(!solid.contains("buccal plate") && solid.contains("not measured"), "{solid}");
}
