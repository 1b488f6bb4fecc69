"""The page in a real Chromium: no request, no refusal, fit for a phone, a zoom that works."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from hilseq.reports.soak import Series, SoakEvent, SoakView, TimeSpan

if TYPE_CHECKING:
    from tests.chromium import Browser

pytestmark = [
    pytest.mark.browser,
    pytest.mark.timeout(120),
]


@pytest.fixture
def page(bad: Path, tmp_path: Path, page_of: Callable[..., str]) -> Path:
    times = np.arange(36_000, dtype=float)
    soak = SoakView(
        planned=36_000,
        lasted=36_000,
        samples=36_000,
        series=[Series("supply current", "A", times, 0.12 + 0.01 * (times > 18_000))],
        modes=[TimeSpan(0, 18_000, "live"), TimeSpan(18_000, 36_000, "held")],
        events=[SoakEvent(18_000, "mode left", "left live for held")],
        incidents=1,
    )
    path = tmp_path / "report.html"
    path.write_text(page_of(bad, soak=soak), encoding="utf-8")
    return path


@pytest.mark.parametrize("width", [1200, 390, 320])
def test_the_page_loads_alone_without_complaint_and_fits_its_window(
    browser: Browser, page: Path, width: int
) -> None:
    browser.open(page, width)
    assert browser.requests() == [page.as_uri()]
    assert browser.complaints() == []
    assert browser.value("document.scrollingElement.scrollWidth") <= width
    browser.value("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    assert browser.value("document.querySelector('.budget table').offsetWidth") > 320
    assert browser.value("document.scrollingElement.scrollWidth") <= width
    assert browser.value("getComputedStyle(document.querySelector('main')).maxWidth") != "none"


def test_the_zoom_shows_a_shorter_time_and_comes_back(browser: Browser, page: Path) -> None:
    browser.open(page, 1200)
    shown = "document.querySelector('.shown').textContent"
    view = "document.querySelector('svg.plot .window').getAttribute('viewBox')"
    assert browser.value(shown) == "Shown: 0 h 0 min to 10 h 0 min"
    whole = browser.value(view)
    browser.value("document.querySelector('[data-zoom=in]').click()")
    assert browser.value(shown) == "Shown: 2 h 30 min to 7 h 30 min"
    assert browser.value(view) != whole
    browser.value("document.querySelector('[data-zoom=right]').click()")
    assert browser.value(shown) == "Shown: 5 h 0 min to 10 h 0 min"
    browser.value("document.querySelector('[data-at]').click()")
    assert browser.value(shown) == "Shown: 4 h 30 min to 5 h 30 min"
    labels = "[...document.querySelectorAll('svg.plot .times')[1].querySelectorAll('text')]"
    reported = browser.value(f"{labels}.map(t => t.textContent)")
    assert reported == [
        "4 h 30 min",
        "4 h 40 min",
        "4 h 50 min",
        "5 h",
        "5 h 10 min",
        "5 h 20 min",
        "5 h 30 min",
    ]
    browser.value("document.querySelector('[data-zoom=whole]').click()")
    assert browser.value(shown) == "Shown: 0 h 0 min to 10 h 0 min"
    assert browser.complaints() == []


def test_the_zoom_works_by_keyboard(browser: Browser, page: Path) -> None:
    browser.open(page, 1200)
    browser.value("document.querySelector('[data-zoom=in]').focus()")
    for kind in ("keyDown", "keyUp"):
        browser.ask("Input.dispatchKeyEvent", type=kind, key="Enter", code="Enter", text="\r")
    assert browser.value("document.querySelector('.shown').textContent") == "Shown: 2 h 30 min to 7 h 30 min"


def test_without_script_the_page_says_everything_but_zooms_nothing(browser: Browser, page: Path) -> None:
    browser.ask("Emulation.setScriptExecutionDisabled", value=True)
    browser.open(page, 1200)
    browser.ask("Emulation.setScriptExecutionDisabled", value=False)
    assert browser.value("document.querySelector('.zoom').hidden") is True
    assert browser.value("document.querySelectorAll('svg.plot .mean').length") >= 1
    assert "left live for held" in browser.value("document.body.innerText")


def test_hostile_text_runs_nothing(
    browser: Browser, tmp_path: Path, story: Callable[..., Any], page_of: Callable[..., str]
) -> None:
    deed = "document.title='owned'"
    evil = f'<img src=https://example.org/x onerror="{deed}"><script>{deed}</script>'
    reported = story(run=evil, stand=evil)
    reported.check(evil, stage=evil, place=evil, verdict="failed", why=evil, places=[evil])
    path = tmp_path / "evil.html"
    path.write_text(page_of(reported.end(1)), encoding="utf-8")
    browser.open(path, 1200)
    assert browser.value("document.title") == "repair: RH16 RH0001"
    assert browser.value("document.images.length") == 0
    assert browser.requests() == [path.as_uri()]


def test_text_has_the_contrast_that_wcag_asks_for(browser: Browser, page: Path) -> None:
    """At least 4.5 : 1 for every text on its own background (WCAG 2.2, criterion 1.4.3)."""
    browser.open(page, 1200)
    worst = browser.value(
        """(() => {
          const light = (c) => {
            const [r, g, b] = c.match(/[\\d.]+/g).map(Number).map((v) => {
              v /= 255;
            return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
            return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
          const ground = (e) => { for (; e; e = e.parentElement) {
            const c = getComputedStyle(e).backgroundColor;
            if (!/, 0\\)$/.test(c)) return c; } return "rgb(255, 255, 255)"; };
          let worst = 99;
          for (const e of document.querySelectorAll("main *:not(svg):not(svg *)")) {
            const own = [...e.childNodes].filter((n) => n.nodeType === 3);
            if (!own.some((n) => n.textContent.trim())) continue;
            const pair = [light(getComputedStyle(e).color), light(ground(e))];
            const [a, b] = pair.sort((x, y) => y - x);
            worst = Math.min(worst, (a + 0.05) / (b + 0.05));
          }
          return worst; })()"""
    )
    assert worst >= 4.5


def test_two_defects_are_printed_on_four_pages_at_the_most(
    browser: Browser, bad: Path, tmp_path: Path, page_of: Callable[..., str]
) -> None:
    """What passed is one line on paper too; what somebody opened on the screen is printed."""
    path = tmp_path / "report.html"
    path.write_text(page_of(bad), encoding="utf-8")
    browser.open(path, 1200)
    assert 1 < _pages(browser) <= 4


def _pages(browser: Browser) -> int:
    data = base64.b64decode(browser.ask("Page.printToPDF", preferCSSPageSize=True)["data"])
    return len(re.findall(rb"/Type\s*/Page\b", data))


def test_checks_are_found_by_word_and_by_verdict(browser: Browser, page: Path) -> None:
    """What is asked for is opened, the rest is out of the way; without a question all is as before."""
    browser.open(page, 1200)
    seen = (
        "[...document.querySelectorAll('.group')].filter(g => g.checkVisibility())"
        ".map(g => g.querySelector('h4').textContent)"
    )
    first = browser.value(seen)
    assert any("The output drops little" in title for title in first)
    assert not any("The output follows" in title for title in first)
    ask = (
        "(() => {{ const f = document.getElementById('{}'); f.value = '{}'; "
        "f.dispatchEvent(new Event('input')); }})()"
    )
    browser.value(ask.format("find", "output drops"))
    assert [title.split("failed ")[-1].strip() for title in browser.value(seen)] == [
        "The output drops little when on"
    ]
    browser.value(ask.format("find", ""))
    browser.value(ask.format("show", "not-performed"))
    assert ["The port carries" in title for title in browser.value(seen)] == [True]
    assert browser.complaints() == []
