//! Tooth numbers.

/// A tooth by its ISO 3950 two-digit number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Tooth {
    quadrant: u8,
    number: u8,
}

impl Tooth {
    /// From an ISO 3950 number: quadrants 1 to 4 with teeth 1 to 8 (permanent), quadrants 5 to
    /// 8 with teeth 1 to 5 (deciduous).
    pub(crate) fn from_iso(text: &str) -> Option<Self> {
        let [q, t] = text.as_bytes() else { return None };
        let quadrant = q.checked_sub(b'0')?;
        let number = t.checked_sub(b'0')?;
        let known = matches!((quadrant, number), (1..=4, 1..=8) | (5..=8, 1..=5));
        known.then_some(Self { quadrant, number })
    }

    /// From a universal number, 1 to 32: upper right third molar to upper left, then lower left
    /// to lower right (the same order as the codes of DICOM PS3.16 CID 4018).
    pub(crate) fn from_universal(text: &str) -> Option<Self> {
        let n: u8 = text.parse().ok()?;
        let (quadrant, number) = match n {
            1..=8 => (1, 9 - n),
            9..=16 => (2, n - 8),
            17..=24 => (3, 25 - n),
            25..=32 => (4, n - 24),
            _ => return None,
        };
        Some(Self { quadrant, number })
    }

    /// The ISO 3950 number.
    pub(crate) fn iso(self) -> String {
        format!("{}{}", self.quadrant, self.number)
    }

    /// Whether the tooth stands in the upper jaw.
    pub(crate) fn is_upper(self) -> bool {
        matches!(self.quadrant, 1 | 2 | 5 | 6)
    }

    /// Whether another tooth of the same jaw stands on this one's mesial side.
    pub(crate) fn has_mesially(self, other: Self) -> bool {
        // From the patient's right to the left, without a 0.
        let along = |tooth: Self| {
            let number = i16::from(tooth.number);
            if tooth.is_right() { -number } else { number }
        };
        (along(other) > along(self)) == self.is_right()
    }

    /// Whether the tooth stands on the patient's right.
    pub(crate) fn is_right(self) -> bool {
        matches!(self.quadrant, 1 | 4 | 5 | 8)
    }
}

#[cfg(test)]
mod tests {
    use super::Tooth;

    #[test]
    fn the_mesial_side_is_that_of_the_midline() {
        let tooth = |iso| Tooth::from_iso(iso).expect("a tooth");
        for (of, mesial, distal) in
            [("45", "44", "46"), ("11", "21", "12"), ("21", "11", "22"), ("36", "35", "37")]
        {
            assert!(tooth(of).has_mesially(tooth(mesial)), "{of} {mesial}");
            assert!(!tooth(of).has_mesially(tooth(distal)), "{of} {distal}");
        }
    }

    #[test]
    fn universal_numbers_are_the_iso_numbers_of_the_published_pairs() {
        // Pairs of DICOM PS3.16 CID 4018 with the universal numbers: 18=1, 11=8, 21=9, 28=16,
        // 38=17, 31=24, 41=25, 48=32, 45=29.
        for (iso, universal) in [
            ("18", "1"),
            ("11", "8"),
            ("21", "9"),
            ("28", "16"),
            ("38", "17"),
            ("31", "24"),
            ("41", "25"),
            ("48", "32"),
            ("45", "29"),
        ] {
            assert_eq!(Tooth::from_universal(universal).expect("a tooth").iso(), iso);
        }
        for bad in ["0", "33", "-1", "x", ""] {
            assert!(Tooth::from_universal(bad).is_none());
        }
    }

    #[test]
    fn numbers_that_are_no_tooth_are_refused_and_sides_are_the_patients() {
        for bad in ["", "4", "456", "49", "40", "56", "91", "4x", "é1"] {
            assert!(Tooth::from_iso(bad).is_none(), "{bad}");
        }
        let tooth = Tooth::from_iso("45").expect("a tooth");
        assert!(tooth.is_right() && !tooth.is_upper());
        let tooth = Tooth::from_iso("63").expect("a tooth");
        assert!(!tooth.is_right() && tooth.is_upper());
    }
}
