"""``calib export`` as it is typed, and a spreadsheet's view of the tables.

Outside readers: json, and LibreOffice where it is installed. All tables are invented.
"""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import Run

from calib.cli.exporting import FORMATS
from calib.table.exchange.cgats import cgats_text
from calib.table.exchange.datapackage import DATA, DESCRIPTOR
from calib.table.origin import Origin
from calib.table.table import Reading, Table, write_table

PEN = Reading("1", 1, "smooth", "2026-03-01", L=50.0, a=1.0, b=2.0)
BLANK = Reading("2", 1, "smooth", "2026-03-01", flags=("blank",))
Calib = Callable[..., Run]


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "colours.csv"
    write_table(path, Table((PEN, BLANK), Origin(program="calib 0.1.0")))
    return path


@pytest.mark.parametrize("form", FORMATS)
def test_every_form_is_written_and_said(calib: Calib, table: Path, tmp_path: Path, form: str) -> None:
    out = tmp_path / f"out.{form}"
    done = calib("export", table, "--as", form, "-o", out)
    assert done.code == 0
    assert done.out.startswith(f"Written: {out}")
    assert out.is_dir() == (form == "datapackage")
    assert ("1 row)" in done.out) == (form in ("cgats", "gpl"))
    assert ("left out" in done.err) == (form in ("cgats", "gpl"))
    again = calib("export", table, "--as", form, "-o", out, "--quiet")
    assert (again.code, again.out, again.err) == (0, "", "")


def test_json_goes_to_its_file(calib: Calib, table: Path, tmp_path: Path) -> None:
    calib("export", table, "--as", "json", "-o", tmp_path / "x.json")
    assert len(json.loads((tmp_path / "x.json").read_text(encoding="utf-8"))["rows"]) == 2


def test_an_input_is_never_overwritten(calib: Calib, table: Path, tmp_path: Path) -> None:
    before = table.read_bytes()
    for output in (table, tmp_path / "colours.csv-metadata.json"):
        assert calib("export", table, "--as", "json", "-o", output).code == 2
    package = tmp_path / "package"
    assert calib("export", table, "--as", "datapackage", "-o", package).code == 0
    assert sorted(path.name for path in package.iterdir()) == sorted((DESCRIPTOR, DATA))
    # A package exported onto itself.
    assert calib("export", package / DATA, "--as", "datapackage", "-o", package).code == 2
    assert table.read_bytes() == before


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--as", "datapackage", "-o", "."), 2, "would overwrite an input"),
        (("--as", "datapackage", "-o", ".."), 3, "holds other things"),
        (("--as", "datapackage", "-o", "colours.csv"), 3, "cannot be a folder"),
        (("--as", "json", "-o", "no/where.json"), 3, "no such folder"),
        (("--as", "xlsx", "-o", "x"), 2, "xlsx"),
        (("-o", "x"), 2, "--as"),
    ],
)
def test_refusals(
    calib: Calib,
    table: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...],
    code: int,
    said: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    done = calib("export", "colours.csv", *words)
    assert done.code == code
    assert said in done.err
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_table_that_is_none(calib: Calib, tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_text("marker\n1\n", encoding="utf-8")
    for path in (tmp_path / "x.csv", tmp_path / "missing.csv"):
        done = calib("export", path, "--as", "datapackage", "-o", tmp_path / "out")
        assert done.code == 3
        assert not (tmp_path / "out").exists()


def test_a_table_without_a_pen(calib: Calib, tmp_path: Path) -> None:
    write_table(tmp_path / "x.csv", Table((BLANK,)))
    done = calib("export", tmp_path / "x.csv", "--as", "gpl", "-o", tmp_path / "x.gpl")
    assert done.code == 2
    assert "--as json" in done.err


# -- a spreadsheet -------------------------------------------------------------------------------

FORMULAS = ("=1+1", "+2+3", "-2+3", "@SUM(1;2)", '=HYPERLINK("x";"y")', "＝1+1", "\u200b=1+1", "a;=1+1")


def in_libreoffice(path: Path, tmp_path: Path, *options: str) -> list[list[str]]:
    """Return what LibreOffice shows of a text table: its cells after every formula in it was computed."""
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("LibreOffice is not installed (Debian: libreoffice-calc-nogui)")
    out = tmp_path / "shown"
    # Comma, quotation mark, UTF-8, from line 1; cells as they are shown.
    into = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,false,false,false,-1"
    command = [program, f"-env:UserInstallation=file://{tmp_path}/profile", "--headless", *options]
    subprocess.run(
        [*command, "--convert-to", into, "--outdir", out, path], check=True, capture_output=True, timeout=120
    )
    (shown,) = out.iterdir()
    return list(csv.reader(shown.read_text(encoding="utf-8").splitlines()))


@pytest.mark.parametrize("form", ["csv", "cgats"])
def test_libreoffice_runs_no_name_as_a_formula(tmp_path: Path, form: str) -> None:
    rows = tuple(
        Reading(f"{i}", 1, "p", "2026-03-01", name=name, L=50.0, a=1.0, b=2.0)
        for i, name in enumerate(FORMULAS)
    )
    path = tmp_path / "table.csv"
    if form == "csv":
        write_table(path, Table(rows))
    else:
        path.write_bytes(cgats_text(Table(rows), "2026-03-01").data)
    separator = {"csv": 44, "cgats": 32}[form]
    # The last word but one: -1 for all sheets; the last asks it to run what looks like a formula.
    filters = (
        f"--infilter=Text - txt - csv (StarCalc):{separator},34,76,1,,0,false,false,false,false,false,-1,true"
    )
    lines = [
        line for line in in_libreoffice(path, tmp_path, filters) if "2026-03-01" in line and "ink" in line
    ]
    guarded = [name.replace("=1+1", "'=1+1") if name.startswith("a") else f"'{name}" for name in FORMULAS]
    if form == "cgats":
        guarded = [name.replace('"', "'").replace("\u200b", "") for name in guarded]
    assert [line[1] for line in lines] == guarded
    assert all("50" in line for line in lines)


def test_libreoffice_would_run_them(tmp_path: Path) -> None:
    """The check above can fail: unguarded, the same program computes the formula."""
    path = tmp_path / "table.csv"
    path.write_text('name\n"=1+1"\n', encoding="utf-8")
    filters = "--infilter=Text - txt - csv (StarCalc):44,34,76,1,,0,false,false,false,false,false,-1,true"
    assert in_libreoffice(path, tmp_path, filters) == [["name"], ["2"]]
