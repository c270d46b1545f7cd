"""The files that pydicom is tested with: read as pydicom reads them, or refused for what they are.

Every file of the packages `pydicom` and `pydicom-data` is given to the reader as it is; and every
file with pixels once more as a CT series: copies with the pixel bytes and the transfer syntax as
they are, another SOP class, positions a step apart, and what a CT image must have and the file
lacks. `faults` says by pydicom alone why a file must not be read; where it finds nothing, the
file must be read, to the same numbers.
"""

import io
import shutil
import zipfile
from pathlib import Path

import numpy as np
import pydicom
import pydicom.data
import SimpleITK
from PIL import Image
from pydicom.encaps import encapsulate, generate_frames
from pydicom.pixels.utils import get_j2k_parameters

import ours
from ours import check

CT = "1.2.840.10008.5.1.4.1.1.2"
ENHANCED_CT, LEGACY_CT = CT + ".1", CT + ".2"
XRAY_3D = "1.2.840.10008.5.1.4.1.1.13.1.2"
READ = {CT, ENHANCED_CT, LEGACY_CT, XRAY_3D}
BASE = "1.2.840.10008.1.2"
NATIVE = {BASE, BASE + ".1", BASE + ".2", BASE + ".1.99", BASE + ".1.98"}
JPEG_2000 = {BASE + ".4.90", BASE + ".4.91"}
DECODED = JPEG_2000 | {BASE + s for s in (".5", ".4.50", ".4.57", ".4.70", ".4.80", ".4.81")}
LOSSY = {BASE + s for s in (".4.50", ".4.81", ".4.91")}
# The copies of a slice lie this far apart, mm, along the normal and a bit across it (0.03 degrees).
STEP_MM, ACROSS_MM = 1.25, 0.0007
COPIES = 3
# Two decoders of JPEG baseline may round each sample to either side (ITU-T T.83: within 1).
BASELINE_GREY = 1.0


def unpack(wheels, work):
    """Folders with the test files of both packages."""
    own = Path(pydicom.__file__).parent / "data" / "test_files"
    with zipfile.ZipFile(next(wheels.glob("pydicom_data-*.whl"))) as wheel:
        wheel.extractall(work / "pydicom-data")
    return {"pydicom": own, "pydicom-data": work / "pydicom-data/data_store/data"}


def opened(path):
    """The data set, or `None` where there is none."""
    try:
        return pydicom.dcmread(path, force=True)
    except Exception:  # whatever pydicom meets in files that are no DICOM
        return None


def sop_class_of(ds):
    meta = ds.file_meta.get("MediaStorageSOPClassUID", "") if ds.file_meta else ""
    return str(ds.get("SOPClassUID") or meta)


def syntax_of(ds):
    return str(ds.file_meta.get("TransferSyntaxUID", "")) if ds.file_meta else ""


def frames_of(ds):
    try:
        return int(ds.get("NumberOfFrames") or 1)
    except ValueError:
        return 0


def group_of(ds, frame, *names):
    """The functional group that holds a frame's attributes, else the data set."""
    own = ds.get("PerFrameFunctionalGroupsSequence", [])
    shared = ds.get("SharedFunctionalGroupsSequence", [])
    for groups in [*own[frame:frame + 1], *shared]:
        for name in names:
            if groups.get(name):
                return groups[name][0]
    return ds


def planes(ds, frames):
    """Position, orientation, spacing, rescale holders of each frame."""
    return [(group_of(ds, f, "PlanePositionSequence"), group_of(ds, f, "PlaneOrientationSequence"),
             group_of(ds, f, "PixelMeasuresSequence"),
             group_of(ds, f, "PixelValueTransformationSequence", "CTPixelValueTransformationSequence"))
            for f in range(frames)]


def stored_values(ds):
    """Stored values by pydicom, unused bits cleared or filled with the sign; one axis more."""
    stored = ds.pixel_array.astype(np.int64).reshape(-1, ds.Rows, ds.Columns)
    bits = ds.BitsStored
    stored &= (1 << bits) - 1
    if ds.PixelRepresentation == 1:
        stored -= (stored >> (bits - 1)) << bits
    return stored


def grey_values(ds):
    stored = stored_values(ds)
    grey = stored.astype(np.float64)
    for f, (*_, rescale) in enumerate(planes(ds, len(stored))):
        grey[f] = grey[f] * float(rescale.RescaleSlope) + float(rescale.RescaleIntercept)
    if "PixelPaddingValue" in ds:
        ends = [ds.PixelPaddingValue, ds.get("PixelPaddingRangeLimit", ds.PixelPaddingValue)]
        grey[(stored >= min(ends)) & (stored <= max(ends))] = np.nan
    return grey


