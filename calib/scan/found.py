"""What was found in a picture: sheets, and marks of no sheet; sheets over each other, and what is said of all that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Plan
from calib.errors import NotFoundError
from calib.scan.fiducials import FoundMark
from calib.scan.frame import LEAST_MARKS, Frame

Array = NDArray[np.float64]

# The outermost millimetres of a sheet carry nothing that is measured, so that another may lie over them.
RIM_MM = 8.0
# Fewer marks of another chart than this may be a misreading.
LEAST_FOREIGN = 2


@dataclass
class Found:
    """What one treatment after the other adds up to: the sheets, and marks that belong to none of them."""

    sheets: list[Frame] = field(default_factory=list)
    left: list[FoundMark] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)


def outline(sheet: Frame, plan: Plan) -> Array:
    """Return the corners (4, 2) of a sheet in the whole picture's pixels, as far as it was printed true to size."""
    width, height = plan.page_mm
    return sheet.to_pixels(np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=float))


def inside(sheet: Frame, plan: Plan, points: Array, rim_mm: float = 0.0) -> NDArray[np.bool_]:
    """Tell which points (n, 2) of the whole picture lie on a sheet, rim_mm off its edges."""
    mm = sheet.to_mm(points)
    return np.asarray(((mm > rim_mm) & (mm < np.array(plan.page_mm) - rim_mm)).all(axis=1))


def refuse_overlaps(found: Found, plan: Plan, name: str) -> None:
    """Raise NotFoundError where one sheet lies over what is measured on another."""
    for over, under in permutations(found.sheets, 2):
        boxes = [cell.box for cell in under.page.cells] + [under.page.strip]
        corners = np.array(
            [[x, y] for b in boxes for x in (b.x_mm, b.right_mm) for y in (b.y_mm, b.bottom_mm)]
        )
        if inside(over, plan, under.to_pixels(corners), RIM_MM).any():
            raise NotFoundError(
                f"{name}: a sheet with page {over.page.page} and one with page {under.page.page} lie over each other",
                "Lay the sheets side by side, or scan them one by one.",
            )
    ours = {mark.id for page in plan.pages for mark in page.marks}
    foreign = [mark for mark in found.left if mark.id not in ours]
    for sheet in found.sheets:
        on_it = [mark for mark in foreign if inside(sheet, plan, mark.middle[None], RIM_MM).all()]
        if len(on_it) >= LEAST_FOREIGN:
            raise NotFoundError(
                f"{name}: a sheet of another chart lies over page {sheet.page.page}",
                "Lay the sheets side by side, or scan them one by one.",
            )


def with_notes(found: Found, plan: Plan) -> list[Frame]:
    """Return the sheets; the first one's notes say what else is in the picture."""
    ours = {mark.id: page.page for page in plan.pages for mark in page.marks}
    notes: list[str] = []
    others = [mark for mark in found.left if mark.id not in ours]
    if len(others) >= LEAST_FOREIGN:
        notes.append("a sheet of another chart lies beside it and was left out")
    for page in dict.fromkeys(ours[mark.id] for mark in found.left if mark.id in ours):
        count = sum(ours.get(mark.id) == page for mark in found.left)
        if count >= LEAST_FOREIGN:
            again = "a second print of" if any(sheet.page.page == page for sheet in found.sheets) else ""
            few = (
                f"of which only {count} marks could be read"
                if count < LEAST_MARKS
                else "whose marks do not fit the plan"
            )
            notes.append(f"{again or 'a sheet with'} page {page} lies beside it, {few}, and was left out")
    first, *rest = found.sheets
    return [replace(first, notes=tuple(notes)), *rest]


def nothing_found(marks: Sequence[FoundMark], reasons: Sequence[str], plan: Plan, name: str) -> NotFoundError:
    """Return why there is no page in a picture with these marks."""
    if not reasons and len(marks) < LEAST_FOREIGN:
        return NotFoundError(
            f"{name}: no page of a chart was found in this scan (no locating mark could be read)",
            "Scan the whole page, at 150 dpi or more, face down and not mirrored.",
        )
    pages = [sum(mark.id in {own.id for own in page.marks} for mark in marks) for page in plan.pages]
    # A long chart has so many marks that a page of another one shares some with it, here one and there one.
    scattered = len(marks) >= LEAST_MARKS and 2 * max(pages) < len(marks)
    if not reasons or scattered:
        return NotFoundError(
            f"{name}: this page belongs to another chart than {plan.chart}",
            "Give the plan that was printed with it; the chart's id stands at the top of the page.",
        )
    return NotFoundError(
        f"{name}: {'; '.join(reasons)}", "Scan the page again, flat, with all its marks clean and in sight."
    )
