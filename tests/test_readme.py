"""The manual against the program: what README.md says is what the commands do, and what is shipped works."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import click
import cv2
import numpy as np
import pytest
from make_examples import (
    CARD,
    CARRIER_COMMANDS,
    CHART_COMMANDS,
    CHARTS,
    DPI,
    EXAMPLES,
    MEASURE_COMMAND,
    ROOT,
    SCANS,
    card_file,
    render,
)

from calib import errors
from calib.chart.markers import read_markers
from calib.chart.plan import Plan
from calib.chart.planfile import carrier_to_json, plan_to_json, read_carrier, read_plan
from calib.cli.ending import INTERRUPTED
from calib.cli.main import cli
from calib.cli.options import FINDINGS
from calib.colour.card import read_card
from calib.colour.reference import read_strip
from calib.table.columns import COLUMNS
from calib.table.flags import FLAGS
from calib.table.table import Reading, read_table

README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = sorted(name for name, command in cli.commands.items() if not command.hidden)
# What a reader sees of the fence: its language, its text, and the text fence right below it, if any.
FENCES = re.findall(r"^```(\w*)\n(.*?)^```$(?:\n```text\n(.*?)^```$)?", README, re.M | re.S)
TYPED = [(text.strip(), shown) for language, text, shown in FENCES if language == "sh"]
OURS = [(line, shown) for line, shown in TYPED if line.startswith("calib ")]
# The tour takes most of a minute and has its own tests.
SLOW = ("calib demo",)
PLANS = sorted(
    {(folder / words[words.index("-o") + 1]).with_suffix(".json") for folder, words in CHART_COMMANDS}
)


def section(title: str) -> str:
    """Return the text under a heading, up to the next one."""
    found = re.search(rf"^## {re.escape(title)}\n(.*?)(?=^## |\Z)", README, re.M | re.S)
    assert found, f"README has no section '{title}'"
    return found[1]


def parsed(line: str) -> click.Context:
    """Return what click makes of a command line; it raises where the line could not be typed."""
    program, name, *rest = shlex.split(line)
    assert program == "calib"
    # Below its group as it is when typed: a command keeps the names of its help option from the first time on.
    above = click.Context(cli, info_name=program, **cli.context_settings)
    return cli.commands[name].make_context(name, rest, parent=above)


def typed(words: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    """Run calib in a folder as a shell does; stdout and stderr come as they would on a screen."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}
    command = [sys.executable, "-m", "calib", *words]
    return subprocess.run(
        command,
        cwd=folder,
        env=environment,
        encoding="utf-8",
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
    )


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder that looks like the repository to somebody who reads on from page to page."""
    folder = tmp_path_factory.mktemp("reader")
    shutil.copytree(CHARTS, folder / "charts")
    shutil.copytree(EXAMPLES, folder / "examples")
    return folder


# --- the commands ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_an_example_and_a_place(name: str) -> None:
    command = cli.commands[name]
    assert command.help
    assert command.epilog
    assert command.epilog.startswith(f"Example: calib {name}")
    assert parsed(command.epilog.removeprefix("Example: "))
    assert any(line.startswith(f"calib {name}") for line, _ in OURS), "no page of the README types it"
    for option in command.params:
        if isinstance(option, click.Option):
            assert option.help, f"{option.name} has no help"


# Each page with the commands whose options it explains.
PAGES = {
    "Print a chart": ("chart",),
    "Measure": ("measure",),
    "Measure the scanner with a colour card": ("carrier", "scanner"),
    "Find pens you have twice": ("duplicates",),
    "Find pens that dry out": ("drift",),
    "Change the paper": ("papers",),
    "Carry your colours over to another paper": ("predict",),
    "Look at your colours": ("report",),
    "Go from dark to light": ("blend",),
    "Find a stand-in": ("match",),
    "Lay one ink over another": ("layer",),
    "Find the true greys": ("greys",),
    "Plan a picture": ("scene",),
    "Export": ("export",),
    "Flags": ("flags",),
    "The tour": ("demo",),
}


@pytest.mark.parametrize("title", PAGES)
def test_every_option_is_named_on_its_page_and_no_other(title: str) -> None:
    options = {
        o
        for name in PAGES[title]
        for p in cli.commands[name].params
        if isinstance(p, click.Option)
        for o in p.opts
    }
    # Pages also speak of values such as -0.5 and of other programs' options; ours stand in code.
    named = {
        code for text in re.findall(r"`(-{1,2}[a-z][^`]*)`", section(title)) for code in text.split()[:1]
    }
    assert options <= named
    assert named - {"--help"} <= options


def test_the_pages_of_all_commands_are_tested() -> None:
    assert set(COMMANDS) == {name for names in PAGES.values() for name in names}, (
        "give the new command a page, and name it above"
    )


@pytest.mark.parametrize("line", [line for line, _ in OURS])
def test_commands_can_be_typed(line: str) -> None:
    assert parsed(line)


def test_commands_do_what_is_written(reader: Path) -> None:
    """Type the whole manual, page after page, in one folder: each page's output is the next one's input."""
    run = 0
    for line, shown in OURS:
        if line.startswith(SLOW):
            continue
        done = typed(shlex.split(line)[1:], reader)
        assert done.returncode == 0, f"{line}\n{done.stdout}"
        if shown:
            # The words must be those; the figures move with every improvement of the measurement.
            assert worded(done.stdout) == worded(shown), line
        run += 1
    assert run >= 4
    assert (reader / "proof" / "page-01.png").exists()


def worded(text: str) -> str:
    return re.sub(r"[-+]?\d+(\.\d+)?", "#", text).strip()


def test_the_first_command_reads_the_example(tmp_path: Path) -> None:
    """.ci/run types the whole of it; here its last part is typed."""
    (line,) = (line for line, _ in TYPED if "measure examples" in line and line.startswith("python3 -m venv"))
    last = line.split(" && ")[-1].removeprefix(".venv/bin/")
    assert parsed(last)
    words = [
        str(tmp_path / "colours.csv") if word == "colours.csv" else word for word in shlex.split(last)[1:]
    ]
    done = typed(words, ROOT)
    assert done.returncode == 0, done.stdout
    table, warnings = read_table(tmp_path / "colours.csv")
    assert warnings == ()
    assert sum(row.lab is not None for row in table.readings) >= 81


def test_ci_takes_its_commands_from_the_readme() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    for name in ("first", "tests"):
        assert re.search(rf"^<!-- {name} -->\n```sh\n(python3 -m venv \.venv|\.venv/bin/pip) ", README, re.M)
        assert README.count(f"<!-- {name} -->") == 1
        assert f"readme {name}" in script


# --- the words -------------------------------------------------------------------------------


def test_columns_are_explained_in_their_order() -> None:
    rows = re.findall(r"^\| (`[^|]*`) \|", section("Read the table"), re.M)
    named = [name for row in rows for name in re.findall(r"`(\w+)`", row)]
    assert named == [column.name for column in COLUMNS]


def test_flags_that_are_named_exist() -> None:
    text = section("Flags").split("The ones you will meet most are")[1]
    named = re.findall(r"`([a-z-]+)`", text)
    assert len(named) >= 5
    assert set(named) <= set(FLAGS)


def test_exit_codes_are_the_programs() -> None:
    rows = re.findall(r"^\| (\d+) \|", section("When something goes wrong"), re.M)
    kinds = [
        kind
        for kind in vars(errors).values()
        if isinstance(kind, type) and issubclass(kind, errors.CalibError)
    ]
    # 0 is done, 2 also the option parser's own.
    assert {int(row) for row in rows} == {0, INTERRUPTED, FINDINGS, *(kind.exit_code for kind in kinds)}


def test_links_lead_somewhere() -> None:
    headings = {
        re.sub(r"[^\w -]", "", h.lower()).replace(" ", "-") for h in re.findall(r"^#+ (.+)$", README, re.M)
    }
    targets = re.findall(r"\]\(([^)]+)\)", README)
    assert len(targets) > 10
    for target in targets:
        assert target[1:] in headings if target.startswith("#") else (ROOT / target).exists(), target


def test_files_that_are_named_exist() -> None:
    named = set(re.findall(r"`((?:charts|examples)/[\w.-]*)`", README))
    named |= {f"charts/{name}" for name in re.findall(r"`(strip-[\w-]+\.csv)`", README)}
    assert len(named) > 8
    for name in named:
        assert (ROOT / name).exists(), name


def test_strip_files_are_all_explained_and_load() -> None:
    strips = sorted(CHARTS.glob("strip-*.csv"))
    assert len(strips) >= 5
    for path in [*strips, EXAMPLES / "strip.csv"]:
        strip = read_strip(path)
        assert strip.warnings == ()
        if path.parent == CHARTS:
            assert f"`{path.name}`" in section("Grey strips")
            steps = re.search(rf"`{path.name}` \|[^|]*?(\d+|six) (?:steps|greys)", README)
            assert steps
            assert len(strip.labels) == (6 if steps[1] == "six" else int(steps[1]))


def test_the_guide_for_developers_names_every_room() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert len(guide.splitlines()) < 250
    house = re.search(r"^\| room \|.*?\n\n", guide, re.M | re.S)
    assert house
    named = {name for code in re.findall(r"`([\w/]+)`", house[0]) for name in code.rstrip("/").split("/")}
    modules = {path.relative_to(ROOT / "calib") for path in (ROOT / "calib").rglob("*.py")}
    rooms = {path.stem for path in modules if path.parts[0] != "synthetic"} - {"__init__", "__main__"}
    assert rooms - named == set(), "a room that nobody finds"
    known = {part.removesuffix(".py") for path in modules for part in path.parts}
    assert named - known - {"measure", "main", "simulate_page"} <= {
        "CalibError",
        "raise_all",
        "write_whole",
        "COLUMNS",
        "Reading",
        "Table",
    }


# --- the files -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("folder", "words"), CHART_COMMANDS, ids=lambda value: value[-1] if isinstance(value, tuple) else ""
)
def test_the_program_makes_the_shipped_charts(folder: Path, words: tuple[str, ...], tmp_path: Path) -> None:
    for name in words:
        if name.endswith(".csv"):
            shutil.copy(folder / name, tmp_path)
    done = typed(list(words), tmp_path)
    assert done.returncode == 0, done.stdout
    pdf = words[words.index("-o") + 1]
    plan = Path(pdf).with_suffix(".json").name
    # The plan to the byte; the PDF as it looks, since how a library packs it may change.
    assert (tmp_path / plan).read_bytes() == (folder / plan).read_bytes()
    for page in range(1, len(read_plan(folder / plan).pages) + 1):
        new, shipped = (render(where / pdf, page, 60) for where in (tmp_path, folder))
        assert np.array_equal(new, shipped), (
            f"{pdf}, page {page}, looks different: run tests/make_examples.py"
        )


@pytest.mark.parametrize("path", PLANS, ids=lambda path: path.stem)
def test_plans_load_and_their_marks_are_on_the_page(path: Path) -> None:
    plan = read_plan(path)
    assert plan_to_json(plan) == path.read_text(encoding="utf-8")
    for page in plan.pages:
        assert marks(render(path.with_suffix(".pdf"), page.page, 150), plan) == expected(plan, page.page)
    # The check can fail: another page has other marks.
    if len(plan.pages) > 1:
        assert expected(plan, 1).keys() != expected(plan, 2).keys()


@pytest.mark.parametrize(("folder", "words"), CARRIER_COMMANDS, ids=["a4", "letter"])
def test_the_program_makes_the_shipped_carriers(folder: Path, words: tuple[str, ...], reader: Path) -> None:
    pdf = words[words.index("-o") + 1]
    new = typed([*words[:-1], f"new-{pdf}"], reader / folder.name)
    assert new.returncode == 0, new.stdout
    made, shipped = (where / pdf for where in (reader / folder.name, folder))
    made = made.with_name(f"new-{pdf}")
    assert made.with_suffix(".json").read_bytes() == shipped.with_suffix(".json").read_bytes()
    assert np.array_equal(render(made, 1, 60), render(shipped, 1, 60)), (
        f"{pdf} looks different: run tests/make_examples.py carriers"
    )
    carrier = read_carrier(shipped.with_suffix(".json"))
    assert carrier_to_json(carrier) == shipped.with_suffix(".json").read_text(encoding="utf-8")
    assert carrier.card_mm == (200.0, 130.0)
    assert marks(render(shipped, 1, 150), carrier.plan) == expected(carrier.plan, 1)


def test_the_card_of_the_example_is_the_one_that_the_script_makes() -> None:
    path = EXAMPLES / "card.csv"
    assert path.read_text(encoding="utf-8") == card_file()
    read = read_card(path)
    assert (read.rows, read.columns) == (CARD.rows, CARD.columns)
    # Two decimals of Lab are kept.
    assert np.allclose(read.xyz, CARD.xyz, atol=2e-4)


def expected(plan: Plan, number: int) -> dict[int, tuple[int, int]]:
    """Return each mark's middle on the page by its id, to the half millimetre."""
    page = next(page for page in plan.pages if page.page == number)
    return {
        m.id: (round(2 * (m.x_mm + m.size_mm / 2)), round(2 * (m.y_mm + m.size_mm / 2))) for m in page.marks
    }


