"""Whatever instruments, units, files and people write: it is shown, never obeyed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.journal.entries import MadeSafe, RunEnded
from hilseq.reports.sanitize import LONGEST, sanitize
from hilseq.reports.soak import Curve, Series, SoakEvent, SoakView, TimeSpan
from tests.journals import prior_run

EVIL = {
    "markup": "<script>alert(1)</script><img src=x onerror=alert(1)>",
    "end of script": "</script></style></title></svg>--><!--",
    "attribute": '" onload="alert(1)" \'><b>',
    "template": "{{ 7*7 }}{% raw %}",
    "terminal": "\x1b[2J\x1b]0;owned\x07",
    "direction": "safe\u202egnp.exe\u2066\u2069",
    "control": "a\0b\x08c\x7fd\x85e",
    "surrogate": "\ud800 lone \udfff",
    "invisible": "a\u200bb\ufeffc\u00add\U000e0041",
    "marks": "Z" + "\u0335\u0336\u0337\u0338" * 20,
    "long": "x" * 100_000,
}
#: What may never reach a reader's screen as itself.
FORBIDDEN = [chr(c) for c in (*range(9), 11, 12, *range(14, 32), 0x7F, *range(0x80, 0xA0))] + list(
    "\u200b\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff\u00ad\u2028\u2029"
)


#: Every kind of element that our own templates and drawings use.
OURS = {
    "html",
    "head",
    "meta",
    "title",
    "style",
    "body",
    "main",
    "header",
    "div",
    "h1",
    "h2",
    "h3",
    "h4",
    "span",
    "p",
    "strong",
    "b",
    "i",
    "bdi",
    "section",
    "nav",
    "ol",
    "ul",
    "li",
    "a",
    "dl",
    "dt",
    "dd",
    "br",
    "figure",
    "figcaption",
    "details",
    "summary",
    "table",
    "caption",
    "thead",
    "tbody",
    "tr",
    "th",
    "td",
    "code",
    "script",
    "button",
    "input",
    "label",
    "option",
    "select",
    "svg",
    "desc",
    "g",
    "rect",
    "line",
    "path",
    "circle",
    "text",
}


def evil_run(story: Callable[..., Any], evil: str) -> Path:
    """Write a run in which every field that anybody else fills holds the hostile text."""
    unit = {"slot": evil, "serial": evil, "part": evil, "description": evil, "intake": {evil: evil}}
    inputs = [{"role": evil, "name": evil, "sha256": evil, "text": evil}]
    reported = story(run=evil, stand=evil, hilseq=evil, units=[unit], inputs=inputs)
    reported.instrument(name=evil, what=evil, identity=evil, certificate=evil, due=evil)
    reported.check(
        evil,
        stage=evil,
        place=evil,
        slot=evil,
        verdict="failed",
        why=evil,
        places=[evil, "q01"],
        gate=True,
        readings=[
            {"name": evil, "unit": evil, "value": evil, "verdict": "marginal", "place": evil},
            {"name": evil, "unit": evil, "verdict": "fails"},
        ],
        tables=[
            {"name": evil, "columns": [evil, evil], "rows": [[1, 2], [2, 3], [3, 4]]},
            {"name": evil, "columns": [evil], "rows": [[evil]]},
        ],
    )
    reported.check(evil, stage=evil + "2", place=evil, slot=evil, verdict="not performed", why=evil)
    reported.check(
        evil, stage=evil + "3", place=evil, slot=evil, verdict="stand fault", why=evil, places=[evil]
    )
    fault = {"code": 1, "time": None} | dict.fromkeys(("place", "meaning", "cause", "remedy"), evil)
    reported.faults(evil, [fault], slot=evil)
    reported.event(evil, evil, slot=evil)
    reported.event("proof", evil, slot="")
    reported.note(MadeSafe(verified=False, why=evil, by="run"))
    reported.note(RunEnded(exit_code=1, interrupted=False))
    folder: Path = reported.stop()
    return folder


@pytest.mark.parametrize("name", EVIL)
def test_hostile_text_is_inert_in_every_field(
    story: Callable[..., Any], page_of: Callable[..., str], read_page: Callable[[str], Any], name: str
) -> None:
    evil = EVIL[name]
    times = [0.0, 1.0, 2.0]
    soak = SoakView(
        planned=2.0,
        lasted=2.0,
        samples=3,
        series=[Series(evil, evil, times, [1.0, 2.0, 3.0], fit=Curve(times, [1.0, 2.0, 3.0], evil))],
        modes=[TimeSpan(0.0, 2.0, evil)],
        gaps=[TimeSpan(1.0, 1.5, evil)],
        events=[SoakEvent(1.0, evil, evil)],
        sentences=[evil],
    )
    text = page_of(
        evil_run(story, evil),
        soak=soak,
        earlier=[
            prior_run(
                **dict.fromkeys(("run", "started", "stand", "disposition"), evil), findings=(evil, evil)
            )
        ],
    )
    text.encode("utf-8")  # no lone surrogate is left
    assert not [character for character in FORBIDDEN if character in text]
    page = read_page(text)
    assert {tag for tag, _ in page.tags} <= OURS
    for _, attributes in page.tags:
        assert not [attribute for attribute in attributes if attribute.startswith("on")]
    scripts = [text for attributes, text in page.scripts if "type" not in attributes]
    assert len(scripts) == 2
    assert "alert" not in "".join(scripts)
    if name == "template":
        assert "{{ 7*7 }}" in page.said()


@given(st.text(st.characters()))
def test_visible_text_is_printable_and_short_enough(text: str) -> None:
    shown = sanitize(text)
    assert shown.isprintable()
    shown.encode("utf-8")
    if text.isascii() and text.isprintable():
        assert shown == text
    assert sanitize(shown) == shown


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("\x1b[31m", "⟨ESC⟩[31m"),
        ("a\nb\tc", "a⟨LF⟩b⟨TAB⟩c"),
        ("\u202egnp", "⟨U+202E⟩gnp"),
        ("\ud800", "⟨U+D800⟩"),
        ("é ü Ω µ 中 ü", "é ü Ω µ 中 ü"),
        ("e\u0301", "e\u0301"),
        (None, "None"),
    ],
)
def test_what_is_hostile_is_named_and_what_is_writing_stays(text: object, shown: str) -> None:
    assert sanitize(text) == shown


def test_a_text_that_never_ends_is_cut_and_said_to_be() -> None:
    assert sanitize("x" * (LONGEST + 5)).endswith("x… (5 more characters)")
