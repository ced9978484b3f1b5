"""The plan file: the plan of a chart, or of a card's carrier, to JSON and back.

Everything that is wrong with a file is said at once.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from calib.chart.carrier import LEAST_CARD_MM, MOST_CARD_MM, Carrier
from calib.chart.markers import COLUMNS, Marker, marker_problems
from calib.chart.plan import MARK_IDS, MOST_PAGE_MM, Box, Cell, Mark, Page, Plan, overlapping
from calib.errors import InputError, Problem, harmless, raise_all
from calib.files import shorten
from calib.overlays import overlay_id
from calib.plainjson import read_json

Read = TypeVar("Read")

FORMAT = "calib chart plan"
CARRIER_FORMAT = "calib carrier plan"
VERSION = 1
# Under this no nib fills a cell and no scanner sees a mark.
LEAST_SIDE_MM = 1.0
LONGEST_TEXT = 200
# What each kind of plan is called, and the command that writes it.
KINDS = {
    FORMAT: ("a chart plan", "chart"),
    CARRIER_FORMAT: ("the plan of a colour card's carrier", "carrier"),
}


def plan_to_json(plan: Plan) -> str:
    """Return the plan as the text of a plan file."""
    markers = [{**marker.extra, **_plain(marker)} for marker in plan.markers]
    return _text(FORMAT, plan, {"markers": markers})


def carrier_to_json(carrier: Carrier) -> str:
    """Return a carrier of a colour card as the text of its plan file."""
    return _text(CARRIER_FORMAT, carrier.plan, {"card_mm": list(carrier.card_mm)})


def _text(kind: str, plan: Plan, more: dict[str, Any]) -> str:
    content = {
        "format": kind,
        "version": VERSION,
        "chart": plan.chart,
        "page_mm": list(plan.page_mm),
        "strip_mm": list(plan.strip_mm),
        **more,
        "pages": [_page(page) for page in plan.pages],
    }
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def _page(page: Page) -> dict[str, Any]:
    return {
        "page": page.page,
        "marks": [asdict(mark) for mark in page.marks],
        "strip": asdict(page.strip),
        "black": asdict(page.black),
        "cells": [cell.record() for cell in page.cells],
        "ruler": asdict(page.ruler) if page.ruler else None,
        "texts": [asdict(text) for text in page.texts],
        **({"slot": asdict(page.slot)} if page.slot else {}),
    }


def _plain(marker: Marker) -> dict[str, str]:
    return {name: getattr(marker, name) for name in COLUMNS}


def read_plan(path: Path) -> Plan:
    """Read a plan file; raise InputError with everything that is wrong with it."""
    return _read(Path(path), FORMAT, _PlanReader.plan)


def read_carrier(path: Path) -> Carrier:
    """Read the plan file of a carrier; raise InputError with everything that is wrong with it."""
    return _read(Path(path), CARRIER_FORMAT, _PlanReader.carrier)


def _content(path: Path, kind: str) -> dict[str, Any]:
    """Return what a plan file of this kind holds; raise InputError where it is none."""
    called, command = KINDS[kind]
    todo = f"Give the .json file that 'calib {command}' wrote beside the PDF."
    content = read_json(path, called, todo, finite=False)
    found = content.get("format") if isinstance(content, dict) else None
    if found != kind:
        # What it is instead helps more than what it is not; any other JSON has no name here.
        other = KINDS[found][0] if isinstance(found, str) and found in KINDS else ""
        raise InputError.of(path, f"is {other}, not {called}" if other else f"is not {called}", todo)
    version = content.get("version")
    if isinstance(version, bool) or version != VERSION:
        raise InputError.of(path, f"is {called} of version {version!r:.20}; this program reads {VERSION}")
    return dict(content)


@dataclass
class _PlanReader:
    """Reads the parts of a plan and collects what is wrong, so that all of it is said at once."""

    path: Path
    problems: list[Problem] = field(default_factory=list)

    def wrong(self, where: str, message: str) -> None:
        self.problems.append(Problem(self.path, 0, f"{where} {message}"))

    def number(self, record: Any, key: str, where: str) -> float:
        value = record.get(key) if isinstance(record, dict) else None
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            self.wrong(where, f"has no number '{key}'")
            return 1.0
        return float(value)

    def whole(self, record: Any, key: str, where: str, least: int = 1) -> int:
        value = record.get(key) if isinstance(record, dict) else None
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value < 1_000_000:
            self.wrong(where, f"has no whole number '{key}'")
            return 1
        return value

    def text(self, record: Any, key: str, where: str) -> str:
        value = record.get(key) if isinstance(record, dict) else None
        if not isinstance(value, str) or not value:
            self.wrong(where, f"has no text '{key}'")
            return ""
        if len(value) > LONGEST_TEXT or harmless(value) != value:
            self.wrong(where, f"has a text '{key}' that is too long or holds control characters")
        return value

    def records(self, record: Any, key: str, where: str) -> list[Any]:
        value = record.get(key) if isinstance(record, dict) else None
        if not isinstance(value, list):
            self.wrong(where, f"has no list '{key}'")
            return []
        return value

    def pair(self, record: dict[str, Any], key: str) -> tuple[float, float]:
        value = record.get(key)
        if isinstance(value, list) and len(value) == 2:
            numbers = dict(zip("xy", value, strict=True))
            return self.number(numbers, "x", key), self.number(numbers, "y", key)
        self.wrong("the plan", f"has no pair of numbers '{key}'")
        return 1.0, 1.0

    def box(self, record: Any, where: str, page_mm: tuple[float, float]) -> Box:
        box = Box(*(self.number(record, key, where) for key in ("x_mm", "y_mm", "width_mm", "height_mm")))
        inside = (
            box.x_mm >= 0 and box.y_mm >= 0 and box.right_mm <= page_mm[0] and box.bottom_mm <= page_mm[1]
        )
        if box.width_mm <= 0 or box.height_mm <= 0 or not inside:
            self.wrong(where, "does not lie on the page")
        return box

    def measured_box(self, record: Any, where: str, page_mm: tuple[float, float]) -> Box:
        """Return a box that is to be measured, so that it must be large enough for that."""
        box = self.box(record, where, page_mm)
        if 0 < min(box.width_mm, box.height_mm) < LEAST_SIDE_MM:
            self.wrong(where, f"is under {LEAST_SIDE_MM:g} mm wide or high")
        return box

    def print_box(self, record: Any, where: str, page_mm: tuple[float, float]) -> Box | None:
        """Return a box that nobody measures and that may be missing."""
        return None if record is None else self.box(record, where, page_mm)

    def plan(self, content: dict[str, Any]) -> Plan:
        page_mm = self.pair(content, "page_mm")
        strip_mm = self.pair(content, "strip_mm")
        if min(*page_mm, *strip_mm) <= 0 or max(*page_mm, *strip_mm) > MOST_PAGE_MM:
            self.wrong("the plan", "has an impossible size of page or strip")
        pages = tuple(
            self.page(record, page_mm, f"page {i}")
            for i, record in enumerate(self.records(content, "pages", "the plan"), 1)
        )
        for i, page in enumerate(pages, 1):
            sides = sorted(strip_mm), sorted((page.strip.width_mm, page.strip.height_mm))
            if any(abs(one - other) > 0.1 for one, other in zip(*sides, strict=True)):
                self.wrong(f"page {i}, strip", "is of another size than the plan's strip_mm")
        plan = Plan(
            self.text(content, "chart", "the plan"), page_mm, strip_mm, pages, self.markers(content, pages)
        )
        self.check(plan)
        return plan

    def carrier(self, content: dict[str, Any]) -> Carrier:
        plan = self.plan(content)
        card_mm = self.pair(content, "card_mm")
        if not all(LEAST_CARD_MM <= side <= MOST_CARD_MM for side in card_mm):
            self.wrong("the plan", "has an impossible size of card")
        if len(plan.pages) > 1:
            self.wrong("the plan", f"has {len(plan.pages)} pages, and a carrier has one")
        for page in plan.pages:
            if page.slot is None:
                self.wrong(f"page {page.page}", "has no slot for the card")
            elif {page.slot.width_mm, page.slot.height_mm} != set(card_mm):
                self.wrong(f"page {page.page}", "has a slot of another size than its card")
            if page.cells:
                self.wrong(f"page {page.page}", "has cells, and a carrier has none")
        return Carrier(plan, card_mm)

    def page(self, record: Any, page_mm: tuple[float, float], where: str) -> Page:
        marks = tuple(
            self.mark(mark, page_mm, f"{where}, mark {i}")
            for i, mark in enumerate(self.records(record, "marks", where), 1)
        )
        if len(marks) < 3:
            self.wrong(where, "has fewer than three marks")
        cells = tuple(
            self.cell(cell, page_mm, f"{where}, cell {i}")
            for i, cell in enumerate(self.records(record, "cells", where), 1)
        )
        parts = record if isinstance(record, dict) else {}
        strip, black = (
            self.measured_box(parts.get(key), f"{where}, {key}", page_mm) for key in ("strip", "black")
        )
        slot = self.print_box(parts.get("slot"), f"{where}, slot", page_mm)
        texts = self.records(parts, "texts", where) if "texts" in parts else []
        boxes = [mark.box for mark in marks] + [cell.box for cell in cells] + [strip, black]
        if not self.problems and overlapping([*boxes, slot] if slot else boxes):
            self.wrong(where, "has cells, marks, strip or black patch that lie over each other")
        return Page(
            page=self.whole(record, "page", where),
            marks=marks,
            strip=strip,
            black=black,
            cells=cells,
            ruler=self.print_box(parts.get("ruler"), f"{where}, ruler", page_mm),
            texts=tuple(self.box(text, f"{where}, text", page_mm) for text in texts),
            slot=slot,
        )

    def mark(self, record: Any, page_mm: tuple[float, float], where: str) -> Mark:
        mark = Mark(
            self.whole(record, "id", where, 0),
            *(self.number(record, key, where) for key in ("x_mm", "y_mm", "size_mm")),
        )
        if mark.id >= MARK_IDS:
            self.wrong(where, f"has an id above {MARK_IDS - 1}, which no mark has")
        box = mark.box
        inside = box.right_mm <= page_mm[0] and box.bottom_mm <= page_mm[1]
        if mark.size_mm < LEAST_SIDE_MM or min(box.x_mm, box.y_mm) < 0 or not inside:
            self.wrong(where, "does not lie on the page")
        return mark

    def cell(self, record: Any, page_mm: tuple[float, float], where: str) -> Cell:
        box = self.measured_box(record, where, page_mm)
        layers = self.whole(record, "layers", where)
        if layers not in (1, 2):
            self.wrong(where, "has neither one nor two layers")
        cell = Cell(
            cell=self.text(record, "cell", where),
            marker=self.text(record, "marker", where),
            layers=layers,
            repeat=self.whole(record, "repeat", where),
            **asdict(box),
            over=self.text(record, "over", where) if isinstance(record, dict) and record.get("over") else "",
        )
        if cell.over and cell.over == cell.marker:
            self.wrong(where, "has a marker over itself")
        if cell.over and layers != 1:
            self.wrong(where, "has one marker over another in more than one layer")
        return cell

    def markers(self, content: dict[str, Any], pages: Iterable[Page]) -> tuple[Marker, ...]:
        """Return the plan's own marker list, or one made from the cells where there is none."""
        cells = [cell for page in pages for cell in page.cells]
        ids = dict.fromkeys(one for cell in cells for one in (cell.marker, cell.over) if one)
        if "markers" not in content:
            return tuple(Marker(marker) for marker in ids)
        markers = []
        for i, record in enumerate(self.records(content, "markers", "the plan"), 1):
            where = f"marker {i}"
            for key in COLUMNS:
                if isinstance(record, dict) and not isinstance(record.get(key, ""), str):
                    self.wrong(where, f"has no text '{key}'")
            texts = (
                {k: v for k, v in record.items() if isinstance(v, str)} if isinstance(record, dict) else {}
            )
            marker = Marker(
                **{key: texts.get(key, Marker("").__getattribute__(key)) for key in COLUMNS},
                extra={k: v for k, v in texts.items() if k not in COLUMNS},
            )
            for message in marker_problems(marker):
                self.wrong(where, message)
            markers.append(marker)
        known = {marker.marker for marker in markers}
        for missing in [m for m in ids if m not in known]:
            self.wrong("the plan", f"has cells of '{shorten(missing)}', which is not among its markers")
        inkless = {marker.marker for marker in markers if marker.kind == "blender"}
        for cell in cells:
            if cell.over and inkless & {cell.marker, cell.over}:
                self.wrong(f"cell {shorten(cell.cell)}", "has a blender in an overlay, which is of two inks")
        return tuple(markers)

    def check(self, plan: Plan) -> None:
        """Note what only the whole plan can show: doubled ids of pages, marks, cells and markers."""
        for what, ids in (
            ("page number", [str(page.page) for page in plan.pages]),
            ("mark id", [str(mark.id) for page in plan.pages for mark in page.marks]),
            ("cell", [cell.cell for page in plan.pages for cell in page.cells]),
            ("marker", [marker.marker for marker in plan.markers] + _overlays(plan)),
        ):
            doubled = sorted(i for i, times in Counter(ids).items() if times > 1)
            if doubled:
                self.wrong("the plan", f"uses the {what} {shorten(doubled[0])} more than once")
        if not plan.pages:
            self.wrong("the plan", "has no pages")


def _overlays(plan: Plan) -> list[str]:
    """Return what the plan's overlays are called, each pair once; no marker and no other pair may be called so."""
    pairs = dict.fromkeys((c.marker, c.over) for page in plan.pages for c in page.cells if c.over)
    return [overlay_id(*pair) for pair in pairs]


def _read(path: Path, kind: str, part: Callable[[_PlanReader, dict[str, Any]], Read]) -> Read:
    reader = _PlanReader(path)
    read = part(reader, _content(path, kind))
    raise_all(reader.problems)
    return read
