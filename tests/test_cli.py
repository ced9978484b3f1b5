"""The command line: words, paths and exit codes, as the contract lists them.

Outside sources: the contract's table of exit codes; pandas and pypdfium2 read what the commands wrote.
"""

from __future__ import annotations

import errno
import json
import os
import shlex
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import click
import numpy as np
import pandas
import pypdfium2
import pytest
from conftest import DENSITIES, Run, Studio, write_strip
from PIL import Image

import calib as package
from calib.chart.planfile import plan_to_json, read_carrier, read_plan
from calib.cli.main import cli
from calib.scan.prooffolder import NO_PICTURE
from calib.synthetic.scan import simulate_page
from calib.synthetic.session import Session, Strip
from calib.synthetic.writing import write_scan
from calib.table.flags import FLAGS
from calib.table.table import read_table

Calib = Callable[..., Run]
# An invented card of 24 patches.
CARD = "row,column,L,a,b\n" + "".join(
    f"{i // 6 + 1},{i % 6 + 1},{90 - 3 * i},{i % 5 - 2},{i % 7 - 3}\n" for i in range(24)
)
ROOT = Path(__file__).resolve().parents[1]
SHIPPED_CARD = {
    "charts/carrier-a4.json": "carrier.json",
    "examples/carrier-scan.jpg": "scan.tif",
    "examples/card.csv": "card.csv",
    "examples/strip.csv": "strip.csv",
}
# The shipped tables, under the names that the examples of the answers give.
SHIPPED_TABLES = {
    "duplicates": {"colours.csv": "colours.csv", "new.csv": "new.csv"},
    "drift": {"colours.csv": "spring.csv", "autumn.csv": "autumn.csv"},
    "papers": {"colours.csv": "colours.csv", "rough.csv": "rough.csv"},
    "predict": {"colours.csv": "colours.csv", "few.csv": "rough-few.csv"},
    "blend": {"colours.csv": "colours.csv"},
    "match": {"colours.csv": "colours.csv"},
    "layer": {"colours.csv": "colours.csv"},
    "greys": {"colours.csv": "colours.csv"},
    "scene": {"colours.csv": "colours.csv", "scene.csv": "scene.csv"},
    "export": {"colours.csv": "colours.csv"},
    "report": {"colours.csv": "colours.csv", "autumn.csv": "autumn.csv"},
}
LIST = "marker,name,set,kind,hint\n017,Dusk,sky,,#8090c0\n018,Dawn,sky,,\n=cmd(),Sum,odd,,\n"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "markers.csv").write_text(LIST, encoding="utf-8")
    (tmp_path / "card.csv").write_text(CARD, encoding="utf-8")
    return tmp_path


@pytest.fixture
def desk(folder: Path, studio: Studio) -> Path:
    """A folder with all that measuring needs: plan, strip and two scans."""
    shutil.copy(studio.plan_path, folder / "chart.json")
    shutil.copy(studio.strip_path, folder / "strip.csv")
    for number in (1, 2):
        shutil.copy(studio.scans[f"page-{number}"][0], folder / f"page{number}.tif")
    return folder


