"""Every reader of text against a corpus of broken files, through the command line, in one process.

Outside sources: the table of exit codes; the standard library, which writes the broken files; pandas and pypdfium2, which read
what the commands wrote; Unicode's general categories (unicodedata) for what a terminal may be given.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import re
import time
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import corpus
import numpy as np
import pandas
import pikepdf
import pypdfium2
import pytest
from conftest import Run
from corpus import (
    CHANGES,
    CSV_CHANGES,
    EARLIER,
    JSON_CHANGES,
    JSON_VALUES,
    OTHER_KINDS,
    READERS,
    Desk,
    Reader,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calib import errors
from calib.chart.markers import read_markers
from calib.chart.planfile import read_carrier, read_plan
from calib.colour.card import Card, read_card
from calib.colour.colorimetry import linear_to_xyz, xyz_to_lab
from calib.colour.reference import read_strip
from calib.errors import CalibError, InputError
from calib.scan.scannerfile import read_scanner, scanner_to_json
from calib.scan.scannerfit import fit_scanner
from calib.synthetic.scanners import spectral_scanner
from calib.synthetic.spectra import chart_reflectances, spectrum_to_xyz
from calib.table.origin import Origin
from calib.table.table import Reading, Table, read_table, write_table

Calib = Callable[..., Run]
CSVS = tuple(name for name, reader in READERS.items() if not reader.json)
JSONS = tuple(name for name, reader in READERS.items() if reader.json)


@pytest.fixture(scope="module")
def whole_desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    spectra = np.array(list(chart_reflectances().values()))
    place = np.array([(i // 6, i % 6) for i in range(24)])
    card = Card("card.csv", 4, 6, place, spectrum_to_xyz(spectra))
    light = spectral_scanner("camera-1").linear(spectra)
    return Desk(tmp_path_factory.mktemp("desk"), scanner_to_json(fit_scanner(light, card)))


@pytest.fixture
def desk(whole_desk: Desk, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    monkeypatch.chdir(whole_desk.folder)
    yield whole_desk
    whole_desk.restore()


def harmless(text: str) -> None:
    """Nothing in a text may steer the terminal, nor turn the reading direction round."""
    for char in text.replace("\n", ""):
        assert unicodedata.category(char) not in ("Cc", "Cs", "Zl", "Zp"), repr(text)
        assert unicodedata.bidirectional(char) not in (
            "LRE",
            "RLE",
            "LRO",
            "RLO",
            "PDF",
            "LRI",
            "RLI",
            "FSI",
            "PDI",
        ), repr(text)


def refused(calib: Calib, desk: Desk, words: tuple[object, ...], named: str, code: int = 3) -> str:
    """Run a command that must refuse, and return its message: one sentence that names the file, nothing written."""
    before = desk.listing()
    run = calib(*words)
    harmless(run.out + run.err)
    assert run.code == code, run.err[:2000]
    assert run.out == ""
    assert desk.listing() == before
    message = run.err[run.err.rfind("calib: ") :] if code != 2 else run.err
    assert named in message, message[:2000]
    assert len(message.split()) >= 4
    assert len(run.err) < 8000
    return message


def either(calib: Calib, desk: Desk, reader: Reader, good: bool | None) -> str:
    """Run the command of a reader on the desk as it is; refused in words, or read as a good file is."""
    before = desk.listing()
    run = calib(*reader.words)
    harmless(run.out + run.err)
    last = run.err[run.err.rfind("calib: ") :]
    if reader.goes_on and run.code and reader.goes_on in last:
        # The desk's scan is no picture: it is looked at last, once all else was read.
        assert good is not False, last
    elif run.code == 0 and not reader.goes_on:
        assert good is not False, run.err
        assert all((desk.folder / name).read_bytes() for name in corpus.OUTPUTS)
        return run.err
    else:
        assert good is not True, run.err
        assert reader.file in last, last[:2000]
    assert run.code == 3, run.err[:2000]
    assert run.out == ""
    assert desk.listing() == before
    assert all((desk.folder / name).read_bytes() == EARLIER for name in corpus.OUTPUTS)
    assert len(last.split()) >= 4 and len(run.err) < 8000
    return last


@pytest.mark.parametrize("name", READERS)
def test_the_good_file_is_read(calib: Calib, desk: Desk, name: str) -> None:
    either(calib, desk, READERS[name], True)


def changed_as(
    change: tuple[Callable[[bytes], bytes], Any], calib: Calib, desk: Desk, reader: Reader
) -> None:
    """Change a reader's good file, and see that it is refused, or read where the change does no harm."""
    changed, good = change
    path = desk.folder / reader.file
    path.write_bytes(changed(path.read_bytes()))
    either(calib, desk, reader, good)


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("name", READERS)
def test_broken_as_bytes(calib: Calib, desk: Desk, name: str, change: str) -> None:
    changed_as(CHANGES[change], calib, desk, READERS[name])


