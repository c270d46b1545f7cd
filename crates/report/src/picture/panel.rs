//! The panel beside the section: the fixture, its walls and the verdicts.

use jawgauge_fixture::{
    Clearance, ClearanceKind, Fit, PoseSource, RuleCheck, RuleKind, Verdict, Wall, WallsTo,
};

use super::canvas::{Canvas, GREEN, INK, Line, ORANGE, Spot, Type, VERMILION, WHITE};
use super::fixture_mark::{TAGS, put_tag};
use super::font::showable;
use super::layout::{wrapped, wrapped_short};
use super::plate::Scene;
use super::words;

const SIZE: f64 = 14.0;
const SMALL: f64 = 13.0;
/// Where text begins beside letters and signs.
const INDENT: f64 = 28.0;

/// Leans that would be printed as 0.0 are none, degrees.
const UPRIGHT_DEG: f64 = 0.05;

/// Text set from top to bottom.
struct Flow<'a> {
    canvas: &'a mut Canvas,
    x: f64,
    y: f64,
    width: f64,
}

impl Flow<'_> {
    fn lines(&mut self, text: &str, indent: f64, look: Type, step: f64) {
        for line in wrapped(text, self.width - indent, look.size, look.bold) {
            self.y += step;
            self.canvas.text(Spot::new(self.x + indent, self.y), &line, look);
        }
    }

    fn note(&mut self, text: &str) {
        self.lines(text, 0.0, Type::quiet(12.0), 16.0);
    }

    /// A figure in bold, what is asked for, and the verdict on it.
    fn row(&mut self, tag: Option<&str>, figure: &str, asked: &str, verdict: Verdict) {
        self.y += 6.0;
        let top = self.y;
        self.lines(figure, INDENT, Type::bold(SIZE), 19.0);
        if let Some(tag) = tag {
            put_tag(self.canvas, Spot::new(self.x + 10.0, top + 14.0), tag);
        }
        let whole = format!("{asked}: {}", verdict.as_str());
        let indent = INDENT + 19.0;
        put_verdict(self.canvas, Spot::new(self.x + INDENT + 6.5, self.y + 13.5), 6.5, verdict);
        self.lines(&whole, indent, Type::plain(SMALL), 18.0);
    }
}

/// The sign of a verdict: a disc with a tick, a square with a cross, or a ring with a question
/// mark, so that shape tells what colour tells.
fn put_verdict(canvas: &mut Canvas, at: Spot, r: f64, verdict: Verdict) {
    let stroke = |color| Line::plain(color, r * 0.3);
    let spot = |x: f64, y: f64| Spot::new(at.x + x * r, at.y + y * r);
    match verdict {
        Verdict::Met => {
            canvas.circle(at, r, Some((GREEN, 1.0)), Line::plain(GREEN, 1.0));
            let tick = [spot(-0.5, 0.05), spot(-0.12, 0.42), spot(0.52, -0.38)];
            canvas.path(&tick, false, None, stroke(WHITE));
        }
        Verdict::NotMet => {
            let corners = [spot(-1.0, -1.0), spot(1.0, -1.0), spot(1.0, 1.0), spot(-1.0, 1.0)];
            canvas.path(&corners, true, Some((VERMILION, 1.0)), Line::plain(VERMILION, 1.0));
            canvas.line(spot(-0.5, -0.5), spot(0.5, 0.5), stroke(WHITE));
            canvas.line(spot(-0.5, 0.5), spot(0.5, -0.5), stroke(WHITE));
        }
        Verdict::TooCloseToCall => {
            canvas.circle(at, r - 0.5, Some((WHITE, 1.0)), Line::plain(ORANGE, r * 0.28));
            let look = Type { color: INK, ..Type::bold(r * 1.5) }.anchored("middle");
            canvas.text(spot(0.0, 0.55), "?", look);
        }
    }
}

/// Draws the panel with its first line at `at`; returns where it ends.
pub(crate) fn draw(canvas: &mut Canvas, scene: &Scene<'_>, at: Spot, width: f64) -> f64 {
    let mut flow = Flow { canvas, x: at.x, y: at.y, width };
    match scene.input.fit {
        Some(fit) => fixture(&mut flow, scene, fit),
        None => {
            flow.canvas.text(Spot::new(flow.x, flow.y), "No fixture", Type::bold(15.0));
            flow.note("This plate shows the ridge as it was measured.");
        }
    }
    flow.y
}

fn fixture(flow: &mut Flow<'_>, scene: &Scene<'_>, fit: &Fit) {
    let name = showable(&format!("Fixture {}", fit.fixture));
    for (n, line) in wrapped_short(&name, flow.width, 15.0, true, 2).iter().enumerate() {
        flow.y += if n == 0 { 0.0 } else { 19.0 };
        flow.canvas.text(Spot::new(flow.x, flow.y), line, Type::bold(15.0));
    }
    flow.y += 30.0;
    put_verdict(flow.canvas, Spot::new(flow.x + 12.0, flow.y - 7.5), 12.0, fit.verdict);
    let verdict = words::capital(fit.verdict.as_str());
    flow.canvas.text(Spot::new(flow.x + 34.0, flow.y), &verdict, Type::bold(22.0));
    flow.y += 4.0;
    for rule in &fit.rules {
        rule_row(flow, scene, fit, rule);
    }
    let kinds = fit.clearances.iter().filter_map(|c| match c.kind {
        ClearanceKind::Limit(kind) => Some(kind),
        ClearanceKind::Tooth | ClearanceKind::Fixture | ClearanceKind::Metal => None,
    });
    let mut names = words::limit_names(kinds).into_iter();
    for clearance in &fit.clearances {
        clearance_row(flow, clearance, &mut names);
    }
    if let Some(s) = fit.shortfall.filter(|s| s.short_mm > 0.0) {
        let from = s.enough_from_mm.map_or("nowhere along it".to_owned(), |mm| {
            format!("from {} mm below the crest on", words::mm(mm))
        });
        flow.y += 8.0;
        flow.lines(
            &format!(
                "Bone for both walls is short by {} mm at {} mm below the crest; it suffices {from}.",
                words::with_u95(s.short_mm, s.u95_mm),
                words::mm(s.level_mm)
            ),
            0.0,
            Type::plain(SMALL),
            18.0,
        );
    }
    flow.y += 8.0;
    flow.note(&where_it_stands(scene, fit));
}

