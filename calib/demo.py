"""The whole tour in one folder, on invented markers, a simulated hand and a simulated scanner."""

from __future__ import annotations

import os
import re
import secrets
import shutil
from collections.abc import Callable
from pathlib import Path

from calib.answers.drift.comparison import drift_of
from calib.answers.drift.driftfile import drift_answer
from calib.chart.layout import ChartOptions, lay_out
from calib.chart.markers import read_markers
from calib.chart.page import draw_chart
from calib.chart.planfile import plan_to_json, read_plan
from calib.colour.reference import read_strip
from calib.errors import OutputError
from calib.files import make_folder, write_whole
from calib.scan.measure import Settings, measure
from calib.scan.proof import proof_of
from calib.scan.prooffolder import ProofFolder
from calib.staging import claim, is_left
from calib.synthetic.drawer import invent_inks
from calib.synthetic.scan import simulate_page
from calib.synthetic.session import STEPS, Hand, Laying, Scanner, Session
from calib.synthetic.writing import write_scan
from calib.table.answerfile import write_answer
from calib.table.table import read_table, write_table

# Ids, names and colours are invented; hints are what the caps of such pens might show.
DRAWER = """marker,name,set,kind,hint
001,Clear blender,tools,blender,
002,Oat milk,skin,ink,#f6e7d3
003,Peach fuzz,skin,ink,#f9cdb0
004,Warm sand,skin,ink,#e3b58c
005,Chestnut,skin,ink,#9a5f3c
006,Dark cocoa,skin,ink,#5a3626
007,Rose blush,skin,ink,#f2a2a8
008,Fog,stone,ink,#e4e6e8
009,Pebble,stone,ink,#b9bdc1
010,Slate,stone,ink,#7c838a
011,Basalt,stone,ink,#45494e
012,Warm ash,stone,ink,#a39b92
013,Spring leaf,wood,ink,#bfd96c
014,Fern,wood,ink,#6fa04a
015,Deep moss,wood,ink,#3f6135
016,Bark,wood,ink,#7a5a42
017,Shallow water,water,ink,#c2e3ea
018,Lagoon,water,ink,#5fb4c9
019,Lake,water,ink,#2f7aa8
020,Night sea,water,ink,#24406b
021,Lemon rind,light,ink,#f6e25a
022,Lantern,light,ink,#f3ab3d
023,Brick,light,ink,#b3492f
024,Plum skin,light,ink,#6b3a63
"""

# What the folder ends in that the tour is made in, and when nothing but its place is missing.
UNFINISHED, WHOLE = ".part", ".whole"
SESSIONS = (("spring", "2026-03-15", 11), ("autumn", "2026-09-20", 12))
# What happens between the two sessions: one pen has lost ink, and one runs dry.
FADED = ("019", 0.75)
DRY = ("014", 0.35)

README = """The tour of calib
=================

Everything here is invented: the markers, the hand that coloured the chart, and the scanner.

markers.csv             the list of pens
chart.pdf, chart.json   the chart to print, and its plan
strip.csv               the steps of the grey strip
spring.png, autumn.png  simulated scans of the coloured chart, half a year apart
spring.csv, autumn.csv  the measured colour tables, each with its description beside it
proof-spring, proof-autumn
                        the pages as they were understood: look at these first
drift.csv               which pens changed from spring to autumn

In autumn the pen 019 gives only three quarters of its ink, and 014 is running dry: find them in
drift.csv, in the columns strength and verdict.

The same by hand:

    calib chart markers.csv -o chart.pdf
    calib measure chart.json spring.png --strip strip.csv --paper smooth --session 2026-03-15 -o spring.csv
    calib measure chart.json autumn.png --strip strip.csv --paper smooth --session 2026-09-20 -o autumn.csv
    calib drift spring.csv autumn.csv -o drift.csv
"""


