"""The hand's chance taken out of a table, as far as two coats of one marker tell of each other.

A hand lays a little more or less ink on each swatch, and a table carries that over to every paper it is used for.
How two coats follow from one is much alike for all inks (``model`` learns it, as if the second coat were
another paper). So where a second coat reads darker than its first lets expect, either the one has too much ink or
the other too little, and half of the difference is taken off each: the best guess of both (Kalman's, or the best
linear unbiased prediction). Where inks differ too much for that, the model knows less and little or nothing is
taken off.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.answers.carrying.carry import carried, swatches_of
from calib.answers.carrying.families import Lesson, form_of, law_between, rows_of
from calib.answers.carrying.model import Seen, fit
from calib.answers.carrying.ways import Family
from calib.answers.films import Film, Films, films_of
from calib.colour.dose import dose_curve
from calib.table.table import Reading

Array = NDArray[np.float64]

# With fewer markers of two coats than this too little is known of how they follow from one.
FEWEST = 8
# So many markers at most are judged by each other, because the work grows with the cube of their number. That many tell
# how second coats follow as well as thousands do.
MOST_TOGETHER = 400
SECOND_COAT = Family("second coat", "", "strength", ("strength", "channels"), smooth=True)


def steadied(films: Films, noise_known: float) -> Films:
    """Return the films of a session with amounts of ink that agree better with each other, and less doubt of them.

    noise_known: see ``model.most_likely``. Rows that state no doubt stay as they are, and so does a session
    with few second coats.
    """
    both = [
        marker
        for marker, coats in films.by_key
        if coats == 1 and (marker, 2) in films.by_key and films.by_key[marker, 1].u_dose > 0
    ]
    if len(both) < FEWEST or films.assumed:
        return films
    ones, twos = ([films.by_key[marker, coats] for marker in both] for coats in (1, 2))
    first, second = _excess(films, ones, twos, noise_known)
    rows = {}
    for film, (excess, u_dose) in zip((*ones, *twos), (*first, *second), strict=True):
        rows[film.reading.key] = _with_less(film, excess, u_dose)
    session = replace(films.session, rows=tuple(rows.get(row.key, row) for row in films.session.rows))
    again = films_of(session)
    return replace(again, left=films.left)


def _excess(
    films: Films, ones: list[Film], twos: list[Film], noise_known: float
) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
    """Return for each first and each second coat its relative excess of ink, and the doubt that is left."""
    # What one coat tells by itself is the plain line; the curve through both would know the answer.
    plain = [replace(film, curve=dose_curve(films.paper, [film.linear]), amount=1.0) for film in ones]
    known = swatches_of(plain, films.paper)
    seen = Seen(np.array([film.lab for film in twos]), np.array([film.covariance for film in twos]))
    lesson = Lesson(known, np.arange(len(ones)), seen, films.paper, noise_known)
    base = carried(known, films.paper, law_between(lesson, False))
    rows = rows_of(known, base, SECOND_COAT.columns)
    form = form_of(lesson, SECOND_COAT, rows)
    # Only how far the second coat is off along its own way counts: in other directions it is the model that is off.
    along = np.array([film.along for film in twos])
    sure, off = np.zeros(len(twos)), np.zeros(len(twos))
    for some in _alike_parts(known.lab):
        done = fit(rows.only(some), seen.only(some), form)
        inverse = np.linalg.inv(done.unseen_doubt)
        sure[some] = np.einsum("ni,nij,nj->n", along[some], inverse, along[some])
        off[some] = np.einsum("ni,nij,nj->n", along[some], inverse, seen.lab[some] - done.unseen)
    found = []
    for films_of_coat, sign in ((ones, -1.0), (twos, 1.0)):
        u = np.array([film.u_dose for film in films_of_coat])
        variance = np.minimum(form.noise, 1.0) * u**2
        # Beyond three standard deviations it is not the hand's chance.
        excess = np.clip(sign * variance * off, -3 * u, 3 * u)
        left = u * np.sqrt(np.maximum(1 - variance * sure, 0.25))
        found.append(list(zip(excess.tolist(), left.tolist(), strict=True)))
    return found[0], found[1]


def _alike_parts(lab: Array) -> list[NDArray[np.int64]]:
    """Return the numbers of colours (n, 3) dealt out evenly along their lightness, no more than MOST_TOGETHER in a part.

    The same ones stand together in whatever order the rows are.
    """
    order = np.lexsort(lab.T[::-1]).astype(np.int64)
    parts = -(-len(order) // MOST_TOGETHER)
    return [np.sort(order[start::parts]) for start in range(parts)]


def _with_less(film: Film, excess: float, u_dose: float) -> Reading:
    """Return a film's row with so much less ink, relatively, and this doubt of what it has."""
    light = film.linear + film.curve.light(film.amount * (1 - excess))[0] - film.curve.light(film.amount)[0]
    lab = film.lab_of(light)[0]
    covariance = film.covariance - (film.u_dose**2 - u_dose**2) * np.outer(film.along, film.along)
    u = np.sqrt(np.maximum(np.diag(covariance), 1e-6))
    names = ("L", "a", "b", "R", "G", "B", "u_L", "u_a", "u_b", "u_dose")
    values = (*lab, *light, *u, u_dose)
    changed: dict[str, Any] = {name: float(value) for name, value in zip(names, values, strict=True)}
    return replace(film.reading, **changed)
