"""Work shared out over processes: order, failures, ends, and how many there may be.

Outside sources: the kernel, which ends processes and says in /proc which ones live.
"""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import tifffile
from conftest import Studio
from PIL import Image

import calib.scan.memory
from calib.errors import CalibError, InputError, NotFoundError, Problem, UnfitError
from calib.scan.formats.claimed import may_be_jpeg, pictures_claimed, pixels_claimed
from calib.scan.memory import available_bytes, processes_for
from calib.scan.workers import Ended, Workers

Here = Path(__file__).parent


def squared(number: int) -> tuple[int, int]:
    """Return a square, sooner for later numbers, and the process in which it was made."""
    time.sleep(0.05 if number % 2 else 0.0)
    return number * number, os.getpid()


def deadly(here: int, folder: Path, number: int) -> int:
    """End the process of number 1: at every try, or at the first one where a file says so. here: is spared."""
    if number == 1 and os.getpid() != here:
        if not (folder / "once").exists() or not (folder / "died").exists():
            (folder / "died").touch()
            os.kill(os.getpid(), signal.SIGKILL)
    elif os.getpid() == here:
        # Long enough for the others to have their share.
        until = time.monotonic() + 20
        while not (folder / "died").exists() and time.monotonic() < until:
            time.sleep(0.01)
    return number * 10


def failing(number: int) -> int:
    if number == 3:
        raise ZeroDivisionError("three")
    time.sleep(0.02)
    return number


def printing(number: int) -> int:
    os.write(1, b"a library talks")
    print("on both streams", file=sys.stderr)
    return number


@pytest.mark.parametrize("processes", [1, 2, 3])
def test_results_come_in_the_order_of_the_tasks(processes: int) -> None:
    begun: list[int] = []
    with Workers(squared, processes) as workers:
        found = list(workers.results(range(20), begun.append))
    assert [square for square, _ in found] == [n * n for n in range(20)]
    assert begun == list(range(20))
    pids = {pid for _, pid in found}
    assert os.getpid() in pids and len(pids) <= processes
    assert not alive(pids - {os.getpid()})


def alive(pids: set[int]) -> list[int]:
    return [pid for pid in pids if Path(f"/proc/{pid}").exists()]


def test_one_process_needs_no_pickling() -> None:
    made: list[int] = []
    with Workers(made.append, 1) as workers:
        assert list(workers.results([1, 2])) == [None, None]
    assert made == [1, 2]


@pytest.mark.parametrize("once", [True, False])
def test_a_task_whose_process_ended_is_tried_once_more(tmp_path: Path, once: bool) -> None:
    if once:
        (tmp_path / "once").touch()
    with Workers(partial(deadly, os.getpid(), tmp_path), 2) as workers:
        found = list(workers.results([0, 1, 2, 3]))
    if (tmp_path / "died").exists():
        assert found == [0, 10 if once else Ended(-9), 20, 30]
        assert "signal 9" in str(Ended(-9)) and "code 3" in str(Ended(3))
    else:
        pytest.fail("the other process had no share of the work")


def test_what_the_work_raises_is_raised() -> None:
    with pytest.raises(ZeroDivisionError, match="three"), Workers(failing, 2) as workers:
        list(workers.results(range(50)))


def test_what_libraries_print_disturbs_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    with Workers(printing, 2) as workers:
        assert list(workers.results(range(8))) == list(range(8))


def test_no_process_can_be_started(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object, **__: object) -> None:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(subprocess, "Popen", refused)
    with Workers(failing, 3) as workers:
        assert list(workers.results([0, 1])) == [0, 1]


PROGRAM = """
import sys, time
sys.path.insert(0, {here!r})
from test_workers import squared
from calib.scan.workers import Workers
with Workers(squared, 3) as workers:
    if {wait}:
        print(*(p.process.pid for p in workers._others), flush=True)
        time.sleep(60)
    print(sum(square for square, _ in workers.results(range(10))))
"""


@pytest.mark.parametrize("way", ["stdin", "file"])
def test_from_any_main_program(tmp_path: Path, way: str) -> None:
    """Without a guard around its lines, and where it came by stdin."""
    text = PROGRAM.format(here=str(Here), wait=False)
    (tmp_path / "program.py").write_text(text)
    words = ["-"] if way == "stdin" else ["program.py"]
    paths = os.pathsep.join([str(Here.parents[1]), str(Here.parent), str(Here.parent / "benchmarks")])
    done = subprocess.run(
        [sys.executable, *words], input=text, cwd=tmp_path, capture_output=True, text=True, timeout=60,
        env={**os.environ, "PYTHONPATH": paths},
    )  # fmt: skip
    assert (done.stdout, done.stderr) == ("285\n", "")


