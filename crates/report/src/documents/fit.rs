use jawgauge_bone::SectionBone;
use jawgauge_fixture::{
    ClearanceKind, Fit, NoWall, PoseSource, RuleCheck, RuleKind, SpaceWall, SpaceWalls, Wall,
    drilling_short_at,
};
use serde::Serialize;

use super::budget::entries;
use super::drilling::{DrillEntry, drill_entries};
use super::outside::{MissingEntry, StandOutEntry};
use super::restoration::{CrownEntry, RestorationEntry};
use super::wall_map::WallMapEntry;
use super::{
    BudgetEntry, FailedEntry, ScanEntry, WarningEntry, direction, limit_word, point, rounded,
};

/// `jawgauge/fit/1`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FitDocument {
    /// `jawgauge/fit/1`.
    pub schema: &'static str,
    /// Version of the program.
    pub version: &'static str,
    /// The scan.
    pub scan: ScanEntry,
    /// Walls that are asked for, mm.
    pub required: RequiredEntry,
    /// Sites, in the order of the case.
    pub sites: Vec<FitSite>,
    /// Sites and fixtures that could not be done.
    pub failed: Vec<FailedEntry>,
    /// The usual cautions.
    pub caution: &'static str,
}

/// Walls that are asked for.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RequiredEntry {
    /// Towards cheek or lip.
    pub buccal_mm: f64,
    /// Towards tongue or palate.
    pub lingual_mm: f64,
    /// To a neighbour's root.
    pub tooth_mm: f64,
    /// To another fixture.
    pub fixture_mm: f64,
}

impl From<&jawgauge_fixture::RequiredWalls> for RequiredEntry {
    fn from(r: &jawgauge_fixture::RequiredWalls) -> Self {
        Self {
            buccal_mm: r.buccal_mm,
            lingual_mm: r.lingual_mm,
            tooth_mm: r.tooth_mm,
            fixture_mm: r.fixture_mm,
        }
    }
}

/// The fixtures of one site.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FitSite {
    /// The site's id.
    pub id: String,
    /// ISO 3950 number.
    pub tooth: Option<String>,
    /// The answer in a line.
    pub answer: String,
    /// The crown to be, as far as the case tells of it.
    pub crown: Option<CrownEntry>,
    /// Fixtures, best first.
    pub fits: Vec<FitEntry>,
    /// What was seen, why it matters, what to do.
    pub warnings: Vec<WarningEntry>,
}

/// One fixture.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FitEntry {
    /// The fixture's id.
    pub fixture: String,
    /// The widest of its body, threads included.
    pub diameter_mm: f64,
    /// From platform to apex.
    pub length_mm: f64,
    /// Where it stands.
    pub pose: PoseEntry,
    /// `given`, `best`, or `best-in-section` where only the section was looked at.
    pub pose_source: &'static str,
    /// The least walls.
    pub walls: WallsEntry,
    /// Where it stands out of the bone, largest first.
    pub stands_out: Vec<StandOutEntry>,
    /// The surface of it that walls are measured from: `threads` or `core`.
    pub walls_to: &'static str,
    /// Share of its surface, the platform left out, that lies in bone.
    pub bone_contact: Option<f64>,
    /// Walls at each depth, in the section through the fixture's axis.
    pub section_walls: Vec<SectionWallEntry>,
    /// Distances to neighbours and limits.
    pub clearances: Vec<ClearanceEntry>,
    /// Rules held against what was found.
    pub rules: Vec<RuleEntry>,
    /// Bone missing for the required walls at the worst level.
    pub shortfall: Option<ShortfallEntry>,
    /// Bone missing all round, of the smallest fixture where none leaves what is required.
    pub missing: Option<MissingEntry>,
    /// The least margin over all that is required, mm.
    pub margin_mm: Option<f64>,
    /// The worst verdict of rules and clearances; drills do not count for it.
    pub verdict: &'static str,
    /// What each of its drills leaves, in order.
    pub drilling: Vec<DrillEntry>,
    /// Number of the first drill that leaves less than is required.
    pub drilling_short_at: Option<usize>,
    /// Rules of the restoration held against the pose.
    pub restoration: Vec<RestorationEntry>,
    /// The worst verdict of these; `null` where the case gives nothing to judge.
    pub restoration_verdict: Option<&'static str>,
    /// The walls by angle and depth, where they were asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wall_map: Option<WallMapEntry>,
}

