"""A supply's own watchdog: set before power, kept content, ended after it."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from hilseq.description.supplies import Supply
from hilseq.errors import StandFault
from hilseq.instruments.supply import PowerSupply
from tests.instruments.supply_bench import Bench

if TYPE_CHECKING:
    from tests.instruments.conftest import Answer, RawServer

ServeText = Callable[["Answer"], "RawServer"]
Make = Callable[..., PowerSupply]


WATCHDOG = {
    "watchdog": "12 s",
    "commands": {"set-watchdog": "WDOG {value}", "read-watchdog": "WDOG?", "clear-watchdog": "WDOG:CLE"},
}


def test_the_watchdog_is_set_before_power_and_ended_after_it(make: Make, bench: Bench) -> None:
    """It is set and read back while the output is off; once the output is off for good it watches no more."""
    bench.ignored = {"WDOG", "WDOG:CLE"}
    bench.answers |= {"WDOG?": "12"}
    supply = make(**WATCHDOG)
    supply.prepare(30.0, 0.5)
    assert bench.heard.index("OUTP OFF") < bench.heard.index("WDOG 12") < bench.heard.index("WDOG?")
    supply.on()
    bench.heard.clear()
    supply.power_off()
    assert bench.heard.index("OUTP OFF") < bench.heard.index("WDOG:CLE")


def test_a_watchdog_that_reads_back_otherwise_powers_nothing(make: Make, bench: Bench) -> None:
    """An instrument that takes milliseconds, say, is found before there is power."""
    bench.ignored = {"WDOG"}
    bench.answers |= {"WDOG?": "0.012"}
    supply = make(**WATCHDOG)
    with pytest.raises(StandFault, match=r"reads back 0\.012 s as its watchdog, set to 12 s"):
        supply.prepare(30.0, 0.5)
    with pytest.raises(StandFault, match="was not prepared"):
        supply.on()


def test_the_watchdog_is_fed_when_nothing_else_is_said(
    make: Make, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a third of its patience, once; never between the two halves of a question, whose answer is kept."""
    bench.ignored = {"WDOG", "WDOG:CLE"}
    bench.answers |= {"WDOG?": "12"}
    supply = make(**WATCHDOG)
    supply.kick_watchdog()
    assert bench.heard == []  # nothing is watched yet
    supply.prepare(30.0, 0.5)
    supply.on()
    bench.heard.clear()
    supply.kick_watchdog()
    assert bench.heard == []
    now = time.monotonic
    monkeypatch.setattr(time, "monotonic", lambda: now() + 4.1)
    supply.kick_watchdog()
    supply.kick_watchdog()
    assert bench.heard == ["OUTP?"]
    supply.ask_both()
    monkeypatch.setattr(time, "monotonic", now)
    while "MEAS:VOLT?" not in bench.heard:
        time.sleep(0.01)
    time.sleep(0.3)  # the answer is there before its deadline
    monkeypatch.setattr(time, "monotonic", lambda: now() + 8.3)
    supply.kick_watchdog()
    supply.answer_both()
    assert bench.heard == ["OUTP?", "MEAS:VOLT?", "MEAS:CURR?"]
    bench.dead = True
    monkeypatch.setattr(time, "monotonic", lambda: now() + 12.5)
    supply.kick_watchdog()  # what is wrong is reported by the next question that matters


def test_without_a_watchdog_nothing_is_fed(make: Make, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """No question more than before."""
    supply = make()
    supply.prepare(30.0, 0.5)
    bench.heard.clear()
    now = time.monotonic
    monkeypatch.setattr(time, "monotonic", lambda: now() + 3600.0)
    supply.kick_watchdog()
    assert bench.heard == []


@pytest.mark.parametrize(
    ("half", "words"),
    [
        ({"watchdog": "12 s"}, "expected both or neither"),
        ({"commands": {"set-watchdog": "WDOG {value}"}}, "expected both or neither"),
        ({"commands": {"read-watchdog": "WDOG?"}}, "`read-watchdog` is for a watch that nothing sets"),
        ({"commands": {"clear-watchdog": "WDOG:CLE"}}, "`clear-watchdog` is for a watch that nothing sets"),
        ({**WATCHDOG, "deadline": "5 s"}, "expected three deadlines or more"),
        ({**WATCHDOG, "watchdog": "9 s"}, "greater than or equal to 10"),
    ],
)
def test_a_watchdog_that_could_not_work_is_refused(half: dict[str, object], words: str) -> None:
    """Half of what it needs, and a patience that a run in good order could exceed."""
    ceilings = {"voltage": "32 V", "current": "3 A"}
    with pytest.raises(ValueError, match=words):
        Supply.model_validate({"resource": "x", "ceilings": ceilings, **half})
