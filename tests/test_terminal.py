"""What stands on a terminal: lines that fit, chips of true colour, a bar for pages, completion in the shell.

Outside: the kernel's pseudo-terminals, which are terminals to the programs in them; bash, which completes; wcwidth's columns by the
Unicode tables; https://no-color.org for NO_COLOR; ISO 8613-6 (ITU-T T.416) for the order of a 24-bit ground, SGR 48;2;r;g;b.
All tables are invented.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import struct
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from conftest import Run, Studio
from make_examples import EXAMPLES, ROOT
from wcwidth import wcswidth

from calib.cli import chips, options
from calib.cli.chips import chip, chip_of, chips_shown, coloured, swatch_rows
from calib.cli.lines import WIDTH, fitted, wrapped
from calib.cli.progress import Progress
from calib.errors import harmless
from calib.table.table import Reading, read_table, write_table

pty = pytest.importorskip("pty", reason="this system has no pseudo-terminals")
fcntl = pytest.importorskip("fcntl")
termios = pytest.importorskip("termios")

Calib = Callable[..., Run]
ORDERS = re.compile(r"\x1b\[[0-9;?]*[a-zA-Z]")
GROUND = re.compile(r"\x1b\[48;2;(\d+);(\d+);(\d+)m  \x1b\[0m")
HOSTILE = (
    "N" * 500,
    "漢字" * 60,
    "\x1b[2J\x1b]0;owned\x07\x1b[41m red",
    "\u202egnirts\u202c\u2066",
    "<script>alert(1)</script>",
    "=cmd()|' /C calc'!A0",
    "é" * 90,
    "\U000f0000\U00100000\u00a0",
    "many words " * 30,
)

# A table may hold no more than this; line ends and control characters are refused where it is read.
ALLOWED = [name[:190].strip() for name in HOSTILE if not re.search("[\x00-\x1f]", name)]


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """Let a terminal have true colour."""
    monkeypatch.setenv("COLORTERM", "truecolor")
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    return monkeypatch


def on_terminal(
    words: list[str], folder: Path, env: dict[str, str] | None = None, send: tuple[bytes, bytes] = (b"", b"")
) -> tuple[str, int]:
    """Run a command in a pseudo-terminal of 80 columns; return all that it wrote there, and its exit code.

    send: what is typed once something stands there.
    """
    child, descriptor = pty.fork()
    if child == 0:
        os.chdir(folder)
        kept = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "COLUMNS")}
        kept |= {"PYTHONPATH": str(ROOT), "TERM": "xterm-256color", "COLORTERM": "truecolor", **(env or {})}
        os.execvpe(words[0], words, kept)
    fcntl.ioctl(descriptor, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 80, 0, 0))
    waiting, keys = send
    written, end = b"", time.monotonic() + 120
    while time.monotonic() < end:
        try:
            part = os.read(descriptor, 65536)
        except OSError:
            break
        if not part:
            break
        written += part
        if waiting and waiting in written:
            os.write(descriptor, keys)
            waiting = b""
    else:
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    os.close(descriptor)
    return written.decode(), os.waitstatus_to_exitcode(status)


def typed(*words: str) -> list[str]:
    return [sys.executable, "-m", "calib", *words]


# --- lines -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", HOSTILE, ids=range(len(HOSTILE)))
def test_no_line_is_wider_than_the_screen_and_no_letter_is_lost(name: str) -> None:
    line = f"  {name} and {name}: 0.8 dE00, the same"
    for lines in (wrapped(line.strip(), "  "), fitted(harmless(line))):
        assert all(0 <= wcswidth(one) <= WIDTH for one in lines)
        assert all(one.startswith("  ") for one in lines)
        assert "".join("".join(lines).split()) == "".join(harmless(line).split())
    assert not any(ord(letter) < 32 for one in wrapped(line) for letter in one)


def test_what_fits_stays_as_it_is_and_paths_stay_whole() -> None:
    assert fitted("    a  line   of its own shape") == ["    a  line   of its own shape"]
    assert fitted("") == [""]
    path = "/a" * 80
    assert fitted(f"Written: {path}") == [f"Written: {path}"]
    assert max(map(len, fitted(f"Found: {path}"))) <= WIDTH


def worse(row: Reading) -> Reading:
    """Return a row whose marker has an id and a name as bad as they can be, the same in each table."""
    number = sum(map(ord, row.marker))
    ident, name = (ALLOWED[(number + step) % len(ALLOWED)] for step in (0, 3))
    return replace(row, marker=f"{row.marker}{ident}", name=name)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the example's tables, its markers badly named."""
    folder = tmp_path_factory.mktemp("hostile")
    for file in ("colours", "autumn", "rough", "few", "new"):
        table, _ = read_table(EXAMPLES / f"{file}.csv")
        # Also the ids, and the paper's name.
        rows = [worse(row) if row.kind == "ink" else row for row in table.readings]
        write_table(folder / f"{file}.csv", replace(table, readings=tuple(rows)))
    return folder