/// Where a fixture stands.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PoseEntry {
    /// Centre of the platform.
    pub platform: [f64; 3],
    /// From platform to apex.
    pub apical: [f64; 3],
    /// Lean from the apical direction of the site's section towards buccal, degrees.
    pub lean_deg: f64,
    /// The same towards mesial.
    pub lean_mesial_deg: f64,
}

/// The least walls.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WallsEntry {
    /// Towards cheek or lip.
    pub buccal: Option<WallEntry>,
    /// Towards tongue or palate.
    pub lingual: Option<WallEntry>,
    /// Towards the midline; `null` where only the section was looked at.
    pub mesial: Option<WallEntry>,
    /// Away from the midline: as mesial.
    pub distal: Option<WallEntry>,
    /// Below the apex, along the axis.
    pub apex: Option<WallEntry>,
}

/// One wall.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WallEntry {
    /// Millimetres of bone; negative where the fixture stands out.
    pub wall_mm: f64,
    /// Expanded uncertainty.
    pub u95_mm: f64,
    /// What that is made of.
    pub budget: Vec<BudgetEntry>,
    /// Depth below the platform.
    pub depth_mm: f64,
    /// Where the bone ends.
    pub at: [f64; 3],
}

pub(super) fn space_entry(w: &SpaceWall) -> WallEntry {
    WallEntry {
        wall_mm: rounded(w.wall_mm),
        u95_mm: rounded(w.u95_mm),
        budget: entries(&w.budget),
        depth_mm: rounded(w.depth_mm),
        at: point(w.at),
    }
}

/// Walls at one depth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SectionWallEntry {
    /// Depth below the platform.
    pub depth_mm: f64,
    /// Depth below the crest of the fixture's axis there.
    pub level_mm: f64,
    /// Towards cheek or lip.
    pub buccal_mm: Option<f64>,
    /// Towards tongue or palate.
    pub lingual_mm: Option<f64>,
}

/// Distance to one neighbour or limit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ClearanceEntry {
    /// The tooth's number, the limit's kind, or the other fixture's site and id.
    pub to: String,
    /// `tooth`, `limit`, `fixture` or `metal`.
    pub kind: &'static str,
    /// Shortest distance, mm.
    pub clearance_mm: f64,
    /// Expanded uncertainty.
    pub u95_mm: f64,
    /// What that is made of.
    pub budget: Vec<BudgetEntry>,
    /// Distance to keep.
    pub required_mm: f64,
    /// Probability that it is kept.
    pub probability: f64,
    /// The verdict.
    pub verdict: &'static str,
}

/// One rule.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RuleEntry {
    /// `wall.buccal`, `wall.lingual`, `wall.mesial`, `wall.distal`, `apex.in-bone` or `platform.in-bone`.
    pub rule: &'static str,
    /// What it asks for, mm.
    pub required_mm: f64,
    /// What was found.
    pub found_mm: Option<f64>,
    /// Probability that it is met.
    pub probability: Option<f64>,
    /// The verdict.
    pub verdict: &'static str,
}

/// Bone missing at the worst level.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ShortfallEntry {
    /// Bone asked for less bone found; negative: to spare.
    pub short_mm: f64,
    /// Expanded uncertainty.
    pub u95_mm: f64,
    /// Bone across the fixture there.
    pub bone_mm: f64,
    /// Bone asked for there.
    pub needed_mm: f64,
    /// Depth below the crest.
    pub level_mm: f64,
    /// Depth below the crest from which on there is enough.
    pub enough_from_mm: Option<f64>,
}

