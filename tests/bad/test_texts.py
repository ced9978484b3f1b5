"""Every reader of text against a corpus of broken files, through the command line, in one process.

Outside sources: the table of exit codes; the standard library, which writes the broken files; pandas and pypdfium2, which read
what the commands wrote; Unicode's general categories (unicodedata) for what a terminal may be given.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import corpus
import numpy as np
import pytest
from conftest import Run
from corpus import CHANGES, CSV_CHANGES, EARLIER, JSON_CHANGES, JSON_VALUES, OTHER_KINDS, READERS, Desk, Reader

from calib.colour.card import Card
from calib.scan.scannerfile import scanner_to_json
from calib.scan.scannerfit import fit_scanner
from calib.synthetic.scanners import spectral_scanner
from calib.synthetic.spectra import chart_reflectances, spectrum_to_xyz

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
        assert unicodedata.bidirectional(char) not in ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"), repr(text)


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


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("name", READERS)
def test_broken_as_bytes(calib: Calib, desk: Desk, name: str, change: str) -> None:
    reader = READERS[name]
    path = desk.folder / reader.file
    changed, good = CHANGES[change]
    path.write_bytes(changed(path.read_bytes()))
    either(calib, desk, reader, good)


@pytest.mark.parametrize("change", CSV_CHANGES)
@pytest.mark.parametrize("name", CSVS)
def test_broken_as_a_list(calib: Calib, desk: Desk, name: str, change: str) -> None:
    reader = READERS[name]
    path = desk.folder / reader.file
    changed, good = CSV_CHANGES[change]
    path.write_bytes(changed(path.read_bytes()))
    either(calib, desk, reader, good)


@pytest.mark.parametrize("change", JSON_CHANGES)
@pytest.mark.parametrize("name", JSONS)
def test_broken_as_json(calib: Calib, desk: Desk, name: str, change: str) -> None:
    reader = READERS[name]
    path = desk.folder / reader.file
    changed, good = JSON_CHANGES[change]
    path.write_bytes(changed(path.read_bytes()))
    either(calib, desk, reader, good)


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


@pytest.mark.parametrize(("name", "path"), json_cases(), ids=lambda v: v if isinstance(v, str) else "/".join(map(str, v)))
def test_nonsense_at_every_place_of_a_plan(calib: Calib, desk: Desk, name: str, path: tuple[str | int, ...]) -> None:
    nonsense_at(calib, desk, READERS[name], path)


def nonsense_at(calib: Calib, desk: Desk, reader: Reader, path: tuple[str | int, ...]) -> None:
    content = json.loads(desk.good[reader.file])
    said = {}
    for what, value in corpus.NONSENSE.items():
        desk.restore()
        (desk.folder / reader.file).write_text(json.dumps(corpus.replaced(content, path, value)), encoding="utf-8")
        said[what] = either(calib, desk, reader, None)
    desk.restore()
    (desk.folder / reader.file).write_text(json.dumps(corpus.removed(content, path)), encoding="utf-8")
    said["lost"] = either(calib, desk, reader, None)
    with open("/tmp/texts_places.txt", "a") as f:
        print(path, [k for k, m in said.items() if (reader.goes_on in m if reader.goes_on else "is " not in m[:300])], file=f)


def test_nonsense_at_every_place_of_a_scanner_file(calib: Calib, desk: Desk) -> None:
    for path in corpus.places(json.loads(desk.good["scanner.json"])):
        nonsense_at(calib, desk, READERS["scanner"], path)


def test_nonsense_at_every_place_of_a_description(calib: Calib, desk: Desk) -> None:
    for path in corpus.places(json.loads(desk.good["colours.csv-metadata.json"])):
        nonsense_at(calib, desk, READERS["notes"], path)