@pytest.mark.parametrize("change", CSV_CHANGES)
@pytest.mark.parametrize("name", CSVS)
def test_broken_as_a_list(calib: Calib, desk: Desk, name: str, change: str) -> None:
    changed_as(CSV_CHANGES[change], calib, desk, READERS[name])


@pytest.mark.parametrize("change", JSON_CHANGES)
@pytest.mark.parametrize("name", JSONS)
def test_broken_as_json(calib: Calib, desk: Desk, name: str, change: str) -> None:
    changed_as(JSON_CHANGES[change], calib, desk, READERS[name])


@pytest.mark.parametrize("kind", OTHER_KINDS)
@pytest.mark.parametrize("name", READERS)
def test_a_file_of_another_kind(calib: Calib, desk: Desk, name: str, kind: str) -> None:
    reader = READERS[name]
    data, word = OTHER_KINDS[kind]
    (desk.folder / reader.file).write_bytes(data)
    assert word in either(calib, desk, reader, False)


@pytest.mark.parametrize("number", range(len(JSON_VALUES)))
@pytest.mark.parametrize("name", READERS)
def test_json_of_nothing(calib: Calib, desk: Desk, name: str, number: int) -> None:
    reader = READERS[name]
    (desk.folder / reader.file).write_text(JSON_VALUES[number], encoding="utf-8")
    either(calib, desk, reader, False)


@pytest.mark.parametrize("other", READERS)
@pytest.mark.parametrize("name", READERS)
def test_one_kind_given_for_another(calib: Calib, desk: Desk, name: str, other: str) -> None:
    if name == other:
        return
    reader = READERS[name]
    (desk.folder / reader.file).write_bytes((desk.folder / READERS[other].file).read_bytes())
    either(calib, desk, reader, False)


# --- numbers ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", corpus.NO_NUMBERS)
@pytest.mark.parametrize(
    ("name", "column"),
    [("strip", "density"), ("card", "L"), ("card", "row"), ("table", "L"), ("table", "layers"), ("table", "u_L"), ("table", "R")],
)  # fmt: skip
def test_what_is_no_number(calib: Calib, desk: Desk, name: str, column: str, text: str) -> None:
    reader = READERS[name]
    path = desk.folder / reader.file
    path.write_bytes(corpus.with_cell(path.read_bytes(), 4, column, text))
    message = either(calib, desk, reader, False)
    assert f"{reader.file}:5: " in message and f"'{column}'" in message


# --- every value of every JSON file ------------------------------------------------------------------------------


def json_cases() -> Iterator[tuple[str, tuple[str | int, ...]]]:
    for name, file in (("plan", "examples/chart.json"), ("carrier", "charts/carrier-a4.json")):
        for path in corpus.places(json.loads((corpus.ROOT / file).read_text(encoding="utf-8"))):
            yield name, path


@pytest.mark.parametrize(
    ("name", "path"), list(json_cases()), ids=lambda v: v if isinstance(v, str) else "/".join(map(str, v))
)
def test_nonsense_at_every_place_of_a_plan(
    calib: Calib, desk: Desk, name: str, path: tuple[str | int, ...]
) -> None:
    nonsense_at(calib, desk, READERS[name], path)


# What may stand there all the same, by the last names of its place: a text where any text will do, a rectangle that is still
# somewhere on the page, a part that may be missing. Everything else must be refused.
ANY_TEXT = {"text", "empty-text"}
SOMEWHERE = {"half", "zero"}
TAKEN: dict[tuple[str, ...], set[str]] = {
    ("chart",): {"text"}, ("cells", "cell"): {"text"}, ("markers", "name"): {*ANY_TEXT, "lost"}, ("markers", "set"): {*ANY_TEXT, "lost"},
    ("markers", "kind"): {"lost"}, ("markers", "hint"): {"empty-text", "lost"}, ("markers",): {"lost"}, ("pages",): {"lost"},
    ("pages", "marks"): {"lost"}, ("marks", "id"): {"zero"}, ("marks", "x_mm"): SOMEWHERE, ("marks", "y_mm"): SOMEWHERE,
    ("black", "y_mm"): SOMEWHERE, ("pages", "cells"): {"list", "lost"}, ("cells", "x_mm"): SOMEWHERE, ("pages", "ruler"): {"null", "lost"},
    ("ruler", "x_mm"): SOMEWHERE, ("ruler", "y_mm"): SOMEWHERE, ("ruler", "width_mm"): {"half"}, ("ruler", "height_mm"): {"half"},
    ("pages", "texts"): {"list", "lost"}, ("texts", "x_mm"): SOMEWHERE, ("texts", "y_mm"): SOMEWHERE, ("texts", "width_mm"): {"half"},
    ("texts", "height_mm"): {"half"}, ("slot", "x_mm"): SOMEWHERE,
    # Of a scanner file: what is for people, and figures that may be any.
    ("error_dE00",): {"half"}, ("error_from",): {*corpus.NONSENSE, "lost"}, ("cross_validated",): {*corpus.NONSENSE, "lost"},
    **{("cross_validated", name): {*corpus.NONSENSE, "lost"} for name in ("mean_dE00", "p95_dE00", "max_dE00")},
    **{("candidates", name): {"minus-one", *SOMEWHERE} for name in ("mean_dE00", "p95_dE00", "max_dE00")},
    ("coefficients",): {"half"}, ("card",): {*ANY_TEXT, "escape", "zero-letter"}, ("medium",): {*ANY_TEXT, "escape", "zero-letter"},
    ("patches",): {"lost"}, **{("patches", name): {"minus-one", *SOMEWHERE} for name in "RGBXYZ"},
}  # fmt: skip


