"""Times reading scans of 512 x 512 x 512 and 800 x 800 x 600 voxels, and fitting in them, in one run.

    python tests/speed/reading.py [ROUNDS] [--large]

Needs `fixtures/reference/requirements.txt`, cargo, and about 1.5 GB of free space for temporary
files (2.5 GB with `--large`, which adds the larger scan). Prints a Markdown table: milliseconds
(median), how they compare with plainly reading the same bytes into a fresh buffer on the same
threads, and peak memory. Files are in the page cache; the ways take turns, each in a process of
its own. Ends with an error where a limit that the project sets itself is missed.
"""

import os
import statistics
import subprocess
import sys
import tempfile
from importlib.metadata import version
from pathlib import Path

sys.dont_write_bytecode = True
import compare
from compare import EXAMPLES, ROOT, child, timed

JAWGAUGE = ROOT / "target" / "release" / "jawgauge"
# Runs in a process; the first of them is dropped, as memory is new to it.
RUNS = 4
# What the project asks of itself; ratios of times but where said.
MOST_WHOLE = 1.3
LEAST_SIMPLEITK, LEAST_PYDICOM = 5.0, 10.0
MOST_SITE, MOST_SITE_SHARE, MOST_SITE_BYTES = 0.6, 0.2, 150e6
LEAST_BOTH_CORES = 1.8
MOST_PEAK, MOST_PEAK_BYTES = 1.1, 32e6
# Fixtures with their best poses at one site: of the shipped list so many; milliseconds and bytes.
FIXTURES, MOST_FIT_MS, MOST_FIT_BYTES = 20, 1000, 200e6


def read_frames_simpleitk(scan):
    import SimpleITK

    return SimpleITK.ReadImage(str(next(Path(scan).iterdir())))


def read_frames_pydicom(scan):
    import pydicom

    return pydicom.dcmread(next(Path(scan).iterdir())).pixel_array


CHILDREN = {
    "simpleitk-series": compare.read_simpleitk,
    "pydicom-series": compare.read_pydicom,
    "simpleitk-frames": read_frames_simpleitk,
    "pydicom-frames": read_frames_pydicom,
}


def ours(what, scan):
    return [str(EXAMPLES / "time_work"), what, str(scan), str(RUNS)]


def theirs(what, scan):
    return [sys.executable, __file__, "--child", what, str(scan), "2"]


def measure_site(case, what="measure"):
    """Milliseconds, bytes read and peak memory of the whole command on one site."""
    def bytes_read():
        # Includes the children that were waited for (Linux).
        lines = Path("/proc/self/io").read_text().splitlines()
        return int(next(line for line in lines if line.startswith("rchar")).split()[1])

    before = bytes_read()
    command = [str(JAWGAUGE), what, str(case), "--json", "-"]
    ms, (_, peak) = timed(1, lambda: child(command))
    return {"ms": ms, "peak": peak, "bytes": bytes_read() - before}


def write(kind, dims, folder):
    subprocess.run([EXAMPLES / "write_scans", "--jaw", kind, dims, folder], check=True)
    # Else the disk is still being written to while times are taken.
    os.sync()
    return folder / "scan"


class Table:
    def __init__(self):
        self.missed = []
        print("| scan | work | threads | ms | times the plain read | peak MB |")
        print("| --- | --- | ---: | ---: | ---: | ---: |")

    def line(self, scan, work, threads, ms, plain, peak=None):
        ratio = "" if plain is None else f"{ms / plain:.2f}"
        memory = "" if peak is None else f"{peak / 1e6:.0f}"
        print(f"| {scan} | {work} | {threads} | {ms:.0f} | {ratio} | {memory} |", flush=True)

    def ask(self, holds, what):
        if not holds:
            self.missed.append(what)


def turns(rounds, ways):
    """Median milliseconds and largest peak of each way; the ways take turns."""
    ms, peaks = {name: [] for name in ways}, {name: 0 for name in ways}
    for _ in range(rounds):
        for name, way in ways.items():
            found, peak = way()
            ms[name] += found["ms"][1:] if len(found["ms"]) > 1 else found["ms"]
            peaks[name] = max(peaks[name], found.get("peak", peak))
    return {name: statistics.median(found) for name, found in ms.items()}, peaks


def whole(table, name, scan, voxels, rounds, others):
    """A whole scan: plain read, jawgauge, and other libraries."""
    ways = {}
    both = sorted({1, os.cpu_count()})
    for n in both:
        ways["plain read", n] = lambda n=n: child(ours("plain", scan), n)
        ways["jawgauge", n] = lambda n=n: child(ours("read", scan), n)
    for library, what in others.items():
        ways[library, both[-1]] = lambda what=what: child(theirs(what, scan), both[-1])
    ms, peaks = turns(rounds, ways)
    once = child([str(EXAMPLES / "time_work"), "read", str(scan), "1"])[1]
    for (work, n), found in ms.items():
        peak = once if work == "jawgauge" else peaks[work, n]
        table.line(name, work, n, found, ms["plain read", n], peak)
    stored = 2 * voxels
    peak_allowed = MOST_PEAK * stored + MOST_PEAK_BYTES
    table.ask(once <= peak_allowed, f"{name}: peak {once / 1e6:.0f} MB")
    for n in both:
        ratio = ms["jawgauge", n] / ms["plain read", n]
        table.ask(ratio <= MOST_WHOLE, f"{name}, {n} threads: {ratio:.2f} times the plain read")
    for library, least in (("SimpleITK", LEAST_SIMPLEITK), ("pydicom", LEAST_PYDICOM)):
        for (work, n), found in ms.items():
            if work.startswith(library):
                ratio = found / ms["jawgauge", n]
                table.ask(ratio >= least, f"{name}: {library} takes only {ratio:.1f} times as long")
    return ms


