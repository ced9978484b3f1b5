"""The four answering commands as they are typed: files, columns, verdicts, exit codes, and tables odder than any honest one.

Outside readers: csv and json of the standard library, pandas, and csvw (after the W3C's test suite). The verdicts are worked out again from the
figures in the files. All tables are invented but the printed ones, which are published (tests/data/README.md).
"""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import csvw
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_tables import Making, invented_table
from outside import common_prints

import calib as package
from calib.chart.markers import Marker
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper
from calib.table.csvw import metadata_path
from calib.table.table import Reading, Table, read_table, write_table

Calib = Callable[..., Any]

GROUPS = (
    "group,marker,name,layers,representative,dE00_to_representative,dE00_low,dE00_high,widest_dE00,verdict"
)
DRIFT = "marker,name,layers,paper,before,after,dE00,dE00_low,dE00_high,dL,dC,dH,strength,strength_low,strength_high,q,verdict"
PAPERS = "paper,markers,white_L,white_a,white_b,whiteness,gamut_volume,strength,mottle,coverage,bleed_mm,dE00_median,dE00_p95"
SWATCHES = "marker,name,layers,paper,dE00,dE00_low,dE00_high,dL,dC,dH,strength,mottle,bleed_mm"
COLOURS = (
    "marker,name,set,kind,layers,paper,session,L,a,b,C,h,u_L,u_a,u_b,u_dose,u_abs,R,G,B,X,Y,Z,hex,in_srgb,dE00_paper,coverage,"
    "mottle,bleed_mm,swatches,pixels,flags"
)
MARKERS = [Marker("001", kind="blender"), *(Marker(f"{i:03d}") for i in range(2, 11))]
INKS = tuple(invent_inks(MARKERS, 4))
ROUGH = SimPaper(name="rough", gain=0.85)
PENS = ("ink", "blender")


def made(seed: int, **how: Any) -> Table:
    return invented_table(INKS, Making(**how), seed)[0]


SPRING = made(1)
AUTUMN = made(2, date="2026-09-01", strength={"003": 0.6}, dry={"005": 0.4})
OTHER = made(3, date="2026-09-01", paper=ROUGH)


def each(table: Table, change: Callable[[Reading], Reading | None]) -> Table:
    return replace(table, readings=tuple(row for row in map(change, table.readings) if row is not None))


def pens(table: Table, **values: Any) -> Table:
    return each(table, lambda row: replace(row, **values) if row.kind in PENS else row)


def only(table: Table, wanted: Callable[[Reading], bool]) -> Table:
    return each(table, lambda row: row if wanted(row) else None)


def coloured(row: Reading, L: float, a: float, b: float) -> Reading:
    """Return a row of this colour and no light."""
    lost = dict.fromkeys(("C", "h", "R", "G", "B", "X", "Y", "Z", "hex", "in_srgb", "dE00_paper"))
    return replace(row, **{**lost, "L": L, "a": a, "b": b})


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.delenv("CALIB_TRACE", raising=False)
    monkeypatch.chdir(tmp_path)
    return put(tmp_path, spring=SPRING, autumn=AUTUMN, rough=OTHER)


def put(folder: Path, **tables: Table) -> Path:
    for name, table in tables.items():
        write_table(folder / f"{name}.csv", table)
    return folder