def names_of(path: tuple[str | int, ...]) -> tuple[str, ...]:
    return tuple(name for name in path if isinstance(name, str))[-2:]


def nonsense_at(calib: Calib, desk: Desk, reader: Reader, path: tuple[str | int, ...]) -> None:
    content = json.loads(desk.good[reader.file])
    said: dict[str, str] = {}
    for what, value in corpus.NONSENSE.items():
        desk.restore()
        (desk.folder / reader.file).write_text(
            json.dumps(corpus.replaced(content, path, value)), encoding="utf-8"
        )
        said[what] = either(calib, desk, reader, None)
    desk.restore()
    (desk.folder / reader.file).write_text(json.dumps(corpus.removed(content, path)), encoding="utf-8")
    said["lost"] = either(calib, desk, reader, None)
    taken = {what for what, message in said.items() if reader.goes_on and reader.goes_on in message}
    assert taken <= TAKEN.get(names_of(path), set()), (path, taken)


def test_nonsense_at_every_place_of_a_scanner_file(calib: Calib, desk: Desk) -> None:
    for path in corpus.places(json.loads(desk.good["scanner.json"])):
        nonsense_at(calib, desk, READERS["scanner"], path)


def test_nonsense_at_every_place_of_a_description(desk: Desk) -> None:
    # What a table rests on is in its notes, which are tried through the commands below; the rest is only read.
    content = json.loads(desk.good["colours.csv-metadata.json"])
    for path in corpus.places(content):
        for value in corpus.NONSENSE.values():
            (desk.folder / "colours.csv-metadata.json").write_text(
                json.dumps(corpus.replaced(content, path, value)), encoding="utf-8"
            )
            with contextlib.suppress(InputError):
                read_table(desk.folder / "colours.csv")


# --- text that would like to be more than text ---------------------------------------------------------------------

# Names that a pen can have. Formulas: OWASP, 'CSV Injection'; markup: OWASP, 'Cross Site Scripting'.
ODD_NAMES = (
    "=cmd()", "=1+1", "+1+1", "-2+3", "@SUM(A1)", "=cmd|' /C calc'!A0", '=HYPERLINK("http://x.invalid","y")', "'=1+1", "''", "＝1+1",
    "-5", "+3", "x;=1+1", 'x";=1+1', "\u200b=2+1", "\u200f-1+1", "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "&lt;b&gt;",
    "../../etc/passwd", "C:\\x", "%s%n%d", "{}{0}", "$(rm -rf x)", "`id`", "a,b", 'say "hi"', "#rem", "NULL", "nan", "None", "true", "0",
    "1e400", "00017", "17", "\u0301lone", "a\u200db", "\u202etxt.exe", "\u2066x", "𝕏", "🖍", "عنبر", "ענבר", "琥珀", "é", "**b**", "__u__",
    "[link](javascript:alert(1))", "(/URI) Tj", "\\(", "endstream endobj", "/JS (app.alert(1))", "W" * 60, "i" * 200,
)  # fmt: skip


def odd_list() -> str:
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(("marker", "name", "set", "kind", "=remark()"))
    for number, name in enumerate(ODD_NAMES, 1):
        writer.writerow((f"{number:03d}", name, name, "", name))
    for number, name in enumerate(ODD_NAMES[:47], 1):
        writer.writerow((name, f"as id {number}", "", "", ""))
    return stream.getvalue()


