"""Pages found in a picture: marks, the sheets that they make up, and the marks that were missed at first.

Several sheets may lie on one bed: pages of the chart, the same page twice, a sheet of another chart. Marks are
told apart by their ids and by geometry: those of one sheet stand to each other as the plan says.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.chart.plan import Page, Plan
from calib.scan.fiducials import LONG_SIDE, FoundMark, faint_marks, find_marks, reduced_grey
from calib.scan.found import Found, inside, nothing_found, outline, refuse_overlaps, with_notes
from calib.scan.frame import LEAST_MARKS, Frame, fit_frame, in_a_line, rough_matrix
from calib.scan.secondlook import Grey, look_again, look_for_black, refined

Array = NDArray[np.float64]

# Marks of one sheet lie where any one of them puts the others, to this share of the way and this much: its corners
# tell the turn to 0.3 degrees, a feeder stretches by 1 %.
NEAR_MM = 4.0
NEAR_SHARE = 0.04
# A sheet with fewer marks than this is looked for in further treatments of the picture.
SURE_MARKS = 4
# So many treatments of the picture are tried where one sheet was found with all its marks and there is room for more.
WELL_PRINTED = 3
# Where less than this share of a page is left of the picture, no other page is in it.
ROOM_SHARE = 0.5
# Each round halves what the marks of one line hold to wrongly.
ROUNDS = 5


def find_pages(codes: NDArray[np.uint8] | NDArray[np.uint16], plan: Plan, name: str) -> list[Frame]:
    """Return the frame of every sheet of the plan in a picture (h, w, 3), in the order of pages.

    A page that was laid down twice comes twice. Raises NotFoundError where no page has marks enough, with the reason
    that the marks tell, and where sheets lie over each other.
    """
    grey, factor = reduced_grey(codes, LONG_SIDE)
    picture, working = Grey(grey, factor), grey.copy()
    found, room = Found(), True
    marks: tuple[FoundMark, ...] = ()
    for treatment, marks in enumerate(find_marks(working, factor), 1):
        found = _sheets(picture, marks, plan)
        sure = [sheet for sheet in found.sheets if sheet.marks >= SURE_MARKS]
        if sure:
            # Nothing is looked for in a sheet that was found.
            room = _without(working, picture, sure, plan)
        whole = all(sheet.marks == len(sheet.page.marks) for sheet in sure)
        # Beside a sheet that is well printed there is hardly one that is not.
        enough = whole and treatment >= WELL_PRINTED
        if sure and len(sure) == len(found.sheets) and (enough or not room):
            break
    if room:
        _add_faint(found, Grey(working, factor), picture, plan)
    if not found.sheets:
        raise nothing_found(marks, found.reasons, plan, name)
    refuse_overlaps(found, plan, name)
    return with_notes(found, plan)


def _without(working: NDArray[np.uint8], picture: Grey, sheets: Sequence[Frame], plan: Plan) -> bool:
    """Paint sheets white in a working copy of the picture; tell whether there is room for one more beside them."""
    to_grey = picture.from_whole
    free = np.ones(working.shape, np.uint8)
    outlines = [outline(sheet, plan) @ to_grey[:2, :2].T + to_grey[:2, 2] for sheet in sheets]
    for corners in outlines:
        whole = np.round(corners).astype(np.int32)
        cv2.fillConvexPoly(working, whole, 255)
        cv2.fillConvexPoly(free, whole, 0)
    least = min(float(cv2.contourArea(corners.astype(np.float32))) for corners in outlines)
    return int(np.count_nonzero(free)) > ROOM_SHARE * least


def _add_faint(found: Found, working: Grey, picture: Grey, plan: Plan) -> None:
    """Add the sheets whose marks are there and can be compared, but hardly one of which could be decoded.

    One mark more than usual must agree, because the first of them was only the likeliest.
    """
    ids = [mark.id for page in plan.pages for mark in page.marks]
    for marks in faint_marks(working.pixels, working.factor, ids):
        sheets = [sheet for sheet in _sheets(picture, marks, plan).sheets if sheet.marks >= SURE_MARKS]
        if sheets:
            # A sheet that was found before with too few marks is found again.
            middle = np.array([plan.page_mm]) / 2
            kept = [
                old
                for old in found.sheets
                if not any(inside(new, plan, old.to_pixels(middle)).all() for new in sheets)
            ]
            found.sheets = sorted([*kept, *sheets], key=lambda sheet: sheet.page.page)
            found.left = [
                mark
                for mark in found.left
                if not any(inside(sheet, plan, mark.middle[None]).all() for sheet in sheets)
            ]
            return


def _sheets(picture: Grey, marks: Sequence[FoundMark], plan: Plan) -> Found:
    """Put marks together to sheets."""
    found = Found()
    for page in plan.pages:
        ids = {mark.id for mark in page.marks}
        pool = [mark for mark in marks if mark.id in ids]
        seen = len({mark.id for mark in pool})
        here: list[Frame] = []
        while pool:
            sheet = _best_sheet(picture, page, pool)
            if sheet is None:
                break
            here.append(sheet)
            pool = [mark for mark in pool if not inside(sheet, plan, mark.middle[None]).all()]
        found.sheets += here
        found.left += pool
        if not here and 0 < seen < LEAST_MARKS:
            found.reasons.append(
                f"only {seen} of the {len(page.marks)} marks of page {page.page} could be read"
            )
        elif not here and seen:
            found.reasons.append(
                f"the marks of page {page.page} do not stand where the plan puts them, as on a page that is folded or was photographed from the side"
            )
    ours = {mark.id for page in plan.pages for mark in page.marks}
    found.left += [mark for mark in marks if mark.id not in ours]
    return found


def _best_sheet(picture: Grey, page: Page, pool: Sequence[FoundMark]) -> Frame | None:
    """Return the sheet that most of these marks make up, or None."""
    best: list[FoundMark] = []
    for group in _groups(page, pool):
        if len(group) <= len(best):
            continue
        fitted = fit_frame(page, group)
        if fitted is not None and len(fitted[1]) > len(best):
            best = fitted[1]
    # With too few that were decoded, each in turn is asked where the others would be.
    starts = [best] if best else [[mark] for mark in pool]
    sheets = [_completed(picture, page, start) for start in starts]
    return max((sheet for sheet in sheets if sheet is not None), key=lambda sheet: sheet.marks, default=None)


def _groups(page: Page, pool: Sequence[FoundMark]) -> list[list[FoundMark]]:
    """Return groups of marks, each id once, that may be one sheet's, the likeliest first."""
    if len({mark.id for mark in pool}) == len(pool) >= LEAST_MARKS:
        groups = [list(pool)]
    else:
        groups = []
    around = [_around(page, seed, pool) for seed in pool]
    return groups + sorted((g for g in around if len(g) >= LEAST_MARKS), key=len, reverse=True)


