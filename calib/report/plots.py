"""Plots for the page, as SVG that stands in it: every swatch in its place, on a neutral ground."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calib.answers.drift.comparison import DriftRow
from calib.colour.colorimetry import lab_to_hex, lab_to_lch

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

# A light neutral grey, L* 80: chips are seen on it whatever surrounds the page.
GROUND = "#c6c6c6"
INK, FAINT = "#1a1a1a", "#8a8a8a"
SHAPES = {1: "o", 2: "s"}
INCHES = 5.2
# Room for one pen's bar, in inches, and as many as a page shows at a glance.
BAR_INCHES, MOST_BARS = 0.21, 24
LONGEST = 18
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
    "path.simplify": True,
}


def colour_plots(lab: Array, layers: Sequence[int], name: str) -> tuple[str, str]:
    """Return the plots of a* against b*, and of lightness against chroma, as SVG.

    lab: (n, 3), layers: (n,) coats: circles are one coat and squares two. name: begins every id in the plots, so that
    several may stand in one page. The same colours give the same bytes.
    """
    colours = [text for text, _ in lab_to_hex(lab)] if len(lab) else []
    lch = lab_to_lch(lab)

    def around(axes: Axes) -> None:
        reach = 10.0 * np.ceil((float(np.abs(lab[:, 1:]).max(initial=30.0)) + 4) / 10)
        axes.axhline(0, color=FAINT, linewidth=0.7)
        axes.axvline(0, color=FAINT, linewidth=0.7)
        _dots(axes, lab[:, 1], lab[:, 2], layers, colours)
        axes.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
        axes.set_xlabel("a*: greener to the left, redder to the right")
        axes.set_ylabel("b*: bluer below, yellower above")

    def light(axes: Axes) -> None:
        _dots(axes, lch[:, 1], lch[:, 0], layers, colours)
        axes.set(xlim=(-2, max(40.0, float(lch[:, 1].max(initial=0.0)) + 6)), ylim=(0, 100))
        axes.set_xlabel("C*: grey at the left, strong colours at the right")
        axes.set_ylabel("L*: dark below, light above")

    return _svg(around, f"{name}-ab"), _svg(light, f"{name}-lc")


def strength_bars(rows: Sequence[DriftRow], name: str) -> str:
    """Return bars of the ink that pens give, in per cent of before, with their 95 per cent intervals, as SVG.

    rows: one for each pen, with a strength; what is steady is drawn faint, so that no meaning is in the colour alone.
    """

    def bars(axes: Axes) -> None:
        axes.axvline(100, color=INK, linewidth=1)
        for at, row in enumerate(rows):
            share = 100 * (row.strength or 0.0)
            low, high = 100 * (row.strength_low or 0.0), 100 * (row.strength_high or 0.0)
            axes.barh(
                at,
                share,
                height=0.62,
                color="#4d4d4d" if row.found else "#a0a0a0",
                edgecolor=INK,
                linewidth=0.5,
            )
            axes.plot([low, high], [at, at], color=INK, linewidth=1.1)
            for end in (low, high):
                axes.plot([end, end], [at - 0.2, at + 0.2], color=INK, linewidth=1.1)
        axes.set_yticks(
            range(len(rows)), [_short(f"{row.marker} {row.name}".strip()) for row in rows], parse_math=False
        )
        axes.set(ylim=(len(rows) - 0.4, -0.6))
        most = max((100 * (row.strength_high or 0.0) for row in rows), default=100.0)
        axes.set_xlim(0, min(max(115.0, most + 5), 250.0))
        axes.set_xlabel("ink now, in per cent of before; the line is the 95 % interval")

    return _svg(bars, name, height=0.9 + BAR_INCHES * max(len(rows), 1))


def _short(text: str) -> str:
    return text if len(text) <= LONGEST else text[: LONGEST - 1] + "\N{HORIZONTAL ELLIPSIS}"


def _dots(axes: Axes, x: Array, y: Array, layers: Sequence[int], colours: Sequence[str]) -> None:
    for coats, shape in SHAPES.items():
        at = [i for i, n in enumerate(layers) if n == coats]
        if at:
            axes.scatter(
                x[at], y[at], s=26, marker=shape, c=[colours[i] for i in at], edgecolors=INK, linewidths=0.4
            )


def _svg(draw: Any, name: str, height: float = INCHES) -> str:
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    # Nothing of a plot may depend on what is set on this computer.
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(STYLE)
        figure: Figure = Figure(figsize=(INCHES, height), layout="constrained", facecolor=GROUND)
        FigureCanvasSVG(figure)
        draw(figure.add_subplot())
        out = io.StringIO()
        figure.savefig(
            out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
        )
    return _tidy(out.getvalue(), name)


def _tidy(svg: str, name: str) -> str:
    """Return an SVG's element alone, short, its ids its own, and for the eye only: the page has words for the rest."""
    svg = svg[svg.index("<svg") :]
    # Its style would be the whole page's; the page has its own for plots.
    svg = re.sub(r"<(metadata|style)\b.*?</\1>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{name}-", svg)
    svg = re.sub(r"(\d+\.\d{2})\d+", r"\1", svg)
    svg = re.sub(r">\s+<", "><", svg).replace("\n", " ")
    width = re.search(r'<svg[^>]*?\bviewBox="([^"]+)"', svg)
    view = width[1] if width else "0 0 100 100"
    return re.sub(
        r"<svg[^>]*>",
        f'<svg viewBox="{view}" xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" aria-hidden="true" focusable="false">',
        svg,
        count=1,
    )