def listing(folder: Path) -> dict[str, bytes]:
    """Every file in a folder with its bytes, hidden ones too."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


MEASURE = (
    "measure",
    "chart.json",
    "page1.tif",
    "--strip",
    "strip.csv",
    "--paper",
    "smooth",
    "-o",
    "colours.csv",
)


def swapped(words: tuple[str, ...], **changes: str) -> list[str]:
    """Return the words of a command with some of them exchanged."""
    return [changes.get(word.replace(".", "_").replace("-", ""), word) for word in words]


# --- help ------------------------------------------------------------------------------------


@pytest.mark.parametrize("flag", ["-h", "--help"])
@pytest.mark.parametrize("command", [None, *cli.commands])
def test_every_command_has_help_with_an_example(calib: Calib, command: str | None, flag: str) -> None:
    run = calib(*([command] if command else []), flag)
    assert (run.code, run.err) == (0, "")
    assert "Usage: calib" in run.out and len(run.out) > 200
    assert all(len(line) <= 100 for line in run.out.splitlines())
    if command:
        assert f"Example: calib {command}" in " ".join(run.out.split())
        assert "--quiet" in run.out
        # An option without a word of explanation is not explained.
        for parameter in cli.commands[command].params:
            if isinstance(parameter, click.Option) and parameter.name != "output":
                assert parameter.help, parameter.name


@pytest.mark.parametrize("command", [name for name in cli.commands if name != "demo"])
def test_the_example_works(calib: Calib, desk: Path, command: str) -> None:
    epilog = cli.commands[command].epilog or ""
    words = shlex.split(epilog.removeprefix("Example: "))
    assert words[:2] == ["calib", command]
    if command == "scanner":
        # The shipped scan of a colour card, under the names that the example gives; a file is told by its first bytes.
        for source, name in SHIPPED_CARD.items():
            shutil.copy(ROOT / source, desk / name)
    if command in SHIPPED_TABLES:
        for source, name in SHIPPED_TABLES[command].items():
            shutil.copy(ROOT / "examples" / source, desk / name)
    run = calib(*words[1:])
    assert run.code == 0, run.err
    if "-o" in words:
        # One row a paper, or an ink, is short; its header and two rows are still a whole table.
        least = 250 if command in ("papers", "layer") else 500
        assert (desk / words[words.index("-o") + 1]).stat().st_size > least


def test_the_version_is_said_in_three_ways(calib: Calib) -> None:
    run = calib("--version")
    assert (run.code, run.out, run.err) == (0, f"calib {package.__version__}\n", "")
    done = subprocess.run([sys.executable, "-m", "calib", "--version"], capture_output=True, text=True)
    assert (done.returncode, done.stdout, done.stderr) == (0, run.out, "")


def test_flags_are_all_explained(calib: Calib) -> None:
    run = calib("flags")
    words = " ".join(run.out.split())
    assert run.code == 0
    for flag in FLAGS.values():
        assert f"{flag.name} {' '.join(flag.sentence.split())}" in words
    assert calib("flags", "--quiet") == Run(0, "", "")


# --- chart -----------------------------------------------------------------------------------


def test_chart_writes_a_pdf_and_its_plan(calib: Calib, folder: Path) -> None:
    run = calib("chart", "markers.csv", "-o", "chart.pdf")
    assert (run.code, run.err) == (0, "")
    plan = read_plan(folder / "chart.json")
    assert plan.chart in run.out and "1 page" in run.out and "3 markers" in run.out and "minutes" in run.out
    assert len(pypdfium2.PdfDocument(folder / "chart.pdf")) == 1
    before = listing(folder)
    assert calib("chart", "markers.csv", "-o", "chart.pdf", "--quiet") == Run(0, "", "")
    assert listing(folder) == before, "the same list gives the same bytes"


def test_four_hundred_markers(calib: Calib, folder: Path) -> None:
    (folder / "many.csv").write_text("marker\n" + "".join(f"{i:03d}\n" for i in range(1, 401)))
    run = calib("chart", "many.csv", "-o", "many.pdf")
    assert run.code == 0 and "400 markers" in run.out and "hours" in run.out
    plan = read_plan(folder / "many.json")
    assert {cell.marker for page in plan.pages for cell in page.cells} == {f"{i:03d}" for i in range(1, 401)}
    assert len(pypdfium2.PdfDocument(folder / "many.pdf")) == len(plan.pages) > 5


def test_options_of_the_chart(calib: Calib, folder: Path) -> None:
    words = [
        "--page",
        "A5",
        "--cell",
        "20x10",
        "--layers",
        "1",
        "--repeats",
        "2",
        "--controls",
        "0",
        "--strip-size",
        "90x10",
    ]
    assert calib("chart", "markers.csv", "-o", "c.pdf", *words, "--seed", "3").code == 0
    plan = read_plan(folder / "c.json")
    assert (plan.page_mm, plan.strip_mm) == ((148.0, 210.0), (90.0, 10.0))
    cells = [cell for page in plan.pages for cell in page.cells]
    assert {(c.width_mm, c.height_mm, c.layers) for c in cells} == {(20.0, 10.0, 1)}
    assert sorted(c.repeat for c in cells) == [1, 1, 1, 2, 2, 2]


def test_a_printed_strip_shows_its_greys(calib: Calib, folder: Path) -> None:
    write_strip(folder / "strip.csv")
    run = calib("chart", "markers.csv", "-o", "c.pdf", "--strip-print", "strip.csv")
    assert run.code == 0, run.err
    box = read_plan(folder / "c.json").pages[0].strip
    with pypdfium2.PdfDocument(folder / "c.pdf") as document:
        page = document[0].render(scale=150 / 72).to_numpy()[..., 0].astype(int)
    mid = page[round((box.y_mm + box.height_mm / 2) * 150 / 25.4)]
    steps = [mid[round((box.x_mm + (i + 0.5) * box.width_mm / 10) * 150 / 25.4)] for i in range(10)]
    # Ten greys, each darker than the last (density 0.1 to 1.9 encoded as sRGB is 230 to 28).
    assert np.all(np.diff(steps) < -5) and steps[0] > 200 and steps[-1] < 60


def test_a_marker_named_like_a_formula_survives(calib: Calib, desk: Path, studio: Studio) -> None:
    text = plan_to_json(studio.plan).replace('"002"', '"=cmd()"')
    (desk / "chart.json").write_text(text, encoding="utf-8")
    assert calib(*MEASURE).code == 0
    table, warnings = read_table(desk / "colours.csv")
    assert warnings == () and "=cmd()" in {row.marker for row in table.readings}
    # No spreadsheet may run it.
    assert "\n=" not in (desk / "colours.csv").read_text(encoding="utf-8")


# --- carrier ---------------------------------------------------------------------------------


def test_carrier_writes_a_pdf_and_its_plan(calib: Calib, folder: Path) -> None:
    run = calib("carrier", "card.csv", "-o", "carrier.pdf")
    assert (run.code, run.err) == (0, "")
    carrier = read_carrier(folder / "carrier.json")
    assert carrier.card_mm == (200.0, 130.0) and carrier.plan.page_mm == (210.0, 297.0)
    words = " ".join(run.out.split())
    assert carrier.plan.chart in words and "24 patches in 4 rows and 6 columns" in words
    assert "row 1 at the top" in words and "100 %" in words and "carrier.json" in words
    assert len(pypdfium2.PdfDocument(folder / "carrier.pdf")) == 1
    before = listing(folder)
    assert calib("carrier", "card.csv", "-o", "carrier.pdf", "--quiet") == Run(0, "", "")
    assert listing(folder) == before, "the same card gives the same bytes"


def test_options_of_the_carrier(calib: Calib, folder: Path) -> None:
    words = ("--card-size", "110x85", "--page", "A5", "--strip-size", "100x10")
    run = calib("carrier", "card.csv", "-o", "c.pdf", *words)
    carrier = read_carrier(folder / "c.json")
    assert run.code == 0 and "on its side, row 1 to the left" in run.out
    assert (carrier.card_mm, carrier.plan.page_mm) == ((110.0, 85.0), (148.0, 210.0))
    assert carrier.plan.strip_mm == (100.0, 10.0)


def test_a_card_that_does_not_fit_is_exit_2_with_the_size_that_would(calib: Calib, folder: Path) -> None:
    before = listing(folder)
    run = calib("carrier", "card.csv", "-o", "c.pdf", "--card-size", "250x210")
    assert run.code == 2 and "250 x 210 mm" in run.err and "at most 200 x 201 mm" in run.err
    assert listing(folder) == before


def test_all_mistakes_of_a_card_are_exit_3_in_one_message(calib: Calib, folder: Path) -> None:
    (folder / "card.csv").write_text(CARD.replace("1,2,87", "1,1,87").replace("1,3,84", "1,3,840"))
    run = calib("carrier", "card.csv", "-o", "c.pdf")
    assert run.code == 3 and run.out == "" and run.err.count("calib: ") == 1
    assert "card.csv:3: repeats the patch" in run.err and "card.csv:4: has L = 840" in run.err
    assert not (folder / "c.pdf").exists() and not (folder / "c.json").exists()


def test_a_carrier_given_for_a_chart_is_noticed(calib: Calib, desk: Path) -> None:
    assert calib("carrier", "card.csv", "-o", "carrier.pdf").code == 0
    run = calib(*swapped(MEASURE, chart_json="carrier.json"))
    assert run.code == 3 and "the plan of a colour card's carrier, not a chart plan" in run.err
    session = Session(strip=Strip(densities=DENSITIES), seed=3)
    scan = simulate_page(read_carrier(desk / "carrier.json").plan, 1, {}, session, dpi=150)
    write_scan(desk / "page1.tif", scan.pixels, 150)
    run = calib(*MEASURE)
    assert run.code == 4 and "another chart" in run.err and not (desk / "colours.csv").exists()


# --- wrong usage: exit 2 ---------------------------------------------------------------------

USAGE = [
    [],
    ["nonsense"],
    ["--nonsense"],
    ["chart"],
    ["chart", "markers.csv"],
    ["chart", "markers.csv", "-o", "c.pdf", "--page", "a9"],
    ["chart", "markers.csv", "-o", "c.pdf", "--page", "nanxinf"],
    ["chart", "markers.csv", "-o", "c.pdf", "--page", "-5x10"],
    ["chart", "markers.csv", "-o", "c.pdf", "--cell", "18"],
    ["chart", "markers.csv", "-o", "c.pdf", "--layers", "3"],
    ["chart", "markers.csv", "-o", "c.pdf", "--repeats", "0"],
    ["chart", "markers.csv", "-o", "c.pdf", "--controls", "-1"],
    ["chart", "markers.csv", "-o", "c.pdf", "--seed", "x"],
    ["chart", "markers.csv", "-o", "c.pdf", "--strip-size", "90x10", "--strip-print", "strip.csv"],
    ["chart", "markers.csv", "-o", "markers.csv"],
    ["chart", "markers.csv", "-o", "chart.json"],
    ["chart", "markers.csv", "-o", ""],
    ["carrier", "card.csv"],
    ["carrier", "-o", "c.pdf"],
    ["carrier", "card.csv", "-o", "c.pdf", "--card-size", "200"],
    ["carrier", "card.csv", "-o", "c.pdf", "--page", "a9"],
    ["carrier", "card.csv", "-o", "c.pdf", "--strip-size", "long"],
    ["carrier", "card.csv", "-o", "card.csv"],
    ["carrier", "card.csv", "-o", "carrier.json"],
    ["measure", "chart.json", "--strip", "none", "--paper", "p", "-o", "c.csv"],
    ["measure", "chart.json", "a.png", "--paper", "p", "-o", "c.csv"],
    ["measure", "chart.json", "a.png", "--strip", "none", "-o", "c.csv"],
    ["measure", "chart.json", "a.png", "--strip", "none", "--paper", "p"],
    ["measure", "chart.json", "a.png", "--strip", "none", "--paper", " ", "-o", "c.csv"],
    [
        "measure",
        "chart.json",
        "a.png",
        "--strip",
        "none",
        "--paper",
        "p",
        "--session",
        "31.5.2026",
        "-o",
        "c.csv",
    ],
    ["measure", "chart.json", "a.png", "--strip", "none", "--paper", "p", "--dried", "-1", "-o", "c.csv"],
    ["demo"],
    ["flags", "extra"],
]


@pytest.mark.parametrize("words", USAGE, ids=" ".join)
def test_wrong_usage_is_exit_2(calib: Calib, folder: Path, words: list[str]) -> None:
    before = listing(folder)
    run = calib(*words)
    assert run.code == 2 and run.out == ""
    assert "Usage:" in run.err
    assert listing(folder) == before


TOO_BIG = [
    ["--page", "50x50"],
    ["--page", "1000x5000"],
    ["--cell", "150x100", "--page", "a5"],
    ["--cell", "3x3"],
    ["--strip-size", "390x14"],
    ["--strip-size", "160x100"],
    ["--repeats", "20", "--page", "a5"],
]


@pytest.mark.parametrize("words", TOO_BIG, ids=" ".join)
def test_sizes_that_cannot_fit_are_exit_2(calib: Calib, folder: Path, words: list[str]) -> None:
    run = calib("chart", "markers.csv", "-o", "c.pdf", *words)
    assert run.code == 2 and run.err.startswith("calib: ") and run.err.count("\n") <= 2
    assert not (folder / "c.pdf").exists() and not (folder / "c.json").exists()


def test_an_output_that_is_an_input_is_refused(calib: Calib, desk: Path) -> None:
    before = listing(desk)
    os.link(desk / "page1.tif", desk / "same.csv")
    for output in ("chart.json", "page1.tif", "strip.csv", "./page1.tif", "same.csv"):
        run = calib(*MEASURE[:-1], output)
        assert run.code == 2 and "overwrite" in run.err
    assert calib("chart", "markers.csv", "-o", "./markers.csv").code == 2
    (desk / "same.csv").unlink()
    assert listing(desk) == before


# --- files: exit 3 ---------------------------------------------------------------------------

LONG = "x" * 300


@pytest.mark.parametrize("name", ["nowhere", LONG, "nowhere/deeper", "markers.csv/deeper"])
@pytest.mark.parametrize(
    "words",
    [
        ["chart", "{}", "-o", "c.pdf"],
        ["chart", "markers.csv", "-o", "c.pdf", "--strip-print", "{}"],
        ["carrier", "{}", "-o", "c.pdf"],
        ["measure", "{}", "page1.tif", "--strip", "none", "--paper", "p", "-o", "c.csv"],
        ["measure", "chart.json", "{}", "--strip", "none", "--paper", "p", "-o", "c.csv"],
        ["measure", "chart.json", "page1.tif", "--strip", "{}", "--paper", "p", "-o", "c.csv"],
    ],
    ids=["list", "printed strip", "card", "plan", "scan", "strip"],
)
def test_a_path_that_does_not_exist_is_exit_3(calib: Calib, desk: Path, words: list[str], name: str) -> None:
    before = listing(desk)
    run = calib(*(word.format(name) for word in words))
    assert run.code == 3, run.err
    assert run.err.startswith("calib: ") and run.err.count("\n") == 1 and name in run.err
    assert "mistake in the program" not in run.err
    assert listing(desk) == before


@pytest.mark.parametrize(
    "output", ["nofolder/c.pdf", "taken", f"{LONG}.pdf", "markers.csv/c.pdf", "/dev/null"]
)
def test_an_output_that_cannot_be_written_is_exit_3(calib: Calib, folder: Path, output: str) -> None:
    (folder / "taken").mkdir()
    before = listing(folder)
    run = calib("chart", "markers.csv", "-o", output)
    assert run.code == 3, run.err
    assert run.err.startswith("calib: ") and "mistake in the program" not in run.err
    assert listing(folder) == before


def test_a_table_that_cannot_be_written_is_exit_3(calib: Calib, desk: Path) -> None:
    run = calib(*swapped(MEASURE, colours_csv="nofolder/colours.csv"))
    assert run.code == 3 and "nofolder" in run.err
    assert not (desk / "nofolder").exists()


def test_a_disk_that_may_only_be_read(calib: Calib, desk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The system's answer on a read-only disk, given to every new file; what stood there before still stands."""
    (desk / "colours.csv").write_text("mine\n")
    before = listing(desk)
    plain = os.open

    def refusing(path: str, flags: int, *rest: int, **more: object) -> int:
        if flags & os.O_CREAT and str(path).startswith((str(desk), ".", "colours")):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(path))
        return plain(path, flags, *rest, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "open", refusing)
    run = calib(*MEASURE)
    monkeypatch.setattr(os, "open", plain)
    assert run.code == 3 and "Read-only file system" in run.err
    assert listing(desk) == before


