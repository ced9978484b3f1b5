"""The picture of a page as it was understood: the colour measured beside the ink, what was left out, and why, in plain words.

Outside: the simulator's true films; OpenCV's own mark detector, which finds the page in the picture again; Pillow, which reads it.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from conftest import Studio, marks_of
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from calib.chart.plan import Box
from calib.colour.colorimetry import delta_e_2000, linear_to_xyz, srgb_decode, xyz_to_lab
from calib.scan import proofpage, proofwords
from calib.scan.proof import proof_of
from calib.scan.proofpage import LEFT_OUT, LOOK, PER_MM, READ, SEEN
from calib.scan.sheet import PageReading
from calib.scan.swatch import Swatch, read_swatches
from calib.synthetic.session import Hand, Printer
from calib.table.flags import FLAGS

Pixels = NDArray[np.uint8]


class Shown:
    """A page with faults, what was read of it, and its picture, cut to the page."""

    def __init__(self, studio: Studio) -> None:
        cells = studio.plan.pages[0].cells
        by_coats = [cell for cell in cells if cell.marker not in ("001", "003")]
        self.blank, self.half = by_coats[1].cell, by_coats[2].cell
        self.dry = next(cell.marker for cell in by_coats[4:] if cell.marker != by_coats[2].marker)
        self.hidden = studio.plan.pages[0].marks[1].id
        hand = Hand(blank=(self.blank,), half=(self.half,), dry_marker={self.dry: 0.35})
        self.path = studio.scan(
            "proof", session=studio.session(hand=hand, printer=Printer(hidden=(self.hidden,)))
        )
        self.truth = studio.truth("proof")
        (self.page,) = studio.read(self.path)
        from calib.scan.scanner import Scanner

        markers = {marker.marker: marker for marker in studio.plan.markers}
        self.swatches = read_swatches(self.page, markers, Scanner())
        self.png = proof_of(self.page, self.swatches).page
        self.pixels = decoded(self.png)
        self.top = top_of(self.pixels, studio)

    def of(self, cell: str) -> Swatch:
        return next(swatch for swatch in self.swatches if swatch.cell.cell == cell)

    def cut(self, box: Box, pixels: Pixels | None = None) -> Pixels:
        left, right = (round(x * PER_MM) for x in (box.x_mm, box.right_mm))
        top, bottom = (self.top + round(y * PER_MM) for y in (box.y_mm, box.bottom_mm))
        return (self.pixels if pixels is None else pixels)[top:bottom, left:right]


def decoded(png: bytes) -> Pixels:
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))


def top_of(pixels: Pixels, studio: Studio) -> int:
    """Return where the page begins on its picture, by the marks that OpenCV finds on it."""
    boxes = {mark.id: mark.box for mark in studio.plan.pages[0].marks}
    found = [mark for mark in marks_of(np.ascontiguousarray(pixels)) if mark.id in boxes]
    assert len(found) >= len(boxes) - 1
    corners = [(mark.corners[0], boxes[mark.id]) for mark in found]
    assert all(abs(corner[0] - box.x_mm * PER_MM) < 1.5 for corner, box in corners)
    tops = [corner[1] - box.y_mm * PER_MM for corner, box in corners]
    assert max(tops) - min(tops) < 2
    return round(float(np.median(tops)))


def chip_of(shown: Shown, swatch: Swatch, pixels: Pixels | None = None) -> NDArray[np.float64]:
    """Return Lab of the measured colour beside a cell, and of the cell, as they stand on the picture."""
    box = swatch.cell.box
    beside = Box(box.right_mm + 0.8, box.y_mm + 4.5, 1.2, box.height_mm - 5.5)
    inside = Box(box.x_mm + 3, box.y_mm + 4.5, box.width_mm - 5, box.height_mm - 5.5)
    light = [
        srgb_decode(shown.cut(part, pixels).reshape(-1, 3) / 255.0).mean(axis=0) for part in (beside, inside)
    ]
    return np.asarray(xyz_to_lab(linear_to_xyz(np.array(light))))


def share(pixels: Pixels, colour: Sequence[int]) -> float:
    return float((pixels == np.array(colour)).all(axis=-1).mean())


@pytest.fixture(scope="module")
def shown(studio: Studio) -> Shown:
    return Shown(studio)


def test_the_measured_colour_stands_beside_the_ink(shown: Shown) -> None:
    """Both against the true film, by the simulator's sums over spectra, and against each other."""
    odd = {shown.blank, shown.half} | {s.cell.cell for s in shown.swatches if s.flags}
    sound = [swatch for swatch in shown.swatches if swatch.cell.cell not in odd]
    assert len(sound) >= 6
    misses, apart = [], []
    for swatch in sound:
        chip, ink = chip_of(shown, swatch)
        true = xyz_to_lab(shown.truth.cells[swatch.cell.cell].film.xyz)
        misses.append(float(delta_e_2000(chip, true)))
        apart.append(float(delta_e_2000(chip, ink)))
    assert np.median(misses) < 1.5
    assert np.median(apart) < 2.0