COMMANDS = (
    ("duplicates", "colours.csv", "new.csv", "--within", "4"),
    ("drift", "colours.csv", "autumn.csv"),
    ("papers", "colours.csv", "rough.csv"),
    ("predict", "colours.csv", "few.csv", "-o", "predicted.csv"),
)


@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: words[0])
def test_summaries_fit_and_say_nothing_with_quiet_or_as_words_with_json(
    words: tuple[str, ...], hostile: Path, calib: Calib, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(hostile)
    said = calib(*words)
    assert said.code == 0 and len(said.out.splitlines()) > 5
    assert all(0 <= wcswidth(line) <= WIDTH for line in said.out.splitlines())
    assert not re.search("[\x00-\x09\x0b-\x1f\u202e\u2066]", said.out)
    assert calib(*words, "--quiet").out == ""
    assert calib(*words, "--json").out.startswith("{")


# --- chips -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("environment", "shown"),
    [
        ({"COLORTERM": "truecolor"}, True),
        ({"COLORTERM": "24bit"}, True),
        ({"COLORTERM": "256"}, False),
        ({}, False),
        ({"TERM": "xterm-direct"}, True),
        ({"TERM": "xterm-direct256"}, True),
        ({"TERM": "xterm-kitty"}, True),
        ({"TERM": "xterm-kitty-not"}, False),
        ({"COLORTERM": "truecolor", "TERM": "dumb"}, False),
        ({"COLORTERM": "truecolor", "NO_COLOR": "1"}, False),
        ({"COLORTERM": "truecolor", "NO_COLOR": "0"}, False),
        # "when present and not an empty string (regardless of its value)"
        ({"COLORTERM": "truecolor", "NO_COLOR": ""}, True),
    ],
)
def test_when_chips_are_shown(terminal: pytest.MonkeyPatch, environment: dict[str, str], shown: bool) -> None:
    terminal.setattr("sys.stdout.isatty", lambda: True)
    terminal.delenv("COLORTERM")
    for name, value in environment.items():
        terminal.setenv(name, value)
    assert chips_shown() is shown
    assert bool(chip("#102030")) is shown
    terminal.setattr("sys.stdout.isatty", lambda: False)
    assert not chips_shown()
    assert chip("#102030") == ""


