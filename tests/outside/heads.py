"""One plastic head, scanned without and with a tilted gantry: the same millimetres in both.

Both scans are sampled through the project's reader and interpolation on grids along the axes of
the patient. SimpleITK lays one head on the other by a rigid motion; widths of the skull are then
taken along the same lines of the object in both, from outer surface to outer surface. An affine
motion, fitted after it, says by how much one head would have to be stretched to be the other.
Both are done again with the tilted stack as if it were straight.
"""

import numpy as np
import SimpleITK
from scipy import ndimage

import ours
from ours import check

GRID_MM, LINE_STEP_MM = 2.0, 0.1
# Share of the voxels that the registration looks at, and the seed that chooses them.
SHARE, SEED = 0.15, 1
# Grey values: air, bone for certain, and half-way between air and the thinner bone, for edges.
AIR, SKULL, EDGE = -1000.0, 0.0, -300.0
# Slices are 5 mm thick in the flat scan, and 2.4 mm apart in the tilted one, pixels 0.45 mm. Lines
# run near the plane of the flat slices, where a surface that leans by up to 45 degrees from the
# slices' normal is blurred over 5 mm: half a pixel for the median, half a slice for the worst.
MEDIAN_MM, WORST_MM = 0.25, 2.5
# An unequal stretch larger than this is no rounding: half a flat slice (2.5 mm) in 135 mm.
STRETCH = 0.02


class Sampled:
    """A scan on a grid of its own, and a way to sample it."""

    def __init__(self, affine, dims, sample):
        corners = [(affine @ [*((np.array(dims) - 1) * at), 1])[:3] for at in np.ndindex(2, 2, 2)]
        low, high = np.min(corners, axis=0), np.max(corners, axis=0)
        self.sample = sample
        axes = [np.arange(low[c], high[c], GRID_MM) for c in range(3)]
        z, y, x = np.meshgrid(*axes[::-1], indexing="ij")
        grey = sample(np.stack([x, y, z], axis=-1))
        self.image = SimpleITK.GetImageFromArray(np.nan_to_num(grey, nan=AIR).astype(np.float32))
        self.image.SetSpacing([GRID_MM] * 3)
        self.image.SetOrigin(low.tolist())
        self.scanned = SimpleITK.GetImageFromArray((~np.isnan(grey)).astype(np.uint8))
        self.scanned.CopyInformation(self.image)


def straightened(affine, grey):
    """A stack whose slices are taken to stand on each other along their normal."""
    straight = affine.copy()
    normal = np.cross(affine[:3, 0], affine[:3, 1])
    normal /= np.linalg.norm(normal)
    straight[:3, 2] = (affine[:3, 2] @ normal) * normal

    def sample(points):
        at = np.linalg.solve(straight[:3, :3], (points - straight[:3, 3]).reshape(-1, 3).T)
        found = ndimage.map_coordinates(grey, at[::-1], order=1, cval=np.nan, prefilter=False)
        return found.reshape(points.shape[:-1])

    return Sampled(straight, grey.shape[::-1], sample)


def skull_of(head):
    """The skull, a bit wider: the largest piece of bone, without the rest that it lies in."""
    pieces = SimpleITK.ConnectedComponent(head.image > SKULL)
    skull = SimpleITK.RelabelComponent(pieces, sortByObjectSize=True) == 1
    return SimpleITK.BinaryMorphologicalClosing(SimpleITK.BinaryDilate(skull, [2] * 3), [9] * 3)


def registered(fixed, moving, motion, stages):
    method = SimpleITK.ImageRegistrationMethod()
    method.SetMetricAsCorrelation()
    method.SetMetricSamplingStrategy(method.RANDOM)
    method.SetMetricSamplingPercentage(SHARE, SEED)
    method.SetMetricFixedMask(skull_of(fixed))
    method.SetMetricMovingMask(moving.scanned)
    method.SetInterpolator(SimpleITK.sitkLinear)
    method.SetOptimizerAsRegularStepGradientDescent(1.0, 1e-4, 80, relaxationFactor=0.6)
    method.SetOptimizerScalesFromPhysicalShift()
    method.SetShrinkFactorsPerLevel([s for s, _ in stages])
    method.SetSmoothingSigmasPerLevel([sigma for _, sigma in stages])
    method.SmoothingSigmasAreSpecifiedInPhysicalUnitsOn()
    method.SetInitialTransform(motion, inPlace=True)
    method.Execute(fixed.image, moving.image)
    return motion, -method.GetMetricValue()


def laid_on(flat, tilted):
    """Rigid and affine motion from flat to tilted."""
    start = SimpleITK.CenteredTransformInitializer(
        skull_of(flat), skull_of(tilted), SimpleITK.Euler3DTransform(),
        SimpleITK.CenteredTransformInitializerFilter.MOMENTS)
    rigid = SimpleITK.Euler3DTransform(start)
    rigid.SetRotation(0.0, 0.0, 0.0)
    rigid, _ = registered(flat, tilted, rigid, [(4, 4.0), (2, 2.0)])
    affine = SimpleITK.AffineTransform(3)
    affine.SetMatrix(rigid.GetMatrix())
    affine.SetTranslation(rigid.GetTranslation())
    affine.SetCenter(rigid.GetCenter())
    affine, alike = registered(flat, tilted, affine, [(2, 2.0), (1, 0.0)])
    return rigid, np.linalg.svd(np.reshape(affine.GetMatrix(), (3, 3)))[1], alike


