"""The live page in a real Chromium: plots that grow, nothing from elsewhere, back after a restart."""

from __future__ import annotations

import hashlib
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from hilseq.journal.soak_entries import SoakColumn
from hilseq.reports.write import write_reports

if TYPE_CHECKING:
    from tests.chromium import Browser
from tests.journals import soak_started, unit

pytestmark = [pytest.mark.whole_run, pytest.mark.browser, pytest.mark.timeout(180)]
LINE = "document.querySelector('#connection').textContent"
#: `Live`, or on a slow machine already `Live, nothing new for 6 s`.
LIVE = f"{LINE}.startsWith('Live')"
SOAK = "document.querySelector('[data-part=soak]')"
STATIC = Path(__file__).resolve().parents[2] / "hilseq" / "live" / "static"


def _until(browser: Browser, expression: str, wanted: object = True, seconds: float = 30) -> None:
    """Wait until an expression of the page comes to what is wanted."""
    until = time.monotonic() + seconds
    while (value := browser.value(expression)) != wanted:
        assert time.monotonic() < until, f"{expression} is {value!r} and not {wanted!r}"
        time.sleep(0.1)


def _reported(browser: Browser, sought: Callable[[dict[str, Any]], bool], seconds: float = 20) -> None:
    """Wait until the browser has reported of such an event; it does when it finds the time."""
    until = time.monotonic() + seconds
    while not any(sought(event) for event in browser.events):
        assert time.monotonic() < until, "the browser has reported of no such event"
        browser.value("1")
        time.sleep(0.05)


def _foreign(browser: Browser, address: str) -> list[str]:
    return [one for one in browser.requests() if not one.startswith((address, "about:"))]


@pytest.mark.parametrize("width", [1200, 390, 320])
def test_the_page_grows_with_the_soak_and_fits_its_window(
    browser: Browser, served: Any, begin: Callable[..., Any], width: int
) -> None:
    """Every part follows the files; nothing is refused, nothing comes from elsewhere."""
    story = begin()
    story.sample(30)
    browser.open(f"{served.address}/runs/{story.folder.name}", width)
    _until(browser, LIVE)
    _until(browser, "document.querySelectorAll('.uplot canvas').length", 3)
    reported = f"{SOAK}.querySelector('[data-field=soak-reported]').textContent"
    _until(browser, reported, "The soak is running: 29 s of 1 h.")
    before = browser.value("document.querySelector('.soak-plot').getAttribute('aria-label')")
    assert before.startswith("Supply voltage from 0 s to 29 s: between 24 and 24.02 V")
    story.sample(60)
    story.event("fault 0x21", "q05", "output overloaded")
    story.sample(20, mode=1.0)
    _until(browser, reported, "The soak is running: 1 min 49 s of 1 h.")
    _until(browser, f"{SOAK}.querySelector('[data-tile=mode] dd').textContent", "held")
    _until(browser, f"{SOAK}.querySelector('[data-tile=mode]').classList.contains('odd')")
    _until(
        browser,
        "[...document.querySelectorAll('.stretch')].map(s => s.title.split(',')[0]).join()",
        "live,held",
    )
    _until(browser, "document.querySelector('#events .letter').textContent", "A")
    assert browser.value("document.querySelectorAll('#events li').length") == 2
    browser.value("document.querySelector('[data-view=recent]').click()")
    assert (
        browser.value("document.querySelector('[data-view=recent]').getAttribute('aria-pressed')") == "true"
    )
    assert browser.value("document.scrollingElement.scrollWidth") <= width
    assert browser.complaints() == []
    assert _foreign(browser, served.address) == []


def test_the_curve_is_on_the_canvas(browser: Browser, served: Any, begin: Callable[..., Any]) -> None:
    """Pixels of the curve's colour, at the right end too, after the samples came."""
    story = begin()
    story.sample(120)
    browser.open(f"{served.address}/runs/{story.folder.name}", 1200)
    _until(browser, "document.querySelectorAll('.uplot canvas').length", 3)
    dark = """(() => { const c = document.querySelector('.uplot canvas'), w = Math.round(c.width / 8);
      const d = c.getContext('2d').getImageData(c.width - w - 14, 0, w, c.height).data; let n = 0;
      for (let i = 0; i < d.length; i += 4) if (d[i] < 60 && d[i + 2] > 80 && d[i + 3] > 200) n++;
      return n > 40; })()"""
    _until(browser, dark)


def test_the_page_comes_back_when_the_server_does(
    browser: Browser, serve: Callable[..., Any], begin: Callable[..., Any]
) -> None:
    """It says that the line is lost, tries again by itself, and asks for nothing it has already."""
    story = begin()
    story.sample(10)
    server = serve()
    browser.open(f"{server.served.address}/runs/{story.folder.name}", 1200)
    reported = f"{SOAK}.querySelector('[data-field=soak-reported]').textContent"
    _until(browser, reported, "The soak is running: 9 s of 1 h.")
    # The page as it was loaded says so already; only what came over its line has a number to continue from.
    _reported(browser, lambda event: event.get("method") == "Network.eventSourceMessageReceived")
    server.stop()
    _until(browser, LINE, "Connection lost, trying again")
    story.sample(10)
    serve(port=server.served.port)
    _until(browser, reported, "The soak is running: 19 s of 1 h.")
    _until(browser, LIVE)

    _reported(
        browser,
        lambda event: (
            event.get("method") == "Network.requestWillBeSentExtraInfo"
            and "last-event-id" in {name.lower() for name in event["params"]["headers"]}
        ),
    )


