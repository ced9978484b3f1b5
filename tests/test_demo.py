"""The tour: the demo's own path from list to tables, with scans at 110 dpi instead of 200 to save half a minute.

Outside source: pandas reads the tables; the faded and the dry pen are known, because the demo invents them.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pandas
import pypdfium2
import pytest
from conftest import Run, failure
from PIL import Image

import calib.demo
from calib.chart.planfile import read_plan
from calib.demo import DRY, FADED, run
from calib.errors import OutputError
from calib.synthetic.scan import simulate_page

DPI = 110


@pytest.fixture(scope="module")
def tour(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    """The demo run in a folder that is not there yet, and what it said on the way."""
    folder = tmp_path_factory.mktemp("demo") / "tour"
    said: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        # The scans alone are coarser; everything else is what the command runs.
        def coarser(*words: object, dpi: float) -> object:
            return simulate_page(*words, dpi=DPI)  # type: ignore[arg-type]

        patch.setattr(calib.demo, "simulate_page", coarser)
        run(folder, said.append)
    return folder, said


def table(folder: Path, name: str) -> pandas.DataFrame:
    return pandas.read_csv(
        folder / f"{name}.csv", dtype={"marker": str}, keep_default_na=False, na_values=[""]
    )


def test_everything_is_there(tour: tuple[Path, list[str]]) -> None:
    folder, said = tour
    names = {path.name for path in folder.iterdir()}
    assert {"README.txt", "markers.csv", "strip.csv", "chart.pdf", "chart.json"} <= names
    for session in ("spring", "autumn"):
        assert {
            f"{session}.png",
            f"{session}.csv",
            f"{session}.csv-metadata.json",
            f"proof-{session}",
        } <= names
        (proof,) = (folder / f"proof-{session}").glob("page-*.png")
        assert Image.open(proof).size[0] > 1000
    assert len(said) >= 5
    assert (
        len(pypdfium2.PdfDocument(folder / "chart.pdf")) == len(read_plan(folder / "chart.json").pages) == 1
    )


def test_the_guide_names_every_file_and_calls_it_invented(tour: tuple[Path, list[str]]) -> None:
    words = (tour[0] / "README.txt").read_text(encoding="utf-8")
    assert "invented" in words
    for path in set(tour[0].iterdir()) - {tour[0] / "README.txt"}:
        stem = path.name.replace("autumn", "spring").removesuffix("-metadata.json")
        assert any(part in words for part in (path.name, stem)), path.name


@pytest.mark.parametrize("name", ["spring", "autumn"])
def test_tables_are_read_back_by_pandas(tour: tuple[Path, list[str]], name: str) -> None:
    frame = table(tour[0], name)
    listed = pandas.read_csv(tour[0] / "markers.csv", dtype=str)
    assert set(frame["marker"]) == set(listed["marker"]) | {"paper", "black"}
    assert len(frame) == 2 + 2 * len(listed)
    pens = frame[~frame["kind"].isin(["paper", "black"])]
    assert pens["L"].notna().all() and pens["L"].between(0, 105).all()
    assert (frame[["u_L", "u_a", "u_b"]] > 0).all().all()
    notes = json.loads((tour[0] / f"{name}.csv-metadata.json").read_text(encoding="utf-8"))
    assert f"{name}.png" in json.dumps(notes)


def test_the_faded_pen_is_lighter_in_autumn_and_the_others_are_not(tour: tuple[Path, list[str]]) -> None:
    spring, autumn = (
        table(tour[0], name).set_index(["marker", "layers"])["L"] for name in ("spring", "autumn")
    )
    change = (autumn - spring).drop(labels=[("paper", 0), ("black", 0)])
    faded, dry = FADED[0], DRY[0]
    assert change[faded, 1] > 3
    others = change.drop(labels=[faded, dry], level=0)
    # A hand lays 2 or 3 per cent more or less ink, which is under 1 L* on the deepest pens.
    assert others.abs().median() < 0.5 and others.abs().max() < 3


def test_the_dry_pen_is_flagged(tour: tuple[Path, list[str]]) -> None:
    frame = table(tour[0], "autumn").set_index("marker")
    dry = frame.loc[DRY[0]]
    assert dry["flags"].fillna("").str.contains("mottled|half-filled").all()


def test_drift_names_the_two_pens_and_no_other(tour: tuple[Path, list[str]]) -> None:
    frame = table(tour[0], "drift")
    called = frame[frame["verdict"].isin(["patchy", "off-hue", "weaker", "stronger"])]
    assert set(called["marker"]) == {FADED[0], DRY[0]}
    assert set(called.loc[called["marker"] == FADED[0], "verdict"]) == {"weaker"}
    strength = frame.set_index("marker").loc[[FADED[0]], ["strength_low", "strength_high"]]
    assert (strength["strength_low"] <= FADED[1]).all() and (FADED[1] <= strength["strength_high"]).all()


def test_a_folder_that_holds_anything_is_refused(calib: Callable[..., Run], tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("keep\n")
    answer = calib("demo", tmp_path)
    assert answer.code == 3 and "not empty" in answer.err and answer.out == ""
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize("name", ["mine.txt", "mine.txt/deeper", "x" * 300])
def test_a_folder_that_cannot_be_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "mine.txt").write_text("keep\n")
    error = failure(lambda: run(tmp_path / name, lambda words: None))
    assert isinstance(error, OutputError) and error.exit_code == 3