def lines(flat):
    """Lines across the skull, level and fanned out: a start, a direction, and the reach both ways."""
    mask = skull_of(flat)
    inside = SimpleITK.GetArrayFromImage(mask).astype(bool)
    where = np.argwhere(inside)[:, ::-1] * GRID_MM + flat.image.GetOrigin()
    middle, top = where.mean(axis=0), where[:, 2].max()
    for z in np.arange(top - 70.0, top - 30.0, 2.0):
        for turn in np.radians(np.arange(0.0, 180.0, 15.0)):
            start = np.array([middle[0], middle[1], z])
            along = np.array([np.cos(turn), np.sin(turn), 0.0])
            off = where[np.abs(where[:, 2] - z) < GRID_MM / 2] - start
            beside = np.linalg.norm(off - np.outer(off @ along, along), axis=1) < GRID_MM
            reach = (off @ along)[beside]
            # The mask is a bit wider than the skull, and ends before the rest that it lies in.
            yield start, along, (reach.min(), reach.max())


def width(grey, at):
    """From the first to the last place above an edge's level, mm."""
    above = np.nonzero(grey > EDGE)[0]
    if len(above) == 0 or above[0] == 0 or above[-1] == len(at) - 1 or np.isnan(grey).any():
        return np.nan
    first, last = above[0], above[-1]
    enters = np.interp(EDGE, grey[first - 1:first + 1], at[first - 1:first + 1])
    leaves = np.interp(-EDGE, -grey[last:last + 2], at[last:last + 2])
    return leaves - enters


def widths(head, asked, motion=None):
    at = np.arange(-105.0, 105.0, LINE_STEP_MM)
    points = np.array([start + at[:, None] * along for start, along, _ in asked])
    if motion is not None:
        matrix, centre = np.reshape(motion.GetMatrix(), (3, 3)), np.array(motion.GetCenter())
        points = (points - centre) @ matrix.T + centre + motion.GetTranslation()
    reaches = [(at >= low) & (at <= high) for *_, (low, high) in asked]
    return np.array([width(grey[r], at[r]) for grey, r in zip(head.sample(points), reaches)])


def check_heads(scans, work):
    names = ["head-plastic-flat", "head-plastic-tilted", "head-uneven-tilted"]
    found = ours.read_all([scans / name for name in names], work)
    code = found[2][0].get("refused")
    check("a tilted head with uneven slices is refused", code == "uneven-slices", str(code))
    through = lambda name: lambda points: ours.sample(scans / name, points, work)
    flat, tilted = (Sampled(ours.affine_of(answer), answer["dims"], through(name))
                    for name, (answer, _) in zip(names[:2], found))
    told = found[1][0]["warnings"]
    check("the shear of the tilted head is told", "sheared-stack" in told, ", ".join(told))
    # How far the tilted stack leans, as a share of its height.
    affine = ours.affine_of(found[1][0])
    normal = np.cross(*(affine[:3, c] / np.linalg.norm(affine[:3, c]) for c in range(2)))
    up = affine[:3, 2] @ normal
    head_lean = (affine[:3, 2] - up * normal) / up
    asked = list(lines(flat))
    expected = widths(flat, asked)
    for name, head, good in [
        ("flat and tilted", tilted, True),
        ("flat and tilted with the shear ignored",
         straightened(ours.affine_of(found[1][0]), found[1][1]), False),
    ]:
        rigid, stretch, alike = laid_on(flat, head)
        off = np.abs(widths(head, asked, rigid) - expected)
        there = ~np.isnan(off)
        median, worst = (np.quantile(off[there], q) for q in (0.5, 0.95))
        unequal = np.abs(stretch - 1.0).max()
        agree = there.mean() >= 0.9 and median <= MEDIAN_MM and worst <= WORST_MM
        check(f"{name}: stretch {'none' if good else 'is needed'}", (unequal <= STRETCH) == good,
              f"one fits the other if stretched by {', '.join(f'{s:.4f}' for s in stretch)} "
              f"(correlation {alike:.3f}); {STRETCH} allowed")
        if not good:
            lean = np.linalg.norm(head_lean)
            needed = np.sqrt(1 + lean**2 / 4) + np.array([lean / 2, -lean / 2])
            check(f"{name}: the stretch is that of a shear by the gantry's tilt",
                  np.abs(stretch[[0, 2]] - needed).max() <= STRETCH,
                  f"{needed[0]:.4f} and {needed[1]:.4f} expected at {np.degrees(np.arctan(lean)):.1f} degrees")
        check(f"{name}: widths of the skull {'agree' if good else 'part'}", agree == good,
              f"{there.sum()} of {len(asked)} lines measured in both, median difference {median:.2f} mm, "
              f"95 % within {worst:.2f} mm, {MEDIAN_MM} and {WORST_MM} allowed")
    check("widths were measured", (~np.isnan(expected)).sum() >= 150, f"{np.nanmin(expected):.1f} to "
          f"{np.nanmax(expected):.1f} mm")

