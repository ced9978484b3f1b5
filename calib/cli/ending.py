"""How an interrupted run ends."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress
from typing import NoReturn

INTERRUPTED = 130
_WORDS = b"calib: interrupted; nothing half-written was left behind\n"


def end_interrupted() -> NoReturn:
    """Say so and end; whoever calls has cleaned up."""
    for number in (signal.SIGINT, signal.SIGTERM):
        # Who presses the keys twice is to read the same sentence once.
        signal.signal(number, signal.SIG_IGN)
    with suppress(OSError, ValueError):
        sys.stderr.flush()
        os.write(2, _WORDS)
    # CPython ends by the signal itself, not by our code, where the interrupt fell into code that a
    # library runs from text while it is imported.
    os._exit(INTERRUPTED)