def test_odd_names_do_no_harm_on_a_chart(calib: Calib, desk: Desk) -> None:
    (desk.folder / "markers.csv").write_text(odd_list(), encoding="utf-8")
    run = calib("chart", "markers.csv", "-o", "out.pdf", "--layers", "1")
    harmless(run.out + run.err)
    assert run.code == 0, run.err
    assert set(desk.listing()) == set(desk.good)
    # The plan gives every name back as it was written.
    plan = json.loads((desk.folder / "out.json").read_text(encoding="utf-8"))
    written = {marker["marker"]: marker["name"] for marker in plan["markers"]}
    for number, name in enumerate(ODD_NAMES, 1):
        assert written[f"{number:03d}"] == unicodedata.normalize("NFC", name.strip())
    # pikepdf and pypdfium2 look into the PDF: nothing that acts, and the text as text.
    with pikepdf.open(desk.folder / "out.pdf") as pdf:
        names = {str(key) for thing in pdf.objects if isinstance(thing, pikepdf.Dictionary) for key in thing}
        assert {"/Font", "/Contents", "/ToUnicode"} <= names
        assert not names & {
            "/JS",
            "/JavaScript",
            "/A",
            "/AA",
            "/URI",
            "/Launch",
            "/Annots",
            "/EmbeddedFiles",
            "/AcroForm",
        }
        # Where the document opens is a place on its first page, which is an array and no action (ISO 32000-1, 12.3.2).
        assert isinstance(pdf.Root.get("/OpenAction", pikepdf.Array()), pikepdf.Array)
    document = pypdfium2.PdfDocument(desk.folder / "out.pdf")
    text = "".join(page.get_textpage().get_text_bounded() for page in document)
    for name in ("=cmd()", "../../etc/passwd", "%s%n%d", "{}{0}", "`id`", "**b**", "NULL", "endobj"):
        assert name in text
    document.close()


def odd_table(names: Sequence[str] = ODD_NAMES) -> Table:
    """A table whose every text is odd: each name as an id, a name and a set. Colours are invented."""
    rows = [
        Reading(
            "paper", 0, "=paper()", "2026-05-31", kind="paper", L=95.0, a=0.0, b=0.0, R=0.88, G=0.88, B=0.88
        )
    ]
    for number, name in enumerate(
        dict.fromkeys(unicodedata.normalize("NFC", name.strip()) for name in names)
    ):
        light = 0.05 + 0.8 * (number % 7) / 7, 0.1 + 0.7 * (number % 5) / 5, 0.1 + 0.6 * (number % 3) / 3
        lab = xyz_to_lab(linear_to_xyz(np.array([light])))[0]
        colour = dict(zip("LabRGB", (*lab.tolist(), *light), strict=True))
        rows.append(
            Reading(
                name, 1, "=paper()", "2026-05-31", name=name, set=name, swatches=1, coverage=0.99, **colour
            )
        )
    return Table(tuple(rows), Origin(program="calib", chart="k3f9", strip={"file": "=strip().csv"}))


def cells_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def no_formula(path: Path) -> None:
    """No cell is a formula to a spreadsheet, whichever separator it takes (OWASP's list of first characters)."""
    for separator in ",;\t":
        with path.open(encoding="utf-8", newline="") as stream:
            for record in csv.reader(stream, delimiter=separator):
                for cell in record:
                    if separator != "," and cell.startswith(('"', "'")):
                        continue
                    bare = cell.strip("\u200b\u00a0 ")
                    assert (
                        not bare or bare[0] not in "=+-@＝＋－＠\t\r" or re.fullmatch(r"[+-]?[\d.,]+.*", bare)
                    ), (path.name, cell)


@pytest.mark.parametrize("text", ["=cmd()", "x;=1+1", "\u200b=1+1", "＝1+1", "@x"])
def test_an_unguarded_formula_would_be_noticed(tmp_path: Path, text: str) -> None:
    (tmp_path / "raw.csv").write_text(f"marker,name\n001,{text}\n", encoding="utf-8")
    with pytest.raises(AssertionError):
        no_formula(tmp_path / "raw.csv")


@pytest.mark.parametrize("text", ["\x1b[31m", "a\x9bb", "\u202e", "\ud800", "\r"])
def test_a_steered_terminal_would_be_noticed(text: str) -> None:
    with pytest.raises(AssertionError):
        harmless(text)
    harmless(errors.harmless(text))


