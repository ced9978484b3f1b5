"""Files put in place whole: written beside their place, then renamed, several that belong together as one.

What is meant for a place stands beside it first as ``.NAME.<16 hex>-<8 hex>.part``. Whatever ends a run, a power cut
included, what stood there before is there still, or the new file is. Files that belong together cannot be
renamed in one step, so the older companions are set aside first: a table may then for a moment be without its
description, but never beside another table's. The first sixteen digits are the SHA-256 of the group's first file, by
which ``left_behind`` finds what belongs to it even where a run was ended in that moment.

A part is locked by the run that it belongs to, so that the next one to write the same file can tell what a run that was
killed has left, and takes it away. Where the system has no such locks, only parts of yesterday are taken away.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows has other locks, which do not hold for renaming.
    fcntl = None  # type: ignore[assignment]

# A name may have 255 bytes on most systems, and a character up to four of them in UTF-8.
_NAME_KEPT = 40
# Putting files in place takes a thousandth of a second; who holds the folder for this long is none of us.
_PATIENCE_S = 5.0
_OLD_S = 86_400.0


@dataclass(frozen=True)
class Part:
    """A file written under its temporary name, open as long as it may be renamed. target: where it is to go."""

    path: Path
    target: Path
    handle: int


def stage(target: Path, data: bytes, group: str) -> Part:
    """Write data beside target under a temporary name, flushed to disk. Raises OSError and ValueError.

    group: what ``group_of`` says of the first of the files that belong together.
    """
    path = _part_name(target, group)
    # Not tempfile.mkstemp: that makes files private, while an output should have the rights any
    # new file has, and the process's umask cannot be read without changing it for all threads.
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    with _alone([target.parent]):
        part = Part(path, target, os.open(path, flags, 0o666))
        _lock(part.handle)
    try:
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(part.handle, rest) :]
        os.fsync(part.handle)
    except BaseException:
        discard(part)
        raise
    return part


def group_of(first: bytes) -> str:
    """Return the sixteen digits by which the files that belong to this content are known."""
    return hashlib.sha256(first).hexdigest()[:16]


def discard(part: Part) -> None:
    """Close a part and take it away, if it is still there."""
    with suppress(OSError):
        os.close(part.handle)
    with suppress(OSError):
        part.path.unlink(missing_ok=True)


def put_in_place(parts: Sequence[Part]) -> None:
    """Rename parts to their targets, all or none. Raises OSError where that cannot be done.

    It is done by a thread of its own, because only a program's main thread is interrupted: an interrupt waits until
    everything is in its place.
    """
    _uninterrupted(lambda: _put_in_place(parts))


def _put_in_place(parts: Sequence[Part]) -> None:
    if fcntl is None:
        # Windows renames no file that is open.
        for part in parts:
            with suppress(OSError):
                os.close(part.handle)
    with _alone(part.target.parent for part in parts) as alone:
        before: list[tuple[Path, Path]] = []
        placed: list[Path] = []
        try:
            if len(parts) > 1:
                _set_aside([part.target for part in parts], before)
            for part in parts:
                os.replace(part.path, part.target)
                placed.append(part.target)
        except BaseException:
            _bring_back(before, placed)
            raise
        for kept, _ in before:
            kept.unlink(missing_ok=True)
        if alone:
            for part in parts:
                _clear(part.target)


def _set_aside(targets: Sequence[Path], before: list[tuple[Path, Path]]) -> None:
    """Keep what stands at the targets: the first by a second name, the others by another. before: grows by each."""
    first = targets[0]
    group = group_of(first.read_bytes()) if first.exists() else group_of(b"")
    for target in targets:
        if not target.exists():
            continue
        kept = _part_name(target, group)
        if target is not first:
            os.replace(target, kept)
            before.append((kept, target))
            continue
        # It stays in its place until the new one takes it. Not every file system lets a file have two names.
        with suppress(OSError):
            os.link(target, kept)
            before.append((kept, target))


def _bring_back(before: Sequence[tuple[Path, Path]], placed: Sequence[Path]) -> None:
    """Undo what was renamed: nothing is as it should be, so what can be undone is."""
    kept = {target for _, target in before}
    for target in placed:
        if target not in kept:
            with suppress(OSError):
                target.unlink()
    for path, target in before:
        with suppress(OSError):
            os.replace(path, target)
            # Two names of one file are left as they are by a rename.
            path.unlink(missing_ok=True)


def left_behind(target: Path, first: Path) -> Path | None:
    """Return what belongs beside the file first as target, where a run was ended before it could put it there.

    first: the first file of the group, such as a table whose description is target. None where there is nothing, or
    nothing of this very content.
    """
    try:
        group = group_of(first.read_bytes())
        return next(
            (path for path in _parts(target) if f".{group}-" in path.name),
            None,
        )
    except OSError:
        return None


def _part_name(target: Path, group: str) -> Path:
    return target.with_name(f".{target.name[:_NAME_KEPT]}.{group}-{secrets.token_hex(4)}.part")


def _parts(target: Path) -> list[Path]:
    """Return all that stands beside a target under a temporary name for it."""
    pattern = re.compile(rf"\.{re.escape(target.name[:_NAME_KEPT])}\.[0-9a-f]{{16}}-[0-9a-f]{{8}}\.part")
    return sorted(target.with_name(name) for name in os.listdir(target.parent) if pattern.fullmatch(name))


def _clear(target: Path) -> None:
    """Take away what runs that are no more have left beside a target."""
    with suppress(OSError):
        for path in _parts(target):
            with suppress(OSError):
                if is_left(path):
                    path.unlink()


def is_left(path: Path) -> bool:
    """Whether the run that an unfinished file or folder belongs to is over. Raises OSError where it is gone."""
    if fcntl is None:
        return time.time() - path.stat().st_mtime > _OLD_S
    handle = claim(path)
    if handle is not None:
        os.close(handle)
    return handle is not None


def claim(path: Path) -> int | None:
    """Open a file or folder and lock it, so that is_left says of it that it is not; return the handle.

    None where another run has it, or the system has no such locks.
    """
    if fcntl is None:
        return None
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    if _lock(handle):
        return handle
    os.close(handle)
    return None


def _lock(handle: int) -> bool:
    """Lock an open file or folder for as long as it is open; whether that could be done."""
    if fcntl is None:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return True
    except OSError:
        return False


@contextmanager
def _alone(folders: Iterable[Path]) -> Iterator[bool]:
    """Keep other runs from putting files in place in these folders; say whether that could be done.

    Without it two runs that write the same outputs could leave one's table beside the other's description.
    """
    with ExitStack() as stack:
        done = fcntl is not None
        # In one order for all, so that no two runs wait for each other.
        for folder in sorted({folder.resolve() for folder in folders}) if done else ():
            try:
                handle = os.open(folder, os.O_RDONLY)
            except OSError:
                # A folder that one may write to and not read.
                done = False
                continue
            stack.callback(os.close, handle)
            until = time.monotonic() + _PATIENCE_S
            while not (locked := _lock(handle)) and time.monotonic() < until:
                time.sleep(0.002)
            done = done and locked
        yield done


def _uninterrupted(work: Callable[[], None]) -> None:
    """Do something to its end, then raise KeyboardInterrupt where that came meanwhile."""
    begun, done = threading.Lock(), threading.Event()
    raised: list[BaseException] = []

    def run() -> None:
        if begun.acquire(blocking=False):
            try:
                work()
            except BaseException as error:
                raised.append(error)
            finally:
                done.set()

    interrupt: KeyboardInterrupt | None = None
    try:
        threading.Thread(target=run).start()
    except KeyboardInterrupt as error:
        if begun.acquire(blocking=False):
            raise
        interrupt = error
    while not done.is_set():
        try:
            done.wait(0.5)
        except KeyboardInterrupt as error:
            interrupt = error
    for found in (*raised, interrupt):
        if found is not None:
            raise found