def test_a_chip_is_as_wide_as_it_looks_and_stays_with_its_name(
    terminal: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    terminal.setattr("sys.stdout.isatty", lambda: True)
    two = chip("#102030", "#A0b0C0")
    assert (len(two), wcswidth(two), coloured(two)) == (
        5,
        5,
        "\x1b[48;2;16;32;48m  \x1b[0m\x1b[48;2;160;176;192m  \x1b[0m ",
    )
    lines = wrapped(" ".join(f"{chip('#102030')}pen" for _ in range(60)))
    assert len(lines) > 4
    for line in lines:
        # With its orders taken out a line is as wide as it was counted, and no chip is parted from its pen.
        plain = ORDERS.sub("", coloured(line))
        assert len(plain) == len(line) <= WIDTH
        assert len(GROUND.findall(coloured(line))) == plain.count("pen") > 0
    options.say(False, f"1. {chip('#ff0000')}\x1b[31m017")
    assert capsys.readouterr().out == "1. \x1b[48;2;255;0;0m  \x1b[0m \\u001b[31m017\n"


@pytest.mark.parametrize("colour", [None, "", "red", "#fff", "#12345g", "#1020305", "#102030;1m", "\x1b[31m"])
def test_what_is_no_colour_has_no_chip(terminal: pytest.MonkeyPatch, colour: str | None) -> None:
    terminal.setattr("sys.stdout.isatty", lambda: True)
    assert chip(colour) == ""
    assert chip("#102030", colour) == ""


def test_no_text_passes_for_a_chip(terminal: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """Characters of the private planes in a name are shown as they are: which ones are chips is drawn in each run."""
    terminal.setattr("sys.stdout.isatty", lambda: True)
    names = [chr(0xF0000 + i) + chr(0x100000 + i) for i in range(2000)]
    assert chip("#112233")
    options.say(False, " ".join(names))
    assert "\x1b" not in capsys.readouterr().out
    tokens = {chips._block(f"#{i:06x}") for i in range(300)}
    assert len(tokens) == 300


def test_a_row_without_hex_is_shown_by_its_lab(terminal: pytest.MonkeyPatch) -> None:
    terminal.setattr("sys.stdout.isatty", lambda: True)
    white = Reading("1", 1, "p", "2026-03-01", L=100.0, a=0.0, b=0.0)
    assert coloured(chip_of(white)) == "\x1b[48;2;255;255;255m  \x1b[0m "
    assert chip_of(replace(white, L=None, a=None, b=None)) == chip_of(None) == chip_of(white, None) == ""


def test_all_swatches_in_two_rows(terminal: pytest.MonkeyPatch) -> None:
    terminal.setattr("sys.stdout.isatty", lambda: True)
    rows = [
        Reading(f"{i}", coats, "p", "2026-03-01", hex=f"#{i:02x}00{coats:02x}")
        for i in range(80)
        for coats in (1, 2)
        if (i, coats) != (3, 2)
    ]
    head, *lines = swatch_rows([*rows, Reading("paper", 0, "p", "2026-03-01", kind="paper", hex="#ffffff")])
    assert "two" in head
    seen = [[tuple(map(int, found)) for found in GROUND.findall(coloured(line))] for line in lines]
    assert [len(found) for found in seen] == [27, 26, 27, 27, 26, 26]
    assert [found for band in seen[::2] for found in band] == [(i, 0, 1) for i in range(80)]
    assert seen[1] == [(i, 0, 2) for i in range(27) if i != 3]
    assert all(len(line) <= WIDTH for line in lines)
    # Where a swatch is missing those behind it stay below their first coat.
    assert lines[1].index(chips._block("#040002")) == lines[0].index(chips._block("#040001"))
    assert swatch_rows([]) == []
    terminal.setenv("NO_COLOR", "1")
    assert swatch_rows(rows) == []


def test_chips_on_a_terminal_and_nowhere_else(tmp_path: Path, calib: Calib) -> None:
    words = ("duplicates", str(EXAMPLES / "colours.csv"), str(EXAMPLES / "new.csv"))
    shown, code = on_terminal(typed(*words), tmp_path)
    assert code == 0
    table, _ = read_table(EXAMPLES / "new.csv")
    known = {tuple(int(row.hex[i : i + 2], 16) for i in (1, 3, 5)) for row in table.readings if row.hex}
    found = {tuple(map(int, ground)) for ground in GROUND.findall(shown)}
    assert len(found & known) >= 8
    assert all(len(ORDERS.sub("", line)) <= WIDTH for line in shown.splitlines())
    # Every order is one of a chip.
    assert "\x1b" not in GROUND.sub("", shown)
    plain, _ = on_terminal(typed(*words), tmp_path, {"NO_COLOR": "1"})
    assert "\x1b" not in plain
    assert plain.replace("\r\n", "\n") == calib(*words).out


# --- the bar ---------------------------------------------------------------------------------


def test_pages_are_counted_on_a_terminal(studio: Studio, tmp_path: Path) -> None:
    scans = [str(studio.scan("page-1")), str(studio.scan("page-2", page=2))]
    words = typed("measure", str(studio.plan_path), *scans, "--strip", str(studio.strip_path))
    shown, code = on_terminal([*words, "--paper", "p", "-o", "colours.csv"], tmp_path)
    assert code == 0
    assert re.findall(r"\] +(\d)/2", shown) == ["0", "1", "2"]
    assert "page-1.png (1 of 2)" not in shown
    # The cursor that the bar hides comes back, on a line of its own.
    assert shown.rindex("\x1b[?25l") < shown.rindex("\x1b[?25h")
    assert re.search(r"2/2[^\n]*\x1b\[\?25h\r\n", shown)
    assert len(GROUND.findall(shown)) > 20


def test_ctrl_c_and_failures_end_the_bars_line(studio: Studio, tmp_path: Path) -> None:
    scans = [str(studio.scan("page-1")), str(studio.scan("page-2", page=2))]
    words = typed("measure", str(studio.plan_path), *scans, "--strip", str(studio.strip_path))
    shown, code = on_terminal([*words, "--paper", "p", "-o", "colours.csv"], tmp_path, send=(b"0/2", b"\x03"))
    assert code == 130
    assert re.search(r"\x1b\[\?25h\r\n(\r\n)?calib: interrupted", shown)
    assert not (tmp_path / "colours.csv").exists()
    # What is no scan fails before anything is read.
    bad = typed("measure", str(studio.plan_path), scans[0], str(studio.strip_path), "--strip", "none")
    shown, code = on_terminal([*bad, "--paper", "p", "-o", "colours.csv"], tmp_path)
    assert code == 3
    assert re.search(r"\x1b\[\?25h\r\n *calib: ", shown)
    assert not shown.rstrip().endswith("\x1b[?25l")


@pytest.mark.parametrize("how", ["quiet", "dumb", "piped"])
def test_no_bar_where_it_is_of_no_use(
    how: str, studio: Studio, terminal: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    terminal.setattr("sys.stdout.isatty", lambda: True)
    terminal.setattr("sys.stderr.isatty", lambda: how != "piped")
    terminal.setenv("TERM", "dumb" if how == "dumb" else "xterm")
    scans = [studio.scan("page-1"), studio.scan("page-2", page=2)]
    with Progress(scans, how == "quiet") as progress:
        progress.file(1, 2, "page-1.png")
        progress.page()
    err = capsys.readouterr().err
    assert "\x1b" not in err and "#" not in err
    assert ("page-1.png (1 of 2)" in err) is (how != "quiet")


# --- completion ------------------------------------------------------------------------------


@pytest.fixture
def shell(tmp_path: Path) -> Callable[[str], str]:
    """Return what types into a bash with calib's completion, presses the tab key, and returns the line as bash completed it."""
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("there is no bash here")
    program = tmp_path / "bin" / "calib"
    program.parent.mkdir()
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m calib "$@"\n', encoding="utf-8")
    program.chmod(0o755)
    work = tmp_path / "work"
    work.mkdir()
    for name in ("chart.json", "scan-1.png", "strip.csv", "none-of-it.csv"):
        (work / name).touch()
    (tmp_path / "rc").write_text(
        "PS1='> '\nbind 'set bell-style none'\nbind 'set enable-bracketed-paste off'\n"
        'eval "$(_CALIB_COMPLETE=bash_source calib)"\necho ready\n',
        encoding="utf-8",
    )

    def completed(line: str) -> str:
        # The first tab completes what is certain; Ctrl-A and the echo show the line as it then is.
        keys = line.encode() + b"\t\x01echo =\x05=\r\x04"
        written, _ = on_terminal(
            [bash, "--noprofile", "--rcfile", str(tmp_path / "rc"), "-i"],
            work,
            {"PATH": f"{program.parent}:{os.environ['PATH']}", "TERM": "xterm"},
            (b"ready\r\n> ", keys),
        )
        found = re.findall(r"^=(.*)=\r?$", written, re.M)
        assert found, written
        return str(found[-1])

    return completed


@pytest.mark.parametrize(
    ("line", "whole"),
    [
        ("calib meas", "calib measure "),
        ("calib measure cha", "calib measure chart.json "),
        ("calib measure chart.json --strip str", "calib measure chart.json --strip strip.csv "),
        ("calib measure chart.json --str", "calib measure chart.json --strip "),
        ("calib export x --as data", "calib export x --as datapackage "),
        ("calib chart x --page lett", "calib chart x --page letter "),
    ],
)
def test_bash_completes(line: str, whole: str, shell: Callable[[str], str]) -> None:
    assert shell(line) == whole


def test_files_and_words_are_completed(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the other shells are told, by click's own way in for them."""
    from click.shell_completion import ShellComplete

    from calib.cli.main import cli

    def told(*words: str) -> list[tuple[str, str]]:
        found = ShellComplete(cli, {}, "calib", "_CALIB_COMPLETE").get_completions(
            list(words[:-1]), words[-1]
        )
        return [(one.type, one.value) for one in found]

    assert ("plain", "duplicates") in told("")
    assert told("measure", "c") == [("file", "c")]
    assert told("measure", "c.json", "--strip", "n") == [("file", "n")]
    assert told("measure", "c.json", "--strip", "no") == [("plain", "none")]
    assert told("export", "x", "--as", "") == [
        ("plain", form) for form in ("cgats", "json", "gpl", "datapackage")
    ]
    assert told("chart", "m.csv", "--layers", "") == [("plain", coats) for coats in ("1", "2", "1,2")]
    assert ("plain", "a5") in told("chart", "m.csv", "--page", "")
    assert told("chart", "m.csv", "--cell", "") == []


def test_every_command_can_be_quiet_and_every_answer_be_json() -> None:
    from calib.cli.main import cli

    options_of = {
        name: {opt for param in command.params for opt in param.opts}
        for name, command in cli.commands.items()
    }
    assert {name for name, found in options_of.items() if "--quiet" not in found} == set()
    # What writes files and answers nothing has no answer to give as JSON.
    assert {name for name, found in options_of.items() if "--json" not in found} <= {
        "chart", "carrier", "scanner", "measure", "report", "export", "flags", "demo"
    }  # fmt: skip