def test_odd_names_do_no_harm_in_any_answer(calib: Calib, desk: Desk) -> None:
    folder = desk.folder
    table = odd_table()
    write_table(folder / "colours.csv", table)
    again, _ = read_table(folder / "colours.csv")
    assert [row.marker for row in again.readings] == [row.marker for row in table.readings]
    # pandas writes the table again, as people who work with it do, and every id comes home.
    frame = pandas.read_csv(folder / "colours.csv", dtype=str, keep_default_na=False)
    frame.to_csv(folder / "by-pandas.csv", index=False)
    again, _ = read_table(folder / "by-pandas.csv")
    assert [row.marker for row in again.readings] == [row.marker for row in table.readings]
    (folder / "by-pandas.csv").unlink()
    later = replace(table, readings=tuple(replace(row, session="2026-06-30") for row in table.readings))
    other = replace(table, readings=tuple(replace(row, paper="@paper") for row in table.readings))
    few = replace(table, readings=tuple(replace(row, paper="-few") for row in table.readings[:30]))
    for name, one in (("autumn.csv", later), ("rough.csv", other), ("few.csv", few)):
        write_table(folder / name, one)
    for words in (
        ("duplicates", "colours.csv"), ("drift", "colours.csv", "autumn.csv"), ("papers", "colours.csv", "rough.csv"),
        ("papers", "colours.csv", "rough.csv", "--swatches", "out.csv"), ("predict", "colours.csv", "few.csv"),
        ("duplicates", "colours.csv", "autumn.csv"),
    ):  # fmt: skip
        out = () if "--swatches" in words else ("-o", "out.csv")
        run = calib(*words, *out)
        harmless(run.out + run.err)
        assert run.code == 0, (words, run.err)
        no_formula(folder / "out.csv")
        json.loads((folder / "out.csv-metadata.json").read_text(encoding="utf-8"))
        run = calib(*words, *out, "--json")
        harmless(run.out)
        json.loads(run.out)
    no_formula(folder / "colours.csv")
    for name in ("rough.csv", "rough.csv-metadata.json"):
        assert (folder / name).exists()
    (folder / "few.csv").unlink()
    (folder / "few.csv-metadata.json").unlink()
    assert set(desk.listing()) == set(desk.good)


STEERING = ("a\tb", "a\x1b[31mred", "a\x9b31mred", "a\x07b", "a\x7fb", "a\rb", "a\nb", "\u202etxt.exe", "a\u2028b")  # fmt: skip


@pytest.mark.parametrize("name", STEERING)
@pytest.mark.parametrize("column", ["marker", "name", "set", "kind", "hint"])
def test_a_list_cannot_steer_the_terminal(calib: Calib, desk: Desk, column: str, name: str) -> None:
    path = desk.folder / "markers.csv"
    path.write_bytes(corpus.with_cell(path.read_bytes(), 2, column, name))
    either(calib, desk, READERS["list"], None if name.startswith("\u202e") else False)


@pytest.mark.parametrize("name", STEERING)
@pytest.mark.parametrize(
    "column", ["marker", "name", "set", "kind", "paper", "session", "hex", "in_srgb", "flags", "L"]
)
def test_a_table_cannot_steer_the_terminal(calib: Calib, desk: Desk, column: str, name: str) -> None:
    path = desk.folder / "colours.csv"
    path.write_bytes(corpus.with_cell(path.read_bytes(), 4, column, name))
    either(calib, desk, READERS["table"], None if name.startswith("\u202e") or column == "flags" else False)


@pytest.mark.parametrize("name", STEERING)
@pytest.mark.parametrize("reader", ["list", "table", "strip", "card"])
def test_a_column_cannot_steer_the_terminal(calib: Calib, desk: Desk, reader: str, name: str) -> None:
    path = desk.folder / READERS[reader].file
    lines = path.read_text(encoding="utf-8").split("\n", 1)
    path.write_text(f'{lines[0]},"{name}","{name}"\n{lines[1]}', encoding="utf-8")
    either(calib, desk, READERS[reader], False)


# --- ids -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "second"),
    [("001", "001"), ("Été", unicodedata.normalize("NFD", "Été")), ("x", "x  "), ("x", "\u00a0x"), ("x", "x\u200b"), ("x", "\u2060x"),
     ("한", unicodedata.normalize("NFD", "한")), ("Å", "\u212b"), ("a b", "a b\t")],
)  # fmt: skip
def test_one_id_twice(calib: Calib, desk: Desk, first: str, second: str) -> None:
    (desk.folder / "markers.csv").write_text(f'marker\n"{first}"\n"{second}"\n', encoding="utf-8")
    assert "markers.csv:3: repeats the marker" in refused(calib, desk, READERS["list"].words, "markers.csv")


@pytest.mark.parametrize("marker", ["paper", "Paper", "BLACK", " black ", "", "x" * 201, "𝐱" * 201])
def test_what_is_no_id(calib: Calib, desk: Desk, marker: str) -> None:
    (desk.folder / "markers.csv").write_text(f'marker,name\n"{marker}",a\n', encoding="utf-8")
    assert "markers.csv:2: " in refused(calib, desk, READERS["list"].words, "markers.csv")


