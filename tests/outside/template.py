"""Holds what the command reads of an implant template against pydicom, which writes it.

    python tests/outside/template.py COMMAND CASE

writes Generic Implant Templates with pydicom (`fixtures/reference/requirements.txt`), one in each of the plain
transfer syntaxes, puts them into the case in place of its fixtures, and compares name, size, length and
diameter with what was written. The body leans in the template's own coordinates; the command must find its
axis.
"""

import json
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import UID, ExplicitVRBigEndian, ExplicitVRLittleEndian, ImplicitVRLittleEndian, generate_uid

sys.dont_write_bytecode = True

# SOP class by its name in the dictionary of pydicom (PS3.6 table A-1).
TEMPLATE = UID("1.2.840.10008.5.1.4.43.1")
# Depth and diameter, mm; platform first.
PROFILE = [(0.0, 4.2), (1.5, 4.2), (9.0, 3.0)]
SIDES = 120
# Coordinates are 32-bit floating point numbers, and profiles are read every quarter of a millimetre.
WITHIN_MM = 0.01


def body():
    """Points, and triangles as numbers of points from 1."""
    axis = np.array([0.3, -0.5, 0.8])
    axis /= np.linalg.norm(axis)
    u = np.cross(axis, [1.0, 0.0, 0.0])
    u /= np.linalg.norm(u)
    v = np.cross(axis, u)
    at = np.array([7.0, -3.0, 11.0])
    turns = 2 * math.pi * np.arange(SIDES) / SIDES
    points = [at, at + axis * PROFILE[-1][0]]
    for depth, diameter in PROFILE:
        points += [at + axis * depth + diameter / 2 * (u * math.cos(t) + v * math.sin(t)) for t in turns]
    ring = lambda k, n: 3 + k * SIDES + n % SIDES  # noqa: E731
    last = len(PROFILE) - 1
    triangles = []
    for n in range(SIDES):
        triangles += [(1, ring(0, n), ring(0, n + 1)), (2, ring(last, n), ring(last, n + 1))]
        for k in range(last):
            a, b, c, d = ring(k, n), ring(k, n + 1), ring(k + 1, n + 1), ring(k + 1, n)
            triangles += [(a, b, c), (a, c, d)]
    return np.array(points), np.array(triangles)


def write(path, syntax, number):
    points, triangles = body()
    order = ">" if syntax == ExplicitVRBigEndian else "<"
    data = Dataset()
    data.SOPClassUID = TEMPLATE
    data.SOPInstanceUID = generate_uid()
    data.SpecificCharacterSet = "ISO_IR 192"
    data.ImplantName = f"Körper {number}"
    data.ImplantPartNumber = "K-1"
    data.ImplantSize = "9 / 4"
    data.ImplantTemplateVersion = "1"
    data.OverallTemplateSpatialTolerance = 0.05
    surface_points = Dataset()
    surface_points.NumberOfSurfacePoints = len(points)
    surface_points.PointCoordinatesData = points.astype(f"{order}f4").tobytes()
    primitives = Dataset()
    primitives.LongTrianglePointIndexList = triangles.astype(f"{order}u4").tobytes()
    surface = Dataset()
    surface.SurfaceNumber = 1
    surface.SurfacePointsSequence = Sequence([surface_points])
    surface.SurfaceMeshPrimitivesSequence = Sequence([primitives])
    data.SurfaceSequence = Sequence([surface])
    data.ImplantTemplate3DModelSurfaceNumber = 1
    data.SurfaceModelScalingFactor = 1.0
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = syntax
    data.save_as(path, enforce_file_format=True)


def main():
    command, case = sys.argv[1], Path(sys.argv[2])
    assert TEMPLATE.name == "Generic Implant Template Storage"
    text = case.read_text()
    text = text[: text.index("[[fixture]]")]
    syntaxes = [ImplicitVRLittleEndian, ExplicitVRLittleEndian, ExplicitVRBigEndian]
    for number, syntax in enumerate(syntaxes, 1):
        write(case.with_name(f"template-{number}.dcm"), syntax, number)
        text += f'[[fixture]]\ntemplate = "template-{number}.dcm"\n'
    own = case.with_name("case-of-templates.toml")
    own.write_text(text)
    told = subprocess.run([command, "fit", own, "--json", "-"], check=True, stdout=subprocess.PIPE)
    fits = {fit["fixture"]: fit for fit in json.loads(told.stdout)["sites"][0]["fits"]}
    failed = False
    for number, syntax in enumerate(syntaxes, 1):
        fit = fits.get(f"Körper {number} 9 / 4")
        found = (fit["diameter_mm"], fit["length_mm"]) if fit else (math.nan, math.nan)
        truth = (max(d for _, d in PROFILE), PROFILE[-1][0])
        good = all(abs(a - b) <= WITHIN_MM for a, b in zip(found, truth))
        failed |= not good
        print(f"{'ok  ' if good else 'FAIL'} {syntax.name}, pydicom: {found} and {truth} mm")
    if failed or len(fits) != len(syntaxes):
        sys.exit("failed: templates of pydicom")


if __name__ == "__main__":
    main()
