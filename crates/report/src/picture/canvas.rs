//! The text of an SVG, piece by piece.

use std::fmt::Write as _;

use super::font::{FAMILY, showable};

/// Ink of text and lines on the paper.
pub(crate) const INK: &str = "#1a1a1a";
/// Ink of what is less important.
pub(crate) const QUIET: &str = "#4d4d4d";
/// Hairlines on the paper.
pub(crate) const HAIR: &str = "#8c8c8c";
/// Okabe and Ito's palette.
pub(crate) const ORANGE: &str = "#e69f00";
pub(crate) const SKY: &str = "#56b4e9";
pub(crate) const GREEN: &str = "#009e73";
pub(crate) const YELLOW: &str = "#f0e442";
pub(crate) const VERMILION: &str = "#d55e00";
pub(crate) const PURPLE: &str = "#cc79a7";
pub(crate) const WHITE: &str = "#ffffff";

/// A place on the page, SVG units, y down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Spot {
    pub(crate) x: f64,
    pub(crate) y: f64,
}

impl Spot {
    pub(crate) fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    /// The place `along` further in the direction to `other`.
    pub(crate) fn toward(self, other: Self, along: f64) -> Self {
        let length = (other.x - self.x).hypot(other.y - self.y);
        if length < 1e-9 {
            return self;
        }
        let t = along / length;
        Self::new(self.x + t * (other.x - self.x), self.y + t * (other.y - self.y))
    }
}

/// An upright rectangle on the page.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Rect {
    pub(crate) x: f64,
    pub(crate) y: f64,
    pub(crate) width: f64,
    pub(crate) height: f64,
}

impl Rect {
    pub(crate) fn new(x: f64, y: f64, width: f64, height: f64) -> Self {
        Self { x, y, width, height }
    }

    pub(crate) fn right(&self) -> f64 {
        self.x + self.width
    }

    pub(crate) fn bottom(&self) -> f64 {
        self.y + self.height
    }

    pub(crate) fn holds(&self, other: &Self) -> bool {
        other.x >= self.x
            && other.y >= self.y
            && other.right() <= self.right()
            && other.bottom() <= self.bottom()
    }

    /// Area that both cover.
    pub(crate) fn shared_with(&self, other: &Self) -> f64 {
        let across = self.right().min(other.right()) - self.x.max(other.x);
        let down = self.bottom().min(other.bottom()) - self.y.max(other.y);
        across.max(0.0) * down.max(0.0)
    }
}

/// How a line looks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Line {
    pub(crate) color: &'static str,
    pub(crate) width: f64,
    /// Dashes and gaps; empty for a solid line.
    pub(crate) dash: &'static str,
    /// Whether it has a dark edge, so that it shows on light and on dark ground.
    pub(crate) edged: bool,
}

impl Line {
    pub(crate) fn plain(color: &'static str, width: f64) -> Self {
        Self { color, width, dash: "", edged: false }
    }

    pub(crate) fn edged(color: &'static str, width: f64) -> Self {
        Self { color, width, dash: "", edged: true }
    }

    pub(crate) fn dashed(self, dash: &'static str) -> Self {
        Self { dash, ..self }
    }
}

/// How text looks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Type {
    pub(crate) size: f64,
    pub(crate) bold: bool,
    pub(crate) color: &'static str,
    /// "start", "middle" or "end".
    pub(crate) anchor: &'static str,
    /// Whether it has a dark edge, for text on the grey picture.
    pub(crate) edged: bool,
}

impl Type {
    pub(crate) fn plain(size: f64) -> Self {
        Self { size, bold: false, color: INK, anchor: "start", edged: false }
    }

    pub(crate) fn bold(size: f64) -> Self {
        Self { bold: true, ..Self::plain(size) }
    }

    pub(crate) fn quiet(size: f64) -> Self {
        Self { color: QUIET, ..Self::plain(size) }
    }

    pub(crate) fn on_picture(size: f64) -> Self {
        Self { bold: true, color: WHITE, edged: true, ..Self::plain(size) }
    }

    pub(crate) fn anchored(self, anchor: &'static str) -> Self {
        Self { anchor, ..self }
    }
}

/// The body of an SVG while it is drawn.
#[derive(Debug, Default)]
pub(crate) struct Canvas {
    body: String,
}

