"""Swatches that belong together: all of one marker and number of coats, or of one ink over another, and how they run
with the amount of ink."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.chart.markers import Marker
from calib.colour.colorimetry import linear_to_romm
from calib.colour.dose import DoseCurve, dose_curve, film_density
from calib.scan.patch import Patch
from calib.scan.swatch import Swatch

Array = NDArray[np.float64]

# Swatches with one of these do not show the ink's own colour, so no dose curve goes through them.
NOT_THE_INK = frozenset({"clipped", "half-filled", "fluorescent"})


@dataclass(frozen=True)
class Group:
    """All swatches of one marker and number of coats, or of one overlay; linear, paper: (n, 3) light of those with colour.

    A page scanned twice shows each cell twice; a cell counts once however often it is read. curve: how the
    marker's light runs with its ink; amount: where on it this group lies. shares: (2, 3) how the density of an
    overlay, in the light of wide primaries, comes from the ink below and from the one on top; None where that is not
    known, and for a single ink.
    """

    marker: Marker
    layers: int
    swatches: tuple[Swatch, ...]
    linear: Array
    paper: Array
    curve: DoseCurve
    amount: float = 1.0
    shares: Array | None = None

    @property
    def inks(self) -> int:
        """Of how many inks the amounts vary each by itself."""
        return 1 if self.shares is None else len(self.shares)

    def light_with(self, changes: Array) -> Array:
        """Return the light (m, 3) of the film where its inks' amounts (m, inks) are changed, each 1 + change times as much."""
        if self.shares is None:
            amounts = self.amount * np.maximum(1 + changes[:, 0], 0.0)
            return np.asarray(self.film + self.curve.light(amounts) - self.curve.light(self.amount))
        wide = np.maximum(linear_to_romm(self.film), 0.0)
        passed = 10.0 ** -(np.maximum(changes, -1.0) @ self.shares)
        return np.asarray(self.film + (wide * (passed - 1)) @ _FROM_WIDE)

    def way(self) -> Array:
        """Return how fast the light changes with the amount of each ink, relative: (inks, 3)."""
        if self.shares is None:
            return self.curve.slope(self.amount)
        wide = np.maximum(linear_to_romm(self.film), 0.0)
        return np.asarray((-np.log(10) * wide * self.shares) @ _FROM_WIDE)

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


_FROM_WIDE = np.linalg.inv(linear_to_romm(np.eye(3)))
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
            group = replace(group, shares=_shares(group, films))
        result.append(group)
    return result


def _shares(overlay: Group, films: dict[str, dict[int, Group]]) -> Array | None:
    """Return what either ink has of an overlay's density (2, 3), by one coat of one of them alone; None where neither was read.

    The densities of films add (Bouguer and Beer) in light narrow enough; what they fail to add by is given to the ink that
    was not looked at alone, so that both together are what was read.
    """
    cell = overlay.swatches[0].cell
    total = _wide_density(overlay)
    for first, marker in enumerate((cell.marker, cell.over)):
        alone = films.get(marker, {}).get(1)
        if alone is not None:
            mine = _wide_density(alone)
            return np.stack([mine, total - mine] if first == 0 else [total - mine, mine])
    return None


def _wide_density(group: Group) -> Array:
    """Return a film's density (3,) over its paper in wide primaries, in which all surface colours have light."""
    return film_density(linear_to_romm(group.paper.mean(axis=0)), linear_to_romm(group.film))