WORDS = {
    "duplicates": ("duplicates", "spring.csv", "autumn.csv", "--within", "6"),
    "drift": ("drift", "spring.csv", "autumn.csv"),
    "papers": ("papers", "spring.csv", "rough.csv"),
    "predict": ("predict", "spring.csv", "rough.csv"),
    "coats": ("predict", "spring.csv", "--layers", "2"),
}


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def plain_json(text: str) -> Any:
    """Return JSON by the letter of its standard, which knows no NaN."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    return json.loads(text, parse_constant=refuse)


def described(path: Path) -> bool:
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        return bool(csvw.CSVW(str(metadata_path(path)), validate=True).is_valid)


# -- files ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "header"),
    [("duplicates", GROUPS), ("drift", DRIFT), ("papers", PAPERS), ("predict", COLOURS), ("coats", COLOURS)],
)
def test_a_file_has_its_columns_and_readers_take_it(calib: Calib, desk: Path, name: str, header: str) -> None:
    more = ("--swatches", "s.csv") if name == "papers" else ()
    assert calib(*WORDS[name], "-o", "o.csv", *more).code == 0
    wanted = {"o.csv": header, **({"s.csv": SWATCHES} if more else {})}
    for file, columns in wanted.items():
        path = desk / file
        assert path.read_text(encoding="utf-8").splitlines()[0] == columns
        assert described(path)
        frame = pd.read_csv(path, dtype=str, keep_default_na=False)
        assert len(frame) == len(rows_of(path)) > 0
        if "marker" in frame:
            assert {"002", "003"} & set(frame["marker"])
    found = calib(*WORDS[name], "-o", "o.csv", *more, "--json")
    answer = plain_json(found.out)
    assert len(answer["rows"]) == len(rows_of(desk / "o.csv"))
    assert list(answer["rows"][0]) == header.split(",")


def test_pens_are_called_by_the_figures_beside_the_word(calib: Calib, desk: Path) -> None:
    """The figures are rounded to four decimals and the verdicts are not, which matters to none of these."""
    table = SPRING
    for number, (share, away) in enumerate([(0.0, 0.0), (0.02, 0.2), (0.1, 1.2), (0.03, 2.0)]):
        table = replace(
            table,
            readings=(
                *table.readings,
                *(
                    replace(
                        coloured(row, (row.L or 0) + away, row.a or 0, row.b or 0),
                        marker=f"{row.marker}-{number}", u_dose=share, u_L=share, u_a=share, u_b=share,
                    )
                    for row in SPRING.readings
                    if row.kind == "ink"
                ),
            ),
        )  # fmt: skip
    put(desk, many=table)
    for within in (1.0, 1.8):
        assert calib("duplicates", "many.csv", "--within", within, "-o", "o.csv", "--check").code == 10
        said = set()
        for row in rows_of(desk / "o.csv"):
            if row["marker"] == row["representative"]:
                assert (row["dE00_to_representative"], row["dE00_low"]) == ("0.0000", "")
                continue
            seen, low, high = (float(row[n]) for n in ("dE00_to_representative", "dE00_low", "dE00_high"))
            assert low <= seen <= high and seen <= within and seen <= float(row["widest_dE00"]) <= within
            word = "same" if high < 0.8 else "near" if low > 0.8 else "unsure"
            assert row["verdict"] == word
            said.add(word)
        assert len(said) > 1


@pytest.mark.parametrize("least", [0.3, 1.0, 4.0])
def test_changes_are_called_by_the_figures_beside_the_word(calib: Calib, desk: Path, least: float) -> None:
    lost = each(
        AUTUMN,
        lambda row: (
            replace(row, **dict.fromkeys(("L", "a", "b", "R", "G", "B")), flags=("blank",)) if row.marker == "007" else row
        ),
    )  # fmt: skip
    put(desk, autumn=lost)
    code = calib("drift", "spring.csv", "autumn.csv", "--at-least", least, "-o", "o.csv", "--check").code
    said = set()
    for row in rows_of(desk / "o.csv"):
        said.add(row["verdict"])
        if not row["dE00"]:
            assert row["verdict"] == "unreadable" and row["marker"] == "007"
            continue
        seen, low, high, q = (float(row[n]) for n in ("dE00", "dE00_low", "dE00_high", "q"))
        assert low <= seen <= high
        if row["verdict"] in ("weaker", "stronger", "off-hue"):
            assert q < 0.05 and seen >= least
        if row["verdict"] in ("weaker", "stronger"):
            assert (row["verdict"] == "weaker") == (float(row["strength"]) < 1)
        if row["verdict"] == "patchy":
            assert q < 0.05
        if row["verdict"] in ("steady", "unsure"):
            # What is called nothing cannot have met the test for a change.
            assert q >= 0.05 or seen < least
            assert (row["verdict"] == "steady") == (high < least)
    assert "unreadable" in said
    assert code == (10 if said & {"weaker", "stronger", "off-hue", "patchy"} else 0)
    if least == 1.0:
        assert {"weaker", "patchy"} <= said


def test_ids_stay_text_and_no_spreadsheet_runs_them(calib: Calib, desk: Path) -> None:
    ids = ["007", "a b", 'q"x', "a,b", "=cmd()", "🎨", "שלום", "水墨", "x" * 200, "-5"]
    named = dict(zip((marker.marker for marker in MARKERS), ids, strict=True))

    def renamed(row: Reading) -> Reading:
        called = named.get(row.marker, row.marker)
        return replace(row, marker=called, name=called) if row.kind in PENS else row

    put(desk, spring=each(SPRING, renamed), autumn=each(AUTUMN, renamed), rough=each(OTHER, renamed))
    for name, words in WORDS.items():
        assert calib(*words, "-o", "o.csv").code == 0
        assert described(desk / "o.csv")
        if name == "papers":
            continue
        frame = pd.read_csv(desk / "o.csv", dtype=str, keep_default_na=False)
        assert not frame["marker"].str.startswith("=").any()
        assert set(frame["marker"].str.removeprefix("'")) <= {*ids, "paper", "black"}
        assert {row["marker"] for row in plain_json(calib(*words, "-o", "o.csv", "--json").out)["rows"]} <= {
            *ids,
            "paper",
            "black",
        }
    assert {row.marker for row in read_table(desk / "o.csv")[0].readings} == {*ids, "paper", "black"}


def test_the_order_of_rows_says_nothing(calib: Calib, desk: Path) -> None:
    before = {}
    for name, words in WORDS.items():
        more = ("--swatches", "s.csv") if name == "papers" else ()
        calib(*words, "-o", "o.csv", *more)
        before[name] = [
            (desk / f).read_text(encoding="utf-8") for f in ("o.csv", "s.csv")[: 1 + len(more) // 2]
        ]
    rng = np.random.default_rng(7)
    for name, table in (("spring", SPRING), ("autumn", AUTUMN), ("rough", OTHER)):
        mixed = [table.readings[i] for i in rng.permutation(len(table.readings))]
        put(desk, **{name: replace(table, readings=tuple(mixed))})
    for name, words in WORDS.items():
        more = ("--swatches", "s.csv") if name == "papers" else ()
        calib(*words, "-o", "o.csv", *more)
        after = [(desk / f).read_text(encoding="utf-8") for f in ("o.csv", "s.csv")[: 1 + len(more) // 2]]
        if name == "duplicates":
            assert after == before[name]
        # The others answer in the order of the first table.
        assert [sorted(text.splitlines()) for text in after] == [
            sorted(text.splitlines()) for text in before[name]
        ]


def test_a_table_that_a_spreadsheet_saved_again(calib: Calib, desk: Path) -> None:
    first = {}
    for name, words in WORDS.items():
        calib(*words, "-o", "o.csv")
        first[name] = (desk / "o.csv").read_bytes()
    for path in (desk / "spring.csv", desk / "autumn.csv", desk / "rough.csv"):
        with path.open(encoding="utf-8", newline="") as stream:
            cells = [[c.replace(".", ",") if c.replace(".", "", 1).lstrip("-").isdigit() else c for c in row] for row in csv.reader(stream)]  # fmt: skip
        with path.open("w", encoding="utf-8-sig", newline="") as stream:
            csv.writer(stream, delimiter=";", lineterminator="\r\n").writerows([*cells, [""] * len(cells[0])])
    for name, words in WORDS.items():
        assert calib(*words, "-o", "o.csv").code == 0
        assert (desk / "o.csv").read_bytes() == first[name]


# -- exit codes and channels ----------------------------------------------------------------------


@pytest.mark.parametrize("name", WORDS)
def test_quiet_says_nothing_and_warnings_go_to_stderr(calib: Calib, desk: Path, name: str) -> None:
    for table in ("spring", "autumn", "rough"):
        metadata_path(desk / f"{table}.csv").unlink()
    said = calib(*WORDS[name], "-o", "o.csv")
    assert said.out and all(line.startswith("calib: ") for line in said.err.splitlines() if line)
    assert "is not beside it" in said.err and "is not beside it" not in said.out
    assert "nan" not in said.out.split() and all(len(line) <= 80 for line in said.out.splitlines())
    for words in ((), ("--json",)):
        silent = calib(*WORDS[name], "-o", "o.csv", "--quiet", *words)
        assert (silent.code, silent.out, silent.err) == (0, "", "")


@pytest.mark.parametrize("name", WORDS)
def test_failures_have_their_codes_and_leave_what_was_there(calib: Calib, desk: Path, name: str) -> None:
    words = WORDS[name]
    (desk / "o.csv").write_text("mine\n")
    (desk / "folder").mkdir()
    listing = sorted(os.listdir(desk))
    first = words[1]
    for wrong, code in (
        ((*words, "-o", "o.csv", "--no-such-option"), 2),
        ((words[0], "-o", "o.csv"), 2),
        ((*words, "-o", first), 2),
        ((*words, "-o", f"{first}-metadata.json"), 2),
        ((*words, "-o", "no folder/o.csv"), 3),
        ((*words, "-o", "."), 2),
        ((*words, "-o", "folder"), 3),
        ((words[0], "none.csv", *words[2:], "-o", "o.csv"), 3),
        ((*words, first, "-o", "o.csv"), 2 if name == "predict" else 3),
    ):
        ended = calib(*wrong)
        assert (ended.code, ended.out) == (code, ""), wrong
        assert ended.err and "mistake in the program" not in ended.err
    broken = (desk / first).read_text(encoding="utf-8").replace(",ink,1,", ",ink,7,", 1)
    (desk / first).write_text(broken, encoding="utf-8")
    ended = calib(*words, "-o", "o.csv")
    assert ended.code == 3 and f"{first}:" in ended.err and "layers" in ended.err
    assert (desk / "o.csv").read_text() == "mine\n"
    assert sorted(os.listdir(desk)) == listing


def test_the_two_files_of_papers_never_meet(calib: Calib, desk: Path) -> None:
    before = {path.name: path.read_bytes() for path in desk.iterdir()}
    for output, swatches in (
        ("o.csv", "o.csv"),
        ("o.csv", "o.csv-metadata.json"),
        ("s.csv-metadata.json", "s.csv"),
        ("o.csv", "spring.csv"),
        ("o.csv", "rough.csv-metadata.json"),
    ):
        ended = calib("papers", "spring.csv", "rough.csv", "-o", output, "--swatches", swatches)
        assert (ended.code, ended.out) == (2, "")
    assert calib("papers", "spring.csv", "rough.csv", "--swatches", "no folder/s.csv").code == 3
    assert {path.name: path.read_bytes() for path in desk.iterdir()} == before


def test_check_tells_findings_only(calib: Calib, desk: Path) -> None:
    assert calib("drift", "spring.csv", "autumn.csv", "--check").code == 10
    assert calib("drift", "spring.csv", "autumn.csv").code == 0
    assert calib("drift", "spring.csv", "autumn.csv", "--at-least", 90, "--check").code == 0
    assert calib("duplicates", "spring.csv", "--within", 0.001, "--check").code == 0
    assert calib("duplicates", "spring.csv", "--within", 60, "--check").code == 10


def test_pick_chooses_of_a_measured_table(calib: Calib, desk: Path) -> None:
    lines = ["marker,name"] + [f"{marker.marker},Invented" for marker in MARKERS[1:]]
    (desk / "markers.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    listing = sorted(os.listdir(desk))
    for words, code in (
        (("--pick", 4), 2),
        (("--from", "spring.csv"), 2),
        (("--pick", 0, "--from", "spring.csv"), 2),
        (("--pick", 4, "--from", "none.csv"), 3),
    ):
        assert calib("chart", "markers.csv", "-o", "few.pdf", *words).code == code
    assert calib("chart", "markers.csv", "-o", "spring.csv", "--pick", 4, "--from", "spring.csv").code == 2
    assert sorted(os.listdir(desk)) == listing
    ended = calib("chart", "markers.csv", "-o", "few.pdf", "--pick", 4, "--from", "spring.csv")
    assert ended.code == 0 and "Picked the 4 of 9" in ended.out
    plan = json.loads((desk / "few.json").read_text(encoding="utf-8"))
    assert len({cell["marker"] for page in plan["pages"] for cell in page["cells"]}) == 4


def environment() -> dict[str, str]:
    clean = {name: value for name, value in os.environ.items() if name != "CALIB_TRACE"}
    return {**clean, "PYTHONPATH": str(Path(package.__file__).parents[1])}


def test_an_interrupt_is_exit_130_and_writes_nothing(desk: Path) -> None:
    """The answer is made, and the interrupt falls before it is written."""
    code = """