def marks(picture: np.ndarray, plan: Plan) -> dict[int, tuple[int, int]]:
    """Return what OpenCV's own detector finds on a page: middles to the half millimetre by id."""
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11))
    corners, ids, _ = detector.detectMarkers(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
    per_mm = picture.shape[1] / plan.page_mm[0]
    middles = [corner.reshape(4, 2).mean(axis=0) / per_mm for corner in corners]
    return {
        int(mark): (round(2 * float(x)), round(2 * float(y)))
        for mark, (x, y) in zip(np.ravel(ids), middles, strict=True)
    }


def test_ready_made_charts_have_48_markers_on_their_paper() -> None:
    assert len(read_markers(CHARTS / "markers-48.csv")) == 48
    for name, size in (("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))):
        plan = read_plan(CHARTS / f"markers-48-{name}.json")
        assert plan.page_mm == size
        assert {cell.marker for page in plan.pages for cell in page.cells} == {
            f"{i:03d}" for i in range(1, 49)
        }


def test_the_example_is_small_and_whole() -> None:
    markers = read_markers(EXAMPLES / "markers.csv")
    assert len(markers) == 40
    assert [m.marker for m in markers if m.kind == "blender"] == ["040"]
    assert all(m.marker.isdigit() and m.name and m.set for m in markers)
    assert read_plan(EXAMPLES / "chart.json").markers == markers
    assert sum(path.stat().st_size for path in EXAMPLES.iterdir()) < 12e6
    for path in EXAMPLES.glob("*.png"):
        if not path.name.startswith("scan-"):
            assert path.stat().st_size < 310_000, f"{path.name} is too large for a page"


def test_the_shipped_table_is_what_the_program_measures(reader: Path, tmp_path: Path) -> None:
    words = [str(tmp_path / word) if word == "colours.csv" else word for word in MEASURE_COMMAND]
    done = typed(words, reader / "examples")
    assert done.returncode == 0, done.stdout
    (new, _), (shipped, warnings) = read_table(tmp_path / "colours.csv"), read_table(EXAMPLES / "colours.csv")
    assert warnings == ()
    assert [row.key for row in new.readings] == [row.key for row in shipped.readings]
    for now, then in zip(new.readings, shipped.readings, strict=True):
        # Another computer's libraries round otherwise; an improved measurement wants a new table.
        assert near(now, then), f"{now.key} has changed: run tests/make_examples.py table"
    assert [scan.pages for scan in shipped.origin.scans] == [(1,), (2,)]
    assert [scan.sha256 for scan in shipped.origin.scans] == [scan.sha256 for scan in new.origin.scans]


def near(one: Reading, other: Reading) -> bool:
    if one.lab is None or other.lab is None:
        return one.lab == other.lab and one.flags == other.flags
    return bool(np.allclose(one.lab, other.lab, atol=0.05)) and one.flags == other.flags


def test_the_mistakes_of_the_example_are_noticed() -> None:
    rows = {row.key[:2]: row for row in read_table(EXAMPLES / "colours.csv")[0].readings}
    assert rows["008", 2].flags == ("blank",)
    assert rows["008", 2].lab is None
    assert "half-filled" in rows["027", 1].flags
    assert rows["027", 1].lab is not None
    assert all("mottled" in rows["016", layers].flags for layers in (1, 2))
    assert rows["040", 1].flags == ()
    noticed = [key for key, row in rows.items() if {"blank", "half-filled", "mottled"} & set(row.flags)]
    assert sorted(noticed) == [("008", 2), ("016", 1), ("016", 2), ("027", 1)]


def test_the_scans_are_pictures_of_their_pages() -> None:
    for number, (name, laying, _, _) in enumerate(SCANS, 1):
        scan = cv2.imread(str(EXAMPLES / name), cv2.IMREAD_UNCHANGED)
        assert scan.dtype == np.uint8
        plan = read_plan(EXAMPLES / "chart.json")
        assert scan.shape[0] > plan.page_mm[1] / 25.4 * DPI
        turned = cv2.rotate(scan, cv2.ROTATE_180) if laying.turn_deg > 90 else scan
        found = marks(turned[..., ::-1].copy(), plan)
        assert found.keys() == expected(plan, number).keys()