def test_workers_end_with_the_process_that_started_them(tmp_path: Path) -> None:
    (tmp_path / "program.py").write_text(PROGRAM.format(here=str(Here), wait=True))
    paths = os.pathsep.join([str(Here.parents[1]), str(Here.parent), str(Here.parent / "benchmarks")])
    process = subprocess.Popen(
        [sys.executable, "program.py"], cwd=tmp_path, stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": paths},
    )  # fmt: skip
    assert process.stdout is not None
    pids = {int(word) for word in process.stdout.readline().split()}
    assert len(pids) == 2
    process.kill()
    process.communicate()
    until = time.monotonic() + 20
    while alive(pids) and time.monotonic() < until:
        time.sleep(0.02)
    assert not alive(pids)


@pytest.mark.parametrize(
    "error",
    [
        CalibError("what", "todo"),
        InputError([Problem(Path("a.csv"), n, f"mistake {n}") for n in range(30)], "todo"),
        NotFoundError("no page", "Look again."),
        UnfitError("blurred"),
        CalibError.joined([UnfitError("blurred"), NotFoundError("no page")]),
    ],
)
def test_failures_come_whole_out_of_another_process(error: CalibError) -> None:
    again = pickle.loads(pickle.dumps(error))
    assert type(again) is type(error) and str(again) == str(error)
    assert again.exit_code == error.exit_code and again.__dict__ == error.__dict__


# --- how many ---------------------------------------------------------------------------------


def test_no_more_processes_than_scans_cores_and_memory(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = studio.scan("page-1")
    monkeypatch.setattr(calib.scan.memory, "cores", lambda: 4)
    roomy: Callable[[], int] = lambda: 10**12  # noqa: E731
    monkeypatch.setattr(calib.scan.memory, "available_bytes", roomy)
    assert [processes_for([page] * count) for count in (1, 2, 3, 9)] == [1, 2, 3, 4]
    monkeypatch.setattr(calib.scan.memory, "available_bytes", lambda: 500_000_000)
    assert processes_for([page] * 9) == 2
    monkeypatch.setattr(calib.scan.memory, "available_bytes", lambda: 0)
    assert processes_for([page] * 9) == 1


def test_available_memory_is_what_the_system_says(tmp_path: Path) -> None:
    assert available_bytes(tmp_path) == calib.scan.memory.UNKNOWN_BYTES
    (tmp_path / "proc").mkdir()
    (tmp_path / "proc" / "meminfo").write_text("MemTotal:  9000 kB\nMemAvailable:    4000 kB\n")
    assert available_bytes(tmp_path) == 4_096_000
    group = tmp_path / "sys" / "fs" / "cgroup"
    group.mkdir(parents=True)
    (group / "memory.current").write_text("1000000\n")
    for most, free in (("max", 4_096_000), ("3000000", 2_000_000), ("100", 0), ("broken", 4_096_000)):
        (group / "memory.max").write_text(f"{most}\n")
        assert available_bytes(tmp_path) == free


def test_pixels_claimed(studio: Studio, tmp_path: Path) -> None:
    page = studio.scan("page-1")
    height, width = studio.pixels("page-1").shape[:2]
    assert pixels_claimed(page) == height * width
    (tmp_path / "nothing.png").write_bytes(b"no picture")
    assert pixels_claimed(tmp_path / "nothing.png") is None
    assert pixels_claimed(tmp_path / "none.tif") is None


def test_pictures_claimed(studio: Studio, tmp_path: Path) -> None:
    """Outside source: tifffile and Pillow write the files."""
    small, page = np.zeros((8, 8, 3), np.uint8), np.zeros((300, 300, 3), np.uint8)
    with tifffile.TiffWriter(tmp_path / "three.tif") as writer:
        # The thumbnail is no picture of its own.
        for picture in (page, small, page, page):
            writer.write(picture, photometric="rgb")
    first = Image.fromarray(page)
    first.save(tmp_path / "two.pdf", save_all=True, append_images=[first])
    first.save(tmp_path / "one.jpg")
    (tmp_path / "cut.pdf").write_bytes((tmp_path / "two.pdf").read_bytes()[:100])
    (tmp_path / "cut.tif").write_bytes((tmp_path / "three.tif").read_bytes()[:6])
    os.mkfifo(tmp_path / "pipe.pdf")
    names = ("three.tif", "two.pdf", "one.jpg", "cut.pdf", "cut.tif", "pipe.pdf", "none.pdf", ".")
    assert [pictures_claimed(tmp_path / name) for name in names] == [3, 2, 1, 1, 1, 1, 1, 1]
    assert [may_be_jpeg(tmp_path / name) for name in names] == [False, True, True, True, *4 * [False]]


def test_a_jpeg_counts_for_more_memory(
    studio: Studio, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The decoder's peak at 37 million pixels was measured as 18 bytes a pixel; anything else takes 9 at the most."""
    page = np.zeros((5000, 5000, 3), np.uint8)
    Image.fromarray(page).save(tmp_path / "page.jpg")
    Image.fromarray(page).save(tmp_path / "page.png", compress_level=1)
    monkeypatch.setattr(calib.scan.memory, "cores", lambda: 4)
    monkeypatch.setattr(calib.scan.memory, "available_bytes", lambda: 1_500_000_000)
    assert [processes_for([tmp_path / f"page.{kind}"] * 4) for kind in ("jpg", "png")] == [2, 3]