fn where_it_stands(scene: &Scene<'_>, fit: &Fit) -> String {
    let pose = &fit.section_pose;
    let depth_mm = pose.platform.apical_mm - scene.bone.crest.apical_mm;
    let platform = if depth_mm < 0.0 {
        format!("{} mm above the crest", words::mm(-depth_mm))
    } else {
        format!("{} mm below the crest", words::mm(depth_mm))
    };
    let source = match fit.pose_source {
        PoseSource::Given => "Pose given by the user",
        PoseSource::BestInSpace => {
            "Pose found in space, the least wall or clearance as large as can be"
        }
        PoseSource::BestInSection => "Pose found in this section, the walls as even as can be",
    };
    let size = format!(
        "{} mm wide at most, {} mm long",
        words::given(fit.solid.widest_mm()),
        words::given(fit.solid.length_mm())
    );
    let lean = pose.lean_deg;
    let toward = if lean > 0.0 { scene.sides.outer_plain } else { scene.sides.inner_plain };
    let lean = if scene.own {
        "its axis runs straight up and down here".to_owned()
    } else if lean.abs() < UPRIGHT_DEG {
        "upright".to_owned()
    } else {
        format!("apex leaning {:.1}° to the {toward}", lean.abs())
    };
    let core = match fit.walls_to {
        WallsTo::Threads => String::new(),
        WallsTo::Core => {
            let deep = words::mm(fit.solid.thread_mm());
            format!(" Walls are to the core, {deep} mm below the tips of the threads.")
        }
    };
    format!("{size}. {source}: middle of the platform {platform}, {lean}.{core}")
}

fn rule_row(flow: &mut Flow<'_>, scene: &Scene<'_>, fit: &Fit, rule: &RuleCheck) {
    let (tag, wall) = match rule.rule {
        RuleKind::BuccalWall => (TAGS[0], &fit.walls.buccal),
        RuleKind::LingualWall => (TAGS[1], &fit.walls.lingual),
        RuleKind::ApexInBone => (TAGS[2], &fit.walls.apex),
        RuleKind::MesialWall | RuleKind::DistalWall => {
            // Beside the section: told where it is not as it should be.
            if rule.verdict != Verdict::Met {
                let name = words::rule_name(rule.rule, scene.sides);
                let figure = match (rule.found_mm, rule.u95_mm) {
                    (Some(mm), Some(u95)) => format!("{name} {} mm", words::with_u95(mm, u95)),
                    _ => format!("{name} not read"),
                };
                flow.row(None, &figure, "must stand in bone", rule.verdict);
            }
            return;
        }
        RuleKind::PlatformInBone => {
            let above = rule.found_mm.map_or("-".to_owned(), |mm| words::mm(-mm));
            let figure = format!("Platform {above} mm above the crest");
            flow.row(None, &figure, "must not stand above it", rule.verdict);
            return;
        }
    };
    let name = words::rule_name(rule.rule, scene.sides);
    let asked = match rule.rule {
        RuleKind::ApexInBone => "must end inside the bone".to_owned(),
        _ => format!("{} mm asked for", words::given(rule.required_mm)),
    };
    let found = rule.found_mm.zip(rule.u95_mm);
    let of_section = |w: &Wall| (w.wall_mm, w.u95_mm);
    match found.map_or_else(|| wall.as_ref().map(of_section), Ok) {
        Ok((wall_mm, u95_mm)) => {
            let figure = format!("{name} {} mm", words::with_u95(wall_mm, u95_mm));
            let out = if wall_mm < 0.0 { "stands out; " } else { "" };
            flow.row(Some(tag), &figure, &format!("{out}{asked}"), rule.verdict);
        }
        Err(why) => {
            flow.row(None, &format!("{name} {}", words::no_wall(*why)), &asked, rule.verdict);
        }
    }
}

fn clearance_row(flow: &mut Flow<'_>, c: &Clearance, names: &mut impl Iterator<Item = String>) {
    let to = match c.kind {
        ClearanceKind::Tooth => {
            showable(&format!("Root of tooth {}", c.tooth.as_deref().unwrap_or("?")))
        }
        ClearanceKind::Fixture => {
            showable(&format!("Fixture at {}", c.tooth.as_deref().unwrap_or("?")))
        }
        ClearanceKind::Metal => showable(c.tooth.as_deref().unwrap_or("metal")),
        ClearanceKind::Limit(_) => words::capital(&names.next().unwrap_or_default()),
    };
    let figure = format!("{to}: {} mm", words::with_u95(c.clearance_mm, c.u95_mm));
    let asked = format!("{} mm to be kept", words::given(c.required_mm));
    flow.row(None, &figure, &asked, c.verdict);
}
