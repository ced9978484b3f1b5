"""Files put in place: pairs that belong together, runs at the same time, runs that were killed, disks that are full.

Outside sources: the kernel, which really kills, locks, limits and fills; where it must not be asked as root, the check says so.
"""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import Run, failure

import calib as package
from calib import staging
from calib.errors import OutputError
from calib.files import check_folder, check_writable, write_whole
from calib.staging import group_of, left_behind
from calib.table.csvw import metadata_path, read_notes

Calib = Callable[..., Run]

ENVIRONMENT = {**os.environ, "PYTHONPATH": str(Path(package.__file__).parents[1])}
NEW, OLD = (b"marker\nnew\n", b'{"new": 1}'), (b"marker\nold\n", b'{"old": 1}')


def pair(folder: Path) -> tuple[Path, Path]:
    table = folder / "colours.csv"
    return table, metadata_path(table)


def write(folder: Path, contents: tuple[bytes, bytes]) -> None:
    write_whole(dict(zip(pair(folder), contents, strict=True)))


def read(folder: Path) -> tuple[bytes | None, ...]:
    return tuple(path.read_bytes() if path.exists() else None for path in pair(folder))


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.parametrize("before", [None, OLD])
@pytest.mark.parametrize("call", range(1, 6))
@pytest.mark.parametrize("raised", [OSError(errno.EPERM, "Operation not permitted"), KeyboardInterrupt()])
def test_a_rename_that_fails_leaves_both_as_they_were(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    before: tuple[bytes, bytes] | None,
    call: int,
    raised: BaseException,
) -> None:
    if before:
        write(tmp_path, before)
    calls = []
    replace = os.replace

    def failing(*words: object) -> None:
        calls.append(words)
        if len(calls) == call:
            raise raised
        replace(*words)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "replace", failing)
    try:
        write(tmp_path, NEW)
    except (OutputError, KeyboardInterrupt):
        assert len(calls) >= call
        assert read(tmp_path) == (before or (None, None))
    else:
        assert len(calls) < call and read(tmp_path) == NEW
    assert not [name for name in names(tmp_path) if name.endswith(".part")]


def test_an_interrupt_waits_until_both_are_in_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path, OLD)
    replace = os.replace

    def interrupting(*words: object) -> None:
        replace(*words)  # type: ignore[arg-type]
        os.kill(os.getpid(), signal.SIGINT)

    monkeypatch.setattr(os, "replace", interrupting)
    with pytest.raises(KeyboardInterrupt):
        write(tmp_path, NEW)
    assert read(tmp_path) == NEW
    assert names(tmp_path) == ["colours.csv", "colours.csv-metadata.json"]


KILLED = """
import os, signal, sys
from pathlib import Path
from calib.files import write_whole
from calib.table.csvw import csvw_metadata, metadata_path
count, name = 0, sys.argv[2]
def killing(original):
    def call(*words):
        global count
        count += 1
        if count == int(sys.argv[1]):
            os.kill(os.getpid(), signal.SIGKILL)
        return original(*words)
    return call
os.replace, os.link, os.unlink = killing(os.replace), killing(os.link), killing(os.unlink)
table = Path("colours.csv")
write_whole({table: name.encode(), metadata_path(table): csvw_metadata(table.name, [], {"name": name})})
"""


def run_killed(folder: Path, call: int, name: str) -> int:
    words = [sys.executable, "-c", KILLED, str(call), name]
    return subprocess.run(words, cwd=folder, env=ENVIRONMENT, timeout=60).returncode


