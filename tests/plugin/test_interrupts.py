"""Signals are held back while the stand is made safe."""

from __future__ import annotations

import signal
from collections.abc import Iterator

import pytest

from hilseq import interrupts
from hilseq.interrupts import held_back

ALL = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


@pytest.fixture(autouse=True)
def _handlers() -> Iterator[None]:
    """Put the handlers of these tests back."""
    before = {number: signal.getsignal(number) for number in ALL}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.parametrize("number", ALL, ids=lambda n: n.name)
def test_what_comes_during_making_safe_interrupts_nothing(number: signal.Signals) -> None:
    """The block runs to its end; afterwards the handlers are what they were."""
    before = signal.getsignal(number)
    done = []
    with held_back():
        signal.raise_signal(number)
        done.append("safe")
    assert done == ["safe"]
    assert signal.getsignal(number) is before


def test_an_interrupt_in_the_middle_of_a_run_is_only_put_off() -> None:
    """Ctrl-C while one slot is made safe still ends the run, once that is done."""
    done = []

    def make_safe() -> None:
        with held_back(again=True):
            signal.raise_signal(signal.SIGINT)
            done.append("safe")

    with pytest.raises(KeyboardInterrupt):
        make_safe()
    assert done == ["safe"]


def test_nothing_is_raised_when_nothing_came() -> None:
    """Without a signal the block is as if it were not there."""
    with held_back(again=True):
        pass


@pytest.mark.parametrize("number", ALL, ids=lambda n: n.name)
def test_one_interrupt_ends_a_run(number: signal.Signals) -> None:
    """The first signal interrupts with its name; those that follow at once do not break off the ending."""
    interrupts.interrupt_on_termination()
    with pytest.raises(KeyboardInterrupt, match=number.name):
        signal.raise_signal(number)
    for again in ALL:
        signal.raise_signal(again)


def test_a_run_that_does_not_end_can_be_interrupted_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """After the time that ending may take, the next signal counts."""
    monkeypatch.setattr(interrupts, "ENDING", 0.0)
    interrupts.interrupt_on_termination()
    for _ in range(2):
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGTERM)
