//! Pictures of phantoms: what they say, whether they are to scale, whether they can be read.
//!
//! Every picture is also written to cargo's folder for test files, to be looked at.

mod support;

use jawgauge_bone::{Limit, LimitForm, LimitKind};
use jawgauge_phantom::Profile;
use jawgauge_report::picture::{
    Arch, Drawing, LocatorInput, LocatorSite, PictureError, draw_locator, draw_plate,
};
use jawgauge_section::section_frame;
use jawgauge_space::{PatientPoint, PatientVector};
use support::drawn::{bar_mm, bar_pixels, grey_picture, horizontal_length, lines, text_boxes};
use support::{Case, Straight, demo, pose, put, tapered, thin};

const LONG_ID: &str = "upper left, second premolar region; grafted in spring, healed for six months, seen again before <stage two> & \"review\" no. 17 of the series, and then some more words that cannot fit";

fn maxilla() -> Case {
    let profile = Profile::Tapered { crest_radius_mm: 3.0, base_radius_mm: 5.5, height_mm: 14.0 };
    let mut site = Straight::new(profile, -12.0, Arch::Maxilla, 18.0);
    let floor = |y: f64| PatientPoint::new(16.0, y, 10.0);
    site.limits = vec![
        Limit {
            kind: LimitKind::SinusFloor,
            form: LimitForm::default(),
            points: vec![floor(-9.0), floor(9.0)],
            keep_mm: 1.0,
        },
        Limit {
            kind: LimitKind::Other,
            form: LimitForm::default(),
            points: vec![PatientPoint::new(18.0, 3.0, 8.0)],
            keep_mm: 0.5,
        },
    ];
    site.id = LONG_ID.to_owned();
    site.measured(|_| put("3.5 x 8.5 with a long name of its own", [3.5, 3.0, 8.5], None))
}

/// The demonstration site with a fixture outside the site's section.
fn beside() -> Case {
    demo(|m| {
        let mut pose = pose(m, 5.5, 0.2, 2.0);
        pose.platform = pose.platform + m.bone.frame.mesial() * 1.2;
        put("3.3 x 8", [3.3, 2.6, 8.0], Some(pose))
    })
}

/// A ridge of bone without marrow, cut off by absent slices and missing columns.
fn cut_off() -> Case {
    let mut site = Straight::new(tapered(), 8.0, Arch::Mandible, 20.0);
    site.solid = true;
    site.columns = 0.66;
    site.absent = 34;
    site.levels_mm = (1..=22).map(f64::from).collect();
    site.measured(|m| put("3.5 x 10", [3.5, 3.0, 10.0], Some(pose(m, 1.0, 0.3, 0.0))))
}

fn front() -> Case {
    let mut site = Straight::new(tapered(), 0.0, Arch::Mandible, 20.0);
    site.id = "a < b & \"c\" > d\u{1b}[31m".to_owned();
    let mut case = site.measured(|_| None);
    case.side = jawgauge_section::PatientSide::Front;
    case
}

fn samples() -> Vec<(&'static str, Case)> {
    vec![
        ("demo", demo(|_| put("4.0 x 9", [4.0, 2.8, 9.0], None))),
        ("beside", beside()),
        ("maxilla", maxilla()),
        ("cut-off", cut_off()),
        ("front", front()),
        ("thin", thin()),
    ]
}

fn plate(case: &Case) -> Drawing {
    draw_plate(&case.input()).expect("a plate")
}

fn locator(case: &Case, ids: &[(&str, Option<&str>, f64)]) -> Drawing {
    let frame = |station: f64| {
        let place = case.axis.at_station(station).expect("a station");
        section_frame(&case.axis, place, case.apical, None).expect("a frame").frame
    };
    let sites: Vec<LocatorSite<'_>> = ids
        .iter()
        .map(|&(id, tooth, station_mm)| LocatorSite {
            id,
            tooth,
            station_mm,
            frame: frame(station_mm),
        })
        .collect();
    let input = LocatorInput {
        place_known: true,
        volume: &case.volume,
        axis: &case.axis,
        apical: case.apical,
        arch: case.arch,
        sites: &sites,
    };
    draw_locator(&input).expect("a locator")
}