impl Canvas {
    /// Adds elements as they are.
    pub(crate) fn raw(&mut self, elements: &str) {
        self.body.push_str(elements);
        self.body.push('\n');
    }

    /// Straight lines through `spots`; a fill is a colour and its opacity.
    pub(crate) fn path(
        &mut self,
        spots: &[Spot],
        closed: bool,
        fill: Option<(&str, f64)>,
        line: Line,
    ) {
        let mut d = String::new();
        for (n, spot) in spots.iter().enumerate() {
            let command = if n == 0 { 'M' } else { 'L' };
            write!(d, "{command}{} {}", num(spot.x), num(spot.y)).unwrap_or_default();
        }
        if closed {
            d.push('Z');
        }
        self.shape(&format!("path d=\"{d}\" stroke-linejoin=\"round\""), fill, line);
    }

    pub(crate) fn line(&mut self, from: Spot, to: Spot, line: Line) {
        self.path(&[from, to], false, None, line);
    }

    pub(crate) fn circle(&mut self, at: Spot, radius: f64, fill: Option<(&str, f64)>, line: Line) {
        let (x, y, r) = (num(at.x), num(at.y), num(radius));
        self.shape(&format!("circle cx=\"{x}\" cy=\"{y}\" r=\"{r}\""), fill, line);
    }

    pub(crate) fn rect(&mut self, rect: &Rect, fill: &str) {
        let [x, y, w, h] = [rect.x, rect.y, rect.width, rect.height].map(num);
        self.raw(&format!(
            "<rect x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\" fill=\"{fill}\"/>"
        ));
    }

    fn shape(&mut self, shape: &str, fill: Option<(&str, f64)>, line: Line) {
        let fill = match fill {
            None => "fill=\"none\"".to_owned(),
            Some((color, 1.0)) => format!("fill=\"{color}\""),
            Some((color, opacity)) => format!("fill=\"{color}\" fill-opacity=\"{}\"", num(opacity)),
        };
        let width = num(line.width);
        if line.edged {
            let edge = num(line.width + 2.4);
            self.raw(&format!(
                "<{shape} fill=\"none\" stroke=\"#000000\" stroke-opacity=\"0.75\" stroke-width=\"{edge}\"/>"
            ));
        }
        let dash = match line.dash {
            "" => String::new(),
            dash => format!(" stroke-dasharray=\"{dash}\""),
        };
        let color = line.color;
        self.raw(&format!("<{shape} {fill} stroke=\"{color}\" stroke-width=\"{width}\"{dash}/>"));
    }

    /// A line of text with its baseline at `at`.
    pub(crate) fn text(&mut self, at: Spot, text: &str, look: Type) {
        let (x, y, size) = (num(at.x), num(at.y), num(look.size));
        let weight = if look.bold { " font-weight=\"bold\"" } else { "" };
        let edge = if look.edged {
            " stroke=\"#000000\" stroke-opacity=\"0.8\" stroke-width=\"3\" stroke-linejoin=\"round\" paint-order=\"stroke\""
        } else {
            ""
        };
        let anchor = match look.anchor {
            "start" => String::new(),
            other => format!(" text-anchor=\"{other}\""),
        };
        let (color, text) = (look.color, escaped(&showable(text)));
        self.raw(&format!(
            "<text x=\"{x}\" y=\"{y}\" font-size=\"{size}\"{weight}{anchor} fill=\"{color}\"{edge}>{text}</text>"
        ));
    }

    /// The whole SVG of a page with a title for those who cannot see it.
    pub(crate) fn into_svg(self, width: f64, height: f64, title: &str) -> String {
        // Whole units: a page that ends within a pixel would end in a see-through row.
        let (w, h, title) = (num(width.ceil()), num(height.ceil()), escaped(&showable(title)));
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" viewBox=\"0 0 {w} {h}\" font-family=\"{FAMILY}\">\n<title>{title}</title>\n<rect width=\"{w}\" height=\"{h}\" fill=\"#ffffff\"/>\n{}</svg>\n",
            self.body
        )
    }
}

/// A number of the drawing, always with two decimals.
pub(crate) fn num(value: f64) -> String {
    let text = format!("{value:.2}");
    if text == "-0.00" { "0.00".to_owned() } else { text }
}

/// Text as it is written inside an XML element or attribute.
pub(crate) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&apos;"),
            c => out.push(c),
        }
    }
    out
}