def test_a_wrong_reading_jumps_out(shown: Shown) -> None:
    swatch = next(one for one in shown.swatches if not one.flags and one.has_colour)
    assert swatch.patch is not None
    wrong = replace(
        swatch, patch=replace(swatch.patch, linear=np.clip(swatch.patch.linear[::-1] * 0.6, 0, 1))
    )
    others = [wrong if one is swatch else one for one in shown.swatches]
    pixels = decoded(proof_of(shown.page, others).page)
    assert delta_e_2000(*chip_of(shown, swatch)) < 3
    assert delta_e_2000(*chip_of(shown, wrong, pixels)) > 10


def test_frames_differ_by_more_than_their_hue(shown: Shown) -> None:
    """Thin and whole, broken, crossed out: by the lines themselves, as an eye that sees no hue would tell them."""

    def edge(cell: str, colour: Sequence[int]) -> float:
        box = shown.of(cell).cell.box
        # The lower edge, where no badge is.
        return share(shown.cut(Box(box.x_mm + 1, box.bottom_mm - 0.2, box.width_mm - 2, 0.3)), colour)

    sound = next(s.cell.cell for s in shown.swatches if not s.flags)
    dry = next(s.cell.cell for s in shown.swatches if "mottled" in s.flags)
    assert edge(sound, READ) > 0.5
    assert 0.3 < edge(dry, LOOK) / (edge(dry, LOOK) + edge(dry, (255, 255, 255))) < 0.7
    assert edge(shown.blank, LEFT_OUT) > 0.5
    box = shown.of(shown.blank).cell.box
    inside = box.grown(-1.5)
    assert share(shown.cut(inside), LEFT_OUT) > 0.02
    assert share(shown.cut(shown.of(sound).cell.box.grown(-1.5)), READ) == 0
    # Rec. 709's luminance of the three lines, in the order of how much they are to be looked at... all dark on white paper.
    for colour in (READ, LOOK, LEFT_OUT, SEEN):
        assert float(srgb_decode(np.array(colour) / 255) @ [0.2126, 0.7152, 0.0722]) < 0.2


def test_marks_found_and_not_found(shown: Shown) -> None:
    assert shown.hidden not in shown.page.frame.found
    assert len(shown.page.frame.found) == shown.page.frame.marks == len(shown.page.frame.page.marks) - 1
    for mark in shown.page.frame.page.marks:
        around = shown.cut(mark.box.grown(1.2))
        lost = mark.id == shown.hidden
        assert (share(around, LEFT_OUT) > 0.01) is lost
        assert (share(around, SEEN) > 0.01) is not lost
    assert share(shown.cut(shown.page.frame.page.black.grown(0.5)), SEEN) > 0.01


def test_the_words_say_which_why_and_what_to_do(shown: Shown) -> None:
    remarks = proofwords.remarks_on(shown.swatches)
    assert [one.number for one in remarks] == list(range(1, len(remarks) + 1))
    assert {"blank", "half-filled", "mottled"} <= {one.flag for one in remarks}
    blank = remarks[0]
    assert blank.left_out
    assert not any(one.left_out for one in remarks[1:])
    cell = shown.of(shown.blank).cell
    _, row, column = (int(part) for part in cell.cell.split("-"))
    assert f"{cell.marker}, " in blank.sentence
    assert f"(row {row}, col {column})" in blank.sentence
    assert "bare paper" in blank.sentence
    assert blank.sentence.endswith("scan the page again.")
    count = len(shown.swatches)
    assert proofwords.verdict(shown.swatches).startswith(
        f"{count - 1} of {count} swatches were read, 1 left out; "
    )
    clean = [swatch for swatch in shown.swatches if not swatch.flags]
    assert proofwords.verdict(clean) == f"All {len(clean)} swatches were read, and nothing odd was seen."
    assert "1 of the" in " ".join(proofwords.of_the_page(shown.page))


