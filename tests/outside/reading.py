"""Compares what is read from every kind of scan with what general-purpose libraries read.

    python -m pip download --no-deps --requirement tests/outside/wheels.txt --dest WHEELS
    python tests/outside/reading.py WHEELS

Forms of the phantom's writers, volumes that other libraries write, the files that pydicom is
tested with, a real cone-beam scan of known lengths, and one head scanned flat and tilted in the
folder that JAWGAUGE_SCANS names. Needs `fixtures/reference/requirements.txt` and cargo; the wheels
are data, and are not installed. JAWGAUGE_EXAMPLES=--release runs optimised example programs.
"""

import os
import sys
import tempfile
import time
import warnings
from pathlib import Path

sys.dont_write_bytecode = True

import SimpleITK  # noqa: E402

import forms  # noqa: E402
import heads  # noqa: E402
import library_files  # noqa: E402
import ours  # noqa: E402
import pin_square  # noqa: E402


def main():
    if len(sys.argv) != 2 or "JAWGAUGE_SCANS" not in os.environ:
        sys.exit(f"{__doc__}\nJAWGAUGE_SCANS must name the folder of real scans")
    wheels, real = Path(sys.argv[1]), Path(os.environ["JAWGAUGE_SCANS"]).resolve()
    # Both complain about files that are odd on purpose.
    warnings.simplefilter("ignore")
    SimpleITK.ProcessObject.SetGlobalWarningDisplay(False)
    for title, checks, source in [
        ("every form", forms.check_forms, ()),
        ("the files of pydicom", library_files.check_library_files, (wheels,)),
        ("a scan of known lengths", pin_square.check_image_quality_phantom, (wheels,)),
        ("one head, flat and tilted", heads.check_heads, (real,)),
    ]:
        begun, before = time.monotonic(), len(ours.passed) + len(ours.failed)
        print(f"-- {title}")
        with tempfile.TemporaryDirectory() as work:
            checks(*source, Path(work))
        done = len(ours.passed) + len(ours.failed) - before
        ours.check(f"{title}: something was checked", done > 0,
                   f"{done} checks, {time.monotonic() - begun:.0f} s")
    if not ours.ended():
        sys.exit(1)


if __name__ == "__main__":
    main()
