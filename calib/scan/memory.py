"""How many scans may be read at a time: as many as there are cores, and as memory holds."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from calib.scan.formats.claimed import may_be_jpeg, pixels_claimed
from calib.scan.workers import cores

# What a process takes before it has a picture: the libraries (measured: 180 MB).
BARE_BYTES = 200_000_000
# At its most a page takes half as much again as its picture (the goal of tests/benchmarks/speed.py), of 16 bits in three channels.
BYTES_A_PIXEL = 9
# Taking a JPEG apart takes more: 18 bytes a pixel (measured at 37 million pixels).
BYTES_A_JPEG_PIXEL = 20
# A page of A4 at 600 dpi, which is more than most scans: what a file is taken for that does not say its size at its head.
UNKNOWN_PIXELS = 35_000_000
# Where the system does not say what is free: what any computer of the last ten years has to spare (common practice).
UNKNOWN_BYTES = 3_000_000_000


def processes_for(scans: Sequence[Path]) -> int:
    """Return how many processes may read these scans at the same time, at least 1."""
    if len(scans) < 2:
        return 1
    each = max(_needed(Path(path)) for path in scans)
    return max(1, min(len(scans), cores(), int(available_bytes() // each)))


def threads_for(processes: int) -> int:
    """Return how many threads each process uses: two, where it has the cores for itself."""
    return 2 if processes == 1 else 1


def _needed(path: Path) -> int:
    each = BYTES_A_JPEG_PIXEL if may_be_jpeg(path) else BYTES_A_PIXEL
    return BARE_BYTES + each * (pixels_claimed(path) or UNKNOWN_PIXELS)


def available_bytes(system: Path = Path("/")) -> int:
    """Return how much memory new work may take without others being pushed out.

    system: the root of the file system in which Linux tells it: what the kernel says is available (proc(5), MemAvailable),
    or what a container has left of its limit (the kernel's cgroup-v2, memory.max), whichever is less.
    """
    found = [UNKNOWN_BYTES]
    try:
        lines = (system / "proc/meminfo").read_text().splitlines()
        found = [1024 * int(line.split()[1]) for line in lines if line.startswith("MemAvailable:")] or found
        group = system / "sys/fs/cgroup"
        most, taken = ((group / name).read_text().strip() for name in ("memory.max", "memory.current"))
        if most != "max":
            found.append(max(0, int(most) - int(taken)))
    except (OSError, ValueError, IndexError):
        # No Linux, or no limit.
        pass
    return min(found)
