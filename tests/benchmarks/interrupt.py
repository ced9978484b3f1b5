"""Commands ended at random moments of their run: by Ctrl-C, by SIGTERM, and by kill -9.

    python tests/benchmarks/interrupt.py [moments] [seed]

For each command and each of the three ways, so many runs, each ended at a random moment between its start and the time
that a whole run takes. After each: the outputs are the earlier ones or whole new ones, files that belong together belong
together, no process of the run is left, nothing was said but one sentence, and nobody hung. After all
of them the same command once more succeeds, writes what an undisturbed run writes, and leaves no unfinished file.
Linux only: processes are looked for in /proc.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import calib

ROOT = Path(calib.__file__).parents[1]
HANGS_S = 120.0
ENDED = {"SIGINT": signal.SIGINT, "SIGTERM": signal.SIGTERM, "SIGKILL": signal.SIGKILL}


@dataclass(frozen=True)
class Command:
    """A command line, run in a folder, and the names of what it writes there."""

    words: tuple[str, ...]
    outputs: tuple[str, ...]


def environment(tag: str) -> dict[str, str]:
    """Return the environment of a run; the tag is how its processes are found again."""
    return {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", "CALIB_RUN_TAG": tag}


def contents(folder: Path, outputs: tuple[str, ...]) -> dict[str, bytes]:
    """Return the content of every file that a command wrote, by name; folders are looked into."""
    found = {}
    for name in outputs:
        path = folder / name
        inner = [p for p in path.rglob("*") if p.is_file()] if path.is_dir() else [path] * path.is_file()
        found |= {str(p.relative_to(folder)): p.read_bytes() for p in inner}
    return found


def unfinished(folder: Path) -> list[str]:
    """Return the names of files under temporary names."""
    return sorted(
        str(path.relative_to(folder)) for path in folder.rglob(".*") if path.suffix in (".part", ".whole")
    )


def processes(tag: str) -> list[int]:
    """Return the ids of the living processes of a run."""
    found = []
    for place in Path("/proc").glob("[0-9]*"):
        try:
            if f"CALIB_RUN_TAG={tag}".encode() in (place / "environ").read_bytes().split(b"\0"):
                found.append(int(place.name))
        except OSError:
            continue
    return found


def run_whole(folder: Path, command: Command) -> float:
    """Run a command to its end and return the seconds it took."""
    started = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "calib", *command.words],
        cwd=folder,
        env=environment("whole"),
        capture_output=True,
        text=True,
    )
    if done.returncode:
        raise AssertionError(f"{command.words} ended with {done.returncode}: {done.stderr}")
    return time.monotonic() - started


def run_ended(folder: Path, command: Command, way: str, after: float) -> tuple[int, str]:
    """Run a command, end it after so many seconds, and return its exit code and what it said on stderr.

    Ctrl-C goes to all processes of a terminal, so SIGINT is sent to the whole group. Raises AssertionError where it hangs or
    leaves a process.
    """
    tag = f"{os.getpid()}-{random.randrange(10**9)}"
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen(
            [sys.executable, "-m", "calib", *command.words],
            cwd=folder, env=environment(tag), stdout=subprocess.DEVNULL, stderr=said, start_new_session=True,
        )  # fmt: skip
        try:
            process.wait(after)
        except subprocess.TimeoutExpired:
            send: Callable[[int, int], None] = os.killpg if way == "SIGINT" else os.kill
            send(process.pid, ENDED[way])
        try:
            process.wait(HANGS_S)
        except subprocess.TimeoutExpired:
            process.kill()
            raise AssertionError(f"hung after {way} at {after:.2f} s") from None
        until = time.monotonic() + 10
        while (left := processes(tag)) and time.monotonic() < until:
            time.sleep(0.02)
        for pid in left:
            os.kill(pid, signal.SIGKILL)
        assert not left, f"{len(left)} processes left after {way} at {after:.2f} s"
        said.seek(0)
        return process.returncode, said.read().decode()


def check(way: str, code: int, said: str) -> str:
    """Return how a run ended, in a word; raise AssertionError where it ended otherwise than it may."""
    assert "Traceback" not in said and "Exception" not in said, said
    if code == 0:
        return "finished"
    if way == "SIGKILL":
        assert code == -signal.SIGKILL, (code, said)
        return "killed"
    if code == -ENDED[way] or (code == 1 and not said):
        # Before the program's first line ran, Python itself was ended; it can have written nothing.
        return "before the start"
    assert code == 130 and said.count("interrupted") == 1, (code, said)
    return "interrupted"


def torn(folder: Path, command: Command, before: dict[str, bytes], whole: dict[str, bytes]) -> bool:
    """Whether what a run left is neither what was there before nor what a whole run writes.

    Files that belong together must be both old or both new. The pictures of pages are each a file of its own.
    """
    now = contents(folder, command.outputs)
    now = {
        name: data
        for name, data in now.items()
        if Path(name).suffix not in (".part", ".whole") and "/.tour." not in name
    }
    alone = {name for name in now if name.startswith("proof/")}
    if any(now[name] not in (before.get(name), whole.get(name)) for name in alone):
        return True
    together = {name: data for name, data in now.items() if name not in alone}
    olds, news = (
        {name: data for name, data in d.items() if not name.startswith("proof/")} for d in (before, whole)
    )
    return together not in (olds, news)


def endings(
    folder: Path, command: Command, other: Command, moments: int, rng: random.Random
) -> dict[str, Counter[str]]:
    """End a command at random moments, in each way; return how the runs ended, by way.

    other: a command that writes other content to the same outputs, which is what stands there before each run.
    """
    clear(folder, command)
    seconds = run_whole(folder, command)
    whole = contents(folder, command.outputs)
    clear(folder, command)
    run_whole(folder, other)
    before = contents(folder, command.outputs)
    assert before != whole
    found: dict[str, Counter[str]] = {}
    for way in ENDED:
        found[way] = Counter()
        for _ in range(moments):
            after = rng.uniform(0, seconds * 1.1)
            code, said = run_ended(folder, command, way, after)
            ended = check(way, code, said)
            assert not torn(folder, command, before, whole), (way, after, code, said)
            if way != "SIGKILL":
                assert not unfinished(folder), (way, after, unfinished(folder))
            found[way][ended] += 1
            found[way]["left unfinished files"] += bool(unfinished(folder))
            if contents(folder, command.outputs) != before:
                restore(folder, command, before)
    run_whole(folder, command)
    assert contents(folder, command.outputs) == whole and not unfinished(folder)
    return found


def clear(folder: Path, command: Command) -> None:
    """Take away what a command writes."""
    for name in command.outputs:
        path = folder / name
        shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)


def restore(folder: Path, command: Command, before: dict[str, bytes]) -> None:
    """Put back what stood there before, and leave unfinished files where they are."""
    now = contents(folder, command.outputs)
    for name in now.keys() - before.keys():
        if Path(name).suffix not in (".part", ".whole"):
            (folder / name).unlink()
    for name, data in before.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(data)


def desk(folder: Path, dpi: float = 150) -> dict[str, tuple[Command, Command]]:
    """Make charts, scans and tables in a folder; return the commands to end, each with another for the same outputs."""
    from simulated import chart_of

    from calib.chart.planfile import plan_to_json
    from calib.synthetic.drawer import invent_inks
    from calib.synthetic.scan import simulate_page
    from calib.synthetic.session import STEPS, Scanner, Session
    from calib.synthetic.writing import write_scan

    plan = chart_of(20, page_mm=(148.0, 210.0), cell_mm=(13.0, 9.0), strip_mm=(105.0, 10.0))
    inks = {ink.marker: ink for ink in invent_inks(plan.markers, seed=1)}
    (folder / "chart.json").write_text(plan_to_json(plan))
    (folder / "strip.csv").write_text("step,density\n" + "".join(f"{i},{d}\n" for i, d in enumerate(STEPS)))
    (folder / "markers.csv").write_text("marker\n" + "".join(f"{i:03d}\n" for i in range(1, 41)))
    scans = []
    for page in range(1, len(plan.pages) + 1):
        for again in range(3 if len(plan.pages) < 3 else 1):
            session = Session(scanner=Scanner(bits=8, again=again), seed=page)
            scans.append(f"scan-{page}-{again}.png")
            write_scan(folder / scans[-1], simulate_page(plan, page, inks, session, dpi=dpi).pixels, dpi)
    options = ("--strip", "strip.csv", "--session", "2026-03-01", "--paper")
    measured = ("colours.csv", "colours.csv-metadata.json", "proof")
    measure = ("measure", "chart.json", *scans, *options)
    commands = {
        "measure": (
            Command((*measure, "one", "--proof", "proof", "-o", "colours.csv"), measured),
            Command(
                (
                    "measure",
                    "chart.json",
                    scans[-1],
                    *options,
                    "two",
                    "--proof",
                    "proof",
                    "-o",
                    "colours.csv",
                ),
                measured,
            ),
        ),
        "chart": (
            Command(("chart", "markers.csv", "-o", "new.pdf"), ("new.pdf", "new.json")),
            Command(("chart", "markers.csv", "--repeats", "2", "-o", "new.pdf"), ("new.pdf", "new.json")),
        ),
        "drift": (
            Command(("drift", "a.csv", "b.csv", "-o", "drift.csv"), ("drift.csv", "drift.csv-metadata.json")),
            Command(("drift", "b.csv", "a.csv", "-o", "drift.csv"), ("drift.csv", "drift.csv-metadata.json")),
        ),
    }
    for name, date in (("a.csv", "2026-03-01"), ("b.csv", "2026-06-01")):
        words = [
            "measure",
            "chart.json",
            *scans[:1],
            "--strip",
            "strip.csv",
            "--paper",
            "p",
            "--session",
            date,
            "-o",
            name,
        ]
        run_whole(folder, Command(tuple(words), ()))
    return commands


def tours(folder: Path, moments: int, rng: random.Random) -> dict[str, Counter[str]]:
    """End the demo at random moments, each time in the same folder, and return how the runs ended, by way."""
    command = Command(("demo", "tour"), ("tour",))
    seconds = run_whole(folder, command)
    whole = set(contents(folder, command.outputs))
    shutil.rmtree(folder / "tour")
    found: dict[str, Counter[str]] = {}
    for way in ENDED:
        found[way] = Counter()
        for _ in range(moments):
            code, said = run_ended(folder, command, way, rng.uniform(0, seconds * 1.1))
            found[way][check(way, code, said)] += 1
            there = [path.name for path in (folder / "tour").iterdir()] if (folder / "tour").exists() else []
            if code == 0:
                assert set(contents(folder, command.outputs)) == whole
                shutil.rmtree(folder / "tour")
            else:
                assert all(name.startswith(".tour.") for name in there), there
                assert way == "SIGKILL" or not there, there
    run_whole(folder, command)
    assert set(contents(folder, command.outputs)) == whole
    return found


def main(moments: int = 50, seed: int = 0) -> None:
    """Print how the runs of every command ended; any run that left something broken ends this one."""
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for name, (command, other) in desk(folder).items():
            for way, ended in endings(folder, command, other, moments, rng).items():
                print(f"{name:8s} {way:8s}", dict(ended), flush=True)
        for way, ended in tours(folder, max(1, moments // 5), rng).items():
            print(f"demo     {way:8s}", dict(ended), flush=True)


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:3]))
