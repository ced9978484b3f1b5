"""How far swatches of photographs are from the true film colours, beside scans of the same pages; what is flagged of glare and shadow.

    python tests/benchmarks/photos.py [photographs [first seed [scans]]]

Every photograph is of another page (invented inks, hand, one of three sets of filters) and has another camera, place, light and JPEG, drawn at random
from what people do (invented ranges). Against the camera's own noise-free, grey-balanced light, which leaves its filters out. The
scans are of the same sheets: a clean one of 16 bits, and a JPEG of quality 85 with doubled noise, which is what
compares with a camera's file. A third of the photographs have a shadow's edge or glare on them as well.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from simulated import chart_of, errors, read_page, strip_of

from calib.chart.plan import Plan
from calib.colour.colorimetry import delta_e_2000
from calib.errors import CalibError
from calib.scan.measure import Settings, measure
from calib.synthetic.camera import Camera, Glare, Lamp, Shadow
from calib.synthetic.cameralight import glare_at, light_at
from calib.synthetic.drawer import invent_inks
from calib.synthetic.photograph import Photo, photograph, simulate_sheet, write_photo
from calib.synthetic.session import Scanner, Session

FIRST_SEED = 9500
KINDS = ("colorimetric", "camera-1", "camera-2")
# A swatch is off when it errs by more than this in dE00.
OFF = 1.0
SCANS = {"clean scan, 16 bit": (".tif", {}), "JPEG 85 scan, double noise": (".jpg", {
    "bits": 8, "jpeg": 85, "noise_read": 0.0024, "noise_shot": 0.008, "flare": 0.03, "falloff": 0.06})}  # fmt: skip


def camera_of(seed: int) -> tuple[Camera, str]:
    """Return a camera and its light by chance, and what ails the picture: '', 'shadow' or 'glare'."""
    rng = np.random.default_rng(seed)
    about = rng.uniform(0, 2 * np.pi, 2)
    far, high = rng.uniform(300, 900, 2), rng.uniform(450, 1500, 2)
    tints = 1 + rng.normal(0, 0.04, (2, 3))
    lamps = tuple(
        Lamp(
            (105 + far[i] * np.cos(about[i]), 148 + far[i] * np.sin(about[i]), high[i]),
            (1.0, 0.6)[i],
            tuple(tints[i]),
        )
        for i in range(1 + int(rng.random() < 0.5))
    )
    camera = Camera(
        tilt_deg=rng.normal(0, 5), pan_deg=rng.normal(0, 5), turn_deg=90 + rng.normal(0, 3) + 180 * (seed % 2),
        height_mm=rng.uniform(265, 300), barrel=rng.uniform(-0.012, 0.012), curl_mm=max(0.0, rng.normal(0, 1.2)),
        vignetting=rng.uniform(0.1, 0.6), veil=rng.uniform(0.005, 0.03), defocus_px=rng.uniform(0.7, 1.6),
        sharpen=rng.uniform(0, 0.8), noise_read=rng.uniform(0.001, 0.003), noise_shot=rng.uniform(0.004, 0.014),
        exposure=rng.uniform(0.6, 0.9), balance=tuple(1 + rng.normal(0, 0.03, 3)), contrast=rng.uniform(0, 0.35),
        quality=int(rng.integers(75, 96)), lamps=lamps, seed=seed,
    )  # fmt: skip
    at = (float(rng.uniform(30, 180)), float(rng.choice([rng.uniform(50, 120), rng.uniform(180, 250)])))
    if seed % 6 == 2:
        edge = Shadow(at, rng.uniform(0, 360), rng.uniform(5, 30), rng.uniform(0.15, 0.4))
        return replace(camera, shadows=(edge,)), "shadow"
    if seed % 6 == 5:
        return replace(camera, glares=(Glare(at, rng.uniform(8, 20), rng.uniform(0.03, 0.2)),)), "glare"
    return camera, ""


def touched(photo: Photo, ails: str) -> dict[str, bool]:
    """Return by cell whether a shadow's edge (5 % of light within it) or glare (0.01 of white) is on it."""
    result = {}
    for cell in photo.sheet.page.cells:
        x, y = np.meshgrid(
            np.linspace(cell.x_mm, cell.box.right_mm, 15), np.linspace(cell.y_mm, cell.box.bottom_mm, 15)
        )
        if ails == "shadow":
            plain = replace(photo.camera, shadows=())
            page = photo.sheet.plan.page_mm
            share = (light_at(photo.camera, page, x, y) / light_at(plain, page, x, y))[..., 1]
            result[cell.cell] = bool(np.ptp(share) > 0.05)
        else:
            result[cell.cell] = ails == "glare" and bool(
                glare_at(photo.camera, photo.sheet.page, x, y).max() > 0.01
            )
    return result