@pytest.mark.parametrize("kind", ["text", "another JSON", "broken JSON", "an image"])
def test_a_plan_that_is_none_is_exit_3(calib: Calib, desk: Path, kind: str) -> None:
    data = {
        "text": b"marker\n017\n",
        "another JSON": b"{}",
        "broken JSON": b'{"format":',
        "an image": (desk / "page1.tif").read_bytes(),
    }
    (desk / "chart.json").write_bytes(data[kind])
    run = calib(*MEASURE)
    assert run.code == 3 and "chart.json" in run.err and not (desk / "colours.csv").exists()


def test_all_mistakes_of_a_list_at_once(calib: Calib, folder: Path) -> None:
    (folder / "markers.csv").write_text("marker,kind,hint\n1,ink,#12345\n1,glue,\npaper,,\n,,\n5,,#ffffff\n")
    run = calib("chart", "markers.csv", "-o", "c.pdf")
    assert run.code == 3
    for line in (2, 3, 4):
        assert f"markers.csv:{line}:" in run.err
    assert run.err.count("calib: ") == 1


# --- measure ---------------------------------------------------------------------------------


def test_measure_writes_a_table_that_pandas_reads(calib: Calib, desk: Path, studio: Studio) -> None:
    run = calib(*MEASURE, "--session", "2026-05-31", "--dried", "24")
    assert run.code == 0
    frame = pandas.read_csv(desk / "colours.csv", dtype={"marker": str})
    assert {"paper", "black"} <= set(frame["kind"]) and set(frame["session"]) == {"2026-05-31"}
    assert len(frame) == 2 + 2 * 7
    notes = json.loads((desk / "colours.csv-metadata.json").read_text(encoding="utf-8"))
    assert "page1.tif" in json.dumps(notes) and str(desk) not in json.dumps(notes)
    # The summary goes to stdout; what page is missing is a warning on stderr, and one page needs no progress.
    assert "Written: colours.csv" in run.out and "7 markers measured" in run.out
    assert "page 2" in run.err and "reading" not in run.err


