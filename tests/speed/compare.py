"""Times the same work by this project and by general-purpose libraries, in one run.

    python tests/speed/compare.py [RUNS]

Needs `fixtures/reference/requirements.txt` and cargo; builds the release examples. Prints a
Markdown table: milliseconds (median), how they compare, and peak memory. Each way runs in a
process of its own, files in the page cache; the ways take turns. Reading by pydicom keeps the
stored values; reading by SimpleITK and by this project keeps the geometry as well.
"""

import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from importlib.metadata import version
from pathlib import Path

sys.dont_write_bytecode = True
ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "fixtures" / "reference"))
EXAMPLES = ROOT / "target" / "release" / "examples"

SHAPE = (300, 400, 400)
STORED_BYTES = 2 * SHAPE[0] * SHAPE[1] * SHAPE[2]
# Peak memory that is asked for: so many times the stored voxels, plus the program itself.
MOST, PROGRAM_BYTES = 1.3, 16e6
ROUNDS = 3
# The section that `time_work` cuts.
SAMPLES, STEP, LEAST = 400, 0.1, -20.0
PLANE = {
    "origin": [0, 0, 0],
    "mesial": [0.6, -0.8, 0.3],
    "apical_hint": [0.1, 0.2, -1.0],
    "buccal_hint": [-1.0, -0.5, 0.0],
}
# scipy's spline: voxels round the section that the filter sees, as ours.
MARGIN = 12


def timed(runs, work):
    ms = []
    for _ in range(runs):
        start = time.perf_counter()
        answer = work()
        ms.append((time.perf_counter() - start) * 1e3)
    return ms, answer


def read_simpleitk(scan):
    import SimpleITK

    reader = SimpleITK.ImageSeriesReader()
    reader.SetFileNames(SimpleITK.ImageSeriesReader.GetGDCMSeriesFileNames(scan))
    return reader.Execute()


def read_pydicom(scan):
    import numpy
    import pydicom

    files = [pydicom.dcmread(p) for p in Path(scan).iterdir()]
    files.sort(key=lambda f: f.ImagePositionPatient[2])
    return numpy.stack([f.pixel_array for f in files])


def time_read(by, scan, runs):
    work = {"simpleitk": read_simpleitk, "pydicom": read_pydicom}[by]
    ms, _ = timed(runs, lambda: work(scan))
    return {"ms": ms}


def time_scipy(order, scan, runs):
    import numpy as np
    from scipy import ndimage

    import outside

    volume = outside.Scan(scan)
    buccal, apical, _ = outside.axes_of(PLANE)
    along = outside.grid_of(LEAST, STEP, SAMPLES)

    def work():
        points = along[None, :, None] * buccal + along[:, None, None] * apical
        at = volume.voxel_from_patient(points)[::-1]
        if order == 1:
            return ndimage.map_coordinates(volume.grey, at, order=1, mode="mirror")
        low = np.maximum(np.floor(at.min(axis=1)).astype(int) - MARGIN, 0)
        high = np.minimum(np.ceil(at.max(axis=1)).astype(int) + MARGIN + 1, SHAPE)
        crop = volume.grey[tuple(slice(a, b) for a, b in zip(low, high))]
        at = at - low[:, None]
        return ndimage.map_coordinates(crop, at, order=3, mode="mirror")

    ms, grey = timed(runs, work)
    return {"ms": ms, "mean": float(grey.mean())}


def time_simpleitk_section(scan, runs):
    import numpy as np
    import SimpleITK

    import outside

    image = read_simpleitk(scan)
    buccal, apical, _ = outside.axes_of(PLANE)
    plane = SimpleITK.ResampleImageFilter()
    plane.SetInterpolator(SimpleITK.sitkLinear)
    plane.SetOutputPixelType(SimpleITK.sitkFloat64)
    plane.SetSize((SAMPLES, SAMPLES, 1))
    plane.SetOutputSpacing((STEP, STEP, STEP))
    plane.SetOutputOrigin((LEAST * buccal + LEAST * apical).tolist())
    plane.SetOutputDirection(
        np.stack([buccal, apical, np.cross(buccal, apical)], axis=1).ravel().tolist()
    )
    ms, section = timed(runs, lambda: plane.Execute(image))
    return {"ms": ms, "mean": float(SimpleITK.GetArrayViewFromImage(section).mean())}