import os, signal
import calib.answers.doubles.groups as groups
find = groups.find_duplicates
def interrupted(*words):
    os.kill(os.getpid(), signal.SIGINT)
    return find(*words)
groups.find_duplicates = interrupted
from calib.cli.main import main
main()
"""
    before = sorted(os.listdir(desk))
    done = subprocess.run(
        [sys.executable, "-c", code, "duplicates", "spring.csv", "-o", "o.csv"],
        cwd=desk, capture_output=True, text=True, env=environment(), timeout=60,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (130, "")
    assert "interrupted" in done.stderr and "Traceback" not in done.stderr
    assert sorted(os.listdir(desk)) == before


def test_an_interrupt_from_outside(desk: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "calib", "predict", "spring.csv", "rough.csv", "-o", "o.csv"],
        cwd=desk, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment(),
    )  # fmt: skip
    time.sleep(0.6)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    # Where it fell is chance: it was done already, it stopped, or Python itself was not yet up.
    assert process.returncode in (0, 130, -signal.SIGINT)
    if process.returncode == 130:
        assert out == "" and "interrupted" in err and "Traceback" not in err
    assert (desk / "o.csv").exists() == (process.returncode == 0)


def test_a_console_that_lacks_letters_gets_their_codes(desk: Path) -> None:
    """What a pipe takes on some systems; a whole answer with a code in it is better than half of one."""
    put(desk, few=pens(only(OTHER, lambda row: row.layers < 2), name="水墨 🎨"))
    runs = [
        subprocess.run(
            [sys.executable, "-m", "calib", "papers", "spring.csv", "few.csv", *words],
            cwd=desk, capture_output=True, env={**environment(), "PYTHONIOENCODING": "cp1252"}, timeout=60,
        )
        for words in ((), ("--json",))
    ]  # fmt: skip
    assert [run.returncode for run in runs] == [0, 0]
    assert b"mistake" not in runs[0].stderr + runs[1].stderr
    assert "水墨 🎨" in str(plain_json(runs[1].stdout.decode("cp1252"))["warnings"])


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="file names are text there")
def test_a_file_name_that_is_no_text(desk: Path) -> None:
    name = os.path.join(os.fsencode(desk), b"o\xff.csv")
    with open(name, "wb") as stream:
        stream.write((desk / "rough.csv").read_bytes())
    output = os.path.join(os.fsencode(desk), b"p\xff.csv")
    for words in (
        ("papers", "spring.csv", name, "-o", output),
        ("predict", "spring.csv", name, "-o", output),
    ):
        done = subprocess.run(
            [sys.executable, "-m", "calib", *words],
            cwd=desk,
            capture_output=True,
            env=environment(),
            timeout=60,
        )
        assert done.returncode == 0, done.stderr
        with open(output + b"-metadata.json", encoding="utf-8") as stream:
            assert json.load(stream)["url"] == "p%FF.csv"


# -- odd tables -----------------------------------------------------------------------------------

ODD: dict[str, Callable[[Table], Table]] = {
    "one marker": lambda t: only(t, lambda r: r.kind not in PENS or r.marker == "004"),
    "two markers": lambda t: only(t, lambda r: r.kind not in PENS or r.marker in ("004", "006")),
    "no ink": lambda t: only(t, lambda r: r.kind not in PENS),
    "paper only": lambda t: only(t, lambda r: r.kind == "paper"),
    "no paper": lambda t: only(t, lambda r: r.kind == "ink"),
    "clipped": lambda t: pens(t, flags=("clipped",)),
    "blank": lambda t: pens(t, **dict.fromkeys(("L", "a", "b", "C", "h", "R", "G", "B")), flags=("blank",)),
    "one colour": lambda t: each(t, lambda r: coloured(r, 50.0, 10.0, 10.0)),
    "greys": lambda t: each(t, lambda r: coloured(r, r.L or 0.0, 0.0, 0.0)),
    "black": lambda t: each(t, lambda r: coloured(r, 0.0, 0.0, 0.0)),
    "over white": lambda t: each(t, lambda r: coloured(r, 110.0 + len(r.marker), 3.0, -30.0) if r.layers == 2 else r),
    "the bounds": lambda t: each(t, lambda r: coloured(r, 150.0, 250.0, -250.0)),
    "the other bounds": lambda t: each(t, lambda r: coloured(r, -10.0, -250.0, 250.0)),
    "no light": lambda t: each(t, lambda r: replace(r, R=0.0, G=0.0, B=0.0)),
    "light below none": lambda t: each(t, lambda r: replace(r, R=-1.0, G=-1.0, B=-1.0)),
    "some light": lambda t: each(
        t, lambda r: replace(r, R=None, G=None, B=None) if r.marker > "005" else replace(r, B=-0.01)
    ),
    "no doubts": lambda t: pens(t, u_L=None, u_a=None, u_b=None, u_dose=None),
    "some doubts": lambda t: each(t, lambda r: replace(r, u_L=None, u_a=None) if r.marker > "005" else r),
    "doubts of 0": lambda t: pens(t, u_L=0.0, u_a=0.0, u_b=0.0, u_dose=0.0),
    "doubts of 1000": lambda t: pens(t, u_L=1000.0, u_a=1000.0, u_b=1000.0, u_dose=1000.0, u_abs=1000.0),
    "colour only": lambda t: pens(
        t, **dict.fromkeys(("X", "Y", "Z", "coverage", "mottle", "bleed_mm", "C", "h", "hex", "u_abs"))
    ),
    "first coats": lambda t: only(t, lambda r: r.layers < 2),
    "second coats": lambda t: only(t, lambda r: r.layers != 1),
    "the first half": lambda t: only(t, lambda r: r.kind not in PENS or r.marker < "004"),
    "the second half": lambda t: only(t, lambda r: r.kind not in PENS or r.marker >= "004"),
    "overlays": lambda t: pens(t, kind="overlay"),
    "blenders": lambda t: pens(t, kind="blender"),
    "predicted": lambda t: pens(t, flags=("predicted",)),
    "long ago": lambda t: each(t, lambda r: replace(r, session="0001-01-01")),
}  # fmt: skip
ASKED = (
    ("duplicates", "one.csv", "two.csv"),
    ("drift", "one.csv", "two.csv"),
    ("papers", "one.csv", "three.csv"),
    ("predict", "one.csv", "three.csv"),
    ("predict", "one.csv", "--layers", "2"),
)


def answered(calib: Calib, folder: Path) -> None:
    """Ask all questions: the answer is whole, or there is none but a sentence."""
    for words in ASKED:
        output = folder / "o.csv"
        output.unlink(missing_ok=True)
        with warnings.catch_warnings():
            # A warning of a library would stand among ours on stderr.
            warnings.simplefilter("error")
            ended = calib(*words, "-o", "o.csv", "--json")
        assert ended.code in (0, 3), (words, ended.err)
        assert output.exists() == (ended.code == 0)
        if ended.code == 0:
            assert len(plain_json(ended.out)["rows"]) == len(rows_of(output))
        else:
            assert ended.out == "" and len(ended.err) > 30
        if words[0] == "predict" and ended.code == 0:
            read_table(output)


@pytest.mark.parametrize("name", ODD)
def test_odd_tables_are_answered_or_refused_in_a_sentence(calib: Calib, desk: Path, name: str) -> None:
    # Few pens are quicker and say the same.
    one, two, three = (
        only(table, lambda row: row.kind not in PENS or row.marker < "007")
        for table in (SPRING, AUTUMN, OTHER)
    )
    put(desk, one=ODD[name](one), two=two, three=three)
    answered(calib, desk)


def test_halves_coats_and_days_that_do_not_meet(calib: Calib, desk: Path) -> None:
    for one, two in (("first coats", "second coats"), ("the first half", "the second half")):
        put(desk, one=ODD[one](SPRING), two=ODD[two](AUTUMN), three=ODD[two](OTHER))
        answered(calib, desk)
        assert calib("predict", "one.csv", "three.csv", "-o", "o.csv").code == 3
    day = SPRING.readings[0].session
    put(desk, one=SPRING, two=each(AUTUMN, lambda row: replace(row, session=day)), three=OTHER)
    assert "same date" in calib("drift", "one.csv", "two.csv").err
    # A day that is none is no session.
    text = (desk / "two.csv").read_text(encoding="utf-8").replace(day, "")
    (desk / "two.csv").write_text(text, encoding="utf-8")
    ended = calib("drift", "one.csv", "two.csv")
    assert ended.code == 3 and "session" in ended.err


def test_two_papers_and_many_sessions_in_one_table(calib: Calib, desk: Path) -> None:
    """With every pen read several times the likelihood of the second coat's law once ran out of numbers."""
    tables = [SPRING, made(12, date="2026-06-01"), AUTUMN, OTHER, made(13, date="2026-10-01", paper=ROUGH)]
    put(desk, one=replace(SPRING, readings=tuple(row for table in tables for row in table.readings)))
    put(desk, two=AUTUMN, three=OTHER)
    answered(calib, desk)
    assert calib("drift", "one.csv", "-o", "o.csv").code == 0
    assert len({(row["paper"], row["after"]) for row in rows_of(desk / "o.csv")}) == 3
    assert calib("papers", "one.csv", "-o", "o.csv").code == 0
    assert [row["paper"] for row in rows_of(desk / "o.csv")] == [SPRING.readings[0].paper, "rough"]