def main(count: int = 30, first: int = FIRST_SEED, scanned: int = 6) -> None:
    """Print all rows."""
    plan = chart_of(34)
    scanner = Settings("", "").scanner
    plain, ailing, z, scans = [], [], [], {name: [] for name in SCANS}
    refused = 0
    for seed in range(first, first + count):
        session = Session(scanner=Scanner(kind=KINDS[seed % 3]), seed=seed)
        inks = {ink.marker: ink for ink in invent_inks(plan.markers, seed=seed)}
        camera, ails = camera_of(seed)
        photo = photograph(simulate_sheet(plan, 1, inks, session), camera)
        try:
            swatches, page = _measured(plan, photo)
        except CalibError as error:
            refused += 1
            print(f"{seed} {ails or 'plain':6s} refused: {error}", flush=True)
            continue
        on = touched(photo, ails)
        one = []
        for swatch in swatches:
            true = photo.sheet.truth.cells[swatch.cell.cell].film.linear
            if swatch.has_colour and "clipped" not in swatch.flags:
                off = scanner.to_lab(swatch.patch.linear) - scanner.to_lab(true)
                e = float(delta_e_2000(scanner.to_lab(swatch.patch.linear), scanner.to_lab(true)))
                one.append(
                    (e, bool({"glare", "shadow"} & set(swatch.flags)), on[swatch.cell.cell], off, swatch)
                )
        # The hand's scatter is no error against the swatch's own film, so only what else is doubted counts.
        z += [_score(page, swatch, off, scanner) for _, flagged, _, off, swatch in one if not flagged]
        (ailing if ails else plain).extend(one)
        e = np.array([each[0] for each in one])
        print(f"{seed} {ails or 'plain':6s} mean {e.mean():.2f} p95 {np.percentile(e, 95):.2f} max {e.max():.1f} flagged "
              f"{sum(each[1] for each in one)} touched {sum(each[2] for each in one)} unread {len(swatches) - len(one)} "
              f"falloff {page.lighting.falloff():.2f} tone {page.tone.residual:.2f} L* quality {camera.quality}", flush=True)  # fmt: skip
        if seed < first + scanned:
            for name, (suffix, knobs) in SCANS.items():
                own = replace(session, scanner=Scanner(kind=KINDS[seed % 3], **knobs))
                scans[name].append(errors(read_page(plan, own, seed, 300, suffix), absolute=False))
    for name, found in scans.items() if scanned else ():
        e = np.concatenate(found)
        print(f"{name:30s} mean {e.mean():.3f} p95 {np.percentile(e, 95):.3f} ({len(e)} swatches)")
    e = np.array([each[0] for each in plain])
    print(f"{'photographs, plain light':30s} mean {e.mean():.3f} p95 {np.percentile(e, 95):.3f} max {e.max():.2f} ({len(e)} "
          f"swatches, {100 * np.mean([each[1] for each in plain]):.1f} % flagged without cause), refused {refused}")  # fmt: skip
    if ailing:
        e, flagged, on = (np.array([each[i] for each in ailing]) for i in range(3))
        bad = (e > OFF) & on
        print(f"{'with shadow edge or glare':30s} mean of unflagged {e[~flagged].mean():.3f} p95 {np.percentile(e[~flagged], 95):.3f}; "
              f"of {on.sum()} touched {(on & flagged).sum()} flagged; of {bad.sum()} touched and off by over {OFF} "
              f"{(bad & flagged).sum()} flagged; flagged of {(~on).sum()} untouched: {(flagged & ~on).sum()}")  # fmt: skip
    z_all = np.array(z)
    inside = np.mean(np.abs(z_all) < 1.96, axis=0)
    print(
        f"95 % intervals of L, a, b hold {np.round(100 * inside, 1)} % of {len(z_all)} unflagged; z rms {np.sqrt((z_all**2).mean(axis=0)).round(2)}"
    )


def _measured(plan: Plan, photo: Photo):  # type: ignore[no-untyped-def]
    caught = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "photo.jpg"
        write_photo(path, photo)
        measure(
            plan,
            [path],
            strip_of(photo.sheet.truth.strip_densities),
            Settings("simulated", "2026-01-01"),
            on_page=lambda page, swatches: caught.append((page, list(swatches))),
        )
    page, swatches = caught[0]
    assert page.photo is not None, "a photograph was taken for a scan"
    return swatches, page


def _score(page, swatch, off, scanner):  # type: ignore[no-untyped-def]
    """Return the error (3,) in L*a*b* in standard uncertainties, by all that is doubted but the hand."""
    from calib.colour.uncertainty import normal_draws, propagate

    film, patch = swatch.patch.linear, swatch.patch
    z = normal_draws(500, 4)
    common = np.hypot(page.tone.u(film), swatch.u_light * film)
    draws = film + common * z[:, :1] + patch.u_linear * z[:, 1:4]
    return off / propagate(scanner.to_lab, draws[None])[0]


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:4]))
