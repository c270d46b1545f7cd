"""Compares sections, contours, widths and geometry with those of general-purpose libraries.

    python tests/outside/check.py

makes the committed reference numbers again, and compares live, through the example programs:
the demonstration jaw, a real jaw and plastic heads (flat, and tilted so that the stack is
sheared) in the folder that JAWGAUGE_SCANS names. Needs `fixtures/reference/requirements.txt`
and cargo. Sources: pydicom, scipy, scikit-image, SimpleITK and nibabel in the versions there.
"""

import hashlib
import json
import os
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

sys.dont_write_bytecode = True
ROOT = Path(__file__).resolve().parents[2]
REFERENCE = ROOT / "fixtures" / "reference"
sys.path.insert(0, str(REFERENCE))

import numpy as np  # noqa: E402

import make  # noqa: E402
import outside  # noqa: E402

# Grey values: the cut of a spline's box costs up to 1e-6 of the range, which is 4096 here.
GREY = 5e-3
# Vertices and ends of widths, mm. Made again: one in the last digit that is written.
LINE_MM, AGAIN_MM, AGAIN_GREY = 1e-4, 1.01e-5, 1.01e-4
# Places of voxels, mm; on scanners' files, whose rounded direction cosines nibabel takes as they
# are written and the project makes perpendicular unit vectors of.
PLACE_MM, ROUNDED_PLACE_MM = 1e-6, 1e-4
# A width whose edges are fitted to the voxels may end this far, in the coarsest voxel step, from
# where the interpolated grey value alone passes the threshold.
FITTED_VOXELS = 0.5
# So far below the crest, mm, a sharp crest that was put back may leave the contour; there a width
# differs from that of the contour by no more than its uncertainty.
TIP_REACH_MM = 2.5

passed, failed = [], []


def check(name, good, detail=""):
    (passed if good else failed).append(name)
    print(f"{'ok  ' if good else 'FAIL'} {name}{': ' if detail else ''}{detail}")


def run_example(name, *arguments):
    command = ["cargo", "run", "--quiet", "--locked", "-p", "jawgauge", "--example", name, "--"]
    command += [str(a) for a in arguments]
    return subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.PIPE).stdout


def dump(scan, requests, work):
    path = work / "requests.json"
    path.write_text(json.dumps(requests))
    return json.loads(run_example("section_dump", scan, path))


def numbers_differ(a, b):
    """Largest difference of two documents' numbers; infinite where anything else differs."""
    if isinstance(a, dict) and isinstance(b, dict) and a.keys() == b.keys():
        return max((numbers_differ(a[k], b[k]) for k in a), default=0.0)
    if isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        return max((numbers_differ(x, y) for x, y in zip(a, b)), default=0.0)
    if isinstance(a, float) and isinstance(b, (int, float)):
        return abs(a - b)
    return 0.0 if a == b else float("inf")


def check_committed(scans, work):
    made = work / "made"
    made.mkdir()
    make.make(scans, made)
    for name, tolerance in [("sections.json", AGAIN_GREY), ("geometry.json", PLACE_MM),
                            ("axes.json", PLACE_MM)]:
        old, new = (json.loads((d / name).read_text()) for d in (REFERENCE, made))
        off = numbers_differ(old, new)
        check(f"{name} made again", off <= tolerance, f"largest difference {off:.1e}")
    manifest = tomllib.loads((REFERENCE / "MANIFEST.toml").read_text())["file"]
    listed = {f["path"]: f["sha256"] for f in manifest}
    there = {p.name for p in REFERENCE.iterdir() if p.is_file()} - {"MANIFEST.toml"}
    check("every reference file is in the manifest", there == set(listed), ", ".join(there))
    for name, digest in listed.items():
        found = hashlib.sha256((REFERENCE / name).read_bytes()).hexdigest()
        check(f"sha256 of {name}", found == digest)