@pytest.mark.parametrize(
    ("column", "text", "words"),
    [("session", "2026-02-30", "not a date"), ("session", "0000-01-01", "not a date"), ("session", "31.03.2026", "not a date"),
     ("session", "46112", "not a date"), ("session", "٢٠٢٦-03-01", "not a date"), ("kind", "Ink pen", "kind"), ("layers", "1.5", "whole"), ("layers", "3", "outside"),
     ("layers", "-1", "outside"), ("layers", "", "is empty"), ("layers", "0", "0 layers"), ("marker", "paper", "reserved"),
     ("marker", "", "is empty"), ("paper", "", "is empty"), ("L", "1e30", "outside"), ("L", "541", "outside"), ("a", "", "only a part"), ("u_L", "-0.1", "outside"),
     ("coverage", "1.01", "outside"), ("coverage", "98 %", "not a number"), ("hex", "#12345", "match"), ("hex", "red", "match"),
     ("in_srgb", "maybe", "neither"), ("flags", "=cmd()", "match"), ("flags", "clipped;blurred", "match"), ("swatches", "1e12", "outside"),
     ("name", "x" * 201, "200"), ("R", "", "only a part"), ("L", "54,1", "54.1 with a point"), ("pixels", "-5", "outside")],
)  # fmt: skip
def test_a_cell_of_a_table_that_cannot_be(
    calib: Calib, desk: Desk, column: str, text: str, words: str
) -> None:
    path = desk.folder / "colours.csv"
    path.write_bytes(corpus.with_cell(path.read_bytes(), 4, column, text))
    message = refused(calib, desk, READERS["table"].words, "colours.csv")
    assert "colours.csv:5: " in message and words in message, message


# --- descriptions that do not fit their table ---------------------------------------------------------------------------


def noted(desk: Desk, note: str, name: str, value: Any) -> bytes:
    """Return the good table's description with another value in one of its notes."""
    content = json.loads(desk.good["colours.csv-metadata.json"])
    for item in content["notes"]:
        if item["schema:name"] == note:
            inner = item["schema:value"]["schema:additionalProperty"]
            inner[:] = [one for one in inner if one["schema:name"] != name]
            inner.append({"@type": "schema:PropertyValue", "schema:name": name, "schema:value": value})
    return json.dumps(content).encode()


NOTED = [("strip", "file"), ("strip", "steps"), ("strip", "kind"), ("scanner", "model"), ("scanner", "coefficients"), ("scatter", "degrees_of_freedom"),
         ("dates", "dried_hours"), ("dates", "session")]  # fmt: skip


@pytest.mark.parametrize("what", corpus.NONSENSE)
@pytest.mark.parametrize(("note", "name"), NOTED, ids="-".join)
@pytest.mark.parametrize(
    "words",
    [("duplicates", "rough.csv", "colours.csv"), ("drift", "colours.csv", "autumn.csv")],
    ids=["duplicates", "drift"],
)
def test_nonsense_in_what_answers_rest_on(
    calib: Calib, desk: Desk, words: tuple[str, ...], note: str, name: str, what: str
) -> None:
    (desk.folder / "colours.csv-metadata.json").write_bytes(noted(desk, note, name, corpus.NONSENSE[what]))
    run = calib(*words, "-o", "out.csv")
    harmless(run.out + run.err)
    assert run.code in (0, 3), run.err
    if run.code:
        assert "colours.csv" in run.err and desk.listing()["out.csv"] == EARLIER


def test_the_description_of_another_session_is_noticed(calib: Calib, desk: Desk) -> None:
    (desk.folder / "colours.csv-metadata.json").write_bytes(desk.good["autumn.csv-metadata.json"])
    run = calib("papers", "colours.csv", "rough.csv")
    assert run.code == 0 and "2026-09-19" in run.err and "another table's" in run.err


# --- places ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [name for name in READERS if name != "notes"])
@pytest.mark.parametrize(
    "what",
    ["missing", "folder", "loop", "dangling", "pipe", "device", "unreadable", "through-a-file", "too-long"],
)
def test_what_is_no_file(calib: Calib, desk: Desk, name: str, what: str) -> None:
    reader = READERS[name]
    path = desk.folder / reader.file
    path.unlink()
    words, named = reader.words, reader.file
    if what == "folder":
        path.mkdir()
    elif what == "loop":
        path.symlink_to(path.name)
    elif what == "dangling":
        path.symlink_to("nowhere")
    elif what == "pipe":
        os.mkfifo(path)
    elif what == "device":
        path.symlink_to("/dev/zero")
    elif what == "unreadable":
        if not Path("/proc/self/mem").exists():
            pytest.skip("this system has no file that even its administrator cannot read")
        path.symlink_to("/proc/self/mem")
    elif what in ("through-a-file", "too-long"):
        named = "scan.png/x.csv" if what == "through-a-file" else "x" * 300
        words = tuple(named if word == reader.file else word for word in words)
    if reader.json and what in ("loop", "device") and name == "plan":
        assert path.is_symlink()
    run = calib(*words)
    harmless(run.out + run.err)
    assert run.code == 3 and run.out == "", run.err
    assert named in run.err
    assert all((desk.folder / out).read_bytes() == EARLIER for out in corpus.OUTPUTS)
    assert not [item for item in os.listdir(desk.folder) if item.endswith(".part")]


