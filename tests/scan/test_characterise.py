"""A colour card on its carrier to the scanner's colour model, from file to file.

Outside sources: the 24 published patch reflectances and the camera sensitivities that colour-science carries, integrated over
the spectrum by the simulator; nothing of that is known to the measuring side but the card's file.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from conftest import DENSITIES, SETTINGS, Studio, failure, write_strip

from calib.chart.carrier import Carrier, lay_out_carrier
from calib.chart.markers import Marker
from calib.colour.card import Card, read_card
from calib.colour.colorimetry import delta_e_2000, xyz_to_lab
from calib.colour.reference import Strip as StripFile
from calib.scan.characterise import Characterised, characterise
from calib.scan.measure import measure
from calib.scan.scanner import Scanner as Model
from calib.scan.scannerfile import read_scanner, scanner_to_json
from calib.synthetic.card import published_card
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper, reflectance_at
from calib.synthetic.scan import SimulatedScan, simulate_page
from calib.synthetic.scanners import spectral_scanner
from calib.synthetic.session import CardLaying, Scanner, Session, Strip
from calib.synthetic.spectra import true_lab
from calib.synthetic.writing import write_scan

# Under 150 dpi a small card has too few pixels; the page is as small as card and strip allow.
DPI = 150


@dataclass
class Desk:
    folder: Path
    carrier: Carrier
    card: Card
    strip: StripFile

    def scan(self, name: str, kind: str = "camera-1", turn: float = 1.5, **knobs: object) -> SimulatedScan:
        """Simulate the card on its carrier and write it to a file of that name."""
        session = Session(
            strip=Strip(densities=DENSITIES),
            card=CardLaying(offset_mm=(1.5, -1.0), turn_deg=turn),
            scanner=Scanner(kind=kind, bits=8, **knobs),  # type: ignore[arg-type]
            seed=11,
        )
        made = simulate_page(self.carrier.plan, 1, {}, session, dpi=DPI, card=self.sim())
        write_scan(self.folder / name, made.pixels, DPI)
        return made

    @staticmethod
    def sim():  # type: ignore[no-untyped-def]
        return replace(
            published_card(), size_mm=(100.0, 65.0), border_mm=(3.0, 3.0, 3.0, 6.0), gap_mm=(2.0, 2.0)
        )

    def model(self, name: str) -> Characterised:
        return characterise(self.carrier, self.folder / name, self.card, self.strip, "painted paper")


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    folder = tmp_path_factory.mktemp("card")
    (folder / "card.csv").write_text(Desk.sim().csv(lab=True), encoding="utf-8")
    carrier = lay_out_carrier((100.0, 65.0), (148.0, 210.0), (60.0, 8.0))
    return Desk(folder, carrier, read_card(folder / "card.csv"), write_strip(folder / "strip.csv"))


@pytest.fixture(scope="module")
def found(desk: Desk) -> tuple[SimulatedScan, Characterised]:
    made = desk.scan("camera.tif")
    return made, desk.model("camera.tif")


def test_the_patches_are_read_as_the_sensor_saw_them(found: tuple[SimulatedScan, Characterised]) -> None:
    made, result = found
    seen = result.scanner.training
    truth = made.truth.card
    assert seen is not None and truth is not None and len(seen.light) == 24
    order = [truth.place.tolist().index(place) for place in seen.place.tolist()]
    model = result.scanner
    off = delta_e_2000(model.to_lab(seen.light), model.to_lab(truth.linear[order]))
    assert off.mean() < 0.3 and off.max() < 1.0


def test_inks_that_it_never_saw_come_out_better_than_without_a_card(
    found: tuple[SimulatedScan, Characterised],
) -> None:
    model = found[1].scanner
    sensor = spectral_scanner("camera-1")
    inks = invent_inks([Marker(f"{i:03d}") for i in range(60)], seed=21)
    spectra = np.array([reflectance_at(ink, SimPaper(), 1.0) for ink in inks])
    light, true = sensor.linear(spectra), true_lab(spectra)
    with_card, without = (delta_e_2000(one.to_lab(light), true) for one in (model, Model()))
    assert with_card.mean() < 0.6 * without.mean()
    # What the table calls the standard error of the colour is about what it is (goal: within 25 %, in
    # tests/benchmarks/scanners.py over many scanners; here one of them, so half as much again).
    stated = np.sqrt((model.u_abs(light) ** 2).mean())
    assert stated == pytest.approx(np.sqrt((with_card**2).mean()), rel=0.5)


def test_either_way_up_gives_the_same_model(desk: Desk, found: tuple[SimulatedScan, Characterised]) -> None:
    desk.scan("turned.tif", turn=181.0)
    turned = desk.model("turned.tif")
    assert turned.notes["card_turned"] == 180 and found[1].notes["card_turned"] == 0
    light = np.random.default_rng(0).uniform(0.1, 0.9, (50, 3))
    off = delta_e_2000(turned.scanner.to_lab(light), found[1].scanner.to_lab(light))
    assert np.median(off) < 0.4


def test_the_file_keeps_the_model_and_how_it_was_made(
    desk: Desk, found: tuple[SimulatedScan, Characterised]
) -> None:
    path = desk.folder / "scanner.json"
    text = scanner_to_json(found[1].scanner, found[1].notes)
    path.write_text(text, encoding="utf-8")
    again = read_scanner(path)
    light = np.random.default_rng(1).uniform(0, 1, (20, 3))
    assert again.to_xyz(light) == pytest.approx(found[1].scanner.to_xyz(light), abs=1e-9)
    assert "painted paper" in text and "camera.tif" in text and str(desk.folder) not in text


def test_a_table_made_with_it_says_so(studio: Studio, found: tuple[SimulatedScan, Characterised]) -> None:
    paths = [studio.scans["page-1"][0]]
    plain = measure(studio.plan, paths, studio.strip, SETTINGS).table
    table = measure(studio.plan, paths, studio.strip, replace(SETTINGS, scanner=found[1].scanner)).table
    said = table.origin.scanner
    assert said["card"] == "card.csv" and said["medium"] == "painted paper" and len(said["patches"]) == 24
    assert {"mean_dE00", "p95_dE00", "max_dE00"} <= set(said["cross_validated"])
    for one, other in zip(table.readings, plain.readings, strict=True):
        if one.lab is not None and one.u_abs is not None and other.u_abs is not None:
            # The light that comparison is made in does not depend on the model.
            light = (one.R, one.G, one.B)
            assert light == pytest.approx((other.R, other.G, other.B))
            assert one.u_abs < other.u_abs


def test_the_wrong_file_is_refused(desk: Desk, found: tuple[SimulatedScan, Characterised]) -> None:
    other = replace(desk.card, name="other.csv", xyz=desk.card.xyz[np.random.default_rng(3).permutation(24)])
    error = failure(lambda: characterise(desk.carrier, desk.folder / "camera.tif", other, desk.strip))
    assert error.exit_code == 4 and "other.csv" in str(error)


def test_a_file_that_mirrors_the_card_is_refused(
    desk: Desk, found: tuple[SimulatedScan, Characterised]
) -> None:
    place = desk.card.place * [1, -1] + [0, desk.card.columns - 1]
    mirrored = replace(desk.card, place=place)
    error = failure(lambda: characterise(desk.carrier, desk.folder / "camera.tif", mirrored, desk.strip))
    assert error.exit_code == 4


def test_clipped_patches_are_named(desk: Desk) -> None:
    # A driver that stretches the contrast until a tenth of the page is at either end.
    desk.scan("bright.tif", gain=(1.25, 1.25, 1.25))
    error = failure(lambda: desk.model("bright.tif"))
    assert error.exit_code == 5


def test_a_bare_carrier_holds_no_card(desk: Desk) -> None:
    session = Session(strip=Strip(densities=DENSITIES), seed=12)
    made = simulate_page(desk.carrier.plan, 1, {}, session, dpi=DPI)
    write_scan(desk.folder / "bare.tif", made.pixels, DPI)
    error = failure(lambda: desk.model("bare.tif"))
    assert error.exit_code == 4 and "no" in str(error).lower()


def test_a_chart_is_no_carrier(desk: Desk, studio: Studio) -> None:
    error = failure(lambda: characterise(desk.carrier, studio.scans["page-1"][0], desk.card, desk.strip))
    assert error.exit_code == 4


def test_colours_of_the_card_come_out_right(found: tuple[SimulatedScan, Characterised]) -> None:
    seen = found[1].scanner.training
    assert seen is not None
    off = delta_e_2000(found[1].scanner.to_lab(seen.light), xyz_to_lab(seen.xyz))
    # A fitted patch is missed by less than one left out.
    assert off.mean() < seen.candidates[seen.winner].mean < 4.0
