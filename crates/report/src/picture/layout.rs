//! Text broken into lines, labels moved apart, marks kept off one another.

use super::canvas::Rect;
use super::font::text_width;

/// `text` in lines no wider than `width`; a word that is wider is broken.
pub(crate) fn wrapped(text: &str, width: f64, size: f64, bold: bool) -> Vec<String> {
    let fits = |line: &str| text_width(line, size, bold) <= width;
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    for word in text.split(' ').filter(|w| !w.is_empty()) {
        let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
        if fits(&longer) {
            line = longer;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        for c in word.chars() {
            line.push(c);
            if !fits(&line) && line.chars().count() > 1 {
                line.pop();
                lines.push(std::mem::take(&mut line));
                line.push(c);
            }
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// `text` in at most `most` lines; what is too long loses its middle, so that its end, by which
/// long names often differ, stays.
pub(crate) fn wrapped_short(
    text: &str,
    width: f64,
    size: f64,
    bold: bool,
    most: usize,
) -> Vec<String> {
    let letters: Vec<char> = text.chars().collect();
    let mut kept = letters.len();
    loop {
        let lines = if kept == letters.len() {
            wrapped(text, width, size, bold)
        } else {
            let head: String = letters[..kept - kept / 2].iter().collect();
            let tail: String = letters[letters.len() - kept / 2..].iter().collect();
            wrapped(&format!("{}…{}", head.trim_end(), tail.trim_start()), width, size, bold)
        };
        if lines.len() <= most || kept == 0 {
            return lines;
        }
        kept -= 1;
    }
}

/// Tops of labels of the given wanted middles and heights, moved apart as little as needed and
/// kept below `top`; the middles must rise.
///
/// Labels that touch are joined to a block, which stands where its labels are moved least in
/// the mean square (pool adjacent violators; Ayer M et al. Ann Math Stat 1955;26:641-647, from
/// memory).
pub(crate) fn stacked(wanted: &[(f64, f64)], top: f64, gap: f64) -> Vec<f64> {
    struct Block {
        labels: usize,
        height: f64,
        sum: f64,
    }
    let start = |b: &Block| (b.sum / b.labels as f64).max(top);
    let mut blocks: Vec<Block> = Vec::new();
    for &(middle, height) in wanted {
        let mut block = Block { labels: 1, height: height + gap, sum: middle - height / 2.0 };
        while let Some(above) = blocks.pop() {
            if start(&above) + above.height <= start(&block) {
                blocks.push(above);
                break;
            }
            block = Block {
                labels: above.labels + block.labels,
                height: above.height + block.height,
                sum: above.sum + block.sum - block.labels as f64 * above.height,
            };
        }
        blocks.push(block);
    }
    let mut tops = Vec::with_capacity(wanted.len());
    let mut next = wanted.iter();
    for block in &blocks {
        let mut y = start(block);
        for &(_, height) in next.by_ref().take(block.labels) {
            tops.push(y);
            y += height + gap;
        }
    }
    tops
}

/// What is already taken on the picture by marks and words.
#[derive(Debug)]
pub(crate) struct Places {
    bounds: Rect,
    taken: Vec<Rect>,
}

impl Places {
    pub(crate) fn within(bounds: Rect) -> Self {
        Self { bounds, taken: Vec::new() }
    }

    pub(crate) fn take(&mut self, rect: Rect) {
        self.taken.push(rect);
    }

    /// Takes the first of `candidates` that lies on the picture and on nothing else, or the one
    /// that shares least with what is taken.
    pub(crate) fn put(&mut self, candidates: &[Rect]) -> Option<Rect> {
        let cost = |r: &Rect| {
            let shared: f64 = self.taken.iter().map(|t| t.shared_with(r)).sum();
            let beyond = if self.bounds.holds(r) { 0.0 } else { 1e6 };
            shared + beyond
        };
        let best = candidates.iter().min_by(|a, b| cost(a).total_cmp(&cost(b))).copied()?;
        self.taken.push(best);
        Some(best)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_that_do_not_touch_stay_where_they_are_wanted() {
        assert_eq!(stacked(&[(10.0, 4.0), (20.0, 4.0)], 0.0, 1.0), vec![8.0, 18.0]);
    }

    #[test]
    fn labels_that_touch_move_apart_evenly_and_not_above_the_top() {
        // Three labels 4 high wanted at 10: blocks of 5, middles 5, 10, 15 from the gap on.
        let tops = stacked(&[(10.0, 4.0), (10.0, 4.0), (10.0, 4.0)], 0.0, 1.0);
        assert_eq!(tops, vec![3.0, 8.0, 13.0]);
        let tops = stacked(&[(1.0, 4.0), (1.0, 4.0)], 0.0, 1.0);
        assert_eq!(tops, vec![0.0, 5.0]);
    }

    #[test]
    fn a_long_name_keeps_its_head_and_its_end() {
        let name = "a very long name of a site that goes on and on, number 17";
        let lines = wrapped_short(name, 120.0, 12.0, false, 2);
        assert_eq!(lines.len(), 2);
        assert!(lines[0].starts_with("a very"));
        assert!(lines[1].ends_with("17"));
        assert!(lines.iter().all(|l| text_width(l, 12.0, false) <= 120.0));
    }

    #[test]
    fn a_word_wider_than_the_line_is_broken_and_no_letter_is_lost() {
        let lines = wrapped("abcdefghijklmnopqrstuvwxyz", 40.0, 12.0, false);
        assert!(lines.len() > 3);
        assert_eq!(lines.concat(), "abcdefghijklmnopqrstuvwxyz");
    }

    #[test]
    fn a_mark_goes_to_the_first_free_place() {
        let mut places = Places::within(Rect::new(0.0, 0.0, 100.0, 100.0));
        places.take(Rect::new(0.0, 0.0, 50.0, 50.0));
        let put = places.put(&[
            Rect::new(10.0, 10.0, 10.0, 10.0),
            Rect::new(95.0, 10.0, 10.0, 10.0),
            Rect::new(60.0, 10.0, 10.0, 10.0),
        ]);
        assert_eq!(put, Some(Rect::new(60.0, 10.0, 10.0, 10.0)));
    }
}
