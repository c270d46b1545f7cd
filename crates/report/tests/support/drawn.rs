//! What a drawing says and shows, read back from its SVG and PNG.

use std::sync::Arc;

use base64::Engine as _;
use resvg::tiny_skia::Rect;
use resvg::usvg::fontdb::Database;
use resvg::usvg::roxmltree::Document;
use resvg::usvg::{Group, Node, Options, Tree};

/// All lines of text of an SVG, by an XML parser.
pub(crate) fn lines(svg: &str) -> Vec<String> {
    let document = Document::parse(svg).expect("well-formed XML");
    let texts = document.descendants().filter(|n| n.has_tag_name("text"));
    texts.filter_map(|n| n.text().map(str::to_owned)).collect()
}

/// Length of the scale bar in pixels: the longest run of ink that is the same on twelve rows.
pub(crate) fn bar_pixels(picture: &image::RgbaImage) -> u32 {
    let ink = |x: u32, y: u32| picture.get_pixel(x, y).0 == [0x1a, 0x1a, 0x1a, 255];
    let mut longest = 0;
    for y in 0..picture.height() - 12 {
        let mut x = 0;
        while x < picture.width() {
            let start = x;
            while x < picture.width() && (0..12).all(|row| ink(x, y + row)) {
                x += 1;
            }
            longest = longest.max(x - start);
            x += 1;
        }
    }
    longest
}

/// The length that the scale bar says, mm.
pub(crate) fn bar_mm(svg: &str) -> f64 {
    let said: Vec<f64> = lines(svg)
        .iter()
        .filter_map(|l| l.strip_suffix(" mm").and_then(|n| n.parse().ok()))
        .collect();
    assert_eq!(said.len(), 1, "one scale bar: {said:?}");
    said[0]
}

/// The grey picture inside an SVG, and its width on the page.
pub(crate) fn grey_picture(svg: &str) -> (image::GrayImage, f64) {
    let document = Document::parse(svg).expect("well-formed XML");
    let image = document.descendants().find(|n| n.has_tag_name("image")).expect("an image");
    let href = image.attribute("href").expect("a picture inside");
    let data = href.strip_prefix("data:image/png;base64,").expect("a png");
    let bytes = base64::engine::general_purpose::STANDARD.decode(data).expect("base64");
    let width = image.attribute("width").and_then(|w| w.parse().ok()).expect("a width");
    (image::load_from_memory(&bytes).expect("a png").to_luma8(), width)
}

/// Length on the page of a level line; `None` for any other path.
pub(crate) fn horizontal_length(path: &str) -> Option<f64> {
    let d = path.split("d=\"M").nth(1)?.split('"').next()?;
    let numbers: Vec<f64> = d.split(['L', ' ']).map(str::parse).collect::<Result<_, _>>().ok()?;
    (numbers.len() == 4 && numbers[1] == numbers[3]).then(|| (numbers[2] - numbers[0]).abs())
}

/// Every line of text of a drawing and the box around its letters on the page.
pub(crate) fn text_boxes(svg: &str) -> Vec<(String, Rect)> {
    let mut database = Database::new();
    database.load_font_data(include_bytes!("../../assets/DejaVuSans-subset.ttf").to_vec());
    database.load_font_data(include_bytes!("../../assets/DejaVuSans-Bold-subset.ttf").to_vec());
    let options = Options { fontdb: Arc::new(database), ..Options::default() };
    let tree = Tree::from_str(svg, &options).expect("an svg");
    let mut boxes = Vec::new();
    collect(tree.root(), &mut boxes);
    boxes
}

fn collect(group: &Group, boxes: &mut Vec<(String, Rect)>) {
    for node in group.children() {
        match node {
            Node::Group(group) => collect(group, boxes),
            Node::Text(text) => {
                let words = text.chunks().iter().map(|c| c.text().to_owned()).collect();
                boxes.push((words, text.abs_bounding_box()));
            }
            Node::Path(_) | Node::Image(_) => {}
        }
    }
}
