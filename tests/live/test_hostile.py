"""Hostile text in every field of a journal: shown as text, obeyed by nothing, and no page falls over it."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hilseq.journal.entries import EventLogged, MadeSafe
from hilseq.live import app
from tests.journals import append_raw, unit

DEED = "document.title='owned'"
EVIL = f'<img src=//example.org/x onerror="{DEED}">\'"><script>{DEED}</script>\u202e\x1b[2J\x00&lt;'


@pytest.fixture
def evil(begin: Callable[..., Any]) -> Any:
    slot = "<b>"
    units = [unit(slot, EVIL, EVIL, description=EVIL)]
    story = begin("evil", serial=EVIL, slot=slot, stand=EVIL, run=EVIL, units=units)
    story.plan((EVIL, EVIL, EVIL))
    story.check(EVIL, EVIL, "failed", EVIL)
    story.sample(3)
    story.event(EVIL, EVIL, EVIL)
    story.gap(10, EVIL)
    story.note(EventLogged(what=EVIL, text=EVIL, slot=slot))
    story.note(MadeSafe(verified=False, why=EVIL, by="run"))
    story.sample(3)
    return story


@pytest.mark.parametrize("path", ["/", "/runs/evil"])
@pytest.mark.usefixtures("evil")
def test_no_markup_comes_through(served: Any, path: str) -> None:
    status, _, body = served.ask(path)
    assert status == 200
    assert "<img" not in body
    assert "&lt;img" in body
    assert all("src=" in part[:5] for part in body.split("<script ")[1:])
    assert f"<script>{DEED}" not in body
    assert not set("\u202e\x1b\x00") & set(body)


@pytest.mark.usefixtures("evil")
def test_the_stream_is_plain_ascii_and_holds_no_control_character(served: Any) -> None:
    with served.listen("/runs/evil/stream") as events:
        event = next(event for event in events if event["event"] == "news")
    text = json.dumps(event["data"], ensure_ascii=False)
    assert "\u202e" not in text
    assert "\\u0000" not in text
    assert list(event["data"]["plots"]) == ["<b>"]


@pytest.mark.parametrize(
    "name", ["<b>bold", "a b", "x'y\"z", "\u202egpj.exe", "..hidden", "%2e%2e", "a&b=c", "~", "e\u0301"]
)
def test_folders_of_any_name_are_addressed_safely(
    served: Any, write_whole: Callable[..., Path], name: str
) -> None:
    write_whole(name, serial="RH-0042")
    body = served.ask("/")[2]
    link = body.split('href="/runs/')[1].split('"')[0]
    assert set(link) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~")
    status, _, page = served.ask(f"/runs/{link}")
    assert (status, "RH-0042" in page) == (200, True)


#: Whole lines, properly chained, that no run writes, of before there were versions and of this one.
ODD: list[list[dict[str, Any]]] = [
    [{"kind": "nothing"}],
    [{"kind": "run started"}],
    [{"kind": "run started", "units": 5, "run": [], "stand": None, "hilseq": {}, "simulated": 1}],
    [{"kind": "soak started", "slot": "../../etc/passwd", "zero": 0, "end": 1}],
    [{"kind": "soak started", "slot": "A", "columns": 7, "zero": "x", "modes": {"live": []}}],
    [
        {
            "kind": "soak started",
            "slot": "A",
            "zero": 1e308,
            "end": -1e308,
            "duration": 1e308,
            "period": -1,
        }
    ],
    [{"kind": "soak event", "slot": "A"}, {"kind": "soak gap", "slot": "A"}],
    [{"kind": "made safe"}, {"kind": "faults"}, {"kind": "reading"}, {"kind": "check ended"}],
    [{"kind": "run ended"}],
    [{"kind": "run ended", "exit_code": "x"}],
    [{"kind": "event", "what": ["x"], "text": {"y": 1}, "slot": 3}],
    [{"kind": "event", "v": 99, "what": "x", "text": "y"}],
    [{"kind": "event", "v": 1, "what": "x", "text": "y", "more": 1}],
    [{"kind": "event", "v": [], "what": "x", "text": "y"}],
    [{"kind": "check ended", "v": 1, "check": "unplanned", "verdict": "passed", "seconds": 1.0}],
    [{"kind": "soak event", "v": 1, "slot": "Z", "number": 1, "since": 0.0}],
]


@pytest.mark.parametrize("began", [True, False])
@pytest.mark.parametrize("entries", ODD)
def test_entries_that_no_run_writes_break_no_page(
    served: Any, begin: Callable[..., Any], runs: Path, entries: list[dict[str, Any]], *, began: bool
) -> None:
    if began:
        story = begin("odd")
        story.sample(2)
    append_raw(runs / "odd", *entries)
    for path in ("/", "/runs/odd", "/runs/odd/report/1"):
        assert served.ask(path)[0] in {200, 404}
    with served.listen("/runs/odd/stream") as events:
        assert next(event for event in events if event["event"] == "news")


@pytest.mark.parametrize(
    "content",
    [b"", b"\n", b"\xff\xfe\n", b"{}\n", b'{"columns":5}\n', b'{"columns":[]}\n' + b"x" * 99, b"[" * 99999],
)
def test_a_sample_file_that_is_none_breaks_no_page(
    served: Any, begin: Callable[..., Any], content: bytes
) -> None:
    story = begin("odd")
    story.sample(2)
    (story.folder / "samples-A.bin").write_bytes(content)
    assert served.ask("/runs/odd")[0] == 200
    with served.listen("/runs/odd/stream") as events:
        assert next(event for event in events if event["event"] == "news")


@pytest.mark.parametrize(
    "content", [b"", b"\n", b"\xff\n", b"null\n", b"{}\n", b"[" * 99999 + b"\n", b"{" * 9]
)
def test_a_journal_that_is_none_breaks_no_page(served: Any, runs: Path, content: bytes) -> None:
    (runs / "odd").mkdir()
    (runs / "odd" / "journal.jsonl").write_bytes(content)
    for path in ("/", "/runs/odd"):
        assert served.ask(path)[0] == 200


def test_who_asks_nothing_takes_nobodys_place(
    serve: Callable[..., Any], begin: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Connections without a request, or with half of one, are closed; a stream stays, however little comes."""
    monkeypatch.setattr(app, "IDLE", 0.2)
    story = begin()
    served = serve().served
    with served.listen(f"/runs/{story.folder.name}/stream") as events:
        next(events)
        for sent in (b"", b"GET / HTTP/1.1\r\nHo", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\nGET /"):
            with socket.create_connection(("127.0.0.1", served.port), timeout=20.0) as idle:
                idle.sendall(sent)
                while idle.recv(65536):
                    pass  # until the server closes it
        story.sample(1)
        assert next(event for event in events if event["event"] == "news")


@pytest.mark.parametrize(
    "path",
    [
        "/runs/evil/report/{}",
        "/runs/{}",
        "/runs/{}/report/1",
        "/?page={}",
        "/static/{}",
        "/runs/evil/stream/{}",
    ],
)
@pytest.mark.usefixtures("evil")
def test_an_address_of_five_thousand_digits_is_reported(served: Any, path: str) -> None:
    """More digits than `int` reads (docs.python.org, "Integer string conversion length limitation": 4300)."""
    assert served.ask(path.format("9" * 5000))[0] == (200 if "page" in path else 404)