ODD_FILES = ("two\nlines.csv", "\x1b[31mred.csv", "🖍 é.csv", "-o.csv", "=cmd().csv", "<b>.csv", "%s{}.csv", "\u202evsc.csv", os.fsdecode(b"\xff\xfe.csv"), "é" * 125 + ".csv",
             " .csv", "a\tb.csv", "$(x).csv", "..csv", "'\".csv")  # fmt: skip


@pytest.mark.parametrize("odd", ODD_FILES)
@pytest.mark.parametrize("name", ["list", "card", "table", "strip"])
@pytest.mark.parametrize("good", [True, False])
def test_files_of_odd_names(calib: Calib, desk: Desk, name: str, odd: str, good: bool) -> None:
    reader = READERS[name]
    (desk.folder / odd).write_bytes(desk.good[reader.file] if good else b"nothing,of\nthe,kind\n")
    words = list(reader.words)
    # As with every command, what begins with a dash is given after '--' or as a path.
    words[words.index(reader.file)] = f"./{odd}"
    before = desk.listing()
    run = calib(*words)
    harmless(run.out + run.err)
    if good and not reader.goes_on:
        assert run.code == 0, run.err
    else:
        assert run.code == 3, run.err
        assert desk.listing() == before
        assert (reader.goes_on if good else ".csv") in run.err
        if not good:
            assert len(run.err.splitlines()) == 1


# --- options ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "hint"),
    [(("duplicates", "colours.csv", "--within", "1,8"), "1.8"), (("drift", "colours.csv", "autumn.csv", "--at-least", "1,5"), "1.5"),
     ((*corpus.MEASURE, "--dried", "24,5"), "24.5"), ((*corpus.MEASURE, "--dried", ",5"), ".5"), (("duplicates", "colours.csv", "--within", "nan"), "not a number"),
     ((*corpus.MEASURE, "--dried", "nan"), "not a number"), ((*corpus.MEASURE, "--dried", "inf"), "not a number"),
     ((*corpus.MEASURE, "--dried", "1_0"), "not a number"), ((*corpus.MEASURE, "--dried", "-1"), "outside"), ((*corpus.MEASURE, "--dried", "1e9"), "outside"),
     (("duplicates", "colours.csv", "--within", "0"), "above 0"), (("duplicates", "colours.csv", "--within", "-1"), "outside"),
     (("duplicates", "colours.csv", "--within", "\x1b[31m"), "not a number"), (("drift", "colours.csv", "autumn.csv", "--at-least", "1e400"), "not a number"),
     (("chart", "markers.csv", "-o", "out.pdf", "--cell", "18,5x12"), "point"), (("chart", "markers.csv", "-o", "out.pdf", "--cell", "nanxnan"), "size"),
     (("chart", "markers.csv", "-o", "out.pdf", "--page", "1e400x1"), "size"), (("chart", "markers.csv", "-o", "out.pdf", "--page", "0x0"), "size"),
     (("chart", "markers.csv", "-o", "out.pdf", "--page", "a9"), "size"), (("chart", "markers.csv", "-o", "out.pdf", "--cell", "-18x12"), "size"),
     (("chart", "markers.csv", "-o", "out.pdf", "--seed", "1,5"), "integer"), (("chart", "markers.csv", "-o", "out.pdf", "--layers", "3"), "1,2"),
     (("chart", "markers.csv", "-o", "out.pdf", "--pick", "5"), "--from"), (("chart", "markers.csv", "-o", "markers.csv"), "overwrite"),
     ((*corpus.MEASURE, "--session", "31.03.2026"), "date"), ((*corpus.MEASURE, "--session", "\x1b[31m"), "date"), ((*corpus.MEASURE, "--paper", "\x1b[31m"), "name"),
     ((*corpus.MEASURE, "--paper", "a\u202eb"), "name"), ((*corpus.MEASURE, "--paper", ""), "name"), ((*corpus.MEASURE, "--paper", "x" * 101), "name"),
     (("\x1b[31m",), "command"), (("flags", "--\x1b[31m"), "option"), (("flags", "\x1b[31m"), "argument")],
)  # fmt: skip
def test_options_that_cannot_be(calib: Calib, desk: Desk, words: tuple[str, ...], hint: str) -> None:
    assert hint in refused(calib, desk, words, "", 2)


# --- size ------------------------------------------------------------------------------------------------------------------