def faults(ds):
    """`{code of the refusal: why}` of an image of a kind that is read, by pydicom alone."""
    found = {}
    syntax = syntax_of(ds)
    needed = ["SeriesInstanceUID", "Rows", "Columns", "SamplesPerPixel", "BitsAllocated", "BitsStored",
              "HighBit", "PixelRepresentation", "PhotometricInterpretation", "PixelData"]
    lacking = [name for name in needed if ds.get(name) in (None, "", b"")]
    if lacking:
        return {"missing-attribute": ", ".join(lacking)}
    frames = frames_of(ds)
    for name, kind in [("ImagePositionPatient", 0), ("ImageOrientationPatient", 1),
                       ("PixelSpacing", 2), ("RescaleSlope", 3), ("RescaleIntercept", 3)]:
        if any(p[kind].get(name) in (None, "") for p in planes(ds, frames)):
            found["missing-attribute"] = name
    bad = {"SamplesPerPixel": ds.SamplesPerPixel != 1,
           "PhotometricInterpretation": ds.PhotometricInterpretation != "MONOCHROME2",
           "BitsAllocated": ds.BitsAllocated not in (8, 16), "HighBit": ds.HighBit != ds.BitsStored - 1,
           "NumberOfFrames": frames < 1, "ModalityLUTSequence": "ModalityLUTSequence" in ds,
           "FrameIncrementPointer": "FrameTime" in ds and "FrameIncrementPointer" in ds}
    if any(bad.values()):
        found["bad-attribute"] = ", ".join(name for name, is_bad in bad.items() if is_bad)
    if syntax and syntax not in NATIVE | DECODED:
        found["transfer-syntax"] = pydicom.uid.UID(syntax).name
    if found:
        return found
    each = ds.Rows * ds.Columns * ds.BitsAllocated // 8
    if syntax in DECODED:
        streams = list(generate_frames(ds.PixelData, number_of_frames=frames))
        if syntax in JPEG_2000:
            has = get_j2k_parameters(streams[0])
            if has["is_signed"] and ds.PixelRepresentation == 0 or has["precision"] < ds.BitsStored:
                found["pixel-data"] = f"{has} where {ds.BitsStored} bits are stored"
    elif len(ds.PixelData) < each * frames:
        found["pixel-data-length"] = f"{len(ds.PixelData)} bytes of {each * frames}"
    try:
        return found or looks(grey_values(ds))
    except Exception as error:  # each decoder has its own
        return {"pixel-data": f"pydicom cannot decode it, {type(error).__name__}"}


def looks(grey):
    """Whether the values are those of a scan, as the project says it: some files show no body."""
    there = np.sort(grey[~np.isnan(grey)])
    if len(np.unique(there)) < 3:
        return {"grey-values": f"{len(np.unique(there))} values"}
    gap = np.argmax(np.diff(there))
    if there[gap + 1] - there[gap] >= 16384 and 0.05 <= (gap + 1) / len(there) <= 0.95:
        return {"signedness": f"nothing between {there[gap]:g} and {there[gap + 1]:g}"}
    dark, bright = np.quantile(there, [0.001, 0.999])
    tenth = (bright - dark) / 10
    darkest, brightest = (there <= dark + tenth).mean(), (there >= bright - tenth).mean()
    if brightest > 0.25 and darkest < 0.02:
        return {"grey-values": f"{brightest:.0%} brightest, {darkest:.1%} darkest: inverted"}
    return {}


def as_ct(ds):
    """Adds what a CT image needs and has not; the pixels stay."""
    ds.SOPClassUID = CT
    if ds.file_meta:
        ds.file_meta.MediaStorageSOPClassUID = CT
    ds.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    for name in ["PerFrameFunctionalGroupsSequence", "SharedFunctionalGroupsSequence",
                 "FrameIncrementPointer"]:
        if name in ds:
            delattr(ds, name)
    frames = frames_of(ds)
    for name, value in [("SeriesInstanceUID", "2.25.77"), ("PixelSpacing", [0.5, 0.7]),
                        ("ImageOrientationPatient", [1, 0, 0, 0, 0.8, 0.6]),
                        ("ImagePositionPatient", [-12.5, 7, 33]), ("RescaleSlope", 1),
                        ("RescaleIntercept", -1024)]:
        if ds.get(name) in (None, ""):
            setattr(ds, name, value)
    if frames > 1:
        ds.SpacingBetweenSlices = STEP_MM


