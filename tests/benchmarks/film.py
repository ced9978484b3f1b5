"""Which estimator of the film's colour is best, how well coverage and mottle are told, and whether the doubts hold.

    python tests/benchmarks/film.py [pages of each kind]

Estimators are compared alone: on scans at 300 dpi and 8 bit without falloff and flare, decoded by the file's own curve,
against the scanner's noise-free light of the film, on seeds that no development used. Below stand the same kinds read as
a whole, with 1.5 % flare and 3 % falloff to be undone. The last kinds come from a second simulator of hands, below, that shares
nothing with calib.synthetic: other bands, slants, grain, ramps of ink, and paler and blacker inks (all invented).
Goals: normal 0.10 mean and 0.25 at 95 %, dry40 0.40 and 0.9, coverage and mottle to 0.03, error over doubt 0.8 to 1.2.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from simulated import chart_of, read_page, strip_of

from calib.colour.colorimetry import delta_e_2000
from calib.colour.dose import amount_between
from calib.scan import film as estimating
from calib.scan.image import read_pictures
from calib.scan.patch import AROUND_MM, INNER_MM, Patch, Sight, take_film
from calib.scan.reading import read_picture
from calib.scan.scanner import Scanner as Colours
from calib.scan.swatch import jpeg_rounding
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import reflectance_at
from calib.synthetic.scan import colour_of, simulate_page
from calib.synthetic.scanners import spectral_scanner
from calib.synthetic.session import Hand, Laying, Scanner, Session
from calib.synthetic.writing import write_scan

FIRST_SEED = 31000
PER_MM = 300 / 25.4
SCANNERS = ("colorimetric", "camera-1", "three-led")
KINDS: dict[str, tuple[Hand, dict[str, object]]] = {
    "normal": (Hand(), {}),
    "heavy bands": (Hand(scatter=0.03, band=0.25, gaps=1.0, mottle=0.05, patch=0.03), {}),
    "wide nib": (Hand(nib_mm=7.5, overlap_mm=1.5), {}),
    "even hand": (Hand(band=0.05, mottle=0.015, nib_mm=6.0), {}),
    "dry 20 %": (Hand(grain=0.2), {}),
    "dry 40 %": (Hand(grain=0.4), {}),
    "dry 60 %": (Hand(grain=0.6), {}),
    "dust, hairs": (Hand(), {"dust": 60, "hairs": 12}),
    "double noise": (Hand(), {"noise_read": 0.0024, "noise_shot": 0.008}),
    "JPEG 60": (Hand(), {"jpeg": 60}),
}
OTHERS = ("even", "heavy bands", "ramp", "pale", "black", "gaps", "dry", "dry, thin edges")
OTHER_CELLS = 16


@dataclass(frozen=True)
class Case:
    """One cell: codes and light (h, w, 3) with AROUND_MM around it, and what is true of it.

    slope: (3,) change of the film's light for a relative change of its ink.
    """

    codes: np.ndarray
    light: np.ndarray
    sight: Sight
    layers: int
    film: np.ndarray
    slope: np.ndarray
    coverage: float
    mottle: float


def decoded(codes: np.ndarray) -> np.ndarray:
    """Return linear light of sRGB codes (IEC 61966-2-1)."""
    return np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4).astype(np.float32)


def session_of(kind: str, number: int, **more: object) -> Session:
    """Return the session of a page of a kind, laid otherwise each time."""
    hand, knobs = KINDS[kind]
    seed = FIRST_SEED + 100 * list(KINDS).index(kind) + number
    scanner = Scanner(kind=SCANNERS[number % 3], bits=8, **{**knobs, **more})  # type: ignore[arg-type]
    return Session(hand=hand, scanner=scanner, laying=Laying(turn_deg=(seed % 7 - 3) * 0.3), seed=seed)


def cases(kind: str, number: int) -> Iterator[Case]:
    """Yield the cells of a page without flare and falloff."""
    plan, session = chart_of(20), session_of(kind, number, flare=0.0, falloff=0.0, tilt=0.0)
    inks = {ink.marker: ink for ink in invent_inks(plan.markers, seed=session.seed)}
    scan = simulate_page(plan, 1, inks, session, dpi=300)
    jpeg = session.scanner.jpeg
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / ("page.jpg" if jpeg else "page.tif")
        write_scan(path, scan.pixels, 300, jpeg_quality=jpeg)
        picture = next(iter(read_pictures(path, "")))
    page = read_picture(picture, plan, strip_of(scan.truth.strip_densities))[0]
    spectral = spectral_scanner(session.scanner.kind, session.scanner.lamp)

    def rounding(linear: np.ndarray) -> np.ndarray:
        if jpeg is None:
            return np.zeros(3)
        low = np.maximum(linear, 0.0031308)
        return jpeg_rounding(jpeg) * 2.4 / 1.055 * low ** (1 - 1 / 2.4)

    sight = Sight(page.per_mm, scan.truth.paper.linear, page.noise.at, rounding)
    for cell in page.frame.page.cells:
        truth = scan.truth.cells[cell.cell]
        codes = page.codes(cell.box.grown(AROUND_MM))
        if truth.film.linear.min() < 0.001 or truth.film.linear.max() > 1:
            continue
        more = reflectance_at(inks[cell.marker], session.paper, 1.01 * session.paper.gain * truth.film_amount)
        slope = (colour_of(more, spectral).linear - truth.film.linear) / 0.01
        yield Case(
            codes, decoded(codes), sight, cell.layers, truth.film.linear, slope, truth.coverage, truth.mottle_density
        )  # fmt: skip


# --- a second simulator of hands ----------------------------------------------------------------


def clouds(rng: np.random.Generator, shape: tuple[int, int], x: float, y: float | None = None) -> np.ndarray:
    """Return noise of mean 0 and sd 1, smooth over x (and y) pixels, made small and enlarged."""
    size = (x, y or x)
    step = [max(1, int(s / 2.5)) for s in size]
    white = rng.standard_normal((shape[0] // step[1] + 9, shape[1] // step[0] + 9)).astype(np.float32)
    soft = cv2.GaussianBlur(white, (0, 0), sigmaX=size[0] / step[0], sigmaY=size[1] / step[1])
    large = cv2.resize(soft, None, fx=step[0], fy=step[1], interpolation=cv2.INTER_CUBIC)
    field = large[: shape[0], : shape[1]]
    return np.asarray(field / field.std())


def other_cell(rng: np.random.Generator, kind: str, fine: int = 3) -> Case:
    """Return a cell of 18 x 12 mm by another hand, on another paper, in three-channel Beer's law."""
    width, height, scale = 18.0, 12.0, PER_MM * fine
    shape = (round((height + 2 * AROUND_MM) * PER_MM) * fine, round((width + 2 * AROUND_MM) * PER_MM) * fine)
    y, x = (np.indices(shape).astype(np.float32) + 0.5) / np.float32(scale) - np.float32(AROUND_MM)
    paper = np.array([0.86, 0.87, 0.85]) * rng.uniform(0.96, 1.02)
    strongest = {"pale": rng.uniform(0.02, 0.06), "black": rng.uniform(1.3, 1.9)}.get(
        kind, np.exp(rng.uniform(np.log(0.06), np.log(1.4)))
    )
    density = rng.uniform(0.85, 1, 3) if kind == "black" else rng.dirichlet([0.8, 0.8, 0.8])
    density *= strongest / density.max()
    sd = rng.uniform(0.01, 0.05) * 0.7
    amount = np.exp(sd * (clouds(rng, shape, 0.4 * scale) + clouds(rng, shape, 2.5 * scale)))
    slant = np.radians(rng.choice([0.0, 90.0, rng.uniform(-25, 25), rng.uniform(20, 70)]))
    pitch = rng.uniform(2, 8)
    phase = (x * np.sin(slant) + y * np.cos(slant) + 0.15 * clouds(rng, shape, 2 * scale)) % pitch
    band = np.clip((rng.uniform(0.1, 0.32) * pitch / 2 - np.abs(phase - pitch / 2)) / 0.12 + 0.5, 0, 1)
    amount *= 1 + band * (rng.uniform(0.2, 0.5) if kind == "heavy bands" else rng.uniform(0.03, 0.25))
    if kind == "ramp":
        amount *= 1 + rng.uniform(0.06, 0.25) * (x / width - 0.5)
    inside = (x > 0) & (x < width) & (y > 0) & (y < height)
    edge = np.minimum(np.minimum(x, width - x), np.minimum(y, height - y)) + 0.2 * clouds(
        rng, shape, 1.5 * scale
    )
    cover = np.clip(edge / 0.08 + 0.5, 0, 1)
    if kind.startswith("dry"):
        size = rng.uniform(0.06, 0.25) * scale
        tooth = clouds(rng, shape, size, size * rng.choice([1.0, 2.5])) + 0.4 * clouds(
            rng, shape, 6 * scale, 0.3 * scale
        )
        above = (tooth - np.quantile(tooth, rng.uniform(0.15, 0.6))) / rng.uniform(0.05, 0.6)
        cover *= np.clip(above + 0.5, 0, 1)
        if "thin" in kind:
            amount *= 1 - 0.15 * np.exp(-1.5 * np.maximum(above - 0.5, 0))
    if kind == "gaps":
        gap = np.clip((rng.uniform(0.05, 0.3) - np.abs(phase - 0.1 * pitch)) / 0.06 + 0.5, 0, 1)
        cover *= 1 - gap * (clouds(rng, shape, 1.5 * scale) > 0.7)
    film = inside & (band < 0.05) & (cover > 0.99)
    ink = float(np.median(amount[film if film.sum() > 500 else inside & (cover > 0.95)]))
    passed = cover[..., None] * (0.006 + 0.994 * 10 ** (-amount[..., None] * density)) + 1 - cover[..., None]
    truth = 0.006 + 0.994 * 10 ** (-ink * density)
    margin = round((AROUND_MM + 1) * scale)
    inner = (slice(margin, shape[0] - margin), slice(margin, shape[1] - margin))
    squares = (round((width - 2) * 4), round((height - 2) * 4))
    channel = int(np.argmin(np.where(truth > 0.02, truth, 9)))
    small, full = (
        cv2.resize(np.ascontiguousarray(p[inner]), squares, interpolation=cv2.INTER_AREA)
        for p in (passed[..., channel], cover)
    )
    inked = -np.log10(small[full > 0.9])
    light = cv2.GaussianBlur(passed * paper, (0, 0), rng.uniform(0.03, 0.07) * scale)
    light = cv2.resize(light, (shape[1] // fine, shape[0] // fine), interpolation=cv2.INTER_AREA)
    loud = rng.uniform(0.6, 2)

    def noise_of(linear: np.ndarray) -> np.ndarray:
        return np.asarray(loud * np.sqrt(0.0012**2 + 0.004**2 * np.maximum(linear, 0)))

    light = light + noise_of(light) * rng.standard_normal(light.shape)
    codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    codes = (np.round(np.clip(codes, 0, 1) * 255) / 255).astype(np.float32)
    sight = Sight(
        PER_MM, paper, lambda linear: noise_of(linear) / round(PER_MM / 4), lambda linear: np.zeros(3)
    )
    slope = -np.log(10) * ink * density * paper * (truth - 0.006)
    mottle = float(inked.std() / inked.mean()) if len(inked) > 10 else 0.0
    return Case(codes, decoded(codes), sight, 1, paper * truth, slope, float(cover[inside].mean()), mottle)


# --- estimators -----------------------------------------------------------------------------------

Estimator = Callable[[np.ndarray, np.ndarray, np.ndarray, float], np.ndarray]


def inks_of(case: Case) -> tuple[np.ndarray, np.ndarray]:
    """Return the inside's light (h, w, 3), and t (h, w), the amount of ink, as the measurement has it."""
    n = round((AROUND_MM + INNER_MM) * PER_MM)
    light, paper = case.light[n:-n, n:-n], case.sight.paper
    density = np.log10(paper.astype(np.float32) / np.maximum(light, 1e-4))
    guess = estimating.film_density_guess(light.reshape(-1, 3), paper)
    noise, weights = estimating.weights_of(guess, paper, 2.1 * case.sight.noise_of(paper * 10.0**-guess))
    return light, estimating.smoothed(density @ weights.astype(np.float32), noise, PER_MM)[0]


def near(light: np.ndarray, t: np.ndarray, at: float) -> np.ndarray:
    """Return the mean light of the pixels with that much ink."""
    return np.asarray(light[np.abs(t - at) <= 0.03 * max(at, 0.3)].mean(axis=0, dtype=float))


def half_sample(values: np.ndarray) -> float:
    """Return the half-sample mode (Bickel and Fruehwirth, Comput. Stat. Data Anal. 50, 2006)."""
    values = np.sort(values)
    while len(values) > 3:
        n = (len(values) + 1) // 2
        start = int(np.argmin(values[n - 1 :] - values[: len(values) - n + 1]))
        values = values[start : start + n]
    return float(values.mean())


def mixture(values: np.ndarray) -> float:
    """Return the mean of the film in a mixture of film, bands and an even rest, by expectation-maximisation."""
    values = values[(values > 0.3) & (values < 2.5)]
    film, band, weight = (
        [float(np.median(values)), 0.05],
        [1.3 * float(np.median(values)), 0.2],
        [0.7, 0.15, 0.15],
    )
    for _ in range(40):
        parts = [
            w * np.exp(-0.5 * ((values - m) / s) ** 2) / (s * np.sqrt(2 * np.pi))
            for w, (m, s) in zip(weight, (film, band), strict=False)
        ]
        total = parts[0] + parts[1] + weight[2] / 2.2
        a, b = parts[0] / total, parts[1] / total
        weight = [float(a.mean()), float(b.mean()), float(1 - a.mean() - b.mean())]
        film = [float(np.average(values, weights=a)), 0.0]
        film[1] = max(0.004, float(np.sqrt(np.average((values - film[0]) ** 2, weights=a))))
        band[0] = max(float(np.average(values, weights=b + 1e-9)), film[0] + 2 * film[1])
        band[1] = max(2 * film[1], float(np.sqrt(np.average((values - band[0]) ** 2, weights=b + 1e-9))))
    return film[0]


def upper_mode(values: np.ndarray) -> float:
    """Return the highest place of the histogram above half of the densest ink."""
    counts, edges = np.histogram(values, np.linspace(0, 3, 301))
    smooth = np.convolve(counts, np.exp(-0.5 * (np.arange(-8, 9) / 2.0) ** 2), mode="same")
    middle = (edges[1:] + edges[:-1]) / 2
    return float(middle[int(np.argmax(np.where(middle > 0.5 * np.percentile(values, 98), smooth, 0)))])


def estimates(case: Case) -> dict[str, np.ndarray]:
    """Return the film's light by every estimator but the one in use."""
    light, t = inks_of(case)
    flat = t.ravel()
    covered = estimating.film_peak(t, PER_MM).core
    return {
        "mean": light.reshape(-1, 3).mean(axis=0),
        "median light": np.median(light.reshape(-1, 3), axis=0),
        "half-sample": near(light, t, half_sample(flat)),
        "mixture": near(light, t, mixture(flat)),
        "upper mode": near(light, t, upper_mode(flat)),
        "mixture, core": near(light, t, mixture(t[covered])),
        "half-sample, core": near(light, t, half_sample(t[covered])),
    }


# --- the table ------------------------------------------------------------------------------------


def figures(found: np.ndarray, true: np.ndarray, papers: np.ndarray) -> str:
    """Return mean and 95 % dE00, and bias and sd of the amount of ink in per cent."""
    colours = Colours()
    e = delta_e_2000(colours.to_lab(found), colours.to_lab(true))
    ink = 100 * np.array(
        [amount_between(p, t, f[None])[0] - 1 for p, t, f in zip(papers, true, found, strict=True)]
    )
    return f"{e.mean():5.2f} {np.percentile(e, 95):5.2f}  {ink.mean():+5.1f} {ink.std():4.1f}"


def misses(errors: np.ndarray) -> str:
    """Return the mean, 95 % and largest of the absolute errors."""
    size = np.abs(errors)
    return f"{size.mean():.3f} {np.percentile(size, 95):.3f} {size.max():.3f}"


def over_doubt(pairs: list[tuple[Case, Patch]]) -> str:
    """Return the root mean square of error over doubt, along the dose curve and off it."""
    along, off = [], []
    for case, patch in pairs:
        weight = 1 / np.maximum(patch.u_linear, 1e-6) ** 2
        power = float(np.sum(weight * case.slope**2))
        error = patch.linear - case.film
        dose = float(np.sum(weight * case.slope * error)) / power
        along.append(dose / np.hypot(patch.u_dose, power**-0.5))
        off.append(np.sum(weight * (error - dose * case.slope) ** 2) / 2)
    return f"dose {np.sqrt(np.mean(np.square(along))):.2f} (middle {np.median(np.abs(along)) / 0.6745:.2f}), off it {np.sqrt(np.mean(off)):.2f} (middle {np.sqrt(np.median(off) / 0.693):.2f})"


def alone(kind: str, found: Iterator[Case]) -> None:
    """Print a kind's rows: every estimator, then coverage, mottle and doubt of the one in use."""
    rows: dict[str, list[np.ndarray]] = {}
    pairs: list[tuple[Case, Patch]] = []
    for case in found:
        patch = take_film(case.codes, case.light, case.sight, case.layers)
        if patch is None or patch.clipped > 0.02 or patch.coverage == 0:
            continue
        pairs.append((replace(case, codes=case.codes[:0], light=case.light[:0]), patch))
        for name, linear in {**estimates(case), "in use": patch.linear}.items():
            rows.setdefault(name, []).append(linear)
    true = np.array([case.film for case, _ in pairs])
    papers = np.array([case.sight.paper for case, _ in pairs])
    print(f"{kind}, {len(pairs)} swatches")
    for name, linear in rows.items():
        print(f"    {name:18s} {figures(np.array(linear), true, papers)}")
    print(f"    coverage {misses(np.array([p.coverage - c.coverage for c, p in pairs]))}", end="")
    print(f"   mottle {misses(np.array([p.mottle - c.mottle for c, p in pairs]))}")
    print(f"    error over doubt: {over_doubt(pairs)}", flush=True)


def whole(kind: str, pages: int) -> None:
    """Print a kind's figures where lighting, flare and tone had to be found as well."""
    found, true, papers, covers, mottles = [], [], [], [], []
    for number in range(pages):
        session = session_of(kind, number)
        read = read_page(
            chart_of(20), session, session.seed, suffix=".jpg" if session.scanner.jpeg else ".tif"
        )
        for swatch in read.swatches:
            if swatch.has_colour and swatch.patch and "clipped" not in swatch.flags:
                truth = read.truth.cells[swatch.cell.cell]
                found.append(swatch.patch.linear)
                true.append(truth.film.linear)
                papers.append(read.truth.paper.linear)
                covers.append(swatch.patch.coverage - truth.coverage)
                mottles.append(swatch.patch.mottle - truth.mottle_density)
    print(
        f"{kind:14s} {figures(np.array(found), np.array(true), np.array(papers))}   coverage {misses(np.array(covers))}"
        f"   mottle {misses(np.array(mottles))}   ({len(found)} swatches)",
        flush=True,
    )


def main(pages: int = 2) -> None:
    """Print all tables."""
    print(
        "Estimators alone: dE00 mean and 95 %; amount of ink, bias and sd in per cent; others: mean, 95 %, largest"
    )
    for kind in KINDS:
        alone(kind, (case for number in range(pages) for case in cases(kind, number)))
    for i, kind in enumerate(OTHERS):
        alone(
            f"another simulator, {kind}",
            (other_cell(np.random.default_rng([FIRST_SEED, i, k]), kind) for k in range(OTHER_CELLS)),
        )
    print("\nThe whole reading, 1.5 % flare")
    for kind in KINDS:
        whole(kind, pages)


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:2]))