def test_progress_is_told_for_more_than_one_page(calib: Calib, desk: Path) -> None:
    run = calib(*MEASURE[:3], "page2.tif", *MEASURE[3:])
    assert run.code == 0
    assert "reading page1.tif (1 of 2)" in run.err and "reading page2.tif (2 of 2)" in run.err
    assert "reading" not in run.out


def test_quiet_prints_nothing_but_errors(calib: Calib, desk: Path) -> None:
    assert calib(*MEASURE[:3], "page2.tif", *MEASURE[3:], "--quiet") == Run(0, "", "")
    run = calib(*swapped(MEASURE, page1_tif="nowhere.tif"), "--quiet")
    assert run.code == 3 and run.out == "" and "nowhere.tif" in run.err


def test_proof_pictures_and_where_they_are(calib: Calib, desk: Path) -> None:
    run = calib(*MEASURE, "--proof", "proofs/first")
    assert run.code == 0
    table, _ = read_table(desk / "colours.csv")
    assert table.origin.proof == "proofs/first"
    # A swatch that is flagged has its own picture, which the description names.
    shown = table.origin.details["swatch_pictures"]
    saved = sorted(path.name for path in (desk / "proofs" / "first").iterdir())
    assert saved == ["page-01.png", *sorted(one["file"] for one in shown)]
    flagged = {(r.marker, r.layers) for r in table.readings if set(r.flags) - NO_PICTURE}
    assert flagged and {(one["marker"], one["layers"]) for one in shown} == flagged
    with Image.open(desk / "proofs" / "first" / shown[0]["file"]) as image:
        assert image.format == "PNG" and image.info == {} and max(image.size) < 200
    blocked = calib(*MEASURE, "--proof", "markers.csv")
    assert blocked.code == 3 and "markers.csv" in blocked.err


