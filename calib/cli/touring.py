"""What needs no files of the user: ``calib flags`` and ``calib demo``."""

from __future__ import annotations

from pathlib import Path

import click

from calib.cli.options import FilePath, Stop, note, quiet_option, say


@click.command(epilog="Example: calib flags")
@quiet_option
def flags(quiet: bool) -> None:
    """Explain every quality flag that can stand in a table."""
    import textwrap

    from calib.table.flags import FLAGS

    for flag in FLAGS.values():
        say(
            quiet,
            flag.name,
            textwrap.fill(flag.sentence, 78, initial_indent="    ", subsequent_indent="    "),
        )


@click.command(epilog="Example: calib demo tour")
@click.argument("folder", type=FilePath)
@quiet_option
def demo(folder: Path, quiet: bool) -> None:
    """Run the whole tour on invented data in FOLDER: list, chart, two sessions, tables."""
    from calib.demo import run

    def step(words: str) -> None:
        Stop.check()
        note(quiet, words)

    run(folder, step)
    say(quiet, f"The tour is in {folder}; begin with {folder / 'README.txt'}.")
