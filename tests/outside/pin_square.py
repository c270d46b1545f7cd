"""Known lengths in a real cone-beam scan of an image-quality phantom.

The scan is data that the package `pylinac` 1.3.1 ships; nothing else of that package is used. It
is read as the archive that it is, cut by the project's own sections, and outlined by its own
contours at half of an edge. Known are: four pins in a square of 50 mm and a housing of 20 cm, both
stated by that package; inserts of 12.2 mm, 58.4 mm from the centre (from memory).
"""

import io
import json
import zipfile

import numpy as np
import pydicom
import SimpleITK

import library_files as files
import ours
from ours import check

SCAN = "pylinac/demo_files/cbct/High quality head.zip"
SIDE_MM, INSERT_MM, INSERT_FROM_CENTRE_MM = 50.0, 12.2, 58.4
WITHIN_MM = 0.3
# The housing is stated in whole centimetres.
HOUSING_MM, HOUSING_WITHIN_MM = 200.0, 5.0
# Slices that lie wholly within the module with pins and inserts, and the middle of one of them.
SLICES = range(29, 37)
NEAR = np.array([256.9, 254.7])
# Grey values: the plastic between is about 100, air about -1000, the bone-like insert about 1000.
# Blurred pins of 3 mm reach half of that.
HOUSING_LEVEL, DARK_LEVEL, BRIGHT_LEVEL, INSERT_LEVEL = -450.0, -150.0, 350.0, 550.0
RTSTRUCT = "1.2.840.10008.5.1.4.1.1.481.3"
STEP_MM = 0.2


def areas(contour):
    """Area and centroid of a closed line."""
    p = np.array(contour)
    q = np.roll(p, -1, axis=0)
    cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]
    area = cross.sum() / 2
    return abs(area), ((p + q) * cross[:, None]).sum(axis=0) / (6 * area)


def cut(scan, affine, windows, work):
    """The contours of windows, for each level `[(area, centroid), ...]`, mm."""
    axes = [affine[:3, c] / np.linalg.norm(affine[:3, c]) for c in range(2)]
    sections = []
    for k, corner, side, step, at in windows:
        origin = (affine @ [*NEAR, k, 1])[:3]
        sections.append({
            "id": str(k), "window_mm": [*corner, corner[0] + side, corner[1] + side], "step_mm": step,
            "slab_mm": 0.0, "interpolation": "cubic", "thresholds": at, "lines_mm": [],
            # Buccal stands for along a row, apical for along a column.
            "plane": {"origin": list(origin), "mesial": list(np.cross(*axes)),
                      "apical_hint": list(axes[1]), "buccal_hint": list(axes[0])},
        })
    path = work / "sections.json"
    path.write_text(json.dumps({"sections": sections}))
    found = json.loads(ours.run_example("section_dump", scan, path))["sections"]
    shapes = []
    for section in found:
        assert np.allclose(section["axes"]["buccal"], axes[0]), "another handedness"
        levels = [level["contours"] for level in section["levels"]]
        shapes.append([[areas(c) for c in level if len(c) > 8] for level in levels])
    return shapes


def within(shapes, least, most):
    return [(area, centre) for area, centre in shapes if least <= area <= most]


def diameter(area):
    return 2 * np.sqrt(area / np.pi)