def run(folder: Path, say: Callable[[str], None]) -> None:
    """Run the tour in a folder that is absent or empty; say is called before each step.

    Everything appears in the folder at the end, all of it. What a run that was killed has left there is taken away.
    """
    folder = Path(folder)
    try:
        left = [path for path in folder.iterdir() if _is_left(path)] if folder.is_dir() else []
        taken = folder.exists() and (
            not folder.is_dir() or any(path not in left for path in folder.iterdir())
        )
    except (OSError, ValueError) as error:
        raise OutputError(
            f"{folder}: cannot be a folder ({error})", "Name a new folder for the tour."
        ) from error
    for whole in left:
        if whole.name.endswith(WHOLE):
            # That run was killed while its files were moving to their places, which is all that is left to do.
            _move_up(whole, folder)
            return
    if taken:
        raise OutputError(f"{folder}: is not empty", "Name a new folder for the tour.")
    new = not folder.exists()
    make_folder(folder)
    for path in left:
        shutil.rmtree(path, ignore_errors=True)
    place = folder / f".tour.{secrets.token_hex(4)}{UNFINISHED}"
    # Files are put in a folder that nobody has claimed: who puts them there locks it for a moment, and waits for a lock of ours.
    made = place / "tour"
    handles = []
    try:
        make_folder(made)
        handles.append(claim(place))
        _tour(made, say)
        handles.append(claim(made))
        _move_up(made.rename(place.with_suffix(WHOLE)), folder)
    finally:
        shutil.rmtree(place, ignore_errors=True)
        for handle in handles:
            if handle is not None:
                os.close(handle)
        if new and not any(folder.iterdir()):
            folder.rmdir()


def _is_left(path: Path) -> bool:
    """Whether a path is the working folder of a run that is over."""
    named = re.fullmatch(rf"\.tour\.[0-9a-f]{{8}}({UNFINISHED}|{WHOLE})", path.name)
    return named is not None and path.is_dir() and is_left(path)


def _move_up(whole: Path, folder: Path) -> None:
    """Move what is in a folder to the one above, and take it away."""
    try:
        for path in sorted(whole.iterdir()):
            path.rename(folder / path.name)
        whole.rmdir()
    except OSError as error:
        raise OutputError(
            f"{folder}: cannot be written ({error.strerror or error})", f"Look into {whole}."
        ) from error


def _tour(folder: Path, say: Callable[[str], None]) -> None:
    say("making the list, the strip file and the chart")
    strip_text = "step,density\n" + "".join(f"{i},{density:.2f}\n" for i, density in enumerate(STEPS, 1))
    write_whole(
        {
            folder / "markers.csv": DRAWER.encode(),
            folder / "strip.csv": strip_text.encode(),
            folder / "README.txt": README.encode(),
        }
    )
    markers = read_markers(folder / "markers.csv")
    plan = lay_out(markers, ChartOptions())
    write_whole(
        {folder / "chart.pdf": draw_chart(plan).pdf, folder / "chart.json": plan_to_json(plan).encode()}
    )
    for name, date, seed in SESSIONS:
        say(f"colouring and scanning the chart in {name}")
        _scan(folder, name, seed)
        say(f"measuring {name}.png")
        _measure(folder, name, date)
    say("asking which pens changed")
    tables = [read_table(folder / f"{name}.csv")[0] for name, _, _ in SESSIONS]
    write_answer(folder / "drift.csv", drift_answer(tables, drift_of(tables)))


def _scan(folder: Path, name: str, seed: int) -> None:
    """Simulate one session's coloured page and its scan."""
    plan = read_plan(folder / "chart.json")
    inks = {ink.marker: ink for ink in invent_inks(plan.markers, seed=1)}
    hand = Hand()
    if name == "autumn":
        inks[FADED[0]] = inks[FADED[0]].strengthened(FADED[1])
        hand = Hand(dry_marker={DRY[0]: DRY[1]})
    session = Session(hand=hand, scanner=Scanner(bits=8), laying=Laying(turn_deg=0.4 + seed / 10), seed=seed)
    scan = simulate_page(plan, 1, inks, session, dpi=200)
    write_scan(folder / f"{name}.png", scan.pixels, 200)


def _measure(folder: Path, name: str, date: str) -> None:
    """Measure one session into its table and its proof picture."""
    plan = read_plan(folder / "chart.json")
    settings = Settings(paper="smooth", session=date, dried=24)
    keep = ProofFolder(folder / f"proof-{name}")
    draw = proof_of
    strip = read_strip(folder / "strip.csv")
    measured = measure(plan, [folder / f"{name}.png"], strip, settings, draw, keep=keep)
    write_table(folder / f"{name}.csv", keep.finished(measured.table, plan, folder))
