"""The page that ``calib report`` makes, without a browser: what stands in it, what does not, and that it holds still.

Outside readers: Python's HTML parser, Pillow for the pictures, colour-science for the greys. All tables are invented.
"""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import io
import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import colour
import numpy as np
import pytest
from conftest import Run
from invented_tables import Making, invented_table
from PIL import Image, PngImagePlugin

from calib.answers.drift.comparison import drift_of
from calib.colour.colorimetry import hex_to_lab
from calib.report.chips import cards_of, chip_of, families_of
from calib.report.page import report_html
from calib.report.pictures import MOST_BYTES, MOST_TOGETHER, pictures_of
from calib.report.plots import frame_of
from calib.report.sitting import shown, sitting_of
from calib.report.trust import trust_words
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper
from calib.table.flags import FLAGS
from calib.table.origin import Origin
from calib.table.sessions import sessions_of
from calib.table.table import Reading, Table, write_table

Calib = Callable[..., Run]
PROGRAM = "calib 0.1.0"
# Elements that have no end tag (HTML Living Standard, 13.1.2).
VOID = {"meta", "img", "br", "input"}
INKS = invent_inks(20, 5)


class Reader(HTMLParser):
    """Reads a page as a browser does not: every element must be closed in its turn."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "script"):
            self.text.append(data)

    def words(self) -> str:
        return " ".join(" ".join(self.text).split())

    def all(self, tag: str, **attributes: str) -> list[dict[str, str | None]]:
        return [
            found
            for name, found in self.seen
            if name == tag
            and all(value in (found.get(key) or "").split() for key, value in attributes.items())
        ]


@pytest.fixture(scope="module")
def before() -> Table:
    return invented_table(INKS, Making(), 7)[0]


@pytest.fixture(scope="module")
def after() -> Table:
    weak = {INKS[3].marker: 0.75, INKS[9].marker: 0.8}
    return invented_table(INKS, Making(date="2026-09-01", strength=weak), 8)[0]


@pytest.fixture(scope="module")
def rough() -> Table:
    return invented_table(INKS, Making(paper=SimPaper(name="rough", gain=0.85)), 9)[0]


def put(table: Table, marker: str, **values: Any) -> Table:
    rows = [dataclasses.replace(r, **values) if r.marker == marker else r for r in table.readings]
    return dataclasses.replace(table, readings=tuple(rows))


def first(table: Table) -> str:
    return next(row.marker for row in table.readings if row.kind == "ink")


def test_every_swatch_has_its_chip_its_grey_and_its_words(before: Table) -> None:
    page = Reader(report_html([before], PROGRAM))
    rows = [row for row in before.readings if row.kind == "ink"]
    cards = page.all("article")
    assert len(cards) == len({row.marker for row in rows})
    chips = page.all("button", **{"class": "chip"})
    assert [chip["style"] for chip in chips] == [f"background:{row.hex}" for row in rows]
    words = page.words()
    for row in rows:
        assert row.name in words
    tips = {tip["id"] for tip in page.all("span", role="tooltip")}
    assert {chip["aria-describedby"] for chip in chips} == tips and len(tips) == len(chips)
    row = rows[0]
    assert f"{row.L:.1f}" in words and f"C* {row.C:.1f}, h {row.h:.0f}°" in words


def test_the_grey_beside_a_chip_is_as_light_as_the_colour(before: Table) -> None:
    for row in [row for row in before.readings if row.lab is not None]:
        grey = chip_of(row, None).grey
        # Lightness of the grey by colour-science, under its own D65: a neutral keeps its L* whatever the white.
        rgb = np.array([int(grey[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        Y = float(colour.sRGB_to_XYZ(rgb)[1])
        assert abs(100 * Y - colour.luminance(min(max(row.L or 0, 0.0), 100.0), method="CIE 1976")) < 0.6
        assert len({grey[1:3], grey[3:5], grey[5:7]}) == 1


def test_colours_beyond_the_screen_are_marked_in_shape_and_word(before: Table) -> None:
    page = Reader(report_html([before], PROGRAM))
    beyond = [row for row in before.readings if row.kind == "ink" and row.in_srgb is False]
    assert beyond
    assert len(page.all("button", **{"class": "beyond"})) == len(beyond)
    assert page.words().count("beyond the screen") >= len(beyond)


def test_order_and_filters_have_their_keys(before: Table) -> None:
    (session,) = sessions_of([before])
    cards = cards_of(session)
    assert [card.order for card in cards] == list(range(len(cards)))
    chips = [chip for card in cards for chip in card.chips]
    assert [chip.light for chip in chips] == [row.L for row in before.readings if row.kind == "ink"]
    families = families_of(cards)
    assert set(families) == {chip.family for chip in chips}
    hues = [chip.hue for chip in chips if chip.family != "grey"]
    assert all(0 <= hue < 360 for hue in hues)
    assert families[-1] == "grey" or "grey" not in families


def test_what_is_flagged_is_told_with_its_reason_and_without_a_colour_too(before: Table) -> None:
    marker = first(before)
    bare = dict.fromkeys(("L", "a", "b", "C", "h", "R", "G", "B", "X", "Y", "Z", "hex", "in_srgb"))
    table = put(before, marker, flags=("blank",), **bare)
    page = Reader(report_html([table], PROGRAM))
    words = page.words()
    assert words.count(FLAGS["blank"].sentence) == 1 and "blank 2 swatches" in words
    assert words.count("no colour: blank") == 2
    assert "Nothing was flagged" in Reader(report_html([before], PROGRAM)).words()
    unknown = Reader(report_html([put(before, marker, flags=("later-word",))], PROGRAM)).words()
    assert "later-word" in unknown


def test_a_swatch_with_two_flags_is_shown_once_below_the_graver(before: Table) -> None:
    marker = first(before)
    table = put(before, marker, flags=("mottled", "out-of-srgb", "repeats-differ"))
    (session,) = sessions_of([table])
    sitting = sitting_of(session, "s1", {}, frame_of(shown(session)[1]))
    assert [reason.flag for reason in sitting.reasons] == ["repeats-differ", "mottled"]
    graver, lesser = sitting.reasons
    assert [(cell.marker, cell.coats, cell.also) for cell in graver.cells] == [
        (marker, "1 coat", ("mottled",)), (marker, "2 coats", ("mottled",)),
    ]  # fmt: skip
    assert lesser.cells == () and lesser.count == 2 and sitting.flagged == 2
    words = Reader(report_html([table], PROGRAM)).words()
    assert FLAGS["repeats-differ"].sentence in words and FLAGS["mottled"].sentence in words
    assert "calib measure --proof" in words


def test_what_all_rows_have_is_said_once_where_it_is_of_the_whole_sheet_and_never_left_out() -> None:
    pens = [Reading(str(n), 1, "smooth", "2026-03-01", L=50.0 + n, a=1.0, b=2.0) for n in range(3)]
    photographed = Table(tuple(dataclasses.replace(pen, flags=("photo",)) for pen in pens))
    words = Reader(report_html([photographed], PROGRAM)).words()
    assert "Nothing was flagged" in words and "was photographed" in words
    mottled = Table(tuple(dataclasses.replace(pen, flags=("photo", "mottled")) for pen in pens))
    assert "mottled 3 swatches" in Reader(report_html([mottled], PROGRAM)).words()


def test_the_top_tells_what_stands_out(before: Table, after: Table, rough: Table) -> None:
    page = Reader(report_html([before, after, rough], PROGRAM))
    inks = [row for row in before.readings if row.kind == "ink" and row.L is not None]
    lightest, darkest = max(inks, key=lambda r: r.L or 0), min(inks, key=lambda r: r.L or 0)
    words = page.words()
    for end, row in (("Lightest", lightest), ("darkest", darkest)):
        assert f"{end} {row.marker} {row.name}, {row.layers} coat" in words
    found = drift_of([before, after, rough])
    changed = {row.marker for row in found.findings}
    assert f"Since 2026-03-01 on {before.readings[0].paper}: {len(changed)} of 20 pens" in words
    alone = Reader(report_html([before], PROGRAM))
    wanted = {"swatches", "maps", "doubles", "flagged", "trust"}
    for one, parts in ((alone, wanted), (page, wanted | {"drift", "papers"})):
        links = {str(link["href"])[1:] for link in one.all("a") if link.get("class") != "skip"}
        assert links == parts
    (session,) = sessions_of([before])
    u = [np.hypot(np.hypot(r.u_L or 0, r.u_a or 0), r.u_b or 0) for r in session.rows if r.lab]
    assert f"Differences above about {3 * np.median(u):.1f} in L*a*b*" in words
    blank = Reading("2", 1, "smooth", "2026-03-01", flags=("blank",))
    assert (
        "Which differences are real is not known" in Reader(report_html([Table((blank,))], PROGRAM)).words()
    )


def test_only_the_pages_own_script_may_run(before: Table) -> None:
    """The policy names the script by its hash, made anew here as W3C Content Security Policy, level 3, 2.3.1 has it."""
    text = report_html([before], PROGRAM)
    (script,) = re.findall(r"<script>(.*?)</script>", text, re.DOTALL)
    hashed = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    (policy,) = [
        one["content"]
        for one in Reader(text).all("meta")
        if one.get("http-equiv") == "Content-Security-Policy"
    ]
    assert f"script-src 'sha256-{hashed}';" in str(policy)


def test_what_changed_and_papers_come_with_more_tables(before: Table, after: Table, rough: Table) -> None:
    alone = Reader(report_html([before], PROGRAM))
    assert "What has changed" not in alone.words() and "Papers side by side" not in alone.words()
    page = Reader(report_html([before, after, rough], PROGRAM))
    words = page.words()
    assert "What has changed" in words and "Papers side by side" in words
    found = drift_of([before, after, rough])
    changed = list(dict.fromkeys(row.marker for row in found.findings))
    assert changed and all(f"{marker}" in words for marker in changed)


@pytest.mark.parametrize(
    "name",
    [
        "<script>alert(1)</script>",
        '"><img src=x onerror=alert(1)>',
        "</style><b>",
        "{{ 7*7 }}{% raw %}",
        "$\\frac{1}{2}$",
        "&lt;b&gt; & 'x'",
        "שלום \u2067 abc",
        "ا" * 190,
        "=cmd()",
    ],
)
def test_names_do_no_harm(before: Table, after: Table, name: str) -> None:
    markers = list(dict.fromkeys(row.marker for row in before.readings if row.kind == "ink"))[:7]

    def hostile(table: Table, date: str) -> Table:
        rows = []
        for row in table.readings:
            row = dataclasses.replace(row, paper=name[:100], session=date)
            if row.kind == "ink":
                row = dataclasses.replace(row, marker=f"{name[:180]}{row.marker}", name=name, set=name)
            if row.kind != "ink" or row.marker.endswith(tuple(markers)):
                rows.append(row)
        return dataclasses.replace(table, readings=tuple(rows))

    text = report_html([hostile(before, "2026-03-01"), hostile(after, "2026-09-01")], PROGRAM)
    page = Reader(text)
    assert len(page.all("script")) == 1 and len(page.all("style")) == 1 and not page.all("img")
    assert not [attributes for _, attributes in page.seen if any(key.startswith("on") for key in attributes)]
    assert " ".join(name.split())[:40] in page.words()


def test_nothing_of_the_page_leads_outside_and_nothing_private_is_in_it(
    calib: Calib, before: Table, tmp_path: Path
) -> None:
    folder = tmp_path / "somebody's private folder"
    folder.mkdir()
    write_table(folder / "colours.csv", before)
    run = calib("report", folder / "colours.csv", "-o", folder / "report.html")
    assert (run.code, run.err) == (0, "")
    text = (folder / "report.html").read_text(encoding="utf-8")
    page = Reader(text)
    assert "private folder" not in text and str(tmp_path) not in text
    for _, attributes in page.seen:
        for key, value in attributes.items():
            if key in ("href", "src", "xlink:href", "action", "data", "srcset", "poster"):
                assert value is not None and value.startswith(("#", "data:image/png;base64,"))
    # What is left of addresses is the name of SVG's namespace.
    assert set(re.findall(r"https?://[^\s\"'<>]+", text)) <= {"http://www.w3.org/2000/svg"}
    assert "url(http" not in text and "@import" not in text and "fetch(" not in text
    (policy,) = [
        one["content"] for one in page.all("meta") if one.get("http-equiv") == "Content-Security-Policy"
    ]
    assert policy is not None and policy.startswith("default-src 'none'")


def test_the_same_tables_give_the_same_page(before: Table, after: Table) -> None:
    assert report_html([before, after], PROGRAM) == report_html([before, after], PROGRAM)


def test_ids_are_unique(before: Table, after: Table, rough: Table) -> None:
    page = Reader(report_html([before, after, rough], PROGRAM))
    ids = [attributes["id"] for _, attributes in page.seen if "id" in attributes]
    assert len(ids) == len(set(ids)) > 100
    wanted = [
        value[1:] for _, found in page.seen for key, value in found.items() if key.endswith("href") and value
    ]
    assert set(wanted) <= set(ids)


# -- words ----------------------------------------------------------------------------------------


def test_how_far_to_trust_it_says_what_the_table_says(before: Table) -> None:
    (session,) = sessions_of([before])
    words = dict(trust_words(session))
    hand = 100 * session.origin.scatter["relative_dose"]
    assert f"{hand:.1f} %" in words["Your hand"] and "12 repeats" in words["Your hand"]
    assert "no colour card" in words["The colour itself"]
    (bare,) = sessions_of([dataclasses.replace(before, origin=Origin())])
    assert "Not known" in dict(trust_words(bare))
    (none,) = sessions_of(
        [dataclasses.replace(before, origin=dataclasses.replace(before.origin, strip={"kind": "none"}))]
    )
    assert "None was used" in dict(trust_words(none))["Grey strip"]


# -- pictures of swatches -------------------------------------------------------------------------


def _png(size: tuple[int, int] = (60, 40), text: str = "") -> bytes:
    out, info = io.BytesIO(), PngImagePlugin.PngInfo()
    if text:
        info.add_text("Comment", text)
    Image.new("RGB", size, (180, 90, 40)).save(out, "PNG", pnginfo=info)
    return out.getvalue()


def _with_picture(table: Table, folder: Path, data: bytes | None, **named: Any) -> Table:
    row = next(row for row in table.readings if row.kind == "ink")
    entry = {"marker": row.marker, "layers": row.layers, "file": "swatch-1-01-01.png", **named}
    (folder / "proof").mkdir(exist_ok=True)
    if data is not None:
        (folder / "proof" / "swatch-1-01-01.png").write_bytes(data)
    origin = dataclasses.replace(table.origin, proof="proof", details={"swatch_pictures": [entry]})
    return dataclasses.replace(table, origin=origin, path=folder / "colours.csv")


def test_a_picture_is_shown_where_it_is_and_says_nothing_else(before: Table, tmp_path: Path) -> None:
    table = _with_picture(before, tmp_path, _png(text="Taken by somebody at home"))
    (uri,) = pictures_of(table).values()
    data = base64.b64decode(uri.split(",")[1])
    with Image.open(io.BytesIO(data)) as image:
        image.load()
        assert image.size == (60, 40) and image.convert("RGB").getpixel((3, 3)) == (180, 90, 40)
        assert image.info == {} or "Comment" not in image.info
    assert b"somebody" not in data
    flagged = put(table, first(table), flags=("mottled",))
    page = Reader(report_html([flagged], PROGRAM))
    assert [one["src"] for one in page.all("img")] == [uri]
    assert all(one["alt"] for one in page.all("img"))


@pytest.mark.parametrize(
    ("data", "named"),
    [
        (None, {}),
        (b"", {}),
        (b"GIF89a" + bytes(100), {}),
        (_png()[:60], {}),
        (_png((2000, 20)), {}),
        (_png() + bytes(MOST_BYTES), {}),
        (_png(), {"file": "../colours.csv"}),
        (_png(), {"file": "page-01.png"}),
        (_png(), {"file": 7}),
        (_png(), {"layers": "one"}),
        (_png(), {"marker": None}),
    ],
)
def test_what_is_no_picture_of_a_swatch_is_passed_over(
    before: Table, tmp_path: Path, data: bytes | None, named: dict[str, Any]
) -> None:
    assert pictures_of(_with_picture(before, tmp_path, data, **named)) == {}


def test_an_absolute_folder_is_not_looked_into(before: Table, tmp_path: Path) -> None:
    table = _with_picture(before, tmp_path, _png())
    away = dataclasses.replace(table, origin=dataclasses.replace(table.origin, proof=str(tmp_path / "proof")))
    assert pictures_of(away) == {}


@pytest.mark.parametrize("proof", ["..", "../elsewhere", "proof/../../elsewhere", "link", "\0", "x" * 5000])
def test_a_description_leads_nowhere_but_into_the_tables_own_folder(
    before: Table, tmp_path: Path, proof: str
) -> None:
    home, away = tmp_path / "home", tmp_path / "elsewhere"
    home.mkdir()
    away.mkdir()
    (home / "link").symlink_to(away)
    for folder in (tmp_path, away):
        (folder / "swatch-1-01-01.png").write_bytes(_png())
    table = _with_picture(before, home, None)
    led = dataclasses.replace(table, origin=dataclasses.replace(table.origin, proof=proof))
    assert pictures_of(led) == {}
    # Nor does a link in the right folder.
    (home / "proof" / "swatch-1-01-01.png").symlink_to(away / "swatch-1-01-01.png")
    assert pictures_of(table) == {}
    (home / "proof" / "swatch-1-01-01.png").unlink()
    (home / "proof" / "swatch-1-01-01.png").write_bytes(_png())
    assert len(pictures_of(table)) == 1


def test_pictures_together_stay_small(before: Table, tmp_path: Path) -> None:
    """Hundreds of large pictures, each within its bound, are shown as long as the page stays small."""
    rng = np.random.default_rng(1)
    out = io.BytesIO()
    Image.fromarray(rng.integers(0, 255, (200, 300, 3), dtype=np.uint8)).save(out, "PNG")
    assert MOST_BYTES / 2 < len(out.getvalue()) < MOST_BYTES
    table = _with_picture(before, tmp_path, out.getvalue())
    named = [
        {"marker": row.marker, "layers": row.layers, "file": "swatch-1-01-01.png"} for row in table.readings
    ]
    many = dataclasses.replace(
        table, origin=dataclasses.replace(table.origin, details={"swatch_pictures": named})
    )
    shown = pictures_of(many)
    assert 0 < len(shown) < len(named) and sum(map(len, shown.values())) <= MOST_TOGETHER * 4 / 3 + 100


# -- the command ----------------------------------------------------------------------------------


def test_the_command_writes_one_file_and_refuses_to_overwrite_its_tables(
    calib: Calib, before: Table, tmp_path: Path
) -> None:
    write_table(tmp_path / "colours.csv", before)
    table = tmp_path / "colours.csv"
    run = calib("report", table, "-o", tmp_path / "report.html")
    assert run.code == 0 and run.out.startswith("Written: ") and run.err == ""
    assert calib("report", table, "-o", tmp_path / "report.html", "--quiet") == Run(0, "", "")
    for output in (table, tmp_path / "colours.csv-metadata.json"):
        assert calib("report", table, "-o", output).code == 2
    assert calib("report", table, table, "-o", tmp_path / "x.html").code == 3
    assert calib("report", tmp_path / "none.csv", "-o", tmp_path / "x.html").code == 3
    assert calib("report", table).code == 2
    assert not (tmp_path / "x.html").exists()


def test_small_odd_tables_make_a_page(tmp_path: Path) -> None:
    pen = Reading("1", 1, "smooth", "2026-03-01", L=50.0, a=1.0, b=2.0)
    blank = Reading("2", 1, "smooth", "2026-03-01", flags=("blank",))
    paper = Reading("paper", 0, "smooth", "2026-03-01", kind="paper", L=95.0, a=0.0, b=0.0)
    for rows in ((pen,), (blank,), (paper,), (pen, blank, paper), (dataclasses.replace(pen, layers=2),)):
        Reader(report_html([Table(rows)], PROGRAM))
    # Without hex in the table the chip is computed.
    assert hex_to_lab(chip_of(pen, None).hex) == pytest.approx(np.array([50.0, 1.0, 2.0]), abs=0.4)
