"""Simulated scans that many tests share: made once a run, kept in pytest's temporary folder.

The simulator (calib.synthetic) knows the truth by the CIE's sums over spectra; it shares no formula
with the measuring side but the layout and published colorimetry. Pages are small and coarse (125 x 150 mm at
150 dpi, ten steps of grey), which is about the least that can be measured: what holds here holds at 300 dpi.
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings
from numpy.typing import NDArray

from calib.chart.layout import ChartOptions, lay_out
from calib.chart.markers import Marker
from calib.chart.plan import Plan
from calib.chart.planfile import plan_to_json
from calib.colour.colorimetry import xyz_to_lab
from calib.colour.reference import Strip as StripFile
from calib.colour.reference import read_strip
from calib.errors import CalibError
from calib.scan.fiducials import LONG_SIDE, FoundMark, find_marks, reduced_grey
from calib.scan.frame import Frame
from calib.scan.image import Picture, file_sha256, read_pictures
from calib.scan.measure import Measured, Settings, measure
from calib.scan.pages import find_pages
from calib.scan.reading import read_picture
from calib.scan.sheet import PageReading
from calib.synthetic.drawer import hint_of, invent_inks
from calib.synthetic.inks import Ink
from calib.synthetic.scan import ScanTruth, SimulatedScan, simulate_page
from calib.synthetic.session import Laying, Session, Strip
from calib.synthetic.writing import write_scan

# How long an example takes depends on what else this computer does, and says nothing of whether it is right.
settings.register_profile("calib", deadline=None)
settings.load_profile("calib")

# Ten even steps up to 1.9, as a short tablet on photographic paper has them (common practice).
DENSITIES = tuple(round(0.1 + 0.2 * i, 2) for i in range(10))
DPI = 150
OPTIONS = ChartOptions(page_mm=(125.0, 150.0), cell_mm=(13.0, 9.0), strip_mm=(60.0, 8.0), controls=2)
SETTINGS = Settings(paper="smooth", session="2026-05-31", dried=24.0)


@dataclass
class Studio:
    """A chart of two small pages, its inks and strip, and the scans made of it so far.

    Fourteen invented markers in one and two coats, seven a page with two controls; the first is a blender, every
    other one carries a hint of its own colour, and 003 lies outside sRGB, so that no sRGB file can hold it.
    """

    folder: Path
    plan: Plan
    inks: dict[str, Ink]
    strip: StripFile
    scans: dict[str, tuple[Path, SimulatedScan]] = field(default_factory=dict)
    tables: dict[tuple[str, ...], Measured] = field(default_factory=dict)

    @property
    def plan_path(self) -> Path:
        return self.folder / "chart.json"

    @property
    def strip_path(self) -> Path:
        return self.folder / "strip.csv"

    def scan(
        self, name: str, page: int = 1, session: Session | None = None, plan: Plan | None = None
    ) -> Path:
        """Return the path of a scan, simulated at the first call with a name and found again at the others."""
        if name not in self.scans:
            session = session or self.session()
            made = simulate_page(plan or self.plan, page, self.inks, session, dpi=DPI)
            self.scans[name] = (self.save(f"{name}.png", made.pixels), made)
        return self.scans[name][0]

    @staticmethod
    def session(**changes: object) -> Session:
        """Return an average honest session with this strip on the page, changed where wanted."""
        return replace(Session(strip=Strip(densities=DENSITIES), seed=5), **changes)  # type: ignore[arg-type]

    def save(self, name: str, pixels: NDArray, icc: bytes | None = None) -> Path:
        path = self.folder / name
        write_scan(path, pixels, DPI, icc=icc)
        return path

    def truth(self, name: str) -> ScanTruth:
        return self.scans[name][1].truth

    def true_lab(self, *names: str) -> dict[tuple[str, int], NDArray]:
        """Return the true film colour by marker and coats, the mean light where there are several swatches.

        By the plan's marker, not by the pen that was used.
        """
        light: dict[tuple[str, int], list[NDArray]] = {}
        for name in names:
            truth = self.truth(name)
            for cell in next(page for page in self.plan.pages if page.page == truth.page).cells:
                light.setdefault((cell.marker, cell.layers), []).append(truth.cells[cell.cell].film.xyz)
        return {key: xyz_to_lab(np.mean(films, axis=0)) for key, films in light.items()}

    def pixels(self, name: str) -> NDArray:
        return self.scans[name][1].pixels

    def table(self, *names: str) -> Measured:
        """Return the measured table of scans made before, by their names."""
        if names not in self.tables:
            paths = [self.scans[name][0] for name in names]
            self.tables[names] = measure(self.plan, paths, self.strip, SETTINGS)
        return self.tables[names]

    def read(self, path: Path, plan: Plan | None = None, strip: StripFile | None = None) -> list[PageReading]:
        """Return the pages of the one picture in a file."""
        (picture,) = pictures_of(path)
        return read_picture(picture, plan or self.plan, strip or self.strip)


def pictures_of(path: Path) -> list[Picture]:
    """Return every picture of a scan file, as the measuring side reads them."""
    return list(read_pictures(path, file_sha256(path)))


def frames_of(codes: NDArray, plan: Plan) -> list[Frame]:
    """Return where the pages of a plan lie in a picture."""
    return find_pages(codes, plan, "scan")


def marks_of(codes: NDArray) -> tuple[FoundMark, ...]:
    """Return the marks in a clean picture, as they are first found."""
    return next(find_marks(*reduced_grey(codes, LONG_SIDE)))


def write_strip(path: Path, densities: tuple[float, ...] = DENSITIES) -> StripFile:
    """Write a strip file of even widths and return it as it is read back."""
    path.write_text(
        "step,density\n" + "".join(f"{i},{d}\n" for i, d in enumerate(densities, 1)), encoding="utf-8"
    )
    return read_strip(path)


@pytest.fixture(scope="session")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Studio:
    folder = tmp_path_factory.mktemp("studio")
    markers = [Marker(f"{i:03d}", name=f"Invented {i}", set="studio") for i in range(1, 15)]
    markers[0] = replace(markers[0], kind="blender")
    inks = {ink.marker: ink for ink in invent_inks(markers, seed=6)}
    markers = [
        replace(marker, hint=hint_of(inks[marker.marker])) if number % 2 and marker.kind == "ink" else marker
        for number, marker in enumerate(markers)
    ]
    plan = lay_out(markers, OPTIONS)
    assert len(plan.pages) == 2
    (folder / "chart.json").write_text(plan_to_json(plan), encoding="utf-8")
    studio = Studio(folder, plan, inks, write_strip(folder / "strip.csv"))
    studio.scan("page-1")
    studio.scan("page-2", page=2, session=studio.session(laying=Laying(turn_deg=-1.2), seed=6))
    return studio


def failure(call: Callable[[], object]) -> CalibError:
    """Return the CalibError that a call raises; any other exception is a failure of the test."""
    with pytest.raises(CalibError) as caught:
        call()
    sentence = str(caught.value)
    assert len(sentence) > 10
    assert "Traceback" not in sentence and "<" not in sentence.replace("<-", "")
    return caught.value


@dataclass(frozen=True)
class Run:
    """What one run of the command line left: exit code, stdout and stderr."""

    code: int
    out: str
    err: str


@pytest.fixture
def calib(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Run]:
    """Return a function that runs the command line in this process, as ``python -m calib`` would."""
    from calib.cli.main import main
    from calib.cli.options import Stop

    # That another test was interrupted is no order to this one.
    monkeypatch.setattr(Stop, "asked", False)

    def run(*words: object) -> Run:
        monkeypatch.setattr(sys, "argv", ["calib", *(str(word) for word in words)])
        capsys.readouterr()
        handlers = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            with pytest.raises(SystemExit) as caught:
                main()
        finally:
            # The program's own way with signals ends with its run, as it would in a process of its own.
            for number, handler in handlers.items():
                signal.signal(number, handler)
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return Run(int(caught.value.code or 0), out, err)

    return run
