"""Whole commands ended in the middle: by Ctrl-C, by SIGTERM, by kill -9; and scans that end the process that reads them.

A few chosen moments of each; ``benchmarks/interrupt.py`` takes fifty random ones, and its checks are the ones used here.
Outside sources: the kernel, which ends processes and says in /proc which ones live.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import Run, Studio
from interrupt import Command, check, contents, environment, processes, run_ended, unfinished

import calib.demo
from calib.errors import OutputError
from calib.files import write_whole
from calib.scan.onefile import Task
from calib.scan.workers import Ended

Calib = Callable[..., Run]
OUTPUTS = ("colours.csv", "colours.csv-metadata.json", "proof")


@pytest.fixture
def command(studio: Studio, tmp_path: Path) -> Command:
    """Measuring five scans of two pages into a folder in which there is a table already."""
    scans = [studio.scan("page-1"), studio.scan("page-2", page=2)]
    # The same picture in other files, so that there is enough to do for two processes; each has its own SHA-256.
    for number in range(3):
        copy = tmp_path / f"copy-{number}.png"
        copy.write_bytes(scans[number % 2].read_bytes() + bytes(number + 1))
        scans.append(copy)
    (tmp_path / "colours.csv").write_bytes(b"old")
    (tmp_path / "colours.csv-metadata.json").write_bytes(b"old")
    words = [
        "measure",
        studio.plan_path,
        *scans,
        "--strip",
        studio.strip_path,
        "--paper",
        "p",
        "--proof",
        "proof",
    ]
    return Command((*map(str, words), "-o", "colours.csv"), OUTPUTS)


@pytest.mark.parametrize(
    ("way", "after"), [("SIGINT", 1.2), ("SIGINT", 3.5), ("SIGTERM", 3.0), ("SIGKILL", 2.0), ("SIGKILL", 4.0)]
)
def test_measuring_is_ended(command: Command, tmp_path: Path, way: str, after: float) -> None:
    code, said = run_ended(tmp_path, command, way, after)
    how = check(way, code, said)
    found = contents(tmp_path, command.outputs)
    if how != "finished":
        assert found["colours.csv"] == found["colours.csv-metadata.json"] == b"old"
    # Pictures of pages are each whole: a PNG file ends with this chunk (ISO/IEC 15948, 11.2.5).
    for name, data in found.items():
        if name.endswith(".png"):
            assert data.endswith(b"IEND\xaeB`\x82")
    assert way == "SIGKILL" or not unfinished(tmp_path)


SIGNALLED = """
import os, signal, sys
from calib.scan import workers
begin = workers.Workers.results
def results(self, tasks, starting):
    for number, found in enumerate(begin(self, tasks, starting)):
        yield found
        if number == 1:
            os.killpg(0, signal.SIGINT)
