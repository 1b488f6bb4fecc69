"""When something began that only the whole soak could tell: it is dated then, and reported in that order."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

from hilseq.description.plans import Soak
from hilseq.journal.run_state import Incident, SoakFinding
from hilseq.journal.soak_entries import SoakEventLogged
from hilseq.procedures.soak.events import Events, SoakOutcome
from hilseq.procedures.soak.record import SoakRecorder
from hilseq.procedures.soak.traffic import Worse


def test_what_began_first_is_reported_first_whenever_it_was_known() -> None:
    """Bit errors are known for such at the end only; the sentence begins with what failed before all else."""
    fault = Incident(1, 3600.0, 40.0, [SoakFinding("reset", "start", "it started once")])
    errors = Incident(2, 600.0, 33.0, [SoakFinding("bit errors", "port 1", "9 wrong bits in 640")])
    outcome = SoakOutcome(7200.0, 7200.0, 7200, 0, [fault, errors], "the planned end")
    assert outcome.sentence == ("bit errors at 10 min, case 33.0 °C: 9 wrong bits in 640; 2 events in 2 h")
    assert outcome.places == ["start", "port 1"]


class _Kept:
    """A recorder that keeps events only."""

    def __init__(self) -> None:
        self.events: list[tuple[int, float, float | None, str]] = []

    def event(self, event: SoakEventLogged) -> None:
        self.events.append((event.number, event.since, event.case, event.place))


def test_ports_that_went_bad_at_one_sample_are_one_event() -> None:
    """Each is dated when it began: those of one date together, the others by themselves."""
    recorder = _Kept()
    plan = Soak.model_validate({"duration": "2 h"})
    unknown: Any = None
    unit: Any = SimpleNamespace(slot="A")
    events = Events(unit, plan, cast("SoakRecorder", recorder), unknown, (), progress=unknown, move=unknown)
    found = [SoakFinding("bit errors", f"port {number}", "too many") for number in (1, 2, 3)]
    dates = ((60.0, 30.0), (60.0, 30.0), (90.0, None))
    events.found_at_end([Worse(one, *date) for one, date in zip(found, dates, strict=True)])
    assert recorder.events == [
        (1, 60.0, 30.0, "port 1"), (1, 60.0, 30.0, "port 2"), (2, 90.0, None, "port 3"),
    ]  # fmt: skip
    assert [(incident.number, incident.since) for incident in events.incidents] == [(1, 60.0), (2, 90.0)]