def test_strip_none(calib: Calib, desk: Path) -> None:
    run = calib(*swapped(MEASURE, strip_csv="none"))
    assert run.code == 0
    frame = pandas.read_csv(desk / "colours.csv")
    assert frame["u_abs"].isna().all() and frame["flags"].str.contains("no-strip").all()


def test_a_page_of_another_chart_is_exit_4(calib: Calib, desk: Path) -> None:
    assert calib("chart", "markers.csv", "-o", "other.pdf").code == 0
    run = calib(*swapped(MEASURE, chart_json="other.json"))
    assert run.code == 4 and "another chart" in run.err and not (desk / "colours.csv").exists()


def test_a_strip_that_does_not_fit_is_exit_5_unless_forced(calib: Calib, desk: Path) -> None:
    jitter = np.random.default_rng(4).uniform(-0.08, 0.08, 10)
    write_strip(
        desk / "strip.csv",
        tuple(sorted(round(d + float(e), 3) for d, e in zip(DENSITIES, jitter, strict=True))),
    )
    run = calib(*MEASURE)
    assert run.code == 5 and "grey strip" in run.err and not (desk / "colours.csv").exists()
    assert calib(*MEASURE, "--force").code == 0
    assert pandas.read_csv(desk / "colours.csv")["flags"].str.contains("forced").all()


