"""Plots for the page, as SVG that stands in it: every swatch in its place, on a neutral ground."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from calib.colour.colorimetry import lab_to_hex, lab_to_lch
from calib.report.gaps import HUED_CHROMA, NO_GAPS, Gaps
from calib.table.exchange.pens import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

# A light neutral grey, L* 80: chips are seen on it whatever surrounds the page.
GROUND, EMPTY = "#c6c6c6", "#dedede"
INK, FAINT, PALE = "#1a1a1a", "#8a8a8a", "#f4f4f4"
# Colours darker than this have a pale rim, so that one dark dot is seen before another.
RIM_L = 45.0
SHAPES = {1: "o", 2: "s"}
INCHES = 5.2
# Dots in square points: the more there are, the smaller, or they hide each other.
LARGEST, SMALLEST, ALL_DOTS = 42.0, 14.0, 5000.0
# Half the window of a* and b*, and the chroma, that are shown at least.
LEAST_REACH, LEAST_CHROMA, MARGIN = 30.0, 40.0, 5.0
LONGEST = 60
STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "calib",
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.facecolor": GROUND,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
}


@dataclass(frozen=True)
class Frame:
    """What the plots show: the ends of a*, of b* (windows of one size) and of C*."""

    a: tuple[float, float]
    b: tuple[float, float]
    C: float


def frame_of(lab: Array) -> Frame:
    """Return the frame that holds colours (n, 3), with the neutral axis. Plots that are to be compared share one."""
    points = np.vstack([np.zeros((1, 2)), np.asarray(lab, dtype=float).reshape(-1, 3)[:, 1:]])
    low, high = points.min(axis=0), points.max(axis=0)
    half = max(LEAST_REACH, float((high - low).max()) / 2 + MARGIN)
    middle = (low + high) / 2
    (a, b) = ((float(m - half), float(m + half)) for m in middle)
    return Frame(a, b, max(LEAST_CHROMA, float(np.hypot(*points.T).max()) + MARGIN))


def colour_plots(
    lab: Array,
    layers: Sequence[int],
    name: str,
    called: Sequence[str] = (),
    gaps: Gaps = NO_GAPS,
    frame: Frame | None = None,
) -> tuple[str, str]:
    """Return the plots of a* against b*, and of lightness against chroma, as SVG.

    lab: (n, 3), layers: (n,) coats: circles are one coat and squares two. name: begins every id in the plots, so that
    several may stand in one page. called: (n,) what a dot says when it is pointed at. gaps: drawn as lighter ground. frame: of the
    colours themselves where it is not given. The same colours give the same bytes.
    """
    lab = np.asarray(lab, dtype=float).reshape(-1, 3)
    frame = frame or frame_of(lab)
    lch = lab_to_lch(lab)
    coats = np.array(layers, dtype=int)
    order = [int(i) for n in SHAPES for i in np.flatnonzero(coats == n)]

    def around(axes: Axes) -> None:
        if gaps.hue is not None:
            _wedge(axes, gaps.hue, frame)
        axes.axhline(0, color=FAINT, linewidth=0.7)
        axes.axvline(0, color=FAINT, linewidth=0.7)
        _dots(axes, lab[:, 1:], lab, coats)
        if gaps.hole is not None:
            _cross(axes, gaps.hole[1], gaps.hole[2])
        axes.set(xlim=frame.a, ylim=frame.b, aspect="equal")
        axes.set_xlabel("a*: greener to the left, redder to the right")
        axes.set_ylabel("b*: bluer below, yellower above")

    def light(axes: Axes) -> None:
        if gaps.lightness is not None:
            low, high = gaps.lightness
            axes.axhspan(low, high, facecolor=EMPTY, edgecolor=INK, linewidth=0.5, linestyle=(0, (4, 3)))
            axes.text(frame.C * 0.98, (low + high) / 2, "gap", ha="right", va="center", color=INK)
        _dots(axes, lch[:, 1::-1], lab, coats)
        if gaps.hole is not None:
            _cross(axes, float(np.hypot(*gaps.hole[1:])), gaps.hole[0])
        axes.set(xlim=(-2, frame.C), ylim=(0, 101))
        axes.set_xlabel("C*: grey at the left, strong colours at the right")
        axes.set_ylabel("L*: dark below, light above")

    said = [called[int(i)] for i in order] if called else []
    count = f"{len(order)} swatch{'' if len(order) == 1 else 'es'}"
    return (
        _svg(around, f"{name}-ab", ("Map of hue and strength, a* across and b* up", _ends(count, lab)), said),
        _svg(light, f"{name}-lc", ("Map of lightness and strength, C* across and L* up", _ends(count, lch[:, :2], "LC")), said),
    )  # fmt: skip


def _ends(count: str, values: Array, names: str = "Lab") -> str:
    """Return how far the swatches of a plot reach, for somebody who does not see it."""
    if not len(values):
        return f"{count}."
    ends = zip(names, values.min(axis=0), values.max(axis=0), strict=True)
    shown = [f"{n}* from {low:.0f} to {high:.0f}" for n, low, high in ends if names != "Lab" or n != "L"]
    return f"{count}: {', '.join(shown)}."


def _dots(axes: Axes, places: Array, lab: Array, coats: NDArray[np.int_]) -> None:
    """Draw swatches (n, 3) at places (n, 2), a shape for each number of coats."""
    colours = np.array([text for text, _ in lab_to_hex(lab)] if len(lab) else [], dtype=object)
    rims = np.where(lab[:, 0] < RIM_L, PALE, INK)
    size = float(np.clip(ALL_DOTS / max(len(lab), 1), SMALLEST, LARGEST))
    for n, shape in SHAPES.items():
        at = coats == n
        if at.any():
            drawn = axes.scatter(
                places[at, 0],
                places[at, 1],
                s=size * (1.0 if shape == "o" else 0.85),
                marker=shape,
                c=colours[at].tolist(),
                edgecolors=rims[at].tolist(),
                linewidths=0.45,
                zorder=3,
            )
            drawn.set_gid(f"dots-{n}")


def _wedge(axes: Axes, hues: tuple[float, float], frame: Frame) -> None:
    """Draw the part of the hue circle (degrees, counted upwards from the first) in which there is no clear colour."""
    from matplotlib.patches import Wedge

    far = 2.0 * (frame.a[1] - frame.a[0])
    axes.add_patch(
        Wedge((0, 0), far, *hues, width=far - HUED_CHROMA, facecolor=EMPTY, edgecolor=INK, linewidth=0.5,
              linestyle=(0, (4, 3)))
    )  # fmt: skip
    angle = np.radians((hues[0] + hues[1]) / 2)
    way = np.array([np.cos(angle), np.sin(angle)])
    ends = np.where(way > 0, (frame.a[1], frame.b[1]), (frame.a[0], frame.b[0]))
    reach = float(np.min(np.abs(ends) / np.maximum(np.abs(way), 1e-9)))
    if reach > HUED_CHROMA + MARGIN:
        x, y = (float(v) for v in way * (HUED_CHROMA + reach) / 2)
        axes.text(x, y, "gap", ha="center", va="center", color=INK)


def _cross(axes: Axes, x: float, y: float) -> None:
    for colour, width in ((PALE, 3.2), (INK, 1.4)):
        axes.plot([x], [y], "x", color=colour, markersize=9, markeredgewidth=width, zorder=4)


def _svg(draw: Callable[[Axes], None], name: str, told: tuple[str, str], called: Sequence[str]) -> str:
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    # Nothing of a plot may depend on what is set on this computer.
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(STYLE)
        figure: Figure = Figure(figsize=(INCHES, INCHES), layout="constrained", facecolor=GROUND)
        FigureCanvasSVG(figure)
        draw(figure.add_subplot())
        out = io.StringIO()
        figure.savefig(
            out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
        )
    return _tidy(out.getvalue(), name, told, called)


def _tidy(svg: str, name: str, told: tuple[str, str], called: Sequence[str]) -> str:
    """Return an SVG's element alone and short, its ids its own, with its name and description (told) and those of its dots."""
    root = ElementTree.fromstring(svg)
    for parent in list(root.iter()):
        for child in list(parent):
            # Its style would be the whole page's; the page has its own for plots.
            if child.tag.endswith(("}metadata", "}style")):
                parent.remove(child)
    dots = []
    for one in root.iter():
        one.tag = one.tag.split("}")[-1]
        one.text, one.tail = (one.text or "").strip() or None, None
        one.attrib = {key.split("}")[-1]: _short(value, name, key) for key, value in one.attrib.items()}
        if one.get("id", "").startswith(f"{name}-dots-"):
            dots.append(one)
    found = [use for group in dots for use in _plain_dots(group)]
    for use, text in zip(found, called, strict=bool(called)):
        ElementTree.SubElement(use, "title").text = _cut(one_line(text))
    label, description = told
    view = root.get("viewBox", "0 0 100 100")
    root.attrib = {"xmlns": "http://www.w3.org/2000/svg", "viewBox": view, "role": "img"}
    root.attrib |= {"aria-label": label, "aria-describedby": f"{name}-told"}
    words = ElementTree.Element("desc", {"id": f"{name}-told"})
    words.text = description
    root.insert(0, words)
    return ElementTree.tostring(root, encoding="unicode")