def check_stacks(scans, work):
    folders = sorted((scans / "stacks").iterdir())
    check("odd orientations are there", len(folders) > 0, str(len(folders)))
    for folder in folders:
        scan = outside.Scan(folder)
        places = outside.voxel_places_by_nibabel(scan)
        by, values_by = "nibabel", "pydicom"
        if outside.leans(scan) <= 1e-6:
            places, by = outside.voxel_places_by_simpleitk(folder), "SimpleITK"
            values_by = by
        ours = dump(folder, {"voxels": list(places)}, work)
        affine = np.array(ours["lps_from_voxel"])
        off = max(
            np.linalg.norm(affine[:3] @ [*at, 1] - lps) for at, (lps, _) in places.items()
        )
        same = all(v["grey"] == places[tuple(v["at"])][1] for v in ours["voxels"])
        check(f"{folder.name}: all voxels lie where {by} puts them", off <= PLACE_MM, f"{off:.1e} mm")
        check(f"{folder.name}: all voxels have the grey value of {values_by}", same)


def check_section(name, scan, request, ours):
    expected = outside.section(scan, request)
    grey = np.array(ours["grey"], float)
    title = f"{name}, {request['id']}"
    if grey.shape != expected.shape:
        check(f"{title}: shape", False, f"{grey.shape}, {expected.shape} expected")
        return
    check(f"{title}: inside and outside", np.array_equal(np.isnan(grey), np.isnan(expected)),
          f"{np.isnan(grey).sum()} of {grey.size} outside")
    off = np.nanmax(np.abs(grey - expected))
    check(f"{title}: grey values", off <= GREY, f"largest difference {off:.1e}")
    for level, (threshold, lines, runs) in zip(ours["levels"], outside.levels(expected, request),
                                               strict=True):
        found = [closed(c) for c in level["contours"]]
        off = max(farthest(found, lines), farthest(lines, found))
        check(f"{title}: contours at {threshold:g}", len(found) == len(lines) and off <= LINE_MM,
              f"{len(found)} pieces, {len(lines)} expected; largest distance {off:.1e} mm")
        for at, theirs, mine in zip(request["lines_mm"], runs, level["runs_mm"], strict=True):
            same = np.shape(mine) == theirs.shape and np.allclose(mine, theirs, rtol=0, atol=LINE_MM)
            widths = ", ".join(f"{b - a:.3f}" for a, b in mine)
            check(f"{title}: widths at {at:g} mm", same, f"{widths} mm")


def closed(points):
    return np.array([*points, points[0]])


def farthest(lines, others):
    """Greatest distance of a vertex of `lines` to the closed lines `others`, mm."""
    a = np.concatenate([o[:-1] for o in others])
    side = np.concatenate([np.diff(o, axis=0) for o in others])
    square = np.maximum((side**2).sum(axis=1), 1e-30)
    worst = 0.0
    for p in np.concatenate(lines):
        t = np.clip(((p - a) * side).sum(axis=1) / square, 0.0, 1.0)
        worst = max(worst, np.linalg.norm(p - a - t[:, None] * side, axis=1).min())
    return worst


