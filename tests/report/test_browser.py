"""The page of ``calib report`` in a real browser: Debian's Chromium without a window, driven by Playwright.

Skipped where the browser or Playwright is not installed; with CALIB_BROWSER_NEEDED set, as .ci/run sets it, it fails instead.
Outside judges: Chromium itself; axe-core (npm, MPL 2.0, fetched when the tests run) for accessibility by the rules of WCAG 2.2 at
levels A and AA; pypdfium2 for the printed page. All tables are invented.
"""

from __future__ import annotations

import hashlib
import io
import os
import shutil
import socket
import subprocess
import tarfile
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from invented_tables import Making, invented_table
from outside import FETCH_SECONDS, KEPT
from PIL import Image

from calib.report.page import report_html
from calib.synthetic.drawer import invent_inks
from calib.synthetic.inks import SimPaper

AXE = "axe-core-4.14.1.tgz"
AXE_SHA256 = "e6b0ce02b84d892e2e33e403485e7f3d6c29e2be6df65daf44d89ba564139745"
# Nothing is to be sent anywhere, and as root Chromium has no sandbox.
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
PENS, WAIT_MS = 400, 20_000
Page = Any


def _missing(why: str) -> None:
    if os.environ.get("CALIB_BROWSER_NEEDED"):
        pytest.fail(why)
    pytest.skip(why)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        _missing("Chromium is not installed")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        _missing("Playwright is not installed (the extra 'browser')")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        yield running
        running.close()


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four hundred pens in one coat and two, on two days and two papers; every fifteenth has lost ink, and a name is hostile."""
    inks = invent_inks(PENS, 5)
    weak = {ink.marker: 0.8 for ink in inks[::15]}
    made = [
        invented_table(inks, Making(), 7)[0],
        invented_table(inks, Making(date="2026-09-01", strength=weak, dry={inks[7].marker: 0.2}), 8)[0],
        invented_table(inks, Making(paper=SimPaper(name="rough <b>card</b>", gain=0.85)), 9)[0],
    ]
    path = tmp_path_factory.mktemp("large") / "report.html"
    path.write_text(report_html(made, "calib 0.1.0"), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twenty pens on two days and two papers, a flagged one among them."""
    from dataclasses import replace

    inks = invent_inks(20, 5)
    weak = {inks[3].marker: 0.75}
    first, later, rough = (
        invented_table(inks, Making(), 7)[0],
        invented_table(inks, Making(date="2026-09-01", strength=weak), 8)[0],
        invented_table(inks, Making(paper=SimPaper(name="rough", gain=0.85)), 9)[0],
    )
    halves = {ink.marker: "one" if at < 10 else "two" for at, ink in enumerate(inks)}
    rows = [replace(r, set=halves.get(r.marker, "")) for r in first.readings]
    rows = [replace(r, flags=("mottled",)) if r.marker == inks[4].marker else r for r in rows]
    path = tmp_path_factory.mktemp("small") / "report.html"
    tables = [replace(first, readings=tuple(rows)), later, rough]
    path.write_text(report_html(tables, "calib 0.1.0"), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight pens with everything that a page may hold: changes, papers, doubles, a picture, a swatch without colour. Small, because axe-core takes its time."""
    from dataclasses import replace

    folder = tmp_path_factory.mktemp("few")
    inks = invent_inks(8, 5)
    first, later, rough = (
        invented_table(inks, Making(), 7)[0],
        invented_table(inks, Making(date="2026-09-01", strength={inks[3].marker: 0.75}), 8)[0],
        invented_table(inks, Making(paper=SimPaper(name="rough", gain=0.85)), 9)[0],
    )
    uneven, lost = inks[4].marker, inks[5].marker
    bare = dict.fromkeys(("L", "a", "b", "C", "h", "R", "G", "B", "X", "Y", "Z", "hex", "in_srgb"))
    rows = [replace(r, flags=("mottled", "half-filled")) if r.marker == uneven else r for r in first.readings]
    rows = [
        replace(r, flags=("blank",), **bare) if (r.marker, r.layers) == (lost, 2) else r  # type: ignore[arg-type]
        for r in rows
    ]
    twin = [replace(r, marker="900", name="Twin") for r in rough.readings if r.marker == inks[0].marker]
    (folder / "proof").mkdir()
    Image.new("RGB", (75, 51), (180, 90, 40)).save(folder / "proof" / "swatch-1-01-01.png")
    named = {"swatch_pictures": [{"marker": uneven, "layers": 1, "file": "swatch-1-01-01.png"}]}
    origin = replace(first.origin, proof="proof", details=named)
    pictured = replace(first, readings=tuple(rows), origin=origin, path=folder / "colours.csv")
    text = report_html([pictured, later, replace(rough, readings=(*rough.readings, *twin))], "calib 0.1.0")
    for part in (
        'class="groups"',
        'class="changes"',
        'class="cross"',
        "<img ",
        "beyond the screen",
    ):
        assert part in text, part
    (folder / "report.html").write_text(text, encoding="utf-8")
    return folder / "report.html"


class Opened:
    """A page in the browser, with all that it complained of and asked for."""

    def __init__(self, browser: Any, path: Path, **context: Any) -> None:
        self.said: list[str] = []
        self.asked: list[str] = []
        self.context = browser.new_context(offline=False, **context)
        self.page: Page = self.context.new_page()
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.set_default_timeout(WAIT_MS)
        self.page.goto(path.as_uri())

    def until(self, holds: str) -> None:
        """Wait until an expression holds. Playwright's own wait_for_function is eval in the page, which the page forbids."""
        end = time.monotonic() + WAIT_MS / 1000
        while not self.page.evaluate(holds):
            assert time.monotonic() < end, f"still not: {holds}"
            self.page.wait_for_timeout(20)

    def shown(self) -> list[str]:
        """Return the ids of the pens that are seen in the first list, in their order."""
        return list(
            self.page.eval_on_selector_all(
                "#s1-cards > article:not([hidden]) h4 b", "all => all.map(one => one.textContent)"
            )
        )


@pytest.fixture
def opened(browser: Any, small: Path) -> Iterator[Opened]:
    one = Opened(browser, small, viewport={"width": 1200, "height": 900})
    yield one
    one.context.close()


def test_it_opens_from_disk_asks_for_nothing_and_complains_of_nothing(opened: Opened, small: Path) -> None:
    assert opened.page.title().startswith("Swatches on")
    assert opened.page.is_visible("#tools") and "pens" in opened.page.inner_text("#count")
    assert opened.asked == [small.as_uri()] and opened.said == []


def test_its_policy_forbids_the_network(opened: Opened) -> None:
    """A picture put into the page afterwards is not fetched: nobody knocks at a door of this computer that stands open."""
    with socket.create_server(("127.0.0.1", 0)) as door:
        door.settimeout(0.5)
        there = f"http://127.0.0.1:{door.getsockname()[1]}/x.png"
        opened.page.evaluate(f"document.body.append(Object.assign(new Image(), {{src: '{there}'}}))")
        with pytest.raises(TimeoutError):
            door.accept()
        # The same from a page without the policy comes.
        opened.page.goto("about:blank")
        opened.page.evaluate(f"document.body.append(Object.assign(new Image(), {{src: '{there}'}}))")
        door.settimeout(WAIT_MS / 1000)
        door.accept()[0].close()
    assert any("Content Security Policy" in words for words in opened.said)


def test_it_sorts(opened: Opened) -> None:
    listed = opened.shown()
    assert listed == sorted(listed)
    opened.page.select_option("#sort", "light")
    lightness = opened.page.eval_on_selector_all(
        "#s1-cards > article",
        "all => all.map(one => Number(one.querySelector('.coat p b').textContent.slice(2)))",
    )
    assert lightness == sorted(lightness, reverse=True) and len(set(lightness)) > 5
    opened.page.select_option("#sort", "hue")
    families = opened.page.eval_on_selector_all(
        "#s1-cards > article", "all => all.map(one => one.querySelector('.coat').dataset.family)"
    )
    coloured = [family for family in families if family != "grey"]
    assert families == [*coloured, *["grey"] * (len(families) - len(coloured))]
    opened.page.click("text=Show all")
    opened.until("document.querySelector('#s1-cards article h4 b').textContent === '001'")
    assert opened.shown() == listed


def test_it_filters_and_searches(opened: Opened) -> None:
    everything = opened.shown()
    opened.page.fill("#seek", "invented 007")
    assert opened.shown() == ["007"] and "3 of 60" in opened.page.inner_text("#count")
    opened.page.fill("#seek", "INVENTED nothing-like-it")
    assert opened.shown() == [] and opened.page.is_visible("#nothing")
    opened.page.fill("#seek", "")
    opened.page.check("#flags")
    assert opened.shown() == ["005"]
    opened.page.uncheck("#flags")
    family = opened.page.eval_on_selector("#family option:nth-child(2)", "one => one.textContent")
    opened.page.select_option("#family", family)
    some = opened.shown()
    assert 0 < len(some) < len(everything)
    kept = opened.page.eval_on_selector_all(
        ".cards > article:not([hidden])",
        "all => all.map(one => Array.from(one.querySelectorAll('.coat')).map(coat => coat.dataset.family))",
    )
    assert all(family in coats for coats in kept)
    opened.page.select_option("#family", "")
    opened.page.select_option("#depth", "dark")
    assert 0 < len(opened.shown()) < len(everything)
    assert opened.said == []


def test_coats_and_sets_are_chosen(browser: Any, small: Path, opened: Opened) -> None:
    everything = opened.shown()
    opened.page.select_option("#coats", "2")
    assert opened.shown() == everything
    assert {
        one.inner_text() for one in opened.page.locator("#s1-cards .coats").all() if one.is_visible()
    } == {"2 coats"}
    # What is asked for is looked for, and put in order, among the swatches that are shown.
    opened.page.select_option("#sort", "light")
    seen = "all => all.map(one => Number(one.querySelector('.coat:not([hidden]) p b').textContent.slice(2)))"
    lightness = opened.page.eval_on_selector_all("#s1-cards > article", seen)
    assert lightness == sorted(lightness, reverse=True)
    opened.page.select_option("#depth", "very dark")
    dark = opened.page.eval_on_selector_all("#s1-cards > article:not([hidden])", seen)
    assert dark and max(dark) <= 20
    sets = opened.page.locator("#set option").all_inner_texts()
    assert sets == ["all", "one", "two"]
    opened.page.click("text=Show all")
    opened.until("document.querySelector('#coats').value === ''")
    opened.page.select_option("#set", "two")
    assert opened.shown() == everything[10:]
    assert "10 of 20 pens" in opened.page.inner_text(".sitting summary >> nth=0")


def test_links_lead_to_the_very_place(browser: Any, large: Path) -> None:
    """What is laid out only when it is seen must not move what a link leads to."""
    one = Opened(browser, large, viewport={"width": 1200, "height": 900})
    style = "one => getComputedStyle(one).contentVisibility"
    assert {one.page.eval_on_selector(what, style) for what in (".card", "section + section")} == {"auto"}
    for part in ("maps", "doubles", "flagged", "trust"):
        one.page.evaluate("scrollTo(0, 0)")
        one.page.click(f"header a[href='#{part}']")
        one.page.wait_for_timeout(200)
        assert 0 <= one.page.eval_on_selector(f"#{part}", "one => one.getBoundingClientRect().top") < 900
    one.context.close()


def test_numbers_are_reached_by_touch(browser: Any, small: Path) -> None:
    one = Opened(browser, small, viewport={"width": 390, "height": 800}, has_touch=True, is_mobile=True)
    one.page.locator("#s1-cards .chip").nth(2).tap()
    tip = one.page.locator("#s1-cards [role=tooltip]").nth(2)
    box = tip.bounding_box()
    assert tip.is_visible() and box is not None and box["x"] >= 0 and box["x"] + box["width"] <= 390
    assert box["y"] + box["height"] <= 800
    one.context.close()


def test_numbers_are_reached_by_mouse_and_by_keyboard_and_can_be_put_away(opened: Opened) -> None:
    chip = opened.page.locator("#s1-cards .chip").first
    tip = opened.page.locator("#s1-cards [role=tooltip]").first
    assert not tip.is_visible()
    chip.hover()
    assert tip.is_visible() and "L*a*b*" in tip.inner_text()
    opened.page.keyboard.press("Escape")
    assert not tip.is_visible()
    opened.page.mouse.move(2, 2)
    opened.page.focus("#flags")
    seen = set()
    for _ in range(6):
        opened.page.keyboard.press("Tab")
        seen.add(opened.page.evaluate("document.activeElement.className || document.activeElement.tagName"))
        if opened.page.evaluate("document.activeElement.classList.contains('chip')"):
            break
    assert any("chip" in name for name in seen), seen
    assert tip.is_visible()
    # What a screen reader says of it: its name, and the numbers as its description.
    assert "coat" in chip.inner_text() and chip.get_attribute("aria-describedby") == tip.get_attribute("id")


def test_the_first_stop_of_the_keyboard_leads_to_the_swatches(opened: Opened) -> None:
    opened.page.keyboard.press("Tab")
    assert opened.page.evaluate("document.activeElement.getAttribute('href')") == "#main"
    opened.page.keyboard.press("Enter")
    opened.until("document.activeElement.id === 'main'")


def test_chips_stand_on_one_neutral_ground_in_light_and_dark_surroundings(browser: Any, small: Path) -> None:
    grounds, surroundings = set(), set()
    for scheme in ("light", "dark"):
        one = Opened(browser, small, color_scheme=scheme)
        style = "one => getComputedStyle(one).backgroundColor"
        grounds |= {
            one.page.eval_on_selector(".swatch", style),
            one.page.eval_on_selector("figure svg", style),
        }
        surroundings.add(one.page.eval_on_selector("body", style))
        one.context.close()
    (ground,) = grounds
    r, g, b = (int(part) for part in ground[4:-1].split(","))
    assert r == g == b and len(surroundings) == 2


def test_without_its_script_everything_is_there(browser: Any, small: Path) -> None:
    one = Opened(browser, small, java_script_enabled=False)
    assert one.page.locator("#s1-cards > article").count() == 20
    assert not one.page.is_visible("#tools")
    one.page.locator("#s1-cards .chip").first.focus()
    assert one.page.locator("#s1-cards [role=tooltip]").first.is_visible()
    one.context.close()


def test_nothing_is_cut_off_on_a_narrow_screen(browser: Any, small: Path) -> None:
    one = Opened(browser, small, viewport={"width": 360, "height": 740})
    wide = one.page.evaluate("document.documentElement.scrollWidth")
    assert wide <= 360
    one.context.close()


def test_it_prints_on_a4(opened: Opened) -> None:
    document = pypdfium2.PdfDocument(opened.page.pdf(format="A4", print_background=False))
    width, height = document[0].get_size()
    # 210 x 297 mm in points; browsers round to whole pixels.
    assert (width, height) == pytest.approx((595.28, 841.89), abs=1.0)
    text = " ".join(" ".join(page.get_textpage().get_text_range() for page in document).split())
    assert 5 < len(document) < 30
    for words in (
        "Swatches on",
        "Invented 020",
        "What has changed",
        "Papers side by side",
        "How far to trust it",
    ):
        assert words in text
    # Numbers that the screen has in tooltips stand on paper too.
    lab = opened.page.inner_text("#s1-0-1 b")
    assert len(lab.split()) == 3 and lab in text
    # Colours are printed though a browser leaves out backgrounds if it may.
    image = document[0].render(scale=1).to_pil().convert("RGB")
    assert max(max(pixel) - min(pixel) for _, pixel in image.getcolors(1_000_000) or []) > 80
    assert opened.said == []


def test_a_large_drawer_is_small_and_answers(browser: Any, large: Path) -> None:
    """How soon it is usable is timed by ``tests/benchmarks/report.py``: two cores that others use tell nothing here."""
    assert large.stat().st_size < 5e6
    one = Opened(browser, large, viewport={"width": 1200, "height": 900})
    one.until("document.getElementById('count').textContent !== ''")
    one.page.fill("#seek", "invented 399")
    assert one.shown() == ["399"]
    one.page.fill("#seek", "")
    one.page.select_option("#sort", "hue")
    assert len(one.shown()) == PENS and one.said == []
    one.context.close()


# -- accessibility --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def axe() -> str:
    """Return axe-core's script, out of its package from the npm registry."""
    path = KEPT / AXE
    if not (path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() == AXE_SHA256):
        KEPT.mkdir(parents=True, exist_ok=True)
        wanted = AXE.removesuffix(".tgz").replace("core-", "core@")
        with tempfile.TemporaryDirectory(dir=KEPT) as scratch:
            try:
                subprocess.run(
                    ["npm", "pack", wanted, "--silent", "--pack-destination", scratch],
                    check=True, capture_output=True, timeout=FETCH_SECONDS,
                )  # fmt: skip
            except (OSError, subprocess.SubprocessError) as error:
                _missing(f"{wanted} cannot be fetched: {error}")
            assert hashlib.sha256(Path(scratch, AXE).read_bytes()).hexdigest() == AXE_SHA256
            os.replace(Path(scratch, AXE), path)
    with tarfile.open(fileobj=io.BytesIO(path.read_bytes())) as archive:
        stream = archive.extractfile("package/axe.min.js")
        assert stream is not None
        return stream.read().decode("utf-8")


def _findings(page: Page, axe: str) -> dict[str, list[str]]:
    """Return what axe-core finds on a page: rule and impact, with the places."""
    # The page's policy forbids what a page loads, not what the browser's own tools put in.
    page.evaluate(axe)
    found = page.evaluate(
        "axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']})"
    )
    assert len(found["passes"]) > 20
    return {
        f"{one['id']} ({one['impact']})": [node["html"][:200] for node in one["nodes"]]
        for one in found["violations"]
    }


@pytest.mark.parametrize(
    "surroundings",
    [{"color_scheme": "light"}, {"color_scheme": "dark"}, {"viewport": {"width": 360, "height": 740}}],
)
def test_axe_finds_nothing(browser: Any, few: Path, axe: str, surroundings: dict[str, Any]) -> None:
    one = Opened(browser, few, **surroundings)
    one.page.eval_on_selector_all("details", "all => all.forEach(one => { one.open = true; })")
    assert _findings(one.page, axe) == {}
    one.context.close()


def test_axe_finds_nothing_on_what_is_printed(browser: Any, few: Path, axe: str) -> None:
    one = Opened(browser, few)
    one.page.emulate_media(media="print")
    assert _findings(one.page, axe) == {}
    one.context.close()


def test_axe_would_find_something(browser: Any, few: Path, axe: str) -> None:
    one = Opened(browser, few)
    one.page.evaluate(
        "document.querySelector('label').remove(); document.body.insertAdjacentHTML('beforeend', '<img src=\"data:,\"><input>')"
    )
    found = " ".join(_findings(one.page, axe))
    assert "image-alt (critical)" in found and "label (critical)" in found
    one.context.close()