def test_doubts_that_nobody_stated_make_no_two_pens_the_same(calib: Calib, desk: Path) -> None:
    """Equal colours, pale and dark, grey and strong, the lightest of which stands for the paper."""
    rng = np.random.default_rng(5)
    rows = []
    for number in range(60):
        L, C, h = rng.uniform(0, 100), rng.choice([0.0, 30.0, 120.0]), rng.uniform(0, 2 * np.pi)
        lab = {"L": float(L), "a": float(C * np.cos(h)), "b": float(C * np.sin(h))}
        rows += [Reading(f"{number}-{i}", 1, "smooth", "2026-03-01", **lab) for i in (1, 2)]
    put(desk, bare=Table(tuple(rows)))
    assert calib("duplicates", "bare.csv", "-o", "o.csv").code == 0
    assert len(rows_of(desk / "o.csv")) >= 120
    assert {row["verdict"] for row in rows_of(desk / "o.csv")} == {"unsure"}
    # The comparison can fail: with stated doubts they are the same.
    put(desk, bare=Table(tuple(replace(row, u_L=0.05, u_a=0.05, u_b=0.05, u_dose=0.0) for row in rows)))
    calib("duplicates", "bare.csv", "-o", "o.csv")
    assert "same" in {row["verdict"] for row in rows_of(desk / "o.csv")}


