"""Signals are held back while the stand is made safe."""

from __future__ import annotations

import signal

import pytest

from hilseq.plugin.interrupts import held_back


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP], ids=lambda n: n.name)
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