workers.Workers.results = results
from calib.__main__ import start
start()
"""


def test_ctrl_c_while_other_processes_read(command: Command, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", SIGNALLED, *command.words],
        cwd=tmp_path, env=environment("ctrl-c"), capture_output=True, text=True, start_new_session=True, timeout=120,
    )  # fmt: skip
    # The command-line library ends the terminal's line, on which the terminal itself may have shown '^C'.
    lines = [line for line in done.stderr.splitlines() if line and "reading" not in line]
    assert done.returncode == 130
    assert lines == ["calib: interrupted; nothing half-written was left behind"] and done.stdout == ""
    assert not processes("ctrl-c")
    assert contents(tmp_path, OUTPUTS[:2]) == dict.fromkeys(OUTPUTS[:2], b"old") and not unfinished(tmp_path)


@pytest.mark.parametrize("way", ["SIGINT", "SIGTERM"])
def test_an_interrupt_while_the_command_line_is_loaded(tmp_path: Path, way: str) -> None:
    code = (
        "import os, signal, sys\n"
        "class Finder:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        f"        if name == 'click': os.kill(os.getpid(), signal.{way})\n"
        "sys.meta_path.insert(0, Finder())\n"
        "from calib.__main__ import start\nstart()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "flags"],
        env=environment("load"),
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert (done.returncode, done.stdout) == (130, "")
    assert done.stderr == "calib: interrupted; nothing half-written was left behind\n"


def test_both_ways_in_are_one() -> None:
    import tomllib

    project = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text())["project"]
    assert project["scripts"] == {"calib": "calib.__main__:start"}


def test_a_scan_that_ends_its_reader_is_named(
    calib: Calib, studio: Studio, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the system ends a process that has taken all memory; the other scans' failures are said as well."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "broken.png").write_bytes(b"nothing")

    def results(self: object, tasks: list[Task], starting: Callable[[int], None]) -> list[object]:
        from calib.scan.onefile import read_file

        return [Ended(-signal.SIGKILL), read_file(self._work.args[0], 1, tasks[1])]  # type: ignore[attr-defined]

    monkeypatch.setattr("calib.scan.workers.Workers.results", results)
    run = calib(
        "measure", studio.plan_path, studio.scan("page-1"), "broken.png", "--strip", studio.strip_path,
        "--paper", "p", "-o", "colours.csv",
    )  # fmt: skip
    assert run.code == 3 and run.out == "" and not (tmp_path / "colours.csv").exists()
    first, second = (line for line in run.err.splitlines() if "reading" not in line)
    assert "page-1.png: could not be read" in first and "signal 9" in first and "300 dpi" in first
    assert "broken.png" in second


# --- the tour --------------------------------------------------------------------------------


def short_tour(folder: Path, say: Callable[[str], None]) -> None:
    say("making")
    (folder / "proof").mkdir()
    for name in ("README.txt", "a.csv", "proof/page-01.png"):
        (folder / name).write_bytes(name.encode())


TOUR = {
    "tour/README.txt": b"README.txt",
    "tour/a.csv": b"a.csv",
    "tour/proof/page-01.png": b"proof/page-01.png",
}


@pytest.mark.parametrize("there", [True, False])
def test_a_tour_that_is_interrupted_leaves_nothing(
    tmp_path: Path, there: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(calib.demo, "_tour", short_tour)
    if there:
        (tmp_path / "tour").mkdir()

    def interrupted(words: str) -> None:
        (made,) = (tmp_path / "tour").iterdir()
        assert made.name.startswith(".tour.")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        calib.demo.run(tmp_path / "tour", interrupted)
    assert (tmp_path / "tour").exists() == there and not list(tmp_path.glob("tour/*"))
    calib.demo.run(tmp_path / "tour", lambda _: None)
    assert contents(tmp_path, ("tour",)) == TOUR


def test_what_a_killed_tour_left_is_taken_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(calib.demo, "_tour", short_tour)
    left = tmp_path / "tour" / ".tour.0123abcd.part"
    left.mkdir(parents=True)
    (left / "half").write_bytes(b"")
    calib.demo.run(tmp_path / "tour", lambda _: None)
    assert contents(tmp_path, ("tour",)) == TOUR and not left.exists()


def test_a_tour_killed_while_its_files_moved_is_finished(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(calib.demo, "_tour", None)
    whole = tmp_path / "tour" / ".tour.0123abcd.whole"
    whole.mkdir(parents=True)
    short_tour(whole, lambda _: None)
    (whole / "README.txt").rename(tmp_path / "tour" / "README.txt")
    calib.demo.run(tmp_path / "tour", lambda _: None)
    assert contents(tmp_path, ("tour",)) == TOUR and not whole.exists()


def test_a_folder_with_a_tour_under_way_is_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(calib.demo, "_tour", short_tour)

    def meanwhile(_: str) -> None:
        with pytest.raises(OutputError, match="is not empty"):
            calib.demo.run(tmp_path / "tour", lambda _: None)

    calib.demo.run(tmp_path / "tour", meanwhile)
    assert contents(tmp_path, ("tour",)) == TOUR


def test_a_tour_never_waits_for_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It claims its own folder, and who puts files into a folder waits until nobody else has claimed it."""

    def tour(folder: Path, say: Callable[[str], None]) -> None:
        write_whole({folder / "a.csv": b"a", folder / "b.csv": b"b"})

    def waits(seconds: float) -> None:
        raise AssertionError("the tour waits")

    monkeypatch.setattr(calib.demo, "_tour", tour)
    monkeypatch.setattr("calib.staging.time.sleep", waits)
    calib.demo.run(tmp_path / "tour", lambda _: None)
    assert contents(tmp_path, ("tour",)) == {"tour/a.csv": b"a", "tour/b.csv": b"b"}


# --- proof pictures --------------------------------------------------------------------------


def test_a_folder_of_pictures_is_looked_at_before_the_work(
    calib: Calib, studio: Studio, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("calib.scan.measure.measure", None)
    (tmp_path / "file").write_bytes(b"mine")
    (tmp_path / "page-01.png").write_bytes(studio.scan("page-1").read_bytes())
    words = [
        "measure",
        studio.plan_path,
        "page-01.png",
        "--strip",
        studio.strip_path,
        "--paper",
        "p",
        "-o",
        "c.csv",
    ]
    for folder, code, said in [
        ("file", 3, "is a file"),
        ("file/below", 3, "cannot be"),
        ("x" * 300, 3, "shorter name"),
        ("c.csv", 2, "is the table"),
        (".", 2, "would overwrite the scan page-01.png"),
        (f"../{tmp_path.name}", 2, "would overwrite the scan"),
    ]:
        run = calib(*words, "--proof", folder)
        assert run.code == code and said in run.err, run.err
    assert sorted(os.listdir(tmp_path)) == ["file", "page-01.png"]


def test_a_description_where_none_can_be_written_is_noticed_before(
    calib: Calib, studio: Studio, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("calib.scan.measure.measure", None)
    (tmp_path / "c.csv-metadata.json").mkdir()
    words = ["measure", studio.plan_path, studio.scan("page-1"), "--strip", studio.strip_path, "--paper", "p"]
    run = calib(*words, "-o", "c.csv")
    assert run.code == 3 and "is a folder" in run.err
    (tmp_path / "plan.csv-metadata.json").write_text(json.dumps({}))
    run = calib("measure", "plan.csv-metadata.json", *words[2:], "-o", "plan.csv")
    assert run.code == 2 and "would overwrite an input" in run.err