def _around(page: Page, seed: FoundMark, pool: Sequence[FoundMark]) -> list[FoundMark]:
    """Return the marks that lie where one of them puts them: of each id the nearest to its place."""
    middles = {mark.id: np.array([mark.x_mm, mark.y_mm]) + mark.size_mm / 2 for mark in page.marks}
    matrix = rough_matrix(page, [seed])
    scale = float(np.hypot(matrix[0, 0], matrix[1, 0]))
    nearest: dict[int, tuple[float, FoundMark]] = {}
    for mark in pool:
        to = middles[mark.id]
        place = matrix[:2, :2] @ to + matrix[:2, 2]
        off = float(np.hypot(*(mark.middle - place))) / scale
        reach = NEAR_MM + NEAR_SHARE * float(np.hypot(*(to - middles[seed.id])))
        if off < reach and off < nearest.get(mark.id, (np.inf,))[0]:
            nearest[mark.id] = off, mark
    return [mark for _, mark in nearest.values()]


def _completed(picture: Grey, page: Page, marks: list[FoundMark]) -> Frame | None:
    """Return the sheet of these marks and of those that are found from them."""
    if len(marks) < len(page.marks):
        marks = look_again(picture, page, marks, lambda known: rough_matrix(page, known))
    if len(marks) < LEAST_MARKS:
        return None
    fitted = fit_frame(page, marks)
    if fitted is None:
        return None
    marks = refined(picture, page, fitted[1], fitted[0].matrix)
    if in_a_line(page, marks):
        marks = _with_black(picture, page, marks)
    again = fit_frame(page, marks)
    return None if again is None else again[0]


def _with_black(picture: Grey, page: Page, marks: list[FoundMark]) -> list[FoundMark]:
    """Return marks in one line, and the black patch that stands off it.

    Turn and size of each are the page's, so that the marks vote for what was first thought of the direction across
    their line; after a few rounds the patch has outvoted them.
    """
    everything = marks
    for _ in range(ROUNDS):
        matrix = rough_matrix(page, everything)
        black = look_for_black(picture, page, matrix)
        if black is None:
            return marks
        everything = [*refined(picture, page, marks, matrix), black]
    return everything