def check_pins(scan, affine, work):
    """Pins, housing and insert, each in every slice of the module; the mean counts."""
    every = lambda *window: [(k, *window) for k in SLICES]
    windows = [*every((-31.0, -31.0), 62.0, STEP_MM, [DARK_LEVEL, BRIGHT_LEVEL]),
               *every((-108.0, -108.0), 216.0, 0.8, [HOUSING_LEVEL]),
               *every((16.9, -62.7), 24.0, STEP_MM, [INSERT_LEVEL])]
    shapes, n = cut(scan, affine, windows, work), len(SLICES)
    squares, housing, insert = shapes[:n], shapes[n:2 * n], shapes[2 * n:]
    sides, diagonals, centres = [], [], []
    for dark, bright in squares:
        # Pins of 3 mm; the thin ramps of wire beside them are smaller.
        three = [centre for _, centre in within(dark, 3.0, 20.0)]
        one = max(within(bright, 3.0, 20.0), key=lambda s: s[0])[1]
        pins = np.array([*three, one])
        if len(pins) != 4:
            check("four pins", False, f"{len(pins)} found")
            return
        middle = pins.mean(axis=0)
        pins = pins[np.argsort(np.arctan2(*(pins - middle).T))]
        sides.append(np.linalg.norm(pins - np.roll(pins, 1, axis=0), axis=1))
        diagonals.append(np.linalg.norm(pins[:2] - pins[2:], axis=1))
        centres.append(middle)
    sides, diagonals = np.mean(sides, axis=0), np.mean(diagonals, axis=0)
    off = np.abs(sides - SIDE_MM).max()
    listed = lambda values: ", ".join(f"{v:.2f}" for v in values)
    check("sides of the square of pins", off <= WITHIN_MM,
          f"{listed(sides)} mm, {off:.2f} mm from {SIDE_MM:g} in {len(SLICES)} slices")
    off = np.abs(diagonals - SIDE_MM * np.sqrt(2)).max()
    check("diagonals of the square of pins", off <= WITHIN_MM,
          f"{listed(diagonals)} mm, {off:.2f} mm from {SIDE_MM * np.sqrt(2):.2f}")
    round_ones = [max(found, key=lambda s: s[0]) for [found] in insert]
    across = np.mean([diameter(area) for area, _ in round_ones])
    check("diameter of the bone-like insert", abs(across - INSERT_MM) <= WITHIN_MM,
          f"{across:.2f} mm, {across - INSERT_MM:+.2f} from {INSERT_MM} (from memory)")
    from_centre = np.mean([np.linalg.norm(at - c) for (_, at), c in zip(round_ones, centres)])
    check("the bone-like insert from the centre of the pins",
          abs(from_centre - INSERT_FROM_CENTRE_MM) <= WITHIN_MM,
          f"{from_centre:.2f} mm, {from_centre - INSERT_FROM_CENTRE_MM:+.2f} from "
          f"{INSERT_FROM_CENTRE_MM} (from memory)")
    outer = np.mean([diameter(max(found, key=lambda s: s[0])[0]) for [found] in housing])
    check("diameter of the housing", abs(outer - HOUSING_MM) <= HOUSING_WITHIN_MM,
          f"{outer:.2f} mm, {outer - HOUSING_MM:+.2f} from 20 cm")
    return outer


def check_housing_by_simpleitk(image, outer):
    """The same diameter by another way: SimpleITK's interpolation along radii."""
    found = []
    for k in SLICES[::3]:
        centre = np.array(image.TransformContinuousIndexToPhysicalPoint([*NEAR, float(k)]))
        direction = np.reshape(image.GetDirection(), (3, 3))
        radii = np.arange(98.0, 104.0, 0.1)
        ends = []
        for turn in np.radians(np.arange(0.0, 360.0, 3.0)):
            along = direction[:, 0] * np.cos(turn) + direction[:, 1] * np.sin(turn)
            grey = np.array([image.EvaluateAtPhysicalPoint((centre + r * along).tolist())
                             for r in radii])
            out = np.nonzero(grey > HOUSING_LEVEL)[0].max()
            r = np.interp(-HOUSING_LEVEL, -grey[out:out + 2], radii[out:out + 2])
            ends.append([r * np.cos(turn), r * np.sin(turn)])
        found.append(diameter(areas(ends)[0]))
    theirs = np.mean(found)
    check("diameter of the housing by SimpleITK", abs(theirs - outer) <= WITHIN_MM / 3,
          f"{theirs:.2f} mm, {outer - theirs:+.3f} from it")


def check_image_quality_phantom(wheels, work):
    scan = work / "an image-quality phantom.zip"
    with zipfile.ZipFile(next(wheels.glob("pylinac-1.3.1-*.whl"))) as wheel:
        scan.write_bytes(wheel.read(SCAN))
    folder = work / "unpacked"
    slices = []
    with zipfile.ZipFile(scan) as archive:
        archive.extractall(folder)
        for name in archive.namelist():
            ds = pydicom.dcmread(io.BytesIO(archive.read(name))) if name.endswith(".dcm") else {}
            if "PixelData" in ds:
                slices.append(float(ds.ImagePositionPatient[2]))
    ups = np.sum(np.diff(slices) > 0)
    check("its files are not in the order of its slices", 5 < ups < len(slices) - 5,
          f"{ups} of {len(slices) - 1} steps go up")
    [found, unpacked] = ours.read_all([scan, folder], work)
    check("its archive and its folder are the same", unpacked[0] == found[0]
          and np.array_equal(unpacked[1], found[1]))
    skipped = found[0]["skipped"]
    check("its one RTSTRUCT is left out and counted", skipped == {RTSTRUCT: 1}, str(skipped))
    image, grey = files.series_by_simpleitk(next(folder.iterdir()))
    ours.compare("an image-quality phantom", found, ours.affine_of_image(image), grey, "SimpleITK")
    outer = check_pins(scan, ours.affine_of(found[0]), work)
    if outer is not None:
        check_housing_by_simpleitk(image, outer)
