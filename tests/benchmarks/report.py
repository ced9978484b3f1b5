"""How large the page of ``calib report`` is, how long it takes to make, and how soon it is usable in Chromium.

    python tests/benchmarks/report.py [markers]

Three invented tables (two sessions, two papers) of so many markers in one coat and two. Usable: the list has been counted by the page's own script.
The same browser opens an empty page too, so that the ratio of both says something on a machine that others use.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path

from invented_tables import Making, invented_table

from calib.report.page import report_html
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
TIMES = 5
EMPTY = "<!doctype html><title>.</title><output id=count>0</output>"


def main(markers: int) -> None:
    """Print the figures."""
    from playwright.sync_api import sync_playwright

    inks = invent_inks(markers, 5)
    tables = [
        invented_table(inks, Making(), 7)[0],
        invented_table(inks, Making(date="2026-09-01", strength={ink.marker: 0.8 for ink in inks[::15]}), 8)[
            0
        ],
        invented_table(inks, Making(paper=SimPaper(name="rough", gain=0.85)), 9)[0],
    ]
    start = time.process_time()
    page = report_html(tables, "calib")
    print(
        f"{markers} markers, 3 tables: {len(page.encode()) / 1e6:.2f} MB, made in {time.process_time() - start:.1f} s of CPU"
    )
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        least = {}
        for name, text in (("empty", EMPTY), ("report", page)):
            path = Path(folder, f"{name}.html")
            path.write_text(text, encoding="utf-8")
            taken = []
            for _ in range(TIMES):
                window = browser.new_page(viewport={"width": 1200, "height": 900})
                start = time.perf_counter()
                window.goto(path.as_uri())
                # Not wait_for_function, which is eval in the page, and the page forbids that.
                while not window.evaluate("document.getElementById('count').textContent"):
                    window.wait_for_timeout(5)
                taken.append(time.perf_counter() - start)
                window.close()
            least[name] = min(taken)
            print(f"{name}: usable after {min(taken):.2f} s (least of {TIMES}), {max(taken):.2f} s at most")
        print(f"ratio {least['report'] / least['empty']:.0f}")
        browser.close()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