def test_a_run_that_fails_leaves_what_was_there(calib: Calib, desk: Path) -> None:
    assert calib(*MEASURE).code == 0
    (desk / "text.png").write_text("no picture")
    before = listing(desk)
    run = calib(*MEASURE[:3], "text.png", *MEASURE[3:])
    assert run.code == 3 and "text.png" in run.err
    assert listing(desk) == before


def test_one_message_on_stderr(calib: Calib, desk: Path) -> None:
    """Two scans that cannot be used are one message with two lines."""
    for name in ("one.png", "two.png"):
        (desk / name).write_text(f"no picture {name}")
    run = calib("measure", "chart.json", "one.png", "two.png", *MEASURE[3:])
    lines = [line for line in run.err.splitlines() if "reading" not in line]
    assert run.code == 3 and len(lines) == 2
    assert lines[0].startswith("calib: ") and not lines[1].startswith("calib: ")


def test_an_interrupt_is_exit_130_and_leaves_nothing(desk: Path) -> None:
    (desk / "colours.csv").write_text("mine\n")
    before = listing(desk)
    words = [*MEASURE[:3], "page2.tif", *MEASURE[3:]]
    process = subprocess.Popen(
        [sys.executable, "-m", "calib", *words], cwd=desk, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(Path(package.__file__).parents[1])},
    )  # fmt: skip
    assert process.stderr is not None
    # A watchdog, so that a hang fails this test and not the whole run.
    watchdog = threading.Timer(60, process.kill)
    watchdog.start()
    try:
        assert "reading page1.tif" in process.stderr.readline()
        time.sleep(0.3)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate()
    finally:
        watchdog.cancel()
    assert process.returncode == 130, err
    assert out == "" and "interrupted" in err and "Traceback" not in err
    assert listing(desk) == before


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
def test_an_interrupt_that_a_library_swallows_still_stops_the_run(desk: Path, name: str) -> None:
    """A library that is being imported may catch anything; here the reading of the strip does."""
    code = f"""
import os, signal, sys
import calib.colour.reference as reference
read = reference.read_strip
def swallowing(path):
    try:
        os.kill(os.getpid(), signal.{name})
    except BaseException:
        pass
    return read(path)
reference.read_strip = swallowing
from calib.cli.main import main
main()
"""
    before = listing(desk)
    done = subprocess.run(
        [sys.executable, "-c", code, *MEASURE],
        cwd=desk,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(package.__file__).parents[1])},
    )
    assert done.returncode == 130, done.stderr
    assert done.stdout == "" and "interrupted" in done.stderr
    assert listing(desk) == before