fn saved(name: &str, drawing: &Drawing) -> image::RgbaImage {
    let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR"));
    let png = drawing.png().expect("a png");
    std::fs::write(folder.join(format!("{name}.svg")), drawing.svg()).expect("written");
    std::fs::write(folder.join(format!("{name}.png")), &png).expect("written");
    image::load_from_memory(&png).expect("a png that can be read").to_rgba8()
}

#[test]
fn the_scale_bar_is_exact_against_a_ridge_of_known_width() {
    let mut site =
        Straight::new(Profile::Plate { width_mm: 6.0, height_mm: 18.0 }, 0.0, Arch::Mandible, 20.0);
    site.solid = true;
    let case = site.measured(|_| None);
    let drawing = plate(&case);
    let per_mm = f64::from(bar_pixels(&saved("scale", &drawing))) / bar_mm(drawing.svg());
    // Edges of the grey picture half-way between soft tissue and bone, 8 mm below the crest.
    let (grey, width) = grey_picture(drawing.svg());
    assert_eq!(width, f64::from(grey.width()), "one sample for each unit");
    let row = grey.height() * 2 / 3;
    let at = |x: u32| f64::from(grey.get_pixel(x, row).0[0]);
    let (tissue, bone) = (at(grey.width() / 2 - 90), at(grey.width() / 2));
    let half = 0.5 * (tissue + bone);
    let crossings: Vec<f64> = (0..grey.width() - 1)
        .filter(|&x| (at(x) < half) != (at(x + 1) < half))
        .map(|x| f64::from(x) + (half - at(x)) / (at(x + 1) - at(x)))
        .collect();
    let (first, last) = (crossings[0], crossings[crossings.len() - 1]);
    // Two pixels of the PNG for each unit of the page.
    let width_mm = 2.0 * (last - first) / per_mm;
    assert!((width_mm - 6.0).abs() < 0.1, "{width_mm} mm, {per_mm} pixels a mm");
    // The width lines are drawn at the measured places, which the bar must measure exactly.
    let measured = case.measure.widths[3].as_ref().expect("5 mm").width.mm;
    let drawn = drawing.svg().lines().filter(|l| l.contains("#ffffff\" stroke-width=\"1.40\""));
    let lengths: Vec<f64> = drawn.filter_map(horizontal_length).collect();
    let nearest =
        lengths.iter().map(|l| (2.0 * l / per_mm - measured).abs()).fold(f64::INFINITY, f64::min);
    assert!(nearest < 0.001, "{measured}: {lengths:?}");
}

#[test]
fn the_locators_scale_bar_is_exact_against_a_section_line_of_18_mm() {
    let case = demo(|_| None);
    let drawing = locator(&case, &[("gap", Some("45"), 18.0)]);
    let picture = saved("locator", &drawing);
    let per_mm = f64::from(bar_pixels(&picture)) / bar_mm(drawing.svg());
    let line =
        drawing.svg().lines().find(|l| l.contains("stroke-dasharray=\"9 3\"")).expect("a line");
    let d = line.split("d=\"M").nth(1).and_then(|d| d.split('"').next()).expect("a path");
    let n: Vec<f64> = d.split(['L', ' ']).map(|n| n.parse().expect("a number")).collect();
    let drawn_mm = 2.0 * (n[2] - n[0]).hypot(n[3] - n[1]) / per_mm;
    assert!((drawn_mm - 18.0).abs() < 0.005, "{drawn_mm}");
}

