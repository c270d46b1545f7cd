//! Fixtures in the sites of a case, in three dimensions.

use jawgauge_bone::{BoneSurface, OrientedBox, SurfaceError};
use jawgauge_fixture::{
    ClearanceKind, FitContext, FixtureSolid, Obstacle, Pose, PoseLimits, Shape, SiteFit,
    SpaceContext, find_metal, fit_site, space_around,
};

use crate::error::CliError;
use crate::session::{MeasuredSite, Session};

/// Fixtures of sites further apart than this, mm, have nothing to do with each other.
pub(crate) const APART_MM: f64 = 25.0;
/// Voxels around the space of a site that its fits look at.
const MARGIN_VOXELS: usize = 8;

/// What is known of a site before any of its fixtures is looked for.
struct Surveyed {
    limits: PoseLimits,
    surface: Result<BoneSurface, SurfaceError>,
    metal: Vec<(ClearanceKind, Obstacle)>,
    /// Its fixtures alone, where their pose is given: others keep clear of the first.
    given: Option<SiteFit>,
}

/// The fixtures of every measured site. Each site's search keeps clear of the best fixture of sites before it in the
/// case, and of sites after it whose pose is given;
/// in the end all are held against each other.
pub(crate) fn fit_sites(
    session: &Session,
    platform_depth_mm: f64,
) -> Result<Vec<SiteFit>, CliError> {
    let sites: Vec<&MeasuredSite> = session.measured().collect();
    let surveyed = sites
        .iter()
        .map(|site| survey(session, site, platform_depth_mm))
        .collect::<Result<Vec<_>, _>>()?;
    let mut done: Vec<SiteFit> = Vec::new();
    for (index, site) in sites.iter().enumerate() {
        let mut others = surveyed[index].metal.clone();
        for (n, other) in sites.iter().enumerate() {
            let placed = match n {
                n if n < index => done[n].fits.first(),
                n if n > index => surveyed[n].given.as_ref().and_then(|found| found.fits.first()),
                _ => None,
            };
            let Some(fit) = placed else { continue };
            if fit.pose.platform.distance_mm(site.point) > APART_MM {
                continue;
            }
            others.push(to_keep_clear_of(session, other, &fit.solid, fit.pose));
        }
        let known = &surveyed[index];
        let is_alone = others.len() == known.metal.len();
        done.push(match known.given.as_ref().filter(|_| is_alone) {
            Some(given) => given.clone(),
            None => fit_with(session, site, known.limits, &known.surface, &others)?,
        });
    }
    stand_beside_each_other(session, &sites, &surveyed, &mut done);
    Ok(done)
}

/// A fixture of another site, as what is to be kept clear of.
fn to_keep_clear_of(
    session: &Session,
    other: &MeasuredSite,
    solid: &FixtureSolid,
    pose: Pose,
) -> (ClearanceKind, Obstacle) {
    let obstacle = Obstacle {
        name: other.site.id.clone(),
        shape: Shape::Fixture { solid: solid.clone(), pose },
        keep_mm: session.case.required.fixture_mm,
    };
    (ClearanceKind::Fixture, obstacle)
}

/// Holds the fixtures of each site against the first of every other site, as they were found, so that both
/// tell the same distance. Poses and their order stay: the first is the one that the others kept clear of.
fn stand_beside_each_other(
    session: &Session,
    sites: &[&MeasuredSite],
    surveyed: &[Surveyed],
    done: &mut [SiteFit],
) {
    let first: Vec<Option<(FixtureSolid, Pose)>> =
        done.iter().map(|f| f.fits.first().map(|fit| (fit.solid.clone(), fit.pose))).collect();
    for (index, (site, found)) in sites.iter().zip(done.iter_mut()).enumerate() {
        let Some((_, own)) = &first[index] else { continue };
        let mut others: Vec<(ClearanceKind, Obstacle)> = Vec::new();
        if surveyed[index].surface.is_err() {
            // Without a surface the fits know of nothing but the section, roots and limits.
            others.extend(surveyed[index].metal.iter().cloned());
        }
        for (n, other) in sites.iter().enumerate() {
            if let Some((solid, pose)) = &first[n]
                && n != index
                && pose.platform.distance_mm(own.platform) <= APART_MM
            {
                others.push(to_keep_clear_of(session, other, solid, *pose));
            }
        }
        let voxel_mm = site.measure.bone.quality.voxel_mm;
        for fit in &mut found.fits {
            fit.stand_beside(&others, voxel_mm, session.case.scale_u_share);
        }
    }
}

fn survey(
    session: &Session,
    site: &MeasuredSite,
    platform_depth_mm: f64,
) -> Result<Surveyed, CliError> {
    let depth = site.site.platform_depth_mm.unwrap_or(platform_depth_mm);
    let limits = match site.site.within {
        Some(within) => {
            let depth_mm = within.depth_mm.unwrap_or((depth, depth));
            PoseLimits { depth_mm, ..within.limits }
        }
        None => PoseLimits::at_depth(depth),
    };
    let bone = &site.measure.bone;
    let region = space_around(bone, &session.case.bodies(), &limits, site.site.pose.as_ref());
    let (surface, metal) =
        session.parts.with_enough(Some(part(session, site, &region)), |volume| {
            let surface = BoneSurface::around(volume, bone, &region);
            (surface, find_metal(volume, bone, &region))
        })?;
    let metal: Vec<(ClearanceKind, Obstacle)> = metal
        .iter()
        .enumerate()
        .map(|(n, piece)| {
            let name = format!("metal {}", n + 1);
            (ClearanceKind::Metal, Obstacle { name, shape: piece.shape(), keep_mm: 0.0 })
        })
        .collect();
    let given = match site.site.pose {
        Some(_) => Some(fit_with(session, site, limits, &surface, &metal)?),
        None => None,
    };
    Ok(Surveyed { limits, surface, metal, given })
}

/// The part of the scan that holds the site's space.
fn part(session: &Session, site: &MeasuredSite, region: &OrientedBox) -> jawgauge_volume::VoxelBox {
    let geometry = session.parts.scan().geometry();
    let corners: Vec<_> = (0..8_usize)
        .map(|n| {
            region.place(std::array::from_fn(|a| {
                if n >> a & 1 == 0 { region.least_mm[a] } else { region.most_mm[a] }
            }))
        })
        .collect();
    geometry.voxels_around(&corners).map_or(site.part, |around| {
        site.part.joined(&around.widened(MARGIN_VOXELS, geometry.dims()))
    })
}

fn fit_with(
    session: &Session,
    site: &MeasuredSite,
    limits: PoseLimits,
    surface: &Result<BoneSurface, SurfaceError>,
    others: &[(ClearanceKind, Obstacle)],
) -> Result<SiteFit, CliError> {
    let mut found = session.parts.with_enough(Some(site.part), |volume| {
        let context = FitContext {
            volume,
            site: site.point,
            options: site.options,
            limits: &site.site.limits,
            neighbours: &site.site.neighbours,
            required: session.case.required,
            pose: site.site.pose,
            platform_depth_mm: limits.depth_mm.0,
            scale_u_share: session.case.scale_u_share,
            drilling: Some(&session.case.drilling),
            space: surface.as_ref().ok().map(|surface| SpaceContext { surface, limits, others }),
        };
        fit_site(&site.measure.bone, &session.case.fixtures, &context)
    })?;
    found.no_surface = surface.as_ref().err().copied();
    Ok(found)
}