def test_every_flag_of_a_swatch_has_plain_words() -> None:
    assert set(proofwords.WORDS) < set(FLAGS)
    # The others are of the page, of the row, or of no scan at all.
    assert set(FLAGS) - set(proofwords.WORDS) == {
        "out-of-srgb", "no-strip", "forced", "photo", "predicted", "second-coat-lighter", "repeats-differ",
        "one-ink-only",
    }  # fmt: skip
    for words in proofwords.WORDS.values():
        assert words.todo.endswith(".") and not words.why.endswith(".")
        assert len(words.short) <= 14


def test_what_most_swatches_have_is_said_once(shown: Shown) -> None:
    many = [replace(swatch, flags=(*swatch.flags, "few-pixels")) for swatch in shown.swatches]
    one = next(one for one in proofwords.remarks_on(many) if one.flag == "few-pixels")
    assert one.number == 0
    assert one.sentence.startswith(f"Most swatches ({len(many)})")


def test_a_flag_without_words_is_named() -> None:
    assert proofwords.short("new-flag") == "new-flag"


@pytest.mark.parametrize("name", ["N" * 500, "漢字", "\x1b[31m", "\u202egnirts", "<script>", "a\nb"])
def test_names_do_no_harm(shown: Shown, name: str) -> None:
    swatch = shown.of(shown.blank)
    bad = replace(swatch, marker=replace(swatch.marker, marker=name))
    (one,) = proofwords.remarks_on([bad])
    assert len(one.sentence) < 150
    assert one.sentence.isprintable()
    page = replace(
        shown.page,
        picture=replace(shown.page.picture, path=shown.path.with_name(name.replace("\n", "")[:200])),
    )
    assert len(proofwords.title(page)) < 110
    assert proofwords.title(page).isprintable()


@pytest.mark.parametrize("width_mm", [60, 148, 210, 297])
def test_words_stay_on_the_picture(shown: Shown, width_mm: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """At the width of small and large pages; drawn by Pillow, which says how far each line reaches."""
    width = round(width_mm * PER_MM)
    drawn: list[float] = []
    pen = proofpage._Pen(ImageDraw.Draw(Image.new("RGB", (width, 10))), 0, width)

    def text(
        at: tuple[float, float], words: str, size: int, colour: object = None, bold: bool = False
    ) -> None:
        drawn.append(at[0] + proofpage._font(size, bold).getlength(words))

    monkeypatch.setattr(pen, "text", text)
    long = [replace(swatch, flags=tuple(proofwords.WORDS)[2:]) for swatch in shown.swatches[:5]]
    remarks = proofwords.remarks_on([*shown.swatches, *long])
    assert proofpage._head(pen, shown.page, shown.swatches, remarks) > 100
    assert proofpage._foot(pen, shown.page) > 50
    assert len(drawn) > 12
    assert max(drawn) <= width


def test_the_picture_holds_nothing_but_the_page(shown: Shown) -> None:
    image = Image.open(io.BytesIO(shown.png))
    image.load()
    assert image.info == {} or set(image.info) <= {"srgb", "gamma", "dpi"}
    assert len(image.getexif()) == 0
    assert str(shown.path.parent) not in proofwords.title(shown.page)


def test_cells_that_stand_close_keep_their_chip_inside() -> None:
    apart = [Box(10, 10, 18, 12), Box(33, 10, 18, 12), Box(10, 30, 18, 12)]
    assert proofpage._chip_mm(apart) == 3.0
    assert proofpage._chip_mm([apart[0], Box(31.2, 12, 18, 12)]) == pytest.approx(2.0)
    assert proofpage._chip_mm([apart[0], Box(29, 10, 18, 12)]) == 0.0


def page_without_strip(page: PageReading) -> PageReading:
    return replace(page, strip=None, forced=True)


def test_a_page_without_a_strip_or_forced_says_so(shown: Shown) -> None:
    page = page_without_strip(shown.page)
    said = " ".join(proofwords.of_the_page(page))
    assert "grey strip" in said and "--force" in said
    assert decoded(proof_of(page, shown.swatches).page).shape[0] > shown.pixels.shape[0]
