"""Compares distances in space with those of trimesh and SimpleITK on the same shapes.

    python tests/outside/space.py

needs `tests/outside/space-requirements.txt` and cargo. The example program `surface_dump` tells the net of
a ridge's surface, distances from places around it, walls of a fixture, and distances of a fixture from a
root and another fixture.
"""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import SimpleITK as sitk
import trimesh

sys.dont_write_bytecode = True
ROOT = Path(__file__).resolve().parents[2]

# The same net, the same nearest place: rounding alone, mm.
SAME_MM = 1e-6
# A net against the closed form on a grid of GRID_MM: noise-free walls may be off by 0.05 mm, and a distance
# map between voxel centres by half a step. Its zero lies on the outermost centres inside, on average half a
# step within the edge.
GRID_MM = 0.05
CLOSED_MM = 0.05 + 0.5 * GRID_MM
# Round bodies as polyhedra of so many sides: a chord of a radius r lies r (1 - cos(pi / n)) within.
SIDES = 360
BODY_MM = 0.01

failed = []


def check(name, good, detail=""):
    if not good:
        failed.append(name)
    print(f"{'ok  ' if good else 'FAIL'} {name}{': ' if detail else ''}{detail}")


def frame(apical):
    z = np.array(apical)
    x = np.cross(z, [1.0, 0.0, 0.0] if abs(z[0]) < 0.9 else [0.0, 1.0, 0.0])
    x /= np.linalg.norm(x)
    return np.array([x, np.cross(z, x), z])


def cylinder(body):
    mesh = trimesh.creation.cylinder(
        radius=body["diameter_mm"] / 2, height=body["length_mm"], sections=SIDES
    )
    mesh.apply_translation([0, 0, body["length_mm"] / 2])
    place = np.eye(4)
    place[:3, :3] = frame(body["apical"]).T
    place[:3, 3] = body["platform"]
    mesh.apply_transform(place)
    return mesh


def least_distance(mesh, points):
    _, away, _ = trimesh.proximity.closest_point(mesh, points)
    return away.min()


def main():
    command = ["cargo", "run", "--quiet", "--locked", "-p", "jawgauge", "--example", "surface_dump"]
    ours = json.loads(subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.PIPE).stdout)

    net = trimesh.Trimesh(ours["points"], ours["triangles"], process=False)
    at = np.array([q["at"] for q in ours["queries"]])
    mm = np.array([q["mm"] for q in ours["queries"]])
    check("there are places to compare", len(mm) > 300 and (mm > 0).any() and (mm < 0).any())
    _, away, _ = trimesh.proximity.closest_point(net, at)
    off = np.abs(away - np.abs(mm)).max()
    check("nearest places on the net, trimesh", off <= SAME_MM, f"{off:.1e} mm")

    ridge = ours["ridge"]
    axes = np.array([ridge["across"], ridge["apical"], ridge["along"]])
    low, high = np.array([-7.0, -4.0]), np.array([7.0, 22.0])
    n = np.ceil((high - low) / GRID_MM).astype(int) + 1
    across, deep = np.meshgrid(*(low[a] + GRID_MM * np.arange(n[a]) for a in range(2)), indexing="ij")
    radius = ridge["radius_mm"]
    on_axis = np.clip(deep, radius, ridge["height_mm"] - radius)
    inside = np.hypot(across, deep - on_axis) <= radius
    image = sitk.GetImageFromArray(inside.astype(np.uint8))
    image.SetSpacing([GRID_MM, GRID_MM])
    distance = sitk.SignedMaurerDistanceMap(
        image, insideIsPositive=True, squaredDistance=False, useImageSpacing=True
    )
    distance = sitk.GetArrayFromImage(distance)
    from scipy.ndimage import map_coordinates

    for name, places, mm in [
        ("places around the ridge", at, mm),
        ("places of the fixture's side", np.array([c["from"] for c in ours["cells"]]),
         np.array([c["mm"] for c in ours["cells"]])),
    ]:
        own = (places - np.array(ridge["crest"])) @ axes.T
        index = ((own[:, :2] - low) / GRID_MM).T
        theirs = map_coordinates(distance, index, order=1) + 0.5 * GRID_MM
        off = np.abs(theirs - mm).max()
        check(f"{name}, SimpleITK's distance map", off <= CLOSED_MM, f"{off:.3f} mm, {len(mm)} places")

    fixture = cylinder(ours["fixture"])
    root = ours["root"]
    steps = np.linspace(0.0, 1.0, 1001)[:, None]
    a, b = (np.array(end) for end in root["ends"])
    theirs = least_distance(fixture, a + steps * (b - a)) - root["diameter_mm"] / 2
    check("a root beside a fixture, trimesh", abs(theirs - root["mm"]) <= BODY_MM,
          f"{theirs:.4f} and {root['mm']:.4f} mm")
    other = cylinder(ours["other"])
    points, _ = trimesh.sample.sample_surface_even(other, 15000, seed=1)
    theirs = min(least_distance(fixture, points), least_distance(fixture, other.vertices))
    # Places are about 0.1 mm apart: a body's nearest place lies between them.
    mm = ours["other"]["mm"]
    check("two fixtures, trimesh", mm - BODY_MM <= theirs <= mm + 2 * BODY_MM, f"{theirs:.4f} and {mm:.4f} mm")

    if failed:
        sys.exit(f"failed: {', '.join(failed)}")


if __name__ == "__main__":
    main()
