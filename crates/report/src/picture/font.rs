//! The fonts of the pictures, compiled in, and how wide text is in them.

use std::sync::{Arc, LazyLock};

use resvg::usvg::fontdb::Database;
use skrifa::instance::{LocationRef, Size};
use skrifa::{FontRef, MetadataProvider};

/// The family that the SVG names.
pub(crate) const FAMILY: &str = "DejaVu Sans, sans-serif";

const REGULAR: &[u8] = include_bytes!("../../assets/DejaVuSans-subset.ttf");
const BOLD: &[u8] = include_bytes!("../../assets/DejaVuSans-Bold-subset.ttf");

/// Width of a character that the font lacks, shares of the font size (none is drawn).
const UNKNOWN_EM: f64 = 0.6;

static DATABASE: LazyLock<Arc<Database>> = LazyLock::new(|| {
    let mut database = Database::new();
    database.load_font_data(REGULAR.to_vec());
    database.load_font_data(BOLD.to_vec());
    Arc::new(database)
});

static REGULAR_EM: LazyLock<Advances> = LazyLock::new(|| Advances::of(REGULAR));
static BOLD_EM: LazyLock<Advances> = LazyLock::new(|| Advances::of(BOLD));

/// The compiled-in fonts and no others.
pub(crate) fn database() -> Arc<Database> {
    Arc::clone(&DATABASE)
}

/// Width of a line of text, in the unit of `size`; kerning, which mostly narrows it, left out.
pub(crate) fn text_width(text: &str, size: f64, bold: bool) -> f64 {
    let advances = if bold { &*BOLD_EM } else { &*REGULAR_EM };
    text.chars().map(|c| advances.em(c).unwrap_or(UNKNOWN_EM)).sum::<f64>() * size
}

/// Text that both fonts can show: control characters, and characters that the fonts lack, are
/// written as their number, so that no letter of an id is silently missing from a picture.
pub(crate) fn showable(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        let known = REGULAR_EM.em(c).is_some() && BOLD_EM.em(c).is_some();
        if known && !c.is_control() {
            out.push(c);
        } else {
            out.extend(c.escape_unicode());
        }
    }
    out
}

struct Advances {
    font: Option<FontRef<'static>>,
}

impl Advances {
    fn of(data: &'static [u8]) -> Self {
        Self { font: FontRef::new(data).ok() }
    }

    fn em(&self, c: char) -> Option<f64> {
        let font = self.font.as_ref()?;
        let glyph = font.charmap().map(c)?;
        let metrics = font.glyph_metrics(Size::new(1.0), LocationRef::default());
        metrics.advance_width(glyph).map(f64::from)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_compiled_in_fonts_are_read_and_bold_is_wider() {
        assert_eq!(database().faces().count(), 2);
        // DejaVu Sans: the digit is 1303 of 2048 units wide (its hmtx table, by fonttools).
        assert!((text_width("0", 2048.0, false) - 1303.0).abs() < 1e-2);
        assert!(text_width("3 mm: 6.02", 14.0, true) > text_width("3 mm: 6.02", 14.0, false));
    }

    #[test]
    fn what_the_fonts_lack_is_written_as_its_number() {
        assert_eq!(showable("zub č. 45 ± <&>"), "zub č. 45 ± <&>");
        assert_eq!(showable("a\u{1b}[31m"), "a\\u{1b}[31m");
        assert_eq!(showable("歯"), "\\u{6b6f}");
    }

    #[test]
    fn every_sign_that_pictures_use_is_in_both_fonts() {
        let signs = "±×−…←→↑↓≥≤°½²–“”";
        assert_eq!(showable(signs), signs);
    }
}