def _plain_dots(group: ElementTree.Element) -> list[ElementTree.Element]:
    """Take a group's dots out of their wrapping, what they have in common said once, and return them."""
    shapes = [path for defs in group.iter("defs") for path in defs]
    # Few dots are drawn each by itself, many as uses of one shape.
    wrapped = [one for one in group.iter() if one.tag in ("use", "path") and one not in shapes]
    for child in [child for child in group if child.tag != "defs"]:
        group.remove(child)
    for one in wrapped:
        style = dict(part.split(": ", 1) for part in one.attrib.pop("style").split("; "))
        one.set("fill", style["fill"])
        if style["stroke"] != INK:
            one.set("stroke", style["stroke"])
        group.set("stroke-width", style["stroke-width"])
        group.append(one)
    group.set("stroke", INK)
    for path in shapes:
        path.attrib.pop("style", None)
    return wrapped


def _short(value: str, name: str, key: str) -> str:
    """Return an attribute with its numbers cut to hundredths; ids, and what points to them, begin with the plot's name."""
    if key == "id":
        return f"{name}-{value}"
    if key.endswith("href"):
        return re.sub("^#", f"#{name}-", value)
    value = re.sub(r"url\(#", f"url(#{name}-", value)
    # Letters are the page's own.
    value = re.sub(r"font-family: [^;]*; ?", "", value)
    return re.sub(r"(\d+\.\d{2})\d+", r"\1", value).replace("\n", " ").strip()


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST else text[: LONGEST - 1] + "\N{HORIZONTAL ELLIPSIS}"