def test_a_reader_that_has_had_enough(folder: Path) -> None:
    """calib flags | head -1: no complaint about the broken pipe."""
    command = f"{shlex.quote(sys.executable)} -m calib flags | head -c 1"
    env = {**os.environ, "PYTHONPATH": str(Path(package.__file__).parents[1]), "PYTHONUNBUFFERED": "1"}
    done = subprocess.run(command, shell=True, capture_output=True, text=True, env=env)
    assert (done.stdout, done.stderr) == ("b", "")


@pytest.mark.parametrize(
    "closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-", "2>/dev/full", "2>&1 >/dev/null | head -c 1"]
)
def test_the_work_is_done_whoever_listens(desk: Path, closed: str) -> None:
    """Streams that are closed, full, or whose reader has gone: the table is the one of an undisturbed run."""
    if "full" in closed and not Path("/dev/full").exists():
        pytest.skip("only Linux has a device that is always full")
    words = shlex.join([sys.executable, "-m", "calib", *MEASURE])
    env = {**os.environ, "PYTHONPATH": str(Path(package.__file__).parents[1])}
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", f"{words} {closed}"], cwd=desk, env=env, capture_output=True
    )
    assert done.returncode == 0, done.stderr
    assert b"mistake" not in done.stderr and (desk / "colours.csv").read_text().startswith("marker,")


def test_a_mistake_in_the_program_is_a_sentence(
    calib: Calib, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("CALIB_TRACE", raising=False)

    def broken(*_: object) -> None:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr("calib.chart.layout.lay_out", broken)
    run = calib("chart", "markers.csv", "-o", "c.pdf")
    assert run.code == 1 and "ZeroDivisionError" in run.err and "CALIB_TRACE" in run.err


def test_choices_that_are_listed_stand_on_lines_of_their_own(
    calib: Callable[..., Run], tmp_path: Path
) -> None:
    """Click begins each with a tab, which is a character that steers a terminal."""
    run = calib("export", tmp_path / "colours.csv", "-o", tmp_path / "x.gpl")
    assert run.code == 2 and "\n  cgats,\n  json," in run.err and "\\u" not in run.err
