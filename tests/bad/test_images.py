"""Whatever is given as a scan: measured, or refused in a sentence with its exit code, and never half done.

The files are made in ``pictures.py`` by other people's writers; a thousand more are those of Pillow's own tests, fetched from the
package registry (``tests/outside.py``), and what is read of them is held against Pillow's own reading.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from conftest import Run, Studio, failure, pictures_of
from outside import odd_images
from pictures import (
    CASES,
    HEICS,
    JPEGS,
    PDFS,
    PNGS,
    PROFILES,
    TIFFS,
    cut,
    heic,
    jpeg,
    pdf,
    png,
    profile,
    tiff,
    with_profile,
    write,
)
from PIL import Image

from calib.scan.image import file_sha256, read_pictures

BEFORE = "measured last year\n"


@pytest.fixture
def measured(tmp_path: Path, studio: Studio, calib: Callable[..., Run]) -> Callable[[Path], Run]:
    """Return a function that runs `calib measure` over an earlier table, and sees that nothing of it changed if it failed."""
    out = tmp_path / "out"
    out.mkdir()
    table = out / "colours.csv"

    def run(scan: Path) -> Run:
        table.write_text(BEFORE)
        done = calib(
            "measure",
            studio.plan_path,
            scan,
            "--strip",
            studio.strip_path,
            "--paper",
            "smooth",
            "-o",
            table,
            "--proof",
            out / "proof",
        )
        if done.code:
            assert table.read_text() == BEFORE
            assert [path.name for path in out.iterdir() if path.is_file()] == ["colours.csv"]
            assert list(out.rglob("*.png")) == []
            assert done.out == ""
        return done

    return run


def test_there_are_enough_cases() -> None:
    assert len(CASES) >= 200


@pytest.mark.parametrize("name", CASES)
def test_a_bad_picture_is_refused_by_the_command(
    tmp_path: Path, measured: Callable[[Path], Run], name: str
) -> None:
    case = CASES[name]
    done = measured(write(case, tmp_path))
    assert done.code == case.code, done.err
    assert done.err.startswith("calib: ") and case.word in done.err, done.err
    # The user finds the file, and what to do, in the sentence.
    assert case.file.split("\n")[0] in done.err and done.err.count(". ") + done.err.count(".\n") >= 1
    assert len(done.err) < 800 and "mistake in the program" not in done.err


@pytest.mark.parametrize("name", PROFILES)
def test_a_page_with_a_useless_profile_is_refused(
    tmp_path: Path, studio: Studio, measured: Callable[[Path], Run], name: str
) -> None:
    """A profile is looked at when its page has been found, so that these stand on a good page."""
    made, word = PROFILES[name]
    path = tmp_path / "page.png"
    path.write_bytes(with_profile((studio.folder / "page-1.png").read_bytes(), made()))
    done = measured(path)
    assert done.code == 3 and "page.png" in done.err and word in done.err, done.err


def test_a_profile_of_a_scanner_is_of_use(
    tmp_path: Path, studio: Studio, measured: Callable[[Path], Run]
) -> None:
    path = tmp_path / "page.png"
    path.write_bytes(with_profile((studio.folder / "page-1.png").read_bytes(), profile(12, b"scnr")))
    assert measured(path).code == 0


# --- what is no file at all ----------------------------------------------------------------------


def in_a_circle(path: Path) -> None:
    path.symlink_to(path)


def not_for_us(path: Path) -> None:
    path.write_bytes(png())
    path.chmod(0)


NO_FILES: dict[str, tuple[str, Callable[[Path], object], str]] = {
    "missing": ("scan.png", lambda path: None, "does not exist"),
    "a folder": ("scan.png", Path.mkdir, "is a folder"),
    "a pipe": ("scan.png", os.mkfifo, "regular file"),
    "a device": ("scan.png", lambda path: path.symlink_to("/dev/zero"), "regular file"),
    "an empty device": ("scan.png", lambda path: path.symlink_to("/dev/null"), "regular file"),
    "a link in a circle": ("scan.png", in_a_circle, ""),
    "a link to nothing": (
        "scan.png",
        lambda path: path.symlink_to(path.parent / "gone.png"),
        "does not exist",
    ),
    "a name too long": ("s" * 300 + ".png", lambda path: None, ""),
    "a path through a file": ("file/scan.png", lambda path: path.parent.write_bytes(b""), ""),
}


@pytest.mark.parametrize("name", NO_FILES)
def test_what_is_no_file_is_refused(tmp_path: Path, measured: Callable[[Path], Run], name: str) -> None:
    file, make, word = NO_FILES[name]
    make(tmp_path / file)
    done = measured(tmp_path / file)
    assert done.code == 3 and word in done.err and Path(file).name in done.err


def test_a_file_that_may_not_be_read(tmp_path: Path, measured: Callable[[Path], Run]) -> None:
    not_for_us(tmp_path / "scan.png")
    # The super-user may read everything, and then finds no page on it.
    assert measured(tmp_path / "scan.png").code == (4 if os.access(tmp_path / "scan.png", os.R_OK) else 3)


def test_a_name_that_is_no_text(tmp_path: Path, measured: Callable[[Path], Run]) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/scan\xff.png"))
    path.write_bytes(cut(png(), 0.5))
    done = measured(path)
    assert done.code == 3 and "scan" in done.err


# --- files that change ---------------------------------------------------------------------------


def test_a_file_that_goes_away_after_the_first_look(tmp_path: Path) -> None:
    path = tmp_path / "scan.png"
    path.write_bytes(png())
    digest = file_sha256(path)
    path.unlink()
    assert failure(lambda: list(read_pictures(path, digest))).exit_code == 3


def test_a_file_that_changes_after_the_first_look(tmp_path: Path) -> None:
    path = tmp_path / "scan.png"
    path.write_bytes(png())
    digest = file_sha256(path)
    path.write_bytes(jpeg())
    assert "changed since" in str(failure(lambda: list(read_pictures(path, digest))))


def test_a_file_that_changes_while_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "scan.tif"
    path.write_bytes(tiff())
    pictures = read_pictures(path, file_sha256(path))
    next(pictures)
    path.write_bytes(tiff() + b"more")
    assert "changed while" in str(failure(lambda: list(pictures)))


# --- memory, time, silence -----------------------------------------------------------------------

READ_ALL = """
import resource, sys, time
from pathlib import Path
from calib.errors import CalibError
from calib.scan.image import file_sha256, read_pictures
for line in sys.stdin:
    path = Path(line.rstrip("\\n"))
    start, said = time.process_time(), "read"
    try:
        kinds = [p.codes.shape for p in read_pictures(path, file_sha256(path))]
    except CalibError as error:
        said = "refused" if len(str(error).splitlines()) == 1 else "in many lines"
    except BaseException as error:
        said = repr(error).replace("\\t", " ").replace("\\n", " ")
    print(path.name, said, round(time.process_time() - start, 3), sep="\\t", flush=True)