def test_killed_between_any_two_renames(tmp_path: Path) -> None:
    """The table is one of the two, and what is read beside it is its own description, whatever stands there."""
    codes = []
    for call in range(1, 12):
        folder = tmp_path / str(call)
        folder.mkdir()
        assert run_killed(folder, 0, "old") == 0
        codes.append(run_killed(folder, call, "new"))
        table, description = pair(folder)
        held = table.read_text()
        assert held in ("old", "new")
        if description.exists():
            assert json.loads(description.read_bytes())["notes"][0]["schema:value"] == held
        assert read_notes(table) == {"name": held}
        # The next run puts both in place and takes away what was left.
        assert run_killed(folder, 0, "new") == 0
        assert read_notes(table) == {"name": "new"} and names(folder) == [table.name, description.name]
    # Link, aside, two renames and the clearing up were killed, and then there was nothing more to kill.
    assert codes[:4] == [-signal.SIGKILL] * 4 and codes[-1] == 0, codes


def test_what_belongs_to_another_content_is_not_taken(tmp_path: Path) -> None:
    table, description = pair(tmp_path)
    table.write_bytes(b"edited")
    (tmp_path / f".{description.name}.{group_of(b'new')}-00000000.part").write_bytes(b"{}")
    assert left_behind(description, table) is None and read_notes(table) is None
    table.write_bytes(b"new")
    assert left_behind(description, table) is not None
    assert left_behind(tmp_path / "none" / "x", table) is None


def test_a_run_that_lives_is_not_disturbed(tmp_path: Path) -> None:
    table, _ = pair(tmp_path)
    mine = staging.stage(table, b"mine", group_of(b"mine"))
    dead = tmp_path / f".{table.name}.{group_of(b'dead')}-00000000.part"
    dead.write_bytes(b"dead")
    write(tmp_path, NEW)
    assert mine.path.exists() and not dead.exists()
    staging.put_in_place([mine])
    staging.discard(mine)
    assert table.read_bytes() == b"mine"
    assert names(tmp_path) == ["colours.csv", "colours.csv-metadata.json"]


def test_runs_at_the_same_time_leave_one_pair(tmp_path: Path) -> None:
    """Threads of two processes; each run's table and description say the same number."""
    code = (
        "import sys, threading\nfrom pathlib import Path\nfrom calib.files import write_whole\n"
        "def run(start):\n"
        "    for i in range(start, start + 25):\n"
        "        write_whole({Path('colours.csv'): b'%d' % i, Path('colours.csv-metadata.json'): b'%d' % i})\n"
        "threads = [threading.Thread(target=run, args=(int(sys.argv[1]) + n * 1000,)) for n in range(3)]\n"
        "[t.start() for t in threads]; [t.join() for t in threads]\n"
    )
    runs = [
        subprocess.Popen([sys.executable, "-c", code, start], cwd=tmp_path, env=ENVIRONMENT)
        for start in ("0", "100000")
    ]
    assert [run.wait(120) for run in runs] == [0, 0]
    table, description = read(tmp_path)
    assert table is not None and table == description
    assert names(tmp_path) == ["colours.csv", "colours.csv-metadata.json"]