def expected_affine(ds):
    """Of the copies, or of the frames of one file, in the order along the normal."""
    frames = frames_of(ds)
    places, orientations, measures, _ = zip(*planes(ds, frames))
    row, column = np.array(orientations[0].ImageOrientationPatient, float).reshape(2, 3)
    normal = np.cross(row, column)
    spacing = [float(mm) for mm in measures[0].PixelSpacing]
    first = np.array(places[0].ImagePositionPatient, float)
    if frames == 1:
        step, order = shift(ds), np.arange(COPIES)
    elif ds.SOPClassUID == CT:
        step, order = float(ds.SpacingBetweenSlices) * normal, np.arange(frames)
    else:
        at = np.array([p.ImagePositionPatient for p in places], float)
        order = np.argsort(at @ normal)
        first = at[order[0]]
        step = (at[order[-1]] - first) / (frames - 1)
    whole = np.eye(4)
    whole[:3] = np.stack([row * spacing[1], column * spacing[0], step, first], axis=1)
    # The project makes perpendicular unit vectors of rounded cosines; pydicom gives them as written.
    rounded = max(abs(row @ row - 1), abs(column @ column - 1), abs(row @ column))
    reach = np.hypot(ds.Columns * spacing[1], ds.Rows * spacing[0])
    return whole, order, rounded * reach


def shift(ds):
    row, column = np.array(ds.ImageOrientationPatient, float).reshape(2, 3)
    return np.round(STEP_MM * np.cross(row, column) + ACROSS_MM * row, 6)


def write_series(ds, folder):
    folder.mkdir(parents=True)
    whole = ds.file_meta and "TransferSyntaxUID" in ds.file_meta
    how = {} if whole else {"implicit_vr": False, "little_endian": True}
    frames = frames_of(ds)
    first = ds.get("ImagePositionPatient")
    for copy in range(COPIES if frames == 1 else 1):
        if frames == 1:
            at = np.array(first, float) + copy * shift(ds)
            ds.ImagePositionPatient = [f"{c:.6f}" for c in at]
        ds.SOPInstanceUID = f"2.25.{900 + copy}"
        if whole:
            ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
        # Names against the order of places.
        ds.save_as(folder / f"{9 - copy}.dcm", enforce_file_format=False, **how)
    if frames == 1:
        ds.ImagePositionPatient = first


def claims_more(data):
    """Whether an item of a directory claims more bytes than are left of the file."""
    at = data.find(b"\xfe\xff\x00\xe0")
    while at >= 0:
        length = int.from_bytes(data[at + 4:at + 8], "little")
        if length != 0xFFFFFFFF and length > len(data) - at - 8:
            return True
        at = data.find(b"\xfe\xff\x00\xe0", at + 4)
    return False


def refused_rightly(name, answer, reasons):
    code = answer.get("refused", "read")
    check(name, code in reasons, f"{code}; {reasons.get(code, f'expected {reasons}')}")


def check_as_they_are(files, work):
    """Every file alone in a folder."""
    asked, expected = [], []
    for name, path in files:
        folder = work / "alone" / str(len(asked))
        folder.mkdir(parents=True)
        shutil.copy(path, folder / path.name)
        ds = opened(path)
        sop = sop_class_of(ds) if ds is not None else ""
        if not sop:
            reasons = {"no-scan": "no DICOM", "damaged-file": "it does not say what it is"}
        elif sop == pydicom.uid.MediaStorageDirectoryStorage:
            reasons = {"no-scan": "a directory"}
            if claims_more(path.read_bytes()):
                reasons = {"damaged-file": "a record claims more bytes than there are"}
        elif sop not in READ:
            reasons = {"sop-class": pydicom.uid.UID(sop).name}
        elif "LOCALIZER" in (ds.get("ImageType") or []):
            reasons = {"no-scan": "a localizer"}
        else:
            reasons = faults(ds)
            if frames_of(ds) == 1:
                reasons["single-slice"] = "one slice"
        asked.append(folder)
        expected.append((name, ds, reasons))
    read = 0
    for (name, ds, reasons), found in zip(expected, ours.read_all(asked, work), strict=True):
        if reasons:
            refused_rightly(f"{name} as it is is refused", found[0], reasons)
            continue
        read += 1
        affine, order, rounded = expected_affine(ds)
        ours.compare(f"{name} as it is", found, affine, grey_values(ds)[order], "pydicom",
                     rounded_mm=rounded)
    check("files were given as they are", len(asked) > 100, f"{len(asked)}, {read} read")