try:
    # The resource module counts the peak of the process that started this one as well (getrusage(2), proc(5)).
    lines = Path("/proc/self/status").read_text().splitlines()
    print(next(int(line.split()[1]) for line in lines if line.startswith("VmHWM:")) // 1000)
except OSError:
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1000)
"""


def read_all(paths: list[Path]) -> tuple[list[tuple[str, str, float]], int]:
    """Read files in one process of their own; return (name, what became of it, CPU seconds) of each and the peak memory in MB.

    Fails where the process dies, or anything but our own words comes out of it.
    """
    done = subprocess.run(
        [sys.executable, "-c", READ_ALL],
        input="\n".join(map(str, paths)),
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert (done.returncode, done.stderr) == (0, "")
    *rows, memory = done.stdout.splitlines()
    return [(name, said, float(spent)) for name, said, spent in (row.split("\t") for row in rows)], int(
        memory
    )


def test_bombs_take_neither_memory_nor_time(tmp_path: Path) -> None:
    names = (
        "60000 x 60000",
        "19000 x 19000 of zeros",
        "gigabyte",
        "bomb",
        "billion",
        "thousand",
        "hundred passes",
        "65500",
        "30000",
    )
    paths = []
    for number, (name, case) in enumerate(CASES.items()):
        if any(word in name for word in names):
            (tmp_path / str(number)).mkdir()
            paths.append(write(case, tmp_path / str(number)))
    assert len(paths) >= 15
    rows, memory = read_all(paths)
    assert [row for row in rows if row[1] != "refused" or row[2] > 2] == []
    # Python with the libraries takes 100 of it; the largest of these would take 10,000.
    assert memory < 400


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return odd_images(tmp_path_factory.mktemp("odd"))


@pytest.fixture(scope="module")
def readings(odd: list[Path]) -> tuple[list[tuple[str, str, float]], int]:
    return read_all(odd)


def test_odd_images_are_read_or_refused_in_silence(
    odd: list[Path], readings: tuple[list[tuple[str, str, float]], int]
) -> None:
    """A thousand odd, legal and broken images: none crashes the process, hangs, takes gigabytes or lets a library speak."""
    rows, memory = readings
    assert len(rows) == len(odd) > 1000
    assert [row for row in rows if row[1] not in ("read", "refused") or row[2] > 5] == []
    assert sum(row[1] == "read" for row in rows) >= 80
    assert memory < 800


@pytest.mark.filterwarnings("ignore")
def test_what_is_read_of_odd_images_is_what_pillow_reads(
    odd: list[Path], readings: tuple[list[tuple[str, str, float]], int]
) -> None:
    compared = 0
    for path, (_, said, _) in zip(odd, readings[0], strict=True):
        if said != "read":
            continue
        (picture, *_) = pictures_of(path)
        with Image.open(path) as image:
            theirs = np.asarray(image.convert("RGB")).astype(int)
        ours = picture.codes if picture.bits == 8 else picture.codes >> 8
        off = np.abs(theirs - ours)
        # Decoders of JPEG round in ways of their own, the more so where colours are stored coarsely.
        most, mean = (0, 0.0) if picture.kind == "PNG" else (45, 0.8)
        assert off.max() <= most and off.mean() <= mean, path.name
        compared += 1
    assert compared >= 60


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF", "PDF", "HEIC"])
def test_cut_anywhere_it_is_refused_or_whole(tmp_path: Path, kind: str) -> None:
    """A hundred cuts of a good file of each kind: never a picture with other pixels than the whole one has."""
    make = {"PNG": png, "JPEG": jpeg, "TIFF": tiff, "PDF": pdf, "HEIC": heic}[kind]
    path = tmp_path / "scan"
    data, refused = make(), 0
    path.write_bytes(data)
    whole = pictures_of(path)[0].codes
    for share in np.random.default_rng(7).random(100):
        path.write_bytes(cut(data, share))
        try:
            seen = pictures_of(path)[0].codes
        except Exception as error:
            assert type(error).__name__ == "InputError", repr(error)
            refused += 1
        else:
            # What mends a PDF finds the picture again where only its tables are gone.
            assert kind == "PDF" and np.array_equal(seen, whole)
    assert refused >= 60


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF", "PDF", "HEIC"])
def test_flipped_bits_are_refused_or_read_and_nothing_else(tmp_path: Path, kind: str) -> None:
    make = {"PNG": png, "JPEG": jpeg, "TIFF": lambda: tiff(compression="lzw"), "PDF": pdf, "HEIC": heic}[kind]
    data, path, rng = make(), tmp_path / "scan", np.random.default_rng(11)
    start = time.process_time()
    for _ in range(120):
        broken = bytearray(data)
        for at in rng.integers(0, len(data) if rng.random() < 0.5 else 300, rng.integers(1, 4)):
            broken[at] ^= 1 << int(rng.integers(8))
        path.write_bytes(bytes(broken))
        try:
            pictures_of(path)
        except Exception as error:
            assert type(error).__name__ == "InputError" and "\n" not in str(error), repr(error)
    assert time.process_time() - start < 20


def test_every_kind_has_its_cases() -> None:
    assert min(map(len, (PNGS, JPEGS, TIFFS, PDFS))) >= 20 and len(HEICS) >= 10


@pytest.mark.parametrize("orientation", [2, 6])
def test_a_page_that_is_stored_turned_or_mirrored_is_measured(
    tmp_path: Path, studio: Studio, measured: Callable[[Path], Run], orientation: int
) -> None:
    """EXIF 2.32, tag 274: 2 is to be mirrored, 6 to be turned by a quarter; stored are the pixels before that."""
    pixels = studio.pixels("page-1")
    codes = (pixels // 257 if pixels.dtype == np.uint16 else pixels).astype(np.uint8)
    exif = Image.Exif()
    exif[274] = orientation
    stored = codes[:, ::-1] if orientation == 2 else np.rot90(codes)
    Image.fromarray(np.ascontiguousarray(stored)).save(tmp_path / "page.png", exif=exif, dpi=(150, 150))
    done = measured(tmp_path / "page.png")
    assert done.code == 0, done.err


# --- nothing private comes out --------------------------------------------------------------------

SECRETS = ("SN-4711-0815", "Jane Invented", "48.8583", "+48/1,51/1", "GPSLatitude", "Secretville")


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif"])
def test_what_an_image_says_of_its_owner_gets_nowhere(
    tmp_path: Path, studio: Studio, calib: Callable[..., Run], suffix: str
) -> None:
    exif = Image.Exif()
    exif[271], exif[272], exif[305] = "Invented maker", "Invented model", "Secretville software"
    exif[315], exif[33432], exif[270] = "Jane Invented", "Jane Invented", "Secretville"
    exif._ifds[0x8769] = {
        42032: "Jane Invented",
        42033: "SN-4711-0815",
        37510: b"ASCII\0\0\0Secretville",
        37500: b"SN-4711-0815",
    }
    exif._ifds[0x8825] = {1: "N", 2: (48.8583, 51.0, 30.1), 3: "E", 4: (2.2945, 17.0, 40.2)}
    xmp = b"<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF><a exif:GPSLatitude='48.8583' owner='Jane Invented'/></rdf:RDF></x:xmpmeta>"
    path = tmp_path / f"page{suffix}"
    options = {".jpg": {"quality": 97, "xmp": xmp, "comment": b"Jane Invented"}, ".png": {}, ".tif": {}}[
        suffix
    ]
    pixels = studio.pixels("page-1")
    codes = (pixels // 257 if pixels.dtype == np.uint16 else pixels).astype(np.uint8)
    Image.fromarray(codes).save(path, exif=exif, dpi=(150, 150), **options)
    assert any(secret.encode() in path.read_bytes() for secret in SECRETS)
    out = tmp_path / "out"
    out.mkdir()
    done = calib(
        "measure",
        studio.plan_path,
        path,
        "--strip",
        studio.strip_path,
        "--paper",
        "smooth",
        "-o",
        out / "c.csv",
        "--proof",
        out / "proof",
    )
    assert done.code == 0, done.err
    files = [file for file in out.rglob("*") if file.is_file()]
    assert {"c.csv", "c.csv-metadata.json"} < {file.name for file in files} and any(
        f.suffix == ".png" for f in files
    )
    said = done.out.encode() + done.err.encode() + b"".join(file.read_bytes() for file in files)
    assert [secret for secret in (*SECRETS, "Invented maker") if secret.encode() in said] == []
    for file in files:
        if file.suffix == ".png":
            with Image.open(file) as image:
                assert not image.getexif() and not set(image.info) - {"dpi"}
    json.loads((out / "c.csv-metadata.json").read_text())