def test_printed_tables_of_colour_alone(calib: Calib, desk: Path) -> None:
    """FOGRA39L and 29L, whose rows hold L*a*b* and nothing else; figures of the difference: tests/data/README.md."""
    recipes, labs = common_prints("FOGRA39L", "FOGRA29L")
    for name, lab, some in (("full", labs[0], 1), ("few", labs[1], 15), ("whole", labs[1], 1)):
        rows = [
            Reading("-".join(f"{share:g}" for share in recipe), 1, name, "2026-03-01", L=L, a=a, b=b)
            for recipe, (L, a, b) in zip(recipes[::some].tolist(), lab[::some].tolist(), strict=True)
        ]
        put(desk, **{name: Table(tuple(rows))})
    assert calib("papers", "full.csv", "whole.csv", "-o", "o.csv").code == 0
    mean = rows_of(desk / "o.csv")[1]
    assert 2.5 < float(mean["dE00_median"]) < 5
    assert calib("predict", "full.csv", "few.csv", "-o", "o.csv").code == 0
    rows = read_table(desk / "o.csv")[0].readings
    assert {row.marker for row in rows} == {row.marker for row in read_table(desk / "full.csv")[0].readings}
    assert sum("predicted" in row.flags for row in rows) == len(recipes) - len(recipes[::15])
    assert calib("duplicates", "full.csv", "-o", "o.csv").code == 0
    assert "same" not in {row["verdict"] for row in rows_of(desk / "o.csv")}


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False).map(lambda value: round(value, 3))


