"""What is proposed: sets, how sure their order is, and what they were chosen from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.answers.blending.evenness import chances
from calib.answers.blending.pool import Pool
from calib.answers.blending.search import Apart
from calib.answers.blending.steps import LEAST_STEP, Blend, blend_of, covariance_of, squared_miss
from calib.answers.shelf import Shelf
from calib.colour.uncertainty import normal_draws
from calib.errors import ImpossibleError

# How often the colours are drawn anew to see which set would come out best.
DRAWS = 400


@dataclass(frozen=True, eq=False)
class Proposal:
    """Sets, the best first.

    coats: what they were chosen for. hue: degrees, None between two pens. others: how often of 1 each set would come out best if all of its pens were
    coloured again. considered: how many pens could be in a set. barred: why others could not, by id. reached: whether the contrast that was
    wanted around a hue is reached. warnings: sentences.
    """

    shelf: Shelf
    coats: tuple[int, ...]
    steps: int
    hue: float | None
    blends: tuple[Blend, ...]
    others: tuple[float, ...]
    considered: int
    barred: dict[str, str]
    contrast: float
    reached: bool
    warnings: tuple[str, ...]


def proposal_of(
    shelf: Shelf,
    pool: Pool,
    asked: tuple[int, float | None, float],
    chosen: Sequence[tuple[int, ...]],
    said: tuple[dict[str, str], list[str]],
    reached: bool = True,
) -> Proposal:
    """Return sets as a proposal.

    asked: how many pens, around which hue or None, which contrast. chosen: of each set the places of its pens in the pool, dark first. said: why
    pens are not proposed, and warnings. reached: whether the contrast is.
    """
    steps, hue, contrast = asked
    blends = tuple(blend_of([pool.pens[i] for i in path], pool.coats) for path in chosen)
    return Proposal(
        shelf,
        pool.coats,
        steps,
        hue,
        blends,
        _luck(pool, chosen, hue is not None),
        len(pool.pens) - (2 if hue is None else 0),
        said[0],
        contrast,
        reached,
        tuple(said[1]),
    )


def _luck(pool: Pool, chosen: Sequence[tuple[int, ...]], relative: bool) -> tuple[float, ...]:
    """Return how often each set would come out best if every pen were coloured and read again."""
    used = sorted({i for path in chosen for i in path})
    covariance = covariance_of([pool.pens[i] for i in used], pool.coats)
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]
    z = normal_draws(DRAWS, len(pool.coats) * len(used) * 3).reshape(DRAWS, len(pool.coats), len(used), 3)
    drawn = pool.lab[:, used] + np.einsum("knij,dknj->dkni", root, z)
    misses = []
    for path in chosen:
        lab = drawn[:, :, [used.index(i) for i in path]]
        miss = squared_miss(lab)
        if relative:
            span = lab[..., -1, 0] - lab[..., 0, 0]
            miss = miss / np.maximum(np.mean(span**2, axis=-1), LEAST_STEP**2)
        misses.append(miss)
    return chances(misses)


def kept_apart(
    pool: Pool, chosen: Sequence[tuple[int, ...]], most: int, but: tuple[int, ...] = ()
) -> list[Apart]:
    """Return that a path may have so many of each earlier one's pens at most, the ends that all share not counted."""
    found = []
    for path in chosen:
        nodes = np.zeros(len(pool.pens), dtype=bool)
        nodes[[i for i in path if i not in but]] = True
        found.append(Apart(nodes, most))
    return found


def too_many(steps: int, most: int, where: str) -> ImpossibleError:
    """Return what to say where so many steps were asked for and sets have so many pens at most."""
    what = f"at most {most} pen{'' if most == 1 else 's'} can stand in a row {where}, each a step of {LEAST_STEP:.0f} L lighter, and {steps} were asked for"
    if most == 0:
        what = f"none of your pens are {where}"
    todo = f"Ask for --steps {most} or fewer." if most > 1 else "Ask for other ends or another hue."
    return ImpossibleError(what, todo)
