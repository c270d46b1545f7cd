use jawgauge_fixture::{Apices, Beside, Crown, RestorativeCheck, ThicknessFrom, Verdict};
use serde::Serialize;

use super::fit::FitEntry;
use super::{point, rounded};

/// A rule of the restoration held against a pose: in millimetres or in degrees, as the rule is. What is not
/// asked for or not known is left out.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct RestorationEntry {
    /// `cej.depth`, `contact.depth`, `contact.crest`, `emergence`, `emergence.angle`, `angle.root`,
    /// `angle.fixture`, `room.crest`, `room.root` or `crown.width`.
    pub rule: &'static str,
    /// The tooth or site that it is about; `null` where it is about none, or both neighbours.
    pub of: Option<String>,
    /// What was found ...
    #[serde(skip_serializing_if = "Option::is_none")]
    pub found_mm: Option<f64>,
    /// ... of an angle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub found_deg: Option<f64>,
    /// Its expanded uncertainty ...
    #[serde(skip_serializing_if = "Option::is_none")]
    pub u95_mm: Option<f64>,
    /// ... of an angle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub u95_deg: Option<f64>,
    /// The least that is asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub least_mm: Option<f64>,
    /// The greatest that is asked for ...
    #[serde(skip_serializing_if = "Option::is_none")]
    pub most_mm: Option<f64>,
    /// ... of an angle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub most_deg: Option<f64>,
    /// Probability that it is kept.
    pub probability: f64,
    /// The verdict.
    pub verdict: &'static str,
    /// Where the rule comes from.
    pub source: &'static str,
    /// Of an angle: whether the apices `converge`, `diverge` or are `parallel`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub apices: Option<&'static str>,
    /// Of `contact.crest`: share of sites between teeth that had a papilla at such a distance, as published.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub papilla_share: Option<f64>,
    /// Of a room: the largest diameter that leaves what is asked for on both sides.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub largest_diameter_mm: Option<f64>,
    /// Of `emergence`: how far buccal of the point the axis comes out; negative: lingual.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub axis_buccal_mm: Option<f64>,
}

impl RestorationEntry {
    /// The entry of one rule.
    #[must_use]
    pub fn new(check: &RestorativeCheck) -> Self {
        let mm = |value: f64| (!check.rule.is_angle()).then(|| rounded(value));
        let deg = |value: f64| check.rule.is_angle().then(|| rounded(value));
        let mut entry = Self {
            rule: check.rule.as_str(),
            of: (!check.of.is_empty()).then(|| check.of.clone()),
            found_mm: mm(check.found),
            found_deg: deg(check.found),
            u95_mm: mm(check.u95),
            u95_deg: deg(check.u95),
            least_mm: check.least.and_then(mm),
            most_mm: check.most.and_then(mm),
            most_deg: check.most.and_then(deg),
            probability: rounded(check.probability),
            verdict: check.verdict.as_str(),
            source: check.source,
            ..Self::default()
        };
        match check.beside {
            Some(Beside::Apices(apices)) => entry.apices = Some(apices_word(apices)),
            Some(Beside::PapillaShare(share)) => entry.papilla_share = Some(rounded(share)),
            Some(Beside::LargestDiameter(mm)) => entry.largest_diameter_mm = Some(rounded(mm)),
            Some(Beside::AxisBuccal(mm)) => entry.axis_buccal_mm = Some(rounded(mm)),
            None => {}
        }
        entry
    }
}

fn apices_word(apices: Apices) -> &'static str {
    match apices {
        Apices::Converge => "converge",
        Apices::Parallel => "parallel",
        Apices::Diverge => "diverge",
    }
}

impl FitEntry {
    /// The entry with the rules of the restoration that its pose was held against.
    #[must_use]
    pub fn with_restoration(mut self, checks: &[RestorativeCheck]) -> Self {
        self.restoration = checks.iter().map(RestorationEntry::new).collect();
        self.restoration_verdict = checks.iter().map(|c| c.verdict).max().map(Verdict::as_str);
        self
    }
}

/// The crown to be.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CrownEntry {
    /// From contact area to contact area along the ridge.
    pub width_mm: Option<f64>,
    /// The same tooth on the other side, mesial to distal, as given.
    pub opposite_width_mm: Option<f64>,
    /// Labial to palatal.
    pub thickness_mm: Option<f64>,
    /// `given`, or `in proportion to the width`.
    pub thickness_source: Option<&'static str>,
    /// The same tooth on the other side, labial to palatal, as given.
    pub opposite_thickness_mm: Option<f64>,
    /// How far the thickness moves the emergence point to the palate (or tongue); negative: to the lip.
    pub palatal_shift_mm: Option<f64>,
    /// Its expanded uncertainty.
    pub palatal_shift_u95_mm: Option<f64>,
    /// Where the axis is to come out, so moved.
    pub emergence: Option<[f64; 3]>,
}

impl CrownEntry {
    /// The entry of a crown; `None` where nothing is known of it.
    #[must_use]
    pub fn of(crown: &Crown) -> Option<Self> {
        let entry = Self {
            width_mm: crown.width_mm.map(rounded),
            opposite_width_mm: crown.sizes.opposite_width_mm.map(rounded),
            thickness_mm: crown.thickness.map(|t| rounded(t.0)),
            thickness_source: crown.thickness.map(|t| match t.1 {
                ThicknessFrom::Given => "given",
                ThicknessFrom::Width => "in proportion to the width",
            }),
            opposite_thickness_mm: crown.sizes.opposite_thickness_mm.map(rounded),
            palatal_shift_mm: crown.palatal_shift_mm.map(rounded),
            palatal_shift_u95_mm: crown.palatal_shift_u95_mm.map(rounded),
            emergence: crown.emergence.map(point),
        };
        let known = entry.width_mm.is_some()
            || entry.thickness_mm.is_some()
            || entry.opposite_width_mm.is_some()
            || entry.opposite_thickness_mm.is_some()
            || entry.emergence.is_some();
        known.then_some(entry)
    }
}
