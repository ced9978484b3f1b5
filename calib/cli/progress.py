"""How far a measurement is: a bar where stderr is a terminal, a line for each file where it is not."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

import click

from calib.cli.options import Stop, note

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar


class Progress:
    """Says how many pages of scans have been read; a context that leaves the terminal as it was, whatever ends it.

    A single page is read before a bar would say anything.
    """

    def __init__(self, scans: Sequence[Path], quiet: bool) -> None:
        self.scans = scans
        self.quiet = quiet
        self._bar: ProgressBar[Any] | None = None

    def __enter__(self) -> Progress:
        """Draw the bar, empty."""
        if not self.quiet and _draws():
            from calib.scan.formats.claimed import pictures_claimed

            pages = sum(pictures_claimed(path) for path in self.scans)
            if pages > 1:
                self._bar = click.progressbar(
                    length=pages, label="calib: reading pages", width=24, show_pos=True, file=sys.stderr
                )
                try:
                    self._bar.__enter__()
                except BaseException as error:
                    # Whoever stops it while it is being drawn finds the terminal as it was, too.
                    self._bar.__exit__(type(error), error, error.__traceback__)
                    raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the bar's line and show the cursor again, also where an error or Ctrl-C ended the work."""
        if self._bar is not None:
            self._bar.__exit__(kind, error, trace)

    def file(self, number: int, count: int, name: str) -> None:
        """Say that a file is begun."""
        Stop.check()
        if count > 1 and self._bar is None and not (self.quiet or _draws()):
            note(self.quiet, f"reading {name} ({number} of {count})")

    def page(self) -> None:
        """Say that a page has been read."""
        if self._bar is not None:
            self._bar.update(1)


def _draws() -> bool:
    return sys.stderr.isatty() and os.environ.get("TERM") != "dumb"