CHILDREN = {
    "read-simpleitk": lambda scan, runs: time_read("simpleitk", scan, runs),
    "read-pydicom": lambda scan, runs: time_read("pydicom", scan, runs),
    "scipy-1": lambda scan, runs: time_scipy(1, scan, runs),
    "scipy-3": lambda scan, runs: time_scipy(3, scan, runs),
    "simpleitk-linear": time_simpleitk_section,
}


def child(command, threads=None):
    """The JSON that a process writes, and its peak memory in bytes."""
    threads_of = {} if threads is None else {
        "RAYON_NUM_THREADS": str(threads),
        "ITK_GLOBAL_DEFAULT_NUMBER_OF_THREADS": str(threads),
    }
    process = subprocess.Popen(command, stdout=subprocess.PIPE, env={**os.environ, **threads_of})
    text = process.stdout.read()
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        sys.exit(f"{command} failed")
    unit = 1 if platform.system() == "Darwin" else 1024
    return json.loads(text), usage.ru_maxrss * unit


def ways(scan, runs):
    """Work, by whom, command and threads of each line of the table."""
    cores = os.cpu_count()
    ours = lambda what: [str(EXAMPLES / "time_work"), what, scan, str(runs)]
    theirs = lambda what: [sys.executable, __file__, "--child", what, scan, str(runs)]
    both = sorted({1, cores})
    read, linear, cubic = "read 300 slices", "section, linear", "section, cubic"
    found = []
    for n in both:
        found.append((read, "jawgauge", ours("read"), n))
        found.append((read, f"SimpleITK {version('SimpleITK')}", theirs("read-simpleitk"), n))
    found.append((read, f"pydicom {version('pydicom')}", theirs("read-pydicom"), 1))
    for n in both:
        found.append((linear, "jawgauge", ours("linear"), n))
        found.append((linear, f"SimpleITK {version('SimpleITK')}", theirs("simpleitk-linear"), n))
    found.append((linear, f"scipy {version('scipy')}, order 1", theirs("scipy-1"), 1))
    for n in both:
        found.append((cubic, "jawgauge", ours("cubic"), n))
    found.append((cubic, f"scipy {version('scipy')}, order 3", theirs("scipy-3"), 1))
    return found


def compare(runs):
    build = ["cargo", "build", "--release", "--quiet", "--locked", "-p", "jawgauge"]
    build += ["--example", "time_work", "--example", "write_scans"]
    subprocess.run(build, cwd=ROOT, check=True)
    with tempfile.TemporaryDirectory() as scan:
        subprocess.run([EXAMPLES / "write_scans", "--speed", scan], check=True)
        all_ways = ways(scan, runs)
        results = [[child(command, n)[0] for _, _, command, n in all_ways] for _ in range(ROUNDS)]
        # Memory from a process that reads once.
        once = ways(scan, 1)
        peaks = {i: child(w[2], w[3])[1] for i, w in enumerate(once) if w[0].startswith("read")}
    print(f"{os.cpu_count()} cores, {platform.system()} {platform.machine()}, "
          f"Python {platform.python_version()}, numpy {version('numpy')}; "
          f"median of {ROUNDS} x {runs} runs\n")
    print("| work | by | threads | ms | times jawgauge's | peak MB |")
    print("| --- | --- | ---: | ---: | ---: | ---: |")
    first, means = {}, {}
    for index, (work, name, _, threads) in enumerate(all_ways):
        here = [r[index] for r in results]
        ms = statistics.median(t for found in here for t in found["ms"])
        memory = f"{peaks[index] / 1e6:.0f}" if index in peaks else ""
        if name == "jawgauge":
            first[work, threads] = ms
        ratio = ms / first[work, threads]
        print(f"| {work} | {name} | {threads} | {ms:.2f} | {ratio:.2f} | {memory} |")
        if "mean" in here[0] and not work.startswith("read"):
            means.setdefault(work, []).append(here[0]["mean"])
    for work, found in means.items():
        if max(found) - min(found) > 0.01:
            sys.exit(f"{work}: not the same work, means {found}")
    peak = max(m for i, m in peaks.items() if all_ways[i][1] == "jawgauge")
    print(f"\nPeak memory of reading once: {peak / STORED_BYTES:.2f} times the stored voxels "
          f"({peak / 1e6:.0f} of {STORED_BYTES / 1e6:.0f} MB)")
    if peak > MOST * STORED_BYTES + PROGRAM_BYTES:
        sys.exit(f"more than {MOST} times the stored voxels")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        what, scan, runs = sys.argv[2:]
        print(json.dumps(CHILDREN[what](scan, int(runs))))
    else:
        compare(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