def check_site(name, scan, request, ours):
    """The ends of widths lie on scikit-image's contours, at their levels, across the section."""
    title = f"{name}, {request['id']}"
    corner, step = ours["corner_mm"], ours["step_mm"]
    grey = np.array(ours["grey"], float)
    u = outside.grid_of(corner[0], step, grey.shape[1])
    v = outside.grid_of(corner[1], step, grey.shape[0])
    expected = outside.plane_grey(scan, request, u, v)
    off = np.nanmax(np.abs(grey - expected))
    same = np.array_equal(np.isnan(grey), np.isnan(expected)) and off <= GREY
    check(f"{title}: grey values", same, f"largest difference {off:.1e}")
    lines = outside.contours(expected, ours["threshold"], corner, step)
    buccal, apical, mesial = outside.axes_of(request["plane"])
    origin = np.array(request["plane"]["origin"])
    turned = {k: np.array(a) for k, a in ours["axes"].items()}
    lean = np.degrees(np.arctan2(turned["apical"] @ buccal, turned["apical"] @ apical))
    check(f"{title}: axes", abs(lean - ours["turned_by_deg"]) < 1e-9
          and np.allclose(turned["mesial"], mesial, atol=1e-12), f"turned by {lean:.2f} degrees")
    crest = origin + ours["crest"][0] * turned["buccal"] + ours["crest"][1] * turned["apical"]
    section_of = lambda p: np.array([(p - origin) @ buccal, (p - origin) @ apical])
    fitted = FITTED_VOXELS * np.linalg.norm(scan.linear, axis=0).max()
    measured = 0
    for level, width in zip(ours["levels_mm"], ours["widths"], strict=True):
        if "mm" not in width:
            print(f"     {title}: no width at {level:g} mm: {width['not_measured']}")
            continue
        measured += 1
        ends = np.array([width["lingual"], width["buccal"]]) - origin
        on_plane = np.stack([ends @ buccal, ends @ apical], axis=1)
        off = farthest([on_plane], lines)
        allowed = LINE_MM if request["threshold"] is not None else fitted
        if ours["tip_mm"] is not None and level <= TIP_REACH_MM:
            allowed = width["u95_mm"] / 2
        across = ends[1] - ends[0]
        straight = abs(across @ turned["apical"]) < 1e-9 and abs(across @ mesial) < 1e-9
        deep = abs((ends[0] + origin - crest) @ turned["apical"] - level) < 1e-9
        long = abs(across @ turned["buccal"] - width["mm"]) < 1e-9
        check(f"{title}: width at {level:g} mm", off <= allowed and straight and deep and long,
              f"{width['mm']:.3f} ± {width['u95_mm']:.3f} mm; ends {off:.1e} mm from the contour "
              f"at {ours['threshold']:.0f}, {allowed:.1e} allowed")
    check(f"{title}: widths were measured", measured > 0, str(measured))
    if request["threshold"] is None:
        return
    around = min(lines, key=lambda line: np.linalg.norm(line - section_of(crest), axis=1).min())
    for fixture, walls in zip(request["fixtures"], ours["fixtures"], strict=True):
        check_walls(title, fixture, walls, ours, section_of, crest, around, turned)


def check_walls(title, fixture, walls, ours, section_of, crest, outline, turned):
    """Walls beside a fixture, on lines that are cast from its axis to scikit-image's contour."""
    title += f", {fixture['diameter_mm']:g} x {fixture['length_mm']:g} at {fixture['lean_deg']:g}°"
    lean = np.radians(fixture["lean_deg"])
    down = np.cos(lean) * turned["apical"] + np.sin(lean) * turned["buccal"]
    across = np.cos(lean) * turned["buccal"] - np.sin(lean) * turned["apical"]
    du, dv = fixture["platform_from_crest_mm"]
    platform = crest + du * turned["buccal"] + dv * turned["apical"]
    radii = fixture["diameter_mm"] / 2, fixture["apex_diameter_mm"] / 2
    off, least = [], {"buccal_mm": np.inf, "lingual_mm": np.inf}
    for wall in walls["profile"]:
        depth = wall["depth_mm"]
        at = platform + depth * down
        level = (at - crest) @ turned["apical"]
        off.append(abs(level - wall["level_mm"]))
        radius = np.interp(depth, [0.0, fixture["length_mm"]], radii)
        runs = cast(outline, section_of(at), section_of(at + across) - section_of(at))
        beside = lambda run: max(run[0], -run[1], 0.0)
        lingual, buccal = min(runs, key=beside) if len(runs) else (np.nan, np.nan)
        for side, sign, end in [("buccal_mm", 1.0, buccal), ("lingual_mm", -1.0, lingual)]:
            if wall[side] is None:
                continue
            least[side] = min(least[side], wall[side])
            end_level = level + end * across @ turned["apical"]
            if ours["tip_mm"] is None or end_level > TIP_REACH_MM:
                off.append(abs(wall[side] - (sign * end - radius)))
    compared = len(off) - len(walls["profile"])
    for side, mm in least.items():
        off.append(abs(walls[f"least_{side}"] - mm))
    check(f"{title}: walls", compared >= 10 and max(off) <= LINE_MM,
          f"buccal {least['buccal_mm']:.3f}, lingual {least['lingual_mm']:.3f} mm; "
          f"{compared} compared, largest difference {max(off):.1e} mm")