MANY = 100_000
# Of one file in CPU seconds; measured 1 to 6 on an ordinary machine. A loop that looks back at every earlier row takes an hour.
PATIENCE = 60


@pytest.mark.parametrize("name", ["list", "strip", "card"])
def test_a_hundred_thousand_rows(calib: Calib, desk: Desk, name: str) -> None:
    path = desk.folder / READERS[name].file
    head = path.read_text(encoding="utf-8").split("\n", 1)[0]
    width = head.count(",") + 1
    rows = {
        "list": lambda i: f"{i}",
        "strip": lambda i: f"{i},{0.1 + i * 1e-5}",
        "card": lambda i: f"{i // 200 + 1},{i % 200 + 1},50,0,0",
    }[name]
    path.write_text(
        head
        + "\n"
        + "".join(
            f"{rows(i)},,,,,".rsplit(",", 5 - (width - rows(i).count(",") - 1))[0] + "\n" for i in range(MANY)
        ),
        encoding="utf-8",
    )
    start = time.process_time()
    before = desk.listing()
    run = calib(*READERS[name].words)
    assert time.process_time() - start < PATIENCE
    assert run.code == (2 if name == "list" else 3) and len(run.err) < 3000, run.err[:500]
    assert desk.listing() == before
    assert ("100000" if name != "list" else "Split the list") in run.err


def test_a_table_of_a_hundred_thousand_rows(desk: Desk) -> None:
    path = desk.folder / "colours.csv"
    head, _, _, row, *_ = path.read_text(encoding="utf-8").split("\n")
    path.write_text(
        head + "\n" + "".join(f"m{i},{row.split(',', 1)[1]}\n" for i in range(MANY)), encoding="utf-8"
    )
    start = time.process_time()
    table, _ = read_table(path)
    assert time.process_time() - start < PATIENCE
    assert len(table.readings) == MANY


# --- properties -----------------------------------------------------------------------------------------------------------------


def mutated(data: bytes, draw: st.DataObject) -> bytes:
    """Return a good file with a few pieces cut, doubled, exchanged or made of something else."""
    for _ in range(draw.draw(st.integers(1, 4))):
        start = draw.draw(st.integers(0, len(data)))
        end = min(len(data), start + draw.draw(st.sampled_from((0, 1, 2, 5, 30, 300))))
        piece = draw.draw(
            st.one_of(
                st.binary(max_size=8),
                st.sampled_from(
                    (
                        b"",
                        b'"',
                        b",",
                        b"\n",
                        b"\r",
                        b"-",
                        b"1e999",
                        b"null",
                        b"[",
                        b"}",
                        b"\\ud800",
                        b"\xff",
                        b"\0",
                        b"0",
                        b"paper",
                        b"nan",
                    )
                ),
                st.just(data[start:end] * 2),
                st.text(max_size=4).map(lambda text: text.encode("utf-8", "replace")),
            )
        )
        data = data[:start] + piece + data[end:]
    return data


READ: dict[str, Callable[[Path], object]] = {
    "list": read_markers, "plan": read_plan, "carrier": read_carrier, "strip": read_strip, "card": read_card, "table": read_table, "notes": read_table,
    "scanner": read_scanner,
}  # fmt: skip


def read_or_refused(desk: Desk, name: str, data: bytes) -> None:
    path = desk.folder / READERS[name].file
    path.write_bytes(data)
    try:
        READ[name](desk.folder / ("colours.csv" if name == "notes" else path.name))
    except CalibError as error:
        assert error.exit_code == 3
        assert path.name in str(error)


@pytest.mark.parametrize("name", READ)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_mutated_file_is_read_or_refused(desk: Desk, name: str, data: st.DataObject) -> None:
    read_or_refused(desk, name, mutated(desk.good[READERS[name].file], data))


@pytest.mark.parametrize("name", READ)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    data=st.one_of(
        st.binary(max_size=200), st.text(max_size=200).map(lambda text: text.encode("utf-8", "replace"))
    )
)
def test_any_bytes_are_read_or_refused(desk: Desk, name: str, data: bytes) -> None:
    read_or_refused(desk, name, data)


ANY_JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(st.characters(exclude_categories=()), max_size=10), st.integers(10**299, 10**320)),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)  # fmt: skip


@pytest.mark.parametrize("name", [name for name, reader in READERS.items() if reader.json])
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(value=ANY_JSON, data=st.data())
def test_any_value_at_any_place_is_read_or_refused(
    desk: Desk, name: str, value: Any, data: st.DataObject
) -> None:
    content = json.loads(desk.good[READERS[name].file])
    path = data.draw(st.sampled_from(every_place(content)))
    read_or_refused(desk, name, json.dumps(corpus.replaced(content, path, value)).encode())


def every_place(value: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [place for key, item in items for place in ((*path, key), *every_place(item, (*path, key)))]