def site(table, name, folder, rounds):
    """One site of a case against the plain read of all."""
    n = os.cpu_count()
    ways = {
        "plain read": lambda: child(ours("plain", folder / "scan"), n),
        "site": lambda: (lambda found: (found, found["peak"]))(measure_site(folder / "case.toml")),
    }
    ms, peaks = turns(rounds, ways)
    found = measure_site(folder / "case.toml")
    everything = sum(f.stat().st_size for f in (folder / "scan").iterdir())
    share, ratio = found["bytes"] / everything, ms["site"] / ms["plain read"]
    work = f"one site, the whole command ({share * 100:.1f} % of the bytes)"
    table.line(name, work, n, ms["site"], ms["plain read"], peaks["site"])
    table.ask(ratio <= MOST_SITE, f"{name}: a site takes {ratio:.2f} times the plain read")
    table.ask(share <= MOST_SITE_SHARE, f"{name}: a site reads {share * 100:.0f} % of the bytes")
    table.ask(peaks["site"] <= MOST_SITE_BYTES, f"{name}: a site takes {peaks['site'] / 1e6:.0f} MB")


def fixtures(table, name, folder, rounds):
    """The best poses of many fixtures at one site, reading included."""
    sizes = (ROOT / "docs" / "fixtures-example.toml").read_text().split("[[fixture]]")
    (folder / "fixtures.toml").write_text("[[fixture]]".join(sizes[: FIXTURES + 1]))
    case = (folder / "case.toml").read_text()
    schema = 'schema = "case/1"\n'
    case = case.replace(schema, schema + 'fixtures = "fixtures.toml"\n')
    (folder / "fit.toml").write_text(case)
    n = os.cpu_count()
    ways = {
        "plain read": lambda: child(ours("plain", folder / "scan"), n),
        "fit": lambda: (lambda found: (found, found["peak"]))(
            measure_site(folder / "fit.toml", "fit")
        ),
    }
    ms, peaks = turns(rounds, ways)
    work = f"{FIXTURES} fixtures at one site, best poses, the whole command"
    table.line(name, work, n, ms["fit"], ms["plain read"], peaks["fit"])
    table.ask(ms["fit"] <= MOST_FIT_MS, f"{name}: fixtures take {ms['fit']:.0f} ms")
    table.ask(peaks["fit"] <= MOST_FIT_BYTES, f"{name}: fixtures take {peaks['fit'] / 1e6:.0f} MB")


def compressed(table, name, scan, rounds):
    both = sorted({1, os.cpu_count()})
    ways = {("jawgauge", n): lambda n=n: child(ours("read", scan), n) for n in both}
    ms, peaks = turns(rounds, ways)
    for (work, n), found in ms.items():
        table.line(name, work, n, found, None, peaks[work, n])
    if len(both) == 2:
        ratio = ms["jawgauge", both[0]] / ms["jawgauge", both[1]]
        table.ask(ratio >= LEAST_BOTH_CORES, f"{name}: all cores are only {ratio:.2f} times one")


def main(rounds, large):
    build = ["cargo", "build", "--release", "--quiet", "--locked", "-p", "jawgauge", "--bins"]
    build += ["--example", "time_work", "--example", "write_scans"]
    subprocess.run(build, cwd=ROOT, check=True)
    simpleitk, pydicom = f"SimpleITK {version('SimpleITK')}", f"pydicom {version('pydicom')} and numpy"
    table = Table()
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        for kind, of in (("series", "512 files"), ("frames", "one file")):
            scan = write(kind, "512x512x512", folder / kind)
            others = {simpleitk: f"simpleitk-{kind}", pydicom: f"pydicom-{kind}"}
            whole(table, f"512 x 512 x 512, {of}", scan, 512**3, rounds, others)
        site(table, "512 x 512 x 512, 512 files", folder / "series", rounds)
        fixtures(table, "512 x 512 x 512, 512 files", folder / "series", rounds)
        for kind, coding in (("rle", "RLE"), ("jpeg", "JPEG Lossless")):
            scan = write(kind, "512x512x512", folder / kind)
            compressed(table, f"512 x 512 x 512, {coding}", scan, rounds)
        if large:
            scan = write("series", "800x800x600", folder / "large")
            others = {simpleitk: "simpleitk-series", pydicom: "pydicom-series"}
            whole(table, "800 x 800 x 600, 600 files", scan, 800 * 800 * 600, rounds, others)
            site(table, "800 x 800 x 600, 600 files", folder / "large", rounds)
    if table.missed:
        sys.exit("missed: " + "; ".join(table.missed))


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        import json

        what, scan, runs = sys.argv[2:]
        ms, _ = timed(int(runs), lambda: CHILDREN[what](scan))
        print(json.dumps({"ms": ms}))
    else:
        arguments = [a for a in sys.argv[1:] if a != "--large"]
        main(int(arguments[0]) if arguments else 3, "--large" in sys.argv)