def cast(outline, start, along):
    """Pairs of distances at which a line enters and leaves a closed outline, both ways."""
    a, side = outline[:-1] - start, np.diff(outline, axis=0)
    beside = a @ [-along[1], along[0]]
    crossed = np.nonzero((beside <= 0) != (np.roll(beside, -1) <= 0))[0]
    share = beside[crossed] / (beside[crossed] - np.roll(beside, -1)[crossed])
    return np.sort((a[crossed] + share[:, None] * side[crossed]) @ along).reshape(-1, 2)


def check_real_scan(folder, requests, work):
    scan = outside.Scan(folder)
    name = folder.name
    for request in requests["sections"]:
        # Half-way through the section's grey values, where none is asked for.
        if not request["thresholds"]:
            low, high = np.nanpercentile(outside.section(scan, request), [5, 95])
            request["thresholds"] = [round((low + high) / 2, 1)]
    chosen = np.random.default_rng(1).integers(0, scan.dims, (200, 3)).tolist()
    ours = dump(folder, {"voxels": chosen, **requests}, work)
    check(f"{name}: dimensions", ours["dims"] == scan.dims, str(scan.dims))
    off = np.abs(np.array(ours["lps_from_voxel"]) - scan.affine).max()
    check(f"{name}: affine", off <= 1e-9, f"largest difference {off:.1e}, "
          f"leans {outside.leans(scan):.2f} mm")
    # Each slice's own place by nibabel, against one straight line through all of them.
    places = outside.voxel_places_by_nibabel(scan, chosen)
    affine = np.array(ours["lps_from_voxel"])
    off = max(np.linalg.norm(affine[:3] @ [*at, 1] - places[tuple(at)][0]) for at in chosen)
    drift = np.linalg.norm(
        scan.positions - scan.origin - np.outer(np.arange(len(scan.positions)), scan.linear[:, 2]),
        axis=1).max()
    check(f"{name}: voxels lie where nibabel puts them", off <= drift + ROUNDED_PLACE_MM,
          f"{off:.1e} mm, positions leave a straight line by {drift:.1e} mm")
    same = all(v["grey"] == scan.grey[tuple(v["at"][::-1])] for v in ours["voxels"])
    check(f"{name}: grey values of 200 voxels", same)
    for request, found in zip(requests["sections"], ours["sections"], strict=True):
        check_section(name, scan, request, found)
    for request, found in zip(requests["sites"], ours["sites"], strict=True):
        check_site(name, scan, request, found)


def main():
    if "JAWGAUGE_SCANS" not in os.environ:
        sys.exit("JAWGAUGE_SCANS must name the folder of real scans")
    real = Path(os.environ["JAWGAUGE_SCANS"]).resolve()
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        scans = work / "scans"
        run_example("write_scans", scans)
        check_committed(scans, work)
        check_stacks(scans, work)
        demo = json.loads((REFERENCE / "requests.json").read_text())
        demo.pop("axes")
        sites = json.loads((ROOT / "tests/outside/requests.json").read_text())
        check_real_scan(scans / "demo", {**sites.pop("demo"), **demo}, work)
        for folder, requests in sites.items():
            check_real_scan(real / folder, requests, work)
    print(f"{len(passed)} passed, {len(failed)} failed")
    if failed or not passed:
        sys.exit(1)


if __name__ == "__main__":
    main()
