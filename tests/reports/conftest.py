"""Journals as a run writes them, made by the real writer with a clock that stands where we put it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from hilseq.journal.entries import (
    CheckEnded,
    CheckStarted,
    EventLogged,
    FaultsRead,
    InstrumentIdentified,
    JournalEntry,
    MadeSafe,
    Reading,
    RunEnded,
    StoredFault,
    TableKept,
    UnitUnderTest,
)
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.writer import JournalWriter
from hilseq.reports.page import render
from hilseq.verdicts import CheckVerdict
from tests.journals import check_planned, plan_compared, run_started
from tests.standing_clock import StandingClock


class Story:
    """Writes one run into a folder, step by step."""

    def __init__(self, folder: Path, **header: Any) -> None:
        self.folder = folder
        self.clock = StandingClock()
        self.writer = JournalWriter(folder)
        self.writer.clock = self.clock
        self.count = 0
        units = [UnitUnderTest(**one) for one in header.pop("units", [unit()])]
        plan = header.pop("plan", {})
        self.note(run_started(*units, **header))
        for one in units:
            self.note(plan_compared(one.slot, one.part, **plan))

    def note(self, entry: JournalEntry) -> None:
        self.writer.write(entry)

    def instrument(self, **fields: Any) -> None:
        known = {
            "name": "main",
            "what": "supply",
            "resource": "TCPIP::192.0.2.10::5025::SOCKET",
            "identity": "Ombrella,PS-3203,77,1.0",
            "certificate": "SIM-PS-1",
            "due": "2027-05-31",
        }
        self.note(InstrumentIdentified(**(known | fields)))

    def check(
        self,
        title: str,
        *,
        stage: str = "power-on",
        place: str = "supply",
        verdict: str = "passed",
        why: str = "",
        places: Sequence[str] = (),
        readings: Sequence[Mapping[str, Any]] = (),
        tables: Sequence[Mapping[str, Any]] = (),
        gate: bool = False,
        slot: str = "A",
        end: bool = True,
        name: str = "",
    ) -> str:
        self.count += 1
        name = f"test_{stage.replace(' ', '_')}.py::test_{self.count}[{name or place}]"
        known = {"sequence": stage, "stage": stage, "title": title, "place": place, "gate": gate}
        self.note(check_planned(name, slot=slot, **known))
        self.note(CheckStarted(check=name))
        self.clock.sleep(0.85)
        for one in readings:
            self.note(Reading(**{**reading(), **one, "check": name, "slot": slot}))
        for table in tables:
            self.note(TableKept(**table, check=name, slot=slot))
        if end:
            said = CheckVerdict(verdict)
            self.note(CheckEnded(check=name, verdict=said, why=why, places=tuple(places), seconds=0.85))
        return name

    def faults(self, when: str, entries: Sequence[Mapping[str, Any]], slot: str = "A") -> None:
        self.note(FaultsRead(slot=slot, when=when, entries=tuple(StoredFault(**one) for one in entries)))

    def event(self, what: str, text: str, slot: str = "A") -> None:
        self.note(EventLogged(what=what, text=text, slot=slot))

    def end(self, exit_code: int = 0, *, interrupted: bool = False, safe: bool = True) -> Path:
        self.note(MadeSafe(verified=safe, why="" if safe else "supply main: output still on", by="run"))
        self.note(RunEnded(exit_code=exit_code, interrupted=interrupted))
        return self.stop()

    def stop(self) -> Path:
        """Leave the journal as a killed run does."""
        self.writer.close()
        return self.folder


def unit(**fields: Any) -> dict[str, Any]:
    return {
        "slot": "A",
        "serial": "RH0001",
        "part": "RH16",
        "description": "Remote-I/O head with 16 outputs",
        "intake": {"work order": "WO-4711", "complaint": "output 5 dead"},
        **fields,
    }


def reading(**fields: Any) -> dict[str, Any]:
    return {
        "name": "idle current",
        "value": 0.1083,
        "unit": "A",
        "uncertainty": 0.0012,
        "low": 0.085,
        "high": 0.135,
        "verdict": "conforms",
        "probability": 1.0,
        "place": "",
        "rule": "guarded",
        **fields,
    }


def good_run(folder: Path, **header: Any) -> Path:
    story = Story(folder, **header)
    story.instrument()
    story.check("The unit draws what a healthy one draws", gate=True, readings=[{}])
    for number in range(1, 17):
        story.check("The output follows", stage="outputs", place=f"q{number:02d}")
    return story.end(0)


def bad_run(folder: Path, **header: Any) -> Path:
    """Write a run with one of everything a page can show."""
    story = Story(folder, **header)
    story.instrument()
    story.instrument(
        name="rack", what="I/O simulator", identity="Ombrella,IO-64", certificate="", due="2026-01-31"
    )
    source = {"distribution": "normal", "source": "the data sheet of the supply, as the stand file states it"}
    terms = ({"name": "accuracy", "value": 0.00036, **source}, {"name": "drift", "value": 0.00048, **source})
    story.check(
        "The unit draws what a healthy one draws",
        gate=True,
        readings=[{"terms": terms, "coverage_factor": 2.0}],
    )
    story.check(
        "The unit is ready in time",
        readings=[
            {
                "name": "time to ready",
                "value": 3.98,
                "unit": "s",
                "uncertainty": 0.05,
                "low": None,
                "high": 4.0,
            }
            | {"verdict": "marginal", "probability": 0.788}
        ],
        verdict="failed",
        why="time to ready is 3.98 s ± 0.05 s, so near its limits (at most 4 s) that this stand cannot tell",
        places=["supply"],
    )
    code = {"code": 0x21, "place": "q05", "time": 42120, "meaning": "output overloaded"}
    fault = code | {"cause": "short circuit at the terminal or a dead driver", "remedy": "replace the driver"}
    story.faults("before clearing", [fault])
    story.faults("after clearing", [])
    for number in range(1, 17):
        bad = number == 5
        story.check(
            "The output drops little when on",
            stage="outputs",
            place=f"q{number:02d}",
            readings=[
                {"name": "voltage drop", "value": 2.31 if bad else 0.31 + number / 100, "unit": "V"}
                | {"uncertainty": 0.03, "low": None, "high": 0.8, "verdict": "fails" if bad else "conforms"}
                | {"probability": 0.0 if bad else 1.0}
            ],
            verdict="failed" if bad else "passed",
            why="voltage drop is 2.31 V ± 0.03 V, outside its limits (at most 0.8 V)" if bad else "",
        )
    for number in range(1, 17):
        story.check("The output follows", stage="outputs", place=f"q{number:02d}")
    story.check(
        "No output follows another",
        stage="outputs",
        place="outputs",
        verdict="failed",
        why="q07 and q08 are shorted, wired-or",
        places=["q07", "q08"],
    )
    rows = [[x, 0.004 * x - 0.01, -0.05, 0.05] for x in (0, 2.5, 5, 7.5, 10)]
    story.check(
        "The analog output is right over its range",
        stage="analog",
        place="ao1",
        tables=[
            {"name": "error", "columns": ["asked (V)", "error (V)", "low limit", "high limit"], "rows": rows}
        ],
        readings=[
            {"name": "largest error", "value": 0.03, "unit": "V", "uncertainty": 0.004}
            | {"low": -0.05, "high": 0.05}
        ],
    )
    for number in (1, 2):
        story.check(
            "The port carries frames both ways",
            stage="ports",
            place=f"port {number}",
            verdict="not performed",
            why="the gate 'The unit is ready in time' was failed before it",
        )
    story.event("power cycle", "the unit was off for 10 s")
    story.event("proof", "60 of 60 starts succeeded: with 95 % confidence at least 95.1 % of starts succeed.")
    story.clock.sleep(600)
    story.faults("at the end", [fault | {"place": "q08"}])
    return story.end(1)


@pytest.fixture
def story(tmp_path: Path) -> Callable[..., Story]:
    return lambda **header: Story(tmp_path / "run", **header)


@pytest.fixture
def good(tmp_path: Path) -> Path:
    return good_run(tmp_path / "good")


@pytest.fixture
def bad(tmp_path: Path) -> Path:
    return bad_run(tmp_path / "bad")


@pytest.fixture(scope="session")
def make_bad() -> Callable[..., Path]:
    return bad_run


@pytest.fixture(scope="session")
def make_good() -> Callable[..., Path]:
    return good_run


@pytest.fixture
def a_unit() -> Callable[..., dict[str, Any]]:
    return unit


VOID = frozenset({"meta", "br", "hr", "img", "input", "link"})


class Tree(HTMLParser):
    """Reads a page strictly: every tag closed in order, ids unique, and keeps what the tests ask about."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.ids: list[str] = []
        self.text: list[str] = []
        self.scripts: list[tuple[dict[str, str], str]] = []
        self.styles: list[str] = []
        self.feed(page)
        self.close()
        assert self.open == [], f"never closed: {self.open}"
        assert len(self.ids) == len(set(self.ids)), "an id is used twice"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        attributes = {name: value or "" for name, value in attrs}
        assert len(attributes) == len(attrs), f"an attribute twice on {tag}"
        self.tags.append((tag, attributes))
        if "id" in attributes:
            self.ids.append(attributes["id"])
        if tag not in VOID:
            self.open.append(tag)
        if tag == "script":
            self.scripts.append((attributes, ""))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open[-1] == tag, f"</{tag}> inside {self.open}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "script":
            attributes, text = self.scripts[-1]
            self.scripts[-1] = (attributes, text + data)
        elif self.open and self.open[-1] == "style":
            self.styles.append(data)
        else:
            self.text.append(data)

    def said(self) -> str:
        """All visible words, with single spaces."""
        return " ".join(" ".join(self.text).split())


@pytest.fixture
def read_page() -> Callable[[str], Tree]:
    return Tree


@pytest.fixture
def page_of() -> Callable[..., str]:
    """Return the page of the first unit of a run folder."""

    def page(folder: Path, **options: Any) -> str:
        record = run_state(read_journal(folder))
        return render(record, record.units[0], **options)

    return page
