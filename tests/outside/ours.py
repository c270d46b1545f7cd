"""What the project reads, through its example program, and how it is held against others.

Coordinates are DICOM patient coordinates (LPS), millimetres; voxels `[k, j, i]`.
"""

import json
import os
import subprocess
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
# Places of voxels, mm: rounding of sums of 64-bit numbers is far below, and a micron is no error.
PLACE_MM = 1e-6
# Profile of the example programs; that of the tests is built already where these checks run.
PROFILE = os.environ.get("JAWGAUGE_EXAMPLES", "").split()

passed, failed = [], []


def check(name, good, detail=""):
    (passed if good else failed).append(name)
    print(f"{'ok  ' if good else 'FAIL'} {name}{': ' if detail else ''}{detail}", flush=True)


def run_example(name, *arguments, package="jawgauge"):
    command = ["cargo", "run", "--quiet", "--locked", *PROFILE, "-p", package, "--example", name]
    command += ["--", *map(str, arguments)]
    return subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.PIPE).stdout


def dump(jobs, work):
    """Answers to jobs of `scan_dump`, in their order."""
    path = work / "jobs.json"
    path.write_text(json.dumps(jobs, default=str))
    return json.loads(run_example("scan_dump", path))


def read_all(scans, work):
    """`(answer, grey values or None)` of each scan."""
    folder = work / "voxels"
    folder.mkdir(exist_ok=True)
    paths = [folder / str(n) for n in range(len(scans))]
    jobs = [{"scan": s, "voxels": p} for s, p in zip(scans, paths)]
    found = []
    for answer, path in zip(dump(jobs, work), paths, strict=True):
        grey = None
        if "dims" in answer:
            grey = np.fromfile(path, "<f8").reshape(answer["dims"][::-1])
            path.unlink()
        found.append((answer, grey))
    return found


def sample(scan, points, work):
    """Grey values between voxels at places, NaN outside, by the project's interpolation."""
    points = np.asarray(points, float)
    paths = work / "points", work / "grey"
    points.astype("<f8").tofile(paths[0])
    dump([{"scan": scan, "sample": paths}], work)
    return np.fromfile(paths[1], "<f8").reshape(points.shape[:-1])


def affine_of(answer):
    return np.array(answer["lps_from_voxel"])


def places_apart(a, b, dims):
    """How far two maps from voxels part at the corners of the grid, mm."""
    last = np.array(dims) - 1
    corners = [[*(last * at), 1] for at in np.ndindex(2, 2, 2)]
    return max(np.linalg.norm((a - b)[:3] @ c) for c in corners)


def affine_of_image(image):
    """The map of an image of SimpleITK: origin, direction, spacing."""
    whole = np.eye(4)
    whole[:3, :3] = np.reshape(image.GetDirection(), (3, 3)) * image.GetSpacing()
    whole[:3, 3] = image.GetOrigin()
    return whole


def grey_apart(ours, theirs):
    """Largest difference of grey values; infinite where another shape or other voxels are missing."""
    if ours.shape != theirs.shape or not np.array_equal(np.isnan(ours), np.isnan(theirs)):
        return np.inf
    return float(np.nanmax(np.abs(ours - theirs)))


def compare(name, found, affine, grey, by, allowed_grey=0.0, rounded_mm=0.0):
    """One line on geometry and grey values of a scan that must be read.

    `rounded_mm` is how far rounded direction cosines move the farthest voxel. Without `grey` only
    places are compared."""
    answer, ours = found
    if ours is None:
        check(name, False, f"refused: {answer}")
        return
    mm = places_apart(affine_of(answer), affine, answer["dims"])
    off = 0.0 if grey is None else grey_apart(ours, grey)
    greys = "" if grey is None else f", grey values by {off:g}"
    dims = " x ".join(map(str, answer["dims"]))
    rounded = f" ({rounded_mm:.1e} mm by rounded cosines)" if rounded_mm > PLACE_MM else ""
    check(name, mm <= PLACE_MM + rounded_mm and off <= allowed_grey,
          f"{dims} voxels, places differ by {mm:.1e} mm{rounded}{greys} from {by}")


def ended():
    print(f"{len(passed)} passed, {len(failed)} failed")
    return bool(passed) and not failed
