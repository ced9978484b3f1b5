"""The scanner file: written and read back, and every mistake of it said at once."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calib.colour.card import Card
from calib.errors import ImpossibleError, InputError
from calib.scan.colourmodel import FAMILIES, Patches, fit
from calib.scan.scanner import Scanner, Training
from calib.scan.scannerfile import read_scanner, scanner_to_json
from calib.scan.scannerfit import fit_scanner
from calib.synthetic.scanners import spectral_scanner
from calib.synthetic.spectra import chart_reflectances, spectrum_to_xyz

SPECTRA = np.array(list(chart_reflectances().values()))
CARD = Card("card.csv", 4, 6, np.array([(i // 6, i % 6) for i in range(24)]), spectrum_to_xyz(SPECTRA))
LIGHT = spectral_scanner("camera-1").linear(SPECTRA)


@pytest.fixture(scope="module")
def scanner() -> Scanner:
    return fit_scanner(LIGHT, CARD, medium="painted, ‘matt’")


def write(folder: Path, content: Any) -> Path:
    path = folder / "scanner.json"
    path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return path


@pytest.mark.parametrize("winner", range(len(FAMILIES)))
def test_written_and_read_back(scanner: Scanner, winner: int, tmp_path: Path) -> None:
    seen = scanner.training
    assert seen is not None
    model = fit(FAMILIES[winner], Patches(LIGHT, CARD.xyz, np.full((24, 3), 1e-3), np.arange(24))).model
    kept = Training(seen.card, seen.medium, seen.place, seen.light, seen.xyz, seen.candidates, winner)
    one = Scanner(FAMILIES[winner].name, 1.234, model, kept)
    again = read_scanner(write(tmp_path, scanner_to_json(one, {"scan": "card-scan.png"})))
    assert (again.name, again.error) == (one.name, one.error)
    assert again.described() == one.described()
    light = np.random.default_rng(1).uniform(0, 1, (50, 3))
    np.testing.assert_array_equal(again.to_xyz(light), one.to_xyz(light))
    np.testing.assert_array_equal(again.u_abs(light), one.u_abs(light))


def test_the_file_is_for_people_too(scanner: Scanner) -> None:
    text = scanner_to_json(scanner, {"scan": "card-scan.png"})
    assert '{"row": 1, "column": 1, "R": ' in text
    assert text.endswith("\n")
    content = json.loads(text)
    assert content["format"] == "calib scanner"
    assert content["version"] == 1
    assert content["notes"] == {"scan": "card-scan.png"}
    assert content["medium"] == "painted, ‘matt’"


def test_a_scanner_without_a_card_has_no_file() -> None:
    with pytest.raises(ImpossibleError, match="without a colour card"):
        scanner_to_json(Scanner())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is not valid JSON"),
        ("{", "is not valid JSON"),
        ("[" * 100_000, "is not valid JSON"),
        ("[1]", "is no scanner file"),
        ('{"format": "calib chart plan", "version": 1}', "is no scanner file"),
        ('{"format": "calib scanner", "version": 2}', "of version 2"),
        ('{"format": "calib scanner", "version": true}', "of version True"),
    ],
)
def test_what_is_no_scanner_file(text: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=words):
        read_scanner(write(tmp_path, text))


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist"):
        read_scanner(tmp_path / "none.json")


def test_all_mistakes_at_once(scanner: Scanner, tmp_path: Path) -> None:
    content = json.loads(scanner_to_json(scanner))
    content["error_dE00"] = 0
    content["coefficients"] = [[1, 2, 3]]
    content["candidates"][1]["max_dE00"] = "much"
    content["patches"][4]["G"] = None
    content["patches"][6]["row"] = 0.5
    del content["card"]
    with pytest.raises(InputError) as caught:
        read_scanner(write(tmp_path, content))
    said = str(caught.value)
    for words in (
        "an error_dE00 that is not above 0",
        "no 2 rows of three numbers as 'coefficients'",
        "candidate 2 has no number 'max_dE00'",
        "patch 5 has no number 'G'",
        "patch 7 has a row or column",
        "has no text 'card'",
    ):
        assert words in said
    assert caught.value.exit_code == 3


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("model", "magic", "names the model 'magic'"),
        ("model", 3, "has no text 'model'"),
        ("error_dE00", float("nan"), "has no number 'error_dE00'"),
        ("error_dE00", True, "has no number 'error_dE00'"),
        ("coefficients", [[10**400, 0, 0], [0, 0, 0]], "no 2 rows of three numbers"),
        ("coefficients", "none", "no 2 rows of three numbers"),
        ("coefficients", [[5, 1, 0], [0, 0, 9]], "misses its own patches"),
        ("patches", [], "has no list 'patches'"),
        ("patches", [7], "patch 1 has no number 'row'"),
        ("candidates", {}, "has no list 'candidates'"),
        ("candidates", [4], "candidate 1 has no text 'model'"),
        ("medium", None, "has no text 'medium'"),
    ],
)
def test_each_mistake(scanner: Scanner, key: str, value: Any, words: str, tmp_path: Path) -> None:
    content = json.loads(scanner_to_json(scanner))
    content[key] = value
    with pytest.raises(InputError, match=words):
        read_scanner(write(tmp_path, content))
