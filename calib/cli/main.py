"""The way in: every command, and how each failure ends.

Each command imports what it needs inside itself, so that ``calib --help`` answers at once.
"""

from __future__ import annotations

import io
import os
import signal
import sys
from contextlib import suppress

import click

from calib import __version__
from calib.cli.blend import blend
from calib.cli.drift import drift
from calib.cli.duplicates import duplicates
from calib.cli.ending import end_interrupted
from calib.cli.exporting import export
from calib.cli.greys import greys
from calib.cli.layer import layer
from calib.cli.match import match
from calib.cli.options import Stop, complain
from calib.cli.papers import papers
from calib.cli.predict import predict
from calib.cli.printing import carrier, chart
from calib.cli.reporting import report
from calib.cli.scanning import measure, scanner
from calib.cli.scene import scene
from calib.cli.touring import demo, flags
from calib.errors import CalibError, InputError, harmless

_NO_MEMORY = "calib: this needs more memory than the computer has. Scan at 300 dpi."


def main() -> None:
    """Run the command line; every failure is a sentence on stderr and an exit code."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, Stop.ask)
    _open_standard_streams()
    for stream in (sys.stdout, sys.stderr):
        # A pipe or an old console may lack letters of a marker's name; its code is better than an end halfway.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        code = cli.main(prog_name="calib", standalone_mode=False)
        # Here a full disk below stdout is still a sentence.
        sys.stdout.flush()
    except click.ClickException as error:
        said = io.StringIO()
        error.show(said)
        complain(harmless(said.getvalue().rstrip("\n"), lines=True))
        code = error.exit_code
    except (KeyboardInterrupt, click.Abort):
        end_interrupted()
    except CalibError as error:
        complain(f"calib: {harmless(str(error), lines=True)}")
        code = error.exit_code
    except BrokenPipeError:
        # Whoever read our output has had enough.
        _drop_stdout()
        code = 0
    except MemoryError:
        complain(_NO_MEMORY)
        code = 1
    except OSError as error:
        # What is written is written by rooms that know what to say; this is stdout, or a file that vanished meanwhile.
        if os.environ.get("CALIB_TRACE"):
            raise
        where = error.filename or "what was to be printed"
        words = f"{where}: cannot be read or written ({error.strerror or error})."
        complain(f"calib: {harmless(words)}")
        if error.filename is None:
            _drop_stdout()
        code = InputError.exit_code
    except Exception as error:
        if os.environ.get("CALIB_TRACE"):
            raise
        # Where not even a thread's stack can be had, Python has this instead of a MemoryError.
        complain(
            _NO_MEMORY
            if isinstance(error, RuntimeError) and "start new thread" in str(error)
            else f"calib: a mistake in the program itself ({type(error).__name__}: {harmless(str(error))}). "
            "Set CALIB_TRACE=1 to see where, and tell its makers."
        )
        code = 1
    sys.exit(code if isinstance(code, int) else 0)


def _open_standard_streams() -> None:
    """Let stdin, stdout and stderr lead nowhere where the caller closed them.

    The first file opened would else take the number of the closed one, and what a library says in C on stderr
    would go into a table.
    """
    while (number := os.open(os.devnull, os.O_RDWR)) <= 2:
        pass
    os.close(number)
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115


def _drop_stdout() -> None:
    """Let nothing more be written to stdout, of which Python would complain at exit."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@click.group(
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Each command has its own help: calib measure --help",
)
@click.version_option(__version__, prog_name="calib", message="%(prog)s %(version)s")
def cli() -> None:
    """Print a swatch chart, colour it by hand, scan it, and have every marker measured."""


for command in (
    chart,
    carrier,
    scanner,
    measure,
    duplicates,
    drift,
    papers,
    predict,
    blend,
    match,
    layer,
    greys,
    scene,
    report,
    export,
    flags,
    demo,
):
    cli.add_command(command)