@st.composite
def any_rows(draw: st.DrawFn, paper: str, date: str) -> tuple[Reading, ...]:
    """Return rows that the table's columns allow, however unlike anything printed."""
    rows = (
        [Reading("paper", 0, paper, date, kind="paper", L=95.0, a=0.0, b=1.0)] if draw(st.booleans()) else []
    )
    for marker in draw(st.sets(st.integers(1, 9), min_size=1, max_size=5)):
        for layers in draw(st.sampled_from([(1,), (2,), (1, 2)])):
            values = dict(zip(("L", "a", "b"), draw(st.tuples(numbers(-10, 150), numbers(-250, 250), numbers(-250, 250))), strict=True))  # fmt: skip
            if draw(st.booleans()):
                values |= dict(zip(("R", "G", "B"), draw(st.tuples(*[numbers(-1, 10)] * 3)), strict=True))
            if draw(st.booleans()):
                values |= dict(zip(("u_L", "u_a", "u_b", "u_dose"), draw(st.tuples(*[numbers(0, 5)] * 4)), strict=True))  # fmt: skip
            flags = draw(st.sampled_from([(), (), (), ("clipped",), ("predicted",), ("blank",)]))
            kind = draw(st.sampled_from(["ink", "ink", "ink", "blender", "overlay"]))
            rows.append(Reading(str(marker), layers, paper, date, kind=kind, flags=flags, **values))
    return tuple(rows)


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(any_rows("smooth", "2026-03-01"), any_rows("smooth", "2026-09-01"), any_rows("rough", "2026-09-01"))
def test_any_tables_are_answered_or_refused(
    calib: Calib, desk: Path, one: tuple[Reading, ...], two: tuple[Reading, ...], three: tuple[Reading, ...]
) -> None:
    put(desk, one=Table(one), two=Table(two), three=Table(three))
    answered(calib, desk)