/// The entry of one fixture; `section` is the section that it was judged in.
#[must_use]
pub fn fit_entry(fit: &Fit, section: &SectionBone) -> FitEntry {
    let wall = |w: &Result<Wall, NoWall>| {
        w.as_ref().ok().map(|w| WallEntry {
            wall_mm: rounded(w.wall_mm),
            u95_mm: rounded(w.u95_mm),
            budget: entries(&w.budget),
            depth_mm: rounded(w.depth_mm),
            at: point(section.patient(w.at)),
        })
    };
    let all_round = |w: &Result<SpaceWall, NoWall>| w.as_ref().ok().map(space_entry);
    let side = |pick: fn(&SpaceWalls) -> &Result<SpaceWall, NoWall>, w| {
        fit.space.as_ref().and_then(|s| all_round(pick(s))).or_else(|| wall(w))
    };
    let mm = |w: &Result<Wall, NoWall>| w.as_ref().ok().map(|w| rounded(w.wall_mm));
    FitEntry {
        fixture: fit.fixture.clone(),
        diameter_mm: rounded(fit.solid.widest_mm()),
        length_mm: rounded(fit.solid.length_mm()),
        pose: PoseEntry {
            platform: point(fit.pose.platform),
            apical: direction(fit.pose.apical),
            lean_deg: rounded(fit.leans_deg[0]),
            lean_mesial_deg: rounded(fit.leans_deg[1]),
        },
        pose_source: match fit.pose_source {
            PoseSource::Given => "given",
            PoseSource::BestInSection => "best-in-section",
            PoseSource::BestInSpace => "best",
        },
        walls: WallsEntry {
            buccal: side(|s| &s.buccal, &fit.walls.buccal),
            lingual: side(|s| &s.lingual, &fit.walls.lingual),
            mesial: fit.space.as_ref().and_then(|s| all_round(&s.mesial)),
            distal: fit.space.as_ref().and_then(|s| all_round(&s.distal)),
            apex: side(|s| &s.apex, &fit.walls.apex),
        },
        stands_out: fit.space.iter().flat_map(|s| &s.stands_out).map(StandOutEntry::of).collect(),
        walls_to: fit.walls_to.as_str(),
        bone_contact: fit.space.as_ref().and_then(|s| s.contact_share).map(rounded),
        section_walls: fit
            .walls
            .profile
            .iter()
            .map(|w| SectionWallEntry {
                depth_mm: rounded(w.depth_mm),
                level_mm: rounded(w.level_mm),
                buccal_mm: mm(&w.buccal),
                lingual_mm: mm(&w.lingual),
            })
            .collect(),
        clearances: fit.clearances.iter().map(clearance_entry).collect(),
        rules: fit.rules.iter().map(rule_entry).collect(),
        shortfall: fit.shortfall.map(|s| ShortfallEntry {
            short_mm: rounded(s.short_mm),
            u95_mm: rounded(s.u95_mm),
            bone_mm: rounded(s.bone_mm),
            needed_mm: rounded(s.needed_mm),
            level_mm: rounded(s.level_mm),
            enough_from_mm: s.enough_from_mm.map(rounded),
        }),
        missing: fit.missing.as_ref().map(MissingEntry::of),
        margin_mm: fit.margin_mm().map(rounded),
        verdict: fit.verdict.as_str(),
        drilling: drill_entries(fit),
        drilling_short_at: drilling_short_at(&fit.drilling),
        restoration: Vec::new(),
        restoration_verdict: None,
        wall_map: None,
    }
}

pub(super) fn rule_entry(r: &RuleCheck) -> RuleEntry {
    RuleEntry {
        rule: rule_word(r.rule),
        required_mm: rounded(r.required_mm),
        found_mm: r.found_mm.map(rounded),
        probability: r.probability.map(rounded),
        verdict: r.verdict.as_str(),
    }
}

pub(super) fn clearance_entry(c: &jawgauge_fixture::Clearance) -> ClearanceEntry {
    let (to, kind) = match (c.kind, &c.tooth) {
        (ClearanceKind::Limit(kind), _) => (limit_word(kind).to_owned(), "limit"),
        (ClearanceKind::Tooth, tooth) => (tooth.clone().unwrap_or_default(), "tooth"),
        (ClearanceKind::Fixture, of) => (of.clone().unwrap_or_default(), "fixture"),
        (ClearanceKind::Metal, of) => (of.clone().unwrap_or_default(), "metal"),
    };
    ClearanceEntry {
        to,
        kind,
        clearance_mm: rounded(c.clearance_mm),
        u95_mm: rounded(c.u95_mm),
        budget: entries(&c.budget),
        required_mm: rounded(c.required_mm),
        probability: rounded(c.probability),
        verdict: c.verdict.as_str(),
    }
}

fn rule_word(rule: RuleKind) -> &'static str {
    match rule {
        RuleKind::BuccalWall => "wall.buccal",
        RuleKind::LingualWall => "wall.lingual",
        RuleKind::MesialWall => "wall.mesial",
        RuleKind::DistalWall => "wall.distal",
        RuleKind::ApexInBone => "apex.in-bone",
        RuleKind::PlatformInBone => "platform.in-bone",
    }
}