def test_when_the_run_ends_the_page_says_so_and_offers_the_report(
    browser: Browser, served: Any, begin: Callable[..., Any]
) -> None:
    story = begin()
    story.sample(10)
    browser.open(f"{served.address}/runs/{story.folder.name}", 1200)
    _until(browser, LIVE)
    story.finish("soak", "soak")
    story.check("disposition", "configuration")
    write_reports(story.end())
    _until(browser, "document.querySelector('[data-field=code]').textContent", "completed")
    _until(browser, "document.querySelector('[data-part=disposition]').textContent.trim()", "✓ ship")
    _until(browser, "!document.querySelector('a.report').hidden")
    _until(browser, LINE, "Run finished")
    _until(browser, "document.querySelectorAll('.uplot canvas').length", 3)
    browser.open(f"{served.address}/runs/{story.folder.name}/report/1", 1200)
    assert browser.value("document.title") == "ship: RH16 RH-0001"
    assert browser.value("getComputedStyle(document.querySelector('main')).maxWidth") != "none"
    assert browser.value("self.origin") == "null"
    assert browser.complaints() == []


def test_the_list_follows_by_itself(browser: Browser, served: Any, begin: Callable[..., Any]) -> None:
    browser.open(f"{served.address}/", 390)
    _until(browser, LIVE)
    assert browser.value("document.querySelectorAll('.card').length") == 0
    story = begin()
    story.sample(3)
    _until(browser, "document.querySelectorAll('.card').length", 1)
    assert browser.value("document.querySelector('.card-unit').textContent") == "RH16 RH-0001"
    story.end()
    _until(browser, "document.querySelectorAll('.runs tbody tr').length", 1)
    assert browser.value("document.querySelectorAll('.card').length") == 0
    assert browser.value("document.scrollingElement.scrollWidth") <= 390
    assert browser.complaints() == []


def test_hostile_text_runs_nothing(browser: Browser, served: Any, begin: Callable[..., Any]) -> None:
    deed = "document.title='owned'"
    evil = f'<img src=//example.org/x onerror="{deed}"><script>{deed}</script>'
    units = [unit("A", evil, evil, description=evil)]
    story = begin("evil", serial=evil, stand=evil, run=evil, units=units)
    columns = (SoakColumn(name=evil, unit=evil, high=1.0), SoakColumn(name="supply current", unit=evil))
    plan = {"mode": evil, "modes": {evil: 2}, "case": evil, "check": "soak:soak", "columns": columns}
    story.note(soak_started("A", 60.0, story.zero, **plan))
    story.sample(5)
    story.event(evil, evil, evil)
    for path in ("/", "/runs/evil"):
        browser.open(served.address + path, 390)
        _until(browser, LIVE)
        time.sleep(0.5)
        assert browser.value("document.title") != "owned"
        assert browser.value("document.images.length") == 0
        assert browser.value("document.scrollingElement.scrollWidth") <= 390
    _until(browser, "document.querySelector('#events b').textContent", evil)
    assert _foreign(browser, served.address) == []


def test_without_script_the_page_says_the_same(
    browser: Browser, served: Any, begin: Callable[..., Any]
) -> None:
    story = begin()
    story.sample(30)
    browser.ask("Emulation.setScriptExecutionDisabled", value=True)
    browser.open(f"{served.address}/runs/{story.folder.name}", 390)
    browser.ask("Emulation.setScriptExecutionDisabled", value=False)
    text = browser.value("document.body.innerText")
    assert "Case temperature" in text
    assert "supply voltage" in text
    assert "State when this page was loaded" in text
    assert browser.value("getComputedStyle(document.querySelector('[data-part=drawn]')).display") == "none"


def test_a_browser_with_a_token_gets_its_pass(
    browser: Browser, serve: Callable[..., Any], begin: Callable[..., Any]
) -> None:
    """Opened once with the token, every page, style, script and stream comes with the pass."""
    story = begin()
    story.sample(5)
    token = "correct-horse-battery-staple"
    served = serve(token=token).served
    browser.open(f"{served.address}/runs/{story.folder.name}?token={token}", 1200)
    _until(browser, "location.search", "")
    _until(browser, f"document.querySelector('#connection') !== null && {LIVE}")
    assert browser.value("document.cookie") == ""
    assert browser.value("getComputedStyle(document.querySelector('main')).maxWidth") != "none"


def test_the_vendored_files_are_those_of_the_note() -> None:
    """The note names version and hash of each file; the licence is beside them."""
    note = (STATIC / "uplot" / "VERSION.md").read_text("utf-8")
    for name, digest in re.findall(r"\| (uPlot\S+) \| ([0-9a-f]{64}) \|", note):
        assert hashlib.sha256((STATIC / "uplot" / name).read_bytes()).hexdigest() == digest
    assert "1.6.32" in note
    assert "MIT License" in (STATIC / "uplot" / "LICENSE").read_text("utf-8")