#[test]
fn every_number_is_the_measured_one_to_its_last_digit() {
    let with_u95 = |mm: f64, u95: f64| format!("{mm:.2} ± {u95:.2}").replace('-', "−");
    for case in [demo(|_| put("4.0 x 9", [4.0, 2.8, 9.0], None)), beside(), maxilla()] {
        let said = lines(plate(&case).svg()).join("\n");
        let mut wanted = Vec::new();
        for width in case.measure.widths.iter().flatten() {
            let text = with_u95(width.width.mm, width.width.u95_mm);
            wanted.push(format!("{} mm: {text}", width.level_mm));
        }
        let height = case.measure.height.as_ref().expect("a height");
        wanted.push(format!("base: {}", with_u95(height.mm, height.u95_mm)));
        for limit in &case.measure.limits {
            let height = limit.height.as_ref().expect("a height");
            wanted.push(with_u95(height.mm, height.u95_mm));
            let usable = limit.usable_mm().expect("usable");
            wanted.push(format!("{} mm kept from it: {usable:.2} left", limit.keep_mm));
        }
        let fit = case.fit.as_ref().expect("a fixture");
        for wall in [&fit.walls.buccal, &fit.walls.lingual, &fit.walls.apex] {
            let wall = wall.as_ref().expect("a wall");
            wanted.push(format!("wall {} mm", with_u95(wall.wall_mm, wall.u95_mm)));
        }
        for clearance in &fit.clearances {
            let text = with_u95(clearance.clearance_mm, clearance.u95_mm);
            wanted.push(format!(": {text} mm"));
            wanted.push(format!(
                "{} mm to be kept: {}",
                clearance.required_mm,
                clearance.verdict.as_str()
            ));
        }
        let threshold = &case.measure.bone.threshold;
        if fit.own_section.is_none() {
            wanted.push(format!("grey value {:.0}", threshold.grey));
        }
        wanted.push("Voxel 0.30 × 0.30 × 0.30 mm".to_owned());
        for text in wanted {
            assert!(said.contains(&text), "{text:?} is missing in:\n{said}");
        }
    }
}

#[test]
fn ids_are_escaped_and_control_characters_are_written_out() {
    let drawing = plate(&front());
    let said = lines(drawing.svg());
    assert!(said.contains(&"a < b & \"c\" > d\\u{1b}[31m".to_owned()), "{said:?}");
    assert!(!drawing.svg().contains('\u{1b}'));
    let case = demo(|_| None);
    let said = lines(locator(&case, &[("<&\">", Some("<4&5>"), 18.0)]).svg());
    assert!(
        said.contains(&"<&\">".to_owned()) && said.contains(&"tooth <4&5>".to_owned()),
        "{said:?}"
    );
}

#[test]
fn one_and_four_threads_draw_the_same_bytes_twice() {
    let case = demo(|_| put("4.0 x 9", [4.0, 2.8, 9.0], None));
    let drawn = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        pool.install(|| {
            let (a, b) = (plate(&case), locator(&case, &[("gap", None, 18.0)]));
            (a.png().expect("a png"), b.png().expect("a png"), a, b)
        })
    };
    let first = drawn(1);
    assert!(first == drawn(1), "twice");
    assert!(first == drawn(4), "four threads");
}

#[test]
fn the_maxilla_stands_on_its_crest_and_the_mandible_hangs_from_it() {
    for (arch, apical_up) in [(Arch::Mandible, false), (Arch::Maxilla, true)] {
        let mut site = Straight::new(tapered(), 0.0, arch, 20.0);
        site.solid = true;
        let drawing = plate(&site.measured(|_| None));
        // The ridge widens apically: more bright samples in that half of the picture.
        let (grey, _) = grey_picture(drawing.svg());
        let bright = |from: u32, to: u32| {
            (from..to)
                .flat_map(|y| (0..grey.width()).map(move |x| (x, y)))
                .filter(|&(x, y)| grey.get_pixel(x, y).0[0] > 160)
                .count()
        };
        let middle = grey.height() / 2;
        let (above, below) = (bright(0, middle), bright(middle, grey.height()));
        assert_eq!(above > below, apical_up, "{arch:?}: {above} above, {below} below");
        let boxes = text_boxes(drawing.svg());
        let top = |name: &str| boxes.iter().find(|b| b.0 == name).expect("a word").1.y();
        let crest_is_low = top("crest")
            > top("← lingual (tongue)".replace("lingual (tongue)", inner(arch)).as_str()) + 200.0;
        assert_eq!(crest_is_low, apical_up);
        assert!(lines(drawing.svg()).contains(&"up: to the patient's head".to_owned()));
    }
}

fn inner(arch: Arch) -> &'static str {
    if arch == Arch::Maxilla { "palatal (palate)" } else { "lingual (tongue)" }
}

