"""Swatches that belong together: all of one marker and number of coats, or of one ink over another, and how they run
with the amount of ink."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.chart.markers import Marker
from calib.colour.dose import DoseCurve, dose_curve
from calib.scan.cover import TWO_COATS
from calib.scan.overlays import Laid
from calib.scan.patch import Patch
from calib.scan.swatch import Swatch

Array = NDArray[np.float64]

# Swatches with one of these do not show the ink's own colour, so no dose curve goes through them.
NOT_THE_INK = frozenset({"clipped", "half-filled", "fluorescent"})


@dataclass(frozen=True)
class Group:
    """All swatches of one marker and number of coats, or of one overlay; linear, paper: (n, 3) light of those with colour.

    A page scanned twice shows each cell twice; a cell counts once however often it is read. curve: how the
    marker's light runs with its ink; amount: where on it this group lies. laid: of an overlay, in place of that.
    """

    marker: Marker
    layers: int
    swatches: tuple[Swatch, ...]
    linear: Array
    paper: Array
    curve: DoseCurve
    amount: float = 1.0
    laid: Laid | None = None

    @property
    def inks(self) -> int:
        """Of how many inks the amounts vary each by itself."""
        return 1 if self.laid is None else len(self.laid.shares)

    def light_with(self, changes: Array) -> Array:
        """Return the light (m, 3) of the film where its inks' amounts (m, inks) are each 1 + change times as much."""
        if self.laid is not None:
            return self.laid.light_with(changes)
        amounts = self.amount * np.maximum(1 + changes[:, 0], 0.0)
        return np.asarray(self.film + self.curve.light(amounts) - self.curve.light(self.amount))

    def way(self) -> Array:
        """Return how fast the light changes with the amount of each ink, relative: (inks, 3)."""
        return self.curve.slope(self.amount) if self.laid is None else self.laid.way()

    @property
    def film(self) -> Array:
        """Mean light (3,) of the film."""
        return np.asarray(self.linear.mean(axis=0))

    @property
    def patches(self) -> list[Patch]:
        """The patches that stand behind the colour, one a scan of a cell."""
        return [s.patch for s in self.swatches if s.has_colour and s.patch is not None]

    @property
    def shows_ink(self) -> bool:
        """Whether its colour is that of an ink that was read as it is."""
        bad = any(NOT_THE_INK & set(s.flags) for s in self.swatches)
        return len(self.linear) > 0 and self.marker.kind == "ink" and not bad


def groups_of(swatches: Sequence[Swatch], order: Sequence[Marker]) -> list[Group]:
    """Return the groups in the order of the marker list, which names the overlays too, one coat before two."""
    by_key: dict[tuple[str, int], list[Swatch]] = {}
    for swatch in swatches:
        by_key.setdefault((swatch.marker.marker, swatch.cell.layers), []).append(swatch)
    place = {marker.marker: i for i, marker in enumerate(order)}
    groups = []
    for (marker, layers), found in sorted(by_key.items(), key=lambda item: (place[item[0][0]], item[0][1])):
        by_cell: dict[str, list[Patch]] = {}
        for swatch in found:
            if swatch.has_colour and swatch.patch is not None:
                by_cell.setdefault(swatch.cell.cell, []).append(swatch.patch)
        linear = np.array([np.mean([p.linear for p in one], axis=0) for one in by_cell.values()])
        paper = np.array([np.mean([p.paper for p in one], axis=0) for one in by_cell.values()])
        linear, paper = linear.reshape(-1, 3), paper.reshape(-1, 3)
        # Until its marker's other group is known, the curve is the plain one through its own film.
        curve = dose_curve(paper.mean(axis=0), linear.mean(axis=0)) if len(linear) else _NO_CURVE
        groups.append(Group(order[place[marker]], layers, tuple(found), linear, paper, curve))
    return _with_curves(groups)


_NO_CURVE = dose_curve(np.ones(3), np.ones(3))


def _with_curves(groups: Sequence[Group]) -> list[Group]:
    """Lay one dose curve through both groups of each marker that has them; tell the inks of each overlay apart."""
    films: dict[str, dict[int, Group]] = {}
    for group in groups:
        if group.shows_ink:
            films.setdefault(group.marker.marker, {})[group.layers] = group
    result = []
    for group in groups:
        both = films.get(group.marker.marker, {})
        if group.shows_ink and len(both) == 2:
            one, two = both[1], both[2]
            paper = np.concatenate([one.paper, two.paper]).mean(axis=0)
            curve = dose_curve(paper, np.stack([one.film, two.film]))
            if len(curve.amounts) == 2:
                group = replace(group, curve=curve, amount=float(curve.amounts[group.layers - 1]))
        elif group.marker.kind == "overlay" and len(group.linear):
            group = replace(group, laid=_laid(group, films))
        result.append(group)
    return result


def _laid(overlay: Group, films: dict[str, dict[int, Group]]) -> Laid:
    """Return an overlay with what was read of one coat of either ink by itself."""
    cell = overlay.swatches[0].cell
    paper = overlay.paper.mean(axis=0)
    alone = [_one_coat(films.get(marker, {}), paper) for marker in (cell.marker, cell.over)]
    return Laid(paper, overlay.film, (alone[0], alone[1]))


def _one_coat(films: dict[int, Group], paper: Array) -> Array | None:
    """Return the light (3,) of one coat of an ink over this paper (3,), from two where one was not read; None without either."""
    if not films:
        return None
    group = films.get(1) or films[2]
    light = group.film if group.layers == 1 else group.curve.light(group.amount / TWO_COATS)[0]
    # Each film is seen against the paper beside it, and the light is not quite alike all over a page.
    return np.asarray(light * paper / group.paper.mean(axis=0))