def check_as_series(files, work):
    """Every file with pixels as a CT series."""
    asked, expected, unwritten = [], [], []
    for name, path in files:
        ds = opened(path)
        if ds is None or not ds.get("PixelData") or "Rows" not in ds:
            continue
        as_ct(ds)
        folder = work / "series" / str(len(asked))
        try:
            write_series(ds, folder)
        except TypeError:
            shutil.rmtree(folder)
            unwritten.append(name)
            continue
        asked.append(folder)
        expected.append((name, ds, faults(ds)))
    read = set()
    for (name, ds, reasons), found in zip(expected, ours.read_all(asked, work), strict=True):
        if reasons:
            refused_rightly(f"{name} as CT is refused", found[0], reasons)
            continue
        syntax = syntax_of(ds)
        read.add(syntax)
        affine, order, rounded = expected_affine(ds)
        grey = grey_values(ds)
        grey = grey[np.zeros(COPIES, int)] if len(grey) == 1 else grey[order]
        ours.compare(f"{name} as CT, {pydicom.uid.UID(syntax).name or 'no meta'}", found, affine, grey,
                     "pydicom", rounded_mm=rounded)
        told = "lossy-compression" in found[0].get("warnings", [])
        if syntax in LOSSY and found[1] is not None:
            check(f"{name}: loss is told", told)
    check("pydicom writes all but one", unwritten == ["pydicom SC_rgb_jpeg.dcm"], str(unwritten))
    check("files of many transfer syntaxes were read as CT", len(read) >= 9,
          f"{len(asked)} files, {len(read)} syntaxes read")


def check_series(folder, work):
    """What lies in pydicom's files as whole series: against SimpleITK, or refused."""
    # One of the directories there is damaged, and with it the folder that it stands for.
    damaged = shutil.ignore_patterns("DICOMDIR-nooffset")
    folder = shutil.copytree(folder / "dicomdirtests", work / "directories", ignore=damaged)
    expected = {"77654033/CT2": {"uneven-slices": "202.5, 1.25, ... mm apart"},
                "98892001/CT2N": {"no-scan": "localizers"}, "98892001/CT5N": None,
                "98892001": None, ".": {"several-series": "two"}, "DICOMDIR": {"several-series": "two"}}
    scans = [folder / name for name in expected]
    answers = ours.read_all(scans, work)
    for (name, reasons), scan, found in zip(expected.items(), scans, answers, strict=True):
        if reasons:
            refused_rightly(f"series {name} is refused", found[0], reasons)
            continue
        image, grey = series_by_simpleitk(folder / "98892001/CT5N")
        ours.compare(f"series {name}", found, ours.affine_of_image(image), grey, "SimpleITK")
    skipped = answers[list(expected).index("98892001")][0]["skipped"]
    check("localizers beside a series are counted", skipped == {"Localizer": 2}, str(skipped))


def check_baseline(work):
    """JPEG baseline, of which pydicom has only colour: a plane encoded by Pillow, read by pydicom."""
    ds = pydicom.dcmread(pydicom.data.get_testdata_file("image_dfl.dcm"))
    as_ct(ds)
    stream = io.BytesIO()
    Image.fromarray(ds.pixel_array).save(stream, "JPEG", quality=85)
    ds.PixelData = encapsulate([stream.getvalue()])
    ds["PixelData"].is_undefined_length = True
    ds.file_meta.TransferSyntaxUID = BASE + ".4.50"
    write_series(ds, work / "baseline")
    [found] = ours.read_all([work / "baseline"], work)
    affine, *_ = expected_affine(ds)
    ours.compare("JPEG baseline by Pillow", found, affine, grey_values(ds)[np.zeros(COPIES, int)],
                 "pydicom", BASELINE_GREY)
    told = found[0].get("warnings", [])
    check("JPEG baseline: loss is told", "lossy-compression" in told, ", ".join(told))


def series_by_simpleitk(folder):
    reader = SimpleITK.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(folder)))
    image = reader.Execute()
    grey = SimpleITK.GetArrayFromImage(image).astype(float)
    ds = pydicom.dcmread(next(Path(folder).iterdir()))
    if "PixelPaddingValue" in ds:
        grey[grey == ds.PixelPaddingValue * ds.RescaleSlope + ds.RescaleIntercept] = np.nan
    return image, grey


def check_library_files(wheels, work):
    pydicom.config.settings.reading_validation_mode = pydicom.config.IGNORE
    pydicom.config.settings.writing_validation_mode = pydicom.config.IGNORE
    folders = unpack(wheels, work)
    files = [(f"{package} {path.relative_to(folder)}", path)
             for package, folder in folders.items()
             for path in sorted(folder.rglob("*")) if path.is_file()]
    check_as_they_are(files, work)
    check_as_series(files, work)
    check_series(folders["pydicom"], work)
    check_baseline(work)