def test_without_locks_it_is_written_all_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on Windows, where parts of today are left alone."""
    monkeypatch.setattr(staging, "fcntl", None)
    table, _ = pair(tmp_path)
    parts = [tmp_path / f".{table.name}.{group_of(name)}-00000000.part" for name in (b"today", b"long ago")]
    for part in parts:
        part.write_bytes(b"")
    os.utime(parts[1], (1e9, 1e9))
    write(tmp_path, OLD)
    # Without locks nobody is sure to be alone, so nothing is taken away.
    write(tmp_path, NEW)
    assert read(tmp_path) == NEW and parts[0].exists()


def test_folders_for_pictures(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    for path, words in [
        (tmp_path / "file", "is a file"),
        (tmp_path / "file" / "below", "cannot be"),
        (tmp_path / "loop", "cannot be a folder"),
        (tmp_path / ("x" * 300), "shorter name"),
        (Path("nul\0"), "cannot be a folder's name"),
    ]:
        error = failure(lambda path=path: check_folder(path))
        assert isinstance(error, OutputError) and words in str(error), str(error)
    check_folder(tmp_path / "new" / "below")
    check_folder(tmp_path)
    assert names(tmp_path) == ["file", "loop"]


def test_a_description_whose_name_is_too_long_is_noticed_before(tmp_path: Path) -> None:
    table, description = pair(tmp_path)
    table, description = (path.with_name("x" * 240 + path.name[7:]) for path in (table, description))
    check_writable(table)
    assert "shorter name" in str(failure(lambda: check_writable(table, description)))
    assert names(tmp_path) == []


LIMITED = (
    "import resource, sys\nresource.setrlimit(resource.RLIMIT_FSIZE, ({0}, {0}))\n"
    "from calib.cli.main import main\nmain()"
)


@pytest.mark.parametrize("limit", [1000, 70_000], ids=["noticed before", "noticed while writing"])
def test_a_file_that_may_not_grow(tmp_path: Path, limit: int) -> None:
    """The kernel's limit on a file's size, as a quota or a full disk ends a write in its middle."""
    (tmp_path / "markers.csv").write_text("marker\n" + "".join(f"Ω{i:03d}\n" for i in range(400)))
    (tmp_path / "chart.pdf").write_bytes(b"old")
    (tmp_path / "chart.json").write_bytes(b"old")
    before = names(tmp_path)
    done = subprocess.run(
        [sys.executable, "-c", LIMITED.format(limit), "chart", "markers.csv", "-o", "chart.pdf"],
        # Python would leave compiled modules behind that the limit has cut off.
        cwd=tmp_path, env={**ENVIRONMENT, "PYTHONDONTWRITEBYTECODE": "1"}, capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    assert done.returncode == 3, done.stderr
    assert "File too large" in done.stderr and done.stderr.count("\n") == 1 and done.stdout == ""
    assert names(tmp_path) == before
    assert (tmp_path / "chart.pdf").read_bytes() == (tmp_path / "chart.json").read_bytes() == b"old"


@pytest.fixture
def small_disk(tmp_path: Path) -> Path:
    """A disk of 128 kB in memory, where the system lets us have one."""
    disk = tmp_path / "disk"
    disk.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=128k", "tmpfs", str(disk)]
    if os.geteuid() or subprocess.run(command, capture_output=True).returncode:
        pytest.skip("no disk may be mounted here")
    yield disk  # type: ignore[misc]
    subprocess.run(["umount", str(disk)], check=True)


def test_a_full_disk(small_disk: Path) -> None:
    write(small_disk, OLD)
    with pytest.raises(OutputError, match=r"No space left on device.* Make room"):
        write(small_disk, (b"x" * 60_000, b"x" * 100_000))
    assert read(small_disk) == OLD and len(names(small_disk)) == 2
    (small_disk / "filler").write_bytes(bytes(100_000))
    with pytest.raises(OutputError, match="No space left on device"):
        check_writable(*pair(small_disk))
    with pytest.raises(OutputError, match="No space left on device"):
        check_folder(small_disk / "proof")
    assert read(small_disk) == OLD and len(names(small_disk)) == 3
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(OutputError, match="Read-only file system"):
        check_writable(*pair(small_disk))
    with pytest.raises(OutputError, match="Read-only file system"):
        check_folder(small_disk / "proof")


def test_a_full_disk_below_stdout() -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "calib", "flags"],
            env=ENVIRONMENT,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
        )
    assert done.returncode == 3
    assert (
        done.stderr == "calib: what was to be printed: cannot be read or written (No space left on device).\n"
    )


@pytest.mark.skipif(not os.geteuid(), reason="root may write anywhere")
def test_a_folder_that_may_only_be_read(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(OutputError, match="Permission denied"):
            check_writable(*pair(tmp_path))
    finally:
        tmp_path.chmod(0o700)


def test_threads_of_one_program(tmp_path: Path) -> None:
    runs = [threading.Thread(target=write, args=(tmp_path, (b"%d" % i, b"%d" % i))) for i in range(20)]
    for run in runs:
        run.start()
    for run in runs:
        run.join()
    table, description = read(tmp_path)
    assert table == description
    assert names(tmp_path) == ["colours.csv", "colours.csv-metadata.json"]