#[test]
fn no_text_lies_on_other_text_or_beyond_the_page() {
    let mut drawings: Vec<(String, Drawing)> =
        samples().iter().map(|(name, case)| ((*name).to_owned(), plate(case))).collect();
    let case = demo(|_| None);
    let close: Vec<(&str, Option<&str>, f64)> =
        [6.0, 9.0, 12.5, 15.0, 18.0, 22.0, 33.0].map(|s| (LONG_ID, None, s)).to_vec();
    drawings.push(("locator-close".to_owned(), locator(&case, &close)));
    for (name, drawing) in drawings {
        let picture = saved(&name, &drawing);
        let page = (f64::from(picture.width()) / 2.0, f64::from(picture.height()) / 2.0);
        let boxes = text_boxes(drawing.svg());
        assert!(boxes.len() > 10, "{name}: {}", boxes.len());
        for (n, (text, a)) in boxes.iter().enumerate() {
            let inside = a.left() >= 0.0
                && a.top() >= 0.0
                && f64::from(a.right()) <= page.0
                && f64::from(a.bottom()) <= page.1;
            assert!(inside, "{name}: {text:?} at {a:?}");
            for (other, b) in &boxes[..n] {
                let apart = a.left() >= b.right()
                    || b.left() >= a.right()
                    || a.top() >= b.bottom()
                    || b.top() >= a.bottom();
                assert!(apart, "{name}: {text:?} on {other:?}: {a:?} {b:?}");
            }
        }
        let mut shades = [false; 256];
        for pixel in picture.pixels() {
            assert_eq!(pixel.0[3], 255, "{name}: the page is opaque");
            shades[usize::from(pixel.0[0])] = true;
        }
        assert!(shades.iter().filter(|s| **s).count() > 100, "{name} has no picture");
    }
}

#[test]
fn a_fixture_outside_the_sites_section_is_said_to_be_and_widths_have_no_lines() {
    let said = plate(&beside());
    let text = lines(said.svg()).join(" ");
    assert!(text.contains("through the axis of the fixture, which is not the site's own section"));
    assert!(text.contains("so without lines here"));
    assert!(text.contains("its place is 1.20 mm off the section drawn"), "{text}");
    assert!(!text.contains("width at a level"));
}

#[test]
fn what_could_not_be_measured_is_said_in_words_and_sides_by_their_names() {
    let text = lines(plate(&cut_off()).svg()).join(" ");
    assert!(text.contains("cut off by the edge of the scan; at least"), "{text}");
    assert!(text.contains("edge cut off") && text.contains("not scanned"), "{text}");
    assert!(text.contains("Less certain because: the outline of the bone is cut off"), "{text}");
    assert!(lines(plate(&front()).svg()).contains(&"labial (lip) →".to_owned()));
    let upper = lines(plate(&maxilla()).svg()).join(" ");
    for word in
        ["palatal (palate)", "sinus floor", "other limit", "patient's left side", "Palatal wall"]
    {
        assert!(upper.contains(word), "{word}: {upper}");
    }
    assert!(upper.contains("Not a medical device."));
    // A limit given as a point 3 mm from the section.
    assert!(upper.contains("its place is 3.00 mm off the section drawn"), "{upper}");
}

#[test]
fn the_patients_right_is_on_the_left_of_the_locator_and_the_front_is_up() {
    let case = demo(|_| None);
    let drawing = locator(&case, &[("behind", None, 3.0), ("ahead", None, 33.0)]);
    let boxes = text_boxes(drawing.svg());
    let of = |name: &str| boxes.iter().find(|b| b.0 == name).expect("a word").1;
    // The demonstration jaw is the patient's right side: both names stand on the left.
    assert!(of("behind").x() < 300.0 && of("ahead").x() < 300.0);
    assert!(of("ahead").y() < of("behind").y());
    assert!(of("← patient's right").x() < of("patient's left →").x());
    // A station nearer to the midline lies further right in the picture.
    assert!(of("30").x() > of("10").x() && of("30").y() < of("10").y());
}

#[test]
fn an_apical_direction_to_the_front_has_no_locator() {
    let case = demo(|_| None);
    let input = LocatorInput {
        place_known: true,
        volume: &case.volume,
        axis: &case.axis,
        apical: PatientVector::new(0.0, -1.0, 0.0),
        arch: case.arch,
        sites: &[],
    };
    assert!(matches!(draw_locator(&input), Err(PictureError::Space(_))));
}
