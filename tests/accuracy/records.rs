//! What was found against what is true.

use std::time::Instant;

use jawgauge_bone::{MeasureOptions, Plate as BonePlate, SiteMeasure, measure_site};
use jawgauge_phantom::PlateSide;

use crate::baselines;
use crate::cases::Case;

/// Bone this near to its end is no level that anybody asks for, mm.
const ABOVE_BASE_MM: f64 = 4.0;
/// A plate counts as even where it keeps its thickness over this much to either side, mm.
const EVEN_OVER_MM: f64 = 0.8;

/// A plate as measured.
#[derive(Clone, Copy)]
pub(crate) enum PlateFound {
    /// A thickness and its expanded uncertainty.
    Number(f64, f64),
    /// Between a and b.
    Between(f64, f64),
    /// Not measured.
    Missing,
}

pub(crate) struct Width {
    pub(crate) cell: usize,
    pub(crate) case: usize,
    pub(crate) level_mm: f64,
    pub(crate) true_mm: f64,
    pub(crate) found: Option<(f64, f64)>,
    pub(crate) usual: [Option<f64>; 2],
}

pub(crate) struct Plate {
    pub(crate) cell: usize,
    pub(crate) case: usize,
    pub(crate) level_mm: f64,
    pub(crate) fwhm_mm: f64,
    pub(crate) true_mm: f64,
    /// Whether the wall keeps its thickness around the level.
    pub(crate) even: bool,
    pub(crate) found: PlateFound,
    pub(crate) usual: [Option<f64>; 2],
}

pub(crate) struct Height {
    pub(crate) cell: usize,
    pub(crate) case: usize,
    pub(crate) true_mm: f64,
    pub(crate) found: Option<(f64, f64)>,
}

#[derive(Default)]
pub(crate) struct Records {
    pub(crate) ridges: usize,
    pub(crate) widths: Vec<Width>,
    pub(crate) plates: Vec<Plate>,
    pub(crate) heights: Vec<Height>,
    /// True blur and blur found with its standard uncertainty, mm FWHM.
    pub(crate) blurs: Vec<(f64, Option<(f64, f64)>)>,
    pub(crate) refused: Vec<String>,
    pub(crate) millis: Vec<f64>,
}

impl Records {
    pub(crate) fn of(case: &Case, index: usize) -> Self {
        let mut records = Self { ridges: 1, ..Self::default() };
        let volume = case.volume();
        let options = MeasureOptions::default();
        let begun = Instant::now();
        let found = measure_site(&volume, case.frame(), case.point(), &[], &options);
        records.millis.push(begun.elapsed().as_secs_f64() * 1e3);
        let found = match found {
            Ok(found) => Some(found),
            Err(why) => {
                records.refused.push(why.to_string());
                None
            }
        };
        let (cell, view) = (case.cell, case.ridge.section().along_own_axis());
        let height = found.as_ref().and_then(|f| f.height.as_ref().ok()).map(|h| (h.mm, h.u95_mm));
        let true_height = view.height_mm();
        records.heights.push(Height { cell, case: index, true_mm: true_height, found: height });
        let blur = found.as_ref().and_then(blur_found);
        records.blurs.push((case.blur_fwhm_mm, blur));
        for (n, &level_mm) in options.levels_mm.iter().enumerate() {
            if level_mm > true_height - ABOVE_BASE_MM {
                continue;
            }
            let Some(true_mm) = view.width_mm(level_mm) else { continue };
            let width = found.as_ref().and_then(|f| f.widths[n].as_ref().ok());
            records.widths.push(Width {
                cell,
                case: index,
                level_mm,
                true_mm,
                found: width.map(|w| (w.width.mm, w.width.u95_mm)),
                usual: baselines::widths(case, &volume, level_mm).unwrap_or([None; 2]),
            });
            for (side, nominal) in
                [PlateSide::Buccal, PlateSide::Lingual].into_iter().zip(case.plates_mm)
            {
                let thickness = |level: f64| view.plate_normal_mm(side, level);
                let Some(true_mm) = thickness(level_mm) else { continue };
                let even = [-EVEN_OVER_MM, 0.0, EVEN_OVER_MM]
                    .iter()
                    .all(|by| thickness(level_mm + by).is_some_and(|t| (t - nominal).abs() < 0.01));
                records.plates.push(Plate {
                    cell,
                    case: index,
                    level_mm,
                    fwhm_mm: case.blur_fwhm_mm,
                    true_mm,
                    even,
                    found: found.as_ref().map_or(PlateFound::Missing, |f| plate_found(f, n, side)),
                    usual: baselines::plates(case, &volume, side, level_mm, true_mm)
                        .unwrap_or([None; 2]),
                });
            }
        }
        records
    }

    pub(crate) fn add(&mut self, other: Self) {
        self.ridges += other.ridges;
        self.widths.extend(other.widths);
        self.plates.extend(other.plates);
        self.heights.extend(other.heights);
        self.blurs.extend(other.blurs);
        self.refused.extend(other.refused);
        self.millis.extend(other.millis);
    }

    /// Every record on a line of its own, for a closer look.
    pub(crate) fn print(&self) {
        for w in &self.widths {
            let (mm, u95) = w.found.unwrap_or((f64::NAN, f64::NAN));
            println!(
                "width {} {} {} {:.4} {mm:.4} {u95:.4}",
                w.case, w.cell, w.level_mm, w.true_mm
            );
        }
        for p in &self.plates {
            let (a, b, kind) = match p.found {
                PlateFound::Number(mm, u95) => (mm, u95, "number"),
                PlateFound::Between(a, b) => (a, b, "between"),
                PlateFound::Missing => (f64::NAN, f64::NAN, "missing"),
            };
            println!(
                "plate {} {} {} {:.3} {:.4} {} {kind} {a:.4} {b:.4}",
                p.case, p.cell, p.level_mm, p.fwhm_mm, p.true_mm, p.even
            );
        }
        for h in &self.heights {
            let (mm, u95) = h.found.unwrap_or((f64::NAN, f64::NAN));
            println!("height {} {} {:.4} {mm:.4} {u95:.4}", h.case, h.cell, h.true_mm);
        }
        for (n, (true_mm, found)) in self.blurs.iter().enumerate() {
            let (mm, u) = found.unwrap_or((f64::NAN, f64::NAN));
            println!("blur {n} {true_mm:.4} {mm:.4} {u:.4}");
        }
    }
}

fn blur_found(found: &SiteMeasure) -> Option<(f64, f64)> {
    let blur = found.bone.blur()?;
    Some((blur.in_plane_mm, blur.u_mm))
}

fn plate_found(found: &SiteMeasure, level: usize, side: PlateSide) -> PlateFound {
    let Ok(width) = &found.widths[level] else { return PlateFound::Missing };
    let plate = match side {
        PlateSide::Buccal => width.buccal_plate,
        PlateSide::Lingual => width.lingual_plate,
    };
    match plate {
        Ok(BonePlate::Thickness(t)) => PlateFound::Number(t.mm, t.u95_mm),
        Ok(BonePlate::Between { low_mm, high_mm }) => PlateFound::Between(low_mm, high_mm),
        Err(_) => PlateFound::Missing,
    }
}
